/* The chain of modules, and the warnings that belong to none of them. */
#include "slotproof/check.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "check_internal.h"
#include "slotproof/advice.h"
#include "slotproof/findings.h"
#include "slotproof/match.h"
#include "slotproof/numeric.h"
#include "slotproof/rule.h"
#include "slotproof/verdict.h"

/* Below this a knife line of a tenth of a millimetre is a pixel or less. */
static const double COARSE_PX_PER_MM = 8.0;
/* A line blurred over more than this (standard deviation) is out of focus at any resolution. */
static const double SOFT_MM = 0.12;
static const double DEG = 57.29577951308232;
/* Where partial frets are told in mm, what share of the width that is about: only how short a line may be hangs on it.
 */
static const double USUAL_WIDTH_MM = 45.0;
/* Clipped part of the board that is worth a word. */
static const double MOST_CLIPPED = 0.05;
/* A board has more lines, and its sides lie farther from where a photograph was cut down. */
static const size_t FEW_LINES = 5;
static const double BOARD_CLEAR_PX = 24.0;
/* ... and lines' ends that have to stand for its sides: further than a side that they fall short of would lie. */
static const double ENDS_CLEAR_PX = 72.0;
/* A fret so near to where the nut belongs is a zero fret: the next one would be ten millimetres off and more. */
static const double ZERO_FRET_MM = 1.0;
/* An edge that leans otherwise than the computed nut by more than this is no nut: a maker sets it to half a degree. */
static const double NUT_LEAN_RAD = 0.015;

void sp_check_options_init(sp_check_options *o)
{
  memset(o, 0, sizeof *o);
  o->reference.graduation_mm = o->reference.mpe_mm = o->reference.distance_mm = NAN;
  o->reference.strip_length_mm = o->reference.strip_width_mm = NAN;
  o->reference.height_mm = o->reference.camera_distance_mm = o->reference.radius_mm = NAN;
  o->reference.from_px = o->reference.to_px = (sp_point){NAN, NAN};
  o->tolerance_mm = o->tolerance_cents = o->temperature_c = o->kerf_mm = NAN;
}

int sp_check_exit_status(const sp_record *record)
{
  return record->verdict == SP_WITHIN ? 0 : record->verdict == SP_OUT ? 1 : 2;
}

static double mean_stated(const sp_picture_info *info)
{
  if (info->stated_dpi_x > 0.0 && info->stated_dpi_y > 0.0)
    return 0.5 * (info->stated_dpi_x + info->stated_dpi_y);
  return NAN;
}

sp_status sp_check_reference(const char *path, const sp_reference_options *options, const sp_read_options *read,
                             sp_record *record, sp_raster *raster, sp_error *err)
{
  opened_picture open;
  const sp_status status = check_open(path, options, read, NULL, record, &open, err);
  if (!status)
    check_place_in_picture(&open, options, record);
  record->verdict = open.reference.map.known ? SP_WITHIN : SP_UNDECIDED;
  check_close(&open, raster, status == SP_OK);
  return status;
}

static double px_per_mm_hint(const sp_scene *scene, const sp_reference *reference, const sp_picture_info *info)
{
  if (reference->map.known)
    return 1.0 / reference->map.across_mm_per_px;
  if (info->stated_dpi_x >= 100.0)
    return info->stated_dpi_x / 25.4;
  /* nothing known: about A4, which sizes the filters well enough */
  const uint32_t w = scene->raster->width_px, h = scene->raster->height_px;
  return (double)(w > h ? w : h) / 297.0;
}

static double uneven_px(const void *map, double u_px)
{
  return sp_scale_map_uneven_px(map, u_px);
}

/* Fanned frets: how far they lean at most, and what the picture's unevenness does to lines that lean. */
static void expect_fan(const sp_layout *layout, const sp_reference *reference, sp_marks_options *m)
{
  if (!layout->fanned)
    return;
  for (int32_t n = 0; n <= layout->frets; n++)
    m->most_lean = fmax(m->most_lean, fabs(sp_layout_slope(layout, n)));
  if (!reference->map.known)
    return;
  m->along_known = true;
  m->along = reference->map.along;
  m->uneven_px = uneven_px;
  m->uneven_context = &reference->map;
}

static sp_marks_options marks_options(const sp_scene *scene, const sp_reference *reference, const sp_picture_info *info,
                                      const sp_check_options *o)
{
  sp_marks_options m = {.kind = o->marks, .by_camera = info->is_photograph};
  m.px_per_mm = px_per_mm_hint(scene, reference, info);
  m.has_rule = reference->has_band;
  m.along_known = reference->has_band;
  m.along = reference->band_along;
  m.rule_v0_px = reference->band_v0_px;
  m.rule_v1_px = reference->band_v1_px;
  m.rule_slope = reference->slope;
  m.blur_px = reference->blur_px;
  m.blur_sd_log = reference->blur_sd_log;
  expect_fan(o->layout, reference, &m);
  m.least_part = sp_layout_least_part(o->layout, USUAL_WIDTH_MM);
  return m;
}

/* ---- a printed strip's print ---------------------------------------------------------------------------------------
 */

/* The picture with the print of every strip painted over in its paper's grey, so that no line of it is taken for one of
 * the board's. Where the rows cross the paper's outline (a convex one) is reckoned side by side. */
static void paint_area(const sp_strip_area *area, sp_raster *r)
{
  const sp_point *c = area->corner_px;
  const double lo = fmax(0.0, ceil(fmin(fmin(c[0].y, c[1].y), fmin(c[2].y, c[3].y))));
  const double hi = fmin(r->height_px - 1.0, floor(fmax(fmax(c[0].y, c[1].y), fmax(c[2].y, c[3].y))));
  for (double y = lo; y <= hi; y += 1.0) {
    double from = INFINITY, to = -INFINITY;
    for (int i = 0; i < 4; i++) {
      const sp_point a = c[i], b = c[(i + 1) % 4];
      if ((a.y <= y) == (b.y <= y))
        continue;
      const double x = a.x + (y - a.y) / (b.y - a.y) * (b.x - a.x);
      from = fmin(from, x);
      to = fmax(to, x);
    }
    from = fmax(0.0, ceil(from));
    to = fmin(r->width_px - 1.0, floor(to));
    for (double x = from; x <= to; x += 1.0) {
      const size_t i = (size_t)y * r->width_px + (size_t)x;
      if (r->u8)
        r->u8[i] = (uint8_t)lround(area->paper);
      else
        r->u16[i] = (uint16_t)lround(area->paper);
    }
  }
}

static sp_status copy_raster(const sp_raster *from, sp_raster *to, sp_error *err)
{
  const size_t pixels = (size_t)from->width_px * from->height_px;
  const sp_status status = sp_raster_create(from->width_px, from->height_px, from->u8 ? 8 : 16, to, err);
  if (status)
    return status;
  if (from->u8)
    memcpy(to->u8, from->u8, pixels);
  else
    memcpy(to->u16, from->u16, pixels * sizeof *to->u16);
  return SP_OK;
}

/* The scene in which lines are searched then holds the painted picture. */
static sp_status paint_strips(opened_picture *open, sp_error *err)
{
  const sp_reference *reference = &open->reference;
  if (!reference->area_count)
    return SP_OK;
  sp_status status = copy_raster(check_measured(open), &open->painted, err);
  for (size_t i = 0; !status && i < reference->area_count; i++)
    paint_area(&reference->area[i], &open->painted);
  if (status)
    return status;
  sp_scene_free(&open->scene);
  return sp_scene_create(&open->painted, &open->scene, err);
}

/* Part of the board's pixels (every 16th each way) that lie at either end of the scale of greys. */
static double clipped_part(const sp_raster *raster, const sp_marks *marks)
{
  const sp_view view = sp_view_of(raster, marks->along);
  const sp_board *b = &marks->board;
  size_t all = 0, clipped = 0;
  const int32_t first = (int32_t)marks->marks[0].u_px, last = (int32_t)marks->marks[marks->count - 1].u_px;
  for (int32_t u = first; u < last; u += 16)
    for (int32_t v = (int32_t)(b->side[0].at_px + b->side[0].slope * u) + 8;
         v < b->side[1].at_px + b->side[1].slope * u - 8; v += 16) {
      if (u < 0 || v < 0 || u >= view.length_px || v >= view.breadth_px)
        continue;
      const sp_point at = sp_view_point(&view, u, v);
      const size_t i = (size_t)at.y * raster->width_px + (size_t)at.x;
      const uint32_t value = raster->u8 ? raster->u8[i] : raster->u16[i];
      all++;
      clipped += value == 0 || value == (raster->u8 ? 255u : 65535u);
    }
  return all ? (double)clipped / (double)all : 0.0;
}

static bool white_lines(const sp_marks *marks)
{
  size_t white = 0;
  for (size_t i = 0; i < marks->count; i++)
    white += marks->marks[i].clipped && marks->marks[i].contrast > 0.0;
  return 3 * white > marks->count;
}

static sp_status warn_sides(const sp_board *board, sp_record *record, sp_error *err)
{
  if (board->edges_found)
    return SP_OK;
  return sp_record_warn(
      record, err,
      "a long side of the board does not show, so squareness is only known against the lines on the "
      "whole, to %.1f degrees (k = 2); keep the rule some millimetres off the board, use a lid unlike "
      "the wood and scan again",
      2.0 * DEG * board->centre.u_slope);
}

static sp_status warn_scan(const sp_reference *reference, const sp_marks *marks, double px_per_mm, sp_record *record,
                           sp_error *err)
{
  sp_status status = SP_OK;
  if (reference->map.known && px_per_mm < COARSE_PX_PER_MM)
    status = sp_record_warn(record, err, "the picture is coarse (%.1f px per mm, about %.0f dpi); scan at 600 dpi",
                            px_per_mm, px_per_mm * 25.4);
  if (!status && reference->map.known && marks->blur_px / px_per_mm > SOFT_MM)
    status = sp_record_warn(record, err,
                            "the picture is soft (blur %.2f mm); press the board flat on the glass and scan again",
                            marks->blur_px / px_per_mm);
  return status;
}

static sp_status warn_quality(const sp_raster *raster, const sp_reference *reference, const sp_marks *marks,
                              double px_per_mm, sp_record *record, sp_error *err)
{
  sp_status status = SP_OK;
  if (!status && marks->count > 1 && clipped_part(raster, marks) > MOST_CLIPPED)
    status = sp_record_warn(record, err,
                            "parts of the board are pure black or white: what lies there cannot be measured; "
                            "scan again with other brightness, or 16 bits");
  if (!status && white_lines(marks))
    status =
        sp_record_warn(record, err,
                       "the lines are pure white in the picture, so a burr beside a cut cannot be told from the cut "
                       "and places are less sure; scan again darker");
  if (!status && marks->count > 1)
    status = warn_sides(&marks->board, record, err);
  if (status || !reference->has_band || !marks->count)
    return status;
  const double first = marks->marks[0].u_px, last = marks->marks[marks->count - 1].u_px;
  const double beyond = fmax(reference->map.first_px - first, last - reference->map.last_px) / px_per_mm;
  if (reference->map.known && beyond > 0.5)
    status =
        sp_record_warn(record, err,
                       "marks reach %.0f mm beyond the part of the rule that could be read; their uncertainty grows "
                       "there; lay the rule along the whole board",
                       beyond);
  return status;
}

/* Without a scale equal temperament looks the same from every fret, so ratios alone often cannot tell which fret is
 * which. The file's stated resolution can: it need only be right to a few per cent for that, and is used for nothing
 * else. */
static sp_status match_by_statement(const sp_check_options *o, const sp_match_line *lines, size_t count,
                                    sp_match_options options, double mm_per_px, sp_match *match, sp_error *err)
{
  sp_match_line *scaled = calloc(count + 1, sizeof *scaled);
  if (!scaled)
    return sp_fail_memory(err);
  for (size_t i = 0; i < count; i++) {
    scaled[i] = lines[i];
    scaled[i].position *= mm_per_px;
    scaled[i].u_position *= mm_per_px;
  }
  for (int e = 0; e < 2; e++)
    options.end_position[e] *= mm_per_px;
  options.told_position *= mm_per_px;
  options.scale_known = true;
  options.u_relative_scale = 0.005;
  const sp_status status = sp_match_lines(scaled, count, o->layout, &options, match, err);
  match->nut_position /= mm_per_px;
  match->mm_per_unit = mm_per_px;
  free(scaled);
  return status;
}

/* A zero fret is one of the lines. */
static bool has_zero_fret(const sp_match_line *lines, size_t count, const sp_match *match)
{
  for (size_t i = 0; i < count; i++)
    if (fabs(lines[i].position - match->nut_position) * match->mm_per_unit < ZERO_FRET_MM)
      return true;
  return false;
}

/* How the layout's angles run in the picture: +1 with growing v as toward the bass, or -1; by the frets that were told.
 */
static double sense_of_angles(const sp_layout *layout, const sp_reference *reference, const sp_marks *marks,
                              const sp_match *frets)
{
  double sum = 0.0;
  for (int32_t k = 0; k <= layout->frets; k++)
    if (frets->line_of_fret[k] >= 0) {
      const sp_mark *m = &marks->marks[frets->line_of_fret[k]];
      sum += sp_layout_slope(layout, k) * tan(sp_verdict_lean(reference, marks, m->u_px, m->slope));
    }
  return sum < 0.0 ? -1.0 : 1.0;
}

/* Edges that lean as the computed nut does, in the order of the list; the others are of something else. Where the nut
 * is square, those that are found have been looked for square. */
static size_t list_nut_edges(const sp_layout *layout, const sp_reference *reference, const sp_marks *marks,
                             const sp_match *frets, size_t *index, sp_match_place *place)
{
  const double wanted = atan(sense_of_angles(layout, reference, marks, frets) * sp_layout_slope(layout, 0));
  size_t n = 0;
  for (size_t i = 0; i < marks->edge_count; i++) {
    const sp_board_end *e = &marks->edges[i];
    const double lean = sp_verdict_lean(reference, marks, e->u_px, e->slope);
    if (!check_nut_is_square(layout) && !(fabs(lean - wanted) < NUT_LEAN_RAD))
      continue;
    index[n] = i;
    const double at = sp_verdict_place(reference, marks, e->u_px);
    place[n++] = (sp_match_place){at, fabs(sp_verdict_place(reference, marks, e->u_px + e->u_u_px) - at)};
  }
  return n;
}

/* Where the frets put the nut, and how well: 1.2533 s / sqrt(n) of how much single ones differ about that. */
static sp_match_place nut_of_frets(const sp_layout *layout, const sp_match_line *lines, const sp_match *frets)
{
  sp_match_place nut = {frets->nut_position, INFINITY};
  double work[SP_LAYOUT_MAX_FRETS + 1];
  size_t n = 0;
  for (int32_t k = 1; k <= layout->frets; k++)
    if (frets->line_of_fret[k] >= 0) {
      const double x_mm =
          frets->direction * (lines[frets->line_of_fret[k]].position - nut.position) * frets->mm_per_unit;
      work[n++] = x_mm - (layout->position_mm[k] - layout->position_mm[0]);
    }
  if (n >= 3)
    nut.u_position = 1.2533 * sp_mad(work, n) / sqrt((double)n) / frets->mm_per_unit;
  return nut;
}

static sp_status warn_nut_edge(sp_nut_state state, const sp_match_place *edge, const sp_match *frets, sp_record *record,
                               sp_error *err)
{
  if (state == SP_NUT_UNCLEAR)
    return sp_record_warn(record, err,
                          "two edges lie near the place where the frets put the nut, and which of them is its face "
                          "cannot be told; cover what is not the nut and scan again");
  if (state != SP_NUT_UNTOLD)
    return SP_OK;
  const double off_mm = frets->direction * (edge->position - frets->nut_position) * frets->mm_per_unit;
  return sp_record_warn(record, err,
                        "the nut's face cannot be told: its rim, a joint and its shadow look alike, and it may lie up "
                        "to %.2f mm to either side of where it seems to be, %.2f mm %s from where the frets put it; so "
                        "the frets are compared with each other; clean along the nut, or scan with the neck turned "
                        "end for end",
                        2.0 * edge->u_position * frets->mm_per_unit, fabs(off_mm),
                        off_mm < 0.0 ? "toward the head" : "toward the bridge");
}

/* A fretted neck has edges in plenty where its nut is. The frets alone tell where the nut belongs; what lies there, a
 * zero fret or an edge, becomes the board's end for the match proper, and there is none where nothing lies. */
static sp_status seek_nut(const sp_check_options *o, const sp_reference *reference, sp_marks *marks,
                          const sp_match_line *lines, const corrected *said, sp_match_options *options,
                          sp_record *record, sp_error *err)
{
  sp_match frets = {0};
  options->nut_may_be_line = options->nut_may_be_end = false;
  sp_status status = sp_match_lines(lines, marks->count, o->layout, options, &frets, err);
  const bool told = !status && (frets.state == SP_MATCH_OK || frets.state == SP_MATCH_OTHER_SCALE);
  options->nut_may_be_line = o->nut != SP_NUT_END || said->nut == NUT_AT_LINE;
  if (told && said->nut == NUT_AT_EDGE) {
    const int end = frets.direction > 0 ? 0 : 1;
    options->nut_may_be_line = false;
    options->has_end[end] = options->nut_may_be_end = true;
    marks->board.end[end] = marks->edges[said->nut_index];
    options->end_position[end] = options->told_position;
  } else if (told && said->nut != NUT_AT_LINE && o->nut != SP_NUT_LINE && !o->layout->zero_fret &&
             (o->nut == SP_NUT_END || !has_zero_fret(lines, marks->count, &frets))) {
    sp_match_place *place = calloc(marks->edge_count + 1, sizeof *place);
    size_t *index = calloc(marks->edge_count + 1, sizeof *index), chosen = 0, edges = 0;
    if (!place || !index)
      status = sp_fail_memory(err);
    else
      edges = list_nut_edges(o->layout, reference, marks, &frets, index, place);
    const sp_nut_state state =
        edges ? sp_match_nut(nut_of_frets(o->layout, lines, &frets), frets.mm_per_unit, place, edges, &chosen)
              : SP_NUT_UNSEEN;
    const int end = frets.direction > 0 ? 0 : 1;
    options->nut_may_be_line = false;
    options->has_end[end] = options->nut_may_be_end = state == SP_NUT_FOUND;
    if (state == SP_NUT_FOUND) {
      marks->board.end[end] = marks->edges[index[chosen]];
      options->end_position[end] = place[chosen].position;
    } else if (!status) {
      status = warn_nut_edge(state, &place[chosen], &frets, record, err);
    }
    free(place);
    free(index);
  }
  sp_match_free(&frets);
  return status;
}

/* A board's ends are squared: where the computed nut is not, none of them is it. Bone is set as askew as the nut is. */
bool check_nut_is_square(const sp_layout *layout)
{
  return fabs(sp_layout_slope(layout, 0)) < 1e-6;
}

sp_status check_refuse_fan(const sp_check_options *o, sp_error *err)
{
  if (!o->layout->fanned)
    return SP_OK;
  if (o->nut == SP_NUT_END && o->marks != SP_MARK_WIRE && !check_nut_is_square(o->layout))
    return sp_fail(
        err, SP_E_USAGE,
        "the board's squared end cannot be a nut that is askew; scribe the nut as a line and give --nut line");
  return SP_OK;
}

/* A slot far broader than the others is doubted (usual_width_px), but the nut's. */
static void doubt_broad_slots(const sp_match *match, int32_t frets, sp_marks *marks)
{
  for (int32_t k = 0; match->state == SP_MATCH_OK && k <= frets; k++) {
    sp_mark *m = match->line_of_fret[k] >= 0 ? &marks->marks[match->line_of_fret[k]] : NULL;
    if (!m || !(m->u_unless_nut_px > 0.0))
      continue;
    if (k == 0)
      m->usual_width_px = 0.0;
    else
      m->u_u_px = hypot(m->u_u_px, m->u_unless_nut_px);
    m->u_unless_nut_px = 0.0;
  }
}

static sp_status find_match(const sp_check_options *o, const sp_reference *reference, sp_marks *marks,
                            double stated_dpi, corrected *said, sp_match *match, sp_record *record, sp_error *err)
{
  sp_match_options options;
  sp_match_line *lines = calloc(marks->count + 1, sizeof *lines);
  if (!lines)
    return sp_fail_memory(err);
  sp_status status = sp_verdict_match_input(reference, marks, lines, &options, err);
  options.nut_may_be_line = o->nut != SP_NUT_END;
  options.nut_may_be_end = o->nut != SP_NUT_LINE && !o->layout->zero_fret && check_nut_is_square(o->layout);
  if (said->nut == NUT_AT_EDGE)
    options.told_position = sp_verdict_place(reference, marks, marks->edges[said->nut_index].u_px);
  if (!status)
    status = corrected_guide(marks, o->layout, lines, &options, said, err);
  if (!status && o->marks == SP_MARK_WIRE)
    status = seek_nut(o, reference, marks, lines, said, &options, record, err);
  if (status) {
    free(lines);
    return status;
  }
  status = sp_match_lines(lines, marks->count, o->layout, &options, match, err);
  if (!status && match->state == SP_MATCH_AMBIGUOUS && !reference->map.known && stated_dpi > 0.0) {
    sp_match hinted = {0};
    status = match_by_statement(o, lines, marks->count, options, 25.4 / stated_dpi, &hinted, err);
    if (!status && hinted.state == SP_MATCH_OK) {
      sp_match_free(match);
      *match = hinted;
      status = sp_record_warn(record, err,
                              "which line is which fret was told with the help of the resolution that the file states "
                              "(%.0f dpi)",
                              stated_dpi);
    } else if (!status) {
      sp_match_free(&hinted);
    }
  }
  if (!status && o->marks == SP_MARK_WIRE && o->nut == SP_NUT_AUTO) /* seek_nut left no line to be it */
    match->nut_end_assumed = match->nut_is_end;
  if (!status)
    corrected_settle(marks, o->layout, lines, &options, said, match);
  if (!status)
    doubt_broad_slots(match, o->layout->frets, marks);
  free(lines);
  return status;
}

/* ---- is the rule what it was taken for? ----------------------------------------------------------------------------
 */

static bool is_in_doubt(const sp_reference *reference, const sp_match *match)
{
  return match->state != SP_MATCH_OK && reference->record.kind == SP_REFERENCE_RULE;
}

/* The graduation with which millimetres would be `ratio` times as long; -1: there is none. Kinds that are nearly alike
 * differ in their pattern. */
static int graduation_for(const sp_reference *reference, double ratio)
{
  const double near = 0.004, apart = 0.1;
  for (int k = 0; k < SP_GRADUATION_KINDS; k++) {
    const double other = SP_GRADUATION_MM_OF[k] / reference->record.graduation_mm;
    if (fabs(log(other)) > apart && fabs(log(ratio / other)) < near)
      return k;
  }
  return -1;
}

static void forget_scale(sp_reference *reference, sp_reference_record *r)
{
  reference->map.known = false;
  reference->record.kind = r->kind = SP_REFERENCE_NONE;
  r->px_per_mm = r->graduation_mm = r->mpe_mm = r->fit_rms_mm = r->span_mm = r->carriage_rms_mm = NAN;
}

/* The lines do not follow the layout that was asked for, by the scale that was read. Would they with another graduation
 * of the rule? Then there is no scale: which of the two is wrong, the maker knows. */
static sp_status doubt_rule(const sp_check_options *o, sp_reference *scale, sp_marks *marks, corrected *said,
                            sp_match *match, sp_record *record, sp_error *err)
{
  const double read_mm = scale->record.graduation_mm, px_per_mm = scale->record.px_per_mm;
  sp_reference without = *scale;
  sp_reference_record unused = scale->record;
  sp_match by_itself = {0};
  forget_scale(&without, &unused);
  sp_status status = find_match(o, &without, marks, NAN, said, &by_itself, record, err);
  const int other =
      !status && by_itself.state == SP_MATCH_OK ? graduation_for(scale, by_itself.mm_per_unit * px_per_mm) : -1;
  if (status || other < 0) {
    sp_match_free(&by_itself);
    return status;
  }
  sp_match_free(match);
  *match = by_itself;
  forget_scale(scale, &record->reference);
  return sp_record_warn(record, err,
                        "no scale: the rule was read as graduated every %.4g mm, but only with graduations of %s would "
                        "the lines follow the layout that was asked for; look at the rule and say which with --graduation",
                        read_mm, SP_GRADUATION_NAME[other]);
}

static sp_status decide(const sp_check_options *o, const sp_reference *read, sp_marks *marks, double stated_dpi,
                        corrected *said, sp_record *record, sp_error *err)
{
  sp_match match = {0};
  sp_reference scale = *read; /* what it points to stays the reader's */
  const sp_reference *reference = &scale;
  check_tell(&o->progress, SP_CHECK_MATCH);
  sp_status status = find_match(o, reference, marks, stated_dpi, said, &match, record, err);
  if (!status && !said->count && is_in_doubt(reference, &match)) /* what was said by hand is used up once */
    status = doubt_rule(o, &scale, marks, said, &match, record, err);
  check_tell(&o->progress, SP_CHECK_JUDGING);
  const bool paper = reference->record.kind == SP_REFERENCE_STRIP;
  const sp_verdict_options v = {record->tolerance_mm, record->tolerance_cents, paper ? NAN : o->temperature_c};
  if (!status && paper && isfinite(o->temperature_c))
    status = sp_record_warn(record, err,
                            "no correction for temperature: how a printed strip grows depends on what it is glued to; "
                            "measure its check length where the board is scanned");
  if (!status)
    status = sp_verdict_decide(o->layout, reference, marks, &match, &v, record, err);
  if (!status)
    status = sp_findings_add(o->layout, record, err);
  sp_match_free(&match);
  return status;
}

void check_set_task(const sp_check_options *o, sp_record *record)
{
  record->scale_length_mm = o->layout->scale_length_mm;
  record->frets = o->layout->frets;
  record->divisions = o->layout->divisions;
  if (o->layout->fanned) {
    const sp_fan *fan = &o->layout->fan;
    record->square_fret = fan->square_fret;
    record->bass_scale_mm = fan->bass_mm;
    record->treble_scale_mm = fan->treble_mm;
    record->spread_nut_mm = fan->spread_nut_mm;
    record->spread_saddle_mm = fan->spread_saddle_mm;
  }
  record->nut_shift_mm = o->layout->nut_shift_mm;
  record->zero_fret = o->layout->zero_fret;
  memcpy(record->board, o->layout->name, sizeof record->board);
  record->marks_kind = o->marks;
  record->left_handed = o->layout->left_handed;
  record->tolerance_mm = o->tolerance_mm;
  record->tolerance_cents = o->tolerance_cents;
  record->tolerance_default = isnan(o->tolerance_mm) && isnan(o->tolerance_cents);
  if (record->tolerance_default)
    record->tolerance_mm = SP_DEFAULT_TOLERANCE_MM;
}

sp_status check_warn_kind(sp_mark_kind kind, sp_record *record, sp_error *err)
{
  static const char *const NAMES[] = {
      [SP_MARK_KNIFE] = "knife lines", [SP_MARK_SLOT] = "sawn slots", [SP_MARK_WIRE] = "frets"};
  const sp_mark_kind a = kind == SP_MARK_KNIFE ? SP_MARK_SLOT : SP_MARK_KNIFE,
                     b = kind == SP_MARK_WIRE ? SP_MARK_SLOT : SP_MARK_WIRE;
  return sp_record_warn(record, err, "looked for %s; if the board carries %s or %s, say --marks %s or %s", NAMES[kind],
                        NAMES[a], NAMES[b], sp_mark_kind_word(a), sp_mark_kind_word(b));
}

/* Of a photograph only the part was drawn in which lines run across the rule. Was that too little? */
static bool is_cut_short(const opened_picture *open, const sp_marks *marks)
{
  const sp_photo *photo = &open->photo;
  if (!open->straightened || !(photo->cut[0] || photo->cut[1]))
    return false;
  if (marks->count < FEW_LINES)
    return true;
  const double first = marks->marks[0].u_px, last = marks->marks[marks->count - 1].u_px;
  const sp_lengthwise *a = &marks->board.side[0], *b = &marks->board.side[1];
  const double least = fmin(a->at_px + a->slope * first, a->at_px + a->slope * last);
  const double most = fmax(b->at_px + b->slope * first, b->at_px + b->slope * last);
  /* a side that a rule laid against it hides would not show in the whole picture either */
  const double clear = marks->board.edges_found ? BOARD_CLEAR_PX : ENDS_CLEAR_PX;
  return (photo->cut[0] && least < clear) || (photo->cut[1] && most > photo->straight.height_px - clear);
}

/* `m` is set up for the picture that is searched in the end. */
static sp_status find_marks(opened_picture *open, const sp_check_options *o, bool of_several, corrected *said,
                            sp_marks_options *m, sp_marks *marks, sp_error *err)
{
  *m = marks_options(&open->scene, &open->reference, &open->info, o);
  m->scribed_nut = !of_several && o->nut != SP_NUT_END && !o->layout->zero_fret && !o->layout->fanned;
  m->by_camera = m->by_camera || open->straightened;
  sp_status status = paint_strips(open, err);
  if (!status)
    status = corrected_place(open, said, err);
  m->hints = said->hints;
  m->hint_count = said->hint_count;
  if (!status)
    status = sp_marks_find(&open->scene, m, marks, err);
  return status;
}

static sp_status find_marks_anywhere(opened_picture *open, const sp_check_options *o, bool of_several, corrected *said,
                                     sp_marks_options *m, sp_marks *marks, sp_record *record, sp_error *err)
{
  sp_status status = find_marks(open, o, of_several, said, m, marks, err);
  if (status || !is_cut_short(open, marks))
    return status;
  sp_marks_free(marks);
  status = check_draw_whole(open, &o->reference, record, err);
  return status ? status : find_marks(open, o, of_several, said, m, marks, err);
}

sp_status check_find_marks(opened_picture *open, const sp_check_options *o, bool of_several, sp_marks *marks,
                           corrected *said, sp_record *record, sp_error *err)
{
  sp_marks_options m;
  check_tell(&o->progress, SP_CHECK_MARKS);
  sp_status status = find_marks_anywhere(open, o, of_several, said, &m, marks, record, err);
  if (!status)
    status = corrected_find(&m, marks, said, err);
  if (!status && !of_several)
    status = corrected_leave_out(marks, said, err);
  if (!status && marks->count && open->reference.map.known && marks->along != open->reference.map.along)
    status = sp_fail(err, SP_E_DATA,
                     "the board does not run along the side of the picture that the scale was taken for; "
                     "lay board and rule along each other and scan again");
  if (!status)
    status = check_square_lines(open, &o->reference, o->layout->fanned, marks, err);
  return status;
}

sp_status check_judge(const sp_check_options *o, const sp_reference *reference, sp_marks *marks, double stated_dpi,
                      corrected *said, sp_record *record, sp_error *err)
{
  const sp_status status = decide(o, reference, marks, stated_dpi, said, record, err);
  return status ? status : sp_advice_add(o->layout, o->kerf_mm, record, err);
}

sp_status check_warn_marks(const opened_picture *open, const sp_marks *marks, sp_record *record, sp_error *err)
{
  const double px_per_mm = px_per_mm_hint(&open->scene, &open->reference, &open->info);
  sp_status status = SP_OK;
  if (!open->straightened)
    status = warn_scan(&open->reference, marks, px_per_mm, record, err);
  if (!status)
    status = warn_quality(check_measured(open), &open->reference, marks, px_per_mm, record, err);
  return status;
}

/* Lines to record, all in the frame of the picture that was measured. */
static sp_status measure(opened_picture *open, const sp_check_options *o, sp_marks *marks, corrected *said,
                         sp_record *record, sp_error *err)
{
  sp_status status = check_find_marks(open, o, false, marks, said, record, err);
  if (!status)
    status = check_judge(o, &open->reference, marks, mean_stated(&open->info), said, record, err);
  if (!status) {
    corrected_note_strokes(&open->reference, said);
    status = corrected_note(said, record, err);
  }
  if (!status)
    status = check_warn_marks(open, marks, record, err);
  return status;
}

/* Seen at a slant a crown hides part of the foot that lies away from the camera, the more the farther out: half of a
 * tenth of a millimetre and more at the ends of a board, and which part depends on the wire's section. */
static sp_status refuse_crowns(const opened_picture *open, sp_mark_kind kind, sp_error *err)
{
  if (kind != SP_MARK_WIRE || !open->straightened)
    return SP_OK;
  return sp_fail(err, SP_E_DATA,
                 "frets cannot be measured in a photograph: their crowns stand above the board and hide the foot that "
                 "lies away from the camera; scan the neck on a flatbed");
}

sp_status sp_check_picture(const char *path, const sp_check_options *o, sp_record *record, sp_raster *raster,
                           sp_error *err)
{
  opened_picture open = {.calibrated = false};
  sp_marks marks = {0};
  corrected said = {.count = 0};
  sp_corrections named;
  sp_reference_options reference = o->reference;
  check_set_task(o, record);
  sp_status status = check_refuse_fan(o, err);
  if (status)
    return status;
  status = corrected_name_sources(o->corrections, &path, o->names, 1, &named, err);
  if (!status)
    status = corrected_begin(&named, EVERY_SOURCE, &said, err);
  reference.strokes = said.strokes;
  reference.stroke_count = said.stroke_count;
  if (!status)
    status = check_open(path, &reference, &o->read, &o->progress, record, &open, err);
  if (!status && said.count) /* somebody may have pointed at what was cut away */
    status = check_draw_whole(&open, &reference, record, err);
  if (!status)
    status = refuse_crowns(&open, o->marks, err);
  if (!status)
    status = measure(&open, o, &marks, &said, record, err);
  if (!status)
    check_place_in_picture(&open, &o->reference, record);
  if (!status)
    status = check_warn_photo(&open, &o->reference, marks.blur_px, record, err);
  if (!status && marks.reason[0])
    status = sp_record_warn(record, err, "%s", marks.reason);
  if (!status && marks.count < 3)
    status = check_warn_kind(o->marks, record, err);
  sp_marks_free(&marks);
  corrected_free(&said);
  sp_corrections_free(&named);
  check_close(&open, raster, status == SP_OK);
  return status;
}
