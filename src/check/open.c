/* Opening a picture: as a scan, or straightened as a photograph.
 *
 * Which of the two it is, the picture itself says: a rule that reads evenly and squarely all along was scanned. Files
 * of cameras that state an exposure are taken for photographs at once.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "check_internal.h"
#include "slotproof/rule.h"
#include "slotproof/strip.h"

/* A stated resolution of a scanner, and how near to it the rule must come for the picture to be its scan. */
static const double LEAST_SCAN_DPI = 150.0, SCAN_NEAR = 0.03;

static double mean_stated(const sp_picture_info *info)
{
  if (info->stated_dpi_x > 0.0 && info->stated_dpi_y > 0.0)
    return 0.5 * (info->stated_dpi_x + info->stated_dpi_y);
  return NAN;
}

static bool too_small(const sp_raster *r)
{
  const uint32_t longer = r->width_px > r->height_px ? r->width_px : r->height_px;
  const uint32_t shorter = r->width_px > r->height_px ? r->height_px : r->width_px;
  return longer < 200 || shorter < 60;
}

static sp_status read_reference(const sp_raster *raster, const sp_picture_info *info,
                                const sp_reference_options *options, sp_scene *scene, sp_reference *reference,
                                sp_error *err)
{
  const sp_status status = sp_scene_create(raster, scene, err);
  return status ? status : sp_reference_read(scene, info->stated_dpi_x, info->stated_dpi_y, options, reference, err);
}

/* A scan whose rule could not be used (two kinds of graduation fit, say) is no photograph. */
static bool is_scan(const sp_picture_info *info, const sp_photo *photo)
{
  for (int k = 0; k < SP_GRADUATION_KINDS; k++) {
    const double dpi = 25.4 / (photo->pitch * SP_GRADUATION_MM_OF[k]);
    if (info->stated_dpi_x >= LEAST_SCAN_DPI && fabs(dpi / info->stated_dpi_x - 1.0) < SCAN_NEAR)
      return true;
  }
  return false;
}

static double focal_35mm(const opened_picture *open)
{
  return open->info.focal_35mm > 0.0 ? open->info.focal_35mm : NAN;
}

/* The strip's piece of which most is seen, or NULL. */
static const sp_strip_piece *largest_piece(const sp_strip_sight *sight)
{
  enum { LEAST_GRADUATIONS = 40 };
  const sp_strip_piece *best = NULL;
  for (size_t i = 0; i < sight->piece_count; i++)
    if (sight->piece[i].graduations >= LEAST_GRADUATIONS && (!best || sight->piece[i].graduations > best->graduations))
      best = &sight->piece[i];
  return best;
}

/* What one piece shows of the plane: X and Y of its graduations, Y of its far rail. */
static size_t sight_piece(const sp_strip_sight *sight, int32_t piece, sp_camera_sighting *out, sp_photo_known *known)
{
  const double floor_px = 0.03;
  size_t n = 0;
  const sp_strip_point *first = NULL, *last = NULL;
  for (size_t i = 0; i < sight->point_count; i++) {
    const sp_strip_point *p = &sight->points[i];
    const sp_point at = {p->x_px, p->y_px};
    if (p->piece != piece || p->kind == SP_STRIP_TAG_CENTRE)
      continue;
    if (p->kind == SP_STRIP_GRADUATION) {
      out[n++] = (sp_camera_sighting){at, false, p->X_mm, hypot(p->sd_px, floor_px)};
      first = first ? first : p;
      last = p;
    }
    out[n++] = (sp_camera_sighting){at, true, p->Y_mm, hypot(p->sd_across_px, 2.0 * floor_px)};
  }
  if (!first || first == last)
    return 0;
  const double span = last->X_mm - first->X_mm;
  const sp_point unit = {(last->x_px - first->x_px) / span, (last->y_px - first->y_px) / span};
  known->first = first->X_mm;
  known->last = last->X_mm;
  known->at_px = (sp_point){0.5 * (first->x_px + last->x_px), 0.5 * (first->y_px + last->y_px)};
  known->ahead_px = (sp_point){known->at_px.x + unit.x, known->at_px.y + unit.y};
  return n;
}

/* A photograph with a printed strip in it: made square by the strip. */
static sp_status straighten_by_strip(const opened_picture *open, sp_photo *photo, sp_error *err)
{
  sp_strip_sight sight = {0};
  sp_photo_known known = {0};
  sp_status status = sp_strip_look(&open->picture, SP_STRIP_LOOK, &sight, err);
  const sp_strip_piece *piece = status ? NULL : largest_piece(&sight);
  sp_camera_sighting *list = piece ? calloc(2 * sight.point_count, sizeof *list) : NULL;
  if (piece && !list)
    status = sp_fail_memory(err);
  if (list) {
    known.count = sight_piece(&sight, piece->piece, list, &known);
    known.sightings = list;
    if (known.count)
      status = sp_photo_straighten_by(&open->picture, focal_35mm(open), &known, photo, err);
  }
  free(list);
  sp_strip_sight_free(&sight);
  return status;
}

/* Reads the scale in the straightened picture and puts that in the place of what was read before. */
static sp_status read_straightened(opened_picture *open, const sp_reference_options *options, sp_error *err)
{
  sp_scene scene = {0};
  sp_reference reference = {0};
  const sp_picture_info unstated = {.stated_dpi_x = 0.0};
  const sp_status status = read_reference(&open->photo.straight, &unstated, options, &scene, &reference, err);
  if (status) {
    sp_scene_free(&scene);
    sp_reference_free(&reference);
    return status;
  }
  sp_scene_free(&open->scene);
  sp_reference_free(&open->reference);
  open->scene = scene;
  open->reference = reference;
  open->straightened = true;
  return SP_OK;
}

/* By the rule; where that gives no scale, by a printed strip. `read_flat`: it was read as a scan before, in vain. */
static sp_status read_as_photo(opened_picture *open, const sp_reference_options *options, bool read_flat, sp_error *err)
{
  sp_status status = SP_OK;
  if (options->kind != SP_REFERENCE_STRIP) {
    status = sp_photo_straighten(&open->picture, focal_35mm(open), &open->photo, err);
    if (status || (open->photo.found && read_flat && is_scan(&open->info, &open->photo)))
      return status;
    if (open->photo.found)
      status = read_straightened(open, options, err);
    if (status || open->reference.map.known || options->kind == SP_REFERENCE_RULE)
      return status;
  }
  sp_photo by_strip = {0};
  status = straighten_by_strip(open, &by_strip, err);
  if (status || !by_strip.found)
    return status;
  sp_photo_free(&open->photo);
  open->photo = by_strip;
  return read_straightened(open, options, err);
}

static sp_status read_scale(opened_picture *open, const sp_reference_options *options, sp_error *err)
{
  const bool may_be_photo =
      options->kind == SP_REFERENCE_NONE || options->kind == SP_REFERENCE_RULE || options->kind == SP_REFERENCE_STRIP;
  sp_status status = SP_OK;
  bool flat = !(may_be_photo && open->info.is_photograph);
  if (flat)
    status = read_reference(&open->picture, &open->info, options, &open->scene, &open->reference, err);
  if (!status && may_be_photo && !open->reference.map.known)
    status = read_as_photo(open, options, flat, err);
  if (!status && !flat && !open->straightened)
    status = read_reference(&open->picture, &open->info, options, &open->scene, &open->reference, err);
  return status;
}

sp_status check_open(const char *path, const sp_reference_options *options, const sp_read_options *read,
                     sp_record *record, opened_picture *open, sp_error *err)
{
  memset(open, 0, sizeof *open);
  sp_status status = sp_read_picture(path, read, &open->picture, &open->info, err);
  if (status)
    return status;
  const sp_raster *r = &open->picture;
  status = sp_record_add_source(record, path, r->width_px, r->height_px, mean_stated(&open->info), err);
  if (!status && too_small(r))
    status = sp_fail(err, SP_E_DATA, "the picture is only %u x %u pixels; scan the board at 600 dpi", r->width_px,
                     r->height_px);
  if (!status)
    status = read_scale(open, options, err);
  if (status)
    return status;
  record->reference = open->reference.record;
  open->reference.record.graduations = NULL; /* handed over */
  open->reference.record.graduation_count = 0;
  if (open->reference.reason[0])
    status = sp_record_warn(record, err, "no scale: %s", open->reference.reason);
  if (!status && open->reference.warning[0])
    status = sp_record_warn(record, err, "%s", open->reference.warning);
  return status;
}

const sp_raster *check_measured(const opened_picture *open)
{
  return open->straightened ? &open->photo.straight : &open->picture;
}

void check_close(opened_picture *open, sp_raster *out, bool keep)
{
  sp_scene_free(&open->scene);
  sp_reference_free(&open->reference);
  sp_photo_free(&open->photo);
  sp_raster_free(&open->painted);
  if (keep && out)
    *out = open->picture;
  else
    sp_raster_free(&open->picture);
}
