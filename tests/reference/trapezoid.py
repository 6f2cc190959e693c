"""The dose of recorded days as scipy reckons it, to check `frameside replay` against.

    python trapezoid.py FILE.csv...

Prints one JSON list, an object a file:
    dose_j_m2              scipy.integrate.trapezoid over the samples that are there
    seconds_to_15_kj_m2    from 10:00 UTC, by root finding (scipy.optimize.brentq) on the integral
    five_minute_dose_j_m2  dose from 10:00 to 10:05 UTC
"""

import json
import sys

import numpy as np
import pandas as pd
from scipy.integrate import trapezoid
from scipy.optimize import brentq

TARGET_J_M2 = 15_000.0
BEGIN_S = 10 * 3600.0


def samples(path):
    """Seconds since midnight and W/m2 of the samples that are there."""
    day = pd.read_csv(path, parse_dates=["time"]).dropna()
    seconds = (day["time"] - day["time"].dt.floor("D")).dt.total_seconds()
    return seconds.to_numpy(), day["irradiance_w_m2"].to_numpy()


def dose_between(begin, end, seconds, irradiance):
    """Integral between two instants, the samples joined by straight lines."""
    inside = seconds[(seconds > begin) & (seconds < end)]
    at = np.concatenate([[begin], inside, [end]])
    return float(trapezoid(np.interp(at, seconds, irradiance), at))


def reckon(path):
    seconds, irradiance = samples(path)

    def short_of_target(end):
        return dose_between(BEGIN_S, end, seconds, irradiance) - TARGET_J_M2

    return {
        "dose_j_m2": float(trapezoid(irradiance, seconds)),
        "seconds_to_15_kj_m2": brentq(short_of_target, BEGIN_S, seconds[-1], xtol=1e-9) - BEGIN_S,
        "five_minute_dose_j_m2": dose_between(BEGIN_S, BEGIN_S + 300.0, seconds, irradiance),
    }


if __name__ == "__main__":
    print(json.dumps([reckon(path) for path in sys.argv[1:]]))
