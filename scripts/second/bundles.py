"""Writes what each unit hands over: cards, logs, metrics, events, sweeps, as folders or zips, and the mess real ones have."""
import gzip
import os
import time
import zipfile
import numpy as np
from . import nmea, observe

iso = lambda t: time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(int(t)))
day = lambda t: time.strftime("%Y-%m-%d", time.gmtime(int(t)))


def toml_value(v):
    if isinstance(v, bool):
        return "true" if v else "false"
    return f'"{v}"' if isinstance(v, str) else f"{v}"


def card(unit, tables):
    """unit.toml text."""
    out = ["[unit]"] + [f"{k} = {v if k == 'logged_on' else toml_value(v)}" for k, v in unit.items()]
    for name, t in tables.items():
        out += ["", f"[{name}]"] + [f"{k} = {toml_value(v)}" for k, v in t.items()]
    return "\n".join(out) + "\n"


def base_tables(site):
    b = site.base
    out = {"receiver": {"make": b["make"], "model": b["model"], "serial": b["serial"], "firmware": b["firmware"]},
           "antenna": {"model": "TESTANT-4       NONE", "gain_db": b["gain"], "noise_figure_db": 2.0, "feeds": 4, "ground_plane": True,
                       "supply_min_v": b["needs"][0], "supply_max_v": b["needs"][1]},
           "cable": {"kind": b["cable"], "length_m": b["length"], "connectors": 2}}
    if b["card_reference"]:
        out["reference"] = {"latitude": round(site.lat, 9), "longitude": round(site.lon, 9), "height_m": site.h, "station_id": b["station"]}
    out["link"] = {"kind": b["link"], "power_w": 4.0, "mast_m": 5.0}
    return out


def save(folder, name, members, zipped, when, rng):
    """members: dict name -> bytes."""
    if not zipped:
        os.makedirs(f"{folder}/{name}", exist_ok=True)
        for m, data in members.items():
            os.makedirs(os.path.dirname(f"{folder}/{name}/{m}"), exist_ok=True)
            with open(f"{folder}/{name}/{m}", "wb") as f:
                f.write(data)
        return
    os.makedirs(folder, exist_ok=True)
    with zipfile.ZipFile(f"{folder}/{name}.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as z:
        for m, data in members.items():
            at = when.get(m, when[None]) if isinstance(when, dict) else when
            z.writestr(zipfile.ZipInfo(m, time.gmtime(int(at))[:6]), data, zipfile.ZIP_DEFLATED, 1)


def csv_metrics(t, columns):
    """Metric CSV, one row a listed time; NaN stays empty."""
    head = "time," + ",".join(columns)
    data = list(columns.values())
    rows = [iso(x) + "," + ",".join("" if v != v else f"{v:.2f}" for v in vals) for x, *vals in zip(t, *data)]
    return ("\n".join([head] + rows) + "\n").encode()


def event_text(style, host, events, t):
    """Events as CSV or syslog."""
    say = {"restart": "system restart: {d}", "power-fail": "power failure: {d}", "overheat": "overheating: {d}", "antenna-open": "antenna open circuit: {d}",
           "antenna-short": "antenna short circuit: {d}", "settings-change": "settings changed: {d}", "position-change": "reference position changed: {d}",
           "radio-off": "radio off: {d}", "radio-on": "radio on: {d}"}
    rows = sorted((int(t[i]), k, d) for i, k, d in events)
    if style == "csv":
        return ("time,kind,detail\n" + "".join(f"{iso(x)},{k},{d}\n" for x, k, d in rows)).encode(), "events.csv"
    out = []
    extra = [(int(x), "info", "log rotated") for x in t[::2700]]
    for x, k, d in sorted(rows + extra):
        msg = say.get(k, "{d}").format(d=d)
        if style == "syslog5424":
            out.append(f"<{30 if k == 'info' else 28}>1 {iso(x)} {host} receiver 412 - - {msg}\n")
        else:
            out.append(f"<{30 if k == 'info' else 28}>{time.strftime('%b %e %H:%M:%S', time.gmtime(x))} {host} receiver[412]: {msg}\n")
    return "".join(out).encode(), "messages.log"


def sweep(t, spurs, rng, start):
    """Spectrum CSV: L1 and L2 parts, one sweep every two minutes."""
    f = np.concatenate([np.arange(1213e6, 1242e6, 1e6), np.arange(1561e6, 1590e6, 1e6)])
    rows = ["time,frequency_hz,power_dbm"]
    steady = rng.choice(f), rng.uniform(0, 5) if rng.random() < 0.5 else 0.0   # a small line that harms nobody
    for i in range(start, len(t), 120):
        p = -104 + rng.normal(0, 1.1, len(f))
        p += steady[1] * (f == steady[0])
        for on, hz, db in spurs:
            if on[i]:
                p += db * np.exp(-0.5 * ((f - hz) / 7e5) ** 2)
        s = iso(t[i])
        rows += [f"{s},{int(x)},{y:.1f}" for x, y in zip(f, p)]
    return ("\n".join(rows) + "\n").encode()


def base_bundle(folder, stage, con, fx, tracked, rng):
    """The base's bundle(s); returns the register entry when the card is left out of the bundle."""
    site, b, t = stage.site, stage.site.base, stage.site.t
    o = observe.observables(stage, fx, tracked, rng)
    parts = np.split(np.arange(len(t)), np.flatnonzero(np.diff(t) > 1) + 1)
    frames = observe.stream(stage, con, fx, o, rng, b["station"]) if b["log"] != "rinex" else []
    when = np.array([x for x, _ in frames])
    members, written = {}, {None: t[-1]}
    for p in parts:
        tag = day(t[p[0]])
        if b["log"] == "rinex":
            rows = p[(t[p] + 18) % b["interval"] == 0]
            rows = rows[fx.base_up[rows]]
            name = f"{site.base_id[:4]}{time.strftime('%j', time.gmtime(int(t[p[0]])))}0.{time.strftime('%y', time.gmtime(int(t[p[0]])))}o"
            data = observe.rinex_text(stage, fx, o, b["interval"], rows, site.base_id).encode()
            members[name + (".gz" if b["eph"] else "")] = gzip.compress(data, 1) if b["eph"] else data
            if b["eph"]:
                members[name[:-1] + "p"] = observe.rinex_nav(con, stage, t[p[::7200]]).encode()
            continue
        lo, hi = np.searchsorted(when, [t[p[0]], t[p[-1]] + 1])
        chunk = [f for _, f in frames[lo:hi]]
        if b["log"] == "mixed":
            chunk = with_nmea(site, fx, frames[lo:hi], p, rng)
        data = b"".join(chunk)
        if rng.random() < 0.2:
            data = data[int(rng.integers(3, 90)):]               # the capture began in the middle of a frame
        if rng.random() < 0.15:
            data = b"console: port 2 opened, 115200 8N1\r\n" + data
        name = f"{'capture' if b['log'] == 'mixed' else 'corrections'}_{tag}.{'log' if b['log'] == 'mixed' else 'rtcm3'}"
        members[name], written[name] = data, t[p[-1]]
    k = np.arange(0, len(t), 10)
    k = k[fx.base_up[k]]
    if b["metrics"]:
        c = {"antenna_voltage_v": b["volts"] + rng.normal(0, 0.015, len(k)), "antenna_current_ma": b["ma"] + rng.normal(0, 0.5, len(k)),
             "supply_voltage_v": 12.6 + rng.normal(0, 0.04, len(k)),
             "temperature_c": 22 + 8 * np.sin((t[k] / 3600 + site.lon / 15 - 9) / 24 * 6.283) + rng.normal(0, 0.2, len(k))}
        if rng.random() < 0.4:
            c["noise_level_l1_db"], c["noise_level_l2_db"] = 31 + rng.normal(0, 0.3, len(k)), 33 + rng.normal(0, 0.3, len(k))
        for name, change in fx.base_metrics.items():
            if name in c:
                c[name] = c[name] + change[k]
        if b["log"] != "rinex" and rng.random() < 0.3:
            c.pop("temperature_c")
        members["metrics.csv"] = csv_metrics(t[k], c)
    if b["events"] != "none":
        data, name = event_text(b["events"], site.base_id.lower(), fx.base_events, t)
        if data.count(b"\n") > 1 or rng.random() < 0.5:
            members[name] = data
    if b["spectrum"] or (fx.spurs and rng.random() < 0.35):
        members["sweep.csv"] = sweep(t, fx.spurs, rng, int(rng.integers(0, 100)))
    if rng.random() < 0.15:
        members["notes.txt"] = b"battery changed, lid cleaned\n"
    if rng.random() < 0.12:
        members["internal.bin"] = rng.integers(0, 256, 4000, dtype=np.uint8).tobytes()
    unit = {"id": site.base_id, "role": "base", "site": site.id, "label": "base " + site.name}
    entry = None
    if b["unit_toml"]:
        members = {"unit.toml": card({**unit, **({"logged_on": day(t[0])} if len(parts) == 1 else {})}, base_tables(site)).encode(), **members}
    else:
        entry = (unit, base_tables(site), f"{site.id}/{site.base_id}*")
    save(f"{folder}/{site.id}", site.base_id, members, rng.random() < 0.7 or not b["unit_toml"], written, rng)
    return entry


def with_nmea(site, fx, frames, rows, rng):
    """A serial port that carries the base's own NMEA between the frames."""
    t = site.t[rows[fx.base_up[rows]]]
    t = t[t % 10 == 0]
    hms = nmea.clock(t)
    la, lo = nmea.degrees(np.full(len(t), site.lat), 7, 2), nmea.degrees(np.full(len(t), site.lon), 7, 3)
    ns, ew = "N" if site.lat >= 0 else "S", "E" if site.lon >= 0 else "W"
    a = nmea.seal([f"GNGGA,{h}.00,{x},{ns},{y},{ew},7,{n:02d},0.7,{site.h:.3f},M,0.000,M,," for h, x, y, n in zip(hms, la, lo, rng.integers(14, 22, len(t)))])
    z = nmea.seal([f"GNZDA,{h}.00,{time.strftime('%d,%m,%Y', time.gmtime(int(x)))},00,00" for h, x in zip(hms, t)])
    mixed = [(int(x), 0, p + q) for x, p, q in zip(t, a, z)] + [(x, 1, f) for x, f in frames]
    mixed.sort(key=lambda c: (c[0], c[1]))
    return [c[2] for c in mixed]


def rover_bundles(folder, stage, n, run, fx, rng):
    """One rover's bundle(s)."""
    site, t = stage.site, stage.site.t
    rover = site.rovers[n]
    p = rover.prefs
    entry = None
    chunks = nmea.rover_log(site, rover, n, run, fx, stage.view, rng)
    if not chunks:
        return None
    when = np.array([c[0] for c in chunks])
    dated = bool(p["rmc"] or p["zda"])
    spans = site.sessions
    if len(spans) == 1 and rng.random() < 0.12:                   # handed over twice: the two overlap
        a, b = spans[0]
        m = (a + b) // 2
        spans = [(a, m + 400), (m - 400, b)]
        apart = True
    else:
        apart = len(spans) > 1 and (not dated or rng.random() < 0.5)
    bundles = [[s] for s in spans] if apart else [spans]
    firmware = {"make": p["make"], "model": p["model"], "serial": f"{1000 + n}{len(site.id)}", "firmware": p["firmware"]}
    for k, group in enumerate(bundles):
        members, first, written = {}, None, {None: group[-1][1]}
        for q, (a, b) in enumerate(group):
            lo, hi = np.searchsorted(when, [a, b])
            if hi <= lo:
                continue
            first = when[lo] if first is None else first
            data = b"".join(c[1] for c in chunks[lo:hi])
            if rng.random() < 0.1:
                data = data[int(rng.integers(5, 60)):]
            name = f"nmea/{day(when[lo])}{'' if len(group) == 1 else f'_{q}'}.{'txt' if p['lf'] else 'nmea'}"
            members[name], written[name] = data, b
        if first is None:
            continue
        rows = np.flatnonzero((t >= group[0][0]) & (t < group[-1][1]) & (run["state"] >= 0))
        rows = rows[rows % 10 == 0]
        if p["metrics"]:
            members["metrics.csv"] = csv_metrics(t[rows], radio(site, rover, n, fx, rows, rng))
        if p["events"] and (fx.rov_events[n] or rng.random() < 0.3):
            ev = [e for e in fx.rov_events[n] if group[0][0] <= t[e[0]] < group[-1][1]]
            members["events.csv"] = event_text("csv", rover.id, ev, t)[0]
        if p["spectrum"]:
            members["sweep.csv"] = sweep(t[rows[0]:rows[-1]], [(s[0][rows[0]:rows[-1]], s[1], s[2]) for s in fx.rov_spurs[n]], rng, 30) if len(rows) > 40 else b""
            members = {x: y for x, y in members.items() if y}
        unit = {"id": rover.id, "role": "rover", "site": site.id, "label": rover.label, **({"logged_on": day(first)} if len(group) == 1 else {})}
        tables = {"receiver": firmware, "link": {"kind": site.base["link"]}}
        if p["card"]:
            members = {"unit.toml": card(unit, tables).encode(), **members}
        else:                                                    # the register knows it
            entry = ({x: y for x, y in unit.items() if x != "logged_on"}, tables, f"{site.id}/{rover.id}*")
        name = rover.id + (f"_{k + 1}" if len(bundles) > 1 else "")
        save(f"{folder}/{site.id}", name, members, rng.random() < 0.75 or not p["card"], written, rng)
    return entry


def radio(site, rover, n, fx, rows, rng):
    """Radio level (plane earth, 36 dBm, masts 5 and 2.5 m; check-values 12.5), loss in per cent, supply."""
    d = np.maximum(np.hypot(rover.east, rover.north)[rows], 50)
    if site.base["link"] == "network":
        level = -78 + rng.normal(0, 2.5, len(rows))
    else:
        level = np.minimum(36 - (40 * np.log10(d) - 22) + rng.normal(0, 2, len(rows)), -35)
    level = level + fx.rssi[n][rows]
    lost = np.where(fx.link_down[n], 1.0, fx.link_loss[n])
    lost = np.convolve(lost, np.ones(10) / 10, "same")[rows] * 100
    c = {"radio_rssi_dbm": np.maximum(level, -125), "radio_loss_pct": np.clip(lost + rng.normal(0, 0.4, len(rows)), 0, 100),
         "supply_voltage_v": 13.6 + rng.normal(0, 0.12, len(rows))}
    for name, change in fx.rov_metrics[n].items():
        c[name] = c[name] + change[rows]
    return c
