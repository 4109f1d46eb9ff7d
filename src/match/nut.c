/* The nut among the edges beyond the frets.
 *
 * The frets, all together, tell where the nut belongs to a tenth of a millimetre or better; a nut that was set or cut
 * wrong, or moved on purpose, is off by more, but hardly by a millimetre. The edges of the nut piece are three and more
 * apart. So the nearest edge is the nut's face unless another one is nearly as near: hand errors as in model.c.
 */
#include <math.h>

#include "match_internal.h"

/* How far a nut's face lies from where it belongs, mm: standard deviation (common practice, no source). */
static const double NUT_SD_MM = 0.45;
/* Log-likelihood by which the nearest must beat the next, nats. */
static const double CLEARLY = 1.5;

sp_nut_state sp_match_nut(double nut, double mm_per_unit, const double *edge, size_t count, size_t *chosen)
{
  double best = -INFINITY, next = -INFINITY;
  for (size_t i = 0; i < count; i++) {
    const double off_mm = (edge[i] - nut) * mm_per_unit, z = off_mm / NUT_SD_MM;
    if (!(fabs(off_mm) <= SP_NUT_REACH_MM))
      continue;
    if (-0.5 * z * z > best) {
      next = best;
      best = -0.5 * z * z;
      *chosen = i;
    } else {
      next = fmax(next, -0.5 * z * z);
    }
  }
  if (!isfinite(best))
    return SP_NUT_UNSEEN;
  return best - next > CLEARLY ? SP_NUT_FOUND : SP_NUT_UNCLEAR;
}
