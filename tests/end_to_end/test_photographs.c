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

static cJSON *parsed(const char *path)
{
  char *text = outside_text(path);
  assert_non_null(text);
  cJSON *json = cJSON_Parse(text);
  free(text);
  assert_non_null(json);
  return json;
}

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
  cJSON *record = outside_json(line, status), *truth = parsed(path);
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
  cJSON *truth = parsed("drawn.json");
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

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_samples),
      cmocka_unit_test(test_random_photographs),
      cmocka_unit_test(test_height),
      cmocka_unit_test(test_no_rule),
  };
  if (argc != 2 || !outside_enter(argv[1]))
    return 64;
  const int failed = cmocka_run_group_tests(tests, NULL, NULL);
  return outside_leave() + failed;
}
