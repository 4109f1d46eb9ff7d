/* A record read back: what is believed, what is refused and with which words; and the saw against the lines before. */
#include "check_close.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "slotproof/record.h"
#include "slotproof/report.h"

#define HEAD  "{\"schema\":\"slotproof/record/1\",\"layout\":{\"scale_length_mm\":400},\"datum\":{\"u_mm\":0.01},\"marks\":["
#define NUT   "{\"fret\":0,\"state\":\"found\",\"x_mm\":0,\"layout_mm\":0,\"u_mm\":0}"
#define FIRST "{\"fret\":1,\"state\":\"found\",\"x_mm\":22.4,\"layout_mm\":22.45,\"u_mm\":0.02}"

static sp_status parse(const char *text, sp_earlier *e, sp_error *err)
{
  memset(err, 0, sizeof *err);
  return sp_earlier_parse(text, strlen(text), e, err);
}

static void believed(void **state)
{
  (void)state;
  sp_earlier e;
  sp_error err;
  static const char TEXT[] =
      HEAD NUT ",{\"fret\":1,\"state\":\"missing\",\"x_mm\":null,\"layout_mm\":22.45,\"u_mm\":null},"
               "{\"fret\":2,\"state\":\"found\",\"x_mm\":43.7,\"layout_mm\":43.64,\"u_mm\":0.03,"
               "\"budget\":{\"line_mm\":0.002,\"map_mm\":0.004,\"datum_mm\":null}}]}";
  assert_int_equal(parse(TEXT, &e, &err), SP_OK);
  CHECK_CLOSE(e.scale_length_mm, 400.0, 0.0);
  CHECK_CLOSE(e.datum_u_mm, 0.01, 0.0);
  assert_int_equal(e.count, 3);
  assert_true(e.marks[0].found && !e.marks[1].found && isnan(e.marks[1].x_mm) && e.marks[2].found);
  CHECK_CLOSE(e.marks[2].x_mm, 43.7, 0.0);
  CHECK_CLOSE(e.marks[2].map_mm, 0.004, 0.0);
  assert_true(isnan(e.marks[2].datum_mm) && isnan(e.marks[0].line_mm));
  sp_earlier_free(&e);
  assert_null(e.marks);
  sp_earlier_free(&e); /* twice does no harm */
}

/* Each breaks one rule. */
static void refused(void **state)
{
  (void)state;
  static const char *const CASES[][2] = {
      {"", "not JSON"},
      {"[", "not JSON"},
      {"null", "no record"},
      {"[]", "no record"},
      {"{\"schema\":7}", "no record"},
      {"{\"schema\":\"slotproof/record/2\"}", "no record"},
      {"{\"schema\":\"slotproof/record/1\"}", "'scale_length_mm'"},
      {"{\"schema\":\"slotproof/record/1\",\"layout\":[],\"marks\":[]}", "'scale_length_mm'"},
      {"{\"schema\":\"slotproof/record/1\",\"layout\":{\"scale_length_mm\":1e999}}", "'scale_length_mm'"},
      {"{\"schema\":\"slotproof/record/1\",\"layout\":{\"scale_length_mm\":400}}", "'u_mm'"},
      {HEAD "]}", "does not hold a nut"},
      {HEAD NUT "]}", "does not hold a nut"},
      {HEAD NUT ",7]}", "'fret'"},
      {HEAD FIRST "," NUT "]}", "mark 0 is not fret 0"},
      {HEAD NUT "," NUT "]}", "mark 1 is not fret 1"},
      {HEAD NUT ",{\"fret\":1.5,\"state\":\"found\",\"x_mm\":22.4,\"layout_mm\":22.45,\"u_mm\":0.02}]}", "mark 1"},
      {HEAD NUT ",{\"fret\":1,\"state\":\"lost\",\"x_mm\":22.4,\"layout_mm\":22.45,\"u_mm\":0.02}]}", "mark 1"},
      {HEAD NUT ",{\"fret\":1,\"x_mm\":22.4,\"layout_mm\":22.45,\"u_mm\":0.02}]}", "mark 1"},
      {HEAD NUT ",{\"fret\":1,\"state\":\"found\",\"x_mm\":\"22.4\",\"layout_mm\":22.45,\"u_mm\":0.02}]}", "'x_mm'"},
      {HEAD NUT ",{\"fret\":1,\"state\":\"found\",\"x_mm\":9e9,\"layout_mm\":22.45,\"u_mm\":0.02}]}", "'x_mm'"},
      {HEAD NUT ",{\"fret\":1,\"state\":\"found\",\"x_mm\":22.4,\"layout_mm\":-1,\"u_mm\":0.02}]}", "'layout_mm'"},
      {HEAD NUT ",{\"fret\":1,\"state\":\"found\",\"x_mm\":22.4,\"layout_mm\":22.45,\"u_mm\":-0.02}]}", "'u_mm'"},
      {HEAD NUT ",{\"fret\":1,\"state\":\"found\",\"x_mm\":22.4,\"layout_mm\":22.45}]}", "'u_mm'"},
      {HEAD NUT "," FIRST ",{\"fret\":2,\"state\":\"found\",\"x_mm\":22.4,\"layout_mm\":43.6,\"u_mm\":0.02}]}",
       "fret 2 lies before"},
  };
  for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
    sp_earlier e;
    sp_error err;
    const sp_status status = parse(CASES[i][0], &e, &err);
    if (status != SP_E_DATA || !strstr(err.text, CASES[i][1]))
      fprintf(stderr, "%s: %d, %s\n", CASES[i][0], (int)status, err.text);
    assert_int_equal(status, SP_E_DATA);
    assert_non_null(strstr(err.text, CASES[i][1]));
    assert_null(strchr(err.text, '\n'));
    assert_null(e.marks);
  }
}

/* Cut off anywhere, a record is none: the length given is kept to, with or without a NUL behind it. */
static void cut_off(void **state)
{
  (void)state;
  static const char TEXT[] = HEAD NUT "," FIRST "]}";
  for (size_t length = 0; length < sizeof TEXT - 1; length++) {
    char *exact = malloc(length ? length : 1);
    sp_earlier e;
    assert_non_null(exact);
    memcpy(exact, TEXT, length);
    assert_int_equal(sp_earlier_parse(exact, length, &e, NULL), SP_E_DATA);
    free(exact);
  }
}

/* A list without end, and brackets without end: refused, not followed. */
static void endless(void **state)
{
  (void)state;
  enum { MARKS = 5000, DEEP = 200000 };
  char *text = malloc(sizeof HEAD + sizeof NUT * (MARKS + 1) + DEEP);
  sp_earlier e;
  sp_error err;
  assert_non_null(text);
  char *at = text + sprintf(text, HEAD NUT);
  for (int k = 0; k < MARKS; k++)
    at += sprintf(at, "," NUT);
  sprintf(at, "]}");
  assert_int_equal(parse(text, &e, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "1 to 200 frets"));
  memset(text, '[', DEEP);
  text[DEEP] = '\0';
  assert_int_equal(parse(text, &e, &err), SP_E_DATA);
  free(text);
}

static void make_record(sp_record *r, double scale_mm, size_t marks)
{
  sp_record_init(r);
  r->scale_length_mm = scale_mm;
  r->frets = (int32_t)marks - 1;
  r->marks = calloc(marks, sizeof *r->marks);
  assert_non_null(r->marks);
  r->mark_count = marks;
  for (size_t k = 0; k < marks; k++) {
    sp_mark_record *m = &r->marks[k];
    *m = (sp_mark_record){.fret = (int32_t)k, .found = true, .verdict = SP_WITHIN};
    m->layout_mm = m->x_mm = 20.0 * (double)k;
    m->error_mm = m->u_mm = k ? 0.01 : 0.0;
    m->budget = (sp_budget){0.003, 0.0, 0.004, 0.5, NAN};
    m->from_line_mm = m->u_from_line_mm = NAN;
  }
}

/* u without the rule's share, which both records have: sqrt(2) 0.005 mm. Mean 0.03 and scatter by hand. */
static void saw_against_lines(void **state)
{
  (void)state;
  char path[] = "record-XXXXXX";
  sp_record before, after;
  sp_error err = {0};
  const int file = mkstemp(path);
  assert_true(file >= 0);
  FILE *f = fdopen(file, "wb");
  assert_non_null(f);
  make_record(&before, 400.0, 4);
  make_record(&after, 400.0, 4);
  assert_int_equal(sp_report_json(&before, f, NULL), SP_OK);
  assert_int_equal(fclose(f), 0);
  after.marks[1].x_mm += 0.01;
  after.marks[2].x_mm += 0.05;
  after.marks[3].found = false;
  assert_int_equal(sp_record_compare_before(&after, path, &err), SP_OK);
  CHECK_CLOSE(after.marks[1].from_line_mm, 0.01, 1e-6);
  CHECK_CLOSE(after.marks[1].u_from_line_mm, sqrt(2.0) * 0.005, 1e-6);
  assert_true(isnan(after.marks[3].from_line_mm) && isnan(after.marks[0].from_line_mm));
  CHECK_CLOSE(after.saw_mean_mm, 0.03, 1e-6);
  CHECK_CLOSE(after.saw_sd_mm, 0.04 / sqrt(2.0), 1e-6);
  after.square_fret = 7.0; /* now fanned */
  assert_int_equal(sp_record_compare_before(&after, path, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "not fanned as this board's are"));
  after.square_fret = NAN;
  after.scale_length_mm = 401.0;
  assert_int_equal(sp_record_compare_before(&after, path, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "400 mm, not 401 mm"));
  assert_int_equal(remove(path), 0);
  assert_int_equal(sp_record_compare_before(&after, path, &err), SP_E_NOINPUT);
  sp_record_free(&before);
  sp_record_free(&after);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(believed), cmocka_unit_test(refused),           cmocka_unit_test(cut_off),
      cmocka_unit_test(endless),  cmocka_unit_test(saw_against_lines),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
