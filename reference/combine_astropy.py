"""Expected values of the robust combination: writes crates/fanlight-image/tests/data/combine_astropy.csv.

Made with astropy 8.0.2 (stats.sigma_clip, stats.mad_std) and numpy 2.4.6, seed 20310704.
Run from anywhere: python reference/combine_astropy.py

Each row is one pixel: number of samples, kappa, then the median, the clipped mean and the number kept by
sigma_clip (median, MAD scaled with the small-sample factors of Croux & Rousseeuw 1992, 4 rounds), then the samples
(empty where missing). Samples are single-precision numbers, sums double.
"""

from pathlib import Path

import numpy as np
from astropy.stats import mad_std, sigma_clip

FACTORS = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}
ROUNDS = 4


def main():
    rng = np.random.default_rng(20310704)
    rows = []
    for n in (1, 2, 3, 4, 5, 7, 8, 12, 20, 33, 60):
        for kappa in (2.5, 4.0):
            for _ in range(6):
                level = rng.uniform(-50, 5000)
                v = rng.normal(level, rng.uniform(1, 30), n)
                struck = rng.random(n) < 0.08
                v[struck] += rng.exponential(2000, struck.sum())
                v[rng.random(n) < 0.05] = np.nan
                v = v.astype(np.float32)
                good = v[np.isfinite(v)].astype(np.float64)
                if good.size == 0:
                    continue
                factor = FACTORS.get(good.size, good.size / (good.size - 0.8))
                if good.size < 3:
                    kept = good
                else:
                    scatter = lambda a, axis=None: factor * mad_std(a, axis=axis)
                    kept = sigma_clip(good, sigma=kappa, maxiters=ROUNDS, cenfunc="median", stdfunc=scatter,
                                      masked=False)
                samples = ["" if np.isnan(x) else repr(float(x)) for x in v]
                rows.append([n, kappa, repr(float(np.median(good))), repr(float(kept.mean())), kept.size, *samples])
    out = Path(__file__).parent.parent / "crates/fanlight-image/tests/data/combine_astropy.csv"
    text = "# samples, kappa, median, clipped mean, kept, values (reference/combine_astropy.py)\n"
    out.write_text(text + "".join(",".join(map(str, r)) + "\n" for r in rows))


main()
