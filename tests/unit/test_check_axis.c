/* Frames of pieces on one centre line: two scans of a made-up board whose places are known exactly, laid down as plane
 * geometry in this file. The first's centre line was read wrongly, as where a side of the board does not show. */
#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "check/pieces.h"
#include "check_close.h"

enum { LINES = 4 };
static const double PX_MM = 0.05, LENGTH_PX = 4000.0;
/* On the board: x along the true centre line, dx/dy of each line. */
static const double X_MM[LINES] = {20.0, 60.0, 110.0, 180.0}, LEAN[LINES] = {-0.25, -0.1, 0.05, 0.3};

/* How a scan lies: u = (x - from) cos t - y sin t, v = (x - from) sin t + y cos t + middle. */
typedef struct lie {
  double from_mm, tilt_rad, middle_mm;
} lie;

static sp_point picture(const lie *l, double x_mm, double y_mm)
{
  const double c = cos(l->tilt_rad), s = sin(l->tilt_rad), x = x_mm - l->from_mm;
  return (sp_point){(x * c - y_mm * s) / PX_MM, (x * s + y_mm * c + l->middle_mm) / PX_MM};
}

/* A scan whose centre line is taken to lie `aside_mm` beside the true one at x_mm = `about`, and turned. */
static void make_piece(const lie *l, double aside_mm, double turn_rad, double about_mm, double u_aside_mm,
                       double u_turn_rad, piece *p)
{
  sp_error err = {0};
  memset(p, 0, sizeof *p);
  assert_int_equal(sp_scale_map_constant(SP_ALONG_X, PX_MM, 0.0, LENGTH_PX, &p->reference.map, &err), SP_OK);
  const double dx = 50.0;
  const sp_point a = picture(l, about_mm, aside_mm), b = picture(l, about_mm + dx, aside_mm + dx * tan(turn_rad));
  sp_lengthwise *c = &p->marks.board.centre;
  c->slope = (b.y - a.y) / (b.x - a.x);
  c->at_px = a.y - c->slope * a.x;
  c->u_at_px = u_aside_mm / PX_MM;
  c->u_slope = u_turn_rad;
  p->frame = sp_board_frame_of(&p->reference.map, c->at_px, c->slope, PX_MM);
  p->marks.marks = calloc(LINES, sizeof *p->marks.marks);
  assert_non_null(p->marks.marks);
  p->width_px = (uint32_t)LENGTH_PX;
  p->height_px = 1200;
  p->side_from_mm = -25.0;
  p->side_to_mm = 25.0;
  p->from_mm = sp_board_frame_mm(&p->frame, 0.0, c->at_px).x;
  p->to_mm = sp_board_frame_mm(&p->frame, LENGTH_PX - 1.0, c->at_px + c->slope * (LENGTH_PX - 1.0)).x;
}

/* Line i where it crosses the centre line that the piece believes in. */
static void add_line(const lie *l, int i, piece *p)
{
  const sp_lengthwise *c = &p->marks.board.centre;
  const sp_point a = picture(l, X_MM[i], 0.0), b = picture(l, X_MM[i] + 10.0 * LEAN[i], 10.0);
  sp_mark *m = &p->marks.marks[p->marks.count++];
  m->slope = (b.x - a.x) / (b.y - a.y);
  m->v_px = (c->at_px + c->slope * (a.x - m->slope * a.y)) / (1.0 - c->slope * m->slope);
  m->u_px = a.x + m->slope * (m->v_px - a.y);
  m->u_u_px = 0.01;
  m->u_slope = 1e-5;
}

static double x_of(const piece *p, size_t i)
{
  return piece_mm(p, p->marks.marks[i].u_px, p->marks.marks[i].v_px).x;
}

/* What the wood measures, without error: at three places that lie on the first's y = 0. */
static void measure_wood(const piece *first, const lie *one, const piece *second, const lie *two, double shift_mm,
                         piece_link *link)
{
  sp_grain_fit *w = &link->wood;
  memset(link, 0, sizeof *link);
  link->place.shift_mm = shift_mm;
  w->count = 3;
  w->overlap_mm = 60.0;
  for (int i = 0; i < 3; i++) {
    sp_grain_slab *s = &w->slab[i];
    s->x_mm = 100.0 + 25.0 * i;
    const sp_point px = piece_px(first, (sp_point){s->x_mm, 0.0});
    const double c = cos(one->tilt_rad), t = sin(one->tilt_rad), u = px.x * PX_MM, v = px.y * PX_MM - one->middle_mm;
    const sp_point on_board = {u * c + v * t + one->from_mm, v * c - u * t};
    const sp_point there = picture(two, on_board.x, on_board.y), at = piece_mm(second, there.x, there.y);
    s->shift_mm = s->x_mm - at.x;
    s->aside_mm = -at.y;
    s->u_aside_mm = s->u_shift_mm = 0.001;
  }
  w->aside_mm = (w->slab[0].aside_mm + w->slab[1].aside_mm + w->slab[2].aside_mm) / 3.0;
  w->turn_rad = (w->slab[2].aside_mm - w->slab[0].aside_mm) / 50.0;
  w->u_aside_mm = 0.001;
  w->u_turn_rad = 1e-5;
}

static void the_better_centre_line_counts_for_both(void **state)
{
  (void)state;
  const lie one = {0.0, 0.01, 30.0}, two = {95.0, -0.015, 28.0};
  piece pieces[2];
  piece_link link;
  pieces_axis axis;
  sp_error err = {0};
  make_piece(&one, 0.6, 0.004, 100.0, 0.6, 0.005, &pieces[0]); /* a side that does not show */
  make_piece(&two, 0.0, 0.0, 150.0, 0.002, 2e-5, &pieces[1]);
  for (int i = 0; i < LINES; i++) {
    if (X_MM[i] < 150.0)
      add_line(&one, i, &pieces[0]);
    if (X_MM[i] > 100.0)
      add_line(&two, i, &pieces[1]);
  }
  /* line 0 leans by a quarter: it is met 0.07 mm beside its place, line 2 hardly */
  const double wrong = x_of(&pieces[0], 2) - x_of(&pieces[0], 0) - (X_MM[2] - X_MM[0]);
  assert_true(fabs(wrong) > 0.05);
  measure_wood(&pieces[0], &one, &pieces[1], &two, 95.0, &link);
  assert_true(fabs(link.wood.aside_mm) > 0.4 && fabs(link.wood.turn_rad) > 0.003);
  assert_int_equal(pieces_align(pieces, 2, &link, &axis, &err), SP_OK);
  /* the good one moves by what its own uncertainty and that of the wood leave, some micrometres */
  CHECK_CLOSE(x_of(&pieces[0], 2) - x_of(&pieces[0], 0), X_MM[2] - X_MM[0], 0.002);
  CHECK_CLOSE(x_of(&pieces[0], 1) - x_of(&pieces[0], 0), X_MM[1] - X_MM[0], 0.002);
  CHECK_CLOSE(x_of(&pieces[1], 1) - x_of(&pieces[1], 0), X_MM[3] - X_MM[2], 0.002);
  for (int i = 0; i < 3; i++) {
    CHECK_CLOSE(tan(piece_lean_rad(&pieces[0], pieces[0].marks.marks[i].u_px, pieces[0].marks.marks[i].slope)), LEAN[i],
                2e-4);
    /* the wood joins the moved frames as the mark that both show does */
    CHECK_CLOSE(link.wood.slab[i].shift_mm, x_of(&pieces[0], 2) - x_of(&pieces[1], 0), 0.002);
    CHECK_BELOW(fabs(link.wood.slab[i].aside_mm), 0.003);
  }
  CHECK_BELOW(axis.u_aside_mm, 0.05);
  CHECK_BELOW(pieces[0].u_turn_rad, 0.0005);
  for (int k = 0; k < 2; k++)
    piece_free(&pieces[k]);
}

/* Without wood in common nothing is known of one by the other, and nothing moves. */
static void nothing_moves_without_wood(void **state)
{
  (void)state;
  const lie one = {0.0, 0.0, 30.0}, two = {95.0, 0.0, 30.0};
  piece pieces[2];
  piece_link link;
  pieces_axis axis;
  sp_error err = {0};
  make_piece(&one, 0.3, 0.002, 100.0, 0.6, 0.005, &pieces[0]);
  make_piece(&two, 0.0, 0.0, 150.0, 0.002, 2e-5, &pieces[1]);
  add_line(&one, 0, &pieces[0]);
  add_line(&two, 3, &pieces[1]);
  memset(&link, 0, sizeof link);
  link.wood.aside_mm = link.wood.turn_rad = link.wood.u_aside_mm = link.wood.u_turn_rad = NAN;
  link.place.shift_mm = 95.0;
  const double before = x_of(&pieces[0], 0);
  assert_int_equal(pieces_align(pieces, 2, &link, &axis, &err), SP_OK);
  CHECK_CLOSE(x_of(&pieces[0], 0), before, 1e-9);
  CHECK_BELOW(0.2, axis.u_aside_mm); /* half of what the first leaves open */
  for (int k = 0; k < 2; k++)
    piece_free(&pieces[k]);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_better_centre_line_counts_for_both),
      cmocka_unit_test(nothing_moves_without_wood),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
