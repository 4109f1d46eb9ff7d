/* The printed strip through the whole program, on drawn scans whose truth is known. Called with the program as its one
 * argument. */
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "outside.h"
#include "render.h"

enum { FRETS = 10 };
/* A steel rule in its place serves as well as this on the same boards. */
static const double SAME_MM = 0.004;
static const char CHECK[] = "check --scale-length 345mm --frets 10";

static render_params settings(const char *const *more)
{
  static const char *const COMMON[] = {"dpi=300",         "scale_length_mm=345",
                                       "frets=10",        "placement_sd_mm=0.06",
                                       "wave_count=2",    "wave_um=20",
                                       "skew_deg=0.4",    "scale_error_y=0.003",
                                       "graduation=none", NULL};
  render_params params;
  char message[RENDER_MESSAGE] = "";
  render_params_init(&params);
  for (const char *const *s = COMMON; *s; s++)
    assert_true(render_params_set(&params, *s, message));
  for (; *more; more++)
    if (!render_params_set(&params, *more, message))
      fail_msg("%s", message);
  return params;
}

/* Draws into `path`; the truth is the caller's to free. */
static render_truth *draw(const char *const *more, bool mirrored, const char *path)
{
  const render_params params = settings(more);
  render_image image;
  render_truth *truth = malloc(sizeof *truth);
  char message[RENDER_MESSAGE] = "";
  assert_non_null(truth);
  assert_true(render_board(&params, &image, truth, message));
  for (int32_t y = 0; mirrored && y < image.height_px; y++) {
    uint16_t *row = image.sample + (size_t)y * (size_t)image.width_px;
    for (int32_t x = 0; x < image.width_px / 2; x++) {
      const uint16_t left = row[x];
      row[x] = row[image.width_px - 1 - x];
      row[image.width_px - 1 - x] = left;
    }
  }
  assert_true(render_write_png(&image, path, message));
  render_image_free(&image);
  return truth;
}

static void discard(render_truth *truth)
{
  render_truth_free(truth);
  free(truth);
}

static bool warned(const cJSON *record, const char *words)
{
  const cJSON *warning;
  cJSON_ArrayForEach(warning, member(record, "warnings")) if (strstr(warning->valuestring, words)) return true;
  return false;
}

static void check_errors(const cJSON *record, const render_truth *truth, double tolerance_mm)
{
  for (int fret = 1; fret <= FRETS; fret++)
    CHECK_CLOSE(number(mark(record, fret), "error_mm"), truth->mark[fret].error_mm, tolerance_mm);
}

/* Checks one drawn scan with the strip's length as perfect calipers read it. */
static cJSON *check_drawn(const char *const *more, const char *options, int status, render_truth **truth)
{
  char line[400];
  *truth = draw(more, false, "strip.png");
  snprintf(line, sizeof line, "%s %s strip.png", CHECK, options);
  return outside_json(line, status);
}

/* Printed 0.4 % too long; 139.7 mm then measure 140.2588 mm, 254 mm measure 255.016 mm. */
static void test_like_a_rule(void **state)
{
  (void)state;
  static const char *const PLACES[][6] = {
      {"strip_side=right", "strip_error_along=0.004", NULL},
      {"strip_side=left", "strip_error_along=0.004", "strip_reversed=1", "strip_skew_deg=-0.5", NULL},
      {"strip_side=right", "strip_error_along=0.004", "quarter_turns=1", "strip_piece=29", NULL},
      {"strip_side=both", "strip_error_along=0.004", "strip_second_skew_deg=0.2", "quarter_turns=3", NULL},
      {"strip_side=line", "strip_error_along=0.004", "strip_start_mm=-180", "strip_join_mm=5.3", NULL},
  };
  static const double PIECES[] = {1, 1, 1, 2, 2};
  for (size_t i = 0; i < sizeof PLACES / sizeof *PLACES; i++) {
    render_truth *truth;
    const char *given = i % 2 ? "--strip-length 255.016mm --reference-mpe 0mm"
                              : "--strip-length 140.2588mm "
                                "--reference-mpe 0mm";
    cJSON *r = check_drawn(PLACES[i], given, 0, &truth);
    const cJSON *reference = member(r, "reference");
    assert_string_equal(word(reference, "kind"), "strip");
    CHECK_CLOSE(number(reference, "strip_pieces"), PIECES[i], 0.0);
    CHECK_CLOSE(number(reference, "strip_stretch"), 1.004, 1e-6);
    CHECK_CLOSE(number(reference, "graduation_mm"), 1.27, 1e-9);
    check_errors(r, truth, SAME_MM);
    cJSON_Delete(r);
    discard(truth);
  }
}

/* Without its check length the strip may be wrong by what printers are: nothing is decided, and it is said why. */
static void test_unmeasured(void **state)
{
  (void)state;
  render_truth *truth;
  cJSON *r = check_drawn((const char *[]){"strip_side=right", "strip_error_along=0.003", NULL}, "", 2, &truth);
  const cJSON *reference = member(r, "reference");
  CHECK_CLOSE(number(reference, "mpe_mm"), 0.005 * number(reference, "span_mm"), 1e-6);
  assert_true(is_null(reference, "strip_stretch"));
  assert_true(warned(r, "--strip-length"));
  for (int fret = 1; fret <= FRETS; fret++) {
    const cJSON *m = mark(r, fret);
    CHECK_BELOW(fabs(number(m, "error_mm") - truth->mark[fret].error_mm), number(m, "expanded_u_mm"));
  }
  cJSON_Delete(r);
  discard(truth);
}

/* The check length's own doubt: 0.1 mm over 139.7 mm and 0.02 % for the paper. */
static void test_measured(void **state)
{
  (void)state;
  render_truth *truth;
  cJSON *r =
      check_drawn((const char *[]){"strip_side=right", NULL}, "--strip-length 139.7mm --temperature 26", 2, &truth);
  const cJSON *reference = member(r, "reference");
  CHECK_CLOSE(number(reference, "mpe_mm"), (0.1 / 139.7 + 2e-4) * number(reference, "span_mm"), 1e-6);
  assert_true(warned(r, "no correction for temperature"));
  assert_true(is_null(member(mark(r, 5), "budget"), "temperature_mm"));
  check_errors(r, truth, SAME_MM);
  cJSON_Delete(r);
  discard(truth);
}

/* P to Q, 127 mm as drawn, printed 0.4 % too long across: the scale across is then right to a part in 5000. */
static void test_across(void **state)
{
  (void)state;
  render_truth *truth =
      draw((const char *[]){"strip_side=right", "strip_error_across=0.004", "scale_error_x=-0.004", NULL}, false,
           "strip.png");
  cJSON *with = outside_json("reference --strip-length 139.7mm --strip-width 127.508mm strip.png", 0);
  cJSON *without = outside_json("reference --strip-length 139.7mm strip.png", 0);
  const double truly = 1.0 / truth->axis[0].mm_per_px;
  CHECK_CLOSE(number(member(with, "reference"), "px_per_mm_across"), truly, 2e-4 * truly);
  assert_true(is_null(member(without, "reference"), "px_per_mm_across"));
  cJSON_Delete(with);
  cJSON_Delete(without);
  discard(truth);
}

/* Pictures that must not give a scale, and what is said. */
static void test_refusals(void **state)
{
  (void)state;
  static const struct {
    const char *more[5];
    bool mirrored;
    const char *says;
  } cases[] = {
      {{NULL}, false, "no printed strip"},
      {{"strip_side=right", "strip_to_mm=13", NULL}, false, "only 1 tag"},
      {{"strip_side=right", "strip_to_mm=26", NULL}, false, "only 2 tags"},
      {{"strip_side=right", NULL}, true, "mirrored"},
      {{"strip_side=both", "strip_second_piece=1", NULL}, false, "twice"},
  };
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    discard(draw(cases[i].more, cases[i].mirrored, "strip.png"));
    const outside_result *o = outside_run("reference --reference strip strip.png");
    assert_int_equal(o->status, 2);
    if (!strstr(o->out, cases[i].says))
      fail_msg("wanted '%s', got: %s", cases[i].says, o->out);
    assert_non_null(strstr(o->out, "NO SCALE"));
  }
}

/* What is left of a strip serves as far as it goes; so does one with something across it. */
static void test_cut_and_covered(void **state)
{
  (void)state;
  static const char *const CASES[][4] = {{"strip_side=right", "strip_from_mm=40", "strip_to_mm=110", NULL},
                                         {"strip_side=right", "strip_cover_mm=50", "strip_cover_at_mm=70", NULL}};
  for (size_t i = 0; i < 2; i++) {
    render_truth *truth;
    cJSON *r = check_drawn(CASES[i], "--strip-length 139.7mm --reference-mpe 0mm", i == 0 ? 2 : 0, &truth);
    const cJSON *reference = member(r, "reference");
    assert_string_equal(word(reference, "kind"), "strip");
    CHECK_BELOW(number(reference, "graduations_used"), 201 - 35);
    for (int fret = 1; fret <= FRETS; fret++) {
      const cJSON *m = mark(r, fret);
      CHECK_BELOW(fabs(number(m, "error_mm") - truth->mark[fret].error_mm),
                  fmax(SAME_MM, 1.5 * number(m, "expanded_u_mm")));
    }
    assert_true(i == 1 || warned(r, "beyond the part"));
    cJSON_Delete(r);
    discard(truth);
  }
}

/* Pieces from two printers are not averaged. */
static void test_pieces_unlike(void **state)
{
  (void)state;
  render_truth *truth;
  cJSON *r = check_drawn((const char *[]){"strip_side=both", "strip_second_error=0.003", NULL},
                         "--strip-length 139.7mm", 2, &truth);
  const cJSON *reference = member(r, "reference");
  assert_true(warned(r, "not printed alike"));
  CHECK_CLOSE(number(reference, "strip_pieces"), 1.0, 0.0);
  CHECK_CLOSE(number(reference, "mpe_mm"), 0.003 * number(reference, "span_mm"), 0.02);
  cJSON_Delete(r);
  discard(truth);
}

/* A steel rule goes before a strip; one that contradicts the other is reported, whichever is used. */
static void test_rule_and_strip(void **state)
{
  (void)state;
  static const struct {
    const char *error, *options, *kind;
    bool contradict;
    int status;
  } cases[] = {
      {"strip_error_along=0.004", "--tolerance 0.5mm --reference-mpe 0.15mm", "rule", false, 0},
      {"strip_error_along=0.015", "--tolerance 0.5mm --reference-mpe 0.15mm", "rule", true, 0},
      {"strip_error_along=0.004", "--tolerance 0.5mm --strip-length 139.7mm --reference-mpe 0.15mm", "rule", true, 0},
      {"strip_error_along=0.004", "--reference strip --strip-length 140.2588mm --reference-mpe 0mm", "strip", false, 0},
      {"strip_error_along=0.004", "--reference strip --strip-length 139.7mm --reference-mpe 0mm", "strip", true, 1},
  };
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    render_truth *truth;
    const char *const more[] = {"graduation=0.5mm", "strip_side=left", cases[i].error, NULL};
    cJSON *r = check_drawn(more, cases[i].options, cases[i].status, &truth);
    assert_string_equal(word(member(r, "reference"), "kind"), cases[i].kind);
    assert_int_equal(warned(r, "disagree"), cases[i].contradict);
    if (cases[i].status == 0)
      check_errors(r, truth, SAME_MM);
    cJSON_Delete(r);
    discard(truth);
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
      cmocka_unit_test(test_like_a_rule),   cmocka_unit_test(test_unmeasured),
      cmocka_unit_test(test_measured),      cmocka_unit_test(test_across),
      cmocka_unit_test(test_refusals),      cmocka_unit_test(test_cut_and_covered),
      cmocka_unit_test(test_pieces_unlike), cmocka_unit_test(test_rule_and_strip),
  };
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_strip PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
