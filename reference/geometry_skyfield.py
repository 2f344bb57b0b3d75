"""Viewing geometry by other means: writes crates/fanlight-sky/tests/data/geometry.csv.

Made with skyfield 1.55 (light time, topocentric observer, aberration, altitude and azimuth, Moon), the JPL ephemeris DE421
of skyfield-data, numpy 2.4.6 and scipy 1.17.1; the versions that ran and the seed are written into the file. Run from
anywhere: python reference/geometry_skyfield.py

The comet moves by numerical integration (scipy's DOP853) from its state at perihelion, so no formula of Kepler's problem is
used; with A1 to A3 it is integrated from the epoch under Marsden's g(r). Orbits are found backwards: a place, a distance
and an orbit's q and e are drawn, the velocity follows, the elements are taken from the state and rounded, and everything
is then computed from the rounded elements. UT1 is set equal to UTC through skyfield's delta_t.
"""

from importlib.metadata import version
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp
from scipy.spatial.transform import Rotation
from skyfield.api import Loader, wgs84
from skyfield.trigonometry import position_angle_of
from skyfield.units import Angle
from skyfield.vectorlib import VectorFunction
from skyfield_data import get_skyfield_data_path

SEED = 20310304
K = 0.01720209895
MU = K * K
ECLIPTIC = Rotation.from_euler("x", 84381.448 / 3600, degrees=True)
AU_KM = 149597870.7

load = Loader(get_skyfield_data_path(), verbose=False)
eph = load("de421.bsp")
sun, earth, moon = eph["sun"], eph["earth"], eph["moon"]
timescales = {}

SITES = [
    (-17.8792, 28.7569, 2396.0),
    (-70.4042, -24.6272, 2635.0),
    (148.7439, 34.6239, 129.0),
    (149.0661, -31.2733, 1165.0),
    (24.9384, 60.1699, 30.0),
    (0.0, 0.0, 0.0),
    (-155.4681, 19.8208, 4205.0),
    (166.6667, -77.85, 10.0),
]


def acceleration(y, push):
    r, v = y[:3], y[3:]
    distance = np.sqrt(r @ r)
    a = -MU * r / distance**3
    if push is not None:
        g = 0.1112620426 * (distance / 2.808) ** -2.15 * (1 + (distance / 2.808) ** 5.093) ** -4.6142
        radial = r / distance
        normal = np.cross(r, v)
        normal /= np.sqrt(normal @ normal)
        a = a + g * (push[0] * radial + push[1] * np.cross(normal, radial) + push[2] * normal)
    return np.concatenate([v, a])


def follow(y, days, push=None, **more):
    if days == 0:
        return y
    got = solve_ivp(lambda _, s: acceleration(s, push), (0, days), y, "DOP853", rtol=2.3e-14, atol=1e-16, **more)
    assert got.success, got.message
    return got if more else got.y[:, -1]


class Comet(VectorFunction):
    """A comet of given elements about the Sun, in skyfield's terms."""

    center = 10
    target = "comet"

    def __init__(self, elements, near_jd):
        self.push = elements["push"] if any(elements["push"]) else None
        angles = [elements["argument_of_perihelion_deg"], elements["inclination_deg"], elements["node_deg"]]
        turn = ECLIPTIC * Rotation.from_euler("zxz", angles, degrees=True)
        q, e = elements["q_au"], elements["e"]
        state = np.concatenate([turn.apply([q, 0, 0]), turn.apply([0, np.sqrt(MU * (1 + e) / q), 0])])
        start = elements["perihelion_jd_tdb"]
        if self.push is not None:
            state = follow(state, elements["epoch_jd_tdb"] - start)
            start = elements["epoch_jd_tdb"]
        self.anchor_jd = near_jd
        self.anchor = follow(state, near_jd - start, self.push)

    def state(self, whole, fraction):
        return follow(self.anchor, (whole - self.anchor_jd) + fraction, self.push)

    def _at(self, t):
        y = self.state(t.whole, t.tdb_fraction)
        return y[:3], y[3:], None, None


def instant(text, seconds=0.0):
    date, clock = text.rstrip("Z").split("T")
    year, month, day = map(int, date.split("-"))
    hour, minute, second = clock.split(":")
    leap = np.interp([year + (month - 1) / 12 + 0.01], [2005.99, 2006.0, 2008.99, 2009.0, 2012.49, 2012.5, 2015.49, 2015.5,
                     2016.99, 2017.0], [32, 33, 33, 34, 34, 35, 35, 36, 36, 37])[0]
    if leap not in timescales:
        timescales[leap] = load.timescale(delta_t=32.184 + leap, builtin=True)
    t = timescales[leap].utc(year, month, day, int(hour), int(minute), float(second) + seconds)
    assert abs(t.dut1) < 1e-6, t.dut1
    return t


def angle(a, b):
    return np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b))


def spherical(v):
    """Declination and, as an angle in hours, right ascension."""
    ra_h = np.degrees(np.arctan2(v[1], v[0])) / 15
    return Angle(radians=np.arctan2(v[2], np.hypot(v[0], v[1])), signed=True), Angle(hours=ra_h)


def position_angle(from_vector, to_vector):
    """By skyfield's spherical trigonometry."""
    return position_angle_of(spherical(from_vector), spherical(to_vector)).degrees % 360


def geometry(elements, site, utc):
    t = instant(utc)
    comet = Comet(elements, t.whole)
    observer = earth + wgs84.latlon(site[1], site[0], site[2])

    def look(seconds=0.0):
        return observer.at(instant(utc, seconds)).observe(sun + comet)

    seen = look()
    line = seen.position.au
    delta = np.linalg.norm(line)
    y = comet.state(t.whole, t.tdb_fraction - seen.light_time)
    r, v = y[:3], y[3:]

    unit = {s: (lambda p: p / np.linalg.norm(p))(look(s).position.au) for s in (-60, -30, 30, 60)}
    rate = (8 * (unit[30] - unit[-30]) - (unit[60] - unit[-60])) / (12 * 0.5)
    rate_pa = position_angle(line, line + rate * (0.1 * delta / np.linalg.norm(rate)))

    # a straight line in space is a great circle on the sky: points on it give the projected directions
    away = position_angle(line, line + r / np.linalg.norm(r) * 0.1 * delta)
    sunward = position_angle(line, line - r / np.linalg.norm(r) * 0.1 * delta)
    backward = position_angle(line, line - v / np.linalg.norm(v) * 0.1 * delta)
    normal = np.cross(r, v)
    ra, dec, _ = seen.radec()
    altitude, azimuth, _ = seen.apparent().altaz()
    seen_sun = observer.at(t).observe(sun)
    seen_moon = observer.at(t).observe(moon)
    return {
        "ra_deg": ra._degrees,
        "dec_deg": dec.degrees,
        "r_au": np.linalg.norm(r),
        "delta_au": delta,
        "phase_deg": angle(-r, -line),
        "elongation_deg": seen.separation_from(seen_sun).degrees,
        "motion_arcsec_per_min": np.degrees(np.linalg.norm(rate)) * 3600,
        "motion_pa_deg": rate_pa,
        "sunward_pa_deg": sunward,
        "antisolar_pa_deg": away,
        "negative_velocity_pa_deg": backward,
        "orbit_plane_angle_deg": 90 - angle(normal, -line),
        "km_per_arcsec": delta * AU_KM * np.tan(np.radians(1 / 3600)),
        "altitude_deg": altitude.degrees,
        "azimuth_deg": azimuth.degrees,
        "sun_altitude_deg": seen_sun.apparent().altaz()[0].degrees,
        "moon_separation_deg": seen_moon.separation_from(seen).degrees,
        "moon_illuminated_fraction": seen_moon.fraction_illuminated(sun),
        "earth_distance_au": np.linalg.norm(line + (observer - earth).at(t).position.au),
    }


def draw(rng, kind, delta, utc, push):
    """Elements of an orbit that stands at about `delta` from the Earth at `utc`."""
    t = instant(utc)
    direction = rng.normal(size=3)
    place = (earth - sun).at(t).position.au + delta * direction / np.linalg.norm(direction)
    r = np.linalg.norm(place)
    radial = place / r
    e = {
        "ellipse": lambda: rng.choice([0.0, rng.uniform(0.01, 0.9), rng.uniform(0.9, 0.97)], p=[0.1, 0.6, 0.3]),
        "near-parabolic ellipse": lambda: 1 - 10 ** rng.uniform(-7, -2),
        "parabola": lambda: 1.0,
        "near-parabolic hyperbola": lambda: 1 + 10 ** rng.uniform(-7, -2),
        "hyperbola": lambda: rng.uniform(1.05, 3.5),
    }[kind]()
    e = round(e, 7)
    q = r if e == 0 else r * rng.uniform(0.1 if kind != "ellipse" else max(0.1, 1.02 * (1 - e) / (1 + e)), 0.98)
    across = np.cross(radial, rng.normal(size=3))
    across /= np.linalg.norm(across)
    tangential = np.sqrt(MU * q * (1 + e)) / r
    inward = np.sqrt(max(0.0, MU * (2 / r - (1 - e) / q) - tangential**2)) * rng.choice([-1, 1])
    state = np.concatenate([place, tangential * across + inward * radial])

    perihelion_days, at_perihelion = 0.0, state
    if e > 0:
        toward = 1 if inward < 0 else -1

        def turning(_, y):
            return y[:3] @ y[3:]

        # perihelion, not aphelion
        turning.terminal, turning.direction = True, toward
        got = follow(state, toward * 2e5, events=turning)
        perihelion_days, at_perihelion = got.t_events[0][0], got.y_events[0][0]
    p, v = ECLIPTIC.inv().apply(at_perihelion[:3]), ECLIPTIC.inv().apply(at_perihelion[3:])
    normal = np.cross(p, v)
    inclination = angle(normal, np.array([0, 0, 1.0]))
    node = np.degrees(np.arctan2(normal[0], -normal[1])) % 360
    ascending = np.array([np.cos(np.radians(node)), np.sin(np.radians(node)), 0])
    ahead = np.cross(normal / np.linalg.norm(normal), ascending)
    argument = np.degrees(np.arctan2(p @ ahead, p @ ascending)) % 360
    return {
        "epoch_jd_tdb": np.floor(t.tdb + (rng.uniform(-200, 200) if any(push) else rng.uniform(-30, 30))) + 0.5,
        "perihelion_jd_tdb": round(float(t.tdb) + perihelion_days, 5),
        "q_au": round(q, 7),
        "e": e,
        "inclination_deg": round(inclination, 5),
        "node_deg": round(node, 5),
        "argument_of_perihelion_deg": round(argument, 5),
        "push": push,
    }


def main():
    rng = np.random.default_rng(SEED)
    kinds = ["ellipse", "near-parabolic ellipse", "parabola", "near-parabolic hyperbola", "hyperbola"]
    plan = [(kind, False) for kind in kinds for _ in range(42)] + [(kind, True) for kind in kinds for _ in range(3)]
    rows, header = [], None
    for i, (kind, pushed) in enumerate(plan):
        year = 2005 + int(rng.integers(0, 40))
        utc = (
            f"{year}-{rng.integers(1, 13):02d}-{rng.integers(1, 29):02d}T{rng.integers(0, 24):02d}"
            f":{rng.integers(0, 60):02d}:{rng.integers(0, 60):02d}.{rng.integers(0, 1000):03d}Z"
        )
        low, high = [(0.05, 0.3), (0.3, 1.0), (1.0, 4.0), (0.3, 3.0), (4.0, 12.0), (12.0, 35.0)][i % 6]
        if pushed:
            low, high = 0.4, 2.5
        push = [round(x, 12) for x in rng.normal(size=3) * [3e-8, 1e-8, 1e-8]] if pushed else [0.0, 0.0, 0.0]
        elements = draw(rng, kind, np.exp(rng.uniform(np.log(low), np.log(high))), utc, push)
        site = SITES[int(rng.integers(0, len(SITES)))]
        record = geometry(elements, site, utc)
        a1, a2, a3 = elements.pop("push")
        row = {"kind": kind, **elements, "a1_au_d2": a1, "a2_au_d2": a2, "a3_au_d2": a3}
        row |= {"longitude_deg": site[0], "latitude_deg": site[1], "height_m": site[2], "utc": utc, **record}
        header = ",".join(row)
        rows.append(",".join(v if isinstance(v, str) else repr(float(v)) for v in row.values()))
    versions = ", ".join(f"{p} {version(p)}" for p in ("skyfield", "skyfield-data", "jplephem", "numpy", "scipy"))
    top = f"# {versions}, JPL DE421, seed {SEED} (reference/geometry_skyfield.py); UT1 = UTC\n"
    out = Path(__file__).parent.parent / "crates/fanlight-sky/tests/data/geometry.csv"
    out.write_text(top + header + "\n" + "\n".join(rows) + "\n")


main()
