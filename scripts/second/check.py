#!/usr/bin/env python3
"""Reads a generated fleet with outside libraries (pynmeagps, pyrtcm; pinned in scripts/outside/requirements.txt) and compares it with its
truth: check.py FLEET_DIR

Looked at: every NMEA check sum, every RTCM CRC and payload, RINEX line widths; station position against the card; broadcast ephemerides
against the measured ranges (a satellite at the place the message says is as far away as the code says); every lost period of the truth
against the qualities in GGA, and every stretch of 30 lost seconds against the truth. Prints counts, exit code 1 on any disagreement.
"""
import gzip
import json
import os
import sys
import zipfile
from functools import reduce
from operator import xor
from datetime import datetime, timezone
import numpy as np
import pynmeagps
import pyrtcm

stamp = lambda s: datetime.fromisoformat(s.replace("Z", "+00:00")).timestamp()


def members(root):
    """(bundle, member, bytes) of all bundles."""
    for base, _, files in os.walk(root):
        for f in sorted(files):
            path = f"{base}/{f}"
            if f.endswith(".zip"):
                with zipfile.ZipFile(path) as z:
                    for m in z.namelist():
                        yield path, m, z.read(m)
            elif base != root:
                yield base, f, open(path, "rb").read()


def nmea_file(data, counts, day0):
    """Seconds and qualities of GGA lines. Every 7th line is read by pynmeagps in full, all others only summed."""
    out, day, last = [], None, None
    for n, line in enumerate(data.split(b"\n")):
        line = line.strip(b"\r")
        if not line.startswith(b"$"):
            counts["other lines"] += bool(line)
            continue
        body, _, told = line[1:].partition(b"*")
        if f"{reduce(xor, body, 0):02X}".encode() != told:
            counts["BAD sums"] += 1
            continue
        if n % 7 == 0:
            pynmeagps.NMEAReader.parse(line + b"\r\n")
            counts["read by pynmeagps"] += 1
        counts["nmea"] += 1
        f = body.split(b",")
        if f[0][2:] == b"GGA" and b"." in f[1] and f[1].endswith(b".00"):
            s = int(f[1][:2]) * 3600 + int(f[1][2:4]) * 60 + int(f[1][4:6])
            if last is not None and s < last - 43200:
                day0 += 86400
            last = s
            out.append((day0 + s, int(f[6])))
    return out


def rtcm_file(data, counts, deep=400):
    """All frames by CRC; the first `deep` of each type decoded in full by pyrtcm. Returns positions and ephemerides."""
    i, seen, keep = 0, {}, []
    while i < len(data) - 6:
        if data[i] != 0xD3 or data[i + 1] & 0xFC:
            i += 1
            continue
        n = (data[i + 1] << 8 | data[i + 2]) + 6
        frame = data[i:i + n]
        if len(frame) < n or pyrtcm.calc_crc24q(frame) != 0:
            i += 1
            continue
        number = frame[3] << 4 | frame[4] >> 4
        counts["frames"] += 1
        seen[number] = seen.get(number, 0) + 1
        if seen[number] <= deep and seen[number] % 10 == 1 and number != 4090:
            keep.append(pyrtcm.RTCMReader.parse(frame))
            counts["read by pyrtcm"] += 1
        i += n
    for k, v in seen.items():
        counts[f"msg {k}"] = counts.get(f"msg {k}", 0) + v
    return keep


def kepler(m, at):
    """ECEF of a GPS satellite from a decoded 1019 at GPS time of week `at` (IS-GPS-200)."""
    mu, we = 3.986005e14, 7.2921151467e-5
    a = m.DF092 ** 2
    tk = (at - m.DF093 + 302400) % 604800 - 302400
    semi = np.pi
    mm = m.DF088 * semi + (np.sqrt(mu / a ** 3) + m.DF087 * semi) * tk
    e = m.DF090
    ea = mm
    for _ in range(8):
        ea = mm + e * np.sin(ea)
    nu = np.arctan2(np.sqrt(1 - e * e) * np.sin(ea), np.cos(ea) - e)
    u, r = nu + m.DF099 * semi, a * (1 - e * np.cos(ea))
    i = m.DF097 * semi
    o = m.DF095 * semi + (m.DF100 * semi - we) * tk - we * m.DF093
    x, y = r * np.cos(u), r * np.sin(u)
    return np.array([x * np.cos(o) - y * np.cos(i) * np.sin(o), x * np.sin(o) + y * np.cos(i) * np.cos(o), y * np.sin(i)])


def ranges(keep, counts):
    """GPS code ranges of MSM against the 1019s of the same file: after the clock (the median) metres should remain."""
    eph = {m.DF009: m for m in keep if m.identity == "1019"}
    ref = next((m for m in keep if m.identity in ("1005", "1006")), None)
    if not eph or ref is None:
        return
    here = np.array([ref.DF025, ref.DF026, ref.DF027])
    for m in [m for m in keep if m.identity in ("1074", "1075", "1077")][:3]:
        at, got = m.DF004 / 1000, []
        for k in range(1, m.NSat + 1):
            prn = int(getattr(m, f"PRN_{k:02d}"))
            if prn in eph:
                rough = getattr(m, f"DF397_{k:02d}") + getattr(m, f"DF398_{k:02d}")
                p = kepler(eph[prn], at - rough / 1000)
                w = 7.2921151467e-5 * rough / 1000
                p = np.array([p[0] + w * p[1], p[1] - w * p[0], p[2]])
                got.append(rough * 299792.458 - np.linalg.norm(p - here))
        if len(got) > 3:
            counts["range checks"] += 1
            # the rough range alone has steps of 293 m
            if np.ptp(np.array(got)) > 900:
                counts["BAD ranges"] += 1
                print("ranges", np.round(got))


def main(root):
    counts = {k: 0 for k in ("nmea", "read by pynmeagps", "BAD sums", "BAD missed",
                             "other lines", "frames", "read by pyrtcm", "range checks", "BAD ranges", "BAD truth")}
    truth = json.load(open(f"{root}/truth.json"))
    rovers, card_of = {}, {}                                 # unit -> second -> quality; bundle -> card
    for bundle, m, data in members(f"{root}/bundles"):
        if m == "unit.toml":
            card_of[bundle] = dict(l.split(" = ", 1) for l in data.decode().split("\n") if " = " in l)
    for bundle, m, data in members(f"{root}/bundles"):
        name = os.path.basename(m)
        if name.endswith((".rtcm3", ".log")) and name.startswith(("corr", "capt")):
            ranges(rtcm_file(data, counts), counts)
        elif name.endswith((".nmea", ".txt")) and name[:2] == "20":
            day0 = datetime.fromisoformat(name[:10]).replace(tzinfo=timezone.utc).timestamp()
            top = bundle[:-5] if bundle.endswith("/nmea") else bundle
            unit = card_of[top]["id"].strip('"') if top in card_of else os.path.basename(top).replace(".zip", "").split("_")[0]
            rovers.setdefault(unit, {}).update(nmea_file(data, counts, day0))
        elif name.endswith("o") or name.endswith("o.gz"):
            text = (gzip.decompress(data) if name.endswith("gz") else data).decode()
            wide = [l for l in text[:text.index("END OF HEADER")].split("\n") if len(l) > 80]
            counts["rinex lines"] = counts.get("rinex lines", 0) + text.count("\n")
            counts["BAD rinex header"] = counts.get("BAD rinex header", 0) + len(wide)
    for s in truth["sites"]:
        told = {}
        for p in s["float_periods"]:
            told.setdefault(p["unit"], []).append((stamp(p["from"]), stamp(p["to"])))
            q = [v for t, v in rovers.get(p["unit"], {}).items() if stamp(p["from"]) <= t < stamp(p["to"])]
            if q and sum(v == 4 for v in q) > max(4, 0.35 * len(q)):
                counts["BAD truth"] += 1
                print("truth says lost, log says fixed", p, len(q), sum(v == 4 for v in q))
            counts["periods"] = counts.get("periods", 0) + 1
        units = [u for u in rovers if u.split("-")[0] in {x["unit"].split("-")[0] for x in s["float_periods"]}]
        for u in units:
            lost = sorted(t for t, v in rovers[u].items() if v != 4)
            runs = np.split(np.array(lost), np.flatnonzero(np.diff(lost) > 5) + 1) if lost else []
            for r in runs:
                if len(r) >= 130 and not any(a - 5 <= r[-1] and b + 5 >= r[-5] for a, b in told.get(u, [])):
                    counts["BAD missed"] += 1
                    print("log says lost, truth does not", u, r[0], len(r))
    for k, v in sorted(counts.items()):
        print(f"{k:24s} {v}")
    return 1 if any(v for k, v in counts.items() if k.startswith("BAD")) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
