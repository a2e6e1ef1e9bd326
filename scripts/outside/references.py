#!/usr/bin/env python3
"""Compares `lostfix look --json` with the stored reference values of the shared real files (`reference/nmea`, `reference/rtcm`).

    references.py BINARY

The shared data is found by LOSTFIX_SHARED_DATA, else ../shared/data beside the checkout; without it a line says that this check
was skipped. Exit 0 when all agree (or skipped), 1 when something differs or nothing was compared. Last line: `N passed, N failed`.
"""

import json
import multiprocessing
import os
import pathlib
import re
import sys

import oracle

# GSV before the first time of day has no place in time; it is counted and listed as a problem (oracle.py, which reads the same
# files with pynmeagps and leaves those sentences out, agrees).
BEFORE = "satellite lists before the first time of day make no rows"
ZERO = "C/N0 written as 0 is counted by the reference; here it means not tracked (NMEA 0183 v4.11)"
NO_TIME = "artificial vector: all bits of the epoch set; observations without a time are left out"
NO_CHECKSUM = "the reference reads no sentence without checksum"
# Differences that are no fault: patterns of file and field, the reason, and words that one of our problems must then hold, so
# that the explanation ends when the problem does.
EXPLAINED = [
    (r"nmea/aerorust-nmea/(nmea1|nmea_with_sat_info)\.log", r"(cells|sum C/N0) of .*", BEFORE, "before the first time of day"),
    (r"nmea/gpsd/(no-fix-to-fix|gp-320fw-2019-04-06-overflow)\.log", r"(cells|sum C/N0) of .*", BEFORE, "before the first time of day"),
    # The sums of C/N0 of these agree.
    (r"nmea/gpsd/gp-320fw-2019-04-07-coldboot\.log", r"cells of .*", ZERO, ""),
    (r"nmea/nmeaparser/NmeaSampleData\.txt\.gz", r"cells of .*", ZERO, ""),
    (r"nmea/gnss_lib_py/nmea_no_checksum\.nmea", r"counts of (GGA|RMC)", NO_CHECKSUM, ""),
    (r"rtcm/rtcm-rs-vectors/msg1(0|1)\d\d_1\.rtcm", r"(epochs at least|satellites|observations of .*)", NO_TIME, "its time is not a time"),
]


def explained(file, field, problems):
    for f, k, why, words in EXPLAINED:
        if re.fullmatch(f, file) and re.fullmatch(k, field) and (not words or any(words in p for p in problems)):
            return why
    return None


class Check:
    """Collects what was compared of one file."""

    def __init__(self, file):
        self.file, self.compared, self.wrong, self.known, self.problems = file, 0, [], [], []

    def same(self, field, ours, theirs, tolerance=0.0):
        self.compared += 1
        numbers = all(isinstance(v, (int, float)) for v in (ours, theirs))
        if abs(ours - theirs) <= tolerance if numbers else ours == theirs:
            return
        why = explained(self.file, field, self.problems)
        if why:
            self.known.append(f"explained: {why}")
        else:
            self.wrong.append(f"{field}: ours {ours}, reference {theirs}")


def group_signals(signals, system, codes):
    """Satellites' cells and mean C/N0 of some signals of a system, together."""
    picked = [s for s in signals if s["signal"][0] in system and s["signal"][1:] in codes]
    cells = sum(s["observations"] for s in picked)
    mean = sum(s.get("cn0_mean_dbhz", 0.0) * s["observations"] for s in picked) / cells if cells else None
    return cells, mean


def nmea(check, look, v):
    check.same("bytes", look["bytes"]["total"], v["bytes_decompressed"])
    bad = v["bad_checksums"]
    check.same("failed checks", look["failed_checks"], bad)
    ours, theirs = look.get("counts", {}), v["sentence_counts"]
    if bad:
        # The reference counts the types of damaged sentences too.
        check.same("sentences", sum(ours.values()) + bad, sum(theirs.values()))
        check.same("types with more sentences", [k for k, n in ours.items() if n > theirs.get(k, 0)], [])
    else:
        for kind in sorted(ours.keys() | theirs.keys()):
            check.same(f"counts of {kind}", ours.get(kind), theirs.get(kind))
    gga = v.get("gga")
    if gga:
        for q in sorted(look.get("qualities", {}).keys() | gga["quality_counts"].keys()):
            check.same(f"quality {q!r}", look.get("qualities", {}).get(q), gga["quality_counts"].get(q))
        age = look.get("correction_age_s", {})
        for key in ("min", "mean", "max"):
            check.same(f"age {key}", age.get(key), gga[f"age_{key}"], 1e-3)
        stations = sorted(int(k) for k in gga["station_ids"] if k != "empty")
        check.same("station ids", look.get("station_ids", []), stations)
    signals = look.get("signals", [])
    total = sum(g["n_with_snr"] for g in v.get("gsv_cn0", {}).values())
    check.same("cells of all satellite lists", sum(s["observations"] for s in signals), total)
    if total:
        # Sums: cells with 0 do not change them. The reference's means are rounded to 0.001.
        theirs = sum((g["mean_snr"] or 0.0) * g["n_with_snr"] for g in v["gsv_cn0"].values())
        cells, mean = group_signals(signals, "GRECJSI", {s["signal"][1:] for s in signals})
        check.same("sum C/N0 of all satellite lists", cells * (mean or 0.0), theirs, 6e-4 * total + 1e-6)
    # By system and signal, where each talker's satellites are of one system; PQ has a system id that the reference leaves out.
    groups = {}
    for key, g in v.get("gsv_cn0", {}).items():
        talker, _, number = key.partition(":")
        system = oracle.TALKERS.get(talker)
        if system and not any(k.startswith("PQ") for k in v["gsv_cn0"]):
            # A list of GPS holds SBAS and QZSS satellites too: those are signals of their own here.
            name = ("GSJ" if system == "G" else system, oracle.signal_of_id(system, number)[1:])
            n, total = groups.get(name, (0, 0.0))
            groups[name] = n + g["n_with_snr"], total + (g["mean_snr"] or 0.0) * g["n_with_snr"]
    for (system, code), (n, total) in groups.items():
        if n and not ("J" in system and any(k.startswith(("QZ", "GQ")) for k in v["gsv_cn0"])):
            cells, mean = group_signals(signals, system, {code})
            check.same(f"cells of {system} {code}", cells, n)
            check.same(f"sum C/N0 of {system} {code}", cells * (mean or 0.0), total, 6e-4 * n + 1e-6)


LEGACY = {**dict.fromkeys(range(1001, 1005), "G"), **dict.fromkeys(range(1009, 1013), "R")}


def system_of(message):
    return LEGACY.get(int(message)) or oracle.MSM_SYSTEMS.get(message[:3])


def rtcm(check, look, v):
    check.same("bytes", look["bytes"]["total"], v["file_bytes"])
    counts = {k: n for k, n in look.get("counts", {}).items() if k.isdigit()}
    for k in sorted(counts.keys() | v["message_counts"].keys()):
        check.same(f"counts of {k}", counts.get(k), v["message_counts"].get(k))
    check.same("frames", sum(counts.values()), v["frames_crc_ok"])
    check.same("failed checks", look["failed_checks"], v["crc_failures_at_candidates"])
    # The reference library shows no station id of 1029 and MSM 2, which have one by the standard (RTCM 10403.x).
    shown = not any(k == "1029" or re.fullmatch(r"1(0[789]|1[0123])2", k) for k in counts)
    theirs = sorted(int(k) for k in v.get("station_ids", {}))
    ours = look.get("station_ids", [])
    check.same("station ids", ours if shown else sorted(set(ours) & set(theirs)), theirs)
    positions = [(p["station_id"], p["x_m"], p["y_m"], p["z_m"]) for p in look.get("positions", [])]
    points = sorted({(p["station"], p["x"], p["y"], p["z"]) for p in v.get("reference_points", [])})
    for p in points:
        near = [q for q in positions if q[0] == p[0] and all(abs(a - b) <= 1e-3 for a, b in zip(q[1:], p[1:]))]
        check.same(f"positions at {p}", len(near) > 0, True)
    check.same("positions", len({p for p in positions}) , len(points))
    # Words of 1007 and 1008 are a part of those of 1033.
    strip = lambda w: (w or "").rstrip(" \0")
    ours = {(d["antenna"], d["receiver"], d["firmware"]) for d in look.get("descriptions", [])}
    theirs = {(strip(d["antenna"]), strip(d["receiver"]), strip(d["firmware"])) for d in v.get("descriptors", [])}
    for d in sorted(theirs):
        # A message without receiver words (1007, 1008) adds nothing to one that has them (1033).
        found = d in ours or (d[1:] == ("", "") and any(d[0] == o[0] for o in ours))
        check.same(f"description {d}", found or not any(d), True)
    check.same("descriptions not in the reference", sorted(ours - theirs), [])
    observables(check, look, v)


def observables(check, look, v):
    distinct = [e["distinct"] for e in v.get("epochs", {}).values()]
    if distinct:
        # The reference counts by message; all messages together lie between the largest and the sum.
        epochs = look.get("epochs", 0)
        check.same("epochs at least", epochs >= max(distinct), True)
        check.same("epochs at most", epochs <= sum(distinct), True)
    by_system = {}
    for message, n in v.get("satellites", {}).items():
        by_system.setdefault(system_of(message), []).append(n)
    if by_system and all(len(n) == 1 for n in by_system.values()):
        check.same("satellites", look.get("satellites", 0), sum(n[0] for n in by_system.values()))
    cells = {}
    for part, key in (("mean_cnr_dbhz", "n"), ("zero_cnr_cells", None)):
        for name, value in v.get(part, {}).items():
            message, code = name.split(" ")
            system = system_of(message)
            n, known, total = cells.get((system, code), (0, 0, 0.0))
            if key:
                cells[system, code] = n + value["n"], known + value["n"], total + value["mean"] * value["n"]
            else:
                cells[system, code] = n + value, known, total
    # Where one system comes in several families of messages, ours are all of them together: not comparable.
    carriers = {}
    for m in v.get("satellites", {}):
        carriers.setdefault(system_of(m), set()).add(m)
    cells = {k: c for k, c in cells.items() if len(carriers.get(k[0], ())) == 1}
    signals = look.get("signals", [])
    # Legacy messages give no RINEX code: L1 is code 1C or 1P, L2 one of 2C 2X 2P 2D 2W.
    codes = {"L1": {"1C", "1P"}, "L2": {"2C", "2X", "2P", "2D", "2W"}}
    for (system, code), (n, known, total) in sorted(cells.items()):
        # "/": a signal id that the standard reserves; here it keeps its number.
        of = codes.get(code) or ({s["signal"][1:] for s in signals if s["signal"][1] == "?"} if code == "/" else {code})
        systems = "GS" if system == "G" and code in codes else system
        picked = [s for s in signals if s["signal"][0] in systems and s["signal"][1:] in of]
        check.same(f"observations of {system} {code}", sum(s["observations"] for s in picked), n)
        means = [s for s in picked if "cn0_mean_dbhz" in s]
        if known == n and n and len(means) == len(picked):
            weight = sum(s["observations"] for s in means)
            mean = sum(s["cn0_mean_dbhz"] * s["observations"] for s in means) / weight if weight else None
            check.same(f"mean C/N0 of {system} {code}", mean, total / known, 1e-2)
        elif known and len(means) == 1:
            check.same(f"mean C/N0 of {system} {code}", means[0]["cn0_mean_dbhz"], total / known, 1e-2)


def run(job):
    binary, data, kind, v = job
    check = Check(v["file"])
    try:
        files = oracle.look(binary, os.path.join(data, v["file"]))["files"]
    except RuntimeError as e:
        check.same("look", str(e), "an answer")
        return check
    if len(files) != 1:
        check.same("files", len(files), 1)
        return check
    check.problems = [p["what"] for p in files[0].get("problems", [])]
    {"nmea": nmea, "rtcm": rtcm}[kind](check, files[0], v)
    return check


def entries(data):
    """Reference entries, by file or several in one JSON."""
    for kind in ("nmea", "rtcm"):
        for path in sorted(pathlib.Path(data, "reference", kind).rglob("*.json")):
            value = json.loads(path.read_text(encoding="utf-8"))
            for v in [value] if "file" in value else value.values():
                yield kind, v


def main():
    if len(sys.argv) != 2:
        print(__doc__)
        return 2
    told = os.environ.get("LOSTFIX_SHARED_DATA")
    data = pathlib.Path(told) if told else pathlib.Path(__file__).resolve().parents[2] / "../shared/data"
    if not (data / "reference").is_dir():
        print(f"references: skipped, no shared data at {data} (set LOSTFIX_SHARED_DATA)")
        print("0 passed, 0 failed")
        return 0
    jobs = [(sys.argv[1], str(data), kind, v) for kind, v in entries(data)]
    total, bad, used, folders = 0, 0, set(), {}
    with multiprocessing.Pool() as pool:
        for check in pool.imap(run, jobs):
            folder = os.path.dirname(check.file)
            # Folders with a message a file are one row.
            name = folder + "/*" if folder.endswith(("vectors", "frames")) else check.file
            row = folders.setdefault(name, [0, 0, 0, 0, []])
            row[0] += 1
            row[1] += check.compared
            row[2] += len(check.wrong)
            row[3] += len(check.known)
            row[4] += [f"  {check.file}: {line}" for line in check.wrong] + [f"  {check.file}: {why}" for why in sorted({k for k in check.known})]
    print(f"{'file':58} {'files':>5} {'values':>6} {'differ':>6} {'explained':>9}")
    for name, (files, compared, wrong, known, lines) in folders.items():
        print(f"{name:58} {files:5} {compared:6} {wrong:6} {known:9}")
        # One reason many times (a message a file) is one line.
        reasons = [line.partition(": explained: ")[2] for line in lines]
        for why in sorted(set(reasons) - {""}):
            print(f"  explained in {reasons.count(why)} files: {why}")
        print("\n".join(line for line, why in zip(lines, reasons) if not why), end="\n" if len(lines) > sum(map(bool, reasons)) else "")
        total, bad = total + compared, bad + wrong
    print(f"{len(jobs)} reference entries, {total} values compared")
    print(f"{total - bad} passed, {bad} failed")
    return 1 if bad or not total else 0


if __name__ == "__main__":
    sys.exit(main())
