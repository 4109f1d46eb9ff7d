/* The history of all boards (history.h), in the data folder: every finished result goes into it, in the place of the
 * same board's earlier one. A history that cannot be written costs no board its result; the page says so. */
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "jobs_internal.h"
#include "slotproof/history.h"
#include "slotproof/json_tree.h"

static const char FILE_NAME[] = "history.db";
/* Stands in a result that the history has; so one that was cut short there is caught up with at the next start. */
static const char TOLD[] = "in-history";
enum { ROWS_MOST = 1000, SUM_MOST = 2000, NAME = 40 };

static sp_status open_past(const sp_store *store, sp_history **h, sp_error *err)
{
  const size_t size = strlen(store->path) + sizeof FILE_NAME + 1;
  char *path = malloc(size);
  if (!path)
    return sp_fail_memory(err);
  snprintf(path, size, "%s/%s", store->path, FILE_NAME);
  sp_error said = {0};
  const sp_status status = sp_history_open(path, h, &said);
  free(path);
  return status ? sp_fail(err, status, "the history (%s in the data folder) %.300s", FILE_NAME, said.text) : SP_OK;
}

/* The record of a finished run; false if it has none. */
static bool read_past(const sp_store *store, const char *id, uint32_t run, char **text, sp_record *record)
{
  const int result = run ? sp_store_result(store, id, run) : -1;
  *text = result >= 0 ? sp_store_text(result, "record.json", SP_RECORD_MAX_BYTES) : NULL;
  if (result >= 0)
    close(result);
  sp_record_init(record);
  if (*text && sp_record_parse(*text, strlen(*text), record, NULL) == SP_OK)
    return true;
  free(*text);
  *text = NULL;
  return false;
}

void past_identity(const sp_store *store, const char *id, uint32_t run, char identity[SP_SHA256_TEXT])
{
  char *text;
  sp_record record;
  identity[0] = '\0';
  if (!read_past(store, id, run, &text, &record))
    return;
  sp_history_identity(&record, text, strlen(text), identity);
  sp_record_free(&record);
  free(text);
}

static void note_told(const sp_store *store, const char *id, uint32_t run)
{
  const int result = sp_store_result(store, id, run);
  if (result < 0)
    return;
  sp_store_put(result, TOLD, "", NULL);
  close(result);
}

bool past_has(const sp_store *store, const char *id, uint32_t run)
{
  const int result = sp_store_result(store, id, run), fd = result >= 0 ? sp_store_file(result, TOLD) : -1;
  if (result >= 0)
    close(result);
  if (fd >= 0)
    close(fd);
  return fd >= 0;
}

sp_status past_add(const sp_store *store, const char *id, uint32_t run, const char *name, const char *before,
                   sp_error *err)
{
  char *text, identity[SP_SHA256_TEXT];
  sp_record record;
  sp_history *h = NULL;
  if (!read_past(store, id, run, &text, &record))
    return SP_OK;
  sp_history_identity(&record, text, strlen(text), identity);
  sp_status status = open_past(store, &h, err);
  if (!status && *before && strcmp(before, identity) != 0)
    status = sp_history_forget(h, before, err);
  if (!status)
    status = sp_history_add(h, name, &record, text, strlen(text), err);
  if (!status)
    note_told(store, id, run);
  sp_history_close(h);
  sp_record_free(&record);
  free(text);
  return status;
}

sp_status past_forget(const sp_store *store, const char *identity, sp_error *err)
{
  sp_history *h = NULL;
  if (!*identity)
    return SP_OK;
  sp_status status = open_past(store, &h, err);
  if (!status)
    status = sp_history_forget(h, identity, err);
  sp_history_close(h);
  return status;
}

/* ---- listed -------------------------------------------------------------------------------------------------------
 */

typedef struct listing {
  sp_tree note;
  cJSON *list;
} listing;

static void attach_number(listing *l, cJSON *item, const char *name, double value)
{
  sp_tree_add_number(&l->note, item, name, value, 1e6);
}

static sp_status put_row(void *context, const sp_history_row *r, sp_error *err)
{
  listing *l = context;
  cJSON *item = sp_tree_attach(&l->note, l->list, NULL, cJSON_CreateObject());
  sp_tree_attach(&l->note, item, "name", cJSON_CreateString(r->name));
  sp_tree_attach(&l->note, item, "verdict", cJSON_CreateString(r->verdict));
  sp_tree_attach(&l->note, item, "marks", cJSON_CreateString(r->marks_kind));
  attach_number(l, item, "scale_length_mm", r->scale_length_mm);
  attach_number(l, item, "frets", r->frets);
  attach_number(l, item, "divisions", r->divisions);
  attach_number(l, item, "out", r->out);
  attach_number(l, item, "undecided", r->undecided);
  attach_number(l, item, "missing", r->missing);
  attach_number(l, item, "worst_mm", r->worst_mm);
  attach_number(l, item, "worst_fret", r->worst_fret);
  attach_number(l, item, "checked_s", (double)r->checked_s);
  return l->note.failed ? sp_fail_memory(err) : SP_OK;
}

sp_status sp_jobs_history(const sp_store *store, cJSON **tree, sp_error *err)
{
  listing l = {.list = cJSON_CreateArray()};
  sp_history *h = NULL;
  size_t all = 0;
  *tree = NULL;
  sp_status status = open_past(store, &h, err);
  if (!status)
    status = sp_history_rows(h, ROWS_MOST, &all, put_row, &l, err);
  sp_history_close(h);
  cJSON *root = status ? NULL : cJSON_CreateObject();
  if (root) {
    sp_tree_attach(&l.note, root, "boards", l.list);
    sp_tree_attach(&l.note, root, "all", cJSON_CreateNumber((double)all));
  }
  if (root && !l.note.failed) {
    *tree = root;
    return SP_OK;
  }
  if (!root)
    cJSON_Delete(l.list);
  cJSON_Delete(root);
  return status ? status : sp_fail_memory(err);
}

/* ---- summed up ----------------------------------------------------------------------------------------------------
 */

typedef struct dump {
  int folder;
  FILE *list;
  size_t count, passed, skip;
} dump;

static sp_status put_record(void *context, const char *name, const char *text, size_t length, sp_error *err)
{
  dump *d = context;
  char file[NAME];
  if (d->passed++ < d->skip || strlen(text) != length)
    return SP_OK;
  snprintf(file, sizeof file, "h-%zu.json", ++d->count);
  const int fd = openat(d->folder, file, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0600);
  FILE *out = fd >= 0 ? fdopen(fd, "w") : NULL;
  if (!out && fd >= 0)
    close(fd);
  const bool written = out && fwrite(text, 1, length, out) == length;
  if (!out || fclose(out) != 0 || !written)
    return sp_fail(err, SP_E_IO, "the history cannot be written out; make room on the disk");
  fprintf(d->list, "%s ", file);
  for (; *name; name++) /* a line is a board */
    fputc(*name == '\n' ? ' ' : *name, d->list);
  fputc('\n', d->list);
  return SP_OK;
}

static sp_status count_rows(void *context, const sp_history_row *row, sp_error *err)
{
  (void)context;
  (void)row;
  (void)err;
  return SP_OK;
}

sp_status past_write_out(const sp_store *store, const char *folder, char **boards, sp_error *err)
{
  size_t size = 0, all = 0;
  sp_history *h = NULL;
  dump d = {.folder = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC), .list = open_memstream(boards, &size)};
  sp_status status = d.folder >= 0 && d.list ? open_past(store, &h, err) : sp_fail_memory(err);
  if (!status)
    status = sp_history_rows(h, 0, &all, count_rows, NULL, err);
  d.skip = all > SUM_MOST ? all - SUM_MOST : 0;
  if (!status)
    status = sp_history_each(h, put_record, &d, err);
  sp_history_close(h);
  if (d.folder >= 0)
    close(d.folder);
  if (d.list && fclose(d.list) != 0 && !status)
    status = sp_fail_memory(err);
  return status;
}
