"""How right the advised dose is, and whether its interval holds.

A right dose that walks by 0.15 stop in 30 days (or does not, or walks otherwise), judged with
errors that are known, with and without one outlier in ten. Beside frameside-core: a Kalman
filter with the same walk, and the rule of before, which added the walk to each piece as if
independent. Usage:

    advice.py ESTIMATES [SEED] [SEEDS]

ESTIMATES is the program `frameside-estimates`. Needs numpy.
"""

import sys

import numpy as np

from study import ask, write

WALK = 0.15**2 / 30
SHEET = 0.05


def kalman(y, variance, age):
    """Mean and standard deviation of the value now; the oldest reading first."""
    at, known = y[0], variance[0]
    for i in range(1, len(y)):
        known += WALK * (age[i - 1] - age[i])
        gain = known / (known + variance[i])
        at, known = at + gain * (y[i] - at), (1 - gain) * known
    return at, np.sqrt(known + WALK * age[-1])


def rule_of_before(y, variance, age):
    """Huber's estimate with a common scale, each piece with a walk of its own."""
    sigma = np.sqrt(variance + WALK * age)
    order = np.argsort(y)
    weights = 1 / sigma[order] ** 2
    at = start = y[order][np.searchsorted(np.cumsum(weights), weights.sum() / 2)]
    scale = max(1.0, 1.4826 * np.median(abs(y - start) / sigma))
    for _ in range(100):
        off = np.maximum(abs(y - at) / (sigma * scale), 1e-12)
        weights = np.minimum(1, 1.5 / off) / sigma**2
        at = (weights * y).sum() / weights.sum()
    return at, max(scale / np.sqrt(weights.sum()), 0.05)


# Ages in days, the walk's share of the usual one, error of a judgement in stops.
CASES = {
    "12 prints weekly": (7.0 * np.arange(11, -1, -1), 1, 0.2),
    "12 prints weekly, then 180 days of rest": (180 + 7.0 * np.arange(11, -1, -1), 1, 0.2),
    "twice a month for a year": (15.0 * np.arange(23, -1, -1), 1, 0.2),
    "twice a month for a year, judged by density": (15.0 * np.arange(23, -1, -1), 1, 0.08),
    "12 prints in a day": (np.zeros(12), 0, 0.1),
    "12 prints weekly, nothing changes": (7.0 * np.arange(11, -1, -1), 0, 0.1),
    "4 prints in a month": (np.array([28.0, 21, 7, 0]), 1, 0.15),
    "40 prints, the process walks four times as far": (7.0 * np.arange(39, -1, -1), 16, 0.1),
}


def made(random, ages, share, error, outliers):
    """The truth at each age and now, and readings with their variances."""
    steps = np.append(ages[:-1] - ages[1:], ages[-1])
    walk = np.cumsum(random.normal(0, 1, len(ages)) * np.sqrt(share * WALK * steps))
    truth = 4 + np.concatenate([[0], walk])
    errors = error * random.uniform(0.7, 1.4, len(ages))
    y = truth[:-1] + np.hypot(errors, SHEET) * random.normal(0, 1, len(ages))
    wild = random.random(len(ages)) < outliers
    return y + wild * random.choice([-1, 1], len(ages)) * random.uniform(0.8, 2, len(ages)), errors, truth[-1]


def main():
    estimates = sys.argv[1]
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1960
    seeds = int(sys.argv[3]) if len(sys.argv) > 3 else 1000
    random = np.random.default_rng(seed)
    rows = []
    for outliers in (0.0, 0.1):
        for name, (ages, share, error) in CASES.items():
            cases = [made(random, ages, share, error, outliers) for _ in range(seeds)]
            answers = ask(estimates, [{"kind": "advice", "target_stops": y.tolist(), "sigma_stops": e.tolist(),
                                       "age_days": ages.tolist()} for y, e, _ in cases])
            truth = np.array([now for _, _, now in cases])
            ours = np.array([(a["target"], a["high"] - a["target"]) for a in answers]).T
            row = [name, f"{100 * outliers:.0f} %"]
            results = [ours]
            for method in (kalman, rule_of_before):
                found = np.array([method(y, e**2 + SHEET**2, ages) for y, e, _ in cases]).T
                results.append((found[0], 2 * found[1]))
            for at, half in results:
                off = at - truth
                row += [f"{100 * np.mean(abs(off) <= half):.1f} %", f"{np.sqrt(np.mean(off**2)):.3f}",
                        f"{np.median(half):.2f}"]
            row.append(f"{100 * np.mean([a['drift'] is not None for a in answers]):.1f} %")
            rows.append(row)

    noticed = []
    for shift in (0.0, 0.2, 0.4, 0.6):
        for newest in (2, 3):
            ages = 7.0 * np.arange(8, -1, -1)
            questions = []
            for _ in range(seeds):
                y, e, _ = made(random, ages, 1, 0.1, 0.0)
                y[-newest:] += shift
                questions.append({"kind": "advice", "target_stops": y.tolist(), "sigma_stops": e.tolist(),
                                  "age_days": ages.tolist()})
            drifts = [a["drift"] for a in ask(estimates, questions)]
            found = [d for d in drifts if d is not None]
            median = f"{np.median(found):+.2f}" if found else ""
            noticed.append((newest, f"{shift:+.1f}", f"{100 * len(found) / seeds:.1f} %", median))

    heads = [f"{who}{what}" for who in ("", "Kalman: ", "before: ") for what in ("holds", "rms", "±")]
    write("advice.md", "The advised dose", f"tests/reference/advice.py ESTIMATES {seed} {seeds}", [
        (f"{seeds} seeds each: how often the 95 % interval holds the right dose of now, the error's rms and "
         "the interval's half width (median) in stops; how often a drift is noticed.",
         ("evidence", "outliers", *heads, "drift noticed"), rows),
        ("Nine prints weekly, of which the newest lie off the others by a shift in stops.",
         ("newest", "shift", "noticed", "as (median)"), noticed)])


if __name__ == "__main__":
    main()
