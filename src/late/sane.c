/* sane.c: scanners' drivers; nothing where the program is built without. */
typedef int late_no_empty_file; /* ISO C has none */

#ifdef SLOTPROOF_SCAN

#include <sane/sane.h>

#include "late/late_internal.h"

LATE_VOID(SP_LATE_SANE, sane_cancel, (SANE_Handle handle), (handle))
LATE_VOID(SP_LATE_SANE, sane_close, (SANE_Handle handle), (handle))
LATE(SP_LATE_SANE, SANE_Status, sane_control_option,
     (SANE_Handle handle, SANE_Int option, SANE_Action action, void *value, SANE_Int *info),
     (handle, option, action, value, info))
LATE_VOID(SP_LATE_SANE, sane_exit, (void), ())
LATE(SP_LATE_SANE, SANE_Status, sane_get_devices, (const SANE_Device ***device_list, SANE_Bool local_only),
     (device_list, local_only))
LATE(SP_LATE_SANE, const SANE_Option_Descriptor *, sane_get_option_descriptor, (SANE_Handle handle, SANE_Int option),
     (handle, option))
LATE(SP_LATE_SANE, SANE_Status, sane_get_parameters, (SANE_Handle handle, SANE_Parameters *params), (handle, params))
LATE(SP_LATE_SANE, SANE_Status, sane_init, (SANE_Int *version_code, SANE_Auth_Callback authorize),
     (version_code, authorize))
LATE(SP_LATE_SANE, SANE_Status, sane_open, (SANE_String_Const devicename, SANE_Handle *handle), (devicename, handle))
LATE(SP_LATE_SANE, SANE_Status, sane_read,
     (SANE_Handle handle, SANE_Byte *data, SANE_Int max_length, SANE_Int *length),
     (handle, data, max_length, length))
LATE(SP_LATE_SANE, SANE_Status, sane_start, (SANE_Handle handle), (handle))
LATE(SP_LATE_SANE, SANE_String_Const, sane_strstatus, (SANE_Status status), (status))

#endif
