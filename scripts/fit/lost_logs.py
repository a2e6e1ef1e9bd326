"""Takes logs of bases out of practice fleets: all of every second base, or (take_days) half of the days of each base.

usage: lost_logs.py FLEET...        every second base; the fleets are changed; their truth stays where it is
"""
import pathlib, re, shutil, sys, zipfile

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


DAY = re.compile(r"(20\d\d)-?(\d\d)-?(\d\d)")


def day_of(name):
    found = DAY.search(pathlib.PurePath(name).name)
    return found and "".join(found.groups())


def without_days(archive, gone):
    """Leaves the files of some days out of a zip; removes it when nothing but cards is left. Number of files taken."""
    with zipfile.ZipFile(archive) as z:
        names = z.namelist()
        kept = [n for n in names if day_of(n) not in gone]
        if len(kept) == len(names):
            return 0
        parts = [(z.getinfo(n), z.read(n)) for n in kept]
    archive.unlink()
    if any(day_of(n) for n in kept):
        with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as z:
            for info, data in parts:
                z.writestr(info, data)
    return len(names) - len(kept)


def take_days(fleet, rng):
    """Of each base the logs of half of its days, drawn by RNG. Number of bases and of files taken."""
    of = {}
    for path in sorted(pathlib.Path(fleet).rglob("*")):
        unit = BASE.search(str(path.relative_to(fleet)))
        if unit and path.is_file():
            of.setdefault(unit[0], []).append(path)
    taken = 0
    for unit in sorted(of):
        days = set()
        for path in of[unit]:
            days |= {day_of(n) for n in (zipfile.ZipFile(path).namelist() if zipfile.is_zipfile(path) else [path.name])} - {None}
        gone = set(rng.sample(sorted(days), (len(days) + 1) // 2))
        for path in of[unit]:
            if zipfile.is_zipfile(path):
                taken += without_days(path, gone)
            elif day_of(path.name) in gone:
                path.unlink()
                taken += 1
    return len(of), taken


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    for fleet in sys.argv[1:]:
        print("%s: %d bases, %d without logs now, %d bundles or files taken away" % (fleet, *take(fleet)))
