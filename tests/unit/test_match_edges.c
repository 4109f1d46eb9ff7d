/* Matching at its limits: few lines, options, lists of steps, lines near each other, odd input, time. */
#include "test_match_board.h"

#include <time.h>

static sp_layout equal(double scale_mm, int frets, int divisions)
{
  sp_layout layout;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(scale_mm, frets, divisions, &layout, &err), SP_OK);
  return layout;
}

static sp_match match_scene(const scene *s, const sp_layout *layout)
{
  sp_match m;
  sp_error err = {0};
  assert_int_equal(sp_match_lines(s->line, s->count, layout, &s->options, &m, &err), SP_OK);
  return m;
}

/* A 650 mm board, nut at 0, lines first..last exactly at their places. */
static scene exact(int first, int last)
{
  const board b = {.cut_mm = 650.0, .divisions = 12};
  scene s;
  memset(&s, 0, sizeof s);
  for (int k = first; k <= last; k++)
    put(&s, place_mm(&b, k), 0.9, k, false);
  s.direction = 1;
  s.options = (sp_match_options){.scale_known = true, .nut_may_be_line = true, .nut_may_be_end = true};
  return s;
}

static void with_end(scene *s, double end_mm)
{
  s->options.has_end[0] = true;
  s->options.end_position[0] = end_mm;
}

static void few_lines(void **state)
{
  (void)state;
  sp_layout layout = equal(650.0, 20, 12);
  for (int n = 0; n <= 3; n++)
    for (int known = 0; known < 2; known++) {
      scene s = exact(0, n - 1);
      s.options.scale_known = known == 1;
      sp_match m = match_scene(&s, &layout);
      assert_int_equal(m.state, SP_MATCH_NONE);
      assert_true(strlen(m.reason) > 20 && m.direction == 0 && isnan(m.nut_position));
      for (int k = 0; k <= 20; k++)
        assert_true(m.line_of_fret[k] == -1);
      sp_match_free(&m);
    }
  sp_layout_free(&layout);
}

static void same_place(void **state)
{
  (void)state;
  sp_layout layout = equal(650.0, 20, 12);
  scene s = exact(0, -1);
  for (int i = 0; i < 9; i++)
    put(&s, 100.0, 0.9, BOARD_STRAY, false);
  sp_match m = match_scene(&s, &layout);
  assert_int_equal(m.state, SP_MATCH_NONE);
  sp_match_free(&m);
  sp_layout_free(&layout);
}

static void odd_input(void **state)
{
  (void)state;
  sp_layout layout = equal(650.0, 20, 12);
  scene s = exact(0, 20);
  put(&s, NAN, 0.9, BOARD_STRAY, false);
  put(&s, INFINITY, 0.9, BOARD_STRAY, false);
  s.line[3].u_position = NAN;
  s.line[4].strength = 7.0;
  s.line[5].strength = NAN;
  sp_match m = match_scene(&s, &layout);
  assert_int_equal(m.state, SP_MATCH_OK);
  for (int k = 0; k <= 20; k++)
    assert_true(m.line_of_fret[k] == k || (k == 5 && m.line_of_fret[k] == -1));
  assert_false(m.is_stray[21] || m.is_stray[22]);
  CHECK_CLOSE(m.nut_position, 0.0, 1e-6);
  CHECK_CLOSE(m.scale_length_mm, 650.0, 1e-6);
  CHECK_CLOSE(m.mm_per_unit, 1.0, 0.0);
  sp_match_free(&m);
  sp_layout_free(&layout);
}

/* The unit comes out: 47.244 px/mm is 1200 dpi. */
static void unit_found(void **state)
{
  (void)state;
  sp_layout layout = equal(650.0, 20, 12);
  scene s = exact(0, 20);
  for (size_t i = 0; i < s.count; i++)
    s.line[i].position = 1000.0 - 1200.0 / 25.4 * s.line[i].position;
  s.options.scale_known = false;
  sp_match m = match_scene(&s, &layout);
  assert_int_equal(m.state, SP_MATCH_OK);
  assert_int_equal(m.direction, -1);
  CHECK_CLOSE(m.mm_per_unit, 25.4 / 1200.0, 1e-9);
  CHECK_CLOSE(m.nut_position, 1000.0, 1e-4);
  assert_true(isnan(m.scale_length_mm));
  sp_match_free(&m);
  sp_layout_free(&layout);
}

static void nut_options(void **state)
{
  (void)state;
  sp_layout layout = equal(650.0, 20, 12);
  scene line = exact(0, 20), end = exact(1, 20);
  with_end(&line, -8.0);
  with_end(&end, 0.2);

  sp_match m = match_scene(&line, &layout);
  assert_true(m.state == SP_MATCH_OK && m.line_of_fret[0] == 0 && !m.nut_is_end);
  sp_match_free(&m);
  line.options.nut_may_be_line = false;
  m = match_scene(&line, &layout);
  assert_true(m.state == SP_MATCH_OK && m.line_of_fret[0] == -1 && !m.nut_is_end && m.is_stray[0]);
  sp_match_free(&m);

  m = match_scene(&end, &layout);
  assert_true(m.state == SP_MATCH_OK && m.line_of_fret[0] == -1 && m.nut_is_end && m.nut_end == 0);
  assert_true(m.nut_end_assumed);
  sp_match_free(&m);
  end.options.nut_may_be_end = false;
  m = match_scene(&end, &layout);
  assert_true(m.state == SP_MATCH_OK && m.line_of_fret[0] == -1 && !m.nut_is_end);
  sp_match_free(&m);

  /* A line 1 mm from an end: the line wins; told to take the end, the line is no stray but the edge of the board. */
  line = exact(0, 20);
  with_end(&line, -0.8);
  m = match_scene(&line, &layout);
  assert_true(m.state == SP_MATCH_OK && m.line_of_fret[0] == 0 && !m.nut_is_end);
  sp_match_free(&m);
  line.options.nut_may_be_line = false;
  m = match_scene(&line, &layout);
  assert_true(m.state == SP_MATCH_OK && m.line_of_fret[0] == -1 && m.nut_is_end && !m.is_stray[0]);
  assert_false(m.nut_end_assumed); /* it was told */
  sp_match_free(&m);
  sp_layout_free(&layout);
}

/* Just intonation, ratios 9/8 5/4 4/3 3/2 5/3 15/8 2: 1200 log2 of each, and the same an octave up. */
static void list_of_steps(void **state)
{
  (void)state;
  const double ratio[] = {9.0 / 8, 5.0 / 4, 4.0 / 3, 3.0 / 2, 5.0 / 3, 15.0 / 8, 2.0, 9.0 / 4, 5.0 / 2, 8.0 / 3, 3.0};
  enum { FRETS = sizeof ratio / sizeof *ratio };
  double cents[FRETS];
  sp_layout layout;
  sp_error err = {0};
  rng r = {77};
  for (int k = 0; k < FRETS; k++)
    cents[k] = 1200.0 * log2(ratio[k]);
  assert_int_equal(sp_layout_steps(650.0, FRETS, cents, FRETS, &layout, &err), SP_OK);
  for (int known = 0; known < 2; known++)
    for (int i = 0; i < 50; i++) {
      scene s = exact(0, 0);
      const int lost = pick(&r, 1, FRETS - 1);
      for (int k = 1; k <= FRETS; k++)
        if (k != lost)
          put(&s, 650.0 * (1.0 - 1.0 / ratio[k - 1]) + 0.1 * normal(&r), between(&r, 0.6, 1.0), k, false);
      s.options.scale_known = known == 1;
      sp_match m = match_scene(&s, &layout);
      assert_int_equal(m.state, SP_MATCH_OK);
      for (int k = 0; k <= FRETS; k++)
        assert_true(k == lost ? m.line_of_fret[k] == -1 : s.truth[m.line_of_fret[k]] == k);
      sp_match_free(&m);
    }
  sp_layout_free(&layout);
}

/* Two lines for fret 9: 0.3 and 0.4 mm off on either side, nobody knows which is meant. One 2 mm off is a stray. */
static void contested(void **state)
{
  (void)state;
  sp_layout layout = equal(650.0, 20, 12);
  scene s = exact(0, 20);
  const double place = s.line[9].position;
  s.line[9].position = place - 0.3;
  put(&s, place + 0.4, 0.9, BOARD_STRAY, false);
  put(&s, s.line[5].position + 2.0, 0.9, BOARD_STRAY, false);
  sp_match m = match_scene(&s, &layout);
  assert_int_equal(m.state, SP_MATCH_OK);
  assert_int_equal(m.line_of_fret[9], 9);
  for (int k = 0; k <= 20; k++)
    assert_true(m.is_contested[k] == (k == 9));
  for (size_t i = 0; i < s.count; i++)
    assert_true(m.is_stray[i] == (i >= 21));
  sp_match_free(&m);
  sp_layout_free(&layout);
}

/* The two that a shift would explain alike are both named. */
static void ambiguity_is_named(void **state)
{
  (void)state;
  sp_layout layout = equal(650.0, 20, 12);
  scene s = exact(1, 7);
  s.options.scale_known = false;
  sp_match m = match_scene(&s, &layout);
  assert_int_equal(m.state, SP_MATCH_AMBIGUOUS);
  assert_non_null(strstr(m.reason, " or "));
  assert_non_null(strstr(m.reason, "frets "));
  CHECK_BELOW(m.margin, 5.0);
  sp_match_free(&m);
  sp_layout_free(&layout);
}

static void other_length_is_named(void **state)
{
  (void)state;
  sp_layout layout = equal(647.7, 20, 12);
  scene s = exact(0, 20);
  for (size_t i = 0; i < s.count; i++)
    s.line[i].position *= 628.65 / 650.0;
  sp_match m = match_scene(&s, &layout);
  assert_int_equal(m.state, SP_MATCH_OTHER_SCALE);
  CHECK_CLOSE(m.scale_length_mm, 628.65, 1e-6);
  assert_non_null(strstr(m.reason, "628.6"));
  assert_non_null(strstr(m.reason, "647.7"));
  sp_match_free(&m);
  sp_layout_free(&layout);
}

static double seconds(void)
{
  struct timespec t;
  assert_int_equal(clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t), 0);
  return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Mean processor time, with room for slow machines and sanitizers: to catch a search that grows, not to measure. */
static void time_taken(void **state)
{
  (void)state;
  sp_layout layout = equal(650.0, 24, 12);
  rng r = {5};
  for (int size = 40; size <= 120; size += 80) {
    const double start = seconds();
    for (int i = 0; i < 20; i++) {
      scene s = exact(0, 24);
      while (s.count < (size_t)size)
        put(&s, between(&r, 0, 500), s.count % 2 ? between(&r, 0.3, 1) : between(&r, 0.05, 0.3), BOARD_STRAY, false);
      sp_match m = match_scene(&s, &layout);
      assert_true(m.state == SP_MATCH_OK || m.state == SP_MATCH_AMBIGUOUS);
      sp_match_free(&m);
    }
    const double each = (seconds() - start) / 20.0;
    print_message("%d lines: %.1f ms\n", size, 1e3 * each);
    CHECK_BELOW(each, size == 40 ? 0.3 : 1.0);
  }
  sp_layout_free(&layout);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
    cmocka_unit_test(few_lines),     cmocka_unit_test(same_place),         cmocka_unit_test(odd_input),
    cmocka_unit_test(unit_found),    cmocka_unit_test(nut_options),        cmocka_unit_test(list_of_steps),
    cmocka_unit_test(contested),     cmocka_unit_test(ambiguity_is_named), cmocka_unit_test(other_length_is_named),
    cmocka_unit_test(time_taken)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
