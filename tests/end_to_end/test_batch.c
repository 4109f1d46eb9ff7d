/* Many boards through the program: the same bytes whatever the number of workers or the way there, runs that are killed
 * and go on, two runs at once. Called with the program as its one argument.
 *
 * The boards are small (120 mm, seven frets, 300 dpi), of an invented workshop whose template puts fret 4 0.15 mm too
 * near the bridge. */
#define _XOPEN_SOURCE 700
#include <signal.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "check_close.h"
#include "outside.h"
#include "render.h"

enum { BOARDS = 6, FRETS = 7 };
#define OPTIONS "--scale-length 120mm --frets 7 --reference-mpe 0.02mm "

static void draw_board(int number, const char *path)
{
  static const char *const SETTINGS[] = {"scale_length_mm=120", "frets=7",          "nut_width_mm=24",
                                         "end_width_mm=28",     "contrast=-0.5",    "margin_mm=4",
                                         "line_width_mm=0.14",  "rule_width_mm=12", "placement_sd_mm=0.02",
                                         "misplace=4:+0.15"};
  char message[RENDER_MESSAGE] = "";
  render_params params;
  render_image image;
  render_truth *truth = malloc(sizeof *truth);
  assert_non_null(truth);
  render_params_init(&params);
  params.seed = (uint64_t)(4100 + number);
  params.dpi = 300.0;
  for (size_t i = 0; i < sizeof SETTINGS / sizeof *SETTINGS; i++)
    assert_true(render_params_set(&params, SETTINGS[i], message));
  assert_true(render_board(&params, &image, truth, message));
  assert_true(render_write_png(&image, path, message));
  render_image_free(&image);
  render_truth_free(truth);
  free(truth);
}

static int enter(void **state)
{
  (void)state;
  if (mkdir("scans", 0755) != 0)
    return -1;
  for (int i = 1; i <= BOARDS; i++) {
    char path[60];
    snprintf(path, sizeof path, "scans/board%d.png", i);
    draw_board(i, path);
  }
  FILE *f = fopen("scans/broken.png", "wb");
  if (!f)
    return -1;
  fputs("no picture", f);
  return fclose(f);
}

/* Output of a run, kept. */
static char *output_of(const char *arguments, int status)
{
  const outside_result *r = outside_run(arguments);
  if (r->status != status)
    fprintf(stderr, "%s\n  status %d, wanted %d\n%s\n", arguments, r->status, status, r->err);
  assert_int_equal(r->status, status);
  char *text = strdup(r->out);
  assert_non_null(text);
  return text;
}

static void check_same_output(const char *a, const char *b, int status)
{
  char *x = output_of(a, status), *y = output_of(b, status);
  assert_string_equal(x, y);
  free(x);
  free(y);
}

static void test_any_number_of_workers(void **state)
{
  (void)state;
  char *one = output_of("batch " OPTIONS "--workers 1 --format json scans", 2);
  char *complaint = strdup(outside_run("batch " OPTIONS "--workers 1 scans")->err);
  assert_int_equal(strncmp(complaint, "slotproof: scans/broken.png: ", 29), 0);
  assert_int_equal(strchr(complaint, '\n') + 1 - complaint,
                   strlen(complaint)); /* one line, and no progress in a pipe */
  static const char *const OTHERS[] = {"--workers 3", "--workers 40", "--workers 2 --results made",
                                       "--workers 2 --results made"};
  for (size_t i = 0; i < sizeof OTHERS / sizeof *OTHERS; i++) {
    char line[300];
    snprintf(line, sizeof line, "batch " OPTIONS "%s --format json scans", OTHERS[i]);
    char *other = output_of(line, 2);
    assert_string_equal(other, one);
    assert_string_equal(outside_run(line)->err, complaint);
    free(other);
  }
  free(one);
  free(complaint);
}

/* Worst first, the template's fret named, against the truth: fret 4 is 0.15 mm off on every board. */
static void test_template_is_found(void **state)
{
  (void)state;
  cJSON *r = outside_json("batch " OPTIONS "scans/board*", 0);
  assert_string_equal(word(r, "schema"), "slotproof/batch/1");
  assert_int_equal(cJSON_GetArraySize(member(r, "boards")), BOARDS);
  const cJSON *group = cJSON_GetArrayItem(member(r, "groups"), 0);
  assert_int_equal(cJSON_GetArraySize(member(group, "boards")), BOARDS);
  for (int k = 0; k < FRETS; k++) {
    const cJSON *fret = cJSON_GetArrayItem(member(group, "per_fret"), k);
    assert_int_equal(cJSON_IsTrue(member(fret, "systematic")), k + 1 == 4);
    if (k + 1 == 4)
      CHECK_CLOSE(number(fret, "mean_mm"), 0.15,
                  0.006); /* the renderer's fret 4 is exact, its nut too; the rule's MPE */
  }
  cJSON_Delete(r);
}

/* Records of single checks, in any order, give the figures of the pictures. */
static void test_records_merge(void **state)
{
  (void)state;
  assert_int_equal(mkdir("records", 0755), 0);
  for (int i = BOARDS; i >= 1; i--) {
    char line[300];
    snprintf(line, sizeof line, "check " OPTIONS "--format json --output records/board%d.json scans/board%d.png", i, i);
    assert_int_equal(outside_run(line)->status, 0);
  }
  check_same_output("batch --format json records",
                    "batch --format json records/board6.json records/board[2-5].json "
                    "records/board1.json records/board2.json",
                    0);
  cJSON *pictures = outside_json("batch " OPTIONS "scans/board*", 0), *records = outside_json("batch records", 0);
  cJSON *a = cJSON_Duplicate(member(pictures, "groups"), 1), *b = cJSON_Duplicate(member(records, "groups"), 1);
  assert_true(cJSON_Compare(a, b, 1));
  cJSON_Delete(a);
  cJSON_Delete(b);
  cJSON_Delete(pictures);
  cJSON_Delete(records);
}

static struct timespec changed(const char *path)
{
  struct stat about;
  assert_int_equal(stat(path, &about), 0);
  return about.st_mtim;
}

static bool same_time(struct timespec a, struct timespec b)
{
  return a.tv_sec == b.tv_sec && a.tv_nsec == b.tv_nsec;
}

/* A finished record stands as long as picture, options and overlay do; else that board alone is done again. */
static void test_goes_on(void **state)
{
  (void)state;
  const char run[] = "batch " OPTIONS "--results kept --overlays scans";
  char *first = output_of(run, 2);
  const struct timespec one = changed("kept/board1.json"), two = changed("kept/board2.json");
  const struct timespec three = changed("kept/board3.json");
  assert_int_equal(access("kept/broken.json", F_OK), -1);
  draw_board(77, "scans/board1.png"); /* another picture under the name */
  assert_int_equal(unlink("kept/board2.png"), 0);
  char *second = output_of(run, 2);
  assert_false(same_time(one, changed("kept/board1.json")));
  assert_false(same_time(two, changed("kept/board2.json")));
  assert_true(same_time(three, changed("kept/board3.json")));
  assert_int_equal(access("kept/board2.png", F_OK), 0);
  draw_board(1, "scans/board1.png");
  char *third = output_of(run, 2);
  assert_string_equal(third, first);
  assert_string_not_equal(second, first);
  free(output_of("batch " OPTIONS "--tolerance 0.01mm --results kept scans", 1));
  assert_false(same_time(three, changed("kept/board3.json"))); /* other options */
  free(first);
  free(second);
  free(third);
}

/* A folder of results, overlays beside their records, stands for the records. */
static void test_folder_of_results(void **state)
{
  (void)state;
  check_same_output("batch --format csv kept", "batch --format csv kept/*.json", 1);
}

static pid_t start(const char *arguments)
{
  const pid_t pid = fork();
  if (pid)
    return pid;
  setpgid(0, 0);
  const char *program = getenv("SLOTPROOF_UNDER_TEST");
  char line[2000];
  snprintf(line, sizeof line, "exec '%s' %s >/dev/null 2>&1", program, arguments);
  execl("/bin/sh", "sh", "-c", line, (char *)NULL);
  _exit(127);
}

static void pause_ms(long ms)
{
  const struct timespec t = {ms / 1000, 1000000L * (ms % 1000)};
  nanosleep(&t, NULL);
}

static int count_json(const char *folder)
{
  int n = 0;
  for (int i = 1; i <= BOARDS; i++) {
    char path[100];
    snprintf(path, sizeof path, "%s/board%d.json", folder, i);
    char *text = outside_text(path);
    if (!text)
      continue;
    cJSON *record = cJSON_Parse(text); /* whole or not at all */
    assert_non_null(record);
    cJSON_Delete(record);
    free(text);
    n++;
  }
  return n;
}

/* Killed with all its children at several moments, then run to the end: the outcome is that of a run in peace. */
static void test_killed_and_run_again(void **state)
{
  (void)state;
  const char run[] = "batch " OPTIONS "--workers 2 --results cut --history cut.sqlite scans";
  int status;
  for (int round = 1; round <= 4; round++) {
    const pid_t pid = start(run);
    assert_true(pid > 0);
    pause_ms(120L * round);
    kill(-pid, SIGKILL);
    assert_int_equal(waitpid(pid, &status, 0), pid);
    count_json("cut");
  }
  char *after = output_of("batch " OPTIONS "--workers 2 --results cut --history cut.sqlite --format json scans", 2);
  char *plain = output_of("batch " OPTIONS "--format json scans", 2);
  assert_string_equal(after, plain);
  assert_int_equal(count_json("cut"), BOARDS);
  free(after);
  free(plain);
}

/* SIGINT: boards in work are finished, nothing half done stays, and the status is the signal's. */
static void test_interrupted(void **state)
{
  (void)state;
  int status;
  const pid_t pid = start("batch " OPTIONS "--workers 1 --results broken-off scans");
  assert_true(pid > 0);
  while (access("broken-off/board1.json", F_OK) != 0)
    pause_ms(5);
  kill(pid, SIGINT);
  assert_int_equal(waitpid(pid, &status, 0), pid);
  assert_true(WIFSIGNALED(status) && WTERMSIG(status) == SIGINT);
  assert_in_range(count_json("broken-off"), 1, BOARDS - 1);
  const outside_result *r = outside_run("batch --format csv broken-off");
  assert_int_equal(r->status, 0);
}

static int ask(const char *file, const char *sql)
{
  sqlite3 *db;
  sqlite3_stmt *s;
  assert_int_equal(sqlite3_open(file, &db), SQLITE_OK);
  assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &s, NULL), SQLITE_OK);
  assert_int_equal(sqlite3_step(s), SQLITE_ROW);
  const int value = sqlite3_column_int(s, 0);
  sqlite3_finalize(s);
  sqlite3_close(db);
  return value;
}

/* Two runs at once into one history and one folder. */
static void test_two_at_once(void **state)
{
  (void)state;
  int status;
  const pid_t a = start("batch " OPTIONS "--results both --history both.sqlite scans/board[1-4].png");
  const pid_t b = start("batch " OPTIONS "--results both --history both.sqlite scans/board[3-6].png");
  assert_true(a > 0 && b > 0);
  assert_int_equal(waitpid(a, &status, 0), a);
  assert_int_equal(WEXITSTATUS(status), 0);
  assert_int_equal(waitpid(b, &status, 0), b);
  assert_int_equal(WEXITSTATUS(status), 0);
  assert_int_equal(ask("both.sqlite", "SELECT count(*) FROM boards"), BOARDS);
  assert_int_equal(ask("both.sqlite", "SELECT count(*) FROM marks"), BOARDS * (FRETS + 1));
  assert_int_equal(count_json("both"), BOARDS);
}

/* What the history holds is summed up with the boards of today, and alone. */
static void test_history_counts(void **state)
{
  (void)state;
  free(output_of("batch " OPTIONS "--history slow.sqlite scans/board[1-4].png", 0));
  cJSON *r = outside_json("batch " OPTIONS "--history slow.sqlite scans/board[4-6].png", 0);
  const cJSON *group = cJSON_GetArrayItem(member(r, "groups"), 0);
  assert_int_equal(cJSON_GetArraySize(member(group, "boards")), BOARDS);
  assert_int_equal(cJSON_GetArraySize(member(r, "boards")), BOARDS);
  cJSON_Delete(r);
  check_same_output("batch --history slow.sqlite", "batch --history slow.sqlite", 0);
  r = outside_json("batch --history slow.sqlite", 0);
  assert_int_equal(cJSON_GetArraySize(member(cJSON_GetArrayItem(member(r, "groups"), 0), "boards")), BOARDS);
  cJSON_Delete(r);
}

/* The study's figures reach the report. */
static void test_study(void **state)
{
  (void)state;
  FILE *f = fopen("study.csv", "wb");
  assert_non_null(f);
  fputs("file,part,appraiser,trial\nboard1.png,a,Ann,1\nboard2.png,a,Ann,2\nboard3.png,b,Ann,1\nboard4.png,b,Ann,2\n",
        f);
  assert_int_equal(fclose(f), 0);
  const outside_result *refused = outside_run("batch --study study.csv records");
  assert_int_equal(refused->status, 65);
  assert_non_null(strstr(refused->err, "line 2"));
  cJSON *r = outside_json("batch " OPTIONS "--study study.csv scans/board[1-4]*", 0);
  const cJSON *study = member(r, "study");
  assert_int_equal(number(study, "parts"), 2);
  assert_int_equal(number(study, "appraisers"), 1);
  assert_int_equal(number(study, "trials"), 2);
  assert_true(number(member(study, "anova"), "gauge_mm") > 0.0);
  assert_int_equal(cJSON_GetArraySize(member(cJSON_GetArrayItem(member(r, "groups"), 0), "boards")), 2);
  cJSON_Delete(r);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_any_number_of_workers), cmocka_unit_test(test_template_is_found),
      cmocka_unit_test(test_records_merge),         cmocka_unit_test(test_goes_on),
      cmocka_unit_test(test_folder_of_results),     cmocka_unit_test(test_killed_and_run_again),
      cmocka_unit_test(test_interrupted),           cmocka_unit_test(test_two_at_once),
      cmocka_unit_test(test_history_counts),        cmocka_unit_test(test_study),
  };
  char *full = argc == 2 ? realpath(argv[1], NULL) : NULL;
  if (!full || setenv("SLOTPROOF_UNDER_TEST", full, 1) != 0 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_batch PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  free(full);
  const int failed = cmocka_run_group_tests(tests, enter, NULL);
  return outside_leave() != 0 ? 2 : failed;
}
