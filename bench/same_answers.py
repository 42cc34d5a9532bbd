#!/usr/bin/python3
"""Keeps the program's answers over a fixed corpus and compares a later version's with them.

Usage: same_answers.py keep PROGRAM FOLDER [--data DATA]
       same_answers.py compare PROGRAM FOLDER [--data DATA] [--fast]

`keep` fills FOLDER (which must not exist): `input` with runs that PROGRAM renders and tables made
here, `answers` with what PROGRAM prints as JSON and its exit status for every case. `compare` runs
another build over the same input and names each case whose bytes or status differ, with the first
difference; its own answers go to FOLDER/compared. Exit status: 0 all the same, 1 some differ.
DATA: folder of real sweeps and temperatures (default: ../shared/data beside the repository); cases
whose data are absent are left out, and said. --fast: one case in six of the rendered runs, and no
table of more than a thousand rows.
A change that is meant to change no answer shows nothing here; one that mends a fault shows that
fault's cases alone.
"""
import argparse
import csv
import json
import math
import random
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parent.parent
CAUSES = ("one_sided step_too_small step_too_large too_few_points slack no_motion focus_jump "
          "passing_cloud fogging few_stars saturation defects_as_stars image_motion thermal_drift "
          "extended_objects background_change field_tilt field_curvature miscollimation "
          "bad_seeing healthy").split()
PAIRS = ("slack:2,image_motion", "passing_cloud:2,field_tilt", "focus_jump:2,few_stars",
         "fogging:2,thermal_drift")
RIGS = {  # name: options of render that fit is given too
    "fast": {"f-number": 2.8, "obstruction": 0.4, "pixel-um": 3.76, "um-per-step": 1.0},
    "refractor": {"f-number": 6, "obstruction": 0, "pixel-um": 3.76, "um-per-step": 2.5},
    "compound": {"f-number": 8, "obstruction": 0.35, "pixel-um": 4.63, "um-per-step": 4.0},
}
# --f-number and the like of the sweeps' table are not known: it is answered without a rig.


def rendered_cases():
    """Thirty runs: every scenario, on one of three rigs each, then stronger ones and pairs."""
    names = list(RIGS)
    kinds = [(cause, 1.5) for cause in CAUSES]
    kinds += [(cause, 2.5) for cause in ("slack", "focus_jump", "fogging", "field_tilt", "healthy")]
    kinds += [(pair, 1.5) for pair in PAIRS]
    for number, (scenario, strength) in enumerate(kinds):
        folder = f"{number:02d}_{scenario.replace(':2,', '_and_')}"
        yield folder, names[number % len(names)], scenario, strength, 900 + number


def render_inputs(program, folder):
    def render(case):
        name, rig, scenario, strength, seed = case
        options = [f"--{key}={value}" for key, value in RIGS[rig].items()]
        subprocess.run([program, "render", "--output", folder / name, "--scenario", scenario,
                        "--strength", str(strength), "--seed", str(seed), "--tile-compressed",
                        "--width-px", "640", "--height-px", "480", "--quiet", *options], check=True)
        (folder / f"{name}.conf").write_text(
            "".join(f"{key}={value}\n" for key, value in RIGS[rig].items()))

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(render, rendered_cases()))
    # Light frames of a session: one position, and what changes meanwhile.
    for seed, scenario in ((71, "thermal_drift"), (72, "passing_cloud"), (73, "healthy")):
        positions = ",".join(["5000"] * 14)
        subprocess.run([program, "render", "--output", folder / f"night_{scenario}", "--scenario",
                        scenario, "--strength", "3", "--seed", str(seed), "--positions-steps",
                        positions, "--best-focus-steps", "5003", "--width-px", "640", "--height-px",
                        "480", "--tile-compressed", "--quiet"], check=True)


def blur_size(x, centre, smallest, slope):
    return math.hypot(smallest, slope * (x - centre))


def write_tables(folder):
    dice = random.Random(20)
    # Tables of sizes: with sigmas, with a bad row, with repeats, few rows, decimal commas.
    for number in range(12):
        centre, smallest, slope = dice.uniform(4900, 5100), dice.uniform(1.2, 3), 0.02
        count = (9, 11, 7, 5, 4, 3, 13, 9, 15, 9, 2, 21)[number]
        with open(folder / f"sizes_{number:02d}.csv", "w", newline="") as file:
            rows = csv.writer(file, delimiter=";" if number == 7 else ",")
            rows.writerow(["position", "hfd" if number % 3 == 1 else "hfr", "sigma", "stars",
                           "flux", "temperature", "time"])
            for i in range(count):
                x = 5000 + (i - count // 2) * 60
                size = blur_size(x, centre + (0.5 * i if number == 8 else 0), smallest, slope)
                size *= 1 + 0.02 * dice.gauss(0, 1) + (0.6 if number == 6 and i == 4 else 0)
                cells = [x, f"{size:.4f}", "" if number % 4 == 0 else f"{0.02 * size:.4f}",
                         dice.randrange(20, 80), f"{10000 * dice.uniform(0.95, 1.05):.0f}",
                         f"{5 - 0.02 * i:.2f}", f"2027-02-03T20:{i:02d}:30"]
                if number == 7:
                    cells[1] = cells[1].replace(".", ",")
                    cells[2] = cells[2].replace(".", ",")
                    cells[5] = cells[5].replace(".", ",")
                rows.writerow(["here", "", "", "", "", "", ""] if number == 9 and i == 2 else cells)
    # Sweeps there and back with slack, for backlash.
    for number, slack in enumerate((0, 25, 60)):
        for turn, way in enumerate((-1, 1, -1)):
            with open(folder / f"slack_{number}_{turn}.csv", "w", newline="") as file:
                rows = csv.writer(file)
                rows.writerow(["position", "hfr", "sigma", "temperature"])
                for i in range(11):
                    x = 5000 + way * (i - 5) * 60
                    dead = slack / 2 * way
                    size = blur_size(x - dead, 5010 + turn, 1.8, 0.015)
                    size *= 1 + 0.015 * dice.gauss(0, 1)
                    rows.writerow([x, f"{size:.4f}", f"{0.015 * size:.4f}", 4 - 0.3 * turn])
    # Runs over nights, for drift: plain, with filters, with bad runs, with a lag, with altitude.
    for kind in ("plain", "filters", "bad", "lag", "altitude", "few"):
        with open(folder / f"drift_{kind}.csv", "w", newline="") as file:
            rows = csv.writer(file)
            rows.writerow(["position", "temperature", "sigma", "filter", "time", "altitude"])
            past = 9.0
            for i in range(5 if kind == "few" else 36):
                degrees = 9 - 0.25 * (i % 18) + 0.2 * dice.gauss(0, 1) + (i // 18)
                past += 0.4 * (degrees - past)
                felt = past if kind == "lag" else degrees
                band = ("L", "R", "Ha")[i % 3] if kind == "filters" else "L"
                best = 5040 - 11.5 * (felt - 6) + {"L": 0, "R": 4, "Ha": 31}[band]
                best += 3 * dice.gauss(0, 1) + (90 if kind == "bad" and i % 9 == 4 else 0)
                altitude = 30 + 50 * (i % 7) / 7
                best += 0.4 * (altitude - 60) if kind == "altitude" else 0
                rows.writerow([f"{best:.1f}", f"{degrees:.2f}", "3.0", band,
                               f"2027-02-{3 + i // 18:02d}T{18 + (i % 18) // 4}:{15 * (i % 4):02d}:00",
                               f"{altitude:.1f}" if kind == "altitude" else ""])


def temperature_table(source, target):
    """position,temperature of the published nights: column CIN against the mirror's thermometer."""
    lines = [line.split() for line in source.read_text().splitlines() if line[:1] not in ("#", "")]
    with open(target, "w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["position", "temperature"])
        for cells in lines:
            try:
                rows.writerow([float(cells[1]), float(cells[0])])
            except (ValueError, IndexError):
                continue


def cases(folder, data, fast):
    """(name, arguments) of every question; paths are relative to FOLDER/input."""
    demo = str(REPOSITORY / "demo-frames")
    rig = ["--config", demo + "/rig.conf"]
    optics = ["--f-number", "5", "--pixel-um", "3.76", "--um-per-step", "2"]
    for command in ("fit", "diagnose", "plan", "field", "measure"):
        yield f"demo_{command}", [command, demo, *rig]
    yield "demo_fit_without_rig", ["fit", demo]
    yield "demo_fit_fwhm", ["fit", demo, *rig, "--size", "fwhm"]
    yield "demo_fit_arrived", ["fit", demo, *rig, "--arrived", demo + "/frame_05.fits.fz"]
    yield "demo_measure_stars", ["measure", demo, *rig, "--stars"]
    yield "demo_measure_matched", ["measure", demo, *rig, "--matched"]
    yield "demo_backlash", ["backlash", demo, *rig]
    yield "demo_watch", ["watch", demo, *rig, "--once"]
    for number, (name, *_rest) in enumerate(rendered_cases()):
        if fast and number % 6 != 0:
            continue
        config = ["--config", f"{name}.conf"]
        for command in ("fit", "diagnose", "field"):
            yield f"{name}_{command}", [command, name, *config]
        if number % 5 == 0:
            yield f"{name}_diagnose_without_rig", ["diagnose", name]
            yield f"{name}_plan", ["plan", name, *config]
            yield f"{name}_watch", ["watch", name, *config, "--once"]
        if number % 7 == 0:
            yield f"{name}_measure", ["measure", name, *config, "--matched", "--stars"]
    for scenario in ("thermal_drift", "passing_cloud", "healthy"):
        if not fast or scenario == "thermal_drift":
            yield f"night_{scenario}", ["night", f"night_{scenario}", *optics]
    for table in sorted((folder / "input").glob("sizes_*.csv")):
        yield f"{table.stem}_fit", ["fit", table.name]
        yield f"{table.stem}_fit_with_rig", ["fit", table.name, *optics]
        yield f"{table.stem}_diagnose", ["diagnose", table.name, *optics]
        yield f"{table.stem}_plan", ["plan", table.name, *optics]
    for number in range(3):
        sweeps = [f"slack_{number}_{turn}.csv" for turn in range(3)]
        yield f"backlash_{number}", ["backlash", *sweeps, *optics]
        yield f"backlash_{number}_two", ["backlash", *sweeps[:2], *optics]
        yield f"backlash_{number}_warm", ["backlash", *sweeps, *optics, "--focus-um-per-c", "-20"]
        yield f"backlash_{number}_verify", ["backlash", *sweeps, *optics, "--verify", sweeps[2]]
    for table in sorted((folder / "input").glob("drift_*.csv")):
        yield table.stem, ["drift", table.name, *optics]
        yield f"{table.stem}_predict", ["drift", table.name, "--predict", "2", "--predict", "-3,Ha"]
    for numbers in ((5, 3.76, 2), (2, 2.4, 1), (10, 9, 5)):
        ratio, pixel, travel = map(str, numbers)
        yield f"plan_f{ratio}", ["plan", "--f-number", ratio, "--pixel-um", pixel, "--um-per-step",
                                 travel, "--focal-length-mm", "600"]
    sweeps = data / "sweeps" / "four_small_telescopes.csv"
    if not sweeps.exists():
        print(f"left out: {sweeps} is not there", file=sys.stderr)
        return
    yield "published_fit", ["fit", str(data / "sweeps" / "published_tables.csv"), "--each",
                            "--column", "run=dataset"]
    if not fast:
        yield "sweeps_fit_each", ["fit", str(sweeps), "--each"]
        yield "sweeps_diagnose_each", ["diagnose", str(sweeps), "--each"]


def ask(program, arguments, folder):
    done = subprocess.run([program, *arguments, "--json", "-", "--quiet"], cwd=folder / "input",
                          capture_output=True, check=False)
    return done.stdout + f"\nstatus {done.returncode}\n".encode()


def first_difference(old, new):
    try:
        a, b = (json.loads(text[:text.rindex(b"\nstatus")]) for text in (old, new))
    except ValueError:
        for number, (x, y) in enumerate(zip(old.splitlines(), new.splitlines()), 1):
            if x != y:
                return f"line {number}: {x[:200]!r} was, {y[:200]!r} is"
        return f"{len(old)} bytes were, {len(new)} are"
    found = walk(a, b, "")
    return found or "status or layout: " + repr(old[-12:]) + " was, " + repr(new[-12:]) + " is"


def walk(a, b, path):
    if type(a) is not type(b):
        return f"{path}: {a!r} was, {b!r} is"[:400]
    if isinstance(a, dict):
        for key in list(a) + [key for key in b if key not in a]:
            if key not in a or key not in b:
                return f"{path}.{key}: only in one of them"
            if found := walk(a[key], b[key], f"{path}.{key}"):
                return found
        return None
    if isinstance(a, list):
        for index, (x, y) in enumerate(zip(a, b)):
            if found := walk(x, y, f"{path}[{index}]"):
                return found
        return None if len(a) == len(b) else f"{path}: {len(a)} entries were, {len(b)} are"
    return None if a == b else f"{path}: {a!r} was, {b!r} is"[:400]


def run_all(program, folder, data, target, fast):
    target.mkdir(parents=True, exist_ok=True)

    def one(case):
        name, arguments = case
        (target / name).write_bytes(ask(program, arguments, folder))

    with ThreadPoolExecutor(2) as pool:
        asked = list(cases(folder, data, fast))
        list(pool.map(one, asked))
    return [name for name, _ in asked]


def main():
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("action", choices=("keep", "compare"))
    parser.add_argument("program", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--data", type=Path, default=REPOSITORY.parent / "shared" / "data")
    parser.add_argument("--fast", action="store_true")
    options = parser.parse_args()
    program, folder = options.program.resolve(), options.folder.resolve()
    data = options.data.resolve()
    if options.action == "keep":
        (folder / "input").mkdir(parents=True)
        render_inputs(program, folder / "input")
        write_tables(folder / "input")
        source = data / "temperature" / "desi_ci_focus_temp_AJR.txt"
        if source.exists():
            temperature_table(source, folder / "input" / "drift_published.csv")
        names = run_all(program, folder, data, folder / "answers", False)
        print(f"{len(names)} answers kept in {folder}")
        return 0
    names = run_all(program, folder, data, folder / "compared", options.fast)
    differ = 0
    for name in names:
        old, new = ((folder / part / name).read_bytes() for part in ("answers", "compared"))
        if old != new:
            differ += 1
            print(f"{name}: {first_difference(old, new)}")
    print(f"{len(names)} cases, {differ} differ")
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
