"""What a unit tracks, and when a rover is fixed: the second mind's own receiver.

Strength Q of an epoch (own units): every satellite that base and rover both track on both bands, settled for ten seconds and
above the rover's mask, counts q = 1 / (1 + (sigma / 15 mm)^2); a system's satellites count one less (its reference). sigma (m) is the
root sum of squares of thermal noise at both ends, reflections at both, what the ionosphere leaves over the baseline, and age.
 - fixed is lost with the hazard 10^(-5.5 + 0.75 max(0, Qc + 4 - Q)) a second, at once below Qc - 3 or when the age is above the
   rover's own limit;
 - float gets fixed, after at least three seconds, with 10^(-0.9 - 0.35 max(0, Qc + 2 - Q)) a second, never below Qc - 2.5.
Qc is the rover's own. All chance is drawn once a rover (the same numbers with and without a fault), so the difference between
two runs is the fault's doing.
"""
import numpy as np
from .sky import SIGNALS, slant

FIXED, FLOAT, DGNSS, ALONE, NONE = 4, 5, 2, 1, 0


def slow_noise(rng, t, s, tau):
    """Correlated unit noise (len(t), s): white on a grid of tau seconds, joined by lines."""
    n = len(t) // tau + 2
    w = rng.standard_normal((n, s)).astype(np.float32)
    k = np.arange(len(t)) / tau
    i = k.astype(int)
    f = (k - i).astype(np.float32)[:, None]
    return w[i] * (1 - f) + w[i + 1] * f


def run_length(good):
    """Seconds (rows) since the last False, along axis 0; 0 at a False."""
    n = np.arange(1, len(good) + 1, dtype=np.int32)
    n = n.reshape((-1,) + (1,) * (good.ndim - 1))
    return n - np.maximum.accumulate(np.where(good, 0, n), axis=0)


class Chance:
    """The random numbers of one unit, drawn once."""

    def __init__(self, seed, t, sats):
        rng = np.random.default_rng(seed)
        self.slow = [slow_noise(rng, t, sats, 90) * 0.7 for _ in range(2)]
        self.fast_seed = int(rng.integers(2**62))
        self.lose, self.gain, self.hear = rng.random((3, len(t)))
        self.per_sat = rng.normal(0, 0.7, (sats, 2)).astype(np.float32)
        self.own = rng


def nominal(view, signals):
    """Level (T, S, 2) in dB-Hz, limit (S, 2) and whether semi-codeless (S,)."""
    lvl = np.empty(view.el.shape + (2,), np.float32)
    limit = np.empty((len(view.sats), 2), np.float32)
    soft = np.zeros(len(view.sats), bool)
    for s, pair in signals.items():
        c = view.sys == s
        for b in range(2):
            _, top, fall, scale, lim = SIGNALS[pair[b]]
            lvl[:, c, b] = top - fall * np.exp(-np.maximum(view.el[:, c], 0) / scale)
            limit[c, b] = lim
        soft |= c & (pair[1] == "G2W")
    no_l2c = (view.sys == "G") & ~view.l2c & ~soft                # an L2C receiver gets nothing on L2 from old satellites
    limit[no_l2c, 1] = 99
    return lvl, limit, soft


def track(view, level, limit, soft, chance, gain, att, sat_att, breaks, up, mask, ripple=0.0, height=2.0):
    """C/N0 (NaN = not tracked) and lock time in s, both (T, S, 2)."""
    T = len(view.el)
    cn0 = np.empty(level.shape, np.float32)
    rng = np.random.default_rng(chance.fast_seed)
    for b in range(2):
        c = level[..., b] + gain + chance.per_sat[:, b] + chance.slow[b] + 0.35 * rng.standard_normal(view.el.shape, dtype=np.float32)
        if ripple:                                                # ground reflection: check-values 8.3
            phase = 4 * np.pi * height * np.sin(np.radians(view.el)) / (0.19 if b == 0 else 0.245)
            c += ripple * np.exp(-view.el / 20) * np.cos(phase)
        loss = att[:, b, None]
        if sat_att is not None:
            loss = loss + sat_att[..., b]
        if b == 1 and soft.any():                                 # semi-codeless pays twice, and needs L1 too
            l1 = att[:, 0, None] + (sat_att[..., 0] if sat_att is not None else 0)
            loss = np.where(soft, loss + np.maximum(loss, l1 * 0.9), loss)
        cn0[..., b] = c - loss
    ok = (cn0 > limit) & (view.el > mask)[..., None] & up[:, None, None]
    ok[..., 1] &= ok[..., 0] | ~soft                              # codes of their own are tracked without L1
    hold = ok & ~breaks[..., None] if breaks is not None else ok
    lock = run_length(hold)
    cn0[~ok] = np.nan
    return cn0, lock.astype(np.float32)


def ages(site, rover_n, fx, chance):
    """Correction age (s, inf when none ever) and whether an epoch brought one."""
    T = len(site.t)
    sent = fx.base_up & fx.base_send & fx.has_obs & (site.t % fx.send_every == 0)
    heard = sent & ~fx.link_down[rover_n] & (chance.hear > fx.link_loss[rover_n])
    # a restarted rover remembers nothing; a new session starts empty too
    k = np.arange(T)
    last = np.maximum.accumulate(np.where(heard, k, -1))
    cut = ~fx.rov_up[rover_n]
    cut[1:] |= np.diff(site.t) > 1
    since = np.maximum.accumulate(np.where(cut, k, 0))
    age = np.where((last >= since) & (last >= 0), k - last, np.inf).astype(float)
    return age + fx.latency[rover_n], heard


def strength(view, site, rover, n, fx, base, mine, soft, age):
    """Q of every epoch and the number of satellites used."""
    (cb, lb), (cr, lr) = base, mine
    two = np.where(soft, 14, 27)
    ok = (lb.min(-1) >= 10) & (lr.min(-1) >= 10) & (view.el > rover.mask)
    ok &= (cb[..., 0] > 32) & (cr[..., 0] > 32) & (cb[..., 1] > two) & (cr[..., 1] > two)
    if fx.drop_systems is not None:
        ok &= ~(np.isin(view.sys, list(fx.drop_systems[1])) & fx.drop_systems[0][:, None])
    var = 5e-6 * (10 ** ((45 - np.nan_to_num(cb[..., 0], nan=20)) / 10) + 10 ** ((45 - np.nan_to_num(cr[..., 0], nan=20)) / 10))
    var += (0.0035 / np.sin(np.radians(np.maximum(view.el, 5)))) ** 2
    if fx.base_sigma is not None:
        var += fx.base_sigma ** 2
    if fx.rov_sigma[n] is not None:
        var += fx.rov_sigma[n] ** 2
    km = np.hypot(rover.east, rover.north) / 1000
    if fx.cap_km is not None and n in fx.cap_km:
        km = np.minimum(km, fx.cap_km[n])
    var += ((fx.gradient * km * 1e-3)[:, None] * slant(view.el)) ** 2
    var += (np.minimum(age, 60) * 0.0005 * np.maximum(1, fx.gradient / 3))[:, None] ** 2
    q = np.where(ok, 1 / (1 + var / 0.015 ** 2), 0)
    total = np.zeros(len(q))
    for s in site.base["systems"]:
        total += np.maximum(0, q[:, view.sys == s].sum(1) - 1)
    used = ok.sum(1)
    tracked = np.isfinite(cr[..., 0]).sum(1)
    return total, used, tracked


def states(site, rover, n, fx, chance, q, age, tracked, own_loss):
    """The state of every epoch. Pure Python over lists: one pass is a few milliseconds an hour."""
    T = len(site.t)
    qc = rover.shift
    hazard = 10 ** np.minimum(-5.5 + 0.75 * np.maximum(0, qc + 4 - q), 0)
    chance_fix = np.where((q < qc - 2.5) | (age > min(8, rover.age_hold)), 0, 10 ** (-0.9 - 0.35 * np.maximum(0, qc + 2 - q)))
    force = (q < qc - 3) | (age > rover.age_hold) | own_loss | fx.reset[n] | fx.hold[n]
    never = fx.hold[n] | own_loss
    lose = (chance.lose < hazard) | force
    gain = (chance.gain < chance_fix) & ~never
    rest = np.where(tracked < 4, NONE, np.where(age < 60, FLOAT, np.where(age < 180, DGNSS, ALONE)))
    if rover.prefs["flick"]:                                      # some say DGNSS, not float, for a blink of their own
        rest = np.where(own_loss & (rest == FLOAT), DGNSS, rest)
    rest = np.where(fx.no_float[n] & (rest == FLOAT), fx.fallback[n], rest)
    alive = rover.on & fx.rov_up[n]
    fresh = np.zeros(T, bool)
    fresh[1:] = np.diff(site.t) > 1
    out, fixed, wait = np.full(T, -1), False, 0
    lo, ga, al, fr = lose.tolist(), gain.tolist(), alive.tolist(), fresh.tolist()
    flags = [False] * T
    for i in range(T):
        if not al[i] or fr[i]:
            fixed, wait = False, 0
            continue
        if fixed:
            if lo[i]:
                fixed, wait = False, 0
        else:
            wait += 1
            if wait > 3 and ga[i] and not lo[i]:
                fixed = True
        flags[i] = fixed
    out = np.where(alive, np.where(flags, FIXED, rest), -1)
    return out


def own_losses(site, rover, chance):
    """Uncaused losses: a Poisson number, durations with a heavy tail (Pareto 1.3 from 2 s, at most 150 s)."""
    rng = chance.own
    loss = np.zeros(len(site.t), bool)
    for _ in range(rng.poisson(rover.own_rate * len(site.t) / 3600)):
        a = rng.integers(len(site.t))
        loss[a:a + int(min(150, 2 * (1 + rng.pareto(1.3))))] = True
    return loss


class Effects:
    """Everything that can differ from a good day at one site. Faults write into it; None = nothing of that kind."""

    def __init__(self, site, view, plain):
        T, R = len(site.t), len(site.rovers)
        z = lambda: np.zeros(T, bool)
        self.base_att = np.zeros((T, 2), np.float32)              # dB, bands 1 and 2
        self.base_sat = None                                       # dB (T, S, 2)
        self.base_up, self.base_send = np.ones(T, bool), np.ones(T, bool)
        self.has_obs = np.ones(T, bool)                           # the base tracks anything to send at all
        self.base_break, self.base_sigma, self.base_code = None, None, None
        self.base_shift = np.zeros((T, 3))                        # announced position, m ENU off the true one
        self.base_swing = np.zeros((T, 3))                        # the antenna itself, m ENU off the surveyed point
        self.send_every = np.ones(T, int)
        self.sent = {}                                            # switches for the writer of the base's messages
        self.drop_systems = None                                  # (mask over T, systems) that rovers cannot use
        self.gradient = plain.copy()                              # ionosphere, mm per km (one sigma)
        self.tec = None                                           # extra TEC (T, S), TECU, for the base's phase
        self.cap_km = None
        self.link_down = [z() for _ in range(R)]
        self.link_loss = [np.full(T, 0.004) for _ in range(R)]
        self.latency = [0.0 for _ in range(R)]
        self.station = [None] * R                                 # other station ids heard (T,), 0 = own
        self.rov_up = [np.ones(T, bool) for _ in range(R)]
        self.rov_att = [np.zeros((T, 2), np.float32) for _ in range(R)]
        self.rov_sat, self.rov_break, self.rov_sigma = [None] * R, [None] * R, [None] * R
        self.reset, self.hold, self.no_float = [z() for _ in range(R)], [z() for _ in range(R)], [z() for _ in range(R)]
        self.fallback = [np.full(T, DGNSS) for _ in range(R)]
        self.rssi = [np.zeros(T) for _ in range(R)]               # dB off the distance law
        self.base_events, self.rov_events = [], [[] for _ in range(R)]   # (t, kind, detail)
        self.base_metrics, self.rov_metrics = {}, [dict() for _ in range(R)]   # name -> change (T,) added to the normal value
        self.spurs, self.rov_spurs = [], [[] for _ in range(R)]   # (mask, frequency Hz, dB) in sweeps
        self.view = view

    def add(self, name, value):
        """Adds a (T, S[, 2]) array to a lazily made one: name or (name, rover)."""
        if isinstance(name, tuple):
            lst = getattr(self, name[0])
            lst[name[1]] = value if lst[name[1]] is None else (lst[name[1]] | value if value.dtype == bool else lst[name[1]] + value)
        else:
            old = getattr(self, name)
            setattr(self, name, value if old is None else (old | value if value.dtype == bool else old + value))
