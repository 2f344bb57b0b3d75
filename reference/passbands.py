"""The Sun and stars like it in standard passbands: writes crates/fanlight-coma/tests/data/passbands_pyphot.csv.

Made with numpy 2.4.6, astropy 8.0.2 and the data files of pyphot 2.1.1 (passband curves; sun_reference_stis_001.fits and
alpha_lyr_stis_011.fits of the CALSPEC library). Run from anywhere: python reference/passbands.py

Photon-counting magnitudes by numpy alone. AB for SDSS and Pan-STARRS1, Vega for the rest, with Vega's own magnitudes 0.02 in
U, 0.03 in B, V, R, I, G, BP and RP, and 0 in Tycho's bands. Columns: band, pivot wavelength in nm, magnitude of the Sun at
1 au, then of the Sun's spectrum times the ratio of Planck functions of 4600, 5000, 5400, 6200, 6800 and 7600 K to that of
5772 K. Such stars have the Sun's lines at another slope: they test the colour terms of band transformations to a few per cent.
"""

from pathlib import Path

import numpy as np
import pyphot
from astropy.io import fits

LIBRARY = Path(pyphot.__file__).parent / "libs"
GRID = np.arange(2500.0, 11500.0)  # angstrom
AB = ["u", "g", "r", "i", "z", "gp1", "rp1", "ip1", "zp1", "yp1"]
VEGA = {"U": 0.02, "B": 0.03, "V": 0.03, "R": 0.03, "I": 0.03, "G": 0.03, "BP": 0.03, "RP": 0.03, "BT": 0.0, "VT": 0.0}
FILES = {
    "U": "ground_johnson_u", "B": "ground_johnson_b", "V": "ground_johnson_v", "R": "ground_cousins_r", "I": "ground_cousins_i",
    "u": "sdss_u", "g": "sdss_g", "r": "sdss_r", "i": "sdss_i", "z": "sdss_z",
    "gp1": "PS1_g", "rp1": "PS1_r", "ip1": "PS1_i", "zp1": "PS1_z", "yp1": "PS1_y",
    "G": "gaiadr2v2_g", "BP": "gaiadr2v2_bp", "RP": "gaiadr2v2_rp", "BT": "tycho_b_mvb", "VT": "tycho_v_mvb",
}


def spectrum(name):
    table = fits.getdata(LIBRARY / name, 1)
    return np.interp(GRID, table["WAVELENGTH"].astype(float), table["FLUX"].astype(float))


def passband(name):
    wavelength, through, scale, energy = [], [], 1.0, False
    for line in (LIBRARY / "ascii_sources" / f"{name}.csv").read_text().splitlines():
        energy |= line.startswith("# DETECTOR") and "energy" in line
        scale = 10.0 if line.startswith("# WAVELENGTH_UNIT") and line.split()[-1] == "nm" else scale
        if line[0].isdigit():
            a, b = map(float, line.split(",")[:2])
            wavelength.append(a * scale)
            through.append(max(b, 0.0))
    order = np.argsort(wavelength)
    curve = np.interp(GRID, np.array(wavelength)[order], np.array(through)[order], 0, 0)
    return curve / GRID if energy else curve


def ab_mag(flux, curve):
    """AB magnitude of a flux in erg/s/cm2/angstrom."""
    return -2.5 * np.log10(np.trapezoid(flux * curve * GRID) / np.trapezoid(curve / GRID) / 2.99792458e18) - 48.6


def planck(kelvin):
    return GRID**-5.0 / np.expm1(1.438776877e8 / (GRID * kelvin))


def main():
    sun, vega = spectrum("sun_reference_stis_001.fits"), spectrum("alpha_lyr_stis_011.fits")
    stars = [sun] + [sun * planck(t) / planck(5772.0) for t in (4600.0, 5000.0, 5400.0, 6200.0, 6800.0, 7600.0)]
    lines = ["# band, pivot_nm, mag of the Sun at 1 au, mag at 4600 5000 5400 6200 6800 7600 K (reference/passbands.py)\n"]
    for band, name in FILES.items():
        curve = passband(name)
        pivot = np.sqrt(np.trapezoid(curve * GRID) / np.trapezoid(curve / GRID)) / 10.0
        zero = 0.0 if band in AB else ab_mag(vega, curve) - VEGA[band]
        lines.append(",".join([band, f"{pivot:.2f}"] + [f"{ab_mag(s, curve) - zero:.4f}" for s in stars]) + "\n")
    out = Path(__file__).parent.parent / "crates/fanlight-coma/tests/data/passbands_pyphot.csv"
    out.write_text("".join(lines))


main()
