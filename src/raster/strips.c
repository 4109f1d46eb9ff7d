/* strips.c: averages over strips of rows and of columns, in one pass.
 *
 * Every later stage looks for lines in averaged profiles, so these sums touch each pixel of the scan and little else
 * does. The work is bound by memory: each row is fetched once and used for both sums while it is in the nearest cache.
 *
 * Rows. The rows of a strip are added, four at a time, into one sum a column. For 8-bit pixels the sum is 16 bits wide,
 * which doubles the lanes a vector unit works on; after at most 256 rows (256 * 255 < 65536) it is emptied into 32
 * bits.
 *
 * Columns. A run of w neighbours in a row is one value. Eight 8-bit pixels are loaded as a 64-bit word and added as
 * four 16-bit lanes, even and odd bytes apart; a multiplication adds the lanes at the end. The values of TILE_ROWS rows
 * are collected before they go, strip by strip, to the result: one write a cache line instead of one a value.
 *
 * All sums are integers and exact; the one rounding is that of the mean to float.
 */
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "raster/pages.h"
#include "workers/wide.h"
#include "slotproof/raster.h"

enum {
  TILE_ROWS = 16,       /* 16 floats are a cache line of 64 bytes */
  ROWS_AT_ONCE = 4,     /* rows added to the sums in one sweep */
  NARROW_ROWS_MAX = 256 /* 8-bit rows that fit 16-bit sums */
};

typedef struct pass {
  const sp_raster *raster;
  sp_strips *rows, *columns; /* either may be NULL */
  uint16_t *narrow;          /* sums a column over the last few rows; 8-bit rasters only */
  uint32_t *wide;            /* sums a column over the rows of the strip so far */
  float *tile;               /* tile[row_in_tile * columns->count + strip] */
  uint32_t narrow_rows;      /* rows in `narrow` */
} pass;

static void add_row_u8(uint16_t *restrict sum, const uint8_t *restrict row, size_t n)
{
  for (size_t i = 0; i < n; i++)
    sum[i] = (uint16_t)(sum[i] + row[i]);
}

static void add_four_rows_u8(uint16_t *restrict sum, const uint8_t *restrict row, size_t n)
{
  const uint8_t *restrict b = row + n, *restrict c = row + 2 * n, *restrict d = row + 3 * n;
  for (size_t i = 0; i < n; i++)
    sum[i] = (uint16_t)(sum[i] + (uint16_t)((uint16_t)(row[i] + b[i]) + (uint16_t)(c[i] + d[i])));
}

static void add_row_u16(uint32_t *restrict sum, const uint16_t *restrict row, size_t n)
{
  for (size_t i = 0; i < n; i++)
    sum[i] += row[i];
}

static void add_four_rows_u16(uint32_t *restrict sum, const uint16_t *restrict row, size_t n)
{
  const uint16_t *restrict b = row + n, *restrict c = row + 2 * n, *restrict d = row + 3 * n;
  for (size_t i = 0; i < n; i++)
    sum[i] += (uint32_t)row[i] + b[i] + c[i] + d[i];
}

static void empty_narrow(pass *p)
{
  const size_t n = p->raster->width_px;
  for (size_t i = 0; i < n; i++)
    p->wide[i] += p->narrow[i];
  memset(p->narrow, 0, n * sizeof *p->narrow);
  p->narrow_rows = 0;
}

/* Adds `count` (at most ROWS_AT_ONCE) rows from y on to the sums of the strip. */
static void add_rows(pass *p, uint32_t y, uint32_t count)
{
  const size_t n = p->raster->width_px;
  if (p->raster->u8) {
    if (p->narrow_rows + count > NARROW_ROWS_MAX)
      empty_narrow(p);
    const uint8_t *row = p->raster->u8 + y * n;
    if (count == ROWS_AT_ONCE)
      add_four_rows_u8(p->narrow, row, n);
    else
      for (uint32_t k = 0; k < count; k++)
        add_row_u8(p->narrow, row + k * n, n);
    p->narrow_rows += count;
  } else {
    const uint16_t *row = p->raster->u16 + y * n;
    if (count == ROWS_AT_ONCE)
      add_four_rows_u16(p->wide, row, n);
    else
      for (uint32_t k = 0; k < count; k++)
        add_row_u16(p->wide, row + k * n, n);
  }
}

static void finish_row_strip(pass *p, uint32_t strip)
{
  if (p->narrow)
    empty_narrow(p);
  const size_t n = p->rows->length_px;
  const double weight = 1.0 / p->rows->width_px;
  float *restrict mean = p->rows->mean + strip * n;
  for (size_t i = 0; i < n; i++)
    mean[i] = (float)(p->wide[i] * weight);
  memset(p->wide, 0, n * sizeof *p->wide);
}

/* Sum of n bytes, eight at a time. A lane of 16 bits takes 2 * 255 a word; 32 words keep the sum of all four lanes
 * below 65536, so that the multiplication gathers them without loss in the top 16 bits. */
static uint32_t sum_u8(const uint8_t *bytes, uint32_t n)
{
  const uint64_t even_bytes = UINT64_C(0x00ff00ff00ff00ff);
  uint32_t total = 0;
  while (n >= 8) {
    const uint32_t words = n / 8 < 32 ? n / 8 : 32;
    uint64_t lanes = 0;
    for (uint32_t k = 0; k < words; k++) {
      uint64_t word;
      memcpy(&word, bytes + 8 * k, sizeof word);
      lanes += (word & even_bytes) + ((word >> 8) & even_bytes);
    }
    total += (uint32_t)((lanes * UINT64_C(0x0001000100010001)) >> 48);
    bytes += 8 * words;
    n -= 8 * words;
  }
  for (uint32_t k = 0; k < n; k++)
    total += bytes[k];
  return total;
}

static uint32_t sum_u16(const uint16_t *samples, uint32_t n)
{
  uint32_t total = 0;
  for (uint32_t k = 0; k < n; k++)
    total += samples[k];
  return total;
}

/* The usual widths fill a few words: WORDS whole ones, and of the one that ends with the run the samples not yet
 * counted. How many is known where this is compiled, so that nothing but additions is left. */
enum { MOST_WORDS = 4 };

static uint64_t word_at(const void *samples)
{
  uint64_t word;
  memcpy(&word, samples, sizeof word);
  return word;
}

/* All bits of the last `count` bytes of a word. */
static uint64_t last_bytes(size_t count)
{
  uint8_t bytes[sizeof(uint64_t)] = {0};
  for (size_t i = sizeof bytes - count; i < sizeof bytes; i++)
    bytes[i] = 255;
  return word_at(bytes);
}

static inline void average_few_u8(const uint8_t *row, uint32_t w, uint32_t count, uint32_t words, float *restrict out)
{
  const uint64_t even_bytes = UINT64_C(0x00ff00ff00ff00ff), rest = last_bytes(w % 8);
  const double weight = 1.0 / w;
  for (uint32_t s = 0; s < count; s++, row += w) {
    const uint64_t last = word_at(row + w - 8) & rest;
    uint64_t lanes = (last & even_bytes) + ((last >> 8) & even_bytes);
    for (uint32_t k = 0; k < words; k++) {
      const uint64_t word = word_at(row + 8 * k);
      lanes += (word & even_bytes) + ((word >> 8) & even_bytes);
    }
    out[s] = (float)((uint32_t)((lanes * UINT64_C(0x0001000100010001)) >> 48) * weight);
  }
}

static inline void average_few_u16(const uint16_t *row, uint32_t w, uint32_t count, uint32_t words, float *restrict out)
{
  const uint64_t even = UINT64_C(0x0000ffff0000ffff), rest = last_bytes(2 * (w % 4));
  const double weight = 1.0 / w;
  for (uint32_t s = 0; s < count; s++, row += w) {
    const uint64_t last = word_at(row + w - 4) & rest;
    uint64_t lanes = (last & even) + ((last >> 16) & even);
    for (uint32_t k = 0; k < words; k++) {
      const uint64_t word = word_at(row + 4 * k);
      lanes += (word & even) + ((word >> 16) & even);
    }
    out[s] = (float)((uint32_t)(lanes + (lanes >> 32)) * weight);
  }
}

static void average_runs_u8(const uint8_t *row, uint32_t w, uint32_t count, float *restrict out)
{
  const double weight = 1.0 / w;
  switch (w / 8) {
  case 1:
    average_few_u8(row, w, count, 1, out);
    return;
  case 2:
    average_few_u8(row, w, count, 2, out);
    return;
  case 3:
    average_few_u8(row, w, count, 3, out);
    return;
  case MOST_WORDS:
    average_few_u8(row, w, count, MOST_WORDS, out);
    return;
  default:
    for (uint32_t s = 0; s < count; s++)
      out[s] = (float)(sum_u8(row + (size_t)s * w, w) * weight);
  }
}

static void average_runs_u16(const uint16_t *row, uint32_t w, uint32_t count, float *restrict out)
{
  const double weight = 1.0 / w;
  switch (w / 4) {
  case 1:
    average_few_u16(row, w, count, 1, out);
    return;
  case 2:
    average_few_u16(row, w, count, 2, out);
    return;
  case 3:
    average_few_u16(row, w, count, 3, out);
    return;
  case MOST_WORDS:
    average_few_u16(row, w, count, MOST_WORDS, out);
    return;
  default:
    for (uint32_t s = 0; s < count; s++)
      out[s] = (float)(sum_u16(row + (size_t)s * w, w) * weight);
  }
}

static void average_runs(const pass *p, uint32_t y, float *restrict out)
{
  const uint32_t w = p->columns->width_px, count = p->columns->count;
  const size_t first = (size_t)y * p->raster->width_px;
  if (p->raster->u8)
    average_runs_u8(p->raster->u8 + first, w, count, out);
  else
    average_runs_u16(p->raster->u16 + first, w, count, out);
}

/* Moves the values of `count` rows, the first of them row y, from the tile to the strips. */
static void empty_tile(const pass *p, uint32_t y, uint32_t count)
{
  const size_t strips = p->columns->count, length = p->columns->length_px;
  for (size_t s = 0; s < strips; s++) {
    float *restrict out = p->columns->mean + s * length + y;
    const float *restrict in = p->tile + s;
    for (uint32_t k = 0; k < count; k++)
      out[k] = in[k * strips];
  }
}

static uint32_t least(uint32_t a, uint32_t b)
{
  return a < b ? a : b;
}

SP_WIDE static void run(pass *p)
{
  const uint32_t height = p->raster->height_px;
  const uint32_t row_w = p->rows ? p->rows->width_px : height;
  const uint32_t summed_rows = p->rows ? p->rows->count * row_w : 0;
  for (uint32_t y = 0, step; y < height; y += step) {
    step = least(least(ROWS_AT_ONCE, height - y), TILE_ROWS - y % TILE_ROWS);
    step = least(step, row_w - y % row_w);
    const uint32_t next = y + step;
    if (y < summed_rows) {
      add_rows(p, y, step);
      if (next % row_w == 0)
        finish_row_strip(p, y / row_w);
    }
    if (!p->columns) {
      if (next >= summed_rows)
        return;
      continue;
    }
    for (uint32_t k = y; k < next; k++)
      average_runs(p, k, p->tile + (size_t)(k % TILE_ROWS) * p->columns->count);
    if (next % TILE_ROWS == 0 || next == height)
      empty_tile(p, y - y % TILE_ROWS, next - (y - y % TILE_ROWS));
  }
}

static sp_status create_strips(uint32_t available, uint32_t w, uint32_t length, const char *what, sp_strips *out,
                               sp_error *err)
{
  if (w == 0 || w > SP_STRIPS_MAX_WIDTH_PX)
    return sp_fail(err, SP_E_INTERNAL, "strips of %u %s were asked for; 1 to %u are possible", w, what,
                   SP_STRIPS_MAX_WIDTH_PX);
  if (available < w)
    return sp_fail(err, SP_E_DATA,
                   "the picture has only %u %s, %u are needed; scan at a higher resolution or crop less", available,
                   what, w);
  const uint32_t count = available / w;
  /* count * length is at most the number of pixels of a raster that exists, so only the size of float can overflow. */
  if ((uint64_t)count * length > SIZE_MAX / 2 / sizeof(float))
    return sp_fail_memory(err);
  *out = (sp_strips){.count = count, .length_px = length, .width_px = w};
  out->mean = sp_pages_allocate((size_t)count * length * sizeof(float));
  return out->mean ? SP_OK : sp_fail_memory(err);
}

static bool take_buffers(pass *p)
{
  const size_t n = p->raster->width_px;
  if (p->rows) {
    p->wide = calloc(n, sizeof *p->wide);
    if (p->raster->u8)
      p->narrow = calloc(n, sizeof *p->narrow);
    if (!p->wide || (p->raster->u8 && !p->narrow))
      return false;
  }
  if (p->columns) {
    p->tile = calloc((size_t)p->columns->count, TILE_ROWS * sizeof *p->tile);
    if (!p->tile)
      return false;
  }
  return true;
}

static sp_status average(const sp_raster *raster, uint32_t row_w, uint32_t column_w, sp_strips *rows,
                         sp_strips *columns, sp_error *err)
{
  pass p = {.raster = raster, .rows = rows, .columns = columns};
  if (rows)
    *rows = (sp_strips){0};
  if (columns)
    *columns = (sp_strips){0};
  sp_status status = SP_OK;
  if (rows)
    status = create_strips(raster->height_px, row_w, raster->width_px, "rows", rows, err);
  if (status == SP_OK && columns)
    status = create_strips(raster->width_px, column_w, raster->height_px, "columns", columns, err);
  if (status == SP_OK && !take_buffers(&p))
    status = sp_fail_memory(err);
  if (status == SP_OK)
    run(&p);
  free(p.narrow);
  free(p.wide);
  free(p.tile);
  if (status != SP_OK) {
    sp_strips_free(rows);
    sp_strips_free(columns);
  }
  return status;
}

sp_status sp_strips_rows(const sp_raster *raster, uint32_t w, sp_strips *out, sp_error *err)
{
  return average(raster, w, 0, out, NULL, err);
}

sp_status sp_strips_columns(const sp_raster *raster, uint32_t w, sp_strips *out, sp_error *err)
{
  return average(raster, 0, w, NULL, out, err);
}

sp_status sp_strips_both(const sp_raster *raster, uint32_t row_w, uint32_t column_w, sp_strips *rows,
                         sp_strips *columns, sp_error *err)
{
  return average(raster, row_w, column_w, rows, columns, err);
}

void sp_strips_free(sp_strips *strips)
{
  if (!strips)
    return;
  free(strips->mean);
  *strips = (sp_strips){0};
}
