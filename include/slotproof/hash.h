/* slotproof/hash.h: which picture is this? SHA-256 (FIPS 180-4) by the nettle library, in hexadecimal.
 *
 * A name says little about a scan: it is renamed, copied, scanned over. Its digest tells whether a result was made from
 * exactly these bytes.
 */
#ifndef SLOTPROOF_HASH_H
#define SLOTPROOF_HASH_H

#include <stddef.h>

#include "slotproof/status.h"

enum { SP_SHA256_TEXT = 65 };

void sp_sha256(const void *bytes, size_t size, char digest[SP_SHA256_TEXT]);

/* Of a file's bytes; nothing but a fixed buffer is kept in memory. SP_E_NOINPUT (missing, not permitted, a folder),
 * SP_E_IO; `digest` is then "". */
sp_status sp_sha256_file(const char *path, char digest[SP_SHA256_TEXT], sp_error *err);

#endif
