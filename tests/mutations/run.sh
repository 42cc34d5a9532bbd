#!/bin/sh
# Small faults that the tests must see. NAME.patch changes one line or two; its head says what it
# breaks and, on a line "Seen by: PROGRAM FILTER", which tests must fail with it.
#
# Usage: sh tests/mutations/run.sh NAME...      those mutations
#        sh tests/mutations/run.sh all          every one
#
# Works on a copy of the tree as committed (build/mutations), which stays for the next time. Each
# test must pass there first; then the patch is applied, the test program built and run, and the
# patch taken back. Exit status: 0 every fault was seen, 1 one was not, or its test fails without it,
# or its patch no longer applies.
set -eu
cd "$(dirname "$0")/../.."
root=$PWD
copy=$root/build/mutations
mkdir -p "$copy/tree"
git_dir=$(git rev-parse --absolute-git-dir)

# Brings the copy to what is committed and touches no other file, so that little is built again; a
# patch that an interrupt left there goes too.
as_committed() {
  (cd "$copy/tree" && GIT_DIR=$git_dir GIT_WORK_TREE=$copy/tree GIT_INDEX_FILE=$copy/index \
    git read-tree --reset -u HEAD)
}

# passes PROGRAM FILTER: 0 it does, 1 it fails, 2 it does not build
passes() {
  cmake --build "$copy/build" --target "$1" >"$copy/build.log" 2>&1 || return 2
  "$copy/build/tests/$1" --gtest_filter="$2" --gtest_brief=1 >"$copy/test.log" 2>&1 || return 1
}

as_committed
[ -f "$copy/build/build.ninja" ] || cmake -S "$copy/tree" -B "$copy/build" -G Ninja \
  -DCMAKE_BUILD_TYPE=Release -DSTARWAIST_REAL_DATA_DIR="$root/../shared/data" >/dev/null
if [ "${1:-}" = all ]; then
  set -- $(cd tests/mutations && ls -- *.patch | sed 's/\.patch$//')
fi
[ $# -gt 0 ] || { sed -n '2,12p' "$0"; exit 2; }

unseen=0
for name in "$@"; do
  patch=$root/tests/mutations/$name.patch
  seen_by=$(sed -n 's/^Seen by: *//p' "$patch" | head -n 1)
  program=${seen_by%% *}
  filter=${seen_by#* }
  passes "$program" "$filter" && without=0 || without=$?
  if [ $without != 0 ]; then
    echo "$name: without the fault $program $filter does not pass; see $copy/build.log, test.log"
    unseen=1
    continue
  fi
  if ! (cd "$copy/tree" && patch -p1 --silent --forward <"$patch" >/dev/null); then
    echo "$name: the patch no longer applies"
    as_committed
    unseen=1
    continue
  fi
  passes "$program" "$filter" && with=0 || with=$?
  case $with in
    0) echo "$name: NOT SEEN by $program $filter"; unseen=1 ;;
    1) echo "$name: seen by $program $filter" ;;
    *) echo "$name: does not build; see $copy/build.log"; unseen=1 ;;
  esac
  as_committed
done
exit $unseen
