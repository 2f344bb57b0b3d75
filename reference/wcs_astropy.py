"""Places and pixels by other code: writes crates/fanlight-sky/tests/data/wcs.csv and wcs_headers.json.

Made with astropy 8.0.2 (wcslib) and numpy 2.4.6, seed 20310305; the versions that ran are written into both files. Run from
anywhere: python reference/wcs_astropy.py

Each row: header, x, y (0-based), RA and Dec (degrees) of that pixel, then x, y of that place (0-based), found by wcslib
and, with SIP, by astropy's iteration.
"""

import json
import warnings
from pathlib import Path

import astropy
import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

SEED = 20310305
WIDTH, HEIGHT = 1200, 900


def frame(ra, dec, **cards):
    return {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRPIX1": 600.5, "CRPIX2": 450.5, "CRVAL1": ra, "CRVAL2": dec, **cards}


def cd(scale_arcsec, turn_deg, parity=-1, shear=0.0):
    s, c = np.sin(np.radians(turn_deg)), np.cos(np.radians(turn_deg))
    m = scale_arcsec / 3600 * np.array([[parity * c, -s + shear], [parity * s, c]])
    return {"CD1_1": m[0, 0], "CD1_2": m[0, 1], "CD2_1": m[1, 0], "CD2_2": m[1, 1]}


def sip(rng, order, linear=False):
    """Coefficients that move the corner of the frame by a few pixels per term."""
    cards = {"A_ORDER": order, "B_ORDER": order, "AP_ORDER": 1, "BP_ORDER": 1}
    for axis in "AB":
        for p in range(order + 1):
            for q in range(order + 1 - p):
                if p + q >= (1 if linear else 2):
                    cards[f"{axis}_{p}_{q}"] = float(rng.normal() * (1e-3 if p + q == 1 else 3.0 / 600 ** (p + q)))
    return cards


def headers(rng):
    s = {"CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP"}
    yield "TAN, CD", frame(150.0, 20.0, **cd(2.0, 0))
    yield "TAN, CD, turned and sheared", frame(212.3, -41.7, **cd(0.97, 143.2, shear=0.01))
    yield "TAN, CD, other parity", frame(33.25, 5.5, **cd(1.3, -71.0, parity=1))
    yield "TAN, CD with zeros left out", frame(80.0, -12.0, CD1_1=-5e-4, CD2_2=5e-4)
    yield "TAN, over RA 0", frame(0.01, 12.0, **cd(3.1, 20.0))
    yield "TAN, over RA 0 from below", frame(359.98, -63.0, **cd(3.1, 200.0, parity=1))
    yield "TAN, near the north pole", frame(77.0, 89.9, **cd(2.5, 33.0))
    yield "TAN, near the south pole", frame(301.0, -89.95, **cd(2.5, 33.0))
    yield "TAN, on the north pole", frame(45.0, 90.0, **cd(2.5, 12.0))
    yield "TAN, on the south pole", frame(45.0, -90.0, **cd(2.5, 12.0))
    yield "TAN, on the north pole, LONPOLE 180", frame(45.0, 90.0, LONPOLE=180.0, **cd(2.5, 12.0))
    yield "TAN, CRVAL1 below 0", frame(-20.0, 10.0, **cd(2.5, 12.0))
    yield "TAN, wide", frame(100.0, 45.0, **cd(90.0, 10.0))
    t = np.radians(37.0)
    pc = {"PC1_1": np.cos(t), "PC1_2": -np.sin(t), "PC2_1": np.sin(t), "PC2_2": np.cos(t)}
    yield "TAN, PC and CDELT", frame(123.4, 56.7, CDELT1=-3e-4, CDELT2=4e-4, **pc)
    yield "TAN, PC partly given", frame(123.4, 56.7, CDELT1=3e-4, CDELT2=4e-4, PC1_2=0.1)
    yield "TAN, CDELT alone", frame(123.4, -56.7, CDELT1=-3e-4, CDELT2=3e-4)
    yield "TAN, CROTA2", frame(260.0, 33.0, CDELT1=-3e-4, CDELT2=5e-4, CROTA2=28.5)
    yield "TAN, CROTA2, other parity", frame(260.0, -33.0, CDELT1=3e-4, CDELT2=4e-4, CROTA2=-128.5)
    yield "TAN, CROTA1 0 and CROTA2", frame(260.0, -33.0, CDELT1=-3e-4, CDELT2=3.1e-4, CROTA1=0.0, CROTA2=91.0)
    swap = {"CTYPE1": "DEC--TAN", "CTYPE2": "RA---TAN", "CRVAL1": 22.0, "CRVAL2": 145.0}
    yield "TAN, axes swapped", frame(0, 0, **cd(1.7, 15.0)) | swap
    yield "TAN, axes swapped, PC", frame(0, 0, CDELT1=3e-4, CDELT2=-4e-4, **pc) | swap
    yield "TAN, axes swapped, CROTA1", frame(0, 0, CDELT1=3e-4, CDELT2=-4e-4, CROTA1=25.0) | swap
    yield "TAN, LONPOLE 170", frame(10.0, -20.0, LONPOLE=170.0, **cd(2.0, 40.0))
    yield "TAN, LONPOLE 0", frame(10.0, 20.0, LONPOLE=0.0, **cd(2.0, 40.0))
    yield "TAN, axes swapped, LONPOLE 170", frame(0, 0, LONPOLE=170.0, **cd(2.0, 40.0)) | swap
    arcsec = {"CUNIT1": "arcsec", "CUNIT2": "arcsec"}
    yield "TAN, CUNIT arcsec", frame(10 * 3600.0, 20 * 3600.0, CDELT1=-1.5, CDELT2=1.5, **pc) | arcsec
    yield "TAN, CUNIT arcsec, axes swapped, CD", frame(0, 0, CD1_1=0.2, CD1_2=1.4, CD2_1=-1.4, CD2_2=0.2) | swap | {
        "CRVAL1": 22 * 3600.0, "CRVAL2": 145 * 3600.0} | arcsec
    yield "TAN, reference pixel far outside", frame(10.0, 20.0, **cd(2.0, 40.0)) | {"CRPIX1": -4000.3, "CRPIX2": 7000.7}
    for order in (2, 3, 4):
        yield f"SIP {order}, CD", frame(150.0, 20.0, **cd(2.0, 10.0), **sip(rng, order)) | s
        yield f"SIP {order}, CD, other parity", frame(0.02, -70.0, **cd(2.0, 100.0, parity=1), **sip(rng, order)) | s
    yield "SIP 3, near the pole", frame(200.0, 89.8, **cd(2.0, 10.0), **sip(rng, 3)) | s
    yield "SIP 3, linear terms", frame(200.0, 30.0, **cd(2.0, 10.0), **sip(rng, 3, linear=True)) | s
    yield "SIP 2, PC", frame(50.0, 1.0, CDELT1=-3e-4, CDELT2=4e-4, **pc, **sip(rng, 2)) | s
    yield "SIP 2, without the suffix", frame(50.0, 1.0, **cd(2.0, 10.0), **sip(rng, 2))
    yield "SIP 2, axes swapped", frame(0, 0, **cd(1.7, 15.0), **sip(rng, 2)) | swap | {
        "CTYPE1": "DEC--TAN-SIP", "CTYPE2": "RA---TAN-SIP"}
    yield "SIP 2, LONPOLE 170", frame(50.0, 1.0, LONPOLE=170.0, **cd(2.0, 10.0), **sip(rng, 2)) | s


def main():
    rng = np.random.default_rng(SEED)
    versions = f"astropy {astropy.__version__}, numpy {np.__version__}, seed {SEED} (reference/wcs_astropy.py)"
    cards_of, lines = {"made_with": versions, "headers": {}}, [f"# {versions}; {WIDTH} x {HEIGHT} px\n", "header,x_px,y_px,ra_deg,dec_deg,x_back_px,y_back_px\n"]
    for name, cards in headers(rng):
        cards = {k: v if isinstance(v, str) else v.item() if hasattr(v, "item") else v for k, v in cards.items()}
        cards_of["headers"][name] = cards
        header = fits.Header()
        for k, v in ({"NAXIS": 2, "NAXIS1": WIDTH, "NAXIS2": HEIGHT} | cards).items():
            header[k] = v
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            wcs = WCS(header)
        x = np.concatenate([[0, WIDTH - 1, 0, WIDTH - 1, cards["CRPIX1"] - 1, 599.5], rng.uniform(-0.5, WIDTH - 0.5, 8)])
        y = np.concatenate([[0, 0, HEIGHT - 1, HEIGHT - 1, cards["CRPIX2"] - 1, 449.5], rng.uniform(-0.5, HEIGHT - 0.5, 8)])
        one, two = wcs.all_pix2world(x, y, 0)
        back_x, back_y = wcs.all_world2pix(one, two, 0, tolerance=1e-10, maxiter=200)
        ra, dec = (two, one) if cards["CTYPE1"].startswith("DEC") else (one, two)
        for row in zip(x, y, ra % 360, dec, back_x, back_y):
            lines.append(f'"{name}",' + ",".join(repr(float(v)) for v in row) + "\n")
    data = Path(__file__).parent.parent / "crates/fanlight-sky/tests/data"
    (data / "wcs.csv").write_text("".join(lines))
    (data / "wcs_headers.json").write_text(json.dumps(cards_of, indent=1) + "\n")


main()
