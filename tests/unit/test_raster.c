/* test_raster.c: the raster, and strip averages against the definition summed in the plainest way. */
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>

#include "check_close.h"
#include "slotproof/raster.h"

#if defined(__SANITIZE_ADDRESS__)
#define WITH_SANITIZER 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define WITH_SANITIZER 1
#endif
#endif

static uint32_t pixel(const sp_raster *r, uint32_t x, uint32_t y)
{
  const size_t i = (size_t)y * r->width_px + x;
  return r->u8 ? r->u8[i] : r->u16[i];
}

/* Values without a pattern that a wrong index could hide in; a linear congruential sequence (constants of
 * C11 7.22.2.2). */
static sp_raster noise(uint32_t width_px, uint32_t height_px, int bits)
{
  sp_raster r;
  assert_int_equal(sp_raster_create(width_px, height_px, bits, &r, NULL), SP_OK);
  uint32_t state = 12345;
  for (size_t i = 0; i < (size_t)width_px * height_px; i++) {
    state = state * 1103515245u + 12345u;
    if (bits == 8)
      r.u8[i] = (uint8_t)(state >> 16);
    else
      r.u16[i] = (uint16_t)(state >> 16);
  }
  return r;
}

/* Strips of rows run along x and lie over each other in y; strips of columns the other way about. */
static void check_strips(const sp_raster *r, const sp_strips *s, uint32_t w, bool rows)
{
  const uint32_t along = rows ? r->width_px : r->height_px, across = rows ? r->height_px : r->width_px;
  assert_int_equal(s->count, across / w);
  assert_int_equal(s->length_px, along);
  assert_int_equal(s->width_px, w);
  for (uint32_t i = 0; i < s->count; i++)
    for (uint32_t u = 0; u < along; u++) {
      uint64_t sum = 0;
      for (uint32_t v = i * w; v < (i + 1) * w; v++)
        sum += rows ? pixel(r, u, v) : pixel(r, v, u);
      const double mean = (double)sum / w;
      CHECK_CLOSE(s->mean[(size_t)i * s->length_px + u], mean, mean * 6e-8); /* half a unit of a float */
    }
}

static void test_strips_match_their_definition(void **state)
{
  (void)state;
  static const uint32_t sizes[][2] = {{1, 1}, {7, 5}, {37, 29}, {64, 48}, {301, 275}, {530, 33}, {19, 600}};
  static const uint32_t widths[] = {1, 2, 3, 5, 7, 8, 9, 16, 25, 29, 256, 257, 270};
  for (int bits = 8; bits <= 16; bits += 8)
    for (size_t k = 0; k < sizeof sizes / sizeof *sizes; k++) {
      sp_raster r = noise(sizes[k][0], sizes[k][1], bits);
      for (size_t i = 0; i < sizeof widths / sizeof *widths; i++) {
        sp_strips s;
        sp_error err = {0};
        sp_status expected = widths[i] <= r.height_px ? SP_OK : SP_E_DATA;
        assert_int_equal(sp_strips_rows(&r, widths[i], &s, &err), expected);
        if (expected == SP_OK)
          check_strips(&r, &s, widths[i], true);
        sp_strips_free(&s);
        expected = widths[i] <= r.width_px ? SP_OK : SP_E_DATA;
        assert_int_equal(sp_strips_columns(&r, widths[i], &s, &err), expected);
        if (expected == SP_OK)
          check_strips(&r, &s, widths[i], false);
        sp_strips_free(&s);
      }
      sp_raster_free(&r);
    }
}

static void test_both_at_once(void **state)
{
  (void)state;
  static const uint32_t widths[][2] = {{1, 1}, {4, 16}, {10, 7}, {16, 16}, {33, 3}, {275, 301}};
  for (int bits = 8; bits <= 16; bits += 8) {
    sp_raster r = noise(301, 275, bits);
    for (size_t i = 0; i < sizeof widths / sizeof *widths; i++) {
      sp_strips rows, columns;
      assert_int_equal(sp_strips_both(&r, widths[i][0], widths[i][1], &rows, &columns, NULL), SP_OK);
      check_strips(&r, &rows, widths[i][0], true);
      check_strips(&r, &columns, widths[i][1], false);
      sp_strips_free(&rows);
      sp_strips_free(&columns);
    }
    sp_raster_free(&r);
  }
}

/* All samples at full scale: where a sum too narrow would overflow. The mean of a constant is that constant, exactly.
 */
static void test_full_scale_does_not_overflow(void **state)
{
  (void)state;
  for (int bits = 8; bits <= 16; bits += 8) {
    sp_raster r;
    assert_int_equal(sp_raster_create(5, 66000, bits, &r, NULL), SP_OK);
    memset(bits == 8 ? (void *)r.u8 : (void *)r.u16, 0xff, (size_t)5 * 66000 * (bits == 8 ? 1 : 2));
    static const uint32_t widths[] = {4, 255, 256, 257, 258, 1000, 65535, 65536};
    for (size_t i = 0; i < sizeof widths / sizeof *widths; i++) {
      sp_strips s;
      assert_int_equal(sp_strips_rows(&r, widths[i], &s, NULL), SP_OK);
      for (size_t k = 0; k < (size_t)s.count * s.length_px; k++)
        CHECK_CLOSE(s.mean[k], sp_raster_full_scale(&r), 0.0);
      sp_strips_free(&s);
    }
    r.width_px = 66000; /* the same samples, lying down */
    r.height_px = 5;
    for (size_t i = 0; i < sizeof widths / sizeof *widths; i++) {
      sp_strips s;
      assert_int_equal(sp_strips_columns(&r, widths[i], &s, NULL), SP_OK);
      for (size_t k = 0; k < (size_t)s.count * s.length_px; k++)
        CHECK_CLOSE(s.mean[k], sp_raster_full_scale(&r), 0.0);
      sp_strips_free(&s);
    }
    sp_raster_free(&r);
  }
}

static void test_strips_refuse(void **state)
{
  (void)state;
  sp_raster r = noise(20, 10, 8);
  sp_strips a, b;
  sp_error err = {0};
  assert_int_equal(sp_strips_rows(&r, 0, &a, &err), SP_E_INTERNAL);
  assert_int_equal(sp_strips_columns(&r, SP_STRIPS_MAX_WIDTH_PX + 1, &a, &err), SP_E_INTERNAL);
  assert_int_equal(sp_strips_rows(&r, 11, &a, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "only 10 rows"));
  assert_int_equal(sp_strips_both(&r, 5, 21, &a, &b, &err), SP_E_DATA); /* the first is given back */
  assert_null(a.mean);
  assert_null(b.mean);
  assert_int_equal(a.count, 0);
  sp_raster_free(&r);
  sp_strips_free(NULL);
}

static void test_create(void **state)
{
  (void)state;
  sp_raster r;
  sp_error err = {0};
  assert_int_equal(sp_raster_create(3, 2, 8, &r, &err), SP_OK);
  assert_non_null(r.u8);
  assert_null(r.u16);
  CHECK_CLOSE(sp_raster_full_scale(&r), 255, 0);
  sp_raster_free(&r);
  assert_null(r.u8);
  assert_int_equal(r.width_px, 0);
  assert_int_equal(sp_raster_create(3, 2, 16, &r, &err), SP_OK);
  assert_non_null(r.u16);
  CHECK_CLOSE(sp_raster_full_scale(&r), 65535, 0);
  sp_raster_free(&r);
  sp_raster_free(&r);
  sp_raster_free(NULL);
  assert_int_equal(sp_raster_create(0, 2, 8, &r, &err), SP_E_DATA);
  assert_int_equal(sp_raster_create(2, 0, 8, &r, &err), SP_E_DATA);
  assert_int_equal(sp_raster_create(2, 2, 12, &r, &err), SP_E_INTERNAL);
  /* (2^32 - 1)^2 * 2 is more than 2^64: the product must not wrap to something small. */
  assert_int_equal(sp_raster_create(UINT32_MAX, UINT32_MAX, 16, &r, &err), SP_E_INTERNAL);
  assert_null(r.u16);
}

/* Traps into the kernel while an array of 16 MB is filled for the first time and freed; as getrusage(2) counts them. */
static long traps_of_filling(void)
{
  enum { SIDE_PX = 4096 };
  struct rusage before, after;
  sp_raster r;
  assert_int_equal(sp_raster_create(SIDE_PX, SIDE_PX, 8, &r, NULL), SP_OK);
  assert_int_equal(getrusage(RUSAGE_SELF, &before), 0);
  memset(r.u8, 1, (size_t)SIDE_PX * SIDE_PX);
  assert_int_equal(getrusage(RUSAGE_SELF, &after), 0);
  sp_raster_free(&r);
  return after.ru_minflt - before.ru_minflt;
}

static void test_memory_is_kept(void **state)
{
  (void)state;
#if !defined(__GLIBC__) || defined(WITH_SANITIZER)
  skip(); /* which hand out memory in their own way */
#endif
  sp_rasters_keep_memory();
  const long first = traps_of_filling(), second = traps_of_filling();
  assert_true(first > 4);
  assert_true(2 * second < first);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_create),        cmocka_unit_test(test_strips_match_their_definition),
      cmocka_unit_test(test_both_at_once),  cmocka_unit_test(test_full_scale_does_not_overflow),
      cmocka_unit_test(test_strips_refuse), cmocka_unit_test(test_memory_is_kept),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
