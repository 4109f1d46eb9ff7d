/* The scanner: looked for, set going, stopped. Drivers come from elsewhere and may hang or crash, so everything that
 * touches one is done by a process of its own ("slotproof fetch") with a limit in time; a scan that is stopped is given
 * a while to send the carriage home. One thing at a time, by one thread. */
#define _GNU_SOURCE /* strdup */
#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "jobs_internal.h"
#include "slotproof/json_tree.h"
#include "slotproof/scan.h"

/* A4 at 1200 dpi takes some minutes on a slow one; drivers that ask the network some seconds. */
enum { LOOK_SECONDS = 40, SCAN_SECONDS = 600, HOME_SECONDS = 20, MOST_DEVICES = 16 };

typedef enum activity { NOTHING, LOOKING, SCANNING } activity;

typedef struct device {
  char name[SP_SCAN_TEXT], words[2 * SP_SCAN_TEXT + 2];
} device;

struct sp_scanner {
  sp_store *store;
  sp_jobs *jobs;
  const char *program;
  pthread_mutex_t lock;
  pthread_cond_t changed;
  pthread_t thread;
  bool running, ending, looked;
  activity doing;
  bool everywhere; /* LOOKING: on the network, too */
  device devices[MOST_DEVICES];
  size_t count;
  /* SCANNING */
  device chosen;
  int dpi, percent; /* percent -1: not known */
  sp_job_order order;
  char id[SP_STORE_ID];
  pid_t child;
  int64_t stopped_s;         /* 0: not */
  char last_id[SP_STORE_ID]; /* of the board that the last scan became */
  char trouble[WORK_FAILURE];
};

static int64_t now_s(void)
{
  struct timespec t = {0};
  clock_gettime(CLOCK_MONOTONIC, &t);
  return t.tv_sec;
}

/* ---- what the child tells --------------------------------------------------------------------------------------- */

static void note_child(void *context, pid_t child)
{
  sp_scanner *s = context;
  pthread_mutex_lock(&s->lock);
  s->child = child;
  if (child > 0 && s->stopped_s)
    kill(child, SIGTERM);
  pthread_mutex_unlock(&s->lock);
}

static bool is_given_up(void *context)
{
  sp_scanner *s = context;
  pthread_mutex_lock(&s->lock);
  const bool yes = s->stopped_s && now_s() - s->stopped_s >= HOME_SECONDS;
  pthread_mutex_unlock(&s->lock);
  return yes;
}

/* "name TAB words" */
static void note_device(void *context, const char *line)
{
  sp_scanner *s = context;
  const size_t length = strcspn(line, "\t");
  pthread_mutex_lock(&s->lock);
  if (line[length] && length < SP_SCAN_TEXT && s->count < MOST_DEVICES) {
    device *d = &s->devices[s->count++];
    snprintf(d->name, sizeof d->name, "%.*s", (int)length, line);
    snprintf(d->words, sizeof d->words, "%s", line + length + 1);
  }
  pthread_mutex_unlock(&s->lock);
}

/* Per cent. */
static void note_progress(void *context, const char *line)
{
  sp_scanner *s = context;
  pthread_mutex_lock(&s->lock);
  s->percent = strspn(line, "0123456789") == strlen(line) && *line && strlen(line) < 4 ? atoi(line) : -1;
  pthread_mutex_unlock(&s->lock);
}

/* ---- the two things it does ------------------------------------------------------------------------------------- */

/* False with a sentence. */
static bool run(sp_scanner *s, const char *const *arguments, unsigned seconds, void (*line)(void *, const char *),
                char trouble[WORK_FAILURE])
{
  child_end end;
  const child_request request = {.program = s->program,
                                 .arguments = (char *const *)(uintptr_t)arguments,
                                 .seconds = seconds,
                                 .started = note_child,
                                 .line = line,
                                 .given_up = is_given_up,
                                 .context = s};
  child_run(&request, &end);
  if (!end.failed && end.in_time && WIFEXITED(end.status) && WEXITSTATUS(end.status) == 0)
    return true;
  if (end.failed)
    snprintf(trouble, WORK_FAILURE, "the program could not start a process (%s); close other programs and try again",
             strerror(end.failed));
  else if (!end.in_time)
    snprintf(trouble, WORK_FAILURE, "the scanner did not end in time; switch it off and on and try again");
  else if (!WIFEXITED(end.status) || !child_first_line(end.said, trouble))
    snprintf(trouble, WORK_FAILURE, "the scanner's driver broke off; switch the scanner off and on and try again");
  return false;
}

static void look(sp_scanner *s)
{
  const char *const arguments[] = {"slotproof", "fetch", "list", s->everywhere ? "all" : "local", NULL};
  char trouble[WORK_FAILURE] = "";
  s->count = 0;
  pthread_mutex_unlock(&s->lock);
  run(s, arguments, LOOK_SECONDS, note_device, trouble);
  pthread_mutex_lock(&s->lock);
  s->looked = true;
  memcpy(s->trouble, trouble, sizeof s->trouble);
}

/* What was received becomes a board, or nothing is left of it. The place in the queue goes either way. */
static bool keep(sp_scanner *s, bool fine, char trouble[WORK_FAILURE])
{
  sp_error err = {0};
  const bool kept = fine && sp_jobs_add(s->jobs, s->id, &s->order, &err) == SP_OK;
  if (!fine)
    sp_jobs_release(s->jobs);
  if (fine && !kept)
    snprintf(trouble, WORK_FAILURE, "%s", err.text);
  if (!kept)
    sp_store_drop(s->store, s->id);
  return kept;
}

static void scan(sp_scanner *s)
{
  char dpi[20], *file = NULL, trouble[WORK_FAILURE] = "";
  const size_t size = strlen(s->store->path) + 100;
  snprintf(dpi, sizeof dpi, "%d", s->dpi);
  file = malloc(size);
  pthread_mutex_unlock(&s->lock);
  if (file)
    snprintf(file, size, "%s/incoming/%s/picture", s->store->path, s->id);
  const char *const arguments[] = {"slotproof", "fetch", "scan", dpi, s->chosen.name, file, NULL};
  const bool fine = file && run(s, arguments, SCAN_SECONDS, note_progress, trouble);
  const bool kept = keep(s, fine, trouble);
  free(file);
  pthread_mutex_lock(&s->lock);
  if (kept) /* even if somebody has stopped it, too late */
    memcpy(s->last_id, s->id, sizeof s->last_id);
  snprintf(s->trouble, sizeof s->trouble, "%s",
           s->stopped_s && !kept ? "the scan was stopped; nothing was kept" : trouble);
  sp_job_order_free(&s->order);
}

static void *work(void *context)
{
  sp_scanner *s = context;
  pthread_mutex_lock(&s->lock);
  while (!s->ending) {
    if (s->doing == NOTHING) {
      pthread_cond_wait(&s->changed, &s->lock);
      continue;
    }
    if (s->doing == LOOKING)
      look(s);
    else
      scan(s);
    s->doing = NOTHING;
    s->stopped_s = 0;
  }
  pthread_mutex_unlock(&s->lock);
  return NULL;
}

/* ---- asked from outside ----------------------------------------------------------------------------------------- */

sp_status sp_scanner_open(sp_store *store, sp_jobs *jobs, const char *program, sp_scanner **out, sp_error *err)
{
  sp_scanner *s = calloc(1, sizeof *s);
  *out = NULL;
  if (!s)
    return sp_fail_memory(err);
  s->store = store;
  s->jobs = jobs;
  s->program = program ? program : "/proc/self/exe";
  s->child = -1;
  pthread_mutex_init(&s->lock, NULL);
  pthread_cond_init(&s->changed, NULL);
  s->running = pthread_create(&s->thread, NULL, work, s) == 0;
  if (!s->running) {
    sp_scanner_close(s);
    return sp_fail_memory(err);
  }
  *out = s;
  return SP_OK;
}

void sp_scanner_close(sp_scanner *s)
{
  if (!s)
    return;
  pthread_mutex_lock(&s->lock);
  s->ending = true;
  s->stopped_s = now_s();
  if (s->child > 0)
    kill(s->child, SIGTERM);
  pthread_cond_signal(&s->changed);
  pthread_mutex_unlock(&s->lock);
  if (s->running)
    pthread_join(s->thread, NULL);
  pthread_cond_destroy(&s->changed);
  pthread_mutex_destroy(&s->lock);
  free(s);
}

/* Under the lock. */
static sp_status begin(sp_scanner *s, activity what, sp_error *err)
{
  if (!sp_scan_is_built())
    return sp_fail(err, SP_E_USAGE,
                   "this program was built without scanner support; scan with another program and "
                   "choose the picture");
  if (s->doing != NOTHING)
    return sp_fail(err, SP_E_USAGE, "the scanner is busy; wait until it has finished");
  s->doing = what;
  s->trouble[0] = '\0';
  s->last_id[0] = '\0';
  pthread_cond_signal(&s->changed);
  return SP_OK;
}

sp_status sp_scanner_look(sp_scanner *s, bool everywhere, sp_error *err)
{
  pthread_mutex_lock(&s->lock);
  const sp_status status = begin(s, LOOKING, err);
  if (!status)
    s->everywhere = everywhere;
  pthread_mutex_unlock(&s->lock);
  return status;
}

static const device *find_device(const sp_scanner *s, const char *name)
{
  for (size_t i = 0; i < s->count; i++)
    if (strcmp(s->devices[i].name, name) == 0)
      return &s->devices[i];
  return NULL;
}

static sp_status copy_order(const sp_job_order *from, sp_job_order *to, sp_error *err)
{
  const time_t now = time(NULL);
  struct tm day;
  *to = (sp_job_order){.settings = from->settings, .board = from->board ? strdup(from->board) : NULL};
  if (from->board && !to->board)
    return sp_fail_memory(err);
  if (!localtime_r(&now, &day) || !strftime(to->name, sizeof to->name, "scan-%Y-%m-%d-%H%M%S.png", &day))
    strcpy(to->name, "scan.png");
  return SP_OK;
}

/* Under the lock, with a place in the queue. */
static sp_status prepare(sp_scanner *s, const device *d, int dpi, const sp_job_order *order, sp_error *err)
{
  int fd = -1;
  sp_status status = copy_order(order, &s->order, err);
  if (!status)
    status = sp_store_new_id(s->id, err);
  if (!status)
    status = sp_store_begin(s->store, s->id, &fd, err);
  if (fd >= 0)
    close(fd);
  s->chosen = *d;
  s->dpi = dpi;
  s->percent = -1;
  if (status)
    sp_job_order_free(&s->order);
  return status;
}

sp_status sp_scanner_scan(sp_scanner *s, const char *name, int dpi, const sp_job_order *order, sp_error *err)
{
  pthread_mutex_lock(&s->lock);
  const device *d = find_device(s, name);
  sp_status status =
      d || s->doing != NOTHING ? SP_OK : sp_fail(err, SP_E_USAGE, "that scanner is not to be seen; look for it again");
  if (!status && (dpi < SP_SCANNER_LEAST_DPI || dpi > SP_SCANNER_MOST_DPI))
    status = sp_fail(err, SP_E_USAGE, "give a resolution from %d to %d dpi", SP_SCANNER_LEAST_DPI, SP_SCANNER_MOST_DPI);
  if (!status)
    status = begin(s, SCANNING, err);
  if (!status) {
    status = sp_jobs_reserve(s->jobs, err);
    if (!status && (status = prepare(s, d, dpi, order, err)) != SP_OK)
      sp_jobs_release(s->jobs);
    if (status)
      s->doing = NOTHING;
  }
  pthread_mutex_unlock(&s->lock);
  return status;
}

void sp_scanner_stop(sp_scanner *s)
{
  pthread_mutex_lock(&s->lock);
  if (s->doing == SCANNING && !s->stopped_s) {
    s->stopped_s = now_s();
    if (s->child > 0)
      kill(s->child, SIGTERM);
  }
  pthread_mutex_unlock(&s->lock);
}

/* ---- told ------------------------------------------------------------------------------------------------------- */

static cJSON *devices_tree(const sp_scanner *s)
{
  sp_tree tree = {0};
  cJSON *list = cJSON_CreateArray();
  for (size_t i = 0; i < s->count; i++) {
    cJSON *one = sp_tree_attach(&tree, list, NULL, cJSON_CreateObject());
    sp_tree_attach(&tree, one, "name", cJSON_CreateString(s->devices[i].name));
    sp_tree_attach(&tree, one, "words", cJSON_CreateString(s->devices[i].words));
  }
  if (!tree.failed)
    return list;
  cJSON_Delete(list);
  return NULL;
}

cJSON *sp_scanner_tree(sp_scanner *s)
{
  static const char *const DOING[] = {"nothing", "looking", "scanning"};
  sp_tree tree = {0};
  cJSON *root = cJSON_CreateObject();
  pthread_mutex_lock(&s->lock);
  sp_tree_attach(&tree, root, "built", cJSON_CreateBool(sp_scan_is_built()));
  sp_tree_attach(&tree, root, "looked", cJSON_CreateBool(s->looked));
  sp_tree_attach(&tree, root, "doing", cJSON_CreateString(DOING[s->doing]));
  sp_tree_attach(&tree, root, "devices", devices_tree(s));
  if (s->doing == SCANNING)
    sp_tree_attach(&tree, root, "stopping", cJSON_CreateBool(s->stopped_s != 0));
  if (s->doing == SCANNING && s->percent >= 0)
    sp_tree_attach(&tree, root, "percent", cJSON_CreateNumber(s->percent));
  if (s->last_id[0])
    sp_tree_attach(&tree, root, "id", cJSON_CreateString(s->last_id));
  if (s->trouble[0])
    sp_tree_attach(&tree, root, "trouble", cJSON_CreateString(s->trouble));
  pthread_mutex_unlock(&s->lock);
  if (!tree.failed)
    return root;
  cJSON_Delete(root);
  return NULL;
}
