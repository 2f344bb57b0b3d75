"""Expected smoothed images: writes crates/fanlight-image/tests/data/smooth_scipy.csv.

Made with scipy 1.17.1 (ndimage.gaussian_filter, truncate 4, constant edge; ndimage.median_filter) and numpy 2.4.6.
Run from anywhere: python reference/smooth_scipy.py

The image is 24 x 17 pixels of value ((37 x + 101 y) mod 64) - 20, so the test makes it itself. Each row: x, y, Gaussian of
1.75 px (divided by that of an image of ones, which makes the edge a normalised one), median of 3 x 3 (inner pixels).
"""

from pathlib import Path

import numpy as np
from scipy import ndimage


def main():
    y, x = np.mgrid[:17, :24]
    image = ((37 * x + 101 * y) % 64 - 20).astype(float)
    smooth = lambda a: ndimage.gaussian_filter(a, 1.75, truncate=4.0, mode="constant")
    soft = smooth(image) / smooth(np.ones_like(image))
    median = ndimage.median_filter(image, size=3)
    lines = ["# x, y, gaussian, median (reference/smooth_scipy.py)\n"]
    for j in range(1, 16, 2):
        lines += [f"{i},{j},{float(soft[j, i])!r},{float(median[j, i])!r}\n" for i in range(1, 23, 3)]
    lines.append(f"0,0,{float(soft[0, 0])!r},\n")
    out = Path(__file__).parent.parent / "crates/fanlight-image/tests/data/smooth_scipy.csv"
    out.write_text("".join(lines))


main()
