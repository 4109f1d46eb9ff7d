/* A worker that sums up boards: their records in, the page of a batch out. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "slotproof/batch.h"
#include "slotproof/jobs.h"
#include "slotproof/json_tree.h"
#include "slotproof/textfile.h"
#include "slotproof/writing.h"

static sp_status add_board(char *line, sp_batch *batch, sp_error *err)
{
  sp_record record;
  char *name = strchr(line, ' ');
  if (!name)
    return sp_fail(err, SP_E_DATA, "the list of boards is damaged");
  *name++ = '\0';
  sp_record_init(&record);
  sp_status status = sp_record_read(line, &record, err);
  if (!status)
    status = sp_batch_add_record(batch, name, &record, err);
  sp_record_free(&record);
  if (strncmp(line, "h-", 2) == 0) /* written out of the history for this alone */
    unlink(line);
  return status;
}

static sp_status add_boards(char *text, sp_batch *batch, sp_error *err)
{
  sp_status status = SP_OK;
  while (!status && *text) {
    char *end = text + strcspn(text, "\n"), *next = *end ? end + 1 : end;
    *end = '\0';
    status = add_board(text, batch, err);
    text = next;
  }
  if (!status && !batch->board_count)
    status = sp_fail(err, SP_E_DATA, "none of these boards is there any more");
  return status;
}

static sp_status write_about(const sp_batch *batch, FILE *file, sp_error *err)
{
  static const char *const WORDS[] = {"within", "out", "undecided"};
  const int decided = sp_batch_exit_status(batch);
  fprintf(file, "{\"verdict\":\"%s\",\"boards\":%zu}", WORDS[decided >= 0 && decided <= 2 ? decided : 2],
          batch->board_count);
  return sp_flush_file(file, err);
}

static sp_status write_one(const char *name, sp_status (*write)(const sp_batch *, FILE *, sp_error *),
                           const sp_batch *batch, sp_error *err)
{
  FILE *file = fopen(name, "wbx");
  if (!file)
    return sp_fail(err, SP_E_CANTCREATE, "the result cannot be written; look after the data folder");
  sp_status status = write(batch, file, err);
  if (fclose(file) != 0 && !status)
    status = sp_fail(err, SP_E_IO, "writing failed; make room on the disk");
  return status;
}

sp_status sp_work_together(sp_error *err)
{
  sp_batch batch = {0};
  char *text = NULL;
  size_t length = 0;
  sp_status status = sp_textfile_read("boards.txt", 1, "list of boards", &text, &length, err);
  if (!status)
    status = add_boards(text, &batch, err);
  if (!status)
    status = sp_batch_sum_up(&batch, err);
  if (!status)
    status = write_one("report.html", sp_batch_html, &batch, err);
  if (!status)
    status = write_one("about.json", write_about, &batch, err);
  sp_batch_free(&batch);
  free(text);
  return status;
}
