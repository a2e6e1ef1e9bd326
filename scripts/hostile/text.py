"""Text that wants to be a command, a page or a formula; text without end; bytes that look like the begin of something."""
import os, random
from made import card, gga, nmea, rtcm, zda

MIB = 1 << 20
EVIL = ["<script>alert(1)</script>", "=HYPERLINK(\"http://x\",\"y\")", "+1+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "| pipe | `code` **bold** |", "\x1b[31mred\x1b]0;title\x07",
        "\u202eabc\u2066def", "a\x00b", "tab\tline\nfeed", "{{ 7*7 }}", "\u009b31m", "x" * 10_000]


def fill(path, mib, block):
    with open(path, "wb") as f:
        for _ in range(mib * MIB // len(block)):
            f.write(block)


def units(d):
    for n, name in enumerate(EVIL):
        unit = d / f"bad{n}"
        unit.mkdir()
        (unit / "unit.toml").write_text(card(name, site=name))
        # Half of them lost: the names come into every table.
        (unit / "log.nmea").write_text("".join((zda(s) if s % 60 == 0 else "") + gga(s, quality=4 if s % 900 < 450 else 5) for s in range(25_000, 32_200)))
        (unit / "messages.log").write_text("".join(f"2026-05-09T07:{m:02d}:00Z host prog: restart {name!r} {name}\n" for m in range(50)))


def beside(d):
    quote = lambda v: '"' + v.replace('"', '""') + '"'
    rows = "".join(f"{quote(v)},{quote(v)},{quote(v)},2026-05-09T07:00:00Z,2026-05-09T09:00:00Z,{quote(v)}\n" for v in EVIL)
    (d.parent / "complaints.csv").write_text("id,unit,site,from,to,text\n" + rows)
    rows = "".join(f"2026-05-09T07:30:00Z,larkfield,{quote(v)},{quote(v)},{quote(v)}\n" for v in EVIL)
    (d.parent / "fieldwork.csv").write_text("time,site,unit,what,note\n" + rows)


def file_names(d):
    for n, v in enumerate(EVIL[:-1]):
        name = v.replace("/", "_").replace("\x00", "_")
        (d / f"{name}.bad{n}").write_text("nothing of ours")


def one_line(d):
    for name, head in (("bad.nmea", b"$GPGGA,"), ("bad.csv", b"time,unit,"), ("bad.log", b"2026-05-09T07:00:00Z host prog: "), ("bad.26o", b"     3.04           OBSERVATION DATA")):
        with open(d / name, "wb") as f:
            f.write(head)
            for _ in range(1024 if name == "bad.nmea" else 256):
                f.write(b"1234567," * (MIB // 8))


def one_line_beside(d):
    for name in ("complaints.csv", "fieldwork.csv", "kp.txt", "flares.csv", "places.csv"):
        fill(d.parent / name, 300, b"A" * MIB)
    (d / "bad").mkdir()
    fill(d / "bad" / "unit.toml", 300, b"A" * MIB)


def zero_bytes(d):
    for name in ("bad.nmea", "bad.rtcm3", "bad.csv", "bad.26o", "bad.26d", "bad.log"):
        with open(d / name, "wb") as f:
            f.truncate(256 * MIB)


def encodings(d):
    lines = "".join((zda(s) if s % 60 == 0 else "") + gga(s) for s in range(25_000, 26_000))
    for n, name in enumerate(("utf-16", "utf-16-be", "utf-32")):
        (d / f"bad{n}.nmea").write_bytes(lines.encode(name))
        (d / f"bad{n}.csv").write_bytes("time,unit,voltage\n2026-05-09T07:00:00Z,x,3\n".encode(name))
    (d / "bad.nmea").write_bytes(b"\xef\xbb\xbf" + "".join(nmea(f"GPTXT,01,01,02,Gr\xfc\xdfe {n}") for n in range(99)).encode("latin-1") + lines.encode() + "ä€😀\n".encode() * 99)
    (d / "bad.log").write_bytes("2026-05-09T07:00:00Z host prog: Größe\n".encode("latin-1") * 50 + "2026-05-09T07:00:00Z host prog: Größe\n".encode() * 50)


def settings(d):
    (d.parent / "fleet.toml").write_text("[[site]]\n" + "id = [" * 20_000)
    (d.parent / "catalogue.toml").write_text("a." * 50_000 + "b = 1\n")


def random_block():
    r = random.Random(7)
    return bytes(r.choice((0xD3, 0x00, 0x03, 0x24, 0xB5, 0x62, 0x0A, 0xFF)) for _ in range(MIB))


def long_frames():
    """Frames of the greatest length inside each other, every checksum wrong."""
    return b"\xd3\x03\xff" * 341


FALSE = [
    ("0xD3 for ever", "bad.rtcm3", b"\xd3"),
    ("0xD3 0x03 0xFF: 1,023 byte frames in each other", "bad.rtcm3", long_frames()),
    ("0xD3 0x00 0x13 of 1005, checksum wrong", "bad.rtcm3", b"\xd3\x00\x13\x3e\xd0" + b"\x01" * 20),
    ("sound frames of 0 bytes", "bad.rtcm3", rtcm(b"")),
    ("a sound 1005 for ever", "bad.rtcm3", rtcm(b"\x3e\xd0" + b"\x00" * 17)),
    ("$ for ever", "bad.nmea", b"$"),
    ("$GPGGA, without an end", "bad.nmea", b"$GPGGA,"),
    ("sentences with a wrong checksum", "bad.nmea", b"$GPGGA,072654.00,4706.06,N,00813.68,E,1,33,0.4,478.7,M,18.1,M,,*00\r\n"),
    ("empty lines", "bad.nmea", b"\n"),
    ("$ and 0xD3 in turn", "bad.bin", b"$\xd3\x03\xff"),
    ("other sync bytes: B5 62, AA 44 12, 24 40", "bad.bin", b"\xb5\x62\xff\xff\xaa\x44\x12\x24\x40\xd3"),
    ("a mix of all of them", "bad.bin", random_block()),
    ("commas in a CSV", "bad.csv", b","),
    ("quotes in a CSV", "bad.csv", b"\""),
    ("'> ' epochs without satellites", "bad.26o", b"> 2026 05 09 07 00 00.0000000  0  0\n"),
    ("'&' lines of Compact RINEX", "bad.26d", b"&&&&\n"),
    ("'<13>' of syslog", "bad.log", b"<13>"),
]

HEAD = {
    "bad.26o": b"     3.04           OBSERVATION DATA    M                   RINEX VERSION / TYPE\n" + b" " * 60 + b"END OF HEADER\n",
    "bad.26d": b"3.0                 COMPACT RINEX FORMAT                    CRINEX VERS   / TYPE\n" + b" " * 60 + b"CRINEX PROG / DATE\n"
               + b"     3.04           OBSERVATION DATA    M                   RINEX VERSION / TYPE\n" + b" " * 60 + b"END OF HEADER\n",
}


def false(name, block):
    def make(d):
        fill(d / name, 64, (block * (MIB // len(block) + 1))[:MIB // len(block) * len(block)] if len(block) < MIB else block)
        if name in HEAD:
            body = (d / name).read_bytes()
            (d / name).write_bytes(HEAD[name] + body)
    return make


ROWS = [
    ("units named like commands, pages, formulas", units, {}),
    ("complaints and field work full of formulas", beside, {}),
    ("files named like commands, pages, formulas", file_names, {"listed": ".bad0"}),
    ("lines of 1 GiB and 256 MiB", one_line, {"listed": "bad.nmea"}),
    ("300 MiB lines in the files beside, 300 MiB unit card", one_line_beside, {"listed": "complaints.csv", "codes": (0, 2, 3)}),
    ("files of 256 MiB zero bytes", zero_bytes, {"listed": "bad.nmea"}),
    ("UTF-16, UTF-32, Latin-1 and UTF-8 mixed", encodings, {"listed": "bad0.nmea"}),
    ("settings nested 20,000 deep", settings, {"listed": "fleet.toml", "codes": (0, 2, 3)}),
] + [(f"64 MiB of {what}", false(name, block), {"listed": name, "least_mb_s": 30}) for what, name, block in FALSE]
