/* A process of this program's own: started, listened to line by line, ended in time. */
#define _GNU_SOURCE /* pipe2, posix_spawn_file_actions_addclosefrom_np */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "jobs_internal.h"

extern char **environ;

/* The longest line, how often an exit is looked for, and how often it is asked whether to go on. */
enum { LINE = 600, LOOK_MS = 20, ASK_MS = 500 };

/* ---- the start -------------------------------------------------------------------------------------------------- */

typedef struct worker {
  pid_t pid;
  int stages, said; /* read ends; -1 = closed */
} worker;

static int set_up(posix_spawn_file_actions_t *files, posix_spawnattr_t *attributes, const int stages[2],
                  const int said[2])
{
  sigset_t none, usual;
  sigemptyset(&none);
  sigemptyset(&usual);
  sigaddset(&usual, SIGPIPE);
  sigaddset(&usual, SIGINT);
  sigaddset(&usual, SIGTERM);
  int failed = posix_spawn_file_actions_addopen(files, 0, "/dev/null", O_RDONLY, 0);
  failed = failed ? failed : posix_spawn_file_actions_addopen(files, 1, "/dev/null", O_WRONLY, 0);
  failed = failed ? failed : posix_spawn_file_actions_adddup2(files, said[1], 2);
  failed = failed ? failed : posix_spawn_file_actions_adddup2(files, stages[1], SP_WORK_FD);
  failed = failed ? failed : posix_spawn_file_actions_addclosefrom_np(files, SP_WORK_FD + 1);
  failed = failed ? failed : posix_spawnattr_setsigmask(attributes, &none);
  failed = failed ? failed : posix_spawnattr_setsigdefault(attributes, &usual);
  failed = failed ? failed : posix_spawnattr_setpgroup(attributes, 0);
  return failed ? failed
                : posix_spawnattr_setflags(attributes,
                                           POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF | POSIX_SPAWN_SETPGROUP);
}

static int spawn(const char *program, char *const *arguments, const int stages[2], const int said[2], pid_t *pid)
{
  posix_spawn_file_actions_t files;
  posix_spawnattr_t attributes;
  if (posix_spawn_file_actions_init(&files) != 0)
    return ENOMEM;
  if (posix_spawnattr_init(&attributes) != 0) {
    posix_spawn_file_actions_destroy(&files);
    return ENOMEM;
  }
  int failed = set_up(&files, &attributes, stages, said);
  failed = failed ? failed : posix_spawn(pid, program, &files, &attributes, arguments, environ);
  posix_spawnattr_destroy(&attributes);
  posix_spawn_file_actions_destroy(&files);
  return failed;
}

/* The write ends sit above those numbers that the worker's streams take, so that no dup2 steps on another. */
static int start(const child_request *r, worker *w)
{
  int stages[2] = {-1, -1}, said[2] = {-1, -1};
  int failed = pipe2(stages, O_CLOEXEC) != 0 || pipe2(said, O_CLOEXEC) != 0 ? errno : 0;
  if (!failed && (stages[1] <= SP_WORK_FD || said[1] <= SP_WORK_FD))
    failed = EMFILE;
  if (!failed)
    failed = spawn(r->program, r->arguments, stages, said, &w->pid);
  for (int i = failed ? 0 : 1; i < 2; i++) {
    if (stages[i] >= 0)
      close(stages[i]);
    if (said[i] >= 0)
      close(said[i]);
  }
  w->stages = failed ? -1 : stages[0];
  w->said = failed ? -1 : said[0];
  return failed;
}

/* ---- meanwhile -------------------------------------------------------------------------------------------------- */

typedef struct heard {
  size_t used; /* of what it wrote to standard error */
  char line[LINE];
  size_t letters;
} heard;

static int64_t now_ms(void)
{
  struct timespec t = {0};
  clock_gettime(CLOCK_MONOTONIC, &t);
  return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

static void hear_letter(const child_request *r, heard *h, char letter)
{
  if (letter != '\n') {
    if (h->letters + 1 < LINE)
      h->line[h->letters++] = letter;
    return;
  }
  h->line[h->letters] = '\0';
  h->letters = 0;
  r->line(r->context, h->line);
}

/* False at the end of the stream. */
static bool hear(int fd, const child_request *r, heard *h, child_end *end, bool lines)
{
  char bytes[512];
  const ssize_t got = read(fd, bytes, sizeof bytes);
  if (got < 0)
    return errno == EINTR;
  for (ssize_t i = 0; i < got; i++) {
    if (lines)
      hear_letter(r, h, bytes[i]);
    else if (h->used + 1 < CHILD_SAID)
      end->said[h->used++] = bytes[i];
  }
  return got > 0;
}

static void close_end(int *fd)
{
  if (*fd >= 0)
    close(*fd);
  *fd = -1;
}

static bool is_given_up(const child_request *r)
{
  return r->given_up && r->given_up(r->context);
}

/* Until both streams end or time is up. False: time is up. */
static bool listen_to(const child_request *r, worker *w, int64_t deadline_ms, child_end *end)
{
  heard h = {.used = 0};
  while (w->stages >= 0 || w->said >= 0) {
    const int64_t left = deadline_ms - now_ms();
    struct pollfd ends[2] = {{.fd = w->stages, .events = POLLIN}, {.fd = w->said, .events = POLLIN}};
    if (left <= 0 || is_given_up(r))
      return false;
    if (poll(ends, 2, left < ASK_MS ? (int)left : ASK_MS) < 0 && errno != EINTR)
      return false;
    if (ends[0].revents && !hear(w->stages, r, &h, end, true))
      close_end(&w->stages);
    if (ends[1].revents && !hear(w->said, r, &h, end, false))
      close_end(&w->said);
  }
  return true;
}

/* Its exit; it may have closed its streams and gone on. */
static bool wait_for(const child_request *r, pid_t pid, int64_t deadline_ms, int *status)
{
  const struct timespec pause = {0, LOOK_MS * 1000000L};
  for (;;) {
    const pid_t got = waitpid(pid, status, WNOHANG);
    if (got == pid)
      return true;
    if ((got < 0 && errno != EINTR) || now_ms() >= deadline_ms || is_given_up(r))
      return false;
    nanosleep(&pause, NULL);
  }
}

void child_run(const child_request *r, child_end *end)
{
  worker w = {.pid = -1, .stages = -1, .said = -1};
  *end = (child_end){.failed = start(r, &w)};
  if (end->failed)
    return;
  const int64_t deadline_ms = now_ms() + (int64_t)r->seconds * 1000;
  r->started(r->context, w.pid);
  end->in_time = listen_to(r, &w, deadline_ms, end) && wait_for(r, w.pid, deadline_ms, &end->status);
  kill(-w.pid, SIGKILL); /* and whatever it may have started */
  if (!end->in_time)
    while (waitpid(w.pid, &end->status, 0) < 0 && errno == EINTR)
      ;
  r->started(r->context, -1);
  close_end(&w.stages);
  close_end(&w.said);
}
