#!/bin/sh
# The page in headless Chromium: sh tests/page/run.sh PROGRAM. Chromium is Debian's; playwright-core,
# which drives it, is fetched by npm once. Without them it ends with 77, which counts as skipped, and
# with STARWAIST_REQUIRE_DATA=1 it fails.
set -eu
program=$(realpath "$1")
here=$(cd "$(dirname "$0")" && pwd)
work=$(dirname "$program")/page-test
playwright=playwright-core@1.65.1

skip() {
  echo "page test: $1"
  [ "${STARWAIST_REQUIRE_DATA:-}" = 1 ] && exit 1
  exit 77
}
chromium=$(command -v chromium) || skip "no chromium"
command -v node >/dev/null || skip "no node"
mkdir -p "$work"
if [ ! -f "$work/node_modules/playwright-core/package.json" ]; then
  command -v npm >/dev/null || skip "no npm"
  npm install --silent --no-audit --no-fund --prefix "$work" "$playwright" >/dev/null ||
    skip "npm could not fetch $playwright"
fi
made=$(mktemp -d)
trap 'rm -rf "$made"' EXIT
NODE_PATH="$work/node_modules" node "$here/page_test.js" "$program" "$chromium" "$here/../.." "$made"
