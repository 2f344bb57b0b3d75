"""What SOFA's Earth is corrected by: writes crates/fanlight-sky/src/earth_correction.bin and tests/data/earth.csv beside it.

Made with pyerfa 2.0.1.5 (`epv00`), the JPL ephemerides DE423 of the package de423 (`pip install de423`) and DE421 of
skyfield-data, read with jplephem 2.24, numpy 2.4.6 and scipy 1.17.1; the versions that ran are written into the CSV. Run from
anywhere: python reference/earth_correction.py

The residual of `epv00` is the sum of the hundreds of small terms that were left out of it: no short list of periods holds it.
It is smooth, so that a cubic spline does: uniform B-splines with knots every 16 days, fitted by least squares to DE423 at every
noon and rounded to 0.1 km, which one signed byte holds. The CSV has dates that were not fitted, by DE421 as long as that lasts.
"""

from importlib.metadata import version
from pathlib import Path

import de423
import erfa
import numpy as np
from jplephem.ephem import Ephemeris
from jplephem.spk import SPK
from scipy.interpolate import make_lsq_spline
from skyfield_data import get_skyfield_data_path

AU_KM = 149597870.7
# as in crates/fanlight-sky/src/earth_correction.rs
START_JD_TDB, KNOT_DAYS, PIECES, UNIT_KM = 2415020.0, 16.0, 4566, 0.1
CRATE = Path(__file__).parent.parent / "crates/fanlight-sky"
newer = Ephemeris(de423)
older = SPK.open(Path(get_skyfield_data_path()) / "de421.bsp")


def by_de423(jd):
    """Heliocentric place and velocity of the Earth, km and km/day, one column a date."""
    sun, earth_moon, moon = (newer.position_and_velocity(name, jd) for name in ("sun", "earthmoon", "moon"))
    return [e - s - m / (1 + newer.EMRAT) for s, e, m in zip(sun, earth_moon, moon)]


def by_de421(jd):
    sun, earth_moon, earth = (older[pair].compute_and_differentiate(jd) for pair in ((0, 10), (0, 3), (3, 399)))
    return [m + e - s for s, m, e in zip(sun, earth_moon, earth)]


def by_sofa(jd):
    heliocentric, _ = erfa.epv00(jd, 0.0)
    return [heliocentric["p"].T * AU_KM, heliocentric["v"].T * AU_KM]


def report(name, off_km):
    size = np.sqrt((off_km**2).sum(axis=0))
    print(f"{name:42} {size.size} dates, worst {size.max():.3f}, rms {np.sqrt((size**2).mean()):.3f}")


def main():
    jd = np.arange(START_JD_TDB, START_JD_TDB + KNOT_DAYS * PIECES + 0.5)
    knots = START_JD_TDB + KNOT_DAYS * np.arange(-3, PIECES + 4)
    fitted = make_lsq_spline(jd, (by_de423(jd)[0] - by_sofa(jd)[0]).T, knots, 3)
    units = np.round(fitted.c / UNIT_KM)
    assert abs(units).max() < 128
    (CRATE / "src/earth_correction.bin").write_bytes(units.astype(np.int8).tobytes())
    print(f"{units.shape} numbers up to {abs(units).max():.0f}")

    fitted.c = units * UNIT_KM
    slope = fitted.derivative()
    # neither noon nor midnight, in steps that share no period with knots, Moon or Earth; SOFA's theory ends with 2099
    jd = START_JD_TDB + 0.375 + 3.140625 * np.arange(23259)
    old = jd < 2471184.0
    for name, theirs, which in [("DE421", by_de421, old), ("DE423", by_de423, jd > 0), ("DE423 after DE421", by_de423, ~old)]:
        for i, (what, more) in enumerate([("km", fitted), ("km/day", slope)]):
            off = by_sofa(jd[which])[i] - theirs(jd[which])[i]
            report(f"{name}, epv00, {what}", off)
            report(f"{name}, corrected, {what}", off + more(jd[which]).T)
    report("DE423 - DE421, km", by_de423(jd[old])[0] - by_de421(jd[old])[0])

    packages = ("de423", "skyfield-data", "jplephem", "pyerfa", "numpy", "scipy")
    lines = [
        f"# {', '.join(f'{p} {version(p)}' for p in packages)} (reference/earth_correction.py)",
        "# the Earth's heliocentric place and velocity, ICRS axes",
        "ephemeris,jd_tdb,x_au,y_au,z_au,vx_au_d,vy_au_d,vz_au_d",
    ]
    for name, theirs, which in [("DE421", by_de421, old), ("DE423", by_de423, ~old)]:
        chosen = jd[which][::31]
        for day, *state in zip(chosen, *np.vstack(theirs(chosen)) / AU_KM):
            lines.append(",".join([name, repr(float(day)), *(f"{x:.12f}" for x in state)]))
    (CRATE / "tests/data/earth.csv").write_text("\n".join(lines) + "\n")


main()
