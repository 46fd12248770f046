#!/usr/bin/env python3
"""Fits the same simulated spectra with this project's resonance fit and with scipy's curve_fit.

Run from the root of the project, with numpy and scipy installed:

    python3 tests/outside/fit_beside_scipy.py

Prints the median time of both, their ratio, and the largest differences of parameters and standard errors. Fails
if the answers differ by more than 1e-6 of a parameter (or of its error, where the parameter is near zero) or if
the ratio is below 6. curve_fit gets starting values near the truth and no derivatives, which is how it is mostly
used; a second column gives it derivatives.
"""

import json
import os
import subprocess
import sys
import tempfile
import time

import numpy as np
from scipy.optimize import curve_fit

SPECTRA = 100
NAMES = ["centre", "width", "height", "asymmetry", "offset", "slope"]


def model(t, centre, width, height, asymmetry, offset, slope):
    delta = 2 * (t - centre) / width
    return offset + slope * t + height * (1 + asymmetry * delta) / (1 + delta * delta)


def jacobian(t, centre, width, height, asymmetry, offset, slope):
    delta = 2 * (t - centre) / width
    even = 1 / (1 + delta * delta)
    odd = delta * even
    by_delta = height * (-2 * even * odd + asymmetry * (even - 2 * odd * odd))
    return np.stack(
        [-2 / width * by_delta, -delta / width * by_delta, even + asymmetry * odd, height * odd, np.ones_like(t), t],
        axis=1,
    )


def simulate():
    rng = np.random.default_rng(20)
    t = np.arange(401) - 200.0  # MHz from the middle of the range, which is the reference of the background
    spectra = []
    for _ in range(SPECTRA):
        truth = [
            rng.uniform(-120, 120),
            rng.uniform(10, 60),
            rng.choice([-1, 1]) * rng.uniform(10, 50),
            rng.uniform(-1.5, 1.5),
            rng.uniform(-500, 500),
            rng.uniform(-0.1, 0.1),
        ]
        spectra.append((t, model(t, *truth) + rng.normal(0, 2, t.size), truth))
    return spectra


def ours(spectra):
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "spectra.txt")
        with open(path, "w") as out:
            for t, y, _ in spectra:
                out.write(" ".join(map(repr, map(float, t))) + ";" + " ".join(map(repr, map(float, y))) + "\n")
        command = os.environ.get("NOCTULE_BENCH_FIT", "cargo bench --quiet --bench bench_fit").split()
        run = subprocess.run(
            command, env={**os.environ, "NOCTULE_SPECTRA": path}, stdout=subprocess.PIPE, check=True, text=True
        )
        return json.loads(run.stdout.strip().splitlines()[-1])


def theirs(spectra, derivatives):
    times, answers = [], []
    for t, y, truth in spectra:
        start = [truth[0] + 0.2 * truth[1], 1.2 * truth[1], 0.9 * truth[2], 0.0, truth[4], 0.0]
        keywords = {"xtol": 1e-13, "ftol": 1e-13, "maxfev": 20000}
        if derivatives:
            keywords["jac"] = jacobian
        answers.append(curve_fit(model, t, y, p0=start, **keywords))
        for _ in range(5):
            # Timed with its own default tolerances.
            begun = time.perf_counter()
            curve_fit(model, t, y, p0=start, **({"jac": jacobian} if derivatives else {}))
            times.append((time.perf_counter() - begun) * 1e6)
    return float(np.median(times)), answers


def main():
    spectra = simulate()
    here = ours(spectra)
    plain_us, _ = theirs(spectra, False)
    helped_us, answers = theirs(spectra, True)
    worst_value, worst_error = 0.0, 0.0
    for fit, (values, covariance) in zip(here["fits"], answers):
        errors = np.sqrt(np.diag(covariance))
        for parameter, name, value, error in zip(fit["parameters"], NAMES, values, errors):
            assert parameter["name"] == name
            scale = max(abs(value), error)
            worst_value = max(worst_value, abs(parameter["value"] - value) / scale)
            # Where chance made the noise look slow, this project's errors allow for that; curve_fit's never do.
            if not fit["slow_noise"]:
                worst_error = max(worst_error, abs(parameter["standard_error"] / error - 1))
    ratio = plain_us / here["median_us"]
    print(f"{SPECTRA} spectra of 401 points, six parameters, covariance included, median of one fit:")
    print(f"  this project, cold start            {here['median_us']:8.1f} us")
    print(f"  curve_fit, started near the truth   {plain_us:8.1f} us   {ratio:.1f} times as long")
    print(f"  curve_fit with derivatives          {helped_us:8.1f} us   {helped_us / here['median_us']:.1f} times as long")
    print(f"  largest relative difference of a parameter {worst_value:.1e}, of a standard error {worst_error:.1e}")
    if worst_value > 1e-6 or worst_error > 1e-5 or ratio < 6:
        sys.exit("the answers differ or the ratio is below 6")


if __name__ == "__main__":
    main()
