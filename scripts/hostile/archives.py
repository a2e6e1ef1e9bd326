"""Archives and folders as nobody should send them."""
import gzip, os, socket, struct, threading, time, zlib
from made import Zip, deflate, gga, zda

MIB = 1 << 20
ZEROS = bytes(MIB)


def line_bomb(mib):
    """Sound sentences, one and the same for ever: a ratio of nearly a thousand."""
    block = (zda(1) + gga(1)).encode() * 10_000
    return deflate([block] * (mib * MIB // len(block))), mib * MIB // len(block) * len(block)


def plain_bomb(d):
    packed = deflate([ZEROS] * 4096)
    z = Zip()
    z.add("log/zeros.nmea", b"", method=8, packed=packed, size=0xFFFFFFFF, crc=0)
    (d / "bomb.zip").write_bytes(z.bytes())


def sentence_bomb(d):
    packed, size = line_bomb(4000)
    z = Zip()
    z.add("log/bomb.nmea", b"", method=8, packed=packed, size=size, crc=0)
    (d / "bomb.zip").write_bytes(z.bytes())


def nested_bomb(d):
    z = Zip()
    z.add("zeros.nmea", b"", method=8, packed=deflate([ZEROS] * 1024), size=1 << 30, crc=0)
    inner = z.bytes()
    for _ in range(5):
        z = Zip()
        for n in range(16):
            z.add(f"{n}.zip", inner, method=8)
        inner = z.bytes()
    (d / "bomb.zip").write_bytes(inner)


def overlapping(d):
    z = Zip()
    body = (zda(1) + gga(1)).encode() * 200_000
    at = z.add("0.nmea", body, method=8)
    packed = deflate([body])
    for n in range(1, 30_000):
        z.add(f"{n}.nmea", body[:0], method=8, packed=packed, size=len(body), crc=zlib.crc32(body), at=at)
    (d / "bomb.zip").write_bytes(z.bytes())


def gz_bomb(d):
    with gzip.open(d / "bomb.nmea.gz", "wb", 9) as f:
        for _ in range(4096):
            f.write(ZEROS)


def wrong_sizes(d):
    body = "".join(zda(s) + gga(s) for s in range(2000)).encode()
    z = Zip()
    z.add("small.nmea", body, method=8, size=10)
    z.add("huge.nmea", body, method=8, size=0xFFFFFFFE)
    z.add("crc.nmea", body, method=8, crc=1)
    z.add("cut.nmea", body, method=8, packed=deflate([body])[:100])
    (d / "bad.zip").write_bytes(z.bytes())


def encrypted(d):
    z = Zip()
    z.add("secret.nmea", os.urandom(5000), flags=1)
    z.add("method99.nmea", os.urandom(5000), method=99, packed=os.urandom(5000), size=9000)
    (d / "bad.zip").write_bytes(z.bytes())


def spanned(d):
    z = Zip()
    z.add("part.nmea", b"$GPGGA,", disk=3)
    (d / "bad.zip").write_bytes(z.bytes(disk=3))
    (d / "bad.z01").write_bytes(b"PK\x07\x08" + os.urandom(3000))


def names(d):
    z = Zip()
    body = (zda(1) + gga(1)).encode() * 50
    for name in ("../../../etc/bad.nmea", "/absolute.nmea", "C:\\x\\bad.nmea", "..\\..\\bad.nmea", "twice.nmea", "twice.nmea", "CON.nmea", "nul", "aux.csv",
                 "dots...", "a\x1b[31mred\x07.nmea", "new\nline.nmea", b"invalid-\xff\xfe.nmea", "x" * 60_000 + ".nmea", "\u202eaemn.exe", "", "dir/", " ",
                 "=HYPERLINK(\"http://x\").nmea", "<script>alert(1)</script>.nmea", "| pipe | `code`.nmea"):
        z.add(name, body, method=8)
    (d / "bad.zip").write_bytes(z.bytes())


def million(d):
    z = Zip()
    for n in range(1_000_000):
        z.add(f"{n:07d}", b"", crc=0)
    (d / "bad.zip").write_bytes(z.bytes())


def foreign(d):
    z = Zip()
    for n in range(150_000):
        z.add(f"bad{n:06d}.xyz", b"nothing of ours")
    (d / "bad.zip").write_bytes(z.bytes())


def many_zips(d):
    body = (zda(1) + gga(1)).encode() * 20
    for n in range(3000):
        z = Zip()
        z.add(f"bad{n}.nmea", body)
        (d / f"bad{n}.zip").write_bytes(z.bytes())


def links(d):
    (d / "a.nmea").symlink_to("b.nmea")
    (d / "b.nmea").symlink_to("a.nmea")
    (d / "loop").mkdir()
    (d / "loop" / "up").symlink_to("../..", target_is_directory=True)
    (d / "passwd.nmea").symlink_to("/etc/passwd")
    (d / "gone.nmea").symlink_to("nowhere")


def special(d):
    os.mkfifo(d / "bad.fifo.nmea")
    s = socket.socket(socket.AF_UNIX)
    s.bind(os.path.relpath(d / "bad.sock.nmea"))
    s.close()
    if os.geteuid() == 0:
        os.mknod(d / "bad.zero.nmea", 0o20666, os.makedev(1, 5))


def unreadable(d):
    (d / "locked").mkdir()
    (d / "locked" / "x.nmea").write_text(gga(1))
    (d / "bad.nmea").write_text(gga(1))
    (d / "locked").chmod(0)
    (d / "bad.nmea").chmod(0)


def deep(d):
    here = os.getcwd()
    os.chdir(d)
    for _ in range(1500):
        os.mkdir("deep")
        os.chdir("deep")
    with open("bad.nmea", "w") as f:
        f.write(gga(1))
    os.chdir(here)


def big_log(d, name, mib=200):
    block = "".join((zda(s) if s % 60 == 0 else "") + gga(s) for s in range(86_400)).encode()
    with open(d / name, "wb") as f:
        for _ in range(mib * MIB // len(block)):
            f.write(block)
    return d / name


def later(seconds, work):
    def run():
        time.sleep(seconds)
        work()
    threading.Thread(target=run, daemon=True).start()


def shrinks(d):
    log = big_log(d, "bad.nmea")
    return lambda: later(0.25, lambda: os.truncate(log, 50 * MIB))


def vanishes(d):
    log, other = big_log(d, "bad.nmea"), big_log(d, "z.nmea", 20)
    return lambda: later(0.05, lambda: (other.unlink(), log.unlink()))


def grows(d):
    log = big_log(d, "bad.nmea", 20)
    def write():
        with open(log, "ab") as f:
            for _ in range(200):
                f.write(gga(1).encode() * 3000)
                time.sleep(0.01)
    return lambda: later(0.0, write)


def heads(d):
    """Beginnings of archives and nothing behind them."""
    for n, head in enumerate((b"PK\x03\x04", b"PK\x05\x06", b"\x1f\x8b\x08", b"\x1f\x9d\x90", b"7z\xbc\xaf\x27\x1c", b"Rar!\x1a\x07", b"\xfd7zXZ\x00", b"BZh9")):
        (d / f"bad{n}.zip").write_bytes(head)
        (d / f"bad{n}.nmea.gz").write_bytes(head + os.urandom(3000))
        (d / f"bad{n}.Z").write_bytes(head + b"\xff" * 3000)


ROWS = [
    ("4 GiB of zeros in a zip", plain_bomb, {"listed": "bomb.zip"}),
    ("4 GB of one sentence in a zip", sentence_bomb, {"listed": "bomb.zip"}),
    ("zips in zips, 16 to the 5th power GiB", nested_bomb, {"listed": "bomb.zip"}),
    ("30,000 entries over one body", overlapping, {"listed": "bomb.zip"}),
    ("4 GiB of zeros in a gz", gz_bomb, {"listed": "bomb.nmea.gz"}),
    ("wrong sizes and checksums", wrong_sizes, {"listed": "bad.zip"}),
    ("encrypted, unknown method", encrypted, {"listed": "secret.nmea"}),
    ("spanned over volumes", spanned, {"listed": "bad.zip"}),
    ("names that climb, command, hide", names, {"listed": "bad.zip"}),
    ("1,000,000 empty members", million, {"listed": "bad.zip"}),
    ("150,000 foreign files in a zip", foreign, {"listed": "bad.zip"}),
    ("3,000 small zips", many_zips, {"listed": "bad2999"}),
    ("heads of archives without a body", heads, {"listed": "bad0.zip"}),
    ("link loops, links out of the folder", links, {"listed": "passwd.nmea"}),
    ("FIFO, socket, device", special, {"listed": "bad.fifo.nmea"}),
    ("unreadable folder and file", unreadable, {"listed": "locked", "as_nobody": True}),
    ("1,500 folders deep", deep, {}),
    ("a file that shrinks while read", shrinks, {"goes_on": True, "listed": "bad.nmea"}),
    ("files that vanish while read", vanishes, {"goes_on": True, "listed": "bad.nmea"}),
    ("a file that grows while read", grows, {"goes_on": True, "listed": "bad.nmea"}),
]
