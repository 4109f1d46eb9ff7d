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

typedef struct query {
  serve_request *request;
  sp_error err;
  char field[40];
} query;

static serve_result take_argument(void *context, enum MHD_ValueKind kind, const char *key, const char *value)
{
  query *q = context;
  (void)kind;
  if (strcmp(key, "name") == 0)
    sp_job_clean_name(value ? value : "", q->request->name);
  else if (sp_settings_set(&q->request->settings, key, value ? value : "", &q->err)) {
    snprintf(q->field, sizeof q->field, "%.39s", key);
    return MHD_NO;
  }
  return MHD_YES;
}

/* From an object of texts. *field is the member that will not do, or NULL. */
static sp_status settings_of(const cJSON *tree, sp_job_settings *settings, const char **field, sp_error *err)
{
  const cJSON *item;
  *settings = (sp_job_settings){{{0}}};
  *field = NULL;
  if (!cJSON_IsObject(tree))
    return sp_fail(err, SP_E_USAGE, "the form has arrived garbled; load the page again");
  cJSON_ArrayForEach(item, tree)
  {
    if (!cJSON_IsString(item))
      return sp_fail(err, SP_E_USAGE, "the form has arrived garbled; load the page again");
    *field = item->string;
    const sp_status status = sp_settings_set(settings, item->string, item->valuestring, err);
    if (status)
      return status;
  }
  *field = NULL;
  return sp_settings_complete(settings, field, err);
}

static void remember(sp_server *server, const sp_job_settings *settings)
{
  cJSON *tree = sp_settings_tree(settings);
  char *text = tree ? cJSON_Print(tree) : NULL;
  if (text)
    sp_store_put(server->store.root, "form.json", text, NULL); /* a convenience only */
  free(text);
  cJSON_Delete(tree);
}

/* ---- before the body -------------------------------------------------------------------------------------------- */

/* A picture: is there room, and can it mean something? Everything is refused before the first byte is received. */
static serve_result begin_picture(serve_request *r, struct MHD_Connection *c, bool *answered)
{
  query q = {.request = r};
  const char *field = NULL;
  *answered = true;
  if (r->expected > r->server->upload_most) {
    char words[120];
    snprintf(words, sizeof words, "the picture has %.0f MB; this page takes at most %.0f MB",
             (double)r->expected / 1048576.0, (double)r->server->upload_most / 1048576.0);
    return serve_refuse(c, 413, NULL, words);
  }
  if (!r->expected)
    return serve_refuse(c, 400, NULL, "the picture is empty");
  strcpy(r->name, "picture");
  MHD_get_connection_values(c, MHD_GET_ARGUMENT_KIND, take_argument, &q);
  if (q.err.status)
    return serve_error(c, &q.err, q.field);
  if (sp_settings_complete(&r->settings, &field, &q.err))
    return serve_error(c, &q.err, field);
  if (sp_jobs_reserve(r->server->jobs, &q.err))
    return serve_refuse(c, 503, NULL, q.err.text);
  r->reserved = true;
  if (sp_store_room(&r->server->store, r->expected, &q.err) || sp_store_new_id(r->id, &q.err) ||
      sp_store_begin(&r->server->store, r->id, &r->fd, &q.err))
    return serve_error(c, &q.err, NULL);
  r->body = SERVE_PICTURE;
  *answered = false;
  return MHD_YES;
}

static serve_result begin_text(serve_request *r, struct MHD_Connection *c, bool *answered)
{
  const uint64_t most = r->route.action == SERVE_CORRECT || r->route.action == SERVE_TOGETHER ? TEXT_MOST : FORM_MOST;
  if (r->expected > most) {
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
                    a == SERVE_BOARD_SAVE || a == SERVE_TOGETHER;
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

bool serve_take(serve_request *r, const char *bytes, size_t size)
{
  if (r->body == SERVE_NO_BODY || size > r->expected - r->used)
    return false;
  if (r->body == SERVE_TEXT) {
    memcpy(r->text + r->used, bytes, size);
    r->text[r->used + size] = '\0';
  } else if (!r->failed) {
    r->failed = !write_all(r->fd, bytes, size); /* told when all has come */
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
  free(r->text);
  free(r);
}

/* ---- answers ---------------------------------------------------------------------------------------------------- */

static serve_result answer_add(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  if (r->used != r->expected)
    return serve_refuse(c, 400, NULL, "the picture has not arrived whole; send it again");
  if (r->failed)
    return serve_refuse(c, 507, NULL, "the picture could not be kept; make room on the disk");
  r->reserved = false; /* taken over */
  if (sp_jobs_add(r->server->jobs, r->id, r->fd, r->name, &r->settings, &err))
    return serve_error(c, &err, NULL);
  r->received = true;
  cJSON *tree = cJSON_CreateObject();
  cJSON_AddStringToObject(tree, "id", r->id);
  return serve_tree(c, 201, tree);
}

static serve_result answer_list(serve_request *r, struct MHD_Connection *c)
{
  sp_tree note = {0};
  cJSON *tree = cJSON_CreateObject();
  char *form = sp_store_text(r->server->store.root, "form.json", FORM_MOST);
  sp_tree_attach(&note, tree, "jobs", sp_jobs_list_tree(r->server->jobs));
  sp_tree_attach(&note, tree, "boards", sp_boards_tree(&r->server->store));
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

static serve_result answer_settings(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  const char *field = NULL;
  cJSON *tree = cJSON_Parse(r->text);
  sp_job_settings settings;
  sp_status status = settings_of(tree, &settings, &field, &err);
  if (!status && r->route.action == SERVE_AGAIN)
    status = sp_jobs_again(r->server->jobs, r->route.id, &settings, &err);
  if (!status)
    remember(r->server, &settings);
  const serve_result result = answer_done(c, status, &err, field);
  cJSON_Delete(tree);
  return result;
}

static serve_result answer_remove(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  const sp_status status = sp_jobs_remove(r->server->jobs, r->route.id, &err);
  return answer_done(c, status, &err, NULL);
}

static serve_result answer_board_save(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  const char *field = NULL;
  cJSON *tree = cJSON_Parse(r->text);
  const cJSON *name = cJSON_GetObjectItemCaseSensitive(tree, "name");
  sp_job_settings settings;
  sp_status status = settings_of(cJSON_GetObjectItemCaseSensitive(tree, "settings"), &settings, &field, &err);
  if (!status)
    status = sp_boards_save(&r->server->store, cJSON_IsString(name) ? name->valuestring : "", &settings, &err);
  const serve_result result = answer_done(c, status, &err, field);
  cJSON_Delete(tree);
  return result;
}

static serve_result answer_board_forget(serve_request *r, struct MHD_Connection *c)
{
  sp_error err = {0};
  const sp_status status = sp_boards_forget(&r->server->store, r->route.id, &err);
  return answer_done(c, status, &err, NULL);
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
  if (status)
    return serve_error(c, &err, NULL);
  tree = cJSON_CreateObject();
  cJSON_AddStringToObject(tree, "id", id);
  return serve_tree(c, 201, tree);
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
  const bool parts = strcmp(name, "parts.html") == 0, json = strcmp(name, "record.json") == 0;
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
  case SERVE_BOARD_SAVE:
    return answer_board_save(r, c);
  case SERVE_BOARD_FORGET:
    return answer_board_forget(r, c);
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
