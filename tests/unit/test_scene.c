/* Views along both axes against plain sums over the pixels, written here with nothing but x and y. */
#include "drawing.h"

enum { WIDE = 233, HIGH = 147 };

static sp_raster speckled(int bits, uint64_t seed)
{
  sp_raster r = {0};
  sp_error err = {0};
  chance c = {seed};
  assert_int_equal(sp_raster_create(WIDE, HIGH, bits, &r, &err), SP_OK);
  for (size_t i = 0; i < (size_t)WIDE * HIGH; i++) {
    if (bits == 8)
      r.u8[i] = (uint8_t)(256.0 * chance_uniform(&c));
    else
      r.u16[i] = (uint16_t)(65536.0 * chance_uniform(&c));
  }
  return r;
}

static double pixel(const sp_raster *r, int32_t x, int32_t y)
{
  const size_t i = (size_t)y * r->width_px + (size_t)x;
  return r->u8 ? r->u8[i] : r->u16[i];
}

/* Mean over height pixels across at u, NAN if none lies in the picture. */
static double plain_mean(const sp_raster *r, sp_along along, int32_t u, int32_t v0, int32_t height)
{
  double sum = 0.0, n = 0.0;
  for (int32_t v = v0; v < v0 + height; v++) {
    const int32_t x = along == SP_ALONG_X ? u : v, y = along == SP_ALONG_X ? v : u;
    if (x < 0 || y < 0 || x >= (int32_t)r->width_px || y >= (int32_t)r->height_px)
      continue;
    sum += pixel(r, x, y);
    n += 1.0;
  }
  return n > 0.0 ? sum / n : NAN;
}

static void check_same(double actual, double expected, double full_scale)
{
  assert_int_equal(isnan(actual) != 0, isnan(expected) != 0);
  if (!isnan(expected))
    CHECK_CLOSE(actual, expected, 2e-6 * full_scale); /* a float's rounding over a few dozen terms */
}

static void views_name_the_axes(void **unused)
{
  (void)unused;
  sp_raster r = speckled(16, 1);
  const sp_view x = sp_view_of(&r, SP_ALONG_X), y = sp_view_of(&r, SP_ALONG_Y);
  assert_int_equal(x.length_px, WIDE);
  assert_int_equal(x.breadth_px, HIGH);
  assert_int_equal(y.length_px, HIGH);
  assert_int_equal(y.breadth_px, WIDE);
  CHECK_CLOSE(x.full_scale, 65535.0, 0.0);
  const sp_point a = sp_view_point(&x, 3.25, 7.5), b = sp_view_point(&y, 3.25, 7.5);
  CHECK_CLOSE(a.x, 3.25, 0.0);
  CHECK_CLOSE(a.y, 7.5, 0.0);
  CHECK_CLOSE(b.x, 7.5, 0.0);
  CHECK_CLOSE(b.y, 3.25, 0.0);
  sp_raster_free(&r);
}

static void windows_agree_with_plain_sums(void **unused)
{
  (void)unused;
  chance c = {11};
  for (int k = 0; k < 4; k++) {
    const sp_along along = k & 1 ? SP_ALONG_Y : SP_ALONG_X;
    sp_raster r = speckled(k & 2 ? 16 : 8, 100 + (uint64_t)k);
    const sp_view view = sp_view_of(&r, along);
    for (int trial = 0; trial < 400; trial++) { /* about half of them hang over an edge, some lie outside altogether */
      const int32_t u0 = (int32_t)((chance_uniform(&c) * 1.6 - 0.4) * view.length_px);
      const int32_t v0 = (int32_t)((chance_uniform(&c) * 1.6 - 0.4) * view.breadth_px);
      const int32_t count = 1 + (int32_t)(chance_uniform(&c) * 90.0), height = 1 + (int32_t)(chance_uniform(&c) * 40.0);
      float out[100];
      for (int32_t i = 0; i < 100; i++)
        out[i] = -7.0f;
      sp_view_window(&view, u0, count, v0, height, out);
      for (int32_t i = 0; i < count; i++)
        check_same((double)out[i],
                   u0 + i < 0 || u0 + i >= view.length_px ? NAN : plain_mean(&r, along, u0 + i, v0, height),
                   view.full_scale);
      for (int32_t i = count; i < 100; i++)
        CHECK_CLOSE((double)out[i], -7.0, 0.0);
    }
    sp_raster_free(&r);
  }
}

static void slanted_bands_agree_with_plain_sums(void **unused)
{
  (void)unused;
  static const double slopes[] = {0.0, 0.013, -0.021, 0.4, -1.3};
  for (int k = 0; k < 4; k++) {
    const sp_along along = k & 1 ? SP_ALONG_Y : SP_ALONG_X;
    sp_raster r = speckled(k & 2 ? 16 : 8, 200 + (uint64_t)k);
    const sp_view view = sp_view_of(&r, along);
    for (size_t s = 0; s < sizeof slopes / sizeof *slopes; s++) {
      enum { BANDS = 67 }; /* from outside one edge to outside the other */
      float out[BANDS * WIDE];
      const double v0 = -6.7;
      const int32_t cut = 57;
      sp_view_bands(&view, v0, slopes[s], 4, BANDS, cut, view.length_px, out);
      sp_view_bands(&view, v0, slopes[s], 4, BANDS, 0, cut, out);
      for (int32_t j = 0; j < BANDS; j++)
        for (int32_t u = 0; u < view.length_px; u++)
          check_same((double)out[j * view.length_px + u],
                     plain_mean(&r, along, u, (int32_t)lround(v0 + slopes[s] * u) + 4 * j, 4), view.full_scale);
    }
    sp_raster_free(&r);
  }
}

static void strips_agree_with_plain_sums(void **unused)
{
  (void)unused;
  for (int bits = 8; bits <= 16; bits += 8) {
    sp_raster r = speckled(bits, 300 + (uint64_t)bits);
    sp_scene scene;
    sp_error err = {0};
    assert_int_equal(sp_scene_create(&r, &scene, &err), SP_OK);
    assert_ptr_equal(scene.raster, &r);
    for (int along = 0; along < 2; along++) {
      const sp_strips *s = &scene.strips[along];
      const sp_view view = sp_view_of(&r, (sp_along)along);
      assert_int_equal(s->width_px, scene.strip_px);
      assert_int_equal(s->length_px, view.length_px);
      assert_int_equal(s->count, view.breadth_px / (int32_t)scene.strip_px);
      for (uint32_t k = 0; k < s->count; k++)
        for (uint32_t u = 0; u < s->length_px; u++)
          check_same((double)s->mean[k * s->length_px + u],
                     plain_mean(&r, (sp_along)along, (int32_t)u, (int32_t)(k * s->width_px), (int32_t)s->width_px),
                     view.full_scale);
    }
    sp_scene_free(&scene);
    sp_raster_free(&r);
  }
}

/* The header's word: about 1/440 of the longer side, whichever that is; A4 at 600 dpi is 4960 x 7016 px. */
static void strip_width_follows_the_longer_side(void **unused)
{
  (void)unused;
  static const uint32_t sizes[][3] = {{700, 64, 4}, {64, 4400, 10}, {7016, 64, 16}, {64, 7016, 16}};
  for (size_t k = 0; k < sizeof sizes / sizeof *sizes; k++) {
    sp_raster r = {0};
    sp_scene scene;
    sp_error err = {0};
    assert_int_equal(sp_raster_create(sizes[k][0], sizes[k][1], 8, &r, &err), SP_OK);
    memset(r.u8, 90, (size_t)sizes[k][0] * sizes[k][1]);
    assert_int_equal(sp_scene_create(&r, &scene, &err), SP_OK);
    assert_int_equal(scene.strip_px, sizes[k][2]);
    sp_scene_free(&scene);
    sp_raster_free(&r);
  }
}

/* A picture narrower than a strip cannot be cut into any: said, not passed over. */
static void sliver_is_refused(void **unused)
{
  (void)unused;
  sp_raster r = {0};
  sp_scene scene;
  sp_error err = {0};
  assert_int_equal(sp_raster_create(7000, 3, 8, &r, &err), SP_OK);
  memset(r.u8, 90, 21000);
  assert_int_equal(sp_scene_create(&r, &scene, &err), SP_E_DATA);
  assert_true(err.text[0] != '\0');
  sp_scene_free(&scene);
  sp_raster_free(&r);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(views_name_the_axes),
      cmocka_unit_test(windows_agree_with_plain_sums),
      cmocka_unit_test(slanted_bands_agree_with_plain_sums),
      cmocka_unit_test(strips_agree_with_plain_sums),
      cmocka_unit_test(strip_width_follows_the_longer_side),
      cmocka_unit_test(sliver_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
