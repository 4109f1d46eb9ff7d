/* report_written.h: what a writer has written, as one text. */
#ifndef REPORT_WRITTEN_H
#define REPORT_WRITTEN_H

#include <stdio.h>
#include <stdlib.h>

#include "slotproof/record.h"

typedef sp_status (*record_writer)(const sp_record *record, FILE *file, sp_error *err);

/* NUL-terminated, free with free(); NULL if anything fails. */
static inline char *written(record_writer write, const sp_record *record)
{
  char *text = NULL;
  size_t size = 0;
  FILE *file = open_memstream(&text, &size);
  if (!file)
    return NULL;
  const sp_status status = write(record, file, NULL);
  if (fclose(file) != 0 || status != SP_OK) {
    free(text);
    return NULL;
  }
  return text;
}

#endif
