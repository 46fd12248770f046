# The analysis of `scripts/own_analysis.rhai` once more, with pandas and scipy, from the exported files.
import glob
import json
import sys

import numpy
import pandas
from scipy.optimize import least_squares

folder = sys.argv[1]
sweeps = pandas.read_csv(folder + "/sweeps.csv")


def spectrum(number, name):
    raw = pandas.read_csv(f"{folder}/sweep_{number:04}_{name}.csv", comment="#")
    seen = raw.groupby("rf_frequency (Hz)")["lockin_x (A)"].agg(["mean", "var", "count"])
    # How passes differ over all places together.
    variance = (seen["var"] * (seen["count"] - 1)).sum() / (seen["count"] - 1).sum()
    return seen.index.to_numpy(), seen["mean"].to_numpy(), numpy.sqrt(variance / seen["count"]).to_numpy()


[number] = sweeps[sweeps["name"] == "reference"]["sweep"].astype(int)
rx, ry, rs = spectrum(number, "reference")
lines = []
for number in sweeps[sweeps["name"] == "line"]["sweep"].astype(int):
    x, y, s = spectrum(number, "line")
    k = numpy.clip(numpy.searchsorted(rx, x, side="right"), 1, len(rx) - 1)
    share = (x - rx[k - 1]) / (rx[k] - rx[k - 1])
    error = numpy.hypot((1 - share) * rs[k - 1], share * rs[k])
    lines.append((x, y - numpy.interp(x, rx, ry), numpy.hypot(s, error)))

centre0 = lines[0][0].mean()


def residuals(p):
    width, height, skew = p[0] * 1e6, p[1] * 1e-13, p[2] * 1e-13
    parts = []
    for n, (x, y, s) in enumerate(lines):
        u = 2 * (x - centre0 - p[3 + 2 * n] * 1e6) / width
        parts.append((p[4 + 2 * n] * 1e-13 + (height + skew * u) / (1 + u * u) - y) / s)
    return numpy.concatenate(parts)


peak = max(abs(y).max() for _, y, _ in lines)
fits = [item for item in json.load(open(folder + "/fits.json"))["fits"] if "centre@8" in item["parameters"]]
[fit] = fits
ours = fit["parameters"]
start = [ours["width"]["value"] / 1e6 * 1.05, ours["height"]["value"] / 1e-13, 0.0] + [0.0, 0.0] * len(lines)
for n in range(len(lines)):
    start[3 + 2 * n] = (ours[f"centre@{n + 1}"]["value"] - centre0) / 1e6 + 0.05
theirs = least_squares(residuals, start, xtol=1e-14, ftol=1e-14, gtol=1e-14)
covariance = numpy.linalg.inv(theirs.jac.T @ theirs.jac)
errors = numpy.sqrt(numpy.diag(covariance))


def near(name, value, error):
    got = ours[name]
    assert abs(got["value"] - value) < 1e-2 * error, (name, got, value, error)


near("width", theirs.x[0] * 1e6, errors[0] * 1e6)
near("height", theirs.x[1] * 1e-13, errors[1] * 1e-13)
for n in range(len(lines)):
    near(f"centre@{n + 1}", centre0 + theirs.x[3 + 2 * n] * 1e6, errors[3 + 2 * n] * 1e6)

# The noise of the current against scipy's own estimate from the exported trace.
from scipy.signal import welch

[trace] = glob.glob(folder + "/trace_*_current.csv")
readings = pandas.read_csv(trace).iloc[:, 1].to_numpy()
f, density = welch(readings, fs=200.0, window="hann", nperseg=256, noverlap=128, detrend="constant")
[recorded] = glob.glob(folder + "/table_*_noise_of_the_current.csv")
recorded = pandas.read_csv(recorded)
assert numpy.allclose(recorded["frequency (Hz)"], f)
[column] = [name for name in recorded.columns if name.startswith("density (")]
assert numpy.allclose(recorded[column], density, rtol=1e-9), column
