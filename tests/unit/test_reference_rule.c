/* Finding, reading and telling a rule, on drawn rules whose every stroke is known.
 *
 * Graduation patterns are those of ordinary steel rules (common practice, no source): millimetres with longer strokes
 * by fives and tens, half millimetres by whole ones, fives and tens, inch fractions by halving, decimal parts of an
 * inch by twentieths, tenths, halves and wholes. An inch is 25.4 mm exactly (NIST SP 811). Default MPE: JIS B 7516,
 * grade 1. */
#include "drawing.h"

#include "slotproof/reference.h"
#include "slotproof/rule.h"

typedef struct drawn_rule {
  double graduation_mm, px_per_mm, tilt_rad,
      drift;                   /* drift: relative change of scale from the first stroke to the last */
  int count, gap_from, gap_to; /* strokes gap_from <= k < gap_to are covered */
  int skip_every;              /* 0: none; else every such stroke is missing */
  int32_t extent;              /* length of the picture, px; 0 = as long as the rule needs */
  double blur, noise;
  uint64_t seed;
  double paper_from, paper_to, paper_grey; /* strokes, fractions too, between which paper lies on the rule */
  double wave_px;                          /* amplitude of the carriage's unevenness, WAVE_STROKES long */
  double cut_px;                           /* so much of the picture's beginning is missing */
  double fade;         /* by which part strokes are fainter at the rule's end than at its beginning */
  double faint;        /* by which part all of them are */
  double numeral;      /* grey by which numerals are darker than the rule */
  double faint_halves; /* by which part the halves between whole millimetres are fainter */
  double broad_mm;     /* breadth of the strokes; 0 = as usual */
  double inch_mm;      /* by how much more whole inches are longer than half ones; then most of them are worn off */
  double grown_mm; /* by how much a numeral that touches it lengthens a whole inch of 1/16 in: some, not all of them */
  double beside_mm; /* period of what lies beside the rule: its other edge's strokes, a string's windings; 0 = nothing
                     */
} drawn_rule;

static const double WAVE_STROKES = 150.0;
static const double FIRST_PX = 30.3, EDGE_PX = 40.0, BODY_MM = 9.0;
/* What lies beside it: how far from its edge, how broad. */
static const double BESIDE_MM = 14.0, BESIDE_BREADTH_MM = 2.0;

/* More of the even inches than of the odd ones, by chance. */
static bool touches_numeral(int inch)
{
  static const bool TOUCHES[] = {false, false, true, false, true, false, true, true, true, false, false, false};
  return TOUCHES[inch % 12];
}

static double stroke_mm(const drawn_rule *r, int k)
{
  static const int mm[] = {5, 10, 0}, half[] = {2, 10, 20, 0}, in16[] = {2, 4, 8, 16, 0}, in32[] = {2, 4, 8, 16, 32, 0},
                   in8[] = {2, 4, 8, 0}, in64[] = {2, 4, 8, 16, 32, 64, 0}, in20[] = {2, 10, 20, 0},
                   in50[] = {5, 25, 50, 0}, in100[] = {5, 10, 50, 100, 0};
  const double g = r->graduation_mm;
  const int *levels = g == 1.0           ? mm
                      : g == 0.5         ? half
                      : g == 25.4 / 20.0 ? in20
                      : g > 3.0          ? in8
                      : g > 1.2          ? in16
                      : g > 0.6          ? in32
                      : g > 0.5          ? in50
                      : g > 0.3          ? in64
                                         : in100;
  const double step = g == 1.0 ? 1.6 : g == 0.5 || g > 3.0 ? 1.2 : g > 0.6 ? 0.9 : g > 0.5 ? 1.2 : 0.5;
  double length = 2.6;
  for (int i = 0; levels[i]; i++)
    if (k % levels[i] == 0)
      length = 2.6 + step * (i + 1) + (!levels[i + 1] ? r->inch_mm : 0.0);
  return r->grown_mm > 0.0 && k % 16 == 0 && touches_numeral(k / 16) ? length + r->grown_mm : length;
}

/* With inch_mm: of the strokes of 1/64 in that mark halves and wholes, what rust has left. */
static bool is_worn_off(const drawn_rule *r, int k)
{
  static const bool LEFT[] = {true, false, false, true, true, false, false, true, true, false, false, true};
  return r->inch_mm > 0.0 && k % 32 == 0 && !LEFT[k / 32 % 12];
}

static bool shows(const drawn_rule *r, int k)
{
  if (is_worn_off(r, k))
    return false;
  return k >= 0 && k < r->count && !(k >= r->gap_from && k < r->gap_to) && !(r->skip_every && k % r->skip_every == 3);
}

/* Distance of stroke k from the first along the rule, px. */
static double stroke_px(const drawn_rule *r, double k)
{
  const double period = r->graduation_mm * r->px_per_mm, x = k / (r->count - 1.0);
  const double even = period * (k + 0.5 * r->drift * k * x);
  return r->wave_px > 0.0 ? even + r->wave_px * sin(2.0 * 3.14159265358979323846 * k / WAVE_STROKES) : even;
}

/* "111" at every tenth stroke, one stroke of it a graduation from the next and half as broad. */
static double numeral_ink(const drawn_rule *r, double s, double t)
{
  const double period = r->graduation_mm * r->px_per_mm, k = floor(s / period + 0.5), blur = r->blur;
  if ((int)k % 10 > 2 || s < -0.5 * period)
    return 0.0;
  return drawn_box(s - k * period, 0.5 * period, blur) * drawn_step(t - 6.2 * r->px_per_mm, blur) *
         drawn_step(8.4 * r->px_per_mm - t, blur);
}

static double rule_grey(const drawn_rule *r, double s, double t)
{
  const double ink = 130.0 * (1.0 - r->faint) * (1.0 - r->fade * s / stroke_px(r, r->count - 1));
  const double usual_mm = r->graduation_mm < 0.3 ? 0.08 : 0.14;
  const double width = (r->broad_mm > 0.0 ? r->broad_mm : usual_mm) * r->px_per_mm, blur = r->blur,
               reach = 0.5 * width + 5.0 * blur;
  double grey = 240.0 - 45.0 * drawn_box(t - 0.5 * BODY_MM * r->px_per_mm, BODY_MM * r->px_per_mm, blur);
  const int near = (int)floor(s / (r->graduation_mm * r->px_per_mm * (1.0 + 0.5 * r->drift)));
  for (int k = near - 1; k <= near + 2; k++) {
    const double off = s - stroke_px(r, k);
    if (fabs(off) < reach && t >= 0.0 && shows(r, k) && t <= (stroke_mm(r, k) + 0.5) * r->px_per_mm)
      grey -= ink * (k % 2 ? 1.0 - r->faint_halves : 1.0) * drawn_box(off, width, blur) *
              drawn_step(t - 0.3 * r->px_per_mm, blur) * drawn_step(stroke_mm(r, k) * r->px_per_mm - t, blur);
  }
  if (r->numeral > 0.0)
    grey -= r->numeral * numeral_ink(r, s, t);
  if (r->beside_mm > 0.0) {
    const double period = r->beside_mm * r->px_per_mm, off = s - period * floor(s / period + 0.5);
    grey -= ink * drawn_box(off, 0.4 * period, blur) *
            drawn_box(t - BESIDE_MM * r->px_per_mm, BESIDE_BREADTH_MM * r->px_per_mm, blur);
  }
  if (r->paper_to > r->paper_from) {
    const double paper =
        drawn_step(s - stroke_px(r, r->paper_from), blur) * drawn_step(stroke_px(r, r->paper_to) - s, blur);
    grey += paper * (r->paper_grey - grey);
  }
  return grey;
}

/* v of the rule's edge at the first stroke: a rule that leans upward starts so far down that its end is in the picture.
 */
static double edge_px(const drawn_rule *r)
{
  return EDGE_PX + (r->tilt_rad < 0.0 ? -sin(r->tilt_rad) * stroke_px(r, r->count - 1) : 0.0);
}

static sp_raster draw_rule(const drawn_rule *r, sp_along along, int bits)
{
  const double c = cos(r->tilt_rad), s = sin(r->tilt_rad), length = stroke_px(r, r->count - 1);
  const int32_t extent = r->extent ? r->extent : (int32_t)(length * c + 2.0 * FIRST_PX);
  const double down_mm = r->beside_mm > 0.0 ? BESIDE_MM + BESIDE_BREADTH_MM : BODY_MM;
  const int32_t breadth = (int32_t)(down_mm * r->px_per_mm + fabs(length * s) + 2.0 * EDGE_PX);
  drawing d = drawing_new(extent, breadth, 0.0);
  chance dice = {r->seed + 1};
  for (int32_t v = 0; v < breadth; v++)
    for (int32_t u = 0; u < extent; u++) {
      const double du = u + r->cut_px - FIRST_PX, dv = v - edge_px(r);
      d.grey[v * extent + u] = rule_grey(r, du * c + dv * s, dv * c - du * s);
    }
  draw_noise(&d, r->noise, &dice);
  const sp_raster raster = drawing_raster(&d, along, bits);
  drawing_free(&d);
  return raster;
}

static sp_reference_options automatic(void)
{
  sp_reference_options o = {.kind = SP_REFERENCE_NONE};
  o.graduation_mm = o.mpe_mm = o.distance_mm = NAN;
  o.from_px = o.to_px = (sp_point){NAN, NAN};
  return o;
}

/* Reads and frees the picture. */
static sp_reference read_picture(sp_raster *raster, double dpi, const sp_reference_options *o)
{
  sp_scene scene;
  sp_reference ref;
  sp_error err = {0};
  assert_int_equal(sp_scene_create(raster, &scene, &err), SP_OK);
  if (sp_reference_read(&scene, dpi, dpi, o, &ref, &err) != SP_OK) {
    fprintf(stderr, "%s\n", err.text);
    fail();
  }
  sp_scene_free(&scene);
  sp_raster_free(raster);
  return ref;
}

static sp_reference read_drawn(const drawn_rule *r, sp_along along, double dpi, const sp_reference_options *o)
{
  sp_raster raster = draw_rule(r, along, 8);
  return read_picture(&raster, dpi, o);
}

/* The graduations, at 9 to 19 px a stroke. How far across the strokes are followed goes by the picture's length:
 * the finer rules lie in pictures of half an A4 page at 600 dpi. */
enum { RULE_COUNT = 5 };
static const drawn_rule RULES[RULE_COUNT] = {
    {.graduation_mm = 1.0, .px_per_mm = 11.837, .count = 80, .blur = 0.85, .noise = 2.0, .seed = 11},
    {.graduation_mm = 0.5, .px_per_mm = 23.61, .count = 200, .extent = 3540, .blur = 1.2, .noise = 2.0, .seed = 2},
    {.graduation_mm = 25.4 / 32.0, .px_per_mm = 11.79, .count = 130, .blur = 0.8, .noise = 2.0, .seed = 3},
    {.graduation_mm = 25.4 / 64.0,
     .px_per_mm = 23.65,
     .count = 260,
     .extent = 3540,
     .blur = 1.1,
     .noise = 2.0,
     .seed = 4},
    {.graduation_mm = 25.4 / 16.0, .px_per_mm = 11.81, .count = 150, .blur = 0.9, .noise = 2.0, .seed = 5},
};

/* What every good reading of a drawn rule must give; `strokes` is how many were drawn. */
static void check_reading(const sp_reference *ref, const drawn_rule *r, sp_along along, int strokes)
{
  if (!ref->map.known)
    fprintf(stderr, "%g mm: %s\n", r->graduation_mm, ref->reason);
  assert_true(ref->map.known);
  assert_string_equal(ref->reason, "");
  assert_int_equal(ref->record.kind, SP_REFERENCE_RULE);
  assert_int_equal(ref->map.along, along);
  CHECK_CLOSE(ref->record.graduation_mm, r->graduation_mm, 1e-12);
  assert_in_range(ref->record.graduations_used, strokes - 1 - strokes / 25, strokes);
  CHECK_CLOSE(ref->record.px_per_mm / r->px_per_mm, 1.0, 1e-4);
  CHECK_BELOW(ref->record.fit_rms_mm, 0.003);
  CHECK_CLOSE(ref->record.span_mm, (r->count - 1) * r->graduation_mm, 2.01 * r->graduation_mm);
  CHECK_CLOSE(ref->record.skew_deg, r->tilt_rad * 57.29577951308232, 0.08);
  CHECK_CLOSE(ref->blur_px, r->blur, 0.2 * r->blur);
  /* the map agrees with where the strokes were drawn, from one end to the other, to 2 um */
  const double c = cos(r->tilt_rad), first = FIRST_PX - r->cut_px, a = first + 60.0,
               b = first + stroke_px(r, r->count - 1) * c - 60.0;
  CHECK_CLOSE(sp_scale_map_along_mm(&ref->map, b) - sp_scale_map_along_mm(&ref->map, a), (b - a) / r->px_per_mm, 0.002);
}

static void every_graduation_is_told(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  for (int k = 0; k < RULE_COUNT; k++)
    for (int axis = 0; axis < 2; axis++) {
      sp_reference ref = read_drawn(&RULES[k], (sp_along)axis, NAN, &o);
      check_reading(&ref, &RULES[k], (sp_along)axis, RULES[k].count);
      assert_false(ref.record.graduation_told);
      assert_string_equal(ref.warning, "");
      /* strokes lie in the band and the band does not reach beyond the rule's body by more than a millimetre */
      assert_true(ref.has_band);
      assert_int_equal(ref.band_along, axis);
      assert_true(ref.band_v0_px > EDGE_PX - RULES[k].px_per_mm && ref.band_v0_px < EDGE_PX + 1.5 * RULES[k].px_per_mm);
      assert_true(ref.band_v1_px > EDGE_PX + 2.0 * RULES[k].px_per_mm &&
                  ref.band_v1_px < EDGE_PX + (BODY_MM + 1.0) * RULES[k].px_per_mm);
      sp_reference_free(&ref);
    }
}

/* Of a rule beside a small board few strokes are in sight, each many pixels from the next: such periods were once not
 * looked for, and the picture had no scale. */
static void few_strokes_far_apart(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  static const drawn_rule FEW[] = {
      {.graduation_mm = 1.0, .px_per_mm = 23.61, .count = 71, .blur = 1.2, .noise = 2.0, .seed = 21},
      {.graduation_mm = 1.0, .px_per_mm = 47.2, .count = 71, .blur = 2.1, .noise = 2.0, .seed = 22},
      {.graduation_mm = 25.4 / 16.0, .px_per_mm = 23.65, .count = 81, .blur = 1.1, .noise = 2.0, .seed = 23},
  };
  for (size_t k = 0; k < sizeof FEW / sizeof *FEW; k++) {
    const sp_along along = k % 2 ? SP_ALONG_Y : SP_ALONG_X;
    /* parts of an inch are told apart by whole inches alone, of which five are too few without the file's word */
    sp_reference ref = read_drawn(&FEW[k], along, FEW[k].graduation_mm > 1.0 ? 600.0 : NAN, &o);
    check_reading(&ref, &FEW[k], along, FEW[k].count);
    sp_reference_free(&ref);
  }
}

/* Eighths of an inch are no graduation that is known, and no half millimetres either. */
static void eighths_of_an_inch_are_nothing_else(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  for (int count = 63; count <= 87; count += 12) {
    const drawn_rule r = {
        .graduation_mm = 25.4 / 8.0, .px_per_mm = 7.87, .count = count, .blur = 0.8, .noise = 2.0, .seed = 31};
    sp_reference ref = read_drawn(&r, SP_ALONG_X, 72.0, &o);
    assert_false(ref.map.known);
    assert_int_equal(ref.record.kind, SP_REFERENCE_NONE);
    sp_reference_free(&ref);
  }
}

static void askew_by_a_degree_and_a_half(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  for (int k = 0; k < RULE_COUNT; k++)
    for (int side = -1; side <= 1; side += 2) {
      drawn_rule r = RULES[k];
      r.tilt_rad = side * 1.5 / 57.29577951308232;
      const sp_along along = k & 1 ? SP_ALONG_Y : SP_ALONG_X;
      sp_reference ref = read_drawn(&r, along, NAN, &o);
      check_reading(&ref, &r, along, r.count);
      sp_reference_free(&ref);
    }
}

/* What is graduated belongs to the rule, a wound string that runs beside it does not: its windings are no graduation's
 * distance apart. With it, all of a neck's strings and frets were taken for the rule's and left out. */
static void another_edge_is_the_rules_a_string_is_not(void **unused)
{
  (void)unused;
  static const struct {
    double beside_mm;
    bool rule;
  } CASES[] = {{1.0, true}, {25.4 / 64.0, true}, {0.385, false}, {0.43, false}};
  const sp_reference_options o = automatic();
  for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
    drawn_rule r = RULES[1];
    r.beside_mm = CASES[i].beside_mm;
    sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
    check_reading(&ref, &r, SP_ALONG_X, r.count);
    assert_true(ref.has_band);
    const double reach_mm = (ref.band_v1_px - EDGE_PX) / r.px_per_mm;
    if (CASES[i].rule)
      assert_true(reach_mm > BESIDE_MM);
    else
      CHECK_BELOW(reach_mm, BODY_MM + 1.0);
    sp_reference_free(&ref);
  }
}

static void sixteen_bits_read_alike(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  sp_raster raster = draw_rule(&RULES[0], SP_ALONG_X, 16);
  sp_reference ref = read_picture(&raster, NAN, &o);
  check_reading(&ref, &RULES[0], SP_ALONG_X, RULES[0].count);
  sp_reference_free(&ref);
}

/* Thirty strokes under a thumb or a clamp: the count goes on behind them. */
static void counts_across_a_gap(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  drawn_rule r = RULES[0];
  r.count = 110;
  r.gap_from = 45;
  r.gap_to = 75;
  sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
  check_reading(&ref, &r, SP_ALONG_X, r.count - 30);
  const sp_reference_record *rec = &ref.record;
  size_t beyond = 0;
  for (size_t i = 0; i < rec->graduation_count; i++) {
    const double k = (rec->graduations[i].at_px.x - FIRST_PX) / r.px_per_mm;
    const double k0 = (rec->first_px.x - FIRST_PX) / r.px_per_mm;
    if (!rec->graduations[i].used)
      continue;
    CHECK_CLOSE(k - k0, rec->graduations[i].index, 0.02);
    beyond += k > 74.5;
  }
  assert_in_range(beyond, 32, 35);
  sp_reference_free(&ref);
}

/* A rim of something that lies on the rule is no stroke, wherever between two strokes it lies, be it as dark as they
 * are or less; else the map, which follows a carriage's waves, would bend under the cover, where nothing gainsays it,
 * by up to a tenth of a millimetre. */
static void a_rim_is_no_stroke(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  static const double OFF[] = {0.2, 0.35, 0.65, 0.8}, GREY[] = {30.0, 60.0, 90.0};
  for (size_t i = 0; i < 4; i++)
    for (size_t j = 0; j < 3; j++) {
      drawn_rule r = RULES[1];
      r.count = 300;
      r.extent = 0;
      r.px_per_mm = 11.81;
      r.blur = 0.8;
      r.noise = 0.5;
      r.wave_px = 0.4;
      r.paper_from = 120.0 + OFF[i];
      r.paper_to = 150.0 + OFF[3 - i];
      r.paper_grey = GREY[j];
      sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
      assert_true(ref.map.known);
      const double a = FIRST_PX + stroke_px(&r, 60.0);
      for (double k = 116.0; k < 155.0; k += 1.0) {
        const double b = FIRST_PX + stroke_px(&r, k);
        const double u = sqrt(sp_scale_map_covariance_mm2(&ref.map, b, a, b));
        CHECK_CLOSE(sp_scale_map_along_mm(&ref.map, b) - sp_scale_map_along_mm(&ref.map, a), (k - 60.0) * 0.5,
                    3.0 * u + 0.001);
        CHECK_BELOW(u, 0.004);
      }
      sp_reference_free(&ref);
    }
}

static void worn_strokes_are_stepped_over(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  drawn_rule r = RULES[2];
  r.skip_every = 9;
  int drawn = 0;
  for (int k = 0; k < r.count; k++)
    drawn += shows(&r, k);
  assert_int_equal(drawn, 115);
  sp_reference ref = read_drawn(&r, SP_ALONG_Y, NAN, &o);
  check_reading(&ref, &r, SP_ALONG_Y, drawn);
  sp_reference_free(&ref);
}

/* At 200 dpi the halves between the millimetres may be too faint to be read, but not to give the period: those that are
 * read are counted by ones all the same, as lengths by fives and tens would else mean another graduation. */
static void half_the_period(void **unused)
{
  (void)unused;
  size_t whole = 0;
  for (int k = 0; k < 8; k++) {
    drawn_rule r = RULES[1];
    r.count = 300;
    r.extent = 0;
    r.px_per_mm = 7.89;
    r.blur = 0.8;
    r.noise = 0.5;
    r.faint_halves = 0.5 + 0.06 * k;
    sp_raster raster = draw_rule(&r, SP_ALONG_X, 8);
    sp_scene scene;
    sp_comb comb = {.along = SP_ALONG_X, .period_px = 0.5 * r.px_per_mm, .v0_px = EDGE_PX + 1.5 * r.px_per_mm};
    sp_rule_reading reading;
    sp_error err = {0};
    assert_int_equal(sp_scene_create(&raster, &scene, &err), SP_OK);
    assert_int_equal(sp_rule_read(&scene, &comb, &reading, &err), SP_OK);
    size_t odd = 0;
    for (size_t i = 1; i < reading.count; i++)
      odd += (reading.strokes[i].index - reading.strokes[0].index) % 2 != 0;
    assert_true(reading.count < 100 || odd > reading.count / 4);
    whole += reading.count > 100 && fabs(reading.period_px - r.px_per_mm) < 0.01;
    sp_rule_reading_free(&reading);
    sp_scene_free(&scene);
    sp_raster_free(&raster);
  }
  assert_true(whole > 0);
}

/* Strokes broader than the gaps between them: the gaps were once taken for the strokes, each as long as the longer of
 * its neighbours, and no pattern was seen in a rule as plain as any. */
static void strokes_broader_than_gaps(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  for (int k = 0; k < 4; k++) {
    drawn_rule r = RULES[1];
    r.count = 300;
    r.extent = 0;
    r.px_per_mm = 11.81 + 0.3 * k;
    r.blur = 0.8;
    r.broad_mm = 0.28;
    sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
    assert_true(ref.map.known);
    CHECK_CLOSE(ref.record.graduation_mm, 0.5, 1e-9);
    CHECK_CLOSE(ref.record.px_per_mm / r.px_per_mm, 1.0, 1e-4);
    sp_reference_free(&ref);
  }
}

/* Where most of the inches are worn off a rule of 1/64 in, too few are left to tell it from one of 1/32 in by; those
 * few are longer, so it must not be taken for that either: every length would be doubled. */
static void worn_inches_are_no_coarser_rule(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  drawn_rule r = RULES[3];
  r.count = 380;
  r.extent = 0;
  r.inch_mm = 1.5;
  sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
  assert_false(ref.map.known);
  assert_non_null(strstr(ref.reason, "--graduation"));
  sp_reference_free(&ref);
  sp_reference_options told = o;
  told.graduation_mm = 25.4 / 64.0;
  ref = read_drawn(&r, SP_ALONG_X, NAN, &told);
  assert_true(ref.map.known);
  CHECK_CLOSE(ref.record.px_per_mm / r.px_per_mm, 1.0, 1e-4);
  sp_reference_free(&ref);
}

/* Seven inches in sixteenths: no inch is longer than the next, so they are not halves of something. A quarter of that
 * rule, or two inches in 64ths, do not say that. */
static void a_few_inches_are_enough(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  drawn_rule r = {.graduation_mm = 25.4 / 16.0, .px_per_mm = 9.0, .count = 115, .blur = 0.9, .noise = 2.0, .seed = 3};
  sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
  check_reading(&ref, &r, SP_ALONG_X, r.count);
  sp_reference_free(&ref);
  r.count = 40;
  ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
  assert_false(ref.map.known);
  sp_reference_free(&ref);
  r = (drawn_rule){.graduation_mm = 25.4 / 64.0, .px_per_mm = 18.0, .count = 115, .blur = 0.9, .noise = 2.0, .seed = 4};
  ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
  if (ref.map.known)
    CHECK_CLOSE(ref.record.px_per_mm / r.px_per_mm, 1.0, 1e-3);
  sp_reference_free(&ref);
}

/* Inches that are longer than half ones by a twentieth are too little to go by, and not to be passed over: such a rule
 * in 32nds is none in 16ths. */
static void hardly_longer_inches_are_doubted(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  drawn_rule r = {.graduation_mm = 25.4 / 32.0,
                  .px_per_mm = 20.0,
                  .count = 200,
                  .blur = 0.9,
                  .noise = 2.0,
                  .inch_mm = -0.6,
                  .seed = 6};
  sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
  assert_false(ref.map.known && fabs(ref.record.px_per_mm / r.px_per_mm - 1.0) > 1e-3);
  sp_reference_free(&ref);
}

/* A numeral that touches its stroke makes it longer. Where that befalls more of the even inches than of the odd ones,
 * 1/32 in goes a little better with the lengths; but hardly half of what would be its inches are longer than the rest.
 */
static void numerals_make_no_finer_rule(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  drawn_rule r = {.graduation_mm = 25.4 / 16.0,
                  .px_per_mm = 9.0,
                  .count = 240,
                  .blur = 0.9,
                  .noise = 2.0,
                  .grown_mm = 1.6,
                  .seed = 5};
  sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
  check_reading(&ref, &r, SP_ALONG_X, r.count);
  sp_reference_free(&ref);
}

/* Whatever stands on the rule in broad black numerals: its fine faint strokes are read. */
static void numerals_stronger_than_strokes(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  drawn_rule r = RULES[0];
  r.count = 120;
  r.faint = 0.7;
  r.numeral = 170.0;
  r.noise = 0.5;
  for (int axis = 0; axis < 2; axis++) {
    sp_reference ref = read_drawn(&r, (sp_along)axis, NAN, &o);
    check_reading(&ref, &r, (sp_along)axis, r.count);
    sp_reference_free(&ref);
  }
}

/* The strongest strokes, with which the counting begins, may be the picture's first, and the first of them in its rim.
 */
static void begins_in_the_rim(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  for (int i = 0; i <= 8; i++) {
    drawn_rule r = RULES[0];
    r.count = 120;
    r.fade = 0.4;
    r.cut_px = FIRST_PX - 0.25 * i;
    sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
    check_reading(&ref, &r, SP_ALONG_X, r.count);
    sp_reference_free(&ref);
  }
}

static void the_users_word(void **unused)
{
  (void)unused;
  sp_reference_options o = automatic();
  o.graduation_mm = 1.0;
  sp_reference ref = read_drawn(&RULES[0], SP_ALONG_X, NAN, &o);
  check_reading(&ref, &RULES[0], SP_ALONG_X, RULES[0].count);
  assert_true(ref.record.graduation_told);
  sp_reference_free(&ref);
  /* a wrong word is refused, never obeyed */
  static const struct {
    int rule;
    double word;
  } wrong[] = {{0, 0.5}, {0, 25.4 / 32.0}, {0, 25.4 / 64.0}, {1, 25.4 / 32.0}, {1, 25.4 / 64.0}, {2, 1.0},
               {2, 0.5}, {3, 1.0},         {3, 0.5},         {4, 1.0},         {4, 0.5}};
  for (size_t k = 0; k < sizeof wrong / sizeof *wrong; k++) {
    o.graduation_mm = wrong[k].word;
    ref = read_drawn(&RULES[wrong[k].rule], SP_ALONG_X, NAN, &o);
    assert_false(ref.map.known);
    assert_int_equal(ref.record.kind, SP_REFERENCE_NONE);
    assert_non_null(strstr(ref.reason, "--graduation"));
    sp_reference_free(&ref);
  }
}

/* Who says 1 mm of a rule with half millimetres means its longer strokes, and gets the right scale from them. */
static void a_coarser_word_means_the_longer_strokes(void **unused)
{
  (void)unused;
  static const double words[2] = {1.0, 25.4 / 32.0};
  for (int k = 0; k < 2; k++) {
    const drawn_rule *r = &RULES[2 * k + 1];
    sp_reference_options o = automatic();
    o.graduation_mm = words[k];
    sp_reference ref = read_drawn(r, SP_ALONG_X, NAN, &o);
    if (ref.map.known) { /* to refuse it would be as right */
      CHECK_CLOSE(ref.record.graduation_mm, words[k], 1e-12);
      CHECK_CLOSE(ref.record.px_per_mm / r->px_per_mm, 1.0, 1e-4);
    } else {
      assert_non_null(strstr(ref.reason, "--graduation"));
    }
    sp_reference_free(&ref);
  }
}

/* Who says 1/64 in of a picture too coarse for more than the thirty-seconds gets no scale, not one of half the lengths:
 * the pattern would do for both, the resolution does not. */
static void a_finer_word_than_the_picture_shows(void **unused)
{
  (void)unused;
  const drawn_rule *r = &RULES[2];
  sp_reference_options o = automatic();
  o.graduation_mm = 25.4 / 64.0;
  sp_reference ref = read_drawn(r, SP_ALONG_X, 25.4 * r->px_per_mm, &o);
  assert_false(ref.map.known);
  assert_non_null(strstr(ref.reason, "--graduation"));
  sp_reference_free(&ref);
}

static void the_rule_is_believed_over_the_file(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  sp_reference ref = read_drawn(&RULES[0], SP_ALONG_X, 25.4 * RULES[0].px_per_mm, &o);
  check_reading(&ref, &RULES[0], SP_ALONG_X, RULES[0].count);
  assert_string_equal(ref.warning, "");
  sp_reference_free(&ref);
  ref = read_drawn(&RULES[0], SP_ALONG_X, 200.0, &o); /* 300.7 dpi in truth */
  check_reading(&ref, &RULES[0], SP_ALONG_X, RULES[0].count);
  assert_non_null(strstr(ref.warning, "200 dpi"));
  assert_non_null(strstr(ref.warning, "301 dpi"));
  sp_reference_free(&ref);
}

/* A fiftieth of an inch is 1.6 % more than half a millimetre; its pattern tells it. */
static void fiftieths_of_an_inch(void **unused)
{
  (void)unused;
  static const double STATED[] = {NAN, 600.0, 300.0};
  const sp_reference_options o = automatic();
  const drawn_rule r = {.graduation_mm = 25.4 / 50.0,
                        .px_per_mm = 23.61,
                        .count = 200,
                        .extent = 3540,
                        .blur = 1.2,
                        .noise = 2.0,
                        .seed = 6};
  for (int i = 0; i < 3; i++) {
    sp_reference ref = read_drawn(&r, SP_ALONG_Y, STATED[i], &o);
    check_reading(&ref, &r, SP_ALONG_Y, r.count);
    sp_reference_free(&ref);
  }
}

/* Tenths, twentieths and hundredths look like millimetres and half ones. Only the file tells, if it does; then the
 * report says so. A file that knows of nothing but a screen (72 or 96 dpi) is no witness. */
static void decimal_inches_need_the_file(void **unused)
{
  (void)unused;
  static const drawn_rule DECIMAL[] = {
      {.graduation_mm = 25.4 / 20.0, .px_per_mm = 11.79, .count = 120, .blur = 0.9, .noise = 2.0, .seed = 7},
      {.graduation_mm = 25.4 / 100.0,
       .px_per_mm = 47.3,
       .count = 400,
       .extent = 6000,
       .blur = 1.4,
       .noise = 2.0,
       .seed = 8}};
  static const double LOOKS_MM[] = {0.5, 1.0};
  sp_reference_options o = automatic();
  for (int i = 0; i < 2; i++) {
    const drawn_rule *r = &DECIMAL[i];
    const double dpi = 25.4 * r->px_per_mm, as_metric = LOOKS_MM[i] / r->graduation_mm;
    sp_reference ref = read_drawn(r, SP_ALONG_X, dpi * 1.002, &o);
    check_reading(&ref, r, SP_ALONG_X, r->count);
    assert_non_null(strstr(ref.warning, "look alike"));
    sp_reference_free(&ref);
    ref = read_drawn(r, SP_ALONG_X, 72.0, &o);
    CHECK_CLOSE(ref.record.px_per_mm * as_metric, r->px_per_mm, 1e-4 * r->px_per_mm);
    assert_non_null(strstr(ref.warning, "the file states 72 dpi but"));
    sp_reference_free(&ref);
    o.graduation_mm = r->graduation_mm;
    ref = read_drawn(r, SP_ALONG_X, NAN, &o);
    check_reading(&ref, r, SP_ALONG_X, r->count);
    assert_string_equal(ref.warning, "");
    sp_reference_free(&ref);
    o.graduation_mm = NAN;
  }
}

/* A millimetre rule at 283.5 dpi in a file that says 72: 72 dpi would make its strokes hundredths of an inch. */
static void a_screens_resolution_is_no_witness(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  drawn_rule r = RULES[0];
  r.px_per_mm = 72.0 / 25.4 * 100.0 / 25.4;
  sp_reference ref = read_drawn(&r, SP_ALONG_X, 72.0, &o);
  check_reading(&ref, &r, SP_ALONG_X, r.count);
  sp_reference_free(&ref);
}

/* JIS B 7516 grade 1: 0.15 mm up to 500 mm; the user's word, 0 included, goes before it. */
static void maximum_permissible_error(void **unused)
{
  (void)unused;
  sp_reference_options o = automatic();
  sp_reference ref = read_drawn(&RULES[0], SP_ALONG_X, NAN, &o);
  CHECK_CLOSE(ref.record.mpe_mm, 0.15, 1e-12);
  sp_reference_free(&ref);
  o.mpe_mm = 0.0;
  ref = read_drawn(&RULES[0], SP_ALONG_X, NAN, &o);
  CHECK_CLOSE(ref.record.mpe_mm, 0.0, 0.0);
  sp_reference_free(&ref);
}

/* Perspective or a lens: the scale changes by 3 % along the rule, a flatbed's never does. */
static void photograph_is_refused(void **unused)
{
  (void)unused;
  const sp_reference_options o = automatic();
  for (int sign = -1; sign <= 1; sign += 2) {
    drawn_rule r = RULES[0];
    r.count = 110;
    r.drift = 0.03 * sign;
    sp_reference ref = read_drawn(&r, SP_ALONG_X, NAN, &o);
    assert_false(ref.map.known);
    assert_int_equal(ref.record.kind, SP_REFERENCE_NONE);
    assert_non_null(strstr(ref.reason, "the scale changes by"));
    assert_true(isnan(ref.record.px_per_mm));
    sp_reference_free(&ref);
  }
}

static void check_no_rule(sp_raster *raster)
{
  const sp_reference_options o = automatic();
  sp_reference ref = read_picture(raster, 300.0, &o);
  assert_false(ref.map.known);
  assert_int_equal(ref.record.kind, SP_REFERENCE_NONE);
  assert_true(ref.reason[0] != '\0');
  assert_true(isnan(ref.record.mpe_mm) && isnan(ref.record.px_per_mm) && isnan(ref.record.span_mm));
  sp_reference_free(&ref);
}

static void no_rule_gives_a_reason(void **unused)
{
  (void)unused;
  drawing d = drawing_new(900, 260, 150.0);
  chance dice = {77};
  sp_raster flat = drawing_raster(&d, SP_ALONG_X, 8);
  check_no_rule(&flat);
  draw_noise(&d, 6.0, &dice);
  sp_raster noisy = drawing_raster(&d, SP_ALONG_X, 8);
  check_no_rule(&noisy);
  drawing_free(&d);
}

/* Planing chatter is as even as a rule, but has no longer strokes. */
static void chatter_is_no_rule(void **unused)
{
  (void)unused;
  static const double periods[] = {7.3, 10.0, 13.7};
  for (int k = 0; k < 3; k++)
    for (int narrow = 0; narrow < 2; narrow++) {
      drawing d = drawing_new(1000, 260, 150.0);
      chance dice = {500 + (uint64_t)k};
      for (int32_t v = 0; v < d.breadth; v++)
        for (int32_t u = 0; u < d.length && (!narrow || (v > 100 && v < 150)); u++)
          d.grey[v * d.length + u] += 20.0 * sin(6.283185307179586 * u / periods[k]);
      draw_noise(&d, 2.0, &dice);
      sp_raster raster = drawing_raster(&d, k & 1 ? SP_ALONG_Y : SP_ALONG_X, 8);
      check_no_rule(&raster);
      drawing_free(&d);
    }
}

static sp_raster equal_strokes(double spacing_px, uint64_t seed)
{
  drawing d = drawing_new(1000, 200, 190.0);
  for (int k = 0; k < 80; k++)
    draw_mark(&d, &(drawn_mark){
                      .at = 30.0 + spacing_px * k, .v_a = 60, .v_b = 110, .width = 1.6, .blur = 0.9, .height = -120});
  chance dice = {seed};
  draw_noise(&d, 2.0, &dice);
  const sp_raster raster = drawing_raster(&d, SP_ALONG_X, 8);
  drawing_free(&d);
  return raster;
}

/* Strokes all of one length say nothing of what they are; the user may. */
static void even_strokes_need_a_word(void **unused)
{
  (void)unused;
  sp_raster raster = equal_strokes(11.8, 9);
  check_no_rule(&raster);
  raster = equal_strokes(11.8, 9);
  sp_reference_options o = automatic();
  o.graduation_mm = 1.0;
  sp_reference ref = read_picture(&raster, NAN, &o);
  assert_true(ref.map.known);
  CHECK_CLOSE(ref.record.px_per_mm, 11.8, 11.8e-4);
  sp_reference_free(&ref);
}

/* Periods that beat with the pixel grid make equal strokes look longer and shorter in turn. */
static void equal_strokes_tell_nothing(void **unused)
{
  (void)unused;
  for (int i = 0; i < 20; i++) {
    sp_raster raster = equal_strokes(11.6 + 0.02 * i, 2 * (uint64_t)i + 1);
    const sp_reference_options o = automatic();
    sp_reference ref = read_picture(&raster, NAN, &o);
    assert_false(ref.map.known);
    assert_true(ref.reason[0] != '\0');
    sp_reference_free(&ref);
  }
}

/* Strokes longer and shorter without a rule, as the windings of a string look: of many such some fall into a rule's
 * pattern a little better than into none. */
static void ragged_strokes_tell_nothing(void **unused)
{
  (void)unused;
  for (uint64_t seed = 1; seed <= 24; seed++) {
    drawing d = drawing_new(4400, 160, 190.0);
    chance dice = {seed};
    for (int k = 0; k < 400; k++)
      draw_mark(&d, &(drawn_mark){.at = 30.0 + 10.7 * k,
                                  .v_a = 60.0,
                                  .v_b = chance_uniform(&dice) < 0.5 ? 72.0 : 88.0,
                                  .width = 3.0,
                                  .blur = 1.0,
                                  .height = -110});
    draw_noise(&d, 3.0, &dice);
    sp_raster raster = drawing_raster(&d, SP_ALONG_X, 8);
    drawing_free(&d);
    const sp_reference_options o = automatic();
    sp_reference ref = read_picture(&raster, NAN, &o);
    assert_false(ref.map.known);
    sp_reference_free(&ref);
  }
}

static void stated_resolution(void **unused)
{
  (void)unused;
  sp_reference_options o = automatic();
  o.kind = SP_REFERENCE_DPI;
  sp_raster raster = draw_rule(&RULES[0], SP_ALONG_X, 8);
  sp_reference ref = read_picture(&raster, 300.0, &o);
  assert_true(ref.map.known);
  assert_int_equal(ref.record.kind, SP_REFERENCE_DPI);
  CHECK_CLOSE(ref.record.px_per_mm, 300.0 / 25.4, 1e-9);
  CHECK_CLOSE(sp_scale_map_along_mm(&ref.map, 400.0) - sp_scale_map_along_mm(&ref.map, 100.0), 25.4, 1e-9);
  assert_non_null(strstr(ref.warning, "300.00 dpi"));
  assert_true(ref.has_band); /* the rule is seen all the same, so that its strokes are not taken for lines */
  sp_reference_free(&ref);
  /* relative uncertainty of parts in a thousand */
  raster = draw_rule(&RULES[0], SP_ALONG_X, 8);
  ref = read_picture(&raster, 300.0, &o);
  const double u = sqrt(sp_scale_map_covariance_mm2(&ref.map, 400.0, 100.0, 400.0)) / 25.4;
  assert_true(u > 0.001 && u < 0.01);
  sp_reference_free(&ref);
  raster = draw_rule(&RULES[0], SP_ALONG_X, 8);
  ref = read_picture(&raster, NAN, &o);
  assert_false(ref.map.known);
  assert_non_null(strstr(ref.reason, "no resolution"));
  sp_reference_free(&ref);
}

static void stated_distance(void **unused)
{
  (void)unused;
  sp_reference_options o = automatic();
  o.kind = SP_REFERENCE_DISTANCE;
  o.distance_mm = 50.0;
  o.from_px = (sp_point){100.0, 40.0};
  o.to_px = (sp_point){700.0, 40.0};
  drawing d = drawing_new(900, 200, 150.0);
  sp_raster raster = drawing_raster(&d, SP_ALONG_X, 8);
  sp_reference ref = read_picture(&raster, NAN, &o);
  assert_true(ref.map.known);
  assert_int_equal(ref.record.kind, SP_REFERENCE_DISTANCE);
  CHECK_CLOSE(ref.record.px_per_mm, 12.0, 1e-9);
  CHECK_CLOSE(ref.record.span_mm, 50.0, 1e-12);
  CHECK_CLOSE(ref.record.first_px.x, 100.0, 0.0);
  CHECK_CLOSE(ref.record.last_px.x, 700.0, 0.0);
  assert_false(ref.has_band);
  sp_reference_free(&ref);
  /* along the longer side, whichever it is */
  raster = drawing_raster(&d, SP_ALONG_Y, 8);
  ref = read_picture(&raster, NAN, &o);
  assert_int_equal(ref.map.along, SP_ALONG_Y);
  sp_reference_free(&ref);
  drawing_free(&d);
}

static void check_usage(const sp_reference_options *o)
{
  drawing d = drawing_new(400, 200, 150.0);
  sp_raster raster = drawing_raster(&d, SP_ALONG_X, 8);
  sp_scene scene;
  sp_reference ref;
  sp_error err = {0};
  assert_int_equal(sp_scene_create(&raster, &scene, &err), SP_OK);
  assert_int_equal(sp_reference_read(&scene, NAN, NAN, o, &ref, &err), SP_E_USAGE);
  assert_non_null(strstr(err.text, "--reference"));
  sp_reference_free(&ref);
  sp_scene_free(&scene);
  sp_raster_free(&raster);
  drawing_free(&d);
}

static void bad_options_are_refused(void **unused)
{
  (void)unused;
  sp_reference_options o = automatic();
  o.kind = SP_REFERENCE_DISTANCE;
  check_usage(&o); /* nothing given */
  o.from_px = o.to_px = (sp_point){5.0, 5.0};
  o.distance_mm = 50.0;
  check_usage(&o); /* one and the same point */
  o.to_px = (sp_point){300.0, 5.0};
  o.distance_mm = 0.0;
  check_usage(&o);
  o.kind = SP_REFERENCE_PROFILE;
  check_usage(&o);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_graduation_is_told),
      cmocka_unit_test(few_strokes_far_apart),
      cmocka_unit_test(eighths_of_an_inch_are_nothing_else),
      cmocka_unit_test(askew_by_a_degree_and_a_half),
      cmocka_unit_test(another_edge_is_the_rules_a_string_is_not),
      cmocka_unit_test(sixteen_bits_read_alike),
      cmocka_unit_test(counts_across_a_gap),
      cmocka_unit_test(a_rim_is_no_stroke),
      cmocka_unit_test(worn_strokes_are_stepped_over),
      cmocka_unit_test(half_the_period),
      cmocka_unit_test(strokes_broader_than_gaps),
      cmocka_unit_test(worn_inches_are_no_coarser_rule),
      cmocka_unit_test(a_few_inches_are_enough),
      cmocka_unit_test(hardly_longer_inches_are_doubted),
      cmocka_unit_test(numerals_make_no_finer_rule),
      cmocka_unit_test(numerals_stronger_than_strokes),
      cmocka_unit_test(begins_in_the_rim),
      cmocka_unit_test(the_users_word),
      cmocka_unit_test(a_coarser_word_means_the_longer_strokes),
      cmocka_unit_test(a_finer_word_than_the_picture_shows),
      cmocka_unit_test(the_rule_is_believed_over_the_file),
      cmocka_unit_test(fiftieths_of_an_inch),
      cmocka_unit_test(decimal_inches_need_the_file),
      cmocka_unit_test(a_screens_resolution_is_no_witness),
      cmocka_unit_test(maximum_permissible_error),
      cmocka_unit_test(photograph_is_refused),
      cmocka_unit_test(no_rule_gives_a_reason),
      cmocka_unit_test(chatter_is_no_rule),
      cmocka_unit_test(even_strokes_need_a_word),
      cmocka_unit_test(equal_strokes_tell_nothing),
      cmocka_unit_test(ragged_strokes_tell_nothing),
      cmocka_unit_test(stated_resolution),
      cmocka_unit_test(stated_distance),
      cmocka_unit_test(bad_options_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
