"""Fits how sure a site's ranking may be: a logistic curve (Platt 1999) from the mean probability of a cause over its stretches, and
the logarithm of its part of the site's lost time, to how often the truth names that cause at the site. Prints the numbers for [calibration] of src/causes/weights.toml; what the program
says now is taken back through the curve that stands there.

usage: confidence.py WORK [BLIND]    (as left by scripts/refit: S/truth.json and the report rS of each tuning seed S; BLIND holds the
same of fleets out of which lost_logs.py took bases' logs or days of them: then `site_blind` is fitted to them, with the other numbers as
they stand)
"""
import collections, csv, glob, json, os, sys, tomllib
import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))
CAL = tomllib.load(open(os.path.join(HERE, "../../src/causes/weights.toml"), "rb"))["calibration"]
LEAST_HOURS = 0.05  # as `lostfix score` counts causes


def blind_parts(report):
    """By site and cause the part of the lost time that no log of the base covers."""
    lost, blind = collections.Counter(), collections.Counter()
    for r in csv.DictReader(open(f"{report}/tables/verdicts.csv")):
        evidence = dict(e.rsplit("=", 1) for e in r["evidence"].split())
        key, lost_s = (r["site"], r["cause"]), float(r["lost_s"])
        lost[key] += lost_s
        blind[key] += lost_s * float(evidence.get("context:base-log-missing", 0))
    return {key: blind[key] / lost_s for key, lost_s in lost.items() if lost_s > 0}


def pairs(work, fleets):
    for s in fleets:
        blind = blind_parts(f"{work}/r{s}")
        truth = {x["site"]: {c["cause"] for c in x["causes"] if c["cause"] != "unexplained"} for x in json.load(open(f"{work}/{s}/truth.json"))["sites"]}
        for site in json.load(open(f"{work}/r{s}/findings.json"))["sites"]:
            for c in site["causes"]:
                if c["cause"] != "unexplained" and c["lost_fix_hours"] >= LEAST_HOURS and site["site"] in truth:
                    yield c["confidence"], c["share"], c["cause"] in truth[site["site"]], blind.get((site["site"], c["cause"]), 0.0)


def logit(p):
    p = np.clip(p, 1e-6, 1 - 1e-6)
    return np.log(p / (1 - p))


def error(p, y):
    bins = np.minimum((p * 10).astype(int), 9)
    return sum(abs(p[bins == b].sum() - y[bins == b].sum()) for b in range(10)) / len(p)


def fit(x, y):
    """Logistic regression by Newton steps, a little towards 0."""
    w = np.zeros(x.shape[1])
    for _ in range(100):
        p = 1 / (1 + np.exp(-x @ w))
        w = w + np.linalg.solve((x * (p * (1 - p))[:, None]).T @ x + 0.05 * np.eye(len(w)), x.T @ (y - p) - 0.05 * w)
    return w


def curve(x, w):
    return CAL["most"] / (1 + np.exp(-x @ w))


def columns(work, fleets):
    return (np.array(v, float) for v in zip(*pairs(work, fleets)))


def seeds_of(work):
    seeds = sorted(os.path.basename(d) for d in glob.glob(f"{work}/[0-9]*") if os.path.exists(f"{work}/r{os.path.basename(d)}/findings.json"))
    if not seeds or int(seeds[-1]) >= 1_000_000:
        raise SystemExit("confidence: seeds must be below 1,000,000, for tuning; there must be some")
    return seeds


def fit_blind(work):
    c, share, y, blind = columns(work, seeds_of(work))
    c, y, blind = c[blind > 0], y[blind > 0], blind[blind > 0]
    plain = logit(c / CAL["most"]) + CAL["site_blind"] * blind

    def told(b):
        return CAL["most"] / (1 + np.exp(b * blind - plain))

    def unlikely(b):
        return -np.mean(y * np.log(told(b)) + (1 - y) * np.log(1 - told(b)))

    best = min(np.arange(0, 4, 0.1), key=unlikely)
    print(f"without logs of the base: {len(y)} causes, error {error(told(0), y):.3f} with 0, {error(told(best), y):.3f} with\nsite_blind = {best:.1f}")


def main():
    work = sys.argv[1]
    if len(sys.argv) > 2:
        return fit_blind(sys.argv[2])
    seeds = seeds_of(work)
    held = seeds[2::3]
    data = {}
    for name, part in (("fitted", [s for s in seeds if s not in held]), ("left out", held), ("all", seeds)):
        c, share, y, blind = columns(work, part)
        part = np.log(np.clip(share, 1e-3, 1))
        # Back through the curve that was applied (`Calibration::of_site`).
        raw = (logit(c / CAL["most"]) - CAL["site_shift"] - CAL["site_share"] * part + CAL["site_blind"] * blind) / CAL["site_slope"]
        data[name] = np.stack([raw, np.ones(len(raw)), part], 1), y
    w = fit(*data["fitted"])
    x, y = data["left out"]
    plain = CAL["most"] / (1 + np.exp(-x[:, 0]))
    print(f"left out: {len(y)} causes, error {error(plain, y):.3f} without the curve, {error(curve(x, w), y):.3f} with it")
    w = fit(*data["all"])
    print("\n".join(f"{k} = {v:.2f}" for k, v in zip(("site_slope", "site_shift", "site_share"), w)))


if __name__ == "__main__":
    main()
