/* Comma-separated values after RFC 4180, read strictly: a field that is no number is refused with its line, because a
 * reading that is dropped in silence would move the answer. Allowed beyond the RFC: LF alone, a byte order mark, blank
 * lines and blanks around numbers. Quoted fields may hold commas and doubled quotes; line breaks in them make no
 * number.
 */
#include "csv.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "layout/text.h"

enum { FIELD_MAX = 64 };

typedef struct reader {
  const char *at, *end;
  size_t line;
  const sp_csv_column *column;
  size_t columns;
  size_t place[SP_CSV_MAX_COLUMNS]; /* of each field of the file: index in `column` */
  size_t fields;
} reader;

static bool at_row_end(const reader *r)
{
  return r->at == r->end || *r->at == '\n' || (*r->at == '\r' && r->at + 1 < r->end && r->at[1] == '\n');
}

static void skip_row_end(reader *r)
{
  if (r->at < r->end && *r->at == '\r')
    r->at++;
  if (r->at < r->end && *r->at == '\n')
    r->at++;
  r->line++;
}

static sp_status put(char *field, size_t *used, char c, size_t line, sp_error *err)
{
  if ((unsigned char)c < 0x20 && c != '\t')
    return sp_fail(err, SP_E_DATA, "line %zu: a field holds a line break or control character; write plain numbers",
                   line);
  if (*used + 1 >= FIELD_MAX)
    return sp_fail(err, SP_E_DATA, "line %zu: a field is too long; write plain numbers, parted by commas", line);
  field[(*used)++] = c;
  return SP_OK;
}

static sp_status quoted(reader *r, char *field, size_t *used, sp_error *err)
{
  r->at++;
  for (; r->at < r->end; r->at++) {
    if (*r->at == '"') {
      if (r->at + 1 == r->end || r->at[1] != '"') {
        r->at++;
        return SP_OK;
      }
      r->at++;
    }
    const sp_status status = put(field, used, *r->at, r->line, err);
    if (status)
      return status;
  }
  return sp_fail(err, SP_E_DATA, "line %zu: a quotation mark is not closed; close it", r->line);
}

/* One field, and the comma behind it; *last if the row ends there. */
static sp_status read_field(reader *r, char field[FIELD_MAX], bool *last, sp_error *err)
{
  size_t used = 0;
  sp_status status = SP_OK;
  const bool quotes = r->at < r->end && *r->at == '"';
  if (quotes)
    status = quoted(r, field, &used, err);
  while (!status && !at_row_end(r) && *r->at != ',') {
    if (quotes || *r->at == '"')
      return sp_fail(err, SP_E_DATA, "line %zu: a quotation mark stands inside a field; quote the whole field",
                     r->line);
    status = put(field, &used, *r->at++, r->line, err);
  }
  if (status)
    return status;
  field[used] = '\0';
  *last = at_row_end(r);
  if (!*last)
    r->at++;
  return SP_OK;
}

static void trim(char *field)
{
  const char *start = sp_skip_blanks(field);
  size_t length = strlen(start);
  memmove(field, start, length + 1);
  while (length > 0 && (field[length - 1] == ' ' || field[length - 1] == '\t'))
    field[--length] = '\0';
}

static sp_status name_column(reader *r, const char *name, sp_error *err)
{
  size_t c = 0;
  while (c < r->columns && strcmp(name, r->column[c].name) != 0)
    c++;
  if (c == r->columns)
    return sp_fail(err, SP_E_DATA, "line %zu: '%.40s' is no column name; the first line names the columns, as %s,%s",
                   r->line, name, r->column[0].name, r->column[1].name);
  for (size_t f = 0; f < r->fields; f++)
    if (r->place[f] == c)
      return sp_fail(err, SP_E_DATA, "line %zu: column '%.40s' is named twice; leave one out", r->line, name);
  r->place[r->fields++] = c;
  return SP_OK;
}

static sp_status read_names(reader *r, sp_error *err)
{
  char field[FIELD_MAX];
  bool last = false;
  while (!last) {
    sp_status status = read_field(r, field, &last, err);
    trim(field);
    if (!status)
      status = name_column(r, field, err);
    if (status)
      return status;
  }
  for (size_t c = 0; c < r->columns; c++) {
    bool there = !r->column[c].needed;
    for (size_t f = 0; f < r->fields; f++)
      there = there || r->place[f] == c;
    if (!there)
      return sp_fail(err, SP_E_DATA, "line %zu: column '%s' is missing; add it", r->line, r->column[c].name);
  }
  return SP_OK;
}

static sp_status read_number(const reader *r, const char *field, const sp_csv_column *c, double *value, sp_error *err)
{
  const char *at = field;
  sp_decimal decimal;
  *value = NAN;
  if (!*field) {
    if (c->needed)
      return sp_fail(err, SP_E_DATA, "line %zu: '%s' is empty; fill it in or take the line out", r->line, c->name);
    return SP_OK;
  }
  const bool negative = *at == '-';
  if (*at == '-' || *at == '+')
    at++;
  if (sp_read_decimal(&at, &decimal) != SP_DECIMAL_OK || *at)
    return sp_fail(err, SP_E_DATA, "line %zu: '%.40s' is no number for '%s'; write it as 12.5, without unit", r->line,
                   field, c->name);
  const double size = sp_decimal_value(decimal.digits, decimal.decimals);
  *value = negative ? -size : size;
  if (*value >= c->least && *value <= c->most)
    return SP_OK;
  return sp_fail(err, SP_E_DATA, "line %zu: '%.40s' is not from %g to %g, as '%s' must be; correct it", r->line, field,
                 c->least, c->most, c->name);
}

static sp_status read_row(reader *r, double value[SP_CSV_MAX_COLUMNS], sp_error *err)
{
  char field[FIELD_MAX];
  bool last = false;
  size_t f = 0;
  for (size_t c = 0; c < r->columns; c++)
    value[c] = NAN;
  for (; !last; f++) {
    sp_status status = read_field(r, field, &last, err);
    if (!status && f >= r->fields)
      status = sp_fail(err, SP_E_DATA, "line %zu has more fields than the first line names; correct it", r->line);
    if (status)
      return status;
    trim(field);
    status = read_number(r, field, &r->column[r->place[f]], &value[r->place[f]], err);
    if (status)
      return status;
  }
  if (f < r->fields)
    return sp_fail(err, SP_E_DATA, "line %zu has fewer fields than the first line names; correct it", r->line);
  return SP_OK;
}

static bool blank_row(const reader *r)
{
  const char *at = r->at;
  while (at < r->end && (*at == ' ' || *at == '\t' || *at == '\r'))
    at++;
  return at == r->end || *at == '\n';
}

static void skip_blank_rows(reader *r)
{
  while (r->at < r->end && blank_row(r)) {
    while (!at_row_end(r))
      r->at++;
    skip_row_end(r);
  }
}

sp_status sp_csv_read(const char *text, size_t length, const sp_csv_column *column, size_t columns, sp_csv_row row,
                      void *context, sp_error *err)
{
  reader r = {.at = text, .end = text + length, .line = 1, .column = column, .columns = columns};
  double value[SP_CSV_MAX_COLUMNS];
  size_t rows = 0;
  if (length >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0)
    r.at += 3;
  skip_blank_rows(&r);
  sp_status status = read_names(&r, err);
  for (; !status; rows++) {
    skip_row_end(&r);
    skip_blank_rows(&r);
    if (r.at == r.end)
      break;
    status = read_row(&r, value, err);
    if (!status)
      status = row(value, r.line, context, err);
  }
  if (!status && !rows)
    return sp_fail(err, SP_E_DATA, "there is no line below the column names; add one a string or reading");
  return status;
}
