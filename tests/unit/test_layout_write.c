/* The layout as text, CSV and JSON, read back and compared with the layout itself. */
#include "check_close.h"

#include <cjson/cJSON.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/layout.h"

static char *written(const sp_layout *l, sp_layout_format format)
{
  static char text[200000];
  FILE *file = tmpfile();
  sp_error err = {0};
  assert_non_null(file);
  assert_int_equal(sp_layout_write(l, NULL, format, file, &err), SP_OK);
  rewind(file);
  const size_t length = fread(text, 1, sizeof text - 1, file);
  text[length] = '\0';
  fclose(file);
  return text;
}

static sp_layout guitar(void)
{
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(647.7, 24, 12, &l, &err), SP_OK);
  return l;
}

static sp_layout steps(void)
{
  static const double CENTS[3] = {203.910, 498.045, 701.955};
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_steps(600.0, 3, CENTS, 3, &l, &err), SP_OK);
  return l;
}

static const char *next_line(const char *text)
{
  const char *end = strchr(text, '\n');
  assert_non_null(end);
  return end + 1;
}

static void text_table(void **state)
{
  (void)state;
  sp_layout l = guitar();
  const char *at = written(&l, SP_LAYOUT_TEXT);
  assert_int_equal(strncmp(at, "Scale length 647.700 mm (25.5000 in), 24 frets, 12 equal divisions", 66), 0);
  for (const char *line = at; *line; line = next_line(line))
    assert_true(strcspn(line, "\n") <= 100);
  at = strstr(at, "fret    from nut");
  assert_non_null(at);
  at = next_line(at);
  double nut_mm, saddle_mm;
  assert_int_equal(sscanf(at, " nut %lf %lf", &nut_mm, &saddle_mm), 2);
  CHECK_CLOSE(nut_mm, 0, 0);
  CHECK_CLOSE(saddle_mm, 647.7, 5e-4);
  for (int n = 1; n <= 24; n++) {
    int fret;
    double from_nut, from_last, to_saddle, cents;
    at = next_line(at);
    assert_int_equal(sscanf(at, "%d %lf %lf %lf %lf c\n", &fret, &from_nut, &from_last, &to_saddle, &cents), 5);
    const sp_layout_row row = sp_layout_row_at(&l, n);
    assert_int_equal(fret, n);
    CHECK_CLOSE(from_nut, row.from_nut_mm, 5.01e-4);
    CHECK_CLOSE(from_last, row.from_previous_mm, 5.01e-4);
    CHECK_CLOSE(to_saddle, row.to_saddle_mm, 5.01e-4);
    CHECK_CLOSE(cents, row.cents_per_tenth_mm, 5.01e-4);
  }
  assert_string_equal(next_line(at), "");
  sp_layout_free(&l);
}

static void text_table_of_steps(void **state)
{
  (void)state;
  sp_layout l = steps();
  const char *at = written(&l, SP_LAYOUT_TEXT);
  assert_non_null(strstr(at, "steps as listed"));
  at = strstr(at, "701.955");
  assert_non_null(at);
  double cents, from_nut;
  assert_int_equal(sscanf(at, "%lf %lf", &cents, &from_nut), 2);
  CHECK_CLOSE(from_nut, 200.0, 5.01e-4);
  sp_layout_free(&l);
}

/* RFC 4180: CR LF after every record, the header first, as many fields everywhere. */
static void csv(void **state)
{
  (void)state;
  sp_layout l = guitar();
  const char *at = written(&l, SP_LAYOUT_CSV);
  const char *header = "fret,cents,from_nut_mm,from_previous_mm,to_saddle_mm,cents_per_mm,cents_per_tenth_mm\r\n";
  assert_int_equal(strncmp(at, header, strlen(header)), 0);
  size_t lines = 0;
  for (const char *line = at; *line; line = next_line(line), lines++) {
    const size_t length = strcspn(line, "\n");
    size_t commas = 0;
    assert_int_equal(line[length - 1], '\r');
    for (size_t k = 0; k < length; k++)
      commas += line[k] == ',';
    assert_int_equal(commas, 6);
  }
  assert_int_equal(lines, 26);
  at = next_line(at);
  assert_int_equal(strncmp(at, "0,0.000000,0.000000,,647.700000,", 32), 0); /* nothing before the nut: an empty field */
  for (int n = 1; n <= 24; n++) {
    int fret;
    double v[6];
    at = next_line(at);
    assert_int_equal(sscanf(at, "%d,%lf,%lf,%lf,%lf,%lf,%lf\r\n", &fret, &v[0], &v[1], &v[2], &v[3], &v[4], &v[5]), 7);
    const sp_layout_row row = sp_layout_row_at(&l, n);
    assert_int_equal(fret, n);
    CHECK_CLOSE(v[0], row.cents, 5.1e-7);
    CHECK_CLOSE(v[1], row.from_nut_mm, 5.1e-7);
    CHECK_CLOSE(v[2], row.from_previous_mm, 5.1e-7);
    CHECK_CLOSE(v[3], row.to_saddle_mm, 5.1e-7);
    CHECK_CLOSE(v[4], row.cents_per_mm, 5.1e-7);
    CHECK_CLOSE(v[5], row.cents_per_tenth_mm, 5.1e-7);
  }
  sp_layout_free(&l);
}

static double number(const cJSON *object, const char *name)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
  assert_true(cJSON_IsNumber(item));
  return item->valuedouble;
}

static void check_json(const sp_layout *l)
{
  cJSON *root = cJSON_Parse(written(l, SP_LAYOUT_JSON));
  assert_non_null(root);
  assert_string_equal(cJSON_GetObjectItemCaseSensitive(root, "schema")->valuestring, "slotproof/layout/1");
  CHECK_CLOSE(number(root, "scale_length_mm"), l->scale_length_mm, 1e-9);
  CHECK_CLOSE(number(root, "frets"), l->frets, 0);
  if (l->divisions)
    CHECK_CLOSE(number(root, "divisions"), l->divisions, 0);
  else
    assert_true(cJSON_IsNull(cJSON_GetObjectItemCaseSensitive(root, "divisions")));
  const cJSON *positions = cJSON_GetObjectItemCaseSensitive(root, "positions");
  assert_int_equal(cJSON_GetArraySize(positions), l->frets + 1);
  for (int n = 0; n <= l->frets; n++) {
    const cJSON *p = cJSON_GetArrayItem(positions, n);
    const sp_layout_row row = sp_layout_row_at(l, n);
    CHECK_CLOSE(number(p, "fret"), n, 0);
    CHECK_CLOSE(number(p, "cents"), row.cents, 1e-9);
    CHECK_CLOSE(number(p, "from_nut_mm"), row.from_nut_mm, 1e-9);
    CHECK_CLOSE(number(p, "to_saddle_mm"), row.to_saddle_mm, 1e-9);
    CHECK_CLOSE(number(p, "cents_per_mm"), row.cents_per_mm, 1e-9);
    if (n)
      CHECK_CLOSE(number(p, "from_previous_mm"), row.from_previous_mm, 1e-9);
    else
      assert_true(cJSON_IsNull(cJSON_GetObjectItemCaseSensitive(p, "from_previous_mm")));
    if (isfinite(row.cents_per_tenth_mm))
      CHECK_CLOSE(number(p, "cents_per_tenth_mm"), row.cents_per_tenth_mm, 1e-9);
    else
      assert_true(cJSON_IsNull(cJSON_GetObjectItemCaseSensitive(p, "cents_per_tenth_mm")));
  }
  cJSON_Delete(root);
}

static void json(void **state)
{
  (void)state;
  sp_layout l = guitar();
  check_json(&l);
  sp_layout_free(&l);
  l = steps();
  check_json(&l);
  sp_layout_free(&l);
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(20.0, 96, 12, &l, &err), SP_OK); /* the last frets have no 0.1 mm left: null */
  check_json(&l);
  sp_layout_free(&l);
}

/* A full disk must not pass for a written layout. */
static void full_disk(void **state)
{
  (void)state;
  sp_layout l = guitar();
  for (int format = SP_LAYOUT_TEXT; format <= SP_LAYOUT_JSON; format++) {
    FILE *file = fopen("/dev/full", "w");
    sp_error err = {0};
    if (!file) {
      sp_layout_free(&l);
      skip();
    }
    assert_int_equal(sp_layout_write(&l, NULL, (sp_layout_format)format, file, &err), SP_E_IO);
    assert_non_null(strstr(err.text, "disk"));
    fclose(file);
  }
  sp_layout_free(&l);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(text_table), cmocka_unit_test(text_table_of_steps),
                                     cmocka_unit_test(csv), cmocka_unit_test(json), cmocka_unit_test(full_disk)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
