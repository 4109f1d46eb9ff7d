/* One worker from its start to its end: what it is told, what it says meanwhile, what its end means. */
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>

#include "jobs_internal.h"

enum { MOST_ARGUMENTS = SP_FIELDS + SP_MOST_PIECES + 9 };

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

/* Which file each name belongs to: "0", or "2,0,1". */
static void say_turn(const sp_job_pieces *p, char turn[2 * SP_MOST_PIECES + 2])
{
  strcpy(turn, "0");
  for (size_t i = 0, at = 0; i < p->count; i++)
    at += (size_t)snprintf(turn + at, 3, "%s%u", i ? "," : "", p->file[i] % 10u);
}

static void make_arguments(const work_request *r, arguments *a)
{
  char pixels[30], turn[2 * SP_MOST_PIECES + 2];
  snprintf(pixels, sizeof pixels, "%llu", (unsigned long long)r->max_pixels);
  add(a, "", "slotproof");
  add(a, "", "work");
  add(a, "", r->folder);
  add(a, "", r->together ? "together" : r->tiles ? "tiles" : "plain");
  if (r->together)
    return;
  say_turn(r->pieces, turn);
  add(a, "", turn);
  add(a, "--max-pixels", pixels);
  if (r->described)
    add(a, "--board", "board.txt");
  for (size_t i = 0; sp_field_name(i); i++)
    if (r->settings->value[i][0])
      add(a, sp_field_option(i), r->settings->value[i]);
  if (r->corrected)
    add(a, "--correct", "corrections.json");
  add(a, "--", "");
  for (size_t i = 0; i < r->pieces->count; i++)
    add(a, "", r->pieces->name[i]);
  if (!r->pieces->count)
    add(a, "", r->name);
}

static void free_arguments(arguments *a)
{
  for (size_t i = 0; i < a->count; i++)
    free(a->value[i]);
}

/* ---- meanwhile, and the end ------------------------------------------------------------------------------------- */

static void hear_stage(void *context, const char *word)
{
  const work_request *r = context;
  for (int stage = 0; stage < 6; stage++)
    if (strcmp(word, sp_work_stage_word(stage)) == 0)
      r->stage(r->context, stage);
}

static void note_start(void *context, pid_t worker)
{
  const work_request *r = context;
  r->started(r->context, worker);
}

bool child_first_line(const char *said, char failure[WORK_FAILURE])
{
  static const char PROGRAM[] = "slotproof: ";
  if (strncmp(said, PROGRAM, strlen(PROGRAM)) == 0)
    said += strlen(PROGRAM);
  const size_t length = strcspn(said, "\n");
  snprintf(failure, WORK_FAILURE, "%.*s", (int)(length < WORK_FAILURE ? length : WORK_FAILURE - 1), said);
  return length > 0;
}

static bool judge(const child_end *end, char failure[WORK_FAILURE])
{
  const int status = end->status;
  if (WIFEXITED(status) && WEXITSTATUS(status) == 0)
    return true;
  const char *words = BROKE_OFF;
  if (WIFSIGNALED(status) && WTERMSIG(status) == SIGXCPU)
    words = TOO_LONG;
  else if (strstr(end->said, "no memory left") || strstr(end->said, "bad_alloc"))
    words = TOO_LARGE;
  else if (WIFEXITED(status) && WEXITSTATUS(status) >= SP_E_USAGE && WEXITSTATUS(status) <= SP_E_IO &&
           child_first_line(end->said, failure))
    return false;
  snprintf(failure, WORK_FAILURE, "%s", words);
  return false;
}

bool work_run(const work_request *r, char failure[WORK_FAILURE])
{
  arguments a = {.count = 0};
  child_end end = {.failed = SP_E_INTERNAL};
  make_arguments(r, &a);
  const child_request request = {.program = r->program,
                                 .arguments = a.value,
                                 .seconds = r->seconds,
                                 .started = note_start,
                                 .line = hear_stage,
                                 .context = (void *)(uintptr_t)r};
  if (!a.failed)
    child_run(&request, &end);
  free_arguments(&a);
  if (end.failed) {
    snprintf(failure, WORK_FAILURE, NO_START, a.failed ? strerror(ENOMEM) : strerror(end.failed));
    return false;
  }
  if (end.in_time)
    return judge(&end, failure);
  snprintf(failure, WORK_FAILURE, "%s", TOO_LONG);
  return false;
}
