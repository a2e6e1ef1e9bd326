#!/usr/bin/env python3
"""Compares `lostfix look --json` with pynmeagps and pyrtcm, field by field, on every sample bundle.

    samples.py BINARY SAMPLE-FOLDER

Exit 0 when all agree, 1 when something differs (printed) or nothing was compared. Last line: `N passed, N failed`.
"""

import multiprocessing
import os
import sys

import oracle

READERS = {"nmea": oracle.nmea, "rtcm3": oracle.rtcm}


def bundles(root):
    """Folders below the site folders are bundles, and so is every zip."""
    for folder, folders, names in os.walk(root):
        depth = os.path.relpath(folder, root).count(os.sep)
        if os.path.relpath(folder, root) != "." and depth == 0:
            yield from (os.path.join(folder, n) for n in sorted(folders) + sorted(names))


def guess(data):
    """What the bytes are, told without the project: frames, sentences or neither."""
    head = data[:65_536]
    if len(oracle.SENTENCE.findall(head)) >= 3:
        return "nmea"
    return "rtcm3" if len(oracle.frames(data[:4096])[0]) >= 2 else None


def compare(job):
    """Values compared and lines about differences of one bundle."""
    binary, path = job
    try:
        entries = {e["path"]: e for e in oracle.look(binary, path)["files"]}
    except RuntimeError as e:
        return path, 1, [str(e)]
    compared, wrong = 0, []
    for name, data in oracle.contents(path).items():
        kind = guess(data)
        if kind is None:
            continue
        compared += 1
        entry = entries.get(name)
        if entry is None or entry["format"] != kind:
            wrong.append(f"{path}: {name}: {kind} for the outside decoder, {entry['format'] if entry else 'not listed'} here")
            continue
        ours, theirs = oracle.flat(entry), READERS[kind](data)
        for field in sorted(ours.keys() | theirs.keys()):
            if field == "date" and field not in theirs:
                continue  # the date came from the bundle, not from the stream
            compared += 1
            a, b = ours.get(field), theirs.get(field)
            if not oracle.near(field, a, b):
                wrong.append(f"{path}: {name}: {field}: ours {a}, outside {b}")
    return path, compared, wrong


def main():
    if len(sys.argv) != 3:
        print(__doc__)
        return 2
    jobs = [(sys.argv[1], p) for p in bundles(os.path.join(sys.argv[2], "bundles"))]
    total, bad, empty = 0, 0, 0
    with multiprocessing.Pool() as pool:
        for path, compared, wrong in pool.imap(compare, jobs):
            print(f"{os.path.relpath(path, sys.argv[2]):60} {compared:5} values, {len(wrong)} differ")
            for line in wrong:
                print("  " + line)
            total, bad, empty = total + compared, bad + len(wrong), empty + (compared == 0)
    print(f"{len(jobs)} bundles ({empty} without NMEA or RTCM), {total} values compared")
    print(f"{total - bad} passed, {bad} failed")
    return 1 if bad or not total else 0


if __name__ == "__main__":
    sys.exit(main())
