/* SHA-256 by nettle: small, without start-up calls or global state, and its context is a plain struct. */
#include "slotproof/hash.h"

#include <errno.h>
#include <nettle/sha2.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

enum { CHUNK = 1 << 16 };

static void finish(struct sha256_ctx *context, char digest[SP_SHA256_TEXT])
{
  uint8_t bytes[SHA256_DIGEST_SIZE];
  sha256_digest(context, sizeof bytes, bytes);
  for (size_t i = 0; i < sizeof bytes; i++)
    snprintf(digest + 2 * i, 3, "%02x", (unsigned)bytes[i]);
}

void sp_sha256(const void *bytes, size_t size, char digest[SP_SHA256_TEXT])
{
  struct sha256_ctx context;
  sha256_init(&context);
  sha256_update(&context, size, bytes);
  finish(&context, digest);
}

sp_status sp_sha256_file(const char *path, char digest[SP_SHA256_TEXT], sp_error *err)
{
  struct stat about;
  struct sha256_ctx context;
  uint8_t chunk[CHUNK];
  digest[0] = '\0';
  FILE *file = fopen(path, "rb");
  if (!file)
    return sp_fail(err, SP_E_NOINPUT, "cannot be opened (%s); check the name and its permissions", strerror(errno));
  if (fstat(fileno(file), &about) == 0 && S_ISDIR(about.st_mode)) {
    fclose(file);
    return sp_fail(err, SP_E_NOINPUT, "is a folder; name a file");
  }
  sha256_init(&context);
  size_t got;
  while ((got = fread(chunk, 1, sizeof chunk, file)) > 0)
    sha256_update(&context, got, chunk);
  const int broken = ferror(file);
  fclose(file);
  if (broken)
    return sp_fail(err, SP_E_IO, "reading stopped half way; check the disk and try again");
  finish(&context, digest);
  return SP_OK;
}
