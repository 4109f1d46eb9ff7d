/* How the saw went: drawn slots with a known wander and walls that are known not to be parallel, against the record.
 * Called with the program as its one argument.
 *
 * Each figure has to lie within what is stated of it on the whole (a standard uncertainty holds about two in three,
 * twice that nineteen in twenty), and near enough to be of use. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "drawn.h"
#include "outside.h"

/* What is compared: the record's field, its uncertainty, and how far off it may be, mm, rms over all slots. */
typedef struct figure {
  const char *name, *u_name;
  double most_rms_mm;
  double sum2, worst;
  size_t count, held;
} figure;

static void add(figure *f, double measured, double u, double truth)
{
  const double off = measured - truth;
  f->sum2 += off * off;
  f->worst = fmax(f->worst, fabs(off));
  f->count++;
  f->held += fabs(off) <= 2.0 * u;
}

static void check_figure(const figure *f)
{
  const double rms = sqrt(f->sum2 / (double)f->count), held = (double)f->held / (double)f->count;
  printf("  %-16s %3zu slots: rms %.4f mm, worst %.4f mm, within twice u %.3f\n", f->name, f->count, rms, f->worst,
         held);
  CHECK_BELOW(rms, f->most_rms_mm);
  CHECK_BELOW(0.90, held);
}

typedef enum which { WIDENING, KERF_A, KERF_B, SPREAD, WANDER, WORST, FIGURES } which;

/* A kerf that widens evenly by w has a standard deviation of w / sqrt(12) along the slot. */
static double truth_of(which k, const cJSON *m)
{
  const double width = number(m, "width_mm"), widening = number(m, "widening_mm");
  switch (k) {
  case WIDENING:
    return widening;
  case KERF_A:
    return width - 0.5 * widening;
  case KERF_B:
    return width + 0.5 * widening;
  case SPREAD:
    return fabs(widening) / sqrt(12.0);
  case WANDER:
    return number(m, "wander_um") / 1000.0;
  default:
    return fabs(number(m, "wander_worst_mm"));
  }
}

/* Draws and checks one board; free both with cJSON_Delete. */
static cJSON *board(uint64_t seed, const char *const *settings, cJSON **truth)
{
  char line[300];
  draw_random(seed, "slot", settings, "slots.png", "slots.json");
  *truth = outside_parsed("slots.json");
  const cJSON *layout = member(*truth, "layout");
  snprintf(line, sizeof line,
           "check --marks slot --tolerance 5mm --reference-mpe 0mm --scale-length %.9gmm --frets %.0f slots.png",
           number(layout, "scale_length_mm"), number(layout, "frets"));
  return outside_json(line, 0);
}

static void add_board(uint64_t seed, const char *const *settings, figure *figures)
{
  cJSON *truth, *r = board(seed, settings, &truth);
  const int count = cJSON_GetArraySize(member(truth, "marks"));
  for (int fret = 1; fret < count; fret++) {
    const cJSON *t = mark(truth, fret), *slot = member(mark(r, fret), "slot");
    assert_true(cJSON_IsObject(slot));
    for (int k = 0; k < FIGURES; k++) {
      const double value = number(slot, figures[k].name);
      add(&figures[k], k == WORST ? fabs(value) : value, number(slot, figures[k].u_name), truth_of((which)k, t));
    }
  }
  cJSON_Delete(truth);
  cJSON_Delete(r);
}

static void figures_hold(void **state)
{
  (void)state;
  static const char *const BOARDS[][4] = {
      {"jpeg=0", "slot_wander_um=0", "slot_widening_mm=0.03", NULL},
      {"jpeg=0", "slot_wander_um=25", "slot_widening_mm=0", NULL},
      {"jpeg=0", "slot_wander_um=70", "slot_widening_mm=-0.12", NULL},
  };
  figure figures[FIGURES] = {[WIDENING] = {"widening_mm", "u_widening_mm", 0.006, 0, 0, 0, 0},
                             [KERF_A] = {"kerf_a_mm", "u_kerf_end_mm", 0.004, 0, 0, 0, 0},
                             [KERF_B] = {"kerf_b_mm", "u_kerf_end_mm", 0.004, 0, 0, 0, 0},
                             [SPREAD] = {"kerf_sd_mm", "u_kerf_sd_mm", 0.003, 0, 0, 0, 0},
                             [WANDER] = {"wander_mm", "u_wander_mm", 0.004, 0, 0, 0, 0},
                             [WORST] = {"wander_worst_mm", "u_wander_worst_mm", 0.015, 0, 0, 0, 0}};
  for (size_t b = 0; b < sizeof BOARDS / sizeof *BOARDS; b++)
    add_board(71001 + b, BOARDS[b], figures);
  for (int k = 0; k < FIGURES; k++)
    check_figure(&figures[k]);
}

/* What is worth a word is said, of the right end, and nothing of slots that run true. */
static void troubles_are_said(void **state)
{
  (void)state;
  static const char *const TRUE_ONES[] = {"jpeg=0", NULL}, *const WEDGES[] = {"jpeg=0", "slot_widening_mm=0.15", NULL};
  cJSON *truth, *r = board(71011, TRUE_ONES, &truth);
  const int count = cJSON_GetArraySize(member(truth, "marks"));
  for (int fret = 1; fret < count; fret++)
    assert_int_equal(cJSON_GetArraySize(member(member(mark(r, fret), "slot"), "troubles")), 0);
  cJSON_Delete(r);
  cJSON_Delete(truth);
  r = board(71012, WEDGES, &truth);
  for (int fret = 1; fret < cJSON_GetArraySize(member(truth, "marks")); fret++) {
    const cJSON *slot = member(mark(r, fret), "slot"), *troubles = member(slot, "troubles");
    assert_int_equal(cJSON_GetArraySize(troubles), 1);
    assert_string_equal(cJSON_GetArrayItem(troubles, 0)->valuestring, "widens");
    /* walls 0.15 mm apart at one end more than at the other lean away from each other by 0.15 mm over the length */
    const cJSON *t = mark(truth, fret);
    const double length = number(t, "to_y_mm") - number(t, "from_y_mm");
    const double lean = number(slot, "bridge_wall_squareness_deg") - number(slot, "nut_wall_squareness_deg");
    CHECK_CLOSE(lean, 57.29577951 * 0.15 / length, 0.02);
  }
  cJSON_Delete(r);
  cJSON_Delete(truth);
}

static int leave(void **state)
{
  (void)state;
  return outside_leave();
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(figures_hold), cmocka_unit_test(troubles_are_said)};
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_slots PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
