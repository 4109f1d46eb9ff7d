/* Repeatability and reproducibility of a gauge: how far would the same board, scanned again or by somebody else, come
 * out elsewhere?
 *
 * The analysis of variance (parts and appraisers crossed, trials within) is the method to trust: it sees an appraiser
 * who reads some parts differently. The average-range method needs only means and ranges, is what most shops know, and
 * stands beside it. Both after AIAG, Measurement Systems Analysis, 4th ed. 2010, chapter III, section B; the K factors
 * are 1/d2 for many ranges and 1/sqrt(d2^2 + d3^2) for a single one, worked out instead of tabled. */
#include <math.h>
#include <string.h>

#include "factors.h"
#include "slotproof/numeric.h"
#include "slotproof/statistics.h"

/* Interaction that is no clearer than this is counted as error (AIAG). */
static const double POOL_ABOVE_P = 0.25;
/* Distinct categories: sqrt(2) pv/grr, as AIAG rounds it. */
static const double CATEGORIES = 1.41;

static double square(double x)
{
  return x * x;
}

/* One block of the study seen as a table. */
typedef struct table {
  const double *value;
  size_t parts, appraisers, trials;
} table;

static double cell_mean(const table *t, size_t part, size_t appraiser)
{
  return sp_mean(t->value + (part * t->appraisers + appraiser) * t->trials, t->trials);
}

static double part_mean(const table *t, size_t part)
{
  return sp_mean(t->value + part * t->appraisers * t->trials, t->appraisers * t->trials);
}

static double appraiser_mean(const table *t, size_t appraiser)
{
  double sum = 0.0;
  for (size_t p = 0; p < t->parts; p++)
    sum += cell_mean(t, p, appraiser);
  return sum / (double)t->parts;
}

static double cell_range(const table *t, size_t part, size_t appraiser)
{
  const double *x = t->value + (part * t->appraisers + appraiser) * t->trials;
  double low = x[0], high = x[0];
  for (size_t k = 1; k < t->trials; k++) {
    low = fmin(low, x[k]);
    high = fmax(high, x[k]);
  }
  return high - low;
}

/* ---- analysis of variance --------------------------------------------------------------------------------------- */

static void add_squares(const table *t, sp_gauge *g)
{
  const size_t per_part = t->appraisers * t->trials;
  const double all = sp_mean(t->value, t->parts * per_part);
  for (size_t p = 0; p < t->parts; p++)
    g->part.ss += (double)per_part * square(part_mean(t, p) - all);
  for (size_t a = 0; a < t->appraisers; a++)
    g->appraiser.ss += (double)(t->parts * t->trials) * square(appraiser_mean(t, a) - all);
  for (size_t p = 0; p < t->parts; p++)
    for (size_t a = 0; a < t->appraisers; a++) {
      const double mean = cell_mean(t, p, a);
      g->interaction.ss += (double)t->trials * square(mean - part_mean(t, p) - appraiser_mean(t, a) + all);
      for (size_t k = 0; k < t->trials; k++)
        g->error.ss += square(t->value[(p * t->appraisers + a) * t->trials + k] - mean);
    }
}

static void count_freedom(const sp_gauge_design *d, sp_gauge *g)
{
  const double blocks = (double)d->blocks, parts = (double)d->parts, people = (double)d->appraisers;
  g->part.df = blocks * (parts - 1.0);
  g->appraiser.df = blocks * (people - 1.0);
  g->interaction.df = blocks * (parts - 1.0) * (people - 1.0);
  g->error.df = blocks * parts * people * ((double)d->trials - 1.0);
}

static void finish_row(sp_gauge_row *row, const sp_gauge_row *against)
{
  row->ms = row->df > 0.0 ? row->ss / row->df : NAN;
  row->f = row->ms / against->ms;
  row->p = sp_f_upper(row->f, row->df, against->df);
}

static double component(double ms, double below, double count)
{
  return isfinite(ms) ? sqrt(fmax(0.0, ms - below) / count) : NAN;
}

static void sum_up(sp_gauge_result *r)
{
  const double av = isfinite(r->av) ? r->av : 0.0, inter = isfinite(r->interaction) ? r->interaction : 0.0;
  r->grr = sqrt(square(r->ev) + square(av) + square(inter));
  r->tv = hypot(r->grr, r->pv);
  r->percent_grr = 100.0 * r->grr / r->tv;
  r->ndc = CATEGORIES * r->pv / r->grr;
}

static void by_anova(const sp_gauge_design *d, double confidence, sp_gauge *g)
{
  g->error.ms = g->error.ss / g->error.df;
  g->error.f = g->error.p = NAN;
  finish_row(&g->interaction, &g->error);
  const bool crossed = g->interaction.df > 0.0;
  g->pooled = crossed && g->interaction.p > POOL_ABOVE_P;
  sp_gauge_row base = g->error;
  if (g->pooled) {
    base.df = g->error.df + g->interaction.df;
    base.ms = (g->error.ss + g->interaction.ss) / base.df;
  }
  const sp_gauge_row *against = crossed && !g->pooled ? &g->interaction : &base;
  finish_row(&g->part, against);
  finish_row(&g->appraiser, against);
  const double trials = (double)d->trials, parts = (double)d->parts, people = (double)d->appraisers;
  sp_gauge_result *r = &g->anova;
  r->ev = sqrt(base.ms);
  r->ev_limits = sp_sd_limits(r->ev, base.df, confidence);
  r->av = component(g->appraiser.ms, against->ms, parts * trials);
  r->interaction = crossed && !g->pooled ? component(g->interaction.ms, g->error.ms, trials) : crossed ? 0.0 : NAN;
  r->pv = component(g->part.ms, against->ms, people * trials);
  sum_up(r);
}

/* ---- average and range ------------------------------------------------------------------------------------------ */

/* K for one range of n values. */
static double factor_of_one(size_t n)
{
  double d2, d3;
  sp_range_moments(n, &d2, &d3);
  return 1.0 / hypot(d2, d3);
}

static double range_of_means(const table *t, double (*mean)(const table *, size_t), size_t count)
{
  double low = mean(t, 0), high = low;
  for (size_t i = 1; i < count; i++) {
    low = fmin(low, mean(t, i));
    high = fmax(high, mean(t, i));
  }
  return high - low;
}

/* Squares of the sds of one block, added to those there. */
static void add_ranges(const table *t, const double k[3], double square_of[3])
{
  double ranges = 0.0;
  for (size_t p = 0; p < t->parts; p++)
    for (size_t a = 0; a < t->appraisers; a++)
      ranges += cell_range(t, p, a);
  const double ev = k[0] * ranges / (double)(t->parts * t->appraisers);
  square_of[0] += square(ev);
  if (t->appraisers > 1)
    square_of[1] += fmax(0.0, square(k[1] * range_of_means(t, appraiser_mean, t->appraisers)) -
                                  square(ev) / (double)(t->parts * t->trials));
  if (t->parts > 1)
    square_of[2] += square(k[2] * range_of_means(t, part_mean, t->parts));
}

static table block_of(const double *value, const sp_gauge_design *d, size_t block)
{
  return (table){value + block * d->parts * d->appraisers * d->trials, d->parts, d->appraisers, d->trials};
}

static void by_ranges(const double *value, const sp_gauge_design *d, sp_gauge_result *r)
{
  double d2, d3, square_of[3] = {0.0, 0.0, 0.0};
  sp_range_moments(d->trials, &d2, &d3);
  const double k[3] = {1.0 / d2, d->appraisers > 1 ? factor_of_one(d->appraisers) : NAN,
                       d->parts > 1 ? factor_of_one(d->parts) : NAN};
  for (size_t b = 0; b < d->blocks; b++) {
    const table t = block_of(value, d, b);
    add_ranges(&t, k, square_of);
  }
  r->ev = sqrt(square_of[0] / (double)d->blocks);
  r->av = d->appraisers > 1 ? sqrt(square_of[1] / (double)d->blocks) : NAN;
  r->pv = d->parts > 1 ? sqrt(square_of[2] / (double)d->blocks) : NAN;
  r->interaction = NAN;
  r->ev_limits = (sp_interval){NAN, NAN};
  sum_up(r);
}

sp_status sp_gauge_study(const double *value, const sp_gauge_design *d, double confidence, sp_gauge *g, sp_error *err)
{
  memset(g, 0, sizeof *g);
  if (d->blocks < 1 || d->parts < 1 || d->appraisers < 1 || d->trials < 2)
    return sp_fail(err, SP_E_DATA, "a study needs at least two trials of each part; scan the same board again");
  const size_t n = d->blocks * d->parts * d->appraisers * d->trials;
  for (size_t i = 0; i < n; i++)
    if (!isfinite(value[i]))
      return sp_fail(err, SP_E_DATA, "a value of the study is not known; leave what it belongs to out");
  count_freedom(d, g);
  for (size_t b = 0; b < d->blocks; b++) {
    const table t = block_of(value, d, b);
    add_squares(&t, g);
  }
  by_anova(d, confidence, g);
  by_ranges(value, d, &g->range);
  return SP_OK;
}
