/* What is said of the patterns that were found. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "findings_internal.h"

/* A mark off by less is not taken for misread. */
static const double WORTH_MISREADING_MM = 0.3;

static const char *toward(double mm)
{
  return mm > 0.0 ? "bridge" : "nut";
}

static sp_finding finding_of(const char *kind, double value, double u_value, double strength)
{
  sp_finding f = {.value = value, .u_value = u_value, .unit = "mm", .strength = strength};
  snprintf(f.kind, sizeof f.kind, "%s", kind);
  return f;
}

/* Middle of the slots' widths; NAN if fewer than half are known or the marks are not slots. */
static double width_of(const sp_search *s)
{
  double sum = 0.0;
  size_t n = 0;
  for (size_t i = 0; i < s->record->mark_count; i++) {
    const sp_mark_record *m = &s->record->marks[i];
    if (m->fret > 0 && m->found && isfinite(m->width_mm)) {
      sum += m->width_mm;
      n++;
    }
  }
  return s->record->marks_kind == SP_MARK_SLOT && 2 * n >= s->errors.n ? sum / (double)n : NAN;
}

static sp_status say_shift(const sp_search *s, sp_record *record, sp_error *err)
{
  const double size = fabs(s->shift_mm), half = 0.5 * width_of(s), strength = s->shift_strength;
  const sp_chosen *step = sp_find_chosen(s, SP_STEP);
  if (!s->shifted)
    return SP_OK;
  const double doubt = fmin(2.0 * hypot(s->sd_mm, s->u_shift_mm), 0.4 * half);
  const bool kerf = fabs(size - half) <= doubt; /* false where half is NAN */
  const bool wire = s->record->marks_kind == SP_MARK_WIRE;
  sp_finding f = finding_of(kerf ? "half-kerf" : "offset", s->shift_mm, s->u_shift_mm, strength);
  char which[48] = "all frets lie";
  if (step)
    snprintf(which, sizeof which, "the frets up to %ld all lie", (long)s->errors.fret[step->place - 1]);
  if (kerf)
    snprintf(f.text, sizeof f.text,
             "%s about %.2f mm too near the %s, %s: half the width of a slot (%.2f mm), as if the saw had been set "
             "beside each line instead of on it; check on which side of the line the next cuts have to lie",
             which, size, toward(s->shift_mm), sp_strength_word(strength), 2.0 * half);
  else
    snprintf(f.text, sizeof f.text,
             "%s about %.2f mm too near the %s, %s: as if %s, or the nut were off by as much the other way; check the "
             "nut before any fret is %s",
             which, size, toward(s->shift_mm), sp_strength_word(strength),
             wire ? "the nut had been moved on purpose (compensated)" : "the rule had slipped",
             wire ? "drawn" : "cut again");
  return sp_record_add_finding(record, &f, err);
}

/* Usual scale lengths in mm: common practice, no source. */
static const double USUAL_MM[] = {328.0, 330.0, 345.0, 350.0, 355.0,  375.0, 381.0, 430.0, 432.0, 485.0, 500.0,
                                  510.0, 560.0, 580.0, 610.0, 628.65, 635.0, 640.0, 645.0, 647.7, 650.0, 655.0,
                                  660.0, 664.0, 670.0, 685.0, 690.0,  700.0, 762.0, 812.8, 863.6, 889.0, 1050.0};

static double usual_near(double mm, double u_mm)
{
  double nearest = NAN;
  for (size_t i = 0; i < sizeof USUAL_MM / sizeof *USUAL_MM; i++)
    if (!(fabs(USUAL_MM[i] - mm) >= fabs(nearest - mm)))
      nearest = USUAL_MM[i];
  return fabs(nearest - mm) <= 3.0 * u_mm + 0.2 ? nearest : NAN;
}

static sp_status say_stretch(const sp_search *s, const sp_chosen *c, sp_record *record, sp_error *err)
{
  const double asked = s->layout->scale_length_mm, found = asked + c->size_mm;
  const double at_last = c->size_mm * s->errors.x_mm[s->errors.n - 1] / asked, usual = usual_near(found, c->u_size_mm);
  char near[64] = "";
  if (!(fabs(at_last) >= SP_WORTH_LAST_FRET_MM))
    return SP_OK;
  if (isfinite(usual) && fabs(usual - asked) > 0.3)
    snprintf(near, sizeof near, " (%.6g mm is a usual one near it)", usual);
  sp_finding f = finding_of("other-scale-length", found, c->u_size_mm, c->strength);
  snprintf(f.text, sizeof f.text,
           "the lines follow a scale length of %.2f mm, sure to +/- %.2f mm (k = 2)%s, not the %.6g mm asked for, %s; "
           "check which board this is and what it was laid out for before anything is cut",
           found, 2.0 * c->u_size_mm, near, asked, sp_strength_word(c->strength));
  return sp_record_add_finding(record, &f, err);
}

static sp_status say_step(const sp_search *s, const sp_chosen *c, sp_record *record, sp_error *err)
{
  const sp_errors *e = &s->errors;
  const long before = (long)e->fret[c->place - 1], first = (long)e->fret[c->place], last = (long)e->fret[e->n - 1];
  if (!(fabs(c->size_mm) >= SP_WORTH_A_WORD_MM))
    return SP_OK;
  sp_finding f = finding_of("second-datum", c->size_mm, c->u_size_mm, c->strength);
  snprintf(f.text, sizeof f.text,
           "frets %ld to %ld all lie about %.2f mm nearer the %s than the frets up to %ld do, %s: as if the rule had "
           "been laid anew, or turned end for end, after fret %ld; measure fret %ld from the nut before cutting",
           first, last, fabs(c->size_mm), toward(c->size_mm), before, sp_strength_word(c->strength), before, first);
  return sp_record_add_finding(record, &f, err);
}

static sp_status say_eighteen(const sp_search *s, const sp_chosen *c, sp_record *record, sp_error *err)
{
  const size_t last = s->errors.n - 1;
  sp_finding f = finding_of("rule-of-18", s->eighteen_mm[last], s->sd_mm, c->strength);
  snprintf(f.text, sizeof f.text,
           "the frets lie where the old rule of 18 puts them (each fret at 1/18 of what is left), %s: fret %ld comes "
           "%.2f mm too near the nut; for equal temperament the divisor is 17.817",
           sp_strength_word(c->strength), (long)s->errors.fret[last], -s->eighteen_mm[last]);
  return sp_record_add_finding(record, &f, err);
}

static sp_status say_walk(const sp_search *s, const sp_chosen *c, sp_record *record, sp_error *err)
{
  sp_finding f = finding_of("stepped-off", s->sd_mm, NAN, c->strength);
  snprintf(f.text, sizeof f.text,
           "the errors add up from fret to fret (each about %.2f mm off the one before), %s: as if each fret had been "
           "set off from the last instead of from the nut; lay out again with every fret measured from the nut",
           s->sd_mm, sp_strength_word(c->strength));
  return sp_record_add_finding(record, &f, err);
}

/* ---- misreadings ------------------------------------------------------------------------------------------------ */

typedef struct misreading {
  double shift_mm;
  char how[160];
} misreading;

static void nearer(misreading *m, double target_mm, double shift_mm, const char *how)
{
  if (fabs(shift_mm - target_mm) < fabs(m->shift_mm - target_mm)) {
    m->shift_mm = shift_mm;
    snprintf(m->how, sizeof m->how, "%s", how);
  }
}

/* Two neighbouring digits of the place in tenths of a millimetre changed about: 182.7 read as 187.2. Returns how many
 * ways there are. */
static int nearer_swap(misreading *m, double target_mm, double x_mm)
{
  int ways = 0;
  const long tenths = lround(10.0 * x_mm);
  for (long unit = 1; 10 * unit <= tenths; unit *= 10) {
    const long low = tenths / unit % 10, high = tenths / (10 * unit) % 10;
    const long swapped = tenths + 9 * unit * (low - high);
    char how[160];
    snprintf(how, sizeof how, "two digits changed about, %ld.%ld read as %ld.%ld mm", tenths / 10, tenths % 10,
             swapped / 10, swapped % 10);
    if (swapped == tenths)
      continue;
    nearer(m, target_mm, 0.1 * (double)swapped - x_mm, how);
    ways++;
  }
  return ways;
}

static misreading likely_misreading(double error_mm, double x_mm)
{
  static const struct {
    double mm;
    const char *how;
  } KNOWN[] = {{1.0, "a whole millimetre misread"},
               {2.0, "two millimetres misread"},
               {0.5, "half a millimetre misread"},
               {25.4 / 32.0, "one graduation of 1/32 in misread"},
               {25.4 / 64.0, "one graduation of 1/64 in misread"}};
  misreading m = {.shift_mm = HUGE_VAL};
  for (size_t i = 0; i < sizeof KNOWN / sizeof *KNOWN; i++)
    nearer(&m, error_mm, copysign(KNOWN[i].mm, error_mm), KNOWN[i].how);
  (void)nearer_swap(&m, error_mm, x_mm);
  return m;
}

static sp_status say_single(const sp_search *s, const sp_chosen *c, sp_record *record, sp_error *err)
{
  /* of another layout than the one asked for the digits are not known */
  const bool digits = !sp_find_chosen(s, SP_STRETCH) && !sp_find_chosen(s, SP_EIGHTEEN);
  const misreading m = likely_misreading(c->size_mm, digits ? s->errors.x_mm[c->place] : 0.0);
  const double window = fmin(3.0 * c->u_size_mm, 0.15);
  if (!(fabs(c->size_mm) >= WORTH_MISREADING_MM) || !(fabs(m.shift_mm - c->size_mm) <= window))
    return SP_OK;
  sp_finding f = finding_of("misread", c->size_mm, c->u_size_mm, c->strength);
  snprintf(f.text, sizeof f.text,
           "fret %ld lies about %.2f mm nearer the %s than the other frets would have it, %s: perhaps %s; measure it "
           "again from the nut",
           (long)s->errors.fret[c->place], fabs(c->size_mm), toward(c->size_mm), sp_strength_word(c->strength), m.how);
  return sp_record_add_finding(record, &f, err);
}

static size_t count_missing(const sp_record *record)
{
  size_t n = 0;
  for (size_t i = 0; i < record->mark_count; i++)
    n += record->marks[i].fret > 0 && !record->marks[i].found;
  return n;
}

/* A fret that is missing, and a line of no fret just where two digits changed about would put it. Its chance: that a
 * line laid anywhere comes as near to one of so many places. */
static sp_status say_if_swapped(const sp_search *s, const sp_mark_record *mark, double stray_mm, sp_record *record,
                                sp_error *err)
{
  misreading m = {.shift_mm = HUGE_VAL};
  const double shift = stray_mm - mark->layout_mm, last = s->layout->position_mm[s->layout->frets];
  const int ways = nearer_swap(&m, shift, mark->layout_mm);
  const double off = fabs(m.shift_mm - shift), pairs = (double)(count_missing(record) * record->stray_count);
  const double chance = pairs * ways * 2.0 * fmax(off, s->sd_mm) / last;
  if (!(off <= fmin(3.0 * s->sd_mm, 0.15)) || !(chance < SP_NAMED))
    return SP_OK;
  sp_finding f = finding_of("misread", shift, s->sd_mm, sp_strength_of(chance));
  snprintf(f.text, sizeof f.text,
           "fret %ld is missing, and a line of no fret lies %.2f mm nearer the %s, %s: perhaps %s; measure both from "
           "the nut",
           (long)mark->fret, fabs(shift), toward(shift), sp_strength_word(f.strength), m.how);
  return sp_record_add_finding(record, &f, err);
}

static sp_status say_swapped_strays(const sp_search *s, sp_record *record, sp_error *err)
{
  sp_status status = SP_OK;
  for (size_t i = 0; i < record->mark_count; i++)
    for (size_t j = 0; j < record->stray_count && !status; j++)
      if (record->marks[i].fret > 0 && !record->marks[i].found && isfinite(record->strays[j].x_mm))
        status = say_if_swapped(s, &record->marks[i], record->strays[j].x_mm, record, err);
  return status;
}

static sp_status say(const sp_search *s, const sp_chosen *c, sp_record *record, sp_error *err)
{
  switch (c->what) {
  case SP_STRETCH:
    return say_stretch(s, c, record, err);
  case SP_STEP:
    return say_step(s, c, record, err);
  case SP_SINGLE:
    return say_single(s, c, record, err);
  case SP_EIGHTEEN:
    return say_eighteen(s, c, record, err);
  case SP_WALK:
    return say_walk(s, c, record, err);
  default: /* the shift is said last */
    return SP_OK;
  }
}

/* ---- what cannot be told apart ---------------------------------------------------------------------------------- */

static const char *const KINDS[SP_PATTERNS] = {"other-scale-length", "second-datum", "misread",
                                               "rule-of-18",         "stepped-off",  "offset"};

static void phrase(const sp_search *s, const sp_chosen *c, char *into, size_t size)
{
  const sp_errors *e = &s->errors;
  const double mm = fabs(c->size_mm);
  switch (c->what) {
  case SP_STRETCH:
    snprintf(into, size, "the lines follow a scale length of %.2f mm, not %.6g mm",
             s->layout->scale_length_mm + c->size_mm, s->layout->scale_length_mm);
    break;
  case SP_STEP:
    snprintf(into, size, "frets %ld to %ld all lie %.2f mm nearer the %s than those before", (long)e->fret[c->place],
             (long)e->fret[e->n - 1], mm, toward(c->size_mm));
    break;
  case SP_SINGLE:
    snprintf(into, size, "fret %ld alone is %.2f mm too near the %s", (long)e->fret[c->place], mm, toward(c->size_mm));
    break;
  case SP_EIGHTEEN:
    snprintf(into, size, "the frets were laid out by the old rule of 18");
    break;
  case SP_WALK:
    snprintf(into, size, "each fret was set off from the last (about %.2f mm off each time)", mm);
    break;
  default:
    snprintf(into, size, "all frets lie %.2f mm too near the %s", mm, toward(c->size_mm));
    break;
  }
}

/* In its effect over the board. */
static bool worth_a_word(const sp_search *s, const sp_chosen *c)
{
  const size_t last = s->errors.n - 1;
  switch (c->what) {
  case SP_STRETCH:
    return fabs(c->size_mm) * s->errors.x_mm[last] / s->layout->scale_length_mm >= SP_WORTH_LAST_FRET_MM;
  case SP_EIGHTEEN:
    return true;
  case SP_WALK:
    return c->size_mm * sqrt((double)s->errors.fret[last]) >= SP_WORTH_A_WORD_MM;
  default:
    return fabs(c->size_mm) >= SP_WORTH_A_WORD_MM;
  }
}

static sp_status say_rivals(const sp_search *s, sp_record *record, sp_error *err)
{
  char way[SP_MOST_RIVALS][120];
  double strength = 0.0;
  sp_finding f = finding_of("unclear", NAN, NAN, NAN);
  for (size_t i = 0; i < s->rivals; i++) {
    if (!worth_a_word(s, &s->rival[i]))
      return SP_OK;
    phrase(s, &s->rival[i], way[i], sizeof way[i]);
    snprintf(f.either[i], sizeof f.either[i], "%s", KINDS[s->rival[i].what]);
    strength = fmax(strength, s->rival[i].strength);
  }
  f.strength = strength;
  f.unit[0] = '\0';
  snprintf(f.text, sizeof f.text,
           "the errors hang together, %s, but %zu frets cannot tell how: either %s, or %s%s%s; you may know how the "
           "board was laid out; otherwise measure some frets from the nut before anything is cut",
           sp_strength_word(strength), s->errors.n, way[0], way[1], s->rivals > 2 ? ", or " : "",
           s->rivals > 2 ? way[2] : "");
  return sp_record_add_finding(record, &f, err);
}

sp_status sp_say_findings(const sp_search *s, sp_record *record, sp_error *err)
{
  sp_status status = s->rivals ? say_rivals(s, record, err) : SP_OK;
  for (size_t i = 0; i < s->count && !status; i++)
    status = say(s, &s->chosen[i], record, err);
  if (!status)
    status = say_swapped_strays(s, record, err);
  return status || s->rivals ? status : say_shift(s, record, err);
}
