/* Markup, read back by libxml2's parser. What must be escaped where: XML 1.0 (fifth edition), 2.4 and 3.3.3; base64:
 * RFC 4648, section 10. */
#include "check_close.h"

#include <stdlib.h>
#include <string.h>

#include "page_tree.h"
#include "slotproof/markup.h"

typedef struct writing {
  sp_markup *markup;
  char *text;
  size_t size;
  FILE *file;
} writing;

static void start(writing *w)
{
  w->file = open_memstream(&w->text, &w->size);
  assert_non_null(w->file);
  assert_int_equal(sp_markup_open(w->file, &w->markup, NULL), SP_OK);
}

static sp_status finish(writing *w)
{
  const sp_status status = sp_markup_close(w->markup, NULL);
  assert_int_equal(fclose(w->file), 0);
  return status;
}

/* One element with a text and an attribute, read back. */
static void check_round_trip(const char *text, const char *expected)
{
  writing w;
  start(&w);
  sp_markup_begin(w.markup, "p");
  sp_markup_set(w.markup, "title", text);
  sp_markup_text(w.markup, text);
  sp_markup_end(w.markup);
  assert_int_equal(finish(&w), SP_OK);
  page_tree t = tree_of(w.text);
  assert_int_equal(tree_count(&t, "//*"), 1);
  check_tree_text(&t, "/p", expected);
  check_tree_text(&t, "/p/@title", expected);
  tree_free(&t);
  free(w.text);
}

static void test_texts_come_back_as_they_were(void **state)
{
  (void)state;
  check_round_trip("a < b & c > d \"quoted\" 'so'", "a < b & c > d \"quoted\" 'so'");
  check_round_trip("</p><script>alert(1)</script>", "</p><script>alert(1)</script>");
  check_round_trip("\" onload=\"alert(1)", "\" onload=\"alert(1)");
  check_round_trip("]]> &amp; &#0; <!-- --> <![CDATA[", "]]> &amp; &#0; <!-- --> <![CDATA[");
  check_round_trip("b\xc3\xbcnd \xe2\x80\x94 \xf0\x9f\xaa\x95", "b\xc3\xbcnd \xe2\x80\x94 \xf0\x9f\xaa\x95");
}

/* What XML cannot hold at all becomes U+FFFD: control characters, bytes that are not UTF-8, U+FFFE (production 2). */
static void test_what_cannot_stand_is_replaced(void **state)
{
  (void)state;
  check_round_trip("a\x01z", "a\xef\xbf\xbdz");
  check_round_trip("a\xffz", "a\xef\xbf\xbdz");
  check_round_trip("a\xef\xbf\xbez", "a\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbdz");
}

static void test_elements(void **state)
{
  (void)state;
  writing w;
  start(&w);
  sp_markup_begin(w.markup, "div");
  sp_markup_put(w.markup, "b", "name", "x");
  sp_markup_begin(w.markup, "img");
  sp_markup_set_number(w.markup, "width", -0.001);
  sp_markup_set_number(w.markup, "height", 12.3456);
  sp_markup_end_empty(w.markup);
  sp_markup_begin(w.markup, "i");
  sp_markup_end(w.markup);
  sp_markup_putf(w.markup, "em", NULL, "%d %s", 7, "<");
  sp_markup_end(w.markup);
  assert_int_equal(finish(&w), SP_OK);
  /* an HTML parser knows no <i/>, and no </img> */
  assert_string_equal(w.text,
                      "<div><b class=\"name\">x</b><img width=\"0\" height=\"12.35\"/><i></i><em>7 &lt;</em></div>");
  free(w.text);
}

static void test_data(void **state)
{
  (void)state;
  static const struct {
    const char *bytes, *base64;
  } cases[] = {{"", ""},
               {"f", "Zg=="},
               {"fo", "Zm8="},
               {"foo", "Zm9v"},
               {"foob", "Zm9vYg=="},
               {"fooba", "Zm9vYmE="},
               {"foobar", "Zm9vYmFy"}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    writing w;
    start(&w);
    char expected[80];
    sp_markup_begin(w.markup, "img");
    sp_markup_set_data(w.markup, "src", "image/jpeg", cases[i].bytes, strlen(cases[i].bytes));
    sp_markup_end_empty(w.markup);
    assert_int_equal(finish(&w), SP_OK);
    snprintf(expected, sizeof expected, "<img src=\"data:image/jpeg;base64,%s\"/>", cases[i].base64);
    assert_string_equal(w.text, expected);
    free(w.text);
  }
}

static void test_an_unknown_place_is_a_failure(void **state)
{
  (void)state;
  writing w;
  start(&w);
  sp_markup_begin(w.markup, "svg");
  sp_markup_set_number(w.markup, "x", NAN);
  sp_markup_end(w.markup);
  assert_int_equal(finish(&w), SP_E_INTERNAL);
  free(w.text);
}

static void test_a_full_disk_is_told(void **state)
{
  (void)state;
  FILE *full = fopen("/dev/full", "wb");
  sp_markup *m = NULL;
  sp_error err = {0};
  assert_non_null(full);
  assert_int_equal(sp_markup_open(full, &m, NULL), SP_OK);
  sp_markup_begin(m, "p");
  for (int i = 0; i < 20000; i++)
    sp_markup_text(m, "more than any buffer holds");
  sp_markup_end(m);
  assert_int_equal(sp_markup_close(m, &err), SP_E_IO);
  assert_non_null(strstr(err.text, "disk"));
  fclose(full);
  assert_int_equal(sp_markup_close(NULL, NULL), SP_OK);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_texts_come_back_as_they_were),
      cmocka_unit_test(test_what_cannot_stand_is_replaced),
      cmocka_unit_test(test_elements),
      cmocka_unit_test(test_data),
      cmocka_unit_test(test_an_unknown_place_is_a_failure),
      cmocka_unit_test(test_a_full_disk_is_told),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
