/* A handful of random boards through the whole chain: are all marks found, none confused, and do the stated
 * uncertainties hold? The README's table comes from many more of them (tests/accuracy); these few keep a loss from
 * going unseen. */
#include "accuracy.h"
#include "check_close.h"
#include "outside.h"

/* Limits in micrometres. Boards whose datum is a sawn end are worse, because the end is a shadowed edge. */
static void check_boards(const char *difficulty, unsigned long first, unsigned long count, double rms_um,
                         double worst_um)
{
  static accuracy sums;
  sums = (accuracy){0};
  for (unsigned long seed = first; seed < first + count; seed++) {
    char stem[100];
    snprintf(stem, sizeof stem, "%s_%lu", difficulty, seed);
    assert_true(accuracy_add(&sums, difficulty, seed, 600.0, stem, true));
  }
  accuracy_print(&sums, difficulty);
  assert_int_equal(sums.boards, count);
  assert_int_equal(sums.boards_without_scale, 0);
  assert_int_equal(sums.boards_unmatched, 0);
  assert_true(sums.marks >= 8 * count);
  assert_int_equal(sums.missed, 0);
  assert_int_equal(sums.wrong, 0);
  assert_int_equal(sums.falsely_within, 0);
  assert_int_equal(sums.strays_reported, sums.strays_drawn);
  const double n = (double)sums.found;
  CHECK_BELOW(sqrt(sums.sum_um2 / n), rms_um);
  CHECK_BELOW(sums.worst_um, worst_um);
  CHECK_BELOW(1.0 - (double)sums.covered / n, 0.1); /* 95 % intervals, fifty marks and more */
  CHECK_BELOW(sqrt(sums.sum_square_deg2 / n), 0.03);
}

static void test_full(void **state)
{
  (void)state;
  check_boards("full", 6001, 6, 4.0, 15.0);
}

static void test_slots(void **state)
{
  (void)state;
  check_boards("slot", 6001, 6, 2.0, 8.0);
}

static void test_faint(void **state)
{
  (void)state;
  check_boards("faint", 6001, 4, 5.0, 20.0);
}

/* Fretted necks: the middle of each crown from its two feet, with a nut piece or a zero fret as datum. */
static void test_frets(void **state)
{
  (void)state;
  check_boards("wire", 6001, 2, 25.0, 80.0);
  check_boards("wirefull", 61002, 1, 25.0, 80.0);
}

/* Boards that were once read wrongly, each for a reason of its own. */
static void test_boards_once_read_wrongly(void **state)
{
  (void)state;
  /* a covered stretch of a 1/64 in rule: the count went on one graduation off, 0.397 mm from fret 5 on */
  check_boards("full", 1054, 1, 4.0, 15.0);
  /* burrs more visible than their cuts: half the lines were placed on the burr, 0.1 to 0.2 mm off */
  check_boards("burr", 7005, 1, 4.0, 15.0);
  /* clean light lines in little noise: cuts a tenth as dark as they are light were made up beside all, 0.15 mm off */
  check_boards("full", 90202, 1, 4.0, 15.0);
  /* the same among planing waves, with cuts a sixth as dark but as narrow as half a pixel, 0.08 mm off */
  check_boards("chatter", 61151, 1, 4.0, 15.0);
  /* a crest of planing chatter was taken for the fret that is missing */
  check_boards("chatter", 7016, 1, 6.0, 20.0);
  /* the near edge of a rule graduated on both edges was taken for the board's side, 2.3 degrees off */
  check_boards("slot", 5005, 1, 2.0, 8.0);
}

static int leave(void **state)
{
  (void)state;
  return outside_leave();
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_full), cmocka_unit_test(test_slots),
                                     cmocka_unit_test(test_faint), cmocka_unit_test(test_frets),
                                     cmocka_unit_test(test_boards_once_read_wrongly)};
  if (!outside_enter(NULL)) {
    fprintf(stderr, "test_statistics: this folder may not be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
