/* The cents of one note from places and string data; formulas in the header. */
#include <math.h>

#include "internal.h"

/* Nut to saddle may differ from the scale length by setback and trade, not by more. */
static const double MOST_SETBACK = 0.1;

static sp_status check_fret(const sp_instrument *in, int32_t k, double shortest_mm, sp_error *err)
{
  const sp_fret_place *f = &in->fret[k];
  if (!(f->layout_mm > 0.0 && f->layout_mm < in->scale_length_mm))
    return sp_fail(err, SP_E_DATA, "the computed place of fret %ld is not on the board; make the record again",
                   (long)k);
  if (isnan(f->x_mm))
    return SP_OK;
  if (!(f->x_mm > in->nut_mm && f->x_mm < shortest_mm))
    return sp_fail(err, SP_E_DATA, "fret %ld does not lie between nut and saddle; correct --nut or --saddle", (long)k);
  if (!(f->u_mm >= 0.0 && isfinite(f->u_mm)))
    return sp_fail(err, SP_E_DATA, "the uncertainty of fret %ld is not known; make the record again", (long)k);
  return SP_OK;
}

bool sp_instrument_is_sound(const sp_instrument *in, sp_error *err)
{
  const double l = in->scale_length_mm;
  double shortest_mm = INFINITY;
  if (!(l > 0.0 && isfinite(l)) || in->strings < 1 || in->strings > SP_MAX_STRINGS || in->frets < 1 ||
      !(in->datum_u_mm >= 0.0)) {
    sp_fail(err, SP_E_DATA, "the instrument has no scale length, no string or no fret; make the record again");
    return false;
  }
  for (size_t i = 0; i < in->strings; i++) {
    const double s = in->string[i].saddle_mm;
    if (!(fabs(s - in->nut_mm - l) <= MOST_SETBACK * l)) {
      sp_fail(err, SP_E_DATA,
              "nut and saddle of string %zu are %.1f mm apart, the scale length is %.1f mm; correct --nut or --saddle",
              i + 1, s - in->nut_mm, l);
      return false;
    }
    shortest_mm = fmin(shortest_mm, s);
  }
  for (int32_t k = 1; k <= in->frets; k++)
    if (check_fret(in, k, shortest_mm, err))
      return false;
  return true;
}

bool sp_stiffness_is_known(const sp_string *s)
{
  return sp_string_tension_n(s, 1.0) > 0.0 && sp_string_stretch_ratio(s, 1.0) > 0.0;
}

bool sp_stretch_is_known(const sp_string *s)
{
  return sp_stiffness_is_known(s) && s->height_12_mm > 0.0;
}

/* Height over the fret tops at the saddle: the string is straight through nut and half the scale length. */
static double saddle_height_mm(const sp_instrument *in, const sp_string *s, double nut_height_mm)
{
  const double open_mm = s->saddle_mm - in->nut_mm, half_mm = 0.5 * in->scale_length_mm - in->nut_mm;
  return nut_height_mm + (s->height_12_mm - nut_height_mm) * open_mm / half_mm;
}

sp_note_model sp_model_note(const sp_instrument *in, size_t string, int32_t fret)
{
  const sp_string *s = &in->string[string];
  const double open_mm = s->saddle_mm - in->nut_mm;
  sp_note_model m = {0.0, 0.0};
  if (fret == 0 || !sp_stiffness_is_known(s))
    return m;
  const double sounding_mm = s->saddle_mm - in->fret[fret].x_mm, t_n = sp_string_tension_n(s, open_mm);
  m.stiffness_cents = sp_stiffness_cents(sp_string_inharmonicity(s, t_n, sounding_mm)) -
                      sp_stiffness_cents(sp_string_inharmonicity(s, t_n, open_mm));
  if (!sp_stretch_is_known(s))
    return m;
  const double nut_height_mm = isnan(s->nut_height_mm) ? 0.0 : s->nut_height_mm;
  const double height_mm = saddle_height_mm(in, s, nut_height_mm);
  const double strain = sp_fretting_strain(open_mm, open_mm - sounding_mm, nut_height_mm, height_mm);
  m.stretch_cents = sp_stretch_cents(sp_string_stretch_ratio(s, t_n), strain) + sp_slope_cents(sounding_mm, height_mm) -
                    sp_slope_cents(open_mm, height_mm - nut_height_mm);
  return m;
}

double sp_step_cents(const sp_instrument *in, int32_t fret)
{
  return fret ? -SP_CENTS_PER_NEPER * log1p(-in->fret[fret].layout_mm / in->scale_length_mm) : 0.0;
}

double sp_geometry_cents(const sp_instrument *in, size_t string, int32_t fret, double x_mm, double nut_shift_mm,
                         double saddle_shift_mm)
{
  const double s = in->string[string].saddle_mm + saddle_shift_mm, n = in->nut_mm + nut_shift_mm;
  return fret ? SP_CENTS_PER_NEPER * log((s - n) / (s - x_mm)) - sp_step_cents(in, fret) : 0.0;
}

double sp_fret_slope(const sp_instrument *in, size_t string, int32_t fret)
{
  return fret ? SP_CENTS_PER_NEPER / (in->string[string].saddle_mm - in->fret[fret].x_mm) : 0.0;
}
