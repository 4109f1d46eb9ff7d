/* The board's outline.
 *
 * The long sides are looked for as steps in the grey (board_side.c) and measured (board_edge.c); the squared ends are
 * looked for between them (board_end.c). A side that does not show is put where the lines end, and the centre line's
 * direction is then only what the lines, which are square to the board on the whole, say of it: that is stated in the
 * uncertainties, for a hand that draws every line askew alike cannot be told from a board that lies askew.
 */
#include <math.h>
#include <string.h>

#include "board_internal.h"
#include "slotproof/numeric.h"

/* Sides slope against the board's middle by no more than this: 12 mm over 180 mm is 0.033. */
static const double MOST_TAPER = 0.035;
/* A centre line that denies the lines by more than a hand does is not to be relied on. */
static const double MOST_UNLIKE = 0.012;
/* What all lines of a board may lean alike, for want of a true square: 0.1 degree (common practice, no source). */
static const double COMMON_LEAN_U = 1.75e-3;
/* The same as the middles of fanned lines tell it: measured on rendered boards. */
static const double MIDDLES_U = 0.01;
/* A side that does not show is about where the lines end, 1 mm. */
static const double UNSEEN_U_MM = 1.0;
/* Slope of a side from the lines' ends: worth one end at this distance, the direction they are square to. */
static const double TIE_MM = 60.0;

/* ---- sides from the lines' ends -------------------------------------------------------------------------------------
 */

typedef struct line_ends {
  size_t n;
  double u[SP_BOARD_MAX_LINES], v[SP_BOARD_MAX_LINES];
} line_ends;

static void ends_of_lines(const sp_board_search *s, int side, line_ends *e)
{
  e->n = s->count;
  for (size_t i = 0; i < e->n; i++) {
    const sp_mark *m = &s->lines[i];
    e->v[i] = side ? m->v_b_px : m->v_a_px;
    e->u[i] = m->u_px + m->slope * (e->v[i] - m->v_px);
  }
}

/* One weighted round of the robust line below. */
static void improve_line(const line_ends *e, double slope0, double prior, double *at, double *slope)
{
  double rest[SP_BOARD_MAX_LINES];
  for (size_t i = 0; i < e->n; i++)
    rest[i] = fabs(e->v[i] - *at - *slope * e->u[i]);
  const double scale = SP_MAD_TO_SD * sp_median(rest, e->n) + 2.0;
  double sw = 0, sx = 0, sy = 0, sxx = 0, sxy = 0;
  for (size_t i = 0; i < e->n; i++) {
    const double r = (e->v[i] - *at - *slope * e->u[i]) / scale, w = 1.0 / (1.0 + r * r);
    sw += w;
    sx += w * e->u[i];
    sy += w * e->v[i];
    sxx += w * e->u[i] * e->u[i];
    sxy += w * e->u[i] * e->v[i];
  }
  const double mean = sx / sw;
  *slope = (sxy - sy * mean + prior * slope0) / (sxx - sx * mean + prior);
  *at = (sy - *slope * sx) / sw;
}

/* Lines stop short of the edge now and then, none goes beyond: the edge is where the longer ones end. */
static void move_to_longer(const line_ends *e, int side, sp_lengthwise *out)
{
  double rest[SP_BOARD_MAX_LINES];
  for (size_t i = 0; i < e->n; i++)
    rest[i] = e->v[i] - out->slope * e->u[i];
  out->at_px = sp_quantile(rest, e->n, side ? 0.75 : 0.25);
}

/* Robust straight line v = at + slope u through the ends; the slope starts from the board's and is tied to it where the
 * ends do not say better. */
static void side_from_lines(const sp_board_search *s, int side, sp_lengthwise *out)
{
  line_ends e;
  ends_of_lines(s, side, &e);
  const double prior = pow(TIE_MM * s->o->px_per_mm, 2);
  double rest[SP_BOARD_MAX_LINES], slope = s->square;
  for (size_t i = 0; i < e.n; i++)
    rest[i] = e.v[i] - s->square * e.u[i];
  double at = sp_median(rest, e.n);
  for (int round = 0; round < 8; round++)
    improve_line(&e, s->square, prior, &at, &slope);
  /* a board tapers, but not without limit */
  out->slope = fmin(s->square + MOST_TAPER, fmax(s->square - MOST_TAPER, slope));
  move_to_longer(&e, side, out);
}

/* A side that does not show, where the other one does: both taper alike. */
static void side_from_other(const sp_board_search *s, int side, const sp_lengthwise *other, sp_lengthwise *out)
{
  line_ends e;
  ends_of_lines(s, side, &e);
  out->slope = 2.0 * s->square - other->slope;
  move_to_longer(&e, side, out);
}

/* ---- together -------------------------------------------------------------------------------------------------------
 */

/* A step of the wood's figure may pass for a side where the rule lies against the true one and hides it. Then the lines
 * run on beyond it, most of them by more than this; their own ends are good to half of it. */
static const double CROSSED_MM = 1.0;
/* Frets run on beyond the inner edge of a binding, too, all by about as much and no more than it is broad; their ends
 * tell where it ends, if it is as light as the lid, to so much. */
static const double BINDING_MM = 3.5, BINDING_EVEN_MM = 0.25, BINDING_U_MM = 0.2;

/* By how much each line runs on beyond a side. */
static void run_beyond(const sp_board_search *s, int k, const sp_lengthwise *side, double *beyond)
{
  for (size_t i = 0; i < s->count; i++) {
    const sp_mark *m = &s->lines[i];
    const double end = k ? m->v_b_px : m->v_a_px, u = m->u_px + m->slope * (end - m->v_px);
    beyond[i] = (k ? 1.0 : -1.0) * (end - sp_lengthwise_at(side, u));
  }
}

/* All along the board alike: medians of the lines' first and second half, and the scatter. */
static bool is_even(const sp_board_search *s, const double *beyond, double most_px)
{
  double part[2][SP_BOARD_MAX_LINES], all[SP_BOARD_MAX_LINES];
  size_t n[2] = {0, 0};
  for (size_t i = 0; i < s->count; i++) {
    const int half = s->lines[i].u_px > 0.5 * (s->first_px + s->last_px);
    part[half][n[half]++] = all[i] = beyond[i];
  }
  return n[0] && n[1] && fabs(sp_median(part[0], n[0]) - sp_median(part[1], n[1])) < most_px &&
         sp_mad(all, s->count) < most_px;
}

static void deny_crossed_sides(const sp_board_search *s, sp_lengthwise side[2], bool seen[2])
{
  double beyond[SP_BOARD_MAX_LINES];
  const double ppm = s->o->px_per_mm;
  for (int k = 0; k < 2; k++) {
    if (!seen[k])
      continue;
    run_beyond(s, k, &side[k], beyond);
    const bool bound = s->o->kind == SP_MARK_WIRE && is_even(s, beyond, BINDING_EVEN_MM * ppm);
    const double off = sp_median(beyond, s->count);
    if (bound && off > CROSSED_MM * ppm && off < BINDING_MM * ppm) {
      side[k].at_px += (k ? 1.0 : -1.0) * off;
      side[k].u_at_px = hypot(side[k].u_at_px, BINDING_U_MM * ppm);
    } else if (off > CROSSED_MM * ppm) {
      seen[k] = false;
    }
  }
}

static void guess_unseen(const sp_board_search *s, const bool seen[2], sp_board *b)
{
  for (int k = 0; k < 2; k++) {
    if (seen[k])
      continue;
    if (seen[!k])
      side_from_other(s, k, &b->side[!k], &b->side[k]);
    else
      side_from_lines(s, k, &b->side[k]);
    b->side[k].u_at_px = UNSEEN_U_MM * s->o->px_per_mm;
    b->side[k].u_slope = b->side[k].u_at_px / fmax(0.5 * (s->last_px - s->first_px), 1.0);
  }
}

/* The direction that the lines are square to, and how well it is known. */
static double square_direction(const sp_marks_options *o, const sp_mark *lines, size_t n, double *u)
{
  double slope[SP_BOARD_MAX_LINES];
  for (size_t i = 0; i < n; i++)
    slope[i] = lines[i].slope;
  const double median = sp_median(slope, n);
  *u = hypot(COMMON_LEAN_U, 1.2533 * sp_mad(slope, n) / sqrt((double)n)); /* of a median */
  if (o->most_lean > 0.0) {
    *u = MIDDLES_U;
    return sp_lines_direction(o, lines, n);
  }
  return -median;
}

/* The line that is as far from one side as from the other: their bisector. Halfway along v is not the same where a
 * board that tapers lies askew (by a hundredth of a millimetre, which lines that lean feel). */
static void bisect(const sp_lengthwise side[2], double u_px, double *v_px, double *slope)
{
  const double n0 = hypot(1.0, side[0].slope), n1 = hypot(1.0, side[1].slope);
  const double v0 = sp_lengthwise_at(&side[0], u_px), v1 = sp_lengthwise_at(&side[1], u_px);
  *v_px = (v0 * n1 + v1 * n0) / (n0 + n1);
  *slope = (side[0].slope / n0 + side[1].slope / n1) / (1.0 / n0 + 1.0 / n1);
}

static void set_centre(const sp_board_search *s, double u_square, sp_board *b)
{
  const double middle = 0.5 * (s->first_px + s->last_px);
  sp_lengthwise *c = &b->centre;
  double at;
  bisect(b->side, middle, &at, &c->slope);
  c->u_at_px = 0.5 * hypot(b->side[0].u_at_px, b->side[1].u_at_px);
  c->u_slope = 0.5 * hypot(b->side[0].u_slope, b->side[1].u_slope);
  if (!b->edges_found) {
    c->slope = s->square;
    c->u_slope = u_square;
  }
  /* a centre line that denies the lines may be right, if all are askew; it is not to be relied on */
  const double unlike = fabs(c->slope - s->square);
  if (unlike > (s->o->most_lean > 0.0 ? 4.0 : 1.0) * MOST_UNLIKE) {
    b->edges_found = false;
    c->u_slope = fmax(c->u_slope, unlike);
    c->u_at_px = fmax(c->u_at_px, 0.5 * unlike * (s->last_px - s->first_px));
  }
  c->at_px = at - c->slope * middle;
}

sp_status sp_board_find(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_mark *lines,
                        size_t count, sp_board *board, sp_error *err)
{
  memset(board, 0, sizeof *board);
  if (count < 2)
    return SP_OK;
  const size_t n = count < SP_BOARD_MAX_LINES ? count : SP_BOARD_MAX_LINES;
  double u_square;
  bool seen[2];
  sp_board_search s = {scene, along, o, lines, n, INFINITY, -INFINITY, square_direction(o, lines, n, &u_square)};
  for (size_t i = 0; i < n; i++) {
    s.first_px = fmin(s.first_px, lines[i].u_px);
    s.last_px = fmax(s.last_px, lines[i].u_px);
  }
  sp_marks_options trimmed = *o;
  sp_board_trim_rule(&s, &trimmed);
  s.o = &trimmed;
  const sp_status status = sp_board_sides(&s, board->side, seen, err);
  if (status)
    return status;
  deny_crossed_sides(&s, board->side, seen);
  guess_unseen(&s, seen, board);
  board->edges_found = seen[0] && seen[1];
  set_centre(&s, u_square, board);
  return sp_board_ends(&s, board, err);
}
