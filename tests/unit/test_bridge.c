/* The bridge, seen from C: channel order, orientation, sub-pixel places, refusals. */
#include "check_close.h"

#include <string.h>

#include "slotproof/bridge.h"

static const sp_colour RED = {200, 10, 20}, WHITE = {255, 255, 255};

/* width x height picture, value(x, y) = 10 x + 40 y (times 257 if 16 bits): no two corners alike. */
static sp_raster ramp(uint32_t width, uint32_t height, int bits)
{
  sp_raster r;
  assert_int_equal(sp_raster_create(width, height, bits, &r, NULL), SP_OK);
  for (uint32_t y = 0; y < height; y++)
    for (uint32_t x = 0; x < width; x++) {
      const uint32_t value = (10 * x + 40 * y) % 256;
      if (bits == 8)
        r.u8[y * width + x] = (uint8_t)value;
      else
        r.u16[y * width + x] = (uint16_t)(257 * value);
    }
  return r;
}

static sp_canvas *blank(uint32_t width, uint32_t height)
{
  sp_raster r;
  sp_canvas *c = NULL;
  assert_int_equal(sp_raster_create(width, height, 8, &r, NULL), SP_OK);
  memset(r.u8, 0, (size_t)width * height);
  assert_int_equal(sp_canvas_create(&r, 1, &c, NULL), SP_OK);
  sp_raster_free(&r);
  return c;
}

static const uint8_t *pixel(const sp_canvas *c, uint32_t x, uint32_t y)
{
  return sp_canvas_row(c, y) + 3 * (size_t)x;
}

static void test_picture_keeps_its_place_and_values(void **state)
{
  (void)state;
  for (int bits = 8; bits <= 16; bits += 8) {
    sp_raster r = ramp(5, 3, bits);
    sp_canvas *c = NULL;
    assert_int_equal(sp_canvas_create(&r, 1, &c, NULL), SP_OK);
    assert_int_equal(sp_canvas_width_px(c), 5);
    assert_int_equal(sp_canvas_height_px(c), 3);
    for (uint32_t y = 0; y < 3; y++)
      for (uint32_t x = 0; x < 5; x++)
        for (int k = 0; k < 3; k++)
          assert_int_equal(pixel(c, x, y)[k], 10 * x + 40 * y);
    assert_null(sp_canvas_row(c, 3));
    sp_canvas_free(c);
    sp_raster_free(&r);
  }
}

static void test_sixteen_bits_are_rounded(void **state)
{
  (void)state;
  static const struct {
    uint16_t in;
    uint8_t out;
  } cases[] = {{0, 0}, {128, 0}, {129, 1}, {257, 1}, {385, 1}, {386, 2}, {65535, 255}, {65407, 255}, {65406, 254}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    sp_raster r = ramp(1, 1, 16);
    sp_canvas *c = NULL;
    r.u16[0] = cases[i].in;
    assert_int_equal(sp_canvas_create(&r, 1, &c, NULL), SP_OK);
    assert_int_equal(pixel(c, 0, 0)[1], cases[i].out);
    sp_canvas_free(c);
    sp_raster_free(&r);
  }
}

static void test_reduced_is_the_mean(void **state)
{
  (void)state;
  sp_raster r = ramp(5, 5, 8); /* a fifth row and column are left over */
  sp_canvas *c = NULL;
  assert_int_equal(sp_canvas_create(&r, 2, &c, NULL), SP_OK);
  assert_int_equal(sp_canvas_width_px(c), 2);
  assert_int_equal(sp_canvas_height_px(c), 2);
  /* means of 0 10 40 50 and of 100 110 140 150 */
  assert_int_equal(pixel(c, 0, 0)[0], 25);
  assert_int_equal(pixel(c, 1, 1)[0], 125);
  sp_canvas_free(c);
  assert_int_equal(sp_canvas_create(&r, 0, &c, NULL), SP_E_INTERNAL);
  assert_null(c);
  assert_int_equal(sp_canvas_create(&r, 6, &c, NULL), SP_E_INTERNAL);
  sp_raster_free(&r);
}

static void test_colours_come_in_order(void **state)
{
  (void)state;
  sp_canvas *c = blank(20, 10);
  const sp_point left_half[] = {{-1.0, -1.0}, {9.0, -1.0}, {9.0, 10.0}, {-1.0, 10.0}};
  assert_int_equal(sp_canvas_polygon(c, left_half, 4, RED, NULL), SP_OK);
  assert_int_equal(pixel(c, 4, 5)[0], 200);
  assert_int_equal(pixel(c, 4, 5)[1], 10);
  assert_int_equal(pixel(c, 4, 5)[2], 20);
  assert_int_equal(pixel(c, 15, 5)[0], 0);
  sp_canvas_free(c);
}

/* Light-weighted mean column of what was drawn in row y. */
static double centroid_x(const sp_canvas *c, uint32_t y)
{
  double sum = 0.0, moment = 0.0;
  for (uint32_t x = 0; x < sp_canvas_width_px(c); x++) {
    sum += pixel(c, x, y)[0];
    moment += x * (double)pixel(c, x, y)[0];
  }
  return moment / sum;
}

static void test_lines_lie_where_told(void **state)
{
  (void)state;
  static const double AT[] = {20.0, 20.25, 20.5, 20.75};
  for (size_t i = 0; i < sizeof AT / sizeof *AT; i++) {
    sp_canvas *c = blank(41, 21);
    assert_int_equal(sp_canvas_line(c, (sp_point){AT[i], 0.0}, (sp_point){AT[i], 20.0}, 1, WHITE, NULL), SP_OK);
    CHECK_CLOSE(centroid_x(c, 10), AT[i], 0.1);
    sp_canvas_free(c);
  }
}

static void test_disc_has_its_size(void **state)
{
  (void)state;
  sp_canvas *c = blank(61, 61);
  double area = 0.0;
  assert_int_equal(sp_canvas_disc(c, (sp_point){30.0, 30.0}, 20.0, WHITE, NULL), SP_OK);
  for (uint32_t y = 0; y < 61; y++)
    for (uint32_t x = 0; x < 61; x++)
      area += pixel(c, x, y)[0] / 255.0;
  CHECK_CLOSE(sqrt(area / 3.14159265358979), 20.0, 0.7); /* the smoothed rim is half a pixel wide */
  CHECK_CLOSE(centroid_x(c, 30), 30.0, 0.05);
  sp_canvas_free(c);
}

static size_t marked(const sp_canvas *c)
{
  size_t n = 0;
  for (uint32_t y = 0; y < sp_canvas_height_px(c); y++)
    for (uint32_t x = 0; x < sp_canvas_width_px(c); x++)
      n += pixel(c, x, y)[0] != 0;
  return n;
}

static void test_text(void **state)
{
  (void)state;
  double one = 0.0, four = 0.0;
  assert_int_equal(sp_canvas_text_width("8", 20.0, &one, NULL), SP_OK);
  assert_int_equal(sp_canvas_text_width("8888", 20.0, &four, NULL), SP_OK);
  assert_true(one > 8.0 && one < 30.0);
  assert_true(four > 3.0 * one && four < 4.5 * one);
  sp_canvas *c = blank(100, 50);
  assert_int_equal(sp_canvas_text(c, "8", (sp_point){50.0, 25.0}, 20.0, WHITE, RED, NULL), SP_OK);
  assert_true(marked(c) > 60);
  CHECK_CLOSE(centroid_x(c, 25), 50.0, 2.0);
  assert_int_equal(pixel(c, 50, 8)[0], 0); /* nothing above or below the letter */
  assert_int_equal(pixel(c, 50, 42)[0], 0);
  sp_canvas_free(c);
}

static void test_what_is_outside_is_cut_off(void **state)
{
  (void)state;
  sp_canvas *c = blank(10, 10);
  assert_int_equal(sp_canvas_line(c, (sp_point){-1e6, 5.0}, (sp_point){1e6, 5.0}, 1, WHITE, NULL), SP_OK);
  assert_int_equal(marked(c) > 0, 1);
  assert_int_equal(sp_canvas_disc(c, (sp_point){-500.0, 700.0}, 20.0, WHITE, NULL), SP_OK);
  assert_int_equal(sp_canvas_text(c, "far", (sp_point){3e6, -3e6}, 12.0, WHITE, RED, NULL), SP_OK);
  sp_canvas_free(c);
}

static void test_refuses_what_is_no_place(void **state)
{
  (void)state;
  static const double BAD[] = {NAN, INFINITY, -INFINITY, 1e300, 2.0 * SP_CANVAS_REACH_PX};
  sp_canvas *c = blank(10, 10);
  for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
    sp_error err = {0};
    const sp_point p = {BAD[i], 1.0}, corners[] = {{0.0, 0.0}, {1.0, BAD[i]}, {2.0, 2.0}};
    assert_int_equal(sp_canvas_line(c, p, (sp_point){0.0, 0.0}, 1, WHITE, &err), SP_E_INTERNAL);
    assert_true(strlen(err.text) > 0);
    assert_int_equal(sp_canvas_disc(c, p, 3.0, WHITE, NULL), SP_E_INTERNAL);
    assert_int_equal(sp_canvas_disc(c, (sp_point){1.0, 1.0}, BAD[i], WHITE, NULL), SP_E_INTERNAL);
    assert_int_equal(sp_canvas_polygon(c, corners, 3, WHITE, NULL), SP_E_INTERNAL);
    assert_int_equal(sp_canvas_text(c, "x", p, 10.0, WHITE, RED, NULL), SP_E_INTERNAL);
    assert_int_equal(sp_canvas_text(c, "x", (sp_point){1.0, 1.0}, BAD[i], WHITE, RED, NULL), SP_E_INTERNAL);
  }
  const sp_point many[SP_CANVAS_MAX_CORNERS + 1] = {{0.0, 0.0}};
  assert_int_equal(sp_canvas_polygon(c, many, 2, WHITE, NULL), SP_E_INTERNAL);
  assert_int_equal(sp_canvas_polygon(c, many, SP_CANVAS_MAX_CORNERS + 1, WHITE, NULL), SP_E_INTERNAL);
  assert_int_equal(marked(c), 0);
  sp_canvas_free(c);
  sp_canvas_free(NULL);
}

/* ---- pieces ----------------------------------------------------------------------------------------------------- */

/* The picture itself, and every quarter turn of it: (i, j) of the piece shows origin + i step_x + j step_y. */
static void test_pieces_turn(void **state)
{
  (void)state;
  static const struct {
    sp_point origin, step_x, step_y;
    uint32_t width, height;
  } turns[] = {{{0, 0}, {1, 0}, {0, 1}, 7, 4},
               {{6, 0}, {0, 1}, {-1, 0}, 4, 7},
               {{6, 3}, {-1, 0}, {0, -1}, 7, 4},
               {{0, 3}, {0, -1}, {1, 0}, 4, 7}};
  for (int bits = 8; bits <= 16; bits += 8) {
    sp_raster r = ramp(7, 4, bits);
    for (size_t k = 0; k < 4; k++) {
      uint8_t out[28];
      assert_int_equal(sp_piece_grey(&r, turns[k].origin, turns[k].step_x, turns[k].step_y, turns[k].width,
                                     turns[k].height, 9, out, NULL),
                       SP_OK);
      for (uint32_t j = 0; j < turns[k].height; j++)
        for (uint32_t i = 0; i < turns[k].width; i++) {
          const double x = turns[k].origin.x + i * turns[k].step_x.x + j * turns[k].step_y.x;
          const double y = turns[k].origin.y + i * turns[k].step_x.y + j * turns[k].step_y.y;
          assert_int_equal(out[j * turns[k].width + i], (int)(10.0 * x + 40.0 * y));
        }
    }
    sp_raster_free(&r);
  }
}

/* A slope of grey keeps its place whether it is enlarged, turned askew or averaged down by a fraction. */
static void test_pieces_keep_their_place(void **state)
{
  (void)state;
  sp_raster r;
  assert_int_equal(sp_raster_create(240, 200, 16, &r, NULL), SP_OK);
  for (uint32_t y = 0; y < 200; y++)
    for (uint32_t x = 0; x < 240; x++)
      r.u16[y * 240 + x] = (uint16_t)(150 * x + 100 * y);
  static const double STEPS[] = {0.23, 1.0, 1.7, 4.6};
  for (size_t k = 0; k < sizeof STEPS / sizeof *STEPS; k++) {
    uint8_t out[20 * 15];
    const sp_point origin = {70.3, 60.7}, step_x = {STEPS[k] * cos(0.3), STEPS[k] * sin(0.3)},
                   step_y = {-STEPS[k] * sin(0.3), STEPS[k] * cos(0.3)};
    assert_int_equal(sp_piece_grey(&r, origin, step_x, step_y, 20, 15, 0, out, NULL), SP_OK);
    for (int j = 0; j < 15; j++)
      for (int i = 0; i < 20; i++) {
        const double x = origin.x + i * step_x.x + j * step_y.x, y = origin.y + i * step_x.y + j * step_y.y;
        CHECK_CLOSE(out[j * 20 + i], (150.0 * x + 100.0 * y) / 257.0, 1.3); /* two roundings, and 1/32 px of place */
      }
  }
  sp_raster_free(&r);
}

static void test_pieces_beyond_the_picture(void **state)
{
  (void)state;
  sp_raster r = ramp(5, 3, 8);
  uint8_t out[9];
  assert_int_equal(sp_piece_grey(&r, (sp_point){-50, -50}, (sp_point){1, 0}, (sp_point){0, 1}, 3, 3, 77, out, NULL),
                   SP_OK);
  for (int i = 0; i < 9; i++)
    assert_int_equal(out[i], 77);
  assert_int_equal(sp_piece_grey(&r, (sp_point){NAN, 0}, (sp_point){1, 0}, (sp_point){0, 1}, 3, 3, 77, out, NULL),
                   SP_E_INTERNAL);
  assert_int_equal(sp_piece_grey(&r, (sp_point){0, 0}, (sp_point){1e9, 0}, (sp_point){0, 1}, 3, 3, 77, out, NULL),
                   SP_E_INTERNAL);
  assert_int_equal(sp_piece_grey(&r, (sp_point){0, 0}, (sp_point){1, 0}, (sp_point){0, 1}, 0, 3, 77, out, NULL),
                   SP_E_INTERNAL);
  sp_raster_free(&r);
}

/* ---- sums of products ---- */

enum { A_COLUMNS = 9, A_ROWS = 5, B_COLUMNS = 6, B_ROWS = 7, SHIFTS = A_COLUMNS + B_COLUMNS - 1 };

/* By the definition, cell by cell. */
static double sum_at(const float *a, const float *b, int shift, int aside)
{
  double sum = 0.0;
  for (int j = 0; j < B_ROWS; j++)
    for (int i = 0; i < B_COLUMNS; i++)
      if (i + shift >= 0 && i + shift < A_COLUMNS && j + aside >= 0 && j + aside < A_ROWS)
        sum += (double)a[(j + aside) * A_COLUMNS + i + shift] * (double)b[j * B_COLUMNS + i];
  return sum;
}

static void test_sums_at_every_shift(void **state)
{
  (void)state;
  static const int ranges[][2] = {{-6, 11}, {-6, 1}, {4, 1}, {-2, 4}, {0, 3}}; /* first aside, how many */
  float a[A_COLUMNS * A_ROWS], b[B_COLUMNS * B_ROWS];
  double sums[11 * SHIFTS];
  for (int i = 0; i < A_COLUMNS * A_ROWS; i++)
    a[i] = (float)((i * 37) % 23 - 9);
  for (int i = 0; i < B_COLUMNS * B_ROWS; i++)
    b[i] = (float)((i * 29) % 19 - 4);
  for (size_t r = 0; r < sizeof ranges / sizeof *ranges; r++) {
    assert_int_equal(sp_correlate((sp_grid){A_COLUMNS, A_ROWS, a}, (sp_grid){B_COLUMNS, B_ROWS, b}, ranges[r][0],
                                  ranges[r][1], sums, NULL),
                     SP_OK);
    for (int k = 0; k < ranges[r][1]; k++)
      for (int s = 0; s < SHIFTS; s++)
        CHECK_CLOSE(sums[k * SHIFTS + s], sum_at(a, b, s - B_COLUMNS + 1, ranges[r][0] + k), 1e-9);
  }
}

static void test_sums_of_nothing_are_refused(void **state)
{
  (void)state;
  const float value[4] = {1.0f, 2.0f, 3.0f, 4.0f};
  const sp_grid grid = {2, 2, value}, none = {0, 2, value}, broad = {SP_GRID_MOST + 1, 1, value};
  double sums[64];
  assert_int_equal(sp_correlate(grid, grid, -2, 1, sums, NULL), SP_E_INTERNAL);
  assert_int_equal(sp_correlate(grid, grid, 2, 1, sums, NULL), SP_E_INTERNAL);
  assert_int_equal(sp_correlate(grid, grid, -1, 4, sums, NULL), SP_E_INTERNAL);
  assert_int_equal(sp_correlate(grid, grid, 0, 0, sums, NULL), SP_E_INTERNAL);
  assert_int_equal(sp_correlate(none, grid, 0, 1, sums, NULL), SP_E_INTERNAL);
  assert_int_equal(sp_correlate(grid, broad, 0, 1, sums, NULL), SP_E_INTERNAL);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_picture_keeps_its_place_and_values),
      cmocka_unit_test(test_sixteen_bits_are_rounded),
      cmocka_unit_test(test_reduced_is_the_mean),
      cmocka_unit_test(test_colours_come_in_order),
      cmocka_unit_test(test_lines_lie_where_told),
      cmocka_unit_test(test_disc_has_its_size),
      cmocka_unit_test(test_text),
      cmocka_unit_test(test_what_is_outside_is_cut_off),
      cmocka_unit_test(test_refuses_what_is_no_place),
      cmocka_unit_test(test_pieces_turn),
      cmocka_unit_test(test_pieces_keep_their_place),
      cmocka_unit_test(test_pieces_beyond_the_picture),
      cmocka_unit_test(test_sums_at_every_shift),
      cmocka_unit_test(test_sums_of_nothing_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
