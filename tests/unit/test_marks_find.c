/* The board and its lines in a drawn picture: what is found, where, and what is not taken for a line.
 *
 * The boards are inventions of some 60 x 45 mm at 300 dpi, drawn by drawing.h; every place is known exactly. */
#include "drawing.h"

#include "marks/fits.h"
#include "slotproof/marks.h"
#include "slotproof/numeric.h"

enum { LINES = 9 };
static const double PX_PER_MM = 11.81;

typedef struct drawn_board {
  double length_mm, width_mm, lean; /* lean: dv/du of the board */
  double line_mm, blur, height;     /* width of a line; its depth in grey */
  double wood, around, noise;
  uint64_t seed;
} drawn_board;

static const drawn_board PLAIN = {.length_mm = 70.0,
                                  .width_mm = 40.0,
                                  .line_mm = 0.12,
                                  .blur = 0.9,
                                  .height = -60.0,
                                  .wood = 140.0,
                                  .around = 235.0,
                                  .noise = 2.0,
                                  .seed = 1};
static const double MARGIN_PX = 45.0;

/* Places of the lines from the board's end, mm: uneven, as a layout's are. */
static double place_mm(int k)
{
  return 7.0 + 7.4 * k - 0.16 * k * k;
}

static double centre_v(const drawn_board *b, double u)
{
  return MARGIN_PX + 0.5 * b->width_mm * PX_PER_MM + fabs(fmin(0.0, b->lean)) * b->length_mm * PX_PER_MM +
         b->lean * (u - MARGIN_PX);
}

static double place_u(int k)
{
  return MARGIN_PX + place_mm(k) * PX_PER_MM + 0.17 * k; /* all phases of the pixel grid */
}

static drawing wood(const drawn_board *b)
{
  const int32_t length = (int32_t)(b->length_mm * PX_PER_MM + 2.0 * MARGIN_PX);
  const int32_t breadth = (int32_t)((b->width_mm + fabs(b->lean) * b->length_mm) * PX_PER_MM + 2.0 * MARGIN_PX);
  drawing d = drawing_new(length, breadth, b->around);
  const double v0 = centre_v(b, 0.0), half = 0.5 * b->width_mm * PX_PER_MM;
  draw_area(&d, &(drawn_area){.u_a = MARGIN_PX,
                              .u_b = MARGIN_PX + b->length_mm * PX_PER_MM,
                              .v_a = v0 - half,
                              .v_b = v0 + half,
                              .lean = b->lean,
                              .blur = b->blur,
                              .height = b->wood - b->around});
  return d;
}

/* Line k square to the board from its lower to its upper side, less the parts given (of the width). */
static void line(drawing *d, const drawn_board *b, int k, double from, double to, double width_mm, double height)
{
  const double v = centre_v(b, place_u(k)), half = 0.5 * b->width_mm * PX_PER_MM;
  draw_mark(d, &(drawn_mark){.at = place_u(k),
                             .slope = -b->lean,
                             .v_ref = v,
                             .v_a = v - half + 2.0 * half * from,
                             .v_b = v - half + 2.0 * half * to,
                             .width = width_mm * PX_PER_MM,
                             .blur = b->blur,
                             .height = height});
}

/* Across the whole of a board that does not lean, at u. */
static void line_at(drawing *d, const drawn_board *b, double u, double width_mm, double height)
{
  const double v = centre_v(b, u), half = 0.5 * b->width_mm * PX_PER_MM;
  draw_mark(d, &(drawn_mark){.at = u,
                             .v_ref = v,
                             .v_a = v - half,
                             .v_b = v + half,
                             .width = width_mm * PX_PER_MM,
                             .blur = b->blur,
                             .height = height});
}

static void lines(drawing *d, const drawn_board *b)
{
  for (int k = 0; k < LINES; k++)
    line(d, b, k, 0.0, 1.0, b->line_mm, b->height);
}

static sp_marks_options options_for(sp_mark_kind kind)
{
  return (sp_marks_options){.kind = kind, .px_per_mm = PX_PER_MM, .blur_px = NAN};
}

/* Strips so broad, or as the picture's size asks for if 0. */
static sp_marks find_by_strips(const drawing *d, sp_along along, int bits, uint32_t strip_px, const sp_marks_options *o)
{
  sp_raster r = drawing_raster(d, along, bits);
  sp_scene scene;
  sp_marks marks;
  sp_error err = {0};
  assert_int_equal(strip_px ? sp_scene_create_strips(&r, strip_px, &scene, &err) : sp_scene_create(&r, &scene, &err),
                   SP_OK);
  if (sp_marks_find(&scene, o, &marks, &err) != SP_OK) {
    fprintf(stderr, "%s\n", err.text);
    fail();
  }
  sp_scene_free(&scene);
  sp_raster_free(&r);
  return marks;
}

static sp_marks find(const drawing *d, sp_along along, int bits, const sp_marks_options *o)
{
  return find_by_strips(d, along, bits, 0, o);
}

/* Adds noise, finds, and forgets the drawing. */
static sp_marks find_in(drawing *d, const drawn_board *b, sp_along along, const sp_marks_options *o)
{
  chance dice = {b->seed};
  draw_noise(d, b->noise, &dice);
  const sp_marks m = find(d, along, 8, o);
  drawing_free(d);
  return m;
}

/* Every line found once, and nothing else; places within `px` and within four of their standard uncertainties. */
static void check_places(const sp_marks *m, const drawn_board *b, double px)
{
  assert_int_equal(m->count, LINES);
  for (int k = 0; k < LINES; k++) {
    const sp_mark *x = &m->marks[k];
    /* compared at the v where the mark was given */
    const double u = place_u(k) - b->lean * (x->v_px - centre_v(b, place_u(k)));
    CHECK_CLOSE(x->u_px, u, px);
    CHECK_BELOW(fabs(x->u_px - u), 4.0 * x->u_u_px);
    CHECK_BELOW(x->u_u_px, b->height < 0.0 ? 0.15 : 0.8); /* beside a light line a light burr can hide */
    CHECK_CLOSE(x->slope, -b->lean, 6.0 * x->u_slope + 2e-4);
    CHECK_CLOSE(x->v_px, centre_v(b, place_u(k)), 1.0);
  }
}

static void knife_lines_along_both_axes(void **unused)
{
  (void)unused;
  for (int axis = 0; axis < 2; axis++)
    for (int tone = 0; tone < 2; tone++) {
      drawn_board b = PLAIN;
      b.height = tone ? 50.0 : -60.0; /* pale lines on dark wood, dark lines */
      b.wood = tone ? 90.0 : 140.0;
      drawing d = wood(&b);
      lines(&d, &b);
      const sp_marks_options o = options_for(SP_MARK_KNIFE);
      sp_marks m = find_in(&d, &b, (sp_along)axis, &o);
      assert_int_equal(m.along, axis);
      assert_string_equal(m.reason, "");
      check_places(&m, &b, 0.05);
      for (int k = 0; k < LINES; k++) {
        CHECK_BELOW(0.9, m.marks[k].coverage);
        assert_int_equal(m.marks[k].contrast > 0.0, tone);
        assert_true(m.marks[k].strength > 0.5 && m.marks[k].strength <= 1.0);
      }
      sp_marks_free(&m);
    }
}

/* A light line and dark beside it: the cut is the one or the other, and no picture tells which. What is measured lies
 * between the two, `apart_px` from cut to light, both within twice its uncertainty; from line to line it is right. */
static void check_cut_or_light(const sp_marks *m, double apart_px)
{
  assert_int_equal(m->count, LINES);
  for (int k = 0; k < LINES; k++) {
    const sp_mark *x = &m->marks[k];
    const double off = x->u_px - place_u(k), expanded = 2.0 * hypot(x->u_u_px, x->u_common_px);
    CHECK_BELOW(fabs(off), expanded);
    CHECK_BELOW(fabs(off - apart_px), expanded);
    CHECK_BELOW(expanded, 1.3 * fabs(apart_px));
    CHECK_BELOW(x->u_u_px, 0.2 * fabs(apart_px));
    CHECK_CLOSE(off, m->marks[0].u_px - place_u(0), 2.0 * hypot(x->u_u_px, m->marks[0].u_u_px));
  }
}

/* One blade, one wood, the burr on one side: on dark wood it catches so much light that beside every `every`-th cut
 * nothing but the burr is conspicuous. */
static void find_beside_burrs(int every)
{
  const double burr_mm = 0.13;
  for (int side = -1; side <= 1; side += 2)
    for (uint64_t seed = 1; seed <= 3; seed++) {
      drawn_board b = PLAIN;
      b.wood = 70.0;
      b.height = -26.0;
      b.noise = 1.5;
      b.seed = seed;
      drawing d = wood(&b);
      lines(&d, &b);
      for (int k = 0; k < LINES; k++) {
        const double u = place_u(k) + side * 0.5 * (b.line_mm + burr_mm) * PX_PER_MM;
        line_at(&d, &b, u, burr_mm, k % every == every / 2 ? 42.0 : 18.0);
      }
      const sp_marks_options o = options_for(SP_MARK_KNIFE);
      sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
      assert_int_equal(m.count, LINES);
      const bool light = every == 1 && m.marks[0].contrast > 0.0;
      if (light)
        check_cut_or_light(&m, side * 0.5 * (b.line_mm + burr_mm) * PX_PER_MM);
      for (int k = 0; k < LINES && !light; k++) {
        assert_true(m.marks[k].contrast < 0.0);
        CHECK_CLOSE(m.marks[k].u_px, place_u(k), 0.8);
        CHECK_BELOW(fabs(m.marks[k].u_px - place_u(k)), 4.0 * m.marks[k].u_u_px);
      }
      sp_marks_free(&m);
    }
}

/* Those are found at their cuts like the others, not a burr's breadth beside them. */
static void burrs_that_outshine_their_cuts(void **unused)
{
  (void)unused;
  find_beside_burrs(4);
}

/* Where it is so with all of them the board's lines look light, and may be. */
static void burrs_that_outshine_all_cuts(void **unused)
{
  (void)unused;
  find_beside_burrs(1);
}

/* Line k, and a burr `burr_mm` broad on the side or sides given (bit 0 smaller u, bit 1 larger u). */
static void burred_line(drawing *d, const drawn_board *b, int k, double at, double burr_mm, int sides,
                        double burr_height)
{
  const double v = centre_v(b, at), half = 0.5 * b->width_mm * PX_PER_MM;
  drawn_mark m = {.v_ref = v, .v_a = v - half, .v_b = v + half, .blur = b->blur};
  for (int side = -1; side <= 1; side++) {
    if (side && !(sides & (side < 0 ? 1 : 2)))
      continue;
    m.at = at + side * 0.5 * (b->line_mm + burr_mm) * PX_PER_MM;
    m.width = (side ? burr_mm : b->line_mm) * PX_PER_MM;
    m.height = side ? burr_height * (1.0 + 0.1 * (k % 3 - 1)) : b->height;
    draw_mark(d, &m);
  }
}

/* Four times as light as the cuts are deep: the light was once taken for the lines, 0.13 mm beside the cuts, by all of
 * them alike and within an uncertainty of a tenth of that; later the dark, beside light lines that had a shade. */
static void cuts_that_drown_in_their_burrs(void **unused)
{
  (void)unused;
  for (int side = 1; side <= 2; side++) {
    drawn_board b = PLAIN;
    b.wood = 55.0;
    b.line_mm = 0.175;
    b.height = -10.5;
    b.noise = 2.0;
    b.blur = 0.6;
    b.seed = (uint64_t)side;
    drawing d = wood(&b);
    for (int k = 0; k < LINES; k++)
      burred_line(&d, &b, k, place_u(k), 0.10, side, 40.0);
    sp_marks_options o = options_for(SP_MARK_KNIFE);
    o.blur_px = b.blur; /* as the rule's strokes tell it */
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    check_cut_or_light(&m, (side == 1 ? -1.0 : 1.0) * 0.5 * (b.line_mm + 0.10) * PX_PER_MM);
    sp_marks_free(&m);
  }
}

/* What sharpens a scan leaves dark along both sides of a light line. One of them was once taken for the cut, 2 px
 * beside the line, by all of them alike. */
static void light_lines_sharpened(void **unused)
{
  (void)unused;
  for (uint64_t seed = 1; seed <= 2; seed++)
    for (int equal = 0; equal < 2; equal++) {
      drawn_board b = PLAIN;
      b.wood = 110.0;
      b.line_mm = 0.14;
      b.height = 60.0;
      b.blur = 0.7;
      b.seed = seed;
      drawing d = wood(&b);
      for (int k = 0; k < LINES; k++)
        for (int side = 1; side <= 2; side++) {
          drawn_board half = b;
          half.height = 0.5 * b.height;
          burred_line(&d, &half, k, place_u(k), 0.07, side, side == 1 || equal ? -24.0 : -16.0);
        }
      sp_marks_options o = options_for(SP_MARK_KNIFE);
      o.blur_px = b.blur;
      sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
      assert_int_equal(m.count, LINES);
      for (int k = 0; k < LINES; k++) {
        assert_true(m.marks[k].contrast > 0.0);
        CHECK_CLOSE(m.marks[k].u_px, place_u(k), 0.15);
        CHECK_BELOW(fabs(m.marks[k].u_px - place_u(k)), 4.0 * m.marks[k].u_u_px);
        CHECK_BELOW(hypot(m.marks[k].u_u_px, m.marks[k].u_common_px), 0.4);
      }
      sp_marks_free(&m);
    }
}

/* Nothing askew: a line meets the pixels at one phase in its whole length. Between two pixels, with a burr on both
 * sides, it is no plain cut at all, and was once given up before the burrs were looked for. */
static void lines_along_the_pixels(void **unused)
{
  (void)unused;
  for (int phase = 0; phase < 4; phase++) {
    drawn_board b = PLAIN;
    b.wood = 205.0;
    b.line_mm = 0.058;
    b.height = -80.0;
    b.noise = 4.0;
    b.blur = 0.42;
    double at[LINES];
    drawing d = wood(&b);
    for (int k = 0; k < LINES; k++) {
      at[k] = round(place_u(k)) + 0.25 * ((k + phase) % 4);
      burred_line(&d, &b, k, at[k], 0.125, 3, 9.0);
    }
    sp_marks_options o = options_for(SP_MARK_KNIFE);
    o.blur_px = b.blur; /* as the rule's strokes tell it */
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    assert_int_equal(m.count, LINES);
    for (int k = 0; k < LINES; k++)
      CHECK_BELOW(fabs(m.marks[k].u_px - at[k]), 4.0 * m.marks[k].u_u_px);
    sp_marks_free(&m);
  }
}

/* A plane's waves, almost along the lines, on the wood alone. */
static void draw_waves(drawing *d, const drawn_board *b, double height, double period_mm)
{
  const double period_px = period_mm * PX_PER_MM;
  for (int32_t v = 0; v < d->breadth; v++)
    for (int32_t u = 0; u < d->length; u++)
      if (d->grey[v * d->length + u] < 0.5 * (b->wood + b->around))
        d->grey[v * d->length + u] += height * sin(2.0 * SP_PI * (u + 0.02 * v) / period_px + 0.4 * (double)b->seed);
}

/* How many of the lines were found; those have to lie where they are. */
static int count_dark_lines(const sp_marks *m)
{
  int found = 0;
  for (size_t i = 0; i < m->count; i++)
    for (int k = 0; k < LINES; k++)
      if (fabs(m->marks[i].u_px - place_u(k)) < 1.0 && m->marks[i].contrast < 0.0) {
        CHECK_BELOW(fabs(m->marks[i].u_px - place_u(k)), 4.0 * m->marks[i].u_u_px);
        found++;
      }
  return found;
}

/* A plane's waves, light and dark, across the whole board: their crests say nothing of the lines' burrs. They once did,
 * and a line was lost to the crest beside it. */
static void waves_have_no_vote(void **unused)
{
  (void)unused;
  for (uint64_t seed = 1; seed <= 3; seed++) {
    drawn_board b = PLAIN;
    b.wood = 205.0;
    b.line_mm = 0.086;
    b.height = -105.0;
    b.blur = 0.5;
    b.seed = seed;
    drawing d = wood(&b);
    draw_waves(&d, &b, 11.0, 0.773);
    lines(&d, &b);
    const sp_marks_options o = options_for(SP_MARK_KNIFE);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    assert_int_equal(count_dark_lines(&m), LINES);
    sp_marks_free(&m);
  }
}

/* Two fits of one line that fades into a plane's waves: one along it, and one askew by a degree, along the line where
 * that is dark and along a wave's trough where it is pale. What else lies beside the line is left out by the askew one,
 * which so explains its place better, and shows along nearly as much. It once stood for the line, 0.24 mm off. */
static void an_askew_fit_is_not_the_line(void **unused)
{
  (void)unused;
  const sp_marks_options o = options_for(SP_MARK_KNIFE);
  for (int which = 0; which < 3; which++) {
    sp_mark line = {.u_px = 312.53,
                    .slope = 0.0004,
                    .width_px = 1.03,
                    .contrast = -0.244,
                    .coverage = 1.0,
                    .significance = 14.1,
                    .misfit = 10.8};
    sp_mark askew = line;
    askew.u_px = which == 0 ? 309.79 : which == 1 ? 314.9 : 312.05; /* the third has not quite found the line's place */
    askew.slope = which < 2 ? -0.0171 : -0.001;
    askew.contrast = -0.170;
    askew.coverage = 0.91;
    askew.significance = 9.9;
    askew.misfit = 2.6;
    sp_marks m = {.marks = calloc(LINES + 1, sizeof(sp_mark))};
    assert_non_null(m.marks);
    m.marks[m.count++] = askew;
    for (int k = 0; k < LINES; k++) {
      m.marks[m.count] = line;
      m.marks[m.count++].u_px = 312.53 + 150.0 * k;
    }
    sp_error err = {0};
    assert_int_equal(sp_marks_settle(&o, &m, &err), SP_OK);
    assert_int_equal(m.count, LINES);
    CHECK_CLOSE(m.marks[0].u_px, 312.53, 1e-9);
    sp_marks_free(&m);
  }
}

/* One light mark among dark ones, as visible and as well explained: a line, or what shows of a cut that has drowned in
 * its burr, a tenth of a millimetre beside it. It once had its own scatter for its doubt and was 0.12 mm off. */
static void a_light_mark_may_be_a_burr(void **unused)
{
  (void)unused;
  const sp_marks_options o = options_for(SP_MARK_KNIFE);
  sp_marks m = {.marks = calloc(LINES, sizeof(sp_mark))};
  assert_non_null(m.marks);
  for (int k = 0; k < LINES; k++)
    m.marks[m.count++] = (sp_mark){.u_px = place_u(k),
                                   .u_u_px = 0.1,
                                   .width_px = 1.0,
                                   .contrast = k == 3 ? 0.2 : -0.2,
                                   .coverage = 1.0,
                                   .significance = 20.0,
                                   .misfit = 1.0};
  sp_error err = {0};
  assert_int_equal(sp_marks_settle(&o, &m, &err), SP_OK);
  assert_int_equal(m.count, LINES);
  for (int k = 0; k < LINES; k++)
    CHECK_CLOSE(m.marks[k].u_u_px, k == 3 ? hypot(0.1, 0.1 * PX_PER_MM) : 0.1, 1e-9);
  sp_marks_free(&m);
}

/* Cuts with a burr on both sides, which cancel where the picture is coarse, among a plane's waves: a mark's area says
 * little then, the whole of it does. */
static void cuts_that_their_burrs_cancel(void **unused)
{
  (void)unused;
  int found = 0;
  for (uint64_t seed = 1; seed <= 3; seed++) {
    drawn_board b = PLAIN;
    b.wood = 55.0;
    b.line_mm = 0.088;
    b.height = -22.0;
    b.blur = 0.8;
    b.noise = 4.0;
    b.seed = seed;
    drawing d = wood(&b);
    draw_waves(&d, &b, 2.4, 1.59);
    for (int k = 0; k < LINES; k++)
      burred_line(&d, &b, k, place_u(k), 0.12, 3, 8.0);
    sp_marks_options o = options_for(SP_MARK_KNIFE);
    o.blur_px = b.blur;
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    found += count_dark_lines(&m);
    sp_marks_free(&m);
  }
  CHECK_BELOW(3 * LINES - 2, found); /* once three were not found */
}

/* Waves along the lines and half as strong, in turn with a crest on each line. Where a cut lies in a crest the fit once
 * went after that; on the flank of a wave a line was hardly seen; and where all crests were taken for lines no wood was
 * left to tell what the waves are like. Of 63 lines 25 were found, among 69 other marks. */
static void cuts_among_waves_as_strong(void **unused)
{
  (void)unused;
  int found = 0;
  size_t seen = 0;
  for (int k = 1; k < LINES - 1; k++) {
    drawn_board b = PLAIN;
    b.wood = 185.0;
    b.line_mm = 0.102;
    b.height = -48.0;
    b.seed = (uint64_t)k;
    const double period_px = 1.44 * PX_PER_MM;
    drawing d = wood(&b);
    for (int32_t i = 0; i < d.length * d.breadth; i++)
      if (d.grey[i] < 0.5 * (b.wood + b.around))
        d.grey[i] += 13.0 * cos(2.0 * SP_PI * (i % d.length - place_u(k)) / period_px);
    lines(&d, &b);
    const sp_marks_options o = options_for(SP_MARK_KNIFE);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    found += count_dark_lines(&m);
    seen += m.count;
    sp_marks_free(&m);
  }
  CHECK_BELOW(60, found);
  CHECK_BELOW((int)seen, found + 3);
}

/* Light lines on dark wood; beside some of them, always on the same side, there is the dark of a cut. */
static sp_marks find_light_lines(const bool has_cut[LINES], uint64_t seed, double *apart_px)
{
  drawn_board b = PLAIN;
  b.wood = 70.0;
  b.noise = 1.5;
  b.seed = seed;
  drawing d = wood(&b);
  const double light_mm = 0.13;
  *apart_px = 0.5 * (b.line_mm + light_mm) * PX_PER_MM;
  for (int k = 0; k < LINES; k++) {
    const double v = centre_v(&b, place_u(k)), half = 0.5 * b.width_mm * PX_PER_MM;
    drawn_mark m = {.at = place_u(k),
                    .v_ref = v,
                    .v_a = v - half,
                    .v_b = v + half,
                    .width = light_mm * PX_PER_MM,
                    .blur = b.blur,
                    .height = 42.0};
    draw_mark(&d, &m);
    m.at -= *apart_px;
    m.width = b.line_mm * PX_PER_MM;
    m.height = -26.0;
    if (has_cut[k])
      draw_mark(&d, &m);
  }
  const sp_marks_options o = options_for(SP_MARK_KNIFE);
  return find_in(&d, &b, SP_ALONG_X, &o);
}

/* Where four of nine light lines have the dark of a cut beside them nobody can tell whether the light is the lines' or
 * their burrs': both places lie within twice the uncertainty, of all of them. Where none has, they are as sure as light
 * lines are. */
static void light_lines_that_may_be_burrs(void **unused)
{
  (void)unused;
  static const bool some[LINES] = {[1] = true, [3] = true, [5] = true, [7] = true}, none[LINES] = {false};
  for (uint64_t seed = 1; seed <= 3; seed++) {
    double apart_px;
    sp_marks m = find_light_lines(some, seed, &apart_px);
    assert_int_equal(m.count, LINES);
    for (int k = 0; k < LINES; k++) {
      CHECK_BELOW(fabs(m.marks[k].u_px - place_u(k)), 2.0 * m.marks[k].u_u_px);
      CHECK_BELOW(fabs(m.marks[k].u_px - (place_u(k) - apart_px)), 2.0 * m.marks[k].u_u_px);
    }
    sp_marks_free(&m);
    m = find_light_lines(none, seed, &apart_px);
    assert_int_equal(m.count, LINES);
    for (int k = 0; k < LINES; k++) {
      CHECK_BELOW(fabs(m.marks[k].u_px - place_u(k)), 2.0 * m.marks[k].u_u_px);
      CHECK_BELOW(m.marks[k].u_u_px, 0.3 * apart_px);
    }
    sp_marks_free(&m);
  }
}

/* A pencil's stroke half a millimetre beside a cut, broader and darker than it, interrupted as pencil is on wood:
 * whatever else is found there, the cut is, so that the layout can tell them apart. */
static void a_pencil_does_not_hide_the_cut(void **unused)
{
  (void)unused;
  for (int side = -1; side <= 1; side += 2)
    for (int k = 2; k < LINES; k += 3) {
      drawn_board b = PLAIN;
      b.height = -32.0;
      b.seed = (uint64_t)(10 + k);
      drawing d = wood(&b);
      lines(&d, &b);
      const double half = 0.5 * b.width_mm * PX_PER_MM, v = centre_v(&b, place_u(k));
      for (int i = 0; i < 8; i++)
        draw_mark(&d, &(drawn_mark){.at = place_u(k) + side * 0.45 * PX_PER_MM,
                                    .v_ref = v,
                                    .v_a = v - half + 0.25 * half * i,
                                    .v_b = v - half + 0.25 * half * (i + 0.9),
                                    .width = 0.18 * PX_PER_MM,
                                    .blur = 1.4 * b.blur,
                                    .height = -45.0 + 4.0 * (i % 3)});
      const sp_marks_options o = options_for(SP_MARK_KNIFE);
      sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
      double nearest = INFINITY;
      for (size_t i = 0; i < m.count; i++)
        nearest = fmin(nearest, fabs(m.marks[i].u_px - place_u(k)));
      CHECK_BELOW(nearest, 0.5);
      assert_in_range(m.count, LINES, LINES + 1);
      sp_marks_free(&m);
    }
}

/* Faint cuts in black wood, and where they were laid out ticks of a white pencil over a fifth of the breadth, ten times
 * as bright. Pieces weigh by their height, and so the ticks had more to say than the cuts: these were not found, or a
 * third of a millimetre aside. */
static void white_ticks_beside_faint_cuts(void **unused)
{
  (void)unused;
  for (uint64_t seed = 51; seed < 55; seed++) {
    drawn_board b = PLAIN;
    b.wood = 60.0;
    b.height = -11.0;
    b.noise = 3.0;
    b.seed = seed;
    drawing d = wood(&b);
    lines(&d, &b);
    for (int k = 0; k < LINES; k += 2) {
      const double half = 0.5 * b.width_mm * PX_PER_MM, v = centre_v(&b, place_u(k)), from = k % 4 ? -half : 0.6 * half;
      draw_mark(&d, &(drawn_mark){.at = place_u(k) + (k % 4 ? 0.35 : -0.3) * PX_PER_MM,
                                  .v_ref = v,
                                  .v_a = v + from,
                                  .v_b = v + from + 0.4 * half,
                                  .width = 0.3 * PX_PER_MM,
                                  .blur = b.blur,
                                  .height = 110.0});
    }
    const sp_marks_options o = options_for(SP_MARK_KNIFE);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    size_t found = 0;
    for (size_t i = 0; i < m.count; i++)
      for (int k = 0; k < LINES; k++) {
        const double off = fabs(m.marks[i].u_px - place_u(k));
        if (off > 0.5 * PX_PER_MM)
          continue;
        found++;
        CHECK_BELOW(off, 4.0 * m.marks[i].u_u_px);
        CHECK_BELOW(off, 1.0);
      }
    assert_int_equal(found, LINES);
    sp_marks_free(&m);
  }
}

/* Two degrees are the most that board and picture may differ by. */
static void askew_boards(void **unused)
{
  (void)unused;
  static const double leans[] = {0.012, -0.02};
  for (int i = 0; i < 2; i++) {
    drawn_board b = PLAIN;
    b.lean = leans[i];
    b.seed = 30 + (uint64_t)i;
    drawing d = wood(&b);
    lines(&d, &b);
    sp_marks_options o = options_for(SP_MARK_KNIFE);
    o.along_known = true;
    o.along = i ? SP_ALONG_Y : SP_ALONG_X;
    sp_marks m = find_in(&d, &b, o.along, &o);
    check_places(&m, &b, 0.06);
    CHECK_CLOSE(m.board.centre.slope, b.lean, 2e-3);
    sp_marks_free(&m);
  }
}

static void sixteen_bits(void **unused)
{
  (void)unused;
  drawing d = wood(&PLAIN);
  lines(&d, &PLAIN);
  chance dice = {4};
  draw_noise(&d, 2.0, &dice);
  const sp_marks_options o = options_for(SP_MARK_KNIFE);
  sp_marks m = find(&d, SP_ALONG_X, 16, &o);
  check_places(&m, &PLAIN, 0.05);
  sp_marks_free(&m);
  drawing_free(&d);
}

/* Sawn slots, 0.584 mm (0.023 in, common practice): place, and kerf to a hundredth of a millimetre. */
static void slots(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  b.line_mm = 0.584;
  b.height = -80.0;
  drawing d = wood(&b);
  lines(&d, &b);
  const sp_marks_options o = options_for(SP_MARK_SLOT);
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  check_places(&m, &b, 0.05);
  for (int k = 0; k < LINES; k++) {
    CHECK_CLOSE(m.marks[k].width_px / PX_PER_MM, 0.584, 0.01);
    CHECK_BELOW(fabs(m.marks[k].width_px - 0.584 * PX_PER_MM), 4.0 * m.marks[k].u_width_px + 0.02);
  }
  sp_marks_free(&m);
}

/* The nut is scribed, dark or light, the frets are sawn. The search for slots does not see such a line, or a broad one
 * as a slot whose middle lies elsewhere. A line like it between the slots is none of their business. */
static void a_scribed_nut_before_slots(void **unused)
{
  (void)unused;
  enum { FIRST_SLOT = 2 }; /* the nut's neighbour is more than ten millimetres away */
  for (int k = 0; k < 4; k++) {
    drawn_board b = PLAIN;
    b.wood = 110.0;
    drawing d = wood(&b);
    line(&d, &b, 0, 0.0, 1.0, k < 2 ? 0.12 : 0.25, k % 2 ? 60.0 : -40.0);
    for (int i = FIRST_SLOT; i < LINES; i++)
      line(&d, &b, i, 0.0, 1.0, 0.584, -90.0);
    line(&d, &b, FIRST_SLOT - 1, 0.0, 1.0, 0.12, -40.0);
    sp_marks_options o = options_for(SP_MARK_SLOT);
    o.scribed_nut = true;
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    assert_int_equal(m.count, LINES - 1);
    assert_true(m.marks[0].scribed);
    CHECK_CLOSE(m.marks[0].u_px, place_u(0), 0.06);
    CHECK_BELOW(fabs(m.marks[0].u_px - place_u(0)), 3.0 * m.marks[0].u_u_px);
    CHECK_CLOSE(m.marks[0].u_common_px, 0.0, 1e-12);
    for (size_t i = 1; i < m.count; i++)
      assert_false(m.marks[i].scribed);
    sp_marks_free(&m);
  }
}

/* A nut's slot a millimetre from the board's end: the lid beyond it is no wood around the slot. It once was, and the
 * slot's cross-section so badly explained that the end stood for the nut. */
static void a_slot_near_the_end(void **unused)
{
  (void)unused;
  for (int far = 0; far < 2; far++)
    for (int light = 0; light < 2; light++) {
      drawn_board b = PLAIN;
      b.line_mm = 0.58;
      b.wood = 60.0;
      b.height = -32.0;
      b.around = light ? 235.0 : 5.0;
      drawing d = wood(&b);
      lines(&d, &b);
      const double off_mm = 0.85 + 0.1 * light;
      const double at = MARGIN_PX + (far ? b.length_mm - off_mm : off_mm) * PX_PER_MM;
      line_at(&d, &b, at, b.line_mm, b.height);
      const sp_marks_options o = options_for(SP_MARK_SLOT);
      sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
      assert_int_equal(m.count, LINES + 1);
      const sp_mark *near = &m.marks[far ? LINES : 0];
      assert_true(m.board.end[far].found);
      CHECK_CLOSE(near->u_px, at, 0.1);
      CHECK_BELOW(fabs(near->u_px - at), 3.0 * near->u_u_px);
      CHECK_CLOSE(near->width_px, b.line_mm * PX_PER_MM, 0.3);
      sp_marks_free(&m);
    }
}

/* A slot between the crests of two planing waves, each as broad as a slot and light: it was taken for the wood left
 * between two slots, and dropped. */
static void a_slot_between_two_crests(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  b.line_mm = 0.55;
  b.height = -80.0;
  drawing d = wood(&b);
  lines(&d, &b);
  for (int side = -1; side <= 1; side += 2)
    line_at(&d, &b, place_u(4) + side * 0.75 * PX_PER_MM, 0.6, 45.0);
  const sp_marks_options o = options_for(SP_MARK_SLOT);
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  int found = 0;
  for (size_t i = 0; i < m.count; i++)
    found += fabs(m.marks[i].u_px - place_u(4)) < 0.2 && m.marks[i].contrast < 0.0;
  assert_int_equal(found, 1);
  sp_marks_free(&m);
}

/* One wall of a slot is chipped all along, or dust lies along it, by less than anybody would see: the kerf tells by how
 * much the middle may be off. */
static void a_slot_chipped_along_one_wall(void **unused)
{
  (void)unused;
  const double more_mm[] = {0.05, -0.05};
  for (int try = 0; try < 2; try++) {
    drawn_board b = PLAIN;
    b.line_mm = 0.55;
    b.height = -80.0;
    drawing d = wood(&b);
    for (int k = 0; k < LINES; k++) {
      const double more = k == 5 ? more_mm[try] : 0.0;
      line_at(&d, &b, place_u(k) + 0.5 * more * PX_PER_MM, b.line_mm + more, b.height);
    }
    const sp_marks_options o = options_for(SP_MARK_SLOT);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    assert_int_equal(m.count, LINES);
    CHECK_BELOW(fabs(m.marks[5].u_px - place_u(5)), 2.0 * m.marks[5].u_u_px);
    CHECK_BELOW(m.marks[5].u_u_px, 0.04 * PX_PER_MM);
    CHECK_BELOW(m.marks[4].u_u_px, 0.003 * PX_PER_MM);
    sp_marks_free(&m);
  }
}

/* Of all slots the right wall is lit: they are off alike, and that is in the doubt that they share. */
static void slots_lit_along_one_wall(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  b.line_mm = 0.58;
  b.height = -80.0;
  const double lit_mm = 0.11, lit = 26.0;
  drawing d = wood(&b);
  for (int k = 0; k < LINES; k++) {
    line_at(&d, &b, place_u(k), b.line_mm, b.height);
    line_at(&d, &b, place_u(k) + 0.5 * (b.line_mm - lit_mm) * PX_PER_MM, lit_mm, lit);
  }
  const sp_marks_options o = options_for(SP_MARK_SLOT);
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  assert_int_equal(m.count, LINES);
  double off = 0.0;
  for (int k = 0; k < LINES; k++)
    off += (m.marks[k].u_px - place_u(k)) / LINES;
  for (int k = 0; k < LINES; k++) {
    CHECK_BELOW(fabs(m.marks[k].u_px - place_u(k) - off), 3.0 * m.marks[k].u_u_px);
    CHECK_BELOW(fabs(off), 2.0 * m.marks[k].u_common_px);
    CHECK_BELOW(m.marks[k].u_common_px, 0.02 * PX_PER_MM);
  }
  sp_marks_free(&m);
}

/* A pencil's stroke over a cut, an eighth of a millimetre beside it and as dark: one broad line shows, whose middle is
 * not the cut's, and the doubt reaches over to it. It was once 0.2 mm off, with a third of that as its +/-. */
static void a_pencil_along_a_cut(void **unused)
{
  (void)unused;
  for (int try = 0; try < 2; try++) {
    drawn_board b = PLAIN;
    b.blur = 1.1;
    b.height = -38.0;
    const double beside_mm = 0.10 + 0.04 * try;
    drawing d = wood(&b);
    lines(&d, &b);
    line_at(&d, &b, place_u(3) + beside_mm * PX_PER_MM, 0.30, -42.0);
    const sp_marks_options o = options_for(SP_MARK_KNIFE);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    int found = 0;
    for (size_t i = 0; i < m.count; i++) {
      const sp_mark *x = &m.marks[i];
      if (fabs(x->u_px - place_u(3)) < 0.5 * PX_PER_MM) {
        found++;
        assert_true(x->broad);
        CHECK_BELOW(fabs(x->u_px - place_u(3)), 2.0 * x->u_u_px);
      } else {
        assert_false(x->broad);
        CHECK_BELOW(x->u_u_px, 0.02 * PX_PER_MM);
      }
    }
    assert_int_equal(found, 1);
    sp_marks_free(&m);
  }
}

/* Eight light lines among a hundred troughs of a planed board, all of which are explained: the lines' colour is the
 * board's, since the troughs hardly show against them. */
static void troughs_have_no_vote(void **unused)
{
  (void)unused;
  enum { LIGHT = 8, TROUGHS = 110 };
  sp_mark mark[LIGHT + TROUGHS] = {{0}};
  for (int i = 0; i < LIGHT + TROUGHS; i++) {
    const bool light = i < LIGHT;
    mark[i] = (sp_mark){.contrast = light ? 0.45 : -0.04,
                        .coverage = 0.95,
                        .significance = light ? 60.0 : 4.8,
                        .misfit = light ? 10.0 : 1.0};
  }
  const sp_marks marks = {.marks = mark, .count = LIGHT + TROUGHS};
  const sp_marks_options o = options_for(SP_MARK_KNIFE);
  assert_true(sp_marks_mostly_light(&o, &marks));
  for (int i = 0; i < LIGHT; i++) /* but where they show as much as the lines do, they have */
    mark[i].contrast = 0.06;
  assert_false(sp_marks_mostly_light(&o, &marks));
}

/* A mat's lines, which go on beyond the board's sides, are no marks of it, however clear. They had outvoted pale slots
 * in dark wood by their colour. */
static void a_mats_lines_are_no_marks(void **unused)
{
  (void)unused;
  enum { OF_MAT = 5 };
  drawn_board b = PLAIN;
  b.line_mm = 0.55;
  b.wood = 50.0;
  b.around = 85.0;
  b.height = -14.0;
  b.length_mm = 200.0;
  const int32_t length = (int32_t)(b.length_mm * PX_PER_MM);
  const int32_t breadth = (int32_t)((b.width_mm + 24.0) * PX_PER_MM);
  drawing d = drawing_new(length, breadth, b.around);
  const double v0 = 12.0 * PX_PER_MM, v1 = v0 + b.width_mm * PX_PER_MM;
  draw_area(&d,
            &(drawn_area){
                .u_a = -50.0, .u_b = length + 50.0, .v_a = v0, .v_b = v1, .blur = b.blur, .height = b.wood - b.around});
  for (int k = 0; k < LINES; k++)
    draw_mark(&d, &(drawn_mark){.at = 700.0 + place_u(k),
                                .v_ref = v0,
                                .v_a = v0,
                                .v_b = v1,
                                .width = b.line_mm * PX_PER_MM,
                                .blur = b.blur,
                                .height = b.height});
  for (int k = 0; k < OF_MAT; k++)
    draw_mark(&d, &(drawn_mark){.at = (k < 3 ? 10.0 + 20.0 * k : 90.0 + 20.0 * k) * PX_PER_MM,
                                .v_ref = v0,
                                .v_a = -50.0,
                                .v_b = breadth + 50.0,
                                .width = 0.4 * PX_PER_MM,
                                .blur = b.blur,
                                .height = 45.0});
  const sp_marks_options o = options_for(SP_MARK_SLOT);
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  assert_int_equal(m.count, LINES);
  for (int k = 0; k < LINES; k++)
    CHECK_CLOSE(m.marks[k].u_px, 700.0 + place_u(k), 0.1);
  sp_marks_free(&m);
}

/* Two slots that overlap, sawn one beside the other, look like one of twice the breadth: whichever is meant lies within
 * what is said of the place; it was once 0.23 mm off, with an uncertainty of 0.005. A first slot as broad and as dark
 * as that may be the nut's by design. */
static void two_slots_in_one(void **unused)
{
  (void)unused;
  for (int which = 0; which < LINES; which += 3) {
    const double apart_px = 0.47 * PX_PER_MM;
    drawn_board b = PLAIN;
    b.line_mm = 0.55;
    b.height = -80.0;
    drawing d = wood(&b);
    for (int k = 0; k < LINES; k++) {
      /* the second cut only where the first has left wood */
      const double more_mm = k == which ? apart_px / PX_PER_MM : 0.0;
      line_at(&d, &b, place_u(k) + 0.5 * more_mm * PX_PER_MM, b.line_mm + more_mm, b.height);
    }
    const sp_marks_options o = options_for(SP_MARK_SLOT);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    assert_int_equal(m.count, LINES);
    for (int k = 0; k < LINES; k++) {
      const bool doubted = k == which && k > 0;
      assert_int_equal(m.marks[k].usual_width_px > 0.0, k == which);
      assert_int_equal(m.marks[k].u_unless_nut_px > 0.0, k == which && k == 0);
      if (k == which && k == 0)
        continue;
      CHECK_BELOW(fabs(m.marks[k].u_px - place_u(k)), (doubted ? 1.1 : 4.0) * m.marks[k].u_u_px);
      if (doubted)
        CHECK_CLOSE(m.marks[k].usual_width_px, b.line_mm * PX_PER_MM, 0.1);
    }
    sp_marks_free(&m);
  }
}

/* A slot sawn anew beside a first one: both are found, each in its place and as broad as it is, and the wood between
 * them is no mark. Once only one of the two was found, with its wall pulled along, and stood for the fret. */
static void two_slots_beside_each_other(void **unused)
{
  (void)unused;
  for (int try = 0; try < 4; try++) {
    const double apart_px = (0.82 + 0.13 * try) * PX_PER_MM;
    const int which = 2 * try % LINES;
    drawn_board b = PLAIN;
    b.line_mm = 0.55;
    b.height = -80.0;
    drawing d = wood(&b);
    lines(&d, &b);
    line_at(&d, &b, place_u(which) + apart_px, b.line_mm, b.height);
    const sp_marks_options o = options_for(SP_MARK_SLOT);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    assert_int_equal(m.count, LINES + 1);
    for (int k = 0; k < LINES + 1; k++) {
      const double at = k == which + 1 ? place_u(which) + apart_px : place_u(k > which ? k - 1 : k);
      CHECK_CLOSE(m.marks[k].u_px, at, 0.05);
      CHECK_BELOW(fabs(m.marks[k].u_px - at), 4.0 * m.marks[k].u_u_px);
      CHECK_CLOSE(m.marks[k].width_px, b.line_mm * PX_PER_MM, 0.2);
    }
    sp_marks_free(&m);
  }
}

/* One line lacks a third of its length at an end, another in the middle. */
static void lines_with_a_third_missing(void **unused)
{
  (void)unused;
  drawing d = wood(&PLAIN);
  for (int k = 0; k < LINES; k++) {
    line(&d, &PLAIN, k, k == 3 ? 0.34 : 0.0, k == 5 ? 0.33 : 1.0, PLAIN.line_mm, PLAIN.height);
    if (k == 5)
      line(&d, &PLAIN, k, 0.67, 1.0, PLAIN.line_mm, PLAIN.height);
  }
  const sp_marks_options o = options_for(SP_MARK_KNIFE);
  sp_marks m = find_in(&d, &PLAIN, SP_ALONG_X, &o);
  check_places(&m, &PLAIN, 0.06);
  for (int k = 0; k < LINES; k++)
    if (k == 3 || k == 5)
      assert_true(m.marks[k].coverage > 0.55 && m.marks[k].coverage < 0.78);
    else
      CHECK_BELOW(0.9, m.marks[k].coverage);
  CHECK_CLOSE(m.marks[3].v_a_px, centre_v(&PLAIN, 0.0) + (0.34 - 0.5) * PLAIN.width_mm * PX_PER_MM, 0.8 * PX_PER_MM);
  sp_marks_free(&m);
}

/* Half of a line is gone from its middle: what is left at both sides is a line still, and once was not looked at. */
static void lines_with_half_missing(void **unused)
{
  (void)unused;
  for (int slot = 0; slot < 2; slot++) {
    drawn_board b = PLAIN;
    b.line_mm = slot ? 0.55 : b.line_mm;
    drawing d = wood(&b);
    for (int k = 0; k < LINES; k++) {
      line(&d, &b, k, 0.0, k == 4 ? 0.29 : 1.0, b.line_mm, b.height);
      if (k == 4)
        line(&d, &b, k, 0.835, 1.0, b.line_mm, b.height);
    }
    const sp_marks_options o = options_for(slot ? SP_MARK_SLOT : SP_MARK_KNIFE);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    check_places(&m, &b, 0.06);
    CHECK_CLOSE(m.marks[4].coverage, 0.455, 0.06);
    sp_marks_free(&m);
  }
}

/* Short lines, a good third of the breadth, here and there: plain to see, and once not looked at. */
static void short_lines(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  b.height = -35.0;
  drawing d = wood(&b);
  for (int k = 0; k < LINES; k++) {
    const double from = k % 3 == 1 ? 0.08 * k : 0.0;
    line(&d, &b, k, from, k % 3 == 1 ? from + 0.36 : 1.0, b.line_mm, b.height);
  }
  const sp_marks_options o = options_for(SP_MARK_KNIFE);
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  check_places(&m, &b, 0.2);
  CHECK_CLOSE(m.marks[4].coverage, 0.36, 0.06);
  sp_marks_free(&m);
}

/* Few slots, hardly any noise: a clean one may be many times as significant as those with a shoulder, which are beyond
 * doubt as well, and were once dropped. */
static void one_surer_than_all(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  b.line_mm = 0.57;
  b.noise = 0.3;
  drawing d = wood(&b);
  for (int k = 0; k < LINES; k += 2) {
    const double shoulder_mm = 0.2;
    line(&d, &b, k, 0.0, 1.0, b.line_mm, b.height);
    if (k != 4)
      line_at(&d, &b, place_u(k) + 0.5 * (b.line_mm + shoulder_mm) * PX_PER_MM, shoulder_mm, 0.25 * b.height);
  }
  sp_marks_options o = options_for(SP_MARK_SLOT);
  o.blur_px = b.blur;
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  assert_int_equal(m.count, (LINES + 1) / 2);
  sp_marks_free(&m);
}

/* A scratch as dark as a line that runs off one at 12 degrees, to one side only so that nothing balances: the rows it
 * disturbs are outvoted, and it is no mark itself. */
static void a_scratch_does_not_pull(void **unused)
{
  (void)unused;
  for (int side = -1; side <= 1; side += 2) {
    drawing d = wood(&PLAIN);
    lines(&d, &PLAIN);
    const double v = centre_v(&PLAIN, 0.0), lean = side * tan(12.0 / 57.29577951308232);
    draw_mark(&d, &(drawn_mark){.at = place_u(4) + 1.5 * side,
                                .slope = lean,
                                .v_ref = v,
                                .v_a = v,
                                .v_b = v + 150.0,
                                .width = 1.4,
                                .blur = PLAIN.blur,
                                .height = -60.0});
    const sp_marks_options o = options_for(SP_MARK_KNIFE);
    sp_marks m = find_in(&d, &PLAIN, SP_ALONG_X, &o);
    check_places(&m, &PLAIN, 0.08);
    sp_marks_free(&m);
  }
}

/* Sawn wood: light stripes of the mill's saw, three degrees askew, many more than there are slots or lines, and nearly
 * as strong. They run over the lines, so that no line is alone at its place; once they set the board's colour, slots as
 * dark as the rest were dropped for that, and a fit laid askew over a half of one was taken for it (0.34 mm off). */
static void draw_saw_marks(drawing *d, const drawn_board *b, double height, chance *dice)
{
  static const double STRIPE_MM = 0.35, LEAN = 0.055;
  const double v = centre_v(b, 0.0), half = 0.5 * b->width_mm * PX_PER_MM;
  for (double at_mm = 0.5; at_mm < b->length_mm; at_mm += 1.8 + 2.4 * chance_uniform(dice)) {
    const double from = -1.0 + 1.2 * chance_uniform(dice), to = 1.0 - 0.5 * chance_uniform(dice);
    draw_mark(d, &(drawn_mark){.at = MARGIN_PX + at_mm * PX_PER_MM,
                               .slope = at_mm < 0.4 * b->length_mm ? LEAN : -LEAN,
                               .v_ref = v,
                               .v_a = v + half * from,
                               .v_b = v + half * to,
                               .width = STRIPE_MM * PX_PER_MM,
                               .blur = 2.0 * b->blur,
                               .height = height * (0.5 + chance_uniform(dice))});
  }
}

static void find_among_saw_marks(sp_mark_kind kind, double line_mm, double height, double stripe, uint64_t seed)
{
  drawn_board b = PLAIN;
  b.line_mm = line_mm;
  b.height = height;
  b.seed = seed;
  drawing d = wood(&b);
  chance dice = {seed};
  draw_saw_marks(&d, &b, stripe, &dice);
  lines(&d, &b);
  const sp_marks_options o = options_for(kind);
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  for (int k = 0; k < LINES; k++) {
    int found = 0;
    for (size_t i = 0; i < m.count; i++)
      if (fabs(m.marks[i].u_px - place_u(k)) < 0.5 * PX_PER_MM && m.marks[i].contrast < 0.0) {
        CHECK_CLOSE(m.marks[i].u_px, place_u(k), 0.3);
        CHECK_CLOSE(m.marks[i].slope, 0.0, 0.004);
        found++;
      }
    assert_int_equal(found, 1);
  }
  sp_marks_free(&m);
}

static void a_saws_stripes_have_no_vote(void **unused)
{
  (void)unused;
  for (uint64_t seed = 1; seed <= 3; seed++) {
    find_among_saw_marks(SP_MARK_SLOT, 0.55, -80.0, 30.0, seed);
    find_among_saw_marks(SP_MARK_KNIFE, 0.12, -60.0, 25.0, seed);
  }
}

/* A change of tone across the board (a joint, a stain's edge) has two levels and no line between. */
static void a_step_is_no_mark(void **unused)
{
  (void)unused;
  for (int sign = -1; sign <= 1; sign += 2) {
    drawing d = wood(&PLAIN);
    lines(&d, &PLAIN);
    const double u = 0.5 * (place_u(4) + place_u(5)), v = centre_v(&PLAIN, 0.0),
                 half = 0.5 * PLAIN.width_mm * PX_PER_MM;
    draw_area(&d, &(drawn_area){.u_a = u,
                                .u_b = MARGIN_PX + PLAIN.length_mm * PX_PER_MM,
                                .v_a = v - half,
                                .v_b = v + half,
                                .blur = PLAIN.blur,
                                .height = 25.0 * sign});
    const sp_marks_options o = options_for(SP_MARK_KNIFE);
    sp_marks m = find_in(&d, &PLAIN, SP_ALONG_X, &o);
    check_places(&m, &PLAIN, 0.06);
    sp_marks_free(&m);
  }
}

static void check_nothing(drawing *d, uint64_t seed, double noise, sp_mark_kind kind, bool along_known)
{
  chance dice = {seed};
  draw_noise(d, noise, &dice);
  for (int axis = 0; axis < 2; axis++) {
    sp_marks_options o = options_for(kind);
    o.along_known = along_known;
    o.along = (sp_along)axis;
    sp_marks m = find(d, (sp_along)axis, 8, &o);
    assert_int_equal(m.count, 0);
    assert_true(m.reason[0] != '\0');
    sp_marks_free(&m);
  }
  drawing_free(d);
}

/* A picture of one grey, noise alone, a board nobody has marked yet, with grain along it. */
static void empty_wood_has_no_marks(void **unused)
{
  (void)unused;
  for (int kind = SP_MARK_KNIFE; kind <= SP_MARK_SLOT; kind++) {
    drawing d = drawing_new(700, 500, 140.0);
    check_nothing(&d, 1, 0.0, (sp_mark_kind)kind, false);
    d = drawing_new(700, 500, 140.0);
    check_nothing(&d, 2, 5.0, (sp_mark_kind)kind, false);
    for (uint64_t seed = 3; seed < 6; seed++) {
      d = wood(&PLAIN);
      check_nothing(&d, seed, 3.0, (sp_mark_kind)kind, false);
      d = wood(&PLAIN);
      chance grain = {100 + seed};
      const double v = centre_v(&PLAIN, 0.0), half = 0.5 * PLAIN.width_mm * PX_PER_MM;
      for (int i = 0; i < 60; i++) {
        const double at = v + 2.0 * (chance_uniform(&grain) - 0.5) * half, wide = 1.0 + 3.0 * chance_uniform(&grain);
        draw_area(&d, &(drawn_area){.u_a = MARGIN_PX,
                                    .u_b = MARGIN_PX + PLAIN.length_mm * PX_PER_MM,
                                    .v_a = at,
                                    .v_b = at + wide,
                                    .lean = 0.01 * chance_normal(&grain),
                                    .blur = 0.9,
                                    .height = 14.0 * chance_normal(&grain)});
      }
      check_nothing(&d, seed, 3.0, (sp_mark_kind)kind, true); /* streaks are lines only to who looks across them */
    }
  }
}

/* Long sides and squared ends on a clean picture. */
static void the_outline(void **unused)
{
  (void)unused;
  for (int i = 0; i < 4; i++) {
    drawn_board b = PLAIN;
    b.lean = (i & 1) ? 0.008 : 0.0;
    b.around = (i & 2) ? 30.0 : 235.0; /* black or white lid */
    b.noise = 0.5;
    drawing d = wood(&b);
    lines(&d, &b);
    sp_marks_options o = options_for(SP_MARK_KNIFE);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    assert_true(m.board.edges_found);
    const double u = 0.5 * (place_u(0) + place_u(LINES - 1)), half = 0.5 * b.width_mm * PX_PER_MM;
    for (int side = 0; side < 2; side++) {
      const sp_lengthwise *s = &m.board.side[side];
      CHECK_CLOSE(s->at_px + s->slope * u, centre_v(&b, u) + (side ? half : -half), 0.1);
      CHECK_CLOSE(s->slope, b.lean, 1e-3); /* half a pixel over the board's length */
      CHECK_CLOSE(s->slope, b.lean, 2.0 * s->u_slope);
    }
    CHECK_CLOSE(m.board.centre.at_px + m.board.centre.slope * u, centre_v(&b, u), 0.1);
    for (int end = 0; end < 2; end++) {
      const sp_board_end *e = &m.board.end[end];
      assert_true(e->found);
      CHECK_CLOSE(e->u_px, MARGIN_PX + (end ? b.length_mm * PX_PER_MM : 0.0), 0.1);
      CHECK_CLOSE(e->slope, -b.lean, 1e-3);
      CHECK_BELOW(fabs(e->u_px - (MARGIN_PX + (end ? b.length_mm * PX_PER_MM : 0.0))), 3.0 * e->u_u_px);
    }
    sp_marks_free(&m);
  }
}

/* Where the picture shows no end of the board, none is made up. */
static void no_end_in_the_picture(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  drawing d = drawing_new(800, 560, b.around);
  const double v = centre_v(&b, 0.0), half = 0.5 * b.width_mm * PX_PER_MM;
  draw_area(
      &d, &(drawn_area){
              .u_a = -1e4, .u_b = 1e4, .v_a = v - half, .v_b = v + half, .blur = b.blur, .height = b.wood - b.around});
  lines(&d, &b);
  const sp_marks_options o = options_for(SP_MARK_KNIFE);
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  assert_false(m.board.end[0].found);
  assert_false(m.board.end[1].found);
  check_places(&m, &b, 0.05);
  sp_marks_free(&m);
}

/* Wood that goes on beyond the picture, knife lines in it, and one before them so broad. */
static sp_marks find_with_line_at_the_rim(double width_mm, double height)
{
  const double first_u = 60.0;
  drawn_board b = PLAIN;
  drawing d = drawing_new(900, 560, b.around);
  const double v = centre_v(&b, 0.0), half = 0.5 * b.width_mm * PX_PER_MM;
  draw_area(
      &d, &(drawn_area){
              .u_a = -1e4, .u_b = 1e4, .v_a = v - half, .v_b = v + half, .blur = b.blur, .height = b.wood - b.around});
  lines(&d, &b);
  line_at(&d, &b, first_u, width_mm, height);
  const sp_marks_options o = options_for(SP_MARK_KNIFE);
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  assert_int_equal(m.count, LINES + 1);
  assert_false(m.board.end[0].found);
  CHECK_CLOSE(m.marks[0].u_px, first_u, 0.05);
  return m;
}

/* The shadow beside an end that does not show was once taken for the nut's line, 0.16 mm off, and its own scatter for
 * the doubt. An end at either side of what is so broad is within the doubt now; a line as broad as the others is not
 * doubted. */
static void a_broad_line_at_the_rim(void **unused)
{
  (void)unused;
  const double broad_mm = 0.33;
  sp_marks m = find_with_line_at_the_rim(broad_mm, PLAIN.height);
  CHECK_BELOW(0.5 * broad_mm * PX_PER_MM, 2.0 * m.marks[0].u_u_px);
  sp_marks_free(&m);
  m = find_with_line_at_the_rim(PLAIN.line_mm, PLAIN.height);
  CHECK_BELOW(m.marks[0].u_u_px, 0.15);
  sp_marks_free(&m);
}

/* Where wood and background are almost alike sharpening draws a pale line a blur or two beside the end. It was once the
 * nut, 0.11 mm off, with a +/- of 0.02. */
static void a_pale_line_at_the_rim(void **unused)
{
  (void)unused;
  sp_marks m = find_with_line_at_the_rim(PLAIN.line_mm, 0.15 * PLAIN.height);
  CHECK_BELOW(2.0 * PLAIN.blur, 2.0 * m.marks[0].u_u_px);
  sp_marks_free(&m);
  m = find_with_line_at_the_rim(PLAIN.line_mm, 0.5 * PLAIN.height);
  CHECK_BELOW(m.marks[0].u_u_px, 0.15);
  sp_marks_free(&m);
}

/* Between two lines the trough of a wave, pale, askew by a degree, over half of the breadth: no line, once 0.44 mm
 * beside the one that had drowned there. A cut as askew that shows as the others do is one. */
static void a_trough_askew_is_no_line(void **unused)
{
  (void)unused;
  /* over half of its length, in all of it, and pale over most of it */
  static const double TO[3] = {0.1, 1.0, 0.6}, DARK[3] = {0.4, 1.0, 0.27};
  for (int k = 0; k < 3; k++) {
    const int cut = k == 1;
    drawn_board b = PLAIN;
    drawing d = wood(&b);
    lines(&d, &b);
    const double at = 0.5 * (place_u(3) + place_u(4)), v = centre_v(&b, at), half = 0.5 * b.width_mm * PX_PER_MM;
    draw_mark(&d, &(drawn_mark){.at = at,
                                .slope = 0.018,
                                .v_ref = v,
                                .v_a = v - half,
                                .v_b = v + TO[k] * half,
                                .width = b.line_mm * PX_PER_MM,
                                .blur = b.blur,
                                .height = DARK[k] * b.height});
    const sp_marks_options o = options_for(SP_MARK_KNIFE);
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    assert_int_equal(m.count, LINES + cut);
    sp_marks_free(&m);
  }
}

/* Wood that goes on beyond the picture, slots in it, and one more as broad but pale at `pale_u`. */
static sp_marks find_with_pale_slot(double pale_u)
{
  drawn_board b = PLAIN;
  b.line_mm = 0.584;
  b.height = -80.0;
  b.noise = 0.5;
  drawing d = drawing_new(900, 560, b.around);
  const double v = centre_v(&b, 0.0), half = 0.5 * b.width_mm * PX_PER_MM;
  draw_area(
      &d, &(drawn_area){
              .u_a = -1e4, .u_b = 1e4, .v_a = v - half, .v_b = v + half, .blur = b.blur, .height = b.wood - b.around});
  lines(&d, &b);
  draw_mark(&d, &(drawn_mark){.at = pale_u,
                              .v_ref = v,
                              .v_a = v - half,
                              .v_b = v + half,
                              .width = b.line_mm * PX_PER_MM,
                              .blur = b.blur,
                              .height = 0.15 * b.height});
  const sp_marks_options o = options_for(SP_MARK_SLOT);
  return find_in(&d, &b, SP_ALONG_X, &o);
}

/* The shadow beside an end that the picture does not show otherwise is as broad as a slot; one among them is a slot. */
static void a_pale_slot_at_the_rim(void **unused)
{
  (void)unused;
  sp_marks m = find_with_pale_slot(MARGIN_PX + 0.5 * PX_PER_MM);
  assert_int_equal(m.count, LINES);
  CHECK_CLOSE(m.marks[0].u_px, place_u(0), 0.1);
  sp_marks_free(&m);
  m = find_with_pale_slot(place_u(LINES - 1) + 5.0 * PX_PER_MM);
  assert_int_equal(m.count, LINES);
  CHECK_CLOSE(m.marks[LINES - 1].u_px, place_u(LINES - 1), 0.1);
  sp_marks_free(&m);
  m = find_with_pale_slot(0.5 * (place_u(3) + place_u(4)));
  assert_int_equal(m.count, LINES + 1);
  sp_marks_free(&m);
}

/* The rule lies against the board, its strokes half a millimetre from the wood: told its band, none is taken for a line
 * or lengthens one. */
static void the_rule_is_no_board(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  const int32_t room = 130;
  drawing board = wood(&b);
  drawing d = drawing_new(board.length, board.breadth + room, b.around);
  memcpy(d.grey, board.grey, (size_t)(board.length * board.breadth) * sizeof *d.grey);
  drawing_free(&board);
  lines(&d, &b);
  const double v0 = centre_v(&b, 0.0) + 0.5 * b.width_mm * PX_PER_MM + 6.0;
  for (int k = 0; k < 68; k++)
    draw_mark(&d, &(drawn_mark){.at = 50.0 + PX_PER_MM * k,
                                .v_a = v0,
                                .v_b = v0 + (k % 10 ? k % 5 ? 35.0 : 50.0 : 70.0),
                                .width = 1.6,
                                .blur = b.blur,
                                .height = -150.0});
  sp_marks_options o = options_for(SP_MARK_KNIFE);
  o.has_rule = true;
  o.along_known = true;
  o.along = SP_ALONG_X;
  o.rule_v0_px = v0;
  o.rule_v1_px = v0 + 70.0;
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  check_places(&m, &b, 0.05);
  for (int k = 0; k < LINES; k++)
    CHECK_BELOW(m.marks[k].v_b_px, v0);
  sp_marks_free(&m);
}

/* A rule close beside the board. In a long picture groups of strips are ten millimetres broad and may reach over the
 * rule's strokes although the line does not: half of a board's slots were once dropped as crossing it. */
static void a_rule_is_not_crossed(void **unused)
{
  (void)unused;
  enum { STRIP_PX = 16, GROUP_PX = 8 * STRIP_PX };
  drawn_board b = PLAIN;
  b.line_mm = 0.584;
  b.height = -80.0;
  const double side = centre_v(&b, 0.0) - 0.5 * b.width_mm * PX_PER_MM;
  for (int32_t room = 128; room < 128 + GROUP_PX; room += 2 * STRIP_PX) {
    drawing board = wood(&b);
    lines(&board, &b);
    drawing d = drawing_new(board.length, board.breadth + room, b.around);
    memcpy(d.grey + (size_t)(room * d.length), board.grey, (size_t)(board.length * board.breadth) * sizeof *d.grey);
    drawing_free(&board);
    chance dice = {b.seed};
    draw_noise(&d, b.noise, &dice);
    sp_marks_options o = options_for(SP_MARK_SLOT);
    o.has_rule = true;
    o.along_known = true;
    o.along = SP_ALONG_X;
    o.rule_v1_px = room + side - 4.0;
    o.rule_v0_px = o.rule_v1_px - 30.0;
    sp_marks m = find_by_strips(&d, SP_ALONG_X, 8, STRIP_PX, &o);
    assert_int_equal(m.count, LINES);
    sp_marks_free(&m);
    drawing_free(&d);
  }
}

/* The rule hides the board's side; the wood changes its grey 4 mm inside of it, all along, and the slots run on. */
static void a_step_in_the_wood_is_no_side(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  b.line_mm = 0.584;
  b.height = -80.0;
  drawing d = wood(&b);
  const double side = centre_v(&b, 0.0) - 0.5 * b.width_mm * PX_PER_MM, step = side + 4.0 * PX_PER_MM;
  draw_area(&d, &(drawn_area){.u_a = MARGIN_PX,
                              .u_b = MARGIN_PX + b.length_mm * PX_PER_MM,
                              .v_a = side,
                              .v_b = step,
                              .blur = b.blur,
                              .height = 14.0});
  lines(&d, &b);
  sp_marks_options o = options_for(SP_MARK_SLOT);
  o.has_rule = true;
  o.along_known = true;
  o.along = SP_ALONG_X;
  o.rule_v0_px = 0.0;
  o.rule_v1_px = side;
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  check_places(&m, &b, 25.0);
  assert_false(m.board.edges_found);
  CHECK_BELOW(m.marks[LINES / 2].v_a_px, side + 2.0 * PX_PER_MM);
  sp_marks_free(&m);
}

/* IEC 61966-2-1 (sRGB), from memory. */
static double stored_of_light(double light)
{
  const double l = fmax(light, 0.0);
  return l <= 0.0031308 ? 12.92 * l : 1.055 * pow(l, 1.0 / 2.4) - 0.055;
}

/* Slots drawn as light, and stored. */
static sp_marks find_slots_of_light(const drawn_board *b)
{
  drawing d = wood(b);
  lines(&d, b);
  for (int32_t i = 0; i < d.length * d.breadth; i++)
    d.grey[i] = 255.0 * stored_of_light(d.grey[i] / 255.0);
  const sp_marks_options o = options_for(SP_MARK_SLOT);
  return find_in(&d, b, SP_ALONG_X, &o);
}

/* Slots as a scanner's optics blur them, light, and as sRGB stores that: the dark slot loses a fifth of a pixel and
 * more at either wall. Its middle stays where it is, and the kerf is wrong by no more than it is said to be. */
static void slots_in_a_curve_of_light(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  b.line_mm = 0.584;
  b.wood = 90.0;
  b.height = -84.0;
  sp_marks m = find_slots_of_light(&b);
  check_places(&m, &b, 0.05);
  for (size_t k = 0; k < m.count; k++) {
    const double off = m.marks[k].width_px - b.line_mm * PX_PER_MM;
    CHECK_BELOW(off, -0.3); /* so it is drawn */
    CHECK_CLOSE(off, 0.0, 2.0 * m.marks[k].u_width_px);
    CHECK_BELOW(m.marks[k].u_width_px, 0.8);
  }
  sp_marks_free(&m);
}

/* The same with much blur: a kerf of 0.4 mm reads as one of less than 0.3 mm, which no saw leaves, and black slots were
 * dropped for it. */
static void narrow_slots_in_a_curve_of_light(void **unused)
{
  (void)unused;
  drawn_board b = PLAIN;
  b.line_mm = 0.4;
  b.blur = 2.0;
  b.wood = 130.0;
  b.height = -124.0;
  sp_marks m = find_slots_of_light(&b);
  assert_int_equal(m.count, LINES);
  for (int k = 0; k < LINES; k++)
    CHECK_CLOSE(m.marks[k].u_px, place_u(k), 0.1);
  CHECK_BELOW(m.marks[LINES / 2].width_px, 0.3 * PX_PER_MM); /* so it is drawn */
  sp_marks_free(&m);
}

/* A third of one wall has chips, 2 mm long: neither place nor slope nor kerf follows them. */
static void slots_with_one_broken_wall(void **unused)
{
  (void)unused;
  enum { CHIPS = 6 };
  const double chip_mm = 0.2;
  drawn_board b = PLAIN;
  b.line_mm = 0.584;
  drawing d = wood(&b);
  lines(&d, &b);
  for (int k = 0; k < LINES; k++)
    for (int c = 0; c < CHIPS; c++) {
      const double v = centre_v(&b, place_u(k)), beside = (k % 2 ? 0.5 : -0.5) * (b.line_mm + chip_mm) * PX_PER_MM;
      const double at = -17.0 + 5.5 * c + 0.6 * ((c * 7 + k) % 5);
      draw_mark(&d, &(drawn_mark){.at = place_u(k) + beside,
                                  .v_ref = v,
                                  .v_a = v + at * PX_PER_MM,
                                  .v_b = v + (at + 2.0) * PX_PER_MM,
                                  .width = chip_mm * PX_PER_MM,
                                  .blur = b.blur,
                                  .height = b.height});
    }
  sp_marks_options o = options_for(SP_MARK_SLOT);
  sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
  check_places(&m, &b, 0.08); /* 7 um */
  for (size_t k = 0; k < m.count; k++)
    CHECK_CLOSE(m.marks[k].width_px, b.line_mm * PX_PER_MM, 0.15);
  sp_marks_free(&m);
}

/* Slots are no knife lines and knife lines are no slots: whoever asks for the other gets nothing, not a wrong thing. */
static void kinds_are_told_apart(void **unused)
{
  (void)unused;
  for (int slot = 0; slot < 2; slot++) {
    drawn_board b = PLAIN;
    b.line_mm = slot ? 0.584 : 0.12;
    drawing d = wood(&b);
    lines(&d, &b);
    sp_marks_options o = options_for(slot ? SP_MARK_KNIFE : SP_MARK_SLOT);
    o.blur_px = b.blur; /* as the rule's strokes tell it */
    sp_marks m = find_in(&d, &b, SP_ALONG_X, &o);
    assert_int_equal(m.count, 0);
    sp_marks_free(&m);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(knife_lines_along_both_axes),
      cmocka_unit_test(burrs_that_outshine_their_cuts),
      cmocka_unit_test(burrs_that_outshine_all_cuts),
      cmocka_unit_test(cuts_that_drown_in_their_burrs),
      cmocka_unit_test(light_lines_sharpened),
      cmocka_unit_test(lines_along_the_pixels),
      cmocka_unit_test(waves_have_no_vote),
      cmocka_unit_test(cuts_among_waves_as_strong),
      cmocka_unit_test(a_light_mark_may_be_a_burr),
      cmocka_unit_test(cuts_that_their_burrs_cancel),
      cmocka_unit_test(an_askew_fit_is_not_the_line),
      cmocka_unit_test(light_lines_that_may_be_burrs),
      cmocka_unit_test(a_pencil_does_not_hide_the_cut),
      cmocka_unit_test(white_ticks_beside_faint_cuts),
      cmocka_unit_test(askew_boards),
      cmocka_unit_test(sixteen_bits),
      cmocka_unit_test(slots),
      cmocka_unit_test(a_scribed_nut_before_slots),
      cmocka_unit_test(a_slot_near_the_end),
      cmocka_unit_test(a_slot_between_two_crests),
      cmocka_unit_test(a_slot_chipped_along_one_wall),
      cmocka_unit_test(slots_lit_along_one_wall),
      cmocka_unit_test(a_pencil_along_a_cut),
      cmocka_unit_test(a_mats_lines_are_no_marks),
      cmocka_unit_test(troughs_have_no_vote),
      cmocka_unit_test(two_slots_in_one),
      cmocka_unit_test(two_slots_beside_each_other),
      cmocka_unit_test(slots_in_a_curve_of_light),
      cmocka_unit_test(narrow_slots_in_a_curve_of_light),
      cmocka_unit_test(a_pale_slot_at_the_rim),
      cmocka_unit_test(slots_with_one_broken_wall),
      cmocka_unit_test(lines_with_a_third_missing),
      cmocka_unit_test(lines_with_half_missing),
      cmocka_unit_test(short_lines),
      cmocka_unit_test(one_surer_than_all),
      cmocka_unit_test(a_scratch_does_not_pull),
      cmocka_unit_test(a_saws_stripes_have_no_vote),
      cmocka_unit_test(a_step_is_no_mark),
      cmocka_unit_test(empty_wood_has_no_marks),
      cmocka_unit_test(the_outline),
      cmocka_unit_test(no_end_in_the_picture),
      cmocka_unit_test(a_broad_line_at_the_rim),
      cmocka_unit_test(a_pale_line_at_the_rim),
      cmocka_unit_test(a_trough_askew_is_no_line),
      cmocka_unit_test(the_rule_is_no_board),
      cmocka_unit_test(a_rule_is_not_crossed),
      cmocka_unit_test(a_step_in_the_wood_is_no_side),
      cmocka_unit_test(kinds_are_told_apart),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
