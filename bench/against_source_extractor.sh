#!/bin/sh
# Run time and memory of `starwaist measure` beside Source Extractor and beside reading the pixels
# alone, on made-up frames. Everything is timed interleaved in one run, each figure is the median of
# its repeats. Prints a table with the goal beside the value; asserts nothing.
#
# Usage: sh bench/against_source_extractor.sh [--quick] [--repeats N]
#   --quick: three repeats instead of seven (about 4 minutes)
# Frames: p26s3000 is 26 Mpix with 3000 stars, and so on; rings has 3000 rings of 20 px.
# STARWAIST_BUILD: build folder, build/release unless given. STARWAIST_PROGRAM: the program.
set -eu
cd "$(dirname "$0")/.."
. tools/packages.sh

repeats=7
run_frames=11
while [ $# -gt 0 ]; do
  case "$1" in
    --quick) repeats=3 ;;
    --repeats) repeats=$2; shift ;;
    *) echo "usage: sh bench/against_source_extractor.sh [--quick] [--repeats N]" >&2; exit 2 ;;
  esac
  shift
done

install_missing source-extractor libcfitsio-bin
build=${STARWAIST_BUILD:-build/release}
cmake --build "$build" -j2 --target starwaist_program speed_tools >/dev/null
program=${STARWAIST_PROGRAM:-$build/starwaist}
timed=$build/bench/run_timed
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
trap 'exit 130' INT TERM

echo "== making frames"
make_frame() {  # name width height stars [more]
  name=$1; width=$2; height=$3; stars=$4; shift 4
  "$build/bench/make_speed_frames" "$folder/$name.fits" --width-px "$width" --height-px "$height" \
    --stars "$stars" "$@"
  cat "$folder/$name.fits" >/dev/null
}
make_frame p26s3000 6248 4176 3000
make_frame p26s1000 6248 4176 1000
make_frame p26s9000 6248 4176 9000
make_frame p13s1500 4420 2952 1500
make_frame p61s6000 9576 6388 6000
make_frame rings 6248 4176 3000 --rings
make_frame tiny 64 64 0 --hot-pixels 0
fpack -S "$folder/p26s3000.fits" >"$folder/p26s3000.fits.fz"
megapixels_26=26.092
megapixels_13=13.048
megapixels_61=61.171

printf '%s\n' NUMBER X_IMAGE Y_IMAGE FLUX_AUTO FLUX_RADIUS FLAGS >"$folder/sex.param"
# Without its filter, and with room for every pixel above the threshold; the rest is as it comes.
cat >"$folder/sex.conf" <<CONF
PARAMETERS_NAME $folder/sex.param
CATALOG_TYPE    ASCII_HEAD
FILTER          N
DETECT_THRESH   5
ANALYSIS_THRESH 5
PHOT_FLUXFRAC   0.5
SATUR_LEVEL     65535
GAIN            1
MEMORY_PIXSTACK 3000000
WRITE_XML       N
VERBOSE_TYPE    QUIET
CONF

ours() {  # threads frame...
  threads=$1; shift
  "$timed" "$program" measure --quiet --threads "$threads" "$@" --json "$folder/out.json"
}
theirs() {  # frame
  "$timed" source-extractor "$1" -c "$folder/sex.conf" -CATALOG_NAME "$folder/$(basename "$1").cat"
}
keep() {  # key: appends "seconds bytes processor-seconds" from standard input
  cat >>"$folder/$1.times"
}
column_median() {  # key column
  sort -n -k "$2,$2" "$folder/$1.times" | awk -v c="$2" \
    '{v[NR] = $c} END {print NR % 2 ? v[(NR + 1) / 2] : (v[NR / 2] + v[NR / 2 + 1]) / 2}'
}
seconds() { column_median "$1" 1; }
bytes() { column_median "$1" 2; }
processor_seconds() { column_median "$1" 3; }

matched=no
if "$program" measure --help | grep -q -e '--matched'; then
  matched=yes
  # Through focus: 2.3 px in the middle, wider to both sides, the same stars and light.
  i=0
  while [ "$i" -lt "$run_frames" ]; do
    hfr=$(awk -v i="$i" -v n="$run_frames" 'BEGIN {u = (i - (n - 1) / 2) / ((n - 1) / 2) * 2
      printf "%.3f", 2.3 * sqrt(1 + u * u)}')
    mkdir -p "$folder/run"
    make_frame "run/f$(printf %02d "$i")" 6248 4176 3000 --hfr-px "$hfr" \
      --position-steps $((5000 + 40 * i)) --noise-seed $((i + 2))
    i=$((i + 1))
  done
fi

repeat=0
while [ "$repeat" -lt "$repeats" ]; do
  repeat=$((repeat + 1))
  echo "== repeat $repeat of $repeats"
  for frame in p26s3000 p61s6000 rings; do
    ours 1 "$folder/$frame.fits" | keep "ours1.$frame"
    theirs "$folder/$frame.fits" | keep "theirs.$frame"
    ours 2 "$folder/$frame.fits" | keep "ours2.$frame"
  done
  for frame in p26s1000 p26s9000 p13s1500; do
    ours 1 "$folder/$frame.fits" | keep "ours1.$frame"
  done
  for frame in p26s3000 p61s6000 p26s3000; do
    "$timed" "$build/bench/read_with_cfitsio" "$folder/$frame.fits" | keep "read.$frame"
    "$build/bench/read_with_cfitsio" "$folder/$frame.fits" | keep "inside.$frame"
  done
  ours 1 "$folder/p26s3000.fits.fz" | keep ours1.fz
  ours 2 "$folder/p26s3000.fits.fz" | keep ours2.fz
  ours 1 "$folder/tiny.fits" | keep tiny
  "$timed" "$program" --version | keep start
done
if [ "$matched" = yes ]; then
  run_repeats=$(((repeats + 2) / 3))
  repeat=0
  while [ "$repeat" -lt "$run_repeats" ]; do
    repeat=$((repeat + 1))
    echo "== run of $run_frames frames, repeat $repeat of $run_repeats"
    for frame in "$folder"/run/*.fits; do ours 1 "$frame"; done |
      awk '{s += $1} END {print s, 0}' | keep run.single
    ours 1 --matched "$folder/run" | keep run.matched1
    ours 2 --matched "$folder/run" | keep run.matched2
  done
fi

ratio() { awk -v a="$1" -v b="$2" 'BEGIN {printf "%.2f", a / b}'; }
line() {  # what, value, goal, at_least|at_most
  verdict=$(awk -v v="$2" -v g="$3" -v k="$4" \
    'BEGIN {print (k == "at_least" ? v >= g : v <= g) ? "reached" : "MISSED"}')
  sign=$([ "$4" = at_least ] && echo '>=' || echo '<=')
  printf '%-68s %9s   %2s %-5s %s\n' "$1" "$2" "$sign" "$3" "$verdict"
}
plain() { printf '%-68s %9s\n' "$1" "$2"; }
milliseconds() { awk -v s="$1" 'BEGIN {printf "%.0f", 1000 * s}'; }

echo
echo "Medians of $repeats repeats; $(nproc) cores; load $(cut -d' ' -f1-3 /proc/loadavg)"
echo
printf '%-68s %9s\n' "wall time" "ms"
for frame in p26s3000 p61s6000 rings; do
  plain "  source-extractor, $frame" "$(milliseconds "$(seconds "theirs.$frame")")"
  plain "  starwaist, 1 thread, $frame" "$(milliseconds "$(seconds "ours1.$frame")")"
  plain "  starwaist, 2 threads, $frame" "$(milliseconds "$(seconds "ours2.$frame")")"
done
for frame in p26s1000 p26s9000 p13s1500; do
  plain "  starwaist, 1 thread, $frame" "$(milliseconds "$(seconds "ours1.$frame")")"
done
plain "  starwaist, 1 thread, p26s3000 tile-compressed" "$(milliseconds "$(seconds ours1.fz)")"
plain "  starwaist, start-up (--version)" "$(milliseconds "$(seconds start)")"
plain "  CFITSIO alone, p26s3000, whole process" "$(milliseconds "$(seconds read.p26s3000)")"
plain "  CFITSIO alone, p26s3000, inside the process" "$(milliseconds "$(seconds inside.p26s3000)")"
plain "  CFITSIO alone, p61s6000, inside the process" "$(milliseconds "$(seconds inside.p61s6000)")"
plain "  objects source-extractor lists, p26s3000" "$(grep -vc '^#' "$folder/p26s3000.fits.cat")"
plain "  objects source-extractor lists, rings" "$(grep -vc '^#' "$folder/rings.fits.cat")"

echo
printf '%-68s %9s   %-8s\n' "ratio" "value" "goal"
line "(a) source-extractor / ours, 1 thread, 26 Mpix 3000 stars" \
  "$(ratio "$(seconds theirs.p26s3000)" "$(seconds ours1.p26s3000)")" 2.5 at_least
line "(a) source-extractor / ours, 2 threads" \
  "$(ratio "$(seconds theirs.p26s3000)" "$(seconds ours2.p26s3000)")" 4 at_least
plain "    the same by processor time (a busy machine blurs wall times)" \
  "$(ratio "$(processor_seconds theirs.p26s3000)" "$(processor_seconds ours1.p26s3000)")"
line "(b) ours, 1 thread / CFITSIO read, both inside a process" \
  "$(awk -v o="$(seconds ours1.p26s3000)" -v s="$(seconds start)" \
    -v r="$(seconds inside.p26s3000)" 'BEGIN {printf "%.2f", (o - s) / r}')" 3 at_most
line "(b) ours, 1 thread / CFITSIO read, whole processes" \
  "$(ratio "$(seconds ours1.p26s3000)" "$(seconds read.p26s3000)")" 3 at_most
line "(b) ours, 2 threads / CFITSIO read, whole processes" \
  "$(ratio "$(seconds ours2.p26s3000)" "$(seconds read.p26s3000)")" 3 at_most
# The same ratios within 20 %.
line "(c) source-extractor / ours, 1 thread, 61 Mpix 6000 stars" \
  "$(ratio "$(seconds theirs.p61s6000)" "$(seconds ours1.p61s6000)")" 2 at_least
line "(c) source-extractor / ours, 2 threads, 61 Mpix 6000 stars" \
  "$(ratio "$(seconds theirs.p61s6000)" "$(seconds ours2.p61s6000)")" 3.2 at_least
line "(c) source-extractor / ours, 1 thread, rings of 20 px" \
  "$(ratio "$(seconds theirs.rings)" "$(seconds ours1.rings)")" 2 at_least
line "(c) source-extractor / ours, 2 threads, rings of 20 px" \
  "$(ratio "$(seconds theirs.rings)" "$(seconds ours2.rings)")" 3.2 at_least

plain "    rings by processor time" \
  "$(ratio "$(processor_seconds theirs.rings)" "$(processor_seconds ours1.rings)")"

# One thread's growth by its processor time: small differences drown in the wall times of a busy
# machine.
nanoseconds_a_pixel() {  # key megapixels
  awk -v t="$(processor_seconds "$1")" -v s="$(processor_seconds start)" -v m="$2" \
    'BEGIN {printf "%.2f", (t - s) * 1000 / m}'
}
small=$(nanoseconds_a_pixel ours1.p13s1500 $megapixels_13)
middle=$(nanoseconds_a_pixel ours1.p26s3000 $megapixels_26)
large=$(nanoseconds_a_pixel ours1.p61s6000 $megapixels_61)
plain "(d) processor ns a pixel over start-up, 1 thread, 13 Mpix 1500 stars" "$small"
plain "(d)                                               26 Mpix 3000 stars" "$middle"
plain "(d)                                               61 Mpix 6000 stars" "$large"
line "(d) 61 against 13 Mpix, a pixel" "$(ratio "$large" "$small")" 1.1 at_most
microseconds_a_star() {  # key of more, key of fewer, difference in stars
  awk -v a="$(processor_seconds "$1")" -v b="$(processor_seconds "$2")" -v n="$3" \
    'BEGIN {printf "%.1f", (a - b) * 1e6 / n}'
}
few=$(microseconds_a_star ours1.p26s3000 ours1.p26s1000 2000)
many=$(microseconds_a_star ours1.p26s9000 ours1.p26s3000 6000)
plain "(d) processor us for one more star, 26 Mpix, from 1000 to 3000" "$few"
plain "(d)                                          from 3000 to 9000" "$many"
line "(d) the one against the other" "$(ratio "$many" "$few")" 1.1 at_most

bytes_a_pixel() {  # key megapixels
  awk -v b="$(bytes "$1")" -v s="$(bytes start)" -v m="$2" 'BEGIN {printf "%.2f", (b - s) / m / 1e6}'
}
line "(e) bytes a pixel over start-up, 26 Mpix, 1 thread" \
  "$(bytes_a_pixel ours1.p26s3000 $megapixels_26)" 3 at_most
line "(e)                              26 Mpix, 2 threads" \
  "$(bytes_a_pixel ours2.p26s3000 $megapixels_26)" 3 at_most
line "(e)                              61 Mpix, 1 thread" \
  "$(bytes_a_pixel ours1.p61s6000 $megapixels_61)" 3 at_most
line "(e)                              26 Mpix, 9000 stars, 1 thread" \
  "$(bytes_a_pixel ours1.p26s9000 $megapixels_26)" 3 at_most
line "(e)                              26 Mpix, rings, 1 thread" \
  "$(bytes_a_pixel ours1.rings $megapixels_26)" 3 at_most
line "(e)                              26 Mpix, rings, 2 threads" \
  "$(bytes_a_pixel ours2.rings $megapixels_26)" 3 at_most
line "(e)                              26 Mpix, tile-compressed, 1 thread" \
  "$(bytes_a_pixel ours1.fz $megapixels_26)" 3 at_most
line "(e)                              26 Mpix, tile-compressed, 2 threads" \
  "$(bytes_a_pixel ours2.fz $megapixels_26)" 3 at_most
plain "(e) source-extractor, its whole memory, bytes a pixel, 26 Mpix" \
  "$(awk -v b="$(bytes theirs.p26s3000)" -v m=$megapixels_26 'BEGIN {printf "%.2f", b / m / 1e6}')"
plain "(e) start-up (--version), MB" \
  "$(awk -v b="$(bytes start)" 'BEGIN {printf "%.1f", b / 1e6}')"
plain "(e) a frame of 64 x 64 px, MB" \
  "$(awk -v b="$(bytes tiny)" 'BEGIN {printf "%.1f", b / 1e6}')"

if [ "$matched" = yes ]; then
  line "(f) $run_frames frames --matched, 1 thread / sum of single frames" \
    "$(ratio "$(seconds run.matched1)" "$(seconds run.single)")" 1.5 at_most
  line "(f) $run_frames frames --matched, 2 threads / sum of single frames" \
    "$(ratio "$(seconds run.matched2)" "$(seconds run.single)")" 0.8 at_most
else
  echo "(f) skipped: this program's measure has no --matched"
fi
