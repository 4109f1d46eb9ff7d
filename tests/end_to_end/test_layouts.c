/* Boards out of the ordinary: the sample board files, each drawn anew and checked by its file; just, meantone and
 * 19-tone steps, a partial fret, a shifted nut, a zero fret with the nut behind it. Called with the program as its one
 * argument.
 *
 * The renderer is told the places in cents that are worked out here, from the scales' definitions and not from the
 * files. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "drawn.h"
#include "outside.h"

enum { SETTINGS = 24, TEXT = 400 };

/* At 300 dpi, on clean lines; errors are a thousandth at 600. */
static const double PLACE_MM = 0.016, END_MM = 0.6;

static void write_steps(char text[TEXT], const double *cents, int count)
{
  int used = snprintf(text, TEXT, "steps=");
  for (int i = 0; i < count; i++)
    used += snprintf(text + used, (size_t)(TEXT - used), "%s%.9f", i ? "," : "", cents[i]);
  assert_true(used < TEXT);
}

static double cents_of(double ratio)
{
  return 1200.0 * log2(ratio);
}

/* Tones and half tones of the tense diatonic, upward from the open string; the half fret 15/8 between. */
static void just_cents(double cents[12])
{
  const double great = 9.0 / 8.0, small = 10.0 / 9.0, half = 16.0 / 15.0;
  const double step[7] = {great, small, half, great, small, half, great};
  double ratio = 1.0;
  for (int i = 0, n = 0; n < 12; i++) {
    ratio *= step[i % 7];
    cents[n++] = cents_of(ratio);
    if (n == 6)
      cents[n++] = cents_of(15.0 / 8.0);
  }
}

/* Fifths of the fourth root of 5, from E flat (-3) to G sharp (8). */
static void meantone_cents(double *cents, int count)
{
  static const int FIFTHS[12] = {7, 2, -3, 4, -1, 6, 1, 8, 3, -2, 5, 0};
  for (int n = 1; n <= count; n++) {
    const double c = fmod(FIFTHS[(n - 1) % 12] * cents_of(pow(5.0, 0.25)) + 4800.0, 1200.0);
    cents[n - 1] = n % 12 == 0 ? 100.0 * n : c + 1200.0 * (n / 12);
  }
}

/* Draws with settings beside these common ones, checks by the board file, compares every fret's error. */
static cJSON *check_board(uint64_t seed, const char *const *settings, const char *board, const char *more,
                          cJSON **truth)
{
  static const char *const COMMON[] = {"dpi=300", "placement_sd_mm=0.03", "squareness_sd_deg=0.05"};
  const char *all[SETTINGS] = {COMMON[0], COMMON[1], COMMON[2]};
  char line[TEXT];
  size_t n = 3;
  for (; *settings; settings++)
    all[n++] = *settings;
  assert_true(n < SETTINGS);
  draw(seed, all, "board.png", "board.json");
  *truth = outside_parsed("board.json");
  snprintf(line, sizeof line, "check --board %s/%s --reference-mpe 0mm --tolerance 1mm %s board.png", SAMPLES_DIR,
           board, more);
  cJSON *r = outside_json(line, 0);
  assert_int_equal(cJSON_GetArraySize(member(r, "stray")), 0);
  for (int fret = 1; fret < cJSON_GetArraySize(member(r, "marks")); fret++) {
    const cJSON *t = mark(*truth, fret), *m = mark(r, fret);
    double off = 0.0;
    if (!is_null(m, "part")) /* judged at its own middle */
      off =
          0.5 * (number(t, "from_y_mm") + number(t, "to_y_mm")) * tan(number(t, "squareness_deg") / 57.29577951308232);
    CHECK_CLOSE(number(m, "layout_mm"), number(t, "layout_mm"), 2e-6);
    CHECK_CLOSE(number(m, "error_mm"), number(t, "error_mm") + off, PLACE_MM);
    CHECK_CLOSE(number(m, "error_mm"), number(t, "error_mm") + off, 3.0 * number(m, "u_mm"));
  }
  return r;
}

static double apart_mm(const cJSON *a, const cJSON *b, const char *key)
{
  return hypot(coordinate(a, key, 0) - coordinate(b, key, 0), coordinate(a, key, 1) - coordinate(b, key, 1)) * 25.4 /
         300.0;
}

static void check_ends(const cJSON *m, const cJSON *t)
{
  CHECK_BELOW(apart_mm(m, t, "end_a_px"), END_MM);
  CHECK_BELOW(apart_mm(m, t, "end_b_px"), END_MM);
}

/* The half fret is found with its true ends, on the treble side; a whole fret that is worn away over 40 % of the width
 * stays what it is. */
static void just_intonation_and_a_half_fret(void **state)
{
  (void)state;
  double cents[12];
  char steps[TEXT];
  just_cents(cents);
  write_steps(steps, cents, 12);
  const char *const settings[] = {
      "scale_length_mm=410", "frets=12",        steps, "partial=7:0.4,4:-0.6", "before_nut_mm=6",
      "nut_width_mm=36",     "end_width_mm=40", NULL};
  cJSON *truth, *r = check_board(8101, settings, "avocet.board", "", &truth);
  const cJSON *part = member(mark(r, 7), "part");
  assert_string_equal(word(member(r, "layout"), "name"), "Avocet");
  check_ends(mark(r, 7), mark(truth, 7));
  CHECK_CLOSE(number(part, "begin_mm"), number(part, "layout_begin_mm"), END_MM);
  CHECK_CLOSE(number(part, "end_mm"), number(part, "layout_end_mm"), END_MM);
  CHECK_CLOSE(number(part, "layout_end_mm") - number(part, "layout_begin_mm"), 0.4 * 39.0, 1.0);
  assert_true(is_null(mark(r, 4), "part"));
  assert_int_equal(cJSON_GetArraySize(member(r, "warnings")), 0);
  cJSON_Delete(r);
  cJSON_Delete(truth);
}

/* On the wrong side it is found all the same, and said; a short line is no whole fret. */
static void a_half_fret_on_the_wrong_side(void **state)
{
  (void)state;
  double cents[12];
  char steps[TEXT], line[TEXT];
  just_cents(cents);
  write_steps(steps, cents, 12);
  const char *const settings[] = {"scale_length_mm=410",  "frets=12",        steps,
                                  "partial=7:-0.4,3:0.3", "before_nut_mm=6", "nut_width_mm=36",
                                  "end_width_mm=40",      "dpi=300",         NULL};
  draw(8102, settings, "wrong.png", "wrong.json");
  snprintf(line, sizeof line, "check --board %s/avocet.board --reference-mpe 0mm wrong.png", SAMPLES_DIR);
  cJSON *r = outside_json(line, 2);
  assert_string_equal(word(mark(r, 7), "state"), "found");
  assert_string_equal(word(mark(r, 3), "state"), "missing");
  assert_int_equal(cJSON_GetArraySize(member(r, "stray")), 1);
  const cJSON *warnings = member(r, "warnings");
  assert_true(cJSON_GetArraySize(warnings) >= 1);
  assert_non_null(strstr(cJSON_GetArrayItem(warnings, 0)->valuestring, "check on which side of the board it belongs"));
  cJSON_Delete(r);
  /* seen left-handed it is right */
  snprintf(line, sizeof line, "check --board %s/avocet.board --left-handed --reference-mpe 0mm wrong.png", SAMPLES_DIR);
  r = outside_json(line, 2);
  const cJSON *part = member(mark(r, 7), "part");
  CHECK_CLOSE(number(part, "begin_mm"), number(part, "layout_begin_mm"), END_MM);
  cJSON_Delete(r);
}

static void meantone_and_a_shifted_nut(void **state)
{
  (void)state;
  double cents[14];
  char steps[TEXT];
  meantone_cents(cents, 14);
  write_steps(steps, cents, 14);
  const char *const settings[] = {"scale_length_mm=349.25",
                                  "frets=14",
                                  steps,
                                  "nut_shift_mm=0.4",
                                  "marks=slot",
                                  "slot_level=0.15",
                                  "nut=end",
                                  "nut_width_mm=38",
                                  "end_width_mm=47",
                                  NULL};
  cJSON *truth, *r = check_board(8103, settings, "redshank.board", "", &truth);
  CHECK_CLOSE(number(member(r, "layout"), "nut_shift_mm"), 0.4, 0);
  assert_string_equal(word(member(r, "datum"), "kind"), "end");
  CHECK_CLOSE(number(mark(r, 0), "x_mm"), 0.4, 1e-9);
  CHECK_CLOSE(number(mark(r, 0), "layout_mm"), 0.4, 1e-9);
  CHECK_CLOSE(number(mark(r, 0), "error_mm"), 0.0, 0);
  cJSON_Delete(r);
  cJSON_Delete(truth);
  /* taken for a plain board, every fret is 0.4 mm too near the nut */
  char line[TEXT];
  snprintf(line, sizeof line, "check --board %s/redshank.board --nut-shift 0mm --reference-mpe 0mm board.png",
           SAMPLES_DIR);
  r = outside_json(line, 1);
  double mean = 0.0;
  for (int fret = 1; fret <= 14; fret++)
    mean += number(mark(r, fret), "error_mm") / 14.0;
  CHECK_CLOSE(mean, -0.4, 0.03);
  cJSON_Delete(r);
}

static void nineteen_divisions_and_a_zero_fret(void **state)
{
  (void)state;
  const char *const settings[] = {"scale_length_mm=330", "frets=24",         "divisions=19",
                                  "nut_behind_mm=6.2",   "before_nut_mm=10", NULL};
  cJSON *truth, *r = check_board(8104, settings, "whimbrel.board", "", &truth);
  const cJSON *behind = member(r, "nut_behind");
  assert_true(cJSON_IsTrue(member(member(r, "layout"), "zero_fret")));
  assert_string_equal(word(member(r, "datum"), "kind"), "line");
  assert_string_equal(word(behind, "kind"), "line");
  CHECK_CLOSE(number(behind, "behind_mm"), 6.2, PLACE_MM);
  check_ends(behind, cJSON_GetArrayItem(member(truth, "stray"), 0));
  cJSON_Delete(r);
  cJSON_Delete(truth);
}

static void fifty_three_divisions(void **state)
{
  (void)state;
  const char *const settings[] = {"scale_length_mm=330", "frets=70", "divisions=53", NULL};
  cJSON *truth, *r = check_board(8105, settings, "whimbrel.board",
                                 "--divisions 53 --frets 70 --nut-shift 0mm --nut line", &truth);
  assert_true(is_null(r, "nut_behind"));
  cJSON_Delete(r);
  cJSON_Delete(truth);
}

static int leave(void **state)
{
  (void)state;
  return outside_leave();
}

/* What is laid out and what is checked against are one layout, for every sample board. */
static void layout_and_check_agree(void **state)
{
  (void)state;
  static const struct {
    const char *board;
    int status; /* of a check of another board's picture */
  } BOARDS[] = {{"avocet", 2}, {"godwit", 2}, {"redshank", 2}, {"sandpiper", 1}, {"whimbrel", 2}};
  for (size_t i = 0; i < sizeof BOARDS / sizeof *BOARDS; i++) {
    char line[600];
    snprintf(line, sizeof line, "layout --board %s/%s.board --format json", SAMPLES_DIR, BOARDS[i].board);
    const outside_result *r = outside_run(line);
    assert_int_equal(r->status, 0);
    cJSON *laid = cJSON_Parse(r->out);
    snprintf(line, sizeof line, "check --board %s/%s.board %s/kittiwake.png", SAMPLES_DIR, BOARDS[i].board, SAMPLES_DIR);
    cJSON *checked = outside_json(line, BOARDS[i].status);
    const cJSON *positions = member(laid, "positions"), *marks = member(checked, "marks");
    assert_true(cJSON_GetArraySize(marks) > 10);
    assert_int_equal(cJSON_GetArraySize(marks), cJSON_GetArraySize(positions));
    CHECK_CLOSE(number(member(checked, "layout"), "scale_length_mm"), number(laid, "scale_length_mm"), 1e-9);
    for (int k = 0; k < cJSON_GetArraySize(marks); k++) {
      const cJSON *place = cJSON_GetArrayItem(positions, k), *mark = cJSON_GetArrayItem(marks, k);
      CHECK_CLOSE(number(mark, "layout_mm"), number(place, "layout_mm"), 1e-7); /* written with seven decimals */
      if (cJSON_GetObjectItem(place, "angle_deg"))
        CHECK_CLOSE(number(mark, "layout_angle_deg"), number(place, "angle_deg"), 1e-6);
    }
    cJSON_Delete(laid);
    cJSON_Delete(checked);
  }
}

/* A rule in twentieths of an inch, in a file that states no resolution, looks like one in half millimetres. The layout
 * that was asked for shows that it is not; no length is given until somebody says which it is. */
static void a_rule_that_is_not_what_it_looks_like(void **state)
{
  (void)state;
  static const char *const SET[] = {"dpi=300", "graduation=1/20in", "scale_length_mm=353.5", "frets=12", NULL};
  static const char *const UNSTATED[] = {"dpi=300",  "graduation=1/20in", "scale_length_mm=353.5",
                                         "frets=12", "stated_dpi=0",      NULL};
  draw(41, UNSTATED, "inch.png", "inch.json");
  cJSON *r = outside_json("check --scale-length 353.5mm --frets 12 inch.png", 2);
  assert_string_equal(word(member(r, "reference"), "kind"), "none");
  bool said = false;
  for (const cJSON *w = member(r, "warnings")->child; w; w = w->next)
    said = said || strstr(w->valuestring, "only with graduations of 1/20 in would the lines follow the layout");
  assert_true(said);
  for (int fret = 0; fret <= 12; fret++) {
    assert_string_equal(word(mark(r, fret), "state"), "found");
    assert_string_equal(word(mark(r, fret), "verdict"), "undecided");
    assert_true(is_null(mark(r, fret), "error_mm"));
  }
  cJSON_Delete(r);
  r = outside_json("check --scale-length 353.5mm --frets 12 --graduation 1/20in --tolerance 1mm inch.png", 0);
  CHECK_CLOSE(number(member(r, "reference"), "graduation_mm"), 1.27, 1e-9);
  cJSON_Delete(r);
  draw(41, SET, "inch.png", "inch.json");
  r = outside_json("check --scale-length 353.5mm --frets 12 --tolerance 1mm inch.png", 0);
  CHECK_CLOSE(number(member(r, "reference"), "graduation_mm"), 1.27, 1e-9);
  cJSON_Delete(r);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(just_intonation_and_a_half_fret),
                                     cmocka_unit_test(a_half_fret_on_the_wrong_side),
                                     cmocka_unit_test(meantone_and_a_shifted_nut),
                                     cmocka_unit_test(nineteen_divisions_and_a_zero_fret),
                                     cmocka_unit_test(fifty_three_divisions),
                                     cmocka_unit_test(layout_and_check_agree),
                                     cmocka_unit_test(a_rule_that_is_not_what_it_looks_like)};
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_layouts PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
