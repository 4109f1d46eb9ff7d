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

enum { LINE = 1200 };
static const double DEG = 57.29577951308232;

/* Centre line: 5 um rms and 20 um worst is what the program states for square boards at 600 dpi; of frets 7 and 29. */
static const double CENTRE_MM = 0.012, CENTRE_OF_WIRE_MM = 0.03;

/* Text, a number with so many decimals, text. */
static void add(char line[static LINE], const char *before, double value, int decimals, const char *after)
{
  const size_t used = strlen(line);
  snprintf(line + used, LINE - used, "%s%.*f%s", before, decimals, value, after);
}

static void add_word(char line[static LINE], const char *text)
{
  const size_t used = strlen(line);
  snprintf(line + used, LINE - used, "%s", text);
}

/* Steps go into a file, as cents; half frets from the edge that they reach. */
static void add_steps_and_parts(const cJSON *l, bool left_handed, char line[static LINE])
{
  const cJSON *steps = cJSON_GetObjectItem(l, "steps_cents"), *parts = cJSON_GetObjectItem(l, "partial");
  if (cJSON_GetArraySize(steps)) {
    FILE *file = fopen("fan.steps", "w");
    assert_non_null(file);
    for (int i = 0; i < cJSON_GetArraySize(steps); i++)
      fprintf(file, "%.12f\n", cJSON_GetArrayItem(steps, i)->valuedouble);
    assert_int_equal(fclose(file), 0);
    add_word(line, " --steps fan.steps");
  }
  for (int i = 0; i < cJSON_GetArraySize(parts); i++) {
    const cJSON *pair = cJSON_GetArrayItem(parts, i);
    const double share = cJSON_GetArrayItem(pair, 1)->valuedouble; /* > 0: from smaller y, which is left */
    add(line, i ? "," : " --partial-frets '", cJSON_GetArrayItem(pair, 0)->valuedouble, 0,
        (share > 0.0) == left_handed ? " bass " : " treble ");
    add(line, "", 100.0 * fabs(share), 6, "%");
  }
  if (cJSON_GetArraySize(parts))
    add_word(line, "'");
}

/* The options that describe the board that was drawn. */
static void options_of(const cJSON *truth, char line[static LINE])
{
  const cJSON *l = member(truth, "layout"), *drawn = member(truth, "params");
  const bool left = strcmp(word(l, "bass_side"), "left") == 0;
  snprintf(
      line, LINE,
      "--marks %s --scale-length-bass %.9gmm --scale-length-treble %.9gmm --spread-nut %.9gmm --spread-saddle %.9gmm "
      "--square-fret %g --frets %.0f%s",
      word(truth, "mark_kind"), number(l, "bass_scale_length_mm"), number(l, "treble_scale_length_mm"),
      number(l, "spread_nut_mm"), number(l, "spread_saddle_mm"), number(l, "square_fret"), number(l, "frets"),
      left ? " --left-handed" : "");
  add_steps_and_parts(l, left, line);
  if (cJSON_GetObjectItem(drawn, "nut_shift_mm"))
    add(line, " --nut-shift ", number(drawn, "nut_shift_mm"), 9, "mm");
  if (cJSON_GetObjectItem(drawn, "nut_behind_mm"))
    add_word(line, " --zero-fret");
}

/* Expanded uncertainty is k = 2; that much and half again is missed once in 370. */
static void check_edge(const cJSON *mark, const char *edge, const cJSON *truth, const char *side)
{
  const cJSON *e = member(mark, edge), *t = member(truth, side);
  CHECK_BELOW(fabs(number(e, "error_mm") - number(t, "error_mm")), 3.0 * number(e, "u_mm") + 1e-4);
  CHECK_BELOW(fabs(number(e, "y_mm") - number(t, "y_mm")), 0.4);
}

/* A half fret is judged at its own middle. */
static double error_of(const cJSON *t, const cJSON *m)
{
  const double error = number(t, "error_mm");
  if (is_null(m, "part"))
    return error;
  const double middle = 0.5 * (number(t, "from_y_mm") + number(t, "to_y_mm"));
  return error + middle * (tan(number(t, "angle_deg") / DEG) - tan(number(t, "layout_angle_deg") / DEG));
}

static void check_marks(const cJSON *truth, const cJSON *record)
{
  const cJSON *drawn = member(truth, "marks"), *found = member(record, "marks");
  const double centre = strcmp(word(truth, "mark_kind"), "wire") == 0 ? CENTRE_OF_WIRE_MM : CENTRE_MM;
  const int left = strcmp(word(member(record, "layout"), "bass_side"), "left") == 0;
  assert_int_equal(cJSON_GetArraySize(found), cJSON_GetArraySize(drawn));
  for (int i = 0; i < cJSON_GetArraySize(found); i++) {
    const cJSON *m = cJSON_GetArrayItem(found, i), *t = cJSON_GetArrayItem(drawn, i);
    assert_string_equal(word(m, "state"), "found");
    CHECK_CLOSE(number(m, "layout_mm"), number(t, "layout_mm"), 1e-6); /* two programs, one formula */
    CHECK_CLOSE(number(m, "layout_angle_deg"), number(t, "layout_angle_deg"), 1e-6);
    CHECK_BELOW(fabs(number(m, "error_mm") - error_of(t, m)), centre);
    CHECK_BELOW(fabs(number(m, "squareness_deg") - number(t, "squareness_deg")), 0.15);
    CHECK_CLOSE(number(m, "angle_deg"), number(m, "layout_angle_deg") + number(m, "squareness_deg"), 1e-5);
    if (!is_null(m, "part"))
      continue;
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
  } boards[] = {{71001, "fan"},        {71002, "fanfull"}, {71003, "fanslot"},
                {71004, "fanpartial"}, {71005, "fanzero"}, {71006, "fanshifted"}, {71007, "fanwire"}};
  for (size_t i = 0; i < sizeof boards / sizeof *boards; i++) {
    char options[LINE], line[LINE + 100];
    draw_random(boards[i].seed, boards[i].difficulty, NOTHING, "fan.png", "fan.json");
    cJSON *truth = outside_parsed("fan.json");
    options_of(truth, options);
    snprintf(line, sizeof line, "check --format json --reference-mpe 0mm %s fan.png", options);
    const outside_result *o = outside_run(line);
    cJSON *record = cJSON_Parse(o->out);
    assert_non_null(record);
    check_marks(truth, record);
    assert_int_equal(cJSON_GetArraySize(member(record, "findings")), 0);
    if (strcmp(boards[i].difficulty, "fanzero") == 0)
      CHECK_CLOSE(number(member(record, "nut_behind"), "behind_mm"),
                  number(member(truth, "params"), "nut_behind_mm"), CENTRE_MM);
    cJSON_Delete(record);
    cJSON_Delete(truth);
  }
}

/* One fan, too long for the glass, in two scans; the second turned end for end. Its lines cross the pictures' ends
 * askew, so some are seen in part. */
static const char *const LONG_FAN[] = {
    "scale_length_mm=400", "frets=14",     "fan_mm=30",     "fan_square_fret=6",     "fan_nut_mm=30",
    "fan_saddle_mm=42",    "nut_width_mm=37", "end_width_mm=43", "before_nut_mm=12", "after_last_mm=10",
    "placement_sd_mm=0.05", "squareness_sd_deg=0.05", "rule_start_mm=-16", "rule_length_mm=265", "dpi=300"};
enum { LONG_SETTINGS = sizeof LONG_FAN / sizeof *LONG_FAN };

static void draw_piece(int number, double from, double to, const char *turns, const char *skew, const char *name)
{
  char text[3][40], path[64], truth[64];
  const char *settings[LONG_SETTINGS + 6];
  memcpy(settings, LONG_FAN, sizeof LONG_FAN);
  snprintf(text[0], sizeof text[0], "piece=%d", number);
  snprintf(text[1], sizeof text[1], "piece_from_mm=%g", from);
  snprintf(text[2], sizeof text[2], "piece_to_mm=%g", to);
  for (int i = 0; i < 3; i++)
    settings[LONG_SETTINGS + i] = text[i];
  settings[LONG_SETTINGS + 3] = turns;
  settings[LONG_SETTINGS + 4] = skew;
  settings[LONG_SETTINGS + 5] = NULL;
  snprintf(path, sizeof path, "%s.png", name);
  snprintf(truth, sizeof truth, "%s.json", name);
  draw(91, settings, path, truth);
}

static cJSON *check_pieces(const cJSON *truth, const char *pictures, int status)
{
  char options[LINE], line[LINE + 200];
  options_of(truth, options);
  snprintf(line, sizeof line, "check %s --reference-mpe 0mm %s", options, pictures);
  return outside_json(line, status);
}

static const char *first_warning(const cJSON *record)
{
  const cJSON *warnings = member(record, "warnings");
  return cJSON_GetArraySize(warnings) ? cJSON_GetArrayItem(warnings, 0)->valuestring : "";
}

static void a_fan_in_pieces(void **state)
{
  (void)state;
  draw_piece(1, -13.0, 120.0, "quarter_turns=0", "skew_deg=0.4", "p1");
  draw_piece(2, 80.0, 238.0, "quarter_turns=2", "skew_deg=-0.6", "p2");
  cJSON *truth = outside_parsed("p1.json"), *record = check_pieces(truth, "p1.png p2.png", 0);
  assert_int_equal(cJSON_GetArraySize(member(record, "join")), 1);
  check_marks(truth, record);
  assert_int_equal(cJSON_GetArraySize(member(record, "findings")), 0);
  cJSON_Delete(record);
  cJSON_Delete(truth);
}

/* Three pieces that all hang together, named out of order: the right order is said. */
static void pieces_out_of_order(void **state)
{
  (void)state;
  draw_piece(1, -13.0, 110.0, "quarter_turns=0", "skew_deg=0.4", "q1");
  draw_piece(2, 40.0, 170.0, "quarter_turns=0", "skew_deg=-0.6", "q2");
  draw_piece(3, 70.0, 238.0, "quarter_turns=0", "skew_deg=0.2", "q3");
  cJSON *truth = outside_parsed("q1.json"), *record = check_pieces(truth, "q1.png q3.png q2.png", 2);
  assert_non_null(strstr(first_warning(record), "in a wrong order: along the board they lie as q1.png, q2.png, q3.png"));
  assert_string_equal(word(record, "verdict"), "undecided");
  cJSON_Delete(record);
  record = check_pieces(truth, "q3.png q2.png q1.png", 0);
  assert_non_null(strstr(first_warning(record), "name them in order from the nut: q1.png, q2.png, q3.png"));
  check_marks(truth, record);
  cJSON_Delete(record);
  cJSON_Delete(truth);
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

/* Bone that lies as askew as the nut is computed: its face is the datum. An edge that leans otherwise is none. */
static void a_nut_of_bone_set_askew(void **state)
{
  (void)state;
  static const char *const BONE[] = {"jpeg=0", "nut=end", "nut_piece_mm=5", "head_mm=14", NULL};
  char options[LINE], line[LINE + 100];
  draw_random(6001, "fanwire", BONE, "bone.png", "bone.json");
  cJSON *truth = outside_parsed("bone.json");
  options_of(truth, options);
  snprintf(line, sizeof line, "check --format json --reference-mpe 0mm %s bone.png", options);
  cJSON *record = cJSON_Parse(outside_run(line)->out);
  assert_non_null(record);
  CHECK_BELOW(number(mark(truth, 0), "layout_angle_deg"), -5.0);
  assert_string_equal(word(member(record, "datum"), "kind"), "end");
  CHECK_BELOW(number(member(record, "datum"), "u_mm"), 0.04);
  check_marks(truth, record);
  cJSON_Delete(record);
  /* asked for a nut a millimetre nearer to fret 1: what lies where it is may be another edge, and +/- says so */
  snprintf(line, sizeof line, "check --format json --reference-mpe 0mm --nut-shift 1mm %s bone.png", options);
  record = cJSON_Parse(outside_run(line)->out);
  assert_non_null(record);
  assert_string_equal(word(member(record, "datum"), "kind"), "end");
  CHECK_CLOSE(number(mark(record, 5), "error_mm"), 0.79, 0.05); /* its own -0.21 */
  assert_true(number(mark(record, 5), "expanded_u_mm") > 0.8);
  cJSON_Delete(record);
  cJSON_Delete(truth);
}

static int leave(void **state)
{
  (void)state;
  return outside_leave();
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_mirrored_fan_is_said),  cmocka_unit_test(fans_are_measured),
      cmocka_unit_test(a_nut_of_bone_set_askew), cmocka_unit_test(a_fan_in_pieces),
      cmocka_unit_test(pieces_out_of_order),
  };
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_fans PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
