"""Satellites and ground geometry: four simple Keplerian constellations seen from one place.

Units: metres, seconds, radians inside, degrees for azimuth and elevation. Times are UTC seconds since 1970.
Sources: orbit formulas IS-GPS-200 Table 20-IV (without the harmonic terms: they are set to zero in the broadcast
messages as well, so a reader that follows the messages finds the same sky); ECEF/ENU from any geodesy text.
Every satellite's clock is perfect: nothing in the tool's domain hangs on satellite clocks.
"""
import numpy as np

MU, OMEGA_E, C = 3.986005e14, 7.2921151467e-5, 299792458.0
WGS_A, WGS_F = 6378137.0, 1 / 298.257223563
WGS_E2 = WGS_F * (2 - WGS_F)
LEAP = 18
GPS0 = 315964800                      # 1980-01-06 in Unix seconds

# signal: (MHz, level at zenith dB-Hz, fall towards the horizon dB, e-folding elevation deg, tracking limit dB-Hz)
# The levels follow the middle of check-values 10.2; W is semi-codeless: it falls twice as fast.
SIGNALS = {
    "G1C": (1575.42, 51.0, 19, 23, 25), "G2W": (1227.60, 46.0, 38, 24, 11), "G2L": (1227.60, 49.5, 21, 24, 24),
    "G2X": (1227.60, 49.8, 21, 24, 24), "R1C": (1602.0, 49.5, 18, 23, 25), "R2C": (1246.0, 47.0, 18, 23, 24),
    "E1C": (1575.42, 50.0, 18, 23, 25), "E1X": (1575.42, 50.3, 18, 23, 25), "E5Q": (1176.45, 52.5, 18, 22, 24),
    "E7Q": (1207.14, 52.3, 18, 22, 24), "E5X": (1176.45, 52.8, 18, 22, 24), "C2I": (1561.098, 48.0, 17, 22, 25),
    "C6I": (1268.52, 49.5, 16, 22, 24), "C7I": (1207.14, 49.0, 16, 22, 24),
}
GLO_K = [1, -4, 5, 6, 1, -4, 5, 6, -2, -7, 0, -1, -2, -7, 0, -1, 4, -3, 3, 2, 4, -3, 3, 2]


def wavelength(signal, k=0):
    """Carrier wavelength in m; `k` is the GLONASS channel."""
    mhz = SIGNALS[signal][0]
    if signal[0] == "R":
        mhz += k * (0.5625 if signal[1] == "1" else 0.4375)
    return C / (mhz * 1e6)


def ecef(lat, lon, h):
    """Geodetic degrees and metres to ECEF (arrays allowed)."""
    la, lo = np.radians(lat), np.radians(lon)
    n = WGS_A / np.sqrt(1 - WGS_E2 * np.sin(la) ** 2)
    return np.array([(n + h) * np.cos(la) * np.cos(lo), (n + h) * np.cos(la) * np.sin(lo),
                     (n * (1 - WGS_E2) + h) * np.sin(la)])


def enu_axes(lat, lon):
    """Rows east, north, up in ECEF."""
    la, lo = np.radians(lat), np.radians(lon)
    return np.array([[-np.sin(lo), np.cos(lo), 0],
                     [-np.sin(la) * np.cos(lo), -np.sin(la) * np.sin(lo), np.cos(la)],
                     [np.cos(la) * np.cos(lo), np.cos(la) * np.sin(lo), np.sin(la)]])


def offset_to_geodetic(lat, lon, east, north):
    """Small local offsets to degrees (radii of curvature at the origin; good to millimetres over 40 km east-west
    only to decimetres, which no log shows)."""
    la = np.radians(lat)
    w = np.sqrt(1 - WGS_E2 * np.sin(la) ** 2)
    m, n = WGS_A * (1 - WGS_E2) / w ** 3, WGS_A / w
    return lat + np.degrees(north / m), lon + np.degrees(east / (n * np.cos(la)))


class Constellation:
    """All satellites of a fleet's sky. One per fleet, so that neighbours share it."""

    def __init__(self, rng, ref):
        self.ref = ref                                   # reference time, UTC s
        rows = []                                        # sys, id, a, e, i, node at ref (ECEF longitude), argp, M at ref
        turn = rng.uniform(0, 2 * np.pi)

        def walker(system, ids, planes, a, inc, phase):
            per = len(ids) / planes
            for n, sid in enumerate(ids):
                p = int(n // per)
                m = 2 * np.pi * ((n % per) / per + phase * p) + rng.normal(0, 0.05)
                rows.append((system, sid, a, abs(rng.normal(0.004, 0.003)) if system == "G" else 4e-4,
                             np.radians(inc + rng.normal(0, 0.4)), turn + 2 * np.pi * p / planes + rng.normal(0, 0.02),
                             rng.uniform(-3, 3) if system == "G" else 0.0, m))
        out = set(rng.choice(np.arange(1, 33), 1))       # one GPS satellite is unhealthy
        walker("G", [s for s in range(1, 33) if s not in out], 6, 26560000.0, 55.5, 0.13)
        walker("R", list(range(1, 25)), 3, 25508000.0, 64.8, 0.04)
        walker("E", [2, 3, 4, 5, 7, 8, 9, 10, 11, 12, 13, 15, 19, 21, 24, 25, 26, 27, 30, 31, 33, 34, 36, 1], 3,
               29600000.0, 56.0, 0.04)
        walker("C", [19, 20, 21, 22, 23, 24, 25, 26, 27, 28, 29, 30, 32, 33, 34, 35, 36, 37, 41, 42, 43, 44, 45, 46], 3,
               27906000.0, 55.0, 0.04)
        for n, sid in enumerate([6, 7, 8, 9, 10, 13, 16]):  # inclined geosynchronous: node near 118 E
            rows.append(("C", sid, 42164000.0, 0.004, np.radians(54),
                         np.radians((118, 113, 96)[n % 3]) - 2 * np.pi * n / 3, 0.0, 2 * np.pi * n / 3))
        self.sys = np.array([r[0] for r in rows])
        self.id = np.array([r[1] for r in rows])
        self.a, self.e, self.i, self.node, self.argp, self.m = np.array([r[2:] for r in rows], float).T
        self.node_rate = np.where(self.sys == "G", -8.1e-9, np.where(self.sys == "R", -6.6e-9, -5.8e-9))
        # L2C is sent by the newer GPS satellites only: about 24 of 31
        self.l2c = (self.sys != "G") | (np.random.default_rng(5).random(len(rows)) < 0.78)

    def position(self, t, sats):
        """ECEF (len(t), len(sats), 3) at UTC seconds t."""
        dt = np.asarray(t, float)[:, None] - self.ref
        a, e = self.a[sats], self.e[sats]
        m = self.m[sats] + np.sqrt(MU / a ** 3) * dt
        ea = m + e * np.sin(m)
        for _ in range(3):
            ea = m + e * np.sin(ea)
        nu = np.arctan2(np.sqrt(1 - e * e) * np.sin(ea), np.cos(ea) - e)
        u, r = nu + self.argp[sats], a * (1 - e * np.cos(ea))
        node = self.node[sats] + (self.node_rate[sats] - OMEGA_E) * dt
        x, y, ci = r * np.cos(u), r * np.sin(u), np.cos(self.i[sats])
        return np.stack([x * np.cos(node) - y * ci * np.sin(node), x * np.sin(node) + y * ci * np.cos(node),
                         y * np.sin(self.i[sats])], -1)

    def elements(self, s, toe):
        """Keplerian elements valid at `toe` (UTC s); node as ECEF longitude at toe."""
        dt = toe - self.ref
        wrap = lambda x: (x + np.pi) % (2 * np.pi) - np.pi
        return {"a": self.a[s], "e": self.e[s], "i": self.i[s], "argp": wrap(self.argp[s]),
                "node": self.node[s] + (self.node_rate[s] - OMEGA_E) * dt, "node_rate": self.node_rate[s],
                "m": wrap(self.m[s] + np.sqrt(MU / self.a[s] ** 3) * dt)}


class View:
    """What one place sees on a grid of times: sats (indices), el, az in degrees, rng in m, all (T, S)."""

    def __init__(self, con, t, lat, lon, h, systems):
        place, axes = ecef(lat, lon, h), enu_axes(lat, lon)

        def look(times, sats):
            d = con.position(times - 0.075, sats)
            ang = OMEGA_E * 0.075                        # Earth turns while the signal travels
            d = np.stack([d[..., 0] + ang * d[..., 1], d[..., 1] - ang * d[..., 0], d[..., 2]], -1) - place
            r = np.sqrt((d * d).sum(-1))
            e, n, u = (d @ axes.T).transpose(2, 0, 1)
            return np.degrees(np.arcsin(u / r)), np.degrees(np.arctan2(e, n)) % 360, r
        mine = np.flatnonzero(np.isin(con.sys, list(systems)))
        coarse, _, _ = look(t[::120], mine)
        self.sats = mine[(coarse > 4).any(0)]
        self.sys, self.id, self.l2c = con.sys[self.sats], con.id[self.sats], con.l2c[self.sats]
        el, az, self.rng = look(t, self.sats)
        self.el, self.az = el.astype(np.float32), az.astype(np.float32)
        self.k = np.array([GLO_K[i - 1] if s == "R" else 0 for s, i in zip(self.sys, self.id)])


def pierce(lat, lon, el, az, height=350e3):
    """Ionospheric pierce point in degrees (check-values 7.1) of (T, S) directions."""
    e, a = np.radians(el), np.radians(az)
    psi = np.pi / 2 - e - np.arcsin(6371e3 * np.cos(e) / (6371e3 + height))
    la = np.arcsin(np.sin(np.radians(lat)) * np.cos(psi) + np.cos(np.radians(lat)) * np.sin(psi) * np.cos(a))
    lo = np.radians(lon) + np.arcsin(np.clip(np.sin(psi) * np.sin(a) / np.cos(la), -1, 1))
    return np.degrees(la), np.degrees(lo)


def slant(el):
    """Thin-shell mapping at 450 km."""
    return 1 / np.sqrt(1 - (6371.0 * np.cos(np.radians(el)) / 6821.0) ** 2)
