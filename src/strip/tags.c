/* Finding the tags, by libapriltag.
 *
 * The library decides which number a square carries and which way round it lies; it corrects one wrong cell and no
 * more, so that wood and writing do not pass for a tag. It sees a picture of at most some million pixels: the rest
 * would cost time and add nothing, for its corners only say where to look; places are measured in lines.c. Its pixels
 * have their corner at whole numbers; ours their centre. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <apriltag/apriltag.h>
#include <apriltag/tag36h11.h>

#include "strip_internal.h"

/* A smaller picture holds no tag. */
enum { LEAST_SIDE_PX = 32 };
/* Below this a "tag" is noise: mean difference between cells and threshold, of 255. */
static const float LEAST_MARGIN = 25.0f;
/* A centre is the mean of four corners, each good to some tenths of the library's pixel. */
static const double CENTRE_SD = 0.1;

static void add_row(const sp_raster *r, uint32_t y, uint32_t count, uint32_t *sum)
{
  const size_t first = (size_t)y * r->width_px;
  if (r->u8)
    for (uint32_t x = 0; x < count; x++)
      sum[x] += r->u8[first + x];
  else
    for (uint32_t x = 0; x < count; x++)
      sum[x] += (uint32_t)r->u16[first + x] >> 8;
}

/* The picture for the library, means over factor x factor pixels, perhaps seen from behind. Means, because noise left
 * in would cost the library more than taking them does: it looks at every little square. */
static image_u8_t *reduced(const sp_raster *r, uint32_t factor, bool mirrored)
{
  const uint32_t width = r->width_px / factor, height = r->height_px / factor, used = width * factor;
  if (width < LEAST_SIDE_PX || height < LEAST_SIDE_PX)
    return NULL;
  uint32_t *column = malloc((size_t)used * sizeof *column);
  image_u8_t *image = column ? image_u8_create(width, height) : NULL;
  for (uint32_t y = 0; image && y < height; y++) {
    memset(column, 0, (size_t)used * sizeof *column);
    for (uint32_t k = 0; k < factor; k++)
      add_row(r, y * factor + k, used, column);
    for (uint32_t x = 0; x < width; x++) {
      uint32_t sum = factor * factor / 2;
      for (uint32_t k = 0; k < factor; k++)
        sum += column[x * factor + k];
      const uint32_t to = mirrored ? width - 1 - x : x;
      image->buf[y * (uint32_t)image->stride + to] = (uint8_t)(sum / (factor * factor));
    }
  }
  free(column);
  return image;
}

static sp_point to_picture(const double at[2], uint32_t factor)
{
  return (sp_point){at[0] * factor - 0.5, at[1] * factor - 0.5};
}

static sp_tag tag_of(const apriltag_detection_t *d, uint32_t factor)
{
  sp_tag tag = {.number = d->id, .centre = to_picture(d->c, factor), .sd_px = CENTRE_SD * factor};
  for (int i = 0; i < 4; i++)
    tag.corner[i] = to_picture(d->p[i], factor);
  return tag;
}

static int by_number(const void *a, const void *b)
{
  const sp_tag *p = a, *q = b;
  if (p->number != q->number)
    return p->number < q->number ? -1 : 1;
  return (p->centre.x > q->centre.x) - (p->centre.x < q->centre.x);
}

static sp_status collect(zarray_t *found, uint32_t factor, sp_tag **tags, size_t *count, sp_error *err)
{
  const int n = zarray_size(found);
  *tags = calloc((size_t)n + 1, sizeof **tags);
  if (!*tags)
    return sp_fail_memory(err);
  for (int i = 0; i < n; i++) {
    apriltag_detection_t *d;
    zarray_get(found, i, &d);
    if (d->decision_margin >= LEAST_MARGIN && d->id < SP_STRIP_TAGS * SP_STRIP_PIECES)
      (*tags)[(*count)++] = tag_of(d, factor);
  }
  qsort(*tags, *count, sizeof **tags, by_number);
  return SP_OK;
}

static sp_status detect(image_u8_t *image, uint32_t factor, sp_tag **tags, size_t *count, sp_error *err)
{
  apriltag_family_t *family = tag36h11_create();
  apriltag_detector_t *detector = apriltag_detector_create();
  zarray_t *found = NULL;
  sp_status status = SP_OK;
  if (family && detector) {
    apriltag_detector_add_family_bits(detector, family, 1);
    detector->quad_decimate = 1.0f;
    detector->nthreads = 1;
    found = apriltag_detector_detect(detector, image);
  }
  status = found ? collect(found, factor, tags, count, err) : sp_fail_memory(err);
  if (found)
    apriltag_detections_destroy(found);
  if (detector)
    apriltag_detector_destroy(detector);
  if (family)
    tag36h11_destroy(family);
  return status;
}

sp_status sp_strip_find_tags(const sp_raster *raster, uint32_t most_px, bool mirrored, sp_tag **tags, size_t *count,
                             sp_error *err)
{
  const uint32_t longer = raster->width_px > raster->height_px ? raster->width_px : raster->height_px;
  const uint32_t factor = (longer + most_px - 1) / most_px;
  *tags = NULL;
  *count = 0;
  image_u8_t *image = reduced(raster, factor, mirrored);
  if (!image) /* too small a picture to hold one */
    return SP_OK;
  const sp_status status = detect(image, factor, tags, count, err);
  image_u8_destroy(image);
  return status;
}
