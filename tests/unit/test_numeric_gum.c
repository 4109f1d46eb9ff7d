/* Uncertainty and conformity against the worked examples of JCGM 100:2008 and JCGM 106:2012. */
#include "check_close.h"

#include "slotproof/numeric.h"

/* JCGM 100:2008, H.1: calibration of an end gauge. Lengths in nm. */
static void gum_h1(void **state)
{
  (void)state;
  const double length_nm = 50.000623e6;
  /* mean difference 215 nm: repeatability, comparator at random, comparator systematic */
  const double d[3] = {5.8, 3.9, 6.7}, nu_d[3] = {24, 5, 8}, ones[3] = {1, 1, 1};
  const double u_d = sp_gum_combined_correlated(3, ones, d, NULL);
  CHECK_CLOSE(u_d, 9.682, 5e-4);
  CHECK_CLOSE(sp_gum_degrees_of_freedom(3, d, nu_d), 25.45, 0.05); /* the guide prints 25.6 from rounded u_d = 9.7 */
  const double expansion = 0.1 * length_nm * sp_gum_rectangular(1e-6);       /* theta = -0.1 C, delta alpha +-1e-6 */
  const double temperature = 11.5e-6 * length_nm * sp_gum_rectangular(0.05); /* delta theta +-0.05 C */
  CHECK_CLOSE(expansion, 2.88679, 5e-5);
  CHECK_CLOSE(temperature, 16.599, 1e-3);
  CHECK_CLOSE(sp_gum_arcsine(0.5), 0.35, 5e-3); /* H.1.3.4: cyclic variation of the bed's temperature */
  const double part[4] = {25, u_d, expansion, temperature}, nu[4] = {18, 25.45, 50, 2}, one4[4] = {1, 1, 1, 1};
  const double u = sp_gum_combined_correlated(4, one4, part, NULL);
  CHECK_CLOSE(u, 31.664, 2e-3);
  const double nu_eff = sp_gum_degrees_of_freedom(4, part, nu);
  CHECK_CLOSE(nu_eff, 16.75, 0.01);
  const double k = sp_gum_coverage_factor(0.99, nu_eff);
  CHECK_CLOSE(k, 2.92, 5e-3); /* t99(16), table G.2 */
  CHECK_CLOSE(k * 32.0, 93.0, 0.5);
  CHECK_CLOSE(50.000623 + 215e-6, 50.000838, 1e-9);
}

static void combined_with_correlation(void **state)
{
  (void)state;
  /* JCGM 100:2008, 5.2.2 note 1: ten resistors of 1000 ohm calibrated against one standard of u = 100 mohm, in series.
   * Fully correlated: 1 ohm. The example warns of the uncorrelated result 0.32 ohm. */
  double c[10], u[10], r[100];
  for (int i = 0; i < 100; i++)
    r[i] = 1.0;
  for (int i = 0; i < 10; i++) {
    c[i] = 1.0;
    u[i] = 0.1;
  }
  CHECK_CLOSE(sp_gum_combined_correlated(10, c, u, r), 1.0, 1e-14);
  CHECK_CLOSE(sp_gum_combined_correlated(10, c, u, NULL), 0.32, 5e-3);
  /* a difference of two places read on one rule: what is common cancels */
  const double j[2] = {1, -1}, cov[4] = {4, 4, 4, 4}, indefinite[4] = {1, 2, 2, 1};
  CHECK_CLOSE(sp_gum_combined(2, j, cov), 0.0, 1e-15);
  assert_true(isnan(sp_gum_combined(2, j, indefinite))); /* no covariance matrix: 1 + 1 - 4 < 0 */
}

static void degrees_of_freedom(void **state)
{
  (void)state;
  /* JCGM 100:2008, G.4.1 example: relative 0.25 % (n = 10), 0.57 % (n = 5), 0.82 % (n = 15): nu_eff 19.0 */
  const double part[3] = {0.25, 0.57, 0.82}, nu[3] = {9, 4, 14}, exact[3] = {INFINITY, INFINITY, INFINITY};
  CHECK_CLOSE(sp_gum_degrees_of_freedom(3, part, nu), 19.0, 0.05);
  CHECK_CLOSE(sqrt(0.25 * 0.25 + 0.57 * 0.57 + 0.82 * 0.82), 1.03, 5e-3);
  CHECK_CLOSE(sp_gum_coverage_factor(0.95, 19.0), 2.09, 5e-3); /* same example: t95(19) */
  assert_true(isinf(sp_gum_degrees_of_freedom(3, part, exact)));
  CHECK_CLOSE(sp_gum_coverage_factor(0.95, INFINITY), 1.960, 5e-4);
  const double tiny[1] = {1e-90}, bad_nu[1] = {0};
  CHECK_CLOSE(sp_gum_degrees_of_freedom(1, tiny, nu), 9.0, 1e-12); /* no underflow */
  assert_true(isnan(sp_gum_degrees_of_freedom(1, tiny, bad_nu)));
  assert_true(isnan(sp_gum_coverage_factor(0.95, 0.5)));
  assert_true(isnan(sp_gum_coverage_factor(1.0, 5)));
}

static void half_widths(void **state)
{
  (void)state;
  /* Directive 2014/32/EU (in UK law S.I. 2016/1153, schedule 1I), class I rule to 1 m: +-0.2 mm, so u = 0.1155 mm */
  CHECK_CLOSE(sp_gum_rectangular(0.2), 0.1155, 5e-5);
  CHECK_CLOSE(sp_gum_triangular(0.6), 0.6 / sqrt(6.0), 1e-16);
  assert_true(isnan(sp_gum_rectangular(-1)) && isnan(sp_gum_triangular(-1)) && isnan(sp_gum_arcsine(NAN)));
}

/* The examples of JCGM 106:2012, inputs from memory and the probabilities recomputed from them. */
static void conformance(void **state)
{
  (void)state;
  /* Zener diode: breakdown voltage -5.47 V, u 0.05 V, upper limit -5.40 V: 0.92 */
  CHECK_CLOSE(sp_conformance_below(-5.47, 0.05, -5.40), 0.9192, 5e-5);
  /* kinematic viscosity of an oil: 13.6, u 1.8, limits 12.5 and 16.3: 0.66 */
  CHECK_CLOSE(sp_conformance_within(13.6, 1.8, 12.5, 16.3), 0.6626, 5e-5);
  CHECK_CLOSE(sp_conformance_above(1, 1, 0), sp_normal_cdf(1), 1e-15);
  CHECK_CLOSE(sp_conformance_within(0, 1, -INFINITY, INFINITY), 1, 0);
  CHECK_CLOSE(sp_conformance_within(0, 1, 0.3, 0.3), 0, 0);
  /* far out, from either side: the same and not 0 */
  CHECK_CLOSE(sp_conformance_within(20, 1, 0, 1) / sp_conformance_within(-20, 1, -1, 0), 1, 1e-12);
  assert_true(sp_conformance_within(20, 1, 0, 1) > 0);
  /* guard band of 1.645 u about a tolerance of +-0.1 mm with u = 0.02 mm: accepted up to 0.0671 mm at 95 % */
  CHECK_CLOSE(sp_conformance_within(0.0671, 0.02, -0.1, 0.1), 0.95, 1e-4);
  CHECK_CLOSE(sp_conformance_within(0.1329, 0.02, -0.1, 0.1), 0.05, 1e-4);
  assert_true(isnan(sp_conformance_within(0, 0, -1, 1)));
  assert_true(isnan(sp_conformance_within(0, 1, 1, -1)));
  assert_true(isnan(sp_conformance_within(NAN, 1, -1, 1)));
  assert_true(isnan(sp_conformance_below(0, -1, 1)));
  assert_true(isnan(sp_conformance_above(0, 1, NAN)));
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(gum_h1), cmocka_unit_test(combined_with_correlation),
                                     cmocka_unit_test(degrees_of_freedom), cmocka_unit_test(half_widths),
                                     cmocka_unit_test(conformance)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
