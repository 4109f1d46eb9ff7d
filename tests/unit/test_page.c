/* The page of a check, read back by libxml2's parser, its pictures by libjpeg. */
#include "check_close.h"

#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

#include "page_tree.h"
#include "report_board.h"
#include "slotproof/page.h"
#include "slotproof/report.h"

typedef struct board {
  sp_record record;
  sp_raster raster;
} board;

static void make_board(bool turned, int bits, board *b)
{
  assert_true(board_record(turned, &b->record));
  assert_true(board_raster(turned, bits, &b->raster));
}

static void free_board(board *b)
{
  sp_record_free(&b->record);
  sp_raster_free(&b->raster);
}

/* Free with free(). */
static char *page_of(const board *b)
{
  char *text = NULL;
  size_t size = 0;
  FILE *file = open_memstream(&text, &size);
  assert_non_null(file);
  sp_error err = {0};
  const sp_status status = sp_page_check(&b->record, &b->raster, file, &err);
  if (status)
    fprintf(stderr, "%s\n", err.text);
  assert_int_equal(status, SP_OK);
  assert_int_equal(fclose(file), 0);
  return text;
}

static page_tree tree_of_board(const board *b)
{
  char *text = page_of(b);
  page_tree t = tree_of(text);
  free(text);
  return t;
}

/* ---- words ------------------------------------------------------------------------------------------------------ */

static void test_the_verdict_comes_first(void **state)
{
  (void)state;
  board b;
  make_board(false, 8, &b);
  page_tree t = tree_of_board(&b);
  check_tree_text(&t, "(//h:h2)[1]", "Out of tolerance");
  check_tree_text(&t, "(//h:main//h:p)[1]",
                  "2 of 12 frets are out, 1 missing, 1 undecided; the other 8 are within 0.2 mm.");
  check_tree_text(&t, "/h:html/@lang", "en");
  check_tree_text(&t, "//h:title", "out: fretboard check of scan \"A\".png");
  assert_int_equal(tree_count(&t, "//h:h1"), 1);
  tree_free(&t);
  free_board(&b);
}

static void test_what_to_do(void **state)
{
  (void)state;
  board b;
  make_board(false, 8, &b);
  page_tree t = tree_of_board(&b);
  assert_int_equal(tree_count(&t, "//h:ul[@class='to-do']/h:li"), 4);
  check_tree_text(&t, "(//h:ul[@class='to-do']/h:li)[1]/h:b[@class='name']", "Fret 3");
  check_tree_text(&t, "(//h:ul[@class='to-do']/h:li)[1]/h:b[@class='move']", "\xe2\x86\x90 0.31 mm toward the nut");
  check_tree_text(&t, "(//h:ul[@class='to-do']/h:li)[2]/h:b[@class='move']", "0.45 mm toward the bridge \xe2\x86\x92");
  check_tree_text(&t, "(//h:ul[@class='to-do']/h:li)[3]/h:span",
                  "No line was found where it belongs, 162.16 mm from the nut.");
  assert_int_equal(tree_count(&t, "//h:p[@class='care' and contains(.,'eye protection')]"), 1);
  assert_int_equal(tree_count(&t, "//h:section[@id='to-do']//h:li[.='The picture is coarse (8.0 px per mm).']"), 1);
  tree_free(&t);
  free_board(&b);
}

static void test_nothing_to_do(void **state)
{
  (void)state;
  board b;
  make_board(false, 8, &b);
  for (size_t i = 0; i < b.record.mark_count; i++) {
    if (i == 9)
      board_mark(false, 8, &b.record.marks[i]);
    b.record.marks[i].fret = (int32_t)i;
    b.record.marks[i].verdict = SP_WITHIN;
  }
  b.record.verdict = SP_WITHIN;
  page_tree t = tree_of_board(&b);
  check_tree_text(&t, "(//h:h2)[1]", "Within tolerance");
  assert_int_equal(tree_count(&t, "//h:ul[@class='to-do']"), 0);
  assert_int_equal(tree_count(&t, "//h:p[@class='care']"), 0);
  assert_int_equal(tree_count(&t, "//h:section[@id='close-ups']"), 0);
  tree_free(&t);
  free_board(&b);
}

/* ---- numbers ---------------------------------------------------------------------------------------------------- */

static void check_number(const page_tree *t, const char *where, double expected, double unit)
{
  char *text = tree_text(t, where), *end = NULL;
  const double value = strtod(text, &end); /* XPath knows no "+0.312" */
  assert_true(end != text && *end == '\0');
  CHECK_CLOSE(value, expected, 0.5001 * unit);
  free(text);
}

static void check_cell(const page_tree *t, size_t row, int column, double expected, double unit)
{
  char where[160];
  snprintf(where, sizeof where, "//h:table[@id='marks']/h:tbody/h:tr[%zu]/h:td[%d]", row + 1, column);
  if (isnan(expected))
    check_tree_text(t, where, "-");
  else
    check_number(t, where, expected, unit);
}

/* Every number of the table is the record's, to the last digit that is printed. */
static void test_the_table_is_the_record(void **state)
{
  (void)state;
  board b;
  make_board(true, 16, &b);
  page_tree t = tree_of_board(&b);
  assert_int_equal(tree_count(&t, "//h:table[@id='marks']/h:tbody/h:tr"), (int)b.record.mark_count);
  assert_int_equal(tree_count(&t, "//h:table/h:caption"), tree_count(&t, "//h:table"));
  assert_int_equal(tree_count(&t, "//h:table//h:th[not(@scope)]"), 0);
  for (size_t i = 0; i < b.record.mark_count; i++) {
    const sp_mark_record *m = &b.record.marks[i];
    check_cell(&t, i, 2, m->layout_mm, 0.001);
    check_cell(&t, i, 3, m->found ? m->x_mm : NAN, 0.001);
    check_cell(&t, i, 4, m->found ? m->error_mm : NAN, 0.001);
    check_cell(&t, i, 5, m->found ? m->expanded_u_mm : NAN, 0.001);
    check_cell(&t, i, 6, m->found ? m->error_cents : NAN, 0.01);
    check_cell(&t, i, 7, m->found ? m->expanded_u_cents : NAN, 0.01);
    check_cell(&t, i, 8, m->found ? m->squareness_deg : NAN, 0.001);
    check_cell(&t, i, 9, m->found ? m->width_mm : NAN, 0.001);
  }
  tree_free(&t);
  free_board(&b);
}

/* The plot shows the same numbers: fret 7's sign below zero by its error, on the axis's own scale. */
static void test_the_plot_is_the_record(void **state)
{
  (void)state;
  board b;
  make_board(false, 8, &b);
  page_tree t = tree_of_board(&b);
#define PLOT "//s:svg[s:title[@id='error-mm-title']]"
  const double zero = tree_number(&t, PLOT "/s:line[@class='zero']/@y1");
  const double one = tree_number(&t, PLOT "/s:text[.='-0.2']/preceding-sibling::s:line[1]/@y1");
  const double low = tree_number(&t, PLOT "/s:line[@class='whisker out'][4]/@y1"); /* three strokes a whisker */
  const double high = tree_number(&t, PLOT "/s:line[@class='whisker out'][4]/@y2");
  const double mm_per_unit = 0.2 / (one - zero);
  CHECK_CLOSE((zero - 0.5 * (low + high)) * mm_per_unit, b.record.marks[7].error_mm, 2e-4);
  CHECK_CLOSE(0.5 * (low - high) * mm_per_unit, b.record.marks[7].expanded_u_mm, 2e-4);
  check_tree_text(&t, PLOT "/s:text[@class='value'][1]", "+0.31");
  assert_int_equal(tree_count(&t, PLOT "/s:circle"), 8); /* within */
  assert_int_equal(tree_count(&t, PLOT "/s:path[contains(@class,'sign out')]"), 2);
  assert_int_equal(tree_count(&t, PLOT "/s:path[contains(@class,'sign undecided')]"), 1);
  assert_int_equal(tree_count(&t, PLOT "/s:path[contains(@class,'sign missing')]"), 1);
#undef PLOT
  tree_free(&t);
  free_board(&b);
}

/* Of 281 graduations two were thrown out; those between the sheet's sides are shown, the others cannot be. */
static void test_the_strokes_are_the_record(void **state)
{
  (void)state;
  board b;
  make_board(false, 8, &b);
  page_tree t = tree_of_board(&b);
#define PLOT "//s:svg[s:title[@id='strokes-title']]"
  const double zero = tree_number(&t, PLOT "/s:line[@class='zero']/@y1");
  const double one = tree_number(&t, PLOT "/s:text[.='+0.002']/preceding-sibling::s:line[1]/@y1");
  const int dots = tree_count(&t, PLOT "/s:circle");
  assert_true(dots > 200 && dots <= BOARD_GRADUATIONS - 2);
  assert_int_equal(tree_count(&t, PLOT "/s:path[contains(@class,'missing')]"), 2);
  for (int i = 1; i <= dots; i += 37) {
    char cx[120], cy[120];
    snprintf(cx, sizeof cx, PLOT "/s:circle[%d]/@cx", i);
    snprintf(cy, sizeof cy, PLOT "/s:circle[%d]/@cy", i);
    const double residual = (zero - tree_number(&t, cy)) * 0.002 / (zero - one);
    CHECK_CLOSE(residual, round(residual * 1000.0) / 1000.0, 1e-5); /* all are whole thousandths, -3 to 3 */
    CHECK_BELOW(fabs(residual), 0.00301);
    assert_true(tree_number(&t, cx) > 0.0);
  }
#undef PLOT
  tree_free(&t);
  free_board(&b);
}

/* ---- pictures --------------------------------------------------------------------------------------------------- */

typedef struct grey {
  uint8_t *value;
  size_t width, height;
} grey;

static unsigned char *decoded_base64(const char *text, size_t *size)
{
  static const char DIGITS[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  unsigned char *bytes = malloc(strlen(text) + 4);
  unsigned long bits = 0;
  int held = 0;
  assert_non_null(bytes);
  *size = 0;
  for (; *text && *text != '='; text++) {
    const char *digit = strchr(DIGITS, *text);
    if (!digit) /* the line ends that base64 may have */
      continue;
    bits = (bits << 6 | (unsigned long)(digit - DIGITS)) & 0xffffff;
    held += 6;
    if (held >= 8) {
      held -= 8;
      bytes[(*size)++] = (unsigned char)(bits >> held);
    }
  }
  return bytes;
}

/* The n-th picture of the page (from 1). Free .value. */
static grey picture_of(const page_tree *t, int n)
{
  static const char LEAD[] = "data:image/jpeg;base64,";
  char where[60];
  struct jpeg_decompress_struct info;
  struct jpeg_error_mgr errors;
  grey g;
  size_t size;
  snprintf(where, sizeof where, "(//s:image)[%d]/@href", n);
  char *address = tree_text(t, where);
  assert_int_equal(strncmp(address, LEAD, strlen(LEAD)), 0);
  unsigned char *bytes = decoded_base64(address + strlen(LEAD), &size);
  free(address);
  info.err = jpeg_std_error(&errors);
  jpeg_create_decompress(&info);
  jpeg_mem_src(&info, bytes, size);
  assert_int_equal(jpeg_read_header(&info, TRUE), JPEG_HEADER_OK);
  assert_int_equal(info.num_components, 1);
  jpeg_start_decompress(&info);
  g = (grey){malloc((size_t)info.output_width * info.output_height), info.output_width, info.output_height};
  assert_non_null(g.value);
  while (info.output_scanline < info.output_height) {
    JSAMPROW row = g.value + g.width * info.output_scanline;
    jpeg_read_scanlines(&info, &row, 1);
  }
  jpeg_finish_decompress(&info);
  jpeg_destroy_decompress(&info);
  free(bytes);
  return g;
}

/* Middle of the darkest columns, as a part of the width. */
static double darkest_part(const grey *g)
{
  double weight = 0.0, sum = 0.0, lightest = 0.0;
  double *mean = calloc(g->width, sizeof *mean);
  assert_non_null(mean);
  for (size_t x = 0; x < g->width; x++) {
    for (size_t y = g->height / 4; y < 3 * g->height / 4; y++)
      mean[x] += g->value[y * g->width + x];
    lightest = fmax(lightest, mean[x]);
  }
  for (size_t x = 0; x < g->width; x++) {
    const double w = pow(lightest - mean[x], 4.0);
    weight += w;
    sum += w * ((double)x + 0.5);
  }
  free(mean);
  return sum / weight / (double)g->width;
}

/* Whichever way the board lies in the picture, it is shown with the nut on the left, and the close-up of fret 3 has its
 * line where the record says. */
static void check_pictures(bool turned, int bits)
{
  board b;
  make_board(turned, bits, &b);
  page_tree t = tree_of_board(&b);
  assert_int_equal(tree_count(&t, "//s:image"), 1 + 2 * 4); /* the board; two views of four marks */
  grey whole = picture_of(&t, 1), close = picture_of(&t, 3);
  assert_true(whole.width > 2 * whole.height);
  assert_true(whole.width <= 2000);
  const double half_mm = 0.8; /* the least half breadth that is shown */
  const double at_px = BOARD_NUT_PX + BOARD_PX_PER_MM * (board_layout_mm(3) + board_error_mm(3));
  const double drawn_px = 0.5 * (ceil(at_px - 1.0) + floor(at_px + 1.0)); /* board_bar draws whole pixels */
  const double error_mm = board_error_mm(3) + (drawn_px - at_px) / BOARD_PX_PER_MM;
  CHECK_CLOSE(darkest_part(&close), 0.5 + 0.5 * error_mm / half_mm, 0.003);
  free(whole.value);
  free(close.value);
  tree_free(&t);
  free_board(&b);
}

static void test_pictures(void **state)
{
  (void)state;
  check_pictures(false, 8);
  check_pictures(true, 16);
}

/* ---- what is not known ------------------------------------------------------------------------------------------ */

static void test_without_a_scale(void **state)
{
  (void)state;
  board b;
  make_board(false, 8, &b);
  for (size_t i = 0; i < b.record.mark_count; i++) {
    sp_mark_record *m = &b.record.marks[i];
    m->x_mm = m->error_mm = m->expanded_u_mm = m->u_mm = m->width_mm = m->recut_mm = NAN;
    m->verdict = SP_UNDECIDED;
    m->found = true;
  }
  b.record.reference.kind = SP_REFERENCE_NONE;
  b.record.reference.px_per_mm = NAN;
  b.record.verdict = SP_UNDECIDED;
  page_tree t = tree_of_board(&b);
  check_tree_text(&t, "(//h:h2)[1]", "Not decided");
  assert_int_equal(tree_count(&t, "//h:p[starts-with(.,'Without a scale no length can be given')]"), 1);
  assert_int_equal(tree_count(&t, "//s:title[@id='error-mm-title']"), 0);
  assert_int_equal(tree_count(&t, "//s:title[@id='error-cents-title' and contains(.,'best-fitting')]"), 1);
  assert_int_equal(tree_count(&t, "//h:section[@id='close-ups']"), 0);
  check_cell(&t, 3, 4, NAN, 1.0);
  tree_free(&t);
  free_board(&b);
}

static void test_nothing_was_found(void **state)
{
  (void)state;
  board b;
  assert_true(board_raster(false, 8, &b.raster));
  sp_record_init(&b.record);
  assert_int_equal(sp_record_add_source(&b.record, "empty.png", 2500, 900, NAN, NULL), SP_OK);
  page_tree t = tree_of_board(&b);
  check_tree_text(&t, "(//h:h2)[1]", "Not decided");
  assert_int_equal(tree_count(&t, "//s:image"), 1);
  assert_int_equal(tree_count(&t, "//h:table"), 0);
  tree_free(&t);
  free_board(&b);
}

/* ---- from outside ----------------------------------------------------------------------------------------------- */

static void test_hostile_names(void **state)
{
  (void)state;
  static const char *const NAMES[] = {"</title><script>alert(1)</script>.png",
                                      "x\" onerror=\"alert(1).png",
                                      "a/b/<img src=x onerror=alert(1)>",
                                      "&lt;b&gt;\x01\xff\x1b[2J\xe2\x80\xae.png",
                                      "",
                                      "/"};
  for (size_t i = 0; i < sizeof NAMES / sizeof *NAMES; i++) {
    board b;
    make_board(false, 8, &b);
    free(b.record.sources[0].file);
    b.record.sources[0].file = malloc(strlen(NAMES[i]) + 1);
    assert_non_null(b.record.sources[0].file);
    strcpy(b.record.sources[0].file, NAMES[i]);
    assert_int_equal(sp_record_warn(&b.record, NULL, "%s", NAMES[i]), SP_OK);
    page_tree t = tree_of_board(&b);
    assert_int_equal(tree_count(&t, "//h:script"), 0);
    assert_int_equal(tree_count(&t, "//h:img"), 0);
    assert_int_equal(tree_count(&t, "//@onerror"), 0);
    char *clean = sp_clean_text(NAMES[i]);
    check_tree_text(&t, "//h:dd/h:bdi", clean);
    free(clean);
    tree_free(&t);
    free_board(&b);
  }
}

/* Nothing is fetched: no address but those of the name spaces and data. */
static void test_nothing_is_fetched(void **state)
{
  (void)state;
  board b;
  make_board(false, 8, &b);
  char *text = page_of(&b);
  page_tree t = tree_of(text);
  assert_int_equal(tree_count(&t, "//@href[not(starts-with(.,'data:image/jpeg;base64,'))]"), 0);
  assert_int_equal(tree_count(&t, "//@src | //h:link | //h:script | //h:iframe"), 0);
  assert_null(strstr(text, "@import"));
  assert_null(strstr(text, "url("));
  assert_int_equal(strncmp(text, "<!DOCTYPE html>", 15), 0);
  tree_free(&t);
  free(text);
  free_board(&b);
}

static void test_a_full_disk_is_told(void **state)
{
  (void)state;
  board b;
  sp_error err = {0};
  make_board(false, 8, &b);
  FILE *full = fopen("/dev/full", "wb");
  assert_non_null(full);
  assert_int_equal(sp_page_check(&b.record, &b.raster, full, &err), SP_E_IO);
  assert_non_null(strstr(err.text, "disk"));
  fclose(full);
  free_board(&b);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_the_verdict_comes_first),
      cmocka_unit_test(test_what_to_do),
      cmocka_unit_test(test_nothing_to_do),
      cmocka_unit_test(test_the_table_is_the_record),
      cmocka_unit_test(test_the_plot_is_the_record),
      cmocka_unit_test(test_the_strokes_are_the_record),
      cmocka_unit_test(test_pictures),
      cmocka_unit_test(test_without_a_scale),
      cmocka_unit_test(test_nothing_was_found),
      cmocka_unit_test(test_hostile_names),
      cmocka_unit_test(test_nothing_is_fetched),
      cmocka_unit_test(test_a_full_disk_is_told),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
