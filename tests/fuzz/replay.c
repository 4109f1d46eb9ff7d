/* replay.c: runs a fuzz target over the files of a folder, without a fuzzer, as an ordinary test.
 *
 * Each file is handed over in a block of exactly its size. A folder without files is a failure: it would test nothing.
 */
#include <dirent.h>
#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { PATH_BYTES = 4096, FILE_BYTES_MAX = 1 << 20 };

static int replay_bytes(FILE *f, const char *path, size_t size)
{
  uint8_t *bytes = malloc(size ? size : 1);
  if (!bytes || fread(bytes, 1, size, f) != size) {
    fprintf(stderr, "%s: cannot be read\n", path);
    free(bytes);
    return -1;
  }
  (void)LLVMFuzzerTestOneInput(bytes, size);
  free(bytes);
  return 1;
}

/* 1: replayed, 0: not a file, -1: failed. */
static int replay_file(const char *path)
{
  struct stat about;
  if (stat(path, &about) != 0)
    return -1;
  if (!S_ISREG(about.st_mode))
    return 0;
  if (about.st_size > FILE_BYTES_MAX) {
    fprintf(stderr, "%s: too large for a corpus\n", path);
    return -1;
  }
  FILE *f = fopen(path, "rb");
  if (!f) {
    fprintf(stderr, "%s: %s\n", path, strerror(errno));
    return -1;
  }
  const int done = replay_bytes(f, path, (size_t)about.st_size);
  return fclose(f) == 0 ? done : -1;
}

static int replay_folder(const char *folder)
{
  DIR *dir = opendir(folder);
  if (!dir) {
    fprintf(stderr, "%s: %s\n", folder, strerror(errno));
    return -1;
  }
  int count = 0;
  for (struct dirent *entry = readdir(dir); entry && count >= 0; entry = readdir(dir)) {
    char path[PATH_BYTES];
    const int n = snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
    const int done = n > 0 && (size_t)n < sizeof path ? replay_file(path) : -1;
    count = done < 0 ? -1 : count + done;
  }
  return closedir(dir) == 0 ? count : -1;
}

int main(int argc, char **argv)
{
  if (argc != 2) {
    fprintf(stderr, "usage: %s FOLDER\n", argv[0]);
    return 64;
  }
  const int count = replay_folder(argv[1]);
  printf("%d files replayed\n", count);
  return count > 0 ? 0 : 1;
}
