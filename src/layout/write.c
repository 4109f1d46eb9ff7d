/* The computed layout on paper: a table for the bench, CSV for a spreadsheet, JSON for a program.
 *
 * JSON: { "schema": "slotproof/layout/1", "scale_length_mm", "frets", "divisions" (null for a step list),
 *         "name" (null without one), "fan": null, or {"bass_scale_length_mm", "treble_scale_length_mm",
 *         "spread_nut_mm", "spread_saddle_mm", "square_fret", "bass_side"} (then scale length and places are those of
 *         the centre line, and each position also has "bass_from_nut_mm", "treble_from_nut_mm" (along the outer
 *         strings, from where the nut meets them), "bass_x_mm", "treble_x_mm" (from the nut's place on the centre
 *         line), "outer_mm" (so far off it) and "angle_deg"),
 *         "positions": [ {"fret", "cents", "from_nut_mm", "from_previous_mm" (null for the nut), "to_saddle_mm",
 *                         "cents_per_mm", "cents_per_tenth_mm" (null where no 0.1 mm is left), "layout_mm"} ],
 *         "nut_shift_mm", "zero_fret", "nut_behind_mm" (null: not told),
 *         "partial": [ {"fret", "edge": "bass" or "treble", "unit": "share" or "mm", "begin", "end"} ],
 *         "board": null, or { "nut_width_mm", "end_width_mm", "end_at_mm", "radius_mm", "end_radius_mm",
 *                             "tang_depth_mm", "clearance_mm", "thickness_mm" } (null what was not given),
 *         "slots": null, or [ {"fret", "length_mm", "radius_mm", "sagitta_mm", "depth_mm", "straight_mm",
 *                              "left_middle_mm", "left_edge_mm"} ] (null what does not follow),
 *         "warnings": [ sentences ] }
 * layout_mm counts from the theoretical nut, as in the record of a check; from_nut_mm from the nut as it stands, and
 * differs if that is shifted. The CSV has the slots' fields after those of the layout, as slot_length_mm, radius_mm,
 * sagitta_mm, slot_depth_mm, straight_depth_mm, left_middle_mm, left_edge_mm, only where a board was described; and
 * layout_mm last, only where the nut is shifted.
 */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdlib.h>

#include "layout/write.h"

static sp_status finish(FILE *file, sp_error *err)
{
  if (fflush(file) != 0 || ferror(file))
    return sp_fail(err, SP_E_IO, "writing the layout failed; check that the disk is not full");
  return SP_OK;
}

/* ---- text ---- */

/* "7 treble 40 %" */
static void write_part(const sp_layout *l, int32_t fret, FILE *file)
{
  const sp_width_part *p = &l->part[fret];
  const double unit = p->in_mm ? 1.0 : 100.0;
  fprintf(file, " fret %ld over ", (long)fret);
  if (p->begin > 0.0)
    fprintf(file, "%.4g to ", unit * p->begin);
  fprintf(file, "%.4g %s from the %s edge", unit * p->end, p->in_mm ? "mm" : "% of the width",
          p->from_bass ? "bass" : "treble");
}

/* What sets the board apart from a plain one. */
static void write_apart(const sp_layout *l, FILE *file)
{
  bool any = false;
  if (l->nut_shift_mm != 0.0)
    fprintf(file,
            "The nut is compensated: it stands %.3f mm %s than the frets are computed from. Distances\n"
            "count from where it stands; the open string is %.3f mm long up to the theoretical saddle.\n",
            fabs(l->nut_shift_mm), l->nut_shift_mm > 0.0 ? "nearer to fret 1" : "farther from fret 1",
            l->scale_length_mm - l->nut_shift_mm);
  if (l->zero_fret && isfinite(l->nut_behind_mm))
    fprintf(file, "Distances count from the zero fret; the nut behind it stands %.3f mm farther back.\n",
            l->nut_behind_mm);
  else if (l->zero_fret)
    fprintf(file, "Distances count from the zero fret; the nut stands behind it.\n");
  for (int32_t n = 1; n <= l->frets; n++)
    if (sp_layout_is_partial(l, n)) {
      fputs(any ? ";\n   " : "Partial:", file);
      write_part(l, n, file);
      any = true;
    }
  if (any)
    fputs(".\n", file);
}

static void write_heading(const sp_layout *l, FILE *file)
{
  if (l->name[0])
    fprintf(file, "%s. ", l->name);
  if (l->fanned)
    fprintf(file, "Scale lengths %.3f mm (bass) and %.3f mm (treble), fret %g square,\n", l->fan.bass_mm,
            l->fan.treble_mm, l->fan.square_fret);
  else
    fprintf(file, "Scale length %.3f mm (%.4f in), ", l->scale_length_mm, l->scale_length_mm / 25.4);
  fprintf(file, "%ld fret%s, ", (long)l->frets, l->frets == 1 ? "" : "s");
  if (l->divisions > 0)
    fprintf(file, "%ld equal division%s of the octave.\n", (long)l->divisions, l->divisions == 1 ? "" : "s");
  else
    fprintf(file, "steps as listed.\n");
  write_apart(l, file);
  fprintf(file, "Distances in mm along the centre line, saddle without compensation. Lay the rule once and mark\n"
                "every fret from the nut: distances from the last fret add their errors up. The last column says\n"
                "how many cents sharp a fret sounds that lies 0.1 mm too near the bridge.\n\n");
}

static void write_text(const sp_layout *l, FILE *file)
{
  const int cents = l->divisions != 12; /* nobody needs telling that fret 7 of 12 is 700 cents */
  write_heading(l, file);
  fprintf(file, "fret%s    from nut  from last   to saddle  0.1 mm here\n", cents ? "      cents" : "");
  for (int32_t n = 0; n <= l->frets; n++) {
    const sp_layout_row row = sp_layout_row_at(l, n);
    if (n)
      fprintf(file, "%4ld", (long)n);
    else
      fprintf(file, l->zero_fret ? "zero" : " nut");
    if (cents)
      fprintf(file, " %10.3f", row.cents);
    fprintf(file, " %11.3f", row.from_nut_mm);
    if (n)
      fprintf(file, " %10.3f", row.from_previous_mm);
    else
      fprintf(file, " %10s", "");
    fprintf(file, " %11.3f", row.to_saddle_mm);
    if (n && isfinite(row.cents_per_tenth_mm))
      fprintf(file, " %10.3f c", row.cents_per_tenth_mm);
    fprintf(file, "\n");
  }
}

/* ---- fanned frets ---- */

/* Half the spread of the outer strings at a fret: so far off the centre line are bass and treble. */
static double outer_mm(const sp_layout *l, int32_t fret)
{
  const double part = l->position_mm[fret] / l->scale_length_mm;
  return 0.5 * (l->fan.spread_nut_mm + part * (l->fan.spread_saddle_mm - l->fan.spread_nut_mm));
}

/* What the fan adds to a row; bass and treble by the outer strings. */
typedef struct fan_row {
  double bass_from_nut_mm, treble_from_nut_mm; /* along the board, from where the nut meets that string */
  double bass_x_mm, treble_x_mm;               /* the same from the nut's place on the centre line */
  double outer_mm, angle_deg;
} fan_row;

static fan_row fan_row_at(const sp_layout *l, int32_t fret)
{
  const double outer = outer_mm(l, fret), nut = outer_mm(l, 0);
  fan_row row = {.outer_mm = outer, .angle_deg = sp_layout_angle_deg(l, fret)};
  row.bass_x_mm = sp_layout_line_mm(l, fret, outer) - l->position_mm[0];
  row.treble_x_mm = sp_layout_line_mm(l, fret, -outer) - l->position_mm[0];
  row.bass_from_nut_mm = sp_layout_line_mm(l, fret, outer) - sp_layout_line_mm(l, 0, nut);
  row.treble_from_nut_mm = sp_layout_line_mm(l, fret, -outer) - sp_layout_line_mm(l, 0, -nut);
  return row;
}

static void write_fan_text(const sp_layout *l, FILE *file)
{
  fprintf(file,
          "\nThe outer strings lie %.3f mm apart at the nut and %.3f mm at the saddle, bass on the %s as seen from\n"
          "the nut. From nut: along the board, from where the nut meets that string. At: from the nut's place on\n"
          "the centre line. Angle: off square, + where the right end, seen from the nut, is nearer the bridge.\n\n",
          l->fan.spread_nut_mm, l->fan.spread_saddle_mm, l->left_handed ? "left" : "right");
  fprintf(file, "fret  bass from nut    bass at   centre at  treble at  treble from nut  apart from centre   angle\n");
  for (int32_t n = 0; n <= l->frets; n++) {
    const fan_row row = fan_row_at(l, n);
    if (n)
      fprintf(file, "%4ld", (long)n);
    else
      fprintf(file, l->zero_fret ? "zero" : " nut");
    const double angle = fabs(row.angle_deg) < 0.0005 ? 0.0 : row.angle_deg;
    fprintf(file, " %14.3f %10.3f %11.3f %10.3f %16.3f %18.3f %+7.3f\n", row.bass_from_nut_mm, row.bass_x_mm,
            l->position_mm[n] - l->position_mm[0], row.treble_x_mm, row.treble_from_nut_mm, row.outer_mm, angle);
  }
}

/* ---- csv ---- */

/* A value that does not apply is an empty field. */
static void write_field(FILE *file, double value, int decimals)
{
  if (isfinite(value))
    fprintf(file, ",%.*f", decimals, value);
  else
    fputc(',', file);
}

static void write_fan_fields(const sp_layout *l, int32_t fret, FILE *file)
{
  const fan_row row = fan_row_at(l, fret);
  write_field(file, row.bass_from_nut_mm, 6);
  write_field(file, row.treble_from_nut_mm, 6);
  write_field(file, row.bass_x_mm, 6);
  write_field(file, row.treble_x_mm, 6);
  write_field(file, row.outer_mm, 6);
  write_field(file, row.angle_deg, 6);
}

static void write_slot_fields(FILE *file, const sp_slot *s)
{
  write_field(file, s->length_mm, 6);
  write_field(file, s->radius_mm, 6);
  write_field(file, s->sagitta_mm, 6);
  write_field(file, s->depth_mm, 6);
  write_field(file, s->straight_mm, 6);
  write_field(file, s->left_middle_mm, 6);
  write_field(file, s->left_edge_mm, 6);
}

static void write_csv(const sp_layout *l, const sp_slots *p, FILE *file)
{
  fprintf(file, "fret,cents,from_nut_mm,from_previous_mm,to_saddle_mm,cents_per_mm,cents_per_tenth_mm%s%s%s\r\n",
          l->fanned ? ",bass_from_nut_mm,treble_from_nut_mm,bass_x_mm,treble_x_mm,outer_mm,angle_deg" : "",
          p ? ",slot_length_mm,radius_mm,sagitta_mm,slot_depth_mm,straight_depth_mm,left_middle_mm,left_edge_mm" : "",
          l->nut_shift_mm != 0.0 ? ",layout_mm" : "");
  for (int32_t n = 0; n <= l->frets; n++) {
    const sp_layout_row row = sp_layout_row_at(l, n);
    fprintf(file, "%ld", (long)n);
    write_field(file, row.cents, 6);
    write_field(file, row.from_nut_mm, 6);
    write_field(file, row.from_previous_mm, 6);
    write_field(file, row.to_saddle_mm, 6);
    write_field(file, row.cents_per_mm, 6);
    write_field(file, row.cents_per_tenth_mm, 6);
    if (l->fanned)
      write_fan_fields(l, n, file);
    if (p)
      write_slot_fields(file, &p->slot[n]);
    if (l->nut_shift_mm != 0.0)
      write_field(file, row.layout_mm, 6);
    fprintf(file, "\r\n");
  }
}

/* ---- json ---- */

/* To 1e-9 of the unit, null where it does not apply. */
static int add_real(cJSON *object, const char *name, double value)
{
  return (isfinite(value) ? cJSON_AddNumberToObject(object, name, round(value * 1e9) / 1e9)
                          : cJSON_AddNullToObject(object, name)) != NULL;
}

/* A new object at the end of `list`; NULL for lack of memory. */
static cJSON *add_object(cJSON *list)
{
  cJSON *object = cJSON_CreateObject();
  if (object && cJSON_AddItemToArray(list, object))
    return object;
  cJSON_Delete(object);
  return NULL;
}

static int add_fan_row(cJSON *object, const sp_layout *l, int32_t fret)
{
  const fan_row row = fan_row_at(l, fret);
  return add_real(object, "bass_from_nut_mm", row.bass_from_nut_mm) &&
         add_real(object, "treble_from_nut_mm", row.treble_from_nut_mm) &&
         add_real(object, "bass_x_mm", row.bass_x_mm) && add_real(object, "treble_x_mm", row.treble_x_mm) &&
         add_real(object, "outer_mm", row.outer_mm) && add_real(object, "angle_deg", row.angle_deg);
}

static int add_fan(cJSON *root, const sp_layout *l)
{
  cJSON *fan = cJSON_AddObjectToObject(root, "fan");
  return fan && add_real(fan, "bass_scale_length_mm", l->fan.bass_mm) &&
         add_real(fan, "treble_scale_length_mm", l->fan.treble_mm) &&
         add_real(fan, "spread_nut_mm", l->fan.spread_nut_mm) &&
         add_real(fan, "spread_saddle_mm", l->fan.spread_saddle_mm) &&
         add_real(fan, "square_fret", l->fan.square_fret) &&
         cJSON_AddStringToObject(fan, "bass_side", l->left_handed ? "left" : "right");
}

static int add_row(cJSON *positions, const sp_layout *l, const sp_layout_row *row)
{
  cJSON *object = add_object(positions);
  return object && (!l->fanned || add_fan_row(object, l, row->fret)) &&
         cJSON_AddNumberToObject(object, "fret", row->fret) && add_real(object, "cents", row->cents) &&
         add_real(object, "from_nut_mm", row->from_nut_mm) &&
         add_real(object, "from_previous_mm", row->from_previous_mm) &&
         add_real(object, "to_saddle_mm", row->to_saddle_mm) && add_real(object, "cents_per_mm", row->cents_per_mm) &&
         add_real(object, "cents_per_tenth_mm", row->cents_per_tenth_mm) &&
         add_real(object, "layout_mm", row->layout_mm);
}

static int add_board(cJSON *root, const sp_board_shape *s)
{
  cJSON *board = cJSON_AddObjectToObject(root, "board");
  return board && add_real(board, "nut_width_mm", s->nut_width_mm) &&
         add_real(board, "end_width_mm", s->end_width_mm) && add_real(board, "end_at_mm", s->end_at_mm) &&
         add_real(board, "radius_mm", s->radius_mm) && add_real(board, "end_radius_mm", s->end_radius_mm) &&
         add_real(board, "tang_depth_mm", s->tang_depth_mm) && add_real(board, "clearance_mm", s->clearance_mm) &&
         add_real(board, "thickness_mm", s->thickness_mm);
}

static int add_slot(cJSON *list, int32_t fret, const sp_slot *s)
{
  cJSON *object = add_object(list);
  return object && cJSON_AddNumberToObject(object, "fret", fret) && add_real(object, "length_mm", s->length_mm) &&
         add_real(object, "radius_mm", s->radius_mm) && add_real(object, "sagitta_mm", s->sagitta_mm) &&
         add_real(object, "depth_mm", s->depth_mm) && add_real(object, "straight_mm", s->straight_mm) &&
         add_real(object, "left_middle_mm", s->left_middle_mm) && add_real(object, "left_edge_mm", s->left_edge_mm);
}

static int add_warnings(cJSON *root, const sp_slots *p)
{
  char text[SP_SLOTS_WARNING_MAX];
  cJSON *list = cJSON_AddArrayToObject(root, "warnings");
  int good = list != NULL;
  for (int i = 0; good && p && sp_slots_warning(p, i, text); i++) {
    cJSON *item = cJSON_CreateString(text);
    good = item && cJSON_AddItemToArray(list, item);
    if (!good)
      cJSON_Delete(item);
  }
  return good;
}

static int add_slots(cJSON *root, const sp_slots *p)
{
  if (!p)
    return cJSON_AddNullToObject(root, "board") && cJSON_AddNullToObject(root, "slots");
  cJSON *list = add_board(root, &p->shape) ? cJSON_AddArrayToObject(root, "slots") : NULL;
  int good = list != NULL;
  for (int32_t n = 0; good && n <= p->frets; n++)
    good = add_slot(list, n, &p->slot[n]);
  return good;
}

static int add_parts(cJSON *root, const sp_layout *l)
{
  cJSON *list = cJSON_AddArrayToObject(root, "partial");
  int good = list != NULL;
  for (int32_t n = 1; good && n <= l->frets; n++) {
    if (!sp_layout_is_partial(l, n))
      continue;
    const sp_width_part *p = &l->part[n];
    cJSON *object = add_object(list);
    good = object && cJSON_AddNumberToObject(object, "fret", n) &&
           cJSON_AddStringToObject(object, "edge", p->from_bass ? "bass" : "treble") &&
           cJSON_AddStringToObject(object, "unit", p->in_mm ? "mm" : "share") && add_real(object, "begin", p->begin) &&
           add_real(object, "end", p->end);
  }
  return good;
}

static int add_apart(cJSON *root, const sp_layout *l)
{
  return add_real(root, "nut_shift_mm", l->nut_shift_mm) && cJSON_AddBoolToObject(root, "zero_fret", l->zero_fret) &&
         add_real(root, "nut_behind_mm", l->nut_behind_mm) && add_parts(root, l);
}

static int fill(cJSON *root, const sp_layout *l, const sp_slots *p)
{
  if (!root || !cJSON_AddStringToObject(root, "schema", "slotproof/layout/1") ||
      !add_real(root, "scale_length_mm", l->scale_length_mm) || !cJSON_AddNumberToObject(root, "frets", l->frets) ||
      !add_real(root, "divisions", l->divisions > 0 ? (double)l->divisions : NAN) ||
      !(l->name[0] ? cJSON_AddStringToObject(root, "name", l->name) : cJSON_AddNullToObject(root, "name")))
    return 0;
  if (!(l->fanned ? add_fan(root, l) : cJSON_AddNullToObject(root, "fan") != NULL))
    return 0;
  cJSON *positions = cJSON_AddArrayToObject(root, "positions");
  int good = positions != NULL;
  for (int32_t n = 0; good && n <= l->frets; n++) {
    const sp_layout_row row = sp_layout_row_at(l, n);
    good = add_row(positions, l, &row);
  }
  return good && add_apart(root, l) && add_slots(root, p) && add_warnings(root, p);
}

static sp_status write_json(const sp_layout *l, const sp_slots *p, FILE *file, sp_error *err)
{
  cJSON *root = cJSON_CreateObject();
  char *text = fill(root, l, p) ? cJSON_Print(root) : NULL;
  cJSON_Delete(root);
  if (!text)
    return sp_fail_memory(err);
  fprintf(file, "%s\n", text);
  cJSON_free(text);
  return SP_OK;
}

sp_status sp_layout_write(const sp_layout *l, const sp_slots *slots, sp_layout_format format, FILE *file, sp_error *err)
{
  sp_status status = SP_OK;
  if (format == SP_LAYOUT_TEXT)
    write_text(l, file);
  if (format == SP_LAYOUT_TEXT && l->fanned)
    write_fan_text(l, file);
  if (format == SP_LAYOUT_TEXT && slots)
    sp_write_slots_text(l, slots, file);
  if (format == SP_LAYOUT_CSV)
    write_csv(l, slots, file);
  if (format == SP_LAYOUT_JSON)
    status = write_json(l, slots, file, err);
  return status ? status : finish(file, err);
}
