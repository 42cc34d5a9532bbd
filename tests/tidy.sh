#!/bin/sh
# clang-tidy over the library and the program, by the compile commands of build/release; with "all"
# also over tests and benches, which take as long again; with "deep" by the static analyzer too,
# which takes three times as long. A source that passed is looked at again only when it, a header of
# the project or .clang-tidy has changed.
set -eu
cd "$(dirname "$0")/.."
mkdir -p build/tidy
common=$(git ls-files '*.h' .clang-tidy | xargs cat | sha256sum | cut -c1-16)
checks=
if [ "${1:-}" = deep ]; then
  checks="--checks=clang-analyzer-core.*,clang-analyzer-cplusplus.*,-clang-analyzer-cplusplus.NewDeleteLeaks"
  common=deep-$common
fi
export common checks
# tests/install holds a program of its own, which is built against the installed library.
more=""
[ "${1:-}" != all ] || more="tests bench"
# shellcheck disable=SC2086
git ls-files lib tools $more | grep '\.cpp$' | grep -v '^tests/install/' | xargs -P "$(nproc)" -n 1 sh -c '
  own=$(sha256sum "$1" | cut -c1-16)
  passed=build/tidy/$(echo "$1" | tr / _).$common.$own
  [ -f "$passed" ] && exit 0
  # The warning options are those of g++; clang does not know them all.
  # shellcheck disable=SC2086
  if clang-tidy --quiet $checks -p build/release --extra-arg=-Wno-unknown-warning-option "$1" \
      >"$passed.log" 2>/dev/null; then
    rm -f "build/tidy/$(echo "$1" | tr / _)".*
    : >"$passed"
  else
    cat "$passed.log"
    exit 1
  fi' sh
