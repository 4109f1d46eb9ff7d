/* From whatever scale the picture holds to a map with covariance; or a reason why there is none. */
#include "slotproof/reference.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/rule.h"
#include "slotproof/numeric.h"
#include "reference_internal.h"

/* Trust in a stated resolution: scanners are off by parts in a thousand (0.04 % to 0.6 % have been reported). */
static const double STATED_DPI_U = 0.003;
/* Log-likelihood a false or missing statement costs at the most. */
static const double STATED_DPI_CAP = 6.0;
/* Strokes of rules are a tenth of a millimetre wide, a third more or less (common practice, no source). */
static const double STROKE_MM = 0.11, STROKE_SD_LOG = 0.25;
/* Pattern evidence (nats) below which strokes are no rule, in all and from each of them (a rule's give 0.5 and more; the
 * windings of a string, by chance, 0.02), and the lead the best kind must have. */
static const double MIN_EVIDENCE = 6.0, MIN_FROM_EACH = 0.25, MIN_LEAD = 2.5;
enum { MIN_STROKES = 25, MAX_TRIED = 4 };
/* A rule read over this part of the picture needs no second opinion. */
static const double LONG_ENOUGH = 0.6;

/* Strokes that turn by more than this along the rule (rad) were drawn by a lens held slantwise. Each may lean by a little
 * of its own, as engraved and as a telephone smooths it, however well it is seen. */
static const double MAX_TURN = 0.003, ENGRAVED_SD = 3e-3;

/* JIS B 7516 steel rules, grade 1: 0.15 mm to 500 mm, 0.20 mm to 1000 mm, 0.25 mm to 1500 mm. */
static double default_mpe_mm(double span_mm)
{
  return 0.10 + 0.05 * fmax(1.0, ceil(span_mm / 500.0));
}

static void record_init(sp_reference_record *r)
{
  memset(r, 0, sizeof *r);
  r->kind = SP_REFERENCE_NONE;
  r->graduation_mm = r->px_per_mm = r->px_per_mm_across = r->fit_rms_mm = r->span_mm = r->mpe_mm = NAN;
  r->skew_deg = r->carriage_rms_mm = r->strip_stretch = NAN;
  r->first_px = r->last_px = (sp_point){NAN, NAN};
}

/* ---- what a rule reading is worth ----------------------------------------------------------------------------------
 */

typedef struct judged {
  sp_rule_reading reading;
  int kind;                             /* -1: cannot be told */
  double evidence[SP_GRADUATION_KINDS]; /* from the pattern alone */
  double lead;
  bool dpi_disagrees;
  sp_rule_top top[SP_GRADUATION_PATTERNS]; /* of fractions of an inch */
} judged;

/* log-likelihood of the stated resolution if the strokes are `graduation_mm` apart. */
static double stated_plausibility(double period_px, double graduation_mm, double stated_dpi)
{
  if (!(stated_dpi > 0.0))
    return -STATED_DPI_CAP;
  const double off = log(period_px / graduation_mm * 25.4 / stated_dpi) / 0.01;
  return fmax(-0.5 * off * off, -STATED_DPI_CAP);
}

static bool is_inch(int kind)
{
  return kind == SP_GRADUATION_INCH_16 || kind == SP_GRADUATION_INCH_32 || kind == SP_GRADUATION_INCH_64 ||
         kind == SP_GRADUATION_INCH_50;
}

/* Decimal parts of an inch whose pattern is that of millimetres or half ones. Few rules have them, so the file has to
 * state the resolution that they would have; and 72 or 96 dpi is what programs write that know of none (common
 * practice, no source). */
static const double LEAST_STATED_DPI = 100.0, TWIN_PLAUSIBLE = -2.0;

static int twin_of(int kind)
{
  return kind == SP_GRADUATION_INCH_20                                     ? SP_GRADUATION_HALF_MM
         : kind == SP_GRADUATION_INCH_10 || kind == SP_GRADUATION_INCH_100 ? SP_GRADUATION_MM
                                                                           : -1;
}

static void settle_twin(judged *j, double stated_dpi)
{
  if (j->kind < 0 || !j->dpi_disagrees || stated_dpi < LEAST_STATED_DPI)
    return;
  for (int k = SP_GRADUATION_PATTERNS; k < SP_GRADUATION_KINDS; k++)
    if (twin_of(k) == j->kind &&
        stated_plausibility(j->reading.period_px, SP_GRADUATION_MM_OF[k], stated_dpi) > TWIN_PLAUSIBLE) {
      j->kind = k;
      j->dpi_disagrees = false;
      return;
    }
}

/* Strokes of half the spacing would have one level more; not one of the longest strokes seen belongs to it. */
static bool finer_is_absent(const judged *j)
{
  return (j->kind == SP_GRADUATION_INCH_16 || j->kind == SP_GRADUATION_INCH_32) &&
         j->top[j->kind + 1] == SP_RULE_TOP_ABSENT;
}

/* Fractions of an inch differ in their longest strokes alone: without a stated resolution to bear it out, two whole
 * cycles of 64 must have been seen, to their full length, or enough of the longest to know that none is longer still.
 */
static bool is_doubtful_inch(const judged *j, double stated_dpi)
{
  enum { TWO_CYCLES = 126 };
  const sp_rule_reading *r = &j->reading;
  if (!is_inch(j->kind))
    return false;
  if (stated_dpi > 0.0 && !j->dpi_disagrees)
    return false;
  if (r->lengths_cut)
    return true;
  return r->strokes[r->count - 1].index - r->strokes[0].index < TWO_CYCLES && !finer_is_absent(j);
}

/* A finer fraction whose longest strokes are no longer than the next ones is none, nor is one finer still. */
static bool is_refuted(const judged *j, int kind)
{
  for (int k = kind; k > SP_GRADUATION_INCH_16 && k <= SP_GRADUATION_INCH_64; k--)
    if (j->top[k] == SP_RULE_TOP_UNLIKELY || j->top[k] == SP_RULE_TOP_ABSENT)
      return true;
  return false;
}

static sp_status look_at_tops(judged *j, sp_error *err)
{
  sp_status status = SP_OK;
  for (int k = 0; !status && k < SP_GRADUATION_PATTERNS; k++)
    if (is_inch(k))
      status = sp_rule_top_level(&j->reading, (sp_graduation_kind)k, &j->top[k], err);
  return status;
}

static sp_status judge_as_it_is(const sp_scene *scene, const sp_comb *comb, double stated_dpi, judged *j, sp_error *err)
{
  memset(j, 0, sizeof *j);
  j->kind = -1;
  sp_status status = sp_rule_read(scene, comb, &j->reading, err);
  if (status || j->reading.count < MIN_STROKES)
    return status;
  status = sp_rule_pattern(&j->reading, j->evidence, err);
  if (!status)
    status = look_at_tops(j, err);
  if (status)
    return status;
  double best = -INFINITY, second = -INFINITY, strongest = -INFINITY, denied = -INFINITY, unseen = -INFINITY;
  for (int k = 0; k < SP_GRADUATION_PATTERNS; k++) {
    const double plausible = stated_plausibility(j->reading.period_px, SP_GRADUATION_MM_OF[k], stated_dpi);
    const double total = j->evidence[k] + plausible;
    strongest = fmax(strongest, j->evidence[k]);
    if (is_inch(k) && j->top[k] != SP_RULE_TOP_STANDS_OUT) {
      denied = k == SP_GRADUATION_INCH_50 ? total : denied;
      unseen = is_refuted(j, k) ? unseen : fmax(unseen, total);
      continue;
    }
    if (total > best) {
      second = best;
      best = total;
      j->kind = k;
      j->dpi_disagrees = stated_dpi > 0.0 && plausible <= -STATED_DPI_CAP;
    } else if (total > second) {
      second = total;
    }
  }
  j->lead = best - second;
  if (strongest < fmax(MIN_EVIDENCE, MIN_FROM_EACH * (double)j->reading.count) || j->lead < MIN_LEAD || denied > best)
    j->kind = -1;
  /* a finer fraction goes better with the lengths, and too few of its inches show to bear it out; or any fraction goes
   * so much better that the strokes are no decimal ones: eighths of an inch were once read as half millimetres */
  if (is_doubtful_inch(j, stated_dpi) || unseen > best + (is_inch(j->kind) ? 0.0 : MIN_EVIDENCE))
    j->kind = -1;
  settle_twin(j, stated_dpi);
  return SP_OK;
}

/* Gaps taken for the strokes lie as evenly, but each is as long as the longer of its neighbours: where they might be
 * that and no pattern shows, it is looked for in what lies between them. */
static sp_status judge(const sp_scene *scene, const sp_comb *comb, double stated_dpi, judged *j, sp_error *err)
{
  sp_status status = judge_as_it_is(scene, comb, stated_dpi, j, err);
  if (status || j->kind >= 0 || !j->reading.colour_open || j->reading.count < MIN_STROKES)
    return status;
  sp_comb between = *comb;
  judged other;
  between.opposite = true;
  status = judge_as_it_is(scene, &between, stated_dpi, &other, err);
  if (status || other.kind < 0) {
    sp_rule_reading_free(&other.reading);
    return status;
  }
  sp_rule_reading_free(&j->reading);
  *j = other;
  return SP_OK;
}

/* May the user's word stand against the pattern? Only if the pattern does not speak strongly, or the stated resolution
 * bears the user out. */
static bool told_is_tenable(const judged *j, int told, double stated_dpi)
{
  if (told < 0 || j->reading.count < MIN_STROKES)
    return false;
  if (stated_plausibility(j->reading.period_px, SP_GRADUATION_MM_OF[told], stated_dpi) > -STATED_DPI_CAP)
    return true;
  if (is_inch(told) && j->kind >= 0 && is_inch(j->kind) && !j->dpi_disagrees && stated_dpi >= LEAST_STATED_DPI)
    return false; /* halves of an inch's parts look alike: the finest may be too fine for the picture */
  double strongest = -INFINITY;
  for (int k = 0; k < SP_GRADUATION_KINDS; k++)
    strongest = fmax(strongest, j->evidence[k]);
  return strongest - j->evidence[told] < MIN_EVIDENCE;
}

/* ---- the fit --------------------------------------------------------------------------------------------------------
 */

typedef struct fit_arrays {
  double *u, *y, *w, *r, *sorted;
} fit_arrays;

/* How far graduation k stands off the map, as large as it would be had the map not followed it: beside a gap there is
 * little else for the map to follow. */
static double standing_off_mm(const sp_scale_map *map, const fit_arrays *a, size_t k)
{
  const double residual = fabs(a->y[k] - sp_scale_map_along_mm(map, a->u[k]));
  const double share = a->w[k] * sp_scale_map_place_covariance_mm2(map, a->u[k], a->u[k]) / pow(map->noise_mm, 2);
  return residual / sqrt(fmax(1.0 - share, 0.04));
}

static sp_status robust_map(const judged *j, const fit_arrays *a, double length_px, sp_scale_map *map, sp_error *err)
{
  const sp_rule_reading *reading = &j->reading;
  const size_t n = reading->count;
  for (int round = 0; round < 4; round++) {
    if (round)
      sp_scale_map_free(map);
    const sp_status status = sp_scale_map_fit(reading->along, n, a->u, a->y, a->w, length_px, map, err);
    if (status)
      return status;
    for (size_t k = 0; k < n; k++)
      a->r[k] = a->sorted[k] = standing_off_mm(map, a, k);
    const double limit = 3.5 * 1.4826 * sp_median(a->sorted, n) + 1e-4;
    bool changed = false;
    for (size_t k = 0; k < n; k++) {
      const double r = a->r[k], before = a->w[k];
      a->w[k] = reading->strokes[k].good && r <= limit ? 1.0 : 0.0;
      changed = changed || fabs(a->w[k] - before) > 0.5;
    }
    if (!changed)
      break;
  }
  return SP_OK;
}

static sp_status fill_record(const judged *j, const fit_arrays *a, sp_reference *ref, sp_error *err)
{
  const sp_rule_reading *g = &j->reading;
  sp_reference_record *r = &ref->record;
  const sp_scale_map *map = &ref->map;
  r->graduations = calloc(g->count, sizeof *r->graduations);
  if (!r->graduations)
    return sp_fail_memory(err);
  size_t first = g->count, last = 0;
  double rr = 0.0, line = 0.0;
  for (size_t k = 0; k < g->count; k++) {
    const double u = a->u[k], v = g->base_v0_px + g->slope * u;
    sp_graduation *out = &r->graduations[r->graduation_count++];
    out->at_px = map->along == SP_ALONG_X ? (sp_point){u, v} : (sp_point){v, u};
    out->used = a->w[k] > 0.0;
    out->residual_mm = a->y[k] - sp_scale_map_along_mm(map, u);
    if (!out->used)
      continue;
    first = first < k ? first : k;
    last = k;
    rr += out->residual_mm * out->residual_mm;
    r->graduations_used++;
  }
  for (size_t k = 0; k < g->count; k++)
    r->graduations[k].index = g->strokes[k].index - g->strokes[first].index;
  const double span_px = a->u[last] - a->u[first];
  r->span_mm = (a->y[last] - a->y[first]) * sqrt(1.0 + g->slope * g->slope); /* along the rule itself */
  r->px_per_mm = span_px / (a->y[last] - a->y[first]);
  r->px_per_mm_across = NAN;
  r->fit_rms_mm = sqrt(rr / (double)r->graduations_used);
  r->first_px = r->graduations[first].at_px;
  r->last_px = r->graduations[last].at_px;
  r->skew_deg = atan(g->slope) * 57.29577951308232;
  for (size_t k = first; k <= last; k++) {
    const double straight = a->y[first] + (a->u[k] - a->u[first]) / r->px_per_mm;
    line += pow(sp_scale_map_along_mm(map, a->u[k]) - straight, 2);
  }
  r->carriage_rms_mm = sqrt(line / (double)(last - first + 1));
  return SP_OK;
}

/* Where the rule lies, whether or not it serves as scale. */
static void note_band(const sp_rule_reading *g, sp_reference *ref)
{
  ref->has_band = true;
  ref->band_along = g->along;
  ref->band_v0_px = g->band_v0_px;
  ref->band_v1_px = g->band_v1_px;
  ref->slope = g->slope;
  ref->blur_px = g->blur_px;
  ref->blur_sd_log = g->blur_sd_log;
}

/* Where the picture is coarse a broad stroke with little blur looks like a narrow one with much: their second moments
 * together, blur^2 + width^2 / 12, are known far better than either. What the strokes of rules measure settles it. */
static void settle_blur(const sp_rule_reading *g, double px_per_mm, sp_reference *ref)
{
  const double twelfth = g->stroke_px * g->stroke_px / 12.0, blur2 = g->blur_px * g->blur_px;
  const double sd_width = g->blur_sd_log * blur2 / twelfth;
  const double share = sd_width * sd_width / (sd_width * sd_width + STROKE_SD_LOG * STROKE_SD_LOG);
  const double width = g->stroke_px * pow(STROKE_MM * px_per_mm / g->stroke_px, share);
  const double settled = blur2 + twelfth - width * width / 12.0;
  ref->blur_px = sqrt(fmax(settled, 0.04));
  ref->blur_sd_log = fmin(0.3, hypot(0.01, g->blur_sd_log * sqrt(1.0 - share)));
}

/* Where it lies by the map of all strokes: its own place has in it what pixels do to it. */
static sp_lean lean_of(const sp_stroke *s, const sp_graduation *g, const sp_scale_map *map)
{
  const double further_px = g->residual_mm / sp_scale_map_rate(map, s->u_px);
  return (sp_lean){.u_px = s->u_px,
                   .lean = s->lean,
                   .u_lean = s->u_lean,
                   .middle_u_px = s->own_u_px + further_px,
                   .middle_v_px = s->own_v_px,
                   .length_px = s->own_length_px};
}

static sp_status keep_leans(const sp_rule_reading *g, sp_reference *ref, sp_error *err)
{
  free(ref->leans);
  ref->leans = calloc(g->count + 1, sizeof *ref->leans);
  ref->lean_count = 0;
  if (!ref->leans)
    return sp_fail_memory(err);
  for (size_t k = 0; k < g->count; k++)
    if (g->strokes[k].good && g->strokes[k].u_lean > 0.0)
      ref->leans[ref->lean_count++] = lean_of(&g->strokes[k], &ref->record.graduations[k], &ref->map);
  ref->line_v0_px = g->base_v0_px;
  ref->line_slope = g->slope;
  return SP_OK;
}

/* By how much the strokes turn from one end of the rule to the other, rad; 0 where that is no more than chance. On a
 * flatbed strokes are parallel. */
static double turn_of_strokes(const sp_reference *ref)
{
  double sw = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, syy = 0;
  const size_t n = ref->lean_count;
  if (n < MIN_STROKES)
    return 0.0;
  const double range = ref->leans[n - 1].u_px - ref->leans[0].u_px;
  for (size_t i = 0; i < n; i++) {
    const sp_lean *l = &ref->leans[i];
    const double w = 1.0 / (l->u_lean * l->u_lean + ENGRAVED_SD * ENGRAVED_SD), x = (l->u_px - ref->leans[0].u_px) / range;
    sw += w;
    sx += w * x;
    sy += w * l->lean;
    sxx += w * x * x;
    sxy += w * x * l->lean;
    syy += w * l->lean * l->lean;
  }
  const double det = sw * sxx - sx * sx, slope = (sw * sxy - sx * sy) / det, level = (sy - slope * sx) / sw;
  const double rest = fmax(1.0, (syy - level * sy - slope * sxy) / (double)(n - 2));
  return fabs(slope) > 6.0 * sqrt(rest * sw / det) ? slope : 0.0;
}

static sp_status accept_rule(const sp_scene *scene, const judged *j, int kind, sp_reference *ref, sp_error *err)
{
  const sp_rule_reading *g = &j->reading;
  const sp_view view = sp_view_of(scene->raster, g->along);
  double *work = malloc(5 * g->count * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  const fit_arrays a = {work, work + g->count, work + 2 * g->count, work + 3 * g->count, work + 4 * g->count};
  const double shorter = SP_GRADUATION_MM_OF[kind] / sqrt(1.0 + g->slope * g->slope);
  settle_blur(g, g->period_px / SP_GRADUATION_MM_OF[kind], ref);
  for (size_t k = 0; k < g->count; k++) {
    a.u[k] = g->strokes[k].u_px;
    a.y[k] = g->strokes[k].index * shorter;
    a.w[k] = g->strokes[k].good ? 1.0 : 0.0;
  }
  sp_status status = robust_map(j, &a, view.length_px, &ref->map, err);
  ref->record.kind = SP_REFERENCE_RULE;
  ref->record.graduation_mm = SP_GRADUATION_MM_OF[kind];
  if (!status)
    status = fill_record(j, &a, ref, err);
  if (!status)
    status = keep_leans(g, ref, err);
  if (!status && fabs(turn_of_strokes(ref)) > MAX_TURN) {
    ref->map.known = false;
    ref->record.kind = SP_REFERENCE_NONE;
    snprintf(
        ref->reason, sizeof ref->reason,
        "the rule's strokes turn by %.2f degrees from one end to the other: the picture was taken slantwise, or the "
        "rule does not lie flat",
        57.29577951308232 * fabs(turn_of_strokes(ref)));
  } else if (!status) {
    sp_reference_refuse_photograph(sp_reference_scale_drift(a.u, a.y, a.w, g->count), ref);
  }
  note_band(g, ref);
  free(work);
  return status;
}

/* A graduation's period, in the chosen one's scale, is that of some graduation, or of every second of its strokes; the
 * windings of a string that runs beside the rule are of any. Edges agree to 4e-4 (drawn rules). */
static bool is_graduation(double period_mm)
{
  static const double NEAR = 0.004;
  for (int k = 0; k < SP_GRADUATION_KINDS; k++)
    for (int every = 1; every <= 2; every++)
      if (fabs(period_mm / (every * SP_GRADUATION_MM_OF[k]) - 1.0) < NEAR)
        return true;
  return false;
}

/* A rule may be graduated on both edges: everything between the two trains of strokes is rule. period_mm is that of the
 * chosen one. */
static void widen_to_second_edge(const sp_comb *combs, size_t count, size_t chosen, double period_mm,
                                 const sp_scene *scene, sp_reference *ref)
{
  const double strip_px = (double)scene->strip_px;
  const double middle = 0.5 * sp_view_of(scene->raster, combs[chosen].along).length_px;
  for (size_t i = 0; i < count; i++) {
    const sp_comb *c = &combs[i];
    /* edges of one rule are parallel, but a comb knows its slope only coarsely: compare half way along */
    const double v = c->v0_px + (c->slope - ref->slope) * middle;
    const double apart = fmax(v - ref->band_v1_px, ref->band_v0_px - v);
    if (i == chosen || c->along != combs[chosen].along || fabs(c->slope - ref->slope) > 0.022)
      continue;
    if (c->strength < 0.1 * combs[chosen].strength || apart > 60.0 * strip_px)
      continue;
    if (!is_graduation(period_mm * c->period_px / combs[chosen].period_px))
      continue;
    ref->band_v0_px = fmin(ref->band_v0_px, v - 4.0 * strip_px);
    ref->band_v1_px = fmax(ref->band_v1_px, v + 4.0 * strip_px);
  }
}

static double span_px(const sp_rule_reading *r)
{
  return r->count ? r->strokes[r->count - 1].u_px - r->strokes[0].u_px : 0.0;
}

/* ---- what somebody says that strokes read --------------------------------------------------------------------------
 */

/* What is known of the graduation beforehand. */
typedef struct word {
  int kind; /* as told; -1: not */
  const sp_told_stroke *strokes;
  size_t stroke_count; /* 0 or at least 2 */
  size_t first, last;  /* those that read the most apart */
} word;

enum { NOTHING_FITS = -2 };
/* Clicks are off by half a millimetre or so each; kinds of graduation differ by a quarter. */
static const double KIND_NEAR = 0.10, CLICK_MM = 1.3;
/* A stroke pointed at lies within this of the band of strokes it belongs to, mm. */
static const double BAND_NEAR_MM = 15.0;

static word word_of(const sp_reference_options *o)
{
  word w = {isnan(o->graduation_mm) ? -1 : sp_graduation_of_mm(o->graduation_mm), o->strokes, o->stroke_count, 0, 0};
  for (size_t i = 0; i < w.stroke_count; i++) {
    if (w.strokes[i].reading_mm < w.strokes[w.first].reading_mm)
      w.first = i;
    if (w.strokes[i].reading_mm > w.strokes[w.last].reading_mm)
      w.last = i;
  }
  if (w.stroke_count < 2 || w.first == w.last)
    w.stroke_count = 0;
  return w;
}

static double along_axis(sp_point p, sp_along along)
{
  return along == SP_ALONG_X ? p.x : p.y;
}

/* The kind of graduation that this reading's strokes have if the word holds; -1: nothing was said. Of kinds that are
 * hardly apart (0.5 mm and 1/50 in) the one whose pattern the strokes have. */
static int told_kind(const word *w, const judged *j)
{
  const sp_rule_reading *r = &j->reading;
  if (w->kind >= 0 || !w->stroke_count)
    return w->kind;
  const sp_told_stroke *a = &w->strokes[w->first], *b = &w->strokes[w->last];
  const double px = fabs(along_axis(b->at_px, r->along) - along_axis(a->at_px, r->along));
  const double mm_per_px = (b->reading_mm - a->reading_mm) / px, pitch_mm = r->period_px * mm_per_px;
  const double u = along_axis(a->at_px, r->along), v = r->along == SP_ALONG_X ? a->at_px.y : a->at_px.x;
  const double off = fmax(v - (r->band_v1_px + r->slope * u), r->band_v0_px + r->slope * u - v);
  if (!(px > r->period_px) || !(off * mm_per_px < BAND_NEAR_MM))
    return NOTHING_FITS;
  int kind = NOTHING_FITS;
  for (int k = 0; k < SP_GRADUATION_KINDS; k++)
    if (fabs(log(pitch_mm / SP_GRADUATION_MM_OF[k])) < KIND_NEAR && (kind < 0 || j->evidence[k] > j->evidence[kind]))
      kind = k;
  return kind;
}

/* Number of the stroke nearest to u, a real one between strokes. */
static double index_at(const sp_rule_reading *r, double u_px)
{
  size_t best = 0;
  for (size_t i = 1; i < r->count; i++)
    if (fabs(r->strokes[i].u_px - u_px) < fabs(r->strokes[best].u_px - u_px))
      best = i;
  return r->strokes[best].index + (u_px - r->strokes[best].u_px) / r->period_px;
}

/* Are all the places as far apart, counted in strokes, as their readings say? *off_mm is the worst disagreement. */
static bool strokes_agree(const word *w, const sp_rule_reading *r, int kind, double *off_mm)
{
  const double g = SP_GRADUATION_MM_OF[kind];
  const sp_told_stroke *a = &w->strokes[w->first], *b = &w->strokes[w->last];
  const double at = g * index_at(r, along_axis(a->at_px, r->along));
  const double sign = g * index_at(r, along_axis(b->at_px, r->along)) < at ? -1.0 : 1.0;
  *off_mm = 0.0;
  for (size_t i = 0; i < w->stroke_count; i++) {
    const double counted = sign * (g * index_at(r, along_axis(w->strokes[i].at_px, r->along)) - at);
    const double off = counted - (w->strokes[i].reading_mm - a->reading_mm);
    if (fabs(off) > fabs(*off_mm))
      *off_mm = off;
  }
  return fabs(*off_mm) <= CLICK_MM;
}

static void hold_strokes(const word *w, const judged *j, int kind, sp_reference *ref)
{
  double off_mm;
  if (!w->stroke_count || !ref->map.known)
    return;
  if (strokes_agree(w, &j->reading, kind, &off_mm)) {
    ref->told = j->kind == kind || w->kind >= 0 ? SP_TOLD_AGREES : SP_TOLD_SETTLED;
    return;
  }
  ref->told = SP_TOLD_CONTRADICTED;
  ref->map.known = false;
  ref->record.kind = SP_REFERENCE_NONE;
  snprintf(ref->reason, sizeof ref->reason,
           "what the rule is said to read does not fit its strokes: counted in graduations of %s, one place lies "
           "%.1f mm %s; look at the readings again",
           SP_GRADUATION_NAME[kind], fabs(off_mm), off_mm > 0.0 ? "farther than it should" : "nearer than it should");
}

static void say_refused(const judged *j, const word *w, sp_reference *ref)
{
  const int told = w->kind;
  if (j->reading.count < MIN_STROKES)
    return;
  if (w->stroke_count && told < 0) {
    ref->told = SP_TOLD_CONTRADICTED;
    if (ref->reason[0] == '\0')
      snprintf(
          ref->reason, sizeof ref->reason,
          "what the rule is said to read does not fit its strokes: neither 1 mm, 0.5 mm nor a usual part of an inch "
          "goes with them; look at the readings again");
  } else if (ref->reason[0] == '\0' && told >= 0)
    snprintf(ref->reason, sizeof ref->reason,
             "the rule's longer strokes do not fit graduations of %s; check --graduation or leave it out",
             SP_GRADUATION_NAME[told]);
  else if (ref->reason[0] == '\0')
    snprintf(ref->reason, sizeof ref->reason,
             "%zu evenly spaced strokes were found but not what they are; say it with --graduation, or scan the rule "
             "uncovered and clean",
             j->reading.count);
  if (j->kind >= 0 && !ref->has_band)
    note_band(&j->reading, ref);
}

static void say_stated_dpi(const judged *j, int kind, int told, double stated, sp_reference *ref)
{
  if (stated > 0.0 && stated_plausibility(j->reading.period_px, SP_GRADUATION_MM_OF[kind], stated) <= -STATED_DPI_CAP)
    snprintf(ref->warning, sizeof ref->warning,
             "the file states %.0f dpi but the rule says %.0f dpi if its graduations are %s; the rule is believed",
             stated, j->reading.period_px / SP_GRADUATION_MM_OF[kind] * 25.4, SP_GRADUATION_NAME[kind]);
  else if (told < 0 && twin_of(kind) >= 0)
    snprintf(ref->warning, sizeof ref->warning,
             "graduations of %s and of %s look alike: %s was taken because the file states %.0f dpi; if the rule has "
             "the other, say --graduation",
             SP_GRADUATION_NAME[kind], SP_GRADUATION_NAME[twin_of(kind)], SP_GRADUATION_NAME[kind], stated);
}

/* A printed strip's graduations are no rule. */
static bool on_strip(const sp_scene *scene, const sp_comb *comb, const sp_reference *ref)
{
  for (size_t i = 0; i < ref->area_count; i++) {
    const sp_point *c = ref->area[i].corner_px;
    const bool x = comb->along == SP_ALONG_X;
    const double u = 0.25 * (x ? c[0].x + c[1].x + c[2].x + c[3].x : c[0].y + c[1].y + c[2].y + c[3].y);
    const double v = 0.25 * (x ? c[0].y + c[1].y + c[2].y + c[3].y : c[0].x + c[1].x + c[2].x + c[3].x);
    const double half = 0.5 * fmin(hypot(c[3].x - c[0].x, c[3].y - c[0].y), hypot(c[1].x - c[0].x, c[1].y - c[0].y));
    if (fabs(comb->v0_px + comb->slope * u - v) < half + 2.0 * scene->strip_px)
      return true;
  }
  return false;
}

/* Strokes between those of a train show that it is not the finest graduation but every second or fifth stroke of it,
 * and then its pattern means another spacing. Looks for a train in the same band whose period goes into this one's. */
static sp_status holds_finer(const sp_scene *scene, const sp_comb *combs, size_t count, size_t which,
                             const sp_rule_reading *reading, bool *finer, sp_error *err)
{
  const double middle = 0.5 * sp_view_of(scene->raster, combs[which].along).length_px, near_px = 10.0;
  *finer = false;
  for (size_t i = 0; i < count && !*finer; i++) {
    const sp_comb *c = &combs[i];
    const double parts = reading->period_px / c->period_px, whole = round(parts);
    const double apart = c->v0_px + c->slope * middle - (combs[which].v0_px + combs[which].slope * middle);
    if (c->along != combs[which].along || !(whole >= 2.0 && whole <= 10.0) || fabs(parts / whole - 1.0) > 0.02 ||
        fabs(apart) > near_px * reading->period_px)
      continue;
    sp_rule_reading other = {0};
    const sp_status status = sp_rule_read(scene, c, &other, err);
    if (status)
      return status;
    *finer = other.count >= MIN_STROKES && other.count > reading->count + reading->count / 2;
    sp_rule_reading_free(&other);
  }
  return SP_OK;
}

/* What one comb would be: a kind of graduation, or -1. */
static sp_status try_comb(const sp_scene *scene, double dpi[2], const word *w, const sp_comb *combs, size_t count,
                          size_t which, judged *j, int *here, sp_error *err)
{
  bool finer = false;
  *here = -1;
  sp_status status = judge(scene, &combs[which], dpi[combs[which].along], j, err);
  if (status)
    return status;
  const int told = j->reading.count < MIN_STROKES ? w->kind : told_kind(w, j);
  if (told == NOTHING_FITS)
    return SP_OK;
  const bool told_fits = told >= 0 && told_is_tenable(j, told, dpi[combs[which].along]);
  *here = told < 0 ? j->kind : told_fits ? told : -1;
  if (*here >= 0)
    status = holds_finer(scene, combs, count, which, &j->reading, &finer, err);
  if (status)
    sp_rule_reading_free(&j->reading);
  else if (finer)
    *here = -1;
  return status;
}

/* Where no train can be told, the finest graduation may have escaped the search (its period being few pixels): looks
 * for strokes in the halves, fifths and quarters between those of the strongest train that was read. */
static sp_status try_parts(const sp_scene *scene, double dpi[2], const word *w, const sp_comb *whole, size_t strokes,
                           judged *chosen, int *kind, sp_error *err)
{
  static const double PARTS[] = {2.0, 5.0, 4.0, 10.0};
  const double least_period_px = 3.3;
  for (size_t i = 0; *kind < 0 && i < sizeof PARTS / sizeof *PARTS; i++) {
    sp_comb part = *whole;
    judged j;
    int here;
    part.period_px /= PARTS[i];
    if (part.period_px < least_period_px)
      continue;
    const sp_status status = try_comb(scene, dpi, w, &part, 1, 0, &j, &here, err);
    if (status)
      return status;
    if (here >= 0 && j.reading.count > strokes + strokes / 2) {
      *kind = here;
      *chosen = j;
    } else {
      sp_rule_reading_free(&j.reading);
    }
  }
  return SP_OK;
}

/* What the search for a rule has come to: its comb, what it is read as, and its kind; kind -1: nothing clear. */
typedef struct choice {
  sp_comb combs[SP_MAX_COMBS];
  size_t count, which;
  judged read;
  int kind;
  size_t readable, most; /* of those that are not clear the one with most strokes, and how many */
} choice;

/* The comb to use: the first (strongest) whose graduation is clear and agrees with the user's word; if it was read over
 * a part of the picture only, another edge of the rule that was read much further. */
static sp_status choose_among(const sp_scene *scene, double dpi[2], const word *w, choice *c, sp_reference *ref,
                              sp_error *err)
{
  c->kind = -1;
  c->most = 0;
  for (size_t i = 0, tried = 0; i < c->count && tried < MAX_TRIED; i++) {
    if (on_strip(scene, &c->combs[i], ref))
      continue;
    tried++;
    const double length = sp_view_of(scene->raster, c->combs[i].along).length_px;
    if (c->kind >= 0 &&
        (span_px(&c->read.reading) > LONG_ENOUGH * length || c->combs[i].strength < 0.1 * c->combs[c->which].strength))
      break;
    judged j;
    int here;
    const sp_status status = try_comb(scene, dpi, w, c->combs, c->count, i, &j, &here, err);
    if (status)
      return status;
    if (j.reading.count > c->most) {
      c->most = j.reading.count;
      c->readable = i;
    }
    if (here >= 0 && (c->kind < 0 || span_px(&j.reading) > 1.2 * span_px(&c->read.reading))) {
      if (c->kind >= 0)
        sp_rule_reading_free(&c->read.reading);
      c->kind = here;
      c->read = j;
      c->which = i;
      continue;
    }
    if (here < 0)
      say_refused(&j, w, ref);
    sp_rule_reading_free(&j.reading);
  }
  return SP_OK;
}

/* Where nothing is clear among the usual combs, what else there may be: a rule of which few strokes are in sight, or
 * parts of the strokes that were read. A printed strip in sight is a better scale than few strokes. */
static sp_status choose_otherwise(const sp_scene *scene, double dpi[2], const word *w, choice *c, sp_reference *ref,
                                  sp_error *err)
{
  choice few = {.kind = -1};
  sp_status status = SP_OK;
  if (ref->no_tag)
    status = sp_rule_find_few(scene, few.combs, &few.count, err);
  if (!status && few.count)
    status = choose_among(scene, dpi, w, &few, ref, err);
  if (few.kind >= 0)
    *c = few;
  if (!status && c->kind < 0 && c->most >= MIN_STROKES) {
    c->which = c->readable;
    status = try_parts(scene, dpi, w, &c->combs[c->readable], c->most, &c->read, &c->kind, err);
  }
  return status;
}

static sp_status choose(const sp_scene *scene, double dpi[2], const word *w, choice *c, sp_reference *ref,
                        sp_error *err)
{
  *c = (choice){.kind = -1};
  sp_status status = sp_rule_find(scene, c->combs, &c->count, err);
  if (!status)
    status = choose_among(scene, dpi, w, c, ref, err);
  if (!status && c->kind < 0)
    status = choose_otherwise(scene, dpi, w, c, ref, err);
  if (status && c->kind >= 0)
    sp_rule_reading_free(&c->read.reading);
  else if (c->kind >= 0)
    say_stated_dpi(&c->read, c->kind, w->kind, dpi[c->combs[c->which].along], ref);
  return status;
}

static sp_status read_rule(const sp_scene *scene, double dpi[2], const sp_reference_options *options, sp_reference *ref,
                           sp_error *err)
{
  const word w = word_of(options);
  choice c;
  sp_status status = choose(scene, dpi, &w, &c, ref, err);
  if (status)
    return status;
  if (c.kind < 0) {
    if (!ref->reason[0])
      snprintf(ref->reason, sizeof ref->reason,
               "no rule with readable graduations was found; lay a steel rule beside the "
               "board, graduations up, and scan again");
    return SP_OK;
  }
  ref->reason[0] = '\0';
  ref->told = SP_TOLD_UNUSED;
  status = accept_rule(scene, &c.read, c.kind, ref, err);
  if (!status)
    hold_strokes(&w, &c.read, c.kind, ref);
  widen_to_second_edge(c.combs, c.count, c.which, SP_GRADUATION_MM_OF[c.kind], scene, ref);
  if (!status && options->straightened && ref->map.known)
    status = sp_reference_read_other_edge(scene, c.combs, c.count, c.which, &c.read.reading, ref, err);
  ref->record.graduation_told = w.kind >= 0 || ref->told == SP_TOLD_SETTLED;
  if (ref->map.known)
    ref->record.mpe_mm = isnan(options->mpe_mm) ? default_mpe_mm(ref->record.span_mm) : options->mpe_mm;
  sp_rule_reading_free(&c.read.reading);
  return status;
}

/* ---- scales without a rule ------------------------------------------------------------------------------------------
 */

/* A rule that lies in the picture is no part of the board, even if another scale was asked for. */
static sp_status find_band(const sp_scene *scene, double dpi[2], sp_reference *ref, sp_error *err)
{
  sp_comb combs[SP_MAX_COMBS];
  size_t count = 0;
  sp_status status = sp_rule_find(scene, combs, &count, err);
  for (size_t i = 0; !status && !ref->has_band && i < count && i < MAX_TRIED; i++) {
    judged j;
    if (on_strip(scene, &combs[i], ref))
      continue;
    status = judge(scene, &combs[i], dpi[combs[i].along], &j, err);
    if (!status && j.reading.count >= MIN_STROKES && j.kind >= 0) {
      note_band(&j.reading, ref);
      widen_to_second_edge(combs, count, i, SP_GRADUATION_MM_OF[j.kind], scene, ref);
    }
    sp_rule_reading_free(&j.reading);
  }
  return status;
}

static sp_along longer_side(const sp_raster *raster)
{
  return raster->width_px > raster->height_px ? SP_ALONG_X : SP_ALONG_Y;
}

static sp_status use_constant(const sp_scene *scene, double dpi[2], sp_reference_kind kind, double mm_per_px,
                              double u_relative, const sp_reference_options *options, sp_reference *ref, sp_error *err)
{
  const sp_status status = find_band(scene, dpi, ref, err);
  if (status)
    return status;
  const sp_along along = ref->has_band ? ref->band_along : longer_side(scene->raster);
  const sp_view view = sp_view_of(scene->raster, along);
  ref->record.kind = kind;
  ref->record.px_per_mm = 1.0 / mm_per_px;
  ref->record.span_mm = view.length_px * mm_per_px;
  ref->record.mpe_mm = options->mpe_mm;
  return sp_scale_map_constant(along, mm_per_px, u_relative, view.length_px, &ref->map, err);
}

static sp_status use_dpi(const sp_scene *scene, double dpi[2], const sp_reference_options *options, sp_reference *ref,
                         sp_error *err)
{
  const double stated = dpi[longer_side(scene->raster)];
  if (!(stated > 0.0)) {
    snprintf(ref->reason, sizeof ref->reason, "the file states no resolution, so --reference dpi has nothing to go by");
    return SP_OK;
  }
  snprintf(ref->warning, sizeof ref->warning,
           "the scale is the file's word (%.2f dpi), which is often wrong by parts in a thousand; lay a rule beside "
           "the board",
           stated);
  return use_constant(scene, dpi, SP_REFERENCE_DPI, 25.4 / stated, STATED_DPI_U, options, ref, err);
}

static sp_status use_distance(const sp_scene *scene, double dpi[2], const sp_reference_options *options,
                              sp_reference *ref, sp_error *err)
{
  const double px = hypot(options->to_px.x - options->from_px.x, options->to_px.y - options->from_px.y);
  if (!(px > 10.0) || !(options->distance_mm > 0.0))
    return sp_fail(err, SP_E_USAGE, "--reference distance needs --distance LEN and two points, --from X,Y --to X,Y");
  /* points are read off a screen to about a pixel each; a sensor axis is off by up to 0.5 % elsewhere in the picture */
  const sp_status status = use_constant(scene, dpi, SP_REFERENCE_DISTANCE, options->distance_mm / px,
                                        hypot(1.0 / px, 0.001), options, ref, err);
  ref->record.first_px = options->from_px;
  ref->record.last_px = options->to_px;
  ref->record.span_mm = options->distance_mm;
  return status;
}

static double rms(const double *x, size_t n)
{
  double square = 0.0;
  for (size_t i = 0; i < n; i++)
    square += x[i] * x[i];
  return sqrt(square / (double)n);
}

static sp_status use_profile(const sp_scene *scene, double dpi[2], const sp_reference_options *options,
                             sp_reference *ref, sp_error *err)
{
  const sp_profile *p = options->profile;
  if (!p || p->kind != SP_PROFILE_SCANNER)
    return sp_fail(err, SP_E_USAGE, "--reference profile needs --profile with the profile of a scanner");
  sp_status status = find_band(scene, dpi, ref, err);
  if (status)
    return status;
  const sp_along along = ref->has_band ? ref->band_along : longer_side(scene->raster);
  const sp_profile_axis *axis = &p->axis[along], *across = &p->axis[1 - along];
  if (!axis->known) {
    snprintf(ref->reason, sizeof ref->reason,
             "the profile knows the picture's other side only; calibrate the scanner along this one too, or lay the "
             "board along the other");
    return SP_OK;
  }
  const double length_px = sp_view_of(scene->raster, along).length_px;
  status = sp_scale_map_profile(along, axis, across->known ? across : NULL, length_px, &ref->map, err);
  ref->record.kind = SP_REFERENCE_PROFILE;
  ref->record.px_per_mm = axis->px_per_mm;
  ref->record.px_per_mm_across = across->known ? across->px_per_mm : NAN;
  ref->record.span_mm = axis->span_mm;
  ref->record.mpe_mm = isnan(options->mpe_mm) ? p->mpe_mm : options->mpe_mm;
  ref->record.carriage_rms_mm = rms(axis->departure_mm, axis->count);
  return status;
}

/* ---- a rule, a printed strip, or both -------------------------------------------------------------------------------
 */

/* A rule's band goes before the strip's: print can be painted over, a rule cannot. */
static void prefer_band(const sp_reference *rule, sp_reference *ref)
{
  if (!rule->has_band || (ref->map.known && rule->band_along != ref->map.along))
    return;
  ref->has_band = true;
  ref->band_along = rule->band_along;
  ref->band_v0_px = rule->band_v0_px;
  ref->band_v1_px = rule->band_v1_px;
  ref->slope = rule->slope;
}

static double relative_mpe(const sp_reference_record *r)
{
  return r->mpe_mm / r->span_mm;
}

/* Two references in one picture must agree within what they may be wrong by; one of them is used, never a mean. */
static void say_disagreement(double off, double allowed, const char *believed, sp_reference *ref)
{
  if (!(fabs(off) > allowed))
    return;
  snprintf(
      ref->warning, sizeof ref->warning,
      "rule and printed strip disagree: the strip's millimetre is %.2f %% %s than the rule's, more than the two may "
      "be wrong by; the %s is believed; measure the strip's check length again and look at the rule's graduations",
      100.0 * fabs(off), off > 0.0 ? "longer" : "shorter", believed);
}

static sp_status read_rule_or_strip(const sp_scene *scene, double dpi[2], const sp_reference_options *options,
                                    sp_strip_sight *sight, sp_reference *ref, sp_error *err)
{
  sp_status status = read_rule(scene, dpi, options, ref, err);
  if (status)
    return status;
  if (ref->map.known) {
    const double strip = sp_strip_default_mpe_mm(options, 1.0);
    say_disagreement(sp_strip_disagreement(sight, options, &ref->map), relative_mpe(&ref->record) + strip, "rule", ref);
    return SP_OK;
  }
  if (options->kind != SP_REFERENCE_NONE ||
      ref->record.graduation_count) /* a rule that was refused is not passed over */
    return SP_OK;
  if (!sight->tags_seen) {
    sp_strip_sight_free(sight);
    status = sp_strip_look(scene->raster, SP_STRIP_CLOSER, sight, err);
    if (status || !sight->tags_seen)
      return status;
    sp_strip_note_areas(sight, ref);
  }
  const sp_reference unread = *ref; /* its band only */
  ref->reason[0] = ref->warning[0] = '\0';
  status = sp_strip_reference(scene, sight, options, ref, err);
  if (!status)
    prefer_band(&unread, ref);
  return status;
}

/* A rule that lies there as well is no part of the board, and a second opinion. */
static sp_status read_strip(const sp_scene *scene, double dpi[2], const sp_reference_options *options,
                            const sp_strip_sight *sight, sp_reference *ref, sp_error *err)
{
  sp_reference rule = {0};
  sp_reference_options plain = *options;
  sp_status status = sp_strip_reference(scene, sight, options, ref, err);
  if (status)
    return status;
  record_init(&rule.record);
  memcpy(rule.area, ref->area, sizeof rule.area);
  rule.area_count = ref->area_count;
  plain.mpe_mm = plain.graduation_mm = NAN;
  status = read_rule(scene, dpi, &plain, &rule, err);
  if (!status && rule.map.known && ref->map.known) {
    const double allowed = relative_mpe(&rule.record) + relative_mpe(&ref->record);
    say_disagreement(sp_strip_disagreement(sight, options, &rule.map), allowed, "strip", ref);
  }
  if (!status)
    prefer_band(&rule, ref);
  sp_reference_free(&rule);
  return status;
}

static sp_status read_kind(const sp_scene *scene, double dpi[2], const sp_reference_options *options,
                           sp_strip_sight *sight, sp_reference *ref, sp_error *err)
{
  switch (options->kind) {
  case SP_REFERENCE_DPI:
    return use_dpi(scene, dpi, options, ref, err);
  case SP_REFERENCE_DISTANCE:
    return use_distance(scene, dpi, options, ref, err);
  case SP_REFERENCE_NONE:
  case SP_REFERENCE_RULE:
    return read_rule_or_strip(scene, dpi, options, sight, ref, err);
  case SP_REFERENCE_STRIP:
    return read_strip(scene, dpi, options, sight, ref, err);
  case SP_REFERENCE_PROFILE:
    return use_profile(scene, dpi, options, ref, err);
  }
  return sp_fail(err, SP_E_USAGE, "this kind of reference is not part of this version; use --reference rule");
}

sp_status sp_reference_read(const sp_scene *scene, double stated_dpi_x, double stated_dpi_y,
                            const sp_reference_options *options, sp_reference *ref, sp_error *err)
{
  double dpi[2] = {stated_dpi_x, stated_dpi_y};
  sp_strip_sight sight = {0};
  memset(ref, 0, sizeof *ref);
  record_init(&ref->record);
  ref->blur_px = ref->blur_sd_log = NAN;
  const sp_strip_effort effort = options->kind == SP_REFERENCE_STRIP ? SP_STRIP_SEARCH : SP_STRIP_GLANCE;
  sp_status status = options->tags
                         ? sp_strip_look_by_tags(scene->raster, options->tags, options->tag_count, &sight, err)
                         : sp_strip_look(scene->raster, effort, &sight, err);
  if (status)
    return status;
  sp_strip_note_areas(&sight, ref);
  ref->no_tag = effort == SP_STRIP_GLANCE && !sight.tags_seen;
  status = read_kind(scene, dpi, options, &sight, ref, err);
  sp_strip_sight_free(&sight);
  return status;
}

void sp_reference_free(sp_reference *ref)
{
  sp_scale_map_free(&ref->map);
  free(ref->record.graduations);
  free(ref->leans);
  free(ref->edge_leans);
  memset(ref, 0, sizeof *ref);
}
