"""Fits the numbers of src/causes/weights.toml to practice fleets whose truth is known.

The model is the one of src/causes/verdict.rs: a score a cause = prior + for each group its strongest piece of evidence
(log-odds times strength) + what the site as a whole says, minus a penalty without evidence of its own; a softmax over the causes and
`unexplained`. The fit maximises the likelihood of the true cause of each stretch of lost time (stretches weighted by their
part of the site's lost time), pulled towards the numbers that stand in the table (strongly towards 0 where none stands), by
gradient steps (Adam). Where the truth says that another cause was needed as well or would have been enough (`or`), the target is
shared between them by what the model says so far. Sites of every third fleet are left out and only scored.

usage: refit.py WORK [--steps N] [--write]
WORK holds, for each tuning seed S (below 1,000,000): S/truth.json and rS/tables/verdicts.csv (scripts/refit makes them).
"""
import argparse, collections, csv, glob, json, os, re, tomllib
from datetime import datetime
import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))
TABLE = os.path.join(HERE, "../../src/causes/weights.toml")
SIDES = {"base": "base", "link": "link", "sky": "sky", "rover": "rover"}
CAUSES = """base-second-frequency base-weak-signal base-antenna-power base-interference base-multipath base-obstruction
base-moved base-restart base-messages base-firmware link-outage link-range link-rover link-station-clash sky-scintillation
sky-storm long-baseline rover-obstruction rover-tracking rover-interference rover-restart rover-firmware""".split()
SIDE = ["sky" if c == "long-baseline" else c.split("-")[0] for c in CAUSES]
C = len(CAUSES)
# The same list as `is_own` of src/causes/verdict.rs.
NOT_OWN = set(re.findall(r'"((?:context|standing):[a-z-]+)"',
                         open(os.path.join(HERE, "../../src/causes/verdict.rs")).read().split("fn is_own")[1].split("fn never")[0]))


def seconds(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


class Table:
    def __init__(self):
        d = tomllib.load(open(TABLE, "rb"))
        self.cal = d["calibration"]
        self.rows = {r["id"]: r for r in d["evidence"]}
        self.ids = list(self.rows)
        self.ix = {k: i for i, k in enumerate(self.ids)}
        names = sorted({r["group"] for r in self.rows.values()})
        self.group = np.array([names.index(self.rows[k]["group"]) for k in self.ids])
        self.W = np.zeros((len(self.ids), C))
        for i, k in enumerate(self.ids):
            for name, v in self.rows[k]["says"].items():
                for c in range(C):
                    if name in (CAUSES[c], SIDE[c]):
                        self.W[i, c] += v
        self.prior = np.array([d["prior"].get(c, 0.0) for c in CAUSES] + [d["prior"]["unexplained"]])
        self.own = np.array([k not in NOT_OWN for k in self.ids])


class Data:
    """Stretches of many fleets as flat arrays."""

    def __init__(self, work, seeds, T):
        seg, ids, xs, self.site, lost, Y, bar, either = [], [], [], [], [], [], [], []
        place = lambda cause: CAUSES.index(cause) if cause in CAUSES else C
        n = 0
        for seed in seeds:
            truth = json.load(open(f"{work}/{seed}/truth.json"))
            per = collections.defaultdict(list)
            for s in truth["sites"]:
                for p in s["float_periods"]:
                    claim = [place(c) for c in [p["cause"], *p.get("or", [])]]
                    per[(s["site"], p["unit"])].append((seconds(p["from"]), seconds(p["to"]), claim))
            for r in csv.DictReader(open(f"{work}/r{seed}/tables/verdicts.csv")):
                a, b = seconds(r["from_utc"]), seconds(r["to_utc"])
                # By the truth's word; how much of it other causes can claim as well.
                y, e = np.zeros(C + 1), np.zeros(C + 1)
                for f, t, claim in per[(r["site"], r["unit"])]:
                    o = min(b, t) - max(a, f)
                    if o > 0:
                        y[claim[0]] += o
                        if len(claim) > 1:
                            e[claim] += o
                if y.sum() == 0:
                    y[C] = 1.0
                found = [k.split("=") for k in r["evidence"].split()]
                found = sorted((T.group[T.ix[k]], T.ix[k], float(x)) for k, x in found if k in T.ix)
                for _, k, x in found:
                    seg.append(n), ids.append(k), xs.append(x)
                barred = np.zeros(C)
                for k in r["ruled_out"].split():
                    barred[CAUSES.index(k)] = -40.0
                bar.append(barred), Y.append(y / y.sum()), either.append(e / y.sum()), lost.append(float(r["lost_s"]))
                self.site.append((seed, r["site"]))
                n += 1
        self.seg, self.ids, self.x = np.array(seg), np.array(ids), np.array(xs)
        self.lost, self.Y, self.bar, self.n = np.array(lost), np.array(Y), np.array(bar), n
        self.either = np.array(either)
        # Where the pieces of each stretch and of each kind of evidence begin.
        self.with_pieces, self.at_piece = np.unique(self.seg, return_index=True)
        self.by_id = np.argsort(self.ids, kind="stable")
        self.known, self.at_id = np.unique(self.ids[self.by_id], return_index=True)
        # No weight can bring back a cause that is ruled out: what is true of it must not pull at the others.
        self.fits = 1 - (self.Y[:, :C] * (self.bar < 0)).sum(1)
        key = self.seg * 1000 + T.group[self.ids]
        self.starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
        self.lengths = np.diff(np.r_[self.starts, len(key)])
        names = {s: i for i, s in enumerate(dict.fromkeys(self.site))}
        self.at = np.array([names[s] for s in self.site])
        total = np.bincount(self.at, self.lost)
        # A site counts by the root of its lost time, up to two hours.
        self.weight = self.lost / total[self.at] * np.sqrt(np.minimum(total[self.at], 7200) / 7200)


def by_stretch(D, V):
    out = np.zeros((D.n, V.shape[1]))
    out[D.with_pieces] = np.add.reduceat(V, D.at_piece, axis=0)
    return out


def by_id(D, V, n):
    out = np.zeros((n, V.shape[1]))
    out[D.known] = np.add.reduceat(V[D.by_id], D.at_id, axis=0)
    return out


def target(D, P):
    """The truth's shares; what several causes can claim goes by what the model says of them."""
    said = P * (D.either > 0)
    shared = said / np.maximum(said.sum(1, keepdims=True), 1e-12)
    # What of each cause's share no other one can claim.
    alone = np.maximum(D.Y - D.either, 0)
    return alone + shared * (1 - alone.sum(1, keepdims=True))


def picked(D, W):
    """Contribution of each piece of evidence to each cause: only the strongest of its group."""
    V = W[D.ids] * D.x[:, None]
    most = np.repeat(np.maximum.reduceat(np.abs(V), D.starts, axis=0), D.lengths, axis=0)
    mask = (np.abs(V) >= most - 1e-12) & (most > 0)
    count = np.repeat(np.add.reduceat(mask, D.starts, axis=0), D.lengths, axis=0)
    return V, mask / np.maximum(count, 1)


def scores(D, W, prior, T, extra):
    V, mask = picked(D, W)
    S = np.zeros((D.n, C + 1))
    V = V * mask
    S[:, :C] = by_stretch(D, V)
    own = by_stretch(D, np.maximum(V, 0) * T.own[D.ids][:, None])
    # Without evidence of its own a cause loses `without_own`, with less than `least_own` in proportion.
    S[:, :C] += D.bar - T.cal["without_own"] * np.maximum(0, 1 - own / T.cal["least_own"])
    S[:, :C] += extra
    D.short = own < T.cal["least_own"]
    return S + prior, mask


def prob(S, temperature):
    Z = np.exp((S - S.max(1, keepdims=True)) / temperature)
    return Z / Z.sum(1, keepdims=True)


def site_says(D, S, T):
    P, top = prob(S, T.cal["temperature"]), S.argmax(1)
    sure = np.zeros((D.at.max() + 1, C))
    ok = top < C
    np.add.at(sure, (D.at[ok], top[ok]), D.lost[ok] * P[np.arange(D.n), top][ok] * T.cal["most"])
    total = np.bincount(D.at, D.lost)
    return 1.5 * (sure / np.maximum(total, 1e-9)[:, None])[D.at]


def whole(D, W, prior, T):
    S, _ = scores(D, W, prior, T, 0.0)
    extra = site_says(D, S, T)
    S, mask = scores(D, W, prior, T, extra)
    return S, mask, extra


def told(D, S, temperature):
    """First cause right, sites, share of the lost time right, calibration error of the first causes by time."""
    top = S.argmax(1)
    true, said = np.zeros((D.at.max() + 1, C + 1)), np.zeros((D.at.max() + 1, C + 1))
    np.add.at(true, D.at, D.Y * D.lost[:, None])
    np.add.at(said, (D.at, top), D.lost)
    with_cause = (true[:, :C].sum(1) > 144) & (true[:, :C].max(1) > true[:, C])
    right = (said[:, :C].sum(1) > 0) & (said[:, :C].argmax(1) == true[:, :C].argmax(1))
    P = prob(S, temperature)[np.arange(D.n), top]
    hit = D.Y[np.arange(D.n), top]
    either = np.where(D.either.max(1) > 0, np.maximum(D.either[np.arange(D.n), top], hit), hit)
    error = 0.0
    for k in range(10):
        inside = (P >= k / 10) & (P < (k + 1) / 10 + (k == 9))
        if inside.any():
            w = D.lost[inside]
            error += w.sum() * abs((P[inside] * w).sum() - (hit[inside] * w).sum()) / w.sum()
    return (f"first cause {int((right & with_cause).sum())}/{int(with_cause.sum())}"
            f"  time {(hit * D.lost).sum() / D.lost.sum():.3f} (either {(either * D.lost).sum() / D.lost.sum():.3f})  calibration {error / D.lost.sum():.3f}")


def fit(D, T, steps, hold):
    W, prior = T.W.copy(), T.prior.copy()
    hand = np.abs(T.W) > 0
    total, temperature = D.weight.sum(), T.cal["temperature"]
    pull = np.where(hand, 0.0004, 0.002) * total
    m, v, mp, vp = np.zeros_like(W), np.zeros_like(W), np.zeros(C + 1), np.zeros(C + 1)
    for step in range(steps):
        if step % 10 == 0:
            S, mask, extra = whole(D, W, prior, T)
            Y = target(D, prob(S, temperature))
        else:
            S, mask = scores(D, W, prior, T, extra)
        G = (prob(S, temperature) - Y) * (D.weight * (D.fits > 0.5))[:, None] / temperature
        # A piece of its own also takes away from what the cause loses without any.
        slope = T.cal["without_own"] / T.cal["least_own"]
        more = 1 + slope * D.short[D.seg] * T.own[D.ids][:, None] * (W[D.ids] > 0)
        g = by_id(D, G[D.seg, :C] * mask * D.x[:, None] * more, len(W))
        # Evidence that a new pair would bring must pass 0 first: its gradient is that of a piece that counts.
        g += pull * (W - T.W)
        gp = G.sum(0) + 0.005 * total * (prior - T.prior)
        rate = 0.08 if step < steps * 0.7 else 0.03
        m, v = 0.9 * m + 0.1 * g, 0.99 * v + 0.01 * g * g
        W -= rate * m / (np.sqrt(v) + 1e-6)
        # What the trade says keeps its sign; what nobody has said before may only say a little.
        W = np.where(T.W > 0, np.maximum(W, 0), np.where(T.W < 0, np.minimum(W, 0), np.clip(W, -3, 2)))
        mp, vp = 0.9 * mp + 0.1 * gp, 0.99 * vp + 0.01 * gp * gp
        prior -= 0.4 * rate * mp / (np.sqrt(vp) + 1e-6)
        if (step + 1) % 50 == 0:
            print(step + 1, "fitted on:", told(D, whole(D, W, prior, T)[0], temperature),
                  "| left out:", told(hold, whole(hold, W, prior, T)[0], temperature) if hold else "-", flush=True)
    return W, prior


def wrong_sites(D, S, limit):
    """Sites whose first cause is wrong: truth and what is said, hours."""
    top = S.argmax(1)
    names = list(dict.fromkeys(D.site))
    label = CAUSES + ["unexplained"]
    for i, name in enumerate(names):
        mine = D.at == i
        true, said = (D.Y[mine] * D.lost[mine, None]).sum(0) / 3600, np.zeros(C + 1)
        np.add.at(said, top[mine], D.lost[mine] / 3600)
        if true[:C].sum() <= 0.04 or true[:C].max() <= true[C] or (said[:C].sum() > 0 and said[:C].argmax() == true[:C].argmax()):
            continue
        show = lambda v: ", ".join(f"{label[k]} {v[k]:.2f}" for k in np.argsort(-v)[:4] if v[k] > 0.02)
        print(f"  {name[0]} {name[1]}: true {show(true)} | said {show(said)}")
        limit -= 1
        if limit == 0:
            return


def says_of(row, hand):
    """Weights of one piece of evidence as the table writes them: a word a side where the table had one, then exceptions."""
    out = {}
    for side in ("base", "link", "sky", "rover"):
        own = [c for c in range(C) if SIDE[c] == side]
        middle = round(float(np.median(row[own])), 1) if side in hand else 0.0
        if middle:
            out[side] = middle
        for c in own:
            rest = round(float(row[c]) - middle, 1)
            if abs(rest) >= (0.5 if middle else 0.3):
                out[CAUSES[c]] = rest
    return out


def write(T, W, prior, note):
    text = open(TABLE).read()
    for i, k in enumerate(T.ids):
        says = says_of(W[i], T.rows[k]["says"])
        # A row whose numbers went to nothing stays: its timing and group are known.
        inner = ", ".join(f"{c} = {v}" for c, v in says.items())
        text = re.sub(r'(id = "' + re.escape(k) + r'"\n(?:(?!\[\[)[^\n]*\n)*?says = )\{[^}]*\}', lambda m: m.group(1) + "{ " + inner + " }", text)
    head, rest = text.split("[prior]\n", 1)
    lines = rest.split("\n\n", 1)
    comments = "\n".join(l for l in lines[0].split("\n") if l.startswith("#"))
    values = {"unexplained": prior[C]} | {c: prior[i] for i, c in enumerate(CAUSES)}
    body = "\n".join(f"{c} = {v:.1f}" for c, v in values.items() if c == "unexplained" or abs(v) >= 0.05)
    text = head + "[prior]\n" + comments + "\n" + body + "\n\n" + lines[1]
    text = re.sub(r"(?m)^# Fitted by scripts/refit .*$", note, text)
    open(TABLE, "w").write(text)


def main():
    p = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    p.add_argument("work")
    p.add_argument("--steps", type=int, default=300)
    p.add_argument("--show", type=int, default=0, help="list so many sites that come out wrong")
    p.add_argument("--write", action="store_true", help="fit on all fleets and write the table")
    a = p.parse_args()
    seeds = sorted(int(os.path.basename(d)) for d in glob.glob(f"{a.work}/[0-9]*")
                   if os.path.exists(f"{a.work}/r{os.path.basename(d)}/tables/verdicts.csv"))
    if not seeds or max(seeds) >= 1_000_000:
        raise SystemExit("refit: seeds must be below 1,000,000, for tuning; there must be some")
    T = Table()
    hold = seeds[2::3]
    train = seeds if a.write else [s for s in seeds if s not in hold]
    D, H = Data(a.work, train, T), Data(a.work, hold, T)
    print(len(train), "fleets to fit,", len(hold), "left out;", D.n, "stretches")
    for name, X in (("fitted on", D), ("left out", H)):
        print("before,", name, told(X, whole(X, T.W, T.prior, T)[0], T.cal["temperature"]))
    W, prior = fit(D, T, a.steps, None if a.write else H)
    for t in (1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.4, 2.8):
        X = D if a.write else H
        print("temperature", t, told(X, whole(X, W, prior, T)[0], t))
    if a.show:
        X = D if a.write else H
        wrong_sites(X, whole(X, W, prior, T)[0], a.show)
    if a.write:
        write(T, W, prior, f"# Fitted by scripts/refit on {len(seeds)} practice fleets, seeds {min(seeds)} to {max(seeds)}.")
    change = W - T.W
    for o in np.argsort(-np.abs(change).ravel())[:30]:
        i, c = divmod(o, C)
        print(f"{T.ids[i]:36s} {CAUSES[c]:24s} {T.W[i, c]:6.2f} -> {W[i, c]:6.2f}")


if __name__ == "__main__":
    main()
