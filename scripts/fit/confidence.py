"""Fits how sure a site's ranking may be: a logistic curve (Platt 1999) from the mean probability of a cause over its stretches to how
often the truth names that cause at the site. Prints slope and shift for [calibration] of src/causes/weights.toml; what the program
says now is taken back through the curve that stands there.

usage: confidence.py WORK    (as left by scripts/refit: S/truth.json and rS/findings.json of each tuning seed S)
"""
import glob, json, os, sys, tomllib
import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))
CAL = tomllib.load(open(os.path.join(HERE, "../../src/causes/weights.toml"), "rb"))["calibration"]
LEAST_HOURS = 0.05  # as `lostfix score` counts causes


def pairs(work, fleets):
    for s in fleets:
        truth = {x["site"]: {c["cause"] for c in x["causes"] if c["cause"] != "unexplained"} for x in json.load(open(f"{work}/{s}/truth.json"))["sites"]}
        for site in json.load(open(f"{work}/r{s}/findings.json"))["sites"]:
            for c in site["causes"]:
                if c["cause"] != "unexplained" and c["lost_fix_hours"] >= LEAST_HOURS and site["site"] in truth:
                    yield c["confidence"], c["cause"] in truth[site["site"]]


def logit(p):
    p = np.clip(p, 1e-6, 1 - 1e-6)
    return np.log(p / (1 - p))


def error(p, y):
    bins = np.minimum((p * 10).astype(int), 9)
    return sum(abs(p[bins == b].sum() - y[bins == b].sum()) for b in range(10)) / len(p)


def fit(x, y):
    a, b = 1.0, 0.0
    for _ in range(200):
        p = 1 / (1 + np.exp(-(a * x + b)))
        w = p * (1 - p) + 1e-9
        g = np.array([((y - p) * x).sum() - 0.1 * (a - 1), (y - p).sum() - 0.1 * b])
        h = np.array([[(w * x * x).sum() + 0.1, (w * x).sum()], [(w * x).sum(), w.sum() + 0.1]])
        a, b = np.array([a, b]) + np.linalg.solve(h, g)
    return a, b


def main():
    work = sys.argv[1]
    seeds = sorted(os.path.basename(d) for d in glob.glob(f"{work}/[0-9]*") if os.path.exists(f"{work}/r{os.path.basename(d)}/findings.json"))
    if not seeds or int(seeds[-1]) >= 1_000_000:
        raise SystemExit("confidence: seeds must be below 1,000,000, for tuning; there must be some")
    held = seeds[2::3]
    data = {}
    for name, part in (("fitted", [s for s in seeds if s not in held]), ("left out", held), ("all", seeds)):
        c, y = (np.array(v, float) for v in zip(*pairs(work, part)))
        # Back through the curve that was applied (`Calibration::of_site`).
        raw = 1 / (1 + np.exp(-((logit(c / CAL["most"]) - CAL["site_shift"]) / CAL["site_slope"])))
        data[name] = raw, y
    a, b = fit(logit(data["fitted"][0]), data["fitted"][1])
    p, y = data["left out"]
    curve = CAL["most"] / (1 + np.exp(-(a * logit(p) + b)))
    print(f"left out: {len(y)} causes, error {error(CAL['most'] * p, y):.3f} without the curve, {error(curve, y):.3f} with it")
    a, b = fit(logit(data["all"][0]), data["all"][1])
    print(f"site_slope = {a:.2f}\nsite_shift = {b:.2f}")


main()
