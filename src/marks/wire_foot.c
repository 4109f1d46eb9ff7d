/* One edge across the board: a fret's foot, or the nut's face.
 *
 * The edge is cut into pieces of a few rows, each a profile along the board. All pieces share a section and lie on one
 * straight line. The section is smooth on the wood (a parabola, a shadow that fades), smooth on the metal (a
 * parabola, and a rim that darkens where the metal turns away), breaks off at the foot, and may have a dark joint along
 * it; all blurred as the picture is. For a given place of the foot that is linear, so places are tried one after the
 * other; weak priors keep what the blur cannot tell apart (a joint, a shift) within what frets are like. Where lamp and
 * shadow lie does not matter: only the break does.
 *
 * Each piece then says by how much it lies beside the line; pieces that look otherwise (a string, dirt, glue, an inlay)
 * have little weight or none. The uncertainty is that of the robust straight line through the pieces, from their
 * scatter and its correlation along the edge (Newey & West 1987, Bartlett weights).
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "wire.h"

enum {
  TERMS = SP_FOOT_TERMS,
  PER_PX = 6,
  WINDOW = 512,
  ROUNDS = 4,
  MOST_PIECES = 512,
  FEWEST_PIECES = 8,
  PLACES = 49,
  TABLE_STEPS = 16
};
static const double PIECE_MM = 0.34;
/* An edge is so near to where the expected section lies. */
static const double NEAR_MM = 0.05;
/* The rim of the metal and the shadow fall off over these; a joint is about so broad (common practice, no source). */
static const double RIM_MM = 0.12, SHADOW_MM = 0.35, JOINT_MM = 0.06;
/* Standard deviations of the terms beforehand, against the contrast in the window; lengths are the window's. */
static const double PRIOR_SD[TERMS] = {50.0, 50.0, 1.5, 1.5, 0.7, 0.4, 0.6, 1.0, 0.35};
/* The same for a flat face: a nut's. */
static const double FLAT_SD[TERMS] = {50.0, 50.0, 0.3, 0.1, 0.03, 0.4, 0.3, 0.3, 0.6};
/* The joint is dark rather than light. */
static const double JOINT_MEAN = -0.2;
/* What a section like this cannot follow, against the contrast. */
static const double MODEL_SD = 0.01;
/* And farther from the edge than this ever less: shadows and crowns have shapes of their own. */
static const double LOCAL_MM = 0.25;
static const double AS_WELL = 0.1;
/* Neighbouring pieces hang together over this length. */
static const double CORRELATED_MM = 3.0;

typedef struct piece {
  double v_px, shift, u_shift, weight, odd;
  int32_t first_u;
  const float *value;
} piece;

typedef struct edge {
  const sp_foot_task *task;
  double px_per_mm, blur, joint, place, slope; /* u = place + slope (v - task->v_px) */
  int32_t window;                              /* pixels of a piece */
  double inner, outer;                         /* px */
  piece *pieces;
  size_t count;
  float *values;
  size_t bins;
  double *bin_t, *bin_y, *bin_w; /* the stack of all pieces over t, px outward from the edge */
  double contrast, offset;       /* offset: of the edge from t = 0 */
  double term[TERMS], misfit, u_break;
  bool guessed;
  double *table, table_first, table_per_px; /* the terms, tabulated */
  size_t table_count;
} edge;

/* ---- the section ----------------------------------------------------------------------------------------------------
 */

/* What the terms are at t px outward from the edge: the step; a ramp and a bowl on either side, t and t^2 where they
 * are above 0; rim, shadow and joint. All blurred. */
static void work_out_terms(const edge *e, double t, double *out)
{
  const double blur = e->blur, z = t / blur, wood = sp_normal_cdf(z), metal = sp_normal_cdf(-z), joint = e->joint;
  const double bell = blur * exp(-0.5 * z * z) / sqrt(2.0 * SP_PI), square = t * t + blur * blur;
  out[0] = 1.0 - wood;
  out[1] = wood;
  out[2] = (bell - t * metal) / e->inner;
  out[3] = (square * metal - t * bell) / (e->inner * e->inner);
  out[4] = sp_blurred_flank(-t, RIM_MM * e->px_per_mm, blur);
  out[5] = (t * wood + bell) / e->outer;
  out[6] = sp_blurred_flank(t, SHADOW_MM * e->px_per_mm, blur);
  out[7] = (square * wood + t * bell) / (e->outer * e->outer);
  out[8] = joint > 0.0 ? wood - sp_normal_cdf((t - joint) / blur) : 0.0;
}

/* A hundred thousand sections are asked for at each edge, so their terms are tabulated: TABLE_STEPS to the blur, from
 * as far as the edge may be tried from where the windows lie. */
static sp_status tabulate_terms(edge *e, sp_error *err)
{
  const double room = 2.0 * e->task->reach_mm * e->px_per_mm + 2.0;
  e->table_first = -e->inner - room;
  e->table_per_px = TABLE_STEPS / e->blur;
  e->table_count = (size_t)ceil((e->inner + e->outer + 2.0 * room) * e->table_per_px) + 1;
  e->table = malloc(e->table_count * TERMS * sizeof *e->table);
  if (!e->table)
    return sp_fail_memory(err);
  for (size_t i = 0; i < e->table_count; i++)
    work_out_terms(e, e->table_first + (double)i / e->table_per_px, e->table + i * TERMS);
  return SP_OK;
}

/* Between the table's places by the cubic through the nearest four: right to some 3e-7 of each term's range. */
static void terms_at(const edge *e, double t, double *restrict out)
{
  const double at = (t - e->table_first) * e->table_per_px;
  if (!(at >= 1.0) || !(at < (double)e->table_count - 2.0)) {
    work_out_terms(e, t, out);
    return;
  }
  const size_t i = (size_t)at;
  const double q = at - (double)i, p = q - 1.0, r = q + 1.0, s = q - 2.0;
  const double w[4] = {-q * p * s / 6.0, r * p * s / 2.0, -r * q * s / 2.0, r * q * p / 6.0};
  const double *restrict a = e->table + (i - 1) * TERMS;
  for (int k = 0; k < TERMS; k++)
    out[k] = w[0] * a[k] + w[1] * a[k + TERMS] + w[2] * a[k + 2 * TERMS] + w[3] * a[k + 3 * TERMS];
}

static double section_at(const edge *e, double t)
{
  double term[TERMS], sum = 0.0;
  terms_at(e, t, term);
  for (int i = 0; i < TERMS; i++)
    sum += e->term[i] * term[i];
  return sum;
}

/* Penalised least squares for an edge at t = offset; returns the penalised misfit, INFINITY if it cannot be solved. */
static double fit_terms(const edge *e, double offset, double *beta)
{
  double gram[TERMS * TERMS] = {0}, term[TERMS], misfit = 0.0, middle = 0.0, sum = 0.0;
  for (size_t i = 0; i < e->bins; i++) {
    middle += e->bin_w[i] * e->bin_y[i];
    sum += e->bin_w[i];
  }
  middle /= sum;
  memset(beta, 0, TERMS * sizeof *beta);
  for (size_t i = 0; i < e->bins; i++) {
    const double w = e->bin_w[i] / pow(MODEL_SD * e->contrast, 2.0), y = e->bin_y[i] - middle;
    terms_at(e, e->bin_t[i] - offset, term);
    for (int a = 0; a < TERMS; a++) {
      beta[a] += w * term[a] * y;
      for (int b = 0; b <= a; b++)
        gram[a * TERMS + b] += w * term[a] * term[b];
    }
    misfit += w * y * y;
  }
  double right[TERMS];
  for (int a = 0; a < TERMS; a++) {
    double sd = (e->task->flat ? FLAT_SD : PRIOR_SD)[a] * e->contrast,
           mean = a == TERMS - 1 ? JOINT_MEAN * e->contrast : 0.0;
    if (e->task->prior) {
      sd = e->task->prior->sd[a];
      mean = e->task->prior->mean[a] - (a < 2 ? middle : 0.0);
    }
    gram[a * TERMS + a] += 1.0 / (sd * sd);
    beta[a] += mean / (sd * sd);
    misfit += mean * mean / (sd * sd);
    right[a] = beta[a];
  }
  if (!sp_cholesky(TERMS, gram))
    return INFINITY;
  sp_cholesky_solve(TERMS, gram, beta);
  for (int a = 0; a < TERMS; a++)
    misfit -= right[a] * beta[a];
  beta[0] += middle;
  beta[1] += middle;
  return misfit;
}

/* What the section that is expected leaves of the stack with its edge at t = offset, level and height let go. */
static double misfit_of_expected(const edge *e, double offset)
{
  double term[TERMS], w = 0.0, x = 0.0, y = 0.0, xx = 0.0, xy = 0.0, yy = 0.0;
  for (size_t i = 0; i < e->bins; i++) {
    double value = 0.0;
    terms_at(e, e->bin_t[i] - offset, term);
    for (int a = 0; a < TERMS; a++)
      value += e->task->prior->mean[a] * term[a];
    w += e->bin_w[i];
    x += e->bin_w[i] * value;
    y += e->bin_w[i] * e->bin_y[i];
    xx += e->bin_w[i] * value * value;
    xy += e->bin_w[i] * value * e->bin_y[i];
    yy += e->bin_w[i] * e->bin_y[i] * e->bin_y[i];
  }
  xx -= x * x / w;
  xy -= x * y / w;
  yy -= y * y / w;
  return xy > 0.0 && xx > 0.0 ? yy - xy * xy / xx : yy;
}

/* Where the section that is expected lies: more than one place may do for a break, but not for the whole section. */
static double expected_place(const edge *e, double reach_px)
{
  double least = INFINITY, best = 0.0;
  for (int i = 0; i < PLACES; i++) {
    const double at = (2.0 * i / (PLACES - 1) - 1.0) * reach_px, misfit = misfit_of_expected(e, at);
    if (misfit < least) {
      least = misfit;
      best = at;
    }
  }
  return best;
}

/* Adds what the places are unlikely by, where the start is known to something. A section that explains little says
 * little of the place, so the misfit counts against the least one. */
static void heed_start(const edge *e, double first, double step, double misfit[PLACES])
{
  const double sd = e->task->sd_mm * e->px_per_mm, points = fmax(4.0, 3.0 * (e->inner + e->outer) - TERMS);
  double least = INFINITY;
  if (!(sd > 0.0))
    return;
  for (int i = 0; i < PLACES; i++)
    least = fmin(least, misfit[i]);
  for (int i = 0; i < PLACES; i++) {
    const double off = e->task->outward * (e->place - e->task->u_px) + first + i * step;
    misfit[i] = misfit[i] / fmax(1.0, least / points) + off * off / (sd * sd);
  }
}

/* How far, in places tried, the break may lie from the best one: half the range of those that explain the section about
 * as well. What the section cannot follow is no noise: a tenth more is as well. */
static double open_places(const edge *e, const double misfit[PLACES], int best)
{
  const double points = fmax(4.0, 3.0 * (e->inner + e->outer) - TERMS);
  const double most = misfit[best] + fmax(AS_WELL * misfit[best], 4.0 * misfit[best] / points);
  int first = best, last = best;
  while (first > 0 && misfit[first - 1] < most)
    first--;
  while (last < PLACES - 1 && misfit[last + 1] < most)
    last++;
  return 0.5 * (last - first);
}

/* How far the section is darker about its joint than on both sides of it. */
static double dip_of(const edge *e)
{
  const double reach = 2.5 * e->blur;
  double least = INFINITY;
  for (double t = -reach; t <= e->joint + reach; t += 0.1 * e->blur)
    least = fmin(least, section_at(e, t));
  return (fmin(section_at(e, -reach), section_at(e, e->joint + reach)) - least) / e->contrast;
}

/* Tries places of the edge; the best, refined between its neighbours. */
static bool find_break(edge *e, double middle_px, double reach_px)
{
  double misfit[PLACES], beta[TERMS];
  const double step = 2.0 * reach_px / (PLACES - 1), first = middle_px - reach_px;
  int best = 0;
  e->guessed = false;
  for (int i = 0; i < PLACES; i++)
    misfit[i] = fit_terms(e, first + i * step, beta);
  heed_start(e, first, step, misfit);
  for (int i = 0; i < PLACES; i++)
    best = misfit[i] < misfit[best] ? i : best;
  if (!isfinite(misfit[best]))
    return false;
  if (best == 0 || best == PLACES - 1) { /* no break within reach: where the expected section lies, if there is one */
    e->offset = middle_px;
    e->misfit = fit_terms(e, e->offset, e->term);
    e->guessed = true;
    return e->task->prior != NULL && isfinite(e->misfit);
  }
  const double bend = misfit[best - 1] - 2.0 * misfit[best] + misfit[best + 1];
  const double shift = bend > 0.0 ? 0.5 * (misfit[best - 1] - misfit[best + 1]) / bend : 0.0;
  e->u_break = open_places(e, misfit, best) * step;
  e->offset = first + (best + fmin(fmax(shift, -0.5), 0.5)) * step;
  e->misfit = fit_terms(e, e->offset, e->term);
  return isfinite(e->misfit);
}

/* ---- pieces ---------------------------------------------------------------------------------------------------------
 */

static double place_at(const edge *e, double v)
{
  return e->place + e->slope * (v - e->task->v_px);
}

static void undo_tone(float *value, int32_t n, double tone, double full_scale)
{
  for (int32_t i = 0; tone > 0.0 && i < n; i++)
    value[i] = (float)(full_scale * pow(fmax((double)value[i] / full_scale, 0.0), tone));
}

static sp_status read_pieces(const sp_view *view, edge *e, sp_error *err)
{
  const sp_foot_task *t = e->task;
  const int32_t rows = (int32_t)fmax(2.0, round(PIECE_MM * e->px_per_mm));
  const int32_t v0 = (int32_t)fmax(0.0, ceil(t->v0_px)), v1 = (int32_t)fmin(view->breadth_px, floor(t->v1_px));
  const double before = t->outward > 0 ? e->inner : e->outer;
  e->window = (int32_t)ceil(e->inner + e->outer) + 1;
  e->pieces = calloc(MOST_PIECES, sizeof *e->pieces);
  e->values = malloc(MOST_PIECES * (size_t)e->window * sizeof *e->values);
  if (!e->pieces || !e->values)
    return sp_fail_memory(err);
  for (int32_t v = v0; v + rows <= v1 && e->count < MOST_PIECES; v += rows) {
    piece *p = &e->pieces[e->count];
    float *value = e->values + e->count * (size_t)e->window;
    p->v_px = v + 0.5 * (rows - 1);
    p->first_u = (int32_t)lround(place_at(e, p->v_px) - before);
    if (p->first_u < 0 || p->first_u + e->window > view->length_px)
      continue;
    sp_view_window(view, p->first_u, e->window, v, rows, value);
    undo_tone(value, e->window, t->tone, view->full_scale);
    p->value = value;
    p->weight = 1.0;
    e->count++;
  }
  return SP_OK;
}

/* What a piece's pixel should be: as most pieces have it, or, where that is known, as the other frets have it. */
static void usual_window(const edge *e, const piece *p, const double *median, double *usual)
{
  const sp_foot_prior *prior = e->task->prior;
  double term[TERMS];
  for (int32_t i = 0; i < e->window; i++) {
    usual[i] = median[i];
    if (!prior)
      continue;
    terms_at(e, e->task->outward * (p->first_u + i - place_at(e, p->v_px)), term);
    usual[i] = 0.0;
    for (int a = 0; a < TERMS; a++)
      usual[i] += prior->mean[a] * term[a];
  }
}

/* How unlike that a piece is: mean square of the difference, half of a mere difference in level let go. */
static double unlike(const edge *e, const piece *p, const double *median)
{
  double usual[WINDOW], sum = 0.0, square = 0.0;
  usual_window(e, p, median, usual);
  for (int32_t i = 0; i < e->window; i++) {
    const double d = (double)p->value[i] - usual[i];
    sum += d;
    square += d * d;
  }
  return sqrt(square / e->window - 0.5 * pow(sum / e->window, 2.0));
}

static void find_odd(edge *e, double *work)
{
  float column[MOST_PIECES];
  double median[WINDOW] = {0}, least = INFINITY, most = -INFINITY;
  for (int32_t i = 0; i < e->window; i++) {
    for (size_t k = 0; k < e->count; k++)
      column[k] = e->pieces[k].value[i];
    median[i] = (double)sp_median_f(column, e->count);
    least = fmin(least, median[i]);
    most = fmax(most, median[i]);
  }
  e->contrast = fmax(most - least, 1e-9);
  for (size_t k = 0; k < e->count; k++)
    work[k] = e->pieces[k].odd = unlike(e, &e->pieces[k], median);
  /* dirt may lie along more than half of a foot: a quarter of the pieces sets the measure then */
  const double scale = 2.5 * sp_quantile(work, e->count, e->task->prior ? 0.25 : 0.5) + 0.02 * e->contrast;
  for (size_t k = 0; k < e->count; k++)
    e->pieces[k].odd /= scale;
}

/* All pieces over each other, on bins finer than a pixel. */
static void stack(edge *e)
{
  const double first = -e->inner;
  const size_t most = (size_t)((e->inner + e->outer) * PER_PX) + 1;
  memset(e->bin_t, 0, 3 * most * sizeof *e->bin_t);
  for (size_t k = 0; k < e->count; k++) {
    const piece *p = &e->pieces[k];
    const double w = p->weight / (1.0 + pow(p->odd, 4.0)), place = place_at(e, p->v_px);
    for (int32_t i = 0; i < e->window && w > 1e-6; i++) {
      const double t = e->task->outward * (p->first_u + i - place), at = (t - first) * PER_PX;
      if (!(at >= 0.0) || at >= (double)most)
        continue;
      e->bin_t[(size_t)at] += w * t;
      e->bin_y[(size_t)at] += w * (double)p->value[i];
      e->bin_w[(size_t)at] += w;
    }
  }
  e->bins = 0;
  for (size_t i = 0; i < most; i++)
    if (e->bin_w[i] > 0.0) {
      e->bin_t[e->bins] = e->bin_t[i] / e->bin_w[i];
      e->bin_y[e->bins] = e->bin_y[i] / e->bin_w[i];
      e->bin_w[e->bins++] = e->bin_w[i];
    }
  double sum = 0.0; /* so that the misfit does not hang on how many pieces there are */
  for (size_t i = 0; i < e->bins; i++)
    sum += e->bin_w[i];
  for (size_t i = 0; i < e->bins; i++)
    e->bin_w[i] *= (e->inner + e->outer) * 3.0 / sum / (1.0 + pow(e->bin_t[i] / (LOCAL_MM * e->px_per_mm), 2.0));
}

/* Shift of one piece against the section: level, height and shift by least squares, the height kept near 1. */
static void measure_piece(const edge *e, piece *p)
{
  double gram[9] = {0}, right[3] = {0}, rest = 0.0;
  const double place = place_at(e, p->v_px) + e->task->outward * e->offset, h = 0.05 * e->blur;
  int32_t n = 0;
  for (int32_t i = 0; i < e->window; i++) {
    const double t = e->task->outward * (p->first_u + i - place);
    if (fabs(t) > 0.8 * fmin(e->inner, e->outer) + 1.0)
      continue;
    const double m = section_at(e, t), slope = (section_at(e, t + h) - section_at(e, t - h)) / (2.0 * h);
    const double x[3] = {1.0, m, -slope}, y = (double)p->value[i];
    for (int a = 0; a < 3; a++) {
      right[a] += x[a] * y;
      for (int b = 0; b <= a; b++)
        gram[3 * a + b] += x[a] * x[b];
    }
    rest += y * y;
    n++;
  }
  const double tie = gram[4] > 0.0 ? 0.1 * e->contrast * e->contrast : 0.0; /* of the height to 1 */
  gram[4] += tie;
  right[1] += tie;
  rest += tie;
  double beta[3] = {right[0], right[1], right[2]};
  p->u_shift = INFINITY;
  p->shift = 0.0;
  if (n < 6 || !sp_cholesky(3, gram))
    return;
  sp_cholesky_solve(3, gram, beta);
  double inverse[9];
  sp_cholesky_inverse(3, gram, inverse);
  for (int a = 0; a < 3; a++)
    rest -= beta[a] * right[a];
  if (!(beta[1] > 0.2))
    return;
  p->shift = e->task->outward * beta[2] / beta[1];
  p->u_shift = sqrt(fmax(rest, 0.0) / (n - 3) * inverse[8]) / beta[1];
}

/* ---- the line through them ------------------------------------------------------------------------------------------
 */

typedef struct line {
  double at, slope, sum, mean, square;
} line;

static line weighted_line(const edge *e, double scatter)
{
  line l = {0};
  double sy = 0.0, sxy = 0.0;
  for (int round = 0; round < 2; round++)
    for (size_t k = 0; k < e->count; k++) {
      const piece *p = &e->pieces[k];
      if (!isfinite(p->u_shift) || p->weight <= 0.0)
        continue;
      const double w = p->weight / (p->u_shift * p->u_shift + scatter * scatter), x = p->v_px - e->task->v_px;
      if (!round) {
        l.sum += w;
        l.mean += w * x;
        sy += w * p->shift;
      } else {
        l.square += w * (x - l.mean / l.sum) * (x - l.mean / l.sum);
        sxy += w * (x - l.mean / l.sum) * p->shift;
      }
    }
  l.mean = l.sum > 0.0 ? l.mean / l.sum : 0.0;
  l.slope = l.square > 0.0 ? sxy / l.square : 0.0;
  l.at = l.sum > 0.0 ? sy / l.sum - l.slope * l.mean : NAN;
  return l;
}

/* Tukey's weights about the line; scatter is what the pieces show beyond their own noise. */
static line robust_line(edge *e, double *scatter, double *work)
{
  line l = {0};
  for (size_t k = 0; k < e->count; k++)
    work[k] = e->pieces[k].u_shift;
  *scatter = 0.02 * e->blur;
  for (size_t k = 0; k < e->count; k++)
    e->pieces[k].weight = isfinite(e->pieces[k].u_shift) ? 1.0 / (1.0 + pow(e->pieces[k].odd, 4.0)) : 0.0;
  for (int round = 0; round < 8; round++) {
    size_t n = 0;
    l = weighted_line(e, *scatter);
    for (size_t k = 0; k < e->count; k++)
      if (isfinite(e->pieces[k].u_shift) && e->pieces[k].odd < 1.5)
        work[n++] = fabs(e->pieces[k].shift - l.at - l.slope * (e->pieces[k].v_px - e->task->v_px));
    const double sd = n ? SP_MAD_TO_SD * sp_median(work, n) : INFINITY;
    *scatter = fmax(sd, 0.02 * e->blur);
    for (size_t k = 0; k < e->count; k++) {
      piece *p = &e->pieces[k];
      const double rest = p->shift - l.at - l.slope * (p->v_px - e->task->v_px);
      p->weight = isfinite(p->u_shift)
                      ? sp_tukey_weight(rest / hypot(*scatter, p->u_shift), SP_TUKEY_C) / (1.0 + pow(p->odd, 4.0))
                      : 0.0;
    }
  }
  return l;
}

static void conclude(const edge *e, const line *l, double scatter, sp_foot *foot)
{
  const double reach = CORRELATED_MM * e->px_per_mm;
  double var_at = 0.0, var_slope = 0.0, cov = 0.0, used = 0.0;
  for (size_t j = 0; j < e->count; j++) {
    const piece *p = &e->pieces[j];
    used += p->weight > 0.3;
    for (size_t k = 0; k < e->count; k++) {
      const piece *q = &e->pieces[k];
      const double lag = fabs(q->v_px - p->v_px) / reach;
      if (lag >= 1.0 || p->weight <= 0.0 || q->weight <= 0.0)
        continue;
      const double xp = p->v_px - e->task->v_px, xq = q->v_px - e->task->v_px;
      const double wp = p->weight / (p->u_shift * p->u_shift + scatter * scatter);
      const double wq = q->weight / (q->u_shift * q->u_shift + scatter * scatter);
      const double sp = wp * (xp - l->mean) / l->square, sq = wq * (xq - l->mean) / l->square;
      const double ap = wp / l->sum - l->mean * sp, aq = wq / l->sum - l->mean * sq;
      const double product = (1.0 - lag) * (p->shift - l->at - l->slope * xp) * (q->shift - l->at - l->slope * xq);
      var_at += ap * aq * product;
      var_slope += sp * sq * product;
      cov += ap * sq * product;
    }
  }
  foot->used = used / (double)e->count;
  foot->u_u_px = sqrt(fmax(var_at, 1.0 / l->sum));
  foot->u_slope = sqrt(fmax(var_slope, 1.0 / l->square));
  foot->cov_u_slope = cov;
}

static bool improve(edge *e, int round, double *work, sp_foot *foot)
{
  double scatter;
  stack(e);
  double reach = round == 0 ? e->task->reach_mm * e->px_per_mm : fmax(0.12 * e->px_per_mm, 2.0 * e->blur), middle = 0.0;
  if (e->task->prior) {
    middle = expected_place(e, reach);
    reach = fmax(NEAR_MM * e->px_per_mm, 0.7 * e->blur);
  }
  if (!find_break(e, middle, reach))
    return false;
  for (size_t k = 0; k < e->count; k++)
    measure_piece(e, &e->pieces[k]);
  const line l = robust_line(e, &scatter, work);
  if (!isfinite(l.at) || !(l.square > 0.0))
    return false;
  /* the pieces' shifts are against a section whose edge lies at the offset */
  e->place += e->task->outward * e->offset + l.at;
  e->slope += l.slope;
  if (round + 1 == ROUNDS)
    conclude(e, &l, scatter, foot);
  return fabs(e->place - e->task->u_px) < 2.0 * e->task->reach_mm * e->px_per_mm && fabs(e->slope) < 0.1;
}

static sp_status run(const sp_view *view, edge *e, sp_foot *foot, sp_error *err)
{
  const size_t bins = (size_t)((e->inner + e->outer) * PER_PX) + 2;
  sp_status status = read_pieces(view, e, err);
  if (!status)
    status = tabulate_terms(e, err);
  double *work = malloc((MOST_PIECES + 3 * bins) * sizeof *work);
  if (!status && !work)
    status = sp_fail_memory(err);
  if (!status && e->count >= FEWEST_PIECES && e->window <= WINDOW) {
    e->bin_t = work + MOST_PIECES;
    e->bin_y = e->bin_t + (bins - 1);
    e->bin_w = e->bin_y + (bins - 1);
    find_odd(e, work);
    foot->found = true;
    for (int round = 0; round < ROUNDS && foot->found; round++)
      foot->found = improve(e, round, work, foot);
    foot->guessed = e->guessed;
    foot->u_px = e->place;
    foot->slope = e->slope;
    memcpy(foot->term, e->term, sizeof foot->term);
    foot->misfit = sqrt(e->misfit) * MODEL_SD;
    foot->u_break_px = sp_gum_rectangular(e->u_break);
    foot->dip = dip_of(e);
  }
  free(work);
  return status;
}

sp_status sp_wire_foot_fit(const sp_view *view, const sp_foot_task *task, double px_per_mm, double blur_px,
                           sp_foot *foot, sp_error *err)
{
  edge e = {.task = task, .px_per_mm = px_per_mm, .blur = blur_px, .place = task->u_px, .slope = task->slope};
  e.joint = task->joint_mm < 0.0 ? 0.0 : (task->joint_mm > 0.0 ? task->joint_mm : JOINT_MM) * px_per_mm;
  e.inner = task->inner_mm * px_per_mm;
  e.outer = task->outer_mm * px_per_mm;
  memset(foot, 0, sizeof *foot);
  const sp_status status = run(view, &e, foot, err);
  free(e.pieces);
  free(e.values);
  free(e.table);
  return status;
}
