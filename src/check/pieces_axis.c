/* One centre line for all pieces.
 *
 * Each piece's frame lies along its own centre line, as far as that shows. Lines that lean meet that elsewhere
 * if it lies elsewhere, by a third of a millimetre a millimetre; and where a piece shows a long side badly, its centre
 * line may be off by that. The wood that neighbours share tells to some micrometres how their frames lie to each other.
 * So all frames are moved at once: with a_k and t_k the shift aside of piece k and its turn about its middle m_k,
 *     y = y_k + a_k + t_k (x_k - m_k)
 * on the board's centre line y = 0, each a_k and t_k is 0 within what its own sides leave open, and at the overlap's
 * middle what the wood has measured of y and dy/dx between neighbours holds within its own uncertainty. That is linear
 * least squares in two unknowns a piece. What is left in doubt is mostly a shift and a turn of the whole, which the
 * verdict counts as it does those of one picture; what is left between the pieces goes to each piece's places.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "pieces.h"
#include "slotproof/numeric.h"
#include "slotproof/verdict.h"

enum { MOST_UNKNOWNS = 2 * SP_MOST_PIECES };
/* Neither side of a scan is even across; two scans of the same wood differ in y by so much (mm; a judgement). */
static const double WOOD_ASIDE_MM = 0.003;

typedef struct normal {
  size_t n;
  double matrix[MOST_UNKNOWNS * MOST_UNKNOWNS];  /* of the equations as weighted */
  double scatter[MOST_UNKNOWNS * MOST_UNKNOWNS]; /* sum of the squares of what each equation may be off by, weighted */
  double right[MOST_UNKNOWNS];
} normal;

/* One equation: sum of factor[i] * unknown[index[i]] = value, weighted by 1 / weight_u^2, off by about `u`. */
static void add_equation(normal *e, size_t terms, const size_t *index, const double *factor, double value,
                         double weight_u, double u)
{
  const double w = 1.0 / (weight_u * weight_u);
  for (size_t i = 0; i < terms; i++) {
    e->right[index[i]] += w * factor[i] * value;
    for (size_t k = 0; k < terms; k++) {
      e->matrix[index[i] * e->n + index[k]] += w * factor[i] * factor[k];
      e->scatter[index[i] * e->n + index[k]] += w * w * u * u * factor[i] * factor[k];
    }
  }
}

static double middle_of(const piece *p)
{
  return 0.5 * (piece_from_mm(p) + piece_to_mm(p));
}

static void add_own(const piece *p, size_t k, normal *e)
{
  const sp_lengthwise *c = &p->marks.board.centre;
  const double half_mm = 0.5 * (p->side_to_mm - p->side_from_mm), one = 1.0;
  const double aside = fmax(c->u_at_px * p->frame.map->across_mm_per_px, 1e-4), turn = fmax(c->u_slope, 1e-6);
  const size_t index[2] = {2 * k, 2 * k + 1};
  add_equation(e, 1, &index[0], &one, 0.0, hypot(aside, sp_uneven_across_mm(half_mm)), aside);
  add_equation(e, 1, &index[1], &one, 0.0, turn, turn);
}

/* Where the shift aside of the wood was measured, by the first's frame. */
static double wood_middle_mm(const sp_grain_fit *wood)
{
  double sum = 0.0, weight = 0.0;
  for (size_t i = 0; i < wood->count; i++) {
    const double w = 1.0 / (wood->slab[i].u_aside_mm * wood->slab[i].u_aside_mm);
    sum += w * wood->slab[i].x_mm;
    weight += w;
  }
  return sum / weight;
}

static bool wood_tells(const sp_grain_fit *wood)
{
  return isfinite(wood->aside_mm) && isfinite(wood->turn_rad) && wood->count > 0 && wood->overlap_mm > 0.0;
}

static void add_wood(const piece *first, const piece *second, const piece_link *link, size_t k, normal *e)
{
  const sp_grain_fit *wood = &link->wood;
  if (!wood_tells(wood))
    return;
  const double x = wood_middle_mm(wood);
  const double u_aside = hypot(wood->u_aside_mm, WOOD_ASIDE_MM);
  const double u_turn = hypot(wood->u_turn_rad, sqrt(12.0) * WOOD_ASIDE_MM / wood->overlap_mm);
  const size_t index[4] = {2 * k + 2, 2 * k + 3, 2 * k, 2 * k + 1};
  const double aside[4] = {1.0, x - link->place.shift_mm - middle_of(second), -1.0, middle_of(first) - x};
  const size_t turned[2] = {2 * k + 3, 2 * k + 1};
  const double turn[2] = {1.0, -1.0};
  add_equation(e, 4, index, aside, wood->aside_mm, u_aside, u_aside);
  add_equation(e, 2, turned, turn, wood->turn_rad, u_turn, u_turn);
}

/* ---- what is left in doubt --------------------------------------------------------------------------------------- */

static double deviation(size_t n, const double *covariance, const double *factor)
{
  double sum = 0.0;
  for (size_t i = 0; i < n; i++)
    for (size_t k = 0; k < n; k++)
      sum += factor[i] * factor[k] * covariance[i * n + k];
  return sqrt(fmax(sum, 0.0));
}

/* covariance = inverse * scatter * inverse */
static void propagate(const normal *e, const double *inverse, double *covariance)
{
  double half[MOST_UNKNOWNS * MOST_UNKNOWNS];
  for (size_t i = 0; i < e->n; i++)
    for (size_t k = 0; k < e->n; k++) {
      half[i * e->n + k] = 0.0;
      for (size_t m = 0; m < e->n; m++)
        half[i * e->n + k] += inverse[i * e->n + m] * e->scatter[m * e->n + k];
    }
  for (size_t i = 0; i < e->n; i++)
    for (size_t k = 0; k < e->n; k++) {
      covariance[i * e->n + k] = 0.0;
      for (size_t m = 0; m < e->n; m++)
        covariance[i * e->n + k] += half[i * e->n + m] * inverse[m * e->n + k];
    }
}

/* Shift and turn of the whole, in the middle of all, and what each piece has beside them. */
static void part_doubt(piece *pieces, size_t count, const piece_link *link, const double *covariance, pieces_axis *axis)
{
  const size_t n = 2 * count;
  double x[SP_MOST_PIECES], mean = 0.0, square = 0.0, shift = 0.0, at[MOST_UNKNOWNS] = {0.0}, turn[MOST_UNKNOWNS] = {0.0};
  for (size_t k = 0; k < count; k++) {
    shift += k ? link[k - 1].place.shift_mm : 0.0;
    x[k] = middle_of(&pieces[k]) + shift;
    mean += x[k] / (double)count;
  }
  for (size_t k = 0; k < count; k++)
    square += (x[k] - mean) * (x[k] - mean);
  for (size_t k = 0; k < count; k++) {
    at[2 * k] = 1.0 / (double)count;
    turn[2 * k] = square > 0.0 ? (x[k] - mean) / square : 0.0;
  }
  axis->u_aside_mm = deviation(n, covariance, at);
  axis->u_turn_rad = deviation(n, covariance, turn);
  for (size_t k = 0; k < count; k++) {
    double own_at[MOST_UNKNOWNS], own_turn[MOST_UNKNOWNS];
    for (size_t i = 0; i < n; i++) {
      own_at[i] = (i == 2 * k ? 1.0 : 0.0) - at[i] - turn[i] * (x[k] - mean);
      own_turn[i] = (i == 2 * k + 1 ? 1.0 : 0.0) - turn[i];
    }
    pieces[k].u_aside_mm = deviation(n, covariance, own_at);
    pieces[k].u_turn_rad = deviation(n, covariance, own_turn);
  }
}

/* ---- moving the frames ------------------------------------------------------------------------------------------- */

/* The line u(v) crosses the centre line elsewhere now. */
static void cross_anew(const sp_lengthwise *centre, double *u_px, double *v_px, double slope, double *u_u_px,
                       double u_slope, double *cov_u_slope)
{
  const double v = (centre->at_px + centre->slope * (*u_px - slope * *v_px)) / (1.0 - centre->slope * slope);
  const double d = v - *v_px, cov = cov_u_slope ? *cov_u_slope : 0.0;
  *u_px += slope * d;
  *v_px = v;
  *u_u_px = sqrt(fmax(*u_u_px * *u_u_px + 2.0 * d * cov + d * d * u_slope * u_slope, 1e-12));
  if (cov_u_slope)
    *cov_u_slope = cov + d * u_slope * u_slope;
}

static void move_frame(piece *p, double aside_mm, double turn_rad)
{
  const double middle = middle_of(p);
  const sp_point on = piece_px(p, (sp_point){middle, -aside_mm}); /* where the new centre line runs */
  const bool along_x = p->frame.along == SP_ALONG_X;
  sp_board_frame *f = &p->frame;
  sp_lengthwise *c = &p->marks.board.centre;
  const double u_px = along_x ? on.x : on.y, v_px = along_x ? on.y : on.x;
  f->tilt_rad -= turn_rad;
  const double x = p->turned ? -middle : middle;
  f->origin_u_mm = sp_scale_map_along_mm(f->map, u_px) - x * cos(f->tilt_rad);
  f->origin_v_mm = f->v_sign * f->map->across_mm_per_px * v_px - x * sin(f->tilt_rad);
  const double rate = sp_scale_map_even_rate(f->map);
  c->slope = f->v_sign * tan(f->tilt_rad) * rate / f->map->across_mm_per_px;
  c->at_px = v_px - c->slope * u_px;
  for (size_t i = 0; i < p->marks.count; i++) {
    sp_mark *m = &p->marks.marks[i];
    cross_anew(c, &m->u_px, &m->v_px, m->slope, &m->u_u_px, m->u_slope, &m->cov_u_slope);
  }
  for (int e = 0; e < 2; e++) {
    sp_board_end *end = &p->marks.board.end[e];
    if (end->found)
      cross_anew(c, &end->u_px, &end->v_px, end->slope, &end->u_u_px, end->u_slope, NULL);
  }
  for (size_t i = 0; i < p->marks.edge_count; i++) {
    sp_board_end *end = &p->marks.edges[i];
    cross_anew(c, &end->u_px, &end->v_px, end->slope, &end->u_u_px, end->u_slope, NULL);
  }
}

/* Where the wood of a slab lies in both pictures. */
typedef struct seen_twice {
  sp_point first_px, second_px;
} seen_twice;

static void place_slabs(const piece *first, const piece *second, const sp_grain_fit *wood, seen_twice *at)
{
  for (size_t i = 0; i < wood->count; i++) {
    const sp_grain_slab *s = &wood->slab[i];
    at[i].first_px = piece_px(first, (sp_point){s->x_mm, 0.0});
    at[i].second_px = piece_px(second, (sp_point){s->x_mm - s->shift_mm, -s->aside_mm});
  }
}

static sp_point back_mm(const piece *p, sp_point at_px)
{
  const bool along_x = p->frame.along == SP_ALONG_X;
  return piece_mm(p, along_x ? at_px.x : at_px.y, along_x ? at_px.y : at_px.x);
}

static void replace_slabs(const piece *first, const piece *second, const seen_twice *at, sp_grain_fit *wood)
{
  for (size_t i = 0; i < wood->count; i++) {
    const sp_point a = back_mm(first, at[i].first_px), b = back_mm(second, at[i].second_px);
    wood->slab[i].x_mm = a.x;
    wood->slab[i].shift_mm = a.x - b.x;
    wood->slab[i].aside_mm = a.y - b.y;
  }
}

static void move_all(piece *pieces, size_t count, piece_link *link, const double *solution, const double *covariance)
{
  seen_twice at[SP_MOST_PIECES][SP_GRAIN_SLABS];
  for (size_t k = 0; k + 1 < count; k++)
    place_slabs(&pieces[k], &pieces[k + 1], &link[k].wood, at[k]);
  for (size_t k = 0; k < count; k++)
    move_frame(&pieces[k], solution[2 * k], solution[2 * k + 1]);
  for (size_t k = 0; k + 1 < count; k++) {
    sp_grain_fit *wood = &link[k].wood;
    double factor[MOST_UNKNOWNS] = {0.0};
    replace_slabs(&pieces[k], &pieces[k + 1], at[k], wood);
    factor[2 * k + 1] = -1.0;
    factor[2 * k + 3] = 1.0;
    if (!wood_tells(wood))
      continue;
    wood->aside_mm = wood->turn_rad = 0.0; /* the frames lie along each other now */
    wood->u_turn_rad = deviation(2 * count, covariance, factor);
  }
}

sp_status pieces_align(piece *pieces, size_t count, piece_link *link, pieces_axis *axis, sp_error *err)
{
  normal *e = calloc(1, sizeof *e);
  double inverse[MOST_UNKNOWNS * MOST_UNKNOWNS], covariance[MOST_UNKNOWNS * MOST_UNKNOWNS];
  if (!e)
    return sp_fail_memory(err);
  e->n = 2 * count;
  for (size_t k = 0; k < count; k++)
    add_own(&pieces[k], k, e);
  for (size_t k = 0; k + 1 < count; k++)
    add_wood(&pieces[k], &pieces[k + 1], &link[k], k, e);
  const bool fine = sp_cholesky(e->n, e->matrix);
  if (fine) {
    sp_cholesky_solve(e->n, e->matrix, e->right);
    sp_cholesky_inverse(e->n, e->matrix, inverse);
    propagate(e, inverse, covariance);
    part_doubt(pieces, count, link, covariance, axis);
    move_all(pieces, count, link, e->right, covariance);
  }
  free(e);
  return fine ? SP_OK : sp_fail(err, SP_E_INTERNAL, "the pieces' centre lines make no line");
}
