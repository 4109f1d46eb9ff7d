/* The scale from a printed strip.
 *
 * Every piece is a body of its own: its graduations are known to each other, its place beside the next is not. One map
 * is fitted to all of them together with the places of the further ones, so that a joint or a second strip on the
 * board's other side adds readings and no assumption. Pieces printed at different scales would pull the map about; they
 * are compared first, and where they differ only the one that shows most counts, and a warning says so.
 *
 * The printer's own error of scale is along the paper's travel some parts in a thousand, often more; it does not show
 * in the picture. It is taken out by a check length that the user has measured with calipers. */
#include "reference_internal.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"

enum { LEAST_GRADUATIONS = 25, MOST_BODIES = SP_MOST_STRIP_AREAS, ROUNDS = 4 };
/* Office printers stretch by half a per cent and less (common practice, no source). */
static const double PRINTER_MPE = 0.005;
/* Measuring a check length with calipers by eye, mm; and what paper moves by while nothing is measured, relative
 * (common practice, no source). */
static const double CALIPER_MPE_MM = 0.10, PAPER_MPE = 2.0e-4;
/* Error of the cross check length over itself: standard uncertainty of the scale across. */
static const double CROSS_U = 0.10 / SP_STRIP_CROSS_CHECK_MM / 1.7320508075688772;
/* Pieces of one printer differ by less; the carriage's waves over the span come on top. Two that lie one behind the
 * other have waves of their own: a straight line through a stretch S of a wave of amplitude a is off by up to 2.6 a / S,
 * and with up to three waves of 0.03 mm two lines differ by less than so much over the shorter stretch (20,000 drawn at
 * random: 0.14 at most, one in fifty beyond WAVES_MM). */
static const double LIKE_SCALE = 5.0e-4, WAVES_MM = 0.06, APART_WAVES_MM = 0.14;

double sp_strip_default_mpe_mm(const sp_reference_options *options, double span_mm)
{
  const double check_mm = sp_strip_check_meant(options->strip_length_mm);
  return span_mm * (check_mm > 0.0 ? CALIPER_MPE_MM / check_mm + PAPER_MPE : PRINTER_MPE);
}

/* True millimetres for a nominal one. */
static double stretch_of(const sp_reference_options *options)
{
  return options->strip_length_mm > 0.0 ? sp_strip_stretch(options->strip_length_mm) : 1.0;
}

/* ---- bodies -------------------------------------------------------------------------------------------------------
 */

/* One piece as read along the picture's axis. */
typedef struct body {
  const sp_strip_piece *piece;
  size_t first, count; /* its readings */
  sp_along along;
  double v0_px, slope; /* v = v0 + slope u through its graduations' middles */
} body;

typedef struct readings {
  size_t count, bodies;
  double *u, *y, *w, *v;
  int32_t *number; /* as printed: of the graduation within its piece */
  size_t *owner;
  double *work;
  body body[MOST_BODIES];
} readings;

static sp_along direction_of(const sp_strip_piece *piece)
{
  const sp_point *c = piece->corner_px;
  return fabs(c[1].x - c[0].x) > fabs(c[1].y - c[0].y) ? SP_ALONG_X : SP_ALONG_Y;
}

/* +1 where X grows with u. */
static double sense_of(const sp_strip_piece *piece)
{
  const sp_point *c = piece->corner_px;
  const double du = direction_of(piece) == SP_ALONG_X ? c[1].x - c[0].x : c[1].y - c[0].y;
  return du < 0.0 ? -1.0 : 1.0;
}

static void fit_direction(const readings *r, body *b)
{
  double su = 0, sv = 0, suu = 0, suv = 0;
  const double n = (double)b->count, origin = r->u[b->first];
  for (size_t i = b->first; i < b->first + b->count; i++) {
    const double u = r->u[i] - origin;
    su += u;
    sv += r->v[i];
    suu += u * u;
    suv += u * r->v[i];
  }
  b->slope = (n * suv - su * sv) / (n * suu - su * su);
  b->v0_px = (sv - b->slope * su) / n - b->slope * origin;
}

static void reverse(double *x, size_t n)
{
  for (size_t i = 0; i < n / 2; i++) {
    const double t = x[i];
    x[i] = x[n - 1 - i];
    x[n - 1 - i] = t;
  }
}

static void reverse_numbers(int32_t *x, size_t n)
{
  for (size_t i = 0; i < n / 2; i++) {
    const int32_t t = x[i];
    x[i] = x[n - 1 - i];
    x[n - 1 - i] = t;
  }
}

/* A piece's graduations, by rising u, in true millimetres along the picture's axis. */
static void add_body(const sp_strip_sight *sight, const sp_strip_piece *piece, double stretch, readings *r)
{
  body *b = &r->body[r->bodies];
  *b = (body){.piece = piece, .first = r->count, .along = direction_of(piece)};
  const double sense = sense_of(piece);
  for (size_t i = 0; i < sight->point_count; i++) {
    const sp_strip_point *p = &sight->points[i];
    if (p->piece != piece->piece || p->kind != SP_STRIP_GRADUATION)
      continue;
    r->u[r->count] = b->along == SP_ALONG_X ? p->x_px : p->y_px;
    r->v[r->count] = b->along == SP_ALONG_X ? p->y_px : p->x_px;
    r->y[r->count] = sense * stretch * p->X_mm;
    r->w[r->count] = 1.0;
    r->number[r->count] = p->number;
    r->owner[r->count++] = r->bodies;
  }
  b->count = r->count - b->first;
  if (sense < 0.0) {
    reverse(r->u + b->first, b->count);
    reverse(r->v + b->first, b->count);
    reverse(r->y + b->first, b->count);
    reverse_numbers(r->number + b->first, b->count);
  }
  fit_direction(r, b);
  for (size_t i = b->first; i < r->count; i++)
    r->y[i] /= sqrt(1.0 + b->slope * b->slope);
  r->bodies++;
}

static bool readings_create(size_t most, readings *r)
{
  memset(r, 0, sizeof *r);
  r->work = malloc((most + 1) * 5 * sizeof *r->work);
  r->owner = malloc((most + 1) * sizeof *r->owner);
  r->number = malloc((most + 1) * sizeof *r->number);
  r->u = r->work;
  r->y = r->u + most + 1;
  r->w = r->y + most + 1;
  r->v = r->w + most + 1;
  return r->work && r->owner && r->number;
}

static void readings_free(readings *r)
{
  free(r->work);
  free(r->owner);
  free(r->number);
  memset(r, 0, sizeof *r);
}

static const sp_strip_piece *best_piece(const sp_strip_sight *sight)
{
  const sp_strip_piece *best = NULL;
  for (size_t i = 0; i < sight->piece_count; i++)
    if (sight->piece[i].graduations >= LEAST_GRADUATIONS && (!best || sight->piece[i].graduations > best->graduations))
      best = &sight->piece[i];
  return best;
}

/* The piece that shows most comes first; others that run along the same axis after it. */
static void collect(const sp_strip_sight *sight, const sp_strip_piece *best, double stretch, readings *r)
{
  add_body(sight, best, stretch, r);
  for (size_t i = 0; i < sight->piece_count && r->bodies < MOST_BODIES; i++) {
    const sp_strip_piece *p = &sight->piece[i];
    if (p != best && p->graduations >= LEAST_GRADUATIONS && direction_of(p) == direction_of(best))
      add_body(sight, p, stretch, r);
  }
}

/* ---- do the pieces agree? -----------------------------------------------------------------------------------------
 */

/* Straight line of y against u over a stretch of u: mm per px; NAN with fewer than LEAST_GRADUATIONS readings. */
static double rate_within(const readings *r, const body *b, double from_px, double to_px)
{
  double n = 0, su = 0, sy = 0, suu = 0, suy = 0, origin = NAN;
  for (size_t i = b->first; i < b->first + b->count; i++) {
    if (!(r->u[i] >= from_px && r->u[i] <= to_px))
      continue;
    origin = isnan(origin) ? r->u[i] : origin;
    const double u = r->u[i] - origin;
    n += 1.0;
    su += u;
    sy += r->y[i];
    suu += u * u;
    suy += u * r->y[i];
  }
  return n >= LEAST_GRADUATIONS ? (n * suy - su * sy) / (n * suu - su * su) : NAN;
}

/* How much longer the millimetre of `b` is than that of the first body, relative; along what both cover, where the
 * carriage did the same to both, else along each by itself: then they are `apart`. `span_mm` is what was compared. */
static double scale_against_first(const readings *r, const body *b, double *span_mm, bool *apart)
{
  const body *a = &r->body[0];
  const double from = fmax(r->u[a->first], r->u[b->first]);
  const double to = fmin(r->u[a->first + a->count - 1], r->u[b->first + b->count - 1]);
  double p = rate_within(r, a, from, to), q = rate_within(r, b, from, to);
  *span_mm = fabs(to - from) * p;
  *apart = isnan(p) || isnan(q);
  if (*apart) {
    p = rate_within(r, a, -INFINITY, INFINITY);
    q = rate_within(r, b, -INFINITY, INFINITY);
    *span_mm = (double)b->count * SP_STRIP_PITCH_MM;
  }
  return p / q - 1.0;
}

static void close_gap(void *list, size_t size, size_t first, size_t gap, size_t count)
{
  char *at = (char *)list + first * size;
  memmove(at, at + gap * size, (count - first - gap) * size);
}

/* Takes one body out. */
static void drop_body(readings *r, size_t which)
{
  const size_t first = r->body[which].first, gap = r->body[which].count;
  close_gap(r->u, sizeof *r->u, first, gap, r->count);
  close_gap(r->y, sizeof *r->y, first, gap, r->count);
  close_gap(r->w, sizeof *r->w, first, gap, r->count);
  close_gap(r->v, sizeof *r->v, first, gap, r->count);
  close_gap(r->number, sizeof *r->number, first, gap, r->count);
  close_gap(r->owner, sizeof *r->owner, first, gap, r->count);
  close_gap(r->body, sizeof *r->body, which, 1, r->bodies);
  r->count -= gap;
  r->bodies--;
  for (size_t k = which; k < r->bodies; k++)
    r->body[k].first -= gap;
  for (size_t i = first; i < r->count; i++)
    r->owner[i]--;
}

/* A piece of which so little shows that the carriage's waves hide its scale is left out; that is said. Returns whether
 * it was. */
static bool drop_brief(readings *r, size_t which, double off, double span_mm, sp_reference *ref)
{
  if (fabs(off) > LIKE_SCALE + APART_WAVES_MM / span_mm)
    return false;
  snprintf(ref->warning, sizeof ref->warning,
           "of piece %d of the printed strip %.0f mm show, too little to tell whether it was printed at the scale of piece "
           "%d; it is not used; lay the strips so that more of it shows",
           (int)r->body[which].piece->piece, span_mm, (int)r->body[0].piece->piece);
  drop_body(r, which);
  return true;
}

/* Leaves the first body alone if another was printed at a different scale; says so. Returns the difference. */
static double drop_unlike(readings *r, sp_reference *ref)
{
  size_t i = 1;
  while (i < r->bodies) {
    double span = NAN;
    bool apart = false;
    const double off = scale_against_first(r, &r->body[i], &span, &apart);
    if (fabs(off) <= LIKE_SCALE + WAVES_MM / span) {
      i++;
      continue;
    }
    if (apart && drop_brief(r, i, off, span, ref))
      continue;
    snprintf(
        ref->warning, sizeof ref->warning,
        "pieces %d and %d of the printed strip differ by %.2f %% in scale: they were not printed alike; only piece "
        "%d is used; print all pieces in one go",
        (int)r->body[0].piece->piece, (int)r->body[i].piece->piece, 100.0 * fabs(off), (int)r->body[0].piece->piece);
    r->bodies = 1;
    r->count = r->body[0].count;
    return off;
  }
  return 0.0;
}

/* Shifts the further bodies to where the first one's straight line puts them, so that only small offsets are left. */
static void align(readings *r)
{
  const double rate = rate_within(r, &r->body[0], -INFINITY, INFINITY), u0 = r->u[0], y0 = r->y[0];
  for (size_t k = 1; k < r->bodies; k++) {
    const body *b = &r->body[k];
    double off = 0.0;
    for (size_t i = b->first; i < b->first + b->count; i++)
      off += (r->y[i] - y0 - rate * (r->u[i] - u0)) / (double)b->count;
    for (size_t i = b->first; i < b->first + b->count; i++)
      r->y[i] -= off;
  }
}

/* ---- the map ------------------------------------------------------------------------------------------------------
 */

/* Fits, throws out readings that stand off, fits again. Afterwards y holds places in the map's own frame. */
static sp_status robust_map(readings *r, double length_px, sp_scale_map *map, sp_error *err)
{
  double offset[MOST_BODIES] = {0.0}, *residual = r->v; /* places across are no longer needed */
  for (int round = 0; round < ROUNDS; round++) {
    const sp_scale_readings in = {r->count, r->u, r->y, r->w, r->owner, r->bodies};
    if (round)
      sp_scale_map_free(map);
    const sp_status status = sp_scale_map_fit_bodies(r->body[0].along, &in, length_px, map, offset, err);
    if (status)
      return status;
    for (size_t i = 0; i < r->count; i++) {
      r->y[i] -= offset[r->owner[i]];
      residual[i] = fabs(r->y[i] - sp_scale_map_along_mm(map, r->u[i]));
    }
    const double limit = 3.5 * 1.4826 * sp_median(residual, r->count) + 1e-4;
    bool changed = false;
    for (size_t i = 0; i < r->count; i++) {
      const double w = fabs(r->y[i] - sp_scale_map_along_mm(map, r->u[i])) <= limit ? 1.0 : 0.0;
      changed = changed || fabs(w - r->w[i]) > 0.5;
      r->w[i] = w;
    }
    if (!changed)
      break;
  }
  return SP_OK;
}

/* ---- the record ---------------------------------------------------------------------------------------------------
 */

static sp_point picture_point(sp_along along, double u, double v)
{
  return along == SP_ALONG_X ? (sp_point){u, v} : (sp_point){v, u};
}

static void find_ends(const readings *r, size_t *first, size_t *last)
{
  *first = *last = 0;
  for (size_t i = 0; i < r->count; i++) {
    if (!(r->w[i] > 0.0))
      continue;
    if (!(r->w[*first] > 0.0) || r->u[i] < r->u[*first])
      *first = i;
    if (!(r->w[*last] > 0.0) || r->u[i] > r->u[*last])
      *last = i;
  }
}

static sp_status fill_record(const readings *r, double stretch, sp_reference *ref, sp_error *err)
{
  sp_reference_record *out = &ref->record;
  const sp_scale_map *map = &ref->map;
  const body *main = &r->body[0];
  size_t first, last;
  double rr = 0.0, line = 0.0;
  out->graduations = calloc(r->count, sizeof *out->graduations);
  if (!out->graduations)
    return sp_fail_memory(err);
  find_ends(r, &first, &last);
  const double length = r->y[last] - r->y[first];
  out->px_per_mm = (r->u[last] - r->u[first]) / length;
  out->span_mm = length * sqrt(1.0 + main->slope * main->slope);
  for (size_t i = 0; i < r->count; i++) {
    const body *b = &r->body[r->owner[i]];
    sp_graduation *g = &out->graduations[out->graduation_count++];
    g->index = (int32_t)lround((r->y[i] - r->y[first]) / (stretch * SP_STRIP_PITCH_MM));
    g->at_px = picture_point(b->along, r->u[i], b->v0_px + b->slope * r->u[i]);
    g->used = r->w[i] > 0.0;
    g->strip_piece = b->piece->piece;
    g->strip_number = r->number[i];
    g->residual_mm = r->y[i] - sp_scale_map_along_mm(map, r->u[i]);
    if (!g->used)
      continue;
    out->graduations_used++;
    rr += g->residual_mm * g->residual_mm;
    const double straight = r->y[first] + (r->u[i] - r->u[first]) / out->px_per_mm;
    line += pow(sp_scale_map_along_mm(map, r->u[i]) - straight, 2);
  }
  out->fit_rms_mm = sqrt(rr / (double)out->graduations_used);
  out->carriage_rms_mm = sqrt(line / (double)out->graduations_used);
  out->first_px = out->graduations[first].at_px;
  out->last_px = out->graduations[last].at_px;
  out->skew_deg = atan(main->slope) * 57.29577951308232;
  out->graduation_mm = SP_STRIP_PITCH_MM;
  out->strip_pieces = r->bodies;
  return SP_OK;
}

static int by_place(const void *a, const void *b)
{
  const double x = ((const sp_lean *)a)->u_px, y = ((const sp_lean *)b)->u_px;
  return (x > y) - (x < y);
}

/* By how much the graduations lean from square to their piece: a straightened photograph is judged by it. Half a pixel
 * of a line's length says nothing. */
static sp_status keep_leans(const sp_strip_sight *sight, const readings *r, sp_reference *ref, sp_error *err)
{
  free(ref->leans);
  ref->lean_count = 0;
  ref->leans = calloc(r->count + 1, sizeof *ref->leans);
  if (!ref->leans)
    return sp_fail_memory(err);
  for (size_t b = 0; b < r->bodies; b++)
    for (size_t i = 0; i < sight->point_count; i++) {
      const sp_strip_point *p = &sight->points[i];
      const bool x = r->body[b].along == SP_ALONG_X;
      if (p->piece != r->body[b].piece->piece || p->kind != SP_STRIP_GRADUATION || !(p->u_lean > 0.0) ||
          ref->lean_count >= r->count)
        continue;
      const double lean = x ? p->along.x / p->along.y : p->along.y / p->along.x;
      ref->leans[ref->lean_count++] =
          (sp_lean){.u_px = x ? p->x_px : p->y_px, .lean = lean + r->body[b].slope, .u_lean = p->u_lean};
    }
  qsort(ref->leans, ref->lean_count, sizeof *ref->leans, by_place);
  return SP_OK;
}

/* v = at + slope u round the piece's paper. */
static void band_of(const sp_strip_piece *piece, const body *main, double *v0, double *v1)
{
  *v0 = INFINITY;
  *v1 = -INFINITY;
  for (int i = 0; i < 4; i++) {
    const sp_point c = piece->corner_px[i];
    const double u = main->along == SP_ALONG_X ? c.x : c.y, v = main->along == SP_ALONG_X ? c.y : c.x;
    *v0 = fmin(*v0, v - main->slope * u);
    *v1 = fmax(*v1, v - main->slope * u);
  }
}

/* The main piece's paper, and that of pieces in line with it. */
static void note_band(const readings *r, sp_reference *ref)
{
  const body *main = &r->body[0];
  ref->has_band = true;
  ref->band_along = main->along;
  ref->slope = main->slope;
  band_of(main->piece, main, &ref->band_v0_px, &ref->band_v1_px);
  for (size_t i = 1; i < r->bodies; i++) {
    double v0, v1;
    band_of(r->body[i].piece, main, &v0, &v1);
    if (v1 < ref->band_v0_px || v0 > ref->band_v1_px)
      continue;
    ref->band_v0_px = fmin(ref->band_v0_px, v0);
    ref->band_v1_px = fmax(ref->band_v1_px, v1);
  }
}

void sp_strip_note_areas(const sp_strip_sight *sight, sp_reference *ref)
{
  ref->area_count = 0;
  for (size_t i = 0; i < sight->piece_count && ref->area_count < SP_MOST_STRIP_AREAS; i++) {
    const sp_strip_piece *p = &sight->piece[i];
    sp_strip_area *area = &ref->area[ref->area_count];
    memcpy(area->corner_px, p->corner_px, sizeof area->corner_px);
    area->paper = p->paper;
    if (isfinite(p->paper) && isfinite(p->corner_px[0].x) && isfinite(p->corner_px[1].x))
      ref->area_count++;
  }
}

/* ---- the whole ----------------------------------------------------------------------------------------------------
 */

static void say_none(const sp_strip_sight *sight, sp_reference *ref)
{
  size_t most = 0;
  for (size_t i = 0; i < sight->piece_count; i++)
    most = sight->piece[i].graduations > most ? sight->piece[i].graduations : most;
  if (sight->mirrored)
    snprintf(ref->reason, sizeof ref->reason,
             "the picture is mirrored: the printed strip shows from behind; scan again without mirroring, print toward "
             "the glass");
  else if (sight->twice)
    snprintf(
        ref->reason, sizeof ref->reason,
        "piece %d of the printed strip lies in the picture twice; lay pieces with different numbers and scan again",
        (int)sight->twice);
  else if (!sight->tags_seen)
    snprintf(
        ref->reason, sizeof ref->reason,
        "no printed strip was found; lay it beside the board, print toward the glass, and scan at 300 dpi or more");
  else if (!sight->piece_count)
    snprintf(
        ref->reason, sizeof ref->reason,
        "only %zu tag%s of the printed strip could be read, and three of one piece are needed; lay it uncovered and "
        "scan again",
        sight->tags_seen, sight->tags_seen == 1 ? "" : "s");
  else
    snprintf(
        ref->reason, sizeof ref->reason,
        "only %zu graduations of the printed strip could be read, and %d are needed; lay it flat and uncovered and "
        "scan again",
        most, LEAST_GRADUATIONS);
}

static void set_across(const readings *r, const sp_reference_options *options, sp_reference *ref)
{
  const double cross = sp_strip_cross_stretch(options->strip_width_mm), rails = r->body[0].piece->rails_px;
  if (!(cross > 0.0 && rails > 0.0))
    return;
  ref->map.across_mm_per_px = (SP_STRIP_FAR_RAIL_MM - SP_STRIP_RAIL_MM) * cross / rails;
  ref->map.u_across_relative = CROSS_U;
  ref->record.px_per_mm_across = 1.0 / ref->map.across_mm_per_px;
}

static void say_printer_unknown(const sp_reference_options *options, sp_reference *ref)
{
  if (options->strip_length_mm > 0.0 || isfinite(options->mpe_mm) || ref->warning[0])
    return;
  snprintf(
      ref->warning, sizeof ref->warning,
      "how long the strip was printed is not known, so the scale may be wrong by %.1f %%; measure A to B or A to C "
      "with calipers and give it as --strip-length",
      100.0 * PRINTER_MPE);
}

static sp_status use_readings(const sp_scene *scene, const sp_strip_sight *sight, readings *r,
                              const sp_reference_options *options, sp_reference *ref, sp_error *err)
{
  const sp_view view = sp_view_of(scene->raster, r->body[0].along);
  const double unlike = drop_unlike(r, ref);
  align(r);
  sp_status status = robust_map(r, view.length_px, &ref->map, err);
  if (status)
    return status;
  ref->record.kind = SP_REFERENCE_STRIP;
  ref->blur_px = r->body[0].piece->blur_px;
  ref->blur_sd_log = r->body[0].piece->blur_sd_log;
  note_band(r, ref);
  set_across(r, options, ref);
  status = keep_leans(sight, r, ref, err);
  if (!status)
    status = fill_record(r, stretch_of(options), ref, err);
  if (status)
    return status;
  const double span = ref->record.span_mm, expected = sp_strip_default_mpe_mm(options, span);
  ref->record.mpe_mm = isnan(options->mpe_mm) ? fmax(expected, fabs(unlike) * span) : options->mpe_mm;
  ref->record.strip_stretch = options->strip_length_mm > 0.0 ? stretch_of(options) : NAN;
  say_printer_unknown(options, ref);
  sp_reference_refuse_photograph(sp_reference_scale_drift(r->u, r->y, r->w, r->body[0].count), ref);
  return SP_OK;
}

sp_status sp_strip_reference(const sp_scene *scene, const sp_strip_sight *sight, const sp_reference_options *options,
                             sp_reference *ref, sp_error *err)
{
  const sp_strip_piece *best = best_piece(sight);
  readings r;
  if (!best) {
    say_none(sight, ref);
    return SP_OK;
  }
  sp_status status = readings_create(sight->point_count, &r) ? SP_OK : sp_fail_memory(err);
  if (!status) {
    collect(sight, best, stretch_of(options), &r);
    status = use_readings(scene, sight, &r, options, ref, err);
  }
  if (!status && sight->twice && !ref->warning[0])
    snprintf(
        ref->warning, sizeof ref->warning,
        "piece %d of the printed strip lies in the picture twice and was left out; lay pieces with different numbers",
        (int)sight->twice);
  readings_free(&r);
  return status;
}

double sp_strip_disagreement(const sp_strip_sight *sight, const sp_reference_options *options,
                             const sp_scale_map *rule_map)
{
  const sp_strip_piece *best = best_piece(sight);
  readings r = {0};
  double off = NAN;
  if (best && direction_of(best) == rule_map->along && readings_create(sight->point_count, &r)) {
    add_body(sight, best, stretch_of(options), &r);
    for (size_t i = 0; i < r.count; i++) { /* the rule's millimetres in place of pixels, along the rule only */
      const bool beside = r.u[i] >= rule_map->first_px && r.u[i] <= rule_map->last_px;
      r.u[i] = beside ? sp_scale_map_along_mm(rule_map, r.u[i]) : NAN;
    }
    off = 1.0 - rate_within(&r, &r.body[0], -INFINITY, INFINITY);
  }
  readings_free(&r);
  return off;
}
