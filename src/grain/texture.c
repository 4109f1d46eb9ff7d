/* What of a face can be compared: not its level, which light and scanner change, but what changes within millimetres
 * along the board. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "grain_internal.h"
#include "slotproof/numeric.h"

void texture_free(texture *of)
{
  free(of->value);
  free(of->weight);
  memset(of, 0, sizeof *of);
}

void texture_turn(texture *of)
{
  const size_t n = (size_t)of->columns * (size_t)of->rows;
  for (size_t i = 0; i < n / 2; i++) {
    const float v = of->value[i], w = of->weight[i];
    of->value[i] = of->value[n - 1 - i];
    of->weight[i] = of->weight[n - 1 - i];
    of->value[n - 1 - i] = v;
    of->weight[n - 1 - i] = w;
  }
  of->x0_mm = -(of->x0_mm + (of->columns - 1) * of->cell_mm);
  of->y0_mm = -(of->y0_mm + (of->rows - 1) * of->cell_mm);
}

/* Means of the face's samples in each cell; a cell that holds a masked one is masked. */
static void fill_cells(const sp_face *face, int32_t cells, texture *out)
{
  for (int32_t j = 0; j < out->rows; j++)
    for (int32_t i = 0; i < out->columns; i++) {
      float sum = 0.0f;
      bool whole = true;
      for (int32_t b = 0; b < cells; b++)
        for (int32_t a = 0; a < cells; a++) {
          const uint16_t grey = face->grey[(size_t)(j * cells + b) * (size_t)face->columns + (size_t)(i * cells + a)];
          whole = whole && grey > 0;
          sum += (float)grey;
        }
      const size_t at = (size_t)j * (size_t)out->columns + (size_t)i;
      out->weight[at] = whole ? 1.0f : 0.0f;
      out->value[at] = whole ? sum / (float)(cells * cells) : 0.0f;
    }
}

/* Takes off the mean over `reach` cells either side along the board; `sum` and `count` are of columns + 1 values. */
static void take_off_slow(texture *of, int32_t row, int32_t reach, double *sum, double *count)
{
  float *value = of->value + (size_t)row * (size_t)of->columns,
        *weight = of->weight + (size_t)row * (size_t)of->columns;
  sum[0] = count[0] = 0.0;
  for (int32_t i = 0; i < of->columns; i++) {
    sum[i + 1] = sum[i] + (double)value[i] * (double)weight[i];
    count[i + 1] = count[i] + (double)weight[i];
  }
  for (int32_t i = 0; i < of->columns; i++) {
    const int32_t from = i < reach ? 0 : i - reach, to = i + reach + 1 > of->columns ? of->columns : i + reach + 1;
    const double n = count[to] - count[from];
    if (weight[i] > 0.0f && n >= 0.5 * reach)
      value[i] -= (float)((sum[to] - sum[from]) / n);
    else
      value[i] = weight[i] = 0.0f;
  }
}

/* A few pores or specks must not outvote the rest. */
static bool clip_values(texture *of, double clip)
{
  const size_t n = (size_t)of->columns * (size_t)of->rows;
  float *work = malloc((n + 1) * sizeof *work);
  size_t kept = 0;
  if (!work)
    return false;
  for (size_t i = 0; i < n; i++)
    if (of->weight[i] > 0.0f)
      work[kept++] = fabsf(of->value[i]);
  const float limit = kept ? (float)(clip * SP_MAD_TO_SD) * sp_median_f(work, kept) : 0.0f;
  for (size_t i = 0; i < n; i++)
    of->value[i] = fminf(fmaxf(of->value[i], -limit), limit);
  free(work);
  return true;
}

bool texture_of(const sp_face *face, int32_t cells, double slow_mm, double clip, texture *out)
{
  memset(out, 0, sizeof *out);
  out->columns = face->columns / cells;
  out->rows = face->rows / cells;
  out->cell_mm = cells * SP_FACE_PITCH_MM;
  out->x0_mm = face->x0_mm + 0.5 * (cells - 1) * SP_FACE_PITCH_MM;
  out->y0_mm = face->y0_mm + 0.5 * (cells - 1) * SP_FACE_PITCH_MM;
  const size_t n = (size_t)out->columns * (size_t)out->rows;
  out->value = malloc((n + 1) * sizeof(float));
  out->weight = malloc((n + 1) * sizeof(float));
  double *sums = malloc(2 * ((size_t)out->columns + 1) * sizeof *sums);
  bool fine = out->value && out->weight && sums;
  if (fine) {
    fill_cells(face, cells, out);
    const int32_t reach = (int32_t)(slow_mm / out->cell_mm);
    for (int32_t j = 0; j < out->rows; j++)
      take_off_slow(out, j, reach, sums, sums + out->columns + 1);
    fine = clip_values(out, clip);
  }
  free(sums);
  if (!fine)
    texture_free(out);
  return fine;
}
