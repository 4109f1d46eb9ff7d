/* One rendered board through the whole check, compared with its truth. */
#include "accuracy.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cjson/cJSON.h>

#include "render.h"
#include "slotproof/check.h"
#include "slotproof/numeric.h"

/* A line further than this from where it is taken for has been confused with something else. */
static const double CONFUSED_MM = 0.3;

static char *read_text(const char *path)
{
  FILE *file = fopen(path, "rb");
  char *text = NULL;
  if (!file)
    return NULL;
  if (fseek(file, 0, SEEK_END) == 0) {
    const long size = ftell(file);
    rewind(file);
    if (size > 0 && (text = malloc((size_t)size + 1)) != NULL) {
      const size_t got = fread(text, 1, (size_t)size, file);
      text[got] = '\0';
    }
  }
  fclose(file);
  return text;
}

/* A printed strip in place of the rule, at the rule's side, gap and turn, from a printer of its own error; two end to
 * end where the board is longer than one, or one on each side. */
static void lay_strip(render_params *p, unsigned long seed)
{
  const double board_mm = p->scale_length_mm * (1.0 - exp2(-(double)p->frets / p->divisions)) + p->after_last_mm;
  const double phase = 2.399963 * (double)seed; /* golden angle: evenly spread over the seeds */
  p->graduation = 0;
  p->strip_side = seed % 3 == 0 ? RENDER_STRIP_BOTH : p->rule_side ? RENDER_STRIP_LEFT : RENDER_STRIP_RIGHT;
  p->strip_start_mm = fmax(p->rule_start_mm, -8.0);
  if (board_mm > 254.0 + p->strip_start_mm)
    p->strip_side = RENDER_STRIP_LINE;
  p->strip_reversed = p->strip_side != RENDER_STRIP_LINE && p->rule_reversed;
  p->strip_skew_deg = p->rule_skew_deg;
  p->strip_second_skew_deg = 0.15 * sin(1.3 * phase);
  p->strip_gap_mm = p->rule_gap_mm;
  p->strip_error_along = 0.006 * sin(phase);
  p->strip_error_across = 0.006 * cos(2.0 * phase);
  p->strip_join_mm = 4.0 + 2.0 * cos(phase);
}

/* "plain", or "plain+strip". */
static bool parse_name(const char *name, render_difficulty *level, bool *strip)
{
  char base[32];
  const char *plus = strchr(name, '+');
  const size_t length = plus ? (size_t)(plus - name) : strlen(name);
  if (length >= sizeof base)
    return false;
  memcpy(base, name, length);
  base[length] = '\0';
  *strip = plus != NULL;
  return (!plus || strcmp(plus, "+strip") == 0) && render_difficulty_named(base, level);
}

static bool render(const char *difficulty, unsigned long seed, double dpi, const char *stem, char *picture, size_t room)
{
  char message[RENDER_MESSAGE] = "", text[64], path[600];
  render_difficulty level;
  render_params params;
  render_image image;
  render_truth truth;
  bool strip = false;
  if (!parse_name(difficulty, &level, &strip)) {
    fprintf(stderr, "no difficulty '%s'\n", difficulty);
    return false;
  }
  render_params_random(&params, seed, level);
  if (strip)
    lay_strip(&params, seed);
  snprintf(text, sizeof text, "dpi=%g", dpi);
  snprintf(path, sizeof path, "%s.json", stem);
  snprintf(picture, room, "%s.%s", stem, params.jpeg ? "jpg" : "png");
  if (access(path, R_OK) == 0 && access(picture, R_OK) == 0)
    return true;
  if (!render_params_set(&params, text, message) || !render_board(&params, &image, &truth, message)) {
    fprintf(stderr, "%s\n", message);
    return false;
  }
  const bool fine = (params.jpeg ? render_write_jpeg(&image, picture, params.quality, message)
                                 : render_write_png(&image, picture, message)) &&
                    render_write_truth(&truth, path, message);
  render_image_free(&image);
  render_truth_free(&truth);
  if (!fine)
    fprintf(stderr, "%s\n", message);
  return fine;
}

static double number(const cJSON *object, const char *key)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, key);
  return cJSON_IsNumber(item) ? item->valuedouble : NAN;
}

static bool is_word(const cJSON *object, const char *key, const char *word)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, key);
  return cJSON_IsString(item) && strcmp(item->valuestring, word) == 0;
}

/* The two edges of one mark: the bass is on the right unless the board is left-handed. */
static void compare_edges(accuracy *a, const cJSON *truth, const sp_mark_record *m, bool left_handed, bool verbose)
{
  for (int e = 0; m->edges_known && e < SP_EDGES; e++) {
    const cJSON *edge =
        cJSON_GetObjectItemCaseSensitive(truth, (e == SP_BASS) == left_handed ? "left_edge" : "right_edge");
    const double off_um = 1e3 * (m->edge[e].error_mm - number(edge, "error_mm")), u_um = 1e3 * m->edge[e].u_mm;
    a->edges++;
    a->edges_covered += fabs(off_um) <= 1.96 * u_um;
    a->sum_edge_um2 += off_um * off_um;
    a->sum_edge_z2 += off_um * off_um / (u_um * u_um);
    a->worst_edge_um = fmax(a->worst_edge_um, fabs(off_um));
    if (a->edges_kept < ACCURACY_MAX)
      a->edge_half_width_um[a->edges_kept++] = 1.96 * u_um;
    if (verbose && (fabs(off_um) > 20.0 || fabs(off_um) > 3.5 * u_um))
      printf("    fret %d, %s edge: off %.2f um, u %.2f um; y off %.3f mm\n", m->fret, e == SP_BASS ? "bass" : "treble",
             off_um, u_um, m->edge[e].y_mm - number(edge, "y_mm"));
  }
}

static void compare_mark(accuracy *a, const cJSON *truth, const sp_mark_record *m, double tolerance_mm,
                         bool left_handed, bool verbose)
{
  const bool drawn = is_word(truth, "state", "found");
  if (m->fret == 0) {
    compare_edges(a, truth, m, left_handed, verbose);
    return;
  }
  a->marks += drawn;
  if (!m->found) {
    a->missed += drawn;
    if (drawn && verbose)
      printf("    fret %d missed (contrast %.3f)\n", m->fret, number(truth, "contrast"));
    return;
  }
  const double error_um = 1e3 * (m->error_mm - number(truth, "error_mm"));
  if (!drawn || !(fabs(error_um) < 1e3 * CONFUSED_MM)) {
    a->wrong++;
    if (verbose)
      printf("    fret %d wrong: %s, off by %.3f mm\n", m->fret, drawn ? "drawn" : "not drawn", 1e-3 * error_um);
    return;
  }
  const double u_um = 1e3 * m->u_mm, square = m->squareness_deg - number(truth, "squareness_deg");
  a->found++;
  a->covered += fabs(error_um) <= 1.96 * u_um;
  a->sum_um2 += error_um * error_um;
  a->sum_z2 += error_um * error_um / (u_um * u_um);
  a->worst_um = fmax(a->worst_um, fabs(error_um));
  a->sum_square_deg2 += square * square;
  a->worst_square_deg = fmax(a->worst_square_deg, fabs(square));
  compare_edges(a, truth, m, left_handed, verbose);
  const double width = m->width_mm - number(truth, "width_mm");
  if (isfinite(width)) { /* a line that the lens has spread has none */
    a->sum_width_mm2 += width * width;
    a->worst_width_mm = fmax(a->worst_width_mm, fabs(width));
    a->widths++;
  }
  if (a->kept < ACCURACY_MAX) {
    a->error_um[a->kept] = fabs(error_um);
    a->half_width_um[a->kept++] = 1.96 * u_um;
  }
  const bool slipped = m->verdict == SP_WITHIN && fabs(number(truth, "error_mm")) > tolerance_mm;
  a->falsely_within += slipped;
  if (verbose && (slipped || fabs(error_um) > 12.0 || fabs(error_um) > 3.5 * u_um || fabs(square) > 0.05))
    printf(
        "    fret %d: off %.2f um, u %.2f um (line %.2f map %.2f datum %.2f), square %.3f deg, contrast %.3f (%.3f), "
        "width %.3f (%.3f)%s\n",
        m->fret, error_um, u_um, 1e3 * m->budget.line_mm, 1e3 * m->budget.map_mm, 1e3 * m->budget.datum_mm, square,
        m->contrast, number(truth, "contrast"), m->width_mm, number(truth, "width_mm"), slipped ? " SLIPPED" : "");
}

static void compare(accuracy *a, const cJSON *truth, const sp_record *record, bool verbose)
{
  const cJSON *marks = cJSON_GetObjectItemCaseSensitive(truth, "marks");
  size_t found = 0;
  a->boards++;
  a->boards_without_scale += record->reference.kind == SP_REFERENCE_NONE || isnan(record->reference.px_per_mm);
  for (size_t i = 0; i < record->mark_count; i++)
    found += record->marks[i].found;
  a->boards_unmatched += found == 0;
  for (size_t i = 0; i < record->warning_count && verbose; i++)
    printf("    warning: %s\n", record->warnings[i]);
  for (size_t i = 0; i < record->mark_count; i++)
    compare_mark(a, cJSON_GetArrayItem(marks, (int)i), &record->marks[i], record->tolerance_mm,
                 record->left_handed, verbose);
  a->strays_drawn += (size_t)cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(truth, "stray"));
  a->strays_reported += record->stray_count;
  if (verbose && (int)record->stray_count != cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(truth, "stray")))
    printf("    strays: %zu reported\n", record->stray_count);
}

bool accuracy_add(accuracy *a, const char *difficulty, unsigned long seed, double dpi, const char *stem, bool verbose)
{
  char picture[600], path[600];
  if (!render(difficulty, seed, dpi, stem, picture, sizeof picture))
    return false;
  snprintf(path, sizeof path, "%s.json", stem);
  char *text = read_text(path);
  cJSON *truth = text ? cJSON_Parse(text) : NULL;
  free(text);
  const cJSON *task = truth ? cJSON_GetObjectItemCaseSensitive(truth, "layout") : NULL;
  sp_layout layout = {0};
  sp_error err = {0};
  sp_record record;
  sp_check_options options;
  sp_record_init(&record);
  sp_check_options_init(&options);
  sp_status status = SP_E_DATA;
  if (task)
    status = sp_layout_equal(number(task, "scale_length_mm"), (int32_t)number(task, "frets"),
                             (int32_t)number(task, "divisions"), &layout, &err);
  if (!status && isfinite(number(task, "square_fret"))) {
    const sp_fan fan = {number(task, "bass_scale_length_mm"), number(task, "treble_scale_length_mm"),
                        number(task, "spread_nut_mm"), number(task, "spread_saddle_mm"), number(task, "square_fret")};
    layout.left_handed = is_word(task, "bass_side", "left");
    status = sp_layout_fan(&fan, &layout, &err);
  }
  if (!status) {
    options.layout = &layout;
    options.reference.mpe_mm = 0.0;
    const cJSON *drawn = cJSON_GetObjectItemCaseSensitive(truth, "params");
    if (number(drawn, "strip_side") > 0.0) /* as calipers would read it if they were perfect */
      options.reference.strip_length_mm = 139.7 * (1.0 + number(drawn, "strip_error_along"));
    options.marks = is_word(truth, "mark_kind", "slot")   ? SP_MARK_SLOT
                    : is_word(truth, "mark_kind", "wire") ? SP_MARK_WIRE
                                                          : SP_MARK_KNIFE;
    status = sp_check_picture(picture, &options, &record, NULL, &err);
  }
  if (status)
    fprintf(stderr, "%s: %s\n", picture, err.text);
  else {
    if (verbose)
      printf("%s\n", picture);
    compare(a, truth, &record, verbose);
  }
  sp_record_free(&record);
  sp_layout_free(&layout);
  cJSON_Delete(truth);
  return status == SP_OK;
}

void accuracy_print(const accuracy *a, const char *title)
{
  static double work[ACCURACY_MAX];
  const double n = (double)a->found;
  memcpy(work, a->half_width_um, a->kept * sizeof *work);
  printf("%s: %zu boards (%zu without scale, %zu unmatched), %zu marks drawn, %zu found, %zu missed, %zu wrong; strays "
         "%zu "
         "drawn, %zu reported; falsely within %zu\n",
         title, a->boards, a->boards_without_scale, a->boards_unmatched, a->marks, a->found, a->missed, a->wrong,
         a->strays_drawn, a->strays_reported, a->falsely_within);
  if (a->found == 0)
    return;
  printf(
      "  error rms %.2f um, worst %.2f um; 95 %% intervals hold for %.1f %%, median half-width %.2f um, rms z %.2f\n",
      sqrt(a->sum_um2 / n), a->worst_um, 100.0 * (double)a->covered / n, sp_median(work, a->kept), sqrt(a->sum_z2 / n));
  printf("  squareness rms %.4f deg, worst %.4f; width rms %.4f mm, worst %.4f mm\n", sqrt(a->sum_square_deg2 / n),
         a->worst_square_deg, sqrt(a->sum_width_mm2 / (double)a->widths), a->worst_width_mm);
  if (a->edges == 0)
    return;
  const double edges = (double)a->edges;
  memcpy(work, a->edge_half_width_um, a->edges_kept * sizeof *work);
  printf("  edges (%zu): error rms %.2f um, worst %.2f um; 95 %% intervals hold for %.1f %%, median half-width %.2f um, "
         "rms z %.2f\n",
         a->edges, sqrt(a->sum_edge_um2 / edges), a->worst_edge_um, 100.0 * (double)a->edges_covered / edges,
         sp_median(work, a->edges_kept), sqrt(a->sum_edge_z2 / edges));
}
