/* Lines out of square: all of them by one angle, or one much more than the rest.
 *
 * A line is crooked if it stands off the mean of the others by more than their scatter explains (the outlier test on
 * externally studentised residuals, Student's t with n - 2 degrees of freedom, times n for having looked at every line;
 * Barnett & Lewis, Outliers in Statistical Data, from memory). The rest are out of square together if their mean
 * differs from 0 beyond scatter / sqrt(n) and beyond what all share, the doubt about the centre line: that is no more
 * than the smallest uncertainty of a line. */
#include <math.h>
#include <stdio.h>

#include "findings_internal.h"
#include "slotproof/numeric.h"

enum { MOST_CROOKED = 3 };
/* On a board 50 mm broad 0.1 degrees are 0.09 mm from side to side; 0.25 degrees are 0.2 mm. */
static const double WORTH_ALL_DEG = 0.1, WORTH_ONE_DEG = 0.25;

typedef struct leaning {
  size_t n;
  const sp_mark_record *line[SP_FINDINGS_MAX_MARKS];
} leaning;

static leaning leaning_of(const sp_record *record)
{
  leaning l = {0};
  for (size_t i = 0; i < record->mark_count && l.n < SP_FINDINGS_MAX_MARKS; i++) {
    const sp_mark_record *m = &record->marks[i];
    if (m->fret > 0 && m->found && isfinite(m->squareness_deg) && isfinite(m->u_squareness_deg))
      l.line[l.n++] = m;
  }
  return l;
}

/* Mean and sd of all lines but one (n for none). */
static void moments(const leaning *l, size_t without, double *mean, double *sd)
{
  double value[SP_FINDINGS_MAX_MARKS];
  size_t n = 0;
  for (size_t i = 0; i < l->n; i++)
    if (i != without)
      value[n++] = l->line[i]->squareness_deg;
  *mean = sp_mean(value, n);
  *sd = sp_sd(value, n);
}

static double least_u(const leaning *l)
{
  double least = HUGE_VAL;
  for (size_t i = 0; i < l->n; i++)
    least = fmin(least, l->line[i]->u_squareness_deg);
  return least;
}

typedef struct crooked {
  size_t at;
  double off_deg, u_deg, chance;
} crooked;

static crooked most_crooked(const leaning *l)
{
  crooked worst = {0, NAN, NAN, 1.0};
  const double least = least_u(l), n = (double)l->n;
  for (size_t i = 0; i < l->n; i++) {
    double mean, sd;
    moments(l, i, &mean, &sd);
    const double own = l->line[i]->u_squareness_deg, off = l->line[i]->squareness_deg - mean;
    /* a line surer than the surest of all scatters no less; one less sure scatters by so much more */
    const double u = sqrt(sd * sd * (1.0 + 1.0 / (n - 1.0)) + fmax(own * own - least * least, 0.0));
    const double chance = fmin(2.0 * n * sp_student_cdf(-fabs(off) / u, n - 2.0), 1.0);
    if (chance < worst.chance)
      worst = (crooked){i, off, u, chance};
  }
  return worst;
}

static sp_status say_crooked(const sp_mark_record *m, const crooked *c, sp_record *record, sp_error *err)
{
  const double strength = sp_strength_of(c->chance);
  sp_finding f = {.kind = "crooked", .value = c->off_deg, .u_value = c->u_deg, .unit = "deg", .strength = strength};
  snprintf(
      f.text, sizeof f.text,
      "fret %ld stands %.2f degrees askew to the other lines, %s: its %s end (seen from the nut, board face up) is "
      "too near the bridge; check whether the square moved while it was drawn",
      (long)m->fret, fabs(c->off_deg), sp_strength_word(strength), c->off_deg > 0.0 ? "right" : "left");
  return sp_record_add_finding(record, &f, err);
}

static sp_status judge_all(const leaning *l, sp_record *record, sp_error *err)
{
  double mean, sd;
  moments(l, l->n, &mean, &sd);
  const double n = (double)l->n, u = hypot(sd / sqrt(n), least_u(l));
  const double chance = 2.0 * sp_student_cdf(-fabs(mean) / u, n - 1.0);
  if (!(chance < SP_NAMED) || !(fabs(mean) >= WORTH_ALL_DEG))
    return SP_OK;
  const double strength = sp_strength_of(chance);
  sp_finding f = {.kind = "square-off", .value = mean, .u_value = u, .unit = "deg", .strength = strength};
  snprintf(
      f.text, sizeof f.text,
      "all lines lean the same way, by about %.2f degrees, %s: their %s ends (seen from the nut, board face up) are "
      "nearer the bridge; check the square, and whether it was laid against the centre line or against an edge "
      "that tapers",
      fabs(mean), sp_strength_word(strength), mean > 0.0 ? "right" : "left");
  return sp_record_add_finding(record, &f, err);
}

sp_status sp_findings_of_squareness(sp_record *record, sp_error *err)
{
  leaning l = leaning_of(record);
  sp_status status = SP_OK;
  for (int round = 0; round < MOST_CROOKED && l.n >= SP_FINDINGS_MIN_MARKS && !status; round++) {
    const crooked c = most_crooked(&l);
    if (!(c.chance < (round ? SP_NAMED_FURTHER : SP_NAMED)) || !(fabs(c.off_deg) >= WORTH_ONE_DEG))
      break;
    status = say_crooked(l.line[c.at], &c, record, err);
    l.line[c.at] = l.line[--l.n];
  }
  return status || l.n < SP_FINDINGS_MIN_MARKS ? status : judge_all(&l, record, err);
}
