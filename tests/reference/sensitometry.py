"""Reference values for sensitometry, by numpy, scipy and colour-science.

Prints one JSON object for wedges, strips, lightnesses and sets of prints made
up from a seed, with what scipy and colour-science say of them. Usage:

    sensitometry.py [SEED] [COUNT]

Needs numpy, scipy and colour-science. Formulas: ISO 6846 (points of the
curve), ISO/CIE 11664-4 (lightness), Fritsch and Butland 1984 (PCHIP).
"""

import json
import sys
import warnings

import numpy as np
from scipy import stats
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from colour.colorimetry import lightness_CIE1976, luminance_CIE1976


def first_upward(curve, level):
    """The first x where the curve comes up to a level, by scipy's root finder."""
    y = curve(curve.x)
    for i in np.flatnonzero((y[:-1] < level) & (level <= y[1:])):
        if y[i + 1] == level:
            return float(curve.x[i + 1])
        return brentq(lambda x: curve(x) - level, curve.x[i], curve.x[i + 1], xtol=1e-15)
    return None


def last_upward(curve, level, before):
    """The last x below another where the curve comes up to a level."""
    y = curve(curve.x)
    for i in np.flatnonzero((y[:-1] < level) & (level <= y[1:]))[::-1]:
        x = brentq(lambda x: curve(x) - level, curve.x[i], curve.x[i + 1], xtol=1e-15)
        if x < before:
            return x
    return None


# Two readings, each good to 0.015, differ by less at twice their standard error.
BY_NOISE = 2 * np.sqrt(2) * 0.015


def full_density(log_h, density):
    """Log H of the least dose for full density: within 0.03 of the mean of the two highest."""
    if density.argmax() == len(density) - 1 and density[-1] - density[-2] > 0.03 + BY_NOISE:
        return None
    level = np.sort(density)[-2:].mean() - 0.03
    return first_upward(PchipInterpolator(log_h, density), level)


def saturating(random, log_h):
    """Densities, to a hundredth, of a process that saturates and may turn over."""
    d_min, span = random.uniform(0.05, 0.15), random.uniform(1.0, 1.5)
    steepness = random.uniform(0.9, 1.4)
    density = d_min + span * (1 - np.exp(-(10 ** (steepness * log_h))))
    turned = random.uniform(0.0, 0.1) * np.maximum(log_h - 0.9, 0)
    return np.round(density - turned, 2)


def wedge(random):
    """A printed wedge: steps from the clear end, and its key points."""
    increment = random.choice([0.10, 0.15, 0.20])
    steps = int(3.2 / increment) + 1
    wedge_density = np.round(0.05 + increment * np.arange(steps), 2)
    dose_kj = float(np.round(random.uniform(10, 60), 3))
    log_h = np.log10(dose_kj) - wedge_density
    # Its first saturation lies 1.1 below the clearest step.
    density = saturating(random, log_h - log_h[0] + 1.1)
    x, y = log_h[::-1], density[::-1]
    curve = PchipInterpolator(x, y)
    d_max = y.max()
    d_min = y[: y.argmax() + 1].min()
    probes = random.uniform(x[0], x[-1], 12)
    return {
        "dose_kj_m2": dose_kj,
        "wedge_density": wedge_density.tolist(),
        "density": density.tolist(),
        "d_min": float(d_min),
        "d_max": float(d_max),
        "log_toe": last_upward(curve, d_min + 0.04, first_upward(curve, d_min + 0.60)),
        "log_mid": first_upward(curve, d_min + 0.60),
        "log_shoulder": first_upward(curve, d_min + 0.9 * (d_max - d_min)),
        "log_full": full_density(x, y),
        "probes": [[float(p), float(curve(p)), float(curve(p, 1))] for p in probes],
    }


def strip(random):
    """A test strip: doses in kJ/m2, densities, and the least dose for full density."""
    bands = int(random.integers(5, 12))
    log_h = np.log10(random.uniform(2, 10)) + np.arange(bands) * random.choice([0.10, 0.15, 0.30])
    density = saturating(random, log_h - log_h[0] + random.uniform(-1.0, 0.0))
    doses = np.round(10**log_h, 3)
    log_least = full_density(np.log10(doses), density)
    return {
        "dose_kj_m2": doses.tolist(),
        "density": density.tolist(),
        "least_dose_kj_m2": None if log_least is None else 10**log_least,
    }


def lightness(random):
    """A density with its lightness, and a lightness with its density."""
    density, l_star = random.uniform(0, 3), random.uniform(0.5, 100)
    return {
        "density": density,
        "lightness_of_density": float(lightness_CIE1976(100 * 10**-density)),
        "lightness": l_star,
        "density_of_lightness": float(-np.log10(luminance_CIE1976(l_star) / 100)),
    }


def reciprocity(random):
    """Prints of equal outcome in different light, and the exponent with its interval."""
    prints = int(random.integers(4, 12))
    irradiance = 10 ** random.uniform(0.5, 1.7, prints)
    irradiance[:2] = 3.0, 45.0
    exponent = random.uniform(0.75, 1.05)
    scatter = random.normal(0, 0.08, prints)
    dose = 15 * irradiance ** (1 - exponent) * 10**scatter
    line = stats.linregress(np.log10(irradiance), np.log10(dose))
    residual = np.log10(dose) - line.intercept - line.slope * np.log10(irradiance)
    half = stats.t.ppf(0.975, prints - 2) * line.stderr
    return {
        "irradiance_w_m2": irradiance.tolist(),
        "dose_kj_m2": dose.tolist(),
        "exponent": 1 - line.slope,
        "low": 1 - line.slope - half,
        "high": 1 - line.slope + half,
        # The interval is only comparable above the floor of 0.1 stop.
        "scatter_stops": float(np.sqrt(residual @ residual / (prints - 2)) / np.log10(2)),
    }


def main():
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    random = np.random.default_rng(seed)
    makers = {"wedges": wedge, "strips": strip, "lightnesses": lightness, "reciprocity": reciprocity}
    made = {name: [make(random) for _ in range(count)] for name, make in makers.items()}
    json.dump({"seed": seed, **made}, sys.stdout)


if __name__ == "__main__":
    main()
