"""Where the catalogue's stars are in a star-registered stack, against where its WCS puts them by astropy.

Usage: python check_star_places.py STACK CATALOGUE YEAR

STACK is a FITS file whose first image is the stack; CATALOGUE a CSV with ra_deg, dec_deg, pmra_mas_yr, pmdec_mas_yr,
epoch_yr and r; YEAR the Julian year of the stack. Stars brighter than magnitude 16.5 with no other within 12 px that is
not three magnitudes fainter are centred by SExtractor's windowed centroid (sep.winpos). Prints a JSON list of
{"x_px", "y_px", "dx_px", "dy_px"}: pixel from 0 by the WCS, and how far beyond it the star is. Made with astropy 8.0.2,
sep 1.4.1 and numpy 2.4.6.
"""

import csv
import json
import sys

import numpy as np
import sep
from astropy.io import fits
from astropy.wcs import WCS


def main(stack, catalogue, year):
    with fits.open(stack) as hdus:
        image = np.ascontiguousarray(hdus[0].data, dtype=np.float64)
        wcs = WCS(hdus[0].header)
    with open(catalogue) as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    column = lambda name: np.array([float(row[name] or 0) for row in rows])
    dec = column("dec_deg")
    years = year - column("epoch_yr")
    ra = column("ra_deg") + column("pmra_mas_yr") * years / 3.6e6 / np.cos(np.radians(dec))
    dec = dec + column("pmdec_mas_yr") * years / 3.6e6
    mag = np.array([float(row["r"]) if row["r"] else 99.0 for row in rows])
    x, y = wcs.all_world2pix(ra, dec, 0, tolerance=1e-6, maxiter=50, quiet=True)

    mask = ~np.isfinite(image)
    image = np.where(mask, 0.0, image)
    height, width = image.shape
    out = []
    for i in np.flatnonzero((mag < 16.5) & (x > 12) & (y > 12) & (x < width - 13) & (y < height - 13)):
        near = np.hypot(x - x[i], y - y[i]) < 12
        near[i] = False
        if (mag[near] < mag[i] + 3).any():
            continue
        cx, cy, flag = sep.winpos(image, x[i], y[i], 1.3, mask=mask)
        if flag == 0 and np.hypot(cx - x[i], cy - y[i]) < 3:
            place = {"x_px": x[i], "y_px": y[i], "dx_px": cx - x[i], "dy_px": cy - y[i]}
            out.append({key: float(value) for key, value in place.items()})
    print(json.dumps(out))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]))
