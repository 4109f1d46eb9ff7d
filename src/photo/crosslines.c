/* Where across the rule there are lines across it: the rule's own strokes, and a board's lines.
 *
 * Rows some pixels apart are taken out of the picture and looked through in stretches of some rows. Lines across a
 * board stand in the same columns of every row of a stretch, so they stand out of its mean; grain and noise do not. A
 * stretch with several of them belongs to a board, or to something like it. Nothing is decided by this but how much of
 * the picture is drawn.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "photo_internal.h"
#include "slotproof/numeric.h"

enum { STEP = 5, REACH = 8, LEAST_LINES = 4, LEAST_COLUMNS = 100, GRID = 16 };
/* A column this many standard deviations off its surroundings is a line. */
static const double STANDS_OUT = 5.0;

/* Between four pixels. */
static inline double between_four(double a, double b, double c, double d, double tx, double ty)
{
  const double upper = a + tx * (b - a), lower = c + tx * (d - c);
  return upper + ty * (lower - upper);
}

static inline double sample(const sp_raster *r, sp_point p)
{
  const int32_t x = (int32_t)p.x, y = (int32_t)p.y;
  const size_t i = (size_t)y * r->width_px + (size_t)x, below = i + r->width_px;
  const uint16_t *const v = r->u16;
  const uint8_t *const u = r->u8;
  return u ? between_four(u[i], u[i + 1], u[below], u[below + 1], p.x - x, p.y - y)
           : between_four(v[i], v[i + 1], v[below], v[below + 1], p.x - x, p.y - y);
}

static inline bool is_inside(const sp_raster *r, sp_point p)
{
  return p.x >= 0.0 && p.y >= 0.0 && p.x < r->width_px - 1.0 && p.y < r->height_px - 1.0;
}

/* Adds n places from one on, so many pixels apart. All are `inside`, or it is asked of each. */
static inline void add_places(const sp_raster *r, sp_point from, sp_point step, int32_t n, bool inside, double *sum,
                              double *rows)
{
  for (int32_t k = 0; k < n; k++) {
    const sp_point at = {from.x + k * step.x, from.y + k * step.y};
    if (!inside && !is_inside(r, at))
      continue;
    sum[k] += sample(r, at);
    rows[k] += 1.0;
  }
}

/* Adds a row of the plane to the sums; how many rows each column has. The map is asked every GRID columns; between two
 * places inside all are. */
static void add_row(const sp_raster *r, photo_map map, const void *context, double y, size_t n, double *sum,
                    double *rows)
{
  sp_point from = map(context, 0.0, y);
  for (size_t x = 0; x < n; x += GRID) {
    const sp_point to = map(context, (double)(x + GRID), y);
    const sp_point step = {(to.x - from.x) / GRID, (to.y - from.y) / GRID};
    const int32_t count = n - x < GRID ? (int32_t)(n - x) : GRID;
    if (is_inside(r, from) && is_inside(r, to))
      add_places(r, from, step, count, true, sum + x, rows + x);
    else
      add_places(r, from, step, count, false, sum + x, rows + x);
    from = to;
  }
}

/* Means less what is slow along them, of the columns that the picture shows all the way; returns how many there are.
 * `mean` is room for n. */
static size_t high_pass(const double *sum, const double *rows, size_t n, double least, double *mean, double *out)
{
  enum { WINDOW = 2 * REACH + 1 };
  double around = 0.0;
  size_t kept = 0, whole = 0; /* of the window that ends here */
  for (size_t x = 0; x < n; x++) {
    mean[x] = rows[x] >= least ? sum[x] / rows[x] : 0.0;
    around += mean[x];
    whole += rows[x] >= least;
    if (x >= WINDOW) {
      around -= mean[x - WINDOW];
      whole -= rows[x - WINDOW] >= least;
    }
    if (whole == WINDOW)
      out[kept++] = mean[x - REACH] - around / WINDOW;
  }
  return kept;
}

static size_t count_lines(const double *profile, size_t n, double *work)
{
  for (size_t x = 0; x < n; x++)
    work[x] = fabs(profile[x]);
  const double least = STANDS_OUT * 1.4826 * sp_median(work, n);
  size_t count = 0;
  for (size_t x = 1; x + 1 < n; x++) {
    const double here = fabs(profile[x]);
    count += here > least && here >= fabs(profile[x - 1]) && here > fabs(profile[x + 1]);
  }
  return count;
}

typedef struct stretches {
  double *sum, *rows, *work; /* n each: of the half stretch before, of this one, then room */
  double *sum_before, *rows_before;
  size_t n;
} stretches;

/* The stretch ends here: is it one with lines? */
static bool has_lines(stretches *s)
{
  for (size_t x = 0; x < s->n; x++) {
    s->sum_before[x] += s->sum[x];
    s->rows_before[x] += s->rows[x];
  }
  const size_t kept = high_pass(s->sum_before, s->rows_before, s->n, 2.0 * STEP, s->work + s->n, s->work);
  const bool yes = kept >= LEAST_COLUMNS && count_lines(s->work, kept, s->work + s->n) >= LEAST_LINES;
  memcpy(s->sum_before, s->sum, s->n * sizeof *s->sum);
  memcpy(s->rows_before, s->rows, s->n * sizeof *s->rows);
  memset(s->sum, 0, s->n * sizeof *s->sum);
  memset(s->rows, 0, s->n * sizeof *s->rows);
  return yes;
}

sp_status photo_crosslines(const sp_raster *picture, photo_map map, const void *context, size_t columns, size_t rows,
                           double found[2], sp_error *err)
{
  found[0] = INFINITY;
  found[1] = -INFINITY;
  double *room = calloc(6 * columns + 1, sizeof *room);
  if (!room)
    return sp_fail_memory(err);
  stretches s = {room, room + columns, room + 4 * columns, room + 2 * columns, room + 3 * columns, columns};
  for (size_t y = 0; y < rows; y++) {
    add_row(picture, map, context, (double)y, columns, s.sum, s.rows);
    if ((y + 1) % STEP || !has_lines(&s))
      continue;
    found[0] = fmin(found[0], (double)(y + 1) - 2.0 * STEP);
    found[1] = fmax(found[1], (double)y);
  }
  free(room);
  return SP_OK;
}
