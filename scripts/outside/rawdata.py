"""The sample bundles as plain rows, read without any code of the project: NMEA by plain splitting, RTCM 3 by pyrtcm, CSV by the csv
module, cards by tomllib. For evidence_check.py."""

import bisect
import collections
import csv
import datetime
import io
import math
import multiprocessing
import os
import re
import tomllib

import oracle
from pyrtcm import RTCMReader, parse_msm

UTC = datetime.timezone.utc
LIGHT_M_S = 299_792_458.0
# Time of a log line: RFC 3339 (RFC 5424 syslog).
STAMP = r"\d{4}-\d\d-\d\dT[\d:.]+(?:Z|[+-]\d\d:\d\d)"
# L band of a RINEX code's first letter, by system (RINEX 3.05 tables 4 to 10).
BANDS = {
    "G": {"1": "L1", "2": "L2", "5": "L5"},
    "R": {"1": "L1", "2": "L2", "3": "L5"},
    "E": {"1": "L1", "5": "L5", "7": "L5", "8": "L5", "6": "L6"},
    "C": {"1": "L1", "2": "L1", "5": "L5", "7": "L5", "6": "L6"},
    "J": {"1": "L1", "2": "L2", "5": "L5", "6": "L6"},
    "S": {"1": "L1", "5": "L5"},
}
# Carrier by the code's first letter, MHz (RINEX 3.05 tables 4 to 10); GLONASS by channel, which MSM4 does not tell: left out.
MHZ = {
    "G": {"1": 1575.42, "2": 1227.60, "5": 1176.45},
    "E": {"1": 1575.42, "5": 1176.45, "6": 1278.75, "7": 1207.14, "8": 1191.795},
    "C": {"1": 1575.42, "2": 1561.098, "5": 1176.45, "6": 1268.52, "7": 1207.14, "8": 1191.795},
}
# Semi-codeless GPS L2 is far weaker than L2C: a band of its own.
SEMI_CODELESS = "WPYDNM"


def band_of(system, code):
    """L band of a RINEX code."""
    band = BANDS.get(system, {}).get(code[0])
    return "L2W" if system == "G" and code[0] == "2" and code[1:2] in SEMI_CODELESS else band


def lock_ms(indicator, extended):
    """Shortest and longest lock time that an indicator stands for, ms (RTCM 10403.x tables 3.5-74, DF402, and 3.5-75, DF407)."""
    if not extended:
        return (0 if indicator == 0 else 16 * 2**indicator, 16 * 2 ** (indicator + 1) if indicator < 15 else math.inf)
    least = lambda i: i if i < 64 else 2 ** (i // 32 - 1) * (i - 32 * (i // 32 - 1))
    return (least(indicator), least(indicator + 1) if indicator < 704 else math.inf)


def seconds(text):
    """s since 1970 of an RFC 3339 text; UTC without a zone."""
    t = datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))
    return (t if t.tzinfo else t.replace(tzinfo=UTC)).timestamp()


def stamp_of(line, day):
    """Time of a syslog line (RFC 5424, or RFC 3164 with the year of the bundle), s since 1970; None without one."""
    found = re.search(STAMP, line)
    if found:
        return seconds(found.group())
    found = re.match(r"(?:<\d+>)?([A-Z][a-z]{2} [ \d]\d \d\d:\d\d:\d\d) ", line)
    if not found:
        return None
    if day is None:
        return None
    return datetime.datetime.strptime(f"{day.year} {found.group(1)}", "%Y %b %d %H:%M:%S").replace(tzinfo=UTC).timestamp()


def distance_m(lat1, lon1, lat2, lon2):
    """Haversine on a sphere of 6371 km."""
    a, b, d = math.radians(lat1), math.radians(lat2), math.radians(lon2 - lon1)
    h = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(d / 2) ** 2
    return 2 * 6_371_000 * math.asin(math.sqrt(h))


Fix = collections.namedtuple("Fix", "t quality age lat lon")


Cell = collections.namedtuple("Cell", "sat band cn0 lock phase_m mhz")
# Satellite systems of NMEA talkers.
TALKERS = {"GP": "G", "GL": "R", "GA": "E", "GB": "C", "BD": "C", "GQ": "J"}


def nmea(data, day):
    """GGA epochs in order and cells with a C/N0 by epoch. `day`: first day when no record tells."""
    fixes, levels, date, last = [], collections.defaultdict(list), day, None
    for line in data.split(b"\n"):
        body, star, _ = line.strip().partition(b"*")
        if not star or not body.startswith(b"$"):
            continue
        f = body.decode("ascii", "replace")[1:].split(",")
        kind = f[0][-3:]
        if kind == "RMC" and len(f) > 9 and f[2] == "A" and f[9]:
            date = datetime.date(2000 + int(f[9][4:6]), int(f[9][2:4]), int(f[9][:2]))
            last = f[1]
        elif kind == "ZDA" and len(f) > 4 and f[4]:
            date, last = datetime.date(int(f[4]), int(f[3]), int(f[2])), f[1]
        elif kind == "GGA" and len(f) > 13 and f[1]:
            # Past midnight before a record says so.
            if last and float(f[1]) < float(last) - 120_000:
                date = date + datetime.timedelta(days=1)
            last = f[1]
            h, m, s = int(f[1][:2]), int(f[1][2:4]), float(f[1][4:])
            t = datetime.datetime(date.year, date.month, date.day, tzinfo=UTC).timestamp() + h * 3600 + m * 60 + s
            deg = lambda v, w, n: (int(v[:n]) + float(v[n:]) / 60) * (-1 if w in "SW" else 1) if v else math.nan
            fixes.append(Fix(t, int(f[6] or 0), float(f[13]) if f[13] else math.nan, deg(f[2], f[3], 2), deg(f[4], f[5], 3)))
        elif kind == "GSV" and fixes:
            system = TALKERS.get(f[0][:2], "?")
            # NMEA 0183 v4.10 and later: one field more, the signal.
            signal = f[-1] if (len(f) - 4) % 4 == 1 else None
            code = oracle.signal_of_id(system, signal)[1:] if system != "?" else "?"
            for i in range(4, len(f) - 3, 4):
                if f[i + 3].isdigit() and int(f[i + 3]):
                    cell = Cell(system + f[i], band_of(system, code), float(f[i + 3]), None, math.nan, None)
                    levels[fixes[-1].t].append(cell)
    return fixes, levels


def rtcm(data, day):
    """Cells by epoch (s since 1970), and what else is needed: the last reference position (`position`, ECEF m), how many station
    messages came after which epoch (`station`), GPS ephemerides (`orbits`). `day`: a day within half a week of the data."""
    epochs, other = collections.defaultdict(list), {"position": None, "station": collections.Counter(), "orbits": {}}
    latest = None
    noon = datetime.datetime(day.year, day.month, day.day, 12, tzinfo=UTC).timestamp()
    found, _ = oracle.frames(data)
    for frame in found:
        number = str(frame[3] << 4 | frame[4] >> 4)
        if number in ("1005", "1006", "1007", "1008", "1013", "1033", "1230"):
            other["station"][latest] += 1
        # The rest costs time and is not needed.
        if number not in ("1005", "1006", "1019") and number[:3] not in oracle.MSM_SYSTEMS:
            continue
        m = RTCMReader.parse(frame, validate=0)
        if number in ("1005", "1006"):
            other["position"] = (m.DF025, m.DF026, m.DF027)
        if number == "1019":
            other["orbits"][f"G{m.DF009}"] = m
        if not m.ismsm:
            continue
        meta, satellites, cells = parse_msm(m)
        # Rough range, ms: DF397 whole (255: none), DF398 the rest.
        rough = {s["PRN"]: s["DF397"] + s["DF398"] for s in satellites if s.get("DF397", 255) != 255 and "DF398" in s}
        system = oracle.MSM_SYSTEMS[number[:3]]
        of_day = oracle.of_day_ms(system, m, meta["epoch"]) / 1000
        # The day nearest to noon of the given day, or the week's day for systems that count the week.
        base = noon - 43_200
        if system == "R":
            t = min((base + of_day + d * 86_400 for d in (-1, 0, 1)), key=lambda x: abs(x - noon))
            last = max(epochs, default=None)
            t = t if last is None else min((t + d * 86_400 for d in (-1, 0, 1)), key=lambda x: abs(x - last))
        else:
            gps = noon - datetime.datetime(1980, 1, 6, tzinfo=UTC).timestamp() + 18
            week = meta["epoch"] / 1000 + (14 if system == "C" else 0)
            t = noon + (week - gps + 302_400) % 604_800 - 302_400
        latest = round(t, 3)
        for c in cells:
            code = c["CELLSIG"]
            cn0 = c.get("DF408", c.get("DF403")) or None
            lock = lock_ms(c["DF407"], True) if "DF407" in c else lock_ms(c["DF402"], False) if "DF402" in c else None
            # DF401 -2^21 and DF406 -2^23 of their units: none.
            fine = c.get("DF406", c.get("DF401"))
            there = fine is not None and abs(fine + 2**-8) > 1e-12 and c["CELLPRN"] in rough
            phase_m = (rough[c["CELLPRN"]] + fine) * LIGHT_M_S / 1000 if there else math.nan
            mhz = MHZ.get(system, {}).get(code[0])
            epochs[latest].append(Cell(system + str(int(c["CELLPRN"])), band_of(system, code), cn0, lock, phase_m, mhz))
    return epochs, other


def azimuth_elevation(orbit, station, t):
    """Direction of a GPS satellite from an ephemeris (1019; IS-GPS-200 table 20-IV), degrees; `station` in ECEF m, `t` s since 1970.
    Neither the way of the signal nor the clock is taken into account: together less than 0.01 degrees."""
    import pymap3d

    gps = t + 18 - datetime.datetime(1980, 1, 6, tzinfo=UTC).timestamp()
    tk = (gps - orbit.DF093 + 302_400) % 604_800 - 302_400
    a, e = orbit.DF092**2, orbit.DF090
    pi = 3.1415926535898
    mean = orbit.DF088 * pi + (math.sqrt(3.986005e14 / a**3) + orbit.DF087 * pi) * tk
    ecc = mean
    for _ in range(12):
        ecc = mean + e * math.sin(ecc)
    true = math.atan2(math.sqrt(1 - e * e) * math.sin(ecc), math.cos(ecc) - e)
    phi = true + orbit.DF099 * pi
    s2, c2 = math.sin(2 * phi), math.cos(2 * phi)
    u = phi + orbit.DF091 * s2 + orbit.DF089 * c2
    r = a * (1 - e * math.cos(ecc)) + orbit.DF086 * s2 + orbit.DF098 * c2
    i = orbit.DF097 * pi + orbit.DF096 * s2 + orbit.DF094 * c2 + orbit.DF079 * pi * tk
    rate = 7.2921151467e-5
    node = orbit.DF095 * pi + (orbit.DF100 * pi - rate) * tk - rate * orbit.DF093
    x, y = r * math.cos(u), r * math.sin(u)
    ecef = (
        x * math.cos(node) - y * math.cos(i) * math.sin(node), x * math.sin(node) + y * math.cos(i) * math.cos(node), y * math.sin(i)
    )
    az, el, _ = pymap3d.ecef2aer(*ecef, *pymap3d.ecef2geodetic(*station))
    return float(az), float(el)


def geodetic(xyz):
    """Latitude and longitude in degrees of ECEF m (WGS 84, Bowring)."""
    import pymap3d

    lat, lon, _ = pymap3d.ecef2geodetic(*xyz)
    return float(lat), float(lon)


def parse(job):
    """A stream file: format, rows, the rest. Runs in a process of its own."""
    data, day = job
    return ("rtcm", *rtcm(data, day)) if data[:1] == b"\xd3" else ("nmea", *nmea(data, day))


class Samples:
    """All bundles of a folder; streams are parsed at once by all processors, the rest when asked."""

    def __init__(self, folder):
        self.folder, self._files, self._parsed = folder, {}, {}
        with open(os.path.join(folder, "fleet.toml"), "rb") as f:
            self.fleet = tomllib.load(f)
        self.units = collections.defaultdict(list)
        for place, folders, names in os.walk(os.path.join(folder, "bundles")):
            bundles = [n for n in names if n.endswith(".zip")]
            bundles += [n for n in folders if os.path.exists(os.path.join(place, n, "unit.toml")) or re.match(r"[A-Z0-9]+-[A-Z0-9]+_\d{4}", n)]
            for name in sorted(bundles):
                path = os.path.relpath(os.path.join(place, name), folder).replace(os.sep, "/")
                self.units[self.unit(path)].append(path)
        streams = [
            (bundle, name) for bundles in self.units.values() for bundle in bundles
            for name, data in (self.files(bundle) or {}).items() if data[:1] in (b"\xd3", b"$")
        ]
        # The long ones first.
        streams.sort(key=lambda s: self.files(s[0])[s[1]][:1] != b"\xd3")
        with multiprocessing.Pool() as pool:
            jobs = [(self.files(b)[n], self.day(b, n)) for b, n in streams]
            self._parsed.update(zip(streams, pool.map(parse, jobs, chunksize=1)))

    def files(self, bundle):
        """Files of a bundle by path inside, gzip opened; None when there is no such bundle."""
        if bundle not in self._files:
            path = os.path.join(self.folder, bundle)
            self._files[bundle] = oracle.contents(path) if os.path.exists(path) else None
        return self._files[bundle]

    def card(self, bundle):
        for name, data in (self.files(bundle) or {}).items():
            if name.rsplit("/", 1)[-1] == "unit.toml":
                return tomllib.loads(data.decode())
        return {}

    def unit(self, bundle):
        """By its card, else by the register's path pattern, else by its name."""
        card = self.card(bundle)
        return card["unit"]["id"] if card else bundle.rsplit("/", 1)[-1].removesuffix(".zip").split("_")[0]

    def day(self, bundle, name):
        """The day that the card, the name of the file or of the bundle tells."""
        told = re.search(r"(20\d\d)-?(\d\d)-?(\d\d)", name) or re.search(r"(20\d\d)-?(\d\d)-?(\d\d)", bundle)
        return self.card(bundle).get("unit", {}).get("logged_on") or (told and datetime.date(*map(int, told.groups())))

    def parsed(self, bundle, name):
        key = (bundle, name)
        if key not in self._parsed:
            data, day = self.files(bundle)[name], self.day(bundle, name)
            if name.endswith(".csv"):
                self._parsed[key] = ("csv", list(csv.DictReader(io.StringIO(data.decode()))), None)
            else:
                self._parsed[key] = ("text", [(stamp_of(r, day), r) for r in data.decode("utf-8", "replace").splitlines()], None)
        return self._parsed[key]

    def span(self, bundle, name):
        """First and last time of a file, s since 1970; None where the file has none (a card)."""
        kind, rows, _ = self.parsed(bundle, name)
        if kind == "rtcm":
            times = sorted(rows)
        elif kind == "nmea":
            times = [f.t for f in rows]
        elif kind == "csv":
            times = [seconds(r["time"]) for r in rows]
        else:
            times = [t for t, _ in rows if t is not None]
        return (min(times), max(times)) if times else None

    def fixes(self, unit):
        """All epochs of a unit over all its bundles, each time once."""
        key = ("fixes", unit)
        if key not in self._parsed:
            by_time = {}
            for bundle in self.units[unit]:
                for name, data in self.files(bundle).items():
                    if data[:1] == b"$":
                        for f in self.parsed(bundle, name)[1]:
                            by_time.setdefault(f.t, f)
            self._parsed[key] = [by_time[t] for t in sorted(by_time)]
        return self._parsed[key]

    def observed(self, unit):
        """The epochs that count: without the start after a silence of more than 15 min (and at the begin), which lasts until the
        first fix and at most 120 s."""
        key = ("observed", unit)
        if key not in self._parsed:
            out, last, began, fixed = [], None, 0, False
            for f in self.fixes(unit):
                if last is None or f.t - last > 900:
                    began, fixed = f.t, False
                last = f.t
                fixed = fixed or f.quality == 4
                if fixed or f.t - began >= 120:
                    out.append(f)
            self._parsed[key] = out
        return self._parsed[key]

    def position(self, unit):
        """Latitude and longitude that a base sends."""
        for bundle in self.units[unit]:
            for name, data in self.files(bundle).items():
                if data[:1] == b"\xd3" and self.parsed(bundle, name)[2]["position"]:
                    return geodetic(self.parsed(bundle, name)[2]["position"])
        return None


def within(fixes, a, b):
    """Epochs with a <= t < b of a sorted list."""
    time = lambda f: f.t
    return fixes[bisect.bisect_left(fixes, a, key=time) : bisect.bisect_left(fixes, b, key=time)]
