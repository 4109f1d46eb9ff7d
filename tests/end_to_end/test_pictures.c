/* One board, many pictures: what must not change the result, and what must stop it. Called with the program as its one
 * argument.
 *
 * A board turned on the glass, stored with 16 bits, or with twice the margin is the same board: its errors must agree far
 * below what matters. These need no truth. Pictures without a rule, without a board, or cut off must not give lengths. */
#include <stdlib.h>
#include <string.h>

#include <png.h>

#include "check_close.h"
#include "drawn.h"
#include "outside.h"
#include "render.h"

enum { FRETS = 14 };
static const double SAME_MM = 0.003;
static const char CHECK_LINE[] = "check --scale-length 352mm --frets 14 --reference-mpe 0mm";

typedef struct picture {
  uint32_t width, height;
  uint8_t *grey;
} picture;

static picture read_sample(const char *name)
{
  char path[1000];
  png_image image = {.version = PNG_IMAGE_VERSION};
  snprintf(path, sizeof path, "%s/%s.png", SAMPLES_DIR, name);
  assert_true(png_image_begin_read_from_file(&image, path));
  image.format = PNG_FORMAT_GRAY;
  picture p = {image.width, image.height, malloc(PNG_IMAGE_SIZE(image))};
  assert_non_null(p.grey);
  assert_true(png_image_finish_read(&image, NULL, p.grey, 0, NULL));
  return p;
}

/* A quarter turn clockwise: (x, y) goes to (height - 1 - y, x). */
static picture turned(const picture *p)
{
  picture t = {p->height, p->width, malloc((size_t)p->width * p->height)};
  assert_non_null(t.grey);
  for (uint32_t y = 0; y < p->height; y++)
    for (uint32_t x = 0; x < p->width; x++)
      t.grey[(size_t)x * t.width + (p->height - 1 - y)] = p->grey[(size_t)y * p->width + x];
  return t;
}

static void write_picture(const picture *p, const char *path)
{
  png_image image = {.version = PNG_IMAGE_VERSION, .width = p->width, .height = p->height, .format = PNG_FORMAT_GRAY};
  assert_true(png_image_write_to_file(&image, path, 0, p->grey, 0, NULL));
}

/* Rows `from` to `to` only. */
static picture cut(const picture *p, uint32_t from, uint32_t to)
{
  picture c = {p->width, to - from, malloc((size_t)p->width * (to - from))};
  assert_non_null(c.grey);
  memcpy(c.grey, p->grey + (size_t)from * p->width, (size_t)p->width * (to - from));
  return c;
}

static cJSON *check(const char *path, int status)
{
  char line[500];
  snprintf(line, sizeof line, "%s %s", CHECK_LINE, path);
  return outside_json(line, status);
}

static void check_same(const cJSON *a, const cJSON *b, double tolerance_mm)
{
  for (int fret = 1; fret <= FRETS; fret++) {
    CHECK_CLOSE(number(mark(a, fret), "error_mm"), number(mark(b, fret), "error_mm"), tolerance_mm);
    CHECK_CLOSE(number(mark(a, fret), "squareness_deg"), number(mark(b, fret), "squareness_deg"), 0.02);
    assert_string_equal(word(mark(a, fret), "verdict"), word(mark(b, fret), "verdict"));
  }
}

static void test_turned(void **state)
{
  (void)state;
  picture p = read_sample("sandpiper");
  write_picture(&p, "upright.png");
  cJSON *upright = check("upright.png", 0);
  for (int quarter = 1; quarter < 4; quarter++) {
    picture t = turned(&p);
    free(p.grey);
    p = t;
    write_picture(&p, "turned.png");
    cJSON *r = check("turned.png", 0);
    check_same(r, upright, SAME_MM);
    cJSON_Delete(r);
  }
  free(p.grey);
  cJSON_Delete(upright);
}

/* 16 bits hold the same greys: 257 times as large. */
static void test_sixteen_bits(void **state)
{
  (void)state;
  picture p = read_sample("sandpiper");
  const size_t count = (size_t)p.width * p.height;
  uint16_t *deep = malloc(count * sizeof *deep);
  render_image image = {.width_px = (int32_t)p.width, .height_px = (int32_t)p.height, .channels = 1, .full_scale = 65535,
                        .stated_dpi = 600.0, .sample = deep};
  char message[RENDER_MESSAGE];
  assert_non_null(deep);
  for (size_t i = 0; i < count; i++)
    deep[i] = (uint16_t)(257 * p.grey[i]);
  assert_true(render_write_png(&image, "deep.png", message));
  write_picture(&p, "upright.png");
  cJSON *a = check("deep.png", 0), *b = check("upright.png", 0);
  check_same(a, b, 1e-4);
  cJSON_Delete(a);
  cJSON_Delete(b);
  free(deep);
  free(p.grey);
}

/* JPEG of good quality moves a line by little (common practice, no source: compression to a tenth is near to lossless). */
static void test_jpeg(void **state)
{
  (void)state;
  picture p = read_sample("sandpiper");
  const size_t count = (size_t)p.width * p.height;
  uint16_t *sample = malloc(count * sizeof *sample);
  render_image image = {.width_px = (int32_t)p.width, .height_px = (int32_t)p.height, .channels = 1, .full_scale = 255,
                        .stated_dpi = 600.0, .sample = sample};
  char message[RENDER_MESSAGE];
  assert_non_null(sample);
  for (size_t i = 0; i < count; i++)
    sample[i] = p.grey[i];
  assert_true(render_write_jpeg(&image, "board.jpg", 92, message));
  write_picture(&p, "upright.png");
  cJSON *a = check("board.jpg", 0), *b = check("upright.png", 0);
  check_same(a, b, SAME_MM);
  cJSON_Delete(a);
  cJSON_Delete(b);
  free(sample);
  free(p.grey);
}

/* The far part of the board is not in the picture: the frets that show are measured as before, the rest are missing. */
static void test_part_of_a_board(void **state)
{
  (void)state;
  picture p = read_sample("sandpiper"), part = cut(&p, 0, 4000);
  write_picture(&p, "upright.png");
  write_picture(&part, "part.png");
  cJSON *whole = check("upright.png", 0), *r = check("part.png", 2);
  for (int fret = 1; fret <= FRETS; fret++) {
    const cJSON *m = mark(r, fret), *w = mark(whole, fret);
    const double y = 0.5 * (coordinate(w, "end_a_px", 1) + coordinate(w, "end_b_px", 1));
    if (y < 3900.0)
      CHECK_CLOSE(number(m, "error_mm"), number(w, "error_mm"), SAME_MM);
    else if (y > 4100.0)
      assert_string_equal(word(m, "state"), "missing");
  }
  cJSON_Delete(whole);
  cJSON_Delete(r);
  free(p.grey);
  free(part.grey);
}

/* No rule: no length, whatever the file says of its resolution. The frets can still be compared with each other. */
static void test_without_a_rule(void **state)
{
  (void)state;
  static const char *const SETTINGS[] = {"dpi=400", "scale_length_mm=352", "frets=14", "graduation=none",
                                         "placement_sd_mm=0.02", "misplace=6:0.6", NULL};
  draw(1, SETTINGS, "bare.png", NULL);
  static const char *const LINES[] = {"", "--reference rule"};
  for (size_t i = 0; i < 2; i++) {
    char line[500];
    snprintf(line, sizeof line, "%s %s bare.png", CHECK_LINE, LINES[i]);
    cJSON *r = outside_json(line, 2);
    const cJSON *warning = cJSON_GetArrayItem(member(r, "warnings"), 0);
    assert_non_null(warning);
    assert_non_null(strstr(warning->valuestring, "no rule"));
    assert_string_equal(word(member(r, "reference"), "kind"), "none");
    for (int fret = 1; fret <= FRETS; fret++) {
      assert_true(is_null(mark(r, fret), "x_mm") && is_null(mark(r, fret), "error_mm"));
      assert_string_equal(word(mark(r, fret), "verdict"), "undecided");
    }
    /* 0.6 mm at fret 6 of 352 mm: 1731.234 * 0.6 / (352 * 2^(-6/12)) = 4.17 cents */
    CHECK_CLOSE(number(mark(r, 6), "error_cents"), 4.17, 0.7);
    cJSON_Delete(r);
  }
  assert_int_equal(outside_run("reference bare.png")->status, 2);
}

/* Only rule and lid: no fret may be found. */
static void test_without_a_board(void **state)
{
  (void)state;
  picture p = read_sample("sandpiper");
  /* the rule lies to the left of this board; what is right of it is lid */
  const uint32_t keep = 480;
  for (uint32_t y = 0; y < p.height; y++)
    for (uint32_t x = keep; x < p.width; x++)
      p.grey[(size_t)y * p.width + x] = p.grey[(size_t)y * p.width + 10];
  write_picture(&p, "lid.png");
  cJSON *r = check("lid.png", 2);
  assert_string_equal(word(member(r, "reference"), "kind"), "rule");
  for (int fret = 0; fret <= FRETS; fret++)
    assert_string_equal(word(mark(r, fret), "state"), "missing");
  assert_true(cJSON_GetArraySize(member(r, "warnings")) >= 1);
  cJSON_Delete(r);
  free(p.grey);
}

/* Another division of the octave, and a list of steps that says the same. 19 divisions: x = L (1 - 2^(-n/19)). */
static void test_nineteen_divisions(void **state)
{
  (void)state;
  static const char *const SETTINGS[] = {"dpi=400", "scale_length_mm=366", "frets=16", "divisions=19",
                                         "placement_sd_mm=0.02", NULL};
  draw(1, SETTINGS, "nineteen.png", NULL);
  FILE *steps = fopen("steps.txt", "w");
  assert_non_null(steps);
  for (int n = 1; n <= 16; n++)
    assert_true(fprintf(steps, "%.9f\n", 1200.0 * n / 19.0) > 0);
  assert_int_equal(fclose(steps), 0);
  cJSON *a = outside_json("check --scale-length 366mm --frets 16 --divisions 19 --reference-mpe 0mm nineteen.png", 0);
  cJSON *b = outside_json("check --scale-length 366mm --frets 16 --steps steps.txt --reference-mpe 0mm nineteen.png", 0);
  assert_true(is_null(member(b, "layout"), "divisions"));
  for (int fret = 1; fret <= 16; fret++) {
    CHECK_CLOSE(number(mark(a, fret), "layout_mm"), 366.0 * (1.0 - exp2(-fret / 19.0)), 1e-6);
    CHECK_CLOSE(number(mark(a, fret), "error_mm"), number(mark(b, fret), "error_mm"), 1e-6);
  }
  cJSON_Delete(a);
  cJSON_Delete(b);
}

static int leave(void **state)
{
  (void)state;
  return outside_leave();
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_turned),          cmocka_unit_test(test_sixteen_bits),
      cmocka_unit_test(test_jpeg),            cmocka_unit_test(test_part_of_a_board),
      cmocka_unit_test(test_without_a_rule),  cmocka_unit_test(test_without_a_board),
      cmocka_unit_test(test_nineteen_divisions),
  };
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_pictures PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
