/* Non-linear fits against NIST StRD: certified values to 11 digits, from both of its starting points. */
#include "check_close.h"

#include <string.h>

#include "slotproof/numeric.h"

typedef struct data {
  size_t n;
  const double *x, *y;
  size_t calls;
} data;

/* ---- Misra1a (lower difficulty): y = b1 (1 - exp(-b2 x)). Data and certified values from memory; that the fit meets
 * the certified digits confirms both. ---- */

static const double MISRA_X[14] = {77.6,  114.9, 141.1, 190.8, 239.9, 289.0, 332.8,
                                   378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0};
static const double MISRA_Y[14] = {10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02,
                                   44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78};

static bool misra(const double *b, double *r, double *j, void *context)
{
  const data *d = context;
  for (size_t i = 0; i < d->n; i++) {
    const double e = exp(-b[1] * d->x[i]);
    r[i] = d->y[i] - b[0] * (1.0 - e);
    if (j) {
      j[2 * i] = -(1.0 - e);
      j[2 * i + 1] = -b[0] * d->x[i] * e;
    }
  }
  return true;
}

static void misra1a(void **state)
{
  (void)state;
  static const double START[2][2] = {{500, 0.0001}, {250, 0.0005}};
  for (int k = 0; k < 2; k++) {
    data d = {14, MISRA_X, MISRA_Y, 0};
    double b[2] = {START[k][0], START[k][1]};
    sp_lm_result result;
    sp_error err = {0};
    assert_int_equal(sp_lm(14, 2, misra, &d, b, NULL, &result, &err), SP_OK);
    assert_true(result.converged);
    CHECK_CLOSE(b[0] / 2.3894212918e+02, 1.0, 1e-9);
    CHECK_CLOSE(b[1] / 5.5015643181e-04, 1.0, 1e-9);
    CHECK_CLOSE(result.cost / 1.2455138894e-01, 1.0, 1e-10);
    CHECK_CLOSE(sqrt(result.covariance[0]) / 2.7070075241e+00, 1.0, 1e-8);
    CHECK_CLOSE(sqrt(result.covariance[3]) / 7.2668688436e-06, 1.0, 1e-8);
  }
}

/* ---- Eckerle4 (higher difficulty): a Gaussian line, y = (b1/b2) exp(-((x - b3)/b2)^2 / 2). The first start has its
 * centre 50 off, ten widths away. ---- */

static const double ECKERLE_X[35] = {400,   405, 410,   415, 420,   425, 430,   435, 436.5, 438, 439.5, 441,
                                     442.5, 444, 445.5, 447, 448.5, 450, 451.5, 453, 454.5, 456, 457.5, 459,
                                     460.5, 462, 463.5, 465, 470,   475, 480,   485, 490,   495, 500};
static const double ECKERLE_Y[35] = {0.0001575, 0.0001699, 0.0002350, 0.0003102, 0.0004917, 0.0008710, 0.0017418,
                                     0.0046400, 0.0065895, 0.0097302, 0.0149002, 0.0237310, 0.0401683, 0.0712559,
                                     0.1264458, 0.2073413, 0.2902366, 0.3445623, 0.3698049, 0.3668534, 0.3106727,
                                     0.2078154, 0.1164354, 0.0616764, 0.0337200, 0.0194023, 0.0117831, 0.0074357,
                                     0.0022732, 0.0008800, 0.0004579, 0.0002345, 0.0001586, 0.0001143, 0.0000710};

static bool eckerle(const double *b, double *r, double *j, void *context)
{
  const data *d = context;
  if (b[1] == 0.0)
    return false;
  for (size_t i = 0; i < d->n; i++) {
    const double z = (d->x[i] - b[2]) / b[1], e = exp(-0.5 * z * z) / b[1];
    r[i] = b[0] * e - d->y[i];
    if (j) {
      j[3 * i] = e;
      j[3 * i + 1] = b[0] * e * (z * z - 1.0) / b[1];
      j[3 * i + 2] = b[0] * e * z / b[1];
    }
  }
  return true;
}

static void check_eckerle(const double *b, const sp_lm_result *result)
{
  assert_true(result->converged);
  assert_true(result->covariance_known);
  CHECK_CLOSE(fabs(b[0]) / 1.5543827178e+00, 1.0, 1e-9); /* b1 and b2 may change sign together */
  CHECK_CLOSE(fabs(b[1]) / 4.0888321754e+00, 1.0, 1e-9);
  CHECK_CLOSE(b[2] / 4.5154121844e+02, 1.0, 1e-9);
  CHECK_CLOSE(result->cost / 1.4635887487e-03, 1.0, 1e-9);
  CHECK_CLOSE(result->sigma0 / 6.7629245447e-03, 1.0, 1e-9);
  CHECK_CLOSE(sqrt(result->covariance[0]) / 1.5408051163e-02, 1.0, 1e-8);
  CHECK_CLOSE(sqrt(result->covariance[4]) / 4.6803020753e-02, 1.0, 1e-8);
  CHECK_CLOSE(sqrt(result->covariance[8]) / 4.6800518816e-02, 1.0, 1e-8);
}

static void eckerle4(void **state)
{
  (void)state;
  static const double START[2][3] = {{1, 10, 500}, {1.5, 5, 450}};
  for (int k = 0; k < 2; k++) {
    data d = {35, ECKERLE_X, ECKERLE_Y, 0};
    double b[3] = {START[k][0], START[k][1], START[k][2]};
    sp_lm_result result;
    sp_error err = {0};
    assert_int_equal(sp_lm(35, 3, eckerle, &d, b, NULL, &result, &err), SP_OK);
    check_eckerle(b, &result);
  }
}

/* In other units (b3 in millionths, x kept) the path and the answer are the same: scaling is done inside. */
static bool eckerle_other_units(const double *b, double *r, double *j, void *context)
{
  const double scaled[3] = {b[0], b[1], 1e6 * b[2]};
  const bool good = eckerle(scaled, r, j, context);
  for (size_t i = 0; j && i < 35; i++)
    j[3 * i + 2] *= 1e6;
  return good;
}

static void units_do_not_matter(void **state)
{
  (void)state;
  data d = {35, ECKERLE_X, ECKERLE_Y, 0};
  double plain[3] = {1.5, 5, 450}, other[3] = {1.5, 5, 450e-6};
  sp_lm_result a, b;
  sp_error err = {0};
  assert_int_equal(sp_lm(35, 3, eckerle, &d, plain, NULL, &a, &err), SP_OK);
  assert_int_equal(sp_lm(35, 3, eckerle_other_units, &d, other, NULL, &b, &err), SP_OK);
  assert_int_equal(a.iterations, b.iterations);
  CHECK_CLOSE(other[2] * 1e6, plain[2], 1e-8);
  CHECK_CLOSE(sqrt(b.covariance[8]) * 1e6, sqrt(a.covariance[8]), 1e-9);
}

/* ---- Rosenbrock's valley (Computer J. 3, 1960): r = (10 (b2 - b1^2), 1 - b1), minimum 0 at (1, 1). ---- */

static bool rosenbrock(const double *b, double *r, double *j, void *context)
{
  data *d = context;
  d->calls++;
  r[0] = 10.0 * (b[1] - b[0] * b[0]);
  r[1] = 1.0 - b[0];
  if (j) {
    j[0] = -20.0 * b[0];
    j[1] = 10.0;
    j[2] = -1.0;
    j[3] = 0.0;
  }
  return true;
}

static void valley(void **state)
{
  (void)state;
  data d = {0};
  double b[2] = {-1.2, 1};
  sp_lm_result result;
  sp_error err = {0};
  assert_int_equal(sp_lm(2, 2, rosenbrock, &d, b, NULL, &result, &err), SP_OK);
  assert_true(result.converged);
  CHECK_CLOSE(b[0], 1, 1e-9);
  CHECK_CLOSE(b[1], 1, 1e-9);
  assert_true(isnan(result.sigma0)); /* n = p: nothing left to judge the scatter by */
  assert_false(result.covariance_known);
  assert_true(d.calls < 100);
}

static void limit_on_steps(void **state)
{
  (void)state;
  data d = {0};
  double b[2] = {-1.2, 1};
  sp_lm_options options;
  sp_lm_result result;
  sp_error err = {0};
  sp_lm_options_init(&options);
  options.max_iterations = 3;
  assert_int_equal(sp_lm(2, 2, rosenbrock, &d, b, &options, &result, &err), SP_OK);
  assert_false(result.converged);
  assert_int_equal(result.stop, SP_LM_TOO_MANY_STEPS);
  assert_int_equal(result.iterations, 3);
  assert_true(result.cost < 24.2); /* of the start: never made worse */
}

/* A model defined for b > 0 only: log. The first full step leaves the domain and must be shortened. */
static bool logarithm(const double *b, double *r, double *j, void *context)
{
  (void)context;
  if (!(b[0] > 0.0))
    return false;
  r[0] = log(b[0]) - log(1e-3);
  r[1] = 0.01 * (b[0] - 1e-3);
  if (j) {
    j[0] = 1.0 / b[0];
    j[1] = 0.01;
  }
  return true;
}

static void edge_of_the_domain(void **state)
{
  (void)state;
  double b[1] = {3.0}, outside[1] = {-1.0};
  sp_lm_result result;
  sp_error err = {0};
  assert_int_equal(sp_lm(2, 1, logarithm, NULL, b, NULL, &result, &err), SP_OK);
  assert_true(result.converged);
  CHECK_CLOSE(b[0], 1e-3, 1e-12);
  assert_int_equal(sp_lm(2, 1, logarithm, NULL, outside, NULL, &result, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "no finite value"));
  CHECK_CLOSE(outside[0], -1.0, 0);
}

/* Where a derivative is not defined there is no going on: such a place is never taken, however low it lies. */
static bool derivative_up_to_two(const double *b, double *r, double *j, void *context)
{
  data *d = context;
  d->calls++;
  r[0] = b[0] - 3.0;
  r[1] = 0.0;
  if (j) {
    j[0] = b[0] <= 2.0 ? 1.0 : NAN;
    j[1] = 0.0;
  }
  return true;
}

static void edge_of_the_derivative(void **state)
{
  (void)state;
  data d = {0};
  double b[1] = {0.0}, outside[1] = {2.5};
  sp_lm_result result;
  sp_error err = {0};
  assert_int_equal(sp_lm(2, 1, derivative_up_to_two, &d, b, NULL, &result, &err), SP_OK);
  assert_false(result.converged);
  CHECK_BELOW(b[0], 2.0 + 1e-12);
  CHECK_BELOW(1.5, b[0]); /* steps were shortened, not given up */
  assert_int_equal(d.calls, result.evaluations);
  assert_int_equal(sp_lm(2, 1, derivative_up_to_two, &d, outside, NULL, &result, &err), SP_E_DATA);
}

/* b1 and b2 only appear as their sum: no covariance, and it says so. */
static bool dependent(const double *b, double *r, double *j, void *context)
{
  (void)context;
  for (size_t i = 0; i < 3; i++) {
    r[i] = b[0] + b[1] - (double)i;
    if (j)
      j[2 * i] = j[2 * i + 1] = 1.0;
  }
  return true;
}

static void dependent_parameters(void **state)
{
  (void)state;
  double b[2] = {5, 7};
  sp_lm_result result;
  sp_error err = {0};
  assert_int_equal(sp_lm(3, 2, dependent, NULL, b, NULL, &result, &err), SP_OK);
  CHECK_CLOSE(b[0] + b[1], 1.0, 1e-8);
  CHECK_CLOSE(result.cost, 2.0, 1e-12);
  assert_false(result.covariance_known);
  assert_true(isnan(result.covariance[0]));
}

/* A linear model is met in a few steps and gives the covariance of sp_lsq; with known scatter it is not rescaled. */
static bool line(const double *b, double *r, double *j, void *context)
{
  const data *d = context;
  for (size_t i = 0; i < d->n; i++) {
    r[i] = (b[0] + b[1] * d->x[i] - d->y[i]) / 0.5;
    if (j) {
      j[2 * i] = 1.0 / 0.5;
      j[2 * i + 1] = d->x[i] / 0.5;
    }
  }
  return true;
}

static void linear_model(void **state)
{
  (void)state;
  const double x[4] = {0, 1, 2, 4}, y[4] = {1, 2.9, 5.2, 8.8};
  double design[8], w[4], beta[2], cov[4], b[2] = {0, 0};
  data d = {4, x, y, 0};
  sp_lm_options options;
  sp_lm_result result;
  sp_error err = {0};
  for (size_t i = 0; i < 4; i++) {
    design[2 * i] = 1.0;
    design[2 * i + 1] = x[i];
    w[i] = 4.0;
  }
  sp_lm_options_init(&options);
  options.scale_by_residuals = false;
  assert_int_equal(sp_lsq(4, 2, design, y, w, beta, cov, NULL, false, &err), SP_OK);
  assert_int_equal(sp_lm(4, 2, line, &d, b, &options, &result, &err), SP_OK);
  assert_true(result.converged);
  for (int k = 0; k < 2; k++)
    CHECK_CLOSE(b[k], beta[k], 1e-9);
  for (int k = 0; k < 4; k++)
    CHECK_CLOSE(result.covariance[k], cov[k], 1e-12);
}

static void wrong_sizes(void **state)
{
  (void)state;
  double b[SP_LM_MAX_PARAMETERS + 1] = {0};
  sp_lm_result result;
  sp_error err = {0};
  data d = {0};
  assert_int_equal(sp_lm(1, 2, rosenbrock, &d, b, NULL, &result, &err), SP_E_DATA);
  assert_int_equal(sp_lm(20, SP_LM_MAX_PARAMETERS + 1, rosenbrock, &d, b, NULL, &result, &err), SP_E_INTERNAL);
  assert_int_equal(sp_lm(20, 0, rosenbrock, &d, b, NULL, &result, &err), SP_E_INTERNAL);
  assert_int_equal(d.calls, 0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(misra1a),
                                     cmocka_unit_test(eckerle4),
                                     cmocka_unit_test(units_do_not_matter),
                                     cmocka_unit_test(valley),
                                     cmocka_unit_test(limit_on_steps),
                                     cmocka_unit_test(edge_of_the_domain),
                                     cmocka_unit_test(edge_of_the_derivative),
                                     cmocka_unit_test(dependent_parameters),
                                     cmocka_unit_test(linear_model),
                                     cmocka_unit_test(wrong_sizes)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
