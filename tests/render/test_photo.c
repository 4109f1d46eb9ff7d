/* test_photo.c: photographs against their own truth.
 *
 * The camera is compared with the published formula (and in crosscheck_camera with OpenCV's), pixels with brute-force
 * sampling of the plane they see, whole lines with plain centroids along a column or a row. */
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>
#include <gsl/gsl_cdf.h>
#include <libexif/exif-data.h>

#include "../unit/check_close.h"
#include "drawn_picture.h"
#include "render.h"
#include "scene.h"

static const double pi = 3.14159265358979324;

/* A small even board on an even bench without noise at 16 bits, seen obliquely through a strong lens: about 10 px a
 * mm, as a phone shows it. */
static render_params even_photo(void)
{
  render_params params = even_wood();
  params.photo = 1;
  params.photo_width_px = 700;
  params.photo_height_px = 560;
  params.photo_texture = params.photo_cast = params.photo_falloff = 0.0;
  params.photo_tilt_x_deg = 5.5;
  params.photo_tilt_y_deg = -4.5;
  params.photo_centre_x_px = 14.0;
  params.photo_centre_y_px = -9.0;
  params.photo_k1 = -0.06;
  params.photo_k2 = 0.01;
  params.photo_p1 = 0.0005;
  params.photo_fill = 0.85;
  return params;
}

static double grey_at(const render_image *image, long x, long y)
{
  assert_true(x >= 0 && y >= 0 && x < image->width_px && y < image->height_px);
  size_t index = ((size_t)y * (size_t)image->width_px + (size_t)x) * (size_t)image->channels;
  return (double)image->sample[index] / (double)image->full_scale;
}

/* ---- the camera ---- */

/* The formulas of the chapter "Camera Calibration and 3D Reconstruction" of OpenCV's documentation, for a camera
 * straight above: x' = X / Z, then the radial and tangential terms, by hand for one place.
 *   x = 0.2, y = -0.1, r^2 = 0.05; radial 1 + 0.04 r^2 - 0.02 r^4 = 1.00195
 *   x" = 0.2 radial + 2 p1 x y + p2 (r^2 + 2 x^2) = 0.20039  - 0.00004 + 0.00026 = 0.20061
 *   y" = -0.1 radial + p1 (r^2 + 2 y^2) + 2 p2 x y = -0.100195 + 0.00007 - 0.00008 = -0.100205 */
static void lens_follows_the_published_formula(void **state)
{
  (void)state;
  render_camera camera = {.on = true,
                          .f_px = 3000.0,
                          .centre_px = {2010.0, 1490.0},
                          .k1 = 0.04,
                          .k2 = -0.02,
                          .p1 = 0.001,
                          .p2 = 0.002,
                          .rotation = {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
                          .position_mm = {30.0, 40.0, -400.0}};
  render_point at = camera_project(&camera, (render_point){30.0 + 0.2 * 390.0, 40.0 - 0.1 * 390.0}, 10.0);
  CHECK_CLOSE(at.x, 2010.0 + 3000.0 * 0.20061, 1e-9);
  CHECK_CLOSE(at.y, 1490.0 - 3000.0 * 0.100205, 1e-9);
}

/* Straight above, no lens: distance d and focal length f make f / d pixels a mm; 26 mm on a diagonal of 43.267 mm. */
static void scale_is_focal_length_over_distance(void **state)
{
  (void)state;
  render_params params = even_photo();
  params.photo_tilt_x_deg = params.photo_tilt_y_deg = params.photo_k1 = params.photo_k2 = params.photo_p1 = 0.0;
  params.photo_distance_mm = 150.0;
  picture *made = render_or_fail(&params);
  double wanted = 26.0 / sqrt(36.0 * 36.0 + 24.0 * 24.0) * sqrt(700.0 * 700.0 + 560.0 * 560.0) / 150.0;
  CHECK_CLOSE(made->truth.camera.px_per_mm_along, wanted, 1e-9);
  CHECK_CLOSE(made->truth.camera.px_per_mm_across, wanted, 1e-9);
  CHECK_CLOSE(made->truth.rule.px_per_mm, wanted, 1e-9);
  free_picture(made);
}

/* A tilt of a about the x axis, camera at distance d: a point v above the aim (toward -Y) on the plane has depth
 * d + v sin a and height v cos a in the picture when the near side is below; signs follow from the camera's place. */
static void tilt_makes_the_far_side_small(void **state)
{
  (void)state;
  render_params params = even_photo();
  params.photo_tilt_y_deg = params.photo_k1 = params.photo_k2 = params.photo_p1 = 0.0;
  params.photo_centre_x_px = params.photo_centre_y_px = 0.0;
  params.photo_tilt_x_deg = 30.0;
  params.photo_distance_mm = 200.0;
  picture *made = render_or_fail(&params);
  const render_camera *camera = &made->truth.camera;
  /* The aim: where the principal ray meets the plane. */
  render_point aim = render_unseen_mm(&made->truth, camera->centre_px, 0.0);
  CHECK_CLOSE(sqrt(pow(aim.y - camera->position_mm[1], 2.0) + pow(camera->position_mm[2], 2.0)), 200.0, 1e-9);
  CHECK_CLOSE(fabs(camera->position_mm[2]), 200.0 * cos(pi / 6.0), 1e-9);
  for (double v = -20.0; v <= 20.0; v += 8.0) {
    render_point seen = render_seen_px(&made->truth, (render_point){aim.x, aim.y + v}, 0.0);
    CHECK_CLOSE(seen.x, camera->centre_px.x, 1e-9);
    CHECK_CLOSE(seen.y - camera->centre_px.y, camera->f_px * v * cos(pi / 6.0) / (200.0 + v * sin(pi / 6.0)), 1e-9);
  }
  free_picture(made);
}

static void there_and_back_is_the_same_place(void **state)
{
  (void)state;
  for (uint64_t seed = 1; seed <= 40; seed++) {
    render_params params;
    scene layout;
    char message[RENDER_MESSAGE] = "";
    render_truth *truth = malloc(sizeof *truth);
    assert_non_null(truth);
    render_params_random(&params, seed, RENDER_PHOTO_FULL);
    assert_true(scene_lay_out(&params, &layout, truth, message));
    for (int i = 0; i < 25; i++) {
      render_point px = {(i % 5) * 0.25 * (truth->width_px - 1.0), (i / 5) * 0.25 * (truth->height_px - 1.0)};
      double height = 3.0 * (i % 3 - 1);
      render_point again = render_seen_px(truth, render_unseen_mm(truth, px, height), height);
      CHECK_CLOSE(again.x, px.x, 1e-9);
      CHECK_CLOSE(again.y, px.y, 1e-9);
      again = render_board_px(truth, render_board_mm(truth, px));
      CHECK_CLOSE(again.x, px.x, 1e-9);
      CHECK_CLOSE(again.y, px.y, 1e-9);
    }
    for (size_t i = 0; i < truth->mark_count; i++) {
      render_point on_board = render_board_mm(truth, truth->mark[i].centre_px);
      CHECK_CLOSE(on_board.x, truth->mark[i].x_mm, 1e-9);
      CHECK_CLOSE(on_board.y, 0.0, 1e-9);
      on_board = render_board_mm(truth, truth->mark[i].end_b_px);
      CHECK_CLOSE(on_board.y, truth->mark[i].to_y_mm, 1e-9);
    }
    free(truth);
  }
}

/* d place / d pixel by central differences. */
static void pixels_know_their_affine_map(void **state)
{
  (void)state;
  render_params params = even_photo();
  picture *made = render_or_fail(&params);
  const render_camera *camera = &made->truth.camera;
  for (int i = 0; i < 9; i++) {
    render_point px = {20.0 + 330.0 * (i % 3), 20.0 + 260.0 * (i / 3)};
    camera_ray ray = {0.0, 0.0};
    camera_view view = camera_look(camera, &ray, px, -2.0);
    for (int axis = 0; axis < 2; axis++) {
      double h = 0.01, sx = axis == 0 ? h : 0.0, sy = axis == 0 ? 0.0 : h;
      render_point a = render_unseen_mm(&made->truth, (render_point){px.x - sx, px.y - sy}, -2.0);
      render_point b = render_unseen_mm(&made->truth, (render_point){px.x + sx, px.y + sy}, -2.0);
      CHECK_CLOSE(view.mm_per_px[0][axis], (b.x - a.x) / (2.0 * h), 1e-8);
      CHECK_CLOSE(view.mm_per_px[1][axis], (b.y - a.y) / (2.0 * h), 1e-8);
    }
  }
  free_picture(made);
}

/* ---- pixels, by brute force ---- */

enum { FINE = 32 }; /* samples a pixel and axis */

/* What a pixel's square and the Gaussian weigh a place d pixels off with. */
static double pixel_weight(double d, double psf_px)
{
  return gsl_cdf_ugaussian_P((d + 0.5) / psf_px) - gsl_cdf_ugaussian_P((d - 0.5) / psf_px);
}

/* The share of a knife line in one pixel, sampled on a grid; a sample's own breadth is smoothed over. */
static double sampled_share(const picture *in, const render_mark *mark, double x, double y)
{
  double psf = in->truth.psf_px, reach = 0.5 + 5.0 * psf, share = 0.0, total = 0.0;
  double c = cos(mark->squareness_deg * pi / 180.0), s = sin(mark->squareness_deg * pi / 180.0);
  double fine_mm = 0.5 / FINE * 2.0 / in->truth.camera.px_per_mm_along;
  long count = lround(reach * FINE);
  for (long j = -count; j <= count; j++) {
    double dy = (double)j / FINE, wy = pixel_weight(dy, psf);
    for (long i = -count; i <= count; i++) {
      double dx = (double)i / FINE, w = wy * pixel_weight(dx, psf);
      render_point at = render_board_mm(&in->truth, (render_point){x + dx, y + dy});
      double across = (at.x - mark->x_mm) * c - at.y * s;
      share += w * fmin(fmax((0.5 * mark->width_mm - fabs(across)) / fine_mm + 0.5, 0.0), 1.0);
      total += w;
    }
  }
  return share / total;
}

/* Eight pixels in a row across the line, at the place where it lies. */
static void pixels_agree_with_brute_force(void **state)
{
  (void)state;
  static const double rolls[3] = {3.0, 38.0, 197.0};
  for (int k = 0; k < 3; k++) {
    render_params params = even_photo();
    params.photo_roll_deg = rolls[k];
    params.psf_px = 0.65;
    params.squareness_sd_deg = 0.5;
    picture *made = render_or_fail(&params);
    const render_mark *mark = &made->truth.mark[1 + k];
    render_point at = render_board_px(&made->truth, (render_point){mark->x_mm, 3.0 - 2.0 * k});
    for (int i = -3; i <= 4; i++) {
      long x = lround(at.x), y = lround(at.y) + i;
      double wanted = params.wood_level * (1.0 + mark->contrast * sampled_share(made, mark, (double)x, (double)y));
      CHECK_CLOSE(grey_at(&made->image, x, y), wanted, 5e-5);
    }
    free_picture(made);
  }
}

/* ---- lines ---- */

/* Is the picture's row the axis across which lines of this direction are best measured? */
static bool runs_down(render_point a, render_point b)
{
  return fabs(b.y - a.y) > fabs(b.x - a.x);
}

/* Centroid of what differs from `base` along a column, or along a row where `down` says that the line runs down. */
static double centroid_px(const picture *in, bool down, long across, double near_px, double base, long reach)
{
  double weight = 0.0, moment = 0.0;
  long middle = lround(near_px);
  for (long i = middle - reach; i <= middle + reach; i++) {
    double grey = down ? grey_at(&in->image, i, across) : grey_at(&in->image, across, i);
    weight += base - grey;
    moment += (base - grey) * (double)(i - middle);
  }
  return (double)middle + moment / weight;
}

/* Where a straight line on a plane crosses one column (or row), by bisection of the way from a to b on the plane. */
static double crossing_px(const picture *in, render_point a_mm, render_point b_mm, double height_mm, bool down,
                          double across)
{
  double low = 0.0, high = 1.0, seen = NAN;
  for (int i = 0; i < 60; i++) {
    double share = 0.5 * (low + high);
    render_point at = {a_mm.x + share * (b_mm.x - a_mm.x), a_mm.y + share * (b_mm.y - a_mm.y)};
    render_point px = render_seen_px(&in->truth, at, height_mm), end = render_seen_px(&in->truth, b_mm, height_mm);
    double along = down ? px.y : px.x, target = down ? end.y : end.x;
    seen = down ? px.x : px.y;
    if ((along < across) == (target > across)) {
      low = share;
    } else {
      high = share;
    }
  }
  return seen;
}

static void check_line(const picture *in, render_point a_px, render_point b_px, double height_mm, double base,
                       double tolerance_px)
{
  render_point a = render_unseen_mm(&in->truth, a_px, height_mm), b = render_unseen_mm(&in->truth, b_px, height_mm);
  bool down = runs_down(a_px, b_px);
  double from = down ? a_px.y : a_px.x, to = down ? b_px.y : b_px.x;
  int checked = 0;
  for (int k = 3; k <= 7; k++) { /* the middle half: no end of the line, no edge of the board */
    long across = lround(from + 0.1 * k * (to - from));
    double truth_px = crossing_px(in, a, b, height_mm, down, (double)across);
    CHECK_CLOSE(centroid_px(in, down, across, truth_px, base, 11), truth_px, tolerance_px);
    checked++;
  }
  assert_int_equal(checked, 5);
}

static void knife_lines_lie_where_truth_says(void **state)
{
  (void)state;
  for (int k = 0; k < 8; k++) {
    render_params params = even_photo();
    params.photo_roll_deg = 47.0 * k;
    params.photo_tilt_x_deg = k % 3 - 1.0 + (k % 2 ? 5.0 : -5.0);
    params.psf_px = 0.6 + 0.05 * k;
    params.squareness_sd_deg = 0.3;
    params.seed = (uint64_t)(k + 1);
    picture *made = render_or_fail(&params);
    for (size_t i = 0; i < made->truth.mark_count; i++) {
      const render_mark *mark = &made->truth.mark[i];
      check_line(made, mark->end_a_px, mark->end_b_px, 0.0, params.wood_level, 0.003);
    }
    free_picture(made);
  }
}

static void slots_lie_where_truth_says(void **state)
{
  (void)state;
  render_params params = even_photo();
  params.marks = RENDER_SLOT;
  params.slot_chips = 0.0;
  params.photo_roll_deg = 72.0;
  picture *made = render_or_fail(&params);
  for (size_t i = 0; i < made->truth.mark_count; i++) {
    const render_mark *mark = &made->truth.mark[i];
    check_line(made, mark->end_a_px, mark->end_b_px, 0.0, params.wood_level, 0.005);
  }
  free_picture(made);
}

/* Strokes from the rule's edge 3.6 mm into the steel, on the rule's own plane. */
static void strokes_lie_where_truth_says(void **state)
{
  (void)state;
  static const double heights[3] = {0.0, -1.5, 2.0};
  for (int k = 0; k < 3; k++) {
    render_params params = even_photo();
    params.rule_height_mm = heights[k];
    params.photo_roll_deg = 100.0 * k + 20.0;
    params.rule_reversed = k == 1;
    params.rule_side = k == 2;
    params.rule_skew_deg = -1.0;
    params.psf_px = 0.6;
    params.graduation_error_um = 5.0;
    params.stroke_width_mm = 0.1;
    picture *made = render_or_fail(&params);
    const render_truth *truth = &made->truth;
    render_point near = render_unseen_mm(truth, truth->rule.corner_px[0], heights[k]);
    render_point far = render_unseen_mm(truth, truth->rule.corner_px[3], heights[k]);
    for (size_t i = 2; i + 2 < truth->rule.stroke_count; i += 7) {
      render_point edge = render_unseen_mm(truth, truth->rule.stroke[i].edge_px, heights[k]);
      double part = 3.6 / params.rule_width_mm;
      render_point end = {edge.x + part * (far.x - near.x), edge.y + part * (far.y - near.y)};
      render_point end_px = render_seen_px(truth, end, heights[k]);
      bool down = runs_down(truth->rule.stroke[i].edge_px, end_px);
      double from = down ? truth->rule.stroke[i].edge_px.y : truth->rule.stroke[i].edge_px.x;
      long across = lround(0.5 * (from + (down ? end_px.y : end_px.x)));
      double truth_px = crossing_px(made, edge, end, heights[k], down, (double)across);
      CHECK_CLOSE(centroid_px(made, down, across, truth_px, params.rule_level, 5), truth_px, 0.01);
    }
    free_picture(made);
  }
}

/* A rule below the board's face is nearer the picture's middle than one flush with it: by f h / d per f / d of its
 * distance, to first order; here straight above, where it is exact. */
static void height_moves_the_rule(void **state)
{
  (void)state;
  render_params params = even_photo();
  params.photo_tilt_x_deg = params.photo_tilt_y_deg = params.photo_k1 = params.photo_k2 = params.photo_p1 = 0.0;
  params.photo_distance_mm = 150.0;
  params.rule_height_mm = -3.0;
  picture *made = render_or_fail(&params);
  CHECK_CLOSE(made->truth.rule.px_per_mm / made->truth.camera.px_per_mm_along, 150.0 / 153.0, 1e-9);
  free_picture(made);
}

/* ---- edges ---- */

/* Area under the step from the side of the board to its face, where the side shows, and from bench to face. */
static void board_edges_lie_where_truth_says(void **state)
{
  (void)state;
  for (int k = 0; k < 2; k++) {
    render_params params = even_photo();
    params.graduation = RENDER_NO_GRADUATION;
    params.photo_tilt_x_deg = 0.0;
    params.photo_tilt_y_deg = k == 0 ? 25.0 : 0.0; /* with the tilt a side shows, without it none does */
    params.photo_thickness_mm = 9.0;
    params.background = 0.2;
    picture *made = render_or_fail(&params);
    const render_point *corner = made->truth.outline_px;
    int shows = 0;
    for (int side = 0; side < 2; side++) {
      render_point a = side == 0 ? corner[0] : corner[3], b = side == 0 ? corner[1] : corner[2];
      render_point a_mm = render_unseen_mm(&made->truth, a, 0.0), b_mm = render_unseen_mm(&made->truth, b, 0.0);
      long row = lround(0.45 * a.y + 0.55 * b.y);
      double edge_px = crossing_px(made, a_mm, b_mm, 0.0, true, (double)row), area = 0.0;
      double outward = edge_px < 0.5 * (corner[0].x + corner[3].x) ? -1.0 : 1.0;
      long middle = lround(edge_px);
      double beside = grey_at(&made->image, middle + (long)(8.0 * outward), row);
      shows += fabs(beside - 0.55 * params.wood_level) < 1e-3;
      for (long x = middle - 8; x <= middle + 8; x++) {
        area += (grey_at(&made->image, x, row) - beside) / (params.wood_level - beside);
      }
      CHECK_CLOSE((double)middle + outward * (area - 8.5), edge_px, 0.003);
    }
    assert_int_equal(shows, k == 0 ? 1 : 0);
    free_picture(made);
  }
}

/* ---- light ---- */

/* Sharpening is symmetric: a line's middle stays, its depth grows. */
static void sharpening_keeps_the_place(void **state)
{
  (void)state;
  render_params params = even_photo();
  params.photo_roll_deg = 12.0;
  picture *plain = render_or_fail(&params);
  params.photo_sharpen = 0.8;
  picture *sharp = render_or_fail(&params);
  const render_mark *mark = &sharp->truth.mark[1];
  check_line(sharp, mark->end_a_px, mark->end_b_px, 0.0, params.wood_level, 0.003);
  long x = lround(mark->centre_px.x), y = lround(mark->centre_px.y);
  CHECK_BELOW(grey_at(&sharp->image, x, y), grey_at(&plain->image, x, y) - 0.005);
  free_picture(plain);
  free_picture(sharp);
}

/* Bench far from everything: shot and read noise as stated, deeper in a shadow. */
static void light_and_noise_have_their_size(void **state)
{
  (void)state;
  render_params params = even_photo();
  params.noise = 0.02;
  params.background = 0.5;
  params.photo_fill = 0.5;
  picture *made = render_or_fail(&params);
  double sum = 0.0, square = 0.0, count = 0.0;
  for (long y = 0; y < 100; y++) {
    for (long x = 0; x < 100; x++) {
      double grey = grey_at(&made->image, x, y);
      sum += grey;
      square += grey * grey;
      count += 1.0;
    }
  }
  double mean = sum / count;
  CHECK_CLOSE(mean, 0.5, 0.001);
  CHECK_CLOSE(sqrt(square / count - mean * mean), 0.02 * sqrt(0.5 + 0.5 * 0.5), 0.0006);
  free_picture(made);
}

/* Everything lit half as bright is exposed to the same picture: a hundredth of it above 0.92. */
static void exposure_brings_the_bright_parts_near_white(void **state)
{
  (void)state;
  for (int k = 0; k < 2; k++) {
    render_params params = even_photo();
    params.photo_exposed = 1;
    params.background = k == 0 ? 0.5 : 0.25;
    params.wood_level = k == 0 ? 0.3 : 0.15;
    params.rule_level = k == 0 ? 0.4 : 0.2;
    picture *made = render_or_fail(&params);
    CHECK_CLOSE(grey_at(&made->image, 2, 2), 0.92, 0.002);
    render_point wood = render_board_px(&made->truth, (render_point){1.0, 0.0});
    CHECK_CLOSE(grey_at(&made->image, lround(wood.x), lround(wood.y)), 0.6 * 0.92, 0.002);
    free_picture(made);
  }
}

static void shadow_lies_across_the_board(void **state)
{
  (void)state;
  for (uint64_t seed = 1; seed <= 3; seed++) {
    render_params params = even_photo();
    params.seed = seed;
    params.photo_penumbra_mm = 4.0;
    picture *light = render_or_fail(&params);
    params.photo_shadows = 1;
    params.photo_shadow = 0.4;
    picture *made = render_or_fail(&params);
    double least = 1.0, most = 0.0;
    for (double x = 1.0; x < 20.0; x += 0.5) {
      render_point px = render_board_px(&made->truth, (render_point){x, 2.0});
      double ratio =
          grey_at(&made->image, lround(px.x), lround(px.y)) / grey_at(&light->image, lround(px.x), lround(px.y));
      least = fmin(least, ratio);
      most = fmax(most, ratio);
    }
    CHECK_BELOW(most, 1.0001);
    assert_true(least >= 0.599);
    CHECK_BELOW(least, 0.999); /* a part of it falls here whatever way it lies */
    free_picture(made);
    free_picture(light);
  }
}

/* ---- presets and files ---- */

static void presets_are_seen_whole(void **state)
{
  (void)state;
  render_truth *truth = malloc(sizeof *truth);
  assert_non_null(truth);
  int quadrant[4] = {0, 0, 0, 0};
  for (int difficulty = RENDER_PHOTO; difficulty <= RENDER_PHOTO_SLOTS; difficulty++) {
    for (uint64_t seed = 1; seed <= 60; seed++) {
      render_params params;
      scene layout;
      char message[RENDER_MESSAGE] = "";
      render_params_random(&params, seed, (render_difficulty)difficulty);
      assert_true(scene_lay_out(&params, &layout, truth, message));
      assert_true(truth->camera.on && truth->mark_count == (size_t)params.frets + 1);
      CHECK_BELOW(-truth->camera.px_per_mm_along, -4.5);
      for (int i = 0; i < 4; i++) {
        const render_point seen[2] = {truth->outline_px[i], truth->rule.corner_px[i]};
        for (int k = 0; k < 2; k++) {
          assert_true(seen[k].x > 0.0 && seen[k].x < truth->width_px);
          assert_true(seen[k].y > 0.0 && seen[k].y < truth->height_px);
        }
      }
      render_point way = {truth->mark[1].centre_px.x - truth->mark[0].centre_px.x,
                          truth->mark[1].centre_px.y - truth->mark[0].centre_px.y};
      quadrant[(way.x > way.y ? 1 : 0) + (way.x > -way.y ? 2 : 0)]++;
    }
  }
  for (int i = 0; i < 4; i++) {
    assert_true(quadrant[i] >= 20); /* of 180: 45 expected */
  }
  free(truth);
}

static void impossible_photographs_are_refused(void **state)
{
  (void)state;
  static const char *const wrong[] = {
      "photo_width_px=10",   "photo_height_px=1000000", "photo_focal_35mm=0",   "photo_fill=0",  "photo_shift_x=0.4",
      "photo_tilt_x_deg=80", "photo_thickness_mm=-1",   "photo_orientation=2",  "photo_k1=-0.9", "photo_distance_mm=10",
      "photo_penumbra_mm=0", "photo_sharpen_px=0",      "photo_shadows=1000000"};
  for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
    render_params params = even_photo();
    picture *made = malloc(sizeof *made);
    char message[RENDER_MESSAGE] = "";
    assert_non_null(made);
    assert_true(render_params_set(&params, wrong[i], message));
    if (render_board(&params, &made->image, &made->truth, message)) {
      fprintf(stderr, "%s was drawn\n", wrong[i]);
      fail();
    }
    assert_true(strlen(message) > 10);
    free(made);
  }
}

static int exif_number(ExifData *data, ExifIfd directory, ExifTag tag)
{
  ExifEntry *entry = exif_content_get_entry(data->ifd[directory], tag);
  return entry ? (int)exif_get_short(entry->data, exif_data_get_byte_order(data)) : -1;
}

/* libexif, which knows nothing of this writer, reads the tags back. Where the pixels go is tested in crosscheck_camera.
 */
static void exif_is_readable(void **state)
{
  (void)state;
  render_params params = even_photo();
  params.bits = 8;
  params.photo_orientation = 6;
  params.photo_states_focal = 1;
  char message[RENDER_MESSAGE] = "";
  picture *made = render_or_fail(&params);
  assert_true(render_write_jpeg(&made->image, "test_photo_file.jpg", 95, message));
  ExifData *data = exif_data_new_from_file("test_photo_file.jpg");
  assert_non_null(data);
  assert_int_equal(exif_number(data, EXIF_IFD_0, EXIF_TAG_ORIENTATION), 6);
  assert_int_equal(exif_number(data, EXIF_IFD_EXIF, EXIF_TAG_FOCAL_LENGTH_IN_35MM_FILM), 26);
  exif_data_unref(data);
  assert_int_equal(remove("test_photo_file.jpg"), 0);
  free_picture(made);
}

static double json_number(const cJSON *in, const char *name)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(in, name);
  return cJSON_IsNumber(item) ? item->valuedouble : NAN;
}

static void truth_tells_the_camera(void **state)
{
  (void)state;
  enum { ROOM = 200000 };
  char message[RENDER_MESSAGE] = "";
  render_params params = even_photo();
  picture *made = render_or_fail(&params);
  char *text = calloc(ROOM, 1);
  assert_non_null(text);
  assert_true(render_write_truth(&made->truth, "test_photo_truth.json", message));
  FILE *file = fopen("test_photo_truth.json", "rb");
  assert_non_null(file);
  assert_true(fread(text, 1, ROOM - 1, file) > 100);
  assert_int_equal(fclose(file), 0);
  cJSON *json = cJSON_Parse(text);
  const cJSON *camera = cJSON_GetObjectItemCaseSensitive(json, "camera");
  CHECK_CLOSE(json_number(camera, "f_px"), made->truth.camera.f_px, 1e-6);
  CHECK_CLOSE(json_number(camera, "k1"), -0.06, 1e-12);
  CHECK_CLOSE(json_number(camera, "px_per_mm_along"), made->truth.camera.px_per_mm_along, 1e-6);
  assert_null(cJSON_GetObjectItemCaseSensitive(json, "axes"));
  const cJSON *first = cJSON_GetArrayItem(cJSON_GetObjectItemCaseSensitive(json, "marks"), 1);
  CHECK_CLOSE(json_number(first, "error_mm"), made->truth.mark[1].error_mm, 1e-9);
  cJSON_Delete(json);
  free(text);
  assert_int_equal(remove("test_photo_truth.json"), 0);
  free_picture(made);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(lens_follows_the_published_formula),
      cmocka_unit_test(scale_is_focal_length_over_distance),
      cmocka_unit_test(tilt_makes_the_far_side_small),
      cmocka_unit_test(there_and_back_is_the_same_place),
      cmocka_unit_test(pixels_know_their_affine_map),
      cmocka_unit_test(pixels_agree_with_brute_force),
      cmocka_unit_test(knife_lines_lie_where_truth_says),
      cmocka_unit_test(slots_lie_where_truth_says),
      cmocka_unit_test(strokes_lie_where_truth_says),
      cmocka_unit_test(height_moves_the_rule),
      cmocka_unit_test(board_edges_lie_where_truth_says),
      cmocka_unit_test(sharpening_keeps_the_place),
      cmocka_unit_test(light_and_noise_have_their_size),
      cmocka_unit_test(exposure_brings_the_bright_parts_near_white),
      cmocka_unit_test(shadow_lies_across_the_board),
      cmocka_unit_test(presets_are_seen_whole),
      cmocka_unit_test(impossible_photographs_are_refused),
      cmocka_unit_test(exif_is_readable),
      cmocka_unit_test(truth_tells_the_camera),
  };
  return cmocka_run_group_tests_name("photo", tests, NULL, NULL);
}
