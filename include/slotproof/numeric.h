/* slotproof/numeric.h: numbers only. Knows no picture, no file, no unit: what goes in mm comes out in mm.
 *
 * Matrices are row-major arrays of double: a[i * columns + j]. Nothing here allocates for the caller, prints, or keeps
 * state; functions may be called from several threads at once. Arguments outside the stated domain give NAN where a
 * double is returned, so that a wrong number cannot pass for a right one: compare in the form `!(x <= limit)`.
 */
#ifndef SLOTPROOF_NUMERIC_H
#define SLOTPROOF_NUMERIC_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/status.h"

#define SP_PI  3.14159265358979323846
#define SP_LN2 0.69314718055994530942

/* ---- Symmetric positive definite matrices (Golub & Van Loan, Matrix Computations, ch. 4.2) ---- */

/* Replaces the lower triangle of the n x n matrix `a` by L with a = L L'; the upper triangle is neither read nor
 * changed. false, and `a` spoilt, if the matrix is not positive definite to working precision (a pivot below n eps
 * times its diagonal element) or holds a NAN. n = 0 is true. */
bool sp_cholesky(size_t n, double *a);
/* Solves L L' x = b in place. */
void sp_cholesky_solve(size_t n, const double *l, double *b);
/* Solves L x = b in place: x'x is then b' a^-1 b. */
void sp_cholesky_forward(size_t n, const double *l, double *b);
/* inverse = (L L')^-1, both triangles filled; `inverse` must not overlap `l`. */
void sp_cholesky_inverse(size_t n, const double *l, double *inverse);
/* log of the determinant of L L'. */
double sp_cholesky_log_det(size_t n, const double *l);

/* ---- Symmetric matrices (ch. 8.5 there) ---- */

/* Eigenvalues of the n x n symmetric matrix `a` (both triangles filled; spoilt), the largest first, and the unit
 * eigenvectors as the columns of `vector` (n x n). false if `a` holds a NAN or infinity, or the rotations do not end.
 */
bool sp_symmetric_eigen(size_t n, double *a, double *value, double *vector);

/* ---- Order statistics: all REARRANGE x, take O(n) on average, give NAN for n = 0. x must hold no NAN. ---- */

/* x[k] as it would be after sorting, k < n (NAN if not); nothing before it is larger then, nothing after it smaller. */
double sp_select(double *x, size_t n, size_t k);
/* Mean of the two middle values where n is even. */
double sp_median(double *x, size_t n);
float sp_median_f(float *x, size_t n);
/* Linear between order statistics at (n - 1) q, 0 <= q <= 1 (definition 7 of Hyndman & Fan, Am. Stat. 50, 1996). */
double sp_quantile(double *x, size_t n, double q);
float sp_quantile_f(float *x, size_t n, double q);
/* Median absolute deviation from the median times SP_MAD_TO_SD: the standard deviation, for normal data. On return x
 * holds the absolute deviations in no particular order. */
double sp_mad(double *x, size_t n);
/* 1 / quantile of the normal distribution at 3/4. */
#define SP_MAD_TO_SD 1.4826022185056018

/* ---- Moments, in two passes with the rounding of the first taken out in the second ---- */

double sp_mean(const double *x, size_t n);
/* Sample standard deviation, n - 1 in the denominator; NAN for n < 2. */
double sp_sd(const double *x, size_t n);

/* ---- Weights for robust fits; r is a residual over its standard deviation ---- */

/* min(1, k/|r|). */
double sp_huber_weight(double r, double k);
/* (1 - (r/c)^2)^2 inside |r| < c, else 0. */
double sp_tukey_weight(double r, double c);
/* 95 % efficient on normal data (Huber & Ronchetti, Robust Statistics; Holland & Welsch 1977). */
#define SP_HUBER_K 1.345
#define SP_TUKEY_C 4.685

/* ---- Distributions. Relative error of a cdf below 1e-10 for nu up to 1e5 (checked against GSL, see tests); quantiles
 * invert it as well. nu > 0 is a number of degrees of freedom and need not be whole; INFINITY is allowed for Student's
 * t. p is in 0..1, whose ends give the ends of the range. `_upper` is 1 - cdf without the cancellation. ---- */

double sp_normal_cdf(double z);
double sp_normal_upper(double z);
double sp_normal_quantile(double p);
double sp_student_cdf(double t, double nu);
double sp_student_quantile(double p, double nu);
double sp_chi2_cdf(double x, double nu);
double sp_chi2_upper(double x, double nu);
double sp_chi2_quantile(double p, double nu);
double sp_f_cdf(double f, double nu1, double nu2);
double sp_f_upper(double f, double nu1, double nu2);
/* Regularised incomplete gamma P(a, x) and beta I_x(a, b) they rest on (NIST DLMF 8.2.4, 8.17.2). */
double sp_gamma_p(double a, double x);
double sp_gamma_q(double a, double x);
double sp_beta_i(double a, double b, double x);

/* A box of height 1 and that width about 0, blurred by a Gaussian of standard deviation `blur` > 0 and averaged over a
 * pixel (width 1) at x: by Gauss and Legendre's two points (NIST DLMF 3.5.16), exact to the third power of the pixel;
 * for a blur of half a pixel the rest is below 0.003 of the height. */
double sp_blurred_box(double x, double width, double blur);

/* ---- Linear least squares ---- */

/* Minimises sum w_i (y_i - sum_j x[i*p + j] beta_j)^2 by Householder QR with column scaling: about half the digits that
 * normal equations lose are kept.
 *   n, p     observations and parameters, 1 <= p, n >= p (n > p if the covariance is to come from the residuals)
 *   x, y     n x p and n; not changed
 *   w        weights >= 0, proportional to 1/variance (equal to it if scale_by_residuals is false); NULL = all 1.
 *            A weight of 0 leaves the observation out and out of the count.
 *   beta     p, out
 *   cov      p x p, out; may be NULL. (X'WX)^-1, times sigma0^2 if scale_by_residuals
 *   sigma0   out; may be NULL. Standard deviation of an observation of weight 1: sqrt(weighted SSR / (n - p)), NAN for
 *            n = p
 * Errors: SP_E_DATA with a sentence if there are too few observations, a value is not finite, or the columns of X are
 * linearly dependent; SP_E_INTERNAL for lack of memory. On error the outputs are NAN. */
sp_status sp_lsq(size_t n, size_t p, const double *x, const double *y, const double *w, double *beta, double *cov,
                 double *sigma0, bool scale_by_residuals, sp_error *err);

/* Straight line y = a + b x with the covariance of its coefficients; reckoned about x0, the weighted mean of x, where
 * the two do not correlate: y = mean_y + b (x - x0). */
typedef struct sp_straight {
  double x0, mean_y; /* the centre: a = mean_y - b x0 */
  double a, b;
  double u_a, u_b, u_mean_y; /* standard uncertainties */
  double cov_ab;             /* covariance; r = cov_ab / (u_a u_b) */
  double s;                  /* standard deviation of one observation of weight 1; NAN if n = 2 and not known */
  double rss;                /* weighted sum of squared residuals */
  size_t n;                  /* observations of weight > 0 */
} sp_straight;

/* `sigma` is the known standard deviation of an observation of weight 1, or NAN: then it is taken from the residuals
 * (needs n >= 3). SP_E_DATA if there are too few observations, all x are the same or a value is not finite. */
sp_status sp_straight_fit(size_t n, const double *x, const double *y, const double *w, double sigma, sp_straight *line,
                          sp_error *err);
/* A line from published coefficients: variances and covariance of a and b, s as above. SP_E_DATA if they cannot belong
 * to a covariance matrix. */
sp_status sp_straight_from(double a, double b, double var_a, double var_b, double cov_ab, double s, sp_straight *line,
                           sp_error *err);
/* The value at x; *u (may be NULL) is the standard uncertainty of the line there, u_new (may be NULL) that of one
 * further observation of weight 1. */
double sp_straight_at(const sp_straight *line, double x, double *u, double *u_new);
/* The x at which the line reads y (y being known with u_y, independent of the line: s/sqrt(m) for the mean of m
 * readings); *u, may be NULL, by first-order propagation. NAN if the slope is 0. */
double sp_straight_inverse(const sp_straight *line, double y, double u_y, double *u);

/* ---- Uncertainty after JCGM 100:2008 (the GUM); equations by its numbers ---- */

/* Combined standard uncertainty sqrt(J' C J), eq. 16 with C the covariance matrix (n x n). NAN if that is negative. */
double sp_gum_combined(size_t n, const double *sensitivity, const double *covariance);
/* The same from standard uncertainties and correlation coefficients (n x n; NULL = uncorrelated, eq. 10). */
double sp_gum_combined_correlated(size_t n, const double *sensitivity, const double *u, const double *correlation);
/* Effective degrees of freedom (Welch-Satterthwaite, eq. G.2b) of independent contributions c_i u_i with nu_i > 0 each
 * (INFINITY allowed). INFINITY if every contribution is exactly known. */
double sp_gum_degrees_of_freedom(size_t n, const double *contribution, const double *nu);
/* Coverage factor for the level of confidence p in (0, 1): Student's t at (1 + p)/2. The GUM (G.4.1) cuts nu down to a
 * whole number; so does this. NAN for nu < 1. */
double sp_gum_coverage_factor(double p, double nu);
/* Standard uncertainty of a quantity known to lie within +-a: a/sqrt 3 (4.3.7), a/sqrt 6 (4.3.9), a/sqrt 2 (H.1.3.4: a
 * quantity that swings as a sine). NAN for a < 0. */
double sp_gum_rectangular(double half_width);
double sp_gum_triangular(double half_width);
double sp_gum_arcsine(double half_width);

/* Conformance probability after JCGM 106:2012, 7.2 to 7.4: the chance that the true value lies below a limit, above
 * one, or between two, the measurand being Gaussian about y with standard uncertainty u. NAN if a value is NAN, u is
 * not above 0 or lower > upper. Limits may be infinite. */
double sp_conformance_below(double y, double u, double upper);
double sp_conformance_above(double y, double u, double lower);
double sp_conformance_within(double y, double u, double lower, double upper);

/* ---- Non-linear least squares (Levenberg 1944, Marquardt 1963; scaling after More 1978) ---- */

enum { SP_LM_MAX_PARAMETERS = 27 };

/* Fills residual[n] (observed minus model or the reverse; already divided by their standard deviations, if known) and,
 * where jacobian is not NULL, jacobian[i * p + j] = d residual_i / d beta_j. Returns false where the model is not
 * defined at beta: the step is then shortened, as it is where a value is not finite. The search asks for both at every
 * place, once. */
typedef bool (*sp_lm_function)(const double *beta, double *residual, double *jacobian, void *context);

typedef struct sp_lm_options {
  size_t max_iterations; /* accepted steps; 100 */
  double step_tolerance; /* stop if every parameter moves by less than this times (|beta_j| + scale_j); 1e-10 */
  double cost_tolerance; /* ... or if an accepted step lowers the cost by less than this part, as predicted; 1e-14 */
  double gradient_tolerance; /* ... or if |cos| between residuals and each column of J is below this; 1e-12 */
  double damping;            /* starting lambda; 1e-3 */
  const double *scale;       /* p typical sizes of the parameters for the step criterion, > 0; NULL = 0 */
  bool scale_by_residuals;   /* multiply the covariance by cost/(n - p); true */
} sp_lm_options;

typedef enum sp_lm_stop {
  SP_LM_CONVERGED_STEP,
  SP_LM_CONVERGED_COST,
  SP_LM_CONVERGED_GRADIENT,
  SP_LM_TOO_MANY_STEPS, /* not converged: beta is the best found */
  SP_LM_STUCK           /* not converged: no step, however small, lowers the cost, yet the gradient is not small */
} sp_lm_stop;

typedef struct sp_lm_result {
  sp_lm_stop stop;
  bool converged;
  size_t iterations, evaluations;
  double cost;           /* sum of squared residuals at beta */
  double sigma0;         /* sqrt(cost / (n - p)); NAN if n = p */
  bool covariance_known; /* false: J has dependent columns at beta; covariance is all NAN */
  double covariance[SP_LM_MAX_PARAMETERS * SP_LM_MAX_PARAMETERS]; /* p x p, row-major and dense (stride p) */
} sp_lm_result;

void sp_lm_options_init(sp_lm_options *options);

/* Minimises the sum of squared residuals from the start in `beta` (p values, in and out). A step that raises the cost
 * is taken back. Each step solves [J; sqrt(lambda) D] by QR, never the normal equations. Not converging is no error:
 * see result->stop. Errors: SP_E_DATA (n < p, the function is not defined or not finite at the start), SP_E_INTERNAL
 * (memory, p out of range). `options` may be NULL for the defaults. */
sp_status sp_lm(size_t n, size_t p, sp_lm_function function, void *context, double *beta, const sp_lm_options *options,
                sp_lm_result *result, sp_error *err);

#endif
