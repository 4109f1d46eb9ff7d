/* Normal, Student, chi-squared and F distributions.
 *
 * The normal one is erfc of the C library. The others are incomplete gamma and beta functions: a power series where it
 * converges fast, a continued fraction elsewhere (NIST DLMF 8.7.1, 8.9.2, 8.17.22), evaluated by Lentz's method. Both
 * need a factor like x^a e^-x / Gamma(a + 1), whose logarithm is a small difference of large numbers when a is large.
 * It is computed from the deviance instead (C. Loader, "Fast and accurate computation of binomial probabilities",
 * 2000): the large numbers are taken out by Stirling's formula on paper, not in the machine. lgamma is not used: it
 * writes to a global.
 *
 * Quantiles: bisection of the smaller tail. It is slow (60 evaluations) and cannot go wrong.
 */
#include <float.h>
#include <math.h>

#include "slotproof/numeric.h"

#define SQRT_2PI 2.5066282746310005024
enum { MAX_TERMS = 1000000 };

/* ---- normal ---- */

double sp_normal_cdf(double z)
{
  return 0.5 * erfc(-z / sqrt(2.0));
}

double sp_normal_upper(double z)
{
  return 0.5 * erfc(z / sqrt(2.0));
}

double sp_normal_quantile(double p)
{
  if (!(p >= 0.0 && p <= 1.0))
    return NAN;
  if (p == 0.0 || p == 1.0)
    return p > 0.0 ? INFINITY : -INFINITY;
  if (p == 0.5)
    return 0.0;
  const double tail = p < 0.5 ? p : 1.0 - p;
  /* Abramowitz & Stegun 26.2.23: within 4.5e-4 of the root everywhere ... */
  const double t = sqrt(-2.0 * log(tail));
  double z = t - (2.515517 + t * (0.802853 + t * 0.010328)) / (1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308)));
  /* ... and Halley's step triples the digits each time */
  for (int k = 0; k < 3; k++) {
    const double step = (sp_normal_upper(z) - tail) * SQRT_2PI * exp(0.5 * z * z);
    z += step / (1.0 - 0.5 * z * step);
  }
  return p < 0.5 ? -z : z;
}

/* ---- factors ---- */

/* log Gamma(z + 1) less Stirling's (z + 1/2) log z - z + log sqrt(2 pi); z > 0. */
static double stirling_rest(double z)
{
  if (z < 16.0)
    return log(tgamma(z + 1.0) / SQRT_2PI) - (z + 0.5) * log(z) + z;
  const double r = 1.0 / (z * z);
  return (1.0 / 12 - r * (1.0 / 360 - r * (1.0 / 1260 - r * (1.0 / 1680 - r / 1188)))) / z;
}

/* x log(x/m) + m - x >= 0, x and m > 0, without cancellation for x near m. */
static double deviance(double x, double m)
{
  const double v = (x - m) / (x + m);
  if (!(fabs(v) < 0.1))
    return x * log(x / m) + m - x;
  /* log(x/m) = 2 (v + v^3/3 + v^5/5 + ...) */
  double sum = (x - m) * v, term = 2.0 * x * v;
  for (int k = 3; k < 100; k += 2) {
    term *= v * v;
    const double next = sum + term / k;
    if (next == sum)
      break;
    sum = next;
  }
  return sum;
}

/* x^a e^-x / Gamma(a + 1) */
static double gamma_factor(double a, double x)
{
  return exp(-stirling_rest(a) - deviance(a, x)) / (SQRT_2PI * sqrt(a));
}

/* x^a y^b / B(a, b), x + y = 1 */
static double beta_factor(double a, double b, double x, double y)
{
  const double n = a + b;
  const double power = stirling_rest(n) - stirling_rest(a) - stirling_rest(b) - deviance(a, n * x) - deviance(b, n * y);
  return exp(power) * sqrt(a / n) * sqrt(b) / SQRT_2PI;
}

static double away_from_zero(double x)
{
  return fabs(x) < 1e-300 ? 1e-300 : x;
}

/* ---- incomplete gamma ---- */

static double gamma_series(double a, double x)
{
  double term = 1.0, sum = 1.0;
  for (int k = 1; k < MAX_TERMS && term > sum * 0.1 * DBL_EPSILON; k++) {
    term *= x / (a + k);
    sum += term;
  }
  return sum * gamma_factor(a, x);
}

static double gamma_fraction(double a, double x)
{
  double b = x + 1.0 - a, c = 1e300, d = 1.0 / away_from_zero(b), h = d;
  for (int k = 1; k < MAX_TERMS; k++) {
    const double an = -(double)k * ((double)k - a);
    b += 2.0;
    d = 1.0 / away_from_zero(an * d + b);
    c = away_from_zero(b + an / c);
    h *= d * c;
    if (fabs(d * c - 1.0) < DBL_EPSILON)
      break;
  }
  return h * a * gamma_factor(a, x);
}

double sp_gamma_p(double a, double x)
{
  if (!(a > 0.0) || isinf(a) || !(x >= 0.0))
    return NAN;
  if (x == 0.0 || isinf(x))
    return x > 0.0 ? 1.0 : 0.0;
  return x < a + 1.0 ? gamma_series(a, x) : 1.0 - gamma_fraction(a, x);
}

double sp_gamma_q(double a, double x)
{
  if (!(a > 0.0) || isinf(a) || !(x >= 0.0))
    return NAN;
  if (x == 0.0 || isinf(x))
    return x > 0.0 ? 0.0 : 1.0;
  return x < a + 1.0 ? 1.0 - gamma_series(a, x) : gamma_fraction(a, x);
}

/* ---- incomplete beta ---- */

static double beta_fraction(double a, double b, double x)
{
  double c = 1.0, d = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0)), h = d;
  for (int k = 1; k < MAX_TERMS; k++) {
    const double m = k, even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
    d = 1.0 / away_from_zero(1.0 + even * d);
    c = away_from_zero(1.0 + even / c);
    h *= d * c;
    const double odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
    d = 1.0 / away_from_zero(1.0 + odd * d);
    c = away_from_zero(1.0 + odd / c);
    h *= d * c;
    if (fabs(d * c - 1.0) < DBL_EPSILON)
      break;
  }
  return h;
}

/* I_x(a, b) with y = 1 - x given apart: where x is near 1, y carries the digits. */
static double beta_ratio(double a, double b, double x, double y)
{
  if (!(a > 0.0) || !(b > 0.0) || isinf(a) || isinf(b) || !(x >= 0.0) || !(y >= 0.0))
    return NAN;
  if (x == 0.0 || y == 0.0)
    return x > 0.0 ? 1.0 : 0.0;
  const double factor = beta_factor(a, b, x, y);
  if (x < (a + 1.0) / (a + b + 2.0))
    return factor * beta_fraction(a, b, x) / a;
  return 1.0 - factor * beta_fraction(b, a, y) / b;
}

double sp_beta_i(double a, double b, double x)
{
  return beta_ratio(a, b, x, 1.0 - x);
}

/* ---- Student, chi-squared, F ---- */

/* Chance of a value beyond t >= 0; t so large that its square overflows counts as infinite. */
static double student_tail(double t, double nu)
{
  if (isinf(nu))
    return sp_normal_upper(t);
  const double r = t / sqrt(nu), whole = 1.0 + r * r;
  return isinf(whole) ? 0.0 : 0.5 * beta_ratio(0.5 * nu, 0.5, 1.0 / whole, r * r / whole);
}

double sp_student_cdf(double t, double nu)
{
  if (!(nu > 0.0) || isnan(t))
    return NAN;
  return t < 0.0 ? student_tail(-t, nu) : 1.0 - student_tail(t, nu);
}

double sp_chi2_cdf(double x, double nu)
{
  return x < 0.0 ? 0.0 : sp_gamma_p(0.5 * nu, 0.5 * x);
}

double sp_chi2_upper(double x, double nu)
{
  return x < 0.0 ? 1.0 : sp_gamma_q(0.5 * nu, 0.5 * x);
}

/* `swap` gives the upper tail, through I_x(a, b) = 1 - I_y(b, a). */
static double f_tail(double f, double nu1, double nu2, bool swap)
{
  if (!(nu1 > 0.0) || !(nu2 > 0.0) || isinf(nu1) || isinf(nu2) || isnan(f))
    return NAN;
  if (f <= 0.0 || isinf(f))
    return (f <= 0.0) == swap ? 1.0 : 0.0;
  const double r = nu1 / nu2 * f, x = r / (1.0 + r), y = 1.0 / (1.0 + r);
  return swap ? beta_ratio(0.5 * nu2, 0.5 * nu1, y, x) : beta_ratio(0.5 * nu1, 0.5 * nu2, x, y);
}

double sp_f_cdf(double f, double nu1, double nu2)
{
  return f_tail(f, nu1, nu2, false);
}

double sp_f_upper(double f, double nu1, double nu2)
{
  return f_tail(f, nu1, nu2, true);
}

/* ---- quantiles ---- */

typedef double (*tail_function)(double x, double nu);

/* x > 0 at which a monotone tail reaches `value`: bracket by doubling, then bisect to the last digit. */
static double solve_tail(tail_function tail, double nu, double value, bool rising)
{
  double low = 1.0, high = 1.0;
  while (high < 0.25 * DBL_MAX && (tail(high, nu) < value) == rising)
    high *= 2.0;
  while (low > 4.0 * DBL_MIN && (tail(low, nu) < value) != rising)
    low *= 0.5;
  for (int k = 0; k < 200 && high - low > 0.5 * DBL_EPSILON * high; k++) {
    const double middle = low + 0.5 * (high - low);
    if (middle <= low || middle >= high)
      break;
    if ((tail(middle, nu) < value) == rising)
      low = middle;
    else
      high = middle;
  }
  return low + 0.5 * (high - low);
}

double sp_student_quantile(double p, double nu)
{
  if (!(nu > 0.0) || !(p >= 0.0 && p <= 1.0))
    return NAN;
  if (isinf(nu))
    return sp_normal_quantile(p);
  if (p == 0.0 || p == 1.0)
    return p > 0.0 ? INFINITY : -INFINITY;
  if (p == 0.5)
    return 0.0;
  const double t = solve_tail(student_tail, nu, p < 0.5 ? p : 1.0 - p, false);
  return p < 0.5 ? -t : t;
}

double sp_chi2_quantile(double p, double nu)
{
  if (!(nu > 0.0) || isinf(nu) || !(p >= 0.0 && p <= 1.0))
    return NAN;
  if (p == 0.0 || p == 1.0)
    return p > 0.0 ? INFINITY : 0.0;
  return p < 0.5 ? solve_tail(sp_chi2_cdf, nu, p, true) : solve_tail(sp_chi2_upper, nu, 1.0 - p, false);
}
