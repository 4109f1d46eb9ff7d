/* The computed layout on paper: a table for the bench, CSV for a spreadsheet, JSON for a program.
 *
 * JSON: { "schema": "slotproof/layout/1", "scale_length_mm", "frets", "divisions" (null for a step list),
 *         "name" (null without one),
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

/* ---- csv ---- */

/* A value that does not apply is an empty field. */
static void write_field(FILE *file, double value, int decimals)
{
  if (isfinite(value))
    fprintf(file, ",%.*f", decimals, value);
  else
    fputc(',', file);
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
  fprintf(file, "fret,cents,from_nut_mm,from_previous_mm,to_saddle_mm,cents_per_mm,cents_per_tenth_mm%s%s\r\n",
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

static int add_row(cJSON *positions, const sp_layout_row *row)
{
  cJSON *object = add_object(positions);
  return object && cJSON_AddNumberToObject(object, "fret", row->fret) && add_real(object, "cents", row->cents) &&
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
  cJSON *positions = cJSON_AddArrayToObject(root, "positions");
  int good = positions != NULL;
  for (int32_t n = 0; good && n <= l->frets; n++) {
    const sp_layout_row row = sp_layout_row_at(l, n);
    good = add_row(positions, &row);
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
  if (format == SP_LAYOUT_TEXT && slots)
    sp_write_slots_text(l, slots, file);
  if (format == SP_LAYOUT_CSV)
    write_csv(l, slots, file);
  if (format == SP_LAYOUT_JSON)
    status = write_json(l, slots, file, err);
  return status ? status : finish(file, err);
}
