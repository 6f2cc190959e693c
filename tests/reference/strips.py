"""How right the least dose of a test strip is, and whether its error holds.

Strips that end from full density to two bands past it, of curves of several shapes; the truth
is where the curve itself comes within 0.03 of full density. Beside it the strip by the rule
without an error of the plateau, as it was. Usage:

    strips.py ESTIMATES [SEED] [SEEDS]

ESTIMATES is the program `frameside-estimates`. Needs numpy and scipy.
"""

import sys

import numpy as np

from study import STOP, ask, shape, where, write

SPACINGS = {"third": 1 / 3, "half": 1 / 2, "one stop": 1.0}


def logistic(random, steep):
    span, lightest = random.uniform(1.1, 1.5), random.uniform(0.05, 0.15)
    return lambda x: lightest + span / (1 + np.exp(-steep * np.asarray(x))), lightest, lightest + span


def main():
    estimates = sys.argv[1]
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1839
    seeds = int(sys.argv[3]) if len(sys.argv) > 3 else 400
    random = np.random.default_rng(seed)
    kinds = {"mixed": shape, "logistic": lambda r: logistic(r, r.uniform(3.5, 4.5))}
    rows = []
    for kind, make in kinds.items():
        for name, stops in SPACINGS.items():
            for noise in (0.0, 0.008, 0.015, 0.022):
                questions, truths, past = [], [], []
                for _ in range(seeds):
                    curve, _, darkest = make(random)
                    full = where(curve, darkest - 0.03)
                    bands = random.integers(5, 8) if stops == 1 else random.integers(6, 10)
                    ends = random.uniform(0, 2)
                    x = full + (ends - np.arange(bands)[::-1]) * stops * STOP
                    density = curve(x) + random.normal(0, noise, bands)
                    questions.append({"kind": "strip", "dose_kj_m2": (10 ** (x + 1)).tolist(),
                                      "density": density.tolist()})
                    truths.append(full + 1)
                    past.append(ends)
                answers = ask(estimates, questions)
                found = [(a["log_full"] - t, a["full_sigma"], e)
                         for a, t, e in zip(answers, truths, past) if "log_full" in a]
                error, sigma, ends = np.array(found).T
                error /= STOP
                holds = abs(error) <= 2 * sigma
                by_end = " ".join(f"{100 * holds[(ends >= e) & (ends < e + 0.5)].mean():.0f}"
                                  for e in (0, 0.5, 1, 1.5))
                extend = sum("extend" in a for a in answers)
                rows.append((kind, name, noise, f"{100 * extend / seeds:.1f} %",
                             f"{100 * sum('refused' in a for a in answers) / seeds:.1f} %",
                             f"{error.mean():+.2f}", f"{np.sqrt((error**2).mean()):.2f}",
                             f"{np.median(sigma):.2f}", f"{100 * holds.mean():.1f} %", by_end))
    write("strips.md", "Test strips under noise", f"tests/reference/strips.py ESTIMATES {seed} {seeds}", [
        (f"{seeds} strips each, ending from full density to two bands past it. Bias, rms and sigma in stops; "
         "the share within two sigma, and the same in percent by how far past full the strip ends "
         "(0 to 0.5, 0.5 to 1, 1 to 1.5, 1.5 to 2 bands).",
         ("curve", "bands", "noise", "'extend'", "refused", "bias", "rms", "sigma, median", "within", "by end"), rows)])


if __name__ == "__main__":
    main()
