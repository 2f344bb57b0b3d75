"""Expected circle sums: writes crates/fanlight-image/tests/data/aperture_photutils.csv.

Made with photutils 3.0.0 (CircularAperture, method 'exact'; the version that ran is written into the file) and
numpy 2.4.6, seed 20310705. Run from anywhere: python reference/aperture_photutils.py

Each row: x, y, radius, area inside the image, sum. The image is 31 x 23 pixels of value 1 + 0.5 x + 2 y + x y / 8, so the
test makes it itself.
"""

from pathlib import Path

import numpy as np
import photutils
from photutils.aperture import CircularAperture

WIDTH, HEIGHT = 31, 23


def main():
    rng = np.random.default_rng(20310705)
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    image = 1 + 0.5 * x + 2 * y + x * y / 8
    ones = np.ones_like(image)
    circles = [(15.0, 11.0, r) for r in (0.05, 0.3, 0.5, 0.7, 2**-0.5, 1.0, 1.5, 2.5, 7.5, 10.0)]
    circles += [(15.5, 11.5, r) for r in (0.2, 0.5, 1.0, 3.0)] + [(15.5, 11.0, 1.0), (0.0, 0.0, 4.0), (-0.5, -0.5, 6.0)]
    circles += [(rng.uniform(-2, 32), rng.uniform(-2, 24), rng.uniform(0.1, 12)) for _ in range(60)]
    lines = [f"# photutils {photutils.__version__}: x, y, radius, area, sum (reference/aperture_photutils.py)\n"]
    for cx, cy, r in circles:
        aperture = CircularAperture((cx, cy), r)
        area, total = (aperture.do_photometry(a, method="exact")[0][0] for a in (ones, image))
        if np.isfinite(area):  # photutils answers NaN for a circle wholly outside
            lines.append(",".join(repr(float(v)) for v in (cx, cy, r, area, total)) + "\n")
    out = Path(__file__).parent.parent / "crates/fanlight-image/tests/data/aperture_photutils.csv"
    out.write_text("".join(lines))


main()
