#!/bin/sh
# Small faults that the tests must see. NAME.patch changes one line or two; its head says what it
# breaks and, on a line "Seen by: PROGRAM FILTER", which tests must fail with it.
#
# Usage: sh tests/mutations/run.sh NAME...      those mutations
#        sh tests/mutations/run.sh all          every one
#
# Works on a copy of the tree as committed (build/mutations), which stays for the next time. Each
# patch is applied, the test program built and run, and the patch taken back. Exit status: 0 every
# fault was seen, 1 one was not, or its patch no longer applies.
set -eu
cd "$(dirname "$0")/../.."
root=$PWD
copy=$root/build/mutations
mkdir -p "$copy/tree"
git archive HEAD | tar -x -C "$copy/tree" --keep-newer-files 2>/dev/null ||
  git archive HEAD | tar -x -C "$copy/tree"
[ -f "$copy/build/build.ninja" ] || cmake -S "$copy/tree" -B "$copy/build" -G Ninja \
  -DCMAKE_BUILD_TYPE=Release -DSTARWAIST_REAL_DATA_DIR="$root/../shared/data" >/dev/null
if [ "${1:-}" = all ]; then
  set -- $(cd tests/mutations && ls -- *.patch | sed 's/\.patch$//')
fi
[ $# -gt 0 ] || { sed -n '2,11p' "$0"; exit 2; }

unseen=0
for name in "$@"; do
  patch=$root/tests/mutations/$name.patch
  seen_by=$(sed -n 's/^Seen by: *//p' "$patch" | head -n 1)
  program=${seen_by%% *}
  filter=${seen_by#* }
  if ! (cd "$copy/tree" && patch -p1 --silent --forward <"$patch" >/dev/null); then
    echo "$name: the patch no longer applies"
    unseen=1
    continue
  fi
  if cmake --build "$copy/build" --target "$program" >"$copy/build.log" 2>&1; then
    if "$copy/build/tests/$program" --gtest_filter="$filter" --gtest_brief=1 >"$copy/test.log" 2>&1; then
      echo "$name: NOT SEEN by $program $filter"
      unseen=1
    else
      echo "$name: seen by $program $filter"
    fi
  else
    echo "$name: does not build; see $copy/build.log"
    unseen=1
  fi
  (cd "$copy/tree" && patch -p1 --silent --reverse <"$patch" >/dev/null)
done
exit $unseen
