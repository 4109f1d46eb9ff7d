/* The page of a batch, read back by libxml2's parser: its numbers are those of the struct, worst first, every link
 * leads somewhere. Boards of an invented workshop (batch_boards.h). */
#include "check_close.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "batch_boards.h"
#include "page_tree.h"
#include "slotproof/batch.h"

/* Errors of board `number`: small and different each time; the callers add what they test. */
static void errors_of(int number, double e[SHOP_FRETS + 1])
{
  e[0] = 0.0;
  for (int k = 1; k <= SHOP_FRETS; k++)
    e[k] = 0.03 * sin(2.3 * number + 1.7 * k * k);
}

static void add(sp_batch *batch, int number, const char *file, const double *e)
{
  sp_record r;
  sp_error err = {0};
  assert_true(shop_record(number, e, &r));
  assert_int_equal(sp_batch_add_record(batch, file, &r, &err), SP_OK);
  sp_record_free(&r);
}

/* Free with free(). */
static char *page_of(const sp_batch *batch)
{
  char *text = NULL;
  size_t size = 0;
  sp_error err = {0};
  FILE *file = open_memstream(&text, &size);
  assert_non_null(file);
  assert_int_equal(sp_batch_html(batch, file, &err), SP_OK);
  assert_int_equal(fclose(file), 0);
  return text;
}

static page_tree tree_of_batch(const sp_batch *batch)
{
  char *text = page_of(batch);
  const page_tree t = tree_of(text);
  free(text);
  return t;
}

/* Twelve boards: the second has two frets out (3 and 7), the fifth one missing (12), the rest are good; and a file that
 * is no picture. */
static void make_batch(sp_batch *batch)
{
  sp_error err = {0};
  for (int i = 1; i <= 12; i++) {
    double e[SHOP_FRETS + 1];
    char file[40];
    errors_of(i, e);
    if (i == 2) {
      e[3] = 0.5;
      e[7] = -0.81;
    }
    if (i == 5)
      e[12] = NAN;
    snprintf(file, sizeof file, "scans/board%d.png", i);
    add(batch, i, file, e);
  }
  sp_error why = {.status = SP_E_DATA, .text = "is no picture; scan again"};
  add(batch, 13, "scans/<b>&broken.png", (double[SHOP_FRETS + 1]){0.0});
  sp_batch_board *last = &batch->board[batch->board_count - 1];
  last->status = why.status;
  last->trouble = strdup(why.text);
  assert_non_null(last->trouble);
  assert_int_equal(sp_batch_sum_up(batch, &err), SP_OK);
}

static void test_what_to_act_on_comes_first(void **state)
{
  (void)state;
  sp_batch batch = {0};
  make_batch(&batch);
  page_tree t = tree_of_batch(&batch);
  check_tree_text(&t, "(//h:h2)[1]", "Out of tolerance");
  check_tree_text(&t, "(//h:main//h:p)[1]",
                  "1 of 13 boards has a fret out; 10 within, 1 undecided, 1 could not be used.");
  check_tree_text(&t, "(//h:h2)[2]", "What to do");
  check_tree_text(&t, "//h:ul[contains(@class,'unusable')]/h:li/h:b", "<b>&broken.png");
  check_tree_text(&t, "//h:ul[contains(@class,'unusable')]/h:li/h:span", "Is no picture; scan again.");
  check_tree_text(&t, "(//h:h2)[3]", "Boards to work on, worst first");
  tree_free(&t);
  sp_batch_free(&batch);
}

static void test_worst_boards(void **state)
{
  (void)state;
  sp_batch batch = {0};
  make_batch(&batch);
  page_tree t = tree_of_batch(&batch);
  assert_int_equal(tree_count(&t, "//h:table[@id='worst']/h:tbody/h:tr"), 2);
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[1]/h:th", "board2.png");
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[1]/h:td[1]", "out");
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[1]/h:td[2]//h:li[1]", "fret 7 0.81\xc2\xa0\xe2\x86\x92");
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[1]/h:td[2]//h:li[2]",
                  "fret 3 \xe2\x86\x90\xc2\xa0"
                  "0.50");
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[1]/h:td[3]", "7");
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[1]/h:td[4]", "-0.810");
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[1]/h:td[5]", "0.030");
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[2]/h:th", "board5.png");
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[2]/h:td[2]//h:li[1]", "look for fret 12");
  assert_int_equal(tree_count(&t, "//h:ul[@class='columns']/h:li"), 10);
  tree_free(&t);
  sp_batch_free(&batch);
}

/* Every error of every board in its cell, in hundredths of a millimetre. */
static void test_map(void **state)
{
  (void)state;
  sp_batch batch = {0};
  make_batch(&batch);
  page_tree t = tree_of_batch(&batch);
  assert_int_equal(tree_count(&t, "//h:table[contains(@class,'map')]/h:tbody/h:tr"), 12);
  for (int i = 1; i <= 12; i++)
    for (int k = 1; k <= SHOP_FRETS; k++) {
      char where[160], expected[40];
      const double e = batch.board[i - 1].mark[k].error_mm, hundredths = round(100.0 * e);
      snprintf(where, sizeof where, "//h:table[contains(@class,'map')]/h:tbody/h:tr[%d]/h:td[%d]", i, k);
      snprintf(expected, sizeof expected,
               hundredths > 0.0   ? "+%.0f"
               : hundredths < 0.0 ? "\xe2\x88\x92%.0f"
                                  : "%.0f",
               fabs(hundredths));
      check_tree_text(&t, where, isnan(e) ? "\xc3\x97" : expected);
    }
  assert_int_equal(tree_count(&t, "//h:table[contains(@class,'map')]//h:td[contains(@class,' out')]"), 2);
  assert_int_equal(tree_count(&t, "//h:table[contains(@class,'map')]//h:td[contains(@class,'n3 out')]"), 1);
  tree_free(&t);
  sp_batch_free(&batch);
}

static void test_frets_and_charts(void **state)
{
  (void)state;
  sp_batch batch = {0};
  make_batch(&batch);
  const sp_batch_group *g = &batch.group[0];
  page_tree t = tree_of_batch(&batch);
  for (int k = 0; k < SHOP_FRETS; k++) {
    char where[160], expected[60];
    snprintf(where, sizeof where, "//h:table[@id='frets-table-1']/h:tbody/h:tr[%d]/h:td[4]", k + 1);
    snprintf(expected, sizeof expected, "%.3f", g->fret[k].error.sd);
    check_tree_text(&t, where, expected);
    snprintf(where, sizeof where, "//h:table[@id='frets-table-1']/h:tbody/h:tr[%d]/h:td[9]", k + 1);
    snprintf(expected, sizeof expected, "%.2f", g->fret[k].capability.cpk);
    check_tree_text(&t, where, expected);
  }
  for (int c = 0; c < SP_BATCH_CHARTS; c++) {
    static const char *const NAMES[SP_BATCH_CHARTS] = {"mean",       "moving-range", "weighted-mean",
                                                       "group-mean", "scatter",      "scale-length"};
    char where[200];
    size_t hits = 0;
    assert_true(g->chart[c].count > 0);
    for (size_t i = 0; i < g->chart[c].count; i++)
      hits += g->chart[c].point[i].rules != 0;
    snprintf(where, sizeof where, "//s:svg[s:title/@id='chart-%s-1-title']//s:circle[@class='dot']", NAMES[c]);
    assert_int_equal(tree_count(&t, where), g->chart[c].count);
    snprintf(where, sizeof where, "//s:svg[s:title/@id='chart-%s-1-title']//s:circle[@class='ring']", NAMES[c]);
    assert_int_equal(tree_count(&t, where), hits);
  }
  assert_true(tree_count(&t, "//s:circle[@class='ring']") > 0); /* board 2 stands out somewhere */
  tree_free(&t);
  sp_batch_free(&batch);
}

static void test_links_lead_somewhere(void **state)
{
  (void)state;
  sp_batch batch = {0};
  make_batch(&batch);
  page_tree t = tree_of_batch(&batch);
  assert_true(tree_count(&t, "//h:a") >= 12);
  assert_int_equal(tree_count(&t, "//h:a[not(substring(@href,2)=//@id)]"), 0);
  assert_int_equal(tree_count(&t, "//*[@id=preceding::*/@id]"), 0); /* each name once */
  assert_int_equal(tree_count(&t, "//h:script|//h:link|//@src|//s:image"), 0);
  tree_free(&t);
  sp_batch_free(&batch);
}

static void test_all_within(void **state)
{
  (void)state;
  sp_batch batch = {0};
  sp_error err = {0};
  for (int i = 1; i <= 4; i++) {
    double e[SHOP_FRETS + 1];
    char file[40];
    errors_of(i, e);
    snprintf(file, sizeof file, "board%d.png", i);
    add(&batch, i, file, e);
  }
  assert_int_equal(sp_batch_sum_up(&batch, &err), SP_OK);
  page_tree t = tree_of_batch(&batch);
  check_tree_text(&t, "(//h:h2)[1]", "Within tolerance");
  check_tree_text(&t, "(//h:main//h:p)[1]", "All 4 boards.");
  assert_int_equal(tree_count(&t, "//h:table[@id='worst']"), 0);
  assert_int_equal(tree_count(&t, "//h:p[@class='care']"), 0);
  check_tree_text(&t, "(//h:section[@id='charts-1']/h:p)[1]",
                  "Whether the work changes in the course of time can be told from 5 boards on.");
  tree_free(&t);
  sp_batch_free(&batch);
}

static void test_one_board(void **state)
{
  (void)state;
  sp_batch batch = {0};
  sp_error err = {0};
  double e[SHOP_FRETS + 1];
  errors_of(1, e);
  e[4] = 0.19; /* its limit lies within its doubt */
  add(&batch, 1, "board1.png", e);
  assert_int_equal(sp_batch_sum_up(&batch, &err), SP_OK);
  page_tree t = tree_of_batch(&batch);
  check_tree_text(&t, "(//h:h2)[1]", "Not decided");
  check_tree_text(&t, "//h:table[@id='worst']//h:li", "check by hand fret 4");
  check_tree_text(&t, "//h:table[contains(@class,'map')]/h:tbody/h:tr/h:td[4]", "+19?");
  assert_int_equal(tree_count(&t, "//h:section[@id='frets-1' or @id='charts-1' or @id='causes-1']"), 0);
  tree_free(&t);
  sp_batch_free(&batch);
}

/* The page of many boards stays a page: the map shows the newest, long runs are told once. */
static void test_many_boards(void **state)
{
  (void)state;
  sp_batch batch = {0};
  sp_error err = {0};
  for (int i = 1; i <= 400; i++) {
    double e[SHOP_FRETS + 1];
    char file[40];
    errors_of(i, e);
    for (int k = 1; k <= SHOP_FRETS; k++)
      e[k] += i % 2 ? 0.3 : 0.0;
    snprintf(file, sizeof file, "board%d.png", i);
    add(&batch, i, file, e);
  }
  assert_int_equal(sp_batch_sum_up(&batch, &err), SP_OK);
  char *text = page_of(&batch);
  assert_true(strlen(text) < 1000000);
  page_tree t = tree_of(text);
  assert_int_equal(tree_count(&t, "//h:table[contains(@class,'map')]/h:tbody/h:tr"), 150);
  assert_int_equal(tree_count(&t, "//h:table[@id='worst']/h:tbody/h:tr"), 200);
  assert_int_equal(tree_count(&t, "//h:table[@id='worst']/h:tbody/h:tr[1]//h:li"), 5);
  check_tree_text(&t, "//h:table[@id='worst']/h:tbody/h:tr[1]//h:li[5]", "and 8 more");
  assert_true(tree_count(&t, "//h:ul[@class='signals']/h:li") <= 9 * SP_BATCH_CHARTS);
  tree_free(&t);
  free(text);
  sp_batch_free(&batch);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_what_to_act_on_comes_first),
      cmocka_unit_test(test_worst_boards),
      cmocka_unit_test(test_map),
      cmocka_unit_test(test_frets_and_charts),
      cmocka_unit_test(test_links_lead_somewhere),
      cmocka_unit_test(test_all_within),
      cmocka_unit_test(test_one_board),
      cmocka_unit_test(test_many_boards),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
