"""Lone catalogue stars of a star-registered stack measured with photutils and compared with the catalogue.

Usage: python check_star_magnitudes.py STARS_FITS CATALOGUE_CSV

Stars of 12 to 15 mag without a neighbour brighter than their magnitude + 3 within 20 arcsec, at least 15 arcsec from
the edge: the light within 9 arcsec less the median of 10 to 15 arcsec, through the card MAGZERO. Prints residuals,
measured minus catalogue magnitude. Made with photutils 3.0.0, astropy 8.0.2 and numpy 2.4.6.
"""

import json
import sys

import numpy as np
from astropy.io import ascii, fits
from astropy.wcs import WCS
from astropy.wcs.utils import proj_plane_pixel_scales
from photutils.aperture import ApertureStats, CircularAnnulus, CircularAperture, aperture_photometry


def main(stack, catalogue):
    with fits.open(stack) as hdus:
        header = hdus["STARS"].header
        image = np.asarray(hdus["STARS"].data, dtype=float)
        masked = (np.asarray(hdus["MASK"].data) != 0) | ~np.isfinite(image)
    wcs = WCS(header)
    scale_arcsec = float(np.mean(proj_plane_pixel_scales(wcs))) * 3600.0
    table = ascii.read(catalogue, format="csv", comment="#")
    year = 2000.0 + (np.datetime64(header["DATE-AVG"]) - np.datetime64("2000-01-01T12:00:00")) / np.timedelta64(1, "s") / 31557600.0
    ra, dec = np.array(table["ra_deg"], float), np.array(table["dec_deg"], float)
    if "pmra_mas_yr" in table.colnames:
        span = year - np.array(table["epoch_yr"], float)
        dec = dec + np.array(table["pmdec_mas_yr"], float) * span / 3.6e6
        ra = ra + np.array(table["pmra_mas_yr"], float) * span / 3.6e6 / np.cos(np.radians(dec))
    band = header["MAGBAND"]
    mag = np.ma.filled(np.ma.array(table[band], dtype=float), np.nan)
    x, y = wcs.all_world2pix(ra, dec, 0)

    margin = 15.0 / scale_arcsec
    inside = (x > margin) & (y > margin) & (x < image.shape[1] - 1 - margin) & (y < image.shape[0] - 1 - margin)
    residuals = []
    for i in np.flatnonzero(inside & (mag > 12.0) & (mag < 15.0)):
        near = (np.hypot(x - x[i], y - y[i]) < 20.0 / scale_arcsec) & (mag < mag[i] + 3.0)
        if near.sum() > 1:
            continue
        place = (float(x[i]), float(y[i]))
        inner = CircularAperture(place, 9.0 / scale_arcsec)
        ring = CircularAnnulus(place, 10.0 / scale_arcsec, 15.0 / scale_arcsec)
        if inner.to_mask(method="center").multiply(masked.astype(float)).any():
            continue
        sky = ApertureStats(image, ring, mask=masked).median
        flux = aperture_photometry(image, inner, method="exact")["aperture_sum"][0] - sky * inner.area
        if flux > 0:
            residuals.append(header["MAGZERO"] - 2.5 * np.log10(flux) - mag[i])
    print(json.dumps({"residual_mag": [float(r) for r in residuals], "median_mag": float(np.median(residuals))}))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
