#!/usr/bin/env python3
"""Checks every evidence line and base event of a report over the sample bundles against the raw files.

    evidence_check.py FINDINGS.json SAMPLES

For each line: the bundle and file exist and are of the unit, the file covers the line's times, and the statement itself is true in the
raw file (rawdata.py: none of the project's code). Exit 0 when all are true, 1 otherwise. Last line: `N passed, N failed`.

Tolerances stand beside each statement. They are wide where the program smooths (cells of 10 s, minutes or hours) and narrow where it
counts. A text that no rule here knows is a failure: every sort of evidence must be checkable by somebody else.
"""

import collections
import json
import math
import re
import statistics
import sys

import rawdata
from rawdata import seconds, within

# Kinds that are told by the minute or the hour: their times may reach beyond the file by so much, s.
COARSE = [(r"observables every|gaps of up to", 60), (r"losses of lock|strong satellites are weaker|C/N0 on", 3_600)]


class Untrue(Exception):
    """What the raw file says instead."""


def near(what, told, found, tolerance):
    if found is None or not abs(told - found) <= tolerance:
        raise Untrue(f"{what}: told {told:g}, raw {'nothing' if found is None else f'{found:.2f}'} (tolerance {tolerance:g})")


def true(what, holds):
    if not holds:
        raise Untrue(what)


class Line:
    """One evidence line with its surroundings."""

    def __init__(self, samples, findings, site, cause, e):
        self.samples, self.findings, self.site, self.cause = samples, findings, site, cause
        self.text, self.unit, self.bundle, self.file = e.get("text", e.get("detail")), e["unit"], e["bundle"], e["file"]
        self.a, self.b = seconds(e["from"]), seconds(e["to"])

    def own(self, a=None, b=None):
        return within(self.samples.fixes(self.unit), self.a if a is None else a, self.b if b is None else b)

    def other_rovers(self):
        return [u for u in self.site["rovers"] if u != self.unit]

    def neighbour_rovers(self):
        """Rovers of other sites whose base is within 150 km (the setting's default)."""
        at = lambda s: s.get("position") and (s["position"]["latitude"], s["position"]["longitude"])
        here = at(self.site)
        return [
            u for s in self.findings["sites"]
            if s["site"] != self.site["site"] and at(s) and rawdata.distance_m(*here, *at(s)) <= 150_000 for u in s["rovers"]
        ]

    def periods(self):
        """Float periods of the cause."""
        return [p for p in self.site["float_periods"] if p["cause"] == self.cause]

    def rtcm(self):
        kind, rows, _ = self.samples.parsed(self.bundle, self.file)
        true(f"{self.file} is no RTCM stream", kind == "rtcm")
        return rows


def lost(fixes):
    return [f for f in fixes if f.quality != 4]


def share_lost(samples, units, a, b):
    """Mean over the units that were there for half of the time, of the share of epochs without fix; None when none was."""
    # In whole cells of 10 s, as such a short time is counted.
    a, b = math.floor(a / 10) * 10, math.ceil(b / 10) * 10
    shares = []
    for unit in units:
        fixes = within(samples.fixes(unit), a, b)
        step = typical_step(samples.fixes(unit))
        if len(fixes) * step * 2 >= b - a:
            shares.append(len(lost(fixes)) / len(fixes))
    return (statistics.fmean(shares), len(shares)) if shares else (None, 0)


def typical_step(fixes):
    return statistics.median(y.t - x.t for x, y in zip(fixes, fixes[1:]))


def mean_share(line, units):
    """Over the float periods of the cause, weighted by the lost epochs."""
    total, weight = 0.0, 0
    for p in line.periods():
        a, b = seconds(p["from"]), seconds(p["to"])
        others = [u for u in units(p["unit"]) if u != p["unit"]]
        share, n = share_lost(line.samples, others, a, b)
        w = len(lost(within(line.samples.fixes(p["unit"]), a, b)))
        if n:
            total, weight = total + share * w, weight + w
    return total / weight if weight else None


# -- what a rover's log says --


def others_state(line, word, percent, observed):
    found = mean_share(line, lambda u: line.site["rovers"])
    # Cells of 10 s at both ends of each period.
    near("share", int(percent) / 100, None if found is None else found if word == "were lost" else 1 - found, 0.06)
    near("rovers observed", int(observed), share_lost(line.samples, line.other_rovers(), line.a, line.b)[1], 0)


def neighbours_state(line, word, percent):
    found = mean_share(line, lambda u: line.neighbour_rovers())
    near("share", int(percent) / 100, None if found is None else found if word == "were lost" else 1 - found, 0.06)


def mean_age(line):
    """Mean of the periods' mean ages, each with the weight of its lost time."""
    total, weight = 0.0, 0
    for p in line.periods():
        fixes = lost(within(line.samples.fixes(p["unit"]), seconds(p["from"]), seconds(p["to"])))
        ages = [f.age for f in fixes if not math.isnan(f.age)]
        if ages:
            total, weight = total + statistics.fmean(ages) * len(fixes), weight + len(fixes)
    return total / weight if weight else None


def fresh(line, age):
    near("mean age, s", float(age), mean_age(line), 0.15)


def old(line, age):
    # Periods are put together of segments, which have the weights.
    near("mean age, s", float(age), mean_age(line), 1 + 0.1 * float(age))


def none_at_all(line):
    true("an epoch has a correction age", all(math.isnan(f.age) for f in lost(line.own())))


def age_up_to(line, age, growing):
    ages = [(f.t, f.age) for f in line.own(b=line.b + 0.01) if not math.isnan(f.age)]
    near("oldest, s", float(age), max((x for _, x in ages), default=None), 0.6)
    if growing:
        over = [(t, x) for t, x in ages if x > 5]
        steps = [abs((y[1] - x[1]) - (y[0] - x[0])) < 0.3 * (y[0] - x[0]) for x, y in zip(over, over[1:])]
        true("the age does not grow as time does", steps and sum(steps) >= 0.6 * len(steps))


def is_old(f):
    return f.age > 5 or (math.isnan(f.age) and f.quality in (0, 1))


def others_old(line, word, percent):
    """Share of the line's time in which the other rovers' corrections were old."""
    shares = []
    a, b = math.floor(line.a / 10) * 10, math.ceil(line.b / 10) * 10
    for unit in line.other_rovers():
        fixes = within(line.samples.fixes(unit), a, b)
        if fixes:
            shares.append(sum(map(is_old, fixes)) / len(fixes))
    found = statistics.fmean(shares) if shares else None
    near("share", int(percent) / 100, None if found is None else found if word == "old" else 1 - found, 0.06)


def stops(fixes):
    """When corrections stopped: for every stretch of old ages, the time minus the age."""
    out = []
    for f in fixes:
        if f.age > 5 and (not out or abs(f.t - f.age - out[-1]) > 12):
            out.append(f.t - f.age)
    return out


def stopped(line, together):
    # From a good while before: the corrections stopped before the fix went.
    mine = [s for s in stops(line.own(a=line.a - 600)) if s < line.b]
    true("the corrections never stopped", mine)
    pairs = [
        (m, o) for unit in line.other_rovers()
        for m in mine for o in stops(within(line.samples.fixes(unit), line.a - 600, line.b + 60)) if abs(m - o) <= 10
    ]
    if together:
        true(f"no other rover's corrections stopped with one of {len(mine)} stops", pairs)
    else:
        true("the other rovers' corrections stopped at each of the same times", len({m for m, _ in pairs}) < len(mine))


def far_and_old(line):
    base = next((p for p in (line.samples.position(b) for b in line.site["bases"]) if p), None)
    true("no base position", base)
    away = lambda fixes: statistics.median(rawdata.distance_m(f.lat, f.lon, *base) for f in fixes)
    everything = [f for f in line.samples.fixes(line.unit) if not math.isnan(f.lat)]
    aged = [f for f in line.own() if is_old(f) and not math.isnan(f.lat)]
    true("no old corrections in this time", aged)
    usual = [f for f in everything if f.age <= 3]
    true(f"old at {away(aged):.0f} m, fresh at {away(usual):.0f} m", away(aged) > away(usual))


def far(line):
    base = next((p for p in (line.samples.position(b) for b in line.site["bases"]) if p), None)
    away = max(rawdata.distance_m(f.lat, f.lon, *base) for f in line.own() if not math.isnan(f.lat))
    # Seven tenths of the program's limit of a long baseline (12 km).
    true(f"only {away:.0f} m", away >= 8_350)


def rover_weaker(line, drop):
    _, fixes, levels = line.samples.parsed(line.bundle, line.file)
    # Strong: the best quarter of an epoch's values; its best: the 90th percentile of the day.
    strong = {t: statistics.fmean(sorted(v)[-max(3, len(v) // 4) :]) for t, v in levels.items() if len(v) >= 3}
    inside = [v for t, v in strong.items() if line.a <= t < line.b]
    best = sorted(strong.values())[int(0.9 * len(strong))]
    near("dB", float(drop), best - statistics.median(inside) if inside else None, 4)


# -- what a base's stream says --


def every(line, told):
    times = sorted(t for t in line.rtcm() if line.a <= t < line.b)
    near("s between epochs", float(told), statistics.median(y - x for x, y in zip(times, times[1:])), 0.5)


def gaps(line, worst, usual):
    times = sorted(line.rtcm())
    steps = [(y - x) for x, y in zip(times, times[1:]) if y >= line.a and x < line.b]
    near("longest gap, s", float(worst), max(steps), 1.5)
    near("usual, s", float(usual), statistics.median(y - x for x, y in zip(times, times[1:])), 1)


def silent(line, told):
    times = sorted(line.rtcm())
    near("s", float(told), line.b - line.a, 1.5)
    inside = [t for t in times if line.a + 0.5 < t < line.b - 0.5]
    true(f"{len(inside)} epochs in between", not inside)
    true("no epoch at the begin or end", any(abs(t - line.a) <= 1.5 for t in times) and any(abs(t - line.b) <= 1.5 for t in times))


def restarted(line, told, new, of):
    silent(line, told)
    rows = line.rtcm()
    first = min(t for t in rows if t >= line.b - 0.5)
    # All lock times begin anew: DF402 up to 5 is at most 1 s (RTCM 10403.x table 3.5-74), DF407 below 64 at most 64 ms.
    one = {c.sat: c.lock for t in rows if first <= t <= first + 20 for c in reversed(rows[t]) if c.band == "L1"}
    short = {c.sat for t in rows if first <= t <= first + 12 for c in rows[t] if c.band == "L1" and c.lock is not None and c.lock <= 10}
    true(f"{new} of {of} cannot be", int(new) <= int(of))
    near("satellites", int(of), len(one), 3)
    true(f"only {len(short)} of {len(one)} satellites have a new lock", len(short) >= 0.7 * len(one))


def second_frequency(line, told, of, percent, usual):
    # Cells of 10 s hold two epochs; a satellite that shows up in one of them counts. Usable: 10 dB-Hz, which no receiver tracks.
    tens = collections.defaultdict(lambda: (set(), set()))
    for t, cells in line.rtcm().items():
        sats, second = tens[t // 10 * 10]
        sats |= {c.sat for c in cells if c.sat[0] != "S"}
        second |= {c.sat for c in cells if c.band not in (None, "L1") and c.sat[0] != "S" and (c.cn0 or 0) >= 10}
    shares = [(t, len(second), len(sats), len(second) / max(1, len(sats))) for t, (sats, second) in tens.items()]
    inside = [s for s in shares if line.a <= s[0] < line.b]
    near("with second", int(told), statistics.fmean(s[1] for s in inside), 1.5)
    near("satellites", int(of), statistics.fmean(s[2] for s in inside), 2)
    near("share", int(percent) / 100, statistics.fmean(s[3] for s in inside), 0.06)
    near("usual share", int(usual) / 100, sorted(s[3] for s in shares)[int(0.9 * len(shares))], 0.06)


def medians(rows, band):
    out = {}
    for t, cells in rows.items():
        values = [c.cn0 for c in cells if c.band == band and c.cn0]
        if len(values) >= 4:
            out[t] = statistics.median(values)
    return out


def band_falls(line, band, depth):
    level = medians(line.rtcm(), band)
    inside = [v for t, v in level.items() if line.a <= t < line.b]
    # Against the hour before and, where the log had just begun, the whole file.
    before = [v for t, v in level.items() if line.a - 3_600 <= t < line.a - 10] or list(level.values())
    true(f"no four satellites on {band} in this time", inside)
    # What was down itself is no measure of what is usual.
    high = sorted(before)[int(0.9 * len(before))]
    before = [v for v in before if v > high - 8]
    near("dB", float(depth), statistics.median(before) - statistics.median(inside), max(2.0, 0.25 * float(depth)))


def band_jumps(line, band, count, largest):
    rows = line.rtcm()
    steps, last = [], None
    for t in sorted(rows):
        now = {(c.sat, c.band): c.cn0 for c in rows[t] if c.band == band and c.cn0}
        if last and t - last[0] <= 10:
            moves = [now[k] - last[1][k] for k in now.keys() & last[1].keys()]
            # All satellites that there are: under scintillation that may be one or two.
            if moves:
                steps.append((t, abs(statistics.median(moves))))
        last = (t, now)
    inside = [s for t, s in steps if line.a - 10 <= t <= line.b + 10]
    near("largest, dB", float(largest), max(inside, default=None), 2.5)
    jumps = sum(s >= 2 for s in inside)
    # Cells of 10 s hold several epochs: fewer are told than there are.
    true(f"told {count} jumps, raw {jumps}", int(count) <= jumps * 1.3 + 2)


def fading(line, db):
    rows = line.rtcm()
    inside, outside, last = [], [], {}
    for t in sorted(rows):
        for c in rows[t]:
            if c.band == "L1" and c.cn0:
                if c.sat in last and t - last[c.sat][0] <= 10:
                    (inside if line.a <= t < line.b else outside).append(abs(c.cn0 - last[c.sat][1]))
                last[c.sat] = (t, c.cn0)
    moved, usual = statistics.fmean(inside), statistics.fmean(outside)
    true(f"mean step {moved:.1f} dB inside, {usual:.1f} dB outside", moved >= 1.5 * usual)
    near("dB", float(db), moved, 3)


def few(line, told, usual):
    tens = collections.defaultdict(set)
    for t, cells in line.rtcm().items():
        tens[t // 10 * 10] |= {c.sat for c in cells}
    counts = {t: len(sats) for t, sats in tens.items()}
    inside = [n for t, n in counts.items() if line.a <= t < line.b]
    near("satellites", int(told), statistics.median(inside), 3)
    near("usual", int(usual), statistics.median(counts.values()), 3)


def slips(line, rate, percent):
    rows, last, n, lost_lock, sats, hit = line.rtcm(), {}, 0, 0, set(), set()
    for t in sorted(rows):
        for c in rows[t]:
            if not line.a <= t < line.b or c.lock is None:
                continue
            n += 1
            key = (c.sat, c.band)
            sats.add(c.sat)
            if key in last and c.lock < last[key]:
                lost_lock += 1
                hit.add(c.sat)
            last[key] = c.lock
    near("losses per 1000", float(rate), 1_000 * lost_lock / max(1, n), max(5, 0.5 * float(rate)))
    # Told are the satellites that lose lock often, raw those that lose it at all.
    true(f"only {len(hit)} of {len(sats)} satellites lost lock", float(percent) / 100 <= len(hit) / max(1, len(sats)) + 0.15)


def weak(line, rest):
    strong = lambda rows, band: statistics.median(
        statistics.fmean(sorted(v)[-max(3, len(v) // 4) :])
        for v in ([c.cn0 for c in cells if c.band == band and c.cn0] for cells in rows.values()) if len(v) >= 4
    )
    fleet = collections.defaultdict(list)
    for s in line.findings["sites"]:
        for base in s["bases"]:
            for bundle in line.samples.units[base]:
                for name, data in line.samples.files(bundle).items():
                    if data[:1] == b"\xd3" and base != line.unit:
                        rows = line.samples.parsed(bundle, name)[1]
                        for band in ("L1", "L2", "L5"):
                            try:
                                fleet[band].append(strong(rows, band))
                            except statistics.StatisticsError:
                                pass
    here = {t: c for t, c in line.rtcm().items() if line.a <= t < line.b}
    for band, db in re.findall(r"(L\d) ([\d.]+) dB", rest):
        near(f"{band}, dB", float(db), statistics.median(fleet[band]) - strong(here, band), 4)


# -- what tables, logs and files beside say --


def logged(line, words):
    """A record of the file at that second, with the words told."""
    kind, rows, _ = line.samples.parsed(line.bundle, line.file)
    if kind == "csv":
        rows = [(seconds(r["time"]), f"{r['kind']} {r.get('detail') or ''}") for r in rows]
    texts = [r for t, r in rows if t == line.a]
    said = re.sub(r"^gnssd: \S+ ", "", words or "")
    true(f"no record of that second says so, but {texts}", any(said in t for t in texts))


def metric(line, name, told, low):
    _, rows, _ = line.samples.parsed(line.bundle, line.file)
    inside = [float(r[name]) for r in rows if r.get(name) and line.a - 0.5 <= seconds(r["time"]) <= line.b + 0.5]
    true(f"no {name} in this time", inside)
    true(f"{told} is not among {min(inside)} to {max(inside)}", min(inside) - 0.06 <= float(told) <= max(inside) + 0.06)
    usual = statistics.median(float(r[name]) for r in rows if r.get(name))
    true(f"usual {usual}", float(told) < usual if low else float(told) > usual)
    return usual


def supply(line, told, usual):
    near("usual, V", float(usual), metric(line, "supply_voltage_v", told, True), 0.11)


def spectrum(line, above, mhz):
    _, rows, _ = line.samples.parsed(line.bundle, line.file)
    inside = [(float(r["frequency_hz"]) / 1e6, float(r["power_dbm"])) for r in rows if line.a - 0.5 <= seconds(r["time"]) <= line.b + 0.5]
    floor = statistics.median(p for _, p in inside)
    near("dB", float(above), max(p for f, p in inside if abs(f - float(mhz)) <= 1.1) - floor, 4)


def place(line, name, kind, metres):
    import csv
    import os

    with open(os.path.join(line.samples.folder, "places.csv"), encoding="utf-8") as f:
        row = next((r for r in csv.DictReader(f) if r["name"] == name and r["kind"] == kind), None)
    true("no such place", row)
    base = line.samples.position(line.unit)
    # Sphere against ellipsoid.
    near("m", float(metres), rawdata.distance_m(*base, float(row["latitude"]), float(row["longitude"])), 5 + 0.006 * float(metres))


def evening(line):
    lat, lon = line.site["position"]["latitude"], line.site["position"]["longitude"]
    hour = (((line.a + line.b) / 2) / 3_600 + lon / 15) % 24
    true(f"solar local time {hour:.1f} h", hour >= 18.5 or hour <= 1.5)
    import datetime

    import ppigrf

    e, n, u = ppigrf.igrf(lon, lat, 0.0, datetime.datetime.fromtimestamp(line.a))
    dip = math.degrees(math.atan2(-float(u.squeeze()), math.hypot(float(e.squeeze()), float(n.squeeze()))))
    found = math.degrees(math.atan(math.tan(math.radians(dip)) / 2))
    true(f"magnetic latitude {found:.1f}", abs(found) <= 25)
    near("magnetic latitude", line.site["magnetic_latitude"], found, 0.5)


N = r"(-?[\d.]+)"
RULES = [
    (rf"the other rovers of the base (were lost|kept their fix) {N} % of the same time \((\d+) observed in the longest period\)", others_state),
    (rf"rovers of neighbouring bases (were lost|kept their fix) {N} % of the same time", neighbours_state),
    (r"no other rover of this base was observed at the time", lambda line: near("rovers", 0, share_lost(line.samples, line.other_rovers(), line.a, line.b)[1], 0)),
    (rf"corrections stayed fresh: mean age {N} s", fresh),
    (rf"corrections were old: mean age {N} s", old),
    (r"no corrections at all", none_at_all),
    (rf"correction age up to {N} s(, growing .*)?", age_up_to),
    (rf"the other rovers of the base had (old|no old) corrections {N} % of this period", others_old),
    (r"corrections stopped for (?:the other|other) rovers in the same seconds", lambda line: stopped(line, True)),
    (r"corrections stopped for this rover at a time of its own", lambda line: stopped(line, False)),
    (r"corrections get old where the rover is far from the base", far_and_old),
    (r"the rover was far from the base", far),
    (rf"the rover's own strong satellites are {N} dB weaker than at its best", rover_weaker),
    (rf"observables every {N} s instead of every second", every),
    (rf"gaps of up to {N} s between observables that usually come every {N} s", gaps),
    (rf"no observables for {N} s", silent),
    (rf"silent for {N} s, then (\d+) of (\d+) satellites with new lock: a restart", restarted),
    (rf"usable second frequency on (\d+) of (\d+) satellites \({N} %\), usually {N} %", second_frequency),
    (rf"C/N0 of all satellites on (L\d) falls by {N} dB,.*", band_falls),
    (rf"C/N0 of all satellites on (L\d) jumps (\d+) times, up to {N} dB from one epoch to the next", band_jumps),
    (rf"satellites fade each for itself: {N} dB from epoch to epoch, on two bands and more", fading),
    (rf"(\d+) satellites tracked, usually (\d+)", few),
    (rf"{N} losses of lock per 1000 observations on {N} % of the satellites.*", slips),
    (r"strong satellites are weaker than at the fleet's bases: (.*)", weak),
    (rf"supply at {N} V, usually {N} V", supply),
    (rf"antenna port at {N} V; .*", lambda line, v: metric(line, "antenna_voltage_v", v, True)),
    (rf"antenna current {N} mA: open.*", lambda line, v: metric(line, "antenna_current_ma", v, True)),
    (rf"antenna current {N} mA: short.*", lambda line, v: metric(line, "antenna_current_ma", v, False)),
    (rf"{N} dB above the floor at {N} MHz.*", spectrum),
    (rf"(.+) \((airport|radar|tv|cell|military|power|other)\) at {N} m", place),
    (r"evening hours near the magnetic equator", evening),
    (r"(?:[a-z ]+,? logged|[a-z ]+ logged|settings changed|position changed by somebody|firmware updated)(?:: (.*))?", logged),
]


def verify(line):
    """Raises Untrue."""
    files = line.samples.files(line.bundle)
    true(f"no bundle {line.bundle}", files is not None)
    true(f"no file {line.file} in it", line.file in files)
    true(f"the bundle is of {line.samples.unit(line.bundle)}", line.samples.unit(line.bundle) == line.unit)
    true("it ends before it begins", line.a <= line.b)
    if not line.file.endswith("unit.toml"):
        span = line.samples.span(line.bundle, line.file)
        true("the file has no times", span)
        a, b = span
        # The bundle of the begin is named; a unit with several bundles may go on in the next.
        if len(line.samples.units[line.unit]) > 1:
            b = max(b, max(f.t for f in line.samples.fixes(line.unit)))
        slack = next((s for pattern, s in COARSE if re.match(pattern, line.text) or re.search(pattern, line.text)), 10)
        true(f"the file covers only {a:.0f} to {b:.0f}, told {line.a:.0f} to {line.b:.0f}", line.a >= a - slack and line.b <= b + slack)
    for pattern, rule in RULES:
        found = re.fullmatch(pattern, line.text)
        if found:
            rule(line, *found.groups())
            return
    raise Untrue("no rule here checks such a line")


def main():
    if len(sys.argv) != 3:
        print(__doc__)
        return 2
    with open(sys.argv[1], encoding="utf-8") as f:
        findings = json.load(f)
    samples = rawdata.Samples(sys.argv[2])
    lines = []
    for site in findings["sites"]:
        for c in site["causes"]:
            lines += [(f"{site['site']}, {c['cause']}", Line(samples, findings, site, c["cause"], e)) for e in c["evidence"]]
        for c in site["advisories"]:
            lines += [(f"{site['site']}, advisory {c['cause']}", Line(samples, findings, site, c["cause"], e)) for e in c["evidence"]]
        lines += [(f"{site['site']}, event", Line(samples, findings, site, "", e)) for e in site["base_events"]]
    seen, wrong, sorts = set(), 0, collections.Counter()
    for where, line in lines:
        key = (where.split(",")[0], line.text, line.unit, line.a, line.b, line.file, line.cause)
        if key in seen:
            continue
        seen.add(key)
        sorts[where.split(", ")[1].split(" ")[0]] += 1
        try:
            verify(line)
        except Untrue as why:
            wrong += 1
            print(f"{where}: {line.unit} {line.bundle.rsplit('/', 1)[-1]} {line.file}: {line.text}\n  not true: {why}")
    print(f"{len(seen)} lines: {sum(n for k, n in sorts.items() if k != 'event')} of evidence, {sorts['event']} base events")
    print(f"{len(seen) - wrong} passed, {wrong} failed")
    return 1 if wrong or not seen else 0


if __name__ == "__main__":
    sys.exit(main())
