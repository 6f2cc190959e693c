"""Writes made-up light at 1 Hz to standard output, rows of 27 bytes, for measuring replay.

    python recorded_light.py ROWS

A seeded random walk between 10 and 60 W/m2: every row has the same length and every second a
new value, which is the worst case for a reader.
"""

import datetime
import sys

import numpy as np

SECONDS_A_DAY = 86_400
FIRST_DAY = datetime.date(2026, 1, 1)


def main(rows):
    walk = np.random.default_rng(1)
    clock = [f"T{s // 3600:02}:{s // 60 % 60:02}:{s % 60:02}Z" for s in range(SECONDS_A_DAY)]
    sys.stdout.write("time,irradiance_w_m2\n")
    for first in range(0, rows, SECONDS_A_DAY):
        day = FIRST_DAY + datetime.timedelta(days=first // SECONDS_A_DAY)
        steps = walk.normal(0.0, 0.5, SECONDS_A_DAY).cumsum()
        # Folded back at both ends, so that it stays between them.
        light = 10.0 + 49.99 * np.abs((steps / 50.0) % 2.0 - 1.0)
        moments = clock[: rows - first]
        sys.stdout.write("".join(f"{day}{time},{value:.2f}\n" for time, value in zip(moments, light)))


main(int(sys.argv[1]))
