/* Frets on drawings whose truth is known: the middle between the feet, wherever light and shadow fall.
 *
 * 12 px per mm, blur 0.9 px; a fret is 26 px broad (2.2 mm). Wood 150, metal 100 with a highlight off the middle,
 * joints at both feet, a soft shadow on one side. */
#include "drawing.h"

#include "marks/wire.h"

static const double PX_PER_MM = 12.0, BLUR = 0.9, WIDTH = 26.0, WOOD = 150.0;
enum { LENGTH = 2600, BREADTH = 700, FRETS = 9 };
static const double BOARD_A = 100.0, BOARD_B = 600.0;

typedef struct look {
  double metal, highlight, highlight_at, shadow; /* greys; px from the middle; shadow at larger u where above 0 */
  double joint[2];
} look;

static void add(drawing *d, double at, double slope, double width, double blur, double height)
{
  const drawn_mark m = {at, slope, 0.5 * (BOARD_A + BOARD_B), BOARD_A, BOARD_B, width, blur, height};
  draw_mark(d, &m);
}

static void draw_fret(drawing *d, double at, double slope, const look *l)
{
  add(d, at, slope, WIDTH, BLUR, l->metal - WOOD);
  add(d, at + l->highlight_at, slope, 6.0, 2.0, l->highlight);
  for (int side = 0; side < 2; side++)
    add(d, at + (side ? 0.5 : -0.5) * (WIDTH + 1.0), slope, 1.0, BLUR, -l->joint[side]);
  const double side = l->shadow > 0.0 ? 1.0 : -1.0;
  /* begins at the foot, ends softly: a box under the metal's edge would darken the metal, so it is drawn beside it */
  for (int i = 0; i < 8; i++)
    add(d, at + side * (0.5 * WIDTH + 0.5 + i), slope, 1.0, BLUR, -fabs(l->shadow) * (1.0 - i / 8.0));
}

static double fret_px(int k)
{
  return 250.0 + 230.0 * k + 0.37 * k * k;
}

static double fret_slope(int k)
{
  return 0.0004 * (k % 3 - 1);
}

static void draw_neck(drawing *d, const look *l)
{
  const drawn_area board = {100.0, LENGTH - 100.0, BOARD_A, BOARD_B, 0.0, BLUR, WOOD - 235.0};
  draw_area(d, &board);
  for (int k = 0; k < FRETS; k++)
    draw_fret(d, fret_px(k), fret_slope(k), l);
}

/* Strings lie over the frets: bright bands along the board, grey whatever is below. */
static void draw_string(drawing *d, int32_t v_a, int32_t v_b, double level)
{
  for (int32_t v = v_a; v < v_b; v++)
    for (int32_t u = 100; u < LENGTH - 100; u++)
      d->grey[v * d->length + u] = level;
}

static sp_marks find(const drawing *d, sp_along along)
{
  sp_raster raster = drawing_raster(d, along, 8);
  sp_scene scene;
  sp_error err = {0};
  sp_marks marks = {0};
  assert_int_equal(sp_scene_create(&raster, &scene, &err), SP_OK);
  const sp_marks_options o = {.kind = SP_MARK_WIRE,
                              .along_known = true,
                              .along = along,
                              .px_per_mm = PX_PER_MM,
                              .blur_px = BLUR,
                              .blur_sd_log = 0.1};
  assert_int_equal(sp_marks_find(&scene, &o, &marks, &err), SP_OK);
  sp_scene_free(&scene);
  sp_raster_free(&raster);
  return marks;
}

/* All found, none invented, each at its place but for what they have in common; `common` limits that. */
static void check_places(const sp_marks *m, double each_px, double common_px)
{
  double mean = 0.0;
  assert_int_equal(m->count, FRETS);
  for (int k = 0; k < FRETS; k++)
    mean += (m->marks[k].u_px - m->marks[k].slope * (m->marks[k].v_px - 350.0) - fret_px(k)) / FRETS;
  CHECK_CLOSE(mean, 0.0, common_px);
  for (int k = 0; k < FRETS; k++) {
    const sp_mark *s = &m->marks[k];
    CHECK_CLOSE(s->u_px - s->slope * (s->v_px - 350.0) - fret_px(k) - mean, 0.0, each_px);
    CHECK_CLOSE(s->slope, fret_slope(k), 0.0004);
    CHECK_CLOSE(s->width_px, WIDTH + 0.5, 1.2);
    assert_true(s->u_u_px > 0.0 && s->u_common_px > 0.0);
  }
}

static void one_flank_lit(void **state)
{
  (void)state;
  const look lit = {100.0, 120.0, 6.0, -60.0, {60.0, 30.0}};
  for (int along = 0; along < 2; along++) {
    chance c = {5};
    drawing d = drawing_new(LENGTH, BREADTH, 235.0);
    draw_neck(&d, &lit);
    draw_noise(&d, 1.5, &c);
    sp_marks m = find(&d, (sp_along)along);
    check_places(&m, 0.10, 0.30);
    sp_marks_free(&m);
    drawing_free(&d);
  }
}

/* The same frets with the lamp on the other side: the middles stay, the highlight does not. */
static void lamp_does_not_move_the_middle(void **state)
{
  (void)state;
  const look look_of[2] = {{90.0, 130.0, 7.0, -70.0, {50.0, 50.0}}, {90.0, 130.0, -7.0, 70.0, {50.0, 50.0}}};
  double at[2];
  for (int side = 0; side < 2; side++) {
    chance c = {9};
    drawing d = drawing_new(LENGTH, BREADTH, 235.0);
    draw_neck(&d, &look_of[side]);
    draw_noise(&d, 1.5, &c);
    sp_marks m = find(&d, SP_ALONG_X);
    assert_int_equal(m.count, FRETS);
    at[side] = m.marks[4].u_px;
    CHECK_BELOW(fabs(at[side] - fret_px(4)), 2.0 * hypot(m.marks[4].u_u_px, m.marks[4].u_common_px) + 0.1);
    sp_marks_free(&m);
    drawing_free(&d);
  }
  CHECK_CLOSE(at[0], at[1], 0.5); /* the highlights lie 14 px apart */
}

static void strings_are_outvoted(void **state)
{
  (void)state;
  const look lit = {100.0, 120.0, 6.0, -60.0, {60.0, 30.0}};
  chance c = {7};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  draw_neck(&d, &lit);
  for (int i = 0; i < 6; i++) {
    draw_string(&d, 130 + 80 * i, 130 + 80 * i + 5 + i, 225.0);
    draw_string(&d, 138 + 80 * i + i, 138 + 80 * i + 10 + i, 95.0);
  }
  draw_noise(&d, 1.5, &c);
  sp_marks m = find(&d, SP_ALONG_X);
  check_places(&m, 0.15, 0.35);
  sp_marks_free(&m);
  drawing_free(&d);
}

/* A board without frets, with wood across it in waves: nothing is found, and why is said. */
static void bare_board_has_no_frets(void **state)
{
  (void)state;
  chance c = {3};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  const drawn_area board = {100.0, LENGTH - 100.0, BOARD_A, BOARD_B, 0.0, BLUR, WOOD - 235.0};
  draw_area(&d, &board);
  for (int32_t v = 110; v < 590; v++)
    for (int32_t u = 110; u < LENGTH - 110; u++)
      d.grey[v * d.length + u] += 3.0 * sin(0.21 * u + 0.002 * v);
  draw_noise(&d, 1.5, &c);
  sp_marks m = find(&d, SP_ALONG_X);
  assert_int_equal(m.count, 0);
  assert_true(m.reason[0] != '\0');
  sp_marks_free(&m);
  drawing_free(&d);
}

/* Each fret's own slope is known before its section is averaged with the others' along it: the median over the breadth is
 * as lively along a slope that brings a highlight over a foot as along the true one, a quarter of a degree off. */
static void slopes_are_known_before_sections_are_averaged(void **state)
{
  (void)state;
  const look lit = {100.0, 120.0, 6.0, -60.0, {60.0, 30.0}};
  chance c = {29};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  draw_neck(&d, &lit);
  for (int i = 0; i < 6; i++)
    draw_string(&d, 130 + 80 * i, 145 + 80 * i, i % 2 ? 225.0 : 95.0);
  draw_noise(&d, 1.5, &c);
  sp_raster raster = drawing_raster(&d, SP_ALONG_X, 8);
  const sp_marks_options o = {.kind = SP_MARK_WIRE, .px_per_mm = PX_PER_MM, .blur_px = BLUR};
  sp_wire_seen seen[SP_WIRE_MOST], lively[SP_WIRE_MOST];
  sp_wire_section section = {0};
  sp_scene scene;
  sp_board board;
  sp_error err = {0};
  size_t lines, count, places;
  assert_int_equal(sp_scene_create(&raster, &scene, &err), SP_OK);
  assert_int_equal(sp_wire_board(&scene, SP_ALONG_X, &o, &board, &lines, &err), SP_OK);
  assert_int_equal(sp_wire_search(&scene, SP_ALONG_X, &o, &board, seen, &count, &section, lively, &places, &err), SP_OK);
  for (int k = 0; k < FRETS; k++) {
    size_t i = 0;
    while (i < count && !(fabs(seen[i].u_px - fret_px(k)) < WIDTH))
      i++;
    assert_true(i < count);
    CHECK_CLOSE(seen[i].slope, fret_slope(k), 0.0003);
  }
  free(section.value);
  sp_scene_free(&scene);
  sp_raster_free(&raster);
  drawing_free(&d);
}

/* Some crowns are levelled flat and have no highlight, the others do: all are frets, and lie where their feet are. */
static void flat_crowns_are_frets(void **state)
{
  (void)state;
  const look round = {100.0, 130.0, 6.0, -60.0, {60.0, 40.0}}, flat = {100.0, 0.0, 0.0, -60.0, {60.0, 40.0}};
  chance c = {11};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  const drawn_area board = {100.0, LENGTH - 100.0, BOARD_A, BOARD_B, 0.0, BLUR, WOOD - 235.0};
  draw_area(&d, &board);
  for (int k = 0; k < FRETS; k++)
    draw_fret(&d, fret_px(k), fret_slope(k), k == 1 || k == 6 ? &flat : &round);
  draw_noise(&d, 1.5, &c);
  sp_marks m = find(&d, SP_ALONG_X);
  check_places(&m, 0.15, 0.35);
  sp_marks_free(&m);
  drawing_free(&d);
}

/* No two crowns in three alike: highlights lie at different places of the wire, or there is none. */
static void crowns_that_differ_are_one_wire(void **state)
{
  (void)state;
  const look crown[3] = {{100.0, 130.0, 6.0, -60.0, {60.0, 40.0}},
                         {100.0, 130.0, 2.5, -60.0, {60.0, 40.0}},
                         {100.0, 0.0, 0.0, -60.0, {60.0, 40.0}}};
  static const int which[FRETS] = {0, 1, 0, 2, 1, 1, 0, 2, 0};
  chance c = {17};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  const drawn_area board = {100.0, LENGTH - 100.0, BOARD_A, BOARD_B, 0.0, BLUR, WOOD - 235.0};
  draw_area(&d, &board);
  for (int k = 0; k < FRETS; k++)
    draw_fret(&d, fret_px(k), fret_slope(k), &crown[which[k]]);
  draw_noise(&d, 1.5, &c);
  sp_marks m = find(&d, SP_ALONG_X);
  check_places(&m, 0.25, 0.5);
  sp_marks_free(&m);
  drawing_free(&d);
}

/* Broad blackened wire, alike on both sides and without a highlight: either foot is as lively as the whole, and the
 * other one was out of reach of a section about one of them. */
static void bare_broad_frets_are_found(void **state)
{
  (void)state;
  static const double BROAD = 33.0;
  chance c = {19};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  const drawn_area board = {100.0, LENGTH - 100.0, BOARD_A, BOARD_B, 0.0, BLUR, WOOD - 235.0};
  draw_area(&d, &board);
  for (int k = 0; k < FRETS; k++) {
    add(&d, fret_px(k), fret_slope(k), BROAD, BLUR, -30.0);
    for (int side = -1; side <= 1; side += 2)
      add(&d, fret_px(k) + side * 0.5 * (BROAD - 4.0), fret_slope(k), 4.0, BLUR, -70.0);
  }
  draw_noise(&d, 1.5, &c);
  sp_marks m = find(&d, SP_ALONG_X);
  assert_int_equal(m.count, FRETS);
  for (int k = 0; k < FRETS; k++) {
    const sp_mark *s = &m.marks[k];
    CHECK_CLOSE(s->u_px - s->slope * (s->v_px - 350.0), fret_px(k), 0.3);
    CHECK_CLOSE(s->width_px, BROAD, 1.2);
  }
  sp_marks_free(&m);
  drawing_free(&d);
}

/* Windings of strings make waves on the wood that are like each other wherever one looks, more often than frets are. */
static void waves_do_not_outvote_frets(void **state)
{
  (void)state;
  chance c = {23};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  const drawn_area board = {100.0, LENGTH - 100.0, BOARD_A, BOARD_B, 0.0, BLUR, WOOD - 235.0};
  const look lit = {100.0, 90.0, 6.0, -60.0, {60.0, 40.0}};
  draw_area(&d, &board);
  for (int32_t v = 110; v < 590; v++)
    for (int32_t u = 110; u < LENGTH - 110; u++)
      d.grey[v * d.length + u] += 4.0 * sin(0.8 * u + 0.003 * v);
  for (int k = 0; k < FRETS; k++)
    draw_fret(&d, fret_px(k), fret_slope(k), &lit);
  draw_noise(&d, 1.5, &c);
  sp_marks m = find(&d, SP_ALONG_X);
  assert_int_equal(m.count, FRETS);
  for (int k = 0; k < FRETS; k++)
    CHECK_CLOSE(m.marks[k].u_px - m.marks[k].slope * (m.marks[k].v_px - 350.0), fret_px(k), 1.0);
  sp_marks_free(&m);
  drawing_free(&d);
}

/* A flank in its own shade darkens evenly until it is as black as the shadow on the wood beside it, so nothing shows at
 * the foot: the last break, where the light ends on the metal, was taken for it. */
static void flank_in_its_own_shade_is_no_wood(void **state)
{
  (void)state;
  const look lit = {110.0, 120.0, -6.0, -1.0, {40.0, 0.0}};
  chance c = {31};
  double off = 0.0, u = 0.0;
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  draw_neck(&d, &lit);
  for (int k = 0; k < FRETS; k++)
    for (int i = 0; i < 30; i++) { /* from the terminator, 8 px inside, to the shadow's end, 22 px beyond the foot */
      const double x = 0.5 * WIDTH - 8.0 + i, ground = i < 8 ? lit.metal : WOOD, out = fmax(0.0, i - 10.0) / 20.0;
      const double grey = i < 8 ? 50.0 - 5.5 * i : 6.0 + (WOOD - 6.0) * out * out * (3.0 - 2.0 * out);
      add(&d, fret_px(k) + x + 0.5, fret_slope(k), 1.0, BLUR, grey - ground);
    }
  draw_noise(&d, 1.5, &c);
  sp_marks m = find(&d, SP_ALONG_X);
  assert_int_equal(m.count, FRETS);
  for (int k = 0; k < FRETS; k++) {
    off += (m.marks[k].u_px - m.marks[k].slope * (m.marks[k].v_px - 350.0) - fret_px(k)) / FRETS;
    u = m.marks[k].u_common_px;
  }
  CHECK_CLOSE(off, 0.0, 1.5);
  CHECK_BELOW(fabs(off), 2.0 * u);
  sp_marks_free(&m);
  drawing_free(&d);
}

/* Three frets look like the one, the rest like the other. */
static sp_marks find_in_two_lights(const look *first, const look *rest)
{
  chance c = {21};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  const drawn_area board = {100.0, LENGTH - 100.0, BOARD_A, BOARD_B, 0.0, BLUR, WOOD - 235.0};
  draw_area(&d, &board);
  for (int k = 0; k < FRETS; k++)
    draw_fret(&d, fret_px(k), fret_slope(k), k < 3 ? first : rest);
  draw_noise(&d, 1.5, &c);
  const sp_marks m = find(&d, SP_ALONG_X);
  drawing_free(&d);
  return m;
}

/* Where not one fret shows both its feet there is no common breadth: places were no numbers, and said to be known. */
static void places_are_numbers(void **state)
{
  (void)state;
  const look left = {100.0, 120.0, 0.0, -60.0, {0.0, 0.0}}, right = {100.0, 120.0, 0.0, 60.0, {0.0, 0.0}};
  sp_marks m = find_in_two_lights(&left, &right);
  assert_int_equal(m.count, FRETS);
  for (size_t k = 0; k < m.count; k++)
    assert_true(isfinite(m.marks[k].u_px) && isfinite(m.marks[k].u_u_px));
  sp_marks_free(&m);
}

/* Where the shadow changes sides along the neck, as in a fan that lies along the lamp, what it moves a foot by is not
 * the same for all frets: those on either side were 0.07 mm apart, with an eighth of that doubt. */
static void shadows_that_change_sides_are_a_doubt(void **state)
{
  (void)state;
  const look left = {100.0, 120.0, 0.0, -30.0, {20.0, 20.0}}, right = {100.0, 120.0, 0.0, 30.0, {20.0, 20.0}};
  sp_marks m = find_in_two_lights(&left, &right);
  assert_int_equal(m.count, FRETS);
  for (int k = 0; k < 3; k++) {
    const sp_mark *a = &m.marks[k], *b = &m.marks[k + 4];
    const double off =
        a->u_px - a->slope * (a->v_px - 350.0) - fret_px(k) - (b->u_px - b->slope * (b->v_px - 350.0) - fret_px(k + 4));
    CHECK_BELOW(fabs(off), 2.0 * hypot(a->u_u_px, b->u_u_px));
    CHECK_BELOW(b->u_u_px, 0.5 * a->u_u_px); /* the fewer are in doubt */
  }
  sp_marks_free(&m);
}

/* ---- the nut's face ---- */

static const double FACE = 160.0, NUT_BACK = 112.0;

typedef struct nut_look {
  double nut, joint, joint_px; /* greys; the joint is darker by `joint` */
  double shadow, shadow_px;    /* on the wood, from the face; its end is soft */
  double line, rim, rim_px;    /* a rounded rim's line of light, and the darker strip between it and the face */
  double second_px;            /* where another shadow ends, half as dark; 0: there is none */
} nut_look;

static sp_marks find_beside_nut(const nut_look *l)
{
  const look lit = {70.0, 130.0, 2.0, -1.0, {30.0, 30.0}};
  chance c = {13};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  draw_neck(&d, &lit);
  add(&d, 0.5 * (FACE + NUT_BACK), 0.0, FACE - NUT_BACK, BLUR, l->nut - WOOD);
  add(&d, FACE + 0.5 * l->second_px, 0.0, l->second_px, BLUR, -0.5 * l->shadow);
  add(&d, FACE + 0.5 * l->joint_px, 0.0, l->joint_px, BLUR, -l->joint);
  add(&d, FACE - 0.5 * l->rim_px, 0.0, l->rim_px, BLUR, -l->rim);
  add(&d, FACE - l->rim_px - 0.75, 0.0, 1.5, BLUR, l->line);
  for (int i = 0; i < 8 && l->shadow > 0.0; i++) { /* boxes of growing length: sharp at the face, a slope at the end */
    const double length = l->shadow_px + i - 3.5;
    add(&d, FACE + 0.5 * length, 0.0, length, BLUR, -l->shadow / 8.0);
  }
  draw_noise(&d, 1.5, &c);
  sp_marks m = find(&d, SP_ALONG_X);
  assert_int_equal(m.count, FRETS);
  drawing_free(&d);
  return m;
}

/* The edge nearest to a place, and whether it is there. */
static const sp_board_end *edge_near(const sp_marks *m, double u_px, double reach_px)
{
  for (size_t i = 0; i < m->edge_count; i++)
    if (fabs(m->edges[i].u_px - u_px) < reach_px)
      return &m->edges[i];
  return NULL;
}

/* A nut as grey as the wood in its shadow: the largest change of grey is where the shadow ends, and it is soft. */
static void nut_is_not_where_its_shadow_ends(void **state)
{
  (void)state;
  const nut_look l = {.nut = 92.0, .joint = 30.0, .joint_px = 1.0, .shadow = 58.0, .shadow_px = 7.0};
  sp_marks m = find_beside_nut(&l);
  const sp_board_end *face = edge_near(&m, FACE, 1.5);
  assert_non_null(face);
  CHECK_BELOW(fabs(face->u_px - FACE), 2.0 * face->u_u_px);
  assert_null(edge_near(&m, FACE + l.shadow_px, 4.0));
  sp_marks_free(&m);
}

/* A joint's far side is a change of its own, and no other face: the place is as sure as that of any edge. */
static void joint_does_not_make_the_nut_doubtful(void **state)
{
  (void)state;
  const nut_look l = {.nut = 225.0, .joint = 60.0, .joint_px = 2.4};
  sp_marks m = find_beside_nut(&l);
  const sp_board_end *face = edge_near(&m, FACE, 1.0);
  assert_non_null(face);
  CHECK_BELOW(face->u_u_px, 0.06 * PX_PER_MM);
  CHECK_BELOW(fabs(face->u_px - FACE), 2.0 * face->u_u_px);
  sp_marks_free(&m);
}

/* A black nut mirrors the lamp in its rim. The line of light is what shows most; the face lies beyond the dark strip
 * that follows it, which a joint as broad would look much like. */
static void line_of_light_is_not_the_face(void **state)
{
  (void)state;
  for (int k = 0; k < 3; k++) {
    const nut_look l = {.nut = 60.0, .line = 80.0 + 20.0 * k, .rim = 5.0 * k, .rim_px = 2.8 + 0.4 * k};
    sp_marks m = find_beside_nut(&l);
    const sp_board_end *face = edge_near(&m, FACE, 1.0);
    assert_non_null(face);
    CHECK_CLOSE(face->u_px, FACE, 0.75);
    CHECK_BELOW(fabs(face->u_px - FACE), 2.0 * face->u_u_px);
    CHECK_BELOW(face->u_u_px, 0.06 * PX_PER_MM);
    sp_marks_free(&m);
  }
}

/* In its shadow a black nut's rim and the wood are equally dark: then nothing shows the face, and that is said. */
static void shaded_rim_makes_the_face_doubtful(void **state)
{
  (void)state;
  const nut_look l = {.nut = 62.0, .line = 3.0, .rim = 32.0, .rim_px = 2.6, .shadow = 120.0, .shadow_px = 9.0};
  sp_marks m = find_beside_nut(&l);
  const sp_board_end *face = edge_near(&m, FACE, 3.0);
  assert_non_null(face);
  CHECK_BELOW(fabs(face->u_px - FACE), 2.0 * face->u_u_px);
  sp_marks_free(&m);
}

/* A light nut's rim turns away and is darker at its face, beyond which lies shaded wood: the steepest change is the
 * rim's, where the nut seemed to end by up to 0.13 mm before its face, with less doubt than that. */
typedef struct fading_nut {
  double nut, face, rim_px; /* greys of its top and at its face; the rim between */
  double shadow, shadow_px; /* what its shadow takes of the wood at the face, and how far it falls to 1/e of that */
} fading_nut;

static double fading_section(const fading_nut *n, double t_px, double wood)
{
  const double x = fmax(0.0, 1.0 + t_px / n->rim_px);
  return t_px < 0.0 ? n->nut + (n->face - n->nut) * x * x : wood * (1.0 - n->shadow * exp(-t_px / n->shadow_px));
}

/* Over streaked wood; blurred by sums over a tenth of a pixel. */
static void draw_fading_nut(drawing *d, const fading_nut *n, chance *c)
{
  for (int32_t v = (int32_t)BOARD_A; v < BOARD_B; v++) {
    const double wood = WOOD * (1.0 + 0.06 * chance_normal(c) + 0.05 * sin(0.7 * v));
    for (int32_t u = (int32_t)NUT_BACK; u < 225; u++) {
      double sum = 0.0, weight = 0.0;
      for (int i = -45; i <= 45; i++) {
        const double w = exp(-0.5 * pow(0.1 * i / BLUR, 2.0));
        sum += w * fading_section(n, u + 0.1 * i - FACE, wood);
        weight += w;
      }
      d->grey[v * d->length + u] = sum / weight;
    }
  }
}

static void fading_rim_does_not_hide_the_face(void **state)
{
  (void)state;
  static const fading_nut NUTS[] = {{228.0, 114.0, 3.6, 0.3, 4.0}, {228.0, 60.0, 5.0, 0.6, 5.0}};
  const look lit = {70.0, 130.0, 2.0, -1.0, {30.0, 30.0}};
  for (size_t k = 0; k < sizeof NUTS / sizeof *NUTS; k++) {
    chance c = {13};
    drawing d = drawing_new(LENGTH, BREADTH, 235.0);
    draw_neck(&d, &lit);
    draw_fading_nut(&d, &NUTS[k], &c);
    draw_noise(&d, 1.5, &c);
    sp_marks m = find(&d, SP_ALONG_X);
    const sp_board_end *face = edge_near(&m, FACE, 2.0);
    assert_non_null(face);
    CHECK_CLOSE(face->u_px, FACE, 0.9);
    CHECK_BELOW(fabs(face->u_px - FACE), 2.0 * face->u_u_px);
    CHECK_BELOW(face->u_u_px, 0.08 * PX_PER_MM);
    sp_marks_free(&m);
    drawing_free(&d);
  }
}

/* The end of a light nut's shadow is no second face, sharp or not, half a millimetre off or one. */
static void light_nut_is_not_contested_by_its_shadow(void **state)
{
  (void)state;
  for (int k = 0; k < 2; k++) {
    const nut_look l = {.nut = 228.0, .shadow = k ? 70.0 : 115.0, .shadow_px = k ? 12.5 : 6.0};
    sp_marks m = find_beside_nut(&l);
    const sp_board_end *face = edge_near(&m, FACE, 1.0);
    assert_non_null(face);
    CHECK_BELOW(fabs(face->u_px - FACE), 2.0 * face->u_u_px);
    CHECK_BELOW(face->u_u_px, 0.06 * PX_PER_MM);
    for (size_t i = 0; i < m.edge_count; i++)
      assert_true(&m.edges[i] == face || !(fabs(m.edges[i].u_px - FACE) < 1.8 * PX_PER_MM));
    sp_marks_free(&m);
  }
}

/* A shadow of two lamps ends twice, and sharply; the farther end was a second face, and neither was taken for the nut.
 */
static void light_nut_is_not_contested_by_two_shadows(void **state)
{
  (void)state;
  const nut_look l = {.nut = 228.0, .shadow = 60.0, .shadow_px = 9.0, .second_px = 19.0};
  sp_marks m = find_beside_nut(&l);
  size_t near = 0;
  for (size_t i = 0; i < m.edge_count; i++)
    near += fabs(m.edges[i].u_px - FACE) < 2.5 * PX_PER_MM;
  assert_non_null(edge_near(&m, FACE, 1.0));
  assert_int_equal(near, 1);
  sp_marks_free(&m);
}

/* ---- one foot ---- */

static sp_foot fit_foot(const drawing *d, double start_px, int outward)
{
  sp_raster raster = drawing_raster(d, SP_ALONG_X, 8);
  const sp_view view = sp_view_of(&raster, SP_ALONG_X);
  sp_error err = {0};
  sp_foot foot;
  const sp_foot_task task = {.u_px = start_px,
                             .v_px = 100.0,
                             .v0_px = 5.0,
                             .v1_px = 195.0,
                             .outward = outward,
                             .inner_mm = 0.5,
                             .outer_mm = 0.7,
                             .reach_mm = 0.25};
  assert_int_equal(sp_wire_foot_fit(&view, &task, PX_PER_MM, sqrt(BLUR * BLUR + 1.0 / 12.0), &foot, &err), SP_OK);
  sp_raster_free(&raster);
  return foot;
}

static void draw_edge(drawing *d, double at, double slope, double left, double right)
{
  for (int32_t v = 0; v < d->breadth; v++)
    for (int32_t u = 0; u < d->length; u++)
      d->grey[v * d->length + u] = left + (right - left) * drawn_step(u - at - slope * (v - 100.0), BLUR);
}

static void foot_is_found_below_a_pixel(void **state)
{
  (void)state;
  for (int k = 0; k < 10; k++) {
    chance c = {(uint64_t)(20 + k)};
    drawing d = drawing_new(80, 200, 0.0);
    const double at = 40.0 + 0.1 * k, slope = 0.002 * (k - 5);
    draw_edge(&d, at, slope, 70.0, 150.0);
    for (int32_t v = 60; v < 85; v++) /* a string over a part of it */
      for (int32_t u = 0; u < 80; u++)
        d.grey[v * d.length + u] = 210.0;
    draw_noise(&d, 2.0, &c);
    const sp_foot foot = fit_foot(&d, 41.3, 1);
    assert_true(foot.found);
    CHECK_CLOSE(foot.u_px, at, 0.25); /* a joint that is not there may take part of a step's place: see the header */
    CHECK_CLOSE(foot.slope, slope, 0.001);
    CHECK_CLOSE(foot.term[0], 70.0, 12.0);
    CHECK_CLOSE(foot.term[1], 150.0, 12.0);
    assert_true(foot.used > 0.6 && foot.used < 0.95);
    drawing_free(&d);
  }
}

/* Mirrored pictures give mirrored places: neither side is favoured. */
static void neither_side_is_favoured(void **state)
{
  (void)state;
  drawing d = drawing_new(81, 200, 0.0), mirrored = drawing_new(81, 200, 0.0);
  draw_edge(&d, 40.3, 0.0, 70.0, 150.0);
  for (int32_t i = 0; i < 200; i++)
    for (int32_t u = 0; u < 81; u++)
      mirrored.grey[i * 81 + u] = d.grey[i * 81 + 80 - u];
  const sp_foot a = fit_foot(&d, 40.0, 1), b = fit_foot(&mirrored, 40.0, -1);
  assert_true(a.found && b.found);
  CHECK_CLOSE(a.u_px, 80.0 - b.u_px, 0.01);
  drawing_free(&d);
  drawing_free(&mirrored);
}

/* Dark metal, and a shadow nearly as dark that fades ever faster: the small break is the foot. */
static void slow_shadow_does_not_move_the_foot(void **state)
{
  (void)state;
  for (int k = 0; k < 5; k++) {
    chance c = {(uint64_t)(60 + k)};
    drawing d = drawing_new(80, 200, 0.0);
    const double at = 40.0 + 0.2 * k;
    draw_edge(&d, at, 0.0, 35.0, 68.0);
    for (int32_t v = 0; v < 200; v++)
      for (int32_t u = 0; u < 80; u++) {
        const double fading = fmin(fmax((u - at) / 16.0, 0.0), 1.0);
        d.grey[v * 80 + u] += 88.0 * fading * fading;
      }
    draw_noise(&d, 1.5, &c);
    const sp_foot foot = fit_foot(&d, at + 1.3, 1);
    assert_true(foot.found);
    CHECK_CLOSE(foot.u_px, at, 0.5);
    drawing_free(&d);
  }
}

/* Blurred as light, stored as its root: the edge seems shifted into the dark unless the greys are taken back to light.
 * By how much follows from where half the light lies in the stored greys. */
static void light_is_told_from_grey(void **state)
{
  (void)state;
  static const double DARK = 0.02, BRIGHT = 0.7, TONE = 2.2;
  drawing d = drawing_new(80, 200, 0.0);
  for (int32_t v = 0; v < 200; v++)
    for (int32_t u = 0; u < 80; u++)
      d.grey[v * 80 + u] = 255.0 * pow(DARK + (BRIGHT - DARK) * drawn_step(u - 40.3, BLUR), 1.0 / TONE);
  sp_raster raster = drawing_raster(&d, SP_ALONG_X, 8);
  const sp_view view = sp_view_of(&raster, SP_ALONG_X);
  sp_error err = {0};
  sp_foot foot[2];
  sp_foot_task task = {.u_px = 40.0,
                       .v_px = 100.0,
                       .v0_px = 5.0,
                       .v1_px = 195.0,
                       .outward = 1,
                       .flat = true,
                       .joint_mm = -1.0,
                       .inner_mm = 0.5,
                       .outer_mm = 0.7,
                       .reach_mm = 0.25};
  for (int k = 0; k < 2; k++) {
    task.tone = k ? TONE : 1.0;
    assert_int_equal(sp_wire_foot_fit(&view, &task, PX_PER_MM, sqrt(BLUR * BLUR + 1.0 / 12.0), &foot[k], &err), SP_OK);
    assert_true(foot[k].found);
  }
  CHECK_CLOSE(foot[1].u_px, 40.3, 0.03);
  CHECK_BELOW(foot[0].u_px, 40.3 - 0.25);
  CHECK_BELOW(foot[1].misfit, 0.5 * foot[0].misfit);
  CHECK_BELOW(fabs(foot[1].dip), 0.01);
  sp_raster_free(&raster);
  drawing_free(&d);
}

/* ---- feet in a section ---- */

/* Wood, a shadow that ends softly, metal from -13 to 13 px: the feet are the metal's edges, not the shadow's end. */
static void shadow_is_no_foot(void **state)
{
  (void)state;
  enum { HALF = 36 };
  float value[2 * HALF + 1];
  for (int i = -HALF; i <= HALF; i++) {
    const double metal = drawn_box(i, WIDTH, 1.1), shadow = drawn_box(i - 17.0, 8.0, 3.5) * (1.0 - metal);
    value[i + HALF] = (float)(WOOD + (80.0 - WOOD) * metal + 90.0 * drawn_box(i + 5.0, 6.0, 2.5) - 45.0 * shadow);
  }
  const sp_wire_section section = {.half_px = HALF, .value = value, .count = 9, .px_per_mm = PX_PER_MM};
  sp_wire_pair pairs[SP_WIRE_PAIRS];
  assert_true(sp_wire_feet(&section, 1.1, pairs) >= 1);
  CHECK_CLOSE(pairs[0].foot_px[0], -13.0, 1.5);
  CHECK_CLOSE(pairs[0].foot_px[1], 13.0, 1.5);
}

/* ---- the wood's grain ---- */

enum { GRAIN_LENGTH = 400, GRAIN_BREADTH = 540, GRAIN_FRETS = 5 };
static const double LINE_0 = 50.0, LINE_STEP = 75.3, SHADED_TO = 24.0;

typedef struct streaks {
  double size;    /* of the wood's streaks, against its grey */
  double shade;   /* of stripes that lie on metal too */
  double turn_px; /* over so much streaks have become others and come back; 0 = they run through */
} streaks;

/* Wood with streaks along the board and, at larger u, a shadow from the foot at 13 px to 24 px as dark as the metal:
 * there the grey alone shows one sharp edge, the shadow's. */
static void grain_of(streaks s, uint64_t seed, sp_wire_grain *grain, sp_wire_section *section)
{
  drawing d = drawing_new(GRAIN_LENGTH, GRAIN_BREADTH, 0.0);
  sp_wire_line lines[GRAIN_FRETS];
  sp_error err = {0};
  chance c = {seed};
  for (int32_t v = 0; v < GRAIN_BREADTH; v++) {
    const double streak[2] = {chance_normal(&c) + sin(0.7 * v), chance_normal(&c) + sin(0.9 * v)};
    const double shade = 1.0 + s.shade * sin(0.12 * v);
    for (int32_t u = 0; u < GRAIN_LENGTH; u++) {
      const double turn = s.turn_px > 0.0 ? 2.0 * acos(-1.0) * u / s.turn_px : 0.0;
      const double wood = WOOD * (1.0 + s.size * (cos(turn) * streak[0] + sin(turn) * streak[1]));
      double metal = 0.0, shadow = 0.0;
      for (int k = 0; k < GRAIN_FRETS; k++) {
        const double t = u - LINE_0 - LINE_STEP * k;
        metal += drawn_box(t, WIDTH, BLUR);
        shadow += drawn_box(t - 0.5 * SHADED_TO, SHADED_TO, BLUR);
      }
      d.grey[v * d.length + u] = shade * (wood * (1.0 - metal) * (1.0 - 0.5 * fmin(shadow, 1.0)) + 0.5 * WOOD * metal);
    }
  }
  draw_noise(&d, 1.0, &c);
  sp_raster raster = drawing_raster(&d, SP_ALONG_X, 8);
  const sp_view view = sp_view_of(&raster, SP_ALONG_X);
  for (int k = 0; k < GRAIN_FRETS; k++)
    lines[k] = (sp_wire_line){LINE_0 + LINE_STEP * k, 0.5 * GRAIN_BREADTH, 0.0, 10.0, GRAIN_BREADTH - 10.0};
  assert_int_equal(sp_wire_grain_read(&view, lines, GRAIN_FRETS, PX_PER_MM, grain, &err), SP_OK);
  for (int32_t i = -section->half_px; i <= section->half_px; i++)
    section->value[i + section->half_px] = (float)(WOOD * (1.0 - 0.5 * drawn_box(i - 5.5, SHADED_TO + 13.0, BLUR)));
  sp_raster_free(&raster);
  drawing_free(&d);
}

static void grain_tells_shadow_from_metal(void **state)
{
  (void)state;
  enum { HALF = 34 };
  float value[2 * HALF + 1];
  sp_wire_section section = {.half_px = HALF, .value = value, .count = GRAIN_FRETS, .px_per_mm = PX_PER_MM};
  sp_wire_grain grain;
  double foot, u;
  grain_of((streaks){.size = 0.04}, 21, &grain, &section);
  assert_int_equal(grain.frets[0], GRAIN_FRETS);
  for (int side = 0; side < 2; side++) {
    assert_true(sp_wire_grain_foot(&grain, &section, side, &BLUR, 1, &foot, &u));
    CHECK_CLOSE(foot, side ? 13.0 : -13.0, 0.35);
    assert_true(u > 0.0 && u < 0.5);
  }
  free(grain.value);
}

static void bare_wood_says_nothing(void **state)
{
  (void)state;
  enum { HALF = 34 };
  float value[2 * HALF + 1];
  sp_wire_section section = {.half_px = HALF, .value = value, .count = GRAIN_FRETS, .px_per_mm = PX_PER_MM};
  sp_wire_grain grain;
  double foot, u;
  grain_of((streaks){.size = 0.0}, 22, &grain, &section);
  assert_false(sp_wire_grain_foot(&grain, &section, 1, &BLUR, 1, &foot, &u) && u < 0.3);
  free(grain.value);
}

/* Stripes of shade that lie on metal and wood alike, as strings throw them, are no grain. */
static void shade_on_both_says_nothing(void **state)
{
  (void)state;
  enum { HALF = 34 };
  float value[2 * HALF + 1];
  sp_wire_section section = {.half_px = HALF, .value = value, .count = GRAIN_FRETS, .px_per_mm = PX_PER_MM};
  sp_wire_grain grain;
  double foot, u;
  grain_of((streaks){.shade = 0.2}, 23, &grain, &section);
  assert_false(sp_wire_grain_foot(&grain, &section, 1, &BLUR, 1, &foot, &u));
  free(grain.value);
}

/* Streaks that turn into others within some millimetres, under such stripes: the wood still ends at once. */
static void grain_that_runs_out_tells(void **state)
{
  (void)state;
  enum { HALF = 34 };
  float value[2 * HALF + 1];
  sp_wire_section section = {.half_px = HALF, .value = value, .count = GRAIN_FRETS, .px_per_mm = PX_PER_MM};
  sp_wire_grain grain;
  double foot, u;
  grain_of((streaks){.size = 0.06, .shade = 0.1, .turn_px = 260.0}, 24, &grain, &section);
  for (int side = 0; side < 2; side++) {
    assert_true(sp_wire_grain_foot(&grain, &section, side, &BLUR, 1, &foot, &u));
    CHECK_CLOSE(foot, side ? 13.0 : -13.0, 1.0);
    assert_true(u > 0.0 && u < 1.5);
  }
  free(grain.value);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(one_flank_lit),
                                     cmocka_unit_test(lamp_does_not_move_the_middle),
                                     cmocka_unit_test(strings_are_outvoted),
                                     cmocka_unit_test(bare_board_has_no_frets),
                                     cmocka_unit_test(slopes_are_known_before_sections_are_averaged),
                                     cmocka_unit_test(flat_crowns_are_frets),
                                     cmocka_unit_test(crowns_that_differ_are_one_wire),
                                     cmocka_unit_test(bare_broad_frets_are_found),
                                     cmocka_unit_test(waves_do_not_outvote_frets),
                                     cmocka_unit_test(shadows_that_change_sides_are_a_doubt),
                                     cmocka_unit_test(places_are_numbers),
                                     cmocka_unit_test(flank_in_its_own_shade_is_no_wood),
                                     cmocka_unit_test(line_of_light_is_not_the_face),
                                     cmocka_unit_test(fading_rim_does_not_hide_the_face),
                                     cmocka_unit_test(shaded_rim_makes_the_face_doubtful),
                                     cmocka_unit_test(light_nut_is_not_contested_by_its_shadow),
                                     cmocka_unit_test(light_nut_is_not_contested_by_two_shadows),
                                     cmocka_unit_test(nut_is_not_where_its_shadow_ends),
                                     cmocka_unit_test(joint_does_not_make_the_nut_doubtful),
                                     cmocka_unit_test(foot_is_found_below_a_pixel),
                                     cmocka_unit_test(neither_side_is_favoured),
                                     cmocka_unit_test(slow_shadow_does_not_move_the_foot),
                                     cmocka_unit_test(light_is_told_from_grey),
                                     cmocka_unit_test(shadow_is_no_foot),
                                     cmocka_unit_test(grain_tells_shadow_from_metal),
                                     cmocka_unit_test(bare_wood_says_nothing),
                                     cmocka_unit_test(shade_on_both_says_nothing),
                                     cmocka_unit_test(grain_that_runs_out_tells)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
