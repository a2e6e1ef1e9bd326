#!/usr/bin/env python3
"""Works out again, with general libraries, what src/maths wrote, and says where the two differ.

    scripts/outside-check does all of this; by hand, with the packages of scripts/outside/requirements.txt in a venv:
    LOSTFIX_DUMP=/tmp/maths.jsonl cargo test --lib maths::dump -- --ignored
    /tmp/outside/bin/python scripts/outside/maths_check.py /tmp/maths.jsonl

Each line of the dump holds a check, its arguments and the project's results. Exit 0 when all agree, 1 when not, 2 when a
check is missing from the dump or unknown here, so that a silent gap cannot pass.
"""

import datetime
import json
import math
import sys

import numpy as np
import ppigrf
import pymap3d
import pyproj
from scipy import special, stats
from statsmodels.stats import contingency_tables, multitest, proportion, rates

ECEF = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
GEODETIC = pyproj.Transformer.from_crs("EPSG:4978", "EPSG:4979", always_xy=True)
GEOD = pyproj.Geod(ellps="WGS84")


def angle(got, want):
    """Difference of two angles in degrees, whatever turn they are written in."""
    return abs((got - want + 180.0) % 360.0 - 180.0)


def absolute(got, want):
    return abs(got - want)


def relative(got, want):
    if got is None or want is None:
        return math.inf if got != want else 0.0
    return abs(got - want) / max(abs(want), 1e-300)


def p_value(got, want):
    """Relative for p above 1e-12, below that nobody cares."""
    return 0.0 if max(got, want) < 1e-12 else relative(got, want)


def ecef(args):
    lat, lon, h = args[0]
    return [(v, 1e-4, absolute) for v in ECEF.transform(lon, lat, h)]


def geodetic(args):
    lon, lat, h = GEODETIC.transform(*args[0])
    return [(lat, 1e-9, absolute), (lon, 1e-9, angle), (h, 1e-4, absolute)]


def geodesic(args):
    lat1, lon1, lat2, lon2 = args[0]
    azimuth, _, distance = GEOD.inv(lon1, lat1, lon2, lat2)
    # Near the antipode the project falls back on the great circle and says so: 0.57 %.
    if distance > 19.8e6:
        return [(distance, 0.0057, relative), (azimuth, 180.0, angle)]
    return [(distance, 1e-3, absolute), (azimuth, 1e-5, angle)]


def look(args):
    lat, lon, h, lat2, lon2, h2 = args[0]
    az, el, srange = pymap3d.geodetic2aer(lat2, lon2, h2, lat, lon, h)
    return [(az, 1e-6, angle), (el, 1e-7, absolute), (srange, 1e-3, absolute)]


def enu(args):
    lat, lon, h, lat2, lon2, h2 = args[0]
    return [(v, 1e-3, absolute) for v in pymap3d.geodetic2enu(lat2, lon2, h2, lat, lon, h)]


def igrf(args):
    year, lat, lon, h = args[0]
    start = datetime.datetime(int(year), 1, 1)
    length = datetime.datetime(int(year) + 1, 1, 1) - start
    e, n, u = (float(np.squeeze(v)) for v in ppigrf.igrf(lon, lat, h / 1000.0, start + length * (year - int(year))))
    horizontal = math.hypot(e, n)
    inclination, declination = math.degrees(math.atan2(-u, horizontal)), math.degrees(math.atan2(e, n))
    # 1 nT: the two interpolate between epochs by days and by decimal years.
    return [
        (e, 1.0, absolute),
        (n, 1.0, absolute),
        (u, 1.0, absolute),
        (inclination, 0.01, absolute),
        (declination, 0.01 + math.degrees(1.0 / max(horizontal, 1.0)), angle),
    ]


def betainc(args):
    want = float(special.betainc(*args[0]))
    return [(want, 1e-9, p_value)]


def gammainc(args):
    a, x = args[0]
    lower, upper = float(special.gammainc(a, x)), float(special.gammaincc(a, x))
    return [(lower, 1e-9, p_value), (upper, 1e-9, p_value), (float(special.gammaln(a)), 1e-11 * max(1.0, a), absolute)]


def normal(args):
    return [(float(stats.norm.ppf(args[0][0])), 1e-10, absolute)]


def student(args):
    t, df = args[0]
    return [(float(2.0 * stats.t.sf(t, df)), 1e-8, p_value)]


def square(cells):
    return np.array(cells).reshape(2, 2)


def table_ratios(args):
    table = contingency_tables.Table2x2(square(args[0]), shift_zeros=False)
    rr, odds = table.riskratio_confint(), table.oddsratio_confint()
    want = [table.riskratio, *rr, table.oddsratio, *odds]
    return [(float(v), 1e-9, relative) for v in want]


def fisher(args):
    one = stats.fisher_exact(square(args[0]), alternative="greater").pvalue
    two = stats.fisher_exact(square(args[0]), alternative="two-sided").pvalue
    return [(float(one), 1e-7, p_value), (float(two), 1e-7, p_value)]


def chi2(args):
    result = stats.chi2_contingency(square(args[0]), correction=False)
    # Statistics near zero are differences of nearly equal products.
    return [(float(result.statistic), 1e-9, absolute), (float(result.pvalue), 1e-9, p_value)]


def proportion_(args):
    x, n = args[0]
    wilson = proportion.proportion_confint(x, n, method="wilson")
    exact = proportion.proportion_confint(x, n, method="beta")
    return [(float(np.nan_to_num(v, nan=0.0)), 1e-9, absolute) for v in (*wilson, *exact)]


def poisson(args):
    x1, t1, x2, t2 = args[0]
    share = t1 / (t1 + t2)
    p = stats.binomtest(int(x1), int(x1 + x2), share).pvalue
    low, high = proportion.proportion_confint(x1, x1 + x2, method="beta")
    odds = [v / (1 - v) * t2 / t1 for v in (low, high)]
    garwood = [stats.chi2.ppf(0.025, 2 * x1) / 2 / t1, stats.chi2.ppf(0.975, 2 * x1 + 2) / 2 / t1]
    exact = rates.test_poisson_2indep(int(x1), t1, int(x2), t2, method="exact-cond").pvalue
    if relative(p, exact) > 1e-6:
        raise SystemExit(f"scipy and statsmodels disagree on {args}: {p} {exact}")
    want = [(x1 / t1) / (x2 / t2), p, *odds, *garwood]
    return [(float(v), 1e-7, p_value) for v in want]


def bh(args):
    return [(float(v), 1e-12, absolute) for v in multitest.multipletests(args[0], method="fdr_bh")[1]]


def mantel_haenszel(args):
    table = contingency_tables.StratifiedTable([square(args[0][i : i + 4]) for i in range(0, len(args[0]), 4)])
    want = [table.riskratio_pooled, table.oddsratio_pooled, *table.oddsratio_pooled_confint()]
    return [(float(v), 1e-9, relative) for v in want]


def mann_whitney(args):
    x, y = args
    ties = len(set(x + y)) < len(x + y)
    result = stats.mannwhitneyu(x, y, method="asymptotic" if ties else "exact")
    return [(float(result.statistic), 1e-9, absolute), (float(result.pvalue), 1e-8, p_value), (0.0 if ties else 1.0, 0, absolute)]


def trend(args):
    s = stats.spearmanr(*args)
    k = stats.kendalltau(*args, method="asymptotic")
    return [
        (float(s.statistic), 1e-12, absolute),
        (float(s.pvalue), 1e-8, p_value),
        (float(k.statistic), 1e-12, absolute),
        (float(k.pvalue), 1e-8, p_value),
    ]


def robust(args):
    x, (q,) = args
    want = [np.quantile(x, q), np.median(x), stats.median_abs_deviation(x)]
    return [(float(v), 1e-12, relative) if v else (0.0, 1e-12, absolute) for v in want]


def censored(times, events):
    times, events = np.array(times), np.array(events) > 0.5
    return stats.CensoredData(uncensored=times[events], right=times[~events])


def log_rank(args):
    result = stats.logrank(censored(*args[0:2]), censored(*args[2:4]))
    return [(float(result.statistic) ** 2, 1e-8, relative), (float(result.pvalue), 1e-8, p_value)]


def kaplan_meier(args):
    sf = stats.ecdf(censored(*args)).sf
    times = sorted({t for t, e in zip(*args) if e > 0.5})
    want = []
    for t in times:
        want += [(t, 0, absolute), (float(sf.evaluate(t)), 1e-12, absolute)]
    return want


def circular_shift(args):
    x, y, seen = (np.array(a) for a in args)
    x, y = x[seen > 0.5], y[seen > 0.5]
    values = np.array([np.dot(x, np.roll(y, k)) for k in range(len(x))])
    want = [values[0], values.mean(), values.std(), np.mean(values >= values[0])]
    return [(float(v), 1e-9, absolute) for v in want]


CHECKS = {
    "ecef": ecef, "geodetic": geodetic, "geodesic": geodesic, "look": look, "enu": enu, "igrf": igrf, "betainc": betainc,
    "gammainc": gammainc, "normal": normal, "student": student, "table_ratios": table_ratios, "fisher": fisher, "chi2": chi2,
    "proportion": proportion_, "poisson": poisson, "bh": bh, "mantel_haenszel": mantel_haenszel,
    "mann_whitney": mann_whitney, "trend": trend, "robust": robust, "log_rank": log_rank, "kaplan_meier": kaplan_meier,
    "circular_shift": circular_shift,
}


def main():
    if len(sys.argv) != 2:
        print(__doc__)
        return 2
    seen, worst, bad, total = {}, {}, 0, 0
    with open(sys.argv[1], encoding="utf-8") as lines:
        for number, line in enumerate(lines, 1):
            record = json.loads(line)
            name, got = record["check"], record["got"]
            if name not in CHECKS:
                print(f"line {number}: unknown check {name}")
                return 2
            seen[name] = seen.get(name, 0) + 1
            want = CHECKS[name](record["args"])
            if len(want) != len(got):
                print(f"line {number}: {name}: {len(got)} values, {len(want)} wanted")
                bad, total = bad + 1, total + 1
                continue
            for value, (expected, tolerance, measure) in zip(got, want):
                total += 1
                off = measure(value, expected) if value is not None else math.inf
                worst[name] = max(worst.get(name, 0.0), off)
                if not off <= tolerance:
                    bad += 1
                    if bad <= 20:
                        print(f"line {number}: {name} {record['args']}: got {value}, want {expected}, off {off:.3g} > {tolerance}")
    missing = sorted(set(CHECKS) - set(seen))
    for name in sorted(seen):
        print(f"{name:16} {seen[name]:5} lines, largest difference {worst[name]:.3g}")
    if missing:
        print("missing from the dump:", ", ".join(missing))
        return 2
    print(f"{total - bad} passed, {bad} failed")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
