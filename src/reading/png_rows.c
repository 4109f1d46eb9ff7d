/* png_rows.c: chunks, zlib and the five filters of ISO/IEC 15948 (clauses 5.3, 9.2, 10), and nothing else.
 *
 * A filter that adds the pixel to the left has to wait for it. Kept in a register that is a cycle a sample; libpng,
 * which works in place, fetches it back from where it has just been stored, and for a grey scan that takes as long as
 * half of the unpacking. The unpacked bytes come in large pieces of whole rows, so that zlib is seldom interrupted. The
 * CRC-32 of each chunk is checked, and by zlib the sum over the unpacked bytes.
 */
#include "png_rows.h"

#include <stdlib.h>
#include <string.h>

#include <zlib.h>

enum { INPUT_BYTES = 65536, PIECE_BYTES = 1 << 18, CHUNK_HEAD = 8, CRC_BYTES = 4, PIXEL_MOST = 8, FILTERS = 5 };
static const size_t ROW_MOST = (size_t)1 << 30;
static const uint32_t CHUNK_MOST = 0x7fffffff;

struct sp_png_rows {
  sp_source *source;
  uint64_t at;          /* of the next byte of the file */
  uint32_t chunk_left;  /* bytes of the IDAT chunk that are not read yet */
  uLong crc;            /* of the chunk so far */
  bool in_stream, over; /* zlib's state is there; it has come to the end of its data */
  z_stream stream;
  size_t row_bytes, stride; /* a row, and with its filter's number */
  uint32_t pixel_bytes, rows_left, piece_rows,
      row; /* rows not unpacked yet; rows of a piece; the one of it that is next */
  uint32_t piece_filled;
  uint8_t *piece, *line[2];
  uint8_t input[INPUT_BYTES];
};

static uint32_t word_of(const uint8_t *b)
{
  return (uint32_t)b[0] << 24 | (uint32_t)b[1] << 16 | (uint32_t)b[2] << 8 | b[3];
}

static bool take(sp_png_rows *r, void *out, size_t n)
{
  if (sp_source_read_at(r->source, r->at, out, n) != n)
    return false;
  r->at += n;
  return true;
}

/* ---- chunks ----------------------------------------------------------------------------------------------------- */

/* A chunk's head: its length, and its type into `type`. */
static bool begin_chunk(sp_png_rows *r, uint8_t type[4])
{
  uint8_t head[CHUNK_HEAD];
  if (!take(r, head, sizeof head) || word_of(head) > CHUNK_MOST)
    return false;
  r->chunk_left = word_of(head);
  r->crc = crc32(0, head + 4, 4);
  memcpy(type, head + 4, 4);
  return true;
}

/* Up to `most` bytes of the chunk; how many, 0 if they are not there. */
static size_t read_chunk(sp_png_rows *r, uint8_t *out, size_t most)
{
  const size_t n = r->chunk_left < most ? r->chunk_left : most;
  if (n == 0 || !take(r, out, n))
    return 0;
  r->crc = crc32(r->crc, out, (uInt)n);
  r->chunk_left -= (uint32_t)n;
  return n;
}

static bool end_chunk(sp_png_rows *r)
{
  uint8_t sum[CRC_BYTES];
  return r->chunk_left == 0 && take(r, sum, sizeof sum) && word_of(sum) == (uint32_t)r->crc;
}

/* More packed bytes. */
static bool feed(sp_png_rows *r)
{
  uint8_t type[4];
  while (r->chunk_left == 0)
    if (!end_chunk(r) || !begin_chunk(r, type) || memcmp(type, "IDAT", 4) != 0)
      return false;
  r->stream.next_in = r->input;
  r->stream.avail_in = (uInt)read_chunk(r, r->input, sizeof r->input);
  return r->stream.avail_in > 0;
}

/* ---- unpacking -------------------------------------------------------------------------------------------------- */

static bool unpack(sp_png_rows *r)
{
  const uint32_t count = r->rows_left < r->piece_rows ? r->rows_left : r->piece_rows;
  r->stream.next_out = r->piece;
  r->stream.avail_out = (uInt)(count * r->stride);
  while (r->stream.avail_out > 0) {
    if (r->stream.avail_in == 0 && !feed(r))
      return false;
    const int status = inflate(&r->stream, Z_NO_FLUSH);
    r->over = status == Z_STREAM_END;
    if (status != Z_OK && !(r->over && r->stream.avail_out == 0))
      return false;
  }
  r->rows_left -= count;
  r->piece_filled = count;
  r->row = 0;
  return count > 0;
}

/* ---- filters ---------------------------------------------------------------------------------------------------- */

/* Of left, above and upper left the one nearest to left + above - upper left (9.4). */
static inline int paeth(int left, int above, int corner)
{
  const int by_left = abs(above - corner), by_above = abs(left - corner), by_corner = abs(left + above - 2 * corner);
  const int other = by_above <= by_corner ? above : corner;
  return by_left <= by_above && by_left <= by_corner ? left : other;
}

/* `p` is a constant wherever these are called, so that the pixel before stays in registers. */
static inline void add_left(size_t n, size_t p, const uint8_t *restrict in, uint8_t *restrict out)
{
  uint8_t left[PIXEL_MOST] = {0};
  for (size_t i = 0; i + p <= n; i += p)
    for (size_t k = 0; k < p; k++)
      out[i + k] = left[k] = (uint8_t)(in[i + k] + left[k]);
}

static inline void add_mean(size_t n, size_t p, const uint8_t *restrict in, const uint8_t *restrict above,
                            uint8_t *restrict out)
{
  uint8_t left[PIXEL_MOST] = {0};
  for (size_t i = 0; i + p <= n; i += p)
    for (size_t k = 0; k < p; k++)
      out[i + k] = left[k] = (uint8_t)(in[i + k] + (left[k] + above[i + k]) / 2);
}

static inline void add_paeth(size_t n, size_t p, const uint8_t *restrict in, const uint8_t *restrict above,
                             uint8_t *restrict out)
{
  int left[PIXEL_MOST] = {0}, corner[PIXEL_MOST] = {0};
  for (size_t i = 0; i + p <= n; i += p)
    for (size_t k = 0; k < p; k++) {
      const int up = above[i + k];
      left[k] = (in[i + k] + paeth(left[k], up, corner[k])) & 0xff;
      corner[k] = up;
      out[i + k] = (uint8_t)left[k];
    }
}

static void add_above(size_t n, const uint8_t *restrict in, const uint8_t *restrict above, uint8_t *restrict out)
{
  for (size_t i = 0; i < n; i++)
    out[i] = (uint8_t)(in[i] + above[i]);
}

static inline void undo(int filter, size_t n, size_t p, const uint8_t *in, const uint8_t *above, uint8_t *out)
{
  if (filter == 1)
    add_left(n, p, in, out);
  else if (filter == 3)
    add_mean(n, p, in, above, out);
  else
    add_paeth(n, p, in, above, out);
}

/* Of a row of n bytes with pixels of p; `above` is the row before, of zeros before the first. */
static void unfilter(int filter, size_t n, uint32_t p, const uint8_t *in, const uint8_t *above, uint8_t *out)
{
  if (filter == 0)
    memcpy(out, in, n);
  else if (filter == 2)
    add_above(n, in, above, out);
  else if (p == 1)
    undo(filter, n, 1, in, above, out);
  else if (p == 2)
    undo(filter, n, 2, in, above, out);
  else if (p == 3)
    undo(filter, n, 3, in, above, out);
  else if (p == 4)
    undo(filter, n, 4, in, above, out);
  else if (p == 6)
    undo(filter, n, 6, in, above, out);
  else
    undo(filter, n, 8, in, above, out);
}

/* ---- all of it -------------------------------------------------------------------------------------------------- */

static bool take_memory(sp_png_rows *r)
{
  r->piece = malloc(r->piece_rows * r->stride);
  for (int k = 0; k < 2; k++)
    r->line[k] = calloc(r->row_bytes, 1);
  return r->piece && r->line[0] && r->line[1];
}

/* The chunk that the data lie in is an IDAT, and zlib is there. */
static bool begin(sp_png_rows *r)
{
  uint8_t type[4];
  if (!begin_chunk(r, type) || memcmp(type, "IDAT", 4) != 0)
    return false;
  r->in_stream = inflateInit(&r->stream) == Z_OK;
  return r->in_stream;
}

sp_png_rows *sp_png_rows_open(sp_source *source, uint64_t data, size_t row_bytes, uint32_t pixel_bytes, uint32_t rows)
{
  const bool usual = (pixel_bytes >= 1 && pixel_bytes <= 4) || pixel_bytes == 6 || pixel_bytes == 8;
  if (!usual || row_bytes == 0 || row_bytes > ROW_MOST || row_bytes % pixel_bytes != 0 || data < CHUNK_HEAD)
    return NULL;
  sp_png_rows *r = calloc(1, sizeof *r);
  if (!r)
    return NULL;
  r->source = source;
  r->at = data - CHUNK_HEAD;
  r->row_bytes = row_bytes;
  r->stride = row_bytes + 1;
  r->pixel_bytes = pixel_bytes;
  r->rows_left = rows;
  r->piece_rows = r->stride < PIECE_BYTES ? (uint32_t)(PIECE_BYTES / r->stride) : 1;
  if (take_memory(r) && begin(r))
    return r;
  sp_png_rows_close(r);
  return NULL;
}

const uint8_t *sp_png_rows_next(sp_png_rows *r)
{
  if (r->row == r->piece_filled && !unpack(r))
    return NULL;
  const uint8_t *in = r->piece + r->row * r->stride, *above = r->line[0];
  uint8_t *out = r->line[1];
  if (in[0] >= FILTERS)
    return NULL;
  unfilter(in[0], r->row_bytes, r->pixel_bytes, in + 1, above, out);
  r->line[1] = r->line[0];
  r->line[0] = out;
  r->row++;
  return out;
}

/* The end of the packed data, which may come without a further byte of pixels only. */
static bool end_stream(sp_png_rows *r)
{
  uint8_t beyond;
  while (!r->over) {
    if (r->stream.avail_in == 0 && !feed(r))
      return false;
    r->stream.next_out = &beyond;
    r->stream.avail_out = 1;
    const int status = inflate(&r->stream, Z_NO_FLUSH);
    r->over = status == Z_STREAM_END;
    if ((status != Z_OK && !r->over) || r->stream.avail_out == 0)
      return false;
  }
  return r->stream.avail_in == 0;
}

/* Ancillary chunks have a small first letter (5.4); an eXIf chunk may turn the picture. */
bool sp_png_rows_end(sp_png_rows *r)
{
  enum { ANCILLARY = 0x20 };
  uint8_t type[4];
  if (r->rows_left > 0 || r->row != r->piece_filled || !end_stream(r) || !end_chunk(r))
    return false;
  while (begin_chunk(r, type)) {
    if (memcmp(type, "IEND", 4) == 0)
      return end_chunk(r);
    if (!(type[0] & ANCILLARY) || memcmp(type, "eXIf", 4) == 0)
      return false;
    while (r->chunk_left > 0)
      if (read_chunk(r, r->input, sizeof r->input) == 0)
        return false;
    if (!end_chunk(r))
      return false;
  }
  return false;
}

void sp_png_rows_close(sp_png_rows *r)
{
  if (!r)
    return;
  if (r->in_stream)
    (void)inflateEnd(&r->stream);
  free(r->piece);
  free(r->line[0]);
  free(r->line[1]);
  free(r);
}
