/* The printed strip against what is outside the project: the inch, paper sizes, the tag library's own decoder. */
#include "check_close.h"

#include <apriltag/apriltag.h>
#include <apriltag/tag36h11.h>
#include <png.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/strip.h"

/* 1 in = 25.4 mm (NIST SP 811); A4 is 210 mm x 297 mm (ISO 216); Letter is 8.5 in x 11 in (ANSI/ASME Y14.1). */
static const double INCH_MM = 25.4;

typedef struct sheet_picture {
  int32_t width, height;
  uint8_t *grey;
} sheet_picture;

static FILE *drawn(const sp_strip_sheet *sheet)
{
  sp_error err = {0};
  FILE *file = tmpfile();
  assert_non_null(file);
  assert_int_equal(sp_strip_draw(sheet, file, &err), SP_OK);
  rewind(file);
  return file;
}

static sheet_picture picture_of(sp_strip_paper paper, int32_t pieces, int32_t page, double dpi)
{
  const sp_strip_sheet sheet = {paper, SP_STRIP_PNG, pieces, page, dpi};
  FILE *file = drawn(&sheet);
  png_image image = {.version = PNG_IMAGE_VERSION};
  assert_true(png_image_begin_read_from_stdio(&image, file));
  image.format = PNG_FORMAT_GRAY;
  sheet_picture p = {(int32_t)image.width, (int32_t)image.height, malloc(PNG_IMAGE_SIZE(image))};
  assert_non_null(p.grey);
  assert_true(png_image_finish_read(&image, NULL, p.grey, 0, NULL));
  fclose(file);
  return p;
}

/* The library's decoder on the picture as it is. */
static zarray_t *decoded(const sheet_picture *p)
{
  image_u8_t image = {.width = p->width, .height = p->height, .stride = p->width, .buf = p->grey};
  apriltag_family_t *family = tag36h11_create();
  apriltag_detector_t *detector = apriltag_detector_create();
  apriltag_detector_add_family(detector, family);
  zarray_t *found = apriltag_detector_detect(detector, &image);
  apriltag_detector_destroy(detector);
  tag36h11_destroy(family);
  return found;
}

static void test_every_tag_is_read_where_it_should_be(void **state)
{
  (void)state;
  enum { PIECES = 8, SECOND_PAGE_FIRST = 7 };
  sheet_picture p = picture_of(SP_STRIP_A4, PIECES, 2, 300.0);
  zarray_t *found = decoded(&p);
  bool seen[2 * SP_STRIP_TAGS] = {false};
  const double per_mm = 300.0 / INCH_MM;
  double first_x = NAN;
  assert_int_equal(zarray_size(found), 2 * SP_STRIP_TAGS); /* pieces 7 and 8 */
  for (int i = 0; i < zarray_size(found); i++) {
    apriltag_detection_t *d;
    zarray_get(found, i, &d);
    const int32_t number = d->id - SP_STRIP_TAGS * (SECOND_PAGE_FIRST - 1);
    assert_true(number >= 0 && number < 2 * SP_STRIP_TAGS && !seen[number]);
    seen[number] = true;
    if (isnan(first_x))
      first_x = d->c[0] - number % SP_STRIP_TAGS * 12.7 * per_mm;
    CHECK_CLOSE(d->c[0], first_x + number % SP_STRIP_TAGS * 12.7 * per_mm, 0.3);
    CHECK_CLOSE(hypot(d->p[1][0] - d->p[0][0], d->p[1][1] - d->p[0][1]), SP_STRIP_TAG_MM * per_mm, 0.6);
  }
  apriltag_detections_destroy(found);
  free(p.grey);
}

/* A graduation's middle, in dots from the left edge of the picture, along one row. */
static size_t middles(const sheet_picture *p, int32_t row, double *out, size_t room)
{
  size_t n = 0;
  double mass = 0.0, moment = 0.0;
  for (int32_t x = 0; x < p->width; x++) {
    const double ink = (255.0 - p->grey[(size_t)row * (size_t)p->width + (size_t)x]) / 255.0;
    if (ink > 0.0) {
      mass += ink;
      moment += ink * (x + 0.5);
    } else if (mass > 0.0) {
      if (n < room)
        out[n] = moment / mass;
      n++;
      mass = moment = 0.0;
    }
  }
  return n;
}

/* Whole dots: every graduation of the sheet is printed alike, at the right place to a thousandth of a dot. */
static void check_graduations(sp_strip_paper paper, double dpi)
{
  sheet_picture p = picture_of(paper, 1, 0, dpi);
  double middle[SP_STRIP_GRADUATIONS + 8] = {0.0};
  const double graduated = (165.0 / 60.0 * INCH_MM + SP_STRIP_GRADUATED_MM) / INCH_MM * dpi; /* as the sheet lies */
  const size_t n = middles(&p, (int32_t)graduated, middle, SP_STRIP_GRADUATIONS + 8);
  assert_int_equal(n, SP_STRIP_GRADUATIONS);
  CHECK_CLOSE(middle[0], round(middle[0]), 1e-3);
  for (size_t k = 0; k < n; k++)
    CHECK_CLOSE(middle[k], middle[0] + (double)k * dpi / 20.0, 1e-3);
  CHECK_CLOSE((middle[n - 1] - middle[0]) / dpi, 10.0, 1e-6); /* inches */
  free(p.grey);
}

static void test_graduations_are_twentieths_of_an_inch(void **state)
{
  (void)state;
  check_graduations(SP_STRIP_A4, 300.0);
  check_graduations(SP_STRIP_LETTER, 600.0);
  CHECK_CLOSE(SP_STRIP_PITCH_MM, INCH_MM / 20.0, 1e-12);
  CHECK_CLOSE(200.0 * SP_STRIP_PITCH_MM, SP_STRIP_LENGTH_MM, 1e-9);
  CHECK_CLOSE(110.0 * SP_STRIP_PITCH_MM, SP_STRIP_CHECK_MM, 1e-9);
  CHECK_CLOSE(10.0 * SP_STRIP_PITCH_MM, SP_STRIP_TAG_PITCH_MM, 1e-9);
}

static void test_sizes_of_paper(void **state)
{
  (void)state;
  sheet_picture a4 = picture_of(SP_STRIP_A4, 1, 0, 150.0), letter = picture_of(SP_STRIP_LETTER, 1, 0, 150.0);
  CHECK_CLOSE(a4.width, 297.0 / INCH_MM * 150.0, 0.5);
  CHECK_CLOSE(a4.height, 210.0 / INCH_MM * 150.0, 0.5);
  assert_int_equal(letter.width, 1650);
  assert_int_equal(letter.height, 1275);
  free(a4.grey);
  free(letter.grey);
}

/* Points are 1/72 in (ISO 32000). */
static void test_vectors_state_their_size(void **state)
{
  (void)state;
  char text[4096] = "", unit[8] = "";
  double width = NAN, height = NAN;
  FILE *svg = drawn(&(sp_strip_sheet){SP_STRIP_LETTER, SP_STRIP_SVG, 1, 0, 600.0});
  assert_true(fread(text, 1, sizeof text - 1, svg) > 100);
  const char *at = strstr(text, "width=\"");
  assert_non_null(at);
  assert_int_equal(sscanf(at, "width=\"%lf%2[a-z]\" height=\"%lf", &width, unit, &height), 3);
  assert_string_equal(unit, "pt");
  CHECK_CLOSE(width, 11.0 * 72.0, 0.01);
  CHECK_CLOSE(height, 8.5 * 72.0, 0.01);
  fclose(svg);
}

static void test_same_bytes_every_time(void **state)
{
  (void)state;
  const sp_strip_sheet sheet = {SP_STRIP_A4, SP_STRIP_PDF, 2, 0, 600.0};
  FILE *a = drawn(&sheet), *b = drawn(&sheet);
  int x, y;
  size_t n = 0;
  do {
    x = getc(a);
    y = getc(b);
    assert_int_equal(x, y);
    n++;
  } while (x != EOF);
  assert_true(n > 10000);
  fclose(a);
  fclose(b);
}

static void test_requests_that_cannot_be_met(void **state)
{
  (void)state;
  const sp_strip_sheet bad[] = {{SP_STRIP_A4, SP_STRIP_PDF, 0, 0, 600.0}, {SP_STRIP_A4, SP_STRIP_PDF, 30, 0, 600.0},
                                {SP_STRIP_A4, SP_STRIP_PDF, 6, 2, 600.0}, {SP_STRIP_A4, SP_STRIP_SVG, 7, 0, 600.0},
                                {SP_STRIP_A4, SP_STRIP_PNG, 1, 0, 72.0},  {SP_STRIP_A4, SP_STRIP_PNG, 1, 0, NAN},
                                {SP_STRIP_A4, SP_STRIP_PNG, 1, 0, 4800.0}};
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
    sp_error err = {0};
    FILE *file = tmpfile();
    assert_non_null(file);
    assert_int_equal(sp_strip_draw(&bad[i], file, &err), SP_E_USAGE);
    assert_true(err.text[0]);
    assert_int_equal(ftell(file), 0);
    fclose(file);
  }
  assert_int_equal(sp_strip_pieces_for(254.0), 1);
  assert_int_equal(sp_strip_pieces_for(254.1), 2);
  assert_int_equal(sp_strip_pieces_for(29 * 254.0), 29);
  assert_int_equal(sp_strip_pieces_for(29 * 254.0 + 1.0), 0);
  assert_int_equal(sp_strip_pieces_for(NAN), 0);
  assert_int_equal(sp_strip_pages(6), 1);
  assert_int_equal(sp_strip_pages(7), 2);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_every_tag_is_read_where_it_should_be),
      cmocka_unit_test(test_graduations_are_twentieths_of_an_inch),
      cmocka_unit_test(test_sizes_of_paper),
      cmocka_unit_test(test_vectors_state_their_size),
      cmocka_unit_test(test_same_bytes_every_time),
      cmocka_unit_test(test_requests_that_cannot_be_met),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
