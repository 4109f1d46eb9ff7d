/* Lines that a plane's waves hide from the search: once more through the board, by the best linear filter for a line on
 * this board's ground (ground.c). */
#include <math.h>
#include <stdlib.h>

#include "fits.h"
#include "slotproof/numeric.h"

/* Waves of at least this part of what the better lines show hide some of them: where a cut lies in a crest, or on the
 * flank of one, the middle differs little from one of its sides. */
static const double WAVES_HIDE = 0.12;
/* Of the same colour and no further apart than this, px, two candidates are one. */
static const double ONE_CANDIDATE_PX = 1.5;

/* How far neighbouring places differ, waves aside: second differences of every eighth strip, robustly. */
static double noise_of_strips(const sp_strips *strips, const sp_board *board, float *work)
{
  const double by_root = 1.0 / sqrt(6.0); /* of noise alike at all places, which does not hang together */
  const int32_t n = (int32_t)strips->length_px;
  double sum = 0.0;
  size_t count = 0;
  for (uint32_t k = 4; k < strips->count; k += 8) {
    const double v = (k + 0.5) * strips->width_px;
    const float *p = strips->mean + (size_t)k * strips->length_px;
    if (n < 3 || v < board->side[0].at_px || v > board->side[1].at_px)
      continue;
    for (int32_t u = 1; u + 1 < n; u++)
      work[u - 1] = fabsf(p[u - 1] - 2.0f * p[u] + p[u + 1]);
    sum += SP_MAD_TO_SD * by_root * (double)sp_median_f(work, (size_t)(n - 2));
    count++;
  }
  return count ? sum / (double)count : 0.0;
}

static bool is_known(const sp_candidate *c, size_t n, const sp_candidate *x)
{
  for (size_t i = 0; i < n; i++)
    if (c[i].height * x->height > 0.0 &&
        fabs(c[i].u_px + c[i].slope * (x->v_px - c[i].v_px) - x->u_px) < ONE_CANDIDATE_PX)
      return true;
  return false;
}

sp_status sp_marks_search_hidden(const sp_scene *fine, const sp_marks_options *o, const sp_marks *marks,
                                 const sp_ground *ground, size_t room, sp_candidate *candidates, size_t *count,
                                 sp_error *err)
{
  const size_t n = *count;
  if (n == 0 || o->kind != SP_MARK_KNIFE || !ground->measured ||
      !(sp_ground_sd(ground) > WAVES_HIDE * fabs(candidates[n < 12 ? n / 2 : 5].height)))
    return SP_OK;
  const sp_strips *strips = &fine->strips[marks->along];
  float *work = malloc(strips->length_px * sizeof *work);
  sp_candidate *hidden = malloc(SP_MOST_CANDIDATES * sizeof *hidden);
  sp_status status = work && hidden ? SP_OK : sp_fail_memory(err);
  const sp_expectation expect = sp_expect(o->kind, o->px_per_mm, marks->blur_px, 0.0);
  const sp_shape shape = {.width_px = expect.width_px, .blur_px = expect.blur_px};
  sp_kernel kernel;
  size_t more = 0;
  if (!status && sp_ground_kernel(ground, &shape, noise_of_strips(strips, &marks->board, work), &kernel))
    status =
        sp_marks_search_waves(fine, marks->along, o, &marks->board, &kernel, SP_MOST_CANDIDATES, hidden, &more, err);
  more = sp_candidates_drop_faint(hidden, more);
  for (size_t i = 0; !status && i < more && *count < room; i++)
    if (!is_known(candidates, n, &hidden[i]))
      candidates[(*count)++] = hidden[i];
  free(work);
  free(hidden);
  return status;
}
