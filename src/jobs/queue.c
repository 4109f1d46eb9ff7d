/* The jobs in memory, the queue, and the threads that hand them to workers. One lock guards it all; nothing slow is
 * done under it but the writing of a job's few lines. */
#define _GNU_SOURCE /* pthread names, O_CLOEXEC */
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "jobs_internal.h"
#include "slotproof/json_tree.h"

enum { MOST_WORKERS = 4, MOST_ABOUT = 4000, MOST_ORDER = 4 << 20 };

typedef struct job {
  char id[SP_STORE_ID];
  sp_job_order order;
  sp_job_state state;
  uint64_t turn;  /* waiting: the smallest is next */
  int stage;      /* working */
  uint32_t piece; /* working: which of several, from 1 */
  pid_t worker;   /* -1: none */
  uint32_t shown; /* run whose result is shown */
  bool removed;   /* as soon as its worker has ended */
  char failure[WORK_FAILURE];
  cJSON *about; /* of the run that is shown */
  cJSON *board; /* what the page tells of the board description; NULL: there is none */
} job;

struct sp_jobs {
  sp_store *store;
  sp_jobs_options options;
  pthread_mutex_t lock;
  pthread_cond_t changed;
  job **list;
  size_t count, room, reserved;
  uint64_t turns;
  bool stopping;
  pthread_t thread[MOST_WORKERS];
  size_t threads;
};

/* ---- under the lock --------------------------------------------------------------------------------------------- */

static job *find(sp_jobs *jobs, const char *id)
{
  for (size_t i = 0; i < jobs->count; i++)
    if (strcmp(jobs->list[i]->id, id) == 0)
      return jobs->list[i]->removed ? NULL : jobs->list[i];
  return NULL;
}

static bool is_sum(const job *j)
{
  return j->order.of || j->order.of_history;
}

static size_t waiting(const sp_jobs *jobs)
{
  size_t n = 0;
  for (size_t i = 0; i < jobs->count; i++)
    n += jobs->list[i]->state == SP_JOB_WAITING;
  return n;
}

static void free_job(job *j)
{
  if (!j)
    return;
  sp_job_order_free(&j->order);
  cJSON_Delete(j->about);
  cJSON_Delete(j->board);
  free(j);
}

static void take_out(sp_jobs *jobs, job *j)
{
  for (size_t i = 0; i < jobs->count; i++)
    if (jobs->list[i] == j) {
      memmove(&jobs->list[i], &jobs->list[i + 1], (jobs->count - i - 1) * sizeof *jobs->list);
      jobs->count--;
      free_job(j);
      return;
    }
}

static sp_status put_in(sp_jobs *jobs, job *j, sp_error *err)
{
  if (jobs->count == jobs->room) {
    const size_t room = jobs->room ? 2 * jobs->room : 16;
    job **grown = realloc(jobs->list, room * sizeof *grown);
    if (!grown)
      return sp_fail_memory(err);
    jobs->list = grown;
    jobs->room = room;
  }
  jobs->list[jobs->count++] = j;
  return SP_OK;
}

static void enqueue(sp_jobs *jobs, job *j)
{
  j->state = SP_JOB_WAITING;
  j->turn = ++jobs->turns;
  pthread_cond_signal(&jobs->changed);
}

static job *next(sp_jobs *jobs)
{
  job *first = NULL;
  for (size_t i = 0; i < jobs->count; i++) {
    job *j = jobs->list[i];
    if (j->state == SP_JOB_WAITING && !j->removed && (!first || j->turn < first->turn))
      first = j;
  }
  return first;
}

/* What the page tells of a finished run without opening its record. */
static void read_result(sp_jobs *jobs, job *j, uint32_t run)
{
  const int result = run ? sp_store_result(jobs->store, j->id, run) : -1;
  char *about = result >= 0 ? sp_store_text(result, "about.json", MOST_ABOUT) : NULL;
  cJSON_Delete(j->about);
  j->about = about ? cJSON_Parse(about) : NULL;
  j->shown = j->about ? run : 0;
  free(about);
  if (result >= 0)
    close(result);
}

static void read_failure(sp_jobs *jobs, job *j, uint32_t run)
{
  const int result = sp_store_result(jobs->store, j->id, run);
  char *text = result >= 0 ? sp_store_text(result, "failure.txt", WORK_FAILURE) : NULL;
  snprintf(j->failure, sizeof j->failure, "%s", text ? text : "");
  free(text);
  if (result >= 0)
    close(result);
}

/* ---- one run ---------------------------------------------------------------------------------------------------- */

/* A run's own copy of what is asked, because the job may change meanwhile. */
typedef struct run {
  sp_jobs *jobs;
  job *job; /* not freed while it is working */
  char id[SP_STORE_ID], name[SP_JOB_NAME];
  sp_job_settings settings;
  sp_job_pieces pieces;
  char *board;       /* text of board.txt; NULL = none */
  char *corrections; /* the same of corrections.json */
  char *boards;      /* the same of boards.txt */
  bool of_history;
  uint32_t number, shown;
} run;

static void note_worker(void *context, pid_t worker)
{
  const run *r = context;
  pthread_mutex_lock(&r->jobs->lock);
  r->job->worker = worker;
  const bool unwanted = r->jobs->stopping || r->job->removed || r->job->order.run != r->number;
  pthread_mutex_unlock(&r->jobs->lock);
  if (unwanted && worker > 0)
    kill(-worker, SIGKILL);
}

static void note_stage(void *context, int stage)
{
  const run *r = context;
  pthread_mutex_lock(&r->jobs->lock);
  r->job->stage = stage;
  r->job->piece += stage == SP_CHECK_READING;
  pthread_mutex_unlock(&r->jobs->lock);
}

static char *corrections_text(const sp_job_order *o)
{
  const sp_corrections applied = {o->said.list, o->applied};
  char *text = NULL;
  size_t size = 0;
  FILE *file = open_memstream(&text, &size);
  if (!file)
    return NULL;
  const bool written = sp_corrections_write(&applied, file, NULL) == SP_OK;
  if (fclose(file) == 0 && written)
    return text;
  free(text);
  return NULL;
}

/* Those that are still there. */
static char *boards_text(sp_jobs *jobs, const sp_job_order *o)
{
  char *text = NULL;
  size_t size = 0;
  FILE *file = open_memstream(&text, &size);
  if (!file)
    return NULL;
  for (size_t i = 0; i < o->of_count; i++) {
    const job *j = find(jobs, o->of[i]);
    if (j && j->shown && !is_sum(j))
      fprintf(file, "../../%s/result-%u/record.json %s\n", j->id, (unsigned)j->shown, j->order.name);
  }
  if (fclose(file) == 0)
    return text;
  free(text);
  return NULL;
}

/* False for lack of memory. */
static bool begin_run(sp_jobs *jobs, job *j, run *r)
{
  *r = (run){.jobs = jobs, .job = j, .settings = j->order.settings, .number = j->order.run, .shown = j->shown};
  memcpy(r->id, j->id, sizeof r->id);
  memcpy(r->name, j->order.name, sizeof r->name);
  j->state = SP_JOB_WORKING;
  j->stage = 0;
  j->piece = 0;
  j->worker = -1;
  r->pieces = j->order.pieces;
  r->of_history = j->order.of_history;
  if (j->order.of_history)
    return true; /* its boards are written out by measure() */
  if (j->order.of)
    return (r->boards = boards_text(jobs, &j->order)) != NULL;
  if (j->order.board && !(r->board = strdup(j->order.board)))
    return false;
  if (!j->order.applied)
    return true;
  r->corrections = corrections_text(&j->order);
  return r->corrections != NULL;
}

static bool has_tiles(const sp_store *store, const char *id)
{
  const int folder = sp_store_job(store, id);
  const int tiles = folder >= 0 ? sp_store_file(folder, "tiles.pack") : -1;
  if (folder >= 0)
    close(folder);
  if (tiles >= 0)
    close(tiles);
  return tiles >= 0;
}

static bool put_text(const char *folder, const char *name, const char *text)
{
  const int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  const bool fine = fd >= 0 && sp_store_put(fd, name, text, NULL) == SP_OK;
  if (fd >= 0)
    close(fd);
  return fine;
}

static bool measure(run *r, char failure[WORK_FAILURE])
{
  const sp_jobs_options *o = &r->jobs->options;
  char *folder = NULL;
  sp_error err = {0};
  if (sp_store_work(r->jobs->store, r->id, r->number, &folder, &err) ||
      (r->of_history && past_write_out(r->jobs->store, folder, &r->boards, &err)) ||
      (r->boards && !put_text(folder, "boards.txt", r->boards)) ||
      (r->board && !put_text(folder, "board.txt", r->board)) ||
      (r->corrections && !put_text(folder, "corrections.json", r->corrections))) {
    snprintf(failure, WORK_FAILURE, "%s", err.text[0] ? err.text : "the data folder cannot be written to");
    free(folder);
    return false;
  }
  const work_request request = {.program = o->program,
                                .folder = folder,
                                .name = r->name,
                                .pieces = &r->pieces,
                                .settings = &r->settings,
                                .described = r->board != NULL,
                                .corrected = r->corrections != NULL,
                                .together = r->boards != NULL,
                                /* several pieces are drawn as they are joined, anew each time */
                                .tiles = r->pieces.count || !has_tiles(r->jobs->store, r->id),
                                .max_pixels = o->max_pixels,
                                .seconds = o->seconds_most,
                                .started = note_worker,
                                .stage = note_stage,
                                .context = r};
  const bool fine = work_run(&request, failure);
  free(folder);
  return fine;
}

/* Under the lock: nobody has asked for something else meanwhile. */
static bool still_wanted(const run *r)
{
  return !r->job->removed && !r->jobs->stopping && r->job->order.run == r->number;
}

/* Under the lock. `kept`: the result stands in the store. */
static void end_run(run *r, bool fine, bool kept, const char *failure)
{
  sp_jobs *jobs = r->jobs;
  job *j = r->job;
  if (kept && fine)
    read_result(jobs, j, r->number);
  if (j->removed) {
    sp_store_remove(jobs->store, j->id, NULL);
    take_out(jobs, j);
  } else if (jobs->stopping && !kept) {
    j->state = SP_JOB_WAITING; /* begun again at the next start */
  } else if (j->order.run != r->number) {
    enqueue(jobs, j);
  } else {
    snprintf(j->failure, sizeof j->failure, "%s", fine && kept ? "" : failure);
    j->state = fine && kept ? SP_JOB_DONE : SP_JOB_FAILED;
  }
}

/* Without the lock: writing out to the disk takes its time. */
static bool keep_result(const run *r, bool fine, char failure[WORK_FAILURE])
{
  sp_error err = {0};
  char before[SP_SHA256_TEXT];
  past_identity(r->jobs->store, r->id, r->shown, before);
  if (sp_store_finish(r->jobs->store, r->id, r->number, fine ? NULL : failure, fine ? r->number : r->shown, &err) ==
      SP_OK) {
    if (fine && !r->boards)
      (void)past_add(r->jobs->store, r->id, r->number, r->name, before, NULL); /* the page tells by what it lists */
    return true;
  }
  snprintf(failure, WORK_FAILURE, "%s", err.text);
  return false;
}

static void *work(void *context)
{
  sp_jobs *jobs = context;
  pthread_mutex_lock(&jobs->lock);
  while (!jobs->stopping) {
    job *j = next(jobs);
    run r;
    char failure[WORK_FAILURE] = "no memory left; close other programs";
    if (!j) {
      pthread_cond_wait(&jobs->changed, &jobs->lock);
      continue;
    }
    bool fine = begin_run(jobs, j, &r);
    pthread_mutex_unlock(&jobs->lock);
    fine = fine && measure(&r, failure);
    pthread_mutex_lock(&jobs->lock);
    const bool wanted = still_wanted(&r);
    pthread_mutex_unlock(&jobs->lock);
    const bool kept = wanted && keep_result(&r, fine, failure);
    pthread_mutex_lock(&jobs->lock);
    end_run(&r, fine, kept, failure);
    free(r.corrections);
    free(r.boards);
    free(r.board);
  }
  pthread_mutex_unlock(&jobs->lock);
  return NULL;
}

/* ---- opening and closing ---------------------------------------------------------------------------------------- */

/* What the page tells of the description; unknown to it is no fault. */
static cJSON *board_tree(const char *text)
{
  sp_boardfile b;
  if (!text || sp_boardfile_parse(text, strlen(text), NULL, &b, NULL))
    return NULL;
  cJSON *tree = sp_board_tree(&b);
  sp_boardfile_free(&b);
  return tree;
}

/* What an earlier program left. A folder that is no job of ours is left alone. */
static sp_status take_up(void *context, const char *id, int folder, sp_error *err)
{
  sp_jobs *jobs = context;
  uint32_t last = 0, good = 0;
  job *j = calloc(1, sizeof *j);
  char *text = sp_store_text(folder, "job.json", MOST_ORDER);
  if (!j || !text || sp_job_order_parse(text, &j->order, NULL)) {
    const bool memory = !j;
    free(text);
    free_job(j);
    return memory ? sp_fail_memory(err) : SP_OK;
  }
  free(text);
  memcpy(j->id, id, sizeof j->id);
  j->worker = -1;
  j->board = board_tree(j->order.board);
  sp_store_runs(folder, true, &last, &good);
  read_result(jobs, j, good);
  if (last == j->order.run)
    j->state = good == last ? SP_JOB_DONE : SP_JOB_FAILED;
  else
    enqueue(jobs, j);
  if (j->state == SP_JOB_FAILED)
    read_failure(jobs, j, last);
  const sp_status status = put_in(jobs, j, err);
  if (status)
    free_job(j);
  return status;
}

static int earlier_first(const void *a, const void *b)
{
  const job *const *x = a, *const *y = b;
  return (*x)->order.created_s < (*y)->order.created_s ? -1 : (*x)->order.created_s > (*y)->order.created_s;
}

/* Results that the history has not heard of: a kill came between, or they are older than it. */
static void catch_up(sp_jobs *jobs)
{
  if (jobs->count)
    qsort(jobs->list, jobs->count, sizeof *jobs->list, earlier_first);
  for (size_t i = 0; i < jobs->count; i++) {
    const job *j = jobs->list[i];
    if (j->shown && !is_sum(j) && !past_has(jobs->store, j->id, j->shown))
      (void)past_add(jobs->store, j->id, j->shown, j->order.name, "", NULL);
  }
}

static void set_defaults(sp_jobs_options *o)
{
  const long cores = sysconf(_SC_NPROCESSORS_ONLN);
  o->program = o->program ? o->program : "/proc/self/exe";
  if (!o->workers)
    o->workers = cores > 0 ? (size_t)cores : 1;
  o->workers = o->workers > MOST_WORKERS ? MOST_WORKERS : o->workers;
  o->waiting_most = o->waiting_most ? o->waiting_most : SP_JOBS_WAITING_MOST;
  o->count_most = o->count_most ? o->count_most : SP_JOBS_COUNT_MOST;
  o->max_pixels = o->max_pixels ? o->max_pixels : SP_JOBS_PIXELS_MOST;
  o->seconds_most = o->seconds_most ? o->seconds_most : SP_JOBS_SECONDS_MOST;
}

sp_status sp_jobs_open(sp_store *store, const sp_jobs_options *options, sp_jobs **out, sp_error *err)
{
  sp_jobs *jobs = calloc(1, sizeof *jobs);
  *out = NULL;
  if (!jobs)
    return sp_fail_memory(err);
  jobs->store = store;
  jobs->options = *options;
  set_defaults(&jobs->options);
  pthread_mutex_init(&jobs->lock, NULL);
  pthread_cond_init(&jobs->changed, NULL);
  sp_status status = sp_store_each(store, take_up, jobs, err);
  if (!status)
    catch_up(jobs);
  for (; !status && jobs->threads < jobs->options.workers; jobs->threads++)
    if (pthread_create(&jobs->thread[jobs->threads], NULL, work, jobs) != 0) {
      if (!jobs->threads)
        status = sp_fail_memory(err);
      break;
    }
  if (status)
    sp_jobs_close(jobs);
  else
    *out = jobs;
  return status;
}

void sp_jobs_close(sp_jobs *jobs)
{
  if (!jobs)
    return;
  pthread_mutex_lock(&jobs->lock);
  jobs->stopping = true;
  for (size_t i = 0; i < jobs->count; i++)
    if (jobs->list[i]->worker > 0)
      kill(-jobs->list[i]->worker, SIGKILL);
  pthread_cond_broadcast(&jobs->changed);
  pthread_mutex_unlock(&jobs->lock);
  for (size_t i = 0; i < jobs->threads; i++)
    pthread_join(jobs->thread[i], NULL);
  for (size_t i = 0; i < jobs->count; i++)
    free_job(jobs->list[i]);
  free(jobs->list);
  pthread_cond_destroy(&jobs->changed);
  pthread_mutex_destroy(&jobs->lock);
  free(jobs);
}

/* ---- asked from outside ----------------------------------------------------------------------------------------- */

sp_status sp_jobs_reserve(sp_jobs *jobs, sp_error *err)
{
  sp_status status = SP_OK;
  pthread_mutex_lock(&jobs->lock);
  const size_t ahead = waiting(jobs) + jobs->reserved;
  if (ahead >= jobs->options.waiting_most)
    status = sp_fail(err, SP_E_USAGE, "%zu boards are waiting already; wait until some of them are measured", ahead);
  else if (jobs->count + jobs->reserved >= jobs->options.count_most)
    status = sp_fail(err, SP_E_USAGE, "%zu boards are kept already; throw some away first", jobs->count);
  else
    jobs->reserved++;
  pthread_mutex_unlock(&jobs->lock);
  return status;
}

void sp_jobs_release(sp_jobs *jobs)
{
  pthread_mutex_lock(&jobs->lock);
  jobs->reserved--;
  pthread_mutex_unlock(&jobs->lock);
}

static job *new_job(const char *id, const char *name)
{
  job *j = calloc(1, sizeof *j);
  if (!j)
    return NULL;
  snprintf(j->id, sizeof j->id, "%s", id);
  sp_job_clean_name(name, j->order.name);
  j->order.created_s = (int64_t)time(NULL);
  j->order.run = 1;
  j->worker = -1;
  return j;
}

static job *new_board(const char *id, const sp_job_order *asked)
{
  job *j = new_job(id, asked->name);
  if (!j)
    return NULL;
  j->order.settings = asked->settings;
  j->order.pieces = asked->pieces;
  j->order.board = asked->board ? strdup(asked->board) : NULL;
  if (asked->board && !j->order.board) {
    free_job(j);
    return NULL;
  }
  j->board = board_tree(j->order.board);
  return j;
}

sp_status sp_jobs_add(sp_jobs *jobs, const char *id, const sp_job_order *order, sp_error *err)
{
  job *j = new_board(id, order);
  char *text = j ? sp_job_order_text(&j->order) : NULL;
  sp_status status = text ? sp_store_commit(jobs->store, id, text, err) : sp_fail_memory(err);
  pthread_mutex_lock(&jobs->lock);
  jobs->reserved--;
  if (!status)
    status = put_in(jobs, j, err);
  if (!status)
    enqueue(jobs, j);
  pthread_mutex_unlock(&jobs->lock);
  if (status)
    free_job(j);
  free(text);
  return status;
}

static bool measured(sp_jobs *jobs, const char *id)
{
  pthread_mutex_lock(&jobs->lock);
  const job *j = find(jobs, id);
  const bool yes = j && j->shown && !is_sum(j);
  pthread_mutex_unlock(&jobs->lock);
  return yes;
}

/* The store's folder of a job has a picture; here it is an empty one. */
static sp_status add_together(sp_jobs *jobs, job *j, sp_error *err)
{
  int fd = -1;
  char *text = sp_job_order_text(&j->order);
  sp_status status = text ? sp_store_begin(jobs->store, j->id, &fd, err) : sp_fail_memory(err);
  if (fd >= 0)
    close(fd);
  if (!status)
    status = sp_store_commit(jobs->store, j->id, text, err);
  free(text);
  pthread_mutex_lock(&jobs->lock);
  if (!status)
    status = put_in(jobs, j, err);
  if (!status)
    enqueue(jobs, j);
  pthread_mutex_unlock(&jobs->lock);
  return status;
}

sp_status sp_jobs_together(sp_jobs *jobs, char (*of)[SP_STORE_ID], size_t count, char id[SP_STORE_ID], sp_error *err)
{
  char name[SP_JOB_NAME];
  sp_status status = count >= 1 && count <= SP_JOBS_TOGETHER_MOST
                         ? SP_OK
                         : sp_fail(err, SP_E_USAGE, "choose from 1 to %d boards", SP_JOBS_TOGETHER_MOST);
  for (size_t i = 0; !status && i < count; i++)
    if (!measured(jobs, of[i]))
      status = sp_fail(err, SP_E_USAGE, "one of these boards has not been measured; choose others");
  snprintf(name, sizeof name, "%zu boards together", count);
  job *j = status || sp_store_new_id(id, err) ? NULL : new_job(id, name);
  if (!status)
    status = j && (j->order.of = malloc(count * sizeof *j->order.of)) ? SP_OK : sp_fail_memory(err);
  if (!status) {
    memcpy(j->order.of, of, count * sizeof *j->order.of);
    j->order.of_count = count;
    status = add_together(jobs, j, err);
  }
  if (status)
    free_job(j);
  sp_jobs_release(jobs);
  return status;
}

sp_status sp_jobs_sum_history(sp_jobs *jobs, char id[SP_STORE_ID], sp_error *err)
{
  sp_status status = sp_store_new_id(id, err);
  job *j = status ? NULL : new_job(id, "All boards so far");
  if (!status)
    status = j ? SP_OK : sp_fail_memory(err);
  if (!status) {
    j->order.of_history = true;
    status = add_together(jobs, j, err);
  }
  if (status)
    free_job(j);
  sp_jobs_release(jobs);
  return status;
}

static sp_status no_such(sp_error *err)
{
  return sp_fail(err, SP_E_NOINPUT, "there is no such board; it may have been thrown away");
}

/* Under the lock: writes the order as the next run and sets it going; what was asked before stands if that fails. */
static sp_status ask_anew(sp_jobs *jobs, job *j, sp_error *err)
{
  j->order.run++;
  char *text = sp_job_order_text(&j->order);
  const int folder = sp_store_job(jobs->store, j->id);
  const sp_status status = !text        ? sp_fail_memory(err)
                           : folder < 0 ? no_such(err)
                                        : sp_store_put(folder, "job.json", text, err);
  free(text);
  if (folder >= 0)
    close(folder);
  if (status) {
    j->order.run--;
    return status;
  }
  j->failure[0] = '\0';
  if (j->state != SP_JOB_WORKING)
    enqueue(jobs, j);
  else if (j->worker > 0)
    kill(-j->worker, SIGKILL); /* its result is no longer wanted */
  return SP_OK;
}

static sp_status changeable(const sp_jobs *jobs, const job *j, sp_error *err)
{
  if (is_sum(j))
    return sp_fail(err, SP_E_USAGE, "these are boards summed up; choose them anew for another sum");
  if (waiting(jobs) + jobs->reserved >= jobs->options.waiting_most)
    return sp_fail(err, SP_E_USAGE, "too many boards are waiting; try again when some of them are measured");
  return SP_OK;
}

static sp_status copy_said(const sp_corrections *from, sp_corrections *to, sp_error *err)
{
  sp_status status = SP_OK;
  *to = (sp_corrections){.list = NULL};
  for (size_t i = 0; !status && i < from->count; i++)
    status = sp_corrections_add(to, &from->list[i], err);
  if (status)
    sp_corrections_free(to);
  return status;
}

sp_status sp_jobs_correct(sp_jobs *jobs, const char *id, const sp_corrections *said, size_t applied, sp_error *err)
{
  sp_corrections copy;
  sp_status status = copy_said(said, &copy, err);
  if (status)
    return status;
  pthread_mutex_lock(&jobs->lock);
  job *j = find(jobs, id);
  status = j ? changeable(jobs, j, err) : no_such(err);
  if (!status && j->order.pieces.count)
    status = sp_fail(err, SP_E_USAGE,
                     "a board in pieces takes nothing by hand; check the pieces one by one to say "
                     "something of them");
  if (!status) {
    const sp_corrections before = j->order.said;
    const size_t applied_before = j->order.applied;
    j->order.said = copy;
    j->order.applied = applied < copy.count ? applied : copy.count;
    status = ask_anew(jobs, j, err);
    if (status) {
      j->order.said = before;
      j->order.applied = applied_before;
    } else {
      copy = before;
    }
  }
  pthread_mutex_unlock(&jobs->lock);
  sp_corrections_free(&copy);
  return status;
}

/* The pieces in another order; every one of them once. */
static sp_status turn_pieces(const sp_job_change *c, sp_job_pieces *p, sp_error *err)
{
  const sp_job_pieces before = *p;
  unsigned seen = 0;
  if (!c->turn)
    return SP_OK;
  for (size_t i = 0; i < c->turn_count && i < before.count && c->turn[i] < before.count; i++) {
    memcpy(p->name[i], before.name[c->turn[i]], sizeof p->name[i]);
    p->file[i] = before.file[c->turn[i]];
    seen |= 1u << c->turn[i];
  }
  if (before.count && c->turn_count == before.count && seen == (1u << before.count) - 1u)
    return SP_OK;
  return sp_fail(err, SP_E_USAGE, "the order of the pieces has arrived garbled; load the page again");
}

/* What would be asked, in `order`, whose board is owned if `other_board`. */
static sp_status plan_change(const job *j, const sp_job_change *c, sp_job_order *order, const char **field,
                             sp_error *err)
{
  sp_boardfile b;
  *order = j->order;
  order->settings = *c->settings;
  sp_status status = turn_pieces(c, &order->pieces, err);
  if (status)
    return status;
  if (c->other_board)
    order->board = c->board ? strdup(c->board) : NULL;
  if (c->other_board && c->board && !order->board)
    return sp_fail_memory(err);
  const bool described =
      order->board && sp_boardfile_parse(order->board, strlen(order->board), NULL, &b, NULL) == SP_OK;
  status = sp_settings_complete(&order->settings, described ? &b : NULL, order->pieces.count, field, err);
  if (described)
    sp_boardfile_free(&b);
  if (status && c->other_board)
    free(order->board);
  return status;
}

/* Under the lock. */
static sp_status change(sp_jobs *jobs, job *j, const sp_job_change *c, const char **field, sp_error *err)
{
  sp_job_order planned;
  sp_status status = plan_change(j, c, &planned, field, err);
  if (status)
    return status;
  const sp_job_order before = j->order;
  j->order = planned;
  status = ask_anew(jobs, j, err);
  if (status)
    j->order = before;
  if (c->other_board)
    free(status ? planned.board : before.board);
  if (status || !c->other_board)
    return status;
  cJSON_Delete(j->board);
  j->board = board_tree(j->order.board);
  return SP_OK;
}

sp_status sp_jobs_again(sp_jobs *jobs, const char *id, const sp_job_change *what, const char **field, sp_error *err)
{
  *field = NULL;
  pthread_mutex_lock(&jobs->lock);
  job *j = find(jobs, id);
  sp_status status = j ? changeable(jobs, j, err) : no_such(err);
  if (!status)
    status = change(jobs, j, what, field, err);
  pthread_mutex_unlock(&jobs->lock);
  return status;
}

sp_status sp_jobs_remove(sp_jobs *jobs, const char *id, bool from_history, sp_error *err)
{
  char identity[SP_SHA256_TEXT] = "";
  if (from_history && measured(jobs, id))
    past_identity(jobs->store, id, sp_jobs_shown(jobs, id), identity);
  if (past_forget(jobs->store, identity, err))
    return err->status;
  pthread_mutex_lock(&jobs->lock);
  job *j = find(jobs, id);
  sp_status status = j ? SP_OK : no_such(err);
  if (!status && j->state == SP_JOB_WORKING) {
    j->removed = true;
    if (j->worker > 0)
      kill(-j->worker, SIGKILL);
  } else if (!status) {
    status = sp_store_remove(jobs->store, id, err);
    if (!status)
      take_out(jobs, j);
  }
  pthread_mutex_unlock(&jobs->lock);
  return status;
}

/* ---- told ------------------------------------------------------------------------------------------------------- */

static size_t ahead_of(const sp_jobs *jobs, const job *j)
{
  size_t n = 0;
  for (size_t i = 0; i < jobs->count; i++)
    n += jobs->list[i]->state == SP_JOB_WAITING && jobs->list[i]->turn < j->turn;
  return n;
}

static cJSON *names_tree(const sp_job_pieces *p)
{
  sp_tree tree = {0};
  cJSON *list = cJSON_CreateArray();
  for (size_t i = 0; i < p->count; i++)
    sp_tree_attach(&tree, list, NULL, cJSON_CreateString(p->name[i]));
  if (!tree.failed)
    return list;
  cJSON_Delete(list);
  return NULL;
}

static cJSON *tree_of(const sp_jobs *jobs, const job *j)
{
  static const char *const STATES[] = {"waiting", "working", "done", "failed"};
  sp_tree tree = {0};
  cJSON *root = cJSON_CreateObject();
  sp_tree_attach(&tree, root, "id", cJSON_CreateString(j->id));
  sp_tree_attach(&tree, root, "name", cJSON_CreateString(j->order.name));
  sp_tree_attach(&tree, root, "created_s", cJSON_CreateNumber((double)j->order.created_s));
  sp_tree_attach(&tree, root, "state", cJSON_CreateString(STATES[j->state]));
  sp_tree_attach(&tree, root, "run", cJSON_CreateNumber(j->order.run));
  sp_tree_attach(&tree, root, "shown", cJSON_CreateNumber(j->shown));
  sp_tree_attach(&tree, root, "settings", sp_settings_tree(&j->order.settings));
  if (j->board)
    sp_tree_attach(&tree, root, "board", cJSON_Duplicate(j->board, 1));
  if (j->order.pieces.count)
    sp_tree_attach(&tree, root, "pieces", names_tree(&j->order.pieces));
  if (j->state == SP_JOB_WORKING && j->order.pieces.count && j->piece)
    sp_tree_attach(&tree, root, "piece", cJSON_CreateNumber(j->piece));
  if (j->order.of)
    sp_tree_attach(&tree, root, "together", cJSON_CreateNumber((double)j->order.of_count));
  if (j->order.of_history)
    sp_tree_attach(&tree, root, "history", cJSON_CreateTrue());
  if (j->state == SP_JOB_WAITING)
    sp_tree_attach(&tree, root, "ahead", cJSON_CreateNumber((double)ahead_of(jobs, j)));
  if (j->state == SP_JOB_WORKING)
    sp_tree_attach(&tree, root, "stage", cJSON_CreateString(sp_work_stage_word(j->stage)));
  if (j->failure[0])
    sp_tree_attach(&tree, root, "failure", cJSON_CreateString(j->failure));
  if (j->about)
    sp_tree_attach(&tree, root, "about", cJSON_Duplicate(j->about, 1));
  if (!tree.failed)
    return root;
  cJSON_Delete(root);
  return NULL;
}

static cJSON *said_tree(const sp_corrections *said)
{
  sp_tree tree = {0};
  cJSON *list = cJSON_CreateArray();
  for (size_t i = 0; i < said->count; i++) {
    const sp_correction *c = &said->list[i];
    cJSON *item = sp_tree_attach(&tree, list, NULL, cJSON_CreateObject());
    const double at[2] = {c->at_px.x, c->at_px.y};
    sp_tree_attach(&tree, item, "kind", cJSON_CreateString(sp_correction_word(c->kind)));
    sp_tree_attach(&tree, item, "at_px", cJSON_CreateDoubleArray(at, 2));
    if (c->kind == SP_CORRECTION_GRADUATION)
      sp_tree_attach(&tree, item, "reading_mm", cJSON_CreateNumber(c->reading_mm));
    if (c->source)
      sp_tree_attach(&tree, item, "source", cJSON_CreateNumber(c->source));
  }
  if (!tree.failed)
    return list;
  cJSON_Delete(list);
  return NULL;
}

cJSON *sp_jobs_tree(sp_jobs *jobs, const char *id)
{
  sp_tree tree = {0};
  pthread_mutex_lock(&jobs->lock);
  const job *j = find(jobs, id);
  cJSON *root = j ? tree_of(jobs, j) : NULL;
  if (root) {
    sp_tree_attach(&tree, root, "corrections", said_tree(&j->order.said));
    sp_tree_attach(&tree, root, "applied", cJSON_CreateNumber((double)j->order.applied));
  }
  pthread_mutex_unlock(&jobs->lock);
  if (!tree.failed)
    return root;
  cJSON_Delete(root);
  return NULL;
}

static int later_first(const void *a, const void *b)
{
  const job *const *x = a, *const *y = b;
  if ((*x)->order.created_s != (*y)->order.created_s)
    return (*x)->order.created_s < (*y)->order.created_s ? 1 : -1;
  return strcmp((*y)->id, (*x)->id);
}

cJSON *sp_jobs_list_tree(sp_jobs *jobs)
{
  sp_tree tree = {0};
  cJSON *list = cJSON_CreateArray();
  pthread_mutex_lock(&jobs->lock);
  job **sorted = malloc((jobs->count + 1) * sizeof *sorted);
  tree.failed = !sorted;
  if (sorted) {
    if (jobs->count)
      memcpy(sorted, jobs->list, jobs->count * sizeof *sorted);
    qsort(sorted, jobs->count, sizeof *sorted, later_first);
    for (size_t i = 0; i < jobs->count; i++)
      if (!sorted[i]->removed)
        sp_tree_attach(&tree, list, NULL, tree_of(jobs, sorted[i]));
  }
  pthread_mutex_unlock(&jobs->lock);
  free(sorted);
  if (!tree.failed)
    return list;
  cJSON_Delete(list);
  return NULL;
}

uint32_t sp_jobs_shown(sp_jobs *jobs, const char *id)
{
  pthread_mutex_lock(&jobs->lock);
  const job *j = find(jobs, id);
  const uint32_t shown = j ? j->shown : 0;
  pthread_mutex_unlock(&jobs->lock);
  return shown;
}
