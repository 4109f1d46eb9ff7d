/* benchmark_batch: what a batch of many boards costs against so many single checks, as ratios from one run on one
 * machine.
 *
 * A few boards are drawn and linked under many names. The batch works on all of them; the single checks are the same
 * pictures one by one. Three things are looked at: the time by the clock against the processor time of the single
 * checks shared out over the cores (1 would be perfect: no core ever idle, nothing done twice), the part of all cores
 * that was kept busy, and the memory of the largest process as the number of boards grows.
 *
 * The figures are for reading, not for passing or failing. The exit status says only that everything ran: 0, or 70.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "child.h"
#include "render.h"

enum { PICTURES = 4, MOST_BOARDS = 1000 };
/* What is aimed at. */
static const double LIMIT_WALL = 1.15;

typedef struct setting {
  char *slotproof;
  const char *folder;
  bool tiny;
  int boards, records; /* in the large batch; records in the batch that only merges */
} setting;

typedef struct drawing {
  const setting *of;
  int number;
  char path[600];
} drawing;

static bool draw(void *context, double *result)
{
  static const char *const SHEET[] = {"scale_length_mm=430", "frets=14", "sheet_width_mm=210", "sheet_height_mm=297"};
  static const char *const TINY[] = {"scale_length_mm=120", "frets=7", "nut_width_mm=24", "end_width_mm=28"};
  const drawing *d = context;
  char message[RENDER_MESSAGE] = "";
  render_params params;
  render_image image;
  render_truth *truth = malloc(sizeof *truth);
  render_params_init(&params);
  params.seed = (uint64_t)(900 + d->number);
  params.dpi = d->of->tiny ? 300.0 : 600.0;
  bool fine = truth != NULL;
  for (int i = 0; fine && i < 4; i++)
    fine = render_params_set(&params, d->of->tiny ? TINY[i] : SHEET[i], message);
  fine = fine && render_board(&params, &image, truth, message) && render_write_png(&image, d->path, message);
  if (!fine)
    fprintf(stderr, "benchmark_batch: %s\n", message);
  result[0] = fine;
  return fine; /* the process ends with this */
}

/* FOLDER/KIND/boardN.ENDING, a link to picture or record N modulo PICTURES. */
static bool link_many(const setting *s, const char *kind, const char *ending, int count)
{
  char folder[600], path[700], target[700];
  snprintf(folder, sizeof folder, "%s/%s%d", s->folder, kind, count);
  if (mkdir(folder, 0755) != 0)
    return false;
  for (int i = 0; i < count; i++) {
    snprintf(path, sizeof path, "%s/board%d%s", folder, i, ending);
    snprintf(target, sizeof target, "%s/batch_bench_%d%s", s->folder, i % PICTURES, ending);
    if (symlink(target, path) != 0)
      return false;
  }
  return true;
}

static void unlink_many(const setting *s, const char *kind, const char *ending, int count)
{
  char path[700];
  for (int i = 0; i < count; i++) {
    snprintf(path, sizeof path, "%s/%s%d/board%d%s", s->folder, kind, count, i, ending);
    unlink(path);
  }
  snprintf(path, sizeof path, "%s/%s%d", s->folder, kind, count);
  rmdir(path);
}

static void source_name(const setting *s, int number, const char *ending, char into[static 700])
{
  snprintf(into, 700, "%s/batch_bench_%d%s", s->folder, number, ending);
}

/* One single check, its record kept. */
static bool check_one(const setting *s, int number, child_cost *cost)
{
  char picture[700], record[700];
  source_name(s, number, ".png", picture);
  source_name(s, number, ".json", record);
  char *const argv[] = {s->slotproof,     "check",
                        "--scale-length", s->tiny ? "120mm" : "430mm",
                        "--frets",        s->tiny ? "7" : "14",
                        "--format",       "json",
                        "--output",       record,
                        picture,          NULL};
  return child_program(argv, NULL, 0, cost) && cost->exit_status <= 2;
}

static bool run_batch(const setting *s, const char *kind, int count, child_cost *cost)
{
  char folder[700];
  snprintf(folder, sizeof folder, "%s/%s%d", s->folder, kind, count);
  char *const argv[] = {
      s->slotproof, "batch", "--scale-length", s->tiny ? "120mm" : "430mm", "--frets", s->tiny ? "7" : "14",
      folder,       NULL};
  return child_program(argv, NULL, 0, cost) && cost->exit_status <= 2;
}

static bool pictures(const setting *s)
{
  double cpu_ms = 0.0;
  child_cost one, small, large;
  for (int i = 0; i < PICTURES; i++) {
    if (!check_one(s, i, &one))
      return false;
    cpu_ms += one.cpu_ms / PICTURES;
  }
  const int few = s->boards / 10;
  bool fine = link_many(s, "batch_bench_scans", ".png", few) && link_many(s, "batch_bench_scans", ".png", s->boards) &&
              run_batch(s, "batch_bench_scans", few, &small) && run_batch(s, "batch_bench_scans", s->boards, &large);
  unlink_many(s, "batch_bench_scans", ".png", few);
  unlink_many(s, "batch_bench_scans", ".png", s->boards);
  if (!fine)
    return false;
  const double cores = (double)sysconf(_SC_NPROCESSORS_ONLN);
  printf("%d boards, %.0f cores: %.0f boards a minute\n", s->boards, cores, 60e3 * s->boards / large.wall_ms);
  printf("by the clock / (processor time of single checks / cores)  %.2f  (limit %.2f)\n",
         large.wall_ms / (s->boards * cpu_ms / cores), LIMIT_WALL);
  printf("processor time / that of single checks                    %.2f\n", large.cpu_ms / (s->boards * cpu_ms));
  printf("cores kept busy                                           %.0f %%\n",
         100.0 * large.cpu_ms / (large.wall_ms * cores));
  printf("largest process: %.1f MB with %d boards, %.1f MB with %d\n", 1e-6 * small.peak_bytes, few,
         1e-6 * large.peak_bytes, s->boards);
  return true;
}

/* Records alone: all memory is the parent's. */
static bool records(const setting *s)
{
  child_cost small, large;
  const int few = s->records / 10;
  const bool fine =
      link_many(s, "batch_bench_records", ".json", few) && link_many(s, "batch_bench_records", ".json", s->records) &&
      run_batch(s, "batch_bench_records", few, &small) && run_batch(s, "batch_bench_records", s->records, &large);
  unlink_many(s, "batch_bench_records", ".json", few);
  unlink_many(s, "batch_bench_records", ".json", s->records);
  if (fine)
    printf("the process that sums up: %.1f MB with %d boards, %.1f MB with %d: %.1f kB a board\n",
           1e-6 * small.peak_bytes, few, 1e-6 * large.peak_bytes, s->records,
           1e-3 * (large.peak_bytes - small.peak_bytes) / (s->records - few));
  return fine;
}

int main(int argc, char **argv)
{
  if (argc < 3 || argc > 4 || (argc == 4 && strcmp(argv[3], "tiny") != 0)) {
    fprintf(stderr,
            "usage: benchmark_batch SLOTPROOF FOLDER [tiny]\n"
            "Sets a batch of 100 boards at 600 dpi against single checks. FOLDER must be named from the root.\n");
    return 64;
  }
  const setting s = {argv[1], argv[2], argc == 4, argc == 4 ? 10 : 100, argc == 4 ? 20 : MOST_BOARDS};
  bool fine = true;
  for (int i = 0; fine && i < PICTURES; i++) {
    double done;
    drawing d = {.of = &s, .number = i};
    snprintf(d.path, sizeof d.path, "%s/batch_bench_%d.png", s.folder, i);
    fine = child_work(draw, &d, &done, 1);
  }
  fine = fine && pictures(&s) && records(&s);
  for (int i = 0; i < PICTURES; i++) {
    char path[700];
    source_name(&s, i, ".png", path);
    unlink(path);
    source_name(&s, i, ".json", path);
    unlink(path);
  }
  return fine && fflush(stdout) == 0 ? 0 : 70;
}
