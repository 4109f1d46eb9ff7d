/* Which values a set of readings can tell apart, and the linear estimator of those.
 *
 * Candidates come in the order of how much they are trusted. Each is stripped of what those before it can do to the
 * notes (Gram-Schmidt, twice over, in the weighted sense); if hardly anything is left, the readings cannot tell the two
 * apart, and any figure for the newcomer would be an invention. The estimator is kept as a matrix, so that every error
 * that enters (a reading, a fret, the datum) can be sent through it by itself. */
#include <math.h>
#include <stdlib.h>

#include "internal.h"
#include "slotproof/numeric.h"

/* Sine of the angle to what stands already: below, a cent of reading error would be hundreds of millimetres. */
static const double LEAST_OWN_PART = 1e-3;

sp_status sp_design_init(size_t n, sp_design *d, sp_error *err)
{
  *d = (sp_design){.n = n};
  if (n == 0 || n > SP_MAX_READINGS)
    return sp_fail(err, SP_E_DATA, "there are %zu notes; from 1 to %d can be diagnosed", n, SP_MAX_READINGS);
  d->column = calloc(n * SP_MAX_COLUMNS, sizeof(double));
  d->basis = calloc(n * SP_MAX_COLUMNS, sizeof(double));
  d->estimator = calloc(n * SP_MAX_COLUMNS, sizeof(double));
  d->weight = calloc(n, sizeof(double));
  if (d->column && d->basis && d->estimator && d->weight)
    return SP_OK;
  sp_design_free(d);
  return sp_fail_memory(err);
}

void sp_design_free(sp_design *d)
{
  free(d->column);
  free(d->basis);
  free(d->estimator);
  free(d->weight);
  *d = (sp_design){0};
}

static double dot(size_t n, const double *a, const double *b)
{
  double sum = 0.0;
  for (size_t j = 0; j < n; j++)
    sum += a[j] * b[j];
  return sum;
}

/* Of the chosen columns, which kind does most of what the weighted candidate `q` does? */
static sp_value_name nearest(const sp_design *d, const double *q)
{
  double share[SP_VALUE_KINDS] = {0.0};
  size_t count[SP_VALUE_KINDS] = {0}, last[SP_VALUE_KINDS] = {0};
  int best = 0;
  for (size_t c = 0; c < d->p; c++) {
    double along = 0.0, own = 0.0;
    for (size_t j = 0; j < d->n; j++) {
      along += d->column[c * d->n + j] * sqrt(d->weight[j]) * q[j];
      own += d->column[c * d->n + j] * d->column[c * d->n + j] * d->weight[j];
    }
    const sp_value_kind kind = d->name[c].kind;
    share[kind] += along * along / own;
    count[kind] += along * along > 0.0;
    if (along * along > 0.0)
      last[kind] = d->name[c].string;
  }
  for (int k = 1; k < SP_VALUE_KINDS; k++)
    best = share[k] > share[best] ? k : best;
  return (sp_value_name){(sp_value_kind)best, count[best] == 1 ? last[best] : SP_MAX_STRINGS};
}

bool sp_design_add(sp_design *d, sp_value_name name, sp_value_name *twin)
{
  const size_t n = d->n;
  const double *candidate = d->column + d->p * n;
  double *q = d->basis + d->p * n, *whole = d->estimator; /* lent: not filled yet */
  for (size_t j = 0; j < n; j++)
    whole[j] = q[j] = sqrt(d->weight[j]) * candidate[j];
  const double before = sqrt(dot(n, q, q));
  for (int round = 0; round < 2; round++)
    for (size_t c = 0; c < d->p; c++) {
      const double along = dot(n, q, d->basis + c * n);
      for (size_t j = 0; j < n; j++)
        q[j] -= along * d->basis[c * n + j];
    }
  const double left = sqrt(dot(n, q, q));
  if (!(left > LEAST_OWN_PART * before)) {
    *twin = nearest(d, whole);
    return false;
  }
  for (size_t j = 0; j < n; j++)
    q[j] /= left;
  d->name[d->p++] = name;
  return true;
}

static void fill_estimator(sp_design *d, const double *cov)
{
  for (size_t a = 0; a < d->p; a++)
    for (size_t j = 0; j < d->n; j++) {
      double sum = 0.0;
      for (size_t b = 0; b < d->p; b++)
        sum += cov[a * d->p + b] * d->column[b * d->n + j];
      d->estimator[a * d->n + j] = sum * d->weight[j];
    }
}

sp_status sp_design_solve(sp_design *d, const double *y, double *value, sp_error *err)
{
  double cov[SP_MAX_COLUMNS * SP_MAX_COLUMNS];
  if (d->p == 0)
    return SP_OK;
  double *x = malloc(d->n * d->p * sizeof(double)); /* n and p are bounded by sp_design_init */
  if (!x)
    return sp_fail_memory(err);
  for (size_t j = 0; j < d->n; j++)
    for (size_t c = 0; c < d->p; c++)
      x[j * d->p + c] = d->column[c * d->n + j];
  const sp_status status = sp_lsq(d->n, d->p, x, y, d->weight, value, cov, NULL, false, err);
  free(x);
  if (!status)
    fill_estimator(d, cov);
  return status;
}

size_t sp_design_find(const sp_design *d, sp_value_kind kind, size_t string)
{
  for (size_t c = 0; c < d->p; c++)
    if (d->name[c].kind == kind && d->name[c].string == string)
      return c;
  return d->p;
}
