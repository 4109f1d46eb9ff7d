/* A written record read back: the same, or refused. */
#include "check_close.h"

#include <string.h>
#include <unistd.h>

#include "report_board.h"
#include "report_written.h"
#include "slotproof/report.h"

static void same(double a, double b, double tolerance)
{
  if (isnan(a) || isnan(b))
    assert_true(isnan(a) && isnan(b));
  else
    CHECK_CLOSE(a, b, tolerance);
}

static void check_same_mark(const sp_mark_record *a, const sp_mark_record *b)
{
  assert_int_equal(a->fret, b->fret);
  assert_int_equal(a->found, b->found);
  assert_int_equal(a->verdict, b->verdict);
  same(a->layout_mm, b->layout_mm, 1e-7);
  if (!b->found)
    return;
  same(a->x_mm, b->x_mm, 1e-7);
  same(a->error_mm, b->error_mm, 1e-7);
  same(a->error_cents, b->error_cents, 1e-6);
  same(a->u_mm, b->u_mm, 1e-7);
  same(a->expanded_u_mm, b->expanded_u_mm, 1e-7);
  same(a->expanded_u_cents, b->expanded_u_cents, 1e-6);
  same(a->squareness_deg, b->squareness_deg, 1e-6);
  same(a->width_mm, b->width_mm, 1e-7);
  same(a->budget.line_mm, b->budget.line_mm, 1e-7);
  same(a->budget.map_mm, b->budget.map_mm, 1e-7);
  same(a->budget.datum_mm, b->budget.datum_mm, 1e-7);
  same(a->budget.rule_mm, b->budget.rule_mm, 1e-7);
  same(a->budget.temperature_mm, b->budget.temperature_mm, 1e-7);
  same(a->centre_px.x, b->centre_px.x, 1e-4);
  same(a->end_b_px.y, b->end_b_px.y, 1e-4);
  assert_int_equal(a->edges_known, b->edges_known);
  for (int e = 0; b->edges_known && e < SP_EDGES; e++) {
    assert_int_equal(a->edge[e].verdict, b->edge[e].verdict);
    assert_int_equal(a->line_verdict, b->line_verdict);
    same(a->edge[e].x_mm, b->edge[e].x_mm, 1e-7);
    same(a->edge[e].y_mm, b->edge[e].y_mm, 1e-7);
    same(a->edge[e].layout_mm, b->edge[e].layout_mm, 1e-7);
    same(a->edge[e].scale_length_mm, b->edge[e].scale_length_mm, 1e-7);
    same(a->edge[e].error_mm, b->edge[e].error_mm, 1e-7);
    same(a->edge[e].error_cents, b->edge[e].error_cents, 1e-6);
    same(a->edge[e].u_mm, b->edge[e].u_mm, 1e-7);
    same(a->edge[e].expanded_u_mm, b->edge[e].expanded_u_mm, 1e-7);
    same(a->edge[e].at_px.x, b->edge[e].at_px.x, 1e-4);
  }
}

/* A fan, and what was found at the edges. */
static void set_fan(sp_record *r)
{
  r->square_fret = 7.5;
  r->bass_scale_mm = 412.0;
  r->treble_scale_mm = 388.0;
  r->spread_nut_mm = 36.0;
  r->spread_saddle_mm = 52.0;
  r->left_handed = true;
  for (size_t i = 0; i < r->mark_count; i++) {
    sp_mark_record *m = &r->marks[i];
    m->edges_known = m->found;
    m->line_verdict = SP_OUT;
    for (int e = 0; e < SP_EDGES; e++)
      m->edge[e] = (sp_edge_record){m->x_mm + 0.5 * e, e ? 20.0 : -20.0, m->layout_mm, 412.0 - 24.0 * e,
                                    0.01,              0.4,              0.003,        0.006,
                                    0.2,               {1.5, 2.5},       e ? SP_OUT : SP_WITHIN};
  }
}

static void test_round_trip(void **state)
{
  (void)state;
  sp_record r, back;
  board_record(false, &r);
  memset(r.sources[0].sha256, 'a', 64);
  strcpy(r.reference.profile, "scanner.json");
  r.settings = strdup("--frets 12 --scale-length 400mm");
  set_fan(&r);
  char *text = written(sp_report_json, &r);
  assert_non_null(text);
  sp_record_init(&back);
  assert_int_equal(sp_record_parse(text, strlen(text), &back, NULL), SP_OK);
  assert_int_equal(back.mark_count, r.mark_count);
  for (size_t i = 0; i < r.mark_count; i++)
    check_same_mark(&back.marks[i], &r.marks[i]);
  assert_string_equal(back.sources[0].file, r.sources[0].file);
  assert_string_equal(back.sources[0].sha256, r.sources[0].sha256);
  assert_string_equal(back.settings, r.settings);
  assert_string_equal(back.reference.profile, "scanner.json");
  assert_true(back.version[0] != '\0');
  assert_int_equal(back.verdict, r.verdict);
  assert_int_equal(back.frets, r.frets);
  assert_int_equal(back.divisions, r.divisions);
  assert_int_equal(back.marks_kind, r.marks_kind);
  assert_int_equal(back.reference.kind, r.reference.kind);
  same(back.scale_length_mm, r.scale_length_mm, 1e-7);
  assert_true(back.left_handed);
  same(back.square_fret, 7.5, 1e-9);
  same(back.bass_scale_mm, 412.0, 1e-9);
  same(back.treble_scale_mm, 388.0, 1e-9);
  same(back.spread_nut_mm, 36.0, 1e-9);
  same(back.spread_saddle_mm, 52.0, 1e-9);
  same(back.tolerance_mm, r.tolerance_mm, 1e-7);
  same(back.tolerance_cents, r.tolerance_cents, 1e-7);
  same(back.fit_scale_length_mm, r.fit_scale_length_mm, 1e-7);
  same(back.datum_u_mm, r.datum_u_mm, 1e-7);
  assert_int_equal(back.warning_count, r.warning_count);
  assert_int_equal(back.finding_count, r.finding_count);
  free(text);
  sp_record_free(&r);
  sp_record_free(&back);
}

#define HEAD                                                                                                           \
  "{\"schema\":\"slotproof/record/1\",\"layout\":{\"scale_length_mm\":400,\"frets\":2},\"verdict\":\"within\","
#define MARK(n, more) "{\"fret\":" n ",\"state\":\"found\",\"layout_mm\":0,\"verdict\":\"within\"" more "}"

/* Whatever is not a sound record is refused as a whole and leaves nothing behind. */
static void test_refused(void **state)
{
  (void)state;
  static const char *const BAD[] = {
      "",
      "[]",
      "{",
      "{}",
      "null",
      "{\"schema\":\"slotproof/record/2\"}",
      HEAD "\"marks\":7}",
      HEAD "\"marks\":[7]}",
      HEAD "\"marks\":[" MARK("3", "") "]}",
      HEAD "\"marks\":[" MARK("-1", "") "]}",
      HEAD "\"marks\":[" MARK("0.5", "") "]}",
      HEAD "\"marks\":[" MARK("1", "") "," MARK("1", "") "]}",
      HEAD "\"marks\":[" MARK("1", ",\"u_mm\":-1") "]}",
      HEAD "\"marks\":[{\"fret\":1,\"state\":\"missing\",\"layout_mm\":0,\"verdict\":\"within\"}]}",
      HEAD "\"marks\":[{\"fret\":1,\"state\":\"found\",\"layout_mm\":0,\"verdict\":\"fine\"}]}",
      HEAD "\"marks\":[{\"fret\":1,\"state\":\"found\",\"layout_mm\":null,\"verdict\":\"within\"}]}",
      "{\"schema\":\"slotproof/record/"
      "1\",\"layout\":{\"scale_length_mm\":-4,\"frets\":2},\"verdict\":\"within\",\"marks\":[]}",
      "{\"schema\":\"slotproof/record/"
      "1\",\"layout\":{\"scale_length_mm\":400,\"frets\":2},\"verdict\":\"missing\",\"marks\":[]}",
  };
  for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
    sp_record r;
    sp_error err = {0};
    sp_record_init(&r);
    if (sp_record_parse(BAD[i], strlen(BAD[i]), &r, &err) != SP_E_DATA)
      fprintf(stderr, "taken for a record: %s\n", BAD[i]);
    assert_int_equal(err.status, SP_E_DATA);
    assert_non_null(strchr(err.text, ';'));
    assert_true(!r.marks && !r.sources && isnan(r.scale_length_mm));
  }
}

/* The least a record may be: what is missing is not known, and nothing becomes 0. */
static void test_sparse(void **state)
{
  (void)state;
  static const char TEXT[] = HEAD "\"marks\":[" MARK("1", "") "],\"beyond\":{\"later\":[1]}}";
  sp_record r;
  sp_record_init(&r);
  assert_int_equal(sp_record_parse(TEXT, strlen(TEXT), &r, NULL), SP_OK);
  assert_int_equal(r.mark_count, 1);
  assert_true(isnan(r.marks[0].error_mm) && isnan(r.marks[0].u_mm) && isnan(r.marks[0].budget.rule_mm));
  assert_true(isnan(r.tolerance_mm) && isnan(r.fit_scale_length_mm));
  assert_null(r.settings);
  sp_record_free(&r);
}

static void test_file(void **state)
{
  (void)state;
  sp_record r;
  sp_record_init(&r);
  assert_int_equal(sp_record_read("record-parse-none.tmp", &r, NULL), SP_E_NOINPUT);
  assert_int_equal(sp_record_read(".", &r, NULL), SP_E_NOINPUT);
  FILE *f = fopen("record-parse.tmp", "wb");
  assert_non_null(f);
  fputs(HEAD "\"marks\":[]}\n", f);
  assert_int_equal(fclose(f), 0);
  assert_int_equal(sp_record_read("record-parse.tmp", &r, NULL), SP_OK);
  assert_int_equal(r.frets, 2);
  sp_record_free(&r);
  unlink("record-parse.tmp");
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_round_trip), cmocka_unit_test(test_refused),
                                     cmocka_unit_test(test_sparse), cmocka_unit_test(test_file)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
