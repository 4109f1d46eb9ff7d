/* The layout that the marks follow best, whatever was asked for. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "verdict_internal.h"

size_t verdict_matched(const sp_match *match, int32_t frets, int32_t from)
{
  size_t n = 0;
  for (int32_t k = from; k <= frets; k++)
    n += match->line_of_fret[k] >= 0;
  return n;
}

/* Standard uncertainties of a straight line fitted with Tukey's weights to residuals `rest` at x (every second of
 * `design`): variance of psi over the square of its mean slope, with Huber's correction for few lines (Huber &
 * Ronchetti, Robust Statistics, 7.6). The weights alone would make it too small, because they shrink what the hand has
 * scattered. */
static void robust_u(const double *design, const double *rest, size_t n, double scale, best_fit *fit)
{
  double sx = 0.0, sxx = 0.0, psi2 = 0.0, turn = 0.0, turn2 = 0.0;
  const double count = (double)n;
  for (size_t i = 0; i < n; i++) {
    const double x = design[2 * i + 1], z = rest[i] / scale, in = fabs(z) < 1.0 ? 1.0 - z * z : 0.0;
    const double psi = rest[i] * in * in, slope = in * (in > 0.0 ? 1.0 - 5.0 * z * z : 0.0);
    sx += x;
    sxx += x * x;
    psi2 += psi * psi;
    turn += slope;
    turn2 += slope * slope;
  }
  const double mean = fmax(turn / count, 0.1),
               spread = fmax(turn2 / count - mean * mean, 0.0); /* nearly all lines slips: large */
  const double few = 1.0 + 2.0 / count * spread / (mean * mean);
  const double variance = few * few * psi2 / (count - 2.0) / (mean * mean), det = count * sxx - sx * sx;
  fit->u_origin = sqrt(variance * sxx / det);
  fit->u_scale = sqrt(variance * count / det);
}

/* Robust straight line of place against layout / L (Tukey weights): one misplaced line must not move it. */
sp_status verdict_fit_layout(const frame *f, const sp_layout *layout, const sp_match *match, best_fit *fit,
                             sp_error *err)
{
  const size_t n = verdict_matched(match, layout->frets, 0);
  memset(fit, 0, sizeof *fit);
  if (n < 4)
    return SP_OK;
  double *work = malloc(6 * n * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  double *design = work, *y = work + 2 * n, *w = work + 3 * n, *rest = work + 4 * n, *spare = work + 5 * n;
  size_t i = 0;
  for (int32_t k = 0; k <= layout->frets; k++)
    if (match->line_of_fret[k] >= 0) {
      design[2 * i] = 1.0;
      design[2 * i + 1] = layout->position_mm[k] / layout->scale_length_mm;
      y[i] = match->direction * verdict_place_of(f, f->marks->marks[match->line_of_fret[k]].u_px);
      w[i++] = 1.0;
    }
  double beta[2] = {0}, cov[4] = {0}, sigma = 0.0, scale = 1.0;
  bool fine = true;
  for (int round = 0; round < 8 && fine; round++) {
    fine = sp_lsq(n, 2, design, y, w, beta, cov, &sigma, true, NULL) == SP_OK;
    for (i = 0; i < n; i++)
      spare[i] = fabs(rest[i] = y[i] - beta[0] - beta[1] * design[2 * i + 1]);
    scale = SP_TUKEY_C * (1.4826 * sp_median(spare, n) + 1e-4);
    for (i = 0; i < n; i++) {
      const double z = rest[i] / scale;
      w[i] = fabs(z) < 1.0 ? fmax((1.0 - z * z) * (1.0 - z * z), 1e-6) : 1e-6;
    }
  }
  double rr = 0.0, ww = 0.0;
  for (i = 0; i < n; i++) {
    rr += w[i] * rest[i] * rest[i];
    ww += w[i];
  }
  *fit = (best_fit){.known = fine, .origin = beta[0], .scale = beta[1], .rms = sqrt(rr / ww)};
  robust_u(design, rest, n, scale, fit);
  free(work);
  return SP_OK;
}

/* Without a scale: cents against the best-fitting layout, which need none. */
void verdict_judge_ratios(const frame *f, const sp_layout *layout, const sp_match *match, const best_fit *fit,
                          sp_record *record)
{
  if (f->mm || !fit->known || !(fit->scale > 0.0))
    return;
  for (int32_t k = 0; k <= layout->frets; k++) {
    const ptrdiff_t line = match->line_of_fret[k];
    sp_mark_record *r = &record->marks[k];
    if (line < 0)
      continue;
    const sp_mark *m = &f->marks->marks[line];
    const double x =
        (match->direction * verdict_place_of(f, m->u_px) - fit->origin) * layout->scale_length_mm / fit->scale;
    r->error_cents = verdict_cents_of(layout, k, x - r->layout_mm);
    const double u = hypot(m->u_u_px, fit->u_origin) * layout->scale_length_mm / fit->scale;
    r->expanded_u_cents = fabs(verdict_cents_of(layout, k, 2.0 * u));
    r->verdict = SP_UNDECIDED;
  }
}
