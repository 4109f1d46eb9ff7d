/* Drawings from numbers: where things come to lie, read back from the SVG by libxml2's parser. */
#include "check_close.h"

#include <stdlib.h>
#include <string.h>

#include "page_tree.h"
#include "slotproof/plot.h"

/* Data 0..10 by -1..1 on 100..300 by 20..120 drawing units. */
static const sp_plot_frame FRAME = {100.0, 300.0, 20.0, 120.0, 0.0, 10.0, -1.0, 1.0};

typedef void (*draw_function)(sp_markup *m);

static page_tree drawn(draw_function draw)
{
  char *text = NULL;
  size_t size = 0;
  sp_markup *m = NULL;
  FILE *file = open_memstream(&text, &size);
  assert_non_null(file);
  assert_int_equal(sp_markup_open(file, &m, NULL), SP_OK);
  sp_plot_open(m, "it", 400.0, 150.0, "a title", "some words");
  draw(m);
  sp_plot_close(m);
  assert_int_equal(sp_markup_close(m, NULL), SP_OK);
  assert_int_equal(fclose(file), 0);
  page_tree t = tree_of(text);
  free(text);
  return t;
}

static void test_frame(void **state)
{
  (void)state;
  CHECK_CLOSE(sp_plot_x(&FRAME, 0.0), 100.0, 1e-12);
  CHECK_CLOSE(sp_plot_x(&FRAME, 2.5), 150.0, 1e-12);
  CHECK_CLOSE(sp_plot_y(&FRAME, 1.0), 20.0, 1e-12);
  CHECK_CLOSE(sp_plot_y(&FRAME, -0.5), 95.0, 1e-12);
  assert_true(isnan(sp_plot_x(&FRAME, NAN)));
}

/* By definition: 1, 2, 5 times a power of ten, and the next smaller one would make too many parts. */
static void test_steps(void **state)
{
  (void)state;
  static const struct {
    double range;
    int most;
    double step;
  } cases[] = {{1.0, 5, 0.2}, {1.0, 10, 0.1},     {0.99, 10, 0.1}, {1.01, 10, 0.2},
               {7.0, 3, 5.0}, {2400.0, 6, 500.0}, {3e-5, 4, 1e-5}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
    CHECK_CLOSE(sp_plot_step(cases[i].range, cases[i].most), cases[i].step, 1e-9 * cases[i].step);
  assert_true(isnan(sp_plot_step(0.0, 5)));
  assert_true(isnan(sp_plot_step(NAN, 5)));
  assert_true(isnan(sp_plot_step(INFINITY, 5)));
}

static void draw_axis(sp_markup *m)
{
  sp_plot_axis_y(m, &FRAME, true);
}

static void test_axis(void **state)
{
  (void)state;
  page_tree t = drawn(draw_axis);
  assert_int_equal(tree_count(&t, "//s:line[@class='zero']"), 1);
  CHECK_CLOSE(tree_number(&t, "//s:line[@class='zero']/@y1"), 70.0, 0.01);
  assert_int_equal(tree_count(&t, "//s:line"), tree_count(&t, "//s:text"));
  assert_int_equal(tree_count(&t, "//s:text[.='+1']"), 1);
  assert_int_equal(tree_count(&t, "//s:text[.='-1']"), 1);
  assert_int_equal(tree_count(&t, "//s:text[.='0']"), 1); /* neither +0 nor -0 */
  check_tree_text(&t, "/s:svg/s:title", "a title");
  check_tree_text(&t, "/s:svg/@aria-labelledby", "it-title it-words");
  tree_free(&t);
}

static void draw_data(sp_markup *m)
{
  const double x[] = {0.0, 5.0, 6.0, 10.0}, y[] = {0.0, NAN, 0.5, 3.0};
  sp_plot_box(m, &FRAME, -5.0, 5.0, -0.5, 0.5, "box");
  sp_plot_box(m, &FRAME, 11.0, 12.0, 0.0, 1.0, "outside");
  sp_plot_box(m, &FRAME, 0.0, NAN, 0.0, 1.0, "unknown");
  sp_plot_level(m, &FRAME, 0.5, "level");
  sp_plot_level(m, &FRAME, 1.5, "outside");
  sp_plot_upright(m, &FRAME, 5.0, "upright");
  sp_plot_upright(m, &FRAME, NAN, "unknown");
  sp_plot_polyline(m, &FRAME, x, y, 4, "poly");
  sp_plot_whisker(m, &FRAME, 5.0, 0.9, 0.3, 4.0, "whisker");
  sp_plot_whisker(m, &FRAME, 5.0, 0.0, NAN, 4.0, "unknown");
}

static void test_data_comes_to_its_place(void **state)
{
  (void)state;
  page_tree t = drawn(draw_data);
  CHECK_CLOSE(tree_number(&t, "//s:rect[@class='box']/@x"), 100.0, 0.01); /* cut off at the frame */
  CHECK_CLOSE(tree_number(&t, "//s:rect[@class='box']/@width"), 100.0, 0.01);
  CHECK_CLOSE(tree_number(&t, "//s:rect[@class='box']/@y"), 45.0, 0.01);
  CHECK_CLOSE(tree_number(&t, "//s:rect[@class='box']/@height"), 50.0, 0.01);
  CHECK_CLOSE(tree_number(&t, "//s:line[@class='level']/@y1"), 45.0, 0.01);
  CHECK_CLOSE(tree_number(&t, "//s:line[@class='upright']/@x2"), 200.0, 0.01);
  assert_int_equal(tree_count(&t, "//s:line[@class='poly']"), 1); /* the unknown point breaks it twice */
  CHECK_CLOSE(tree_number(&t, "//s:line[@class='poly']/@y2"), 20.0, 0.01);
  assert_int_equal(tree_count(&t, "//s:line[@class='whisker']"), 2); /* its upper end lies beyond: no end stroke */
  CHECK_CLOSE(tree_number(&t, "//s:line[@class='whisker'][1]/@y1"), 40.0, 0.01);
  CHECK_CLOSE(tree_number(&t, "//s:line[@class='whisker'][1]/@y2"), 20.0, 0.01);
  assert_int_equal(tree_count(&t, "//*[@class='unknown' or @class='outside']"), 0);
  tree_free(&t);
}

static void draw_signs(sp_markup *m)
{
  sp_plot_sign(m, SP_WITHIN, 10.0, 20.0, 5.0, 1.0);
  sp_plot_sign(m, SP_OUT, 10.0, 20.0, 5.0, 1.0);
  sp_plot_sign(m, SP_OUT, 10.0, 20.0, 5.0, -1.0);
  sp_plot_sign(m, SP_UNDECIDED, 10.0, 20.0, 5.0, 1.0);
  sp_plot_sign(m, SP_MISSING, 10.0, 20.0, 5.0, NAN);
  sp_plot_sign(m, SP_WITHIN, NAN, 20.0, 5.0, 1.0);
  sp_plot_dot(m, 10.0, NAN, 5.0, "dot");
}

/* Each verdict has a form of its own, and the triangle's tip lies on the side to move to. */
static void test_signs_differ_without_colour(void **state)
{
  (void)state;
  page_tree t = drawn(draw_signs);
  assert_int_equal(tree_count(&t, "//s:circle"), 1);
  assert_int_equal(tree_count(&t, "//s:path[contains(@class,'out') and starts-with(@d,'M16')]"), 1);
  assert_int_equal(tree_count(&t, "//s:path[contains(@class,'out') and starts-with(@d,'M4')]"), 1);
  assert_int_equal(tree_count(&t, "//s:path[contains(@class,'undecided')]/following-sibling::s:text[1][.='?']"), 1);
  assert_int_equal(tree_count(&t, "//s:path[contains(@class,'missing')]"), 1);
  tree_free(&t);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_frame),
      cmocka_unit_test(test_steps),
      cmocka_unit_test(test_axis),
      cmocka_unit_test(test_data_comes_to_its_place),
      cmocka_unit_test(test_signs_differ_without_colour),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
