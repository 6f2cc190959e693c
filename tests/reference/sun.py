"""The sun's position at random times and places as pvlib reckons it (NREL SPA in numpy).

    python sun.py SEED COUNT

Prints one JSON list, an object each: unix_ms, latitude, longitude, zenith and azimuth in degrees,
refraction for 1013.25 hPa and 15 C included.
"""

import json
import sys

import numpy as np
import pandas as pd
from pvlib.solarposition import spa_python


def main(seed, count):
    random = np.random.default_rng(seed)
    # 1990 to 2049; pvlib's own estimate of delta T is as good as any within these years.
    unix_ms = random.integers(631_152_000_000, 2_524_608_000_000, count)
    latitude, longitude = random.uniform(-89, 89, count), random.uniform(-180, 180, count)
    rows = []
    for ms, lat, lon in zip(unix_ms, latitude, longitude):
        at = pd.DatetimeIndex([pd.Timestamp(int(ms), unit="ms", tz="UTC")])
        sun = spa_python(at, lat, lon, altitude=0, pressure=101_325, temperature=15, delta_t=None)
        rows.append(
            {
                "unix_ms": int(ms),
                "latitude": lat,
                "longitude": lon,
                "zenith": sun["apparent_zenith"].iloc[0],
                "azimuth": sun["azimuth"].iloc[0],
            }
        )
    json.dump(rows, sys.stdout)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
