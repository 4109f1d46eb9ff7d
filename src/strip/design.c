/* How many pieces and pages; and the tags' patterns, which are the library's. */
#include <math.h>

#include <apriltag/apriltag.h>
#include <apriltag/tag36h11.h>

#include "strip_internal.h"

/* Printers do not stretch more; a length further off has been misread. */
static const double MOST_STRETCH = 0.03;

static bool is_near(double measured_mm, double nominal_mm)
{
  return fabs(measured_mm / nominal_mm - 1.0) <= MOST_STRETCH;
}

double sp_strip_check_meant(double measured_mm)
{
  if (is_near(measured_mm, SP_STRIP_CHECK_MM))
    return SP_STRIP_CHECK_MM;
  return is_near(measured_mm, SP_STRIP_LONG_CHECK_MM) ? SP_STRIP_LONG_CHECK_MM : NAN;
}

double sp_strip_stretch(double measured_mm)
{
  return measured_mm / sp_strip_check_meant(measured_mm);
}

double sp_strip_cross_stretch(double measured_mm)
{
  return is_near(measured_mm, SP_STRIP_CROSS_CHECK_MM) ? measured_mm / SP_STRIP_CROSS_CHECK_MM : NAN;
}

int32_t sp_strip_pieces_for(double length_mm)
{
  const double pieces = ceil(length_mm / SP_STRIP_LENGTH_MM - 1e-9);
  return pieces >= 1.0 && pieces <= SP_STRIP_PIECES ? (int32_t)pieces : 0;
}

int32_t sp_strip_pages(int32_t pieces)
{
  return (pieces + SP_PIECES_A_PAGE - 1) / SP_PIECES_A_PAGE;
}

sp_status sp_strip_pattern(int32_t number, bool black[SP_TAG_CELLS][SP_TAG_CELLS], sp_error *err)
{
  apriltag_family_t *family = tag36h11_create();
  image_u8_t *image =
      family && number >= 0 && (uint32_t)number < family->ncodes ? apriltag_to_image(family, number) : NULL;
  const int32_t border = image ? (image->width - SP_TAG_CELLS) / 2 : 0;
  const bool fits = image && image->width == image->height && image->width == SP_TAG_CELLS + 2 * border && border >= 1;
  for (int32_t y = 0; fits && y < SP_TAG_CELLS; y++)
    for (int32_t x = 0; x < SP_TAG_CELLS; x++)
      black[y][x] = image->buf[(y + border) * image->stride + x + border] < 128;
  if (image)
    image_u8_destroy(image);
  if (family)
    tag36h11_destroy(family);
  return fits ? SP_OK : sp_fail(err, SP_E_INTERNAL, "tag %d could not be drawn; report this fault", number);
}
