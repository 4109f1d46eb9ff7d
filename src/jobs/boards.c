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

enum { FILE_NAME = 48, MORE = 200 };
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

/* What the form has no field for. */
static void say_more(const sp_boardfile *b, char more[MORE])
{
  const bool is[] = {sp_fan_given(&b->fan),          b->steps.count > 0,   b->zero_fret,
                     isfinite(b->nut_shift_mm),      b->partial_count > 0, b->left_handed,
                     sp_board_shape_given(&b->shape)};
  static const char *const WORDS[] = {"fanned frets",  "steps of its own", "zero fret",         "compensated nut",
                                      "partial frets", "left-handed",      "shape of the board"};
  size_t used = 0;
  more[0] = '\0';
  for (size_t i = 0; i < sizeof is / sizeof *is; i++)
    if (is[i])
      used += (size_t)snprintf(more + used, MORE - used, "%s%s", used ? ", " : "", WORDS[i]);
}

cJSON *sp_board_tree(const sp_boardfile *b)
{
  sp_tree note = {0};
  sp_job_settings settings;
  char more[MORE];
  cJSON *item = cJSON_CreateObject();
  tell(b, &settings);
  say_more(b, more);
  sp_tree_attach(&note, item, "name", cJSON_CreateString(b->name));
  sp_tree_attach(&note, item, "settings", sp_settings_tree(&settings));
  sp_tree_attach(&note, item, "more", cJSON_CreateString(more));
  if (!note.failed)
    return item;
  cJSON_Delete(item);
  return NULL;
}

/* ---- files ------------------------------------------------------------------------------------------------------ */

/* False if the file is no board. */
static bool read_board(const sp_store *store, const char *file, sp_boardfile *b)
{
  char *text = sp_store_text(store->boards, file, SP_BOARD_TEXT);
  const bool fine = text && sp_boardfile_parse(text, strlen(text), NULL, b, NULL) == SP_OK;
  free(text);
  if (fine && b->name[0])
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
  cJSON *item = sp_tree_attach(&l->note, l->list, NULL, sp_board_tree(b));
  sp_tree_attach(&l->note, item, "id", cJSON_CreateString(id));
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

/* The board of that name, if there is one, and how many there are. */
typedef struct wanted {
  const char *name;
  char id[SP_STORE_ID];
  bool has_more;
  size_t count;
} wanted;

static bool is_called(void *context, const char *id, const sp_boardfile *b)
{
  wanted *w = context;
  char more[MORE];
  w->count++;
  if (strcmp(b->name, w->name) != 0)
    return true;
  memcpy(w->id, id, SP_STORE_ID);
  say_more(b, more);
  w->has_more = more[0] != '\0';
  return true;
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

/* In the place of the one of that name, or as a new one. */
static sp_status put_board(sp_store *store, wanted *w, const char *text, sp_error *err)
{
  char file[FILE_NAME];
  if (!w->id[0] && w->count >= SP_BOARDS_MOST)
    return sp_fail(err, SP_E_USAGE, "%d boards are remembered already; forget some first", SP_BOARDS_MOST);
  const sp_status status = w->id[0] ? SP_OK : sp_store_new_id(w->id, err);
  snprintf(file, sizeof file, "%s%s", w->id, ENDING);
  return status ? status : sp_store_put(store->boards, file, text, err);
}

sp_status sp_boards_save(sp_store *store, const char *name, const sp_job_settings *settings, sp_error *err)
{
  char clean[SP_JOB_NAME], *text = NULL;
  wanted w = {.name = clean};
  sp_boardfile b;
  sp_job_clean_name(name, clean);
  if (!*name || strlen(clean) >= SP_LAYOUT_NAME)
    return sp_fail(err, SP_E_USAGE, *name ? "the name is too long; give a shorter one" : "give the board a name");
  each(store, is_called, &w);
  if (w.has_more)
    return sp_fail(err, SP_E_USAGE,
                   "the board of that name has a description with more in it; change that, or give "
                   "another name");
  describe(settings, clean, &b);
  sp_status status = write_board(&b, &text, err);
  if (!status)
    status = put_board(store, &w, text, err);
  sp_boardfile_free(&b);
  free(text);
  return status;
}

sp_status sp_boards_save_text(sp_store *store, const char *text, sp_error *err)
{
  sp_boardfile b;
  if (strlen(text) > SP_BOARD_TEXT)
    return sp_fail(err, SP_E_USAGE, "the description is too long; it may have %d letters", SP_BOARD_TEXT);
  if (sp_boardfile_parse(text, strlen(text), NULL, &b, err))
    return err->status = err->status == SP_E_INTERNAL ? SP_E_INTERNAL : SP_E_USAGE;
  wanted w = {.name = b.name};
  each(store, is_called, &w);
  const sp_status status = b.name[0] ? put_board(store, &w, text, err)
                                     : sp_fail(err, SP_E_USAGE,
                                               "the board has no name; write a line as "
                                               "name = Dunlin tenor");
  sp_boardfile_free(&b);
  return status;
}

sp_status sp_boards_text(const sp_store *store, const char *id, char **text, sp_error *err)
{
  char file[FILE_NAME];
  snprintf(file, sizeof file, "%.32s%s", id, ENDING);
  *text = sp_store_id_valid(id) ? sp_store_text(store->boards, file, SP_BOARD_TEXT) : NULL;
  return *text ? SP_OK : sp_fail(err, SP_E_NOINPUT, "there is no such board description; it may have been forgotten");
}

sp_status sp_boards_forget(sp_store *store, const char *id, sp_error *err)
{
  char file[FILE_NAME];
  snprintf(file, sizeof file, "%.32s%s", id, ENDING);
  if (!sp_store_id_valid(id) || unlinkat(store->boards, file, 0) != 0)
    return sp_fail(err, SP_E_NOINPUT, "there is no such board description");
  return SP_OK;
}
