/* One rendered board through the whole check, compared with its truth. */
#include "accuracy.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cjson/cJSON.h>

#include "random.h"
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

/* What is laid beside the board, or how it is scanned. */
typedef enum manner { WHOLE, WITH_STRIP, RULE_STILL, RULE_MOVED, STRIP_STILL, STRIP_MOVED } manner;

enum { MOST_PIECES = 3, STREAM_OF_PIECES = 950 };

/* A guitar's board, too long for the glass: 648 mm, 22 frets. */
static void make_long(render_params *p, random_source *source)
{
  p->scale_length_mm = 648.0;
  p->frets = 22;
  p->divisions = 12;
  p->nut_width_mm = random_between(source, 41.0, 44.0);
  p->end_width_mm = random_between(source, 53.0, 57.0);
  p->before_nut_mm = 2.0;
  p->after_last_mm = random_between(source, 3.0, 4.0);
  p->nut = RENDER_NUT_LINE;
  p->missing.count = p->stray.count = 0;
  p->rule_reversed = 0;
}

/* The same as a fan: a guitar's of seven strings, scale lengths 25 to 60 mm apart (common practice, no source). */
static void fan_out(render_params *p, random_source *source)
{
  p->nut_width_mm += 5.0;
  p->end_width_mm += 6.0;
  p->fan_nut_mm = p->nut_width_mm - random_between(source, 6.0, 8.0);
  p->fan_saddle_mm = p->fan_nut_mm + (p->end_width_mm - p->nut_width_mm) * 648.0 / 467.0;
  p->fan_square_fret = random_chance(source, 0.3) ? 0.0 : floor(random_between(source, 5.0, 12.0));
  /* no line leans by more than 24 degrees, about */
  const double square = 1.0 - pow(2.0, -p->fan_square_fret / 12.0), last = 1.0 - pow(2.0, -22.0 / 12.0);
  p->fan_mm = fmin(random_between(source, 25.0, 60.0), 0.45 * p->fan_nut_mm / fmax(square, last - square));
  /* the board ends clear of its outermost lines, which lean by what the difference is there over the spread */
  p->before_nut_mm = 2.5 + 0.5 * p->nut_width_mm * p->fan_mm * square / p->fan_nut_mm;
  p->after_last_mm = 3.0 + 0.5 * p->end_width_mm * p->fan_mm * (last - square) / p->fan_nut_mm;
}

/* A printed strip in the rule's place: of two pieces, lying still; or one, laid anew each time. */
static void lay_strip_beside(render_params *p, int k, bool moved, random_source *source)
{
  const double skew = p->rule_skew_deg;
  p->graduation = 0;
  p->strip_reversed = 0;
  p->strip_skew_deg = skew;
  p->strip_gap_mm = 3.0;
  if (moved) {
    p->strip_side = RENDER_STRIP_RIGHT;
    p->strip_start_mm = p->piece_from_mm + random_between(source, -12.0, 8.0);
  } else if (k == 0) {
    p->strip_side = RENDER_STRIP_LINE;
    p->strip_start_mm = -random_between(source, 6.0, 14.0);
    p->strip_join_mm = random_between(source, 2.0, 6.0);
    p->strip_second_skew_deg = random_between(source, -0.1, 0.1);
  }
}

/* Piece k of n: two or three scans of 250 mm, each turned on its own, some by quarter turns; one scanner. The rule lies
 * still beside the board, or is laid anew. */
static void lay_piece(render_params *p, int k, int n, manner how, random_source *source)
{
  const double begin = -p->before_nut_mm - 1.0, end = 467.0 + p->after_last_mm + 1.0;
  const double share = k / (n - 1.0), off = k > 0 && k < n - 1 ? random_between(source, -8.0, 8.0) : 0.0;
  const bool moved = how == RULE_MOVED || how == STRIP_MOVED, strip = how == STRIP_STILL || how == STRIP_MOVED;
  const double angle = random_between(source, 0.05, 0.25) * (random_chance(source, 0.5) ? 1.0 : -1.0);
  p->piece = k + 1;
  p->piece_from_mm = begin + share * (end - begin - 250.0) + off;
  p->piece_to_mm = p->piece_from_mm + 250.0;
  const double turn = p->rule_skew_deg - p->skew_deg;
  p->skew_deg = random_between(source, -1.3, 1.3);
  p->rule_skew_deg = p->skew_deg + (moved ? angle : turn);
  if (random_chance(source, 0.5))
    p->quarter_turns = random_below(source, 4);
  if (moved) {
    p->rule_start_mm = p->piece_from_mm - random_between(source, 4.0, 12.0);
    p->rule_length_mm = 250.0 + random_between(source, 12.0, 20.0);
  } else if (k == 0) {
    p->rule_start_mm = -random_between(source, 6.0, 14.0);
    p->rule_length_mm = 500.0;
  }
  if (strip)
    lay_strip_beside(p, k, moved, source);
}

/* "plain", "plain+strip", "plain+still", "plain+moved", "plain+stripstill", "plain+stripmoved". */
static bool parse_name(const char *name, render_difficulty *level, manner *how)
{
  char base[32];
  const char *plus = strchr(name, '+');
  const size_t length = plus ? (size_t)(plus - name) : strlen(name);
  if (length >= sizeof base)
    return false;
  memcpy(base, name, length);
  base[length] = '\0';
  *how = !plus                         ? WHOLE
         : strcmp(plus, "+strip") == 0 ? WITH_STRIP
         : strcmp(plus, "+still") == 0 ? RULE_STILL
         : strcmp(plus, "+moved") == 0 ? RULE_MOVED
         : strcmp(plus, "+stripstill") == 0 ? STRIP_STILL
         : strcmp(plus, "+stripmoved") == 0 ? STRIP_MOVED
                                       : WHOLE;
  return (!plus || *how != WHOLE) && render_difficulty_named(base, level);
}

/* One picture and its truth, unless they are there. */
static bool render_one(const render_params *params, const char *stem, char *picture, size_t room)
{
  char message[RENDER_MESSAGE] = "", path[600];
  render_image image;
  render_truth truth;
  snprintf(path, sizeof path, "%s.json", stem);
  snprintf(picture, room, "%s.%s", stem, params->jpeg ? "jpg" : "png");
  if (access(path, R_OK) == 0 && access(picture, R_OK) == 0)
    return true;
  if (!render_board(params, &image, &truth, message)) {
    fprintf(stderr, "%s\n", message);
    return false;
  }
  const bool fine = (params->jpeg ? render_write_jpeg(&image, picture, params->quality, message)
                                  : render_write_png(&image, picture, message)) &&
                    render_write_truth(&truth, path, message);
  render_image_free(&image);
  render_truth_free(&truth);
  if (!fine)
    fprintf(stderr, "%s\n", message);
  return fine;
}

/* All pictures of one board; `count` of them. The first one's truth lies at STEM.json or STEM_1.json. */
static bool render(const char *difficulty, unsigned long seed, double dpi, const char *stem,
                   char picture[MOST_PIECES][600], int *count)
{
  render_difficulty level;
  render_params params;
  manner how = WHOLE;
  if (!parse_name(difficulty, &level, &how)) {
    fprintf(stderr, "no difficulty '%s'\n", difficulty);
    return false;
  }
  render_params_random(&params, seed, level);
  params.dpi = dpi;
  *count = 1;
  if (how == WITH_STRIP)
    lay_strip(&params, seed);
  if (how == WHOLE || how == WITH_STRIP)
    return render_one(&params, stem, picture[0], sizeof picture[0]);
  random_source source = random_stream(seed, STREAM_OF_PIECES);
  make_long(&params, &source);
  if (params.fan_mm != 0.0)
    fan_out(&params, &source);
  *count = 2 + random_below(&source, 2);
  if (params.before_nut_mm + 467.0 + params.after_last_mm + 2.0 > 2.0 * 250.0 - 25.0)
    *count = 3; /* two would not overlap enough */
  for (int k = 0; k < *count; k++) {
    char part[560];
    lay_piece(&params, k, *count, how, &source);
    snprintf(part, sizeof part, "%s_%d", stem, k + 1);
    if (!render_one(&params, part, picture[k], sizeof picture[k]))
      return false;
  }
  return true;
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
    if (!isfinite(off_um)) /* its truth is not drawn */
      continue;
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
  double true_mm = number(truth, "error_mm");
  if (m->part.is_part) /* that of its middle */
    true_mm += 0.5 * (number(truth, "from_y_mm") + number(truth, "to_y_mm")) *
               (tan(number(truth, "angle_deg") / 57.29577951308232) -
                tan(number(truth, "layout_angle_deg") / 57.29577951308232));
  const double error_um = 1e3 * (m->error_mm - true_mm);
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

/* The layout that was drawn, as far as it is out of the ordinary. */
static sp_status set_apart(const cJSON *truth, sp_layout *layout, sp_error *err)
{
  const cJSON *drawn = cJSON_GetObjectItemCaseSensitive(truth, "params"), *pair;
  const double shift = number(drawn, "nut_shift_mm"), behind = number(drawn, "nut_behind_mm");
  sp_status status = isnan(shift) ? SP_OK : sp_layout_shift_nut(layout, shift, err);
  if (!status && isfinite(behind))
    status = sp_layout_zero_fret(layout, NAN, err);
  cJSON_ArrayForEach(pair,
                     cJSON_GetObjectItemCaseSensitive(cJSON_GetObjectItemCaseSensitive(truth, "layout"), "partial"))
  {
    const double share = cJSON_GetArrayItem(pair, 1)->valuedouble;
    /* the treble edge lies at smaller y, of a left-handed board at larger */
    const sp_width_part part = {.from_bass = (share < 0.0) != layout->left_handed, .end = fabs(share)};
    if (!status)
      status = sp_layout_set_part(layout, cJSON_GetArrayItem(pair, 0)->valueint, part, err);
  }
  return status;
}

static sp_status make_layout(const cJSON *truth, sp_layout *layout, sp_error *err)
{
  const cJSON *task = cJSON_GetObjectItemCaseSensitive(truth, "layout");
  const cJSON *steps = cJSON_GetObjectItemCaseSensitive(task, "steps_cents");
  const double scale = number(task, "scale_length_mm");
  const int32_t frets = (int32_t)number(task, "frets");
  double cents[RENDER_MAX_LIST];
  int n = 0;
  for (; n < cJSON_GetArraySize(steps) && n < RENDER_MAX_LIST; n++)
    cents[n] = cJSON_GetArrayItem(steps, n)->valuedouble;
  sp_status status = n ? sp_layout_steps(scale, frets, cents, (size_t)n, layout, err)
                       : sp_layout_equal(scale, frets, (int32_t)number(task, "divisions"), layout, err);
  if (!status && isfinite(number(task, "square_fret"))) {
    const sp_fan fan = {number(task, "bass_scale_length_mm"), number(task, "treble_scale_length_mm"),
                        number(task, "spread_nut_mm"), number(task, "spread_saddle_mm"), number(task, "square_fret")};
    layout->left_handed = is_word(task, "bass_side", "left");
    status = sp_layout_fan(&fan, layout, err);
  }
  return status ? status : set_apart(truth, layout, err);
}

static void print_joins(const char *picture, const sp_record *record)
{
  printf("%s\n", picture);
  for (size_t i = 0; i < record->join_count; i++) {
    const sp_join_record *j = &record->joins[i];
    printf(
        "    join: overlap %.1f mm, %zu marks (rms %.2f um), %zu places of wood (rms %.2f um), u %.2f um, p %.4f, rule "
        "%s (%.2f +- %.2f um), widened %.2f\n",
        j->overlap_mm, j->shared_marks, 1e3 * j->marks_rms_mm, j->wood_places, 1e3 * j->wood_rms_mm,
        1e3 * j->u_shift_mm, j->p, j->rule, 1e3 * j->rule_off_mm, 1e3 * j->u_rule_off_mm, j->widened);
  }
}

bool accuracy_add(accuracy *a, const char *difficulty, unsigned long seed, double dpi, const char *stem, bool verbose)
{
  char picture[MOST_PIECES][600], path[600];
  int count = 0;
  if (!render(difficulty, seed, dpi, stem, picture, &count))
    return false;
  snprintf(path, sizeof path, count > 1 ? "%s_1.json" : "%s.json", stem);
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
    status = make_layout(truth, &layout, &err);
  if (!status) {
    options.layout = &layout;
    options.reference.mpe_mm = 0.0;
    const cJSON *drawn = cJSON_GetObjectItemCaseSensitive(truth, "params");
    if (number(drawn, "strip_side") > 0.0) { /* as calipers would read it if they were perfect */
      options.reference.strip_length_mm = 139.7 * (1.0 + number(drawn, "strip_error_along"));
      options.reference.strip_width_mm = 127.0 * (1.0 + number(drawn, "strip_error_across"));
    }
    options.marks = is_word(truth, "mark_kind", "slot")   ? SP_MARK_SLOT
                    : is_word(truth, "mark_kind", "wire") ? SP_MARK_WIRE
                                                          : SP_MARK_KNIFE;
    const char *const paths[MOST_PIECES] = {picture[0], picture[1], picture[2]};
    size_t at_fault;
    status = count > 1 ? sp_check_pieces(paths, (size_t)count, &options, &record, &at_fault, &err)
                       : sp_check_picture(picture[0], &options, &record, NULL, &err);
  }
  if (status)
    fprintf(stderr, "%s: %s\n", picture[0], err.text);
  else {
    if (verbose)
      print_joins(picture[0], &record);
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
