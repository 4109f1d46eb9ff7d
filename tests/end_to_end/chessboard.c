/* Near one edge a pixel's grey is a step convolved with blur and pixel in closed form, by the affine map that the
 * camera is there. Where two edges are near, which need not be square to each other in the picture, the convolution is
 * summed over a grid of a tenth of a pixel. */
#include "chessboard.h"

#include <math.h>
#include <stdlib.h>

#include "profile.h"
#include "random.h"
#include "scene.h"

static const double BLACK = 0.08, WHITE = 0.85, PI = 3.14159265358979324;
enum { FINE = 10, REACH_PX = 4, SIDE = 2 * REACH_PX * FINE + 1, NOISE_STREAM = 7 };

typedef struct drawing {
  const chessboard *board;
  profile_table table;
  double psf_px;
  double weight[SIDE]; /* of a place so many tenths of a pixel off the pixel's middle, in one direction */
} drawing;

static void set_pose(const chessboard_view *v, render_camera *c)
{
  const double a = v->tilt_x_deg * PI / 180.0, b = v->tilt_y_deg * PI / 180.0, g = v->roll_deg * PI / 180.0;
  const double tilt[3][3] = {
      {cos(b), sin(b) * sin(a), sin(b) * cos(a)}, {0.0, cos(a), -sin(a)}, {-sin(b), cos(b) * sin(a), cos(b) * cos(a)}};
  for (int i = 0; i < 3; i++) {
    c->rotation[0][i] = cos(g) * tilt[0][i] - sin(g) * tilt[1][i];
    c->rotation[1][i] = sin(g) * tilt[0][i] + cos(g) * tilt[1][i];
    c->rotation[2][i] = tilt[2][i];
  }
  c->position_mm[0] = v->aim_x_mm - v->distance_mm * c->rotation[2][0];
  c->position_mm[1] = v->aim_y_mm - v->distance_mm * c->rotation[2][1];
  c->position_mm[2] = -v->distance_mm * c->rotation[2][2];
}

static void set_weights(drawing *d)
{
  double sum = 0.0;
  for (int i = 0; i < SIDE; i++) {
    const double t = (double)(i - SIDE / 2) / FINE, s = d->psf_px * sqrt(2.0);
    d->weight[i] = erf((t + 0.5) / s) - erf((t - 0.5) / s);
    sum += d->weight[i];
  }
  for (int i = 0; i < SIDE; i++)
    d->weight[i] /= sum;
}

/* Coordinates in squares from the board's first corner. */
static double grey_at(const chessboard *b, double x, double y)
{
  if (x < 0.0 || y < 0.0 || x >= b->columns || y >= b->rows)
    return WHITE;
  return ((int)x + (int)y) % 2 == 0 ? BLACK : WHITE;
}

static double summed(const drawing *d, const camera_view *at, double x, double y)
{
  double sum = 0.0;
  const double s = d->board->square_mm;
  for (int j = 0; j < SIDE; j++)
    for (int i = 0; i < SIDE; i++) {
      const double dx = (double)(i - SIDE / 2) / FINE, dy = (double)(j - SIDE / 2) / FINE;
      sum += d->weight[i] * d->weight[j] *
             grey_at(d->board, x + (at->mm_per_px[0][0] * dx + at->mm_per_px[0][1] * dy) / s,
                     y + (at->mm_per_px[1][0] * dx + at->mm_per_px[1][1] * dy) / s);
    }
  return sum;
}

/* How far, in squares, `x` lies beyond the nearest edge. */
static double beyond_edge(double x, int count)
{
  const double edge = fmin(fmax(round(x), 0.0), count);
  return x - edge;
}

static double pixel(const drawing *d, const camera_view *at)
{
  const chessboard *b = d->board;
  const double s = b->square_mm;
  const double x = at->glass_mm.x / s + 0.5 * b->columns, y = at->glass_mm.y / s + 0.5 * b->rows;
  const double across_x = beyond_edge(x, b->columns), across_y = beyond_edge(y, b->rows);
  const double *gx = at->mm_per_px[0], *gy = at->mm_per_px[1];
  const bool near_x = fabs(across_x) * s < REACH_PX * hypot(gx[0], gx[1]);
  const bool near_y = fabs(across_y) * s < REACH_PX * hypot(gy[0], gy[1]);
  if (near_x && near_y)
    return summed(d, at, x, y);
  if (!near_x && !near_y)
    return grey_at(b, x, y);
  const double *g = near_x ? gx : gy, across = near_x ? across_x : across_y;
  const double part = profile_step(&d->table, across * s, profile_blur_at_any_angle(g[0], g[1], d->psf_px));
  const double low = near_x ? grey_at(b, x - across - 1e-6, y) : grey_at(b, x, y - across - 1e-6);
  const double high = near_x ? grey_at(b, x - across + 1e-6, y) : grey_at(b, x, y - across + 1e-6);
  return low + part * (high - low);
}

bool chessboard_draw(const chessboard *board, const render_camera *lens, const chessboard_view *view, int width_px,
                     int height_px, double psf_px, double noise, uint64_t seed, render_image *image)
{
  render_camera camera = *lens;
  drawing *d = malloc(sizeof *d);
  uint16_t *sample = malloc((size_t)width_px * (size_t)height_px * sizeof *sample);
  if (!d || !sample) {
    free(d);
    free(sample);
    return false;
  }
  d->board = board;
  d->psf_px = psf_px;
  profile_table_fill(&d->table);
  set_weights(d);
  set_pose(view, &camera);
  random_source random = random_stream(seed, NOISE_STREAM);
  for (int y = 0; y < height_px; y++) {
    camera_ray ray = {0.0, 0.0};
    for (int x = 0; x < width_px; x++) {
      const camera_view at = camera_look(&camera, &ray, (render_point){x, y}, 0.0);
      const double grey = pixel(d, &at) + noise * random_normal(&random);
      sample[(size_t)y * (size_t)width_px + (size_t)x] = (uint16_t)lround(255.0 * fmin(1.0, fmax(0.0, grey)));
    }
  }
  free(d);
  *image =
      (render_image){.width_px = width_px, .height_px = height_px, .channels = 1, .full_scale = 255, .sample = sample};
  return true;
}
