/* Computed positions against tables of equal temperament, tunings with known ratios, and the trade's round figures.
 *
 * The table of positions was computed to nine digits from 1 - 2^(-n/12) apart from this program; 17.817 is the trade's
 * divisor; cents of pure intervals and commas as A. J. Ellis tabulates them (Helmholtz, On the Sensations of Tone, app.
 * XX). */
#include "check_close.h"

#include <string.h>

#include "slotproof/layout.h"

static const double PART[25] = {
    0,           0.056125687, 0.109101282, 0.159103585, 0.206299474, 0.250846462, 0.292893219, 0.332580073, 0.370039475,
    0.405396442, 0.438768976, 0.470268453, 0.5,         0.528062844, 0.554550641, 0.579551792, 0.603149737, 0.625423231,
    0.646446609, 0.666290036, 0.685019738, 0.702698221, 0.719384488, 0.735134226, 0.75};

static void twelve(void **state)
{
  (void)state;
  static const double L[] = {650.0, 647.7, 406.4, 330.0, 863.6};
  for (size_t k = 0; k < sizeof L / sizeof *L; k++) {
    sp_layout l;
    sp_error err = {0};
    assert_int_equal(sp_layout_equal(L[k], 24, 12, &l, &err), SP_OK);
    assert_int_equal(l.frets, 24);
    assert_int_equal(l.divisions, 12);
    for (int n = 0; n <= 24; n++) {
      CHECK_CLOSE(l.position_mm[n], L[k] * PART[n], 5.1e-10 * L[k]);
      CHECK_CLOSE(l.cents[n], 100.0 * n, 0);
    }
    CHECK_CLOSE(l.position_mm[0], 0.0, 0);
    CHECK_CLOSE(l.position_mm[12], 0.5 * L[k], 0); /* the octave halves the string, to the last bit */
    CHECK_CLOSE(l.position_mm[24], 0.75 * L[k], 0);
    /* a fret and the divisor 1/(1 - 2^(-1/12)) */
    CHECK_CLOSE(L[k] / l.position_mm[1], 17.817153745105777, 1e-13);
    for (int n = 1; n <= 24; n++)
      CHECK_CLOSE((L[k] - l.position_mm[n - 1]) / (l.position_mm[n] - l.position_mm[n - 1]), 17.817153745105777, 1e-11);
    sp_layout_free(&l);
    assert_null(l.position_mm);
  }
}

typedef struct division {
  int32_t divisions;
  double ratio, cents, divisor;
} division;

static const division DIVISION[] = {
    {17, 1.041616011, 70.588235, 25.029213}, {19, 1.037155044, 63.157895, 27.914246},
    {22, 1.032008280, 54.545455, 32.241916}, {24, 1.029302237, 50.0, 35.127088},
    {31, 1.022611436, 38.709677, 45.225410}, {53, 1.013164143, 22.641509, 76.963927},
};

static void other_divisions(void **state)
{
  (void)state;
  for (size_t k = 0; k < sizeof DIVISION / sizeof *DIVISION; k++) {
    const division *d = &DIVISION[k];
    sp_layout l;
    sp_error err = {0};
    assert_int_equal(sp_layout_equal(650.0, 2 * d->divisions, d->divisions, &l, &err), SP_OK);
    CHECK_CLOSE(650.0 / l.position_mm[1], d->divisor, 5e-7);
    CHECK_CLOSE(650.0 / (650.0 - l.position_mm[1]), d->ratio, 5e-10);
    CHECK_CLOSE(l.cents[1], d->cents, 5e-7);
    CHECK_CLOSE(l.position_mm[d->divisions], 325.0, 0);
    CHECK_CLOSE(l.position_mm[2 * d->divisions], 487.5, 0);
    sp_layout_free(&l);
  }
}

/* Vincenzo Galilei's 18 to 17 (Dialogo, 1581): 98.954592 cents a fret; the twelfth is short of the octave. */
static void galilei(void **state)
{
  (void)state;
  double cents[12];
  for (int n = 0; n < 12; n++)
    cents[n] = 98.954592 * (n + 1);
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_steps(650.0, 12, cents, 12, &l, &err), SP_OK);
  assert_int_equal(l.divisions, 0);
  CHECK_CLOSE(l.position_mm[1], 650.0 / 18.0, 1e-6);
  CHECK_CLOSE(l.position_mm[12], 650.0 * (1.0 - 0.5036362659), 2e-6);
  CHECK_CLOSE(l.position_mm[12], 322.6364, 5e-5);
  CHECK_CLOSE(sp_error_cents(650.0, 325.0, l.position_mm[12]), -12.544893, 1e-5);
  sp_layout_free(&l);
}

/* Pure intervals: the fret cuts off 1 - 1/ratio of the string. */
static void pure_intervals(void **state)
{
  (void)state;
  static const double CENTS[] = {111.7313, 203.9100, 315.6413, 386.3137, 498.0450, 701.9550, 1200.0};
  static const double RATIO[] = {16.0 / 15, 9.0 / 8, 6.0 / 5, 5.0 / 4, 4.0 / 3, 3.0 / 2, 2.0};
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_steps(600.0, 7, CENTS, 7, &l, &err), SP_OK);
  for (int n = 1; n <= 7; n++) {
    const double place_mm = 600.0 * (1.0 - 1.0 / RATIO[n - 1]);
    CHECK_CLOSE(l.position_mm[n], place_mm, 2e-5); /* 5e-5 cents of rounding are 1.7e-5 mm at the nut */
    CHECK_CLOSE(sp_cents_at(600.0, place_mm), CENTS[n - 1], 5.1e-5);
  }
  CHECK_CLOSE(l.position_mm[6], 200.0, 2e-5); /* the fifth at a third of the string */
  sp_layout_free(&l);
  /* commas */
  CHECK_CLOSE(sp_cents_at(81.0, 1.0), 21.50629, 5e-6);                                /* syntonic, 81/80 */
  CHECK_CLOSE(sp_cents_at(531441.0, 531441.0 - 524288.0), 23.46001, 5e-6);            /* Pythagorean, 3^12/2^19 */
  CHECK_CLOSE(sp_cents_at(32805.0, 32805.0 - 32768.0), 1.95372, 5e-6);                /* schisma */
  CHECK_CLOSE(sp_cents_at(3.0, 1.0) - sp_cents_at(81.0, 1.0) / 4.0, 696.57843, 5e-6); /* quarter-comma fifth */
  /* Galilei's step */
  CHECK_CLOSE(sp_cents_at(18.0, 1.0), 98.954592, 5e-7);
}

/* What a millimetre is worth: 1731.234/(L 2^(-n/12)). */
static void cents_of_a_millimetre(void **state)
{
  (void)state;
  static const int FRET[] = {1, 5, 7, 12, 19, 24};
  static const double RATE[] = {2.8218, 3.5553, 3.9906, 5.3269, 7.9813, 10.6537};
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(650.0, 24, 12, &l, &err), SP_OK);
  for (size_t k = 0; k < 6; k++)
    CHECK_CLOSE(sp_layout_row_at(&l, FRET[k]).cents_per_mm, RATE[k], 5.1e-5);
  /* 0.1 mm toward the bridge, exactly: a little above a tenth of the rate */
  CHECK_CLOSE(sp_layout_row_at(&l, 1).cents_per_tenth_mm, 0.282, 5.1e-4);
  CHECK_CLOSE(sp_layout_row_at(&l, 12).cents_per_tenth_mm, 0.533, 5.1e-4);
  CHECK_CLOSE(sp_layout_row_at(&l, 24).cents_per_tenth_mm, 1.065, 1e-3);
  assert_true(sp_layout_row_at(&l, 24).cents_per_tenth_mm > 0.1 * sp_layout_row_at(&l, 24).cents_per_mm);
  sp_layout_free(&l);
}

/* A rounded divisor stepped from fret to fret: where fret 12 of a 650 mm string ends up. */
static void rounded_divisors(void **state)
{
  (void)state;
  static const double DIVISOR[] = {17.8, 17.817, 17.835}, ERROR_MM[] = {0.2234, 0.0020, -0.2321};
  static const double ERROR_CENTS[] = {1.1905, 0.0107, -1.2361};
  for (int k = 0; k < 3; k++) {
    double place_mm = 0.0;
    for (int n = 0; n < 12; n++)
      place_mm += (650.0 - place_mm) / DIVISOR[k];
    CHECK_CLOSE(place_mm - sp_position_mm(650.0, 1200.0), ERROR_MM[k], 5.1e-5);
    CHECK_CLOSE(sp_error_cents(650.0, 325.0, place_mm), ERROR_CENTS[k], 5.1e-5);
  }
}

static void trade_figures(void **state)
{
  (void)state;
  /* common practice, no source: a 16 in scale has its first fret at 22.8 mm */
  CHECK_CLOSE(sp_position_mm(406.4, 100.0), 22.8, 0.05);
  /* 1200/ln 2 cents for a unit relative error of length */
  CHECK_CLOSE(sp_cents_per_mm(1.0, 0.0), 1731.2340490667561, 1e-12);
  /* a scale read 0.1 % long with the string fixed: 0.5797, 1.7312 and 5.1937 cents at frets 5, 12, 24, first order */
  static const int FRET[] = {5, 12, 24};
  static const double CENTS[] = {0.5797, 1.7312, 5.1937};
  for (int k = 0; k < 3; k++) {
    const double place_mm = sp_position_mm(650.0, 100.0 * FRET[k]);
    CHECK_CLOSE(sp_error_cents(650.0, place_mm, 1.001 * place_mm), CENTS[k], 0.01);
    CHECK_CLOSE(sp_cents_per_mm(650.0, place_mm) * 0.001 * place_mm, CENTS[k], 5.1e-5);
  }
}

static void small_errors_keep_their_digits(void **state)
{
  (void)state;
  /* 0.1 nm at the octave of 650 mm, by the linear rate: a plain logarithm of the ratio would keep seven digits */
  const double place_mm = 325.0 + 1e-7, error_mm = place_mm - 325.0;
  CHECK_CLOSE(sp_error_cents(650.0, 325.0, place_mm) / (1731.2340490667561 * error_mm / 325.0), 1.0, 1e-9);
  CHECK_CLOSE(sp_error_cents(650.0, 325.0, 325.0), 0.0, 0);
  CHECK_CLOSE(sp_position_mm(650.0, 1e-9) / (650.0 * 1e-9 / 1731.2340490667561), 1.0, 1e-12);
  /* back and forth */
  for (double cents = 1.0; cents < 6000.0; cents += 61.7)
    CHECK_CLOSE(sp_cents_at(650.0, sp_position_mm(650.0, cents)), cents, 1e-10);
}

static void impossible_places(void **state)
{
  (void)state;
  const double bad[] = {
      sp_error_cents(650, 325, 650),  sp_error_cents(650, 325, 651),       sp_error_cents(650, 650, 325),
      sp_error_cents(NAN, 325, 325),  sp_error_cents(650, NAN, 325),       sp_error_cents(650, 325, NAN),
      sp_error_cents(INFINITY, 0, 0), sp_error_cents(650, 325, -INFINITY), sp_cents_at(650, 650),
      sp_cents_per_mm(650, 650),      sp_cents_per_mm(650, NAN),           sp_cents_per_mm(NAN, 1)};
  for (size_t k = 0; k < sizeof bad / sizeof *bad; k++)
    assert_true(isnan(bad[k]));
}

static void rows(void **state)
{
  (void)state;
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(20.0, 96, 12, &l, &err), SP_OK);
  const sp_layout_row nut = sp_layout_row_at(&l, 0), octave = sp_layout_row_at(&l, 12), last = sp_layout_row_at(&l, 96);
  CHECK_CLOSE(nut.from_nut_mm, 0, 0);
  CHECK_CLOSE(nut.to_saddle_mm, 20, 0);
  assert_true(isnan(nut.from_previous_mm));
  CHECK_CLOSE(octave.from_nut_mm, 10, 0);
  CHECK_CLOSE(octave.to_saddle_mm, 10, 0);
  CHECK_CLOSE(octave.from_previous_mm, 10.0 - l.position_mm[11], 0);
  CHECK_CLOSE(last.to_saddle_mm, 20.0 / 256, 1e-12); /* 0.078 mm: no room for 0.1 */
  assert_true(isnan(last.cents_per_tenth_mm));
  assert_true(isnan(sp_layout_row_at(&l, -1).from_nut_mm));
  assert_true(isnan(sp_layout_row_at(&l, 97).from_nut_mm));
  sp_layout_free(&l);
  sp_layout_free(NULL);
}

typedef struct refusal {
  double scale_length_mm;
  int32_t frets, divisions;
  const char *said;
} refusal;

static void refuses(void **state)
{
  (void)state;
  static const refusal CASE[] = {
      {650, 0, 12, "1 to 1000 frets"},   {650, -1, 12, "1 to 1000 frets"},     {650, 1001, 1000, "1 to 1000 frets"},
      {650, INT32_MIN, 12, "1 to 1000"}, {650, 24, 0, "1 or more parts"},      {650, 24, -12, "1 or more parts"},
      {650, 11, 1, "octaves"},           {650, INT32_MAX, 1, "octaves"},       {0, 24, 12, "check its unit"},
      {-650, 24, 12, "check its unit"},  {9.9, 24, 12, "check its unit"},      {10001, 24, 12, "check its unit"},
      {NAN, 24, 12, "check its unit"},   {INFINITY, 24, 12, "check its unit"},
  };
  for (size_t k = 0; k < sizeof CASE / sizeof *CASE; k++) {
    sp_layout l;
    sp_error err = {0};
    assert_int_equal(sp_layout_equal(CASE[k].scale_length_mm, CASE[k].frets, CASE[k].divisions, &l, &err), SP_E_USAGE);
    assert_non_null(strstr(err.text, CASE[k].said));
    assert_null(l.position_mm);
    assert_int_equal(l.frets, 0);
  }
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(650, 10, 1, &l, &err), SP_OK); /* ten octaves, the limit */
  CHECK_CLOSE(l.position_mm[10], 650.0 * 1023 / 1024, 0);
  sp_layout_free(&l);
  assert_int_equal(sp_layout_equal(650, 1000, INT32_MAX, &l, &err), SP_OK); /* any division: still in order */
  for (int n = 1; n <= 1000; n++)
    assert_true(l.position_mm[n] > l.position_mm[n - 1]);
  sp_layout_free(&l);
}

static void refuses_steps(void **state)
{
  (void)state;
  static const double CENTS[5][3] = {
      {100, 100, 200}, {100, 90, 200}, {0, 100, 200}, {100, NAN, 200}, {100, 200, 12001}};
  sp_layout l;
  sp_error err = {0};
  for (int k = 0; k < 5; k++) {
    assert_int_equal(sp_layout_steps(650, 3, CENTS[k], 3, &l, &err), SP_E_USAGE);
    assert_non_null(strstr(err.text, "correct it"));
    assert_null(l.cents);
  }
  assert_int_equal(sp_layout_steps(650, 4, CENTS[0], 3, &l, &err), SP_E_USAGE);
  assert_non_null(strstr(err.text, "4 frets are asked for and the list of steps has 3"));
  assert_int_equal(sp_layout_steps(650, 1, CENTS[0], 3, &l, &err), SP_OK); /* the rest is not looked at */
  sp_layout_free(&l);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(twelve),
                                     cmocka_unit_test(other_divisions),
                                     cmocka_unit_test(galilei),
                                     cmocka_unit_test(pure_intervals),
                                     cmocka_unit_test(cents_of_a_millimetre),
                                     cmocka_unit_test(rounded_divisors),
                                     cmocka_unit_test(trade_figures),
                                     cmocka_unit_test(small_errors_keep_their_digits),
                                     cmocka_unit_test(impossible_places),
                                     cmocka_unit_test(rows),
                                     cmocka_unit_test(refuses),
                                     cmocka_unit_test(refuses_steps)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
