#!/usr/bin/env python3
"""Errors of fits in correlated noise, beside least squares that are told the covariance of the noise.

Run from the root of the project, with numpy and scipy installed:

    NOCTULE=target/release/noctule python3 tests/outside/errors_beside_gls.py

Simulates resonances in white noise, in white noise with an equal part of 1/f noise, and in noise that forgets by a half
from point to point. Prints how often the truth lies within the errors of `noctule fit resonance`, the median of its
error of the centre over the one that ordinary least squares truly have in this noise, `(J'J)^-1 J'CJ (J'J)^-1`, and over
that of generalised least squares (scipy's curve_fit with the covariance matrix of the noise). Fails if a 68 % interval
covers less than 62 or more than 76 % or if the median ratio to the true error lies outside 0.85 to 1.2.
"""

import json
import os
import subprocess
import sys
import tempfile

import numpy as np
from scipy.linalg import toeplitz
from scipy.optimize import curve_fit

POINTS = 201
SPECTRA = int(os.environ.get("SPECTRA", "120"))
NAMES = ["centre", "width", "height", "asymmetry", "offset", "slope"]


def model(t, centre, width, height, asymmetry, offset, slope):
    delta = 2 * (t - centre) / width
    return offset + slope * t + height * (1 + asymmetry * delta) / (1 + delta * delta)


def jacobian(t, p):
    columns = []
    for j in range(len(p)):
        step = 1e-5 * max(abs(p[j]), 1.0)
        up, down = list(p), list(p)
        up[j] += step
        down[j] -= step
        columns.append((model(t, *up) - model(t, *down)) / (2 * step))
    return np.stack(columns, axis=1)


def forgetting(left):
    return toeplitz(left ** np.arange(POINTS))


def flicker():
    """Covariance of 1/f noise within a window: processes that forget, one for each octave, the mean taken out."""
    total = np.zeros((POINTS, POINTS))
    time = 0.7
    while time < 4 * POINTS:
        total += forgetting(np.exp(-1 / time))
        time *= 2
    flat = np.eye(POINTS) - np.full((POINTS, POINTS), 1 / POINTS)
    total = flat @ total @ flat
    return total / np.mean(np.diag(total))


def main():
    noctule = os.environ.get("NOCTULE", "target/release/noctule")
    rng = np.random.default_rng(3)
    t = np.arange(POINTS) - 100.0
    noises = {
        "white": np.eye(POINTS),
        "white and 1/f": np.eye(POINTS) + flicker(),
        "forgets by a half": forgetting(0.5),
    }
    wrong = []
    for name, covariance in noises.items():
        root = np.linalg.cholesky(covariance + 1e-12 * np.eye(POINTS))
        inside, near, own, best, used = 0, 0, [], [], 0
        for _ in range(SPECTRA):
            truth = [rng.uniform(-50, 50), rng.uniform(12, 40), 12.0, rng.uniform(-0.7, 0.7), 5.0, 0.0]
            y = model(t, *truth) + root @ rng.normal(size=POINTS)
            with tempfile.NamedTemporaryFile("w", suffix=".csv") as table:
                table.write("x,y\n" + "".join(f"{a!r},{b!r}\n" for a, b in zip(map(float, t), map(float, y))))
                table.flush()
                run = subprocess.run(
                    [noctule, "fit", "resonance", table.name, "--json"], stdout=subprocess.PIPE, text=True
                )
            fit = json.loads(run.stdout)
            if not fit["trusted"]:
                continue
            used += 1
            error = fit["standard_errors"]["centre"]
            off = abs(fit["parameters"]["centre"] - truth[0])
            inside += off < error
            near += off < 1.96 * error
            j = jacobian(t, truth)
            inverse = np.linalg.inv(j.T @ j)
            own.append(error / np.sqrt((inverse @ j.T @ covariance @ j @ inverse)[0, 0]))
            _, spread = curve_fit(model, t, y, p0=truth, sigma=covariance + 1e-9 * np.eye(POINTS), absolute_sigma=True)
            best.append(error / np.sqrt(spread[0, 0]))
        print(
            f"{name:<18} {used} of {SPECTRA} trusted; truth within the error {100 * inside / used:.0f} %, within 1.96 of it"
            f" {100 * near / used:.0f} %; error over that of least squares {np.median(own):.2f}, of generalised ones"
            f" {np.median(best):.2f}"
        )
        if not 62 <= 100 * inside / used <= 76 or not 0.85 <= np.median(own) <= 1.2:
            wrong.append(name)
    if wrong:
        sys.exit(f"the errors are not those of the noise: {', '.join(wrong)}")


if __name__ == "__main__":
    main()
