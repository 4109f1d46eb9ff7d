/* Has something changed, once, and when? A blade was ground, a template dropped.
 *
 * Control charts watch a single figure; watched fret by fret they would signal all the time. A step is one question
 * with one answer: all places are tried, the best is kept, and its chance is multiplied by the number of places. */
#include <math.h>

#include "slotproof/numeric.h"
#include "slotproof/statistics.h"

static double squares_about_mean(const double *x, size_t n)
{
  const double mean = sp_mean(x, n);
  double sum = 0.0;
  for (size_t i = 0; i < n; i++)
    sum += (x[i] - mean) * (x[i] - mean);
  return sum;
}

sp_step sp_step_find(const double *x, size_t count)
{
  sp_step step = {0, NAN, NAN, NAN};
  double best = -1.0;
  for (size_t i = 0; i < count; i++)
    if (!isfinite(x[i]))
      return step;
  for (size_t at = 2; at + 2 <= count; at++) {
    const double shift = sp_mean(x + at, count - at) - sp_mean(x, at);
    const double rest = squares_about_mean(x, at) + squares_about_mean(x + at, count - at);
    const double u = sqrt(rest / (double)(count - 2) * (1.0 / (double)at + 1.0 / (double)(count - at)));
    const double t = fabs(shift) / u;
    if (!(t > best)) /* all alike: 0/0 */
      continue;
    best = t;
    step = (sp_step){at, shift, u, NAN};
  }
  if (step.at) {
    const double nu = (double)(count - 2);
    step.p = fmin(1.0, 2.0 * sp_student_cdf(-best, nu) * (double)(count - 3));
  }
  return step;
}
