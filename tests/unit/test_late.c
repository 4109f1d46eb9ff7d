/* Libraries that are loaded when they are first needed. */
#include <stdio.h>
#include <string.h>

#include "check_close.h"
#include "late/late_internal.h"

static void all_are_there(void **state)
{
  (void)state;
  const sp_late all[] = {SP_LATE_BRIDGE, SP_LATE_CAIRO, SP_LATE_HEIF, SP_LATE_MICROHTTPD};
  for (size_t i = 0; i < sizeof all / sizeof *all; i++)
    for (int again = 0; again < 2; again++) {
      sp_error err = {0};
      assert_int_equal(sp_late_library(all[i], &err), SP_OK);
      assert_string_equal(err.text, "");
    }
}

/* What is found is the library's own function: cairo's manual has its version's number from its text, as
 * 10000 major + 100 minor + micro. */
static void functions_are_the_library_s(void **state)
{
  (void)state;
  int (*number)(void);
  const char *(*text)(void);
  int major, minor, micro;
  late_find(SP_LATE_CAIRO, "cairo_version", &number, sizeof number);
  late_find(SP_LATE_CAIRO, "cairo_version_string", &text, sizeof text);
  assert_int_equal(sscanf(text(), "%d.%d.%d", &major, &minor, &micro), 3);
  assert_int_equal(number(), 10000 * major + 100 * minor + micro);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(all_are_there),
      cmocka_unit_test(functions_are_the_library_s),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
