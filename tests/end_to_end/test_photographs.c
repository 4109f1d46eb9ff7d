/* Photographs through the whole program: the samples and a few drawn ones against their truth. Called with the program
 * as its one argument.
 *
 * That a rule lies flush cannot be seen in a picture; what it costs if it does not is geometry (similar triangles), and
 * the same geometry has to take it out again when it is told. */
#include <stdlib.h>
#include <string.h>

#include "accuracy.h"
#include "check_close.h"
#include "outside.h"
#include "render.h"

/* Largest difference of a found fret's error from the truth's, mm; places in the picture must agree as well. */
static double farthest(const cJSON *record, const cJSON *truth, int frets)
{
  double worst = 0.0;
  for (int k = 1; k <= frets; k++) {
    const cJSON *m = mark(record, k), *t = mark(truth, k);
    assert_string_equal(word(m, "state"), "found");
    worst = fmax(worst, fabs(number(m, "error_mm") - number(t, "error_mm")));
  }
  return worst;
}

static void sample(const char *name, const char *options, int status, int frets, double limit_mm)
{
  char line[1200], path[1000];
  snprintf(path, sizeof path, "%s/%s.json", SAMPLES_DIR, name);
  snprintf(line, sizeof line, "check %s --frets %d --reference-mpe 0mm --reference-height 0mm %s/%s.jpg", options,
           frets, SAMPLES_DIR, name);
  cJSON *record = outside_json(line, status), *truth = outside_parsed(path);
  CHECK_BELOW(farthest(record, truth, frets), limit_mm);
  assert_true(number(member(record, "camera"), "fit_rms_px") < 0.2);
  cJSON_Delete(record);
  cJSON_Delete(truth);
}

static void test_samples(void **state)
{
  (void)state;
  sample("dotterel", "--scale-length 361mm", 1, 13, 0.03);
  sample("turnstone", "--scale-length 648mm --marks slot", 0, 19, 0.03);
}

static void test_random_photographs(void **state)
{
  (void)state;
  static accuracy sums;
  sums = (accuracy){0};
  for (unsigned long seed = 6001; seed < 6004; seed++) {
    char stem[100];
    snprintf(stem, sizeof stem, "photo_%lu", seed);
    assert_true(accuracy_add(&sums, "photo", seed, 600.0, stem, true));
  }
  accuracy_print(&sums, "photo");
  assert_int_equal(sums.boards_without_scale, 0);
  assert_int_equal(sums.boards_unmatched, 0);
  assert_int_equal(sums.missed, 0);
  assert_int_equal(sums.wrong, 0);
  CHECK_BELOW(sqrt(sums.sum_um2 / (double)sums.found), 30.0);
  CHECK_BELOW(sums.worst_um, 100.0);
}

/* ---- drawn to order ---- */

enum { FRETS = 10 };
static const char CHECK_LINE[] = "check --scale-length 300mm --frets 10 --reference-mpe 0mm";

static void draw(const char *const *settings, size_t count)
{
  static const char *const COMMON[] = {
      "photo=1",           "scale_length_mm=300", "frets=10",      "photo_width_px=2400", "photo_height_px=1800",
      "photo_roll_deg=95", "photo_tilt_x_deg=2",  "photo_k1=0.02", "background=0.25",     "graduation_error_um=0"};
  static const size_t COMMON_COUNT = sizeof COMMON / sizeof *COMMON;
  render_params params;
  render_image image;
  render_truth truth;
  char message[RENDER_MESSAGE] = "";
  render_params_init(&params);
  for (size_t i = 0; i < COMMON_COUNT + count; i++)
    assert_true(render_params_set(&params, i < COMMON_COUNT ? COMMON[i] : settings[i - COMMON_COUNT], message));
  assert_true(render_board(&params, &image, &truth, message));
  assert_true(render_write_jpeg(&image, "drawn.jpg", 92, message));
  assert_true(render_write_truth(&truth, "drawn.json", message));
  render_image_free(&image);
  render_truth_free(&truth);
}

static int has_warning(const cJSON *record, const char *part)
{
  const cJSON *w;
  cJSON_ArrayForEach(w, member(record, "warnings")) if (strstr(w->valuestring, part)) return 1;
  return 0;
}

static void test_height(void **state)
{
  (void)state;
  const char *settings[] = {"rule_height_mm=-1.5"};
  char line[300];
  draw(settings, 1);
  cJSON *truth = outside_parsed("drawn.json");
  snprintf(line, sizeof line, "%s --tolerance 3mm drawn.jpg", CHECK_LINE);
  cJSON *untold = outside_json(line, 0);
  assert_true(has_warning(untold, "flush"));
  /* seen from D, 132 mm between nut and last fret are wrong by 132 mm * 1.5 mm / D */
  const double distance = number(member(truth, "camera"), "distance_mm");
  const double last = number(mark(truth, FRETS), "layout_mm");
  CHECK_CLOSE(number(mark(untold, FRETS), "error_mm") - number(mark(truth, FRETS), "error_mm"), last * 1.5 / distance,
              0.15 * last * 1.5 / distance);
  cJSON_Delete(untold);
  snprintf(line, sizeof line, "%s --tolerance 3mm --reference-height=-1.5mm --camera-distance %.1fmm drawn.jpg",
           CHECK_LINE, distance);
  cJSON *told = outside_json(line, 0);
  assert_false(has_warning(told, "flush"));
  CHECK_BELOW(farthest(told, truth, FRETS), 0.05);
  cJSON_Delete(told);
  cJSON_Delete(truth);
}

static void test_no_rule(void **state)
{
  (void)state;
  const char *settings[] = {"graduation=none"};
  draw(settings, 1);
  char line[300];
  snprintf(line, sizeof line, "%s drawn.jpg", CHECK_LINE);
  cJSON *record = outside_json(line, 2);
  assert_string_equal(word(member(record, "reference"), "kind"), "none");
  assert_true(is_null(mark(record, 5), "error_mm"));
  cJSON_Delete(record);
}

/* Whatever lies on the bench: a crown stands above the board and hides a foot from a camera. */
static void test_frets_are_refused(void **state)
{
  (void)state;
  const outside_result *run =
      outside_run("check --marks wire --scale-length 361mm --frets 13 " SAMPLES_DIR "/dotterel.jpg");
  assert_int_equal(run->status, 65);
  assert_non_null(strstr(run->err, "dotterel.jpg"));
  assert_non_null(strstr(run->err, "photograph"));
  assert_non_null(strstr(run->err, "scan the neck"));
  assert_string_equal(run->out, "");
}

/* ---- a printed strip ------------------------------------------------------------------------------------------------
 */

enum { SEEN_WIDTH = 3000, SEEN_HEIGHT = 2250, SAMPLES = 3 };

/* A pinhole with one term of distortion over the middle of a flat picture: its pixel for a pixel of the photograph. */
static render_point behind(double x_px, double y_px, double px_per_px, const render_image *flat)
{
  const double f = 2150.0, k1 = 0.03, tilt_x = 0.05, tilt_y = -0.06;
  const double wanted_x = (x_px - 0.5 * SEEN_WIDTH - 9.0) / f, wanted_y = (y_px - 0.5 * SEEN_HEIGHT + 7.0) / f;
  double x = wanted_x, y = wanted_y;
  for (int i = 0; i < 20; i++) {
    const double radial = 1.0 + k1 * (x * x + y * y);
    x = wanted_x / radial;
    y = wanted_y / radial;
  }
  /* turned about the vertical, then the horizontal; the plane lies at the distance that gives the scale */
  const double z1 = 1.0, x2 = x * cos(tilt_y) + z1 * sin(tilt_y), z2 = z1 * cos(tilt_y) - x * sin(tilt_y);
  const double y3 = y * cos(tilt_x) - z2 * sin(tilt_x), z3 = y * sin(tilt_x) + z2 * cos(tilt_x);
  const double distance = f * px_per_px;
  return (render_point){0.5 * flat->width_px + distance * x2 / z3, 0.5 * flat->height_px + distance * y3 / z3};
}

static double grey_at(const render_image *flat, render_point p)
{
  const double bench = 60.0;
  if (!(p.x >= 0.0 && p.y >= 0.0 && p.x < flat->width_px - 1 && p.y < flat->height_px - 1))
    return bench;
  const int x = (int)p.x, y = (int)p.y;
  const double fx = p.x - x, fy = p.y - y;
  const uint16_t *q = flat->sample + (size_t)y * (size_t)flat->width_px + (size_t)x;
  const uint16_t *r = q + flat->width_px;
  return (1.0 - fy) * ((1.0 - fx) * q[0] + fx * q[1]) + fy * ((1.0 - fx) * r[0] + fx * r[1]);
}

/* The finely drawn flat picture, photographed: every pixel the mean of SAMPLES x SAMPLES places. */
static void photograph(const render_image *flat, double px_per_px, const char *path)
{
  render_image seen = {.width_px = SEEN_WIDTH, .height_px = SEEN_HEIGHT, .channels = 1, .full_scale = 255};
  uint64_t dice = 1;
  char message[RENDER_MESSAGE] = "";
  seen.sample = calloc((size_t)SEEN_WIDTH * SEEN_HEIGHT, sizeof *seen.sample);
  assert_non_null(seen.sample);
  for (int y = 0; y < SEEN_HEIGHT; y++)
    for (int x = 0; x < SEEN_WIDTH; x++) {
      double sum = 0.0;
      for (int i = 0; i < SAMPLES * SAMPLES; i++)
        sum += grey_at(flat, behind(x + (i % SAMPLES + 0.5) / SAMPLES - 0.5, y + (i / SAMPLES + 0.5) / SAMPLES - 0.5,
                                    px_per_px, flat));
      dice = dice * 6364136223846793005u + 1442695040888963407u;
      const double noise = 4.0 * ((double)(dice >> 11) / 9007199254740992.0 - 0.5);
      seen.sample[(size_t)y * SEEN_WIDTH + (size_t)x] = (uint16_t)(sum / (SAMPLES * SAMPLES) + noise + 0.5);
    }
  assert_true(render_write_jpeg(&seen, path, 92, message));
  render_image_free(&seen);
}

static void strip_photograph(const char *side, double limit_mm)
{
  const char *settings[] = {"scale_length_mm=300", "frets=10",     "graduation=none", "dpi=800",
                            "noise=0.002",         "margin_mm=12", "background=0.25", "placement_sd_mm=0.1"};
  render_params params;
  render_image flat;
  render_truth truth;
  char message[RENDER_MESSAGE] = "", line[300];
  snprintf(line, sizeof line, "strip_side=%s", side);
  render_params_init(&params);
  for (size_t i = 0; i < sizeof settings / sizeof *settings; i++)
    assert_true(render_params_set(&params, settings[i], message));
  assert_true(render_params_set(&params, line, message));
  assert_true(render_board(&params, &flat, &truth, message));
  assert_true(render_write_truth(&truth, "strip.json", message));
  photograph(&flat, 3.2, "strip.jpg");
  render_image_free(&flat);
  render_truth_free(&truth);
  cJSON *drawn = outside_parsed("strip.json");
  snprintf(line, sizeof line,
           "%s --tolerance 3mm --reference strip --strip-length 139.7mm --reference-height 0mm strip.jpg", CHECK_LINE);
  cJSON *record = outside_json(line, 0);
  assert_string_equal(word(member(record, "reference"), "kind"), "strip");
  const double worst = farthest(record, drawn, FRETS);
  printf("  strip %s: worst %.4f mm\n", side, worst);
  CHECK_BELOW(worst, limit_mm);
  cJSON_Delete(record);
  cJSON_Delete(drawn);
}

static void test_strips(void **state)
{
  (void)state;
  strip_photograph("right", 0.06);
  strip_photograph("both", 0.02);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_samples), cmocka_unit_test(test_random_photographs),
      cmocka_unit_test(test_height),  cmocka_unit_test(test_no_rule),
      cmocka_unit_test(test_strips),  cmocka_unit_test(test_frets_are_refused),
  };
  if (argc != 2 || !outside_enter(argv[1]))
    return 64;
  const int failed = cmocka_run_group_tests(tests, NULL, NULL);
  return outside_leave() + failed;
}
