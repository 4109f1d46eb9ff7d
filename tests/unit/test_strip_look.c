/* Points of the printed strip in pictures whose projection is known: the sheet as it goes to the printer, seen
 * squarely, turned, and at an angle as a camera sees it. The projection here is written out by itself, four lines of
 * school geometry, and shares nothing with the library. */
#include "check_close.h"

#include <png.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/strip.h"

enum { WIDTH = 2600, HEIGHT = 1500, FINE = 3 };
static const double SHEET_DPI = 300.0;
/* Where piece 1 lies on the A4 sheet: X = 0 at 51/60 in, its upper edge at 165/60 in; the next 52/60 in further down.
 */
static const double LEFT_MM = 51.0 / 60.0 * 25.4, TOP_MM = 165.0 / 60.0 * 25.4, STEP_MM = 52.0 / 60.0 * 25.4;

typedef struct sheet {
  int32_t width, height;
  uint8_t *grey;
} sheet;

static sheet draw_sheet(void)
{
  const sp_strip_sheet request = {SP_STRIP_A4, SP_STRIP_PNG, 2, 0, SHEET_DPI};
  sp_error err = {0};
  FILE *file = tmpfile();
  assert_non_null(file);
  assert_int_equal(sp_strip_draw(&request, file, &err), SP_OK);
  rewind(file);
  png_image image = {.version = PNG_IMAGE_VERSION};
  assert_true(png_image_begin_read_from_stdio(&image, file));
  image.format = PNG_FORMAT_GRAY;
  sheet s = {(int32_t)image.width, (int32_t)image.height, malloc(PNG_IMAGE_SIZE(image))};
  assert_non_null(s.grey);
  assert_true(png_image_finish_read(&image, NULL, s.grey, 0, NULL));
  fclose(file);
  return s;
}

/* Picture to sheet: X_mm = (a x + b y + c) / (1 + g x + h y), Y_mm alike. */
typedef struct camera {
  double a, b, c, d, e, f, g, h;
} camera;

static void sheet_place(const camera *k, double x_px, double y_px, double *X_mm, double *Y_mm)
{
  const double under = 1.0 + k->g * x_px + k->h * y_px;
  *X_mm = (k->a * x_px + k->b * y_px + k->c) / under;
  *Y_mm = (k->d * x_px + k->e * y_px + k->f) / under;
}

/* The other way, by Cramer's rule on the two equations linear in x and y. */
static void picture_place(const camera *k, double X_mm, double Y_mm, double *x_px, double *y_px)
{
  const double p = k->a - X_mm * k->g, q = k->b - X_mm * k->h, r = X_mm - k->c;
  const double s = k->d - Y_mm * k->g, t = k->e - Y_mm * k->h, u = Y_mm - k->f;
  const double det = p * t - q * s;
  *x_px = (r * t - q * u) / det;
  *y_px = (p * u - r * s) / det;
}

/* Linear between dots, whose middles lie at half places; white beyond the sheet. */
static double sheet_grey(const sheet *s, double X_mm, double Y_mm)
{
  const double x = X_mm / 25.4 * SHEET_DPI - 0.5, y = Y_mm / 25.4 * SHEET_DPI - 0.5;
  const int32_t i = (int32_t)floor(x), j = (int32_t)floor(y);
  if (i < 0 || j < 0 || i + 1 >= s->width || j + 1 >= s->height)
    return 255.0;
  const uint8_t *at = s->grey + (size_t)j * (size_t)s->width + i;
  const double fx = x - i, fy = y - j;
  return (1.0 - fy) * ((1.0 - fx) * at[0] + fx * at[1]) + fy * ((1.0 - fx) * at[s->width] + fx * at[s->width + 1]);
}

static sp_raster photograph(const sheet *s, const camera *k)
{
  sp_raster r = {0};
  sp_error err = {0};
  assert_int_equal(sp_raster_create(WIDTH, HEIGHT, 8, &r, &err), SP_OK);
  for (int32_t y = 0; y < HEIGHT; y++)
    for (int32_t x = 0; x < WIDTH; x++) {
      double sum = 0.0, X, Y;
      for (int32_t i = 0; i < FINE * FINE; i++) {
        sheet_place(k, x + (i % FINE + 0.5) / FINE - 0.5, y + (i / FINE + 0.5) / FINE - 0.5, &X, &Y);
        sum += sheet_grey(s, X, Y);
      }
      r.u8[(size_t)y * WIDTH + (size_t)x] = (uint8_t)lround(20.0 + 0.85 * sum / (FINE * FINE));
    }
  return r;
}

typedef struct misses {
  size_t count;
  double along2, across2, worst_px;
} misses;

/* Distance of the points of one kind from where the camera saw them, along and across the strip in the picture. */
static misses compare(const sp_strip_sight *sight, const camera *k, sp_strip_point_kind kind)
{
  misses m = {0};
  for (size_t i = 0; i < sight->point_count; i++) {
    const sp_strip_point *p = &sight->points[i];
    double x, y, x1, y1;
    if (p->kind != kind)
      continue;
    const double X = LEFT_MM + p->X_mm, Y = TOP_MM + STEP_MM * (p->piece - 1) + p->Y_mm;
    picture_place(k, X, Y, &x, &y);
    picture_place(k, X + 1.0, Y, &x1, &y1);
    const double length = hypot(x1 - x, y1 - y), cx = (x1 - x) / length, cy = (y1 - y) / length;
    const double along = (p->x_px - x) * cx + (p->y_px - y) * cy, across = (p->y_px - y) * cx - (p->x_px - x) * cy;
    m.along2 += along * along;
    m.across2 += across * across;
    m.worst_px = fmax(m.worst_px, fabs(along));
    m.count++;
  }
  return m;
}

/* 10 px per mm, the sheet's middle in the picture's; turned about it; seen at an angle. */
static camera camera_at(double turn_rad, double g, double h)
{
  const double scale = 0.118, c = scale * cos(turn_rad), s = scale * sin(turn_rad);
  const double under = 1.0 + g * WIDTH / 2.0 + h * HEIGHT / 2.0;
  camera k = {.a = c, .b = s, .d = -s, .e = c, .g = g, .h = h};
  k.c = 148.0 * under - k.a * WIDTH / 2.0 - k.b * HEIGHT / 2.0;
  k.f = 95.0 * under - k.d * WIDTH / 2.0 - k.e * HEIGHT / 2.0;
  return k;
}

/* rms angle between the graduations as measured and as the camera saw them. */
static double lean_rms(const sp_strip_sight *sight, const camera *k)
{
  double sum = 0.0;
  size_t count = 0;
  for (size_t i = 0; i < sight->point_count; i++) {
    const sp_strip_point *p = &sight->points[i];
    double x0, y0, x1, y1;
    if (p->kind != SP_STRIP_GRADUATION)
      continue;
    const double X = LEFT_MM + p->X_mm, Y = TOP_MM + STEP_MM * (p->piece - 1) + p->Y_mm;
    picture_place(k, X, Y - 2.0, &x0, &y0);
    picture_place(k, X, Y + 2.0, &x1, &y1);
    const double off = (p->along.x * (y1 - y0) - p->along.y * (x1 - x0)) / hypot(x1 - x0, y1 - y0);
    assert_true(p->along.x * (x1 - x0) + p->along.y * (y1 - y0) > 0.0);
    sum += off * off;
    count++;
  }
  return sqrt(sum / (double)count);
}

static void check_sight(const sp_strip_sight *sight, const camera *k, size_t least)
{
  assert_int_equal(sight->piece_count, 2);
  assert_int_equal(sight->twice, 0);
  const misses grad = compare(sight, k, SP_STRIP_GRADUATION), tags = compare(sight, k, SP_STRIP_TAG_CENTRE);
  const misses rail = compare(sight, k, SP_STRIP_FAR_RAIL);
  assert_true(grad.count >= least && rail.count > 40 && tags.count >= 30);
  CHECK_BELOW(sqrt(grad.along2 / (double)grad.count),
              0.03); /* px; this camera hardly blurs, so a line's place in the pixel shows */
  CHECK_BELOW(grad.worst_px, 0.1);
  CHECK_BELOW(sqrt(grad.across2 / (double)grad.count), 0.15);
  CHECK_BELOW(sqrt(rail.across2 / (double)rail.count), 0.05);
  CHECK_BELOW(sqrt(tags.along2 / (double)tags.count), 0.5);
  CHECK_BELOW(lean_rms(sight, k), 0.003); /* rad; 0.1 px from end to end of a graduation of 42 px */
}

static void check_view(const sheet *s, double turn_rad, double g, double h, size_t least)
{
  const camera k = camera_at(turn_rad, g, h);
  sp_raster r = photograph(s, &k);
  sp_strip_sight sight;
  sp_error err = {0};
  assert_int_equal(sp_strip_look(&r, SP_STRIP_LOOK, &sight, &err), SP_OK);
  check_sight(&sight, &k, least);
  sp_strip_sight_free(&sight);
  sp_raster_free(&r);
}

/* Tags known from elsewhere, each some tenths of a pixel off: they say where to look, the lines where they are. */
static void test_by_known_tags(void **state)
{
  const camera k = camera_at(0.0, 0.0, 0.0);
  sp_raster r = photograph(*state, &k);
  sp_strip_sight sight, again;
  sp_error err = {0};
  assert_int_equal(sp_strip_look(&r, SP_STRIP_LOOK, &sight, &err), SP_OK);
  assert_true(sight.tags_seen >= 30);
  for (size_t i = 0; i < sight.tags_seen; i++)
    for (int c = 0; c < 4; c++) {
      sight.tags[i].corner_px[c].x += 0.1 * (double)((i + (size_t)c) % 5) - 0.2;
      sight.tags[i].corner_px[c].y += 0.1 * (double)((i + 2 * (size_t)c) % 5) - 0.2;
    }
  assert_int_equal(sp_strip_look_by_tags(&r, sight.tags, sight.tags_seen, &again, &err), SP_OK);
  assert_int_equal(again.tags_seen, sight.tags_seen);
  check_sight(&again, &k, 2 * SP_STRIP_GRADUATIONS);
  sp_strip_sight_free(&again);
  assert_int_equal(sp_strip_look_by_tags(&r, NULL, 0, &again, &err), SP_OK);
  assert_int_equal(again.piece_count, 0);
  sp_strip_sight_free(&again);
  sp_strip_sight_free(&sight);
  sp_raster_free(&r);
}

static void test_seen_squarely(void **state)
{
  check_view(*state, 0.0, 0.0, 0.0, 2 * SP_STRIP_GRADUATIONS);
}

static void test_upside_down(void **state)
{
  check_view(*state, 3.14159265358979, 0.0, 0.0, 2 * SP_STRIP_GRADUATIONS);
}

static void test_turned(void **state)
{
  check_view(*state, 0.3, 0.0, 0.0, 380);
}

/* Scale changes by a third along the strips and by some per cent across them. */
static void test_seen_at_an_angle(void **state)
{
  check_view(*state, -0.15, 6.0e-5, 8.0e-5, 380);
}

/* Piece 2 lies over the end of piece 1, shifted along by some graduations and a part: none of its lines may count as
 * one of piece 1, nor the reverse. */
static void test_overlapping(void **state)
{
  const sheet *whole = *state;
  const camera square = camera_at(0.0, 0.0, 0.0);
  const double along_mm = 180.65; /* a fifth of a graduation beyond the 142nd */
  sheet s = {whole->width, whole->height, malloc((size_t)whole->width * (size_t)whole->height)};
  assert_non_null(s.grey);
  memset(s.grey, 255, (size_t)s.width * (size_t)s.height);
  const double px = SHEET_DPI / 25.4;
  const int32_t top = (int32_t)(TOP_MM * px), high = (int32_t)(SP_STRIP_BREADTH_MM * px), from = (int32_t)(along_mm * px);
  const int32_t down = (int32_t)lround(STEP_MM * px), left = (int32_t)((LEFT_MM - 1.27) * px);
  for (int32_t y = 0; y < high; y++)
    for (int32_t x = 0; x < s.width; x++) {
      const size_t at = (size_t)(top + y) * (size_t)s.width + (size_t)x;
      const bool upper = x >= left + from;
      s.grey[at] = whole->grey[upper ? (size_t)(top + down + y) * (size_t)s.width + (size_t)(x - from) : at];
    }
  sp_raster r = photograph(&s, &square);
  sp_strip_sight sight;
  sp_error err = {0};
  assert_int_equal(sp_strip_look(&r, SP_STRIP_LOOK, &sight, &err), SP_OK);
  assert_int_equal(sight.piece_count, 2);
  size_t counted = 0;
  for (size_t i = 0; i < sight.point_count; i++) {
    const sp_strip_point *p = &sight.points[i];
    double x, y;
    if (p->kind != SP_STRIP_GRADUATION)
      continue;
    picture_place(&square, LEFT_MM + p->X_mm + (p->piece == 2 ? from / px : 0.0), TOP_MM + p->Y_mm, &x, &y);
    CHECK_CLOSE(p->x_px, x, 0.15);
    counted++;
  }
  assert_true(counted > 100);
  assert_int_equal(counted, sight.piece[0].graduations + sight.piece[1].graduations);
  sp_strip_sight_free(&sight);
  sp_raster_free(&r);
  free(s.grey);
}

static void test_mirrored(void **state)
{
  const camera square = camera_at(0.0, 0.0, 0.0);
  sp_raster r = photograph(*state, &square);
  sp_strip_sight sight;
  sp_error err = {0};
  for (size_t y = 0; y < HEIGHT; y++)
    for (size_t x = 0; x < WIDTH / 2; x++) {
      const uint8_t left = r.u8[y * WIDTH + x];
      r.u8[y * WIDTH + x] = r.u8[y * WIDTH + WIDTH - 1 - x];
      r.u8[y * WIDTH + WIDTH - 1 - x] = left;
    }
  assert_int_equal(sp_strip_look(&r, SP_STRIP_SEARCH, &sight, &err), SP_OK);
  assert_true(sight.mirrored);
  assert_int_equal(sight.piece_count, 0);
  assert_int_equal(sight.point_count, 0);
  sp_strip_sight_free(&sight);
  sp_raster_free(&r);
}

/* A plain picture, and one too small to hold a tag. */
static void test_nothing_there(void **state)
{
  (void)state;
  for (uint32_t side = 20; side <= 400; side += 380) {
    sp_raster r = {0};
    sp_strip_sight sight;
    sp_error err = {0};
    assert_int_equal(sp_raster_create(side, side, 8, &r, &err), SP_OK);
    memset(r.u8, 180, (size_t)side * side);
    assert_int_equal(sp_strip_look(&r, SP_STRIP_SEARCH, &sight, &err), SP_OK);
    assert_int_equal(sight.tags_seen + sight.piece_count + sight.point_count, 0);
    assert_false(sight.mirrored);
    sp_strip_sight_free(&sight);
    sp_raster_free(&r);
  }
}

static void test_check_lengths(void **state)
{
  (void)state;
  CHECK_CLOSE(sp_strip_stretch(139.7), 1.0, 1e-12);
  CHECK_CLOSE(sp_strip_stretch(254.0 * 1.004), 1.004, 1e-12);
  CHECK_CLOSE(sp_strip_check_meant(140.3), 139.7, 1e-12);
  CHECK_CLOSE(sp_strip_check_meant(253.2), 254.0, 1e-12);
  CHECK_CLOSE(sp_strip_cross_stretch(127.0 * 0.998), 0.998, 1e-12);
  assert_true(isnan(sp_strip_stretch(200.0)) && isnan(sp_strip_stretch(NAN)) && isnan(sp_strip_check_meant(0.0)));
  assert_true(isnan(sp_strip_cross_stretch(139.7)));
}

static int make_sheet(void **state)
{
  static sheet s;
  s = draw_sheet();
  *state = &s;
  return 0;
}

static int free_sheet(void **state)
{
  free(((sheet *)*state)->grey);
  return 0;
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_seen_squarely),    cmocka_unit_test(test_upside_down), cmocka_unit_test(test_turned),
      cmocka_unit_test(test_seen_at_an_angle), cmocka_unit_test(test_mirrored),    cmocka_unit_test(test_nothing_there),
      cmocka_unit_test(test_check_lengths),    cmocka_unit_test(test_overlapping), cmocka_unit_test(test_by_known_tags),
  };
  return cmocka_run_group_tests(tests, make_sheet, free_sheet);
}
