/* Pieces of the picture as JPEG inside the page.
 *
 * Grain does not compress without loss, and the eye does not need it: JPEG (ISO/IEC 10918-1) of good quality is a tenth
 * of a PNG here. */
#include <math.h>
#include <stdlib.h>

#include "page_internal.h"
#include "slotproof/jpeg.h"

enum { QUALITY = 80, BEYOND = 128 };
/* Stretching: these parts of the pixels become black and white, and no difference is raised more than so. */
static const double STRETCH_TAIL = 0.004, MOST_GAIN = 6.0, EDGE_ROWS = 0.1;

/* The grey below which `part` of the pixels lie. */
static int quantile(const size_t histogram[256], size_t count, double part)
{
  size_t below = 0;
  for (int grey = 0; grey < 256; grey++) {
    below += histogram[grey];
    if ((double)below > part * (double)count)
      return grey;
  }
  return 255;
}

/* By the middle rows: above and below lies the lid, beyond the line's ends. */
static void stretch(uint8_t *grey, uint32_t width, uint32_t height)
{
  const size_t count = (size_t)width * height, skip = (size_t)width * (uint32_t)(EDGE_ROWS * height);
  size_t histogram[256] = {0};
  for (size_t i = skip; i < count - skip; i++)
    histogram[grey[i]]++;
  const double dark = quantile(histogram, count - 2 * skip, STRETCH_TAIL),
               light = quantile(histogram, count - 2 * skip, 1.0 - STRETCH_TAIL);
  const double gain = fmin(255.0 / fmax(light - dark, 1.0), MOST_GAIN), middle = 0.5 * (dark + light);
  uint8_t table[256];
  for (int i = 0; i < 256; i++)
    table[i] = (uint8_t)lround(fmin(fmax(127.5 + gain * (i - middle), 0.0), 255.0));
  for (size_t i = 0; i < count; i++)
    grey[i] = table[grey[i]];
}

static void put_image(sp_page *page, const sp_piece *p, uint8_t *grey, double x, double y, double width, double height)
{
  size_t size = 0;
  char *bytes = NULL;
  if (p->stretch)
    stretch(grey, p->width_px, p->height_px);
  page->status = sp_jpeg_grey(grey, p->width_px, p->height_px, p->width_px, QUALITY, &bytes, &size, page->err);
  if (page->status)
    return;
  sp_markup_begin(page->markup, "image");
  sp_markup_set_number(page->markup, "x", x);
  sp_markup_set_number(page->markup, "y", y);
  sp_markup_set_number(page->markup, "width", width);
  sp_markup_set_number(page->markup, "height", height);
  sp_markup_set(page->markup, "preserveAspectRatio", "none");
  sp_markup_set_data(page->markup, "href", "image/jpeg", bytes, size);
  sp_markup_end_empty(page->markup);
  free(bytes);
}

void sp_page_image(sp_page *page, const sp_piece *p, double x, double y, double width, double height)
{
  if (page->status)
    return;
  /* the bridge has the same limits; a product of two such sides fits */
  if (!p->width_px || !p->height_px || p->width_px > SP_PIECE_MAX_PX || p->height_px > SP_PIECE_MAX_PX) {
    page->status = sp_fail(page->err, SP_E_INTERNAL, "a piece of the picture cannot be drawn; report this fault");
    return;
  }
  uint8_t *grey = malloc((size_t)p->width_px * p->height_px);
  if (!grey) {
    page->status = sp_fail_memory(page->err);
    return;
  }
  page->status = sp_piece_grey(page->raster, p->origin_px, p->step_x_px, p->step_y_px, p->width_px, p->height_px,
                               BEYOND, grey, page->err);
  if (page->status == SP_OK)
    put_image(page, p, grey, x, y, width, height);
  free(grey);
}
