/* Opening a picture: as a scan, or straightened as a photograph.
 *
 * Which of the two it is, the picture itself says: a rule that reads evenly and squarely all along was scanned. Files
 * of cameras that state an exposure are taken for photographs at once.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "check_internal.h"
#include "slotproof/rule.h"

/* A stated resolution of a scanner, and how near to it the rule must come for the picture to be its scan. */
static const double LEAST_SCAN_DPI = 150.0, SCAN_NEAR = 0.03;

/* A distance so many times beyond those of a camera's profile is worth a word. */
static const double FAR_OFF = 1.5;

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
  for (int k = 0; k < SP_GRADUATION_PATTERNS; k++) {
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

static sp_photo_lens calibrated_lens(const opened_picture *open, const sp_profile *profile)
{
  sp_lens lens, u;
  sp_lens_upright(profile, open->info.orientation, &lens, &u);
  return sp_photo_lens_calibrated(&lens, &u, &open->picture);
}

/* Strokes pointed at in the picture as taken, where the straightened one has them. */
static sp_status straighten_strokes(const opened_picture *open, sp_reference_options *options, sp_told_stroke **moved,
                                    sp_error *err)
{
  *moved = calloc(options->stroke_count + 1, sizeof **moved);
  if (!*moved)
    return sp_fail_memory(err);
  for (size_t i = 0; i < options->stroke_count; i++)
    (*moved)[i] =
        (sp_told_stroke){sp_photo_straight_px(&open->photo, options->strokes[i].at_px), options->strokes[i].reading_mm};
  options->strokes = *moved;
  return SP_OK;
}

/* Reads the scale in the straightened picture and puts that in the place of what was read before. */
static sp_status read_straightened(opened_picture *open, const sp_reference_options *options, sp_error *err)
{
  sp_scene scene = {0};
  sp_reference reference = {0};
  sp_told_stroke *strokes = NULL;
  sp_reference_options there = *options;
  there.straightened = true;
  const sp_picture_info unstated = {.stated_dpi_x = 0.0};
  sp_status status = straighten_strokes(open, &there, &strokes, err);
  if (!status)
    status = read_reference(&open->photo.straight, &unstated, &there, &scene, &reference, err);
  free(strokes);
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
  open->calibrated = options->profile && options->profile->kind == SP_PROFILE_CAMERA;
  return SP_OK;
}

/* The tags need not be sought again: where each lies in the straightened picture is known. */
static void straighten_tags(const sp_photo *photo, sp_strip_tag *tags, size_t count)
{
  for (size_t i = 0; i < count; i++) {
    for (int c = 0; c < 4; c++)
      tags[i].corner_px[c] = sp_photo_straight_px(photo, tags[i].corner_px[c]);
    tags[i].centre_px = sp_photo_straight_px(photo, tags[i].centre_px);
  }
}

/* `seen`: there is something of a strip in the picture. */
static sp_status read_by_strip(opened_picture *open, const sp_reference_options *options, const sp_photo_lens *lens,
                               bool *seen, sp_error *err)
{
  sp_strip_sight sight = {0};
  sp_reference_options there = *options;
  sp_status status =
      check_straighten_by_strip(&open->picture, focal_35mm(open), lens, options, &open->photo, &sight, err);
  if (!status && open->photo.found) {
    straighten_tags(&open->photo, sight.tags, sight.tags_seen);
    there.tags = sight.tags;
    there.tag_count = sight.tags_seen;
    status = read_straightened(open, &there, err);
  }
  *seen = status || sight.tags_seen > 0 || sight.mirrored;
  sp_strip_sight_free(&sight);
  return status;
}

/* By a printed strip: its graduations say both coordinates and which is which, where a rule's have to be counted. Where
 * there is none, or it gives no scale, by a rule. `read_flat`: it was read as a scan before, in vain. */
static sp_status read_as_photo(opened_picture *open, const sp_reference_options *options, bool read_flat, sp_error *err)
{
  const bool calibrated = options->profile && options->profile->kind == SP_PROFILE_CAMERA;
  const sp_photo_lens known = calibrated ? calibrated_lens(open, options->profile) : (sp_photo_lens){.prior = {0}};
  const sp_photo_lens *lens = calibrated ? &known : NULL;
  sp_status status = SP_OK;
  bool seen = options->kind == SP_REFERENCE_RULE || !(read_flat && open->reference.no_tag);
  if (options->kind != SP_REFERENCE_RULE && seen) /* else it would be the same glance at the same picture */
    status = read_by_strip(open, options, lens, &seen, err);
  if (status || open->reference.map.known || options->kind == SP_REFERENCE_STRIP)
    return status;
  sp_photo by_rule = {0};
  status = sp_photo_straighten(&open->picture, focal_35mm(open), lens, &by_rule, err);
  if (status || !by_rule.found || (read_flat && is_scan(&open->info, &by_rule))) {
    sp_photo_free(&by_rule);
    return status;
  }
  sp_photo_free(&open->photo);
  open->photo = by_rule;
  const sp_strip_tag none = {0};
  sp_reference_options there = *options;
  there.tags = seen ? options->tags : &none; /* what the picture does not show need not be sought in it straightened */
  return read_straightened(open, &there, err);
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

/* A scanner's is the scale; a camera's counts where there was a photograph to straighten. */
static void name_profile(const opened_picture *open, const sp_profile *p, sp_reference_record *r)
{
  const bool used = p && (p->kind == SP_PROFILE_CAMERA ? open->straightened : r->kind == SP_REFERENCE_PROFILE);
  if (used)
    snprintf(r->profile, sizeof r->profile, "%s", p->name);
}

/* A camera's profile helps only where the picture was taken for a photograph; and only near the distance it was made
 * at, because focusing changes the lens. */
static sp_status warn_profile(const opened_picture *open, const sp_profile *p, sp_record *record, sp_error *err)
{
  if (!p || p->kind != SP_PROFILE_CAMERA)
    return SP_OK;
  if (!open->straightened)
    return sp_record_warn(record, err,
                          "the camera's profile was not used: the picture was not read as a photograph with a rule");
  const double distance = check_distance_mm(open);
  if (distance < p->camera.near_mm / FAR_OFF || distance > p->camera.far_mm * FAR_OFF)
    return sp_record_warn(record, err,
                          "the camera's profile was made from %.0f to %.0f mm, this picture was taken from about %.0f "
                          "mm: focused so differently, a lens draws differently; make a profile at this distance",
                          p->camera.near_mm, p->camera.far_mm, distance);
  return SP_OK;
}

static void hand_over(opened_picture *open, sp_record *record)
{
  record->reference = open->reference.record;
  open->reference.record.graduations = NULL;
  open->reference.record.graduation_count = 0;
}

sp_status check_draw_whole(opened_picture *open, const sp_reference_options *options, sp_record *record, sp_error *err)
{
  if (!open->straightened || !(open->photo.cut[0] || open->photo.cut[1]))
    return SP_OK;
  sp_raster_free(&open->painted);
  sp_status status = sp_photo_draw_whole(&open->picture, &open->photo, err);
  if (!status)
    status = read_straightened(open, options, err);
  if (status)
    return status;
  free(record->reference.graduations);
  hand_over(open, record);
  name_profile(open, options->profile, &record->reference);
  return SP_OK;
}

const char *check_last_part(const char *path)
{
  const char *slash = strrchr(path, '/');
  return slash && slash[1] ? slash + 1 : path;
}

void check_tell(const sp_check_progress *progress, sp_check_stage stage)
{
  if (progress && progress->call)
    progress->call(progress->context, stage);
}

sp_status check_open(const char *path, const sp_reference_options *options, const sp_read_options *read,
                     const sp_check_progress *progress, sp_record *record, opened_picture *open, sp_error *err)
{
  memset(open, 0, sizeof *open);
  check_tell(progress, SP_CHECK_READING);
  sp_status status = sp_read_picture(path, read, &open->picture, &open->info, err);
  if (status)
    return status;
  check_tell(progress, SP_CHECK_SCALE);
  const sp_raster *r = &open->picture;
  status = sp_record_add_source(record, path, r->width_px, r->height_px, mean_stated(&open->info), err);
  if (!status && too_small(r))
    status = sp_fail(err, SP_E_DATA, "the picture is only %u x %u pixels; scan the board at 600 dpi", r->width_px,
                     r->height_px);
  if (!status && options->profile)
    status = sp_profile_fits(options->profile, &open->info, r->width_px, r->height_px, err);
  if (!status)
    status = read_scale(open, options, err);
  if (!status)
    status = warn_profile(open, options->profile, record, err);
  if (status)
    return status;
  hand_over(open, record);
  name_profile(open, options->profile, &record->reference);
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
