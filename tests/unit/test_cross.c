/* Sections across marks, against the grey that was drawn. */
#include "drawing.h"

#include "slotproof/cross.h"

static const double SLOPE = 0.03, AT_PX = 100.0, WIDTH = 2.6, BLUR = 0.9, HEIGHT = -80.0, LEVEL = 180.0,
                    PX_PER_MM = 20.0;

static sp_raster line_picture(sp_along along, int bits)
{
  drawing d = drawing_new(240, 300, LEVEL);
  draw_mark(&d, &(drawn_mark){.at = AT_PX,
                              .slope = SLOPE,
                              .v_ref = 150.0,
                              .v_a = -50.0,
                              .v_b = 350.0,
                              .width = WIDTH,
                              .blur = BLUR,
                              .height = HEIGHT});
  const sp_raster r = drawing_raster(&d, along, bits);
  drawing_free(&d);
  return r;
}

static sp_point at(sp_along along, double u, double v)
{
  return along == SP_ALONG_X ? (sp_point){u, v} : (sp_point){v, u};
}

/* Both axes, both depths, either way toward the bridge: the profile that was drawn, blurred a little by the sampling.
 */
static void as_drawn(void **state)
{
  (void)state;
  for (int k = 0; k < 8; k++) {
    const sp_along along = k & 1 ? SP_ALONG_Y : SP_ALONG_X;
    const double ahead = k & 2 ? 40.0 : -40.0;
    sp_raster r = line_picture(along, k & 4 ? 16 : 8);
    sp_cross_section s;
    sp_error err = {0};
    assert_int_equal(sp_cross_section_between(&r, at(along, AT_PX - 100 * SLOPE, 50.0),
                                              at(along, AT_PX + 100 * SLOPE, 250.0), at(along, AT_PX + ahead, 150.0),
                                              PX_PER_MM, &s, &err),
                     SP_OK);
    assert_int_equal(s.count, 121); /* 1.5 mm = 30 px to both sides in halves */
    for (size_t i = 0; i < s.count; i++) {
      CHECK_CLOSE(s.offset_mm[i], ((double)i - 60.0) * 0.5 / PX_PER_MM, 1e-12);
      /* linear interpolation at all phases widens by sqrt(1/6) px (variance of two boxes of a pixel) */
      const double x = s.offset_mm[i] * PX_PER_MM;
      const double grey = (LEVEL + HEIGHT * drawn_box(x, WIDTH, hypot(BLUR, 0.408))) / 255.0;
      CHECK_CLOSE(s.grey[i], grey, 0.006);
    }
    sp_cross_section_free(&s);
    sp_raster_free(&r);
  }
}

/* A step shows which side is which. */
static void sides(void **state)
{
  (void)state;
  drawing d = drawing_new(200, 100, 60.0);
  draw_area(&d, &(drawn_area){.u_a = 100.0, .u_b = 500.0, .v_a = -500.0, .v_b = 500.0, .blur = 0.9, .height = 100.0});
  sp_raster r = drawing_raster(&d, SP_ALONG_X, 8);
  drawing_free(&d);
  for (int bridge_right = 0; bridge_right < 2; bridge_right++) {
    sp_mark_record m = {
        .found = true, .end_a_px = {100.0, 10.0}, .end_b_px = {100.0, 90.0}, .centre_px = {100.0, 50.0}};
    sp_record record;
    sp_record_init(&record);
    record.marks = &m;
    record.mark_count = 1;
    record.reference.px_per_mm = 20.0;
    record.nut_px = (sp_point){bridge_right ? 10.0 : 190.0, 50.0};
    record.bridgeward_px = (sp_point){bridge_right ? 190.0 : 10.0, 50.0};
    sp_cross_section s;
    sp_error err = {0};
    assert_int_equal(sp_cross_section_of(&record, &r, 0, &s, &err), SP_OK);
    assert_true(s.count > 100);
    CHECK_CLOSE(s.grey[0], (bridge_right ? 60.0 : 160.0) / 255.0, 0.005);
    CHECK_CLOSE(s.grey[s.count - 1], (bridge_right ? 160.0 : 60.0) / 255.0, 0.005);
    sp_cross_section_free(&s);
    m.found = false;
    assert_int_equal(sp_cross_section_of(&record, &r, 0, &s, &err), SP_OK);
    assert_int_equal(s.count, 0);
    m.found = true;
    record.reference.px_per_mm = NAN;
    assert_int_equal(sp_cross_section_of(&record, &r, 0, &s, &err), SP_OK);
    assert_int_equal(s.count, 0);
  }
  sp_raster_free(&r);
}

/* At the picture's edge the section is cut off, never filled up. */
static void at_the_edge(void **state)
{
  (void)state;
  sp_raster r = line_picture(SP_ALONG_X, 8);
  sp_cross_section s;
  sp_error err = {0};
  for (int right = 0; right < 2; right++) {
    const double u = right ? 230.0 : 9.0;
    assert_int_equal(sp_cross_section_between(&r, (sp_point){u, 50.0}, (sp_point){u, 250.0}, (sp_point){u + 5.0, 9.0},
                                              PX_PER_MM, &s, &err),
                     SP_OK);
    assert_true(s.count > 60 && s.count < 121);
    CHECK_CLOSE(s.offset_mm[0], right ? -1.5 : -9.0 / PX_PER_MM, 1e-9);
    CHECK_CLOSE(s.offset_mm[s.count - 1], right ? 8.5 / PX_PER_MM : 1.5, 1e-9);
    for (size_t i = 0; i < s.count; i++)
      CHECK_CLOSE(s.grey[i], LEVEL / 255.0, 0.003);
    sp_cross_section_free(&s);
  }
  /* outside, and no line at all */
  assert_int_equal(sp_cross_section_between(&r, (sp_point){900.0, 50.0}, (sp_point){900.0, 250.0},
                                            (sp_point){910.0, 9.0}, PX_PER_MM, &s, &err),
                   SP_OK);
  assert_int_equal(s.count, 0);
  assert_int_equal(
      sp_cross_section_between(&r, (sp_point){NAN, NAN}, (sp_point){9.0, 2.0}, (sp_point){9.0, 9.0}, 20.0, &s, &err),
      SP_OK);
  assert_int_equal(s.count, 0);
  sp_raster_free(&r);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(as_drawn), cmocka_unit_test(sides),
                                     cmocka_unit_test(at_the_edge)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
