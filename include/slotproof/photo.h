/* slotproof/photo.h: a photograph made into a picture as a flatbed would have taken it.
 *
 * A lens draws a board by perspective and bends straight lines; held in the hand it may stand at any angle. What a
 * photograph shows of a rule (some hundred graduations, evenly spaced on a straight edge, each square to it) tells how
 * it was taken. With that the picture is drawn anew, seen square from above, at one scale: all that follows (scene,
 * reference, marks) works on that straightened picture as on a scan. What the camera model leaves over is small, and
 * the rule is read again there.
 *
 * Frames: picture px are the photograph's own (upright); straight px those of the straightened raster. Both have (0,0)
 * at the centre of the top-left pixel. The rule lies along straight x.
 */
#ifndef SLOTPROOF_PHOTO_H
#define SLOTPROOF_PHOTO_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/camera.h"
#include "slotproof/profile.h"
#include "slotproof/raster.h"
#include "slotproof/status.h"

typedef struct sp_photo {
  bool found;             /* a rule was found and the picture straightened */
  sp_raster straight;     /* 16 bits; owned */
  sp_camera camera;       /* unit of length: one graduation of the rule */
  double pitch;           /* graduations a straight px */
  double left, top;       /* the board-frame place of straight (0, 0), in graduations */
  double whole[4];        /* what could have been drawn: least and greatest place along, across; in graduations */
  bool cut[2];            /* less was drawn: above, below, where no lines across the rule were seen */
  double px_per_unit_min; /* least picture px a graduation within the rule's span */
  double fit_rms_px;      /* of the graduations about the camera model, picture px */
  size_t strokes_used;
  char reason[240]; /* why not found; one sentence */
} sp_photo;

/* What is known of the lens beforehand: of `camera` the pose does not count, p1 and p2 are kept as they are. */
typedef struct sp_photo_lens {
  sp_camera camera;
  sp_camera_prior prior;
} sp_photo_lens;

/* By a calibrated lens as seen in the upright picture, and its standard uncertainties, widened by what changes from
 * picture to picture: focusing moves the lens, stabilisation moves the sensor. */
sp_photo_lens sp_photo_lens_calibrated(const sp_lens *lens, const sp_lens *u, const sp_raster *picture);

/* `focal_35mm` is the focal length in terms of a 36 x 24 mm picture as files of phones state it; NAN = not stated.
 * `lens` may be NULL: then nothing is known of it but that. Not finding a rule is no error: found is false and `reason`
 * says why. Free with sp_photo_free. */
sp_status sp_photo_straighten(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens, sp_photo *photo,
                              sp_error *err);

/* Draws `straight` once more with nothing cut away: for who finds that the cut has hurt something. */
sp_status sp_photo_draw_whole(const sp_raster *picture, sp_photo *photo, sp_error *err);

/* The same by places on the plane that are known already (a printed strip's), whatever the unit of length. `first` and
 * `last` are the ends along X of what is of interest; `at` and `ahead` are drawn where X is midway and one unit more.
 */
typedef struct sp_photo_known {
  const sp_camera_sighting *sightings; /* not owned */
  size_t count;
  double first, last;
  sp_point at_px, ahead_px;
  double u_stretch; /* of what was sighted, across: see sp_camera_prior */
  const sp_camera_body *body; /* about where further bodies lie, see sp_camera_fit_bodies; not owned */
  size_t body_count;
} sp_photo_known;
sp_status sp_photo_straighten_by(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens,
                                 const sp_photo_known *known, sp_photo *photo, sp_error *err);
/* The camera alone, without drawing, and by how much what was sighted is stretched across: for who knows more places
 * once he has it. */
sp_status sp_photo_camera_by(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens,
                             const sp_photo_known *known, sp_camera *camera, double *stretch, sp_error *err);
void sp_photo_free(sp_photo *photo);

/* The picture place of a straight one, and back; NAN where there is none. */
sp_point sp_photo_picture_px(const sp_photo *photo, sp_point straight_px);
sp_point sp_photo_straight_px(const sp_photo *photo, sp_point picture_px);

#endif
