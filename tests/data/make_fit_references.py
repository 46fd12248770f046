#!/usr/bin/env python3
"""Makes tests/data/fit_references.json: fits by scipy of models with parameters from 1e-12 to 1e12, of eight spectra with common
parameters, and of points with outliers by statsmodels.

    python3 tests/data/make_fit_references.py [MODELS]

Needs numpy, scipy and statsmodels. Everything is invented data. scipy gets each problem in units in which all parameters are near
one, with tolerances at rounding; values and errors are brought back to the units of the data. With MODELS, so many models are made
and written to standard output instead, for `tests/outside/own_models_beside_scipy.py`.
"""

import json
import os
import sys

import numpy as np
from scipy.optimize import least_squares

# Formula, and the parameters in units of the ranges of x and y as (lowest, highest, power of x range, power of y range).
MODELS = [
    ("a*exp(-x/b)+c", lambda x, a, b, c: a * np.exp(-x / b) + c, [(0.8, 1.2, 0, 1), (0.2, 0.6, 1, 0), (-1, 1, 0, 1)]),
    (
        "a*exp(-((x-b)/c)^2/2)+d",
        lambda x, a, b, c, d: a * np.exp(-(((x - b) / c) ** 2) / 2) + d,
        [(0.8, 1.2, 0, 1), (0.3, 0.7, 1, 0), (0.05, 0.2, 1, 0), (-0.5, 0.5, 0, 1)],
    ),
    (
        "a/(1+((x-b)/c)^2)+d+e*x",
        lambda x, a, b, c, d, e: a / (1 + ((x - b) / c) ** 2) + d + e * x,
        [(0.8, 1.2, 0, 1), (0.3, 0.7, 1, 0), (0.05, 0.2, 1, 0), (0.1, 0.5, 0, 1), (-0.3, 0.3, -1, 1)],
    ),
    ("a*sin(b*x+c)+d", lambda x, a, b, c, d: a * np.sin(b * x + c) + d, [(0.8, 1.2, 0, 1), (5, 12, -1, 0), (-1, 1, 0, 0), (-1, 1, 0, 1)]),
    ("a*x/(b+x)", lambda x, a, b: a * x / (b + x), [(0.8, 1.2, 0, 1), (0.1, 0.8, 1, 0)]),
    ("a+b*x+c*x^2", lambda x, a, b, c: a + b * x + c * x**2, [(0.8, 1.2, 0, 1), (-2, 2, -1, 1), (-2, 2, -2, 1)]),
    (
        "a*tanh((x-b)/c)+d",
        lambda x, a, b, c, d: a * np.tanh((x - b) / c) + d,
        [(0.8, 1.2, 0, 1), (0.3, 0.7, 1, 0), (0.05, 0.2, 1, 0), (-1, 1, 0, 1)],
    ),
    (
        "a*(1+b*2*(x-c)/d)/(1+(2*(x-c)/d)^2)+e",
        lambda x, a, b, c, d, e: a * (1 + b * 2 * (x - c) / d) / (1 + (2 * (x - c) / d) ** 2) + e,
        [(0.8, 1.2, 0, 1), (-0.8, 0.8, 0, 0), (0.3, 0.7, 1, 0), (0.1, 0.3, 1, 0), (-1, 1, 0, 1)],
    ),
]
TOLERANCES = {"ftol": 1e-15, "xtol": 1e-15, "gtol": 1e-15, "max_nfev": 20000}


def solve(residuals, start):
    """Values and errors of a least-squares problem that is scaled well."""
    best = least_squares(residuals, start, method="lm", **TOLERANCES)
    best = least_squares(residuals, best.x, method="trf", jac="3-point", x_scale="jac", **TOLERANCES)
    freedom = best.fun.size - best.x.size
    covariance = np.linalg.inv(best.jac.T @ best.jac) * (best.fun @ best.fun) / freedom
    return best.x, np.sqrt(np.diag(covariance))


def digits(values, n=8):
    return [float(f"{v:.{n - 1}e}") for v in values]


def one_model(which, rng):
    text, f, ranges = MODELS[which % len(MODELS)]
    sx, sy = 10 ** rng.uniform(-12, 12), 10 ** rng.uniform(-12, 12)
    n = int(rng.integers(30, 60))
    units = np.array([sx**px * sy**py for _, _, px, py in ranges])
    truth = np.array([rng.uniform(low, high) for low, high, _, _ in ranges])
    t = np.arange(1, n + 1) / n
    x = np.array(digits(sx * t, 12))
    y = np.array(digits(sy * (f(t, *truth) + 0.02 * rng.normal(size=n)), 9))
    start = truth * rng.uniform(0.8, 1.2, truth.size)
    values, errors = solve(lambda p: (y / sy - f(x / sx, *p)) / 0.02, start)
    return {
        "formula": text,
        "x": x.tolist(),
        "y": y.tolist(),
        "start": (start * units).tolist(),
        "values": (values * units).tolist(),
        "errors": (errors * units).tolist(),
    }


def eight_spectra(rng):
    """Lines of one width and asymmetry at eight places; frequencies in Hz, currents in A."""
    t = np.arange(81) - 40.0  # MHz
    line = lambda t, c, w, q, h, o: o + h * (1 + q * 2 * (t - c) / w) / (1 + (2 * (t - c) / w) ** 2)
    width, asymmetry = 14.0, 0.35
    spectra, start = [], [12.0, 0.0]
    for _ in range(8):
        c, h, o = rng.uniform(-15, 15), rng.uniform(60, 120), rng.uniform(-50, 50)
        spectra.append(np.array(digits(line(t, c, width, asymmetry, h, o) + 5 * rng.normal(size=t.size), 7)))
        start += [c + rng.uniform(-3, 3), 80.0, 0.0]

    def residuals(p):
        each = [y - line(t, p[2 + 3 * k], p[0], p[1], p[3 + 3 * k], p[4 + 3 * k]) for k, y in enumerate(spectra)]
        return np.concatenate(each)

    values, errors = solve(residuals, np.array(start))
    units = [1e6, 1.0] + [1e6, 1e-15, 1e-15] * 8
    return {
        "x_mhz": t.tolist(),
        "y_fa": [y.tolist() for y in spectra],
        "starts_mhz": [start[2 + 3 * k] for k in range(8)],
        "values": (values * units).tolist(),
        "errors": (errors * units).tolist(),
    }


def outliers(rng):
    import statsmodels.api as sm

    x = np.arange(60.0)
    y = np.array(digits(3 + 0.5 * x + rng.normal(size=60), 9))
    y[[7, 20, 33, 50]] += [40, -35, 60, 25]
    fit = sm.RLM(y, sm.add_constant(x), M=sm.robust.norms.HuberT()).fit(
        maxiter=500, tol=1e-12, scale_est="mad", update_scale=True, cov="H1"
    )
    return {"x": x.tolist(), "y": y.tolist(), "values": fit.params.tolist(), "errors": fit.bse.tolist()}


if len(sys.argv) > 1:
    rng = np.random.default_rng(2026)
    json.dump([one_model(k, rng) for k in range(int(sys.argv[1]))], sys.stdout)
else:
    rng = np.random.default_rng(7)
    all = {"models": [one_model(k, rng) for k in range(16)], "eight": eight_spectra(rng), "outliers": outliers(rng)}
    with open(os.path.join(os.path.dirname(__file__), "fit_references.json"), "w") as out:
        json.dump(all, out)
        out.write("\n")
