/* What is square along a straightened photograph, from leans drawn at random whose law is known.
 *
 * A straight line over t = -1 .. 1 in n leans of standard deviation s knows its slope to s sqrt(3 / n) (least squares;
 * the variance of an even spread over -1 .. 1 is 1/3). Where every `run` of them have the same error there are n / run
 * of them only. */
#include "drawing.h"

#include "slotproof/reference.h"

enum { LEANS = 320, LINES = 12, SEEDS = 120 };
static const double FIRST_PX = 100.0, LAST_PX = 3100.0, LEVEL = 1e-3, SLOPE = 6e-4;

/* `own`: the noise of one lean as stated; `more`: what each `run` of strokes is off by besides. */
static sp_square_map fitted(double own, double more, int run, uint64_t seed)
{
  chance dice = {seed};
  sp_error err = {0};
  double u[LINES], slope[LINES], u_slope[LINES], off = 0.0;
  sp_reference ref = {.leans = calloc(LEANS, sizeof(sp_lean)), .lean_count = LEANS};
  assert_non_null(ref.leans);
  ref.map.first_px = FIRST_PX;
  ref.map.last_px = LAST_PX;
  for (int k = 0; k < LEANS; k++) {
    const double t = -1.0 + 2.0 * k / (LEANS - 1.0);
    if (k % run == 0)
      off = more * chance_normal(&dice);
    ref.leans[k] = (sp_lean){.u_px = 0.5 * (FIRST_PX + LAST_PX) + 0.5 * t * (LAST_PX - FIRST_PX),
                             .lean = LEVEL + SLOPE * t + own * chance_normal(&dice) + off,
                             .u_lean = own};
  }
  for (int k = 0; k < LINES; k++) {
    u[k] = FIRST_PX + (LAST_PX - FIRST_PX) * k / (LINES - 1.0);
    slope[k] = LEVEL + SLOPE * (2.0 * k / (LINES - 1.0) - 1.0) + 0.004 + 3e-3 * chance_normal(&dice);
    u_slope[k] = 1e-4;
  }
  assert_int_equal(sp_reference_square(&ref, u, slope, u_slope, LINES, &err), SP_OK);
  assert_true(ref.square.known);
  free(ref.leans);
  return ref.square;
}

/* From one end to the other: the mean stated doubt, and the root mean square error over it. */
static void end_to_end(double own, double more, int run, double *u, double *z)
{
  double square = 0.0;
  *u = 0.0;
  for (uint64_t seed = 1; seed <= SEEDS; seed++) {
    const sp_square_map m = fitted(own, more, run, seed);
    const double off = sp_square_map_lean(&m, LAST_PX) - sp_square_map_lean(&m, FIRST_PX) - 2.0 * SLOPE;
    const double doubt = sqrt(sp_square_map_variance(&m, LAST_PX, FIRST_PX));
    square += off * off / (doubt * doubt);
    *u += doubt / SEEDS;
  }
  *z = sqrt(square / SEEDS);
}

/* Strokes that scatter by little more than their noise say so: 2 x 1.5e-3 sqrt(3 / 320) = 2.9e-4 for what each may lean
 * by itself; 2 x 1.5e-4 and a third of that for what the model cannot follow. */
static void test_good_strokes_are_believed(void **state)
{
  (void)state;
  double u, z;
  end_to_end(2e-4, 0.0, 1, &u, &z);
  CHECK_BELOW(u, 5e-4);
  CHECK_BELOW(z, 1.2);
}

/* Badly engraved ones are not: the scatter is in the leans, whatever the noise. */
static void test_scatter_is_seen(void **state)
{
  (void)state;
  double u, z, u_good;
  end_to_end(2e-4, 0.0, 1, &u_good, &z);
  end_to_end(2e-4, 6e-3, 1, &u, &z);
  assert_true(u > 1.5 * u_good);
  CHECK_BELOW(z, 1.2);
}

/* Leans that hang together are fewer than they look: 10 of them alike are off by 3.2 times as much. */
static void test_runs_count_once(void **state)
{
  (void)state;
  double u, z;
  end_to_end(2e-4, 3e-3, 10, &u, &z);
  CHECK_BELOW(z, 1.35);
}

/* A camera leaves over a lean that changes evenly; noise in the strokes does not bend it. A square as large as the
 * strokes allow by chance, 1.5e-3 sqrt(45 / (4 x 320)) = 2.8e-4 (the variance of t^2 is 4 / 45), would be 0.01 mm. */
static void test_noise_bends_nothing(void **state)
{
  (void)state;
  const double middle = 0.5 * (FIRST_PX + LAST_PX);
  double worst = 0.0;
  for (uint64_t seed = 1; seed <= 20; seed++) {
    const sp_square_map m = fitted(2e-4, 4e-3, 1, seed);
    const double ends = 0.5 * (sp_square_map_lean(&m, FIRST_PX) + sp_square_map_lean(&m, LAST_PX));
    worst = fmax(worst, fabs(ends - sp_square_map_lean(&m, middle)));
  }
  CHECK_BELOW(worst, 5e-5);
}

/* A dozen lines that agree by chance, in a trend that they do not have, against hundreds of strokes that know better.
 */
static void test_lines_do_not_silence_strokes(void **state)
{
  (void)state;
  const double trend = 1.2e-3;
  chance dice = {5};
  sp_error err = {0};
  double u[LINES], slope[LINES], u_slope[LINES];
  sp_reference ref = {.leans = calloc(LEANS, sizeof(sp_lean)), .lean_count = LEANS};
  assert_non_null(ref.leans);
  ref.map.first_px = FIRST_PX;
  ref.map.last_px = LAST_PX;
  for (int k = 0; k < LEANS; k++)
    ref.leans[k] = (sp_lean){.u_px = FIRST_PX + (LAST_PX - FIRST_PX) * k / (LEANS - 1.0),
                             .lean = 1e-4 * chance_normal(&dice),
                             .u_lean = 1e-4};
  for (int k = 0; k < LINES; k++) {
    u[k] = FIRST_PX + (LAST_PX - FIRST_PX) * k / (LINES - 1.0);
    slope[k] = trend * (2.0 * k / (LINES - 1.0) - 1.0) + 2e-4 * chance_normal(&dice);
    u_slope[k] = 5e-5;
  }
  assert_int_equal(sp_reference_square(&ref, u, slope, u_slope, LINES, &err), SP_OK);
  const double ends = sp_square_map_lean(&ref.square, LAST_PX) - sp_square_map_lean(&ref.square, FIRST_PX);
  free(ref.leans);
  CHECK_CLOSE(ends, 0.0, 0.5 * 2.0 * trend);
}

/* Where the rule's other edge is seen, too, 400 px away, each stroke of it telling 8e-5 but for one constant, that is
 * believed, and strokes which turn by and by (2.5e-4 from the middle to the end) are not. Both edges are as long as
 * each other to 3e-5: 1500 px / 400 px as much, from the middle to the end. */
static void test_other_edge_is_believed(void **state)
{
  (void)state;
  enum { EDGE = 150 };
  const double own = 8e-5, constant = 4e-3, stray = 2.5e-4;
  double square = 0.0, mean_u = 0.0;
  for (uint64_t seed = 1; seed <= SEEDS; seed++) {
    chance dice = {seed};
    sp_error err = {0};
    sp_lean leans[LEANS], edge[EDGE];
    sp_reference ref = {.leans = leans, .lean_count = LEANS, .edge_leans = edge, .edge_lean_count = EDGE};
    ref.edge_apart_px = 400.0;
    ref.record.mpe_mm = 0.15;
    ref.map.first_px = FIRST_PX;
    ref.map.last_px = LAST_PX;
    const double longer = 3e-5 * 1500.0 / 400.0 * chance_normal(&dice);
    for (int k = 0; k < LEANS; k++) {
      const double t = -1.0 + 2.0 * k / (LEANS - 1.0);
      leans[k] = (sp_lean){.u_px = 0.5 * (FIRST_PX + LAST_PX) + 0.5 * t * (LAST_PX - FIRST_PX),
                           .lean = LEVEL + (SLOPE + stray) * t + 2e-4 * chance_normal(&dice),
                           .u_lean = 2e-4};
    }
    for (int k = 0; k < EDGE; k++) {
      const double t = -1.0 + 2.0 * k / (EDGE - 1.0);
      edge[k] = (sp_lean){.u_px = 0.5 * (FIRST_PX + LAST_PX) + 0.5 * t * (LAST_PX - FIRST_PX),
                          .lean = constant + (SLOPE + longer) * t + own * chance_normal(&dice),
                          .u_lean = own};
    }
    assert_int_equal(sp_reference_square(&ref, NULL, NULL, NULL, 0, &err), SP_OK);
    const double off =
        sp_square_map_lean(&ref.square, LAST_PX) - sp_square_map_lean(&ref.square, FIRST_PX) - 2.0 * SLOPE;
    const double doubt = sqrt(sp_square_map_variance(&ref.square, LAST_PX, FIRST_PX));
    square += off * off / (doubt * doubt) / SEEDS;
    mean_u += doubt / SEEDS;
  }
  CHECK_BELOW(mean_u, 3.5e-4); /* 2.3e-4 of it are the edges' length */
  CHECK_BELOW(sqrt(square), 1.2);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_good_strokes_are_believed),
                                     cmocka_unit_test(test_noise_bends_nothing),
                                     cmocka_unit_test(test_lines_do_not_silence_strokes),
                                     cmocka_unit_test(test_scatter_is_seen),
                                     cmocka_unit_test(test_runs_count_once),
                                     cmocka_unit_test(test_other_edge_is_believed)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
