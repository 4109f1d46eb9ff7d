/* The text for the bench and the table for the spreadsheet. */
#include "check_close.h"

#include <string.h>

#include "report_board.h"
#include "report_written.h"
#include "slotproof/report.h"

static void check_contains(const char *text, const char *part)
{
  if (!strstr(text, part))
    fprintf(stderr, "not found: %s\nin:\n%s\n", part, text);
  assert_non_null(strstr(text, part));
}

static void check_lacks(const char *text, const char *part)
{
  if (strstr(text, part))
    fprintf(stderr, "should not be there: %s\n", part);
  assert_null(strstr(text, part));
}

static char *text_of(const sp_record *r)
{
  char *text = written(sp_report_text, r);
  assert_non_null(text);
  return text;
}

static void test_verdict_comes_first(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  char *text = text_of(&r);
  static const char FIRST[] =
      "OUT OF TOLERANCE: 2 of 12 frets are out, 1 missing, 1 undecided; the other 8 are within 0.2 mm.\n";
  assert_int_equal(strncmp(text, FIRST, strlen(FIRST)), 0);
  free(text);
  sp_record_free(&r);
}

static void test_what_to_cut_and_which_way(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  char *text = text_of(&r);
  check_contains(text, "fret 3: 0.31 mm too near the bridge, 1.6 cents sharp: re-cut 0.31 mm toward the nut");
  check_contains(text, "fret 7: 0.45 mm too near the nut, 2.9 cents flat: re-cut 0.45 mm toward the bridge");
  check_contains(text, "fret 9: no line was found where it belongs, 162.16 mm from the nut");
  check_contains(text, "fret 5: 0.190 mm too near the bridge, 1.1 cents sharp, sure only to +/- 0.023 mm");
  check_contains(text, "30.00 mm from the nut");
  check_contains(text, "eye protection");
  check_contains(text, "the picture is coarse (8.0 px per mm)");
  check_contains(text, "the lines follow a scale length of 400.3 mm");
  check_contains(text, "279 graduations used");
  assert_true(strstr(text, "Cut again") < strstr(text, "should be")); /* what to do stands before the table */
  free(text);
  sp_record_free(&r);
}

/* A fretted neck: frets are dressed or set again, strings let down first; nothing is cut by knife. */
static void test_frets_are_set_again(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  r.marks_kind = SP_MARK_WIRE;
  r.datum = SP_DATUM_END;
  r.marks[3].action = SP_ACTION_DRESS;
  r.marks[7].action = SP_ACTION_REFRET;
  char *text = text_of(&r);
  check_contains(text, "fret 3: 0.31 mm too near the bridge, 1.6 cents sharp: dress its crown over by 0.31 mm toward");
  check_contains(text, "fret 7: 0.45 mm too near the nut, 2.9 cents flat: draw it, fill the slot with wood");
  check_contains(text, "fret 9: no fret was found where it belongs");
  check_contains(text, "let all strings down");
  check_contains(text, "the nut's face toward the frets");
  check_contains(text, "Wires where no fret belongs");
  check_lacks(text, "re-cut");
  check_lacks(text, "Cut again");
  free(text);
  r.marks[0].found = false;
  r.marks[0].verdict = SP_MISSING;
  r.datum = SP_DATUM_FIT;
  text = text_of(&r);
  check_contains(text, "neither a zero fret nor the nut's face was found");
  free(text);
  sp_record_free(&r);
}

static void test_fits_the_page(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  assert_int_equal(
      sp_record_warn(&r, NULL, "a long warning %0200d that cannot be broken in one place but can in others", 1), SP_OK);
  char *text = text_of(&r);
  for (char *line = strtok(text, "\n"); line; line = strtok(NULL, "\n"))
    if (!strstr(line, "000001"))
      assert_true(strlen(line) <= 100);
  free(text);
  sp_record_free(&r);
}

static void make_all_within(sp_record *r)
{
  for (size_t i = 0; i < r->mark_count; i++) {
    r->marks[i].found = true;
    r->marks[i].verdict = SP_WITHIN;
    r->marks[i].recut_mm = NAN;
  }
  r->verdict = SP_WITHIN;
}

static void test_a_good_board_gets_no_advice(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  make_all_within(&r);
  r.tolerance_cents = 2.0;
  char *text = text_of(&r);
  static const char FIRST[] = "WITHIN TOLERANCE: all 12 frets are within 0.2 mm and 2 cents.\n";
  assert_int_equal(strncmp(text, FIRST, strlen(FIRST)), 0);
  check_lacks(text, "re-cut");
  check_lacks(text, "Care:");
  check_lacks(text, "Undecided");
  check_lacks(text, "Missing");
  free(text);
  sp_record_free(&r);
}

static void test_unseen_nut_is_said(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  make_all_within(&r);
  r.marks[0].found = false;
  r.marks[0].verdict = SP_MISSING;
  r.datum = SP_DATUM_FIT;
  r.verdict = SP_UNDECIDED;
  char *text = text_of(&r);
  static const char FIRST[] = "NOT DECIDED: all 12 frets are within 0.2 mm; the nut was not found.\n";
  assert_int_equal(strncmp(text, FIRST, strlen(FIRST)), 0);
  free(text);
  sp_record_free(&r);
}

/* Without a scale there are cents and no lengths; nothing may look like 0 mm. */
static void test_without_a_scale(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  free(r.reference.graduations);
  memset(&r.reference, 0, sizeof r.reference);
  r.reference.px_per_mm = r.reference.span_mm = r.reference.mpe_mm = NAN;
  for (size_t i = 0; i < r.mark_count; i++) {
    sp_mark_record *m = &r.marks[i];
    m->x_mm = m->error_mm = m->u_mm = m->expanded_u_mm = m->width_mm = m->recut_mm = NAN;
    m->verdict = m->found ? SP_UNDECIDED : SP_MISSING;
  }
  r.datum_u_mm = r.fit_scale_length_mm = NAN;
  r.verdict = SP_UNDECIDED;
  char *text = text_of(&r);
  check_contains(text, "NOT DECIDED: 1 of 12 frets is missing, 11 undecided.");
  check_contains(text, "Without a scale no length can be given");
  check_contains(text, "Scale:    none.");
  check_lacks(text, "re-cut");
  check_lacks(text, "Best fit");
  check_lacks(text, "nan");
  free(text);
  sp_record_free(&r);
}

static void test_nothing_recognised(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  for (size_t i = 0; i < r.mark_count; i++) {
    r.marks[i].found = false;
    r.marks[i].verdict = SP_MISSING;
  }
  r.verdict = SP_UNDECIDED;
  char *text = text_of(&r);
  check_contains(text, "NOT DECIDED: 12 of 12 frets are missing; the nut was not found.");
  check_contains(text, "No line could be told to be a certain fret");
  check_lacks(text, "fret 1: no line"); /* twelve times the same would bury the reason */
  free(text);
  sp_record_free(&r);
}

static void test_empty_record_claims_nothing(void **state)
{
  (void)state;
  sp_record r;
  sp_record_init(&r);
  char *text = text_of(&r);
  assert_int_equal(strncmp(text, "NOT DECIDED: no fret was looked for.\n", 36), 0);
  check_lacks(text, "within");
  check_lacks(text, "nan");
  free(text);
}

static void test_terminal_is_not_steered(void **state)
{
  (void)state;
  sp_record r;
  sp_record_init(&r);
  assert_int_equal(sp_record_add_source(&r, "a\x1b[2Jb.png", 1, 1, NAN, NULL), SP_OK);
  assert_int_equal(sp_record_warn(&r, NULL, "bad \x1b]0;title\x07"), SP_OK);
  char *text = text_of(&r);
  assert_null(strchr(text, '\x1b'));
  assert_null(strchr(text, '\x07'));
  free(text);
  sp_record_free(&r);
}

static void test_reference_text(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  char *text = written(sp_report_reference_text, &r);
  assert_non_null(text);
  assert_int_equal(strncmp(text, "SCALE READ.\n", 12), 0);
  check_contains(text, "graduated every 1 mm (found in the picture)");
  free(text);
  sp_record_free(&r);
  text = written(sp_report_reference_text, &r);
  assert_non_null(text);
  assert_int_equal(strncmp(text, "NO SCALE: ", 10), 0);
  free(text);
}

/* ---- the table for the spreadsheet ------------------------------------------------------------------------------ */

/* Splits one record of RFC 4180 in place; the project's fields hold no quotes. Returns the number of fields. */
static size_t split(char *line, char *fields[], size_t most)
{
  size_t n = 0;
  for (char *at = line; at && n < most; n++) {
    fields[n] = at;
    at = strchr(at, ',');
    if (at)
      *at++ = '\0';
  }
  return n;
}

enum { FIELDS = 30 };

static void check_row(char *line, const sp_mark_record *m)
{
  char *f[FIELDS + 1];
  assert_int_equal(split(line, f, FIELDS + 1), FIELDS);
  assert_int_equal(atoi(f[0]), m->fret);
  assert_string_equal(f[1], m->found ? "found" : "missing");
  assert_string_equal(f[2], sp_verdict_word(m->verdict));
  CHECK_CLOSE(strtod(f[3], NULL), m->layout_mm, 5.1e-7);
  if (!m->found) {
    for (size_t i = 4; i < FIELDS; i++)
      assert_string_equal(f[i], "");
    return;
  }
  CHECK_CLOSE(strtod(f[4], NULL), m->x_mm, 5.1e-7);
  CHECK_CLOSE(strtod(f[5], NULL), m->error_mm, 5.1e-7);
  CHECK_CLOSE(strtod(f[6], NULL), m->u_mm, 5.1e-7);
  CHECK_CLOSE(strtod(f[7], NULL), m->expanded_u_mm, 5.1e-7);
  CHECK_CLOSE(strtod(f[8], NULL), m->error_cents, 5.1e-5);
  if (isnan(m->recut_mm))
    assert_string_equal(f[10], "");
  else
    CHECK_CLOSE(strtod(f[10], NULL), m->recut_mm, 5.1e-7);
  CHECK_CLOSE(strtod(f[19], NULL), m->end_b_px.y, 5.1e-4);
  for (int e = 0; e < SP_EDGES; e++) {
    const sp_edge_record *edge = &m->edge[e];
    assert_string_equal(f[24 + 5 * e], m->edges_known ? sp_verdict_word(edge->verdict) : "");
    if (!m->edges_known)
      continue;
    CHECK_CLOSE(strtod(f[20 + 5 * e], NULL), edge->layout_mm, 5.1e-7);
    CHECK_CLOSE(strtod(f[21 + 5 * e], NULL), edge->error_mm, 5.1e-7);
    CHECK_CLOSE(strtod(f[22 + 5 * e], NULL), edge->expanded_u_mm, 5.1e-7);
    CHECK_CLOSE(strtod(f[23 + 5 * e], NULL), edge->error_cents, 5.1e-5);
  }
}

/* Fret 2 is within in the middle and 0.24 mm too near the bridge at the bass edge. */
static void skew_fret_2(sp_record *r)
{
  sp_mark_record *m = &r->marks[2];
  m->edges_known = true;
  m->line_verdict = SP_OUT;
  m->edge[SP_BASS] = (sp_edge_record){.x_mm = m->layout_mm + 0.24,
                                      .y_mm = 23.75,
                                      .layout_mm = m->layout_mm,
                                      .scale_length_mm = 400.0,
                                      .error_mm = 0.24,
                                      .error_cents = 1.17,
                                      .u_mm = 0.01,
                                      .expanded_u_mm = 0.02,
                                      .expanded_u_cents = 0.1,
                                      .verdict = SP_OUT};
  m->edge[SP_TREBLE] = m->edge[SP_BASS];
  m->edge[SP_TREBLE].y_mm = -23.75;
  m->edge[SP_TREBLE].error_mm = -0.12;
  m->edge[SP_TREBLE].verdict = SP_WITHIN;
}

static void test_edges(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  char *text = written(sp_report_text, &r);
  assert_non_null(text);
  assert_null(strstr(text, " edge of the board")); /* none known, none spoken of */
  free(text);
  skew_fret_2(&r);
  text = written(sp_report_text, &r);
  assert_non_null(text);
  check_contains(text, "Out at an edge of the board, though not in the middle\n");
  check_contains(text, "fret 2: within at the centre line, but 0.24 mm too near the bridge at the bass edge (1.2");
  check_contains(text, "cut its line again, square, through its place on the centre line");
  check_contains(text, "\n    2 ");
  check_contains(text, "+0.240 0.020  +1.17 OUT");
  check_contains(text, "-0.120 0.020");
  check_contains(
      text, "fret 2, 0.24 mm too near the\n          bridge at the bass edge (bass: the right, seen from the nut)");
  free(text);
  sp_record_free(&r);
}

/* Whoever photographs learns what a rule with two graduated edges would have done. */
static void test_how_a_photograph_was_made_square(void **state)
{
  (void)state;
  static const struct {
    sp_reference_kind kind;
    size_t edge_strokes;
    const char *says;
  } CASES[] = {{SP_REFERENCE_RULE, 0, "made square by the rule in it, by the graduations of one edge"},
               {SP_REFERENCE_RULE, 88, "made square by the rule in it, by the graduations of both its edges"},
               {SP_REFERENCE_STRIP, 0, "made square by the printed strip in it"}};
  for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
    sp_record r;
    assert_true(board_record(false, &r));
    r.camera = (sp_camera_record){true, 2.0, 400.0, 3000.0, 0.01, 0.03, CASES[i].edge_strokes};
    r.reference.kind = CASES[i].kind;
    char *text = text_of(&r);
    check_contains(text, CASES[i].says);
    free(text);
    sp_record_free(&r);
  }
}

static void test_csv(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  skew_fret_2(&r);
  char *text = written(sp_report_csv, &r);
  assert_non_null(text);
  size_t row = 0;
  for (char *at = text; *at; row++) {
    char *end = strstr(at, "\r\n"); /* RFC 4180, section 2, rule 1 */
    assert_non_null(end);
    *end = '\0';
    assert_null(strpbrk(at, "\r\n\""));
    if (row == 0)
      assert_int_equal(strncmp(at, "fret,state,verdict,layout_mm,x_mm,error_mm,", 43), 0);
    else
      check_row(at, &r.marks[row - 1]);
    at = end + 2;
  }
  assert_int_equal(row, BOARD_FRETS + 2);
  free(text);
  sp_record_free(&r);
}

/* A board cut for another scale length is not mended line by line: that comes first, and nothing is to be cut again. */
static void test_another_scale_length_comes_first(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  strcpy(r.findings[0].kind, "other-scale-length");
  char *text = text_of(&r);
  check_contains(text, "First of all: the lines follow a scale length of 400.3 mm");
  assert_true(strstr(text, "First of all") < strstr(text, "should be"));
  assert_null(strstr(text, "Cut again"));
  assert_null(strstr(text, "Findings"));
  free(text);
  sp_record_free(&r);
}

static void test_slots_that_do_not_run_true(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  char *text = text_of(&r);
  check_lacks(text, "do not run true");
  free(text);
  r.marks_kind = SP_MARK_SLOT;
  r.sawn_mm = 0.60;
  r.kerf_mm = 0.58;
  r.kerf_told = true;
  for (int k = 1; k <= 4; k++) {
    r.marks[k].slot = sp_slot_unknown();
    r.marks[k].slot.known = true;
  }
  sp_slot_record *s = &r.marks[2].slot;
  s->troubles = SP_SLOT_WIDENS;
  s->widening_mm = -0.094;
  s->kerf_a_mm = 0.648;
  s->kerf_b_mm = 0.554;
  s->u_kerf_end_mm = 0.001;
  s = &r.marks[4].slot;
  s->troubles = SP_SLOT_UNEVEN | SP_SLOT_WANDERS | SP_SLOT_TIGHT;
  s->kerf_least_mm = 0.512;
  s->kerf_most_mm = 0.601;
  s->u_kerf_window_mm = 0.006;
  s->wander_worst_mm = -0.124;
  s->u_wander_worst_mm = 0.011;
  text = text_of(&r);
  check_contains(text,
                 "fret 2: the walls are not parallel: the kerf is 0.55 mm at the right end and 0.65 mm at the left");
  check_contains(text,
                 "fret 4: the kerf is uneven, from 0.51 to 0.60 mm along the slot (+/- 0.01); the cut wanders: its\n"
                 "      middle lies up to 0.12 mm (+/- 0.02) off straight, toward the nut; at its narrowest it has");
  check_lacks(text, "fret 1: the");
  free(text);
  /* said of all slots together already */
  r.sawn_mm = 0.52;
  text = text_of(&r);
  check_contains(text, "narrower than the tang");
  check_lacks(text, "at its narrowest");
  free(text);
  sp_record_free(&r);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_slots_that_do_not_run_true),
      cmocka_unit_test(test_verdict_comes_first),
      cmocka_unit_test(test_what_to_cut_and_which_way),
      cmocka_unit_test(test_another_scale_length_comes_first),
      cmocka_unit_test(test_frets_are_set_again),
      cmocka_unit_test(test_fits_the_page),
      cmocka_unit_test(test_a_good_board_gets_no_advice),
      cmocka_unit_test(test_unseen_nut_is_said),
      cmocka_unit_test(test_without_a_scale),
      cmocka_unit_test(test_nothing_recognised),
      cmocka_unit_test(test_empty_record_claims_nothing),
      cmocka_unit_test(test_terminal_is_not_steered),
      cmocka_unit_test(test_reference_text),
      cmocka_unit_test(test_how_a_photograph_was_made_square),
      cmocka_unit_test(test_csv),
      cmocka_unit_test(test_edges),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
