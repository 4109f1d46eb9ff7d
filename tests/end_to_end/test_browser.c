/* The page of a check in a browser that is not ours (Chromium) and on paper (Poppler reads the PDF it prints).
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

static void test_on_paper(void **state)
{
  (void)state;
  check_on_paper(&SAMPLES[0], "A4", 210.0, 297.0);
  check_on_paper(&SAMPLES[1], "letter", 215.9, 279.4);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_the_probe_bites),
      cmocka_unit_test(test_on_screens),
      cmocka_unit_test(test_on_paper),
  };
  if (argc != 2 || !outside_enter(argv[1]))
    return 1;
  const int failed = cmocka_run_group_tests(tests, NULL, NULL);
  return outside_leave() || failed;
}
