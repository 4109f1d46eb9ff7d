/* The main job as one call, on pictures written to files: a whole board with rule, and everything that can be amiss.
 *
 * The board is an invention of a toy's size (scale length 140 mm, 12 frets) so that 300 dpi make a small picture. Exit
 * statuses: 0 within, 1 out, 2 undecided; 65 picture not usable, 66 not found (sysexits(3)). */
#include "drawing.h"

#include <unistd.h>

#include "slotproof/check.h"
#include "test_reading_pictures.h"

enum { FRETS = 12 };
static const double SCALE_MM = 140.0, PX_PER_MM = 11.84, NUT_PX = 75.3, CENTRE_PX = 210.0, HALF_PX = 165.0;

typedef struct scan {
  double error_mm[FRETS + 1], lean_deg[FRETS + 1]; /* lean: right end (from nut to bridge) nearer the bridge */
  bool missing[FRETS + 1], rule, turned;           /* turned: stands on end, the nut at the bottom */
  bool wide;                                       /* the board fills the picture across: no long side in it */
  double kerf_mm, more_mm[FRETS + 1];              /* sawn slots; sawn anew so much nearer the bridge, without a gap */
} scan;

static double layout_mm(int fret)
{
  return SCALE_MM * (1.0 - pow(2.0, -fret / 12.0));
}

static sp_raster draw_scan(const scan *s)
{
  drawing d = drawing_new(1020, 600, 236.0);
  chance dice = {99};
  draw_area(&d, &(drawn_area){.u_a = NUT_PX - 40.0,
                              .u_b = 975.0,
                              .v_a = s->wide ? -1e3 : CENTRE_PX - HALF_PX,
                              .v_b = s->wide ? 2e3 : CENTRE_PX + HALF_PX,
                              .blur = 0.9,
                              .height = -110.0});
  for (int k = 0; k <= FRETS; k++)
    if (!s->missing[k])
      draw_mark(&d, &(drawn_mark){.at = NUT_PX + PX_PER_MM * (layout_mm(k) + s->error_mm[k] + 0.5 * s->more_mm[k]),
                                  .v_ref = CENTRE_PX,
                                  .slope = tan(s->lean_deg[k] / 57.29577951308232),
                                  .v_a = CENTRE_PX - HALF_PX,
                                  .v_b = CENTRE_PX + HALF_PX,
                                  .width = s->kerf_mm > 0.0 ? PX_PER_MM * (s->kerf_mm + s->more_mm[k]) : 1.4,
                                  .blur = 0.9,
                                  .height = -70.0});
  for (int k = 0; k <= 80 && s->rule; k++)
    draw_mark(&d, &(drawn_mark){.at = 35.7 + PX_PER_MM * k,
                                .v_a = 440.0,
                                .v_b = 440.0 + PX_PER_MM * (k % 10 == 0  ? 6.0
                                                            : k % 5 == 0 ? 4.5
                                                                         : 3.0),
                                .width = 1.6,
                                .blur = 0.9,
                                .height = -160.0});
  draw_noise(&d, 2.0, &dice);
  /* the picture turned by a quarter: u runs backward, then up the picture */
  for (int32_t v = 0; v < d.breadth && s->turned; v++)
    for (int32_t u = 0; u < d.length / 2; u++) {
      double *a = &d.grey[v * d.length + u], *b = &d.grey[v * d.length + d.length - 1 - u];
      const double grey = *a;
      *a = *b;
      *b = grey;
    }
  const sp_raster r = drawing_raster(&d, s->turned ? SP_ALONG_Y : SP_ALONG_X, 8);
  drawing_free(&d);
  return r;
}

/* Writes the picture as PNG with the resolution given (0: none) and frees it. */
static void write_picture(const char *path, sp_raster *r, double dpi)
{
  const uint32_t per_metre = (uint32_t)lround(dpi / 0.0254);
  blob b = make_png(&(png_spec){.width = r->width_px,
                                .height = r->height_px,
                                .colour = PNG_COLOR_TYPE_GRAY,
                                .bits = 8,
                                .rows = r->u8,
                                .row_bytes = r->width_px,
                                .per_metre_x = per_metre,
                                .per_metre_y = per_metre});
  FILE *f = fopen(path, "wb");
  assert_non_null(f);
  assert_int_equal(fwrite(b.bytes, 1, b.size, f), b.size);
  assert_int_equal(fclose(f), 0);
  blob_free(&b);
  sp_raster_free(r);
}

static char *new_path(char path[32])
{
  snprintf(path, 32, "check-XXXXXX");
  const int fd = mkstemp(path);
  assert_true(fd >= 0);
  assert_int_equal(close(fd), 0);
  return path;
}

typedef struct job {
  sp_layout layout;
  sp_check_options options;
  sp_record record;
  sp_raster raster;
  sp_error err;
} job;

static void start(job *j)
{
  memset(j, 0, sizeof *j);
  assert_int_equal(sp_layout_equal(SCALE_MM, FRETS, 12, &j->layout, &j->err), SP_OK);
  sp_check_options_init(&j->options);
  sp_record_init(&j->record);
  j->options.layout = &j->layout;
  j->options.tolerance_mm = 0.1;
  j->options.reference.mpe_mm = 0.0;
}

static void finish(job *j)
{
  sp_raster_free(&j->raster);
  sp_record_free(&j->record);
  sp_layout_free(&j->layout);
}

static sp_status check_scan(job *j, const scan *s, double dpi)
{
  char path[32];
  sp_raster r = draw_scan(s);
  write_picture(new_path(path), &r, dpi);
  const sp_status status = sp_check_picture(path, &j->options, &j->record, &j->raster, &j->err);
  assert_int_equal(unlink(path), 0);
  return status;
}

static bool warned(const sp_record *r, const char *words)
{
  for (size_t i = 0; i < r->warning_count; i++)
    if (strstr(r->warnings[i], words))
      return true;
  return false;
}

/* ---- options and exit status ---- */

static void defaults(void **unused)
{
  (void)unused;
  sp_check_options o;
  memset(&o, 0xa5, sizeof o);
  sp_check_options_init(&o);
  assert_null(o.layout);
  assert_int_equal(o.marks, SP_MARK_KNIFE);
  assert_int_equal(o.nut, SP_NUT_AUTO);
  assert_int_equal(o.reference.kind, SP_REFERENCE_NONE);
  assert_true(isnan(o.reference.graduation_mm) && isnan(o.reference.mpe_mm) && isnan(o.reference.distance_mm));
  assert_true(isnan(o.reference.from_px.x) && isnan(o.reference.from_px.y) && isnan(o.reference.to_px.x));
  assert_true(isnan(o.tolerance_mm) && isnan(o.tolerance_cents) && isnan(o.temperature_c));
  CHECK_CLOSE(SP_DEFAULT_TOLERANCE_MM, 0.2, 0.0);
}

static void exit_statuses(void **unused)
{
  (void)unused;
  sp_record r;
  sp_record_init(&r);
  r.verdict = SP_WITHIN;
  assert_int_equal(sp_check_exit_status(&r), 0);
  r.verdict = SP_OUT;
  assert_int_equal(sp_check_exit_status(&r), 1);
  r.verdict = SP_UNDECIDED;
  assert_int_equal(sp_check_exit_status(&r), 2);
  r.verdict = SP_MISSING;
  assert_int_equal(sp_check_exit_status(&r), 2);
  sp_record_free(&r);
}

/* ---- whole boards ---- */

static void check_errors(const job *j, const scan *s, double most_u_mm)
{
  const sp_record *r = &j->record;
  assert_int_equal(r->mark_count, FRETS + 1);
  assert_int_equal(r->stray_count, 0);
  for (int k = 0; k <= FRETS; k++) {
    const sp_mark_record *m = &r->marks[k];
    assert_int_equal(m->found, !s->missing[k]);
    if (!m->found)
      continue;
    CHECK_CLOSE(m->error_mm, s->error_mm[k] - s->error_mm[0], 0.01); /* an eighth of a pixel */
    CHECK_CLOSE(m->layout_mm, layout_mm(k), 1e-9);
    CHECK_BELOW(fabs(m->error_mm - s->error_mm[k]), m->expanded_u_mm * 2.0 + 1e-12);
    CHECK_BELOW(m->expanded_u_mm, most_u_mm);
    CHECK_CLOSE(m->squareness_deg, s->lean_deg[k], 0.05);
  }
}

static void a_good_board_is_within(void **unused)
{
  (void)unused;
  for (int turned = 0; turned < 2; turned++) {
    job j;
    start(&j);
    const scan s = {.rule = true,
                    .turned = turned,
                    .error_mm = {0, 0.02, -0.03, 0.01, 0, 0.03, -0.01, 0, 0.02, 0, -0.03, 0.01, 0},
                    .lean_deg = {[3] = 0.3, [8] = -0.2}};
    if (check_scan(&j, &s, 300.0) != SP_OK)
      fail_msg("%s", j.err.text);
    check_errors(&j, &s, 0.04);
    assert_int_equal(j.record.verdict, SP_WITHIN);
    assert_int_equal(sp_check_exit_status(&j.record), 0);
    assert_int_equal(j.record.reference.kind, SP_REFERENCE_RULE);
    CHECK_CLOSE(j.record.reference.graduation_mm, 1.0, 0.0);
    CHECK_CLOSE(j.record.reference.px_per_mm, PX_PER_MM, 1e-3);
    CHECK_CLOSE(j.record.scale_length_mm, SCALE_MM, 0.0);
    assert_int_equal(j.record.source_count, 1);
    assert_int_equal(j.record.sources[0].width_px, turned ? 600 : 1020);
    CHECK_CLOSE(j.record.sources[0].stated_dpi, 300.0, 0.01);
    assert_int_equal(j.raster.width_px, turned ? 600 : 1020); /* handed over for drawing */
    assert_false(j.record.tolerance_default);
    finish(&j);
  }
}

/* No long side in the picture: said, and squareness carries it; the places hardly depend on it. */
static void sides_that_do_not_show(void **unused)
{
  (void)unused;
  for (int wide = 0; wide < 2; wide++) {
    job j;
    start(&j);
    const scan s = {.rule = true, .wide = wide};
    assert_int_equal(check_scan(&j, &s, 300.0), SP_OK);
    assert_int_equal(warned(&j.record, "long side of the board does not show"), wide);
    for (int k = 0; k <= FRETS; k++) {
      const sp_mark_record *m = &j.record.marks[k];
      assert_true(m->found);
      CHECK_CLOSE(m->squareness_deg, 0.0, 3.0 * m->u_squareness_deg);
      CHECK_CLOSE(m->error_mm, 0.0, 0.04);
      assert_int_equal(m->u_squareness_deg > 0.09, wide);
    }
    finish(&j);
  }
}

static void a_fret_out_of_place_is_out(void **unused)
{
  (void)unused;
  job j;
  start(&j);
  scan s = {.rule = true};
  s.error_mm[7] = -0.4;
  assert_int_equal(check_scan(&j, &s, 0.0), SP_OK);
  check_errors(&j, &s, 0.04);
  for (int k = 0; k <= FRETS; k++)
    assert_int_equal(j.record.marks[k].verdict, k == 7 ? SP_OUT : SP_WITHIN);
  CHECK_CLOSE(j.record.marks[7].recut_mm, 0.4, 0.01);
  assert_int_equal(sp_check_exit_status(&j.record), 1);
  assert_true(isnan(j.record.sources[0].stated_dpi)); /* the file states none */
  finish(&j);
}

/* The last slot was sawn twice, the two overlap: its place is in doubt as far as from wall to wall, and that is said. A
 * nut's slot as broad may be so by design. */
static void a_slot_sawn_twice_is_doubted(void **unused)
{
  (void)unused;
  for (int fret = 0; fret <= FRETS; fret += FRETS) {
    scan s = {.rule = true, .kerf_mm = 0.5};
    job j;
    start(&j);
    j.options.marks = SP_MARK_SLOT;
    j.options.nut = SP_NUT_LINE;
    s.more_mm[fret] = 0.4;
    assert_int_equal(check_scan(&j, &s, 300.0), SP_OK);
    assert_int_equal(j.record.mark_count, FRETS + 1);
    const sp_mark_record *last = &j.record.marks[FRETS];
    assert_int_equal(j.record.warning_count, fret ? 1 : 0);
    if (fret) {
      assert_non_null(strstr(j.record.warnings[0], "it may be two beside each other"));
      CHECK_BELOW(0.35, last->expanded_u_mm);
      CHECK_BELOW(fabs(last->error_mm), last->expanded_u_mm);
    } else {
      CHECK_BELOW(last->expanded_u_mm, 0.05);
    }
    finish(&j);
  }
}

static void a_missing_fret_leaves_it_undecided(void **unused)
{
  (void)unused;
  job j;
  start(&j);
  scan s = {.rule = true};
  s.missing[4] = true;
  j.options.tolerance_mm = NAN; /* the default comes in, and is said to be one */
  assert_int_equal(check_scan(&j, &s, 300.0), SP_OK);
  check_errors(&j, &s, 0.04);
  assert_int_equal(j.record.marks[4].verdict, SP_MISSING);
  assert_int_equal(sp_check_exit_status(&j.record), 2);
  assert_true(j.record.tolerance_default);
  CHECK_CLOSE(j.record.tolerance_mm, SP_DEFAULT_TOLERANCE_MM, 0.0);
  finish(&j);
}

/* Without a rule there is no scale: a warning, cents at most, no decision. A stated resolution is not taken for one. */
static void no_rule_is_no_scale(void **unused)
{
  (void)unused;
  job j;
  start(&j);
  const scan s = {.rule = false};
  assert_int_equal(check_scan(&j, &s, 300.0), SP_OK);
  assert_true(warned(&j.record, "no scale"));
  assert_int_equal(j.record.reference.kind, SP_REFERENCE_NONE);
  assert_true(isnan(j.record.reference.px_per_mm));
  assert_int_equal(sp_check_exit_status(&j.record), 2);
  for (size_t k = 0; k < j.record.mark_count; k++)
    assert_true(isnan(j.record.marks[k].error_mm) && isnan(j.record.marks[k].u_mm));
  finish(&j);
}

/* Asked for, the stated resolution serves, with a warning and an uncertainty of parts in a thousand. */
static void stated_resolution_on_request(void **unused)
{
  (void)unused;
  job j;
  start(&j);
  const scan s = {.rule = false};
  j.options.reference.kind = SP_REFERENCE_DPI;
  assert_int_equal(check_scan(&j, &s, 25.4 * PX_PER_MM), SP_OK);
  assert_true(warned(&j.record, "dpi"));
  check_errors(&j, &s, 0.5);
  CHECK_BELOW(70.0 * 0.001 * 2.0, j.record.marks[12].expanded_u_mm);
  finish(&j);
}

static void a_sheet_of_paper_has_no_marks(void **unused)
{
  (void)unused;
  job j;
  char path[32];
  start(&j);
  drawing d = drawing_new(900, 400, 230.0);
  sp_raster r = drawing_raster(&d, SP_ALONG_X, 8);
  drawing_free(&d);
  write_picture(new_path(path), &r, 300.0);
  assert_int_equal(sp_check_picture(path, &j.options, &j.record, NULL, &j.err), SP_OK);
  assert_int_equal(unlink(path), 0);
  assert_int_equal(sp_check_exit_status(&j.record), 2);
  assert_true(warned(&j.record, "no scale"));
  assert_true(warned(&j.record, "--marks slot"));
  for (size_t k = 0; k < j.record.mark_count; k++)
    assert_int_equal(j.record.marks[k].verdict, SP_MISSING);
  finish(&j);
}

/* ---- what cannot be read ---- */

static void a_missing_file(void **unused)
{
  (void)unused;
  job j;
  start(&j);
  assert_int_equal(sp_check_picture("no-such-picture.png", &j.options, &j.record, &j.raster, &j.err), SP_E_NOINPUT);
  assert_true(j.err.text[0] != '\0');
  assert_null(j.raster.u8);
  finish(&j);
}

static void a_file_that_is_no_picture(void **unused)
{
  (void)unused;
  job j;
  char path[32];
  start(&j);
  FILE *f = fopen(new_path(path), "wb");
  assert_non_null(f);
  assert_true(fputs("This is a letter, not a picture.\n", f) >= 0);
  assert_int_equal(fclose(f), 0);
  assert_int_equal(sp_check_picture(path, &j.options, &j.record, &j.raster, &j.err), SP_E_DATA);
  assert_int_equal(unlink(path), 0);
  assert_true(j.err.text[0] != '\0');
  finish(&j);
}

static void a_tiny_picture(void **unused)
{
  (void)unused;
  static const int32_t sizes[][2] = {{100, 100}, {199, 59}, {1000, 20}, {1, 1}};
  for (size_t i = 0; i < sizeof sizes / sizeof *sizes; i++) {
    job j;
    char path[32], words[40];
    start(&j);
    drawing d = drawing_new(sizes[i][0], sizes[i][1], 150.0);
    sp_raster r = drawing_raster(&d, SP_ALONG_X, 8);
    drawing_free(&d);
    write_picture(new_path(path), &r, 300.0);
    assert_int_equal(sp_check_picture(path, &j.options, &j.record, &j.raster, &j.err), SP_E_DATA);
    assert_int_equal(unlink(path), 0);
    snprintf(words, sizeof words, "%d x %d", (int)sizes[i][0], (int)sizes[i][1]);
    assert_non_null(strstr(j.err.text, words));
    assert_non_null(strstr(j.err.text, "600 dpi"));
    assert_null(j.raster.u8); /* nothing handed over on failure */
    finish(&j);
  }
}

/* ---- the scale alone ---- */

static void the_scale_alone(void **unused)
{
  (void)unused;
  for (int rule = 0; rule < 2; rule++) {
    job j;
    char path[32];
    start(&j);
    sp_raster r = draw_scan(&(scan){.rule = rule});
    write_picture(new_path(path), &r, 300.0);
    assert_int_equal(sp_check_reference(path, &j.options.reference, &j.options.read, &j.record, NULL, &j.err), SP_OK);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(j.record.mark_count, 0);
    assert_int_equal(sp_check_exit_status(&j.record), rule ? 0 : 2);
    if (rule) {
      CHECK_CLOSE(j.record.reference.px_per_mm, PX_PER_MM, 1e-3);
      assert_int_equal(j.record.reference.graduation_count, 81);
      CHECK_CLOSE(j.record.reference.mpe_mm, 0.0, 0.0);
      assert_int_equal(j.record.warning_count, 0);
    } else {
      assert_true(warned(&j.record, "no scale"));
    }
    finish(&j);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(defaults),
      cmocka_unit_test(exit_statuses),
      cmocka_unit_test(a_good_board_is_within),
      cmocka_unit_test(sides_that_do_not_show),
      cmocka_unit_test(a_fret_out_of_place_is_out),
      cmocka_unit_test(a_slot_sawn_twice_is_doubted),
      cmocka_unit_test(a_missing_fret_leaves_it_undecided),
      cmocka_unit_test(no_rule_is_no_scale),
      cmocka_unit_test(stated_resolution_on_request),
      cmocka_unit_test(a_sheet_of_paper_has_no_marks),
      cmocka_unit_test(a_missing_file),
      cmocka_unit_test(a_file_that_is_no_picture),
      cmocka_unit_test(a_tiny_picture),
      cmocka_unit_test(the_scale_alone),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
