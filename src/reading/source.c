/* source.c: bytes for the decoders.
 *
 * Plain files are read by offset through one buffer, never mapped: a file that shrinks while it is mapped kills the
 * program, and a scan on a network share does shrink. Long reads go past the buffer, straight to where they belong.
 */
#include "source.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { BUFFER_BYTES = 65536, DETAIL_BYTES = 160 };

/* Pipes and devices have no size of their own; /dev/zero has no end either. */
static const size_t PIPE_BYTES_MAX = (size_t)1 << 30;

static sp_status cannot_open(int why, sp_error *err)
{
  switch (why) {
  case ENOENT:
  case ENOTDIR:
    return sp_fail(err, SP_E_NOINPUT, "there is no such file; check the name and the folder");
  case EACCES:
  case EPERM:
    return sp_fail(err, SP_E_NOINPUT, "the file may not be read; change its permissions or copy it");
  case ELOOP:
  case ENAMETOOLONG:
    return sp_fail(err, SP_E_NOINPUT, "the name leads nowhere (%s); check the name", strerror(why));
  default:
    return sp_fail(err, SP_E_IO, "the file cannot be opened (%s); copy it to a local disk", strerror(why));
  }
}

static ssize_t read_some(int fd, void *out, size_t n)
{
  ssize_t got;
  do
    got = read(fd, out, n);
  while (got < 0 && errno == EINTR);
  return got;
}

/* A pipe or device: everything, in a block that doubles. */
static sp_status take_all(sp_source *source, sp_error *err)
{
  size_t room = BUFFER_BYTES, size = 0;
  for (;;) {
    const ssize_t got = read_some(source->fd, source->owned + size, room - size);
    if (got < 0)
      return sp_fail(err, SP_E_IO, "reading stopped at byte %zu (%s); try again from a file", size, strerror(errno));
    if (got == 0)
      break;
    size += (size_t)got;
    if (size < room)
      continue;
    if (room >= PIPE_BYTES_MAX)
      return sp_fail(err, SP_E_DATA, "the input goes on for more than %zu bytes; save it as a file", PIPE_BYTES_MAX);
    uint8_t *grown = realloc(source->owned, 2 * room);
    if (!grown)
      return sp_fail_memory(err);
    source->owned = grown;
    room *= 2;
  }
  source->bytes = source->owned;
  source->size = size;
  return SP_OK;
}

sp_status sp_source_open(const char *path, sp_source *source, sp_error *err)
{
  *source = (sp_source){.fd = open(path, O_RDONLY | O_CLOEXEC)};
  if (source->fd < 0)
    return cannot_open(errno, err);
  struct stat about;
  if (fstat(source->fd, &about) != 0)
    return sp_fail(err, SP_E_IO, "the file cannot be examined (%s); copy it to a local disk", strerror(errno));
  if (S_ISDIR(about.st_mode))
    return sp_fail(err, SP_E_NOINPUT, "this is a folder; name a picture in it");
  source->owned = malloc(BUFFER_BYTES);
  if (!source->owned)
    return sp_fail_memory(err);
  if (!S_ISREG(about.st_mode))
    return take_all(source, err);
  source->size = about.st_size > 0 ? (uint64_t)about.st_size : 0;
  return SP_OK;
}

void sp_source_open_memory(const void *bytes, size_t size, sp_source *source)
{
  *source = (sp_source){.fd = -1, .bytes = bytes, .size = bytes ? size : 0};
}

void sp_source_close(sp_source *source)
{
  if (source->fd >= 0)
    (void)close(source->fd); /* only read from: nothing can be lost */
  free(source->owned);
  *source = (sp_source){.fd = -1};
}

/* Reads until n bytes are there, the file ends or the system refuses. */
static size_t read_file(sp_source *source, uint64_t at, uint8_t *out, size_t n)
{
  size_t done = 0;
  while (done < n) {
    const ssize_t got = pread(source->fd, out + done, n - done, (off_t)(at + done));
    if (got < 0 && errno == EINTR)
      continue;
    if (got < 0)
      source->read_errno = errno;
    if (got <= 0)
      break;
    done += (size_t)got;
  }
  return done;
}

static size_t read_buffered(sp_source *source, uint64_t at, uint8_t *out, size_t n)
{
  size_t done = 0;
  while (done < n) {
    const uint64_t from = at + done;
    if (from < source->buffer_at || from >= source->buffer_at + source->buffered) {
      source->buffer_at = from;
      source->buffered = read_file(source, from, source->owned, BUFFER_BYTES);
      if (source->buffered == 0)
        break;
    }
    const size_t skip = (size_t)(from - source->buffer_at);
    const size_t there = source->buffered - skip;
    const size_t take = n - done < there ? n - done : there;
    memcpy(out + done, source->owned + skip, take);
    done += take;
  }
  return done;
}

size_t sp_source_read_at(sp_source *source, uint64_t at, void *out, size_t n)
{
  const uint64_t rest = at < source->size ? source->size - at : 0;
  const size_t wanted = n <= rest ? n : (size_t)rest;
  size_t got = wanted;
  if (source->bytes && wanted > 0)
    memcpy(out, source->bytes + at, wanted);
  else if (wanted >= BUFFER_BYTES)
    got = read_file(source, at, out, wanted);
  else if (wanted > 0)
    got = read_buffered(source, at, out, wanted);
  if (got < n && source->read_errno == 0)
    source->hit_end = true;
  return got;
}

size_t sp_source_read(sp_source *source, void *out, size_t n)
{
  const size_t got = sp_source_read_at(source, source->at, out, n);
  source->at += got;
  return got;
}

/* A decoder's words on one line and short enough for the advice behind them to be seen. */
static void make_one_line(const char *detail, char *line, size_t room)
{
  size_t n = 0;
  for (; detail[n] != '\0' && n + 1 < room; n++)
    line[n] = (unsigned char)detail[n] < 0x20 || detail[n] == 0x7f ? ' ' : detail[n];
  while (n > 0 && (line[n - 1] == '.' || line[n - 1] == ' '))
    n--;
  line[n] = '\0';
}

sp_status sp_source_stopped(const sp_source *source, uint32_t row, uint32_t height, const char *detail, sp_error *err)
{
  if (source->read_errno != 0)
    return sp_fail(err, SP_E_IO, "the disk gives up in the middle of the file (%s); copy it again from where it came",
                   strerror(source->read_errno));
  if (source->hit_end && height == 0)
    return sp_fail(err, SP_E_DATA, "the file ends before the picture begins; scan or copy it again");
  if (source->hit_end)
    return sp_fail(err, SP_E_DATA, "the file ends in the middle of the picture (row %u of %u); scan or copy it again",
                   row, height);
  char line[DETAIL_BYTES];
  make_one_line(detail, line, sizeof line);
  if (height == 0)
    return sp_fail(err, SP_E_DATA, "the picture is damaged (%s); scan or copy it again", line);
  return sp_fail(err, SP_E_DATA, "the picture is damaged at row %u of %u (%s); scan or copy it again", row, height,
                 line);
}
