#!/bin/sh
# Installs what is missing, builds the program, finds best focus in the frames of demo-frames and says
# whether anything is wrong with that run.
set -eu
cd "$(dirname "$0")/.."
. tools/packages.sh
# shellcheck disable=SC2086
install_missing $run_packages

echo "== building"
[ -f build/package/build.ninja ] || cmake --preset package >/dev/null
cmake --build build/package --target starwaist_program
program=build/package/starwaist

mkdir -p demo-output
echo "== starwaist measure demo-frames"
"$program" measure demo-frames --csv demo-output/frames.csv
echo
echo "== starwaist fit demo-frames --config demo-frames/rig.conf --plot demo-output/focus-curve.png"
status=0
"$program" fit demo-frames --config demo-frames/rig.conf --plot demo-output/focus-curve.png ||
  status=$?
echo
echo "== starwaist diagnose demo-frames --config demo-frames/rig.conf"
"$program" diagnose demo-frames --config demo-frames/rig.conf || status=$?
echo
printf 'The truth these frames were made with: best focus at %s steps.\n' \
  "$(sed -n 's/.*"best_focus_steps": *\([-0-9.eE+]*\).*/\1/p' demo-frames/truth.json | head -n 1)"
echo "Picture of the curve: demo-output/focus-curve.png; table: demo-output/frames.csv"
exit "$status"
