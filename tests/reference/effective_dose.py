"""The effective dose of recorded days as scipy reckons it, to check `frameside replay --exponent` against.

    python effective_dose.py EXPONENT REFERENCE FILE.csv...

Effective is reference * integral of (E / reference)^exponent over time, the samples joined by
straight lines (Schwarzschild's law for light that varies). Each line is integrated by itself with
scipy.integrate.quad, so that no closed form is used on this side. Prints one JSON list, an object
a file:
    dose_j_m2            of the samples that are there
    seconds_to_8_kj_m2   from 10:00 UTC, by scipy.optimize.brentq; null if not reached
"""

import json
import sys

import pandas as pd
from scipy.integrate import quad
from scipy.optimize import brentq

TARGET_J_M2 = 8_000.0
BEGIN_S = 10 * 3600.0


def samples(path):
    """Seconds since midnight and W/m2 of the samples that are there."""
    day = pd.read_csv(path, parse_dates=["time"]).dropna()
    seconds = (day["time"] - day["time"].dt.floor("D")).dt.total_seconds()
    return seconds.tolist(), day["irradiance_w_m2"].tolist()


def effective(exponent, reference, line, begin, end):
    """Of one straight line ((t0, e0), (t1, e1)) between two instants on it."""
    (t0, e0), (t1, e1) = line

    def rate(at):
        return reference * (max(e0 + (e1 - e0) * (at - t0) / (t1 - t0), 0.0) / reference) ** exponent

    return quad(rate, begin, end, epsabs=0.0, epsrel=1e-12, limit=200)[0]


def reckon(path, exponent, reference):
    points = list(zip(*samples(path)))
    lines = list(zip(points, points[1:]))
    dose = sum(effective(exponent, reference, line, line[0][0], line[1][0]) for line in lines)
    so_far, reached = 0.0, None
    for line in lines:
        if line[1][0] <= BEGIN_S:
            continue
        begin = max(line[0][0], BEGIN_S)
        added = effective(exponent, reference, line, begin, line[1][0])
        if so_far + added >= TARGET_J_M2:

            def short(end):
                return so_far + effective(exponent, reference, line, begin, end) - TARGET_J_M2

            reached = brentq(short, begin, line[1][0], xtol=1e-10) - BEGIN_S
            break
        so_far += added
    return {"dose_j_m2": dose, "seconds_to_8_kj_m2": reached}


if __name__ == "__main__":
    exponent, reference, *files = sys.argv[1:]
    print(json.dumps([reckon(path, float(exponent), float(reference)) for path in files]))
