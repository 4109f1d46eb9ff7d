/* Fanned frets, and lines off the centre line in general.
 *
 * Lengths are taken along the centre line, as a scale length is: all strings of a square board share one, though the
 * outer ones lie a little askew. So every string is divided in the same proportions, r(n) = 1 - 2^(-c/1200) of its own
 * scale length, and its distance from the centre line, which grows evenly from nut to saddle, is the same at fret n for
 * whatever scale length: the fret is the straight line through two points that the intercept theorem (Euclid, Elements
 * VI.2) puts in line with those of all strings between. With d = bass less treble scale length, F the fret that is
 * square and s(n) the spread of the outer strings at fret n, it gains
 *     (r(n) - r(F)) d / s(n)
 * on the bridge for each mm toward the bass, and its place on the centre line is that of a board of the mean scale
 * length. A fan with d = 0 is the square board.
 */
#include <math.h>
#include <string.h>

#include "slotproof/layout.h"

static bool has_fret(const sp_layout *layout, int32_t fret)
{
  return fret >= 0 && fret <= layout->frets;
}

/* Part of the string that is cut off at a fret. */
static double part_at(const sp_layout *l, int32_t fret)
{
  return sp_position_mm(1.0, l->cents[fret]);
}

static double square_part(const sp_layout *l)
{
  const int32_t below = (int32_t)fmin(floor(l->fan.square_fret), l->frets - 1.0);
  const double rest = l->fan.square_fret - below;
  const double cents = l->cents[below] + rest * (l->cents[below + 1] - l->cents[below]);
  return sp_position_mm(1.0, cents);
}

static double spread_at(const sp_layout *l, int32_t fret)
{
  return l->fan.spread_nut_mm + part_at(l, fret) * (l->fan.spread_saddle_mm - l->fan.spread_nut_mm);
}

sp_status sp_parse_fret(const char *text, double *fret, sp_error *err)
{
  const size_t length = strlen(text), whole = strspn(text, "0123456789");
  const size_t part = text[whole] == '.' ? strspn(text + whole + 1, "0123456789") : 0;
  *fret = NAN;
  if (!whole || whole > 4 || part > 6 || (text[whole] == '.' && !part) ||
      whole + (text[whole] == '.') + part != length)
    return sp_fail(err, SP_E_USAGE, "'%.40s' is no fret; give a number as 0 (the nut), 7 or 7.5", text);
  double value = 0.0, place = 1.0; /* the locale has no say */
  for (size_t i = 0; i < length; i++) {
    if (text[i] == '.')
      continue;
    value = 10.0 * value + (text[i] - '0');
    place *= i > whole ? 10.0 : 1.0;
  }
  *fret = value / place;
  return SP_OK;
}

void sp_fan_init(sp_fan *fan)
{
  *fan = (sp_fan){NAN, NAN, NAN, NAN, NAN};
}

bool sp_fan_given(const sp_fan *f)
{
  return !isnan(f->bass_mm) || !isnan(f->treble_mm) || !isnan(f->spread_nut_mm) || !isnan(f->spread_saddle_mm) ||
         !isnan(f->square_fret);
}

static sp_status refuse(const sp_fan *f, int32_t frets, sp_error *err)
{
  if (isnan(f->bass_mm) || isnan(f->treble_mm))
    return sp_fail(err, SP_E_USAGE, "a fan has two scale lengths; give --scale-length-bass and --scale-length-treble");
  if (isnan(f->spread_nut_mm) || isnan(f->spread_saddle_mm))
    return sp_fail(err, SP_E_USAGE,
                   "where the two scale lengths lie is not known; give --spread-nut and --spread-saddle (outer strings "
                   "at nut and saddle), or the board's --nut-width and --end-width");
  if (isnan(f->square_fret))
    return sp_fail(err, SP_E_USAGE,
                   "which fret is square to the centre line is not known; give --square-fret (0 is the nut)");
  if (!(f->square_fret >= 0.0 && f->square_fret <= frets))
    return sp_fail(err, SP_E_USAGE, "the square fret is 0 (the nut) to %ld, not %g; correct --square-fret", (long)frets,
                   f->square_fret);
  const double least = fmin(f->bass_mm, f->treble_mm), most = fmax(f->bass_mm, f->treble_mm);
  if (!(least >= SP_SCALE_LENGTH_MIN_MM && most <= SP_SCALE_LENGTH_MAX_MM))
    return sp_fail(err, SP_E_USAGE, "a scale length of %g or %g mm is outside %g to %g mm; check its unit", f->bass_mm,
                   f->treble_mm, SP_SCALE_LENGTH_MIN_MM, SP_SCALE_LENGTH_MAX_MM);
  if (!(fmin(f->spread_nut_mm, f->spread_saddle_mm) > 0.0 && fmax(f->spread_nut_mm, f->spread_saddle_mm) < least))
    return sp_fail(err, SP_E_USAGE, "strings that are %g mm apart at the nut and %g mm at the saddle cannot be; "
                   "correct --spread-nut or --spread-saddle", f->spread_nut_mm, f->spread_saddle_mm);
  return SP_OK;
}

/* Are the lines in order all across the board, and none too slanted? */
static sp_status refuse_lines(const sp_layout *l, sp_error *err)
{
  for (int32_t n = 0; n <= l->frets; n++) {
    if (!(fabs(sp_layout_slope(l, n)) <= SP_FAN_MOST_SLOPE))
      return sp_fail(err, SP_E_USAGE,
                     "fret %ld would lie %.0f degrees off square; check scale lengths, spreads and --square-fret",
                     (long)n, fabs(sp_layout_angle_deg(l, n)));
    for (int side = -1; n && side <= 1; side += 2) {
      const double edge = 0.5 * side * fmax(l->fan.spread_nut_mm, l->fan.spread_saddle_mm);
      if (!(sp_layout_line_mm(l, n, edge) > sp_layout_line_mm(l, n - 1, edge)))
        return sp_fail(err, SP_E_USAGE, "frets %ld and %ld would meet on the board; check scale lengths and spreads",
                       (long)n - 1, (long)n);
    }
  }
  return SP_OK;
}

sp_status sp_layout_fan(const sp_fan *fan, sp_layout *l, sp_error *err)
{
  sp_status status = refuse(fan, l->frets, err);
  if (!status) {
    l->fanned = true;
    l->fan = *fan;
    l->scale_length_mm = 0.5 * (fan->bass_mm + fan->treble_mm);
    for (int32_t n = 0; n <= l->frets; n++)
      l->position_mm[n] = sp_position_mm(l->scale_length_mm, l->cents[n]);
    status = refuse_lines(l, err);
  }
  if (status)
    sp_layout_free(l);
  return status;
}

double sp_layout_slope(const sp_layout *l, int32_t fret)
{
  if (!has_fret(l, fret))
    return NAN;
  if (!l->fanned)
    return 0.0;
  return (part_at(l, fret) - square_part(l)) * (l->fan.bass_mm - l->fan.treble_mm) / spread_at(l, fret);
}

double sp_layout_angle_deg(const sp_layout *l, int32_t fret)
{
  static const double DEG = 57.29577951308232;
  const double angle = DEG * atan(sp_layout_slope(l, fret));
  return l->left_handed ? 0.0 - angle : angle;
}

double sp_layout_line_mm(const sp_layout *l, int32_t fret, double bass_mm)
{
  return has_fret(l, fret) ? l->position_mm[fret] + bass_mm * sp_layout_slope(l, fret) : NAN;
}

double sp_layout_string_mm(const sp_layout *l, int32_t fret, double bass_mm)
{
  if (!has_fret(l, fret) || !isfinite(bass_mm))
    return NAN;
  return l->fanned ? l->scale_length_mm + bass_mm / spread_at(l, fret) * (l->fan.bass_mm - l->fan.treble_mm)
                   : l->scale_length_mm;
}

double sp_layout_speaking_mm(const sp_layout *l, int32_t fret, double bass_mm)
{
  if (!has_fret(l, fret))
    return NAN;
  if (!l->fanned)
    return sp_layout_string_mm(l, fret, bass_mm) - l->position_mm[fret];
  return sp_layout_string_mm(l, fret, bass_mm) * (1.0 - part_at(l, fret)) - (fret ? 0.0 : l->nut_shift_mm);
}
