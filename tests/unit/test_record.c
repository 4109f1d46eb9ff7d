/* The record: starts as "nothing known", grows, frees. */
#include "check_close.h"

#include <string.h>

#include "slotproof/record.h"

static void test_starts_unknown(void **state)
{
  (void)state;
  sp_record r;
  memset(&r, 0x5a, sizeof r);
  sp_record_init(&r);
  const double values[] = {r.scale_length_mm,
                           r.datum_u_mm,
                           r.tolerance_mm,
                           r.tolerance_cents,
                           r.fit_scale_length_mm,
                           r.fit_u_scale_length_mm,
                           r.fit_offset_mm,
                           r.fit_residual_rms_mm,
                           r.nut_px.x,
                           r.nut_px.y,
                           r.bridgeward_px.x,
                           r.bridgeward_px.y,
                           r.outline_px[0].x,
                           r.outline_px[3].y,
                           r.reference.graduation_mm,
                           r.reference.px_per_mm,
                           r.reference.px_per_mm_across,
                           r.reference.fit_rms_mm,
                           r.reference.span_mm,
                           r.reference.mpe_mm,
                           r.reference.skew_deg,
                           r.reference.carriage_rms_mm,
                           r.reference.first_px.x,
                           r.reference.last_px.y};
  for (size_t i = 0; i < sizeof values / sizeof *values; i++)
    assert_true(isnan(values[i]));
  assert_true(r.source_count + r.mark_count + r.stray_count + r.finding_count + r.warning_count == 0);
  assert_null(r.sources);
  assert_null(r.warnings);
  assert_null(r.marks);
  assert_int_equal(r.verdict, SP_UNDECIDED); /* an empty record must not pass for a good board */
  assert_int_equal(r.reference.kind, SP_REFERENCE_NONE);
}

static void test_grows_and_frees(void **state)
{
  (void)state;
  sp_record r;
  char name[32] = "first.png", expected[64];
  sp_record_init(&r);
  assert_int_equal(sp_record_add_source(&r, name, 7000, 2000, 600.0, NULL), SP_OK);
  memset(name, 'x', 5); /* the record has its own copy */
  assert_int_equal(sp_record_add_source(&r, name, 1, 2, NAN, NULL), SP_OK);
  assert_string_equal(r.sources[0].file, "first.png");
  assert_string_equal(r.sources[1].file, "xxxxx.png");
  CHECK_CLOSE(r.sources[0].stated_dpi, 600.0, 0.0);
  assert_true(isnan(r.sources[1].stated_dpi));
  for (int i = 0; i < 50; i++)
    assert_int_equal(sp_record_warn(&r, NULL, "warning %d of %s", i, "fifty"), SP_OK);
  assert_int_equal(r.warning_count, 50);
  for (int i = 0; i < 50; i++) {
    snprintf(expected, sizeof expected, "warning %d of fifty", i);
    assert_string_equal(r.warnings[i], expected);
  }
  for (int i = 0; i < 3; i++) {
    const sp_finding f = {.kind = "test", .value = i, .u_value = NAN};
    assert_int_equal(sp_record_add_finding(&r, &f, NULL), SP_OK);
  }
  assert_int_equal(r.finding_count, 3);
  CHECK_CLOSE(r.findings[2].value, 2.0, 0.0);
  sp_record_free(&r);
  assert_int_equal(r.source_count + r.warning_count + r.finding_count, 0);
  assert_null(r.warnings);
  sp_record_free(&r); /* twice does no harm */
}

static void test_long_warning_is_kept_whole(void **state)
{
  (void)state;
  static char text[5001];
  sp_record r;
  memset(text, 'w', sizeof text - 1);
  sp_record_init(&r);
  assert_int_equal(sp_record_warn(&r, NULL, "%s", text), SP_OK);
  assert_string_equal(r.warnings[0], text);
  sp_record_free(&r);
}

static void test_words(void **state)
{
  (void)state;
  assert_string_equal(sp_verdict_word(SP_WITHIN), "within");
  assert_string_equal(sp_verdict_word(SP_OUT), "out");
  assert_string_equal(sp_verdict_word(SP_UNDECIDED), "undecided");
  assert_string_equal(sp_verdict_word(SP_MISSING), "missing");
  assert_string_equal(sp_mark_kind_word(SP_MARK_KNIFE), "knife");
  assert_string_equal(sp_mark_kind_word(SP_MARK_SLOT), "slot");
  assert_string_equal(sp_mark_kind_word(SP_MARK_WIRE), "wire");
  assert_string_equal(sp_datum_word(SP_DATUM_LINE), "line");
  assert_string_equal(sp_datum_word(SP_DATUM_END), "end");
  assert_string_equal(sp_datum_word(SP_DATUM_FIT), "fit");
  assert_string_equal(sp_reference_word(SP_REFERENCE_RULE), "rule");
  assert_string_equal(sp_reference_word(SP_REFERENCE_NONE), "none");
  assert_string_equal(sp_reference_word(SP_REFERENCE_DISTANCE), "distance");
  assert_string_equal(sp_reference_word(SP_REFERENCE_DPI), "dpi");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_starts_unknown),
      cmocka_unit_test(test_grows_and_frees),
      cmocka_unit_test(test_long_warning_is_kept_whole),
      cmocka_unit_test(test_words),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
