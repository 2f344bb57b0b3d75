"""Sums circular apertures on a comet-registered stack with photutils and compares them with the record beside it.

Usage: python check_photometry.py DIR

DIR holds comet.fits and night.json. For every aperture: the sum of the good pixels with the exact overlap method about
the recorded optocentre, against the flux that the magnitude and the card MAGZERO stand for; likewise for every circle of the curve
of growth and every ring of the sectors, by their recorded light. The stack is as published, its sky already taken off: the
programs are compared in how they sum. Prints {"apertures": […], "growth": […], "rings": […]} of {"outer_arcsec", "flux",
"photutils_flux", "masked_fraction"}. Made with photutils 3.0.0, astropy 8.0.2 and
numpy 2.4.6.
"""

import json
import sys
from pathlib import Path

import numpy as np
from astropy.io import fits
from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry


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

    def compared(flux, outer_arcsec, inner_arcsec=0.0):
        outer, inner = outer_arcsec / scale_arcsec, inner_arcsec / scale_arcsec
        aperture = CircularAnnulus(centre, inner, outer) if inner > 0.0 else CircularAperture(centre, outer)
        table = aperture_photometry(np.where(masked, 0.0, image), aperture, method="exact")
        area = aperture_photometry((~masked).astype(float), aperture, method="exact")["aperture_sum"][0]
        return {
            "outer_arcsec": outer_arcsec,
            "flux": flux,
            "photutils_flux": float(table["aperture_sum"][0]),
            "masked_fraction": float(1.0 - area / aperture.area),
        }

    print(json.dumps({
        "apertures": [
            compared(10 ** (0.4 * (zero_point - p["mag"])), p["aperture_arcsec"])
            for p in record["photometry"] if p["mag"] is not None],
        "growth": [compared(g["light_e_per_s"], g["radius_arcsec"]) for g in record["curve_of_growth"]],
        "rings": [
            compared(s["light_e_per_s"], s["outer_arcsec"], s["inner_arcsec"])
            for s in record.get("sectors", []) if s["width_deg"] == 360],
    }))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
