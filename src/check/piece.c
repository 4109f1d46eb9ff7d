/* One scan of a board that takes several: its own frame and where that lies in the common one; opened, measured, its
 * face drawn for the comparison of the wood. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "pieces.h"

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
