"""Evidences of three models of directions: writes crates/fanlight-coma/tests/data/season_directions.csv.

Made with numpy 2.4.6 and scipy 1.17.1 (default_rng(31)). Run from anywhere: python reference/season_directions.py

Four invented seasons of 9 to 12 points. Rows `point,season,utc_days,pa_deg,err_deg,sunward_pa_deg,ra_deg,dec_deg`; one row
`evidence,season,fixed_to_sun,fixed_in_space,rotating`: logs of the likelihood (wrapped normal, densities per degree) averaged over
scatter j in 0..30 deg with density 1/(j + median error), and
- every offset from the sunward direction;
- every direction in space, on a grid of 0.5 deg;
- half: offset flat, two amplitudes of a sinusoid normal with 8 or 25 deg, as one multivariate normal density, period
  log-uniform in 8..min(60, baseline/3) h; half: offset flat and an even turn either way, the same periods.
"""

from pathlib import Path

import numpy as np
from scipy.special import logsumexp


def projected_pa(ra, dec, ra_direction, dec_direction):
    """Position angle of a direction as seen along (ra, dec), by spherical trigonometry; degrees in and out."""
    a, d, ad, dd = (np.radians(v) for v in (ra, dec, ra_direction, dec_direction))
    return np.degrees(
        np.arctan2(np.sin(ad - a) * np.cos(dd), np.cos(d) * np.sin(dd) - np.sin(d) * np.cos(dd) * np.cos(ad - a))
    )


def wrapped(x):
    return (x + 180) % 360 - 180


def scatters(err, n):
    median = np.sort(err)[len(err) // 2]
    return median * ((1 + 30 / median) ** ((np.arange(n) + 0.5) / n) - 1)


def log_likelihood(residual, variance):
    """Wrapped normal with three branches; the last axis holds the points."""
    branches = [-0.5 * (residual + 360 * k) ** 2 / variance for k in (-1, 0, 1)]
    return np.sum(np.logaddexp(np.logaddexp(branches[0], branches[1]), branches[2]) - 0.5 * np.log(2 * np.pi * variance), -1)


def to_sun(offset, err):
    deltas = np.arange(0, 360, 0.02)
    logs = []
    for j in scatters(err, 300):
        logs.append(logsumexp(log_likelihood(wrapped(offset[None] - deltas[:, None]), err**2 + j**2)) - np.log(len(deltas)))
    return logsumexp(logs) - np.log(len(logs))


def in_space(pa, err, ra, dec):
    step = 0.5
    dec_grid = np.arange(-90 + step / 2, 90, step)
    ra_grid = np.arange(step / 2, 360, step)
    logs = []
    sizes = scatters(err, 40)
    for d in dec_grid:
        model = projected_pa(ra[None], dec[None], ra_grid[:, None], d)
        residual = wrapped(pa[None] - model)
        for j in sizes:
            logs.append(logsumexp(log_likelihood(residual, err**2 + j**2)) + np.log(np.cos(np.radians(d))))
    norm = np.log(len(ra_grid) * np.sum(np.cos(np.radians(dec_grid)))) + np.log(len(sizes))
    return logsumexp(logs) - norm


def frequencies(times, n):
    longest = min(60, 24 * (times.max() - times.min()) / 3)
    edges = np.log(24 / np.array([longest, 8]))
    return np.exp(edges[0] + (np.arange(n) + 0.5) / n * (edges[1] - edges[0]))


def swinging(times, offset, err):
    """The offset's width is 1e4 deg: its density at the centre stands for the flat 1/360."""
    wide = 1e4
    centre = np.degrees(np.angle(np.sum(np.exp(1j * np.radians(offset)) / err**2)))
    residual = wrapped(offset - centre)
    logs = []
    for f in frequencies(times, 1500):
        c, s = np.cos(2 * np.pi * f * times), np.sin(2 * np.pi * f * times)
        for j in scatters(err, 30):
            for swing in (8, 25):
                covariance = np.diag(err**2 + j**2) + wide**2 + swing**2 * (np.outer(c, c) + np.outer(s, s))
                factor = np.linalg.cholesky(covariance)
                z = np.linalg.solve(factor, residual)
                log_density = -0.5 * z @ z - np.log(np.diag(factor)).sum() - 0.5 * len(z) * np.log(2 * np.pi)
                logs.append(log_density + np.log(np.sqrt(2 * np.pi) * wide / 360))
    return logsumexp(logs) - np.log(len(logs))


def turning(times, offset, err):
    deltas = np.arange(0, 360, 1.0)
    logs = []
    count = 0
    sizes = scatters(err, 30)
    for sign in (1, -1):
        for f in frequencies(times, 4000):
            residual = wrapped(offset[None] - sign * 360 * f * times[None] - deltas[:, None])
            plain = residual**2
            for j in sizes:
                variance = err**2 + j**2
                logs.append(logsumexp(-0.5 * plain @ (1 / variance)) - 0.5 * np.sum(np.log(2 * np.pi * variance)))
                count += len(deltas)
    return logsumexp(logs) - np.log(count)


def main():
    rng = np.random.default_rng(31)
    lines = ["# point,season,utc_days,pa_deg,err_deg,sunward_pa_deg,ra_deg,dec_deg; evidence,season,to sun,in space,rotating\n"]
    for season, kind in enumerate(["sun", "space", "swing", "turn"]):
        n = 9 + season
        times = np.round(np.sort(rng.integers(0, 8, n) + rng.uniform(0, 0.25, n)), 4)
        ra = np.round(80 + 6 * times + 0.1 * times**2, 5)
        dec = np.round(25 - 4 * times, 5)
        sunward = np.round((350 + 5 * times) % 360, 4)
        err = np.round(rng.uniform(2, 4, n), 3)
        truth = {
            "sun": sunward + 130,
            "space": projected_pa(ra, dec, 200, 40),
            "swing": sunward + 20 + 15 * np.sin(2 * np.pi * times * 24 / 15.5),
            "turn": sunward + 40 + 360 * times * 24 / 21.0,
        }[kind]
        pa = np.round((truth + err * rng.standard_normal(n)) % 360, 4)
        offset = wrapped(pa - sunward)
        rotating = np.logaddexp(swinging(times, offset, err), turning(times, offset, err)) - np.log(2)
        numbers = [to_sun(offset, err), in_space(pa, err, ra, dec), rotating]
        rows = zip(times, pa, err, sunward, ra, dec)
        lines += [f"point,{season}," + ",".join(f"{float(v)!r}" for v in row) + "\n" for row in rows]
        lines.append(f"evidence,{season}," + ",".join(f"{v:.6f}" for v in numbers) + "\n")
        print(kind, numbers)
    out = Path(__file__).parent.parent / "crates/fanlight-coma/tests/data/season_directions.csv"
    out.write_text("".join(lines))


main()
