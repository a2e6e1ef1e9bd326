#!/usr/bin/env python3
"""Navigation files of `lostfix practice` read by georinex, and beside them the broadcast messages of the same base read by pyrtcm.

    practice_check.py BINARY

Two invented sites are made in a temporary folder. Every record of the RINEX 3.04 navigation file must come out of georinex, and every
ephemeris in the base's RTCM stream (1019, 1020, 1042, 1045, 1046) must say the same as the record of its satellite and time, to half of
the last bit of its field (RTCM 10403.x, tables of the ephemeris messages). Nothing of the program is used but what it wrote. Last
line: `N passed, N failed`.
"""

import datetime
import math
import pathlib
import subprocess
import sys
import tempfile
import warnings

import georinex
import numpy as np
from pyrtcm import RTCMReader

import oracle

SCENARIO = """name = "navigation"
hours = 1.0
days = 1
confounders = false
start = "2026-03-07"

[output]
bundles = "folder"
rinex_nav = true

[[site]]
id = "larkhill"
latitude = 46.0
longitude = 8.0
rovers = 1
systems = 4

[[site]]
id = "saltmere"
latitude = -12.0
longitude = -140.0
rovers = 1
systems = 4
"""

# Unit of the last bit; angles in semicircles (RTCM 10403.x DF076 to DF103, DF289 to DF315, DF488 to DF515).
KEPLER = {
    # name in georinex: (last bit, angle in semicircles in the message)
    "SVclockBias": None, "SVclockDrift": None,
    "M0": (2.0**-31, True), "Eccentricity": (2.0**-33, False), "sqrtA": (2.0**-19, False), "Omega0": (2.0**-31, True),
    "Io": (2.0**-31, True), "omega": (2.0**-31, True), "OmegaDot": (2.0**-43, True),
}  # fmt: skip
MESSAGES = {
    # number: system, satellite, toe, then the fields above
    "1019": ("G", "DF009", "DF093", ("DF084", "DF083", "DF088", "DF090", "DF092", "DF095", "DF097", "DF099", "DF100")),
    "1045": ("E", "DF252", "DF304", ("DF296", "DF295", "DF299", "DF301", "DF303", "DF306", "DF308", "DF310", "DF311")),
    "1046": ("E", "DF252", "DF304", ("DF296", "DF295", "DF299", "DF301", "DF303", "DF306", "DF308", "DF310", "DF311")),
    "1042": ("C", "DF488", "DF505", ("DF496", "DF495", "DF500", "DF502", "DF504", "DF507", "DF509", "DF511", "DF512")),
}
# Last bits of the clock: offset s, drift s/s.
CLOCK = {"G": (2.0**-31, 2.0**-43), "E": (2.0**-34, 2.0**-46), "C": (2.0**-33, 2.0**-50)}


# One for every satellite: georinex merges as xarray will not do by default one day.
warnings.simplefilter("ignore", FutureWarning)


class Tally:
    def __init__(self):
        self.passed, self.failed = 0, 0

    def say(self, good, text):
        self.passed, self.failed = self.passed + bool(good), self.failed + (not good)
        if not good and self.failed <= 20:
            print("  " + text)


def records(text):
    """Satellite and clock time of every record, by the columns of RINEX 3.04 table A5."""
    body = text.split("END OF HEADER", 1)[1].splitlines()[1:]
    return {(x[:3], datetime.datetime(*(int(v) for v in x[4:23].split()))) for x in body if x[:1] in ("G", "R", "E", "C")}


def wrapped(a, b):
    """Difference of two angles in semicircles."""
    return (a - b + 1) % 2 - 1


def kepler(tally, nav, number, m):
    """One ephemeris message against its record; False when there is none."""
    system, satellite, toe, fields = MESSAGES[number]
    sv = f"{system}{getattr(m, satellite):02}"
    if sv not in nav.sv.values:
        return tally.say(False, f"{number} {sv}: not in the navigation file")
    of_sv = nav.sel(sv=sv)
    here = [t for t in of_sv.time.values if abs(float(of_sv["Toe"].sel(time=t)) - getattr(m, toe)) < 0.5]
    if len(here) != 1:
        return tally.say(False, f"{number} {sv} toe {getattr(m, toe)}: {len(here)} records")
    for name, field, spec in zip(KEPLER, fields, KEPLER.values()):
        ours, sent = float(of_sv[name].sel(time=here[0])), getattr(m, field)
        if spec is None:
            bit, difference = CLOCK[system]["SVclockDrift" == name], ours - sent
        elif spec[1]:
            bit, difference = spec[0], wrapped(ours / math.pi, sent)
        else:
            bit, difference = spec[0], ours - sent
        # The file has twelve digits after the point: 1e-12 of the value beside half a bit.
        tally.say(abs(difference) <= bit * 0.5 + 2e-12 * max(abs(ours), 1e-30), f"{number} {sv} {name}: file {ours!r}, message {sent!r}, bit {bit:g}")


def glonass(tally, nav, m, day):
    sv = f"R{m.DF038:02}"
    # tb: quarters of an hour of the Moscow day (DF110, here in seconds or counts as the library gives it).
    tb = m.DF110 if m.DF110 >= 96 else m.DF110 * 900
    of_day = (tb - 3 * 3600) % 86_400
    if sv not in nav.sv.values:
        return tally.say(False, f"1020 {sv}: not in the navigation file")
    of_sv = nav.sel(sv=sv)
    here = [t for t in of_sv.time.values if (t - np.datetime64(day, "s")) / np.timedelta64(1, "s") % 86_400 == of_day and not np.isnan(float(of_sv["X"].sel(time=t)))]
    if len(here) != 1:
        return tally.say(False, f"1020 {sv} tb {tb}: {len(here)} records")
    for axis, at, speed in (("X", "DF112", "DF111"), ("Y", "DF115", "DF114"), ("Z", "DF118", "DF117")):
        # km with last bits 2^-11 km and 2^-20 km/s; georinex gives metres.
        for name, field, bit in ((axis, at, 2.0**-11), ("d" + axis, speed, 2.0**-20)):
            ours, sent = float(of_sv[name].sel(time=here[0])) / 1e3, getattr(m, field)
            tally.say(abs(ours - sent) <= bit * 0.5 + 2e-12 * abs(ours), f"1020 {sv} {name}: file {ours!r} km, message {sent!r}")
    tally.say(float(of_sv["FreqNum"].sel(time=here[0])) == m.DF040 - 7, f"1020 {sv}: channel {m.DF040 - 7}")


def base(tally, bundle):
    nav_path = next(bundle.rglob("*.rnx"))
    want = records(nav_path.read_text())
    nav = georinex.load(nav_path)
    have = set()
    for sv in nav.sv.values:
        # A second issue of one satellite at one time would get a name of its own (G01_1): none here.
        key = "sqrtA" if sv[0] != "R" else "X"
        for t in nav.time.values[~np.isnan(nav[key].sel(sv=sv).values)]:
            have.add((str(sv), t.astype("datetime64[s]").astype(datetime.datetime)))
    for r in sorted(want | have):
        tally.say(r in want and r in have, f"{nav_path.name}: {r}: {'only in the file' if r in want else 'only in georinex'}")
    done = set()
    for name, data in oracle.contents(bundle).items():
        if name.endswith(".rnx"):
            continue
        for frame in oracle.frames(data)[0]:
            number = str(frame[3] << 4 | frame[4] >> 4)
            if frame in done or number not in (*MESSAGES, "1020"):
                continue
            done.add(frame)
            m = RTCMReader.parse(frame, validate=0)
            if number == "1020":
                glonass(tally, nav, m, min(want, key=lambda r: r[1])[1].date())
            else:
                kepler(tally, nav, number, m)
    print(f"{bundle.name}: {len(want)} records, {len({s for s, _ in want})} satellites; {len(done)} different ephemeris messages")
    tally.say(len(want) > 50 and len(done) > 30, f"{bundle.name}: too little to compare")


def main():
    if len(sys.argv) != 2:
        print(__doc__)
        return 2
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        scenario, fleet = pathlib.Path(folder, "navigation.toml"), pathlib.Path(folder, "fleet")
        scenario.write_text(SCENARIO)
        subprocess.run([sys.argv[1], "practice", scenario, "--seed", "7", "--out", fleet, "--quiet"], check=True)
        bases = sorted(p.parent if p.parent.name != "data" else p.parent.parent for p in fleet.rglob("*.rnx"))
        for bundle in bases:
            base(tally, bundle)
        tally.say(len(bases) == 2, f"{len(bases)} navigation files")
    print(f"{tally.passed} passed, {tally.failed} failed")
    return 1 if tally.failed or not tally.passed else 0


if __name__ == "__main__":
    sys.exit(main())
