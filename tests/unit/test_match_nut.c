/* Which edge is the nut's face. */
#include "check_close.h"

#include "slotproof/match.h"

/* A nut piece of 5 mm: its face 0.08 mm from where the frets put the nut, its back far away. */
static void nearest_edge_is_the_face(void **state)
{
  (void)state;
  const double edge[3] = {-5.0, 0.08, 31.0};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(0.0, 1.0, edge, 3, &chosen), SP_NUT_FOUND);
  assert_int_equal(chosen, 1);
}

/* A nut moved by a millimetre to sharpen or flatten all frets is still the nut: its error is to be told, not hidden. */
static void moved_nut_is_still_the_nut(void **state)
{
  (void)state;
  const double edge[2] = {-6.1, -1.1};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(0.0, 1.0, edge, 2, &chosen), SP_NUT_FOUND);
  assert_int_equal(chosen, 1);
}

static void far_edges_are_no_nut(void **state)
{
  (void)state;
  const double edge[3] = {-5.0, 1.7, NAN};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(0.0, 1.0, edge, 3, &chosen), SP_NUT_UNSEEN);
  assert_int_equal(sp_match_nut(0.0, 1.0, edge, 0, &chosen), SP_NUT_UNSEEN);
  assert_int_equal(sp_match_nut(NAN, 1.0, edge, 3, &chosen), SP_NUT_UNSEEN);
  assert_int_equal(chosen, 99);
}

/* Two edges about as near as each other: no answer, whichever comes first. */
static void two_near_edges_are_no_answer(void **state)
{
  (void)state;
  const double edge[2] = {-0.3, 0.4}, turned[2] = {0.4, -0.3};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(0.0, 1.0, edge, 2, &chosen), SP_NUT_UNCLEAR);
  assert_int_equal(sp_match_nut(0.0, 1.0, turned, 2, &chosen), SP_NUT_UNCLEAR);
  /* one of them clearly nearer */
  const double clear[2] = {0.05, 1.2};
  assert_int_equal(sp_match_nut(0.0, 1.0, clear, 2, &chosen), SP_NUT_FOUND);
  assert_int_equal(chosen, 0);
}

/* Without a scale places are in pixels: 20 px are 0.8 mm at 0.04 mm per px, 50 px are 2 mm. */
static void places_may_be_in_any_unit(void **state)
{
  (void)state;
  const double edge[2] = {1020.0, 1050.0};
  size_t chosen = 99;
  assert_int_equal(sp_match_nut(1000.0, 0.04, edge, 1, &chosen), SP_NUT_FOUND);
  assert_int_equal(sp_match_nut(1000.0, 0.04, edge + 1, 1, &chosen), SP_NUT_UNSEEN);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(nearest_edge_is_the_face), cmocka_unit_test(moved_nut_is_still_the_nut),
      cmocka_unit_test(far_edges_are_no_nut), cmocka_unit_test(two_near_edges_are_no_answer),
      cmocka_unit_test(places_may_be_in_any_unit)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
