#!/bin/sh
# clang-tidy over the library and the program, by the compile commands of build/release; with "all"
# also over tests and benches, which take as long again; with "deep" by the static analyzer too,
# which takes three times as long. As in a unity build the sources of a module are read as one, so
# that their headers are read once: here not by inclusion, since some checks look at no file that is
# included. What is found is printed with its place in the source itself. What passed is looked at again only when one of its sources, a header of the project or
# .clang-tidy has changed.
set -eu
cd "$(dirname "$0")/.."
mkdir -p build/tidy
common=$(git ls-files '*.h' .clang-tidy | xargs cat | sha256sum | cut -c1-16)
checks=
# The sources that verify each header by itself hold nothing.
others='verify_interface_header_sets|build/[a-z]*/(tests|bench)/'
for word in "$@"; do
  case $word in
    all) others=verify_interface_header_sets ;;
    deep)
      checks="--checks=clang-analyzer-core.*,clang-analyzer-cplusplus.*,-clang-analyzer-cplusplus.NewDeleteLeaks"
      common=deep-$common ;;
    *) echo "usage: $0 [all] [deep]" >&2; exit 2 ;;
  esac
done
export common checks
# A source of the unity build includes the project's own by their full names. Its likeness below
# build/tidy holds them instead.
commands=build/release/compile_commands.json
root=$(sed -n 's/^CMAKE_HOME_DIRECTORY:INTERNAL=//p' build/release/CMakeCache.txt)
sed "s|$root/build/release/\([^ \"]*_cxx\.cxx\)|$PWD/build/tidy/\1|g" "$commands" \
  >build/tidy/compile_commands.json
sed -n 's/^ *"file": "\(.*\)".*/\1/p' "$commands" | sed "s|^$root/||" | grep -Ev "$others" |
  xargs -P "$(nproc)" -n 1 sh -c '
  source=$1
  case $1 in
    *_cxx.cxx)
      source=build/tidy/${1#build/release/}
      mkdir -p "${source%/*}"
      sed -n "s/^#include \"\(.*\)\"$/\1/p" "$1" | while read -r file; do
        printf "#line 1 \"%s\"\n" "$file"
        cat "$file"
      done >"$source" ;;
  esac
  name=build/tidy/$(echo "$1" | tr / _)
  passed=$name.$common.$(sha256sum "$source" | cut -c1-16)
  [ -f "$passed" ] && exit 0
  # The warning options are those of g++; clang does not know them all, and minds how long the
  # script is that the page embeds.
  # shellcheck disable=SC2086
  if clang-tidy --quiet $checks -p build/tidy --extra-arg=-Wno-unknown-warning-option \
      --extra-arg=-Wno-overlength-strings "$source" \
      >"$passed.log" 2>/dev/null; then
    rm -f "$name".*
    : >"$passed"
  else
    awk -v whole="$PWD/$source:" -f tests/support/tidy_places.awk "$source" "$passed.log"
    exit 1
  fi' sh
