/* A rule that is graduated on both edges says how the picture changes across it.
 *
 * Both edges count the same millimetres. Where a line square to the rule is drawn askew, the other edge's strokes come
 * to lie beside the places that the map has for them, by what the line has gone aside over the rule's breadth. A stroke
 * by itself, some millimetres long, tells its direction to a milliradian; two strokes at the two edges, 20 mm apart,
 * tell it to a tenth of that. Where the one edge's zero lies against the other's is not known: it takes a constant
 * away, and what is square on the whole with it, but not how that changes along the rule.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "reference_internal.h"
#include "slotproof/numeric.h"

/* The other edge is at least so far away, mm: nearer lie the longer strokes of the same one. */
static const double LEAST_APART_MM = 6.0, MOST_APART_MM = 60.0;
/* Edges of one rule are parallel. A comb knows its slope only coarsely. */
static const double LEAST_STRENGTH = 0.1, MOST_SLOPE = 0.022, MOST_READ_SLOPE = 0.004;
/* The other edge's spacing against one of the usual ones, by the map of the first: kinds differ by 0.8 % and more. */
static const double NEAR = 0.002;
enum { LEAST_STROKES = 25 };
/* What neither noise nor engraver explains, px: how strokes are drawn between pixels. */
static const double FLOOR_PX = 0.01;

/* v of a reading's line less that of another one. */
static double apart_px(const sp_rule_reading *a, const sp_rule_reading *b, double u_px)
{
  return a->base_v0_px - b->base_v0_px + (a->slope - b->slope) * u_px;
}

/* Spacing in mm by the first edge's map, robustly: the median over strokes some way apart. NAN where too few are. */
static double spacing_mm(const sp_rule_reading *r, const sp_scale_map *map, double *work)
{
  const size_t half = r->count / 2;
  size_t n = 0;
  for (size_t k = 0; k + half < r->count; k++) {
    const sp_stroke *a = &r->strokes[k], *b = &r->strokes[k + half];
    if (a->good && b->good)
      work[n++] = (sp_scale_map_along_mm(map, b->u_px) - sp_scale_map_along_mm(map, a->u_px)) / (b->index - a->index);
  }
  return n >= LEAST_STROKES / 3 ? sp_median(work, n) : NAN;
}

static double usual_spacing_mm(double spacing)
{
  for (int k = 0; k < SP_GRADUATION_KINDS; k++)
    if (fabs(spacing / SP_GRADUATION_MM_OF[k] - 1.0) < NEAR)
      return SP_GRADUATION_MM_OF[k];
  return NAN;
}

/* What each stroke lies beside its place, in px of the line that was read; less the median, which means nothing. */
static size_t beside_places(const sp_rule_reading *r, const sp_scale_map *map, double spacing, double *beside,
                            double *work)
{
  size_t n = 0;
  for (size_t k = 0; k < r->count; k++) {
    const sp_stroke *s = &r->strokes[k];
    beside[k] = NAN;
    if (!s->good || s->u_px < map->first_px || s->u_px > map->last_px)
      continue;
    beside[k] = (sp_scale_map_along_mm(map, s->u_px) - spacing * s->index) / sp_scale_map_rate(map, s->u_px);
    work[n++] = beside[k];
  }
  const double middle = n ? sp_median(work, n) : 0.0;
  for (size_t k = 0; k < r->count; k++)
    beside[k] -= middle;
  return n;
}

/* The strokes of a reading as leans, unless another edge has said more. */
static sp_status keep_edge(const sp_rule_reading *r, const sp_rule_reading *first, const double *beside, size_t count,
                           sp_reference *ref, sp_error *err)
{
  if (count < LEAST_STROKES || count <= ref->edge_lean_count)
    return SP_OK;
  sp_lean *list = calloc(count, sizeof *list);
  double apart = 0.0;
  size_t n = 0;
  if (!list)
    return sp_fail_memory(err);
  for (size_t k = 0; k < r->count; k++) {
    const sp_stroke *s = &r->strokes[k];
    const double across = apart_px(r, first, s->u_px), u = hypot(s->u_own_u_px, FLOOR_PX);
    if (!isfinite(beside[k]) || !isfinite(u))
      continue;
    list[n++] = (sp_lean){.u_px = s->u_px, .lean = beside[k] / across, .u_lean = u / fabs(across)};
    apart += fabs(across);
  }
  free(ref->edge_leans);
  ref->edge_leans = list;
  ref->edge_lean_count = n;
  ref->edge_apart_px = n ? apart / (double)n : NAN;
  return SP_OK;
}

static sp_status take_edge(const sp_scene *scene, const sp_comb *comb, const sp_rule_reading *first, sp_reference *ref,
                           sp_error *err)
{
  const double px_per_mm = ref->record.px_per_mm, middle = 0.5 * (ref->map.first_px + ref->map.last_px);
  sp_rule_reading r = {0};
  sp_status status = sp_rule_read(scene, comb, &r, err);
  double *work = status ? NULL : malloc((2 * r.count + 1) * sizeof *work);
  if (!status && !work)
    status = sp_fail_memory(err);
  if (!status && r.count >= LEAST_STROKES && fabs(r.slope - first->slope) < MOST_READ_SLOPE) {
    const double apart_mm = fabs(apart_px(&r, first, middle)) / px_per_mm;
    const double spacing = usual_spacing_mm(spacing_mm(&r, &ref->map, work));
    if (apart_mm > LEAST_APART_MM && apart_mm < MOST_APART_MM && isfinite(spacing)) {
      const size_t n = beside_places(&r, &ref->map, spacing, work, work + r.count);
      status = keep_edge(&r, first, work, n, ref, err);
    }
  }
  free(work);
  sp_rule_reading_free(&r);
  return status;
}

sp_status sp_reference_read_other_edge(const sp_scene *scene, const sp_comb *combs, size_t count, size_t which,
                                       const sp_rule_reading *read, sp_reference *ref, sp_error *err)
{
  const double middle = 0.5 * (ref->map.first_px + ref->map.last_px), px_per_mm = ref->record.px_per_mm;
  sp_status status = SP_OK;
  for (size_t i = 0; !status && i < count; i++) {
    const sp_comb *c = &combs[i];
    const double apart_mm = fabs(c->v0_px + c->slope * middle - (read->base_v0_px + read->slope * middle)) / px_per_mm;
    if (i != which && c->along == read->along && c->strength > LEAST_STRENGTH * combs[which].strength &&
        fabs(c->slope - read->slope) < MOST_SLOPE && apart_mm > LEAST_APART_MM && apart_mm < MOST_APART_MM)
      status = take_edge(scene, c, read, ref, err);
  }
  return status;
}
