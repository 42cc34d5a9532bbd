#!/usr/bin/env python3
"""Writes lib/src/stars/wing_table.h: the light beyond a radius of a star in and out of focus.

A star out of focus is the seeing's profile convolved with the pupil's uniform annulus (outer radius
R, inner e R). With OTFs,
    flux inside r = 2 pi r  integral  seeing(f) annulus(f) J1(2 pi r f) df.
Seeing: Kolmogorov's exp(-3.442 (f lambda / r0)^(5/3)) (Fried 1966, from memory), or Moffat's profile
of exponent beta, whose OTF is 2 / Gamma(beta - 1) (pi a f)^(beta - 1) K_(beta - 1)(2 pi a f)
(Trujillo et al. 2001, from memory). Each row is one seeing and one defocus: the light beyond
k / 8 of the star's own half-flux radius, in units of 1e-5 of the whole.

Usage: make_wing_table.py > lib/src/stars/wing_table.h   (needs numpy and scipy)
"""
import numpy as np
from scipy.integrate import simpson
from scipy.optimize import brentq
from scipy.special import gamma, j1, kv

# 1 / (beta - 1): from nearly a Gaussian to wings that hold a tenth beyond five half-flux radii.
MOFFATS = [0.05, 0.1, 0.17, 0.24, 0.31, 0.4, 0.5, 0.62, 0.75, 0.9, 1.1]
# How often each is met, Kolmogorov's seeing two times in five: wings shallower than exponent 2.5
# are rare.
COMMON = [1, 1, 1, 1, 1, 1, 1, 1, 0.5, 0.25, 0.125]
KOLMOGOROV = 0.4
# sqrt((1 + e^2) / 2) R over the half-flux radius of the seeing alone.
DEFOCUSES = [0.0, 0.4, 0.7, 1.0, 1.4, 2.0, 3.0, 4.5, 7.0, 12.0, 25.0]
OBSTRUCTIONS = [0.0, 0.4]
STEP = 0.125
NODES = 78
F = np.linspace(0, 3.5, 24001)


def seeing_otf(moffat):
    """Of half-flux radius 1."""
    if moffat is None:
        return np.exp(-3.4419385911 * (F / 0.5548101137) ** (5 / 3))
    order = 1 / moffat
    alpha = 1 / np.sqrt(2**moffat - 1)
    x = np.pi * alpha * F
    x[0] = 1e-9
    otf = 2 / gamma(order) * x**order * kv(order, 2 * x)
    otf[0] = 1
    return np.where(np.isfinite(otf), otf, 0)


def jinc(x):
    safe = np.where(x == 0, 1.0, x)
    return np.where(x == 0, 1.0, 2 * j1(safe) / safe)


def row(moffat, defocus, obstruction):
    radius = defocus / np.sqrt((1 + obstruction**2) / 2)
    e2 = obstruction**2
    annulus = (jinc(2 * np.pi * radius * F) - e2 * jinc(2 * np.pi * radius * obstruction * F)) / (1 - e2)
    otf = seeing_otf(moffat) * annulus

    def beyond(r):
        return 1 - 2 * np.pi * r * simpson(otf * j1(2 * np.pi * r * F), x=F)

    half = brentq(lambda r: beyond(r) - 0.5, 0.5, 2 + 1.2 * radius, xtol=1e-9)
    values = [1.0] + [beyond(STEP * k * half) for k in range(1, NODES)]
    values = np.minimum.accumulate(np.clip(values, 0, 1))
    return [int(round(1e5 * v)) for v in values]


def main():
    rows = []
    for defocus in DEFOCUSES:
        for obstruction in OBSTRUCTIONS if defocus > 0 else [0.0]:
            for moffat, common in zip(MOFFATS + [None], COMMON + [None]):
                prior = 2 * (KOLMOGOROV if moffat is None else (1 - KOLMOGOROV) * common / sum(COMMON))
                prior *= 1.0 if defocus == 0 else 1.0 / len(OBSTRUCTIONS)
                rows.append((prior, row(moffat, defocus, obstruction)))
    print("// Light beyond a radius of stars in and out of focus. Made by bench/make_wing_table.py; do not edit.")
    print("#pragma once\n\n#include <array>\n#include <cstdint>\n\nnamespace starwaist::stars::wing_table {\n")
    print("// Light beyond kStep k half-flux radii, in units of kUnit of the whole.")
    print(f"inline constexpr double kStep = {STEP};")
    print("inline constexpr double kUnit = 1e-5;")
    print(f"struct Row {{\n  float prior;\n  std::array<std::int32_t, {NODES}> beyond;\n}};\n")
    print(f"inline constexpr std::array<Row, {len(rows)}> kRows = {{{{")
    for prior, values in rows:
        print(f"    Row{{{prior:.5f}F,")
        line = "        {"
        for i, v in enumerate(values):
            item = str(v) + (", " if i + 1 < len(values) else "}},")
            if len(line) + len(item) > 99:
                print(line.rstrip())
                line = "         "
            line += item
        print(line)
    print("}};\n\n}  // namespace starwaist::stars::wing_table")


main()
