#!/usr/bin/python3
"""Rate of the bare hyperbola with two clipping rounds against SciPy's curve_fit, same data.

Usage: hyperbola_rate.py build/release/bench/hyperbola_rate_bench
"""
import subprocess
import sys
import tempfile
import time

import numpy as np
from scipy.optimize import curve_fit

RUNS = 300
random = np.random.default_rng(5)


def hyperbola(x, x0, a, k):
    return np.sqrt(a * a + (k * (x - x0)) ** 2)


def clipped(x, y):
    keep = np.ones(len(x), bool)
    p = (x[np.argmin(y)], y.min(), np.ptp(y) / np.ptp(x))
    for last in (False, False, True):
        p, _ = curve_fit(hyperbola, x[keep], y[keep], p0=p, maxfev=5000)
        if not last:
            residual = np.abs(y - hyperbola(x, *p))
            keep = residual <= 3 * 1.4826 * np.median(residual[keep]) + 1e-12
    return p[0]


data = []
for _ in range(RUNS):
    x = np.linspace(4700, 5300, 9)
    y = hyperbola(x, 5000 + 60 * random.uniform(-1, 1), 2.0, 0.02) * (1 + 0.02 * random.normal(size=9))
    data.append((x, y))
with tempfile.NamedTemporaryFile("w", suffix=".txt") as table:
    for i, (x, y) in enumerate(data):
        for a, b in zip(x, y):
            table.write(f"{i} {float(a)!r} {float(b)!r}\n")
    table.flush()
    lines = subprocess.run([sys.argv[1], table.name], stdout=subprocess.PIPE, text=True,
                           check=True).stdout.split()
start = time.perf_counter()
theirs = np.array([clipped(x, y) for x, y in data])
scipy_s = (time.perf_counter() - start) / RUNS
ours = np.array([float(v) for v in lines[1:]])
print(f"a run: {1e6 * float(lines[0]):.1f} us here, {1e6 * scipy_s:.0f} us by curve_fit, "
      f"ratio {scipy_s / float(lines[0]):.0f}; answers differ by {np.abs(ours - theirs).max():.2g} steps "
      f"at most, {np.median(np.abs(ours - theirs)):.2g} in the median")
