/* The map from pixels to millimetres along the board.
 *
 * A single scale factor would leave the carriage's unevenness (10 to 30 um, waves of 30 to 120 mm) in every reading; a
 * free spline would follow the noise of single graduations. Between the two stands a Gaussian process: a straight line
 * plus harmonics sin(pi j (x + 1) / 2), j = 1..m, on a stretch somewhat longer than the picture, each with the prior
 * variance that a Matern kernel (nu = 5/2) of size s and correlation length l gives its wavelength. Size and length are
 * those that make the readings most probable (marginal likelihood), so an even carriage gets a straight line and an
 * uneven one what it needs. Method: Solin & Sarkka 2020 (see the header); Rasmussen & Williams, Gaussian Processes for
 * Machine Learning, 2006, eq. 2.30 and 4.14.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "slotproof/reference.h"

/* Waves shorter than this are not carriage travel but single graduations. */
static const double SHORTEST_WAVE_MM = 15.0;
/* The harmonics vanish at the ends of their stretch, so it is this much longer than the picture. */
static const double STRETCH = 1.2;
enum { MAX_HARMONICS = 160, MIN_HARMONICS = 8, SIZES = 7, LENGTHS = 6 };
/* Prior sizes (mm) and correlation lengths (mm) that are tried: from none to three times the worst in the literature
 * (0.1 mm: ISPRS 1996 Comm. I, A4 scanners, mean 0.10 mm before correction); lengths from waves of 25 to 300 mm. */
static const double SIZE_MM[SIZES] = {0.0005, 0.002, 0.005, 0.010, 0.020, 0.045, 0.100};
static const double LENGTH_MM[LENGTHS] = {4.0, 7.0, 12.0, 20.0, 35.0, 60.0};

static void basis_at(const sp_scale_map *map, double u_px, double *phi)
{
  const double x = (u_px - map->centre_px) / map->half_px;
  phi[0] = 1.0;
  phi[1] = x;
  /* sin(j a) by the Chebyshev recurrence: one sine and one cosine a point */
  const double a = SP_PI * (x + 1.0) / 2.0, c2 = 2.0 * cos(a);
  double before = 0.0, now = sin(a);
  for (size_t j = 2; j < map->terms; j++) {
    phi[j] = now;
    const double next = c2 * now - before;
    before = now;
    now = next;
  }
}

double sp_scale_map_along_mm(const sp_scale_map *map, double u_px)
{
  double phi[2 + MAX_HARMONICS], sum = 0.0;
  basis_at(map, u_px, phi);
  for (size_t j = map->terms; j-- > 0;)
    sum += phi[j] * map->weights[j];
  return sum;
}

double sp_scale_map_rate(const sp_scale_map *map, double u_px)
{
  return sp_scale_map_along_mm(map, u_px + 0.5) - sp_scale_map_along_mm(map, u_px - 0.5);
}

double sp_scale_map_even_rate(const sp_scale_map *map)
{
  return (sp_scale_map_along_mm(map, map->last_px) - sp_scale_map_along_mm(map, map->first_px)) /
         (map->last_px - map->first_px);
}

double sp_scale_map_uneven_px(const sp_scale_map *map, double u_px)
{
  return sp_scale_map_along_mm(map, u_px) / sp_scale_map_even_rate(map) - u_px;
}

/* Between the places of the table by straight lines; beyond its ends the last place's value. */
static void table_weights(const sp_scale_map *map, double u_px, size_t at[2], double weight[2])
{
  size_t i = 0;
  while (i + 1 < map->places && map->place_px[i + 1] <= u_px)
    i++;
  const size_t next = i + 1 < map->places ? i + 1 : i;
  const double apart = map->place_px[next] - map->place_px[i];
  const double t = apart > 0.0 ? fmin(fmax((u_px - map->place_px[i]) / apart, 0.0), 1.0) : 0.0;
  at[0] = i;
  at[1] = next;
  weight[0] = 1.0 - t;
  weight[1] = t;
}

static double table_covariance(const sp_scale_map *map, double a_px, double c_px)
{
  size_t a[2], c[2];
  double wa[2], wc[2], sum = 0.0;
  table_weights(map, a_px, a, wa);
  table_weights(map, c_px, c, wc);
  for (int i = 0; i < 2; i++)
    for (int j = 0; j < 2; j++)
      sum += wa[i] * wc[j] * map->place_covariance_mm2[a[i] * map->places + c[j]];
  return sum;
}

/* Sum of a_i b_i by several running sums, so that one addition need not wait for the other. */
static double product(const double *a, const double *b, size_t n)
{
  enum { LANES = 8 };
  double lane[LANES] = {0}, sum = 0.0;
  size_t i = 0;
  for (; i + LANES <= n; i += LANES)
    for (size_t m = 0; m < LANES; m++)
      lane[m] += a[i + m] * b[i + m];
  for (; i < n; i++)
    sum += a[i] * b[i];
  for (size_t m = 0; m < LANES; m++)
    sum += lane[m];
  return sum;
}

double sp_scale_map_place_covariance_mm2(const sp_scale_map *map, double a_px, double c_px)
{
  double pa[2 + MAX_HARMONICS], pc[2 + MAX_HARMONICS], sum = 0.0;
  if (map->places)
    return table_covariance(map, a_px, c_px);
  basis_at(map, a_px, pa);
  basis_at(map, c_px, pc);
  for (size_t i = 0; i < map->terms; i++)
    sum += pa[i] * product(map->covariance + i * map->terms, pc, map->terms);
  return sum;
}

double sp_scale_map_place_px(const sp_scale_map *map, double along_mm)
{
  double u = map->centre_px;
  for (int i = 0; i < 30; i++) {
    const double step = (along_mm - sp_scale_map_along_mm(map, u)) / sp_scale_map_rate(map, u);
    u += step;
    if (!(fabs(step) > 1e-9))
      break;
  }
  return u;
}

double sp_scale_map_covariance_mm2(const sp_scale_map *map, double a_px, double b_px, double c_px)
{
  if (map->places)
    return table_covariance(map, a_px, c_px) - table_covariance(map, a_px, b_px) - table_covariance(map, b_px, c_px) +
           table_covariance(map, b_px, b_px);
  double pa[2 + MAX_HARMONICS], pb[2 + MAX_HARMONICS], pc[2 + MAX_HARMONICS], sum = 0.0;
  basis_at(map, a_px, pa);
  basis_at(map, b_px, pb);
  basis_at(map, c_px, pc);
  for (size_t i = 0; i < map->terms; i++) {
    double row = 0.0;
    for (size_t j = 0; j < map->terms; j++)
      row += map->covariance[i * map->terms + j] * (pc[j] - pb[j]);
    sum += (pa[i] - pb[i]) * row;
  }
  return sum;
}

void sp_scale_map_free(sp_scale_map *map)
{
  free(map->weights);
  free(map->covariance);
  free(map->place_px);
  free(map->place_covariance_mm2);
  memset(map, 0, sizeof *map);
}

static sp_status allocate(sp_along along, size_t terms, double length_px, sp_scale_map *map, sp_error *err)
{
  memset(map, 0, sizeof *map);
  map->along = along;
  map->terms = terms;
  map->centre_px = 0.5 * (length_px - 1.0);
  map->half_px = 0.5 * STRETCH * length_px;
  map->weights = calloc(terms, sizeof(double));
  map->covariance = calloc(terms * terms, sizeof(double));
  if (!map->weights || !map->covariance) {
    sp_scale_map_free(map);
    return sp_fail_memory(err);
  }
  return SP_OK;
}

sp_status sp_scale_map_constant(sp_along along, double mm_per_px, double u_relative, double length_px,
                                sp_scale_map *map, sp_error *err)
{
  const sp_status status = allocate(along, 2, length_px, map, err);
  if (status)
    return status;
  map->known = true;
  map->weights[1] = mm_per_px * map->half_px;
  map->covariance[3] = map->weights[1] * map->weights[1] * u_relative * u_relative;
  map->across_mm_per_px = mm_per_px;
  map->u_across_relative = u_relative;
  map->last_px = length_px - 1.0;
  return SP_OK;
}

/* The sums every likelihood is made of; they do not depend on the prior. */
typedef struct sums {
  size_t terms;   /* the map's, then one for each further body's own offset */
  size_t smooth;  /* the map's alone */
  double weight;  /* sum of w */
  double yy;      /* sum w y^2 */
  double *gram;   /* terms x terms: sum w phi phi' */
  double *moment; /* terms: sum w phi y */
  double *work;   /* terms x terms */
  double *vector; /* terms */
} sums;

static void sums_free(sums *s)
{
  free(s->gram);
  free(s->moment);
  free(s->work);
  free(s->vector);
}

static bool sums_create(size_t smooth, size_t offsets, sums *s)
{
  const size_t terms = smooth + offsets;
  memset(s, 0, sizeof *s);
  s->terms = terms;
  s->smooth = smooth;
  s->gram = calloc(terms * terms, sizeof(double));
  s->moment = calloc(terms, sizeof(double));
  s->work = calloc(terms * terms, sizeof(double));
  s->vector = calloc(terms, sizeof(double));
  return s->gram && s->moment && s->work && s->vector;
}

static void sums_add(sums *s, const double *phi, double y, double w)
{
  for (size_t i = 0; i < s->terms; i++) {
    const double wi = w * phi[i];
    s->moment[i] += wi * y;
    for (size_t j = 0; j <= i; j++)
      s->gram[i * s->terms + j] += wi * phi[j];
  }
  s->yy += w * y * y;
  s->weight += w;
}

/* Prior variance (mm^2) of harmonic j: spectral density of the Matern 5/2 kernel at its angular frequency, over half
 * the stretch. Straight-line terms and the bodies' offsets are free: a variance far above anything possible. */
static double prior_variance(size_t term, size_t smooth, double half_mm, double size_mm, double length_mm)
{
  if (term < 2 || term >= smooth)
    return 1e4;
  const double omega = SP_PI * (double)(term - 1) / (2.0 * half_mm);
  const double kappa2 = 5.0 / (length_mm * length_mm);
  const double base = kappa2 + omega * omega;
  /* S(w) = s^2 * (16/3) kappa^5 / (kappa^2 + w^2)^3 : Rasmussen & Williams eq. 4.15, D = 1, nu = 5/2 */
  return size_mm * size_mm * (16.0 / 3.0) * pow(kappa2, 2.5) / (base * base * base) / half_mm;
}

typedef struct prior {
  double half_mm, size_mm, length_mm, noise_mm;
} prior;

/* Leaves the Cholesky factor of the posterior precision in s->work; returns the log marginal likelihood or -INFINITY.
 */
static double factor_posterior(sums *s, const prior *p, double *weights)
{
  const size_t n = s->terms;
  const double inv = 1.0 / (p->noise_mm * p->noise_mm);
  double log_prior = 0.0;
  for (size_t i = 0; i < n; i++) {
    for (size_t j = 0; j <= i; j++)
      s->work[i * n + j] = s->work[j * n + i] = inv * s->gram[i * n + j];
    const double variance = prior_variance(i, s->smooth, p->half_mm, p->size_mm, p->length_mm);
    s->work[i * n + i] += 1.0 / variance;
    log_prior += log(variance);
    s->vector[i] = inv * s->moment[i];
  }
  if (!sp_cholesky(n, s->work))
    return -INFINITY;
  memcpy(weights, s->vector, n * sizeof(double));
  sp_cholesky_solve(n, s->work, weights);
  double quadratic = inv * s->yy;
  for (size_t i = 0; i < n; i++)
    quadratic -= s->vector[i] * weights[i];
  return -0.5 * (2.0 * s->weight * log(p->noise_mm) + log_prior + sp_cholesky_log_det(n, s->work) + quadratic);
}

/* A place on the grid of priors. */
typedef struct grid_place {
  int size, length;
} grid_place;

static double likelihood_at(sums *s, prior *p, grid_place at, double *weights)
{
  p->size_mm = SIZE_MM[at.size];
  p->length_mm = LENGTH_MM[at.length];
  return factor_posterior(s, p, weights);
}

/* Uphill on the grid from `at`, whose likelihood is `best`, step by step to the best neighbour. */
static double climb(sums *s, prior *p, grid_place *at, double best, double *weights)
{
  for (bool better = true; better;) {
    const grid_place from = *at;
    better = false;
    for (int i = from.size - 1; i <= from.size + 1; i++)
      for (int j = from.length - 1; j <= from.length + 1; j++) {
        const grid_place next = {i, j};
        if (i < 0 || j < 0 || i >= SIZES || j >= LENGTHS || (i == from.size && j == from.length))
          continue;
        const double likelihood = likelihood_at(s, p, next, weights);
        if (likelihood > best) {
          best = likelihood;
          *at = next;
          better = true;
        }
      }
  }
  return best;
}

/* All of the grid for the noise as read; where the noise is taken to be more, from there uphill. */
static prior best_prior(sums *s, double half_mm, double noise_mm, double *weights)
{
  static const double NOISE_FACTOR[3] = {1.0, 1.15, 1.35};
  grid_place top = {0, LENGTHS - 1};
  prior p = {half_mm, 0.0, 0.0, noise_mm};
  double best_likelihood = -INFINITY;
  for (int i = 0; i < SIZES; i++)
    for (int j = 0; j < LENGTHS; j++) {
      const double likelihood = likelihood_at(s, &p, (grid_place){i, j}, weights);
      if (likelihood > best_likelihood) {
        best_likelihood = likelihood;
        top = (grid_place){i, j};
      }
    }
  prior best = {half_mm, SIZE_MM[top.size], LENGTH_MM[top.length], noise_mm};
  for (size_t k = 1; k < 3; k++) {
    p.noise_mm = noise_mm * NOISE_FACTOR[k];
    double likelihood = likelihood_at(s, &p, top, weights);
    likelihood = climb(s, &p, &top, likelihood, weights);
    if (likelihood > best_likelihood) {
      best_likelihood = likelihood;
      best = (prior){half_mm, SIZE_MM[top.size], LENGTH_MM[top.length], p.noise_mm};
    }
  }
  return best;
}

/* Noise of one reading from second differences, which any smooth map leaves alone: var = 6 noise^2 for even spacing. */
static sp_status reading_noise(const sp_scale_readings *r, double *noise, sp_error *err)
{
  const size_t count = r->count;
  const double *u_px = r->u_px, *y = r->along_mm, *w = r->weight;
  double *d = malloc(count * sizeof *d);
  size_t n = 0;
  if (!d)
    return sp_fail_memory(err);
  for (size_t i = 1; i + 1 < count; i++) {
    const double a = u_px[i] - u_px[i - 1], b = u_px[i + 1] - u_px[i];
    const bool one_body = !r->body || (r->body[i - 1] == r->body[i] && r->body[i] == r->body[i + 1]);
    if (one_body && w[i - 1] > 0.5 && w[i] > 0.5 && w[i + 1] > 0.5 && a < 1.5 * b && b < 1.5 * a)
      d[n++] = (y[i + 1] - y[i]) - (y[i] - y[i - 1]) * b / a;
  }
  *noise = n >= 8 ? sp_mad(d, n) / sqrt(6.0) : 0.005;
  free(d);
  if (!(*noise > 2e-4)) /* a graduation is never read better than to 0.2 um */
    *noise = 2e-4;
  return SP_OK;
}

/* Straight line through the weighted readings, so that the sums stay small. */
static void straight_line(size_t count, const double *u_px, const double *y, const double *w, double centre,
                          double *offset, double *slope)
{
  double sw = 0, sx = 0, sy = 0, sxx = 0, sxy = 0;
  for (size_t i = 0; i < count; i++) {
    const double x = u_px[i] - centre;
    sw += w[i];
    sx += w[i] * x;
    sy += w[i] * y[i];
    sxx += w[i] * x * x;
    sxy += w[i] * x * y[i];
  }
  *slope = (sw * sxy - sx * sy) / (sw * sxx - sx * sx);
  *offset = (sy - *slope * sx) / sw;
}

static void collect(const sp_scale_map *map, const sp_scale_readings *r, double offset, double slope, double *phi,
                    sums *s)
{
  for (size_t i = 0; i < r->count; i++)
    if (r->weight[i] > 0.0) {
      basis_at(map, r->u_px[i], phi);
      for (size_t j = s->smooth; j < s->terms; j++)
        phi[j] = r->body[i] == j - s->smooth + 1 ? 1.0 : 0.0;
      sums_add(s, phi, r->along_mm[i] - offset - slope * (r->u_px[i] - map->centre_px), r->weight[i]);
    }
}

static size_t harmonics_for(double half_mm)
{
  const double n = ceil(4.0 * half_mm / SHORTEST_WAVE_MM);
  return (size_t)(n < MIN_HARMONICS ? MIN_HARMONICS : n > MAX_HARMONICS ? MAX_HARMONICS : n);
}

/* What the fit leaves in `weights` (all terms) and s->work: the map's part of it, and the bodies' offsets. */
static sp_status take_result(const sums *s, const double *weights, sp_scale_map *map, double *offset_mm, sp_error *err)
{
  double *covariance = malloc(s->terms * s->terms * sizeof *covariance);
  if (!covariance)
    return sp_fail_memory(err);
  sp_cholesky_inverse(s->terms, s->work, covariance);
  for (size_t i = 0; i < map->terms; i++) {
    map->weights[i] = weights[i];
    memcpy(map->covariance + i * map->terms, covariance + i * s->terms, map->terms * sizeof *covariance);
  }
  if (offset_mm) {
    offset_mm[0] = 0.0;
    for (size_t j = s->smooth; j < s->terms; j++)
      offset_mm[j - s->smooth + 1] = weights[j];
  }
  free(covariance);
  return SP_OK;
}

static sp_status fit_sums(const sp_scale_readings *r, double offset, double slope, double half_mm, double noise,
                          sp_scale_map *map, double *offset_mm, sp_error *err)
{
  sums s;
  const size_t offsets = r->body ? r->bodies - 1 : 0, terms = map->terms + offsets;
  double *phi = malloc(2 * terms * sizeof *phi);
  sp_status status = sums_create(map->terms, offsets, &s) && phi ? SP_OK : sp_fail_memory(err);
  if (!status) {
    double *weights = phi + terms;
    collect(map, r, offset, slope, phi, &s);
    const prior best = best_prior(&s, half_mm, noise, weights);
    factor_posterior(&s, &best, weights);
    status = take_result(&s, weights, map, offset_mm, err);
    map->wave_sd_mm = best.size_mm;
    map->noise_mm = best.noise_mm;
  }
  free(phi);
  sums_free(&s);
  return status;
}

sp_status sp_scale_map_fit_bodies(sp_along along, const sp_scale_readings *r, double length_px, sp_scale_map *map,
                                  double *offset_mm, sp_error *err)
{
  if (r->count < 3)
    return sp_fail(err, SP_E_DATA, "fewer than three graduations could be read");
  double offset, slope, noise = 0.0;
  straight_line(r->count, r->u_px, r->along_mm, r->weight, 0.5 * (length_px - 1.0), &offset, &slope);
  const double half_mm = 0.5 * STRETCH * length_px * fabs(slope);
  if (!(half_mm > 0.0 && isfinite(half_mm)))
    return sp_fail(err, SP_E_DATA, "the graduations' places do not make a scale");
  sp_status status = allocate(along, 2 + harmonics_for(half_mm), length_px, map, err);
  if (!status)
    status = reading_noise(r, &noise, err);
  if (!status)
    status = fit_sums(r, offset, slope, half_mm, noise, map, offset_mm, err);
  if (status) {
    sp_scale_map_free(map);
    return status;
  }
  map->weights[0] += offset;
  map->weights[1] += slope * map->half_px;
  map->known = true;
  map->first_px = map->last_px = r->u_px[0];
  for (size_t i = 1; i < r->count; i++) {
    map->first_px = fmin(map->first_px, r->u_px[i]);
    map->last_px = fmax(map->last_px, r->u_px[i]);
  }
  map->across_mm_per_px = fabs(slope);
  /* each of the two axes of a flatbed is off by up to 0.5 %, rectangular, each by itself */
  map->u_across_relative = 0.005 * sqrt(2.0 / 3.0);
  return SP_OK;
}

sp_status sp_scale_map_fit(sp_along along, size_t count, const double *u_px, const double *along_mm,
                           const double *weight, double length_px, sp_scale_map *map, sp_error *err)
{
  const sp_scale_readings readings = {
      .count = count, .u_px = u_px, .along_mm = along_mm, .weight = weight, .bodies = 1};
  return sp_scale_map_fit_bodies(along, &readings, length_px, map, NULL, err);
}

/* Correlation length of what does not repeat: errors of flatbeds are correlated over some centimetres (ISPRS Archives
 * 2004, Comm. I). */
static const double UNREPEATED_MM = 20.0;

sp_status sp_scale_map_profile(sp_along along, const sp_profile_axis *axis, const sp_profile_axis *across,
                               double length_px, sp_scale_map *map, sp_error *err)
{
  double mm[SP_PROFILE_KNOTS], weight[SP_PROFILE_KNOTS];
  for (size_t i = 0; i < axis->count; i++) {
    mm[i] = (axis->u_px[i] - axis->u_px[0]) / axis->px_per_mm + axis->departure_mm[i];
    weight[i] = 1.0;
  }
  const sp_status status = sp_scale_map_fit(along, axis->count, axis->u_px, mm, weight, length_px, map, err);
  if (status)
    return status;
  const double half_mm = map->half_px / axis->px_per_mm, u_slope = half_mm * axis->u_relative;
  map->covariance[map->terms + 1] += u_slope * u_slope;
  for (size_t i = 2; i < map->terms; i++)
    map->covariance[i * map->terms + i] += prior_variance(i, map->terms, half_mm, axis->uneven_mm, UNREPEATED_MM);
  if (across) {
    map->across_mm_per_px = 1.0 / across->px_per_mm;
    map->u_across_relative = across->u_relative;
  }
  return SP_OK;
}
