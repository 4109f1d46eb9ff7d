/* Fanned frets of wire: the picture is drawn anew so that they are square, measured as any, and taken back.
 *
 * All that finds frets and their feet looks square across the board: the median over the breadth, the section that all
 * frets share, the feet. So each row is drawn shifted by what a line that leans as the frets do has moved there, and
 * the board stretched by the cosine of that lean, so that all frets have one section whatever they lean by. With c(u)
 * the centre line, s(u) the lean (du/dv beyond square) where the centre line is crossed at u, the new picture shows
 *     at (u', v) what the old one has at (U(u') + s(U(u')) (v - c(U(u'))), v),   dU/du' = 1 / cos of the lean
 * so a line of that lean becomes exactly straight and square, and rows are drawn along u only (cubic convolution: Keys
 * 1981), which leaves the wood's streaks what they are. Where the lean comes from: first from the lines that a search
 * of all slopes finds (feet and highlights of the frets), then from the frets found, a parabola in u both times, since
 * spreads that grow bend it. What the parabola misses the fit of each fret finds, as it finds a fret that is not
 * square.
 *
 * Lines are straight in even pixels (see lean.c), so shifts are laid off in those, and what comes out is so, too.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board_internal.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"
#include "wire.h"

enum { FEWEST_LINES = 5, MOST_LINES = 400, ROUNDS = 6, TERMS = 3 };
/* Lines that lean otherwise than most by more than this are no frets. */
static const double UNLIKE = 0.04, LEAST_UNLIKE = 0.004;
/* Frets found lean off the parabola by less than this, or all are looked for once more. */
static const double NEAR = 0.003;
static const double LEAST_LENGTH_MM = 15.0;
/* What all frets of a square board err by alike (a joint, a shadow) they share only in part where each lies at another
 * angle to the lamp: so much of it is each fret's own (sized on drawn fans). */
static const double NOT_ALIKE = 0.5;
/* Shadow and dirt beside a fret reach no farther. */
static const double BESIDE_MM = 1.7;

/* The new picture against the old one. */
typedef struct warp {
  const sp_marks_options *o;
  const sp_raster *from;
  sp_along along;
  sp_raster to;
  sp_lengthwise centre;
  double middle_px, half_px; /* of the range that the parabola runs over */
  double lean[TERMS];        /* du/dv of frets = sum lean[i] t^i, t = (u - middle) / half */
  int32_t length, new_length;
  double *old_u; /* U(u'), new_length of them */
  double *even;  /* an even picture's u less u, for each u; NULL: it is even */
} warp;

/* Against square to the centre line, so that frets are square in the new picture, however the board lies. */
static double lean_at(const warp *w, double u_px)
{
  const double t = (u_px - w->middle_px) / w->half_px;
  return w->lean[0] + t * (w->lean[1] + t * w->lean[2]) + w->centre.slope;
}

/* An even picture's u less u, from a table: it is asked for at every pixel. */
static double even(const warp *w, double u_px)
{
  if (!w->even)
    return 0.0;
  const double at = fmin(fmax(u_px, 0.0), w->length - 1.0), whole = fmin(floor(at), w->length - 2.0);
  const double *e = w->even + (size_t)whole;
  return e[0] + (at - whole) * (e[1] - e[0]);
}

static sp_status table_even(warp *w, sp_error *err)
{
  if (!w->o->uneven_px)
    return SP_OK;
  w->even = malloc((size_t)w->length * sizeof *w->even);
  if (!w->even)
    return sp_fail_memory(err);
  for (int32_t u = 0; u < w->length; u++)
    w->even[u] = w->o->uneven_px(w->o->uneven_context, u);
  return SP_OK;
}

/* Where a line that leans as the others do, and crosses the centre line at u_px, is at v_px. */
static double along_line(const warp *w, double u_px, double v_px)
{
  const double at = u_px + lean_at(w, u_px) * (v_px - sp_lengthwise_at(&w->centre, u_px));
  return at + even(w, u_px) - even(w, at);
}

/* ---- the lean ---------------------------------------------------------------------------------------------------- */

/* A robust parabola of slopes over u; false where there are too few. */
static bool fit_lean(const sp_mark *lines, size_t count, warp *w)
{
  double x[SP_BOARD_MAX_LINES * TERMS], y[SP_BOARD_MAX_LINES], weight[SP_BOARD_MAX_LINES], off[SP_BOARD_MAX_LINES];
  double beta[TERMS];
  sp_marks_options trend = {.trend = 0.0};
  if (count < FEWEST_LINES || count > SP_BOARD_MAX_LINES)
    return false;
  sp_lines_trend(lines, count, &trend);
  w->middle_px = 0.5 * (w->length - 1.0);
  w->half_px = 0.5 * (w->length - 1.0);
  for (size_t i = 0; i < count; i++) {
    const double t = (lines[i].u_px - w->middle_px) / w->half_px;
    x[TERMS * i] = 1.0;
    x[TERMS * i + 1] = t;
    x[TERMS * i + 2] = t * t;
    y[i] = lines[i].slope;
    off[i] = y[i] - trend.trend_at - trend.trend * lines[i].u_px;
  }
  double reach = UNLIKE;
  for (int round = 0; round < ROUNDS; round++) {
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
      const double z = off[i] / reach;
      weight[i] = fabs(z) < 1.0 ? (1.0 - z * z) * (1.0 - z * z) : 0.0;
      kept += weight[i] > 0.0;
    }
    if (kept < FEWEST_LINES || sp_lsq(count, TERMS, x, y, weight, beta, NULL, NULL, false, NULL))
      return false;
    for (size_t i = 0; i < count; i++)
      off[i] = y[i] - beta[0] - beta[1] * x[TERMS * i + 1] - beta[2] * x[TERMS * i + 2];
    reach = fmax(LEAST_UNLIKE, 0.6 * reach);
  }
  memcpy(w->lean, beta, sizeof beta);
  return true;
}

static double reach_of(const sp_candidate *c)
{
  return fabs(c->height) * (c->v1_px - c->v0_px);
}

static double length_of(const sp_mark *line)
{
  return line->v_b_px - line->v_a_px;
}

static double middle_of(const sp_mark *line)
{
  return 0.5 * (line->v_a_px + line->v_b_px);
}

/* Each line counts as the square of its length: a rule's figures are many, but short. */
static double median_by_length(const sp_mark *lines, size_t n, double (*value)(const sp_mark *))
{
  double whole = 0.0, least = INFINITY;
  for (size_t i = 0; i < n; i++)
    whole += length_of(&lines[i]) * length_of(&lines[i]);
  for (size_t i = 0; i < n; i++) {
    double below = 0.0;
    for (size_t k = 0; k < n; k++)
      below += value(&lines[k]) <= value(&lines[i]) ? length_of(&lines[k]) * length_of(&lines[k]) : 0.0;
    if (below >= 0.5 * whole)
      least = fmin(least, value(&lines[i]));
  }
  return least;
}

/* Lines that are visible and long enough to be a fret's, most visible first. */
static size_t choose_lines(const sp_candidate *c, size_t n, double least_px, sp_mark *lines)
{
  size_t count = 0, kept = 0;
  const double strong = n ? reach_of(&c[n < 12 ? n / 2 : 8]) : 0.0;
  for (size_t i = 0; i < n && count < SP_BOARD_MAX_LINES; i++)
    if (reach_of(&c[i]) > 0.25 * strong && c[i].v1_px - c[i].v0_px > least_px)
      lines[count++] = (sp_mark){.u_px = c[i].u_px,
                                 .v_px = c[i].v_px,
                                 .slope = c[i].slope,
                                 .u_u_px = 1.0,
                                 .u_slope = 2e-3,
                                 .v_a_px = c[i].v0_px,
                                 .v_b_px = c[i].v1_px};
  if (!count)
    return 0;
  const double length = median_by_length(lines, count, length_of), centre = median_by_length(lines, count, middle_of);
  for (size_t i = 0; i < count; i++)
    if (length_of(&lines[i]) > 0.6 * length && fabs(middle_of(&lines[i]) - centre) < 0.35 * length)
      lines[kept++] = lines[i];
  return kept;
}

/* The lean and the board as lines across it tell them; *known is false where they do not. */
static sp_status first_look(const sp_scene *scene, warp *w, sp_board *board, bool *known, sp_error *err)
{
  sp_candidate *candidates = malloc(MOST_LINES * sizeof *candidates);
  sp_mark lines[SP_BOARD_MAX_LINES];
  sp_marks_options as_slots = *w->o;
  sp_scene fine;
  size_t n = 0;
  *known = false;
  if (!candidates)
    return sp_fail_memory(err);
  as_slots.kind = SP_MARK_SLOT; /* the filter that answers to half a millimetre */
  const uint32_t strip_px = sp_lean_strip_px(w->o, scene->strip_px);
  as_slots.strips_in_one = (int32_t)lround((double)scene->strip_px / strip_px);
  sp_status status = sp_scene_create_strips(scene->raster, strip_px, &fine, err);
  if (!status) {
    status = sp_marks_search(&fine, w->along, &as_slots, NULL, MOST_LINES, candidates, &n, err);
    sp_scene_free(&fine);
  }
  if (!status) {
    const size_t count = choose_lines(candidates, n, LEAST_LENGTH_MM * w->o->px_per_mm, lines);
    *known = fit_lean(lines, count, w);
    if (*known)
      status = sp_board_find(scene, w->along, w->o, lines, count, board, err);
    w->centre = board->centre;
  }
  free(candidates);
  return status;
}

/* ---- drawing anew ------------------------------------------------------------------------------------------------ */

static double sample(const sp_raster *r, size_t at)
{
  return r->u8 ? 257.0 * r->u8[at] : r->u16[at];
}

/* Keys' cubic, a = -1/2, between the second and the third of four neighbours. */
static double cubic(const double p[4], double t)
{
  return p[1] + 0.5 * t * (p[2] - p[0] + t * (2.0 * p[0] - 5.0 * p[1] + 4.0 * p[2] - p[3] +
                                              t * (3.0 * (p[1] - p[2]) + p[3] - p[0])));
}

/* One line of the new picture across u', all v; the neighbours along u lie `step` samples apart. */
static void draw_column(void *context, size_t index)
{
  const warp *w = context;
  const bool along_x = w->along == SP_ALONG_X;
  const size_t width = w->from->width_px, breadth = along_x ? w->from->height_px : width, step = along_x ? 1 : width;
  const double last = w->length - 1.0;
  for (size_t v = 0; v < breadth; v++) {
    const double at = fmin(fmax(along_line(w, w->old_u[index], (double)v), 0.0), last);
    const double whole = fmin(floor(at), last - 1.0);
    const size_t base = along_x ? v * width : v;
    double p[4];
    for (int i = 0; i < 4; i++)
      p[i] = sample(w->from, base + step * (size_t)fmin(fmax(whole + i - 1.0, 0.0), last));
    const double grey = fmin(fmax(cubic(p, at - whole), 0.0), 65535.0);
    w->to.u16[along_x ? v * w->to.width_px + index : index * w->to.width_px + v] = (uint16_t)lround(grey);
  }
}

/* U(u'): from one pixel to the next the old one advances by 1 / cos of the lean. */
static sp_status lay_out(warp *w, sp_error *err)
{
  free(w->old_u);
  w->old_u = calloc((size_t)w->length + 1, sizeof *w->old_u);
  if (!w->old_u)
    return sp_fail_memory(err);
  double u = 0.0;
  for (w->new_length = 0; u < w->length - 1.0 && w->new_length < w->length; w->new_length++) {
    w->old_u[w->new_length] = u;
    u += hypot(1.0, lean_at(w, u));
  }
  return SP_OK;
}

static sp_status draw(warp *w, sp_error *err)
{
  const bool along_x = w->along == SP_ALONG_X;
  sp_raster_free(&w->to);
  sp_status status = lay_out(w, err);
  if (!status)
    status = sp_raster_create(along_x ? (uint32_t)w->new_length : w->from->width_px,
                              along_x ? w->from->height_px : (uint32_t)w->new_length, 16, &w->to, err);
  if (!status)
    sp_workers_run(draw_column, w, (size_t)w->new_length);
  return status;
}

/* ---- and back ---------------------------------------------------------------------------------------------------- */

static double old_u(const warp *w, double new_u)
{
  const double at = fmin(fmax(new_u, 0.0), w->new_length - 2.0), whole = fmin(floor(at), w->new_length - 2.0);
  const double *u = w->old_u + (size_t)whole;
  return u[0] + (new_u - whole) * (u[1] - u[0]);
}

/* A line of the new picture in the old one: place on row v_px, slope in even pixels there, and how much longer lengths
 * along u are. */
static double take_back(const warp *w, double *u_px, double v_px, double *slope)
{
  const double step = 0.5, at = *u_px, reach = 10.0;
  const double up = along_line(w, old_u(w, at + reach * *slope), v_px + reach),
               down = along_line(w, old_u(w, at - reach * *slope), v_px - reach);
  const double stretch =
      (along_line(w, old_u(w, at + step), v_px) - along_line(w, old_u(w, at - step), v_px)) / (2.0 * step);
  *u_px = along_line(w, old_u(w, at), v_px);
  *slope = (up + even(w, up) - down - even(w, down)) / (2.0 * reach);
  return stretch;
}

/* Where a line of this slope (in even pixels) meets the centre line, if it is at u_px on v_px. */
static void cross(const warp *w, const sp_lengthwise *centre, double *u_px, double *v_px, double slope)
{
  for (int round = 0; round < 3; round++) {
    const double v = sp_lengthwise_at(centre, *u_px), at = *u_px + slope * (v - *v_px);
    *u_px = at + even(w, *u_px) - even(w, at);
    *v_px = v;
  }
}

static void take_marks_back(const warp *w, sp_marks *marks)
{
  for (size_t i = 0; i < marks->count; i++) {
    sp_mark *m = &marks->marks[i];
    const double stretch = take_back(w, &m->u_px, m->v_px, &m->slope);
    m->u_u_px = stretch * hypot(m->u_u_px, NOT_ALIKE * m->u_common_px);
    m->u_slope *= stretch;
    m->cov_u_slope *= stretch * stretch;
    m->u_common_px *= stretch;
    m->width_px *= stretch;
    m->u_width_px *= stretch;
  }
  for (size_t i = 0; i < marks->edge_count; i++) {
    sp_board_end *e = &marks->edges[i];
    const double stretch = take_back(w, &e->u_px, e->v_px, &e->slope);
    e->u_u_px *= stretch;
    e->u_slope *= stretch;
  }
  marks->even = w->o->uneven_px != NULL;
}

/* ---- the outline ------------------------------------------------------------------------------------------------- */

/* The old picture without its frets: what lies to both sides of each goes on through it. Where frets end is nothing of
 * the board's, and they reach over its sides here and there, by a tenth of a millimetre and more. */
typedef struct bare {
  const warp *w;
  const sp_marks *marks;
  sp_raster to;
} bare;

static double mean_of(const bare *b, size_t base, size_t step, double u)
{
  double sum = 0.0;
  for (int i = -2; i <= 2; i++)
    sum += sample(b->w->from, base + step * (size_t)(u + i));
  return 0.2 * sum;
}

/* Half of what is painted over for a fret, along u; no farther than midway to its neighbours. */
static double half_of(const bare *b, size_t i)
{
  const sp_mark *m = &b->marks->marks[i];
  const double width = isfinite(m->width_px) ? m->width_px : SP_WIRE_MOST_MM * b->w->o->px_per_mm;
  double half = 0.5 * width + BESIDE_MM * b->w->o->px_per_mm;
  if (i)
    half = fmin(half, 0.5 * (m->u_px - m[-1].u_px));
  if (i + 1 < b->marks->count)
    half = fmin(half, 0.5 * (m[1].u_px - m->u_px));
  return half;
}

static void paint_row(void *context, size_t v)
{
  const bare *b = context;
  const bool along_x = b->w->along == SP_ALONG_X;
  const size_t step = along_x ? 1 : b->to.width_px, base = along_x ? v * b->to.width_px : v;
  for (int32_t u = 0; u < b->w->length; u++)
    b->to.u16[base + step * (size_t)u] = (uint16_t)sample(b->w->from, base + step * (size_t)u);
  for (size_t i = 0; i < b->marks->count; i++) {
    const sp_mark *m = &b->marks->marks[i];
    const double half = half_of(b, i), u = m->u_px + m->slope * ((double)v - m->v_px);
    const double from = floor(u - half), to = ceil(u + half);
    if (from < 3.0 || to > b->w->length - 4.0)
      continue;
    const double a = mean_of(b, base, step, from), c = mean_of(b, base, step, to);
    for (double x = from; x <= to; x += 1.0)
      b->to.u16[base + step * (size_t)x] = (uint16_t)lround(a + (c - a) * (x - from) / (to - from));
  }
}

static sp_status find_board(const warp *w, sp_marks *marks, sp_error *err)
{
  bare b = {w, marks, {0}};
  sp_scene scene = {0};
  sp_status status = sp_raster_create(w->from->width_px, w->from->height_px, 16, &b.to, err);
  if (!status) {
    sp_workers_run(paint_row, &b, w->along == SP_ALONG_X ? w->from->height_px : w->from->width_px);
    status = sp_scene_create(&b.to, &scene, err);
  }
  if (!status)
    status = sp_board_find(&scene, w->along, w->o, marks->marks, marks->count, &marks->board, err);
  sp_scene_free(&scene);
  sp_raster_free(&b.to);
  return status;
}

/* The outline as it lies in the old picture; lines and edges cross its centre line. */
static sp_status outline(const warp *w, sp_marks *marks, sp_error *err)
{
  const sp_status status = find_board(w, marks, err);
  for (size_t i = 0; !status && i < marks->count; i++) {
    sp_mark *m = &marks->marks[i];
    const double from = m->v_px;
    cross(w, &marks->board.centre, &m->u_px, &m->v_px, m->slope);
    const double d = m->v_px - from;
    m->u_u_px = sqrt(fmax(m->u_u_px * m->u_u_px + 2.0 * d * m->cov_u_slope + d * d * m->u_slope * m->u_slope, 1e-8));
    m->cov_u_slope += d * m->u_slope * m->u_slope;
  }
  for (size_t i = 0; !status && i < marks->edge_count; i++)
    cross(w, &marks->board.centre, &marks->edges[i].u_px, &marks->edges[i].v_px, marks->edges[i].slope);
  return status;
}

/* ---- together ---------------------------------------------------------------------------------------------------- */

static sp_status find_square(warp *w, sp_marks *marks, sp_error *err)
{
  sp_marks_options square = *w->o;
  sp_scene scene = {0};
  square.most_lean = 0.0;
  square.uneven_px = NULL;
  sp_marks_free(marks);
  sp_status status = draw(w, err);
  if (!status)
    status = sp_scene_create(&w->to, &scene, err);
  if (!status)
    status = sp_wires_find(&scene, w->along, &square, marks, err);
  sp_scene_free(&scene);
  return status;
}

/* Does a fret lean so far off the parabola that its section was smeared? */
static bool leans_off(const sp_marks *marks)
{
  for (size_t i = 0; i < marks->count; i++)
    if (fabs(marks->marks[i].slope + marks->board.centre.slope) > NEAR)
      return true;
  return false;
}

/* Once more, by the lean of the frets that were found. */
static sp_status find_again(warp *w, sp_marks *marks, sp_error *err)
{
  take_marks_back(w, marks);
  return fit_lean(marks->marks, marks->count, w) ? find_square(w, marks, err) : SP_OK;
}

sp_status sp_wires_find_fanned(const sp_scene *scene, sp_along along, const sp_marks_options *o, sp_marks *marks,
                               sp_error *err)
{
  warp w = {.o = o, .from = scene->raster, .along = along};
  sp_board board = {0};
  bool known = false;
  w.length = (int32_t)(along == SP_ALONG_X ? scene->raster->width_px : scene->raster->height_px);
  memset(marks, 0, sizeof *marks);
  marks->along = along;
  marks->blur_px = NAN;
  if (w.length < 2)
    return SP_OK;
  sp_status status = table_even(&w, err);
  if (!status)
    status = first_look(scene, &w, &board, &known, err);
  if (!status && !known)
    snprintf(marks->reason, sizeof marks->reason, "no frets across a board were found");
  if (!status && known)
    status = find_square(&w, marks, err);
  if (!status && marks->count >= FEWEST_LINES && leans_off(marks))
    status = find_again(&w, marks, err);
  if (!status && marks->count) {
    take_marks_back(&w, marks);
    status = outline(&w, marks, err);
  }
  sp_raster_free(&w.to);
  free(w.old_u);
  free(w.even);
  return status;
}
