/* Which way a rule lies on a ground that has a grain of its own. */
#include "drawing.h"

#include "photo/photo_internal.h"

enum { WIDTH = 1200, HEIGHT = 900 };
static const double DEGREE = 3.14159265358979323846 / 180.0;

/* Lines every `apart` px at `angle`, which turns by `spread` from one side of the picture to the other as perspective
 * and a lens make them. */
static void draw_lines(drawing *d, double angle, double spread, double apart, double height)
{
  for (int32_t y = 0; y < d->breadth; y++)
    for (int32_t x = 0; x < d->length; x++) {
      const double a = (angle + spread * ((double)x / d->length - 0.5)) * DEGREE;
      const double across = (y - 0.5 * d->breadth) * cos(a) - (x - 0.5 * d->length) * sin(a);
      d->grey[y * d->length + x] += height * drawn_box(across - apart * floor(across / apart + 0.5), 2.0, 0.8);
    }
}

/* Graduations in a narrow band only. */
static void draw_rule(drawing *d, double angle)
{
  const double c = cos(angle * DEGREE), s = sin(angle * DEGREE);
  for (int32_t y = 0; y < d->breadth; y++)
    for (int32_t x = 0; x < d->length; x++) {
      const double dx = x - 0.5 * d->length, dy = y - 0.5 * d->breadth, u = c * dx + s * dy, v = c * dy - s * dx;
      if (fabs(v) < 8.0 && fabs(u) < 200.0)
        d->grey[y * d->length + x] = 200.0 - 120.0 * drawn_box(u - 8.0 * floor(u / 8.0 + 0.5), 1.6, 0.8);
    }
}

/* A cutting mat's grid fills the picture; its heap of directions is so broad that its slopes alone hold more than the
 * rule's. */
static void test_rule_on_a_mat(void **state)
{
  (void)state;
  const double rule_deg = 32.0, grid_deg = -11.0;
  double found[PHOTO_DIRECTIONS], nearest = 90.0;
  drawing d = drawing_new(WIDTH, HEIGHT, 90.0);
  draw_lines(&d, grid_deg, 24.0, 24.0, 60.0);
  draw_rule(&d, rule_deg);
  sp_raster picture = drawing_raster(&d, SP_ALONG_X, 8);
  drawing_free(&d);
  const size_t count = photo_directions(&picture, found);
  sp_raster_free(&picture);
  assert_int_equal(count, PHOTO_DIRECTIONS);
  for (size_t i = 0; i < count; i++)
    nearest = fmin(nearest, fabs(found[i] / DEGREE - rule_deg));
  CHECK_BELOW(nearest, 1.0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_rule_on_a_mat)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
