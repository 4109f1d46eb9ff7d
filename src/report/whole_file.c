/* Files that appear whole or not at all.
 *
 * Written beside the final place under a name of its own, pushed to the disk, then renamed: rename(2) within one folder
 * is atomic, so a reader sees the old file or the new one, and a full disk leaves the old one untouched. The name is
 * made with O_EXCL, and permissions come from the umask (mkstemp would make them private) or from the file that is
 * replaced. */
/* for realpath, which POSIX has had in its base since 2008 but glibc hides without this */
#define _XOPEN_SOURCE 700
#include "slotproof/report.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { NAME_TRIES = 100 };

static void forget(sp_whole_file *w)
{
  free(w->path);
  free(w->temporary);
  memset(w, 0, sizeof *w);
}

static char *copy_of(const char *text)
{
  char *copy = malloc(strlen(text) + 1);
  return copy ? strcpy(copy, text) : NULL;
}

static sp_status cannot_create(sp_error *err, int reason)
{
  return sp_fail(err, SP_E_CANTCREATE, "cannot be created (%s); name a place that may be written to", strerror(reason));
}

/* Opens a new file beside w->path; returns its descriptor or -1 with errno. */
static int open_temporary(sp_whole_file *w)
{
  const size_t size = strlen(w->path) + 48;
  w->temporary = malloc(size);
  if (!w->temporary) {
    errno = ENOMEM;
    return -1;
  }
  for (int i = 0; i < NAME_TRIES; i++) {
    snprintf(w->temporary, size, "%s.part-%ld-%d", w->path, (long)getpid(), i);
    const int fd = open(w->temporary, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (fd >= 0 || errno != EEXIST)
      return fd;
  }
  return -1;
}

static sp_status attach_stream(sp_whole_file *w, int fd, sp_error *err)
{
  const int reason = errno;
  w->file = fd >= 0 ? fdopen(fd, "wb") : NULL;
  if (w->file)
    return SP_OK;
  if (fd >= 0) {
    close(fd);
    if (w->temporary)
      unlink(w->temporary);
  }
  forget(w);
  return fd >= 0 ? sp_fail_memory(err) : cannot_create(err, reason);
}

sp_status sp_whole_file_open(const char *path, sp_whole_file *w, sp_error *err)
{
  struct stat there;
  memset(w, 0, sizeof *w);
  if (!*path)
    return sp_fail(err, SP_E_CANTCREATE, "has no name; name a file");
  const bool exists = stat(path, &there) == 0;
  if (exists && S_ISDIR(there.st_mode))
    return sp_fail(err, SP_E_CANTCREATE, "is a folder; name a file");
  if (exists && S_ISREG(there.st_mode) && access(path, W_OK) != 0)
    return cannot_create(err, errno);
  w->path = exists ? realpath(path, NULL) : copy_of(path);
  if (!w->path)
    return exists ? cannot_create(err, errno) : sp_fail_memory(err);
  if (exists && !S_ISREG(there.st_mode))
    return attach_stream(w, open(w->path, O_WRONLY | O_CLOEXEC), err);
  const int fd = open_temporary(w);
  if (fd >= 0 && exists && fchmod(fd, there.st_mode & 0777) != 0) {
    const int reason = errno;
    close(fd);
    unlink(w->temporary);
    forget(w);
    return cannot_create(err, reason);
  }
  return attach_stream(w, fd, err);
}

sp_status sp_whole_file_finish(sp_whole_file *w, sp_error *err)
{
  errno = 0;
  bool fine = fflush(w->file) == 0 && !ferror(w->file);
  if (fine && w->temporary)
    fine = fsync(fileno(w->file)) == 0;
  int reason = errno;
  if (fclose(w->file) != 0 && fine) {
    fine = false;
    reason = errno;
  }
  w->file = NULL;
  w->closed = fine;
  if (fine)
    return SP_OK;
  return sp_fail(err, SP_E_IO, "writing failed (%s); make room on the disk or write elsewhere",
                 reason ? strerror(reason) : "unknown reason");
}

sp_status sp_whole_file_publish(sp_whole_file *w, sp_error *err)
{
  if (!w->closed)
    return sp_fail(err, SP_E_INTERNAL, "an unfinished file cannot be put in place; report this fault");
  if (w->temporary && rename(w->temporary, w->path) != 0) {
    const int reason = errno;
    sp_whole_file_abandon(w);
    return cannot_create(err, reason);
  }
  forget(w);
  return SP_OK;
}

void sp_whole_file_abandon(sp_whole_file *w)
{
  if (w->file)
    fclose(w->file); /* what it holds is thrown away */
  if (w->temporary)
    unlink(w->temporary);
  forget(w);
}

/* stat() of the folder that `path` lies in. */
static bool folder_of(const char *path, struct stat *folder)
{
  const char *slash = strrchr(path, '/');
  char *name = slash ? copy_of(path) : copy_of(".");
  if (!name)
    return false;
  if (slash)
    name[slash == path ? 1 : slash - path] = '\0';
  const bool fine = stat(name, folder) == 0;
  free(name);
  return fine;
}

static const char *last_part(const char *path)
{
  const char *slash = strrchr(path, '/');
  return slash ? slash + 1 : path;
}

bool sp_same_file(const char *a, const char *b)
{
  struct stat sa, sb;
  const bool exists_a = stat(a, &sa) == 0, exists_b = stat(b, &sb) == 0;
  if (exists_a != exists_b)
    return false;
  if (!exists_a && (strcmp(last_part(a), last_part(b)) != 0 || !folder_of(a, &sa) || !folder_of(b, &sb)))
    return false;
  return sa.st_dev == sb.st_dev && sa.st_ino == sb.st_ino;
}
