/* oracle PRESET FIRST_SEED COUNT DPI FOLDER [key=value ...]: how near the lines found come to the best any fit could do.
 *
 * The check gets the picture only. The error of its line is taken on the glass, at the line's true middle, through the true
 * distortion of the axes: neither the reading of the rule nor the nut enters. Beside it stands the error of the estimator that
 * is told everything (oracle.c), and what the pixels' noise alone would make of that.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "oracle.h"
#include "slotproof/check.h"

/* A line further than this from where it is taken for has been confused with something else. */
static const double CONFUSED_MM = 0.3;

typedef struct sums {
  size_t drawn, both;
  double told2, noise2, line2, u_line2, whole2, u_whole2; /* mm^2 */
} sums;

static double cross(render_point a, render_point b)
{
  return a.x * b.y - a.y * b.x;
}

/* Where the check's line crosses the normal through the true middle, mm toward the bridge of it. */
static double line_error_mm(const oracle_line *l, const sp_mark_record *m)
{
  const render_axis *axis = l->on->truth->axis;
  const render_point a = render_glass_mm(axis, (render_point){m->end_a_px.x, m->end_a_px.y});
  const render_point b = render_glass_mm(axis, (render_point){m->end_b_px.x, m->end_b_px.y});
  const render_point way = {b.x - a.x, b.y - a.y}, from = {a.x - l->centre_mm.x, a.y - l->centre_mm.y};
  return cross(way, from) / cross(way, l->across);
}

static void compare(const oracle_board *on, const sp_record *record, sums *s)
{
  for (size_t i = 1; i < on->truth->mark_count; i++) {
    const render_mark *mark = &on->truth->mark[i];
    double told, noise;
    if (!mark->drawn)
      continue;
    s->drawn++;
    const oracle_line l = oracle_line_of(on, mark);
    const sp_mark_record *m = i < record->mark_count ? &record->marks[i] : NULL;
    const double whole = m && m->found ? m->error_mm - mark->error_mm : NAN;
    if (!(fabs(whole) < CONFUSED_MM) || !oracle_find_shift(&l, &told, &noise))
      continue;
    const double own = line_error_mm(&l, m);
    s->both++;
    s->told2 += told * told;
    s->noise2 += noise * noise;
    s->line2 += own * own;
    s->u_line2 += m->budget.line_mm * m->budget.line_mm;
    s->whole2 += whole * whole;
    s->u_whole2 += m->u_mm * m->u_mm;
  }
}

static bool check(const render_params *p, const char *path, sp_record *record)
{
  sp_layout layout = {0};
  sp_error err = {0};
  sp_check_options options;
  sp_check_options_init(&options);
  options.layout = &layout;
  options.reference.mpe_mm = 0.0;
  options.marks = p->marks == RENDER_SLOT ? SP_MARK_SLOT : SP_MARK_KNIFE;
  sp_status status = sp_layout_equal(p->scale_length_mm, p->frets, p->divisions, &layout, &err);
  if (!status)
    status = sp_check_picture(path, &options, record, NULL, &err);
  if (status)
    fprintf(stderr, "oracle: %s: %s\n", path, err.text);
  sp_layout_free(&layout);
  return status == SP_OK;
}

static bool one_board(const render_params *params, const profile_table *table, const char *path, render_truth *truth,
                      sums *s)
{
  char message[RENDER_MESSAGE] = "no memory";
  render_image image;
  oracle_board on;
  sp_record record;
  if (!render_board(params, &image, truth, message)) {
    fprintf(stderr, "oracle: %s\n", message);
    return false;
  }
  sp_record_init(&record);
  bool fine = oracle_board_open(&image, truth, table, &on) && render_write_png(&image, path, message);
  if (!fine)
    fprintf(stderr, "oracle: %s\n", message);
  fine = fine && check(params, path, &record);
  if (fine)
    compare(&on, &record, s);
  remove(path);
  sp_record_free(&record);
  oracle_board_free(&on);
  render_truth_free(truth);
  render_image_free(&image);
  return fine;
}

static void print(const char *preset, double dpi, const sums *s)
{
  const double n = (double)s->both, um = 1e3;
  printf("%s, %.0f dpi: %zu lines, %zu measured by both; rms along the board, um\n", preset, dpi, s->drawn, s->both);
  if (!s->both)
    return;
  printf("  told everything %.3f (from noise alone %.3f)   lines of the check %.3f (stated %.3f)   ratio %.2f\n",
         um * sqrt(s->told2 / n), um * sqrt(s->noise2 / n), um * sqrt(s->line2 / n), um * sqrt(s->u_line2 / n),
         sqrt(s->line2 / s->told2));
  printf("  whole check, with rule and nut: %.3f (stated %.3f)\n", um * sqrt(s->whole2 / n), um * sqrt(s->u_whole2 / n));
}

int main(int argc, char **argv)
{
  static profile_table table;
  static render_truth truth;
  render_difficulty level;
  sums s = {0};
  if (argc < 6 || !render_difficulty_named(argv[1], &level)) {
    fprintf(stderr, "usage: oracle PRESET FIRST_SEED COUNT DPI FOLDER [key=value ...]\n");
    return 64;
  }
  const unsigned long first = strtoul(argv[2], NULL, 10), count = strtoul(argv[3], NULL, 10);
  const double dpi = strtod(argv[4], NULL);
  profile_table_fill(&table);
  for (unsigned long seed = first; seed < first + count; seed++) {
    char path[600], message[RENDER_MESSAGE] = "";
    render_params params;
    render_params_random(&params, seed, level);
    params.dpi = dpi;
    for (int i = 6; i < argc; i++)
      if (!render_params_set(&params, argv[i], message)) {
        fprintf(stderr, "oracle: %s\n", message);
        return 64;
      }
    snprintf(path, sizeof path, "%s/oracle_%lu.png", argv[5], seed);
    if (!one_board(&params, &table, path, &truth, &s))
      return 70;
  }
  print(argv[1], dpi, &s);
  return fflush(stdout) == 0 ? 0 : 70;
}
