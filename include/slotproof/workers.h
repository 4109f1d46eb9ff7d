/* slotproof/workers.h: one loop over independent items, on the cores there are.
 *
 * The result never depends on the number of cores: every item writes to places of its own.
 */
#ifndef SLOTPROOF_WORKERS_H
#define SLOTPROOF_WORKERS_H

#include <stddef.h>

/* Called once for every index 0..count-1, in no particular order, from several threads at once. */
typedef void (*sp_work)(void *context, size_t index);

enum { SP_WORKERS_MOST = 8 };

/* Runs all items and returns when the last is done. Where no thread can be started the caller's does it all. */
void sp_workers_run(sp_work work, void *context, size_t count);

/* Calls `work` once, for `index`; loops within it run plainly in the calling thread. For who keeps the cores busy by
 * other means, such as one process a core. */
void sp_workers_alone(sp_work work, void *context, size_t index);

#endif
