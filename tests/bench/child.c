/* child.c: fork, exec and wait4; the latter, and ru_maxrss, stand outside POSIX, hence the feature macro. */
#define _DEFAULT_SOURCE
#include "child.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/time.h>
#include <sys/types.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { NOT_STARTED = 127 };

static double clock_ms(void)
{
  struct timespec t = {0};
  clock_gettime(CLOCK_MONOTONIC, &t);
  return 1e3 * (double)t.tv_sec + 1e-6 * (double)t.tv_nsec;
}

static double time_ms(struct timeval t)
{
  return 1e3 * (double)t.tv_sec + 1e-3 * (double)t.tv_usec;
}

/* Everything that comes through; the first `room` bytes are kept. Returns how many. */
static size_t drain(int fd, void *kept, size_t room)
{
  char rest[4096];
  size_t n = 0;
  for (;;) {
    const bool keep = n < room;
    const ssize_t got = read(fd, keep ? (char *)kept + n : rest, keep ? room - n : sizeof rest);
    if (got < 0 && errno == EINTR)
      continue;
    if (got <= 0)
      return n;
    n += keep ? (size_t)got : 0;
  }
}

static void become(char *const argv[], int out)
{
  if (dup2(out, STDOUT_FILENO) >= 0)
    execv(argv[0], argv);
  _exit(NOT_STARTED);
}

bool child_program(char *const argv[], char *text, size_t room, child_cost *cost)
{
  int ends[2], status = 0;
  struct rusage used;
  memset(&used, 0, sizeof used);
  if (pipe(ends) != 0)
    return false;
  const double start = clock_ms();
  const pid_t child = fork();
  if (child == 0) {
    close(ends[0]);
    become(argv, ends[1]);
  }
  close(ends[1]);
  const size_t got = child > 0 ? drain(ends[0], text, text ? room - 1 : 0) : 0;
  close(ends[0]);
  while (child > 0 && wait4(child, &status, 0, &used) < 0 && errno == EINTR)
    ;
  cost->wall_ms = clock_ms() - start;
  cost->cpu_ms = time_ms(used.ru_utime) + time_ms(used.ru_stime);
  cost->peak_bytes = 1024.0 * (double)used.ru_maxrss; /* Linux counts in kilobytes */
  cost->exit_status = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  if (text)
    text[got] = '\0';
  if (child > 0 && cost->exit_status != NOT_STARTED)
    return true;
  fprintf(stderr, "benchmark: %s could not be started\n", argv[0]);
  return false;
}

bool child_work(bool (*work)(void *context, double *result), void *context, double *result, size_t count)
{
  int ends[2], status = 0;
  const size_t size = count * sizeof *result;
  fflush(NULL);
  if (pipe(ends) != 0)
    return false;
  const pid_t child = fork();
  if (child == 0) {
    close(ends[0]);
    const bool fine = work(context, result) && write(ends[1], result, size) == (ssize_t)size;
    _exit(fine ? 0 : 1);
  }
  close(ends[1]);
  const size_t got = child > 0 ? drain(ends[0], result, size) : 0;
  close(ends[0]);
  while (child > 0 && waitpid(child, &status, 0) < 0 && errno == EINTR)
    ;
  return child > 0 && got == size && WIFEXITED(status) && WEXITSTATUS(status) == 0;
}
