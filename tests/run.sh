#!/bin/sh
# Installs what is missing, builds, and runs every test: as built for use, then under the address and
# undefined-behaviour sanitizers. Also the format of the sources and the list of clang-tidy.
set -eu
cd "$(dirname "$0")/.."
. tools/packages.sh
# shellcheck disable=SC2086
install_missing $run_packages $test_packages
jobs=$(nproc)

echo "== format"
git ls-files -- '*.h' '*.cpp' | grep -v blur_table.h | xargs clang-format --dry-run --Werror

for preset in release sanitize; do
  echo "== building ($preset)"
  [ -f "build/$preset/build.ninja" ] || cmake --preset "$preset" >/dev/null
  cmake --build "build/$preset"
done
echo "== headers compile by themselves"
cmake --build build/release --target all_verify_interface_header_sets

# Each source is checked again only when it or a header is newer than its last pass.
echo "== clang-tidy"
mkdir -p build/tidy
git ls-files -- 'lib/src/*.cpp' 'tools/*.cpp' | while read -r source; do
  stamp="build/tidy/$(echo "$source" | tr / _).ok"
  if [ ! -f "$stamp" ] || [ -n "$(find "$source" lib/include lib/src tools .clang-tidy -newer "$stamp" \( -name '*.h' -o -samefile "$source" -o -name .clang-tidy \) | head -n 1)" ]; then
    printf '%s\0%s\0' "$source" "$stamp"
  fi
done | xargs -0 -r -n 2 -P "$jobs" sh -c \
  'clang-tidy --quiet -p build/release "$0" 2>/dev/null && touch "$1" || { echo "clang-tidy: $0"; exit 255; }'

for preset in release sanitize; do
  echo "== tests ($preset)"
  ctest --test-dir "build/$preset" --output-on-failure -j "$jobs"
done
