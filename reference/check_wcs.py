"""Sky positions of a grid of pixels of a FITS file's first image, by astropy, as JSON.

Usage: python check_wcs.py FILE

Pixels are counted from 0. Made with astropy 8.0.2.
"""

import json
import sys

from astropy.io import fits
from astropy.wcs import WCS


def main(path):
    with fits.open(path) as hdus:
        header = hdus[0].header
        wcs = WCS(header)
        last = (header["NAXIS1"] - 1, header["NAXIS2"] - 1)
    points = [(last[0] * i / 3, last[1] * j / 3) for i in range(4) for j in range(4)]
    out = []
    for x, y in points:
        ra, dec = wcs.all_pix2world(x, y, 0)
        out.append({"x_px": x, "y_px": y, "ra_deg": float(ra), "dec_deg": float(dec)})
    print(json.dumps(out))


if __name__ == "__main__":
    main(sys.argv[1])
