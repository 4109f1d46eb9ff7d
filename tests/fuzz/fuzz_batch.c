/* A written record, and what a batch makes of it. What is accepted is kept twice, summed up and told: no number may be
 * told that is not one. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/batch.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void demand(int condition)
{
  if (!condition)
    abort();
}

static void tell(const sp_batch *batch, sp_status (*write)(const sp_batch *, FILE *, sp_error *))
{
  char *text = NULL;
  size_t length = 0;
  FILE *file = open_memstream(&text, &length);
  if (!file)
    return;
  demand(write(batch, file, NULL) == SP_OK);
  fclose(file);
  demand(length > 0);
  free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  sp_record record;
  sp_error err = {0};
  sp_batch batch = {0};
  sp_record_init(&record);
  if (sp_record_parse((const char *)data, size, &record, &err) != SP_OK) {
    demand(err.text[0] != '\0' && !record.marks && !record.sources && !record.settings);
    return 0;
  }
  char digest[SP_SHA256_TEXT];
  sp_history_identity(&record, (const char *)data, size, digest);
  demand(strlen(digest) == 64);
  for (int i = 0; i < 2; i++)
    demand(sp_batch_add_record(&batch, i ? "b.json" : "a.json", &record, NULL) == SP_OK);
  demand(sp_batch_sum_up(&batch, NULL) == SP_OK);
  tell(&batch, sp_batch_text);
  tell(&batch, sp_batch_json);
  tell(&batch, sp_batch_csv);
  sp_batch_free(&batch);
  sp_record_free(&record);
  return 0;
}
