/* What fanned lines ask for that square ones do not.
 *
 * Lines that are not square to the board do not tell its direction; but their middles lie on the centre line, more or
 * less, since they are as long to one side as to the other. Their slopes change along the board steadily, so that those
 * of the first lines say where to look for the rest. Both are straight lines through points of which a few are wrong
 * (a line half hidden, a scratch): the median of the slopes between all pairs of points (Theil 1950, Sen 1968) takes no
 * notice of those.
 */
#include <math.h>
#include <stdlib.h>

#include "marks_internal.h"
#include "slotproof/numeric.h"

/* Lines nearer to each other than this, px, say nothing of a trend. */
static const double LEAST_APART_PX = 20.0;

static bool trend_of(const double *x, const double *y, size_t n, double *at, double *slope)
{
  double *work = malloc((n * n / 2 + n + 1) * sizeof *work);
  size_t pairs = 0;
  if (!work)
    return false;
  for (size_t i = 0; i < n; i++)
    for (size_t j = i + 1; j < n; j++)
      if (fabs(x[j] - x[i]) > LEAST_APART_PX)
        work[pairs++] = (y[j] - y[i]) / (x[j] - x[i]);
  *slope = pairs ? sp_median(work, pairs) : 0.0;
  for (size_t i = 0; i < n; i++)
    work[i] = y[i] - *slope * x[i];
  *at = n ? sp_median(work, n) : 0.0;
  free(work);
  return pairs > 0;
}

sp_point sp_line_middle(const sp_mark *m)
{
  const double v = 0.5 * (m->v_a_px + m->v_b_px);
  return (sp_point){m->u_px + m->slope * (v - m->v_px), v};
}

double sp_lines_direction(const sp_marks_options *o, const sp_mark *lines, size_t count)
{
  enum { MOST = 256 };
  double x[MOST], y[MOST], at, slope;
  const size_t n = count < MOST ? count : MOST;
  for (size_t i = 0; i < n; i++) {
    const sp_point middle = sp_line_middle(&lines[i]);
    x[i] = middle.x;
    y[i] = o->most_lean > 0.0 ? middle.y : lines[i].slope;
  }
  if (o->most_lean == 0.0)
    return n ? -sp_median(y, n) : 0.0;
  return trend_of(x, y, n, &at, &slope) ? slope : 0.0;
}

void sp_lines_trend(const sp_mark *lines, size_t count, sp_marks_options *o)
{
  enum { MOST = 256 };
  double x[MOST], y[MOST];
  const size_t n = count < MOST ? count : MOST;
  for (size_t i = 0; i < n; i++) {
    x[i] = lines[i].u_px;
    y[i] = lines[i].slope;
  }
  if (!trend_of(x, y, n, &o->trend_at, &o->trend))
    o->trend = 0.0;
}

uint32_t sp_lean_strip_px(const sp_marks_options *o, uint32_t usual_px)
{
  /* a line must not move by much of its own width within a strip */
  const double most = 0.06 * o->px_per_mm / fmax(o->most_lean, 1e-3);
  if (most >= usual_px)
    return usual_px;
  return most < 4.0 ? 4 : (uint32_t)most;
}
