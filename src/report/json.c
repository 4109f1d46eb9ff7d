/* The record as JSON.
 *
 * The tree is built first and printed in one go, so a lack of memory leaves no half object behind. Numbers are rounded
 * to what could ever matter (1e-7 mm is a thousandth of a wavelength), so that the file reads well; a value that is not
 * finite is null. */
#include "slotproof/report.h"

#include <cjson/cJSON.h>
#include <math.h>
#include <stdlib.h>

#include "report_internal.h"
#include "slotproof/json_tree.h"

/* Reciprocals of the step each kind of quantity is rounded to. */
static const double MM = 1e7, CENTS = 1e6, DEG = 1e6, PX = 1e4, RATIO = 1e6, PX_PER_MM = 1e9;

static void add_count(sp_tree *b, cJSON *parent, const char *name, double value)
{
  sp_tree_add_number(b, parent, name, value, 1.0);
}

/* [x, y]; null if either is unknown. */
static void add_point(sp_tree *b, cJSON *parent, const char *name, sp_point p)
{
  if (!isfinite(p.x) || !isfinite(p.y)) {
    sp_tree_attach(b, parent, name, cJSON_CreateNull());
    return;
  }
  cJSON *pair = sp_tree_add_array(b, parent, name);
  sp_tree_attach(b, pair, NULL, sp_tree_number(p.x, PX));
  sp_tree_attach(b, pair, NULL, sp_tree_number(p.y, PX));
}

/* ---- parts of the record ---------------------------------------------------------------------------------------- */

static void add_sources(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *list = sp_tree_add_array(b, root, "source");
  for (size_t i = 0; i < r->source_count; i++) {
    const sp_source_record *s = &r->sources[i];
    cJSON *one = sp_tree_add_object(b, list, NULL);
    sp_tree_add_text(b, one, "file", s->file);
    add_count(b, one, "width_px", s->width_px);
    add_count(b, one, "height_px", s->height_px);
    sp_tree_add_number(b, one, "stated_dpi", s->stated_dpi, PX);
    if (s->sha256[0])
      sp_tree_add_text(b, one, "sha256", s->sha256);
  }
}

static void add_layout(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *o = sp_tree_add_object(b, root, "layout");
  sp_tree_add_number(b, o, "scale_length_mm", r->scale_length_mm, MM);
  add_count(b, o, "frets", r->frets);
  add_count(b, o, "divisions", r->divisions > 0 ? (double)r->divisions : NAN);
  if (r->board[0])
    sp_tree_add_text(b, o, "name", r->board);
  else
    sp_tree_attach(b, o, "name", cJSON_CreateNull());
  sp_tree_add_number(b, o, "nut_shift_mm", r->nut_shift_mm, MM);
  sp_tree_add_bool(b, o, "zero_fret", r->zero_fret);
  sp_tree_add_text(b, o, "bass_side", r->left_handed ? "left" : "right");
  if (isnan(r->square_fret)) {
    sp_tree_attach(b, o, "fan", cJSON_CreateNull());
    return;
  }
  cJSON *fan = sp_tree_add_object(b, o, "fan");
  sp_tree_add_number(b, fan, "bass_scale_length_mm", r->bass_scale_mm, MM);
  sp_tree_add_number(b, fan, "treble_scale_length_mm", r->treble_scale_mm, MM);
  sp_tree_add_number(b, fan, "spread_nut_mm", r->spread_nut_mm, MM);
  sp_tree_add_number(b, fan, "spread_saddle_mm", r->spread_saddle_mm, MM);
  sp_tree_add_number(b, fan, "square_fret", r->square_fret, RATIO);
}

/* null where the datum is no zero fret or nothing shows behind it. */
static void add_nut_behind(sp_tree *b, cJSON *root, const sp_nut_behind_record *n)
{
  if (!n->known) {
    sp_tree_attach(b, root, "nut_behind", cJSON_CreateNull());
    return;
  }
  cJSON *o = sp_tree_add_object(b, root, "nut_behind");
  sp_tree_add_text(b, o, "kind", n->is_end ? "end" : "line");
  sp_tree_add_number(b, o, "behind_mm", n->behind_mm, MM);
  sp_tree_add_number(b, o, "u_mm", n->u_mm, MM);
  add_point(b, o, "end_a_px", n->end_a_px);
  add_point(b, o, "end_b_px", n->end_b_px);
}

/* null for a fret that is meant to span the whole width. */
static void add_part(sp_tree *b, cJSON *mark, const sp_part_record *p)
{
  if (!p->is_part) {
    sp_tree_attach(b, mark, "part", cJSON_CreateNull());
    return;
  }
  cJSON *o = sp_tree_add_object(b, mark, "part");
  sp_tree_add_number(b, o, "begin_mm", p->begin_mm, MM);
  sp_tree_add_number(b, o, "end_mm", p->end_mm, MM);
  sp_tree_add_number(b, o, "layout_begin_mm", p->layout_begin_mm, MM);
  sp_tree_add_number(b, o, "layout_end_mm", p->layout_end_mm, MM);
}

static void add_graduations(sp_tree *b, cJSON *reference, const sp_reference_record *r)
{
  cJSON *list = sp_tree_add_array(b, reference, "graduations");
  for (size_t i = 0; i < r->graduation_count; i++) {
    const sp_graduation *g = &r->graduations[i];
    cJSON *one = sp_tree_add_object(b, list, NULL);
    add_count(b, one, "index", g->index);
    add_point(b, one, "at_px", g->at_px);
    sp_tree_add_number(b, one, "residual_mm", g->residual_mm, MM);
    sp_tree_add_bool(b, one, "used", g->used);
  }
}

static cJSON *add_reference(sp_tree *b, cJSON *root, const sp_record *record)
{
  const sp_reference_record *r = &record->reference;
  const bool graduated = r->kind == SP_REFERENCE_RULE || r->kind == SP_REFERENCE_STRIP;
  cJSON *o = sp_tree_add_object(b, root, "reference");
  sp_tree_add_text(b, o, "kind", sp_reference_word(r->kind));
  sp_tree_add_number(b, o, "graduation_mm", r->graduation_mm, MM);
  sp_tree_add_bool(b, o, "graduation_told", r->graduation_told);
  add_count(b, o, "graduations_used", graduated ? (double)r->graduations_used : NAN);
  sp_tree_add_number(b, o, "px_per_mm", r->px_per_mm, PX_PER_MM);
  sp_tree_add_number(b, o, "px_per_mm_across", r->px_per_mm_across, PX_PER_MM);
  sp_tree_add_number(b, o, "fit_rms_mm", r->fit_rms_mm, MM);
  sp_tree_add_number(b, o, "span_mm", r->span_mm, MM);
  sp_tree_add_number(b, o, "mpe_mm", r->mpe_mm, MM);
  add_point(b, o, "first_px", r->first_px);
  add_point(b, o, "last_px", r->last_px);
  sp_tree_add_number(b, o, "skew_deg", r->skew_deg, DEG);
  sp_tree_add_number(b, o, "carriage_rms_mm", r->carriage_rms_mm, MM);
  sp_tree_add_known_text(b, o, "profile", r->profile);
  if (r->kind == SP_REFERENCE_STRIP) {
    add_count(b, o, "strip_pieces", (double)r->strip_pieces);
    sp_tree_add_number(b, o, "strip_stretch", r->strip_stretch, MM);
  }
  return o;
}

/* Photographs only. */
static void add_camera(sp_tree *b, cJSON *root, const sp_camera_record *c)
{
  if (!c->known)
    return;
  cJSON *o = sp_tree_add_object(b, root, "camera");
  sp_tree_add_number(b, o, "tilt_deg", c->tilt_deg, DEG);
  sp_tree_add_number(b, o, "distance_mm", c->distance_mm, MM);
  sp_tree_add_number(b, o, "focal_px", c->focal_px, PX);
  sp_tree_add_number(b, o, "distortion_k1", c->distortion, MM);
  sp_tree_add_number(b, o, "fit_rms_px", c->fit_rms_px, PX);
  add_count(b, o, "edge_strokes", (double)c->edge_strokes);
}

static void add_budget(sp_tree *b, cJSON *mark, const sp_budget *budget)
{
  cJSON *o = sp_tree_add_object(b, mark, "budget");
  sp_tree_add_number(b, o, "line_mm", budget->line_mm, MM);
  sp_tree_add_number(b, o, "map_mm", budget->map_mm, MM);
  sp_tree_add_number(b, o, "datum_mm", budget->datum_mm, MM);
  sp_tree_add_number(b, o, "rule_mm", budget->rule_mm, MM);
  sp_tree_add_number(b, o, "temperature_mm", budget->temperature_mm, MM);
}

/* What could not be measured must not look measured, whatever the fields hold. */
static sp_mark_record without_measurement(const sp_mark_record *m)
{
  const sp_point nowhere = {NAN, NAN};
  return (sp_mark_record){.fret = m->fret,
                          .layout_mm = m->layout_mm,
                          .verdict = m->verdict,
                          .x_mm = NAN,
                          .error_mm = NAN,
                          .error_cents = NAN,
                          .u_mm = NAN,
                          .expanded_u_mm = NAN,
                          .expanded_u_cents = NAN,
                          .squareness_deg = NAN,
                          .u_squareness_deg = NAN,
                          .angle_deg = NAN,
                          .layout_angle_deg = m->layout_angle_deg,
                          .width_mm = NAN,
                          .u_width_mm = NAN,
                          .contrast = NAN,
                          .coverage = NAN,
                          .end_a_px = nowhere,
                          .end_b_px = nowhere,
                          .centre_px = nowhere,
                          .budget = {NAN, NAN, NAN, NAN, NAN},
                          .recut_mm = NAN,
                          .from_line_mm = NAN,
                          .u_from_line_mm = NAN,
                          .slot = sp_slot_unknown(),
                          .part = {m->part.is_part, NAN, NAN, NAN, NAN}};
}

/* null where the mark is no slot or its walls are not known. */
static void add_slot(sp_tree *b, cJSON *mark, const sp_slot_record *s)
{
  static const char *const WALL[] = {"nut_wall_squareness_deg", "bridge_wall_squareness_deg"},
                           *const U_WALL[] = {"u_nut_wall_squareness_deg", "u_bridge_wall_squareness_deg"};
  if (!s->known) {
    sp_tree_attach(b, mark, "slot", cJSON_CreateNull());
    return;
  }
  const struct {
    const char *name;
    double mm;
  } LENGTHS[] = {{"kerf_a_mm", s->kerf_a_mm},
                 {"kerf_b_mm", s->kerf_b_mm},
                 {"u_kerf_end_mm", s->u_kerf_end_mm},
                 {"widening_mm", s->widening_mm},
                 {"u_widening_mm", s->u_widening_mm},
                 {"kerf_least_mm", s->kerf_least_mm},
                 {"kerf_most_mm", s->kerf_most_mm},
                 {"u_kerf_window_mm", s->u_kerf_window_mm},
                 {"kerf_sd_mm", s->kerf_sd_mm},
                 {"u_kerf_sd_mm", s->u_kerf_sd_mm},
                 {"wander_mm", s->wander_mm},
                 {"u_wander_mm", s->u_wander_mm},
                 {"wander_worst_mm", s->wander_worst_mm},
                 {"u_wander_worst_mm", s->u_wander_worst_mm}};
  cJSON *o = sp_tree_add_object(b, mark, "slot");
  for (size_t i = 0; i < sizeof LENGTHS / sizeof *LENGTHS; i++)
    sp_tree_add_number(b, o, LENGTHS[i].name, LENGTHS[i].mm, MM);
  add_point(b, o, "wander_worst_px", s->wander_worst_px);
  for (int wall = 0; wall < 2; wall++) {
    sp_tree_add_number(b, o, WALL[wall], s->wall_squareness_deg[wall], DEG);
    sp_tree_add_number(b, o, U_WALL[wall], s->u_wall_squareness_deg[wall], DEG);
  }
  cJSON *troubles = sp_tree_add_array(b, o, "troubles");
  for (unsigned bit = 1; bit <= SP_SLOT_LOOSE; bit *= 2)
    if (s->troubles & bit)
      sp_tree_attach(b, troubles, NULL, cJSON_CreateString(sp_slot_trouble_word(bit)));
}

/* null where the board's sides do not show or the mark is missing. */
static void add_edge(sp_tree *b, cJSON *mark, const char *name, const sp_mark_record *m, const sp_edge_record *e)
{
  if (!m->edges_known) {
    sp_tree_attach(b, mark, name, cJSON_CreateNull());
    return;
  }
  cJSON *o = sp_tree_add_object(b, mark, name);
  sp_tree_add_number(b, o, "x_mm", e->x_mm, MM);
  sp_tree_add_number(b, o, "y_mm", e->y_mm, MM);
  sp_tree_add_number(b, o, "layout_mm", e->layout_mm, MM);
  sp_tree_add_number(b, o, "scale_length_mm", e->scale_length_mm, MM);
  sp_tree_add_number(b, o, "error_mm", e->error_mm, MM);
  sp_tree_add_number(b, o, "error_cents", e->error_cents, CENTS);
  sp_tree_add_number(b, o, "u_mm", e->u_mm, MM);
  sp_tree_add_number(b, o, "expanded_u_mm", e->expanded_u_mm, MM);
  sp_tree_add_number(b, o, "expanded_u_cents", e->expanded_u_cents, CENTS);
  add_point(b, o, "at_px", e->at_px);
  sp_tree_add_text(b, o, "verdict", sp_verdict_word(e->verdict));
}

static void add_mark(sp_tree *b, cJSON *list, const sp_mark_record *mark, bool corrected)
{
  const sp_mark_record m = mark->found ? *mark : without_measurement(mark);
  cJSON *o = sp_tree_add_object(b, list, NULL);
  add_count(b, o, "fret", m.fret);
  sp_tree_add_text(b, o, "state", m.found ? "found" : "missing");
  sp_tree_add_number(b, o, "x_mm", m.x_mm, MM);
  sp_tree_add_number(b, o, "layout_mm", m.layout_mm, MM);
  sp_tree_add_number(b, o, "error_mm", m.error_mm, MM);
  sp_tree_add_number(b, o, "error_cents", m.error_cents, CENTS);
  sp_tree_add_number(b, o, "u_mm", m.u_mm, MM);
  sp_tree_add_number(b, o, "expanded_u_mm", m.expanded_u_mm, MM);
  sp_tree_add_number(b, o, "expanded_u_cents", m.expanded_u_cents, CENTS);
  sp_tree_add_number(b, o, "squareness_deg", m.squareness_deg, DEG);
  sp_tree_add_number(b, o, "u_squareness_deg", m.u_squareness_deg, DEG);
  sp_tree_add_number(b, o, "angle_deg", m.angle_deg, DEG);
  sp_tree_add_number(b, o, "layout_angle_deg", m.layout_angle_deg, DEG);
  sp_tree_add_number(b, o, "width_mm", m.width_mm, MM);
  sp_tree_add_number(b, o, "u_width_mm", m.u_width_mm, MM);
  add_slot(b, o, &m.slot);
  add_part(b, o, &m.part);
  sp_tree_add_number(b, o, "contrast", m.contrast, RATIO);
  sp_tree_add_number(b, o, "coverage", m.coverage, RATIO);
  add_point(b, o, "end_a_px", m.end_a_px);
  add_point(b, o, "end_b_px", m.end_b_px);
  add_point(b, o, "centre_px", m.centre_px);
  add_count(b, o, "source", m.found ? (double)m.source : NAN);
  sp_tree_add_text(b, o, "verdict", sp_verdict_word(m.verdict));
  add_edge(b, o, "bass_edge", &m, &m.edge[SP_BASS]);
  add_edge(b, o, "treble_edge", &m, &m.edge[SP_TREBLE]);
  if (m.edges_known)
    sp_tree_add_text(b, o, "line_verdict", sp_verdict_word(m.line_verdict));
  else
    sp_tree_attach(b, o, "line_verdict", cJSON_CreateNull());
  sp_tree_add_number(b, o, "recut_mm", m.recut_mm, MM);
  sp_tree_add_number(b, o, "from_line_mm", m.from_line_mm, MM);
  sp_tree_add_number(b, o, "u_from_line_mm", m.u_from_line_mm, MM);
  sp_tree_add_known_text(b, o, "action", sp_action_word(m.action));
  if (corrected)
    sp_tree_add_known_text(b, o, "by_hand", sp_by_hand_word(m.by_hand));
  add_budget(b, o, &m.budget);
}

static void add_strays(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *list = sp_tree_add_array(b, root, "stray");
  for (size_t i = 0; i < r->stray_count; i++) {
    cJSON *one = sp_tree_add_object(b, list, NULL);
    sp_tree_add_number(b, one, "x_mm", r->strays[i].x_mm, MM);
    add_point(b, one, "end_a_px", r->strays[i].end_a_px);
    add_point(b, one, "end_b_px", r->strays[i].end_b_px);
    add_count(b, one, "source", (double)r->strays[i].source);
  }
}

/* Several pictures of one board: how each was joined to the one before. */
static void add_joins(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *list = sp_tree_add_array(b, root, "join");
  for (size_t i = 0; i < r->join_count; i++) {
    const sp_join_record *j = &r->joins[i];
    cJSON *o = sp_tree_add_object(b, list, NULL);
    add_count(b, o, "first", (double)j->first);
    add_count(b, o, "second", (double)j->second);
    sp_tree_add_number(b, o, "shift_mm", j->shift_mm, MM);
    sp_tree_add_number(b, o, "u_shift_mm", j->u_shift_mm, MM);
    sp_tree_add_number(b, o, "turn_deg", j->turn_deg, DEG);
    sp_tree_add_number(b, o, "overlap_mm", j->overlap_mm, MM);
    add_count(b, o, "shared_marks", (double)j->shared_marks);
    sp_tree_add_number(b, o, "marks_rms_mm", j->marks_rms_mm, MM);
    add_count(b, o, "wood_places", (double)j->wood_places);
    add_count(b, o, "wood_patches", (double)j->wood_patches);
    sp_tree_add_number(b, o, "wood_rms_mm", j->wood_rms_mm, MM);
    sp_tree_add_number(b, o, "seen_shift_mm", j->seen_mm, MM);
    sp_tree_add_number(b, o, "u_seen_shift_mm", j->u_seen_mm, MM);
    sp_tree_add_number(b, o, "chi2", j->chi2, RATIO);
    add_count(b, o, "degrees_of_freedom", (double)j->freedom);
    sp_tree_add_number(b, o, "p", j->p, MM);
    sp_tree_add_number(b, o, "widened", j->widened, RATIO);
    sp_tree_add_text(b, o, "rule", j->rule);
    sp_tree_add_number(b, o, "rule_off_mm", j->rule_off_mm, MM);
    sp_tree_add_number(b, o, "u_rule_off_mm", j->u_rule_off_mm, MM);
  }
}

static void add_findings(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *list = sp_tree_add_array(b, root, "findings");
  for (size_t i = 0; i < r->finding_count; i++) {
    const sp_finding *f = &r->findings[i];
    cJSON *one = sp_tree_add_object(b, list, NULL);
    sp_tree_add_text(b, one, "kind", f->kind);
    sp_tree_add_text(b, one, "text", f->text);
    cJSON *either = f->either[0][0] ? sp_tree_add_array(b, one, "either") : NULL;
    for (size_t k = 0; either && k < sizeof f->either / sizeof *f->either && f->either[k][0]; k++)
      sp_tree_attach(b, either, NULL, cJSON_CreateString(f->either[k]));
    sp_tree_add_number(b, one, "value", f->value, MM);
    sp_tree_add_number(b, one, "u_value", f->u_value, MM);
    sp_tree_add_number(b, one, "strength", f->strength, RATIO);
    if (f->unit[0])
      sp_tree_add_text(b, one, "unit", f->unit);
    else
      sp_tree_attach(b, one, "unit", cJSON_CreateNull());
  }
}

/* The ways round cutting that save something. */
static void add_remedies(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *list = sp_tree_add_array(b, root, "remedies");
  for (int k = 0; k < SP_REMEDIES; k++) {
    if (!r->remedies[k].helps)
      continue;
    cJSON *one = sp_tree_add_object(b, list, NULL);
    sp_tree_add_number(b, one, "nut_mm", r->remedies[k].nut_mm, MM);
    sp_tree_add_number(b, one, "saddle_mm", r->remedies[k].saddle_mm, MM);
    cJSON *frets = sp_tree_add_array(b, one, "recut_then");
    for (size_t i = 0; i < r->mark_count; i++)
      if (r->marks[i].out_after[k])
        sp_tree_attach(b, frets, NULL, cJSON_CreateNumber(r->marks[i].fret));
  }
}

/* As corrections.h has them, so that a record's own list can be given back. */
static void add_corrections(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *list = sp_tree_add_array(b, root, "corrections");
  for (size_t i = 0; i < r->correction_count; i++) {
    const sp_correction_record *c = &r->corrections[i];
    cJSON *one = sp_tree_add_object(b, list, NULL);
    sp_tree_add_text(b, one, "kind", sp_correction_word(c->said.kind));
    add_point(b, one, "at_px", c->said.at_px);
    if (c->said.kind == SP_CORRECTION_GRADUATION)
      sp_tree_add_number(b, one, "reading_mm", c->said.reading_mm, MM);
    if (c->said.source)
      add_count(b, one, "source", c->said.source);
    sp_tree_add_text(b, one, "outcome", sp_correction_outcome_word(c->outcome));
    sp_tree_add_text(b, one, "text", c->text);
  }
}

static void add_warnings(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *list = sp_tree_add_array(b, root, "warnings");
  for (size_t i = 0; i < r->warning_count; i++)
    sp_tree_add_text(b, list, NULL, r->warnings[i]);
}

static void add_fit(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *o = sp_tree_add_object(b, root, "fit");
  sp_tree_add_number(b, o, "scale_length_mm", r->fit_scale_length_mm, MM);
  sp_tree_add_number(b, o, "u_scale_length_mm", r->fit_u_scale_length_mm, MM);
  sp_tree_add_number(b, o, "offset_mm", r->fit_offset_mm, MM);
  sp_tree_add_number(b, o, "residual_rms_mm", r->fit_residual_rms_mm, MM);
}

/* Of one picture; several have no picture in common. */
static void add_places(sp_tree *b, cJSON *root, const sp_record *record)
{
  sp_record nowhere;
  sp_record_init(&nowhere);
  const sp_record *r = record->join_count ? &nowhere : record;
  cJSON *axis = sp_tree_add_object(b, root, "axis");
  add_point(b, axis, "nut_px", r->nut_px);
  add_point(b, axis, "bridgeward_px", r->bridgeward_px);
  cJSON *corners = sp_tree_add_array(b, root, "outline_px");
  for (size_t i = 0; i < 4; i++)
    add_point(b, corners, NULL, r->outline_px[i]);
}

static void add_datum(sp_tree *b, cJSON *root, const sp_record *r)
{
  cJSON *o = sp_tree_add_object(b, root, "datum");
  sp_tree_add_text(b, o, "kind", sp_datum_word(r->datum));
  sp_tree_add_number(b, o, "u_mm", r->datum_u_mm, MM);
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

sp_status sp_report_json(const sp_record *r, FILE *file, sp_error *err)
{
  sp_tree b = {false};
  cJSON *root = cJSON_CreateObject();
  sp_tree_add_text(&b, root, "schema", "slotproof/record/1");
  sp_tree_add_text(&b, root, "version", SLOTPROOF_VERSION);
  add_sources(&b, root, r);
  add_layout(&b, root, r);
  sp_tree_add_text(&b, root, "marks_kind", sp_mark_kind_word(r->marks_kind));
  add_reference(&b, root, r);
  add_joins(&b, root, r);
  add_camera(&b, root, &r->camera);
  add_datum(&b, root, r);
  sp_tree_add_number(&b, root, "tolerance_mm", r->tolerance_mm, MM);
  sp_tree_add_number(&b, root, "tolerance_cents", r->tolerance_cents, CENTS);
  sp_tree_add_bool(&b, root, "tolerance_default", r->tolerance_default);
  cJSON *marks = sp_tree_add_array(&b, root, "marks");
  for (size_t i = 0; i < r->mark_count; i++)
    add_mark(&b, marks, &r->marks[i], r->correction_count > 0);
  add_strays(&b, root, r);
  add_nut_behind(&b, root, &r->nut_behind);
  add_fit(&b, root, r);
  add_places(&b, root, r);
  add_findings(&b, root, r);
  sp_tree_add_number(&b, root, "kerf_mm", r->kerf_mm, MM);
  sp_tree_add_number(&b, root, "saw_mean_mm", r->saw_mean_mm, MM);
  sp_tree_add_number(&b, root, "saw_sd_mm", r->saw_sd_mm, MM);
  sp_tree_add_number(&b, root, "sawn_mm", r->sawn_mm, MM);
  sp_tree_add_number(&b, root, "sawn_sd_mm", r->sawn_sd_mm, MM);
  add_remedies(&b, root, r);
  sp_tree_add_text(&b, root, "verdict", sp_verdict_word(r->verdict));
  add_warnings(&b, root, r);
  if (r->correction_count)
    add_corrections(&b, root, r);
  if (r->settings)
    sp_tree_add_text(&b, root, "settings", r->settings);
  return sp_tree_write(&b, root, true, file, err);
}

sp_status sp_report_reference_json(const sp_record *r, FILE *file, sp_error *err)
{
  sp_tree b = {false};
  cJSON *root = cJSON_CreateObject();
  sp_tree_add_text(&b, root, "schema", "slotproof/reference/1");
  sp_tree_add_text(&b, root, "version", SLOTPROOF_VERSION);
  add_sources(&b, root, r);
  cJSON *reference = add_reference(&b, root, r);
  add_graduations(&b, reference, &r->reference);
  add_camera(&b, root, &r->camera);
  add_warnings(&b, root, r);
  return sp_tree_write(&b, root, true, file, err);
}
