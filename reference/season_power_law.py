"""Power laws of activity: writes crates/fanlight-coma/tests/data/season_power_law.csv.

Made with numpy 2.4.6 and scipy 1.17.1 (default_rng(17)). Run from anywhere: python reference/season_power_law.py

Six simulated seasons. Rows `point,season,r_au,afrho_cm,err_cm`; one row `fit,season,...` each:
- level at 1 au, slope and their errors by scipy.odr (ordinary least squares, known errors, no scatter);
- scatter of highest restricted likelihood by scipy.optimize, with its level and slope;
- 15.87, 50 and 84.13 % points of the slope and the median scatter of a posterior on a grid of scatter, slope and level
  (prior of the scatter flat in 1/sqrt(scatter^2 + median error^2), level and slope flat).
"""

import warnings
from pathlib import Path

import numpy as np
from scipy.optimize import minimize_scalar

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from scipy import odr


def weighted(x, y, sigma, scatter):
    weights = 1 / (sigma**2 + scatter**2)
    design = np.stack([np.ones_like(x), x], 1)
    normal = design.T @ (weights[:, None] * design)
    coefficients = np.linalg.solve(normal, design.T @ (weights * y))
    chi2 = float(np.sum(weights * (y - design @ coefficients) ** 2))
    restricted = 0.5 * np.sum(np.log(weights)) - 0.5 * np.linalg.slogdet(normal)[1] - 0.5 * chi2
    return coefficients, restricted


def restricted_scatter(x, y, sigma):
    """The scatter by a coarse scan and a bounded minimisation about its best."""
    scan = np.concatenate([[0.0], np.geomspace(1e-4, 1.0, 200)])
    scores = [weighted(x, y, sigma, s)[1] for s in scan]
    best = int(np.argmax(scores))
    if best == 0:
        return 0.0
    low, high = scan[best - 1], scan[min(best + 1, len(scan) - 1)]
    found = minimize_scalar(
        lambda s: -weighted(x, y, sigma, s)[1], bounds=(low, high), method="bounded", options={"xatol": 1e-10}
    )
    return float(found.x)


def quantile(values, density, q):
    cumulative = np.concatenate([[0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(values))])
    return float(np.interp(q, cumulative / cumulative[-1], values))


def posterior(x, y, sigma, centre, half_width):
    """Marginal of the slope and of the scatter, by brute force on a grid of three parameters."""
    middle = x.mean()
    slopes = np.linspace(centre - half_width, centre + half_width, 401)
    median = np.median(sigma)
    scatters = np.concatenate([[0], np.geomspace(0.01 * median, 30 * median, 80)])
    fit = np.polyfit(x - middle, y, 1)
    levels = np.linspace(fit[1] - 0.3, fit[1] + 0.3, 301)
    residual = y[None, None, :] - levels[:, None, None] - slopes[None, :, None] * (x - middle)[None, None, :]
    squares = residual**2
    log_density = np.empty((len(scatters), len(levels), len(slopes)))
    for i, s in enumerate(scatters):
        w = 1 / (sigma**2 + s**2)
        log_density[i] = 0.5 * np.sum(np.log(w)) - 0.5 * squares @ w - 0.5 * np.log(s**2 + median**2)
    density = np.exp(log_density - log_density.max())
    over_level = density.sum(1)
    of_slope = np.trapezoid(over_level, scatters, axis=0)
    of_scatter = over_level.sum(1)
    return [quantile(slopes, of_slope, q) for q in (0.158655, 0.5, 0.841345)] + [quantile(scatters, of_scatter, 0.5)]


def main():
    rng = np.random.default_rng(17)
    lines = ["# point,season,r_au,afrho_cm,err_cm; fit,season,see reference/season_power_law.py\n"]
    for season, (n, scatter) in enumerate([(8, 0.05), (10, 0.03), (12, 0.08), (15, 0.04), (20, 0.03), (30, 0.06)]):
        r = np.round(rng.uniform(1.0, 2.4, n), 5)
        err_dex = rng.uniform(0.01, 0.04, n)
        log_afrho = 3 - 3.1 * np.log10(r) + rng.standard_normal(n) * np.hypot(err_dex, scatter)
        afrho = np.round(10**log_afrho, 4)
        err = np.round(afrho * np.log(10) * err_dex, 4)
        lines += [f"point,{season},{a},{b},{c}\n" for a, b, c in zip(r, afrho, err)]
        x, y, sigma = np.log10(r), np.log10(afrho), err / afrho / np.log(10)
        model = odr.Model(lambda beta, x: beta[0] + beta[1] * x)
        run = odr.ODR(odr.RealData(x, y, sy=sigma), model, beta0=[3, -3], sstol=1e-15, partol=1e-15)
        run.set_job(fit_type=2)
        plain = run.run()
        errors = np.sqrt(np.diag(plain.cov_beta))
        reml = restricted_scatter(x, y, sigma)
        at_reml, _ = weighted(x, y, sigma, reml)
        width = 8 * np.sqrt(np.sum((sigma**2 + reml**2)) / n / n) / np.std(x)
        numbers = [*plain.beta, *errors, reml, *at_reml, *posterior(x, y, sigma, at_reml[1], width)]
        lines.append(f"fit,{season}," + ",".join(f"{v:.10g}" for v in numbers) + "\n")
    out = Path(__file__).parent.parent / "crates/fanlight-coma/tests/data/season_power_law.csv"
    out.write_text("".join(lines))


main()
