/* The marks of a board, fitted by themselves, held against each other: what was found twice, what is of another colour
 * or far paler than the rest, what has many faint ones like it. */
#include "fits.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"

enum { CLUTTER = 6, PALE_COMPANY = 5 };
/* A slot so much paler than the board's typical one, at the rim of them all, is doubted. */
static const double PALE = 0.3;
/* Strength below which a mark has to be unlike the wood around it. */
static const double WEAK = 0.5;

static int by_place(const void *a, const void *b)
{
  const double x = ((const sp_mark *)a)->u_px, y = ((const sp_mark *)b)->u_px;
  return (x > y) - (x < y);
}

static double depth_of(const sp_mark *m)
{
  return fabs(m->contrast);
}

static double breadth_of(const sp_mark *m)
{
  return m->width_px;
}

static double spread_of(const sp_mark *m)
{
  return m->spread_px;
}

/* The median over all marks, of which there is at least one. */
static sp_status find_median(const sp_marks *marks, double (*of)(const sp_mark *), double *median, sp_error *err)
{
  double *work = malloc(marks->count * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < marks->count; i++)
    work[i] = of(&marks->marks[i]);
  *median = sp_median(work, marks->count);
  free(work);
  return SP_OK;
}

/* Of two marks that are one line: what shows less, along much less of it or more askew by this (rad), or at the same
 * place to within this, mm, is a fit laid over a part. What else lies along the line it leaves out, and so explains its
 * own part better. */
static const double MUCH_LESS = 0.7, MORE_ASKEW_RAD = 0.006, SAME_PLACE_MM = 0.1;

static bool is_part_of(const sp_marks_options *o, const sp_board *board, const sp_mark *m, const sp_mark *whole)
{
  const bool askew = fabs(sp_mark_off_square(o, board, m)) > fabs(sp_mark_off_square(o, board, whole)) + MORE_ASKEW_RAD;
  const bool same = fabs(m->u_px - whole->u_px) < SAME_PLACE_MM * o->px_per_mm && m->contrast * whole->contrast > 0.0;
  return (askew || same || m->coverage < MUCH_LESS * whole->coverage) &&
         sp_mark_visibility(m) < MUCH_LESS * sp_mark_visibility(whole);
}

static bool is_the_line(const sp_marks_options *o, const sp_board *board, const sp_mark *m, const sp_mark *other)
{
  if (is_part_of(o, board, m, other) || is_part_of(o, board, other, m))
    return is_part_of(o, board, other, m);
  return sp_mark_explained(m) > sp_mark_explained(other);
}

/* Two of one colour that lie further apart than one knife line is broad are two, a pencil's stroke and a cut it may be;
 * the layout tells which is the fret. */
static void merge_doubles(const sp_marks_options *o, sp_marks *marks, double reach_px, double alike_px)
{
  const bool light = sp_marks_mostly_light(o, marks);
  size_t kept = 0;
  for (size_t i = 0; i < marks->count; i++) {
    const sp_mark *m = &marks->marks[i];
    if (kept && m->u_px - marks->marks[kept - 1].u_px < reach_px) {
      sp_mark *before = &marks->marks[kept - 1];
      const bool usual = (m->contrast > 0.0) == light, usual_before = (before->contrast > 0.0) == light;
      if (usual == usual_before && m->u_px - before->u_px > alike_px) {
        marks->marks[kept++] = *m;
        continue;
      }
      if (usual == usual_before ? is_the_line(o, &marks->board, m, before) : usual)
        *before = *m;
      continue;
    }
    marks->marks[kept++] = *m;
  }
  marks->count = kept;
}

/* The wood left between two slots is a line of the other colour. (A slot between the crests of two waves is none.) */
static const double BRIDGE_MM = 1.6;

static bool is_bridge(const sp_marks_options *o, const sp_marks *marks, size_t i, bool light)
{
  const sp_mark *m = marks->marks;
  return (m[i].contrast > 0.0) != light && o->kind == SP_MARK_SLOT && i > 0 && i + 1 < marks->count &&
         m[i - 1].contrast * m[i].contrast < 0.0 && m[i + 1].contrast * m[i].contrast < 0.0 &&
         m[i + 1].u_px - m[i - 1].u_px < BRIDGE_MM * o->px_per_mm;
}

static void drop_bridges(const sp_marks_options *o, sp_marks *marks)
{
  const bool light = sp_marks_mostly_light(o, marks);
  size_t kept = 0;
  for (size_t i = 0; i < marks->count; i++)
    if (!is_bridge(o, marks, i, light))
      marks->marks[kept++] = marks->marks[i];
  marks->count = kept;
}

/* A line of the other colour that runs so little as the board's lines do (by some two degrees) is none of them. */
static const double LEAST_SQUARE = 0.3;

/* What is left of the other colour may be the burr of a cut that has drowned in it, and lies so far beside that, mm:
 * its doubt (k = 1). */
static const double BURR_BESIDE_MM = 0.1;

/* A faint line of the other colour, or one that its cross-section does not explain nearly as well as the rest are, is a
 * burr whose cut has drowned in it, or wood: better missing than taken for the line. */
static void drop_odd_colour(const sp_marks_options *o, sp_marks *marks)
{
  const bool light = sp_marks_mostly_light(o, marks);
  double seen = 0.0, sure = 0.0;
  size_t usual = 0, kept = 0;
  for (size_t i = 0; i < marks->count; i++)
    if ((marks->marks[i].contrast > 0.0) == light) {
      seen += sp_mark_visibility(&marks->marks[i]);
      sure += sp_mark_explained(&marks->marks[i]);
      usual++;
    }
  for (size_t i = 0; i < marks->count; i++) {
    sp_mark *m = &marks->marks[i];
    if (o->kind == SP_MARK_KNIFE && m->contrast > 0.0 && !light)
      m->u_u_px = hypot(m->u_u_px, BURR_BESIDE_MM * o->px_per_mm);
    if ((m->contrast > 0.0) == light ||
        (sp_mark_visibility(m) * (double)usual > 0.6 * seen && sp_mark_explained(m) * (double)usual > 0.3 * sure &&
         sp_mark_squareness(o, &marks->board, m) > LEAST_SQUARE))
      marks->marks[kept++] = *m;
  }
  marks->count = kept;
}

/* Strength against the sixth most visible mark: a board has at least that many lines to speak of, and however much
 * clutter there is it does not set the measure. */
static sp_status set_strengths(sp_marks *marks, sp_error *err)
{
  const size_t n = marks->count;
  double *work = malloc((n + 1) * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n; i++)
    work[i] = sp_mark_visibility(&marks->marks[i]);
  const double strong = n == 0 ? 1.0 : sp_quantile(work, n, n > 12 ? 1.0 - 5.0 / (double)(n - 1) : 0.6);
  for (size_t i = 0; i < n; i++)
    marks->marks[i].strength = fmin(1.0, sp_mark_visibility(&marks->marks[i]) / strong);
  free(work);
  return SP_OK;
}

/* Weak marks that have many like them are the wood's or the plane's: one of them may lie where a fret is missing, and
 * must not be taken for it. A single weak line, which has none like it, stays. */
static void drop_clutter(sp_marks *marks)
{
  size_t alike[2 * SP_MOST_CANDIDATES] = {0}, kept = 0;
  for (size_t i = 0; i < marks->count; i++)
    for (size_t j = 0; j < marks->count; j++) {
      const double ratio = marks->marks[j].strength / marks->marks[i].strength;
      alike[i] += j != i && marks->marks[j].strength < WEAK && ratio > 0.5 && ratio < 1.8;
    }
  for (size_t i = 0; i < marks->count; i++)
    if (marks->marks[i].strength >= WEAK || alike[i] < CLUTTER)
      marks->marks[kept++] = marks->marks[i];
  marks->count = kept;
}

/* Where the wood ends without having been seen to, the shadow beside it is as broad as a slot and has two walls, of
 * which one is the end. One saw leaves slots of one depth: an outermost one that is far paler than the rest is that, or
 * as doubtful, and as the nut it would shift every fret. */
static sp_status drop_pale_outermost(sp_marks *marks, sp_error *err)
{
  const size_t n = marks->count;
  if (n < PALE_COMPANY)
    return SP_OK;
  double typical = NAN;
  const sp_status status = find_median(marks, depth_of, &typical, err);
  if (status)
    return status;
  const double least = PALE * typical;
  const sp_board_end *end = marks->board.end;
  if (!end[1].found && fabs(marks->marks[n - 1].contrast) < least)
    marks->count--;
  if (!end[0].found && fabs(marks->marks[0].contrast) < least)
    memmove(marks->marks, marks->marks + 1, --marks->count * sizeof *marks->marks);
  return SP_OK;
}

/* One saw leaves slots of one breadth. What is broader than the others by so much, and by this part, is two slots
 * beside each other or a slot with a pencil's stroke along it; it is by one of its walls that it is what the others
 * are. A nut's slot may be broad by design, but is as dark as the rest then, and is told when the frets are. */
static const double BROADER = 1.3, BROADER_MM = 0.12, AS_DARK = 0.85;
/* What another slot is broader or narrower by, chips or dust have done, perhaps to one wall alone, and the middle is
 * off by half of it then: so much of it as k = 1. */
static const double ONE_WALL = 0.5;
enum { BROAD_COMPANY = 4 };

static sp_status doubt_broad_slots(double px_per_mm, sp_marks *marks, sp_error *err)
{
  const size_t n = marks->count;
  if (n < BROAD_COMPANY)
    return SP_OK;
  double usual_px = NAN, typical = NAN;
  sp_status status = find_median(marks, breadth_of, &usual_px, err);
  if (!status)
    status = find_median(marks, depth_of, &typical, err);
  if (status)
    return status;
  const double dark = AS_DARK * typical;
  for (size_t i = 0; i < n; i++) {
    sp_mark *m = &marks->marks[i];
    const double more_px = m->width_px - usual_px;
    const bool by_design = (i == 0 || i == n - 1) && fabs(m->contrast) > dark;
    if (!(more_px > BROADER_MM * px_per_mm) || m->width_px < BROADER * usual_px) {
      m->u_u_px = hypot(m->u_u_px, ONE_WALL * more_px);
      continue;
    }
    m->usual_width_px = usual_px;
    if (by_design)
      m->u_unless_nut_px = 0.5 * more_px;
    else
      m->u_u_px = hypot(m->u_u_px, 0.5 * more_px);
  }
  return SP_OK;
}

/* A knife leaves lines of one breadth. Where no end of the board was found the shadow beside it is a line as well, and
 * a broad one: an outermost line so much broader than the rest, by this and at least this, may be that, and the end
 * lies at one side of it. The doubt is this part of its breadth. */
static const double SHADOW_BROADER = 1.8, SHADOW_MM = 0.25, SHADOW_U = 0.35;
/* One far paler than the rest, by this part, may be what sharpening makes of an end where wood and background are
 * almost alike: it lies a blur or two beside the end. The doubt in blurs, a pixel's own square among them. What was
 * taken for the end far beyond it (the picture's rim, say) does not clear it. */
static const double RIM_PALE = 0.35, RIM_U = 1.4, PIXEL_PX = 0.29, END_BESIDE_MM = 3.0;

static sp_status doubt_outermost(double px_per_mm, sp_marks *marks, sp_error *err)
{
  const size_t n = marks->count;
  if (n < PALE_COMPANY)
    return SP_OK;
  double usual_px = NAN, usual_seen = NAN;
  sp_status status = find_median(marks, breadth_of, &usual_px, err);
  if (!status)
    status = find_median(marks, sp_mark_visibility, &usual_seen, err);
  if (status)
    return status;
  const double least_px = fmax(SHADOW_BROADER * usual_px, SHADOW_MM * px_per_mm);
  for (int e = 0; e < 2; e++) {
    sp_mark *m = &marks->marks[e ? n - 1 : 0];
    const sp_board_end *end = &marks->board.end[e];
    if (!end->found && m->contrast < 0.0 && m->width_px > least_px)
      m->u_u_px = hypot(m->u_u_px, SHADOW_U * m->width_px);
    const bool beside_end = end->found && fabs(end->u_px - m->u_px) < END_BESIDE_MM * px_per_mm;
    if (!beside_end && sp_mark_visibility(m) < RIM_PALE * usual_seen && isfinite(marks->blur_px))
      m->u_u_px = hypot(m->u_u_px, RIM_U * hypot(marks->blur_px, PIXEL_PX));
  }
  return SP_OK;
}

/* What spreads so much further across than the lines of a board do, and by so much, mm (a standard deviation), is a
 * line with a pencil's stroke along it, or two lines: how far what lies in it spreads beyond the usual is how far from
 * its middle the cut may lie. (In a coarse picture breadth and blur of one line pass for each other, their spread does
 * not.) */
static const double SPREAD_MORE = 1.25, SPREAD_MM = 0.06;

static sp_status doubt_broad_lines(double px_per_mm, sp_marks *marks, sp_error *err)
{
  if (marks->count < BROAD_COMPANY)
    return SP_OK;
  double usual = NAN;
  const sp_status status = find_median(marks, spread_of, &usual, err);
  if (status)
    return status;
  for (size_t i = 0; i < marks->count; i++) {
    sp_mark *m = &marks->marks[i];
    const double more_px = sqrt(fmax(0.0, m->spread_px * m->spread_px - usual * usual));
    m->broad = m->spread_px > SPREAD_MORE * usual && more_px > SPREAD_MM * px_per_mm;
    if (m->broad)
      m->u_u_px = hypot(m->u_u_px, more_px);
  }
  return SP_OK;
}

/* One square for all lines: what runs so much more askew than the others do, in their own spread and at least by this
 * (rad), shows in less than two thirds of its length and is far paler than they are, or paler still, lies over a wave
 * of the wood, not in a cut. */
static const double ASKEW_SPREADS = 5.0, ASKEW_RAD = 0.01, ASKEW_COVERAGE = 0.67, ASKEW_PALE = 0.5, PALER_STILL = 0.3;

/* How the lines of a board run on the whole, and in what spread (robustly); needs one mark at least. */
static sp_status find_slopes(const sp_marks *marks, double *usual, double *spread, sp_error *err)
{
  double *work = malloc(marks->count * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < marks->count; i++)
    work[i] = marks->marks[i].slope;
  *usual = sp_median(work, marks->count);
  *spread = sp_mad(work, marks->count);
  free(work);
  return SP_OK;
}

static sp_status drop_askew(const sp_marks_options *o, sp_marks *marks, sp_error *err)
{
  const size_t n = marks->count;
  if (n < PALE_COMPANY || o->most_lean > 0.0)
    return SP_OK;
  double usual = NAN, spread = NAN, usual_seen = NAN;
  sp_status status = find_slopes(marks, &usual, &spread, err);
  if (!status)
    status = find_median(marks, sp_mark_visibility, &usual_seen, err);
  const double most = fmax(ASKEW_RAD, ASKEW_SPREADS * spread);
  size_t kept = 0;
  for (size_t i = 0; !status && i < n; i++) {
    const sp_mark *m = &marks->marks[i];
    const double pale = m->coverage > ASKEW_COVERAGE ? PALER_STILL : ASKEW_PALE;
    if (!(fabs(m->slope - usual) > most) || sp_mark_visibility(m) > pale * usual_seen)
      marks->marks[kept++] = *m;
  }
  marks->count = status ? n : kept;
  return status;
}

/* What shows in a part of its length and runs otherwise than the others do may have been laid through two things: a
 * short line on one side, a tick of a pencil on the other. Where the line then crosses the centre line is as doubtful
 * as that lean would move it over a quarter of the board's breadth. */
static const double ASKEW_DOUBT_RAD = 0.005, ASKEW_LEVER = 0.25;

static sp_status doubt_askew(const sp_marks_options *o, sp_marks *marks, sp_error *err)
{
  const size_t n = marks->count;
  if (n < PALE_COMPANY || o->most_lean > 0.0)
    return SP_OK;
  double usual = NAN, spread = NAN;
  const sp_status status = find_slopes(marks, &usual, &spread, err);
  if (status)
    return status;
  const double most = fmax(ASKEW_DOUBT_RAD, ASKEW_SPREADS * spread);
  for (size_t i = 0; i < n; i++) {
    sp_mark *m = &marks->marks[i];
    const double off = fabs(m->slope - usual);
    double v0, v1;
    if (!(off > most) || m->coverage > ASKEW_COVERAGE)
      continue;
    sp_fits_within_board(&marks->board, m->u_px, &v0, &v1);
    m->u_u_px = hypot(m->u_u_px, off * ASKEW_LEVER * (v1 - v0));
  }
  return SP_OK;
}

sp_status sp_marks_settle(const sp_marks_options *o, sp_marks *marks, sp_error *err)
{
  qsort(marks->marks, marks->count, sizeof *marks->marks, by_place);
  merge_doubles(o, marks, 0.4 * o->px_per_mm, (o->kind == SP_MARK_KNIFE ? 0.25 : 0.4) * o->px_per_mm);
  drop_bridges(o, marks);
  drop_odd_colour(o, marks);
  sp_status status = o->kind == SP_MARK_SLOT ? drop_pale_outermost(marks, err) : SP_OK;
  if (!status && o->kind == SP_MARK_SLOT)
    status = doubt_broad_slots(o->px_per_mm, marks, err);
  if (!status && o->kind == SP_MARK_KNIFE)
    status = doubt_outermost(o->px_per_mm, marks, err);
  if (!status && o->kind == SP_MARK_KNIFE)
    status = doubt_broad_lines(o->px_per_mm, marks, err);
  if (!status && o->kind == SP_MARK_KNIFE)
    status = drop_askew(o, marks, err);
  if (!status && o->kind == SP_MARK_KNIFE)
    status = doubt_askew(o, marks, err);
  if (!status)
    status = set_strengths(marks, err);
  if (!status)
    drop_clutter(marks);
  return status;
}

void sp_marks_free(sp_marks *marks)
{
  free(marks->marks);
  free(marks->edges);
  memset(marks, 0, sizeof *marks);
}
