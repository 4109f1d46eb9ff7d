/* Errors, budget, decision: the whole record. See the header for the rules. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "verdict_internal.h"

/* Further from where it should end, and a partial fret is worth a word: lines often stop some millimetres short. */
static const double PART_OFF_MM = 4.0;

/* ---- the datum ------------------------------------------------------------------------------------------------------
 */

/* Where the marks put the theoretical nut, the layout taken as asked: their median distance from it, in direction of
 * the layout, and its standard uncertainty (1.2533 s / sqrt(n), INFINITY of less than three). */
typedef struct origin {
  double at, u;
  size_t count;
} origin;

static sp_status origin_of(const frame *f, const sp_layout *layout, const sp_match *match, origin *o, sp_error *err)
{
  const size_t most = (size_t)layout->frets + 1;
  double *work = malloc(most * sizeof *work);
  size_t n = 0;
  if (!work)
    return sp_fail_memory(err);
  for (int32_t k = 0; k <= layout->frets; k++)
    if (match->line_of_fret[k] >= 0)
      work[n++] = match->direction * verdict_place_of(f, f->marks->marks[match->line_of_fret[k]].u_px) -
                  layout->position_mm[k] / (f->mm ? 1.0 : match->mm_per_unit);
  o->at = n ? sp_median(work, n) : 0.0;
  o->count = n;
  o->u = n >= 3 ? 1.2533 * sp_mad(work, n) / sqrt((double)n) : INFINITY;
  free(work);
  return SP_OK;
}

/* An end that was taken for the nut because it lies near where the frets put it is in doubt if it lies further off than
 * ends are cut wrong (common practice, no source), as the frets tell for sure, with the scale length as asked and with
 * their own: a nut that does not show may be where they put it. */
static const double END_OFF_MM = 0.6, END_OFF_SIGMAS = 5.0;

static double end_off_mm(const frame *f, const sp_layout *layout, const sp_match *match, const origin *asked,
                         const best_fit *fit, double place)
{
  if (!f->mm || !match->nut_end_assumed || !fit->known)
    return 0.0;
  const double end = match->direction * place - layout->position_mm[0];
  const double off = fabs(end - asked->at), off_free = fabs(end - fit->origin);
  const bool sure = off > END_OFF_SIGMAS * asked->u && off_free > END_OFF_SIGMAS * fit->u_origin;
  return sure && fmin(off, off_free) > END_OFF_MM ? off : 0.0;
}

/* The spread of a few marks is hardly known: by so much their median is in more doubt than that of many (Student; a MAD
 * is worth this part of the marks as a standard deviation is). */
static const double MAD_EFFICIENCY = 0.37;

static double of_few(size_t count)
{
  const double freedom = fmax(1.0, MAD_EFFICIENCY * ((double)count - 1.0));
  return sp_student_quantile(0.975, freedom) / sp_normal_quantile(0.975);
}

static sp_status find_datum(const frame *f, const sp_layout *layout, const sp_match *match, const best_fit *fit,
                            datum *d, sp_error *err)
{
  origin frets = {0.0, INFINITY, 0};
  const sp_status status = origin_of(f, layout, match, &frets, err);
  memset(d, 0, sizeof *d);
  if (status)
    return status;
  if (match->nut_is_end) {
    const sp_board_end *e = &f->marks->board.end[match->nut_end];
    *d = (datum){.kind = SP_DATUM_END, .u_px = e->u_px, .u_u_px = e->u_u_px, .place = verdict_place_of(f, e->u_px)};
    d->lean = verdict_lean_of(f, e->u_px, e->slope);
    d->rival_mm = end_off_mm(f, layout, match, &frets, fit, d->place);
  } else if (match->line_of_fret[0] >= 0) {
    const sp_mark *m = &f->marks->marks[match->line_of_fret[0]];
    *d = (datum){.kind = SP_DATUM_LINE, .u_px = m->u_px, .u_u_px = m->u_u_px, .place = verdict_place_of(f, m->u_px)};
    d->lean = verdict_lean_of(f, m->u_px, m->slope);
    const double rival = verdict_rival_mm(f, match, 0);
    d->rival_mm = f->mm && isfinite(rival) ? rival : 0.0;
  } else {
    d->kind = SP_DATUM_FIT;
    d->place = match->direction * (frets.at + layout->position_mm[0] / (f->mm ? 1.0 : match->mm_per_unit));
    d->u_fit_mm = of_few(frets.count) * frets.u;
    d->u_px = NAN;
  }
  return SP_OK;
}

/* ---- the whole record -----------------------------------------------------------------------------------------------
 */

static sp_status add_strays(const frame *f, const sp_layout *layout, const sp_match *match, const datum *d,
                            const sp_verdict_options *o, sp_record *record, sp_error *err)
{
  record->strays = calloc(f->marks->count + 1, sizeof *record->strays);
  if (!record->strays)
    return sp_fail_memory(err);
  for (size_t i = 0; i < f->marks->count; i++) {
    const sp_mark *m = &f->marks->marks[i];
    sp_mark_record r = {0};
    if (!match->is_stray[i])
      continue;
    verdict_draw_places(f, match->direction ? match->direction : 1, m->u_px, m->v_px, m->slope, m->v_a_px, m->v_b_px,
                        &r);
    sp_stray_record *s = &record->strays[record->stray_count++];
    s->end_a_px = r.end_a_px;
    s->end_b_px = r.end_b_px;
    s->x_mm = f->mm && match->direction && d
                  ? layout->position_mm[0] +
                        match->direction * (verdict_place_of(f, m->u_px) - d->place) * verdict_temperature_factor(o)
                  : NAN;
  }
  return SP_OK;
}

/* A partial fret that spans another part than it is meant to. */
static sp_status warn_parts(sp_record *record, sp_error *err)
{
  sp_status status = SP_OK;
  for (size_t i = 0; !status && i < record->mark_count; i++) {
    const sp_mark_record *m = &record->marks[i];
    const sp_part_record *p = &m->part;
    if (m->found && p->is_part &&
        (fabs(p->begin_mm - p->layout_begin_mm) > PART_OFF_MM || fabs(p->end_mm - p->layout_end_mm) > PART_OFF_MM))
      status =
          sp_record_warn(record, err,
                         "fret %ld is meant to reach from %.1f to %.1f mm off the bass edge and reaches from %.1f to "
                         "%.1f mm; check on which side of the board it belongs, and its length",
                         (long)m->fret, p->layout_begin_mm, p->layout_end_mm, p->begin_mm, p->end_mm);
  }
  return status;
}

/* A fret for which two lines would do. */
static sp_status warn_contested(const frame *f, const sp_match *match, sp_record *record, sp_error *err)
{
  sp_status status = SP_OK;
  for (int32_t k = 1; !status && f->mm && k < (int32_t)record->mark_count; k++) {
    const double rival = match->line_of_fret[k] >= 0 ? verdict_rival_mm(f, match, k) : INFINITY;
    if (isfinite(rival))
      status = sp_record_warn(record, err,
                              "fret %ld: two lines lie %.2f mm from each other and either may be it; the likelier was "
                              "taken, and its +/- reaches the other: look which of them is the mark",
                              (long)k, rival);
  }
  return status;
}

/* A nut that may be another. */
static sp_status warn_nut(const datum *d, sp_record *record, sp_error *err)
{
  if (!(d->rival_mm > 0.0))
    return SP_OK;
  if (d->kind == SP_DATUM_END)
    return sp_record_warn(record, err,
                          "the board's end was taken for the nut, but it lies %.2f mm from where the frets put the "
                          "nut: that may be a nut that was not seen, and every +/- reaches it; if the end is the nut "
                          "say --nut end, if not --nut line",
                          d->rival_mm);
  return sp_record_warn(record, err,
                        "two lines lie %.2f mm from each other and either may be the nut; the likelier was taken, and "
                        "every +/- reaches the other: look which of them is the nut",
                        d->rival_mm);
}

/* A slot that may be two, a line that something lies along. */
static sp_status warn_broad(const frame *f, const sp_match *match, sp_record *record, sp_error *err)
{
  sp_status status = SP_OK;
  for (int32_t k = 0; !status && f->mm && k < (int32_t)record->mark_count; k++) {
    const sp_mark *m = match->line_of_fret[k] >= 0 ? &f->marks->marks[match->line_of_fret[k]] : NULL;
    if (!m || !(m->usual_width_px > 0.0 || m->broad))
      continue;
    char name[24] = "nut";
    if (k > 0)
      snprintf(name, sizeof name, "fret %ld", (long)k);
    if (m->broad) {
      status = sp_record_warn(record, err,
                              "%s: its line is far broader than the others; a pencil's stroke lies along it, or a "
                              "second cut, and its +/- reaches over all of it: look what is there",
                              name);
      continue;
    }
    const double mm = verdict_rate_at(f, m->u_px) / f->cosine;
    status = sp_record_warn(record, err,
                            "%s: its slot is %.2f mm broad, the others %.2f mm; it may be two beside each other, or "
                            "something dark lies along it, and its +/- reaches from wall to wall: look what is there",
                            name, m->width_px * mm, m->usual_width_px * mm);
  }
  return status;
}

/* What stands behind a zero fret: a line, or else the board's end. */
static void describe_nut_behind(const frame *f, const sp_match *match, const datum *d, const sp_verdict_options *o,
                                sp_nut_behind_record *r)
{
  const sp_board *b = &f->marks->board;
  const sp_board_end *e = &b->end[match->direction > 0 ? 0 : 1];
  sp_mark_record drawn = {0};
  double u = NAN, u_u = NAN;
  if (match->nut_behind >= 0) {
    const sp_mark *m = &f->marks->marks[match->nut_behind];
    verdict_draw_places(f, match->direction, m->u_px, m->v_px, m->slope, m->v_a_px, m->v_b_px, &drawn);
    u = m->u_px;
    u_u = m->u_u_px;
  } else if (e->found && isfinite(d->u_px)) {
    verdict_draw_places(f, match->direction, e->u_px, e->v_px, e->slope, b->side[0].at_px + b->side[0].slope * e->u_px,
                        b->side[1].at_px + b->side[1].slope * e->u_px, &drawn);
    r->is_end = true;
    u = e->u_px;
    u_u = e->u_u_px;
  } else {
    return;
  }
  r->known = true;
  r->end_a_px = drawn.end_a_px;
  r->end_b_px = drawn.end_b_px;
  if (!f->mm || d->kind == SP_DATUM_FIT)
    return;
  const double x = match->direction * (d->place - verdict_place_of(f, u));
  r->behind_mm = x * verdict_temperature_factor(o);
  r->u_mm = hypot(verdict_rate_at(f, u) / f->cosine * hypot(u_u, d->u_u_px), verdict_map_u_mm(f, d, u, x, 0.0));
}

static sp_verdict overall(const sp_record *record)
{
  sp_verdict verdict = SP_WITHIN;
  for (size_t i = 0; i < record->mark_count; i++) {
    if (record->marks[i].verdict == SP_OUT)
      return SP_OUT;
    if (record->marks[i].verdict != SP_WITHIN)
      verdict = SP_UNDECIDED;
  }
  return verdict;
}

static void outline(const frame *f, int direction, sp_record *record)
{
  const sp_board *b = &f->marks->board;
  const double last =
      (f->marks->along == SP_ALONG_X ? record->sources[0].width_px : record->sources[0].height_px) - 1.0;
  double u[2] = {b->end[0].found ? b->end[0].u_px : 0.0, b->end[1].found ? b->end[1].u_px : last};
  const int nut = direction < 0;
  const int small_y = verdict_y_sign(f, direction) > 0 ? 0 : 1;
  const sp_lengthwise *lo = &b->side[small_y], *hi = &b->side[!small_y];
  const double un = u[nut], ub = u[!nut];
  record->outline_px[0] = verdict_point_on(f, un, lo->at_px + lo->slope * un);
  record->outline_px[1] = verdict_point_on(f, un, hi->at_px + hi->slope * un);
  record->outline_px[2] = verdict_point_on(f, ub, hi->at_px + hi->slope * ub);
  record->outline_px[3] = verdict_point_on(f, ub, lo->at_px + lo->slope * ub);
  record->nut_px = verdict_point_on(f, un, b->centre.at_px + b->centre.slope * un);
  record->bridgeward_px = verdict_point_on(f, ub, b->centre.at_px + b->centre.slope * ub);
}

/* The layout that fits best is another one than asked for: by five standard uncertainties, and enough to be heard of.
 */
static bool fits_other_scale(const frame *f, const sp_layout *layout, const best_fit *fit)
{
  const double off = fit->scale - layout->scale_length_mm;
  const double last = layout->position_mm[layout->frets] / layout->scale_length_mm;
  return f->mm && fit->known && fabs(off) > 5.0 * fit->u_scale && fabs(off) * last > 0.3;
}

static sp_status other_scale(const sp_layout *layout, double scale_mm, const best_fit *fit, sp_record *record,
                             sp_error *err)
{
  sp_finding finding = {.kind = "other-scale-length", .value = scale_mm, .unit = "mm", .strength = NAN};
  finding.u_value = fit->known ? fit->u_scale : NAN;
  snprintf(
      finding.text, sizeof finding.text,
      "the lines follow a %sscale length of %.2f mm, not the %.6g mm asked for; check which board this is and what it "
      "was laid out for before anything is cut",
      layout->fanned ? "mean " : "", scale_mm, layout->scale_length_mm);
  return sp_record_add_finding(record, &finding, err);
}

static sp_status fill_marks(const frame *f, const sp_layout *layout, const sp_match *match, const sp_verdict_options *o,
                            sp_record *record, sp_error *err)
{
  datum d;
  best_fit fit;
  sp_status status = verdict_fit_layout(f, layout, match, &fit, err);
  if (!status)
    status = find_datum(f, layout, match, &fit, &d, err);
  if (status)
    return status;
  verdict_judge_nut(f, layout, match, &d, o, &record->marks[0]);
  for (int32_t k = 1; k <= layout->frets; k++)
    if (match->line_of_fret[k] >= 0)
      verdict_judge_mark(f, layout, match, &d, &f->marks->marks[match->line_of_fret[k]], o, &record->marks[k]);
  record->datum = d.kind;
  record->datum_u_mm = f->mm ? verdict_datum_u_mm(f, &d) : NAN;
  if (f->mm && fit.known) {
    record->fit_scale_length_mm = fit.scale;
    record->fit_u_scale_length_mm = fit.u_scale;
    record->fit_offset_mm = fit.origin + layout->position_mm[0] - match->direction * d.place;
    record->fit_residual_rms_mm = fit.rms;
  }
  verdict_judge_ratios(f, layout, match, &fit, record);
  if (match->state == SP_MATCH_OTHER_SCALE && f->mm)
    status = other_scale(layout, fit.known ? fit.scale : match->scale_length_mm, &fit, record, err);
  else if (fits_other_scale(f, layout, &fit))
    status = other_scale(layout, fit.scale, &fit, record, err);
  if (!status)
    status = warn_parts(record, err);
  if (!status)
    status = warn_contested(f, match, record, err);
  if (!status)
    status = warn_nut(&d, record, err);
  if (!status)
    status = warn_broad(f, match, record, err);
  if (layout->zero_fret)
    describe_nut_behind(f, match, &d, o, &record->nut_behind);
  if (!status)
    status = add_strays(f, layout, match, &d, o, record, err);
  return status;
}

sp_status sp_verdict_decide(const sp_layout *layout, const sp_reference *ref, const sp_marks *marks,
                            const sp_match *match, const sp_verdict_options *o, sp_record *record, sp_error *err)
{
  const frame f = verdict_frame_of(ref, marks);
  const bool placed = match->state == SP_MATCH_OK || match->state == SP_MATCH_OTHER_SCALE;
  sp_status status = SP_OK;
  record->marks = calloc((size_t)layout->frets + 1, sizeof *record->marks);
  if (!record->marks)
    return sp_fail_memory(err);
  record->mark_count = (size_t)layout->frets + 1;
  for (int32_t k = 0; k <= layout->frets; k++)
    verdict_blank_mark(k, layout, &record->marks[k]);
  if (placed)
    status = fill_marks(&f, layout, match, o, record, err);
  else if (marks->count)
    status = add_strays(&f, layout, match, NULL, o, record, err);
  if (!status && match->reason[0] && match->state != SP_MATCH_OTHER_SCALE)
    status = sp_record_warn(record, err, "%s", match->reason);
  if (marks->count)
    outline(&f, placed ? match->direction : 1, record);
  record->verdict = overall(record);
  return status;
}
