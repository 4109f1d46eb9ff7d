/* How the pieces of a board were joined, in words. */
#include <math.h>
#include <string.h>

#include "report_internal.h"

static void say_evidence(const sp_join_record *j, sp_sentence *s)
{
  if (j->shared_marks)
    sp_say(s, "%zu mark%s that both show (off by %.4f mm rms once joined)", j->shared_marks,
           j->shared_marks == 1 ? "" : "s", j->marks_rms_mm);
  if (j->wood_places)
    sp_say(s, "%sthe wood at %zu places (%.4f mm rms)", j->shared_marks ? " and " : "", j->wood_places, j->wood_rms_mm);
}

static void say_rule(const sp_record *record, const sp_join_record *j, sp_sentence *s)
{
  const char *what = record->reference.kind == SP_REFERENCE_STRIP ? "strip" : "rule";
  if (strcmp(j->rule, "still") == 0)
    sp_say(s, ", and by the %s, which had lain still (%.3f mm from what they say)", what, fabs(j->rule_off_mm));
  else if (strcmp(j->rule, "moved") == 0)
    sp_say(s, "; the %s had been moved between the two and joins nothing", what);
  else if (strcmp(j->rule, "unclear") == 0)
    sp_say(s, "; whether the %s had been moved could not be told, so it joins nothing", what);
}

void sp_say_joins(const sp_record *record, sp_sentence *s)
{
  for (size_t i = 0; i < record->join_count; i++) {
    const sp_join_record *j = &record->joins[i];
    sp_say(s, "%sictures %zu and %zu overlap by %.1f mm and were joined by ", i ? ". P" : "p", j->first + 1,
           j->second + 1, j->overlap_mm);
    say_evidence(j, s);
    say_rule(record, j, s);
    if (fabs(j->turn_deg) > 45.0)
      sp_say(s, "; picture %zu lies turned by %.0f degrees", j->second + 1, fabs(j->turn_deg));
    sp_say(s, "; the second begins %.3f mm after the first, known to %.4f mm (standard uncertainty)", j->shift_mm,
           j->u_shift_mm);
    if (isfinite(j->p))
      sp_say(s, "; closing test: chi-square %.1f for %zu degrees of freedom, p = %.2g", j->chi2, j->freedom, j->p);
  }
}
