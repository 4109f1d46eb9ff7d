/* The history file: what is kept, what is refused, two writers at once, and a writer killed at any moment. */
#include "check_close.h"

#include <signal.h>
#include <sqlite3.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "batch_boards.h"
#include "report_written.h"
#include "slotproof/history.h"
#include "slotproof/report.h"

static const char FILE_NAME[] = "history-test.sqlite";

static void forget(void)
{
  unlink(FILE_NAME);
  unlink("history-test.sqlite-journal");
}

static int clean(void **state)
{
  (void)state;
  forget();
  return 0;
}

static sp_status add_board(sp_history *h, int number, double error_mm, sp_error *err)
{
  double error[SHOP_FRETS + 1] = {0};
  sp_record r, back;
  error[5] = error_mm;
  if (!shop_record(number, error, &r))
    return SP_E_INTERNAL;
  char *text = written(sp_report_json, &r);
  sp_record_free(&r);
  sp_record_init(&back);
  sp_status status = text ? sp_record_parse(text, strlen(text), &back, err) : SP_E_INTERNAL;
  if (!status)
    status = sp_history_add(h, "board.png", &back, text, strlen(text), err);
  sp_record_free(&back);
  free(text);
  return status;
}

typedef struct tally {
  size_t count;
  int number[500];
  double error_mm[500];
} tally;

static sp_status tally_one(void *context, const char *name, const char *text, size_t length, sp_error *err)
{
  tally *t = context;
  sp_record r;
  unsigned number = 0;
  (void)name;
  sp_record_init(&r);
  const sp_status status = sp_record_parse(text, length, &r, err);
  if (!status && t->count < 500 && sscanf(r.sources[0].sha256, "%x", &number) == 1) {
    t->number[t->count] = (int)number;
    t->error_mm[t->count++] = r.marks[5].error_mm;
  }
  sp_record_free(&r);
  return status;
}

static void read_all(tally *t)
{
  sp_history *h;
  sp_error err = {0};
  memset(t, 0, sizeof *t);
  if (sp_history_open(FILE_NAME, &h, &err))
    fprintf(stderr, "%s\n", err.text);
  assert_non_null(h);
  assert_int_equal(sp_history_each(h, tally_one, t, NULL), SP_OK);
  sp_history_close(h);
}

/* One number of the database, asked past the library. */
static int ask(const char *sql)
{
  sqlite3 *db;
  sqlite3_stmt *s;
  assert_int_equal(sqlite3_open(FILE_NAME, &db), SQLITE_OK);
  sqlite3_busy_timeout(db, SP_HISTORY_WAIT_MS);
  assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &s, NULL), SQLITE_OK);
  assert_int_equal(sqlite3_step(s), SQLITE_ROW);
  const int value = sqlite3_column_int(s, 0);
  sqlite3_finalize(s);
  sqlite3_close(db);
  return value;
}

static void tell(const char *sql)
{
  sqlite3 *db;
  assert_int_equal(sqlite3_open(FILE_NAME, &db), SQLITE_OK);
  assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
  sqlite3_close(db);
}

static void check_sound(void)
{
  sqlite3 *db;
  sqlite3_stmt *s;
  assert_int_equal(sqlite3_open(FILE_NAME, &db), SQLITE_OK);
  assert_int_equal(sqlite3_prepare_v2(db, "PRAGMA integrity_check", -1, &s, NULL), SQLITE_OK);
  assert_int_equal(sqlite3_step(s), SQLITE_ROW);
  assert_string_equal((const char *)sqlite3_column_text(s, 0), "ok");
  sqlite3_finalize(s);
  sqlite3_close(db);
}

static void test_keeps(void **state)
{
  (void)state;
  sp_history *h;
  tally t;
  assert_int_equal(sp_history_open(FILE_NAME, &h, NULL), SP_OK);
  for (int n = 1; n <= 3; n++)
    assert_int_equal(add_board(h, n, 0.01 * n, NULL), SP_OK);
  assert_int_equal(add_board(h, 2, 0.5, NULL), SP_OK); /* the same picture and settings, measured anew */
  sp_history_close(h);
  read_all(&t);
  assert_int_equal(t.count, 3);
  assert_int_equal(t.number[1], 2); /* it keeps its place in time */
  CHECK_CLOSE(t.error_mm[1], 0.5, 1e-9);
  assert_int_equal(ask("SELECT count(*) FROM pictures"), 3);
  assert_int_equal(ask("SELECT count(*) FROM marks"), 3 * (SHOP_FRETS + 1));
  assert_int_equal(ask("SELECT count(*) FROM marks WHERE error_mm > 0.4"), 1);
  assert_int_equal(ask("SELECT count(*) FROM boards WHERE version <> ''"), 3);
  assert_int_equal(ask("SELECT count(*) FROM boards WHERE verdict = 'out'"), 1);
}

typedef struct rows {
  size_t count;
  double worst_mm[10];
  int32_t out[10];
  int64_t checked_s[10];
} rows;

static sp_status note_row(void *context, const sp_history_row *row, sp_error *err)
{
  rows *r = context;
  (void)err;
  assert_int_equal(row->frets, SHOP_FRETS);
  assert_int_equal(row->worst_fret, 5);
  assert_string_equal(row->name, "board.png");
  r->worst_mm[r->count] = row->worst_mm;
  r->out[r->count] = row->out;
  r->checked_s[r->count++] = row->checked_s;
  return SP_OK;
}

static sp_status forget_first(void *context, const char *name, const char *text, size_t length, sp_error *err)
{
  char *identity = context;
  sp_record r;
  (void)name;
  sp_record_init(&r);
  const sp_status status = sp_record_parse(text, length, &r, err);
  if (!status && !*identity)
    sp_history_identity(&r, text, length, identity);
  sp_record_free(&r);
  return status;
}

/* A list, the latest first; one taken out leaves nothing; a history from before there were times has none. */
static void test_rows(void **state)
{
  (void)state;
  sp_history *h;
  size_t all = 0;
  rows r = {0};
  char identity[SP_SHA256_TEXT] = "";
  assert_int_equal(sp_history_open(FILE_NAME, &h, NULL), SP_OK);
  for (int n = 1; n <= 3; n++)
    assert_int_equal(add_board(h, n, n == 2 ? -0.5 : 0.01 * n, NULL), SP_OK);
  assert_int_equal(sp_history_rows(h, 2, &all, note_row, &r, NULL), SP_OK);
  assert_int_equal(all, 3);
  assert_int_equal(r.count, 2);
  CHECK_CLOSE(r.worst_mm[0], 0.03, 1e-9);
  CHECK_CLOSE(r.worst_mm[1], -0.5, 1e-9);
  assert_int_equal(r.out[0], 0);
  assert_int_equal(r.out[1], 1);
  const double age_s = difftime(time(NULL), (time_t)r.checked_s[0]);
  CHECK_BELOW(fabs(age_s), 3600.0); /* it is the time of day, not something else */
  assert_int_equal(sp_history_each(h, forget_first, identity, NULL), SP_OK);
  assert_int_equal(sp_history_forget(h, identity, NULL), SP_OK);
  assert_int_equal(sp_history_forget(h, identity, NULL), SP_OK); /* gone already */
  sp_history_close(h);
  check_sound();
  assert_int_equal(ask("SELECT count(*) FROM boards"), 2);
  assert_int_equal(ask("SELECT count(*) FROM pictures"), 2);
  assert_int_equal(ask("SELECT count(*) FROM marks"), 2 * (SHOP_FRETS + 1));
  assert_int_equal(ask("SELECT count(*) FROM times"), 2);
  tell("DROP TABLE times");
  assert_int_equal(sp_history_open(FILE_NAME, &h, NULL), SP_OK);
  r.count = 0;
  assert_int_equal(sp_history_rows(h, 10, &all, note_row, &r, NULL), SP_OK);
  sp_history_close(h);
  assert_int_equal(r.count, 2);
  assert_int_equal(r.checked_s[0], 0);
}

static void test_refuses_what_is_no_history(void **state)
{
  (void)state;
  sp_history *h;
  sp_error err = {0};
  FILE *f = fopen(FILE_NAME, "wb");
  assert_non_null(f);
  for (int i = 0; i < 100; i++)
    fputs("this is a shopping list, not a database\n", f);
  assert_int_equal(fclose(f), 0);
  assert_int_equal(sp_history_open(FILE_NAME, &h, &err), SP_E_DATA);
  assert_null(h);
  forget();
  tell("CREATE TABLE recipes(name TEXT)");
  assert_int_equal(sp_history_open(FILE_NAME, &h, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "something else"));
  assert_int_equal(ask("SELECT count(*) FROM sqlite_master"), 1); /* untouched */
  assert_int_equal(sp_history_open("none/history.sqlite", &h, &err), SP_E_CANTCREATE);
}

/* A later version has raised user_version: refused, unchanged. One that only added columns and tables: served. */
static void test_versions(void **state)
{
  (void)state;
  sp_history *h;
  sp_error err = {0};
  tally t;
  assert_int_equal(sp_history_open(FILE_NAME, &h, NULL), SP_OK);
  assert_int_equal(add_board(h, 1, 0.1, NULL), SP_OK);
  sp_history_close(h);
  tell("ALTER TABLE boards ADD COLUMN owner TEXT; ALTER TABLE marks ADD COLUMN depth_mm REAL; CREATE TABLE saws(x)");
  assert_int_equal(sp_history_open(FILE_NAME, &h, NULL), SP_OK);
  assert_int_equal(add_board(h, 2, 0.1, NULL), SP_OK);
  sp_history_close(h);
  read_all(&t);
  assert_int_equal(t.count, 2);
  tell("PRAGMA user_version = 2");
  assert_int_equal(sp_history_open(FILE_NAME, &h, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "later version"));
  assert_int_equal(ask("SELECT count(*) FROM boards"), 2);
  assert_int_equal(ask("PRAGMA user_version"), 2);
}

/* A child that adds boards first..last and ends. */
static pid_t start_writer(int first, int last)
{
  const pid_t pid = fork();
  if (pid)
    return pid;
  sp_history *h;
  sp_status status = sp_history_open(FILE_NAME, &h, NULL);
  for (int n = first; !status && n <= last; n++)
    status = add_board(h, n, 0.1, NULL);
  sp_history_close(h);
  _exit(status ? 1 : 0);
}

/* Two at once, into a file that neither finds: all boards of both arrive. */
static void test_two_writers(void **state)
{
  (void)state;
  int status;
  tally t;
  const pid_t a = start_writer(1, 40), b = start_writer(101, 140);
  assert_true(a > 0 && b > 0);
  assert_int_equal(waitpid(a, &status, 0), a);
  assert_int_equal(status, 0);
  assert_int_equal(waitpid(b, &status, 0), b);
  assert_int_equal(status, 0);
  read_all(&t);
  assert_int_equal(t.count, 80);
  assert_int_equal(ask("SELECT count(*) FROM marks"), 80 * (SHOP_FRETS + 1));
  check_sound();
}

/* Killed some fraction of a millisecond after its first board has arrived, again and again: the file stays sound,
 * boards are whole or not there, nothing that was stored is lost, and the next writer goes on. No round depends on how
 * fast the machine is. */
static void test_killed(void **state)
{
  (void)state;
  sp_history *h;
  int status, before = 0;
  assert_int_equal(sp_history_open(FILE_NAME, &h, NULL), SP_OK);
  sp_history_close(h);
  for (int round = 0; round < 12; round++) {
    const struct timespec pause = {0, 250000L * round};
    tally t;
    const pid_t writer = start_writer(before + 1, before + 30);
    assert_true(writer > 0);
    while (ask("SELECT count(*) FROM boards") == before)
      nanosleep(&(struct timespec){0, 1000000L}, NULL);
    nanosleep(&pause, NULL);
    kill(writer, SIGKILL);
    assert_int_equal(waitpid(writer, &status, 0), writer);
    read_all(&t);
    assert_true((int)t.count > before);
    before = (int)t.count;
    assert_int_equal(ask("SELECT count(*) FROM marks"), before * (SHOP_FRETS + 1));
    check_sound();
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(test_keeps, clean, clean),
      cmocka_unit_test_setup_teardown(test_rows, clean, clean),
      cmocka_unit_test_setup_teardown(test_refuses_what_is_no_history, clean, clean),
      cmocka_unit_test_setup_teardown(test_versions, clean, clean),
      cmocka_unit_test_setup_teardown(test_two_writers, clean, clean),
      cmocka_unit_test_setup_teardown(test_killed, clean, clean),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
