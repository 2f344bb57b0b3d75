"""Cells of places and their middles by astropy_healpix: writes crates/fanlight-io/tests/data/healpix.csv.

Run from anywhere, with the PyPI packages astropy-healpix (2.0.1 was used), astropy (8.0.2) and numpy (2.4.6):
python reference/healpix_astropy.py

Places: 200 all over the sky (seed 20310304), 30 within 0.02 degrees of each pole, 30 on both sides of right ascension 0, 30 on
both sides of each polar cap's border (sin dec = 2/3). Nested order; orders 1, 6 and 12.
"""

from pathlib import Path

import astropy.units as u
import astropy_healpix
import numpy as np

ORDERS = [1, 6, 12]


def main():
    random = np.random.default_rng(20310304)
    ra = [random.uniform(0, 360, 200)]
    dec = [np.degrees(np.arcsin(random.uniform(-1, 1, 200)))]
    for sign in (-1, 1):
        ra += [random.uniform(0, 360, 30), random.uniform(0, 360, 30)]
        dec += [sign * (90 - random.uniform(0, 0.02, 30)), sign * np.degrees(np.arcsin(2 / 3)) + random.uniform(-0.01, 0.01, 30)]
    ra.append(random.uniform(-0.01, 0.01, 30) % 360)
    dec.append(random.uniform(-90, 90, 30))
    ra, dec = np.concatenate(ra), np.concatenate(dec)
    lines = [
        f"# HEALPix cells, nested: astropy_healpix {astropy_healpix.__version__}. Made by reference/healpix_astropy.py.",
        "order,ra_deg,dec_deg,cell,middle_ra_deg,middle_dec_deg",
    ]
    for order in ORDERS:
        grid = astropy_healpix.HEALPix(nside=2**order, order="nested")
        cells = grid.lonlat_to_healpix(ra * u.deg, dec * u.deg)
        middle_ra, middle_dec = grid.healpix_to_lonlat(cells)
        for row in zip(ra, dec, cells, middle_ra.deg, middle_dec.deg):
            lines.append(f"{order},{row[0]!r},{row[1]!r},{row[2]},{row[3]!r},{row[4]!r}".replace("np.float64(", "").replace(")", ""))
    path = Path(__file__).parents[1] / "crates/fanlight-io/tests/data/healpix.csv"
    path.write_text("\n".join(lines) + "\n")
    print(path, len(lines) - 2, "rows")


if __name__ == "__main__":
    main()
