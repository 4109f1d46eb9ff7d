/* Distributions over a grid against GSL, and against values printed in handbooks. */
#include "check_close.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_sf_gamma.h>

#include "slotproof/numeric.h"

/* Relative, as the header promises; GSL is itself good to about 1e-11 in places. */
#define CHECK_RELATIVE(actual, expected, tolerance) check_relative((actual), (expected), (tolerance), #actual, __LINE__)

static void check_relative(double actual, double expected, double tolerance, const char *what, int line)
{
  check_close_(actual, expected, tolerance * fabs(expected) + 1e-300, what, __FILE__, line);
}

static const double NU[] = {0.5, 1, 2, 2.5, 3, 5, 10, 16, 33, 100, 1000, 1e5, 1e8};
enum { NUS = sizeof NU / sizeof *NU };

static void normal(void **state)
{
  (void)state;
  for (double z = -37.0; z <= 37.0; z += 0.37) {
    CHECK_RELATIVE(sp_normal_cdf(z), gsl_cdf_ugaussian_P(z), 1e-10);
    CHECK_RELATIVE(sp_normal_upper(z), gsl_cdf_ugaussian_Q(z), 1e-10);
  }
  for (double p = 1e-300; p < 0.5; p *= 7.3) {
    CHECK_RELATIVE(sp_normal_quantile(p), gsl_cdf_ugaussian_Pinv(p), 1e-10);
    CHECK_RELATIVE(sp_normal_cdf(sp_normal_quantile(p)), p, 1e-12);
    if (p > 1e-4)
      CHECK_RELATIVE(sp_normal_quantile(1.0 - p), gsl_cdf_ugaussian_Qinv(p), 1e-10);
  }
  /* NIST/SEMATECH e-Handbook 1.3.6.7.1 and any table */
  CHECK_CLOSE(sp_normal_quantile(0.80), 0.8416, 5e-5);
  CHECK_CLOSE(sp_normal_quantile(0.90), 1.2816, 5e-5);
  CHECK_CLOSE(sp_normal_quantile(0.95), 1.6449, 5e-5);
  CHECK_CLOSE(sp_normal_quantile(0.99), 2.3263, 5e-5);
  CHECK_CLOSE(sp_normal_quantile(0.999), 3.0902, 5e-5);
  CHECK_CLOSE(sp_normal_quantile(0.5), 0, 0);
}

static double student_density(double t, void *nu)
{
  return gsl_ran_tdist_pdf(t, *(double *)nu);
}

/* GSL's own cdf is a Cornish-Fisher series above nu = 30, good to six digits in the tails: there its density is
 * integrated. */
static double student_reference(double t, double nu)
{
  if (nu <= 30.0)
    return gsl_cdf_tdist_P(t, nu);
  gsl_integration_workspace *work = gsl_integration_workspace_alloc(1000);
  gsl_function density = {student_density, &nu};
  double tail, error;
  gsl_integration_qagiu(&density, fabs(t), 0.0, 1e-11, 1000, work, &tail, &error);
  gsl_integration_workspace_free(work);
  return t < 0.0 ? tail : 1.0 - tail;
}

static void student(void **state)
{
  (void)state;
  for (int k = 0; k < NUS - 1; k++)
    for (double t = -60.0; t <= 60.0; t += 0.83) {
      const double expected = student_reference(t, NU[k]);
      if (expected > 1e-250)
        CHECK_RELATIVE(sp_student_cdf(t, NU[k]), expected, 1e-10);
    }
  /* exact: arctan for nu = 1, algebraic for nu = 2 (Abramowitz & Stegun 26.7.3, 26.7.4) */
  for (double t = -1e4; t < 1e4; t += 37.3) {
    CHECK_CLOSE(sp_student_cdf(t, 1), 0.5 + atan(t) / SP_PI, 1e-14);
    CHECK_CLOSE(sp_student_cdf(t, 2), 0.5 + t / (2.0 * sqrt(2.0 + t * t)), 1e-14);
  }
  CHECK_CLOSE(sp_student_cdf(1.5, INFINITY), sp_normal_cdf(1.5), 0);
  CHECK_RELATIVE(sp_student_cdf(-3.0, 1e8), sp_normal_cdf(-3.0), 1e-6);
  CHECK_CLOSE(sp_student_cdf(INFINITY, 3), 1, 0);
  CHECK_CLOSE(sp_student_cdf(-INFINITY, 3), 0, 0);
  CHECK_RELATIVE(sp_student_cdf(-1e100, 1), 1e-100 / SP_PI, 1e-10);
  CHECK_CLOSE(sp_student_cdf(-1e200, 1), 0, 0);
}

static void student_quantile(void **state)
{
  (void)state;
  static const double P[] = {1e-12, 1e-5, 0.005, 0.025, 0.1, 0.3, 0.49, 0.5, 0.6, 0.9, 0.975, 0.995, 0.99999};
  for (int k = 1; k < NUS; k++)
    for (size_t i = 0; i < sizeof P / sizeof *P; i++) {
      const double t = sp_student_quantile(P[i], NU[k]);
      CHECK_RELATIVE(sp_student_cdf(t, NU[k]), P[i], 1e-11);
      if (NU[k] < 1e4 && P[i] > 1e-6 && P[i] != 0.5)
        CHECK_RELATIVE(t, gsl_cdf_tdist_Pinv(P[i], NU[k]), 1e-6); /* as far as GSL goes for large nu */
      if (NU[k] == 1.0 && P[i] < 0.5)
        CHECK_RELATIVE(t, -1.0 / tan(SP_PI * P[i]), 1e-11);
    }
  /* JCGM 100:2008, table G.2, printed to two decimals: t_p(nu) for p = 95 % and 99 % */
  static const double TABLE[][3] = {{1, 12.71, 63.66}, {2, 4.30, 9.92},  {5, 2.57, 4.03},  {10, 2.23, 3.17},
                                    {16, 2.12, 2.92},  {20, 2.09, 2.85}, {50, 2.01, 2.68}, {100, 1.984, 2.626}};
  for (size_t i = 0; i < sizeof TABLE / sizeof *TABLE; i++) {
    CHECK_CLOSE(sp_student_quantile(0.975, TABLE[i][0]), TABLE[i][1], i == 7 ? 5e-4 : 0.0051);
    CHECK_CLOSE(sp_student_quantile(0.995, TABLE[i][0]), TABLE[i][2], i == 7 ? 5e-4 : 0.0051);
  }
}

static void chi_squared(void **state)
{
  (void)state;
  for (int k = 0; k < NUS - 1; k++)
    for (double r = 0.01; r < 8.0; r *= 1.23) {
      const double x = r * NU[k];
      if (gsl_cdf_chisq_P(x, NU[k]) > 1e-250)
        CHECK_RELATIVE(sp_chi2_cdf(x, NU[k]), gsl_cdf_chisq_P(x, NU[k]), NU[k] > 1e4 ? 1e-9 : 1e-10);
      if (gsl_cdf_chisq_Q(x, NU[k]) > 1e-250)
        CHECK_RELATIVE(sp_chi2_upper(x, NU[k]), gsl_cdf_chisq_Q(x, NU[k]), NU[k] > 1e4 ? 1e-9 : 1e-10);
    }
  /* two degrees of freedom: 1 - exp(-x/2) */
  CHECK_CLOSE(sp_chi2_cdf(3.0, 2), 1.0 - exp(-1.5), 1e-15);
  static const double P[] = {1e-9, 0.01, 0.05, 0.5, 0.95, 0.99, 0.999999};
  for (int k = 0; k < NUS - 1; k++)
    for (size_t i = 0; i < sizeof P / sizeof *P; i++)
      CHECK_RELATIVE(sp_chi2_cdf(sp_chi2_quantile(P[i], NU[k]), NU[k]), P[i], 1e-11);
  /* NIST/SEMATECH e-Handbook 1.3.6.7.4: upper critical values of chi-squared */
  CHECK_CLOSE(sp_chi2_quantile(0.95, 1), 3.841, 5e-4);
  CHECK_CLOSE(sp_chi2_quantile(0.95, 10), 18.307, 5e-4);
  CHECK_CLOSE(sp_chi2_quantile(0.99, 30), 50.892, 5e-4);
  CHECK_CLOSE(sp_chi2_quantile(0.05, 10), 3.940, 5e-4);
}

static void f_distribution(void **state)
{
  (void)state;
  for (int k = 0; k < NUS - 2; k++)
    for (int m = 0; m < NUS - 2; m++)
      for (double f = 1e-3; f < 1e3; f *= 2.9) {
        const double below = gsl_cdf_fdist_P(f, NU[k], NU[m]), above = gsl_cdf_fdist_Q(f, NU[k], NU[m]);
        if (below > 1e-200)
          CHECK_RELATIVE(sp_f_cdf(f, NU[k], NU[m]), below, 1e-10);
        if (above > 1e-200)
          CHECK_RELATIVE(sp_f_upper(f, NU[k], NU[m]), above, 1e-10);
      }
  /* NIST StRD SiRstv: F = 1.18046237440255 on 4 and 20 degrees of freedom; p recomputed */
  CHECK_CLOSE(sp_f_upper(1.18046237440255, 4, 20), 0.349447, 5e-7);
  /* NIST/SEMATECH e-Handbook 1.3.6.7.3: 5 % point of F(5, 10) is 3.326 */
  CHECK_CLOSE(sp_f_upper(3.326, 5, 10), 0.05, 5e-5);
  CHECK_CLOSE(sp_f_cdf(0, 3, 4), 0, 0);
  CHECK_CLOSE(sp_f_upper(0, 3, 4), 1, 0);
  CHECK_CLOSE(sp_f_cdf(INFINITY, 3, 4), 1, 0);
}

static void incomplete_functions(void **state)
{
  (void)state;
  for (double a = 0.01; a < 2e4; a *= 2.3)
    for (double r = 0.05; r < 5.0; r *= 1.7) {
      if (gsl_sf_gamma_inc_P(a, a * r) > 1e-200)
        CHECK_RELATIVE(sp_gamma_p(a, a * r), gsl_sf_gamma_inc_P(a, a * r), 1e-10);
      if (gsl_sf_gamma_inc_Q(a, a * r) > 1e-200)
        CHECK_RELATIVE(sp_gamma_q(a, a * r), gsl_sf_gamma_inc_Q(a, a * r), 2e-10);
    }
  /* NIST DLMF 8.17.4: I_x(a, b) = 1 - I_(1-x)(b, a); 8.17.5: a whole number of binomial terms */
  for (double x = 0.05; x < 1.0; x += 0.05) {
    CHECK_CLOSE(sp_beta_i(2.5, 7, x) + sp_beta_i(7, 2.5, 1 - x), 1, 1e-14);
    CHECK_CLOSE(sp_beta_i(3, 1, x), x * x * x, 1e-14);
  }
}

static void outside_the_domain(void **state)
{
  (void)state;
  const double bad[] = {sp_normal_quantile(-0.1),
                        sp_normal_quantile(1.1),
                        sp_normal_quantile(NAN),
                        sp_normal_cdf(NAN),
                        sp_student_cdf(0, 0),
                        sp_student_cdf(NAN, 3),
                        sp_student_cdf(1, NAN),
                        sp_student_quantile(2, 3),
                        sp_student_quantile(0.5, -1),
                        sp_chi2_cdf(1, 0),
                        sp_chi2_cdf(NAN, 1),
                        sp_chi2_quantile(0.5, 0),
                        sp_chi2_quantile(0.5, INFINITY),
                        sp_f_cdf(1, 0, 1),
                        sp_f_cdf(1, 1, NAN),
                        sp_f_cdf(NAN, 1, 1),
                        sp_gamma_p(-1, 1),
                        sp_gamma_q(1, -1),
                        sp_beta_i(1, 1, 1.5),
                        sp_beta_i(1, 1, -0.5),
                        sp_beta_i(0, 1, 0.5)};
  for (size_t k = 0; k < sizeof bad / sizeof *bad; k++)
    assert_true(isnan(bad[k]));
  assert_true(sp_normal_quantile(0) < 0 && isinf(sp_normal_quantile(0)));
  assert_true(sp_normal_quantile(1) > 0 && isinf(sp_normal_quantile(1)));
  assert_true(isinf(sp_student_quantile(0, 3)) && isinf(sp_chi2_quantile(1, 3)));
  CHECK_CLOSE(sp_chi2_quantile(0, 3), 0, 0);
  CHECK_CLOSE(sp_chi2_cdf(-1, 3), 0, 0);
  CHECK_CLOSE(sp_chi2_upper(-1, 3), 1, 0);
}

int main(void)
{
  gsl_set_error_handler_off(); /* underflow in its tails is no failure of ours */
  const struct CMUnitTest tests[] = {cmocka_unit_test(normal),
                                     cmocka_unit_test(student),
                                     cmocka_unit_test(student_quantile),
                                     cmocka_unit_test(chi_squared),
                                     cmocka_unit_test(f_distribution),
                                     cmocka_unit_test(incomplete_functions),
                                     cmocka_unit_test(outside_the_domain)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
