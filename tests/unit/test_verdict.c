/* From lines in pixels to errors, uncertainty and decision, on boards written by hand.
 *
 * Numbers to hold against: equal temperament, 1200 / ln 2 cents per unit of relative length; guard bands of ISO 14253-1
 * / JCGM 106 with the expanded uncertainty k = 2 (limits 0.100, u 0.020: accept to 0.060, reject from 0.140); MPE of
 * JIS B 7516 grade 1 as a rectangular distribution (JCGM 100, 4.3.7: half width / sqrt 3); thermal expansion of
 * steels 10.3 to 11.7e-6 and of wood along the grain 3 to 5e-6 per kelvin (Wood Handbook), reference temperature 20 C
 * (ISO 1). */
#include "check_close.h"
#include "drawing.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/verdict.h"

enum { FRETS = 24 };
static const double SCALE_MM = 650.0, MM_PER_PX = 0.0423, LENGTH_PX = 14000.0, BREADTH_PX = 2400.0, NUT_PX = 400.0;
static const double DEG = 57.29577951308232;

/* A board as it lies in the picture, with everything that the verdict is made from. */
typedef struct board {
  sp_along along;
  int direction;   /* +1: the bridge is at larger u */
  double tilt_rad; /* of the centre line against u */
  double error_mm[FRETS + 1], lean_rad[FRETS + 1], u_px[FRETS + 1];
  double common_px; /* uncertainty that all marks share */
  double u_slope, cov_u_slope, u_direction;
  bool no_sides;
  bool missing[FRETS + 1];
  sp_layout layout;
  sp_reference ref;
  sp_mark mark[FRETS + 2];
  sp_marks marks;
  sp_match match;
  ptrdiff_t line_of_fret[FRETS + 1];
  bool stray[FRETS + 2], contested[FRETS + 1];
  sp_verdict_options options;
  sp_record record;
} board;

static board *board_new(sp_along along, int direction)
{
  board *b = calloc(1, sizeof *b);
  sp_error err = {0};
  assert_non_null(b);
  b->along = along;
  b->direction = direction;
  assert_int_equal(sp_layout_equal(SCALE_MM, FRETS, 12, &b->layout, &err), SP_OK);
  assert_int_equal(sp_scale_map_constant(along, MM_PER_PX, 0.0, LENGTH_PX, &b->ref.map, &err), SP_OK);
  b->ref.map.u_across_relative = 0.0;
  b->ref.record.kind = SP_REFERENCE_RULE;
  b->ref.record.mpe_mm = 0.0;
  b->ref.record.span_mm = 500.0;
  b->options = (sp_verdict_options){.tolerance_mm = 0.1, .tolerance_cents = NAN, .temperature_c = NAN};
  sp_record_init(&b->record);
  return b;
}

static void board_free(board *b)
{
  sp_layout_free(&b->layout);
  sp_scale_map_free(&b->ref.map);
  sp_record_free(&b->record);
  free(b);
}

static double nut_u(const board *b)
{
  return b->direction > 0 ? NUT_PX : LENGTH_PX - NUT_PX;
}

/* u of the place x mm from the nut along the centre line. */
static double u_of(const board *b, double x_mm)
{
  return nut_u(b) + b->direction * cos(b->tilt_rad) * x_mm / MM_PER_PX;
}

/* The directions of the picture in which the board's x and y grow: y is to the right of x as one looks at the picture,
 * whose own y grows downward. */
static sp_point bridgeward(const board *b)
{
  const double c = b->direction * cos(b->tilt_rad), s = b->direction * sin(b->tilt_rad);
  return b->along == SP_ALONG_X ? (sp_point){c, s} : (sp_point){s, c};
}

static sp_point rightward(const board *b)
{
  const sp_point x = bridgeward(b);
  return (sp_point){-x.y, x.x};
}

/* du/dv of a line whose end at larger y stands `lean` nearer the bridge. */
static double slope_of(const board *b, double lean)
{
  const sp_point x = bridgeward(b), y = rightward(b);
  const sp_point d = {y.x * cos(lean) + x.x * sin(lean), y.y * cos(lean) + x.y * sin(lean)};
  return b->along == SP_ALONG_X ? d.x / d.y : d.y / d.x;
}

static void outline(board *b)
{
  sp_board *o = &b->marks.board;
  o->edges_found = !b->no_sides;
  o->centre = (sp_lengthwise){0.5 * BREADTH_PX - tan(b->tilt_rad) * nut_u(b), tan(b->tilt_rad), 0.0, b->u_direction};
  o->side[0] = o->side[1] = o->centre;
  o->side[0].at_px -= 500.0;
  o->side[1].at_px += 500.0;
}

static void add_mark(board *b, int32_t fret, double x_mm, double lean, double u_px)
{
  sp_mark *m = &b->mark[b->marks.count];
  memset(m, 0, sizeof *m);
  m->u_px = u_of(b, x_mm);
  m->v_px = b->marks.board.centre.at_px + b->marks.board.centre.slope * m->u_px;
  m->slope = slope_of(b, lean);
  m->u_u_px = u_px;
  m->u_slope = b->u_slope;
  m->cov_u_slope = b->cov_u_slope;
  m->u_common_px = b->common_px;
  m->width_px = 3.0;
  m->u_width_px = 0.3;
  m->contrast = -0.3;
  m->coverage = 0.97;
  m->strength = 1.0;
  m->v_a_px = m->v_px - 450.0;
  m->v_b_px = m->v_px + 450.0;
  if (fret >= 0)
    b->line_of_fret[fret] = (ptrdiff_t)b->marks.count;
  else
    b->stray[b->marks.count] = true;
  b->marks.count++;
}

/* Marks in order of u, matched as the board says, and the verdict. */
static void judge(board *b)
{
  sp_error err = {0};
  outline(b);
  b->marks.along = b->along;
  b->marks.marks = b->mark;
  b->marks.count = 0;
  for (int i = 0; i <= FRETS; i++) {
    const int k = b->direction > 0 ? i : FRETS - i;
    b->line_of_fret[k] = -1;
    if (!b->missing[k])
      add_mark(b, k, b->layout.position_mm[k] + b->error_mm[k], b->lean_rad[k], b->u_px[k]);
  }
  b->match.direction = b->direction;
  b->match.mm_per_unit = b->ref.map.known ? 1.0 : MM_PER_PX;
  b->match.scale_length_mm = b->ref.map.known ? SCALE_MM : NAN;
  b->match.line_of_fret = b->line_of_fret;
  b->match.is_stray = b->stray;
  b->match.is_contested = b->contested;
  const bool x = b->along == SP_ALONG_X;
  assert_int_equal(sp_record_add_source(&b->record, "board.png", (uint32_t)(x ? LENGTH_PX : BREADTH_PX),
                                        (uint32_t)(x ? BREADTH_PX : LENGTH_PX), NAN, &err),
                   SP_OK);
  assert_int_equal(sp_verdict_decide(&b->layout, &b->ref, &b->marks, &b->match, &b->options, &b->record, &err), SP_OK);
  assert_int_equal(b->record.mark_count, FRETS + 1);
}

static void all_u(board *b, double u_px)
{
  for (int k = 0; k <= FRETS; k++)
    b->u_px[k] = u_px;
}

/* ---- errors ---------------------------------------------------------------------------------------------------------
 */

/* 0.1 mm toward the bridge at frets 1, 12, 24 of 650 mm: 0.282, 0.533, 1.065 cents sharp (1731.234 dx / speaking
 * length). */
static void errors_in_mm_and_cents(void **unused)
{
  (void)unused;
  for (int axis = 0; axis < 2; axis++)
    for (int direction = -1; direction <= 1; direction += 2) {
      board *b = board_new((sp_along)axis, direction);
      b->error_mm[1] = b->error_mm[12] = b->error_mm[24] = 0.1;
      b->error_mm[5] = -0.1;
      b->tilt_rad = 0.012;
      judge(b);
      const sp_mark_record *m = b->record.marks;
      for (int k = 0; k <= FRETS; k++) {
        assert_int_equal(m[k].fret, k);
        assert_true(m[k].found);
        CHECK_CLOSE(m[k].layout_mm, b->layout.position_mm[k], 0.0);
        CHECK_CLOSE(m[k].x_mm, b->layout.position_mm[k] + b->error_mm[k], 1e-9);
        CHECK_CLOSE(m[k].error_mm, b->error_mm[k], 1e-9);
      }
      CHECK_CLOSE(m[1].error_cents, 0.282, 0.0006);
      CHECK_CLOSE(m[12].error_cents, 0.533, 0.0006);
      CHECK_CLOSE(m[24].error_cents, 1.065, 0.0009);
      CHECK_CLOSE(m[5].error_cents, -0.1 * 3.5553, 0.0002);
      CHECK_CLOSE(m[0].error_mm, 0.0, 0.0);
      CHECK_CLOSE(m[0].error_cents, 0.0, 0.0);
      assert_int_equal(m[0].verdict, SP_WITHIN);
      assert_int_equal(b->record.datum, SP_DATUM_LINE);
      CHECK_CLOSE(m[7].width_mm, 3.0 * MM_PER_PX, 1e-4);
      CHECK_CLOSE(m[7].contrast, -0.3, 0.0);
      CHECK_CLOSE(m[7].coverage, 0.97, 0.0);
      board_free(b);
    }
}

/* The end with larger y (to the right, looking from the nut to the bridge) nearer the bridge: positive. Any way the
 * board may lie, straight in the picture or askew. */
static void squareness_in_all_four_directions(void **unused)
{
  (void)unused;
  static const double leans_deg[] = {0.4, -0.25, 0.0};
  for (int axis = 0; axis < 2; axis++)
    for (int direction = -1; direction <= 1; direction += 2)
      for (int tilted = -1; tilted <= 1; tilted++) {
        board *b = board_new((sp_along)axis, direction);
        b->tilt_rad = tilted * 0.02;
        for (int k = 0; k <= FRETS; k++)
          b->lean_rad[k] = leans_deg[k % 3] / DEG;
        judge(b);
        const sp_point x = bridgeward(b), y = rightward(b);
        for (int k = 0; k <= FRETS; k++) {
          const sp_mark_record *m = &b->record.marks[k];
          CHECK_CLOSE(m->squareness_deg, leans_deg[k % 3], 1e-6);
          /* end b lies at larger y, and toward the bridge as the sign says */
          const double dx = m->end_b_px.x - m->end_a_px.x, dy = m->end_b_px.y - m->end_a_px.y;
          CHECK_BELOW(800.0, dx * y.x + dy * y.y);
          CHECK_CLOSE((dx * x.x + dy * x.y) / (dx * y.x + dy * y.y), tan(leans_deg[k % 3] / DEG), 1e-9);
        }
        /* the two points for drawing run from the nut toward the bridge; the outline encloses the board: 1000 px by all
         * of it */
        const sp_record *r = &b->record;
        CHECK_BELOW(0.0, (r->bridgeward_px.x - r->nut_px.x) * x.x + (r->bridgeward_px.y - r->nut_px.y) * x.y);
        double area = 0.0;
        for (int i = 0; i < 4; i++) {
          const sp_point p = r->outline_px[i], q = r->outline_px[(i + 1) % 4];
          area += 0.5 * (p.x * q.y - p.y * q.x);
        }
        CHECK_CLOSE(fabs(area) / (1000.0 * LENGTH_PX), 1.0, 0.01);
        board_free(b);
      }
}

/* ---- the board's edges
 * -----------------------------------------------------------------------------------------------
 */

/* The board is 1000 px = 42.3 mm broad; a line 0.3 degrees out of square is 21.15 mm tan 0.3 deg = 0.1107 mm off at
 * either edge, one way at one and the other way at the other. Bass: on the right, seen from the nut (whoever plays a
 * right-handed guitar has the nut on his left and the bass string above the treble), unless it is left-handed. */
static void errors_at_the_edges(void **unused)
{
  (void)unused;
  const double half_mm = 500.0 * MM_PER_PX, off = half_mm * tan(0.3 / DEG);
  CHECK_CLOSE(off, 0.1107, 1e-4);
  for (int axis = 0; axis < 2; axis++)
    for (int way = 0; way < 12; way++) {
      board *b = board_new((sp_along)axis, way % 2 ? 1 : -1);
      b->tilt_rad = 0.015 * (way / 2 % 3 - 1);
      b->layout.left_handed = way >= 6;
      b->error_mm[7] = 0.05;
      b->lean_rad[7] = 0.3 / DEG;
      judge(b);
      const sp_mark_record *m = &b->record.marks[7];
      const int bass = b->layout.left_handed ? -1 : 1;
      const double turn = cos(b->tilt_rad); /* the board's sides lie 500 px apart along v, not square to themselves */
      assert_true(m->edges_known);
      for (int e = 0; e < SP_EDGES; e++) {
        const sp_edge_record *at = &m->edge[e];
        const int side = (e == SP_BASS ? 1 : -1) * bass;
        CHECK_CLOSE(at->y_mm, side * half_mm * turn, 1e-9);
        CHECK_CLOSE(at->error_mm, 0.05 + side * off * turn, 1e-9);
        CHECK_CLOSE(at->layout_mm, m->layout_mm, 0.0);
        CHECK_CLOSE(at->x_mm, m->layout_mm + at->error_mm, 1e-9);
        CHECK_CLOSE(at->scale_length_mm, SCALE_MM, 0.0);
        /* 1731.234 dx / speaking length, to first order */
        CHECK_CLOSE(at->error_cents, 1731.234 * at->error_mm / (SCALE_MM - m->layout_mm), 2e-4);
        const sp_point x = bridgeward(b), y = rightward(b);
        const double dx = at->at_px.x - m->centre_px.x, dy = at->at_px.y - m->centre_px.y;
        CHECK_CLOSE((dx * x.x + dy * x.y) * MM_PER_PX, at->error_mm - 0.05, 1e-9);
        CHECK_CLOSE((dx * y.x + dy * y.y) * MM_PER_PX, at->y_mm, 1e-9);
        assert_int_equal(at->verdict, side > 0 ? SP_OUT : SP_WITHIN); /* 0.161 and -0.061 against 0.1 */
      }
      assert_int_equal(m->verdict, SP_WITHIN);
      assert_int_equal(m->line_verdict, SP_OUT);
      assert_int_equal(b->record.marks[8].line_verdict, SP_WITHIN);
      assert_int_equal(b->record.verdict, SP_WITHIN); /* is that of the centre line */
      board_free(b);
    }
}

/* Lines that lie exactly as computed, fanned by up to 15 degrees, have no error at either edge; one that leans 0.3
 * degrees too much is off as a square one would be (to first order, and more for 1 / cos^2 of its angle). Any way the
 * board may lie, and left-handed. */
static void a_fan_as_computed_has_no_errors(void **unused)
{
  (void)unused;
  const sp_fan fan = {665.0, 635.0, 34.0, 44.0, 8.0};
  for (int axis = 0; axis < 2; axis++)
    for (int way = 0; way < 12; way++) {
      board *b = board_new((sp_along)axis, way % 2 ? 1 : -1);
      b->tilt_rad = 0.015 * (way / 2 % 3 - 1);
      assert_int_equal(sp_layout_fan(&fan, &b->layout, NULL), SP_OK);
      b->layout.left_handed = way >= 6;
      for (int k = 0; k <= FRETS; k++)
        b->lean_rad[k] = sp_layout_angle_deg(&b->layout, k) / DEG;
      b->lean_rad[3] += 0.3 / DEG;
      judge(b);
      for (int k = 0; k <= FRETS; k++) {
        const sp_mark_record *m = &b->record.marks[k];
        const double askew = k == 3 ? 0.3 : 0.0, c = cos(b->lean_rad[k]);
        CHECK_CLOSE(m->layout_angle_deg, sp_layout_angle_deg(&b->layout, k), 1e-12);
        CHECK_CLOSE(m->squareness_deg, askew, 1e-6);
        CHECK_CLOSE(m->angle_deg, m->layout_angle_deg + askew, 1e-6);
        CHECK_CLOSE(m->error_mm, 0.0, 1e-9);
        for (int e = 0; e < SP_EDGES; e++) {
          const sp_edge_record *at = &m->edge[e];
          const double bass_mm = b->layout.left_handed ? -at->y_mm : at->y_mm;
          CHECK_BELOW(0.0, e == SP_BASS ? bass_mm : -bass_mm);
          CHECK_CLOSE(at->layout_mm, sp_layout_line_mm(&b->layout, k, bass_mm), 1e-9);
          CHECK_CLOSE(at->error_mm, at->y_mm * askew / DEG / (c * c), k == 3 ? 1e-3 : 1e-6);
        }
        /* outer strings 17 mm and the board's edge 21 mm off the middle: by its own scale length, not the middle's */
        CHECK_BELOW(m->edge[SP_TREBLE].scale_length_mm + 25.0, m->edge[SP_BASS].scale_length_mm);
      }
      board_free(b);
    }
}

/* A nut that is askew has errors at the edges, though it is the datum. */
static void an_askew_nut_shows_at_the_edges(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  b->lean_rad[0] = 0.3 / DEG;
  all_u(b, 0.1);
  judge(b);
  const sp_mark_record *nut = &b->record.marks[0];
  CHECK_CLOSE(nut->edge[SP_BASS].error_mm, 0.1107, 1e-4);
  CHECK_CLOSE(nut->edge[SP_TREBLE].error_mm, -0.1107, 1e-4);
  CHECK_CLOSE(nut->edge[SP_BASS].u_mm, 0.0, 1e-12); /* only its turning counts, and that is known here */
  CHECK_CLOSE(b->record.marks[12].edge[SP_BASS].error_mm, 0.0, 1e-9);
  board_free(b);
}

/* Error propagation (JCGM 100, 5.2): var(u + slope dv) = var u + 2 dv cov + dv^2 var slope, dv = +-500 px; the nut's
 * own place beside it, and the centre line's direction times half the breadth. */
static void uncertainty_at_the_edges(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  const double mm = MM_PER_PX, half_mm = 500.0 * mm;
  all_u(b, 0.1);
  b->u_slope = 4e-4;
  b->cov_u_slope = -1e-5;
  b->u_direction = 1e-3;
  judge(b);
  const sp_mark_record *m = &b->record.marks[12];
  const double far = 0.01 + 2.0 * 500.0 * -1e-5 + 500.0 * 500.0 * 16e-8, near = 0.01 + 1000.0 * 1e-5 + 0.04;
  const double rest = 0.01 * mm * mm + pow(half_mm * 1e-3, 2);
  CHECK_CLOSE(m->edge[SP_BASS].u_mm, sqrt(far * mm * mm + rest), 1e-9); /* larger v */
  CHECK_CLOSE(m->edge[SP_TREBLE].u_mm, sqrt(near * mm * mm + rest), 1e-9);
  CHECK_CLOSE(m->edge[SP_BASS].expanded_u_mm, 2.0 * m->edge[SP_BASS].u_mm, 1e-15);
  CHECK_CLOSE(b->record.marks[0].edge[SP_BASS].u_mm, sqrt(0.04 * mm * mm + pow(half_mm * 1e-3, 2)), 1e-9);
  board_free(b);
}

/* Without the sides, or a scale, nothing is known of the edges. */
static void no_edges_are_said_to_be_unknown(void **unused)
{
  (void)unused;
  for (int without = 0; without < 2; without++) {
    board *b = board_new(SP_ALONG_X, 1);
    b->no_sides = without == 0;
    b->ref.map.known = without == 0;
    judge(b);
    for (int k = 0; k <= FRETS; k++)
      assert_false(b->record.marks[k].edges_known);
    board_free(b);
  }
}

/* ---- uncertainty
 * ------------------------------------------------------------------------------------------------------ */

/* Line and nut each to a tenth of a pixel; nothing else: the square root of the sum of squares. */
static void line_and_datum_add_up(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  all_u(b, 0.1);
  b->u_px[0] = 0.2;
  judge(b);
  const sp_mark_record *m = &b->record.marks[12];
  CHECK_CLOSE(m->budget.line_mm, 0.00423, 1e-9);
  CHECK_CLOSE(m->budget.datum_mm, 0.00846, 1e-9);
  CHECK_CLOSE(m->budget.map_mm, 0.0, 1e-12);
  CHECK_CLOSE(m->budget.rule_mm, 0.0, 0.0);
  assert_true(isnan(m->budget.temperature_mm));
  CHECK_CLOSE(m->u_mm, sqrt(0.00423 * 0.00423 + 0.00846 * 0.00846), 1e-9);
  CHECK_CLOSE(m->expanded_u_mm, 2.0 * m->u_mm, 1e-15);
  CHECK_CLOSE(m->expanded_u_cents, 5.3269 * m->expanded_u_mm, 1e-4); /* cents per mm at fret 12 of 650 */
  CHECK_CLOSE(b->record.datum_u_mm, 0.00846, 1e-9);
  CHECK_CLOSE(b->record.marks[0].u_mm, 0.0, 0.0);
  board_free(b);
}

/* MPE 0.15 mm over 500 mm as a rectangular distribution, in proportion to the distance: 0.15 / sqrt 3 x 325 / 500. */
static void permissible_error_of_the_rule(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_Y, -1);
  b->ref.record.mpe_mm = 0.15;
  judge(b);
  CHECK_CLOSE(b->record.marks[12].budget.rule_mm, 0.0562917, 1e-6);
  CHECK_CLOSE(b->record.marks[12].u_mm, 0.0562917, 1e-6);
  CHECK_CLOSE(b->record.marks[24].budget.rule_mm / b->record.marks[12].budget.rule_mm, 1.5, 1e-9); /* 0.75 L to 0.5 L */
  CHECK_CLOSE(b->record.marks[0].u_mm, 0.0, 0.0);
  board_free(b);
}

/* What mark and datum share cancels: an unknown origin of the map changes nothing, a common stretch counts by the
 * distance. */
static void shared_parts_cancel(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  all_u(b, 0.1);
  b->ref.map.covariance[0] = 100.0; /* the origin known to a centimetre */
  judge(b);
  for (int k = 1; k <= FRETS; k++) {
    CHECK_CLOSE(b->record.marks[k].budget.map_mm, 0.0, 1e-9);
    CHECK_CLOSE(b->record.marks[k].u_mm, 0.00423 * sqrt(2.0), 1e-8);
  }
  board_free(b);
  b = board_new(SP_ALONG_X, 1);
  sp_scale_map_free(&b->ref.map);
  assert_int_equal(sp_scale_map_constant(SP_ALONG_X, MM_PER_PX, 1e-3, LENGTH_PX, &b->ref.map, NULL), SP_OK);
  b->ref.map.covariance[0] = 100.0;
  judge(b);
  CHECK_CLOSE(b->record.marks[12].budget.map_mm, 0.325, 1e-6);
  CHECK_CLOSE(b->record.marks[24].budget.map_mm, 0.4875, 1e-6);
  board_free(b);
}

/* Board and rule at 25 C: the rule has grown more than the board, so the board reads short; what it would read at 20 C
 * lies (alpha steel - alpha wood) 5 K x higher. The published ranges allow 5.3 to 8.7e-6 for the difference. */
static void temperature(void **unused)
{
  (void)unused;
  for (int step = -1; step <= 1; step++) {
    board *b = board_new(SP_ALONG_X, 1);
    b->options.temperature_c = 20.0 + 5.0 * step;
    judge(b);
    const sp_mark_record *m = &b->record.marks[12];
    if (step == 0) {
      CHECK_CLOSE(m->error_mm, 0.0, 1e-9);
    } else {
      assert_true(step * m->error_mm > 5.3e-6 * 5.0 * 325.0 && step * m->error_mm < 8.7e-6 * 5.0 * 325.0);
      /* the term covers half of that range, seen as a rectangular distribution */
      CHECK_BELOW(0.5 * (8.7e-6 - 5.3e-6) * 5.0 * 325.0 / sqrt(3.0) * 0.7, m->budget.temperature_mm);
    }
    assert_true(m->budget.temperature_mm > 0.0 && m->budget.temperature_mm < 0.006);
    CHECK_CLOSE(m->u_mm, m->budget.temperature_mm, 1e-9);
    CHECK_CLOSE(b->record.marks[24].budget.temperature_mm / m->budget.temperature_mm, 1.5, 1e-4);
    board_free(b);
  }
}

/* ---- decision
 * --------------------------------------------------------------------------------------------------------- */

/* Tolerance 0.100, u 0.020, U = 2 u: within to 0.060, out from 0.140, undecided between; either sign. */
static void guard_bands(void **unused)
{
  (void)unused;
  static const struct {
    double error;
    sp_verdict verdict;
  } cases[] = {{0.0, SP_WITHIN},    {0.059999, SP_WITHIN},    {0.060001, SP_UNDECIDED},
               {0.1, SP_UNDECIDED}, {0.139999, SP_UNDECIDED}, {0.140001, SP_OUT},
               {0.5, SP_OUT}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
    for (int sign = -1; sign <= 1; sign += 2) {
      board *b = board_new(SP_ALONG_X, sign);
      b->u_px[12] = 0.020 / MM_PER_PX;
      b->error_mm[12] = sign * cases[i].error;
      judge(b);
      CHECK_CLOSE(b->record.marks[12].u_mm, 0.020, 1e-9);
      assert_int_equal(b->record.marks[12].verdict, cases[i].verdict);
      assert_int_equal(b->record.verdict, cases[i].verdict);
      if (cases[i].verdict == SP_OUT)
        CHECK_CLOSE(b->record.marks[12].recut_mm, -sign * cases[i].error, 1e-9);
      else
        assert_true(isnan(b->record.marks[12].recut_mm));
      board_free(b);
    }
}

/* No uncertainty at all: the plain limit. */
static void without_uncertainty_the_limit_itself(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  b->error_mm[3] = 0.1 - 1e-6;
  b->error_mm[4] = 0.1 + 1e-6;
  judge(b);
  assert_int_equal(b->record.marks[3].verdict, SP_WITHIN);
  assert_int_equal(b->record.marks[4].verdict, SP_OUT);
  board_free(b);
}

/* 2 cents are 2 / 2.8218 mm at fret 1, 2 / 5.3269 at fret 12, 2 / 10.6537 at fret 24 (cents per mm at 650): 0.7088,
 * 0.3755, 0.1877; the limit is the shift that sharpens by exactly 2 cents, a thousandth less. */
static void tolerance_in_cents(void **unused)
{
  (void)unused;
  for (int over = 0; over < 2; over++) {
    board *b = board_new(SP_ALONG_X, 1);
    b->options = (sp_verdict_options){NAN, 2.0, NAN};
    const double part = over ? 1.002 : 0.996;
    b->error_mm[1] = 2.0 / 2.8218 * part;
    b->error_mm[12] = 2.0 / 5.3269 * part;
    b->error_mm[24] = 2.0 / 10.6537 * part;
    judge(b);
    for (int k = 1; k <= FRETS; k++)
      assert_int_equal(b->record.marks[k].verdict, over && (k == 1 || k == 12 || k == 24) ? SP_OUT : SP_WITHIN);
    board_free(b);
  }
}

/* Both given: the tighter binds, the length near the nut, the cents near the body. */
static void the_tighter_tolerance_binds(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  b->options = (sp_verdict_options){0.2, 2.0, NAN};
  b->error_mm[1] = 0.21; /* 0.59 cents */
  b->error_mm[2] = 0.19;
  b->error_mm[24] = 0.19; /* 2.03 cents */
  b->error_mm[23] = 0.19; /* 1.91 cents */
  judge(b);
  assert_int_equal(b->record.marks[1].verdict, SP_OUT);
  assert_int_equal(b->record.marks[2].verdict, SP_WITHIN);
  assert_int_equal(b->record.marks[23].verdict, SP_WITHIN);
  assert_int_equal(b->record.marks[24].verdict, SP_OUT);
  assert_int_equal(b->record.verdict, SP_OUT);
  board_free(b);
}

static void missing_marks(void **unused)
{
  (void)unused;
  for (int out = 0; out < 2; out++) {
    board *b = board_new(SP_ALONG_X, 1);
    b->missing[9] = true;
    b->error_mm[4] = out ? 0.3 : 0.0;
    judge(b);
    const sp_mark_record *m = &b->record.marks[9];
    assert_false(m->found);
    assert_int_equal(m->verdict, SP_MISSING);
    assert_true(isnan(m->x_mm) && isnan(m->error_mm) && isnan(m->error_cents) && isnan(m->u_mm) && isnan(m->width_mm));
    assert_true(isnan(m->squareness_deg) && isnan(m->end_a_px.x) && isnan(m->recut_mm));
    CHECK_CLOSE(m->layout_mm, b->layout.position_mm[9], 0.0);
    /* one that is out decides; otherwise a missing one leaves the board undecided */
    assert_int_equal(b->record.verdict, out ? SP_OUT : SP_UNDECIDED);
    board_free(b);
  }
}

/* ---- datum
 * ------------------------------------------------------------------------------------------------------------ */

static void datum_is_the_end_of_the_board(void **unused)
{
  (void)unused;
  for (int direction = -1; direction <= 1; direction += 2) {
    board *b = board_new(SP_ALONG_Y, direction);
    all_u(b, 0.1);
    b->missing[0] = true;
    b->error_mm[6] = 0.05;
    const int which = direction > 0 ? 0 : 1;
    b->match.nut_is_end = true;
    b->match.nut_end = which;
    sp_board_end *e = &b->marks.board.end[which];
    outline(b);
    *e = (sp_board_end){
        .found = true, .u_px = u_of(b, 0.0), .v_px = 0.5 * BREADTH_PX, .slope = slope_of(b, 0.3 / DEG), .u_u_px = 0.5};
    e->u_slope = 3e-4;
    judge(b);
    assert_int_equal(b->record.datum, SP_DATUM_END);
    CHECK_CLOSE(b->record.datum_u_mm, 0.5 * MM_PER_PX, 1e-9);
    CHECK_CLOSE(b->record.marks[6].error_mm, 0.05, 1e-9);
    CHECK_CLOSE(b->record.marks[6].budget.datum_mm, 0.5 * MM_PER_PX, 1e-9);
    const sp_mark_record *nut = &b->record.marks[0];
    assert_true(nut->found);
    assert_int_equal(nut->verdict, SP_WITHIN);
    CHECK_CLOSE(nut->error_mm, 0.0, 0.0);
    CHECK_CLOSE(nut->squareness_deg, 0.3, 1e-6);
    CHECK_CLOSE(nut->u_squareness_deg, 3e-4 * DEG, 1e-6); /* the centre line is exact here */
    CHECK_CLOSE(nut->centre_px.y, u_of(b, 0.0), 1e-9);
    board_free(b);
  }
}

/* What all frets may be off by alike cancels against a fret; against the board's end it counts. */
static void common_error_counts_against_the_end_only(void **unused)
{
  (void)unused;
  for (int end = 0; end < 2; end++) {
    board *b = board_new(SP_ALONG_Y, 1);
    all_u(b, 0.3);
    b->common_px = 0.4;
    b->missing[0] = b->match.nut_is_end = end == 1;
    outline(b);
    b->marks.board.end[0] =
        (sp_board_end){.found = true, .u_px = u_of(b, 0.0), .v_px = 0.5 * BREADTH_PX, .u_u_px = 0.2};
    judge(b);
    CHECK_CLOSE(b->record.marks[6].budget.line_mm, (end ? 0.5 : 0.3) * MM_PER_PX, 1e-9);
    board_free(b);
  }
}

/* The frets, which scatter by hundredths, put the nut `off_mm` from the end that was taken for it. */
static board *end_beside_frets(int direction, double off_mm, bool assumed)
{
  board *b = board_new(SP_ALONG_X, direction);
  const int end = direction > 0 ? 0 : 1;
  for (int k = 1; k <= FRETS; k++)
    b->error_mm[k] = off_mm + 0.01 * ((k * 7) % 5 - 2);
  b->missing[0] = b->match.nut_is_end = true;
  b->match.nut_end = end;
  b->match.nut_end_assumed = assumed;
  outline(b);
  b->marks.board.end[end] =
      (sp_board_end){.found = true, .u_px = u_of(b, 0.0), .v_px = 0.5 * BREADTH_PX, .u_u_px = 0.2};
  judge(b);
  return b;
}

/* A nut's slot 1.3 mm within the board was not seen, and the end once stood for it: all frets were 1.3 mm off, +/- a
 * hundredth. Now the +/- reaches what the frets say; unless somebody says that the end is the nut, or it lies as near
 * as ends do. */
static void an_end_far_from_where_frets_put_the_nut(void **unused)
{
  (void)unused;
  for (int direction = -1; direction <= 1; direction += 2)
    for (double off = -1.3; off < 1.4; off += 2.6) {
      board *b = end_beside_frets(direction, off, true);
      CHECK_BELOW(fabs(off) - 0.03, b->record.marks[6].expanded_u_mm);
      CHECK_BELOW(fabs(off) - 0.03, b->record.marks[FRETS].edge[SP_BASS].expanded_u_mm);
      CHECK_BELOW(0.5 * fabs(off) - 0.02, b->record.datum_u_mm);
      assert_int_equal(b->record.verdict, SP_UNDECIDED);
      assert_int_equal(b->record.warning_count, 1);
      assert_non_null(strstr(b->record.warnings[0], "--nut end"));
      board_free(b);
    }
  for (int near = 0; near < 2; near++) {
    board *b = near ? end_beside_frets(1, 0.45, true) : end_beside_frets(1, 1.3, false);
    CHECK_BELOW(b->record.marks[6].expanded_u_mm, 0.05);
    CHECK_BELOW(b->record.datum_u_mm, 0.02);
    assert_int_equal(b->record.verdict, SP_OUT);
    assert_int_equal(b->record.warning_count, 0);
    board_free(b);
  }
}

/* Nut unseen: errors count from the layout that fits best, the median of the marks; its uncertainty is that of a
 * median. */
static void datum_is_fitted(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, -1);
  b->missing[0] = true;
  for (int k = 1; k <= FRETS; k++)
    b->error_mm[k] = 0.3 + 0.01 * ((k * 7) % 5 - 2); /* all 0.3 too far, scattering by -0.02 .. 0.02 about it */
  b->error_mm[20] = 0.9;
  judge(b);
  assert_int_equal(b->record.datum, SP_DATUM_FIT);
  assert_false(b->record.marks[0].found);
  assert_int_equal(b->record.marks[0].verdict, SP_MISSING);
  for (int k = 1; k <= FRETS; k++)
    CHECK_CLOSE(b->record.marks[k].error_mm, b->error_mm[k] - 0.3, 0.0051);
  assert_true(b->record.datum_u_mm > 0.002 && b->record.datum_u_mm < 0.006); /* sd 0.014: 1.25 sd / sqrt 24 = 0.0036 */
  CHECK_CLOSE(b->record.marks[5].u_mm, b->record.datum_u_mm, 1e-9);
  board_free(b);
}

/* Seven frets and no nut: their spread is hardly known, and the datum's interval still holds on 95 of 100 boards (93 at
 * least of 1000 drawn). */
static void datum_is_fitted_to_a_few(void **unused)
{
  (void)unused;
  enum { BOARDS = 1000, SEEN = 7 };
  chance dice = {7};
  int held = 0;
  for (int i = 0; i < BOARDS; i++) {
    board *b = board_new(SP_ALONG_X, 1);
    for (int k = 0; k <= FRETS; k++) {
      b->missing[k] = k == 0 || k > SEEN;
      b->error_mm[k] = 0.1 * chance_normal(&dice);
    }
    judge(b);
    assert_int_equal(b->record.datum, SP_DATUM_FIT);
    held += fabs(b->record.marks[3].error_mm - b->error_mm[3]) <= 2.0 * b->record.datum_u_mm;
    board_free(b);
  }
  assert_true(held >= 930);
  assert_true(held <= 990);
}

/* ---- the fit, strays, other outcomes
 * ------------------------------------------------------------------------------------ */

/* Laid out for 25.4 in (645.16 mm) instead of 650: said, with both figures. */
static void another_scale_length_is_said(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  all_u(b, 0.1);
  for (int k = 1; k <= FRETS; k++)
    b->error_mm[k] = b->layout.position_mm[k] * (645.16 / SCALE_MM - 1.0) + 0.01 * ((k * 7) % 3 - 1);
  judge(b);
  CHECK_CLOSE(b->record.fit_scale_length_mm, 645.16, 0.05);
  CHECK_CLOSE(b->record.fit_residual_rms_mm, 0.0082, 0.002);
  assert_int_equal(b->record.finding_count, 1);
  const sp_finding *f = &b->record.findings[0];
  assert_string_equal(f->kind, "other-scale-length");
  assert_string_equal(f->unit, "mm");
  CHECK_CLOSE(f->value, 645.16, 0.05);
  assert_non_null(strstr(f->text, "645."));
  assert_non_null(strstr(f->text, "650 mm"));
  board_free(b);
}

static void the_right_scale_length_is_not_remarked_on(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  for (int k = 1; k <= FRETS; k++)
    b->error_mm[k] = 0.02 * ((k * 7) % 3 - 1);
  b->error_mm[8] = 0.8; /* one slip must not move the fit */
  judge(b);
  CHECK_CLOSE(b->record.fit_scale_length_mm, SCALE_MM, 0.05);
  CHECK_CLOSE(b->record.fit_offset_mm, 0.0, 0.02);
  CHECK_CLOSE(b->record.marks[8].error_mm, 0.8, 1e-9);
  assert_int_equal(b->record.finding_count, 0);
  board_free(b);
}

/* Hands that scatter by 0.2 mm (normal), now and then with a slip, on boards laid out for the right scale length.
 * Student's t with 23 degrees of freedom leaves 5.8 % of fits beyond two standard uncertainties. A claim beyond five of
 * them that moves the last fret by 0.3 mm would be chance's. */
static void the_fit_states_its_doubt(void **unused)
{
  (void)unused;
  enum { BOARDS = 2000 };
  int beyond = 0, claims = 0;
  chance dice = {20};
  for (int i = 0; i < BOARDS; i++) {
    board *b = board_new(SP_ALONG_X, 1);
    all_u(b, 0.1);
    for (int k = 0; k <= FRETS; k++)
      b->error_mm[k] = 0.2 * chance_normal(&dice) + (chance_uniform(&dice) < 0.03 ? 1.0 : 0.0);
    judge(b);
    beyond += fabs(b->record.fit_scale_length_mm - SCALE_MM) > 2.0 * b->record.fit_u_scale_length_mm;
    claims += b->record.finding_count > 0;
    board_free(b);
  }
  print_message("beyond two standard uncertainties: %d of %d boards; another scale length claimed: %d\n", beyond,
                BOARDS, claims);
  CHECK_CLOSE(beyond / (double)BOARDS, 0.058, 0.02);
  assert_true(claims <= 1);
}

static void strays_keep_their_places(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  sp_error err = {0};
  judge(b);
  add_mark(b, -1, 100.0, 0.0, 0.1);
  sp_record_free(&b->record);
  assert_int_equal(sp_record_add_source(&b->record, "board.png", (uint32_t)LENGTH_PX, (uint32_t)BREADTH_PX, NAN, &err),
                   SP_OK);
  assert_int_equal(sp_verdict_decide(&b->layout, &b->ref, &b->marks, &b->match, &b->options, &b->record, &err), SP_OK);
  assert_int_equal(b->record.stray_count, 1);
  CHECK_CLOSE(b->record.strays[0].x_mm, 100.0, 1e-9);
  CHECK_CLOSE(b->record.strays[0].end_b_px.x, u_of(b, 100.0), 1e-9);
  CHECK_CLOSE(b->record.strays[0].end_b_px.y - b->record.strays[0].end_a_px.y, 900.0, 1e-9);
  assert_int_equal(b->record.verdict, SP_WITHIN); /* a scratch does not make a board bad */
  board_free(b);
}

/* Two lines that would do for one fret: what is said of it reaches from the one to the other, and it is said. */
static void a_rival_is_within_the_doubt(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  sp_error err = {0};
  judge(b);
  const double rival_mm = 0.36;
  add_mark(b, -1, b->layout.position_mm[5] + rival_mm, 0.0, 0.1);
  b->contested[5] = true;
  sp_record_free(&b->record);
  assert_int_equal(sp_record_add_source(&b->record, "board.png", (uint32_t)LENGTH_PX, (uint32_t)BREADTH_PX, NAN, &err),
                   SP_OK);
  assert_int_equal(sp_verdict_decide(&b->layout, &b->ref, &b->marks, &b->match, &b->options, &b->record, &err), SP_OK);
  CHECK_BELOW(rival_mm - 1e-9, b->record.marks[5].expanded_u_mm);
  assert_int_equal(b->record.marks[5].verdict, SP_UNDECIDED);
  assert_int_equal(b->record.marks[6].verdict, SP_WITHIN);
  assert_int_equal(b->record.warning_count, 1);
  assert_non_null(strstr(b->record.warnings[0], "fret 5: two lines lie 0.36 mm from each other"));
  board_free(b);
}

/* Two lines that would do for the nut: what is said of every fret reaches from the one to the other. */
static void two_lines_for_a_nut(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  sp_error err = {0};
  judge(b);
  add_mark(b, -1, 0.3, 0.0, 0.1);
  b->contested[0] = true;
  sp_record_free(&b->record);
  assert_int_equal(sp_record_add_source(&b->record, "board.png", (uint32_t)LENGTH_PX, (uint32_t)BREADTH_PX, NAN, &err),
                   SP_OK);
  assert_int_equal(sp_verdict_decide(&b->layout, &b->ref, &b->marks, &b->match, &b->options, &b->record, &err), SP_OK);
  for (int k = 1; k <= FRETS; k++) {
    CHECK_BELOW(0.3 - 1e-9, b->record.marks[k].expanded_u_mm);
    assert_int_equal(b->record.marks[k].verdict, SP_UNDECIDED);
  }
  assert_int_equal(b->record.warning_count, 1);
  assert_non_null(strstr(b->record.warnings[0], "either may be the nut"));
  board_free(b);
}

/* A slot that may be two is named, with both breadths. */
static void a_broad_slot_is_named(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  sp_error err = {0};
  judge(b);
  b->mark[b->line_of_fret[4]].width_px = 1.03 / MM_PER_PX;
  b->mark[b->line_of_fret[4]].usual_width_px = 0.55 / MM_PER_PX;
  sp_record_free(&b->record);
  assert_int_equal(sp_record_add_source(&b->record, "board.png", (uint32_t)LENGTH_PX, (uint32_t)BREADTH_PX, NAN, &err),
                   SP_OK);
  assert_int_equal(sp_verdict_decide(&b->layout, &b->ref, &b->marks, &b->match, &b->options, &b->record, &err), SP_OK);
  assert_int_equal(b->record.warning_count, 1);
  assert_non_null(strstr(b->record.warnings[0], "fret 4: its slot is 1.03 mm broad, the others 0.55 mm"));
  board_free(b);
}

/* No scale: no millimetre anywhere, cents against the best-fitting layout, never a decision. */
static void no_scale_gives_cents_only(void **unused)
{
  (void)unused;
  for (int direction = -1; direction <= 1; direction += 2) {
    board *b = board_new(SP_ALONG_X, direction);
    all_u(b, 0.1);
    b->ref.map.known = false;
    b->ref.record.kind = SP_REFERENCE_NONE;
    b->error_mm[12] = 0.5;
    judge(b);
    for (int k = 0; k <= FRETS; k++) {
      const sp_mark_record *m = &b->record.marks[k];
      assert_true(m->found);
      assert_true(isnan(m->x_mm) && isnan(m->error_mm) && isnan(m->u_mm) && isnan(m->expanded_u_mm) &&
                  isnan(m->width_mm));
      CHECK_CLOSE(m->error_cents, k == 12 ? 0.5 * 5.3269 : 0.0, 0.05);
      assert_true(m->expanded_u_cents > 0.0 && m->expanded_u_cents < 1.0);
      assert_int_equal(m->verdict, SP_UNDECIDED);
    }
    assert_true(isnan(b->record.fit_scale_length_mm));
    assert_int_equal(b->record.verdict, SP_UNDECIDED);
    board_free(b);
  }
}

/* A nut that is the board's end is seen without a scale, too. */
static void no_scale_and_an_end_for_a_nut(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  b->ref.map.known = false;
  b->ref.record.kind = SP_REFERENCE_NONE;
  b->missing[0] = b->match.nut_is_end = true;
  judge(b);
  assert_true(b->record.marks[0].found);
  assert_int_equal(b->record.marks[0].verdict, SP_UNDECIDED);
  assert_true(isnan(b->record.marks[0].error_mm));
  board_free(b);
}

static void no_match_is_undecided_with_its_reason(void **unused)
{
  (void)unused;
  static const sp_match_state states[] = {SP_MATCH_NONE, SP_MATCH_AMBIGUOUS};
  for (int i = 0; i < 2; i++) {
    board *b = board_new(SP_ALONG_X, 1);
    sp_error err = {0};
    judge(b);
    sp_record_free(&b->record);
    for (int k = 0; k <= FRETS; k++)
      b->line_of_fret[k] = -1;
    b->match.state = states[i];
    b->match.direction = 0;
    snprintf(b->match.reason, sizeof b->match.reason, "the lines tell no tale; scan again");
    assert_int_equal(
        sp_record_add_source(&b->record, "board.png", (uint32_t)LENGTH_PX, (uint32_t)BREADTH_PX, NAN, &err), SP_OK);
    assert_int_equal(sp_verdict_decide(&b->layout, &b->ref, &b->marks, &b->match, &b->options, &b->record, &err),
                     SP_OK);
    assert_int_equal(b->record.verdict, SP_UNDECIDED);
    assert_int_equal(b->record.mark_count, FRETS + 1);
    for (int k = 0; k <= FRETS; k++)
      assert_int_equal(b->record.marks[k].verdict, SP_MISSING);
    assert_int_equal(b->record.warning_count, 1);
    assert_string_equal(b->record.warnings[0], "the lines tell no tale; scan again");
    board_free(b);
  }
}

/* What match is given: places in mm along the centre line with the tilt taken out, ends where there are any. */
static void match_input(void **unused)
{
  (void)unused;
  board *b = board_new(SP_ALONG_X, 1);
  sp_match_line lines[FRETS + 2];
  sp_match_options o;
  sp_error err = {0};
  all_u(b, 0.1);
  b->tilt_rad = 0.02;
  judge(b);
  b->marks.board.end[1] = (sp_board_end){.found = true, .u_px = u_of(b, 500.0)};
  assert_int_equal(sp_verdict_match_input(&b->ref, &b->marks, lines, &o, &err), SP_OK);
  for (int k = 0; k <= FRETS; k++) {
    CHECK_CLOSE(lines[k].position - lines[0].position, b->layout.position_mm[k], 1e-9);
    CHECK_CLOSE(lines[k].u_position, 0.00423, 1e-6);
    CHECK_CLOSE(lines[k].strength, 1.0, 0.0);
    CHECK_CLOSE(lines[k].askew_rad, 0.0, 1e-9);
  }
  assert_true(o.scale_known && !o.has_end[0] && o.has_end[1]);
  CHECK_CLOSE(o.end_position[1] - lines[0].position, 500.0, 1e-9);
  const double ruled = o.u_relative_scale;
  b->ref.record.kind = SP_REFERENCE_DPI;
  assert_int_equal(sp_verdict_match_input(&b->ref, &b->marks, lines, &o, &err), SP_OK);
  CHECK_BELOW(5.0 * ruled, o.u_relative_scale); /* a stated resolution is trusted far less */
  b->ref.map.known = false;
  assert_int_equal(sp_verdict_match_input(&b->ref, &b->marks, lines, &o, &err), SP_OK);
  assert_false(o.scale_known);
  CHECK_CLOSE(lines[12].position - lines[0].position, 325.0 / MM_PER_PX, 2.0);
  board_free(b);
}

/* One line askew among square ones, and a square one among lines that are all askew alike or fanned: only the first is
 * askew to what it is to be told from. */
static void what_runs_as_most_lines_do_is_not_askew(void **unused)
{
  (void)unused;
  const double askew = 0.04;
  for (int all = 0; all < 3; all++) { /* one line; all alike; a fan */
    board *b = board_new(SP_ALONG_X, 1);
    sp_match_line lines[FRETS + 2];
    sp_match_options o;
    sp_error err = {0};
    all_u(b, 0.1);
    judge(b);
    for (size_t k = 0; k < b->marks.count; k++)
      b->marks.marks[k].slope += all == 1 || (all == 0 && k == 5) ? askew : 0.0;
    assert_int_equal(sp_verdict_match_input(&b->ref, &b->marks, lines, &o, &err), SP_OK);
    if (all == 2) { /* places are known now: a fan leans in proportion to them */
      for (size_t k = 0; k < b->marks.count; k++)
        b->marks.marks[k].slope = askew * (lines[k].position / 500.0 - 0.3);
      assert_int_equal(sp_verdict_match_input(&b->ref, &b->marks, lines, &o, &err), SP_OK);
    }
    for (size_t k = 0; k < b->marks.count; k++) {
      CHECK_CLOSE(lines[k].askew_rad, all == 0 && k == 5 ? askew : 0.0, 1e-3);
      assert_false(lines[k].odd_colour);
    }
    b->marks.marks[4].contrast *= -1.0;
    assert_int_equal(sp_verdict_match_input(&b->ref, &b->marks, lines, &o, &err), SP_OK);
    for (size_t k = 0; k < b->marks.count; k++)
      assert_int_equal(lines[k].odd_colour, k == 4);
    board_free(b);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(what_runs_as_most_lines_do_is_not_askew),
      cmocka_unit_test(errors_in_mm_and_cents),
      cmocka_unit_test(squareness_in_all_four_directions),
      cmocka_unit_test(errors_at_the_edges),
      cmocka_unit_test(a_fan_as_computed_has_no_errors),
      cmocka_unit_test(an_askew_nut_shows_at_the_edges),
      cmocka_unit_test(uncertainty_at_the_edges),
      cmocka_unit_test(no_edges_are_said_to_be_unknown),
      cmocka_unit_test(line_and_datum_add_up),
      cmocka_unit_test(permissible_error_of_the_rule),
      cmocka_unit_test(shared_parts_cancel),
      cmocka_unit_test(temperature),
      cmocka_unit_test(guard_bands),
      cmocka_unit_test(without_uncertainty_the_limit_itself),
      cmocka_unit_test(tolerance_in_cents),
      cmocka_unit_test(the_tighter_tolerance_binds),
      cmocka_unit_test(missing_marks),
      cmocka_unit_test(datum_is_the_end_of_the_board),
      cmocka_unit_test(common_error_counts_against_the_end_only),
      cmocka_unit_test(an_end_far_from_where_frets_put_the_nut),
      cmocka_unit_test(two_lines_for_a_nut),
      cmocka_unit_test(datum_is_fitted),
      cmocka_unit_test(datum_is_fitted_to_a_few),
      cmocka_unit_test(another_scale_length_is_said),
      cmocka_unit_test(the_right_scale_length_is_not_remarked_on),
      cmocka_unit_test(the_fit_states_its_doubt),
      cmocka_unit_test(strays_keep_their_places),
      cmocka_unit_test(a_rival_is_within_the_doubt),
      cmocka_unit_test(a_broad_slot_is_named),
      cmocka_unit_test(no_scale_gives_cents_only),
      cmocka_unit_test(no_scale_and_an_end_for_a_nut),
      cmocka_unit_test(no_match_is_undecided_with_its_reason),
      cmocka_unit_test(match_input),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
