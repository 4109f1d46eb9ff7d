#!/bin/sh
# figures.sh BUILD [PATTERN]   the README's table of accuracy, measured anew: a row for each kind of board, as it ends.
# BUILD is a build folder; rows whose name, seed and resolution match PATTERN (grep's) only. Half an hour on two cores.
set -eu
accuracy=$1/tests/accuracy/accuracy
pattern=${2:-.}
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT

# accuracy's own words to one row of the table
row() { # label, dpi
  awk -v label="$1" -v dpi="$2" '
    / boards \(/ {
      for (i = 1; i <= NF; i++) {
        if ($i == "boards") boards = $(i - 1)
        if ($i == "marks") marks = $(i - 1)
        if ($i ~ /^missed/) missed = $(i - 1)
        if ($i ~ /^wrong/) wrong = $(i - 1)
      }
    }
    /^  error rms/ { rms = $3; worst = $6; hold = $13; half = $17; sub(/,/, "", half) }
    END {
      if (!boards)
        exit 1
      printf "| %s | %s | %d | %d | %d | %d | %.1f | %.1f | %.0f | %.1f |\n", label, dpi, boards, marks, missed, wrong,
        rms, worst, hold, half
    }'
}

while IFS='|' read -r name seed count dpi label; do
  case $name in '' | '#'*) continue ;; esac
  echo "$name $seed $dpi" | grep -q "$pattern" || continue
  "$accuracy" "$name" "$seed" "$count" "$dpi" "$folder" | row "$label" "$dpi"
  rm -f "$folder"/*
done <<'ROWS'
plain|50001|12|600|clean knife lines (`plain`)
full|50001|30|600|worn and cluttered, all at once (`full`)
faint|50001|12|600|faint lines, 5 to 8 % contrast (`faint`)
burr|50001|12|600|lines with raised burr (`burr`)
chatter|50001|12|600|planing marks, one fret missing, one stray line (`chatter`)
slot|50001|12|600|sawn slots (`slot`)
fan|50001|10|600|fanned knife lines, 3 to 15 degrees (`fan`)
fanfull|50001|10|600|fanned knife lines, worn and cluttered (`fanfull`)
fanpartial|3001|8|600|fans with partial frets (`fanpartial`)
fanzero|3001|8|600|fans with a zero fret (`fanzero`)
fanshifted|3001|8|600|fans with a compensated nut (`fanshifted`)
wire|81001|6|600|frets, as new (`wire`)
wirefull|81001|6|600|frets of a played neck: strings, dirt, wear, inlays (`wirefull`)
wirefull|82001|8|600|frets of other played necks (`wirefull`, first seed 82001)
fanwire|5001|8|600|fanned frets of wire, as new (`fanwire`)
wirepartial|6001|8|600|partial frets of wire, a quarter to two thirds of the width (`wirepartial`)
fine|70001|8|600|19, 24, 31 or 53 divisions, up to 107 frets (`fine`)
partial|70001|8|600|just steps with partial frets, a quarter to two thirds of the width (`partial`)
zero|70001|8|600|a zero fret, the nut's line behind it (`zero`)
shifted|70001|8|600|a compensated nut (`shifted`)
plain|50001|10|300|clean knife lines (`plain`)
full|50001|20|300|worn and cluttered, all at once (`full`)
burr|50001|8|300|lines with raised burr (`burr`)
slot|50001|6|300|sawn slots (`slot`)
wire|81001|6|300|frets, as new (`wire`)
wirefull|81001|6|300|frets of a played neck (`wirefull`)
photo|74001|6|600|photographs: clean knife lines (`photo`, 7 to 18 px a mm)
photofull|73001|8|600|photographs: everything at once (`photofull`, 6 to 16 px a mm)
photofull|75001|12|600|photographs: others of everything at once (`photofull`, first seed 75001)
photoslot|74001|6|600|photographs: sawn slots (`photoslot`)
photo+strip|74001|4|600|photographs: clean knife lines, printed strip for the rule (`photo+strip`)
plain+strip|50001|12|600|clean knife lines, printed strip for the rule (`plain+strip`)
plain+strip|50001|10|300|the same
full+strip|50001|12|600|worn and cluttered, printed strip for the rule (`full+strip`)
full+still|90001|10|600|a guitar in two or three scans, the rule left beside it (`full+still`)
full+moved|90001|10|600|the same, the rule laid anew (`full+moved`)
fanfull+still|2001|8|600|fanned boards in two or three scans (`fanfull+still`)
ROWS
