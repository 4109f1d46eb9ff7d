/* The joined board as one picture that there is not.
 *
 * Everything after the lines works on one picture's lines, its scale, and the scale's covariance. So the joined board
 * is handed on as a picture of its own: x of the common frame along u, y along v, evenly scaled; its map is exact, and
 * the covariance of the joined places stands in the map's table. What comes back is then taken to the pictures that
 * there are.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "pieces.h"
#include "slotproof/match.h"
#include "slotproof/numeric.h"
#include "slotproof/strip.h"
#include "slotproof/verdict.h"

/* Beside what the marks' own uncertainty says, edges of pores and lines look a little otherwise when the light comes
 * from the other side: what the wood may be off by alike, mm (a judgement). */
static const double WOOD_ALIKE_MM = 0.001, WOOD_TURNED_MM = 0.004;
/* Graduations nearer than this across the board are of one edge of one rule (mm); those of a rule's two edges are not
 * cut in one go. */
static const double SAME_EDGE_MM = 3.0;
/* The rule's direction in a picture (rad), as in the verdict. */
static const double RULE_SLOPE_U = 1.0e-4;
/* Places that two pieces show, which are not neighbours, are one if they lie nearer than this (mm). */
static const double ONE_PLACE_MM = 0.3;
static const double DEG = 57.29577951308232;
/* Free drawing space round the board. */
static const double MARGIN_MM = 2.0;

typedef enum point_kind { POINT_MARK, POINT_END, POINT_EDGE, POINT_WOOD } point_kind;

typedef struct point {
  point_kind kind;
  size_t index; /* of the mark, end, edge; of the slab */
  double u_px;
  double x_mm; /* common direction, own origin */
  double u_mm; /* of locating it, apart from the scale */
  double lean; /* dx/dy */
} point;

typedef struct body {
  point *points;
  size_t count, marks; /* the first are marks, ends, edges */
  double *x_mm, *covariance_mm2;
} body;

/* As what a place stands in the picture that there is not. */
typedef struct shown {
  point_kind kind;
  size_t index;
} shown;

typedef struct board {
  piece *pieces;
  size_t count;
  int heading; /* +1: the pieces follow each other along +x */
  const piece_link *link;
  body *bodies;
  sp_join_overlap *overlap;
  sp_join_wood (*wood)[SP_GRAIN_SLABS];
  sp_join join;
  double px_mm;        /* of the picture that there is not */
  double x0_mm, y0_mm; /* place of its first pixel, in the first piece's frame */
  double width_px, height_px;
  pieces_axis axis;
  size_t marks;      /* virtual ones, in order, those included that are left out by hand ... */
  double *mark_u_px; /* ... and where they are */
  size_t *piece_of;  /* of each */
  size_t *entry_of;  /* of each of the join's places: which of the list of places */
  shown *shown_as;   /* of each of that list */
} board;

/* ---- what each piece has read ------------------------------------------------------------------------------------ */

static double rate_at(const piece *p, double u_px)
{
  return sp_scale_map_rate(&p->reference.map, u_px) / cos(p->frame.tilt_rad);
}

/* How fast what lies at point i crosses the centre line: dx/dy. Wood was compared on both sides of it alike. */
static double lean_at(const piece *p, const point *at)
{
  const sp_marks *m = &p->marks;
  switch (at->kind) {
  case POINT_MARK: return tan(piece_lean_rad(p, at->u_px, m->marks[at->index].slope));
  case POINT_END: return tan(piece_lean_rad(p, at->u_px, m->board.end[at->index].slope));
  case POINT_EDGE: return tan(piece_lean_rad(p, at->u_px, m->edges[at->index].slope));
  default: return 0.0;
  }
}

static void add_point(const piece *p, point_kind kind, size_t index, double u_px, double v_px, double u_u_px, body *b)
{
  b->points[b->count++] = (point){kind, index, u_px, piece_mm(p, u_px, v_px).x, fmax(u_u_px * rate_at(p, u_px), 1e-5),
                                   0.0};
}

static void add_wood(const piece *p, size_t slab, double x_mm, double u_mm, body *b)
{
  const sp_point at = piece_px(p, (sp_point){x_mm, 0.0});
  b->points[b->count++] = (point){POINT_WOOD, slab, p->frame.along == SP_ALONG_X ? at.x : at.y, x_mm, u_mm, 0.0};
}

/* Is the end at smaller (0) or larger (1) u one where no other piece follows? */
static bool is_outer(const board *b, size_t k, int end)
{
  const bool at_small_x = (end == 0) != b->pieces[k].turned;
  const bool before = at_small_x == (b->heading > 0);
  return before ? k == 0 : k + 1 == b->count;
}

static void list_points(const board *b, size_t k, body *to)
{
  const piece *p = &b->pieces[k];
  const sp_marks *m = &p->marks;
  for (size_t i = 0; i < m->count; i++)
    add_point(p, POINT_MARK, i, m->marks[i].u_px, m->marks[i].v_px, m->marks[i].u_u_px, to);
  for (size_t e = 0; e < 2; e++)
    if (m->board.end[e].found && is_outer(b, k, (int)e))
      add_point(p, POINT_END, e, m->board.end[e].u_px, m->board.end[e].v_px, m->board.end[e].u_u_px, to);
  for (size_t i = 0; i < m->edge_count; i++) {
    const bool small = m->edges[i].u_px < m->marks[0].u_px;
    if (is_outer(b, k, small ? 0 : 1))
      add_point(p, POINT_EDGE, i, m->edges[i].u_px, m->edges[i].v_px, m->edges[i].u_u_px, to);
  }
  to->marks = to->count;
}

static void list_woods(const board *b, size_t k, bool after, body *to)
{
  const sp_grain_fit *wood = &b->link[after ? k : k - 1].wood;
  for (size_t i = 0; i < wood->count; i++) {
    const sp_grain_slab *s = &wood->slab[i];
    const size_t index = to->count;
    if (after) { /* the place as the earlier piece has it; all doubt of comparing is put upon the later one */
      add_wood(&b->pieces[k], i, s->x_mm, 1e-4, to);
      b->wood[k][i].first = index;
    } else {
      add_wood(&b->pieces[k], i, s->x_mm - s->shift_mm, s->u_shift_mm, to);
      b->wood[k - 1][i].second = index;
    }
  }
}

/* What the angles of rule and board leave open stretches a piece as a whole: relative standard uncertainty. */
static double stretch_u(const piece *p)
{
  const double tilt = p->frame.tilt_rad, rule = atan(p->reference.slope);
  const double board = tan(tilt) * p->marks.board.centre.u_slope, lay = tan(rule) * RULE_SLOPE_U;
  const double aspect = (tilt * tilt - rule * rule) * p->reference.map.u_across_relative;
  return sqrt(board * board + lay * lay + aspect * aspect);
}

static bool fill_body(const board *b, size_t k, body *to)
{
  const piece *p = &b->pieces[k];
  const size_t most = p->marks.count + p->marks.edge_count + 2 + 2 * SP_GRAIN_SLABS;
  to->points = calloc(most, sizeof *to->points);
  to->x_mm = calloc(most, sizeof *to->x_mm);
  to->covariance_mm2 = calloc(most * most, sizeof *to->covariance_mm2);
  if (!to->points || !to->x_mm || !to->covariance_mm2)
    return false;
  list_points(b, k, to);
  if (k)
    list_woods(b, k, false, to);
  if (k + 1 < b->count)
    list_woods(b, k, true, to);
  double middle = 0.0;
  for (size_t i = 0; i < to->count; i++) {
    to->points[i].lean = lean_at(p, &to->points[i]);
    to->x_mm[i] = to->points[i].x_mm;
    middle += to->x_mm[i] / (double)to->count;
  }
  const double aside = p->u_aside_mm;
  const double cosine = cos(p->frame.tilt_rad), stretch = stretch_u(p);
  for (size_t i = 0; i < to->count; i++)
    for (size_t j = 0; j < to->count; j++) {
      double c = sp_scale_map_place_covariance_mm2(&p->reference.map, to->points[i].u_px, to->points[j].u_px) /
                     (cosine * cosine) +
                 stretch * stretch * (to->x_mm[i] - middle) * (to->x_mm[j] - middle);
      /* lines that lean meet a centre line elsewhere if it lies elsewhere */
      const double turn = p->u_turn_rad * p->u_turn_rad * (to->x_mm[i] - middle) * (to->x_mm[j] - middle);
      c += to->points[i].lean * to->points[j].lean * (aside * aside + turn);
      if (i == j)
        c += to->points[i].u_mm * to->points[i].u_mm;
      to->covariance_mm2[i * to->count + j] = c;
    }
  return true;
}

/* ---- the rule ---------------------------------------------------------------------------------------------------- */

/* The rule's direction against the board's, rad, common direction. */
static double rule_angle(const piece *p)
{
  return atan(p->frame.v_sign * p->reference.line_slope) - p->frame.tilt_rad;
}

/* The graduation nearest to a place along the board: its stroke's middle there by the counted graduations, not by its
 * own reading. */
static bool graduation_near(const piece *p, double x_mm, sp_point *at_mm)
{
  const sp_reference_record *r = &p->reference.record;
  bool found = false;
  for (size_t i = 0; i < r->graduation_count; i++) {
    const sp_graduation *g = &r->graduations[i];
    const sp_point at = piece_graduation_mm(p, g);
    if (g->used && (!found || fabs(at.x - x_mm) < fabs(at_mm->x - x_mm))) {
      *at_mm = at;
      found = true;
    }
  }
  return found;
}

/* By how much a stroke of the rule would cross the centre line elsewhere, in the common direction, were the pixels
 * broader by a relative 1: the stroke is farther away then, and the centre line's direction another. */
static double aspect_mm(const piece *p, double y_mm)
{
  return 2.0 * y_mm * sin(p->frame.tilt_rad);
}

/* Doubt of the shift by the pixels' aspect: one scanner's is the same in both pictures, and the inverse where the board
 * lies along its other axis; two scanners have nothing in common. */
static double aspect_u(const piece *p, const piece *q, sp_point a, sp_point c)
{
  const double first = aspect_mm(p, a.y), second = aspect_mm(q, c.y) * (p->frame.along == q->frame.along ? 1.0 : -1.0);
  return fmax(fabs(first - second), hypot(first, second)) *
         fmax(p->reference.map.u_across_relative, q->reference.map.u_across_relative);
}

/* How the second's frame has to be turned to lie along the first: by the wood if that knows it better than the two
 * centre lines do, which say that they lie along each other. */
static double turn_between(const board *b, size_t k, double *u)
{
  const sp_grain_fit *wood = &b->link[k].wood;
  *u = hypot(b->pieces[k].marks.board.centre.u_slope, b->pieces[k + 1].marks.board.centre.u_slope);
  if (!(wood->u_turn_rad < *u))
    return 0.0;
  *u = wood->u_turn_rad;
  return wood->turn_rad;
}

/* Graduations to compare: of a rule the two nearest to the overlap's middle, of a strip one and the same. */
static bool match_graduations(const piece *p, const piece *q, double shift_mm, strip_match *m)
{
  const sp_reference_record *r = &p->reference.record, *s = &q->reference.record;
  const double middle =
      0.5 * (fmax(piece_from_mm(p), piece_from_mm(q) + shift_mm) + fmin(piece_to_mm(p), piece_to_mm(q) + shift_mm));
  *m = (strip_match){.first_rad = rule_angle(p), .second_rad = rule_angle(q), .u_mm = 0.0};
  if (r->kind == SP_REFERENCE_STRIP && s->kind == SP_REFERENCE_STRIP)
    return pieces_match_strip(p, q, middle, m);
  return r->kind == SP_REFERENCE_RULE && s->kind == SP_REFERENCE_RULE &&
         fabs(r->graduation_mm - s->graduation_mm) < 1e-6 && graduation_near(p, middle, &m->first_mm) &&
         graduation_near(q, middle - shift_mm, &m->second_mm);
}

static void compare_rules(const board *b, size_t k, sp_join_overlap *o)
{
  const piece *p = &b->pieces[k], *q = &b->pieces[k + 1];
  strip_match match;
  o->has_rule = false;
  o->rule_mm = o->u_rule_mm = o->step_mm = o->rule_turn_rad = o->u_rule_turn_rad = NAN;
  if (!match_graduations(p, q, o->shift_mm, &match))
    return;
  const sp_point a = match.first_mm, c = match.second_mm;
  const double aside = b->link[k].wood.aside_mm;
  if (fabs(a.y - (isfinite(aside) ? aside : 0.0) - c.y) > SAME_EDGE_MM) /* the board's other side, or another edge */
    return;
  double u_turn;
  const double turn = turn_between(b, k, &u_turn), second = match.second_rad + turn;
  const double angle = 0.5 * (match.first_rad + second);
  const bool numbered = p->reference.record.kind == SP_REFERENCE_STRIP;
  o->has_rule = true;
  o->step_mm = numbered ? SP_STRIP_LENGTH_MM : p->reference.record.graduation_mm * cos(angle);
  /* where both strokes would cross the centre line, the second's as it lies in the first's frame */
  o->rule_mm = a.x + a.y * tan(angle) - (c.x - c.y * turn) - c.y * tan(angle);
  o->u_rule_mm = hypot(hypot(match.u_mm, c.y * u_turn), aspect_u(p, q, a, c));
  o->rule_turn_rad = second - match.first_rad + (match.opposed ? SP_PI : 0.0);
  o->u_rule_turn_rad = hypot(sqrt(2.0) * RULE_SLOPE_U, u_turn);
}

/* ---- joining ----------------------------------------------------------------------------------------------------- */

static void board_free(board *b)
{
  for (size_t k = 0; b->bodies && k < b->count; k++) {
    free(b->bodies[k].points);
    free(b->bodies[k].x_mm);
    free(b->bodies[k].covariance_mm2);
  }
  free(b->bodies);
  free(b->overlap);
  free(b->wood);
  free(b->mark_u_px);
  free(b->piece_of);
  free(b->entry_of);
  free(b->shown_as);
  sp_join_free(&b->join);
}

/* Along which way the pieces follow each other; 0 if not all the same way. */
static int heading_of(const piece *pieces, size_t count, const piece_link *link)
{
  int heading = 0;
  for (size_t k = 0; k + 1 < count; k++) {
    const double a = piece_from_mm(&pieces[k]) + piece_to_mm(&pieces[k]);
    const double b = piece_from_mm(&pieces[k + 1]) + piece_to_mm(&pieces[k + 1]) + 2.0 * link[k].place.shift_mm;
    const int step = b > a ? 1 : -1;
    if (heading && step != heading)
      return 0;
    heading = step;
  }
  return heading;
}

static sp_status join_board(board *b, sp_error *err)
{
  sp_join_piece *in = calloc(b->count, sizeof *in);
  b->bodies = calloc(b->count, sizeof *b->bodies);
  b->overlap = calloc(b->count, sizeof *b->overlap);
  b->wood = calloc(b->count, sizeof *b->wood);
  sp_status status = in && b->bodies && b->overlap && b->wood ? SP_OK : sp_fail_memory(err);
  for (size_t k = 0; !status && k < b->count; k++) {
    body *to = &b->bodies[k];
    if (!fill_body(b, k, to))
      status = sp_fail_memory(err);
    in[k] = (sp_join_piece){to->marks, to->count, to->x_mm, to->covariance_mm2};
  }
  for (size_t k = 0; !status && k + 1 < b->count; k++) {
    sp_join_overlap *o = &b->overlap[k];
    o->shift_mm = b->link[k].place.shift_mm;
    o->wood = b->wood[k];
    o->woods = b->link[k].wood.count;
    o->u_wood_mm =
        b->pieces[k].turned == b->pieces[k + 1].turned && b->pieces[k].frame.along == b->pieces[k + 1].frame.along
            ? WOOD_ALIKE_MM
            : WOOD_TURNED_MM;
    compare_rules(b, k, o);
  }
  if (!status)
    status = sp_join_solve(in, b->count, b->overlap, &b->join, err);
  free(in);
  return status;
}

/* ---- the picture that there is not ------------------------------------------------------------------------------- */

/* As large as all the pictures together. */
static void size_picture(board *b)
{
  double low_x = INFINITY, high_x = -INFINITY, low_y = INFINITY, high_y = -INFINITY;
  for (size_t k = 0; k < b->count; k++) {
    const piece *p = &b->pieces[k];
    const bool along_x = p->frame.along == SP_ALONG_X;
    for (int c = 0; c < 4; c++) {
      const double x = c & 1 ? p->width_px - 1.0 : 0.0, y = c & 2 ? p->height_px - 1.0 : 0.0;
      const sp_point at = piece_mm(p, along_x ? x : y, along_x ? y : x);
      low_x = fmin(low_x, at.x + b->join.shift_mm[k]);
      high_x = fmax(high_x, at.x + b->join.shift_mm[k]);
      low_y = fmin(low_y, at.y);
      high_y = fmax(high_y, at.y);
    }
  }
  b->px_mm = b->pieces[0].reference.map.across_mm_per_px;
  b->x0_mm = low_x - MARGIN_MM;
  b->y0_mm = low_y - MARGIN_MM;
  b->width_px = ceil((high_x - low_x + 2.0 * MARGIN_MM) / b->px_mm) + 1.0;
  b->height_px = ceil((high_y - low_y + 2.0 * MARGIN_MM) / b->px_mm) + 1.0; /* drawn with room for a legend below */
}

/* One true place: what saw it best. */
typedef struct place {
  double x_mm, u_mm; /* u: of locating it, by all that saw it */
  size_t index;      /* in the join's list */
  size_t piece;
  const point *point;
} place;

static int by_x(const void *a, const void *b)
{
  const double x = ((const place *)a)->x_mm, y = ((const place *)b)->x_mm;
  return x < y ? -1 : x > y;
}

static place *list_places(board *b, size_t *count)
{
  const sp_join *j = &b->join;
  place *list = calloc(j->places + 1, sizeof *list);
  b->entry_of = calloc(j->places + 1, sizeof *b->entry_of);
  if (!list || !b->entry_of) {
    free(list);
    return NULL;
  }
  for (size_t k = 0; k < b->count; k++)
    for (size_t i = 0; i < b->bodies[k].marks; i++) {
      const point *p = &b->bodies[k].points[i];
      place *to = &list[j->place_of[k][i]];
      const double weight = (to->point ? 1.0 / (to->u_mm * to->u_mm) : 0.0) + 1.0 / (p->u_mm * p->u_mm);
      if (!to->point || p->u_mm < to->point->u_mm) {
        to->piece = k;
        to->point = p;
      }
      to->u_mm = 1.0 / sqrt(weight);
    }
  for (size_t i = 0; i < j->places; i++) {
    list[i].x_mm = j->x_mm[i];
    list[i].index = i;
  }
  qsort(list, j->places, sizeof *list, by_x);
  *count = 0;
  for (size_t i = 0; i < j->places; i++) {
    const size_t index = list[i].index;
    if (!*count || list[i].point->kind != list[*count - 1].point->kind ||
        list[i].x_mm - list[*count - 1].x_mm > ONE_PLACE_MM || list[i].piece == list[*count - 1].piece)
      list[(*count)++] = list[i];
    b->entry_of[index] = *count - 1;
  }
  return list;
}

static double virtual_u(const board *b, double x_mm)
{
  return (x_mm - b->x0_mm) / b->px_mm;
}

static double virtual_v(const board *b, double y_mm)
{
  return (y_mm - b->y0_mm) / b->px_mm;
}

/* du/dv of a line of a piece as it lies in the common frame; unchanged by half a turn. */
static double virtual_slope(const piece *p, double u_px, double slope)
{
  return tan(piece_lean_rad(p, u_px, slope));
}

/* Its uncertainty, that of the pixels' aspect included (see the verdict). */
static double virtual_u_slope(const piece *p, double u_px, double u_slope)
{
  const double aspect = 2.0 * p->frame.tilt_rad * p->reference.map.u_across_relative;
  return hypot(hypot(u_slope * piece_slope_rate(p, u_px) / p->frame.map->across_mm_per_px, p->u_turn_rad), aspect);
}

static void swap(double *a, double *b)
{
  const double kept = *a;
  *a = *b;
  *b = kept;
}

/* Lengths along the board are `along` times longer in px; `against_v`: v runs the other way. */
static void convert_walls(const board *b, size_t k, double u_px, double along, bool against_v, sp_walls *w)
{
  const piece *p = &b->pieces[k];
  for (int i = 0; i < 2; i++) {
    w->slope[i] = virtual_slope(p, u_px, w->slope[i]);
    w->u_slope[i] = virtual_u_slope(p, u_px, w->u_slope[i]);
    w->kerf_end_px[i] *= along;
  }
  double *const lengths[] = {&w->u_kerf_end_px, &w->widening_px, &w->u_widening_px,    &w->kerf_least_px,
                             &w->kerf_most_px,  &w->kerf_sd_px,  &w->u_kerf_window_px, &w->u_kerf_sd_px,
                             &w->wander_px,     &w->u_wander_px, &w->worst_px,         &w->u_worst_px};
  for (size_t i = 0; i < sizeof lengths / sizeof *lengths; i++)
    *lengths[i] *= along;
  if (against_v) {
    swap(&w->kerf_end_px[0], &w->kerf_end_px[1]);
    w->widening_px = -w->widening_px;
  }
  if (p->turned) {
    swap(&w->slope[0], &w->slope[1]);
    swap(&w->u_slope[0], &w->u_slope[1]);
    w->worst_px = -w->worst_px;
  }
}

/* v of the picture that there is not, for a point at v_px on a line of a piece. */
static double convert_v(const board *b, size_t k, const sp_mark *m, double v_px)
{
  const sp_point at = piece_mm(&b->pieces[k], m->u_px + m->slope * (v_px - m->v_px), v_px);
  return virtual_v(b, at.y);
}

static sp_mark convert_mark(const board *b, const place *at)
{
  const piece *p = &b->pieces[at->piece];
  const sp_mark *from = &p->marks.marks[at->point->index];
  const double along = rate_at(p, from->u_px) / b->px_mm;
  const bool against_v = (p->frame.v_sign < 0.0) != p->turned;
  sp_mark m = *from;
  m.u_px = virtual_u(b, at->x_mm);
  m.v_px = virtual_v(b, 0.0);
  m.slope = virtual_slope(p, from->u_px, from->slope);
  m.u_u_px = at->u_mm / b->px_mm;
  m.u_slope = virtual_u_slope(p, from->u_px, from->u_slope);
  m.cov_u_slope *= (p->frame.v_sign < 0.0 ? -1.0 : 1.0) * (p->turned ? -1.0 : 1.0) * along;
  m.u_common_px *= along;
  m.width_px *= along;
  m.u_width_px *= along;
  m.spread_px *= along;
  m.usual_width_px *= along;
  m.u_unless_nut_px *= along;
  m.v_a_px = convert_v(b, at->piece, from, from->v_a_px);
  m.v_b_px = convert_v(b, at->piece, from, from->v_b_px);
  if (against_v)
    swap(&m.v_a_px, &m.v_b_px);
  if (m.walls.known) {
    convert_walls(b, at->piece, from->u_px, along, against_v, &m.walls);
    m.walls.worst_v_px = convert_v(b, at->piece, from, from->walls.worst_v_px);
  }
  return m;
}

static sp_board_end convert_end(const board *b, const place *at)
{
  const piece *p = &b->pieces[at->piece];
  const sp_board_end *from =
      at->point->kind == POINT_END ? &p->marks.board.end[at->point->index] : &p->marks.edges[at->point->index];
  return (sp_board_end){.found = true,
                        .u_px = virtual_u(b, at->x_mm),
                        .v_px = virtual_v(b, 0.0),
                        .slope = virtual_slope(p, from->u_px, from->slope),
                        .u_u_px = at->u_mm / b->px_mm,
                        .u_slope = virtual_u_slope(p, from->u_px, from->u_slope)};
}

/* Its sides, as straight from the outermost picture to the outermost: for drawing. */
static void convert_sides(const board *b, sp_board *to)
{
  const size_t last = b->count - 1;
  to->edges_found = true;
  to->centre = (sp_lengthwise){virtual_v(b, 0.0), 0.0, b->axis.u_aside_mm / b->px_mm, b->axis.u_turn_rad};
  for (size_t k = 0; k < b->count; k++) {
    const piece *p = &b->pieces[k];
    to->edges_found = to->edges_found && p->marks.board.edges_found;
  }
  for (int side = 0; side < 2; side++) {
    sp_point end[2];
    for (int e = 0; e < 2; e++) {
      const size_t k = e ? last : 0;
      const piece *p = &b->pieces[k];
      const bool swapped = (p->frame.v_sign < 0.0) != p->turned;
      const sp_lengthwise *s = &p->marks.board.side[swapped ? 1 - side : side];
      const double length = p->frame.along == SP_ALONG_X ? p->width_px : p->height_px, u = 0.5 * (length - 1.0);
      const sp_point at = piece_mm(p, u, s->at_px + s->slope * u);
      end[e] = (sp_point){virtual_u(b, at.x + b->join.shift_mm[k]), virtual_v(b, at.y)};
    }
    const double slope = (end[1].y - end[0].y) / (end[1].x - end[0].x);
    to->side[side] = (sp_lengthwise){end[0].y - slope * end[0].x, slope, NAN, NAN};
  }
}

static sp_status convert_lines(board *b, const place *list, size_t count, sp_marks *to, sp_error *err)
{
  to->along = SP_ALONG_X;
  to->blur_px = NAN;
  to->marks = calloc(count + 1, sizeof *to->marks);
  to->edges = calloc(count + 1, sizeof *to->edges);
  b->piece_of = calloc(count + 1, sizeof *b->piece_of);
  b->mark_u_px = calloc(count + 1, sizeof *b->mark_u_px);
  b->shown_as = calloc(count + 1, sizeof *b->shown_as);
  if (!to->marks || !to->edges || !b->piece_of || !b->mark_u_px || !b->shown_as)
    return sp_fail_memory(err);
  convert_sides(b, &to->board);
  for (size_t i = 0; i < count; i++) {
    const point_kind kind = list[i].point->kind;
    if (kind == POINT_MARK) {
      b->shown_as[i] = (shown){kind, to->count};
      b->piece_of[to->count] = list[i].piece;
      to->marks[to->count] = convert_mark(b, &list[i]);
      b->mark_u_px[to->count] = to->marks[to->count].u_px;
      to->count++;
    } else if (kind == POINT_EDGE) {
      b->shown_as[i] = (shown){kind, to->edge_count};
      to->edges[to->edge_count++] = convert_end(b, &list[i]);
    } else {
      const size_t k = list[i].piece;
      const size_t end = (k == 0) == (b->heading > 0) ? 0 : 1; /* at small or large x */
      b->shown_as[i] = (shown){kind, end};
      to->board.end[end] = convert_end(b, &list[i]);
    }
  }
  b->marks = to->count;
  return SP_OK;
}

/* The exact map with the table of what is in doubt: the joint covariance less what each line's own uncertainty is. */
static sp_status make_map(const board *b, const place *list, size_t count, sp_scale_map *map, sp_error *err)
{
  const sp_join *j = &b->join;
  const sp_status status = sp_scale_map_constant(SP_ALONG_X, b->px_mm, 0.0, b->width_px, map, err);
  if (status)
    return status;
  map->place_px = calloc(count + 1, sizeof *map->place_px);
  map->place_covariance_mm2 = calloc(count * count + 1, sizeof *map->place_covariance_mm2);
  if (!map->place_px || !map->place_covariance_mm2) {
    sp_scale_map_free(map);
    return sp_fail_memory(err);
  }
  map->places = count;
  for (size_t k = 0; k < b->count; k++)
    map->u_across_relative = fmax(map->u_across_relative, b->pieces[k].reference.map.u_across_relative);
  for (size_t i = 0; i < count; i++) {
    map->place_px[i] = virtual_u(b, list[i].x_mm);
    for (size_t k = 0; k < count; k++)
      map->place_covariance_mm2[i * count + k] =
          j->covariance_mm2[list[i].index * j->places + list[k].index] - (i == k ? list[i].u_mm * list[i].u_mm : 0.0);
  }
  return SP_OK;
}

/* JIS B 7516, as in the reference module. */
static double default_mpe_mm(double span_mm)
{
  return 0.10 + 0.05 * fmax(1.0, ceil(span_mm / 500.0));
}

/* The scale of the whole: that of the first piece; where the rule has lain still throughout, it was read over all of
 * it. Where it was laid anew, its error grows on from piece to piece as it does within one. */
static sp_status make_reference(const board *b, const sp_check_options *o, sp_record *record, sp_error *err)
{
  sp_reference_record *to = &record->reference;
  bool still = true;
  size_t all = 0;
  *to = b->pieces[0].reference.record;
  for (size_t k = 0; k < b->count; k++) {
    const sp_reference_record *r = &b->pieces[k].reference.record;
    still = still && (k == 0 || b->join.link[k - 1].rule == SP_JOIN_RULE_STILL);
    all += r->graduation_count;
    if (k) {
      to->graduations_used += r->graduations_used;
      to->fit_rms_mm = fmax(to->fit_rms_mm, r->fit_rms_mm);
      to->carriage_rms_mm = fmax(to->carriage_rms_mm, r->carriage_rms_mm);
      if (r->span_mm / r->mpe_mm < to->span_mm / to->mpe_mm) {
        to->span_mm = r->span_mm;
        to->mpe_mm = r->mpe_mm;
      }
    }
  }
  to->graduations = calloc(all + 1, sizeof *to->graduations);
  to->graduation_count = 0;
  if (!to->graduations)
    return sp_fail_memory(err);
  double low = INFINITY, high = -INFINITY;
  for (size_t k = 0; k < b->count; k++) {
    const piece *p = &b->pieces[k];
    for (size_t i = 0; i < p->reference.record.graduation_count; i++) {
      sp_graduation *g = &to->graduations[to->graduation_count++];
      *g = p->reference.record.graduations[i];
      g->source = p->source;
      const bool along_x = p->frame.along == SP_ALONG_X;
      const double x = piece_mm(p, along_x ? g->at_px.x : g->at_px.y, along_x ? g->at_px.y : g->at_px.x).x;
      low = g->used ? fmin(low, x + b->join.shift_mm[k]) : low;
      high = g->used ? fmax(high, x + b->join.shift_mm[k]) : high;
    }
  }
  if (still && to->kind == SP_REFERENCE_RULE && high > low) {
    to->span_mm = high - low;
    if (isnan(o->reference.mpe_mm))
      to->mpe_mm = default_mpe_mm(to->span_mm);
  }
  return SP_OK;
}

/* ---- back to the pictures ---------------------------------------------------------------------------------------- */

static sp_point back(const board *b, size_t k, sp_point p)
{
  const sp_point mm = {b->x0_mm + p.x * b->px_mm - b->join.shift_mm[k], b->y0_mm + p.y * b->px_mm};
  return isfinite(p.x) && isfinite(p.y) ? piece_px(&b->pieces[k], mm) : p;
}

static size_t piece_at(const board *b, double u_px)
{
  size_t best = 0;
  for (size_t i = 1; i < b->marks; i++)
    if (fabs(b->mark_u_px[i] - u_px) < fabs(b->mark_u_px[best] - u_px))
      best = i;
  return b->marks ? b->piece_of[best] : 0;
}

static void take_back(const board *b, sp_record *record)
{
  for (size_t i = 0; i < record->mark_count; i++) {
    sp_mark_record *m = &record->marks[i];
    if (!m->found)
      continue;
    size_t k = piece_at(b, m->centre_px.x);
    if (m->fret == 0 && record->datum == SP_DATUM_END) /* an end belongs to the piece that it ends */
      k = (m->centre_px.x < 0.5 * b->width_px) == (b->heading > 0) ? 0 : b->count - 1;
    m->end_a_px = back(b, k, m->end_a_px);
    m->end_b_px = back(b, k, m->end_b_px);
    m->centre_px = back(b, k, m->centre_px);
    m->slot.wander_worst_px = back(b, k, m->slot.wander_worst_px);
    for (int e = 0; m->edges_known && e < SP_EDGES; e++)
      m->edge[e].at_px = back(b, k, m->edge[e].at_px);
    m->source = b->pieces[k].source;
  }
  for (size_t i = 0; i < record->stray_count; i++) {
    sp_stray_record *s = &record->strays[i];
    const size_t k = piece_at(b, 0.5 * (s->end_a_px.x + s->end_b_px.x));
    s->end_a_px = back(b, k, s->end_a_px);
    s->end_b_px = back(b, k, s->end_b_px);
    s->source = b->pieces[k].source;
  }
}

/* Where each picture lies in the drawing: the straight part of how it lies, by three of its corners. */
static void place_sources(const board *b, sp_record *record)
{
  for (size_t k = 0; k < b->count; k++) {
    const piece *p = &b->pieces[k];
    const double w = p->width_px - 1.0, h = p->height_px - 1.0;
    const sp_point corner[3] = {{0.0, 0.0}, {w, 0.0}, {0.0, h}};
    sp_point to[3];
    for (int i = 0; i < 3; i++) {
      const bool along_x = p->frame.along == SP_ALONG_X;
      const sp_point at = piece_mm(p, along_x ? corner[i].x : corner[i].y, along_x ? corner[i].y : corner[i].x);
      to[i] = (sp_point){virtual_u(b, at.x + b->join.shift_mm[k]), virtual_v(b, at.y)};
    }
    record->sources[p->source].drawn = (sp_placement){to[0].x,
                                                      to[0].y,
                                                      (to[1].x - to[0].x) / w,
                                                      (to[2].x - to[0].x) / h,
                                                      (to[1].y - to[0].y) / w,
                                                      (to[2].y - to[0].y) / h};
  }
}

/* Direction of the common +x in a picture, clockwise from its right. */
static double heading_deg(const piece *p)
{
  const sp_point a = piece_px(p, (sp_point){0.0, 0.0}), b = piece_px(p, (sp_point){100.0, 0.0});
  return atan2(b.y - a.y, b.x - a.x) * DEG;
}

static sp_status record_joins(const board *b, sp_record *record, sp_error *err)
{
  static const char *const RULE[] = {[SP_JOIN_RULE_NONE] = "none",
                                     [SP_JOIN_RULE_STILL] = "still",
                                     [SP_JOIN_RULE_MOVED] = "moved",
                                     [SP_JOIN_RULE_UNCLEAR] = "unclear"};
  sp_status status = SP_OK;
  for (size_t k = 0; !status && k + 1 < b->count; k++) {
    const piece *p = &b->pieces[k], *q = &b->pieces[k + 1];
    const sp_join_link *l = &b->join.link[k];
    const double begin = b->heading > 0 ? piece_from_mm(q) - piece_from_mm(p) : piece_to_mm(p) - piece_to_mm(q);
    const double offset = b->heading > 0 ? begin : -begin;
    const double turn = heading_deg(p) - heading_deg(q);
    const sp_join_record r = {.first = p->source,
                              .second = q->source,
                              .shift_mm = b->heading * (l->shift_mm + offset),
                              .u_shift_mm = l->u_shift_mm,
                              .turn_deg = turn - 360.0 * round(turn / 360.0),
                              .overlap_mm = b->link[k].wood.overlap_mm,
                              .shared_marks = l->shared,
                              .wood_places = l->woods,
                              .wood_patches = b->link[k].wood.patches,
                              .marks_rms_mm = l->marks_rms_mm,
                              .wood_rms_mm = l->wood_rms_mm,
                              .seen_mm = b->heading * (l->seen_mm + offset),
                              .u_seen_mm = l->u_seen_mm,
                              .chi2 = l->chi2,
                              .p = l->p,
                              .freedom = l->freedom,
                              .widened = l->widened,
                              .rule = RULE[l->rule],
                              .rule_off_mm = l->rule_off_mm,
                              .u_rule_off_mm = l->u_rule_off_mm};
    status = sp_record_add_join(record, &r, err);
  }
  return status;
}

/* ---- the whole --------------------------------------------------------------------------------------------------- */

/* What the point of a piece has become; NULL: nothing of the joined board. */
static const shown *shown_of(const board *b, size_t k, point_kind kind, size_t index)
{
  const body *from = &b->bodies[k];
  for (size_t i = 0; i < from->marks; i++)
    if (from->points[i].kind == kind && from->points[i].index == index)
      return &b->shown_as[b->entry_of[b->join.place_of[k][i]]];
  return NULL;
}

/* What was said of each picture, said of the joined board. */
static sp_status gather_said(const board *b, corrected *whole, sp_error *err)
{
  static const point_kind KIND[] = {
      [NUT_UNTOLD] = POINT_MARK, [NUT_AT_LINE] = POINT_MARK, [NUT_AT_END] = POINT_END, [NUT_AT_EDGE] = POINT_EDGE};
  sp_status status = SP_OK;
  for (size_t k = 0; k < b->count; k++) {
    const corrected *part = &b->pieces[k].said;
    for (size_t i = 0; !status && i < part->count; i++) {
      const bool nut = part->done[i].said.kind == SP_CORRECTION_NUT_HERE;
      const shown *at = nut               ? shown_of(b, k, KIND[part->nut], part->nut_index)
                        : part->line[i] >= 0 ? shown_of(b, k, POINT_MARK, (size_t)part->line[i])
                                             : NULL;
      status = corrected_take_over(part, i, at ? part->nut : NUT_UNTOLD, at ? (ptrdiff_t)at->index : -1, whole, err);
    }
  }
  return status;
}

static sp_status judge_joined(board *b, const sp_check_options *o, sp_record *record, sp_error *err)
{
  sp_reference reference = {0};
  sp_marks marks = {0};
  corrected said = {.count = 0};
  size_t count = 0;
  size_picture(b);
  place *list = list_places(b, &count);
  sp_status status = list ? convert_lines(b, list, count, &marks, err) : sp_fail_memory(err);
  if (!status)
    status = make_map(b, list, count, &reference.map, err);
  if (!status)
    status = corrected_begin(o->corrections, EVERY_SOURCE, &said, err);
  if (!status)
    status = gather_said(b, &said, err);
  if (!status)
    status = corrected_leave_out(&marks, &said, err);
  if (!status)
    status = make_reference(b, o, record, err);
  if (!status) {
    sp_source_record *s = &record->sources[0];
    const uint32_t width = s->width_px, height = s->height_px;
    reference.record = record->reference;
    s->width_px = (uint32_t)b->width_px; /* the outline ends with the picture that is judged */
    s->height_px = (uint32_t)b->height_px;
    status = check_judge(o, &reference, &marks, NAN, &said, record, err);
    if (!status)
      status = corrected_note(&said, record, err);
    s->width_px = width;
    s->height_px = height;
  }
  if (!status) {
    take_back(b, record);
    place_sources(b, record);
    status = record_joins(b, record, err);
  }
  sp_scale_map_free(&reference.map);
  sp_marks_free(&marks);
  corrected_free(&said);
  free(list);
  return status;
}

/* From the bridge to the nut is told by the frets only. */
static sp_status warn_order(const board *b, const sp_check_options *o, sp_record *record, sp_error *err)
{
  char order[PIECES_ORDER_TEXT];
  if (!isfinite(record->nut_px.x) || !isfinite(record->bridgeward_px.x) || !record->mark_count)
    return SP_OK;
  bool placed = false;
  for (size_t i = 0; i < record->mark_count; i++)
    placed = placed || record->marks[i].found;
  const int toward = record->bridgeward_px.x > record->nut_px.x ? 1 : -1;
  if (!placed || toward == b->heading)
    return SP_OK;
  const sp_status status = pieces_name_order(b->pieces, b->count, b->join.shift_mm, o, order, err);
  return status ? status
                : sp_record_warn(record, err,
                                 "the pieces were given from the bridge to the nut; they were joined all the same, but "
                                 "name them in order from the nut: %s",
                                 order);
}

/* They hang together, but go to and fro: in which order they lie is known then. */
static sp_status say_order(const board *b, const sp_check_options *o, sp_record *record, sp_error *err)
{
  char order[PIECES_ORDER_TEXT];
  double shift_mm[SP_MOST_PIECES] = {0.0};
  for (size_t k = 1; k < b->count; k++)
    shift_mm[k] = shift_mm[k - 1] + b->link[k - 1].place.shift_mm;
  const sp_status status = pieces_name_order(b->pieces, b->count, shift_mm, o, order, err);
  return status ? status
                : sp_record_warn(record, err,
                                 "the pieces are in a wrong order: along the board they lie as %s; name them in order "
                                 "from the nut",
                                 order);
}

static sp_status say_torn(const board *b, sp_record *record, sp_error *err)
{
  const sp_join_link *l = &b->join.link[b->join.torn];
  return sp_record_warn(
      record, err,
      "pieces %zu and %zu belong together but contradict each other by %.3f mm where they overlap "
      "(chi-square %.0f for %zu): one of them was not flat on the glass, its rule was misread, or the "
      "board was bent; scan both again",
      b->join.torn + 1, b->join.torn + 2, fmax(fmax(l->marks_rms_mm, 0.0), fmax(l->wood_rms_mm, 0.0)), l->chi2,
      l->freedom);
}

static sp_status warn_links(const board *b, sp_record *record, sp_error *err)
{
  sp_status status = SP_OK;
  for (size_t k = 0; !status && k + 1 < b->count; k++)
    if (b->join.link[k].widened > 1.0)
      status = sp_record_warn(record, err,
                              "pieces %zu and %zu agree worse than they should (chi-square %.0f for %zu); their "
                              "uncertainty was multiplied by %.1f",
                              k + 1, k + 2, b->join.link[k].chi2, b->join.link[k].freedom, b->join.link[k].widened);
  return status;
}

/* Every mark missing, the verdict undecided; why has been said. */
sp_status pieces_judge_none(const sp_check_options *o, sp_record *record, sp_error *err)
{
  sp_marks none = {0};
  const sp_reference unknown = {.record = record->reference};
  const sp_match match = {.state = SP_MATCH_NONE};
  const sp_verdict_options v = {record->tolerance_mm, record->tolerance_cents, NAN};
  return sp_verdict_decide(o->layout, &unknown, &none, &match, &v, record, err);
}

sp_status pieces_judge(piece *pieces, size_t count, piece_link *link, const sp_check_options *o,
                       sp_record *record, sp_error *err)
{
  board b = {.pieces = pieces, .count = count, .link = link, .heading = heading_of(pieces, count, link)};
  sp_status status = SP_OK;
  if (!b.heading) {
    status = say_order(&b, o, record, err);
    return status ? status : pieces_judge_none(o, record, err);
  }
  status = pieces_align(pieces, count, link, &b.axis, err);
  if (!status)
    status = join_board(&b, err);
  if (!status && b.join.state == SP_JOIN_TORN) {
    status = say_torn(&b, record, err);
    if (!status)
      status = pieces_judge_none(o, record, err);
  } else if (!status) {
    status = judge_joined(&b, o, record, err);
    if (!status)
      status = warn_order(&b, o, record, err);
    if (!status)
      status = warn_links(&b, record, err);
  }
  board_free(&b);
  return status;
}
