#!/bin/sh
# sh samples/make.sh [RENDERER [FOLDER]]
# Draws the pictures again, each with the truth beside it. RENDERER is the program render_board of a build with tests;
# FOLDER is where they go (this one). samples/README.md says what each shows.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
renderer=${1:-$here/../.build-release/tests/render/render_board}
folder=${2:-$here}
[ -x "$renderer" ] || { echo "make.sh: $renderer is not there; run 'sh tests/run.sh' first, or name the renderer" >&2; exit 66; }

draw() { # name, seed, settings...
  name=$1
  seed=$2
  shift 2
  for setting in "$@"; do
    set -- "$@" --set "$setting"
    shift
  done
  "$renderer" --seed "$seed" --stem "$folder/$name" "$@"
}

# The yard's scanner: its two axes are off in scale, its carriage runs unevenly, and there is dust on the glass.
scanner="scale_error_x=0.0011 scale_error_y=-0.0017 wave_count=2 wave_um=14 wave_length_mm=74 sensor_um=12 noise=0.004
         light=0.03 margin_mm=4 dust=14"
# The yard's rule: 16 mm broad, with graduations that wander by two thousandths of a millimetre.
rule="graduation_error_um=2 rule_width_mm=16 rule_reflection=0.08"

draw sandpiper 352 $scanner $rule scale_length_mm=352 frets=14 nut_width_mm=34 end_width_mm=41 wood_level=0.62 \
  placement_sd_mm=0.02 squareness_sd_deg=0.04 skew_deg=0.4 rule_skew_deg=0.3 burr_sides=1 burr_height=0.3 waviness_um=2 \
  pencil_centre=1

draw kittiwake 381 $scanner $rule scale_length_mm=381 frets=14 nut_width_mm=35 end_width_mm=43 wood_level=0.5 \
  quarter_turns=3 carriage=x rule_side=left placement_sd_mm=0.02 squareness_sd_deg=0.04 skew_deg=-0.5 \
  rule_skew_deg=-0.35 burr_sides=1 burr_height=0.4 waviness_um=3 scratches=3 pencil_ticks=2 misplace=3:-0.3,9:+1.0 \
  missing=12

draw curlew 427 $scanner $rule scale_length_mm=427 frets=12 nut_width_mm=38 end_width_mm=46 wood_level=0.2 grain=0.04 \
  marks=slot slot_level=0.06 nut=end graduation=1/64in rule_reversed=1 placement_sd_mm=0.03 squareness_sd_deg=0.05 \
  skew_deg=0.7 rule_skew_deg=0.6

draw dunlin 404 $scanner $rule scale_length_mm=366 frets=14 nut_width_mm=34 end_width_mm=41 wood_level=0.35 grain=0.06 \
  placement_sd_mm=0.06 skew_deg=1.2 rule_skew_deg=0.2 noise=0.012 light=0.4 psf_px=3 contrast=-0.065 gap_fraction=0.3 \
  square_scratches=4 stains=3 rule_length_mm=165 cover_mm=60 cover_at_mm=70

draw godwit 350 $scanner $rule scale_length_mm=350 frets=13 nut_width_mm=40 end_width_mm=52 wood_level=0.55 fan_mm=24 \
  fan_square_fret=5 fan_nut_mm=33 fan_saddle_mm=53 before_nut_mm=9 after_last_mm=12 placement_sd_mm=0.02 \
  squareness_sd_deg=0.04 skew_deg=-0.6 rule_skew_deg=-0.5 rule_side=left burr_sides=1 burr_height=0.25 waviness_um=2 \
  askew=9:+0.75 jpeg=1 quality=90

# Fenn's telephone: a lens that bends lines, held in the hand under the workshop's window.
telephone="photo=1 jpeg=1 colour=1 psf_px=0.9 noise=0.012 stated_dpi=72 photo_states_focal=1 photo_focal_35mm=26
           photo_texture=0.02 light=0.12 photo_falloff=0.15 graduation_error_um=2"

draw dotterel 361 $telephone scale_length_mm=361 frets=13 nut_width_mm=35 end_width_mm=43 wood_level=0.55 background=0.25 \
  photo_width_px=3264 photo_height_px=2448 photo_roll_deg=188 photo_tilt_x_deg=3.5 photo_tilt_y_deg=-2.5 photo_k1=0.035 \
  photo_centre_x_px=14 photo_centre_y_px=-9 photo_shadows=1 photo_shadow=0.3 placement_sd_mm=0.02 squareness_sd_deg=0.05 \
  burr_sides=1 burr_height=0.25 misplace=7:+0.4 quality=88

draw turnstone 648 $telephone scale_length_mm=648 frets=19 nut_width_mm=45 end_width_mm=56 wood_level=0.2 background=0.6 \
  marks=slot slot_level=0.05 photo_width_px=4000 photo_height_px=3000 photo_roll_deg=-6 photo_fill=0.97 \
  photo_tilt_x_deg=-4 photo_tilt_y_deg=2 photo_k1=-0.045 photo_k2=0.012 photo_centre_x_px=-20 photo_centre_y_px=12 \
  placement_sd_mm=0.03 squareness_sd_deg=0.05 quality=85

# A guitar's board, longer than the glass, in three scans. Oda's rule of 600 mm was taped beside it and left there; board
# and rule lay the other way round for the second.
redshank="$scanner $rule scale_length_mm=648 frets=22 nut_width_mm=43 end_width_mm=56 wood_level=0.45 before_nut_mm=4
          after_last_mm=9 placement_sd_mm=0.02 squareness_sd_deg=0.04 misplace=17:+0.5 waviness_um=2 burr_sides=1
          burr_height=0.25 rule_length_mm=550 rule_start_mm=-30.3 dpi=400 jpeg=1 quality=90"
draw redshank-1 648 $redshank piece=1 piece_from_mm=-8 piece_to_mm=205 skew_deg=0.5 rule_skew_deg=0.4
draw redshank-2 648 $redshank piece=2 piece_from_mm=163 piece_to_mm=376 skew_deg=-0.8 rule_skew_deg=-0.9 quarter_turns=2
draw redshank-3 648 $redshank piece=3 piece_from_mm=268 piece_to_mm=481 skew_deg=0.2 rule_skew_deg=0.1
