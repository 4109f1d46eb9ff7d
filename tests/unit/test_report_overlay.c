/* The overlay, decoded again: right size, cuts still visible, the wood elsewhere untouched, signs that read without
 * colour. */
#include "check_close.h"

#include <png.h>
#include <string.h>

#include "report_board.h"
#include "slotproof/report.h"

typedef sp_status (*drawer)(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err);

typedef struct picture {
  uint32_t width, height;
  uint8_t *rgb;
} picture;

static picture decoded(drawer draw, const sp_record *record, const sp_raster *raster)
{
  char *bytes = NULL;
  size_t size = 0;
  FILE *file = open_memstream(&bytes, &size);
  sp_error err = {0};
  assert_non_null(file);
  if (draw(record, raster, file, &err) != SP_OK) {
    fprintf(stderr, "%s\n", err.text);
    fail();
  }
  fclose(file);
  png_image image = {.version = PNG_IMAGE_VERSION};
  assert_true(png_image_begin_read_from_memory(&image, bytes, size));
  assert_int_equal(image.format & PNG_FORMAT_FLAG_ALPHA, 0);
  image.format = PNG_FORMAT_RGB;
  picture p = {image.width, image.height, malloc(PNG_IMAGE_SIZE(image))};
  assert_non_null(p.rgb);
  assert_true(png_image_finish_read(&image, NULL, p.rgb, 0, NULL));
  free(bytes);
  return p;
}

static const uint8_t *at(const picture *p, uint32_t x, uint32_t y)
{
  return p->rgb + 3 * ((size_t)y * p->width + x);
}

static bool untouched(const picture *p, const sp_raster *r, uint32_t x, uint32_t y)
{
  const uint8_t grey = r->u8[(size_t)y * r->width_px + x], *c = at(p, x, y);
  return c[0] == grey && c[1] == grey && c[2] == grey;
}

static bool coloured(const uint8_t *c)
{
  return abs(c[0] - c[1]) > 30 || abs(c[1] - c[2]) > 30;
}

typedef struct scene {
  sp_record record;
  sp_raster raster;
  picture drawn;
} scene;

static void open_scene(bool turned, drawer draw, scene *s)
{
  assert_true(board_record(turned, &s->record));
  assert_true(board_raster(turned, 8, &s->raster));
  s->drawn = decoded(draw, &s->record, &s->raster);
}

static void close_scene(scene *s)
{
  free(s->drawn.rgb);
  sp_raster_free(&s->raster);
  sp_record_free(&s->record);
}

static void test_size_and_untouched_places(void **state)
{
  (void)state;
  for (int turned = 0; turned < 2; turned++) {
    scene s;
    size_t changed = 0;
    open_scene(turned, sp_report_overlay, &s);
    assert_int_equal(s.drawn.width, s.raster.width_px);
    assert_int_equal(s.drawn.height, s.raster.height_px);
    for (uint32_t y = 0; y < s.drawn.height; y++)
      for (uint32_t x = 0; x < s.drawn.width; x++)
        changed += !untouched(&s.drawn, &s.raster, x, y);
    assert_true(changed > 5000);
    assert_true(changed < (size_t)s.drawn.width * s.drawn.height / 8);
    /* between frets 3 and 4, and the paper beyond the rule */
    for (int along = 700; along < 780; along++)
      for (int across = 200; across < 340; across++) {
        const sp_point p = board_point(turned, along, across), q = board_point(turned, along, across + 550);
        assert_true(untouched(&s.drawn, &s.raster, (uint32_t)p.x, (uint32_t)p.y));
        assert_true(untouched(&s.drawn, &s.raster, (uint32_t)q.x, (uint32_t)q.y));
      }
    close_scene(&s);
  }
}

static void test_cuts_stay_visible_between_two_lines(void **state)
{
  (void)state;
  for (int turned = 0; turned < 2; turned++) {
    scene s;
    open_scene(turned, sp_report_overlay, &s);
    for (int fret = 0; fret <= BOARD_FRETS; fret++) {
      const double along = BOARD_NUT_PX + 8.0 * (board_layout_mm(fret) + board_error_mm(fret));
      int clear = 0, flanked = 0;
      if (fret == 9)
        continue;
      for (int across = 190; across < 350; across++) { /* above the centre line */
        const sp_point p = board_point(turned, round(along), across);
        clear += untouched(&s.drawn, &s.raster, (uint32_t)p.x, (uint32_t)p.y);
        int lines = 0;
        for (int side = -1; side <= 1; side += 2) {
          bool seen = false;
          for (int off = 4; off < 12; off++) {
            const sp_point q = board_point(turned, round(along) + side * off, across);
            seen = seen || coloured(at(&s.drawn, (uint32_t)q.x, (uint32_t)q.y));
          }
          lines += seen;
        }
        flanked += lines == 2;
      }
      assert_int_equal(clear, 160);
      assert_int_equal(flanked, 160);
    }
    close_scene(&s);
  }
}

/* How far the ink of a fret's sign reaches from the mark toward the nut and toward the bridge, px. */
static void reaches(const scene *s, bool turned, int fret, int *nutward, int *bridgeward)
{
  const double along = BOARD_NUT_PX + 8.0 * (board_layout_mm(fret) + board_error_mm(fret));
  *nutward = *bridgeward = 0;
  for (int across = 150; across < 174; across++)
    for (int off = 1; off < 30; off++) {
      const sp_point lo = board_point(turned, round(along) - off, across),
                     hi = board_point(turned, round(along) + off, across);
      if (coloured(at(&s->drawn, (uint32_t)lo.x, (uint32_t)lo.y)) && off > *nutward)
        *nutward = off;
      if (coloured(at(&s->drawn, (uint32_t)hi.x, (uint32_t)hi.y)) && off > *bridgeward)
        *bridgeward = off;
    }
}

/* The triangle's tip shows the way: fret 3 has to go to the nut, fret 7 to the bridge; a disc is even. */
static void test_signs_point_the_way(void **state)
{
  (void)state;
  for (int turned = 0; turned < 2; turned++) {
    scene s;
    int nutward, bridgeward;
    open_scene(turned, sp_report_overlay, &s);
    reaches(&s, turned, 3, &nutward, &bridgeward);
    assert_in_range(nutward - bridgeward, 3, 12);
    reaches(&s, turned, 7, &nutward, &bridgeward);
    assert_in_range(bridgeward - nutward, 3, 12);
    reaches(&s, turned, 4, &nutward, &bridgeward);
    assert_in_range(nutward, 5, 12);
    assert_true(abs(nutward - bridgeward) <= 1);
    close_scene(&s);
  }
}

/* Fret 9 has no line in the picture; something is drawn where it belongs, with gaps (dashed). */
static void test_missing_is_dashed_in_its_place(void **state)
{
  (void)state;
  scene s;
  int drawn = 0;
  open_scene(false, sp_report_overlay, &s);
  const uint32_t x = (uint32_t)lround(BOARD_NUT_PX + 8.0 * board_layout_mm(9));
  for (uint32_t y = 190; y < 350; y++)
    drawn += !untouched(&s.drawn, &s.raster, x, y);
  assert_true(drawn > 60 && drawn < 140);
  close_scene(&s);
}

static void test_reference_overlay_leaves_the_board_alone(void **state)
{
  (void)state;
  scene s;
  int ticks = 0;
  open_scene(false, sp_report_reference_overlay, &s);
  for (uint32_t y = 200; y < 560; y++)
    for (uint32_t x = 150; x < 1900; x++)
      assert_true(untouched(&s.drawn, &s.raster, x, y));
  for (int i = 0; i < BOARD_GRADUATIONS; i++)
    ticks += coloured(at(&s.drawn, 100 + 8 * (uint32_t)i, 700));
  assert_int_equal(ticks, BOARD_GRADUATIONS);
  close_scene(&s);
}

static void test_sixteen_bits_draw_alike(void **state)
{
  (void)state;
  scene s;
  sp_raster deep;
  open_scene(false, sp_report_overlay, &s);
  assert_true(board_raster(false, 16, &deep));
  picture p = decoded(sp_report_overlay, &s.record, &deep);
  assert_memory_equal(p.rgb, s.drawn.rgb, 3 * (size_t)p.width * p.height);
  free(p.rgb);
  sp_raster_free(&deep);
  close_scene(&s);
}

static void test_large_pictures_are_reduced(void **state)
{
  (void)state;
  sp_record r;
  sp_raster big;
  assert_true(board_record(false, &r));
  assert_int_equal(sp_raster_create(9001, 6701, 8, &big, NULL), SP_OK); /* 60.3 million */
  memset(big.u8, 100, (size_t)9001 * 6701);
  picture p = decoded(sp_report_overlay, &r, &big);
  assert_int_equal(p.width, 4500);
  assert_int_equal(p.height, 3350);
  /* fret 1's first flanking line is near half of where it lies in the picture */
  const double along = (BOARD_NUT_PX + 8.0 * (board_layout_mm(1) + board_error_mm(1))) / 2.0;
  bool seen = false;
  for (int off = 3; off < 14; off++)
    seen = seen || coloured(at(&p, (uint32_t)(along - off), 110));
  assert_true(seen);
  free(p.rgb);
  sp_raster_free(&big);
  sp_record_free(&r);
}

/* Places that are unknown, far outside or absurd: drawn as far as can be, never a failure. */
static void test_strange_records(void **state)
{
  (void)state;
  static const sp_point STRANGE[] = {{NAN, NAN}, {INFINITY, 3.0}, {-1e300, 1e300}, {-4000.0, 9000.0}, {0.0, 0.0}};
  sp_raster raster;
  assert_true(board_raster(false, 8, &raster));
  for (size_t i = 0; i < sizeof STRANGE / sizeof *STRANGE; i++) {
    sp_record r;
    assert_true(board_record(false, &r));
    r.nut_px = STRANGE[i];
    r.reference.first_px = STRANGE[i];
    r.reference.graduations[3].at_px = STRANGE[i];
    r.strays[0].end_a_px = STRANGE[i];
    for (size_t k = 0; k < r.mark_count; k += 2)
      r.marks[k].end_a_px = r.marks[k].centre_px = STRANGE[i];
    r.marks[1].width_mm = 1e300;
    picture p = decoded(sp_report_overlay, &r, &raster);
    assert_int_equal(p.width, BOARD_LONG_PX);
    free(p.rgb);
    sp_record_free(&r);
  }
  sp_raster_free(&raster);
}

static void test_nothing_known(void **state)
{
  (void)state;
  static const uint32_t SIZES[][2] = {{1, 1}, {3, 200}, {200, 3}, {60, 60}, {700, 300}};
  for (size_t i = 0; i < sizeof SIZES / sizeof *SIZES; i++) {
    sp_record r;
    sp_raster raster;
    sp_record_init(&r);
    assert_int_equal(sp_raster_create(SIZES[i][0], SIZES[i][1], 8, &raster, NULL), SP_OK);
    memset(raster.u8, 77, (size_t)SIZES[i][0] * SIZES[i][1]);
    picture p = decoded(sp_report_overlay, &r, &raster);
    assert_int_equal(p.width, SIZES[i][0]);
    assert_int_equal(p.height, SIZES[i][1]);
    free(p.rgb);
    sp_raster_free(&raster);
    sp_record_free(&r);
  }
}

static void test_full_disk(void **state)
{
  (void)state;
  scene s;
  sp_error err = {0};
  FILE *full = fopen("/dev/full", "wb"); /* a device of Linux that is always full */
  if (!full)
    skip();
  open_scene(false, sp_report_overlay, &s);
  assert_int_equal(sp_report_overlay(&s.record, &s.raster, full, &err), SP_E_IO);
  fclose(full);
  close_scene(&s);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_size_and_untouched_places),
      cmocka_unit_test(test_cuts_stay_visible_between_two_lines),
      cmocka_unit_test(test_signs_point_the_way),
      cmocka_unit_test(test_missing_is_dashed_in_its_place),
      cmocka_unit_test(test_reference_overlay_leaves_the_board_alone),
      cmocka_unit_test(test_sixteen_bits_draw_alike),
      cmocka_unit_test(test_large_pictures_are_reduced),
      cmocka_unit_test(test_strange_records),
      cmocka_unit_test(test_nothing_known),
      cmocka_unit_test(test_full_disk),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
