/* The scale map against synthetic carriages whose travel is known exactly: bias, scatter against the stated uncertainty,
 * coverage of the 95 % intervals, behaviour outside the rule. Sizes of the unevenness (10 to 30 um, waves of 30 to 120 mm) are
 * those reported for A4 flatbeds: ISPRS Archives 1996 Comm. I (22 scans, 352 crosses); see DEVELOPERS.md. */
#include "check_close.h"

#include <stdlib.h>

#include "slotproof/numeric.h"
#include "slotproof/reference.h"

static uint64_t state;

static double uniform(void)
{
  state = state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
  return ((double)(state >> 11) + 0.5) / 9007199254740992.0;
}

static double normal(void)
{
  return sqrt(-2.0 * log(uniform())) * cos(2.0 * SP_PI * uniform());
}

typedef struct carriage {
  double mm_per_px, amplitude[3], wave_mm[3], phase[3];
} carriage;

static carriage random_carriage(double least, double most)
{
  carriage c = {.mm_per_px = 25.4 / 600.0 * (1.0 + 0.005 * (2.0 * uniform() - 1.0))};
  for (int i = 0; i < 3; i++) {
    c.amplitude[i] = least + (most - least) * uniform();
    c.wave_mm[i] = 30.0 + 90.0 * uniform();
    c.phase[i] = 2.0 * SP_PI * uniform();
  }
  c.amplitude[2] *= uniform() < 0.5;
  return c;
}

/* Physical place of pixel u. */
static double travel(const carriage *c, double u)
{
  double y = c->mm_per_px * u;
  for (int i = 0; i < 3; i++)
    y += c->amplitude[i] * sin(2.0 * SP_PI * c->mm_per_px * u / c->wave_mm[i] + c->phase[i]);
  return y;
}

enum { MOST = 700 };
typedef struct readings {
  size_t count;
  double u[MOST], y[MOST], w[MOST];
} readings;

/* A rule with graduations every `step` mm between a and b (mm), read with the given noise; strokes may be missing. */
static void read_rule(const carriage *c, double step, double a, double b, double noise, double missing, readings *r)
{
  r->count = 0;
  for (double y = a; y < b && r->count < MOST; y += step) {
    double u = y / c->mm_per_px;
    for (int i = 0; i < 30; i++) /* invert the travel: its slope is near mm_per_px */
      u += (y - travel(c, u)) / c->mm_per_px;
    if (uniform() < missing)
      continue;
    r->u[r->count] = u + noise / c->mm_per_px * normal();
    r->y[r->count] = y;
    r->w[r->count++] = 1.0;
  }
}

static void intervals_hold(void **unused)
{
  (void)unused;
  static readings r;
  enum { BOARDS = 300 };
  size_t inside = 0, total = 0;
  double worst = 0.0, zz = 0.0, ee = 0.0;
  state = 20260101;
  for (int board = 0; board < BOARDS; board++) {
    const carriage c = random_carriage(0.004, 0.020);
    const double step = board % 3 == 0 ? 0.5 : board % 3 == 1 ? 1.0 : 25.4 / 32.0;
    read_rule(&c, step, 8.0, 285.0, 0.002, 0.05, &r);
    sp_scale_map map;
    sp_error err = {0};
    assert_int_equal(sp_scale_map_fit(SP_ALONG_X, r.count, r.u, r.y, r.w, 7016.0, &map, &err), SP_OK);
    const double datum = 400.0 + 50.0 * uniform();
    for (int k = 0; k < 12; k++) {
      const double u = datum + 500.0 * (k + uniform());
      const double truth = travel(&c, u) - travel(&c, datum);
      const double error = sp_scale_map_along_mm(&map, u) - sp_scale_map_along_mm(&map, datum) - truth;
      const double sd = sqrt(sp_scale_map_covariance_mm2(&map, u, datum, u));
      inside += fabs(error) <= 1.96 * sd;
      total++;
      worst = fmax(worst, fabs(error));
      zz += error * error / (sd * sd);
      ee += error * error;
    }
    sp_scale_map_free(&map);
  }
  const double coverage = (double)inside / (double)total;
  print_message("coverage of 95 %% intervals %.3f, rms z %.2f, rms error %.2f um, worst %.2f um\n", coverage,
                sqrt(zz / (double)total), 1e3 * sqrt(ee / (double)total), 1e3 * worst);
  CHECK_CLOSE(coverage, 0.955, 0.025);
  CHECK_BELOW(1e3 * sqrt(ee / (double)total), 1.3);
  CHECK_BELOW(1e3 * worst, 6.0);
}

/* A short rule: beyond its end the interval must grow and still hold. */
static void extrapolation_is_honest(void **unused)
{
  (void)unused;
  static readings r;
  size_t inside = 0, total = 0;
  double near_sd = 0.0, far_sd = 0.0;
  state = 7;
  for (int board = 0; board < 200; board++) {
    const carriage c = random_carriage(0.004, 0.015);
    read_rule(&c, 1.0, 20.0, 170.0, 0.002, 0.0, &r);
    sp_scale_map map;
    sp_error err = {0};
    assert_int_equal(sp_scale_map_fit(SP_ALONG_Y, r.count, r.u, r.y, r.w, 7016.0, &map, &err), SP_OK);
    const double datum = 30.0 / c.mm_per_px;
    for (int k = 0; k < 5; k++) {
      const double u = (190.0 + 20.0 * k) / c.mm_per_px;
      const double error = sp_scale_map_along_mm(&map, u) - sp_scale_map_along_mm(&map, datum) -
                           (travel(&c, u) - travel(&c, datum));
      inside += fabs(error) <= 2.0 * sqrt(sp_scale_map_covariance_mm2(&map, u, datum, u));
      total++;
    }
    near_sd += sqrt(sp_scale_map_covariance_mm2(&map, 160.0 / c.mm_per_px, datum, 160.0 / c.mm_per_px));
    far_sd += sqrt(sp_scale_map_covariance_mm2(&map, 270.0 / c.mm_per_px, datum, 270.0 / c.mm_per_px));
    sp_scale_map_free(&map);
  }
  print_message("coverage beyond the rule %.3f, sd 10 mm inside %.2f um, 100 mm outside %.2f um\n",
                (double)inside / (double)total, near_sd / 0.2, far_sd / 0.2);
  CHECK_BELOW(0.90 - (double)inside / (double)total, 0.0);
  CHECK_BELOW(5.0 * near_sd, far_sd);
}

/* An even carriage must not be given waves: the map is a straight line to a fraction of a micrometre. */
static void straight_stays_straight(void **unused)
{
  (void)unused;
  static readings r;
  carriage c = {.mm_per_px = 25.4 / 600.0, .wave_mm = {50, 50, 50}};
  state = 3;
  read_rule(&c, 1.0, 5.0, 290.0, 0.002, 0.0, &r);
  sp_scale_map map;
  sp_error err = {0};
  assert_int_equal(sp_scale_map_fit(SP_ALONG_X, r.count, r.u, r.y, r.w, 7016.0, &map, &err), SP_OK);
  const double ab = sp_scale_map_along_mm(&map, 6500.0) - sp_scale_map_along_mm(&map, 500.0);
  CHECK_CLOSE(ab, 6000.0 * c.mm_per_px, 0.0015);
  CHECK_BELOW(sqrt(sp_scale_map_covariance_mm2(&map, 6500.0, 500.0, 6500.0)), 0.0015);
  CHECK_CLOSE(sp_scale_map_rate(&map, 3000.0), c.mm_per_px, 1e-6);
  sp_scale_map_free(&map);
}

static void too_few_graduations_are_refused(void **unused)
{
  (void)unused;
  const double u[2] = {0.0, 100.0}, y[2] = {0.0, 4.0}, w[2] = {1.0, 1.0};
  sp_scale_map map;
  sp_error err = {0};
  assert_int_equal(sp_scale_map_fit(SP_ALONG_X, 2, u, y, w, 7016.0, &map, &err), SP_E_DATA);
  assert_true(err.text[0] != '\0');
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(intervals_hold),
      cmocka_unit_test(extrapolation_is_honest),
      cmocka_unit_test(straight_stays_straight),
      cmocka_unit_test(too_few_graduations_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
