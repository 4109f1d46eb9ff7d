/* How the saw went, along one slot.
 *
 * The fine fit has laid a straight line along each wall and left, for every piece of a few rows, how far either wall
 * lies beside its line. Over windows of a few millimetres the median of these distances says where the wall is; a
 * median, because chips eat into one wall over some tenths of a millimetre and are no part of the cut's course. Half
 * the sum of both walls is the slot's middle line, their difference the kerf. A straight line through the windows'
 * middles is taken off; what is left is the wander. From the squares of wander and kerf the windows' own variance is
 * taken off, so that a straight cut has a wander near nothing and not that of its noise.
 *
 * A window's variance is that of a median, pi/2 of the mean's for many values (Kendall & Stuart, The Advanced Theory of
 * Statistics, vol. 1), from the scatter about the windows' medians over the whole slot. Waves shorter than two windows
 * are lost in it: such a roughness is the wood's and the teeth's. */
#include <math.h>
#include <stdlib.h>

#include "marks_internal.h"
#include "slotproof/numeric.h"

/* Long against a chip (half a millimetre), short against the wander of a saw (centimetres). */
static const double WINDOW_MM = 3.0;
/* Fewer windows tell nothing of a course; fewer pieces make no median. */
enum { LEAST_WINDOWS = 5, LEAST_PIECES = 4 };
/* Pixel response, table, rounding: no window's place is believed closer than this. */
static const double FLOOR_PX = 0.010;
/* Where a chip is as long as half a window the window's median lies in it. It then stands off in the kerf, which a
 * wandering saw leaves alone: so many of the kerfs' own spreads, but not less than this. */
static const double STANDS_OFF_SD = 4.0, STANDS_OFF_MM = 0.015;
/* What chips do to the medians all the same (standard uncertainty; sized on rendered slots with up to two chips a
 * centimetre of wall): to one window, and to a root mean square over all. */
static const double CHIPS_WINDOW_MM = 0.004, CHIPS_RMS_MM = 0.0015;
/* Part of a wander that windows smooth away or, at the slot's ends, miss; and that is left in its straight walls. */
static const double SMOOTHED = 0.04;
/* From this wander on, in px and in its own standard uncertainties, the windows' line is taken for the slot's: the fine
 * fit takes a wall that bends away at one end for damaged there, and follows the rest. */
static const double WANDERS_PX = 0.25, WANDERS_SD = 5.0;
/* Where one wall alone is broken the middle moves by half of what the kerf does; a saw that wanders moves both. */
static const double ONE_WALL = 0.8;
static const double HALF_PI = 1.5707963267948966;

/* The windows: middle of their pieces; place of each wall against its straight line, their mean, and kerf, px. */
typedef struct course {
  double *v_px, *wall_px[2], *middle_px, *kerf_px;
  size_t count;
  double u_middle_px, u_kerf_px; /* of one window */
} course;

void sp_walls_init(sp_walls *w)
{
  *w = (sp_walls){.known = false,
                  .slope = {NAN, NAN},
                  .u_slope = {NAN, NAN},
                  .kerf_end_px = {NAN, NAN},
                  .u_kerf_end_px = NAN,
                  .widening_px = NAN,
                  .u_widening_px = NAN,
                  .kerf_least_px = NAN,
                  .kerf_most_px = NAN,
                  .u_kerf_window_px = NAN,
                  .kerf_sd_px = NAN,
                  .u_kerf_sd_px = NAN,
                  .wander_px = NAN,
                  .u_wander_px = NAN,
                  .worst_px = NAN,
                  .u_worst_px = NAN,
                  .worst_v_px = NAN};
}

/* ---- windows ---------------------------------------------------------------------------------------------------- */

/* Both walls' shifts of the present pieces from `first` on that lie before `end_px`; returns the piece after them. */
static size_t gather(const sp_line_fit *f, size_t first, double end_px, double *left, double *right, double *v_px,
                     size_t *n)
{
  size_t k = first;
  *n = 0;
  *v_px = 0.0;
  for (; k < f->count && f->pieces[k].v_px < end_px; k++) {
    const sp_piece *p = &f->pieces[k];
    if (!p->present || !isfinite(p->shift[0]) || !isfinite(p->shift[1]))
      continue;
    left[*n] = p->shift[0];
    right[*n] = p->shift[1];
    *v_px += p->v_px;
    ++*n;
  }
  if (*n)
    *v_px /= (double)*n;
  return k;
}

/* Adds a window with the medians of both walls, and to `rest` from *rests on how far its pieces lie about them: middles
 * from `rest`, kerfs from `rest + room` on. Each wall has its own median, because a chip eats only one. */
static void add_window(const sp_line_fit *f, double *left, double *right, size_t n, double v_px, double *rest,
                       size_t *rests, course *c)
{
  double *const middle = rest + *rests, *const kerf = rest + f->count + *rests;
  for (size_t i = 0; i < n; i++) {
    middle[i] = 0.5 * (left[i] + right[i]);
    kerf[i] = right[i] - left[i];
  }
  const double a = sp_median(left, n), b = sp_median(right, n);
  for (size_t i = 0; i < n; i++) {
    middle[i] = fabs(middle[i] - 0.5 * (a + b));
    kerf[i] = fabs(kerf[i] - (b - a));
  }
  *rests += n;
  c->v_px[c->count] = v_px;
  c->wall_px[0][c->count] = a;
  c->wall_px[1][c->count] = b;
  c->middle_px[c->count] = 0.5 * (a + b);
  c->kerf_px[c->count++] = f->place[1] - f->place[0] + (f->slope[1] - f->slope[0]) * (v_px - f->v_px) + b - a;
}

/* Standard uncertainty of a window from the distances about the windows' medians, which have taken their share. */
static double u_of_window(double *rest, size_t rests, size_t windows)
{
  const double pieces = (double)rests / (double)windows;
  const double sd = SP_MAD_TO_SD * sp_median(rest, rests) * sqrt(pieces / (pieces - 1.0));
  return hypot(sd * sqrt(HALF_PI / pieces), FLOOR_PX);
}

/* `work` holds 4 values a piece. */
static void find_course(const sp_line_fit *f, double *work, course *c)
{
  double *const left = work, *const right = work + f->count, *const rest = work + 2 * f->count;
  const double length = WINDOW_MM * f->px_per_mm;
  size_t k = 0, rests = 0;
  c->count = 0;
  while (k < f->count) {
    size_t n;
    double v_px;
    k = gather(f, k, f->pieces[k].v_px + length, left, right, &v_px, &n);
    if (n >= LEAST_PIECES)
      add_window(f, left, right, n, v_px, rest, &rests, c);
  }
  if (!c->count)
    return;
  c->u_middle_px = u_of_window(rest, rests, c->count);
  c->u_kerf_px = u_of_window(rest + f->count, rests, c->count);
}

/* Leaves out the windows in which one wall is broken away; their kerfs count, being real, but they say nothing of where
 * the saw went. `work` holds a value a window. */
static void leave_out_broken(double px_per_mm, double *work, course *c)
{
  size_t kept = 0;
  for (size_t i = 0; i < c->count; i++)
    work[i] = c->wall_px[1][i] - c->wall_px[0][i];
  const double usual = sp_median(work, c->count);
  for (size_t i = 0; i < c->count; i++)
    work[i] = fabs(c->wall_px[1][i] - c->wall_px[0][i] - usual);
  const double spread = SP_MAD_TO_SD * sp_median(work, c->count);
  const double most = fmax(STANDS_OFF_SD * fmax(spread, c->u_kerf_px), STANDS_OFF_MM * px_per_mm);
  for (size_t i = 0; i < c->count; i++) {
    if (fabs(c->wall_px[1][i] - c->wall_px[0][i] - usual) > most)
      continue;
    c->v_px[kept] = c->v_px[i];
    c->wall_px[0][kept] = c->wall_px[0][i];
    c->wall_px[1][kept] = c->wall_px[1][i];
    c->middle_px[kept] = c->middle_px[i];
    c->kerf_px[kept++] = c->kerf_px[i];
  }
  c->count = kept;
}

/* ---- what the course says --------------------------------------------------------------------------------------- */

/* Root mean square of n values from the sum of squares that they and noise of sd u make together, `freedom` of them
 * left after what was fitted; never below 0. Its standard uncertainty from the variance of such a sum: 4 u^2 (sum of
 * the values' squares) + 2 freedom u^4. */
static double cleaned(double sum, double n, double freedom, double u, double *uncertainty)
{
  const double real = fmax(sum - freedom * u * u, 0.0), root = sqrt(real / n);
  const double u_square = sqrt(4.0 * u * u * real + 2.0 * freedom * u * u * u * u) / n;
  *uncertainty = fmin(root > 0.0 ? u_square / (2.0 * root) : INFINITY, sqrt(u_square));
  return root;
}

static double off_line(const course *c, const sp_straight *line, size_t i)
{
  return c->middle_px[i] - sp_straight_at(line, c->v_px[i], NULL, NULL);
}

/* Takes the place if it is the farthest yet. How far the farthest place of all lies from what windows say of it is a
 * quarter of the way to the next window (k = 1). */
static void offer_worst(double off, double v_px, double step, double u, sp_walls *w)
{
  if (fabs(off) < fabs(w->worst_px))
    return;
  w->worst_px = off;
  w->worst_v_px = v_px;
  w->u_worst_px = hypot(u, 0.25 * step);
}

static void describe_wander(const course *c, const sp_straight *line, double px_per_mm, sp_walls *w)
{
  const double n = (double)c->count, u = hypot(c->u_middle_px, CHIPS_WINDOW_MM * px_per_mm);
  w->wander_px = cleaned(line->rss, n, n - 2.0, c->u_middle_px, &w->u_wander_px);
  w->u_wander_px = hypot(hypot(w->u_wander_px, SMOOTHED * w->wander_px), CHIPS_RMS_MM * px_per_mm);
  w->worst_px = 0.0;
  for (size_t i = 0; i < c->count; i++) {
    const double off = off_line(c, line, i);
    const double left = i > 0 ? off - off_line(c, line, i - 1) : 0.0;
    const double right = i + 1 < c->count ? off - off_line(c, line, i + 1) : 0.0;
    offer_worst(off, c->v_px[i], fmax(fabs(left), fabs(right)), u, w);
    if (i == 0) /* the slot's ends are half a window further on */
      offer_worst(off + 0.5 * right, 1.5 * c->v_px[0] - 0.5 * c->v_px[1], fabs(right), 1.5 * u, w);
    if (i + 1 == c->count)
      offer_worst(off + 0.5 * left, 1.5 * c->v_px[i] - 0.5 * c->v_px[i - 1], fabs(left), 1.5 * u, w);
  }
}

/* `u_width_px` holds what all kerfs have in common. */
static void describe_kerf(const course *c, double px_per_mm, double u_width_px, sp_walls *w)
{
  w->kerf_least_px = INFINITY;
  w->kerf_most_px = -INFINITY;
  for (size_t i = 0; i < c->count; i++) {
    w->kerf_least_px = fmin(w->kerf_least_px, c->kerf_px[i]);
    w->kerf_most_px = fmax(w->kerf_most_px, c->kerf_px[i]);
  }
  w->u_kerf_window_px = hypot(hypot(c->u_kerf_px, CHIPS_WINDOW_MM * px_per_mm), u_width_px);
}

/* Of whole windows. */
static void describe_spread(const course *c, double px_per_mm, sp_walls *w)
{
  const double n = (double)c->count, sd = sp_sd(c->kerf_px, c->count);
  w->kerf_sd_px = cleaned((n - 1.0) * sd * sd, n, n - 1.0, c->u_kerf_px, &w->u_kerf_sd_px);
  w->u_kerf_sd_px = hypot(hypot(w->u_kerf_sd_px, SMOOTHED * w->kerf_sd_px), CHIPS_RMS_MM * px_per_mm);
}

/* The walls as straight lines through the windows, where the fine fit's are not good for a slot that wanders. A wander
 * moves both walls alike, so the kerf's doubt is that of a line through the kerfs: *u_width_px in the slot's middle,
 * *u_wedge of its slope. */
static void follow_windows(const course *c, sp_line_fit *f, double *u_width_px, double *u_wedge)
{
  sp_straight kerf;
  if (!sp_straight_fit(c->count, c->v_px, c->kerf_px, NULL, NAN, &kerf, NULL)) {
    const double inflated = fmax(1.0, c->u_kerf_px / kerf.s);
    *u_width_px = fmax(*u_width_px, hypot(kerf.u_mean_y * inflated, FLOOR_PX));
    *u_wedge = kerf.u_b * inflated;
  }
  double u_middle = 0.0;
  for (int wall = 0; wall < 2; wall++) {
    sp_straight line;
    if (sp_straight_fit(c->count, c->v_px, c->wall_px[wall], NULL, NAN, &line, NULL))
      continue;
    f->place[wall] += sp_straight_at(&line, f->v_px, NULL, NULL);
    f->slope[wall] += line.b;
    u_middle += 0.5 * line.u_mean_y; /* added as it is: what moves a window's one wall moves the other */
  }
  f->u_shape_px = hypot(f->u_shape_px, u_middle);
}

/* By the straight walls. */
static void describe_ends(const sp_line_fit *f, const sp_mark *m, const double u_slope[2], double u_width_px,
                          double u_wedge, sp_walls *w)
{
  const double wedge = f->slope[1] - f->slope[0], length = m->v_b_px - m->v_a_px;
  const double width = f->place[1] - f->place[0] + wedge * (0.5 * (m->v_a_px + m->v_b_px) - f->v_px);
  for (int wall = 0; wall < 2; wall++) {
    w->slope[wall] = f->slope[wall];
    w->u_slope[wall] = u_slope[wall];
  }
  w->widening_px = wedge * length;
  w->u_widening_px = hypot(u_wedge * length, SMOOTHED * w->wander_px);
  w->kerf_end_px[0] = width - 0.5 * w->widening_px;
  w->kerf_end_px[1] = width + 0.5 * w->widening_px;
  w->u_kerf_end_px = hypot(hypot(u_width_px, SMOOTHED * w->wander_px), 0.5 * w->u_widening_px);
}

bool sp_line_fit_walls(sp_line_fit *f, const sp_mark *m, const double u_slope[2], double u_width_px, sp_walls *w)
{
  sp_straight line;
  const size_t n = f->count;
  sp_walls_init(w);
  double *work = calloc(n + 1, 9 * sizeof *work); /* pieces are counted in hundreds */
  if (!work)
    return false;
  course c = {work + 4 * n, {work + 5 * n, work + 6 * n}, work + 7 * n, work + 8 * n, 0, NAN, NAN};
  find_course(f, work, &c);
  if (c.count >= LEAST_WINDOWS) {
    describe_kerf(&c, f->px_per_mm, u_width_px, w);
    leave_out_broken(f->px_per_mm, work, &c);
  }
  if (c.count >= LEAST_WINDOWS && !sp_straight_fit(c.count, c.v_px, c.middle_px, NULL, NAN, &line, NULL)) {
    w->known = true;
    describe_spread(&c, f->px_per_mm, w);
    describe_wander(&c, &line, f->px_per_mm, w);
    const double kerf_sd_px = sp_sd(c.kerf_px, c.count);
    double u_wedge = hypot(u_slope[0], u_slope[1]);
    if (w->wander_px > WANDERS_PX && w->wander_px > WANDERS_SD * w->u_wander_px && w->wander_px > ONE_WALL * kerf_sd_px)
      follow_windows(&c, f, &u_width_px, &u_wedge);
    describe_ends(f, m, u_slope, u_width_px, u_wedge, w);
  } else {
    sp_walls_init(w);
  }
  free(work);
  return true;
}
