/* slotproof/scan.h: a scan straight from a flatbed, over SANE.
 *
 * SANE keeps state of its own for the whole process and runs drivers that come from elsewhere: call these functions
 * from one thread at a time, and where a hanging or crashing driver must not take the caller with it, in a process of
 * its own. Each call starts and ends SANE by itself.
 *
 * A program built without SANE has the same functions; they fail with SP_E_USAGE and one sentence that says so.
 */
#ifndef SLOTPROOF_SCAN_H
#define SLOTPROOF_SCAN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/status.h"

enum { SP_SCAN_TEXT = 128 };

/* Texts are the driver's, cut if too long, with everything unprintable replaced. */
typedef struct sp_scan_device {
  char name[SP_SCAN_TEXT]; /* what opens it: "genesys:libusb:001:004" */
  char vendor[SP_SCAN_TEXT], model[SP_SCAN_TEXT], type[SP_SCAN_TEXT];
} sp_scan_device;

typedef struct sp_scan_devices_list {
  sp_scan_device *list; /* owned */
  size_t count;
} sp_scan_devices_list;

/* Built with SANE? */
bool sp_scan_is_built(void);

/* The devices that can be seen now, those on the network too unless `local_only`; may take some seconds. None is no
 * error. Free with sp_scan_devices_free. */
sp_status sp_scan_devices(bool local_only, sp_scan_devices_list *devices, sp_error *err);
void sp_scan_devices_free(sp_scan_devices_list *devices);

typedef struct sp_scan_options {
  const char *device;                          /* NULL: the only one there is */
  double dpi;                                  /* the device must have it to 1 % */
  int bits;                                    /* 8 or 16 grey */
  double left_mm, top_mm, width_mm, height_mm; /* of the glass; all NAN: all of it */
} sp_scan_options;

/* 600 dpi, 8 bits, all of the glass. */
void sp_scan_options_init(sp_scan_options *options);

/* Called now and then with the part that is done, 0..1, NAN where that cannot be known. false stops the scan. */
typedef bool (*sp_scan_progress)(void *context, double part);

/* What was fetched. */
typedef struct sp_scan_result {
  char device[SP_SCAN_TEXT];
  double dpi; /* as the device has it */
  uint32_t width_px, height_px;
  int bits;
  bool stopped; /* by the progress function; then nothing was written and the status is SP_E_IO */
} sp_scan_result;

/* Scans into a grey PNG with its resolution, whole or not at all. `progress` may be NULL. Errors, each with a sentence:
 * SP_E_NOINPUT no such device, none at all, or no right to use it; SP_E_USAGE several and none named, a resolution,
 * depth or area that it does not have; SP_E_IO busy, cover open, jammed, warming up, broken off; SP_E_DATA what it
 * sends is no grey picture; SP_E_CANTCREATE, SP_E_INTERNAL. */
sp_status sp_scan_to_png(const char *path, const sp_scan_options *options, sp_scan_progress progress, void *context,
                         sp_scan_result *result, sp_error *err);

#endif
