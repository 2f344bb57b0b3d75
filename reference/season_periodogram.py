"""Generalised Lomb-Scargle powers: writes crates/fanlight-coma/tests/data/season_periodogram.csv.

Made with numpy 2.4.6 and astropy 8.0.2 (default_rng(23)). Run from anywhere: python reference/season_periodogram.py

Rows `point,time_days,value,err`; rows `power,frequency_per_day,power,power_of_both`: the standard power of the values
(LombScargle with fit_mean and center_data, method slow, which cython agrees with), and, values taken as degrees, the powers of
cosine and sine, each times its weighted square about the mean, over the sum of those.
"""

from pathlib import Path

import numpy as np
from astropy.timeseries import LombScargle


def main():
    rng = np.random.default_rng(23)
    night = np.sort(rng.integers(0, 30, 45))
    times = np.round(night * 0.9973 + rng.uniform(0, 0.25, 45), 5)
    times -= times[0]
    err = np.round(rng.uniform(0.5, 3, 45), 3)
    values = np.round(8 + 9 * np.sin(2 * np.pi * times / 0.7421 + 1) + err * rng.standard_normal(45), 4)
    frequencies = np.concatenate([np.linspace(0.02, 6, 220), [1 / 0.7421]])

    def powers(y, dy):
        model = LombScargle(times, y, dy, fit_mean=True, center_data=True, normalization="standard")
        slow = model.power(frequencies, method="slow")
        assert np.abs(slow - model.power(frequencies, method="cython")).max() < 1e-10
        weights = dy**-2 / np.sum(dy**-2)
        return slow, np.sum(weights * (y - np.sum(weights * y)) ** 2)

    plain, _ = powers(values, err)
    cosine, cosine_square = powers(np.cos(np.radians(values)), np.radians(err))
    sine, sine_square = powers(np.sin(np.radians(values)), np.radians(err))
    both = (cosine * cosine_square + sine * sine_square) / (cosine_square + sine_square)
    lines = ["# point,time_days,value,err; power,frequency_per_day,power,power of cosine and sine together\n"]
    lines += [f"point,{float(t)!r},{float(v)!r},{float(e)!r}\n" for t, v, e in zip(times, values, err)]
    lines += [f"power,{float(f)!r},{p:.14g},{b:.14g}\n" for f, p, b in zip(frequencies, plain, both)]
    out = Path(__file__).parent.parent / "crates/fanlight-coma/tests/data/season_periodogram.csv"
    out.write_text("".join(lines))


main()
