/* Mean and standard deviation, and the weights of robust fits.
 *
 * One pass over sum x^2 - n mean^2 loses every digit when the mean is large against the scatter (NIST StRD NumAcc3 and
 * 4 are built to show it). Two passes do not; the second also sums what the rounded mean has left over, and takes it
 * out
 * ("corrected two-pass", Chan, Golub & LeVeque, Am. Stat. 37, 1983, 242).
 */
#include <math.h>

#include "slotproof/numeric.h"

double sp_mean(const double *x, size_t n)
{
  if (n == 0)
    return NAN;
  double sum = 0.0, rest = 0.0;
  for (size_t i = 0; i < n; i++)
    sum += x[i];
  const double rough = sum / (double)n;
  for (size_t i = 0; i < n; i++)
    rest += x[i] - rough;
  return rough + rest / (double)n;
}

double sp_sd(const double *x, size_t n)
{
  if (n < 2)
    return NAN;
  const double mean = sp_mean(x, n);
  double squares = 0.0, rest = 0.0;
  for (size_t i = 0; i < n; i++) {
    const double d = x[i] - mean;
    squares += d * d;
    rest += d;
  }
  return sqrt((squares - rest * rest / (double)n) / (double)(n - 1));
}

double sp_huber_weight(double r, double k)
{
  const double size = fabs(r);
  if (isnan(size) || !(k > 0.0))
    return NAN;
  return size <= k ? 1.0 : k / size;
}

double sp_tukey_weight(double r, double c)
{
  const double part = fabs(r) / c;
  if (isnan(part) || !(c > 0.0))
    return NAN;
  return part < 1.0 ? (1.0 - part * part) * (1.0 - part * part) : 0.0;
}
