/* Strokes almost along the pixels of a picture, sampled as a sensor does: what each pixel gets is the mean over it, and
 * optics and processing blur only little, so that a stroke's place is read in a wave along the pixels (aliasing). */
#include "drawing.h"

#include "photo/photo_internal.h"
#include "slotproof/numeric.h"
#include "slotproof/reference.h"
#include "slotproof/rule.h"

enum { STROKES = 220, HEIGHT = 150, WIDTH = 2820 };
static const double PERIOD_PX = 12.006, FIRST_PX = 34.3, MIDDLE_PX = 75.0, HALF_LENGTH_PX = 16.0;
static const double STROKE_PX = 1.6, BLUR_PX = 0.7, PICTURE_PX = 0.9173; /* of the picture, a px drawn upright */

static double part_of_pixel(double pixel, double from, double to)
{
  return fmax(0.0, fmin(pixel + 0.5, to) - fmax(pixel - 0.5, from));
}

/* How strokes lean in the picture: evenly more along the rule. */
typedef struct fan {
  double from, to;
} fan;

static double lean_at(const fan *f, double u)
{
  return f->from + (f->to - f->from) * (u - FIRST_PX) / (STROKES * PERIOD_PX);
}

/* The rule's row v, before it is blurred. */
static void draw_row(double *row, int v, const fan *f)
{
  for (int u = 0; u < WIDTH; u++)
    row[u] = 200.0;
  for (int k = 0; k < STROKES && fabs(v - MIDDLE_PX) < HALF_LENGTH_PX; k++) {
    const double middle = FIRST_PX + k * PERIOD_PX, at = middle + lean_at(f, middle) * (v - MIDDLE_PX);
    for (int u = (int)at - 4; u <= (int)at + 4; u++)
      if (u >= 0 && u < WIDTH)
        row[u] -= 130.0 * part_of_pixel(u, at - 0.5 * STROKE_PX, at + 0.5 * STROKE_PX);
  }
}

static void draw_strokes(drawing *d, const fan *f)
{
  enum { REACH = 4 };
  double row[WIDTH], weight[2 * REACH + 1], sum = 0.0;
  for (int i = -REACH; i <= REACH; i++)
    sum += weight[REACH + i] = exp(-0.5 * i * i / (BLUR_PX * BLUR_PX));
  for (int v = 0; v < HEIGHT; v++) {
    draw_row(row, v, f);
    for (int u = REACH; u < WIDTH - REACH; u++) {
      double grey = 0.0;
      for (int i = -REACH; i <= REACH; i++)
        grey += weight[REACH + i] * row[u + i] / sum;
      d->grey[v * d->length + u] = grey;
    }
  }
}

/* Where what is drawn upright is taken from; finer than the picture, as photographs are, so that the two rasters'
 * pixels do not fall on each other. */
static sp_point upright_to_picture(const void *context, double u, double v)
{
  const double at = PICTURE_PX * u;
  return (sp_point){at + lean_at(context, at) * (v - MIDDLE_PX), v};
}

/* The picture's strokes drawn upright, as a photograph's are by a camera that is right, and read there. */
static sp_rule_reading read_strokes(const fan *f)
{
  drawing d = drawing_new(WIDTH, HEIGHT, 200.0);
  chance dice = {11};
  draw_strokes(&d, f);
  draw_noise(&d, 1.5, &dice);
  sp_raster picture = drawing_raster(&d, SP_ALONG_X, 16), upright = {0};
  drawing_free(&d);
  sp_scene scene = {0};
  sp_rule_reading reading;
  sp_error err = {0};
  const sp_comb comb = {SP_ALONG_X, PERIOD_PX / PICTURE_PX, 0.0, MIDDLE_PX, 1.0, false};
  assert_int_equal(
      photo_resample(&picture, upright_to_picture, f, (uint32_t)(WIDTH / PICTURE_PX), HEIGHT, &upright, &err), SP_OK);
  assert_int_equal(sp_scene_create(&upright, &scene, &err), SP_OK);
  assert_int_equal(sp_rule_read(&scene, &comb, &reading, &err), SP_OK);
  sp_scene_free(&scene);
  sp_raster_free(&upright);
  sp_raster_free(&picture);
  assert_true(reading.count > STROKES * 9 / 10);
  return reading;
}

static sp_lean lean_of(const sp_stroke *s, double slope, const fan *f, bool waves)
{
  const double half = 0.5 * s->own_length_px, du = -half * slope;
  const double k = round((PICTURE_PX * s->own_u_px - FIRST_PX) / PERIOD_PX);
  const double u = (FIRST_PX + k * PERIOD_PX) / PICTURE_PX;
  sp_lean l = {.u_px = s->u_px, .lean = s->lean, .u_lean = s->u_lean, .length_px = s->own_length_px};
  if (waves)
    sp_lean_waves(&l, upright_to_picture(f, u - du, s->own_v_px - half),
                  upright_to_picture(f, u + du, s->own_v_px + half), upright_to_picture(f, u + 1.0, s->own_v_px));
  return l;
}

/* By how much strokes seem to turn from the first to the last, and how well that is said to be known. */
static double seeming_turn(const sp_rule_reading *r, const fan *f, bool waves, double *doubt)
{
  sp_lean leans[STROKES];
  sp_error err = {0};
  sp_reference ref = {.leans = leans};
  for (size_t k = 0; k < r->count && k < STROKES; k++)
    if (r->strokes[k].good && r->strokes[k].u_lean > 0.0)
      leans[ref.lean_count++] = lean_of(&r->strokes[k], r->slope, f, waves);
  ref.map.first_px = FIRST_PX / PICTURE_PX;
  ref.map.last_px = (FIRST_PX + STROKES * PERIOD_PX) / PICTURE_PX;
  assert_true(ref.lean_count > STROKES * 9 / 10);
  assert_int_equal(sp_reference_square(&ref, NULL, NULL, NULL, 0, &err), SP_OK);
  assert_true(ref.square.known);
  *doubt = sqrt(sp_square_map_variance(&ref.square, ref.map.last_px, ref.map.first_px));
  return sp_square_map_lean(&ref.square, ref.map.last_px) - sp_square_map_lean(&ref.square, ref.map.first_px);
}

/* Twelve pixels apart but for a hundredth, so that all strokes of one part of the rule lie alike on the pixels: taken
 * for leans of the board, the wave turns one end against the other by a milliradian, 0.04 mm at the far side of a
 * board. */
static void test_pixels_turn_nothing(void **state)
{
  (void)state;
  enum { FANS = 6 };
  double square[2] = {0}, z = 0.0;
  for (int k = 0; k < FANS; k++) {
    const fan f = {5e-3 + 6e-3 * k, 0.045 - 4e-3 * k};
    sp_rule_reading r = read_strokes(&f);
    for (int waves = 0; waves < 2; waves++) {
      double doubt;
      const double turn = seeming_turn(&r, &f, waves, &doubt);
      square[waves] += turn * turn / FANS;
      if (waves)
        z += turn * turn / (doubt * doubt) / FANS;
    }
    sp_rule_reading_free(&r);
  }
  CHECK_BELOW(sqrt(square[1]), 3e-4);
  CHECK_BELOW(sqrt(z), 1.3);
  assert_true(sqrt(square[0]) > 2.5 * sqrt(square[1]));
}

/* The least-squares slope over its rows of a stroke whose every row lies where the wave puts it. */
static void test_slope_of_a_wave(void **state)
{
  (void)state;
  enum { ROWS = 21 };
  const double at = 812.3, lean = 0.021, cycles[SP_PIXEL_WAVES] = {1.0, 0.5, 2.0};
  for (int wave = 0; wave < SP_PIXEL_WAVES; wave++) {
    double sum = 0.0, square = 0.0;
    for (int i = -(ROWS / 2); i <= ROWS / 2; i++) {
      const double turn = 2.0 * SP_PI * cycles[wave] * (at + lean * i);
      sum += i * sin(turn);
      square += i * i;
    }
    const double half = 0.5 * ROWS;
    sp_lean l = {.length_px = ROWS};
    sp_lean_waves(&l, (sp_point){at - half * lean, 90.0 - half}, (sp_point){at + half * lean, 90.0 + half},
                  (sp_point){at + 1.0, 90.0});
    CHECK_CLOSE(l.wave[wave], sum / square, 1e-9);
    /* the picture on its side, half as large and the other way along the rule */
    sp_lean_waves(&l, (sp_point){90.0 + half, at + half * lean}, (sp_point){90.0 - half, at - half * lean},
                  (sp_point){90.0, at - 0.5});
    CHECK_CLOSE(fabs(l.wave[wave]), 2.0 * fabs(sum / square), 1e-9);
  }
}

/* Nothing read, or no place in the picture: no wave. */
static void test_no_length_no_wave(void **state)
{
  (void)state;
  sp_lean l = {.wave = {1.0, 1.0, 1.0}};
  sp_lean_waves(&l, (sp_point){0.0, 0.0}, (sp_point){0.0, 9.0}, (sp_point){1.0, 4.5});
  for (int i = 0; i < SP_PIXEL_WAVES; i++)
    assert_true(l.wave[i] == 0.0);
  l.length_px = 9.0;
  sp_lean_waves(&l, (sp_point){NAN, 0.0}, (sp_point){0.0, 9.0}, (sp_point){1.0, 4.5});
  for (int i = 0; i < SP_PIXEL_WAVES; i++)
    assert_true(l.wave[i] == 0.0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_slope_of_a_wave), cmocka_unit_test(test_no_length_no_wave),
                                     cmocka_unit_test(test_pixels_turn_nothing)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
