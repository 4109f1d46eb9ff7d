/* The computed fingerboard.
 *
 * 1 - 2^(-x) loses digits for small steps (fret 1 of 53 divisions is 1.3 % of the string), so expm1 is used up to half
 * the string and exp2 beyond, where it is exact at the octaves: fret 12 of 12 lies at L/2 to the last bit. Each fret is
 * computed from the nut. Stepping from fret to fret with a rounded divisor adds its error up (17.8 instead of
 * 17.8171537 puts fret 12 of a 650 mm string 0.22 mm off); a table of distances must not do what the maker is told not
 * to.
 */
#include "slotproof/layout.h"

#include <math.h>
#include <stdlib.h>

#include "slotproof/numeric.h"

#define CENTS_PER_OCTAVE 1200.0

/* Part of the string cut off by `octaves` above the open string. */
static double part_of_string(double octaves)
{
  return octaves < 1.0 ? -expm1(-octaves * SP_LN2) : 1.0 - exp2(-octaves);
}

double sp_position_mm(double scale_length_mm, double cents)
{
  return scale_length_mm * part_of_string(cents / CENTS_PER_OCTAVE);
}

double sp_cents_at(double scale_length_mm, double position_mm)
{
  return sp_error_cents(scale_length_mm, 0.0, position_mm);
}

double sp_error_cents(double scale_length_mm, double layout_mm, double measured_mm)
{
  const double intended = scale_length_mm - layout_mm, speaking = scale_length_mm - measured_mm;
  if (!isfinite(intended) || !isfinite(speaking) || !(intended > 0.0) || !(speaking > 0.0))
    return NAN;
  /* intended/speaking = 1 + (measured - layout)/speaking */
  return CENTS_PER_OCTAVE / SP_LN2 * log1p((measured_mm - layout_mm) / speaking);
}

double sp_cents_per_mm(double scale_length_mm, double position_mm)
{
  const double speaking = scale_length_mm - position_mm;
  return isfinite(speaking) && speaking > 0.0 ? CENTS_PER_OCTAVE / SP_LN2 / speaking : NAN;
}

static sp_status create(double scale_length_mm, int32_t frets, sp_layout *layout, sp_error *err)
{
  *layout = (sp_layout){0};
  if (!(scale_length_mm >= SP_SCALE_LENGTH_MIN_MM && scale_length_mm <= SP_SCALE_LENGTH_MAX_MM))
    return sp_fail(err, SP_E_USAGE, "a scale length of %g mm is outside %g to %g mm; check its unit", scale_length_mm,
                   SP_SCALE_LENGTH_MIN_MM, SP_SCALE_LENGTH_MAX_MM);
  if (frets < 1 || frets > SP_LAYOUT_MAX_FRETS)
    return sp_fail(err, SP_E_USAGE, "a layout has 1 to %d frets, not %ld; give another number", SP_LAYOUT_MAX_FRETS,
                   (long)frets);
  const size_t count = (size_t)frets + 1;
  layout->position_mm = calloc(count, sizeof(double));
  layout->cents = calloc(count, sizeof(double));
  if (!layout->position_mm || !layout->cents) {
    sp_layout_free(layout);
    return sp_fail_memory(err);
  }
  layout->scale_length_mm = scale_length_mm;
  layout->frets = frets;
  layout->nut_behind_mm = NAN;
  return SP_OK;
}

sp_status sp_layout_equal(double scale_length_mm, int32_t frets, int32_t divisions, sp_layout *layout, sp_error *err)
{
  *layout = (sp_layout){0};
  if (divisions < 1)
    return sp_fail(err, SP_E_USAGE, "the octave is divided into 1 or more parts, not %ld; give another number",
                   (long)divisions);
  if ((double)frets / (double)divisions > SP_LAYOUT_MAX_CENTS / CENTS_PER_OCTAVE)
    return sp_fail(err, SP_E_USAGE, "%ld frets at %ld to the octave go beyond %g octaves; give fewer frets",
                   (long)frets, (long)divisions, SP_LAYOUT_MAX_CENTS / CENTS_PER_OCTAVE);
  const sp_status status = create(scale_length_mm, frets, layout, err);
  if (status)
    return status;
  layout->divisions = divisions;
  for (int32_t n = 1; n <= frets; n++) {
    layout->cents[n] = CENTS_PER_OCTAVE * (double)n / (double)divisions;
    layout->position_mm[n] = scale_length_mm * part_of_string((double)n / (double)divisions);
  }
  return SP_OK;
}

sp_status sp_layout_steps(double scale_length_mm, int32_t frets, const double *cents, size_t count, sp_layout *layout,
                          sp_error *err)
{
  sp_status status = create(scale_length_mm, frets, layout, err);
  if (!status && count < (size_t)frets)
    status =
        sp_fail(err, SP_E_USAGE, "%ld frets are asked for and the list of steps has %zu; add steps or give fewer frets",
                (long)frets, count);
  for (int32_t n = 1; n <= frets && !status; n++) {
    layout->cents[n] = cents[n - 1];
    layout->position_mm[n] = sp_position_mm(scale_length_mm, cents[n - 1]);
    if (!(cents[n - 1] <= SP_LAYOUT_MAX_CENTS) || !(layout->position_mm[n] > layout->position_mm[n - 1]))
      status = sp_fail(err, SP_E_USAGE,
                       "step %ld (%g cents) is not above the one before it or is above %g cents; correct it", (long)n,
                       cents[n - 1], SP_LAYOUT_MAX_CENTS);
  }
  if (status)
    sp_layout_free(layout);
  return status;
}

void sp_layout_free(sp_layout *layout)
{
  if (!layout)
    return;
  free(layout->position_mm);
  free(layout->cents);
  free(layout->part);
  *layout = (sp_layout){0};
}

sp_layout_row sp_layout_row_at(const sp_layout *layout, int32_t fret)
{
  sp_layout_row row = {fret, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
  if (fret < 0 || fret > layout->frets)
    return row;
  const double length = layout->scale_length_mm, place = layout->position_mm[fret];
  row.cents = layout->cents[fret];
  row.from_nut_mm = place - layout->position_mm[0];
  row.layout_mm = place;
  row.from_previous_mm = fret > 0 ? place - layout->position_mm[fret - 1] : NAN;
  row.to_saddle_mm = length - place;
  row.cents_per_mm = sp_cents_per_mm(length, place);
  row.cents_per_tenth_mm = sp_error_cents(length, place, place + 0.1);
  return row;
}
