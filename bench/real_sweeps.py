#!/usr/bin/python3
"""Best focus of real sweeps, by `starwaist fit --each` and by a plain hyperbola.

Usage: real_sweeps.py PROGRAM TABLE.csv

TABLE has the columns run, night, telescope, position, fwhm, temperature. The plain way is SciPy's
curve_fit of sqrt(a^2 + k^2 (x - x0)^2), equal weights, with two rounds of clipping at three robust
sigmas. Both are judged by pairs of consecutive sweeps of one telescope in one night: the difference
of their best focus, the telescope's temperature slope taken out, has a scatter of which 1 / sqrt 2
is the error of one sweep (and whatever moved between the two). Pairs that both ways answered count.
The limits of a ratio (95 %) are from 400 bootstrap samples of the nights. The last ratio is that of
all pairs together, each less its own telescope's median and temperature slope. What few points of a
sweep give by what the others tell is printed by build/release/bench/known_arms_bench TABLE.csv.
"""
import csv
import json
import subprocess
import sys
import warnings
from collections import defaultdict

import numpy as np
from scipy.optimize import curve_fit

warnings.simplefilter("ignore")
COLDEST_C, HOTTEST_C = -60.0, 60.0  # beyond: no sensor


def hyperbola(x, x0, a, k):
    return np.sqrt(a * a + (k * (x - x0)) ** 2)


def plain(x, y):
    """Best focus, or None where the fit fails or lies outside the sweep."""
    keep = np.ones(len(x), bool)
    best = None
    for _ in range(3):
        if keep.sum() < 4:
            return None
        start = (x[keep][np.argmin(y[keep])], y[keep].min(), np.ptp(y[keep]) / max(np.ptp(x), 1e-9))
        try:
            best, _ = curve_fit(hyperbola, x[keep], y[keep], p0=start, maxfev=5000)
        except (RuntimeError, TypeError):
            return None
        residual = np.abs(y - hyperbola(x, *best))
        clipped = residual <= 3 * 1.4826 * np.median(residual[keep]) + 1e-12
        if (clipped == keep).all():
            break
        keep = clipped
    return best[0] if x.min() <= best[0] <= x.max() else None


def robust_scatter(values):
    values = np.asarray(values)
    return 1.4826 * np.median(np.abs(values - np.median(values)))


def slope_free(differences, degrees):
    """Differences less the robust slope on the temperature difference (median of the slopes)."""
    degrees = np.asarray(degrees)
    far = np.abs(degrees) > 0.3
    slope = np.median(differences[far] / degrees[far]) if far.sum() > 10 else 0.0
    return differences - slope * np.where(np.isfinite(degrees), degrees, 0.0), slope


def main():
    program, table = sys.argv[1:3]
    runs = defaultdict(list)
    with open(table, newline="") as source:
        for row in csv.DictReader(source):
            runs[row["run"]].append(row)
    out = subprocess.run([program, "fit", table, "--each", "--size", "fwhm", "--quiet", "--json", "-"],
                         stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, check=False)
    answers = {}
    for line in out.stdout.splitlines():
        answer = json.loads(line)
        answers[answer["run"]] = answer
    assert set(answers) == set(runs), "every run is answered or refused"
    silent = [name for name, a in answers.items() if a["verdict"] != "trusted" and not a["reasons"]]
    verdicts = defaultdict(int)
    for answer in answers.values():
        verdicts[answer["verdict"]] += 1
    best = {"starwaist": {}, "plain": {}}
    temperature = {}
    for name, rows in runs.items():
        rows = [r for r in rows if r["fwhm"]]
        x = np.array([float(r["position"]) for r in rows])
        y = np.array([float(r["fwhm"]) for r in rows])
        t = np.array([float(r["temperature"] or "nan") for r in rows])
        t = t[(t > COLDEST_C) & (t < HOTTEST_C)]
        temperature[name] = t.mean() if len(t) else np.nan
        if answers[name]["verdict"] != "unusable":
            best["starwaist"][name] = answers[name]["best_focus_steps"]
        plain_best = plain(x, y) if len(x) >= 4 else None
        if plain_best is not None:
            best["plain"][name] = plain_best
    by_others = sum(a["verdict"] == "doubtful" and "other runs" in a["reasons"][0]
                    for a in answers.values())
    print(f"{len(runs)} runs; starwaist: {dict(verdicts)}, without a reason {len(silent)}; "
          f"answered {len(best['starwaist'])} ({by_others} of them by what the other runs tell), "
          f"plain {len(best['plain'])}")
    order = defaultdict(list)
    for name, rows in runs.items():
        order[rows[0]["telescope"], rows[0]["night"]].append(name)
    pairs = defaultdict(lambda: defaultdict(list))
    for (telescope, night), names in order.items():
        for a, b in zip(names, names[1:]):
            if all(n in best[way] for n in (a, b) for way in best):
                pairs[telescope][night].append((a, b))

    def rest_of(way, some):
        degrees = [temperature[b] - temperature[a] for a, b in some]
        return slope_free(np.array([best[way][b] - best[way][a] for a, b in some]), degrees)

    def scatter_of(way, some):
        rest, slope = rest_of(way, some)
        return robust_scatter(rest) / np.sqrt(2), slope

    def pooled_ratio(some_of):
        """`some_of`: pairs by telescope."""
        pooled = {way: np.concatenate([rest - np.median(rest) for rest in
                                       (rest_of(way, some)[0] for some in some_of)]) for way in best}
        return robust_scatter(pooled["starwaist"]) / robust_scatter(pooled["plain"])

    random = np.random.default_rng(1)
    resampled = []  # by telescope, then by bootstrap sample
    for telescope in sorted(pairs):
        nights = list(pairs[telescope].values())
        every = [pair for night in nights for pair in night]
        line = f"{telescope:6s} {len(every):4d} pairs"
        scatter = {}
        for way in best:
            scatter[way], slope = scatter_of(way, every)
            line += f"  {way} {scatter[way]:.4f} (slope {slope:+.4f} a degree)"
        resampled.append([[pair for i in random.integers(len(nights), size=len(nights))
                           for pair in nights[i]] for _ in range(400)])
        ratios = [scatter_of("starwaist", some)[0] / scatter_of("plain", some)[0]
                  for some in resampled[-1]]
        low, high = np.percentile(ratios, [2.5, 97.5])
        print(line + f"  ratio {scatter['starwaist'] / scatter['plain']:.3f} ({low:.3f} to {high:.3f})")
    every = [[pair for night in pairs[telescope].values() for pair in night]
             for telescope in sorted(pairs)]
    low, high = np.percentile([pooled_ratio(some_of) for some_of in zip(*resampled)], [2.5, 97.5])
    print(f"all    {sum(map(len, every)):4d} pairs together: ratio {pooled_ratio(every):.3f} "
          f"({low:.3f} to {high:.3f})")
    # The intervals: errors of a pair over its own sigma, where nothing else moved it would be 1.
    d, s = [], []
    for telescope in pairs:
        for a, b in (pair for night in pairs[telescope].values() for pair in night):
            if answers[a]["best_focus_sigma_steps"] and answers[b]["best_focus_sigma_steps"]:
                d.append(best["starwaist"][b] - best["starwaist"][a])
                s.append(np.hypot(answers[a]["best_focus_sigma_steps"],
                                  answers[b]["best_focus_sigma_steps"]))
    print(f"all pairs: robust scatter of difference over its sigma {robust_scatter(np.array(d) / np.array(s)):.2f} "
          "(drift between the sweeps included)")


main()
