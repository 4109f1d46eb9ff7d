/* What was found, drawn into the picture.
 *
 * A line ON a knife line would hide it, so each mark is flanked by two. Number and sign stand beyond the line's end, on
 * the side away from the rule if there is room there. Text always stands upright in the picture. A missing mark is
 * drawn where its neighbours say it should be: its ends are interpolated between theirs over the computed places (which
 * is drawing, good to a line's width, not measuring). */
#include "slotproof/report.h"

#include <math.h>
#include <stdlib.h>

#include "pen.h"

/* Letter height: this part of the picture's longer side, within limits, and this part of the narrowest fret. */
static const double LETTER_PART = 1.0 / 150.0, LEAST_LETTER_PX = 9.0, MOST_LETTER_PX = 90.0, FRET_PART = 0.42;
/* Of the letter height, beyond the line's end: sign, number, word. Text needs more room sideways than upward. */
static const double SIGN_AT = 1.1, NUMBER_AT_UP = 2.7, NUMBER_AT_SIDE = 3.1, WORD_AT_UP = 4.3, WORD_AT_SIDE = 6.6;
static const double SIGN_RADIUS = 0.6;
/* Clear of the mark on either side: its blur and the rim of the flanking line. */
static const double GAP_PX = 4.0;

typedef struct drawing {
  const sp_record *record;
  sp_pen pen;
  sp_point axis;   /* unit vector along the board, from the nut */
  sp_point across; /* unit vector of the board's y */
  double side;     /* labels go beyond the end at larger (+1) or smaller (-1) y */
  double outward;  /* +1: beyond the line's end, -1: inside the board for lack of room */
} drawing;

/* ---- sizes and directions --------------------------------------------------------------------------------------- */

static uint32_t reduction_of(const sp_raster *raster)
{
  uint32_t reduce = 1;
  while ((double)raster->width_px * raster->height_px / ((double)reduce * reduce) > SP_OVERLAY_MAX_PIXELS)
    reduce++;
  return reduce;
}

/* Narrowest distance of neighbouring marks, picture px; INFINITY if there are none. */
static double narrowest_fret_px(const sp_record *r)
{
  double least = INFINITY;
  for (size_t i = 1; i < r->mark_count; i++) {
    const sp_point a = r->marks[i - 1].centre_px, b = r->marks[i].centre_px;
    if (r->marks[i - 1].found && r->marks[i].found && sp_point_known(a) && sp_point_known(b))
      least = fmin(least, hypot(a.x - b.x, a.y - b.y));
  }
  return least;
}

static void size_pen(drawing *d)
{
  const double longer = fmax(sp_canvas_width_px(d->pen.canvas), sp_canvas_height_px(d->pen.canvas));
  const double letter = fmin(LETTER_PART * longer, FRET_PART * narrowest_fret_px(d->record) / d->pen.reduce);
  d->pen.letter_px = fmin(fmax(letter, LEAST_LETTER_PX), MOST_LETTER_PX);
  d->pen.stroke_px = (int)fmax(2.0, round(d->pen.letter_px / 12.0));
}

static void orient(drawing *d)
{
  const sp_record *r = d->record;
  d->axis = sp_direction(r->nut_px, r->bridgeward_px);
  if (d->axis.x == 0.0 && d->axis.y == 0.0)
    d->axis = (sp_point){1.0, 0.0};
  d->across = (sp_point){-d->axis.y, d->axis.x};
}

static sp_point label_at(const drawing *d, sp_point a, sp_point b, double distance)
{
  const sp_point end = d->side > 0.0 ? b : a;
  return sp_point_shifted(end, d->across, d->side * d->outward * distance * d->pen.letter_px * d->pen.reduce);
}

static double number_at(const drawing *d)
{
  return fabs(d->across.x) > fabs(d->across.y) ? NUMBER_AT_SIDE : NUMBER_AT_UP;
}

static double word_at(const drawing *d)
{
  return fabs(d->across.x) > fabs(d->across.y) ? WORD_AT_SIDE : WORD_AT_UP;
}

static bool labels_fit(const drawing *d)
{
  const double edge = 0.9 * d->pen.letter_px * d->pen.reduce;
  const double width = sp_canvas_width_px(d->pen.canvas) * d->pen.reduce,
               height = sp_canvas_height_px(d->pen.canvas) * d->pen.reduce;
  for (size_t i = 0; i < d->record->mark_count; i++) {
    const sp_mark_record *m = &d->record->marks[i];
    const sp_point p = label_at(d, m->end_a_px, m->end_b_px, number_at(d));
    if (m->found && sp_point_known(p) && (p.x < edge || p.y < edge || p.x > width - edge || p.y > height - edge))
      return false;
  }
  return true;
}

/* Away from the rule, else (if there is no rule) the other side, else inside. */
static void choose_side(drawing *d)
{
  const sp_point rule = d->record->reference.first_px, nut = d->record->nut_px;
  const bool has_rule = sp_point_known(rule) && sp_point_known(nut);
  const double rule_side = (rule.x - nut.x) * d->across.x + (rule.y - nut.y) * d->across.y;
  d->side = has_rule && rule_side > 0.0 ? -1.0 : 1.0;
  d->outward = 1.0;
  if (labels_fit(d))
    return;
  if (!has_rule) {
    d->side = -d->side;
    if (labels_fit(d))
      return;
    d->side = -d->side;
  }
  d->outward = -1.0;
}

/* ---- marks ------------------------------------------------------------------------------------------------------ */

static void flank(drawing *d, const sp_mark_record *m, sp_colour ink)
{
  const double scale = d->record->reference.px_per_mm, half = 0.5 * m->width_mm * scale;
  const double gap = (isfinite(half) ? half : 0.0) + (GAP_PX + d->pen.stroke_px) * d->pen.reduce;
  for (int s = -1; s <= 1; s += 2)
    sp_pen_line(&d->pen, sp_point_shifted(m->end_a_px, d->axis, s * gap),
                sp_point_shifted(m->end_b_px, d->axis, s * gap), SP_SOLID, ink);
}

static void put_label(drawing *d, const sp_mark_record *m, sp_point a, sp_point b, sp_colour ink, const char *word)
{
  char text[16];
  const char *star = m->by_hand ? "*" : "";
  if (m->fret)
    snprintf(text, sizeof text, "%ld%s", (long)m->fret, star);
  else
    snprintf(text, sizeof text, "nut%s", star);
  sp_pen_text(&d->pen, text, label_at(d, a, b, number_at(d)), d->pen.letter_px, ink);
  if (word)
    sp_pen_text(&d->pen, word, label_at(d, a, b, word_at(d)), 0.6 * d->pen.letter_px, ink);
}

static void draw_found(drawing *d, const sp_mark_record *m)
{
  const sp_colour ink = sp_ink_of(m->verdict);
  const double move = isfinite(m->recut_mm) ? m->recut_mm : -m->error_mm;
  const sp_point heading = {move < 0.0 ? -d->axis.x : d->axis.x, move < 0.0 ? -d->axis.y : d->axis.y};
  flank(d, m, ink);
  if (m->fret > 0)
    sp_pen_sign(&d->pen, m->verdict, label_at(d, m->end_a_px, m->end_b_px, SIGN_AT), heading,
                SIGN_RADIUS * d->pen.letter_px);
  put_label(d, m, m->end_a_px, m->end_b_px, ink, m->verdict == SP_OUT ? "out" : NULL);
}

static const sp_mark_record *neighbour(const sp_record *r, size_t from, int step)
{
  for (size_t i = from; i < r->mark_count; i += (size_t)step) /* below 0 wraps to a large number, and ends it */
    if (r->marks[i].found && sp_point_known(r->marks[i].end_a_px) && sp_point_known(r->marks[i].end_b_px))
      return &r->marks[i];
  return NULL;
}

static sp_point between(sp_point a, sp_point b, double t)
{
  return (sp_point){a.x + t * (b.x - a.x), a.y + t * (b.y - a.y)};
}

bool sp_missing_place(const sp_record *r, size_t index, sp_point *end_a_px, sp_point *end_b_px)
{
  const sp_mark_record *m = &r->marks[index], *lo = neighbour(r, index - 1, -1), *hi = neighbour(r, index + 1, 1);
  if (!lo && hi) /* beyond the first or last found one: carry on its line to the next */
    lo = hi, hi = neighbour(r, (size_t)(lo - r->marks) + 1, 1);
  else if (!hi && lo)
    hi = lo, lo = neighbour(r, (size_t)(hi - r->marks) - 1, -1);
  if (!lo || !hi)
    return false;
  const double t = (m->layout_mm - lo->layout_mm) / (hi->layout_mm - lo->layout_mm);
  *end_a_px = between(lo->end_a_px, hi->end_a_px, t);
  *end_b_px = between(lo->end_b_px, hi->end_b_px, t);
  return isfinite(t);
}

static void draw_missing(drawing *d, size_t index)
{
  sp_point a, b;
  if (!sp_missing_place(d->record, index, &a, &b))
    return;
  sp_pen_line(&d->pen, a, b, SP_DASHED, SP_INK_MISSING);
  sp_pen_sign(&d->pen, SP_MISSING, label_at(d, a, b, SIGN_AT), d->axis, SIGN_RADIUS * d->pen.letter_px);
  put_label(d, &d->record->marks[index], a, b, SP_INK_MISSING, "missing");
}

static void draw_marks(drawing *d)
{
  for (size_t i = 0; i < d->record->mark_count; i++)
    if (d->record->marks[i].found)
      draw_found(d, &d->record->marks[i]);
    else
      draw_missing(d, i);
}

static void draw_strays(drawing *d)
{
  for (size_t i = 0; i < d->record->stray_count; i++) {
    const sp_stray_record *s = &d->record->strays[i];
    const double gap = (GAP_PX + d->pen.stroke_px) * d->pen.reduce;
    sp_pen_line(&d->pen, sp_point_shifted(s->end_a_px, d->axis, -gap), sp_point_shifted(s->end_b_px, d->axis, -gap),
                SP_DOTTED, SP_INK_MISSING);
    sp_pen_line(&d->pen, sp_point_shifted(s->end_a_px, d->axis, gap), sp_point_shifted(s->end_b_px, d->axis, gap),
                SP_DOTTED, SP_INK_MISSING);
    sp_pen_text(&d->pen, "no fret", label_at(d, s->end_a_px, s->end_b_px, SIGN_AT), 0.6 * d->pen.letter_px,
                SP_INK_MISSING);
  }
}

/* ---- the scale -------------------------------------------------------------------------------------------------- */

static void draw_graduations(drawing *d)
{
  const sp_reference_record *r = &d->record->reference;
  const sp_point along = sp_direction(r->first_px, r->last_px), aside = {-along.y, along.x};
  const double half = 0.25 * d->pen.letter_px * d->pen.reduce;
  for (size_t i = 0; i < r->graduation_count; i++) {
    const sp_graduation *g = &r->graduations[i];
    if (g->used)
      sp_pen_line(&d->pen, sp_point_shifted(g->at_px, aside, -half), sp_point_shifted(g->at_px, aside, half), SP_SOLID,
                  SP_INK_RULE);
    else
      sp_pen_cross(&d->pen, g->at_px, 0.4 * d->pen.letter_px, SP_INK_OUT);
  }
  if (r->kind == SP_REFERENCE_DISTANCE || (r->kind != SP_REFERENCE_NONE && !r->graduation_count))
    sp_pen_line(&d->pen, r->first_px, r->last_px, SP_DOTTED, SP_INK_RULE);
  const double tall = 1.0 * d->pen.letter_px * d->pen.reduce;
  for (int end = 0; end < 2; end++) {
    const sp_point p = end ? r->last_px : r->first_px;
    sp_pen_line(&d->pen, sp_point_shifted(p, aside, -tall), sp_point_shifted(p, aside, tall), SP_SOLID, SP_INK_RULE);
  }
}

/* ---- where the legend should not go ----------------------------------------------------------------------------- */

enum { SAMPLES = 9, RULE_SAMPLES = 65 };

static size_t sample_line(sp_point a, sp_point b, sp_point *into)
{
  if (!sp_point_known(a) || !sp_point_known(b))
    return 0;
  for (int i = 0; i < SAMPLES; i++)
    into[i] = between(a, b, i / (SAMPLES - 1.0));
  return SAMPLES;
}

static sp_legend_kind legend_of(const sp_record *r, bool reference_only)
{
  for (size_t i = 0; i < r->mark_count && !reference_only; i++)
    if (r->marks[i].by_hand)
      return SP_LEGEND_BY_HAND;
  return reference_only ? SP_LEGEND_SCALE : SP_LEGEND_MARKS;
}

static void draw_legend(drawing *d, bool reference_only)
{
  const sp_record *r = d->record;
  const size_t room =
      (r->mark_count + r->stray_count) * (SAMPLES + 1) + r->reference.graduation_count + 4 * SAMPLES + RULE_SAMPLES;
  sp_point *busy = calloc(room, sizeof *busy);
  size_t n = 0;
  if (!busy) {
    d->pen.status = sp_fail_memory(d->pen.err);
    return;
  }
  for (size_t i = 0; i < r->mark_count; i++) {
    n += sample_line(r->marks[i].end_a_px, r->marks[i].end_b_px, busy + n);
    busy[n++] =
        label_at(d, r->marks[i].end_a_px, r->marks[i].end_b_px, number_at(d)); /* unknown ones are never covered */
  }
  for (size_t i = 0; i < r->stray_count; i++)
    n += sample_line(r->strays[i].end_a_px, r->strays[i].end_b_px, busy + n);
  for (size_t i = 0; i < r->reference.graduation_count; i++)
    busy[n++] = r->reference.graduations[i].at_px;
  for (size_t i = 0; i < RULE_SAMPLES; i++) /* where graduations are lacking, too; unknown places are never covered */
    busy[n++] = between(r->reference.first_px, r->reference.last_px, (double)i / (RULE_SAMPLES - 1));
  for (size_t i = 0; i < 4; i++)
    n += sample_line(r->outline_px[i], r->outline_px[(i + 1) % 4], busy + n);
  sp_pen_legend(&d->pen, busy, n, legend_of(r, reference_only));
  free(busy);
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

static sp_status draw(const sp_record *record, const sp_raster *raster, bool reference_only, FILE *file, sp_error *err)
{
  const uint32_t reduce = reduction_of(raster);
  drawing d = {.record = record, .pen = {.reduce = reduce, .status = SP_OK, .err = err}};
  const sp_status status = sp_canvas_create(raster, reduce, &d.pen.canvas, err);
  if (status)
    return status;
  size_pen(&d);
  orient(&d);
  choose_side(&d);
  draw_graduations(&d);
  if (!reference_only) {
    sp_pen_line(&d.pen, record->nut_px, record->bridgeward_px, SP_DASHED, SP_INK_AXIS);
    draw_strays(&d);
    draw_marks(&d);
  }
  draw_legend(&d, reference_only);
  if (d.pen.status == SP_OK)
    d.pen.status = sp_write_png(d.pen.canvas, file, err);
  sp_canvas_free(d.pen.canvas);
  return d.pen.status;
}

sp_status sp_report_overlay(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err)
{
  return draw(record, raster, false, file, err);
}

sp_status sp_report_reference_overlay(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err)
{
  return draw(record, raster, true, file, err);
}
