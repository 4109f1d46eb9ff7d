/* What the boards of one layout say together.
 *
 * An error on a board has four origins: what is done alike every time (the jig or rule the maker lays out by, and the
 * rule beside the scanner), the nut's own place (which shifts all frets of that board), the hand at each mark, and the
 * measuring. A fret's mean over the boards shows the first; the shifts of whole boards the second; what is left over
 * the last two, and the records' budgets say how much of that is the measuring. The part of the budget that all scans
 * beside one rule share (its permissible error) does not scatter; it is kept beside the means as a doubt.
 *
 * Each picture counts once, under whatever names it was given. Sums run in a fixed order, so the same boards give the
 * same bytes. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "batch_internal.h"
#include "slotproof/numeric.h"

/* Variance components from fewer boards would be noise. */
enum { LEAST_FOR_COMPONENTS = 3 };
/* Weight of the newest board in the moving average (e-Handbook 6.3.2.4: 0.2 to 0.3 is usual). */
static const double EWMA_LAMBDA = 0.3, CHART_WIDTH = 3.0;

static double square(double x)
{
  return x * x;
}

/* Of a variance that may have come out below 0; what is not known stays so. */
static double root(double variance)
{
  return isnan(variance) ? NAN : sqrt(fmax(0.0, variance));
}

static sp_interval roots(sp_interval v, double less)
{
  return (sp_interval){root(v.lower - less), root(v.upper - less)};
}

static bool counts(const sp_batch_board *b)
{
  return !b->status && b->same_as == SP_BATCH_NONE;
}

/* ---- same picture twice ----------------------------------------------------------------------------------------- */

typedef struct picture_key {
  const char *sha256;
  size_t board;
} picture_key;

static int key_order(const void *a, const void *b)
{
  const picture_key *x = a, *y = b;
  const int order = strcmp(x->sha256, y->sha256);
  return order ? order : x->board < y->board ? -1 : x->board > y->board;
}

static sp_status find_doubles(sp_batch *batch, sp_error *err)
{
  picture_key *key = calloc(batch->board_count + 1, sizeof *key);
  size_t n = 0;
  if (!key)
    return sp_fail_memory(err);
  for (size_t i = 0; i < batch->board_count; i++)
    if (counts(&batch->board[i]) && batch->board[i].sha256[0])
      key[n++] = (picture_key){batch->board[i].sha256, i};
  qsort(key, n, sizeof *key, key_order);
  for (size_t first = 0, i = 1; i < n; i++) {
    if (strcmp(key[i].sha256, key[first].sha256) != 0)
      first = i;
    else if (sp_batch_same_layout(&batch->board[key[i].board], &batch->board[key[first].board]))
      batch->board[key[i].board].same_as = (int64_t)key[first].board;
  }
  free(key);
  return SP_OK;
}

static sp_status warn_of_boards(sp_batch *batch, sp_error *err)
{
  const char *version = NULL;
  bool mixed = false;
  size_t doubles = 0, first = 0;
  for (size_t i = 0; i < batch->board_count; i++) {
    const sp_batch_board *b = &batch->board[i];
    if (b->same_as != SP_BATCH_NONE && !b->repeat && !b->from_history && !doubles++)
      first = i;
    if (b->status)
      continue;
    mixed = mixed || (version && strcmp(version, b->version) != 0);
    version = b->version;
  }
  sp_status status = SP_OK;
  if (doubles) {
    const sp_batch_board *b = &batch->board[first];
    status = sp_batch_warn(batch, err,
                           "%zu of the pictures stand%s here twice, as %.200s is the same as %.200s; each "
                           "counts once in what is summed up",
                           doubles, doubles == 1 ? "s" : "", b->name, batch->board[b->same_as].name);
  }
  if (!status && mixed)
    status = sp_batch_warn(batch, err,
                           "the records were written by different versions of the program; check the "
                           "pictures again with one version before you compare closely");
  return status;
}

/* ---- groups ----------------------------------------------------------------------------------------------------- */

static int layout_order(const sp_batch_board *a, const sp_batch_board *b)
{
  if (a->scale_length_mm < b->scale_length_mm || a->scale_length_mm > b->scale_length_mm)
    return a->scale_length_mm < b->scale_length_mm ? -1 : 1;
  if (a->frets != b->frets)
    return a->frets < b->frets ? -1 : 1;
  if (a->divisions != b->divisions)
    return a->divisions < b->divisions ? -1 : 1;
  return (int)a->marks_kind - (int)b->marks_kind;
}

typedef struct place {
  int64_t sequence;
  size_t board;
} place;

static int place_order(const void *a, const void *b)
{
  const place *x = a, *y = b;
  if (x->sequence != y->sequence)
    return x->sequence < y->sequence ? -1 : 1;
  return x->board < y->board ? -1 : x->board > y->board;
}

/* The boards of the model's layout, in order of time. */
static sp_status collect(const sp_batch *batch, const sp_batch_board *model, sp_batch_group *g, bool *taken,
                         sp_error *err)
{
  place *list = calloc(batch->board_count, sizeof *list);
  g->board = calloc(batch->board_count, sizeof *g->board);
  if (!g->board || !list) {
    free(list);
    return sp_fail_memory(err);
  }
  for (size_t i = 0; i < batch->board_count; i++) {
    const sp_batch_board *b = &batch->board[i];
    if (taken[i] || !counts(b) || !sp_batch_same_layout(b, model))
      continue;
    list[g->board_count++] = (place){b->sequence, i};
    taken[i] = true;
  }
  qsort(list, g->board_count, sizeof *list, place_order);
  for (size_t i = 0; i < g->board_count; i++)
    g->board[i] = list[i].board;
  free(list);
  g->scale_length_mm = model->scale_length_mm;
  g->fan = model->fan;
  g->frets = model->frets;
  g->divisions = model->divisions;
  g->marks_kind = model->marks_kind;
  return SP_OK;
}

/* The first board, in order of layout, that belongs to no group yet; NULL if all do. */
static const sp_batch_board *next_model(const sp_batch *batch, const bool *taken)
{
  const sp_batch_board *model = NULL;
  for (size_t i = 0; i < batch->board_count; i++)
    if (!taken[i] && counts(&batch->board[i]) && (!model || layout_order(&batch->board[i], model) < 0))
      model = &batch->board[i];
  return model;
}

/* ---- one fret --------------------------------------------------------------------------------------------------- */

/* The tolerance all these boards have at this fret, or NAN. */
static double common_tolerance(const sp_batch *batch, const sp_batch_group *g, int32_t fret)
{
  const double first = batch->board[g->board[0]].mark[fret].tolerance_mm;
  for (size_t i = 1; i < g->board_count; i++)
    if (!(fabs(batch->board[g->board[i]].mark[fret].tolerance_mm - first) < 1e-9))
      return NAN;
  return first;
}

static void separate_hand(sp_batch_fret *f)
{
  const double own = square(f->u_line_mm) + square(f->u_nut_mm), s2 = square(f->error.sd);
  f->hand_sd_mm = root(s2 - own);
  f->hand_sd_limits = (sp_interval){NAN, NAN};
  if (f->error.n < 2)
    return;
  f->hand_sd_limits =
      roots(sp_variance_difference_limits(s2, (double)(f->error.n - 1), own, INFINITY, 1.0, SP_BATCH_CONFIDENCE), 0.0);
}

/* Off by more than chance and the rule explain? All frets are asked at once, so each has to be the surer (Bonferroni):
 * of reports on work without any systematic error 1 in 20 names a fret. */
static bool is_systematic(const sp_batch_fret *f, int32_t frets)
{
  if (f->error.n < 2)
    return false;
  const double tail = 0.5 * (1.0 - SP_BATCH_CONFIDENCE) / (double)frets;
  const double t = sp_student_quantile(1.0 - tail, (double)(f->error.n - 1));
  return fabs(f->error.mean) > hypot(t * f->error.sd / sqrt((double)f->error.n), 2.0 * f->u_shared_mm);
}

static bool measured(const sp_batch *batch, const sp_batch_group *g, size_t i, int32_t fret)
{
  return isfinite(batch->board[g->board[i]].mark[fret].error_mm);
}

/* `work`: the errors of the n boards on which the fret was found, in order of time. */
static void look_for_step(const sp_batch *batch, const sp_batch_group *g, const double *work, sp_batch_fret *f)
{
  const sp_step step = sp_step_find(work, f->error.n);
  f->step_board = SP_BATCH_NONE;
  f->step_mm = f->u_step_mm = NAN;
  if (!step.at || !(step.p * (double)g->frets < 1.0 - SP_BATCH_CONFIDENCE))
    return;
  size_t n = 0;
  for (size_t i = 0; i < g->board_count; i++)
    if (measured(batch, g, i, f->fret) && n++ == step.at)
      f->step_board = (int64_t)g->board[i];
  f->step_mm = step.shift;
  f->u_step_mm = step.u_shift;
}

static void sum_fret(const sp_batch *batch, const sp_batch_group *g, int32_t fret, double *work, sp_batch_fret *f)
{
  double line = 0.0, nut = 0.0, shared = 0.0;
  size_t n = 0;
  *f = (sp_batch_fret){.fret = fret, .layout_mm = batch->board[g->board[0]].layout_mm[fret]};
  for (size_t i = 0; i < g->board_count; i++) {
    const sp_batch_mark *m = &batch->board[g->board[i]].mark[fret];
    f->out += m->verdict == SP_OUT;
    f->undecided += m->verdict == SP_UNDECIDED;
    f->missing += m->verdict == SP_MISSING;
    if (!isfinite(m->error_mm))
      continue;
    line += square(m->u_line_mm);
    nut += square(m->u_nut_mm);
    shared += square(m->u_shared_mm);
    work[n++] = m->error_mm;
  }
  f->tolerance_mm = common_tolerance(batch, g, fret);
  f->error = sp_spread_of(work, n, SP_BATCH_CONFIDENCE);
  f->u_line_mm = n ? sqrt(line / (double)n) : NAN;
  f->u_nut_mm = n ? sqrt(nut / (double)n) : NAN;
  f->u_shared_mm = n ? sqrt(shared / (double)n) : NAN;
  separate_hand(f);
  f->systematic = is_systematic(f, g->frets);
  look_for_step(batch, g, work, f);
  const double tolerance = f->tolerance_mm;
  f->capability = sp_capability_of(f->error.mean, f->error.sd, (double)n, (double)n - 1.0, -tolerance, tolerance,
                                   SP_BATCH_CONFIDENCE);
}

/* All frets together, each about its own mean; needs one tolerance in mm. */
static void pool_frets(sp_batch_group *g)
{
  double squares = 0.0, nu = 0.0, sum = 0.0, n = 0.0;
  g->tolerance_mm = g->frets > 0 ? g->fret[0].tolerance_mm : NAN;
  for (int32_t k = 0; k < g->frets; k++) {
    const sp_batch_fret *f = &g->fret[k];
    if (!(fabs(f->tolerance_mm - g->tolerance_mm) < 1e-9))
      g->tolerance_mm = NAN;
    if (f->error.n < 1)
      continue;
    sum += f->error.mean * (double)f->error.n;
    n += (double)f->error.n;
    if (f->error.n < 2)
      continue;
    squares += square(f->error.sd) * (double)(f->error.n - 1);
    nu += (double)(f->error.n - 1);
  }
  g->pooled_sd_mm = nu > 0.0 ? sqrt(squares / nu) : NAN;
  /* spread of any fret on any board about the common mean: the frets' own means count too */
  double total = squares;
  for (int32_t k = 0; k < g->frets; k++)
    if (g->fret[k].error.n)
      total += (double)g->fret[k].error.n * square(g->fret[k].error.mean - sum / n);
  g->capability = sp_capability_of(sum / n, sqrt(total / (n - 1.0)), n, n - 1.0, -g->tolerance_mm, g->tolerance_mm,
                                   SP_BATCH_CONFIDENCE);
}

/* ---- components ------------------------------------------------------------------------------------------------- */

static bool complete(const sp_batch_board *b)
{
  for (int32_t k = 1; k <= b->frets; k++)
    if (!isfinite(b->mark[k].error_mm))
      return false;
  return b->frets > 1;
}

/* The complete boards' errors, board by board; how many boards there are. */
static size_t error_table(const sp_batch *batch, const sp_batch_group *g, double *table, sp_batch_components *c)
{
  double line = 0.0, nut = 0.0;
  size_t n = 0;
  for (size_t i = 0; i < g->board_count; i++) {
    const sp_batch_board *b = &batch->board[g->board[i]];
    if (!complete(b))
      continue;
    for (int32_t k = 1; k <= b->frets; k++) {
      table[n++] = b->mark[k].error_mm;
      line += square(b->mark[k].u_line_mm);
      nut += square(b->mark[k].u_nut_mm);
      if (!(b->mark[k].u_shared_mm <= c->u_shared_mm)) /* one that is not known makes all unknown */
        c->u_shared_mm = b->mark[k].u_shared_mm;
    }
  }
  c->line_sd_mm = n ? sqrt(line / (double)n) : NAN;
  c->datum_sd_mm = n ? sqrt(nut / (double)n) : NAN;
  return n / (size_t)g->frets;
}

static sp_status separate(const sp_batch *batch, sp_batch_group *g, sp_error *err)
{
  const sp_interval unknown = {NAN, NAN};
  sp_batch_components c = {.common_mm = NAN,
                           .jig_sd_mm = NAN,
                           .nut_sd_mm = NAN,
                           .hand_sd_mm = NAN,
                           .u_shared_mm = 0.0,
                           .jig_limits = unknown,
                           .nut_limits = unknown,
                           .hand_limits = unknown};
  sp_additive a;
  double *table = calloc(g->board_count * (size_t)g->frets, sizeof *table);
  if (!table)
    return sp_fail_memory(err);
  c.boards = error_table(batch, g, table, &c);
  sp_status status = SP_OK;
  if (c.boards >= LEAST_FOR_COMPONENTS && g->frets >= 2) {
    status = sp_additive_anova(table, c.boards, (size_t)g->frets, SP_BATCH_CONFIDENCE, &a, err);
    c.known = status == SP_OK;
  }
  if (c.known) {
    const double line = square(c.line_sd_mm), datum = square(c.datum_sd_mm);
    c.common_mm = sp_mean(table, c.boards * (size_t)g->frets);
    c.jig_sd_mm = root(a.var_columns);
    c.jig_limits = roots(a.var_columns_limits, 0.0);
    c.nut_sd_mm = root(a.var_rows - datum);
    c.nut_limits = roots(a.var_rows_limits, datum);
    c.hand_sd_mm = root(a.var_rest - line);
    c.hand_limits =
        roots(sp_variance_difference_limits(a.ms_rest, a.df_rest, line, INFINITY, 1.0, SP_BATCH_CONFIDENCE), 0.0);
  }
  free(table);
  g->components = c;
  return status;
}

/* ---- charts ----------------------------------------------------------------------------------------------------- */

typedef struct series {
  double *mean, *residual_mean, *scatter, *length;
  size_t *n, count;
} series;

static void free_series(series *s)
{
  free(s->mean);
  free(s->residual_mean);
  free(s->scatter);
  free(s->length);
  free(s->n);
}

static bool room_for(series *s, size_t boards)
{
  s->mean = calloc(boards, sizeof(double));
  s->residual_mean = calloc(boards, sizeof(double));
  s->scatter = calloc(boards, sizeof(double));
  s->length = calloc(boards, sizeof(double));
  s->n = calloc(boards, sizeof(size_t));
  return s->mean && s->residual_mean && s->scatter && s->length && s->n;
}

/* A board's errors about the frets' means over all boards, which it is one of: that makes them smaller by (B - 1)/B. */
static void add_board(const sp_batch_board *b, size_t index, sp_batch_group *g, double *work, series *s)
{
  size_t n = 0;
  for (int32_t k = 1; k <= b->frets; k++)
    if (isfinite(b->mark[k].error_mm))
      work[n++] = b->mark[k].error_mm - g->fret[k - 1].error.mean;
  if (n < 2)
    return;
  const double boards = (double)g->board_count;
  s->mean[s->count] = b->mean_error_mm;
  s->residual_mean[s->count] = sp_mean(work, n);
  s->scatter[s->count] = sp_sd(work, n) * sqrt(boards / (boards - 1.0));
  s->length[s->count] = b->fit_scale_length_mm - g->scale_length_mm;
  s->n[s->count] = n;
  g->charted[s->count++] = index;
}

static sp_status draw_charts(const series *s, sp_batch_group *g, sp_error *err)
{
  const double centre = sp_mean(s->mean, s->count);
  bool lengths = true;
  for (size_t i = 0; i < s->count; i++)
    lengths = lengths && isfinite(s->length[i]);
  sp_status status = sp_chart_individuals(s->mean, s->count, &g->chart[SP_BATCH_CHART_MEAN], err);
  if (!status)
    status = sp_chart_moving_range(s->mean, s->count, &g->chart[SP_BATCH_CHART_MOVING], err);
  if (!status)
    status = sp_chart_ewma(s->mean, s->count, EWMA_LAMBDA, centre, g->chart[SP_BATCH_CHART_MEAN].point[0].sigma,
                           CHART_WIDTH, &g->chart[SP_BATCH_CHART_EWMA], err);
  if (!status)
    status = sp_chart_xbar(s->residual_mean, s->scatter, s->n, s->count, &g->chart[SP_BATCH_CHART_GROUP_MEAN], err);
  if (!status)
    status = sp_chart_s(s->scatter, s->n, s->count, &g->chart[SP_BATCH_CHART_SCATTER], err);
  if (!status && lengths)
    status = sp_chart_individuals(s->length, s->count, &g->chart[SP_BATCH_CHART_LENGTH], err);
  return status;
}

static sp_status chart_group(const sp_batch *batch, sp_batch_group *g, double *work, sp_error *err)
{
  series s = {0};
  g->charted = calloc(g->board_count, sizeof *g->charted);
  sp_status status = g->charted && room_for(&s, g->board_count) ? SP_OK : sp_fail_memory(err);
  for (size_t i = 0; !status && i < g->board_count; i++)
    add_board(&batch->board[g->board[i]], g->board[i], g, work, &s);
  if (!status && s.count >= SP_BATCH_CHART_LEAST)
    status = draw_charts(&s, g, err);
  free_series(&s);
  return status;
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

static sp_status sum_group(const sp_batch *batch, sp_batch_group *g, sp_error *err)
{
  const size_t most = g->board_count > (size_t)g->frets ? g->board_count : (size_t)g->frets;
  double *work = calloc(most, sizeof *work);
  g->fret = calloc((size_t)g->frets, sizeof *g->fret);
  sp_status status = work && g->fret ? SP_OK : sp_fail_memory(err);
  for (int32_t k = 1; !status && k <= g->frets; k++)
    sum_fret(batch, g, k, work, &g->fret[k - 1]);
  if (!status) {
    pool_frets(g);
    status = separate(batch, g, err);
  }
  if (!status)
    status = chart_group(batch, g, work, err);
  free(work);
  return status;
}

sp_status sp_batch_sum_up(sp_batch *batch, sp_error *err)
{
  bool *taken = calloc(batch->board_count + 1, sizeof *taken);
  sp_status status = taken ? find_doubles(batch, err) : sp_fail_memory(err);
  if (!status)
    status = warn_of_boards(batch, err);
  for (const sp_batch_board *model; !status && (model = next_model(batch, taken)) != NULL;) {
    sp_batch_group *grown = realloc(batch->group, (batch->group_count + 1) * sizeof *grown);
    if (!grown) {
      status = sp_fail_memory(err);
      break;
    }
    batch->group = grown;
    sp_batch_group *g = &grown[batch->group_count++];
    memset(g, 0, sizeof *g);
    status = collect(batch, model, g, taken, err);
    if (!status)
      status = sum_group(batch, g, err);
  }
  free(taken);
  return status;
}

/* ---- the history ------------------------------------------------------------------------------------------------ */

typedef struct recall {
  sp_batch *batch;
  size_t own;       /* boards of this run */
  int64_t sequence; /* of the board that comes next */
} recall;

/* The board of this run that the stored record is of, or whose picture it shows with the same layout; or NULL. */
static sp_batch_board *find_own(const recall *c, const sp_batch_board *stored)
{
  for (size_t i = 0; i < c->own; i++) {
    sp_batch_board *b = &c->batch->board[i];
    const bool same_picture = stored->sha256[0] && strcmp(b->sha256, stored->sha256) == 0;
    if (!b->status && (strcmp(b->identity, stored->identity) == 0 || (same_picture && sp_batch_same_layout(b, stored))))
      return b;
  }
  return NULL;
}

static bool has_layout(const recall *c, const sp_batch_board *stored)
{
  bool any = false;
  for (size_t i = 0; i < c->own; i++) {
    if (sp_batch_same_layout(&c->batch->board[i], stored))
      return true;
    any = any || !c->batch->board[i].status;
  }
  return !any;
}

static void drop_last(sp_batch *batch)
{
  sp_batch_board *b = &batch->board[--batch->board_count];
  free(b->name);
  free(b->file);
  free(b->mark);
  free(b->layout_mm);
  memset(b, 0, sizeof *b);
}

static sp_status recall_one(void *context, const char *name, const char *text, size_t length, sp_error *err)
{
  recall *c = context;
  sp_record record;
  sp_record_init(&record);
  sp_status status = sp_record_parse(text, length, &record, err);
  sp_batch_board *b = status ? NULL : sp_batch_new_board(c->batch, name, "");
  if (!status)
    status = b ? sp_batch_fill_board(b, &record, err) : sp_fail_memory(err);
  if (!status)
    sp_history_identity(&record, text, length, b->identity);
  sp_record_free(&record);
  if (status)
    return status;
  sp_batch_board *own = find_own(c, b);
  b->from_history = true;
  b->sequence = c->sequence++;
  if (own)
    own->sequence = b->sequence;
  if (own || !has_layout(c, b))
    drop_last(c->batch);
  return SP_OK;
}

sp_status sp_batch_add_history(sp_batch *batch, sp_history *history, sp_error *err)
{
  recall c = {batch, batch->board_count, 0};
  return sp_history_each(history, recall_one, &c, err);
}
