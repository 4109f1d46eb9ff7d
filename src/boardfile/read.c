/* A board file read. The inih library parts it into keys and values; it is fed one line at a time from memory, so the
 * line it is at is known whenever it hands over a value, and what it would pass over in silence (a line longer than its
 * buffer, a section, a comment behind '#') is dealt with before it sees the line. */
#include <ctype.h>
#include <ini.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "boardfile/keys.h"
#include "slotproof/textfile.h"

enum { MAX_MB = 1, KEY_TEXT = 40, NEAR_ENOUGH = 3 };

#define NOT_TEXT "is not text; name a board file, as 'slotproof layout --format board' writes"

/* The file on its way through the parser. */
typedef struct reading {
  const char *text;
  size_t length, at;
  size_t line;  /* being read */
  bool goes_on; /* it begins with a blank */
  sp_status status;
  size_t wrong; /* the line that status is about */
  sp_boardfile *board;
  board_lines lines;
  board_key last;
  bool any;
  sp_error *err;
} reading;

void sp_boardfile_init(sp_boardfile *b)
{
  *b = (sp_boardfile){.scale_length_mm = NAN,
                      .fan = {NAN, NAN, NAN, NAN, NAN},
                      .nut_behind_mm = NAN,
                      .nut_shift_mm = NAN,
                      .tang_mm = NAN,
                      .tolerance = {NAN, NAN}};
  sp_board_shape_init(&b->shape);
}

void sp_boardfile_free(sp_boardfile *b)
{
  if (!b)
    return;
  sp_steps_free(&b->steps);
  free(b->steps_file);
  sp_boardfile_init(b);
}

/* ---- complaints ------------------------------------------------------------------------------------------------- */

#if defined(__GNUC__)
__attribute__((format(printf, 2, 3)))
#endif
static bool
wrong(reading *r, const char *format, ...)
{
  char text[SP_ERROR_TEXT_MAX - 40];
  va_list args;
  va_start(args, format);
  if (vsnprintf(text, sizeof text, format, args) < 0)
    text[0] = '\0';
  va_end(args);
  r->wrong = r->line;
  r->status = sp_fail(r->err, SP_E_DATA, "line %zu: %s", r->line, text);
  return false;
}

static bool wrong_value(reading *r, board_key key, const sp_error *said)
{
  if (said->status != SP_E_INTERNAL)
    return wrong(r, "%s: %.300s", BOARD_KEYS[key].name, said->text);
  r->wrong = r->line;
  r->status = sp_fail_memory(r->err);
  return false;
}

/* ---- lines ------------------------------------------------------------------------------------------------------ */

static bool is_blank(char c)
{
  return c == ' ' || c == '\t';
}

/* Length of the line without its end and its comment. */
static size_t without_comment(const char *line, size_t length)
{
  if (length && line[length - 1] == '\r')
    length--;
  for (size_t i = 0; i < length; i++)
    if (line[i] == '#' && (i == 0 || is_blank(line[i - 1])))
      return i;
  return length;
}

static bool is_text(const char *line, size_t length)
{
  for (size_t i = 0; i < length; i++)
    if (((unsigned char)line[i] < 0x20 && line[i] != '\t') || line[i] == 0x7f)
      return false;
  return true;
}

static bool look_at(reading *r, const char *line, size_t length, size_t room)
{
  size_t i = 0;
  if (!is_text(line, length))
    return wrong(r, NOT_TEXT);
  if (length + 2 > room)
    return wrong(r, "is longer than %zu bytes; shorten it, or let a list go on in a line that begins with a blank",
                 room - 2);
  while (i < length && is_blank(line[i]))
    i++;
  if (i < length && line[i] == '[')
    return wrong(r, "begins with '['; a board file has no sections, so delete the line");
  r->goes_on = i > 0;
  return true;
}

/* As fgets: the next line, NULL at the end or once something is wrong. */
static char *next_line(char *out, int room, void *stream)
{
  reading *r = stream;
  if (r->status || r->at >= r->length || room < 3)
    return NULL;
  const char *line = r->text + r->at, *end = memchr(line, '\n', r->length - r->at);
  const size_t whole = end ? (size_t)(end - line) : r->length - r->at, length = without_comment(line, whole);
  r->at += whole + 1;
  r->line++;
  if (!look_at(r, line, length, (size_t)room))
    return NULL;
  memcpy(out, line, length);
  out[length] = '\n';
  out[length + 1] = '\0';
  return out;
}

/* ---- keys ------------------------------------------------------------------------------------------------------- */

/* Small letters, one blank between words, whatever they were written with. */
static void plain_key(const char *name, char out[KEY_TEXT])
{
  size_t n = 0;
  for (; *name && n + 1 < KEY_TEXT; name++) {
    const bool gap = is_blank(*name) || *name == '-' || *name == '_';
    if (!gap)
      out[n++] = (char)tolower((unsigned char)*name);
    else if (n && out[n - 1] != ' ')
      out[n++] = ' ';
  }
  out[n] = '\0';
}

/* How many letters have to be changed, added or left out (Levenshtein's distance). */
static size_t letters_apart(const char *a, const char *b)
{
  size_t row[KEY_TEXT + 1];
  const size_t m = strlen(a), n = strlen(b);
  for (size_t j = 0; j <= n; j++)
    row[j] = j;
  for (size_t i = 1; i <= m; i++) {
    size_t corner = row[0];
    row[0] = i;
    for (size_t j = 1; j <= n; j++) {
      const size_t change = corner + (a[i - 1] != b[j - 1]);
      corner = row[j];
      row[j] = row[j] + 1 < change ? row[j] + 1 : change;
      if (row[j - 1] + 1 < row[j])
        row[j] = row[j - 1] + 1;
    }
  }
  return row[n];
}

static bool wrong_key(reading *r, const char *name)
{
  size_t best = NEAR_ENOUGH;
  const char *near = NULL;
  for (int k = 0; k < KEY_COUNT; k++) {
    const size_t apart = letters_apart(name, BOARD_KEYS[k].name);
    if (apart < best) {
      best = apart;
      near = BOARD_KEYS[k].name;
    }
  }
  if (near)
    return wrong(r, "'%s' is no key of a board file; write '%s' if that is meant", name, near);
  return wrong(r, "'%s' is no key of a board file; correct it or delete the line (the manual page lists the keys)",
               name);
}

static bool take_value(reading *r, board_key key, const char *value)
{
  sp_error said = {0};
  if (!*value)
    return wrong(r, "'%s' has no value; write one behind the '=', or delete the line", BOARD_KEYS[key].name);
  r->any = true;
  r->last = key;
  return BOARD_KEYS[key].read(&BOARD_KEYS[key], value, r->board, &said) ? wrong_value(r, key, &said) : true;
}

/* A line that begins with a blank goes on with the key before it. */
static bool take_more(reading *r, const char *value)
{
  if (BOARD_KEYS[r->last].list)
    return take_value(r, r->last, value);
  return wrong(r, "begins with a blank, so it would go on with '%s'; move it to the line's beginning",
               BOARD_KEYS[r->last].name);
}

/* inih's handler: 0 is an error. */
static int take(void *context, const char *section, const char *name, const char *value)
{
  reading *r = context;
  char plain[KEY_TEXT];
  (void)section; /* lines that open one have been refused */
  if (r->status)
    return 0;
  if (r->any && r->goes_on)
    return take_more(r, value);
  plain_key(name, plain);
  for (int k = 0; k < KEY_COUNT; k++) {
    if (strcmp(plain, BOARD_KEYS[k].name) != 0)
      continue;
    if (r->lines.of[k])
      return wrong(r, "'%s' stands on line %zu already; delete one of the two", plain, r->lines.of[k]);
    r->lines.of[k] = r->line;
    return take_value(r, (board_key)k, value);
  }
  return wrong_key(r, plain);
}

/* ---- the steps file --------------------------------------------------------------------------------------------- */

static char *path_in(const char *folder, const char *name)
{
  const bool alone = name[0] == '/' || !folder[0];
  const size_t size = (alone ? 0 : strlen(folder) + 1) + strlen(name) + 1;
  char *path = malloc(size);
  if (path)
    snprintf(path, size, "%s%s%s", alone ? "" : folder, alone ? "" : "/", name);
  return path;
}

static sp_status read_steps_file(reading *r, const char *folder)
{
  const size_t line = r->lines.of[KEY_STEPS_FILE];
  sp_error said = {0};
  if (!line || r->lines.of[KEY_STEPS])
    return SP_OK;
  if (!folder)
    return sp_fail(r->err, SP_E_DATA, "line %zu: a steps file cannot be read here; write 'steps = ' and the steps",
                   line);
  char *path = path_in(folder, r->board->steps_file);
  if (!path)
    return sp_fail_memory(r->err);
  const sp_status status = sp_steps_read(path, &r->board->steps, &said);
  free(path);
  return status ? sp_fail(r->err, status, "line %zu: steps file '%.80s': %.240s", line, r->board->steps_file, said.text)
                : SP_OK;
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

static sp_status parse_lines(reading *r)
{
  if (r->length && memchr(r->text, '\0', r->length)) { /* a picture, given by mistake */
    r->line = 1;
    wrong(r, NOT_TEXT);
    return r->status;
  }
  const int first = ini_parse_stream(next_line, r, take, r);
  if (first > 0 && (!r->status || (size_t)first < r->wrong)) {
    r->line = (size_t)first;
    wrong(r, "has no '='; write a key, '=' and its value");
  }
  if (!r->status && !r->any)
    r->status =
        sp_fail(r->err, SP_E_DATA, "line 1: the file describes nothing; write 'scale length = 648 mm' and so on");
  return r->status;
}

sp_status sp_boardfile_parse(const char *text, size_t length, const char *folder, sp_boardfile *board, sp_error *err)
{
  reading r = {.text = text, .length = length, .board = board, .err = err};
  sp_boardfile_init(board);
  sp_status status = parse_lines(&r);
  if (!status)
    status = read_steps_file(&r, folder);
  if (!status)
    status = board_agrees(board, &r.lines, err);
  if (status)
    sp_boardfile_free(board);
  return status;
}

/* The file's folder: "" where the name holds none. Owned by the caller. */
static char *folder_of(const char *path)
{
  const char *stroke = strrchr(path, '/');
  const size_t length = stroke ? (size_t)(stroke - path) + (stroke == path) : 0;
  char *folder = malloc(length + 1);
  if (folder) {
    memcpy(folder, path, length);
    folder[length] = '\0';
  }
  return folder;
}

sp_status sp_boardfile_read(const char *path, sp_boardfile *board, sp_error *err)
{
  char *text = NULL;
  size_t length = 0;
  sp_boardfile_init(board);
  sp_status status = sp_textfile_read(path, MAX_MB, "board description", &text, &length, err);
  char *folder = status ? NULL : folder_of(path);
  if (!status && !folder)
    status = sp_fail_memory(err);
  if (!status)
    status = sp_boardfile_parse(text, length, folder, board, err);
  free(folder);
  free(text);
  return status;
}
