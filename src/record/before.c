/* Where has the saw gone? The slots of one check against the lines that an earlier one found on the same board. */
#include <math.h>

#include "slotproof/record.h"

/* Boards that differ by more in scale length are different boards. */
static const double SAME_BOARD_MM = 0.01;

/* Standard uncertainty of a place without what two records with one rule share. */
static double own_u(double line, double map, double datum)
{
  return sqrt(line * line + map * map + datum * datum);
}

static void compare_mark(const sp_earlier_mark *before, sp_mark_record *m)
{
  if (!m->found || !isfinite(before->x_mm) || !isfinite(m->x_mm))
    return;
  m->from_line_mm = m->x_mm - before->x_mm;
  m->u_from_line_mm = hypot(own_u(before->line_mm, before->map_mm, before->datum_mm),
                            own_u(m->budget.line_mm, m->budget.map_mm, m->budget.datum_mm));
}

static void sum_up(sp_record *r)
{
  double sum = 0.0, square = 0.0;
  size_t n = 0;
  for (size_t i = 1; i < r->mark_count; i++)
    if (isfinite(r->marks[i].from_line_mm)) {
      sum += r->marks[i].from_line_mm;
      n++;
    }
  r->before_known = true;
  r->saw_mean_mm = n ? sum / (double)n : NAN;
  for (size_t i = 1; i < r->mark_count; i++)
    if (isfinite(r->marks[i].from_line_mm))
      square += pow(r->marks[i].from_line_mm - r->saw_mean_mm, 2.0);
  r->saw_sd_mm = n > 1 ? sqrt(square / (double)(n - 1)) : NAN;
}

static bool same_fan(const sp_earlier *e, const sp_record *r)
{
  if (isnan(e->square_fret) || isnan(r->square_fret))
    return isnan(e->square_fret) && isnan(r->square_fret);
  return fabs(e->square_fret - r->square_fret) < 1e-3 && fabs(e->bass_scale_mm - r->bass_scale_mm) < SAME_BOARD_MM &&
         fabs(e->treble_scale_mm - r->treble_scale_mm) < SAME_BOARD_MM;
}

sp_status sp_record_compare_with(sp_record *r, const sp_earlier *earlier, sp_error *err)
{
  if (!(fabs(earlier->scale_length_mm - r->scale_length_mm) < SAME_BOARD_MM))
    return sp_fail(err, SP_E_DATA,
                   "its scale length is %.6g mm, not %.6g mm; name the record of the same board before sawing",
                   earlier->scale_length_mm, r->scale_length_mm);
  if (!same_fan(earlier, r))
    return sp_fail(err, SP_E_DATA,
                   "its frets are not fanned as this board's are; name the record of the same board before sawing");
  for (size_t k = 1; k < earlier->count && k < r->mark_count; k++)
    compare_mark(&earlier->marks[k], &r->marks[k]);
  sum_up(r);
  return SP_OK;
}

sp_status sp_record_compare_before(sp_record *record, const char *path, sp_error *err)
{
  sp_earlier earlier;
  sp_status status = sp_earlier_read(path, &earlier, err);
  if (status)
    return status;
  status = sp_record_compare_with(record, &earlier, err);
  sp_earlier_free(&earlier);
  return status;
}
