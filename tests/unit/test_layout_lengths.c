/* Lengths and tolerances: every form that is read, every way to be refused. */
#include "check_close.h"

#include <string.h>

#include "slotproof/layout.h"

typedef struct good {
  const char *text;
  double length_mm;
} good;

/* NIST SP 811, B.8: 1 in = 25.4 mm exactly. Tolerance 0: the double nearest the true value, as the compiler rounds it
 * too. */
static const good GOOD[] = {
    {"648mm", 648.0},
    {"647.7mm", 647.7},
    {"64.8cm", 648.0},
    {"64.77cm", 647.7},
    {"25.5in", 647.7},
    {"25 1/2in", 647.7},
    {"25-1/2in", 647.7},
    {"1/32in", 0.79375},
    {"1/64in", 0.396875},
    {"1in", 25.4},
    {"0.1in", 2.54},
    {"24.75in", 628.65},
    {"24 3/4in", 628.65},
    {"24 3/4 in", 628.65},
    {"  24  3/4\tin ", 628.65},
    {"16in", 406.4},
    {"0.023in", 0.5842}, /* usual kerf: common practice, no source */
    {"0.020in", 0.508},
    {"0.025in", 0.635},
    {"648 mm", 648.0},
    {"+648mm", 648.0},
    {".5mm", 0.5},
    {"5.mm", 5.0},
    {"0.5mm", 0.5},
    {"00648.000mm", 648.0},
    {"1/3in", 25.4 / 3.0},
    {"33/64in", 13.096875},
    {"1/2mm", 0.5},
    {"1/2cm", 5.0},
    {"250um", 0.25},
    {"250\xc2\xb5m", 0.25}, /* U+00B5 micro sign */
    {"250\xce\xbcm", 0.25}, /* U+03BC Greek mu */
    {"123456789012345um", 123456789012.345},
    {"0.000000000000001mm", 1e-15},
    {"25.500000000000000000000in", 647.7},
};

static void reads(void **state)
{
  (void)state;
  for (size_t k = 0; k < sizeof GOOD / sizeof *GOOD; k++) {
    sp_error err = {0};
    double length_mm = NAN;
    if (sp_parse_length(GOOD[k].text, SP_LENGTH_POSITIVE, &length_mm, &err) != SP_OK)
      fprintf(stderr, "'%s': %s\n", GOOD[k].text, err.text);
    check_close_(length_mm, GOOD[k].length_mm, 0.0, GOOD[k].text, __FILE__, __LINE__);
  }
}

/* Every 64th of an inch to a foot: n/64 in = 25.4 n / 64 mm; 25.4 n is 127 n / 5, so the double nearest the decimal
 * expansion (which ends) is known from its digits. */
static void every_sixty_fourth_is_correctly_rounded(void **state)
{
  (void)state;
  for (int n = 1; n <= 768; n++) {
    char text[32], decimal[32];
    double length_mm;
    snprintf(text, sizeof text, "%d/64in", n);
    assert_int_equal(sp_parse_length(text, SP_LENGTH_POSITIVE, &length_mm, NULL), SP_OK);
    /* 25.4/64 = 0.396875: exact in millionths */
    snprintf(decimal, sizeof decimal, "%d.%06dmm", n * 396875 / 1000000, n * 396875 % 1000000);
    double expected;
    assert_int_equal(sp_parse_length(decimal, SP_LENGTH_POSITIVE, &expected, NULL), SP_OK);
    check_close_(length_mm, expected, 0.0, text, __FILE__, __LINE__);
    char mixed[32];
    snprintf(mixed, sizeof mixed, "%d %d/64in", n / 64, n % 64);
    assert_int_equal(sp_parse_length(mixed, SP_LENGTH_POSITIVE, &length_mm, NULL), SP_OK);
    check_close_(length_mm, expected, 0.0, mixed, __FILE__, __LINE__);
  }
}

typedef struct bad {
  const char *text, *said;
} bad;

static const bad BAD[] = {
    {"", "empty"},
    {"   ", "empty"},
  {"5\nmm", "control character"},
  {"\x1b[31m5mm", "control character"},
    {"648", "no unit"},
    {"25 1/2", "no unit"},
    {"0", "no unit"},
    {"mm", "not a length"},
    {"-", "not a length"},
    {"nan", "not a length"},
    {"nanmm", "not a length"},
    {"inf", "not a length"},
    {"infmm", "not a length"},
    {".mm", "not a length"},
    {"/2in", "not a length"},
    {"--5mm", "not a length"},
    {"+-5mm", "not a length"},
    {"1e3mm", "unit that is known"},
    {"0x10mm", "unit that is known"},
    {"5m", "unit that is known"},
    {"5ft", "unit that is known"},
    {"5MM", "unit that is known"},
    {"5mmm", "unit that is known"},
    {"5mm5", "unit that is known"},
    {"5mm 5mm", "unit that is known"},
    {"5mm,2c", "unit that is known"},
    {"5 5mm", "not a length"},
    {"25.5 1/2in", "unit that is known"},
    {"25.5-1/2in", "unit that is known"},
    {"25.5/2in", "not a length"},
    {"25--1/2in", "unit that is known"},
    {"25 -1/2in", "unit that is known"},
    {"25- 1/2in", "unit that is known"},
    {"1.2.3mm", "unit that is known"},
    {"1/0in", "by zero"},
    {"25 1/0in", "by zero"},
    {"1/in", "not complete"},
    {"1/-2in", "not complete"},
    {"1/2/3in", "unit that is known"},
    {"1/1234567in", "not complete"},
    {"1234567/2in", "not a length"},
    {"25 1234567/2in", "not a length"},
    {"25 3/2in", "not below 1"},
    {"25 2/2in", "not below 1"},
    {"648,5mm", "comma"},
    {"1234567890123456mm", "15 digits"},
    {"0.1234567890123456mm", "15 digits"},
    {"99999999999999999999999999999999999999999999999999mm", "15 digits"},
    {"0.00000000000000000000000000000000000000000000000000000000000000000001mm", "15 digits"},
    {"-5mm", "negative"},
    {"-1/2in", "negative"},
    {"0mm", "zero"},
    {"0/2in", "zero"},
    {"-0mm", "zero"},
};

static void check_refusal(const bad *b, sp_status status, const sp_error *err)
{
  if (status != SP_E_USAGE || !strstr(err->text, b->said) || strchr(err->text, '\n')) {
    fprintf(stderr, "'%s' gave status %d, '%s', not '%s'\n", b->text, (int)status, err->text, b->said);
    fail();
  }
  assert_int_equal(err->status, SP_E_USAGE);
}

static void refuses(void **state)
{
  (void)state;
  for (size_t k = 0; k < sizeof BAD / sizeof *BAD; k++) {
    sp_error err = {0};
    double length_mm = 7.0;
    check_refusal(&BAD[k], sp_parse_length(BAD[k].text, SP_LENGTH_POSITIVE, &length_mm, &err), &err);
    assert_true(isnan(length_mm));
  }
}

static void signs(void **state)
{
  (void)state;
  double length_mm;
  sp_error err = {0};
  assert_int_equal(sp_parse_length("0mm", SP_LENGTH_NOT_NEGATIVE, &length_mm, &err), SP_OK);
  CHECK_CLOSE(length_mm, 0, 0);
  assert_int_equal(sp_parse_length("-0mm", SP_LENGTH_NOT_NEGATIVE, &length_mm, &err), SP_OK);
  assert_false(signbit(length_mm));
  assert_int_equal(sp_parse_length("-0.1mm", SP_LENGTH_NOT_NEGATIVE, &length_mm, &err), SP_E_USAGE);
  assert_int_equal(sp_parse_length("-1/2in", SP_LENGTH_SIGNED, &length_mm, &err), SP_OK);
  CHECK_CLOSE(length_mm, -12.7, 0);
  assert_int_equal(sp_parse_length("-25 1/2in", SP_LENGTH_SIGNED, &length_mm, &err), SP_OK);
  CHECK_CLOSE(length_mm, -647.7, 0);
}

/* A sentence stays one line of bounded size whatever is typed. */
static void long_input_is_cut(void **state)
{
  (void)state;
  char text[5000];
  memset(text, 'x', sizeof text);
  text[sizeof text - 1] = '\0';
  double length_mm;
  sp_error err = {0};
  assert_int_equal(sp_parse_length(text, SP_LENGTH_POSITIVE, &length_mm, &err), SP_E_USAGE);
  assert_true(strlen(err.text) < 200);
}

/* ---- tolerances ---- */

typedef struct good_tolerance {
  const char *text;
  double mm, cents; /* 0 = not given */
} good_tolerance;

static const good_tolerance GOOD_TOLERANCE[] = {
    {"0.2mm", 0.2, 0},          {"2c", 0, 2},       {"0.2mm,2c", 0.2, 2},    {"2c,0.2mm", 0.2, 2},
    {" 0.2 mm , 2 c ", 0.2, 2}, {"0.05cm", 0.5, 0}, {"1/64in", 0.396875, 0}, {"1/64in,1.5c", 0.396875, 1.5},
    {"200um", 0.2, 0},          {"0.5c", 0, 0.5},
};

static void check_part(double actual, double expected, const char *text)
{
  if (expected > 0.0)
    check_close_(actual, expected, 0.0, text, __FILE__, __LINE__);
  else
    assert_true(isnan(actual));
}

static void reads_tolerances(void **state)
{
  (void)state;
  for (size_t k = 0; k < sizeof GOOD_TOLERANCE / sizeof *GOOD_TOLERANCE; k++) {
    const good_tolerance *g = &GOOD_TOLERANCE[k];
    sp_tolerance t = {7, 7};
    sp_error err = {0};
    assert_int_equal(sp_parse_tolerance(g->text, &t, &err), SP_OK);
    check_part(t.tolerance_mm, g->mm, g->text);
    check_part(t.tolerance_cents, g->cents, g->text);
  }
}

static const bad BAD_TOLERANCE[] = {
    {"", "empty"},
    {"  ", "empty"},
  {"2c\n", "control character"},
    {",", "empty"},
    {"0.2mm,", "empty"},
    {",2c", "empty"},
    {"0.2mm,,2c", "empty"},
    {"0.2", "neither a length"},
    {"2", "neither a length"},
    {"c", "neither a length"},
    {"2cents", "neither a length"},
    {"2c2", "neither a length"},
    {"nanc", "neither a length"},
    {"infc", "neither a length"},
    {"0,2mm", "neither a length"},
    {"0.2mm2c", "neither a length"},
    {"1e-1c", "neither a length"},
    {"-2c", "neither a length"},
    {"0mm", "above zero"},
    {"-0.2mm", "above zero"},
    {"0c", "above zero"},
    {"0.2mm,0c", "above zero"},
    {"1234567890123456c", "15 digits"},
    {"0.2mm,0.3mm", "two tolerances"},
    {"2c,3c", "two tolerances"},
    {"0.2mm,2c,1c", "two tolerances"},
    {"0.2mm                                                                      ", "too long"},
};

static void refuses_tolerances(void **state)
{
  (void)state;
  for (size_t k = 0; k < sizeof BAD_TOLERANCE / sizeof *BAD_TOLERANCE; k++) {
    sp_tolerance t = {7, 7};
    sp_error err = {0};
    check_refusal(&BAD_TOLERANCE[k], sp_parse_tolerance(BAD_TOLERANCE[k].text, &t, &err), &err);
    assert_true(isnan(t.tolerance_mm) && isnan(t.tolerance_cents));
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(reads),
                                     cmocka_unit_test(every_sixty_fourth_is_correctly_rounded),
                                     cmocka_unit_test(refuses),
                                     cmocka_unit_test(signs),
                                     cmocka_unit_test(long_input_is_cut),
                                     cmocka_unit_test(reads_tolerances),
                                     cmocka_unit_test(refuses_tolerances)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
