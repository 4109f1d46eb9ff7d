/* Which patterns the errors show: search, and what is said of them.
 *
 * Forward search. The base holds a common shift; in each round every pattern not yet in it is tried: a stretch (another
 * scale length), a step beyond each fret, one mark by itself, the rule of 18, the random walk. Score of a pattern: its
 * gain in log likelihood, less 1/2 ln n for a free size (BIC: Schwarz, Ann. Statist. 6, 1978) and ln of the number of
 * places tried. The best score is taken if its chance, times the number of places (Bonferroni), is small enough;
 * further ones have to be surer. The rule of 18 has no free size: its chance is bounded by the likelihood ratio
 * itself, which exceeds c by chance in at most 1/c of cases (Markov's inequality). The walk has none either; its chance
 * is that of a quadratic form.
 *
 * A pattern may be sure and yet too small to matter: less than a tenth of a millimetre (careful hand work; common
 * practice, no source) is not worth a word. The common shift is judged last, against the nut's own hand error too. */
#include "slotproof/findings.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "findings_internal.h"

enum { MOST_ROUNDS = 4, MOST_COLUMNS = MOST_ROUNDS + 1, LEAST_SIDE = 3 };
static const double WORTH_A_WORD_MM = 0.1, WORTH_LAST_FRET_MM = 0.15, WORTH_MISREADING_MM = 0.3;
/* The nut is one mark of the same hand: a shift below so many of the hand's sd may be the nut's alone. */
static const double NUT_SDS = 3.5;
/* A walk wanders, and so often looks a little like a stretch or a step; the reverse is rare. Where both explain the
 * errors about as well the walk is the better guess, or nothing is said if its chance is too large: in log likelihood.
 * Chosen by simulation: of 24-fret boards stepped off, 14 % were called by another name without it and 6 % with it. */
static const double WALK_FAVOUR = 2.0;
/* 2^(-1/12) is taken as 17/18 (Vincenzo Galilei, Dialogo, 1581; from memory). */
static const double RULE_OF_18 = 17.0 / 18.0;

typedef enum pattern { STRETCH, STEP, SINGLE, EIGHTEEN, WALK } pattern;

typedef struct chosen {
  pattern what;
  size_t place; /* STEP: index of the first mark beyond; SINGLE: of the mark */
  double strength;
  double size_mm, u_size_mm; /* of the column; NAN where there is none */
} chosen;

typedef struct search {
  const sp_layout *layout;
  const sp_record *record;
  sp_errors errors;    /* the rule of 18's share is taken out of y once it has been chosen */
  double *eighteen_mm; /* what it gives at each mark */
  double *base;        /* p columns; [0] is the common shift */
  double *further;     /* columns to try: the stretch, n steps, n singles */
  sp_peak *peak;
  size_t p;
  sp_hand hand;
  chosen chosen[MOST_ROUNDS];
  size_t count;
  double sd_mm; /* of the hand, about all that was chosen */
  double shift_mm, u_shift_mm, shift_strength;
} search;

static void search_free(search *s)
{
  sp_errors_free(&s->errors);
  free(s->eighteen_mm);
  free(s->base);
  free(s->further);
  free(s->peak);
}

static sp_status search_create(const sp_layout *layout, const sp_record *record, search *s, sp_error *err)
{
  memset(s, 0, sizeof *s);
  s->layout = layout;
  s->record = record;
  s->shift_mm = s->u_shift_mm = s->shift_strength = s->sd_mm = NAN;
  const sp_status status = sp_errors_of(record, &s->errors, err);
  const size_t n = s->errors.n;
  if (status || n < SP_FINDINGS_MIN_MARKS)
    return status;
  s->eighteen_mm = calloc(n, sizeof *s->eighteen_mm);
  s->base = calloc(MOST_COLUMNS * n, sizeof *s->base);
  s->further = calloc((2 * n + 1) * n, sizeof *s->further);
  s->peak = calloc(2 * n + 2, sizeof *s->peak);
  if (!s->eighteen_mm || !s->base || !s->further || !s->peak)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n; i++) {
    s->base[i] = 1.0;
    s->eighteen_mm[i] = layout->scale_length_mm * (1.0 - pow(RULE_OF_18, s->errors.fret[i])) - s->errors.x_mm[i];
    s->further[i] = s->errors.x_mm[i] / layout->scale_length_mm;
    for (size_t j = 0; j < n; j++) {
      s->further[(1 + j) * n + i] = i >= j ? 1.0 : 0.0;
      s->further[(1 + n + j) * n + i] = i == j ? 1.0 : 0.0;
    }
  }
  s->p = 1;
  return SP_OK;
}

static const chosen *find_chosen(const search *s, pattern what)
{
  for (size_t i = 0; i < s->count; i++)
    if (s->chosen[i].what == what)
      return &s->chosen[i];
  return NULL;
}

/* ---- one round -------------------------------------------------------------------------------------------------- */

typedef struct best {
  double score, chance;
  pattern what;
  size_t place, column; /* of s->further, for patterns that have one */
} best;

static void offer(best *b, best other)
{
  if (other.score > b->score)
    *b = other;
}

static void try_columns(const search *s, best *b)
{
  const size_t n = s->errors.n;
  const double places_step = (double)(n - 2 * LEAST_SIDE + 1), places_single = (double)n;
  for (size_t c = 0; c < 2 * n + 1; c++) {
    const pattern what = c == 0 ? STRETCH : c <= n ? STEP : SINGLE;
    const size_t place = c == 0 ? 0 : (c - 1) % n;
    if (what != SINGLE && find_chosen(s, what))
      continue;
    if (what == STEP && (place < LEAST_SIDE || place + LEAST_SIDE > n))
      continue;
    const double places = what == STRETCH ? 1.0 : what == STEP ? places_step : places_single;
    const double gain = s->peak[c + 1].log_likelihood - s->peak[0].log_likelihood;
    const double score = gain - 0.5 * log((double)n) - log(places);
    offer(b, (best){score, fmin(places * sp_chance_of_gain(gain, n, s->p + 1), 1.0), what, place, c});
  }
}

/* y less what the rule of 18 gives (sign +1), or back (-1). */
static void take_eighteen(search *s, double sign)
{
  for (size_t i = 0; i < s->errors.n; i++)
    s->errors.y_mm[i] -= sign * s->eighteen_mm[i];
}

static sp_status try_eighteen(search *s, double before, best *b, sp_error *err)
{
  sp_peak with;
  if (s->layout->divisions != 12 || find_chosen(s, EIGHTEEN) || find_chosen(s, STRETCH))
    return SP_OK;
  take_eighteen(s, 1.0);
  const sp_status status = sp_likelihood(&s->errors, s->hand, s->p, s->base, 0, NULL, &with, err);
  take_eighteen(s, -1.0);
  const double gain = with.log_likelihood - before;
  if (!status)
    offer(b, (best){gain, exp(-gain), EIGHTEEN, 0, 0});
  return status;
}

static sp_status try_walk(search *s, double before, best *b, sp_error *err)
{
  sp_peak with;
  sp_status status = sp_likelihood(&s->errors, SP_HAND_STEPPED, s->p, s->base, 0, NULL, &with, err);
  const double gain = with.log_likelihood - before;
  const double reach = with.sd_mm * sqrt((double)s->errors.fret[s->errors.n - 1]);
  const double score = gain + WALK_FAVOUR;
  double chance = 1.0;
  if (!status && score > b->score && reach > WORTH_A_WORD_MM)
    status = sp_chance_of_walk(&s->errors, gain, s->p, s->base, &chance, err);
  if (!status && chance < 1.0)
    offer(b, (best){score, chance, WALK, 0, 0});
  return status;
}

static void choose(search *s, const best *b)
{
  const size_t n = s->errors.n;
  s->chosen[s->count++] = (chosen){b->what, b->place, sp_strength_of(b->chance), NAN, NAN};
  if (b->what == EIGHTEEN)
    take_eighteen(s, 1.0);
  else if (b->what == WALK)
    s->hand = SP_HAND_STEPPED;
  else
    memcpy(s->base + s->p++ * n, s->further + b->column * n, n * sizeof *s->base);
}

static sp_status run_rounds(search *s, sp_error *err)
{
  const size_t n = s->errors.n;
  while (s->count < MOST_ROUNDS && s->hand != SP_HAND_STEPPED && s->p + 3 < n) {
    best b = {-HUGE_VAL, 1.0, STRETCH, 0, 0};
    sp_status status = sp_likelihood(&s->errors, s->hand, s->p, s->base, 2 * n + 1, s->further, s->peak, err);
    if (status)
      return status;
    try_columns(s, &b);
    status = try_eighteen(s, s->peak[0].log_likelihood, &b, err);
    if (!status)
      status = try_walk(s, s->peak[0].log_likelihood, &b, err);
    if (status)
      return status;
    if (!(b.score > 0.0) || !(b.chance < (s->count ? SP_NAMED_FURTHER : SP_NAMED)))
      break;
    choose(s, &b);
  }
  return SP_OK;
}

/* ---- sizes ------------------------------------------------------------------------------------------------------ */

/* How sure it is that the common shift is not nothing. */
static sp_status judge_shift(search *s, sp_error *err)
{
  const size_t n = s->errors.n;
  sp_peak peak[2];
  if (s->hand == SP_HAND_STEPPED || s->record->datum == SP_DATUM_FIT)
    return SP_OK;
  const sp_status status = sp_likelihood(&s->errors, s->hand, s->p - 1, s->base + n, 1, s->base, peak, err);
  if (!status)
    s->shift_strength = sp_strength_of(sp_chance_of_gain(peak[1].log_likelihood - peak[0].log_likelihood, n, s->p));
  return status;
}

static sp_status find_sizes(search *s, sp_error *err)
{
  const size_t n = s->errors.n;
  double beta[MOST_COLUMNS], covariance[MOST_COLUMNS * MOST_COLUMNS];
  sp_peak peak;
  sp_status status = sp_likelihood(&s->errors, s->hand, s->p, s->base, 0, NULL, &peak, err);
  if (status)
    return status;
  /* maximum likelihood takes the sd too small by the share of the columns */
  s->sd_mm = peak.sd_mm * sqrt((double)n / (double)(n - s->p));
  status = sp_coefficients(&s->errors, s->hand, s->sd_mm, s->p, s->base, beta, covariance, err);
  if (status)
    return status;
  s->shift_mm = beta[0];
  s->u_shift_mm = sqrt(covariance[0]);
  size_t column = 1;
  for (size_t i = 0; i < s->count; i++)
    if (s->chosen[i].what <= SINGLE) {
      s->chosen[i].size_mm = beta[column];
      s->chosen[i].u_size_mm = sqrt(covariance[column * s->p + column]);
      column++;
    }
  return judge_shift(s, err);
}

/* ---- what is said ----------------------------------------------------------------------------------------------- */

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
static double width_of(const search *s)
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

static sp_status say_shift(const search *s, sp_record *record, sp_error *err)
{
  const double size = fabs(s->shift_mm), half = 0.5 * width_of(s), strength = s->shift_strength;
  const chosen *step = find_chosen(s, STEP);
  if (!(strength >= -log10(SP_NAMED)) || !(size >= fmax(WORTH_A_WORD_MM, NUT_SDS * s->sd_mm)))
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

static sp_status say_stretch(const search *s, const chosen *c, sp_record *record, sp_error *err)
{
  const double asked = s->layout->scale_length_mm, found = asked + c->size_mm;
  const double at_last = c->size_mm * s->errors.x_mm[s->errors.n - 1] / asked, usual = usual_near(found, c->u_size_mm);
  char near[64] = "";
  if (!(fabs(at_last) >= WORTH_LAST_FRET_MM))
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

static sp_status say_step(const search *s, const chosen *c, sp_record *record, sp_error *err)
{
  const sp_errors *e = &s->errors;
  const long before = (long)e->fret[c->place - 1], first = (long)e->fret[c->place], last = (long)e->fret[e->n - 1];
  if (!(fabs(c->size_mm) >= WORTH_A_WORD_MM))
    return SP_OK;
  sp_finding f = finding_of("second-datum", c->size_mm, c->u_size_mm, c->strength);
  snprintf(f.text, sizeof f.text,
           "frets %ld to %ld all lie about %.2f mm nearer the %s than the frets up to %ld do, %s: as if the rule had "
           "been laid anew, or turned end for end, after fret %ld; measure fret %ld from the nut before cutting",
           first, last, fabs(c->size_mm), toward(c->size_mm), before, sp_strength_word(c->strength), before, first);
  return sp_record_add_finding(record, &f, err);
}

static sp_status say_eighteen(const search *s, const chosen *c, sp_record *record, sp_error *err)
{
  const size_t last = s->errors.n - 1;
  sp_finding f = finding_of("rule-of-18", s->eighteen_mm[last], s->sd_mm, c->strength);
  snprintf(f.text, sizeof f.text,
           "the frets lie where the old rule of 18 puts them (each fret at 1/18 of what is left), %s: fret %ld comes "
           "%.2f mm too near the nut; for equal temperament the divisor is 17.817",
           sp_strength_word(c->strength), (long)s->errors.fret[last], -s->eighteen_mm[last]);
  return sp_record_add_finding(record, &f, err);
}

static sp_status say_walk(const search *s, const chosen *c, sp_record *record, sp_error *err)
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

static sp_status say_single(const search *s, const chosen *c, sp_record *record, sp_error *err)
{
  /* of another layout than the one asked for the digits are not known */
  const bool digits = !find_chosen(s, STRETCH) && !find_chosen(s, EIGHTEEN);
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
static sp_status say_if_swapped(const search *s, const sp_mark_record *mark, double stray_mm, sp_record *record,
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

static sp_status say_swapped_strays(const search *s, sp_record *record, sp_error *err)
{
  sp_status status = SP_OK;
  for (size_t i = 0; i < record->mark_count; i++)
    for (size_t j = 0; j < record->stray_count && !status; j++)
      if (record->marks[i].fret > 0 && !record->marks[i].found && isfinite(record->strays[j].x_mm))
        status = say_if_swapped(s, &record->marks[i], record->strays[j].x_mm, record, err);
  return status;
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

static sp_status say(const search *s, const chosen *c, sp_record *record, sp_error *err)
{
  switch (c->what) {
  case STRETCH:
    return say_stretch(s, c, record, err);
  case STEP:
    return say_step(s, c, record, err);
  case SINGLE:
    return say_single(s, c, record, err);
  case EIGHTEEN:
    return say_eighteen(s, c, record, err);
  case WALK:
    return say_walk(s, c, record, err);
  }
  return SP_OK;
}

/* The decision has no other pattern to weigh against a stretch. What it said goes where this search has taken one. */
static void take_back_other_scale(const search *s, sp_record *record)
{
  if (!find_chosen(s, STRETCH) && !find_chosen(s, EIGHTEEN) && !find_chosen(s, WALK) && !find_chosen(s, STEP))
    return;
  size_t kept = 0;
  for (size_t i = 0; i < record->finding_count; i++)
    if (strcmp(record->findings[i].kind, "other-scale-length") != 0)
      record->findings[kept++] = record->findings[i];
  record->finding_count = kept;
}

static sp_status add_patterns(search *s, sp_record *record, sp_error *err)
{
  sp_status status = run_rounds(s, err);
  if (!status)
    status = find_sizes(s, err);
  if (status)
    return status;
  take_back_other_scale(s, record);
  for (size_t i = 0; i < s->count && !status; i++)
    status = say(s, &s->chosen[i], record, err);
  if (!status)
    status = say_swapped_strays(s, record, err);
  return status ? status : say_shift(s, record, err);
}

sp_status sp_findings_add(const sp_layout *layout, sp_record *record, sp_error *err)
{
  search s;
  sp_status status = search_create(layout, record, &s, err);
  if (!status && s.errors.n >= SP_FINDINGS_MIN_MARKS)
    status = add_patterns(&s, record, err);
  search_free(&s);
  return status ? status : sp_findings_of_squareness(record, err);
}
