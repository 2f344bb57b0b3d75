"""Sums circular apertures on a comet-registered stack with photutils and compares them with the record beside it.

Usage: python check_photometry.py DIR

DIR holds comet.fits and night.json. For every aperture: the sum of the good pixels with the exact overlap method about
the recorded optocentre, against the flux that the magnitude and the card MAGZERO stand for. The stack is as published,
its sky already taken off: the programs are compared in how they sum. Prints
a JSON list of {"aperture_km", "flux", "photutils_flux", "masked_fraction"}. Made with photutils 3.0.0, astropy 8.0.2 and
numpy 2.4.6.
"""

import json
import sys
from pathlib import Path

import numpy as np
from astropy.io import fits
from photutils.aperture import CircularAperture, aperture_photometry


def main(folder):
    record = json.loads((folder / "night.json").read_text())
    stack = record["stack"]
    with fits.open(folder / "comet.fits") as hdus:
        image = np.asarray(hdus["COMET"].data, dtype=float)
        masked = np.asarray(hdus["MASK"].data) != 0
        zero_point = hdus["COMET"].header["MAGZERO"]
        card_centre = (hdus["COMET"].header["COMETX"] - 1.0, hdus["COMET"].header["COMETY"] - 1.0)
    masked |= ~np.isfinite(image)
    centre = (stack["centre_x_px"], stack["centre_y_px"])
    if np.hypot(card_centre[0] - centre[0], card_centre[1] - centre[1]) > 1e-6:
        raise ValueError(f"COMETX and COMETY say {card_centre}, the record {centre}")
    scale_arcsec = np.sqrt(abs(np.linalg.det(np.array(stack["arcsec_per_px"]))))

    results = []
    for entry in record["photometry"]:
        if entry["mag"] is None:
            continue
        aperture = CircularAperture(centre, entry["aperture_arcsec"] / scale_arcsec)
        table = aperture_photometry(np.where(masked, 0.0, image), aperture, method="exact")
        area = aperture_photometry((~masked).astype(float), aperture, method="exact")["aperture_sum"][0]
        results.append(
            {
                "aperture_km": entry["aperture_km"],
                "flux": 10 ** (0.4 * (zero_point - entry["mag"])),
                "photutils_flux": float(table["aperture_sum"][0]),
                "masked_fraction": float(1.0 - area / aperture.area),
            }
        )
    print(json.dumps(results))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
