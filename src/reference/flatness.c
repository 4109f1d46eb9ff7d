/* Is what was read as even as a reference on a flatbed's glass? A photograph's scale changes from end to end, and so
 * does that of a reference that is bent. */
#include <math.h>
#include <stdio.h>

#include "reference_internal.h"
#include "slotproof/numeric.h"

/* A flatbed's scale drifts by less over its length than any hand-held photograph's. Over a short stretch of rule the
 * carriage's waves look like a drift too: 2 x 30 um x 2 pi / 120 mm and more. */
static const double MAX_SCALE_DRIFT = 0.006, SHORT_DRIFT_MM = 0.6;
static const double MAX_FIT_RMS_MM = 0.06;
/* Unevenness (rms) beyond what carriages do (10 to 30 um waves): suspect, and impossible. */
static const double SUSPECT_UNEVEN_MM = 0.06, MAX_UNEVEN_MM = 0.12;

double sp_reference_scale_drift(const double *u, const double *y, const double *w, size_t n)
{
  double design[3], gram[9] = {0}, rhs[3] = {0};
  const double u0 = u[0], range = u[n - 1] - u[0];
  for (size_t k = 0; k < n; k++) {
    const double x = (u[k] - u0) / range;
    design[0] = 1.0;
    design[1] = x;
    design[2] = x * x;
    for (int i = 0; i < 3; i++) {
      for (int m = 0; m < 3; m++)
        gram[3 * i + m] += w[k] * design[i] * design[m];
      rhs[i] += w[k] * design[i] * y[k];
    }
  }
  if (!sp_cholesky(3, gram))
    return 0.0;
  sp_cholesky_solve(3, gram, rhs);
  return 2.0 * rhs[2] / (rhs[1] + rhs[2]);
}

void sp_reference_refuse_photograph(double drift, sp_reference *ref)
{
  const sp_reference_record *r = &ref->record;
  const double most = MAX_SCALE_DRIFT + SHORT_DRIFT_MM / r->span_mm;
  if (r->carriage_rms_mm > SUSPECT_UNEVEN_MM && !ref->warning[0])
    snprintf(
        ref->warning, sizeof ref->warning,
        "the scale is uneven by %.2f mm (rms) along the rule, more than carriages are; if this is a photograph, the "
        "figures hold beside the rule only",
        r->carriage_rms_mm);
  if (fabs(drift) <= most && r->fit_rms_mm <= MAX_FIT_RMS_MM && r->carriage_rms_mm <= MAX_UNEVEN_MM)
    return;
  const bool strip = r->kind == SP_REFERENCE_STRIP;
  snprintf(ref->reason, sizeof ref->reason,
           "the scale changes by %.1f %% along the %s (it fits to %.3f mm), more than a flat %s can: %s",
           100.0 * fabs(drift), strip ? "printed strip" : "rule", r->fit_rms_mm, strip ? "one in a scan" : "rule",
           strip ? "lay board and strip flat on a flatbed and scan again"
                 : "lay a flat steel rule beside the board, all of it in the picture, and scan or photograph it from "
                   "square above");
  ref->map.known = false;
  ref->record.kind = SP_REFERENCE_NONE;
  ref->record.px_per_mm = NAN;
}
