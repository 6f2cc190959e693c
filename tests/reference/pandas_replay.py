"""Times what a pandas user would do instead of `frameside replay`: read the file, sum it up.

    python pandas_replay.py FILE.csv

Prints the seconds; the clock starts after pandas is imported. The times are parsed, as replay must
parse them too; it is also the faster way, since pandas is slow to keep them as text.
"""

import sys
import time

import pandas as pd

started = time.perf_counter()
light = pd.read_csv(sys.argv[1], parse_dates=["time"])
dose = light["irradiance_w_m2"].cumsum()
seconds = time.perf_counter() - started
assert dose.iloc[-1] > 0.0
print(f"{seconds:.3f}")
