/* truth.c: what was drawn, as JSON with the record's names. Errors of memory end in a failed write. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>

#include "render.h"

/* 12 significant digits: far below any rounding that matters, and the same text on every machine. */
static void add_number(cJSON *to, const char *name, double value)
{
  char text[40];
  snprintf(text, sizeof text, "%.12g", value);
  cJSON_AddRawToObject(to, name, text);
}

static cJSON *point_json(render_point at)
{
  char text[80];
  snprintf(text, sizeof text, "[%.5f,%.5f]", at.x, at.y);
  return cJSON_CreateRaw(text);
}

static void add_point(cJSON *to, const char *name, render_point at)
{
  cJSON_AddItemToObject(to, name, point_json(at));
}

static void add_corners(cJSON *to, const char *name, const render_point corner[4])
{
  cJSON *list = cJSON_AddArrayToObject(to, name);
  for (int i = 0; i < 4; i++) {
    cJSON_AddItemToArray(list, point_json(corner[i]));
  }
}

static void add_numbers(cJSON *to, const char *name, const double *value, int count)
{
  cJSON *list = cJSON_AddArrayToObject(to, name);
  for (int i = 0; i < count; i++) {
    char text[40];
    snprintf(text, sizeof text, "%.12g", value[i]);
    cJSON_AddItemToArray(list, cJSON_CreateRaw(text));
  }
}

static cJSON *axis_json(const render_axis *axis)
{
  cJSON *json = cJSON_CreateObject();
  add_number(json, "mm_per_px", axis->mm_per_px);
  cJSON *waves = cJSON_AddArrayToObject(json, "waves");
  for (size_t i = 0; i < axis->waves; i++) {
    cJSON *wave = cJSON_CreateObject();
    add_number(wave, "amplitude_mm", axis->amplitude_mm[i]);
    add_number(wave, "period_px", axis->period_px[i]);
    add_number(wave, "phase_rad", axis->phase_rad[i]);
    cJSON_AddItemToArray(waves, wave);
  }
  return json;
}

static void add_edge(cJSON *to, const char *name, const render_edge *edge)
{
  cJSON *json = cJSON_AddObjectToObject(to, name);
  add_number(json, "x_mm", edge->x_mm);
  add_number(json, "y_mm", edge->y_mm);
  add_number(json, "layout_mm", edge->layout_mm);
  add_number(json, "error_mm", edge->error_mm);
  add_point(json, "at_px", edge->at_px);
}

static cJSON *mark_json(const render_mark *mark)
{
  cJSON *json = cJSON_CreateObject();
  bool stray = mark->fret < 0;
  if (!stray) {
    cJSON_AddNumberToObject(json, "fret", mark->fret);
    cJSON_AddStringToObject(json, "state", mark->drawn || mark->is_end ? "found" : "missing");
    cJSON_AddBoolToObject(json, "is_end", mark->is_end);
    add_number(json, "layout_mm", mark->layout_mm);
    add_number(json, "layout_angle_deg", mark->layout_angle_deg);
  }
  if (!mark->drawn && !mark->is_end) {
    return json;
  }
  add_number(json, "x_mm", mark->x_mm);
  if (!stray) {
    add_number(json, "error_mm", mark->error_mm);
  }
  add_number(json, "squareness_deg", mark->squareness_deg);
  add_number(json, "angle_deg", mark->angle_deg);
  add_point(json, "end_a_px", mark->end_a_px);
  add_point(json, "end_b_px", mark->end_b_px);
  add_point(json, "centre_px", mark->centre_px);
  if (!stray) {
    add_edge(json, "right_edge", &mark->edge[0]);
    add_edge(json, "left_edge", &mark->edge[1]);
  }
  if (mark->is_end) {
    return json;
  }
  add_number(json, "width_mm", mark->width_mm);
  add_number(json, "contrast", mark->contrast);
  add_number(json, "coverage", mark->coverage);
  add_number(json, "from_y_mm", mark->from_y_mm);
  add_number(json, "to_y_mm", mark->to_y_mm);
  add_number(json, "waviness_um", mark->waviness_um);
  add_number(json, "widening_mm", mark->widening_mm);
  add_number(json, "wander_um", mark->wander_um);
  add_number(json, "wander_worst_mm", mark->wander_worst_mm);
  add_number(json, "burr_height_nut_side", mark->burr_height[0]);
  add_number(json, "burr_height_bridge_side", mark->burr_height[1]);
  add_number(json, "burr_width_mm", mark->burr_width_mm);
  return json;
}

/* As in render.h; r_x, r_y, r_z are the rows of the rotation. */
static cJSON *camera_json(const render_camera *camera)
{
  static const char *const row[3] = {"r_x", "r_y", "r_z"};
  cJSON *json = cJSON_CreateObject();
  add_number(json, "f_px", camera->f_px);
  add_point(json, "principal_px", camera->centre_px);
  add_number(json, "k1", camera->k1);
  add_number(json, "k2", camera->k2);
  add_number(json, "p1", camera->p1);
  add_number(json, "p2", camera->p2);
  add_numbers(json, "position_mm", camera->position_mm, 3);
  for (int i = 0; i < 3; i++) {
    add_numbers(json, row[i], camera->rotation[i], 3);
  }
  add_number(json, "tilt_x_deg", camera->tilt_x_deg);
  add_number(json, "tilt_y_deg", camera->tilt_y_deg);
  add_number(json, "roll_deg", camera->roll_deg);
  add_number(json, "distance_mm", camera->distance_mm);
  add_number(json, "px_per_mm_along", camera->px_per_mm_along);
  add_number(json, "px_per_mm_across", camera->px_per_mm_across);
  return json;
}

static cJSON *marks_json(const render_mark *mark, size_t count)
{
  cJSON *list = cJSON_CreateArray();
  for (size_t i = 0; i < count; i++) {
    cJSON_AddItemToArray(list, mark_json(&mark[i]));
  }
  return list;
}

static cJSON *rule_json(const render_rule *rule)
{
  if (!rule->drawn) {
    return cJSON_CreateNull();
  }
  cJSON *json = cJSON_CreateObject();
  add_number(json, "graduation_mm", rule->graduation_mm);
  add_number(json, "skew_deg", rule->skew_deg);
  add_number(json, "px_per_mm", rule->px_per_mm);
  add_point(json, "first_px", rule->first_px);
  add_point(json, "last_px", rule->last_px);
  add_corners(json, "corner_px", rule->corner_px);
  /* One row a graduation: x_px, y_px at the rule's edge, t_mm, visible. */
  cJSON *strokes = cJSON_AddArrayToObject(json, "strokes");
  for (size_t i = 0; i < rule->stroke_count; i++) {
    char text[120];
    const render_stroke *stroke = &rule->stroke[i];
    snprintf(text, sizeof text, "[%.4f,%.4f,%.6f,%.2f]", stroke->edge_px.x, stroke->edge_px.y, stroke->t_mm,
             stroke->visible);
    cJSON_AddItemToArray(strokes, cJSON_CreateRaw(text));
  }
  return json;
}

/* Of photographs or printed strips only; the truth of a picture without them does without. */
static bool is_written(const render_params *params, const char *name)
{
  bool of_photo = strncmp(name, "photo", 5) == 0 || strcmp(name, "rule_height_mm") == 0;
  bool of_strip = strncmp(name, "strip_", 6) == 0;
  if (params->fan_mm == 0.0 && (strncmp(name, "fan_", 4) == 0 || strcmp(name, "left_handed") == 0)) {
    return false;
  }
  return (params->photo || !of_photo) && (params->strip_side != RENDER_NO_STRIP || !of_strip);
}

/* Every plain parameter under its own name, so that a picture can be drawn again and results sorted by what was on it.
 */
static cJSON *params_json(const render_params *params)
{
  cJSON *json = cJSON_CreateObject();
#define JSON_REAL(name, value, meaning)                                                                                \
  if (is_written(params, #name)) {                                                                                     \
    add_number(json, #name, params->name);                                                                             \
  }
#define JSON_INT(name, value, meaning)                                                                                 \
  if (is_written(params, #name)) {                                                                                     \
    cJSON_AddNumberToObject(json, #name, params->name);                                                                \
  }
#define JSON_CHOICE(name, value, names, meaning) JSON_INT(name, value, meaning)
#define JSON_LIST(name, meaning)
  RENDER_FIELDS(JSON_REAL, JSON_INT, JSON_CHOICE, JSON_LIST)
  if (params->marks == RENDER_WIRE) {
    RENDER_WIRE_FIELDS(JSON_REAL, JSON_INT, JSON_CHOICE)
  }
#define JSON_GIVEN(name, value, meaning)                                                                               \
  if (params->name != value) {                                                                                         \
    add_number(json, #name, params->name);                                                                             \
  }
  RENDER_LAYOUT_FIELDS(JSON_GIVEN, JSON_LIST)
#undef JSON_GIVEN
  if (params->piece > 0) {
    RENDER_PIECE_FIELDS(JSON_REAL, JSON_INT)
  }
#undef JSON_REAL
#undef JSON_INT
#undef JSON_CHOICE
#undef JSON_LIST
  return json;
}

/* Lists that most boards have not; fret and value, or the values alone. */
static void add_entries(cJSON *to, const char *name, const render_list *list)
{
  cJSON *array = list->count > 0 ? cJSON_AddArrayToObject(to, name) : NULL;
  for (size_t i = 0; i < list->count; i++) {
    char text[60];
    const render_entry *e = &list->entry[i];
    int n = e->fret >= 0 ? snprintf(text, sizeof text, "[%d,%.12g]", e->fret, e->mm)
                         : snprintf(text, sizeof text, "%.12g", e->mm);
    if (n > 0) {
      cJSON_AddItemToArray(array, cJSON_CreateRaw(text));
    }
  }
}

static void add_optics(cJSON *json, const render_truth *truth)
{
  if (truth->camera.on) {
    cJSON_AddItemToObject(json, "camera", camera_json(&truth->camera));
    return;
  }
  cJSON *axes = cJSON_AddObjectToObject(json, "axes");
  cJSON_AddItemToObject(axes, "x", axis_json(&truth->axis[0]));
  cJSON_AddItemToObject(axes, "y", axis_json(&truth->axis[1]));
}

static cJSON *truth_json(const render_truth *truth)
{
  static const char *const direction[4] = {"+y", "-x", "-y", "+x"}, *const kind[3] = {"knife", "slot", "wire"};
  const render_params *params = &truth->params;
  cJSON *json = cJSON_CreateObject();
  cJSON_AddStringToObject(json, "schema", "slotproof-render/truth/1");
  add_number(json, "seed", (double)params->seed);
  cJSON_AddNumberToObject(json, "width_px", truth->width_px);
  cJSON_AddNumberToObject(json, "height_px", truth->height_px);
  if (!params->photo) {
    add_number(json, "dpi", params->dpi);
    add_number(json, "stated_dpi", params->stated_dpi < 0.0 ? params->dpi : params->stated_dpi);
    cJSON_AddNumberToObject(json, "quarter_turns", params->quarter_turns);
    cJSON_AddStringToObject(json, "bridge_direction", direction[params->quarter_turns]);
  }
  add_number(json, "skew_deg", params->skew_deg);
  add_number(json, "direction_deg", truth->direction_deg);
  add_point(json, "nut_mm", truth->nut_mm);
  add_number(json, "psf_px", truth->psf_px);
  add_number(json, "noise", params->noise);
  add_number(json, "wood_level", params->wood_level);
  add_optics(json, truth);
  cJSON *layout = cJSON_AddObjectToObject(json, "layout");
  add_number(layout, "scale_length_mm", params->scale_length_mm);
  cJSON_AddNumberToObject(layout, "frets", params->frets);
  cJSON_AddNumberToObject(layout, "divisions", params->divisions);
  if (params->fan_mm != 0.0) {
    add_number(layout, "bass_scale_length_mm", params->scale_length_mm + 0.5 * params->fan_mm);
    add_number(layout, "treble_scale_length_mm", params->scale_length_mm - 0.5 * params->fan_mm);
    add_number(layout, "spread_nut_mm", params->fan_nut_mm);
    add_number(layout, "spread_saddle_mm", params->fan_saddle_mm);
    add_number(layout, "square_fret", params->fan_square_fret);
    cJSON_AddStringToObject(layout, "bass_side", params->left_handed ? "left" : "right");
  }
  add_entries(layout, "steps_cents", &params->steps);
  add_entries(layout, "partial", &params->partial);
  cJSON_AddStringToObject(json, "nut", params->nut == RENDER_NUT_END ? "end" : "line");
  cJSON_AddStringToObject(json, "mark_kind", kind[params->marks]);
  add_corners(json, "outline_px", truth->outline_px);
  cJSON_AddItemToObject(json, "marks", marks_json(truth->mark, truth->mark_count));
  cJSON_AddItemToObject(json, "stray", marks_json(truth->stray, truth->stray_count));
  cJSON_AddItemToObject(json, "rule", rule_json(&truth->rule));
  cJSON_AddItemToObject(json, "params", params_json(params));
  return json;
}

bool render_write_truth(const render_truth *truth, const char *path, char *message)
{
  cJSON *json = truth_json(truth);
  char *text = json ? cJSON_Print(json) : NULL;
  cJSON_Delete(json);
  FILE *file = text ? fopen(path, "wb") : NULL;
  bool ok = file && fputs(text, file) >= 0 && fputc('\n', file) != EOF;
  if (file && fclose(file) != 0) {
    ok = false;
  }
  if (!ok) {
    snprintf(message, RENDER_MESSAGE, "%.120s: cannot be written: %.60s", path, text ? strerror(errno) : "no memory");
  }
  cJSON_free(text);
  return ok;
}
