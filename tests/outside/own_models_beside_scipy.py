#!/usr/bin/env python3
"""Fits 200 models with parameters from 1e-12 to 1e12 with `noctule fit --formula` and with scipy.

Run from the root of the project, with numpy and scipy installed, after a build:

    python3 tests/outside/own_models_beside_scipy.py target/release/noctule

Fails if fewer than 198 converge, if a value differs from scipy's by more than 1e-4 of its error, or an error by more than 1 %.
Starts lie within 20 % of the truth; `tests/data/make_fit_references.py` says which models these are.
"""

import json
import subprocess
import sys
import tempfile

program = sys.argv[1]
made = subprocess.run([sys.executable, "tests/data/make_fit_references.py", "200"], check=True, capture_output=True, text=True)
models = json.loads(made.stdout)
fitted, trusted, worst_value, worst_error = 0, 0, 0.0, 0.0
with tempfile.TemporaryDirectory() as folder:
    for k, model in enumerate(models):
        table = f"{folder}/{k}.csv"
        with open(table, "w") as out:
            out.write("x,y\n" + "".join(f"{x!r},{y!r}\n" for x, y in zip(model["x"], model["y"])))
        start = ",".join(f"{name}={value!r}" for name, value in zip("abcde", model["start"]))
        answer = subprocess.run(
            [program, "fit", table, "--formula", model["formula"], "--start", start, "--json"], capture_output=True, text=True
        )
        fit = json.loads(answer.stdout)
        fitted += fit["converged"]
        trusted += fit["trusted"]
        if not fit["converged"]:
            print("did not converge:", model["formula"], start, file=sys.stderr)
            continue
        for name, value, error in zip("abcde", model["values"], model["errors"]):
            worst_value = max(worst_value, abs(fit["parameters"][name] - value) / error)
            worst_error = max(worst_error, abs(fit["standard_errors"][name] / error - 1))
print(f"{fitted} of {len(models)} converged, {trusted} trusted; values within {worst_value:.1e} errors, errors within {worst_error:.1e}")
sys.exit(fitted < 198 or worst_value > 1e-4 or worst_error > 0.01)
