/* Boards: what a batch keeps of each record, which is what statistics and pages need and no more: a hundred bytes a
 * mark, so that memory does not grow with the number of boards to speak of. */
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "batch_internal.h"
#include "slotproof/advice.h"

/* Scale lengths closer than this are the same layout. */
static const double SAME_LENGTH_MM = 1e-6;

char *sp_batch_copy(const char *text)
{
  const size_t size = strlen(text) + 1;
  char *copy = malloc(size);
  return copy ? memcpy(copy, text, size) : NULL;
}

const char *sp_batch_last_part(const char *path)
{
  const char *slash = strrchr(path, '/');
  return slash ? slash + 1 : path;
}

static void free_board(sp_batch_board *b)
{
  free(b->name);
  free(b->file);
  free(b->trouble);
  free(b->mark);
  free(b->layout_mm);
}

static void free_group(sp_batch_group *g)
{
  free(g->board);
  free(g->fret);
  free(g->charted);
  for (size_t i = 0; i < SP_BATCH_CHARTS; i++)
    sp_chart_free(&g->chart[i]);
}

void sp_batch_free(sp_batch *batch)
{
  for (size_t i = 0; i < batch->board_count; i++)
    free_board(&batch->board[i]);
  for (size_t i = 0; i < batch->group_count; i++)
    free_group(&batch->group[i]);
  for (size_t i = 0; i < batch->warning_count; i++)
    free(batch->warning[i]);
  free(batch->board);
  free(batch->group);
  free(batch->warning);
  free(batch->study.fret);
  free(batch->study.each);
  memset(batch, 0, sizeof *batch);
}

sp_status sp_batch_warn(sp_batch *batch, sp_error *err, const char *format, ...)
{
  char text[1000];
  va_list args;
  va_start(args, format);
  vsnprintf(text, sizeof text, format, args);
  va_end(args);
  char **grown = realloc(batch->warning, (batch->warning_count + 1) * sizeof *grown);
  char *copy = sp_batch_copy(text);
  if (grown)
    batch->warning = grown;
  if (!grown || !copy) {
    free(copy);
    return sp_fail_memory(err);
  }
  grown[batch->warning_count++] = copy;
  return SP_OK;
}

sp_batch_board *sp_batch_new_board(sp_batch *batch, const char *name, const char *file)
{
  if ((batch->board_count & (batch->board_count - 1)) == 0) { /* room grows by doubling */
    const size_t room = batch->board_count ? 2 * batch->board_count : 1;
    sp_batch_board *grown = room > SIZE_MAX / sizeof *grown ? NULL : realloc(batch->board, room * sizeof *grown);
    if (!grown)
      return NULL;
    batch->board = grown;
  }
  sp_batch_board *b = &batch->board[batch->board_count];
  memset(b, 0, sizeof *b);
  b->same_as = SP_BATCH_NONE;
  b->worst = SP_BATCH_NONE;
  b->scale_length_mm = b->mean_error_mm = b->fit_scale_length_mm = NAN;
  b->verdict = SP_UNDECIDED;
  b->name = sp_batch_copy(name);
  b->file = sp_batch_copy(file);
  if (!b->name || !b->file) {
    free_board(b);
    return NULL;
  }
  batch->board_count++;
  return b;
}

sp_status sp_batch_set_trouble(sp_batch_board *board, const sp_error *why, sp_error *err)
{
  board->status = why->status;
  board->trouble = sp_batch_copy(why->text);
  return board->trouble ? SP_OK : sp_fail_memory(err);
}

/* What the rule is doubted by; the temperature has a part only where one was given. */
static double shared_u(const sp_budget *b)
{
  return isnan(b->temperature_mm) ? b->rule_mm : hypot(b->rule_mm, b->temperature_mm);
}

static sp_batch_mark mark_of(const sp_record *r, const sp_mark_record *m)
{
  sp_batch_mark b = {.found = m->found, .verdict = m->verdict};
  b.error_mm = m->found ? m->error_mm : NAN;
  b.error_cents = m->found ? m->error_cents : NAN;
  b.expanded_u_mm = m->found ? m->expanded_u_mm : NAN;
  b.expanded_u_cents = m->found ? m->expanded_u_cents : NAN;
  b.squareness_deg = m->found ? m->squareness_deg : NAN;
  b.width_mm = m->found ? m->width_mm : NAN;
  b.u_line_mm = m->found ? hypot(m->budget.line_mm, m->budget.map_mm) : NAN;
  b.u_nut_mm = m->found ? m->budget.datum_mm : NAN;
  b.u_shared_mm = m->found ? shared_u(&m->budget) : NAN;
  b.tolerance_mm = sp_advice_tolerance_mm(r, m);
  return b;
}

static void count_marks(sp_batch_board *b)
{
  double sum = 0.0, farthest = -1.0;
  size_t found = 0;
  for (int32_t k = 1; k <= b->frets; k++) {
    const sp_batch_mark *m = &b->mark[k];
    b->within += m->verdict == SP_WITHIN;
    b->out += m->verdict == SP_OUT;
    b->undecided += m->verdict == SP_UNDECIDED;
    b->missing += m->verdict == SP_MISSING;
    if (!isfinite(m->error_mm))
      continue;
    const double part = fabs(m->error_mm) / (isfinite(m->tolerance_mm) ? m->tolerance_mm : 1.0);
    if (part > farthest) {
      farthest = part;
      b->worst = k;
    }
    sum += m->error_mm;
    found++;
  }
  b->mean_error_mm = found ? sum / (double)found : NAN;
}

sp_status sp_batch_fill_board(sp_batch_board *b, const sp_record *r, sp_error *err)
{
  const size_t count = (size_t)r->frets + 1;
  b->mark = calloc(count, sizeof *b->mark);
  b->layout_mm = calloc(count, sizeof *b->layout_mm);
  if (!b->mark || !b->layout_mm)
    return sp_fail_memory(err);
  sp_history_pictures(r, b->sha256);
  memcpy(b->version, r->version, sizeof b->version);
  b->scale_length_mm = r->scale_length_mm;
  b->frets = r->frets;
  b->fan = (sp_batch_fan){r->square_fret, r->bass_scale_mm, r->treble_scale_mm, r->spread_nut_mm, r->spread_saddle_mm};
  b->divisions = r->divisions;
  b->marks_kind = r->marks_kind;
  b->verdict = r->verdict;
  b->fit_scale_length_mm = r->fit_scale_length_mm;
  for (size_t k = 0; k < count; k++) {
    b->mark[k] = (sp_batch_mark){false, SP_MISSING, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
    b->layout_mm[k] = NAN;
  }
  for (size_t i = 0; i < r->mark_count; i++) {
    b->mark[r->marks[i].fret] = mark_of(r, &r->marks[i]);
    b->layout_mm[r->marks[i].fret] = r->marks[i].layout_mm;
  }
  count_marks(b);
  return SP_OK;
}

sp_status sp_batch_add_record(sp_batch *batch, const char *file, const sp_record *record, sp_error *err)
{
  sp_batch_board *b = sp_batch_new_board(batch, sp_batch_last_part(file), file);
  return b ? sp_batch_fill_board(b, record, err) : sp_fail_memory(err);
}

static bool same_or_unknown(double a, double b)
{
  return (isnan(a) && isnan(b)) || fabs(a - b) < SAME_LENGTH_MM;
}

static bool same_fan(const sp_batch_fan *a, const sp_batch_fan *b)
{
  return same_or_unknown(a->square_fret, b->square_fret) && same_or_unknown(a->bass_scale_mm, b->bass_scale_mm) &&
         same_or_unknown(a->treble_scale_mm, b->treble_scale_mm) &&
         same_or_unknown(a->spread_nut_mm, b->spread_nut_mm) &&
         same_or_unknown(a->spread_saddle_mm, b->spread_saddle_mm);
}

bool sp_batch_same_layout(const sp_batch_board *a, const sp_batch_board *b)
{
  if (a->status || b->status || a->frets != b->frets || a->divisions != b->divisions ||
      a->marks_kind != b->marks_kind || !same_fan(&a->fan, &b->fan) || !(fabs(a->scale_length_mm - b->scale_length_mm) < SAME_LENGTH_MM))
    return false;
  for (int32_t k = 0; k <= a->frets; k++)
    if (fabs(a->layout_mm[k] - b->layout_mm[k]) > SAME_LENGTH_MM) /* where either is not known it is passed over */
      return false;
  return true;
}

int sp_batch_exit_status(const sp_batch *batch)
{
  bool undecided = false, out = false, own = false;
  for (size_t i = 0; i < batch->board_count; i++)
    own = own || !batch->board[i].from_history;
  for (size_t i = 0; i < batch->board_count; i++) {
    const sp_batch_board *b = &batch->board[i];
    if (own && b->from_history)
      continue;
    out = out || (!b->status && b->verdict == SP_OUT);
    undecided = undecided || b->status || b->verdict != SP_WITHIN;
  }
  return out ? 1 : undecided || !batch->board_count ? 2 : 0;
}

/* ---- words for programs ------------------------------------------------------------------------------------------ */

const char *sp_batch_chart_word(sp_batch_chart_kind kind)
{
  static const char *const WORDS[SP_BATCH_CHARTS] = {"mean",       "moving-range", "weighted-mean",
                                                     "group-mean", "scatter",      "scale-length"};
  return WORDS[kind];
}

const char *sp_batch_rule_word(unsigned rule)
{
  static const char *const WORDS[SP_RULE_COUNT] = {"beyond", "two-of-3", "four-of-5", "eight", "trend", "alternating"};
  for (unsigned i = 0; i < SP_RULE_COUNT; i++)
    if (rule == 1u << i)
      return WORDS[i];
  return "";
}
