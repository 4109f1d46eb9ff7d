/* Which patterns the errors show: search, and what is said of them.
 *
 * Three questions, each with its own tool. Is there a pattern at all? Every kind is tried against independent hand
 * error: a stretch (another scale length), a step beyond each fret, one mark by itself, the rule of 18, the random
 * walk; its chance is that of its gain in likelihood, times the number of places tried (Bonferroni). The rule of 18 has
 * no free size: its chance is bounded by the likelihood ratio itself, which exceeds c by chance in at most 1/c of cases
 * (Markov's inequality); so is the walk's by its marginal likelihood ratio, or else it is that of a quadratic form.
 * Which kind is it? The one with the largest marginal likelihood (evidence.c). Kinds that come near it are named beside
 * it: "either, or". Are there more? Forward search from the first one, the best score in each round: gain in log
 * likelihood, less 1/2 ln n for a free size (BIC: Schwarz, Ann. Statist. 6, 1978) and ln of the number of places;
 * further ones have to be surer.
 *
 * A pattern may be sure and yet too small to matter: less than a tenth of a millimetre (careful hand work; common
 * practice, no source) is not worth a word. The common shift is judged last, against the nut's own hand error too. */
#include "slotproof/findings.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "findings_internal.h"
#include "slotproof/numeric.h"

enum { MOST_COLUMNS = SP_MOST_ROUNDS + 1 };
/* Kinds whose marginal likelihoods differ by less (in logs; 7 to 1) cannot be told apart. */
static const double SURE_WHICH = 2.0;
/* A second pattern beside the first is that much less likely beforehand (logs; 20 to 1: a guess). */
static const double SECOND_PATTERN = 3.0;
/* 2^(-1/12) is taken as 17/18 (Vincenzo Galilei, Dialogo, 1581; from memory). */
static const double RULE_OF_18 = 17.0 / 18.0;

static void search_free(sp_search *s)
{
  sp_errors_free(&s->errors);
  free(s->eighteen_mm);
  free(s->base);
  free(s->further);
  free(s->peak);
}

static sp_status search_create(const sp_layout *layout, const sp_record *record, sp_search *s, sp_error *err)
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

/* ---- one round -------------------------------------------------------------------------------------------------- */

/* The best place of one kind. */
typedef struct best {
  double score, chance, places;
  sp_pattern what;
  size_t place, column; /* of s->further, for patterns that have one */
} best;

typedef struct round {
  best of[SP_PATTERNS];
} round_of;

static void offer(round_of *r, best b)
{
  if (b.score > r->of[b.what].score)
    r->of[b.what] = b;
}

static void try_columns(const sp_search *s, round_of *r)
{
  const size_t n = s->errors.n;
  const double places_step = (double)(n - 2 * SP_LEAST_SIDE + 1), places_single = (double)n;
  for (size_t c = 0; c < 2 * n + 1; c++) {
    const sp_pattern what = c == 0 ? SP_STRETCH : c <= n ? SP_STEP : SP_SINGLE;
    const size_t place = c == 0 ? 0 : (c - 1) % n;
    if (what != SP_SINGLE && sp_find_chosen(s, what))
      continue;
    if (what == SP_STEP && (place < SP_LEAST_SIDE || place + SP_LEAST_SIDE > n))
      continue;
    const double places = what == SP_STRETCH ? 1.0 : what == SP_STEP ? places_step : places_single;
    const double gain = s->peak[c + 1].log_likelihood - s->peak[0].log_likelihood;
    const double score = gain - 0.5 * log((double)n) - log(places);
    offer(r, (best){score, fmin(places * sp_chance_of_gain(gain, n, s->p + 1), 1.0), places, what, place, c});
  }
}

/* y less what the rule of 18 gives (sign +1), or back (-1). */
static void take_eighteen(sp_search *s, double sign)
{
  for (size_t i = 0; i < s->errors.n; i++)
    s->errors.y_mm[i] -= sign * s->eighteen_mm[i];
}

static sp_status try_eighteen(sp_search *s, round_of *r, sp_error *err)
{
  sp_peak with;
  if (s->layout->divisions != 12 || sp_find_chosen(s, SP_EIGHTEEN) || sp_find_chosen(s, SP_STRETCH))
    return SP_OK;
  take_eighteen(s, 1.0);
  const sp_status status = sp_likelihood(&s->errors, SP_HAND_FROM_NUT, s->p, s->base, 0, NULL, &with, err);
  take_eighteen(s, -1.0);
  const double gain = with.log_likelihood - s->peak[0].log_likelihood;
  if (!status)
    offer(r, (best){gain, exp(-gain), 1.0, SP_EIGHTEEN, 0, 0});
  return status;
}

/* Everything that is not in the base yet, but for the walk. */
static sp_status try_all(sp_search *s, round_of *r, sp_error *err)
{
  for (int k = 0; k < SP_PATTERNS; k++)
    r->of[k] = (best){-HUGE_VAL, 1.0, 1.0, (sp_pattern)k, 0, 0};
  const sp_status status =
      sp_likelihood(&s->errors, SP_HAND_FROM_NUT, s->p, s->base, 2 * s->errors.n + 1, s->further, s->peak, err);
  if (status)
    return status;
  try_columns(s, r);
  return try_eighteen(s, r, err);
}

/* The walk's chance, after the first round. */
static sp_status try_walk(sp_search *s, round_of *r, sp_error *err)
{
  sp_peak with;
  double chance = 1.0;
  sp_status status = sp_likelihood(&s->errors, SP_HAND_STEPPED, s->p, s->base, 0, NULL, &with, err);
  const double gain = with.log_likelihood - s->peak[0].log_likelihood;
  if (!status && gain > 0.0)
    status = sp_chance_of_walk(&s->errors, gain, s->p, s->base, &chance, err);
  if (status)
    return status;
  const double against_hand = s->evidence.log_none - s->evidence.log[SP_WALK];
  offer(r, (best){gain, fmin(chance, exp(against_hand)), 1.0, SP_WALK, 0, 0});
  return SP_OK;
}

static void choose(sp_search *s, const best *b)
{
  const size_t n = s->errors.n;
  s->set_penalty += log(b->places) + (s->count ? SECOND_PATTERN : 0.0);
  s->chosen[s->count++] = (sp_chosen){b->what, b->place, sp_strength_of(b->chance), NAN, NAN};
  if (b->what == SP_EIGHTEEN)
    take_eighteen(s, 1.0);
  else if (b->what == SP_WALK)
    s->hand = SP_HAND_STEPPED;
  else if (b->what != SP_OFFSET) /* which is in the base always */
    memcpy(s->base + s->p++ * n, s->further + b->column * n, n * sizeof *s->base);
}

static void choose_nothing(sp_search *s)
{
  if (sp_find_chosen(s, SP_EIGHTEEN))
    take_eighteen(s, -1.0);
  s->set_penalty = 0.0;
  s->count = 0;
  s->p = 1;
}

/* Further patterns beside the first. */
static sp_status run_further_rounds(sp_search *s, sp_error *err)
{
  while (s->count < SP_MOST_ROUNDS && s->p + 3 < s->errors.n) {
    round_of r;
    const sp_status status = try_all(s, &r, err);
    if (status)
      return status;
    const best *b = &r.of[0];
    for (int k = 1; k < SP_WALK; k++)
      b = r.of[k].score > b->score ? &r.of[k] : b;
    if (!(b->score > 0.0) || !(b->chance < SP_NAMED_FURTHER))
      break;
    choose(s, b);
  }
  return SP_OK;
}

/* ---- sizes ------------------------------------------------------------------------------------------------------ */

/* How sure it is that the common shift is not nothing; and against what the nut's own hand error may do. */
static sp_status judge_shift(sp_search *s, sp_error *err)
{
  const size_t n = s->errors.n;
  const double nut = s->shift_mm * s->shift_mm / (s->sd_mm * s->sd_mm + s->u_shift_mm * s->u_shift_mm);
  sp_peak peak[2];
  s->shifted = false;
  if (s->hand == SP_HAND_STEPPED || s->record->datum == SP_DATUM_FIT)
    return SP_OK;
  const sp_status status = sp_likelihood(&s->errors, s->hand, s->p - 1, s->base + n, 1, s->base, peak, err);
  if (status)
    return status;
  s->shift_strength = sp_strength_of(sp_chance_of_gain(peak[1].log_likelihood - peak[0].log_likelihood, n, s->p));
  s->shifted = s->shift_strength >= -log10(SP_NAMED) && fabs(s->shift_mm) >= SP_WORTH_A_WORD_MM &&
               sp_f_upper(nut, 1.0, (double)(n - s->p)) < SP_NUT_CHANCE;
  return status;
}

static sp_status find_sizes(sp_search *s, sp_error *err)
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
    if (s->chosen[i].what <= SP_SINGLE) {
      s->chosen[i].size_mm = beta[column];
      s->chosen[i].u_size_mm = sqrt(covariance[column * s->p + column]);
      column++;
    }
  return judge_shift(s, err);
}

/* ---- which kind ------------------------------------------------------------------------------------------------- */

static sp_status weigh(sp_search *s, sp_error *err)
{
  double *without = NULL;
  if (s->layout->divisions == 12) {
    without = malloc(s->errors.n * sizeof *without);
    if (!without)
      return sp_fail_memory(err);
    for (size_t i = 0; i < s->errors.n; i++)
      without[i] = s->errors.y_mm[i] - s->eighteen_mm[i];
  }
  const sp_status status = sp_evidence_of(&s->errors, s->further, without, &s->evidence, err);
  free(without);
  return status;
}

static sp_pattern likeliest_of(const sp_search *s)
{
  int best = SP_STRETCH;
  for (int k = 1; k < SP_WALK; k++)
    if (s->evidence.log[k] > s->evidence.log[best])
      best = k;
  return (sp_pattern)best;
}

/* log evidence of the patterns chosen, or of the likeliest kind where none was sure enough. */
static sp_status evidence_of_chosen(sp_search *s, sp_pattern likeliest, double *evidence, sp_error *err)
{
  double size_mm[SP_MOST_ROUNDS];
  size_t columns = 0;
  *evidence = s->evidence.log[likeliest];
  if (s->count < 2)
    return SP_OK;
  const sp_status status = find_sizes(s, err);
  for (size_t i = 0; i < s->count; i++)
    if (s->chosen[i].what <= SP_SINGLE)
      size_mm[columns++] = fmax(fabs(s->chosen[i].size_mm), SP_WORTH_A_WORD_MM);
  const sp_set set = {columns, s->base + s->errors.n, size_mm, s->set_penalty};
  return status ? status : sp_evidence_of_set(&s->errors, &set, evidence, err);
}

/* Fits one pattern by itself, for what is said of it. */
static sp_status add_rival(sp_search *s, const best *b, sp_error *err)
{
  if (s->rivals == SP_MOST_RIVALS)
    return SP_OK;
  choose(s, b);
  const sp_status status = find_sizes(s, err);
  s->rival[s->rivals] = s->chosen[0];
  if (b->what == SP_WALK)
    s->rival[s->rivals].size_mm = s->sd_mm;
  else if (b->what == SP_OFFSET)
    s->rival[s->rivals].size_mm = s->shift_mm;
  s->rivals++;
  s->hand = SP_HAND_FROM_NUT;
  choose_nothing(s);
  return status;
}

/* The kinds that come near the best of them, the best first. */
static sp_status list_rivals(sp_search *s, const round_of *r, double evidence[SP_PATTERNS], sp_error *err)
{
  double top = -HUGE_VAL;
  for (int k = 0; k < SP_PATTERNS; k++)
    top = fmax(top, evidence[k]);
  sp_status status = SP_OK;
  while (!status) {
    int best = 0;
    for (int k = 1; k < SP_PATTERNS; k++)
      best = evidence[k] > evidence[best] ? k : best;
    if (!(evidence[best] > top - SURE_WHICH))
      break;
    evidence[best] = -HUGE_VAL;
    status = add_rival(s, &r->of[best], err);
  }
  return status;
}

/* The one kind that stands, with what further patterns there are beside it; or several that cannot be told apart.
 * `strength` is that of there being a pattern at all. */
static sp_status take(sp_search *s, const round_of *r, double evidence[SP_PATTERNS], double strength, sp_error *err)
{
  choose_nothing(s);
  const sp_status status = list_rivals(s, r, evidence, err);
  s->rival[0].strength = fmax(s->rival[0].strength, strength);
  if (status || s->rivals != 1)
    return status;
  const sp_pattern what = s->rival[0].what;
  s->rivals = 0;
  if (what == SP_OFFSET)
    return SP_OK;
  choose(s, &r->of[what]);
  s->chosen[0].strength = s->rival[0].strength;
  return what == SP_WALK ? SP_OK : run_further_rounds(s, err);
}

/* Weighs the patterns chosen against the other kinds, the walk above all. */
static sp_status settle(sp_search *s, const round_of *r, sp_pattern likeliest, sp_error *err)
{
  double evidence[SP_PATTERNS], of_chosen;
  memcpy(evidence, s->evidence.log, sizeof evidence);
  sp_status status = evidence_of_chosen(s, likeliest, &of_chosen, err);
  if (!status && !s->count)
    status = find_sizes(s, err);
  if (status || (s->count > 1 && of_chosen > evidence[SP_WALK] + SURE_WHICH))
    return status;
  evidence[likeliest] = fmax(evidence[likeliest], of_chosen);
  /* a shift is a rival only where it would be named by itself */
  if (s->count || !s->shifted)
    evidence[SP_OFFSET] = -HUGE_VAL;
  const double chance = fmin(r->of[likeliest].chance, r->of[SP_WALK].chance);
  if (chance < SP_NAMED)
    return take(s, r, evidence, sp_strength_of(chance), err);
  /* only a shift is sure; but what is it? */
  return evidence[SP_WALK] > evidence[SP_OFFSET] - SURE_WHICH && s->shifted
             ? take(s, r, evidence, s->shift_strength, err)
             : SP_OK;
}

static sp_status run_rounds(sp_search *s, sp_error *err)
{
  round_of r;
  sp_status status = weigh(s, err);
  if (!status)
    status = try_all(s, &r, err);
  if (!status)
    status = try_walk(s, &r, err);
  if (status)
    return status;
  const sp_pattern likeliest = likeliest_of(s);
  if (r.of[likeliest].chance < SP_NAMED) {
    choose(s, &r.of[likeliest]);
    status = run_further_rounds(s, err);
  }
  return status ? status : settle(s, &r, likeliest, err);
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

/* The decision has no other pattern to weigh against a stretch. What it said goes where this search has taken one. */
static void take_back_other_scale(const sp_search *s, sp_record *record)
{
  if (!s->rivals && !sp_find_chosen(s, SP_STRETCH) && !sp_find_chosen(s, SP_EIGHTEEN) && !sp_find_chosen(s, SP_WALK) &&
      !sp_find_chosen(s, SP_STEP))
    return;
  size_t kept = 0;
  for (size_t i = 0; i < record->finding_count; i++)
    if (strcmp(record->findings[i].kind, "other-scale-length") != 0)
      record->findings[kept++] = record->findings[i];
  record->finding_count = kept;
}

static sp_status add_patterns(sp_search *s, sp_record *record, sp_error *err)
{
  sp_status status = run_rounds(s, err);
  if (!status)
    status = find_sizes(s, err);
  if (status)
    return status;
  take_back_other_scale(s, record);
  return sp_say_findings(s, record, err);
}

sp_status sp_findings_add(const sp_layout *layout, sp_record *record, sp_error *err)
{
  sp_search s;
  sp_status status = search_create(layout, record, &s, err);
  if (!status && s.errors.n >= SP_FINDINGS_MIN_MARKS)
    status = add_patterns(&s, record, err);
  search_free(&s);
  const size_t before = record->finding_count;
  if (!status)
    status = sp_findings_of_fan(record, err);
  /* lines of another fan than the one asked for are all off by themselves */
  return status || record->finding_count > before ? status : sp_findings_of_squareness(record, err);
}
