"""Makes judge_references.json with numpy, scipy (1.17.1) and diptest (0.12.0).

Run by hand; the tests only read the result. Formulas stand beside each part.
"""
import json
import sys

import numpy as np
import scipy
from scipy import signal, stats

import diptest

rng = np.random.default_rng(20261125)
out = {"made_with": f"numpy {np.__version__}, scipy {scipy.__version__}, diptest {diptest.__version__}"}


def block(m, shift=0.0):
    # x = shift + inverse normal distribution function at (i - 1/2)/m
    return stats.norm.ppf((np.arange(1, m + 1) - 0.5) / m) + shift


# Samples of bimodality_cases.json and the reference table that are given by rule.
out["blocks"] = {
    "bimodal_q40_sep4": list(np.concatenate([block(20), block(20, 4)])),
    "bimodal_q200_sep4": list(np.concatenate([block(100), block(100, 4)])),
    "bimodal_q200_sep3": list(np.concatenate([block(100), block(100, 3)])),
    "bimodal_q200_sep2": list(np.concatenate([block(100), block(100, 2)])),
    "bimodal_160_40_sep5": list(np.concatenate([block(160), block(40, 5)])),
}

# Dip by the diptest package; bimodality coefficient from scipy skew and kurtosis without bias.
dips = []
for n in [5, 12, 40, 131, 400, 1000]:
    for kind in ["normal", "uniform", "two", "ties"]:
        x = rng.normal(size=n) if kind != "uniform" else rng.uniform(size=n)
        if kind == "two":
            x = x + 3.5 * (rng.uniform(size=n) < 0.4)
        if kind == "ties":
            x = np.round(2 * x) / 2
        d, p = diptest.diptest(x)
        g, k = stats.skew(x, bias=False), stats.kurtosis(x, bias=False)
        b = (g**2 + 1) / (k + 3 * (n - 1) ** 2 / ((n - 2) * (n - 3)))
        dips.append({"kind": kind, "x": [float(f"{v:.6g}") for v in x], "n": n})
        x = np.array(dips[-1]["x"])
        d, p = diptest.diptest(x)
        g, k = stats.skew(x, bias=False), stats.kurtosis(x, bias=False)
        b = (g**2 + 1) / (k + 3 * (n - 1) ** 2 / ((n - 2) * (n - 3)))
        dips[-1].update(dip=float(d), p=float(p), bimodality=float(b))
out["dips"] = dips

# Welch: scipy.signal.welch, Hann window, 64 points a stretch, half overlap, mean removed, one-sided density.
x = [float(f"{v:.6g}") for v in np.sin(0.7 * np.arange(500)) + rng.normal(size=500) + 3]
f, p = signal.welch(np.array(x), fs=20.0, window="hann", nperseg=64, noverlap=32, detrend="constant", scaling="density")
out["welch"] = {"x": x, "rate_hz": 20.0, "length": 64, "f_hz": list(f), "psd": list(p)}

# Allan deviation, overlapping: sqrt of mean (x̄[k+m] − x̄[k])²/2 over all k, x̄ averages over m points.
def allan(x, m):
    c = np.concatenate([[0], np.cumsum(x)])
    a = (c[m:] - c[:-m]) / m
    return float(np.sqrt(0.5 * np.mean((a[m:] - a[:-m]) ** 2)))


n, series = 1234567890, []
for _ in range(1000):
    series.append(n / 2147483647)
    n = 16807 * n % 2147483647
out["allan"] = {str(m): allan(np.array(series), m) for m in [1, 10, 100]}

# Straight line against time with weights: numpy.polyfit(t, y, 1, w=1/sigma, cov="unscaled"), used by the forecasts.
t = np.linspace(0, 36000, 25)
y = 60 - 2.2e-4 * t + rng.normal(scale=0.15, size=25)
y = np.array([float(f"{v:.6g}") for v in y])
c, cov = np.polyfit(t, y, 1, cov=True)
out["line"] = {"t": list(t), "y": list(y), "slope": c[0], "at_end": float(np.polyval(c, t[-1])),
               "slope_error": float(np.sqrt(cov[0, 0]))}

json.dump(out, sys.stdout, indent=None, default=float)
