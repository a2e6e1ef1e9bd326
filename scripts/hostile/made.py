"""Well-formed records by hand: NMEA 0183 sentences, RTCM 3 frames, zips whose every field can be wrong."""
import struct, zlib


def nmea(body):
    """A sentence with its checksum (NMEA 0183: exclusive or of all characters between $ and *)."""
    sum_ = 0
    for c in body.encode("latin-1"):
        sum_ ^= c
    return f"${body}*{sum_:02X}\r\n"


def angle(deg, width, letters):
    side = letters[0] if deg >= 0 else letters[1]
    deg = abs(deg)
    whole = int(deg)
    return f"{whole:0{width}d}{(deg - whole) * 60:09.6f},{side}"


def gga(second, lat=48.0, lon=9.0, height=500.0, quality=5, age=1.0, station=7):
    clock = f"{int(second // 3600) % 24:02d}{int(second // 60) % 60:02d}{second % 60:05.2f}"
    return nmea(f"GPGGA,{clock},{angle(lat, 2, 'NS')},{angle(lon, 3, 'EW')},{quality},14,0.8,{height:.3f},M,47.0,M,{age:.1f},{station:04d}")


def zda(second, day=9, month=5, year=2026):
    clock = f"{int(second // 3600) % 24:02d}{int(second // 60) % 60:02d}{second % 60:05.2f}"
    return nmea(f"GPZDA,{clock},{day:02d},{month:02d},{year:04d},00,00")


def crc24q(data):
    """CRC of RTCM 10403: polynomial 0x1864CFB."""
    crc = 0
    for byte in data:
        crc ^= byte << 16
        for _ in range(8):
            crc <<= 1
            if crc & 0x1000000:
                crc ^= 0x1864CFB
    return crc & 0xFFFFFF


def rtcm(payload):
    head = struct.pack(">BH", 0xD3, len(payload)) + payload
    return head + crc24q(head).to_bytes(3, "big")


def station_1005(station, x=4_200_000.0, y=660_000.0, z=4_740_000.0):
    """Message 1005: antenna reference point, 152 bits."""
    bits, n = 0, 0
    for value, width in ((1005, 12), (station, 12), (0, 6), (1, 1), (1, 1), (1, 1), (0, 1), (round(x * 1e4), 38), (0, 1), (0, 1),
                         (round(y * 1e4), 38), (0, 2), (round(z * 1e4), 38)):
        bits, n = bits << width | value & ((1 << width) - 1), n + width
    return rtcm(bits.to_bytes((n + 7) // 8, "big"))


def card(unit, role="rover", site="badsite"):
    """unit.toml; the names are written as TOML strings with every odd character escaped."""
    text = lambda v: '"' + "".join(c if c.isascii() and c.isprintable() and c not in '"\\' else f"\\U{ord(c):08X}" for c in v) + '"'
    return f"[unit]\nid = {text(unit)}\nrole = {text(role)}\nsite = {text(site)}\n"


def deflate(chunks):
    pack = zlib.compressobj(9, zlib.DEFLATED, -15)
    return b"".join([pack.compress(c) for c in chunks] + [pack.flush()])


class Zip:
    """A zip in which nothing needs to be true (PKWARE APPNOTE 6.3.10)."""

    def __init__(self):
        self.out, self.central, self.count = bytearray(), bytearray(), 0

    def add(self, name, data, method=0, size=None, crc=None, flags=0, packed=None, at=None, disk=0):
        name = name.encode() if isinstance(name, str) else name
        body = data if method == 0 else deflate([data]) if packed is None else packed
        size = len(data) if size is None else size
        crc = zlib.crc32(data) if crc is None else crc
        lie = min(size, 0xFFFFFFFF)
        if at is None:
            at = len(self.out)
            self.out += struct.pack("<IHHHHHIIIHH", 0x04034B50, 20, flags, method, 0, 0x5CA9, crc, len(body), lie, len(name), 0) + name + body
        self.central += struct.pack("<IHHHHHHIIIHHHHHII", 0x02014B50, 0x0314, 20, flags, method, 0, 0x5CA9, crc, len(body), lie, len(name), 0,
                                    0, disk, 0, 0o100644 << 16, at) + name
        self.count += 1
        return at

    def bytes(self, disk=0):
        start, n = len(self.out), self.count
        end = b""
        if n > 0xFFFF:
            end = struct.pack("<IQHHIIQQQQ", 0x06064B50, 44, 45, 45, 0, 0, n, n, len(self.central), start)
            end += struct.pack("<IIQI", 0x07064B50, 0, start + len(self.central), 1)
        n = min(n, 0xFFFF)
        end += struct.pack("<IHHHHIIH", 0x06054B50, disk, disk, n, n, len(self.central), min(start, 0xFFFFFFFF), 0)
        return bytes(self.out + self.central) + end
