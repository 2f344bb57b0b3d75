"""Expected enhanced images: writes crates/fanlight-coma/tests/data/enhancements_scipy.csv.

Made with scipy 1.17.1 (ndimage.map_coordinates, gaussian_filter, gaussian_laplace) and numpy 2.4.6, seed 20.
Run from anywhere: python reference/enhancements_scipy.py

The image is 64 x 64 pixels: a 1/rho coma about (30.3, 33.8) with a ray, a sky level and Gaussian noise, rounded to 0.001. Each row: x, y,
image, and, on every third pixel of every third row, what is expected: the rotational gradient of 25 degrees, that of 40 degrees with a radial
shift of 1.5 px (empty where a copy is outside), -sigma^2 times the Laplacian of a Gaussian of 2 px and of one of 7 px (cut at 6 sigma; the image's own weighted
mean is taken off each sum; empty where less than 0.9 of the Gaussian's weight falls inside), the unsharp ratio for 3 px and for 8 px, and the difference of Gaussians of 1.5 and 6.5 px. Gaussians are cut at 4 sigma and
divided by that of an image of ones, which makes the edge a normalised one. Then the same of the image with missing pixels (a row of
ten and three squares of 3 x 3), by convolution of the values and of the weights.
"""

from pathlib import Path

import numpy as np
from scipy import ndimage

SIDE, CX, CY = 64, 30.3, 33.8


def scene():
    rng = np.random.default_rng(20)
    y, x = np.mgrid[:SIDE, :SIDE].astype(float)
    rho, theta = np.hypot(x - CX, y - CY), np.arctan2(y - CY, x - CX)
    ray = 1 + 0.3 * np.exp(-0.5 * ((theta - 0.7) / 0.2) ** 2)
    image = 900 / np.maximum(rho, 0.8) * ray + 40 + rng.normal(0, 2, rho.shape)
    return np.round(image, 3).astype(np.float32).astype(float)


def copies(image, turn_deg, shift):
    y, x = np.mgrid[:SIDE, :SIDE].astype(float)
    rho, theta = np.hypot(x - CX, y - CY), np.arctan2(y - CY, x - CX)
    out = 2 * image
    for sign in (1, -1):
        angle = theta + sign * np.radians(turn_deg)
        r = np.where(rho > shift, rho - shift, np.nan)
        at = [CY + r * np.sin(angle), CX + r * np.cos(angle)]
        inside = (at[0] >= 0) & (at[0] <= SIDE - 1) & (at[1] >= 0) & (at[1] <= SIDE - 1)
        at = np.where(inside, at, 0.0)
        out = out - np.where(inside, ndimage.map_coordinates(image, at, order=1), np.nan)
    return out


def gaussian(values, sigma, order=0, truncate=4.0):
    return ndimage.gaussian_filter(values, sigma, order=order, truncate=truncate, mode="constant")


def smooth(image, sigma):
    good = np.isfinite(image)
    return gaussian(np.where(good, image, 0), sigma) / gaussian(good.astype(float), sigma)


def laplacian(image, sigma):
    good = np.isfinite(image)
    total = lambda a: ndimage.gaussian_laplace(a, sigma, truncate=6.0, mode="constant")
    weight = gaussian(good.astype(float), sigma, truncate=6.0)
    mean = gaussian(np.where(good, image, 0), sigma, truncate=6.0) / weight
    out = -sigma**2 * (total(np.where(good, image, 0)) - mean * total(good.astype(float)))
    return np.where((weight >= 0.9) & good, out, np.nan)


def main():
    image = scene()
    holed = image.copy()
    holed[12, 20:30] = np.nan
    for x, y in [(45, 50), (20, 40), (31, 34)]:
        holed[y : y + 3, x : x + 3] = np.nan
    columns = []
    for i in (image, holed):
        columns += [copies(i, 25, 0), copies(i, 40, 1.5), laplacian(i, 2), laplacian(i, 7)]
        columns += [i / smooth(i, 3), i / smooth(i, 8), smooth(i, 1.5) - smooth(i, 6.5)]
    columns = [np.where(np.isfinite(c), c, np.nan) for c in columns]
    columns[11:] = [np.where(np.isfinite(holed), c, np.nan) for c in columns[11:]]
    text = lambda v: "" if np.isnan(v) else f"{v:.8g}"
    lines = ["# x, y, image, 7 enhanced images, 7 with gaps (reference/enhancements_scipy.py)\n"]
    for y in range(SIDE):
        for x in range(SIDE):
            expected = [text(c[y, x]) for c in columns] if x % 3 == 0 and y % 3 == 0 else []
            lines.append(",".join([f"{x},{y},{image[y, x]:.7g}", *expected]) + "\n")
    out = Path(__file__).parent.parent / "crates/fanlight-coma/tests/data/enhancements_scipy.csv"
    out.write_text("".join(lines))


main()
