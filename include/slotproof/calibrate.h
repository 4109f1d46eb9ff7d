/* slotproof/calibrate.h: a profile of a camera from photographs of a chessboard, of a scanner from scans of a rule.
 *
 * Chains reading, bridge and reference; what a profile says and how it is kept stands in profile.h.
 */
#ifndef SLOTPROOF_CALIBRATE_H
#define SLOTPROOF_CALIBRATE_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/bridge.h"
#include "slotproof/check.h"
#include "slotproof/profile.h"
#include "slotproof/reference.h"
#include "slotproof/status.h"

/* What became of one picture. */
typedef struct sp_calibrated_picture {
  bool seen;          /* chessboard or rule found */
  bool used;          /* false though seen: it does not agree with the others */
  double rms_px;      /* camera: of its corners about the lens */
  double distance_mm; /* camera: to the chessboard; NAN if the squares were not told */
  double tilt_deg;    /* camera: against square */
  sp_along along;     /* scanner: axis the rule lies along */
  double px_per_mm;   /* scanner */
} sp_calibrated_picture;

enum { SP_CALIBRATE_WARNINGS = 4, SP_CALIBRATE_WARNING_TEXT = 300 };

typedef struct sp_calibration {
  sp_profile profile;
  sp_calibrated_picture *pictures; /* as many as were given; owned */
  size_t picture_count, used;
  double rms_k3_px; /* camera: what a further term of the sixth power would leave */
  char warnings[SP_CALIBRATE_WARNINGS][SP_CALIBRATE_WARNING_TEXT];
  size_t warning_count;
} sp_calibration;

/* Which picture a failure belongs to; SP_CALIBRATE_ALL: none by itself. */
#define SP_CALIBRATE_ALL ((size_t)-1)

typedef struct sp_calibrate_options {
  sp_chessboard board;            /* camera */
  double square_mm;               /* camera: side of a square; NAN = not told */
  sp_reference_options reference; /* scanner: graduation_mm and mpe_mm count */
  sp_read_options read;
} sp_calibrate_options;

void sp_calibrate_options_init(sp_calibrate_options *options);

/* Photographs of one flat chessboard by one camera with one focus, from several sides. Five at least must show it; one
 * that disagrees with the others is left out. SP_E_DATA if a picture is of another size or device, or if they tell too
 * little. `calibration` need not be initialised; free it whatever the status. */
sp_status sp_calibrate_camera(const char *const *paths, size_t count, const sp_calibrate_options *options,
                              sp_calibration *calibration, size_t *at, sp_error *err);

/* Scans of one rule, in pairs: as laid, then turned by half a turn in the same place. All of one size and stated
 * resolution. A pair lies along one axis of the picture; pairs along the other axis may follow. */
sp_status sp_calibrate_scanner(const char *const *paths, size_t count, const sp_calibrate_options *options,
                               sp_calibration *calibration, size_t *at, sp_error *err);

void sp_calibration_free(sp_calibration *calibration);

/* ---- the numbers of one axis ---- */

/* One scan's map of the axis, from the rule in it; `turned`: the rule lay turned by half a turn. */
typedef struct sp_axis_scan {
  const sp_scale_map *map;
  bool turned;
} sp_axis_scan;

/* What the scans have in common along the stretch that all show. `scans` holds at least one of either kind.
 *
 * With y_s(u) the map of scan s less its own straight line, A the mean of those as laid, B of those turned:
 *   departure = (A + B) / 2       half a turn turns the sign of that part of the rule's unevenness which is even about
 *                                 its middle; it drops out here and alone is left in
 *   turned    = (A - B) / 2
 * What scans in one position differ by, their pooled variance r^2, does not repeat. An odd unevenness of the rule does
 * not show; it is taken to be as large as the even one. The departure is kept in proportion to what of its mean square
 * exceeds what chance gives. The rule's length cannot be told from the scale by turning: that is what its MPE is for.
 */
sp_status sp_calibrate_axis(const sp_axis_scan *scans, size_t count, sp_profile_axis *axis, sp_error *err);

#endif
