/* Fanned boards through the program: drawn, scanned, checked, against the drawing's truth. Called with the program as
 * its one argument. The accuracy over many boards is tests/accuracy's; here few boards show that nothing is lost on the
 * way from options to record. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "drawn.h"
#include "outside.h"

enum { LINE = 600 };

/* Centre line: 5 um rms and 20 um worst is what the program states for square boards at 600 dpi. */
static const double CENTRE_MM = 0.012;

static cJSON *read_json(const char *path)
{
  char *text = outside_text(path);
  assert_non_null(text);
  cJSON *json = cJSON_Parse(text);
  free(text);
  assert_non_null(json);
  return json;
}

/* The options that describe the board that was drawn. */
static void options_of(const cJSON *truth, char line[static LINE])
{
  const cJSON *l = member(truth, "layout");
  snprintf(
      line, LINE,
      "--marks %s --scale-length-bass %.9gmm --scale-length-treble %.9gmm --spread-nut %.9gmm --spread-saddle %.9gmm "
      "--square-fret %g --frets %.0f%s",
      word(truth, "mark_kind"), number(l, "bass_scale_length_mm"), number(l, "treble_scale_length_mm"),
      number(l, "spread_nut_mm"), number(l, "spread_saddle_mm"), number(l, "square_fret"), number(l, "frets"),
      strcmp(word(l, "bass_side"), "left") == 0 ? " --left-handed" : "");
}

/* Expanded uncertainty is k = 2; that much and half again is missed once in 370. */
static void check_edge(const cJSON *mark, const char *edge, const cJSON *truth, const char *side)
{
  const cJSON *e = member(mark, edge), *t = member(truth, side);
  CHECK_BELOW(fabs(number(e, "error_mm") - number(t, "error_mm")), 3.0 * number(e, "u_mm") + 1e-4);
  CHECK_BELOW(fabs(number(e, "y_mm") - number(t, "y_mm")), 0.4);
}

static void check_marks(const cJSON *truth, const cJSON *record)
{
  const cJSON *drawn = member(truth, "marks"), *found = member(record, "marks");
  const int left = strcmp(word(member(record, "layout"), "bass_side"), "left") == 0;
  assert_int_equal(cJSON_GetArraySize(found), cJSON_GetArraySize(drawn));
  for (int i = 0; i < cJSON_GetArraySize(found); i++) {
    const cJSON *m = cJSON_GetArrayItem(found, i), *t = cJSON_GetArrayItem(drawn, i);
    assert_string_equal(word(m, "state"), "found");
    CHECK_CLOSE(number(m, "layout_mm"), number(t, "layout_mm"), 1e-6); /* two programs, one formula */
    CHECK_CLOSE(number(m, "layout_angle_deg"), number(t, "layout_angle_deg"), 1e-6);
    CHECK_BELOW(fabs(number(m, "error_mm") - number(t, "error_mm")), CENTRE_MM);
    CHECK_BELOW(fabs(number(m, "squareness_deg") - number(t, "squareness_deg")), 0.15);
    CHECK_CLOSE(number(m, "angle_deg"), number(m, "layout_angle_deg") + number(m, "squareness_deg"), 1e-5);
    check_edge(m, "bass_edge", t, left ? "left_edge" : "right_edge");
    check_edge(m, "treble_edge", t, left ? "right_edge" : "left_edge");
  }
}

static void fans_are_measured(void **state)
{
  (void)state;
  static const char *const NOTHING[] = {"jpeg=0", NULL};
  static const struct {
    uint64_t seed;
    const char *difficulty;
  } boards[] = {{71001, "fan"}, {71002, "fanfull"}, {71003, "fanslot"}};
  for (size_t i = 0; i < sizeof boards / sizeof *boards; i++) {
    char options[LINE], line[LINE + 100];
    draw_random(boards[i].seed, boards[i].difficulty, NOTHING, "fan.png", "fan.json");
    cJSON *truth = read_json("fan.json");
    options_of(truth, options);
    snprintf(line, sizeof line, "check --format json --reference-mpe 0mm %s fan.png", options);
    const outside_result *o = outside_run(line);
    cJSON *record = cJSON_Parse(o->out);
    assert_non_null(record);
    check_marks(truth, record);
    assert_int_equal(cJSON_GetArraySize(member(record, "findings")), 0);
    cJSON_Delete(record);
    cJSON_Delete(truth);
  }
}

static const char *const RIGHT_HANDED[] = {
    "fan_mm=25",        "fan_square_fret=5",    "scale_length_mm=340",    "frets=12",
    "before_nut_mm=12", "placement_sd_mm=0.02", "squareness_sd_deg=0.03", NULL};

static cJSON *check_right_handed(const char *more)
{
  char line[LINE];
  snprintf(line, sizeof line,
           "check --format json --scale-length-bass 352.5mm --scale-length-treble 327.5mm --spread-nut 28mm "
           "--spread-saddle 40mm --square-fret 5 --frets 12 %s hand.png",
           more);
  cJSON *record = cJSON_Parse(outside_run(line)->out);
  assert_non_null(record);
  return record;
}

/* The same board asked for as a left-handed one: all places on the centre line are right, all angles are not. */
static void a_mirrored_fan_is_said(void **state)
{
  (void)state;
  draw(5, RIGHT_HANDED, "hand.png", "hand.json");
  cJSON *record = check_right_handed("");
  assert_int_equal(cJSON_GetArraySize(member(record, "findings")), 0);
  assert_string_equal(word(record, "verdict"), "within");
  cJSON_Delete(record);
  record = check_right_handed("--left-handed");
  const cJSON *finding = cJSON_GetArrayItem(member(record, "findings"), 0);
  assert_non_null(finding);
  assert_string_equal(word(finding, "kind"), "fan-mirrored");
  assert_non_null(strstr(word(finding, "text"), "leave out --left-handed"));
  assert_string_equal(word(cJSON_GetArrayItem(member(record, "marks"), 0), "line_verdict"), "out");
  cJSON_Delete(record);
}

static int leave(void **state)
{
  (void)state;
  return outside_leave();
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_mirrored_fan_is_said),
      cmocka_unit_test(fans_are_measured),
  };
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_fans PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
