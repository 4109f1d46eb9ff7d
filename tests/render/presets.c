/* presets.c: boards drawn at random, each kind within its own limits.
 *
 * Sizes are those of small instruments (ukuleles, mandolins: common practice, no source), because a board must fit the
 * glass of an A4 scanner: at most 290 mm of it. */
#include <math.h>
#include <string.h>

#include "random.h"
#include "render.h"

enum { STREAM_OF_PRESETS = 900 };

bool render_difficulty_named(const char *name, render_difficulty *difficulty)
{
  static const char *const names[RENDER_DIFFICULTIES] = {"plain", "full",   "faint", "burr",      "chatter",
                                                         "slot",  "oracle", "photo", "photofull", "photoslot",
                                                         "wire",  "wirefull", "fine", "partial",   "zero",
                                                         "shifted", "fan", "fanfull", "fanslot",
                                                         "fanpartial", "fanzero", "fanshifted", "fanwire",
                                                         "wirepartial"};
  for (int i = 0; i < RENDER_DIFFICULTIES; i++) {
    if (strcmp(name, names[i]) == 0) {
      *difficulty = (render_difficulty)i;
      return true;
    }
  }
  return false;
}

static double fret_mm(const render_params *params, int fret)
{
  if (params->steps.count > 0) {
    return params->scale_length_mm * (1.0 - pow(2.0, -params->steps.entry[fret - 1].mm / 1200.0));
  }
  return params->scale_length_mm * (1.0 - pow(2.0, -(double)fret / (double)params->divisions));
}

static void draw_lots_for_board(render_params *params, random_source *source)
{
  static const double range_mm[4][4] = {{330, 350, 34, 37},
                                        {375, 385, 35, 38},
                                        {425, 440, 35, 40},
                                        {350, 355, 35, 38}}; /* scale from, to; nut from, to */
  const double *kind = range_mm[random_below(source, 4)];
  params->scale_length_mm = floor(random_between(source, kind[0], kind[1]) * 2.0) / 2.0;
  params->nut_width_mm = random_between(source, kind[2], kind[3]);
  params->before_nut_mm = random_between(source, 2.0, 15.0);
  params->after_last_mm = random_between(source, 5.0, 25.0);
  params->frets = 10 + random_below(source, 7);
  while (params->frets > 8 && fret_mm(params, params->frets) + params->before_nut_mm + params->after_last_mm > 285.0) {
    params->frets--;
  }
  params->end_width_mm = params->nut_width_mm + (random_chance(source, 0.2) ? 0.0 : random_between(source, 5.0, 12.0));
  params->nut = random_chance(source, 0.3) ? RENDER_NUT_END : RENDER_NUT_LINE;
  params->squareness_sd_deg = random_between(source, 0.0, 0.15);
  params->placement_sd_mm = random_between(source, 0.0, 0.15);
}

static void draw_lots_for_scanner(render_params *params, random_source *source)
{
  params->quarter_turns = random_below(source, 4);
  params->carriage = random_below(source, 2);
  double common = random_between(source, -1.35, 1.35);
  params->skew_deg = common + random_between(source, -0.25, 0.25);
  params->rule_skew_deg = common + random_between(source, -0.25, 0.25);
  params->scale_error_x = random_between(source, -0.005, 0.005);
  params->scale_error_y = random_between(source, -0.005, 0.005);
  params->wave_count = 1 + random_below(source, 3);
  params->wave_um = random_between(source, 10.0, 30.0);
  params->wave_length_mm = random_between(source, 30.0, 120.0);
  params->sensor_um = random_between(source, 5.0, 40.0);
  params->psf_px = random_between(source, 0.5, 1.3);
  params->margin_mm = random_between(source, 3.0, 14.0);
}

static void draw_lots_for_rule(render_params *params, random_source *source)
{
  static const int kinds[6] = {RENDER_1_MM,    RENDER_1_MM,    RENDER_HALF_MM,
                               RENDER_HALF_MM, RENDER_INCH_32, RENDER_INCH_64};
  params->graduation = kinds[random_below(source, 6)];
  params->far_graduation = random_chance(source, 0.5) ? kinds[random_below(source, 6)] : RENDER_NO_GRADUATION;
  bool both = params->far_graduation != RENDER_NO_GRADUATION;
  params->rule_width_mm = random_between(source, both ? 23.0 : 13.0, 30.0);
  params->rule_side = random_below(source, 2);
  params->rule_reversed = random_below(source, 2);
  params->rule_gap_mm = random_between(source, 0.0, 8.0);
  params->rule_before_mm = random_chance(source, 0.2) ? 0.0 : random_between(source, 2.0, 8.0);
  params->rule_level = random_between(source, 0.55, 0.88);
  params->rule_brushed = random_between(source, 0.01, 0.05);
  params->rule_reflection = random_chance(source, 0.5) ? random_between(source, 0.0, 0.25) : 0.0;
  params->stroke_width_mm = random_between(source, 0.08, 0.15);
  params->stroke_level = random_between(source, 0.05, 0.2);
  params->stroke_inset_mm = random_chance(source, 0.5) ? 0.3 : 0.0;
  params->rule_hole = random_chance(source, 0.7);
  double board = fret_mm(params, params->frets) + params->after_last_mm;
  params->rule_start_mm = -random_between(source, 4.0, 18.0);
  params->rule_length_mm = board - params->rule_start_mm + random_between(source, -2.0, 8.0);
}

/* Wood, lid and lines that can be told apart. */
static void draw_lots_for_wood(render_params *params, random_source *source)
{
  int kind = random_below(source, 3);
  params->wood_level = kind == 0 ? random_between(source, 0.14, 0.28)
                                 : (kind == 1 ? random_between(source, 0.3, 0.55) : random_between(source, 0.6, 0.85));
  static const double lids[3] = {0.95, 0.5, 0.05};
  do {
    params->background = lids[random_below(source, 3)];
  } while (fabs(params->background - params->wood_level) < 0.09);
  params->grain = random_between(source, 0.015, 0.06);
  params->figure = random_between(source, 0.0, 0.04);
  params->figure_mm = random_between(source, 5.0, 15.0);
  params->pores_per_mm2 = random_between(source, 0.0, 0.8);
  params->pore_contrast = -random_between(source, 0.1, 0.3);
  params->line_width_mm = random_between(source, 0.06, 0.18);
  params->contrast = random_between(source, 0.2, 0.5);
  /* a scan is exposed so that nothing on the board is white: no bright lines on the lightest woods */
  bool bright = random_chance(source, kind == 0 ? 0.6 : 0.2) && params->wood_level < 0.75;
  if (bright) {
    params->contrast = fmin(params->contrast, 0.92 / params->wood_level - 1.0);
  }
  params->contrast = bright ? params->contrast : -params->contrast;
  params->noise = random_between(source, 0.005, 0.012);
  params->light = random_between(source, 0.0, 0.05);
  params->edge_shadow = random_between(source, 0.0, 0.45);
}

static void make_full(render_params *params, random_source *source)
{
  params->burr_sides = random_chance(source, 0.5) ? 1 : (random_chance(source, 0.3) ? 2 : 0);
  params->burr_shape = random_below(source, 2);
  params->burr_height = random_between(source, 0.2, 0.7);
  params->burr_width_mm = random_between(source, 0.05, 0.12);
  params->depth_variation = random_between(source, 0.1, 0.3);
  params->gap_fraction = random_chance(source, 0.5) ? random_between(source, 0.05, 0.33) : 0.0;
  params->waviness_um = random_between(source, 0.0, 6.0);
  params->coverage = random_between(source, 0.85, 1.0);
  params->noise = random_between(source, 0.005, 0.02);
  params->line_noise = random_chance(source, 0.3) ? random_between(source, 0.001, 0.004) : 0.0;
  params->light = random_between(source, 0.02, 0.1);
  params->scratches = random_below(source, 12);
  params->square_scratches = random_below(source, 5);
  params->pencil_centre = random_chance(source, 0.5);
  params->pencil_ticks = random_below(source, 5);
  params->glue_spots = random_below(source, 5);
  params->writing = random_below(source, 3);
  params->dust = random_below(source, 40);
  params->chatter = random_chance(source, 0.3) ? random_between(source, 0.02, 0.05) : 0.0;
  params->chatter_mm = random_between(source, 1.0, 4.0);
}

/* The rule of a full picture is used: worn, stained, partly covered, sometimes short. */
static void wear_rule(render_params *params, random_source *source)
{
  params->graduation_error_um = random_between(source, 0.0, 5.0);
  params->strokes_missing = random_between(source, 0.0, 0.02);
  params->strokes_faded = random_between(source, 0.0, 0.05);
  params->stains = random_below(source, 4);
  if (random_chance(source, 0.25)) {
    params->rule_length_mm *= random_between(source, 0.85, 0.97);
  }
  if (random_chance(source, 0.35)) {
    params->cover_mm = random_between(source, 10.0, 60.0);
    params->cover_at_mm = random_between(source, 0.1, 0.7) * params->rule_length_mm;
  }
  params->dpi = random_chance(source, 0.2) ? 300.0 : 600.0;
  params->stated_dpi = random_chance(source, 0.7) ? -1.0 : (random_chance(source, 0.5) ? 0.0 : 72.0);
  params->jpeg = random_chance(source, 0.25);
  params->quality = 85 + random_below(source, 12);
  params->colour = random_chance(source, 0.3);
}

static void make_chatter(render_params *params, random_source *source)
{
  params->chatter = random_between(source, 0.02, 0.06);
  params->chatter_mm = random_between(source, 1.0, 4.0);
  params->missing.count = 1;
  params->missing.entry[0].fret = 1 + random_below(source, params->frets - 1);
  int beside = 1 + random_below(source, params->frets - 2);
  double between = random_between(source, 0.3, 0.7);
  params->stray.count = 1;
  params->stray.entry[0].mm = (1.0 - between) * fret_mm(params, beside) + between * fret_mm(params, beside + 1);
}

/* Even wood, even light, even lines: only blur and noise stand between the picture and the bound. */
static void make_oracle(render_params *params)
{
  params->grain = params->figure = params->pores_per_mm2 = 0.0;
  params->depth_variation = params->contrast_spread = params->waviness_um = params->light = 0.0;
  params->coverage = 1.0;
  params->wave_count = 0;
  params->sensor_um = 0.0;
  params->wood_level = 0.6;
  params->background = 0.95;
  params->contrast = -fabs(params->contrast);
  params->nut = RENDER_NUT_LINE;
}

static void make_faint(render_params *params, random_source *source)
{
  params->contrast = (params->contrast > 0.0 ? 1.0 : -1.0) * random_between(source, 0.055, 0.082);
  params->contrast_spread = 0.03;
  params->gap_fraction = 0.33;
  params->wood_level = random_between(source, 0.4, 0.85);
  params->background = 0.95;
  params->grain = random_between(source, 0.01, 0.03);
  params->figure = random_between(source, 0.0, 0.01);
  params->pores_per_mm2 = random_between(source, 0.0, 0.2);
}

/* Frets and what is about them. Widths of fret wire, heights of crowns: common practice, no source. */
static void make_wires(render_params *params, random_source *source)
{
  params->marks = RENDER_WIRE;
  params->wire_width_mm = random_between(source, 1.5, 2.9);
  params->crown_mm = random_between(source, 0.7, 1.3);
  params->crown = random_below(source, 2);
  params->wire_level = random_between(source, 0.4, 0.75);
  params->wire_ambient = random_between(source, 0.15, 0.4);
  params->wire_gloss = random_between(source, 0.1, 0.6);
  params->wire_gloss_deg = random_between(source, 5.0, 14.0);
  params->lamp_deg = random_between(source, 15.0, 50.0) * (random_chance(source, 0.5) ? 1.0 : -1.0);
  params->shadow = random_between(source, 0.15, 0.6);
  params->penumbra_mm = random_between(source, 0.15, 0.5);
  params->joint_mm = random_between(source, 0.03, 0.1);
  params->joint_depth = random_between(source, 0.1, 0.8);
  params->glow = random_between(source, 0.0, 0.15);
  params->foot_um = random_between(source, 2.0, 8.0);
  params->overhang_mm = random_between(source, 0.0, 0.25);
  params->waviness_um = random_between(source, 0.0, 8.0);
  params->placement_sd_mm = random_between(source, 0.02, 0.15);
  if (params->nut == RENDER_NUT_LINE) {
    params->before_nut_mm = random_between(source, 4.0, 15.0);
  } else if (random_chance(source, 0.8)) {
    params->nut_piece_mm = random_between(source, 3.0, 6.0);
    params->nut_piece_level = random_between(source, 0.6, 0.9);
    params->nut_joint_mm = random_between(source, 0.02, 0.12);
    params->head_mm = random_chance(source, 0.5) ? random_between(source, 4.0, 12.0) : 0.0;
    params->head_level = random_between(source, 0.1, 0.6);
  }
}

/* The neck of an instrument that has been played. */
static void make_wires_full(render_params *params, random_source *source)
{
  bool old = random_chance(source, 0.3);
  params->wire_level *= old ? 0.5 : 1.0;
  params->wire_gloss *= old ? 0.3 : 1.0;
  params->strings = random_chance(source, 0.6) ? 4 + 2 * random_below(source, 2) : 0;
  params->string_mm = random_between(source, 0.25, 0.4);
  params->string_level = random_between(source, 0.5, 0.85);
  params->dents = random_between(source, 0.0, 1.0);
  params->flat_mm = random_chance(source, 0.4) ? random_between(source, 0.3, 1.2) : 0.0;
  params->flat_off_mm = random_between(source, -0.2, 0.2);
  params->dirt = random_between(source, 0.0, 0.5);
  params->dirt_depth = random_between(source, 0.2, 0.6);
  params->foot_glue = random_below(source, 4);
  params->binding_mm = random_chance(source, 0.4) ? random_between(source, 1.2, 2.2) : 0.0;
  params->binding_level = random_between(source, 0.4, 0.9);
  params->overhang_mm = params->binding_mm > 0.0 ? -params->binding_mm * random_between(source, 0.0, 1.0) : 0.1;
  params->inlays = random_below(source, 3);
  params->inlay_mm = random_between(source, 3.0, 6.5);
  params->inlay_level = random_chance(source, 0.7) ? random_between(source, 0.6, 0.9) : 0.15;
  if (params->nut == RENDER_NUT_LINE && random_chance(source, 0.6)) {
    params->nut_gap_mm = random_between(source, 2.0, 6.0);
    params->nut_piece_mm = random_between(source, 3.0, 5.0);
  }
  params->scratches = random_below(source, 8);
  params->glue_spots = random_below(source, 3);
  params->dust = random_below(source, 40);
  params->noise = random_between(source, 0.005, 0.02);
  params->line_noise = random_chance(source, 0.3) ? random_between(source, 0.001, 0.004) : 0.0;
  params->light = random_between(source, 0.02, 0.1);
}

static void shorten_to_glass(render_params *params)
{
  double before = params->nut_piece_mm + params->head_mm + (params->nut == RENDER_NUT_LINE ? 12.0 : 0.0);
  while (params->frets > 8 && fret_mm(params, params->frets) + before + params->after_last_mm > 275.0) {
    params->frets--;
  }
}

/* ---- photographs ---- */

/* Boards of small instruments and of guitars (common practice, no source); a photograph has room for either. */
static void draw_lots_for_long_board(render_params *params, random_source *source)
{
  if (random_chance(source, 0.6)) {
    return;
  }
  params->scale_length_mm = floor(random_between(source, 600.0, 660.0) * 2.0) / 2.0;
  params->frets = 15 + random_below(source, 8);
  params->nut_width_mm = random_between(source, 42.0, 52.0);
  params->end_width_mm = params->nut_width_mm + random_between(source, 8.0, 14.0);
}

/* A phone held above the bench: lying or upright, sometimes anyhow. */
static void draw_lots_for_camera(render_params *params, random_source *source)
{
  params->photo = 1;
  params->photo_exposed = 1;
  params->photo_focal_35mm = random_chance(source, 0.5) ? 26.0 : floor(random_between(source, 24.0, 36.0));
  int quarter = random_below(source, 4);
  params->photo_roll_deg = random_chance(source, 0.8) ? 90.0 * quarter + random_between(source, -6.0, 6.0)
                                                      : random_between(source, 0.0, 360.0);
  bool upright = fabs(cos(params->photo_roll_deg * 3.14159265358979324 / 180.0)) > 0.7071;
  params->photo_width_px = upright ? 3000 : 4000;
  params->photo_height_px = upright ? 4000 : 3000;
  params->photo_tilt_x_deg = random_between(source, -3.0, 3.0);
  params->photo_tilt_y_deg = random_between(source, -3.0, 3.0);
  params->photo_centre_x_px = random_between(source, -30.0, 30.0);
  params->photo_centre_y_px = random_between(source, -30.0, 30.0);
  params->photo_k1 = random_between(source, -0.03, 0.03);
  params->photo_fill = random_between(source, 0.88, 0.96);
  params->skew_deg = 0.0;
  params->rule_skew_deg = random_between(source, -0.3, 0.3);
  params->quarter_turns = 0;
  params->photo_thickness_mm = random_between(source, 5.0, 9.0);
  static const double benches[3] = {0.9, 0.45, 0.12};
  do {
    params->background = benches[random_below(source, 3)] * random_between(source, 0.85, 1.08);
  } while (fabs(params->background - params->wood_level) < 0.09);
  params->photo_texture = random_between(source, 0.003, 0.03);
  params->photo_cast = random_between(source, 0.1, 0.6);
  params->photo_falloff = random_between(source, 0.0, 0.15);
  params->light = random_between(source, 0.0, 0.1);
  params->psf_px = random_between(source, 0.6, 1.1);
  params->stroke_width_mm = random_between(source, 0.1, 0.18);
  params->jpeg = 1;
  params->quality = 90 + random_below(source, 6);
  params->stated_dpi = random_chance(source, 0.5) ? 72.0 : 0.0;
  params->photo_states_focal = random_chance(source, 0.7);
  params->photo_orientation = random_chance(source, 0.5) ? 1 : 0;
}

/* Everything that phones and benches do. */
static void make_photo_full(render_params *params, random_source *source)
{
  static const int stored[4] = {1, 3, 6, 8};
  make_full(params, source);
  wear_rule(params, source);
  params->jpeg = 1;
  params->quality = 85 + random_below(source, 11);
  params->colour = random_chance(source, 0.7);
  params->stated_dpi = random_chance(source, 0.5) ? 72.0 : 0.0;
  params->photo_orientation = random_chance(source, 0.3) ? 0 : stored[random_below(source, 4)];
  params->photo_tilt_x_deg = random_between(source, -6.0, 6.0);
  params->photo_tilt_y_deg = random_between(source, -6.0, 6.0);
  params->photo_k1 = random_between(source, -0.06, 0.06);
  params->photo_k2 = random_chance(source, 0.5) ? random_between(source, -0.02, 0.02) : 0.0;
  params->photo_p1 = random_chance(source, 0.3) ? random_between(source, -0.0006, 0.0006) : 0.0;
  params->photo_p2 = random_chance(source, 0.3) ? random_between(source, -0.0006, 0.0006) : 0.0;
  params->photo_fill = random_between(source, 0.8, 0.95);
  double spare = 0.5 * (0.97 - params->photo_fill);
  params->photo_shift_x = random_between(source, -spare, spare);
  params->photo_shift_y = random_between(source, -spare, spare);
  params->rule_height_mm = 0.0; /* flush; the other is a test of its own */
  params->light = random_between(source, 0.0, 0.25);
  params->photo_falloff = random_between(source, 0.0, 0.3);
  params->photo_shadows = random_below(source, 4);
  params->photo_shadow = random_between(source, 0.1, 0.5);
  params->photo_penumbra_mm = random_between(source, 8.0, 60.0);
  params->photo_sharpen = random_chance(source, 0.6) ? random_between(source, 0.2, 0.9) : 0.0;
  params->photo_sharpen_px = random_between(source, 0.8, 1.6);
  params->psf_px = random_between(source, 0.6, 1.4);
  double size = random_chance(source, 0.5) ? 1.0 : (random_chance(source, 0.5) ? sqrt(8.0 / 12.0) : sqrt(24.0 / 12.0));
  params->photo_width_px = (int)(size * params->photo_width_px);
  params->photo_height_px = (int)(size * params->photo_height_px);
}

/* The phone's camera and the rule's reach are drawn before what else makes the picture hard. */
static void make_photo(render_params *params, random_source *source, render_difficulty difficulty)
{
  double board;
  draw_lots_for_long_board(params, source);
  board = fret_mm(params, params->frets) + params->after_last_mm;
  params->rule_length_mm = board - params->rule_start_mm + random_between(source, -2.0, 8.0);
  params->rule_gap_mm = random_between(source, 0.5, 6.0);
  draw_lots_for_camera(params, source);
  if (difficulty == RENDER_PHOTO_FULL) {
    make_photo_full(params, source);
  }
}

static void make_slots(render_params *params, random_source *source)
{
  params->marks = RENDER_SLOT;
  params->slot_width_mm = random_between(source, 0.5, 0.7);
  params->slot_level = random_between(source, 0.2, 0.45) * params->wood_level;
  params->slot_chips = random_between(source, 0.0, 2.0);
}

/* Part of the string that is cut off at the fret that is square. */
static double fan_square_share(const render_params *params)
{
  return params->fan_square_fret > 0.0 ? fret_mm(params, (int)params->fan_square_fret) / params->scale_length_mm : 0.0;
}

/* Any fret square, and as far apart in scale length as makes the most leaning line lean by 3 to 15 degrees. The outer
 * strings run 3 to 4 mm inside the board's edges. */
static void make_fan(render_params *params, random_source *source)
{
  params->nut = RENDER_NUT_LINE;
  params->fan_square_fret = random_chance(source, 0.3) ? 0.0 : floor(random_between(source, 3.0, 11.0));
  params->left_handed = random_chance(source, 0.3);
  params->fan_nut_mm = params->nut_width_mm - random_between(source, 6.0, 8.0);
  double end_mm = fret_mm(params, params->frets) + params->after_last_mm;
  double taper = (params->end_width_mm - params->nut_width_mm) / end_mm;
  params->fan_saddle_mm = params->fan_nut_mm + taper * params->scale_length_mm;
  double square = fan_square_share(params);
  double last = fret_mm(params, params->frets) / params->scale_length_mm;
  double spread_last = params->fan_nut_mm + last * (params->fan_saddle_mm - params->fan_nut_mm);
  double at_nut = square / params->fan_nut_mm, at_last = (last - square) / spread_last; /* lean per mm of difference */
  params->fan_mm = random_between(source, 0.05, 0.27) / fmax(at_nut, fabs(at_last));
  params->before_nut_mm =
      fmax(params->before_nut_mm, 0.5 * params->nut_width_mm * params->fan_mm * at_nut + 2.5);
  params->after_last_mm =
      fmax(params->after_last_mm, 0.5 * params->end_width_mm * params->fan_mm * fabs(at_last) + 3.0);
  while (params->frets > 8 && fret_mm(params, params->frets) + params->before_nut_mm + params->after_last_mm > 280.0) {
    params->frets--;
  }
}

/* The rule reaches beyond the board again. */
static void lengthen_rule(render_params *params)
{
  params->rule_length_mm = fret_mm(params, params->frets) + params->after_last_mm + 4.0 - params->rule_start_mm;
}

/* How many frets fit the glass. */
static void take_frets(render_params *params, int most)
{
  params->frets = most;
  while (params->frets > 8 && fret_mm(params, params->frets) + params->before_nut_mm + params->after_last_mm > 285.0) {
    params->frets--;
  }
  lengthen_rule(params);
}

/* Finer divisions: their frets stand 4 to 20 mm apart and are laid out with more care than 12 to the octave. */
static void make_fine(render_params *params, random_source *source)
{
  static const int divisions[4] = {19, 24, 31, 53};
  params->divisions = divisions[random_below(source, 4)];
  params->placement_sd_mm = random_between(source, 0.0, 0.08);
  take_frets(params, 2 * params->divisions);
}

/* A diatonic board as of a dulcimer, in just intonation, with half frets over a part of the width (cents of 9/8, 5/4,
 * 4/3, 3/2, 5/3, 16/9 and their octaves). */
static void make_partial(render_params *params, random_source *source)
{
  static const double cents[12] = {203.910001730775, 386.313713864835, 498.044999134612, 701.955000865387,
                                   884.358712999448, 996.089998269225, 1088.268714730222, 1200.0,
                                   1403.910001730775, 1586.313713864835, 1698.044999134612, 1901.955000865387};
  params->scale_length_mm = random_between(source, 345.0, 400.0);
  params->steps.count = 12;
  for (int i = 0; i < 12; i++) {
    params->steps.entry[i] = (render_entry){-1, cents[i]};
  }
  params->frets = 12;
  static const int candidates[4] = {3, 6, 7, 10};
  for (int i = 0; i < 4; i++) {
    double share = random_between(source, 0.25, 0.7);
    if (i == 1 || random_chance(source, 0.6)) {
      params->partial.entry[params->partial.count++] =
          (render_entry){candidates[i], random_chance(source, 0.5) ? share : -share};
    }
  }
  params->before_nut_mm = fmin(params->before_nut_mm, 8.0);
  params->after_last_mm = 8.0;
  lengthen_rule(params);
}

static void make_zero(render_params *params, random_source *source)
{
  params->nut = RENDER_NUT_LINE;
  params->nut_behind_mm = random_between(source, 4.0, 9.0);
  params->before_nut_mm = params->nut_behind_mm + random_between(source, 1.5, 6.0);
  take_frets(params, params->frets);
}

/* Frets that the glass had no room for are not partial either. */
static void drop_partials(render_params *params)
{
  size_t kept = 0;
  for (size_t i = 0; i < params->partial.count; i++) {
    if (params->partial.entry[i].fret <= params->frets) {
      params->partial.entry[kept++] = params->partial.entry[i];
    }
  }
  params->partial.count = kept;
}

/* A fan that is out of the ordinary besides. */
static void make_fan_apart(render_params *params, random_source *source, render_difficulty difficulty)
{
  if (difficulty == RENDER_FAN_PARTIAL) {
    make_partial(params, source);
  }
  make_fan(params, source);
  if (difficulty == RENDER_FAN_ZERO) {
    params->nut_behind_mm = random_between(source, 4.0, 9.0);
    params->before_nut_mm += params->nut_behind_mm;
  } else if (difficulty == RENDER_FAN_SHIFTED) {
    params->nut_shift_mm = random_between(source, 0.2, 1.0);
  }
  take_frets(params, params->frets);
  params->fan_square_fret = fmin(params->fan_square_fret, (double)params->frets);
  drop_partials(params);
}

/* Fanned wires; their nut is a zero fret. */
static void make_fan_wires(render_params *params, random_source *source)
{
  params->nut = RENDER_NUT_LINE;
  make_wires(params, source);
  make_fan(params, source);
  params->before_nut_mm += params->wire_width_mm;
  shorten_to_glass(params);
  lengthen_rule(params);
}

/* A stream of random numbers for each preset; those of frets are also those of photographs. */
static uint64_t stream_of(render_difficulty difficulty)
{
  if (difficulty >= RENDER_FAN) {
    return (uint64_t)(difficulty - RENDER_FAN + RENDER_PHOTO_SLOTS);
  }
  return (uint64_t)(difficulty >= RENDER_WIRES ? difficulty - RENDER_WIRES + RENDER_PHOTO : difficulty);
}

void render_params_random(render_params *params, uint64_t seed, render_difficulty difficulty)
{
  random_source source = random_stream(seed, STREAM_OF_PRESETS + stream_of(difficulty));
  render_params_init(params);
  params->seed = seed;
  draw_lots_for_board(params, &source);
  draw_lots_for_scanner(params, &source);
  draw_lots_for_wood(params, &source);
  draw_lots_for_rule(params, &source);
  params->waviness_um = random_between(&source, 0.0, 3.0);
  if (difficulty == RENDER_FULL) {
    make_full(params, &source);
    wear_rule(params, &source);
  } else if (difficulty == RENDER_FAINT) {
    make_faint(params, &source);
  } else if (difficulty == RENDER_BURR) {
    params->burr_sides = 1;
    params->burr_shape = random_below(&source, 2);
    params->burr_width_mm = random_between(&source, 0.05, 0.15);
    params->burr_height = random_between(&source, 0.3, 0.8);
    params->contrast = -fabs(params->contrast);
  } else if (difficulty == RENDER_CHATTER) {
    make_chatter(params, &source);
  } else if (difficulty == RENDER_SLOTS) {
    make_slots(params, &source);
  } else if (difficulty == RENDER_ORACLE) {
    make_oracle(params);
  } else if (difficulty == RENDER_WIRES_PARTIAL) {
    make_partial(params, &source);
    make_wires(params, &source);
    shorten_to_glass(params);
    drop_partials(params);
  } else if (difficulty == RENDER_FAN_WIRES) {
    make_fan_wires(params, &source);
  } else if (difficulty >= RENDER_FAN_PARTIAL) {
    make_fan_apart(params, &source, difficulty);
  } else if (difficulty >= RENDER_FAN) {
    if (difficulty == RENDER_FAN_FULL) {
      make_full(params, &source);
      wear_rule(params, &source);
    } else if (difficulty == RENDER_FAN_SLOTS) {
      make_slots(params, &source);
    }
    make_fan(params, &source);
  } else if (difficulty == RENDER_WIRES || difficulty == RENDER_WIRES_FULL) {
    make_wires(params, &source);
    if (difficulty == RENDER_WIRES_FULL) {
      make_wires_full(params, &source);
      wear_rule(params, &source);
    }
    shorten_to_glass(params);
  } else if (difficulty == RENDER_FINE) {
    make_fine(params, &source);
  } else if (difficulty == RENDER_PARTIAL) {
    make_partial(params, &source);
  } else if (difficulty == RENDER_ZERO) {
    make_zero(params, &source);
  } else if (difficulty == RENDER_SHIFTED) {
    params->nut_shift_mm = random_between(&source, 0.2, 1.0);
  } else if (difficulty == RENDER_PHOTO || difficulty == RENDER_PHOTO_FULL || difficulty == RENDER_PHOTO_SLOTS) {
    make_photo(params, &source, difficulty);
    if (difficulty == RENDER_PHOTO_SLOTS) {
      make_slots(params, &source);
    }
  }
}
