/* slotproof/bridge.h: drawing into a colour copy of the picture, and pieces of it turned. The only door to C++.
 *
 * Behind it stands OpenCV, of which only the modules core and imgproc are linked: imgcodecs would bring in a hundred
 * more shared libraries and cost every start of the program about 150 ms. Encoding is therefore done elsewhere, row by
 * row.
 *
 * No OpenCV type and no exception leaves the bridge: each entry catches everything and returns SP_E_INTERNAL (lack of
 * memory included) with a sentence. Pixels are 8-bit R, G, B in this order. Coordinates are px of the CANVAS, (0,0) the
 * centre of its top-left pixel; fractions count to 1/256 px. What lies outside the canvas is cut off. Coordinates that
 * are not finite or beyond SP_CANVAS_REACH_PX are refused. `err` may be NULL.
 */
#ifndef SLOTPROOF_BRIDGE_H
#define SLOTPROOF_BRIDGE_H

#include <stddef.h>
#include <stdint.h>

#include "slotproof/raster.h"
#include "slotproof/status.h"

#define SP_CANVAS_REACH_PX 4000000.0
enum { SP_CANVAS_MAX_CORNERS = 16 };

typedef struct sp_canvas sp_canvas;

typedef struct sp_colour {
  uint8_t r, g, b;
} sp_colour;

/* The picture as grey in R = G = B: 16 bits become 8 as round(value / 257); with `reduce` > 1 each pixel is the mean of
 * reduce x reduce pixels, rounded, and a remainder at the right and lower edge is left out. A place (x, y) of the
 * picture then lies at
 * ((x + 0.5) / reduce - 0.5, ...) of the canvas. The raster is only read. Owned by the caller: sp_canvas_free. */
sp_status sp_canvas_create(const sp_raster *raster, uint32_t reduce, sp_canvas **canvas, sp_error *err);
void sp_canvas_free(sp_canvas *canvas);

uint32_t sp_canvas_width_px(const sp_canvas *canvas);
uint32_t sp_canvas_height_px(const sp_canvas *canvas);
/* Row y, 3 x width bytes, valid until the canvas is freed; NULL if there is no such row. */
const uint8_t *sp_canvas_row(const sp_canvas *canvas, uint32_t y);

/* All smoothed (anti-aliased). `width_px` is at least 1. */
sp_status sp_canvas_line(sp_canvas *canvas, sp_point from, sp_point to, int width_px, sp_colour colour, sp_error *err);
/* Filled. */
sp_status sp_canvas_disc(sp_canvas *canvas, sp_point centre, double radius_px, sp_colour colour, sp_error *err);
/* Filled; 3 to SP_CANVAS_MAX_CORNERS corners. */
sp_status sp_canvas_polygon(sp_canvas *canvas, const sp_point *corners, size_t count, sp_colour colour, sp_error *err);
/* ASCII text, its middle at `centre` (to a whole pixel), digits `height_px` high, with a rim of `rim` around each
 * stroke so that it reads on any ground. */
sp_status sp_canvas_text(sp_canvas *canvas, const char *text, sp_point centre, double height_px, sp_colour colour,
                         sp_colour rim, sp_error *err);
/* How wide such a text comes out. */
sp_status sp_canvas_text_width(const char *text, double height_px, double *width_px, sp_error *err);

/* A piece of the picture, 8-bit grey, turned and scaled: out[j * width_px + i] shows the place
 * origin + i * step_x + j * step_y of the picture (px of the picture; the steps are what one pixel of the piece takes
 * along its row and its column). Where a step is two pixels or more, pixels are averaged, where it is less, smoothed
 * between (cubic). Places beyond the picture become `beyond`. A step longer than the picture, or a piece beyond
 * SP_PIECE_MAX_PX a side, is refused. */
enum { SP_PIECE_MAX_PX = 16384 };
sp_status sp_piece_grey(const sp_raster *raster, sp_point origin, sp_point step_x, sp_point step_y, uint32_t width_px,
                        uint32_t height_px, uint8_t beyond, uint8_t *out, sp_error *err);

#endif
