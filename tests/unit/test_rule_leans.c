/* Each stroke's own direction, on a drawn rule whose strokes stand square to it. */
#include "drawing.h"

#include "slotproof/numeric.h"
#include "slotproof/reference.h"
#include "slotproof/rule.h"

enum { STROKES = 160 };
static const double PERIOD_PX = 10.37, FIRST_PX = 25.2, EDGE_PX = 70.0, SHORT_PX = 30.0, LONG_PX = 84.0;

static bool is_long(int k)
{
  return k % 4 == 0;
}

/* `numerals`: beyond every long stroke's end the stem of a figure goes on, a little beside it. */
static sp_rule_reading read_drawn(bool numerals, uint64_t seed)
{
  drawing d = drawing_new((int32_t)(2.0 * FIRST_PX + STROKES * PERIOD_PX), 240, 200.0);
  chance dice = {seed};
  for (int k = 0; k < STROKES; k++) {
    const double at = FIRST_PX + k * PERIOD_PX, end = EDGE_PX + (is_long(k) ? LONG_PX : SHORT_PX);
    draw_mark(&d, &(drawn_mark){at, 0.0, 0.0, EDGE_PX, end, 1.4, 0.9, -110.0});
    if (numerals && is_long(k))
      draw_mark(&d, &(drawn_mark){at + 2.2, 0.0, 0.0, end + 1.0, end + 30.0, 2.6, 0.9, -120.0});
  }
  draw_noise(&d, 6.0, &dice);
  sp_raster raster = drawing_raster(&d, SP_ALONG_X, 16);
  drawing_free(&d);
  sp_scene scene = {0};
  sp_rule_reading reading;
  sp_error err = {0};
  const sp_comb comb = {SP_ALONG_X, PERIOD_PX, 0.0, EDGE_PX + 0.5 * SHORT_PX, 1.0, false};
  assert_int_equal(sp_scene_create(&raster, &scene, &err), SP_OK);
  assert_int_equal(sp_rule_read(&scene, &comb, &reading, &err), SP_OK);
  sp_scene_free(&scene);
  sp_raster_free(&raster);
  assert_true(reading.count > STROKES * 9 / 10);
  return reading;
}

/* Of the long or of the short strokes: how well their leans are known (median), their mean, and its root mean square
 * over that. */
static void leans_of(const sp_rule_reading *r, bool of_long, double *u, double *mean, double *z)
{
  double known[STROKES], square = 0.0, sum = 0.0;
  size_t n = 0;
  for (size_t i = 0; i < r->count; i++) {
    const sp_stroke *s = &r->strokes[i];
    if (!s->good || !(s->u_lean > 0.0) || (s->length_px > 0.5 * (SHORT_PX + LONG_PX)) != of_long)
      continue;
    known[n++] = s->u_lean;
    sum += s->lean;
    square += pow(s->lean / s->u_lean, 2);
  }
  assert_true(n > 20);
  *u = sp_median(known, n);
  *mean = sum / (double)n;
  *z = sqrt(square / (double)n);
}

static void test_leans_are_known_as_well_as_said(void **state)
{
  (void)state;
  double u_short, u_long, mean, z_short, z_long;
  sp_rule_reading r = read_drawn(false, 3);
  leans_of(&r, false, &u_short, &mean, &z_short);
  leans_of(&r, true, &u_long, &mean, &z_long);
  CHECK_CLOSE(z_short, 1.0, 0.2);
  CHECK_CLOSE(z_long, 1.0, 0.3);
  CHECK_CLOSE(mean, 0.0, 4.0 * u_long / sqrt(STROKES / 4.0));
  sp_rule_reading_free(&r);
}

/* The figure's stem, taken for more of the stroke, would turn all of them the same way by 30 mrad. */
static void test_numerals_turn_nothing(void **state)
{
  (void)state;
  double u, mean, z;
  sp_rule_reading r = read_drawn(true, 4);
  leans_of(&r, true, &u, &mean, &z);
  CHECK_BELOW(u, 8e-3);
  CHECK_CLOSE(mean, 0.0, 4.0 * u / sqrt(STROKES / 4.0));
  sp_rule_reading_free(&r);
}

/* Adds coarse speckles to the columns from .. to - 1. */
static void draw_speckles(drawing *d, int32_t from, int32_t to, double sd, chance *dice)
{
  enum { GRAIN = 3 };
  for (int32_t v = 0; v + GRAIN <= d->breadth; v += GRAIN)
    for (int32_t u = from; u + GRAIN <= to; u += GRAIN) {
      const double speckle = sd * chance_normal(dice);
      for (int32_t k = 0; k < GRAIN * GRAIN; k++)
        d->grey[(v + k / GRAIN) * d->length + u + k % GRAIN] += speckle;
    }
}

/* What a rough ground beyond the rule's ends has of the strokes' period lies at any height: it must not turn the line on
 * which strokes are read. */
static void test_ground_beyond_the_ends(void **state)
{
  (void)state;
  enum { MM = 110, BESIDE = 420 };
  const double period = 10.4, first = BESIDE, far = first + MM * period;
  drawing d = drawing_new((int32_t)far + BESIDE, 300, 120.0);
  chance dice = {3};
  draw_area(&d, &(drawn_area){first - 20.0, far + 20.0, 135.0, 290.0, 0.0, 0.8, 60.0});
  for (int k = 0; k < MM; k++)
    draw_mark(&d, &(drawn_mark){first + k * period, 0.0, 0.0, 140.0, 140.0 + (k % 5 ? 40.0 : 60.0), 1.5, 0.9, -60.0});
  draw_speckles(&d, 0, BESIDE - 20, 30.0, &dice);
  draw_speckles(&d, (int32_t)far + 20, d.length, 30.0, &dice);
  draw_noise(&d, 4.0, &dice);
  sp_raster raster = drawing_raster(&d, SP_ALONG_X, 16);
  drawing_free(&d);
  sp_scene scene = {0};
  sp_rule_reading reading;
  sp_error err = {0};
  const sp_comb comb = {SP_ALONG_X, period, 0.0, 160.0, 1.0, false};
  assert_int_equal(sp_scene_create(&raster, &scene, &err), SP_OK);
  assert_int_equal(sp_rule_read(&scene, &comb, &reading, &err), SP_OK);
  CHECK_CLOSE(reading.slope, 0.0, 1e-3);
  CHECK_CLOSE(reading.base_v0_px, 160.0, 10.0);
  sp_rule_reading_free(&reading);
  sp_scene_free(&scene);
  sp_raster_free(&raster);
}

/* Strokes as they are engraved and smoothed lean by some milliradians each, whatever the noise; that makes no picture
 * one that was taken slantwise. */
static void test_strokes_with_a_will_of_their_own(void **state)
{
  (void)state;
  enum { MM = 120 };
  const double px_per_mm = 11.3;
  drawing d = drawing_new((int32_t)(2.0 * FIRST_PX + MM * px_per_mm), 240, 200.0);
  chance dice = {17};
  for (int k = 0; k < MM; k++) {
    const double length = px_per_mm * (k % 10 == 0 ? 8.0 : k % 5 == 0 ? 5.5 : 4.0);
    /* the tens lean more and more: they are known best, and are few */
    const double own = k % 10 == 0 ? 8e-3 * (k - 0.5 * MM) / (0.5 * MM) : 0.0;
    draw_mark(&d, &(drawn_mark){FIRST_PX + k * px_per_mm, own + 1e-3 * chance_normal(&dice), EDGE_PX, EDGE_PX,
                                EDGE_PX + length, 1.6, 0.8, -110.0});
  }
  draw_noise(&d, 2.0, &dice);
  sp_raster raster = drawing_raster(&d, SP_ALONG_X, 16);
  drawing_free(&d);
  sp_scene scene = {0};
  sp_reference reference;
  sp_error err = {0};
  sp_reference_options o = {.kind = SP_REFERENCE_NONE};
  o.graduation_mm = o.mpe_mm = o.distance_mm = NAN;
  o.from_px = o.to_px = (sp_point){NAN, NAN};
  assert_int_equal(sp_scene_create(&raster, &scene, &err), SP_OK);
  assert_int_equal(sp_reference_read(&scene, NAN, NAN, &o, &reference, &err), SP_OK);
  assert_string_equal(reference.reason, "");
  assert_true(reference.map.known);
  CHECK_CLOSE(reference.record.graduation_mm, 1.0, 1e-12);
  sp_reference_free(&reference);
  sp_scene_free(&scene);
  sp_raster_free(&raster);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_leans_are_known_as_well_as_said),
                                     cmocka_unit_test(test_numerals_turn_nothing),
                                     cmocka_unit_test(test_ground_beyond_the_ends),
                                     cmocka_unit_test(test_strokes_with_a_will_of_their_own)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
