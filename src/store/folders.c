/* Folders and files by descriptor: a path is put together once, at the start. */
#define _GNU_SOURCE /* flock and realpath hide without it */
#include "slotproof/store.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "store_internal.h"

enum { FOLDER_MODE = 0700, FILE_MODE = 0600, DEEPEST = 4 };
/* Left free on the disk, so that results of what was received still find room. */
static const uint64_t SPARE_BYTES = UINT64_C(256) << 20;

sp_status store_failed(sp_error *err, sp_status status, const char *what)
{
  return sp_fail(err, status, "%s failed (%s); look after the disk and the permissions of the data folder", what,
                 strerror(errno));
}

/* ---- identities ------------------------------------------------------------------------------------------------- */

bool sp_store_id_valid(const char *text)
{
  return strlen(text) == SP_STORE_ID - 1 && strspn(text, "0123456789abcdef") == SP_STORE_ID - 1;
}

sp_status sp_store_random(char *text, size_t bytes, sp_error *err)
{
  static const char DIGITS[] = "0123456789abcdef";
  for (size_t i = 0; i < bytes; i++) {
    unsigned char byte;
    if (getrandom(&byte, 1, 0) != 1)
      return sp_fail(err, SP_E_INTERNAL, "the system gives no random numbers");
    text[2 * i] = DIGITS[byte >> 4];
    text[2 * i + 1] = DIGITS[byte & 15];
  }
  text[2 * bytes] = '\0';
  return SP_OK;
}

sp_status sp_store_new_id(char id[SP_STORE_ID], sp_error *err)
{
  return sp_store_random(id, (SP_STORE_ID - 1) / 2, err);
}

/* ---- the data folder -------------------------------------------------------------------------------------------- */

char *sp_store_default_path(void)
{
  const char *data = getenv("XDG_DATA_HOME"), *home = getenv("HOME");
  const bool xdg = data && data[0] == '/';
  if (!xdg && !(home && home[0] == '/'))
    return NULL;
  const size_t size = strlen(xdg ? data : home) + 40;
  char *path = malloc(size);
  if (path)
    snprintf(path, size, "%s%s/slotproof", xdg ? data : home, xdg ? "" : "/.local/share");
  return path;
}

/* Every missing folder of the path. */
static bool make_path(const char *path)
{
  char *part = malloc(strlen(path) + 1);
  bool fine = part != NULL;
  if (part)
    strcpy(part, path);
  for (char *at = part; fine && *at; at++) {
    if (at[1] != '/' && at[1] != '\0')
      continue;
    const char held = at[1];
    at[1] = '\0';
    fine = mkdir(part, FOLDER_MODE) == 0 || errno == EEXIST || errno == EROFS || errno == EACCES;
    at[1] = held;
  }
  free(part);
  return fine;
}

static int open_folder(int at, const char *name)
{
  if (mkdirat(at, name, FOLDER_MODE) != 0 && errno != EEXIST)
    return -1;
  return openat(at, name, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
}

static void sweep(int folder)
{
  DIR *list = fdopendir(openat(folder, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  for (struct dirent *e; list && (e = readdir(list));)
    if (sp_store_id_valid(e->d_name))
      store_remove_tree(folder, e->d_name, DEEPEST);
  if (list)
    closedir(list);
}

sp_status sp_store_open(const char *path, sp_store *s, sp_error *err)
{
  *s = (sp_store){.root = -1, .jobs = -1, .incoming = -1, .boards = -1, .lock = -1};
  s->root = make_path(path) ? open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC) : -1;
  if (s->root < 0)
    return sp_fail(err, SP_E_CANTCREATE, "cannot be opened as a folder (%s); name another with --data",
                   strerror(errno));
  struct stat about;
  if (fstat(s->root, &about) != 0 || about.st_uid != geteuid() || fchmod(s->root, FOLDER_MODE) != 0)
    return sp_fail(err, SP_E_CANTCREATE, "is not a folder of your own; name another with --data");
  s->path = realpath(path, NULL);
  s->lock = openat(s->root, "lock", O_RDWR | O_CREAT | O_NOFOLLOW | O_CLOEXEC, FILE_MODE);
  if (!s->path || s->lock < 0)
    return store_failed(err, SP_E_CANTCREATE, "opening");
  if (flock(s->lock, LOCK_EX | LOCK_NB) != 0)
    return sp_fail(err, SP_E_CANTCREATE,
                   "is in use by another 'slotproof serve'; stop that, or name another with "
                   "--data");
  s->jobs = open_folder(s->root, "jobs");
  s->incoming = open_folder(s->root, "incoming");
  s->boards = open_folder(s->root, "boards");
  if (s->jobs < 0 || s->incoming < 0 || s->boards < 0)
    return store_failed(err, SP_E_CANTCREATE, "making a folder in it");
  sweep(s->incoming);
  return SP_OK;
}

void sp_store_close(sp_store *s)
{
  const int fds[] = {s->jobs, s->incoming, s->boards, s->root, s->lock};
  for (size_t i = 0; i < sizeof fds / sizeof *fds; i++)
    if (fds[i] > 2) /* zero: never opened */
      close(fds[i]);
  free(s->path);
  *s = (sp_store){.root = -1, .jobs = -1, .incoming = -1, .boards = -1, .lock = -1};
}

sp_status sp_store_room(const sp_store *s, uint64_t bytes, sp_error *err)
{
  struct statvfs disk;
  if (fstatvfs(s->root, &disk) != 0)
    return store_failed(err, SP_E_IO, "asking for room on the disk");
  if ((uint64_t)disk.f_bavail * disk.f_frsize < bytes + SPARE_BYTES)
    return sp_fail(err, SP_E_IO, "there is no room left on the disk; throw some old boards away");
  return SP_OK;
}

/* ---- files ------------------------------------------------------------------------------------------------------ */

int sp_store_file(int folder, const char *name)
{
  struct stat about;
  const int fd = openat(folder, name, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
  if (fd >= 0 && (fstat(fd, &about) != 0 || !S_ISREG(about.st_mode))) {
    close(fd);
    return -1;
  }
  return fd;
}

char *sp_store_text(int folder, const char *name, size_t most)
{
  struct stat about;
  const int fd = sp_store_file(folder, name);
  char *text = NULL;
  if (fd < 0)
    return NULL;
  if (fstat(fd, &about) == 0 && (uint64_t)about.st_size <= most)
    text = malloc((size_t)about.st_size + 1);
  size_t used = 0;
  for (ssize_t got = 1; text && got > 0 && used<(size_t)about.st_size; used += got> 0 ? (size_t)got : 0)
    got = read(fd, text + used, (size_t)about.st_size - used);
  close(fd);
  if (text && used != (size_t)about.st_size) {
    free(text);
    return NULL;
  }
  if (text)
    text[used] = '\0';
  return text;
}

static bool write_all(int fd, const char *text)
{
  const size_t size = strlen(text);
  for (size_t used = 0; used < size;) {
    const ssize_t put = write(fd, text + used, size - used);
    if (put < 0 && errno != EINTR)
      return false;
    used += put > 0 ? (size_t)put : 0;
  }
  return true;
}

sp_status sp_store_put(int folder, const char *name, const char *text, sp_error *err)
{
  char fresh[120];
  snprintf(fresh, sizeof fresh, ".%s.new", name);
  const int fd = openat(folder, fresh, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, FILE_MODE);
  if (fd < 0)
    return store_failed(err, SP_E_IO, "writing");
  const bool written = write_all(fd, text) && fsync(fd) == 0;
  if (close(fd) != 0 || !written || renameat(folder, fresh, folder, name) != 0 || fsync(folder) != 0)
    return store_failed(err, SP_E_IO, "writing");
  return SP_OK;
}

/* Symbolic links are removed, not followed. */
bool store_remove_tree(int at, const char *name, int deepest)
{
  if (unlinkat(at, name, 0) == 0 || errno == ENOENT)
    return true;
  const int folder = deepest > 0 ? openat(at, name, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC) : -1;
  DIR *list = folder >= 0 ? fdopendir(folder) : NULL;
  if (!list) {
    if (folder >= 0)
      close(folder);
    return false;
  }
  for (struct dirent *e; (e = readdir(list));)
    if (strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0)
      store_remove_tree(dirfd(list), e->d_name, deepest - 1);
  closedir(list);
  return unlinkat(at, name, AT_REMOVEDIR) == 0;
}
