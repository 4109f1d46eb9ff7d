/* grey.h (internal): decoded samples -> grey. */
#ifndef SLOTPROOF_READING_GREY_H
#define SLOTPROOF_READING_GREY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

typedef enum sp_model { SP_MODEL_GREY = 1, SP_MODEL_RGB = 3, SP_MODEL_CMYK = 4 } sp_model; /* value: colour samples */
typedef enum sp_alpha { SP_ALPHA_NONE, SP_ALPHA_STRAIGHT, SP_ALPHA_PREMULTIPLIED } sp_alpha;

/* How the samples of one pixel follow each other: the colour first, then whatever else. */
typedef struct sp_pixel_layout {
  sp_model model;
  uint32_t samples; /* in one pixel, all told */
  sp_alpha alpha;
  uint32_t alpha_index; /* which sample is the alpha */
  bool inverted;        /* grey: 0 is white; CMYK: 0 is full ink */
} sp_pixel_layout;

/* n pixels at full scale 255 or 65535. What is see-through is laid over white. */
void sp_grey_row_u8(const sp_pixel_layout *layout, const uint8_t *in, uint32_t n, uint8_t *out);
void sp_grey_row_u16(const sp_pixel_layout *layout, const uint16_t *in, uint32_t n, uint16_t *out);

/* Luma of one colour, full scale 65535. */
uint16_t sp_luma_u16(uint32_t red, uint32_t green, uint32_t blue);

/* Unpacks n samples of 1..7 bits, the first in the high bits of a byte; `scaled`: to 0..255, else as they are. */
void sp_unpack_u8(const uint8_t *in, size_t n, unsigned bits, bool scaled, uint8_t *out);

/* Unpacks n samples of 9..15 bits and scales them to 0..65535. */
void sp_unpack_u16(const uint8_t *in, size_t n, unsigned bits, uint16_t *out);

#endif
