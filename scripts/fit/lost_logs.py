"""Takes the bundles of every second base out of practice fleets.

usage: lost_logs.py FLEET...        the fleets are changed; their truth stays where it is
"""
import pathlib, re, shutil, sys

BASE = re.compile(r"[A-Z]{2}\d+-BASE")


def take(fleet):
    """Number of bases, of those hit, and of bundles or files taken."""
    found = sorted(pathlib.Path(fleet).rglob("*-BASE_*"), key=lambda p: -len(p.parts))
    units = sorted({m[0] for p in found for m in [BASE.search(p.name)] if m})
    gone = 0
    for path in found:
        unit = BASE.search(path.name)
        if path.exists() and unit and units.index(unit[0]) % 2 == 0:
            shutil.rmtree(path) if path.is_dir() else path.unlink()
            gone += 1
    return len(units), (len(units) + 1) // 2, gone


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    for fleet in sys.argv[1:]:
        print("%s: %d bases, %d without logs now, %d bundles or files taken away" % (fleet, *take(fleet)))
