"""Data that are well-formed and cannot be true."""
from made import card, gga, rtcm, station_1005, zda


def rover(d, name, lines, role="rover", site="badsite", log="log.nmea"):
    (d / name).mkdir(parents=True, exist_ok=True)
    (d / name / "unit.toml").write_text(card(name, role, site))
    (d / name / log).write_text(lines)


def day(year=2026, start=25_000, n=7_200, **more):
    return "".join((zda(s, year=year) if s % 60 == 0 else "") + gga(s, quality=4 if s % 900 < 450 else 5, **more) for s in range(start, start + n))


def jumps(d):
    rover(d, "bad1", day(2026) + day(1990) + day(2099) + day(2026, start=25_100) + day(2006) + day(9999) + day(1))
    rover(d, "bad2", "".join(zda(s, year=1980 + s % 120) + gga(s) for s in range(20_000)))
    rover(d, "bad3", "".join(zda(86_400 * (s % 2) - s % 2, day=31, month=2) + gga(s) for s in range(2000)))
    # A clock that runs backwards, a second at a time.
    rover(d, "bad4", "".join((zda(s) if s % 60 == 0 else "") + gga(s) for s in range(80_000, 20_000, -1)))


def places(d):
    for n, (lat, lon, height) in enumerate(((90, 180, 0), (-90, -180, 0), (0, 0, 0), (47, 179.9999999, 100), (47, 8, -9_000), (47, 8, 400_000_000), (91, 361, 0))):
        rover(d, f"bad{n}", day(lat=lat, lon=lon, height=height))
    # Every second somewhere else on Earth.
    rover(d, "bad9", "".join((zda(s) if s % 60 == 0 else "") + gga(s, lat=(s * 7919) % 180 - 90, lon=(s * 104_729) % 360 - 180) for s in range(25_000, 32_200)))


def stations(d):
    (d / "bad").mkdir()
    (d / "bad" / "unit.toml").write_text(card("bad", "base"))
    (d / "bad" / "log.rtcm3").write_bytes(b"".join(station_1005(n) for n in range(4096)) * 5)
    rover(d, "bad2", "".join((zda(s) if s % 60 == 0 else "") + gga(s, station=s % 4096) for s in range(25_000, 45_000)))


def thirty_bases(d):
    for n in range(30):
        base = d / f"badbase{n}"
        base.mkdir()
        (base / "unit.toml").write_text(card(f"badbase{n}", "base", f"badsite{n}"))
        (base / "log.rtcm3").write_bytes(station_1005(n) * 100)
    rover(d, "bad", "".join((zda(s) if s % 60 == 0 else "") + gga(s, station=s // 20 % 30, quality=4 if s % 40 < 30 else 5) for s in range(25_000, 60_000)), site="badsite3")


def five_hundred(d):
    (d / "badbase").mkdir()
    (d / "badbase" / "unit.toml").write_text(card("badbase", "base"))
    (d / "badbase" / "log.rtcm3").write_bytes(station_1005(7) * 1000)
    text = day()
    for n in range(500):
        rover(d, f"bad{n}", text)


def hundred_hertz(d):
    rover(d, "bad", "".join((zda(s) if s % 60 == 0 else "") + "".join(gga(s + k / 100, quality=4 if s % 90 < 45 else 5) for k in range(100)) for s in range(25_000, 29_000)))


def twice(d):
    line = "".join((zda(s) if s % 60 == 0 else "") + gga(s, quality=4) + gga(s, quality=5) + gga(s, quality=1, lat=-48) for s in range(25_000, 32_200))
    rover(d, "bad", line)


def flicker(d):
    """A loss every second one: the most periods a day can have."""
    for n in range(4):
        rover(d, f"bad{n}", "".join((zda(s) if s % 60 == 0 else "") + gga(s, quality=4 if s % 2 else 5) for s in range(0, 86_400)))


def many_restarts(d):
    rover(d, "bad", day())
    (d / "bad" / "messages.log").write_text("".join(f"2026-05-09T{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}Z host kernel: restart, reason watchdog\n" for s in range(86_400)))


def five_thousand_files(d):
    (d / "bad").mkdir()
    (d / "bad" / "unit.toml").write_text(card("bad"))
    for n in range(5000):
        (d / "bad" / f"log{n:04d}.nmea").write_text(zda(25_000 + n) + gga(25_000 + n))


def same_unit(d):
    for n in range(300):
        (d / f"copy{n}").mkdir()
        (d / f"copy{n}" / "unit.toml").write_text(card("bad"))
        (d / f"copy{n}" / "log.nmea").write_text(day(start=20_000 + n, n=600))


ROWS = [
    ("time jumps of years, clocks that run backwards", jumps, {}),
    ("poles, 180 degrees, below ground, in orbit", places, {}),
    ("4,096 stations of one base and of one rover", stations, {}),
    ("one rover with 30 bases", thirty_bases, {}),
    ("a base with 500 rovers", five_hundred, {"limit_s": 120}),
    ("100 Hz epochs for an hour", hundred_hertz, {}),
    ("every epoch three times, with other states", twice, {}),
    ("a loss every second second for a day", flicker, {}),
    ("86,400 restarts logged", many_restarts, {}),
    ("5,000 files of one second", five_thousand_files, {}),
    ("300 bundles of one unit that overlap", same_unit, {}),
]
