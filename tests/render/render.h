/* render.h: pictures of fingerboards whose truth is known exactly.
 *
 * An independent judge of the library that measures: it shares no code with src/, computes fret places by itself, and
 * draws from physical millimetres on the scanner's glass. Every knife line, slot, rule stroke and edge is a
 * one-dimensional profile (box, step, straight pieces or exponential flank) convolved in closed form with a Gaussian blur and with the
 * pixel's own square, so the picture is right far below a pixel without supersampling. Wood and steel textures are
 * approximations.
 *
 * A photograph (photo=1) shows the same board, lying on a bench, through a pinhole with a distorting lens: every
 * profile is drawn with the affine map that the camera is near a pixel, exact but for the map's own curvature over the
 * blur.
 *
 * Frames
 *   glass:   X_mm to the right of the picture, Y_mm down; (0,0) is the centre of the top-left pixel. Column c lies at
 *            X = fx(c), row r at Y = fy(r): a pitch, a scale error and a few sine waves each. The two axes differ.
 *            In photographs: the plane of the board's face as seen from above, before tilt and roll; heights count
 *            from it toward the camera.
 *   board:   x_mm from the nut toward the bridge on the centre line (midway between the long edges), y_mm to the right
 *            when looking from the nut to the bridge at the face: in the picture, +x turned clockwise by 90 deg.
 *   rule:    t_mm along the rule from its zero graduation, in the direction its numbers grow.
 * Angles in the picture are positive from +X toward +Y, that is clockwise as seen.
 * quarter_turns: the direction from nut to bridge is +Y for 0, -X for 1, -Y for 2, +X for 3 (turned clockwise), then
 * skewed.
 *
 * Grey values are fractions of full scale, proportional to what the scanner stores. Contrast is signed and relative to
 * the board's wood_level: -0.3 takes 30 % of the wood's grey away at the bottom of the cut, before blurring.
 */
#ifndef SLOTPROOF_RENDER_H
#define SLOTPROOF_RENDER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum {
  RENDER_MAX_MARKS = 128,  /* frets, the nut included */
  RENDER_MAX_LIST = 32,    /* misplaced, missing, stray */
  RENDER_MAX_WAVES = 4,    /* sine waves of one axis */
  RENDER_MESSAGE = 256
};

typedef struct render_point {
  double x, y;
} render_point;

/* A fret with a number that belongs to it. */
typedef struct render_entry {
  int fret;
  double mm;
} render_entry;

typedef struct render_list {
  size_t count;
  render_entry entry[RENDER_MAX_LIST];
} render_list;

typedef enum render_mark_kind { RENDER_KNIFE, RENDER_SLOT, RENDER_WIRE } render_mark_kind;
typedef enum render_crown { RENDER_CROWN_ROUND, RENDER_CROWN_ELLIPSE } render_crown;
typedef enum render_nut_kind { RENDER_NUT_LINE, RENDER_NUT_END } render_nut_kind;
typedef enum render_burr_shape { RENDER_BURR_BOX, RENDER_BURR_FLANK } render_burr_shape;
typedef enum render_graduation {
  RENDER_NO_GRADUATION,
  RENDER_1_MM,
  RENDER_HALF_MM,
  RENDER_INCH_32,
  RENDER_INCH_64,
  RENDER_INCH_20,
  RENDER_INCH_50,
  RENDER_INCH_100
} render_graduation;
typedef enum render_difficulty {
  RENDER_PLAIN,
  RENDER_FULL,
  RENDER_FAINT,
  RENDER_BURR,
  RENDER_CHATTER,
  RENDER_SLOTS,
  RENDER_ORACLE,
  RENDER_PHOTO,
  RENDER_PHOTO_FULL,
  RENDER_PHOTO_SLOTS,
  RENDER_WIRES,
  RENDER_WIRES_FULL,
  RENDER_FINE,    /* 19, 24, 31 or 53 divisions */
  RENDER_PARTIAL, /* step lists with partial frets */
  RENDER_ZERO,    /* a zero fret with a nut line behind it */
  RENDER_SHIFTED, /* a compensated nut */
  RENDER_FAN,
  RENDER_FAN_FULL,
  RENDER_FAN_SLOTS,
  RENDER_FAN_PARTIAL,
  RENDER_FAN_ZERO,
  RENDER_FAN_SHIFTED,
  RENDER_FAN_WIRES,
  RENDER_WIRES_PARTIAL, /* frets over a quarter to two thirds of the width */
  RENDER_DIFFICULTIES
} render_difficulty;

/* Every parameter once: name, default, meaning. The struct, the defaults, --set and --list all come from this list.
 * REAL: double; INT: int; CHOICE: int out of the named values, counted from 0; LIST: render_list. */
#define RENDER_FIELDS(REAL, INT, CHOICE, LIST) \
  REAL(dpi, 600, "nominal resolution; the pitch of the pixels is 25.4 mm / dpi before the axes' scale errors") \
  REAL(stated_dpi, -1, "resolution written into the file: -1 the nominal one, 0 none") \
  INT(bits, 8, "bits a sample: 8 or 16 (PNG only)") \
  INT(colour, 0, "1: RGB with a tint of wood") \
  INT(quarter_turns, 0, "direction from nut to bridge: 0 is +Y (down), 1 -X, 2 -Y, 3 +X") \
  REAL(skew_deg, 0, "turn of the board out of that direction, clockwise positive") \
  REAL(margin_mm, 6, "free lid round board and rule") \
  REAL(sheet_width_mm, 0, "width of the picture; 0 fits it to its contents") \
  REAL(sheet_height_mm, 0, "height of the picture; 0 fits it to its contents") \
  REAL(scale_error_x, 0, "relative error of the pixel pitch along X") \
  REAL(scale_error_y, 0, "relative error of the pixel pitch along Y") \
  CHOICE(carriage, 1, "x|y", "the axis of the carriage's travel, which has the short waves") \
  INT(wave_count, 0, "number of sine waves in the travel, 0..3") \
  REAL(wave_um, 20, "amplitude of the first wave; the others are smaller") \
  REAL(wave_length_mm, 60, "length of the first wave; the others differ") \
  REAL(sensor_um, 0, "amplitude of the sensor axis's smooth distortion") \
  REAL(psf_px, 0.8, "standard deviation of the Gaussian blur, in pixels, the pixel's own square not included") \
  REAL(noise, 0.01, "standard deviation of the noise as a fraction of full scale, at full scale") \
  REAL(line_noise, 0, "standard deviation of noise common to one line of the sensor") \
  REAL(light, 0, "unevenness of the light, + and - this fraction") \
  REAL(background, 0.9, "grey of the lid") \
  REAL(scale_length_mm, 345, "nut to theoretical saddle") \
  REAL(fan_mm, 0, "bass scale length less treble scale length; scale_length_mm is their mean. 0: no fan") \
  REAL(fan_square_fret, 7, "the fret that is square to the centre line") \
  REAL(fan_nut_mm, 28, "between the outer strings at the nut") \
  REAL(fan_saddle_mm, 40, "between the outer strings at the saddle") \
  INT(left_handed, 0, "1: the bass is on the left, looking from the nut to the bridge at the face") \
  INT(frets, 12, "frets after the nut") \
  INT(divisions, 12, "equal divisions of the octave") \
  CHOICE(nut, 0, "line|end", "the nut is a line, or the squared end of the board") \
  REAL(nut_width_mm, 36, "width of the board at the nut") \
  REAL(end_width_mm, 44, "width of the board at its far end") \
  REAL(before_nut_mm, 6, "wood before the nut line (not with nut=end)") \
  REAL(after_last_mm, 12, "wood after the last fret's place") \
  REAL(wood_level, 0.6, "mean grey of the wood") \
  REAL(grain, 0.05, "relative standard deviation of the grain") \
  REAL(figure, 0.02, "relative amplitude of the figure's bands across the board") \
  REAL(figure_mm, 9, "period of the figure") \
  REAL(pores_per_mm2, 0.4, "pores a square millimetre") \
  REAL(pore_contrast, -0.25, "contrast of the pores") \
  REAL(edge_shadow, 0.3, "depth of the soft shadow on the lid along one long edge") \
  CHOICE(marks, 0, "knife|slot|wire", "knife lines, sawn slots, or frets") \
  REAL(line_width_mm, 0.1, "width of a knife line's cut") \
  REAL(contrast, -0.35, "contrast of the knife lines") \
  REAL(contrast_spread, 0.1, "relative spread of contrast and width from line to line") \
  REAL(depth_variation, 0.2, "relative variation of the contrast along a line") \
  REAL(gap_fraction, 0, "part of each line's length that is missing, in 1 to 3 pieces") \
  REAL(waviness_um, 0, "standard deviation of a line's waviness; mean and slope over its visible part are taken out") \
  REAL(coverage, 1, "least part of the board's breadth that a line spans, evenly drawn up to 1") \
  INT(burr_sides, 0, "raised burr on 0, 1 or 2 sides of the cut") \
  CHOICE(burr_shape, 0, "box|flank", "burr of constant height, or falling off exponentially away from the cut") \
  REAL(burr_width_mm, 0.1, "width of the burr, or the length over which it falls to 1/e") \
  REAL(burr_height, 0.5, "height of the burr as a fraction of the contrast's size; a burr is bright") \
  REAL(slot_width_mm, 0.58, "kerf of the slots") \
  REAL(slot_level, 0.08, "grey of the slots' floor") \
  REAL(slot_chips, 1, "chips a centimetre of slot wall") \
  REAL(slot_widening_mm, 0, "kerf at the slot's end of larger y less that at its end of smaller y") \
  REAL(slot_wander_um, 0, "standard deviation of the slot's middle line about straight; mean and slope are taken out") \
  REAL(placement_sd_mm, 0.05, "standard deviation of the frets' placement errors") \
  REAL(squareness_sd_deg, 0.05, "standard deviation of the lines' angles out of square") \
  LIST(misplace, "chosen placement errors: 7:+0.31,12:-0.4") \
  LIST(askew, "chosen angles out of square (of a fan: off the computed angle), degrees: 5:+0.6") \
  LIST(paler, "frets whose contrast is this part of the others': 7:0.1") \
  LIST(missing, "frets left out: 5,9") \
  LIST(stray, "lines that belong to no fret, by distance from the nut: 123.4,80") \
  CHOICE(graduation, 1, "none|1mm|0.5mm|1/32in|1/64in|1/20in|1/50in|1/100in", "the rule's edge beside the board; none: no rule") \
  CHOICE(far_graduation, 0, "none|1mm|0.5mm|1/32in|1/64in|1/20in|1/50in|1/100in", "graduation of the rule's other edge") \
  CHOICE(rule_side, 0, "right|left", "side of the board where the rule lies, looking from the nut to the bridge") \
  INT(rule_reversed, 0, "1: the rule's numbers grow toward the nut") \
  REAL(rule_skew_deg, 0, "turn of the rule out of the nominal direction, clockwise positive") \
  REAL(rule_gap_mm, 2, "least distance from the rule to the board") \
  REAL(rule_start_mm, -8, "where the rule's graduation begins, along the board from the nut") \
  REAL(rule_length_mm, 0, "length of the graduation; 0: to 8 mm beyond the board's end") \
  REAL(rule_width_mm, 20, "breadth of the rule") \
  REAL(rule_before_mm, 3, "steel before the first graduation (0: it lies at the end)") \
  REAL(rule_level, 0.72, "grey of the steel") \
  REAL(rule_brushed, 0.03, "relative standard deviation of the brushed texture") \
  REAL(rule_reflection, 0, "relative height of a broad reflection across the rule") \
  REAL(stroke_width_mm, 0.11, "width of the graduations") \
  REAL(stroke_level, 0.12, "grey of the graduations") \
  REAL(stroke_inset_mm, 0, "distance from the rule's edge to the strokes") \
  REAL(graduation_error_um, 0, "standard deviation of the graduations' own errors") \
  REAL(strokes_missing, 0, "part of the graduations that is gone") \
  REAL(strokes_faded, 0, "part of the graduations that is faded") \
  INT(stains, 0, "stains on the rule's graduated edge") \
  REAL(cover_mm, 0, "length of the rule covered by a piece of paper") \
  REAL(cover_at_mm, 0, "where that begins, from the rule's first graduation") \
  INT(rule_hole, 1, "1: a hole to hang the rule by, at its far end") \
  CHOICE(strip_side, 0, "none|right|left|both|line", "printed strip: side of the board; both; or two end to end, right") \
  INT(strip_piece, 1, "number of the piece, 1..29") \
  INT(strip_second_piece, 2, "number of the second piece") \
  INT(strip_reversed, 0, "1: its numbers grow toward the nut") \
  REAL(strip_start_mm, -8, "where the strip's graduations begin, along the board from the nut") \
  REAL(strip_gap_mm, 3, "least distance from strip to board") \
  REAL(strip_skew_deg, 0, "turn of the strip out of the nominal direction, clockwise positive") \
  REAL(strip_second_skew_deg, 0, "further turn of the second one") \
  REAL(strip_join_mm, 3, "between the last graduation of one and the first of the next, laid end to end") \
  REAL(strip_error_along, 0, "relative error of the printer along the strip") \
  REAL(strip_error_across, 0, "and across it") \
  REAL(strip_second_error, 0, "what the second one is longer by than the first, relative") \
  REAL(strip_ink, 0.1, "grey of the ink") \
  REAL(strip_paper, 0.93, "grey of the paper") \
  REAL(strip_spread_mm, 0.04, "what lines are printed too broad by") \
  REAL(strip_from_mm, 0, "the strip is cut off before this") \
  REAL(strip_to_mm, 254, "and beyond this") \
  REAL(strip_cover_mm, 0, "length of the strip that is covered") \
  REAL(strip_cover_at_mm, 0, "where that begins") \
  INT(scratches, 0, "scratches at odd angles on the board") \
  INT(square_scratches, 0, "short scratches nearly square to the board") \
  INT(pencil_centre, 0, "1: a pencil line along the board's centre") \
  INT(pencil_ticks, 0, "short pencil ticks beside lines") \
  INT(glue_spots, 0, "spots of glue") \
  INT(writing, 0, "pencilled characters on the board") \
  INT(dust, 0, "specks of dust anywhere") \
  REAL(chatter, 0, "relative amplitude of planing chatter across the whole board") \
  REAL(chatter_mm, 2, "period of the chatter") \
  INT(jpeg, 0, "1: --stem writes a JPEG, otherwise a PNG") \
  INT(quality, 92, "JPEG quality")                                                                                     \
  INT(photo, 0, "1: a photograph by a camera above the board; dpi, axes, sheet, margin and lid do not count then")     \
  INT(photo_width_px, 4000, "width of the upright photograph")                                                         \
  INT(photo_height_px, 3000, "height of the upright photograph")                                                       \
  REAL(photo_focal_35mm, 26, "focal length that gives the same field across the diagonal of 36 mm by 24 mm")           \
  REAL(photo_distance_mm, 0, "from the camera to the place it aims at; 0: so that board and rule fill the picture")    \
  REAL(photo_fill, 0.94, "share of the width or height that board and rule then take")                                 \
  REAL(photo_shift_x, 0, "board and rule off the picture's middle to the right, as a share of its width")              \
  REAL(photo_shift_y, 0, "the same downward, as a share of its height")                                                \
  REAL(photo_tilt_x_deg, 0, "tilt of the camera about the axis to the picture's right, before the roll")               \
  REAL(photo_tilt_y_deg, 0, "tilt about the axis down the picture, before the roll")                                   \
  REAL(photo_roll_deg, 0, "turn of the whole scene in the picture, clockwise positive")                                \
  REAL(photo_centre_x_px, 0, "principal point, off the picture's middle to the right")                                 \
  REAL(photo_centre_y_px, 0, "principal point, off the picture's middle downward")                                     \
  REAL(photo_k1, 0, "distortion: x (1 + k1 r^2 + k2 r^4) and so on, with r in focal lengths")                          \
  REAL(photo_k2, 0, "distortion, fourth power")                                                                        \
  REAL(photo_p1, 0, "distortion of a lens off its axis, along y")                                                      \
  REAL(photo_p2, 0, "distortion of a lens off its axis, along x")                                                      \
  REAL(photo_thickness_mm, 7, "height of the board's face above the bench")                                            \
  REAL(rule_height_mm, 0, "height of the rule's face above the board's, in photographs")                               \
  REAL(photo_rule_mm, 0.8, "thickness of the rule")                                                                    \
  REAL(photo_texture, 0.03, "relative standard deviation of the bench's texture")                                      \
  REAL(photo_cast, 0.4, "depth of the shadows that board and rule cast on the bench")                                  \
  INT(photo_exposed, 0, "1: exposed as a phone does, the brightest hundredth near white; 0: greys as stated") \
  REAL(photo_falloff, 0.1, "relative loss of light in the picture's corners")                                          \
  INT(photo_shadows, 0, "broad soft shadows; the first lies across board and rule")                                    \
  REAL(photo_shadow, 0.35, "relative depth of the deepest of them")                                                    \
  REAL(photo_penumbra_mm, 30, "breadth of their edges")                                                                \
  REAL(photo_sharpen, 0, "unsharp mask: what is added of the picture less the blurred picture")                        \
  REAL(photo_sharpen_px, 1.2, "standard deviation of that blur")                                                       \
  INT(photo_orientation, 0, "EXIF orientation the JPEG is stored with: 1, 3, 6 or 8; 0 states none")                   \
  INT(photo_states_focal, 0, "1: EXIF states photo_focal_35mm")

/* Layouts out of the ordinary: kept apart, because the truth of other boards does not list them. */
#define RENDER_LAYOUT_FIELDS(REAL, LIST) \
  REAL(nut_shift_mm, 0, "how much nearer to fret 1 the nut stands than the frets are computed from") \
  REAL(nut_behind_mm, 0, "another line this far behind the nut's: that is a zero fret then; 0: none") \
  LIST(steps, "instead of divisions: cents of each fret above the open string: 203.91,386.31") \
  LIST(partial, "frets over a part of the width, from smaller y, or from larger where negative: 6:0.4,9:-0.3")

/* The same for a fretted board (marks=wire): kept apart, because the truth of other boards does not list them. */
#define RENDER_WIRE_FIELDS(REAL, INT, CHOICE) \
  REAL(wire_width_mm, 2.2, "width of the frets, from foot to foot") \
  REAL(wire_spread_um, 4, "standard deviation of that width from fret to fret") \
  REAL(crown_mm, 1.05, "height of the crown above the board") \
  CHOICE(crown, 0, "round|ellipse", "section of the crown: an arc standing on short walls, or half an ellipse") \
  REAL(wire_level, 0.62, "grey of the metal where it faces the lamp") \
  REAL(wire_ambient, 0.25, "part of that grey which the metal has where no lamp reaches") \
  REAL(wire_gloss, 0.5, "height of the highlight, in grey") \
  REAL(wire_gloss_deg, 9, "half-width of the highlight, in degrees of slope of the metal") \
  REAL(wire_uneven, 0.04, "relative unevenness of the metal's grey, along a wire and from wire to wire") \
  REAL(lamp_deg, 35, "angle of the lamp against the vertical, along the carriage's axis; 0 lights both flanks alike") \
  REAL(shadow, 0.4, "depth of the shadow that a crown throws on the wood") \
  REAL(penumbra_mm, 0.25, "softness of that shadow's far edge") \
  REAL(joint_mm, 0.06, "breadth of the dark joint between wire and wood") \
  REAL(joint_depth, 0.5, "darkness of the joint; each side has between a fifth and all of it") \
  REAL(glow, 0.08, "brightening of the wood by light that a lit flank throws back") \
  REAL(flat_mm, 0, "breadth of the flat on top of levelled crowns") \
  REAL(flat_off_mm, 0, "how far that flat lies off the crown's middle, toward the bridge") \
  REAL(dents, 0, "0 to 1: how worn the first frets are under the strings") \
  REAL(foot_um, 4, "standard deviation of the wood's own unevenness along each foot") \
  REAL(dirt, 0, "part of the feet's length along which dirt lies") \
  REAL(dirt_depth, 0.5, "darkness of the dirt") \
  INT(foot_glue, 0, "blobs of glue at the feet") \
  REAL(overhang_mm, 0.1, "how far the wires reach beyond the board's edges; negative: they end within") \
  REAL(bevel_mm, 0.8, "length of the filed slope at the wires' ends") \
  REAL(binding_mm, 0, "breadth of a strip of another colour along both edges") \
  REAL(binding_level, 0.8, "its grey") \
  REAL(nut_piece_mm, 0, "breadth of the nut piece whose face toward the frets is the datum (nut=end); 0: none") \
  REAL(nut_piece_level, 0.8, "its grey") \
  REAL(nut_joint_mm, 0.05, "breadth of the dark joint between nut piece and board") \
  REAL(nut_gap_mm, 0, "wood between the nut line and the nut piece (nut=line)") \
  REAL(head_mm, 0, "the head's wood behind the nut piece") \
  REAL(head_level, 0.3, "its grey") \
  INT(strings, 0, "strings over the board") \
  REAL(string_mm, 0.3, "diameter of the thinnest; the thickest has four times that") \
  REAL(string_level, 0.7, "grey of the strings at their highlight") \
  REAL(string_shadow, 0.35, "depth of their shadow") \
  CHOICE(inlays, 0, "none|dot|block", "marks between the frets 3, 5, 7, 9 and 12") \
  REAL(inlay_mm, 6, "diameter of the dots; blocks fill half of the board's breadth") \
  REAL(inlay_level, 0.85, "their grey")

/* One of several scans of one board: the same board, wood and rule, on the glass anew. Written into the truth of pieces
 * only. */
#define RENDER_PIECE_FIELDS(REAL, INT) \
  INT(piece, 0, "0: the whole board in one scan; from 1: one of several, with travel, light, noise and dust of its own") \
  REAL(piece_from_mm, 0, "the glass begins here, along the board from the nut") \
  REAL(piece_to_mm, 250, "and ends here")

typedef struct render_params {
  uint64_t seed; /* everything random comes from here */
#define RENDER_REAL(name, value, meaning) double name;
#define RENDER_INT(name, value, meaning) int name;
#define RENDER_CHOICE(name, value, names, meaning) int name;
#define RENDER_LIST(name, meaning) render_list name;
  RENDER_FIELDS(RENDER_REAL, RENDER_INT, RENDER_CHOICE, RENDER_LIST)
  RENDER_WIRE_FIELDS(RENDER_REAL, RENDER_INT, RENDER_CHOICE)
  RENDER_LAYOUT_FIELDS(RENDER_REAL, RENDER_LIST)
  RENDER_PIECE_FIELDS(RENDER_REAL, RENDER_INT)
#undef RENDER_REAL
#undef RENDER_INT
#undef RENDER_CHOICE
#undef RENDER_LIST
} render_params;

/* Samples row by row from the top, channels interleaved; full_scale is 255 or 65535. Owns sample. */
typedef struct render_image {
  int32_t width_px, height_px;
  int channels; /* 1 or 3 */
  uint16_t full_scale;
  double stated_dpi; /* 0: none is written */
  int orientation;   /* EXIF's, in which a JPEG is stored; the samples here are upright. 0: none is written */
  int focal_35mm;    /* for EXIF; 0: none is written */
  uint16_t *sample;
} render_image;

/* One image axis: mm(i) = mm_per_px i + sum of amplitude (sin(2 pi i / period + phase) - sin(phase)). */
typedef struct render_axis {
  double mm_per_px;
  size_t waves;
  double amplitude_mm[RENDER_MAX_WAVES], period_px[RENDER_MAX_WAVES], phase_rad[RENDER_MAX_WAVES];
} render_axis;

/* One line across the board, drawn or left out. Its centre on the glass is straight:
 *   x(y) = x_mm + y tan(angle_deg).
 * The grey it adds at distance d (toward the bridge) from that straight line, before blurring, is wood_level times
 *   contrast * depth                             for |d| <= width/2,
 *   |contrast| * burr_height[s] * depth * shape  beyond, s = 0 on the nut's side and 1 on the bridge's,
 * where shape is 1 over burr_width (box) or exp(-(|d| - width/2) / burr_width) (flank), and depth is 1 outside gaps
 * unless depth_variation makes it wander about 1. A slot replaces the wood by slot_level between its walls, which
 * lie width/2 + widening/2 (y - middle of its extent) / extent to either side of its middle line.
 * lie width/2 + widening/2 (y - middle of its extent) / extent to either side of its middle line. A wire stands on the
 * wood between its two feet, x(y) - width/2 and x(y) + width/2: its place is the middle between the feet, which neither
 * the lamp nor a dressed or worn crown moves. */
/* Where a line, drawn on to the board's long edge, meets it; and where the computed line does at the same y. */
typedef struct render_edge {
  double x_mm, y_mm, layout_mm, error_mm;
  render_point at_px;
} render_edge;

typedef struct render_mark {
  int fret;         /* 0 is the nut; -1 a stray line */
  bool drawn;       /* false: left out, or (nut=end) the squared end of the board stands for it */
  bool is_end;      /* the squared end of the board */
  double x_mm, layout_mm, error_mm, squareness_deg;
  double angle_deg, layout_angle_deg; /* against square to the centre line: as drawn, as computed; squareness_deg is what
                                         one exceeds the other by */
  double width_mm, contrast;
  double from_y_mm, to_y_mm; /* extent across, clipped to the board */
  double coverage;           /* visible part of the board's breadth, gaps taken off */
  double burr_height[2], burr_width_mm;
  double waviness_um;        /* as drawn: standard deviation over the visible part */
  double widening_mm;        /* slots: kerf at to_y_mm less kerf at from_y_mm; width_mm is the mean */
  double wander_um, wander_worst_mm; /* slots: of the middle line about straight, + toward the bridge */
  render_point end_a_px, end_b_px, centre_px; /* a at smaller y */
  render_edge edge[2];                        /* at larger y (right, seen from the nut), at smaller y */
} render_mark;

typedef struct render_stroke {
  render_point edge_px; /* where its centre line meets the rule's edge */
  double t_mm;          /* nominal distance from the zero graduation */
  double error_mm;      /* of the graduation itself */
  double visible;       /* 0 missing or covered .. 1 */
} render_stroke;

typedef struct render_rule {
  bool drawn;
  double graduation_mm;
  double skew_deg;       /* turn of the rule out of the board's nominal direction, clockwise positive */
  double px_per_mm; /* mean between first and last, along the image axis on which the board lies; in photographs
                       along the rule */
  render_point first_px, last_px; /* first and last graduation, at the rule's edge beside the board */
  render_point corner_px[4];
  size_t stroke_count;
  render_stroke *stroke; /* of the edge beside the board */
} render_rule;

/* A printed strip: where its graduations' and tags' middles are. */
typedef struct render_strip {
  int piece;
  bool visible[201];
  render_point graduation_px[201], rail_px[201], tag_px[20]; /* rail: opposite each graduation on the far rail */
} render_strip;

enum { RENDER_NO_STRIP, RENDER_STRIP_RIGHT, RENDER_STRIP_LEFT, RENDER_STRIP_BOTH, RENDER_STRIP_LINE };

/* A pinhole with a distorting lens. A place (X, Y) on the board's face (the glass frame), height h above it, is seen at
 *   (a, b, c) = rotation (X - position[0], Y - position[1], -h - position[2]),  x = a / c, y = b / c, r^2 = x^2 + y^2,
 *   x' = x (1 + k1 r^2 + k2 r^4) + 2 p1 x y + p2 (r^2 + 2 x^2),
 *   y' = y (1 + k1 r^2 + k2 r^4) + p1 (r^2 + 2 y^2) + 2 p2 x y      (D. C. Brown, Photogrammetric Engineering 37,
 * 1971), px = centre_px + f_px (x', y'). The third axis points away from the camera, so position[2] is negative. */
typedef struct render_camera {
  bool on; /* false: a scan; nothing below counts */
  double f_px;
  render_point centre_px;
  double k1, k2, p1, p2;
  double rotation[3][3], position_mm[3];
  double tilt_x_deg, tilt_y_deg, roll_deg, distance_mm;
  double px_per_mm_along, px_per_mm_across; /* of the board's face at its middle, along and across the board */
} render_camera;

typedef struct render_truth {
  render_params params;
  int32_t width_px, height_px;
  render_axis axis[2]; /* X, Y; of scans only */
  render_camera camera;
  double psf_px;
  double direction_deg; /* of the board's +x on the glass, from +X toward +Y, before a photograph's roll */
  render_point nut_mm;  /* the nut datum on the centre line, on the glass */
  /* The board's corners: nut's end at smaller y, far end at smaller y, far end at larger y, nut's end at larger y. */
  render_point outline_px[4];
  size_t mark_count;
  render_mark mark[RENDER_MAX_MARKS]; /* fret 0 .. N */
  size_t stray_count;
  render_mark stray[RENDER_MAX_LIST];
  render_rule rule;
  size_t strip_count;
  render_strip strip[2];
} render_truth;

/* Defaults of the list above, seed 1. */
void render_params_init(render_params *params);
/* A board drawn at random within one difficulty's limits; the same seed always gives the same board. */
void render_params_random(render_params *params, uint64_t seed, render_difficulty difficulty);
/* "plain", "full", "faint", "burr", "chatter", "slot", "oracle", "photo", "photofull", "photoslot", "wire", "wirefull"; false
 * if it is none of them. */
bool render_difficulty_named(const char *name, render_difficulty *difficulty);
/* Sets one parameter from text "key=value". Returns false with a sentence in message (RENDER_MESSAGE characters). */
bool render_params_set(render_params *params, const char *assignment, char *message);
/* Prints keys, defaults and meanings. */
void render_params_list(void (*print)(void *context, const char *line), void *context);

/* Draws. Returns false with a sentence in message if the parameters make no picture or memory runs out; then nothing is
 * owned. Otherwise free both with render_image_free and render_truth_free. */
bool render_board(const render_params *params, render_image *image, render_truth *truth, char *message);
void render_image_free(render_image *image);
void render_truth_free(render_truth *truth);

/* Where a place is seen, and back (to 1e-9 px), in scans and photographs alike: `glass_mm` on the plane height_mm above
 * the board's face (0 in scans), `board_mm` in the board's frame on its face. */
render_point render_seen_px(const render_truth *truth, render_point glass_mm, double height_mm);
render_point render_unseen_mm(const render_truth *truth, render_point at_px, double height_mm);
render_point render_board_px(const render_truth *truth, render_point board_mm);
render_point render_board_mm(const render_truth *truth, render_point at_px);

/* The same for the axes of a scan. */
render_point render_glass_mm(const render_axis axis[2], render_point at_px);
render_point render_picture_px(const render_axis axis[2], render_point at_mm);

/* Writers; false with a sentence in message. JPEG takes 8 bits only; EXIF, and the turning it asks for, is JPEG's. */
bool render_write_png(const render_image *image, const char *path, char *message);
bool render_write_jpeg(const render_image *image, const char *path, int quality, char *message);
bool render_write_truth(const render_truth *truth, const char *path, char *message);

#endif
