"""What all faults share. A fault draws everything random when it is made (`draw`), so that `apply` is the same with and without
other faults; `severity` (1, 1.5, 2.2 ...) is raised and the fault drawn anew when it cost too little."""
import numpy as np


class Fault:
    cause = ""
    moves = False             # it sends machines elsewhere
    wants = None              # a base log this fault needs so that it can be seen at all

    def __init__(self, site, view, rng, severity):
        self.site, self.view, self.rng, self.severity = site, view, rng, severity
        self.T, self.S, self.R = len(site.t), len(view.sats), len(site.rovers)
        self.draw()

    def draw(self):
        raise NotImplementedError

    def apply(self, fx):
        raise NotImplementedError

    # helpers ------------------------------------------------------------------------------------------------------
    def stretch(self, lo, hi):
        """A mask over one stretch of each session, or of one: a share lo..hi of the working time."""
        m = np.zeros(self.T, bool)
        share = min(0.97, self.rng.uniform(lo, hi) * min(self.severity, 2))
        start = self.rng.uniform(0, 1 - share)
        for a, b in self.site.sessions:
            n = b - a
            m |= (self.site.t >= a + start * n) & (self.site.t < a + (start + share) * n)
        return m

    def spells(self, within, rate, median, spread, longest=3600, weight=None):
        """Spells inside a mask: `rate` an hour, lasting a log-normal time (median s, spread of the logarithm); `weight` (T,)
        says when they are likelier."""
        m = np.zeros(self.T, bool)
        idx = np.flatnonzero(within)
        if not len(idx):
            return m, []
        list_ = []
        for _ in range(max(1, self.rng.poisson(rate * self.severity * len(idx) / 3600))):
            a = int(self.rng.choice(idx, p=None if weight is None else weight[idx] / weight[idx].sum()))
            n = int(np.clip(self.rng.lognormal(np.log(median), spread), 2, longest))
            b = min(self.T, a + n)
            gap = np.flatnonzero(np.diff(self.site.t[a:b]) > 1)
            if len(gap):
                b = a + int(gap[0]) + 1
            m[a:b] = True
            list_.append((a, b))
        return m, sorted(list_)

    def heat(self):
        """0..1 (T,): how hot it is in the box, highest at half past two by the sun."""
        return np.exp(-0.5 * (((self.site.t / 3600 + self.site.lon / 15) % 24 - 14.5) / 2.2) ** 2)

    def edge(self, mask):
        """Index of each first True."""
        return np.flatnonzero(mask & ~np.concatenate([[False], mask[:-1]]))

    def ends(self, mask):
        return np.flatnonzero(~mask & np.concatenate([[False], mask[:-1]]))

    def wander(self, tau, low, high):
        """A slow random value (T,) between low and high."""
        from .fix import slow_noise
        x = slow_noise(self.rng, self.site.t, 1, tau)[:, 0]
        return low + (high - low) * (0.5 + 0.5 * np.tanh(x))

    def sector(self, centre, width, top, softness=4.0):
        """0..1 (T, S): how far each satellite is behind an obstacle."""
        off = np.abs((self.view.az - centre + 180) % 360 - 180)
        side = 1 / (1 + np.exp((off - width / 2) / softness))
        return (side / (1 + np.exp((self.view.el - top) / 2.0))).astype(np.float32)
