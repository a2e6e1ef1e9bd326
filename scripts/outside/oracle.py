"""Reads NMEA and RTCM 3 bytes with pynmeagps and pyrtcm and says what they held, in the words of `lostfix look --json`.

Nothing of the project's own decoders is used. Finding sentences (`$...*hh`) and frames (0xD3, length, CRC-24Q) is a plain scan;
checksums, CRC and every field are the libraries'. The signal names of NMEA ids are those of NMEA 0183 v4.11.
"""

import datetime
import gzip
import json
import os
import re
import struct
import subprocess
import zipfile
import zlib

from pynmeagps import NMEAReader
from pynmeagps.exceptions import NMEAParseError
from pyrtcm import RTCMReader, parse_msm
from pyrtcm.rtcmhelpers import calc_crc24q

SENTENCE = re.compile(rb"\$[^$*\r\n]*\*[0-9A-Fa-f]{2}")
# NMEA 0183 v4.11: system id by talker, and the signal ids as RINEX 3 codes (X: data and pilot not told apart).
TALKERS = {"GP": "G", "GL": "R", "GA": "E", "GB": "C", "BD": "C", "GQ": "J", "QZ": "J", "GI": "I"}
SIGNALS = {
    "G": {"1": "1C", "2": "1P", "3": "1M", "4": "2W", "5": "2S", "6": "2L", "7": "5I", "8": "5Q"},
    "R": {"1": "1C", "2": "1P", "3": "2C", "4": "2P"},
    "E": {"1": "5X", "2": "7X", "3": "8X", "4": "6A", "5": "6X", "6": "1A", "7": "1X"},
    "C": {"1": "2I", "2": "2Q", "3": "1X", "4": "1Z", "5": "5X", "6": "7Z", "7": "8X", "8": "6I", "9": "6Q", "A": "6Z", "B": "7I", "C": "7Q"},
    "J": {"1": "1C", "2": "1S", "3": "1L", "4": "1Z", "5": "2S", "6": "2L", "7": "5I", "8": "5Q", "9": "6S", "A": "6E"},
    "S": {"1": "1C", "7": "5I", "8": "5Q"},
}
# Without an id, or id 0 ("all"), the first open signal of the system.
FIRST = {"G": "1C", "R": "1C", "E": "1X", "C": "2I", "J": "1C", "S": "1C"}
# RTCM 10403.x, message numbers 1071 to 1137: system by tens.
MSM_SYSTEMS = {"107": "G", "108": "R", "109": "E", "110": "S", "111": "J", "112": "C", "113": "I"}
DAY_MS = 86_400_000
# GPS - UTC since 2017-01-01 (IERS Bulletin C).
LEAP_MS = 18_000
# RTCM 10403.x DF016: L2 code indicator of GPS (0 "C/A or L2C", here L2C; 1 P(Y) direct, 2 cross-correlated, 3 correlated) and
# DF046 of GLONASS (0 C/A, 1 P; 2 and 3 reserved) as RINEX 3 codes.
LEGACY_SECOND = {"G": ("2X", "2P", "2D", "2W"), "S": ("2X", "2P", "2D", "2W"), "R": ("2C", "2P", "?2", "?3")}
LEGACY = {1001: "G", 1002: "G", 1003: "G", 1004: "G", 1009: "R", 1010: "R", 1011: "R", 1012: "R"}


def signal_of_id(system, number):
    """RINEX name of an NMEA signal id; the id may be missing."""
    code = FIRST.get(system) if number in (None, "", "0") else SIGNALS.get(system, {}).get(number)
    # An id that the table does not have is written as its number.
    return f"{system}{code or '?' + str(int(number, 16))}"


class Signals:
    """Satellites, cells and C/N0 by signal."""

    def __init__(self):
        self.by_name = {}

    def add(self, name, satellite, cn0):
        """One cell; `cn0` in dB-Hz, or None where the message gives none."""
        satellites, cells = self.by_name.setdefault(name, (set(), []))
        satellites.add(satellite)
        cells.append(cn0)

    def values(self):
        out = {}
        for name, (satellites, cells) in sorted(self.by_name.items()):
            known = [c for c in cells if c is not None]
            out[f"signals.{name}.satellites"] = len(satellites)
            out[f"signals.{name}.observations"] = len(cells)
            if known:
                out[f"signals.{name}.cn0_mean_dbhz"] = sum(known) / len(known)
        if self.by_name:
            out["satellites"] = len(set().union(*(s for s, _ in self.by_name.values())))
        return out


def clock(of_day_ms):
    """hh:mm:ss of ms of the day."""
    s = of_day_ms // 1000 % 86_400
    return f"{s // 3600:02}:{s // 60 % 60:02}:{s % 60:02}"


def nmea(data):
    """Values of an NMEA stream, by field name."""
    counts, qualities, ages, stations, times, bad = {}, {}, [], set(), set(), 0
    signals = Signals()
    dates = set()
    for match in SENTENCE.finditer(data):
        try:
            m = NMEAReader.parse(match.group() + b"\r\n")
        except NMEAParseError:
            bad += 1
            continue
        kind = match.group()[1:].split(b",")[0].decode("latin-1")[2:] if m is None else m.msgID
        counts[kind] = counts.get(kind, 0) + 1
        if m is None:
            continue
        if kind in ("GGA", "GNS", "RMC", "GLL") and m.time != "":
            times.add(m.time)
        if kind == "GGA":
            q = str(m.quality)
            qualities[q] = qualities.get(q, 0) + 1
            if m.diffAge != "":
                ages.append(float(m.diffAge))
            if str(m.diffStation) != "":
                stations.add(int(m.diffStation))
        elif kind == "ZDA":
            dates.add(f"{m.year:04}-{m.month:02}-{m.day:02}")
        elif kind == "RMC" and m.date != "":
            dates.add(m.date.isoformat())
        elif kind == "GSV" and times:
            for i in range(1, 5):
                svid, cn0 = getattr(m, f"svid_{i:02}", ""), getattr(m, f"cno_{i:02}", "")
                if svid in ("", None) or cn0 in ("", None, 0):
                    continue
                system = TALKERS.get(m.talker, "?")
                # v4.11: 33 to 64 in a GPS list are SBAS; from 193 QZSS (common practice, no source).
                if system == "G" and svid > 32:
                    system = "S" if svid <= 64 else "J" if 193 <= svid <= 200 else "?"
                signals.add(signal_of_id(system, getattr(m, "signalID", None)), (system, svid), float(cn0))
    out = {f"counts.{k}": n for k, n in counts.items()}
    out.update({f"qualities.{k}": n for k, n in qualities.items()})
    if ages:
        out.update({
            "correction_age_s.min": min(ages),
            "correction_age_s.mean": sum(ages) / len(ages),
            "correction_age_s.max": max(ages),
        })
    if times:
        out["epochs"] = len(times)
    if len(dates) == 1:
        out["date"] = dates.pop()
    return out | {"failed_checks": bad, "station_ids": sorted(stations), "bytes.total": len(data)} | signals.values()


def frames(data):
    """Frames with a good CRC, and how many candidates failed. After a failure the search goes on at the next byte."""
    at, found, bad = 0, [], 0
    while (at := data.find(b"\xd3", at)) >= 0:
        if at + 6 > len(data):
            break
        length = (data[at + 1] & 3) << 8 | data[at + 2]
        frame = data[at : at + length + 6]
        if data[at + 1] & 0xFC or len(frame) < length + 6:
            at += 1
        elif calc_crc24q(frame):
            bad += 1
            at += 1
        else:
            found.append(frame)
            at += len(frame)
    return found, bad


def text(m, length, letters):
    """A text that pyrtcm gives letter by letter, without padding."""
    count = getattr(m, length, 0)
    return "".join(getattr(m, f"{letters}_{i:02}") for i in range(1, count + 1)).rstrip(" \0")


def of_day_ms(system, m, epoch, leap_ms=LEAP_MS):
    """ms of the UTC day of an MSM epoch (RTCM 10403.x: GLONASS counts in UTC + 3 h, BeiDou 14 s behind GPS)."""
    if system == "R":
        return (m.DF034 - 3 * 3_600_000) % DAY_MS
    return (epoch + (14_000 if system == "C" else 0) - leap_ms) % DAY_MS


def legacy(m, number):
    """Cells of 1001 to 1004 and 1009 to 1012: system, satellite, code, C/N0 (None where 0 or not in the message).

    A signal is there unless the message says so: range difference and phase at their invalid values (RTCM 10403.x DF011, DF012,
    DF017, DF018 and their like), or, for the second one, all bits 0.
    """
    gps = LEGACY[number] == "G"
    ident, first, pseudo, phase, c1, second, diff, phase2, lock2, c2 = (
        ("DF009", "DF010", "DF011", "DF012", "DF015", "DF016", "DF017", "DF018", "DF019", "DF020")
        if gps else ("DF038", "DF039", "DF041", "DF042", "DF045", "DF046", "DF047", "DF048", "DF049", "DF050")
    )
    # One light millisecond (two for GLONASS) is the largest range; half of the field's range is written for an invalid one.
    largest = 299_792.46 if gps else 599_584.92
    # pyrtcm gives metres.
    for i in range(1, (m.DF006 if gps else m.DF035) + 1):
        at = lambda name: getattr(m, f"{name}_{i:02}", None)
        sat = at(ident)
        system = ("S" if 40 <= sat <= 58 else "G") if gps else "R"
        range_is_there = at(pseudo) <= largest and abs(at(pseudo) - (0x800000 if gps else 0x1000000) * 0.02) > 1e-6
        phase_is_there = lambda name: range_is_there and abs(at(name) + 524_288 * 0.0005) > 1e-6
        cn0 = at(c1) or None
        if range_is_there or cn0:
            yield system, sat, "1P" if at(first) else "1C", cn0
        if at(second) is None:
            continue
        cn0 = at(c2) or None
        blank = not (at(second) or at(diff) or at(phase2) or at(lock2) or cn0)
        diff_is_there = range_is_there and abs(at(diff) + 8_192 * 0.02) > 1e-6
        if not blank and (diff_is_there or phase_is_there(phase2) or cn0):
            yield system, sat, LEGACY_SECOND[system][at(second)], cn0


def rtcm(data, leap_ms=LEAP_MS):
    """Values of an RTCM 3 stream, by field name; `leap_ms` is GPS - UTC at its time."""
    counts, stations, epochs, positions, words = {}, set(), [], set(), set()
    times, days = [], []
    signals = Signals()
    found, bad = frames(data)
    for frame in found:
        m = RTCMReader.parse(frame, validate=0)
        number = m.identity.split("_")[0].split("(")[0]
        counts[number] = counts.get(number, 0) + 1
        if hasattr(m, "DF003"):
            stations.add(m.DF003)
        if number in ("1005", "1006"):
            positions.add((m.DF003, m.DF025, m.DF026, m.DF027, getattr(m, "DF028", None)))
        elif number in ("1007", "1008", "1033"):
            words.add((text(m, "DF029", "DF030"), text(m, "DF227", "DF228"), text(m, "DF229", "DF230")))
        elif number == "1013":
            # DF051 modified Julian day, DF052 s of the UTC day: a time of the stream like an epoch.
            times.append(m.DF052 * 1000 % DAY_MS)
            days.append((datetime.date(1858, 11, 17) + datetime.timedelta(days=m.DF051)).isoformat())
        elif int(number) in LEGACY:
            glonass = LEGACY[int(number)] == "R"
            epochs.append((m.DF034 - 3 * 3_600_000) % DAY_MS if glonass else (m.DF004 - leap_ms) % DAY_MS)
            times.append(epochs[-1])
            for system, satellite, code, cn0 in legacy(m, int(number)):
                signals.add(f"{system}{code}", (system, satellite), cn0)
        elif m.ismsm:
            meta, _, cells = parse_msm(m)
            system = MSM_SYSTEMS[number[:3]]
            epochs.append(of_day_ms(system, m, meta["epoch"], leap_ms))
            times.append(epochs[-1])
            for cell in cells:
                # DF403 whole dB-Hz, DF408 sixteenths; 0 means none.
                cn0 = cell.get("DF408", cell.get("DF403")) or None
                # A number like that of the legacy messages: the library pads it with zeros.
                signals.add(f"{system}{cell['CELLSIG']}", (system, int(cell["CELLPRN"])), cn0)
    out = {f"counts.{k}": n for k, n in counts.items()}
    if epochs:
        out |= {"epochs": len(set(epochs)), "from": clock(times[0]), "to": clock(times[-1])}
    if len(set(days)) == 1:
        out["date"] = days[0]
    return out | {
        "failed_checks": bad,
        "station_ids": sorted(stations),
        "bytes.total": len(data),
        "positions": sorted(positions, key=str),
        "descriptions": sorted(words),
    } | signals.values()


def look(binary, path):
    """What `lostfix look --json` says; 0 and 3 (something not read) are fine exits.

    No SystemExit here: in a worker of a pool it would hang the whole check.
    """
    run = subprocess.run([binary, "look", "--json", path], capture_output=True, check=False)
    if run.returncode not in (0, 3):
        raise RuntimeError(f"{binary} look --json {path} ended with {run.returncode}: {run.stderr.decode()}")
    return json.loads(run.stdout)


def flat(entry):
    """A `files` entry of the look schema as field names and values."""
    out = {f"counts.{k}": n for k, n in entry.get("counts", {}).items()}
    out |= {f"qualities.{k}": n for k, n in entry.get("qualities", {}).items()}
    out |= {f"correction_age_s.{k}": n for k, n in entry.get("correction_age_s", {}).items()}
    for s in entry.get("signals", []):
        name = s.pop("signal")
        out |= {f"signals.{name}.{k}": v for k, v in s.items()}
    out |= {k: entry[k] for k in ("failed_checks", "epochs", "satellites") if k in entry}
    out["bytes.total"] = entry["bytes"]["total"]
    out["station_ids"] = sorted(entry.get("station_ids", []))
    if "positions" in entry or entry["format"] == "rtcm3":
        out["positions"] = sorted(
            ((p["station_id"], p["x_m"], p["y_m"], p["z_m"], p.get("antenna_height_m")) for p in entry.get("positions", [])), key=str
        )
        out["descriptions"] = sorted((d["antenna"], d["receiver"], d["firmware"]) for d in entry.get("descriptions", []))
    if entry["format"] == "rtcm3":
        out |= {k: entry[k][11:19] for k in ("from", "to") if k in entry}
    if "from" in entry:
        out["date"] = entry["from"][:10]
    return out


def near(field, ours, theirs):
    """Whether two values agree: 1e-3 for ages, 1 mm for positions, 1e-2 dB for C/N0, else the same."""
    if ours is None or theirs is None:
        return ours is theirs
    if field.startswith("correction_age_s"):
        return abs(ours - theirs) <= 1e-3
    if field.endswith("cn0_mean_dbhz"):
        return abs(ours - theirs) <= 1e-2
    if field == "positions":
        return len(ours) == len(theirs) and all(
            a[0] == b[0] and all((u is None) == (v is None) and (u is None or abs(u - v) <= 1e-3) for u, v in zip(a[1:], b[1:]))
            for a, b in zip(ours, theirs)
        )
    return ours == theirs


def inflate(data, start=0):
    """Files of a zip by its local headers, as far as they go: for a download that broke off."""
    out = {}
    while data[start : start + 4] == b"PK\x03\x04":
        method, = struct.unpack_from("<H", data, start + 8)
        size, = struct.unpack_from("<I", data, start + 18)
        name_len, extra = struct.unpack_from("<HH", data, start + 26)
        name = data[start + 30 : start + 30 + name_len].decode()
        at = start + 30 + name_len + extra
        if method == 0:
            out[name], start = data[at : at + size], at + size
            continue
        stream = zlib.decompressobj(-15)
        out[name] = stream.decompress(data[at:])
        if not stream.eof:
            break
        start = len(data) - len(stream.unused_data)
        start = start + 16 if data[start : start + 4] == b"PK\x07\x08" else start
    return out


def contents(path):
    """Every file of a bundle (folder, zip, broken zip) or of a single file, by path inside; gzip is opened."""
    out = {}
    if os.path.isdir(path):
        for folder, _, names in os.walk(path):
            for name in names:
                full = os.path.join(folder, name)
                with open(full, "rb") as f:
                    out[os.path.relpath(full, path).replace(os.sep, "/")] = f.read()
    else:
        with open(path, "rb") as f:
            data = f.read()
        if data[:4] != b"PK\x03\x04":
            out[os.path.basename(path)] = data
        elif zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as z:
                out = {i.filename: z.read(i) for i in z.infolist() if not i.is_dir()}
        else:
            out = inflate(data)
    return {k: gzip.decompress(v) if v[:2] == b"\x1f\x8b" else v for k, v in out.items()}
