/* One worker from its start to its end: what it says meanwhile, how long it may take, what its end means. */
#define _GNU_SOURCE /* pipe2, posix_spawn_file_actions_addclosefrom_np */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "jobs_internal.h"

extern char **environ;

enum { MOST_ARGUMENTS = SP_FIELDS + 8, SAID = 2000, WORD = 20, LOOK_MS = 20 };

static const char NO_START[] = "the program could not start a worker (%s); close other programs and try again";
static const char TOO_LONG[] =
    "measuring took too long and was stopped; scan the board and the rule alone, in grey at 600 dpi";
static const char TOO_LARGE[] =
    "the picture needs more memory than one board may take; scan in grey, at no more than 600 dpi";
static const char BROKE_OFF[] = "the program broke off over this picture; no other board is touched by that. If the "
                                "file opens elsewhere, save it anew as PNG or TIFF and try that";

/* ---- arguments -------------------------------------------------------------------------------------------------- */

typedef struct arguments {
  char *value[MOST_ARGUMENTS + 1];
  size_t count;
  bool failed;
} arguments;

static void add(arguments *a, const char *option, const char *value)
{
  const size_t size = strlen(option) + strlen(value) + 2;
  char *text = a->count < MOST_ARGUMENTS ? malloc(size) : NULL;
  a->failed = a->failed || !text;
  if (!text)
    return;
  snprintf(text, size, "%s%s%s", option, *option && *value ? "=" : "", value);
  a->value[a->count++] = text;
}

static void make_arguments(const work_request *r, arguments *a)
{
  char pixels[30];
  snprintf(pixels, sizeof pixels, "%llu", (unsigned long long)r->max_pixels);
  add(a, "", "slotproof");
  add(a, "", "work");
  add(a, "", r->folder);
  add(a, "", r->together ? "together" : r->tiles ? "tiles" : "plain");
  if (r->together)
    return;
  add(a, "--max-pixels", pixels);
  for (size_t i = 0; sp_field_name(i); i++)
    if (r->settings->value[i][0])
      add(a, sp_field_option(i), r->settings->value[i]);
  if (r->corrected)
    add(a, "--correct", "corrections.json");
  add(a, "--", "");
  add(a, "", r->name);
}

static void free_arguments(arguments *a)
{
  for (size_t i = 0; i < a->count; i++)
    free(a->value[i]);
}

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
static int start(const work_request *r, worker *w)
{
  arguments a = {.count = 0};
  int stages[2] = {-1, -1}, said[2] = {-1, -1};
  int failed = pipe2(stages, O_CLOEXEC) != 0 || pipe2(said, O_CLOEXEC) != 0 ? errno : 0;
  if (!failed && (stages[1] <= SP_WORK_FD || said[1] <= SP_WORK_FD))
    failed = EMFILE;
  if (!failed) {
    make_arguments(r, &a);
    failed = a.failed ? ENOMEM : spawn(r->program, a.value, stages, said, &w->pid);
  }
  free_arguments(&a);
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
  char said[SAID]; /* the beginning of what it wrote to standard error */
  size_t used;
  char word[WORD]; /* of a stage, so far */
  size_t letters;
} heard;

static int64_t now_ms(void)
{
  struct timespec t = {0};
  clock_gettime(CLOCK_MONOTONIC, &t);
  return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

static void hear_stage(const work_request *r, heard *h, char letter)
{
  if (letter != '\n') {
    if (h->letters + 1 < WORD)
      h->word[h->letters++] = letter;
    return;
  }
  h->word[h->letters] = '\0';
  h->letters = 0;
  for (int stage = 0; stage < 6; stage++)
    if (strcmp(h->word, sp_work_stage_word(stage)) == 0)
      r->stage(r->context, stage);
}

/* False at the end of the stream. */
static bool hear(int fd, const work_request *r, heard *h, bool stages)
{
  char bytes[512];
  const ssize_t got = read(fd, bytes, sizeof bytes);
  if (got < 0)
    return errno == EINTR;
  for (ssize_t i = 0; i < got; i++) {
    if (stages)
      hear_stage(r, h, bytes[i]);
    else if (h->used + 1 < SAID)
      h->said[h->used++] = bytes[i];
  }
  return got > 0;
}

static void close_end(int *fd)
{
  if (*fd >= 0)
    close(*fd);
  *fd = -1;
}

/* Until both streams end or time is up. False: time is up. */
static bool listen_to(const work_request *r, worker *w, int64_t deadline_ms, heard *h)
{
  while (w->stages >= 0 || w->said >= 0) {
    const int64_t left = deadline_ms - now_ms();
    struct pollfd ends[2] = {{.fd = w->stages, .events = POLLIN}, {.fd = w->said, .events = POLLIN}};
    if (left <= 0)
      return false;
    if (poll(ends, 2, (int)left) < 0 && errno != EINTR)
      return false;
    if (ends[0].revents && !hear(w->stages, r, h, true))
      close_end(&w->stages);
    if (ends[1].revents && !hear(w->said, r, h, false))
      close_end(&w->said);
  }
  return true;
}

/* Its exit; it may have closed its streams and gone on. */
static bool wait_for(pid_t pid, int64_t deadline_ms, int *status)
{
  const struct timespec pause = {0, LOOK_MS * 1000000L};
  for (;;) {
    const pid_t got = waitpid(pid, status, WNOHANG);
    if (got == pid)
      return true;
    if ((got < 0 && errno != EINTR) || now_ms() >= deadline_ms)
      return false;
    nanosleep(&pause, NULL);
  }
}

/* ---- the end ---------------------------------------------------------------------------------------------------- */

/* The first line that was said, without the program's name. */
static bool first_line(const heard *h, char failure[WORK_FAILURE])
{
  static const char PROGRAM[] = "slotproof: ";
  const char *from = h->said;
  if (strncmp(from, PROGRAM, strlen(PROGRAM)) == 0)
    from += strlen(PROGRAM);
  const size_t length = strcspn(from, "\n");
  snprintf(failure, WORK_FAILURE, "%.*s", (int)(length < WORK_FAILURE ? length : WORK_FAILURE - 1), from);
  return length > 0;
}

static bool judge(int status, const heard *h, char failure[WORK_FAILURE])
{
  if (WIFEXITED(status) && WEXITSTATUS(status) == 0)
    return true;
  const char *words = BROKE_OFF;
  if (WIFSIGNALED(status) && WTERMSIG(status) == SIGXCPU)
    words = TOO_LONG;
  else if (strstr(h->said, "no memory left") || strstr(h->said, "bad_alloc"))
    words = TOO_LARGE;
  else if (WIFEXITED(status) && WEXITSTATUS(status) >= SP_E_USAGE && WEXITSTATUS(status) <= SP_E_IO &&
           first_line(h, failure))
    return false;
  snprintf(failure, WORK_FAILURE, "%s", words);
  return false;
}

bool work_run(const work_request *r, char failure[WORK_FAILURE])
{
  worker w = {.pid = -1, .stages = -1, .said = -1};
  heard h = {.used = 0};
  int status = 0;
  const int failed = start(r, &w);
  if (failed) {
    snprintf(failure, WORK_FAILURE, NO_START, strerror(failed));
    return false;
  }
  const int64_t deadline_ms = now_ms() + (int64_t)r->seconds * 1000;
  r->started(r->context, w.pid);
  const bool in_time = listen_to(r, &w, deadline_ms, &h) && wait_for(w.pid, deadline_ms, &status);
  kill(-w.pid, SIGKILL); /* and whatever it may have started */
  if (!in_time)
    while (waitpid(w.pid, &status, 0) < 0 && errno == EINTR)
      ;
  r->started(r->context, -1);
  close_end(&w.stages);
  close_end(&w.said);
  if (in_time)
    return judge(status, &h, failure);
  snprintf(failure, WORK_FAILURE, "%s", TOO_LONG);
  return false;
}
