/* The built program on the four samples, against the truth each was drawn from. Called with the program as its one
 * argument.
 *
 * The truth comes from the renderer, which shares no code with what is measured here. What the record must satisfy
 * within itself is worked out again from its own numbers by the published formulas: equal temperament x = L (1 -
 * 2^(-n/12)); cents 1200 log2 of a ratio of lengths (A. J. Ellis, 1885); expanded uncertainty U = 2 u (JCGM 100, 6.2);
 * decision by a guard band of U (ISO 14253-1); a maximum permissible error as a rectangular distribution (JCGM
 * 100, 4.3.7). */
#include <stdlib.h>
#include <string.h>

#include <png.h>

#include "check_close.h"
#include "outside.h"

typedef struct sample {
  const char *name, *arguments;
  int status;
  int frets;
  double limit_mm;               /* measured less true error; for the last one see dunlin's own test */
  double limit_square_deg;       /* measured less true squareness */
  cJSON *record, *exact, *truth; /* as a maker runs it; with --reference-mpe 0mm; what was drawn */
} sample;

enum { SANDPIPER, KITTIWAKE, CURLEW, DUNLIN, SAMPLE_COUNT };

/* Limits: about three times what was found when the test was written, so a loss of accuracy shows. The graduations of
 * the samples' rule wander by 0.002 mm themselves. */
static sample samples[SAMPLE_COUNT] = {
    {"sandpiper", "check --scale-length 352mm --frets 14", 0, 14, 0.006, 0.03, NULL, NULL, NULL},
    {"kittiwake", "check --scale-length 381mm --frets 14", 1, 14, 0.006, 0.03, NULL, NULL, NULL},
    {"curlew", "check --scale-length 427mm --frets 12 --marks slot", 0, 12, 0.006, 0.03, NULL, NULL, NULL},
    {"dunlin", "check --scale-length 366mm --frets 14", 2, 14, 0.1, 0.2, NULL, NULL, NULL},
};

static const double DEFAULT_TOLERANCE_MM = 0.2;
static const double GRADE_1_MPE_MM = 0.15; /* JIS B 7516 steel rules, grade 1, up to 500 mm */

static cJSON *check(const sample *s, const char *more, int status)
{
  char line[2000];
  snprintf(line, sizeof line, "%s %s '%s/%s.png'", s->arguments, more, SAMPLES_DIR, s->name);
  return outside_json(line, status);
}

static const cJSON *true_mark(const sample *s, int fret)
{
  return mark(s->truth, fret);
}

static bool found(const cJSON *m)
{
  return strcmp(word(m, "state"), "found") == 0;
}

/* ---- the record's form ------------------------------------------------------------------------------------------ */

static void check_finite(const cJSON *item)
{
  if (cJSON_IsNumber(item))
    assert_true(isfinite(item->valuedouble));
  for (const cJSON *child = item->child; child; child = child->next)
    check_finite(child);
}

static void check_numbers(const cJSON *object, const char *const *keys)
{
  for (; *keys; keys++)
    number(object, *keys);
}

static void check_nulls(const cJSON *object, const char *const *keys)
{
  for (; *keys; keys++) {
    if (!is_null(object, *keys))
      fprintf(stderr, "\"%s\" is not null\n", *keys);
    assert_true(is_null(object, *keys));
  }
}

static const char *const MARK_NUMBERS[] = {"x_mm",          "error_mm",         "error_cents",    "u_mm",
                                           "expanded_u_mm", "expanded_u_cents", "squareness_deg", NULL};

static void check_mark_form(const sample *s, int fret)
{
  static const char *const NOT_OF_A_MISSING_ONE[] = {
      "x_mm",     "error_mm", "error_cents", "u_mm", "expanded_u_mm", "expanded_u_cents", "squareness_deg",
      "width_mm", "end_a_px", "end_b_px",    NULL};
  const cJSON *m = mark(s->record, fret);
  const bool end = fret == 0 && strcmp(word(member(s->record, "datum"), "kind"), "end") == 0;
  number(m, "layout_mm");
  if (!found(m)) {
    assert_string_equal(word(m, "state"), "missing");
    assert_string_equal(word(m, "verdict"), "missing");
    check_nulls(m, NOT_OF_A_MISSING_ONE);
    return;
  }
  check_numbers(m, MARK_NUMBERS);
  if (end)
    assert_true(is_null(m, "width_mm"));
  else
    CHECK_CLOSE(number(m, "width_mm"), 0.5, 0.5);
  for (int axis = 0; axis < 2; axis++)
    assert_true(coordinate(m, "end_a_px", axis) > -1.0 && coordinate(m, "end_b_px", axis) > -1.0);
}

static void check_form(const sample *s)
{
  static const char *const REFERENCE[] = {"graduation_mm", "graduations_used", "px_per_mm", "fit_rms_mm",
                                          "span_mm",       "mpe_mm",           NULL};
  static const char *const FIT[] = {"scale_length_mm", "u_scale_length_mm", "offset_mm", "residual_rms_mm", NULL};
  const cJSON *r = s->record, *source = cJSON_GetArrayItem(member(r, "source"), 0);
  assert_string_equal(word(r, "schema"), "slotproof/record/1");
  check_finite(r);
  assert_int_equal(cJSON_GetArraySize(member(r, "source")), 1);
  assert_non_null(strstr(word(source, "file"), s->name));
  CHECK_CLOSE(number(source, "width_px"), number(s->truth, "width_px"), 0.0);
  CHECK_CLOSE(number(source, "height_px"), number(s->truth, "height_px"), 0.0);
  CHECK_CLOSE(number(source, "stated_dpi"), 600.0, 0.01);
  CHECK_CLOSE(number(member(r, "layout"), "frets"), s->frets, 0.0);
  CHECK_CLOSE(number(member(r, "layout"), "divisions"), 12, 0.0);
  assert_string_equal(word(member(r, "reference"), "kind"), "rule");
  check_numbers(member(r, "reference"), REFERENCE);
  check_numbers(member(r, "fit"), FIT);
  number(member(r, "datum"), "u_mm");
  CHECK_CLOSE(number(r, "tolerance_mm"), DEFAULT_TOLERANCE_MM, 1e-12);
  assert_true(is_null(r, "tolerance_cents"));
  assert_int_equal(cJSON_GetArraySize(member(r, "marks")), s->frets + 1);
  assert_true(cJSON_IsArray(member(r, "stray")) && cJSON_IsArray(member(r, "findings")) &&
              cJSON_IsArray(member(r, "warnings")));
  for (int fret = 0; fret <= s->frets; fret++)
    check_mark_form(s, fret);
}

static void test_form(void **state)
{
  (void)state;
  for (int i = 0; i < SAMPLE_COUNT; i++)
    check_form(&samples[i]);
}

/* ---- the record against itself ---------------------------------------------------------------------------------- */

static const char *decided(double error_mm, double expanded_mm)
{
  if (fabs(error_mm) + expanded_mm <= DEFAULT_TOLERANCE_MM)
    return "within";
  return fabs(error_mm) - expanded_mm > DEFAULT_TOLERANCE_MM ? "out" : "undecided";
}

static void check_arithmetic(const sample *s, int fret)
{
  const cJSON *m = mark(s->record, fret), *reference = member(s->record, "reference");
  const double length = number(member(s->record, "layout"), "scale_length_mm");
  const double layout = length * (1.0 - exp2(-fret / 12.0));
  CHECK_CLOSE(number(m, "layout_mm"), layout, 1e-6);
  if (!found(m))
    return;
  const double x = number(m, "x_mm"), error = number(m, "error_mm"), u = number(m, "u_mm");
  CHECK_CLOSE(error, x - layout, 1e-6);
  CHECK_CLOSE(number(m, "error_cents"), 1200.0 * log2((length - layout) / (length - x)), 1e-4);
  CHECK_CLOSE(number(m, "expanded_u_mm"), 2.0 * u, 1e-6);
  if (fret == 0) {
    CHECK_CLOSE(error, 0.0, 0.0);
    assert_string_equal(word(m, "verdict"), "within");
    return;
  }
  /* the rule's own share: its MPE over the whole span, a part of it over a part */
  const double rule = number(reference, "mpe_mm") / sqrt(3.0) * x / number(reference, "span_mm");
  CHECK_CLOSE(number(member(m, "budget"), "rule_mm"), rule, 1e-5);
  assert_true(u >= rule);
  assert_string_equal(word(m, "verdict"), decided(error, number(m, "expanded_u_mm")));
}

static void test_arithmetic(void **state)
{
  (void)state;
  for (int i = 0; i < SAMPLE_COUNT; i++) {
    CHECK_CLOSE(number(member(samples[i].record, "reference"), "mpe_mm"), GRADE_1_MPE_MM, 1e-9);
    for (int fret = 0; fret <= samples[i].frets; fret++)
      check_arithmetic(&samples[i], fret);
  }
}

/* ---- the record against the truth ------------------------------------------------------------------------------- */

/* Nothing found that was not drawn; places and their uncertainties without the rule's own MPE. */
static void check_places(const sample *s)
{
  size_t covered = 0, count = 0;
  for (int fret = 1; fret <= s->frets; fret++) {
    const cJSON *m = mark(s->exact, fret), *t = true_mark(s, fret);
    if (!found(m))
      continue;
    assert_true(found(t));
    const double off = number(m, "error_mm") - number(t, "error_mm");
    CHECK_CLOSE(off, 0.0, s->limit_mm);
    CHECK_CLOSE(off, 0.0, 3.5 * number(m, "u_mm"));
    CHECK_CLOSE(number(m, "squareness_deg"), number(t, "squareness_deg"), s->limit_square_deg);
    covered += fabs(off) <= 1.96 * number(m, "u_mm");
    count++;
  }
  assert_true(count + (s == &samples[DUNLIN] ? 4 : 1) >= (size_t)s->frets);
  CHECK_CLOSE((double)covered / (double)count, 1.0, 0.25); /* of a dozen: 95 % with room for chance */
}

static void test_places(void **state)
{
  (void)state;
  for (int i = 0; i < SAMPLE_COUNT; i++)
    check_places(&samples[i]);
}

/* Lines that cross the whole board: ends in the picture, width. The board's edge is found to a few pixels only, and a
 * mark may fade before it. */
static void test_ends_and_widths(void **state)
{
  (void)state;
  static const int CLEAR[] = {SANDPIPER, KITTIWAKE, CURLEW};
  for (size_t i = 0; i < sizeof CLEAR / sizeof *CLEAR; i++) {
    const sample *s = &samples[CLEAR[i]];
    for (int fret = 1; fret <= s->frets; fret++) {
      const cJSON *m = mark(s->exact, fret), *t = true_mark(s, fret);
      if (!found(m))
        continue;
      for (int axis = 0; axis < 2; axis++) {
        CHECK_CLOSE(coordinate(m, "end_a_px", axis), coordinate(t, "end_a_px", axis), 12.0);
        CHECK_CLOSE(coordinate(m, "end_b_px", axis), coordinate(t, "end_b_px", axis), 12.0);
      }
      CHECK_CLOSE(number(m, "width_mm"), number(t, "width_mm"), 0.02);
    }
  }
}

static void test_best_fit(void **state)
{
  (void)state;
  /* The makers' placement errors (0.02 to 0.06 mm a fret) leave the scale length open to a tenth or so. */
  for (int i = 0; i < SAMPLE_COUNT; i++)
    CHECK_CLOSE(number(member(samples[i].exact, "fit"), "scale_length_mm"),
                number(member(samples[i].truth, "layout"), "scale_length_mm"), 0.25);
}

static void test_what_is_wrong_with_kittiwake(void **state)
{
  (void)state;
  const sample *s = &samples[KITTIWAKE];
  for (int fret = 1; fret <= s->frets; fret++) {
    const char *expected = fret == 3 || fret == 9 ? "out" : fret == 12 ? "missing" : "within";
    assert_string_equal(word(mark(s->record, fret), "verdict"), expected);
  }
  CHECK_CLOSE(number(mark(s->record, 3), "error_mm"), -0.3, 0.01);
  CHECK_CLOSE(number(mark(s->record, 9), "error_mm"), 1.0, 0.01);
  CHECK_CLOSE(number(mark(s->record, 3), "recut_mm"), 0.3, 0.01);
  CHECK_CLOSE(number(mark(s->record, 9), "recut_mm"), -1.0, 0.01);
  assert_int_equal(cJSON_GetArraySize(member(s->record, "stray")), 0);
  assert_string_equal(word(s->record, "verdict"), "out");
}

static bool warns_of(const cJSON *record, const char *what)
{
  const cJSON *warning;
  cJSON_ArrayForEach(warning, member(record, "warnings")) if (cJSON_IsString(warning) &&
                                                              strstr(warning->valuestring, what)) return true;
  return false;
}

/* The curlew's own record with every line put 0.1 mm toward the bridge, fret 3's left out: the saw seems to have kept
 * 0.1 mm to the nut's side of each line. */
static void test_before_and_after_the_saw(void **state)
{
  (void)state;
  char line[1200];
  cJSON *before = cJSON_Duplicate(samples[CURLEW].record, 1), *m;
  cJSON_ArrayForEach(m, cJSON_GetObjectItem(before, "marks"))
  {
    if (cJSON_GetObjectItem(m, "fret")->valueint == 3)
      cJSON_ReplaceItemInObject(m, "x_mm", cJSON_CreateNull());
    else
      cJSON_SetNumberValue(cJSON_GetObjectItem(m, "x_mm"), number(m, "x_mm") + 0.1);
  }
  char *text = cJSON_Print(before);
  FILE *f = fopen("before.json", "w");
  assert_non_null(f);
  fputs(text, f);
  assert_int_equal(fclose(f), 0);
  snprintf(line, sizeof line, "%s --before before.json --format json '%s/curlew.png'", samples[CURLEW].arguments,
           SAMPLES_DIR);
  cJSON *record = cJSON_Parse(outside_run(line)->out);
  assert_non_null(record);
  CHECK_CLOSE(number(record, "saw_mean_mm"), -0.1, 1e-6);
  CHECK_CLOSE(number(record, "saw_sd_mm"), 0.0, 1e-6);
  CHECK_CLOSE(number(mark(record, 5), "from_line_mm"), -0.1, 1e-6);
  assert_true(number(mark(record, 5), "u_from_line_mm") > 0.0);
  assert_true(is_null(mark(record, 3), "from_line_mm"));
  cJSON_Delete(record);
  snprintf(line, sizeof line, "check --scale-length 430mm --frets 12 --marks slot --before before.json '%s/curlew.png'",
           SAMPLES_DIR);
  const outside_result *r = outside_run(line);
  assert_int_equal(r->status, 65);
  assert_non_null(strstr(r->err, "before.json: its scale length is 427 mm"));
  remove("before.json");
  cJSON_free(text);
  cJSON_Delete(before);
}

/* The rule's graduation begins 8 mm before the nut and is 165 mm long. */
static const double RULE_ENDS_MM = 157.0;

/* A scan that nobody should make: it may leave frets open, it may not lie. */
static void test_dunlin_does_not_lie(void **state)
{
  (void)state;
  const sample *s = &samples[DUNLIN];
  assert_true(warns_of(s->record, "soft"));
  assert_true(warns_of(s->record, "beyond the part of the rule"));
  assert_string_equal(word(s->record, "verdict"), "undecided");
  size_t undecided = 0;
  double least_mm = INFINITY, beyond_mm = 0.0;
  for (int fret = 1; fret <= s->frets; fret++) {
    const cJSON *m = mark(s->record, fret);
    assert_string_not_equal(word(m, "verdict"), "out"); /* every line was drawn within 0.2 mm */
    undecided += strcmp(word(m, "verdict"), "undecided") == 0;
    if (!found(m))
      continue;
    const double map_mm = number(member(m, "budget"), "map_mm");
    least_mm = fmin(least_mm, map_mm);
    beyond_mm = number(m, "x_mm") > RULE_ENDS_MM ? fmax(beyond_mm, map_mm) : beyond_mm;
  }
  assert_true(undecided >= 3);
  assert_true(beyond_mm > 3.0 * least_mm); /* past the rule's end the doubt about the scale grows */
}

/* ---- other outputs ---------------------------------------------------------------------------------------------- */

static void test_text(void **state)
{
  (void)state;
  const outside_result *r = outside_run("check --scale-length 381mm --frets 14 '" SAMPLES_DIR "/kittiwake.png'");
  assert_int_equal(r->status, 1);
  assert_string_equal(r->err, "");
  assert_int_equal(strncmp(r->out, "OUT OF TOLERANCE: 2 of 14 frets are out, 1 missing", 50), 0);
  assert_non_null(strstr(r->out, "fret 3: 0.30 mm too near the nut"));
  assert_non_null(strstr(r->out, "fret 9: 1.00 mm too near the bridge"));
  assert_non_null(strstr(r->out, "fret 12: no line was found where it belongs, 190.50 mm"));
  assert_non_null(strstr(r->out, "graduated every 1 mm"));
}

/* Next word of a line, or NULL at its end. */
static const char *next_word(const char **at, size_t *length)
{
  *at += strspn(*at, " ");
  const char *begin = *at;
  *length = strcspn(begin, " \n");
  *at += *length;
  return *length ? begin : NULL;
}

/* Same words; numbers may differ by what a last digit does. */
static bool same_line(const char *a, const char *b)
{
  static const double LAST_DIGITS = 0.0151;
  for (;;) {
    size_t n, m;
    const char *x = next_word(&a, &n), *y = next_word(&b, &m);
    if (!x || !y)
      return !x && !y;
    char *x_end, *y_end;
    const double p = strtod(x, &x_end), q = strtod(y, &y_end);
    const bool numbers = x_end == x + n && y_end == y + m;
    if (numbers ? !(fabs(p - q) <= LAST_DIGITS) : n != m || memcmp(x, y, n) != 0)
      return false;
  }
}

static const char *find_line(const char *text, const char *line)
{
  while (*text && !same_line(text, line)) {
    text += strcspn(text, "\n");
    text += *text == '\n';
  }
  return *text ? text : NULL;
}

/* The report that the README shows is the program's: every line of it, in order, but for those left out ("..."). */
static void test_readme(void **state)
{
  (void)state;
  char *readme = outside_text(SAMPLES_DIR "/../README.md");
  assert_non_null(readme);
  const char *shown = strstr(readme, "$ slotproof check --scale-length 381mm --frets 14 samples/kittiwake.png\n");
  assert_non_null(shown);
  const char *rest = outside_run("check --scale-length 381mm --frets 14 '" SAMPLES_DIR "/kittiwake.png'")->out;
  size_t lines = 0;
  for (shown = strchr(shown, '\n') + 1; strncmp(shown, "```", 3) != 0; shown = strchr(shown, '\n') + 1) {
    assert_true(*shown);
    if (strncmp(shown, "...\n", 4) == 0)
      continue;
    const char *at = find_line(rest, shown);
    if (!at)
      fprintf(stderr, "README.md shows a line that the program does not write: %.*s\n", (int)strcspn(shown, "\n"),
              shown);
    assert_non_null(at);
    rest = at;
    lines++;
  }
  assert_true(lines >= 20);
  free(readme);
}

static void test_csv(void **state)
{
  (void)state;
  const outside_result *r =
      outside_run("check --scale-length 381mm --frets 14 --format csv '" SAMPLES_DIR "/kittiwake.png'");
  assert_int_equal(r->status, 1);
  size_t rows = 0, commas = 0, in_header = 0;
  for (const char *c = r->out; *c; c++) {
    commas += *c == ',';
    if (*c != '\n')
      continue;
    assert_true(c[-1] == '\r'); /* RFC 4180 */
    if (rows++ == 0)
      in_header = commas;
    assert_int_equal(commas, in_header);
    commas = 0;
  }
  assert_int_equal(rows, 1 + 15);
  assert_true(in_header >= 9);
}

/* The overlay has the picture's size; most of it keeps the picture's grey; some of it is coloured. */
static void test_overlay(void **state)
{
  (void)state;
  cJSON_Delete(check(&samples[KITTIWAKE], "--overlay seen.png", 1));
  png_image image = {.version = PNG_IMAGE_VERSION};
  assert_true(png_image_begin_read_from_file(&image, "seen.png"));
  CHECK_CLOSE(image.width, number(samples[KITTIWAKE].truth, "width_px"), 0.0);
  CHECK_CLOSE(image.height, number(samples[KITTIWAKE].truth, "height_px"), 0.0);
  image.format = PNG_FORMAT_RGB;
  png_bytep rgb = malloc(PNG_IMAGE_SIZE(image));
  assert_non_null(rgb);
  assert_true(png_image_finish_read(&image, NULL, rgb, 0, NULL));
  size_t coloured = 0;
  const size_t count = (size_t)image.width * image.height;
  for (size_t i = 0; i < count; i++)
    coloured += rgb[3 * i] != rgb[3 * i + 1] || rgb[3 * i] != rgb[3 * i + 2];
  free(rgb);
  CHECK_CLOSE((double)coloured / (double)count, 0.025, 0.024);
}

static void test_reference(void **state)
{
  (void)state;
  static const double GRADUATION_MM[] = {1.0, 1.0, 25.4 / 64.0, 1.0};
  for (int i = 0; i < SAMPLE_COUNT; i++) {
    char line[1000];
    snprintf(line, sizeof line, "reference '%s/%s.png'", SAMPLES_DIR, samples[i].name);
    cJSON *root = outside_json(line, 0);
    const cJSON *r = member(root, "reference"), *rule = member(samples[i].truth, "rule");
    assert_string_equal(word(root, "schema"), "slotproof/reference/1");
    check_finite(root);
    CHECK_CLOSE(number(r, "graduation_mm"), GRADUATION_MM[i], 1e-6);
    assert_true(cJSON_IsFalse(member(r, "graduation_told")));
    CHECK_CLOSE(number(r, "px_per_mm") / number(rule, "px_per_mm"), 1.0, 5e-5);
    const int drawn = cJSON_GetArraySize(member(rule, "strokes"));
    assert_true(number(r, "graduations_used") <= drawn);
    assert_true(number(r, "graduations_used") >= (i == DUNLIN ? 0.6 : 0.98) * drawn);
    cJSON_Delete(root);
  }
}

/* ---- told something else ---------------------------------------------------------------------------------------- */

static void test_graduation_told(void **state)
{
  (void)state;
  cJSON *right = check(&samples[CURLEW], "--graduation 1/64in", 0);
  assert_true(cJSON_IsTrue(member(member(right, "reference"), "graduation_told")));
  for (int fret = 0; fret <= 12; fret++)
    CHECK_CLOSE(number(mark(right, fret), "error_mm"), number(mark(samples[CURLEW].record, fret), "error_mm"), 1e-6);
  cJSON_Delete(right);
  static const char *const WRONG[] = {"--graduation 0.5mm", "--graduation 1/32in", "--graduation 1/64in"};
  for (size_t i = 0; i < sizeof WRONG / sizeof *WRONG; i++) {
    cJSON *wrong = check(&samples[KITTIWAKE], WRONG[i], 2);
    assert_true(warns_of(wrong, "graduation"));
    assert_true(is_null(mark(wrong, 9), "error_mm")); /* no scale: no length */
    cJSON_Delete(wrong);
  }
}

/* Kittiwake: fret 9 drawn a whole millimetre off; fret 3 by 0.3 mm, which no misreading gives. */
static void test_findings(void **state)
{
  (void)state;
  const int good[] = {SANDPIPER, CURLEW, DUNLIN};
  for (size_t i = 0; i < sizeof good / sizeof *good; i++)
    assert_int_equal(cJSON_GetArraySize(member(samples[good[i]].record, "findings")), 0);
  const cJSON *list = member(samples[KITTIWAKE].record, "findings"), *finding = cJSON_GetArrayItem(list, 0);
  assert_int_equal(cJSON_GetArraySize(list), 1);
  assert_string_equal(word(finding, "kind"), "misread");
  assert_non_null(strstr(word(finding, "text"), "fret 9"));
  assert_non_null(strstr(word(finding, "text"), "whole millimetre"));
  CHECK_CLOSE(number(finding, "value"), 1.0, 0.05);
  CHECK_BELOW(3.0, number(finding, "strength"));
}

static void test_scale_length_told_wrong(void **state)
{
  (void)state;
  char line[1000];
  snprintf(line, sizeof line, "check --scale-length 376mm --frets 14 '%s/kittiwake.png'", SAMPLES_DIR);
  cJSON *r = outside_json(line, 1);
  const cJSON *finding = cJSON_GetArrayItem(member(r, "findings"), 0);
  assert_non_null(finding);
  assert_string_equal(word(finding, "kind"), "other-scale-length");
  CHECK_CLOSE(number(finding, "value"), 381.0, 0.3);
  assert_non_null(strstr(word(finding, "text"), "376 mm"));
  cJSON_Delete(r);
}

static void test_nut_told(void **state)
{
  (void)state;
  cJSON *line = check(&samples[SANDPIPER], "--nut line", 0), *end = check(&samples[CURLEW], "--nut end", 0);
  assert_string_equal(word(member(line, "datum"), "kind"), "line");
  assert_string_equal(word(member(end, "datum"), "kind"), "end");
  cJSON_Delete(line);
  cJSON_Delete(end);
  /* told of a line where there is none: the board cannot be passed */
  cJSON *none = check(&samples[CURLEW], "--nut line", 2);
  assert_string_equal(word(member(none, "datum"), "kind"), "fit");
  assert_string_equal(word(mark(none, 0), "state"), "missing");
  cJSON_Delete(none);
}

/* Slots taken for knife lines, and the other way about: whatever is still given must be right. */
static void test_marks_told_wrong(void **state)
{
  (void)state;
  static const struct {
    int sample;
    const char *line;
  } cases[] = {{CURLEW, "check --scale-length 427mm --frets 12 --marks knife"},
               {KITTIWAKE, "check --scale-length 381mm --frets 14 --marks slot"},
               {SANDPIPER, "check --scale-length 352mm --frets 14 --marks slot"}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    const sample *s = &samples[cases[i].sample];
    char line[1000];
    snprintf(line, sizeof line, "%s --format json '%s/%s.png'", cases[i].line, SAMPLES_DIR, s->name);
    const outside_result *r = outside_run(line);
    assert_true(r->status >= 0 && r->status <= 2);
    cJSON *record = cJSON_Parse(r->out);
    assert_non_null(record);
    for (int fret = 1; fret <= s->frets; fret++)
      if (found(mark(record, fret)) && !is_null(mark(record, fret), "error_mm"))
        CHECK_CLOSE(number(mark(record, fret), "error_mm"), number(true_mark(s, fret), "error_mm"), 0.02);
    cJSON_Delete(record);
  }
}

static void test_tolerance_in_cents(void **state)
{
  (void)state;
  cJSON *r = check(&samples[KITTIWAKE], "--tolerance 2c", 1);
  assert_true(is_null(r, "tolerance_mm"));
  CHECK_CLOSE(number(r, "tolerance_cents"), 2.0, 0.0);
  assert_string_equal(word(mark(r, 3), "verdict"), "within"); /* 0.30 mm is 1.6 cents here */
  assert_string_equal(word(mark(r, 9), "verdict"), "out");
  cJSON_Delete(r);
}

/* A rule with a certificate, of half the permissible error: half its share of the doubt. */
static void test_better_rule(void **state)
{
  (void)state;
  cJSON *r = check(&samples[SANDPIPER], "--reference-mpe 0.075mm", 0);
  const double with = number(member(mark(r, 14), "budget"), "rule_mm");
  CHECK_CLOSE(with, 0.5 * number(member(mark(samples[SANDPIPER].record, 14), "budget"), "rule_mm"), 1e-6);
  assert_true(number(mark(r, 14), "u_mm") < number(mark(samples[SANDPIPER].record, 14), "u_mm"));
  cJSON_Delete(r);
}

/* The two ends of the rule as a known distance: the carriage's waves stay in the readings, and the doubt says so. */
static void test_known_distance(void **state)
{
  (void)state;
  const sample *s = &samples[KITTIWAKE];
  const cJSON *rule = member(s->truth, "rule");
  char more[300];
  snprintf(more, sizeof more, "--distance 239mm --from %.2f,%.2f --to %.2f,%.2f", coordinate(rule, "first_px", 0),
           coordinate(rule, "first_px", 1), coordinate(rule, "last_px", 0), coordinate(rule, "last_px", 1));
  cJSON *r = check(s, more, 1);
  assert_string_equal(word(member(r, "reference"), "kind"), "distance");
  for (int fret = 2; fret <= s->frets; fret++)
    if (found(mark(r, fret)))
      CHECK_CLOSE(number(mark(r, fret), "error_mm"), number(true_mark(s, fret), "error_mm"),
                  number(mark(r, fret), "expanded_u_mm"));
  assert_string_equal(word(mark(r, 9), "verdict"), "out");
  cJSON_Delete(r);
}

/* The stated resolution is off by 0.1 % here, as a scanner's is: nothing may be decided by it that is not so. */
static void test_stated_resolution(void **state)
{
  (void)state;
  const sample *s = &samples[KITTIWAKE];
  cJSON *r = check(s, "--reference dpi", 2);
  assert_true(warns_of(r, "the file's word"));
  for (int fret = 2; fret <= s->frets; fret++) {
    const cJSON *m = mark(r, fret);
    if (found(m))
      CHECK_CLOSE(number(m, "error_mm"), number(true_mark(s, fret), "error_mm"), number(m, "expanded_u_mm"));
  }
  cJSON_Delete(r);
}

static void test_usage(void **state)
{
  (void)state;
  assert_int_equal(outside_run("check --frets 14 '" SAMPLES_DIR "/kittiwake.png'")->status, 64);
  assert_int_equal(outside_run("check --scale-length 381mm '" SAMPLES_DIR "/kittiwake.png'")->status, 64);
  assert_int_equal(outside_run("check --scale-length 381 --frets 14 '" SAMPLES_DIR "/kittiwake.png'")->status, 64);
  assert_int_equal(outside_run("check --scale-length 381mm --frets 14 none.png")->status, 66);
  assert_int_equal(outside_run("check --scale-length 381mm --frets 14 '" SAMPLES_DIR "/kittiwake.json'")->status, 65);
}

/* 16 in (406.4 mm): the first fret at 22.8 mm. Common practice, no source. The octave in the middle of the string. */
static void test_sixteen_inches(void **state)
{
  (void)state;
  cJSON *r = outside_json("layout --scale-length 16in --frets 12", 0);
  const cJSON *positions = member(r, "positions");
  CHECK_CLOSE(number(r, "scale_length_mm"), 406.4, 1e-9);
  CHECK_CLOSE(number(cJSON_GetArrayItem(positions, 1), "from_nut_mm"), 22.8, 0.05);
  CHECK_CLOSE(number(cJSON_GetArrayItem(positions, 12), "from_nut_mm"), 203.2, 1e-6);
  cJSON_Delete(r);
}

/* ---- */

static int open_samples(void **state)
{
  (void)state;
  for (int i = 0; i < SAMPLE_COUNT; i++) {
    char path[1000];
    snprintf(path, sizeof path, "%s/%s.json", SAMPLES_DIR, samples[i].name);
    char *text = outside_text(path);
    samples[i].truth = text ? cJSON_Parse(text) : NULL;
    free(text);
    if (!samples[i].truth)
      return -1;
    samples[i].record = check(&samples[i], "", samples[i].status);
    samples[i].exact = check(&samples[i], "--reference-mpe 0mm", samples[i].status);
  }
  return 0;
}

static int close_samples(void **state)
{
  (void)state;
  for (int i = 0; i < SAMPLE_COUNT; i++) {
    cJSON_Delete(samples[i].truth);
    cJSON_Delete(samples[i].record);
    cJSON_Delete(samples[i].exact);
  }
  return outside_leave();
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_form),
      cmocka_unit_test(test_arithmetic),
      cmocka_unit_test(test_places),
      cmocka_unit_test(test_ends_and_widths),
      cmocka_unit_test(test_best_fit),
      cmocka_unit_test(test_what_is_wrong_with_kittiwake),
      cmocka_unit_test(test_dunlin_does_not_lie),
      cmocka_unit_test(test_before_and_after_the_saw),
      cmocka_unit_test(test_text),
      cmocka_unit_test(test_readme),
      cmocka_unit_test(test_csv),
      cmocka_unit_test(test_overlay),
      cmocka_unit_test(test_reference),
      cmocka_unit_test(test_graduation_told),
      cmocka_unit_test(test_findings),
      cmocka_unit_test(test_scale_length_told_wrong),
      cmocka_unit_test(test_nut_told),
      cmocka_unit_test(test_marks_told_wrong),
      cmocka_unit_test(test_tolerance_in_cents),
      cmocka_unit_test(test_better_rule),
      cmocka_unit_test(test_known_distance),
      cmocka_unit_test(test_stated_resolution),
      cmocka_unit_test(test_usage),
      cmocka_unit_test(test_sixteen_inches),
  };
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_samples PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, open_samples, close_samples);
}
