/* From a rough hypothesis to the best one near it: assign lines to frets, fit, assign again.
 *
 * The fit is a straight line x = origin + stretch * position with Cauchy weights (Huber & Ronchetti, Robust
 * Statistics; the constant 2.385 gives 95 % efficiency on normal errors, Holland & Welsch 1977): a fret 3 mm off
 * hardly pulls it. Where the picture's scale is known and the layout is taken as asked, the stretch is 1 with the
 * scale's own uncertainty as a further observation (or exactly 1 if that is 0).
 */
#include <math.h>

#include "match_internal.h"

static const double HAND_MM = 0.18, CAUCHY_C = 2.385;
enum { TURNS = 10, FIT_TURNS = 12 };
/* Occam factors, nats: how much of what was possible beforehand is left after the fit; and how rarely somebody asks
 * for another scale length than the board's. */
static const double LEFT_MM = 0.1, LEFT_STRETCH = 0.001, OTHER_LAYOUT_COST = 6.0;
/* At its place within what the hand usually does. */
static const double NEAR_MM = 0.6;

typedef struct sums {
  double w, p, x, pp, px;
} sums;

static void add(sums *s, double w, double p, double x)
{
  s->w += w;
  s->p += w * p;
  s->x += w * x;
  s->pp += w * p * p;
  s->px += w * p * x;
}

/* Solves for origin and stretch; prior_weight pulls the stretch toward 1, INFINITY fixes it. */
static void solve(const sums *s, double prior_weight, sp_hypothesis *h)
{
  const double pm = s->p / s->w, xm = s->x / s->w;
  const double spread = s->pp - s->w * pm * pm, common = s->px - s->w * pm * xm;
  if (isinf(prior_weight))
    h->stretch = 1.0;
  else if (spread + prior_weight > 0.0)
    h->stretch = (common + prior_weight) / (spread + prior_weight);
  h->origin = xm - h->stretch * pm;
}

static double weight_of(double d_mm, double sd_mm)
{
  const double r = d_mm / (sd_mm * CAUCHY_C);
  return 1.0 / (sd_mm * sd_mm * (1.0 + r * r));
}

/* One round of reweighting; places are taken about the first line so that large coordinates cost no digits. */
static void fit_once(const sp_model *m, const sp_assignment *a, double prior_weight, sp_hypothesis *h)
{
  const double unit = sp_model_unit(m, h), x0 = m->line[h->mirrored][0].x;
  const int e = h->mirrored ? 1 : 0;
  sums s = {0.0, 0.0, 0.0, 0.0, 0.0};
  for (size_t k = 0; k <= m->frets; k++)
    if (a->line_of_fret[k] >= 0) {
      const sp_model_line *l = &m->line[h->mirrored][a->line_of_fret[k]];
      const double p = m->layout->position_mm[k], d_mm = (l->x - h->origin - h->stretch * p) * unit;
      add(&s, weight_of(d_mm, hypot(HAND_MM, l->u * unit)), p, l->x - x0);
    }
  if (a->nut_is_end) {
    const double x = h->mirrored ? -m->options->end_position[e] : m->options->end_position[e];
    add(&s, weight_of((x - sp_model_nut(m, h)) * unit, 0.5), m->layout->position_mm[0], x - x0);
  }
  if (s.w > 0.0) {
    solve(&s, prior_weight, h);
    h->origin += x0;
  }
}

/* What the class of hypothesis costs. */
static double prior(const sp_model *m, const sp_hypothesis *h)
{
  const double unit = sp_model_unit(m, h), u = m->options->u_relative_scale;
  double nats = log(LEFT_MM / (2.0 * m->extent * unit));
  if (h->free)
    nats += log(LEFT_STRETCH) - (m->options->scale_known ? OTHER_LAYOUT_COST : 0.0);
  else if (u > 0.0)
    nats -= 0.5 * ((h->stretch - 1.0) / u) * ((h->stretch - 1.0) / u);
  return nats;
}

static void note(const sp_model *m, const sp_hypothesis *h, const sp_assignment *a, sp_fit *fit)
{
  const double unit = sp_model_unit(m, h);
  fit->h = *h;
  fit->nut_is_end = a->nut_is_end;
  fit->score_even = a->score_even + prior(m, h);
  fit->first = a->first;
  fit->last = a->last;
  fit->near_count = 0;
  for (size_t k = 0; k <= m->frets; k++) {
    fit->line[k] = -1;
    if (a->line_of_fret[k] < 0)
      continue;
    const sp_model_line *l = &m->line[h->mirrored][a->line_of_fret[k]];
    const double d_mm = (l->x - h->origin - h->stretch * m->layout->position_mm[k]) * unit;
    fit->near_count += fabs(d_mm) <= fmax(NEAR_MM, 3.0 * l->u * unit);
    fit->line[k] = (ptrdiff_t)l->id;
  }
}

static size_t found_count(const sp_model *m, const sp_assignment *a)
{
  size_t n = 0;
  for (size_t k = 0; k <= m->frets; k++)
    n += a->line_of_fret[k] >= 0;
  return n;
}

void sp_refine(sp_model *m, const sp_hypothesis *seed, bool free, sp_fit *fit)
{
  const double u = m->options->u_relative_scale;
  const double prior_weight = free ? 0.0 : u > 0.0 ? 1.0 / (u * u) : INFINITY;
  sp_hypothesis h = *seed;
  sp_assignment a = {.line_of_fret = m->assigned};
  fit->valid = false;
  h.free = free;
  for (int turn = 0; turn < TURNS; turn++) {
    if (!free && isinf(prior_weight))
      h.stretch = 1.0;
    if (!(h.stretch > 0.0))
      return;
    if (!m->options->scale_known)
      sp_model_set_unit(m, 1.0 / h.stretch);
    h.score = sp_model_score(m, &h, -INFINITY, &a) + prior(m, &h);
    if (!(h.score > -INFINITY) || found_count(m, &a) < (free ? 3u : 2u))
      return;
    /* The first fit may cost a little against a seed that sat on one line; after that only gains count. */
    if (fit->valid && !(h.score > fit->h.score + (turn == 1 ? -1.0 : 1e-6)))
      return;
    note(m, &h, &a, fit);
    fit->valid = true;
    for (int i = 0; i < FIT_TURNS; i++)
      fit_once(m, &a, prior_weight, &h);
  }
}
