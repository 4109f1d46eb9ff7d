/* A study of the gauge: which picture is which board's, scanned by whom.
 *
 * The table is read by libcsv (RFC 4180). Every fret that was found in every picture is a characteristic of its own;
 * the frets' sums of squares are added, so a study of a few boards has some hundred degrees of freedom. A board that
 * was scanned many times counts once in the batch's other statistics. */
#include <csv.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "batch_internal.h"

enum { FILE_COLUMN, PART_COLUMN, APPRAISER_COLUMN, TRIAL_COLUMN, COLUMNS, FIELD_MAX = 256, MOST_FIELDS = 16 };
static const char *const COLUMN_NAMES[COLUMNS] = {"file", "part", "appraiser", "trial"};

typedef struct row {
  char field[COLUMNS][FIELD_MAX];
  size_t line, board;
  size_t part, appraiser, cell; /* numbers of their names; cell: place among the trials */
} row;

typedef struct table {
  sp_batch *batch;
  row *row;
  size_t rows, line, field;
  int column_of[MOST_FIELDS]; /* of each field of the file; -1 none */
  size_t columns;
  char now[MOST_FIELDS][FIELD_MAX];
  sp_status status;
  sp_error *err;
} table;

/* ---- rows ------------------------------------------------------------------------------------------------------- */

static void take_field(void *bytes, size_t length, void *context)
{
  table *t = context;
  if (t->status)
    return;
  if (t->field >= MOST_FIELDS || length >= FIELD_MAX || memchr(bytes, '\0', length)) {
    t->status = sp_fail(t->err, SP_E_DATA,
                        "line %zu: too many fields, or one too long; write file,part,appraiser,trial", t->line);
    return;
  }
  if (length) /* of an empty field there may be no bytes at all */
    memcpy(t->now[t->field], bytes, length);
  t->now[t->field++][length] = '\0';
}

static sp_status take_names(table *t)
{
  bool there[COLUMNS] = {false};
  for (size_t f = 0; f < t->field; f++) {
    const char *name = t->now[f];
    if (f == 0 && strncmp(name, "\xef\xbb\xbf", 3) == 0) /* a byte order mark */
      name += 3;
    t->column_of[f] = -1;
    for (int c = 0; c < COLUMNS; c++)
      if (strcmp(name, COLUMN_NAMES[c]) == 0 && !there[c]) {
        t->column_of[f] = c;
        there[c] = true;
      }
    if (t->column_of[f] < 0)
      return sp_fail(t->err, SP_E_DATA,
                     "line %zu: '%.40s' is no column of a study, or stands twice; the first line is "
                     "file,part,appraiser,trial",
                     t->line, name);
  }
  t->columns = t->field;
  if (!there[FILE_COLUMN] || !there[PART_COLUMN])
    return sp_fail(t->err, SP_E_DATA, "line %zu: column '%s' is missing; the first line is file,part,appraiser,trial",
                   t->line, there[FILE_COLUMN] ? "part" : "file");
  return SP_OK;
}

static sp_status find_board(const table *t, row *r)
{
  const char *name = r->field[FILE_COLUMN];
  for (size_t i = 0; i < t->batch->board_count; i++) {
    const sp_batch_board *b = &t->batch->board[i];
    if (b->from_history || (strcmp(b->file, name) != 0 && strcmp(b->name, name) != 0))
      continue;
    if (b->status)
      return sp_fail(t->err, SP_E_DATA, "line %zu: '%.60s' could not be used; scan it again or take its part out",
                     r->line, name);
    r->board = i;
    return SP_OK;
  }
  return sp_fail(t->err, SP_E_DATA, "line %zu: '%.60s' is not among the boards of this batch; name it there too",
                 r->line, name);
}

static sp_status take_row(table *t)
{
  row *grown = realloc(t->row, (t->rows + 1) * sizeof *grown);
  if (!grown)
    return sp_fail_memory(t->err);
  t->row = grown;
  row *r = &grown[t->rows];
  memset(r, 0, sizeof *r);
  r->line = t->line;
  if (t->field != t->columns)
    return sp_fail(t->err, SP_E_DATA, "line %zu has %zu fields, the first line %zu; correct it", t->line, t->field,
                   t->columns);
  for (size_t f = 0; f < t->field; f++)
    memcpy(r->field[t->column_of[f]], t->now[f], FIELD_MAX);
  if (!r->field[FILE_COLUMN][0] || !r->field[PART_COLUMN][0])
    return sp_fail(t->err, SP_E_DATA, "line %zu: file or part is empty; fill it in", t->line);
  for (size_t i = 0; i < t->rows; i++)
    if (strcmp(t->row[i].field[FILE_COLUMN], r->field[FILE_COLUMN]) == 0)
      return sp_fail(t->err, SP_E_DATA, "line %zu: '%.60s' stands in line %zu already; name each scan once", t->line,
                     r->field[FILE_COLUMN], t->row[i].line);
  t->rows++;
  return find_board(t, r);
}

/* Called at the end of every line, blank ones too. */
static void take_line(int end, void *context)
{
  table *t = context;
  bool blank = true;
  for (size_t f = 0; f < t->field; f++)
    blank = blank && !t->now[f][0];
  if (!t->status && !blank)
    t->status = t->columns ? take_row(t) : take_names(t);
  t->field = 0;
  t->line += end == '\n';
}

static sp_status read_table(const char *path, table *t)
{
  struct csv_parser parser;
  char bytes[4096];
  size_t got;
  FILE *file = fopen(path, "rb");
  if (!file)
    return sp_fail(t->err, SP_E_NOINPUT, "cannot be opened (%s); check the name and its permissions", strerror(errno));
  if (csv_init(&parser, CSV_STRICT | CSV_STRICT_FINI | CSV_REPALL_NL) != 0) {
    fclose(file);
    return sp_fail_memory(t->err);
  }
  bool fine = true;
  while (fine && !t->status && (got = fread(bytes, 1, sizeof bytes, file)) > 0)
    fine = csv_parse(&parser, bytes, got, take_field, take_line, t) == got;
  fine = fine && (t->status || csv_fini(&parser, take_field, take_line, t) == 0);
  csv_free(&parser);
  const bool broken = ferror(file) != 0;
  fclose(file);
  if (t->status)
    return t->status;
  if (broken)
    return sp_fail(t->err, SP_E_IO, "reading stopped half way; check the disk and try again");
  if (!fine)
    return sp_fail(t->err, SP_E_DATA, "line %zu: a quotation mark stands in a wrong place; correct it", t->line);
  return t->rows ? SP_OK : sp_fail(t->err, SP_E_DATA, "holds no scans; write a line for each under the column names");
}

/* ---- the design ------------------------------------------------------------------------------------------------- */

/* Numbers the names of a column in order of appearance; returns how many there are. */
static size_t number_names(table *t, int column, size_t offset)
{
  size_t names = 0;
  for (size_t i = 0; i < t->rows; i++) {
    size_t j = 0;
    while (j < i && strcmp(t->row[j].field[column], t->row[i].field[column]) != 0)
      j++;
    size_t *number = (size_t *)(void *)((char *)&t->row[i] + offset);
    *number = j < i ? *(size_t *)(void *)((char *)&t->row[j] + offset) : names++;
  }
  return names;
}

static sp_status count_cells(table *t, sp_gauge_design *d)
{
  d->parts = number_names(t, PART_COLUMN, offsetof(row, part));
  d->appraisers = number_names(t, APPRAISER_COLUMN, offsetof(row, appraiser));
  size_t *count = calloc(d->parts * d->appraisers, sizeof *count);
  if (!count)
    return sp_fail_memory(t->err);
  sp_status status = SP_OK;
  for (size_t i = 0; i < t->rows; i++) {
    row *r = &t->row[i];
    r->cell = count[r->part * d->appraisers + r->appraiser]++;
    for (size_t j = 0; j < i && !status && r->field[TRIAL_COLUMN][0]; j++)
      if (t->row[j].part == r->part && t->row[j].appraiser == r->appraiser &&
          strcmp(t->row[j].field[TRIAL_COLUMN], r->field[TRIAL_COLUMN]) == 0)
        status = sp_fail(t->err, SP_E_DATA, "line %zu: the same part, appraiser and trial as line %zu; correct one",
                         r->line, t->row[j].line);
  }
  d->trials = count[0];
  for (size_t i = 0; i < d->parts * d->appraisers && !status; i++)
    if (count[i] != d->trials)
      status =
          sp_fail(t->err, SP_E_DATA, "not every part was scanned equally often by everyone; add the missing scans");
  if (!status && d->trials < 2)
    status = sp_fail(t->err, SP_E_DATA, "every part needs two scans or more by each; lay the board on anew each time");
  free(count);
  return status;
}

static sp_status refuse_unlike(const table *t)
{
  const sp_batch_board *first = &t->batch->board[t->row[0].board];
  for (size_t i = 1; i < t->rows; i++) {
    const row *r = &t->row[i];
    const sp_batch_board *b = &t->batch->board[r->board];
    if (!sp_batch_same_layout(first, b))
      return sp_fail(t->err, SP_E_DATA,
                     "line %zu: '%.60s' has another layout than the first; study one layout at a time", r->line,
                     r->field[FILE_COLUMN]);
    for (size_t j = 0; j < i; j++)
      if (b->sha256[0] && strcmp(b->sha256, t->batch->board[t->row[j].board].sha256) == 0)
        return sp_fail(t->err, SP_E_DATA, "line %zu: the very same picture as line %zu; lay the board on anew and scan",
                       r->line, t->row[j].line);
  }
  return SP_OK;
}

/* ---- the answer ------------------------------------------------------------------------------------------------- */

static bool found_everywhere(const table *t, int32_t fret)
{
  for (size_t i = 0; i < t->rows; i++)
    if (!isfinite(t->batch->board[t->row[i].board].mark[fret].error_mm))
      return false;
  return true;
}

static sp_status list_frets(const table *t, sp_batch_study *s)
{
  const sp_batch_board *first = &t->batch->board[t->row[0].board];
  s->fret = calloc((size_t)first->frets, sizeof *s->fret);
  s->each = calloc((size_t)first->frets, sizeof *s->each);
  if (!s->fret || !s->each)
    return sp_fail_memory(t->err);
  for (int32_t k = 1; k <= first->frets; k++)
    if (found_everywhere(t, k))
      s->fret[s->design.blocks++] = k;
  if (!s->design.blocks)
    return sp_fail(t->err, SP_E_DATA, "no fret was found in every picture; see what keeps them from being found");
  s->tolerance_mm = first->mark[s->fret[0]].tolerance_mm;
  for (size_t b = 0; b < s->design.blocks; b++)
    for (size_t i = 0; i < t->rows; i++)
      if (!(fabs(t->batch->board[t->row[i].board].mark[s->fret[b]].tolerance_mm - s->tolerance_mm) < 1e-9))
        s->tolerance_mm = NAN;
  return SP_OK;
}

static sp_status work_out(const table *t, sp_batch_study *s)
{
  const sp_gauge_design *d = &s->design;
  const size_t block = d->parts * d->appraisers * d->trials;
  double *value = calloc(d->blocks * block, sizeof *value);
  if (!value)
    return sp_fail_memory(t->err);
  for (size_t b = 0; b < d->blocks; b++)
    for (size_t i = 0; i < t->rows; i++) {
      const row *r = &t->row[i];
      value[b * block + (r->part * d->appraisers + r->appraiser) * d->trials + r->cell] =
          t->batch->board[r->board].mark[s->fret[b]].error_mm;
    }
  sp_status status = sp_gauge_study(value, d, SP_BATCH_CONFIDENCE, &s->all, t->err);
  sp_gauge_design one = *d;
  one.blocks = 1;
  for (size_t b = 0; !status && b < d->blocks; b++)
    status = sp_gauge_study(value + b * block, &one, SP_BATCH_CONFIDENCE, &s->each[b], t->err);
  free(value);
  s->known = status == SP_OK;
  return status;
}

/* One scan of each part stays for the other statistics. */
static void keep_one_scan(const table *t)
{
  for (size_t i = 0; i < t->rows; i++)
    for (size_t j = 0; j < i; j++)
      if (t->row[j].part == t->row[i].part) {
        sp_batch_board *b = &t->batch->board[t->row[i].board];
        b->same_as = (int64_t)t->row[j].board;
        b->repeat = true;
        break;
      }
}

sp_status sp_batch_read_study(const char *path, sp_batch *batch, sp_error *err)
{
  table t = {.batch = batch, .line = 1, .err = err};
  sp_batch_study *s = &batch->study;
  sp_status status = read_table(path, &t);
  if (!status)
    status = count_cells(&t, &s->design);
  if (!status)
    status = refuse_unlike(&t);
  if (!status)
    status = list_frets(&t, s);
  if (!status)
    status = work_out(&t, s);
  if (!status)
    keep_one_scan(&t);
  free(t.row);
  return status;
}
