"""Plans a fleet, runs each site until its faults cost enough, and writes bundles, register and truth."""
import copy
import json
import os
import sys
import time
from zoneinfo import ZoneInfo
from datetime import datetime
import numpy as np
from . import base_faults, bundles, link_faults, rover_faults, simulate, sky_faults, world
from .sky import Constellation

CLASSES = {c.cause: c for m in (base_faults, link_faults, sky_faults, rover_faults) for c in m.ALL}
REGIONAL = {"sky-scintillation": "scintillation", "sky-storm": "storm"}
ENOUGH = 0.25                                   # rover-hours a fault must cost at its site (or 3 % of what is watched, if less)
TOO_ALIKE = {frozenset(p) for p in [("link-range", "long-baseline"), ("base-restart", "base-firmware"), ("base-weak-signal", "base-antenna-power")]}


def plan(rng, count, scenario, forced):
    """Regions and, for every site, its causes."""
    regions = world.regions(rng, count, 2 if scenario == "single" or forced else 0)
    causes = [[] for _ in range(count)]
    belts = [a[3] for a, n in regions for _ in range(n)]
    region_of = [r for r, (a, n) in enumerate(regions) for _ in range(n)]
    styles = [None] * len(regions)
    if forced:
        causes = [forced[k % len(forced)].split("+") for k in range(count)]
    elif scenario == "single":
        order = list(rng.permutation(list(CLASSES)))
        deal = [str(order[k % len(order)]) for k in range(count)]
        lonely = [k for k in range(count) if region_of.count(region_of[k]) == 1]
        for want, belt in (("sky-scintillation", ("equatorial", "auroral")), ("sky-storm", ("auroral", "middle", "equatorial"))):
            for k in [k for k, c in enumerate(deal) if c == want]:
                free = [j for j in lonely if belts[j] in belt and deal[j] not in REGIONAL] or [k]
                j = int(rng.choice(free)) if k not in free else k
                deal[k], deal[j] = deal[j], deal[k]
        causes = [[c] for c in deal]
    elif scenario == "mixed":
        kinds = np.array([1] * round(count * .5) + [2] * round(count * .25) + [0] * count)[:count]
        kinds = rng.permutation(kinds)
        weather = {}
        # mostly small regions, or bad weather would crowd out the other causes
        most = 4 if rng.random() < 0.25 else 2
        small = lambda rs: [r for r in rs if regions[r][1] <= most] or rs
        hot = [r for r, (a, n) in enumerate(regions) if a[3] != "middle"]
        if hot:
            weather[int(rng.choice(small(hot)))] = "sky-scintillation"
        rest = [r for r in range(len(regions)) if r not in weather]
        if rest:
            weather[int(rng.choice(small(rest)))] = "sky-storm"
        # the sites under bad weather are not among the healthy ones
        under = [k for k in range(count) if region_of[k] in weather]
        order = under + [int(k) for k in rng.permutation([k for k in range(count) if k not in under])]
        shares = sorted(kinds[kinds > 0].tolist(), key=lambda _: rng.random()) + [0] * int((kinds == 0).sum())
        kinds = dict(zip(order, shares))
        deck = []
        for k in range(count):
            mine = [weather[region_of[k]]] if region_of[k] in weather else []
            while len(mine) < kinds[k]:
                if not deck:
                    deck = [str(c) for c in rng.permutation([c for c in CLASSES if c not in REGIONAL])]
                ok = [c for c in deck if c not in mine and all(frozenset((c, m)) not in TOO_ALIKE for m in mine)]
                pick = (ok or [c for c in CLASSES if c not in REGIONAL and c not in mine])[0]
                if pick in deck:
                    deck.remove(pick)
                mine.append(pick)
            causes[k] = mine
    for k, c in enumerate(causes):
        if "sky-scintillation" in c:
            styles[region_of[k]] = "evening"
        elif "sky-storm" in c and styles[region_of[k]] is None:
            styles[region_of[k]] = str(rng.choice(["noon", "morning", "evening"], p=[0.5, 0.25, 0.25]))
    if forced:
        fits = [a for a in world.ANCHORS if a[3] != "middle"]
        evening = {region_of[k] for k in range(count) if "sky-scintillation" in causes[k]}
        regions = [(fits[int(rng.integers(len(fits)))] if r in evening and a[3] == "middle" else a, n)
                   for r, (a, n) in enumerate(regions)]
    return [(a, n, s) for (a, n), s in zip(regions, styles)], causes


def settle(site, con, causes, rng, weather_seed):
    """Draws the site's faults, stronger as needed, until each costs enough. Returns stage, run, periods, hours, weather."""
    for c in causes:
        wants = CLASSES[c].wants
        if wants and site.base["log"] not in wants:
            site.base["log"] = str(wants[0])
    # decoys: a listed firmware that does no harm here
    if "base-firmware" not in causes and rng.random() < 0.06:
        site.base["model"], site.base["firmware"] = "NX-Base", "3.4.2"
    if "rover-firmware" not in causes and rng.random() < 0.06:
        site.rovers[0].prefs.update(model="RM-20", firmware="6.0.2")
    seeds = {c: int(rng.integers(2**62)) for c in causes}
    power = {c: 1.0 for c in causes}
    low = {}                                                    # the last severity that was too little
    watched = sum(int(r.on.sum()) for r in site.rovers) / 3600
    stage = simulate.Stage(site, con, rng)
    keep = copy.deepcopy((site.base, site.rovers))
    best = None
    enough = min(ENOUGH, 0.03 * sum(b - a for a, b in site.sessions) / 3600 * len(site.rovers))
    for attempt in range(9):
        site.base, site.rovers = copy.deepcopy(keep)
        kind = next((REGIONAL[c] for c in causes if c in REGIONAL), None)
        site.weather = sky_faults.Weather(np.random.default_rng(weather_seed), kind, site.centre[0], site.centre[1], site.sessions) if kind else None
        site.faults = [CLASSES[c](site, stage.view, np.random.default_rng(seeds[c]), power[c]) for c in causes]
        full, periods, hours = simulate.truth(stage)
        short = [c for c in causes if hours.get(c, 0) < enough]
        # a cliff: nothing at one severity, all day lost at the next; then try between
        over = [c for c in causes if c in low and hours.get(c, 0) > 0.6 * watched]
        rank = (len(short), len(over), -sum(hours.get(c, 0) for c in short))
        if best is None or rank < best[0]:
            best = (rank, full, periods, hours, site.weather, copy.deepcopy((site.base, site.rovers)), dict(power))
        if not short and not over:
            break
        for c in over:
            power[c] = (power[c] + low[c]) / 2
        for c in short:
            low[c] = power[c]
            power[c] *= 1.45
            if attempt >= 2 and c not in REGIONAL:
                seeds[c] = int(rng.integers(2**62))
    _, full, periods, hours, weather, (site.base, site.rovers), power = best
    weak = [c for c in causes if hours.get(c, 0) < ENOUGH / 2.5]
    if weak:                                                    # hopeless here (a strong base, a short day): it is left out
        print(f"  {site.id}: left out, too weak after {attempt + 1} draws: {weak}", file=sys.stderr)
        causes[:] = [c for c in causes if c not in weak]
        site.base, site.rovers = keep
        return settle(site, con, causes, rng, weather_seed)
    return stage, full, periods, hours, weather, power


def complaints_of(site, periods, hours, rng, number):
    """About one complaint a faulty site, some at healthy ones; (row, truth)."""
    t = site.t
    real = [p for p in periods if p[3] != "unexplained"]
    zone = ZoneInfo(site.zone)
    text = ["lost fix again", "machine stopped, no RTK", "float for a long time", "keeps dropping out, operator waits", "accuracy warning"]
    if real:
        share = np.array([p[2] - p[1] for p in real], float)
        r, a, b, _, _ = real[int(rng.choice(len(real), p=share / share.sum()))]
        lo, hi = int(t[a]) - int(rng.integers(2, 20)) * 60, int(t[b - 1]) + int(rng.integers(2, 20)) * 60
    elif rng.random() < 0.3:
        r = int(rng.integers(len(site.rovers)))
        s = site.sessions[0]
        lo = int(rng.integers(s[0] + 600, s[1] - 1500))
        hi = lo + int(rng.integers(600, 1500))
    else:
        return None
    lo, hi = lo - lo % 60, hi - hi % 60 + 60
    sums, partner = {}, {}
    for q, a, b, c, others in periods:
        if q == r:
            x = max(0, min(hi, int(t[b - 1]) + 1) - max(lo, int(t[a])))
            if x:
                sums[c] = sums.get(c, 0) + x
                for o in others:
                    partner.setdefault(c, set()).add(o)
    cause = max(sums, key=sums.get) if sums else "unexplained"
    alike = sorted(partner.get(cause, set()) | {c for c in sums if c != cause and sums[c] > 0.7 * sums[cause]} - {cause})
    unit = site.rovers[r].id if rng.random() < 0.8 else ""
    if not unit:                                                # a whole site: count everybody
        sums = {}
        for q, a, b, c, others in periods:
            x = max(0, min(hi, int(t[b - 1]) + 1) - max(lo, int(t[a])))
            sums[c] = sums.get(c, 0) + x
        sums = {c: x for c, x in sums.items() if x}
        cause = max(sums, key=sums.get) if sums else "unexplained"
        alike = sorted(c for c in sums if c != cause and sums[c] > 0.7 * sums[cause])
    local = lambda x: datetime.fromtimestamp(x, zone).strftime("%Y-%m-%d %H:%M") if number % 3 == 0 else bundles.iso(x)
    row = f"C-{number},{unit},{site.id},{local(lo)},{local(hi)},{text[int(rng.integers(len(text)))]}"
    return row, {"id": f"C-{number}", "cause": cause, **({"or": alike} if alike else {})}


def shifts_of(site):
    """Shift text in local time around the sessions, or nothing."""
    zone = ZoneInfo(site.zone)
    lo = min(datetime.fromtimestamp(a, zone).hour * 60 + datetime.fromtimestamp(a, zone).minute for a, _ in site.sessions)
    length = max(b - a for a, b in site.sessions) // 60
    start, end = max(0, lo - 30) // 30 * 30, lo + length + 60
    end = (end + 29) // 30 * 30
    if end > 1440:
        end -= 1440
        if end >= start:
            return None
    return f"Mon-Sun {start // 60:02d}:{start % 60:02d}-{end // 60:02d}:{end % 60:02d}"


def beside(out, rng, sites, entries, weathers):
    """fleet.toml, kp.txt, flares.csv, places.csv, catalogue.toml."""
    lines = []
    for s in sites:
        lines += ["[[site]]", f'id = "{s.id}"', f'name = "{s.name}"', f'time_zone = "{s.zone}"', f"latitude = {s.lat:.5f}", f"longitude = {s.lon:.5f}"]
        sh = shifts_of(s)
        if sh and s.rng.random() < 0.6:
            lines.append(f'shifts = ["{sh}"]')
        lines += ["hourly_cost = 140.0", ""]
    for unit, tables, glob in entries:
        lines += ["[[unit]]"] + [f'{k} = "{v}"' for k, v in unit.items()] + [f'path = "{glob}"']
        for name, t in tables.items():
            lines += [f"[unit.{name}]"] + [f"{k} = {bundles.toml_value(v)}" for k, v in t.items()]
        lines.append("")
    open(f"{out}/fleet.toml", "w").write("\n".join(lines) + "\n")
    lo = min(s.t[0] for s in sites) // 10800 * 10800 - 86400
    hi = max(s.t[-1] for s in sites) + 86400
    ap = [0, 2, 3, 4, 5, 6, 7, 9, 12, 15, 18, 22, 27, 32, 39, 48, 56, 67, 80, 94, 111, 132, 154, 179, 207, 236, 300, 400]
    rows = ["# planetary index, practice data, not measured", "#YYY MM DD hh.h hh._m        days      days_m     Kp   ap D"]
    flares = []
    for w in weathers:
        if w.flare:
            flares.append((w.flare[0], w.flare[1]))
    walk = 2.0
    for x in range(int(lo), int(hi), 10800):
        walk = float(np.clip(walk + rng.normal(0, 0.7), 0.3, 4.3))
        kp = walk
        for w in weathers:
            spans = [(a, a + d) for a, d, _ in w.spells] if w.kind == "storm" else ([(w.first, w.last)] if w.lat and abs(w.lat) > 55 else [])
            if any(a < x + 10800 and b > x for a, b in spans):
                kp = max(kp, w.kp if w.kind == "storm" else w.kp - 2.5)
        k = int(round(kp * 3))
        d = x / 86400 + 13880
        h = x % 86400 / 3600
        rows.append(f"{time.strftime('%Y %m %d', time.gmtime(x))} {h:04.1f} {h + 1.5:05.2f} {d:11.5f} {d + 0.0625:11.5f} "
                    f"{k / 3:6.3f} {ap[min(k, 27)]:4d} 0")
    for x in rng.uniform(lo, hi, rng.integers(2, 6)):
        flares.append((x, str(rng.choice(["C4.1", "M1.2", "C8.8", "M2.0"]))))
    if weathers or rng.random() < 0.6:
        open(f"{out}/kp.txt", "w").write("\n".join(rows) + "\n")
        open(f"{out}/flares.csv", "w").write("time,class\n" + "".join(f"{bundles.iso(x)},{c}\n" for x, c in sorted(flares)))
    from .sky import offset_to_geodetic
    rows = ["name,kind,latitude,longitude"]
    for s in sites:
        if rng.random() < 0.4:
            la, lo_ = offset_to_geodetic(s.lat, s.lon, rng.normal(0, 4000), rng.normal(0, 4000))
            rows.append(f"{s.id} {rng.choice(['north', 'south', 'hill'])},{rng.choice(['cell', 'tv', 'airport', 'radar', 'power'])},{la:.5f},{lo_:.5f}")
    open(f"{out}/places.csv", "w").write("\n".join(rows) + "\n")
    open(f"{out}/catalogue.toml", "w").write(
        '[[firmware]]\nmodel = "NX-Base"\nversions = [">=3.4.0, <3.4.5"]\ntrouble = "phases start anew every few minutes, epochs missing"\nmends = "3.4.5"\n\n'
        '[[firmware]]\nmodel = "RM-20"\nversions = ["6.0.2", "6.0.3"]\ntrouble = "the fix engine drops out at a steady beat"\nmends = "6.1.0"\n')


def told(site, causes, periods, ranked):
    """The site's entry in truth.json. `or` of a site: causes that share half of the first one's time, or cost nearly as much."""
    hours = dict(ranked)
    first = next((k for k, _ in ranked if k != "unexplained"), None)
    mine = [p for p in periods if p[3] == first]
    total = sum(p[2] - p[1] for p in mine) or 1
    shared = {}
    for p in mine:
        for o in p[4]:
            shared[o] = shared.get(o, 0) + p[2] - p[1]
    alike = sorted(o for o, x in shared.items() if x > 0.5 * total and o != "unexplained")
    alike += [k for k, v in ranked if first and k not in (first, "unexplained", *alike) and v > 0.85 * hours[first]]
    lost = []
    for r, a, b, cause, others in sorted(periods, key=lambda p: (p[0], p[1])):
        if b - a >= 2:
            lost.append({"unit": site.rovers[r].id, "from": bundles.iso(site.t[a]), "to": bundles.iso(site.t[b - 1] + 1), "cause": cause,
                         **({"or": others} if others else {})})
    return {"site": site.id, "healthy": not causes, "causes": [{"cause": k, "lost_fix_hours": round(v, 4)} for k, v in ranked if k != "unexplained"],
            **({"or": alike} if alike else {}), "float_periods": lost}


def make(out, seed, count, rovers, hours, scenario, forced=None, quiet=False):
    rng = np.random.default_rng([seed, 20260])
    root = f"{out}/bundles"
    os.makedirs(root, exist_ok=True)
    day0 = 1735689600 + int(rng.integers(0, 640)) * 86400
    con = Constellation(np.random.default_rng([seed, 7]), float(day0))
    regions, causes = plan(rng, count, scenario, forced)
    sites = world.build(rng, regions, rovers, hours, day0)
    centre = {}
    for s in sites:
        centre.setdefault(s.region, (s.lat, s.lon, int(rng.integers(2**62))))
    truth, entries, weathers, rows, answers = [], [], {}, [], []
    for s, c in zip(sites, causes):
        started = time.time()
        srng = np.random.default_rng(rng.integers(2**62))
        s.centre = centre[s.region]
        stage, (fx, base, runs), periods, hrs, weather, power = settle(s, con, c, srng, s.centre[2])
        if weather:
            weathers[s.region] = weather
        entry = bundles.base_bundle(root, stage, con, fx, base, srng)
        if entry:
            entries.append(entry)
        for n in range(len(s.rovers)):
            entry = bundles.rover_bundles(root, stage, n, runs[n], fx, srng)
            if entry:
                entries.append(entry)
        ranked = sorted(hrs.items(), key=lambda kv: (-kv[1], kv[0]))
        truth.append(told(s, c, periods, ranked))
        got = complaints_of(s, periods, hrs, srng, len(rows) + 1)
        if got:
            rows.append(got[0])
            answers.append(got[1])
        if not quiet:
            watch = sum(int((o["state"] >= 0).sum()) for o in runs) / 3600
            kinds = ",".join(f"{f.cause}{'/' + str(f.kind) if hasattr(f, 'kind') else ''} x{power[f.cause]:.2g}" for f in s.faults) or "healthy"
            costs = ", ".join(f"{k} {v:.2f}" for k, v in ranked)
            print(f"{s.id:16s} {s.belt:10s} {s.base['log']:6s} {s.base['systems']:4s} {kinds}: {watch:.1f} h, {costs} "
                  f"({time.time() - started:.1f} s)", file=sys.stderr)
        s.faults = []
        s.t = s.t.copy()
    beside(root, rng, sites, entries, list(weathers.values()))
    open(f"{root}/complaints.csv", "w").write("id,unit,site,from,to,text\n" + "\n".join(rows) + "\n")
    window = {"from": bundles.iso(min(s.t[0] for s in sites)), "to": bundles.iso(max(s.t[-1] for s in sites) + 1)}
    with open(f"{out}/truth.json", "w") as f:
        json.dump({"schema": "lostfix-truth/1", "window": window, "sites": truth, "complaints": answers}, f, indent=1)
