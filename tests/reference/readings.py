"""What the noise of readings does to a lamp's warm-up and to the references of a scan.

A lamp that warms exponentially, read with noise: the time until it stays within 2 % against
the exact one, and against the last single reading that lies off, as it was. Scans whose
numbers are read by the right and by the wrong curve. Usage:

    readings.py ESTIMATES [SEED] [SEEDS]

ESTIMATES is the program `frameside-estimates`. Needs numpy.
"""

import sys

import numpy as np

from study import ask, write

SECONDS = 900


def last_off(light):
    """Seconds until no single reading is more than 2 % off the mean of the last fifth."""
    steady = light[-len(light) // 5:].mean()
    off = np.flatnonzero(abs(light / steady - 1) > 0.02)
    return (off[-1] + 1) * SECONDS / (len(light) - 1) if len(off) else 0.0


def warm_ups(estimates, random, seeds):
    for tau in (30, 60, 120, 200, 310, 400):
        for noise in (0.0, 0.005, 0.01, 0.02):
            for every in (1, 10):
                t = np.arange(0, SECONDS + 1, every)
                lights = [30 * (1 - 0.4 * np.exp(-t / tau)) * (1 + random.normal(0, noise, len(t)))
                          for _ in range(seeds)]
                answers = ask(estimates, [{"kind": "warm-up", "seconds": t.tolist(),
                                           "irradiance_w_m2": light.tolist()} for light in lights])
                found = np.array([a["seconds"] for a in answers if "seconds" in a])
                exact = tau * np.log(0.4 / 0.02)
                spread = (f"{np.median(found):.0f}", *(f"{q:.0f}" for q in np.quantile(found, (0.05, 0.95)))) \
                    if len(found) else ("", "", "")
                yield (tau, f"{100 * noise:.1f} %", every, f"{exact:.0f}", *spread,
                       f"{np.median([last_off(light) for light in lights]):.0f}",
                       f"{100 * np.mean(['refused' in a for a in answers]):.0f} %")


def srgb(number):
    """From a number of sRGB to light (IEC 61966-2-1)."""
    return np.where(number <= 0.04045, number / 12.92, ((number + 0.055) / 1.055) ** 2.4)


def to_srgb(light):
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def scans(estimates, random, seeds):
    densities = np.array([0.2, 0.6, 1.0, 1.4])
    curves = {"right": lambda light: light, "linear numbers read as sRGB": srgb,
              "sRGB's numbers read as linear": to_srgb}
    for name, read in curves.items():
        for dark in (0.75, 1.3, 1.8):
            questions = []
            for _ in range(seeds):
                stray = random.uniform(0.0, 0.02)
                light = lambda d: read((0.9 * 10.0**-np.asarray(d) + stray) * (1 + random.normal(0, 0.01, np.shape(d))))
                told = np.array([0.08, dark]) + random.normal(0, 0.015, 2)
                questions.append({"kind": "scan", "reference_density": told.tolist(),
                                  "reference_light": light([0.08, dark]).tolist(),
                                  "light": light(densities).tolist()})
            answers = ask(estimates, questions)
            taken = [a["density"] for a in answers if "density" in a]
            worst = [np.abs(np.array(d, float) - densities).max() for d in taken]
            right = [a for a in answers if "refused" in a and ("linear light, and have" in a["refused"]) == (name[0] == "s")]
            yield (name, dark, f"{100 * len(taken) / seeds:.0f} %", f"{np.median(worst):.2f}" if worst else "",
                   f"{100 * len(right) / seeds:.0f} %" if name != "right" else "")


def main():
    estimates = sys.argv[1]
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1841
    seeds = int(sys.argv[3]) if len(sys.argv) > 3 else 100
    random = np.random.default_rng(seed)
    write("readings.md", "Warm-up and scans", f"tests/reference/readings.py ESTIMATES {seed} {seeds}", [
        (f"{seeds} warm-ups each over {SECONDS} s, 40 % dark when cold; seconds until within 2 %: exact, ours (median "
         "and 5 to 95 %), and by the last single reading that is off (median). Refused: not warm at the end.",
         ("time constant, s", "noise", "a reading each, s", "exact", "ours", "5 %", "95 %", "last off", "refused"),
         list(warm_ups(estimates, random, seeds))),
        (f"{seeds} scans each with a white and a dark reference, their densities known to 0.015: how many are taken, "
         "the worst density of those (median), how many are refused with the right reason.",
         ("numbers", "dark reference", "taken", "worst off", "right reason"), list(scans(estimates, random, seeds)))])


if __name__ == "__main__":
    main()
