/* The history file.
 *
 * Rollback journal, not write-ahead log: one file beside the database while a transaction lasts, none after it, and it
 * works on network drives, where shops keep such files. SQLite writes the journal out before it touches the database
 * (synchronous = FULL), so a run that is killed at any moment leaves either the whole board or nothing of it. A second
 * run that finds the file locked waits (busy timeout); BEGIN IMMEDIATE takes the lock at once, so no transaction starts
 * with a read and then fails to write.
 *
 * Versions: application_id says that the file is a history, user_version which. Later versions of the schema only add
 * tables and columns, and raise user_version only if an older program must not write any more; so a newer number is
 * refused, and every statement below names its columns. */
#include "slotproof/history.h"

#include <errno.h>
#include <math.h>
#include <sqlite3.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/check.h"

/* "slpf" */
enum { APPLICATION_ID = 0x736c7066 };

struct sp_history {
  sqlite3 *db;
};

static const char SCHEMA[] =
    "CREATE TABLE pictures(sha256 TEXT PRIMARY KEY, file TEXT NOT NULL, width_px INTEGER NOT NULL, height_px INTEGER "
    "NOT "
    "NULL);"
    "CREATE TABLE boards(id INTEGER PRIMARY KEY AUTOINCREMENT, identity TEXT NOT NULL UNIQUE, name TEXT NOT NULL,"
    " picture_sha256 TEXT REFERENCES pictures(sha256), settings TEXT, version TEXT NOT NULL,"
    " scale_length_mm REAL NOT NULL, frets INTEGER NOT NULL, divisions INTEGER, marks_kind TEXT NOT NULL,"
    " verdict TEXT NOT NULL, record TEXT NOT NULL);"
    "CREATE TABLE marks(board INTEGER NOT NULL REFERENCES boards(id), fret INTEGER NOT NULL, state TEXT NOT NULL,"
    " x_mm REAL, layout_mm REAL NOT NULL, error_mm REAL, error_cents REAL, u_mm REAL, expanded_u_mm REAL,"
    " squareness_deg REAL, width_mm REAL, verdict TEXT NOT NULL, PRIMARY KEY(board, fret)) WITHOUT ROWID;";

/* Added to histories that have none yet. */
static const char TIMES[] =
    "CREATE TABLE IF NOT EXISTS times(board INTEGER PRIMARY KEY REFERENCES boards(id), checked_s INTEGER NOT NULL)";

static sp_status broken(const sp_history *h, sp_error *err)
{
  const int code = sqlite3_errcode(h->db) & 0xff;
  if (code == SQLITE_NOTADB || code == SQLITE_CORRUPT)
    return sp_fail(err, SP_E_DATA, "is not a history, or is damaged (%s); name another file", sqlite3_errmsg(h->db));
  if (code == SQLITE_CANTOPEN || code == SQLITE_READONLY || code == SQLITE_PERM)
    return sp_fail(err, SP_E_CANTCREATE, "cannot be written (%s); name a place that may be written to",
                   sqlite3_errmsg(h->db));
  if (code == SQLITE_BUSY || code == SQLITE_LOCKED)
    return sp_fail(err, SP_E_IO, "is held by another program; wait until that has ended and run again");
  if (code == SQLITE_NOMEM)
    return sp_fail_memory(err);
  return sp_fail(err, SP_E_IO, "could not be read or written (%s); check the disk and run again",
                 sqlite3_errmsg(h->db));
}

static sp_status execute(sp_history *h, const char *sql, sp_error *err)
{
  return sqlite3_exec(h->db, sql, NULL, NULL, NULL) == SQLITE_OK ? SP_OK : broken(h, err);
}

/* The one whole number that the query gives. */
static sp_status ask_number(sp_history *h, const char *sql, int *value, sp_error *err)
{
  sqlite3_stmt *s = NULL;
  const bool fine = sqlite3_prepare_v2(h->db, sql, -1, &s, NULL) == SQLITE_OK && sqlite3_step(s) == SQLITE_ROW;
  *value = fine ? sqlite3_column_int(s, 0) : 0;
  const sp_status status = fine ? SP_OK : broken(h, err);
  sqlite3_finalize(s);
  return status;
}

/* Makes the tables in a fresh file; refuses what is none of ours. Called with the write lock held, so that two runs
 * cannot both find it fresh. */
static sp_status settle_schema(sp_history *h, sp_error *err)
{
  int id = 0, version = 0, tables = 0;
  char sql[120];
  sp_status status = ask_number(h, "PRAGMA application_id", &id, err);
  if (!status)
    status = ask_number(h, "PRAGMA user_version", &version, err);
  if (!status)
    status = ask_number(h, "SELECT count(*) FROM sqlite_master", &tables, err);
  if (status)
    return status;
  if (id == APPLICATION_ID && version > SP_HISTORY_VERSION)
    return sp_fail(err, SP_E_DATA,
                   "was written by a later version of the program (history %d, this one knows %d); "
                   "use that version, or name another file",
                   version, SP_HISTORY_VERSION);
  if (id == APPLICATION_ID && version >= 1)
    return execute(h, TIMES, err);
  if (id || version || tables)
    return sp_fail(err, SP_E_DATA, "is a database of something else; name another file");
  snprintf(sql, sizeof sql, "PRAGMA application_id = %d; PRAGMA user_version = %d", APPLICATION_ID, SP_HISTORY_VERSION);
  status = execute(h, SCHEMA, err);
  if (!status)
    status = execute(h, TIMES, err);
  return status ? status : execute(h, sql, err);
}

/* COMMIT, or ROLLBACK if something has failed. */
static sp_status end_transaction(sp_history *h, sp_status status, sp_error *err)
{
  if (!status)
    status = execute(h, "COMMIT", err);
  if (status && !sqlite3_get_autocommit(h->db))
    sqlite3_exec(h->db, "ROLLBACK", NULL, NULL, NULL);
  return status;
}

sp_status sp_history_open(const char *path, sp_history **history, sp_error *err)
{
  sp_history *h = calloc(1, sizeof *h);
  *history = NULL;
  if (!h)
    return sp_fail_memory(err);
  const int flags = SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX;
  sp_status status = sqlite3_open_v2(path, &h->db, flags, NULL) == SQLITE_OK ? SP_OK : broken(h, err);
  if (!status) {
    sqlite3_busy_timeout(h->db, SP_HISTORY_WAIT_MS);
    status = execute(h, "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; BEGIN IMMEDIATE", err);
    if (!status)
      status = end_transaction(h, settle_schema(h, err), err);
  }
  if (status) {
    sp_history_close(h);
    return status;
  }
  *history = h;
  return SP_OK;
}

void sp_history_close(sp_history *h)
{
  if (!h)
    return;
  sqlite3_close_v2(h->db);
  free(h);
}

void sp_history_pictures(const sp_record *record, char digest[SP_SHA256_TEXT])
{
  char all[SP_MOST_PIECES * SP_SHA256_TEXT];
  size_t n = 0;
  digest[0] = '\0';
  if (!record->source_count || record->source_count > SP_MOST_PIECES)
    return;
  for (size_t i = 0; i < record->source_count; i++) {
    if (!record->sources[i].sha256[0])
      return;
    memcpy(all + n, record->sources[i].sha256, SP_SHA256_TEXT - 1);
    n += SP_SHA256_TEXT - 1;
  }
  if (record->source_count == 1)
    memcpy(digest, record->sources[0].sha256, SP_SHA256_TEXT);
  else
    sp_sha256(all, n, digest);
}

void sp_history_identity(const sp_record *record, const char *text, size_t length, char identity[SP_SHA256_TEXT])
{
  char picture[SP_SHA256_TEXT];
  sp_history_pictures(record, picture);
  if (!*picture || !record->settings) {
    sp_sha256(text, length, identity);
    return;
  }
  char both[2 * SP_SHA256_TEXT];
  sp_sha256(record->settings, strlen(record->settings), identity);
  snprintf(both, sizeof both, "%s%s", picture, identity);
  sp_sha256(both, strlen(both), identity);
}

/* ---- one board -------------------------------------------------------------------------------------------------- */

/* Binds one value a format letter: t text (NULL = NULL), d double (NAN = NULL), i int64. */
static int bind_text(sqlite3_stmt *s, int at, const char *text)
{
  return text ? sqlite3_bind_text(s, at, text, -1, SQLITE_STATIC) : sqlite3_bind_null(s, at);
}

static int bind_real(sqlite3_stmt *s, int at, double value)
{
  return isfinite(value) ? sqlite3_bind_double(s, at, value) : sqlite3_bind_null(s, at);
}

static sp_status prepare(sp_history *h, const char *sql, sqlite3_stmt **s, sp_error *err)
{
  return sqlite3_prepare_v2(h->db, sql, -1, s, NULL) == SQLITE_OK ? SP_OK : broken(h, err);
}

/* Runs a bound statement to its end. */
static sp_status finish(sp_history *h, sqlite3_stmt *s, sp_error *err)
{
  int code = sqlite3_step(s);
  while (code == SQLITE_ROW)
    code = sqlite3_step(s);
  const sp_status status = code == SQLITE_DONE ? SP_OK : broken(h, err);
  sqlite3_finalize(s);
  return status;
}

static sp_status add_picture(sp_history *h, const sp_source_record *source, sp_error *err)
{
  sqlite3_stmt *s = NULL;
  const sp_status status = prepare(h,
                                   "INSERT INTO pictures(sha256, file, width_px, height_px) VALUES(?, ?, ?, ?) "
                                   "ON CONFLICT(sha256) DO UPDATE SET file = excluded.file",
                                   &s, err);
  if (status)
    return status;
  bind_text(s, 1, source->sha256);
  bind_text(s, 2, source->file);
  sqlite3_bind_int64(s, 3, source->width_px);
  sqlite3_bind_int64(s, 4, source->height_px);
  return finish(h, s, err);
}

static sp_status add_board(sp_history *h, const char *name, const sp_record *r, const char *text, size_t length,
                           const char *identity, sp_error *err)
{
  sqlite3_stmt *s = NULL;
  const sp_status status =
      prepare(h,
              "INSERT INTO boards(identity, name, picture_sha256, settings, version, scale_length_mm, frets, "
              "divisions, marks_kind, verdict, record) VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "
              "ON CONFLICT(identity) DO UPDATE SET name = excluded.name, version = excluded.version, "
              "verdict = excluded.verdict, record = excluded.record",
              &s, err);
  if (status)
    return status;
  const bool picture = r->source_count == 1 && r->sources[0].sha256[0];
  bind_text(s, 1, identity);
  bind_text(s, 2, name);
  bind_text(s, 3, picture ? r->sources[0].sha256 : NULL);
  bind_text(s, 4, r->settings);
  bind_text(s, 5, r->version);
  bind_real(s, 6, r->scale_length_mm);
  sqlite3_bind_int(s, 7, r->frets);
  bind_real(s, 8, r->divisions > 0 ? (double)r->divisions : NAN);
  bind_text(s, 9, sp_mark_kind_word(r->marks_kind));
  bind_text(s, 10, sp_verdict_word(r->verdict));
  sqlite3_bind_text64(s, 11, text, length, SQLITE_STATIC, SQLITE_UTF8);
  return finish(h, s, err);
}

/* A statement whose one argument is the identity. */
static sp_status execute_for(sp_history *h, const char *sql, const char *identity, sp_error *err)
{
  sqlite3_stmt *s = NULL;
  const sp_status status = prepare(h, sql, &s, err);
  if (status)
    return status;
  bind_text(s, 1, identity);
  return finish(h, s, err);
}

static sp_status clear_marks(sp_history *h, const char *identity, sp_error *err)
{
  return execute_for(h, "DELETE FROM marks WHERE board = (SELECT id FROM boards WHERE identity = ?)", identity, err);
}

static sp_status note_time(sp_history *h, const char *identity, sp_error *err)
{
  return execute_for(h,
                     "INSERT OR IGNORE INTO times(board, checked_s) SELECT id, strftime('%s', 'now') FROM boards "
                     "WHERE identity = ?",
                     identity, err);
}

static sp_status add_mark(sp_history *h, const char *identity, const sp_mark_record *m, sp_error *err)
{
  sqlite3_stmt *s = NULL;
  const sp_status status =
      prepare(h,
              "INSERT INTO marks(board, fret, state, x_mm, layout_mm, error_mm, error_cents, u_mm, expanded_u_mm, "
              "squareness_deg, width_mm, verdict) SELECT id, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? FROM boards WHERE "
              "identity = ?",
              &s, err);
  if (status)
    return status;
  sqlite3_bind_int(s, 1, m->fret);
  bind_text(s, 2, m->found ? "found" : "missing");
  const double value[] = {m->x_mm, m->layout_mm,     m->error_mm,       m->error_cents,
                          m->u_mm, m->expanded_u_mm, m->squareness_deg, m->width_mm};
  for (int i = 0; i < 8; i++)
    bind_real(s, 3 + i, value[i]);
  bind_text(s, 11, sp_verdict_word(m->verdict));
  bind_text(s, 12, identity);
  return finish(h, s, err);
}

sp_status sp_history_add(sp_history *h, const char *name, const sp_record *r, const char *text, size_t length,
                         sp_error *err)
{
  char identity[SP_SHA256_TEXT];
  sp_history_identity(r, text, length, identity);
  sp_status status = execute(h, "BEGIN IMMEDIATE", err);
  if (status)
    return status;
  if (r->source_count == 1 && r->sources[0].sha256[0])
    status = add_picture(h, &r->sources[0], err);
  if (!status)
    status = add_board(h, name, r, text, length, identity, err);
  if (!status)
    status = clear_marks(h, identity, err);
  if (!status)
    status = note_time(h, identity, err);
  for (size_t i = 0; !status && i < r->mark_count; i++)
    status = add_mark(h, identity, &r->marks[i], err);
  return end_transaction(h, status, err);
}

sp_status sp_history_each(sp_history *h, sp_history_visit visit, void *context, sp_error *err)
{
  sqlite3_stmt *s = NULL;
  sp_status status = prepare(h, "SELECT name, record FROM boards ORDER BY id", &s, err);
  int code = SQLITE_DONE;
  while (!status && (code = sqlite3_step(s)) == SQLITE_ROW) {
    const char *name = (const char *)sqlite3_column_text(s, 0), *text = (const char *)sqlite3_column_text(s, 1);
    const int length = sqlite3_column_bytes(s, 1);
    status = name && text ? visit(context, name, text, (size_t)length, err) : sp_fail_memory(err);
  }
  if (!status && code != SQLITE_DONE)
    status = broken(h, err);
  sqlite3_finalize(s);
  return status;
}

sp_status sp_history_forget(sp_history *h, const char *identity, sp_error *err)
{
  sp_status status = execute(h, "BEGIN IMMEDIATE", err);
  if (status)
    return status;
  status = clear_marks(h, identity, err);
  if (!status)
    status =
        execute_for(h, "DELETE FROM times WHERE board = (SELECT id FROM boards WHERE identity = ?)", identity, err);
  if (!status)
    status = execute_for(h, "DELETE FROM boards WHERE identity = ?", identity, err);
  if (!status)
    status = execute(h,
                     "DELETE FROM pictures WHERE sha256 NOT IN (SELECT picture_sha256 FROM boards WHERE "
                     "picture_sha256 IS NOT NULL)",
                     err);
  return end_transaction(h, status, err);
}

static const char ROWS[] =
    "SELECT b.name, b.verdict, b.marks_kind, b.scale_length_mm, b.frets, b.divisions,"
    " (SELECT count(*) FROM marks m WHERE m.board = b.id AND m.fret > 0 AND m.verdict = 'out'),"
    " (SELECT count(*) FROM marks m WHERE m.board = b.id AND m.fret > 0 AND m.verdict = 'undecided'),"
    " (SELECT count(*) FROM marks m WHERE m.board = b.id AND m.fret > 0 AND m.verdict = 'missing'),"
    " w.error_mm, w.fret, t.checked_s FROM boards b LEFT JOIN times t ON t.board = b.id"
    " LEFT JOIN marks w ON w.board = b.id AND w.fret = (SELECT m.fret FROM marks m WHERE m.board = b.id AND m.fret > 0"
    " AND m.error_mm IS NOT NULL ORDER BY abs(m.error_mm) DESC, m.fret LIMIT 1) ORDER BY b.id DESC LIMIT ?";

static double real_of(sqlite3_stmt *s, int column)
{
  return sqlite3_column_type(s, column) == SQLITE_NULL ? NAN : sqlite3_column_double(s, column);
}

static sp_status visit_row(sqlite3_stmt *s, sp_history_visit_row visit, void *context, sp_error *err)
{
  const sp_history_row row = {.name = (const char *)sqlite3_column_text(s, 0),
                              .verdict = (const char *)sqlite3_column_text(s, 1),
                              .marks_kind = (const char *)sqlite3_column_text(s, 2),
                              .scale_length_mm = real_of(s, 3),
                              .frets = sqlite3_column_int(s, 4),
                              .divisions = sqlite3_column_int(s, 5),
                              .out = sqlite3_column_int(s, 6),
                              .undecided = sqlite3_column_int(s, 7),
                              .missing = sqlite3_column_int(s, 8),
                              .worst_mm = real_of(s, 9),
                              .worst_fret = sqlite3_column_int(s, 10),
                              .checked_s = sqlite3_column_int64(s, 11)};
  return row.name && row.verdict && row.marks_kind ? visit(context, &row, err) : sp_fail_memory(err);
}

sp_status sp_history_rows(sp_history *h, size_t most, size_t *all, sp_history_visit_row visit, void *context,
                          sp_error *err)
{
  sqlite3_stmt *s = NULL;
  int count = 0, code = SQLITE_DONE;
  sp_status status = ask_number(h, "SELECT count(*) FROM boards", &count, err);
  *all = count > 0 ? (size_t)count : 0;
  if (!status)
    status = prepare(h, ROWS, &s, err);
  if (!status)
    sqlite3_bind_int64(s, 1, (sqlite3_int64)most);
  while (!status && (code = sqlite3_step(s)) == SQLITE_ROW)
    status = visit_row(s, visit, context, err);
  if (!status && code != SQLITE_DONE)
    status = broken(h, err);
  sqlite3_finalize(s);
  return status;
}
