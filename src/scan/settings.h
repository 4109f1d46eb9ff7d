/* Setting a scanner up; only where SANE is there. */
#ifndef SP_SCAN_SETTINGS_H
#define SP_SCAN_SETTINGS_H

#include <sane/sane.h>

#include "slotproof/scan.h"

/* A failure of SANE in words; `what` is what could not be done: "be opened". */
sp_status scan_failed(SANE_Status status, const char *what, sp_error *err);

/* Flatbed, grey, depth, resolution and area, in that order, because each may change what the next ones may be. `result`
 * gets resolution and depth as the device has them. */
sp_status scan_set_up(SANE_Handle device, const sp_scan_options *options, sp_scan_result *result, sp_error *err);

#endif
