/* Shifts and true places by generalised least squares; see the header. */
#include "slotproof/join.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"

/* Marks seen twice lie within this of each other once the shift is known (mm): far beyond any reading error, far below
 * any distance of frets. */
static const double PAIR_MM = 0.3;
/* A closing test that fails more seldom than this by chance is not believed as it stands ... */
static const double LEAST_P = 0.001;
/* ... and with residuals beyond this the two scans contradict each other (mm, rms). */
static const double TORN_MM = 0.08;
/* Log odds by which a rule must have lain still, or moved, for it to be said: 100 to 1. */
static const double SURE = 4.6;
/* What a rule that was moved by hand is turned by, about: its angle says something too (rad). */
static const double MOVED_TURN_RAD = 0.005;
/* A whole step is told only if the shift is known to this part of it. */
static const double PART_OF_STEP = 1.0 / 8.0;
/* A rule fastened beside a board creeps by this while both are lifted and laid down again (mm; a judgement). */
static const double CREEP_MM = 0.002;

void sp_join_free(sp_join *join)
{
  for (size_t k = 0; join->place_of && k < join->pieces; k++)
    free(join->place_of[k]);
  free(join->place_of);
  free(join->x_mm);
  free(join->covariance_mm2);
  free(join->shift_mm);
  free(join->link);
  memset(join, 0, sizeof *join);
}

/* ---- one link ------------------------------------------------------------------------------------------------------
 */

/* What both show: entry of the first, entry of the second. The first `marks` of them are marks. */
typedef struct pairs {
  size_t count, marks;
  size_t *first, *second;
} pairs;

static void pairs_free(pairs *p)
{
  free(p->first);
  free(p->second);
}

/* The second's mark nearest to a place, or SIZE_MAX. */
static size_t partner(const sp_join_piece *second, double x_mm)
{
  size_t best = SIZE_MAX;
  for (size_t i = 0; i < second->marks; i++)
    if (fabs(second->x_mm[i] - x_mm) < PAIR_MM &&
        (best == SIZE_MAX || fabs(second->x_mm[i] - x_mm) < fabs(second->x_mm[best] - x_mm)))
      best = i;
  return best;
}

static sp_status find_pairs(const sp_join_piece *a, const sp_join_piece *b, const sp_join_overlap *o, pairs *p,
                            sp_error *err)
{
  *p = (pairs){.first = calloc(a->marks + o->woods + 1, sizeof(size_t)),
               .second = calloc(a->marks + o->woods + 1, sizeof(size_t))};
  if (!p->first || !p->second) {
    pairs_free(p);
    return sp_fail_memory(err);
  }
  for (size_t i = 0; i < a->marks; i++) {
    const size_t k = partner(b, a->x_mm[i] - o->shift_mm);
    if (k == SIZE_MAX || partner(a, b->x_mm[k] + o->shift_mm) != i)
      continue;
    p->first[p->count] = i;
    p->second[p->count++] = k;
  }
  p->marks = p->count;
  for (size_t i = 0; i < o->woods; i++) {
    p->first[p->count] = o->wood[i].first;
    p->second[p->count++] = o->wood[i].second;
  }
  return SP_OK;
}

static double rms(const double *x, size_t n)
{
  double sum = 0.0;
  for (size_t i = 0; i < n; i++)
    sum += x[i] * x[i];
  return n ? sqrt(sum / (double)n) : NAN;
}

/* Covariance of the differences, and its Cholesky factor. */
static bool factor_differences(const sp_join_piece *a, const sp_join_piece *b, const sp_join_overlap *o, const pairs *p,
                               double *c)
{
  for (size_t i = 0; i < p->count; i++)
    for (size_t k = 0; k < p->count; k++) {
      c[i * p->count + k] = a->covariance_mm2[p->first[i] * a->points + p->first[k]] +
                            b->covariance_mm2[p->second[i] * b->points + p->second[k]];
      if (i >= p->marks && k >= p->marks)
        c[i * p->count + k] += o->u_wood_mm * o->u_wood_mm;
    }
  return sp_cholesky(p->count, c);
}

/* Shift by marks and wood alone, and whether they agree. */
static sp_status close_link(const sp_join_piece *a, const sp_join_piece *b, const sp_join_overlap *o, const pairs *p,
                            sp_join_link *link, sp_error *err)
{
  const size_t n = p->count;
  double *c = malloc((n * n + 3 * n + 1) * sizeof *c), *one = c + n * n, *d = one + n, *rest = d + n;
  if (!c)
    return sp_fail_memory(err);
  if (!factor_differences(a, b, o, p, c)) {
    free(c);
    return sp_fail(err, SP_E_DATA, "the uncertainties of two pieces make no covariance");
  }
  double top = 0.0, weight = 0.0;
  for (size_t i = 0; i < n; i++) {
    rest[i] = d[i] = a->x_mm[p->first[i]] - b->x_mm[p->second[i]];
    one[i] = 1.0;
  }
  sp_cholesky_solve(n, c, one);
  for (size_t i = 0; i < n; i++) {
    top += one[i] * d[i];
    weight += one[i];
  }
  link->seen_mm = top / weight;
  link->u_seen_mm = sqrt(1.0 / weight);
  for (size_t i = 0; i < n; i++)
    d[i] = rest[i] = rest[i] - link->seen_mm;
  sp_cholesky_forward(n, c, d);
  link->chi2 = 0.0;
  for (size_t i = 0; i < n; i++)
    link->chi2 += d[i] * d[i];
  link->freedom = n - 1;
  link->p = n > 1 ? sp_chi2_upper(link->chi2, (double)(n - 1)) : NAN;
  link->marks_rms_mm = rms(rest, p->marks);
  link->wood_rms_mm = rms(rest + p->marks, n - p->marks);
  link->shared = p->marks;
  link->woods = n - p->marks;
  free(c);
  return SP_OK;
}

/* Two scans that disagree by more than they should by chance are surer of themselves than they ought to be. */
static bool widen_link(sp_join_link *link)
{
  link->widened = 1.0;
  if (!(link->p < LEAST_P))
    return true;
  link->widened = sqrt(link->chi2 / (double)link->freedom);
  link->u_seen_mm *= link->widened;
  return !(link->marks_rms_mm > TORN_MM) && !(link->wood_rms_mm > TORN_MM);
}

static double log_normal(double x, double u)
{
  return -0.5 * x * x / (u * u) - log(u) - 0.5 * log(2.0 * SP_PI);
}

/* Has the rule lain still? Odds of "still" (its phase and angle agree within what is known of them) against "moved"
 * (any phase, an angle within what hands do). */
static void judge_rule(const sp_join_overlap *o, sp_join_link *link)
{
  link->rule = SP_JOIN_RULE_NONE;
  link->rule_off_mm = link->u_rule_off_mm = NAN;
  if (!o->has_rule)
    return;
  const double off = o->rule_mm - link->seen_mm, nearest = off - o->step_mm * round(off / o->step_mm);
  const double u = sqrt(link->u_seen_mm * link->u_seen_mm + o->u_rule_mm * o->u_rule_mm + CREEP_MM * CREEP_MM);
  link->rule_off_mm = nearest;
  link->u_rule_off_mm = u;
  link->rule = SP_JOIN_RULE_UNCLEAR;
  if (!(u < PART_OF_STEP * o->step_mm))
    return;
  double odds = log_normal(nearest, u) + log(o->step_mm);
  if (isfinite(o->rule_turn_rad))
    odds += log_normal(o->rule_turn_rad, o->u_rule_turn_rad) - log_normal(o->rule_turn_rad, MOVED_TURN_RAD);
  if (odds > SURE)
    link->rule = SP_JOIN_RULE_STILL;
  else if (odds < -SURE)
    link->rule = SP_JOIN_RULE_MOVED;
}

/* ---- the whole -----------------------------------------------------------------------------------------------------
 */

/* Unknowns: true places of all marks, true places of all woods, shifts of all pieces but the first. */
typedef struct whole {
  size_t marks, woods, pieces, unknowns;
  size_t **unknown; /* [piece][entry]: which unknown it sees */
  double *normal, *right;
} whole;

static void whole_free(whole *w)
{
  for (size_t k = 0; w->unknown && k < w->pieces; k++)
    free(w->unknown[k]);
  free(w->unknown);
  free(w->normal);
  free(w->right);
}

static size_t shift_unknown(const whole *w, size_t piece)
{
  return w->marks + w->woods + piece - 1;
}

/* Numbers the true places: a mark seen in two pieces is one. */
static sp_status number_places(const sp_join_piece *piece, size_t pieces, const pairs *p, whole *w, sp_error *err)
{
  w->pieces = pieces;
  w->unknown = calloc(pieces, sizeof *w->unknown);
  if (!w->unknown)
    return sp_fail_memory(err);
  for (size_t k = 0; k < pieces; k++) {
    w->unknown[k] = calloc(piece[k].points + 1, sizeof **w->unknown);
    if (!w->unknown[k])
      return sp_fail_memory(err);
    for (size_t i = 0; i < piece[k].points; i++)
      w->unknown[k][i] = SIZE_MAX;
    for (size_t i = 0; k > 0 && i < p[k - 1].marks; i++)
      w->unknown[k][p[k - 1].second[i]] = w->unknown[k - 1][p[k - 1].first[i]];
    for (size_t i = 0; i < piece[k].marks; i++)
      if (w->unknown[k][i] == SIZE_MAX)
        w->unknown[k][i] = w->marks++;
  }
  for (size_t k = 0; k + 1 < pieces; k++)
    for (size_t i = p[k].marks; i < p[k].count; i++)
      w->unknown[k][p[k].first[i]] = w->unknown[k + 1][p[k].second[i]] = w->marks + w->woods++;
  w->unknowns = w->marks + w->woods + pieces - 1;
  w->normal = calloc(w->unknowns * w->unknowns + 1, sizeof *w->normal);
  w->right = calloc(w->unknowns + 1, sizeof *w->right);
  return w->normal && w->right ? SP_OK : sp_fail_memory(err);
}

/* Adds one piece's readings: each is a true place less the piece's shift. What the wood of an overlap has in common is
 * laid upon the second piece's readings of it. */
static sp_status add_piece(const sp_join_piece *piece, size_t k, const pairs *before, double common2, double widen2,
                           whole *w, sp_error *err)
{
  const size_t n = piece->points;
  double *c = malloc(2 * n * n * sizeof *c + 1), *inverse = c + n * n;
  if (!c)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n * n; i++)
    c[i] = widen2 * piece->covariance_mm2[i];
  for (size_t i = before ? before->marks : 0; before && i < before->count; i++)
    for (size_t j = before->marks; j < before->count; j++)
      c[before->second[i] * n + before->second[j]] += widen2 * common2;
  if (!sp_cholesky(n, c)) {
    free(c);
    return sp_fail(err, SP_E_DATA, "the uncertainties of a piece make no covariance");
  }
  sp_cholesky_inverse(n, c, inverse);
  for (size_t i = 0; i < n; i++) {
    const size_t places[2] = {w->unknown[k][i], k ? shift_unknown(w, k) : SIZE_MAX};
    const double signs[2] = {1.0, -1.0};
    for (size_t j = 0; j < n; j++) {
      const size_t other[2] = {w->unknown[k][j], places[1]};
      for (size_t a = 0; a < (k ? 2u : 1u); a++) {
        w->right[places[a]] += signs[a] * inverse[i * n + j] * piece->x_mm[j];
        for (size_t b = 0; b < (k ? 2u : 1u); b++)
          w->normal[places[a] * w->unknowns + other[b]] += signs[a] * signs[b] * inverse[i * n + j];
      }
    }
  }
  free(c);
  return SP_OK;
}

/* A rule that lay still ties two shifts. */
static void add_rule(const sp_join_overlap *o, const sp_join_link *link, size_t k, whole *w)
{
  const double shift = link->seen_mm + link->rule_off_mm;
  const double weight = 1.0 / (o->u_rule_mm * o->u_rule_mm + CREEP_MM * CREEP_MM);
  const size_t b = shift_unknown(w, k + 1), a = k ? shift_unknown(w, k) : SIZE_MAX;
  w->normal[b * w->unknowns + b] += weight;
  w->right[b] += weight * shift;
  if (k) {
    w->normal[a * w->unknowns + a] += weight;
    w->normal[a * w->unknowns + b] -= weight;
    w->normal[b * w->unknowns + a] -= weight;
    w->right[a] -= weight * shift;
  }
}

static sp_status take_solution(const sp_join_piece *piece, const whole *w, const double *inverse, sp_join *join,
                               sp_error *err)
{
  const size_t n = w->unknowns, m = w->marks;
  join->places = m;
  join->x_mm = malloc((m + 1) * sizeof(double));
  join->covariance_mm2 = malloc((m * m + 1) * sizeof(double));
  join->place_of = calloc(w->pieces, sizeof *join->place_of);
  join->shift_mm = calloc(w->pieces, sizeof(double));
  if (!join->x_mm || !join->covariance_mm2 || !join->place_of || !join->shift_mm)
    return sp_fail_memory(err);
  memcpy(join->x_mm, w->right, m * sizeof(double));
  for (size_t i = 0; i < m; i++)
    memcpy(join->covariance_mm2 + i * m, inverse + i * n, m * sizeof(double));
  for (size_t k = 0; k < w->pieces; k++) {
    join->place_of[k] = calloc(piece[k].marks + 1, sizeof **join->place_of);
    if (!join->place_of[k])
      return sp_fail_memory(err);
    memcpy(join->place_of[k], w->unknown[k], piece[k].marks * sizeof **join->place_of);
    join->shift_mm[k] = k ? w->right[shift_unknown(w, k)] : 0.0;
  }
  for (size_t k = 0; k + 1 < w->pieces; k++) {
    const size_t b = shift_unknown(w, k + 1), a = k ? shift_unknown(w, k) : 0;
    join->link[k].shift_mm = join->shift_mm[k + 1] - join->shift_mm[k];
    double variance = inverse[b * n + b];
    if (k)
      variance += inverse[a * n + a] - 2.0 * inverse[a * n + b];
    join->link[k].u_shift_mm = sqrt(variance);
  }
  return SP_OK;
}

static sp_status solve_whole(const sp_join_piece *piece, size_t pieces, const sp_join_overlap *overlap, const pairs *p,
                             sp_join *join, sp_error *err)
{
  whole w = {0};
  double *inverse = NULL;
  sp_status status = number_places(piece, pieces, p, &w, err);
  for (size_t k = 0; !status && k < pieces; k++) {
    const double before = k ? join->link[k - 1].widened : 1.0, after = k + 1 < pieces ? join->link[k].widened : 1.0;
    const double widen = fmax(before, after), common = k ? overlap[k - 1].u_wood_mm : 0.0;
    status = add_piece(&piece[k], k, k ? &p[k - 1] : NULL, common * common, widen * widen, &w, err);
  }
  for (size_t k = 0; !status && k + 1 < pieces; k++)
    if (join->link[k].rule == SP_JOIN_RULE_STILL)
      add_rule(&overlap[k], &join->link[k], k, &w);
  if (!status && !sp_cholesky(w.unknowns, w.normal))
    status = sp_fail(err, SP_E_DATA, "the pieces hang together by nothing");
  if (!status) {
    inverse = malloc((w.unknowns * w.unknowns + 1) * sizeof *inverse);
    if (!inverse)
      status = sp_fail_memory(err);
  }
  if (!status) {
    sp_cholesky_inverse(w.unknowns, w.normal, inverse);
    sp_cholesky_solve(w.unknowns, w.normal, w.right);
    status = take_solution(piece, &w, inverse, join, err);
  }
  free(inverse);
  whole_free(&w);
  return status;
}

static sp_status close_links(const sp_join_piece *piece, size_t pieces, const sp_join_overlap *overlap, pairs *p,
                             sp_join *join, sp_error *err)
{
  for (size_t k = 0; k + 1 < pieces; k++) {
    sp_join_link *link = &join->link[k];
    sp_status status = find_pairs(&piece[k], &piece[k + 1], &overlap[k], &p[k], err);
    if (status)
      return status;
    if (!p[k].count)
      return sp_fail(err, SP_E_DATA, "two pieces have nothing in common that could be measured");
    status = close_link(&piece[k], &piece[k + 1], &overlap[k], &p[k], link, err);
    if (status)
      return status;
    if (!widen_link(link) && join->state == SP_JOIN_OK) {
      join->state = SP_JOIN_TORN;
      join->torn = k;
    }
    judge_rule(&overlap[k], link);
  }
  return SP_OK;
}

sp_status sp_join_solve(const sp_join_piece *piece, size_t pieces, const sp_join_overlap *overlap, sp_join *join,
                        sp_error *err)
{
  memset(join, 0, sizeof *join);
  join->pieces = pieces;
  join->link = calloc(pieces, sizeof *join->link);
  pairs *p = calloc(pieces, sizeof *p);
  sp_status status = join->link && p ? SP_OK : sp_fail_memory(err);
  if (!status)
    status = close_links(piece, pieces, overlap, p, join, err);
  if (!status && join->state == SP_JOIN_OK)
    status = solve_whole(piece, pieces, overlap, p, join, err);
  for (size_t k = 0; p && k + 1 < pieces; k++)
    pairs_free(&p[k]);
  free(p);
  if (status)
    sp_join_free(join);
  return status;
}
