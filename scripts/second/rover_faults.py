"""The five causes on a rover: one machine suffers, the others of the same base do not (obstruction: whoever passes the place).
"""
import numpy as np
from .faults import Fault
from .sky import SIGNALS


class Obstruction(Fault):
    """Shown by: losses at the same places on site, pass after pass; GSV with satellites missing in part of the sky there; fresh
    corrections; base whole. All rovers that pass the place, but only there."""
    cause = "rover-obstruction"

    def draw(self):
        self.spots = []
        n = int(self.rng.integers(1, 3))
        for r in self.rng.choice(self.R, min(self.R, int(self.rng.integers(1, 3))), replace=False):
            rover = self.site.rovers[r]
            ce, cn, w, l, turn = rover.area
            for _ in range(n):
                a, b = self.rng.uniform(-.5, .5) * w, self.rng.uniform(-.5, .5) * l
                k = int(self.rng.choice(np.flatnonzero(self.site.work)))
                e, nn = rover.east[k], rover.north[k]          # a point it really passes
                self.spots.append((e, nn, self.rng.uniform(9, 20) * self.severity ** 0.5, *self._wall(), self.rng.uniform(50, 72)))

    def _wall(self):
        a = self.rng.uniform(0, 360)
        return a, a + min(340, self.rng.uniform(150, 260) * self.severity ** 0.3)

    def apply(self, fx):
        for r, rover in enumerate(self.site.rovers):
            att = shade(self.view, rover, self.spots)
            if att is not None:
                fx.add(("rov_sat", r), np.repeat(att[..., None], 2, -1))


def shade(view, rover, spots):
    """dB (T, S) behind whatever stands at `spots`, or None when the rover never passes one."""
    out = None
    for e, n, radius, a, b, top in spots:
        d = np.hypot(rover.east - e, rover.north - n)
        near = np.flatnonzero(d < radius)
        if not len(near):
            continue
        if out is None:
            out = np.zeros(view.el.shape, np.float32)
        inside = ((view.az[near] - a) % 360 < (b - a)) & (view.el[near] < top)
        out[near] = np.maximum(out[near], np.where(inside, 32, 0))
    return out


class Tracking(Fault):
    """Shown by: that rover's GSV: C/N0 low on all satellites (antenna, cable) or the second frequency weak or gone, fewer satellites used;
    the others of the base well."""
    cause = "rover-tracking"

    def draw(self):
        self.r = int(self.rng.integers(self.R))
        self.kind = self.rng.choice(["all", "second", "loose"], p=[0.4, 0.35, 0.25])
        m = self.stretch(0.35, 0.95)
        self.att = np.zeros((self.T, 2), np.float32)
        if self.kind == "all":
            self.att[m] = min(self.rng.uniform(8, 12) + 2.5 * self.severity, 24)
        elif self.kind == "second":
            self.att[m, 1] = 50
        else:
            on, _ = self.spells(m, 14, 25, 0.9, 300)            # a connector that opens over bumps
            self.att[on] = 26
        p = self.site.rovers[self.r].prefs
        p["gsv"] = p["gsv"] or 10
        p["signal_id"] = True if self.kind == "second" else p["signal_id"]

    def apply(self, fx):
        fx.rov_att[self.r] += self.att


# a receiver's front end lets in about so much on either side of a carrier, MHz
REACH_MHZ = 22


class Interference(Fault):
    """Shown by: that rover's GSV: C/N0 of one band jumping on all satellites, in bursts while something on the machine works; at a few rovers a
    sweep with a spur; base and other rovers untouched."""
    cause = "rover-interference"

    def draw(self):
        self.r = int(self.rng.integers(self.R))
        # MHz of the middle: a transmitter lies on one carrier; one in seven is wide enough for all
        self.mhz = float(self.rng.choice([1575.42, 1227.6, 1176.45, 0], p=[0.4, 0.3, 0.15, 0.15]))
        self.on, _ = self.spells(self.stretch(0.4, 0.95), 7, 80, 0.9, 1200)
        j = self.rng.random(self.T)
        peak = self.rng.uniform(14, 24) + 4 * (self.severity - 1)
        self.att = np.where(self.on, np.minimum(peak, 38) * (0.35 + j), 0).astype(np.float32)
        p = self.site.rovers[self.r].prefs
        p["gsv"] = int(self.rng.choice([1, 5, 10])) if not p["gsv"] or p["gsv"] > 10 else p["gsv"]
        self.freq = (self.mhz or 1575.42) * 1e6 + self.rng.uniform(-5e6, 5e6)
        if self.rng.random() < 0.5:
            p["spectrum"] = True

    def apply(self, fx):
        hit = np.zeros((len(self.view.sats), 2), np.float32)
        for system, pair in self.site.base["signals"].items():
            for b in range(2):
                if not self.mhz or abs(SIGNALS[pair[b]][0] - self.mhz) < REACH_MHZ:
                    hit[self.view.sys == system, b] = 1
        fx.add(("rov_sat", self.r), self.att[:, None, None] * hit)
        fx.rov_spurs[self.r].append((self.on, self.freq, 22.0))


class Restart(Fault):
    """Shown by: gaps in that rover's log followed by no fix, autonomous, float; restart / power-fail events and supply dips where it logs them."""
    cause = "rover-restart"

    def draw(self):
        self.r = int(self.rng.integers(self.R))
        _, self.list = self.spells(self.stretch(0.6, 0.97), 3.5, 45, 0.6, 300)
        self.cold = [int(np.clip(self.rng.lognormal(np.log(70), 0.6), 15, 400)) for _ in self.list]
        p = self.site.rovers[self.r].prefs
        if not p["events"] and not p["metrics"]:
            p["events"] = True

    def apply(self, fx):
        dip = np.zeros(self.T)
        for (a, b), n in zip(self.list, self.cold):
            fx.rov_up[self.r][a:b] = False
            fx.hold[self.r][b:b + n] = True
            fx.no_float[self.r][b:b + n // 2] = True
            fx.fallback[self.r][b:b + n // 4] = 1
            dip[max(0, a - 20):a] = -4.5
            dip[b:b + 15] = -2.5
            fx.rov_events[self.r].append((a, "power-fail", "supply below limit"))
            fx.rov_events[self.r].append((min(b, self.T - 1), "restart", "power on"))
        fx.rov_metrics[self.r]["supply_voltage_v"] = fx.rov_metrics[self.r].get("supply_voltage_v", 0) + dip


class Firmware(Fault):
    """Shown by: the version on that rover's card, which the catalogue lists as troubled; losses at a steady beat with fresh corrections, all
    satellites strong, nothing in events; rovers of the same base with another version do not."""
    cause = "rover-firmware"

    def draw(self):
        self.r = int(self.rng.integers(self.R))
        p = self.site.rovers[self.r].prefs
        p["firmware"], p["model"] = "6.0.3", "RM-20"
        period = self.rng.uniform(400, 1100) / self.severity ** 0.7
        k = np.arange(self.T)
        first = self.rng.uniform(0, period)
        hits = np.flatnonzero(((k - first) % period) < 1)
        self.mask = np.zeros(self.T, bool)
        for i in hits:
            i = int(np.clip(i + self.rng.integers(-10, 11), 0, self.T - 1))
            self.mask[i:i + int(np.clip(self.rng.lognormal(np.log(40), 0.5), 10, 240))] = True

    def apply(self, fx):
        fx.hold[self.r] |= self.mask


ALL = [Obstruction, Tracking, Interference, Restart, Firmware]
