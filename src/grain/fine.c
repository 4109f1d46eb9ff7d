/* How far one face is shifted against another, below a pixel, and how sure the wood makes of it.
 *
 * The overlap is cut into slabs along the board and each slab into patches across. Each patch is found in the other
 * face by itself: by correlation within half a millimetre first, then by least squares of the grey with a gain of its
 * own (Lucas & Kanade 1981), and states a covariance from the scatter of the score over its own parts (a sandwich: J' V
 * J), because neighbouring samples are not independent. Patches share nothing but the board and the carriage at that
 * place, so the patches of a slab must agree; where they do not, all uncertainties are widened by what they disagree
 * (R. T. Birge, Phys. Rev. 40, 1932).
 *
 * What changes slowly along the board is taken off as a mean over some millimetres. Beside a mask or the end of a
 * picture that mean is one-sided, and slow figure (curl, flame) that is left of it otherwise in the one face than in
 * the other passes for a shift: 40 um on curly maple. So once the shift is known the second face is drawn anew on the
 * first's samples, what only one of them shows is masked, and all patches are fitted again.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "grain_internal.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"

static const double PATCH_ALONG_MM = 8.0, PATCH_ACROSS_MM = 6.0;
/* Left out at the ends of the overlap: the glass's last millimetres, and room for the search. */
static const double END_MM = 1.0;
static const double REACH_MM = 0.5; /* of the search */
static const double SLOW_MM = 3.0, CLIP = 6.0;
/* A patch serves if it correlates at least so well once aligned. */
static const double LEAST_CORRELATION = 0.25;
static const double FARTHEST_U_MM = 0.1; /* surer than this, or of no use */
/* No patch is believed to better than this: interpolation, and what a pixel's own grid does. */
static const double FLOOR_MM = 0.0005;
enum { STEPS = 12, PARTS_ALONG = 4, PARTS_ACROSS = 3, MAX_ROWS = 24, MAX_PATCHES = MAX_ROWS * SP_GRAIN_SLABS };

typedef struct patch {
  int32_t i0, i1, j0, j1; /* samples of the first */
  double y_mm;            /* its middle */
  bool found;
  double shift, aside; /* mm: place in the first less place in the second */
  double u_shift, u_aside;
} patch;

typedef struct fit_job {
  const texture *first, *second;
  double shift_mm, aside_mm;
  bool known; /* the shift: to far less than a sample, so that what the one masks can be masked in the other */
  patch *patch;
} fit_job;

/* Weights of cubic convolution at `a` past the second of four samples. */
static void cubic(double a, double w[4])
{
  w[0] = a * (-0.5 + a * (1.0 - 0.5 * a));
  w[1] = 1.0 + a * a * (-2.5 + 1.5 * a);
  w[2] = a * (0.5 + a * (2.0 - 1.5 * a));
  w[3] = a * a * (-0.5 + 0.5 * a);
}

/* Value of the second at a place in samples, over cells that are all unmasked; false otherwise. */
static bool look(const texture *t, double x, double y, double *value)
{
  if (!(x >= 1.0 && y >= 1.0 && x < t->columns - 2.0 && y < t->rows - 2.0))
    return false;
  const int32_t i = (int32_t)x, j = (int32_t)y;
  double wx[4], wy[4], sum = 0.0;
  cubic(x - i, wx);
  cubic(y - j, wy);
  for (int32_t q = 0; q < 4; q++) {
    const size_t at = (size_t)(j - 1 + q) * (size_t)t->columns + (size_t)(i - 1);
    double row = 0.0;
    for (size_t p = 0; p < 4; p++) {
      if (!(t->weight[at + p] > 0.0f))
        return false;
      row += wx[p] * (double)t->value[at + p];
    }
    sum += wy[q] * row;
  }
  *value = sum;
  return true;
}

/* The first's slope at a sample; false where a neighbour is masked. */
static bool slope_at(const texture *t, int32_t i, int32_t j, double *gx, double *gy)
{
  const size_t w = (size_t)t->columns, at = (size_t)j * w + (size_t)i;
  if (i < 1 || j < 1 || i + 1 >= t->columns || j + 1 >= t->rows)
    return false;
  if (!(t->weight[at] > 0.0f && t->weight[at - 1] > 0.0f && t->weight[at + 1] > 0.0f && t->weight[at - w] > 0.0f &&
        t->weight[at + w] > 0.0f))
    return false;
  *gx = 0.5 * (double)(t->value[at + 1] - t->value[at - 1]);
  *gy = 0.5 * (double)(t->value[at + w] - t->value[at - w]);
  return true;
}

static double correlation_of(double a, double b, double aa, double bb, double ab, double n)
{
  const double va = aa - a * a / n, vb = bb - b * b / n;
  return n >= 200.0 && va > 0.0 && vb > 0.0 ? (ab - a * b / n) / sqrt(va * vb) : NAN;
}

/* Correlation at a shift in samples, every other sample each way. */
static double correlation(const fit_job *job, const patch *p, double dx, double dy)
{
  enum { STEP = 2 };
  double a = 0.0, b = 0.0, aa = 0.0, bb = 0.0, ab = 0.0, n = 0.0;
  for (int32_t j = p->j0; j < p->j1; j += STEP)
    for (int32_t i = p->i0; i < p->i1; i += STEP) {
      const size_t at = (size_t)j * (size_t)job->first->columns + (size_t)i;
      double other;
      if (!(job->first->weight[at] > 0.0f) || !look(job->second, i + dx, j + dy, &other))
        continue;
      const double one = (double)job->first->value[at];
      a += one;
      b += other;
      aa += one * one;
      bb += other * other;
      ab += one * other;
      n += 1.0;
    }
  return correlation_of(a, b, aa, bb, ab, n);
}

/* The same at a shift of whole samples, every third each way: nothing lies between samples. */
static double correlation_at_samples(const fit_job *job, const patch *p, int32_t dx, int32_t dy)
{
  enum { STEP = 3 };
  const texture *f = job->first, *s = job->second;
  double a = 0.0, b = 0.0, aa = 0.0, bb = 0.0, ab = 0.0, n = 0.0;
  for (int32_t j = p->j0; j < p->j1; j += STEP) {
    if (j + dy < 0 || j + dy >= s->rows)
      continue;
    const size_t row = (size_t)j * (size_t)f->columns, other_row = (size_t)(j + dy) * (size_t)s->columns;
    for (int32_t i = p->i0; i < p->i1; i += STEP) {
      if (i + dx < 0 || i + dx >= s->columns)
        continue;
      const size_t at = row + (size_t)i, there = other_row + (size_t)(i + dx);
      const double w = (double)(f->weight[at] * s->weight[there]), one = w * (double)f->value[at],
                   other = w * (double)s->value[there];
      a += one;
      b += other;
      aa += one * one;
      bb += other * other;
      ab += one * other;
      n += w;
    }
  }
  return correlation_of(a, b, aa, bb, ab, n);
}

/* Best of the whole samples within reach, in steps of two. */
static bool seek(const fit_job *job, const patch *p, double *dx, double *dy)
{
  const int32_t reach = (int32_t)(REACH_MM / SP_FACE_PITCH_MM);
  const int32_t x0 = (int32_t)lround(*dx), y0 = (int32_t)lround(*dy);
  double best = -1.0;
  for (int32_t y = y0 - reach; y <= y0 + reach; y += 2)
    for (int32_t x = x0 - reach; x <= x0 + reach; x += 2) {
      const double r = correlation_at_samples(job, p, x, y);
      if (r > best) {
        best = r;
        *dx = x;
        *dy = y;
      }
    }
  return best > 0.0;
}

/* Sums of one patch at one shift: parameters are shift along, shift across, gain, level. */
enum { FREE = 4 };
typedef struct normal {
  double n, h[FREE * FREE], g[FREE], score[PARTS_ALONG * PARTS_ACROSS][FREE];
} normal;

static void gather(const fit_job *job, const patch *p, double dx, double dy, double gain, double level, normal *s)
{
  memset(s, 0, sizeof *s);
  for (int32_t j = p->j0; j < p->j1; j++)
    for (int32_t i = p->i0; i < p->i1; i++) {
      double gx, gy, other;
      if (!slope_at(job->first, i, j, &gx, &gy) || !look(job->second, i + dx, j + dy, &other))
        continue;
      const double one = (double)job->first->value[(size_t)j * (size_t)job->first->columns + (size_t)i];
      /* second(x + d) = gain first(x) + level; its slope is gain times the first's, which holds no noise of its own */
      const double rest = other - gain * one - level, design[FREE] = {gain * gx, gain * gy, one, 1.0};
      const size_t part = (size_t)((i - p->i0) * PARTS_ALONG / (p->i1 - p->i0)) * PARTS_ACROSS +
                          (size_t)((j - p->j0) * PARTS_ACROSS / (p->j1 - p->j0));
      s->n += 1.0;
      for (size_t a = 0; a < FREE; a++) {
        s->g[a] += design[a] * rest;
        s->score[part][a] += design[a] * rest;
        for (size_t b = 0; b <= a; b++)
          s->h[a * FREE + b] += design[a] * design[b];
      }
    }
}

/* Variances of the shifts from the scores of the parts. */
static void sandwich(const normal *s, const double *inverse, double variance[2])
{
  variance[0] = variance[1] = 0.0;
  for (size_t k = 0; k < PARTS_ALONG * PARTS_ACROSS; k++)
    for (size_t a = 0; a < 2; a++) {
      double move = 0.0;
      for (size_t b = 0; b < FREE; b++)
        move += inverse[a * FREE + b] * s->score[k][b];
      variance[a] += move * move;
    }
  const double parts = PARTS_ALONG * PARTS_ACROSS;
  variance[0] *= parts / (parts - FREE);
  variance[1] *= parts / (parts - FREE);
}

static void fit_patch(void *context, size_t index)
{
  const fit_job *job = context;
  patch *p = &job->patch[index];
  const texture *a = job->first, *b = job->second;
  /* sample i of the first lies on sample i + dx of the second */
  const double dx0 = (a->x0_mm - b->x0_mm - job->shift_mm) / SP_FACE_PITCH_MM,
               dy0 = (a->y0_mm - b->y0_mm - job->aside_mm) / SP_FACE_PITCH_MM;
  double dx = dx0, dy = dy0, gain = 1.0, level = 0.0, inverse[FREE * FREE], variance[2];
  normal s;
  p->found = false;
  if (!seek(job, p, &dx, &dy))
    return;
  for (int step = 0;; step++) {
    gather(job, p, dx, dy, gain, level, &s);
    if (!(s.n >= 400.0) || !sp_cholesky(FREE, s.h))
      return;
    sp_cholesky_inverse(FREE, s.h, inverse);
    double move[FREE];
    memcpy(move, s.g, sizeof move);
    sp_cholesky_solve(FREE, s.h, move);
    if ((fabs(move[0]) < 1e-3 && fabs(move[1]) < 1e-3 && step > 1) || step == STEPS)
      break;
    /* rest > 0 where the second is ahead: moving d by -m takes it off */
    dx -= fmin(fmax(move[0], -1.0), 1.0);
    dy -= fmin(fmax(move[1], -1.0), 1.0);
    gain += move[2];
    level += move[3];
  }
  sandwich(&s, inverse, variance);
  const double reach = 1.2 * REACH_MM / SP_FACE_PITCH_MM;
  if (!(fabs(dx - dx0) < reach && fabs(dy - dy0) < reach && gain > 0.1 &&
        correlation(job, p, dx, dy) > LEAST_CORRELATION))
    return;
  p->shift = a->x0_mm - b->x0_mm - dx * SP_FACE_PITCH_MM;
  p->aside = a->y0_mm - b->y0_mm - dy * SP_FACE_PITCH_MM;
  p->u_shift = hypot(sqrt(variance[0]) * SP_FACE_PITCH_MM, FLOOR_MM);
  p->u_aside = hypot(sqrt(variance[1]) * SP_FACE_PITCH_MM, FLOOR_MM);
  p->found = isfinite(p->u_shift) && p->u_shift < FARTHEST_U_MM && isfinite(p->u_aside);
}

/* ---- the slabs ---------------------------------------------------------------------------------------------------
 */

/* Weighted mean of some patches' shifts (or shifts aside), those far off their median left out. */
typedef struct mean {
  double value, u, chi2;
  size_t n;
} mean;

static mean mean_of(const patch *p, size_t count, bool aside)
{
  double work[MAX_PATCHES], sum = 0.0, weight = 0.0;
  size_t n = 0;
  mean m = {NAN, NAN, 0.0, 0};
  for (size_t i = 0; i < count; i++)
    if (p[i].found)
      work[n++] = aside ? p[i].aside : p[i].shift;
  if (!n)
    return m;
  const double middle = sp_median(work, n), scatter = sp_mad(work, n);
  for (int round = 0; round < 2; round++) {
    sum = weight = m.chi2 = 0.0;
    m.n = 0;
    for (size_t i = 0; i < count; i++) {
      if (!p[i].found)
        continue;
      const double at = aside ? p[i].aside : p[i].shift, u = aside ? p[i].u_aside : p[i].u_shift;
      if (n > 3 && fabs(at - middle) > 5.0 * hypot(u, scatter))
        continue;
      sum += at / (u * u);
      weight += 1.0 / (u * u);
      m.n++;
      if (round)
        m.chi2 += pow((at - m.value) / u, 2);
    }
    if (!(weight > 0.0))
      return (mean){NAN, NAN, 0.0, 0};
    m.value = sum / weight;
  }
  m.u = 1.0 / sqrt(weight);
  return m;
}

static void add_slab(const patch *p, size_t count, double x_mm, sp_grain_fit *fit, double *chi2, double *freedom)
{
  const mean along = mean_of(p, count, false), across = mean_of(p, count, true);
  if (along.n < 2)
    return;
  sp_grain_slab *s = &fit->slab[fit->count++];
  s->x_mm = x_mm;
  s->shift_mm = along.value;
  s->u_shift_mm = along.u;
  s->aside_mm = across.value;
  s->u_aside_mm = across.u;
  s->patches = along.n;
  fit->patches += along.n;
  *chi2 += along.chi2;
  *freedom += (double)along.n - 1.0;
}

/* Shift aside and turn of all slabs: a straight line of the shifts aside. The scatter about it widens both. */
static void fit_turn(sp_grain_fit *fit)
{
  double x[SP_GRAIN_SLABS], y[SP_GRAIN_SLABS], w[SP_GRAIN_SLABS];
  sp_straight line;
  for (size_t i = 0; i < fit->count; i++) {
    const sp_grain_slab *s = &fit->slab[i];
    x[i] = s->x_mm;
    y[i] = s->aside_mm;
    w[i] = 1.0 / (s->u_aside_mm * s->u_aside_mm);
  }
  fit->turn_rad = fit->u_turn_rad = fit->aside_mm = fit->u_aside_mm = NAN;
  if (fit->count >= 3 && sp_straight_fit(fit->count, x, y, w, NAN, &line, NULL) == SP_OK) {
    fit->aside_mm = line.mean_y;
    fit->u_aside_mm = line.u_mean_y * fmax(1.0, 1.0 / line.s);
    fit->turn_rad = line.b;
    fit->u_turn_rad = line.u_b * fmax(1.0, 1.0 / line.s);
  }
}

/* 3 x 3 weights 1 2 1 of the unmasked: noise of single samples would be taken for slopes. */
static bool smooth(texture *t)
{
  const size_t n = (size_t)t->columns * (size_t)t->rows, w = (size_t)t->columns;
  float *out = malloc((n + 1) * sizeof *out);
  if (!out)
    return false;
  for (int pass = 0; pass < 2; pass++) {
    const size_t step = pass ? w : 1;
    for (size_t i = 0; i < n; i++) {
      const size_t place = pass ? i / w : i % w, last = pass ? (size_t)t->rows - 1 : w - 1;
      float sum = 2.0f * t->weight[i] * t->value[i], weight = 2.0f * t->weight[i];
      if (place > 0) {
        sum += t->weight[i - step] * t->value[i - step];
        weight += t->weight[i - step];
      }
      if (place < last) {
        sum += t->weight[i + step] * t->value[i + step];
        weight += t->weight[i + step];
      }
      out[i] = t->weight[i] > 0.0f ? sum / weight : 0.0f;
    }
    memcpy(t->value, out, n * sizeof *out);
  }
  free(out);
  return true;
}

/* A stretch of a face, with nothing of its own but the samples; false without memory. */
static bool cut(const sp_face *from, double x_from_mm, double x_to_mm, sp_face *piece)
{
  const double i0 = fmax(0.0, floor((x_from_mm - from->x0_mm) / SP_FACE_PITCH_MM));
  const double i1 = fmin(from->columns - 1.0, ceil((x_to_mm - from->x0_mm) / SP_FACE_PITCH_MM));
  *piece = (sp_face){from->x0_mm + i0 * SP_FACE_PITCH_MM, from->y0_mm, i1 > i0 ? (int32_t)(i1 - i0) + 1 : 1, from->rows,
                     NULL};
  const size_t columns = (size_t)piece->columns;
  piece->grey = calloc(columns * (size_t)piece->rows, sizeof *piece->grey);
  if (!piece->grey || !(i1 > i0))
    return piece->grey != NULL;
  for (size_t j = 0; j < (size_t)piece->rows; j++)
    memcpy(piece->grey + j * columns, from->grey + j * (size_t)from->columns + (size_t)i0,
           columns * sizeof *piece->grey);
  return true;
}

/* Grey of a face at a place in samples; 0 where one of the samples about it is masked. */
static uint16_t grey_at(const sp_face *f, double x, double y)
{
  if (!(x >= 1.0 && y >= 1.0 && x < f->columns - 2.0 && y < f->rows - 2.0))
    return 0;
  const size_t i = (size_t)x, j = (size_t)y;
  double wx[4], wy[4], sum = 0.0;
  cubic(x - (double)i, wx);
  cubic(y - (double)j, wy);
  for (size_t q = 0; q < 4; q++) {
    const uint16_t *row = f->grey + (j - 1 + q) * (size_t)f->columns + i - 1;
    if (!row[0] || !row[1] || !row[2] || !row[3])
      return 0;
    sum += wy[q] * (wx[0] * row[0] + wx[1] * row[1] + wx[2] * row[2] + wx[3] * row[3]);
  }
  return (uint16_t)fmin(fmax(round(sum), 1.0), 65535.0);
}

/* The second face anew on the samples of the first, each masked where the other is; false without memory. */
static bool lay_on(sp_face *first, double shift_mm, double aside_mm, sp_face *second)
{
  const size_t w = (size_t)first->columns, n = w * (size_t)first->rows;
  const double x0 = first->x0_mm - shift_mm, y0 = first->y0_mm - aside_mm;
  const double dx = (x0 - second->x0_mm) / SP_FACE_PITCH_MM, dy = (y0 - second->y0_mm) / SP_FACE_PITCH_MM;
  uint16_t *grey = calloc(n + 1, sizeof *grey);
  if (!grey)
    return false;
  for (size_t k = 0; k < n; k++) {
    grey[k] = first->grey[k] ? grey_at(second, (double)(k % w) + dx, (double)(k / w) + dy) : 0;
    first->grey[k] = grey[k] ? first->grey[k] : 0;
  }
  sp_face_free(second);
  *second = (sp_face){x0, y0, first->columns, first->rows, grey};
  return true;
}

static bool texture_of_stretch(const sp_face *stretch, texture *out)
{
  return texture_of(stretch, 1, SLOW_MM, CLIP, out) && smooth(out);
}

/* Both faces' stretches about a slab, as they can be compared. */
static bool stretches_of(const sp_face *first, const sp_face *second, double middle_mm, double half_mm,
                         const fit_job *job, texture *a, texture *b)
{
  const double more = REACH_MM + 1.0, reach = half_mm + SLOW_MM + (job->known ? more : 0.0);
  sp_face one = {.grey = NULL}, two = {.grey = NULL};
  const double there = middle_mm - job->shift_mm;
  bool fine = cut(first, middle_mm - reach, middle_mm + reach, &one) &&
              cut(second, there - half_mm - SLOW_MM - more, there + half_mm + SLOW_MM + more, &two);
  fine = fine && (!job->known || lay_on(&one, job->shift_mm, job->aside_mm, &two));
  fine = fine && texture_of_stretch(&one, a) && texture_of_stretch(&two, b);
  sp_face_free(&one);
  sp_face_free(&two);
  return fine;
}

/* The patches of one slab, fitted. Only its own stretch of both faces is held as numbers. */
static bool fit_slab(const sp_face *first, const sp_face *second, double middle_mm, double along_mm, fit_job *job,
                     size_t rows)
{
  const double half = 0.5 * along_mm;
  texture a = {0}, b = {0};
  const bool fine = stretches_of(first, second, middle_mm, half, job, &a, &b);
  if (fine) {
    const int32_t i0 = (int32_t)lround((middle_mm - half - a.x0_mm) / SP_FACE_PITCH_MM),
                  i1 = (int32_t)lround((middle_mm + half - a.x0_mm) / SP_FACE_PITCH_MM);
    for (size_t r = 0; r < rows; r++) {
      patch *p = &job->patch[r];
      *p = (patch){.i0 = i0 < 0 ? 0 : i0,
                   .i1 = i1 > a.columns ? a.columns : i1,
                   .j0 = (int32_t)r * a.rows / (int32_t)rows,
                   .j1 = ((int32_t)r + 1) * a.rows / (int32_t)rows};
      p->y_mm = a.y0_mm + 0.5 * (p->j0 + p->j1 - 1) * SP_FACE_PITCH_MM;
    }
    job->first = &a;
    job->second = &b;
    sp_workers_run(fit_patch, job, rows);
  }
  texture_free(&a);
  texture_free(&b);
  return fine;
}

/* Wood whose streaks run along the board makes some patches lock in at a wrong place along them. All patches of an
 * overlap must say the same to a few micrometres, so those count that most agree with; the others are left out. */
static void keep_agreeing(patch *p, size_t count, sp_grain_fit *fit)
{
  double best = NAN;
  fit->found = fit->agreeing = 0;
  for (size_t i = 0; i < count; i++) {
    size_t n = 0;
    if (!p[i].found)
      continue;
    fit->found++;
    for (size_t k = 0; k < count; k++)
      n += p[k].found && fabs(p[k].shift - p[i].shift) < SP_GRAIN_AGREE_MM;
    if (n > fit->agreeing) {
      fit->agreeing = n;
      best = p[i].shift;
    }
  }
  for (size_t i = 0; i < count; i++)
    p[i].found = p[i].found && fabs(p[i].shift - best) < SP_GRAIN_AGREE_MM;
}

/* All slabs from their patches. */
static void sum_up(const patch *p, const double *middle_mm, size_t slabs, size_t rows, sp_grain_fit *fit)
{
  double chi2 = 0.0, freedom = 0.0;
  fit->count = fit->patches = 0;
  for (size_t s = 0; s < slabs; s++)
    add_slab(p + s * rows, rows, middle_mm[s], fit, &chi2, &freedom);
  fit->scatter = freedom > 0.0 ? fmax(1.0, sqrt(chi2 / freedom)) : 1.0;
  for (size_t i = 0; i < fit->count; i++)
    fit->slab[i].u_shift_mm *= fit->scatter;
  fit_turn(fit);
}

static bool fit_once(const sp_face *first, const sp_face *second, double from_mm, double to_mm, fit_job *job,
                     sp_grain_fit *fit)
{
  const double length = to_mm - from_mm, along = fmin(PATCH_ALONG_MM, length);
  const double most = fmin(fmax(floor(length / PATCH_ALONG_MM), 1.0), SP_GRAIN_SLABS);
  const size_t slabs = (size_t)most, rows = (size_t)fmin(first->rows * SP_FACE_PITCH_MM / PATCH_ACROSS_MM, MAX_ROWS);
  double middle[SP_GRAIN_SLABS] = {0.0};
  patch *all = job->patch;
  if (!rows)
    return true;
  for (size_t s = 0; s < slabs; s++) {
    middle[s] = from_mm + ((double)s + 0.5) * length / (double)slabs;
    job->patch = all + s * rows;
    if (!fit_slab(first, second, middle[s], along, job, rows))
      return false;
  }
  sum_up(all, middle, slabs, rows, fit);
  if (isfinite(fit->turn_rad))
    for (size_t i = 0; i < slabs * rows; i++)
      all[i].shift += fit->turn_rad * all[i].y_mm;
  keep_agreeing(all, slabs * rows, fit);
  sum_up(all, middle, slabs, rows, fit);
  job->patch = all;
  return true;
}

/* The median over all slabs is nearer than any sample. */
static void take_shift(const sp_grain_fit *fit, fit_job *job)
{
  double shift[SP_GRAIN_SLABS], aside[SP_GRAIN_SLABS];
  for (size_t i = 0; i < fit->count; i++) {
    shift[i] = fit->slab[i].shift_mm;
    aside[i] = fit->slab[i].aside_mm;
  }
  job->shift_mm = sp_median(shift, fit->count);
  job->aside_mm = sp_median(aside, fit->count);
  job->known = true;
}

static bool fit_overlap(const sp_face *first, const sp_face *second, double from_mm, double to_mm, fit_job *job,
                        sp_grain_fit *fit)
{
  if (!fit_once(first, second, from_mm, to_mm, job, fit))
    return false;
  if (!fit->count)
    return true;
  take_shift(fit, job);
  return fit_once(first, second, from_mm, to_mm, job, fit);
}

sp_status sp_grain_fit_place(const sp_face *first, const sp_face *second, double shift_mm, double aside_mm,
                             sp_grain_fit *fit, sp_error *err)
{
  const double b0 = second->x0_mm + shift_mm, b1 = b0 + (second->columns - 1) * SP_FACE_PITCH_MM;
  const double from = fmax(first->x0_mm, b0), to = fmin(first->x0_mm + (first->columns - 1) * SP_FACE_PITCH_MM, b1);
  patch *p = calloc(MAX_PATCHES, sizeof *p);
  memset(fit, 0, sizeof *fit);
  fit->turn_rad = fit->u_turn_rad = fit->aside_mm = fit->u_aside_mm = NAN;
  fit->scatter = 1.0;
  fit->overlap_mm = fmax(0.0, to - from);
  fit_job job = {.shift_mm = shift_mm, .aside_mm = aside_mm, .patch = p};
  const bool fine =
      p && (!(to - from > 2.0 * END_MM + 3.0) || fit_overlap(first, second, from + END_MM, to - END_MM, &job, fit));
  free(p);
  return fine ? SP_OK : sp_fail_memory(err);
}
