/* benchmark: what a check costs, as ratios taken in one run on one machine.
 *
 * Milliseconds mean nothing on another machine, and little on this one a minute later. So the check of a scanned sheet is
 * set against the time that a general-purpose library (OpenCV's imread) needs merely to decode the same file: runs of either
 * alternate, and the medians of each are divided. Processor time (user and system) of the WHOLE check, from the start of the
 * program to its end, stands against that of the decoding call alone.
 *
 * The figures are for reading, not for passing or failing. The exit status says only that everything ran: 0, or 70.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "child.h"
#include "render.h"
#include "slotproof/check.h"
#include "slotproof/marks.h"
#include "slotproof/numeric.h"
#include "slotproof/reference.h"
#include "slotproof/scene.h"

enum { MAX_RUNS = 15, STAGES = 4, RESOLUTIONS = 3 };
/* What is aimed at: the whole check against decoding alone; peak memory in bytes a grey pixel and besides. */
static const double LIMIT_PNG = 1.5, LIMIT_JPEG = 2.0, LIMIT_PHOTO = 3.0, LIMIT_BYTES_PER_PIXEL = 1.5, LIMIT_BYTES = 100e6;

/* An invented board as scans have them: slightly askew, one-sided burr, scratches, dust, a note in pencil. */
static const char *const BOARD[] = {"skew_deg=0.4",   "rule_skew_deg=0.3", "wave_count=2", "waviness_um=2",
                                    "burr_sides=1",   "scratches=6",       "dust=20",      "writing=1",
                                    "square_scratches=2", "graduation=0.5mm"};
static const char *const SHEET_A4[] = {"scale_length_mm=430", "frets=14", "sheet_width_mm=210", "sheet_height_mm=297"};
static const char *const SHEET_TINY[] = {"scale_length_mm=120", "frets=7", "nut_width_mm=24", "end_width_mm=28"};

/* The same as a telephone takes it: 12 megapixels, in colour, slantwise, through a lens that bends. */
static const char *const PHOTO[] = {"photo=1",           "colour=1",          "photo_tilt_x_deg=3", "photo_tilt_y_deg=-2",
                                    "photo_roll_deg=2",  "photo_k1=-0.03",    "photo_exposed=1",    "photo_shadows=1",
                                    "photo_sharpen=0.5", "photo_states_focal=1"};
static const char *const PHOTO_TINY[] = {"photo_width_px=1600", "photo_height_px=1200"};

typedef struct setting {
  char *slotproof, *decoder;
  const char *folder;
  bool tiny;
  int runs;
  double dpi[RESOLUTIONS];
} setting;

typedef struct picture {
  const setting *of;
  double dpi;
  bool photo;
  char png[600], jpeg[600];
  double width_px, height_px;
} picture;

/* ---- the picture ---------------------------------------------------------------------------------------------------- */

static bool set_all(render_params *params, const char *const *list, size_t count, char *message)
{
  for (size_t i = 0; i < count; i++)
    if (!render_params_set(params, list[i], message))
      return false;
  return true;
}

static bool draw(void *context, double *result)
{
  const picture *p = context;
  char message[RENDER_MESSAGE] = "";
  render_params params;
  render_image image;
  render_truth *truth = malloc(sizeof *truth);
  render_params_init(&params);
  params.dpi = p->dpi;
  const bool set = truth && set_all(&params, BOARD, sizeof BOARD / sizeof *BOARD, message) &&
                   set_all(&params, p->of->tiny ? SHEET_TINY : SHEET_A4, 4, message);
  const bool taken = set && (!p->photo || set_all(&params, PHOTO, sizeof PHOTO / sizeof *PHOTO, message)) &&
                     (!p->photo || !p->of->tiny || set_all(&params, PHOTO_TINY, 2, message));
  const bool fine = taken && render_board(&params, &image, truth, message) &&
                    render_write_png(&image, p->png, message) && render_write_jpeg(&image, p->jpeg, 92, message);
  if (!fine) {
    fprintf(stderr, "benchmark: %s\n", message);
    return false; /* the process ends with this */
  }
  result[0] = image.width_px;
  result[1] = image.height_px;
  render_image_free(&image);
  render_truth_free(truth);
  free(truth);
  return true;
}

static bool make_picture(const setting *of, double dpi, bool photo, picture *p)
{
  double size[2];
  *p = (picture){.of = of, .dpi = dpi, .photo = photo};
  snprintf(p->png, sizeof p->png, "%s/bench_%.0f.png", of->folder, dpi);
  snprintf(p->jpeg, sizeof p->jpeg, "%s/bench_%.0f.jpg", of->folder, dpi);
  if (!child_work(draw, p, size, 2))
    return false;
  p->width_px = size[0];
  p->height_px = size[1];
  return true;
}

static void remove_picture(const picture *p)
{
  remove(p->png);
  remove(p->jpeg);
}

/* ---- check against decoding ----------------------------------------------------------------------------------------- */

typedef struct versus {
  double check_ms[MAX_RUNS], check_wall_ms[MAX_RUNS], peak_bytes[MAX_RUNS];
  double decode_ms[MAX_RUNS], decode_wall_ms[MAX_RUNS], grey_ms[MAX_RUNS];
  int exit_status;
} versus;

static bool check_once(const setting *s, char *file, child_cost *cost)
{
  char *const argv[] = {s->slotproof, "check", "--scale-length", s->tiny ? "120mm" : "430mm", "--frets",
                        s->tiny ? "7" : "14", file, NULL};
  if (!child_program(argv, NULL, 0, cost))
    return false;
  if (cost->exit_status >= 0 && cost->exit_status <= 2)
    return true;
  fprintf(stderr, "benchmark: the check of %s ended with status %d\n", file, cost->exit_status);
  return false;
}

static bool decode_once(const setting *s, char *file, char *mode, double *cpu_ms, double *wall_ms)
{
  char *const argv[] = {s->decoder, file, mode, NULL};
  char text[80];
  child_cost cost;
  if (!child_program(argv, text, sizeof text, &cost))
    return false;
  if (cost.exit_status == 0 && sscanf(text, "%lf %lf", cpu_ms, wall_ms) == 2 && *cpu_ms > 0.0)
    return true;
  fprintf(stderr, "benchmark: decoding %s failed\n", file);
  return false;
}

static bool compare(const setting *s, char *file, versus *v)
{
  for (int i = 0; i < s->runs; i++) {
    child_cost cost;
    double wall;
    if (!check_once(s, file, &cost) || !decode_once(s, file, "unchanged", &v->decode_ms[i], &v->decode_wall_ms[i]) ||
        !decode_once(s, file, "grey", &v->grey_ms[i], &wall))
      return false;
    v->check_ms[i] = cost.cpu_ms;
    v->check_wall_ms[i] = cost.wall_ms;
    v->peak_bytes[i] = cost.peak_bytes;
    v->exit_status = cost.exit_status;
  }
  return true;
}

/* sp_median puts the values in another order; here they stay. */
static double median_of(const double *value, int count)
{
  double work[MAX_RUNS];
  memcpy(work, value, (size_t)count * sizeof *work);
  return sp_median(work, (size_t)count);
}

static void print_versus(const char *name, double limit, const picture *p, const versus *v)
{
  const int n = p->of->runs;
  const double check = median_of(v->check_ms, n), decode = median_of(v->decode_ms, n);
  const double wall = median_of(v->check_wall_ms, n), decode_wall = median_of(v->decode_wall_ms, n);
  const double peak = median_of(v->peak_bytes, n);
  const double most = LIMIT_BYTES_PER_PIXEL * p->width_px * p->height_px + LIMIT_BYTES;
  printf("%-4s  check / decode  %.2f  (limit %.1f; by the clock %.2f; decode to grey %.2f)   %.0f ms / %.0f ms\n", name,
         check / decode, limit, wall / decode_wall, check / median_of(v->grey_ms, n), check, decode);
  printf("      peak memory / limit  %.2f  (%.0f MB of %.0f MB)   the check ended with status %d\n", peak / most,
         1e-6 * peak, 1e-6 * most, v->exit_status);
}

static bool against_decoding(const setting *s)
{
  picture p;
  versus png = {.exit_status = 0}, jpeg = {.exit_status = 0};
  if (!make_picture(s, s->dpi[1], false, &p))
    return false;
  printf("%.0f dpi, grey, %.0f x %.0f pixels; medians of %d runs, processor time\n", p.dpi, p.width_px, p.height_px,
         s->runs);
  const bool fine = compare(s, p.png, &png) && compare(s, p.jpeg, &jpeg);
  remove_picture(&p);
  if (!fine)
    return false;
  print_versus("PNG", LIMIT_PNG, &p, &png);
  print_versus("JPEG", LIMIT_JPEG, &p, &jpeg);
  return true;
}

/* What a photograph costs more: it is straightened before it is read. */
static bool photograph_against_decoding(const setting *s)
{
  picture p;
  versus jpeg = {.exit_status = 0};
  if (!make_picture(s, s->dpi[1], true, &p))
    return false;
  const bool fine = compare(s, p.jpeg, &jpeg);
  remove_picture(&p);
  if (!fine)
    return false;
  printf("photograph, colour, %.0f x %.0f pixels\n", p.width_px, p.height_px);
  print_versus("JPEG", LIMIT_PHOTO, &p, &jpeg);
  return true;
}

/* ---- where the time goes -------------------------------------------------------------------------------------------- */

static double cpu_ms(void)
{
  struct timespec t = {0};
  clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
  return 1e3 * (double)t.tv_sec + 1e-6 * (double)t.tv_nsec;
}

static sp_status find_marks(const sp_scene *scene, const sp_reference *r, sp_error *err)
{
  sp_marks marks = {0};
  sp_marks_options o = {.kind = SP_MARK_KNIFE, .px_per_mm = 12.0, .blur_px = r->blur_px};
  if (r->map.known) {
    o.px_per_mm = 1.0 / r->map.across_mm_per_px;
    o.along_known = o.has_rule = r->has_band;
    o.along = r->map.along;
    o.rule_v0_px = r->band_v0_px;
    o.rule_v1_px = r->band_v1_px;
    o.rule_slope = r->slope;
  }
  const sp_status status = sp_marks_find(scene, &o, &marks, err);
  sp_marks_free(&marks);
  return status;
}

/* The stages as the check calls them, once, in fresh memory. */
static bool stages(void *context, double *ms)
{
  const char *file = context;
  sp_raster raster = {0};
  sp_picture_info info;
  sp_scene scene = {0};
  sp_reference reference = {0};
  sp_check_options options;
  sp_error err = {0};
  double at[STAGES + 1] = {cpu_ms()};
  sp_check_options_init(&options);
  sp_status status = sp_read_picture(file, NULL, &raster, &info, &err);
  at[1] = cpu_ms();
  if (!status)
    status = sp_scene_create(&raster, &scene, &err);
  at[2] = cpu_ms();
  if (!status)
    status = sp_reference_read(&scene, info.stated_dpi_x, info.stated_dpi_y, &options.reference, &reference, &err);
  at[3] = cpu_ms();
  if (!status)
    status = find_marks(&scene, &reference, &err);
  at[4] = cpu_ms();
  for (int k = 0; k < STAGES; k++)
    ms[k] = at[k + 1] - at[k];
  if (status)
    fprintf(stderr, "benchmark: %s: %s\n", file, err.text);
  sp_reference_free(&reference);
  sp_scene_free(&scene);
  sp_raster_free(&raster);
  return status == SP_OK;
}

static bool print_stages(const setting *s, char *file, double whole_ms)
{
  static const char *const NAMES[STAGES] = {"reading", "strips", "reference", "marks"};
  double each[STAGES][MAX_RUNS], ms[STAGES], rest = 1.0;
  for (int i = 0; i < s->runs; i++) {
    if (!child_work(stages, file, ms, STAGES))
      return false;
    for (int k = 0; k < STAGES; k++)
      each[k][i] = ms[k];
  }
  printf("      ");
  for (int k = 0; k < STAGES; k++) {
    const double share = median_of(each[k], s->runs) / whole_ms;
    rest -= share;
    printf("%s %.0f %%  ", NAMES[k], 100.0 * share);
  }
  printf("rest (start of the program, matching, verdict, report) %.0f %%\n", 100.0 * rest);
  return true;
}

/* ---- growth with resolution ----------------------------------------------------------------------------------------- */

static bool growth(const setting *s)
{
  double first = NAN;
  printf("\nThe same board at several resolutions (PNG): time a pixel against the first, peak bytes a pixel, shares\n");
  for (int r = 0; r < RESOLUTIONS; r++) {
    double ms[MAX_RUNS], peak[MAX_RUNS];
    picture p;
    bool fine = make_picture(s, s->dpi[r], false, &p);
    for (int i = 0; fine && i < s->runs; i++) {
      child_cost cost;
      fine = check_once(s, p.png, &cost);
      ms[i] = cost.cpu_ms;
      peak[i] = cost.peak_bytes;
    }
    if (fine) {
      const double pixels = p.width_px * p.height_px, whole = median_of(ms, s->runs);
      first = r == 0 ? whole / pixels : first;
      printf("%4.0f dpi  %.2f  (%.1f ns a pixel, %.0f ms)   %.2f bytes a pixel\n", p.dpi, whole / pixels / first,
             1e6 * whole / pixels, whole, median_of(peak, s->runs) / pixels);
      fine = print_stages(s, p.png, whole);
    }
    remove_picture(&p);
    if (!fine)
      return false;
  }
  return true;
}

int main(int argc, char **argv)
{
  if (argc < 4 || argc > 5 || (argc == 5 && strcmp(argv[4], "tiny") != 0)) {
    fprintf(stderr, "usage: benchmark SLOTPROOF BENCH_DECODE FOLDER [tiny]\n"
                    "Sets the time of a check against that of decoding alone. Pictures of up to 140 million pixels are\n"
                    "drawn in FOLDER and removed again; tiny: a small one, only to see that everything runs.\n");
    return 64;
  }
  setting s = {.slotproof = argv[1], .decoder = argv[2], .folder = argv[3], .tiny = argc == 5};
  static const double FULL_DPI[RESOLUTIONS] = {300.0, 600.0, 1200.0}, TINY_DPI[RESOLUTIONS] = {300.0, 400.0, 500.0};
  s.runs = s.tiny ? 1 : 5;
  memcpy(s.dpi, s.tiny ? TINY_DPI : FULL_DPI, sizeof s.dpi);
  const bool fine = against_decoding(&s) && photograph_against_decoding(&s) && growth(&s);
  return fine && fflush(stdout) == 0 ? 0 : 70;
}
