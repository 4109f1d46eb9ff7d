/* Which requests are let through: paths, hosts, origins, codes. Rules: RFC 9110, 7.2 (Host); RFC 6454 (Origin); W3C Fetch
 * Metadata (Sec-Fetch-Site, -Mode); RFC 6265 (cookies). */
#include <arpa/inet.h>
#include <stdio.h>
#include <string.h>

#include "check_close.h"
#include "serve/serve_internal.h"

#define ID "0123456789abcdef0123456789abcdef"

/* ---- routes ----------------------------------------------------------------------------------------------------- */

static void check_route(const char *method, const char *path, serve_action action)
{
  const serve_route r = serve_find_route(method, path);
  if (r.action != action)
    fprintf(stderr, "%s %s\n", method, path);
  assert_int_equal(r.action, action);
  assert_true(r.id[0] == '\0' || sp_store_id_valid(r.id));
}

static void test_routes(void **state)
{
  (void)state;
  check_route("GET", "/", SERVE_ASSET);
  check_route("HEAD", "/", SERVE_ASSET);
  check_route("GET", "/board/" ID, SERVE_ASSET);
  check_route("GET", "/slotproof.css", SERVE_ASSET);
  check_route("GET", "/api/jobs", SERVE_LIST);
  check_route("POST", "/api/jobs", SERVE_ADD);
  check_route("GET", "/api/jobs/" ID, SERVE_JOB);
  check_route("DELETE", "/api/jobs/" ID, SERVE_REMOVE);
  check_route("POST", "/api/jobs/" ID "/corrections", SERVE_CORRECT);
  check_route("POST", "/api/jobs/" ID "/again", SERVE_AGAIN);
  check_route("GET", "/api/jobs/" ID "/record", SERVE_FILE);
  check_route("GET", "/api/jobs/" ID "/mark/0", SERVE_MARK);
  check_route("GET", "/api/jobs/" ID "/tile/3/12/7", SERVE_TILE);
  const serve_route tile = serve_find_route("GET", "/api/jobs/" ID "/tile/3/12/7");
  assert_int_equal(tile.number[0], 3);
  assert_int_equal(tile.number[1], 12);
  assert_int_equal(tile.number[2], 7);
  assert_string_equal(tile.id, ID);
}

static void test_no_routes(void **state)
{
  (void)state;
  static const char *const PATHS[] = {"",
                                      "api/jobs",
                                      "//",
                                      "/api",
                                      "/api/jobs/",
                                      "/api/jobs//record",
                                      "/api/jobs/..",
                                      "/api/jobs/../record",
                                      "/api/jobs/" ID "/../record",
                                      "/api/jobs/" ID "/picture",
                                      "/api/jobs/" ID "/job.json",
                                      "/api/jobs/" ID "/record/x",
                                      "/api/jobs/" ID "/mark/-1",
                                      "/api/jobs/" ID "/mark/1x",
                                      "/api/jobs/" ID "/mark/99999999999999999999",
                                      "/api/jobs/" ID "/tile/16/0/0",
                                      "/api/jobs/" ID "/tile/0/0",
                                      "/api/jobs/" ID "/tile/0/0/0/0",
                                      "/api/jobs/0123456789ABCDEF0123456789ABCDEF",
                                      "/api/jobs/0123456789abcdef0123456789abcde",
                                      "/board/" ID "0",
                                      "/slotproof.css/",
                                      "/start.html",
                                      "/a/b/c/d/e/f/g/h/i/j",
                                      "/aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"};
  for (size_t i = 0; i < sizeof PATHS / sizeof *PATHS; i++)
    check_route("GET", PATHS[i], SERVE_NOTHING);
  check_route("PUT", "/api/jobs", SERVE_WRONG_METHOD);
  check_route("POST", "/", SERVE_WRONG_METHOD);
  check_route("GET", "/api/form", SERVE_WRONG_METHOD);
  check_route("DELETE", "/api/jobs", SERVE_WRONG_METHOD);
}

/* Only what everybody needs in order to give the code. */
static void test_open_to_all(void **state)
{
  (void)state;
  assert_true(serve_find_route("GET", "/enter").open_to_all);
  assert_true(serve_find_route("POST", "/api/enter").open_to_all);
  assert_true(serve_find_route("GET", "/slotproof.css").open_to_all);
  assert_false(serve_find_route("GET", "/").open_to_all);
  assert_false(serve_find_route("GET", "/board.js").open_to_all);
  assert_false(serve_find_route("GET", "/api/jobs").open_to_all);
  assert_false(serve_find_route("POST", "/api/jobs").open_to_all);
  assert_false(serve_find_route("GET", "/nowhere").open_to_all);
}

/* ---- hosts and origins ------------------------------------------------------------------------------------------ */

static bool fits(const char *host, const char *address, const char *const *names)
{
  struct sockaddr_in four = {.sin_family = AF_INET};
  struct sockaddr_in6 six = {.sin6_family = AF_INET6};
  if (inet_pton(AF_INET, address, &four.sin_addr) == 1)
    return serve_host_fits(host, (const struct sockaddr *)(const void *)&four, 8737, names);
  assert_int_equal(inet_pton(AF_INET6, address, &six.sin6_addr), 1);
  return serve_host_fits(host, (const struct sockaddr *)(const void *)&six, 8737, names);
}

static void test_hosts(void **state)
{
  (void)state;
  static const char *const NONE[] = {NULL};
  static const char *const BENCH[] = {"", "bench", "bench.local", NULL};
  assert_true(fits("127.0.0.1:8737", "127.0.0.1", NONE));
  assert_true(fits("localhost:8737", "127.0.0.1", NONE));
  assert_true(fits("LocalHost:8737", "127.0.0.1", NONE));
  assert_true(fits("[::1]:8737", "::1", NONE));
  assert_true(fits("localhost:8737", "::1", NONE));
  assert_true(fits("192.168.1.7:8737", "192.168.1.7", BENCH));
  assert_true(fits("bench.local:8737", "192.168.1.7", BENCH));
  static const char *const WRONG[] = {"127.0.0.1",       "127.0.0.1:80",       "127.0.0.1:87370",  "127.0.0.1:8737x",
                                      "127.0.0.1:",      ":8737",              "",                 "evil.example:8737",
                                      "127.0.0.10:8737", "127.0.0.1.evil:8737", "localhost.:8737", "127.0.0.1:8737:8737",
                                      "[127.0.0.1]:8737", "2130706433:8737",    "bench:8737",       "a@127.0.0.1:8737"};
  for (size_t i = 0; i < sizeof WRONG / sizeof *WRONG; i++)
    if (fits(WRONG[i], "127.0.0.1", NONE))
      fail_msg("host '%s' is let in", WRONG[i]);
  assert_false(fits(NULL, "127.0.0.1", NONE));
  assert_false(fits("localhost:8737", "192.168.1.7", BENCH)); /* nobody connects to that by this name */
  assert_false(fits("127.0.0.1:8737", "192.168.1.7", BENCH));
}

static void test_origins(void **state)
{
  (void)state;
  assert_true(serve_origin_fits("http://127.0.0.1:8737", "127.0.0.1:8737"));
  assert_false(serve_origin_fits("https://127.0.0.1:8737", "127.0.0.1:8737"));
  assert_false(serve_origin_fits("http://127.0.0.1:8738", "127.0.0.1:8737"));
  assert_false(serve_origin_fits("http://127.0.0.1:8737/", "127.0.0.1:8737"));
  assert_false(serve_origin_fits("http://127.0.0.1:8737.evil.example", "127.0.0.1:8737"));
  assert_false(serve_origin_fits("null", "127.0.0.1:8737"));
  assert_false(serve_origin_fits(NULL, "127.0.0.1:8737"));
  assert_false(serve_origin_fits("http://", NULL));
}

static void test_fetch_metadata(void **state)
{
  (void)state;
  assert_true(serve_fetch_fits(true, NULL, NULL));
  assert_true(serve_fetch_fits(true, "same-origin", "cors"));
  assert_true(serve_fetch_fits(false, "none", "navigate"));
  assert_true(serve_fetch_fits(false, "cross-site", "navigate")); /* a link */
  assert_false(serve_fetch_fits(true, "cross-site", "navigate")); /* a foreign form */
  assert_false(serve_fetch_fits(true, "same-site", "cors"));      /* another port of this machine */
  assert_false(serve_fetch_fits(false, "cross-site", "no-cors")); /* a picture of ours in a foreign page */
}

/* ---- the code --------------------------------------------------------------------------------------------------- */

static void test_secrets(void **state)
{
  (void)state;
  assert_true(serve_same_secret("abcd-efgh", "abcd-efgh"));
  assert_false(serve_same_secret("abcd-efgi", "abcd-efgh"));
  assert_false(serve_same_secret("abcd-efghh", "abcd-efgh"));
  assert_false(serve_same_secret("abcd", "abcd-efgh"));
  assert_false(serve_same_secret("", "abcd-efgh"));
  assert_false(serve_same_secret("aaaa", "aaaaaaaa")); /* repeated it would agree */
}

static void test_cookies(void **state)
{
  (void)state;
  char value[9];
  assert_true(serve_cookie("a=1; slotproof-8=abc; b=2", "slotproof-8", value, sizeof value));
  assert_string_equal(value, "abc");
  assert_true(serve_cookie("slotproof-8=", "slotproof-8", value, sizeof value) == false || value[0] == '\0');
  assert_false(serve_cookie("xslotproof-8=abc", "slotproof-8", value, sizeof value));
  assert_false(serve_cookie("slotproof-87=abc", "slotproof-8", value, sizeof value));
  assert_false(serve_cookie("slotproof-8=123456789", "slotproof-8", value, sizeof value));
  assert_false(serve_cookie(NULL, "slotproof-8", value, sizeof value));
  assert_false(serve_cookie(";;;; ; =", "slotproof-8", value, sizeof value));
}

static void test_codes(void **state)
{
  (void)state;
  char a[SP_SERVE_CODE], b[SP_SERVE_CODE];
  for (int i = 0; i < 200; i++) {
    assert_int_equal(serve_new_code(a, NULL), SP_OK);
    assert_int_equal(serve_new_code(b, NULL), SP_OK);
    assert_int_equal(strlen(a), SP_SERVE_CODE - 1);
    assert_int_equal(a[4], '-');
    assert_null(strpbrk(a, "ilo01"));
    assert_string_not_equal(a, b); /* by chance once in 31^8 */
  }
}

static void test_guesses_are_limited(void **state)
{
  (void)state;
  serve_limiter limiter = {0};
  struct sockaddr_in from = {.sin_family = AF_INET, .sin_addr = {htonl(0x0a000001)}},
                     other = {.sin_family = AF_INET, .sin_addr = {htonl(0x0a000002)}};
  const struct sockaddr *a = (const struct sockaddr *)(const void *)&from,
                        *b = (const struct sockaddr *)(const void *)&other;
  for (int i = 0; i < SERVE_GUESSES; i++)
    assert_true(serve_may_guess(&limiter, a, 1000));
  assert_false(serve_may_guess(&limiter, a, 1000));
  assert_false(serve_may_guess(&limiter, a, 1000 + SERVE_GUESS_S - 1));
  assert_true(serve_may_guess(&limiter, b, 1000)); /* another address is not kept out by that */
  int more = 0;
  for (int second = 0; second < 3600; second++)
    more += serve_may_guess(&limiter, a, 2000 + second);
  assert_true(more <= SERVE_GUESSES + 3600 / SERVE_GUESS_S + 1);
  assert_true(more >= 3600 / SERVE_GUESS_S);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_routes),  cmocka_unit_test(test_no_routes),       cmocka_unit_test(test_open_to_all),
      cmocka_unit_test(test_hosts),   cmocka_unit_test(test_origins),         cmocka_unit_test(test_fetch_metadata),
      cmocka_unit_test(test_secrets), cmocka_unit_test(test_cookies),         cmocka_unit_test(test_codes),
      cmocka_unit_test(test_guesses_are_limited),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
