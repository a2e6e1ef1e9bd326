"""The practice fleet before anything goes wrong: regions, sites, bases, rovers, working hours and how rovers move.

All names are invented. Positions in degrees, heights in metres, local offsets in metres east/north of the base, times in
UTC seconds since 1970. Nothing here knows a cause.
"""
from dataclasses import dataclass, field
import numpy as np

# (latitude, longitude, zone, belt): towns nobody needs to find; belt is by magnetic latitude
ANCHORS = [
    (-12.4, -76.3, "America/Lima", "equatorial"), (1.9, 103.4, "Asia/Singapore", "equatorial"),
    (-3.9, -38.9, "America/Fortaleza", "equatorial"), (9.4, 39.2, "Africa/Addis_Ababa", "equatorial"),
    (13.2, 78.1, "Asia/Kolkata", "equatorial"), (48.6, 9.3, "Europe/Berlin", "middle"), (52.9, -1.6, "Europe/London", "middle"),
    (41.1, -88.2, "America/Chicago", "middle"), (39.2, -104.3, "America/Denver", "middle"), (-34.3, 149.4, "Australia/Sydney", "middle"),
    (36.4, 139.1, "Asia/Tokyo", "middle"), (44.9, 1.1, "Europe/Paris", "middle"), (-41.0, 174.0, "Pacific/Auckland", "middle"),
    (33.1, -6.9, "Africa/Casablanca", "middle"), (46.9, 17.4, "Europe/Budapest", "middle"), (50.2, -97.6, "America/Winnipeg", "middle"),
    (69.3, 19.9, "Europe/Oslo", "auroral"), (64.7, -148.1, "America/Anchorage", "auroral"), (67.7, 23.2, "Europe/Stockholm", "auroral"),
    (62.6, -114.1, "America/Edmonton", "auroral"),
]
FIRST = ("alder birch cinder dapple ember fallow gravel hollow iron juniper kestrel linnet marsh nettle otter "
         " pebble quarry rowan slate thistle umber vetch willow yarrow bracken clay dune elm fern gorse").split()
LAST = "brook bank cut dale edge field gate hill island junction knoll lane moor neck orchard pit quay ridge step terrace vale works".split()
SORTS = ["dozer", "grader", "excavator 24 t", "excavator 32 t", "paver", "survey pole", "compactor", "site truck", "drill rig"]


@dataclass
class Rover:
    id: str
    label: str
    station: int                       # the base's id as this rover prints it
    shift: float                       # critical strength of its fix engine (own units, see fix.py)
    age_hold: float                    # s of correction age at which it gives up the fix
    cn0: float                         # receiver and antenna against the nominal curve, dB
    mask: float                        # elevation mask, deg
    prefs: dict = field(default_factory=dict)
    own_rate: float = 0.5              # uncaused losses an hour
    east: np.ndarray = None
    north: np.ndarray = None
    spots: list = field(default_factory=list)   # (east, north, radius, azimuth from, to, height deg): what shades it
    on: np.ndarray = None              # the log runs
    area: tuple = None


@dataclass
class Site:
    id: str
    name: str
    lat: float
    lon: float
    h: float
    zone: str
    belt: str
    region: int
    sessions: list
    base: dict
    rovers: list
    rng: np.random.Generator
    t: np.ndarray = None
    work: np.ndarray = None
    faults: list = field(default_factory=list)


def regions(rng, count, lonely):
    """Splits `count` sites over anchors: clusters of 2-4 neighbours and lonely ones, all three belts. `lonely`: so many of the first
    regions have one site."""
    sizes = [1] * min(lonely, count)
    while sum(sizes) < count:
        sizes.append(min(int(rng.choice([1, 1, 1, 2, 2, 3, 4])), count - sum(sizes)))
    order = list(rng.permutation(len(ANCHORS)))
    # make sure that the first three regions are one of each belt
    lead = [next(i for i in order if ANCHORS[i][3] == b) for b in ("equatorial", "auroral", "middle")]
    order = lead + [i for i in order if i not in lead]
    return [(ANCHORS[order[n % len(order)]], size) for n, size in enumerate(sizes)]


def sessions(rng, day0, lon, belt, hours, style=None):
    """Working sessions [from, to) of one region: a day shift, an afternoon, an evening, or two or four days of less."""
    chosen = str(rng.choice(["morning", "noon", "evening", "two", "four"], p=[0.3, 0.2, 0.2, 0.2, 0.1]))
    if belt != "middle" and rng.random() < 0.5:
        chosen = "evening"
    style = style or chosen
    local = {"morning": rng.uniform(6.0, 8.5), "noon": rng.uniform(10, 13), "evening": rng.uniform(18.3, 20.2),
             "two": rng.uniform(7, 15), "four": rng.uniform(7, 15)}[style]
    parts = {"two": 2, "four": 4}.get(style, 1)
    start = day0 + int(rng.integers(0, 3 if parts > 1 else 5)) * 86400 + round(local * 3600) - round(lon / 15 * 3600)
    start -= start % 60
    length = int(hours * 3600 / parts)
    return [(int(start + d * 86400), int(start + d * 86400 + length)) for d in range(parts)], style


def base_station(rng, n, style=None):
    """What the base is made of and what it keeps. `log`: rtcm, legacy, rinex, mixed."""
    log = style or rng.choice(["rtcm", "legacy", "rinex", "mixed"], p=[0.45, 0.12, 0.23, 0.2])
    systems = "GR" if log == "legacy" else rng.choice(["GR", "GRE", "GREC"], p=[0.15, 0.25, 0.6])
    l2 = "G2W" if log == "legacy" else rng.choice(["G2W", "G2L", "G2X"])
    e1, e5 = (("E1C", "E5Q"), ("E1C", "E7Q"), ("E1X", "E5X"))[rng.integers(3)]
    signals = {"G": ("G1C", l2), "R": ("R1C", "R2C"), "E": (e1, e5), "C": ("C2I", rng.choice(["C6I", "C7I"]))}
    gain = float(rng.choice([30, 35, 40, 40, 42, 50]))
    return {
        "log": str(log), "systems": str(systems), "signals": {s: tuple(map(str, signals[s])) for s in systems},
        "level": int(rng.choice([4, 4, 5, 7])), "station": int(rng.integers(1, 4000)), "cn0": float(rng.normal(0, 1.0)),
        "interval": int(rng.choice([1, 5, 30], p=[0.25, 0.45, 0.3])), "position": int(rng.choice([1005, 1006])),
        "position_every": int(rng.choice([5, 10, 15, 30])), "describe": bool(rng.random() < 0.8), "bias": bool(rng.random() < 0.7),
        "eph": bool(rng.random() < 0.5), "metrics": bool(rng.random() < 0.55),
        "events": str(rng.choice(["csv", "syslog5424", "syslog3164", "none"], p=[0.4, 0.2, 0.15, 0.25])),
        "spectrum": bool(rng.random() < 0.2), "gain": gain, "needs": (3.3, 16.0) if gain < 45 else (4.5, 18.0),
        "volts": float(rng.choice([5.0, 5.0, 5.1, 12.0])), "ma": float(rng.uniform(28, 75)),
        "cable": str(rng.choice(["RG-213", "RG-58", "400-class", "240-class"])),
        "length": float(rng.integers(5, 24)), "make": str(rng.choice(["aa", "bb"])), "model": str(rng.choice(["RB-1", "RB-2", "NX-Base"])),
        "firmware": str(rng.choice(["2.10", "2.11.4", "3.0.1", "5.2.0"])), "serial": f"{rng.integers(10**6, 10**7)}",
        "link": str(rng.choice(["uhf", "network", "uhf", "900mhz"])),
        "card_reference": bool(rng.random() < 0.8), "reflector": float(rng.uniform(1.2, 2.4)), "ripple": float(rng.uniform(0.3, 1.0)),
        "unit_toml": bool(rng.random() < 0.8),
    }


def rover_unit(rng, rid, station):
    rate = str(rng.choice(["1hz", "5hz", "slow"], p=[0.9, 0.06, 0.04]))
    gsv = int(rng.choice([0, 5, 10, 30], p=[0.2, 0.2, 0.4, 0.3 - 0.1]))
    prefs = {"rate": rate, "talker": "GP" if rng.random() < 0.12 else "GN", "gst": bool(rng.random() < 0.6), "gsa": int(rng.choice([0, 10, 30])),
             "gsv": gsv, "rmc": int(rng.choice([0, 1, 10], p=[0.2, 0.4, 0.4])), "zda": int(rng.choice([0, 1, 60], p=[0.4, 0.1, 0.5])),
             "age": str(rng.choice(["dec", "dec", "int", "empty"], p=[0.5, 0.3, 0.14, 0.06])), "signal_id": bool(rng.random() < 0.7),
             "metrics": bool(rng.random() < 0.6), "events": bool(rng.random() < 0.55), "digits": int(rng.choice([7, 8])), "geoid": float(rng.uniform(-20, 60)),
             "lf": bool(rng.random() < 0.1), "cap12": bool(rng.random() < 0.08), "spectrum": bool(rng.random() < 0.15),
             "flick": bool(rng.random() < 0.25), "card": bool(rng.random() < 0.92),
             "firmware": str(rng.choice(["4.0.2", "4.1.9", "4.3.0", "7.12"])),
             "model": str(rng.choice(["RM-10", "RM-20"])), "make": str(rng.choice(["aa", "bb"]))}
    if not prefs["rmc"] and not prefs["zda"] and rng.random() < 0.8:
        prefs["zda"] = 60                                   # nearly all give a date somehow; the others rely on the card
    return Rover(rid, str(rng.choice(SORTS)), station, rng.uniform(4.0, 5.4), float(rng.choice([10, 20, 30, 45, 60])), rng.normal(-1.5, 1.0),
                 float(rng.choice([10, 10, 12, 15])), prefs, float(np.exp(rng.normal(np.log(0.9), 0.8))))


def path(rng, site, rover, reach):
    """Work in lanes on a rectangle, stops, and trips to the yard. Fills east, north (metres from the base)."""
    t = site.t
    bearing = rng.uniform(0, 2 * np.pi)
    ce, cn = reach * np.sin(bearing), reach * np.cos(bearing)
    width, length, gap = rng.uniform(30, 120), rng.uniform(60, 350), rng.uniform(3, 9)
    turn, speed = rng.uniform(0, np.pi), rng.uniform(0.6, 2.6)
    yard = rng.normal(0, min(400.0, 60 + reach / 4), 2)
    rover.area = (ce, cn, width, length, turn)
    pts, when, now = [], [], 0.0
    end = float(len(t)) + 10
    lanes = max(2, int(width / gap))
    cur = np.array([ce, cn])

    def go(to, v):
        nonlocal now, cur
        now += max(1.0, np.hypot(*(to - cur)) / v)
        cur = to
        pts.append(cur.copy()); when.append(now)
    pts.append(cur.copy()); when.append(0.0)
    lane = 0
    while now < end:
        a = (lane % lanes) * gap - width / 2
        for b in ((-length / 2, length / 2) if lane % 2 == 0 else (length / 2, -length / 2)):
            go(np.array([ce + a * np.cos(turn) - b * np.sin(turn), cn + a * np.sin(turn) + b * np.cos(turn)]), speed)
        lane += 1
        if rng.random() < 0.12:
            now += rng.exponential(180)
            pts.append(cur.copy()); when.append(now)
        if rng.random() < 0.015 and reach < 6000:
            go(yard, rng.uniform(4, 8)); now += rng.uniform(120, 700)
            pts.append(cur.copy()); when.append(now)
            go(np.array([ce, cn]), rng.uniform(4, 8))
    k = np.arange(len(t), dtype=float)
    p = np.array(pts)
    rover.east, rover.north = np.interp(k, when, p[:, 0]), np.interp(k, when, p[:, 1])
    for _ in range(rng.integers(0, 3)):                       # a few trees at the edge: small, and everybody has some
        a, b = rng.uniform(-.5, .5) * width, rng.choice([-.5, .5]) * length
        az = rng.uniform(0, 360)
        east, north = ce + a * np.cos(turn) - b * np.sin(turn), cn + a * np.sin(turn) + b * np.cos(turn)
        rover.spots.append((east, north, rng.uniform(2, 5), az, az + rng.uniform(60, 140), rng.uniform(25, 45)))


def build(rng, plan, rovers, hours, day0):
    """All sites with bases, rovers, grids and paths. `plan`: one (anchor, size, style or None) a region."""
    out, used, names = [], set(), rng.permutation([a + b for a in FIRST for b in LAST])
    for r, (anchor, size, wish) in enumerate(plan):
        lat, lon, zone, belt = anchor
        lat, lon = lat + rng.uniform(-0.2, 0.2), lon + rng.uniform(-0.2, 0.2)
        blocks, _ = sessions(rng, day0, lon, belt, hours, wish)
        for _ in range(size):
            out.append(one_site(np.random.default_rng(rng.integers(2**63)), len(out), str(names[len(out)]), (lat, lon, zone, belt), r, size, blocks, rovers, used))
    return out


def one_site(rng, number, name, place, region, size, blocks, rovers, used):
    lat, lon, zone, belt = place
    base = base_station(rng, number)
    while base["station"] in used:
        base["station"] = int(rng.integers(1, 4000))
    used.add(base["station"])
    slip = int(rng.integers(-20, 21)) * 60 if size > 1 else 0
    site = Site(name, name.capitalize(), lat + rng.uniform(-0.4, 0.4), lon + rng.uniform(-0.4, 0.4), round(rng.uniform(20, 600), 3), zone, belt,
                region, [(a + slip, b + slip) for a, b in blocks], base, [], rng)
    n = len(site.sessions)
    before, after = int(rng.integers(15, 45)) * 60 // n, int(rng.integers(5, 20)) * 60 // n
    site.t = np.concatenate([np.arange(a - before, b + after) for a, b in site.sessions])
    site.work = np.zeros(len(site.t), bool)
    for a, b in site.sessions:
        site.work |= (site.t >= a) & (site.t < b)
    many = int(min(5, rovers + rng.integers(0, 3))) if rovers >= 3 else rovers
    short = f"{name[:2].upper()}{number:02d}"
    site.base_id = short + "-BASE"
    for k in range(many):
        unit = rover_unit(rng, f"{short}-R{k + 1}", base["station"])
        path(rng, site, unit, float(np.exp(rng.uniform(np.log(200), np.log(8500)))))
        unit.on = site.work.copy()
        if rng.random() < 0.2:                                   # a log that ends early
            cut = rng.uniform(0.05, 0.25)
            a, b = site.sessions[-1]
            unit.on &= ~((site.t >= b - cut * (b - a)) & (site.t < b))
        site.rovers.append(unit)
    return site
