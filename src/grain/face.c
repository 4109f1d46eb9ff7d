/* The board's upper side drawn anew in millimetres.
 *
 * Along the board the picture is straightened by the scale map, so what the carriage did is taken out before two scans
 * are compared; across it a constant serves. Cubic convolution (Keys 1981) at each sample.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/grain.h"
#include "slotproof/workers.h"

sp_board_frame sp_board_frame_of(const sp_scale_map *map, double at_px, double slope, double rate_mm_per_px)
{
  sp_board_frame f = {.along = map->along, .map = map, .v_sign = map->along == SP_ALONG_X ? 1.0 : -1.0};
  f.tilt_rad = atan(f.v_sign * map->across_mm_per_px * slope / rate_mm_per_px);
  f.origin_u_mm = sp_scale_map_along_mm(map, 0.0);
  f.origin_v_mm = f.v_sign * map->across_mm_per_px * at_px;
  return f;
}

sp_point sp_board_frame_mm(const sp_board_frame *f, double u_px, double v_px)
{
  const double u = sp_scale_map_along_mm(f->map, u_px) - f->origin_u_mm;
  const double v = f->v_sign * f->map->across_mm_per_px * v_px - f->origin_v_mm;
  const double c = cos(f->tilt_rad), s = sin(f->tilt_rad);
  return (sp_point){u * c + v * s, v * c - u * s};
}

void sp_face_free(sp_face *face)
{
  free(face->grey);
  memset(face, 0, sizeof *face);
}

void sp_face_turn(sp_face *face)
{
  const size_t n = (size_t)face->columns * (size_t)face->rows;
  for (size_t i = 0; i < n / 2; i++) {
    const uint16_t kept = face->grey[i];
    face->grey[i] = face->grey[n - 1 - i];
    face->grey[n - 1 - i] = kept;
  }
  face->x0_mm = -(face->x0_mm + (face->columns - 1) * SP_FACE_PITCH_MM);
  face->y0_mm = -(face->y0_mm + (face->rows - 1) * SP_FACE_PITCH_MM);
}

/* u of a place along the board in mm, by a table over the picture's length: the map rises throughout. */
typedef struct inverse {
  double first_mm, step_mm;
  size_t count;
  double *u_px;
} inverse;

enum { KNOTS_A_PIXEL = 1 };

static bool invert(const sp_scale_map *map, int32_t length_px, inverse *in)
{
  const double first = sp_scale_map_along_mm(map, 0.0), last = sp_scale_map_along_mm(map, length_px - 1.0);
  if (length_px < 2 || !(last > first))
    return false;
  in->count = (size_t)length_px * KNOTS_A_PIXEL;
  in->first_mm = first;
  in->step_mm = (last - first) / (double)(in->count - 1);
  in->u_px = malloc(in->count * sizeof *in->u_px);
  if (!in->u_px)
    return false;
  double low = first, high = sp_scale_map_along_mm(map, 1.0);
  int32_t u = 0;
  for (size_t i = 0; i < in->count; i++) {
    const double want = in->first_mm + (double)i * in->step_mm;
    while (high < want && u + 2 < length_px) {
      u++;
      low = high;
      high = sp_scale_map_along_mm(map, u + 1.0);
    }
    in->u_px[i] = u + (high > low ? (want - low) / (high - low) : 0.0);
  }
  return true;
}

static double inverse_at(const inverse *in, double mm)
{
  const double place = (mm - in->first_mm) / in->step_mm;
  if (!(place >= 0.0 && place < (double)(in->count - 1)))
    return NAN;
  const size_t i = (size_t)place;
  return in->u_px[i] + (place - (double)i) * (in->u_px[i + 1] - in->u_px[i]);
}

static void cubic_weights(double t, double w[4])
{
  w[0] = t * (-0.5 + t * (1.0 - 0.5 * t));
  w[1] = 1.0 + t * t * (-2.5 + 1.5 * t);
  w[2] = t * (0.5 + t * (2.0 - 1.5 * t));
  w[3] = t * t * (-0.5 + 0.5 * t);
}

/* NAN outside. */
static double sample(const sp_raster *r, double x, double y)
{
  if (!(x >= 1.0 && y >= 1.0 && x < r->width_px - 2.0 && y < r->height_px - 2.0))
    return NAN;
  const size_t i = (size_t)x, j = (size_t)y;
  double wx[4], wy[4], sum = 0.0;
  cubic_weights(x - (double)i, wx);
  cubic_weights(y - (double)j, wy);
  for (size_t b = 0; b < 4; b++) {
    const size_t at = (j - 1 + b) * r->width_px + i - 1;
    double row = 0.0;
    if (r->u8)
      row = wx[0] * r->u8[at] + wx[1] * r->u8[at + 1] + wx[2] * r->u8[at + 2] + wx[3] * r->u8[at + 3];
    else
      row = wx[0] * r->u16[at] + wx[1] * r->u16[at + 1] + wx[2] * r->u16[at + 2] + wx[3] * r->u16[at + 3];
    sum += wy[b] * row;
  }
  return sum;
}

typedef struct drawing {
  const sp_raster *raster;
  const sp_board_frame *frame;
  const inverse *inverse;
  double to_grey;
  sp_face *face;
} drawing;

static void draw_row(void *context, size_t row)
{
  const drawing *d = context;
  const sp_board_frame *f = d->frame;
  const double y = d->face->y0_mm + (double)row * SP_FACE_PITCH_MM, c = cos(f->tilt_rad), s = sin(f->tilt_rad);
  uint16_t *out = d->face->grey + row * (size_t)d->face->columns;
  for (int32_t i = 0; i < d->face->columns; i++) {
    const double x = d->face->x0_mm + i * SP_FACE_PITCH_MM;
    const double u = inverse_at(d->inverse, f->origin_u_mm + x * c - y * s);
    const double v = (f->origin_v_mm + x * s + y * c) / (f->v_sign * f->map->across_mm_per_px);
    const double grey = f->along == SP_ALONG_X ? sample(d->raster, u, v) : sample(d->raster, v, u);
    out[i] = isfinite(grey) ? (uint16_t)fmin(fmax(round(grey * d->to_grey), 1.0), 65535.0) : 0;
  }
}

static void mask_line(const sp_face_mask *m, sp_face *face)
{
  for (int32_t j = 0; j < face->rows; j++) {
    const double x = m->x_mm + m->slope * (face->y0_mm + j * SP_FACE_PITCH_MM) - face->x0_mm;
    const double from = ceil((x - m->half_width_mm) / SP_FACE_PITCH_MM),
                 to = floor((x + m->half_width_mm) / SP_FACE_PITCH_MM);
    for (double i = fmax(from, 0.0); i <= fmin(to, face->columns - 1.0); i += 1.0)
      face->grey[(size_t)j * (size_t)face->columns + (size_t)i] = 0;
  }
}

sp_status sp_face_draw(const sp_raster *raster, const sp_board_frame *frame, double x_from_mm, double x_to_mm,
                       double y_from_mm, double y_to_mm, const sp_face_mask *mask, size_t masks, sp_face *face,
                       sp_error *err)
{
  const double columns = floor((x_to_mm - x_from_mm) / SP_FACE_PITCH_MM) + 1.0;
  const double rows = floor((y_to_mm - y_from_mm) / SP_FACE_PITCH_MM) + 1.0;
  inverse in = {0};
  memset(face, 0, sizeof *face);
  if (!(columns >= 2.0 && rows >= 2.0 && columns * rows <= 2e8))
    return sp_fail(err, SP_E_DATA, "the board's face is not of a size that can be compared");
  *face = (sp_face){.x0_mm = x_from_mm, .y0_mm = y_from_mm, .columns = (int32_t)columns, .rows = (int32_t)rows};
  face->grey = malloc((size_t)columns * (size_t)rows * sizeof *face->grey);
  const int32_t length = (int32_t)(frame->along == SP_ALONG_X ? raster->width_px : raster->height_px);
  if (!face->grey || !invert(frame->map, length, &in)) {
    sp_face_free(face);
    free(in.u_px);
    return sp_fail_memory(err);
  }
  drawing d = {raster, frame, &in, 65535.0 / sp_raster_full_scale(raster), face};
  sp_workers_run(draw_row, &d, (size_t)face->rows);
  for (size_t i = 0; i < masks; i++)
    mask_line(&mask[i], face);
  free(in.u_px);
  return SP_OK;
}
