/* The diagnosis: what the readings say about the instrument, and what each cure would leave.
 *
 * Two questions, two fits. "What is wrong?" needs tuning, saddle, nut and stretch told apart, which a few readings
 * often cannot do; values that hang together are named rather than guessed. "What is to be moved, how far?" needs only
 * the moves that flatten the notes as they are, however the error came about; it is answered well even where the first
 * question is not. Both are least squares on the exact model, made linear anew at each step (Gauss-Newton).
 *
 * Every error that enters (each reading, each fret, the datum) is sent through the estimators by itself and the effects
 * added in squares, so what strings share (a fret's place error is one error for all of them) is counted once. */
#include <math.h>
#include <stdlib.h>

#include "internal.h"
#include "slotproof/numeric.h"

enum { MAX_ROUNDS = 30 };
/* Steps below end a fit: mm and cents, far below anything reported. */
static const double SMALL_STEP = 1e-9;
/* A move that would pass this part of the scale length is nonsense. */
static const double MOST_MOVE = 0.1;
/* Readings that scatter more than their stated uncertainties allow (chi-squared, 1 %) have those widened. */
static const double SCATTER_LEVEL = 0.01;

typedef struct worker {
  const sp_instrument *in;
  sp_diagnosis *out;
  sp_design explain;
  double *y, *u, *right, *effect; /* n each: cents, their u, right side of a fit, effect of one error */
  sp_note_model *model;
  double nut_mm, stretch; /* as fitted so far */
  double saddle_mm[SP_MAX_STRINGS], tuning[SP_MAX_STRINGS];
} worker;

static size_t note_count(const worker *w)
{
  return w->out->note_count;
}

/* ---- setting up ------------------------------------------------------------------------------------------------- */

static bool is_known(const sp_instrument *in, int32_t fret)
{
  return fret == 0 || isfinite(in->fret[fret].x_mm);
}

static sp_status allocate(worker *w, size_t most, sp_error *err)
{
  if (most == 0 || most > SP_MAX_READINGS)
    return sp_fail(err, SP_E_DATA, "there are %zu notes; from 1 to %d can be diagnosed", most, SP_MAX_READINGS);
  w->out->notes = calloc(most, sizeof *w->out->notes);
  w->y = calloc(most * 4, sizeof(double));
  w->model = calloc(most, sizeof *w->model);
  if (!w->out->notes || !w->y || !w->model)
    return sp_fail_memory(err);
  w->u = w->y + most;
  w->right = w->u + most;
  w->effect = w->right + most;
  return SP_OK;
}

static void add_note(worker *w, size_t string, int32_t fret, double cents, double u)
{
  const size_t j = w->out->note_count++;
  w->out->notes[j].string = string;
  w->out->notes[j].fret = fret;
  w->model[j] = sp_model_note(w->in, string, fret);
  w->y[j] = cents;
  w->u[j] = u;
}

static sp_status take_readings(worker *w, const sp_intonation_reading *r, size_t count, sp_error *err)
{
  for (size_t i = 0; i < count; i++) {
    if (r[i].string >= w->in->strings || r[i].fret < 0 || r[i].fret > w->in->frets || !isfinite(r[i].cents) ||
        !(r[i].u_cents > 0.0 && isfinite(r[i].u_cents)))
      return sp_fail(err, SP_E_DATA, "reading %zu is of no string or fret of this instrument; correct it", i + 1);
    if (is_known(w->in, r[i].fret))
      add_note(w, r[i].string, r[i].fret, r[i].cents, r[i].u_cents);
    else
      w->out->left_out++;
  }
  if (!w->out->note_count)
    return sp_fail(err, SP_E_DATA, "no reading is of a fret that the record knows; read others, or scan again");
  return SP_OK;
}

/* Nothing read and not all known of the string: what its saddle has to make up for is not known either, so the saddle
 * is taken to do that rightly, and no move of it is named. */
static bool saddle_is_taken_as_right(const sp_diagnosis *out, size_t string)
{
  return !out->from_readings && !out->stretch_known[string];
}

/* Of the place alone; 0 where the saddle is taken as right. */
static double saddle_part(const worker *w, size_t string, int32_t fret)
{
  if (fret == 0 || saddle_is_taken_as_right(w->out, string))
    return 0.0;
  const double s = w->in->string[string].saddle_mm + w->saddle_mm[string];
  return SP_CENTS_PER_NEPER * log(s / (s - w->in->fret[fret].layout_mm)) - sp_step_cents(w->in, fret);
}

static double frets_part(const worker *w, size_t string, int32_t fret)
{
  if (fret == 0)
    return 0.0;
  const double s = w->in->string[string].saddle_mm + w->saddle_mm[string];
  return SP_CENTS_PER_NEPER * log((s - w->in->fret[fret].layout_mm) / (s - w->in->fret[fret].x_mm));
}

static double nut_part(const worker *w, size_t string, int32_t fret)
{
  const double s = w->in->string[string].saddle_mm + w->saddle_mm[string];
  return fret ? SP_CENTS_PER_NEPER * log((s - w->in->nut_mm - w->nut_mm) / s) : 0.0;
}

static void predict_note(worker *w, size_t string, int32_t fret)
{
  add_note(w, string, fret, 0.0, 1.0);
  const size_t j = w->out->note_count - 1;
  if (saddle_is_taken_as_right(w->out, string))
    w->model[j] = (sp_note_model){0.0, 0.0};
  w->y[j] = frets_part(w, string, fret) + nut_part(w, string, fret) + saddle_part(w, string, fret) +
            w->model[j].stiffness_cents + w->model[j].stretch_cents;
}

static sp_status predict(worker *w, sp_error *err)
{
  for (size_t i = 0; i < w->in->strings; i++)
    for (int32_t k = 1; k <= w->in->frets; k++)
      if (is_known(w->in, k))
        predict_note(w, i, k);
  if (!w->out->note_count)
    return sp_fail(err, SP_E_DATA, "the record knows the place of no fret; scan the board again");
  return SP_OK;
}

/* ---- columns ---------------------------------------------------------------------------------------------------- */

static double geometry(const worker *w, size_t j, double nut_mm, double saddle_mm)
{
  const sp_note *n = &w->out->notes[j];
  return sp_geometry_cents(w->in, n->string, n->fret, n->fret ? w->in->fret[n->fret].x_mm : 0.0, nut_mm, saddle_mm);
}

/* d cents of note j / d value at given shifts of nut and saddle. */
static double slope(const worker *w, size_t j, sp_value_name v, double nut_mm, double saddle_mm)
{
  const sp_note *n = &w->out->notes[j];
  if (v.string < SP_MAX_STRINGS && v.string != n->string)
    return 0.0;
  if (v.kind == SP_VALUE_TUNING)
    return 1.0;
  if (n->fret == 0)
    return 0.0;
  const double s = w->in->string[n->string].saddle_mm + saddle_mm;
  const double open_mm = s - w->in->nut_mm - nut_mm, sounding_mm = s - w->in->fret[n->fret].x_mm;
  if (v.kind == SP_VALUE_SADDLE)
    return SP_CENTS_PER_NEPER * (1.0 / open_mm - 1.0 / sounding_mm);
  return v.kind == SP_VALUE_NUT ? -SP_CENTS_PER_NEPER / open_mm : w->model[j].stretch_cents;
}

static void fill_column(const worker *w, sp_design *d, size_t c, sp_value_name v, double nut_mm,
                        const double *saddle_mm)
{
  for (size_t j = 0; j < d->n; j++)
    d->column[c * d->n + j] = slope(w, j, v, nut_mm, saddle_mm[w->out->notes[j].string]);
}

static void tangle(sp_diagnosis *out, sp_value_name a, sp_value_name b, double r)
{
  if (out->tangled_count < SP_MAX_ENTANGLEMENTS)
    out->tangled[out->tangled_count++] = (sp_entanglement){a, b, r};
}

static bool reads(const worker *w, size_t string, bool stopped)
{
  for (size_t j = 0; j < note_count(w); j++)
    if (w->out->notes[j].string == string && (!stopped || w->out->notes[j].fret > 0))
      return true;
  return false;
}

/* Adds a candidate; a failure is noted unless `out` is NULL. */
static bool try_value(const worker *w, sp_design *d, sp_value_name v, sp_diagnosis *out)
{
  static const double ZERO[SP_MAX_STRINGS] = {0.0};
  sp_value_name twin;
  fill_column(w, d, d->p, v, 0.0, ZERO);
  const bool added = sp_design_add(d, v, &twin);
  if (!added && out)
    tangle(out, v, twin, NAN);
  return added;
}

static sp_status make_design(const worker *w, sp_design *d, sp_error *err)
{
  const sp_status status = sp_design_init(note_count(w), d, err);
  for (size_t j = 0; !status && j < d->n; j++)
    d->weight[j] = 1.0 / (w->u[j] * w->u[j]);
  return status;
}

/* ---- what is wrong ---------------------------------------------------------------------------------------------- */

static double model_cents(const worker *w, size_t j)
{
  const size_t i = w->out->notes[j].string;
  return w->tuning[i] + geometry(w, j, w->nut_mm, w->saddle_mm[i]) + w->model[j].stiffness_cents +
         w->stretch * w->model[j].stretch_cents;
}

static double *place_of(worker *w, sp_value_name v)
{
  return v.kind == SP_VALUE_TUNING   ? &w->tuning[v.string]
         : v.kind == SP_VALUE_SADDLE ? &w->saddle_mm[v.string]
         : v.kind == SP_VALUE_NUT    ? &w->nut_mm
                                     : &w->stretch;
}

static bool is_length(sp_value_name v)
{
  return v.kind == SP_VALUE_SADDLE || v.kind == SP_VALUE_NUT;
}

static sp_status run_away(sp_error *err)
{
  return sp_fail(err, SP_E_DATA,
                 "the readings fit no place of nut and saddle; look for a reading of a wrong fret or string");
}

static sp_status fit_values(worker *w, sp_error *err)
{
  sp_design *d = &w->explain;
  double step[SP_MAX_COLUMNS];
  for (int round = 0; round < MAX_ROUNDS; round++) {
    double largest = 0.0;
    for (size_t j = 0; j < d->n; j++)
      w->right[j] = w->y[j] - model_cents(w, j);
    for (size_t c = 0; c < d->p; c++)
      fill_column(w, d, c, d->name[c], w->nut_mm, w->saddle_mm);
    const sp_status status = sp_design_solve(d, w->right, step, err);
    if (status)
      return status;
    for (size_t c = 0; c < d->p; c++) {
      double *value = place_of(w, d->name[c]);
      *value += step[c];
      largest = fmax(largest, fabs(step[c]));
      if (is_length(d->name[c]) && !(fabs(*value) <= MOST_MOVE * w->in->scale_length_mm))
        return run_away(err);
    }
    if (largest <= SMALL_STEP)
      return SP_OK;
  }
  return run_away(err);
}

/* The factor that the scatter about the fit demands. */
static double widening(worker *w)
{
  double chi2 = 0.0;
  for (size_t j = 0; j < note_count(w); j++)
    chi2 += pow((w->y[j] - model_cents(w, j)) / w->u[j], 2.0);
  const size_t df = w->out->degrees_of_freedom;
  if (df == 0 || !(sp_chi2_upper(chi2, (double)df) < SCATTER_LEVEL))
    return 1.0;
  return sqrt(chi2 / (double)df);
}

/* ---- errors sent through ---------------------------------------------------------------------------------------- */

/* One independent error of size 1 u: what it does to the notes read (or predicted) and to the fit's right side. */
typedef enum error_kind { ERROR_READING, ERROR_FRET, ERROR_DATUM } error_kind;

/* Change of cents of the model at note j by the places of the record alone. */
static double place_effect(const worker *w, error_kind kind, size_t which, size_t j)
{
  const int32_t k = w->out->notes[j].fret;
  if (k == 0 || (kind == ERROR_FRET && (size_t)k != which))
    return 0.0;
  const double datum = w->in->datum_u_mm, own = w->in->fret[k].u_mm;
  const double u_mm = kind == ERROR_DATUM ? datum : sqrt(fmax(0.0, own * own - datum * datum));
  return u_mm * sp_fret_slope(w->in, w->out->notes[j].string, k);
}

/* Visits every error; returns the number of those of a kind. */
static size_t error_count(const worker *w, error_kind kind)
{
  return kind == ERROR_READING ? (w->out->from_readings ? note_count(w) : 0)
         : kind == ERROR_FRET  ? (size_t)w->in->frets + 1
                               : 1;
}

/* dot of estimator row with an effect, which for a reading has one place only. */
static double sent_through(const sp_design *d, size_t row, const double *effect)
{
  double sum = 0.0;
  for (size_t j = 0; j < d->n; j++)
    sum += d->estimator[row * d->n + j] * effect[j];
  return sum;
}

/* Fills w->effect with what the error does to (y - model). */
static void residual_effect(worker *w, error_kind kind, size_t which)
{
  for (size_t j = 0; j < note_count(w); j++)
    w->effect[j] =
        kind == ERROR_READING ? (j == which ? w->u[j] * w->out->widened : 0.0) : -place_effect(w, kind, which, j);
}

/* Covariance of the explanation's values. */
static void covariance(worker *w, double *cov)
{
  const size_t p = w->explain.p;
  double moved[SP_MAX_COLUMNS];
  for (size_t c = 0; c < p * p; c++)
    cov[c] = 0.0;
  for (error_kind kind = ERROR_READING; kind <= ERROR_DATUM; kind++)
    for (size_t e = 0; e < error_count(w, kind); e++) {
      residual_effect(w, kind, e);
      for (size_t c = 0; c < p; c++)
        moved[c] = kind == ERROR_READING ? w->explain.estimator[c * w->explain.n + e] * w->effect[e]
                                         : sent_through(&w->explain, c, w->effect);
      for (size_t a = 0; a < p; a++)
        for (size_t b = 0; b < p; b++)
          cov[a * p + b] += moved[a] * moved[b];
    }
}

static void keep_values(worker *w)
{
  sp_diagnosis *out = w->out;
  const size_t p = w->explain.p;
  double cov[SP_MAX_COLUMNS * SP_MAX_COLUMNS];
  covariance(w, cov);
  for (size_t a = 0; a < p; a++) {
    const sp_value_name v = w->explain.name[a];
    sp_estimate *into = v.kind == SP_VALUE_TUNING   ? &out->tuning_cents[v.string]
                        : v.kind == SP_VALUE_SADDLE ? &out->saddle_mm[v.string]
                        : v.kind == SP_VALUE_NUT    ? &out->nut_mm
                                                    : &out->stretch_factor;
    *into = (sp_estimate){true, *place_of(w, v), sqrt(cov[a * p + a])};
    for (size_t b = 0; b < a; b++) {
      const double r = cov[a * p + b] / sqrt(cov[a * p + a] * cov[b * p + b]);
      if (fabs(r) > SP_STRONG_CORRELATION)
        tangle(out, v, w->explain.name[b], r);
    }
  }
}

static void choose_values(worker *w, bool with_stretch)
{
  w->explain.p = 0;
  w->out->tangled_count = 0;
  for (size_t i = 0; i < w->in->strings; i++)
    if (reads(w, i, false))
      try_value(w, &w->explain, (sp_value_name){SP_VALUE_TUNING, i}, w->out);
  for (size_t i = 0; i < w->in->strings; i++)
    if (reads(w, i, true))
      try_value(w, &w->explain, (sp_value_name){SP_VALUE_SADDLE, i}, w->out);
  try_value(w, &w->explain, (sp_value_name){SP_VALUE_NUT, SP_MAX_STRINGS}, w->out);
  if (with_stretch)
    try_value(w, &w->explain, (sp_value_name){SP_VALUE_STRETCH, SP_MAX_STRINGS}, w->out);
}

static sp_status explain_with(worker *w, bool with_stretch, sp_error *err)
{
  sp_diagnosis *out = w->out;
  w->nut_mm = 0.0;
  w->stretch = 1.0;
  for (size_t i = 0; i < SP_MAX_STRINGS; i++)
    w->saddle_mm[i] = w->tuning[i] = 0.0;
  out->stretch_factor = (sp_estimate){false, 1.0, NAN};
  choose_values(w, with_stretch);
  const sp_status status = fit_values(w, err);
  if (status)
    return status;
  out->degrees_of_freedom = note_count(w) - w->explain.p;
  out->widened = widening(w);
  keep_values(w);
  return SP_OK;
}

static sp_status explain(worker *w, sp_error *err)
{
  bool any_stretch = false;
  for (size_t j = 0; j < note_count(w); j++)
    any_stretch = any_stretch || w->model[j].stretch_cents != 0.0;
  sp_status status = make_design(w, &w->explain, err);
  if (!status)
    status = explain_with(w, any_stretch, err);
  const sp_estimate *s = &w->out->stretch_factor;
  if (!status && s->known && !(s->u * w->out->widened <= SP_MAX_U_STRETCH && s->value >= 0.0)) {
    status = explain_with(w, false, err);
    if (!status)
      tangle(w->out, (sp_value_name){SP_VALUE_STRETCH, SP_MAX_STRINGS},
             (sp_value_name){SP_VALUE_SADDLE, SP_MAX_STRINGS}, NAN);
  }
  return status;
}

/* ---- parts ------------------------------------------------------------------------------------------------------ */

static void part_note(const worker *w, size_t j)
{
  sp_note *n = &w->out->notes[j];
  double sum = 0.0;
  n->cents = w->y[j];
  n->part[SP_PART_TUNING] = w->tuning[n->string];
  n->part[SP_PART_FRETS] = frets_part(w, n->string, n->fret);
  n->part[SP_PART_NUT] = nut_part(w, n->string, n->fret);
  n->part[SP_PART_SADDLE] = saddle_part(w, n->string, n->fret);
  n->part[SP_PART_STIFFNESS] = w->model[j].stiffness_cents;
  n->part[SP_PART_STRETCH] = w->stretch * w->model[j].stretch_cents;
  for (int p = 0; p < SP_PART_REST; p++)
    sum += n->part[p];
  n->part[SP_PART_REST] = w->out->from_readings ? w->y[j] - sum : 0.0;
}

static void sum_parts(sp_diagnosis *out)
{
  const double n = (double)out->note_count;
  double all = 0.0;
  out->worst = 0.0;
  for (size_t j = 0; j < out->note_count; j++) {
    const double c = out->notes[j].cents;
    all += c * c;
    if (fabs(c) > fabs(out->worst)) {
      out->worst = c;
      out->worst_note = j;
    }
  }
  out->rms = sqrt(all / n);
  for (int p = 0; p < SP_PARTS; p++) {
    double own = 0.0, left = 0.0;
    for (size_t j = 0; j < out->note_count; j++) {
      const double part = out->notes[j].part[p], rest = out->notes[j].cents - part;
      own += part * part;
      left += rest * rest;
    }
    out->part_rms[p] = sqrt(own / n);
    out->part_left[p] = sqrt(left / n);
  }
}

/* ---- cures ------------------------------------------------------------------------------------------------------ */

typedef struct cure {
  bool frets, nut, saddle;
} cure;
static const cure CURE[SP_CURES] = {[SP_CURE_FRETS] = {true, false, false},
                                    [SP_CURE_NUT] = {false, true, false},
                                    [SP_CURE_SADDLE] = {false, false, true},
                                    [SP_CURE_NUT_SADDLE] = {false, true, true},
                                    [SP_CURE_ALL] = {true, true, true}};

/* Where the tuning of the strings does the same to the readings as the nut, no move of the nut can be named. */
static bool nut_is_tuning(const sp_diagnosis *out)
{
  for (size_t t = 0; t < out->tangled_count; t++)
    if (out->tangled[t].a.kind == SP_VALUE_NUT && out->tangled[t].b.kind == SP_VALUE_TUNING &&
        isnan(out->tangled[t].correlation))
      return true;
  return false;
}

/* Cents after tuning, with the frets put right if that is part of the cure. */
static double tuned(const worker *w, size_t j, cure c)
{
  const sp_note *n = &w->out->notes[j];
  return n->cents - n->part[SP_PART_TUNING] - (c.frets ? n->part[SP_PART_FRETS] : 0.0);
}

/* Change of note j where nut and saddle are moved from where they are now, the frets being put right or not. */
static double moved_by(const worker *w, size_t j, cure c, double nut_mm, double saddle_mm)
{
  const sp_note *n = &w->out->notes[j];
  const double now = w->saddle_mm[n->string];
  if (n->fret == 0)
    return 0.0;
  const double x_mm = c.frets ? w->in->fret[n->fret].layout_mm : w->in->fret[n->fret].x_mm;
  return sp_geometry_cents(w->in, n->string, n->fret, x_mm, w->nut_mm + nut_mm, now + saddle_mm) -
         sp_geometry_cents(w->in, n->string, n->fret, x_mm, w->nut_mm, now);
}

static void choose_moves(const worker *w, cure c, sp_design *d)
{
  for (size_t i = 0; c.saddle && i < w->in->strings; i++)
    if (w->out->from_readings ? w->out->saddle_mm[i].known : !saddle_is_taken_as_right(w->out, i))
      try_value(w, d, (sp_value_name){SP_VALUE_SADDLE, i}, NULL);
  if (c.nut && !nut_is_tuning(w->out))
    try_value(w, d, (sp_value_name){SP_VALUE_NUT, SP_MAX_STRINGS}, NULL);
}

static sp_status fit_moves(worker *w, cure c, sp_design *d, double *nut_mm, double *saddle_mm, sp_error *err)
{
  double step[SP_MAX_COLUMNS], at[SP_MAX_STRINGS];
  for (int round = 0; round < MAX_ROUNDS; round++) {
    double largest = 0.0;
    for (size_t i = 0; i < SP_MAX_STRINGS; i++)
      at[i] = w->saddle_mm[i] + saddle_mm[i];
    for (size_t j = 0; j < d->n; j++)
      w->right[j] = -(tuned(w, j, c) + moved_by(w, j, c, *nut_mm, saddle_mm[w->out->notes[j].string]));
    for (size_t k = 0; k < d->p; k++)
      fill_column(w, d, k, d->name[k], w->nut_mm + *nut_mm, at);
    const sp_status status = sp_design_solve(d, w->right, step, err);
    if (status)
      return status;
    for (size_t k = 0; k < d->p; k++) {
      double *value = d->name[k].kind == SP_VALUE_NUT ? nut_mm : &saddle_mm[d->name[k].string];
      *value += step[k];
      largest = fmax(largest, fabs(step[k]));
      if (!(fabs(*value) <= MOST_MOVE * w->in->scale_length_mm))
        return run_away(err);
    }
    if (largest <= SMALL_STEP)
      return SP_OK;
  }
  return run_away(err);
}

/* Effect of one error on the tuned notes, to w->right; w->effect holds that on the explanation's right side. */
static void tuned_effect(worker *w, error_kind kind, size_t which, cure c)
{
  double tuning[SP_MAX_STRINGS] = {0.0};
  residual_effect(w, kind, which);
  for (size_t k = 0; k < w->explain.p; k++)
    if (w->explain.name[k].kind == SP_VALUE_TUNING)
      tuning[w->explain.name[k].string] = sent_through(&w->explain, k, w->effect);
  for (size_t j = 0; j < note_count(w); j++) {
    const double place = kind == ERROR_READING ? 0.0 : place_effect(w, kind, which, j);
    const double on_y = kind == ERROR_READING ? w->effect[j] : w->out->from_readings ? 0.0 : place;
    w->right[j] = on_y - tuning[w->out->notes[j].string] - (c.frets ? place : 0.0);
  }
}

static void move_uncertainties(worker *w, cure c, const sp_design *d, double *u)
{
  for (size_t k = 0; k < d->p; k++)
    u[k] = 0.0;
  for (error_kind kind = ERROR_READING; kind <= ERROR_DATUM; kind++)
    for (size_t e = 0; e < error_count(w, kind); e++) {
      tuned_effect(w, kind, e, c);
      for (size_t k = 0; k < d->p; k++)
        u[k] += pow(sent_through(d, k, w->right), 2.0);
    }
  for (size_t k = 0; k < d->p; k++)
    u[k] = sqrt(u[k]);
}

static void keep_cure(worker *w, sp_cure which, const sp_design *d, double nut_mm, const double *saddle_mm)
{
  sp_cure_result *r = &w->out->cure[which];
  double u[SP_MAX_COLUMNS], squares = 0.0;
  size_t stopped = 0;
  move_uncertainties(w, CURE[which], d, u);
  for (size_t k = 0; k < d->p; k++)
    *(d->name[k].kind == SP_VALUE_NUT ? &r->nut_mm : &r->saddle_mm[d->name[k].string]) =
        (sp_estimate){true, d->name[k].kind == SP_VALUE_NUT ? nut_mm : saddle_mm[d->name[k].string], u[k]};
  r->worst = 0.0;
  for (size_t j = 0; j < note_count(w); j++) {
    sp_note *n = &w->out->notes[j];
    n->after[which] = tuned(w, j, CURE[which]) + moved_by(w, j, CURE[which], nut_mm, saddle_mm[n->string]);
    if (n->fret == 0)
      continue;
    stopped++;
    squares += n->after[which] * n->after[which];
    if (fabs(n->after[which]) > fabs(r->worst))
      r->worst = n->after[which];
  }
  r->rms = stopped ? sqrt(squares / (double)stopped) : NAN;
  r->possible = stopped > 0 && (d->p > 0 || (!CURE[which].nut && !CURE[which].saddle));
}

static sp_status try_cure(worker *w, sp_cure which, sp_error *err)
{
  sp_design d;
  double nut_mm = 0.0, saddle_mm[SP_MAX_STRINGS] = {0.0};
  sp_status status = make_design(w, &d, err);
  if (status)
    return status;
  choose_moves(w, CURE[which], &d);
  status = fit_moves(w, CURE[which], &d, &nut_mm, saddle_mm, err);
  if (!status)
    keep_cure(w, which, &d, nut_mm, saddle_mm);
  sp_design_free(&d);
  return status;
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

static void init_diagnosis(const sp_instrument *in, size_t count, sp_diagnosis *out)
{
  const sp_estimate unknown = {false, 0.0, NAN};
  *out = (sp_diagnosis){.from_readings = count > 0, .strings = in->strings, .widened = 1.0};
  out->nut_mm = unknown;
  out->stretch_factor = (sp_estimate){false, 1.0, NAN};
  for (size_t i = 0; i < SP_MAX_STRINGS; i++) {
    out->saddle_mm[i] = out->tuning_cents[i] = unknown;
    out->stiffness_known[i] = i < in->strings && sp_stiffness_is_known(&in->string[i]);
    out->stretch_known[i] = i < in->strings && sp_stretch_is_known(&in->string[i]);
  }
  for (int c = 0; c < SP_CURES; c++) {
    out->cure[c].nut_mm = unknown;
    for (size_t i = 0; i < SP_MAX_STRINGS; i++)
      out->cure[c].saddle_mm[i] = unknown;
  }
}

static sp_status work(worker *w, const sp_intonation_reading *reading, size_t count, sp_error *err)
{
  sp_status status = allocate(w, count ? count : w->in->strings * (size_t)w->in->frets, err);
  if (!status)
    status = count ? take_readings(w, reading, count, err) : predict(w, err);
  if (!status && count)
    status = explain(w, err);
  for (size_t j = 0; !status && j < note_count(w); j++)
    part_note(w, j);
  if (!status)
    sum_parts(w->out);
  for (int c = 0; !status && c < SP_CURES; c++)
    status = try_cure(w, (sp_cure)c, err);
  return status;
}

sp_status sp_diagnose(const sp_instrument *in, const sp_intonation_reading *reading, size_t count, sp_diagnosis *out,
                      sp_error *err)
{
  worker w = {.in = in, .out = out, .stretch = 1.0};
  *out = (sp_diagnosis){0};
  if (!sp_instrument_is_sound(in, err))
    return SP_E_DATA;
  init_diagnosis(in, count, out);
  const sp_status status = work(&w, reading, count, err);
  sp_design_free(&w.explain);
  free(w.y);
  free(w.model);
  if (status)
    sp_diagnosis_free(out);
  return status;
}

void sp_diagnosis_free(sp_diagnosis *d)
{
  free(d->notes);
  *d = (sp_diagnosis){0};
}
