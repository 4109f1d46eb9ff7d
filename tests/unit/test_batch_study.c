/* The gauge's study: the worked example of AIAG, Measurement Systems Analysis, 4th ed. 2010, told as scans of ten
 * boards, and tables that must be refused. */
#include "check_close.h"

#include <unistd.h>

#include "aiag_study.h"
#include "batch_boards.h"
#include "slotproof/batch.h"

static int number_of(int part, int appraiser, int trial)
{
  return (part * APPRAISERS + appraiser) * TRIALS + trial + 1;
}

/* Every fret carries the study's value, but fret 2 on one scan is missing. */
static void add_boards(sp_batch *batch)
{
  for (int p = 0; p < PARTS; p++)
    for (int a = 0; a < APPRAISERS; a++)
      for (int k = 0; k < TRIALS; k++) {
        double error[SHOP_FRETS + 1];
        char file[60];
        sp_record r;
        for (int f = 0; f <= SHOP_FRETS; f++)
          error[f] = f ? AIAG[a][k][p] : 0.0;
        if (p == 3 && a == 1 && k == 2)
          error[2] = NAN;
        assert_true(shop_record(number_of(p, a, k), error, &r));
        snprintf(file, sizeof file, "scans/board%d.png", number_of(p, a, k));
        assert_int_equal(sp_batch_add_record(batch, file, &r, NULL), SP_OK);
        sp_record_free(&r);
      }
}

static void put_study(const char *end)
{
  FILE *f = fopen("study.tmp", "wb");
  assert_non_null(f);
  fprintf(f, "part,file,appraiser,trial\r\n\r\n");
  for (int a = APPRAISERS - 1; a >= 0; a--) /* the order of lines must not matter */
    for (int p = 0; p < PARTS; p++)
      for (int k = 0; k < TRIALS; k++)
        fprintf(f, "\"board, no. %d\",%sboard%d.png,%c,%d\r\n", p, k ? "scans/" : "", number_of(p, a, k), "ABC"[a],
                k + 1);
  fputs(end, f);
  assert_int_equal(fclose(f), 0);
}

static void test_aiag(void **state)
{
  (void)state;
  sp_batch batch = {0};
  sp_error err = {0};
  add_boards(&batch);
  put_study("");
  assert_int_equal(sp_batch_read_study("study.tmp", &batch, &err), SP_OK);
  const sp_batch_study *s = &batch.study;
  assert_true(s->known);
  assert_int_equal(s->design.parts, PARTS);
  assert_int_equal(s->design.appraisers, APPRAISERS);
  assert_int_equal(s->design.trials, TRIALS);
  assert_int_equal(s->design.blocks, SHOP_FRETS - 1);
  assert_int_equal(s->fret[0], 1);
  assert_int_equal(s->fret[1], 3);
  CHECK_CLOSE(s->each[0].part.ss, 88.361934, 1e-6);
  CHECK_CLOSE(s->each[0].anova.grr, .302372, 2e-6);
  CHECK_CLOSE(s->each[0].anova.percent_grr, 27.861, 1e-3);
  CHECK_CLOSE(s->all.error.ss, 11.0 * 2.758933, 1e-5);
  CHECK_CLOSE(s->all.anova.grr, .302372, 2e-6);
  CHECK_CLOSE(s->tolerance_mm, 0.2, 0.0);
  assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
  assert_int_equal(batch.group[0].board_count, PARTS); /* one scan of each board counts in the rest */
  assert_int_equal(batch.warning_count, 0);
  sp_batch_free(&batch);
  unlink("study.tmp");
}

static void check_refused(const char *table, const char *says)
{
  sp_batch batch = {0};
  sp_error err = {0};
  FILE *f = fopen("study.tmp", "wb");
  assert_non_null(f);
  fputs(table, f);
  assert_int_equal(fclose(f), 0);
  add_boards(&batch);
  if (sp_batch_read_study("study.tmp", &batch, &err) != SP_E_DATA || !strstr(err.text, says))
    fprintf(stderr, "%s\n  gave: %s\n  wanted: %s\n", table, err.text, says);
  assert_int_equal(err.status, SP_E_DATA);
  assert_non_null(strstr(err.text, says));
  assert_non_null(strchr(err.text, ';'));
  assert_false(batch.study.known);
  sp_batch_free(&batch);
  unlink("study.tmp");
}

static void test_refused(void **state)
{
  (void)state;
  check_refused("", "no scans");
  check_refused("file,part\n", "no scans");
  check_refused("file,part,colour\n", "'colour' is no column");
  check_refused("file,file\n", "is no column");
  check_refused("file,trial\nboard1.png,1\n", "'part' is missing");
  check_refused("file,part\nboard1.png\n", "line 2 has 1 fields");
  check_refused("file,part\nboard1.png,\n", "line 2: file or part is empty");
  check_refused("file,part\n\nnone.png,a\n", "line 3: 'none.png' is not among the boards");
  check_refused("file,part\nboard1.png,a\nboard1.png,a\n", "stands in line 2 already");
  check_refused("file,part\nboard1.png,a\nboard2.png,b\n", "two scans or more");
  check_refused("file,part\nboard1.png,a\nboard2.png,a\nboard3.png,b\n", "equally often");
  check_refused("file,part,trial\nboard1.png,a,1\nboard2.png,a,1\n", "same part, appraiser and trial");
  check_refused("file,part\nboard1.png,a\nscans/board1.png,a\n", "very same picture");
  check_refused("file,part\n\"board1.png,a\n", "quotation mark");
  check_refused("file,part\nboard1.png,\"a\"b\n", "quotation mark");
}

/* One person, one board: no appraiser column is needed. */
static void test_repeatability_alone(void **state)
{
  (void)state;
  sp_batch batch = {0};
  FILE *f = fopen("study.tmp", "wb");
  assert_non_null(f);
  fprintf(f, "file,part\nboard1.png,x\nboard2.png,x\nboard3.png,x\n");
  assert_int_equal(fclose(f), 0);
  add_boards(&batch);
  assert_int_equal(sp_batch_read_study("study.tmp", &batch, NULL), SP_OK);
  const double mean = (.29 + .41 + .64) / 3.0;
  const double variance = (pow(.29 - mean, 2) + pow(.41 - mean, 2) + pow(.64 - mean, 2)) / 2.0;
  CHECK_CLOSE(batch.study.all.anova.ev, sqrt(variance), 1e-9);
  assert_true(isnan(batch.study.all.anova.av) && isnan(batch.study.all.anova.pv));
  sp_batch_free(&batch);
  unlink("study.tmp");
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_aiag), cmocka_unit_test(test_refused),
                                     cmocka_unit_test(test_repeatability_alone)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
