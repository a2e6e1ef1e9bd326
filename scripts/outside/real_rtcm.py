#!/usr/bin/env python3
"""Compares `lostfix look --json` with pyrtcm on the shared real RTCM files that hold legacy observables (1001-1004, 1009-1012) or
descriptions (1033): what the sample bundles do not have.

    real_rtcm.py BINARY [SERIALS]

SERIALS: lines of JSON `{"file": ..., "receiver_serials": [...]}` as the ignored test `dump_receiver_serials` writes them (the look
schema has no place for serial numbers). Compared field by field: counts, failed checks, station ids, positions, texts, signals with
their satellites, observations and mean C/N0, times of day, and the date where a GLONASS ephemeris (1020) tells it.
The shared data is found by LOSTFIX_SHARED_DATA, else ../shared/data beside the checkout; without it a line says that this check was
skipped. Last line: `N passed, N failed`.
"""

import datetime
import json
import os
import pathlib
import re
import sys

import oracle
from pyrtcm import RTCMReader

# GPS - UTC from a date on (IERS Bulletin C).
LEAPS = [("2017-01-01", 18), ("2015-07-01", 17), ("2012-07-01", 16), ("2009-01-01", 15), ("2006-01-01", 14)]
WANTED = set(oracle.LEGACY) | {1033}
# Differences that are no fault: patterns of file and field, and the reason.
EXPLAINED = [
    (r".*/GMSD7_20121014\.rtcm3", r"signals\.J.*", "a signal id that the standard reserves: `/` there, its number here"),
    (r".*/GMSD7_20121014\.rtcm3", r"epochs", "the writer put GPS time into DF427 (BDT is 14 s behind): times alternate"),
    (r".*/go-gnss-frames/.*", r"from|to|receiver serials", "one frame without any date is not placed in time here"),
]
# Test vectors of a library: fields at their ends, so no time is a time and our look leaves the observations out.
VECTORS = "rtcm-rs-vectors"


def messages(data):
    found, _ = oracle.frames(data)
    return [RTCMReader.parse(f, validate=0) for f in found]


def number(m):
    return int(m.identity.split("_")[0].split("(")[0])


def glonass_date(parsed):
    """UTC date of the first GLONASS ephemeris: GLONASS ICD 5.1, N4 four-year interval from 1996, NT day in it (UTC + 3 h)."""
    for m in parsed:
        if number(m) == 1020 and m.DF134 > 0 and m.DF129 > 0:
            day = datetime.date(1996 + 4 * (m.DF134 - 1), 1, 1) + datetime.timedelta(days=m.DF129 - 1)
            # DF107 is the time of the frame, its upper five bits the hour; the first three of the day are the day before in UTC.
            return (day - datetime.timedelta(days=int(m.DF107 >> 7 < 3))).isoformat()
    return None


def serials(parsed):
    texts = [oracle.text(m, "DF231", "DF232").strip() for m in parsed if number(m) == 1033]
    return sorted({t for t in texts if t})


def main():
    if len(sys.argv) not in (2, 3):
        print(__doc__)
        return 2
    told = os.environ.get("LOSTFIX_SHARED_DATA")
    data = pathlib.Path(told) if told else pathlib.Path(__file__).resolve().parents[2] / "../shared/data"
    if not (data / "rtcm").is_dir():
        print(f"real RTCM files: skipped, no shared data at {data} (set LOSTFIX_SHARED_DATA)")
        print("0 passed, 0 failed")
        return 0
    ours_serials = {}
    if len(sys.argv) == 3:
        for line in pathlib.Path(sys.argv[2]).read_text(encoding="utf-8").splitlines():
            row = json.loads(line)
            ours_serials[row["file"]] = row["receiver_serials"]
    compared, wrong, files = 0, 0, 0
    for path in sorted((data / "rtcm").rglob("*")):
        if not path.is_file() or VECTORS in path.parts:
            continue
        raw = path.read_bytes()
        try:
            parsed = messages(raw)
        except Exception as e:  # the library gives up on what it does not know
            print(f"{path.relative_to(data)}: not read by the outside library: {e}")
            continue
        if not WANTED & {number(m) for m in parsed}:
            continue
        files += 1
        name = str(path.relative_to(data))
        entries = oracle.look(sys.argv[1], str(path))["files"]
        ours = oracle.flat(entries[0])
        date = glonass_date(parsed)
        leap = next((s for day, s in LEAPS if (date or ours.get("date", "2020-01-01")) >= day), 18)
        theirs = oracle.rtcm(raw, leap * 1000)
        if date:
            theirs["date"] = date
        lines, known = [], set()
        # Texts of 1007 and 1008 are a part of those of 1033.
        full = {d for d in theirs["descriptions"] if d[1:] != ("", "")}
        theirs["descriptions"] = sorted(d for d in theirs["descriptions"] if d in full or not any(d[0] == f[0] for f in full))
        # 1005 gives no height, 1006 of the same point does.
        high = {p[:4] for p in theirs["positions"] if p[4] is not None}
        theirs["positions"] = [p for p in theirs["positions"] if p[4] is not None or p[:4] not in high]
        for field in sorted(ours.keys() | theirs.keys()):
            if (field == "date" and "date" not in theirs) or not (field in theirs or field.startswith("signals")):
                continue
            compared += 1
            if not oracle.near(field, ours.get(field), theirs.get(field)):
                why = next((w for f, k, w in EXPLAINED if re.fullmatch(f, "/" + name) and re.fullmatch(k, field)), None)
                if why:
                    known.add(why)
                    continue
                lines.append(f"{field}: ours {ours.get(field)}, outside {theirs.get(field)}")
        if ours_serials:
            compared += 1
            why = next((w for f, k, w in EXPLAINED if re.fullmatch(f, "/" + name) and re.fullmatch(k, "receiver serials")), None)
            if ours_serials.get(name, []) == serials(parsed):
                pass
            elif why and not ours_serials.get(name):
                known.add(why)
            else:
                lines.append(f"receiver serials: ours {ours_serials.get(name)}, outside {serials(parsed)}")
        print(f"{name:60} {len(lines)} differ")
        print("".join(f"  {line}\n" for line in lines) + "".join(f"  explained: {why}\n" for why in sorted(known)), end="")
        wrong += len(lines)
    print(f"{files} files, {compared} values compared")
    print(f"{compared - wrong} passed, {wrong} failed")
    return 1 if wrong or not compared else 0


if __name__ == "__main__":
    sys.exit(main())
