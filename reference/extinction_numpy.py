"""A weighted straight line: writes crates/fanlight-coma/tests/data/extinction_numpy.csv.

Made with numpy 2.4.6 (default_rng(9), polyfit with w = 1/sigma and unscaled covariance). Run from anywhere:
python reference/extinction_numpy.py

Ten rows of airmass, zero point and its error; the last row holds coefficient, its error, intercept and its error.
"""

from pathlib import Path

import numpy as np


def main():
    rng = np.random.default_rng(9)
    airmass = np.round(np.linspace(1.05, 1.95, 10), 3)
    sigma = np.round(0.01 + 0.01 * rng.random(10), 4)
    mag = np.round(22.4 - 0.17 * airmass + 0.6 * sigma * rng.standard_normal(10), 4)
    (slope, intercept), covariance = np.polyfit(airmass, mag, 1, w=1 / sigma, cov="unscaled")
    chi2 = float(np.sum(((mag - intercept - slope * airmass) / sigma) ** 2))
    assert chi2 < 8, chi2
    lines = ["# airmass, zero point, sigma; last row: coefficient, error, intercept, error (reference/extinction_numpy.py)\n"]
    lines += [f"{x},{m},{s}\n" for x, m, s in zip(airmass, mag, sigma)]
    errors = np.sqrt(np.diag(covariance))
    lines.append(f"{-slope:.9f},{errors[0]:.9f},{intercept:.9f},{errors[1]:.9f}\n")
    out = Path(__file__).parent.parent / "crates/fanlight-coma/tests/data/extinction_numpy.csv"
    out.write_text("".join(lines))


main()
