/* Calibration of cameras against published results, and the truth of its uncertainties.
 *
 * Published: OpenCV's sample photographs left01.jpg to left14.jpg of a chessboard of 9 x 6 corners with squares of
 * 25 mm, and what OpenCV's own calibration sample makes of them, left_intrinsics.yml, both in OpenCV's samples/data
 * (Debian package opencv-doc). Where the package is not installed that test is skipped, and says so. */
#include <string.h>
#include <unistd.h>

#include "../unit/check_close.h"
#include "slotproof/bridge.h"
#include "slotproof/calibrate.h"
#include "slotproof/camera.h"

#define SAMPLES "/usr/share/doc/opencv-doc/examples/data/"

/* left_intrinsics.yml: camera_matrix, distortion_coefficients (k1, k2, p1, p2, k3), avg_reprojection_error; the board's
 * distances are the lengths of the translations in extrinsic_parameters: 0.2869 m (third picture) to 0.4937 m. */
static const double F = 535.91573396163199, CX = 342.28315473308373, CY = 235.57082909788173;
static const double K1 = -0.26637260909660682, K2 = -0.038588898922304653, P1 = 0.0017831947042852964,
                    P2 = -0.00028122100441115472, K3 = 0.23839153080878486, RMS_PX = 0.39259098975581364;

static void test_published_photographs(void **state)
{
  static const char *const PATHS[] = {
      SAMPLES "left01.jpg", SAMPLES "left02.jpg", SAMPLES "left03.jpg", SAMPLES "left04.jpg", SAMPLES "left05.jpg",
      SAMPLES "left06.jpg", SAMPLES "left07.jpg", SAMPLES "left08.jpg", SAMPLES "left09.jpg", SAMPLES "left11.jpg",
      SAMPLES "left12.jpg", SAMPLES "left13.jpg", SAMPLES "left14.jpg"};
  enum { COUNT = sizeof PATHS / sizeof *PATHS };
  sp_calibrate_options options;
  sp_calibration c;
  sp_error err = {0};
  size_t at;
  (void)state;
  if (access(PATHS[0], R_OK) != 0) {
    print_message("skipped: the photographs of the package opencv-doc are not installed\n");
    skip();
  }
  sp_calibrate_options_init(&options);
  options.square_mm = 25.0;
  assert_int_equal(sp_calibrate_camera(PATHS, COUNT, &options, &c, &at, &err), SP_OK);
  assert_int_equal(c.used, COUNT);
  assert_int_equal(c.profile.width_px, 640);
  assert_int_equal(c.profile.height_px, 480);
  const sp_lens *l = &c.profile.camera.lens, *u = &c.profile.camera.u;
  /* the published fit states no uncertainty; its corners scatter RMS_PX / ours as much, so its uncertainty does too */
  const double both = sqrt(1.0 + pow(RMS_PX / c.profile.camera.rms_px, 2.0));
  CHECK_BELOW(c.profile.camera.rms_px, RMS_PX);
  CHECK_CLOSE(l->f_px, F, 3.0 * both * u->f_px);
  CHECK_CLOSE(l->cx_px, CX, 3.0 * both * u->cx_px);
  CHECK_CLOSE(l->cy_px, CY, 3.0 * both * u->cy_px);
  CHECK_CLOSE(l->p1, P1, 3.0 * both * u->p1);
  CHECK_CLOSE(l->p2, P2, 3.0 * both * u->p2);
  /* k1, k2 and their k3 only mean something together: where a ray at r is drawn, px, once the focal length is the same
   */
  for (double r = 0.05; r <= 0.55; r += 0.05) { /* 295 px: as far as most corners lie */
    const double q = r * r, theirs = F * r * (1.0 + K1 * q + K2 * q * q + K3 * q * q * q);
    const double ours = F * r * (1.0 + l->k1 * q + l->k2 * q * q);
    CHECK_CLOSE(ours, theirs, 1.0);
  }
  CHECK_CLOSE(c.profile.camera.near_mm, 286.9, 20.0);
  sp_calibration_free(&c);
}

/* Deviates from a fixed sequence: the sum of twelve even ones less six. */
static double normal(uint64_t *state)
{
  double sum = -6.0;
  for (int i = 0; i < 12; i++) {
    *state = *state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    sum += (double)(*state >> 11) / 9007199254740992.0;
  }
  return sum;
}

enum { VIEWS = 8, COLUMNS = 9, ROWS = 6, EACH = COLUMNS * ROWS, TRIALS = 40, TERMS = 7 };
static const double NOISE_PX = 0.1;
static const sp_camera TRUE_CAMERA = {
    .f_px = 3000.0, .cx_px = 2010.0, .cy_px = 1490.0, .k1 = 0.08, .k2 = -0.12, .p1 = 0.0008, .p2 = -0.0005};

/* Corners of boards tilted to all sides, drawn by camera.h's model, each displaced by the noise. */
static void draw_views(uint64_t *random, sp_point corners[VIEWS * EACH])
{
  for (int v = 0; v < VIEWS; v++) {
    sp_camera c = TRUE_CAMERA;
    const double a = 2.0 * 3.14159265358979 * v / VIEWS;
    c.rotation_rad[0] = 0.5 * cos(a);
    c.rotation_rad[1] = 0.5 * sin(a);
    c.translation[0] = 1.5 * sin(2.0 * a);
    c.translation[1] = 1.2 * cos(3.0 * a);
    c.translation[2] = 10.0 + 0.4 * v;
    const sp_camera_view view = sp_camera_view_of(&c);
    for (int i = 0; i < EACH; i++) {
      const sp_point p = sp_camera_project(&view, i % COLUMNS - 4.0, i / COLUMNS - 2.5, 0.0);
      corners[v * EACH + i] = (sp_point){p.x + NOISE_PX * normal(random), p.y + NOISE_PX * normal(random)};
    }
  }
}

/* The true values must lie within the stated uncertainties as often as those say. Over 40 trials the rms of
 * (error / u) is 1 with a standard deviation of 1/sqrt(80) = 0.11. */
static void test_uncertainties_hold(void **state)
{
  static sp_point corners[VIEWS * EACH];
  uint64_t random = 20261126;
  double square[TERMS] = {0}, rms = 0.0;
  (void)state;
  for (int t = 0; t < TRIALS; t++) {
    sp_lens_fit f;
    sp_error err = {0};
    double each[VIEWS], distance[VIEWS], tilt[VIEWS];
    draw_views(&random, corners);
    assert_int_equal(sp_lens_calibrate(corners, VIEWS, (sp_chessboard){COLUMNS, ROWS}, 4000, 3000, false, &f, each,
                                       distance, tilt, &err),
                     SP_OK);
    const sp_camera *c = &TRUE_CAMERA;
    const double off[TERMS] = {(f.f_px - c->f_px) / f.u_f_px,    (f.cx_px - c->cx_px) / f.u_cx_px,
                               (f.cy_px - c->cy_px) / f.u_cy_px, (f.k1 - c->k1) / f.u_k1,
                               (f.k2 - c->k2) / f.u_k2,          (f.p1 - c->p1) / f.u_p1,
                               (f.p2 - c->p2) / f.u_p2};
    for (int i = 0; i < TERMS; i++)
      square[i] += off[i] * off[i] / TRIALS;
    rms += f.rms_px / TRIALS;
    CHECK_CLOSE(tilt[0], 0.5, 0.01); /* rad, as drawn */
    CHECK_CLOSE(distance[0], sqrt(10.0 * 10.0 + 1.2 * 1.2), 0.05);
  }
  for (int i = 0; i < TERMS; i++)
    CHECK_CLOSE(sqrt(square[i]), 1.0, 0.33);
  /* of distances: both coordinates, less what the fit has taken: 7 + 6 VIEWS of 2 VIEWS EACH */
  const double expected = NOISE_PX * sqrt(2.0 * (1.0 - (7.0 + 6.0 * VIEWS) / (2.0 * VIEWS * EACH)));
  CHECK_CLOSE(rms, expected, 0.02 * expected);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_published_photographs),
      cmocka_unit_test(test_uncertainties_hold),
  };
  return cmocka_run_group_tests_name("calibration", tests, NULL, NULL);
}
