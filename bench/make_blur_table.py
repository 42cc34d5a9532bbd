#!/usr/bin/env python3
"""Writes lib/src/curve/blur_table.h: the half-flux radius of a defocused star.

A defocused star is the seeing's profile convolved with the pupil's uniform annulus (outer radius R,
inner e R). With OTFs,
    flux inside r = 2 pi r  integral  seeing(f) annulus(f) J1(2 pi r f) df.
Seeing: Gaussian, or Kolmogorov's exp(-3.442 (f lambda / r0)^(5/3)) (Fried 1966, from memory). With H0
the half-flux radius in focus and c = sqrt((1 + e^2) / 2), u = c R / H0 and h = half-flux radius /
H0, the table holds g(u) = h^2 - u^2 (1 for a hyperbola), which is smooth and nearly flat far out.

Usage: make_blur_table.py > lib/src/curve/blur_table.h   (needs numpy and scipy)
"""
import numpy as np
from scipy.integrate import simpson
from scipy.optimize import brentq
from scipy.special import j1

OBSTRUCTIONS = [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6]
# Nodes are even in u / (u + SCALE): dense near focus, where the curve bends, and found by a division.
SCALE = 3.0
STEP = 1 / 32
NODES = 28  # to u = 16


def seeing_otf(profile, f):
    if profile == "gaussian":
        sigma = 1 / np.sqrt(2 * np.log(2))
        return np.exp(-2 * (np.pi * sigma * f) ** 2)
    lambda_over_r0 = 1 / 0.5548101137
    return np.exp(-3.4419385911 * (lambda_over_r0 * f) ** (5 / 3))


def jinc(x):
    safe = np.where(x == 0, 1.0, x)
    return np.where(x == 0, 1.0, 2 * j1(safe) / safe)


def half_flux_radius(profile, obstruction, radius):
    f = np.linspace(0, 2.2, 8001)
    e2 = obstruction**2
    annulus = (jinc(2 * np.pi * radius * f) - e2 * jinc(2 * np.pi * radius * obstruction * f)) / (1 - e2)
    otf = seeing_otf(profile, f) * annulus

    def excess(r):
        return 2 * np.pi * r * simpson(otf * j1(2 * np.pi * r * f), x=f) - 0.5

    return brentq(excess, 0.3, 2 + radius * 1.2, xtol=1e-12)


def rows(profile):
    for obstruction in OBSTRUCTIONS:
        c = np.sqrt((1 + obstruction**2) / 2)
        h0 = half_flux_radius(profile, obstruction, 0.0)
        assert abs(h0 - 1) < 1e-6, h0
        row = []
        for i in range(NODES):
            u = SCALE * STEP * i / (1 - STEP * i)
            h = half_flux_radius(profile, obstruction, u / c) / h0
            row.append(h * h - u * u)
        yield row


def main():
    print("// Half-flux radius of a defocused star. Made by bench/make_blur_table.py; do not edit.")
    print("#pragma once\n\n#include <array>\n\nnamespace starwaist::curve::blur_table {\n")
    print("// g = h^2 - u^2 at u / (u + kScale) = kStep i, for obstructions kObstructionStep j.")
    print(f"inline constexpr double kScale = {SCALE};")
    print(f"inline constexpr double kStep = {STEP};")
    print("inline constexpr double kObstructionStep = 0.1;")
    print(f"using Row = std::array<double, {NODES}>;")
    print(f"using Table = std::array<Row, {len(OBSTRUCTIONS)}>;\n")
    for profile in ("gaussian", "kolmogorov"):
        print(f"inline constexpr Table k{profile.capitalize()} = {{{{")
        for row in rows(profile):
            print("    Row{" + ", ".join(f"{g:.9f}" for g in row) + "},")
        print("}};\n")
    print("}  // namespace starwaist::curve::blur_table")


if __name__ == "__main__":
    main()
