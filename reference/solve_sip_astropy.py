"""Frames with distortion by other code: writes crates/fanlight-sky/tests/data/solve_sip.csv.

Made with astropy 8.0.2 (wcslib) and numpy 2.4.6, seed 20310306; the versions that ran are written into the file. Run from
anywhere: python reference/solve_sip_astropy.py

Each row: order of the SIP polynomials, place of a star in the frame (0-based px), a Gaussian error of 0.05 px per axis to be
added or not, its RA and Dec (degrees) by astropy, and its magnitude.
"""

from pathlib import Path

import astropy
import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

SEED = 20310306
WIDTH, HEIGHT, STARS = 2000, 1500, 220


def header(rng, order):
    turn = np.radians(30.0 + 70.0 * order)
    parity = -1 if order != 3 else 1
    scale = 2.5 / 3600
    cd = scale * np.array([[parity * np.cos(turn), -np.sin(turn)], [parity * np.sin(turn), np.cos(turn)]])
    cards = {
        "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "CRVAL1": 211.3, "CRVAL2": 47.0 - 20.0 * order,
        "CRPIX1": WIDTH / 2 + 40.5, "CRPIX2": HEIGHT / 2 - 25.5,
        "CD1_1": cd[0, 0], "CD1_2": cd[0, 1], "CD2_1": cd[1, 0], "CD2_2": cd[1, 1],
        "A_ORDER": order, "B_ORDER": order,
    }
    # each term moves the corner by about a pixel
    for axis in "AB":
        for p in range(order + 1):
            for q in range(order + 1 - p):
                if p + q >= 2:
                    cards[f"{axis}_{p}_{q}"] = float(rng.normal()) / 1000.0 ** (p + q)
    return fits.Header(cards)


def main():
    rng = np.random.default_rng(SEED)
    lines = [
        f"# Frames of {WIDTH} x {HEIGHT} px, 2.5 arcsec per px, places by astropy {astropy.__version__}, "
        f"numpy {np.__version__}, seed {SEED} (reference/solve_sip_astropy.py)\n",
        "order,x_px,y_px,dx_px,dy_px,ra_deg,dec_deg,mag\n",
    ]
    for order in (2, 3, 4):
        wcs = WCS(header(rng, order))
        x, y = rng.uniform(0, WIDTH - 1, STARS), rng.uniform(0, HEIGHT - 1, STARS)
        ra, dec = wcs.all_pix2world(x, y, 0)
        dx, dy = rng.normal(0, 0.05, (2, STARS))
        mag = 14 + np.log10(rng.uniform(1e-4, 1, STARS)) / 0.37
        lines += [
            f"{order},{x[i]:.9f},{y[i]:.9f},{dx[i]:.4f},{dy[i]:.4f},{ra[i]:.12f},{dec[i]:.12f},{mag[i]:.2f}\n"
            for i in range(STARS)
        ]
    data = Path(__file__).parents[1] / "crates/fanlight-sky/tests/data/solve_sip.csv"
    data.write_text("".join(lines))


if __name__ == "__main__":
    main()
