/* Spread, capability and variance components against published figures and simulation. */
#include "check_close.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "slotproof/statistics.h"

/* NIST StRD, one-way analysis of variance, SiRstv: values less 196 ohm cm, instrument by instrument; certified. */
static const double SIRSTV[25] = {.3052, .1240,  .1890, .2569, .3403, .3042, .3825, .1669, .3257,
                                  .0422, .1303,  .2005, .2889, .0343, .1811, .2795, .1748, .1494,
                                  .1485, -.0115, .2119, .1051, .1850, .0052, .2090};

static void test_sirstv(void **state)
{
  (void)state;
  static const size_t count[5] = {5, 5, 5, 5, 5};
  double x[25];
  sp_oneway r;
  for (int i = 0; i < 25; i++)
    x[i] = 196.0 + SIRSTV[i];
  assert_int_equal(sp_oneway_anova(x, count, 5, &r, NULL), SP_OK);
  CHECK_CLOSE(r.df_between, 4.0, 0.0);
  CHECK_CLOSE(r.df_within, 20.0, 0.0);
  CHECK_CLOSE(r.ss_between, 5.11462616000000E-02, 1e-12);
  CHECK_CLOSE(r.ss_within, 2.16636560000000E-01, 1e-12);
  CHECK_CLOSE(r.f, 1.18046237440255E+00, 1e-11);
  CHECK_CLOSE(r.sd_within, 1.04076068334656E-01, 1e-12);
  CHECK_CLOSE(r.r_squared, 1.90999039051129E-01, 1e-11);
  CHECK_CLOSE(r.p, gsl_cdf_fdist_Q(r.f, 4.0, 20.0), 1e-10);
  CHECK_CLOSE(r.var_between, (r.ss_between / 4.0 - r.ss_within / 20.0) / 5.0, 1e-12);
}

static void test_oneway_refusals(void **state)
{
  (void)state;
  static const size_t alone[] = {1, 1}, empty[] = {3, 0}, one[] = {4};
  const double x[] = {1.0, 2.0, NAN, 3.0};
  sp_oneway r;
  assert_int_equal(sp_oneway_anova(x, alone, 2, &r, NULL), SP_E_DATA);
  assert_int_equal(sp_oneway_anova(x, empty, 2, &r, NULL), SP_E_DATA);
  assert_int_equal(sp_oneway_anova(x, one, 1, &r, NULL), SP_E_DATA);
  static const size_t two[] = {2, 2};
  assert_int_equal(sp_oneway_anova(x, two, 2, &r, NULL), SP_E_DATA);
}

/* NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, standard deviation 2: Cp 1, Cpk 0.6667. */
static void test_capability(void **state)
{
  (void)state;
  const sp_capability c = sp_capability_of(16.0, 2.0, 50.0, 49.0, 8.0, 20.0, 0.95);
  CHECK_CLOSE(c.cp, 1.0, 1e-12);
  CHECK_CLOSE(c.cpk, 2.0 / 3.0, 1e-12);
  CHECK_CLOSE(c.cp_limits.lower, sqrt(gsl_cdf_chisq_Pinv(0.025, 49.0) / 49.0), 1e-9);
  CHECK_CLOSE(c.cp_limits.upper, sqrt(gsl_cdf_chisq_Qinv(0.025, 49.0) / 49.0), 1e-9);
  const double half = 1.959963984540054 * sqrt(1.0 / 450.0 + (4.0 / 9.0) / 98.0); /* the handbook's formula */
  CHECK_CLOSE(c.cpk_limits.upper, 2.0 / 3.0 + half, 1e-9);
  CHECK_CLOSE(c.cpk_limits.lower, 2.0 / 3.0 - half, 1e-9);
  assert_true(isnan(sp_capability_of(16.0, 0.0, 50.0, 49.0, 8.0, 20.0, 0.95).cp));
  assert_true(isnan(sp_capability_of(16.0, 2.0, 50.0, 49.0, 20.0, 8.0, 0.95).cpk));
  assert_true(isnan(sp_capability_of(NAN, 2.0, 50.0, 49.0, 8.0, 20.0, 0.95).cpk));
  assert_true(isnan(sp_capability_of(16.0, 2.0, 50.0, 49.0, NAN, NAN, 0.95).cpk));
}

/* The ten flow rates of e-Handbook 6.3.2.2 (mean 50.81); limits against GSL's quantiles. */
static void test_spread(void **state)
{
  (void)state;
  static const double flow[] = {49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1};
  const sp_spread s = sp_spread_of(flow, 10, 0.95);
  CHECK_CLOSE(s.mean, 50.81, 1e-12);
  const double half = gsl_cdf_tdist_Pinv(0.975, 9.0) * s.sd / sqrt(10.0);
  CHECK_CLOSE(s.mean_limits.lower, 50.81 - half, 1e-9);
  CHECK_CLOSE(s.mean_limits.upper, 50.81 + half, 1e-9);
  CHECK_CLOSE(s.sd_limits.lower, s.sd * sqrt(9.0 / gsl_cdf_chisq_Pinv(0.975, 9.0)), 1e-9);
  CHECK_CLOSE(s.sd_limits.upper, s.sd * sqrt(9.0 / gsl_cdf_chisq_Pinv(0.025, 9.0)), 1e-9);
  const sp_spread one = sp_spread_of(flow, 1, 0.95);
  CHECK_CLOSE(one.mean, 49.6, 0.0);
  assert_true(isnan(one.sd) && isnan(one.sd_limits.upper) && isnan(one.mean_limits.lower));
  assert_true(isnan(sp_spread_of(flow, 0, 0.95).mean));
}

/* Cells of a table known beforehand: rows 0, 3; columns -1, 0, 1; a rest of +-0.5 that sums to 0 each way. */
static void test_additive_by_hand(void **state)
{
  (void)state;
  static const double value[] = {-1.0 + 0.5, 0.0, 1.0 - 0.5, 2.0 - 0.5, 3.0, 4.0 + 0.5};
  sp_additive a;
  assert_int_equal(sp_additive_anova(value, 2, 3, 0.95, &a, NULL), SP_OK);
  CHECK_CLOSE(a.ms_rows, 3.0 * (1.5 * 1.5 * 2.0), 1e-12);
  CHECK_CLOSE(a.ms_columns, 2.0 * 2.0 / 2.0, 1e-12);
  CHECK_CLOSE(a.ms_rest, 4.0 * 0.25 / 2.0, 1e-12);
  CHECK_CLOSE(a.var_rows, (13.5 - 0.5) / 3.0, 1e-12);
  CHECK_CLOSE(a.var_columns, (2.0 - 0.5) / 2.0, 1e-12);
  CHECK_CLOSE(a.p_rows, gsl_cdf_fdist_Q(27.0, 1.0, 2.0), 1e-10);
  assert_int_equal(sp_additive_anova(value, 1, 6, 0.95, &a, NULL), SP_E_DATA);
}

/* Boards by frets as a shop makes them: do the components come out, and do the limits hold? 95 % over 1200 draws have
 * a standard deviation of 0.6 %. */
static void test_limits_hold(void **state)
{
  (void)state;
  enum { DRAWS = 1200, BOARDS = 8, FRETS = 12 };
  const double nut = 0.05, jig = 0.04, hand = 0.06;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  double mean[3] = {0, 0, 0}, table[BOARDS * FRETS], row[BOARDS], column[FRETS];
  int hold[3] = {0, 0, 0};
  assert_non_null(rng);
  gsl_rng_set(rng, 7);
  for (int d = 0; d < DRAWS; d++) {
    sp_additive a;
    for (int i = 0; i < BOARDS; i++)
      row[i] = gsl_ran_gaussian(rng, nut);
    for (int j = 0; j < FRETS; j++)
      column[j] = gsl_ran_gaussian(rng, jig);
    for (int i = 0; i < BOARDS * FRETS; i++)
      table[i] = row[i / FRETS] + column[i % FRETS] + gsl_ran_gaussian(rng, hand);
    assert_int_equal(sp_additive_anova(table, BOARDS, FRETS, 0.95, &a, NULL), SP_OK);
    mean[0] += a.var_rows / DRAWS;
    mean[1] += a.var_columns / DRAWS;
    mean[2] += a.var_rest / DRAWS;
    hold[0] += a.var_rows_limits.lower <= nut * nut && nut * nut <= a.var_rows_limits.upper;
    hold[1] += a.var_columns_limits.lower <= jig * jig && jig * jig <= a.var_columns_limits.upper;
    hold[2] += a.var_rest_limits.lower <= hand * hand && hand * hand <= a.var_rest_limits.upper;
  }
  gsl_rng_free(rng);
  CHECK_CLOSE(mean[0], nut * nut, 0.15e-3);
  CHECK_CLOSE(mean[1], jig * jig, 0.1e-3);
  CHECK_CLOSE(mean[2], hand * hand, 0.06e-3);
  for (int k = 0; k < 3; k++)
    CHECK_CLOSE((double)hold[k] / DRAWS, 0.95, 0.025);
}

/* The same with a known variance to take off, which is how the measuring leaves the scatter. */
static void test_known_variance_off(void **state)
{
  (void)state;
  enum { DRAWS = 2000 };
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  int hold = 0;
  assert_non_null(rng);
  gsl_rng_set(rng, 8);
  for (int d = 0; d < DRAWS; d++) {
    const double ms = 0.5 * gsl_ran_chisq(rng, 9.0) / 9.0; /* hand 0.3 and measuring 0.2 */
    const sp_interval v = sp_variance_difference_limits(ms, 9.0, 0.2, INFINITY, 1.0, 0.95);
    hold += v.lower <= 0.3 && 0.3 <= v.upper;
  }
  gsl_rng_free(rng);
  CHECK_CLOSE((double)hold / DRAWS, 0.95, 0.02);
  assert_true(isnan(sp_variance_difference_limits(NAN, 9.0, 0.2, INFINITY, 1.0, 0.95).lower));
  assert_true(isnan(sp_variance_difference_limits(1.0, 0.0, 0.2, INFINITY, 1.0, 0.95).lower));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_sirstv),
      cmocka_unit_test(test_oneway_refusals),
      cmocka_unit_test(test_capability),
      cmocka_unit_test(test_spread),
      cmocka_unit_test(test_additive_by_hand),
      cmocka_unit_test(test_limits_hold),
      cmocka_unit_test(test_known_variance_off),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
