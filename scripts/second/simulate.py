"""One site through the day: what base and rovers track, which state each rover has, and the truth by taking faults away.

Truth: the site is run with all its faults, with none, and with each alone, on the same random numbers. A second lost also without any
fault is the site's own (`unexplained`); otherwise it belongs to the fault that is enough alone; when several are, or only together,
to the one that costs the site more, the others in `or`.
"""
import numpy as np
from . import fix
from .rover_faults import shade
from .sky import View


class Stage:
    """The unchanging part of a site: view, chances, nominal levels, decoys, the quiet ionosphere."""

    def __init__(self, site, con, rng):
        self.site = site
        self.view = v = View(con, site.t, site.lat, site.lon, site.h, site.base["systems"])
        self.level, self.limit, self.soft = fix.nominal(v, site.base["signals"])
        n = len(v.sats)
        self.base_chance = fix.Chance(rng.integers(2**62), site.t, n)
        self.chances = [fix.Chance(rng.integers(2**62), site.t, n) for _ in site.rovers]
        self.own = [fix.own_losses(site, r, c) for r, c in zip(site.rovers, self.chances)]
        if rng.random() < 0.3:                                   # decoy: one satellite is weak all day, at everybody's
            self.base_chance.per_sat[rng.integers(n)] -= 9
        solar = (site.t / 3600 + site.lon / 15) % 24
        day = np.exp(-0.5 * ((solar - 14) / 4.5) ** 2)
        quiet = {"equatorial": 1.2, "middle": 0.7, "auroral": 0.9}[site.belt] * rng.uniform(0.7, 1.2)
        self.plain = quiet * (0.7 + 0.9 * day)
        self.decoys = self.draw_decoys(rng)
        self.latency = rng.uniform(0.2, 1.4, len(site.rovers))
        self.quiet_run = None
        self.fit_engines()

    def fit_engines(self):
        """Nobody keeps an engine that cannot work on a plain day: each rover's critical strength is at most two below its own
        weakest two per cent of a day without fault."""
        for rover, o in zip(self.site.rovers, self.run([])[2]):
            at_work = o["q"][rover.on & (o["age"] < 5)]
            if len(at_work):
                rover.shift = float(max(1.5, min(rover.shift, np.percentile(at_work, 2) - 2.3)))

    def draw_decoys(self, rng):
        """Things that look bad and cost nothing (or a second): (what, from, to) in rows."""
        site, out = self.site, []
        idle = np.flatnonzero(~site.work)
        if len(idle) > 600 and rng.random() < 0.35:
            a = int(rng.choice(idle[60:-400])) if len(idle) > 700 else int(idle[100])
            b = a + int(rng.integers(50, 150))
            if not site.work[a:b + 60].any():
                out.append(("restart", a, b))
        if len(idle) > 600 and rng.random() < 0.25:
            a = int(idle[rng.integers(10, 300)])
            b = a + int(rng.integers(40, 240))
            if not site.work[a:b].any():
                out.append(("burst", a, b))
        if rng.random() < 0.3:
            out.append(("settings", int(rng.integers(len(site.t))), 0))
        for _ in range(rng.poisson(2)):
            a = int(rng.integers(len(site.t)))
            out.append(("hiccup", a, a + int(rng.integers(1, 4))))
        return out

    def effects(self, faults):
        """Effects with some of the site's faults applied."""
        fx = fix.Effects(self.site, self.view, self.plain)
        fx.latency = list(self.latency)
        for what, a, b in self.decoys:
            if what == "restart":
                fx.base_up[a:b] = False
                fx.base_events.append((b, "restart", "planned"))
            elif what == "burst":
                fx.base_att[a:b, 0] += 10
            elif what == "settings":
                fx.base_events.append((a, "settings-change", "web page: display units"))
            else:
                fx.base_send[a:b] = False
        for r, rover in enumerate(self.site.rovers):
            att = shade(self.view, rover, rover.spots)
            if att is not None:
                fx.add(("rov_sat", r), np.repeat(att[..., None], 2, -1))
        for f in self.site.faults:
            if f in faults:
                f.apply(fx)
            elif hasattr(f, "near"):
                f.near(fx)
        return fx

    def run(self, faults):
        """States of all rovers, and what led to them."""
        site, v = self.site, self.view
        fx = self.effects(faults)
        b = site.base
        brk = fx.base_break
        base = fix.track(v, self.level, self.limit, self.soft, self.base_chance, b["cn0"], fx.base_att, fx.base_sat, brk,
                         fx.base_up, 5, b["ripple"], b["reflector"])
        fx.has_obs = np.isfinite(base[0]).any((1, 2))
        out = []
        for n, rover in enumerate(site.rovers):
            mine = fix.track(v, self.level, self.limit, self.soft, self.chances[n], rover.cn0, fx.rov_att[n], fx.rov_sat[n],
                             fx.rov_break[n], fx.rov_up[n], 5)
            age, _ = fix.ages(site, n, fx, self.chances[n])
            q, used, tracked = fix.strength(v, site, rover, n, fx, base, mine, self.soft, age)
            st = fix.states(site, rover, n, fx, self.chances[n], q, age, tracked, self.own[n])
            out.append({"state": st, "age": age, "used": used, "tracked": tracked, "cn0": mine[0], "q": q})
        return fx, base, out


def lost_mask(site, state, rover):
    """Lost seconds of one rover: on, not fixed, start-up (until the first fix, at most 120 s) left out."""
    lost = (state >= 0) & (state != fix.FIXED)
    for a, b in site.sessions:
        idx = np.flatnonzero((site.t >= a) & (site.t < b) & (state >= 0))
        # after a silence of more than 15 min a start-up begins anew
        starts = np.concatenate([[0], np.flatnonzero(np.diff(site.t[idx]) > 900) + 1]) if len(idx) else []
        for s in starts:
            head = idx[s:s + 120]
            got = np.flatnonzero(state[head] == fix.FIXED)
            lost[head[:got[0]] if len(got) else head] = False
    if rover.prefs["rate"] == "slow":                          # who logs every five seconds shows no more than that
        lost = lost[np.maximum(np.arange(len(lost)) - site.t % 5, 0)] & (state >= 0)
    return lost


def truth(stage):
    """(final run, per rover list of (from row, to row, cause, or list), hours by cause)."""
    site = stage.site
    faults = site.faults
    full = stage.run(faults)
    lost = [lost_mask(site, o["state"], r) for o, r in zip(full[2], site.rovers)]
    if not faults:
        none, solo = lost, []
    else:
        # a quiet day only has to be run again when a fault moved a machine
        if stage.quiet_run is None or any(f.moves for f in faults):
            stage.quiet_run = [lost_mask(site, o["state"], r) for o, r in zip(stage.run([])[2], site.rovers)]
        none = stage.quiet_run
        solo = [lost] if len(faults) == 1 else [[lost_mask(site, o["state"], r) for o, r in zip(stage.run([f])[2], site.rovers)] for f in faults]
    weight = [sum(int((s & ~n).sum()) for s, n in zip(per, none)) for per in solo]
    order = list(np.argsort(weight)[::-1])
    periods, hours = [], {}
    for r, l in enumerate(lost):
        # per second: who was enough
        enough = np.stack([none[r]] + [solo[f][r] & ~none[r] for f in order]) if faults else none[r][None]
        names = ["unexplained"] + [faults[f].cause for f in order]
        for a, b in runs(site.t, l):
            per = []
            for x, y in pieces(enough[:, a:b], l[a:b]):
                part = enough[:, a + x:a + y].sum(1)
                n = y - x
                real = part[1:]
                if part[0] > 0.5 * n and (not len(real) or real.max() <= 0.5 * n):
                    first, others = 0, [1 + k for k in range(len(real)) if real[k] > 0.25 * n]
                elif len(real) and real.max() > 0.25 * n:
                    first = 1 + int(np.argmax(real))
                    others = [1 + k for k in range(len(real)) if 1 + k != first and real[k] > 0.25 * n]
                    others += [0] if part[0] > 0.25 * n else []
                elif part[0] > 0.5 * n or not len(real):
                    first, others = 0, []
                else:                                          # only together: the dearer one
                    first, others = 1, list(range(2, len(names)))
                per.append([a + x, a + y, names[first], [names[o] for o in others]])
            periods += [(r, *p) for p in merge(per)]
    for r, a, b, cause, _ in periods:
        hours[cause] = hours.get(cause, 0) + int(lost[r][a:b].sum()) / 3600
    return full, periods, hours


def runs(t, mask):
    """Runs of lost seconds: two less than 5 s apart are one; broken where the grid or the log has a gap."""
    idx = np.flatnonzero(mask)
    if not len(idx):
        return []
    cut = np.flatnonzero((np.diff(t[idx]) >= 6)) + 1
    return [(int(g[0]), int(g[-1]) + 1) for g in np.split(idx, cut)]


def pieces(enough, lost):
    """Splits a long run where the set of causes that were enough changes for more than 20 s."""
    n = enough.shape[1]
    if n < 60 or len(enough) < 3:
        # with one fault the own losses inside a long one are not worth a split, but a tail of their own is
        if len(enough) == 2 and n >= 60:
            alone = enough[0] & ~enough[1]
            head = int(np.argmax(~alone)) if (~alone).any() else n
            tail = int(np.argmax(~alone[::-1])) if (~alone).any() else n
            cuts = [0] + ([head] if 20 <= head < n - 20 else []) + ([n - tail] if 20 <= tail < n - 20 else []) + [n]
            return list(zip(cuts[:-1], cuts[1:]))
        return [(0, n)]
    key = (enough * (1 << np.arange(len(enough)))[:, None]).sum(0)
    cuts = [0]
    for c in np.flatnonzero(np.diff(key)) + 1:
        if c - cuts[-1] >= 20 and n - c >= 20:
            cuts.append(int(c))
    return list(zip(cuts, cuts[1:] + [n]))


def merge(per):
    out = []
    for p in per:
        if out and out[-1][2:] == p[2:]:
            out[-1][1] = p[1]
        else:
            out.append(p)
    return out
