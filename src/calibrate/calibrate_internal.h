/* What the files of this folder share. */
#ifndef SP_CALIBRATE_INTERNAL_H
#define SP_CALIBRATE_INTERNAL_H

#include "slotproof/calibrate.h"

sp_status calibrate_start(size_t count, sp_profile_kind kind, sp_calibration *calibration, sp_error *err);

#if defined(__GNUC__)
__attribute__((format(printf, 2, 3)))
#endif
void calibrate_warn(sp_calibration *calibration, const char *format, ...);

/* Notes device and size of the first picture (`index` 0); later ones must be alike. `stored`: the size is taken before
 * the orientation is applied. */
sp_status calibrate_same_device(sp_profile *profile, size_t index, const sp_picture_info *info, const sp_raster *raster,
                                bool stored, sp_error *err);

#endif
