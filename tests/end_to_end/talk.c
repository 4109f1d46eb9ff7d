#define _GNU_SOURCE /* usleep's kind, pipe2 */
#include "talk.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "check_close.h"
#include "outside.h"

extern char **environ;
enum { PATIENCE_S = 200, LOOK_MS = 30, CUT_MS = 150 };

void talk_free(talk_answer *a)
{
  free(a->head);
  free(a->body);
  *a = (talk_answer){.status = 0};
}

/* ---- one exchange ----------------------------------------------------------------------------------------------- */

static int connected(uint16_t port, long patience_ms)
{
  const struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons(port), .sin_addr = {htonl(INADDR_LOOPBACK)}};
  const struct timeval patience = {patience_ms / 1000, patience_ms % 1000 * 1000};
  const int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  assert_true(fd >= 0);
  setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
  if (connect(fd, (const struct sockaddr *)(const void *)&to, sizeof to) == 0)
    return fd;
  close(fd);
  return -1;
}

/* As much as the other side takes; it may well answer and close before all is sent. */
static void send_all(int fd, const char *bytes, size_t size)
{
  while (size > 0) {
    const ssize_t put = send(fd, bytes, size, MSG_NOSIGNAL);
    if (put <= 0)
      return;
    bytes += put;
    size -= (size_t)put;
  }
}

/* Bytes that the answer has behind its head; SIZE_MAX: until the end. */
static size_t said_size(const char *head)
{
  const char *line = strcasestr(head, "\r\nContent-Length:");
  return line ? (size_t)strtoull(line + 17, NULL, 10) : SIZE_MAX;
}

static void split(char *all, size_t used, talk_answer *a)
{
  char *end = strstr(all, "\r\n\r\n");
  if (!end || sscanf(all, "HTTP/1.%*d %d", &a->status) != 1)
    return;
  end[2] = '\0';
  a->head = strdup(all);
  a->size = used - (size_t)(end + 4 - all);
  a->body = malloc(a->size + 1);
  assert_non_null(a->body);
  memcpy(a->body, end + 4, a->size);
  a->body[a->size] = '\0';
}

static void receive(int fd, talk_answer *a)
{
  size_t used = 0, room = 1 << 16;
  char *all = malloc(room + 1);
  assert_non_null(all);
  for (;;) {
    const ssize_t got = recv(fd, all + used, room - used, 0);
    if (got <= 0)
      break;
    used += (size_t)got;
    all[used] = '\0';
    const char *end = strstr(all, "\r\n\r\n");
    if (end && used - (size_t)(end + 4 - all) >= said_size(all))
      break;
    if (used == room) {
      room *= 2;
      all = realloc(all, room + 1);
      assert_non_null(all);
    }
  }
  all[used] = '\0';
  split(all, used, a);
  free(all);
}

talk_answer talk_raw(uint16_t port, const void *bytes, size_t size)
{
  talk_answer a = {.status = 0};
  const int fd = connected(port, PATIENCE_S * 1000);
  if (fd < 0)
    return a;
  send_all(fd, bytes, size);
  receive(fd, &a);
  close(fd);
  return a;
}

talk_answer talk_cut(uint16_t port, const void *bytes, size_t size)
{
  talk_answer a = {.status = 0};
  const int fd = connected(port, CUT_MS);
  if (fd < 0)
    return a;
  send_all(fd, bytes, size);
  shutdown(fd, SHUT_WR);
  receive(fd, &a);
  close(fd);
  return a;
}

talk_answer talk(uint16_t port, const char *method, const char *path, const char *headers, bool origin,
                 const void *body, size_t size)
{
  char *all = malloc(size + 8000), from[80] = "";
  assert_non_null(all);
  if (origin)
    snprintf(from, sizeof from, "Origin: http://127.0.0.1:%u\r\n", (unsigned)port);
  const int n = snprintf(all, 8000,
                         "%s %s HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nContent-Length: %zu\r\n%s%s"
                         "Connection: close\r\n\r\n",
                         method, path, (unsigned)port, size, from, headers);
  assert_true(n > 0 && n < 8000);
  if (size)
    memcpy(all + n, body, size);
  const talk_answer a = talk_raw(port, all, (size_t)n + size);
  free(all);
  return a;
}

cJSON *talk_json(uint16_t port, const char *path, int status)
{
  talk_answer a = talk(port, "GET", path, "", false, NULL, 0);
  if (a.status != status)
    fprintf(stderr, "GET %s gives %d: %s\n", path, a.status, a.body ? a.body : "");
  assert_int_equal(a.status, status);
  cJSON *tree = cJSON_ParseWithLength(a.body, a.size);
  assert_non_null(tree);
  talk_free(&a);
  return tree;
}

/* ---- programs --------------------------------------------------------------------------------------------------- */

static void pause_ms(long ms)
{
  const struct timespec t = {ms / 1000, ms % 1000 * 1000000L};
  nanosleep(&t, NULL);
}

void talk_start(char *const *arguments, const char *mark, talk_program *p)
{
  int out[2];
  posix_spawn_file_actions_t files;
  *p = (talk_program){.pid = -1};
  assert_int_equal(pipe2(out, O_CLOEXEC), 0);
  assert_int_equal(posix_spawn_file_actions_init(&files), 0);
  assert_int_equal(posix_spawn_file_actions_adddup2(&files, out[1], 1), 0);
  assert_int_equal(posix_spawn(&p->pid, arguments[0], &files, NULL, arguments, environ), 0);
  posix_spawn_file_actions_destroy(&files);
  close(out[1]);
  size_t used = 0;
  const char *at = NULL;
  while (used + 1 < sizeof p->said) {
    const ssize_t got = read(out[0], p->said + used, sizeof p->said - 1 - used);
    assert_true(got > 0); /* otherwise it has ended without a port */
    used += (size_t)got;
    p->said[used] = '\0';
    at = strstr(p->said, mark);
    if (at && strchr(at, '\n'))
      break;
  }
  assert_non_null(at);
  at += strlen(mark);
  const char *end = at + strcspn(at, "\n");
  for (const char *colon = at; colon < end; colon++) /* an address may stand before it */
    if (*colon == ':')
      at = colon + 1;
  p->port = (uint16_t)strtoul(at, NULL, 10);
  assert_true(p->port > 0);
  close(out[0]);
}

int talk_end(talk_program *p, int signal_number)
{
  int status = 0;
  kill(p->pid, signal_number);
  assert_int_equal(waitpid(p->pid, &status, 0), p->pid);
  p->pid = -1;
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

void talk_serve(const char *path, const char *folder, const char *const *further, talk_program *p)
{
  const char *arguments[16] = {path, "serve", "--data", folder, "--port", "0"};
  size_t n = 6;
  for (size_t i = 0; further && further[i] && i < 6; i++)
    arguments[n++] = further[i];
  talk_start((char *const *)(uintptr_t)arguments, "http://", p);
}

void talk_scanners(int count, bool slow)
{
  char here[4096];
  FILE *file = fopen("dll.conf", "w");
  assert_non_null(file);
  fputs("test\n", file);
  assert_int_equal(fclose(file), 0);
  file = fopen("test.conf", "w");
  assert_non_null(file);
  fprintf(file,
          "number_of_devices %d\nmode Gray\ndepth 8\nresolution_min 1.0\nresolution_max 1200.0\nresolution_quant 1.0\n"
          "resolution 50.0\ntest-picture \"Grid\"\nread-delay %s\nread-delay-duration 200000\n"
          "read-status-code \"Default\"\nenable-test-options false\ngeometry_min 0.0\ngeometry_max %s\n"
          "geometry_quant 1.0\ntl_x 0.0\ntl_y 0.0\nbr_x 80.0\nbr_y 100.0\n",
          count, slow ? "true" : "false", slow ? "300.0" : "200.0");
  assert_int_equal(fclose(file), 0);
  assert_non_null(getcwd(here, sizeof here));
  assert_int_equal(setenv("SANE_CONFIG_DIR", here, 1), 0);
}

char *talk_file(const char *path, size_t *size)
{
  FILE *file = fopen(path, "rb");
  assert_non_null(file);
  assert_int_equal(fseek(file, 0, SEEK_END), 0);
  *size = (size_t)ftell(file);
  rewind(file);
  char *bytes = malloc(*size + 1);
  assert_non_null(bytes);
  assert_int_equal(fread(bytes, 1, *size, file), *size);
  fclose(file);
  return bytes;
}

static void take_id(uint16_t port, const char *path, const void *bytes, size_t size, char id[40])
{
  talk_answer a = talk(port, "POST", path, "Content-Type: application/octet-stream\r\n", true, bytes, size);
  id[0] = '\0';
  if (a.status == 201) {
    cJSON *tree = cJSON_Parse(a.body);
    snprintf(id, 40, "%s", word(tree, "id"));
    cJSON_Delete(tree);
  } else {
    fprintf(stderr, "POST %s gives %d: %s\n", path, a.status, a.body ? a.body : "");
  }
  talk_free(&a);
}

void talk_send(uint16_t port, const char *file, const char *name, const char *query, char id[40])
{
  size_t size;
  char path[600], *bytes = talk_file(file, &size);
  snprintf(path, sizeof path, "/api/jobs?name=%s&%s", name, query);
  take_id(port, path, bytes, size, id);
  free(bytes);
}

void talk_send_pieces(uint16_t port, const char *const *files, size_t count, const char *query, char id[40])
{
  char path[2000], *all = NULL;
  size_t used = 0;
  int n = snprintf(path, sizeof path, "/api/jobs?%.300s&bytes=", query);
  for (size_t i = 0; i < count; i++) {
    size_t size;
    char *bytes = talk_file(files[i], &size);
    all = realloc(all, used + size);
    assert_non_null(all);
    memcpy(all + used, bytes, size);
    free(bytes);
    used += size;
    n += snprintf(path + n, sizeof path - (size_t)n, "%s%zu", i ? "," : "", size);
  }
  for (size_t i = 0; i < count; i++) {
    const char *slash = strrchr(files[i], '/');
    char number[24] = "";
    if (i)
      snprintf(number, sizeof number, "%zu", i);
    n += snprintf(path + n, sizeof path - (size_t)n, "&name%s=%.60s", number, slash ? slash + 1 : files[i]);
  }
  take_id(port, path, all, used, id);
  free(all);
}

cJSON *talk_wait(uint16_t port, const char *id)
{
  char path[100];
  snprintf(path, sizeof path, "/api/jobs/%s", id);
  for (int i = 0; i < PATIENCE_S * 1000 / LOOK_MS; i++) {
    cJSON *tree = talk_json(port, path, 200);
    const char *state = word(tree, "state");
    if (strcmp(state, "done") == 0 || strcmp(state, "failed") == 0)
      return tree;
    cJSON_Delete(tree);
    pause_ms(LOOK_MS);
  }
  fail_msg("%s", "a board is still being measured");
  return NULL;
}
