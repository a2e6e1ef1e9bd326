"""A base's observables from its tracking: ranges, phases, rates; then RTCM streams and RINEX text.

Model: P = r + c dt + I f^-2 + T + code reflection + noise; phase = r + c dt - I f^-2 + T + lambda N (N new at every break).
The zenith troposphere is 2.3 m / sin(el); the quiet TEC 15 TECU (40 in the equatorial day), plus what the sky faults add.
"""
import numpy as np
from . import rtcm
from .sky import GPS0, LEAP, SIGNALS, ecef, enu_axes, slant, wavelength


def observables(stage, fx, tracked, rng):
    """dict of (T, S, 2) arrays p, phi (m), cn0, lock, rate, and lli (slip at this row)."""
    site, v = stage.site, stage.view
    cn0, lock = tracked
    T, S = v.el.shape
    drift = rng.normal(0, 3.0)                                  # receiver clock, m/s, steered within a small range
    clock = 30 * np.sin(np.arange(T) / 900.0) + drift * 0.1 * np.sin(np.arange(T) / 97.0)
    el = np.radians(np.maximum(v.el, 3))
    rng_m = v.rng + clock[:, None] + 2.3 / np.sin(el)
    swing = fx.base_swing
    if swing.any():
        az = np.radians(v.az)
        rng_m = rng_m - (np.cos(el) * np.sin(az) * swing[:, :1] + np.cos(el) * np.cos(az) * swing[:, 1:2] + np.sin(el) * swing[:, 2:])
    solar = (site.t / 3600 + site.lon / 15) % 24
    vt = (10 + {"equatorial": 40, "middle": 14, "auroral": 9}[site.belt] * np.exp(-0.5 * ((solar - 14.5) / 4) ** 2))[:, None]
    tec = vt * slant(v.el) + rng.normal(0, 0.4, S) + (fx.tec if fx.tec is not None else 0)
    if fx.tec is None:
        tec = tec + np.cumsum(rng.standard_normal((T, S), dtype=np.float32) * 0.0012, 0)
    out = {"cn0": cn0.astype(np.float64), "lock": np.minimum(lock, 60000)}
    p, phi = np.empty((T, S, 2)), np.empty((T, S, 2))
    arc = np.cumsum(lock[..., 0] <= 1, 0)
    arc2 = np.cumsum(lock[..., 1] <= 1, 0)
    for s, pair in site.base["signals"].items():
        c = np.flatnonzero(v.sys == s)
        for b in range(2):
            f = SIGNALS[pair[b]][0] * 1e6
            lam = np.array([wavelength(pair[b], v.k[j]) for j in c])
            i = 40.3e16 * tec[:, c] / f ** 2
            wide = 0.10 if pair[b] in ("E5Q", "E5X", "E7Q", "C6I") else 0.22
            noise = wide * 10 ** ((45 - np.nan_to_num(cn0[:, c, b], nan=45)) / 26)
            mp = slow_mp(rng, T, len(c)) * (0.10 + 0.45 * np.exp(-v.el[:, c] / 18))
            if fx.base_code is not None:
                mp = mp + fx.base_code[:, c] * (1.0 if b == 0 else 0.8)
            p[:, c, b] = rng_m[:, c] + i + noise * rng.standard_normal((T, len(c)), dtype=np.float32) + mp
            a = (arc if b == 0 else arc2)[:, c]
            # a new ambiguity at each break: cycles within some tens of the code
            table = rng.integers(-30, 30, (int(a.max()) + 1, len(c)))
            n = table[a, np.arange(len(c))] + np.round(i.mean(0) * 2 / lam)
            out_noise = 0.0016 * 10 ** ((45 - np.nan_to_num(cn0[:, c, b], nan=45)) / 20)
            phi[:, c, b] = rng_m[:, c] - i + n * lam + out_noise * rng.standard_normal((T, len(c)), dtype=np.float32)
            if fx.base_sigma is not None:
                phi[:, c, b] += fx.base_sigma[:, c] * 0.5 * np.cos(4 * np.pi * 3 * np.sin(el[:, c]) / lam)
    rate = np.gradient(rng_m, axis=0)
    rate[np.abs(rate) > 1500] = 0                               # across the joint of two sessions
    out.update(p=p, phi=phi, rate=np.repeat(rate[..., None], 2, -1), slip=lock <= 1)
    return out


def slow_mp(rng, T, n):
    from .fix import slow_noise
    return slow_noise(rng, np.arange(T), n, 70)


def stream(stage, con, fx, o, rng, station):
    """The base's RTCM stream: list of (t, bytes) in order of sending."""
    site, v, b = stage.site, stage.view, stage.site.base
    T = len(site.t)
    sent = fx.sent
    none = np.zeros(T, bool)
    private, thin, mute = (sent.get(k, none) for k in ("private", "thin", "no_position"))
    due = fx.base_up & (site.t % fx.send_every == 0)
    send = due & (fx.base_send | private)
    # rows that can be sent as observations
    rows = np.flatnonzero(send & ~private)
    parts = []
    systems = [s for s in "GREC" if s in b["systems"]]
    have = {s: np.isfinite(o["cn0"][:, v.sys == s]).any((1, 2)) for s in systems}
    final = np.full(T, -1)
    for n, s in enumerate(systems):
        final = np.where(have[s], n, final)
    for n, s in enumerate(systems):
        c = np.flatnonzero(v.sys == s)
        c = c[np.argsort(v.id[c])]
        for use, level in ((rows[~thin[rows]], b["level"]), (rows[thin[rows]], 2)):
            if not len(use):
                continue
            sub = {x: o[x][use][:, c] for x in ("p", "phi", "cn0", "lock", "rate")}
            last = final[use] == n
            if b["log"] == "legacy" and level != 2:
                got = rtcm.legacy(s, 4, station, site.t[use], v.id[c], sub, last, v.k[c], b["signals"]["G"][1] == "G2W")
            else:
                got = rtcm.msm(s, level, station, site.t[use], v.id[c], b["signals"][s], sub, last, v.k[c])
            parts += [(int(site.t[use[i]]), 10 + n, f) for i, f in got.items()]
    for i in np.flatnonzero(private & fx.base_up):
        parts.append((int(site.t[i]), 10, rtcm.foreign(4090, rng, 180)))
    axes, place = enu_axes(site.lat, site.lon), ecef(site.lat, site.lon, site.h)
    up = np.flatnonzero(fx.base_up)
    for i in up[site.t[up] % b["position_every"] == 0]:
        if not mute[i]:
            xyz = place + axes.T @ fx.base_shift[i]
            parts.append((int(site.t[i]), 20, rtcm.position_message(b["position"], station, xyz, 0.0 if b["position"] == 1005 else 1.5)))
    every = 30
    for i in up[site.t[up] % every == 7]:
        if b["describe"]:
            words = ("TESTANT-4       NONE", "A" + b["serial"][:5], b["model"], b["firmware"], b["serial"])
            parts.append((int(site.t[i]), 21, rtcm.receiver_message(station, *words)))
        elif b["log"] == "legacy":
            parts.append((int(site.t[i]), 21, rtcm.antenna_message(1008, station, "TESTANT-4       NONE", "A1")))
        if b["bias"] and b["log"] != "legacy":
            parts.append((int(site.t[i]), 22, rtcm.glonass_bias(station)))
    if b["eph"]:
        step = 1800
        for i in up[site.t[up] % step == 0]:
            for j in range(len(v.sats)):
                if np.isfinite(o["cn0"][i, j, 0]):
                    parts.append((int(site.t[i]), 30, rtcm.ephemeris(con, int(v.sats[j]), site.t[i])))
    parts.sort(key=lambda x: (x[0], x[1]))
    return [(t, f) for t, _, f in parts]


def rinex_text(stage, fx, o, every, rows, marker):
    """RINEX 3.04 observation text of some rows, times in GPST."""
    site, v, b = stage.site, stage.view, stage.site.base
    xyz = ecef(site.lat, site.lon, site.h) - 1.2 * enu_axes(site.lat, site.lon)[2]   # the marker under the antenna
    line = lambda body, label: f"{body:<60}{label}\n"
    gps = lambda t: np.datetime64(int(t) + 18, "s").astype(object)
    t0 = gps(site.t[rows[0]])
    head = line(f"{3.04:9.2f}{'':11}{'OBSERVATION DATA':<20}{'M' if len(b['systems']) > 1 else 'G':<20}", "RINEX VERSION / TYPE")
    head += line(f"{'logger':<20}{'':<20}{t0:%Y%m%d %H%M%S} UTC", "PGM / RUN BY / DATE") + line(marker, "MARKER NAME") + line("GEODETIC", "MARKER TYPE")
    head += line("", "OBSERVER / AGENCY") + line(f"{b['serial']:<20}{b['model']:<20}{b['firmware']:<20}", "REC # / TYPE / VERS")
    head += line(f"{'A' + b['serial'][:5]:<20}{'TESTANT-4       NONE':<20}", "ANT # / TYPE")
    head += line("".join(f"{x:14.4f}" for x in xyz), "APPROX POSITION XYZ") + line(f"{1.2:14.4f}{0:14.4f}{0:14.4f}", "ANTENNA: DELTA H/E/N")
    for s in b["systems"]:
        codes = [k + sig[1:] for sig in b["signals"][s] for k in "CLS"]
        head += line(f"{s}  {len(codes):3d}" + "".join(f" {c}" for c in codes), "SYS / # / OBS TYPES")
    head += line("DBHZ", "SIGNAL STRENGTH UNIT") + line(f"{every:10.3f}", "INTERVAL")
    head += line(f"{t0.year:6d}{t0.month:6d}{t0.day:6d}{t0.hour:6d}{t0.minute:6d}{t0.second:13.7f}     GPS", "TIME OF FIRST OBS")
    glo = [(int(i), int(k)) for i, k in zip(v.id[v.sys == "R"], v.k[v.sys == "R"])]
    for n in range(0, len(glo), 8):
        body = "".join(f"R{i:02d} {k:2d} " for i, k in glo[n:n + 8])
        head += line((f"{len(glo):3d} " if n == 0 else "    ") + body, "GLONASS SLOT / FRQ #")
    head += line(f"{LEAP:6d}", "LEAP SECONDS") + line("", "END OF HEADER")
    out = [head]
    lam = np.array([[wavelength(b["signals"][s][j], k) for j in range(2)] for s, k in zip(v.sys, v.k)])
    names = [f"{s}{i:02d}" for s, i in zip(v.sys, v.id)]
    # a slip anywhere since the row before counts at this row
    slips = np.cumsum(o["slip"], 0)
    before = None
    for r in rows:
        sats = np.flatnonzero(np.isfinite(o["cn0"][r]).any(1))
        if not len(sats):
            before = slips[r]
            continue
        t = gps(site.t[r])
        out.append(f"> {t:%Y %m %d %H %M} {t.second:10.7f}  0{len(sats):3d}\n")
        lli = (slips[r] - before > 0) if before is not None else np.zeros((len(v.sats), 2), bool)
        before = slips[r]
        P, L, S = o["p"][r], o["phi"][r] / lam, o["cn0"][r]
        for j in sats:
            row = names[j]
            for k in (0, 1):
                if S[j, k] == S[j, k]:
                    row += f"{P[j, k]:14.3f}  {L[j, k]:14.3f}{'1' if lli[j, k] else ' '} {S[j, k]:14.3f}  "
                else:
                    row += " " * 48
            out.append(row.rstrip() + "\n")
    return "".join(out)


def rinex_nav(con, stage, t):
    """A small RINEX 3.04 navigation file: Keplerian systems only, one record a satellite at each of the times."""
    from .sky import OMEGA_E
    line = lambda body, label: f"{body:<60}{label}\n"
    out = [line(f"{3.04:9.2f}{'':11}{'N: GNSS NAV DATA':<20}{'M: MIXED':<20}", "RINEX VERSION / TYPE"),
           line("logger", "PGM / RUN BY / DATE"), line("", "END OF HEADER")]
    d = lambda *x: "    " + "".join(f"{y:19.12E}" for y in x) + "\n"
    v = stage.view
    for when in t:
        for j, s in enumerate(v.sats):
            system = v.sys[j]
            if system == "R":
                continue
            gps = int(when) - GPS0 + LEAP
            toe = gps // 7200 * 7200
            utc = toe - LEAP + GPS0 + (14 if system == "C" else 0)
            k = con.elements(int(s), utc)
            sow, week = toe % 604800, toe // 604800 - (1356 if system == "C" else 0)
            c = np.datetime64(int(toe) + GPS0, "s").astype(object)
            out.append(f"{system}{v.id[j]:02d} {c:%Y %m %d %H %M %S}" + f"{0:19.12E}" * 3 + "\n")
            node = (k["node"] + OMEGA_E * sow + np.pi) % (2 * np.pi) - np.pi
            out += [d(1, 0, 0, k["m"]), d(0, k["e"], 0, np.sqrt(k["a"])), d(sow, 0, node, 0), d(k["i"], 0, k["argp"], k["node_rate"]),
                    d(0, 258 if system == "E" else 0, week, 0), d(2.0, 0, 0, 0), d(sow, 0)]
    return "".join(out)
