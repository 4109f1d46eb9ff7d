/* `slotproof serve` from outside, without a browser: the record is the command line's, nothing gets lost, nothing gets
 * through, a bad picture hurts itself alone, a kill costs nothing that was finished. */
#define _GNU_SOURCE /* strcasestr, pthread */
#include "outside.h"

#include <png.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "check_close.h"
#include "talk.h"

static char *slotproof;
static talk_program server;

#define KITTIWAKE SAMPLES_DIR "/kittiwake.png"
static const char ASKED[] = "scale_length=381mm&frets=14";

static void get_path(char path[200], const char *id, const char *what)
{
  snprintf(path, 200, "/api/jobs/%.32s%.100s", id, what);
}

static talk_answer get_of(const char *id, const char *what)
{
  char path[200];
  get_path(path, id, what);
  return talk(server.port, "GET", path, "", false, NULL, 0);
}

static talk_answer post(const char *path, const char *text)
{
  return talk(server.port, "POST", path, "Content-Type: application/json\r\n", true, text, strlen(text));
}

/* What the command line says of the same picture, called by the same name. */
static char *told_by_check(const char *options)
{
  char command[1000];
  snprintf(command, sizeof command, "ln -sf '%s' kittiwake.png", KITTIWAKE);
  assert_int_equal(system(command), 0);
  snprintf(command, sizeof command, "check --scale-length 381mm --frets 14 --format json %s kittiwake.png", options);
  const outside_result *r = outside_run(command);
  assert_string_equal(r->err, "");
  return strdup(r->out);
}

/* ---- the same record -------------------------------------------------------------------------------------------- */

static void test_record_is_the_same(void **state)
{
  (void)state;
  char id[40];
  talk_send(server.port, KITTIWAKE, "kittiwake.png", ASKED, id);
  cJSON *job = talk_wait(server.port, id);
  assert_string_equal(word(job, "state"), "done");
  assert_string_equal(word(member(job, "about"), "verdict"), "out");
  cJSON_Delete(job);
  char *wanted = told_by_check("");
  talk_answer a = get_of(id, "/record");
  assert_int_equal(a.status, 200);
  assert_string_equal(a.body, wanted);
  talk_free(&a);
  free(wanted);
  a = get_of(id, "/table");
  assert_memory_equal(a.body, "fret,", 5);
  talk_free(&a);
  a = get_of(id, "/mark/3");
  assert_non_null(strstr(a.body, "<figure>"));
  talk_free(&a);
  a = get_of(id, "/mark/99");
  assert_int_equal(a.status, 404);
  talk_free(&a);
  a = get_of(id, "/report");
  assert_non_null(strstr(a.head, "style-src 'sha256-"));
  assert_non_null(strstr(a.body, "Out of tolerance"));
  talk_free(&a);
}

/* The tiles of one level cover the picture, and none lies beyond. */
static void test_tiles(void **state)
{
  (void)state;
  char id[40], what[80];
  talk_send(server.port, KITTIWAKE, "kittiwake.png", ASKED, id);
  cJSON *job = talk_wait(server.port, id);
  const cJSON *about = member(job, "about");
  const int side = (int)number(about, "tile_px");
  for (int level = 0; level < (int)number(about, "levels"); level++) {
    const int step = side << level, columns = ((int)number(about, "width_px") + step - 1) / step,
              rows = ((int)number(about, "height_px") + step - 1) / step;
    for (int column = 0; column <= columns; column += columns > 1 ? columns - 1 : 1) {
      snprintf(what, sizeof what, "/tile/%d/%d/%d", level, column, rows - 1);
      talk_answer a = get_of(id, what);
      assert_int_equal(a.status, column < columns ? 200 : 404);
      if (a.status == 200)
        assert_memory_equal(a.body, "\xff\xd8\xff", 3); /* JPEG, ISO/IEC 10918-1: SOI */
      talk_free(&a);
      if (column == columns)
        break;
      if (columns > 1 && column == columns - 1) {
        snprintf(what, sizeof what, "/tile/%d/%d/%d", level, columns, 0);
        a = get_of(id, what);
        assert_int_equal(a.status, 404);
        talk_free(&a);
        break;
      }
    }
  }
  cJSON_Delete(job);
}

/* ---- many at once ----------------------------------------------------------------------------------------------- */

enum { CLIENTS = 8, SPOILT = 400 };

/* As many as the environment says, where it does: under sanitizers a check takes ten times as long. */
static int told(const char *name, int most)
{
  const char *text = getenv(name);
  const long n = text ? strtol(text, NULL, 10) : most;
  assert_true(n > 0 && n <= most);
  return (int)n;
}

typedef struct client {
  uint16_t port;
  char id[40], name[40];
} client;

static void *send_one(void *context)
{
  client *c = context;
  talk_send(c->port, SAMPLES_DIR "/sandpiper.png", c->name, "scale_length=352mm&frets=14", c->id);
  return NULL;
}

static void test_many_at_once(void **state)
{
  (void)state;
  const int count = told("SERVE_CLIENTS", CLIENTS);
  client clients[CLIENTS];
  pthread_t threads[CLIENTS];
  for (int i = 0; i < count; i++) {
    clients[i] = (client){.port = server.port};
    snprintf(clients[i].name, sizeof clients[i].name, "board-%d.png", i);
    assert_int_equal(pthread_create(&threads[i], NULL, send_one, &clients[i]), 0);
  }
  for (int i = 0; i < count; i++)
    assert_int_equal(pthread_join(threads[i], NULL), 0);
  for (int i = 0; i < count; i++) {
    assert_int_equal(strlen(clients[i].id), 32);
    cJSON *job = talk_wait(server.port, clients[i].id);
    assert_string_equal(word(job, "state"), "done");
    assert_string_equal(word(job, "name"), clients[i].name);
    assert_string_equal(word(member(job, "about"), "verdict"), "within");
    cJSON_Delete(job);
  }
}

/* ---- refused ---------------------------------------------------------------------------------------------------- */

static void check_refused(const char *method, const char *path, const char *headers, bool origin, const char *body,
                          int status)
{
  talk_answer a = talk(server.port, method, path, headers, origin, body, body ? strlen(body) : 0);
  if (a.status != status)
    fprintf(stderr, "%s %s (%s): %d instead of %d\n", method, path, headers, a.status, status);
  assert_int_equal(a.status, status);
  assert_non_null(strstr(a.head, "default-src 'none'"));
  assert_non_null(strcasestr(a.head, "X-Content-Type-Options: nosniff"));
  talk_free(&a);
}

static void test_guards(void **state)
{
  (void)state;
  char raw[300];
  check_refused("POST", "/api/form", "", false, "{}", 403);
  check_refused("POST", "/api/form", "Origin: http://evil.example\r\n", false, "{}", 403);
  check_refused("POST", "/api/form", "Origin: null\r\n", false, "{}", 403);
  check_refused("POST", "/api/form", "Sec-Fetch-Site: cross-site\r\n", true, "{}", 403);
  check_refused("GET", "/api/jobs", "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: no-cors\r\n", false, NULL, 403);
  check_refused("GET", "/", "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate\r\n", false, NULL, 200);
  check_refused("DELETE", "/api/jobs/00000000000000000000000000000000", "", true, NULL, 404);
  check_refused("GET", "/api/jobs/../../etc/passwd", "", false, NULL, 404);
  check_refused("GET", "/api/jobs/%2e%2e%2f%2e%2e%2flock", "", false, NULL, 404);
  check_refused("GET", "/board/0123456789abcdef0123456789ABCDEF", "", false, NULL, 404);
  check_refused("PUT", "/api/jobs", "", true, "x", 405);
  check_refused("POST", "/api/form", "", true, "{\"scale_length\":\"648\",\"frets\":\"3\"}", 400);
  check_refused("POST", "/api/form", "", true, "{\"scale_length\":\"--output=/tmp/x\",\"frets\":\"3\"}", 400);
  check_refused("POST", "/api/form", "", true, "{\"output\":\"x\"}", 400);
  check_refused("POST", "/api/jobs?name=x&scale_length=381mm", "", true, "not a picture", 400);
  static const char *const HOSTS[] = {"evil.example", "evil.example:%u",   "127.0.0.1:1",
                                      "127.0.0.1",    "localhost.evil:%u", "127.0.0.2:%u"};
  for (size_t i = 0; i < sizeof HOSTS / sizeof *HOSTS; i++) {
    char host[60];
    snprintf(host, sizeof host, HOSTS[i], (unsigned)server.port);
    snprintf(raw, sizeof raw, "GET /api/jobs HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n\r\n", host);
    talk_answer a = talk_raw(server.port, raw, strlen(raw));
    assert_int_equal(a.status, 421);
    talk_free(&a);
  }
  snprintf(raw, sizeof raw, "GET /api/jobs HTTP/1.1\r\nHost: localhost:%u\r\nConnection: close\r\n\r\n",
           (unsigned)server.port);
  talk_answer a = talk_raw(server.port, raw, strlen(raw));
  assert_int_equal(a.status, 200);
  talk_free(&a);
}

/* A whole request with random bytes put in, left out, changed. */
static size_t spoil(char *request, size_t size, size_t room)
{
  for (int changes = 1 + rand() % 6; changes > 0; changes--) {
    const size_t at = (size_t)rand() % size;
    switch (rand() % 4) {
    case 0:
      request[at] = (char)(rand() % 256);
      break;
    case 1:
      size = at + 1;
      break;
    case 2:
      if (2 * size - at < room) {
        memmove(request + size, request + at, size - at);
        size += size - at;
      }
      break;
    default:
      request[at] = "\r\n \0:/%?&=\xff"[rand() % 11];
      break;
    }
  }
  return size;
}

static void test_malformed_by_the_hundred(void **state)
{
  (void)state;
  srand(20);
  for (int i = told("SERVE_SPOILT", SPOILT); i > 0; i--) {
    char request[4000];
    size_t size = (size_t)snprintf(request, sizeof request,
                                   "POST /api/jobs?name=a.png&scale_length=381mm&frets=14 HTTP/1.1\r\n"
                                   "Host: 127.0.0.1:%u\r\nOrigin: http://127.0.0.1:%u\r\nContent-Length: 20\r\n"
                                   "Connection: close\r\nCookie: a=b; c=d\r\n\r\n\x89PNG not much of one",
                                   (unsigned)server.port, (unsigned)server.port);
    size = spoil(request, size, sizeof request);
    talk_answer a = talk_cut(server.port, request, size);
    assert_true(a.status == 0 || (a.status >= 200 && a.status < 600));
    talk_free(&a);
  }
  cJSON *tree = talk_json(server.port, "/api/jobs", 200);
  cJSON_Delete(tree);
}

/* ---- pictures that are up to no good ---------------------------------------------------------------------------- */

/* A PNG of one grey, so many pixels each way; `rows` of them are really there. */
static void write_bomb(const char *name, uint32_t width, uint32_t height, uint32_t rows)
{
  FILE *file = fopen(name, "wb");
  assert_non_null(file);
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
  png_infop info = png_create_info_struct(png);
  png_bytep row = calloc(width, 1);
  assert_non_null(row);
  png_init_io(png, file);
  png_set_compression_level(png, 9);
  png_set_user_limits(png, 0x7fffffff, 0x7fffffff);
  png_set_IHDR(png, info, width, height, 8, PNG_COLOR_TYPE_GRAY, PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT,
               PNG_FILTER_TYPE_DEFAULT);
  png_write_info(png, info);
  for (uint32_t y = 0; y < rows; y++)
    png_write_row(png, row);
  if (!rows)
    png_write_chunk(png, (png_const_bytep) "IDAT", (png_const_bytep) "x\x9c and no more of it", 20);
  else if (rows == height)
    png_write_end(png, info);
  else
    png_write_flush(png);
  png_destroy_write_struct(&png, &info);
  free(row);
  fclose(file);
}

static void check_fails(const char *file, const char *sentence)
{
  char id[40];
  talk_send(server.port, file, "odd.png", ASKED, id);
  cJSON *job = talk_wait(server.port, id);
  assert_string_equal(word(job, "state"), "failed");
  if (!strstr(word(job, "failure"), sentence))
    fprintf(stderr, "%s: %s\n", file, word(job, "failure"));
  assert_non_null(strstr(word(job, "failure"), sentence));
  cJSON_Delete(job);
  talk_answer a = get_of(id, "/record");
  assert_int_equal(a.status, 404);
  talk_free(&a);
}

static void test_hostile_pictures(void **state)
{
  (void)state;
  char id[40];
  size_t size;
  write_bomb("huge.png", 60000, 60000, 0);  /* 3600 million pixels are promised */
  write_bomb("bomb.png", 2000000, 90, 0);   /* 180 million: beyond what is decoded here */
  write_bomb("short.png", 3000, 2000, 900); /* ends in the middle */
  char *bytes = talk_file(KITTIWAKE, &size);
  FILE *file = fopen("torn.png", "wb");
  assert_non_null(file);
  assert_int_equal(fwrite(bytes, 1, size / 2, file), size / 2);
  fclose(file);
  for (size_t i = 5000; i < 5400; i++)
    bytes[i] = (char)(i * 7);
  file = fopen("hurt.png", "wb");
  assert_non_null(file);
  assert_int_equal(fwrite(bytes, 1, size, file), size);
  fclose(file);
  free(bytes);
  check_fails("huge.png", "pixels");
  check_fails("bomb.png", "pixels");
  check_fails("short.png", "");
  check_fails("torn.png", "");
  check_fails("hurt.png", "");
  check_fails(SAMPLES_DIR "/README.md", "");
  talk_send(server.port, KITTIWAKE, "kittiwake.png", ASKED, id); /* and the others go on */
  cJSON *job = talk_wait(server.port, id);
  assert_string_equal(word(job, "state"), "done");
  cJSON_Delete(job);
}

static void test_upload_limits(void **state)
{
  (void)state;
  char raw[400];
  snprintf(raw, sizeof raw,
           "POST /api/jobs?name=a&%s HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nOrigin: http://127.0.0.1:%u\r\n"
           "Content-Length: 999999999999\r\n\r\n",
           ASKED, (unsigned)server.port, (unsigned)server.port);
  talk_answer a = talk_raw(server.port, raw, strlen(raw));
  assert_int_equal(a.status, 413);
  talk_free(&a);
  snprintf(raw, sizeof raw,
           "POST /api/jobs?name=a&%s HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nOrigin: http://127.0.0.1:%u\r\n"
           "Transfer-Encoding: chunked\r\n\r\n5\r\nhello\r\n0\r\n\r\n",
           ASKED, (unsigned)server.port, (unsigned)server.port);
  a = talk_raw(server.port, raw, strlen(raw));
  assert_int_equal(a.status, 411);
  talk_free(&a);
}

/* An upload that breaks off leaves nothing behind. */
static void test_broken_upload(void **state)
{
  (void)state;
  char raw[400], command[300];
  const int n = snprintf(raw, sizeof raw,
                         "POST /api/jobs?name=a&%s HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nOrigin: http://127.0.0.1:%u\r\n"
                         "Content-Length: 5000\r\n\r\nonly this",
                         ASKED, (unsigned)server.port, (unsigned)server.port);
  talk_answer a = talk_cut(server.port, raw, (size_t)n);
  talk_free(&a);
  snprintf(command, sizeof command,
           "for i in 1 2 3 4 5 6 7 8 9; do [ -z \"$(ls data/incoming)\" ] && exit 0; sleep 0.1; done; "
           "exit 1");
  assert_int_equal(system(command), 0);
}

/* ---- corrections, other settings, throwing away ----------------------------------------------------------------- */

/* Fret 5 is said to be none, and the place where fret 12 was forgotten to hold one; then the first alone. */
static void check_corrected(const char *id)
{
  static const char *const SAID[] = {
      "{\"schema\":\"slotproof/corrections/1\",\"corrections\":[{\"kind\":\"not-a-mark\",\"at_px\":[2615,1050]},"
      "{\"kind\":\"mark-here\",\"at_px\":[4850,1010]}]}",
      "{\"schema\":\"slotproof/corrections/1\",\"corrections\":[{\"kind\":\"not-a-mark\",\"at_px\":[2615,1050]}]}"};
  for (int applied = 2; applied >= 1; applied--) {
    char path[200], text[500];
    FILE *file = fopen("said.json", "w");
    assert_non_null(file);
    fputs(SAID[2 - applied], file);
    assert_int_equal(fclose(file), 0);
    get_path(path, id, "/corrections");
    snprintf(text, sizeof text, "{\"applied\":%d,%s", applied, SAID[0] + 1); /* both are kept: one can be done again */
    talk_answer a = post(path, text);
    assert_int_equal(a.status, 200);
    talk_free(&a);
    cJSON *job = talk_wait(server.port, id);
    assert_string_equal(word(job, "state"), "done");
    assert_int_equal(cJSON_GetArraySize(member(job, "corrections")), 2);
    assert_int_equal(number(job, "applied"), applied);
    cJSON_Delete(job);
    char *wanted = told_by_check("--correct said.json");
    a = get_of(id, "/record");
    assert_string_equal(a.body, wanted);
    cJSON *record = cJSON_Parse(a.body);
    assert_string_equal(word(mark(record, 5), "state"), "missing");
    assert_int_equal(cJSON_GetArraySize(member(record, "corrections")), applied);
    cJSON_Delete(record);
    talk_free(&a);
    free(wanted);
  }
}

static void test_runs(void **state)
{
  (void)state;
  char id[40], path[200];
  talk_send(server.port, KITTIWAKE, "kittiwake.png", "scale_length=380mm&frets=14", id);
  cJSON *job = talk_wait(server.port, id);
  assert_int_equal(number(job, "shown"), 1);
  cJSON_Delete(job);
  get_path(path, id, "/again");
  talk_answer a = post(path, "{\"scale_length\":\"15 in\",\"frets\":\"14\"}"); /* 15 x 25.4 mm = 381 mm */
  assert_int_equal(a.status, 200);
  talk_free(&a);
  job = talk_wait(server.port, id);
  assert_int_equal(number(job, "run"), 2);
  assert_int_equal(number(job, "shown"), 2);
  cJSON_Delete(job);
  char *wanted = told_by_check("");
  a = get_of(id, "/record");
  assert_string_equal(a.body, wanted);
  talk_free(&a);
  free(wanted);
  check_corrected(id);
  get_path(path, id, "/corrections");
  a = post(path, "{\"applied\":1,\"corrections\":[{\"kind\":\"wrong\",\"at_px\":[1,2]}]}");
  assert_int_equal(a.status, 400);
  talk_free(&a);
  get_path(path, id, "");
  a = talk(server.port, "DELETE", path, "", true, NULL, 0);
  assert_int_equal(a.status, 200);
  talk_free(&a);
  a = get_of(id, "");
  assert_int_equal(a.status, 404);
  talk_free(&a);
}

/* Two boards summed up; what cannot be summed up is refused. */
static void test_together(void **state)
{
  (void)state;
  char ids[2][40], text[200], sum[40];
  for (int i = 0; i < 2; i++) {
    talk_send(server.port, KITTIWAKE, i ? "second.png" : "first.png", ASKED, ids[i]);
    cJSON_Delete(talk_wait(server.port, ids[i]));
  }
  snprintf(text, sizeof text, "{\"of\":[\"%s\",\"%s\"]}", ids[0], ids[1]);
  talk_answer a = post("/api/together", text);
  assert_int_equal(a.status, 201);
  cJSON *tree = cJSON_Parse(a.body);
  snprintf(sum, sizeof sum, "%s", word(tree, "id"));
  cJSON_Delete(tree);
  talk_free(&a);
  cJSON *job = talk_wait(server.port, sum);
  assert_string_equal(word(job, "state"), "done");
  assert_int_equal(number(job, "together"), 2);
  assert_string_equal(word(member(job, "about"), "verdict"), "out");
  cJSON_Delete(job);
  a = get_of(sum, "/report");
  assert_int_equal(a.status, 200);
  assert_non_null(strstr(a.body, "first.png"));
  assert_non_null(strstr(a.body, "second.png"));
  talk_free(&a);
  check_refused("POST", "/api/together", "", true, "{\"of\":[]}", 400);
  snprintf(text, sizeof text, "{\"of\":[\"%s\"]}", sum); /* no board, but a sum of them */
  check_refused("POST", "/api/together", "", true, text, 400);
}

/* ---- the history --------------------------------------------------------------------------------------------------
 */

static int boards_in_history(const char *name)
{
  cJSON *tree = talk_json(server.port, "/api/history", 200);
  const cJSON *one;
  int n = 0;
  cJSON_ArrayForEach(one, member(tree, "boards")) n += strcmp(word(one, "name"), name) == 0;
  cJSON_Delete(tree);
  return n;
}

static void remove_board(const char *id, const char *query)
{
  char path[200];
  get_path(path, id, query);
  check_refused("DELETE", path, "", true, NULL, 200);
}

/* One place a board, whatever it is asked again; gone with the board or kept without it; the command line reads it. */
static void test_history(void **state)
{
  (void)state;
  char ids[2][40], path[200];
  talk_send(server.port, KITTIWAKE, "past.png", ASKED, ids[0]);
  cJSON_Delete(talk_wait(server.port, ids[0]));
  assert_int_equal(boards_in_history("past.png"), 1);
  get_path(path, ids[0], "/again");
  check_refused("POST", path, "", true, "{\"scale_length\":\"381mm\",\"frets\":\"14\",\"tolerance\":\"2mm\"}", 200);
  cJSON_Delete(talk_wait(server.port, ids[0]));
  assert_int_equal(boards_in_history("past.png"), 1);
  cJSON *tree = talk_json(server.port, "/api/history", 200);
  const cJSON *latest = cJSON_GetArrayItem(member(tree, "boards"), 0);
  assert_string_equal(word(latest, "name"), "past.png");
  CHECK_CLOSE(number(latest, "worst_mm"), 1.0, 0.1); /* as samples/README.md says of kittiwake */
  assert_int_equal((int)number(latest, "worst_fret"), 9);
  assert_int_equal((int)number(latest, "missing"), 1);
  assert_true(number(latest, "checked_s") > 1.7e9);
  cJSON_Delete(tree);
  const outside_result *r = outside_run("batch --history data/history.db --format csv");
  assert_non_null(strstr(r->out, "past.png"));
  talk_send(server.port, KITTIWAKE, "kept.png", ASKED, ids[1]);
  cJSON_Delete(talk_wait(server.port, ids[1]));
  remove_board(ids[0], "");
  remove_board(ids[1], "?keep=history");
  assert_int_equal(boards_in_history("past.png"), 0);
  assert_int_equal(boards_in_history("kept.png"), 1);
  talk_answer a = post("/api/history", "");
  assert_int_equal(a.status, 201);
  tree = cJSON_Parse(a.body);
  snprintf(ids[0], sizeof ids[0], "%s", word(tree, "id"));
  cJSON_Delete(tree);
  talk_free(&a);
  tree = talk_wait(server.port, ids[0]);
  assert_string_equal(word(tree, "state"), "done");
  cJSON_Delete(tree);
  a = get_of(ids[0], "/report");
  assert_int_equal(a.status, 200);
  assert_non_null(strstr(a.body, "kept.png"));
  talk_free(&a);
  assert_int_equal(system("[ -z \"$(find data/jobs -name 'h-*')\" ]"), 0);
}

/* ---- board descriptions, and one board in pieces ---------------------------------------------------------------- */

static const char *const PIECES[] = {SAMPLES_DIR "/redshank-1.jpg", SAMPLES_DIR "/redshank-2.jpg",
                                     SAMPLES_DIR "/redshank-3.jpg"};

static talk_answer save_text(const char *text)
{
  cJSON *tree = cJSON_CreateObject();
  cJSON_AddStringToObject(tree, "text", text);
  char *body = cJSON_PrintUnformatted(tree);
  talk_answer a = post("/api/boards", body);
  free(body);
  cJSON_Delete(tree);
  return a;
}

/* Saves the sample's description; its identity in the page's list. */
static void save_sample(const char *file, const char *name, const char *more, char id[40])
{
  char path[200];
  snprintf(path, sizeof path, SAMPLES_DIR "/%s", file);
  char *text = outside_text(path);
  assert_non_null(text);
  talk_answer a = save_text(text);
  assert_int_equal(a.status, 200);
  talk_free(&a);
  cJSON *list = talk_json(server.port, "/api/boards", 200);
  const cJSON *one;
  id[0] = '\0';
  cJSON_ArrayForEach(one, member(list, "list")) if (strcmp(word(one, "name"), name) == 0)
  {
    snprintf(id, 40, "%s", word(one, "id"));
    assert_string_equal(word(one, "more"), more);
  }
  cJSON_Delete(list);
  assert_int_equal(strlen(id), 32);
  snprintf(path, sizeof path, "/api/boards/%s", id);
  cJSON *tree = talk_json(server.port, path, 200);
  assert_string_equal(word(tree, "text"), text); /* comments and all */
  cJSON_Delete(tree);
  free(text);
}

static char *told_by(const char *arguments)
{
  char command[1000];
  snprintf(command, sizeof command, "cp '" SAMPLES_DIR "/'redshank* '" SAMPLES_DIR "/'godwit* .");
  assert_int_equal(system(command), 0);
  snprintf(command, sizeof command, "check --format json %s", arguments);
  const outside_result *r = outside_run(command);
  assert_string_equal(r->err, "");
  return strdup(r->out);
}

static void check_record_is(const char *id, const char *wanted)
{
  cJSON *job = talk_wait(server.port, id);
  assert_string_equal(word(job, "state"), "done");
  cJSON_Delete(job);
  talk_answer a = get_of(id, "/record");
  assert_string_equal(a.body, wanted);
  talk_free(&a);
}

static void check_record(const char *id, const char *arguments)
{
  char *wanted = told_by(arguments);
  check_record_is(id, wanted);
  free(wanted);
}

static void test_pieces_are_one_board(void **state)
{
  (void)state;
  char id[40], path[200];
  talk_send_pieces(server.port, PIECES, 3, "scale_length=648mm&frets=22", id);
  char *wanted = told_by("--scale-length 648mm --frets 22 redshank-1.jpg redshank-2.jpg redshank-3.jpg");
  check_record_is(id, wanted);
  /* places for the drawing of them all: each mark beyond the one before */
  get_path(path, id, "/places");
  cJSON *places = talk_json(server.port, path, 200);
  double before = -1.0;
  for (int fret = 1; fret <= (int)number(member(places, "layout"), "frets"); fret++) {
    const double x = coordinate(mark(places, fret), "centre_px", 0);
    assert_true(x > before);
    before = x;
  }
  cJSON_Delete(places);
  talk_answer a = get_of(id, "/tile/0/0/0");
  assert_int_equal(a.status, 200);
  talk_free(&a);
  /* nothing by hand; the wrong way round it is told to be turned */
  get_path(path, id, "/corrections");
  check_refused("POST", path, "", true, "{\"applied\":0,\"schema\":\"slotproof/corrections/1\",\"corrections\":[]}",
                400);
  get_path(path, id, "/again");
  check_refused("POST", path, "", true, "{\"turn\":[0,1,1]}", 400);
  check_refused("POST", path, "", true, "{\"turn\":[0,1]}", 400);
  check_refused("POST", path, "", true, "{\"turn\":[0,1,2,3,4,5,6,7,8]}", 400);
  check_refused("POST", path, "", true, "{\"turn\":[2,1,-1]}", 400);
  check_refused("POST", path, "", true, "{\"scale_length\":\"648mm\",\"frets\":\"22\",\"reference\":\"dpi\"}", 400);
  check_refused("POST", path, "", true, "{\"turn\":[2,1,0],\"scale_length\":\"648mm\",\"frets\":\"22\"}", 200);
  check_record(id, "--scale-length 648mm --frets 22 redshank-3.jpg redshank-2.jpg redshank-1.jpg");
  check_refused("POST", path, "", true, "{\"turn\":[2,1,0],\"scale_length\":\"648mm\",\"frets\":\"22\"}", 200);
  check_record_is(id, wanted);
  free(wanted);
}

static void test_described_board(void **state)
{
  (void)state;
  char board[40], id[40], query[200], path[200];
  save_sample("godwit.board", "Godwit", "fanned frets", board);
  snprintf(query, sizeof query, "board=%s", board);
  talk_send(server.port, SAMPLES_DIR "/godwit.jpg", "godwit.jpg", query, id);
  char *wanted = told_by("--board godwit.board godwit.jpg");
  check_record_is(id, wanted);
  get_path(path, id, "/again"); /* another scale length drives the fan out, as on the command line */
  check_refused("POST", path, "", true, "{\"tolerance\":\"0.5mm\"}", 200);
  check_record(id, "--board godwit.board --tolerance 0.5mm godwit.jpg");
  check_refused("POST", path, "", true, "{\"board\":\"\",\"tolerance\":\"0.5mm\"}", 400); /* no scale length then */
  check_refused("POST", path, "", true, "{\"board\":\"../../form\"}", 404);
  /* an old job keeps its description when that is forgotten */
  snprintf(path, sizeof path, "/api/boards/%s", board);
  check_refused("DELETE", path, "", true, NULL, 200);
  check_refused("GET", path, "", true, NULL, 404);
  get_path(path, id, "/again");
  check_refused("POST", path, "", true, "{}", 200);
  check_record_is(id, wanted);
  free(wanted);
  talk_answer a = save_text("scale length = 648 mm\nfrets = 20\n");
  assert_int_equal(a.status, 400);
  assert_non_null(strstr(a.body, "name"));
  talk_free(&a);
  a = save_text("name = x\nsteps file = /etc/passwd\n");
  assert_int_equal(a.status, 400);
  assert_non_null(strstr(a.body, "line 2"));
  talk_free(&a);
  a = save_text("name = x\nscale lenght = 648 mm\n");
  assert_int_equal(a.status, 400);
  assert_non_null(strstr(a.body, "line 2"));
  talk_free(&a);
}

/* What does not come to what was announced. */
static void test_pieces_refused(void **state)
{
  (void)state;
  static const char *const QUERIES[] = {"bytes=3",
                                        "bytes=3,4",
                                        "bytes=0,5",
                                        "bytes=-1,6",
                                        "bytes=,",
                                        "bytes=2,3x",
                                        "bytes=2,3&name9=a",
                                        "bytes=18446744073709551615,6",
                                        "bytes=1,1,1,1,1,0,0,0,0",
                                        "bytes=2,3&reference=dpi",
                                        "bytes=999999999999,5"};
  for (size_t i = 0; i < sizeof QUERIES / sizeof *QUERIES; i++) {
    char path[300];
    snprintf(path, sizeof path, "/api/jobs?name=a&%s&%s", ASKED, QUERIES[i]);
    check_refused("POST", path, "", true, "12345", 400);
  }
}

/* ---- the scanner ------------------------------------------------------------------------------------------------ */

/* Until it does nothing any more. */
static cJSON *wait_for_scanner(void)
{
  const struct timespec pause = {0, 50000000};
  for (int i = 0; i < 1200; i++) {
    cJSON *tree = talk_json(server.port, "/api/scanner", 200);
    if (!cJSON_IsTrue(member(tree, "built")) ||
        (cJSON_IsTrue(member(tree, "looked")) && strcmp(word(tree, "doing"), "nothing") == 0))
      return tree;
    cJSON_Delete(tree);
    nanosleep(&pause, NULL);
  }
  fail_msg("%s", "the scanner never ends");
  return NULL;
}

static void ask_scan(const char *device, const char *dpi, int status)
{
  char text[300];
  snprintf(text, sizeof text,
           "{\"device\":\"%s\",\"dpi\":%s,\"settings\":{\"scale_length\":\"381mm\",\"frets\":\"14\"}}", device, dpi);
  check_refused("POST", "/api/scan", "", true, text, status);
}

/* With SANE's test device: a grid, which is no rule; so the board is measured, and undecided. */
static void test_scanner(void **state)
{
  (void)state;
  cJSON *tree = wait_for_scanner();
  if (!cJSON_IsTrue(member(tree, "built"))) {
    cJSON_Delete(tree);
    ask_scan("test:0", "75", 400);
    return;
  }
  assert_int_equal(cJSON_GetArraySize(member(tree, "devices")), 1);
  assert_string_equal(word(cJSON_GetArrayItem(member(tree, "devices"), 0), "name"), "test:0");
  cJSON_Delete(tree);
  ask_scan("test:1", "75", 400);
  ask_scan("--list", "75", 400);
  ask_scan("test:0", "7", 400);
  ask_scan("test:0", "1e300", 400);
  ask_scan("test:0", "\"75\"", 400);
  ask_scan("test:0", "75", 200);
  tree = wait_for_scanner();
  char id[40];
  snprintf(id, sizeof id, "%s", word(tree, "id"));
  cJSON_Delete(tree);
  tree = talk_wait(server.port, id);
  assert_string_equal(word(tree, "state"), "done");
  assert_string_equal(word(member(tree, "about"), "verdict"), "undecided");
  assert_memory_equal(word(tree, "name"), "scan-20", 7);
  CHECK_CLOSE(number(member(tree, "about"), "width_px"), 200.0 / 25.4 * 75.0, 1.0); /* 200 mm of glass */
  cJSON_Delete(tree);
  talk_scanners(1, true); /* a slow one, and it is stopped */
  ask_scan("test:0", "600", 200);
  ask_scan("test:0", "600", 400); /* one at a time */
  check_refused("POST", "/api/scanner", "", true, "{\"everywhere\":false}", 400);
  tree = talk_json(server.port, "/api/scanner", 200);
  assert_string_equal(word(tree, "doing"), "scanning");
  cJSON_Delete(tree);
  check_refused("DELETE", "/api/scan", "", true, NULL, 200);
  tree = wait_for_scanner();
  assert_non_null(strstr(word(tree, "trouble"), "stopped"));
  assert_null(cJSON_GetObjectItem(tree, "id"));
  cJSON_Delete(tree);
  assert_int_equal(system("[ -z \"$(ls data/incoming)\" ]"), 0);
  talk_scanners(2, false);
  check_refused("POST", "/api/scanner", "", true, "{\"everywhere\":true}", 200);
  tree = wait_for_scanner();
  assert_int_equal(cJSON_GetArraySize(member(tree, "devices")), 2);
  cJSON_Delete(tree);
}

/* ---- kills ------------------------------------------------------------------------------------------------------ */

static void test_kill_loses_nothing_finished(void **state)
{
  (void)state;
  enum { BOARDS = 3 };
  static const char *const ONE[] = {"--workers", "1", NULL};
  char ids[BOARDS][40], path[200];
  const talk_program other = server;
  talk_serve(slotproof, "killed", ONE, &server);
  for (int i = 0; i < BOARDS; i++)
    talk_send(server.port, KITTIWAKE, "kittiwake.png", ASKED, ids[i]);
  cJSON_Delete(talk_wait(server.port, ids[0]));
  talk_answer before = get_of(ids[0], "/record");
  assert_int_equal(talk_end(&server, SIGKILL), 128 + SIGKILL);
  talk_serve(slotproof, "killed", ONE, &server);
  get_path(path, ids[0], "");
  cJSON *job = talk_json(server.port, path, 200);
  assert_string_equal(word(job, "state"), "done");
  cJSON_Delete(job);
  for (int i = 0; i < BOARDS; i++) {
    job = talk_wait(server.port, ids[i]);
    assert_string_equal(word(job, "state"), "done");
    cJSON_Delete(job);
    talk_answer a = get_of(ids[i], "/record");
    assert_string_equal(a.body, before.body);
    talk_free(&a);
  }
  talk_free(&before);
  assert_int_equal(talk_end(&server, SIGTERM), 0);
  server = other;
}

/* One data folder, one program. */
static void test_folder_is_held(void **state)
{
  (void)state;
  const outside_result *r = outside_run("serve --data data --port 0");
  assert_int_equal(r->status, 73);
  assert_non_null(strstr(r->err, "in use"));
}

/* ---- for other machines ----------------------------------------------------------------------------------------- */

static void enter(const char *code, int status, char cookie[200])
{
  char text[100];
  snprintf(text, sizeof text, "{\"code\":\"%s\"}", code);
  talk_answer a = post("/api/enter", text);
  assert_int_equal(a.status, status);
  const char *given = strcasestr(a.head, "Set-Cookie: ");
  cookie[0] = '\0';
  if (given)
    snprintf(cookie, 200, "Cookie: %.*s\r\n", (int)strcspn(given + 12, ";"), given + 12);
  if (given)
    assert_non_null(strstr(given, "HttpOnly; SameSite=Strict"));
  talk_free(&a);
}

static void test_access_code(void **state)
{
  (void)state;
  static const char *const OPEN[] = {"--listen", "0.0.0.0", NULL};
  char code[16] = "", cookie[200];
  const talk_program other = server;
  talk_serve(slotproof, "open", OPEN, &server);
  check_refused("GET", "/", "", false, NULL, 303);
  check_refused("GET", "/api/jobs", "", false, NULL, 401);
  check_refused("GET", "/start.js", "", false, NULL, 401);
  check_refused("GET", "/enter", "", false, NULL, 200);
  check_refused("GET", "/api/jobs", "Cookie: slotproof-1=x; slotproof=\r\n", false, NULL, 401);
  const char *said = strstr(server.said, "Access code");
  assert_non_null(said);
  assert_int_equal(sscanf(said, "Access code for other machines: %9s", code), 1);
  enter(code, 200, cookie);
  check_refused("GET", "/api/jobs", cookie, false, NULL, 200);
  for (int i = 0; i < 9; i++)
    enter("aaaa-aaaa", 403, cookie);
  enter(code, 429, cookie); /* even the right one has to wait now */
  assert_int_equal(talk_end(&server, SIGTERM), 0);
  server = other;
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_record_is_the_same),
      cmocka_unit_test(test_tiles),
      cmocka_unit_test(test_guards),
      cmocka_unit_test(test_malformed_by_the_hundred),
      cmocka_unit_test(test_hostile_pictures),
      cmocka_unit_test(test_upload_limits),
      cmocka_unit_test(test_broken_upload),
      cmocka_unit_test(test_runs),
      cmocka_unit_test(test_together),
      cmocka_unit_test(test_history),
      cmocka_unit_test(test_pieces_are_one_board),
      cmocka_unit_test(test_described_board),
      cmocka_unit_test(test_pieces_refused),
      cmocka_unit_test(test_scanner),
      cmocka_unit_test(test_many_at_once),
      cmocka_unit_test(test_kill_loses_nothing_finished),
      cmocka_unit_test(test_folder_is_held),
      cmocka_unit_test(test_access_code),
  };
  if (argc != 2 || !(slotproof = realpath(argv[1], NULL)) || !outside_enter(argv[1]))
    return 1;
  talk_scanners(1, false);
  talk_serve(slotproof, "data", NULL, &server);
  int failed = cmocka_run_group_tests(tests, NULL, NULL);
  failed |= talk_end(&server, SIGTERM);
  free(slotproof);
  return outside_leave() || failed;
}
