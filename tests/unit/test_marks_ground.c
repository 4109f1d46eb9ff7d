/* The wood around a line: whitening against the matrix it stands for, the likeliest background against the normal
 * equations of the linear Gaussian model, and a board's waves against the ones that were drawn.
 *
 * Model: values r = A a + e, e independent of variance 1, a of mean 0 and variance 1. Covariance C = I + A A'; given r, a
 * is normal about (I + A'A)^-1 A' r with covariance (I + A'A)^-1 (Rasmussen & Williams, Gaussian Processes for Machine
 * Learning, 2006, eq. 2.8). Everything on that side is reckoned here, the equations solved by GSL. */
#include "drawing.h"

#include <gsl/gsl_linalg.h>

#include "marks/marks_internal.h"

static const double PI = 3.14159265358979323846;
static const double FULL_SCALE = 255.0, HALF_PX = 15.0;
enum { MOST_COLUMNS = SP_GROUND_WAVES + 2 };

/* A value of the window on node i, -1 .. 1. */
static double node_x(int i)
{
  return 2.0 * i / (SP_GROUND_NODES - 1) - 1.0;
}

/* Two waves that a plane might leave, of period 2 windows / 1.3 and about a window, and one that is short; grey. */
static sp_ground wavy(void)
{
  sp_ground g = {.half_px = HALF_PX, .free_sd = FULL_SCALE, .waves = 3};
  for (int i = 0; i < SP_GROUND_NODES; i++) {
    g.wave[0][i] = 6.0 * cos(1.3 * PI * node_x(i) + 0.3);
    g.wave[1][i] = 4.0 * sin(2.1 * PI * node_x(i));
    g.wave[2][i] = 1.5 * cos(4.0 * PI * node_x(i) - 1.0);
  }
  return g;
}

/* Places and weights of a stack as pieces leave them: uneven, some missing. */
static void lay_out(double height, uint64_t seed, sp_stack *s)
{
  chance c = {seed};
  s->count = 0;
  s->light = height > 0.0;
  s->clipped = false;
  s->noise = 2.0;
  s->height = height;
  for (int i = -45; i <= 45; i++) {
    if (i == -13 || i == 20 || i == 21)
      continue;
    s->x[s->count] = fmin(HALF_PX, fmax(-HALF_PX, i / 3.0 + 0.2 * (chance_uniform(&c) - 0.5)));
    s->y[s->count] = 0.0;
    s->weight[s->count++] = 2.0e4 * (0.2 + chance_uniform(&c));
  }
}

/* Standard deviation of value i, grey. */
static double value_sd(const sp_stack *s, size_t i)
{
  return fabs(s->height) * s->noise / sqrt(s->weight[i]);
}

/* A function on the nodes, at x px, straight between them. */
static double between_nodes(const double *node, double x)
{
  int i = 0;
  while (i < SP_GROUND_NODES - 2 && HALF_PX * node_x(i + 1) < x)
    i++;
  const double a = HALF_PX * node_x(i), b = HALF_PX * node_x(i + 1);
  return (node[i] * (b - x) + node[i + 1] * (x - a)) / (b - a);
}

/* A[i * columns + j]. */
static size_t design(const sp_ground *g, const sp_stack *s, double *a)
{
  const size_t m = g->waves + 2;
  for (size_t i = 0; i < s->count; i++) {
    a[i * m] = g->free_sd / value_sd(s, i);
    a[i * m + 1] = g->free_sd * s->x[i] / HALF_PX / value_sd(s, i);
    for (size_t k = 0; k < g->waves; k++)
      a[i * m + 2 + k] = between_nodes(g->wave[k], s->x[i]) / value_sd(s, i);
  }
  return m;
}

static void *memory(size_t size)
{
  void *p = malloc(size);
  assert_non_null(p);
  return p;
}

/* ---- whitening ---- */

/* W of sp_whiten, column by column with a stride, must make W C W' the unit matrix. `free_error` for the directions of
 * level and tilt, whose variance of some 1e7 leaves that many digits fewer. */
static void check_whitening(const sp_ground *g, const sp_stack *s, double tolerance)
{
  const size_t n = s->count;
  double *a = memory(n * MOST_COLUMNS * sizeof *a), *w = memory(n * n * sizeof *w), *wa = memory(n * MOST_COLUMNS * sizeof *wa);
  sp_whitening *whitening = memory(sizeof *whitening);
  const size_t m = design(g, s, a);
  assert_true(sp_whitening_create(g, s, whitening));
  for (size_t i = 0; i < n * n; i++)
    w[i] = i % (n + 1) == 0 ? 1.0 : 0.0;
  for (size_t j = 0; j < n; j++)
    sp_whiten(whitening, w + j, n);
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < m; j++) {
      wa[i * m + j] = 0.0;
      for (size_t k = 0; k < n; k++)
        wa[i * m + j] += w[i * n + k] * a[k * m + j];
    }
  double worst = 0.0;
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < n; j++) {
      double sum = 0.0; /* (W W' + W A (W A)') */
      for (size_t k = 0; k < n; k++)
        sum += w[i * n + k] * w[j * n + k];
      for (size_t k = 0; k < m; k++)
        sum += wa[i * m + k] * wa[j * m + k];
      worst = fmax(worst, fabs(sum - (i == j)));
    }
  printf("worst %g\n", worst);
  CHECK_CLOSE(worst, 0.0, tolerance);
  free(a);
  free(w);
  free(wa);
  free(whitening);
}
int main(void){ sp_ground g=wavy(); sp_stack *s=memory(sizeof*s); lay_out(-60.0,3,s); check_whitening(&g,s,1); lay_out(50.0,4,s); check_whitening(&g,s,1);
 g.free_sd=30; check_whitening(&g,s,1);g.free_sd=255; memcpy(g.wave[2],g.wave[0],sizeof g.wave[0]); check_whitening(&g,s,1);memset(g.wave[1],0,sizeof g.wave[0]); check_whitening(&g,s,1); g.waves=0; check_whitening(&g,s,1); s->height*=1e-3; check_whitening(&g,s,1); g=wavy();check_whitening(&g,s,1); for(int i=0;i<41;i++) g.wave[0][i]=1.0; s->height=50;check_whitening(&g,s,1);  }
