/* Finding the tags, by libapriltag.
 *
 * The library decides which number a square carries and which way round it lies; it corrects one wrong cell and no
 * more, so that wood and writing do not pass for a tag. It sees a picture of at most some million pixels: the rest
 * would cost time and add nothing, for its corners only say where to look; places are measured in lines.c. Its pixels
 * have their corner at whole numbers; ours their centre. */
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include <apriltag/apriltag.h>
#include <apriltag/tag36h11.h>

#include "workers/wide.h"
#include "strip_internal.h"

/* A smaller picture holds no tag. */
enum { LEAST_SIDE_PX = 32 };
/* Blocks in which black and white are looked for, and how often they are doubled: a tag is at least three of the
 * smallest broad, and its cells are at most one of the largest. In a picture longer than LONG_PX cells are larger. */
enum { BLOCK_PX = 8, BLOCK_LEVELS = 3, FEWER_LEVELS = 2, LONG_PX = 1200, BUSY_OF_NINE = 7 };
/* Below this a "tag" is noise: mean difference between cells and threshold, of 255. */
static const float LEAST_MARGIN = 25.0f;
/* Where black and white about a place differ by less than that, of 255, the library looks no further: with its own 5 it
 * follows every streak of grain and noise, which costs more than all the rest of a check. Below twice the margin. */
enum { LEAST_CONTRAST = 40 };
/* A centre is the mean of four corners, each good to some tenths of the library's pixel. */
static const double CENTRE_SD = 0.1;

/* At most MOST_FACTOR rows: their sums fit 16 bits. */
enum { MOST_FACTOR = 257 };

SP_WIDE static void add_row(const sp_raster *r, uint32_t y, uint32_t count, uint16_t *restrict sum)
{
  const size_t first = (size_t)y * r->width_px;
  if (r->u8) {
    const uint8_t *restrict row = r->u8 + first;
    for (uint32_t x = 0; x < count; x++)
      sum[x] = (uint16_t)(sum[x] + row[x]);
  } else {
    const uint16_t *restrict row = r->u16 + first;
    for (uint32_t x = 0; x < count; x++)
      sum[x] = (uint16_t)(sum[x] + (row[x] >> 8));
  }
}

/* Means of `factor` columns' sums over as many rows. */
static inline void divide_row(const uint16_t *restrict column, uint32_t width, uint32_t factor, uint8_t *restrict out)
{
  for (size_t x = 0; x < width; x++) {
    uint32_t sum = factor * factor / 2;
    for (size_t k = 0; k < factor; k++)
      sum += column[x * factor + k];
    out[x] = (uint8_t)(sum / (factor * factor));
  }
}

/* What is divided by is known beforehand for the usual factors: division proper takes longer than all the rest. */
SP_WIDE static void finish_row(const uint16_t *column, uint32_t width, uint32_t factor, uint8_t *out)
{
  switch (factor) {
  case 2:
    divide_row(column, width, 2, out);
    return;
  case 3:
    divide_row(column, width, 3, out);
    return;
  case 4:
    divide_row(column, width, 4, out);
    return;
  case 5:
    divide_row(column, width, 5, out);
    return;
  default:
    divide_row(column, width, factor, out);
  }
}

static void mirror(uint8_t *row, uint32_t width)
{
  for (uint32_t x = 0; x < width / 2; x++) {
    const uint8_t swap = row[x];
    row[x] = row[width - 1 - x];
    row[width - 1 - x] = swap;
  }
}

/* The picture for the library, means over factor x factor pixels, perhaps seen from behind. Means, because noise left
 * in would cost the library more than taking them does: it looks at every little square. */
static image_u8_t *reduced(const sp_raster *r, uint32_t factor, bool mirrored)
{
  const uint32_t width = r->width_px / factor, height = r->height_px / factor, used = width * factor;
  if (width < LEAST_SIDE_PX || height < LEAST_SIDE_PX || factor > MOST_FACTOR)
    return NULL;
  uint16_t *column = malloc((size_t)used * sizeof *column);
  image_u8_t *image = column ? image_u8_create(width, height) : NULL;
  for (uint32_t y = 0; image && y < height; y++) {
    memset(column, 0, (size_t)used * sizeof *column);
    for (uint32_t k = 0; k < factor; k++)
      add_row(r, y * factor + k, used, column);
    uint8_t *row = image->buf + (size_t)y * (size_t)image->stride;
    finish_row(column, width, factor, row);
    if (mirrored)
      mirror(row, width);
  }
  free(column);
  return image;
}

/* ---- where there may be tags ----------------------------------------------------------------------------------------
 *
 * The library weighs every edge in the picture, and wood is full of them. A tag is black and white all over its area;
 * an edge is so along a line only. What has no area of black and white is painted grey, which the library passes over.
 */
typedef struct blocks {
  uint32_t columns, rows;
  uint8_t *least, *most;
  bool *wanted;
} blocks;

static void free_blocks(blocks *b)
{
  free(b->least);
  free(b->most);
  free(b->wanted);
}

static bool make_blocks(uint32_t columns, uint32_t rows, blocks *b)
{
  const size_t count = (size_t)columns * rows;
  *b = (blocks){columns, rows, malloc(count), calloc(count, 1), calloc(count, sizeof(bool))};
  if (b->least && b->most && b->wanted) {
    memset(b->least, 255, count);
    return true;
  }
  free_blocks(b);
  return false;
}

static void note(blocks *b, size_t i, uint8_t least, uint8_t most)
{
  if (least < b->least[i])
    b->least[i] = least;
  if (most > b->most[i])
    b->most[i] = most;
}

/* Least and most of a block, column by column first. */
static inline void note_block_of(const uint8_t *first, size_t stride, uint32_t columns, uint32_t rows, uint8_t *least,
                                 uint8_t *most)
{
  uint8_t lo[BLOCK_PX], hi[BLOCK_PX];
  memset(lo, 255, sizeof lo);
  memset(hi, 0, sizeof hi);
  for (uint32_t y = 0; y < rows; y++) {
    const uint8_t *row = first + (size_t)y * stride;
    for (uint32_t x = 0; x < columns; x++) {
      lo[x] = row[x] < lo[x] ? row[x] : lo[x];
      hi[x] = row[x] > hi[x] ? row[x] : hi[x];
    }
  }
  for (uint32_t x = 0; x < columns; x++) {
    *least = lo[x] < *least ? lo[x] : *least;
    *most = hi[x] > *most ? hi[x] : *most;
  }
}

static void note_pixels(const image_u8_t *image, blocks *b)
{
  const uint32_t width = (uint32_t)image->width, height = (uint32_t)image->height;
  const size_t stride = (size_t)image->stride;
  for (uint32_t v = 0; v < b->rows; v++)
    for (uint32_t u = 0; u < b->columns; u++) {
      const size_t i = (size_t)v * b->columns + u;
      const uint8_t *first = image->buf + (size_t)v * BLOCK_PX * stride + u * BLOCK_PX;
      const uint32_t columns = width - u * BLOCK_PX < BLOCK_PX ? width - u * BLOCK_PX : BLOCK_PX;
      const uint32_t rows = height - v * BLOCK_PX < BLOCK_PX ? height - v * BLOCK_PX : BLOCK_PX;
      if (columns == BLOCK_PX) /* a number known beforehand makes it one vector */
        note_block_of(first, stride, BLOCK_PX, rows, &b->least[i], &b->most[i]);
      else
        note_block_of(first, stride, columns, rows, &b->least[i], &b->most[i]);
    }
}

static void note_blocks(const blocks *from, blocks *b)
{
  for (uint32_t y = 0; y < from->rows; y++)
    for (uint32_t x = 0; x < from->columns; x++) {
      const size_t i = (size_t)y * from->columns + x;
      note(b, (size_t)(y / 2) * b->columns + x / 2, from->least[i], from->most[i]);
    }
}

static bool busy(const blocks *b, uint32_t x, uint32_t y)
{
  const size_t i = (size_t)y * b->columns + x;
  return (float)b->most[i] - (float)b->least[i] >= 2.0f * LEAST_MARGIN;
}

/* Blocks of 3 x 3 that are black and white nearly all over are wanted, with those about them. */
static void want_areas(blocks *b)
{
  for (uint32_t y = 1; y + 1 < b->rows; y++)
    for (uint32_t x = 1; x + 1 < b->columns; x++) {
      int count = 0;
      for (uint32_t k = 0; k < 9; k++)
        count += busy(b, x - 1 + k % 3, y - 1 + k / 3);
      if (count < BUSY_OF_NINE)
        continue;
      for (uint32_t v = y > 1 ? y - 2 : 0; v <= y + 2 && v < b->rows; v++)
        for (uint32_t u = x > 1 ? x - 2 : 0; u <= x + 2 && u < b->columns; u++)
          b->wanted[(size_t)v * b->columns + u] = true;
    }
}

static void hand_down(const blocks *coarse, blocks *fine)
{
  for (uint32_t y = 0; y < fine->rows; y++)
    for (uint32_t x = 0; x < fine->columns; x++)
      fine->wanted[(size_t)y * fine->columns + x] |= coarse->wanted[(size_t)(y / 2) * coarse->columns + x / 2];
}

static void paint_unwanted(const blocks *b, image_u8_t *image)
{
  const uint32_t width = (uint32_t)image->width, height = (uint32_t)image->height;
  for (uint32_t y = 0; y < height; y++)
    for (uint32_t k = 0; k < b->columns; k++) {
      const uint32_t x = k * BLOCK_PX, room = width - x;
      if (!b->wanted[(size_t)(y / BLOCK_PX) * b->columns + k])
        memset(image->buf + (size_t)y * (size_t)image->stride + x, 128, room < BLOCK_PX ? room : BLOCK_PX);
    }
}

/* The part of a picture in which something is wanted, in pixels; nothing is if the breadth is 0. */
typedef struct part {
  uint32_t x, y, width, height;
} part;

static part wanted_part(const blocks *b, const image_u8_t *image)
{
  uint32_t x0 = b->columns, x1 = 0, y0 = b->rows, y1 = 0;
  for (uint32_t y = 0; y < b->rows; y++)
    for (uint32_t x = 0; x < b->columns; x++)
      if (b->wanted[(size_t)y * b->columns + x]) {
        x0 = x < x0 ? x : x0;
        x1 = x + 1 > x1 ? x + 1 : x1;
        y0 = y < y0 ? y : y0;
        y1 = y + 1;
      }
  if (x0 >= x1)
    return (part){0};
  const uint32_t right = x1 * BLOCK_PX, below = y1 * BLOCK_PX;
  const uint32_t width = (uint32_t)image->width, height = (uint32_t)image->height;
  const part p = {x0 * BLOCK_PX, y0 * BLOCK_PX, right < width ? right : width, below < height ? below : height};
  return (part){p.x, p.y, p.width - p.x, p.height - p.y};
}

/* False for lack of memory. Paints what holds no tag and tells the part that is left. */
static bool keep_areas(image_u8_t *image, part *left)
{
  blocks level[BLOCK_LEVELS] = {{0}};
  const int levels = image->width > LONG_PX || image->height > LONG_PX ? BLOCK_LEVELS : FEWER_LEVELS;
  uint32_t columns = ((uint32_t)image->width + BLOCK_PX - 1) / BLOCK_PX;
  uint32_t rows = ((uint32_t)image->height + BLOCK_PX - 1) / BLOCK_PX;
  int made = 0;
  while (made < levels && make_blocks(columns, rows, &level[made])) {
    if (made)
      note_blocks(&level[made - 1], &level[made]);
    else
      note_pixels(image, &level[0]);
    want_areas(&level[made++]);
    columns = (columns + 1) / 2;
    rows = (rows + 1) / 2;
  }
  for (int i = levels - 1; made == levels && i > 0; i--)
    hand_down(&level[i], &level[i - 1]);
  if (made == levels) {
    *left = wanted_part(&level[0], image);
    paint_unwanted(&level[0], image);
  }
  for (int i = 0; i < made; i++)
    free_blocks(&level[i]);
  return made == levels;
}

/* ---- the library ---------------------------------------------------------------------------------------------------
 */

/* What the library was given: a part of the picture, so many times smaller. */
typedef struct excerpt {
  part of;
  uint32_t factor;
} excerpt;

static sp_point to_picture(const double at[2], const excerpt *e)
{
  return (sp_point){(at[0] + e->of.x) * e->factor - 0.5, (at[1] + e->of.y) * e->factor - 0.5};
}

static sp_strip_tag tag_of(const apriltag_detection_t *d, const excerpt *e)
{
  sp_strip_tag tag = {.number = d->id, .centre_px = to_picture(d->c, e), .sd_px = CENTRE_SD * e->factor};
  for (int i = 0; i < 4; i++)
    tag.corner_px[i] = to_picture(d->p[i], e);
  return tag;
}

static int by_number(const void *a, const void *b)
{
  const sp_strip_tag *p = a, *q = b;
  if (p->number != q->number)
    return p->number < q->number ? -1 : 1;
  return (p->centre_px.x > q->centre_px.x) - (p->centre_px.x < q->centre_px.x);
}

static sp_status collect(zarray_t *found, const excerpt *e, sp_strip_tag **tags, size_t *count, sp_error *err)
{
  const int n = zarray_size(found);
  *tags = calloc((size_t)n + 1, sizeof **tags);
  if (!*tags)
    return sp_fail_memory(err);
  for (int i = 0; i < n; i++) {
    apriltag_detection_t *d;
    zarray_get(found, i, &d);
    if (d->decision_margin >= LEAST_MARGIN && d->id < SP_STRIP_TAGS * SP_STRIP_PIECES)
      (*tags)[(*count)++] = tag_of(d, e);
  }
  qsort(*tags, *count, sizeof **tags, by_number);
  return SP_OK;
}

static sp_status detect(image_u8_t *image, const excerpt *e, sp_strip_tag **tags, size_t *count, sp_error *err)
{
  apriltag_family_t *family = tag36h11_create();
  apriltag_detector_t *detector = apriltag_detector_create();
  zarray_t *found = NULL;
  sp_status status = SP_OK;
  if (family && detector) {
    apriltag_detector_add_family_bits(detector, family, 1);
    detector->quad_decimate = 1.0f;
    detector->qtp.min_white_black_diff = LEAST_CONTRAST;
    detector->nthreads = 1;
    image_u8_t seen = {(int32_t)e->of.width, (int32_t)e->of.height, image->stride,
                       image->buf + (size_t)e->of.y * (size_t)image->stride + e->of.x};
    found = apriltag_detector_detect(detector, &seen);
  }
  status = found ? collect(found, e, tags, count, err) : sp_fail_memory(err);
  if (found)
    apriltag_detections_destroy(found);
  if (detector)
    apriltag_detector_destroy(detector);
  if (family)
    tag36h11_destroy(family);
  return status;
}

sp_status sp_strip_find_tags(const sp_raster *raster, uint32_t most_px, sp_tag_search search, sp_strip_tag **tags,
                             size_t *count, sp_error *err)
{
  const uint32_t longer = raster->width_px > raster->height_px ? raster->width_px : raster->height_px;
  excerpt e = {.factor = (longer + most_px - 1) / most_px};
  *tags = NULL;
  *count = 0;
  image_u8_t *image = reduced(raster, e.factor, search == SP_TAGS_MIRRORED);
  if (!image) /* too small a picture to hold one */
    return SP_OK;
  e.of = (part){0, 0, (uint32_t)image->width, (uint32_t)image->height};
  sp_status status = SP_OK;
  if (search == SP_TAGS_GLANCE && !keep_areas(image, &e.of))
    status = sp_fail_memory(err);
  if (!status && e.of.width >= LEAST_SIDE_PX && e.of.height >= LEAST_SIDE_PX)
    status = detect(image, &e, tags, count, err);
  image_u8_destroy(image);
  return status;
}
