"""What the studies share: asking frameside-core, characteristic curves, tables.

The studies make readings up from a seed, so that the truth is known, and hold what
frameside-core makes of them (by the program `frameside-estimates`) against that truth and
against numpy's and scipy's methods on the same readings.
"""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
from scipy.interpolate import PchipInterpolator

STOP = np.log10(2)
STUDIES = Path(__file__).resolve().parents[1] / "studies"

# Of the trade's worked values: dose in kJ/m2, wedge densities, print densities.
WEDGES = {
    "B1": (30.0, 0.05 + 0.15 * np.arange(21),
           [1.42, 1.42, 1.41, 1.40, 1.37, 1.32, 1.24, 1.13, 0.99, 0.83, 0.67, 0.52, 0.39, 0.29, 0.22,
            0.17, 0.14, 0.12, 0.11, 0.10, 0.10]),
    "B2": (60.0, 0.04 + 0.10 * np.arange(31),
           [1.55, 1.53, 1.49, 1.44, 1.36, 1.26, 1.13, 0.98, 0.82, 0.66, 0.51, 0.39, 0.30, 0.23, 0.18,
            0.15, 0.12, 0.11, 0.10, 0.09, 0.09, 0.09] + 9 * [0.08]),
    "B3": (16.0, STOP * np.arange(9), [1.30, 1.29, 1.24, 1.08, 0.78, 0.46, 0.24, 0.13, 0.09]),
}


def ask(estimates, questions):
    """The answers of `frameside-estimates`, in order."""
    lines = "".join(json.dumps(question) + "\n" for question in questions)
    done = subprocess.run([estimates], input=lines, capture_output=True, text=True, check=True)
    return [json.loads(line) for line in done.stdout.splitlines()]


def points(wedge):
    """Log H and density of a wedge, by rising dose."""
    dose, wedge_density, density = wedge
    return (np.log10(dose) - np.asarray(wedge_density))[::-1], np.asarray(density, float)[::-1]


def shape(random):
    """A characteristic curve, its lightest and its darkest, over log H about its middle."""
    span, lightest = random.uniform(1.0, 1.7), random.uniform(0.05, 0.15)
    kind = random.integers(3)
    if kind == 0:
        steep, skew = random.uniform(2.8, 6), np.exp(random.uniform(-0.7, 0.7))
        return lambda x: lightest + span * (1 + np.exp(-steep * np.asarray(x))) ** -skew, lightest, lightest + span
    if kind == 1:
        steep = random.uniform(0.8, 1.5)
        return lambda x: lightest + span * (1 - np.exp(-(10 ** (steep * np.asarray(x))))), lightest, lightest + span
    x, y = points(list(WEDGES.values())[random.integers(3)])
    curve = PchipInterpolator(x, y)
    return lambda z: curve(np.clip(z, x[0], x[-1])), y.min(), y.max()


def where(curve, level):
    """The first log H at which a curve comes up to a level, to a thousandth."""
    x = np.arange(-4, 5, 1e-3)
    return x[np.argmax(curve(x) >= level)]


def write(name, title, command, sections):
    """Writes the table of a study: sections are (heading, columns, rows)."""
    text = [f"# {title}", "", f"Made by `{command}` (run by `tests/deep/studies`); do not edit.", ""]
    for heading, columns, rows in sections:
        text += [heading, "", "| " + " | ".join(columns) + " |", "|" + "---|" * len(columns)]
        text += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
        text.append("")
    out = "\n".join(text)
    sys.stdout.write(out)
    (STUDIES / name).write_text(out, encoding="utf-8")
