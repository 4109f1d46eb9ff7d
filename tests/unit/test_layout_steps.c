/* Step lists: what is read, and every way to be refused with the line that is to blame. */
#include "check_close.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "slotproof/layout.h"

static sp_status parse(const char *text, sp_steps *steps, sp_error *err)
{
  return sp_steps_parse(text, strlen(text), steps, err);
}

static void reads(void **state)
{
  (void)state;
  sp_steps s;
  sp_error err = {0};
  /* quarter-comma meantone: fifth 696.57843, major third 386.31371 */
  assert_int_equal(
      parse("\xef\xbb\xbf# meantone, three frets\r\n\r\n 310.26471 \t# minor third\n386.31371c\n+696.57843 c#fifth", &s,
            &err),
      SP_OK);
  assert_int_equal(s.count, 3);
  CHECK_CLOSE(s.cents[0], 310.26471, 0);
  CHECK_CLOSE(s.cents[1], 386.31371, 0);
  CHECK_CLOSE(s.cents[2], 696.57843, 0);
  sp_layout l;
  assert_int_equal(sp_layout_steps(500.0, 3, s.cents, s.count, &l, &err), SP_OK);
  CHECK_CLOSE(l.position_mm[2], 100.0, 1e-5); /* 5/4: a fifth of the string */
  sp_layout_free(&l);
  sp_steps_free(&s);
  assert_null(s.cents);
  sp_steps_free(NULL);
}

typedef struct bad {
  const char *text, *said;
} bad;

static const bad BAD[] = {
    {"", "empty"},
    {"\n\n# nothing\n", "empty"},
    {"100\n0x\n", "line 2"},
    {"0\n100\n", "line 1: 0 cents is the open string"},
    {"0.000", "open string itself"},
    {"100\n100\n", "line 2: 100 cents is not above"},
    {"100\n\n# comment\n50\n", "line 4: 50 cents is not above the step before it (100)"},
    {"-5\n", "below the open string"},
    {"100\nabc\n", "line 2: 'abc' is not a number"},
    {"nan", "not a number"},
    {"inf", "not a number"},
    {"1e2", "not a number"},
    {"100 200", "not a number"},
    {"100cc", "not a number"},
    {"3/", "no ratio of whole numbers"},
    {"3.0/2", "no ratio of whole numbers"},
    {"0/2", "no ratio of whole numbers"},
    {"3/2 2", "not a number"},
    {"3/3", "a ratio of 1 is the open string"},
    {"2/3", "below the open string"},
    {"9999/1", "above 12000"},
    {"1000000/999999", "no ratio of whole numbers"},
    {"701,955", "comma"},
    {"12000.5", "above 12000"},
    {"99999999999999999", "15 digits"},
    {"100\n\x01\x02", "line 2 is too long or not text"},
    {"100.000000000000000000000000000000000000000000000000000000000000000000000000000000000000000",
     "line 1 is too long"},
};

static void refuses(void **state)
{
  (void)state;
  for (size_t k = 0; k < sizeof BAD / sizeof *BAD; k++) {
    sp_steps s;
    sp_error err = {0};
    if (parse(BAD[k].text, &s, &err) != SP_E_DATA || !strstr(err.text, BAD[k].said)) {
      fprintf(stderr, "case %zu: '%s', not '%s'\n", k, err.text, BAD[k].said);
      fail();
    }
    assert_null(s.cents);
    assert_int_equal(s.count, 0);
  }
  sp_steps s;
  sp_error err = {0};
  assert_int_equal(sp_steps_parse("100\0"
                                  "200",
                                  7, &s, &err),
                   SP_E_DATA);
  assert_non_null(strstr(err.text, "not text"));
}

static void thousand_and_one(void **state)
{
  (void)state;
  char text[8192];
  size_t at = 0;
  for (int n = 1; n <= 1000; n++)
    at += (size_t)snprintf(text + at, sizeof text - at, "%d\n", n);
  sp_steps s;
  sp_error err = {0};
  assert_int_equal(sp_steps_parse(text, at, &s, &err), SP_OK);
  assert_int_equal(s.count, SP_LAYOUT_MAX_FRETS);
  sp_steps_free(&s);
  at += (size_t)snprintf(text + at, sizeof text - at, "1001\n");
  assert_int_equal(sp_steps_parse(text, at, &s, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "line 1001: more than 1000 steps"));
}

/* A file with `size` bytes of `text`, repeated; removed by the caller. */
static void make_file(char *path, const char *text, size_t size)
{
  strcpy(path, "steps_test_XXXXXX");
  const int fd = mkstemp(path);
  assert_true(fd >= 0);
  const size_t length = strlen(text);
  for (size_t k = 0; k < size; k += length)
    assert_int_equal(write(fd, text, length), length);
  assert_int_equal(close(fd), 0);
}

static void files(void **state)
{
  (void)state;
  char path[32];
  sp_steps s;
  sp_error err = {0};
  make_file(path, "203.910\n701.955\n", 1);
  assert_int_equal(sp_steps_read(path, &s, &err), SP_OK);
  assert_int_equal(s.count, 2);
  CHECK_CLOSE(s.cents[1], 701.955, 0);
  sp_steps_free(&s);
  assert_int_equal(remove(path), 0);
  assert_int_equal(sp_steps_read(path, &s, &err), SP_E_NOINPUT);
  assert_non_null(strstr(err.text, "no such file"));
  assert_null(s.cents);
  assert_int_equal(sp_steps_read(".", &s, &err), SP_E_NOINPUT);
  assert_non_null(strstr(err.text, "folder"));
  make_file(path, "# 0123456789 0123456789 0123456789 0123456789 0123456789 0123456\n", (1 << 20) + 1);
  assert_int_equal(sp_steps_read(path, &s, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "larger than 1 MB"));
  assert_int_equal(remove(path), 0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(reads), cmocka_unit_test(refuses),
                                     cmocka_unit_test(thousand_and_one), cmocka_unit_test(files)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
