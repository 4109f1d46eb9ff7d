/* Which edge is the nut's face. */
#include "check_close.h"

#include "slotproof/match.h"

static const sp_match_place NUT = {0.0, 0.03};

/* A nut piece of 5 mm: its face 0.08 mm from where the frets put the nut, its back far away. */
static void nearest_edge_is_the_face(void **state)
{
  (void)state;
  const sp_match_place edge[3] = {{-5.0, 0.02}, {0.08, 0.02}, {31.0, 0.02}};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(NUT, 1.0, edge, 3, &chosen), SP_NUT_FOUND);
  assert_int_equal(chosen, 1);
}

/* A nut moved by a millimetre to sharpen or flatten all frets is still the nut: its error is to be told, not hidden. */
static void moved_nut_is_still_the_nut(void **state)
{
  (void)state;
  const sp_match_place edge[2] = {{-6.1, 0.02}, {-1.1, 0.02}};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(NUT, 1.0, edge, 2, &chosen), SP_NUT_FOUND);
  assert_int_equal(chosen, 1);
}

static void far_edges_are_no_nut(void **state)
{
  (void)state;
  const sp_match_place edge[3] = {{-5.0, 0.02}, {1.7, 0.02}, {NAN, 0.02}};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(NUT, 1.0, edge, 3, &chosen), SP_NUT_UNSEEN);
  assert_int_equal(sp_match_nut(NUT, 1.0, edge, 0, &chosen), SP_NUT_UNSEEN);
  assert_int_equal(sp_match_nut((sp_match_place){NAN, 0.03}, 1.0, edge, 3, &chosen), SP_NUT_UNSEEN);
  assert_int_equal(chosen, 99);
}

/* Two edges about as near as each other: no answer, whichever comes first. */
static void two_near_edges_are_no_answer(void **state)
{
  (void)state;
  const sp_match_place edge[2] = {{-0.3, 0.02}, {0.4, 0.02}}, turned[2] = {{0.4, 0.02}, {-0.3, 0.02}};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(NUT, 1.0, edge, 2, &chosen), SP_NUT_UNCLEAR);
  assert_int_equal(sp_match_nut(NUT, 1.0, turned, 2, &chosen), SP_NUT_UNCLEAR);
  /* one of them clearly nearer */
  const sp_match_place clear[2] = {{0.05, 0.02}, {1.2, 0.02}};
  assert_int_equal(sp_match_nut(NUT, 1.0, clear, 2, &chosen), SP_NUT_FOUND);
  assert_int_equal(chosen, 0);
}

/* Without a scale places are in pixels: 20 px are 0.8 mm at 0.04 mm per px, 50 px are 2 mm. */
static void places_may_be_in_any_unit(void **state)
{
  (void)state;
  const sp_match_place edge[2] = {{1020.0, 1.0}, {1050.0, 1.0}};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut((sp_match_place){1000.0, 1.0}, 0.04, edge, 1, &chosen), SP_NUT_FOUND);
  assert_int_equal(sp_match_nut((sp_match_place){1000.0, 1.0}, 0.04, edge + 1, 1, &chosen), SP_NUT_UNSEEN);
}

/* A face that may lie anywhere over four tenths of a millimetre is no datum for frets that agree to less, in any unit;
 * frets that tell no better where the nut belongs are no reason to do without it. */
static void doubtful_face_is_no_datum(void **state)
{
  (void)state;
  const sp_match_place doubtful = {0.2, 0.103}, in_px = {1008.0, 4.1}, usual = {0.2, 0.06};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(NUT, 1.0, &doubtful, 1, &chosen), SP_NUT_UNTOLD);
  assert_int_equal(chosen, 0);
  assert_int_equal(sp_match_nut((sp_match_place){1000.0, 1.0}, 0.025, &in_px, 1, &chosen), SP_NUT_UNTOLD);
  assert_int_equal(sp_match_nut(NUT, 1.0, &usual, 1, &chosen), SP_NUT_FOUND);
  assert_int_equal(sp_match_nut((sp_match_place){0.0, 0.15}, 1.0, &doubtful, 1, &chosen), SP_NUT_FOUND);
  assert_int_equal(sp_match_nut((sp_match_place){0.0, INFINITY}, 1.0, &doubtful, 1, &chosen), SP_NUT_FOUND);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(nearest_edge_is_the_face),  cmocka_unit_test(moved_nut_is_still_the_nut),
      cmocka_unit_test(far_edges_are_no_nut),      cmocka_unit_test(two_near_edges_are_no_answer),
      cmocka_unit_test(places_may_be_in_any_unit), cmocka_unit_test(doubtful_face_is_no_datum)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
