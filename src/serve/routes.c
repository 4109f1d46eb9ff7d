/* From method and path to what is meant. Only what stands here exists. */
#include <stdlib.h>
#include <string.h>

#include "serve_internal.h"

enum { PARTS = 8, PART = 64 };

typedef struct parts {
  char part[PARTS][PART];
  size_t count;
} parts;

/* False if it is no path that could be meant. */
static bool split(const char *path, parts *p)
{
  p->count = 0;
  if (*path != '/')
    return false;
  while (*path) {
    const size_t length = strcspn(++path, "/");
    if (p->count == PARTS || length >= PART)
      return false;
    memcpy(p->part[p->count], path, length);
    p->part[p->count++][length] = '\0';
    path += length;
  }
  return true;
}

static bool is(const parts *p, size_t index, const char *word)
{
  return index < p->count && strcmp(p->part[index], word) == 0;
}

static bool whole(const char *text, uint32_t most, uint32_t *number)
{
  const size_t digits = strspn(text, "0123456789");
  if (!digits || digits != strlen(text) || digits > 9)
    return false;
  *number = (uint32_t)strtoul(text, NULL, 10);
  return *number <= most;
}

bool serve_changes_something(const char *method)
{
  return strcmp(method, "GET") != 0 && strcmp(method, "HEAD") != 0;
}

static void need(serve_route *r, const char *method, const char *wanted, serve_action action)
{
  const bool get = strcmp(wanted, "GET") == 0;
  if (strcmp(method, wanted) == 0 || (get && strcmp(method, "HEAD") == 0))
    r->action = action;
  else if (r->action == SERVE_NOTHING)
    r->action = SERVE_WRONG_METHOD;
}

static void find_page(const char *method, const parts *p, serve_route *r)
{
  static const char *const FREE[] = {"slotproof.css", "icon.svg", "enter.js", "common.js"};
  static const char *const OTHERS[] = {"start.js", "board.js", "view.js", "history.js"};
  if (p->count == 1 && (is(p, 0, "") || is(p, 0, "enter") || is(p, 0, "history"))) {
    r->name = is(p, 0, "") ? "start.html" : is(p, 0, "enter") ? "enter.html" : "history.html";
    r->page = true;
    r->open_to_all = is(p, 0, "enter");
  } else if (p->count == 2 && is(p, 0, "board") && sp_store_id_valid(p->part[1])) {
    r->name = "board.html";
    r->page = true;
  }
  for (size_t i = 0; p->count == 1 && i < sizeof FREE / sizeof *FREE; i++)
    if (is(p, 0, FREE[i])) {
      r->name = FREE[i];
      r->open_to_all = true;
    }
  for (size_t i = 0; p->count == 1 && i < sizeof OTHERS / sizeof *OTHERS; i++)
    if (is(p, 0, OTHERS[i]))
      r->name = OTHERS[i];
  if (r->name)
    need(r, method, "GET", SERVE_ASSET);
}

static void find_file(const char *method, const parts *p, serve_route *r)
{
  static const struct {
    const char *word, *file;
  } FILES[] = {{"record", "record.json"},
               {"table", "table.csv"},
               {"report", "report.html"},
               {"parts", "parts.html"},
               {"places", "places.json"}};
  for (size_t i = 0; i < sizeof FILES / sizeof *FILES; i++)
    if (is(p, 3, FILES[i].word)) {
      r->name = FILES[i].file;
      need(r, method, "GET", SERVE_FILE);
    }
}

static void find_job(const char *method, const parts *p, serve_route *r)
{
  if (!sp_store_id_valid(p->part[2]))
    return;
  memcpy(r->id, p->part[2], sizeof r->id);
  if (p->count == 3) {
    need(r, method, "GET", SERVE_JOB);
    need(r, method, "DELETE", SERVE_REMOVE);
  } else if (p->count == 4 && is(p, 3, "corrections")) {
    need(r, method, "POST", SERVE_CORRECT);
  } else if (p->count == 4 && is(p, 3, "again")) {
    need(r, method, "POST", SERVE_AGAIN);
  } else if (p->count == 4) {
    find_file(method, p, r);
  } else if (p->count == 5 && (is(p, 3, "mark") || is(p, 3, "stray")) && whole(p->part[4], 100000, &r->number[0])) {
    r->stray = is(p, 3, "stray");
    need(r, method, "GET", SERVE_MARK);
  } else if (p->count == 7 && is(p, 3, "tile") && whole(p->part[4], 15, &r->number[0]) &&
             whole(p->part[5], 1u << 20, &r->number[1]) && whole(p->part[6], 1u << 20, &r->number[2])) {
    need(r, method, "GET", SERVE_TILE);
  }
}

serve_route serve_find_route(const char *method, const char *path)
{
  serve_route r = {.action = SERVE_NOTHING};
  parts p;
  if (!split(path, &p))
    return r;
  if (!is(&p, 0, "api")) {
    find_page(method, &p, &r);
  } else if (p.count == 2 && is(&p, 1, "jobs")) {
    need(&r, method, "GET", SERVE_LIST);
    need(&r, method, "POST", SERVE_ADD);
  } else if (p.count == 2 && is(&p, 1, "form")) {
    need(&r, method, "POST", SERVE_FORM);
  } else if (p.count == 2 && is(&p, 1, "boards")) {
    need(&r, method, "GET", SERVE_BOARD_LIST);
    need(&r, method, "POST", SERVE_BOARD_SAVE);
  } else if (p.count == 3 && is(&p, 1, "boards") && sp_store_id_valid(p.part[2])) {
    memcpy(r.id, p.part[2], sizeof r.id);
    need(&r, method, "GET", SERVE_BOARD_TEXT);
    need(&r, method, "DELETE", SERVE_BOARD_FORGET);
  } else if (p.count == 2 && is(&p, 1, "scanner")) {
    need(&r, method, "GET", SERVE_SCANNER);
    need(&r, method, "POST", SERVE_SCANNER_LOOK);
  } else if (p.count == 2 && is(&p, 1, "scan")) {
    need(&r, method, "POST", SERVE_SCAN);
    need(&r, method, "DELETE", SERVE_SCAN_STOP);
  } else if (p.count == 2 && is(&p, 1, "history")) {
    need(&r, method, "GET", SERVE_HISTORY);
    need(&r, method, "POST", SERVE_HISTORY_SUM);
  } else if (p.count == 2 && is(&p, 1, "together")) {
    need(&r, method, "POST", SERVE_TOGETHER);
  } else if (p.count == 2 && is(&p, 1, "enter")) {
    r.open_to_all = true;
    need(&r, method, "POST", SERVE_ENTER);
  } else if (p.count >= 3 && is(&p, 1, "jobs")) {
    find_job(method, &p, &r);
  }
  return r;
}
