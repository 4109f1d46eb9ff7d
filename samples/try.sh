#!/bin/sh
# sh samples/try.sh
# On a fresh Debian 12: installs what is missing, builds the program into .build-try, checks a sample and says what to try
# next. Exit status 0 if the sample came out as it should: two frets out, one missing.
set -eu
cd "$(dirname "$0")/.."
. .cmake/packages.sh
need_packages $program_packages
build=.build-try
log=$build/try.log
mkdir -p "$build"
quietly() {
  "$@" >"$log" 2>&1 || { cat "$log" >&2; echo "try.sh: '$1' failed; the lines above say why" >&2; exit 70; }
}

echo "Building slotproof into $build (about a minute the first time)."
quietly cmake -G Ninja -C .cmake/presets/release.cmake -DSLOTPROOF_TESTS=OFF -S . -B "$build"
quietly cmake --build "$build"

picture=$build/kittiwake-checked.png
set -- check --scale-length 381mm --frets 14 --overlay "$picture" samples/kittiwake.png
echo
echo "\$ $build/slotproof $*"
echo
status=0
"$build/slotproof" "$@" || status=$?
if [ "$status" -ne 1 ] || [ ! -s "$picture" ]; then
  echo "try.sh: exit status $status; this board has two frets out of tolerance, so 1 was expected" >&2
  exit 70
fi
cat <<END

Exit status 1: frets are out. The picture with every mark drawn in is
  $picture

Three more to try (samples/README.md says what each shows):
  $build/slotproof check --scale-length 352mm --frets 14 samples/sandpiper.png
  $build/slotproof check --scale-length 427mm --frets 12 --marks slot samples/curlew.png
  $build/slotproof check --scale-length 366mm --frets 14 samples/dunlin.png
Only the scale of a picture, and a layout to mark out by:
  $build/slotproof reference samples/curlew.png
  $build/slotproof layout --scale-length 381mm --frets 14
Your own scan: lay a steel rule beside the board, along it, and scan at 600 dpi in grey; README.md says how.
END
