#include "browser.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "check_close.h"
#include "outside.h"

enum { TRIES = 2400, PAUSE_MS = 50 }; /* two minutes: the machine may be busy with other tests */

/* The answer's value. `path` goes behind the session. */
static cJSON *command(browser *b, const char *method, const char *path, cJSON *body)
{
  char where[200];
  char *text = body ? cJSON_PrintUnformatted(body) : NULL;
  cJSON_Delete(body);
  snprintf(where, sizeof where, "/session%s%s%s", b->session[0] ? "/" : "", b->session, path);
  talk_answer a = talk(b->driver.port, method, where, "Content-Type: application/json\r\n", false, text ? text : "",
                       text ? strlen(text) : 0);
  free(text);
  cJSON *tree = cJSON_ParseWithLength(a.body, a.size);
  if (a.status != 200)
    fprintf(stderr, "%s %s gives %d: %.600s\n", method, where, a.status, a.body ? a.body : "");
  assert_int_equal(a.status, 200);
  talk_free(&a);
  cJSON *value = cJSON_DetachItemFromObjectCaseSensitive(tree, "value");
  cJSON_Delete(tree);
  return value;
}

static cJSON *parsed(const char *text)
{
  cJSON *tree = cJSON_Parse(text);
  assert_non_null(tree);
  return tree;
}

void browser_open(browser *b)
{
  static const char WANTED[] =
      "{\"capabilities\":{\"alwaysMatch\":{\"goog:loggingPrefs\":{\"browser\":\"ALL\"},\"goog:chromeOptions\":{\"binary\":"
      "\"" CHROMIUM "\",\"args\":[\"--headless\",\"--no-sandbox\",\"--disable-gpu\",\"--disable-dev-shm-usage\","
      "\"--window-size=1280,900\",\"--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1\"]}}}}";
  char *const arguments[] = {CHROMEDRIVER, "--port=0", NULL};
  *b = (browser){.session = ""};
  talk_start(arguments, "successfully on port ", &b->driver);
  cJSON *value = command(b, "POST", "", parsed(WANTED));
  snprintf(b->session, sizeof b->session, "%s", word(value, "sessionId"));
  cJSON_Delete(value);
}

void browser_close(browser *b)
{
  cJSON_Delete(command(b, "DELETE", "", NULL));
  talk_end(&b->driver, SIGTERM);
}

void browser_go(browser *b, const char *url)
{
  cJSON *body = cJSON_CreateObject();
  cJSON_AddStringToObject(body, "url", url);
  cJSON_Delete(command(b, "POST", "/url", body));
}

cJSON *browser_run(browser *b, const char *script)
{
  cJSON *body = cJSON_CreateObject();
  cJSON_AddStringToObject(body, "script", script);
  cJSON_AddArrayToObject(body, "args");
  return command(b, "POST", "/execute/sync", body);
}

void browser_until(browser *b, const char *script)
{
  const struct timespec pause = {0, PAUSE_MS * 1000000L};
  for (int i = 0; i < TRIES; i++) {
    cJSON *value = browser_run(b, script);
    const bool yes = cJSON_IsTrue(value);
    cJSON_Delete(value);
    if (yes)
      return;
    nanosleep(&pause, NULL);
  }
  browser_complained(b);
  fail_msg("never came true in the page: %s", script);
}

/* Letters of UTF-8, one by one. */
static size_t letter_length(unsigned char first)
{
  return first < 0x80 ? 1 : first < 0xe0 ? 2 : first < 0xf0 ? 3 : 4;
}

void browser_keys(browser *b, const char *keys)
{
  cJSON *body = parsed("{\"actions\":[{\"type\":\"key\",\"id\":\"keys\",\"actions\":[]}]}");
  cJSON *list = cJSON_GetObjectItem(cJSON_GetArrayItem(cJSON_GetObjectItem(body, "actions"), 0), "actions");
  while (*keys) {
    static const char *const TYPES[] = {"keyDown", "keyUp"};
    char letter[5] = "";
    const size_t length = letter_length((unsigned char)*keys);
    memcpy(letter, keys, length);
    for (int i = 0; i < 2; i++) {
      cJSON *action = cJSON_CreateObject();
      cJSON_AddStringToObject(action, "type", TYPES[i]);
      cJSON_AddStringToObject(action, "value", letter);
      cJSON_AddItemToArray(list, action);
    }
    keys += length;
  }
  cJSON_Delete(command(b, "POST", "/actions", body));
}

/* The element's own address in the protocol. */
static void find(browser *b, const char *selector, char path[200], const char *what)
{
  cJSON *body = cJSON_CreateObject();
  cJSON_AddStringToObject(body, "using", "css selector");
  cJSON_AddStringToObject(body, "value", selector);
  cJSON *value = command(b, "POST", "/element", body);
  assert_non_null(value->child);
  snprintf(path, 200, "/element/%.150s/%s", value->child->valuestring, what);
  cJSON_Delete(value);
}

void browser_click(browser *b, const char *selector)
{
  char path[200];
  find(b, selector, path, "click");
  cJSON_Delete(command(b, "POST", path, cJSON_CreateObject()));
}

void browser_choose(browser *b, const char *selector, const char *file)
{
  char path[200];
  find(b, selector, path, "value");
  cJSON *body = cJSON_CreateObject();
  cJSON_AddStringToObject(body, "text", file);
  cJSON_Delete(command(b, "POST", path, body));
}

/* ---- beyond the protocol: what ChromeDriver hands through to the browser ---------------------------------------- */

static cJSON *devtools(browser *b, const char *name, cJSON *parameters)
{
  cJSON *body = cJSON_CreateObject();
  cJSON_AddStringToObject(body, "cmd", name);
  cJSON_AddItemToObject(body, "params", parameters);
  return command(b, "POST", "/goog/cdp/execute", body);
}

void browser_screen(browser *b, int width, int height, bool dark)
{
  char text[300];
  snprintf(text, sizeof text, "{\"width\":%d,\"height\":%d,\"deviceScaleFactor\":1,\"mobile\":%s}", width, height,
           width < 600 ? "true" : "false");
  cJSON_Delete(devtools(b, "Emulation.setDeviceMetricsOverride", parsed(text)));
  snprintf(text, sizeof text, "{\"features\":[{\"name\":\"prefers-color-scheme\",\"value\":\"%s\"}]}",
           dark ? "dark" : "light");
  cJSON_Delete(devtools(b, "Emulation.setEmulatedMedia", parsed(text)));
}

static int sextet(char c)
{
  static const char DIGITS[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  const char *at = c ? strchr(DIGITS, c) : NULL;
  return at ? (int)(at - DIGITS) : -1;
}

/* Base64, RFC 4648, into a file. */
static void write_decoded(const char *text, const char *path)
{
  FILE *file = fopen(path, "wb");
  assert_non_null(file);
  unsigned bits = 0;
  for (int have = 0; sextet(*text) >= 0; text++) {
    bits = bits << 6 | (unsigned)sextet(*text);
    have += 6;
    if (have >= 8) {
      have -= 8;
      fputc((int)(bits >> have & 255), file);
    }
  }
  assert_int_equal(fclose(file), 0);
}

void browser_shot(browser *b, const char *path)
{
  cJSON *value = devtools(b, "Page.captureScreenshot", parsed("{\"captureBeyondViewport\":true}"));
  write_decoded(word(value, "data"), path);
  cJSON_Delete(value);
}

bool browser_complained(browser *b)
{
  cJSON *list = command(b, "POST", "/se/log", parsed("{\"type\":\"browser\"}"));
  const cJSON *entry;
  cJSON_ArrayForEach(entry, list) fprintf(stderr, "%s\n", word(entry, "message"));
  const bool any = cJSON_GetArraySize(list) > 0;
  cJSON_Delete(list);
  return any;
}

void browser_print(browser *b, const char *path)
{
  cJSON *value = command(b, "POST", "/print", parsed("{\"page\":{\"width\":21.0,\"height\":29.7}}"));
  assert_true(cJSON_IsString(value));
  write_decoded(value->valuestring, path);
  cJSON_Delete(value);
}
