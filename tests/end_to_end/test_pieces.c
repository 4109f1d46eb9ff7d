/* One board in several scans, end to end: joined, against the renderer's truth; and everything that must not be joined.
 * Called with the program as its one argument.
 *
 * The board is a short one, so that the pictures are small; its second scan overlaps the first by 35 mm. */
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include <png.h>

#include "check_close.h"
#include "drawn.h"
#include "outside.h"

enum { FRETS = 12, MOST_SETTINGS = 24 };
static const char CHECK_LINE[] = "check --scale-length 345mm --frets 12 --reference-mpe 0mm";

/* Draws one scan of board `seed`; `more` ends with NULL. */
static void draw_piece(uint64_t seed, int number, double from, double to, const char *const *more, const char *name)
{
  char text[3][40], path[64], truth[64];
  const char *settings[MOST_SETTINGS] = {"dpi=300", "rule_length_mm=200", "rule_start_mm=-10", "margin_mm=4"};
  size_t n = 4;
  snprintf(text[0], sizeof text[0], "piece=%d", number);
  snprintf(text[1], sizeof text[1], "piece_from_mm=%g", from);
  snprintf(text[2], sizeof text[2], "piece_to_mm=%g", to);
  for (int i = 0; i < 3; i++)
    settings[n++] = text[i];
  for (; *more; more++)
    settings[n++] = *more;
  settings[n] = NULL;
  snprintf(path, sizeof path, "%s.png", name);
  snprintf(truth, sizeof truth, "%s.json", name);
  draw(seed, settings, path, truth);
}

static cJSON *truth_of(const char *name)
{
  char path[64];
  snprintf(path, sizeof path, "%s.json", name);
  return outside_parsed(path);
}

static cJSON *check(const char *pictures, int status)
{
  char line[400];
  snprintf(line, sizeof line, "%s %s", CHECK_LINE, pictures);
  return outside_json(line, status);
}

static bool warned(const cJSON *record, const char *words)
{
  const cJSON *one;
  cJSON_ArrayForEach(one, member(record, "warnings"))
  {
    if (strstr(one->valuestring, words))
      return true;
  }
  return false;
}

/* Joined, right to a hundredth of a millimetre and within what is stated; places lie in the right pictures. */
static void check_joined(const cJSON *record, const char *first, const char *second, const char *rule)
{
  cJSON *truth[2] = {truth_of(first), truth_of(second)};
  const cJSON *join = cJSON_GetArrayItem(member(record, "join"), 0);
  assert_int_equal(cJSON_GetArraySize(member(record, "join")), 1);
  assert_int_equal(cJSON_GetArraySize(member(record, "source")), 2);
  if (rule)
    assert_string_equal(word(join, "rule"), rule);
  else /* another axis of the scanner, or little in common: less sure of the angle */
    assert_string_not_equal(word(join, "rule"), "moved");
  assert_true(number(join, "p") > 0.001);
  CHECK_BELOW(number(join, "u_shift_mm"), 0.01);
  size_t in[2] = {0, 0};
  for (int fret = 0; fret <= FRETS; fret++) {
    const cJSON *m = mark(record, fret);
    const int source = (int)number(m, "source");
    const cJSON *t = mark(truth[source], fret);
    in[source]++;
    for (int axis = 0; axis < 2; axis++)
      CHECK_CLOSE(coordinate(m, "centre_px", axis), coordinate(t, "centre_px", axis),
                  1.5); /* the middle line is the less sure */
    if (fret == 0)
      continue;
    const double off = number(m, "error_mm") - number(t, "error_mm");
    CHECK_BELOW(fabs(off), 0.01);
    CHECK_BELOW(fabs(off), 4.0 * number(m, "u_mm"));
    CHECK_CLOSE(number(m, "squareness_deg"), number(t, "squareness_deg"), fmax(0.05, 3.0 * number(m, "u_squareness_deg")));
    CHECK_CLOSE(number(m, "width_mm"), number(t, "width_mm"), 0.05); /* a pixel is 0.085 */
  }
  assert_true(in[0] > 3 && in[1] > 3);
  cJSON_Delete(truth[0]);
  cJSON_Delete(truth[1]);
}

static const char *const FIRST[] = {"skew_deg=0.4", "rule_skew_deg=0.5", "wave_count=2", NULL};

static void test_rule_left_beside_it(void **state)
{
  (void)state;
  static const char *const SECOND[] = {"skew_deg=-0.7", "rule_skew_deg=-0.6", "wave_count=2", NULL};
  draw_piece(31, 1, -7.0, 105.0, FIRST, "one");
  draw_piece(31, 2, 70.0, 186.0, SECOND, "two");
  cJSON *record = check("one.png two.png", 0);
  check_joined(record, "one", "two", "still");
  const cJSON *join = cJSON_GetArrayItem(member(record, "join"), 0);
  /* the pictures begin at -7 and 70 mm, less what lies askew there: 25 mm times the tangents */
  CHECK_CLOSE(number(join, "shift_mm"), 77.0, 1.5);
  CHECK_CLOSE(number(join, "turn_deg"), 1.1, 0.1); /* as well as two centre lines of 11 cm tell it */
  cJSON_Delete(record);
  const outside_result *r = outside_run("check --scale-length 345mm --frets 12 --reference-mpe 0mm one.png two.png");
  assert_int_equal(r->status, 0);
  assert_non_null(strstr(r->out, "Joined:   pictures 1 and 2 overlap by"));
  assert_non_null(strstr(r->out, "which had lain still"));
}

static void test_rule_laid_anew_and_turned(void **state)
{
  (void)state;
  static const char *const SECOND[] = {"skew_deg=0.9",
                                       "rule_skew_deg=0.75",
                                       "rule_start_mm=60.37",
                                       "rule_length_mm=130",
                                       "quarter_turns=2",
                                       "wave_count=2",
                                       NULL};
  draw_piece(31, 2, 70.0, 186.0, SECOND, "turned");
  cJSON *record = check("one.png turned.png", 0);
  check_joined(record, "one", "turned", "moved");
  CHECK_CLOSE(fabs(number(cJSON_GetArrayItem(member(record, "join"), 0), "turn_deg")), 180.0, 1.0);
  cJSON_Delete(record);
  static const char *const THIRD[] = {"skew_deg=0.9", "rule_skew_deg=1.0", "quarter_turns=3", "wave_count=2", NULL};
  draw_piece(31, 3, 70.0, 186.0, THIRD, "lying");
  record = check("one.png lying.png", 0);
  check_joined(record, "one", "lying", NULL);
  cJSON_Delete(record);
}

/* A printed strip in the rule's place: its numbers tell where the pieces lie, if it has not been moved, and also if one
 * scan lies the other way round. */
static void test_strip_beside_it(void **state)
{
  (void)state;
  static const char *const ONE[] = {"graduation=none", "strip_side=right", "strip_start_mm=-20", "skew_deg=0.4",
                                    "strip_skew_deg=0.5", NULL},
                           *const STILL[] = {"graduation=none",     "strip_side=right", "strip_start_mm=-20",
                                             "skew_deg=-0.7",       "strip_skew_deg=-0.6", "quarter_turns=2", NULL},
                           *const MOVED[] = {"graduation=none", "strip_side=right", "strip_start_mm=20.3",
                                             "skew_deg=-0.7",   "strip_skew_deg=-0.5", NULL};
  draw_piece(33, 1, -7.0, 105.0, ONE, "s1");
  draw_piece(33, 2, 70.0, 186.0, STILL, "s2");
  draw_piece(33, 3, 70.0, 186.0, MOVED, "s3");
  cJSON *record = check("s1.png s2.png", 0);
  assert_string_equal(word(member(record, "reference"), "kind"), "strip");
  check_joined(record, "s1", "s2", "still");
  cJSON_Delete(record);
  const outside_result *r = outside_run("check --scale-length 345mm --frets 12 --reference-mpe 0mm s1.png s2.png");
  assert_non_null(strstr(r->out, "which had lain still"));
  record = check("s1.png s3.png", 0);
  check_joined(record, "s1", "s3", "moved");
  cJSON_Delete(record);
}

/* One mark only lies in what both show: the frets say where to look, the wood that it is so. Of another board, drawn
 * alike, the wood says that it is not. */
static void test_one_mark_in_common(void **state)
{
  (void)state;
  static const char *const SECOND[] = {"skew_deg=-0.7", "rule_skew_deg=-0.6", "wave_count=2", NULL};
  draw_piece(31, 1, -7.0, 93.0, FIRST, "short");
  draw_piece(31, 2, 72.0, 186.0, SECOND, "long");
  cJSON *record = check("short.png long.png", 0);
  check_joined(record, "short", "long", NULL);
  CHECK_BELOW(number(cJSON_GetArrayItem(member(record, "join"), 0), "shared_marks"), 1.5);
  cJSON_Delete(record);
  draw_piece(32, 2, 72.0, 186.0, SECOND, "other");
  record = check("short.png other.png", 2);
  assert_int_equal(cJSON_GetArraySize(member(record, "join")), 0);
  assert_true(warned(record, "are not pieces of one board"));
  cJSON_Delete(record);
}

static void say_by_hand(const char *list)
{
  FILE *f = fopen("said.json", "w");
  assert_non_null(f);
  assert_true(fprintf(f, "{\"schema\": \"slotproof/corrections/1\", \"corrections\": [%s]}", list) > 0);
  assert_int_equal(fclose(f), 0);
}

static const char *outcome(const cJSON *record, int entry)
{
  return word(cJSON_GetArrayItem(member(record, "corrections"), entry), "outcome");
}

/* Pointed at in the single pictures, meant of the whole board: a line too pale to be seen in the second; a scratch that
 * both show, pointed at in one of them; the nut, by the picture's name. */
static void test_said_by_hand(void **state)
{
  (void)state;
  static const char *const ONE[] = {"skew_deg=0.4", "rule_skew_deg=0.5", "paler=9:0.05", "stray=93", NULL},
                           *const TWO[] = {"skew_deg=-0.7", "rule_skew_deg=-0.6", "paler=9:0.05", "stray=93", NULL};
  draw_piece(33, 1, -7.0, 105.0, ONE, "near");
  draw_piece(33, 2, 70.0, 186.0, TWO, "far");
  cJSON *record = check("near.png far.png", 2);
  assert_string_equal(word(mark(record, 9), "state"), "missing");
  assert_int_equal(cJSON_GetArraySize(member(record, "stray")), 1);
  cJSON_Delete(record);
  cJSON *near = truth_of("near"), *far = truth_of("far");
  const cJSON *nut = mark(near, 0), *pale = mark(far, 9), *scratch = cJSON_GetArrayItem(member(near, "stray"), 0);
  char list[800];
  snprintf(list, sizeof list,
           "{\"kind\": \"mark-here\", \"at_px\": [%.0f, %.0f], \"source\": 1},"
           "{\"kind\": \"not-a-mark\", \"at_px\": [%.0f, %.0f]},"
           "{\"kind\": \"nut-here\", \"at_px\": [%.0f, %.0f], \"picture\": \"near.png\"}",
           coordinate(pale, "centre_px", 0) + 20.0, coordinate(pale, "centre_px", 1) - 4.0,
           coordinate(scratch, "centre_px", 0) - 2.0, coordinate(scratch, "centre_px", 1) + 9.0,
           coordinate(nut, "centre_px", 0) + 2.0, coordinate(nut, "centre_px", 1));
  say_by_hand(list);
  record = check("--correct said.json near.png far.png", 0);
  assert_string_equal(outcome(record, 0), "applied");
  assert_string_equal(outcome(record, 1), "applied");
  assert_string_equal(outcome(record, 2), "already-so");
  assert_int_equal(cJSON_GetArraySize(member(record, "stray")), 0);
  assert_string_equal(word(mark(record, 9), "by_hand"), "added");
  assert_int_equal(number(mark(record, 9), "source"), 1);
  CHECK_CLOSE(number(mark(record, 9), "error_mm"), number(pale, "error_mm"), 4.0 * number(mark(record, 9), "u_mm"));
  assert_int_equal(number(cJSON_GetArrayItem(member(record, "corrections"), 0), "source"), 1);
  check_joined(record, "near", "far", "still");
  cJSON_Delete(record);
  /* another picture's, and none's */
  say_by_hand("{\"kind\": \"nut-here\", \"at_px\": [9, 9], \"picture\": \"other.png\"}");
  assert_int_equal(outside_run("check --scale-length 345mm --frets 12 --correct said.json near.png far.png")->status, 65);
  say_by_hand("{\"kind\": \"nut-here\", \"at_px\": [9, 9], \"source\": 2}");
  assert_int_equal(outside_run("check --scale-length 345mm --frets 12 --correct said.json near.png far.png")->status, 65);
  /* a nut told in the one contradicts another in the other */
  const cJSON *fifth = mark(far, 5);
  snprintf(list, sizeof list,
           "{\"kind\": \"nut-here\", \"at_px\": [%.0f, %.0f]},"
           "{\"kind\": \"nut-here\", \"at_px\": [%.0f, %.0f], \"source\": 1}",
           coordinate(nut, "centre_px", 0), coordinate(nut, "centre_px", 1), coordinate(fifth, "centre_px", 0),
           coordinate(fifth, "centre_px", 1));
  say_by_hand(list);
  const outside_result *r = outside_run("check --scale-length 345mm --frets 12 --correct said.json near.png far.png");
  assert_int_equal(r->status, 65);
  assert_non_null(strstr(r->err, "corrections 1 and 2 contradict each other"));
  /* of pictures that make no board, it is said that nothing was made of it */
  draw_piece(34, 2, 70.0, 186.0, TWO, "strange");
  cJSON *strange = truth_of("strange");
  snprintf(list, sizeof list, "{\"kind\": \"mark-here\", \"at_px\": [%.0f, %.0f], \"source\": 1}",
           coordinate(mark(strange, 8), "centre_px", 0), coordinate(mark(strange, 8), "centre_px", 1));
  say_by_hand(list);
  record = check("--correct said.json near.png strange.png", 2);
  assert_string_equal(outcome(record, 0), "refused");
  cJSON_Delete(record);
  cJSON_Delete(strange);
  cJSON_Delete(near);
  cJSON_Delete(far);
}

static void test_from_the_bridge(void **state)
{
  (void)state;
  cJSON *record = check("two.png one.png", 0);
  check_joined(record, "two", "one", "still");
  assert_true(warned(record, "from the bridge to the nut"));
  cJSON_Delete(record);
}

static void refuse(const char *pictures, const char *words)
{
  cJSON *record = check(pictures, 2);
  if (!warned(record, words))
    fprintf(stderr, "%s: %s\n", pictures, cJSON_GetArrayItem(member(record, "warnings"), 0)->valuestring);
  assert_true(warned(record, words));
  assert_string_equal(word(record, "verdict"), "undecided");
  assert_int_equal(cJSON_GetArraySize(member(record, "join")), 0);
  for (int fret = 0; fret <= FRETS; fret++)
    assert_string_equal(word(mark(record, fret), "state"), "missing");
  cJSON_Delete(record);
}

static void test_another_board(void **state)
{
  (void)state;
  draw_piece(32, 2, 70.0, 186.0, FIRST, "stranger");
  refuse("one.png stranger.png", "are not pieces of one board");
}

static void test_too_far_apart(void **state)
{
  (void)state;
  draw_piece(31, 2, 84.0, 186.0, FIRST, "far");
  draw_piece(31, 1, -7.0, 76.0, FIRST, "near");
  cJSON *record = check("near.png far.png", 2);
  /* said by the frets where there are enough of them in either piece; never joined */
  assert_true(warned(record, "do not overlap") || warned(record, "overlap by too little"));
  cJSON_Delete(record);
}

static void test_wrong_order(void **state)
{
  (void)state;
  draw_piece(31, 1, -7.0, 70.0, FIRST, "a");
  draw_piece(31, 2, 40.0, 120.0, FIRST, "b");
  draw_piece(31, 3, 90.0, 186.0, FIRST, "c");
  refuse("a.png c.png b.png", "in a wrong order: along the board they lie as a.png, b.png, c.png");
  cJSON *record = check("a.png b.png c.png", 0);
  assert_int_equal(cJSON_GetArraySize(member(record, "join")), 2);
  for (int fret = 1; fret <= FRETS; fret++)
    assert_string_equal(word(mark(record, fret), "verdict"), "within");
  cJSON_Delete(record);
}

static void mirror(const char *from, const char *to)
{
  png_image image = {.version = PNG_IMAGE_VERSION};
  assert_true(png_image_begin_read_from_file(&image, from));
  image.format = PNG_FORMAT_GRAY;
  uint8_t *grey = malloc(PNG_IMAGE_SIZE(image));
  assert_non_null(grey);
  assert_true(png_image_finish_read(&image, NULL, grey, 0, NULL));
  for (uint32_t y = 0; y < image.height; y++)
    for (uint32_t x = 0; x < image.width / 2; x++) {
      uint8_t *row = grey + (size_t)y * image.width, kept = row[x];
      row[x] = row[image.width - 1 - x];
      row[image.width - 1 - x] = kept;
    }
  assert_true(png_image_write_to_file(&image, to, 0, grey, 0, NULL));
  free(grey);
}

static void test_mirrored(void **state)
{
  (void)state;
  mirror("two.png", "mirrored.png");
  refuse("one.png mirrored.png", "mirrored.png shows the board mirrored");
}

static void test_no_rule_in_one(void **state)
{
  (void)state;
  static const char *const BARE[] = {"graduation=none", NULL};
  draw_piece(31, 2, 70.0, 186.0, BARE, "bare");
  refuse("one.png bare.png", "in bare.png no scale could be read");
}

/* What is drawn shows the whole board: longer than either picture. */
static void test_drawn(void **state)
{
  (void)state;
  const outside_result *r = outside_run("check --scale-length 345mm --frets 12 --reference-mpe 0mm --format html "
                                        "--output page.html --overlay o.png one.png two.png");
  assert_int_equal(r->status, 0);
  png_image whole = {.version = PNG_IMAGE_VERSION}, one = {.version = PNG_IMAGE_VERSION};
  assert_true(png_image_begin_read_from_file(&whole, "o.png"));
  assert_true(png_image_begin_read_from_file(&one, "one.png"));
  assert_true(whole.width > one.height + 800); /* the board lies along the picture's width in the drawing */
  png_image_free(&whole);
  png_image_free(&one);
  char *page = outside_text("page.html");
  assert_non_null(page);
  assert_non_null(strstr(page, "Joined"));
  assert_non_null(strstr(page, "two.png"));
  free(page);
}

/* Many boards, each in a folder of its own; what stands is used again, and the same pictures are one board. */
static void test_many_boards(void **state)
{
  (void)state;
  static const char *const MOVES[][2] = {
      {"one.png", "boards/a/1.png"}, {"two.png", "boards/a/2.png"}, {"s1.png", "boards/b.2/1.png"}, {"s2.png", "boards/b.2/10.png"}};
  static const char LINE[] = "batch --scale-length 345mm --frets 12 --reference-mpe 0mm --pieces --results found "
                             "--overlays --history h.db --format json boards";
  assert_int_equal(mkdir("boards", 0755), 0);
  assert_int_equal(mkdir("boards/a", 0755), 0);
  assert_int_equal(mkdir("boards/b.2", 0755), 0);
  assert_int_equal(mkdir("boards/empty", 0755), 0);
  for (size_t i = 0; i < sizeof MOVES / sizeof *MOVES; i++)
    assert_int_equal(rename(MOVES[i][0], MOVES[i][1]), 0);
  struct stat about[2];
  for (int round = 0; round < 2; round++) {
    cJSON *batch = outside_json(LINE, 0);
    const cJSON *boards = member(batch, "boards");
    assert_int_equal(cJSON_GetArraySize(boards), 2); /* the history's are the same */
    assert_string_equal(word(cJSON_GetArrayItem(boards, 0), "name"), "a");
    assert_string_equal(word(cJSON_GetArrayItem(boards, 1), "name"), "b.2");
    cJSON_Delete(batch);
    assert_int_equal(stat("found/a.json", &about[round]), 0);
  }
  assert_true(about[0].st_ino == about[1].st_ino); /* the record stands; a new one would be another file */
  cJSON *record = outside_parsed("found/b.2.json");
  assert_int_equal(cJSON_GetArraySize(member(record, "join")), 1);
  assert_string_equal(word(cJSON_GetArrayItem(member(record, "source"), 1), "file"), "boards/b.2/10.png");
  cJSON_Delete(record);
  png_image whole = {.version = PNG_IMAGE_VERSION};
  assert_true(png_image_begin_read_from_file(&whole, "found/a.png"));
  png_image_free(&whole);
  const outside_result *r = outside_run("batch --scale-length 345mm --frets 12 --pieces boards/empty");
  assert_int_equal(r->status, 66);
  assert_non_null(strstr(r->err, "boards/empty: holds no pictures"));
}

static int leave(void **state)
{
  (void)state;
  return outside_leave();
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_rule_left_beside_it),
      cmocka_unit_test(test_rule_laid_anew_and_turned),
      cmocka_unit_test(test_strip_beside_it),
      cmocka_unit_test(test_one_mark_in_common),
      cmocka_unit_test(test_said_by_hand),
      cmocka_unit_test(test_from_the_bridge),
      cmocka_unit_test(test_another_board),
      cmocka_unit_test(test_too_far_apart),
      cmocka_unit_test(test_wrong_order),
      cmocka_unit_test(test_mirrored),
      cmocka_unit_test(test_no_rule_in_one),
      cmocka_unit_test(test_drawn),
      cmocka_unit_test(test_many_boards),
  };
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_pieces PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
