"""Makes a night of 1024 or 4096 pixels of a measured one, for measure.mjs: every pixel repeated, noise added.

    python enlarge.py NIGHT_DIR OUT_DIR SIDE_PX

Needs astropy and numpy. It is no night to measure anything on: only its size counts.
"""

import json
import sys
from pathlib import Path

import numpy as np
from astropy.io import fits

source, out, side = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
record = json.loads((source / "night.json").read_text())
stack = record["stack"]
times = -(-side // min(stack["width_px"], stack["height_px"]))
start = (times * stack["width_px"] - side) // 2
random = np.random.default_rng(20310324)
out.mkdir(parents=True, exist_ok=True)
for name in ("comet.fits", "twin.fits"):
    with fits.open(source / name) as file:
        for hdu in file:
            large = np.kron(hdu.data, np.ones((times, times), hdu.data.dtype))[start : start + side, start : start + side]
            if hdu.data.dtype.kind == "f" and hdu is file[0]:
                large = (large + 0.05 * random.standard_normal(large.shape)).astype("f4")
            hdu.data = np.ascontiguousarray(large)
        file.writeto(out / name, overwrite=True)
stack["width_px"] = stack["height_px"] = side
for axis in ("centre_x_px", "centre_y_px"):
    stack[axis] = (stack[axis] + 0.5) * times - 0.5 - start
stack["arcsec_per_px"] = [[value / times for value in row] for row in stack["arcsec_per_px"]]
stack["substacks"] = []
(out / "night.json").write_text(json.dumps(record))
