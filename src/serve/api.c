/* What each request does. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "serve_internal.h"
#include "slotproof/json_tree.h"
#include "slotproof/pack.h"
#include "slotproof/tiles.h"

/* Texts: a thousand corrections and their spaces. */
enum { TEXT_MOST = 256 * 1024, FORM_MOST = 4096 };
/* A picture that comes more slowly than this on the whole, after a while, only keeps a place. */
enum { SLOW_AFTER_S = 30, LEAST_BYTES_S = 4096 };

/* ---- settings --------------------------------------------------------------------------------------------------- */

/* What a form says; the board's text is owned. */
typedef struct form {
  sp_job_settings settings;
  bool board_said;
  char board_id[SP_STORE_ID], *board; /* "" and NULL: none */
  bool turned;
  uint8_t turn[SP_MOST_PIECES];
  size_t turn_count;
} form;

static void form_free(form *f)
{
  free(f->board);
  f->board = NULL;
}

/* The description that is remembered under this identity, "" for none. */
static sp_status find_board(const sp_store *store, const char *id, char **text, sp_error *err)
{
  *text = NULL;
  return *id ? sp_boards_text(store, id, text, err) : SP_OK;
}

static sp_status check_complete(const sp_job_settings *settings, const char *board, size_t pieces, const char **field,
                                sp_error *err)
{
  sp_boardfile b;
  if (!board)
    return sp_settings_complete(settings, NULL, pieces, field, err);
  sp_status status = sp_boardfile_parse(board, strlen(board), NULL, &b, err);
  if (!status)
    status = sp_settings_complete(settings, &b, pieces, field, err);
  sp_boardfile_free(&b);
  return status;
}

static sp_status garbled(sp_error *err)
{
  return sp_fail(err, SP_E_USAGE, "the form has arrived garbled; load the page again");
}

static sp_status read_turn(const cJSON *list, form *f, sp_error *err)
{
  const cJSON *item;
  if (!cJSON_IsArray(list) || cJSON_GetArraySize(list) > SP_MOST_PIECES)
    return garbled(err);
  f->turned = true;
  cJSON_ArrayForEach(item, list)
  {
    if (!cJSON_IsNumber(item) || !(item->valuedouble >= 0.0 && item->valuedouble < SP_MOST_PIECES))
      return garbled(err);
    f->turn[f->turn_count++] = (uint8_t)item->valuedouble;
  }
  return SP_OK;
}

static sp_status read_field(const sp_store *store, const cJSON *item, form *f, sp_error *err)
{
  if (strcmp(item->string, "turn") == 0)
    return read_turn(item, f, err);
  if (!cJSON_IsString(item))
    return garbled(err);
  if (strcmp(item->string, "board") != 0)
    return sp_settings_set(&f->settings, item->string, item->valuestring, err);
  if (f->board_said)
    return garbled(err);
  f->board_said = true;
  snprintf(f->board_id, sizeof f->board_id, "%s", item->valuestring);
  return find_board(store, item->valuestring, &f->board, err);
}

/* From an object of texts. *field is the member that will not do, or NULL. */
static sp_status form_of(const sp_store *store, const cJSON *tree, form *f, const char **field, sp_error *err)
{
  const cJSON *item;
  *f = (form){.board = NULL};
  *field = NULL;
  if (!cJSON_IsObject(tree))
    return garbled(err);
  cJSON_ArrayForEach(item, tree)
  {
    *field = item->string;
    const sp_status status = read_field(store, item, f, err);
    if (status)
      return status;
  }
  *field = NULL;
  return SP_OK;
}

static void remember(sp_server *server, const form *f)
{
  cJSON *tree = sp_settings_tree(&f->settings);
  if (tree && f->board_id[0])
    cJSON_AddStringToObject(tree, "board", f->board_id);
  char *text = tree ? cJSON_Print(tree) : NULL;
  if (text)
    sp_store_put(server->store.root, "form.json", text, NULL); /* a convenience only */
  free(text);
  cJSON_Delete(tree);
}

/* ---- before the body -------------------------------------------------------------------------------------------- */

typedef struct query {
  serve_request *request;
  sp_error err;
  char field[40];
} query;

/* "123,456": the sizes of several pictures that come one behind the other. */
static sp_status read_sizes(const char *text, serve_request *r, sp_error *err)
{
  size_t n = 0;
  while (n < SP_MOST_PIECES) {
    const size_t digits = strspn(text, "0123456789");
    if (!digits || digits > 12)
      break;
    r->size[n++] = strtoull(text, NULL, 10);
    text += digits + (text[digits] == ',');
  }
  if (*text || n < 2)
    return sp_fail(err, SP_E_USAGE, "a board is joined from 2 to %d pictures; choose fewer", SP_MOST_PIECES);
  r->order.pieces.count = n;
  return SP_OK;
}

static sp_status read_argument(serve_request *r, const char *key, const char *value, sp_error *err)
{
  sp_job_pieces *p = &r->order.pieces;
  if (strcmp(key, "name") == 0)
    sp_job_clean_name(value, p->name[0]);
  else if (strncmp(key, "name", 4) == 0 && key[4] >= '1' && key[4] < '0' + SP_MOST_PIECES && !key[5])
    sp_job_clean_name(value, p->name[key[4] - '0']);
  else if (strcmp(key, "bytes") == 0)
    return read_sizes(value, r, err);
  else if (strcmp(key, "board") == 0 && !r->order.board)
    return find_board(&r->server->store, value, &r->order.board, err);
  else
    return sp_settings_set(&r->order.settings, key, value, err);
  return SP_OK;
}

static serve_result take_argument(void *context, enum MHD_ValueKind kind, const char *key, const char *value)
{
  query *q = context;
  (void)kind;
  if (read_argument(q->request, key, value ? value : "", &q->err) == SP_OK)
    return MHD_YES;
  snprintf(q->field, sizeof q->field, "%.39s", key);
  return MHD_NO;
}

/* Names of what was given, and sizes that come to what was announced. */
static sp_status settle_pieces(serve_request *r, sp_error *err)
{
  sp_job_pieces *p = &r->order.pieces;
  uint64_t all = 0;
  char name[SP_JOB_NAME + 40];
  for (size_t i = 0; i < p->count; i++) {
    p->file[i] = (uint8_t)i;
    all += r->size[i];
    if (!p->name[i][0])
      strcpy(p->name[i], "picture");
    if (!r->size[i])
      return sp_fail(err, SP_E_USAGE, "the picture is empty");
  }
  if (p->count && all != r->expected)
    return sp_fail(err, SP_E_USAGE, "the pictures have not arrived whole; send them again");
  if (!p->count)
    r->size[0] = r->expected;
  snprintf(name, sizeof name, p->count ? "%s and %zu more" : "%s", p->name[0][0] ? p->name[0] : "picture",
           p->count ? p->count - 1 : 0);
  sp_job_clean_name(name, r->order.name);
  return SP_OK;
}

static serve_result refuse_large(serve_request *r, struct MHD_Connection *c, uint64_t bytes)
{
  char words[120];
  snprintf(words, sizeof words, "the picture has %.0f MB; this page takes at most %.0f MB", (double)bytes / 1048576.0,
           (double)r->server->upload_most / 1048576.0);
  return serve_refuse(c, 413, NULL, words);
}

/* Pictures: is there room, and can it mean something? Everything is refused before the first byte is received. */
static serve_result begin_picture(serve_request *r, struct MHD_Connection *c, bool *answered)
{
  query q = {.request = r};
  const char *field = NULL;
  *answered = true;
  if (r->expected > r->server->upload_most * SP_MOST_PIECES)
    return refuse_large(r, c, r->expected);
  if (!r->expected)
    return serve_refuse(c, 400, NULL, "the picture is empty");
  MHD_get_connection_values(c, MHD_GET_ARGUMENT_KIND, take_argument, &q);
  if (q.err.status)
    return serve_error(c, &q.err, q.field);
  if (settle_pieces(r, &q.err))
    return serve_error(c, &q.err, NULL);
  for (size_t i = 0; i == 0 || i < r->order.pieces.count; i++)
    if (r->size[i] > r->server->upload_most)
      return refuse_large(r, c, r->size[i]);
  if (check_complete(&r->order.settings, r->order.board, r->order.pieces.count, &field, &q.err))
    return serve_error(c, &q.err, field);
  if (sp_jobs_reserve(r->server->jobs, &q.err))
    return serve_refuse(c, 503, NULL, q.err.text);
  r->reserved = r->announced = true;
  r->server->announced += r->expected;
  if (sp_store_room(&r->server->store, r->server->announced, &q.err) || sp_store_new_id(r->id, &q.err) ||
      sp_store_begin(&r->server->store, r->id, &r->fd, &q.err))
    return serve_error(c, &q.err, NULL);
  r->body = SERVE_PICTURE;
  *answered = false;
  return MHD_YES;
}

static uint64_t most_text(serve_action action)
{
  if (action == SERVE_BOARD_SAVE)
    return 2 * SP_BOARD_TEXT; /* as JSON */
  return action == SERVE_CORRECT || action == SERVE_TOGETHER ? TEXT_MOST : FORM_MOST;
}

static serve_result begin_text(serve_request *r, struct MHD_Connection *c, bool *answered)
{
  if (r->expected > most_text(r->route.action)) {
    *answered = true;
    return serve_refuse(c, 413, NULL, "that is more than this page ever sends");
  }
  r->body = SERVE_TEXT;
  r->text = malloc((size_t)r->expected + 1);
  if (!r->text)
    return MHD_NO;
  r->text[0] = '\0';
  return MHD_YES;
}

/* How long the body will be; false if it is not said. */
static bool said_length(struct MHD_Connection *c, uint64_t *length)
{
  const char *text = MHD_lookup_connection_value(c, MHD_HEADER_KIND, MHD_HTTP_HEADER_CONTENT_LENGTH);
  *length = 0;
  if (!text || strspn(text, "0123456789") != strlen(text) || !*text || strlen(text) > 15)
    return false;
  *length = strtoull(text, NULL, 10);
  return true;
}

serve_result serve_begin(serve_request *r, struct MHD_Connection *c, bool *answered)
{
  const serve_action a = r->route.action;
  const bool text = a == SERVE_CORRECT || a == SERVE_AGAIN || a == SERVE_FORM || a == SERVE_ENTER ||
                    a == SERVE_BOARD_SAVE || a == SERVE_TOGETHER || a == SERVE_SCAN || a == SERVE_SCANNER_LOOK;
  const bool length = said_length(c, &r->expected);
  *answered = false;
  if (MHD_lookup_connection_value(c, MHD_HEADER_KIND, MHD_HTTP_HEADER_TRANSFER_ENCODING) ||
      ((text || a == SERVE_ADD) && !length)) {
    *answered = true;
    return serve_refuse(c, 411, NULL, "the length has to be said beforehand");
  }
  if (a == SERVE_ADD)
    return begin_picture(r, c, answered);
  if (text)
    return begin_text(r, c, answered);
  if (r->expected) {
    *answered = true;
    return serve_refuse(c, 400, NULL, "nothing is to be sent here");
  }
  return MHD_YES;
}

/* ---- the body --------------------------------------------------------------------------------------------------- */

static bool write_all(int fd, const char *bytes, size_t size)
{
  while (size > 0) {
    const ssize_t put = write(fd, bytes, size);
    if (put < 0 && errno != EINTR)
      return false;
    bytes += put > 0 ? put : 0;
    size -= put > 0 ? (size_t)put : 0;
  }
  return true;
}

/* The next of several pictures. */
static bool next_part(serve_request *r)
{
  const bool kept = close(r->fd) == 0;
  r->fd = -1;
  r->part_used = 0;
  r->part++;
  return sp_store_begin_piece(&r->server->store, r->id, r->part, &r->fd, NULL) == SP_OK && kept;
}

static bool take_picture(serve_request *r, const char *bytes, size_t size)
{
  while (size > 0) {
    if (r->part_used == r->size[r->part] && !next_part(r))
      return false;
    const uint64_t left = r->size[r->part] - r->part_used;
    const size_t now = left < size ? (size_t)left : size;
    if (!write_all(r->fd, bytes, now))
      return false;
    r->part_used += now;
    bytes += now;
    size -= now;
  }
  return true;
}

bool serve_take(serve_request *r, const char *bytes, size_t size)
{
  if (r->body == SERVE_NO_BODY || size > r->expected - r->used)
    return false;
  if (r->body == SERVE_TEXT) {
    memcpy(r->text + r->used, bytes, size);
    r->text[r->used + size] = '\0';
  } else if (!r->failed) {
    r->failed = !take_picture(r, bytes, size); /* told when all has come */
  }
  r->used += size;
  const int64_t spent_s = serve_now_s() - r->begun_s;
  return spent_s < SLOW_AFTER_S || r->used / (uint64_t)spent_s >= LEAST_BYTES_S;
}

void serve_forget(serve_request *r)
{
  if (r->fd >= 0)
    close(r->fd);
  if (r->body == SERVE_PICTURE && !r->received)
    sp_store_drop(&r->server->store, r->id);
  if (r->reserved)
    sp_jobs_release(r->server->jobs);
  if (r->announced)
    r->server->announced -= r->expected;
  sp_job_order_free(&r->order);
  free(r->text);
  free(r);
}

/* ---- answers ---------------------------------------------------------------------------------------------------- */

static serve_result answer_new(struct MHD_Connection *c, sp_status status, const sp_error *err, const char *id)
{
  if (status)
    return serve_error(c, err, NULL);
  cJSON *tree = cJSON_CreateObject();
  cJSON_AddStringToObject(tree, "id", id);
  return serve_tree(c, 201, tree);
}

static serve_result answer_add(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  if (r->used != r->expected)
    return serve_refuse(c, 400, NULL, "the picture has not arrived whole; send it again");
  if (r->failed)
    return serve_refuse(c, 507, NULL, "the picture could not be kept; make room on the disk");
  r->reserved = false; /* taken over */
  if (sp_jobs_add(r->server->jobs, r->id, &r->order, &err))
    return serve_error(c, &err, NULL);
  r->received = true;
  return answer_new(c, SP_OK, NULL, r->id);
}

static serve_result answer_list(serve_request *r, struct MHD_Connection *c)
{
  sp_tree note = {0};
  cJSON *tree = cJSON_CreateObject();
  char *form = sp_store_text(r->server->store.root, "form.json", FORM_MOST);
  sp_tree_attach(&note, tree, "jobs", sp_jobs_list_tree(r->server->jobs));
  cJSON *last = form ? cJSON_Parse(form) : NULL;
  if (last)
    sp_tree_attach(&note, tree, "form", last);
  free(form);
  if (!note.failed)
    return serve_tree(c, 200, tree);
  cJSON_Delete(tree);
  return serve_tree(c, 500, NULL);
}

static serve_result no_board(struct MHD_Connection *c)
{
  return serve_refuse(c, 404, NULL, "there is no such board; it may have been thrown away");
}

static serve_result answer_job(serve_request *r, struct MHD_Connection *c)
{
  cJSON *tree = sp_jobs_tree(r->server->jobs, r->route.id);
  return tree ? serve_tree(c, 200, tree) : no_board(c);
}

static serve_result answer_done(struct MHD_Connection *c, sp_status status, const sp_error *err, const char *field)
{
  static const char DONE[] = "{\"done\":true}";
  return status ? serve_error(c, err, field) : serve_bytes(c, 200, "application/json", DONE, strlen(DONE));
}

static serve_result answer_correct(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  sp_corrections said = {.list = NULL};
  cJSON *tree = cJSON_Parse(r->text);
  const cJSON *applied = cJSON_GetObjectItemCaseSensitive(tree, "applied");
  if (!cJSON_IsNumber(applied) || !(applied->valuedouble >= 0.0 && applied->valuedouble <= SP_CORRECTIONS_MOST)) {
    cJSON_Delete(tree);
    return serve_refuse(c, 400, NULL, "the corrections have arrived garbled; load the page again");
  }
  const size_t count = (size_t)applied->valuedouble;
  cJSON_DeleteItemFromObjectCaseSensitive(tree, "applied");
  char *text = cJSON_PrintUnformatted(tree);
  cJSON_Delete(tree);
  sp_status status = text ? sp_corrections_parse(text, strlen(text), &said, &err) : sp_fail_memory(&err);
  if (!status)
    status = sp_jobs_correct(r->server->jobs, r->route.id, &said, count, &err);
  sp_corrections_free(&said);
  free(text);
  return answer_done(c, status, &err, NULL);
}

/* What is remembered must be enough by itself. */
static sp_status ask_again(serve_request *r, const form *f, const char **field, sp_error *err)
{
  const sp_job_change change = {&f->settings, f->board_said, f->board, f->turned ? f->turn : NULL, f->turn_count};
  const sp_status status = sp_jobs_again(r->server->jobs, r->route.id, &change, field, err);
  const char *missing = NULL;
  if (!status && check_complete(&f->settings, f->board, 1, &missing, &(sp_error){0}) == SP_OK)
    remember(r->server, f);
  return status;
}

static serve_result answer_settings(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  const char *field = NULL;
  cJSON *tree = cJSON_Parse(r->text);
  form f;
  sp_status status = form_of(&r->server->store, tree, &f, &field, &err);
  if (!status && r->route.action == SERVE_AGAIN)
    status = ask_again(r, &f, &field, &err);
  else if (!status && (status = check_complete(&f.settings, f.board, 1, &field, &err)) == SP_OK)
    remember(r->server, &f);
  const serve_result result = answer_done(c, status, &err, field);
  form_free(&f);
  cJSON_Delete(tree);
  return result;
}

static serve_result answer_remove(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  const char *keep = MHD_lookup_connection_value(c, MHD_GET_ARGUMENT_KIND, "keep");
  const sp_status status = sp_jobs_remove(r->server->jobs, r->route.id, !keep || strcmp(keep, "history") != 0, &err);
  return answer_done(c, status, &err, NULL);
}

static serve_result answer_board_save(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  const char *field = NULL;
  cJSON *tree = cJSON_Parse(r->text);
  const cJSON *name = cJSON_GetObjectItemCaseSensitive(tree, "name"),
              *text = cJSON_GetObjectItemCaseSensitive(tree, "text");
  form f = {.board = NULL};
  sp_status status = SP_OK;
  if (cJSON_IsString(text))
    status = sp_boards_save_text(&r->server->store, text->valuestring, &err);
  else
    status = form_of(&r->server->store, cJSON_GetObjectItemCaseSensitive(tree, "settings"), &f, &field, &err);
  if (!status && !text)
    status = sp_settings_complete(&f.settings, NULL, 1, &field, &err);
  if (!status && !text)
    status = sp_boards_save(&r->server->store, cJSON_IsString(name) ? name->valuestring : "", &f.settings, &err);
  const serve_result result = answer_done(c, status, &err, field);
  form_free(&f);
  cJSON_Delete(tree);
  return result;
}

static serve_result answer_boards(serve_request *r, struct MHD_Connection *c)
{
  sp_tree note = {0};
  cJSON *tree = cJSON_CreateObject();
  sp_tree_attach(&note, tree, "list", sp_boards_tree(&r->server->store));
  if (!note.failed)
    return serve_tree(c, 200, tree);
  cJSON_Delete(tree);
  return serve_tree(c, 500, NULL);
}

static serve_result answer_board_text(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  char *text = NULL;
  if (sp_boards_text(&r->server->store, r->route.id, &text, &err))
    return serve_error(c, &err, NULL);
  cJSON *tree = cJSON_CreateObject();
  cJSON_AddStringToObject(tree, "text", text);
  free(text);
  return serve_tree(c, 200, tree);
}

static serve_result answer_board_forget(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  const sp_status status = sp_boards_forget(&r->server->store, r->route.id, &err);
  return answer_done(c, status, &err, NULL);
}

/* ---- the scanner ------------------------------------------------------------------------------------------------ */

/* The first who asks has it looked for, on this machine alone. */
static serve_result answer_scanner(serve_request *r, struct MHD_Connection *c)
{
  cJSON *tree = sp_scanner_tree(r->server->scanner);
  const bool first = cJSON_IsFalse(cJSON_GetObjectItemCaseSensitive(tree, "looked")) &&
                     cJSON_IsTrue(cJSON_GetObjectItemCaseSensitive(tree, "built"));
  if (!first || sp_scanner_look(r->server->scanner, false, &(sp_error){0}))
    return serve_tree(c, 200, tree);
  cJSON_Delete(tree);
  return serve_tree(c, 200, sp_scanner_tree(r->server->scanner));
}

static serve_result answer_look(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  cJSON *tree = cJSON_Parse(r->text);
  const bool everywhere = cJSON_IsTrue(cJSON_GetObjectItemCaseSensitive(tree, "everywhere"));
  cJSON_Delete(tree);
  const sp_status status = sp_scanner_look(r->server->scanner, everywhere, &err);
  return answer_done(c, status, &err, NULL);
}

static serve_result answer_scan(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  const char *field = NULL;
  cJSON *tree = cJSON_Parse(r->text);
  const cJSON *device = cJSON_GetObjectItemCaseSensitive(tree, "device"),
              *dpi = cJSON_GetObjectItemCaseSensitive(tree, "dpi");
  form f = {.board = NULL};
  sp_status status = cJSON_IsString(device) && cJSON_IsNumber(dpi) ? SP_OK : garbled(&err);
  if (!status)
    status = form_of(&r->server->store, cJSON_GetObjectItemCaseSensitive(tree, "settings"), &f, &field, &err);
  if (!status)
    status = check_complete(&f.settings, f.board, 1, &field, &err);
  if (!status) {
    const sp_job_order order = {.settings = f.settings, .board = f.board};
    const double value = dpi->valuedouble;
    status = sp_scanner_scan(r->server->scanner, device->valuestring, value >= 1.0 && value < 1e5 ? (int)value : 0,
                             &order, &err);
  }
  if (!status)
    remember(r->server, &f);
  const serve_result result = answer_done(c, status, &err, field);
  form_free(&f);
  cJSON_Delete(tree);
  return result;
}

static serve_result answer_scan_stop(serve_request *r, struct MHD_Connection *c)
{
  sp_scanner_stop(r->server->scanner);
  return answer_done(c, SP_OK, NULL, NULL);
}

/* The identities in the list; NULL if it is none or there is no memory. */
static char (*ids_of(const cJSON *list, size_t *count))[SP_STORE_ID]
{
  const cJSON *item;
  const int size = cJSON_IsArray(list) ? cJSON_GetArraySize(list) : 0;
  char(*ids)[SP_STORE_ID] = size > 0 ? calloc((size_t)size, sizeof *ids) : NULL;
  *count = 0;
  if (ids)
    cJSON_ArrayForEach(item, list) if (cJSON_IsString(item) && sp_store_id_valid(item->valuestring))
        strcpy(ids[(*count)++], item->valuestring);
  return ids;
}

static serve_result answer_history(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  cJSON *tree = NULL;
  if (sp_jobs_history(&r->server->store, &tree, &err))
    return serve_error(c, &err, NULL);
  return serve_tree(c, 200, tree);
}

static serve_result answer_history_sum(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  char id[SP_STORE_ID] = "";
  if (sp_jobs_reserve(r->server->jobs, &err))
    return serve_refuse(c, 503, NULL, err.text);
  const sp_status status = sp_jobs_sum_history(r->server->jobs, id, &err);
  return answer_new(c, status, &err, id);
}

static serve_result answer_together(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  size_t count = 0;
  char id[SP_STORE_ID] = "";
  cJSON *tree = cJSON_Parse(r->text);
  char(*ids)[SP_STORE_ID] = ids_of(cJSON_GetObjectItemCaseSensitive(tree, "of"), &count);
  cJSON_Delete(tree);
  if (sp_jobs_reserve(r->server->jobs, &err)) {
    free(ids);
    return serve_refuse(c, 503, NULL, err.text);
  }
  const sp_status status = sp_jobs_together(r->server->jobs, ids, count, id, &err);
  free(ids);
  return answer_new(c, status, &err, id);
}

static serve_result answer_enter(serve_request *r, struct MHD_Connection *c)
{
  sp_server *s = r->server;
  const union MHD_ConnectionInfo *info = MHD_get_connection_info(c, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
  if (!s->open)
    return serve_refuse(c, 404, NULL, "no code is asked for here");
  if (!serve_may_guess(&s->limiter, info ? info->client_addr : NULL, serve_now_s()))
    return serve_refuse(c, 429, "code", "too many guesses; wait a minute");
  cJSON *tree = cJSON_Parse(r->text);
  const cJSON *code = cJSON_GetObjectItemCaseSensitive(tree, "code");
  const bool right = cJSON_IsString(code) && serve_same_secret(code->valuestring, s->code);
  cJSON_Delete(tree);
  return right ? serve_let_in(s, c)
               : serve_refuse(c, 403, "code",
                              "that is not the code; it stands where the program "
                              "was started");
}

/* ---- files of a result ------------------------------------------------------------------------------------------ */

static int shown_result(const serve_request *r)
{
  const uint32_t run = sp_jobs_shown(r->server->jobs, r->route.id);
  return run ? sp_store_result(&r->server->store, r->route.id, run) : -1;
}

static serve_result answer_file(serve_request *r, struct MHD_Connection *c)
{
  const char *name = r->route.name;
  const int result = shown_result(r), fd = result >= 0 ? sp_store_file(result, name) : -1;
  if (result >= 0)
    close(result);
  if (fd < 0)
    return no_board(c);
  if (strcmp(name, "report.html") == 0)
    return serve_report(c, fd);
  const off_t size = lseek(fd, 0, SEEK_END);
  const bool parts = strcmp(name, "parts.html") == 0, json = strstr(name, ".json") != NULL;
  return serve_file(c,
                    parts  ? "text/html; charset=utf-8"
                    : json ? "application/json"
                           : "text/csv; charset=utf-8",
                    fd, 0, size > 0 ? (uint64_t)size : 0, parts || json ? NULL : "slotproof.csv");
}

static serve_result answer_packed(struct MHD_Connection *c, int fd, uint64_t key, const char *type)
{
  uint64_t offset = 0;
  uint32_t size = 0;
  sp_error err = {0};
  if (fd < 0)
    return no_board(c);
  if (sp_pack_find(fd, key, &offset, &size, &err)) {
    close(fd);
    return serve_error(c, &err, NULL);
  }
  return serve_file(c, type, fd, offset, size, NULL);
}

static serve_result answer_mark(serve_request *r, struct MHD_Connection *c)
{
  const int result = shown_result(r), fd = result >= 0 ? sp_store_file(result, "marks.pack") : -1;
  if (result >= 0)
    close(result);
  return answer_packed(c, fd, sp_work_mark_key(r->route.stray, r->route.number[0]), "text/html; charset=utf-8");
}

static serve_result answer_tile(serve_request *r, struct MHD_Connection *c)
{
  const int job = sp_store_job(&r->server->store, r->route.id);
  const int fd = job >= 0 ? sp_store_file(job, "tiles.pack") : -1;
  if (job >= 0)
    close(job);
  return answer_packed(c, fd, sp_tiles_key(r->route.number[0], r->route.number[1], r->route.number[2]), "image/jpeg");
}

serve_result serve_answer(serve_request *r, struct MHD_Connection *c)
{
  switch (r->route.action) {
  case SERVE_ASSET:
    return serve_asset_named(r->server, c, r->route.name);
  case SERVE_LIST:
    return answer_list(r, c);
  case SERVE_ADD:
    return answer_add(r, c);
  case SERVE_JOB:
    return answer_job(r, c);
  case SERVE_REMOVE:
    return answer_remove(r, c);
  case SERVE_CORRECT:
    return answer_correct(r, c);
  case SERVE_AGAIN:
  case SERVE_FORM:
    return answer_settings(r, c);
  case SERVE_FILE:
    return answer_file(r, c);
  case SERVE_MARK:
    return answer_mark(r, c);
  case SERVE_TILE:
    return answer_tile(r, c);
  case SERVE_BOARD_LIST:
    return answer_boards(r, c);
  case SERVE_BOARD_TEXT:
    return answer_board_text(r, c);
  case SERVE_BOARD_SAVE:
    return answer_board_save(r, c);
  case SERVE_BOARD_FORGET:
    return answer_board_forget(r, c);
  case SERVE_SCANNER:
    return answer_scanner(r, c);
  case SERVE_SCANNER_LOOK:
    return answer_look(r, c);
  case SERVE_SCAN:
    return answer_scan(r, c);
  case SERVE_SCAN_STOP:
    return answer_scan_stop(r, c);
  case SERVE_HISTORY:
    return answer_history(r, c);
  case SERVE_HISTORY_SUM:
    return answer_history_sum(r, c);
  case SERVE_TOGETHER:
    return answer_together(r, c);
  case SERVE_ENTER:
    return answer_enter(r, c);
  case SERVE_NOTHING:
  case SERVE_WRONG_METHOD:
    break;
  }
  return serve_refuse(c, 404, NULL, "there is no such page");
}
