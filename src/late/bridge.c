/* bridge.c: what stands behind bridge.h is a library of the program's own, loaded with all of OpenCV by the first call
 * that needs it. Each call that can fail asks for it; the others follow one that did. */
#include "late/late_internal.h"
#include "slotproof/bridge.h"

#define LATE_ASKED(name, parameters, arguments) \
  sp_status name parameters \
  { \
    __typeof__(name) *late; \
    const sp_status there = sp_late_library(SP_LATE_BRIDGE, err); \
    if (there) \
      return there; \
    late_find(SP_LATE_BRIDGE, #name, &late, sizeof late); \
    return late arguments; \
  }

LATE_ASKED(sp_canvas_line,
           (sp_canvas *canvas, sp_point from, sp_point to, int width_px, sp_colour colour, sp_error *err),
           (canvas, from, to, width_px, colour, err))
LATE_ASKED(sp_canvas_disc, (sp_canvas *canvas, sp_point centre, double radius_px, sp_colour colour, sp_error *err),
           (canvas, centre, radius_px, colour, err))
LATE_ASKED(sp_canvas_polygon,
           (sp_canvas *canvas, const sp_point *corners, size_t count, sp_colour colour, sp_error *err),
           (canvas, corners, count, colour, err))
LATE_ASKED(sp_canvas_text,
           (sp_canvas *canvas, const char *text, sp_point centre, double height_px, sp_colour colour, sp_colour rim,
            sp_error *err),
           (canvas, text, centre, height_px, colour, rim, err))
LATE_ASKED(sp_canvas_text_width, (const char *text, double height_px, double *width_px, sp_error *err),
           (text, height_px, width_px, err))
LATE_ASKED(sp_piece_grey,
           (const sp_raster *raster, sp_point origin, sp_point step_x, sp_point step_y, uint32_t width_px,
            uint32_t height_px, uint8_t beyond, uint8_t *out, sp_error *err),
           (raster, origin, step_x, step_y, width_px, height_px, beyond, out, err))
LATE_ASKED(sp_chessboard_find,
           (const sp_raster *picture, sp_chessboard board, sp_point *corners, bool *found, sp_error *err),
           (picture, board, corners, found, err))
LATE_ASKED(sp_lens_calibrate,
           (const sp_point *corners, size_t pictures, sp_chessboard board, uint32_t width_px, uint32_t height_px,
            bool with_k3, sp_lens_fit *fit, double *picture_rms_px, double *distance, double *tilt_rad, sp_error *err),
           (corners, pictures, board, width_px, height_px, with_k3, fit, picture_rms_px, distance, tilt_rad, err))
LATE_ASKED(sp_correlate, (sp_grid a, sp_grid b, int32_t from, int32_t count, double *sums, sp_error *err),
           (a, b, from, count, sums, err))

LATE(SP_LATE_BRIDGE, uint32_t, sp_canvas_width_px, (const sp_canvas *canvas), (canvas))
LATE(SP_LATE_BRIDGE, uint32_t, sp_canvas_height_px, (const sp_canvas *canvas), (canvas))
LATE(SP_LATE_BRIDGE, const uint8_t *, sp_canvas_row, (const sp_canvas *canvas, uint32_t y), (canvas, y))

sp_status sp_canvas_create(const sp_raster *raster, uint32_t reduce, sp_canvas **canvas, sp_error *err)
{
  __typeof__(sp_canvas_create) *late;
  *canvas = NULL;
  const sp_status there = sp_late_library(SP_LATE_BRIDGE, err);
  if (there)
    return there;
  late_find(SP_LATE_BRIDGE, "sp_canvas_create", &late, sizeof late);
  return late(raster, reduce, canvas, err);
}

void sp_canvas_free(sp_canvas *canvas)
{
  __typeof__(sp_canvas_free) *late;
  if (!canvas) /* nothing was made, so perhaps nothing was loaded */
    return;
  late_find(SP_LATE_BRIDGE, "sp_canvas_free", &late, sizeof late);
  late(canvas);
}
