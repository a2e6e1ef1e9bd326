"""RTCM 3 frames, built with numpy for many epochs at a time.

Field widths and scales: check-values.md sections 3.3-3.7 (observables, station messages); ephemeris layouts
1019/1020/1042/1046 from knowledge of RTCM 10403.x, verified by decoding with an outside library in check.py.
A message is a list of (E, bits) arrays; epochs with equal counts of satellites and cells share one layout, so they are
packed together.
"""
import numpy as np
from .sky import GLO_K, GPS0, LEAP, OMEGA_E

C_MS = 299792.458
MSM_BASE = {"G": 1070, "R": 1080, "E": 1090, "C": 1120}
SIGNAL_ID = {"G1C": 2, "G2W": 10, "G2L": 16, "G2X": 17, "R1C": 2, "R2C": 8, "E1C": 2, "E1X": 5, "E5Q": 23, "E7Q": 15,
             "E5X": 24, "C2I": 2, "C6I": 8, "C7I": 14}
_TABLE = np.zeros(256, np.uint32)
for _i in range(256):
    _c = _i << 16
    for _ in range(8):
        _c = (_c << 1) ^ (0x1864CFB if _c & 0x800000 else 0)
    _TABLE[_i] = _c & 0xFFFFFF


def bits(v, width):
    """(E, K) integers to (E, K*width) bits, most significant first; negatives as two's complement."""
    v = np.asarray(v, np.int64)
    if v.ndim == 1:
        v = v[:, None]
    sh = np.arange(width - 1, -1, -1, dtype=np.int64)
    if width <= 31:
        v, sh = v.astype(np.int32), sh.astype(np.int32)
    return ((v[..., None] >> sh) & 1).astype(np.uint8).reshape(len(v), -1)


def frames(parts):
    """Rows of bits to a list of whole frames (bytes) with length and CRC-24Q."""
    body = np.packbits(np.hstack(parts), axis=1)
    e, n = body.shape
    out = np.empty((e, n + 6), np.uint8)
    out[:, 0], out[:, 1], out[:, 2], out[:, 3:n + 3] = 0xD3, n >> 8, n & 255, body
    crc = np.zeros(e, np.uint32)
    for j in range(n + 3):
        crc = ((crc << 8) & 0xFFFFFF) ^ _TABLE[(crc >> 16) ^ out[:, j]]
    out[:, n + 3], out[:, n + 4], out[:, n + 5] = crc >> 16, (crc >> 8) & 255, crc & 255
    raw, w = out.tobytes(), n + 6
    return [raw[i * w:(i + 1) * w] for i in range(e)]


def one(fields):
    """One message out of (value, width) pairs."""
    return frames([bits([int(v)], w) for v, w in fields])[0]


def text(s):
    """A counted string as (value, width) pairs."""
    return [(len(s), 8)] + [(ord(c), 8) for c in s]


def position_message(number, station, xyz, height=0.0):
    x, y, z = (round(float(v) * 1e4) for v in xyz)
    f = [(number, 12), (station, 12), (0, 6), (1, 1), (1, 1), (1, 1), (0, 1), (x, 38), (1, 1), (0, 1), (y, 38), (0, 2),
         (z, 38)]
    return one(f + ([(round(height * 1e4), 16)] if number == 1006 else []))


def receiver_message(station, antenna, serial, receiver, firmware, rserial):
    f = [(1033, 12), (station, 12)] + text(antenna) + [(0, 8)] + text(serial) + text(receiver)
    return one(f + text(firmware) + text(rserial))


def antenna_message(number, station, antenna, serial):
    return one([(number, 12), (station, 12)] + text(antenna) + [(0, 8)] + (text(serial) if number == 1008 else []))


def glonass_bias(station):
    return one([(1230, 12), (station, 12), (1, 1), (0, 3), (0b1010, 4), (0, 16), (0, 16)])


def foreign(number, rng, size):
    """A maker's own message: a number and noise."""
    return one([(number, 12)] + [(int(b), 8) for b in rng.integers(0, 256, size)])


def lock4(ms):
    """DF402 from milliseconds."""
    return np.where(ms < 32, 0, np.clip(np.floor(np.log2(np.maximum(ms, 32))) - 4, 0, 15)).astype(np.int64)


def lock10(ms):
    """DF407: each block of 32 doubles its step."""
    ms = np.maximum(np.asarray(ms, np.int64), 0)
    j = np.clip(np.floor(np.log2(np.maximum(ms, 1))) - 5, 0, 21).astype(np.int64)
    # block j >= 1 covers 2^(j+5) .. 2^(j+6) in steps of 2^j, indices 32(j+1) ..
    return np.minimum(np.where(j < 1, ms, 32 * (j + 1) + ((ms >> j) - 32)), 704)


def lock7(s):
    """DF013 family from seconds."""
    s = np.asarray(s)
    out = np.where(s < 24, s, (s + 24) // 2)
    out = np.where(s >= 72, (s + 120) // 4, out)
    out = np.where(s >= 168, (s + 408) // 8, out)
    out = np.where(s >= 360, (s + 1176) // 16, out)
    out = np.where(s >= 744, (s + 3096) // 32, out)
    return np.where(s >= 937, 127, out).astype(np.int64)


def _layouts(present, cells):
    """Yields index arrays of epochs that share counts of satellites and cells (at most 3000 at a time)."""
    key = present.sum(1) * 1000 + cells.reshape(len(cells), -1).sum(1)
    for k in np.unique(key):
        rows = np.flatnonzero(key == k)
        for a in range(0, len(rows), 3000):
            yield rows[a:a + 3000]


def epoch_field(system, t):
    """The 30 bits of epoch time for UTC seconds t."""
    t = np.asarray(t, np.int64)
    gps = t - GPS0 + LEAP
    if system == "R":
        day = t + 10800
        return (((day // 86400 + 4) % 7) << 27) | ((day % 86400) * 1000)
    return ((gps - (14 if system == "C" else 0)) % 604800) * 1000


def msm(system, level, station, t, ids, signals, o, last, k):
    """All MSM of one system. `o`: dict of (E, S, 2) arrays p (m), phi (m), cn0 (NaN = not tracked), lock (s), rate (m/s).
    Returns a dict epoch index -> frame."""
    order = sorted(range(2), key=lambda j: SIGNAL_ID[signals[j]])
    cells = np.isfinite(o["cn0"])[:, :, order]
    present = cells.any(2)
    out = {}
    p, phi, cn0, lock, rate = (o[x][:, :, order] for x in ("p", "phi", "cn0", "lock", "rate"))
    rough = np.round(p.mean(2) / C_MS * 1024)
    for e in _layouts(present, cells):
        ns = int(present[e[0]].sum())
        if ns == 0 or ns * 2 > 64:
            continue
        n = len(e)
        r, c = (x.reshape(n, ns) for x in np.nonzero(present[e]))
        cm = cells[e][r, c].reshape(n, ns * 2)
        head = [(np.full(n, MSM_BASE[system] + level), 12), (np.full(n, station), 12), (epoch_field(system, t[e]), 30),
                (last[e] == 0, 1), (np.zeros(n, int), 3 + 7 + 2 + 2 + 1 + 3)]
        sat = np.zeros((n, 64), np.uint8)
        sat[:, np.asarray(ids) - 1] = present[e]
        sig = np.zeros((n, 32), np.uint8)
        sig[:, [SIGNAL_ID[s] - 1 for s in signals]] = 1
        parts = [bits(v, w) for v, w in head] + [sat, sig, cm.astype(np.uint8)]
        rg = rough[e][r, c].astype(np.int64)
        if level >= 4:                                            # MSM1 to MSM3 leave out the whole milliseconds (DF397)
            parts.append(bits(rg // 1024, 8))
        if level in (5, 7):
            parts.append(bits((np.asarray(k)[c] + 7) if system == "R" else np.zeros_like(c), 4))
        parts.append(bits(rg % 1024, 10))
        cr, cc = np.nonzero(cm)
        col, which = cc // 2, cc % 2
        sidx = c[cr, col]
        pick = lambda a: a[e][cr, sidx, which].reshape(n, -1)
        base = rg[cr, col].reshape(n, -1) / 1024.0
        if level in (5, 7):
            rr = np.round(np.nan_to_num(o["rate"][e][r, c, 0])).astype(np.int64)
            parts.append(bits(rr, 14))
            fine_rate = np.clip(np.round((pick(rate) - rr[cr, col].reshape(n, -1)) * 1e4), -16383, 16383)
        fp, fl = pick(p) / C_MS - base, pick(phi) / C_MS - base
        ms = pick(lock) * 1000
        if level in (6, 7):
            parts += [bits(np.clip(np.round(fp * 2 ** 29), -524287, 524287), 20),
                      bits(np.clip(np.round(fl * 2 ** 31), -8388607, 8388607), 24), bits(lock10(ms), 10)]
        else:
            if level != 2:
                parts.append(bits(np.clip(np.round(fp * 2 ** 24), -16383, 16383), 15))
            parts += [bits(np.clip(np.round(fl * 2 ** 29), -2097151, 2097151), 22), bits(lock4(ms), 4)]
        parts.append(bits(np.zeros_like(ms), 1))
        if level in (6, 7):
            parts.append(bits(np.round(pick(cn0) * 16), 10))
        elif level in (4, 5):
            parts.append(bits(np.clip(np.round(pick(cn0)), 1, 63), 6))
        if level in (5, 7):
            parts.append(bits(fine_rate, 15))
        out.update(zip(e.tolist(), frames(parts)))
    return out


def legacy(system, level, station, t, ids, o, last, k, codeless):
    """1004/1012 (level 4) or the one-frequency 1002/1010 (level 2). Second frequency lost = the invalid codes."""
    gps = system == "G"
    cells = np.isfinite(o["cn0"])
    present = cells[:, :, 0]
    out = {}
    unit = C_MS if gps else 2 * C_MS
    for e in _layouts(present, present):
        n, ns = len(e), int(present[e[0]].sum())
        if ns == 0 or ns > 31:
            continue
        r, c = (x.reshape(n, ns) for x in np.nonzero(present[e]))
        g = {x: o[x][e][r, c] for x in ("p", "phi", "cn0", "lock")}
        amb = np.floor(g["p"][..., 0] / unit).astype(np.int64)
        part = np.round((g["p"][..., 0] - amb * unit) / 0.02).astype(np.int64) % int(unit / 0.02 + 1)
        p1m = part * 0.02 + amb * unit
        ph1 = np.clip(np.round((g["phi"][..., 0] - p1m) / 5e-4), -524287, 524287)
        two = np.isfinite(g["cn0"][..., 1])
        p2 = np.where(two, np.clip(np.round((g["p"][..., 1] - p1m) / 0.02), -8191, 8191), -8192)
        ph2 = np.where(two, np.clip(np.round((g["phi"][..., 1] - p1m) / 5e-4), -524287, 524287), -524288)
        number = (1000 if gps else 1008) + level
        head = [(np.full(n, number), 12), (np.full(n, station), 12),
                (epoch_field(system, t[e]) & ((1 << 27) - 1) if not gps else epoch_field(system, t[e]), 30 if gps else 27),
                (last[e] == 0, 1), (np.full(n, ns), 5), (np.zeros(n, int), 4)]
        sats = [(np.asarray(ids)[c], 6), (np.zeros_like(c), 1)] + ([] if gps else [(np.asarray(k)[c] + 7, 5)])
        sats += [(part, 24 if gps else 25), (ph1, 20), (lock7(g["lock"][..., 0].astype(int)), 7), (amb, 8 if gps else 7),
                 (np.clip(np.round(g["cn0"][..., 0] * 4), 1, 255), 8)]
        if level == 4:
            sats += [(np.full_like(c, 1 if codeless else 0), 2), (p2, 14), (ph2, 20),
                     (np.where(two, lock7(np.nan_to_num(g["lock"][..., 1]).astype(int)), 0), 7),
                     (np.where(two, np.clip(np.round(np.nan_to_num(g["cn0"][..., 1]) * 4), 1, 255), 0), 8)]
        block = np.concatenate([bits(v, w).reshape(n, ns, w) for v, w in sats], 2).reshape(n, -1)
        out.update(zip(e.tolist(), frames([bits(v, w) for v, w in head] + [block])))
    return out


def _angle(x):
    return round(((x + np.pi) % (2 * np.pi) - np.pi) / np.pi * 2 ** 31)


def ephemeris(con, s, t):
    """The ephemeris of satellite index s that a receiver holds at UTC t. Times of ephemeris: even two hours (GPS),
    ten minutes (Galileo), whole hours (BeiDou, in BDT), quarter hours (GLONASS, from a state vector)."""
    system, sid = con.sys[s], int(con.id[s])
    gps = int(t) - GPS0 + LEAP
    if system == "R":
        tb = (int(t) // 1800) * 1800 + 900
        h = 0.5
        pos = con.position(np.array([tb - h, tb, tb + h], float), np.array([s]))[:, 0]
        vel = (pos[2] - pos[0]) / (2 * h) / 1e3
        sm = lambda v, w: (1 << (w - 1)) + round(-v) if v < 0 else round(v)
        moscow = tb + 10800
        days = (moscow // 86400) - (820454400 // 86400)          # since 1996-01-01
        n4, nt = days // 1461 + 1, days % 1461 + 1
        f = [(1020, 12), (sid, 6), (GLO_K[sid - 1] + 7, 5), (0, 1), (1, 1), (1, 2), ((moscow // 3600 % 24) << 7 |
             (moscow // 60 % 60) << 1, 12), (0, 1), (1, 1), (moscow % 86400 // 900, 7)]
        for a in range(3):
            f += [(sm(vel[a] * 2 ** 20, 24), 24), (sm(pos[1][a] / 1e3 * 2 ** 11, 27), 27), (0, 5)]
        f += [(0, 1), (0, 11), (3, 2), (0, 1), (0, 22), (0, 5), (0, 5), (0, 1), (2, 4), (nt, 11), (1, 2), (1, 1), (nt, 11),
              (0, 32), (n4, 5), (0, 22), (0, 1), (0, 7)]
        return one(f)
    own = gps - (14 if system == "C" else 0)
    step = {"G": 7200, "E": 600, "C": 3600}[system]
    toe = own // step * step
    utc = toe + GPS0 - LEAP + (14 if system == "C" else 0)
    k = con.elements(s, utc)
    sow = toe % 604800
    week = toe // 604800 - {"G": 0, "E": 1024, "C": 1356}[system]
    # the node as the messages count it: at the start of the week, in the frame of the reference direction
    m0, e, root = _angle(k["m"]), round(k["e"] * 2 ** 33), round(np.sqrt(k["a"]) * 2 ** 19)
    o0, i0, w = _angle(k["node"] + OMEGA_E * sow), _angle(k["i"]), _angle(k["argp"])
    rate = round(k["node_rate"] / np.pi * 2 ** 43)
    iod = (toe // step) % 250
    if system == "G":
        return one([(1019, 12), (sid, 6), (week % 1024, 10), (0, 4), (1, 2), (0, 14), (iod, 8), (sow // 16, 16), (0, 8), (0, 16),
                    (0, 22), (iod, 10), (0, 16), (0, 16), (m0, 32), (0, 16), (e, 32), (0, 16), (root, 32), (sow // 16, 16),
                    (0, 16), (o0, 32), (0, 16), (i0, 32), (0, 16), (w, 32), (rate, 24), (0, 8), (0, 6), (0, 1), (0, 1)])
    if system == "E":
        return one([(1046, 12), (sid, 6), (week, 12), (iod, 10), (107, 8), (0, 14), (sow // 60, 14), (0, 6), (0, 21), (0, 31),
                    (0, 16), (0, 16), (m0, 32), (0, 16), (e, 32), (0, 16), (root, 32), (sow // 60, 14), (0, 16), (o0, 32),
                    (0, 16), (i0, 32), (0, 16), (w, 32), (rate, 24), (0, 10), (0, 10), (0, 2), (0, 1), (0, 2), (0, 1), (0, 2)])
    return one([(1042, 12), (sid, 6), (week, 13), (0, 4), (0, 14), (iod % 32, 5), (sow // 8, 17), (0, 11), (0, 22), (0, 24),
                (iod % 32, 5), (0, 18), (0, 16), (m0, 32), (0, 18), (e, 32), (0, 18), (root, 32), (sow // 8, 17), (0, 18),
                (o0, 32), (0, 18), (i0, 32), (0, 18), (w, 32), (rate, 24), (0, 10), (0, 10), (0, 1)])
