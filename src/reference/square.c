/* What is square to the rule, along a straightened photograph.
 *
 * One rule lies on one side of the board; what it says has to be carried over to the centre line, some 40 mm away, and
 * a camera model that is a milliradian wrong there puts a line 0.04 mm wrong. Three witnesses: the rule's strokes are
 * square to it, each short but hundreds of them; the board's lines are long but were squared by hand, so all may be
 * askew by one angle and each by a little of its own; and where the rule is graduated on both edges, its strokes there
 * lie square to those here, but for a constant (other_edge.c). A cubic in u is fitted to all. A camera has been fitted
 * before, and what one leaves over along a straight rule is a lean that changes evenly (a tilt about the rule that
 * hundreds of short strokes tell a little wrong, a tangential distortion that is not fitted): on fifty drawn photographs
 * of three renderers, twelve of them with both tangential terms, its square and cube stay below 0.02 mrad. So these
 * terms are there for lenses that nobody has drawn. The scatter of the hand is taken from the lines themselves.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "slotproof/reference.h"

/* The cubic's terms; then what leans have in common that were seen in one way: the hand's angle; what the other edge's
 * constant makes, and its length; what turns strokes by and by; how large the pixels' waves are (px). */
enum {
  HAND = SP_SQUARE_TERMS,
  EDGE,
  EDGE_LENGTH,
  TURN,
  WAVE = TURN + SP_SQUARE_TERMS - 1,
  UNKNOWN = WAVE + SP_PIXEL_WAVES,
  ROUNDS = 6
};
/* Before anything is seen (rad): level, slope, square and cube of lean over the picture; what has a constant. */
static const double PRIOR_SD[SP_SQUARE_TERMS] = {0.02, 0.01, 5e-5, 5e-5}, CONSTANT_SD = 0.02;
/* The two edges of a rule are as long as each other, as a part (no source; one tool rules both), unless it is said to
 * have no error at all. */
static const double EDGES_SD = 3e-5, NO_ERROR = 1e-9;
/* Of the height of a wave along the pixels (px): up to 0.09 on drawn photographs of two renderers. */
static const double WAVE_SD = 0.1;
/* The least scatter of a hand with a square, and of strokes (rad): an engraver's is a tenth of that, but what lies beside
 * and below a stroke turns it too, and not at random (sized on drawn photographs of two renderers). What strokes scatter
 * beyond that, and by how much the pixels' noise is more than it seems, their leans show: there are hundreds of them. */
static const double HAND_SD = 2e-4, STROKE_SD = 1.5e-3;
static const double MOST_STROKE_SD = 0.02, MOST_STROKE_SCALE = 4.0;
/* A stroke this many deviations off says nothing of the scatter of the others. */
static const double OUTLIER = 3.0;
/* What is not as smooth as this model has it, and what all strokes are read askew by (rad), beside the fit's own doubt:
 * sized on drawn photographs, see DEVELOPERS.md. A common lean does no harm. Where the other edge's strokes are seen,
 * too, what those here are read askew by is the fit's to find out, within TURN_SD: single pictures had it larger. */
static const double MODEL_SD[SP_SQUARE_TERMS] = {0.0, 1.5e-4, 5e-5, 5e-5};
static const double MODEL_SD_BOTH[SP_SQUARE_TERMS] = {0.0, 2e-5, 2e-5, 2e-5};
static const double TURN_SD[SP_SQUARE_TERMS] = {0.0, 2.5e-4, 1.5e-4, 1e-4};
/* Leans hang together from stroke to stroke over a part of the rule: a colour sensor's mosaic makes some that beat with
 * the strokes' spacing. */
static const double TOGETHER = 0.06, MOST_TOGETHER = 16.0;

double sp_square_map_lean(const sp_square_map *map, double u_px)
{
  if (!map->known)
    return 0.0;
  const double t = (u_px - map->centre_px) / map->half_px;
  double sum = 0.0;
  for (int i = SP_SQUARE_TERMS - 1; i >= 0; i--)
    sum = sum * t + map->coefficient[i];
  return sum;
}

double sp_square_map_carried_variance(const sp_square_map *map, double a_px, double across_a, double b_px,
                                      double across_b)
{
  if (!map->known)
    return 0.0;
  const double a = (a_px - map->centre_px) / map->half_px, b = (b_px - map->centre_px) / map->half_px;
  double gain[SP_SQUARE_TERMS], power_a = across_a, power_b = across_b, sum = 0.0;
  for (int i = 0; i < SP_SQUARE_TERMS; i++) {
    gain[i] = power_a - power_b;
    power_a *= a;
    power_b *= b;
  }
  for (int i = 0; i < SP_SQUARE_TERMS; i++)
    for (int j = 0; j < SP_SQUARE_TERMS; j++)
      sum += gain[i] * gain[j] * map->covariance[SP_SQUARE_TERMS * i + j];
  return fmax(sum, 0.0);
}

double sp_square_map_variance(const sp_square_map *map, double a_px, double b_px)
{
  return isnan(b_px) ? sp_square_map_carried_variance(map, a_px, 1.0, a_px, 0.0)
                     : sp_square_map_carried_variance(map, a_px, 1.0, b_px, 1.0);
}

/* Strokes first, then lines, then strokes of the other edge. */
typedef enum witness { OF_STROKE, OF_HAND, OF_EDGE } witness;

typedef struct observation {
  double t, lean, variance;
  witness by;
  const double *wave; /* of strokes */
} observation;

typedef struct square_fit {
  observation *list;
  size_t count;
  double *rest, *spare;
  double stroke_scale; /* by how much strokes scatter more than stated */
  double stroke_sd;    /* what they scatter by besides */
  double together[OF_EDGE + 1]; /* how many strokes count for one */
  double hand_sd;
  double edge_scale; /* by how much the other edge's strokes scatter more than stated */
  double prior_sd[UNKNOWN];
  double beta[UNKNOWN], covariance[UNKNOWN * UNKNOWN];
} square_fit;

static double variance_of(const square_fit *f, const observation *o)
{
  switch (o->by) {
  case OF_HAND:
    return o->variance + f->hand_sd * f->hand_sd;
  case OF_EDGE:
    return f->together[OF_EDGE] * o->variance * f->edge_scale * f->edge_scale;
  default:
    return f->together[OF_STROKE] * (o->variance * f->stroke_scale * f->stroke_scale + f->stroke_sd * f->stroke_sd);
  }
}

/* What an unknown stands for is nowhere else than in its witnesses' rows. */
static void set_priors(square_fit *f, bool other_edge, double edge_length_sd)
{
  for (int i = 0; i < SP_SQUARE_TERMS; i++)
    f->prior_sd[i] = PRIOR_SD[i];
  f->prior_sd[HAND] = f->prior_sd[EDGE] = CONSTANT_SD;
  f->prior_sd[EDGE_LENGTH] = edge_length_sd;
  for (int i = 1; i < SP_SQUARE_TERMS; i++)
    f->prior_sd[TURN + i - 1] = other_edge ? TURN_SD[i] : 1e-9;
  for (int i = 0; i < SP_PIXEL_WAVES; i++)
    f->prior_sd[WAVE + i] = WAVE_SD;
}

static void row_of(const observation *o, double row[UNKNOWN])
{
  const double t = o->t, power[SP_SQUARE_TERMS] = {1.0, t, t * t, t * t * t};
  memset(row, 0, UNKNOWN * sizeof *row);
  memcpy(row, power, sizeof power);
  row[HAND] = o->by == OF_HAND ? 1.0 : 0.0;
  row[EDGE] = o->by == OF_EDGE ? 1.0 : 0.0;
  row[EDGE_LENGTH] = o->by == OF_EDGE ? t : 0.0;
  for (int i = 1; o->by == OF_STROKE && i < SP_SQUARE_TERMS; i++)
    row[TURN + i - 1] = power[i];
  if (o->wave)
    memcpy(row + WAVE, o->wave, SP_PIXEL_WAVES * sizeof *row);
}

static bool solve(square_fit *f)
{
  double gram[UNKNOWN * UNKNOWN] = {0}, rhs[UNKNOWN] = {0}, row[UNKNOWN];
  for (int i = 0; i < UNKNOWN; i++)
    gram[UNKNOWN * i + i] = 1.0 / (f->prior_sd[i] * f->prior_sd[i]);
  for (size_t k = 0; k < f->count; k++) {
    const observation *o = &f->list[k];
    const double sd = sqrt(variance_of(f, o)), w = sp_tukey_weight(f->rest[k] / sd, 5.0) / (sd * sd);
    row_of(o, row);
    for (int i = 0; i < UNKNOWN; i++) {
      for (int j = 0; j < UNKNOWN; j++)
        gram[UNKNOWN * i + j] += w * row[i] * row[j];
      rhs[i] += w * row[i] * o->lean;
    }
  }
  if (!sp_cholesky(UNKNOWN, gram))
    return false;
  sp_cholesky_solve(UNKNOWN, gram, rhs);
  sp_cholesky_inverse(UNKNOWN, gram, f->covariance);
  memcpy(f->beta, rhs, sizeof rhs);
  for (size_t k = 0; k < f->count; k++) {
    row_of(&f->list[k], row);
    f->rest[k] = f->list[k].lean;
    for (int i = 0; i < UNKNOWN; i++)
      f->rest[k] -= row[i] * rhs[i];
  }
  return true;
}

/* Minus twice the log-likelihood of the strokes' scatter, for noise that is `scale` times what it seems and strokes that
 * lean by `sd` of their own. */
static double misfit(const square_fit *f, double scale, double sd)
{
  double sum = 0.0;
  for (size_t k = 0; k < f->count; k++) {
    const observation *o = &f->list[k];
    if (o->by != OF_STROKE)
      continue;
    const double variance = o->variance * scale * scale + sd * sd;
    sum += log(variance) + fmin(f->rest[k] * f->rest[k] / variance, OUTLIER * OUTLIER);
  }
  return sum;
}

/* The likeliest of either; long strokes are known well and tell of the second, short ones of the first. */
static void rescale_strokes(square_fit *f)
{
  const double step = 1.4;
  double best = INFINITY;
  for (double scale = 1.0; scale < MOST_STROKE_SCALE; scale *= step)
    for (double sd = STROKE_SD; sd < MOST_STROKE_SD; sd *= step) {
      const double here = misfit(f, scale, sd);
      if (here < best) {
        best = here;
        f->stroke_scale = scale;
        f->stroke_sd = sd;
      }
    }
}

/* What the strokes by themselves would have otherwise, level and trend: where lines pull the fit aside, all strokes of
 * an end are off to one side, which is no bond between neighbours; taken for one it would silence them, and the lines
 * would pull all the more. */
static void own_trend(const square_fit *f, size_t from, size_t count, double *level, double *trend)
{
  double sw = 0, sx = 0, sy = 0, sxx = 0, sxy = 0;
  for (size_t k = from; k < from + count; k++) {
    const double v = variance_of(f, &f->list[k]), x = f->list[k].t;
    const double w = sp_tukey_weight(f->rest[k] / sqrt(v), 5.0) / v;
    sw += w;
    sx += w * x;
    sy += w * f->rest[k];
    sxx += w * x * x;
    sxy += w * x * f->rest[k];
  }
  const double det = sw * sxx - sx * sx;
  *trend = det > 0.0 ? (sw * sxy - sx * sy) / det : 0.0;
  *level = sw > 0.0 ? (sy - *trend * sx) / sw : 0.0;
}

/* How many strokes count for one, by what neighbouring ones have in common: how much more than by chance their sum
 * scatters (Newey & West, Econometrica 55, 1987; with a kernel that is flat up to half its reach, so that runs up to
 * there count in full). What the fit took away of it is given back. */
static double find_together(square_fit *f, size_t from, size_t count)
{
  const size_t reach = (size_t)(TOGETHER * (double)count);
  const observation *list = f->list + from;
  const double *rest = f->rest + from;
  double alone = 0.0, together = 0.0, level, trend;
  f->together[list->by] = 1.0;
  own_trend(f, from, count, &level, &trend);
  for (size_t k = 0; k < count; k++) {
    const double v = variance_of(f, &list[k]), own = rest[k] - level - trend * list[k].t;
    f->spare[k] = own * sp_tukey_weight(own / sqrt(v), 5.0) / v;
    alone += f->spare[k] * f->spare[k];
  }
  for (size_t lag = 1; lag <= reach; lag++) {
    const double share = fmin(1.0, 2.0 - 2.0 * (double)lag / ((double)reach + 1.0));
    for (size_t k = lag; k < count; k++)
      together += 2.0 * share * f->spare[k] * f->spare[k - lag];
  }
  const double seen = alone > 0.0 ? fmax(1.0 + together / alone, 1.0) : 1.0, left = (double)count / seen;
  return fmin(seen * left / fmax(left - SP_SQUARE_TERMS, 0.5 * left), MOST_TOGETHER);
}

static void rescale_hand(square_fit *f)
{
  size_t lines = 0;
  double own = 0.0;
  for (size_t k = 0; k < f->count; k++)
    if (f->list[k].by == OF_HAND) {
      own += f->list[k].variance;
      f->spare[lines++] = fabs(f->rest[k]);
    }
  if (lines < 4)
    return;
  /* few lines: a median of so few is itself a guess, made larger by what the fit took */
  const double freedom = (double)lines / fmax(1.0, (double)lines - 2.0);
  const double all = pow(SP_MAD_TO_SD * sp_median(f->spare, lines), 2) * freedom;
  f->hand_sd = sqrt(fmax(all - own / (double)lines, HAND_SD * HAND_SD));
}

/* What the other edge's strokes scatter by against what they state, never less. */
static void rescale_edge(square_fit *f, size_t from, size_t count)
{
  for (size_t k = 0; k < count; k++)
    f->spare[k] = fabs(f->rest[from + k]) / sqrt(f->list[from + k].variance);
  f->edge_scale = fmax(1.0, SP_MAD_TO_SD * sp_median(f->spare, count));
  f->together[OF_EDGE] = find_together(f, from, count);
}

/* All scatters anew from what the fit leaves. */
static void rescale(square_fit *f, bool strokes_too)
{
  size_t seen[OF_EDGE + 1] = {0};
  for (size_t k = 0; k < f->count; k++)
    seen[f->list[k].by]++;
  if (seen[OF_STROKE] > 10 && strokes_too) {
    rescale_strokes(f);
    f->together[OF_STROKE] = find_together(f, 0, seen[OF_STROKE]);
  }
  rescale_hand(f);
  if (seen[OF_EDGE] && strokes_too)
    rescale_edge(f, seen[OF_STROKE] + seen[OF_HAND], seen[OF_EDGE]);
}

static void keep(const square_fit *f, bool other_edge, sp_square_map *map)
{
  const double *model_sd = other_edge ? MODEL_SD_BOTH : MODEL_SD;
  for (int i = 0; i < SP_SQUARE_TERMS; i++) {
    map->coefficient[i] = f->beta[i];
    for (int j = 0; j < SP_SQUARE_TERMS; j++)
      map->covariance[SP_SQUARE_TERMS * i + j] =
          f->covariance[UNKNOWN * i + j] + (i == j ? model_sd[i] * model_sd[i] : 0.0);
  }
  map->known = true;
}

/* v of the strips' middle: the map is read on all of them together. */
static double middle_of_strips(const sp_reference *ref)
{
  double sum = 0.0;
  for (size_t i = 0; i < ref->area_count; i++)
    for (int k = 0; k < 4; k++)
      sum += 0.25 * (ref->map.along == SP_ALONG_X ? ref->area[i].corner_px[k].y : ref->area[i].corner_px[k].x);
  return ref->area_count ? sum / (double)ref->area_count : 0.0;
}

static void add_witness(square_fit *f, const sp_square_map *map, double u_px, double lean, double sd, witness by)
{
  f->list[f->count++] = (observation){(u_px - map->centre_px) / map->half_px, lean, sd * sd, by, NULL};
}

static void place_map(sp_reference *ref)
{
  const bool strip = ref->record.kind == SP_REFERENCE_STRIP;
  const double first = ref->map.first_px, last = ref->map.last_px;
  memset(&ref->square, 0, sizeof ref->square);
  ref->square.centre_px = 0.5 * (first + last);
  ref->square.half_px = 0.5 * (last - first);
  ref->square.v0_px = strip ? middle_of_strips(ref) : ref->line_v0_px;
  ref->square.slope = strip ? 0.0 : ref->line_slope;
}

sp_status sp_reference_square(sp_reference *ref, const double *u_px, const double *slope, const double *u_slope,
                              size_t count, sp_error *err)
{
  const size_t n = ref->lean_count + ref->edge_lean_count + count;
  const bool other_edge = ref->edge_lean_count > 0;
  square_fit f = {
      .stroke_scale = 1.0, .stroke_sd = 2e-3, .together = {1.0, 1.0, 1.0}, .hand_sd = 2e-3, .edge_scale = 1.0};
  place_map(ref);
  if (n < 2)
    return SP_OK;
  f.list = calloc(n, sizeof *f.list);
  f.rest = calloc(2 * n, sizeof *f.rest);
  if (!f.list || !f.rest) {
    free(f.list);
    free(f.rest);
    return sp_fail_memory(err);
  }
  f.spare = f.rest + n;
  for (size_t i = 0; i < ref->lean_count; i++) {
    add_witness(&f, &ref->square, ref->leans[i].u_px, ref->leans[i].lean, ref->leans[i].u_lean, OF_STROKE);
    f.list[i].wave = ref->leans[i].wave;
  }
  for (size_t i = 0; i < count; i++)
    add_witness(&f, &ref->square, u_px[i], slope[i] + ref->square.slope, u_slope[i], OF_HAND);
  for (size_t i = 0; i < ref->edge_lean_count; i++)
    add_witness(&f, &ref->square, ref->edge_leans[i].u_px, ref->edge_leans[i].lean, ref->edge_leans[i].u_lean, OF_EDGE);
  const double edges_sd = ref->record.mpe_mm > 0.0 ? EDGES_SD : NO_ERROR;
  set_priors(&f, other_edge, edges_sd * ref->square.half_px / (other_edge ? ref->edge_apart_px : 1.0));
  bool fine = true;
  for (int round = 0; fine && round < ROUNDS; round++) {
    fine = solve(&f);
    rescale(&f, round % 2 == 0); /* the slower half, which hardly changes */
  }
  if (fine)
    keep(&f, other_edge, &ref->square);
  free(f.list);
  free(f.rest);
  return SP_OK;
}
