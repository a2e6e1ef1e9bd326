#!/usr/bin/env python3
"""Code multipath, rates of the electron content, S4-like indices and directions of satellites, worked out again.

    sky_check.py DUMP

DUMP comes from `LOSTFIX_DUMP=... cargo test --release --lib rinex::tests::dump -- --ignored`. Nothing of the program is used here: files
are unpacked by hatanaka, read by the columns of RINEX 3.05, and put through the published formulas:

- MP1, MP2: Estey and Meertens 1999, GPS Solutions 3(1):42-49; the mean of every slip-free arc of a minute (and ten epochs) and more is taken out.
- slips: geometry-free against a straight line (0.03 m + 0.004 m/s, at most 0.15 m), Melbourne-Wuebbena 4 sigma confirmed (Blewitt 1990),
  and the loss-of-lock indicator (RINEX 3.05 table 14).
- ROT, ROTI: Pi et al. 1997; 30 s, five minutes (half of the rates at least), population form. S4: ITU-R P.531, straight line taken out.
- directions: IS-GPS-200 table 20-IV, Galileo OS SIS ICD, BDS-SIS-ICD, GLONASS ICD 5.1 A.3.1.2 (integrated by scipy), pymap3d for
  azimuth and elevation.

The shared data is found by LOSTFIX_SHARED_DATA, else ../shared/data, else /work/shared/data. Last line: `N passed, N failed`.
"""

import collections
import concurrent.futures
import datetime
import gzip
import json
import math
import os
import pathlib
import sys

import hatanaka
import numpy as np
import pymap3d
from scipy.integrate import solve_ivp

C = 299792458.0
UNIX_GPS = 315964800
MHZ = {
    ("G", "1"): 1575.42, ("G", "2"): 1227.60, ("G", "5"): 1176.45,
    ("E", "1"): 1575.42, ("E", "5"): 1176.45, ("E", "7"): 1207.14, ("E", "8"): 1191.795, ("E", "6"): 1278.75,
    ("C", "1"): 1575.42, ("C", "2"): 1561.098, ("C", "5"): 1176.45, ("C", "7"): 1207.14, ("C", "8"): 1191.795, ("C", "6"): 1268.52,
    ("J", "1"): 1575.42, ("J", "2"): 1227.60, ("J", "5"): 1176.45, ("J", "6"): 1278.75,
    ("S", "1"): 1575.42, ("S", "5"): 1176.45, ("I", "5"): 1176.45, ("I", "9"): 2492.028,
    ("R", "3"): 1202.025, ("R", "4"): 1600.995, ("R", "6"): 1248.06,
}  # fmt: skip


def shared():
    here = pathlib.Path(__file__).resolve().parents[2]
    for p in [os.environ.get("LOSTFIX_SHARED_DATA"), here.parent / "shared/data", "/work/shared/data"]:
        if p and pathlib.Path(p).is_dir():
            return pathlib.Path(p)
    return None


def leap_s(gps_s):
    # IERS Bulletin C: 18 s since 2017-01-01. All files here are later.
    assert gps_s > (datetime.datetime(2017, 1, 1) - datetime.datetime(1980, 1, 6)).total_seconds()
    return 18


def observations(text):
    """Yields (UTC ms, {sat: {code: [range, phase, cn0, lli]}}, channels) of a RINEX 3 text."""
    lines = iter(text.splitlines())
    types, channels, system = {}, {}, None
    for line in lines:
        label = line[60:].strip()
        if label == "SYS / # / OBS TYPES":
            if line[0] != " ":
                system = line[0]
                types[system] = []
            types[system] += line[7:60].split()
        elif label == "GLONASS SLOT / FRQ #":
            for k in range(4, 60, 7):
                cell = line[k : k + 7]
                if cell.strip():
                    channels[cell[0:3].replace(" ", "0")] = int(cell[3:])
        elif label == "END OF HEADER":
            break
    for line in lines:
        if not line.startswith(">") or line[31] not in "01":
            continue
        y, mo, d, h, mi = (int(x) for x in line[1:18].split())
        seconds = float(line[18:29])
        gps = (datetime.datetime(y, mo, d, h, mi) - datetime.datetime(1980, 1, 6)).total_seconds() + seconds
        utc_ms = round((gps + UNIX_GPS - leap_s(gps)) * 1000)
        epoch = {}
        for _ in range(int(line[32:35])):
            row = next(lines)
            sat = row[0:3].replace(" ", "0")
            cells = collections.OrderedDict()
            for k, name in enumerate(types.get(sat[0], [])):
                cell = row[3 + 16 * k : 19 + 16 * k]
                value = cell[:14].strip()
                if not value or float(value) == 0.0 or name[0] not in "CLS":
                    continue
                c = cells.setdefault(name[1:], [math.nan, math.nan, math.nan, 0])
                c["CLS".index(name[0])] = float(value)
                if name[0] == "L":
                    c[3] = int(cell[14]) if cell[14:15].isdigit() else 0
            epoch[sat] = cells
        yield utc_ms, epoch, channels, line[31] == "1"


def hertz(sat, code, channels):
    if sat[0] == "R" and code[0] in "346":
        return None  # their ratio to the FDMA signals depends on the frequency number: the program leaves them out
    if sat[0] == "R" and code[0] in "12":
        k = channels.get(sat)
        if k is None:
            return None
        return (1602.0 + 0.5625 * k if code[0] == "1" else 1246.0 + 0.4375 * k) * 1e6
    f = MHZ.get((sat[0], code[0]))
    return f and f * 1e6


def is_first(sat, code):
    return code[0] in "14" or (sat[0] == "C" and code[0] == "2")


def order(sat, code):
    """L2, then L5, then L6, then semi-codeless L2."""
    if sat[0] == "G" and code[0] == "2" and code[1] in "WPYDNM":
        return 3
    if (code[0] == "2") or (sat[0] == "R" and code[0] == "6"):
        return 0
    return 1 if code[0] in "3578" else 2 if code[0] == "6" else 3


class Arc:
    """One signal against its partner."""

    def __init__(self):
        self.partner, self.at, self.gf, self.rate, self.mp, self.loss = None, None, 0.0, 0.0, [], (0, 0)
        self.number, self.start, self.result = 0, None, collections.defaultdict(list)
        self.slips = collections.Counter()
        self.pairs = collections.Counter()

    def close(self):
        if self.mp and len(self.mp) >= 10 and self.at - self.start >= 60000:
            v = np.array([m for _, m in self.mp])
            v = v - v.mean()
            for (minute, _), x in zip(self.mp, v):
                self.result[minute].append(x * x)
        self.mp = []
        self.number += 1


def minutes(path, gap_s):
    """{(sat, code, minute): [mp, rot, roti, roti_1s, s4, slips]}."""
    raw = path.read_bytes()
    text = hatanaka.decompress(raw).decode("ascii", "replace")
    arcs, anchors, losses = collections.defaultdict(Arc), {}, collections.Counter()
    seen = collections.defaultdict(dict)  # order of first appearance of a satellite's signals
    lanes, samples = {}, {}
    rates = {30: collections.defaultdict(list), 1: collections.defaultdict(list)}
    firsts = {}
    strength = collections.defaultdict(list)
    for utc_ms, epoch, channels, power in observations(text):
        minute = utc_ms // 60000
        for sat, cells in epoch.items():
            for code, (rng, ph, cn0, lli) in cells.items():
                seen[sat].setdefault(code, len(seen[sat]))
                if math.isfinite(ph) and (lli & 1 or power):
                    losses[sat, code] += 1
                if math.isfinite(cn0):
                    strength[sat, code, minute].append((utc_ms % 60000 / 1000.0, cn0))
            phases = {}
            for code, (_, ph, _, _) in cells.items():
                f = hertz(sat, code, channels)
                if f and math.isfinite(ph):
                    phases[code] = (ph * C / f, f)
            first, second, at = anchors.get(sat, (None, None, None))
            if not (first in phases and second in phases) and (at is None or utc_ms - at > max(60000, gap_s * 1000)):
                pick = lambda one: min(((order(sat, c), seen[sat][c], c) for c in phases if is_first(sat, c) == one), default=(0, 0, None))[2]
                # All first-frequency signals weigh alike: the one met first.
                one = min(((seen[sat][c], c) for c in phases if is_first(sat, c)), default=(0, None))[1]
                first, second = one, pick(False)
            if first is not None:
                # A minute that ends without a pair to rate has no rates, even when the four before it have enough: the end of a
                # pass, where the second frequency goes first. The program does so, and it is the meaning of "this minute".
                firsts[sat, minute] = first if second is not None else None
            for code, (own, fo) in phases.items():
                partner = second if is_first(sat, code) else first
                if partner not in phases:
                    continue
                other, fp = phases[partner]
                a = arcs[sat, code]
                gf = own - other
                loss = (losses[sat, code], losses[sat, partner])
                known = a.partner == partner and a.at is not None and 0 < utc_ms - a.at <= max(60000, gap_s * 1000)
                dt = (utc_ms - a.at) / 1000 if a.at is not None else 0
                on = known and loss == a.loss and utc_ms - a.start <= 12 * 3600000
                a.pairs[minute] += 1
                if known and loss == a.loss:
                    jump = gf - a.gf - a.rate * dt
                    if abs(jump) > min(0.15, 0.03 + 0.004 * dt):
                        on = False
                        a.slips[minute] += 1
                    else:
                        a.rate += ((gf - a.gf) / dt - a.rate) * dt / (dt + 30)
                if not on:
                    a.close()
                    a.start = utc_ms
                    if not known:
                        a.rate = 0.0
                    a.partner = partner
                a.gf, a.at, a.loss = gf, utc_ms, loss
                p = cells[code][0]
                if math.isfinite(p):
                    # MP1 and MP2 in their own coefficients; higher frequency is 1.
                    if fo > fp:
                        alpha = (fo / fp) ** 2
                        m = p - (1 + 2 / (alpha - 1)) * own + 2 / (alpha - 1) * other
                    else:
                        alpha = (fp / fo) ** 2
                        m = p - 2 * alpha / (alpha - 1) * other + (2 * alpha / (alpha - 1) - 1) * own
                    a.mp.append((minute, m))
            if not (first in phases and second in phases):
                if first is not None or second is not None:
                    anchors[sat] = (first, second, at)
                continue
            anchors[sat] = (first, second, utc_ms)
            (l1, f1), (l2, f2) = phases[first], phases[second]
            p1, p2 = cells[first][0], cells[second][0]
            key = (second, arcs[sat, second].number)
            if math.isfinite(p1) and math.isfinite(p2):
                w = ((f1 * l1 - f2 * l2) / (f1 - f2) - (f1 * p1 + f2 * p2) / (f1 + f2)) * (f1 - f2) / C
                lane = lanes.get(sat)
                if lane is None or lane["key"] != key:
                    lane = lanes[sat] = {"key": key, "n": 0, "mean": 0.0, "var": 0.25, "suspect": math.nan}
                off = w - lane["mean"]
                if lane["n"] >= 10 and abs(off) > max(1.0, 4 * math.sqrt(lane["var"])):
                    confirmed = abs(w - lane["suspect"]) < 1
                    lane["suspect"] = w
                    if confirmed:
                        for c in (first, second):
                            arcs[sat, c].close()
                            arcs[sat, c].start = utc_ms
                            arcs[sat, c].slips[minute] += 1
                        key = (second, arcs[sat, second].number)
                else:
                    lane["suspect"] = math.nan
                    lane["n"] = min(lane["n"] + 1, 600)
                    if lane["n"] == 1:
                        lane["mean"] = w
                    else:
                        lane["mean"] += off / lane["n"]
                        lane["var"] += (off * off - lane["var"]) / lane["n"]
            # 40.3 m³/s² (ITU-R P.531): TECU per m of L1 - L2.
            tecu = (l1 - l2) * f1**2 * f2**2 / (40.3e16 * (f1**2 - f2**2))
            gps_ms = utc_ms + 18000
            for step, slack in ((30, 15), (1, 0.5)):
                old = samples.get((sat, step))
                cell = gps_ms // (step * 1000)
                if old is not None:
                    dt = (utc_ms - old[1]) / 1000
                    if old[0] == cell or (old[2] == key and 0 < dt < step - slack):
                        continue
                    if old[2] == key and abs(dt - step) <= slack:
                        rates[step][sat].append((minute, (tecu - old[3]) / (dt / 60)))
                samples[sat, step] = (cell, utc_ms, key, tecu)
    for a in arcs.values():
        a.close()
    per_minute = {step: {} for step in rates}
    for step, by_sat in rates.items():
        for sat, list_ in by_sat.items():
            per = collections.defaultdict(list)
            for minute, rate in list_:
                per[minute].append(rate)
            per_minute[step][sat] = per
    out = {}
    for (sat, code, minute), list_ in strength.items():
        a = arcs.get((sat, code))
        mp = math.sqrt(np.mean(a.result[minute])) if a and a.result.get(minute) else None
        s4 = None
        if len(list_) >= 30:
            t, y = np.array([x for x, _ in list_]), 10 ** (np.array([c for _, c in list_]) / 10)
            s4 = float(np.std(y - np.polyval(np.polyfit(t, y, 1), t)) / y.mean())
        rot = roti = roti_1s = None
        if firsts.get((sat, minute)) == code:
            for step, least in ((30, 5), (1, 150)):
                per = per_minute[step].get(sat, {})
                window = [r for m in range(minute - 4, minute + 1) for r in per.get(m, [])]
                if len(window) >= least:
                    if step == 30:
                        rot, roti = float(np.mean(window)), float(np.std(window))
                    else:
                        roti_1s = float(np.std(window))
        slips = a.slips[minute] if a and a.pairs[minute] else -1
        out[sat, code, minute] = [mp, rot, roti, roti_1s, s4, slips]
    return out


def records(text):
    """Broadcast records of RINEX 3: (sat, [values by line])."""
    lines = iter(text.splitlines())
    for line in lines:
        if line[60:].strip() == "END OF HEADER":
            break
    current = None
    number = lambda s: float(s.replace("D", "e").replace("d", "e")) if s.strip() else 0.0
    for line in lines:
        if line[:1].strip():
            if current:
                yield current
            y, mo, d, h, mi, s = (int(x) for x in line[4:23].split())
            toc = (datetime.datetime(y, mo, d, h, mi, s) - datetime.datetime(1980, 1, 6)).total_seconds()
            current = (line[:3].replace(" ", "0"), toc, [number(line[23 + 19 * k : 42 + 19 * k]) for k in range(3)])
        elif current:
            current[2].extend(number(line[4 + 19 * k : 23 + 19 * k]) for k in range(4))
    if current:
        yield current


def position(record, gps_s):
    """Earth-fixed position at a GPS time (s), m."""
    sat, toc, v = record
    if sat[0] == "R":
        state = np.array([v[3], v[7], v[11], v[4], v[8], v[12]]) * 1e3
        extra = np.array([v[5], v[9], v[13]]) * 1e3
        mu, ae, j2, w = 3.986004418e14, 6378136.0, 1082625.75e-9, 7.292115e-5

        def f(_, s):
            r = np.linalg.norm(s[:3])
            k = 1.5 * j2 * mu * ae**2 / r**5
            z = 5 * s[2] ** 2 / r**2
            a = -mu / r**3 * s[:3] - k * s[:3] * np.array([1 - z, 1 - z, 3 - z]) + extra
            a[0] += w * w * s[0] + 2 * w * s[4]
            a[1] += w * w * s[1] - 2 * w * s[3]
            return np.concatenate([s[3:], a])

        toe = toc + leap_s(toc)
        return solve_ivp(f, (0, gps_s - toe), state, rtol=1e-10, atol=1e-6).y[:3, -1]
    (crs, dn, m0), (cuc, e, cus, root), (toe, cic, om0, cis), (i0, crc, om, omd) = v[4:7], v[7:11], v[11:15], v[15:19]
    idot = v[19]
    mu = 3.986004418e14 if sat[0] in "EC" else 3.986005e14
    we = 7.2921150e-5 if sat[0] == "C" else 7.2921151467e-5
    t = gps_s - (14 if sat[0] == "C" else 0)
    tk = (t - toe + 302400) % 604800 - 302400
    m = m0 + (math.sqrt(mu / root**6) + dn) * tk
    ea = m
    for _ in range(50):
        ea = m + e * math.sin(ea)
    nu = math.atan2(math.sqrt(1 - e * e) * math.sin(ea), math.cos(ea) - e)
    phi = nu + om
    s2, c2 = math.sin(2 * phi), math.cos(2 * phi)
    u, r, i = phi + cus * s2 + cuc * c2, root**2 * (1 - e * math.cos(ea)) + crs * s2 + crc * c2, i0 + idot * tk + cis * s2 + cic * c2
    x, y = r * math.cos(u), r * math.sin(u)
    geo = sat[0] == "C" and (int(sat[1:]) <= 5 or int(sat[1:]) >= 59)
    o = om0 + (omd - (0 if geo else we)) * tk - we * toe
    p = np.array([x * math.cos(o) - y * math.cos(i) * math.sin(o), x * math.sin(o) + y * math.cos(i) * math.cos(o), y * math.sin(i)])
    if geo:
        a, b = we * tk, math.radians(-5)
        rx = np.array([[1, 0, 0], [0, math.cos(b), math.sin(b)], [0, -math.sin(b), math.cos(b)]])
        rz = np.array([[math.cos(a), math.sin(a), 0], [-math.sin(a), math.cos(a), 0], [0, 0, 1]])
        p = rz @ rx @ p
    return p


def look(record, gps_s, station):
    """Azimuth and elevation with the flight time solved."""
    x0 = np.array(pymap3d.geodetic2ecef(*station))
    flight = 0.07
    for _ in range(4):
        p = position(record, gps_s - flight)
        a = 7.2921151467e-5 * flight
        p = np.array([math.cos(a) * p[0] + math.sin(a) * p[1], -math.sin(a) * p[0] + math.cos(a) * p[1], p[2]])
        flight = float(np.linalg.norm(p - x0)) / C
    az, el, _ = pymap3d.ecef2aer(*p, *station)
    return float(az), float(el)


NAMES = ["MP", "ROT", "ROTI", "ROTI 1 s", "S4-like"]


def observed(root, name, rows):
    """Verdicts (ok, text) on the minutes of one observation file."""
    out = []
    short = name.split("/")[-1]
    interval = 30 if "30S" in name else 15 if "15S" in name else 1
    theirs_all = minutes(root / name, max(10, interval * 1.5))
    pairs = [(row, theirs_all[key]) for row in rows if (key := (row["sat"], row["code"], row["t"] // 60000)) in theirs_all]
    out.append((len(pairs) >= 0.999 * len(rows), f"{short} minutes: {len(rows)}, {len(pairs)} in both"))
    for k, what in enumerate(NAMES):
        both = within = lone = 0
        worst = 0.0
        for row, theirs in pairs:
            a, b = row["v"][k], theirs[k]
            if a is None or b is None:
                lone += (a is None) != (b is None)
                continue
            both += 1
            # 1 %, or what f32 and the rounding of the file's third decimal leave of values near 0.
            off = abs(a - b) / max(abs(b), 0.02 if what == "ROT" else 0.005)
            within += off <= 0.01
            worst = max(worst, off)
        if both + lone == 0:
            continue
        ok = both > 0 and within >= 0.999 * both and lone <= 0.001 * both
        out.append((ok, f"{short} {what}: {both} minutes, {within} within 1 %, worst {100 * worst:.3f} %, only one side {lone}"))
    same = sum(row["slips"] == theirs[5] for row, theirs in pairs)
    slips = sum(max(theirs[5], 0) for _, theirs in pairs)
    out.append((same >= 0.999 * len(pairs), f"{short} phase slips: {len(pairs)} minutes, {same} the same, {slips} slips"))
    return out


def directions(root, name, rows):
    """Verdicts (ok, text) on the directions from one navigation file."""
    raw = (root / name).read_bytes()
    text = (gzip.decompress(raw) if name.endswith(".gz") else raw).decode("ascii", "replace")
    by = collections.defaultdict(list)
    for r in records(text):
        if r[0][0] in "GECRJ":
            week = r[1] // 604800
            toe = r[1] + leap_s(r[1]) if r[0][0] == "R" else week * 604800 + r[2][11] + (14 if r[0][0] == "C" else 0)
            if abs(toe - r[1]) > 302400:
                toe += 604800 * round((r[1] - toe) / 604800)
            by[r[0]].append((toe, r))
    compared, worst = collections.Counter(), collections.defaultdict(float)
    # A part of the rows: integrating GLONASS by scipy is slow.
    for row in rows[:: max(1, len(rows) // 1500)]:
        near = [r for toe, r in by.get(row["sat"], []) if abs(toe - row["toe_s"]) < 1]
        if not near:
            continue
        off = 360.0
        # Records of one reference time can differ (uploads): one of them must be ours.
        for r in near:
            az, el = look(r, row["gps_s"], (40.44, -3.95, 647.0))
            turn = abs((az - row["az"] + 180) % 360 - 180) * math.cos(math.radians(el))
            off = min(off, max(turn, abs(el - row["el"])))
        compared[row["sat"][0]] += 1
        worst[row["sat"][0]] = max(worst[row["sat"][0]], off)
    short = name.split("/")[-1]
    if not compared:
        return [(False, f"{short}: no direction could be compared")]
    return [(worst[s] <= 0.01, f"{short} {s}: {n} directions, worst {worst[s]:.5f} degrees") for s, n in compared.items()]


def main():
    root = shared()
    if root is None:
        print("skipped: no folder of open data (LOSTFIX_SHARED_DATA)")
        print("0 passed, 0 failed")
        return 0
    root = root / "rinex"
    files, navs = collections.OrderedDict(), collections.OrderedDict()
    with open(sys.argv[1], encoding="utf-8") as lines:
        for line in lines:
            row = json.loads(line)
            (files if "file" in row else navs).setdefault(row.get("file") or row["nav"], []).append(row)
    # Files stand alone: one process a core halves the time.
    with concurrent.futures.ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        jobs = [pool.submit(observed, root, name, rows) for name, rows in files.items()]
        jobs += [pool.submit(directions, root, name, rows) for name, rows in navs.items()]
        verdicts = [v for job in jobs for v in job.result()]
    for ok, text in verdicts:
        print(("ok    " if ok else "WRONG ") + text)
    passed = sum(ok for ok, _ in verdicts)
    failed = len(verdicts) - passed
    print(f"{passed} passed, {failed} failed")
    return 1 if failed or not passed else 0


if __name__ == "__main__":
    sys.exit(main())
