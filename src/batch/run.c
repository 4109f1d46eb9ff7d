/* Checking side by side.
 *
 * One process a picture, as many at a time as there are workers. A process was chosen over a thread because a picture
 * that exhausts memory or finds a fault of some library then costs one board, not the night's run, and because all
 * memory of a check is back when it ends. The child writes overlay and record into the results folder itself, each
 * whole or not at all, the record last: where a record stands, its board is finished. Then it hands the record's text
 * through a pipe. The parent reads the text as it would read a file, so a board from this run, from an earlier one, and
 * from another machine are one thing.
 *
 * Boards end in any order; they are taken in the order of the list. A child is not started further ahead of the first
 * unfinished board than WINDOW, which bounds what waits in memory.
 *
 * SIGINT and SIGTERM are kept pending in the parent, which looks for them between two events: no new board is begun
 * then, those in work are finished. The children ignore both, for a terminal sends them to all. */
#include <errno.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/wait.h>
#include <unistd.h>

#include "batch_internal.h"
#include "slotproof/report.h"
#include "slotproof/workers.h"

enum { MOST_WORKERS = 256, WINDOW = 64, LOOK_EVERY_MS = 250, MOST_TEXT = SP_RECORD_MAX_BYTES };

/* What comes through the pipe first. */
typedef struct message {
  sp_error err;
  bool fatal; /* results cannot be written: no other board will fare better */
  bool reused;
  size_t length; /* of the record's text behind it */
} message;

typedef enum job_state { JOB_WAITS, JOB_RUNS, JOB_DONE } job_state;

typedef struct job {
  job_state state;
  message head;
  char *text; /* the record as written; NUL-terminated */
} job;

typedef struct worker {
  pid_t pid; /* 0: idle */
  int fd;
  size_t job;
  char *bytes;
  size_t count, room;
} worker;

typedef struct run {
  const sp_batch_list *list;
  const sp_batch_options *options;
  sp_batch *batch;
  job *jobs;
  worker *workers;
  size_t worker_count, next, taken, fresh;
  int stopped;
  const char **at;
  sigset_t signals;
} run;

/* ---- one board, in the child ------------------------------------------------------------------------------------ */

/* RESULTS/STEM.ENDING; false if it does not fit. */
static bool result_name(const sp_batch_options *o, const sp_batch_input *input, const char *ending, char *into,
                        size_t room)
{
  const char *dot = strrchr(input->name, '.');
  const int stem = (int)(dot && dot != input->name && !input->pieces ? dot - input->name : (ptrdiff_t)strlen(input->name));
  const int n = snprintf(into, room, "%s/%.*s%s", o->results, stem, input->name, ending);
  return n > 0 && (size_t)n < room;
}

typedef struct child {
  const sp_batch_options *options;
  const sp_batch_input *input;
  message head;
  char *text;
} child;

static sp_status take_record_text(child *c, const sp_record *record)
{
  FILE *memory = open_memstream(&c->text, &c->head.length);
  if (!memory)
    return sp_fail_memory(&c->head.err);
  sp_status status = sp_report_json(record, memory, &c->head.err);
  if (fclose(memory) != 0 && !status)
    status = sp_fail_memory(&c->head.err);
  return status;
}

static sp_status write_overlay(child *c, const sp_record *record, const sp_raster *raster)
{
  char path[4200];
  sp_whole_file whole;
  sp_error *err = &c->head.err;
  if (!result_name(c->options, c->input, ".png", path, sizeof path))
    return sp_fail(err, SP_E_CANTCREATE, "its overlay's name would be too long; give a shorter one");
  sp_status status = sp_whole_file_open(path, &whole, err);
  if (!status)
    status = sp_report_overlay(record, raster, whole.file, err);
  if (!status)
    status = sp_whole_file_finish(&whole, err);
  if (!status)
    return sp_whole_file_publish(&whole, err);
  sp_whole_file_abandon(&whole);
  return status;
}

static sp_status write_record(child *c)
{
  char path[4200];
  sp_whole_file whole;
  sp_error *err = &c->head.err;
  if (!result_name(c->options, c->input, ".json", path, sizeof path))
    return sp_fail(err, SP_E_CANTCREATE, "its record's name would be too long; give a shorter one");
  sp_status status = sp_whole_file_open(path, &whole, err);
  if (!status && fwrite(c->text, 1, c->head.length, whole.file) != c->head.length)
    status = sp_fail(err, SP_E_IO, "writing failed; make room on the disk or write elsewhere");
  if (!status)
    status = sp_whole_file_finish(&whole, err);
  if (!status)
    return sp_whole_file_publish(&whole, err);
  sp_whole_file_abandon(&whole);
  return status;
}

enum { MOST_PICTURES = SP_MOST_PIECES };
typedef struct digests {
  size_t count;
  char of[MOST_PICTURES][SP_SHA256_TEXT];
} digests;

static sp_status take_digests(child *c, digests *d)
{
  const sp_batch_input *input = c->input;
  sp_status status = SP_OK;
  d->count = input->pieces ? input->pieces : 1;
  for (size_t i = 0; !status && i < d->count; i++)
    status = sp_sha256_file(input->pieces ? input->piece[i] : input->path, d->of[i], &c->head.err);
  return status;
}

static bool same_pictures(const sp_record *record, const digests *d)
{
  bool same = record->source_count == d->count;
  for (size_t i = 0; same && i < d->count; i++)
    same = strcmp(record->sources[i].sha256, d->of[i]) == 0;
  return same;
}

/* The finished record of an earlier run, if it is of these pictures, these settings, this program. */
static bool find_finished(child *c, const digests *d)
{
  char path[4200];
  sp_record record;
  bool same = false;
  sp_record_init(&record);
  if (!result_name(c->options, c->input, ".json", path, sizeof path) || sp_record_read(path, &record, NULL) != SP_OK)
    return false;
  same = same_pictures(&record, d) && record.settings &&
         strcmp(record.settings, c->options->settings) == 0 && strcmp(record.version, SLOTPROOF_VERSION) == 0;
  sp_record_free(&record);
  if (!same)
    return false;
  FILE *file = fopen(path, "rb");
  if (!file)
    return false;
  c->text = malloc(MOST_TEXT);
  c->head.length = c->text ? fread(c->text, 1, MOST_TEXT, file) : 0;
  same = c->text && !ferror(file);
  fclose(file);
  struct stat there;
  if (same && c->options->overlays)
    same = result_name(c->options, c->input, ".png", path, sizeof path) && stat(path, &there) == 0;
  if (!same) {
    free(c->text);
    c->text = NULL;
    c->head.length = 0;
  }
  return same;
}

/* One picture, or the pieces of a board; a failure names the piece it is about. */
static sp_status look(child *c, sp_record *record, sp_raster *raster)
{
  const sp_batch_input *input = c->input;
  const sp_check_options *o = c->options->check;
  sp_error *err = &c->head.err;
  if (input->pieces < 2)
    return sp_check_picture(input->pieces ? input->piece[0] : input->path, o, record, raster, err);
  const char *const *paths = (const char *const *)input->piece;
  size_t at = 0;
  sp_status status = sp_check_pieces(paths, input->pieces, o, record, &at, err);
  if (!status && raster)
    status = sp_check_draw_pieces(paths, record, &o->read, raster, &at, err);
  if (status) {
    const sp_error why = *err;
    (void)sp_fail(err, why.status, "its picture '%.100s' %.*s", sp_batch_last_part(input->piece[at]),
                  (int)sizeof err->text - 140, why.text);
  }
  return status;
}

static sp_status check_and_write(child *c, const digests *d)
{
  const sp_batch_options *o = c->options;
  sp_record record;
  sp_raster raster = {0};
  sp_record_init(&record);
  sp_status status = look(c, &record, o->overlays ? &raster : NULL);
  if (!status) {
    for (size_t i = 0; i < record.source_count && i < d->count; i++)
      memcpy(record.sources[i].sha256, d->of[i], SP_SHA256_TEXT);
    record.settings = sp_batch_copy(o->settings);
    status = record.settings ? take_record_text(c, &record) : sp_fail_memory(&c->head.err);
  }
  if (!status && o->results) {
    if (o->overlays)
      status = write_overlay(c, &record, &raster);
    if (!status)
      status = write_record(c);
    c->head.fatal = status != SP_OK;
  }
  sp_raster_free(&raster);
  sp_record_free(&record);
  return status;
}

static void do_board(void *context, size_t index)
{
  child *c = context;
  digests of;
  (void)index;
  sp_status status = take_digests(c, &of);
  if (!status && c->options->results)
    c->head.reused = find_finished(c, &of);
  if (!status && !c->head.reused)
    status = check_and_write(c, &of);
  c->head.err.status = status;
  if (status)
    c->head.length = 0;
}

static bool send_all(int fd, const void *bytes, size_t count)
{
  const char *at = bytes;
  while (count) {
    const ssize_t n = write(fd, at, count);
    if (n < 0 && errno == EINTR)
      continue;
    if (n <= 0)
      return false;
    at += n;
    count -= (size_t)n;
  }
  return true;
}

static void live_as_child(const run *r, const sp_batch_input *input, int fd)
{
  child c = {.options = r->options, .input = input};
  for (size_t i = 0; i < r->worker_count; i++) /* pipes of the others */
    if (r->workers[i].pid)
      close(r->workers[i].fd);
  signal(SIGINT, SIG_IGN);
  signal(SIGTERM, SIG_IGN); /* sent to all of a group: the board in work is finished */
  sigprocmask(SIG_UNBLOCK, &r->signals, NULL);
  sp_workers_alone(do_board, &c, 0);
  const bool sent = send_all(fd, &c.head, sizeof c.head) && send_all(fd, c.text, c.head.length);
  _exit(sent ? 0 : 1);
}

/* ---- the parent: children and their pipes ----------------------------------------------------------------------- */

static sp_status start_worker(run *r, worker *w, size_t index, sp_error *err)
{
  int ends[2];
  if (pipe(ends) != 0)
    return sp_fail(err, SP_E_INTERNAL, "no pipe could be made (%s); use fewer workers", strerror(errno));
  fflush(NULL);
  const pid_t pid = fork();
  if (pid == 0) {
    close(ends[0]);
    live_as_child(r, &r->list->input[index], ends[1]);
  }
  close(ends[1]);
  if (pid < 0) {
    close(ends[0]);
    return sp_fail(err, SP_E_INTERNAL, "no process could be started (%s); use fewer workers", strerror(errno));
  }
  *w = (worker){.pid = pid, .fd = ends[0], .job = index, .bytes = w->bytes, .room = w->room};
  r->jobs[index].state = JOB_RUNS;
  return SP_OK;
}

/* Reads what is there; *ended at the end. */
static sp_status receive(worker *w, bool *ended, sp_error *err)
{
  if (w->room - w->count < 1 << 14) {
    const size_t room = 2 * w->room + (1 << 16);
    char *grown = room < 4 * (size_t)MOST_TEXT ? realloc(w->bytes, room) : NULL;
    if (!grown)
      return sp_fail_memory(err);
    w->bytes = grown;
    w->room = room;
  }
  const ssize_t n = read(w->fd, w->bytes + w->count, w->room - w->count);
  *ended = n == 0 || (n < 0 && errno != EINTR);
  w->count += n > 0 ? (size_t)n : 0;
  return SP_OK;
}

static void tell_of_death(int status, message *head)
{
  head->length = 0;
  if (WIFSIGNALED(status))
    sp_fail(&head->err, SP_E_INTERNAL,
            "its check was ended by signal %d, perhaps for lack of memory; use fewer workers, or check it by itself",
            WTERMSIG(status));
  else
    sp_fail(&head->err, SP_E_INTERNAL, "its check ended without an answer; check it by itself and report this fault");
}

/* The child has closed its pipe. */
static sp_status finish_worker(run *r, worker *w, sp_error *err)
{
  job *j = &r->jobs[w->job];
  int status = 0;
  close(w->fd);
  while (waitpid(w->pid, &status, 0) < 0 && errno == EINTR)
    ;
  w->pid = 0;
  j->state = JOB_DONE;
  if (w->count >= sizeof j->head)
    memcpy(&j->head, w->bytes, sizeof j->head);
  if (w->count < sizeof j->head || w->count - sizeof j->head != j->head.length) {
    tell_of_death(status, &j->head);
    return SP_OK;
  }
  j->text = malloc(j->head.length + 1);
  if (!j->text)
    return sp_fail_memory(err);
  memcpy(j->text, w->bytes + sizeof j->head, j->head.length);
  j->text[j->head.length] = '\0';
  r->fresh += !j->head.reused;
  return SP_OK;
}

/* ---- taking boards in order ------------------------------------------------------------------------------------- */

static sp_status fail_at(run *r, const char *where, sp_status status)
{
  *r->at = where;
  return status;
}

static sp_status take_text(run *r, const sp_batch_input *input, sp_batch_board *b, const char *text, size_t length,
                           sp_error *err)
{
  sp_record record;
  sp_error why = {0};
  sp_record_init(&record);
  sp_status status = SP_OK;
  if (sp_record_parse(text, length, &record, &why))
    return sp_batch_set_trouble(b, &why, err);
  status = sp_batch_fill_board(b, &record, err);
  sp_history_identity(&record, text, length, b->identity);
  if (!status && r->options->history) {
    status = sp_history_add(r->options->history, input->name, &record, text, length, err);
    if (status)
      status = fail_at(r, "--history", status);
  }
  sp_record_free(&record);
  return status;
}

/* A record named by the user is read here: that costs next to nothing. */
static sp_status read_named_record(job *j, const char *path)
{
  sp_record record;
  sp_record_init(&record);
  sp_status status = sp_record_read(path, &record, &j->head.err);
  sp_record_free(&record);
  FILE *file = status ? NULL : fopen(path, "rb");
  if (!file)
    return status ? status : sp_fail(&j->head.err, SP_E_NOINPUT, "is gone; name it again");
  j->text = malloc(MOST_TEXT);
  j->head.length = j->text ? fread(j->text, 1, MOST_TEXT, file) : 0;
  fclose(file);
  return j->text ? SP_OK : sp_fail_memory(&j->head.err);
}

static sp_status take_one(run *r, sp_error *err)
{
  const sp_batch_input *input = &r->list->input[r->taken];
  job *j = &r->jobs[r->taken];
  if (j->head.err.status && j->head.fatal) {
    *err = j->head.err;
    return fail_at(r, r->options->results, err->status);
  }
  sp_batch_board *b = sp_batch_new_board(r->batch, input->name, input->path);
  if (!b)
    return sp_fail_memory(err);
  b->reused = j->head.reused;
  const sp_status status = j->head.err.status ? sp_batch_set_trouble(b, &j->head.err, err)
                                              : take_text(r, input, b, j->text, j->head.length, err);
  free(j->text);
  j->text = NULL;
  r->taken++;
  if (!status && r->options->progress)
    r->options->progress(r->options->context, r->taken, r->fresh, r->list->count, b);
  return status;
}

static sp_status take_finished(run *r, sp_error *err)
{
  sp_status status = SP_OK;
  while (!status && r->taken < r->list->count && r->jobs[r->taken].state == JOB_DONE)
    status = take_one(r, err);
  return status;
}

/* ---- the loop --------------------------------------------------------------------------------------------------- */

static void look_for_signals(run *r)
{
  sigset_t pending;
  if (sigpending(&pending) != 0)
    return;
  if (sigismember(&pending, SIGINT) == 1)
    r->stopped = SIGINT;
  else if (sigismember(&pending, SIGTERM) == 1)
    r->stopped = SIGTERM;
}

/* Gives idle workers something to do. */
static sp_status hand_out(run *r, sp_error *err)
{
  for (size_t i = 0; i < r->worker_count; i++) {
    worker *w = &r->workers[i];
    for (; r->next < r->list->count && r->list->input[r->next].is_record && r->next < r->taken + WINDOW; r->next++) {
      job *j = &r->jobs[r->next];
      j->head.err.status = read_named_record(j, r->list->input[r->next].path);
      j->state = JOB_DONE;
    }
    if (w->pid || r->next >= r->list->count || r->next >= r->taken + WINDOW)
      continue;
    const sp_status status = start_worker(r, w, r->next, err);
    if (status)
      return status;
    r->next++;
  }
  return SP_OK;
}

/* Waits for one event at most LOOK_EVERY_MS and serves it; *busy: some worker runs. */
static sp_status serve(run *r, bool *busy, sp_error *err)
{
  struct pollfd polled[MOST_WORKERS];
  worker *of[MOST_WORKERS];
  nfds_t n = 0;
  for (size_t i = 0; i < r->worker_count; i++)
    if (r->workers[i].pid) {
      of[n] = &r->workers[i];
      polled[n++] = (struct pollfd){.fd = r->workers[i].fd, .events = POLLIN};
    }
  *busy = n > 0;
  if (!n || poll(polled, n, LOOK_EVERY_MS) < 0)
    return SP_OK;
  for (nfds_t i = 0; i < n; i++) {
    bool ended = false;
    if (!polled[i].revents)
      continue;
    sp_status status = receive(of[i], &ended, err);
    if (!status && ended)
      status = finish_worker(r, of[i], err);
    if (status)
      return status;
  }
  return SP_OK;
}

static sp_status loop(run *r, sp_error *err)
{
  bool busy = true;
  sp_status status = SP_OK;
  while (!status) {
    look_for_signals(r);
    if (!r->stopped)
      status = hand_out(r, err);
    if (!status)
      status = take_finished(r, err);
    if (!status)
      status = serve(r, &busy, err);
    if (!status)
      status = take_finished(r, err);
    if (!busy && (r->stopped || r->taken == r->list->count))
      break;
  }
  return status;
}

/* After a failure: what still runs is waited for, so that nothing is left behind. */
static void wait_for_all(run *r)
{
  for (size_t i = 0; i < r->worker_count; i++) {
    worker *w = &r->workers[i];
    char rest[4096];
    while (w->pid && read(w->fd, rest, sizeof rest) > 0)
      ;
    if (w->pid) {
      close(w->fd);
      while (waitpid(w->pid, NULL, 0) < 0 && errno == EINTR)
        ;
    }
    free(w->bytes);
  }
}

/* ---- before and after ------------------------------------------------------------------------------------------- */

static size_t worker_count(const sp_batch_options *o)
{
  const long cores = sysconf(_SC_NPROCESSORS_ONLN);
  const size_t n = o->workers ? o->workers : cores < 1 ? 1 : (size_t)cores;
  return n > MOST_WORKERS ? MOST_WORKERS : n;
}

static int result_name_order(const void *a, const void *b)
{
  return strcmp(*(char *const *)a, *(char *const *)b);
}

/* Two pictures whose records would have one name? */
static sp_status refuse_shared_names(const sp_batch_list *list, const sp_batch_options *o, sp_error *err)
{
  char **names = calloc(list->count + 1, sizeof *names);
  size_t n = 0;
  sp_status status = names ? SP_OK : sp_fail_memory(err);
  for (size_t i = 0; !status && i < list->count; i++) {
    char path[4200];
    if (list->input[i].is_record)
      continue;
    if (!result_name(o, &list->input[i], ".json", path, sizeof path))
      status = sp_fail(err, SP_E_USAGE, "the name of a record in it would be too long; give a shorter one");
    else if (!(names[n++] = sp_batch_copy(path)))
      status = sp_fail_memory(err);
  }
  if (!status && n)
    qsort(names, n, sizeof *names, result_name_order);
  for (size_t i = 1; !status && i < n; i++)
    if (strcmp(names[i - 1], names[i]) == 0)
      status = sp_fail(err, SP_E_USAGE, "two pictures would share the record '%.200s'; rename one of them",
                       sp_batch_last_part(names[i]));
  for (size_t i = 0; i < n; i++)
    free(names[i]);
  free(names);
  return status;
}

/* Would a result overwrite something that is read? */
static sp_status refuse_overwriting(const sp_batch_list *list, const sp_batch_options *o, sp_error *err)
{
  char record[4200], overlay[4200];
  for (size_t i = 0; i < list->count; i++) {
    const sp_batch_input *input = &list->input[i];
    if (input->is_record || !result_name(o, input, ".json", record, sizeof record) ||
        !result_name(o, input, ".png", overlay, sizeof overlay))
      continue;
    bool hits = o->overlays && sp_same_file(overlay, input->path);
    for (size_t k = 0; o->overlays && k < input->pieces; k++)
      hits = hits || sp_same_file(overlay, input->piece[k]);
    if (hits)
      return sp_fail(err, SP_E_USAGE, "the overlay of '%.200s' would overwrite the picture; name another folder",
                     input->name);
    for (size_t j = 0; j < list->count; j++)
      if (list->input[j].is_record && strcmp(list->input[j].name, sp_batch_last_part(record)) == 0 &&
          sp_same_file(record, list->input[j].path))
        return sp_fail(err, SP_E_USAGE, "the record of '%.150s' would overwrite '%.150s', which is read; leave one out",
                       input->name, list->input[j].name);
  }
  return SP_OK;
}

static sp_status make_results(const sp_batch_options *o, sp_error *err)
{
  struct stat about;
  if (mkdir(o->results, 0777) != 0 && errno != EEXIST)
    return sp_fail(err, SP_E_CANTCREATE, "cannot be created (%s); name a place that may be written to",
                   strerror(errno));
  if (stat(o->results, &about) != 0 || !S_ISDIR(about.st_mode))
    return sp_fail(err, SP_E_CANTCREATE, "is no folder; name one for the records");
  if (access(o->results, W_OK | X_OK) != 0)
    return sp_fail(err, SP_E_CANTCREATE, "may not be written to (%s); name another folder", strerror(errno));
  return SP_OK;
}

static sp_status prepare(run *r, sp_error *err)
{
  r->jobs = calloc(r->list->count + 1, sizeof *r->jobs);
  r->workers = calloc(r->worker_count, sizeof *r->workers);
  if (!r->jobs || !r->workers)
    return sp_fail_memory(err);
  if (!r->options->results)
    return SP_OK;
  sp_status status = refuse_shared_names(r->list, r->options, err);
  if (!status)
    status = refuse_overwriting(r->list, r->options, err);
  if (!status)
    status = make_results(r->options, err);
  return status ? fail_at(r, r->options->results, status) : SP_OK;
}

sp_status sp_batch_run(const sp_batch_list *list, const sp_batch_options *options, sp_batch *batch, int *stopped,
                       const char **at, sp_error *err)
{
  run r = {.list = list, .options = options, .batch = batch, .worker_count = worker_count(options), .at = at};
  sigset_t before;
  sigemptyset(&r.signals);
  sigaddset(&r.signals, SIGINT);
  sigaddset(&r.signals, SIGTERM);
  *stopped = 0;
  *at = "batch";
  sp_status status = prepare(&r, err);
  if (!status && sigprocmask(SIG_BLOCK, &r.signals, &before) != 0)
    status = sp_fail(err, SP_E_INTERNAL, "signals could not be held back; report this fault");
  if (!status) {
    status = loop(&r, err);
    wait_for_all(&r);
    *stopped = r.stopped;
    if (!r.stopped)
      sigprocmask(SIG_SETMASK, &before, NULL); /* else it stays pending: the caller ends by it */
  }
  for (size_t i = 0; r.jobs && i < list->count; i++)
    free(r.jobs[i].text);
  free(r.jobs);
  free(r.workers);
  return status;
}
