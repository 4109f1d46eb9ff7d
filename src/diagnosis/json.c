/* The diagnosis as JSON, schema slotproof/diagnosis/1. What is not known is null. */
#include <cjson/cJSON.h>
#include <math.h>

#include "slotproof/json_tree.h"
#include "slotproof/report.h"
#include "slotproof/diagnosis.h"
#include "slotproof/writing.h"
#include "words.h"

/* 1e-6 of a cent or millimetre is far below anything that could matter. */
static const double PER_UNIT = 1e6;

static void add_number(sp_tree *b, cJSON *o, const char *name, double value)
{
  sp_tree_attach(b, o, name, sp_tree_number(value, PER_UNIT));
}

static void add_text(sp_tree *b, cJSON *o, const char *name, const char *text)
{
  sp_tree_attach(b, o, name, cJSON_CreateString(text));
}

static void add_estimate(sp_tree *b, cJSON *o, const char *name, const sp_estimate *e)
{
  if (!e->known) {
    sp_tree_attach(b, o, name, cJSON_CreateNull());
    return;
  }
  cJSON *one = sp_tree_attach(b, o, name, cJSON_CreateObject());
  add_number(b, one, "value", e->value);
  add_number(b, one, "u", e->u);
}

static void add_estimates(sp_tree *b, cJSON *o, const char *name, const sp_estimate *e, size_t count)
{
  cJSON *list = sp_tree_attach(b, o, name, cJSON_CreateArray());
  for (size_t i = 0; i < count; i++)
    add_estimate(b, list, NULL, &e[i]);
}

static void add_parts(sp_tree *b, cJSON *root, const sp_diagnosis *d)
{
  cJSON *list = sp_tree_attach(b, root, "parts", cJSON_CreateArray());
  for (int p = 0; p < SP_PARTS; p++) {
    cJSON *one = sp_tree_attach(b, list, NULL, cJSON_CreateObject());
    add_text(b, one, "part", sp_part_word((sp_part)p));
    add_number(b, one, "rms_cents", d->part_rms[p]);
    add_number(b, one, "left_rms_cents", d->part_left[p]);
  }
}

static void add_cures(sp_tree *b, cJSON *root, const sp_diagnosis *d)
{
  cJSON *list = sp_tree_attach(b, root, "cures", cJSON_CreateArray());
  for (int c = 0; c < SP_CURES; c++) {
    const sp_cure_result *r = &d->cure[c];
    cJSON *one = sp_tree_attach(b, list, NULL, cJSON_CreateObject());
    add_text(b, one, "cure", sp_cure_word((sp_cure)c));
    add_number(b, one, "rms_cents", r->possible ? r->rms : NAN);
    add_number(b, one, "worst_cents", r->possible ? r->worst : NAN);
    add_estimate(b, one, "move_nut_mm", &r->nut_mm);
    add_estimates(b, one, "move_saddle_mm", r->saddle_mm, d->strings);
  }
  add_text(b, root, "advised", sp_cure_word(sp_best_cure(d)));
}

static void add_values(sp_tree *b, cJSON *root, const sp_diagnosis *d)
{
  cJSON *o = sp_tree_attach(b, root, "fit", cJSON_CreateObject());
  add_estimate(b, o, "nut_mm", &d->nut_mm);
  add_estimates(b, o, "saddle_mm", d->saddle_mm, d->strings);
  add_estimates(b, o, "tuning_cents", d->tuning_cents, d->strings);
  add_estimate(b, o, "stretch_factor", &d->stretch_factor);
  add_number(b, o, "degrees_of_freedom", d->from_readings ? (double)d->degrees_of_freedom : NAN);
  add_number(b, o, "widened", d->from_readings ? d->widened : NAN);
  cJSON *list = sp_tree_attach(b, o, "not_told_apart", cJSON_CreateArray());
  for (size_t k = 0; k < d->tangled_count; k++) {
    char words[60];
    cJSON *one = sp_tree_attach(b, list, NULL, cJSON_CreateObject());
    add_text(b, one, "a", sp_value_words(d->tangled[k].a, words));
    add_text(b, one, "b", sp_value_words(d->tangled[k].b, words));
    add_number(b, one, "correlation", d->tangled[k].correlation);
  }
}

static void add_notes(sp_tree *b, cJSON *root, const sp_diagnosis *d)
{
  cJSON *list = sp_tree_attach(b, root, "notes", cJSON_CreateArray());
  for (size_t j = 0; j < d->note_count; j++) {
    const sp_note *n = &d->notes[j];
    cJSON *one = sp_tree_attach(b, list, NULL, cJSON_CreateObject());
    add_number(b, one, "string", (double)n->string + 1.0);
    add_number(b, one, "fret", n->fret);
    add_number(b, one, "cents", n->cents);
    cJSON *parts = sp_tree_attach(b, one, "parts", cJSON_CreateObject());
    for (int p = 0; p < SP_PARTS; p++)
      add_number(b, parts, sp_part_word((sp_part)p), n->part[p]);
    cJSON *after = sp_tree_attach(b, one, "after", cJSON_CreateObject());
    for (int c = 0; c < SP_CURES; c++)
      add_number(b, after, sp_cure_word((sp_cure)c), d->cure[c].possible ? n->after[c] : NAN);
  }
}

static void add_known(sp_tree *b, cJSON *root, const char *name, const bool *known, size_t count)
{
  cJSON *list = sp_tree_attach(b, root, name, cJSON_CreateArray());
  for (size_t i = 0; i < count; i++)
    sp_tree_attach(b, list, NULL, cJSON_CreateBool(known[i]));
}

sp_status sp_diagnosis_json(const sp_complaint *c, const sp_diagnosis *d, FILE *file, sp_error *err)
{
  sp_tree b = {false};
  cJSON *root = cJSON_CreateObject();
  add_text(&b, root, "schema", "slotproof/diagnosis/1");
  add_text(&b, root, "version", SLOTPROOF_VERSION);
  add_text(&b, root, "from", d->from_readings ? "readings" : "prediction");
  add_number(&b, root, "scale_length_mm", c->instrument.scale_length_mm);
  add_number(&b, root, "nut_mm", c->instrument.nut_mm - c->datum_mm);
  cJSON *saddles = sp_tree_attach(&b, root, "saddle_mm", cJSON_CreateArray());
  for (size_t i = 0; i < d->strings; i++)
    add_number(&b, saddles, NULL, c->instrument.string[i].saddle_mm - c->datum_mm);
  add_number(&b, root, "reading_u_cents", d->from_readings ? c->reading_u_cents : NAN);
  add_number(&b, root, "readings_left_out", (double)d->left_out);
  add_number(&b, root, "rms_cents", d->rms);
  add_number(&b, root, "worst_cents", d->worst);
  add_known(&b, root, "stiffness_known", d->stiffness_known, d->strings);
  add_known(&b, root, "stretch_known", d->stretch_known, d->strings);
  add_parts(&b, root, d);
  add_values(&b, root, d);
  add_cures(&b, root, d);
  add_notes(&b, root, d);
  return sp_tree_write(&b, root, true, file, err);
}
