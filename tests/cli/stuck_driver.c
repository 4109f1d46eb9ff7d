/* stuck_driver.c: put before SANE, the end of a scan never comes. */
#include <unistd.h>

void sane_cancel(void *device);

void sane_cancel(void *device)
{
  (void)device;
  for (;;)
    pause();
}
