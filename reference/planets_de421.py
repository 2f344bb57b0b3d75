"""Places of planets: writes crates/fanlight-sky/tests/data/planets.csv.

Heliocentric places on ICRS axes, au, from the JPL ephemeris DE421 of skyfield-data, read with jplephem; the versions that ran
are written into the file. Run from anywhere: python reference/planets_de421.py
"""

from importlib.metadata import version
from pathlib import Path

from jplephem.spk import SPK
from skyfield_data import get_skyfield_data_path

AU_KM = 149597870.7
PATH = {
    "Mercury": [(0, 1)],
    "Venus": [(0, 2)],
    "Earth": [(0, 3), (3, 399)],
    "Moon": [(0, 3), (3, 301)],
    "Mars": [(0, 4)],
    "Jupiter": [(0, 5)],
    "Saturn": [(0, 6)],
    "Uranus": [(0, 7)],
    "Neptune": [(0, 8)],
}
spk = SPK.open(Path(get_skyfield_data_path()) / "de421.bsp")


def main():
    versions = ", ".join(f"{p} {version(p)}" for p in ("skyfield-data", "jplephem", "numpy"))
    lines = [f"# {versions}, JPL DE421 (reference/planets_de421.py)", "planet,jd_tdb,x_au,y_au,z_au"]
    # 1900 to 2053, in steps that share no period with a planet
    dates = [2415025.5 + 467.3125 * i for i in range(120)]
    for planet, parts in PATH.items():
        for jd in dates:
            place = sum(spk[part].compute(jd) for part in parts) - spk[0, 10].compute(jd)
            lines.append(",".join([planet, repr(jd), *(f"{x / AU_KM:.12f}" for x in place)]))
    out = Path(__file__).parent.parent / "crates/fanlight-sky/tests/data/planets.csv"
    out.write_text("\n".join(lines) + "\n")


main()
