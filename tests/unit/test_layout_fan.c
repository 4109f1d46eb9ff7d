/* Fanned layouts against the formula for one string, against geometry, and against the square board.
 *
 * Each string of a fan is a string like any other: its frets lie at L (1 - 2^(-n/12)) of its own scale length (equal
 * temperament: Mersenne's law; the ratios below are those of handbooks' tables: fret 5 at 0.250846462, 7 at
 * 0.332580073, 12 at 0.5, 19 at 0.666290036 of L, recomputed). */
#include "check_close.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/layout.h"

static const sp_fan GUITAR = {686.0, 648.0, 42.0, 54.0, 7.0};

static sp_layout fanned(const sp_fan *fan, int32_t frets)
{
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(600.0, frets, 12, &l, &err), SP_OK); /* any length: the fan brings its own */
  assert_int_equal(sp_layout_fan(fan, &l, &err), SP_OK);
  return l;
}

static double outer_mm(const sp_layout *l, int32_t fret)
{
  return 0.5 * (l->fan.spread_nut_mm + (1.0 - exp2(-fret / 12.0)) * (l->fan.spread_saddle_mm - l->fan.spread_nut_mm));
}

static void each_outer_string_is_divided_by_its_own_length(void **unused)
{
  (void)unused;
  static const struct {
    int32_t fret;
    double part;
  } table[] = {{5, 0.250846462}, {7, 0.332580073}, {12, 0.5}, {19, 0.666290036}};
  sp_layout l = fanned(&GUITAR, 24);
  for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
    const int32_t n = table[i].fret;
    const double bass = sp_layout_line_mm(&l, n, outer_mm(&l, n)) - sp_layout_line_mm(&l, 0, outer_mm(&l, 0));
    const double treble = sp_layout_line_mm(&l, n, -outer_mm(&l, n)) - sp_layout_line_mm(&l, 0, -outer_mm(&l, 0));
    CHECK_CLOSE(bass, 686.0 * table[i].part, 1e-6);
    CHECK_CLOSE(treble, 648.0 * table[i].part, 1e-6);
    CHECK_CLOSE(sp_layout_string_mm(&l, n, outer_mm(&l, n)), 686.0, 1e-9);
    CHECK_CLOSE(sp_layout_string_mm(&l, n, -outer_mm(&l, n)), 648.0, 1e-9);
    CHECK_CLOSE(sp_layout_speaking_mm(&l, n, outer_mm(&l, n)), 686.0 * (1.0 - table[i].part), 1e-6);
    CHECK_CLOSE(l.position_mm[n], 667.0 * table[i].part, 1e-6);
  }
  CHECK_CLOSE(l.scale_length_mm, 667.0, 0.0);
  sp_layout_free(&l);
}

/* A string between the outer ones, a third of the way out, crosses every fret where its own length asks for: it runs
 * straight from nut to saddle (intercept theorem). */
static void strings_between_are_in_tune_as_well(void **unused)
{
  (void)unused;
  sp_layout l = fanned(&GUITAR, 24);
  const double share = 1.0 / 3.0, length = 667.0 + share * 19.0;
  for (int32_t n = 0; n <= 24; n++) {
    const double off = share * outer_mm(&l, n);
    CHECK_CLOSE(sp_layout_line_mm(&l, n, off) - sp_layout_line_mm(&l, 0, share * 21.0),
                length * (1.0 - exp2(-n / 12.0)), 1e-9);
    CHECK_CLOSE(sp_layout_string_mm(&l, n, off), length, 1e-9);
  }
  sp_layout_free(&l);
}

static void the_square_fret_is_square_and_the_others_lean_either_way(void **unused)
{
  (void)unused;
  for (int left = 0; left < 2; left++) {
    sp_layout l = fanned(&GUITAR, 24);
    l.left_handed = left;
    const double sign = left ? -1.0 : 1.0;
    CHECK_CLOSE(sp_layout_angle_deg(&l, 7), 0.0, 1e-12);
    for (int32_t n = 0; n < 7; n++)
      CHECK_BELOW(sign * sp_layout_angle_deg(&l, n), sign * sp_layout_angle_deg(&l, n + 1));
    CHECK_BELOW(0.0, sign * sp_layout_angle_deg(&l, 8)); /* bass end (right, if right-handed) nearer the bridge */
    /* at the nut the outer strings begin 38 mm times 0.332580073 apart, over 42 mm */
    CHECK_CLOSE(tan(sp_layout_angle_deg(&l, 0) / 57.29577951308232), -sign * 38.0 * 0.332580073 / 42.0, 1e-9);
    sp_layout_free(&l);
  }
}

static void the_square_fret_may_lie_between_two_or_be_the_nut(void **unused)
{
  (void)unused;
  sp_fan fan = GUITAR;
  fan.square_fret = 7.5;
  sp_layout l = fanned(&fan, 12);
  CHECK_BELOW(sp_layout_angle_deg(&l, 7), 0.0);
  CHECK_BELOW(0.0, sp_layout_angle_deg(&l, 8));
  /* halfway in pitch: 38 mm (2^(-7.5/12) - 2^(-7/12)) / spread */
  CHECK_CLOSE(sp_layout_slope(&l, 7), 38.0 * (exp2(-7.5 / 12.0) - exp2(-7.0 / 12.0)) / (2.0 * outer_mm(&l, 7)), 1e-12);
  sp_layout_free(&l);
  fan.square_fret = 0.0;
  l = fanned(&fan, 12);
  CHECK_CLOSE(sp_layout_angle_deg(&l, 0), 0.0, 0.0);
  sp_layout_free(&l);
  fan.square_fret = 12.0;
  l = fanned(&fan, 12);
  CHECK_CLOSE(sp_layout_angle_deg(&l, 12), 0.0, 1e-12);
  sp_layout_free(&l);
}

static void equal_lengths_give_the_square_board(void **unused)
{
  (void)unused;
  const sp_fan fan = {650.0, 650.0, 40.0, 52.0, 9.0};
  sp_layout l = fanned(&fan, 24), square;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(650.0, 24, 12, &square, &err), SP_OK);
  for (int32_t n = 0; n <= 24; n++) {
    CHECK_CLOSE(l.position_mm[n], square.position_mm[n], 1e-12);
    CHECK_CLOSE(sp_layout_line_mm(&l, n, 25.0), square.position_mm[n], 1e-12);
    CHECK_CLOSE(sp_layout_angle_deg(&l, n), 0.0, 0.0);
    CHECK_CLOSE(sp_layout_string_mm(&l, n, -25.0), 650.0, 0.0);
    CHECK_CLOSE(sp_layout_line_mm(&square, n, 25.0), square.position_mm[n], 0.0);
  }
  sp_layout_free(&l);
  sp_layout_free(&square);
}

static void what_cannot_be_is_refused(void **unused)
{
  (void)unused;
  static const struct {
    sp_fan fan;
    const char *says;
  } table[] = {
      {{686.0, NAN, 42.0, 54.0, 7.0}, "--scale-length-treble"}, {{686.0, 648.0, NAN, 54.0, 7.0}, "--spread-nut"},
      {{686.0, 648.0, 42.0, 54.0, NAN}, "--square-fret"},       {{686.0, 648.0, 42.0, 54.0, 25.0}, "not 25"},
      {{686.0, 6.0, 42.0, 54.0, 7.0}, "check its unit"},        {{686.0, 648.0, 4200.0, 54.0, 7.0}, "cannot be"},
      {{900.0, 500.0, 42.0, 54.0, 12.0}, "degrees off square"}};
  for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
    sp_layout l;
    sp_error err = {0};
    assert_int_equal(sp_layout_equal(600.0, 24, 12, &l, &err), SP_OK);
    assert_int_equal(sp_layout_fan(&table[i].fan, &l, &err), SP_E_USAGE);
    assert_non_null(strstr(err.text, table[i].says));
    assert_null(l.position_mm); /* freed */
  }
}

static void frets_are_read(void **unused)
{
  (void)unused;
  static const char *const WRONG[] = {"", "-1", "7.", ".5", "7.5x", "1e1", "nan", "12345", "7,5", " 7"};
  double fret;
  assert_int_equal(sp_parse_fret("0", &fret, NULL), SP_OK);
  CHECK_CLOSE(fret, 0.0, 0.0);
  assert_int_equal(sp_parse_fret("12", &fret, NULL), SP_OK);
  CHECK_CLOSE(fret, 12.0, 0.0);
  assert_int_equal(sp_parse_fret("7.25", &fret, NULL), SP_OK);
  CHECK_CLOSE(fret, 7.25, 0.0);
  for (size_t i = 0; i < sizeof WRONG / sizeof *WRONG; i++) {
    assert_int_equal(sp_parse_fret(WRONG[i], &fret, NULL), SP_E_USAGE);
    assert_true(isnan(fret));
  }
}

/* Slots of a fan are longer than the board is broad by 1 / cos of their angle, on a board whose sides are parallel. */
static void slots_are_as_long_as_their_lines(void **unused)
{
  (void)unused;
  sp_layout l = fanned(&GUITAR, 24);
  sp_board_shape shape;
  sp_slots slots;
  sp_error err = {0};
  sp_board_shape_init(&shape);
  shape.nut_width_mm = 50.0;
  assert_int_equal(sp_slots_plan(&l, &shape, &slots, &err), SP_OK);
  for (int32_t n = 0; n <= 24; n++)
    CHECK_CLOSE(slots.slot[n].length_mm, 50.0 / cos(sp_layout_angle_deg(&l, n) / 57.29577951308232), 1e-9);
  sp_slots_free(&slots);
  sp_layout_free(&l);
}

static char *written(const sp_layout *l, sp_layout_format format)
{
  char *text = NULL;
  size_t size = 0;
  FILE *file = open_memstream(&text, &size);
  assert_non_null(file);
  assert_int_equal(sp_layout_write(l, NULL, format, file, NULL), SP_OK);
  fclose(file);
  return text;
}

/* Bass 686 mm: fret 12 at 343 mm; treble 648: 324; both as seen from the middle of the nut, whose ends lie 6.319 mm
 * before and beyond it (19 mm times 0.332580073). */
static void all_formats_have_the_fan(void **unused)
{
  (void)unused;
  sp_layout l = fanned(&GUITAR, 24);
  char *text = written(&l, SP_LAYOUT_TEXT);
  assert_non_null(strstr(
      text, "  12        343.000    336.681     333.500    330.319          324.000             24.000  +7.550"));
  assert_non_null(strstr(text, " 686.000 mm (bass) and 648.000 mm (treble), fret 7 square"));
  free(text);
  text = written(&l, SP_LAYOUT_CSV);
  assert_non_null(strstr(text, ",bass_from_nut_mm,treble_from_nut_mm,bass_x_mm,treble_x_mm,outer_mm,angle_deg\r\n"));
  assert_non_null(strstr(text, ",343.000000,324.000000,336.680979,330.319021,24.000000,7.550"));
  free(text);
  text = written(&l, SP_LAYOUT_JSON);
  assert_non_null(strstr(text, "\"square_fret\":\t7"));
  assert_non_null(strstr(text, "\"bass_side\":\t\"right\""));
  free(text);
  sp_layout_free(&l);
  assert_int_equal(sp_layout_equal(600.0, 24, 12, &l, NULL), SP_OK);
  text = written(&l, SP_LAYOUT_JSON);
  assert_non_null(strstr(text, "\"fan\":\tnull"));
  free(text);
  sp_layout_free(&l);
}

/* The whole nut moves toward fret 1 along the board, all strings alike; the frets stay. */
static void a_compensated_nut_moves_along_the_board(void **unused)
{
  (void)unused;
  sp_layout l = fanned(&GUITAR, 24), plain = fanned(&GUITAR, 24);
  sp_error err = {0};
  assert_int_equal(sp_layout_shift_nut(&l, 0.4, &err), SP_OK);
  for (int side = -1; side <= 1; side++) {
    CHECK_CLOSE(sp_layout_line_mm(&l, 0, 20.0 * side), sp_layout_line_mm(&plain, 0, 20.0 * side) + 0.4, 1e-12);
    CHECK_CLOSE(sp_layout_line_mm(&l, 5, 20.0 * side), sp_layout_line_mm(&plain, 5, 20.0 * side), 0.0);
    CHECK_CLOSE(sp_layout_speaking_mm(&l, 0, 20.0 * side), sp_layout_string_mm(&l, 0, 20.0 * side) - 0.4, 1e-12);
  }
  /* distances count from the nut as it stands: 686 and 648 mm, halved, less 0.4. The strings lie 7.2 um farther apart
   * there, along a nut that leans by 0.3009, which makes 1.1 um */
  char *text = written(&l, SP_LAYOUT_CSV);
  assert_non_null(strstr(text, ",342.601083,323.598917,"));
  free(text);
  sp_layout_free(&l);
  sp_layout_free(&plain);
}

/* Fret 1 of 240 to the octave lies 2.16 mm from the nut in the middle, and 1.73 mm on the treble string. */
static void a_nut_does_not_reach_fret_1_anywhere(void **unused)
{
  (void)unused;
  const sp_fan steep = {900.0, 600.0, 300.0, 300.0, 0.0};
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(750.0, 53, 240, &l, &err), SP_OK);
  assert_int_equal(sp_layout_fan(&steep, &l, &err), SP_OK);
  const double at_edge = sp_layout_line_mm(&l, 1, -150.0) - sp_layout_line_mm(&l, 0, -150.0);
  CHECK_BELOW(at_edge, 1.75); /* 600 (1 - 2^(-1/240)) = 1.730 */
  CHECK_BELOW(1.70, at_edge);
  assert_int_equal(sp_layout_shift_nut(&l, 1.72, &err), SP_OK);
  assert_int_equal(sp_layout_shift_nut(&l, 1.74, &err), SP_E_USAGE);
  sp_layout_free(&l);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(each_outer_string_is_divided_by_its_own_length),
      cmocka_unit_test(strings_between_are_in_tune_as_well),
      cmocka_unit_test(the_square_fret_is_square_and_the_others_lean_either_way),
      cmocka_unit_test(the_square_fret_may_lie_between_two_or_be_the_nut),
      cmocka_unit_test(equal_lengths_give_the_square_board),
      cmocka_unit_test(what_cannot_be_is_refused),
      cmocka_unit_test(frets_are_read),
      cmocka_unit_test(slots_are_as_long_as_their_lines),
      cmocka_unit_test(all_formats_have_the_fan),
      cmocka_unit_test(a_compensated_nut_moves_along_the_board),
      cmocka_unit_test(a_nut_does_not_reach_fret_1_anywhere),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
