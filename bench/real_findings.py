#!/usr/bin/python3
"""How often `starwaist diagnose --each` finds something in real sweeps that are plainly good.

Usage: real_findings.py PROGRAM TABLE.csv [--show]

TABLE has the columns run, position, fwhm, temperature (as for real_sweeps.py). Plainly good is
judged here and not by the program, by rules that hold whatever it thinks:
  - 7 rows or more, no position twice, none without a size; positions in one direction;
  - the smallest size has two rows or more on either side;
  - at both ends the size is 1.5 to 5 times the smallest;
  - one hyperbola through all rows, none left out (SciPy's curve_fit of sqrt(a^2 + k^2 (x - x0)^2),
    equal relative weights) leaves 8 % rms and no row more than 12 %: less than most of these sweeps,
    whose widths of rings are no hyperbola, leave;
  - three rows or more within 1.5 curve widths a / k of its minimum;
  - the temperature, where told, changed by no more than 0.5 degrees.
Prints how many of them have a finding, and which. --show names the runs.
"""
import csv
import json
import subprocess
import sys
import warnings
from collections import Counter, defaultdict

import numpy as np
from scipy.optimize import curve_fit

warnings.simplefilter("ignore")
COLDEST_C, HOTTEST_C = -60.0, 60.0  # beyond: no sensor


def number(text):
    try:
        value = float(text)
    except ValueError:
        return np.nan
    return value if np.isfinite(value) else np.nan


def log_hyperbola(x, x0, log_a, log_k):
    return 0.5 * np.log(np.exp(2 * log_a) + np.exp(2 * log_k) * (x - x0) ** 2)


def plainly_good(x, y, degrees):
    moves = np.diff(x)
    if len(x) < 7 or not np.isfinite(x).all() or not (y > 0).all():
        return False
    if not ((moves > 0).all() or (moves < 0).all()):
        return False
    at = int(np.argmin(y))
    if at < 2 or at > len(y) - 3:
        return False
    ends = np.array([y[0], y[-1]]) / y[at]
    if ends.min() < 1.5 or ends.max() > 5:
        return False
    slope = max(abs(y[0] - y[at]) / abs(x[0] - x[at]), 1e-9)
    try:
        (x0, log_a, log_k), _ = curve_fit(
            log_hyperbola, x, np.log(y), p0=(x[at], np.log(y[at]), np.log(slope)), maxfev=5000)
    except RuntimeError:
        return False
    residual = np.log(y) - log_hyperbola(x, x0, log_a, log_k)
    if np.sqrt((residual**2).sum() / (len(x) - 3)) > 0.08 or np.abs(residual).max() > 0.12:
        return False
    if (np.abs(x - x0) < 1.5 * np.exp(log_a - log_k)).sum() < 3:
        return False
    told = degrees[(degrees > COLDEST_C) & (degrees < HOTTEST_C)]
    return len(told) == 0 or np.ptp(told) <= 0.5


def main():
    show = "--show" in sys.argv
    program, table = [a for a in sys.argv[1:] if a != "--show"]
    rows = defaultdict(list)
    with open(table, newline="") as file:
        for row in csv.DictReader(file):
            rows[row["run"]].append([number(row[c]) for c in ("position", "fwhm", "temperature")])
    good = set()
    for run, values in rows.items():
        x, y, degrees = np.array(values).T
        if plainly_good(x, y, degrees):
            good.add(run)
    answer = subprocess.run([program, "diagnose", "--each", table, "--json", "-"],
                            capture_output=True, text=True, check=False)
    causes, found, verdicts = Counter(), 0, Counter()
    for line in answer.stdout.splitlines():
        run = json.loads(line)
        if run["run"] not in good:
            continue
        verdicts[run["fit"]["verdict"]] += 1
        found += bool(run["findings"])
        for finding in run["findings"]:
            causes[finding["cause"]] += 1
        if show and run["findings"]:
            print(run["run"], *(f"{f['cause']} {f['confidence']:.2f}" for f in run["findings"]))
    print(f"{len(rows)} runs, {len(good)} plainly good; with a finding: {found} "
          f"({100 * found / max(1, len(good)):.1f} %)")
    print("of the plainly good: " + ", ".join(f"{v} {n}" for v, n in verdicts.most_common()))
    print("findings: " + (", ".join(f"{c} {n}" for c, n in causes.most_common()) or "none"))


if __name__ == "__main__":
    main()
