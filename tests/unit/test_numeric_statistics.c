/* Order statistics, moments and robust weights. */
#include "check_close.h"

#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"

enum { N_MAX = 300 };

static void fill(gsl_rng *rng, int kind, double *x, size_t n)
{
  for (size_t i = 0; i < n; i++) {
    const double r = gsl_rng_uniform(rng);
    const double values[] = {r, floor(4.0 * r), (double)i, (double)(n - i), 7.0, (double)(i < n / 2 ? i : n - i)};
    x[i] = values[kind];
  }
}

/* Random, many equal, rising, falling, all equal, organ pipe; every length; against sorting by GSL. gsl_stats_quantile
 * uses the same definition (linear at (n - 1) q). */
static void quantiles_agree_with_sorting(void **state)
{
  (void)state;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
  static const double Q[] = {0.0, 0.07, 0.25, 0.5, 0.75, 0.9, 1.0};
  for (int kind = 0; kind < 6; kind++)
    for (size_t n = 1; n <= N_MAX; n += n < 20 ? 1 : 37) {
      double x[N_MAX], sorted[N_MAX], work[N_MAX];
      float single[N_MAX];
      fill(rng, kind, x, n);
      memcpy(sorted, x, sizeof x);
      gsl_sort(sorted, 1, n);
      for (size_t k = 0; k < sizeof Q / sizeof *Q; k++) {
        const double expected = gsl_stats_quantile_from_sorted_data(sorted, 1, n, Q[k]);
        memcpy(work, x, sizeof x);
        CHECK_CLOSE(sp_quantile(work, n, Q[k]), expected, 1e-12 * (double)n);
        for (size_t i = 0; i < n; i++)
          single[i] = (float)x[i];
        CHECK_CLOSE(sp_quantile_f(single, n, Q[k]), expected, 1e-6 * (double)n);
        gsl_sort(work, 1, n); /* nothing lost, nothing added */
        assert_memory_equal(work, sorted, n * sizeof(double));
      }
      memcpy(work, x, sizeof x);
      CHECK_CLOSE(sp_median(work, n), gsl_stats_median_from_sorted_data(sorted, 1, n), 1e-12 * (double)n);
      for (size_t i = 0; i < n; i++)
        single[i] = (float)x[i];
      CHECK_CLOSE(sp_median_f(single, n), gsl_stats_median_from_sorted_data(sorted, 1, n), 1e-6 * (double)n);
    }
  gsl_rng_free(rng);
}

/* The value that sorting puts there, and the others on their sides of it. */
static void selection_parts_the_values(void **state)
{
  (void)state;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
  for (int kind = 0; kind < 6; kind++)
    for (size_t n = 1; n <= 60; n++)
      for (size_t k = 0; k < n; k++) {
        double x[N_MAX], sorted[N_MAX];
        fill(rng, kind, x, n);
        memcpy(sorted, x, sizeof x);
        gsl_sort(sorted, 1, n);
        assert_true(sp_select(x, n, k) == sorted[k] && x[k] == sorted[k]);
        for (size_t i = 0; i < n; i++)
          assert_true(i < k ? x[i] <= x[k] : x[i] >= x[k]);
      }
  double one[1] = {3.0};
  assert_true(isnan(sp_select(one, 1, 1)));
  assert_true(isnan(sp_select(one, 0, 0)));
  gsl_rng_free(rng);
}

static void mad_agrees_with_gsl(void **state)
{
  (void)state;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
  for (int kind = 0; kind < 6; kind++) {
    double x[N_MAX], work[N_MAX];
    fill(rng, kind, x, N_MAX - 1);
    const double expected = gsl_stats_mad(x, 1, N_MAX - 1, work); /* with the factor 1.4826 in full */
    CHECK_CLOSE(sp_mad(x, N_MAX - 1), expected, 1e-12 * (1.0 + expected));
  }
  gsl_rng_free(rng);
  CHECK_CLOSE(SP_MAD_TO_SD, 1.0 / sp_normal_quantile(0.75), 1e-15);
  /* one wild value in three does not move it: median 2, deviations 0 1 998 */
  double wild[3] = {1, 2, 1000};
  CHECK_CLOSE(sp_mad(wild, 3), SP_MAD_TO_SD, 1e-15);
}

static void order_edges(void **state)
{
  (void)state;
  double one[1] = {3}, infinite[4] = {INFINITY, INFINITY, 1, 2};
  assert_true(isnan(sp_median(one, 0)));
  assert_true(isnan(sp_mad(one, 0)));
  assert_true(isnan(sp_quantile(one, 1, -0.1)));
  assert_true(isnan(sp_quantile(one, 1, 1.1)));
  assert_true(isnan(sp_quantile(one, 1, NAN)));
  assert_true(isnan((double)sp_median_f(NULL, 0)));
  CHECK_CLOSE(sp_median(one, 1), 3, 0);
  assert_true(isinf(sp_quantile(infinite, 4, 1.0)));
  assert_true(isinf(sp_quantile(infinite, 4, 0.9)));
  /* NANs give no defined order but must come to an end within bounds */
  double holes[9] = {NAN, 1, NAN, 2, NAN, 3, NAN, 4, NAN};
  sp_median(holes, 9);
}

/* A million equal or two-valued samples, as a picture has them: quadratic selection would take minutes. */
static void many_equal_values_are_fast(void **state)
{
  (void)state;
  const size_t n = 1000000;
  float *x = malloc(n * sizeof *x);
  assert_non_null(x);
  for (size_t i = 0; i < n; i++)
    x[i] = (float)(i % 2);
  CHECK_CLOSE(sp_quantile_f(x, n, 0.25), 0, 0);
  CHECK_CLOSE(sp_quantile_f(x, n, 0.75), 1, 0);
  for (size_t i = 0; i < n; i++)
    x[i] = 5.0f;
  CHECK_CLOSE(sp_median_f(x, n), 5, 0);
  free(x);
}

/* NIST StRD, Univariate Summary Statistics, NumAcc3 and NumAcc4: c + 0.2, then 500 times c + 0.1, c + 0.3; c = 1e6,
 * 1e7. Certified: mean c + 0.2, standard deviation 0.1, exactly. The data themselves round: c + 0.1 is only known to
 * 9e-10 for c = 1e7, so the sd of the numbers in the machine differs from 0.1 by about 1e-9. */
static void num_acc(void **state)
{
  (void)state;
  static const double C[2] = {1e6, 1e7}, TOLERANCE[2] = {2e-10, 2e-9};
  for (int k = 0; k < 2; k++) {
    double x[1001];
    x[0] = C[k] + 0.2;
    for (int i = 1; i < 1001; i += 2) {
      x[i] = C[k] + 0.1;
      x[i + 1] = C[k] + 0.3;
    }
    CHECK_CLOSE(sp_mean(x, 1001), C[k] + 0.2, 4e-16 * C[k]);
    CHECK_CLOSE(sp_sd(x, 1001), 0.1, TOLERANCE[k]);
  }
}

/* The same numbers less their offset, which is exact in binary: now the certified digits can be demanded. */
static void sd_of_an_offset_is_exact(void **state)
{
  (void)state;
  double x[1001];
  x[0] = 1e7 + 0.25;
  for (int i = 1; i < 1001; i += 2) {
    x[i] = 1e7 + 0.125;
    x[i + 1] = 1e7 + 0.375;
  }
  CHECK_CLOSE(sp_mean(x, 1001), 1e7 + 0.25, 0);
  CHECK_CLOSE(sp_sd(x, 1001), 0.125, 1e-15);
}

static void moment_edges(void **state)
{
  (void)state;
  const double x[2] = {1, 3};
  assert_true(isnan(sp_mean(x, 0)));
  assert_true(isnan(sp_sd(x, 1)));
  CHECK_CLOSE(sp_mean(x, 1), 1, 0);
  CHECK_CLOSE(sp_sd(x, 2), sqrt(2.0), 1e-16);
  /* 2^52 and the next number: their mean is not a double, and the sd must not suffer from it */
  const double far[2] = {4503599627370496.0, 4503599627370497.0};
  CHECK_CLOSE(sp_sd(far, 2), sqrt(0.5), 1e-15);
}

static void robust_weights(void **state)
{
  (void)state;
  CHECK_CLOSE(sp_huber_weight(-1.0, SP_HUBER_K), 1, 0);
  CHECK_CLOSE(sp_huber_weight(-2.69, SP_HUBER_K), 0.5, 1e-15);
  CHECK_CLOSE(sp_huber_weight(INFINITY, SP_HUBER_K), 0, 0);
  CHECK_CLOSE(sp_tukey_weight(0.0, SP_TUKEY_C), 1, 0);
  CHECK_CLOSE(sp_tukey_weight(-0.5 * SP_TUKEY_C, SP_TUKEY_C), 0.5625, 1e-15);
  CHECK_CLOSE(sp_tukey_weight(SP_TUKEY_C, SP_TUKEY_C), 0, 0);
  assert_true(isnan(sp_huber_weight(NAN, 1)));
  assert_true(isnan(sp_huber_weight(1, 0)));
  assert_true(isnan(sp_tukey_weight(1, 0)));
  assert_true(isnan(sp_tukey_weight(NAN, 1)));
}

/* What the constants promise: an efficiency of 95 % at the normal, (E psi')^2 / E psi^2 (Huber & Ronchetti, ch. 4). */
static void tuning_constants_give_95_percent(void **state)
{
  (void)state;
  double huber_slope = 0, huber_square = 0, tukey_slope = 0, tukey_square = 0;
  const double h = 1e-4;
  for (double z = -10.0 + 0.5 * h; z < 10.0; z += h) {
    const double density = exp(-0.5 * z * z) / sqrt(2.0 * SP_PI) * h;
    const double hw = z * sp_huber_weight(z, SP_HUBER_K), tw = z * sp_tukey_weight(z, SP_TUKEY_C);
    huber_slope += z * hw * density; /* E psi' = E z psi at the normal */
    huber_square += hw * hw * density;
    tukey_slope += z * tw * density;
    tukey_square += tw * tw * density;
  }
  CHECK_CLOSE(huber_slope * huber_slope / huber_square, 0.95, 1e-4);
  CHECK_CLOSE(tukey_slope * tukey_slope / tukey_square, 0.95, 1e-4);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(quantiles_agree_with_sorting),
                                     cmocka_unit_test(selection_parts_the_values),
                                     cmocka_unit_test(mad_agrees_with_gsl),
                                     cmocka_unit_test(order_edges),
                                     cmocka_unit_test(many_equal_values_are_fast),
                                     cmocka_unit_test(num_acc),
                                     cmocka_unit_test(sd_of_an_offset_is_exact),
                                     cmocka_unit_test(moment_edges),
                                     cmocka_unit_test(robust_weights),
                                     cmocka_unit_test(tuning_constants_give_95_percent)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
