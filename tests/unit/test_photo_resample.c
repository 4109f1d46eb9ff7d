/* Drawing anew shifts nothing: a thin line stays where it is, wherever it falls between the pixels.
 *
 * A line one pixel broad under a blur of 0.7 px is as sharp as photographs are. It is drawn anew at 20 places between
 * pixels, and its shift is read by least squares against the same line's shape: level, height and slope of the shape.
 */
#include "drawing.h"

#include "photo/photo_internal.h"
#include "slotproof/numeric.h"

enum { LENGTH = 64, BREADTH = 48, MIDDLE = 32, STEPS = 20 };
static const double LINE_PX = 1.0, BLUR_PX = 0.7;

/* What one pixel sees of it. */
static double line_at(double x)
{
  enum { PARTS = 16 };
  double sum = 0.0;
  for (int i = 0; i < PARTS; i++)
    sum += drawn_box(x + (i + 0.5) / PARTS - 0.5, LINE_PX, BLUR_PX) / PARTS;
  return sum;
}

typedef struct shift {
  bool down;
  double by;
} shift;

static sp_point shifted(const void *context, double x, double y)
{
  const shift *s = context;
  return s->down ? (sp_point){x, y + s->by} : (sp_point){x + s->by, y};
}

/* The grey of the new picture at a distance along the line's normal, well inside. */
static double grey(const sp_raster *r, bool down, size_t at)
{
  return down ? r->u16[at * r->width_px + BREADTH / 2] : r->u16[(BREADTH / 2) * (size_t)r->width_px + at];
}

/* By how much the line lies elsewhere than at `at` in the new picture. */
static double read_shift(const sp_raster *r, bool down, double at)
{
  enum { AROUND = 6 };
  double gram[9] = {0}, rhs[3] = {0};
  for (int i = MIDDLE - AROUND; i <= MIDDLE + AROUND; i++) {
    const double d = i - at, h = 1e-3, slope = (line_at(d + h) - line_at(d - h)) / (2.0 * h);
    const double row[3] = {1.0, line_at(d), -slope};
    for (int a = 0; a < 3; a++) {
      for (int b = 0; b < 3; b++)
        gram[3 * a + b] += row[a] * row[b];
      rhs[a] += row[a] * grey(r, down, (size_t)i);
    }
  }
  assert_true(sp_cholesky(3, gram));
  sp_cholesky_solve(3, gram, rhs);
  return rhs[2] / rhs[1];
}

static double worst_shift(bool down)
{
  const uint32_t width = down ? BREADTH : LENGTH, height = down ? LENGTH : BREADTH;
  sp_error err = {0};
  sp_raster picture = {0};
  double worst = 0.0;
  assert_int_equal(sp_raster_create(width, height, 16, &picture, &err), SP_OK);
  for (uint32_t y = 0; y < height; y++)
    for (uint32_t x = 0; x < width; x++)
      picture.u16[y * width + x] = (uint16_t)(50000.0 - 30000.0 * line_at((double)(down ? y : x) - MIDDLE));
  for (int i = 0; i < STEPS; i++) {
    const shift s = {down, (double)i / STEPS};
    sp_raster out = {0};
    assert_int_equal(photo_resample(&picture, shifted, &s, width, height, &out, &err), SP_OK);
    worst = fmax(worst, fabs(read_shift(&out, down, MIDDLE - s.by)));
    sp_raster_free(&out);
  }
  sp_raster_free(&picture);
  return worst;
}

/* Cubic convolution would shift it by up to 0.033 px. */
static void test_thin_lines_stay(void **state)
{
  (void)state;
  CHECK_BELOW(worst_shift(false), 0.01);
  CHECK_BELOW(worst_shift(true), 0.01);
}

/* A level grey stays what it is, to the rim and beyond. */
static void test_level_stays(void **state)
{
  (void)state;
  sp_error err = {0};
  sp_raster picture = {0}, out = {0};
  const shift s = {false, 0.37};
  assert_int_equal(sp_raster_create(LENGTH, BREADTH, 8, &picture, &err), SP_OK);
  memset(picture.u8, 100, LENGTH * BREADTH);
  assert_int_equal(photo_resample(&picture, shifted, &s, LENGTH, BREADTH, &out, &err), SP_OK);
  for (size_t i = 0; i < LENGTH * BREADTH; i++)
    CHECK_CLOSE(out.u16[i], 100 * 257, 1.0);
  sp_raster_free(&out);
  sp_raster_free(&picture);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_thin_lines_stay), cmocka_unit_test(test_level_stays)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
