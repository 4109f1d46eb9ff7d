/* Read in one go and refused if it is longer than any such file is: a picture given by mistake must not fill the
 * memory. The size a file system states is not trusted, because a pipe states none. */
#include "slotproof/textfile.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>

static sp_status open_file(const char *path, const char *what, FILE **file, sp_error *err)
{
  struct stat about;
  *file = fopen(path, "rb");
  if (!*file)
    return sp_fail(err, SP_E_NOINPUT, "cannot be opened (%s); check the name and its permissions",
                   errno == ENOENT   ? "there is no such file"
                   : errno == EACCES ? "not permitted"
                                     : "system error");
  if (fstat(fileno(*file), &about) == 0 && S_ISDIR(about.st_mode)) {
    fclose(*file);
    *file = NULL;
    return sp_fail(err, SP_E_NOINPUT, "is a folder; name a file, a %s", what);
  }
  return SP_OK;
}

sp_status sp_textfile_read(const char *path, size_t most_mb, const char *what, char **text, size_t *length,
                           sp_error *err)
{
  FILE *file;
  const size_t most = most_mb << 20;
  *text = NULL;
  *length = 0;
  sp_status status = open_file(path, what, &file, err);
  if (status)
    return status;
  char *whole = malloc(most + 2);
  if (whole)
    *length = fread(whole, 1, most + 1, file);
  if (!whole)
    status = sp_fail_memory(err);
  else if (ferror(file))
    status = sp_fail(err, SP_E_IO, "reading stopped half way; check the disk and try again");
  else if (*length > most)
    status = sp_fail(err, SP_E_DATA, "is larger than %zu MB and no %s; name another file", most_mb, what);
  fclose(file);
  if (status) {
    free(whole);
    *length = 0;
    return status;
  }
  whole[*length] = '\0';
  *text = whole;
  return SP_OK;
}
