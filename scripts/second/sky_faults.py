"""The three causes in the sky. Scintillation and storms are drawn once a region: every site within it sees the same irregularities
at the same pierce points, its own rovers or its neighbours' alike.

Sources: check-values 7 (scintillation, ROTI, scaling by frequency), 12.1-12.2 (gradients, distance).
"""
import numpy as np
from .faults import Fault
from .sky import pierce


class Weather:
    """What one region's ionosphere does: patches (centre, drift, size, strength, times) and storm spells. In UTC."""

    def __init__(self, rng, kind, lat, lon, sessions, severity=1.0):
        self.kind, self.lat, self.lon = kind, lat, lon
        first, last = sessions[0][0], sessions[-1][1]
        self.patches, self.bursts, self.spells = [], [], []
        for a, b in sessions:
            n = b - a
            if kind == "scintillation":
                for _ in range(int(rng.integers(4, 8))):
                    mid = a + rng.uniform(0.05, 0.95) * n
                    self.patches.append((mid, rng.uniform(900, 2600), lat + rng.uniform(-3, 3), lon + rng.uniform(-3, 3),
                                         rng.uniform(1.8, 3.6), rng.uniform(0.7, 1.1)))
            else:
                for _ in range(int(rng.integers(2, 4))):
                    self.spells.append((a + rng.uniform(0, 0.9) * n, rng.uniform(900, 3600), float(np.exp(rng.uniform(np.log(7), np.log(45))))))
                if rng.random() < 0.5:
                    self.bursts.append((a + rng.uniform(0.1, 0.9) * n, rng.uniform(240, 1100), rng.uniform(3, 9)))
        self.seed = int(rng.integers(2**62))
        self.kp = rng.uniform(6.4, 8.9)
        self.flare = (self.bursts[0][0] - 60, rng.choice(["X1.4", "X2.8", "M8.9", "X5.1"])) if self.bursts else None
        self.first, self.last = first, last


class Scintillation(Fault):
    """Shown by: C/N0 of some satellites (those whose ray crosses a patch) fluctuating by many dB within seconds on both bands, more on the
    lower frequency; phase slips on them; high ROTI in the base's phases; all rovers and the neighbouring bases alike; equatorial
    evening or auroral night. Kp raised in the auroral case."""
    cause = "sky-scintillation"

    def draw(self):
        w = self.site.weather
        v = self.view
        la, lo = pierce(self.site.lat, self.site.lon, v.el, v.az)
        t = self.site.t
        idx = np.zeros(v.el.shape, np.float32)
        for mid, dur, pla, plo, size, s4 in w.patches:
            when = np.exp(-0.5 * ((t - mid) / (dur / 2)) ** 2)[:, None]
            drift = 1.1e-3 * (t - mid)[:, None] * (1 if self.site.belt == "equatorial" else -1)   # about 120 m/s
            d2 = ((la - pla) / (size * 1.6)) ** 2 + ((lo - plo - drift) * np.cos(np.radians(pla)) / size) ** 2
            idx = np.maximum(idx, s4 * when * np.exp(-d2))
        self.idx = np.clip(idx * 1.25 * self.severity, 0, 1.4).astype(np.float32)
        self.amp = 1.0 if self.site.belt == "equatorial" else 0.3
        self.phase = 1.0 if self.site.belt == "equatorial" else 1.6
        r = np.random.default_rng(w.seed)
        self.fade = r.standard_normal(v.el.shape, dtype=np.float32)
        self.fade = 0.6 * self.fade + 0.6 * np.roll(self.fade, 1, 0) + 0.5 * np.roll(self.fade, 2, 0)
        self.hit = r.random(v.el.shape)
        self.step = r.standard_normal(v.el.shape, dtype=np.float32)

    def apply(self, fx):
        x = self.idx
        # intensity of a Nakagami-like fade: deep and short, seldom above the mean
        db = np.where(self.fade > 0, self.fade * 9, self.fade * 3.0) * x * self.amp
        sat = np.stack([db, db * 1.4], -1).astype(np.float32)
        brk = self.hit < 0.06 * np.maximum(0, x * self.phase - 0.25)
        sigma = 0.03 * x * self.phase
        fx.add("base_sat", sat)
        fx.add("base_break", brk)
        for r in range(self.R):
            # the rover is within the same patch, but hundreds of metres away: other fades, same statistics
            fx.add(("rov_sat", r), np.roll(sat, 7 * (r + 1), 0))
            fx.add(("rov_break", r), np.roll(brk, 11 * (r + 1), 0))
            fx.add(("rov_sigma", r), sigma.astype(np.float32))
        # 0.1 TECU a root second is a ROTI of about 1 TECU/min
        fx.add("tec", np.cumsum(self.step * 0.1 * np.minimum(x, 1) * self.phase, 0).astype(np.float32))


class Storm(Fault):
    """Shown by: Kp of 6 to 9 in kp.txt, phases that change by TEC units a minute on all satellites of all bases of the region, losses that
    grow with baseline length; with a radio burst (flares.csv) C/N0 of all satellites and bands down together for minutes, at base, rovers
    and neighbours, in daylight."""
    cause = "sky-storm"

    def draw(self):
        w, t = self.site.weather, self.site.t
        self.grad = np.zeros(self.T)
        for start, dur, mm in w.spells:
            x = np.clip(np.minimum(t - start, start + dur - t) / 240, 0, 1)
            self.grad = np.maximum(self.grad, x * mm * self.severity)
        self.burst = np.zeros(self.T, np.float32)
        noon = (t / 3600 + self.site.lon / 15) % 24
        for start, dur, db in w.bursts:
            x = np.clip(np.minimum((t - start) / 60, (start + dur - t) / 240), 0, 1)
            self.burst += (x * db * self.severity ** 0.5 * ((noon > 6.5) & (noon < 17.5))).astype(np.float32)
        r = np.random.default_rng(w.seed)
        self.step = r.standard_normal((self.T, self.S), dtype=np.float32) * 0.06
        self.slip = r.random((self.T, self.S)) < 2e-4 * np.minimum(self.grad, 60)[:, None]
        self.noise = r.random(self.S) * 0.5 + 0.75

    def apply(self, fx):
        fx.gradient = fx.gradient + self.grad
        fx.base_att += self.burst[:, None]
        fx.add("base_break", self.slip)
        sigma = (np.minimum(self.grad, 80)[:, None] * 2.6e-4 * self.noise).astype(np.float32)
        for r in range(self.R):
            fx.rov_att[r] += self.burst[:, None]
            fx.add(("rov_break", r), np.roll(self.slip, 3 * (r + 1), 0))
            fx.add(("rov_sigma", r), sigma)
        fx.add("tec", np.cumsum(self.step * (self.grad / 20)[:, None], 0).astype(np.float32))


class LongBaseline(Fault):
    """Shown by: positions of one rover (or two) 14-40 km from the base; fix poor there with fresh corrections and good signals, better on the
    near part of its way; Kp quiet; rovers near the base have no trouble."""
    cause = "long-baseline"
    moves = True

    def draw(self):
        from .world import path
        self.far = list(self.rng.choice(self.R, max(1, min(self.R - 1, int(self.rng.integers(1, 3)))), replace=False))
        for r in self.far:
            rover = self.site.rovers[r]
            path(self.rng, self.site, rover, self.rng.uniform(14000, 28000) * min(self.severity, 1.7))
            if self.rng.random() < 0.5:                        # drives nearer for part of the day
                k = np.arange(self.T) / self.T
                share = np.where(k < self.rng.uniform(0.2, 0.4), 0.3, 1.0)
                share = np.convolve(np.pad(share, 600, mode="edge"), np.ones(1201) / 1201, "valid")
                rover.east, rover.north = rover.east * share, rover.north * share
        self.extra = self.rng.uniform(0.2, 1.2) * self.severity

    def apply(self, fx):
        # without this fault the same machine would work with a base close by
        fx.cap_km = None
        fx.gradient = fx.gradient + self.extra * 0.5

    def near(self, fx):
        fx.cap_km = {**(fx.cap_km or {}), **{r: 2.0 for r in self.far}}


ALL = [Scintillation, Storm, LongBaseline]
