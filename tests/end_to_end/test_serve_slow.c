/* `slotproof serve` against those who take their time, and against kills at any moment. */
#define _GNU_SOURCE /* realpath */
#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "check_close.h"
#include "outside.h"
#include "talk.h"

static char *slotproof;
static talk_program server;

static void pause_ms(long ms)
{
  const struct timespec t = {ms / 1000, ms % 1000 * 1000000L};
  nanosleep(&t, NULL);
}

/* ---- connections that never come to the point ---------------------------------------------------------------------
 */

enum { HEADS = 40, BODIES = 40, ALL = HEADS + BODIES, ROUNDS = 120, ROUND_MS = 500 };

static int connected(void)
{
  const struct sockaddr_in to = {
      .sin_family = AF_INET, .sin_port = htons(server.port), .sin_addr = {htonl(INADDR_LOOPBACK)}};
  const int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  assert_true(fd >= 0);
  assert_int_equal(connect(fd, (const struct sockaddr *)(const void *)&to, sizeof to), 0);
  return fd;
}

/* Has the other side ended it? */
static bool ended(int fd)
{
  char bytes[1000];
  struct pollfd p = {.fd = fd, .events = POLLIN};
  if (poll(&p, 1, 0) <= 0)
    return false;
  return recv(fd, bytes, sizeof bytes, MSG_DONTWAIT) <= 0;
}

static void begin(int fd, bool body)
{
  char text[400];
  if (body)
    snprintf(text, sizeof text,
             "POST /api/jobs?name=a&scale_length=381mm&frets=14 HTTP/1.1\r\nHost: 127.0.0.1:%u\r\n"
             "Origin: http://127.0.0.1:%u\r\nContent-Length: 1000000\r\n\r\n",
             (unsigned)server.port, (unsigned)server.port);
  else
    snprintf(text, sizeof text, "GET / HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nX-", (unsigned)server.port);
  assert_int_equal(send(fd, text, strlen(text), MSG_NOSIGNAL), (ssize_t)strlen(text));
}

/* A letter each half second keeps a connection busy for ever, and no other rule would end it. */
static void test_letter_by_letter(void **state)
{
  (void)state;
  int fd[ALL], open = ALL;
  for (int i = 0; i < ALL; i++) {
    fd[i] = connected();
    begin(fd[i], i >= HEADS);
  }
  for (int round = 0; round < ROUNDS && open > 0; round++) {
    pause_ms(ROUND_MS);
    for (int i = 0; i < ALL; i++) {
      if (fd[i] < 0)
        continue;
      if (ended(fd[i]) || send(fd[i], "a", 1, MSG_NOSIGNAL) != 1) {
        close(fd[i]);
        fd[i] = -1;
        open--;
      }
    }
    if (round % 10 == 0) /* others are answered all the while */
      cJSON_Delete(talk_json(server.port, "/api/jobs", 200));
  }
  assert_int_equal(open, 0);
  assert_int_equal(
      system("for i in 1 2 3 4 5 6 7 8 9; do [ -z \"$(ls data/incoming)\" ] && exit 0; sleep 0.3; done; exit 1"), 0);
}

/* One address cannot take all places: those beyond its share are shut, and the rest is served. */
static void test_many_from_one_address(void **state)
{
  (void)state;
  enum { MANY = 300 };
  int fd[MANY], held = 0;
  for (int i = 0; i < MANY; i++)
    fd[i] = connected();
  pause_ms(ROUND_MS);
  for (int i = 0; i < MANY; i++)
    held += !ended(fd[i]);
  assert_true(held < 128);
  for (int i = 0; i < MANY; i++)
    close(fd[i]);
  pause_ms(ROUND_MS);
  cJSON_Delete(talk_json(server.port, "/api/jobs", 200));
}

/* ---- the queue ----------------------------------------------------------------------------------------------------
 */

/* Beyond what may wait, a clear answer before anything is received; what was taken is measured. */
static void test_queue_is_full(void **state)
{
  (void)state;
  static const char *const ONE[] = {"--workers", "1", NULL};
  const talk_program other = server;
  size_t size, taken = 0;
  int refused = 0;
  char *bytes = talk_file(SAMPLES_DIR "/turnstone.jpg", &size);
  talk_serve(slotproof, "full", ONE, &server);
  for (int i = 0; i < 100 && !refused; i++) {
    talk_answer a =
        talk(server.port, "POST", "/api/jobs?name=a.jpg&scale_length=381mm&frets=14", "", true, bytes, size);
    assert_true(a.status == 201 || a.status == 503);
    taken += a.status == 201;
    refused += a.status == 503;
    if (a.status == 503)
      assert_non_null(strstr(a.body, "are waiting already"));
    talk_free(&a);
  }
  assert_int_equal(refused, 1);
  assert_true(taken >= 64);
  cJSON *tree = talk_json(server.port, "/api/jobs", 200);
  assert_int_equal(cJSON_GetArraySize(member(tree, "jobs")), (int)taken);
  cJSON_Delete(tree);
  free(bytes);
  assert_int_equal(talk_end(&server, SIGTERM), 0);
  server = other;
}

/* ---- kills at any moment --------------------------------------------------------------------------------------------
 */

enum { KILLS = 8, KEPT_MOST = 200 };
static char kept[KEPT_MOST][40];
static size_t kept_count;

/* Sends until the server is gone; what was answered with an identity counts. */
static void *keep_sending(void *context)
{
  size_t size;
  const uint16_t port = *(const uint16_t *)context;
  char *bytes = talk_file(SAMPLES_DIR "/dotterel.jpg", &size);
  while (kept_count < KEPT_MOST) {
    talk_answer a = talk(port, "POST", "/api/jobs?name=a.jpg&scale_length=361mm&frets=13", "", true, bytes, size);
    cJSON *tree = a.status == 201 ? cJSON_ParseWithLength(a.body, a.size) : NULL;
    const cJSON *id = cJSON_GetObjectItem(tree, "id");
    if (cJSON_IsString(id))
      snprintf(kept[kept_count++], sizeof kept[0], "%s", id->valuestring);
    cJSON_Delete(tree);
    const bool over = a.status == 0;
    talk_free(&a);
    if (over)
      break;
    pause_ms(120);
  }
  free(bytes);
  return NULL;
}

static void test_kills_at_any_moment(void **state)
{
  (void)state;
  const talk_program other = server;
  srand(11);
  for (int i = 0; i < KILLS; i++) {
    pthread_t sender;
    talk_serve(slotproof, "killed", NULL, &server);
    uint16_t port = server.port;
    assert_int_equal(pthread_create(&sender, NULL, keep_sending, &port), 0);
    pause_ms(50 + rand() % 1500);
    assert_int_equal(talk_end(&server, SIGKILL), 128 + SIGKILL);
    assert_int_equal(pthread_join(sender, NULL), 0);
  }
  assert_true(kept_count > KILLS);
  talk_serve(slotproof, "killed", NULL, &server);
  char *first = NULL;
  for (size_t i = 0; i < kept_count; i++) {
    char path[100];
    cJSON *job = talk_wait(server.port, kept[i]);
    assert_string_equal(word(job, "state"), "done");
    cJSON_Delete(job);
    snprintf(path, sizeof path, "/api/jobs/%s/record", kept[i]);
    talk_answer a = talk(server.port, "GET", path, "", false, NULL, 0);
    assert_int_equal(a.status, 200);
    if (first)
      assert_string_equal(a.body, first);
    else
      first = strdup(a.body);
    talk_free(&a);
  }
  free(first);
  assert_int_equal(talk_end(&server, SIGTERM), 0);
  assert_int_equal(system("[ -z \"$(ls killed/incoming; find killed -name 'work-*')\" ]"), 0);
  server = other;
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_letter_by_letter),
      cmocka_unit_test(test_many_from_one_address),
      cmocka_unit_test(test_queue_is_full),
      cmocka_unit_test(test_kills_at_any_moment),
  };
  if (argc != 2 || !(slotproof = realpath(argv[1], NULL)) || !outside_enter(argv[1]))
    return 1;
  talk_serve(slotproof, "data", NULL, &server);
  int failed = cmocka_run_group_tests(tests, NULL, NULL);
  failed |= talk_end(&server, SIGTERM);
  free(slotproof);
  return outside_leave() || failed;
}
