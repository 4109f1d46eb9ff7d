/* A rule that is graduated on both edges, drawn so that what is square to it leans more and more along it: what the
 * other edge's strokes say of that. Lengths of strokes as on ordinary rules (common practice, no source); an inch is
 * 25.4 mm exactly (NIST SP 811). */
#include "drawing.h"

#include "slotproof/reference.h"

enum { LENGTH_PX = 1900, BREADTH_PX = 320, MM_STROKES = 190 };
static const double PX_PER_MM = 9.31, NEAR_EDGE_PX = 60.0, FAR_EDGE_PX = 270.0, START_PX = 50.3, BLUR = 0.9;

typedef struct two_edges {
  double far_mm, far_px; /* spacing of the other edge, 0: it has none; where that begins */
  double lean, turn;     /* of what is square: in the middle, and from there to the end */
} two_edges;

/* Lean of what is square through u on the near edge. */
static double lean_at(const two_edges *t, double u_px)
{
  return t->lean + t->turn * (2.0 * u_px / LENGTH_PX - 1.0);
}

/* A stroke that would stand at u_px if nothing leaned. */
static void draw_stroke(drawing *d, const two_edges *t, double u_px, bool far, double long_mm, double width_mm)
{
  const double from = far ? FAR_EDGE_PX - long_mm * PX_PER_MM : NEAR_EDGE_PX, lean = lean_at(t, u_px);
  draw_mark(d, &(drawn_mark){.at = u_px,
                             .slope = lean,
                             .v_ref = NEAR_EDGE_PX,
                             .v_a = from,
                             .v_b = from + long_mm * PX_PER_MM,
                             .width = width_mm * PX_PER_MM,
                             .blur = BLUR,
                             .height = -120.0});
}

static double length_mm(int k, const int levels[])
{
  double length = 2.6;
  for (int i = 0; levels[i]; i++)
    length += k % levels[i] == 0 ? 1.1 : 0.0;
  return length;
}

static sp_reference read_edges(const two_edges *t, sp_along along, bool straightened)
{
  static const int MM[] = {5, 10, 0}, HALF[] = {2, 10, 20, 0}, INCH_32[] = {2, 4, 8, 16, 32, 0};
  drawing d = drawing_new(LENGTH_PX, BREADTH_PX, 30.0);
  draw_area(&d, &(drawn_area){.u_a = 20.0,
                              .u_b = LENGTH_PX - 20.0,
                              .v_a = NEAR_EDGE_PX,
                              .v_b = FAR_EDGE_PX,
                              .blur = BLUR,
                              .height = 170.0});
  for (int k = 0; k < MM_STROKES; k++)
    draw_stroke(&d, t, START_PX + k * PX_PER_MM, false, length_mm(k, MM), 0.14);
  for (int k = 0; t->far_mm > 0.0 && t->far_px + k * t->far_mm * PX_PER_MM < LENGTH_PX - 40.0; k++)
    draw_stroke(&d, t, t->far_px + k * t->far_mm * PX_PER_MM, true, length_mm(k, t->far_mm < 0.6 ? HALF : INCH_32),
                0.12);
  chance dice = {7};
  draw_noise(&d, 2.0, &dice);
  sp_raster raster = drawing_raster(&d, along, 8);
  drawing_free(&d);
  sp_reference_options o = {.kind = SP_REFERENCE_RULE, .straightened = straightened, .graduation_mm = 1.0};
  o.mpe_mm = o.distance_mm = NAN;
  sp_scene scene;
  sp_reference ref;
  sp_error err = {0};
  assert_int_equal(sp_scene_create(&raster, &scene, &err), SP_OK);
  assert_int_equal(sp_reference_read(&scene, NAN, NAN, &o, &ref, &err), SP_OK);
  sp_scene_free(&scene);
  sp_raster_free(&raster);
  assert_true(ref.map.known);
  return ref;
}

/* Slope of the leans over half the picture's length, and their standard deviation about that. */
static double turn_of(const sp_reference *ref, double *scatter)
{
  double sx = 0.0, sy = 0.0, sxx = 0.0, sxy = 0.0, syy = 0.0;
  const double n = (double)ref->edge_lean_count;
  for (size_t i = 0; i < ref->edge_lean_count; i++) {
    const double x = 2.0 * ref->edge_leans[i].u_px / LENGTH_PX - 1.0, y = ref->edge_leans[i].lean;
    sx += x;
    sy += y;
    sxx += x * x;
    sxy += x * y;
    syy += y * y;
  }
  const double turn = (n * sxy - sx * sy) / (n * sxx - sx * sx);
  *scatter = sqrt((syy - sy * sy / n - turn * (sxy - sx * sy / n)) / n);
  return turn;
}

/* Along both axes, leaning either way, half millimetres and parts of an inch on the other edge, which begins anywhere:
 * some 150 strokes, each known to 0.02 px over 190, tell the turn to 2e-5. */
static void test_other_edge_tells_the_turn(void **state)
{
  (void)state;
  static const two_edges LIST[] = {{0.5, 57.7, 3e-4, 8e-4}, {25.4 / 32.0, 44.1, -2e-4, -1.1e-3}, {0.5, 51.0, 0.0, 0.0}};
  for (size_t i = 0; i < sizeof LIST / sizeof *LIST; i++)
    for (int axis = 0; axis < 2; axis++) {
      double scatter;
      sp_reference ref = read_edges(&LIST[i], (sp_along)axis, true);
      assert_true(ref.edge_lean_count > 140);
      CHECK_CLOSE(ref.edge_apart_px, FAR_EDGE_PX - NEAR_EDGE_PX, 60.0);
      CHECK_CLOSE(turn_of(&ref, &scatter), LIST[i].turn, 4e-5);
      CHECK_BELOW(scatter, 3e-4);
      for (size_t k = 0; k < ref.edge_lean_count; k++) {
        CHECK_BELOW(ref.edge_leans[k].u_lean, 1e-3);
        assert_true(ref.edge_leans[k].u_lean > 0.0);
      }
      sp_reference_free(&ref);
    }
}

/* A rule with one edge has no other; and in a scan nobody asks. */
static void test_no_other_edge(void **state)
{
  (void)state;
  const two_edges one = {0.0, 0.0, 0.0, 5e-4}, both = {0.5, 57.7, 0.0, 5e-4};
  sp_reference ref = read_edges(&one, SP_ALONG_X, true);
  assert_int_equal(ref.edge_lean_count, 0);
  sp_reference_free(&ref);
  ref = read_edges(&both, SP_ALONG_X, false);
  assert_int_equal(ref.edge_lean_count, 0);
  sp_reference_free(&ref);
}

/* Strokes of another spacing than any rule has (0.6 mm, say: a ruler for some scale) count no millimetres. */
static void test_strange_spacing_is_no_edge(void **state)
{
  (void)state;
  const two_edges strange = {0.61, 57.7, 0.0, 5e-4};
  sp_reference ref = read_edges(&strange, SP_ALONG_X, true);
  assert_int_equal(ref.edge_lean_count, 0);
  sp_reference_free(&ref);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_other_edge_tells_the_turn),
                                     cmocka_unit_test(test_no_other_edge),
                                     cmocka_unit_test(test_strange_spacing_is_no_edge)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
