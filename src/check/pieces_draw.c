/* The picture of the whole board, for drawing: each scan laid where the record places it. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "pieces.h"
#include "slotproof/workers.h"

typedef struct laying {
  const sp_raster *from;
  const sp_placement *place;
  double det, first_x, last_x; /* columns of the drawing that this scan fills */
  sp_raster *to;
} laying;

static sp_point seen_at(const laying *l, double x, double y)
{
  const sp_placement *t = l->place;
  const double dx = x - t->x0, dy = y - t->y0;
  return (sp_point){(t->yy * dx - t->xy * dy) / l->det, (t->xx * dy - t->yx * dx) / l->det};
}

static void lay_row(void *context, size_t row)
{
  const laying *l = context;
  const sp_raster *f = l->from;
  for (double x = fmax(0.0, ceil(l->first_x)); x <= fmin(l->last_x, l->to->width_px - 1.0); x += 1.0) {
    const sp_point p = seen_at(l, x, (double)row);
    if (!(p.x >= 0.0 && p.y >= 0.0 && p.x < f->width_px - 1.0 && p.y < f->height_px - 1.0))
      continue;
    const size_t i = (size_t)p.y * f->width_px + (size_t)p.x;
    const double a = p.x - floor(p.x), b = p.y - floor(p.y);
    double grey;
    if (f->u8)
      grey = (1.0 - b) * ((1.0 - a) * f->u8[i] + a * f->u8[i + 1]) +
             b * ((1.0 - a) * f->u8[i + f->width_px] + a * f->u8[i + f->width_px + 1]);
    else
      grey = ((1.0 - b) * ((1.0 - a) * f->u16[i] + a * f->u16[i + 1]) +
              b * ((1.0 - a) * f->u16[i + f->width_px] + a * f->u16[i + f->width_px + 1])) /
             257.0;
    l->to->u8[row * l->to->width_px + (size_t)x] = (uint8_t)lround(grey);
  }
}

/* From and to, along the drawing, of one scan's middle line. */
static void reach_of(const sp_source_record *s, double *from, double *to)
{
  const double w = s->width_px - 1.0, h = s->height_px - 1.0;
  const sp_placement *t = &s->drawn;
  const double mid = t->x0 + 0.5 * (t->xx * w + t->xy * h), half = 0.5 * fmax(fabs(t->xx) * w, fabs(t->xy) * h);
  *from = mid - half;
  *to = mid + half;
}

/* Neighbours meet in the middle of what both show. */
static void share(const sp_record *record, size_t k, double *from, double *to)
{
  double a, b;
  reach_of(&record->sources[k], &a, &b);
  *from = a - 1e5;
  *to = b + 1e5;
  for (size_t i = 0; i < record->source_count; i++) {
    double c, d;
    reach_of(&record->sources[i], &c, &d);
    if (i + 1 != k && i != k + 1)
      continue;
    if (c + d > a + b)
      *to = 0.5 * (c + b);
    else
      *from = 0.5 * (a + d);
  }
}

static void size_of(const sp_record *record, double *width, double *height)
{
  *width = *height = 0.0;
  for (size_t k = 0; k < record->source_count; k++)
    for (int c = 0; c < 4; c++) {
      const sp_source_record *s = &record->sources[k];
      const sp_placement *t = &s->drawn;
      const double x = c & 1 ? s->width_px - 1.0 : 0.0, y = c & 2 ? s->height_px - 1.0 : 0.0;
      *width = fmax(*width, t->x0 + t->xx * x + t->xy * y);
      *height = fmax(*height, t->y0 + t->yx * x + t->yy * y);
    }
}

/* A paper's grey where no scan reaches; and so much of it below the pictures, as a share of their length, that the
 * overlay's legend covers nothing of the board. */
enum { EMPTY = 200 };
static const double LEGEND_SHARE = 0.085;

sp_status sp_check_draw_pieces(const char *const *paths, const sp_record *record, const sp_read_options *read,
                               sp_raster *raster, size_t *at_fault, sp_error *err)
{
  double width, height;
  memset(raster, 0, sizeof *raster);
  *at_fault = 0;
  if (!record->join_count) /* not joined: the first picture stands for all */
    return sp_read_picture(paths[0], read, raster, &(sp_picture_info){0}, err);
  size_of(record, &width, &height);
  if (!(width >= 1.0 && height >= 1.0 && width < 2e5 && height < 2e5))
    return sp_fail(err, SP_E_INTERNAL, "the pictures' places are lost");
  height += LEGEND_SHARE * width;
  sp_status status = sp_raster_create((uint32_t)width + 2, (uint32_t)height + 2, 8, raster, err);
  if (status)
    return status;
  memset(raster->u8, EMPTY, (size_t)raster->width_px * raster->height_px);
  for (size_t k = 0; !status && k < record->source_count; k++) {
    sp_raster from = {0};
    sp_picture_info info;
    *at_fault = k;
    status = sp_read_picture(paths[k], read, &from, &info, err);
    if (!status) {
      const sp_placement *t = &record->sources[k].drawn;
      laying l = {.from = &from, .place = t, .det = t->xx * t->yy - t->xy * t->yx, .to = raster};
      share(record, k, &l.first_x, &l.last_x);
      sp_workers_run(lay_row, &l, raster->height_px);
    }
    sp_raster_free(&from);
  }
  if (status)
    sp_raster_free(raster);
  return status;
}
