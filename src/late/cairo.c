/* cairo.c: what is drawn on sheets. */
#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <cairo.h>

#include "late/late_internal.h"

LATE_VOID(SP_LATE_CAIRO, cairo_arc, (cairo_t *cr, double xc, double yc, double radius, double angle1, double angle2),
     (cr, xc, yc, radius, angle1, angle2))
LATE_VOID(SP_LATE_CAIRO, cairo_clip, (cairo_t *cr), (cr))
LATE_VOID(SP_LATE_CAIRO, cairo_close_path, (cairo_t *cr), (cr))
LATE(SP_LATE_CAIRO, cairo_t *, cairo_create, (cairo_surface_t *target), (target))
LATE_VOID(SP_LATE_CAIRO, cairo_destroy, (cairo_t *cr), (cr))
LATE_VOID(SP_LATE_CAIRO, cairo_fill, (cairo_t *cr), (cr))
LATE(SP_LATE_CAIRO, cairo_font_options_t *, cairo_font_options_create, (void), ())
LATE_VOID(SP_LATE_CAIRO, cairo_font_options_destroy, (cairo_font_options_t *options), (options))
LATE_VOID(SP_LATE_CAIRO, cairo_font_options_set_hint_metrics,
     (cairo_font_options_t *options, cairo_hint_metrics_t hint_metrics),
     (options, hint_metrics))
LATE_VOID(SP_LATE_CAIRO, cairo_font_options_set_hint_style,
     (cairo_font_options_t *options, cairo_hint_style_t hint_style),
     (options, hint_style))
LATE(SP_LATE_CAIRO, cairo_surface_t *, cairo_image_surface_create, (cairo_format_t format, int width, int height),
     (format, width, height))
LATE(SP_LATE_CAIRO, unsigned char *, cairo_image_surface_get_data, (cairo_surface_t *surface), (surface))
LATE(SP_LATE_CAIRO, int, cairo_image_surface_get_height, (cairo_surface_t *surface), (surface))
LATE(SP_LATE_CAIRO, int, cairo_image_surface_get_stride, (cairo_surface_t *surface), (surface))
LATE(SP_LATE_CAIRO, int, cairo_image_surface_get_width, (cairo_surface_t *surface), (surface))
LATE_VOID(SP_LATE_CAIRO, cairo_line_to, (cairo_t *cr, double x, double y), (cr, x, y))
LATE_VOID(SP_LATE_CAIRO, cairo_move_to, (cairo_t *cr, double x, double y), (cr, x, y))
LATE_VOID(SP_LATE_CAIRO, cairo_paint, (cairo_t *cr), (cr))
LATE_VOID(SP_LATE_CAIRO, cairo_rectangle, (cairo_t *cr, double x, double y, double width, double height),
     (cr, x, y, width, height))
LATE_VOID(SP_LATE_CAIRO, cairo_restore, (cairo_t *cr), (cr))
LATE_VOID(SP_LATE_CAIRO, cairo_rotate, (cairo_t *cr, double angle), (cr, angle))
LATE_VOID(SP_LATE_CAIRO, cairo_save, (cairo_t *cr), (cr))
LATE_VOID(SP_LATE_CAIRO, cairo_scale, (cairo_t *cr, double sx, double sy), (cr, sx, sy))
LATE_VOID(SP_LATE_CAIRO, cairo_select_font_face,
     (cairo_t *cr, const char *family, cairo_font_slant_t slant, cairo_font_weight_t weight),
     (cr, family, slant, weight))
LATE_VOID(SP_LATE_CAIRO, cairo_set_dash, (cairo_t *cr, const double *dashes, int num_dashes, double offset),
     (cr, dashes, num_dashes, offset))
LATE_VOID(SP_LATE_CAIRO, cairo_set_font_options, (cairo_t *cr, const cairo_font_options_t *options), (cr, options))
LATE_VOID(SP_LATE_CAIRO, cairo_set_font_size, (cairo_t *cr, double size), (cr, size))
LATE_VOID(SP_LATE_CAIRO, cairo_set_line_width, (cairo_t *cr, double width), (cr, width))
LATE_VOID(SP_LATE_CAIRO, cairo_set_source_rgb, (cairo_t *cr, double red, double green, double blue),
     (cr, red, green, blue))
LATE_VOID(SP_LATE_CAIRO, cairo_show_page, (cairo_t *cr), (cr))
LATE_VOID(SP_LATE_CAIRO, cairo_show_text, (cairo_t *cr, const char *utf8), (cr, utf8))
LATE(SP_LATE_CAIRO, cairo_status_t, cairo_status, (cairo_t *cr), (cr))
LATE(SP_LATE_CAIRO, const char *, cairo_status_to_string, (cairo_status_t status), (status))
LATE_VOID(SP_LATE_CAIRO, cairo_stroke, (cairo_t *cr), (cr))
LATE_VOID(SP_LATE_CAIRO, cairo_surface_destroy, (cairo_surface_t *surface), (surface))
LATE_VOID(SP_LATE_CAIRO, cairo_surface_finish, (cairo_surface_t *surface), (surface))
LATE_VOID(SP_LATE_CAIRO, cairo_surface_flush, (cairo_surface_t *surface), (surface))
LATE(SP_LATE_CAIRO, cairo_status_t, cairo_surface_status, (cairo_surface_t *surface), (surface))
LATE_VOID(SP_LATE_CAIRO, cairo_text_extents, (cairo_t *cr, const char *utf8, cairo_text_extents_t *extents),
     (cr, utf8, extents))
LATE_VOID(SP_LATE_CAIRO, cairo_translate, (cairo_t *cr, double tx, double ty), (cr, tx, ty))
LATE(SP_LATE_CAIRO, cairo_surface_t *, cairo_pdf_surface_create_for_stream,
     (cairo_write_func_t write_func, void *closure, double width_in_points, double height_in_points),
     (write_func, closure, width_in_points, height_in_points))
LATE_VOID(SP_LATE_CAIRO, cairo_pdf_surface_set_metadata,
     (cairo_surface_t *surface, cairo_pdf_metadata_t metadata, const char *utf8),
     (surface, metadata, utf8))
LATE(SP_LATE_CAIRO, cairo_surface_t *, cairo_svg_surface_create_for_stream,
     (cairo_write_func_t write_func, void *closure, double width_in_points, double height_in_points),
     (write_func, closure, width_in_points, height_in_points))
LATE_VOID(SP_LATE_CAIRO, cairo_svg_surface_set_document_unit, (cairo_surface_t *surface, cairo_svg_unit_t unit),
     (surface, unit))
