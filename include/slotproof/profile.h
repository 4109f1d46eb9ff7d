/* slotproof/profile.h: a scanner or a camera as calibrated: kept in a file, read back, held against a picture.
 *
 * Written as JSON (RFC 8259), schema "slotproof/profile/1":
 *   schema, version (of the program), kind ("camera" or "scanner"),
 *   device    {make, model, focal_35mm}            as the pictures state them, null where they do not
 *   width_px, height_px                            of the pictures: of a camera as stored, before the orientation is
 *                                                  applied; of a scanner upright
 *   camera    {f_px, cx_px, cy_px, k1, k2, p1, p2} camera.h's model, in the frame of the picture as stored
 *   u         the same names: standard uncertainties (k = 1)
 *   rms_px, pictures, corners, near_mm, far_mm     how well, from how much, from how near and far (null: not told)
 * or, of a scanner,
 *   stated_dpi [x, y]
 *   mpe_mm                                         what the rule may be wrong by over each axis's span
 *   axes      {"x": AXIS or null, "y": AXIS or null}, AXIS being
 *     {px_per_mm, u_relative, uneven_mm, scans, span_mm, repeat_mm, turned_mm, u_px: [...], departure_mm: [...]}
 * Lengths in mm, places in px of the picture, (0,0) being the centre of the top-left pixel.
 *
 * A profile is a measurement of one device on one day. Whether it still holds is for the user to check
 * (calibration/profiles.md); whether it was made for pictures like this one, sp_profile_fits tells.
 */
#ifndef SLOTPROOF_PROFILE_H
#define SLOTPROOF_PROFILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/raster.h"
#include "slotproof/reading.h"
#include "slotproof/status.h"

typedef enum sp_profile_kind { SP_PROFILE_CAMERA, SP_PROFILE_SCANNER } sp_profile_kind;

/* What a lens does, or the standard uncertainties of that. Square pixels; see camera.h. */
typedef struct sp_lens {
  double f_px, cx_px, cy_px, k1, k2, p1, p2;
} sp_lens;

typedef struct sp_profile_camera {
  sp_lens lens, u; /* in the frame of the picture as stored */
  double rms_px;   /* of the chessboard's corners about the lens */
  uint32_t pictures, corners;
  double near_mm, far_mm; /* from camera to chessboard; NAN where the squares were not told */
} sp_profile_camera;

enum { SP_PROFILE_KNOTS = 160, SP_PROFILE_LEAST_KNOTS = 4, SP_PROFILE_NAME_TEXT = 120 };

/* A scanner along one axis of the picture: mm = (u - u_px[0]) / px_per_mm + departure_mm(u). */
typedef struct sp_profile_axis {
  bool known;
  double px_per_mm;
  double u_relative; /* of px_per_mm from scan to scan, k = 1; what the rule may be wrong by comes on top */
  double uneven_mm;  /* standard deviation of what the departure leaves: it did not repeat, or may be the rule's */
  uint32_t scans;
  double span_mm;   /* that every scan showed */
  double repeat_mm; /* rms by which scans in one position differ; NAN: there was one each */
  double turned_mm; /* rms of half the difference between turned and not turned: the rule's own unevenness in it */
  size_t count;     /* of knots */
  double u_px[SP_PROFILE_KNOTS], departure_mm[SP_PROFILE_KNOTS];
} sp_profile_axis;

typedef struct sp_profile {
  sp_profile_kind kind;
  char make[SP_DEVICE_TEXT], model[SP_DEVICE_TEXT]; /* "" = not stated */
  double focal_35mm;                                /* NAN = not stated */
  char name[SP_PROFILE_NAME_TEXT];                  /* last part of the file it was read from; "" = it was not */
  uint32_t width_px, height_px;
  sp_profile_camera camera;
  double stated_dpi[2]; /* x, y; NAN = not stated */
  double mpe_mm;
  sp_profile_axis axis[2]; /* along x, along y */
} sp_profile;

/* All unknown. */
void sp_profile_init(sp_profile *profile, sp_profile_kind kind);

/* Writes the object and flushes. SP_E_IO, SP_E_INTERNAL for lack of memory. */
sp_status sp_profile_write(const sp_profile *profile, FILE *file, sp_error *err);

/* Reads one. SP_E_NOINPUT, SP_E_IO, or SP_E_DATA where it is none, or holds a value no device can have. */
sp_status sp_profile_read(const char *path, sp_profile *profile, sp_error *err);
/* The same from memory; `text` need not be terminated. */
sp_status sp_profile_parse(const char *text, size_t length, sp_profile *profile, sp_error *err);

/* SP_E_DATA with a sentence unless the profile was made for pictures like this one: same size, same stated resolution
 * (scanners), same focal length, make and model as far as both state them. `width_px` and `height_px` are those of the
 * upright picture. */
sp_status sp_profile_fits(const sp_profile *profile, const sp_picture_info *info, uint32_t width_px, uint32_t height_px,
                          sp_error *err);

/* ---- stored and upright ---- */

/* Where a place of the upright picture lies in the picture as stored, `orientation` being EXIF's 1..8 and the size that
 * of the picture as stored; and the reverse. */
sp_point sp_stored_px(sp_point upright, int orientation, uint32_t stored_width_px, uint32_t stored_height_px);
sp_point sp_upright_px(sp_point stored, int orientation, uint32_t stored_width_px, uint32_t stored_height_px);

/* The same lens seen in the upright picture; `u` (may be NULL) its uncertainties likewise. (p2, p1) turns as a
 * direction does. */
void sp_lens_upright(const sp_profile *profile, int orientation, sp_lens *lens, sp_lens *u);

#endif
