/* Boards that are remembered, as board files (boardfile.h) that the command line reads, too. A file's name is an
 * identity; what people call the board stands in it. */
#define _GNU_SOURCE /* O_NOFOLLOW */
#include <dirent.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "slotproof/boardfile.h"
#include "slotproof/jobs.h"
#include "slotproof/json_tree.h"

enum { FILE_MOST = 1 << 20, FILE_NAME = 48 };
static const char ENDING[] = ".board";

/* ---- from the form's words to a description and back ------------------------------------------------------------- */

static const char *given(const sp_job_settings *s, const char *name)
{
  for (size_t i = 0; sp_field_name(i); i++)
    if (strcmp(sp_field_name(i), name) == 0)
      return s->value[i];
  return "";
}

/* The settings have been checked; what is empty stays as initialised. */
static void read_length(const sp_job_settings *s, const char *name, double *mm)
{
  if (*given(s, name))
    sp_parse_length(given(s, name), SP_LENGTH_POSITIVE, mm, NULL);
}

static void describe(const sp_job_settings *s, const char *name, sp_boardfile *b)
{
  sp_boardfile_init(b);
  snprintf(b->name, sizeof b->name, "%s", name);
  read_length(s, "scale_length", &b->scale_length_mm);
  read_length(s, "tang", &b->tang_mm);
  b->frets = (int32_t)strtol(given(s, "frets"), NULL, 10);
  b->divisions = (int32_t)strtol(given(s, "divisions"), NULL, 10);
  if (*given(s, "tolerance"))
    sp_parse_tolerance(given(s, "tolerance"), &b->tolerance, NULL);
  for (int kind = SP_MARK_KNIFE; kind <= SP_MARK_WIRE; kind++)
    if (strcmp(given(s, "marks"), sp_mark_kind_word((sp_mark_kind)kind)) == 0) {
      b->marks = (sp_mark_kind)kind;
      b->marks_given = true;
    }
  for (int nut = SP_NUT_AUTO; nut <= SP_NUT_END; nut++)
    if (strcmp(given(s, "nut"), sp_nut_choice_word((sp_nut_choice)nut)) == 0) {
      b->nut = (sp_nut_choice)nut;
      b->nut_given = true;
    }
}

/* As a shop would write it: whole or half millimetres, else inches by sixty-fourths where it is such, else as it is. */
static void say_length(double mm, char text[SP_FIELD_TEXT])
{
  const double in64 = mm / 25.4 * 64.0;
  long whole = lround(in64), over = 64;
  if (fabs(2.0 * mm - round(2.0 * mm)) < 1e-9 || fabs(in64 - (double)whole) > 1e-9) {
    snprintf(text, SP_FIELD_TEXT, "%.15g mm", mm);
    return;
  }
  const long inches = whole / 64;
  for (whole %= 64; whole && whole % 2 == 0; whole /= 2)
    over /= 2;
  if (!whole)
    snprintf(text, SP_FIELD_TEXT, "%ld in", inches);
  else if (inches)
    snprintf(text, SP_FIELD_TEXT, "%ld %ld/%ld in", inches, whole, over);
  else
    snprintf(text, SP_FIELD_TEXT, "%ld/%ld in", whole, over);
}

static void say_tolerance(const sp_tolerance *t, char text[SP_FIELD_TEXT])
{
  char mm[SP_FIELD_TEXT] = "", cents[SP_FIELD_TEXT / 2] = "";
  if (isfinite(t->tolerance_mm))
    say_length(t->tolerance_mm, mm);
  if (isfinite(t->tolerance_cents))
    snprintf(cents, sizeof cents, "%.15gc", t->tolerance_cents);
  snprintf(text, SP_FIELD_TEXT, "%.38s%s%s", mm, *mm && *cents ? ", " : "", cents);
}

static void tell_number(sp_job_settings *s, const char *name, int32_t value)
{
  char text[20];
  snprintf(text, sizeof text, "%ld", (long)value);
  if (value)
    sp_settings_set(s, name, text, NULL);
}

static void tell_length(sp_job_settings *s, const char *name, double mm)
{
  char text[SP_FIELD_TEXT];
  if (!isfinite(mm))
    return;
  say_length(mm, text);
  sp_settings_set(s, name, text, NULL);
}

static void tell(const sp_boardfile *b, sp_job_settings *s)
{
  char text[SP_FIELD_TEXT];
  *s = (sp_job_settings){{{0}}};
  tell_length(s, "scale_length", b->scale_length_mm);
  tell_length(s, "tang", b->tang_mm);
  tell_number(s, "frets", b->frets);
  tell_number(s, "divisions", b->divisions);
  say_tolerance(&b->tolerance, text);
  sp_settings_set(s, "tolerance", text, NULL);
  if (b->marks_given)
    sp_settings_set(s, "marks", sp_mark_kind_word(b->marks), NULL);
  if (b->nut_given)
    sp_settings_set(s, "nut", sp_nut_choice_word(b->nut), NULL);
}

/* ---- files ------------------------------------------------------------------------------------------------------ */

/* False if the file is no board, or has steps of its own, for which the form has no field. */
static bool read_board(const sp_store *store, const char *file, sp_boardfile *b)
{
  char *text = sp_store_text(store->boards, file, FILE_MOST);
  const bool fine = text && sp_boardfile_parse(text, strlen(text), NULL, b, NULL) == SP_OK;
  free(text);
  if (fine && !b->steps.count && b->name[0])
    return true;
  if (fine)
    sp_boardfile_free(b);
  return false;
}

static bool id_of(const char *file, char id[SP_STORE_ID])
{
  const size_t length = strlen(file), digits = SP_STORE_ID - 1;
  if (length != digits + strlen(ENDING) || strcmp(file + digits, ENDING) != 0)
    return false;
  memcpy(id, file, digits);
  id[digits] = '\0';
  return sp_store_id_valid(id);
}

/* Calls back for each; false from the callback ends the walk. */
typedef bool (*visitor)(void *context, const char *id, const sp_boardfile *board);

static void each(const sp_store *store, visitor visit, void *context)
{
  const int copy = openat(store->boards, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  DIR *list = copy >= 0 ? fdopendir(copy) : NULL;
  bool on = true;
  for (struct dirent *e; list && on && (e = readdir(list));) {
    char id[SP_STORE_ID];
    sp_boardfile b;
    if (!id_of(e->d_name, id) || !read_board(store, e->d_name, &b))
      continue;
    on = visit(context, id, &b);
    sp_boardfile_free(&b);
  }
  if (list)
    closedir(list);
}

/* ---- what the page asks ----------------------------------------------------------------------------------------- */

typedef struct listing {
  sp_tree note;
  cJSON *list;
} listing;

static bool put_in_list(void *context, const char *id, const sp_boardfile *b)
{
  listing *l = context;
  sp_job_settings settings;
  cJSON *item = sp_tree_attach(&l->note, l->list, NULL, cJSON_CreateObject());
  tell(b, &settings);
  sp_tree_attach(&l->note, item, "id", cJSON_CreateString(id));
  sp_tree_attach(&l->note, item, "name", cJSON_CreateString(b->name));
  sp_tree_attach(&l->note, item, "settings", sp_settings_tree(&settings));
  return !l->note.failed;
}

cJSON *sp_boards_tree(const sp_store *store)
{
  listing l = {.list = cJSON_CreateArray()};
  each(store, put_in_list, &l);
  if (!l.note.failed)
    return l.list;
  cJSON_Delete(l.list);
  return NULL;
}

typedef struct wanted {
  const char *name;
  char id[SP_STORE_ID];
} wanted;

static bool is_called(void *context, const char *id, const sp_boardfile *b)
{
  wanted *w = context;
  if (strcmp(b->name, w->name) != 0)
    return true;
  memcpy(w->id, id, SP_STORE_ID);
  return false;
}

static sp_status write_board(const sp_boardfile *b, char **text, sp_error *err)
{
  size_t size = 0;
  FILE *file = open_memstream(text, &size);
  if (!file)
    return sp_fail_memory(err);
  sp_status status = sp_boardfile_write(b, true, file, err);
  if (fclose(file) != 0 && !status)
    status = sp_fail_memory(err);
  return status;
}

sp_status sp_boards_save(sp_store *store, const char *name, const sp_job_settings *settings, sp_error *err)
{
  char clean[SP_JOB_NAME], file[FILE_NAME], *text = NULL;
  wanted w = {.name = clean};
  sp_boardfile b;
  sp_job_clean_name(name, clean);
  if (!*name || strlen(clean) >= SP_LAYOUT_NAME)
    return sp_fail(err, SP_E_USAGE, *name ? "the name is too long; give a shorter one" : "give the board a name");
  each(store, is_called, &w);
  sp_status status = w.id[0] ? SP_OK : sp_store_new_id(w.id, err);
  describe(settings, clean, &b);
  if (!status)
    status = write_board(&b, &text, err);
  snprintf(file, sizeof file, "%s%s", w.id, ENDING);
  if (!status)
    status = sp_store_put(store->boards, file, text, err);
  sp_boardfile_free(&b);
  free(text);
  return status;
}

sp_status sp_boards_forget(sp_store *store, const char *id, sp_error *err)
{
  char file[FILE_NAME];
  snprintf(file, sizeof file, "%.32s%s", id, ENDING);
  if (!sp_store_id_valid(id) || unlinkat(store->boards, file, 0) != 0)
    return sp_fail(err, SP_E_NOINPUT, "there is no such board description");
  return SP_OK;
}
