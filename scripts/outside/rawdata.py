"""The sample bundles as plain rows, read without any code of the project: NMEA by plain splitting, RTCM 3 by pyrtcm, CSV by the csv
module, cards by tomllib. For evidence_check.py."""

import bisect
import collections
import csv
import datetime
import io
import math
import os
import re
import tomllib

import oracle
from pyrtcm import RTCMReader, parse_msm

UTC = datetime.timezone.utc
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
    return datetime.datetime.strptime(f"{day.year} {found.group(1)}", "%Y %b %d %H:%M:%S").replace(tzinfo=UTC).timestamp()


def distance_m(lat1, lon1, lat2, lon2):
    """Haversine on a sphere of 6371 km."""
    a, b, d = math.radians(lat1), math.radians(lat2), math.radians(lon2 - lon1)
    h = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(d / 2) ** 2
    return 2 * 6_371_000 * math.asin(math.sqrt(h))


Fix = collections.namedtuple("Fix", "t quality age lat lon")


def nmea(data, day):
    """GGA epochs in order and C/N0 values by epoch. `day`: first day when no record tells."""
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
            for i in range(4, len(f) - 3, 4):
                if f[i + 3].isdigit() and int(f[i + 3]):
                    levels[fixes[-1].t].append(float(f[i + 3]))
    return fixes, levels


Cell = collections.namedtuple("Cell", "sat band cn0 lock")


def rtcm(data, day):
    """Cells by epoch (s since 1970), and the last reference position (ECEF m). `day`: a day within half a week of the data."""
    epochs, position = collections.defaultdict(list), None
    noon = datetime.datetime(day.year, day.month, day.day, 12, tzinfo=UTC).timestamp()
    found, _ = oracle.frames(data)
    for frame in found:
        m = RTCMReader.parse(frame, validate=0)
        number = m.identity.split("_")[0].split("(")[0]
        if number in ("1005", "1006"):
            position = (m.DF025, m.DF026, m.DF027)
        if not m.ismsm:
            continue
        meta, _, cells = parse_msm(m)
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
        for c in cells:
            band = BANDS[system].get(c["CELLSIG"][0])
            cn0 = c.get("DF408", c.get("DF403")) or None
            lock = c.get("DF407", c.get("DF402"))
            epochs[round(t, 3)].append(Cell(system + str(int(c["CELLPRN"])), band, cn0, lock))
    return epochs, position


def geodetic(xyz):
    """Latitude and longitude in degrees of ECEF m (WGS 84, Bowring)."""
    import pymap3d

    lat, lon, _ = pymap3d.ecef2geodetic(*xyz)
    return float(lat), float(lon)


class Samples:
    """All bundles of a folder, parsed when asked."""

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
        return card["unit"]["id"] if card else bundle.rsplit("/", 1)[-1].split("_")[0]

    def parsed(self, bundle, name):
        key = (bundle, name)
        if key not in self._parsed:
            data = self.files(bundle)[name]
            day = self.card(bundle).get("unit", {}).get("logged_on")
            told = re.search(r"(20\d\d)-?(\d\d)-?(\d\d)", name) or re.search(r"(20\d\d)-?(\d\d)-?(\d\d)", bundle)
            day = day or datetime.date(*map(int, told.groups()))
            if data[:1] == b"\xd3":
                self._parsed[key] = ("rtcm", *rtcm(data, day))
            elif data[:1] == b"$":
                self._parsed[key] = ("nmea", *nmea(data, day))
            elif name.endswith(".csv"):
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

    def position(self, unit):
        """Latitude and longitude that a base sends."""
        for bundle in self.units[unit]:
            for name, data in self.files(bundle).items():
                if data[:1] == b"\xd3" and self.parsed(bundle, name)[2]:
                    return geodetic(self.parsed(bundle, name)[2])
        return None


def within(fixes, a, b):
    """Epochs with a <= t < b of a sorted list."""
    times = [f.t for f in fixes]
    return fixes[bisect.bisect_left(times, a) : bisect.bisect_left(times, b)]
