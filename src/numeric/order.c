/* Medians, quantiles and the median absolute deviation: what a picture's statistics rest on, because dust, grain and
 * pores are not Gaussian and a mean follows them. Breakdown point of median and MAD: one half of the data (Huber &
 * Ronchetti, Robust Statistics, 2nd ed., ch. 1 and 5).
 */
#include <math.h>

#include "slotproof/numeric.h"

#define REAL    double
#define NAME(f) f##double
#include "numeric/order_template.h"

#define REAL    float
#define NAME(f) f##float
#include "numeric/order_template.h"

double sp_select(double *x, size_t n, size_t k)
{
  return k < n ? select_double(x, n, k) : NAN;
}

double sp_quantile(double *x, size_t n, double q)
{
  return quantile_double(x, n, q);
}

float sp_quantile_f(float *x, size_t n, double q)
{
  return quantile_float(x, n, q);
}

double sp_median(double *x, size_t n)
{
  return quantile_double(x, n, 0.5);
}

float sp_median_f(float *x, size_t n)
{
  return quantile_float(x, n, 0.5);
}

double sp_mad(double *x, size_t n)
{
  const double middle = sp_median(x, n);
  for (size_t i = 0; i < n; i++)
    x[i] = fabs(x[i] - middle);
  return SP_MAD_TO_SD * sp_median(x, n);
}
