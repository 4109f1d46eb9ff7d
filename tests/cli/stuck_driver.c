/* stuck_driver.c: put before the system's own, whoever ends a thread waits for ever, as drivers do that end theirs while
 * it holds a lock. */
#include <pthread.h>
#include <unistd.h>

int pthread_cancel(pthread_t thread)
{
  (void)thread;
  for (;;)
    pause();
}
