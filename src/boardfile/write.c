/* A board file written, in the order of the table; what was not given is left out. */
#include <stdlib.h>

#include "boardfile/keys.h"
#include "slotproof/writing.h"

enum { NAME_WIDTH = 16 };

static bool left_out(board_key key, const sp_boardfile *b, bool steps_inline)
{
  if (key == KEY_STEPS)
    return b->steps_file && !steps_inline;
  return key == KEY_STEPS_FILE && steps_inline && b->steps.count;
}

/* The value is written to know whether there is one; so it goes to memory first. */
static sp_status write_key(const key_entry *key, const sp_boardfile *b, FILE *file, sp_error *err)
{
  char *value = NULL;
  size_t size = 0;
  FILE *memory = open_memstream(&value, &size);
  if (!memory)
    return sp_fail_memory(err);
  const bool given = key->write(key, b, memory);
  sp_status status = fclose(memory) ? sp_fail_memory(err) : SP_OK;
  if (!status && given)
    fprintf(file, "%-*s= %s\n", NAME_WIDTH, key->name, value);
  free(value);
  return status;
}

sp_status sp_boardfile_write(const sp_boardfile *b, bool steps_inline, FILE *file, sp_error *err)
{
  sp_status status = SP_OK;
  if (b->name[0] && !board_name_fits(b->name))
    return sp_fail(err, SP_E_USAGE, "this name cannot be kept in a board file; use plain text without # and ;");
  for (int k = 0; !status && k < KEY_COUNT; k++)
    if (!left_out((board_key)k, b, steps_inline))
      status = write_key(&BOARD_KEYS[k], b, file, err);
  return status ? status : sp_flush_file(file, err);
}
