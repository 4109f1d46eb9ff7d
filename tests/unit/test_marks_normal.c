/* The tabled normal distribution, and rows of the table of a cross-section, against GSL and the untabled functions. */
#include "check_close.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_sf_erf.h>
#include <stdlib.h>

#include "marks/marks_internal.h"
#include "numeric/normal.h"

static void table_is_the_normal_distribution(void **unused)
{
  (void)unused;
  sp_normal *t = malloc(sizeof *t);
  assert_non_null(t);
  sp_normal_fill(t);
  for (double z = -9.0; z <= 9.0; z += 0.00713) {
    double pdf;
    CHECK_CLOSE(sp_normal_at(t, z, &pdf), gsl_cdf_ugaussian_P(z), 2e-7);
    CHECK_CLOSE(pdf, gsl_ran_ugaussian_pdf(z), 2e-7);
  }
  free(t);
}

/* exp(e) P(from), with P from the logarithm of erfc so that nothing overflows. */
static void flanks_hold_where_the_exponential_is_large(void **unused)
{
  (void)unused;
  sp_normal *t = malloc(sizeof *t);
  assert_non_null(t);
  sp_normal_fill(t);
  static const double BLUR[] = {0.3, 0.9, 3.0}, LENGTH[] = {0.25, 1.0, 4.0};
  for (size_t i = 0; i < sizeof BLUR / sizeof *BLUR; i++)
    for (size_t k = 0; k < sizeof LENGTH / sizeof *LENGTH; k++)
      for (double x = -20.0; x <= 20.0; x += 0.057) {
        const double a = BLUR[i] / LENGTH[k], e = 0.5 * a * a - x / LENGTH[k], from = x / BLUR[i] - a;
        const double expected = exp(e + gsl_sf_log_erfc(-from * 0.70710678118654752)) * 0.5;
        CHECK_CLOSE(sp_normal_fallen(t, e, from), expected, 2e-6);
      }
  free(t);
}

/* A row must be what single places are, on the table, off it, and across its ends. */
static void rows_are_their_places(void **unused)
{
  (void)unused;
  enum { LONG = 40 };
  const sp_shape shape = {.width_px = 90.0, .blur_px = 2.0, .burr_height = {0.0, -0.4}, .burr_width_px = {3.0, 3.0}};
  sp_profile *p = malloc(sizeof *p);
  assert_non_null(p);
  sp_profile_fill(&shape, p);
  for (double x = -130.0; x <= 130.0; x += 1.93) {
    double row[LONG];
    sp_profile_row(p->value, x, LONG, row);
    for (int i = 0; i < LONG; i++) {
      const bool on_table = fabs(x + i) < SP_PROFILE_REACH - 1;
      CHECK_CLOSE(row[i], on_table ? sp_shape_value(&shape, x + i) : sp_profile_at(p->value, x + i), 1e-3);
    }
  }
  free(p);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(table_is_the_normal_distribution),
      cmocka_unit_test(flanks_hold_where_the_exponential_is_large),
      cmocka_unit_test(rows_are_their_places),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
