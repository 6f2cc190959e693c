"""How right the figures of a step wedge are under the noise of its readings.

Holds frameside-core beside two known methods on the same readings: a smoothing spline whose
smoothness is set to the true noise, and a five-parameter logistic. Usage:

    wedges.py ESTIMATES [SEED] [SEEDS]

ESTIMATES is the program `frameside-estimates`. Needs numpy and scipy.
"""

import sys

import numpy as np
from scipy.interpolate import PchipInterpolator, UnivariateSpline
from scipy.optimize import least_squares

from study import STOP, WEDGES, ask, points, shape, where, write


def key_points(x, y):
    """Toe, mid and shoulder of a row that only rises up to its peak, by the rule of the standard."""
    top = int(np.argmax(y))
    rising = np.maximum.accumulate(y[: top + 1])
    lightest, darkest = y[: top + 1].min(), y[top]
    fine = np.linspace(x[0], x[top], 4000)
    curve = PchipInterpolator(x[: top + 1], rising)(fine)

    def last_up(level, before=np.inf):
        up = np.flatnonzero((curve[:-1] < level) & (level <= curve[1:]) & (fine[1:] < before))
        return fine[up[-1] + 1] if len(up) else np.nan

    mid = last_up(lightest + 0.60)
    return last_up(lightest + 0.04, mid), mid, last_up(lightest + 0.9 * (darkest - lightest))


def by_spline(x, y, noise):
    """Cubic, as smooth as the true noise allows."""
    spline = UnivariateSpline(x, y, s=len(x) * max(noise, 1e-6) ** 2)
    fine = np.linspace(x[0], x[-1], 300)
    return key_points(fine, spline(fine))


def by_logistic(x, y, _noise):
    """Five parameters: D = d + s / (1 + exp(-b (x - m)))^g."""
    def curve(p, x):
        return p[0] + p[1] * (1 + np.exp(np.clip(-p[2] * (x - p[3]), -60, 60))) ** -np.exp(p[4])

    start = [y.min(), y.max() - y.min(), 4.0, x[np.argmin(abs(y - y.mean()))], 0.0]
    fit = least_squares(lambda p: curve(p, x) - y, start, method="lm", max_nfev=500)
    fine = np.linspace(x[0], x[-1], 300)
    return key_points(fine, curve(fit.x, fine))


def question(x, y, dose, rows=0):
    wedge_density = np.log10(dose) - x[::-1]
    return {"kind": "wedge", "dose_kj_m2": dose, "wedge_density": wedge_density.tolist(),
            "density": y[::-1].tolist(), "rows": rows}


def within(errors, sigmas):
    errors, sigmas = np.asarray(errors), np.asarray(sigmas)
    return f"{100 * np.mean(abs(errors) <= 2 * sigmas):.1f} %"


def of(errors):
    errors = np.asarray(errors)
    return f"{np.nanmean(errors):+.3f}", f"{np.sqrt(np.nanmean(errors**2)):.3f}"


def lightness(density):
    y = 10.0**-density
    return 116 * np.cbrt(y) - 16


def worst_tone(answer, curve, log_full):
    """The greatest error in L* of a negative made by the correction and printed on the curve."""
    wanted, negative = np.array(answer["tones"]).T
    return np.max(abs(lightness(curve(answer["log_full"] - negative)) - wanted))


def main():
    estimates = sys.argv[1]
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1815
    seeds = int(sys.argv[3]) if len(sys.argv) > 3 else 200
    random = np.random.default_rng(seed)

    clean, noisy = [], []
    for name, wedge in WEDGES.items():
        x, y = points(wedge)
        truth = ask(estimates, [question(x, y, wedge[0])])[0]
        exact = key_points(x, y)
        off = [truth[key] - value for key, value in zip(("log_toe", "log_mid", "log_shoulder"), exact)]
        clean.append((name, *(f"{value:+.4f}" for value in off),
                      f"{truth['toe_sigma']:.2f}", f"{truth['range_sigma']:.2f}"))
        true_range = truth["log_shoulder"] - truth["log_toe"]
        curve = PchipInterpolator(x, y)
        for noise in (0.005, 0.015, 0.025):
            readings = [y + random.normal(0, noise, len(y)) for _ in range(seeds)]
            answers = ask(estimates, [question(x, r, wedge[0], 21) for r in readings])
            found = [a for a in answers if "refused" not in a]
            ranges = [(a["log_shoulder"] - a["log_toe"] - true_range) / STOP for a in found]
            toes = [(a["log_toe"] - truth["log_toe"]) / STOP for a in found]
            fulls = [(a["log_full"] - truth["log_full"]) / STOP for a in found]
            tones = [worst_tone(a, lambda z: curve(np.clip(z, x[0], x[-1])), truth["log_full"]) for a in found]
            row = [name, noise, f"{100 * (1 - len(found) / seeds):.1f} %", *of(ranges),
                   within(toes, [a["toe_sigma"] for a in found]),
                   within(ranges, [a["range_sigma"] for a in found]),
                   within(fulls, [a["full_sigma"] for a in found]), *of(fulls), f"{np.median(tones):.2f}"]
            for method in (by_spline, by_logistic):
                keys = [method(x, r, noise) for r in readings]
                row += of([(k[2] - k[0] - true_range) / STOP for k in keys])
            noisy.append(row)

    varied = []
    for noise in (0.005, 0.015, 0.025):
        for step in (0.10, 0.15, 0.20, STOP):
            cases = []
            for _ in range(seeds):
                curve, lightest, darkest = shape(random)
                top = where(curve, darkest - 0.03) + random.uniform(0.1, 0.6)
                bottom = where(curve, lightest + 0.012) - random.uniform(0, 0.5)
                x = np.arange(top, bottom, -step)[::-1]
                cases.append((x, curve(x)))
            dose = 20.0
            shift = [np.log10(dose) - x[-1] for x, _ in cases]
            true = ask(estimates, [question(x + s, y, dose) for (x, y), s in zip(cases, shift)])
            noisy_answers = ask(estimates, [question(x + s, y + random.normal(0, noise, len(y)), dose)
                                            for (x, y), s in zip(cases, shift)])
            kept = [(t, a) for t, a in zip(true, noisy_answers) if "refused" not in t]
            found = [(t, a) for t, a in kept if "refused" not in a]
            toes = [(a["log_toe"] - t["log_toe"]) / STOP for t, a in found]
            ranges = [(a["log_shoulder"] - t["log_shoulder"]) / STOP - toe for (t, a), toe in zip(found, toes)]
            fulls = [(a["log_full"] - t["log_full"]) / STOP for t, a in found]
            sigma = lambda key: [a[key] for _, a in found]
            varied.append((noise, f"{step:.2f}", f"{100 * (1 - len(found) / len(kept)):.1f} %", *of(ranges),
                           within(toes, sigma("toe_sigma")), within(ranges, sigma("range_sigma")),
                           within(fulls, sigma("full_sigma")), *of(fulls),
                           f"{np.median(sigma('range_sigma')):.2f}"))

    write("wedges.md", "Step wedges under noise", f"tests/reference/wedges.py ESTIMATES {seed} {seeds}", [
        ("Without noise: off the points of scipy's curve, in log H; standard errors in stops.",
         ("wedge", "toe", "mid", "shoulder", "error of the toe", "of the range"), clean),
        (f"With noise, {seeds} seeds each, against the same wedge without: bias and rms in stops, the share "
         "of seeds within two standard errors, the worst of 21 printed-back tones in L* (median).",
         ("wedge", "noise", "refused", "range: bias", "rms", "toe within", "range within", "full dose within",
          "full dose: bias", "rms", "worst tone", "spline: bias", "rms", "logistic: bias", "rms"), noisy),
        (f"Curves of other shapes, {seeds} each, by the distance of the steps.",
         ("noise", "step", "refused", "range: bias", "rms", "toe within", "range within", "full dose within",
          "full dose: bias", "rms", "error of the range, median"), varied)])


if __name__ == "__main__":
    main()
