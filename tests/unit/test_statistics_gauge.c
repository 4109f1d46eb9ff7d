/* Gauge repeatability and reproducibility against the worked study of AIAG, Measurement Systems Analysis, 4th ed. 2010
 * (ten parts, three appraisers, three trials). */
#include "check_close.h"

#include <string.h>

#include "aiag_study.h"
#include "slotproof/statistics.h"

static void arrange(double *value)
{
  for (int p = 0; p < PARTS; p++)
    for (int a = 0; a < APPRAISERS; a++)
      for (int k = 0; k < TRIALS; k++)
        value[(p * APPRAISERS + a) * TRIALS + k] = AIAG[a][k][p];
}

static void test_aiag_anova(void **state)
{
  (void)state;
  double value[PARTS * APPRAISERS * TRIALS];
  const sp_gauge_design d = {1, PARTS, APPRAISERS, TRIALS};
  sp_gauge g;
  arrange(value);
  assert_int_equal(sp_gauge_study(value, &d, 0.95, &g, NULL), SP_OK);
  CHECK_CLOSE(g.part.ss, 88.361934, 1e-6);
  CHECK_CLOSE(g.appraiser.ss, 3.167262, 1e-6);
  CHECK_CLOSE(g.interaction.ss, .358982, 1e-6);
  CHECK_CLOSE(g.error.ss, 2.758933, 1e-6);
  CHECK_CLOSE(g.part.df, 9.0, 0.0);
  CHECK_CLOSE(g.appraiser.df, 2.0, 0.0);
  CHECK_CLOSE(g.interaction.df, 18.0, 0.0);
  CHECK_CLOSE(g.error.df, 60.0, 0.0);
  CHECK_CLOSE(g.interaction.f, .433721, 1e-5);
  CHECK_CLOSE(g.interaction.p, .9741, 1e-4);
  assert_true(g.pooled);
  CHECK_CLOSE(g.anova.ev, .199933, 1e-6);
  CHECK_CLOSE(g.anova.av, .226838, 1e-6);
  CHECK_CLOSE(g.anova.interaction, 0.0, 0.0);
  CHECK_CLOSE(g.anova.grr, .302372, 2e-6);
  CHECK_CLOSE(g.anova.pv, 1.042327, 2e-6);
  CHECK_CLOSE(g.anova.tv, 1.085300, 2e-6);
  CHECK_CLOSE(g.anova.percent_grr, 27.861, 1e-3);
  CHECK_CLOSE(g.anova.ndc, 4.86, 0.005);
}

/* AIAG's K factors .5908, .5231, .3146 have four digits: results agree to 3 in 10000. */
static void test_aiag_average_range(void **state)
{
  (void)state;
  double value[PARTS * APPRAISERS * TRIALS];
  const sp_gauge_design d = {1, PARTS, APPRAISERS, TRIALS};
  sp_gauge g;
  arrange(value);
  assert_int_equal(sp_gauge_study(value, &d, 0.95, &g, NULL), SP_OK);
  CHECK_CLOSE(g.range.ev, .201857, 3e-4 * .2);
  CHECK_CLOSE(g.range.av, .229667, 3e-4 * .23);
  CHECK_CLOSE(g.range.grr, .305766, 3e-4 * .3);
  CHECK_CLOSE(g.range.pv, 1.104596, 4e-4 * 1.1);
  CHECK_CLOSE(g.range.tv, 1.146135, 4e-4 * 1.1);
  CHECK_CLOSE(g.range.percent_grr, 26.678, 0.015);
  CHECK_CLOSE(floor(g.range.ndc), 5.0, 0.0);
}

/* The table of cell means, analysed as rows and columns, gives the same sums of squares (times the trials). */
static void test_additive_on_cell_means(void **state)
{
  (void)state;
  double mean[PARTS * APPRAISERS];
  sp_additive a;
  for (int p = 0; p < PARTS; p++)
    for (int q = 0; q < APPRAISERS; q++)
      mean[p * APPRAISERS + q] = (AIAG[q][0][p] + AIAG[q][1][p] + AIAG[q][2][p]) / 3.0;
  assert_int_equal(sp_additive_anova(mean, PARTS, APPRAISERS, 0.95, &a, NULL), SP_OK);
  CHECK_CLOSE(a.ms_rows * a.df_rows * TRIALS, 88.361934, 1e-6);
  CHECK_CLOSE(a.ms_columns * a.df_columns * TRIALS, 3.167262, 1e-6);
  CHECK_CLOSE(a.ms_rest * a.df_rest * TRIALS, .358982, 1e-6);
}

/* The study twice over, as of two characteristics: the sums and degrees of freedom double, the deviations stay. */
static void test_blocks_add_up(void **state)
{
  (void)state;
  enum { N = PARTS * APPRAISERS * TRIALS };
  double value[2 * N];
  const sp_gauge_design one = {1, PARTS, APPRAISERS, TRIALS}, two = {2, PARTS, APPRAISERS, TRIALS};
  sp_gauge a, b;
  arrange(value);
  for (int i = 0; i < N; i++)
    value[N + i] = value[i] + 100.0; /* elsewhere: must not matter */
  assert_int_equal(sp_gauge_study(value, &one, 0.95, &a, NULL), SP_OK);
  assert_int_equal(sp_gauge_study(value, &two, 0.95, &b, NULL), SP_OK);
  CHECK_CLOSE(b.error.ss, 2.0 * a.error.ss, 1e-9);
  CHECK_CLOSE(b.error.df, 120.0, 0.0);
  CHECK_CLOSE(b.anova.ev, a.anova.ev, 1e-9);
  CHECK_CLOSE(b.anova.grr, a.anova.grr, 1e-9);
  CHECK_CLOSE(b.range.grr, a.range.grr, 1e-9);
  assert_true(b.anova.ev_limits.upper < a.anova.ev_limits.upper);
}

/* One person, one board: repeatability is all that can be told, and nothing else is made up. */
static void test_small_designs(void **state)
{
  (void)state;
  static const double same_board[] = {0.01, 0.03, 0.02};
  const sp_gauge_design one = {1, 1, 1, 3}, single = {1, 3, 1, 1};
  sp_gauge g;
  assert_int_equal(sp_gauge_study(same_board, &one, 0.95, &g, NULL), SP_OK);
  CHECK_CLOSE(g.anova.ev, 0.01, 1e-12);
  CHECK_CLOSE(g.anova.grr, 0.01, 1e-12);
  assert_true(isnan(g.anova.av) && isnan(g.anova.pv) && isnan(g.anova.tv) && isnan(g.anova.ndc));
  CHECK_CLOSE(g.range.ev, 0.02 / 1.693, 1e-5); /* d2 of three, ISO 7870-2 */
  assert_int_equal(sp_gauge_study(same_board, &single, 0.95, &g, NULL), SP_E_DATA);
  const double unknown[] = {0.01, NAN, 0.02};
  assert_int_equal(sp_gauge_study(unknown, &one, 0.95, &g, NULL), SP_E_DATA);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_aiag_anova),
      cmocka_unit_test(test_aiag_average_range),
      cmocka_unit_test(test_additive_on_cell_means),
      cmocka_unit_test(test_blocks_add_up),
      cmocka_unit_test(test_small_designs),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
