/* Files that appear whole or not at all, in a folder made for the purpose. */
#include "check_close.h"

#include <dirent.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "slotproof/report.h"

typedef struct place {
  char folder[64], file[96], link[96];
} place;

static int make_place(void **state)
{
  place *p = calloc(1, sizeof *p);
  if (!p)
    return -1;
  strcpy(p->folder, "whole-file-XXXXXX");
  if (!mkdtemp(p->folder))
    return -1;
  snprintf(p->file, sizeof p->file, "%s/report.txt", p->folder);
  snprintf(p->link, sizeof p->link, "%s/link.txt", p->folder);
  *state = p;
  return 0;
}

static int remove_place(void **state)
{
  place *p = *state;
  unlink(p->file);
  unlink(p->link);
  const int failed = rmdir(p->folder); /* fails if anything was left behind */
  free(p);
  return failed;
}

static size_t entries(const char *folder)
{
  size_t n = 0;
  DIR *dir = opendir(folder);
  assert_non_null(dir);
  for (const struct dirent *e = readdir(dir); e; e = readdir(dir))
    n += strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0;
  closedir(dir);
  return n;
}

static void check_content(const char *path, const char *expected)
{
  char text[64] = "";
  FILE *f = fopen(path, "r");
  assert_non_null(f);
  const size_t n = fread(text, 1, sizeof text - 1, f);
  fclose(f);
  assert_int_equal(n, strlen(expected));
  assert_string_equal(text, expected);
}

static void write_whole(const char *path, const char *text)
{
  sp_whole_file w = {0};
  sp_error err = {0};
  assert_int_equal(sp_whole_file_open(path, &w, &err), SP_OK);
  fputs(text, w.file);
  assert_int_equal(sp_whole_file_finish(&w, &err), SP_OK);
  assert_int_equal(sp_whole_file_publish(&w, &err), SP_OK);
}

static void test_appears_only_when_published(void **state)
{
  const place *p = *state;
  sp_whole_file w = {0};
  assert_int_equal(sp_whole_file_open(p->file, &w, NULL), SP_OK);
  fputs("hello", w.file);
  assert_int_not_equal(access(p->file, F_OK), 0);
  assert_int_equal(sp_whole_file_publish(&w, NULL), SP_E_INTERNAL); /* not finished yet */
  assert_int_equal(sp_whole_file_finish(&w, NULL), SP_OK);
  assert_int_not_equal(access(p->file, F_OK), 0);
  assert_int_equal(sp_whole_file_publish(&w, NULL), SP_OK);
  check_content(p->file, "hello");
  assert_int_equal(entries(p->folder), 1);
  sp_whole_file_abandon(&w); /* harmless afterwards */
  check_content(p->file, "hello");
}

static void test_abandoned_leaves_the_old_one(void **state)
{
  const place *p = *state;
  sp_whole_file w = {0};
  write_whole(p->file, "old");
  assert_int_equal(sp_whole_file_open(p->file, &w, NULL), SP_OK);
  fputs("new", w.file);
  sp_whole_file_abandon(&w);
  check_content(p->file, "old");
  assert_int_equal(sp_whole_file_open(p->file, &w, NULL), SP_OK);
  fputs("new", w.file);
  assert_int_equal(sp_whole_file_finish(&w, NULL), SP_OK);
  sp_whole_file_abandon(&w); /* even when finished */
  check_content(p->file, "old");
  assert_int_equal(entries(p->folder), 1);
}

static void test_keeps_permissions(void **state)
{
  const place *p = *state;
  struct stat s;
  const mode_t mask = umask(027);
  write_whole(p->file, "one");
  umask(mask);
  assert_int_equal(stat(p->file, &s), 0);
  assert_int_equal(s.st_mode & 0777, 0640); /* 0666 less the mask, as any program would */
  assert_int_equal(chmod(p->file, 0604), 0);
  write_whole(p->file, "two");
  assert_int_equal(stat(p->file, &s), 0);
  assert_int_equal(s.st_mode & 0777, 0604);
}

static void test_follows_links(void **state)
{
  const place *p = *state;
  struct stat s;
  write_whole(p->file, "target");
  assert_int_equal(symlink("report.txt", p->link), 0);
  write_whole(p->link, "through the link");
  check_content(p->file, "through the link");
  assert_int_equal(lstat(p->link, &s), 0);
  assert_true(S_ISLNK(s.st_mode));
}

static void test_refusals(void **state)
{
  const place *p = *state;
  sp_whole_file w = {0};
  sp_error err = {0};
  char path[160];
  assert_int_equal(sp_whole_file_open(p->folder, &w, &err), SP_E_CANTCREATE);
  assert_true(strlen(err.text) > 0);
  snprintf(path, sizeof path, "%s/none/report.txt", p->folder);
  assert_int_equal(sp_whole_file_open(path, &w, NULL), SP_E_CANTCREATE);
  assert_int_equal(sp_whole_file_open("", &w, NULL), SP_E_CANTCREATE);
  assert_null(w.file);
  sp_whole_file_abandon(&w);
  assert_int_equal(entries(p->folder), 0);
}

static void test_devices_are_written_in_place(void **state)
{
  (void)state;
  struct stat s;
  sp_whole_file w = {0};
  write_whole("/dev/null", "gone");
  assert_int_equal(stat("/dev/null", &s), 0);
  assert_true(S_ISCHR(s.st_mode)); /* and not replaced by a file */
  if (access("/dev/full", W_OK) != 0)
    skip();
  assert_int_equal(sp_whole_file_open("/dev/full", &w, NULL), SP_OK);
  fputs("too much", w.file);
  assert_int_equal(sp_whole_file_finish(&w, NULL), SP_E_IO);
  sp_whole_file_abandon(&w);
  assert_int_equal(stat("/dev/full", &s), 0);
  assert_true(S_ISCHR(s.st_mode));
}

static void test_same_file(void **state)
{
  const place *p = *state;
  char other[160], dotted[160];
  write_whole(p->file, "x");
  assert_int_equal(symlink("report.txt", p->link), 0);
  snprintf(dotted, sizeof dotted, "./%s", p->file);
  snprintf(other, sizeof other, "%s/other.txt", p->folder);
  assert_true(sp_same_file(p->file, p->file));
  assert_true(sp_same_file(p->file, dotted));
  assert_true(sp_same_file(p->file, p->link));
  assert_false(sp_same_file(p->file, other));
  snprintf(dotted, sizeof dotted, "./%s/other.txt", p->folder);
  assert_true(sp_same_file(other, dotted)); /* neither exists, both would be one */
  assert_false(sp_same_file(other, "other.txt"));
  assert_true(sp_same_file("a-new-name", "./a-new-name"));
}

int main(void)
{
#define IN_PLACE(test) cmocka_unit_test_setup_teardown(test, make_place, remove_place)
  const struct CMUnitTest tests[] = {
      IN_PLACE(test_appears_only_when_published),
      IN_PLACE(test_abandoned_leaves_the_old_one),
      IN_PLACE(test_keeps_permissions),
      IN_PLACE(test_follows_links),
      IN_PLACE(test_refusals),
      IN_PLACE(test_devices_are_written_in_place),
      IN_PLACE(test_same_file),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
