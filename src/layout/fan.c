/* Lines off the centre line. */
#include <math.h>

#include "slotproof/layout.h"

static bool has_fret(const sp_layout *layout, int32_t fret)
{
  return fret >= 0 && fret <= layout->frets;
}

double sp_layout_slope(const sp_layout *layout, int32_t fret)
{
  return has_fret(layout, fret) ? 0.0 : NAN;
}

double sp_layout_line_mm(const sp_layout *layout, int32_t fret, double bass_mm)
{
  return has_fret(layout, fret) ? layout->position_mm[fret] + bass_mm * sp_layout_slope(layout, fret) : NAN;
}

double sp_layout_string_mm(const sp_layout *layout, int32_t fret, double bass_mm)
{
  return has_fret(layout, fret) && isfinite(bass_mm) ? layout->scale_length_mm : NAN;
}

double sp_layout_speaking_mm(const sp_layout *layout, int32_t fret, double bass_mm)
{
  return sp_layout_string_mm(layout, fret, bass_mm) - (has_fret(layout, fret) ? layout->position_mm[fret] : NAN);
}
