/* Profiles from end to end: a scanner and a camera are calibrated from drawn pictures, then boards are measured with
 * the profiles and compared with the truth. Called with the program as its one argument. */
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "chessboard.h"
#include "outside.h"
#include "render.h"

/* One scanner: its axes' scales, the carriage's waves, the sensor's bend. The seed draws their phases. */
#define SCANNER                                                                                                        \
  "sheet_width_mm=110", "sheet_height_mm=230", "scale_error_x=-0.0021", "scale_error_y=0.0017", "wave_count=3",        \
      "wave_um=25", "sensor_um=30", "margin_mm=4", "scale_length_mm=300", "frets=12"
enum { FRETS = 12, SCANNER_SEED = 77 };

static void draw(const char *const *settings, uint64_t seed, const char *path, render_truth *truth)
{
  render_params params;
  render_image image;
  char message[RENDER_MESSAGE] = "";
  render_params_init(&params);
  params.seed = seed;
  for (; *settings; settings++)
    assert_true(render_params_set(&params, *settings, message));
  if (!render_board(&params, &image, truth, message))
    fail_msg("%s", message);
  assert_true(render_write_png(&image, path, message));
  render_image_free(&image);
}

/* Every fret's error is the true one within the stated uncertainty; returns the worst difference, mm. */
static double compare(const cJSON *record, const render_truth *truth, int frets)
{
  double worst = 0.0;
  for (int fret = 1; fret <= frets; fret++) {
    const cJSON *m = mark(record, fret);
    const double off = number(m, "error_mm") - truth->mark[fret].error_mm;
    CHECK_CLOSE(off, 0.0, number(m, "expanded_u_mm"));
    worst = fmax(worst, fabs(off));
  }
  return worst;
}

static const char *run_fine(const char *arguments)
{
  const outside_result *r = outside_run(arguments);
  if (r->status != 0)
    fail_msg("status %d: %s", r->status, r->err);
  return r->out;
}

static void test_scanner(void **state)
{
  static const char *const LAID[] = {SCANNER, "graduation=1mm", "rule_start_mm=-3", "rule_length_mm=190", NULL};
  static const char *const TURNED[] = {
      SCANNER, "graduation=1mm", "rule_start_mm=-3", "rule_length_mm=190", "rule_reversed=1", NULL};
  static const char *const BOARD[] = {SCANNER, "graduation=none", "placement_sd_mm=0.1", "misplace=5:0.4", NULL};
  static const char *const SMALLER[] = {"graduation=none", "dpi=300", NULL};
  render_truth *truth = malloc(sizeof *truth);
  (void)state;
  assert_non_null(truth);
  draw(LAID, SCANNER_SEED, "laid.png", truth);
  render_truth_free(truth);
  draw(TURNED, SCANNER_SEED, "turned.png", truth);
  render_truth_free(truth);
  const char *said = run_fine("calibrate scanner --reference-mpe 0.05mm --output scanner.json laid.png turned.png");
  assert_non_null(strstr(said, "along y"));
  draw(BOARD, SCANNER_SEED, "board.png", truth);
  cJSON *r = outside_json("check --scale-length 300mm --frets 12 --profile scanner.json board.png", 1);
  const cJSON *reference = member(r, "reference");
  assert_string_equal(word(reference, "kind"), "profile");
  assert_string_equal(word(reference, "profile"), "scanner.json");
  CHECK_CLOSE(number(reference, "mpe_mm"), 0.05, 1e-9);
  /* the pitch of a pixel is 25.4 mm / 600 times 1 + its axis's error */
  CHECK_CLOSE(number(reference, "px_per_mm"), 600.0 / 25.4 / 1.0017, 0.01);
  CHECK_BELOW(compare(r, truth, FRETS), 0.003);
  /* the rule's permissible error is in the doubt of every fret: sqrt(1/3) of its share of the span, GUM 4.3.7 */
  const cJSON *budget = member(mark(r, 12), "budget");
  CHECK_CLOSE(number(budget, "rule_mm"), 0.05 / sqrt(3.0) * number(mark(r, 12), "x_mm") / number(reference, "span_mm"),
              1e-5);
  CHECK_BELOW(0.002, number(budget, "map_mm"));
  cJSON_Delete(r);
  render_truth_free(truth);
  draw(SMALLER, 3, "smaller.png", truth);
  render_truth_free(truth);
  free(truth);
  const outside_result *o = outside_run("check --scale-length 300mm --frets 12 --profile scanner.json smaller.png");
  assert_int_equal(o->status, 65);
  assert_non_null(strstr(o->err, "the profile was made for pictures of"));
  o = outside_run("check --scale-length 300mm --frets 12 --reference rule --profile scanner.json board.png");
  assert_int_equal(o->status, 64);
}

/* One camera. f is what the renderer makes of 26 mm at 2000 x 1500 pixels. */
enum { WIDTH = 2000, HEIGHT = 1500, VIEWS = 8 };
#define CAMERA                                                                                                         \
  "photo=1", "photo_width_px=2000", "photo_height_px=1500", "photo_k1=0.06", "photo_k2=-0.03", "photo_p1=0.0006",      \
      "photo_p2=-0.0004", "photo_centre_x_px=10.5", "photo_centre_y_px=-7.5"
static const double FOCAL_PX = 26.0 / 43.266615305567875 * 2500.0;

static void draw_chessboards(const render_camera *lens)
{
  const chessboard board = {10, 7, 25.0};
  for (int i = 0; i < VIEWS; i++) {
    const double a = 2.0 * 3.14159265358979 * i / VIEWS;
    const chessboard_view view = {28.0 * cos(a),       28.0 * sin(a),       5.0 * i - 20.0,
                                  25.0 * cos(2.1 * a), 15.0 * sin(1.7 * a), 300.0};
    render_image image;
    char path[40], message[RENDER_MESSAGE];
    assert_true(chessboard_draw(&board, lens, &view, WIDTH, HEIGHT, 0.8, 0.008, (uint64_t)i + 1, &image));
    snprintf(path, sizeof path, "chess%d.png", i);
    assert_true(render_write_png(&image, path, message));
    render_image_free(&image);
  }
}

static void close_by(const cJSON *profile, const char *name, double truth)
{
  const double u = number(member(profile, "u"), name);
  assert_true(u > 0.0);
  CHECK_CLOSE(number(member(profile, "camera"), name), truth, 3.0 * u);
}

static void check_lens(const render_camera *lens)
{
  cJSON *profile = outside_parsed("camera.json");
  close_by(profile, "f_px", lens->f_px);
  close_by(profile, "cx_px", lens->centre_px.x);
  close_by(profile, "cy_px", lens->centre_px.y);
  close_by(profile, "k1", lens->k1);
  close_by(profile, "k2", lens->k2);
  close_by(profile, "p1", lens->p1);
  close_by(profile, "p2", lens->p2);
  CHECK_BELOW(number(member(profile, "u"), "f_px"), 1e-3 * FOCAL_PX);
  CHECK_CLOSE(number(profile, "near_mm"), 300.0, 35.0); /* to the board's middle; the aim is off it */
  cJSON_Delete(profile);
}

/* A rule 3 mm too low, and told so: what that does to the scale depends on the camera's distance. From the rule alone
 * that is known to a quarter (the file states no focal length), and the doubt must say so; with the profile it is
 * known.
 */
static void check_height(void)
{
  static const char *const LOW[] = {CAMERA,
                                    "photo_roll_deg=90",
                                    "photo_tilt_x_deg=1",
                                    "photo_tilt_y_deg=1",
                                    "scale_length_mm=260",
                                    "frets=9",
                                    "graduation=0.5mm",
                                    "rule_height_mm=-3",
                                    NULL};
  static const char *const LINES[] = {
      "check --scale-length 260mm --frets 9 --reference-mpe 0mm --reference-height -3mm --tolerance 5mm low.png",
      "check --scale-length 260mm --frets 9 --reference-mpe 0mm --reference-height -3mm --tolerance 5mm "
      "--profile camera.json low.png"};
  double worst[2];
  render_truth *truth = malloc(sizeof *truth);
  assert_non_null(truth);
  draw(LOW, 3, "low.png", truth);
  for (int i = 0; i < 2; i++) {
    cJSON *r = outside_json(LINES[i], 0);
    worst[i] = compare(r, truth, 9);
    if (i)
      assert_string_equal(word(member(r, "reference"), "profile"), "camera.json");
    else
      assert_true(is_null(member(r, "reference"), "profile"));
    cJSON_Delete(r);
  }
  CHECK_BELOW(0.1, worst[0]);
  CHECK_BELOW(worst[1], 0.02);
  render_truth_free(truth);
  free(truth);
}

static void test_camera(void **state)
{
  static const char *const BOARD[] = {CAMERA,
                                      "photo_roll_deg=90",
                                      "photo_tilt_x_deg=3",
                                      "photo_tilt_y_deg=-2",
                                      "scale_length_mm=260",
                                      "frets=9",
                                      "graduation=0.5mm",
                                      NULL};
  const render_camera lens = {.on = true,
                              .f_px = FOCAL_PX,
                              .centre_px = {0.5 * (WIDTH - 1) + 10.5, 0.5 * (HEIGHT - 1) - 7.5},
                              .k1 = 0.06,
                              .k2 = -0.03,
                              .p1 = 0.0006,
                              .p2 = -0.0004};
  render_truth *truth = malloc(sizeof *truth);
  (void)state;
  assert_non_null(truth);
  draw_chessboards(&lens);
  run_fine("calibrate camera --square 25mm --output camera.json chess0.png chess1.png chess2.png chess3.png "
           "chess4.png chess5.png chess6.png chess7.png");
  check_lens(&lens);
  draw(BOARD, 4, "photo.png", truth);
  CHECK_CLOSE(truth->camera.f_px, FOCAL_PX, 1e-6);
  static const char LINE[] = "check --scale-length 260mm --frets 9 --reference-mpe 0mm --reference-height 0mm "
                             "--profile camera.json photo.png --tolerance 1mm";
  cJSON *r = outside_json(LINE, 0);
  CHECK_BELOW(compare(r, truth, 9), 0.02);
  /* the lens is the calibrated one: its focal length may move by a part in two hundred (focus), no more */
  CHECK_CLOSE(number(member(r, "camera"), "focal_px"), FOCAL_PX, 0.015 * FOCAL_PX);
  CHECK_CLOSE(number(member(r, "camera"), "distortion_k1"), 0.06, 0.012);
  cJSON_Delete(r);
  render_truth_free(truth);
  free(truth);
  check_height();
  const outside_result *o =
      outside_run("check --scale-length 260mm --frets 9 --reference profile --profile camera.json photo.png");
  assert_int_equal(o->status, 64);
  assert_non_null(strstr(o->err, "holds no scale"));
  o = outside_run("calibrate camera --corners 8x6 --output other.json chess0.png");
  assert_int_equal(o->status, 65);
  assert_null(outside_text("other.json"));
}

int main(int argc, char **argv)
{
  if (argc != 2 || !outside_enter(argv[1]))
    return 64;
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_scanner),
      cmocka_unit_test(test_camera),
  };
  const int failed = cmocka_run_group_tests_name("profiles", tests, NULL, NULL);
  return outside_leave() || failed;
}
