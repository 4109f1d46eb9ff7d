/* How the board is cut into sheets and its lines lettered; and what a drawing says of itself. */
#include "check_close.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "drawing/sheets.h"
#include "slotproof/drawing.h"

typedef struct board {
  double scale_length_mm;
  int32_t frets, divisions;
} board;

static const board BOARDS[] = {{345, 15, 12}, {648, 22, 12},  {648, 106, 53},  {864, 24, 12},
                               {1080, 1, 12}, {648, 1, 1200}, {9999, 200, 72}, {10, 200, 31}};
enum { BOARD_COUNT = sizeof BOARDS / sizeof *BOARDS };

static sp_layout made(const board *b)
{
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(b->scale_length_mm, b->frets, b->divisions, &l, &err), SP_OK);
  return l;
}

/* The whole board from before the nut to beyond the last fret, nothing wider than the paper, neighbours sharing what
 * lies about their join. */
static void check_sheets(const sp_layout *l, double window_mm)
{
  sp_sheet *sheets;
  size_t count;
  sp_error err = {0};
  assert_int_equal(sp_sheets_cut(l, NULL, window_mm, &sheets, &count, &err), SP_OK);
  CHECK_CLOSE(sheets[0].from_mm, -SP_SHEET_LEAD_MM, 0.0);
  assert_true(isnan(sheets[0].join_before_mm) && isnan(sheets[count - 1].join_after_mm));
  CHECK_CLOSE(sheets[count - 1].to_mm, l->position_mm[l->frets] + SP_SHEET_TAIL_MM, 0.0);
  for (size_t i = 0; i < count; i++) {
    CHECK_BELOW(sheets[i].to_mm - sheets[i].from_mm, window_mm + 1e-9);
    if (i + 1 == count)
      break;
    CHECK_CLOSE(sheets[i].join_after_mm, sheets[i + 1].join_before_mm, 0.0);
    CHECK_CLOSE(sheets[i].to_mm, sheets[i].join_after_mm + SP_SHEET_BEYOND_JOIN_MM, 1e-9);
    CHECK_CLOSE(sheets[i + 1].from_mm, sheets[i].join_after_mm - SP_SHEET_BEYOND_JOIN_MM, 1e-9);
  }
  const double length = l->position_mm[l->frets] + SP_SHEET_LEAD_MM + SP_SHEET_TAIL_MM;
  assert_true((double)count >= length / window_mm && (double)count <= 1.0 + length / (window_mm - 96.0));
  free(sheets);
}

static void sheets_cover_the_board(void **state)
{
  (void)state;
  for (int i = 0; i < BOARD_COUNT; i++) {
    sp_layout l = made(&BOARDS[i]);
    check_sheets(&l, 273.0);
    check_sheets(&l, 255.4);
    sp_layout_free(&l);
  }
}

/* A guitar on A4: one join, midway between frets 8 and 9 (239.786 and 262.697 mm, 648 (1 - 2^(-n/12))). */
static void a_join_lies_midway_between_frets(void **state)
{
  (void)state;
  sp_layout l = made(&BOARDS[1]);
  sp_sheet *sheets;
  size_t count;
  sp_error err = {0};
  assert_int_equal(sp_sheets_cut(&l, NULL, 273.0, &sheets, &count, &err), SP_OK);
  assert_int_equal(count, 2);
  CHECK_CLOSE(sheets[0].join_after_mm, 0.5 * (239.786 + 262.697), 0.001);
  free(sheets);
  sp_layout_free(&l);
}

static void labels_do_not_touch(void **state)
{
  (void)state;
  int8_t row[SP_LAYOUT_MAX_FRETS + 1];
  for (int i = 0; i < BOARD_COUNT; i++) {
    sp_layout l = made(&BOARDS[i]);
    const int used = sp_sheets_label_rows(&l, SP_LABEL_ROWS, row);
    int highest = -1;
    assert_int_equal(row[0], 0);
    for (int32_t n = 0; n <= l.frets; n++) {
      assert_true(row[n] >= -1 && row[n] < SP_LABEL_ROWS);
      highest = row[n] > highest ? row[n] : highest;
      for (int32_t m = 0; m < n; m++)
        if (row[n] >= 0 && row[m] == row[n])
          CHECK_BELOW(5.0, l.position_mm[n] - l.position_mm[m]); /* two digits of 4 mm height */
    }
    assert_int_equal(used, highest + 1);
    sp_layout_free(&l);
  }
  sp_layout l = made(&BOARDS[1]);
  assert_int_equal(sp_sheets_label_rows(&l, SP_LABEL_ROWS, row), 1); /* an ordinary guitar needs no second row */
  sp_layout_free(&l);
}

static char *drawn(const sp_layout *l, const sp_slots *slots, bool pdf, size_t *size)
{
  FILE *file = tmpfile();
  sp_error err = {0};
  char *bytes = malloc(4000000);
  assert_true(file && bytes);
  assert_int_equal(pdf ? sp_drawing_pdf(l, slots, SP_PAPER_LETTER, file, &err) : sp_drawing_svg(l, slots, file, &err),
                   SP_OK);
  rewind(file);
  *size = fread(bytes, 1, 3999999, file);
  bytes[*size] = '\0';
  fclose(file);
  return bytes;
}

/* ISO 32000-1: the header, the end mark; the page's box in points of 1/72 in: letter is 11 x 8.5 in = 792 x 612. */
static void a_pdf_of_letter_sheets(void **state)
{
  (void)state;
  sp_layout l = made(&BOARDS[1]);
  size_t size;
  char *bytes = drawn(&l, NULL, true, &size);
  assert_memory_equal(bytes, "%PDF-1.", 7);
  assert_memory_equal(bytes + size - 6, "%%EOF\n", 6);
  int pages = 0;
  for (size_t i = 0; i + 9 < size; i++) {
    double width, height;
    if (memcmp(bytes + i, "/MediaBox", 9) != 0)
      continue;
    assert_int_equal(sscanf(bytes + i, "/MediaBox [ 0 0 %lf %lf ]", &width, &height), 2);
    CHECK_CLOSE(width, 792.0, 0.01);
    CHECK_CLOSE(height, 612.0, 0.01);
    pages++;
  }
  assert_int_equal(pages, 2);
  free(bytes);
  sp_layout_free(&l);
}

/* The sheet is as long as the board with its margins, in points. */
static void an_svg_in_one_piece(void **state)
{
  (void)state;
  sp_layout l = made(&BOARDS[1]);
  size_t size;
  char *bytes = drawn(&l, NULL, false, &size);
  const char *at = strstr(bytes, " width=\"");
  char unit[3] = "";
  double width_pt;
  assert_non_null(at);
  assert_int_equal(sscanf(at, " width=\"%lf%2[a-z]\"", &width_pt, unit), 2);
  assert_string_equal(unit, "pt");
  const double millimetres = l.position_mm[22] + SP_SHEET_LEAD_MM + SP_SHEET_TAIL_MM + 2.0 * SP_SHEET_MARGIN_MM;
  CHECK_CLOSE(width_pt / 72.0 * 25.4, millimetres, 0.001);
  assert_non_null(strstr(bytes, "</svg>"));
  free(bytes);
  sp_layout_free(&l);
}

static void too_wide_for_a_sheet(void **state)
{
  (void)state;
  sp_layout l = made(&BOARDS[3]);
  sp_board_shape shape;
  sp_board_shape_init(&shape);
  shape.nut_width_mm = 120.0;
  sp_slots slots;
  sp_error err = {0};
  assert_int_equal(sp_slots_plan(&l, &shape, &slots, &err), SP_OK);
  FILE *file = tmpfile();
  assert_non_null(file);
  assert_int_equal(sp_drawing_pdf(&l, &slots, SP_PAPER_A4, file, &err), SP_E_USAGE);
  assert_non_null(strstr(err.text, "120 mm"));
  assert_int_equal(ftell(file), 0);
  assert_int_equal(sp_drawing_svg(&l, &slots, file, &err), SP_OK);
  fclose(file);
  sp_slots_free(&slots);
  sp_layout_free(&l);
}

static void full_disk(void **state)
{
  (void)state;
  sp_layout l = made(&BOARDS[0]);
  for (int pdf = 0; pdf < 2; pdf++) {
    FILE *file = fopen("/dev/full", "w");
    sp_error err = {0};
    if (!file) {
      sp_layout_free(&l);
      skip();
    }
    assert_int_equal(pdf ? sp_drawing_pdf(&l, NULL, SP_PAPER_A4, file, &err) : sp_drawing_svg(&l, NULL, file, &err),
                     SP_E_IO);
    assert_non_null(strstr(err.text, "disk"));
    fclose(file);
  }
  sp_layout_free(&l);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(sheets_cover_the_board),
      cmocka_unit_test(a_join_lies_midway_between_frets),
      cmocka_unit_test(labels_do_not_touch),
      cmocka_unit_test(a_pdf_of_letter_sheets),
      cmocka_unit_test(an_svg_in_one_piece),
      cmocka_unit_test(too_wide_for_a_sheet),
      cmocka_unit_test(full_disk),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
