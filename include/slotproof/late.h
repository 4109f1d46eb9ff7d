/* slotproof/late.h: libraries that few calls need, loaded when the first of these is made.
 *
 * The loader's work for a library that draws, serves or drives a scanner, and for all that such a library needs in
 * turn, costs a check more time than many of its own steps. So the program is not linked against them: the files of
 * this module define the functions it calls of each, and pass every call on to the library itself. Who uses a function
 * includes the library's own header and calls it as ever, after sp_late_library has said once that the library is
 * there.
 *
 * One of them is the program's own: what stands behind bridge.h.
 *
 * A library stays loaded until the program ends. */
#ifndef SLOTPROOF_LATE_H
#define SLOTPROOF_LATE_H

#include "slotproof/status.h"

typedef enum sp_late { SP_LATE_BRIDGE, SP_LATE_CAIRO, SP_LATE_HEIF, SP_LATE_MICROHTTPD, SP_LATE_SANE } sp_late;

/* Loads it; SP_E_INTERNAL, with a sentence that names what is missing, if that fails. */
sp_status sp_late_library(sp_late which, sp_error *err);

#endif
