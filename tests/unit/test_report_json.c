/* The written JSON, read back with another parser's eyes: every field of the record is there and means what it should.
 */
#include "check_close.h"

#include <cjson/cJSON.h>
#include <string.h>

#include "report_board.h"
#include "report_written.h"
#include "slotproof/report.h"

static cJSON *parsed(record_writer write, const sp_record *record)
{
  char *text = written(write, record);
  assert_non_null(text);
  cJSON *root = cJSON_Parse(text);
  assert_non_null(root);
  free(text);
  return root;
}

static const cJSON *member(const cJSON *object, const char *name)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
  if (!item)
    fprintf(stderr, "no member %s\n", name);
  assert_non_null(item);
  return item;
}

/* The member is `expected` within `tolerance`, or null where that is NAN. */
static void check_number(const cJSON *object, const char *name, double expected, double tolerance)
{
  const cJSON *item = member(object, name);
  if (isnan(expected)) {
    if (!cJSON_IsNull(item))
      fprintf(stderr, "%s should be null\n", name);
    assert_true(cJSON_IsNull(item));
    return;
  }
  assert_true(cJSON_IsNumber(item));
  check_close_(item->valuedouble, expected, tolerance, name, __FILE__, __LINE__);
}

static void check_text(const cJSON *object, const char *name, const char *expected)
{
  const cJSON *item = member(object, name);
  assert_true(cJSON_IsString(item));
  assert_string_equal(item->valuestring, expected);
}

static void check_point(const cJSON *object, const char *name, sp_point expected)
{
  const cJSON *item = member(object, name);
  if (isnan(expected.x)) {
    assert_true(cJSON_IsNull(item));
    return;
  }
  assert_int_equal(cJSON_GetArraySize(item), 2);
  CHECK_CLOSE(cJSON_GetArrayItem(item, 0)->valuedouble, expected.x, 5.1e-5);
  CHECK_CLOSE(cJSON_GetArrayItem(item, 1)->valuedouble, expected.y, 5.1e-5);
}

static const double MM = 5.1e-8; /* half the last digit written */

static void check_mark(const cJSON *o, const sp_mark_record *m)
{
  const double f = m->found ? 0.0 : NAN; /* adds nothing, or makes the expected value unknown */
  const sp_point nowhere = {NAN, NAN};
  check_number(o, "fret", m->fret, 0.0);
  check_text(o, "state", m->found ? "found" : "missing");
  check_text(o, "verdict", sp_verdict_word(m->verdict));
  check_number(o, "layout_mm", m->layout_mm, MM);
  check_number(o, "x_mm", m->x_mm + f, MM);
  check_number(o, "error_mm", m->error_mm + f, MM);
  check_number(o, "u_mm", m->u_mm + f, MM);
  check_number(o, "expanded_u_mm", m->expanded_u_mm + f, MM);
  check_number(o, "error_cents", m->error_cents + f, 5.1e-7);
  check_number(o, "expanded_u_cents", m->expanded_u_cents + f, 5.1e-7);
  check_number(o, "squareness_deg", m->squareness_deg + f, 5.1e-7);
  check_number(o, "u_squareness_deg", m->u_squareness_deg + f, 5.1e-7);
  check_number(o, "width_mm", m->width_mm + f, MM);
  check_number(o, "u_width_mm", m->u_width_mm + f, MM);
  check_number(o, "contrast", m->contrast + f, 5.1e-7);
  check_number(o, "coverage", m->coverage + f, 5.1e-7);
  check_number(o, "recut_mm", m->recut_mm + f, MM);
  check_point(o, "end_a_px", m->found ? m->end_a_px : nowhere);
  check_point(o, "end_b_px", m->found ? m->end_b_px : nowhere);
  check_point(o, "centre_px", m->found ? m->centre_px : nowhere);
  assert_int_equal(cJSON_IsNull(member(o, "bass_edge")), !m->edges_known);
  assert_int_equal(cJSON_IsNull(member(o, "line_verdict")), !m->edges_known);
  if (m->edges_known) {
    const cJSON *edge = member(o, "treble_edge");
    check_number(edge, "y_mm", m->edge[SP_TREBLE].y_mm, MM);
    check_number(edge, "error_mm", m->edge[SP_TREBLE].error_mm, MM);
    check_number(edge, "u_mm", m->edge[SP_TREBLE].u_mm, MM);
    check_number(edge, "error_cents", m->edge[SP_TREBLE].error_cents, 5.1e-7);
    check_number(edge, "scale_length_mm", m->edge[SP_TREBLE].scale_length_mm, MM);
    check_point(edge, "at_px", m->edge[SP_TREBLE].at_px);
    check_text(edge, "verdict", "within");
    check_text(o, "line_verdict", "undecided");
  }
  check_number(member(o, "budget"), "line_mm", m->budget.line_mm + f, MM);
  check_number(member(o, "budget"), "map_mm", m->budget.map_mm + f, MM);
  check_number(member(o, "budget"), "datum_mm", m->budget.datum_mm + f, MM);
  check_number(member(o, "budget"), "rule_mm", m->budget.rule_mm + f, MM);
  check_number(member(o, "budget"), "temperature_mm", m->budget.temperature_mm + f, MM);
}

/* A slot that is known has every field and its troubles in words; one that is not is null. */
static void test_slot(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  r.marks[4].edges_known = true;
  r.marks[4].line_verdict = SP_UNDECIDED;
  r.marks[4].edge[SP_TREBLE] =
      (sp_edge_record){1.5, -22.25, 1.25, 400.0, 0.25, 1.5, 0.02, 0.04, 0.2, {3.5, 4.25}, SP_WITHIN};
  sp_slot_record *s = &r.marks[2].slot;
  *s = sp_slot_unknown();
  s->known = true;
  s->widening_mm = -0.0125;
  s->wall_squareness_deg[1] = 0.25;
  s->wander_worst_px = (sp_point){12.5, 7.0};
  s->troubles = SP_SLOT_WIDENS | SP_SLOT_LOOSE;
  r.marks[9].slot = *s; /* a mark that is missing */
  cJSON *root = parsed(sp_report_json, &r);
  const cJSON *marks = member(root, "marks"), *slot = member(cJSON_GetArrayItem(marks, 2), "slot");
  check_number(slot, "widening_mm", -0.0125, MM);
  check_number(slot, "bridge_wall_squareness_deg", 0.25, 5.1e-7);
  assert_true(cJSON_IsNull(member(slot, "nut_wall_squareness_deg")) && cJSON_IsNull(member(slot, "kerf_a_mm")));
  check_point(slot, "wander_worst_px", s->wander_worst_px);
  const cJSON *troubles = member(slot, "troubles");
  assert_int_equal(cJSON_GetArraySize(troubles), 2);
  assert_string_equal(cJSON_GetArrayItem(troubles, 0)->valuestring, "widens");
  assert_string_equal(cJSON_GetArrayItem(troubles, 1)->valuestring, "loose");
  assert_true(cJSON_IsNull(member(cJSON_GetArrayItem(marks, 1), "slot")));
  assert_true(cJSON_IsNull(member(cJSON_GetArrayItem(marks, 9), "slot")));
  cJSON_Delete(root);
  sp_record_free(&r);
}

static void check_reference(const cJSON *root, const sp_reference_record *r)
{
  const cJSON *o = member(root, "reference");
  check_text(o, "kind", sp_reference_word(r->kind));
  check_number(o, "graduation_mm", r->graduation_mm, MM);
  check_number(o, "graduations_used", (double)r->graduations_used, 0.0);
  check_number(o, "px_per_mm", r->px_per_mm, 1e-9);
  check_number(o, "px_per_mm_across", r->px_per_mm_across, 1e-9);
  check_number(o, "fit_rms_mm", r->fit_rms_mm, MM);
  check_number(o, "span_mm", r->span_mm, MM);
  check_number(o, "mpe_mm", r->mpe_mm, MM);
  check_number(o, "skew_deg", r->skew_deg, 5.1e-7);
  check_number(o, "carriage_rms_mm", r->carriage_rms_mm, MM);
  assert_true(cJSON_IsNull(member(o, "profile"))); /* none was used; with one: test_record_parse */
  check_point(o, "first_px", r->first_px);
  check_point(o, "last_px", r->last_px);
  assert_int_equal(cJSON_IsTrue(member(o, "graduation_told")), r->graduation_told);
}

static void check_head(const cJSON *root, const sp_record *r)
{
  check_text(root, "schema", "slotproof/record/1");
  const cJSON *source = member(root, "source");
  assert_int_equal(cJSON_GetArraySize(source), r->source_count);
  check_text(cJSON_GetArrayItem(source, 0), "file", r->sources[0].file);
  check_number(cJSON_GetArrayItem(source, 0), "width_px", r->sources[0].width_px, 0.0);
  check_number(cJSON_GetArrayItem(source, 0), "height_px", r->sources[0].height_px, 0.0);
  check_number(cJSON_GetArrayItem(source, 0), "stated_dpi", r->sources[0].stated_dpi, 5.1e-5);
  check_number(member(root, "layout"), "scale_length_mm", r->scale_length_mm, MM);
  check_number(member(root, "layout"), "frets", r->frets, 0.0);
  check_number(member(root, "layout"), "divisions", r->divisions, 0.0);
  check_text(root, "marks_kind", "knife");
  check_text(member(root, "datum"), "kind", "line");
  check_number(member(root, "datum"), "u_mm", r->datum_u_mm, MM);
  check_number(root, "tolerance_mm", r->tolerance_mm, MM);
  check_number(root, "tolerance_cents", r->tolerance_cents, 5.1e-7);
}

static void check_tail(const cJSON *root, const sp_record *r)
{
  const cJSON *stray = member(root, "stray"), *finding = member(root, "findings"), *fit = member(root, "fit");
  assert_int_equal(cJSON_GetArraySize(stray), 1);
  check_number(cJSON_GetArrayItem(stray, 0), "x_mm", r->strays[0].x_mm, MM);
  check_point(cJSON_GetArrayItem(stray, 0), "end_a_px", r->strays[0].end_a_px);
  check_point(cJSON_GetArrayItem(stray, 0), "end_b_px", r->strays[0].end_b_px);
  check_number(fit, "scale_length_mm", r->fit_scale_length_mm, MM);
  check_number(fit, "u_scale_length_mm", r->fit_u_scale_length_mm, MM);
  check_number(fit, "offset_mm", r->fit_offset_mm, MM);
  check_number(fit, "residual_rms_mm", r->fit_residual_rms_mm, MM);
  assert_int_equal(cJSON_GetArraySize(finding), 1);
  check_text(cJSON_GetArrayItem(finding, 0), "kind", r->findings[0].kind);
  check_text(cJSON_GetArrayItem(finding, 0), "text", r->findings[0].text);
  check_number(cJSON_GetArrayItem(finding, 0), "value", r->findings[0].value, MM);
  check_number(cJSON_GetArrayItem(finding, 0), "u_value", r->findings[0].u_value, MM);
  check_number(cJSON_GetArrayItem(finding, 0), "strength", r->findings[0].strength, 1e-6);
  check_text(root, "verdict", "out");
  assert_int_equal(cJSON_GetArraySize(member(root, "warnings")), 1);
  assert_string_equal(cJSON_GetArrayItem(member(root, "warnings"), 0)->valuestring, r->warnings[0]);
}

static void test_every_field(void **state)
{
  (void)state;
  for (int turned = 0; turned < 2; turned++) {
    sp_record r;
    assert_true(board_record(turned, &r));
    cJSON *root = parsed(sp_report_json, &r);
    const cJSON *marks = member(root, "marks");
    check_head(root, &r);
    check_reference(root, &r.reference);
    assert_int_equal(cJSON_GetArraySize(marks), BOARD_FRETS + 1);
    for (int i = 0; i <= BOARD_FRETS; i++)
      check_mark(cJSON_GetArrayItem(marks, i), &r.marks[i]);
    check_tail(root, &r);
    cJSON_Delete(root);
    sp_record_free(&r);
  }
}

/* No number, anywhere in the tree, may stand for "not known". */
static size_t count_numbers(const cJSON *item)
{
  size_t n = cJSON_IsNumber(item) ? 1 : 0;
  for (const cJSON *child = item->child; child; child = child->next)
    n += count_numbers(child);
  return n;
}

static void test_unknown_is_null(void **state)
{
  (void)state;
  sp_record r;
  sp_record_init(&r);
  cJSON *root = parsed(sp_report_json, &r);
  check_number(member(root, "reference"), "graduations_used", NAN, 0.0);
  check_number(member(root, "layout"), "divisions", NAN, 0.0);
  assert_int_equal(count_numbers(root), 1); /* the number of frets, which is told, not measured */
  assert_int_equal(cJSON_GetArraySize(member(root, "marks")), 0);
  check_text(root, "verdict", "undecided");
  cJSON_Delete(root);
  sp_record_free(&r);
}

static void test_infinite_is_null(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  r.datum_u_mm = INFINITY;
  r.marks[2].expanded_u_mm = -INFINITY;
  cJSON *root = parsed(sp_report_json, &r);
  check_number(member(root, "datum"), "u_mm", NAN, 0.0);
  check_number(cJSON_GetArrayItem(member(root, "marks"), 2), "expanded_u_mm", NAN, 0.0);
  cJSON_Delete(root);
  sp_record_free(&r);
}

/* A missing mark whose fields hold leftovers must not look measured. */
static void test_missing_mark_shows_no_measurement(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  assert_true(isfinite(r.marks[9].error_mm)); /* the hand-made record has left something there */
  cJSON *root = parsed(sp_report_json, &r);
  const cJSON *mark = cJSON_GetArrayItem(member(root, "marks"), 9);
  assert_int_equal(count_numbers(mark), 3); /* fret, layout_mm and layout_angle_deg */
  cJSON_Delete(root);
  sp_record_free(&r);
}

/* Names as they may lie on a disk: quotes, control characters, bytes that are no UTF-8. */
static void test_hostile_names(void **state)
{
  (void)state;
  static const struct {
    const char *name, *expected;
  } cases[] = {
      {"a\"b\\c.png", "a\"b\\c.png"},
      {"Brett \xc3\xa4.png", "Brett \xc3\xa4.png"},
      {"\xe6\x9c\xa8\xf0\x9f\x8e\xb8.png", "\xe6\x9c\xa8\xf0\x9f\x8e\xb8.png"},
      {"a\nb\x1b[31m", "a\xef\xbf\xbd"
                       "b\xef\xbf\xbd[31m"},
      {"\xff\xfe.png", "\xef\xbf\xbd\xef\xbf\xbd.png"},
      {"\xc0\xaf", "\xef\xbf\xbd\xef\xbf\xbd"},                 /* overlong '/' (RFC 3629, section 10) */
      {"\xed\xa0\x80", "\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd"}, /* a surrogate (RFC 3629, section 3) */
      {"\xf4\x90\x80\x80", "\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd"}, /* above U+10FFFF */
      {"cut \xe6\x9c", "cut \xef\xbf\xbd\xef\xbf\xbd"},
      {"\xc2\x9b"
       "1m",
       "\xef\xbf\xbd\xef\xbf\xbd"
       "1m"}, /* a C1 control */
  };
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    sp_record r;
    sp_record_init(&r);
    assert_int_equal(sp_record_add_source(&r, cases[i].name, 1, 1, NAN, NULL), SP_OK);
    cJSON *root = parsed(sp_report_json, &r);
    check_text(cJSON_GetArrayItem(member(root, "source"), 0), "file", cases[i].expected);
    cJSON_Delete(root);
    sp_record_free(&r);
  }
}

static void test_reference_object(void **state)
{
  (void)state;
  sp_record r;
  assert_true(board_record(false, &r));
  cJSON *root = parsed(sp_report_reference_json, &r);
  check_text(root, "schema", "slotproof/reference/1");
  check_reference(root, &r.reference);
  const cJSON *list = member(member(root, "reference"), "graduations");
  assert_int_equal(cJSON_GetArraySize(list), BOARD_GRADUATIONS);
  for (int i = 0; i < BOARD_GRADUATIONS; i += 20) {
    const cJSON *g = cJSON_GetArrayItem(list, i);
    check_number(g, "index", r.reference.graduations[i].index, 0.0);
    check_point(g, "at_px", r.reference.graduations[i].at_px);
    check_number(g, "residual_mm", r.reference.graduations[i].residual_mm, MM);
    assert_int_equal(cJSON_IsTrue(member(g, "used")), r.reference.graduations[i].used);
  }
  assert_null(cJSON_GetObjectItemCaseSensitive(root, "marks"));
  cJSON_Delete(root);
  sp_record_free(&r);
}

static void test_full_disk(void **state)
{
  (void)state;
  sp_record r;
  sp_error err = {0};
  FILE *full = fopen("/dev/full", "w"); /* a device of Linux that is always full */
  if (!full)
    skip();
  assert_true(board_record(false, &r));
  assert_int_equal(sp_report_json(&r, full, &err), SP_E_IO);
  assert_int_equal(err.status, SP_E_IO);
  assert_true(strlen(err.text) > 0);
  fclose(full);
  sp_record_free(&r);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_slot),
      cmocka_unit_test(test_every_field),
      cmocka_unit_test(test_unknown_is_null),
      cmocka_unit_test(test_infinite_is_null),
      cmocka_unit_test(test_missing_mark_shows_no_measurement),
      cmocka_unit_test(test_hostile_names),
      cmocka_unit_test(test_reference_object),
      cmocka_unit_test(test_full_disk),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
