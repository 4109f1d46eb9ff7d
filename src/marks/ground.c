/* The wood around a line.
 *
 * What lies under and beside a line is not flat: a plane leaves waves, a figured board has bands, and a wave that rises
 * on one side of a cut and falls on the other pulls the cut's apparent place along or passes for a burr. How the wood
 * of this board changes along the grain is measured where there is no line: the board's breadth is averaged along the
 * lines' direction, and the covariance of that profile at short distances describes the wood as a stationary random
 * function. The eigenfunctions of this covariance over a line's window (Karhunen and Loeve's expansion; a level and a
 * tilt are always free) are what the fit of a cross-section allows the background to do, and how much of each.
 *
 * sp_whitening makes least squares of that: with noise of variance 1 and a background A a, a of variance 1, the
 * covariance of the values is I + A A', whose inverse square root is I - Q diag(1 - 1/sqrt(1 + d)) Q' for A = Q sqrt(d)
 * V'. Residuals and derivatives multiplied by it are independent and of variance 1, whatever the shape.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "marks_internal.h"
#include "slotproof/numeric.h"
#include "workers/wide.h"

/* Off a line's place by less than this lies its burr, not wood. */
static const double MARK_REACH_MM = 0.36;
/* Lines that are left out for sure: this part of the sixth best in height times length. Standard deviations beyond
 * which something is no wave: a sine reaches 1 of these. */
static const double CLEAR_LINE = 0.4, OUTSTANDING = 3.0;
/* Where crests show as much as that no wood would be left: then this part of the best. */
static const double CLEAR_OF_BEST = 0.62;
/* Waves longer than twice this are a tilt within the window. */
static const double SLOW_MM = 5.0;
/* Where nothing is known: wood smooth over this length changes by this part of full scale. */
static const double DEFAULT_LENGTH_MM = 0.35, DEFAULT_SD = 0.02;
/* However even the board is: part of full scale. */
static const double LEAST_SD = 2e-4;
/* Variance, against that of the first, below which a function is left out. */
static const double LEAST_WAVE = 1e-4;

int32_t sp_window_half_px(sp_mark_kind kind, double px_per_mm)
{
  const double half = (kind == SP_MARK_SLOT ? 0.95 : 0.62) * px_per_mm;
  return (int32_t)fmin(SP_STACK_HALF_PX, fmax(9.0, round(half)));
}

/* ---- covariance to functions ---------------------------------------------------------------------------------------
 */

enum { NODES = SP_GROUND_NODES };

/* Takes level and tilt out of the rows of the symmetric matrix k. */
static void take_line_out(double *k)
{
  double square = 0.0;
  for (int i = 0; i < NODES; i++)
    square += (i - NODES / 2) * (double)(i - NODES / 2);
  for (int r = 0; r < NODES; r++) {
    double mean = 0.0, tilt = 0.0;
    for (int i = 0; i < NODES; i++) {
      mean += k[r * NODES + i] / NODES;
      tilt += k[r * NODES + i] * (i - NODES / 2) / square;
    }
    for (int i = 0; i < NODES; i++)
      k[r * NODES + i] -= mean + tilt * (i - NODES / 2);
  }
}

static void transpose(double *k)
{
  for (int i = 0; i < NODES; i++)
    for (int j = 0; j < i; j++) {
      const double swap = k[i * NODES + j];
      k[i * NODES + j] = k[j * NODES + i];
      k[j * NODES + i] = swap;
    }
}

/* Eigenfunctions of a covariance given at distances 0 .. lags - 1 px. */
static bool expand(const double *covariance, size_t lags, sp_ground *g)
{
  double *k = malloc(2 * NODES * NODES * sizeof *k), value[NODES];
  if (!k)
    return false;
  const double step = 2.0 * g->half_px / (NODES - 1);
  for (int i = 0; i < NODES; i++)
    for (int j = 0; j < NODES; j++) {
      const double lag = fmin(step * abs(i - j), (double)lags - 1.001), rest = lag - floor(lag);
      const size_t at = (size_t)lag;
      k[i * NODES + j] = covariance[at] + rest * (covariance[at + 1] - covariance[at]);
    }
  take_line_out(k);
  transpose(k);
  take_line_out(k);
  double *vector = k + NODES * NODES;
  const bool fine = sp_symmetric_eigen(NODES, k, value, vector);
  g->waves = 0;
  while (fine && g->waves < SP_GROUND_WAVES && value[g->waves] > LEAST_WAVE * value[0]) {
    for (int i = 0; i < NODES; i++)
      g->wave[g->waves][i] = sqrt(value[g->waves]) * vector[i * NODES + (int)g->waves];
    g->waves++;
  }
  free(k);
  return fine;
}

/* A smooth function of the given deviation. */
static void add_smooth(double sd, double length_px, double *covariance, size_t lags)
{
  for (size_t i = 0; i < lags; i++)
    covariance[i] += sd * sd * exp(-0.5 * (double)(i * i) / (length_px * length_px));
}

enum { MOST_LAGS = 2 * SP_STACK_HALF_PX + 2 };

void sp_ground_default(sp_mark_kind kind, double px_per_mm, double full_scale, sp_ground *g)
{
  double covariance[MOST_LAGS] = {0};
  memset(g, 0, sizeof *g);
  g->half_px = sp_window_half_px(kind, px_per_mm);
  g->free_sd = full_scale;
  add_smooth(DEFAULT_SD * full_scale, DEFAULT_LENGTH_MM * px_per_mm, covariance, MOST_LAGS);
  if (!expand(covariance, MOST_LAGS, g))
    g->waves = 0;
}

/* ---- the board's profile -------------------------------------------------------------------------------------------
 */

/* Where v lies between the sides and off them by more than `slack`; as each side is straight that is one stretch. */
static void between_sides(const sp_board *b, double v, double slack, int32_t length, int32_t *from, int32_t *to)
{
  double first = 0.0, last = length - 1.0;
  for (int k = 0; k < 2; k++) {
    const double sign = k ? -1.0 : 1.0, slope = sign * b->side[k].slope;
    const double room = sign * (v - b->side[k].at_px) - slack; /* at u = 0; at u it is less by slope u */
    if (slope > 0.0)
      last = fmin(last, floor(room / slope));
    else if (slope < 0.0)
      first = fmax(first, ceil(room / slope));
    else if (room < 0.0)
      last = -1.0;
  }
  *from = (int32_t)fmin(first, length);
  *to = (int32_t)fmax(last + 1.0, 0.0);
}

/* Mean over the board's breadth along its lines, at every u; weight 0 where there is no board. */
static void board_profile(const sp_strips *strips, const sp_board *b, float *profile, float *weight)
{
  const int32_t length = (int32_t)strips->length_px;
  for (uint32_t k = 0; k < strips->count; k++) {
    const double v = (k + 0.5) * strips->width_px - 0.5, slack = 1.5 * strips->width_px;
    const float *p = strips->mean + (size_t)k * strips->length_px;
    /* along the normal of the centre line to where it crosses that */
    const double shift = b->centre.slope * (v - b->centre.at_px), shrink = 1.0 - b->centre.slope * b->centre.slope;
    int32_t from, to;
    between_sides(b, v, slack, length, &from, &to);
    for (int32_t u = from; u < to; u++) {
      const double at = u * shrink + shift;
      const int32_t whole = (int32_t)at;
      if (!(at >= 0.0) || whole + 1 >= length)
        continue;
      const float rest = (float)(at - whole);
      profile[whole] += (1.0f - rest) * p[u];
      weight[whole] += 1.0f - rest;
      profile[whole + 1] += rest * p[u];
      weight[whole + 1] += rest;
    }
  }
}

static void leave_out(float *weight, int32_t length, double from, double to)
{
  const int32_t a = (int32_t)fmax(0.0, floor(from)), z = (int32_t)fmin(length - 1.0, ceil(to));
  for (int32_t u = a; u <= z; u++)
    weight[u] = 0.0f;
}

static double reach_of(const sp_candidate *c)
{
  return fabs(c->height) * (c->v1_px - c->v0_px);
}

/* No board has more lines: where there are more candidates as visible, most of them are waves. */
enum { MOST_LINES = 120 };

/* The candidates come with the most visible first; the less visible ones may be the very waves. */
static void leave_marks_out(const sp_board *b, double px_per_mm, const sp_candidate *c, size_t count, bool sparingly,
                            float *weight, int32_t length)
{
  const double strong = !count      ? 0.0
                        : sparingly ? CLEAR_OF_BEST * reach_of(&c[0])
                                    : CLEAR_LINE * reach_of(&c[count < 12 ? count / 2 : 5]);
  const size_t most = count < MOST_LINES ? count : MOST_LINES;
  for (size_t i = 0; i < most && reach_of(&c[i]) >= strong; i++) {
    const double turn = c[i].slope + b->centre.slope; /* 0: square to the centre line */
    const double at = c[i].u_px + c[i].slope * (b->centre.at_px + b->centre.slope * c[i].u_px - c[i].v_px);
    const double reach = MARK_REACH_MM * px_per_mm + 0.5 * fabs(turn) * (c[i].v1_px - c[i].v0_px);
    leave_out(weight, length, at - reach, at + reach);
  }
  const double clear = 1.5 * px_per_mm;
  if (b->end[0].found)
    leave_out(weight, length, 0.0, b->end[0].u_px + clear);
  if (b->end[1].found)
    leave_out(weight, length, b->end[1].u_px - clear, length);
}

/* Weight 1 where there is wood, and there the mean. */
static void divide_profile(float *profile, float *weight, int32_t length)
{
  for (int32_t u = 0; u < length; u++) {
    profile[u] = weight[u] > 0.0f ? profile[u] / weight[u] : 0.0f;
    weight[u] = weight[u] > 0.0f ? 1.0f : 0.0f;
  }
}

/* Less the running mean over what is wood: leaves waves, takes light and slow bands away. sum, count: length + 1. */
static void level_profile(float *profile, const float *weight, int32_t length, int32_t half, double *sum, double *count)
{
  sum[0] = count[0] = 0.0;
  for (int32_t u = 0; u < length; u++) {
    sum[u + 1] = sum[u] + (double)(weight[u] * profile[u]);
    count[u + 1] = count[u] + (double)weight[u];
  }
  for (int32_t u = 0; u < length; u++) {
    const int32_t a = u > half ? u - half : 0, z = u + half + 1 < length ? u + half + 1 : length;
    if (weight[u] > 0.0f)
      profile[u] -= (float)((sum[z] - sum[a]) / (count[z] - count[a]));
  }
}

/* What stands out of the waves is some line or other. `work` holds length values. */
static void leave_rest_out(const float *profile, float *weight, int32_t length, double reach, float *work)
{
  size_t n = 0;
  for (int32_t u = 0; u < length; u++)
    if (weight[u] > 0.0f)
      work[n++] = fabsf(profile[u]);
  if (n == 0)
    return;
  const float most = (float)(OUTSTANDING * SP_MAD_TO_SD) * sp_median_f(work, n);
  for (int32_t u = 0; u < length; u++)
    work[u] = weight[u] > 0.0f && fabsf(profile[u]) > most ? 1.0f : 0.0f;
  for (int32_t u = 0; u < length; u++)
    if (work[u] > 0.0f)
      leave_out(weight, length, u - reach, u + reach);
}

/* Covariance at each distance; false if there is too little wood. */
static bool covariance_of(const float *profile, const float *weight, int32_t length, size_t lags, double *covariance)
{
  for (size_t lag = 0; lag < lags; lag++) {
    double sum = 0.0;
    size_t pairs = 0;
    for (int32_t u = 0; u + (int32_t)lag < length; u++)
      if (weight[u] > 0.0f && weight[u + (int32_t)lag] > 0.0f) {
        sum += (double)profile[u] * (double)profile[u + (int32_t)lag];
        pairs++;
      }
    if (pairs < 8 * lags)
      return false;
    covariance[lag] = sum / (double)pairs;
  }
  /* at distance 0 the pixels' own noise comes on top, which the fit counts already: an even function of the distance,
   * continued from its neighbours */
  covariance[0] = fmin(covariance[0], covariance[1] + fmax(0.0, covariance[1] - covariance[2]) / 3.0);
  if (covariance[0] <= 0.0) /* nothing but noise */
    memset(covariance, 0, lags * sizeof *covariance);
  return true;
}

typedef struct profile_work {
  float *profile, *weight, *kept; /* a value at each u of the picture */
  double *sum, *count;            /* and one more */
} profile_work;

static bool take_profile(size_t n, profile_work *w)
{
  w->profile = malloc(3 * n * sizeof *w->profile);
  w->sum = malloc(2 * (n + 1) * sizeof *w->sum);
  w->weight = w->profile ? w->profile + n : NULL;
  w->kept = w->profile ? w->weight + n : NULL;
  w->count = w->sum ? w->sum + n + 1 : NULL;
  return w->profile && w->sum;
}

/* Between the marks that are left out; false if there is too little wood. */
static bool covariance_between(const sp_strips *strips, const sp_board *board, double px_per_mm,
                               const sp_candidate *candidates, size_t count, bool sparingly, profile_work *w,
                               size_t lags, double *covariance)
{
  const int32_t length = (int32_t)strips->length_px, slow = (int32_t)lround(SLOW_MM * px_per_mm);
  memset(w->profile, 0, strips->length_px * sizeof *w->profile);
  memset(w->weight, 0, strips->length_px * sizeof *w->weight);
  board_profile(strips, board, w->profile, w->weight);
  leave_marks_out(board, px_per_mm, candidates, count, sparingly, w->weight, length);
  divide_profile(w->profile, w->weight, length);
  level_profile(w->profile, w->weight, length, slow, w->sum, w->count);
  leave_rest_out(w->profile, w->weight, length, MARK_REACH_MM * px_per_mm, w->kept);
  level_profile(w->profile, w->weight, length, slow, w->sum, w->count);
  return covariance_of(w->profile, w->weight, length, lags, covariance);
}

sp_status sp_ground_measure(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                            const sp_candidate *candidates, size_t count, sp_ground *g, sp_error *err)
{
  const sp_strips *strips = &scene->strips[along];
  const double full_scale = sp_raster_full_scale(scene->raster);
  sp_ground measured = {.half_px = sp_window_half_px(o->kind, o->px_per_mm), .free_sd = full_scale, .measured = true};
  profile_work w = {0};
  sp_status status = take_profile(strips->length_px, &w) ? SP_OK : sp_fail_memory(err);
  double covariance[MOST_LAGS] = {0};
  const size_t lags = 2 * (size_t)measured.half_px + 2;
  /* where crests were taken for lines no wood is left: then only what shows more than they do is left out */
  if (!status && (covariance_between(strips, board, o->px_per_mm, candidates, count, false, &w, lags, covariance) ||
                  covariance_between(strips, board, o->px_per_mm, candidates, count, true, &w, lags, covariance))) {
    add_smooth(LEAST_SD * full_scale, DEFAULT_LENGTH_MM * o->px_per_mm, covariance, lags);
    if (!expand(covariance, lags, &measured))
      measured.waves = 0;
  }
  if (measured.waves > 0)
    *g = measured;
  else
    sp_ground_default(o->kind, o->px_per_mm, full_scale, g);
  free(w.profile);
  free(w.sum);
  return status;
}

/* ---- least squares with a background ------------------------------------------------------------------------------
 */

double sp_ground_at(const double *nodes, double half_px, double x)
{
  const double p = fmin(fmax((x / half_px + 1.0) * 0.5 * (NODES - 1), 0.0), NODES - 1.0);
  const int i = p < NODES - 2 ? (int)p : NODES - 2;
  return nodes[i] + (p - i) * (nodes[i + 1] - nodes[i]);
}

/* Column j of A: level, tilt, then the waves. */
static double column_at(const sp_ground *g, size_t j, double x)
{
  return j == 0 ? g->free_sd : j == 1 ? g->free_sd * x / g->half_px : sp_ground_at(g->wave[j - 2], g->half_px, x);
}

bool sp_whitening_create(const sp_ground *g, const sp_stack *s, sp_whitening *w)
{
  enum { MOST = SP_GROUND_WAVES + 2 };
  double gram[MOST * MOST] = {0}, vector[MOST * MOST], d[MOST];
  const size_t m = g->waves + 2;
  w->count = 0;
  w->values = s->count;
  for (size_t i = 0; i < s->count; i++) {
    const double scale = sqrt(s->weight[i]) / (s->noise * fabs(s->height));
    for (size_t j = 0; j < m; j++)
      w->column[j][i] = scale * column_at(g, j, s->x[i]);
  }
  for (size_t j = 0; j < m; j++)
    for (size_t k = 0; k < m; k++)
      for (size_t i = 0; i < s->count; i++)
        gram[j * m + k] += w->column[j][i] * w->column[k][i];
  if (!sp_symmetric_eigen(m, gram, d, vector))
    return false;
  for (size_t k = 0; k < m && d[k] > 1e-6; k++) {
    const double root = sqrt(d[k]);
    for (size_t i = 0; i < s->count; i++) {
      double q = 0.0;
      for (size_t j = 0; j < m; j++)
        q += w->column[j][i] * vector[j * m + k];
      w->q[k][i] = q / root;
    }
    w->shrink[k] = 1.0 - 1.0 / sqrt(1.0 + d[k]);
    w->gain[k] = root / (1.0 + d[k]);
    for (int node = 0; node < NODES; node++) {
      w->wave[k][node] = 0.0;
      for (size_t j = 2; j < m; j++)
        w->wave[k][node] += g->wave[j - 2][node] * vector[j * m + k];
    }
    w->count++;
  }
  return true;
}

/* `columns` is a constant wherever this is called: sums and rows then stay in registers. */
static inline void whiten(const sp_whitening *w, double *restrict x, size_t columns)
{
  for (size_t k = 0; k < w->count; k++) {
    const double *restrict q = w->q[k];
    double dot[SP_WHITEN_COLUMNS] = {0};
    for (size_t i = 0; i < w->values; i++)
      for (size_t c = 0; c < columns; c++)
        dot[c] += q[i] * x[i * columns + c];
    for (size_t c = 0; c < columns; c++)
      dot[c] *= w->shrink[k];
    for (size_t i = 0; i < w->values; i++)
      for (size_t c = 0; c < columns; c++)
        x[i * columns + c] -= dot[c] * q[i];
  }
}

SP_WIDE void sp_whiten(const sp_whitening *w, double *x, size_t columns)
{
  switch (columns) {
  case 1:
    whiten(w, x, 1);
    return;
  case 2:
    whiten(w, x, 2);
    return;
  case 4:
    whiten(w, x, 4);
    return;
  case 6:
    whiten(w, x, 6);
    return;
  case 7:
    whiten(w, x, 7);
    return;
  default:
    whiten(w, x, columns);
    return;
  }
}

void sp_whitening_ground(const sp_whitening *w, const double *rest, double *nodes)
{
  memset(nodes, 0, NODES * sizeof *nodes);
  for (size_t k = 0; k < w->count; k++) {
    double dot = 0.0;
    for (size_t i = 0; i < w->values; i++)
      dot += w->q[k][i] * rest[i];
    for (int node = 0; node < NODES; node++)
      nodes[node] += dot * w->gain[k] * w->wave[k][node];
  }
}

bool sp_ground_behind(const sp_ground *g, const sp_stack *s, const sp_shape *shape, double *nodes)
{
  sp_whitening *w = malloc(sizeof *w);
  double(*x)[2] = malloc((s->count + 1) * sizeof *x); /* cross-section and grey */
  const bool known = w && x && s->noise > 0.0 && sp_whitening_create(g, s, w);
  double of_shape = 0.0, both = 0.0;
  for (size_t i = 0; known && i < s->count; i++) {
    const double scale = sqrt(s->weight[i]) / s->noise;
    x[i][0] = scale * sp_shape_value(shape, s->x[i]);
    x[i][1] = scale * s->y[i];
  }
  if (known)
    sp_whiten(w, x[0], 2);
  for (size_t i = 0; known && i < s->count; i++) {
    of_shape += x[i][0] * x[i][0];
    both += x[i][0] * x[i][1];
  }
  const bool found = known && of_shape > 0.0;
  double *rest = x ? x[0] : NULL; /* value i of it is written when no earlier one of x is asked for any more */
  for (size_t i = 0; found && i < s->count; i++)
    rest[i] = sqrt(s->weight[i]) / s->noise * (s->y[i] - both / of_shape * sp_shape_value(shape, s->x[i]));
  if (found)
    sp_whitening_ground(w, rest, nodes);
  free(w);
  free(x);
  return found;
}

double sp_ground_sd(const sp_ground *g)
{
  double sum = 0.0;
  for (size_t k = 0; k < g->waves; k++)
    for (int i = 0; i < NODES; i++)
      sum += g->wave[k][i] * g->wave[k][i] / NODES;
  return sqrt(sum);
}

/* Generalised least squares: with C the covariance of noise and ground the height is p' C^-1 y / (p' C^-1 p), and C^-1
 * is the whitening, which is symmetric, twice. */
bool sp_ground_kernel(const sp_ground *g, const sp_shape *shape, double noise, sp_kernel *kernel)
{
  const int32_t half = (int32_t)g->half_px, n = 2 * half + 1;
  double weight[SP_STACK_MAX], sum = 0.0;
  sp_stack *s = calloc(1, sizeof *s);
  sp_whitening *w = malloc(sizeof *w);
  bool known = s && w && noise > 0.0 && half <= SP_WINDOW_MOST_PX;
  for (int32_t i = 0; known && i < n; i++) {
    s->x[i] = i - half;
    s->weight[i] = 1.0;
    weight[i] = sp_shape_value(shape, s->x[i]);
  }
  if (known) {
    s->count = (size_t)n;
    s->height = 1.0;
    s->noise = noise;
    known = sp_whitening_create(g, s, w);
  }
  for (int twice = 0; known && twice < 2; twice++)
    sp_whiten(w, weight, 1);
  for (int32_t i = 0; known && i < n; i++)
    sum += weight[i] * sp_shape_value(shape, s->x[i]);
  known = known && sum > 0.0;
  kernel->half_px = half;
  for (int32_t i = 0; known && i < n; i++)
    kernel->weight[i] = (float)(weight[i] / sum);
  free(s);
  free(w);
  return known;
}
