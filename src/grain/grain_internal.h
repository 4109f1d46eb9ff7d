/* Inside the grain module. */
#ifndef SP_GRAIN_INTERNAL_H
#define SP_GRAIN_INTERNAL_H

#include "slotproof/grain.h"

/* A face reduced to cells, less what changes slowly along the board; `weight` 0 or 1. Owned. */
typedef struct texture {
  int32_t columns, rows;
  double cell_mm, x0_mm, y0_mm; /* middle of the first cell */
  float *value, *weight;
} texture;

/* `cells`: samples of the face a cell, each way; `slow_mm`: half of the stretch whose mean is taken off; values are
 * clipped at `clip` standard deviations. false without memory. */
bool texture_of(const sp_face *face, int32_t cells, double slow_mm, double clip, texture *out);
void texture_free(texture *of);
/* Half a turn. */
void texture_turn(texture *of);

#endif
