#!/bin/sh
# Installs what is missing, builds, and runs every test: as built for use, then under the address and
# undefined-behaviour sanitizers. Also the format of the sources, clang-tidy, and each header by itself.
set -eu
cd "$(dirname "$0")/.."
. tools/packages.sh
# shellcheck disable=SC2086
install_missing $run_packages $test_packages
# The page's test in the browser fetches what drives it by npm, which may come with node itself.
command -v npm >/dev/null || install_missing nodejs npm
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
echo "== tests (release)"
ctest --test-dir build/release --output-on-failure -j "$jobs"
# Trials by the thousand of code that shorter tests run as well: a third of the time, and nothing
# more that the sanitizers could see. Installing has no code of its own.
long="LearnArms.IntervalsOfOneSided|HeldBack.FewPoints|RenderTruth.TiltAndCurvature|Install"
long="$long|PointSpread.(SeeingProfilesHave|PeakFalls|Defocus|HalfFluxRadiusOfAnnular)"
echo "== tests (sanitize)"
ctest --test-dir build/sanitize --output-on-failure -j "$jobs" --exclude-regex "$long"
