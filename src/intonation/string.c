/* One string: how stiffness and the finger's pressure raise its pitch.
 *
 * Mass and tension follow from the note by Mersenne's law. A real string resists bending: with its ends held fast the
 * bent part near each end hardly swings, so the string sounds as if it were shorter by a length that depends on the
 * string alone, not on where it is stopped (Fletcher & Rossing, ch. 2: the factor (1 + (2/pi) sqrt B + (4/pi^2) B)).
 * Pressing it down to a fret makes it longer, and steel hardly stretches: a few micrometres of length are a cent of
 * tension. Small differences of long lengths are taken as (a^2 - b^2)/(a + b), which does not cancel. */
#include <math.h>

#include "slotproof/intonation.h"
#include "slotproof/numeric.h"

static const double MM = 1e-3, GPA = 1e9;

void sp_string_init(sp_string *s)
{
  *s = (sp_string){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
}

static double core_mm(const sp_string *s)
{
  return isnan(s->core_diameter_mm) ? s->diameter_mm : s->core_diameter_mm;
}

double sp_string_mass_kg_m(const sp_string *s)
{
  const double d_m = s->diameter_mm * MM;
  return isnan(s->unit_weight_kg_m) ? s->density_kg_m3 * SP_PI * d_m * d_m / 4.0 : s->unit_weight_kg_m;
}

double sp_string_tension_n(const sp_string *s, double length_mm)
{
  const double speed_m_s = 2.0 * length_mm * MM * s->note_hz;
  return sp_string_mass_kg_m(s) * speed_m_s * speed_m_s;
}

double sp_string_stretch_ratio(const sp_string *s, double tension_n)
{
  const double d_m = core_mm(s) * MM;
  return s->young_gpa * GPA * SP_PI * d_m * d_m / 4.0 / tension_n;
}

double sp_string_inharmonicity(const sp_string *s, double tension_n, double length_mm)
{
  const double d_m = core_mm(s) * MM, l_m = length_mm * MM;
  return SP_PI * SP_PI * SP_PI * s->young_gpa * GPA * d_m * d_m * d_m * d_m / (64.0 * tension_n * l_m * l_m);
}

double sp_stiffness_cents(double b)
{
  return SP_CENTS_PER_NEPER * (log1p(2.0 / SP_PI * sqrt(b) + 4.0 / (SP_PI * SP_PI) * b) + 0.5 * log1p(b));
}

/* hypot(run, rise) - run. */
static double excess(double run_mm, double rise_mm)
{
  return rise_mm * rise_mm / (hypot(run_mm, rise_mm) + run_mm);
}

double sp_fretting_strain(double length_mm, double fret_mm, double nut_height_mm, double saddle_height_mm)
{
  const double open = excess(length_mm, saddle_height_mm - nut_height_mm);
  const double stopped = excess(fret_mm, nut_height_mm) + excess(length_mm - fret_mm, saddle_height_mm);
  return (stopped - open) / (length_mm + open);
}

double sp_stretch_cents(double ratio, double strain)
{
  return 0.5 * SP_CENTS_PER_NEPER * log1p(ratio * strain);
}

double sp_slope_cents(double run_mm, double rise_mm)
{
  return -0.5 * SP_CENTS_PER_NEPER * log1p(rise_mm / run_mm * (rise_mm / run_mm));
}
