/* The nut among the edges beyond the frets.
 *
 * The frets, all together, tell where the nut belongs to a tenth of a millimetre or better; a nut that was set or cut
 * wrong, or moved on purpose, is off by more, but hardly by a millimetre. The edges of the nut piece are three and more
 * apart. So the nearest edge is the nut's face unless another one is nearly as near: hand errors as in model.c.
 *
 * The datum's doubt is every fret's. Where nut and shadow look so much alike that the face may lie anywhere over some
 * tenths of a millimetre, all frets would be thrown off by as much; the frets' own fit tells where the nut belongs to
 * the scatter of hand work divided by the root of their number, and nothing but the nut's own error is lost with it,
 * of which such a face says next to nothing. So the face is no datum if its place is in more doubt than that, and in
 * enough to matter.
 */
#include <math.h>

#include "match_internal.h"

/* How far a nut's face lies from where it belongs, mm: standard deviation (common practice, no source). */
static const double NUT_SD_MM = 0.45;
/* Log-likelihood by which the nearest must beat the next, nats. */
static const double CLEARLY = 1.5;
/* A face known to this is a datum whatever the frets tell, mm: standard uncertainty, a fifth of what nuts are off
 * by. */
static const double TOLD_MM = 0.09;

sp_nut_state sp_match_nut(sp_match_place nut, double mm_per_unit, const sp_match_place *edge, size_t count,
                          size_t *chosen)
{
  double best = -INFINITY, next = -INFINITY;
  for (size_t i = 0; i < count; i++) {
    const double off_mm = (edge[i].position - nut.position) * mm_per_unit, z = off_mm / NUT_SD_MM;
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
  if (!(best - next > CLEARLY))
    return SP_NUT_UNCLEAR;
  const double u = edge[*chosen].u_position;
  return u * mm_per_unit > TOLD_MM && u > nut.u_position ? SP_NUT_UNTOLD : SP_NUT_FOUND;
}
