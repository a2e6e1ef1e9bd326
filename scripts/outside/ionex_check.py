#!/usr/bin/env python3
"""Ionosphere maps between their nodes, worked out again.

    ionex_check.py DUMP

DUMP comes from `LOSTFIX_DUMP=... cargo test --release --lib ionex::tests::dump -- --ignored`. Nothing of the program is used here: files
are read by the columns of IONEX 1.0 (Schaer, Gurtner, Feltens 1998), contents taken between the nodes by scipy's bilinear
RegularGridInterpolator, each map turned with the Sun as the standard recommends, and the gradient of the vertical delay on L1 by central
differences of one cell on the sphere of the layer (40.3 TEC / f^2, ITU-R P.531).

Last line: `N passed, N failed`.
"""

import collections
import datetime
import gzip
import json
import math
import sys

import numpy as np
from scipy.interpolate import RegularGridInterpolator

MM_PER_TECU = 40.3e16 / 1575.42e6**2 * 1000


def text_of(path):
    with open(path, "rb") as f:
        raw = f.read()
    return (gzip.decompress(raw) if raw[:2] == b"\x1f\x8b" else raw).decode("latin-1")


def load(path):
    """Epochs (ms since 1970), one interpolator a map, radius of the layer in km, steps in degrees."""
    scale, base_km, maps, rows, epoch, wanted = 0.1, 6371.0, [], None, None, 0
    for line in text_of(path).splitlines():
        label, part = line[60:80].strip(), line[:60]
        if wanted > 0:
            values = [int(line[k : k + 5]) for k in range(0, min(80, 5 * wanted), 5)]
            rows[-1] += values
            wanted -= len(values)
        elif label == "EXPONENT":
            scale = 10.0 ** int(part[:6])
        elif label == "BASE RADIUS":
            base_km = float(part[:8])
        elif label == "HGT1 / HGT2 / DHGT":
            height_km = float(part[2:8])
        elif label == "LAT1 / LAT2 / DLAT":
            lat = [float(part[k : k + 6]) for k in (2, 8, 14)]
        elif label == "LON1 / LON2 / DLON":
            lon = [float(part[k : k + 6]) for k in (2, 8, 14)]
        elif label in ("START OF TEC MAP", "START OF RMS MAP", "START OF HEIGHT MAP"):
            rows = []
        elif label == "EPOCH OF CURRENT MAP":
            year, month, day, hour, minute, second = (int(part[k : k + 6]) for k in range(0, 36, 6))
            start = datetime.datetime(year, month, day, tzinfo=datetime.timezone.utc)
            epoch = (start + datetime.timedelta(hours=hour, minutes=minute, seconds=second)).timestamp() * 1000
        elif label == "LAT/LON1/LON2/DLON/H":
            rows.append([])
            wanted = round((lon[1] - lon[0]) / lon[2]) + 1
        elif label == "END OF TEC MAP":
            grid = np.array(rows, dtype=float)
            grid[grid == 9999] = np.nan
            lats = lat[0] + lat[2] * np.arange(grid.shape[0])
            lons = lon[0] + lon[2] * np.arange(grid.shape[1])
            order = np.argsort(lats)
            maps.append((epoch, RegularGridInterpolator((lats[order], lons), grid[order] * scale, bounds_error=False)))
    return maps, base_km + height_km, abs(lat[2]), abs(lon[2])


def wrapped(lon):
    return (lon + 180.0) % 360.0 - 180.0


def content(maps, at, lat, lon):
    after = next(k for k in range(1, len(maps)) if maps[k][0] >= at)
    parts = []
    for epoch, field in (maps[after - 1], maps[after]):
        turned = wrapped(lon + (at - epoch) / 3_600_000 * 15.0)
        parts.append(float(field((lat, turned))))
    weight = (at - maps[after - 1][0]) / (maps[after][0] - maps[after - 1][0])
    return (1 - weight) * parts[0] + weight * parts[1]


def gradient(loaded, at, lat, lon):
    maps, radius_km, dlat, dlon = loaded
    km = math.radians(1) * radius_km
    north = content(maps, at, lat + dlat / 2, lon) - content(maps, at, lat - dlat / 2, lon)
    east = content(maps, at, lat, wrapped(lon + dlon / 2)) - content(maps, at, lat, wrapped(lon - dlon / 2))
    return math.hypot(north / (dlat * km), east / (dlon * km * math.cos(math.radians(lat)))) * MM_PER_TECU


def main():
    files = {}
    told = collections.defaultdict(lambda: [0, 0.0, 0.0, 0.0])
    passed = failed = 0
    with open(sys.argv[1]) as dump:
        for line in dump:
            row = json.loads(line)
            if row["file"] not in files:
                files[row["file"]] = load(row["file"])
            loaded = files[row["file"]]
            wanted = content(loaded[0], row["time_ms"], row["lat"], row["lon"])
            pairs = [(row["tecu"], wanted, 1e-3)]
            if abs(row["lat"]) <= 80:
                pairs.append((row["mm_per_km"], gradient(loaded, row["time_ms"], row["lat"], row["lon"]), 1e-3))
            for k, (got, want, most) in enumerate(pairs):
                none = got is None and math.isnan(want)
                off = 0.0 if none else math.inf if got is None or math.isnan(want) else abs(got - want)
                told[row["file"]][0] += 1
                told[row["file"]][1 + k] = max(told[row["file"]][1 + k], off)
                told[row["file"]][3] = max(told[row["file"]][3], got or 0.0) if k else told[row["file"]][3]
                if off <= most:
                    passed += 1
                else:
                    failed += 1
                    if failed < 10:
                        print(f"{row}: {want}")
    for path, (n, tecu, mm, steepest) in sorted(told.items()):
        print(f"{path.rsplit('/', 1)[-1]}: {n} values, at most {tecu:.1e} TECU and {mm:.1e} mm/km apart, steepest {steepest:.1f} mm/km")
    if not told:
        print("the open data is not there: nothing to check")
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


main()
