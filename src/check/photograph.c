/* What photographs need besides: lines carried over from the straightened picture.
 *
 * The straightened picture is that of the rule's plane. A board whose face lies h deeper is drawn smaller by
 * D / (D + h), D being the camera's distance from the rule's plane (similar triangles); a radiused board, on the mean
 * over its width w, lies another w^2 / (24 r) deeper than its crown.
 */
#include <math.h>
#include <stdlib.h>

#include "check_internal.h"

static const double DEG = 57.29577951308232;

/* ---- the board's face against the rule's plane ----------------------------------------------------------------------
 */

/* The camera's unit of length, which is some stroke's distance from the next, in mm. */
static double unit_mm(const opened_picture *open)
{
  return open->reference.map.across_mm_per_px / open->photo.pitch;
}

/* The camera's distance from the rule's plane, mm: as told, else as fitted; and its relative uncertainty. */
static double distance_mm(const opened_picture *open, const sp_reference_options *o, double *u_relative)
{
  const sp_camera_view view = sp_camera_view_of(&open->photo.camera);
  sp_point foot;
  *u_relative = 0.02;
  if (o->camera_distance_mm > 0.0)
    return o->camera_distance_mm;
  *u_relative = open->calibrated ? 0.01 : open->info.focal_35mm > 0.0 ? 0.05 : 0.25;
  return sp_camera_distance(&view, &foot) * unit_mm(open);
}

double check_distance_mm(const opened_picture *open)
{
  const sp_camera_view view = sp_camera_view_of(&open->photo.camera);
  sp_point foot;
  return open->reference.map.known ? sp_camera_distance(&view, &foot) * unit_mm(open) : NAN;
}

/* By how much the lines lie deeper than the rule's plane, mm; 0 where nothing was said. */
static double depth_mm(const sp_reference_options *o, double width_mm)
{
  const double height = isnan(o->height_mm) ? 0.0 : o->height_mm;
  return height + (o->radius_mm > 0.0 ? width_mm * width_mm / (24.0 * o->radius_mm) : 0.0);
}

/* The place on the plane `depth` (graduations) below the rule's that is drawn at a straight place, in straight px. */
static sp_point deepened(const opened_picture *open, sp_point straight, double depth, double stretch)
{
  const sp_photo *p = &open->photo;
  const sp_camera_view view = sp_camera_view_of(&p->camera);
  sp_point foot;
  const double distance = sp_camera_distance(&view, &foot) * stretch;
  const sp_point f = {(foot.x - p->left) / p->pitch, (foot.y - p->top) / p->pitch};
  const double grow = depth / distance;
  return (sp_point){straight.x + grow * (straight.x - f.x), straight.y + grow * (straight.y - f.y)};
}

/* A distance known to a part u makes the correction for depth wrong by that part of it: one more doubt of the scale. */
static void doubt_of_depth(opened_picture *open, double depth_mm_, double distance, double u_relative)
{
  sp_scale_map *map = &open->reference.map;
  const double u_slope = map->weights[1] * depth_mm_ / distance * u_relative;
  map->covariance[map->terms + 1] += u_slope * u_slope;
}

/* ---- lines ---------------------------------------------------------------------------------------------------------
 */

/* How each stroke of the rule lay on the picture's pixels, where the rule lies along x. Taken as square to it: as it
 * was read, it has in it what is looked for. */
static void find_waves(opened_picture *open)
{
  const sp_reference *ref = &open->reference;
  for (size_t i = 0; i < ref->lean_count; i++) {
    sp_lean *l = &ref->leans[i];
    const double half = 0.5 * l->length_px, du = -half * ref->line_slope;
    if (!(half > 0.0))
      continue;
    sp_lean_waves(l, sp_photo_picture_px(&open->photo, (sp_point){l->middle_u_px - du, l->middle_v_px - half}),
                  sp_photo_picture_px(&open->photo, (sp_point){l->middle_u_px + du, l->middle_v_px + half}),
                  sp_photo_picture_px(&open->photo, (sp_point){l->middle_u_px + 1.0, l->middle_v_px}));
  }
}

static sp_status fit_square(opened_picture *open, const sp_marks *marks, size_t n, sp_error *err)
{
  double *work = malloc((3 * n + 1) * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n; i++) {
    work[i] = marks->marks[i].u_px;
    work[n + i] = marks->marks[i].slope;
    work[2 * n + i] = marks->marks[i].u_slope;
  }
  find_waves(open);
  const sp_status status = sp_reference_square(&open->reference, work, work + n, work + 2 * n, n, err);
  free(work);
  return status;
}

/* u where the line square to the rule through (u, v) crosses the line on which the scale was read... */
static double squared_u(const sp_square_map *s, double u, double v)
{
  return u - sp_square_map_lean(s, u) * (v - s->v0_px - s->slope * u);
}

static void square_mark(const opened_picture *open, double depth, double stretch, double *u, double *v, double *slope)
{
  const sp_square_map *s = &open->reference.square;
  const double at = *u, lean = sp_square_map_lean(s, at);
  sp_point p = {squared_u(s, at, *v), *v};
  *slope -= lean;
  if (depth != 0.0)
    p = deepened(open, p, depth, stretch);
  *u = p.x;
  *v = p.y;
}

/* A side of the board as it would lie at the rule's height. */
static void deepen_side(const opened_picture *open, double depth, double stretch, sp_lengthwise *side)
{
  const double last = open->scene.raster->width_px - 1.0;
  const sp_point a = deepened(open, (sp_point){0.0, side->at_px}, depth, stretch);
  const sp_point b = deepened(open, (sp_point){last, side->at_px + side->slope * last}, depth, stretch);
  side->slope = (b.y - a.y) / (b.x - a.x);
  side->at_px = a.y - side->slope * a.x;
}

static void deepen_board(const opened_picture *open, double depth, double stretch, sp_board *b)
{
  if (depth == 0.0)
    return;
  deepen_side(open, depth, stretch, &b->side[0]);
  deepen_side(open, depth, stretch, &b->side[1]);
  deepen_side(open, depth, stretch, &b->centre);
}

/* Fanned lines say nothing of what is square. */
sp_status check_square_lines(opened_picture *open, const sp_reference_options *o, bool fanned, sp_marks *marks,
                             sp_error *err)
{
  if (!open->straightened || !open->reference.map.known || marks->along != SP_ALONG_X)
    return SP_OK;
  const sp_status status = fit_square(open, marks, fanned ? 0 : marks->count, err);
  if (status || !open->reference.square.known)
    return status;
  const sp_board *b = &marks->board;
  const double width_mm = (b->side[1].at_px - b->side[0].at_px) * open->reference.map.across_mm_per_px;
  const double depth = depth_mm(o, width_mm) / unit_mm(open);
  double u_relative;
  const double distance = distance_mm(open, o, &u_relative), stretch = distance / check_distance_mm(open);
  doubt_of_depth(open, depth_mm(o, width_mm), distance, u_relative);
  for (size_t i = 0; i < marks->count; i++)
    square_mark(open, depth, stretch, &marks->marks[i].u_px, &marks->marks[i].v_px, &marks->marks[i].slope);
  deepen_board(open, depth, stretch, &marks->board);
  for (int e = 0; e < 2; e++)
    if (marks->board.end[e].found) {
      sp_board_end *end = &marks->board.end[e];
      square_mark(open, depth, stretch, &end->u_px, &end->v_px, &end->slope);
    }
  return SP_OK;
}

/* ---- back in the picture -------------------------------------------------------------------------------------------
 */

/* A place of the record is one of squared lines: undo that, then draw it with the camera. */
static void to_picture(const opened_picture *open, sp_point *p)
{
  const sp_square_map *s = &open->reference.square;
  if (isnan(p->x))
    return;
  const double u = p->x + (s->known ? sp_square_map_lean(s, p->x) * (p->y - s->v0_px - s->slope * p->x) : 0.0);
  *p = sp_photo_picture_px(&open->photo, (sp_point){u, p->y});
}

/* A place on the rule is where it is. */
static void rule_to_picture(const opened_picture *open, sp_point *p)
{
  if (!isnan(p->x))
    *p = sp_photo_picture_px(&open->photo, *p);
}

static void place_reference(const opened_picture *open, sp_reference_record *r)
{
  rule_to_picture(open, &r->first_px);
  rule_to_picture(open, &r->last_px);
  for (size_t i = 0; i < r->graduation_count; i++)
    rule_to_picture(open, &r->graduations[i].at_px);
  if (r->span_mm > 0.0)
    r->px_per_mm = hypot(r->last_px.x - r->first_px.x, r->last_px.y - r->first_px.y) / r->span_mm;
}

/* A line some pixels wide has a width; one that the lens has spread over them has none that could be told. */
static const double LEAST_WIDTH_PX = 4.0;

static void drop_unseen_width(const sp_record *record, sp_mark_record *m)
{
  if (record->marks_kind == SP_MARK_KNIFE && !(m->width_mm * record->reference.px_per_mm >= LEAST_WIDTH_PX))
    m->width_mm = m->u_width_mm = NAN;
}

static void describe_camera(const opened_picture *open, const sp_reference_options *o, sp_camera_record *c)
{
  double unused;
  const sp_camera_view view = sp_camera_view_of(&open->photo.camera);
  c->known = true;
  c->tilt_deg = acos(fmin(1.0, fabs(view.r[8]))) * DEG;
  c->distance_mm = open->reference.map.known ? distance_mm(open, o, &unused) : NAN;
  c->focal_px = open->photo.camera.f_px;
  c->distortion = open->photo.camera.k1;
  c->fit_rms_px = open->photo.fit_rms_px;
  c->edge_strokes = open->reference.edge_lean_count;
}

void check_place_in_picture(const opened_picture *open, const sp_reference_options *o, sp_record *record)
{
  if (!open->straightened)
    return;
  place_reference(open, &record->reference);
  for (size_t i = 0; i < record->mark_count; i++) {
    to_picture(open, &record->marks[i].end_a_px);
    to_picture(open, &record->marks[i].end_b_px);
    to_picture(open, &record->marks[i].centre_px);
    for (int e = 0; record->marks[i].edges_known && e < SP_EDGES; e++)
      to_picture(open, &record->marks[i].edge[e].at_px);
    drop_unseen_width(record, &record->marks[i]);
  }
  to_picture(open, &record->nut_behind.end_a_px);
  to_picture(open, &record->nut_behind.end_b_px);
  for (size_t i = 0; i < record->stray_count; i++) {
    to_picture(open, &record->strays[i].end_a_px);
    to_picture(open, &record->strays[i].end_b_px);
  }
  to_picture(open, &record->nut_px);
  to_picture(open, &record->bridgeward_px);
  for (int i = 0; i < 4; i++)
    to_picture(open, &record->outline_px[i]);
  describe_camera(open, o, &record->camera);
}

/* Coarser than this a line of a tenth of a millimetre is less than a pixel wide. */
static const double COARSE_PX_PER_MM = 7.5, ENOUGH_PX_PER_MM = 8.0;
static const double SOFT_MM = 0.16;
/* A doubt (k = 1) that is worth a warning. */
static const double WORTH_MM = 0.02;

static sp_status warn_coarse(double px_per_mm, double distance, sp_record *record, sp_error *err)
{
  if (px_per_mm >= COARSE_PX_PER_MM)
    return SP_OK;
  return sp_record_warn(record, err,
                        "the picture is coarse (%.1f px per mm): hold the camera at %.0f mm instead of about %.0f mm, "
                        "or photograph a shorter part of the board, for %.0f px per mm",
                        px_per_mm, distance * px_per_mm / ENOUGH_PX_PER_MM, distance, ENOUGH_PX_PER_MM);
}

sp_status check_warn_photo(const opened_picture *open, const sp_reference_options *o, double blur_px, sp_record *record,
                           sp_error *err)
{
  if (!open->straightened || !open->reference.map.known)
    return SP_OK;
  double u_relative;
  const double px_per_mm = record->reference.px_per_mm;
  const double distance = distance_mm(open, o, &u_relative), half = 0.5 * record->reference.span_mm;
  sp_status status = warn_coarse(px_per_mm, distance, record, err);
  if (!status && blur_px / px_per_mm > SOFT_MM)
    status = sp_record_warn(record, err,
                            "the picture is soft (blur %.2f mm); rest the camera on something and focus on the board",
                            blur_px / px_per_mm);
  const double doubt = half * fabs(o->height_mm) / distance * u_relative;
  if (!status && !isnan(o->height_mm) && doubt > WORTH_MM)
    status = sp_record_warn(record, err,
                            "the height of the rule is corrected with a camera distance known to %.0f %% only, which "
                            "leaves %.2f mm of doubt (k = 1) on %.0f mm; measure it and say --camera-distance, or make "
                            "a profile of the camera",
                            100.0 * u_relative, doubt, half);
  if (!status && isnan(o->height_mm))
    status = sp_record_warn(
        record, err,
        "a photograph is measured as if the rule lay flush with the board's face: a rule 1 mm lower or higher makes "
        "%.0f mm of this board wrong by %.2f mm; say --reference-height 0mm if it is flush, or how much higher it lies",
        half, half / distance);
  return status;
}
