/* A job's folder from the first byte received to the last result. */
#define _GNU_SOURCE /* O_NOFOLLOW, dirfd */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "slotproof/store.h"
#include "store_internal.h"

enum { DEEPEST = 4, NAME = 40 };

static int open_dir(int at, const char *name)
{
  return openat(at, name, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
}

/* ---- receiving -------------------------------------------------------------------------------------------------- */

void sp_store_picture_name(size_t number, char name[SP_STORE_PICTURE])
{
  snprintf(name, SP_STORE_PICTURE, number ? "picture-%zu" : "picture", number);
}

sp_status sp_store_begin_piece(sp_store *s, const char *id, size_t number, int *fd, sp_error *err)
{
  char name[SP_STORE_PICTURE];
  const int folder = open_dir(s->incoming, id);
  *fd = -1;
  sp_store_picture_name(number, name);
  if (folder >= 0) {
    *fd = openat(folder, name, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0600);
    close(folder);
  }
  return *fd >= 0 ? SP_OK : store_failed(err, SP_E_IO, "making a file");
}

sp_status sp_store_begin(sp_store *s, const char *id, int *fd, sp_error *err)
{
  *fd = -1;
  if (mkdirat(s->incoming, id, 0700) != 0)
    return store_failed(err, SP_E_IO, "making a folder");
  return sp_store_begin_piece(s, id, 0, fd, err);
}

/* Every file of the folder and the folder itself, out to the disk. */
static bool push_out(int folder)
{
  const int copy = open_dir(folder, ".");
  DIR *list = copy >= 0 ? fdopendir(copy) : NULL;
  bool fine = list != NULL;
  for (struct dirent *e; fine && (e = readdir(list));) {
    const int fd = e->d_name[0] == '.' ? -1 : sp_store_file(folder, e->d_name);
    if (fd < 0)
      continue;
    fine = fsync(fd) == 0;
    close(fd);
  }
  if (list)
    closedir(list);
  return fine && fsync(folder) == 0;
}

sp_status sp_store_commit(sp_store *s, const char *id, const char *text, sp_error *err)
{
  const int folder = open_dir(s->incoming, id);
  if (folder < 0 || !push_out(folder)) {
    if (folder >= 0)
      close(folder);
    return store_failed(err, SP_E_IO, "writing");
  }
  const sp_status status = sp_store_put(folder, "job.json", text, err);
  close(folder);
  if (status)
    return status;
  if (renameat(s->incoming, id, s->jobs, id) != 0 || fsync(s->jobs) != 0)
    return store_failed(err, SP_E_IO, "moving a folder");
  return SP_OK;
}

void sp_store_drop(sp_store *s, const char *id)
{
  store_remove_tree(s->incoming, id, DEEPEST);
}

/* ---- looking ---------------------------------------------------------------------------------------------------- */

sp_status sp_store_each(sp_store *s, sp_store_visit visit, void *context, sp_error *err)
{
  const int copy = open_dir(s->jobs, ".");
  DIR *list = copy >= 0 ? fdopendir(copy) : NULL;
  sp_status status = list ? SP_OK : store_failed(err, SP_E_IO, "listing the jobs");
  for (struct dirent *e; !status && (e = readdir(list));) {
    const int folder = sp_store_id_valid(e->d_name) ? open_dir(s->jobs, e->d_name) : -1;
    if (folder < 0)
      continue;
    status = visit(context, e->d_name, folder, err);
    close(folder);
  }
  if (list)
    closedir(list);
  return status;
}

int sp_store_job(const sp_store *s, const char *id)
{
  return sp_store_id_valid(id) ? open_dir(s->jobs, id) : -1;
}

int sp_store_result(const sp_store *s, const char *id, uint32_t run)
{
  char name[NAME];
  const int job = sp_store_job(s, id);
  if (job < 0)
    return -1;
  snprintf(name, sizeof name, "result-%u", (unsigned)run);
  const int result = open_dir(job, name);
  close(job);
  return result;
}

/* ---- runs ------------------------------------------------------------------------------------------------------- */

/* The number in "result-12" behind `word`, or 0. */
static uint32_t number_behind(const char *word, const char *name)
{
  const size_t length = strlen(word);
  const char *digits = name + length;
  if (strncmp(name, word, length) != 0 || !*digits || strlen(digits) > 9 ||
      strspn(digits, "0123456789") != strlen(digits))
    return 0;
  return (uint32_t)strtoul(digits, NULL, 10);
}

static bool has_failed(int job, const char *result)
{
  char name[2 * NAME];
  struct stat about;
  snprintf(name, sizeof name, "%.*s/failure.txt", NAME, result);
  return fstatat(job, name, &about, AT_SYMLINK_NOFOLLOW) == 0;
}

void sp_store_runs(int job, bool sweep, uint32_t *last, uint32_t *good)
{
  const int copy = open_dir(job, ".");
  DIR *list = copy >= 0 ? fdopendir(copy) : NULL;
  *last = *good = 0;
  for (struct dirent *e; list && (e = readdir(list));) {
    const uint32_t run = number_behind("result-", e->d_name);
    if (run > *last)
      *last = run;
    if (run > *good && !has_failed(job, e->d_name))
      *good = run;
    if (sweep && number_behind("work-", e->d_name))
      store_remove_tree(job, e->d_name, DEEPEST);
  }
  if (list)
    closedir(list);
}

sp_status sp_store_work(const sp_store *s, const char *id, uint32_t run, char **path, sp_error *err)
{
  char name[NAME];
  const size_t size = strlen(s->path) + SP_STORE_ID + NAME + 10;
  const int job = sp_store_job(s, id);
  *path = malloc(size);
  if (job < 0 || !*path) {
    if (job >= 0)
      close(job);
    return *path ? store_failed(err, SP_E_IO, "opening a job") : sp_fail_memory(err);
  }
  snprintf(name, sizeof name, "work-%u", (unsigned)run);
  store_remove_tree(job, name, DEEPEST);
  const bool made = mkdirat(job, name, 0700) == 0;
  close(job);
  snprintf(*path, size, "%s/jobs/%s/%s", s->path, id, name);
  return made ? SP_OK : store_failed(err, SP_E_IO, "making a folder");
}

static void remove_before(int job, uint32_t keep)
{
  const int copy = open_dir(job, ".");
  DIR *list = copy >= 0 ? fdopendir(copy) : NULL;
  for (struct dirent *e; list && (e = readdir(list));) {
    const uint32_t run = number_behind("result-", e->d_name);
    if (run && run < keep)
      store_remove_tree(job, e->d_name, DEEPEST);
  }
  if (list)
    closedir(list);
}

static sp_status finish(int job, const char *work, const char *result, const char *failure, sp_error *err)
{
  sp_status status = SP_OK;
  if (failure && (!store_remove_tree(job, work, DEEPEST) || mkdirat(job, work, 0700) != 0))
    return store_failed(err, SP_E_IO, "making a folder");
  const int folder = open_dir(job, work);
  if (folder < 0)
    return store_failed(err, SP_E_IO, "opening a result");
  if (failure)
    status = sp_store_put(folder, "failure.txt", failure, err);
  else if (!push_out(folder) || (renameat(folder, "tiles.pack", job, "tiles.pack") != 0 && errno != ENOENT))
    status = store_failed(err, SP_E_IO, "writing a result");
  close(folder);
  if (!status && (renameat(job, work, job, result) != 0 || fsync(job) != 0))
    status = store_failed(err, SP_E_IO, "moving a result");
  return status;
}

sp_status sp_store_finish(const sp_store *s, const char *id, uint32_t run, const char *failure, uint32_t keep,
                          sp_error *err)
{
  char work[NAME], result[NAME];
  const int job = sp_store_job(s, id);
  if (job < 0)
    return store_failed(err, SP_E_IO, "opening a job");
  snprintf(work, sizeof work, "work-%u", (unsigned)run);
  snprintf(result, sizeof result, "result-%u", (unsigned)run);
  const sp_status status = finish(job, work, result, failure, err);
  if (!status)
    remove_before(job, keep);
  close(job);
  return status;
}

sp_status sp_store_remove(sp_store *s, const char *id, sp_error *err)
{
  /* out of sight first: a kill half way leaves no job without its picture */
  if (renameat(s->jobs, id, s->incoming, id) != 0 || fsync(s->jobs) != 0)
    return store_failed(err, SP_E_IO, "throwing the board away");
  store_remove_tree(s->incoming, id, DEEPEST);
  return SP_OK;
}
