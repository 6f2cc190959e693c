"""Turns one month of a radiation station into the CSV files that `frameside replay` reads.

    python station_days.py bsrn-pay0616.dat.gz OUT_DIR

The data are of the Baseline Surface Radiation Network (Driemel et al. 2018, Earth Syst. Sci.
Data 10, 1491-1501, doi:10.5194/essd-10-1491-2018): free for bona fide use with citation, not to
be passed on. So neither the file nor anything made from it is ever committed.

Writes OUT_DIR/2016-06.csv and one file for each of the days 1 to 15, which are the days the tests
use. Values are written as the station printed them; a missing minute has an empty irradiance.
"""

import gzip
import pathlib
import sys

MONTH = "2016-06"
HEADER = "time,irradiance_w_m2\n"
DAYS_FOR_TESTS = range(1, 16)
MISSING_BELOW = -90.0  # the station writes -99.9 or -999


def uv_a_minutes(archive):
    """Yields (day, CSV row) for each minute of UV-A mean, W/m2 (logical record 0500)."""
    with gzip.open(archive, "rt", encoding="ascii") as text:
        lines = text.read().splitlines()
    record = lines[lines.index("*U0500") + 1 : lines.index("*U1000")]
    for first_of_two in record[::2]:
        day, minute, mean = first_of_two.split()[:3]
        value = "" if float(mean) < MISSING_BELOW else mean
        hour, minute = divmod(int(minute), 60)
        yield int(day), f"{MONTH}-{int(day):02}T{hour:02}:{minute:02}:00Z,{value}\n"


def main(archive, out_dir):
    rows = list(uv_a_minutes(archive))
    out = pathlib.Path(out_dir)
    out.mkdir(parents=True, exist_ok=True)
    (out / f"{MONTH}.csv").write_text(HEADER + "".join(row for _, row in rows))
    for day in DAYS_FOR_TESTS:
        of_day = "".join(row for row_day, row in rows if row_day == day)
        (out / f"{MONTH}-{day:02}.csv").write_text(HEADER + of_day)


if __name__ == "__main__":
    main(*sys.argv[1:])
