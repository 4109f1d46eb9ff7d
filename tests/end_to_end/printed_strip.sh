#!/bin/sh
# sh printed_strip.sh PROGRAM CALIBRATION_FOLDER WORK_FOLDER
# The strips in calibration/ are what the program draws today, and another renderer (poppler) shows them at 1:1: a page
# drawn at 300 dots an inch has 300/25.4 = 11.8110 dots a millimetre. Exit status 77: poppler's pdftoppm is not there.
set -eu
program=$1
calibration=$2
work=$3
mkdir -p "$work"

for paper in a4 letter; do
  kept=$calibration/strip-$paper.pdf
  "$program" target --paper $paper --output "$work/strip-$paper.pdf"
  [ -s "$kept" ] || { echo "$kept is missing" >&2; exit 1; }
done
command -v pdftoppm >/dev/null || exit 77

for paper in a4 letter; do
  kept=$calibration/strip-$paper.pdf
  fresh=$work/strip-$paper.pdf
  # Other fonts make other letters, so where the bytes differ the first piece's graduations and rail decide.
  if ! cmp -s "$kept" "$fresh"; then
    pdftoppm -gray -r 300 -x 0 -y 825 -W 3500 -H 90 -singlefile "$kept" "$work/kept"
    pdftoppm -gray -r 300 -x 0 -y 825 -W 3500 -H 90 -singlefile "$fresh" "$work/fresh"
    cmp "$work/kept.pgm" "$work/fresh.pgm" || { echo "$kept is not what the program draws" >&2; exit 1; }
  fi
  pdftoppm -gray -png -r 300 -singlefile "$kept" "$work/page"
  scale=$("$program" reference --reference strip --reference-mpe 0mm --format json "$work/page.png" |
    sed -n 's/.*"px_per_mm":[[:space:]]*\([0-9.]*\).*/\1/p' | head -n 1)
  echo "$paper: $scale dots a millimetre"
  awk -v s="$scale" 'BEGIN { d = s - 300 / 25.4; exit !(s != "" && d < 0.0005 && d > -0.0005) }' ||
    { echo "wanted 11.8110" >&2; exit 1; }
done
