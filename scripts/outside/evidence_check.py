#!/usr/bin/env python3
"""Checks every evidence line and base event of a report over the sample bundles against the raw files.

    evidence_check.py FINDINGS.json SAMPLES

For each line: the bundle and file exist and are of the unit, the file covers the line's times, and the statement itself is true in the
raw file (rawdata.py: none of the project's code). Exit 0 when all are true, 1 otherwise. Last line: `N passed, N failed`.

Tolerances stand beside each statement. They are wide where the program smooths (cells of 10 s, minutes or hours) and narrow where it
counts. A text that no rule here knows is a failure: every sort of evidence must be checkable by somebody else.
"""

import collections
import functools
import json
import math
import re
import statistics
import sys

import rawdata
from rawdata import seconds, within

# Kinds that are told by the minute or the hour: their times may reach beyond the file by so much, s.
COARSE = [
    (r"observables every|gaps of up to|strong satellites fade|station messages but", 60),
    (r"losses of lock|strong satellites are weaker|C/N0 (on|is)", 3_600),
]


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
        kind, rows, self.other = self.samples.parsed(self.bundle, self.file)
        true(f"{self.file} is no RTCM stream", kind == "rtcm")
        return rows

    def signals(self):
        """Cells by time, of an RTCM stream or of the satellite lists of a rover."""
        kind, rows, levels = self.samples.parsed(self.bundle, self.file)
        return rows if kind == "rtcm" else levels


def lost(fixes):
    return [f for f in fixes if f.quality != 4]


def share_lost(samples, units, a, b):
    """Mean over the units that were there for half of the time, of the share of epochs without fix; None when none was."""
    # In whole cells of 10 s, as such a short time is counted.
    a, b = math.floor(a / 10) * 10, math.ceil(b / 10) * 10
    shares = []
    for unit in units:
        fixes = within(samples.observed(unit), a, b)
        step = typical_step(tuple(samples.fixes(unit)[:1_000]))
        if len(fixes) * step * 2 >= b - a:
            shares.append(len(lost(fixes)) / len(fixes))
    return (statistics.fmean(shares), len(shares)) if shares else (None, 0)


@functools.lru_cache
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


def as_sent(line):
    sent = set()
    for base in line.site["bases"]:
        for bundle in line.samples.units[base]:
            for name, data in line.samples.files(bundle).items():
                if data[:1] == b"\xd3":
                    sent.update(t for t in line.samples.parsed(bundle, name)[1] if line.a - 60 <= t < line.b)
    sent = sorted(sent)
    most = statistics.median(y - x for x, y in zip(sent, sent[1:])) + 2
    ages = [f.age for f in lost(line.own()) if not math.isnan(f.age)]
    part = sum(age <= most for age in ages) / len(ages)
    true(f"{100 * part:.0f} % of the epochs up to {most:.0f} s old", part > 0.5)


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


def others_old_anyway(line):
    """In the hours around the line, by ten seconds: the other rovers' corrections are old in a part of the time in which this one's are
    fresh, and that is not next to nothing against the time in which its own are old."""
    a, b = line.a - 3600, line.b + 3600
    cells = {}
    for unit in line.other_rovers():
        for f in within(line.samples.fixes(unit), a, b):
            cells.setdefault(f.t // 10, []).append(is_old(f))
    beside = {True: [], False: []}
    for f in within(line.samples.fixes(line.unit), a, b):
        if f.t // 10 in cells:
            beside[is_old(f)].append(statistics.fmean(cells[f.t // 10]))
    true("old and fresh corrections in the hours around", beside[True] and beside[False])
    with_old, with_fresh = statistics.fmean(beside[True]), statistics.fmean(beside[False])
    true(f"others old {with_old:.2f} with old, {with_fresh:.2f} with fresh corrections", with_fresh > 0.02 * with_old > 0)


def lost_with_fresh(line, percent, own):
    """Within twenty minutes of the line, by ten seconds: the share lost in cells after three whole ones without an old correction."""
    a, b = math.floor((line.a - 1200) / 10), math.floor((line.b + 1200) / 10)

    def counted(unit):
        cells = {}
        # A cell without an epoch ends the run.
        for f in within(line.samples.fixes(unit), (a - 4) * 10, b * 10):
            cells.setdefault(f.t // 10, []).append(f)
        clean = lambda k: k in cells and not any(map(is_old, cells[k]))
        return [f for k in range(a, b) if all(clean(k - back) for back in range(4)) for f in cells[k]]

    inside = [f for unit in ([line.unit] if own else line.other_rovers()) for f in counted(unit)]
    near("share lost", int(percent) / 100, len(lost(inside)) / len(inside) if inside else None, 0.06)
    if not own:
        true("the rover had fresh corrections for over a minute", len(counted(line.unit)) < 90)


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
    # Ages come in whole seconds and epochs seconds apart: what is the same moment is known to some seconds only.
    same_s = 10 if together else 7
    pairs = [
        (m, o) for unit in line.other_rovers()
        for m in mine for o in stops(within(line.samples.fixes(unit), line.a - 600, line.b + 60)) if abs(m - o) <= same_s
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


def rover_weaker(line, drop, spread):
    _, fixes, levels = line.samples.parsed(line.bundle, line.file)
    # Strong: the best quarter of an epoch's values; its best: the 90th percentile of the day.
    values = {t: [c.cn0 for c in cells] for t, cells in levels.items()}
    strong = {t: statistics.fmean(sorted(v)[-max(3, len(v) // 4) :]) for t, v in values.items() if len(v) >= 3}
    inside = [v for t, v in strong.items() if line.a <= t < line.b]
    best = sorted(strong.values())[int(0.9 * len(strong))]
    near("dB", float(drop), best - statistics.median(inside) if inside else None, 4)
    if spread:
        minutes = collections.defaultdict(list)
        for t, v in strong.items():
            if line.a <= t < line.b:
                minutes[t // 60].append(v)
        # Without the minutes in which it begins and ends.
        levels = sorted(statistics.median(minutes[m]) for m in sorted(minutes)[1:-1])
        near("spread, dB", float(spread), levels[int(0.9 * len(levels))] - levels[int(0.1 * len(levels))], 1.5)


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


def no_observables(line, told):
    rows = line.rtcm()
    near("min", int(told), (line.b - line.a) / 60, 0.01)
    inside = [t for t in rows if line.a <= t < line.b]
    true(f"{len(inside)} epochs in this time", not inside)
    # Station messages carry no time: they stand in the stream after the last epoch before this time.
    before = max((t for t in rows if t < line.a), default=None)
    true("no station message after the last epoch before it", line.other["station"][before] > 0)


def restarted(line, told, new, of):
    silent(line, told)
    rows = line.rtcm()
    # In the three cells of 10 s from the begin on: which satellites came back, and was the shortest lock time that excludes a
    # lock held through the silence among their first values?
    end = (line.b + 20) // 10 * 10 + 10
    first = {}
    for t in sorted(t for t in rows if line.b - 0.5 <= t < end):
        for c in rows[t]:
            if c.band == "L1" and c.lock is not None:
                first.setdefault(c.sat, (t, c.lock[1]))
    fresh = {sat for sat, (t, longest) in first.items() if longest / 1000 <= t - line.a}
    near("satellites", int(of), len(first), 1)
    near("with new lock", int(new), len(fresh), 1)


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


# Work that many lines share: by what it is, file and band.
DONE = {}


def once(name, line, band, work):
    key = (name, line.bundle, line.file, band)
    if key not in DONE:
        DONE[key] = work()
    return DONE[key]


def tens(line, band):
    return once("tens", line, band, lambda: tens_of(line, band))


def falls(line, band):
    return once("falls", line, band, lambda: fall_of(tens(line, band)))


def steps(line, band):
    return once("steps", line, band, lambda: steps_of(line, band))


def tens_of(line, band):
    """Mean C/N0 of each satellite of a band in cells of 10 s, dB-Hz."""
    cells = collections.defaultdict(lambda: collections.defaultdict(list))
    for t, row in line.signals().items():
        for c in row:
            if c.band == band and c.cn0:
                cells[t // 10 * 10][c.sat].append(c.cn0)
    return {t: {sat: statistics.fmean(v) for sat, v in cells[t].items()} for t in sorted(cells)}


def fall_of(cells, limit=2.5):
    """How far the median over the satellites (four or more) is under what was usual, dB: the median of the half hour of cells before
    (at most an hour old) that were not down themselves; where the log has just begun, the median of all of it."""
    level = {t: statistics.median(c.values()) for t, c in cells.items() if len(c) >= 4}
    if not level:
        return {}
    whole, kept, out = statistics.median(level.values()), collections.deque(), {}
    for t, v in level.items():
        while kept and (len(kept) > 180 or t - kept[0][0] > 3_600):
            kept.popleft()
        usual = statistics.median_high(x for _, x in kept) if len(kept) >= 12 else None
        out[t] = (whole if usual is None else usual) - v
        if usual is None or usual - v <= limit:
            kept.append((t, v))
    return out


def own_steady(line):
    """Two carriers and more, none of them down by 2.5 dB for long, over the line's time (one stretch of it)."""
    seen = {}
    for band in ("L1", "L2", "L5", "L6"):
        inside = [d for t, d in falls(line, band).items() if line.a - 10 <= t < line.b + 10]
        if inside:
            seen[band] = sum(d < 2.5 for d in inside) / len(inside)
    true(f"as strong as ever in {seen}", len(seen) >= 2 and min(seen.values()) >= 0.5)


def age_gone(line, age):
    """No age at the end of the line's time; the last one told before it, and the time since."""
    told = [f for f in line.samples.fixes(line.unit) if f.t < line.b + 0.01]
    last = [f for f in told if not math.isnan(f.age)]
    true("an age was told at its end", told and math.isnan(told[-1].age))
    near("age, s", float(age), told[-1].t - last[-1].t + last[-1].age if last else None, 2)


def band_falls(line, band, depth, down, of, edge, rest):
    cells = tens(line, band)
    down_by = falls(line, band)
    inside = {t: d for t, d in down_by.items() if line.a <= t < line.b}
    fallen = {t: d for t, d in inside.items() if d >= 2.5}
    true(f"no four satellites on {band} that fell in this time", fallen)
    # Halves of whole dB-Hz are common in medians of an even number: one place of the median off.
    near("dB", float(depth), statistics.median(fallen.values()), 0.6)
    if down:
        near("s down", int(down), 10 * len(fallen), max(20, 0.1 * int(down)))
        near("s", int(of), 10 * len(inside), 20)
    else:
        true(f"down in {len(fallen)} of {len(inside)} cells only", len(fallen) >= 0.85 * len(inside))
    # The satellites themselves: each against its own mean in undisturbed cells of half an hour on both sides.
    usual, now = collections.defaultdict(list), collections.defaultdict(list)
    for t, row in cells.items():
        if t in fallen:
            for sat, v in row.items():
                now[sat].append(v)
        elif line.a - 1_800 <= t < line.b + 1_800 and down_by.get(t, 0) < 2.5:
            for sat, v in row.items():
                usual[sat].append(v)
    changes = [statistics.fmean(usual[s]) - statistics.fmean(now[s]) for s in now.keys() & usual.keys()]
    if len(changes) >= 4:
        true(f"the satellites themselves fell by {statistics.median(changes):.1f} dB only", statistics.median(changes) >= 0.4 * float(depth))
    # Other bands fell too (`with`) or not (`spared`): half of the limit of 2.5 dB; gone counts as fallen.
    for names, fell in re.findall(r"(with|; )((?: ?L\w+,?)+)", rest or ""):
        for name in re.findall(r"L\w+", fell):
            other = {t: d for t, d in falls(line, name).items() if line.a <= t < line.b}
            d = statistics.median(other.values()) if 2 * len(other) >= len(inside) else math.inf
            true(f"{name} fell by {d:.2f} dB", d >= 1.0 if names == "with" else d < 1.5)


def stays(line, depth, spread, minutes):
    """The middle of the fall, a minute and a half from its edges, has the spread that is told, in ten-second medians over all satellites;
    levels come in whole dB-Hz."""
    cells = line.signals()
    values = []
    for k in range(int(line.a) + 90, int(line.b) - 90, 10):
        inside = [c.cn0 for t in cells if k <= t < k + 10 for c in cells[t] if c.cn0]
        if inside:
            values.append(statistics.median(inside))
    true(f"{len(values)} tens of seconds", len(values) >= 10)
    values.sort()
    found = values[int(0.9 * (len(values) - 1))] - values[int(0.1 * (len(values) - 1))]
    near("spread", spread, found, 1.0)
    near("minutes", minutes, (line.b - line.a) // 60, 1)


def steps_of(line, band, gap=10):
    """By epoch: the common change of a band's satellites since the epoch before (median), and the mean of what each changed beside
    it (None under three satellites), dB. The mean over a satellite's signals counts."""
    out, last = {}, None
    rows = line.signals()
    for t in sorted(rows):
        now = collections.defaultdict(list)
        for c in rows[t]:
            if c.band == band and c.cn0:
                now[c.sat].append(c.cn0)
        now = {sat: statistics.fmean(v) for sat, v in now.items()}
        if last and t - last[0] <= gap:
            moves = [now[s] - last[1][s] for s in now.keys() & last[1].keys()]
            if moves:
                common = statistics.median(moves)
                out[t] = (common, statistics.fmean(abs(m - common) for m in moves) if len(moves) >= 3 else None)
        last = (t, now)
    return out


def band_jumps(line, band, count, largest):
    bands = ["L1", "L2", "L5", "L6", "L2W"] if band == "all bands" else [band]
    inside = {t: s for t, s in steps(line, bands[0]).items() if line.a <= t < line.b}
    near("largest, dB", float(largest), max((abs(c) for c, _ in inside.values()), default=None), 0.1)
    # A cell of 10 s with several jumps counts once. What the satellites do each for itself is left out: a few cells either way.
    jumps = {t // 10 for t, (common, _) in inside.items() if abs(common) >= 2}
    near("cells with jumps", int(count), len(jumps), 2 + 0.05 * len(jumps))
    for other in bands[1:]:
        there = {t // 10 for t, (common, _) in steps(line, other).items() if abs(common) >= 2}
        known = {t // 10 for t in tens(line, other)}
        if known:
            true(f"{other} does not jump with it", sum(bool({j - 1, j, j + 1} & there) for j in jumps) >= 0.5 * len(jumps))


def fading(line, db, bands):
    """What satellites change beside their common change, from epoch to epoch: per cell of 10 s and band its mean, of these the second
    largest over the bands (five satellites and more)."""
    cells = collections.defaultdict(list)
    for band in ("L1", "L2", "L5", "L6"):
        level = tens(line, band)
        means = collections.defaultdict(list)
        for t, (_, beside) in steps(line, band).items():
            if beside is not None and len(level.get(t // 10 * 10, ())) >= 5:
                means[t // 10 * 10].append(beside)
        for t, v in means.items():
            cells[t].append(statistics.fmean(v))
    pick = (lambda v: v[0]) if bands == "the only band" else (lambda v: sorted(v)[-2] if len(v) > 1 else 0.0)
    values = {t: pick(v) for t, v in cells.items()}
    inside = [v for t, v in values.items() if line.a <= t < line.b]
    near("dB", float(db), statistics.median_high(inside) if inside else None, 0.3)
    quiet = sorted(values.values())[len(values) // 4]
    true(f"not more than usual ({quiet:.1f} dB)", float(db) >= 1.3 * quiet)


def few_fade(line, told, of, spread, with_slip):
    """Per minute and satellite: standard deviation of C/N0 of each signal, the largest; lock lost or not; the best mean C/N0."""
    minutes = collections.defaultdict(lambda: collections.defaultdict(lambda: [[], False]))
    last = {}
    for t in sorted(line.rtcm()):
        for c in line.rtcm()[t]:
            if c.band == "L2W":
                continue
            cell = minutes[t // 60 * 60][(c.sat, c.band, c.mhz)]
            if c.cn0:
                cell[0].append(c.cn0)
            key = (c.sat, c.band, c.mhz)
            if c.lock is not None:
                cell[1] |= key in last and c.lock[1] <= last[key]
                last[key] = c.lock[0]
    counts = []
    for t in sorted(m for m in minutes if line.a <= m < line.b):
        sats = collections.defaultdict(lambda: [0.0, False, 0.0])
        for (sat, _, _), (values, slipped) in minutes[t].items():
            s = sats[sat]
            s[0] = max(s[0], statistics.stdev(values) if len(values) > 1 else 0.0)
            s[1] |= slipped
            s[2] = max(s[2], statistics.fmean(values) if values else 0.0)
        # Strong enough not to flutter by itself: 36 dB-Hz (common practice, no source).
        strong = [s for s in sats.values() if s[2] >= 36]
        n = sum(s[0] >= float(spread) or (s[1] and s[0] >= float(with_slip)) for s in strong)
        if n:
            counts.append((n, len(strong)))
    near("satellites that fade", int(told), statistics.median_high(n for n, _ in counts) if counts else None, 1)
    near("strong satellites", int(of), statistics.median_high(n for _, n in counts) if counts else None, 1)


def few(line, told, usual):
    tens = collections.defaultdict(set)
    for t, cells in line.rtcm().items():
        tens[t // 10 * 10] |= {c.sat for c in cells}
    counts = {t: len(sats) for t, sats in tens.items()}
    inside = [n for t, n in counts.items() if line.a <= t < line.b]
    near("satellites", int(told), statistics.median(inside), 3)
    near("usual", int(usual), statistics.median(counts.values()), 3)


def slips(line, rate, percent):
    """Per hour: losses of lock (even the longest lock time of now is shorter than the shortest of before) of every signal, per 1000
    observations; minutes of a signal whose mean C/N0 is under 36 dB-Hz flutter by themselves and are left out (the program leaves
    out what stands under 20 degrees where it knows the direction)."""
    minutes, last = collections.defaultdict(lambda: [0, 0, []]), {}
    for t, cells in sorted(line.rtcm().items()):
        for c in cells:
            if c.lock is None or c.band == "L2W":
                continue
            key = (c.sat, c.band, c.mhz)
            if line.a <= t < line.b:
                cell = minutes[(t // 60, key)]
                cell[0] += key in last and c.lock[1] <= last[key]
                cell[1] += 1
                cell[2] += [c.cn0] if c.cn0 else []
            last[key] = c.lock[0]
    hours = collections.defaultdict(lambda: collections.defaultdict(lambda: [0, 0]))
    for (minute, key), (lost_lock, n, cn0) in minutes.items():
        if cn0 and statistics.fmean(cn0) >= 36:
            sat = hours[minute // 60][key[0]]
            sat[0], sat[1] = sat[0] + lost_lock, sat[1] + n
    true("no strong signals in this time", hours)
    rates = [1_000 * sum(s[0] for s in sats.values()) / sum(s[1] for s in sats.values()) for sats in hours.values()]
    # A satellite that loses lock often: 2.5 per 1000, half of what makes an hour.
    often = [sum(1_000 * s[0] / s[1] >= 2.5 for s in sats.values()) / len(sats) for sats in hours.values()]
    # Low satellites lose lock more often than weak ones: another choice of what is left out.
    near("losses per 1000", float(rate), statistics.fmean(rates), max(3, 0.2 * float(rate)))
    near("satellites", float(percent) / 100, statistics.fmean(often), 0.15)


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


# Middle of the typical C/N0 of a good antenna over elevation (check-values 10.2: common practice, no source), dB-Hz at these degrees.
CURVE_DEG = [7.5, 15.0, 30.0, 50.0, 75.0]
CURVE = {"L1": [36.5, 40.0, 44.0, 47.5, 50.0], "L2": [32.0, 36.5, 41.0, 45.5, 48.5], "L5": [37.0, 41.5, 45.5, 50.0, 52.5]}


def along(row, x):
    for i in range(4):
        if x < CURVE_DEG[i + 1]:
            return row[i] + (row[i + 1] - row[i]) * max(0.0, (x - CURVE_DEG[i]) / (CURVE_DEG[i + 1] - CURVE_DEG[i]))
    return row[4]


def under_curve(line, first, second):
    """GPS alone, whose orbits are in the stream (1019); the program takes all systems: receivers treat them alike to 2.5 dB."""
    rows = line.rtcm()
    true("no GPS orbits or no position", line.other["orbits"] and line.other["position"])
    minutes = collections.defaultdict(list)
    for t, cells in rows.items():
        if line.a <= t < line.b:
            for c in cells:
                if c.sat in line.other["orbits"] and c.cn0 and c.band in CURVE:
                    minutes[(t // 60 * 60, c.sat, c.band)].append(c.cn0)
    under, quarters, directions = {"L1": [], "other": []}, collections.defaultdict(list), {}
    for (t, sat, band), values in minutes.items():
        key = (t // 300, sat)
        if key not in directions:
            directions[key] = rawdata.azimuth_elevation(line.other["orbits"][sat], line.other["position"], t // 300 * 300 + 150)
        az, el = directions[key]
        if el >= 10:
            deficit = along(CURVE[band], el) - statistics.fmean(values)
            under["L1" if band == "L1" else "other"].append(deficit)
            if band == "L1":
                quarters[int(az % 360 // 90)].append(deficit)
    true("no GPS satellite over 10 degrees", under["L1"])
    near("dB", float(first), statistics.median(under["L1"]), 2.5)
    if second:
        near("other bands, dB", float(second), statistics.median(under["other"]) if under["other"] else None, 2.5)
    for q, v in quarters.items():
        true(f"only {statistics.median(v):.1f} dB in the quarter from {90 * q} degrees", statistics.median(v) >= 0.5 * float(first))


def roti_by_minute(line):
    """ROTI (Pi et al. 1997) of GPS, Galileo and BeiDou from the carrier phases of the base: rates over 30 s, spread over five minutes.
    For each minute with four satellites their values; half of the minutes of the line must have them."""
    rows = line.rtcm()
    content, arcs = {}, collections.defaultdict(list)
    a, b = line.a - 300, line.b + 60
    last = {}
    for t in sorted(t for t in rows if a <= t < b):
        by_sat = collections.defaultdict(list)
        for c in rows[t]:
            if c.mhz and not math.isnan(c.phase_m) and (c.cn0 or 0) >= 33:
                by_sat[c.sat].append(c)
        for sat, cells in by_sat.items():
            one = next((c for c in cells if c.band == "L1"), None)
            two = next((c for c in cells if c.band not in ("L1", "L2W", None)), None)
            if not one or not two:
                continue
            tecu = (one.phase_m - two.phase_m) / (40.3e16 * (1 / (two.mhz * 1e6) ** 2 - 1 / (one.mhz * 1e6) ** 2))
            key = (sat, two.mhz)
            slip = any(c.lock and (c.sat, c.mhz) in last and c.lock[1] <= last[(c.sat, c.mhz)] for c in (one, two))
            for c in (one, two):
                last[(c.sat, c.mhz)] = c.lock[0] if c.lock else 0
            if slip:
                arcs[key] = []
            back = [x for x in arcs[key] if abs(t - x[0] - 30) < 0.5]
            arcs[key] = [x for x in arcs[key] if t - x[0] < 31] + [(t, tecu)]
            if back:
                content.setdefault(sat, []).append((t, (tecu - back[0][1]) / 0.5))
    out = []
    minutes = [line.a + 60 * k for k in range(max(1, int((line.b - line.a) // 60)))]
    for m in minutes:
        spreads = []
        for rates in content.values():
            inside = [r for t, r in rates if m - 240 <= t <= m + 60]
            # Half of the five minutes at least, whatever the interval; half a cycle is no rate of the sky.
            if len({int(t // 30) for t, r in rates if m - 240 <= t <= m + 60}) >= 5:
                spreads.append(statistics.pstdev(inside))
        if len(spreads) >= 4:
            out.append(spreads)
    true(f"measured in {len(out)} of {len(minutes)} minutes", len(out) >= 0.5 * len(minutes))
    return out


def few_swing(spreads):
    """Irregular from 0.5 TECU/min on (Ma and Maruyama 2006): half of the satellites at most."""
    return sum(s >= 0.5 for s in spreads) <= len(spreads) / 2


def all_swing(line, _, middle, limit, share):
    """ROTI in the middle of all satellites (without a mask for elevation here), and the part over 0.5 TECU/min."""
    minutes = roti_by_minute(line)
    found = statistics.median(statistics.median(spreads) for spreads in minutes)
    near("TECU/min", float(middle), found, max(0.08, 0.35 * float(middle)))
    over = statistics.fmean(sum(s >= 0.5 for s in spreads) / len(spreads) for spreads in minutes)
    near("% over 0.5", float(share), 100 * over, 20)
    true("neither over its limit nor on half of the satellites", float(middle) >= float(limit) or float(share) >= 50)


def second_weak(line, bands):
    """Ten-second medians of all satellites: inside the line against its time's own and against the upper tenth of the whole log."""

    def level(band):
        cells = tens(line, band)
        medians = sorted(statistics.median(row.values()) for row in cells.values())
        inside = [statistics.median(row.values()) for t, row in cells.items() if line.a <= t < line.b]
        true(f"no {band} inside", inside)
        return statistics.median(inside), medians[int(0.9 * (len(medians) - 1))]

    for band, left, usual in re.findall(rf"(L\w+) {N} dB-Hz, usually {N}", bands):
        now, often = level(band)
        near(f"{band} dB-Hz", float(left), now, 1.5)
        near(f"{band} usually", float(usual), often, 1.5)
        true(f"{band} at {now:.1f} of {often:.1f} dB-Hz is not too weak", now <= 31 and often - now >= 9)
    now, often = level("L1")
    true(f"L1 fell by {often - now:.1f} dB", often - now < 3)


def quiet(line):
    """Under 0.5 TECU/min on most satellites in nine of ten minutes, and under what a disturbed sky shows in the middle of them."""
    minutes = roti_by_minute(line)
    good = sum(statistics.median(spreads) < 0.25 and few_swing(spreads) for spreads in minutes)
    true(f"quiet in {good} of {len(minutes)} minutes", good >= 0.9 * len(minutes))


def no_storm(line):
    """Some may swing, in nine of ten minutes not most, and not all a little: a storm swings all of the sky."""
    minutes = roti_by_minute(line)
    good = sum(few_swing(spreads) and statistics.median(spreads) < 0.4 for spreads in minutes)
    true(f"few satellites swing in {good} of {len(minutes)} minutes", good >= 0.9 * len(minutes))


def around(line):
    """Within the hour around, as far as it is logged: minutes in which two satellites and more swing, but half of them at most, are
    more than those in which most do."""
    a, b = line.a, line.b
    logged = line.rtcm()
    line.a, line.b = max(a - 3600, min(logged)), min(b + 3600, max(logged))
    try:
        minutes = roti_by_minute(line)
    finally:
        line.a, line.b = a, b
    single = sum(few_swing(spreads) and sum(s >= 0.5 for s in spreads) >= 2 for spreads in minutes)
    whole = sum(not few_swing(spreads) for spreads in minutes)
    true(f"single satellites swing in {single} minutes, most in {whole}", single >= 3 and single > whole)


def auroral(line):
    """Dip latitude of the site by the field model (IGRF through ppigrf): 55 degrees and more (check-values 7.4)."""
    found = dip_latitude(line)
    true(f"magnetic latitude {found:.1f}", abs(found) >= 55)
    near("magnetic latitude", line.site["magnetic_latitude"], found, 0.5)


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


def dip_latitude(line):
    """Of the position that the site's base sends, degrees."""
    import datetime

    import ppigrf

    lat, lon = next(p for p in (line.samples.position(b) for b in line.site["bases"]) if p)
    e, n, u = ppigrf.igrf(lon, lat, 0.0, datetime.datetime.fromtimestamp(line.a))
    dip = math.degrees(math.atan2(-float(u.squeeze()), math.hypot(float(e.squeeze()), float(n.squeeze()))))
    return math.degrees(math.atan(math.tan(math.radians(dip)) / 2))


def evening(line):
    lon = line.site["position"]["longitude"]
    hour = (((line.a + line.b) / 2) / 3_600 + lon / 15) % 24
    true(f"solar local time {hour:.1f} h", hour >= 18.5 or hour <= 1.5)
    found = dip_latitude(line)
    true(f"magnetic latitude {found:.1f}", abs(found) <= 25)
    near("magnetic latitude", line.site["magnetic_latitude"], found, 0.5)


N = r"(-?[\d.]+)"
RULES = [
    (rf"the other rovers of the base (were lost|kept their fix) {N} % of the same time \((\d+) observed in the longest period\)", others_state),
    (rf"rovers of neighbouring bases (were lost|kept their fix) {N} % of the same time", neighbours_state),
    (r"no other rover of this base was observed at the time", lambda line: near("rovers", 0, share_lost(line.samples, line.other_rovers(), line.a, line.b)[1], 0)),
    (rf"corrections stayed fresh: mean age {N} s", fresh),
    (rf"corrections were old: mean age {N} s", old),
    (r"corrections were old only as the base sends seldom: no older than its interval and 2 s", as_sent),
    (r"no corrections at all", none_at_all),
    (rf"correction age up to {N} s(, growing .*)?", age_up_to),
    (rf"no correction age any more: the last correction in use is {N} s old", age_gone),
    (r"the rover's own log shows two carriers and more, each as strong as in the half hour before", own_steady),
    (rf"the other rovers of the base had (old|no old) corrections {N} % of this period", others_old),
    (r"corrections stopped for (?:the other|other) rovers in the same seconds", lambda line: stopped(line, True)),
    (r"corrections stopped for this rover at a time of its own", lambda line: stopped(line, False)),
    (r"with fresh corrections the rover was lost too: (\d+) % of that time within 20 min", lambda line, percent: lost_with_fresh(line, percent, True)),
    (
        r"with fresh corrections the other rovers of the base were lost too: (\d+) % of that time within 20 min "
        r"\(this one had none that were fresh\)",
        lambda line, percent: lost_with_fresh(line, percent, False),
    ),
    (r"in the hours around it the other rovers had old corrections while this one had fresh ones", others_old_anyway),
    (r"corrections get old where the rover is far from the base", far_and_old),
    (r"the rover was far from the base", far),
    (rf"the rover's own strong satellites are {N} dB weaker than at its best(?:, for \d+ min within {N} dB)?", rover_weaker),
    (rf"observables every {N} s instead of every second", every),
    (rf"gaps of up to {N} s between observables that usually come every {N} s", gaps),
    (rf"no observables for {N} s", silent),
    (rf"silent for {N} s, then (\d+) of (\d+) satellites with new lock: a restart", restarted),
    (rf"usable second frequency on (\d+) of (\d+) satellites \({N} %\), usually {N} %", second_frequency),
    (r"the second frequency is too weak to be used: median C/N0 on (.+); L1 as usual", second_weak),
    (
        rf"the electron content swings all over the sky for (\d+) min, without fading: ROTI of {N} TECU/min in the middle of all "
        rf"satellites over 25 degrees \(disturbed from {N}\), {N} % of them over 0.5 or with a rate over 1.5",
        all_swing,
    ),
    (r"station messages but no observables for (\d+) min", no_observables),
    (
        rf"median C/N0 of the satellites on (L\w+) falls by {N} dB(?: for (\d+) of (\d+) s)?, (within seconds|slowly)(,? ?.*)",
        band_falls,
    ),
    (rf"while it is {N} dB low, C/N0 stays within {N} dB for (\d+) min: a source of noise is restless", stays),
    (
        rf"C/N0 of all satellites on (L\w+|all bands) jumps in (\d+) of the ten-second steps, up to {N} dB from one epoch to the next",
        band_jumps,
    ),
    (rf"satellites fade each for itself: {N} dB from epoch to epoch on average, on (two bands and more|the only band)", fading),
    (
        rf"(\d+) of (\d+) strong satellites fade within minutes \(C/N0 spread of {N} dB and more, or {N} dB with a loss of lock\)",
        few_fade,
    ),
    (rf"C/N0 is {N} dB under the typical curve over elevation in all directions(?:, {N} dB on the other bands)?", under_curve),
    (r"the base's dual-frequency data show a quiet ionosphere at the time", quiet),
    (r"the electron content over the base swung on few satellites only at the time: a storm swings them all", no_storm),
    (r"within the hour around it single satellites scintillated at the base, and hardly ever the whole sky swung", around),
    (r"the site lies under the auroral zone", auroral),
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
