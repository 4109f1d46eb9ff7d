/* The same wood in two pictures: drawn here from dashes (pores) and streaks (grain) whose grey is known at any place,
 * so that two pictures of it differ by an exact shift. */
#include <stdlib.h>
#include <string.h>

#include "check_close.h"

#include "slotproof/grain.h"

static const double MM_PER_PX = 25.4 / 600.0;
enum { WIDTH = 1100, HEIGHT = 700, MOST_PORES = 4000 };

static uint64_t seed = 1;

static double uniform(void)
{
  seed = seed * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
  return (double)(seed >> 11) * 0x1p-53;
}

static double normal(void)
{
  return sqrt(-2.0 * log(1.0 - uniform())) * cos(6.283185307179586 * uniform());
}

/* Pores: dark dashes, Gaussian both ways. Streaks: a sum of sines of y alone. Curl: bands across, 7.5 mm apart. */
typedef struct wood {
  double curl; /* grey */
  size_t pores;
  double x[MOST_PORES], y[MOST_PORES], along[MOST_PORES], depth[MOST_PORES];
  double wave[12], phase[12], size;
} wood;

static void grow(wood *w, size_t pores, double streaks)
{
  w->pores = pores;
  w->curl = 0.0;
  w->size = streaks;
  for (size_t i = 0; i < pores; i++) {
    w->x[i] = 120.0 * uniform() - 10.0;
    w->y[i] = 40.0 * (uniform() - 0.5);
    w->along[i] = 0.2 + 0.6 * uniform();
    w->depth[i] = 20.0 + 30.0 * uniform();
  }
  for (int i = 0; i < 12; i++) {
    w->wave[i] = 2.0 + 20.0 * uniform();
    w->phase[i] = 6.28 * uniform();
  }
}

/* The picture whose pixel (0, middle row) lies at x0, y0 on the wood; half a turn if `turned`. */
static sp_raster photograph(const wood *w, double x0_mm, double y0_mm, bool turned, double noise)
{
  sp_raster r;
  double *grey = malloc((size_t)WIDTH * HEIGHT * sizeof *grey);
  assert_non_null(grey);
  assert_int_equal(sp_raster_create(WIDTH, HEIGHT, 8, &r, NULL), SP_OK);
  for (int j = 0; j < HEIGHT; j++) {
    const double y = y0_mm + (j - HEIGHT / 2) * MM_PER_PX;
    double streak = 150.0;
    for (int k = 0; k < 12; k++)
      streak += w->size * sin(w->wave[k] * y + w->phase[k]);
    for (int i = 0; i < WIDTH; i++)
      grey[j * WIDTH + i] =
          streak + noise * normal() + w->curl * sin(6.283185307179586 * (x0_mm + i * MM_PER_PX) / 7.5 + sin(0.4 * y));
  }
  for (size_t p = 0; p < w->pores; p++) {
    const double u = (w->x[p] - x0_mm) / MM_PER_PX, v = (w->y[p] - y0_mm) / MM_PER_PX + HEIGHT / 2;
    const double su = w->along[p] / MM_PER_PX, sv = 0.055 / MM_PER_PX;
    for (int j = (int)fmax(0.0, v - 4.0 * sv); j <= (int)fmin(HEIGHT - 1.0, v + 4.0 * sv); j++)
      for (int i = (int)fmax(0.0, u - 4.0 * su); i <= (int)fmin(WIDTH - 1.0, u + 4.0 * su); i++)
        grey[j * WIDTH + i] -= w->depth[p] * exp(-0.5 * (pow((i - u) / su, 2) + pow((j - v) / sv, 2)));
  }
  const size_t n = (size_t)WIDTH * HEIGHT;
  for (size_t i = 0; i < n; i++)
    r.u8[turned ? n - 1 - i : i] = (uint8_t)fmin(fmax(round(grey[i]), 0.0), 255.0);
  free(grey);
  return r;
}

/* Its face: the whole picture but a rim; the board's x axis runs along the row HEIGHT / 2. */
static sp_face face_of(const sp_raster *r)
{
  sp_scale_map map;
  sp_face face;
  assert_int_equal(sp_scale_map_constant(SP_ALONG_X, MM_PER_PX, 0.0, WIDTH, &map, NULL), SP_OK);
  const sp_board_frame frame = sp_board_frame_of(&map, HEIGHT / 2, 0.0, MM_PER_PX);
  assert_int_equal(sp_face_draw(r, &frame, 0.5, WIDTH * MM_PER_PX - 0.5, -14.0, 14.0, NULL, 0, &face, NULL), SP_OK);
  sp_scale_map_free(&map);
  return face;
}

static sp_face shot(const wood *w, double x0_mm, double y0_mm, bool turned, double noise)
{
  sp_raster r = photograph(w, x0_mm, y0_mm, turned, noise);
  const sp_face face = face_of(&r);
  sp_raster_free(&r);
  return face;
}

/* Mean of the slabs by their weights. */
static double shift_of(const sp_grain_fit *fit, double *u)
{
  double sum = 0.0, weight = 0.0;
  for (size_t i = 0; i < fit->count; i++) {
    const double w = 1.0 / (fit->slab[i].u_shift_mm * fit->slab[i].u_shift_mm);
    sum += w * fit->slab[i].shift_mm;
    weight += w;
  }
  *u = 1.0 / sqrt(weight);
  return sum / weight;
}

static wood the_wood;

static void wood_is_found_below_a_pixel(void **state)
{
  (void)state;
  double z2 = 0.0;
  const int rounds = 8;
  seed = 3;
  grow(&the_wood, 1500, 4.0);
  sp_face first = shot(&the_wood, 0.0, 0.0, false, 2.0);
  for (int i = 0; i < rounds; i++) {
    const double shift = 20.0 + 1.7 * i + 0.37 * MM_PER_PX * i, aside = 0.11 * sin(1.0 + i);
    sp_face second = shot(&the_wood, shift, aside, false, 2.0);
    sp_grain_place place[SP_GRAIN_PLACES];
    sp_grain_fit fit;
    size_t count;
    double u;
    assert_int_equal(sp_grain_search(&first, &second, 12.0, NULL, 0, place, &count, NULL), SP_OK);
    assert_true(count > 1 && place[0].z > 8.0 && !place[0].turned);
    assert_true(place[1].z < 6.0);
    CHECK_CLOSE(place[0].z / place[0].expected, 1.0, 0.5);
    CHECK_CLOSE(place[0].shift_mm, shift, 0.2);
    assert_int_equal(sp_grain_fit_place(&first, &second, place[0].shift_mm, place[0].aside_mm, &fit, NULL), SP_OK);
    assert_true(fit.count >= 1 && fit.agreeing * 4 >= fit.found * 3);
    const double off = shift_of(&fit, &u) - shift;
    CHECK_BELOW(u, 0.006);
    CHECK_BELOW(fabs(off), 4.0 * u);
    CHECK_CLOSE(fit.slab[0].aside_mm, aside, 0.002);
    z2 += off * off / (u * u) / rounds;
    sp_face_free(&second);
  }
  CHECK_BELOW(z2, 2.5); /* chi-square of 8 over 8: above 2.5 once in 100 */
  assert_true(z2 > 0.1);
  sp_face_free(&first);
}

/* Curl is broad: what is taken off of it beside the end of the one picture is not what is taken off in the other, which
 * goes on there. */
static void curl_is_no_shift(void **state)
{
  (void)state;
  const int rounds = 4;
  seed = 4;
  grow(&the_wood, 700, 4.0);
  the_wood.curl = 15.0;
  sp_face first = shot(&the_wood, 0.0, 0.0, false, 2.0);
  for (int i = 0; i < rounds; i++) {
    const double shift = 21.0 + 1.9 * i + 0.37 * MM_PER_PX * i;
    sp_face second = shot(&the_wood, shift, 0.0, false, 2.0);
    sp_grain_fit fit;
    double u;
    assert_int_equal(sp_grain_fit_place(&first, &second, shift + 0.1, 0.04, &fit, NULL), SP_OK);
    assert_true(fit.count >= 1 && fit.agreeing * 4 >= fit.found * 3);
    const double off = shift_of(&fit, &u) - shift;
    CHECK_BELOW(fabs(off), fmin(4.0 * u, 0.005));
    CHECK_BELOW(fit.scatter, 2.0);
    sp_face_free(&second);
  }
  sp_face_free(&first);
}

static void half_a_turn_is_found(void **state)
{
  (void)state;
  seed = 5;
  grow(&the_wood, 1500, 4.0);
  sp_face first = shot(&the_wood, 0.0, 0.0, false, 2.0), second = shot(&the_wood, 22.0, 0.0, true, 2.0);
  sp_grain_place place[SP_GRAIN_PLACES];
  sp_grain_fit fit;
  size_t count;
  double u;
  assert_int_equal(sp_grain_search(&first, &second, 12.0, NULL, 0, place, &count, NULL), SP_OK);
  assert_true(count && place[0].z > 8.0 && place[0].turned);
  /* the last pixel of the turned picture is the first of the wood's */
  const double shift = 22.0 + (WIDTH - 1) * MM_PER_PX;
  CHECK_CLOSE(place[0].shift_mm, shift, 0.2);
  sp_face_turn(&second);
  assert_int_equal(sp_grain_fit_place(&first, &second, place[0].shift_mm, place[0].aside_mm, &fit, NULL), SP_OK);
  const double found = shift_of(&fit, &u);
  CHECK_CLOSE(found, shift, 4.0 * u);
  CHECK_BELOW(u, 0.006);
  sp_face_free(&first);
  sp_face_free(&second);
}

static void other_wood_is_nowhere(void **state)
{
  (void)state;
  seed = 7;
  grow(&the_wood, 1500, 4.0);
  sp_face first = shot(&the_wood, 0.0, 0.0, false, 2.0);
  grow(&the_wood, 1500, 4.0);
  sp_face second = shot(&the_wood, 20.0, 0.0, false, 2.0);
  sp_grain_place place[SP_GRAIN_PLACES], asked = {.shift_mm = 20.0};
  sp_grain_fit fit;
  size_t count;
  assert_int_equal(sp_grain_search(&first, &second, 12.0, &asked, 1, place, &count, NULL), SP_OK);
  assert_true(!count || place[0].z < 5.5);
  assert_true(asked.expected > 8.0 && asked.z < 0.4 * asked.expected); /* it should agree there, and does not */
  assert_int_equal(sp_grain_fit_place(&first, &second, 20.0, 0.0, &fit, NULL), SP_OK);
  assert_true(fit.agreeing <= 2);
  sp_face_free(&first);
  sp_face_free(&second);
}

/* Streaks that run on and on tell nothing of the place along them, and must not seem to. Across they tell all. */
static void streaks_alone_claim_nothing(void **state)
{
  (void)state;
  seed = 9;
  grow(&the_wood, 0, 5.0);
  sp_face first = shot(&the_wood, 0.0, 0.0, false, 2.0), second = shot(&the_wood, 20.0, 0.05, false, 2.0);
  sp_grain_place place[SP_GRAIN_PLACES];
  sp_grain_fit fit;
  size_t count;
  assert_int_equal(sp_grain_search(&first, &second, 12.0, NULL, 0, place, &count, NULL), SP_OK);
  assert_true(!count || place[0].z < 5.5);
  assert_int_equal(sp_grain_fit_place(&first, &second, 20.0, 0.0, &fit, NULL), SP_OK);
  for (size_t i = 0; i < fit.count; i++)
    assert_true(fit.slab[i].u_shift_mm > 0.02);
  sp_face_free(&first);
  sp_face_free(&second);
}

/* Frames: the picture may lie any way, and comes back to the same place. */
static void frames_turn_both_ways(void **state)
{
  (void)state;
  sp_scale_map map;
  assert_int_equal(sp_scale_map_constant(SP_ALONG_Y, MM_PER_PX, 0.0, HEIGHT, &map, NULL), SP_OK);
  const sp_board_frame frame = sp_board_frame_of(&map, 300.0, 0.02, MM_PER_PX);
  /* looking down the picture, the right hand is at smaller columns */
  const sp_point left = sp_board_frame_mm(&frame, 100.0, 400.0), on = sp_board_frame_mm(&frame, 100.0, 302.0);
  assert_true(left.y < 0.0);
  CHECK_CLOSE(on.y, 0.0, 1e-9);
  CHECK_CLOSE(on.x, 100.0 * MM_PER_PX * sqrt(1.0 + 0.02 * 0.02), 1e-9); /* along the centre line */
  CHECK_CLOSE(hypot(left.x - on.x, left.y - on.y), 98.0 * MM_PER_PX, 1e-9);
  CHECK_CLOSE(sp_scale_map_place_px(&map, sp_scale_map_along_mm(&map, 123.4)), 123.4, 1e-9);
  sp_scale_map_free(&map);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(wood_is_found_below_a_pixel), cmocka_unit_test(curl_is_no_shift),
      cmocka_unit_test(half_a_turn_is_found),        cmocka_unit_test(other_wood_is_nowhere),
      cmocka_unit_test(streaks_alone_claim_nothing), cmocka_unit_test(frames_turn_both_ways),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
