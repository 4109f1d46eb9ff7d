/* The pages of a check and of a batch in a browser that is not ours (Chromium) and on paper (Poppler reads the PDF it
 * prints).
 *
 * The page is loaded as it was written, in a frame as broad as a telephone and as a desk's screen. The page around it
 * looks inside: does every picture decode, is nothing broader than the screen, does the dark screen get a dark page?
 * Console messages count as errors. A page with faults is looked at first, so that these checks are known to bite.
 * Paper sizes: ISO 216 (A4), ANSI/ASME Y14.1 (Letter, 8.5 x 11 in). */
#include "outside.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "drawn.h"

enum { WORDS_MAX = 20000 };

/* The pictures are loaded again as the probe's own, which holds up its load event; so all is known when that comes. */
static const char PROBE[] =
    "<!DOCTYPE html><html><head><meta name='color-scheme' content='light dark'><title>nothing</title></head><body>"
    "<iframe id='f' style='border:0' width='%d' height='900' src='%s'></iframe><script>\n"
    "const frame = document.getElementById('f'), copies = [];\n"
    "frame.onload = () => {\n"
    "  for (const i of frame.contentDocument.querySelectorAll('image, img')) {\n"
    "    const copy = document.createElement('img');\n"
    "    copy.src = i.getAttribute('href') || i.src;\n"
    "    document.body.append(copy);\n"
    "    copies.push(copy);\n"
    "  }\n"
    "};\n"
    "onload = () => {\n"
    "  const w = frame.contentWindow, d = w.document;\n"
    "  document.title = JSON.stringify({images: copies.length, bad: copies.filter(c => !(c.naturalWidth > 0)).length,\n"
    "    inner: w.innerWidth, scroll: d.documentElement.scrollWidth,\n"
    "    rows: d.querySelectorAll('#marks tbody tr').length,\n"
    "    worst: [...d.querySelectorAll('#worst tbody tr')].map(r => [...r.cells].map(c => c.innerText.trim())),\n"
    "    map: [...d.querySelectorAll('.map tbody tr')].map(r => [...r.cells].map(c => c.innerText.trim())),\n"
    "    ends: [...d.querySelectorAll('a')].filter(a => !d.getElementById(a.hash.slice(1))).length,\n"
    "    ground: w.getComputedStyle(d.documentElement).backgroundColor,\n"
    "    empty: [...d.querySelectorAll('svg')].filter(s => !(s.getBoundingClientRect().height > 0)).length});\n"
    "  copies.forEach(c => c.remove());\n" /* what is dumped stays small */
    "};\n"
    "</script></body></html>\n";

static void put_text(const char *name, const char *text)
{
  FILE *file = fopen(name, "wb");
  assert_non_null(file);
  assert_true(fputs(text, file) >= 0);
  assert_int_equal(fclose(file), 0);
}

/* Without network: every name is unknown to it. */
static void browse(const char *options, const char *page)
{
  char command[1500];
  const int n = snprintf(command, sizeof command,
                         "'%s' --headless --no-sandbox --disable-gpu --user-data-dir=profile "
                         "--allow-file-access-from-files --host-resolver-rules='MAP * ~NOTFOUND' "
                         "--enable-logging=stderr %s \"file://$PWD/%s\" >.dom 2>.log",
                         CHROMIUM, options, page);
  assert_true(n > 0 && (size_t)n < sizeof command);
  assert_int_equal(system(command), 0);
}

/* What the probe says of a page in a frame of that width. */
static cJSON *probed(const char *page, int width, const char *options)
{
  char html[sizeof PROBE + 200], all[300];
  snprintf(html, sizeof html, PROBE, width, page);
  put_text("probe.html", html);
  snprintf(all, sizeof all, "--window-size=1400,1000 --dump-dom %s", options);
  browse(all, "probe.html");
  char *dom = outside_text(".dom");
  assert_non_null(dom);
  char *from = strstr(dom, "<title>"), *to = from ? strstr(from, "</title>") : NULL;
  assert_non_null(to);
  *to = '\0';
  cJSON *seen = cJSON_Parse(from + strlen("<title>"));
  if (!seen)
    fprintf(stderr, "the probe says: %s\n", from);
  assert_non_null(seen);
  free(dom);
  return seen;
}

static bool console_spoke(void)
{
  char *log = outside_text(".log");
  assert_non_null(log);
  const char *said = strstr(log, "CONSOLE");
  if (said)
    fprintf(stderr, "%.300s\n", said);
  free(log);
  return said != NULL;
}

static void test_the_probe_bites(void **state)
{
  (void)state;
  put_text("bad.html", "<!DOCTYPE html><html><body><div style='width:2000px'>x</div><svg style='height:0'></svg><svg>"
                       "<image href='data:image/jpeg;base64,AAAA'/></svg><script>nowhere()</script></body></html>");
  cJSON *seen = probed("bad.html", 390, "");
  assert_int_equal(number(seen, "images"), 1);
  assert_int_equal(number(seen, "bad"), 1);
  assert_int_equal(number(seen, "empty"), 1);
  assert_true(number(seen, "scroll") > number(seen, "inner"));
  assert_true(console_spoke());
  cJSON_Delete(seen);
}

/* ---- on the screen ---------------------------------------------------------------------------------------------- */

typedef struct sample {
  const char *name, *options;
  int status, rows, images;
} sample;

static const sample SAMPLES[] = {
    {"kittiwake", "--scale-length 381mm --frets 14", 1, 15, 1 + 2 * 3},
    {"dunlin", "--scale-length 366mm --frets 14", 2, 15, 0},
    {"sandpiper", "--scale-length 352mm --frets 14", 0, 15, 1},
};
enum { SAMPLE_COUNT = sizeof SAMPLES / sizeof *SAMPLES };

static void write_page(const sample *s)
{
  char arguments[600];
  snprintf(arguments, sizeof arguments, "check %s --format html --output %s.html '%s/%s.png'", s->options, s->name,
           SAMPLES_DIR, s->name);
  const outside_result *r = outside_run(arguments);
  assert_string_equal(r->err, "");
  assert_int_equal(r->status, s->status);
}

static void check_on_screen(const sample *s, int width, const char *options, const char *ground)
{
  char page[80];
  snprintf(page, sizeof page, "%s.html", s->name);
  cJSON *seen = probed(page, width, options);
  assert_false(console_spoke());
  assert_int_equal(number(seen, "inner"), width);
  assert_true(number(seen, "scroll") <= width);
  assert_int_equal(number(seen, "bad"), 0);
  assert_int_equal(number(seen, "empty"), 0);
  assert_int_equal(number(seen, "rows"), s->rows);
  if (s->images)
    assert_int_equal(number(seen, "images"), s->images);
  assert_true(number(seen, "images") >= 1);
  assert_string_equal(word(seen, "ground"), ground);
  cJSON_Delete(seen);
}

static void test_on_screens(void **state)
{
  (void)state;
  for (size_t i = 0; i < SAMPLE_COUNT; i++)
    write_page(&SAMPLES[i]);
  check_on_screen(&SAMPLES[0], 390, "", "rgb(255, 255, 255)");
  check_on_screen(&SAMPLES[0], 1280, "--force-dark-mode", "rgb(25, 25, 24)");
  check_on_screen(&SAMPLES[1], 390, "--force-dark-mode", "rgb(25, 25, 24)");
  check_on_screen(&SAMPLES[2], 1280, "", "rgb(255, 255, 255)");
}

/* ---- a batch ---------------------------------------------------------------------------------------------------- */

/* Seven small boards whose fret 4 lies 0.2 mm wrong each time, a file that is no picture, and for a second layout a
 * sample with two lines in wrong places. */
enum { BOARDS = 7 };
#define BATCH "batch --format html --output batch.html records nothing.json"

static void check_to_record(const char *options, const char *picture, const char *record, int status)
{
  char arguments[700];
  snprintf(arguments, sizeof arguments, "check %s --format json --output records/%s.json '%s'", options, record,
           picture);
  assert_int_equal(outside_run(arguments)->status, status);
}

static void write_batch(void)
{
  static const char *const SETTINGS[] = {"scale_length_mm=120", "frets=7",          "nut_width_mm=24",
                                         "end_width_mm=28",     "contrast=-0.5",    "margin_mm=4",
                                         "line_width_mm=0.14",  "rule_width_mm=12", "placement_sd_mm=0.03",
                                         "misplace=4:+0.20",    "dpi=300",          NULL};
  assert_int_equal(system("mkdir records"), 0);
  put_text("nothing.json", "{}");
  for (int i = 1; i <= BOARDS; i++) {
    char record[40];
    draw((uint64_t)(6200 + i), SETTINGS, "board.png", NULL);
    snprintf(record, sizeof record, "board%d", i);
    check_to_record("--scale-length 120mm --frets 7 --reference-mpe 0.02mm --tolerance 0.14mm", "board.png", record, 1);
  }
  check_to_record("--scale-length 381mm --frets 14", SAMPLES_DIR "/kittiwake.png", "kittiwake", 1);
  const outside_result *r = outside_run(BATCH);
  assert_int_equal(r->status, 1);
}

static cJSON *batch_json(void)
{
  const outside_result *r = outside_run("batch --format json records nothing.json");
  assert_int_equal(r->status, 1);
  cJSON *batch = cJSON_Parse(r->out);
  assert_non_null(batch);
  return batch;
}

static const cJSON *board_named(const cJSON *batch, const char *name)
{
  const cJSON *board;
  cJSON_ArrayForEach(board, member(batch, "boards")) if (strcmp(word(board, "name"), name) == 0) return board;
  fail();
  return NULL;
}

static void check_cell(const cJSON *row, int column, const char *format, double value)
{
  char expected[40];
  snprintf(expected, sizeof expected, format, value);
  assert_string_equal(cJSON_GetStringValue(cJSON_GetArrayItem(row, column)), expected);
}

/* The numbers a reader sees are the JSON's. */
static void check_worst(const cJSON *seen, const cJSON *batch)
{
  const cJSON *row;
  cJSON_ArrayForEach(row, member(seen, "worst"))
  {
    const cJSON *board = board_named(batch, cJSON_GetStringValue(cJSON_GetArrayItem(row, 0)));
    const int fret = (int)number(board, "worst_fret");
    const cJSON *m = cJSON_GetArrayItem(member(board, "marks"), fret);
    assert_string_equal(cJSON_GetStringValue(cJSON_GetArrayItem(row, 1)), word(board, "verdict"));
    check_cell(row, 3, "%.0f", fret);
    check_cell(row, 4, "%+.3f", number(m, "error_mm"));
    check_cell(row, 5, "%.3f", number(m, "expanded_u_mm"));
    check_cell(row, 6, "%+.2f", number(m, "error_cents"));
    check_cell(row, 7, "%.2f", number(m, "expanded_u_cents"));
  }
}

static void check_map(const cJSON *seen, const cJSON *batch)
{
  const cJSON *row;
  size_t cells = 0;
  cJSON_ArrayForEach(row, member(seen, "map"))
  {
    const cJSON *board = board_named(batch, cJSON_GetStringValue(cJSON_GetArrayItem(row, 0)));
    for (int k = 1; k < cJSON_GetArraySize(row); k++, cells++) {
      const cJSON *m = cJSON_GetArrayItem(member(board, "marks"), k);
      const char *text = cJSON_GetStringValue(cJSON_GetArrayItem(row, k));
      if (strcmp(word(m, "state"), "found") != 0) {
        assert_string_equal(text, "\xc3\x97");
        continue;
      }
      const bool minus = strncmp(text, "\xe2\x88\x92", 3) == 0;
      const double shown = (minus ? -1.0 : 1.0) * strtod(minus ? text + 3 : text, NULL);
      CHECK_CLOSE(shown, 100.0 * number(m, "error_mm"), 0.501);
      assert_int_equal(strchr(text, '?') != NULL, strcmp(word(m, "verdict"), "undecided") == 0);
    }
  }
  assert_int_equal(cells, BOARDS * 7 + 14);
}

static void check_batch_on_screen(const cJSON *batch, int width, const char *options, const char *ground)
{
  cJSON *seen = probed("batch.html", width, options);
  assert_false(console_spoke());
  assert_int_equal(number(seen, "inner"), width);
  assert_true(number(seen, "scroll") <= width);
  assert_int_equal(number(seen, "bad"), 0);
  assert_int_equal(number(seen, "empty"), 0);
  assert_int_equal(number(seen, "ends"), 0);
  assert_string_equal(word(seen, "ground"), ground);
  assert_int_equal(cJSON_GetArraySize(member(seen, "worst")), BOARDS + 1);
  check_worst(seen, batch);
  check_map(seen, batch);
  cJSON_Delete(seen);
}

static void test_batch_on_screens(void **state)
{
  (void)state;
  write_batch();
  cJSON *batch = batch_json();
  check_batch_on_screen(batch, 390, "--force-dark-mode", "rgb(25, 25, 24)");
  check_batch_on_screen(batch, 1280, "", "rgb(255, 255, 255)");
  cJSON_Delete(batch);
}

/* ---- on paper --------------------------------------------------------------------------------------------------- */

typedef struct printed_word {
  int sheet;
  double left, top, right, bottom; /* points of 1/72 in */
  char text[40];
} printed_word;

typedef struct printed {
  int sheets;
  double width, height;
  printed_word *words;
  size_t count;
} printed;

static void read_line(const char *line, printed *p)
{
  printed_word w = {.sheet = p->sheets};
  if (sscanf(line, " <page width=\"%lf\" height=\"%lf\">", &p->width, &p->height) == 2) {
    p->sheets++;
  } else if (sscanf(line, " <word xMin=\"%lf\" yMin=\"%lf\" xMax=\"%lf\" yMax=\"%lf\">%39[^<]", &w.left, &w.top,
                    &w.right, &w.bottom, w.text) == 5) {
    assert_true(p->count < WORDS_MAX);
    p->words[p->count++] = w;
  }
}

/* Prints NAME.html on sheets of that size and reads the words back. Free .words. */
static printed print_on(const char *name, const char *size)
{
  char command[400], page[80], line[1000];
  printed p = {.words = calloc(WORDS_MAX, sizeof *p.words)};
  assert_non_null(p.words);
  snprintf(command, sizeof command, "sed 's/^@page{/@page{size:%s;/' %s.html >paper.html", size, name);
  assert_int_equal(system(command), 0);
  snprintf(page, sizeof page, "--no-pdf-header-footer --print-to-pdf=%s.pdf", name);
  browse(page, "paper.html");
  assert_false(console_spoke());
  snprintf(command, sizeof command, "'%s' -bbox %s.pdf %s.words", PDFTOTEXT, name, name);
  assert_int_equal(system(command), 0);
  snprintf(page, sizeof page, "%s.words", name);
  FILE *file = fopen(page, "r");
  assert_non_null(file);
  while (fgets(line, sizeof line, file))
    read_line(line, &p);
  fclose(file);
  return p;
}

/* Inside the sheet by 8 mm at least. */
static void check_margins(const printed *p)
{
  static const double LEAST_PT = 8.0 / 25.4 * 72.0;
  for (size_t i = 0; i < p->count; i++) {
    const printed_word *w = &p->words[i];
    const bool inside = w->left >= LEAST_PT && w->top >= LEAST_PT && w->right <= p->width - LEAST_PT &&
                        w->bottom <= p->height - LEAST_PT;
    if (!inside)
      fprintf(stderr, "'%s' on sheet %d lies at %.0f..%.0f, %.0f..%.0f pt\n", w->text, w->sheet, w->left, w->right,
              w->top, w->bottom);
    assert_true(inside);
  }
}

/* A row of the table: its two places side by side on one line of one sheet. */
static void check_row(const printed *p, double layout_mm, double x_mm)
{
  char layout[40], x[40];
  snprintf(layout, sizeof layout, "%.3f", layout_mm);
  snprintf(x, sizeof x, "%.3f", x_mm);
  for (size_t i = 0; i + 1 < p->count; i++) {
    const printed_word *a = &p->words[i], *b = &p->words[i + 1];
    if (strcmp(a->text, layout) != 0 || strcmp(b->text, x) != 0)
      continue;
    assert_int_equal(a->sheet, b->sheet);
    CHECK_CLOSE(a->bottom, b->bottom, 0.5);
    return;
  }
  fprintf(stderr, "no row %s %s on paper\n", layout, x);
  fail();
}

static void check_on_paper(const sample *s, const char *size, double width_mm, double height_mm)
{
  char arguments[600];
  snprintf(arguments, sizeof arguments, "check %s '%s/%s.png'", s->options, SAMPLES_DIR, s->name);
  cJSON *record = outside_json(arguments, s->status);
  printed p = print_on(s->name, size);
  CHECK_CLOSE(p.width / 72.0 * 25.4, width_mm, 0.5);
  CHECK_CLOSE(p.height / 72.0 * 25.4, height_mm, 0.5);
  assert_true(p.sheets >= 2 && p.sheets <= 8);
  check_margins(&p);
  const cJSON *mark;
  cJSON_ArrayForEach(mark, member(record, "marks")) if (strcmp(word(mark, "state"), "found") == 0)
      check_row(&p, number(mark, "layout_mm"), number(mark, "x_mm"));
  free(p.words);
  cJSON_Delete(record);
}

/* Words of one row: side by side on one sheet. */
static void check_same_row(const printed *p, const char *name, const char *value)
{
  for (size_t i = 0; i < p->count; i++)
    for (size_t k = 0; k < p->count; k++) {
      const printed_word *a = &p->words[i], *b = &p->words[k];
      if (strcmp(a->text, name) == 0 && strcmp(b->text, value) == 0 && a->sheet == b->sheet &&
          a->bottom - b->bottom < 1.0 && b->bottom - a->bottom < 1.0 && b->left > a->right)
        return;
    }
  fprintf(stderr, "no row %s ... %s on paper\n", name, value);
  fail();
}

static void check_batch_on_paper(const char *size)
{
  cJSON *batch = batch_json();
  printed p = print_on("batch", size);
  assert_true(p.sheets >= 3 && p.sheets <= 10);
  check_margins(&p);
  const cJSON *board;
  cJSON_ArrayForEach(board, member(batch, "boards"))
  {
    char value[40];
    if (!is_null(board, "trouble"))
      continue;
    const cJSON *m = cJSON_GetArrayItem(member(board, "marks"), (int)number(board, "worst_fret"));
    snprintf(value, sizeof value, "%+.3f", number(m, "error_mm"));
    check_same_row(&p, word(board, "name"), value);
  }
  free(p.words);
  cJSON_Delete(batch);
}

static void test_batch_on_paper(void **state)
{
  (void)state;
  check_batch_on_paper("A4");
  check_batch_on_paper("letter");
}

static void test_on_paper(void **state)
{
  (void)state;
  check_on_paper(&SAMPLES[0], "A4", 210.0, 297.0);
  check_on_paper(&SAMPLES[1], "letter", 215.9, 279.4);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_the_probe_bites),  cmocka_unit_test(test_on_screens),     cmocka_unit_test(test_on_paper),
      cmocka_unit_test(test_batch_on_screens), cmocka_unit_test(test_batch_on_paper),
  };
  if (argc != 2 || !outside_enter(argv[1]))
    return 1;
  const int failed = cmocka_run_group_tests(tests, NULL, NULL);
  return outside_leave() || failed;
}
