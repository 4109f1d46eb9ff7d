/* grey.c: one grey value a pixel.
 *
 * Colour becomes luma, Y' = 0.299 R' + 0.587 G' + 0.114 B' (Rec. ITU-R BT.601-7, 2.5.1), in 16-bit fixed point with
 * weights that add up to one, so that grey stays exactly grey. Ink becomes light by R = (1 - C)(1 - K) and so on, the
 * plain complement: a profile would change the values a little and the place of an edge not at all.
 */
#include "grey.h"

#define LUMA_RED   19595u /* 0.299 * 65536 */
#define LUMA_GREEN 38470u /* 0.587 * 65536 */
#define LUMA_BLUE  7471u  /* 0.114 * 65536; the three add up to 65536 */
#define LUMA_HALF  32768u

/* 65535 * 65536 + 32768 still fits 32 bits. */
static uint32_t luma(uint32_t red, uint32_t green, uint32_t blue)
{
  return (LUMA_RED * red + LUMA_GREEN * green + LUMA_BLUE * blue + LUMA_HALF) >> 16;
}

uint16_t sp_luma_u16(uint32_t red, uint32_t green, uint32_t blue)
{
  return (uint16_t)luma(red, green, blue);
}

/* a * b / full, rounded; a and b in 0..full, full 255 or 65535. */
static uint32_t product(uint32_t a, uint32_t b, uint32_t full)
{
  return (uint32_t)(((uint64_t)a * b + full / 2) / full);
}

static uint32_t over_white(sp_alpha kind, uint32_t grey, uint32_t alpha, uint32_t full)
{
  if (kind == SP_ALPHA_STRAIGHT)
    return (uint32_t)(((uint64_t)grey * alpha + (uint64_t)full * (full - alpha) + full / 2) / full);
  const uint32_t sum = grey + (full - alpha);
  return sum < full ? sum : full; /* a premultiplied value above its alpha is a writer's slip */
}

static uint32_t ink_to_grey(uint32_t cyan, uint32_t magenta, uint32_t yellow, uint32_t black, bool inverted,
                            uint32_t full)
{
  if (inverted)
    return product(luma(cyan, magenta, yellow), black, full);
  return product(luma(full - cyan, full - magenta, full - yellow), full - black, full);
}

void sp_grey_row_u8(const sp_pixel_layout *layout, const uint8_t *in, uint32_t n, uint8_t *out)
{
  const uint32_t step = layout->samples;
  const uint8_t flip = layout->inverted ? 255 : 0;
  for (size_t i = 0; i < n; i++) {
    const uint8_t *p = in + i * step;
    if (layout->model == SP_MODEL_GREY)
      out[i] = p[0] ^ flip;
    else if (layout->model == SP_MODEL_RGB)
      out[i] = (uint8_t)luma(p[0], p[1], p[2]);
    else
      out[i] = (uint8_t)ink_to_grey(p[0], p[1], p[2], p[3], layout->inverted, 255);
  }
  if (layout->alpha != SP_ALPHA_NONE)
    for (size_t i = 0; i < n; i++)
      out[i] = (uint8_t)over_white(layout->alpha, out[i], in[i * step + layout->alpha_index], 255);
}

void sp_grey_row_u16(const sp_pixel_layout *layout, const uint16_t *in, uint32_t n, uint16_t *out)
{
  const uint32_t step = layout->samples;
  const uint16_t flip = layout->inverted ? 65535 : 0;
  for (size_t i = 0; i < n; i++) {
    const uint16_t *p = in + i * step;
    if (layout->model == SP_MODEL_GREY)
      out[i] = p[0] ^ flip;
    else if (layout->model == SP_MODEL_RGB)
      out[i] = (uint16_t)luma(p[0], p[1], p[2]);
    else
      out[i] = (uint16_t)ink_to_grey(p[0], p[1], p[2], p[3], layout->inverted, 65535);
  }
  if (layout->alpha != SP_ALPHA_NONE)
    for (size_t i = 0; i < n; i++)
      out[i] = (uint16_t)over_white(layout->alpha, out[i], in[i * step + layout->alpha_index], 65535);
}

typedef struct bit_reader {
  const uint8_t *next;
  uint32_t held; /* the low `count` bits are still to be handed out */
  unsigned count;
} bit_reader;

static uint32_t take_bits(bit_reader *reader, unsigned bits)
{
  while (reader->count < bits) {
    reader->held = (reader->held << 8) | *reader->next++;
    reader->count += 8;
  }
  reader->count -= bits;
  return (reader->held >> reader->count) & ((1u << bits) - 1u);
}

void sp_unpack_u8(const uint8_t *in, size_t n, unsigned bits, bool scaled, uint8_t *out)
{
  const uint32_t top = (1u << bits) - 1u;
  bit_reader reader = {.next = in};
  for (size_t i = 0; i < n; i++) {
    const uint32_t value = take_bits(&reader, bits);
    out[i] = (uint8_t)(scaled ? (value * 255u + top / 2) / top : value);
  }
}

void sp_unpack_u16(const uint8_t *in, size_t n, unsigned bits, uint16_t *out)
{
  const uint32_t top = (1u << bits) - 1u;
  bit_reader reader = {.next = in};
  for (size_t i = 0; i < n; i++)
    out[i] = (uint16_t)((take_bits(&reader, bits) * 65535u + top / 2) / top);
}
