/* What the boards say together: against figures worked out by hand, GSL, and boards drawn with known components. */
#include "check_close.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_statistics.h>

#include "batch_boards.h"
#include "report_written.h"
#include "slotproof/batch.h"

static void add(sp_batch *batch, int number, const double *error_mm)
{
  sp_record r;
  char file[40];
  assert_true(shop_record(number, error_mm, &r));
  snprintf(file, sizeof file, "scans/board%d.png", number);
  assert_int_equal(sp_batch_add_record(batch, file, &r, NULL), SP_OK);
  sp_record_free(&r);
}

static void draw(gsl_rng *rng, double common, const double *jig, double nut, double hand, double *error_mm)
{
  const double shift = gsl_ran_gaussian(rng, hypot(nut, SHOP_U_NUT_MM));
  error_mm[0] = 0.0;
  for (int k = 1; k <= SHOP_FRETS; k++)
    error_mm[k] = common + jig[k] + shift + gsl_ran_gaussian(rng, hypot(hand, SHOP_U_LINE_MM));
}

/* Mean, scatter, capability, hand of each fret from ten boards, against GSL. */
static void test_frets(void **state)
{
  (void)state;
  enum { BOARDS = 10 };
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  double error[BOARDS][SHOP_FRETS + 1], jig[SHOP_FRETS + 1] = {0};
  sp_batch batch = {0};
  assert_non_null(rng);
  gsl_rng_set(rng, 3);
  jig[5] = 0.15; /* a jig that puts fret 5 in a wrong place */
  for (int b = 0; b < BOARDS; b++) {
    draw(rng, 0.0, jig, 0.02, 0.03, error[b]);
    if (b == 4)
      error[b][7] = NAN;
    add(&batch, b + 1, error[b]);
  }
  gsl_rng_free(rng);
  assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
  assert_int_equal(batch.group_count, 1);
  const sp_batch_group *g = &batch.group[0];
  assert_int_equal(g->board_count, BOARDS);
  for (int k = 1; k <= SHOP_FRETS; k++) {
    const sp_batch_fret *f = &g->fret[k - 1];
    double x[BOARDS];
    size_t n = 0;
    for (int b = 0; b < BOARDS; b++)
      if (isfinite(error[b][k]))
        x[n++] = error[b][k];
    assert_int_equal(f->error.n, n);
    assert_int_equal(f->missing, BOARDS - n);
    CHECK_CLOSE(f->error.mean, gsl_stats_mean(x, 1, n), 1e-12);
    CHECK_CLOSE(f->error.sd, gsl_stats_sd(x, 1, n), 1e-12);
    const double own = SHOP_U_LINE_MM * SHOP_U_LINE_MM + SHOP_U_NUT_MM * SHOP_U_NUT_MM;
    CHECK_CLOSE(f->hand_sd_mm, sqrt(f->error.sd * f->error.sd - own), 1e-12);
    CHECK_CLOSE(f->capability.cpk, (0.2 - fabs(f->error.mean)) / (3.0 * f->error.sd), 1e-9);
    assert_int_equal(f->systematic, k == 5);
  }
  assert_int_equal(g->components.boards, BOARDS - 1); /* without the board that lacks a fret */
  sp_batch_free(&batch);
}

/* Many batches of boards with known components: they come out, the limits hold. A standard deviation of 1.1 % over 400
 * draws. The jig's pattern is drawn anew each time. */
static void test_components_hold(void **state)
{
  (void)state;
  enum { DRAWS = 400, BOARDS = 8 };
  const double nut = 0.05, hand = 0.03, jig_sd = 0.04, common = 0.02;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  int hold[3] = {0, 0, 0};
  double square[3] = {0, 0, 0}, shift = 0.0;
  assert_non_null(rng);
  gsl_rng_set(rng, 5);
  for (int d = 0; d < DRAWS; d++) {
    double error[SHOP_FRETS + 1], jig[SHOP_FRETS + 1];
    sp_batch batch = {0};
    for (int k = 0; k <= SHOP_FRETS; k++)
      jig[k] = gsl_ran_gaussian(rng, jig_sd);
    for (int b = 0; b < BOARDS; b++) {
      draw(rng, common, jig, nut, hand, error);
      add(&batch, b + 1, error);
    }
    assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
    const sp_batch_components *c = &batch.group[0].components;
    assert_true(c->known);
    square[0] += c->nut_sd_mm * c->nut_sd_mm / DRAWS;
    square[1] += c->hand_sd_mm * c->hand_sd_mm / DRAWS;
    square[2] += c->jig_sd_mm * c->jig_sd_mm / DRAWS;
    shift += c->common_mm / DRAWS;
    hold[0] += c->nut_limits.lower <= nut && nut <= c->nut_limits.upper;
    hold[1] += c->hand_limits.lower <= hand && hand <= c->hand_limits.upper;
    hold[2] += c->jig_limits.lower <= jig_sd && jig_sd <= c->jig_limits.upper;
    CHECK_CLOSE(c->line_sd_mm, SHOP_U_LINE_MM, 1e-12);
    CHECK_CLOSE(c->datum_sd_mm, SHOP_U_NUT_MM, 1e-12);
    CHECK_CLOSE(c->u_shared_mm, SHOP_U_RULE_MM, 1e-12);
    sp_batch_free(&batch);
  }
  gsl_rng_free(rng);
  CHECK_CLOSE(sqrt(square[0]), nut, 0.003);
  CHECK_CLOSE(sqrt(square[1]), hand, 0.001);
  CHECK_CLOSE(sqrt(square[2]), jig_sd, 0.0015);
  CHECK_CLOSE(shift, common, 4.0 * hypot(nut / sqrt(BOARDS), jig_sd / sqrt(SHOP_FRETS)) / sqrt(DRAWS));
  for (int k = 0; k < 3; k++)
    CHECK_CLOSE((double)hold[k] / DRAWS, 0.95, 0.04);
}

/* Work without a jig's error: a report names a fret as systematic in 1 of 20 cases at most (here less: the rule's doubt
 * is added, and no rule errs). */
static void test_systematic_by_chance(void **state)
{
  (void)state;
  enum { DRAWS = 400, BOARDS = 6 };
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  const double jig[SHOP_FRETS + 1] = {0};
  int named = 0;
  assert_non_null(rng);
  gsl_rng_set(rng, 6);
  for (int d = 0; d < DRAWS; d++) {
    double error[SHOP_FRETS + 1];
    sp_batch batch = {0};
    bool any = false;
    for (int b = 0; b < BOARDS; b++) {
      draw(rng, 0.0, jig, 0.02, 0.05, error);
      add(&batch, b + 1, error);
    }
    assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
    for (int k = 0; k < SHOP_FRETS; k++)
      any = any || batch.group[0].fret[k].systematic;
    named += any;
    sp_batch_free(&batch);
  }
  gsl_rng_free(rng);
  CHECK_BELOW((double)named / DRAWS, 0.07);
  assert_true(named > 0);
}

/* What a writer has written; free with free(). */
static char *told(const sp_batch *batch, sp_status (*write)(const sp_batch *, FILE *, sp_error *))
{
  FILE *file = tmpfile();
  char *text = calloc(1, 200000);
  assert_non_null(file);
  assert_non_null(text);
  assert_int_equal(write(batch, file, NULL), SP_OK);
  rewind(file);
  const size_t n = fread(text, 1, 199999, file);
  assert_true(n > 0 && n < 199999);
  assert_int_equal(fclose(file), 0);
  return text;
}

/* Three boards: one out, one undecided, one with a mark missing, one good: worst first, and the exit status. */
static void test_worst_first(void **state)
{
  (void)state;
  double good[SHOP_FRETS + 1] = {0}, out[SHOP_FRETS + 1] = {0}, unsure[SHOP_FRETS + 1] = {0},
                           lost[SHOP_FRETS + 1] = {0};
  sp_batch batch = {0};
  out[4] = -0.5;
  unsure[2] = 0.19;
  lost[9] = NAN;
  add(&batch, 1, good);
  add(&batch, 2, unsure);
  assert_int_equal(sp_batch_exit_status(&batch), 2);
  add(&batch, 3, out);
  add(&batch, 4, lost);
  assert_int_equal(sp_batch_exit_status(&batch), 1);
  assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
  char *text = told(&batch, sp_batch_text);
  assert_int_equal(strncmp(text, "OUT OF TOLERANCE: 1 of 4 boards has a fret out; 1 within, 2 undecided.", 70), 0);
  const char *at[4] = {strstr(text, "board3.png"), strstr(text, "board4.png"), strstr(text, "board2.png"),
                       strstr(text, "board1.png")};
  for (int i = 0; i < 4; i++)
    assert_non_null(at[i]);
  assert_true(at[0] < at[1] && at[1] < at[2] && at[2] < at[3]);
  assert_non_null(strstr(text, "  -0.500  0.030   fret 4"));
  for (char *line = strtok(text, "\n"); line; line = strtok(NULL, "\n"))
    assert_true(strlen(line) <= 100);
  free(text);
  sp_batch_free(&batch);
  assert_int_equal(sp_batch_exit_status(&batch), 2); /* nothing at all must not pass for good */
  add(&batch, 1, good);
  assert_int_equal(sp_batch_exit_status(&batch), 0);
  sp_batch_free(&batch);
}

/* The same picture under two names counts once, and that is said. */
static void test_doubles(void **state)
{
  (void)state;
  double error[SHOP_FRETS + 1] = {0};
  sp_batch batch = {0};
  add(&batch, 1, error);
  add(&batch, 2, error);
  add(&batch, 2, error);
  assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
  assert_int_equal(batch.group[0].board_count, 2);
  assert_int_equal(batch.board[2].same_as, 1);
  assert_int_equal(batch.warning_count, 1);
  assert_non_null(strstr(batch.warning[0], "counts once"));
  sp_batch_free(&batch);
}

/* Boards that are all alike, boards of other layouts, one alone: no figure where there is none. */
static void test_little_to_go_by(void **state)
{
  (void)state;
  double error[SHOP_FRETS + 1] = {0};
  sp_batch batch = {0};
  add(&batch, 1, error);
  assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
  const sp_batch_group *g = &batch.group[0];
  assert_true(isnan(g->fret[0].error.sd) && isnan(g->fret[0].hand_sd_mm) && isnan(g->fret[0].capability.cp));
  assert_true(!g->components.known && isnan(g->components.hand_sd_mm) && isnan(g->capability.cpk));
  for (int k = 0; k < SP_BATCH_CHARTS; k++)
    assert_int_equal(g->chart[k].count, 0);
  char *text = told(&batch, sp_batch_text), *json = told(&batch, sp_batch_json), *csv = told(&batch, sp_batch_csv);
  assert_null(strstr(text, "nan"));
  assert_null(strstr(json, "nan"));
  assert_null(strstr(csv, "nan"));
  free(text);
  free(json);
  free(csv);
  sp_batch_free(&batch);
}

static void test_two_layouts(void **state)
{
  (void)state;
  double error[SHOP_FRETS + 1] = {0};
  sp_batch batch = {0};
  sp_record r;
  add(&batch, 1, error);
  assert_true(shop_record(2, error, &r));
  r.scale_length_mm = 350.0;
  assert_int_equal(sp_batch_add_record(&batch, "other.png", &r, NULL), SP_OK);
  sp_record_free(&r);
  add(&batch, 3, error);
  assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
  assert_int_equal(batch.group_count, 2);
  CHECK_CLOSE(batch.group[0].scale_length_mm, 350.0, 0.0);
  assert_int_equal(batch.group[1].board_count, 2);
  sp_batch_free(&batch);
}

/* A shift of the work halfway shows in the charts. */
static void test_shift_shows(void **state)
{
  (void)state;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  double error[SHOP_FRETS + 1], jig[SHOP_FRETS + 1] = {0};
  sp_batch batch = {0};
  assert_non_null(rng);
  gsl_rng_set(rng, 11);
  for (int b = 0; b < 24; b++) {
    draw(rng, b < 12 ? 0.0 : 0.06, jig, 0.01, 0.03, error);
    add(&batch, b + 1, error);
  }
  gsl_rng_free(rng);
  assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
  const sp_chart *c = &batch.group[0].chart[SP_BATCH_CHART_MEAN];
  assert_int_equal(c->count, 24);
  unsigned early = 0, late = 0;
  for (size_t i = 0; i < 24; i++)
    *(i < 12 ? &early : &late) |= c->point[i].rules;
  assert_true(early & SP_RULE_EIGHT);
  assert_true(late & SP_RULE_FOUR_OF_5);
  assert_int_equal(batch.group[0].chart[SP_BATCH_CHART_MOVING].count, 23);
  sp_batch_free(&batch);
}

/* One fret alone moves, from the 13th board on: it is named, with that board, and no other. */
static void test_one_fret_moves(void **state)
{
  (void)state;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
  double error[SHOP_FRETS + 1], jig[SHOP_FRETS + 1] = {0};
  sp_batch batch = {0};
  assert_non_null(rng);
  gsl_rng_set(rng, 12);
  for (int b = 0; b < 24; b++) {
    jig[3] = b < 12 ? 0.0 : -0.15;
    draw(rng, 0.0, jig, 0.01, 0.03, error);
    if (b == 5)
      error[3] = NAN; /* a board that does not count here must not shift the place */
    add(&batch, b + 1, error);
  }
  gsl_rng_free(rng);
  assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
  for (int k = 1; k <= SHOP_FRETS; k++)
    assert_int_equal(batch.group[0].fret[k - 1].step_board, k == 3 ? 12 : SP_BATCH_NONE);
  CHECK_CLOSE(batch.group[0].fret[2].step_mm, -0.15, 3.0 * batch.group[0].fret[2].u_step_mm);
  char *text = told(&batch, sp_batch_text);
  assert_non_null(strstr(text, "fret 3: from board13.png on it lies 0.1"));
  free(text);
  sp_batch_free(&batch);
}

/* File names are hostile: no line breaks, no quotes out of place, no control characters. */
static void test_hostile_names(void **state)
{
  (void)state;
  double error[SHOP_FRETS + 1] = {0};
  sp_batch batch = {0};
  sp_record r;
  assert_true(shop_record(1, error, &r));
  assert_int_equal(sp_batch_add_record(&batch, "a\"b,c\nd\x1b[31m.png", &r, NULL), SP_OK);
  sp_record_free(&r);
  assert_int_equal(sp_batch_sum_up(&batch, NULL), SP_OK);
  char *text = told(&batch, sp_batch_text), *json = told(&batch, sp_batch_json), *csv = told(&batch, sp_batch_csv);
  assert_null(strchr(text, '\x1b'));
  assert_null(strchr(json, '\x1b'));
  assert_null(strchr(csv, '\x1b'));
  assert_non_null(strstr(csv, "\r\n\"a\"\"b,c"));
  free(text);
  free(json);
  free(csv);
  sp_batch_free(&batch);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_frets),
      cmocka_unit_test(test_components_hold),
      cmocka_unit_test(test_systematic_by_chance),
      cmocka_unit_test(test_worst_first),
      cmocka_unit_test(test_doubles),
      cmocka_unit_test(test_little_to_go_by),
      cmocka_unit_test(test_two_layouts),
      cmocka_unit_test(test_shift_shows),
      cmocka_unit_test(test_one_fret_moves),
      cmocka_unit_test(test_hostile_names),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
