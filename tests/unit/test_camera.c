/* The camera: the model against worked numbers, drawing and its reverse, and the fit against cameras that are known. */
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "slotproof/camera.h"

static const sp_camera OVERHEAD = {.f_px = 2900.0,
                                   .cx_px = 1999.5,
                                   .cy_px = 1499.5,
                                   .k1 = -0.05,
                                   .k2 = 0.01,
                                   .p1 = 3e-4,
                                   .p2 = -2e-4,
                                   .rotation_rad = {0.06, -0.08, 2.6},
                                   .translation = {20.0, -15.0, 400.0}};

/* Brown-Conrady, k1 -0.28, k2 0.07, p1 2e-4, p2 -1e-4 at (0.3, -0.2), worked by hand with the formula in the header:
 * r2 = 0.13; 1 + k1 r2 + k2 r4 = 0.964783; x' = 0.2894349 - 2.4e-5 - 3.1e-5. */
static void distortion_by_hand(void **state)
{
  (void)state;
  const sp_camera c = {1.0, 0.0, 0.0, -0.28, 0.07, 2e-4, -1e-4, {0, 0, 0}, {0, 0, 1}};
  const sp_camera_view view = sp_camera_view_of(&c);
  const sp_point p = sp_camera_project(&view, 0.3, -0.2, 0.0);
  CHECK_CLOSE(p.x, 0.28937990, 5e-9);
  CHECK_CLOSE(p.y, -0.19290260, 5e-9);
}

/* Similar triangles: a point h above the plane, x off the axis, seen from D, is drawn where the plane has
 * x + x h / (D - h): (500, 3, 300) 1.8109 mm, (1000, 3, 300) 0.9027, (1500, 6, 300) 1.2048. */
static void height_shifts_by_similar_triangles(void **state)
{
  (void)state;
  static const double CASES[3][4] = {{500, 3, 300, 1.8109}, {1000, 3, 300, 0.9027}, {1500, 6, 300, 1.2048}};
  for (int i = 0; i < 3; i++) {
    const sp_camera c = {2000.0, 0, 0, 0, 0, 0, 0, {0, 0, 0}, {0, 0, CASES[i][0]}};
    const sp_camera_view view = sp_camera_view_of(&c);
    /* the camera looks along +Z: nearer is negative */
    const sp_point p = sp_camera_project(&view, CASES[i][2], 0.0, -CASES[i][1]);
    const sp_point on_plane = sp_camera_unproject(&view, p, 0.0);
    CHECK_CLOSE(on_plane.x - CASES[i][2], CASES[i][3], 5e-5);
  }
}

static void there_and_back(void **state)
{
  (void)state;
  const sp_camera_view view = sp_camera_view_of(&OVERHEAD);
  for (double x = -200.0; x <= 200.0; x += 40.0)
    for (double y = -120.0; y <= 120.0; y += 40.0) {
      const sp_point p = sp_camera_project(&view, x, y, 2.0), back = sp_camera_unproject(&view, p, 2.0);
      CHECK_CLOSE(back.x, x, 1e-9);
      CHECK_CLOSE(back.y, y, 1e-9);
    }
}

static void nowhere_is_nan(void **state)
{
  (void)state;
  const sp_camera_view view = sp_camera_view_of(&OVERHEAD);
  assert_true(isnan(sp_camera_project(&view, 0.0, 0.0, -500.0).x)); /* behind */
  sp_camera folding = OVERHEAD;
  folding.k1 = -0.5;
  folding.k2 = 0.0;
  const sp_camera_view bad = sp_camera_view_of(&folding);
  assert_true(isnan(sp_camera_unproject(&bad, (sp_point){9000.0, 9000.0}, 0.0).x));
}

static void distance_and_foot(void **state)
{
  (void)state;
  const sp_camera_view view = sp_camera_view_of(&OVERHEAD);
  sp_point foot;
  const double distance = sp_camera_distance(&view, &foot);
  /* seen from the camera, whatever stands on the foot lies in one line with it */
  const sp_point a = sp_camera_project(&view, foot.x, foot.y, 0.0), b = sp_camera_project(&view, foot.x, foot.y, 30.0);
  CHECK_CLOSE(a.x, b.x, 1e-6);
  CHECK_CLOSE(a.y, b.y, 1e-6);
  assert_true(distance > 390.0 && distance < 410.0);
}

/* ---- the fit ---- */

enum { STROKES = 400, EDGES = 40, SIGHTINGS = 2 * STROKES + EDGES };

static double normal(uint64_t *seed)
{
  double sum = -6.0;
  for (int i = 0; i < 12; i++) {
    *seed = *seed * 6364136223846793005u + 1442695040888963407u;
    sum += (double)(*seed >> 11) / 9007199254740992.0;
  }
  return sum;
}

/* A rule along X: each graduation seen at two heights, its edge at Y = 0. */
static void sight_rule(const sp_camera *camera, uint64_t seed, double sd_px, sp_camera_sighting *s)
{
  const sp_camera_view view = sp_camera_view_of(camera);
  for (int k = 0; k < STROKES; k++)
    for (int side = 0; side < 2; side++) {
      const sp_point p = sp_camera_project(&view, k - STROKES / 2, side ? 3.0 : 0.5, 0.0);
      s[2 * k + side] = (sp_camera_sighting){
          {p.x + sd_px * normal(&seed), p.y + sd_px * normal(&seed)}, false, k - STROKES / 2, sd_px, 0.0, 0};
    }
  for (int k = 0; k < EDGES; k++) {
    const sp_point p = sp_camera_project(&view, (k - EDGES / 2) * 10.0, 0.0, 0.0);
    s[2 * STROKES + k] =
        (sp_camera_sighting){{p.x + sd_px * normal(&seed), p.y + sd_px * normal(&seed)}, true, 0.0, 10.0 * sd_px, 0.0, 0};
  }
}

static sp_camera start_near(const sp_camera *c)
{
  sp_camera start = {.f_px = 1.1 * c->f_px, .cx_px = 1999.5, .cy_px = 1499.5};
  start.rotation_rad[2] = c->rotation_rad[2];
  memcpy(start.translation, c->translation, sizeof start.translation);
  start.translation[2] *= 1.1;
  return start;
}

static const sp_camera_prior PRIOR = {.u_log_f = 0.25, .u_centre_px = 30.0, .u_k1 = 0.08, .u_k2 = 0.02};

/* Where a board's centre line would be read, 45 units beside the rule, off by how much along it? */
static void fit_finds_the_plane(void **state)
{
  (void)state;
  sp_camera_sighting *s = calloc(SIGHTINGS, sizeof *s);
  assert_non_null(s);
  double worst_near = 0.0;
  for (uint64_t seed = 1; seed <= 6; seed++) {
    sp_camera truth = OVERHEAD;
    truth.p1 = truth.p2 = 0.0;
    truth.k1 = 0.02 * (double)seed - 0.07;
    truth.rotation_rad[0] = 0.015 * (double)seed;
    sight_rule(&truth, seed, 0.03, s);
    sp_camera fitted = start_near(&truth);
    sp_camera_fit_result result;
    sp_error err = {0};
    assert_int_equal(sp_camera_fit(s, SIGHTINGS, &PRIOR, &fitted, NULL, &result, &err), SP_OK);
    assert_true(result.used > SIGHTINGS * 9 / 10);
    CHECK_CLOSE(result.sigma0, 1.0, 0.15);
    const sp_camera_view a = sp_camera_view_of(&truth), b = sp_camera_view_of(&fitted);
    for (double x = -190.0; x <= 190.0; x += 20.0) {
      const sp_point on = sp_camera_unproject(&b, sp_camera_project(&a, x, 0.0, 0.0), 0.0);
      worst_near = fmax(worst_near, fabs(on.x - x));
    }
  }
  /* along the rule itself: 0.03 px of some 7 px a unit, many strokes together */
  CHECK_BELOW(worst_near, 0.004);
  free(s);
}

static void damaged_strokes_are_left_out(void **state)
{
  (void)state;
  sp_camera_sighting *s = calloc(SIGHTINGS, sizeof *s);
  double *weight = calloc(SIGHTINGS, sizeof *weight);
  assert_true(s && weight);
  sp_camera truth = OVERHEAD;
  truth.p1 = truth.p2 = 0.0;
  sight_rule(&truth, 9, 0.03, s);
  for (int k = 100; k < 130; k++)
    s[k].at_px.x += 2.0, s[k].at_px.y += 2.0;
  sp_camera fitted = start_near(&truth);
  sp_camera_fit_result result;
  sp_error err = {0};
  assert_int_equal(sp_camera_fit(s, SIGHTINGS, &PRIOR, &fitted, weight, &result, &err), SP_OK);
  for (int k = 100; k < 130; k++)
    CHECK_BELOW(weight[k], 0.5);
  CHECK_CLOSE(fitted.k1, truth.k1, 0.01);
  free(s);
  free(weight);
}

/* Two strips of 200 x 15 units, one of them somewhere else on the plane, both printed 0.6 % too wide: taken for one
 * another's continuation, or for perspective, that would cost a tilt of some degrees. */
enum { GRID_X = 41, GRID_Y = 2, STRIP = GRID_X * GRID_Y * 2 };

static void sight_strip(const sp_camera *camera, const sp_camera_body *lies, double stretch, int32_t body,
                        uint64_t *seed, sp_camera_sighting *s)
{
  const sp_camera_view view = sp_camera_view_of(camera);
  const double c = cos(lies->turn_rad), e = sin(lies->turn_rad), sd = 0.03;
  for (int k = 0; k < GRID_X * GRID_Y; k++) {
    const double x = (k % GRID_X - GRID_X / 2) * 5.0, nominal = 15.0 * (double)(k / GRID_X), y = stretch * nominal;
    const sp_point p = sp_camera_project(&view, lies->x + c * x - e * y, lies->y + e * x + c * y, 0.0);
    const sp_point at = {p.x + sd * normal(seed), p.y + sd * normal(seed)};
    s[2 * k] = (sp_camera_sighting){at, false, x, sd, 0.0, body};
    s[2 * k + 1] = (sp_camera_sighting){at, true, nominal, sd, nominal, body};
  }
}

static void bodies_and_stretch(void **state)
{
  (void)state;
  sp_camera_sighting *s = calloc(2 * STRIP, sizeof *s);
  assert_non_null(s);
  sp_camera truth = OVERHEAD;
  truth.p1 = truth.p2 = 0.0;
  const sp_camera_body lies[2] = {{0, 0, 0}, {30.0, 80.0, 3.1}};
  uint64_t seed = 5;
  for (int32_t i = 0; i < 2; i++)
    sight_strip(&truth, &lies[i], 1.006, i, &seed, s + i * STRIP);
  /* the ten points at one end of the second hide under something: they show another's graduations */
  for (int k = 0; k < 5; k++)
    s[STRIP + 2 * k].at_px.x += 3.0;
  sp_camera fitted = start_near(&truth);
  sp_camera_body body = {28.0, 82.0, 3.08};
  sp_camera_prior prior = PRIOR;
  sp_camera_fit_result result;
  sp_error err = {0};
  prior.u_stretch = 0.01;
  assert_int_equal(sp_camera_fit_bodies(s, 2 * STRIP, &prior, &fitted, &body, 1, NULL, &result, &err), SP_OK);
  CHECK_CLOSE(result.stretch, 0.006, 1e-3);
  CHECK_CLOSE(body.x, lies[1].x, 0.1);
  CHECK_CLOSE(body.y, lies[1].y, 0.1);
  CHECK_CLOSE(body.turn_rad, lies[1].turn_rad, 5e-4);
  const sp_camera_view a = sp_camera_view_of(&truth), b = sp_camera_view_of(&fitted);
  for (double x = -100.0; x <= 100.0; x += 20.0) {
    const sp_point on = sp_camera_unproject(&b, sp_camera_project(&a, x, 40.0, 0.0), 0.0);
    CHECK_CLOSE(on.x, x, 0.01); /* units of some 7 px, midway between the strips */
  }
  free(s);
}

/* What was known beforehand counts once, however often the same sightings are fitted anew from where the last fit ended:
 * a least-squares problem has one solution, wherever the search for it begins. */
static void prior_counts_once(void **state)
{
  (void)state;
  sp_camera_sighting *s = calloc(SIGHTINGS, sizeof *s);
  assert_non_null(s);
  sp_camera truth = OVERHEAD;
  truth.p1 = truth.p2 = 0.0;
  sight_rule(&truth, 3, 0.3, s); /* so coarse that the focal length stays open */
  const sp_camera about = start_near(&truth);
  sp_camera_prior prior = PRIOR;
  prior.mean = &about;
  sp_camera once = about, anew;
  sp_camera_fit_result result;
  sp_error err = {0};
  assert_int_equal(sp_camera_fit(s, SIGHTINGS, &prior, &once, NULL, &result, &err), SP_OK);
  anew = once;
  assert_int_equal(sp_camera_fit(s, SIGHTINGS, &prior, &anew, NULL, &result, &err), SP_OK);
  const double moved = fabs(log(anew.f_px / once.f_px));
  CHECK_BELOW(moved, 1e-3);
  prior.mean = NULL; /* about the last result, it would be pulled on */
  assert_int_equal(sp_camera_fit(s, SIGHTINGS, &prior, &once, NULL, &result, &err), SP_OK);
  assert_true(fabs(log(anew.f_px / once.f_px)) > 3.0 * moved);
  free(s);
}

static void too_little_is_refused(void **state)
{
  (void)state;
  sp_camera_sighting s[8] = {0};
  sp_camera c = OVERHEAD;
  sp_camera_fit_result result;
  sp_error err = {0};
  assert_int_equal(sp_camera_fit(s, 8, &PRIOR, &c, NULL, &result, &err), SP_E_DATA);
  assert_true(err.text[0] != '\0');
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(distortion_by_hand),
      cmocka_unit_test(height_shifts_by_similar_triangles),
      cmocka_unit_test(there_and_back),
      cmocka_unit_test(nowhere_is_nan),
      cmocka_unit_test(distance_and_foot),
      cmocka_unit_test(fit_finds_the_plane),
      cmocka_unit_test(damaged_strokes_are_left_out),
      cmocka_unit_test(bodies_and_stretch),
      cmocka_unit_test(prior_counts_once),
      cmocka_unit_test(too_little_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
