"""Makes crates/fanlight/tests/data/detections_sep.csv: what sep finds, and how wide photutils fits stars, on simulated frames.

Run from the repository's root with the built command: python reference/detections_sep_photutils.py target/release/fanlight
For each scenario crates/fanlight/tests/data/detect-NAME.toml (its seed is in it) the one frame is simulated, its bias and a
sep.Background taken off (64 px cells; of 32 and 64 px the one that finds more), and sep.extract run with the matched filter of a
Gaussian of the true width at thresholds from 1 to 4 in steps of 0.2 (minarea 3, 5). The catalogue of the simulation is complete and
exact. A source is false where no star brighter than the limit of the frame (a flux of 2 sigma in the matched filter) lies within
2 px; a star counts as found where a source lies within 2 px. Completeness is that of the stars above 5 sigma in the matched filter.
Columns: frame, false_alarms allowed, completeness (the best of all thresholds that give no more false ones), fwhm_px
(photutils: the median of MoffatPSF fits to bright lone stars, pixels sampled at their centres).
Made with sep 1.4.1, photutils 3.0.0, astropy 8.0.2, numpy 2.4.6.
"""

import csv
import subprocess
import sys
import tempfile
import warnings

import numpy as np
import sep
from astropy.io import fits
from astropy.table import QTable
from astropy.wcs import WCS
from photutils.psf import MoffatPSF, PSFPhotometry
from scipy.spatial import cKDTree

warnings.simplefilter("ignore")
sep.set_extract_pixstack(3_000_000)
DATA = "crates/fanlight/tests/data/"
ALLOWED = [1, 3, 10, 30, 100]
MATCH_PX = 2.0


def stars_of(folder, header, shape, truth, noise_e, fwhm_px):
    """Places and significances in a matched filter of the stars on the frame."""
    table = np.genfromtxt(f"{folder}/field.csv", delimiter=",", names=True)
    x, y = WCS(header).all_world2pix(table["ra_deg"], table["dec_deg"], 0)
    inside = (x > 3) & (y > 3) & (x < shape[1] - 4) & (y < shape[0] - 4)
    light = 10 ** (-0.4 * (table["r"] - truth["zero_point_mag"])) * header["EXPTIME"]
    # a Gaussian's matched filter: noise times sqrt(4 pi sigma^2)
    significance = light / (noise_e * np.sqrt(4 * np.pi) * fwhm_px / 2.3548)
    return x[inside], y[inside], significance[inside]


def main():
    import json

    rows = []
    for name in ("sparse", "dense", "coma"):
        with tempfile.TemporaryDirectory() as folder:
            command = [sys.argv[1], "simulate", f"{DATA}detect-{name}.toml", "--out", folder]
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            truth = json.load(open(f"{folder}/truth.json"))
            header = fits.getheader(f"{folder}/frames/light-001.fits")
            counts = fits.getdata(f"{folder}/frames/light-001.fits").astype(float)
            bias = truth["scenario"]["camera"]["bias_adu"]
            image = np.ascontiguousarray((counts - bias) * header["EGAIN"], dtype=np.float32)
            of_frame = truth["frames"][0]
            fwhm_px = of_frame["fwhm_arcsec"] / truth["scenario"]["camera"]["scale_arcsec"]
            half = int(np.ceil(1.5 * fwhm_px))
            yy, xx = np.mgrid[-half : half + 1, -half : half + 1]
            kernel = np.exp(-(xx**2 + yy**2) / (2 * (fwhm_px / 2.3548) ** 2))
            sigma = sep.Background(image, bw=64, bh=64).globalrms
            x, y, significance = stars_of(folder, header, image.shape, of_frame, sigma, fwhm_px)
            near_real = cKDTree(np.column_stack([x, y])[significance > 2])
            bright = significance > 5
            wanted = np.column_stack([x, y])[bright]
            best = dict.fromkeys(ALLOWED, 0.0)
            for cell in (32, 64):
                background = sep.Background(image, bw=cell, bh=cell)
                flat = image - background.back(dtype=np.float32)
                for threshold in np.arange(1.0, 4.05, 0.2):
                    for minarea in (3, 5):
                        found = sep.extract(
                            flat, threshold, err=background.globalrms, filter_kernel=kernel, filter_type="matched",
                            minarea=minarea,
                        )
                        if len(found) == 0:
                            continue
                        places = np.column_stack([found["x"], found["y"]])
                        edge = (places > 3).all(axis=1) & (places < np.array(image.shape[::-1]) - 4).all(axis=1)
                        places = places[edge]
                        false = (near_real.query(places)[0] > MATCH_PX).sum()
                        share = (cKDTree(places).query(wanted)[0] <= MATCH_PX).mean()
                        for allowed in ALLOWED:
                            if false <= allowed:
                                best[allowed] = max(best[allowed], share)
            fwhm = photutils_fwhm(flat, x, y, significance, fwhm_px)
            print(name, "noise", sigma, "stars over 5 sigma", bright.sum(), best, "fwhm", fwhm, "true", fwhm_px)
            rows += [[name, allowed, f"{best[allowed]:.4f}", f"{fwhm:.4f}"] for allowed in ALLOWED]
    with open(f"{DATA}detections_sep.csv", "w") as out:
        csv.writer(out, lineterminator="\n").writerows([["frame", "false_alarms", "completeness", "fwhm_px"], *rows])


def photutils_fwhm(flat, x, y, significance, fwhm_px):
    """Median FWHM of Moffat fits to up to 40 bright stars without a neighbour, away from the middle where the comet is."""
    tree = cKDTree(np.column_stack([x, y])[significance > 15])
    middle = np.hypot(x - flat.shape[1] / 2, y - flat.shape[0] / 2)
    order = [i for i in np.argsort(-significance) if middle[i] > 150]
    peak = flat[np.clip(y.round().astype(int), 0, flat.shape[0] - 1), np.clip(x.round().astype(int), 0, flat.shape[1] - 1)]
    lone = [i for i in order if len(tree.query_ball_point([x[i], y[i]], 5 * fwhm_px)) == 1 and peak[i] < 40000][:40]
    model = MoffatPSF(alpha=fwhm_px, beta=3.0)
    model.alpha.fixed = model.beta.fixed = False
    side = 2 * int(2.5 * fwhm_px) + 1
    start = QTable({"x": x[lone], "y": y[lone]})
    fits_ = PSFPhotometry(model, (side, side), aperture_radius=fwhm_px)(flat, init_params=start)
    alpha, beta = np.asarray(fits_["alpha_fit"]), np.asarray(fits_["beta_fit"])
    return float(np.median(2 * alpha * np.sqrt(2 ** (1 / beta) - 1)))


main()
