# Debian packages, by use. Sourced by tools/demo.sh and tests/run.sh; installs only what is missing.
run_packages="build-essential cmake ninja-build pkg-config libopencv-core-dev libopencv-imgproc-dev
  libceres-dev libcfitsio-dev libtiff-dev libpng-dev libraw-dev libsqlite3-dev libre2-dev
  libjs-chart.js libcli11-dev nlohmann-json3-dev libexpected-dev libboost-dev gnuplot-nox fonts-dejavu-core"
test_packages="git libgtest-dev libgmock-dev libbenchmark-dev libsep-dev libcfitsio-bin gretl-data
  chromium python3 python3-astropy python3-jsonschema python3-numpy python3-pil libtiff-tools clang-format
  clang-tidy"

# Installs the packages named in the arguments that are not there yet.
install_missing() {
  missing=""
  for package in "$@"; do
    status=$(dpkg-query -W -f '${Status}' "$package" 2>/dev/null || true)
    [ "$status" = "install ok installed" ] || missing="$missing $package"
  done
  [ -z "$missing" ] && return 0
  echo "== installing:$missing"
  as_root=""
  [ "$(id -u)" = 0 ] || as_root=sudo
  export DEBIAN_FRONTEND=noninteractive
  $as_root apt-get update -qq
  # shellcheck disable=SC2086
  $as_root apt-get install -y -qq --no-install-recommends $missing >/dev/null
}
