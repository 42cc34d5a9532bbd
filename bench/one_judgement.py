#!/usr/bin/env python3
"""Do all commands say the same of the same frames?

Usage: python3 bench/one_judgement.py PROGRAM FOLDER [EVERY]

FOLDER holds rendered runs, as `diagnosis_bench --keep FOLDER` leaves them; every EVERY-th is asked
about [1]. fit, diagnose, watch --once, field and log must give the same bytes of JSON for best
focus, its sigma and intervals, verdict and reasons. Prints each run on which they differ, and the
count. Exit status 0 where there is none.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

SHOWN = ["best_focus_steps", "best_focus_sigma_steps", "interval_95_steps", "verdict", "reasons"]


def rig_options(truth):
    rig = truth["options"] if "options" in truth else truth
    names = ["focal_length_mm", "f_number", "obstruction", "pixel_um", "um_per_step",
             "seeing_arcsec", "focus_um_per_c"]
    words = []
    for name in names:
        if rig.get(name) is not None:
            words += ["--" + name.replace("_", "-"), str(rig[name])]
    return words


def asked(program, words):
    done = subprocess.run([program, *words], capture_output=True, text=True, check=False)
    return done.stdout, done.returncode


def shown(answer, sigma="best_focus_sigma_steps"):
    picked = {name: answer.get(name) for name in SHOWN}
    picked["best_focus_sigma_steps"] = answer.get(sigma)
    return json.dumps(picked, sort_keys=True)


def views(program, run):
    rig = rig_options(json.loads((run / "truth.json").read_text()))
    fit, status = asked(program, ["fit", str(run), "--json", "-", *rig])
    answers = {"fit": (shown(json.loads(fit)), status)}
    diagnose, status = asked(program, ["diagnose", str(run), "--json", "-", *rig])
    answers["diagnose"] = (shown(json.loads(diagnose)["fit"]), status)
    watch, status = asked(program, ["watch", str(run), "--once", "--json", "-", *rig])
    answers["watch"] = (shown(json.loads(watch.splitlines()[-1])), status)
    field, _ = asked(program, ["field", str(run), "--json", "-", *rig])
    answers["field"] = (shown(json.loads(field)), None)
    with tempfile.TemporaryDirectory() as folder:
        ledger = folder + "/runs.ledger"
        asked(program, ["log", "add", str(run), "--ledger", ledger, *rig])
        kept, _ = asked(program, ["log", "export", "--ledger", ledger, "--json", "-"])
        answers["log"] = (shown(json.loads(kept)["runs"][0], "sigma_steps"), None)
    return answers


def main():
    program, folder = sys.argv[1], pathlib.Path(sys.argv[2])
    every = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    runs = sorted(run for run in folder.iterdir() if (run / "truth.json").exists())[::every]
    differ = 0
    for run in runs:
        answers = views(program, run)
        text, status = answers["fit"]
        others = [name for name, (other, ended) in answers.items()
                  if other != text or ended not in (None, status)]
        if others:
            differ += 1
            print(f"{run.name}: fit {text} {status}")
            for name in others:
                print(f"  {name} {answers[name][0]} {answers[name][1]}")
    print(f"{differ} of {len(runs)} runs on which commands differ")
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
