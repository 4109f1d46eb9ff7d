/* Which pictures and records are meant.
 *
 * The list is put in order of name, digits counted as numbers, so that neither the shell's order nor the folder's
 * matters and board10 follows board9. That order is also the order of time where no history tells it: scanners number
 * their files. */
#include <ctype.h>
#include <dirent.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

#include "batch_internal.h"

static bool ends_in(const char *name, const char *ending)
{
  const size_t n = strlen(name), m = strlen(ending);
  return n > m && strcasecmp(name + n - m, ending) == 0;
}

static bool is_picture_name(const char *name)
{
  static const char *const ENDINGS[] = {".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp", ".heic", ".heif"};
  for (size_t i = 0; i < sizeof ENDINGS / sizeof *ENDINGS; i++)
    if (ends_in(name, ENDINGS[i]))
      return true;
  return false;
}

/* ---- order ------------------------------------------------------------------------------------------------------ */

/* Two runs of digits as numbers, however long. */
static int number_order(const char **a, const char **b)
{
  while (**a == '0')
    (*a)++;
  while (**b == '0')
    (*b)++;
  const size_t n = strspn(*a, "0123456789"), m = strspn(*b, "0123456789");
  const int order = n != m ? (n < m ? -1 : 1) : strncmp(*a, *b, n);
  *a += n;
  *b += m;
  return order;
}

int sp_batch_name_order(const char *a, const char *b)
{
  const char *x = a, *y = b;
  while (*x && *y) {
    int order;
    if (isdigit((unsigned char)*x) && isdigit((unsigned char)*y)) {
      order = number_order(&x, &y);
    } else {
      order = (int)(unsigned char)*x - (int)(unsigned char)*y;
      x++;
      y++;
    }
    if (order)
      return order;
  }
  if (*x || *y)
    return *x ? 1 : -1;
  return strcmp(a, b);
}

static int input_order(const void *a, const void *b)
{
  const sp_batch_input *x = a, *y = b;
  const int order = sp_batch_name_order(x->name, y->name);
  return order ? order : strcmp(x->path, y->path);
}

/* ---- the list --------------------------------------------------------------------------------------------------- */

static void free_input(sp_batch_input *input)
{
  for (size_t i = 0; i < input->pieces; i++)
    free(input->piece[i]);
  free(input->piece);
  free(input->path);
}

void sp_batch_list_free(sp_batch_list *list)
{
  for (size_t i = 0; i < list->count; i++)
    free_input(&list->input[i]);
  free(list->input);
  memset(list, 0, sizeof *list);
}

static sp_status add_input(sp_batch_list *list, const char *path, bool is_record, sp_error *err)
{
  if (list->count >= SIZE_MAX / sizeof *list->input - 1)
    return sp_fail_memory(err);
  if ((list->count & (list->count - 1)) == 0) { /* room grows by doubling: at 0, 1, 2, 4 ... */
    const size_t room = list->count ? 2 * list->count : 1;
    sp_batch_input *grown = realloc(list->input, room * sizeof *grown);
    if (!grown)
      return sp_fail_memory(err);
    list->input = grown;
  }
  char *copy = sp_batch_copy(path);
  if (!copy)
    return sp_fail_memory(err);
  list->input[list->count++] = (sp_batch_input){copy, sp_batch_last_part(copy), is_record, NULL, 0};
  return SP_OK;
}

/* FOLDER/NAME; free with free(). */
static char *joined(const char *folder, const char *name)
{
  const size_t n = strlen(folder), size = n + strlen(name) + 2;
  char *path = malloc(size);
  if (path)
    snprintf(path, size, "%s%s%s", folder, n && folder[n - 1] == '/' ? "" : "/", name);
  return path;
}

/* Is NAME.png the overlay of the record NAME.json beside it? Then that record's picture has another digest. */
static bool is_overlay(const char *picture)
{
  const size_t stem = strlen(picture) - 4;
  char digest[SP_SHA256_TEXT] = "";
  sp_record record;
  sp_record_init(&record);
  char *path = malloc(stem + 6);
  if (!path || !ends_in(picture, ".png"))
    goto done;
  memcpy(path, picture, stem);
  memcpy(path + stem, ".json", 6);
  if (sp_record_read(path, &record, NULL) == SP_OK && record.source_count == 1 && record.sources[0].sha256[0] &&
      sp_sha256_file(picture, digest, NULL) == SP_OK && strcmp(digest, record.sources[0].sha256) == 0)
    digest[0] = '\0'; /* the record's own picture */
done:
  free(path);
  sp_record_free(&record);
  return digest[0] != '\0';
}

static sp_status add_folder_entry(sp_batch_list *pictures, sp_batch_list *records, const char *folder, const char *name,
                                  sp_error *err)
{
  struct stat about;
  char *path = joined(folder, name);
  sp_status status = path ? SP_OK : sp_fail_memory(err);
  const bool record = ends_in(name, ".json");
  if (!status && (record || is_picture_name(name)) && stat(path, &about) == 0 && S_ISREG(about.st_mode)) {
    if (record || !is_overlay(path))
      status = add_input(record ? records : pictures, path, record, err);
  }
  free(path);
  return status;
}

static sp_status move_all(sp_batch_list *to, const sp_batch_list *from, sp_error *err)
{
  sp_status status = SP_OK;
  for (size_t i = 0; !status && i < from->count; i++)
    status = add_input(to, from->input[i].path, from->input[i].is_record, err);
  return status;
}

static sp_status add_folder(sp_batch_list *list, const char *folder, sp_error *err)
{
  sp_batch_list pictures = {0}, records = {0};
  sp_status status = SP_OK;
  DIR *dir = opendir(folder);
  if (!dir)
    return sp_fail(err, SP_E_NOINPUT, "cannot be opened (%s); check its permissions", strerror(errno));
  for (const struct dirent *entry = readdir(dir); entry && !status; entry = readdir(dir))
    if (entry->d_name[0] != '.')
      status = add_folder_entry(&pictures, &records, folder, entry->d_name, err);
  closedir(dir);
  if (!status && !pictures.count && !records.count)
    status = sp_fail(err, SP_E_NOINPUT, "holds no picture (PNG, JPEG, TIFF) and no record; name another folder");
  if (!status)
    status = move_all(list, pictures.count ? &pictures : &records, err);
  sp_batch_list_free(&pictures);
  sp_batch_list_free(&records);
  return status;
}

/* ---- boards in pieces ------------------------------------------------------------------------------------------- */

/* The pictures right in a folder, in order of name; overlays of records left out. */
static sp_status pictures_in(const char *folder, sp_batch_list *pictures, sp_error *err)
{
  sp_batch_list records = {0};
  sp_status status = SP_OK;
  DIR *dir = opendir(folder);
  if (!dir)
    return sp_fail(err, SP_E_NOINPUT, "cannot be opened (%s); check its permissions", strerror(errno));
  for (const struct dirent *entry = readdir(dir); entry && !status; entry = readdir(dir))
    if (entry->d_name[0] != '.' && is_picture_name(entry->d_name))
      status = add_folder_entry(pictures, &records, folder, entry->d_name, err);
  closedir(dir);
  sp_batch_list_free(&records);
  if (pictures->count)
    qsort(pictures->input, pictures->count, sizeof *pictures->input, input_order);
  return status;
}

/* One board, if the folder holds pictures; its name is the folder's. */
static sp_status add_board(sp_batch_list *list, const char *folder, bool *found, sp_error *err)
{
  sp_batch_list pictures = {0};
  sp_status status = pictures_in(folder, &pictures, err);
  *found = pictures.count > 0;
  if (!status && pictures.count > SP_MOST_PIECES)
    status = sp_fail(err, SP_E_USAGE,
                     "the folder '%.200s' holds %zu pictures, and a board is joined from at most %d; give each board a "
                     "folder of its own",
                     folder, pictures.count, SP_MOST_PIECES);
  char *plain = status || !*found ? NULL : sp_batch_copy(folder);
  size_t n = plain ? strlen(plain) : 0;
  while (n > 1 && plain[n - 1] == '/')
    plain[--n] = '\0';
  if (!status && *found)
    status = plain ? add_input(list, plain, false, err) : sp_fail_memory(err);
  free(plain);
  if (!status && *found) {
    sp_batch_input *input = &list->input[list->count - 1];
    input->piece = calloc(pictures.count, sizeof *input->piece);
    for (size_t i = 0; input->piece && i < pictures.count; i++) { /* the names change hands */
      input->piece[input->pieces++] = pictures.input[i].path;
      pictures.input[i].path = NULL;
    }
    status = input->piece ? SP_OK : sp_fail_memory(err);
  }
  sp_batch_list_free(&pictures);
  return status;
}

/* Each folder in a folder is a board. */
static sp_status add_boards(sp_batch_list *list, const char *folder, sp_error *err)
{
  bool found = false;
  sp_status status = add_board(list, folder, &found, err);
  if (status || found)
    return status;
  DIR *dir = opendir(folder);
  if (!dir)
    return sp_fail(err, SP_E_NOINPUT, "cannot be opened (%s); check its permissions", strerror(errno));
  size_t before = list->count;
  for (const struct dirent *entry = readdir(dir); entry && !status; entry = readdir(dir)) {
    struct stat about;
    char *path = entry->d_name[0] != '.' ? joined(folder, entry->d_name) : NULL;
    if (path && stat(path, &about) == 0 && S_ISDIR(about.st_mode))
      status = add_board(list, path, &found, err);
    free(path);
  }
  closedir(dir);
  if (!status && list->count == before)
    status = sp_fail(err, SP_E_NOINPUT, "holds no pictures, nor folders with pictures; name the folder of a board");
  return status;
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

/* One file named twice counts once. */
static void drop_doubles(sp_batch_list *list)
{
  size_t kept = 0;
  for (size_t i = 0; i < list->count; i++) {
    if (kept && strcmp(list->input[i].path, list->input[kept - 1].path) == 0)
      free_input(&list->input[i]);
    else
      list->input[kept++] = list->input[i];
  }
  list->count = kept;
}

sp_status sp_batch_find(char *const *names, size_t count, bool pieces, sp_batch_list *list, const char **at,
                        sp_error *err)
{
  struct stat about;
  sp_status status = SP_OK;
  memset(list, 0, sizeof *list);
  for (size_t i = 0; !status && i < count; i++) {
    *at = names[i];
    if (stat(names[i], &about) == 0 && S_ISDIR(about.st_mode))
      status = pieces ? add_boards(list, names[i], err) : add_folder(list, names[i], err);
    else
      status = add_input(list, names[i], ends_in(names[i], ".json"), err);
  }
  if (status) {
    sp_batch_list_free(list);
    return status;
  }
  if (list->count)
    qsort(list->input, list->count, sizeof *list->input, input_order);
  drop_doubles(list);
  return SP_OK;
}
