"""Perturbed motion by other means: writes crates/fanlight-sky/tests/data/perturbed.csv.

Made with rebound 5.2.2, scipy 1.17.1, skyfield 1.55, the JPL ephemeris DE421 of skyfield-data and numpy 2.4.6; the versions
that ran are written into the file. Run from anywhere: python reference/perturbed_rebound.py

Each invented comet is integrated twice from its osculating elements. `scipy`: DOP853 about the Sun with the planets where
DE421 has them. `rebound`: all bodies together by IAS15 from DE421's places and velocities at the epoch. Both have the Sun's
first term after Newton and A1 to A3. Masses are those of DE421 (Folkner, Williams & Boggs 2009, IPN Progress Report 42-178;
from memory). Places are geocentric and astrometric, with DE421's Earth and Sun.

The planets' masses are also fitted from DE421 itself: the barycentre of the solar system rests, so that the Sun's place is
the weighted sum of the planets'. The script prints what it finds beside the masses that the crate uses.
"""

from importlib.metadata import version
from pathlib import Path

import numpy as np
import rebound
from jplephem.spk import SPK
from scipy.integrate import solve_ivp
from scipy.spatial.transform import Rotation
from skyfield.api import Loader
from skyfield_data import get_skyfield_data_path

K = 0.01720209895
MU = K * K
C = 173.1446326742403
AU_KM = 149597870.7
ECLIPTIC = Rotation.from_euler("x", 84381.448 / 3600, degrees=True)
SUN_GM_KM3_S2 = 132712440040.944
GM_KM3_S2 = {
    "mercury": 22032.090,
    "venus": 324858.592,
    "earth": 398600.436233,
    "moon": 4902.800076,
    "mars": 42828.375214,
    "jupiter": 126712764.800,
    "saturn": 37940585.200,
    "uranus": 5794548.600,
    "neptune": 6836535.000,
}
MASS = {name: gm / SUN_GM_KM3_S2 for name, gm in GM_KM3_S2.items()}
PATH = {
    "sun": [(0, 10)],
    "mercury": [(0, 1)],
    "venus": [(0, 2)],
    "earth": [(0, 3), (3, 399)],
    "moon": [(0, 3), (3, 301)],
    "mars": [(0, 4)],
    "jupiter": [(0, 5)],
    "saturn": [(0, 6)],
    "uranus": [(0, 7)],
    "neptune": [(0, 8)],
}
spk = SPK.open(Path(get_skyfield_data_path()) / "de421.bsp")
timescale = Loader(get_skyfield_data_path(), verbose=False).timescale(builtin=True)


def barycentric(name, jd, days=0.0):
    """Place and velocity, au and au/day."""
    both = [spk[pair].compute_and_differentiate(jd, days) for pair in PATH[name]]
    return sum(b[0] for b in both) / AU_KM, sum(b[1] for b in both) / AU_KM


def heliocentric(name, jd, days=0.0):
    return [a - b for a, b in zip(barycentric(name, jd, days), barycentric("sun", jd, days))]


def beyond_planets(r, v, push):
    """What acts beside Newton's pulls: the Sun's first term after him, and A1 to A3."""
    distance = np.sqrt(r @ r)
    a = MU / (C * C * distance**3) * ((4 * MU / distance - v @ v) * r + 4 * (r @ v) * v)
    if any(push):
        g = 0.1112620426 * (distance / 2.808) ** -2.15 * (1 + (distance / 2.808) ** 5.093) ** -4.6142
        radial = r / distance
        normal = np.cross(r, v)
        normal /= np.sqrt(normal @ normal)
        a = a + g * (push[0] * radial + push[1] * np.cross(normal, radial) + push[2] * normal)
    return a


def follow(state, jd, span, push, at=None):
    """By scipy: states at the days `at` after `jd`, or at the end of the span."""

    def rates(days, y):
        r, v = y[:3], y[3:]
        a = -MU * r / np.sqrt(r @ r) ** 3 + beyond_planets(r, v, push)
        for name, mass in MASS.items():
            planet = heliocentric(name, jd, days)[0]
            line = planet - r
            a = a + MU * mass * (line / np.sqrt(line @ line) ** 3 - planet / np.sqrt(planet @ planet) ** 3)
        return np.concatenate([v, a])

    got = solve_ivp(rates, (0, span), state, "DOP853", rtol=1e-13, atol=1e-16, dense_output=at is not None)
    assert got.success, got.message
    return got.y[:, -1] if at is None else got.sol


def follow_all(state, jd, days, push):
    """By rebound: the comet's heliocentric state at the days after `jd`."""
    sim = rebound.Simulation()
    sim.G, sim.integrator = MU, "ias15"
    sun_place, sun_speed = barycentric("sun", jd)
    for name, mass in [("sun", 1.0), *MASS.items()]:
        x, v = barycentric(name, jd)
        sim.add(m=mass, x=x[0], y=x[1], z=x[2], vx=v[0], vy=v[1], vz=v[2])
    x, v = sun_place + state[:3], sun_speed + state[3:]
    sim.add(m=0.0, x=x[0], y=x[1], z=x[2], vx=v[0], vy=v[1], vz=v[2])
    # the bodies cannot hold still while one of them is counted from
    sim.N_active = len(MASS) + 1

    def from_sun():
        sun, comet = sim.particles[0], sim.particles[sim.N - 1]
        return np.array(comet.xyz) - np.array(sun.xyz), np.array(comet.vxyz) - np.array(sun.vxyz)

    def more(_):
        a = beyond_planets(*from_sun(), push)
        comet = sim.particles[sim.N - 1]
        comet.ax, comet.ay, comet.az = comet.ax + a[0], comet.ay + a[1], comet.az + a[2]

    sim.additional_forces = more
    sim.force_is_velocity_dependent = 1
    states = {}
    for day in days:
        sim.integrate(day)
        states[day] = np.concatenate(from_sun())
    return states


def state_of(e):
    angles = [e["argument_of_perihelion_deg"], e["inclination_deg"], e["node_deg"]]
    turn = ECLIPTIC * Rotation.from_euler("zxz", angles, degrees=True)
    q, ecc, days = e["q_au"], e["e"], e["epoch_jd_tdb"] - e["perihelion_jd_tdb"]
    state = np.concatenate([turn.apply([q, 0, 0]), turn.apply([0, np.sqrt(MU * (1 + ecc) / q), 0])])
    if days == 0:
        return state

    def rates(_, y):
        return np.concatenate([y[3:], -MU * y[:3] / np.sqrt(y[:3] @ y[:3]) ** 3])

    return solve_ivp(rates, (0, days), state, "DOP853", rtol=2.3e-14, atol=1e-17).y[:, -1]


def elements_of(state, jd):
    r, v = ECLIPTIC.inv().apply(state[:3]), ECLIPTIC.inv().apply(state[3:])
    distance, normal = np.linalg.norm(r), np.cross(r, v)
    toward = np.cross(v, normal) / MU - r / distance
    e = np.linalg.norm(toward)
    q = normal @ normal / MU / (1 + e)
    node = np.arctan2(normal[0], -normal[1])
    ascending = np.array([np.cos(node), np.sin(node), 0])
    ahead = np.cross(normal / np.linalg.norm(normal), ascending)
    anomaly = np.arctan2(np.cross(toward, r) @ normal / np.linalg.norm(normal), toward @ r)
    a = q / (1 - e)
    if e < 1:
        half = np.sqrt((1 - e) / (1 + e)) * np.tan(anomaly / 2)
        ecc_anomaly = 2 * np.arctan(half)
        days = (ecc_anomaly - e * np.sin(ecc_anomaly)) * np.sqrt(a**3 / MU)
    else:
        half = np.sqrt((e - 1) / (1 + e)) * np.tan(anomaly / 2)
        hyperbolic = 2 * np.arctanh(half)
        days = (e * np.sinh(hyperbolic) - hyperbolic) * np.sqrt((-a) ** 3 / MU)
    return {
        "epoch_jd_tdb": jd,
        "perihelion_jd_tdb": round(jd - days, 7),
        "q_au": round(q, 9),
        "e": round(e, 9),
        "inclination_deg": round(np.degrees(np.arctan2(np.hypot(normal[0], normal[1]), normal[2])), 7),
        "node_deg": round(np.degrees(node) % 360, 7),
        "argument_of_perihelion_deg": round(np.degrees(np.arctan2(toward @ ahead, toward @ ascending)) % 360, 7),
    }


def approach(planet, jd, miss_au, passing_au_d):
    """Elements at `jd` of a comet that passes a planet 30 days later, ahead of the plane of its motion."""
    place, speed = heliocentric(planet, jd, 30.0)
    out = place / np.linalg.norm(place)
    up = np.cross(place, speed)
    up /= np.linalg.norm(up)
    side = (0.8 * out + 0.6 * up) * miss_au
    along = np.cross(up, out) * 0.6 + np.cross(side, np.cross(up, out)) / miss_au * 0.8
    state = np.concatenate([place + side, speed + passing_au_d * along / np.linalg.norm(along)])
    return elements_of(follow(state, jd + 30.0, -30.0, [0, 0, 0]), jd)


def case(epoch, perihelion, q, e, i, node, argument):
    names = "epoch_jd_tdb perihelion_jd_tdb q_au e inclination_deg node_deg argument_of_perihelion_deg".split()
    return dict(zip(names, map(float, (epoch, perihelion, q, e, i, node, argument))))


SIXTY = [float(d) for d in range(-60, 61, 10)]
CASES = [
    ("main belt", case(2457800.5, 2457950.25, 2.41, 0.27, 8.3, 210.4, 77.7), [0, 0, 0], [-3650.0, *SIXTY, 3650.0]),
    ("long-period hyperbola", case(2458600.5, 2458630.75, 0.61, 1.00031, 121.2, 33.3, 301.1), [0, 0, 0], SIXTY),
    ("retrograde Halley type", case(2456200.5, 2456230.125, 0.78, 0.9585, 161.7, 99.9, 12.3), [0, 0, 0], [-730.0, *SIXTY, 730.0]),
    ("near the Earth", approach("earth", 2457500.5, 0.03, 0.007), [0, 0, 0], SIXTY),
    ("days at the Earth", approach("earth", 2463190.5, 0.025, 0.003), [0, 0, 0], [0.0, *np.arange(22.0, 39.0), 60.0]),
    ("near Jupiter", approach("jupiter", 2458400.5, 0.07, 0.0045), [0, 0, 0], SIXTY),
    ("pushed", case(2457100.5, 2457112.0, 0.52, 0.845, 23.4, 150.2, 200.6), [2.2e-8, -5.5e-9, 3.3e-9], SIXTY),
    ("pushed for years", case(2455500.5, 2455612.0, 1.06, 0.695, 13.6, 219.8, 181.2), [8.0e-10, 2.0e-10, 1.0e-10], [-730.0, 730.0]),
]


def place(jd, days, state_at):
    """Geocentric astrometric place and distances at `days` after `jd`."""
    earth = barycentric("earth", jd, days)[0]
    delay = 0.0
    for _ in range(10):
        r = state_at(days - delay)[:3]
        line = r + barycentric("sun", jd, days - delay)[0] - earth
        delay = np.sqrt(line @ line) / C
    return np.degrees(np.arctan2(line[1], line[0])) % 360, np.degrees(np.arctan2(line[2], np.hypot(line[0], line[1]))), line


def fit_masses():
    jd = np.arange(2433282.5, 2469807.5, 7.0)
    sun = barycentric("sun", jd)[0]
    places = {name: barycentric(name, jd)[0] for name in MASS}
    pluto = spk[0, 9].compute(jd) / AU_KM * (977.0 / SUN_GM_KM3_S2)
    matrix = np.array([p.ravel() for p in places.values()]).T
    found, *_ = np.linalg.lstsq(matrix, -(sun + pluto).ravel(), rcond=None)
    for name, mass in zip(places, found):
        print(f"{name:8} 1/mass by DE421's barycentre {1 / mass:.3f}, used here {1 / MASS[name]:.3f}")


def main():
    fit_masses()
    rows, worst = [], 0.0
    for name, elements, push, days in CASES:
        jd, state = elements["epoch_jd_tdb"], state_of(elements)
        legs = [follow(state, jd, end, push, True) for end in (min(days) - 1, max(days) + 1)]
        by_scipy = lambda day: legs[0 if day < 0 else 1](day)
        near = {p: min(np.linalg.norm(by_scipy(d)[:3] - heliocentric(p, jd, d)[0]) for d in np.arange(-60, 61, 0.25)) for p in MASS}
        closest = min(near, key=near.get)
        print(f"{name}: nearest planet {closest}, {near[closest]:.4f} au")
        for day in days:
            # an instant of UTC to the millisecond, and its TDB
            utc = timescale.tdb_jd(jd + day).utc_strftime("%Y-%m-%dT%H:%M:%SZ")
            t = timescale.utc(int(utc[:4]), int(utc[5:7]), int(utc[8:10]), int(utc[11:13]), int(utc[14:16]), int(utc[17:19]))
            # the difference TDB − TT is under 2 ms
            after = (t.whole - jd) + t.tdb_fraction
            ra, dec, line = place(jd, after, by_scipy)
            delay = np.linalg.norm(line) / C
            r = by_scipy(after)
            alone = follow_all(state, jd, [after - delay, after] if after > 0 else [after, after - delay], push)
            ra2, dec2, line2 = place(jd, after, lambda d: alone[after - delay] + (d - (after - delay)) * np.concatenate([alone[after - delay][3:], np.zeros(3)]))
            apart = np.degrees(np.linalg.norm(line - line2) / np.linalg.norm(line)) * 3600
            worst = max(worst, apart)
            row = {"case": name, **elements, "a1_au_d2": push[0], "a2_au_d2": push[1], "a3_au_d2": push[2], "days": day, "utc": utc}
            row |= {"ra_deg": ra, "dec_deg": dec, "delta_au": np.linalg.norm(line)}
            row |= {"rebound_ra_deg": ra2, "rebound_dec_deg": dec2}
            row |= dict(zip(["x_au", "y_au", "z_au"], r[:3]))
            rows.append(row)
            print(f"  {day:+6.0f} d: delta {np.linalg.norm(line):.3f} au, rebound {apart:.4f} arcsec off")
    versions = ", ".join(f"{p} {version(p)}" for p in ("rebound", "scipy", "skyfield", "skyfield-data", "jplephem", "numpy"))
    top = f"# {versions}, JPL DE421 (reference/perturbed_rebound.py)\n"
    lines = [",".join(v if isinstance(v, str) else repr(float(v)) for v in row.values()) for row in rows]
    out = Path(__file__).parent.parent / "crates/fanlight-sky/tests/data/perturbed.csv"
    out.write_text(top + ",".join(rows[0]) + "\n" + "\n".join(lines) + "\n")


main()
