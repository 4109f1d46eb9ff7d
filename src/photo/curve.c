/* A rule that a lens has bent, out of short stretches with a period.
 *
 * From a strong stretch the rule is followed both ways, half a stretch a step: the next one has to lie where the last
 * few point to and to have nearly their period. The longest and strongest of such trains is the rule; a smooth curve
 * and a smooth period are fitted to it.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "photo_internal.h"
#include "slotproof/numeric.h"
#include "slotproof/rule.h"

enum { MOST_NODES = 400, SEEDS = 40, MOST_GAP = 5, LOOK_BACK = 6 };
/* How far, in strips and as a part of the period, the next stretch may lie from where it is expected. */
static const double NEAR_STRIPS = 1.6, NEAR_PERIOD = 0.03;

typedef struct node {
  double u, v, log_p, weight;
} node;

typedef struct train {
  node nodes[2 * MOST_NODES];
  size_t count;
  double strength;
} train;

typedef struct trains {
  const sp_rule_stretch *list;
  size_t count;
  bool *taken;
  double strip_px, step_px;
} trains;

/* Straight line through the last few nodes, seen from their newest. */
static node expected(const node *newest, size_t count, int back, double u)
{
  double su = 0, sv = 0, sp = 0, suu = 0, suv = 0, sup = 0, n = 0;
  for (size_t k = 0; k < count && k < LOOK_BACK; k++) {
    const node *a = newest - back * (ptrdiff_t)k;
    const double t = a->u - newest->u;
    n += 1;
    su += t;
    sv += a->v;
    sp += a->log_p;
    suu += t * t;
    suv += t * a->v;
    sup += t * a->log_p;
  }
  const double det = n * suu - su * su, t = u - newest->u;
  if (n < 3 || det <= 0.0)
    return (node){u, sv / n, sp / n, 0.0};
  const double slope_v = (n * suv - su * sv) / det, slope_p = (n * sup - su * sp) / det;
  return (node){u, (sv - slope_v * su) / n + slope_v * t, (sp - slope_p * su) / n + slope_p * t, 0.0};
}

/* All stretches of one column near the place expected, as one node; weight 0 if there is none. */
static node gathered(const trains *t, const node *due, double looseness)
{
  node out = {due->u, 0.0, 0.0, 0.0};
  for (size_t i = 0; i < t->count; i++) {
    const sp_rule_stretch *s = &t->list[i];
    if (fabs(s->u_px - due->u) > 0.25 * t->step_px || t->taken[i])
      continue;
    const double log_p = log(s->period_px);
    if (fabs(s->v_px - due->v) > NEAR_STRIPS * looseness * t->strip_px ||
        fabs(log_p - due->log_p) > NEAR_PERIOD * looseness)
      continue;
    out.v += s->weight * s->v_px;
    out.log_p += s->weight * log_p;
    out.weight += s->weight;
  }
  if (out.weight > 0.0) {
    out.v /= out.weight;
    out.log_p /= out.weight;
  }
  return out;
}

/* Follows from the node already at nodes[at], direction +1 or -1; returns how many were added beyond it. */
static size_t follow(const trains *t, train *out, size_t at, int way)
{
  size_t known = 1, added = 0;
  int gap = 0;
  double u = out->nodes[at].u;
  while (gap < MOST_GAP && added + 1 < MOST_NODES) {
    u += way * t->step_px;
    node *newest = &out->nodes[(ptrdiff_t)at + way * (ptrdiff_t)added];
    const node due = expected(newest, known, way, u);
    const node next = gathered(t, &due, 1.0 + 0.5 * gap + (known < 3 ? 0.5 : 0.0));
    if (!(next.weight > 0.0)) {
      gap++;
      continue;
    }
    gap = 0;
    added++;
    known++;
    out->nodes[(ptrdiff_t)at + way * (ptrdiff_t)added] = next;
    out->strength += next.weight;
  }
  return added;
}

/* nodes[] is used from the middle outward, then moved to its start. */
static void grow(const trains *t, const sp_rule_stretch *seed, train *out)
{
  const size_t middle = MOST_NODES;
  out->strength = 0.0;
  node first = {seed->u_px, seed->v_px, log(seed->period_px), 0.0};
  first = gathered(t, &first, 1.0);
  out->nodes[middle] = first;
  out->strength = first.weight;
  const size_t after = follow(t, out, middle, 1), before = follow(t, out, middle, -1);
  memmove(out->nodes, out->nodes + middle - before, (before + after + 1) * sizeof *out->nodes);
  out->count = before + after + 1;
}

static void take(const trains *t, const train *used)
{
  for (size_t k = 0; k < used->count; k++)
    for (size_t i = 0; i < t->count; i++)
      if (fabs(t->list[i].u_px - used->nodes[k].u) < 0.25 * t->step_px &&
          fabs(t->list[i].v_px - used->nodes[k].v) < 3.0 * t->strip_px)
        t->taken[i] = true;
}

/* Least squares polynomial of `terms` coefficients, twice, outliers cut in between. */
static bool fit_polynomial(const train *r, const photo_curve *c, bool of_v, double cut, size_t terms, double *out)
{
  double beta[4] = {0};
  for (int round = 0; round < 3; round++) {
    double gram[16] = {0}, rhs[4] = {0};
    for (size_t k = 0; k < r->count; k++) {
      const double t = (r->nodes[k].u - c->u_middle) / c->u_half, y = of_v ? r->nodes[k].v : r->nodes[k].log_p;
      double power[4], value = 0.0;
      for (size_t a = 0; a < terms; a++) {
        power[a] = a ? power[a - 1] * t : 1.0;
        value += beta[a] * power[a];
      }
      if (round && fabs(y - value) > cut)
        continue;
      for (size_t a = 0; a < terms; a++) {
        for (size_t b = 0; b < terms; b++)
          gram[terms * a + b] += power[a] * power[b];
        rhs[a] += power[a] * y;
      }
    }
    if (!sp_cholesky(terms, gram))
      return round > 0;
    sp_cholesky_solve(terms, gram, rhs);
    memcpy(beta, rhs, sizeof beta);
  }
  memcpy(out, beta, terms * sizeof *out);
  return true;
}

static bool describe(const train *r, sp_along along, double strip_px, photo_curve *c)
{
  memset(c, 0, sizeof *c);
  c->along = along;
  c->strength = r->strength;
  c->u_first = r->nodes[0].u;
  c->u_last = r->nodes[r->count - 1].u;
  c->u_middle = 0.5 * (c->u_first + c->u_last);
  c->u_half = fmax(0.5 * (c->u_last - c->u_first), 1.0);
  const size_t v_terms = r->count >= 10  ? 4
                         : r->count >= 5 ? 3
                                         : 2,
               p_terms = r->count >= 7   ? 3
                         : r->count >= 4 ? 2
                                         : 1;
  return fit_polynomial(r, c, true, 1.5 * strip_px, v_terms, c->v) && fit_polynomial(r, c, false, 0.02, p_terms, c->p);
}

double photo_curve_v(const photo_curve *c, double u)
{
  const double t = (u - c->u_middle) / c->u_half;
  return c->v[0] + t * (c->v[1] + t * (c->v[2] + t * c->v[3]));
}

double photo_curve_period(const photo_curve *c, double u)
{
  const double t = (u - c->u_middle) / c->u_half;
  return exp(c->p[0] + t * (c->p[1] + t * c->p[2]));
}

static int by_weight(const void *a, const void *b)
{
  const double x = ((const sp_rule_stretch *)a)->weight, y = ((const sp_rule_stretch *)b)->weight;
  return (x < y) - (x > y);
}

static int by_strength(const void *a, const void *b)
{
  const double x = ((const photo_curve *)a)->strength, y = ((const photo_curve *)b)->strength;
  return (x < y) - (x > y);
}

static sp_status curves_along(const sp_scene *scene, sp_along along, photo_curve *curves, size_t room, size_t *count,
                              sp_error *err)
{
  sp_rule_stretch *list = malloc(SP_RULE_STRETCHES * sizeof *list);
  bool *taken = calloc(SP_RULE_STRETCHES, sizeof *taken);
  train *work = malloc(2 * sizeof *work);
  sp_status status = list && taken && work ? SP_OK : sp_fail_memory(err);
  trains t = {list, 0, taken, (double)scene->strip_px, 16.0 * (double)scene->strip_px};
  if (!status)
    status = sp_rule_stretches(scene, along, list, &t.count, err);
  if (!status)
    qsort(list, t.count, sizeof *list, by_weight);
  *count = 0;
  while (!status && *count < room) {
    train *best = &work[0], *trial = &work[1];
    best->strength = 0.0;
    size_t seeds = 0;
    for (size_t i = 0; i < t.count && seeds < SEEDS; i++) {
      if (taken[i])
        continue;
      seeds++;
      grow(&t, &list[i], trial);
      if (trial->strength > best->strength)
        *best = *trial;
    }
    if (!seeds || best->count < 3)
      break;
    take(&t, best);
    if (describe(best, along, t.strip_px, &curves[*count]))
      (*count)++;
  }
  free(list);
  free(taken);
  free(work);
  return status;
}

sp_status photo_curves(const sp_scene *scene, photo_curve curves[PHOTO_CURVES], size_t *count, sp_error *err)
{
  size_t first = 0, second = 0;
  sp_status status = curves_along(scene, SP_ALONG_X, curves, PHOTO_CURVES / 2, &first, err);
  if (!status)
    status = curves_along(scene, SP_ALONG_Y, curves + first, PHOTO_CURVES / 2, &second, err);
  *count = first + second;
  if (!status)
    qsort(curves, *count, sizeof *curves, by_strength);
  return status;
}
