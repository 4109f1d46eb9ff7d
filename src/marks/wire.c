/* Frets, put together: the board, frets on it, the feet of each.
 *
 * A fret's place is the middle between its feet. Highlight and flanks say nothing of it: the lamp stands on one side,
 * crowns are levelled and worn. Where in the common section the feet are is settled once for all frets of the board,
 * then each foot of each fret is measured by itself (wire_foot.c). All frets are one wire, so the feet's distances must
 * agree: their scatter shows how sure single feet are, and where one foot lies in dirt the other one and the common
 * width give the middle, with more doubt.
 *
 * What all frets share (a joint taken for part of the wire on one side, a shadow that hides a foot) moves all middles
 * alike. It cancels between frets; against the nut's face it counts, so it is kept apart (u_common_px).
 */
#include "slotproof/marks.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board_internal.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"
#include "wire.h"

/* A place that is less like the section than the frets are by this is the nut, an inlay's edge, the board's end. */
static const double UNLIKE = 0.22, LEAST_HIGH = 0.6;
static const double LEAST_COVERAGE = 0.35;
/* A partial fret is no shorter. */
static const double LEAST_PART_MM = 6.0;
/* Window of a foot: into the metal, into the wood; how far from the section's foot it is looked for. */
static const double INNER_MM = 0.42, OUTER_MM = 0.62, REACH_MM = 0.22, NEAR_MM = 0.15;
/* The window ends where, farther from the foot than this, the section rises or falls by so much of what it does there.
 */
static const double CALM_MM = 0.15, UNCALM[2] = {1.0, 1.5}; /* of metal, of wood */
/* What one foot may differ from the others by, against the contrast; the wood's grey differs more. */
static const double FEET_DIFFER = 0.05, WOOD_DIFFERS = 0.3;
/* Widths that scatter by less are of one wire. */
static const double AGREED_MM = 0.06;
/* Pixel, shift to whole pixels and interpolation widen the section by so much, px^2. */
static const double SECTION_BLUR = 0.33;
/* A foot of which only the section shows where it may be. */
static const double GUESSED_MM = 0.05, LEAST_USED = 0.2;
/* Feet that have strayed from their places by about the same, against the width's excess. */
static const double TIE = 0.1;
/* Feet that lie so near each other against the common section are in the same place of it. */
static const double ALIKE_MM = 0.025;
enum { FEWEST_TO_LEARN = 5 };
/* Edges: part of the breadth left out at both sides, pieces that must agree, distance from the outermost fret. */
static const double EDGE_INSET = 0.08, EDGE_USED = 0.4, EDGE_CLEAR_MM = 5.0;
/* Part of the fret's length left out at both ends: filed slopes. */
static const double END_MM = 1.2;
/* No foot is believed closer than this, px. */
static const double FLOOR_PX = 0.10;
/* What a joint, one flank's darkness and a shadow may do to the middle of all frets alike, and to a nut's face: so
 * much, and so much of the blur, within which they cannot be told apart (sized on drawn necks at 300 and 600 dpi). */
static const double COMMON_MM = 0.015, COMMON_PX = 0.35;
/* What a joint may make the grain's end lie beside the foot, and what the end must be known to to be of use. */
static const double GRAIN_MM = 0.020, GRAIN_WORTH_MM = 0.14;
/* A break of the grey so near to where the grain has the foot is the foot; where there is none the grain's place
 * counts. */
static const double SHOWN_MM = 0.08;
/* How far a fret's own foot may lie from where the grain of all has it in the common section. */
static const double TOLD_MM = 0.03;
/* Flanks that mirror the wood are told narrower than the wire, by this part. */
static const double TOLD_LEAST = 0.75;
/* Feet that lie farther from it are not at the break that is the foot, or it is not. */
static const double GRAIN_FAR_MM = 0.11;
/* Beside a foot the shadow is deepest and fades outward. Where the grey falls on, by so much of the wood's, farther out
 * than a joint or what the blur mixes in reaches, the place is a flank's that mirrors the wood or lies in its own
 * shade, and the foot lies about where it is darkest: nearly all of the way there, known to a part of the way. */
static const double TROUGH_DEPTH = 0.12, TROUGH_FROM_MM = 0.16, TROUGH_FROM_BLURS = 3.0, TROUGH_TO_MM = 0.8,
                    TROUGH_SHARE = 0.9, TROUGH_DOUBT = 0.25;
/* With more doubt than this about all frets alike, nothing is said of a nut's face. */
static const double UNTOLD_MM = 0.09;
/* A foot of which a blur broader by SOFTER leaves no more than this, against the chosen one, may lie so far off,
 * standard. */
static const double SOFTER = 1.35, SOFT_FOOT = 1.0, SOFT_FOOT_MM = 0.10;
/* A flank that mirrors nothing is as black as wood darker than this, of full scale: then a foot that the grain does not
 * tell may be a highlight's end, and be off by as much. */
static const double BLACK_WOOD = 0.03, BLACK_FLANK_MM = 0.2;
/* A picture is blurred as light, and then stored in proportion to it or, more often, to something like its root: the
 * powers tried (IEC 61966-2-1 comes near the second). */
enum { TONES = 2 };
static const double TONE[TONES] = {1.0, 2.2};
/* Faces found from two places that lie so near each other are one: each was looked for about as far. */
static const double SAME_EDGE_MM = 0.30;
/* No nut's face is believed closer than this. */
static const double FACE_MM = 0.010, FACE_PX = 0.2;
/* A fret with another crown: how far about a lively place, in which steps, it is looked for; how nearly as broad as the
 * others it is; part of its feet that must agree, on a slope; how much more than the others' it may leave unexplained.
 */
static const double ODD_REACH_MM = 1.80, ODD_STEP_MM = 0.15, ODD_APART_MM = 2.6, AGAIN_MM = 0.03, ODD_WIDTH_MM = 0.05,
                    ODD_USED = 0.5, ODD_SLOPE = 4e-3, ODD_MISFIT = 4.0, ODD_LEAST_MISFIT = 0.15;
/* One without feet, or with one foot alone, that is broader or narrower than the others by this is none. */
static const double FOOTLESS_MM = 0.15, ONE_FOOTED_MM = 0.25;
/* Shade is read from here to there beside a foot, and far off it, mm; what two frets' shades may differ by, as a part
 * of the wood's grey, for dirt and grain; and what a foot may be off by where one is shaded and the other is not. */
static const double SHADE_MM[2][2] = {{0.07, 0.20}, {0.90, 1.30}}, SHADES_ALIKE = 0.12, SHADES_MM = 0.80;
/* How much lighter or darker the wood beside it is, against the frets' contrast and against the usual wood. */
static const double ODD_WOOD_CONTRAST = 0.6, ODD_WOOD_PART = 0.25;
/* Blurs tried for the feet, which lie a millimetre further from the glass than the rule's strokes. */
static const double BLUR_FACTOR[] = {1.0, 1.2, 1.45, 1.8, 2.3};
enum { BLURS = sizeof BLUR_FACTOR / sizeof *BLUR_FACTOR };

typedef struct fret {
  sp_wire_seen seen;
  double v_px, v_a_px, v_b_px, coverage;
  double start_px[2], start_slope; /* where the feet are looked for */
  sp_foot foot[2];
  sp_status status;
  sp_error err;
} fret;

typedef struct job {
  const sp_view *view;
  const sp_marks_options *o;
  double blur_px, reach_mm;
  double common_px; /* what all middles may be off by alike */
  double doubt_px;  /* the same, from which places of the section the feet are */
  double shift_px;  /* what they are to be moved by */
  bool company;     /* the frets have told each other what a foot looks like */
  sp_foot_prior prior[2];
  double usual_px[2]; /* of the feet from seen.u_px */
  double inner_mm[2], outer_mm[2]; /* how far into the metal, onto the wood a foot's window reaches */
  sp_wire_grain grain;
  bool soft[2]; /* this foot is softer than the picture's blur makes it */
  double trough_px[2]; /* how far beyond this foot of the section it is darkest; 0: at the foot */
  bool told[2]; /* the grain tells where in the section this foot is */
  double told_px[2], u_told_px[2];
  fret *frets;
  const sp_wire_seen *lively; /* places where something lies across the board, frets or not */
  size_t lively_count;
} job;

static double pixel_blur(double optics_px)
{
  return sqrt(optics_px * optics_px + 1.0 / 12.0);
}

static double optics_of(const sp_marks_options *o)
{
  return o->blur_px > 0.0 ? o->blur_px : fmax(0.9, 0.03 * o->px_per_mm);
}

/* ---- finding --------------------------------------------------------------------------------------------------------
 */

static void keep_alike(sp_wire_seen *seen, size_t *count)
{
  double alike[SP_WIRE_MOST], height[SP_WIRE_MOST];
  size_t kept = 0;
  for (size_t i = 0; i < *count; i++) {
    alike[i] = seen[i].alike;
    height[i] = seen[i].height;
  }
  const double usual = *count ? sp_median(alike, *count) : 0.0, high = *count ? sp_median(height, *count) : 0.0;
  for (size_t i = 0; i < *count; i++)
    if (seen[i].alike > usual - UNLIKE && seen[i].height > LEAST_HIGH * high && seen[i].height < high / LEAST_HIGH)
      seen[kept++] = seen[i];
  *count = kept;
}

static size_t set_extents(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                          const sp_wire_seen *seen, size_t count, const sp_wire_section *section, fret *frets)
{
  size_t kept = 0;
  for (size_t i = 0; i < count; i++) {
    fret *f = &frets[kept];
    memset(f, 0, sizeof *f);
    f->seen = seen[i];
    f->v_px = sp_lengthwise_at(&board->centre, seen[i].u_px);
    sp_wire_extent(scene, along, o, board, &seen[i], section, &f->v_a_px, &f->v_b_px, &f->coverage);
    const double u = seen[i].u_px;
    const double breadth = sp_lengthwise_at(&board->side[1], u) - sp_lengthwise_at(&board->side[0], u);
    const double least =
        seen[i].part ? fmax(0.6 * o->least_part * breadth, LEAST_PART_MM * o->px_per_mm) : 10.0 * o->px_per_mm;
    kept += f->v_b_px - f->v_a_px > least;
  }
  return kept;
}

/* The outline once more, from frets that are known to be frets. */
static sp_status outline_again(const sp_scene *scene, sp_along along, const sp_marks_options *o, const fret *frets,
                               size_t count, sp_board *board, sp_error *err)
{
  sp_mark lines[SP_WIRE_MOST];
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    if (!frets[i].seen.part) /* these end anywhere */
      lines[n++] = (sp_mark){.u_px = frets[i].seen.u_px,
                             .v_px = frets[i].v_px,
                             .slope = frets[i].seen.slope,
                             .u_u_px = 0.5,
                             .u_slope = 1e-3,
                             .v_a_px = frets[i].v_a_px,
                             .v_b_px = frets[i].v_b_px};
  return sp_board_find(scene, along, o, lines, n, board, err);
}

/* ---- measuring ------------------------------------------------------------------------------------------------------
 */

static void measure_fret(void *context, size_t index)
{
  const job *j = context;
  fret *f = &j->frets[index];
  for (int side = 0; side < 2 && !f->status; side++) {
    sp_foot_task task = {.u_px = f->start_px[side],
                         .v_px = f->v_px,
                         .slope = f->start_slope,
                         .v0_px = f->v_a_px + END_MM * j->o->px_per_mm,
                         .v1_px = f->v_b_px - END_MM * j->o->px_per_mm,
                         .outward = side ? 1 : -1,
                         .inner_mm = j->inner_mm[side],
                         .outer_mm = j->outer_mm[side],
                         .reach_mm = j->reach_mm,
                         .sd_mm = j->told[side] ? hypot(j->u_told_px[side] / j->o->px_per_mm, TOLD_MM) : 0.0,
                         .prior = j->company ? &j->prior[side] : NULL};
    f->status = sp_wire_foot_fit(j->view, &task, j->o->px_per_mm, j->blur_px, &f->foot[side], &f->err);
  }
}

static sp_status measure_all(job *j, size_t count, sp_error *err)
{
  sp_workers_run(measure_fret, j, count);
  for (size_t i = 0; i < count; i++)
    if (j->frets[i].status) {
      if (err)
        *err = j->frets[i].err;
      return j->frets[i].status;
    }
  return SP_OK;
}

static double total_misfit(const fret *frets, size_t count, double *work)
{
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    for (int side = 0; side < 2; side++)
      work[n++] = frets[i].foot[side].found ? frets[i].foot[side].misfit : 1.0;
  return n ? sp_median(work, n) : INFINITY;
}

/* ---- the middle between the feet ------------------------------------------------------------------------------------
 */

typedef struct wire_width {
  double px, scatter_px; /* median over the frets, and how much single ones differ */
  size_t count;
} wire_width;

static double width_of(const fret *f)
{
  return f->foot[1].u_px - f->foot[0].u_px;
}

static wire_width common_width(const fret *frets, size_t count)
{
  double work[SP_WIRE_MOST];
  wire_width w = {NAN, NAN, 0};
  for (size_t i = 0; i < count; i++)
    if (frets[i].foot[0].found && frets[i].foot[1].found && !frets[i].foot[0].guessed && !frets[i].foot[1].guessed)
      work[w.count++] = width_of(&frets[i]);
  if (w.count) {
    w.px = sp_median(work, w.count);
    w.scatter_px = w.count > 2 ? sp_mad(work, w.count) : 0.3 * w.px;
  }
  return w;
}

/* Median of what the feet of one side leave unexplained. */
static double misfit_of_side(const fret *frets, size_t count, int side, double *work)
{
  for (size_t i = 0; i < count; i++)
    work[i] = frets[i].foot[side].found ? frets[i].foot[side].misfit : 1.0;
  return count ? sp_median(work, count) : INFINITY;
}

/* What a blur much broader than the chosen one explains as well may be no foot but a shadow's end, or a flank's. */
static void tell_soft(job *j, double misfit[2][BLURS], int chosen)
{
  for (int side = 0; side < 2; side++) {
    j->soft[side] = false;
    for (int k = chosen + 1; k < BLURS; k++)
      if (BLUR_FACTOR[k] > SOFTER * BLUR_FACTOR[chosen])
        j->soft[side] = j->soft[side] || misfit[side][k] < SOFT_FOOT * misfit[side][chosen];
  }
}

/* The blur that explains the feet best. */
static sp_status choose_blur(job *j, size_t count, sp_error *err)
{
  double work[2 * SP_WIRE_MOST], least = INFINITY, side_misfit[2][BLURS];
  int best = 0;
  const double optics = optics_of(j->o);
  for (int k = 0; k < BLURS; k++) {
    j->blur_px = pixel_blur(BLUR_FACTOR[k] * optics);
    const sp_status status = measure_all(j, count, err);
    if (status)
      return status;
    const double misfit = total_misfit(j->frets, count, work);
    for (int side = 0; side < 2; side++)
      side_misfit[side][k] = misfit_of_side(j->frets, count, side, work);
    if (misfit < 0.97 * least) {
      least = misfit;
      best = k;
    }
  }
  tell_soft(j, side_misfit, best);
  j->blur_px = pixel_blur(BLUR_FACTOR[best] * optics);
  return measure_all(j, count, err);
}

/* The lowest grey of the section from `from` to `to`, px outward of a place, and where it is. */
static double lowest_grey(const sp_wire_section *s, double place_px, int side, double from, double to, double *at_px)
{
  double least = INFINITY;
  for (double t = ceil(from); t <= to; t += 1.0) {
    const int32_t x = (int32_t)lround(place_px + (side ? t : -t));
    if (abs(x) <= s->half_px && (double)s->value[x + s->half_px] < least) {
      least = (double)s->value[x + s->half_px];
      *at_px = t;
    }
  }
  return least;
}

/* How far beyond a foot the section goes on falling, px; 0 where it does not. */
static double trough_beyond(const sp_wire_section *s, double foot_px, int side, double blur_px)
{
  const double ppm = s->px_per_mm, near = fmax(TROUGH_FROM_MM * ppm, TROUGH_FROM_BLURS * blur_px);
  double wood = 0.0, beside_px, deepest_px = 0.0;
  const int32_t edge = (int32_t)fmax(2.0, 0.25 * ppm);
  for (int32_t i = 0; i < edge; i++)
    wood += (double)s->value[side ? 2 * s->half_px - i : i] / edge;
  const double beside = lowest_grey(s, foot_px, side, 0.0, near, &beside_px);
  const double deepest = lowest_grey(s, foot_px, side, near, TROUGH_TO_MM * ppm, &deepest_px);
  return beside - deepest > TROUGH_DEPTH * wood ? deepest_px : 0.0;
}

/* Where the grain ends. */
static void ask_grain(job *j, const sp_wire_section *section)
{
  const double ppm = j->o->px_per_mm;
  double blur[BLURS];
  for (int k = 0; k < BLURS; k++)
    blur[k] = sqrt(pow(BLUR_FACTOR[k] * optics_of(j->o), 2.0) + SECTION_BLUR);
  for (int side = 0; side < 2; side++)
    j->told[side] = sp_wire_grain_foot(&j->grain, section, side, blur, BLURS, &j->told_px[side], &j->u_told_px[side]) &&
                    j->u_told_px[side] < GRAIN_WORTH_MM * ppm;
  for (int side = 0; side < 2; side++) /* a flank mirrors the wood from where it stands steep: alike on both sides */
    if (j->told[side] && !j->told[!side] && trough_beyond(section, j->told_px[side], side, blur[0]) > 0.0)
      j->told[side] = false;
  const double width_mm = (j->told_px[1] - j->told_px[0]) / ppm;
  if (j->told[0] && j->told[1] && !(width_mm > TOLD_LEAST * SP_WIRE_LEAST_MM && width_mm < SP_WIRE_MOST_MM))
    j->told[0] = j->told[1] = false;
}

/* What the grain leaves open of the middle where the grey shows nothing at the place it tells of. */
static double doubt_of_told(const job *j, const sp_wire_pair *pairs, size_t n, int side)
{
  for (size_t i = 0; i < n; i++)
    if (fabs(pairs[i].foot_px[side] - j->told_px[side]) < SHOWN_MM * j->o->px_per_mm)
      return 0.0;
  return 0.5 * j->u_told_px[side];
}

/* Pairs as the grain has them: a foot that it tells lies where it tells, whatever the grey shows. Returns how many. */
static size_t heed_grain(const job *j, sp_wire_pair *pairs, size_t n)
{
  double doubt[2] = {0.0, 0.0};
  size_t kept = 0;
  for (int side = 0; side < 2; side++)
    doubt[side] = j->told[side] ? doubt_of_told(j, pairs, n, side) : 0.0;
  if (j->told[0] && j->told[1]) {
    pairs[0] = (sp_wire_pair){{j->told_px[0], j->told_px[1]}, {doubt[0], doubt[1]}};
    return 1;
  }
  for (size_t i = 0; i < n; i++) {
    sp_wire_pair p = pairs[i];
    for (int side = 0; side < 2; side++)
      if (j->told[side]) {
        p.foot_px[side] = j->told_px[side];
        p.doubt_px[side] = doubt[side];
      }
    const double width_mm = (p.foot_px[1] - p.foot_px[0]) / j->o->px_per_mm;
    if (width_mm > SP_WIRE_LEAST_MM && width_mm < SP_WIRE_MOST_MM)
      pairs[kept++] = p;
  }
  return kept;
}

/* Where in the section the feet may be. */
static sp_status find_feet(job *j, size_t count, const sp_wire_section *section, sp_wire_pair *pairs, size_t *n,
                           sp_error *err)
{
  sp_wire_line lines[SP_WIRE_MOST];
  for (size_t i = 0; i < count; i++) {
    const fret *f = &j->frets[i];
    const double end = END_MM * j->o->px_per_mm;
    lines[i] = (sp_wire_line){f->seen.u_px, f->v_px, f->seen.slope, f->v_a_px + end, f->v_b_px - end};
  }
  const sp_status status = sp_wire_grain_read(j->view, lines, count, j->o->px_per_mm, &j->grain, err);
  if (!status) {
    *n = sp_wire_feet(section, sqrt(pow(optics_of(j->o), 2.0) + SECTION_BLUR), pairs);
    ask_grain(j, section);
    *n = heed_grain(j, pairs, *n);
  }
  return status;
}

/* How far off a foot the section is calm, mm, at most `most_mm`, toward smaller or larger u (direction -1, 1): a
 * highlight that begins close to a faint foot, or the end of a deep shadow, is another break, and the stronger one. */
static double calm_mm(const sp_wire_section *s, double foot_px, int direction, double most_mm, double uncalm)
{
  const double ppm = s->px_per_mm;
  const int32_t foot = (int32_t)lround(foot_px), near = (int32_t)ceil(CALM_MM * ppm), edge = s->half_px;
  const int32_t most = (int32_t)ceil(most_mm * ppm);
  double least = INFINITY, highest = -INFINITY;
  if (foot - most < -edge || foot + most > edge)
    return most_mm;
  for (int32_t i = -near; i <= near; i++) {
    least = fmin(least, (double)s->value[edge + foot + i]);
    highest = fmax(highest, (double)s->value[edge + foot + i]);
  }
  const double rise = uncalm * (highest - least);
  for (int32_t i = near; i < most; i++) {
    const double grey = (double)s->value[edge + foot + direction * i];
    if (grey > highest + rise || grey < least - rise)
      return fmin(most_mm, i / ppm);
  }
  return most_mm;
}

/* Starts all frets from feet at these places of the section. */
static void start_from(job *j, size_t count, const sp_wire_section *section, const sp_wire_pair *pair)
{
  j->reach_mm = REACH_MM;
  for (int side = 0; side < 2; side++) {
    j->inner_mm[side] = calm_mm(section, pair->foot_px[side], side ? -1 : 1, INNER_MM, UNCALM[0]);
    j->outer_mm[side] = calm_mm(section, pair->foot_px[side], side ? 1 : -1, OUTER_MM, UNCALM[1]);
  }
  for (size_t i = 0; i < count; i++)
    j->frets[i].start_slope = j->frets[i].seen.slope;
  for (int side = 0; side < 2; side++) {
    j->usual_px[side] = pair->foot_px[side];
    for (size_t i = 0; i < count; i++)
      j->frets[i].start_px[side] = j->frets[i].seen.u_px + pair->foot_px[side];
  }
}

/* Of the pairs of places that may be the feet, the farthest apart that all frets agree on: what is no foot (a shadow's
 * end, a streak in the wood) lies elsewhere at each fret. If there is none, the one they disagree on the least. */
static sp_status choose_feet(job *j, size_t count, const sp_wire_section *section, const sp_wire_pair *pairs, size_t n,
                             sp_wire_pair *pair, sp_error *err)
{
  double least = INFINITY;
  size_t best = 0;
  j->blur_px = pixel_blur(optics_of(j->o));
  for (size_t k = 0; k < n; k++) {
    start_from(j, count, section, &pairs[k]);
    const sp_status status = measure_all(j, count, err);
    if (status)
      return status;
    const wire_width w = common_width(j->frets, count);
    const double scatter = 2 * w.count >= count ? w.scatter_px : INFINITY;
    if (scatter < least) {
      least = scatter;
      best = k;
    }
    if (scatter < AGREED_MM * j->o->px_per_mm)
      break;
  }
  *pair = pairs[best];
  start_from(j, count, section, pair);
  j->common_px = hypot(COMMON_MM * j->o->px_per_mm, COMMON_PX * j->blur_px);
  j->doubt_px = hypot(pair->doubt_px[0], pair->doubt_px[1]);
  return choose_blur(j, count, err);
}

/* Where most frets have this foot, px from seen.u_px. */
static double usual_foot(const fret *frets, size_t count, int side)
{
  double work[SP_WIRE_MOST];
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    if (frets[i].foot[side].found && !frets[i].foot[side].guessed)
      work[n++] = frets[i].foot[side].u_px - frets[i].seen.u_px;
  return n ? sp_median(work, n) : NAN;
}

/* Where the section is darkest beyond the places at which the feet were measured. */
static void find_troughs(job *j, size_t count, const sp_wire_section *section)
{
  for (int side = 0; side < 2; side++) {
    const double usual = usual_foot(j->frets, count, side);
    j->trough_px[side] = isfinite(usual) ? trough_beyond(section, usual, side, j->blur_px) : 0.0;
  }
}

/* By how much the wood's grain ends further out than the feet were measured, px, and its doubt; false where it does not
 * show. */
static bool grain_beyond(const job *j, size_t count, int side, double *off_px, double *u_px)
{
  const double usual = usual_foot(j->frets, count, side), ppm = j->o->px_per_mm;
  if (!isfinite(usual) || !j->told[side])
    return false;
  *off_px = j->told_px[side] - usual;
  *u_px = hypot(j->u_told_px[side], GRAIN_MM * ppm);
  return *u_px < GRAIN_WORTH_MM * ppm;
}

/* What is open of a side's feet whatever the greys show. */
static double hidden_foot(const job *j, size_t count, int side)
{
  double wood[SP_WIRE_MOST];
  for (size_t i = 0; i < count; i++)
    wood[i] = j->frets[i].foot[side].term[1];
  const bool black = !j->told[side] && count > 0 && sp_median(wood, count) < BLACK_WOOD * j->view->full_scale;
  return (black ? BLACK_FLANK_MM : j->soft[side] ? SOFT_FOOT_MM : 0.0) * j->o->px_per_mm;
}

/* What all feet of a side err by alike is measured twice: by the grey's break, and by the end of the grain. Sets what
 * the middles are to be moved by, and the doubt that is left. */
static void settle_common(job *j, size_t count)
{
  const double foot = 1.4142 * j->common_px, far = GRAIN_FAR_MM * j->o->px_per_mm;
  double var = 0.0;
  j->shift_px = 0.0;
  for (int side = 0; side < 2; side++) {
    double off, u, own = foot * foot + pow(hidden_foot(j, count, side), 2.0);
    if (!grain_beyond(j, count, side, &off, &u)) {
      j->shift_px += 0.5 * (side ? 1.0 : -1.0) * TROUGH_SHARE * j->trough_px[side];
      own += pow(TROUGH_DOUBT * j->trough_px[side], 2.0);
    } else {
      const bool astray = fabs(off) > far; /* one of the two is not at the foot: midway, and half of it in doubt */
      const double share = astray ? 0.5 : own / (own + u * u);
      j->shift_px += 0.5 * share * off;
      own = astray ? u * u + 0.25 * off * off : share * u * u + share * (1.0 - share) * off * off;
    }
    var += 0.25 * own;
  }
  j->common_px = hypot(sqrt(var), j->doubt_px);
}

/* How far a foot lies from where most frets have it against their common section. The highlight has a part in that, so
 * it is no measure; but it tells which of two feet has strayed. */
static double strayed(const job *j, const fret *f, int side)
{
  return fabs(f->foot[side].u_px - f->seen.u_px - j->usual_px[side]);
}

/* The foot that has strayed. Where a fret was found by its feet its place in the section is their middle, which tells
 * of neither: then it is the one that is explained worse. */
static int strayed_foot(const job *j, const fret *f, double off_px)
{
  const double a = strayed(j, f, 0), b = strayed(j, f, 1);
  if (fabs(a - b) < TIE * fabs(off_px))
    return f->foot[0].misfit > f->foot[1].misfit ? 0 : 1;
  return a > b ? 0 : 1;
}

/* Doubt of each foot, px. What feet err by shows in the widths, half of that variance each; that holds the scatter of
 * their pieces, unless this foot's is larger. Where the width is clearly not the common one, one of the two has
 * strayed. */
static void doubts(const job *j, const fret *f, const wire_width *w, double own, double u[2])
{
  for (int side = 0; side < 2; side++)
    u[side] = f->foot[side].found ? fmax(f->foot[side].u_u_px, own) : INFINITY;
  const sp_foot *a = &f->foot[0], *b = &f->foot[1];
  if (!a->found || !b->found)
    return;
  if (a->guessed != b->guessed) {
    u[a->guessed ? 0 : 1] = INFINITY;
    return;
  }
  for (int side = 0; side < 2; side++) /* guessed against nearly all of its pieces: there is no foot */
    u[side] = a->guessed && f->foot[side].used < LEAST_USED ? INFINITY : u[side];
  if (a->guessed)
    u[0] = u[1] = hypot(u[0], GUESSED_MM * j->o->px_per_mm);
  const double off = width_of(f) - w->px;
  if (!(fabs(off) > 2.5 * hypot(u[0], u[1]))) {
    for (int side = 0; side < 2; side++) /* what the two err by against each other they err by, each its part */
      u[side] = fmax(u[side], 0.7071 * fabs(off));
    return;
  }
  const int worse = strayed_foot(j, f, off);
  u[worse] = hypot(u[worse], fabs(off));
  u[!worse] = hypot(u[!worse], 0.2 * fabs(off));
}

/* Middle from a + w/2 and from b - w/2, by least squares: where both feet are sure it is the mean of both. */
static bool middle_of(const job *j, const fret *f, const wire_width *w, double floor_px, sp_mark *m)
{
  const double own = fmax(0.7071 * w->scatter_px, floor_px);
  double u[2], sum = 0.0;
  m->u_px = m->slope = m->u_u_px = m->u_slope = m->cov_u_slope = 0.0;
  doubts(j, f, w, own, u);
  if (!isfinite(u[0]) && !isfinite(u[1]))
    return false;
  for (int side = 0; side < 2; side++) {
    const double weight = isfinite(u[side]) ? 1.0 / (u[side] * u[side]) : 0.0;
    m->u_px += weight > 0.0 ? weight * (f->foot[side].u_px + (side ? -0.5 : 0.5) * w->px) : 0.0;
    sum += weight;
  }
  m->u_px /= sum;
  for (int side = 0; side < 2; side++) {
    const double share = isfinite(u[side]) ? 1.0 / (u[side] * u[side]) / sum : 0.0;
    const sp_foot *foot = &f->foot[side];
    if (share <= 0.0)
      continue;
    m->slope += share * foot->slope;
    m->u_slope = hypot(m->u_slope, share * foot->u_slope);
    m->cov_u_slope += share * share * foot->cov_u_slope;
  }
  const bool both = isfinite(u[0]) && isfinite(u[1]);
  m->u_u_px = sqrt(1.0 / sum + (both ? 0.0 : 0.25 * own * own));
  m->width_px = both ? width_of(f) : NAN;
  m->u_width_px = both ? hypot(u[0], u[1]) : NAN;
  return true;
}

/* Where a foot lies in the common section, or, by the other foot, on the wire. */
static double place_of(const fret *f, int side, bool by_width)
{
  return f->foot[side].u_px - (by_width ? f->foot[1 - side].u_px : f->seen.u_px);
}

/* The fret whose foot lies where most frets have it, among these the best explained. */
static const fret *typical(const job *j, size_t count, int side, bool by_width, double reach_px)
{
  const fret *best = NULL;
  size_t most = 0;
  for (size_t i = 0; i < count; i++) {
    const sp_foot *f = &j->frets[i].foot[side];
    size_t near = 0;
    if (!f->found || (by_width && !j->frets[i].foot[1 - side].found))
      continue;
    const double at = place_of(&j->frets[i], side, by_width);
    for (size_t k = 0; k < count; k++) {
      const sp_foot *g = j->frets[k].foot;
      near += g[side].found && (!by_width || g[1 - side].found) &&
              fabs(place_of(&j->frets[k], side, by_width) - at) < reach_px;
    }
    if (near > most || (near == most && best && f->misfit < best->foot[side].misfit)) {
      most = near;
      best = &j->frets[i];
    }
  }
  return most >= FEWEST_TO_LEARN ? best : NULL;
}

/* One wire, one lamp, one board: what a foot looks like. Taken from one of them as a whole: where two explanations do
 * about equally well the same one is then used for all, and what it errs by they have in common. */
static void learn_feet(job *j, size_t count)
{
  j->company = true;
  for (int side = 0; side < 2; side++) {
    const fret *f = typical(j, count, side, false, ALIKE_MM * j->o->px_per_mm);
    if (!f) /* crowns that differ move the section about the feet, but one wire has one breadth */
      f = typical(j, count, side, true, ALIKE_MM * j->o->px_per_mm);
    if (!f) {
      j->company = false;
      return;
    }
    const double *term = f->foot[side].term;
    j->usual_px[side] = f->foot[side].u_px - f->seen.u_px;
    const double contrast = fmax(fabs(term[1] - term[0]), fabs(term[SP_FOOT_TERMS - 1]));
    for (int a = 0; a < SP_FOOT_TERMS; a++) {
      j->prior[side].mean[a] = term[a];
      j->prior[side].sd[a] = (a == 1 || a == SP_FOOT_TERMS - 1 ? WOOD_DIFFERS : FEET_DIFFER) * contrast;
    }
  }
}

/* Again, from where the frets' common width says the feet are, with what they have told each other. */
static sp_status measure_in_company(job *j, size_t count, sp_error *err)
{
  const wire_width w = common_width(j->frets, count);
  learn_feet(j, count);
  if (!j->company)
    return SP_OK;
  for (size_t i = 0; i < count; i++) {
    fret *f = &j->frets[i];
    sp_mark m;
    if (!middle_of(j, f, &w, FLOOR_PX, &m))
      continue;
    f->start_px[0] = m.u_px - 0.5 * w.px;
    f->start_px[1] = m.u_px + 0.5 * w.px;
    f->start_slope = m.slope;
  }
  j->reach_mm = NEAR_MM;
  return measure_all(j, count, err);
}

/* ---- frets with another crown ---------------------------------------------------------------------------------------
 * Some crowns of a neck are levelled or worn flat and have no highlight where the others have one: the section is not
 * the common one, but the feet are. So where something lies across the board, two feet are looked for that look as the
 * frets' do and lie as far apart. */

static bool is_odd(const job *j, size_t count, double u)
{
  for (size_t i = 0; i < count; i++)
    if (fabs(j->frets[i].seen.u_px - u) < ODD_APART_MM * j->o->px_per_mm)
      return false;
  return true;
}

/* Ends of a fret at u as those of the others lie against the board's sides. */
static void usual_ends(const job *j, const sp_board *b, size_t count, double u, double v_px[2])
{
  double work[SP_WIRE_MOST];
  for (int end = 0; end < 2; end++) {
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
      if (!j->frets[i].seen.part)
        work[n++] =
            (end ? j->frets[i].v_b_px : j->frets[i].v_a_px) - sp_lengthwise_at(&b->side[end], j->frets[i].seen.u_px);
    v_px[end] = sp_lengthwise_at(&b->side[end], u) + (n ? sp_median(work, n) : 0.0);
  }
}

static bool is_fret(const fret *f, const wire_width *w, double most_misfit, double px_per_mm)
{
  const sp_foot *a = &f->foot[0], *b = &f->foot[1];
  const double most = fmax(ODD_WIDTH_MM * px_per_mm, 3.0 * fmin(w->scatter_px, ODD_WIDTH_MM * px_per_mm));
  return a->found && b->found && !a->guessed && !b->guessed && fabs(width_of(f) - w->px) < most &&
         fmin(a->used, b->used) > ODD_USED && fabs(a->slope - b->slope) < ODD_SLOPE &&
         fmax(a->misfit, b->misfit) < most_misfit;
}

/* From several places about the lively one; the feet that look most as the others' do. */
static sp_status look_for_feet(const job *j, const sp_board *b, size_t count, const sp_wire_seen *odd,
                               const wire_width *w, double most_misfit, fret *best, bool *found, sp_error *err)
{
  const double ppm = j->o->px_per_mm;
  double v_px[2], least = INFINITY;
  usual_ends(j, b, count, odd->u_px, v_px);
  *found = false;
  for (double off = -ODD_REACH_MM; off <= ODD_REACH_MM + 1e-9; off += ODD_STEP_MM) {
    const double u = odd->u_px + off * ppm;
    fret f = {.seen = {.u_px = u, .slope = odd->slope},
              .v_px = sp_lengthwise_at(&b->centre, u),
              .v_a_px = v_px[0],
              .v_b_px = v_px[1],
              .start_px = {u - 0.5 * w->px, u + 0.5 * w->px},
              .start_slope = odd->slope};
    job one = *j;
    one.frets = &f;
    measure_fret(&one, 0);
    if (f.status) {
      if (err)
        *err = f.err;
      return f.status;
    }
    const double misfit = fmax(f.foot[0].misfit, f.foot[1].misfit);
    if (is_fret(&f, w, most_misfit, ppm) && misfit < least) {
      least = misfit;
      *best = f;
      *found = true;
    }
  }
  return SP_OK;
}

static int by_place(const void *a, const void *b)
{
  const double x = ((const fret *)a)->seen.u_px, y = ((const fret *)b)->seen.u_px;
  return (x > y) - (x < y);
}

/* A fret that is not as broad as the others may have been taken for one of them at a wrong place of its own crown:
 * where two feet beside it look more as the others' do, they are its feet. */
static sp_status look_again(job *j, const sp_board *b, size_t count, const wire_width *w, double most_misfit,
                            sp_error *err)
{
  const double most = fmax(AGAIN_MM * j->o->px_per_mm, 4.0 * w->scatter_px);
  for (size_t i = 0; j->company && i < count; i++) {
    fret *f = &j->frets[i], better;
    bool found = false;
    if (f->seen.part || !f->foot[0].found || !f->foot[1].found || !(fabs(width_of(f) - w->px) > most))
      continue;
    const sp_status status = look_for_feet(j, b, count, &f->seen, w, most_misfit, &better, &found, err);
    if (status)
      return status;
    if (!found || !(fmax(better.foot[0].misfit, better.foot[1].misfit) < fmax(f->foot[0].misfit, f->foot[1].misfit)))
      continue;
    memcpy(f->foot, better.foot, sizeof f->foot);
    f->seen.u_px = 0.5 * (f->foot[0].u_px + f->foot[1].u_px) - 0.5 * (j->usual_px[0] + j->usual_px[1]);
    f->v_px = better.v_px;
  }
  return SP_OK;
}

static double wood_beside(const fret *f)
{
  return 0.5 * (f->foot[0].term[1] + f->foot[1].term[1]);
}

/* Two feet between the wood and what lies beyond the board's end are no fret's. */
static bool lies_on_wood(const job *j, size_t count, const fret *f)
{
  double wood[SP_WIRE_MOST], contrast[SP_WIRE_MOST];
  for (size_t i = 0; i < count; i++) {
    const sp_foot *a = &j->frets[i].foot[0], *b = &j->frets[i].foot[1];
    wood[i] = wood_beside(&j->frets[i]);
    contrast[i] = 0.5 * (fabs(a->term[1] - a->term[0]) + fabs(b->term[1] - b->term[0]));
  }
  const double usual = sp_median(wood, count);
  return fabs(wood_beside(f) - usual) < fmax(ODD_WOOD_CONTRAST * sp_median(contrast, count), ODD_WOOD_PART * usual);
}

/* Its place in the section is that of the others: midway between the feet, less what that is off their seen.u_px. */
static sp_status add_odd(job *j, const sp_board *b, size_t *count, sp_error *err)
{
  double work[2 * SP_WIRE_MOST];
  const wire_width w = common_width(j->frets, *count);
  const size_t known = *count;
  const double most_misfit = fmax(ODD_MISFIT * total_misfit(j->frets, known, work), ODD_LEAST_MISFIT);
  const sp_status again = look_again(j, b, known, &w, most_misfit, err);
  if (again)
    return again;
  for (size_t i = 0; j->company && i < j->lively_count && *count < SP_WIRE_MOST; i++) {
    fret f;
    bool found = false;
    if (!is_odd(j, *count, j->lively[i].u_px))
      continue;
    const sp_status status = look_for_feet(j, b, known, &j->lively[i], &w, most_misfit, &f, &found, err);
    if (status)
      return status;
    if (!found || !lies_on_wood(j, known, &f))
      continue;
    f.seen.u_px = 0.5 * (f.foot[0].u_px + f.foot[1].u_px) - 0.5 * (j->usual_px[0] + j->usual_px[1]);
    f.seen.alike = fmin(f.foot[0].used, f.foot[1].used);
    f.coverage = f.seen.alike;
    j->frets[(*count)++] = f;
  }
  if (*count > known)
    qsort(j->frets, *count, sizeof *j->frets, by_place);
  return SP_OK;
}

static bool foot_shows(const sp_foot *f, double most_misfit)
{
  return f->found && !f->guessed && f->used >= LEAST_USED && f->misfit < most_misfit;
}

/* Nothing like a foot, nor near where the section would have it. */
static bool foot_is_none(const sp_foot *f, double most_misfit)
{
  return !f->found || (f->guessed && f->misfit > ODD_MISFIT * most_misfit);
}

/* What looked like a fret in the section but has not the frets' breadth, and no foot that looks as theirs do, or beyond
 * them all one foot alone, is an edge of the nut, the board's end, an inlay. */
static void drop_footless(const job *j, size_t *count)
{
  double work[2 * SP_WIRE_MOST];
  const double most_misfit = fmax(ODD_MISFIT * total_misfit(j->frets, *count, work), ODD_LEAST_MISFIT);
  const wire_width w = common_width(j->frets, *count);
  size_t kept = 0;
  for (size_t i = 0; i < *count && j->company; i++) {
    const fret *f = &j->frets[i];
    const double off_mm = fabs(width_of(f) - w.px) / j->o->px_per_mm;
    const bool shows = foot_shows(&f->foot[0], most_misfit) || foot_shows(&f->foot[1], most_misfit);
    const bool alone = foot_is_none(&f->foot[0], most_misfit) || foot_is_none(&f->foot[1], most_misfit);
    const bool outermost = i == 0 || i + 1 == *count;
    if (!(off_mm > (shows ? ONE_FOOTED_MM : FOOTLESS_MM)) || (shows && !(alone && outermost)))
      j->frets[kept++] = *f;
  }
  *count = j->company ? kept : *count;
}

/* Grey just beside a foot against that of the wood farther out; medians over the breadth. NAN: not in the picture. */
static double shade_beside(const job *j, const fret *f, int side)
{
  enum { ROWS = 48, WINDOW = 128 };
  const double ppm = j->o->px_per_mm, from = f->v_a_px + END_MM * ppm, to = f->v_b_px - END_MM * ppm;
  double share[ROWS];
  size_t n = 0;
  for (int k = 0; k < ROWS; k++) {
    const double v = floor(from + (k + 0.5) * (to - from) / ROWS), out = side ? 1.0 : -1.0;
    const double at = f->foot[side].u_px + f->foot[side].slope * (v - f->v_px);
    double mean[2];
    for (int far = 0; far < 2; far++) {
      float grey[WINDOW];
      const double a = at + out * SHADE_MM[far][0] * ppm, b = at + out * SHADE_MM[far][1] * ppm;
      const int32_t first = (int32_t)lround(fmin(a, b));
      const int32_t count = (int32_t)fmin(fmax(1.0, round(fabs(b - a))), WINDOW);
      mean[far] = 0.0;
      if (first < 0 || first + count > j->view->length_px || v < 0.0 || v >= j->view->breadth_px)
        break;
      sp_view_window(j->view, first, count, (int32_t)v, 1, grey);
      for (int32_t i = 0; i < count; i++)
        mean[far] += (double)grey[i] / count;
      if (far && mean[1] > 0.0)
        share[n++] = mean[0] / mean[1];
    }
  }
  return n ? sp_median(share, n) : NAN;
}

/* The lesser of two of one sign, unsigned; 0 where they differ in it or one is not known. */
static double both_aside(double a, double b)
{
  return a * b > 0.0 ? fmin(fabs(a), fabs(b)) : 0.0;
}

/* Where frets lie at different angles to the lamp, some are shaded on one side and some on the other; what a shadow
 * moves a foot by they do not have in common then. Sets that, px, from how far each one's shades differ otherwise than
 * the others' do. */
static void tell_shades(const job *j, size_t count, double *u_px)
{
  double aside[SP_WIRE_MOST], work[SP_WIRE_MOST];
  size_t n = 0;
  for (size_t i = 0; i < count; i++) {
    aside[i] = shade_beside(j, &j->frets[i], 1) - shade_beside(j, &j->frets[i], 0);
    if (isfinite(aside[i]))
      work[n++] = aside[i];
  }
  const double usual = n ? sp_median(work, n) : 0.0;
  for (size_t i = 0; i < count; i++) {
    double unlike = 0.0; /* as a neighbour is, too: dirt lies beside one */
    if (i > 0)
      unlike = fmax(unlike, both_aside(aside[i] - usual, aside[i - 1] - usual));
    if (i + 1 < count)
      unlike = fmax(unlike, both_aside(aside[i] - usual, aside[i + 1] - usual));
    u_px[i] = SHADES_MM * fmax(0.0, unlike - SHADES_ALIKE) * j->o->px_per_mm;
  }
}

static void describe(const fret *f, sp_mark *m)
{
  const sp_foot *a = &f->foot[0], *b = &f->foot[1];
  m->v_px = f->v_px;
  m->v_a_px = f->v_a_px;
  m->v_b_px = f->v_b_px;
  m->coverage = f->coverage;
  m->part = f->seen.part;
  m->strength = fmin(1.0, f->seen.alike);
  m->significance = 100.0 * f->seen.alike;
  m->misfit = fmax(1.0, 100.0 * fmax(a->misfit, b->misfit));
  const double wood = 0.5 * (a->term[1] + b->term[1]), metal = 0.5 * (a->term[0] + b->term[0]);
  m->contrast = wood > 0.0 ? (metal - wood) / wood : 0.0;
}

static sp_status collect(const job *j, size_t count, sp_marks *marks, sp_error *err)
{
  wire_width w = common_width(j->frets, count);
  if (!w.count) { /* not one fret shows both its feet: as far apart as they were taken to be */
    w.px = j->usual_px[1] - j->usual_px[0];
    w.scatter_px = AGREED_MM * j->o->px_per_mm;
  }
  const double floor_px = FLOOR_PX * fmax(1.0, j->blur_px);
  double u_shade_px[SP_WIRE_MOST];
  marks->marks = calloc(count + 1, sizeof *marks->marks);
  if (!marks->marks)
    return sp_fail_memory(err);
  tell_shades(j, count, u_shade_px);
  for (size_t i = 0; i < count; i++) {
    sp_mark *m = &marks->marks[marks->count];
    describe(&j->frets[i], m);
    if (j->frets[i].coverage < LEAST_COVERAGE || !middle_of(j, &j->frets[i], &w, floor_px, m))
      continue;
    m->u_px += j->shift_px;
    m->u_u_px = hypot(m->u_u_px, u_shade_px[i]);
    m->u_common_px = j->common_px;
    marks->count++;
  }
  marks->blur_px = j->blur_px;
  return SP_OK;
}

/* ---- edges that may be the nut --------------------------------------------------------------------------------------
 */

/* The edge as a plain step: of the tones, and of the feet's blur and the picture's, what explains it best. */
static sp_status best_step(const job *j, sp_foot_task task, sp_foot *best, sp_error *err)
{
  const double blur_px[2] = {j->blur_px, pixel_blur(optics_of(j->o))};
  sp_status status = SP_OK;
  memset(best, 0, sizeof *best);
  for (int k = 0; !status && k < 2 * TONES; k++) {
    sp_foot step;
    task.tone = TONE[k % TONES];
    status = sp_wire_foot_fit(j->view, &task, j->o->px_per_mm, blur_px[k / TONES], &step, err);
    if (!status && step.found && (!best->found || step.misfit < best->misfit))
      *best = step;
  }
  return status;
}

/* Its direction is a step's, its place the nut's face (wire_face.c). `toward` is where the frets lie. */
static sp_status measure_edge(const job *j, const sp_board *b, const sp_wire_face_tables *faces,
                              const sp_wire_edge *edge, int toward, sp_board_end *end, sp_error *err)
{
  const double ppm = j->o->px_per_mm, u_px = edge->sharp || edge->casts ? edge->u_px : edge->outer_px;
  const double lo = sp_lengthwise_at(&b->side[0], u_px), hi = sp_lengthwise_at(&b->side[1], u_px);
  const double v = sp_lengthwise_at(&b->centre, u_px), inset = EDGE_INSET * (hi - lo);
  const sp_foot_task task = {.u_px = u_px,
                             .v_px = v,
                             .slope = -b->centre.slope,
                             .v0_px = lo + inset,
                             .v1_px = hi - inset,
                             .outward = toward,
                             .joint_mm = -1.0,
                             .inner_mm = INNER_MM,
                             .outer_mm = OUTER_MM,
                             .reach_mm = REACH_MM,
                             .flat = true};
  sp_foot step;
  double face_px, u_face_px;
  *end = (sp_board_end){.v_px = v};
  sp_status status = best_step(j, task, &step, err);
  if (status || !step.found || !(step.used > EDGE_USED))
    return status;
  const sp_wire_line line = {step.u_px, v, step.slope, lo + inset, hi - inset};
  status = sp_wire_face_find(j->view, &line, toward, ppm, faces, &face_px, &u_face_px, &end->found, err);
  if (status || !end->found)
    return status;
  end->u_px = face_px;
  end->slope = step.slope;
  end->u_slope = step.u_slope;
  end->u_u_px = hypot(hypot(step.u_u_px, u_face_px), hypot(FACE_MM * ppm, FACE_PX));
  return SP_OK;
}

static int by_u(const void *a, const void *b)
{
  const double x = ((const sp_board_end *)a)->u_px, y = ((const sp_board_end *)b)->u_px;
  return (x > y) - (x < y);
}

typedef struct edge_job {
  const job *j;
  const sp_board *board;
  const sp_wire_face_tables *faces;
  const sp_wire_edge *edges;
  double first_px; /* the first fret's place */
  sp_board_end end[SP_WIRE_EDGES];
  sp_status status[SP_WIRE_EDGES];
  sp_error err[SP_WIRE_EDGES];
} edge_job;

static void measure_one_edge(void *context, size_t i)
{
  edge_job *e = context;
  e->status[i] = measure_edge(e->j, e->board, e->faces, &e->edges[i], e->edges[i].u_px < e->first_px ? 1 : -1,
                              &e->end[i], &e->err[i]);
}

static sp_status measure_edges(const job *j, const sp_wire_edge *edges, size_t n, double first_px, sp_marks *marks,
                               sp_error *err)
{
  sp_wire_face_tables *faces = sp_wire_face_prepare(j->o->px_per_mm, optics_of(j->o));
  edge_job e = {.j = j, .board = &marks->board, .faces = faces, .edges = edges, .first_px = first_px};
  marks->edges = calloc(n + 1, sizeof *marks->edges);
  if (!faces || !marks->edges) {
    free(faces);
    return sp_fail_memory(err);
  }
  sp_workers_run(measure_one_edge, &e, n);
  free(faces);
  for (size_t i = 0; i < n; i++) {
    if (e.status[i]) {
      if (err)
        *err = e.err[i];
      return e.status[i];
    }
    if (e.end[i].found)
      marks->edges[marks->edge_count++] = e.end[i];
  }
  return SP_OK;
}

/* One edge found from two places: between the two, and half of what they differ by is in its doubt. */
static void join_edges(sp_board_end *a, const sp_board_end *b)
{
  const double u = fmin(a->u_u_px, b->u_u_px), apart = b->u_px - a->u_px;
  const double share = 1.0 / (1.0 + pow(b->u_u_px / a->u_u_px, 2.0)); /* of b */
  a->u_px += share * apart;
  a->slope += share * (b->slope - a->slope);
  a->u_slope = fmax(a->u_slope, b->u_slope);
  a->u_u_px = hypot(u, 0.5 * apart);
}

static sp_status find_edges(const sp_scene *scene, const job *j, sp_marks *marks, sp_error *err)
{
  sp_wire_edge edges[SP_WIRE_EDGES];
  size_t n = 0, kept = 0;
  if (!marks->count)
    return SP_OK;
  const double clear = EDGE_CLEAR_MM * j->o->px_per_mm, first = marks->marks[0].u_px,
               last = marks->marks[marks->count - 1].u_px;
  sp_status status =
      sp_wire_edges(scene, marks->along, j->o, &marks->board, first - clear, last + clear, j->blur_px, edges, &n, err);
  if (!status)
    status = measure_edges(j, edges, n, first, marks, err);
  if (status || !marks->edge_count)
    return status;
  qsort(marks->edges, marks->edge_count, sizeof *marks->edges, by_u);
  for (size_t i = 0; i < marks->edge_count; i++)
    if (!kept || marks->edges[i].u_px - marks->edges[kept - 1].u_px > SAME_EDGE_MM * j->o->px_per_mm)
      marks->edges[kept++] = marks->edges[i];
    else
      join_edges(&marks->edges[kept - 1], &marks->edges[i]);
  marks->edge_count = kept;
  return SP_OK;
}

/* ---- together -------------------------------------------------------------------------------------------------------
 */

static sp_status find_frets(const sp_scene *scene, sp_along along, const sp_marks_options *o, sp_marks *marks,
                            fret *frets, size_t *count, sp_wire_section *section, sp_wire_seen *lively,
                            size_t *lively_count, sp_error *err)
{
  sp_wire_seen seen[SP_WIRE_MOST];
  size_t lines = 0;
  sp_status status = sp_wire_board(scene, along, o, &marks->board, &lines, err);
  *count = 0;
  for (int round = 0; !status && lines >= 2 && round < 2; round++) {
    size_t n = 0;
    free(section->value);
    status = sp_wire_search(scene, along, o, &marks->board, seen, &n, section, lively, lively_count, err);
    if (status || n < 2)
      break;
    keep_alike(seen, &n);
    *count = set_extents(scene, along, o, &marks->board, seen, n, section, frets);
    if (round == 0 && *count >= 2)
      status = outline_again(scene, along, o, frets, *count, &marks->board, err);
  }
  if (!status && *count < 2)
    snprintf(marks->reason, sizeof marks->reason, "no frets across a board were found");
  return status;
}

sp_status sp_wires_find(const sp_scene *scene, sp_along along, const sp_marks_options *o, sp_marks *marks,
                        sp_error *err)
{
  const sp_view view = sp_view_of(scene->raster, along);
  fret frets[SP_WIRE_MOST];
  sp_wire_seen lively[SP_WIRE_MOST];
  sp_wire_section section = {0};
  job j = {.view = &view, .o = o, .frets = frets, .lively = lively};
  size_t count = 0;
  memset(marks, 0, sizeof *marks);
  marks->along = along;
  marks->blur_px = NAN;
  sp_status status = find_frets(scene, along, o, marks, frets, &count, &section, lively, &j.lively_count, err);
  if (!status && count >= 2) {
    sp_wire_pair pairs[SP_WIRE_PAIRS];
    size_t n = 0;
    status = find_feet(&j, count, &section, pairs, &n, err);
    if (!status && !n) {
      snprintf(marks->reason, sizeof marks->reason,
               "%zu frets show, but not where their feet meet the wood; clean along them and scan again", count);
    } else if (!status) {
      sp_wire_pair pair;
      status = choose_feet(&j, count, &section, pairs, n, &pair, err);
      if (!status)
        status = measure_in_company(&j, count, err);
      if (!status)
        find_troughs(&j, count, &section);
      if (!status)
        status = add_odd(&j, &marks->board, &count, err);
      if (!status) {
        drop_footless(&j, &count);
        settle_common(&j, count);
      }
      if (!status)
        status = collect(&j, count, marks, err);
      if (!status && j.common_px > UNTOLD_MM * o->px_per_mm)
        snprintf(marks->reason, sizeof marks->reason,
                 "metal and shadow cannot be told apart beside the frets (the middles of all may be off by %.2f mm "
                 "alike), so they are not compared with a nut's face; scan finer, or with the neck turned end for end",
                 2.0 * j.common_px / o->px_per_mm);
      else if (!status)
        status = find_edges(scene, &j, marks, err);
    }
  }
  free(section.value);
  free(j.grain.value);
  return status;
}
