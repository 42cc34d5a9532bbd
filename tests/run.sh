#!/bin/sh
# Installs what is missing, builds, and runs every test: as built for use, then under the address and
# undefined-behaviour sanitizers. Also the format of the sources, clang-tidy, and each header by itself.
set -eu
cd "$(dirname "$0")/.."
. tools/packages.sh
# shellcheck disable=SC2086
install_missing $run_packages $test_packages
jobs=$(nproc)

echo "== format"
git ls-files -- '*.h' '*.cpp' | grep -v '_table.h' | xargs clang-format --dry-run --Werror

for preset in release sanitize; do
  echo "== building ($preset)"
  [ -f "build/$preset/build.ninja" ] || cmake --preset "$preset" >/dev/null
  cmake --build "build/$preset"
done
echo "== headers compile by themselves"
cmake --build build/release --target all_verify_interface_header_sets

echo "== clang-tidy"
sh tests/tidy.sh

LSAN_OPTIONS="suppressions=$PWD/tests/support/leaks_of_libraries.txt"
export LSAN_OPTIONS
# With everything installed and the real data at hand, a test that misses something fails.
if [ -d ../shared/data ]; then
  STARWAIST_REQUIRE_DATA=1
  export STARWAIST_REQUIRE_DATA
fi
for preset in release sanitize; do
  echo "== tests ($preset)"
  ctest --test-dir "build/$preset" --output-on-failure -j "$jobs"
done
