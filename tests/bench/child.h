/* child.h: work in processes of its own, with what it cost. */
#ifndef BENCH_CHILD_H
#define BENCH_CHILD_H

#include <stdbool.h>
#include <stddef.h>

typedef struct child_cost {
  double cpu_ms;      /* user and system */
  double wall_ms;
  double peak_bytes;  /* largest resident set */
  int exit_status;    /* -1: ended by a signal */
} child_cost;

/* Runs a program; what it writes goes to `text` (cut off at room - 1), or nowhere if text is NULL. false with a line on
 * stderr if it could not be started. */
bool child_program(char *const argv[], char *text, size_t room, child_cost *cost);

/* Runs `work` in a copy of this process; it fills `count` numbers, which come back in `result`. false if `work` said so or
 * did not come back. What it allocates never weighs on this process, nor on programs started later: Linux counts a
 * parent's memory to a child's peak. */
bool child_work(bool (*work)(void *context, double *result), void *context, double *result, size_t count);

#endif
