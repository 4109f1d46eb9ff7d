/* The batch as JSON, schema slotproof/batch/1. Nothing in it depends on the order of names, the number of workers, the
 * time or the machine. */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdlib.h>

#include "batch_internal.h"
#include "slotproof/report.h"
#include "slotproof/writing.h"
#include "slotproof/json_tree.h"

static const double MM = 1e7, CENTS = 1e6, RATIO = 1e6;

static void add_limits(sp_tree *t, cJSON *parent, const char *name, sp_interval limits, double per_unit)
{
  cJSON *pair = sp_tree_add_array(t, parent, name);
  sp_tree_attach(t, pair, NULL, sp_tree_number(limits.lower, per_unit));
  sp_tree_attach(t, pair, NULL, sp_tree_number(limits.upper, per_unit));
}

/* ---- boards ----------------------------------------------------------------------------------------------------- */

static void add_mark(sp_tree *t, cJSON *list, const sp_batch_board *b, int32_t fret)
{
  const sp_batch_mark *m = &b->mark[fret];
  cJSON *o = sp_tree_add_object(t, list, NULL);
  sp_tree_add_number(t, o, "fret", fret, 1.0);
  sp_tree_add_text(t, o, "state", m->found ? "found" : "missing");
  sp_tree_add_number(t, o, "error_mm", m->error_mm, MM);
  sp_tree_add_number(t, o, "expanded_u_mm", m->expanded_u_mm, MM);
  sp_tree_add_number(t, o, "error_cents", m->error_cents, CENTS);
  sp_tree_add_number(t, o, "expanded_u_cents", m->expanded_u_cents, CENTS);
  sp_tree_add_number(t, o, "tolerance_mm", m->tolerance_mm, MM);
  sp_tree_add_text(t, o, "verdict", sp_verdict_word(m->verdict));
}

/* null where the frets are parallel. */
static void add_fan(sp_tree *t, cJSON *o, const sp_batch_fan *fan)
{
  if (isnan(fan->square_fret)) {
    sp_tree_attach(t, o, "fan", cJSON_CreateNull());
    return;
  }
  cJSON *to = sp_tree_add_object(t, o, "fan");
  sp_tree_add_number(t, to, "bass_scale_length_mm", fan->bass_scale_mm, MM);
  sp_tree_add_number(t, to, "treble_scale_length_mm", fan->treble_scale_mm, MM);
  sp_tree_add_number(t, to, "spread_nut_mm", fan->spread_nut_mm, MM);
  sp_tree_add_number(t, to, "spread_saddle_mm", fan->spread_saddle_mm, MM);
  sp_tree_add_number(t, to, "square_fret", fan->square_fret, MM);
}

static void add_measured(sp_tree *t, cJSON *o, const sp_batch_board *b)
{
  sp_tree_add_number(t, o, "scale_length_mm", b->scale_length_mm, MM);
  add_fan(t, o, &b->fan);
  sp_tree_add_number(t, o, "frets", b->frets, 1.0);
  sp_tree_add_number(t, o, "divisions", b->divisions > 0 ? (double)b->divisions : NAN, 1.0);
  sp_tree_add_text(t, o, "marks_kind", sp_mark_kind_word(b->marks_kind));
  sp_tree_add_text(t, o, "verdict", sp_verdict_word(b->verdict));
  sp_tree_add_number(t, o, "within", (double)b->within, 1.0);
  sp_tree_add_number(t, o, "out", (double)b->out, 1.0);
  sp_tree_add_number(t, o, "undecided", (double)b->undecided, 1.0);
  sp_tree_add_number(t, o, "missing", (double)b->missing, 1.0);
  sp_tree_add_number(t, o, "worst_fret", b->worst == SP_BATCH_NONE ? NAN : (double)b->worst, 1.0);
  sp_tree_add_number(t, o, "mean_error_mm", b->mean_error_mm, MM);
  sp_tree_add_number(t, o, "fit_scale_length_mm", b->fit_scale_length_mm, MM);
  cJSON *marks = sp_tree_add_array(t, o, "marks");
  for (int32_t k = 0; k <= b->frets; k++)
    add_mark(t, marks, b, k);
}

static void add_board(sp_tree *t, cJSON *list, const sp_batch *batch, size_t index)
{
  const sp_batch_board *b = &batch->board[index];
  cJSON *o = sp_tree_add_object(t, list, NULL);
  sp_tree_add_text(t, o, "name", b->name);
  sp_tree_add_known_text(t, o, "file", b->file);
  sp_tree_add_known_text(t, o, "trouble", b->trouble);
  if (b->status)
    return;
  sp_tree_add_known_text(t, o, "sha256", b->sha256);
  sp_tree_add_known_text(t, o, "version", b->version);
  sp_tree_add_bool(t, o, "from_history", b->from_history);
  sp_tree_add_number(t, o, "same_as", b->same_as == SP_BATCH_NONE ? NAN : (double)b->same_as, 1.0);
  add_measured(t, o, b);
}

/* ---- groups ----------------------------------------------------------------------------------------------------- */

static void add_capability(sp_tree *t, cJSON *parent, const char *name, const sp_capability *c)
{
  cJSON *o = sp_tree_add_object(t, parent, name);
  sp_tree_add_number(t, o, "cp", c->cp, RATIO);
  add_limits(t, o, "cp_limits", c->cp_limits, RATIO);
  sp_tree_add_number(t, o, "cpk", c->cpk, RATIO);
  add_limits(t, o, "cpk_limits", c->cpk_limits, RATIO);
}

static void add_fret(sp_tree *t, cJSON *list, const sp_batch_fret *f)
{
  cJSON *o = sp_tree_add_object(t, list, NULL);
  sp_tree_add_number(t, o, "fret", f->fret, 1.0);
  sp_tree_add_number(t, o, "layout_mm", f->layout_mm, MM);
  sp_tree_add_number(t, o, "tolerance_mm", f->tolerance_mm, MM);
  sp_tree_add_number(t, o, "n", (double)f->error.n, 1.0);
  sp_tree_add_number(t, o, "mean_mm", f->error.mean, MM);
  add_limits(t, o, "mean_limits_mm", f->error.mean_limits, MM);
  sp_tree_add_number(t, o, "sd_mm", f->error.sd, MM);
  add_limits(t, o, "sd_limits_mm", f->error.sd_limits, MM);
  sp_tree_add_number(t, o, "u_line_mm", f->u_line_mm, MM);
  sp_tree_add_number(t, o, "u_nut_mm", f->u_nut_mm, MM);
  sp_tree_add_number(t, o, "u_shared_mm", f->u_shared_mm, MM);
  sp_tree_add_number(t, o, "hand_sd_mm", f->hand_sd_mm, MM);
  add_limits(t, o, "hand_sd_limits_mm", f->hand_sd_limits, MM);
  sp_tree_add_bool(t, o, "systematic", f->systematic);
  add_capability(t, o, "capability", &f->capability);
  sp_tree_add_number(t, o, "step_board", f->step_board == SP_BATCH_NONE ? NAN : (double)f->step_board, 1.0);
  sp_tree_add_number(t, o, "step_mm", f->step_mm, MM);
  sp_tree_add_number(t, o, "u_step_mm", f->u_step_mm, MM);
  sp_tree_add_number(t, o, "out", (double)f->out, 1.0);
  sp_tree_add_number(t, o, "undecided", (double)f->undecided, 1.0);
  sp_tree_add_number(t, o, "missing", (double)f->missing, 1.0);
}

static void add_components(sp_tree *t, cJSON *parent, const sp_batch_components *c)
{
  if (!c->known) {
    sp_tree_attach(t, parent, "components", cJSON_CreateNull());
    return;
  }
  cJSON *o = sp_tree_add_object(t, parent, "components");
  sp_tree_add_number(t, o, "boards", (double)c->boards, 1.0);
  sp_tree_add_number(t, o, "common_mm", c->common_mm, MM);
  sp_tree_add_number(t, o, "jig_sd_mm", c->jig_sd_mm, MM);
  add_limits(t, o, "jig_sd_limits_mm", c->jig_limits, MM);
  sp_tree_add_number(t, o, "nut_sd_mm", c->nut_sd_mm, MM);
  add_limits(t, o, "nut_sd_limits_mm", c->nut_limits, MM);
  sp_tree_add_number(t, o, "hand_sd_mm", c->hand_sd_mm, MM);
  add_limits(t, o, "hand_sd_limits_mm", c->hand_limits, MM);
  sp_tree_add_number(t, o, "line_sd_mm", c->line_sd_mm, MM);
  sp_tree_add_number(t, o, "datum_sd_mm", c->datum_sd_mm, MM);
  sp_tree_add_number(t, o, "u_shared_mm", c->u_shared_mm, MM);
}

static void add_point(sp_tree *t, cJSON *list, const sp_chart_point *p, size_t board)
{
  cJSON *o = sp_tree_add_object(t, list, NULL);
  sp_tree_add_number(t, o, "board", (double)board, 1.0);
  sp_tree_add_number(t, o, "value", p->value, MM);
  sp_tree_add_number(t, o, "centre", p->centre, MM);
  sp_tree_add_number(t, o, "lower", p->lower, MM);
  sp_tree_add_number(t, o, "upper", p->upper, MM);
  cJSON *rules = sp_tree_add_array(t, o, "rules");
  for (unsigned r = 0; r < SP_RULE_COUNT; r++)
    if (p->rules & 1u << r)
      sp_tree_add_text(t, rules, NULL, sp_batch_rule_word(1u << r));
}

static void add_charts(sp_tree *t, cJSON *parent, const sp_batch_group *g)
{
  cJSON *charts = sp_tree_add_object(t, parent, "charts");
  for (int k = 0; k < SP_BATCH_CHARTS; k++) {
    const sp_chart *c = &g->chart[k];
    if (!c->count)
      continue;
    cJSON *list = sp_tree_add_array(t, charts, sp_batch_chart_word((sp_batch_chart_kind)k));
    for (size_t i = 0; i < c->count; i++)
      add_point(t, list, &c->point[i], g->charted[i + (k == SP_BATCH_CHART_MOVING)]);
  }
}

static void add_group(sp_tree *t, cJSON *list, const sp_batch_group *g)
{
  cJSON *o = sp_tree_add_object(t, list, NULL);
  sp_tree_add_number(t, o, "scale_length_mm", g->scale_length_mm, MM);
  add_fan(t, o, &g->fan);
  sp_tree_add_number(t, o, "frets", g->frets, 1.0);
  sp_tree_add_number(t, o, "divisions", g->divisions > 0 ? (double)g->divisions : NAN, 1.0);
  sp_tree_add_text(t, o, "marks_kind", sp_mark_kind_word(g->marks_kind));
  sp_tree_add_number(t, o, "tolerance_mm", g->tolerance_mm, MM);
  cJSON *boards = sp_tree_add_array(t, o, "boards");
  for (size_t i = 0; i < g->board_count; i++)
    sp_tree_attach(t, boards, NULL, cJSON_CreateNumber((double)g->board[i]));
  cJSON *frets = sp_tree_add_array(t, o, "per_fret");
  for (int32_t k = 0; k < g->frets; k++)
    add_fret(t, frets, &g->fret[k]);
  sp_tree_add_number(t, o, "pooled_sd_mm", g->pooled_sd_mm, MM);
  add_capability(t, o, "capability", &g->capability);
  add_components(t, o, &g->components);
  add_charts(t, o, g);
}

/* ---- the study -------------------------------------------------------------------------------------------------- */

static void add_row(sp_tree *t, cJSON *parent, const char *name, const sp_gauge_row *r)
{
  cJSON *o = sp_tree_add_object(t, parent, name);
  sp_tree_add_number(t, o, "ss_mm2", r->ss, 1e12);
  sp_tree_add_number(t, o, "df", r->df, 1.0);
  sp_tree_add_number(t, o, "ms_mm2", r->ms, 1e12);
  sp_tree_add_number(t, o, "f", r->f, RATIO);
  sp_tree_add_number(t, o, "p", r->p, 1e9);
}

static void add_result(sp_tree *t, cJSON *parent, const char *name, const sp_gauge_result *r)
{
  cJSON *o = sp_tree_add_object(t, parent, name);
  sp_tree_add_number(t, o, "repeatability_mm", r->ev, MM);
  add_limits(t, o, "repeatability_limits_mm", r->ev_limits, MM);
  sp_tree_add_number(t, o, "reproducibility_mm", r->av, MM);
  sp_tree_add_number(t, o, "interaction_mm", r->interaction, MM);
  sp_tree_add_number(t, o, "gauge_mm", r->grr, MM);
  sp_tree_add_number(t, o, "parts_mm", r->pv, MM);
  sp_tree_add_number(t, o, "total_mm", r->tv, MM);
  sp_tree_add_number(t, o, "gauge_percent", r->percent_grr, RATIO);
  sp_tree_add_number(t, o, "categories", r->ndc, RATIO);
}

static void add_gauge(sp_tree *t, cJSON *o, const sp_gauge *g)
{
  add_row(t, o, "part", &g->part);
  add_row(t, o, "appraiser", &g->appraiser);
  add_row(t, o, "interaction", &g->interaction);
  add_row(t, o, "error", &g->error);
  sp_tree_add_bool(t, o, "pooled", g->pooled);
  add_result(t, o, "anova", &g->anova);
  add_result(t, o, "average_range", &g->range);
}

static void add_study(sp_tree *t, cJSON *root, const sp_batch_study *s)
{
  if (!s->known) {
    sp_tree_attach(t, root, "study", cJSON_CreateNull());
    return;
  }
  cJSON *o = sp_tree_add_object(t, root, "study");
  sp_tree_add_number(t, o, "parts", (double)s->design.parts, 1.0);
  sp_tree_add_number(t, o, "appraisers", (double)s->design.appraisers, 1.0);
  sp_tree_add_number(t, o, "trials", (double)s->design.trials, 1.0);
  sp_tree_add_number(t, o, "tolerance_mm", s->tolerance_mm, MM);
  add_gauge(t, o, &s->all);
  cJSON *list = sp_tree_add_array(t, o, "per_fret");
  for (size_t i = 0; i < s->design.blocks; i++) {
    cJSON *one = sp_tree_add_object(t, list, NULL);
    sp_tree_add_number(t, one, "fret", s->fret[i], 1.0);
    add_gauge(t, one, &s->each[i]);
  }
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

sp_status sp_batch_json(const sp_batch *batch, FILE *file, sp_error *err)
{
  static const char *const VERDICTS[] = {"within", "out", "undecided"};
  sp_tree t = {false};
  cJSON *root = cJSON_CreateObject();
  sp_tree_add_text(&t, root, "schema", "slotproof/batch/1");
  sp_tree_add_text(&t, root, "version", SLOTPROOF_VERSION);
  sp_tree_add_text(&t, root, "verdict", VERDICTS[sp_batch_exit_status(batch)]);
  cJSON *boards = sp_tree_add_array(&t, root, "boards");
  for (size_t i = 0; i < batch->board_count; i++)
    add_board(&t, boards, batch, i);
  cJSON *groups = sp_tree_add_array(&t, root, "groups");
  for (size_t i = 0; i < batch->group_count; i++)
    add_group(&t, groups, &batch->group[i]);
  add_study(&t, root, &batch->study);
  cJSON *warnings = sp_tree_add_array(&t, root, "warnings");
  for (size_t i = 0; i < batch->warning_count; i++)
    sp_tree_add_text(&t, warnings, NULL, batch->warning[i]);
  return sp_tree_write(&t, root, true, file, err);
}
