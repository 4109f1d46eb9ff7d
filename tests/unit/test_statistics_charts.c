/* Control charts against published factors and worked cases. */
#include "check_close.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <stdlib.h>

#include "slotproof/statistics.h"

/* Factors for control charts as tabled in ISO 7870-2 / ASTM MNL 7 (the common table, three or four digits). */
static void test_factors(void **state)
{
  (void)state;
  static const struct {
    size_t n;
    double A2, A3, c4, B3, B4, d2, d3, D3, D4;
  } table[] = {
      {2, 1.880, 2.659, .7979, 0, 3.267, 1.128, .853, 0, 3.267},
      {3, 1.023, 1.954, .8862, 0, 2.568, 1.693, .888, 0, 2.5746}, /* tables print 2.574, exact is 2.5746 */
      {4, .729, 1.628, .9213, 0, 2.266, 2.059, .880, 0, 2.282},
      {5, .577, 1.427, .9400, 0, 2.089, 2.326, .864, 0, 2.114},
      {6, .483, 1.287, .9515, .030, 1.970, 2.534, .848, 0, 2.004},
      {7, .419, 1.182, .9594, .118, 1.882, 2.704, .833, .076, 1.924},
      {8, .373, 1.099, .9650, .185, 1.815, 2.847, .820, .136, 1.864},
      {9, .337, 1.032, .9693, .239, 1.761, 2.970, .808, .184, 1.816},
      {10, .308, .975, .9727, .284, 1.716, 3.078, .797, .223, 1.777},
  };
  const double half = 0.00051, fine = 0.000051; /* the last printed digit */
  for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
    const sp_chart_factors f = sp_chart_factors_of(table[i].n);
    CHECK_CLOSE(f.A2, table[i].A2, half);
    CHECK_CLOSE(f.A3, table[i].A3, half);
    CHECK_CLOSE(f.c4, table[i].c4, fine);
    CHECK_CLOSE(f.B3, table[i].B3, half);
    CHECK_CLOSE(f.B4, table[i].B4, half);
    CHECK_CLOSE(f.d2, table[i].d2, half);
    CHECK_CLOSE(f.d3, table[i].d3, half);
    CHECK_CLOSE(f.D3, table[i].D3, half);
    CHECK_CLOSE(f.D4, table[i].D4, half);
  }
  CHECK_CLOSE(sp_chart_c4(400.0), 1.0 - 1.0 / (4.0 * 400.0 - 3.0) * 1.0, 1e-6); /* c4 ~ (4n - 4)/(4n - 3) */
  assert_true(isnan(sp_chart_factors_of(1).d2));
  assert_true(isnan(sp_chart_factors_of(5000).d2));
}

/* NIST/SEMATECH e-Handbook 6.3.2.2: ten flow rates. */
static const double FLOW[] = {49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1};

static void test_individuals(void **state)
{
  (void)state;
  sp_chart c, moving;
  assert_int_equal(sp_chart_individuals(FLOW, 10, &c, NULL), SP_OK);
  assert_int_equal(c.count, 10);
  CHECK_CLOSE(c.point[0].centre, 50.81, 1e-9);
  CHECK_CLOSE(c.point[3].upper, 55.8041, 0.002); /* the handbook's d2 is 1.128 */
  CHECK_CLOSE(c.point[3].lower, 45.8159, 0.002);
  for (size_t i = 0; i < c.count; i++)
    assert_int_equal(c.point[i].rules, 0); /* the handbook: in control */
  assert_int_equal(sp_chart_moving_range(FLOW, 10, &moving, NULL), SP_OK);
  assert_int_equal(moving.count, 9);
  CHECK_CLOSE(moving.point[0].value, 2.0, 1e-9);
  CHECK_CLOSE(moving.point[0].centre, 1.8778, 5e-5);
  CHECK_CLOSE(moving.point[0].upper, 3.267 * 1.8778, 0.001); /* D4 of two */
  CHECK_CLOSE(moving.point[0].lower, 0.0, 0.0);
  sp_chart_free(&c);
  sp_chart_free(&moving);
}

/* e-Handbook 6.3.2.4: weight 0.3, from 50, sigma 2.0539. */
static void test_ewma(void **state)
{
  (void)state;
  static const double first[] = {52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5};
  static const double expected[] = {50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
                                    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99};
  double x[20];
  sp_chart c;
  for (int i = 0; i < 10; i++) {
    x[i] = first[i];
    x[10 + i] = FLOW[i];
  }
  assert_int_equal(sp_chart_ewma(x, 20, 0.3, 50.0, 2.0539, 3.0, &c, NULL), SP_OK);
  for (int i = 0; i < 20; i++)
    CHECK_CLOSE(c.point[i].value, expected[i], 0.0051);
  CHECK_CLOSE(c.point[7].upper, 52.5884, 1e-4);
  CHECK_CLOSE(c.point[7].lower, 47.4116, 1e-4);
  assert_int_equal(c.point[19].rules, 0);
  sp_chart_free(&c);
}

/* Groups of equal size: the limits are those of the tabled factors times the mean standard deviation. */
static void test_groups(void **state)
{
  (void)state;
  static const double mean[] = {0.010, -0.020, 0.030, 0.000}, sd[] = {0.040, 0.060, 0.050, 0.050};
  static const size_t n[] = {5, 5, 5, 5};
  sp_chart x, s;
  assert_int_equal(sp_chart_xbar(mean, sd, n, 4, &x, NULL), SP_OK);
  assert_int_equal(sp_chart_s(sd, n, 4, &s, NULL), SP_OK);
  CHECK_CLOSE(x.point[1].centre, 0.005, 1e-12);
  CHECK_CLOSE(x.point[1].upper, 0.005 + 1.427 * 0.05, 3e-5);
  CHECK_CLOSE(x.point[1].lower, 0.005 - 1.427 * 0.05, 3e-5);
  CHECK_CLOSE(s.point[2].centre, 0.05, 1e-12);
  CHECK_CLOSE(s.point[2].upper, 2.089 * 0.05, 3e-5);
  CHECK_CLOSE(s.point[2].lower, 0.0, 0.0);
  sp_chart_free(&x);
  sp_chart_free(&s);
}

/* Groups of unlike size have limits of their own: sigma/sqrt(n). */
static void test_unlike_groups(void **state)
{
  (void)state;
  static const double mean[] = {0.0, 0.0}, sd[] = {0.094, 0.097265};
  static const size_t n[] = {5, 10};
  sp_chart x;
  assert_int_equal(sp_chart_xbar(mean, sd, n, 2, &x, NULL), SP_OK);
  CHECK_CLOSE(x.point[0].upper * sqrt(5.0), x.point[1].upper * sqrt(10.0), 1e-12);
  CHECK_CLOSE(x.point[0].upper, 3.0 * 0.1 / sqrt(5.0), 1e-4); /* sd/c4 = 0.1 in both */
  sp_chart_free(&x);
}

static unsigned rules_at(const double *sigmas, size_t count, size_t at)
{
  sp_chart_point point[32] = {{0}};
  sp_chart c = {point, count};
  for (size_t i = 0; i < count; i++)
    point[i] = (sp_chart_point){sigmas[i], 0.0, -3.0, 3.0, 1.0, 0};
  sp_chart_apply_rules(&c);
  return point[at].rules;
}

/* Each rule of e-Handbook 6.3.2 where it just applies, and where it just does not. */
static void test_rules(void **state)
{
  (void)state;
  const double beyond[] = {0.1, 3.01}, inside[] = {0.1, 2.99};
  assert_int_equal(rules_at(beyond, 2, 1), SP_RULE_BEYOND);
  assert_int_equal(rules_at(inside, 2, 1), 0);
  const double two[] = {2.1, 0.0, 2.2}, other_side[] = {2.1, 0.0, -2.2}, late[] = {2.1, 0.0, 0.1, 2.2};
  assert_int_equal(rules_at(two, 3, 2), SP_RULE_TWO_OF_3);
  assert_int_equal(rules_at(other_side, 3, 2), 0);
  assert_int_equal(rules_at(late, 4, 3), 0);
  const double four[] = {1.1, 1.2, -0.5, 1.3, 1.1}, three[] = {1.1, 0.9, -0.5, 1.3, 1.1};
  assert_int_equal(rules_at(four, 5, 4), SP_RULE_FOUR_OF_5);
  assert_int_equal(rules_at(three, 5, 4), 0);
  const double eight[] = {.1, .3, .2, .4, .1, .3, .1, .5}, seven[] = {-.1, .3, .2, .4, .1, .3, .1, .5};
  assert_int_equal(rules_at(eight, 8, 7), SP_RULE_EIGHT);
  assert_int_equal(rules_at(eight, 8, 6), 0);
  assert_int_equal(rules_at(seven, 8, 7), 0);
  const double six[] = {-.5, -.3, -.2, .1, .2, .4}, five[] = {-.2, -.3, -.2, .1, .2, .4};
  assert_int_equal(rules_at(six, 6, 5), SP_RULE_TREND);
  assert_int_equal(rules_at(five, 6, 5), 0);
  double saw[14];
  for (int i = 0; i < 14; i++)
    saw[i] = i % 2 ? 0.5 : -0.5;
  assert_int_equal(rules_at(saw, 14, 13), SP_RULE_ALTERNATING);
  saw[5] = -0.6; /* goes on down once */
  assert_int_equal(rules_at(saw, 14, 13), 0);
}

/* With the four zone rules a signal comes by chance after 91.75 points on the average (Champ & Woodall, Technometrics
 * 29, 1987, 393; e-Handbook 6.3.2), with the first alone after 370.4. */
static void test_false_alarms(void **state)
{
  (void)state;
  enum { RUNS = 1500, POINTS = 1200 };
  const unsigned zones = SP_RULE_BEYOND | SP_RULE_TWO_OF_3 | SP_RULE_FOUR_OF_5 | SP_RULE_EIGHT;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  sp_chart_point *point = calloc(POINTS, sizeof *point);
  double sum = 0.0;
  assert_non_null(rng);
  assert_non_null(point);
  gsl_rng_set(rng, 91);
  for (int r = 0; r < RUNS; r++) {
    sp_chart c = {point, POINTS};
    size_t at = 0;
    for (size_t i = 0; i < POINTS; i++)
      point[i] = (sp_chart_point){gsl_ran_gaussian(rng, 1.0), 0.0, -3.0, 3.0, 1.0, 0};
    sp_chart_apply_rules(&c);
    while (at < POINTS && !(point[at].rules & zones))
      at++;
    assert_true(at < POINTS);
    sum += (double)(at + 1);
  }
  CHECK_CLOSE(sum / RUNS, 91.75, 4.0 * 90.0 / sqrt(RUNS)); /* run lengths scatter about as much as their mean */
  free(point);
  gsl_rng_free(rng);
}

/* How often the charts that a batch's report tells of show anything on boards that differ by chance alone: the report
 * says 2 of 5 for 20 boards. 1200 draws: a standard deviation of 1.4 %. */
static void test_reports_by_chance(void **state)
{
  (void)state;
  enum { DRAWS = 1200, BOARDS = 20, FRETS = 12 };
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  int shown = 0;
  assert_non_null(rng);
  gsl_rng_set(rng, 20);
  for (int d = 0; d < DRAWS; d++) {
    double mean[BOARDS], length[BOARDS], sd[BOARDS];
    size_t n[BOARDS];
    sp_chart c[5];
    unsigned rules = 0;
    for (int i = 0; i < BOARDS; i++) {
      mean[i] = gsl_ran_gaussian(rng, 1.0);
      length[i] = gsl_ran_gaussian(rng, 1.0);
      sd[i] = sqrt(gsl_ran_chisq(rng, FRETS - 1.0) / (FRETS - 1.0));
      n[i] = FRETS;
    }
    assert_int_equal(sp_chart_individuals(mean, BOARDS, &c[0], NULL), SP_OK);
    assert_int_equal(sp_chart_moving_range(mean, BOARDS, &c[1], NULL), SP_OK);
    assert_int_equal(sp_chart_ewma(mean, BOARDS, 0.3, c[0].point[0].centre, c[0].point[0].sigma, 3.0, &c[2], NULL),
                     SP_OK);
    assert_int_equal(sp_chart_s(sd, n, BOARDS, &c[3], NULL), SP_OK);
    assert_int_equal(sp_chart_individuals(length, BOARDS, &c[4], NULL), SP_OK);
    for (int k = 0; k < 5; k++) {
      for (size_t i = 0; i < c[k].count; i++)
        rules |= c[k].point[i].rules;
      sp_chart_free(&c[k]);
    }
    shown += rules != 0;
  }
  gsl_rng_free(rng);
  CHECK_CLOSE((double)shown / DRAWS, 0.40, 0.05);
}

/* A step is found where it is; without one, 5 % of series at most get a p below 0.05. One value's p by hand. */
static void test_step(void **state)
{
  (void)state;
  enum { DRAWS = 2000, VALUES = 20 };
  static const double plain[] = {1.0, 3.0, 7.0, 9.0};
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  double x[VALUES];
  int chance = 0, right = 0;
  assert_non_null(rng);
  gsl_rng_set(rng, 4);
  for (int d = 0; d < DRAWS; d++) {
    for (int i = 0; i < VALUES; i++)
      x[i] = gsl_ran_gaussian(rng, 1.0);
    chance += sp_step_find(x, VALUES).p < 0.05;
    for (int i = 12; i < VALUES; i++)
      x[i] -= 4.0;
    const sp_step s = sp_step_find(x, VALUES);
    right += s.p < 0.05 && s.at >= 11 && s.at <= 13 && fabs(s.shift + 4.0) < 2.0;
  }
  gsl_rng_free(rng);
  CHECK_BELOW((double)chance / DRAWS, 0.05);
  assert_true(chance > 0);
  CHECK_BELOW(0.99, (double)right / DRAWS);
  const sp_step s = sp_step_find(plain, 4); /* means 2 and 8, pooled variance 2, t = 6/sqrt(2) with 2 degrees */
  assert_int_equal(s.at, 2);
  CHECK_CLOSE(s.shift, 6.0, 1e-12);
  CHECK_CLOSE(s.u_shift, sqrt(2.0), 1e-12);
  CHECK_CLOSE(s.p, 2.0 * gsl_cdf_tdist_Q(6.0 / sqrt(2.0), 2.0), 1e-10);
  assert_int_equal(sp_step_find(plain, 3).at, 0);
  const double alike[] = {1.0, 1.0, 1.0, 1.0, 1.0}, unknown[] = {1.0, 2.0, NAN, 4.0, 5.0};
  assert_int_equal(sp_step_find(alike, 5).at, 0);
  assert_int_equal(sp_step_find(unknown, 5).at, 0);
}

static void test_refusals(void **state)
{
  (void)state;
  const double unknown[] = {1.0, NAN, 2.0};
  const size_t ones[] = {1, 5};
  sp_chart c;
  assert_int_equal(sp_chart_individuals(FLOW, 1, &c, NULL), SP_E_DATA);
  assert_null(c.point);
  assert_int_equal(sp_chart_individuals(unknown, 3, &c, NULL), SP_E_DATA);
  assert_int_equal(sp_chart_moving_range(unknown, 3, &c, NULL), SP_E_DATA);
  assert_int_equal(sp_chart_s(FLOW, ones, 2, &c, NULL), SP_E_DATA);
  assert_int_equal(sp_chart_xbar(unknown, FLOW, ones, 2, &c, NULL), SP_E_DATA);
  assert_int_equal(sp_chart_ewma(FLOW, 10, 0.0, 50.0, 1.0, 3.0, &c, NULL), SP_E_DATA);
  assert_int_equal(sp_chart_ewma(FLOW, 10, 0.3, NAN, 1.0, 3.0, &c, NULL), SP_E_DATA);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_factors),      cmocka_unit_test(test_individuals),       cmocka_unit_test(test_ewma),
      cmocka_unit_test(test_groups),       cmocka_unit_test(test_unlike_groups),     cmocka_unit_test(test_rules),
      cmocka_unit_test(test_false_alarms), cmocka_unit_test(test_reports_by_chance), cmocka_unit_test(test_step),
      cmocka_unit_test(test_refusals),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
