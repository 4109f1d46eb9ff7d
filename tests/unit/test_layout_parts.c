/* Compensated nuts, zero frets, frets over a part of the width: what is accepted, where things lie, what is written. */
#include "check_close.h"

#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>

#include "slotproof/layout.h"

static sp_layout board(void)
{
  sp_layout l;
  assert_int_equal(sp_layout_equal(650.0, 20, 12, &l, NULL), SP_OK);
  return l;
}

/* The frets stay where they are computed from the theoretical nut; on the wood they are laid off from the nut as it
 * stands, so all of them lie nearer to it by the shift, and the speaking lengths are what they were. */
static void shifted_nut(void **state)
{
  (void)state;
  sp_layout l = board(), plain = board();
  sp_error err = {0};
  assert_int_equal(sp_layout_shift_nut(&l, 0.5, &err), SP_OK);
  CHECK_CLOSE(l.nut_shift_mm, 0.5, 0);
  for (int32_t n = 0; n <= l.frets; n++) {
    const sp_layout_row a = sp_layout_row_at(&l, n), b = sp_layout_row_at(&plain, n);
    CHECK_CLOSE(a.layout_mm, n ? b.layout_mm : 0.5, 0);
    CHECK_CLOSE(a.from_nut_mm, n ? b.from_nut_mm - 0.5 : 0.0, 1e-12);
    CHECK_CLOSE(a.to_saddle_mm, n ? b.to_saddle_mm : 649.5, 1e-12);
  }
  /* the first space of 650 mm is 36.4817 mm (650 (1 - 2^(-1/12))) */
  CHECK_CLOSE(sp_layout_row_at(&l, 1).from_previous_mm, 35.9817, 5e-5);
  assert_int_equal(sp_layout_shift_nut(&l, -0.5, &err), SP_OK);
  CHECK_CLOSE(sp_layout_row_at(&l, 1).from_previous_mm, 36.9817, 5e-5);
  assert_int_equal(sp_layout_shift_nut(&l, 5.1, &err), SP_E_USAGE);
  assert_int_equal(sp_layout_shift_nut(&l, NAN, &err), SP_E_USAGE);
  assert_int_equal(sp_layout_zero_fret(&l, NAN, &err), SP_E_USAGE);
  sp_layout_free(&l);
  sp_layout_free(&plain);
}

static void zero_fret(void **state)
{
  (void)state;
  sp_layout l = board();
  sp_error err = {0};
  assert_int_equal(sp_layout_zero_fret(&l, 0.0, &err), SP_E_USAGE);
  assert_int_equal(sp_layout_zero_fret(&l, 31.0, &err), SP_E_USAGE);
  assert_false(l.zero_fret);
  assert_int_equal(sp_layout_zero_fret(&l, 8.0, &err), SP_OK);
  assert_true(l.zero_fret);
  assert_int_equal(sp_layout_shift_nut(&l, 0.3, &err), SP_E_USAGE);
  assert_int_equal(sp_layout_shift_nut(&l, 0.0, &err), SP_OK);
  sp_layout_free(&l);
}

static void parts(void **state)
{
  (void)state;
  sp_layout l = board();
  sp_error err = {0};
  double begin, end;
  assert_false(sp_layout_is_partial(&l, 7));
  CHECK_CLOSE(sp_layout_least_part(&l, 40.0), 1.0, 0);
  assert_int_equal(sp_layout_set_part(&l, 7, (sp_width_part){false, false, 0.0, 0.4}, &err), SP_OK);
  assert_int_equal(sp_layout_set_part(&l, 9, (sp_width_part){true, true, 2.0, 12.0}, &err), SP_OK);
  assert_true(sp_layout_is_partial(&l, 7) && sp_layout_is_partial(&l, 9) && !sp_layout_is_partial(&l, 8));
  sp_layout_part_mm(&l, 7, 50.0, &begin, &end); /* 40 % of 50 mm, at the treble edge */
  CHECK_CLOSE(begin, 30.0, 1e-12);
  CHECK_CLOSE(end, 50.0, 1e-12);
  sp_layout_part_mm(&l, 9, 50.0, &begin, &end);
  CHECK_CLOSE(begin, 2.0, 0);
  CHECK_CLOSE(end, 12.0, 0);
  sp_layout_part_mm(&l, 9, 10.0, &begin, &end); /* no wider than the board */
  CHECK_CLOSE(end, 10.0, 0);
  sp_layout_part_mm(&l, 8, 50.0, &begin, &end);
  CHECK_CLOSE(begin, 0.0, 0);
  CHECK_CLOSE(end, 50.0, 0);
  CHECK_CLOSE(sp_layout_least_part(&l, 50.0), 0.2, 1e-12);
  assert_int_equal(sp_layout_set_part(&l, 0, (sp_width_part){false, false, 0.0, 0.4}, &err), SP_E_USAGE);
  assert_int_equal(sp_layout_set_part(&l, 21, (sp_width_part){false, false, 0.0, 0.4}, &err), SP_E_USAGE);
  assert_int_equal(sp_layout_set_part(&l, 3, (sp_width_part){false, false, 0.5, 0.4}, &err), SP_E_USAGE);
  assert_int_equal(sp_layout_set_part(&l, 3, (sp_width_part){false, false, 0.5, 1.1}, &err), SP_E_USAGE);
  assert_int_equal(sp_layout_set_part(&l, 3, (sp_width_part){false, false, -0.1, 0.4}, &err), SP_E_USAGE);
  sp_layout_free(&l);
}

static void reads_partials(void **state)
{
  (void)state;
  sp_partial p[4];
  size_t n = 0;
  sp_error err = {0};
  assert_int_equal(sp_parse_partials("7 treble 40%, 13 bass 1/2 in,6  treble 20% to 62.5%", 4, p, &n, &err), SP_OK);
  assert_int_equal(n, 3);
  assert_int_equal(p[0].fret, 7);
  assert_true(!p[0].part.from_bass && !p[0].part.in_mm);
  CHECK_CLOSE(p[0].part.end, 0.4, 0);
  CHECK_CLOSE(p[0].part.begin, 0.0, 0);
  assert_true(p[1].part.from_bass && p[1].part.in_mm);
  CHECK_CLOSE(p[1].part.end, 12.7, 0);
  CHECK_CLOSE(p[2].part.begin, 0.2, 0);
  CHECK_CLOSE(p[2].part.end, 0.625, 0);
  assert_int_equal(sp_parse_partials("1 bass 10mm to 20 mm", 4, p, &n, &err), SP_OK);
  assert_int_equal(n, 4);
  CHECK_CLOSE(p[3].part.begin, 10.0, 0);
  CHECK_CLOSE(p[3].part.end, 20.0, 0);
  static const char *const BAD[] = {"",
                                    "7",
                                    "7 treble",
                                    "7 left 40%",
                                    "0 bass 40%",
                                    "7.5 bass 40%",
                                    "7 bass 101%",
                                    "7 bass 0%",
                                    "7 bass 40",
                                    "7 bass 40% to",
                                    "7 bass 40% to 30%",
                                    "7 bass 40% to 30mm",
                                    "7 bass 10% to 30% 4",
                                    "7 bass -3mm",
                                    "7 bass 10%, 7 treble 10%",
                                    "7 bass 10%,",
                                    "7 bass\n10%",
                                    "1 bass 1%, 2 bass 1%, 3 bass 1%, 4 bass 1%, 5 bass 1%"};
  for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
    n = 0;
    if (sp_parse_partials(BAD[i], 4, p, &n, &err) != SP_E_USAGE)
      fail_msg("'%s' was read", BAD[i]);
  }
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

static double number(const cJSON *o, const char *name)
{
  return cJSON_GetObjectItemCaseSensitive(o, name)->valuedouble;
}

static void writes(void **state)
{
  (void)state;
  sp_layout l = board();
  assert_int_equal(sp_layout_shift_nut(&l, 0.5, NULL), SP_OK);
  assert_int_equal(sp_layout_set_part(&l, 7, (sp_width_part){false, false, 0.0, 0.4}, NULL), SP_OK);
  char *text = written(&l, SP_LAYOUT_TEXT);
  assert_non_null(strstr(text, "it stands 0.500 mm nearer to fret 1 than the frets are computed from"));
  assert_non_null(strstr(text, "Partial: fret 7 over 40 % of the width from the treble edge."));
  assert_non_null(strstr(text, "   1      35.982     35.982     613.518"));
  free(text);
  text = written(&l, SP_LAYOUT_CSV);
  assert_non_null(strstr(text, ",cents_per_tenth_mm,layout_mm\r\n0,"));
  free(text);
  text = written(&l, SP_LAYOUT_JSON);
  cJSON *root = cJSON_Parse(text);
  CHECK_CLOSE(number(root, "nut_shift_mm"), 0.5, 0);
  assert_true(cJSON_IsFalse(cJSON_GetObjectItem(root, "zero_fret")));
  const cJSON *first = cJSON_GetArrayItem(cJSON_GetObjectItem(root, "positions"), 1);
  CHECK_CLOSE(number(first, "layout_mm") - number(first, "from_nut_mm"), 0.5, 1e-9);
  const cJSON *part = cJSON_GetArrayItem(cJSON_GetObjectItem(root, "partial"), 0);
  CHECK_CLOSE(number(part, "fret"), 7, 0);
  CHECK_CLOSE(number(part, "end"), 0.4, 0);
  cJSON_Delete(root);
  free(text);
  sp_layout_free(&l);
  l = board();
  assert_int_equal(sp_layout_zero_fret(&l, 8.0, NULL), SP_OK);
  text = written(&l, SP_LAYOUT_TEXT);
  assert_non_null(strstr(text, "the nut behind it stands 8.000 mm farther back"));
  assert_non_null(strstr(text, "\nzero       0.000"));
  free(text);
  sp_layout_free(&l);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(shifted_nut),    cmocka_unit_test(zero_fret), cmocka_unit_test(parts),
      cmocka_unit_test(reads_partials), cmocka_unit_test(writes),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
