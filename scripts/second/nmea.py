"""NMEA 0183 text of one rover (or of a base's own receiver), from the arrays of a run.

Layouts: check-values 2. Check sums are worked out for all lines at once.
"""
import numpy as np

MODE = {4: "R", 5: "F", 2: "D", 1: "A", 0: "N"}
SYSTEM = {"G": ("GP", 1, 0), "R": ("GL", 2, 64), "E": ("GA", 3, 0), "C": ("GB", 4, 0)}
SIGNAL_NMEA = {"G1C": "1", "G2W": "4", "G2L": "6", "G2X": "6", "R1C": "1", "R2C": "3", "E1C": "7", "E1X": "7", "E5Q": "1",
               "E7Q": "2", "E5X": "1", "C2I": "1", "C6I": "8", "C7I": "B"}


def seal(lines, lf=False):
    """Adds `$`, check sum and line end to bare sentences; returns a list of bytes."""
    if not lines:
        return []
    raw = np.frombuffer("\0".join(lines).encode() + b"\0", np.uint8)
    starts = np.concatenate([[0], np.flatnonzero(raw == 0)[:-1] + 1])
    sums = np.bitwise_xor.reduceat(raw, starts).tolist()
    end = "\n" if lf else "\r\n"
    return [f"${s}*{c:02X}{end}".encode() for s, c in zip(lines, sums)]


def degrees(v, digits, width):
    """Degrees to d(d)dmm.mmm texts."""
    v = np.abs(v)
    d = np.floor(v)
    m = (v - d) * 60
    return [f"{int(a):0{width}d}{b:0{digits + 3}.{digits}f}" for a, b in zip(d, m)]


def clock(t):
    sod = (t % 86400).astype(int)
    return [f"{s // 3600:02d}{s // 60 % 60:02d}{s % 60:02d}" for s in sod]


def gsv(talker, rows, sid, lf):
    """One group: rows of (svid, el, az, cn0 or None)."""
    total = max(1, (len(rows) + 3) // 4)
    out = []
    for m in range(total):
        part = "".join(f",{s:02d},{e:02d},{a:03d},{'' if c is None else f'{c:02d}'}" for s, e, a, c in rows[4 * m:4 * m + 4])
        out.append(f"{talker}GSV,{total},{m + 1},{len(rows):02d}{part}" + (f",{sid}" if sid else ""))
    return out


def rover_log(site, rover, n, run, fx, view, rng):
    """Chunks of bytes in time order: list of (t, bytes)."""
    p, T = rover.prefs, len(site.t)
    state = run["state"]
    rows = np.flatnonzero(state >= 0)
    if not len(rows):
        return []
    if p["rate"] == "slow":
        rows = rows[site.t[rows] % 5 == 0]
    t = site.t[rows]
    st, age = state[rows], run["age"][rows]
    # position: metres of error by state, slowly wandering
    from .fix import slow_noise
    from .sky import offset_to_geodetic
    size = np.select([st == 4, st == 5, st == 2], [0.008, 0.25, 0.6], 1.6)
    err = slow_noise(rng, np.arange(T), 3, 40)[rows] * size[:, None] + rng.normal(0, 0.3, (len(rows), 3)) * size[:, None] * 0.3
    moved = np.where((st == 4)[:, None] | (st == 5)[:, None], fx.base_shift[rows] - fx.base_swing[rows], 0)
    big = np.abs(moved) > 30
    err = err + np.where(big, 0, moved)
    lat, lon = offset_to_geodetic(site.lat, site.lon, rover.east[rows] + err[:, 0], rover.north[rows] + err[:, 1])
    height = site.h - 1.5 + 0.004 * rover.east[rows] + err[:, 2] * 1.6 - p["geoid"]
    dig = p["digits"]
    la, lo = degrees(lat, dig, 2), degrees(lon, dig, 3)
    ns, ew = ("N" if site.lat >= 0 else "S"), ("E" if site.lon >= 0 else "W")
    hms = clock(t)
    used, tracked = run["used"][rows], run["tracked"][rows]
    sats = np.where(st >= 4, np.maximum(used, 5), np.maximum(tracked - 1, 0))
    if p["cap12"]:
        sats = np.minimum(sats, 12)
    hdop = np.clip(2.6 / np.sqrt(np.maximum(sats, 1)), 0.5, 9.9)
    tk = p["talker"]
    other = fx.station[n][rows] if fx.station[n] is not None else np.zeros(len(rows), int)
    jitter = np.abs(rng.normal(0, 0.12, len(rows)))
    gga = []
    empty_age = p["age"] == "empty"
    for i in range(len(rows)):
        s, a = st[i], age[i] + jitter[i]
        if s == 0:
            gga.append(f"{tk}GGA,{hms[i]}.00,,,,,0,{max(0, int(tracked[i])):02d},99.9,,,,,,")
            continue
        if a < 900 and s != 1:
            st_id = other[i] or rover.station
            tail = f"{'' if empty_age else (f'{a:.0f}' if p['age'] == 'int' else f'{a:.1f}')},{st_id:04d}"
        else:
            tail = ","
        gga.append(f"{tk}GGA,{hms[i]}.00,{la[i]},{ns},{lo[i]},{ew},{s},{sats[i]:02d},{hdop[i]:.1f},{height[i]:.3f},M,{p['geoid']:.3f},M,{tail}")
    out = [(t, 0, seal(gga, p["lf"]))]
    if p["rate"] == "5hz":
        for k in (2, 4, 6, 8):
            out.append((t, k, seal([g.replace(".00,", f".{k}0,", 1) for g in gga], p["lf"])))
    if p["gst"]:
        sig = size * rng.uniform(0.9, 1.2, len(rows)) + 0.004
        out.append((t, 1, seal([f"{tk}GST,{h}.00,{r:.3f},{x * 1.1:.3f},{x * .8:.3f},{o:.1f},{x:.3f},{x * .9:.3f},{x * 1.7:.3f}"
                                 for h, x, r, o in zip(hms, sig, 0.5 + 9 * sig, rng.uniform(0, 180, len(rows)))], p["lf"])))
    v = np.hypot(np.gradient(rover.east), np.gradient(rover.north))[rows] * 1.943844
    course = np.degrees(np.arctan2(np.gradient(rover.east), np.gradient(rover.north)))[rows] % 360
    v = np.minimum(v, 40)
    day = t // 86400
    dates = {d: np.datetime64(int(d), "D").astype(object) for d in np.unique(day)}
    if p["rmc"]:
        k = np.flatnonzero(t % p["rmc"] == 0)
        out.append((t[k], 1.2, seal([
            f"{tk}RMC,{hms[i]}.00," + (f"A,{la[i]},{ns},{lo[i]},{ew},{v[i]:.2f},{course[i]:.1f}," if st[i] else "V,,,,,,,")
            + f"{dates[day[i]]:%d%m%y},,,{MODE[int(st[i])]}" + (",V" if p["signal_id"] else "") for i in k], p["lf"])))
    if p["zda"]:
        k = np.flatnonzero((t % p["zda"] == 0) | (np.arange(len(t)) == 0))
        out.append((t[k], 1.4, seal([f"{tk}ZDA,{hms[i]}.00,{dates[day[i]]:%d,%m,%Y},00,00" for i in k], p["lf"])))
    if p["gsv"] or p["gsa"]:
        out += sky_lines(site, rover, run, view, rows, t, p, hdop)
    chunks = [(int(tt), k, b) for ts, k, bs in out for tt, b in zip(ts, bs)]
    chunks.sort(key=lambda c: (c[0], c[1]))
    return [(c[0], c[2]) for c in chunks]


def sky_lines(site, rover, run, view, rows, t, p, hdop):
    """GSV groups (per signal when the receiver tells signals) and GSA lists."""
    out = []
    cn0, sig = run["cn0"], site.base["signals"]
    per_system = {s: np.flatnonzero(view.sys == s) for s in site.base["systems"]}
    if p["gsv"]:
        k = np.flatnonzero(t % p["gsv"] == 0)
        lines, when = [], []
        for i in k:
            r, got = rows[i], []
            for s, idx in per_system.items():
                talker, _, add = SYSTEM[s]
                up = idx[view.el[r, idx] > 3]
                c = np.nan_to_num(cn0[r, up], nan=-1)
                head = [(int(view.id[j]) + add, int(view.el[r, j]), int(view.az[r, j])) for j in up]
                for b in ((0, 1) if p["signal_id"] else (0,)):
                    rws = [h + ((int(round(float(x))) if x > 0 else None),) for h, x in zip(head, c[:, b])]
                    if b == 1:
                        rws = [x for x in rws if x[3] is not None]
                        if not rws:
                            continue
                    got += gsv(talker, rws, SIGNAL_NMEA[sig[s][b]] if p["signal_id"] else "", p["lf"])
            lines += got
            when += [t[i]] * len(got)
        out.append((np.array(when), 2, seal(lines, p["lf"])))
    if p["gsa"]:
        k = np.flatnonzero(t % p["gsa"] == 0)
        lines, when = [], []
        for i in k:
            r = rows[i]
            for s, idx in per_system.items():
                _, system, add = SYSTEM[s]
                ok = idx[np.isfinite(cn0[r, idx, 0]) & (view.el[r, idx] > rover.mask)]
                if not len(ok):
                    continue
                ids = [f"{int(view.id[j]) + add:02d}" for j in ok][:12]
                h = hdop[i]
                lines.append(f"GNGSA,A,3,{','.join(ids + [''] * (12 - len(ids)))},{h * 1.9:.1f},{h:.1f},{h * 1.6:.1f}" + (f",{system}" if p["signal_id"] else ""))
                when.append(t[i])
        out.append((np.array(when), 1.8, seal(lines, p["lf"])))
    return out
