/* Settings, orders, and the queue with workers that are not ours: one that fails, one that never ends. */
#define _GNU_SOURCE /* mkdtemp, nftw */
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "check_close.h"
#include "slotproof/jobs.h"

/* ---- settings --------------------------------------------------------------------------------------------------- */

static void check_setting(const char *name, const char *value, sp_status status)
{
  sp_job_settings s = {{{0}}};
  sp_error err = {0};
  if (sp_settings_set(&s, name, value, &err) != status)
    fail_msg("%s = '%s': %s", name, value, err.text);
  assert_true(status == SP_OK || strlen(err.text) > 10);
}

static void test_settings(void **state)
{
  (void)state;
  check_setting("scale_length", "25 1/2 in", SP_OK);
  check_setting("scale_length", "648mm", SP_OK);
  check_setting("scale_length", "648", SP_E_USAGE);
  check_setting("scale_length", "-648mm", SP_E_USAGE);
  check_setting("scale_length", "--output=x", SP_E_USAGE);
  check_setting("frets", "22", SP_OK);
  check_setting("frets", "0", SP_E_USAGE);
  check_setting("frets", "201", SP_E_USAGE);
  check_setting("frets", "2.5", SP_E_USAGE);
  check_setting("tolerance", "0.2mm,2c", SP_OK);
  check_setting("tolerance", "2", SP_E_USAGE);
  check_setting("marks", "slot", SP_OK);
  check_setting("marks", "slo", SP_E_USAGE);
  check_setting("marks", "knife slot", SP_E_USAGE);
  check_setting("reference_mpe", "0mm", SP_OK);
  check_setting("reference_height", "-1mm", SP_OK);
  check_setting("temperature", "23", SP_OK);
  check_setting("temperature", "nan", SP_E_USAGE);
  check_setting("temperature", "1e1", SP_E_USAGE);
  check_setting("output", "x", SP_E_USAGE);
  check_setting("frets", "11111111111111111111111111111111111111111111111111111111111111111111111111111111111111",
                SP_E_USAGE);
}

static sp_job_settings usual(void)
{
  sp_job_settings s = {{{0}}};
  assert_int_equal(sp_settings_set(&s, "scale_length", "381 mm", NULL), SP_OK);
  assert_int_equal(sp_settings_set(&s, "frets", "14", NULL), SP_OK);
  return s;
}

static void test_complete(void **state)
{
  (void)state;
  const char *field = NULL;
  sp_error err = {0};
  sp_job_settings s = usual();
  assert_int_equal(sp_settings_complete(&s, NULL, 1, &field, &err), SP_OK);
  assert_int_equal(sp_settings_set(&s, "frets", "", &err), SP_OK);
  assert_int_equal(sp_settings_complete(&s, NULL, 1, &field, &err), SP_E_USAGE);
  assert_string_equal(field, "frets");
}

/* ---- orders ----------------------------------------------------------------------------------------------------- */

static void check_name(const char *name, const char *wanted)
{
  char clean[SP_JOB_NAME];
  sp_job_clean_name(name, clean);
  assert_string_equal(clean, wanted);
}

static void test_names(void **state)
{
  (void)state;
  char lengthy[400], clean[SP_JOB_NAME];
  check_name("board.png", "board.png");
  check_name("../../etc/passwd", "passwd");
  check_name("C:\\scans\\board.png", "board.png");
  check_name("a/b\\c.png", "c.png");
  check_name("..", "picture");
  check_name("scans/", "picture");
  check_name("", "picture");
  check_name("a\nb", "a\xef\xbf\xbd"
                     "b");
  for (size_t i = 0; i + 2 < sizeof lengthy; i += 2)
    memcpy(lengthy + i, "\xc3\xa9", 3); /* e with acute, two bytes: none may be cut in two */
  sp_job_clean_name(lengthy, clean);
  assert_int_equal(strlen(clean), SP_JOB_NAME - 2);
}

static void test_order_comes_back(void **state)
{
  (void)state;
  sp_job_order order = {.name = "board \"7\".png", .created_s = 1700000000, .applied = 1, .run = 7}, back;
  order.settings = usual();
  order.board = strdup("name = Dunlin\nzero fret = yes\n");
  order.pieces = (sp_job_pieces){.count = 2, .name = {"left.png", "right.png"}, .file = {1, 0}};
  const sp_correction one = {SP_CORRECTION_MARK_HERE, {120.5, 44.0}, NAN, 0, ""},
                      two = {SP_CORRECTION_GRADUATION, {10.0, 20.0}, 25.4, 0, ""};
  assert_int_equal(sp_corrections_add(&order.said, &one, NULL), SP_OK);
  assert_int_equal(sp_corrections_add(&order.said, &two, NULL), SP_OK);
  char *text = sp_job_order_text(&order);
  assert_non_null(text);
  assert_int_equal(sp_job_order_parse(text, &back, NULL), SP_OK);
  assert_string_equal(back.name, order.name);
  assert_int_equal(back.created_s, order.created_s);
  assert_int_equal(back.run, 7);
  assert_int_equal(back.applied, 1);
  assert_int_equal(back.said.count, 2);
  CHECK_CLOSE(back.said.list[0].at_px.x, 120.5, 0.0);
  CHECK_CLOSE(back.said.list[1].reading_mm, 25.4, 0.0);
  assert_memory_equal(&back.settings, &order.settings, sizeof order.settings);
  assert_string_equal(back.board, order.board);
  assert_memory_equal(&back.pieces, &order.pieces, sizeof order.pieces);
  sp_job_order_free(&back);
  sp_job_order_free(&order);
  free(text);
  static const char *const WRONG[] = {"",
                                      "{}",
                                      "[]",
                                      "{\"schema\":\"slotproof/job/1\"}",
                                      "{\"schema\":\"slotproof/job/1\",\"name\":\"a\",\"run\":-1,\"applied\":0}",
                                      "{\"schema\":\"slotproof/job/2\",\"name\":\"a\",\"run\":1,\"applied\":0}",
                                      "{\"schema\":\"slotproof/job/1\",\"name\":\"a\",\"run\":1,\"applied\":0,"
                                      "\"pieces\":[{\"name\":\"a\",\"file\":0},{\"name\":\"b\",\"file\":0}]}",
                                      "{\"schema\":\"slotproof/job/1\",\"name\":\"a\",\"run\":1,\"applied\":0,"
                                      "\"pieces\":[{\"name\":\"a\",\"file\":0},{\"name\":\"b\",\"file\":2}]}"};
  for (size_t i = 0; i < sizeof WRONG / sizeof *WRONG; i++)
    assert_int_equal(sp_job_order_parse(WRONG[i], &back, NULL), SP_E_DATA);
}

/* ---- the queue -------------------------------------------------------------------------------------------------- */

static char folder[] = "jobs-XXXXXX";
static sp_store store;

static void write_script(const char *name, const char *text)
{
  FILE *file = fopen(name, "w");
  assert_non_null(file);
  fprintf(file, "#!/bin/sh\n%s\n", text);
  assert_int_equal(fclose(file), 0);
  assert_int_equal(chmod(name, 0700), 0);
}

static sp_status add(sp_jobs *jobs, char id[SP_STORE_ID], sp_error *err)
{
  const sp_job_order order = {.name = "board.png", .settings = usual()};
  int fd;
  sp_status status = sp_jobs_reserve(jobs, err);
  if (status)
    return status;
  assert_int_equal(sp_store_new_id(id, err), SP_OK);
  assert_int_equal(sp_store_begin(&store, id, &fd, err), SP_OK);
  assert_int_equal(write(fd, "picture", 7), 7);
  close(fd);
  status = sp_jobs_add(jobs, id, &order, err);
  return status;
}

static void wait_for_state(sp_jobs *jobs, const char *id, const char *wanted)
{
  const struct timespec pause = {0, 10000000};
  for (int i = 0; i < 2000; i++) {
    cJSON *tree = sp_jobs_tree(jobs, id);
    assert_non_null(tree);
    const bool there = strcmp(cJSON_GetObjectItem(tree, "state")->valuestring, wanted) == 0;
    cJSON_Delete(tree);
    if (there)
      return;
    nanosleep(&pause, NULL);
  }
  fail_msg("the job never comes to be %s", wanted);
}

static void check_failure(sp_jobs *jobs, const char *id, const char *sentence)
{
  wait_for_state(jobs, id, "failed");
  cJSON *tree = sp_jobs_tree(jobs, id);
  assert_non_null(strstr(cJSON_GetObjectItem(tree, "failure")->valuestring, sentence));
  cJSON_Delete(tree);
}

static sp_jobs *open_jobs(const char *program, unsigned seconds)
{
  const sp_jobs_options o = {
      .program = program, .workers = 1, .waiting_most = 2, .count_most = 6, .seconds_most = seconds};
  sp_jobs *jobs = NULL;
  sp_error err = {0};
  assert_int_equal(sp_store_open("data", &store, &err), SP_OK);
  assert_int_equal(sp_jobs_open(&store, &o, &jobs, &err), SP_OK);
  return jobs;
}

static void close_jobs(sp_jobs *jobs)
{
  sp_jobs_close(jobs);
  sp_store_close(&store);
}

static void test_worker_says_why(void **state)
{
  (void)state;
  char id[SP_STORE_ID];
  sp_error err = {0};
  write_script("says", "echo 'slotproof: board.png: has no lines; scan again' >&2; exit 65");
  sp_jobs *jobs = open_jobs("./says", 20);
  assert_int_equal(add(jobs, id, &err), SP_OK);
  check_failure(jobs, id, "board.png: has no lines; scan again");
  close_jobs(jobs);
  jobs = open_jobs("./says", 20); /* known at the next start, too */
  check_failure(jobs, id, "board.png: has no lines; scan again");
  assert_int_equal(sp_jobs_remove(jobs, id, true, &err), SP_OK);
  assert_null(sp_jobs_tree(jobs, id));
  close_jobs(jobs);
}

static void test_worker_is_killed(void **state)
{
  (void)state;
  static const char *const SCRIPTS[][2] = {
      {"kill -SEGV $$", "broke off"},
      {"exit 3", "broke off"},
      {"kill -XCPU $$", "too long"},
      {"echo \"terminate called after throwing an instance of 'std::bad_alloc'\" >&2; kill -ABRT $$", "more memory"}};
  for (size_t i = 0; i < sizeof SCRIPTS / sizeof *SCRIPTS; i++) {
    char id[SP_STORE_ID];
    sp_error err = {0};
    write_script("dies", SCRIPTS[i][0]);
    sp_jobs *jobs = open_jobs("./dies", 20);
    assert_int_equal(add(jobs, id, &err), SP_OK);
    check_failure(jobs, id, SCRIPTS[i][1]);
    assert_int_equal(sp_jobs_remove(jobs, id, true, &err), SP_OK);
    close_jobs(jobs);
  }
}

/* One that closes its streams, starts another and goes on is ended all the same. */
static void test_time_is_up(void **state)
{
  (void)state;
  char id[SP_STORE_ID];
  sp_error err = {0};
  write_script("stays", "exec 2>&- 3>&-; sleep 100 & sleep 100");
  sp_jobs *jobs = open_jobs("./stays", 1);
  assert_int_equal(add(jobs, id, &err), SP_OK);
  check_failure(jobs, id, "too long");
  assert_int_equal(sp_jobs_remove(jobs, id, true, &err), SP_OK);
  close_jobs(jobs);
}

static void test_queue_is_bounded(void **state)
{
  (void)state;
  char ids[3][SP_STORE_ID], more[SP_STORE_ID];
  sp_error err = {0};
  write_script("hangs", "echo scale >&3; sleep 100");
  sp_jobs *jobs = open_jobs("./hangs", 100);
  assert_int_equal(add(jobs, ids[0], &err), SP_OK);
  wait_for_state(jobs, ids[0], "working");
  assert_int_equal(add(jobs, ids[1], &err), SP_OK);
  assert_int_equal(add(jobs, ids[2], &err), SP_OK);
  assert_int_equal(add(jobs, more, &err), SP_E_USAGE);
  assert_non_null(strstr(err.text, "waiting"));
  assert_int_equal(sp_jobs_remove(jobs, ids[0], true, &err), SP_OK); /* also while it is being measured */
  wait_for_state(jobs, ids[1], "working");
  assert_int_equal(add(jobs, more, &err), SP_OK);
  close_jobs(jobs); /* ends the worker at once */
  write_script("hangs", "echo 'slotproof: x: begun again' >&2; exit 65");
  jobs = open_jobs("./hangs", 20);
  check_failure(jobs, ids[1], "begun again");
  check_failure(jobs, ids[2], "begun again");
  check_failure(jobs, more, "begun again");
  close_jobs(jobs);
}

static void test_program_is_missing(void **state)
{
  (void)state;
  char id[SP_STORE_ID];
  sp_error err = {0};
  sp_jobs *jobs = open_jobs("./nowhere", 20);
  assert_int_equal(add(jobs, id, &err), SP_OK);
  check_failure(jobs, id, "could not start");
  close_jobs(jobs);
}

static int remove_one(const char *path, const struct stat *info, int kind, struct FTW *where)
{
  (void)info, (void)kind, (void)where;
  return remove(path);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_settings),
      cmocka_unit_test(test_complete),
      cmocka_unit_test(test_names),
      cmocka_unit_test(test_order_comes_back),
      cmocka_unit_test(test_worker_says_why),
      cmocka_unit_test(test_worker_is_killed),
      cmocka_unit_test(test_time_is_up),
      cmocka_unit_test(test_queue_is_bounded),
      cmocka_unit_test(test_program_is_missing),
  };
  if (!mkdtemp(folder) || chdir(folder) != 0)
    return 1;
  const int failed = cmocka_run_group_tests(tests, NULL, NULL);
  return chdir("..") != 0 || nftw(folder, remove_one, 8, FTW_DEPTH | FTW_PHYS) != 0 || failed;
}
