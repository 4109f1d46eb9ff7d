/* scene.c: plane geometry on the glass.
 *
 * Everything is placed in a frame with +x toward the bridge first, then turned by quarter turns and skew. The picture
 * is as large as the contents and a margin need, so nothing is ever cut off unless a sheet size says so. */
#include "scene.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double pi = 3.14159265358979324;

render_point frame_to_glass(const frame *of, double first_mm, double second_mm)
{
  return (render_point){of->origin_mm.x + first_mm * of->first.x + second_mm * of->second.x,
                        of->origin_mm.y + first_mm * of->first.y + second_mm * of->second.y};
}

render_point frame_from_glass(const frame *of, render_point at_mm)
{
  double x = at_mm.x - of->origin_mm.x, y = at_mm.y - of->origin_mm.y;
  return (render_point){x * of->first.x + y * of->first.y, x * of->second.x + y * of->second.y};
}

static double axis_mm(const render_axis *axis, double index)
{
  double mm = axis->mm_per_px * index;
  for (size_t i = 0; i < axis->waves; i++) {
    double turn = 2.0 * pi * index / axis->period_px[i] + axis->phase_rad[i];
    mm += axis->amplitude_mm[i] * (sin(turn) - sin(axis->phase_rad[i]));
  }
  return mm;
}

static double axis_rate(const render_axis *axis, double index)
{
  double rate = axis->mm_per_px;
  for (size_t i = 0; i < axis->waves; i++) {
    double per_px = 2.0 * pi / axis->period_px[i];
    rate += axis->amplitude_mm[i] * per_px * cos(per_px * index + axis->phase_rad[i]);
  }
  return rate;
}

static double axis_px(const render_axis *axis, double mm)
{
  double index = mm / axis->mm_per_px;
  for (int i = 0; i < 12; i++) {
    index -= (axis_mm(axis, index) - mm) / axis_rate(axis, index);
  }
  return index;
}

render_point render_glass_mm(const render_axis axis[2], render_point at_px)
{
  return (render_point){axis_mm(&axis[0], at_px.x), axis_mm(&axis[1], at_px.y)};
}

render_point render_picture_px(const render_axis axis[2], render_point at_mm)
{
  return (render_point){axis_px(&axis[0], at_mm.x), axis_px(&axis[1], at_mm.y)};
}

render_point render_seen_px(const render_truth *truth, render_point glass_mm, double height_mm)
{
  return truth->camera.on ? camera_project(&truth->camera, glass_mm, height_mm)
                          : render_picture_px(truth->axis, glass_mm);
}

render_point render_unseen_mm(const render_truth *truth, render_point at_px, double height_mm)
{
  camera_ray ray = {0.0, 0.0};
  return truth->camera.on ? camera_look(&truth->camera, &ray, at_px, height_mm).glass_mm
                          : render_glass_mm(truth->axis, at_px);
}

static frame turned_frame(double angle_rad, double origin_x, double origin_y)
{
  double c = cos(angle_rad), s = sin(angle_rad);
  return (frame){{origin_x, origin_y}, {c, s}, {-s, c}};
}

static frame board_frame(const render_truth *truth)
{
  return turned_frame(truth->direction_deg * pi / 180.0, truth->nut_mm.x, truth->nut_mm.y);
}

render_point render_board_px(const render_truth *truth, render_point board_mm)
{
  frame board = board_frame(truth);
  return render_seen_px(truth, frame_to_glass(&board, board_mm.x, board_mm.y), 0.0);
}

render_point render_board_mm(const render_truth *truth, render_point at_px)
{
  frame board = board_frame(truth);
  return frame_from_glass(&board, render_unseen_mm(truth, at_px, 0.0));
}

/* The travel has up to three short waves, the sensor's line one or two long ones. */
static void set_axis(const render_params *params, int which, random_source *source, render_axis *axis)
{
  double error = which == 0 ? params->scale_error_x : params->scale_error_y;
  axis->mm_per_px = 25.4 / params->dpi * (1.0 + error);
  axis->waves = 0;
  bool travels = params->carriage == which;
  int count = travels ? params->wave_count : (params->sensor_um > 0.0 ? 2 : 0);
  for (int i = 0; i < count && i < 3; i++) {
    double share = i == 0 ? 1.0 : random_between(source, 0.3, 0.7);
    double stretch = i == 0 ? 1.0 : random_between(source, 0.5, 1.8);
    double length_mm =
        travels ? params->wave_length_mm * stretch : (i == 0 ? 210.0 : 130.0) * random_between(source, 0.8, 1.3);
    axis->amplitude_mm[i] = (travels ? params->wave_um : params->sensor_um) * share / 1000.0;
    axis->period_px[i] = length_mm / axis->mm_per_px;
    axis->phase_rad[i] = random_between(source, 0.0, 2.0 * pi);
    axis->waves++;
  }
}

double scene_half_width_mm(const scene *of, double x_mm)
{
  return of->half_at_nut_mm + of->half_slope * x_mm;
}

/* Distance of a fret from the nut: the string stopped there sounds n steps of an equally divided octave higher, and
 * pitch goes inversely with length, so what remains is L 2^(-n/divisions). */
static double fret_mm(const render_params *params, int fret)
{
  if (fret == 0) {
    return params->nut_shift_mm;
  }
  if (params->steps.count > 0) {
    return params->scale_length_mm * (1.0 - pow(2.0, -params->steps.entry[fret - 1].mm / 1200.0));
  }
  return params->scale_length_mm * (1.0 - pow(2.0, -(double)fret / (double)params->divisions));
}

/* The part of a string that is left when it is stopped at a fret, or in between by as many cents. */
static double string_left(const render_params *params, double fret)
{
  if (params->steps.count == 0) {
    return pow(2.0, -fret / (double)params->divisions);
  }
  int below = (int)fret;
  double low = below > 0 ? params->steps.entry[below - 1].mm : 0.0;
  double rest = fret - (double)below;
  double high = rest > 0.0 ? params->steps.entry[below].mm : low;
  return pow(2.0, -(low + rest * (high - low)) / 1200.0);
}

/* Fanned frets: each outer string is divided by its own scale length; the fret goes through the two places. Lengths count
 * along the centre line, and the string farther out lies half the spread off it. Returned is dx/dy of the line. */
double scene_fan_slope(const render_params *params, int fret)
{
  if (params->fan_mm == 0.0) {
    return 0.0;
  }
  double bass_mm = params->scale_length_mm + 0.5 * params->fan_mm, treble_mm = bass_mm - params->fan_mm;
  double left = string_left(params, (double)fret), left_square = string_left(params, params->fan_square_fret);
  /* from the saddle's end: where fret F is square, both strings have the same x there */
  double bass_x = bass_mm * (left_square - left), treble_x = treble_mm * (left_square - left);
  double spread = params->fan_saddle_mm + left * (params->fan_nut_mm - params->fan_saddle_mm);
  double slope = (bass_x - treble_x) / spread;
  return params->left_handed ? -slope : slope;
}

/* Direction from nut to bridge on the glass, from +X toward +Y, without skew: turned clockwise from +Y. */
static double nominal_direction_rad(const render_params *params)
{
  return 0.5 * pi * (double)(1 + params->quarter_turns);
}

void scene_board_corners(const scene *of, render_point corner[4])
{
  double a = of->x_begin_mm, b = of->x_end_mm;
  double wa = scene_half_width_mm(of, a), wb = scene_half_width_mm(of, b);
  corner[0] = frame_to_glass(&of->board, a, -wa);
  corner[1] = frame_to_glass(&of->board, b, -wb);
  corner[2] = frame_to_glass(&of->board, b, wb);
  corner[3] = frame_to_glass(&of->board, a, wa);
}

void scene_rule_corners(const scene *of, double width_mm, render_point corner[4])
{
  corner[0] = frame_to_glass(&of->rule, of->rule_begin_mm, 0.0);
  corner[1] = frame_to_glass(&of->rule, of->rule_end_mm, 0.0);
  corner[2] = frame_to_glass(&of->rule, of->rule_end_mm, width_mm);
  corner[3] = frame_to_glass(&of->rule, of->rule_begin_mm, width_mm);
}

static void lay_board(const render_params *params, scene *out)
{
  bool squared = params->nut == RENDER_NUT_END;
  out->board = turned_frame(nominal_direction_rad(params) + params->skew_deg * pi / 180.0, 0.0, 0.0);
  out->x_begin_mm = squared ? params->nut_shift_mm : -params->before_nut_mm;
  if (params->marks == RENDER_WIRE && params->nut_piece_mm > 0.0) {
    out->x_begin_mm = -(squared ? 0.0 : params->nut_gap_mm) - params->nut_piece_mm - params->head_mm;
  }
  out->x_end_mm = fret_mm(params, params->frets) + params->after_last_mm;
  out->half_at_nut_mm = 0.5 * params->nut_width_mm;
  out->half_slope = 0.5 * (params->end_width_mm - params->nut_width_mm) / out->x_end_mm;
  out->overhang_mm = params->marks == RENDER_WIRE ? params->overhang_mm : 0.0;
}

/* The rule lies on the board's +y or -y side: its near edge is a line turned by its own skew, pushed away until the
 * nearest corner of the board is rule_gap_mm off. */
static void lay_rule(const render_params *params, scene *out)
{
  out->has_rule = params->graduation != RENDER_NO_GRADUATION;
  double turn = nominal_direction_rad(params) + params->rule_skew_deg * pi / 180.0;
  double side = params->rule_side == 0 ? 1.0 : -1.0;
  frame toward = turned_frame(turn, 0.0, 0.0);
  render_point away = {side * toward.second.x, side * toward.second.y};
  render_point corner[4];
  scene_board_corners(out, corner);
  double farthest = -1e9;
  for (int i = 0; i < 4; i++) {
    double reach = corner[i].x * away.x + corner[i].y * away.y;
    farthest = reach > farthest ? reach : farthest;
  }
  double length = params->rule_length_mm > 0.0 ? params->rule_length_mm : out->x_end_mm + 8.0 - params->rule_start_mm;
  double at = params->rule_reversed ? params->rule_start_mm + length : params->rule_start_mm;
  double off = farthest + params->rule_gap_mm, sign = params->rule_reversed ? -1.0 : 1.0;
  out->rule.origin_mm = (render_point){at * toward.first.x + off * away.x, at * toward.first.y + off * away.y};
  out->rule.first = (render_point){sign * toward.first.x, sign * toward.first.y};
  out->rule.second = away;
  out->graduated_mm = length;
  out->rule_begin_mm = -params->rule_before_mm;
  out->rule_end_mm = length + (params->rule_before_mm > 0.0 ? 9.0 : 0.0);
}

static const double strip_breadth_mm = 46.0 * 25.4 / 60.0, strip_length_mm = 254.0;

/* One printed strip on the side of the board that `side` says, +1 or -1; print up, so its second axis is always its
 * first turned clockwise. */
static frame lay_strip(const render_params *params, const scene *of, double side, double start_mm, double skew_deg)
{
  double turn = nominal_direction_rad(params) + skew_deg * pi / 180.0, farthest = -1e9;
  frame toward = turned_frame(turn, 0.0, 0.0);
  render_point away = {side * toward.second.x, side * toward.second.y}, corner[4];
  scene_board_corners(of, corner);
  for (int i = 0; i < 4; i++) {
    farthest = fmax(farthest, corner[i].x * away.x + corner[i].y * away.y);
  }
  double sign = params->strip_reversed ? -1.0 : 1.0;
  frame strip = turned_frame(params->strip_reversed ? turn + pi : turn, 0.0, 0.0);
  double at = params->strip_reversed ? start_mm + strip_length_mm * (1.0 + params->strip_error_along) : start_mm;
  double breadth = strip_breadth_mm * (1.0 + params->strip_error_across);
  double off = farthest + params->strip_gap_mm + (sign * side < 0.0 ? breadth : 0.0);
  strip.origin_mm = (render_point){at * toward.first.x + off * away.x, at * toward.first.y + off * away.y};
  return strip;
}

static void lay_strips(const render_params *params, scene *out)
{
  double start = params->strip_start_mm, skew = params->strip_skew_deg, next = skew + params->strip_second_skew_deg;
  out->strip_count = params->strip_side == RENDER_NO_STRIP ? 0 : (params->strip_side >= RENDER_STRIP_BOTH ? 2 : 1);
  double first_side = params->strip_side == RENDER_STRIP_LEFT ? -1.0 : 1.0;
  out->strip[0] = lay_strip(params, out, first_side, start, skew);
  out->strip[1] = params->strip_side == RENDER_STRIP_BOTH
                      ? lay_strip(params, out, -1.0, start, next)
                      : lay_strip(params, out, 1.0, start + strip_length_mm + params->strip_join_mm, next);
}

/* What is left of the strip, its paper's ends included. */
static void strip_corners(const render_params *params, const frame *strip, render_point corner[4])
{
  double a = (params->strip_from_mm - 1.3) * (1.0 + params->strip_error_along);
  double b = (params->strip_to_mm + 1.3) * (1.0 + params->strip_error_along);
  double w = strip_breadth_mm * (1.0 + params->strip_error_across);
  corner[0] = frame_to_glass(strip, a, 0.0);
  corner[1] = frame_to_glass(strip, b, 0.0);
  corner[2] = frame_to_glass(strip, b, w);
  corner[3] = frame_to_glass(strip, a, w);
}

static void widen(render_point corner[4], render_point *low, render_point *high)
{
  for (int i = 0; i < 4; i++) {
    low->x = fmin(low->x, corner[i].x);
    low->y = fmin(low->y, corner[i].y);
    high->x = fmax(high->x, corner[i].x);
    high->y = fmax(high->y, corner[i].y);
  }
}

static void move_scene(scene *of, double dx_mm, double dy_mm)
{
  of->board.origin_mm.x += dx_mm;
  of->board.origin_mm.y += dy_mm;
  of->rule.origin_mm.x += dx_mm;
  of->rule.origin_mm.y += dy_mm;
  for (size_t i = 0; i < of->strip_count; i++) {
    of->strip[i].origin_mm.x += dx_mm;
    of->strip[i].origin_mm.y += dy_mm;
  }
}

uint64_t scene_scan_seed(const render_params *params)
{
  return params->piece > 0 ? params->seed + UINT64_C(0x632BE59BD9B4E019) * (uint64_t)params->piece : params->seed;
}

/* What the glass shows of one piece: a stretch of the board, and whatever lies beside it. */
static void piece_corners(const render_params *params, const scene *of, render_point corner[4])
{
  double near = 0.0, far = 0.0;
  render_point seen[16];
  size_t count = 4;
  scene_board_corners(of, seen);
  if (of->has_rule) {
    scene_rule_corners(of, params->rule_width_mm, seen + count);
    count += 4;
  }
  for (size_t i = 0; i < of->strip_count; i++, count += 4) {
    strip_corners(params, &of->strip[i], seen + count);
  }
  for (size_t i = 0; i < count; i++) {
    double y = frame_from_glass(&of->board, seen[i]).y;
    near = fmin(near, y);
    far = fmax(far, y);
  }
  for (int i = 0; i < 4; i++) {
    corner[i] = frame_to_glass(&of->board, i & 1 ? params->piece_from_mm : params->piece_to_mm, i & 2 ? near : far);
  }
}

/* Moves everything to the middle of the sheet and sizes the picture. */
static bool fit_sheet(const render_params *params, scene *out, render_truth *truth, char *message)
{
  render_point corner[4], low = {1e9, 1e9}, high = {-1e9, -1e9};
  scene_board_corners(out, corner);
  widen(corner, &low, &high);
  if (out->has_rule) {
    scene_rule_corners(out, params->rule_width_mm, corner);
    widen(corner, &low, &high);
  }
  for (size_t i = 0; i < out->strip_count; i++) {
    strip_corners(params, &out->strip[i], corner);
    widen(corner, &low, &high);
  }
  double margin_x = params->margin_mm, margin_y = params->margin_mm;
  if (params->piece > 0) {
    piece_corners(params, out, corner);
    low = (render_point){1e9, 1e9};
    high = (render_point){-1e9, -1e9};
    widen(corner, &low, &high);
    if (params->quarter_turns % 2 == 0) {
      margin_y = 0.0;
    } else {
      margin_x = 0.0;
    }
  }
  double need_x = high.x - low.x + 2.0 * margin_x, need_y = high.y - low.y + 2.0 * margin_y;
  double width = params->sheet_width_mm > 0.0 ? params->sheet_width_mm : need_x;
  double height = params->sheet_height_mm > 0.0 ? params->sheet_height_mm : need_y;
  move_scene(out, 0.5 * (width - low.x - high.x), 0.5 * (height - low.y - high.y));
  double columns = ceil(width / truth->axis[0].mm_per_px), rows = ceil(height / truth->axis[1].mm_per_px);
  if (!(columns >= 16.0 && rows >= 16.0 && columns * rows <= 4e8)) {
    snprintf(message, RENDER_MESSAGE, "the picture would be %.0f x %.0f pixels; choose another dpi or sheet", columns,
             rows);
    return false;
  }
  truth->width_px = (int32_t)columns;
  truth->height_px = (int32_t)rows;
  return true;
}

static bool listed(const render_list *list, int fret, double *mm)
{
  for (size_t i = 0; i < list->count; i++) {
    if (list->entry[i].fret == fret) {
      *mm = list->entry[i].mm;
      return true;
    }
  }
  return false;
}

/* The place where a line x = x0 + y tan(angle) meets the board's long edge of the given side, as y. */
static double edge_y_mm(const scene *of, double x_mm, double slope, double side)
{
  /* y = side (h0 + h1 (x0 + y slope)) */
  return side * (of->half_at_nut_mm + of->half_slope * x_mm) / (1.0 - side * of->half_slope * slope);
}

static void set_points(const scene *of, const render_truth *truth, double slope, render_mark *mark)
{
  render_point a = frame_to_glass(&of->board, mark->x_mm + mark->from_y_mm * slope, mark->from_y_mm);
  render_point b = frame_to_glass(&of->board, mark->x_mm + mark->to_y_mm * slope, mark->to_y_mm);
  mark->end_a_px = render_seen_px(truth, a, 0.0);
  mark->end_b_px = render_seen_px(truth, b, 0.0);
  mark->centre_px = render_seen_px(truth, frame_to_glass(&of->board, mark->x_mm, 0.0), 0.0);
}

static void meet_edges(const scene *of, const render_truth *truth, double slope, render_mark *mark)
{
  for (int i = 0; i < 2; i++) {
    render_edge *edge = &mark->edge[i];
    edge->y_mm = edge_y_mm(of, mark->x_mm, slope, i == 0 ? 1.0 : -1.0);
    edge->x_mm = mark->x_mm + edge->y_mm * slope;
    edge->layout_mm = mark->layout_mm + edge->y_mm * tan(mark->layout_angle_deg * pi / 180.0);
    edge->error_mm = edge->x_mm - edge->layout_mm;
    edge->at_px = render_seen_px(truth, frame_to_glass(&of->board, edge->x_mm, edge->y_mm), 0.0);
  }
}

static void place_ends(const scene *of, const render_truth *truth, random_source *source, double least,
                       render_mark *mark)
{
  double slope = tan(mark->angle_deg * pi / 180.0);
  meet_edges(of, truth, slope, mark);
  double low = edge_y_mm(of, mark->x_mm, slope, -1.0), high = edge_y_mm(of, mark->x_mm, slope, 1.0);
  if (of->overhang_mm != 0.0) {
    low -= of->overhang_mm;
    high += of->overhang_mm;
  }
  double short_by = (1.0 - random_between(source, least, 1.0)) * (high - low);
  double at_low = random_between(source, 0.0, 1.0);
  mark->from_y_mm = low + at_low * short_by;
  mark->to_y_mm = high - (1.0 - at_low) * short_by;
  mark->coverage = (mark->to_y_mm - mark->from_y_mm) / (high - low);
  set_points(of, truth, slope, mark);
}

static double spread(random_source *source, double value, double relative)
{
  double factor = 1.0 + relative * random_normal(source);
  return value * fmin(fmax(factor, 0.5), 1.5);
}

static void set_wire(const render_params *params, random_source *source, render_mark *mark)
{
  mark->width_mm = params->wire_width_mm + 1e-3 * params->wire_spread_um * random_normal(source);
  mark->contrast = params->wire_level / params->wood_level - 1.0;
}

static void set_profile(const render_params *params, random_source *source, render_mark *mark)
{
  if (params->marks == RENDER_WIRE) {
    set_wire(params, source, mark);
    return;
  }
  bool slot = params->marks == RENDER_SLOT;
  double width = slot ? params->slot_width_mm : params->line_width_mm;
  mark->width_mm = spread(source, width, slot ? 0.0 : params->contrast_spread);
  mark->contrast =
      slot ? params->slot_level / params->wood_level - 1.0 : spread(source, params->contrast, params->contrast_spread);
  int sides = slot ? 0 : params->burr_sides;
  int which = random_below(source, 2);
  for (int i = 0; i < 2; i++) {
    mark->burr_height[i] = sides == 2 || (sides == 1 && i == which) ? params->burr_height : 0.0;
  }
  mark->burr_width_mm = sides > 0 ? params->burr_width_mm : 0.0;
}

/* Takes away what a partial fret leaves of the width. */
static void cut_short(const render_params *params, const scene *of, const render_truth *truth, render_mark *mark)
{
  double share = 1.0;
  if (!listed(&params->partial, mark->fret, &share)) {
    return;
  }
  double slope = tan(mark->angle_deg * pi / 180.0);
  double low = edge_y_mm(of, mark->x_mm, slope, -1.0), high = edge_y_mm(of, mark->x_mm, slope, 1.0);
  if (share > 0.0) {
    mark->to_y_mm = fmin(mark->to_y_mm, low + share * (high - low));
  } else {
    mark->from_y_mm = fmax(mark->from_y_mm, high + share * (high - low));
  }
  mark->coverage = (mark->to_y_mm - mark->from_y_mm) / (high - low);
  set_points(of, truth, slope, mark);
}

static void set_fret(const render_params *params, const scene *of, int fret, render_truth *truth)
{
  random_source source = random_stream(params->seed, STREAM_MARK + (uint64_t)fret);
  render_mark *mark = &truth->mark[fret];
  double ignored = 0.0;
  mark->fret = fret;
  mark->is_end = fret == 0 && params->nut == RENDER_NUT_END;
  mark->drawn = !mark->is_end && !listed(&params->missing, fret, &ignored);
  mark->layout_mm = fret_mm(params, fret);
  mark->error_mm = params->placement_sd_mm * random_normal(&source);
  mark->squareness_deg = mark->is_end ? 0.0 : params->squareness_sd_deg * random_normal(&source);
  listed(&params->askew, fret, &mark->squareness_deg);
  mark->layout_angle_deg = atan(scene_fan_slope(params, fret)) * 180.0 / pi;
  mark->angle_deg = mark->layout_angle_deg + mark->squareness_deg;
  listed(&params->misplace, fret, &mark->error_mm);
  if (fret == 0) {
    mark->error_mm = 0.0; /* the datum */
  }
  mark->x_mm = mark->layout_mm + mark->error_mm;
  set_profile(params, &source, mark);
  double part = 1.0;
  if (listed(&params->paler, fret, &part)) {
    mark->contrast *= part;
  }
  bool through = params->marks != RENDER_KNIFE || mark->is_end;
  place_ends(of, truth, &source, through ? 1.0 : params->coverage, mark);
  cut_short(params, of, truth, mark);
}

static void set_stray(const render_params *params, const scene *of, size_t index, render_truth *truth)
{
  random_source source = random_stream(params->seed, STREAM_STRAY + index);
  render_mark *mark = &truth->stray[index];
  mark->fret = -1;
  mark->drawn = true;
  mark->x_mm = index < params->stray.count ? params->stray.entry[index].mm : -params->nut_behind_mm;
  mark->squareness_deg = mark->angle_deg = params->squareness_sd_deg * random_normal(&source);
  if (index >= params->stray.count) { /* a nut behind a zero fret runs along it */
    mark->angle_deg += atan(scene_fan_slope(params, 0)) * 180.0 / pi;
  }
  set_profile(params, &source, mark);
  place_ends(of, truth, &source, params->marks != RENDER_KNIFE ? 1.0 : params->coverage, mark);
}

static void set_marks(const render_params *params, const scene *of, render_truth *truth)
{
  truth->mark_count = (size_t)params->frets + 1;
  for (int fret = 0; fret <= params->frets; fret++) {
    set_fret(params, of, fret, truth);
  }
  truth->stray_count = params->stray.count + (params->nut_behind_mm > 0.0 ? 1 : 0);
  for (size_t i = 0; i < truth->stray_count; i++) {
    set_stray(params, of, i, truth);
  }
}

static void set_outline(const render_params *params, const scene *of, render_truth *truth)
{
  render_point corner[4];
  scene_board_corners(of, corner);
  for (int i = 0; i < 4; i++) {
    truth->outline_px[i] = render_seen_px(truth, corner[i], 0.0);
  }
  truth->rule.drawn = of->has_rule;
  truth->rule.skew_deg = params->rule_skew_deg;
  if (of->has_rule) {
    scene_rule_corners(of, params->rule_width_mm, corner);
    for (int i = 0; i < 4; i++) {
      truth->rule.corner_px[i] = render_seen_px(truth, corner[i], params->rule_height_mm);
    }
  }
}

/* Sizes that would divide by zero, turn the travel back on itself or ask for endless work. */
static const char *unusable_detail(const render_params *params)
{
  if (params->wave_count < 0 || params->wave_count > 3 ||
      !(params->wave_um >= 0.0 && params->sensor_um >= 0.0 && params->wave_length_mm >= 5.0) ||
      !(fmax(params->wave_um, params->sensor_um) <= 0.02 * 1000.0 * params->wave_length_mm)) {
    return "wave_count must be 0 to 3, wave_length_mm at least 5, wave_um and sensor_um at most 2 % of it";
  }
  if (!(fabs(params->scale_error_x) < 0.5 && fabs(params->scale_error_y) < 0.5)) {
    return "scale_error_x and scale_error_y must lie between -0.5 and 0.5";
  }
  if (!(params->figure_mm > 0.0 && params->chatter_mm > 0.0)) {
    return "figure_mm and chatter_mm must be above 0";
  }
  if (!(params->pores_per_mm2 >= 0.0 && params->pores_per_mm2 <= 20.0)) {
    return "pores_per_mm2 must be 0 to 20";
  }
  if (!(params->line_width_mm > 0.0 && params->slot_width_mm > 0.0 && params->stroke_width_mm > 0.0 &&
        params->rule_width_mm >= 10.0)) {
    return "widths of lines, slots and strokes must be above 0, rule_width_mm at least 10";
  }
  if (!(params->gap_fraction >= 0.0 && params->gap_fraction < 0.9 && params->burr_width_mm > 0.0)) {
    return "gap_fraction must be 0 to 0.9, burr_width_mm above 0";
  }
  if (params->marks == RENDER_WIRE && params->photo) {
    return "frets are drawn as a scanner sees them, not in photographs";
  }
  if (params->marks == RENDER_WIRE &&
      !(params->wire_width_mm >= 0.5 && params->crown_mm > 0.05 && params->penumbra_mm > 0.0 &&
        params->joint_mm > 0.0 && params->nut_piece_mm >= 0.0 && params->head_mm >= 0.0 &&
        fabs(params->lamp_deg) < 80.0 && params->strings <= 12 && params->strings != 1)) {
    return "wire_width_mm must be at least 0.5, crown_mm, penumbra_mm and joint_mm above 0, lamp_deg under 80, strings "
           "0 "
           "or 2 to 12";
  }
  bool squared = params->nut == RENDER_NUT_END && !(params->marks == RENDER_WIRE && params->nut_piece_mm > 0.0);
  if (params->fan_mm != 0.0 &&
      ((squared && params->fan_square_fret != 0.0) || !(params->fan_nut_mm > 5.0 && params->fan_saddle_mm > 5.0))) {
    return "fanned frets whose nut is askew are drawn with a nut line or, of wire, a nut piece; fan_nut_mm and "
           "fan_saddle_mm are above 5";
  }
  if ((params->steps.count > 0 && params->steps.count < (size_t)params->frets) ||
      params->stray.count >= RENDER_MAX_LIST || !(fabs(params->nut_shift_mm) < 5.0 && params->nut_behind_mm >= 0.0)) {
    return "steps must name every fret, nut_shift_mm be under 5, nut_behind_mm not negative, and strays fewer";
  }
  if (params->background < 0.0 || !(params->margin_mm >= 0.0 && params->margin_mm < 1000.0)) {
    return "background must not be negative, margin_mm 0 to 1000";
  }
  return NULL;
}

static bool usable(const render_params *params, char *message)
{
  const char *wrong = NULL;
  if (!(params->dpi >= 20.0 && params->dpi <= 5000.0)) {
    wrong = "dpi must be 20 to 5000";
  } else if (params->frets < 1 || params->frets >= RENDER_MAX_MARKS || params->divisions < 1) {
    wrong = "frets must be 1 to 127 and divisions at least 1";
  } else if (!(params->scale_length_mm > 10.0 && params->nut_width_mm > 5.0 && params->end_width_mm > 5.0)) {
    wrong = "scale_length_mm must be above 10, the board's widths above 5";
  } else if (!(params->psf_px >= 0.3 && params->psf_px <= 10.0)) {
    wrong = "psf_px must be 0.3 to 10";
  } else if (params->bits != 8 && params->bits != 16) {
    wrong = "bits must be 8 or 16";
  } else if (!(params->wood_level > 0.0 && params->coverage > 0.0 && params->coverage <= 1.0)) {
    wrong = "wood_level must be above 0, coverage above 0 and at most 1";
  } else if (params->strip_piece < 1 || params->strip_piece > 29 || params->strip_second_piece < 1 ||
             params->strip_second_piece > 29) {
    wrong = "strip_piece and strip_second_piece must be 1 to 29";
  } else if (params->piece < 0 || (params->piece > 0 && !(params->piece_to_mm - params->piece_from_mm >= 10.0))) {
    wrong = "piece must not be negative, piece_to_mm at least 10 beyond piece_from_mm";
  } else if (params->quarter_turns < 0 || params->quarter_turns > 3) {
    wrong = "quarter_turns must be 0 to 3";
  }
  if (!wrong) {
    wrong = unusable_detail(params);
  }
  if (wrong) {
    snprintf(message, RENDER_MESSAGE, "%s", wrong);
  }
  return wrong == NULL;
}

bool scene_lay_out(const render_params *params, scene *out, render_truth *truth, char *message)
{
  if (!usable(params, message)) {
    return false;
  }
  random_source source = random_stream(scene_scan_seed(params), STREAM_SCANNER);
  memset(truth, 0, sizeof *truth);
  truth->params = *params;
  truth->psf_px = params->psf_px;
  set_axis(params, 0, &source, &truth->axis[0]);
  set_axis(params, 1, &source, &truth->axis[1]);
  lay_board(params, out);
  lay_rule(params, out);
  lay_strips(params, out);
  if (out->has_rule && !(out->graduated_mm >= 10.0 && out->graduated_mm <= 5000.0)) {
    snprintf(message, RENDER_MESSAGE,
             "the rule would be %.1f mm long; choose rule_start_mm and rule_length_mm for 10 to 5000",
             out->graduated_mm);
    return false;
  }
  if (!(params->photo ? camera_set_up(params, out, truth, message) : fit_sheet(params, out, truth, message))) {
    return false;
  }
  truth->direction_deg = atan2(out->board.first.y, out->board.first.x) * 180.0 / pi;
  truth->nut_mm = out->board.origin_mm;
  set_marks(params, out, truth);
  set_outline(params, out, truth);
  return true;
}
