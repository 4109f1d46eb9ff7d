/* Corrections by hand on drawn boards: each kind where it is right, and where it is not.
 *
 * The board is an invention of a toy's size (scale length 140 mm, 12 frets) so that 300 dpi make a small picture. */
#include "drawing.h"

#include <unistd.h>

#include "slotproof/check.h"
#include "slotproof/report.h"
#include "test_reading_pictures.h"

enum { FRETS = 12, EXTRAS = 3, SAID = 8 };
static const double SCALE_MM = 140.0, PX_PER_MM = 11.8, NUT_PX = 75.3, CENTRE_PX = 210.0, HALF_PX = 165.0;
static const double RULE_PX = 35.7, RULE_V_PX = 440.0;

typedef struct scan {
  double error_mm[FRETS + 1];
  double height[FRETS + 1]; /* grey of each line; 0 = as usual, NAN = not drawn */
  double extra_mm[EXTRAS];  /* further lines, from the nut; 0 = none */
  bool even;                /* all strokes of the rule are of one length: what they are cannot be told */
  bool upright;             /* the board runs down the picture */
} scan;

static double layout_mm(int fret)
{
  return SCALE_MM * (1.0 - pow(2.0, -fret / 12.0));
}

static double px_of(double x_mm)
{
  return NUT_PX + PX_PER_MM * x_mm;
}

static void draw_line(drawing *d, double x_mm, double height)
{
  draw_mark(d, &(drawn_mark){.at = px_of(x_mm),
                             .v_ref = CENTRE_PX,
                             .v_a = CENTRE_PX - HALF_PX,
                             .v_b = CENTRE_PX + HALF_PX,
                             .width = 1.4,
                             .blur = 0.9,
                             .height = height});
}

static sp_raster draw_scan(const scan *s)
{
  drawing d = drawing_new(1020, 600, 236.0);
  chance dice = {99};
  draw_area(&d, &(drawn_area){.u_a = NUT_PX - 40.0,
                              .u_b = 975.0,
                              .v_a = CENTRE_PX - HALF_PX,
                              .v_b = CENTRE_PX + HALF_PX,
                              .blur = 0.9,
                              .height = -110.0});
  for (int k = 0; k <= FRETS; k++)
    if (!isnan(s->height[k]))
      draw_line(&d, layout_mm(k) + s->error_mm[k], s->height[k] == 0.0 ? -70.0 : s->height[k]);
  for (int k = 0; k < EXTRAS; k++)
    if (s->extra_mm[k] != 0.0)
      draw_line(&d, s->extra_mm[k], -70.0);
  for (int k = 0; k <= 80; k++) {
    const double length_mm = s->even || k % 5 ? 3.0 : k % 10 ? 4.5 : 6.0;
    draw_mark(&d, &(drawn_mark){.at = RULE_PX + PX_PER_MM * k,
                                .v_a = RULE_V_PX,
                                .v_b = RULE_V_PX + PX_PER_MM * length_mm,
                                .width = 1.6,
                                .blur = 0.9,
                                .height = -160.0});
  }
  draw_noise(&d, 2.0, &dice);
  const sp_raster r = drawing_raster(&d, s->upright ? SP_ALONG_Y : SP_ALONG_X, 8);
  drawing_free(&d);
  return r;
}

typedef struct job {
  sp_layout layout;
  sp_check_options options;
  sp_correction said[SAID];
  sp_corrections corrections;
  sp_record record;
  sp_error err;
  bool upright;
} job;

static void start(job *j)
{
  memset(j, 0, sizeof *j);
  assert_int_equal(sp_layout_equal(SCALE_MM, FRETS, 12, &j->layout, &j->err), SP_OK);
  sp_check_options_init(&j->options);
  sp_record_init(&j->record);
  j->options.layout = &j->layout;
  j->options.tolerance_mm = 0.1;
  j->options.reference.mpe_mm = 0.0;
  j->corrections.list = j->said;
  j->options.corrections = &j->corrections;
}

static void finish(job *j)
{
  sp_record_free(&j->record);
  sp_layout_free(&j->layout);
}

static void say_px(job *j, sp_correction_kind kind, double u_px, double v_px, double reading_mm)
{
  const sp_point at = j->upright ? (sp_point){v_px, u_px} : (sp_point){u_px, v_px};
  j->said[j->corrections.count++] = (sp_correction){kind, at, reading_mm, 0, ""};
}

/* On the board, a little off the middle. */
static void say(job *j, sp_correction_kind kind, double x_mm)
{
  say_px(j, kind, px_of(x_mm), CENTRE_PX + 31.0, NAN);
}

/* A click on the rule's stroke number k, a third of a millimetre beside it. */
static void say_stroke(job *j, int k, double reading_mm)
{
  say_px(j, SP_CORRECTION_GRADUATION, RULE_PX + PX_PER_MM * (k + 0.33), RULE_V_PX + 12.0, reading_mm);
}

static sp_status check(job *j, const scan *s)
{
  char path[] = "corrected-XXXXXX";
  sp_raster r = draw_scan(s);
  blob b = make_png(&(png_spec){.width = r.width_px,
                                .height = r.height_px,
                                .colour = PNG_COLOR_TYPE_GRAY,
                                .bits = 8,
                                .rows = r.u8,
                                .row_bytes = r.width_px});
  const int fd = mkstemp(path);
  assert_true(fd >= 0);
  assert_int_equal(write(fd, b.bytes, b.size), (ssize_t)b.size);
  assert_int_equal(close(fd), 0);
  const sp_status status = sp_check_picture(path, &j->options, &j->record, NULL, &j->err);
  assert_int_equal(unlink(path), 0);
  blob_free(&b);
  sp_raster_free(&r);
  return status;
}

static void check_fine(job *j, const scan *s)
{
  const sp_status status = check(j, s);
  if (status)
    fail_msg("%d: %s", (int)status, j->err.text);
  assert_int_equal(j->record.correction_count, j->corrections.count);
}

static void expect(const job *j, size_t entry, sp_correction_outcome outcome, const char *words)
{
  const sp_correction_record *c = &j->record.corrections[entry];
  if (c->outcome != outcome || !strstr(c->text, words))
    fail_msg("correction %zu: %s, '%s'", entry, sp_correction_outcome_word(c->outcome), c->text);
}

/* Fret k lies where it was drawn, within three standard uncertainties, and those are small. */
static void expect_place(const job *j, int k, double x_mm)
{
  const sp_mark_record *m = &j->record.marks[k];
  assert_true(m->found);
  CHECK_CLOSE(m->x_mm, x_mm, 3.0 * m->u_mm);
  CHECK_BELOW(m->u_mm, 0.05);
}

static bool warned(const sp_record *r, const char *words)
{
  for (size_t i = 0; i < r->warning_count; i++)
    if (strstr(r->warnings[i], words))
      return true;
  return false;
}

/* ---- a line that is too faint ----------------------------------------------------------------------------------- */

static void faint_line(void **state)
{
  (void)state;
  for (int upright = 0; upright < 2; upright++) {
    scan s = {.error_mm = {[7] = 0.06}, .height = {[7] = -2.4}, .upright = upright};
    job j;
    start(&j);
    check_fine(&j, &s);
    assert_false(j.record.marks[7].found); /* or the test says nothing */
    finish(&j);
    start(&j);
    j.upright = upright;
    say(&j, SP_CORRECTION_MARK_HERE, layout_mm(7) - 0.5);
    check_fine(&j, &s);
    expect(&j, 0, SP_CORRECTION_APPLIED, "it is fret 7");
    expect_place(&j, 7, layout_mm(7) + 0.06);
    assert_int_equal(j.record.marks[7].by_hand, SP_BY_HAND_ADDED);
    assert_int_equal(j.record.marks[6].by_hand, SP_BY_HAND_NO);
    CHECK_BELOW(3.0 * j.record.marks[6].budget.line_mm, j.record.marks[7].budget.line_mm); /* the doubt is its own */
    finish(&j);
  }
}

/* Where there is nothing nothing is put, all along the board; and the rest is as it was. */
static void bare_wood(void **state)
{
  (void)state;
  scan s = {.height = {[7] = NAN}};
  job plain, j;
  start(&plain);
  check_fine(&plain, &s);
  start(&j);
  say(&j, SP_CORRECTION_MARK_HERE, layout_mm(7));
  for (int k = 0; k < 4; k++)
    say(&j, SP_CORRECTION_MARK_HERE, 0.5 * (layout_mm(2 * k) + layout_mm(2 * k + 1)));
  check_fine(&j, &s);
  for (size_t i = 0; i < j.record.correction_count; i++)
    expect(&j, i, SP_CORRECTION_NOTHING_THERE, "none was put there");
  assert_false(j.record.marks[7].found);
  assert_int_equal(j.record.verdict, SP_UNDECIDED);
  for (int k = 1; k <= FRETS; k++)
    if (k != 7)
      CHECK_CLOSE(j.record.marks[k].x_mm, plain.record.marks[k].x_mm, 0.0);
  assert_int_equal(j.record.stray_count, plain.record.stray_count);
  finish(&j);
  finish(&plain);
}

static void line_found_anyway(void **state)
{
  (void)state;
  scan s = {.even = false};
  job j;
  start(&j);
  say(&j, SP_CORRECTION_MARK_HERE, layout_mm(4) + 0.3);
  say_px(&j, SP_CORRECTION_MARK_HERE, px_of(30.0), RULE_V_PX + 20.0, NAN); /* on the rule */
  check_fine(&j, &s);
  expect(&j, 0, SP_CORRECTION_ALREADY_SO, "fret 4 without being told");
  expect(&j, 1, SP_CORRECTION_NOTHING_THERE, "none was put there");
  assert_int_equal(j.record.marks[4].by_hand, SP_BY_HAND_NO);
  assert_int_equal(j.record.verdict, SP_WITHIN);
  finish(&j);
}

/* ---- a line too many -------------------------------------------------------------------------------------------- */

/* Two lines do for fret 5, and nothing in the picture tells which is meant. */
static void stray_as_good(void **state)
{
  (void)state;
  const double TRUE_MM = 1.1, STRAY_MM = -0.9;
  scan s = {.error_mm = {[5] = TRUE_MM}, .extra_mm = {layout_mm(5) + STRAY_MM}};
  job j;
  start(&j);
  check_fine(&j, &s);
  CHECK_CLOSE(j.record.marks[5].x_mm, layout_mm(5) + STRAY_MM, 0.05); /* taken, because it is nearer */
  CHECK_CLOSE(j.record.marks[5].expanded_u_mm, TRUE_MM - STRAY_MM, 0.05);
  assert_true(warned(&j.record, "fret 5: two lines lie 2.00 mm from each other"));
  finish(&j);

  start(&j);
  say(&j, SP_CORRECTION_NOT_A_MARK, layout_mm(5) + STRAY_MM - 0.2);
  check_fine(&j, &s);
  expect(&j, 0, SP_CORRECTION_APPLIED, "left out");
  expect_place(&j, 5, layout_mm(5) + TRUE_MM);
  assert_int_equal(j.record.stray_count, 0);
  finish(&j);

  start(&j);
  say(&j, SP_CORRECTION_MARK_HERE, layout_mm(5) + TRUE_MM + 0.2);
  check_fine(&j, &s);
  expect(&j, 0, SP_CORRECTION_APPLIED, "taken for fret 5");
  expect_place(&j, 5, layout_mm(5) + TRUE_MM);
  assert_int_equal(j.record.marks[5].by_hand, SP_BY_HAND_CHOSEN);
  assert_int_equal(j.record.stray_count, 1); /* the other one is still told of */
  finish(&j);
}

static void nothing_to_leave_out(void **state)
{
  (void)state;
  scan s = {.even = false};
  job j;
  start(&j);
  say(&j, SP_CORRECTION_NOT_A_MARK, 0.5 * (layout_mm(2) + layout_mm(3)));
  check_fine(&j, &s);
  expect(&j, 0, SP_CORRECTION_NOTHING_THERE, "none was left out");
  assert_int_equal(j.record.verdict, SP_WITHIN);
  finish(&j);
}

/* ---- the nut ---------------------------------------------------------------------------------------------------- */

/* Two lines a little apart where the nut is: the frets suit either. */
static void two_nuts(void **state)
{
  (void)state;
  const double SECOND_MM = 1.8;
  scan s = {.extra_mm = {SECOND_MM}};
  for (int which = 0; which < 2; which++) {
    const double nut_mm = which ? SECOND_MM : 0.0;
    job j;
    start(&j);
    say(&j, SP_CORRECTION_NUT_HERE, nut_mm + (which ? 0.2 : -0.2));
    check_fine(&j, &s);
    expect(&j, 0, which ? SP_CORRECTION_APPLIED : SP_CORRECTION_ALREADY_SO, "taken for the nut");
    assert_int_equal(j.record.datum, SP_DATUM_LINE);
    assert_int_equal(j.record.marks[0].by_hand, which ? SP_BY_HAND_NUT : SP_BY_HAND_NO);
    CHECK_CLOSE(j.record.marks[0].centre_px.x, px_of(nut_mm), 0.3);
    expect_place(&j, 6, layout_mm(6) - nut_mm);
    assert_int_equal(j.record.stray_count, 1);
    finish(&j);
  }
}

static void nut_is_the_end(void **state)
{
  (void)state;
  const double END_MM = -40.0 / PX_PER_MM;
  scan s = {.height = {[0] = NAN}};
  for (int k = 1; k <= FRETS; k++)
    s.error_mm[k] = END_MM;
  job j;
  start(&j);
  say(&j, SP_CORRECTION_NUT_HERE, END_MM + 0.4);
  check_fine(&j, &s);
  assert_int_equal(j.record.datum, SP_DATUM_END);
  expect(&j, 0, SP_CORRECTION_ALREADY_SO, "the board's end was taken for the nut");
  expect_place(&j, 9, layout_mm(9));
  finish(&j);
}

/* The third fret's line is no nut. */
static void wrong_nut(void **state)
{
  (void)state;
  scan s = {.even = false};
  job j;
  start(&j);
  say(&j, SP_CORRECTION_NUT_HERE, layout_mm(3));
  check_fine(&j, &s);
  if (j.record.corrections[0].outcome == SP_CORRECTION_REFUSED)
    assert_int_equal(j.record.verdict, SP_UNDECIDED);
  else /* a layout looks like itself from any fret, on a shorter scale: then that is said first of all */
    assert_string_equal(j.record.findings[0].kind, "other-scale-length");
  finish(&j);
  start(&j);
  say(&j, SP_CORRECTION_NUT_HERE, 0.5 * (layout_mm(1) + layout_mm(2)));
  check_fine(&j, &s);
  expect(&j, 0, SP_CORRECTION_NOTHING_THERE, "where the nut is said to be");
  assert_int_equal(j.record.verdict, SP_WITHIN);
  finish(&j);
}

/* ---- the rule --------------------------------------------------------------------------------------------------- */

static void graduation_settled(void **state)
{
  (void)state;
  scan s = {.even = true};
  job j;
  start(&j);
  check_fine(&j, &s);
  assert_int_equal(j.record.reference.kind, SP_REFERENCE_NONE); /* or the test says nothing */
  finish(&j);

  start(&j);
  say_stroke(&j, 5, 20.0);
  say_stroke(&j, 71, 86.0);
  check_fine(&j, &s);
  expect(&j, 0, SP_CORRECTION_APPLIED, "settled");
  expect(&j, 1, SP_CORRECTION_APPLIED, "settled");
  CHECK_CLOSE(j.record.reference.graduation_mm, 1.0, 0.0);
  assert_true(j.record.reference.graduation_told);
  expect_place(&j, 12, layout_mm(12));
  assert_int_equal(j.record.verdict, SP_WITHIN);
  finish(&j);

  start(&j); /* numbers that fall along the picture, and three of them */
  say_stroke(&j, 5, 66.0);
  say_stroke(&j, 31, 40.0);
  say_stroke(&j, 71, 0.0);
  check_fine(&j, &s);
  for (size_t i = 0; i < 3; i++)
    expect(&j, i, SP_CORRECTION_APPLIED, "settled");
  finish(&j);
}

static void graduation_contradicted(void **state)
{
  (void)state;
  static const double LAST[] = {86.0 + 4.0, 20.0 + 66.0 * 1.3}; /* four strokes too many; strokes that no rule has */
  for (int even = 0; even < 2; even++)
    for (size_t i = 0; i < 2; i++) {
      scan s = {.even = even};
      job j;
      start(&j);
      say_stroke(&j, 5, 20.0);
      say_stroke(&j, 71, LAST[i]);
      check_fine(&j, &s);
      expect(&j, 0, SP_CORRECTION_REFUSED, "does not fit");
      expect(&j, 1, SP_CORRECTION_REFUSED, "does not fit");
      assert_int_equal(j.record.reference.kind, SP_REFERENCE_NONE);
      assert_int_equal(j.record.verdict, SP_UNDECIDED);
      assert_true(warned(&j.record, "look at the readings again"));
      finish(&j);
    }
}

static void graduation_alone(void **state)
{
  (void)state;
  scan s = {.even = false};
  job j;
  start(&j);
  say_stroke(&j, 5, 20.0);
  check_fine(&j, &s);
  expect(&j, 0, SP_CORRECTION_REFUSED, "a second stroke");
  assert_int_equal(j.record.verdict, SP_WITHIN);
  finish(&j);
  start(&j);
  say_stroke(&j, 5, 20.0);
  say_stroke(&j, 71, 86.0);
  check_fine(&j, &s);
  expect(&j, 0, SP_CORRECTION_ALREADY_SO, "without being told");
  finish(&j);
}

/* ---- what cannot be meant --------------------------------------------------------------------------------------- */

static void refuse(const char *words, void (*say_it)(job *j))
{
  scan s = {.even = false};
  job j;
  start(&j);
  say_it(&j);
  assert_int_equal(check(&j, &s), SP_E_DATA);
  if (!strstr(j.err.text, words))
    fail_msg("'%s'", j.err.text);
  finish(&j);
}

static void say_outside(job *j)
{
  say(j, SP_CORRECTION_NOT_A_MARK, layout_mm(3));
  say_px(j, SP_CORRECTION_MARK_HERE, 1020.0, 100.0, NAN);
}

static void say_yes_and_no(job *j)
{
  say(j, SP_CORRECTION_NOT_A_MARK, layout_mm(3));
  say(j, SP_CORRECTION_MARK_HERE, layout_mm(3) + 0.1);
}

static void say_two_nuts(job *j)
{
  say(j, SP_CORRECTION_NUT_HERE, 0.0);
  say(j, SP_CORRECTION_NUT_HERE, layout_mm(1));
}

static void say_of_another(job *j)
{
  say(j, SP_CORRECTION_MARK_HERE, layout_mm(3));
  j->said[0].source = 1;
}

static void impossible(void **state)
{
  (void)state;
  refuse("correction 2 lies at 1020, 100, outside the picture of 1020 x 600", say_outside);
  refuse("corrections 1 and 2 contradict each other: the same line", say_yes_and_no);
  refuse("corrections 1 and 2 contradict each other: a board has one nut", say_two_nuts);
  refuse("picture 2", say_of_another);
}

/* ---- the record ------------------------------------------------------------------------------------------------- */

static size_t written(const sp_record *record, char *text, size_t size)
{
  sp_error err = {0};
  FILE *file = tmpfile();
  assert_non_null(file);
  assert_int_equal(sp_report_json(record, file, &err), SP_OK);
  rewind(file);
  const size_t n = fread(text, 1, size - 1, file);
  text[n] = '\0';
  fclose(file);
  return n;
}

/* The record's own list, given back, gives the same record; a record that nobody corrected says nothing of it. */
static void comes_back(void **state)
{
  (void)state;
  static char first[200000], second[200000];
  scan s = {.height = {[7] = -2.6}};
  job j, again;
  start(&j);
  say(&j, SP_CORRECTION_MARK_HERE, layout_mm(7) + 0.4);
  say(&j, SP_CORRECTION_NOT_A_MARK, 0.5 * (layout_mm(2) + layout_mm(3)));
  check_fine(&j, &s);
  const size_t n = written(&j.record, first, sizeof first);
  assert_non_null(strstr(first, "\"by_hand\":\t\"added\""));
  start(&again);
  sp_corrections given;
  sp_error err = {0};
  assert_int_equal(sp_corrections_parse(first, n, &given, &err), SP_OK);
  again.options.corrections = &given;
  assert_int_equal(check(&again, &s), SP_OK);
  written(&again.record, second, sizeof second);
  /* the pictures' names differ */
  assert_string_equal(strstr(first, "\"width_px\""), strstr(second, "\"width_px\""));
  sp_corrections_free(&given);
  finish(&again);

  sp_record read;
  sp_record_init(&read);
  assert_int_equal(sp_record_parse(first, n, &read, &err), SP_OK);
  assert_int_equal(read.correction_count, 2);
  assert_int_equal(read.corrections[1].outcome, SP_CORRECTION_NOTHING_THERE);
  assert_string_equal(read.corrections[0].text, j.record.corrections[0].text);
  assert_int_equal(read.marks[7].by_hand, SP_BY_HAND_ADDED);
  sp_record_free(&read);
  finish(&j);

  start(&j); /* an empty list is none */
  check_fine(&j, &s);
  written(&j.record, first, sizeof first);
  assert_null(strstr(first, "corrections"));
  assert_null(strstr(first, "by_hand"));
  finish(&j);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(faint_line),
      cmocka_unit_test(bare_wood),
      cmocka_unit_test(line_found_anyway),
      cmocka_unit_test(stray_as_good),
      cmocka_unit_test(two_nuts),
      cmocka_unit_test(nut_is_the_end),
      cmocka_unit_test(nothing_to_leave_out),
      cmocka_unit_test(wrong_nut),
      cmocka_unit_test(graduation_settled),
      cmocka_unit_test(graduation_alone),
      cmocka_unit_test(impossible),
      cmocka_unit_test(comes_back),
      cmocka_unit_test(graduation_contradicted),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
