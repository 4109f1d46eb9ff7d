/* Corrections: read, refused, written and read again. */
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "slotproof/corrections.h"

#define LIST(entries) "{\"schema\": \"slotproof/corrections/1\", \"corrections\": [" entries "]}"
#define RECORD(rest)  "{\"schema\": \"slotproof/record/1\", \"verdict\": \"within\"" rest "}"

static sp_status parse(const char *text, sp_corrections *c, sp_error *err)
{
  *err = (sp_error){SP_OK, ""};
  return sp_corrections_parse(text, strlen(text), c, err);
}

static void test_every_kind(void **state)
{
  (void)state;
  sp_corrections c;
  sp_error err;
  assert_int_equal(parse(LIST("{\"kind\": \"not-a-mark\", \"at_px\": [812.5, 440]},"
                              "{\"kind\": \"mark-here\", \"at_px\": [-3, 452]},"
                              "{\"kind\": \"nut-here\", \"at_px\": [236, 447], \"source\": 1},"
                              "{\"kind\": \"graduation\", \"at_px\": [300, 90], \"reading_mm\": 20},"
                              "{\"kind\": \"graduation\", \"at_px\": [1950, 92], \"reading_in\": 2.5}"),
                         &c, &err),
                   SP_OK);
  assert_int_equal(c.count, 5);
  assert_int_equal(c.list[0].kind, SP_CORRECTION_NOT_A_MARK);
  CHECK_CLOSE(c.list[0].at_px.x, 812.5, 0.0);
  CHECK_CLOSE(c.list[0].at_px.y, 440.0, 0.0);
  assert_true(isnan(c.list[0].reading_mm));
  assert_int_equal(c.list[1].kind, SP_CORRECTION_MARK_HERE);
  CHECK_CLOSE(c.list[1].at_px.x, -3.0, 0.0);
  assert_int_equal(c.list[1].source, 0);
  assert_int_equal(c.list[2].kind, SP_CORRECTION_NUT_HERE);
  assert_int_equal(c.list[2].source, 1);
  assert_int_equal(c.list[3].kind, SP_CORRECTION_GRADUATION);
  CHECK_CLOSE(c.list[3].reading_mm, 20.0, 0.0);
  CHECK_CLOSE(c.list[4].reading_mm, 63.5, 1e-12); /* 1 in = 25.4 mm, NIST SP 811 */
  sp_corrections_free(&c);
}

static void test_of_a_record(void **state)
{
  (void)state;
  sp_corrections c;
  sp_error err;
  assert_int_equal(parse(RECORD(", \"corrections\": [{\"kind\": \"mark-here\", \"at_px\": [10, 20], "
                                "\"outcome\": \"applied\", \"text\": \"a line was found\"}]"),
                         &c, &err),
                   SP_OK);
  assert_int_equal(c.count, 1);
  assert_int_equal(c.list[0].kind, SP_CORRECTION_MARK_HERE);
  sp_corrections_free(&c);
  assert_int_equal(parse(RECORD(""), &c, &err), SP_OK); /* a record that nobody corrected */
  assert_int_equal(c.count, 0);
  sp_corrections_free(&c);
  assert_int_equal(parse(LIST(""), &c, &err), SP_OK);
  assert_int_equal(c.count, 0);
  sp_corrections_free(&c);
}

static void test_refused(void **state)
{
  (void)state;
  static const struct {
    const char *text, *said;
  } CASES[] = {
      {"", "holds no corrections"},
      {"[]", "holds no corrections"},
      {"{\"schema\": \"slotproof/corrections/2\", \"corrections\": []}", "holds no corrections"},
      {"{\"schema\": \"slotproof/corrections/1\"}", "nothing else"},
      {"{\"schema\": \"slotproof/corrections/1\", \"corrections\": [], \"more\": 1}", "nothing else"},
      {"{\"schema\": \"slotproof/corrections/1\", \"corrections\": 7}", "nothing else"},
      {LIST("7"), "correction 1: it is no object"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2]}, {\"kind\": \"line\", \"at_px\": [1, 2]}"),
       "correction 2: its kind"},
      {LIST("{\"at_px\": [1, 2]}"), "its kind"},
      {LIST("{\"kind\": \"mark-here\"}"), "its place"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1]}"), "its place"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2, 3]}"), "its place"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, null]}"), "its place"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 1e99]}"), "its place"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2], \"fret\": 3}"), "not known"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2], \"outcome\": \"applied\"}"), "not known"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2], \"kind\": \"nut-here\"}"), "twice"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2], \"reading_mm\": 3}"), "only a graduation"},
      {LIST("{\"kind\": \"graduation\", \"at_px\": [1, 2]}"), "what the graduation reads"},
      {LIST("{\"kind\": \"graduation\", \"at_px\": [1, 2], \"reading_mm\": \"3\"}"), "what the graduation reads"},
      {LIST("{\"kind\": \"graduation\", \"at_px\": [1, 2], \"reading_mm\": 3, \"reading_in\": 1}"),
       "what the graduation reads"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2], \"source\": 0.5}"), "its source"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2], \"source\": -1}"), "its source"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2], \"picture\": \"\"}"), "its picture"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2], \"picture\": 1}"), "its picture"},
      {LIST("{\"kind\": \"mark-here\", \"at_px\": [1, 2], \"picture\": \"a.png\", \"source\": 1}"), "both"},
  };
  for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
    sp_corrections c;
    sp_error err;
    const sp_status status = parse(CASES[i].text, &c, &err);
    if (status != SP_E_DATA || !strstr(err.text, CASES[i].said) || c.count || c.list)
      fail_msg("case %zu: status %d, '%s'", i, (int)status, err.text);
  }
}

static void test_too_many(void **state)
{
  (void)state;
  sp_corrections c = {0};
  sp_error err = {0};
  const sp_correction one = {SP_CORRECTION_MARK_HERE, {1.0, 2.0}, NAN, 0, ""};
  for (int i = 0; i < SP_CORRECTIONS_MOST; i++)
    assert_int_equal(sp_corrections_add(&c, &one, &err), SP_OK);
  assert_int_equal(sp_corrections_add(&c, &one, &err), SP_E_DATA);
  assert_int_equal(c.count, SP_CORRECTIONS_MOST);
  sp_corrections_free(&c);
}

static void test_comes_back(void **state)
{
  (void)state;
  const sp_correction ALL[] = {{SP_CORRECTION_NOT_A_MARK, {812.123456789, 440.0}, NAN, 0, "lower \"half\".png"},
                               {SP_CORRECTION_GRADUATION, {1.0 / 3.0, 90.0}, 25.4, 2, ""}};
  sp_corrections c = {0}, again;
  sp_error err = {0};
  char text[4000];
  FILE *file = tmpfile();
  assert_non_null(file);
  for (size_t i = 0; i < 2; i++)
    assert_int_equal(sp_corrections_add(&c, &ALL[i], &err), SP_OK);
  assert_int_equal(sp_corrections_write(&c, file, &err), SP_OK);
  rewind(file);
  const size_t n = fread(text, 1, sizeof text, file);
  fclose(file);
  assert_int_equal(sp_corrections_parse(text, n, &again, &err), SP_OK);
  assert_int_equal(again.count, 2);
  for (size_t i = 0; i < 2; i++) {
    assert_int_equal(again.list[i].kind, ALL[i].kind);
    CHECK_CLOSE(again.list[i].at_px.x, ALL[i].at_px.x, 0.0);
    CHECK_CLOSE(again.list[i].at_px.y, ALL[i].at_px.y, 0.0);
    assert_int_equal(again.list[i].source, ALL[i].source);
    assert_string_equal(again.list[i].picture, ALL[i].picture);
  }
  CHECK_CLOSE(again.list[1].reading_mm, 25.4, 0.0);
  sp_corrections_free(&c);
  sp_corrections_free(&again);
}

static void test_files(void **state)
{
  (void)state;
  sp_corrections c;
  sp_error err = {0};
  assert_int_equal(sp_corrections_read("/no/such/file.json", &c, &err), SP_E_NOINPUT);
  assert_int_equal(c.count, 0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_every_kind), cmocka_unit_test(test_of_a_record), cmocka_unit_test(test_refused),
      cmocka_unit_test(test_too_many),   cmocka_unit_test(test_comes_back),  cmocka_unit_test(test_files),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
