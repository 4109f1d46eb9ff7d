/* The loop over independent items: every item once, whatever their number, and the same result as a plain loop. */
#include "check_close.h"

#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/workers.h"

enum { MOST = 20000 };

typedef struct tally {
  atomic_int seen[MOST];
  atomic_size_t calls;
} tally;

static void count_one(void *context, size_t index)
{
  tally *t = context;
  if (index < MOST)
    atomic_fetch_add(&t->seen[index], 1);
  atomic_fetch_add(&t->calls, 1);
}

/* From none to far more than threads. */
static void every_item_once(void **unused)
{
  (void)unused;
  static const size_t counts[] = {0, 1, 2, 3, SP_WORKERS_MOST - 1, SP_WORKERS_MOST, SP_WORKERS_MOST + 1, 100, MOST};
  tally *t = malloc(sizeof *t);
  assert_non_null(t);
  for (size_t c = 0; c < sizeof counts / sizeof *counts; c++) {
    atomic_init(&t->calls, 0);
    for (size_t i = 0; i < MOST; i++)
      atomic_init(&t->seen[i], 0);
    sp_workers_run(count_one, t, counts[c]);
    assert_int_equal(atomic_load(&t->calls), counts[c]);
    for (size_t i = 0; i < MOST; i++)
      assert_int_equal(atomic_load(&t->seen[i]), i < counts[c] ? 1 : 0);
  }
  free(t);
}

/* Items of very different weight: all are done when the call returns. */
static void uneven_item(void *context, size_t index)
{
  double *out = context;
  double sum = 0.0;
  for (size_t k = 1; k <= (index % 97) * 200 + 1; k++)
    sum += 1.0 / (double)(k + index);
  out[index] = sum;
}

static void results_do_not_depend_on_threads(void **unused)
{
  (void)unused;
  enum { N = 1500 };
  double *plain = malloc(N * sizeof *plain), *shared = malloc(N * sizeof *shared);
  assert_non_null(plain);
  assert_non_null(shared);
  for (size_t i = 0; i < N; i++)
    uneven_item(plain, i);
  for (int round = 0; round < 3; round++) {
    memset(shared, 0xff, N * sizeof *shared);
    sp_workers_run(uneven_item, shared, N);
    assert_memory_equal(shared, plain, N * sizeof *plain);
  }
  free(plain);
  free(shared);
}

/* A loop within an item's work: nothing is shared, so it runs as any other. */
static void inner_loop(void *context, size_t index)
{
  double(*rows)[8] = context;
  sp_workers_run(uneven_item, rows[index], 8);
}

static void loops_nest(void **unused)
{
  (void)unused;
  double rows[12][8], plain[8];
  for (size_t i = 0; i < 8; i++)
    uneven_item(plain, i);
  sp_workers_run(inner_loop, rows, 12);
  for (size_t k = 0; k < 12; k++)
    assert_memory_equal(rows[k], plain, sizeof plain);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_item_once),
      cmocka_unit_test(results_do_not_depend_on_threads),
      cmocka_unit_test(loops_nest),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
