/* Threads that take the next item from a common counter until none is left; the calling thread is one of them. Starting
 * a thread costs some tens of microseconds, so loops of less than a millisecond are better run plainly. */
#include "slotproof/workers.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <unistd.h>

/* Set only while sp_workers_alone lasts, and only for its thread. */
static _Thread_local bool alone;

typedef struct pool {
  sp_work work;
  void *context;
  size_t count;
  atomic_size_t next;
} pool;

static void *serve(void *argument)
{
  pool *p = argument;
  for (size_t i = atomic_fetch_add(&p->next, 1); i < p->count; i = atomic_fetch_add(&p->next, 1))
    p->work(p->context, i);
  return NULL;
}

void sp_workers_run(sp_work work, void *context, size_t count)
{
  pool p = {.work = work, .context = context, .count = count};
  pthread_t thread[SP_WORKERS_MOST];
  size_t started = 0;
  atomic_init(&p.next, 0);
  const long cores = sysconf(_SC_NPROCESSORS_ONLN);
  size_t most = cores < 1 || alone ? 1 : (size_t)cores;
  most = most > SP_WORKERS_MOST ? SP_WORKERS_MOST : most;
  while (started + 1 < most && started + 1 < count && pthread_create(&thread[started], NULL, serve, &p) == 0)
    started++;
  serve(&p);
  for (size_t i = 0; i < started; i++)
    pthread_join(thread[i], NULL);
}

void sp_workers_alone(sp_work work, void *context, size_t index)
{
  const bool before = alone;
  alone = true;
  work(context, index);
  alone = before;
}
