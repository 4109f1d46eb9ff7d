/* The program measures its own drawings. Called with the program as its one argument.
 *
 * The drawing becomes a picture through renderers that are not ours: Poppler's two (pdftocairo, pdftoppm) for the pdf,
 * librsvg's (rsvg-convert) for the svg. A scan is neither quite black nor quite white and has some noise, so the
 * picture is brought to that first. pdftoppm pulls thin lines onto whole pixels, as printers do; the others do not. */
#include <stdlib.h>
#include <string.h>

#include <png.h>

#include "check_close.h"
#include "outside.h"

typedef struct picture {
  uint32_t width, height;
  uint8_t *grey;
} picture;

static void shell(const char *line)
{
  if (system(line) != 0) {
    fprintf(stderr, "this failed: %s\n", line);
    fail();
  }
}

static void draw(const char *arguments)
{
  const outside_result *r = outside_run(arguments);
  assert_int_equal(r->status, 0);
  assert_string_equal(r->out, "");
  assert_string_equal(r->err, "");
}

static picture read_picture(const char *path)
{
  png_image image = {.version = PNG_IMAGE_VERSION};
  const png_color white = {255, 255, 255};
  assert_true(png_image_begin_read_from_file(&image, path));
  image.format = PNG_FORMAT_GRAY;
  picture p = {image.width, image.height, malloc(PNG_IMAGE_SIZE(image))};
  assert_non_null(p.grey);
  assert_true(png_image_finish_read(&image, &white, p.grey, 0, NULL));
  return p;
}

/* Greys from 30 to 235, with even noise of -3 to 3. */
static void make_scan(const picture *p, const char *path)
{
  png_image image = {.version = PNG_IMAGE_VERSION, .width = p->width, .height = p->height, .format = PNG_FORMAT_GRAY};
  image.flags = PNG_IMAGE_FLAG_FAST;
  uint32_t state = 20231;
  for (size_t i = 0; i < (size_t)p->width * p->height; i++) {
    state = state * 1664525u + 1013904223u; /* Numerical Recipes, ch. 7: good enough for noise */
    p->grey[i] = (uint8_t)(30 + p->grey[i] * 205 / 255 - 3 + (int)((state >> 16) % 7));
  }
  assert_true(png_image_write_to_file(&image, path, 0, p->grey, 0, NULL));
}

static cJSON *measured(const char *picture_path, const char *board, int status)
{
  picture p = read_picture(picture_path);
  char line[500];
  make_scan(&p, "scan.png");
  free(p.grey);
  snprintf(line, sizeof line, "check %s --reference-mpe 0mm scan.png", board);
  return outside_json(line, status);
}

/* Frets `first` to `last` lie within tolerance_mm of where they should, and square. */
static void check_frets(const cJSON *record, int first, int last, double tolerance_mm)
{
  for (int fret = first; fret <= last; fret++) {
    const cJSON *m = mark(record, fret);
    assert_string_equal(word(m, "state"), "found");
    assert_string_equal(word(m, "verdict"), "within");
    CHECK_CLOSE(number(m, "error_mm"), 0.0, tolerance_mm);
    CHECK_CLOSE(number(m, "squareness_deg"), 0.0, 0.05);
  }
}

#define UKULELE "--scale-length 345mm --frets 15 "
#define GUITAR  "--scale-length 648mm --frets 22 "

/* 600 dpi: a pixel is 0.042 mm. */
static void a_pdf_passes(void **state)
{
  (void)state;
  draw("layout " UKULELE "--nut-width 36mm --end-width 46mm --format pdf --output made.pdf");
  shell("pdftocairo -png -gray -r 600 -singlefile made.pdf page");
  cJSON *r = measured("page.png", UKULELE, 0);
  assert_string_equal(word(member(r, "datum"), "kind"), "line");
  assert_string_equal(word(member(r, "reference"), "kind"), "rule");
  CHECK_CLOSE(number(member(r, "reference"), "graduation_mm"), 1.0, 0.0);
  CHECK_CLOSE(number(member(r, "reference"), "px_per_mm"), 600 / 25.4, 0.003);
  check_frets(r, 1, 15, 0.006);
  assert_int_equal(cJSON_GetArraySize(member(r, "stray")), 0);
  cJSON_Delete(r);
}

/* The same through the renderer that moves lines to whole pixels, 0.042 mm. */
static void a_pdf_on_whole_dots_passes(void **state)
{
  (void)state;
  draw("layout " UKULELE "--nut-width 36mm --end-width 46mm --format pdf --output made.pdf");
  shell("pdftoppm -png -gray -r 600 -singlefile made.pdf page");
  cJSON *r = measured("page.png", UKULELE, 0);
  check_frets(r, 1, 15, 0.042);
  cJSON_Delete(r);
}

/* Two sheets, each with its part: the second, without a nut, is measured against itself. */
static void sheets_pass_one_by_one(void **state)
{
  (void)state;
  draw("layout " GUITAR "--nut-width 43mm --end-width 56mm --format pdf --paper letter --output made.pdf");
  shell("pdftocairo -png -gray -r 300 made.pdf page");
  cJSON *first = measured("page-1.png", GUITAR, 2), *second = measured("page-2.png", GUITAR, 2);
  check_frets(first, 1, 7, 0.006);
  check_frets(second, 8, 22, 0.006);
  assert_string_equal(word(mark(first, 8), "state"), "missing");
  assert_string_equal(word(mark(second, 7), "state"), "missing");
  assert_string_equal(word(member(second, "datum"), "kind"), "fit");
  CHECK_CLOSE(number(member(second, "fit"), "scale_length_mm"), 648.0, 0.05);
  cJSON_Delete(first);
  cJSON_Delete(second);
}

static void an_svg_passes(void **state)
{
  (void)state;
  draw("layout " UKULELE "--format svg --output made.svg");
  shell("rsvg-convert --dpi-x 600 --dpi-y 600 --background-color white --output page.png made.svg");
  cJSON *r = measured("page.png", UKULELE, 0);
  check_frets(r, 1, 15, 0.006);
  cJSON_Delete(r);
}

/* Middle of the dark run about column x of a row; NAN if there is none within a millimetre. */
static double dark_at_px(const picture *p, double x_px, double y_px, double reach_px)
{
  const uint8_t *row = p->grey + (size_t)y_px * p->width;
  double weight = 0.0, sum = 0.0;
  for (uint32_t x = (uint32_t)(x_px - reach_px); x <= (uint32_t)(x_px + reach_px); x++) {
    weight += 255.0 - row[x];
    sum += (255.0 - row[x]) * x;
  }
  return weight > 0.0 ? sum / weight : NAN;
}

/* Lines and rule would grow together; only the bar proves the size. On every sheet of either paper its end strokes are
 * 100 mm apart in points of the file, read from the pixels without the program. */
static void the_bar_is_true(void **state)
{
  (void)state;
  static const char *const PAPERS[] = {"a4", "letter"};
  static const double HEIGHTS_MM[] = {210.0, 215.9};
  for (int i = 0; i < 2; i++) {
    char line[300];
    snprintf(line, sizeof line, "layout " GUITAR "--format pdf --paper %s --output made.pdf", PAPERS[i]);
    draw(line);
    shell("pdftocairo -png -gray -r 300 -f 2 -l 2 -singlefile made.pdf page");
    picture p = read_picture("page.png");
    const double px = 300 / 25.4;
    const double y = (HEIGHTS_MM[i] - 22.0 - 1.5) * px; /* the strokes reach from the bar 3 mm up and down */
    CHECK_CLOSE(p.height, HEIGHTS_MM[i] * px, 1.0);
    const double left = dark_at_px(&p, 12.5 * px, y, px), right = dark_at_px(&p, 112.5 * px, y, px);
    CHECK_CLOSE((right - left) / px, 100.0, 0.01);
    free(p.grey);
  }
}

static int leave(void **state)
{
  (void)state;
  return outside_leave();
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_pdf_passes),           cmocka_unit_test(a_pdf_on_whole_dots_passes),
      cmocka_unit_test(sheets_pass_one_by_one), cmocka_unit_test(an_svg_passes),
      cmocka_unit_test(the_bar_is_true),
  };
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_drawings PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
