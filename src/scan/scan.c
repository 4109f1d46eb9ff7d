/* What does not depend on SANE. */
#include "slotproof/scan.h"

#include <math.h>
#include <stdlib.h>

void sp_scan_options_init(sp_scan_options *options)
{
  *options = (sp_scan_options){.device = NULL, .dpi = 600.0, .bits = 8};
  options->left_mm = options->top_mm = options->width_mm = options->height_mm = NAN;
}

void sp_scan_devices_free(sp_scan_devices_list *devices)
{
  free(devices->list);
  *devices = (sp_scan_devices_list){NULL, 0};
}
