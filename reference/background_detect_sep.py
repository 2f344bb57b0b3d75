"""Makes the star field and the reference lists for fanlight-image's background and detection tests.

Run from the repository's root with numpy 2.4 and sep 1.4: python reference/background_detect_sep.py
Writes into crates/fanlight-image/tests/data/:
  field_256.u16le         256 x 256 little-endian counts (1 e- each), row-major
  field_truth.csv         x_px, y_px, flux_e of every star put in
  field_background.csv    sep.Background level and rms (64 px cells, 3 x 3 filter) every 16 px
  field_sources.csv       sep.extract at 1.5 sigma after its default 3 x 3 filter; windowed positions, flux, flag
Seed 20311; nothing else is random.
"""

import numpy as np
import sep

OUT = "crates/fanlight-image/tests/data/"
SIZE, FWHM_PX, BETA = 256, 2.8, 3.0
N_STARS = 220
rng = np.random.default_rng(20311)

y, x = np.mgrid[0:SIZE, 0:SIZE].astype(float)
sky = 900.0 + 0.35 * x - 0.2 * y + 40.0 * np.sin(x / 120.0) * np.cos(y / 150.0)
light = np.zeros((SIZE, SIZE))

alpha = FWHM_PX / (2 * np.sqrt(2 ** (1 / BETA) - 1))
# flux counts as N(>F) ~ F^-0.7 between the limits, as in a field off the galactic plane
low, high, slope = 250.0, 120000.0, 0.7
u = rng.random(N_STARS)
flux = (low**-slope - u * (low**-slope - high**-slope)) ** (-1 / slope)
xs = rng.uniform(3, SIZE - 4, N_STARS)
ys = rng.uniform(3, SIZE - 4, N_STARS)
SUB = 11
offsets = (np.arange(SUB) + 0.5) / SUB - 0.5
for cx, cy, f in zip(xs, ys, flux):
    half = 30
    x0, x1 = max(0, int(cx) - half), min(SIZE, int(cx) + half + 2)
    y0, y1 = max(0, int(cy) - half), min(SIZE, int(cy) + half + 2)
    px = (np.arange(x0, x1)[:, None] + offsets).ravel() - cx
    py = (np.arange(y0, y1)[:, None] + offsets).ravel() - cy
    fine = (1 + (py[:, None] ** 2 + px[None, :] ** 2) / alpha**2) ** -BETA * (BETA - 1) / (np.pi * alpha**2)
    light[y0:y1, x0:x1] += f * fine.reshape(y1 - y0, SUB, x1 - x0, SUB).mean(axis=(1, 3))

READ_NOISE_E = 8.0
field = rng.poisson(sky + light) + rng.normal(0.0, READ_NOISE_E, (SIZE, SIZE))
counts = np.clip(np.rint(field), 0, 65535).astype("<u2")
counts.tofile(OUT + "field_256.u16le")

with open(OUT + "field_truth.csv", "w") as out:
    out.write("x_px,y_px,flux_e\n")
    out.writelines(f"{a:.4f},{b:.4f},{f:.2f}\n" for a, b, f in zip(xs, ys, flux))

data = counts.astype(np.float32)
background = sep.Background(data, bw=64, bh=64, fw=3, fh=3)
level, rms = background.back(), background.rms()
with open(OUT + "field_background.csv", "w") as out:
    out.write("x_px,y_px,level,rms\n")
    for j in range(0, SIZE, 16):
        out.writelines(f"{i},{j},{level[j, i]:.4f},{rms[j, i]:.4f}\n" for i in range(0, SIZE, 16))

flat = data - level
sources = sep.extract(flat, 1.5, err=background.globalrms)
sig = FWHM_PX / 2.3548
xw, yw, _ = sep.winpos(flat, sources["x"], sources["y"], sig)
with open(OUT + "field_sources.csv", "w") as out:
    out.write(f"x_px,y_px,flux,flag\n")
    out.writelines(f"{a:.4f},{b:.4f},{f:.1f},{g}\n" for a, b, f, g in zip(xw, yw, sources["flux"], sources["flag"]))
print("sep", sep.__version__, "global rms", background.globalrms, "sources", len(sources))
