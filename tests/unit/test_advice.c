/* Advice: what to do about each mark, and nut and saddle moved instead. The layout after a move is computed anew here,
 * from the equal temperament's own formula (p = L (1 - 2^(-n/12))), not from the module's. */
#include "check_close.h"

#include <stdlib.h>
#include <string.h>

#include "slotproof/advice.h"

enum { FRETS = 19 };
static const double SCALE_MM = 612.0, TOLERANCE_MM = 0.2, EXPANDED_U_MM = 0.03;

static double place_of(double scale_mm, int fret)
{
  return scale_mm * (1.0 - pow(2.0, -fret / 12.0));
}

static void make_layout(sp_layout *layout)
{
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(SCALE_MM, FRETS, 12, layout, &err), SP_OK);
}

static void judge(sp_mark_record *m)
{
  m->verdict = fabs(m->error_mm) + m->expanded_u_mm <= TOLERANCE_MM  ? SP_WITHIN
               : fabs(m->error_mm) - m->expanded_u_mm > TOLERANCE_MM ? SP_OUT
                                                                     : SP_UNDECIDED;
}

/* A board with the given errors of frets 1 .. FRETS. */
static void make_record(const double *error_mm, sp_mark_kind kind, sp_record *r)
{
  sp_record_init(r);
  r->mark_count = FRETS + 1;
  r->marks = calloc(r->mark_count, sizeof *r->marks);
  assert_non_null(r->marks);
  r->marks_kind = kind;
  r->datum = SP_DATUM_LINE;
  r->tolerance_mm = TOLERANCE_MM;
  for (int k = 0; k <= FRETS; k++) {
    sp_mark_record *m = &r->marks[k];
    m->fret = k;
    m->found = true;
    m->layout_mm = place_of(SCALE_MM, k);
    m->error_mm = k ? error_mm[k - 1] : 0.0;
    m->x_mm = m->layout_mm + m->error_mm;
    m->error_cents = 1731.2340490667561 * m->error_mm / (SCALE_MM - m->x_mm); /* small errors: 1200 / ln 2 */
    m->expanded_u_mm = k ? EXPANDED_U_MM : 0.0;
    m->width_mm = 0.1;
    judge(m);
  }
}

static void advise(const double *error_mm, sp_mark_kind kind, double kerf_mm, sp_record *r)
{
  sp_layout layout;
  sp_error err = {0};
  make_layout(&layout);
  make_record(error_mm, kind, r);
  assert_int_equal(sp_advice_add(&layout, kerf_mm, r, &err), SP_OK);
  sp_layout_free(&layout);
}

/* Frets that are not surely within after nut and saddle have been moved: the board laid out anew. */
static size_t out_after(const sp_record *r, double nut_mm, double saddle_mm)
{
  size_t out = 0;
  for (size_t i = 1; i < r->mark_count; i++) {
    const double error = r->marks[i].x_mm - nut_mm - place_of(SCALE_MM - nut_mm + saddle_mm, r->marks[i].fret);
    out += fabs(error) + EXPANDED_U_MM > TOLERANCE_MM + 1e-6;
  }
  return out;
}

static void each_mark_gets_its_advice(void **state)
{
  (void)state;
  double error[FRETS] = {0};
  sp_record r;
  error[1] = 0.21;  /* out? 0.21 - 0.03 < 0.2: undecided */
  error[2] = 0.235; /* out; 0.235 + 0.05 <= 0.584 / 2: the saw takes the old line away */
  error[3] = 0.25;  /* out; 0.25 + 0.05 > 0.292: it stays */
  error[4] = -0.25;
  advise(error, SP_MARK_KNIFE, NAN, &r);
  assert_int_equal(r.marks[0].action, SP_ACTION_NONE);
  assert_int_equal(r.marks[1].action, SP_ACTION_LEAVE);
  assert_int_equal(r.marks[2].action, SP_ACTION_CHECK);
  assert_int_equal(r.marks[3].action, SP_ACTION_RECUT);
  assert_int_equal(r.marks[4].action, SP_ACTION_RECUT_BESIDE);
  assert_int_equal(r.marks[5].action, SP_ACTION_RECUT_BESIDE);
  CHECK_CLOSE(r.kerf_mm, 0.023 * 25.4, 2e-4); /* 0.023 in, common practice */
  sp_record_free(&r);
  advise(error, SP_MARK_KNIFE, 0.65, &r); /* a broader tang hides more */
  assert_int_equal(r.marks[4].action, SP_ACTION_RECUT);
  sp_record_free(&r);
  advise(error, SP_MARK_SLOT, NAN, &r);
  assert_int_equal(r.marks[4].action, SP_ACTION_FILL);
  CHECK_CLOSE(r.sawn_mm, 0.1, 1e-12);
  CHECK_CLOSE(r.sawn_sd_mm, 0.0, 1e-9);
  sp_record_free(&r);
}

/* A fret that is out is dressed over where a fifth of the wire's breadth (0.1 mm in these records) allows it, else set
 * again; its width is no kerf. */
static void frets_are_dressed_or_set_again(void **state)
{
  (void)state;
  double error[FRETS] = {0};
  sp_record r;
  error[2] = 0.235;
  error[3] = -0.25;
  advise(error, SP_MARK_WIRE, NAN, &r);
  assert_int_equal(r.marks[1].action, SP_ACTION_LEAVE);
  assert_int_equal(r.marks[3].action, SP_ACTION_REFRET);
  assert_int_equal(r.marks[4].action, SP_ACTION_REFRET);
  assert_true(isnan(r.sawn_mm));
  r.marks[3].width_mm = 2.0; /* 0.4 mm is its fifth */
  sp_layout layout;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(SCALE_MM, FRETS, 12, &layout, &err), SP_OK);
  assert_int_equal(sp_advice_add(&layout, NAN, &r, &err), SP_OK);
  assert_int_equal(r.marks[3].action, SP_ACTION_DRESS);
  r.marks[3].width_mm = NAN; /* not known: nothing is promised */
  assert_int_equal(sp_advice_add(&layout, NAN, &r, &err), SP_OK);
  assert_int_equal(r.marks[3].action, SP_ACTION_REFRET);
  sp_layout_free(&layout);
  sp_record_free(&r);
}

/* Places that would be right with the nut `nut` further toward the bridge and the saddle `saddle` further off. */
static void errors_of_moved(double nut, double saddle, double *error)
{
  for (int k = 1; k <= FRETS; k++)
    error[k - 1] = nut + place_of(SCALE_MM - nut + saddle, k) - place_of(SCALE_MM, k);
}

static void a_nut_in_the_wrong_place_is_found(void **state)
{
  (void)state;
  double error[FRETS];
  sp_record r;
  errors_of_moved(0.6, 0.0, error);
  advise(error, SP_MARK_KNIFE, NAN, &r);
  assert_true(r.remedies[0].helps);
  assert_int_equal(r.remedies[0].recuts, 0);
  CHECK_CLOSE(r.remedies[0].nut_mm, 0.6, 1e-6);
  CHECK_CLOSE(r.remedies[0].saddle_mm, 0.0, 0.0);
  assert_false(r.remedies[2].helps); /* moving both saves no more */
  for (size_t i = 0; i < r.mark_count; i++)
    assert_false(r.marks[i].out_after[0]);
  sp_record_free(&r);
}

static void another_saddle_is_found(void **state)
{
  (void)state;
  double error[FRETS];
  sp_record r;
  errors_of_moved(0.0, -1.3, error);
  error[6] += 0.8; /* one slip besides */
  advise(error, SP_MARK_KNIFE, NAN, &r);
  assert_true(r.remedies[1].helps);
  assert_int_equal(r.remedies[1].recuts, 1);
  CHECK_CLOSE(r.remedies[1].saddle_mm, -1.3, 0.02);
  for (size_t i = 0; i < r.mark_count; i++)
    assert_int_equal(r.marks[i].out_after[1], r.marks[i].fret == 7);
  sp_record_free(&r);
  errors_of_moved(-0.5, 1.6, error);
  advise(error, SP_MARK_KNIFE, NAN, &r);
  assert_true(r.remedies[2].helps);
  assert_int_equal(r.remedies[2].recuts, 0);
  CHECK_CLOSE(r.remedies[2].nut_mm, -0.5, 1e-6);
  CHECK_CLOSE(r.remedies[2].saddle_mm, 1.6, 1e-6);
  sp_record_free(&r);
}

/* No grid of places does better, whatever the errors. */
static void no_other_place_needs_fewer_cuts(void **state)
{
  (void)state;
  uint64_t dice = 20261;
  for (int board = 0; board < 40; board++) {
    double error[FRETS];
    sp_record r;
    for (int k = 0; k < FRETS; k++) {
      dice = dice * 6364136223846793005u + 1442695040888963407u;
      error[k] = ((double)(dice >> 11) / 9007199254740992.0 - 0.5) * 1.2;
    }
    advise(error, SP_MARK_KNIFE, NAN, &r);
    size_t nut = FRETS, saddle = FRETS, both = FRETS;
    for (double s = -1.5; s <= 1.5; s += 0.01) {
      const size_t n = out_after(&r, s, 0.0);
      nut = n < nut ? n : nut;
    }
    for (double t = -4.0; t <= 4.0; t += 0.01) {
      const size_t n = out_after(&r, 0.0, t);
      saddle = n < saddle ? n : saddle;
    }
    for (double s = -1.5; s <= 1.5; s += 0.05)
      for (double t = -4.0; t <= 4.0; t += 0.05) {
        const size_t n = out_after(&r, s, t);
        both = n < both ? n : both;
      }
    assert_true(r.remedies[0].recuts <= nut && r.remedies[1].recuts <= saddle && r.remedies[2].recuts <= both);
    for (int k = 0; k < SP_REMEDIES; k++)
      assert_int_equal(out_after(&r, r.remedies[k].nut_mm, r.remedies[k].saddle_mm), r.remedies[k].recuts);
    sp_record_free(&r);
  }
}

static void without_a_nut_nothing_is_moved(void **state)
{
  (void)state;
  double error[FRETS];
  sp_record r;
  sp_layout layout;
  errors_of_moved(0.6, 0.0, error);
  make_layout(&layout);
  make_record(error, SP_MARK_KNIFE, &r);
  r.datum = SP_DATUM_FIT;
  assert_int_equal(sp_advice_add(&layout, NAN, &r, NULL), SP_OK);
  for (int k = 0; k < SP_REMEDIES; k++)
    assert_false(r.remedies[k].helps);
  sp_record_free(&r);
  sp_layout_free(&layout);
}

/* The tighter of both tolerances, in mm at that fret: 2 cents at fret 12 of 612 mm are 306 (1 - 2^(-2/1200)) mm. */
static void cents_become_millimetres(void **state)
{
  (void)state;
  double error[FRETS] = {0};
  sp_record r;
  error[11] = 0.05;
  make_record(error, SP_MARK_KNIFE, &r);
  r.tolerance_cents = 2.0;
  r.tolerance_mm = NAN;
  CHECK_CLOSE(sp_advice_tolerance_mm(&r, &r.marks[12]), 306.0 * (1.0 - pow(2.0, -2.0 / 1200.0)), 0.001);
  r.tolerance_mm = 0.1;
  CHECK_CLOSE(sp_advice_tolerance_mm(&r, &r.marks[12]), 0.1, 1e-12);
  sp_record_free(&r);
}

/* Worth a word from 0.05 mm on, doubt (k = 2) taken off; an unevenness that is a mere widening is said once. */
static void troubles_of_slots(void **state)
{
  (void)state;
  const double error[FRETS] = {0};
  const sp_slot_record fine = {.known = true,
                               .widening_mm = 0.059,
                               .u_widening_mm = 0.005,
                               .kerf_least_mm = 0.55,
                               .kerf_most_mm = 0.60,
                               .u_kerf_window_mm = 0.004,
                               .wander_worst_mm = -0.06,
                               .u_wander_worst_mm = 0.006};
  sp_record r;
  sp_layout layout;
  make_layout(&layout);
  make_record(error, SP_MARK_SLOT, &r);
  for (int k = 1; k <= FRETS; k++)
    r.marks[k].slot = fine;
  r.marks[2].slot.widening_mm = -0.061;
  r.marks[3].slot.wander_worst_mm = -0.063;
  r.marks[4].slot.kerf_most_mm = 0.62;
  r.marks[5].slot.widening_mm = 0.07;
  r.marks[5].slot.kerf_most_mm = 0.62;
  r.marks[6].slot.kerf_least_mm = 0.51;
  r.marks[7].slot.kerf_most_mm = 0.65;
  r.marks[8].slot.wander_worst_mm = r.marks[9].slot.u_widening_mm = NAN;
  r.marks[9].slot.widening_mm = 0.5;
  r.marks[10].slot = (sp_slot_record){.known = false, .widening_mm = 1.0};
  assert_int_equal(sp_advice_add(&layout, 0.58, &r, NULL), SP_OK);
  static const unsigned EXPECTED[] = {0,
                                      0,
                                      SP_SLOT_WIDENS,
                                      SP_SLOT_WANDERS,
                                      SP_SLOT_UNEVEN,
                                      SP_SLOT_WIDENS,
                                      SP_SLOT_UNEVEN | SP_SLOT_TIGHT,
                                      SP_SLOT_UNEVEN | SP_SLOT_LOOSE,
                                      0,
                                      0,
                                      0};
  for (size_t k = 0; k < sizeof EXPECTED / sizeof *EXPECTED; k++)
    assert_int_equal(r.marks[k].slot.troubles, EXPECTED[k]);
  /* nothing is too tight for a tang that nobody has told */
  assert_int_equal(sp_advice_add(&layout, NAN, &r, NULL), SP_OK);
  assert_int_equal(r.marks[6].slot.troubles, SP_SLOT_UNEVEN);
  sp_record_free(&r);
  sp_layout_free(&layout);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(troubles_of_slots),
      cmocka_unit_test(each_mark_gets_its_advice),
      cmocka_unit_test(a_nut_in_the_wrong_place_is_found),
      cmocka_unit_test(another_saddle_is_found),
      cmocka_unit_test(no_other_place_needs_fewer_cuts),
      cmocka_unit_test(without_a_nut_nothing_is_moved),
      cmocka_unit_test(frets_are_dressed_or_set_again),
      cmocka_unit_test(cents_become_millimetres),
  };
  return cmocka_run_group_tests_name("advice", tests, NULL, NULL);
}
