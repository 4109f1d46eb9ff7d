/* One board from several scans: each is measured by itself, in turn; then it is joined to the one before. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "pieces.h"
#include <stdio.h>

/* Left out of the face at the board's sides, where edges, shadows and the lid are; more where the sides do not show. */
static const double SIDE_MM = 1.5, UNSEEN_SIDE_MM = 3.0;
/* And at the picture's ends. */
static const double END_MM = 0.7;
/* Wood beside a mark that is masked with it: burr, chips, a fret's shadow. */
static const double BESIDE_LINE_MM = 0.4, BESIDE_WIRE_MM = 1.3;

/* ---- frames ------------------------------------------------------------------------------------------------------ */

sp_point piece_mm(const piece *p, double u_px, double v_px)
{
  const sp_point at = sp_board_frame_mm(&p->frame, u_px, v_px);
  return p->turned ? (sp_point){-at.x, -at.y} : at;
}

sp_point piece_px(const piece *p, sp_point at_mm)
{
  const sp_board_frame *f = &p->frame;
  const double x = p->turned ? -at_mm.x : at_mm.x, y = p->turned ? -at_mm.y : at_mm.y;
  const double c = cos(f->tilt_rad), s = sin(f->tilt_rad);
  const double u = sp_scale_map_place_px(f->map, f->origin_u_mm + x * c - y * s);
  const double v = (f->origin_v_mm + x * s + y * c) / (f->v_sign * f->map->across_mm_per_px);
  return f->along == SP_ALONG_X ? (sp_point){u, v} : (sp_point){v, u};
}

sp_point piece_graduation_mm(const piece *p, const sp_graduation *g)
{
  const bool along_x = p->frame.along == SP_ALONG_X;
  sp_point at = piece_mm(p, along_x ? g->at_px.x : g->at_px.y, along_x ? g->at_px.y : g->at_px.x);
  at.x += (p->turned ? -1.0 : 1.0) * g->residual_mm * cos(p->frame.tilt_rad);
  return at;
}

double piece_from_mm(const piece *p)
{
  return p->turned ? -p->to_mm : p->from_mm;
}

double piece_to_mm(const piece *p)
{
  return p->turned ? -p->from_mm : p->to_mm;
}

double piece_slope_rate(const piece *p, double u_px)
{
  const sp_scale_map *map = &p->reference.map;
  return p->marks.even ? sp_scale_map_even_rate(map) : sp_scale_map_rate(map, u_px);
}

double piece_lean_rad(const piece *p, double u_px, double slope)
{
  const double rate = piece_slope_rate(p, u_px) / p->reference.map.across_mm_per_px;
  return atan(p->frame.v_sign * rate * slope) + p->frame.tilt_rad;
}

/* ---- one piece --------------------------------------------------------------------------------------------------- */

void piece_free(piece *p)
{
  sp_marks_free(&p->marks);
  sp_reference_free(&p->reference);
  sp_face_free(&p->face);
  corrected_free(&p->said);
  memset(p, 0, sizeof *p);
}

static double mean_rate(const piece *p, double length_px)
{
  const sp_scale_map *map = &p->reference.map;
  return (sp_scale_map_along_mm(map, length_px - 1.0) - sp_scale_map_along_mm(map, 0.0)) / (length_px - 1.0);
}

static double side_y(const piece *p, int side, double u_px)
{
  const sp_lengthwise *s = &p->marks.board.side[side];
  return sp_board_frame_mm(&p->frame, u_px, s->at_px + s->slope * u_px).y;
}

/* The part of the board that the picture shows, and the breadth that is on it all along. */
static void lay_out(piece *p)
{
  const sp_board *b = &p->marks.board;
  const double length = p->frame.along == SP_ALONG_X ? p->width_px : p->height_px, last = length - 1.0;
  const double inset = b->edges_found ? SIDE_MM : UNSEEN_SIDE_MM;
  const double u[2] = {b->end[0].found ? b->end[0].u_px : 0.0, b->end[1].found ? b->end[1].u_px : last};
  p->side_from_mm = -INFINITY;
  p->side_to_mm = INFINITY;
  for (int e = 0; e < 2; e++) {
    const double a = side_y(p, 0, u[e]), c = side_y(p, 1, u[e]);
    p->side_from_mm = fmax(p->side_from_mm, fmin(a, c) + inset);
    p->side_to_mm = fmin(p->side_to_mm, fmax(a, c) - inset);
  }
  /* a board that lies askew leaves the picture at one side before the other */
  const double askew = fabs(tan(p->frame.tilt_rad)) * 0.5 * (p->side_to_mm - p->side_from_mm);
  for (int e = 0; e < 2; e++) {
    const double v = b->centre.at_px + b->centre.slope * u[e], x = sp_board_frame_mm(&p->frame, u[e], v).x;
    const double cut = END_MM + (b->end[e].found ? 0.3 : askew);
    if (e == 0)
      p->from_mm = x + cut;
    else
      p->to_mm = x - cut;
  }
}

static sp_status draw_face(piece *p, const sp_raster *raster, sp_mark_kind kind, sp_error *err)
{
  const sp_marks *m = &p->marks;
  sp_face_mask *mask = calloc(m->count + 1, sizeof *mask);
  if (!mask)
    return sp_fail_memory(err);
  for (size_t i = 0; i < m->count; i++) {
    const sp_mark *l = &m->marks[i];
    const sp_point a = sp_board_frame_mm(&p->frame, l->u_px + l->slope * (l->v_a_px - l->v_px), l->v_a_px);
    const sp_point b = sp_board_frame_mm(&p->frame, l->u_px + l->slope * (l->v_b_px - l->v_px), l->v_b_px);
    const double width = l->width_px * p->frame.map->across_mm_per_px;
    mask[i].slope = fabs(b.y - a.y) > 1.0 ? (b.x - a.x) / (b.y - a.y) : 0.0;
    mask[i].x_mm = a.x - mask[i].slope * a.y;
    mask[i].half_width_mm =
        (isfinite(width) ? 0.5 * width : 0.5) + (kind == SP_MARK_WIRE ? BESIDE_WIRE_MM : BESIDE_LINE_MM);
  }
  const sp_status status = sp_face_draw(raster, &p->frame, p->from_mm, p->to_mm, p->side_from_mm, p->side_to_mm, mask,
                                        m->count, &p->face, err);
  free(mask);
  return status;
}

/* Sources, reference and warnings of the piece's own record into the board's. */
static sp_status hand_over(const char *name, const sp_record *own, sp_record *record, sp_error *err)
{
  const sp_source_record *s = &own->sources[0];
  sp_status status = sp_record_add_source(record, s->file, s->width_px, s->height_px, s->stated_dpi, err);
  for (size_t i = 0; !status && i < own->warning_count; i++)
    status = sp_record_warn(record, err, "%s: %s", name, own->warnings[i]);
  return status;
}

static sp_status measure_opened(opened_picture *open, const sp_check_options *o, piece *p, sp_record *own,
                                sp_error *err)
{
  if (open->straightened)
    return sp_fail(
        err, SP_E_DATA,
        "this is a photograph; only scans are joined: scan the board in pieces, or photograph all of it in one "
        "picture");
  corrected_note_strokes(&open->reference, &p->said);
  sp_status status = check_find_marks(open, o, true, &p->marks, &p->said, own, err);
  if (!status && p->marks.reason[0])
    status = sp_record_warn(own, err, "%s", p->marks.reason);
  if (!status)
    status = check_warn_marks(open, &p->marks, own, err);
  if (status || !open->reference.map.known || !p->marks.count)
    return status;
  p->reference = open->reference;
  memset(&open->reference, 0, sizeof open->reference);
  p->reference.record = own->reference; /* with its graduations */
  own->reference.graduations = NULL;
  own->reference.graduation_count = 0;
  const double length = p->reference.map.along == SP_ALONG_X ? p->width_px : p->height_px;
  const sp_lengthwise *c = &p->marks.board.centre;
  p->frame = sp_board_frame_of(&p->reference.map, c->at_px, c->slope, mean_rate(p, length));
  lay_out(p);
  return draw_face(p, check_measured(open), o->marks, err);
}

sp_status piece_measure(const char *path, const char *name, const sp_check_options *o, piece *p, sp_record *record,
                        sp_error *err)
{
  opened_picture open;
  sp_record own;
  sp_record_init(&own);
  memset(p, 0, sizeof *p);
  memset(&open, 0, sizeof open);
  p->path = path;
  p->name = name;
  p->source = record->source_count;
  sp_reference_options reference = o->reference;
  sp_status status = corrected_begin(o->corrections, (int32_t)p->source, &p->said, err);
  reference.strokes = p->said.strokes;
  reference.stroke_count = p->said.stroke_count;
  if (!status)
    status = check_open(path, &reference, &o->read, NULL, &own, &open, err);
  if (!status) {
    p->width_px = open.picture.width_px;
    p->height_px = open.picture.height_px;
    status = measure_opened(&open, o, p, &own, err);
  }
  if (!status)
    status = hand_over(name, &own, record, err);
  check_close(&open, NULL, false);
  free(own.reference.graduations);
  own.reference.graduations = NULL;
  sp_record_free(&own);
  return status;
}

sp_status piece_draw_face(piece *p, const sp_check_options *o, sp_error *err)
{
  sp_raster raster = {0};
  sp_picture_info info;
  sp_status status = sp_read_picture(p->path, &o->read, &raster, &info, err);
  if (!status && (raster.width_px != p->width_px || raster.height_px != p->height_px))
    status = sp_fail(err, SP_E_DATA, "the picture has changed while it was measured");
  sp_face_free(&p->face);
  if (!status)
    status = draw_face(p, &raster, o->marks, err);
  if (!status && p->turned)
    sp_face_turn(&p->face);
  sp_raster_free(&raster);
  return status;
}

/* ---- one piece on another ---------------------------------------------------------------------------------------- */

/* The marks in the common direction, by rising x; `x` holds four values a mark and is what `list` points into. */
static bool list_marks(const piece *p, double **own, sp_join_marks *list)
{
  const size_t n = p->marks.count;
  double *x = malloc((4 * n + 1) * sizeof *x), *strength = x + n, *lean = strength + n, *u_lean = lean + n;
  const sp_scale_map *map = &p->reference.map;
  *own = x;
  if (!x)
    return false;
  for (size_t i = 0; i < n; i++) {
    const sp_mark *m = &p->marks.marks[i];
    const size_t at = p->turned ? n - 1 - i : i;
    x[at] = piece_mm(p, m->u_px, m->v_px).x;
    strength[at] = m->strength;
    const double rate = piece_slope_rate(p, m->u_px) / map->across_mm_per_px;
    lean[at] = (p->mirrored ? -1.0 : 1.0) * piece_lean_rad(p, m->u_px, m->slope);
    const double aspect = (2.0 * p->frame.tilt_rad - lean[at]) * map->u_across_relative;
    u_lean[at] = hypot(m->u_slope * rate, hypot(p->marks.board.centre.u_slope, aspect));
  }
  *list = (sp_join_marks){n, x, strength, lean, u_lean, piece_from_mm(p), piece_to_mm(p)};
  return true;
}

/* Guesses with what the wood says of them, what is told, and the wood's own best places. */
static sp_status collect_places(const piece *first, const piece *second, const sp_join_marks *a, const sp_join_marks *b,
                                const sp_join_told *told, sp_join_place *place, double *aside, size_t *count,
                                sp_error *err)
{
  sp_grain_place asked[SP_JOIN_GUESSES + SP_JOIN_TOLD], own[SP_GRAIN_PLACES];
  size_t found = 0, guesses = sp_join_guess(a, b, PIECES_LEAST_OVERLAP_MM, place);
  guesses += sp_join_guess_told(a, b, told, PIECES_LEAST_OVERLAP_MM, place + guesses);
  for (size_t i = 0; i < guesses; i++)
    asked[i] = (sp_grain_place){place[i].turned, place[i].shift_mm, 0.0, NAN, NAN};
  const sp_status status =
      sp_grain_search(&first->face, &second->face, PIECES_LEAST_OVERLAP_MM, asked, guesses, own, &found, err);
  for (size_t i = 0; i < guesses; i++) {
    place[i].z = asked[i].z;
    place[i].expected = asked[i].expected;
    aside[i] = asked[i].aside_mm;
  }
  *count = guesses;
  for (size_t i = 0; !status && i < found; i++) {
    place[*count] = (sp_join_place){
        .turned = own[i].turned, .shift_mm = own[i].shift_mm, .z = own[i].z, .expected = own[i].expected};
    aside[(*count)++] = own[i].aside_mm;
  }
  return status;
}

sp_status piece_fit_wood(const piece *first, const piece *second, double aside_mm, piece_link *link, sp_error *err)
{
  return sp_grain_fit_place(&first->face, &second->face, link->place.shift_mm, aside_mm, &link->wood, err);
}

sp_status piece_place(const piece *first, piece *second, const sp_check_options *o, piece_link *link,
                      sp_join_state *state, sp_error *err)
{
  sp_join_marks a = {0}, b = {0};
  double *own_a = NULL, *own_b = NULL;
  sp_join_place place[SP_JOIN_GUESSES + SP_JOIN_TOLD + SP_GRAIN_PLACES];
  double aside[SP_JOIN_GUESSES + SP_JOIN_TOLD + SP_GRAIN_PLACES];
  sp_join_told told[SP_JOIN_TOLD];
  size_t count = 0, chosen = 0;
  memset(link, 0, sizeof *link);
  sp_status status = list_marks(first, &own_a, &a) && list_marks(second, &own_b, &b) ? SP_OK : sp_fail_memory(err);
  if (!status)
    status = pieces_told(first, second, o, told, err);
  if (!status)
    status = collect_places(first, second, &a, &b, told, place, aside, &count, err);
  if (!status)
    *state = sp_join_choose(&a, &b, told, place, count, &chosen);
  if (!status && count)
    link->place = place[chosen];
  if (!status && *state == SP_JOIN_OK) {
    if (link->place.turned) {
      second->turned = !second->turned;
      sp_face_turn(&second->face);
    }
    status = piece_fit_wood(first, second, isfinite(aside[chosen]) ? aside[chosen] : 0.0, link, err);
    if (!status && !sp_join_confirm(&link->place, link->wood.found, link->wood.agreeing))
      *state = SP_JOIN_NOTHING;
  }
  free(own_a);
  free(own_b);
  return status;
}

/* ---- all of them --------------------------------------------------------------------------------------------------
 */

/* Measures all pieces, each placed on the one before. `joined` is how many hang together from the first. */
static sp_status measure_all(const char *const *paths, size_t count, const sp_check_options *o, piece *pieces,
                             piece_link *link, size_t *joined, sp_join_state *state, sp_record *record,
                             size_t *at_fault, sp_error *err)
{
  *joined = 1;
  *state = SP_JOIN_OK;
  for (size_t k = 0; k < count; k++) {
    *at_fault = k;
    sp_status status =
        piece_measure(paths[k], o->names ? o->names[k] : check_last_part(paths[k]), o, &pieces[k], record, err);
    if (status)
      return status;
    if (!pieces[k].reference.map.known || !pieces[k].marks.count) {
      *joined = 0;
      continue;
    }
    if (k && *joined == k) {
      status = piece_place(&pieces[k - 1], &pieces[k], o, &link[k - 1], state, err);
      if (status)
        return status;
      *joined += *state == SP_JOIN_OK;
    }
    if (k)
      sp_face_free(&pieces[k - 1].face);
  }
  sp_face_free(&pieces[count - 1].face);
  return SP_OK;
}

static sp_status say_unmeasured(const piece *pieces, size_t count, sp_record *record, sp_error *err)
{
  for (size_t k = 0; k < count; k++)
    if (!pieces[k].reference.map.known || !pieces[k].marks.count)
      return sp_record_warn(record, err,
                            "the pieces cannot be joined: in %s no %s; every piece needs a rule or a strip beside the "
                            "board, and lines",
                            pieces[k].name,
                            pieces[k].marks.count ? "scale could be read" : "lines were found, or no scale");
  return SP_OK;
}

/* What was said by hand of pictures that make no board. */
static sp_status note_unused(const piece *pieces, size_t count, const sp_check_options *o, sp_record *record,
                             sp_error *err)
{
  corrected whole;
  sp_status status = corrected_begin(o->corrections, EVERY_SOURCE, &whole, err);
  for (size_t k = 0; !status && k < count; k++)
    corrected_note_unused(&pieces[k].said, &whole);
  if (!status)
    status = corrected_note(&whole, record, err);
  corrected_free(&whole);
  return status;
}

static sp_status check_pieces(const char *const *paths, size_t count, const sp_check_options *o, sp_record *record,
                              size_t *at_fault, sp_error *err)
{
  sp_status status = SP_OK;
  piece *pieces = calloc(count, sizeof *pieces);
  piece_link *link = calloc(count, sizeof *link);
  size_t joined = 0;
  sp_join_state state = SP_JOIN_OK;
  check_set_task(o, record);
  if (!pieces || !link)
    status = sp_fail_memory(err);
  if (!status)
    status = measure_all(paths, count, o, pieces, link, &joined, &state, record, at_fault, err);
  if (!status && joined == count)
    status = pieces_judge(pieces, count, link, o, record, err);
  else if (!status) {
    status = joined ? pieces_say_why(pieces, count, joined, &link[joined - 1], state, o, record, err)
                    : say_unmeasured(pieces, count, record, err);
    if (!status)
      status = pieces_judge_none(o, record, err);
  }
  if (!status && !record->correction_count)
    status = note_unused(pieces, count, o, record, err);
  for (size_t k = 0; pieces && k < count; k++)
    piece_free(&pieces[k]);
  free(pieces);
  free(link);
  return status;
}

sp_status sp_check_pieces(const char *const *paths, size_t count, const sp_check_options *o, sp_record *record,
                          size_t *at_fault, sp_error *err)
{
  sp_check_options own = *o;
  sp_corrections named;
  *at_fault = 0;
  if (count < 2 || count > SP_MOST_PIECES)
    return sp_fail(err, SP_E_USAGE, "a board is joined from 2 to %d pictures", SP_MOST_PIECES);
  sp_status status = check_refuse_fan(o, err);
  if (!status)
    status = corrected_name_sources(o->corrections, paths, o->names, count, &named, err);
  if (status)
    return status;
  own.corrections = &named;
  status = check_pieces(paths, count, &own, record, at_fault, err);
  sp_corrections_free(&named);
  return status;
}
