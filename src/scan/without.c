/* In place of the scanner where the program was built without SANE. */
#include "slotproof/scan.h"

#ifndef SLOTPROOF_SCAN

bool sp_scan_is_built(void)
{
  return false;
}

static sp_status not_built(sp_error *err)
{
  return sp_fail(err, SP_E_USAGE,
                 "this program was built without scanner support; scan with another program, or build it anew with "
                 "libsane-dev installed");
}

sp_status sp_scan_devices(bool local_only, sp_scan_devices_list *devices, sp_error *err)
{
  (void)local_only;
  *devices = (sp_scan_devices_list){NULL, 0};
  return not_built(err);
}

sp_status sp_scan_to_png(const char *path, const sp_scan_options *options, sp_scan_progress progress, void *context,
                         sp_scan_result *result, sp_error *err)
{
  (void)path;
  (void)options;
  (void)progress;
  (void)context;
  *result = (sp_scan_result){.dpi = 0.0};
  return not_built(err);
}

#endif
