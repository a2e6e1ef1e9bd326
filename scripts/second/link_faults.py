"""The four causes on the data link. The base's own log stays perfect in all of them; the rovers' correction age tells.

Radio levels follow a plane-earth law (check-values 12.5), dBm, on top of which a fault adds.
"""
import numpy as np
from .faults import Fault


class Outage(Fault):
    """Shown by: the age of every rover grows one second a second at the same time, while the base tracks and its log is whole; sometimes a
    radio-off event at the base. A third of them come in the first half hour of each shift, when everybody switches radios on."""
    cause = "link-outage"

    def draw(self):
        early = None
        if self.rng.random() < 0.33:
            early = 0.02 + sum(np.exp(-np.maximum(self.site.t - a, 0) / 1200.0) * (self.site.t >= a) for a, _ in self.site.sessions[::-1])
        self.mask, self.list = self.spells(self.stretch(0.3, 0.97) if early is None else self.site.work, 2.2, 170, 1.0, 2700, weight=early)
        self.told = self.rng.random() < 0.5

    def apply(self, fx):
        for r in range(self.R):
            fx.link_down[r] |= self.mask
            fx.rssi[r][self.mask] -= 60
        if self.told:
            fx.base_events += [(a, "radio-off", "transmitter") for a, b in self.list]
            fx.base_events += [(min(b, self.T - 1), "radio-on", "transmitter") for a, b in self.list]


class Range(Fault):
    """Shown by: age and lost packets grow with distance from the base or behind a ridge, for the rovers that are there, and shrink when they
    come back; received level falls with distance; base log whole. Here one or two rovers work far out and commute."""
    cause = "link-range"
    moves = True

    def draw(self):
        from .world import path
        site = self.site
        site.base["link"] = "uhf"
        n = max(1, min(self.R - 1, int(self.rng.integers(1, 3))))
        self.far = list(self.rng.choice(self.R, n, replace=False))
        self.limit = self.rng.uniform(3.5, 7.5)                # km where half the packets are lost
        for r in self.far:
            rover = site.rovers[r]
            if np.hypot(rover.east, rover.north).max() < self.limit * 1000:
                path(self.rng, site, rover, self.limit * 1000 * self.rng.uniform(1.0, 1.35))
            # trips in and out: the shares of distance follow the day
            swing = 0.5 + 0.5 * np.cos(np.arange(self.T) * 2 * np.pi / self.rng.uniform(2500, 6000) + self.rng.uniform(0, 6))
            share = 0.35 + 0.65 * np.clip(swing * 2.2, 0, 1)
            rover.east, rover.north = rover.east * share, rover.north * share
        self.steep = self.rng.uniform(0.18, 0.35)
        self.fade = [self.wander(45, -1, 1) for _ in range(self.R)]

    def apply(self, fx):
        for r in range(self.R):
            rover = self.site.rovers[r]
            km = np.hypot(rover.east, rover.north) / 1000
            # log-normal shadowing: the path through the edge of coverage opens and closes
            x = (km / self.limit - 1) / self.steep + 0.9 * self.fade[r] + 0.5 * (self.severity - 1)
            # radios fail in runs: an almost open or almost shut channel
            fx.link_loss[r] = np.maximum(fx.link_loss[r], 1 / (1 + np.exp(-6 * x)) * 0.995 * (x > -1))
            fx.rssi[r] -= np.clip(x, 0, 3) * 3


class OneRover(Fault):
    """Shown by: the age of one rover alone grows, wherever it is; its radio level or packet loss is bad, or radio-off events; the others
    of the same base go on."""
    cause = "link-rover"

    def draw(self):
        self.r = int(self.rng.integers(self.R))
        self.mask, self.list = self.spells(self.stretch(0.4, 0.97), 5, 90, 1.0, 1800)
        self.told = self.rng.random() < 0.4
        self.deep = self.rng.uniform(18, 40)

    def apply(self, fx):
        fx.link_down[self.r] |= self.mask
        fx.link_loss[self.r] = np.maximum(fx.link_loss[self.r], 0.04)
        fx.rssi[self.r] -= 6 + self.deep * self.mask
        if self.told:
            fx.rov_events[self.r] += [(a, "radio-off", "modem lost its network") for a, b in self.list]
            fx.rov_events[self.r] += [(min(b, self.T - 1), "radio-on", "modem") for a, b in self.list]


class Clash(Fault):
    """Shown by: the station id in the rovers' GGA flips to another base's id and back, ages jitter; the level is good; every flip
    costs the fix. Rovers nearer the stranger (one or several) suffer."""
    cause = "link-station-clash"

    def draw(self):
        n = int(self.rng.integers(1, self.R + 1))
        self.who = list(self.rng.choice(self.R, n, replace=False))
        self.other = int(self.rng.integers(1, 4000))
        m = self.stretch(0.35, 0.95)
        self.mask, self.list = self.spells(m, 7, 45, 0.9, 900)
        self.flip = self.rng.random(self.T) < 0.5

    def apply(self, fx):
        for r in self.who:
            st = np.zeros(self.T, int)
            # within a spell the stronger of the two wins second by second, in runs
            st[self.mask & (self.flip | np.roll(self.flip, 1))] = self.other
            fx.station[r] = st if fx.station[r] is None else np.where(st > 0, st, fx.station[r])
            fx.link_loss[r] = np.where(self.mask, np.maximum(fx.link_loss[r], 0.3), fx.link_loss[r])
            fx.hold[r] |= self.mask


ALL = [Outage, Range, OneRover, Clash]
