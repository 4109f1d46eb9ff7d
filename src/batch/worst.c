/* Which boards come first, and how many there are of each kind.
 *
 * A board that needs work comes before one that does not; among those the one with more frets out, then with more
 * missing, then the larger error against its tolerance. */
#include <math.h>
#include <stdlib.h>

#include "batch_internal.h"

static bool own_boards(const sp_batch *batch)
{
  for (size_t i = 0; i < batch->board_count; i++)
    if (!batch->board[i].from_history)
      return true;
  return false;
}

sp_batch_tally sp_batch_count(const sp_batch *batch)
{
  const bool own = own_boards(batch);
  sp_batch_tally t = {0};
  for (size_t i = 0; i < batch->board_count; i++) {
    const sp_batch_board *b = &batch->board[i];
    if (own && b->from_history)
      continue;
    t.all++;
    t.unusable += b->status != SP_OK;
    t.within += !b->status && b->verdict == SP_WITHIN;
    t.out += !b->status && b->verdict == SP_OUT;
    t.undecided += !b->status && b->verdict == SP_UNDECIDED;
  }
  return t;
}

static int urgency(const sp_batch_board *b)
{
  return b->status ? 1 : b->verdict == SP_OUT ? 3 : b->verdict == SP_UNDECIDED ? 2 : 0;
}

static int worst_first(const void *a, const void *b)
{
  const sp_batch_ranked *x = a, *y = b;
  const int ux = urgency(x->board), uy = urgency(y->board);
  if (ux != uy)
    return uy - ux;
  if (x->board->out != y->board->out)
    return x->board->out > y->board->out ? -1 : 1;
  if (x->board->missing != y->board->missing)
    return x->board->missing > y->board->missing ? -1 : 1;
  if (x->part > y->part || x->part < y->part)
    return x->part > y->part ? -1 : 1;
  return x->index < y->index ? -1 : x->index > y->index;
}

double sp_batch_part(const sp_batch_mark *m)
{
  return fabs(m->error_mm) / (isfinite(m->tolerance_mm) ? m->tolerance_mm : 1.0);
}

sp_status sp_batch_worst_first(const sp_batch *batch, sp_batch_ranked **list, size_t *count, sp_error *err)
{
  const bool own = own_boards(batch);
  sp_batch_ranked *made = calloc(batch->board_count + 1, sizeof *made);
  size_t n = 0;
  if (!made)
    return sp_fail_memory(err);
  for (size_t i = 0; i < batch->board_count; i++) {
    const sp_batch_board *b = &batch->board[i];
    if (own && b->from_history)
      continue;
    const bool known = !b->status && b->worst != SP_BATCH_NONE;
    made[n++] = (sp_batch_ranked){b, known ? sp_batch_part(&b->mark[b->worst]) : -1.0, i};
  }
  qsort(made, n, sizeof *made, worst_first);
  *list = made;
  *count = n;
  return SP_OK;
}
