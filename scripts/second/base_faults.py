"""The ten causes at a base, each with what the logs show.

Levels in dB or dB-Hz, offsets in metres, times in seconds; sources: check-values 10 (signal, cable, power), 11 (interference),
8 (multipath), 3.9 (messages), 18 (what each looks like).
"""
import numpy as np
from .faults import Fault
from .fix import slow_noise


class SecondFrequency(Fault):
    """Shown by: base observations without the second frequency (or fading on it) on every satellite, the first one steady;
    all rovers float at once with fresh corrections."""
    cause = "base-second-frequency"

    def draw(self):
        kind = self.rng.choice(["dead", "loose", "fade"], p=[0.45, 0.35, 0.2])
        m = self.stretch(0.12, 0.7)
        self.att = np.zeros(self.T, np.float32)
        if kind == "dead":
            self.att[m] = 60
        elif kind == "loose":                                   # a cracked filter that opens when it moves or warms
            on, _ = self.spells(m, 5, 150, 0.9, weight=0.15 + self.heat())
            self.att[on] = 60
        else:
            self.att[m] = np.minimum(14 + 8 * self.severity, 45) * (0.75 + 0.25 * self.wander(600, 0, 1)[m])
        self.kind = kind

    def apply(self, fx):
        fx.base_att[:, 1] += self.att


class WeakSignal(Fault):
    """Shown by: base C/N0 low on all satellites of both bands, steady or slowly changing (never jumping); often the card: a long run
    of thin cable or an antenna with little gain; semi-codeless L2 first."""
    cause = "base-weak-signal"

    def draw(self):
        self.kind = self.rng.choice(["long-run", "water", "lna"], p=[0.45, 0.35, 0.2])
        loss = self.rng.uniform(6, 10) + 2.5 * (self.severity - 1) + (0 if self.site.base["signals"]["G"][1] == "G2W" else 3)
        loss = min(loss, 19)
        if self.kind == "water":                                # comes with the rain, falls slowly, L1 suffers more
            x = np.arange(self.T) / self.T
            a, w = self.rng.uniform(0.0, 0.35), self.rng.uniform(0.1, 0.3)
            self.att = loss * 1.25 / (1 + np.exp(-(x - a) / (w / 6)))
            self.att += 0.8 * self.wander(900, -1, 1)
            self.split = 1.5
        else:
            self.att = np.full(self.T, loss) + 0.4 * self.wander(1800, -1, 1)
            self.split = -0.8 if self.kind == "long-run" else 0.3
        b = self.site.base
        if self.kind == "long-run":                             # Friis: net gain near zero
            b["cable"], b["gain"] = "RG-58", 30.0
            b["length"] = float(round((30 + loss - 9.5) / 0.645))
        elif self.kind == "lna":
            b["gain"] = 28.0

    def apply(self, fx):
        fx.base_att[:, 0] += np.maximum(self.att + self.split, 0)
        fx.base_att[:, 1] += np.maximum(self.att - self.split, 0)


class AntennaPower(Fault):
    """Shown by: antenna voltage and current in the metrics (0 mA = open, far above = short, below the card's minimum = starving) or
    antenna-open/-short events; C/N0 of all satellites and bands falls 15-40 dB in one epoch and returns together, while the
    receiver runs on (no restart event)."""
    cause = "base-antenna-power"

    def draw(self):
        b = self.site.base
        self.kind = self.rng.choice(["open", "short", "low"], p=[0.4, 0.25, 0.35])
        m = self.stretch(0.25, 0.8)
        if self.kind == "low":
            b["needs"] = (4.5, 18.0)
            b["volts"] = 5.0
            self.mask = m
            self.att = np.where(m, min(10 + 3 * self.severity, 26) + self.wander(400, -2, 2), 0).astype(np.float32)
        else:
            self.mask, _ = self.spells(m, 2.5, 160, 1.0, 2400)
            self.att = np.where(self.mask, self.rng.uniform(28, 42), 0).astype(np.float32)
        if b["events"] == "none":
            b["metrics"] = True
        if self.kind == "low":
            b["metrics"] = True

    def apply(self, fx):
        fx.base_att += self.att[:, None]
        b = self.site.base
        volts = np.zeros(self.T)
        ma = np.zeros(self.T)
        if self.kind == "open":
            ma[self.mask] = -b["ma"]
        elif self.kind == "short":
            volts[self.mask], ma[self.mask] = -b["volts"] + self.rng.uniform(0.1, 0.6), 130.0
        else:
            volts[self.mask], ma[self.mask] = (3.1 - b["volts"]), -0.55 * b["ma"]
        fx.base_metrics["antenna_voltage_v"] = fx.base_metrics.get("antenna_voltage_v", 0) + volts
        fx.base_metrics["antenna_current_ma"] = fx.base_metrics.get("antenna_current_ma", 0) + ma
        if self.kind != "low":
            fx.base_events += [(i, f"antenna-{self.kind}", "antenna port") for i in self.edge(self.mask)]


class Interference(Fault):
    """Shown by: C/N0 of all satellites of one band (or two) jumping by many dB within seconds, independent of elevation; at some
    bases a spur in the spectrum sweep or a risen noise level; other bands unchanged."""
    cause = "base-interference"

    def draw(self):
        self.band = int(self.rng.choice([0, 1, 2], p=[0.4, 0.45, 0.15]))      # 2 = wide
        m = self.stretch(0.3, 0.9)
        on, _ = self.spells(m, 4, 120, 1.0, 1500)
        peak = self.rng.uniform(12, 24) + 5 * (self.severity - 1)
        style = self.rng.choice(["chirp", "keyed", "radar"])
        j = self.rng.random(self.T)
        if style == "keyed":                                   # a transmitter that is keyed for some seconds
            blocks = np.repeat(self.rng.random(self.T // 7 + 1) < 0.65, 7)[:self.T]
            level = np.where(blocks, 1.0, 0.05) * (0.8 + 0.4 * j)
        elif style == "radar":
            p = int(self.rng.integers(4, 12))
            level = np.where(np.arange(self.T) % p < max(1, p // 2), 1.0, 0.1) * (0.7 + 0.6 * j)
        else:
            level = 0.35 + 1.0 * j
        self.att = np.where(on, np.minimum(peak, 40) * level, 0).astype(np.float32)
        self.on = on
        centre = {0: 1575.42e6, 1: 1227.6e6, 2: 1575.42e6}[self.band]
        self.spur = centre + self.rng.uniform(-6e6, 6e6)
        self.height = float(self.rng.uniform(14, 30))

    def apply(self, fx):
        if self.band in (0, 2):
            fx.base_att[:, 0] += self.att
        if self.band in (1, 2):
            fx.base_att[:, 1] += self.att
        fx.spurs.append((self.on, self.spur, self.height))
        name = "noise_level_l1_db" if self.band != 1 else "noise_level_l2_db"
        fx.base_metrics[name] = fx.base_metrics.get(name, 0) + self.att * 0.7


class Multipath(Fault):
    """Shown by: code multipath of metres and C/N0 ripple on satellites in the sectors and heights where a wall, tank or flat roof
    reflects; it follows the geometry, so it comes back a sidereal day later; no jumps, no loss on high satellites elsewhere."""
    cause = "base-multipath"

    def draw(self):
        self.walls = [(self.rng.uniform(0, 360), self.rng.uniform(70, 150), self.rng.uniform(35, 65)) for _ in range(self.rng.integers(2, 4))]
        self.size = self.rng.uniform(0.9, 1.5) * self.severity
        self.h = self.rng.uniform(1.5, 6)
        self.per = self.rng.uniform(0, 2 * np.pi, self.S)

    def apply(self, fx):
        v = self.view
        a = np.zeros(v.el.shape, np.float32)
        for c, w, top in self.walls:
            a = np.maximum(a, self.sector(c, w, top, 8.0))
        a = np.maximum(a, 0.8 / (1 + np.exp((v.el - 22) / 3)))     # the roof below it
        s = 4 * np.pi * self.h * np.sin(np.radians(v.el))
        sat = np.empty(v.el.shape + (2,), np.float32)
        for b, lam in enumerate((0.19, 0.245)):
            w = np.cos(s / lam + self.per)
            sat[..., b] = a * min(self.size, 2.5) * (1.5 - 4.0 * w)
        fx.add("base_sat", sat)
        fx.add("base_code", (a * self.size * 2.2 * np.cos(s / 0.19 + self.per)).astype(np.float32))
        fx.add("base_sigma", (a * 0.021 * self.size * (0.5 + np.abs(np.cos(s / 0.19 + self.per)))).astype(np.float32))


class Obstruction(Fault):
    """Shown by: the base tracks nothing (or only weakly) in part of its sky up to 40-75 degrees, though ephemerides put satellites
    there; outside the sector all is well. Variant: under a metal roof, many satellites come and go and no sector stands out."""
    cause = "base-obstruction"

    def draw(self):
        self.roof = self.rng.random() < 0.2
        self.when = np.ones(self.T, bool) if self.rng.random() < 0.45 else self.stretch(0.35, 0.9)
        wide = min(330, self.rng.uniform(130, 200) * self.severity ** 0.6)
        self.walls = [(self.rng.uniform(0, 360), wide, min(86, self.rng.uniform(50, 72) + 7 * (self.severity - 1)))]
        if self.roof:
            self.mess = np.maximum(0, slow_noise(self.rng, self.site.t, self.S, 25) * 9 + 5 + 3 * self.severity)

    def apply(self, fx):
        if self.roof:
            a = self.mess * (1.1 - 0.25 * (self.view.el < 35))
        else:
            a = sum(self.sector(*w) for w in self.walls) * 45
        a = np.where(self.when[:, None], a, 0).astype(np.float32)
        fx.add("base_sat", np.repeat(a[..., None], 2, -1))


class Moved(Fault):
    """Shown by: 1005/1006 (or the header positions of RINEX) that jump, creep, or differ from the reference on the card; the fixed
    rovers' heights and positions step with it. Fix is lost when the announced point changes (engines start anew) and for as long as it
    is absurd against the satellites (tens of metres and more)."""
    cause = "base-moved"
    wants = ("rtcm", "legacy", "mixed")

    def draw(self):
        self.kind = self.rng.choice(["survey", "wrong", "slump"], p=[0.45, 0.35, 0.2])
        self.shift = np.zeros((self.T, 3))
        self.swing = np.zeros((self.T, 3))
        self.jumps, self.bad = [], np.zeros(self.T, bool)
        m = self.stretch(0.3, 0.85)
        if self.kind == "wrong":                               # somebody typed or loaded another point
            self.bad = m
            self.shift[m] = self.rng.normal(0, 1, 3) * np.exp(self.rng.uniform(np.log(60), np.log(2500)))
            self.jumps = list(self.edge(m)) + list(self.ends(m))
        else:                                                  # averaging left on: a new point every few minutes
            _, spells = self.spells(m, 7, 5, 0.1)
            pos = np.zeros(3)
            for a, _ in spells:
                pos = self.rng.normal(0, 1.2, 3) if self.kind == "survey" else pos + np.abs(self.rng.normal(0, 0.06, 3)) * [1, 1, -1]
                self.shift[a:] = pos
                self.jumps.append(a)
            if self.kind == "slump":
                self.swing = self.shift.copy()
        self.refix = [int(np.clip(self.rng.lognormal(np.log(45), 0.6) * self.severity ** 0.5, 10, 240)) for _ in self.jumps]

    def apply(self, fx):
        fx.base_shift += self.shift
        fx.base_swing += self.swing
        for r in range(self.R):
            fx.hold[r] |= self.bad
            for j, n in zip(self.jumps, self.refix):
                fx.hold[r][j:j + n] = True
        if self.kind == "wrong":
            fx.base_events += [(i, "position-change", "reference coordinates set") for i in self.edge(self.bad)]


class Restart(Fault):
    """Shown by: restart / power-fail events, supply voltage dips, all lock times back to zero, the base's stream silent for one to three
    minutes; every rover's age grows and all lose fix together. Some overheat: an overheat event, a high temperature, hot hours."""
    cause = "base-restart"

    def draw(self):
        self.hot = self.rng.random() < 0.25 and self.heat()[self.site.work].max() > 0.5
        _, self.spells_ = self.spells(self.stretch(0.5, 0.97), 2.0, 110, 0.5, 400, weight=0.02 + self.heat() if self.hot else None)
        self.power = not self.hot and self.rng.random() < 0.7
        if self.site.base["events"] == "none" and self.rng.random() < 0.5:
            self.site.base["events"] = "csv"

    def apply(self, fx):
        dip = np.zeros(self.T)
        for a, b in self.spells_:
            fx.base_up[a:b] = False
            dip[max(0, a - 90):a] = -3.2
            if self.power:
                fx.base_events.append((a, "power-fail", "main supply"))
            if self.hot:
                fx.base_events.append((max(0, a - 5), "overheat", "case 78 degrees"))
            fx.base_events.append((min(b, self.T - 1), "restart", "boot after power loss" if self.power else "watchdog"))
        if self.hot:
            fx.base_metrics["temperature_c"] = fx.base_metrics.get("temperature_c", 0) + 38 * self.heat()
        if self.power:
            fx.base_metrics["supply_voltage_v"] = fx.base_metrics.get("supply_voltage_v", 0) + dip


class Messages(Fault):
    """Shown by: the base's own stream. `slow`: observations only every 10-30 s after a settings change (ages saw-tooth at that interval);
    `no-position`: 1005/1006 stop, rovers give the fix up once their copy is older than some minutes; `private`: only a maker's own 4xxx
    message goes out (rovers never get an age); `thin`: MSM2 without code or C/N0 (no engine can start from it)."""
    cause = "base-messages"
    wants = ("rtcm", "mixed")

    def draw(self):
        self.kind = self.rng.choice(["slow", "no-position", "private", "thin"], p=[0.35, 0.3, 0.15, 0.2])
        self.mask = self.stretch(0.35, 0.9)
        self.every = int(self.rng.choice([10, 15, 20, 30]))
        self.keep = int(self.rng.integers(120, 420))
        self.told = self.rng.random() < 0.6

    def apply(self, fx):
        m = self.mask
        if self.kind == "slow":
            fx.send_every = np.where(m, self.every, fx.send_every)
            for r, rover in enumerate(self.site.rovers):
                # a saw-tooth beyond what an engine likes: it holds or not by its own limit
                fx.hold[r] |= m & (rover.age_hold < self.every * 1.5)
        elif self.kind == "no-position":
            fx.sent["no_position"] = m
            for r in range(self.R):
                for a in self.edge(m):
                    stop = a + np.argmax(~m[a:]) if (~m[a:]).any() else self.T
                    fx.hold[r][a + self.keep:stop] = True
        elif self.kind == "private":
            fx.sent["private"] = m
            fx.base_send &= ~m
        else:
            fx.sent["thin"] = m
            for r in range(self.R):
                fx.hold[r] |= m
        if self.told:
            fx.base_events += [(i, "settings-change", "correction output") for i in self.edge(m)]


class Firmware(Fault):
    """Shown by: a version on card and in 1033 that the catalogue lists as troubled; every few minutes all phases start anew in one epoch
    (lock times fall together) and epochs are missing, though nothing restarts: no event, power steady."""
    cause = "base-firmware"

    def draw(self):
        self.site.base["firmware"], self.site.base["model"] = "3.4.1", "NX-Base"
        self.site.base["describe"] = True
        period = self.rng.uniform(260, 620) / self.severity ** 0.7
        first = self.rng.uniform(0, period)
        k = np.arange(self.T)
        self.hit = np.flatnonzero(((k - first) % period) < 1)
        self.hit = (self.hit + self.rng.integers(-4, 5, len(self.hit))).clip(0, self.T - 1)
        self.gap = int(self.rng.integers(2, 10))
        self.slow = self.rng.lognormal(np.log(22), 0.6, len(self.hit)).clip(8, 120).astype(int)

    def apply(self, fx):
        brk = np.zeros((self.T, self.S), bool)
        brk[self.hit] = True
        fx.add("base_break", brk)
        for i, n in zip(self.hit, self.slow):
            fx.base_send[i:i + self.gap] = False
            for r in range(self.R):
                fx.hold[r][i + 1:i + n] = True                 # the phases are wrong until the loop settles


ALL = [SecondFrequency, WeakSignal, AntennaPower, Interference, Multipath, Obstruction, Moved, Restart, Messages, Firmware]
