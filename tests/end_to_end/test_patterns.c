/* Findings through pictures: good boards get none, a board with one fault gets that one. Called with the program as its
 * one argument. SLOTPROOF_FIGURES draws thirty good boards instead of six.
 *
 * Simulated errors are tested by the hundred in tests/unit/test_findings.c; this is to show that drawing, scanning and
 * measuring leave those figures as they are. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "drawn.h"
#include "outside.h"

enum { FRETS = 24, SETTINGS = 12, TEXT = 900 };
static const double SCALE_MM = 330.0;

/* ---- good boards ------------------------------------------------------------------------------------------------ */

static size_t findings_of(const char *picture, const char *truth)
{
  char line[300];
  cJSON *json = outside_parsed(truth);
  const cJSON *layout = member(json, "layout");
  snprintf(line, sizeof line, "check --format json --marks %s --tolerance 5mm --scale-length %.9gmm --frets %.0f %s",
           word(json, "mark_kind"), number(layout, "scale_length_mm"), number(layout, "frets"), picture);
  const outside_result *o = outside_run(line);
  assert_true(o->status == 0 || o->status == 2); /* a faint line may be missed: not what is asked here */
  cJSON *r = cJSON_Parse(o->out);
  const size_t count = (size_t)cJSON_GetArraySize(member(r, "findings"));
  if (count)
    fprintf(stderr, "  %s\n", word(cJSON_GetArrayItem(member(r, "findings"), 0), "text"));
  cJSON_Delete(r);
  cJSON_Delete(json);
  return count;
}

static void good_boards_get_none(void **state)
{
  (void)state;
  static const char *const NOTHING[] = {"jpeg=0", NULL};
  const uint64_t boards = getenv("SLOTPROOF_FIGURES") ? 30 : 6;
  for (uint64_t b = 0; b < boards; b++) {
    draw_random(81001 + b, b % 2 ? "slot" : "plain", NOTHING, "good.png", "good.json");
    assert_int_equal(findings_of("good.png", "good.json"), 0);
  }
}

/* ---- one fault -------------------------------------------------------------------------------------------------- */

/* Even, from -1 to 1, by Marsaglia's xorshift (J. Stat. Softw. 8(14), 2003). */
static double throw_dice(uint64_t *state)
{
  *state ^= *state << 13;
  *state ^= *state >> 7;
  *state ^= *state << 17;
  return (double)(*state >> 11) / 4503599627370496.0 - 1.0;
}

static double place_mm(int fret)
{
  return SCALE_MM * (1.0 - exp2(-fret / 12.0));
}

/* Error of one fret; `hand` is an even throw of 0.06 mm either way. */
typedef double (*fault)(int fret, double hand, double *walk);

static double all_shifted(int fret, double hand, double *walk)
{
  (void)fret, (void)walk;
  return 0.4 + hand;
}

/* The slots are 0.58 mm wide. */
static double beside_the_line(int fret, double hand, double *walk)
{
  (void)fret, (void)walk;
  return -0.29 + hand;
}

static double stretched(int fret, double hand, double *walk)
{
  (void)walk;
  return 1.5 * place_mm(fret) / place_mm(FRETS) + hand;
}

static double shifted_from_eleven(int fret, double hand, double *walk)
{
  (void)walk;
  return (fret >= 11 ? 0.5 : 0.0) + hand;
}

static double one_misread(int fret, double hand, double *walk)
{
  (void)walk;
  return (fret == 14 ? -1.0 : 0.0) + hand;
}

/* 17/18 of what is left, each time. */
static double by_the_rule_of_18(int fret, double hand, double *walk)
{
  (void)walk;
  return SCALE_MM * (1.0 - pow(17.0 / 18.0, fret)) - place_mm(fret) + hand;
}

static double stepped(int fret, double hand, double *walk)
{
  (void)fret;
  return *walk += 1.5 * hand;
}

/* Draws the board; a fret's errors are told to the renderer one by one. */
static void draw_fault(fault make, const char *kind_setting, uint64_t dice)
{
  char misplace[TEXT] = "misplace=";
  double walk = 0.0;
  for (int fret = 1; fret <= FRETS; fret++) {
    const size_t used = strlen(misplace);
    snprintf(misplace + used, sizeof misplace - used, "%s%d:%.4f", fret > 1 ? "," : "", fret,
             make(fret, 0.06 * throw_dice(&dice), &walk));
  }
  const char *const settings[SETTINGS] = {
      "dpi=400",         "scale_length_mm=330", "frets=24", misplace, "slot_width_mm=0.58",
      "slot_level=0.15", kind_setting,          NULL};
  draw(dice, settings, "fault.png", NULL);
}

static void one_fault_is_named(void **state)
{
  (void)state;
  static const struct {
    fault make;
    const char *kind, *marks;
  } FAULTS[] = {{all_shifted, "offset", "knife"},          {beside_the_line, "half-kerf", "slot"},
                {stretched, "other-scale-length", "slot"}, {shifted_from_eleven, "second-datum", "knife"},
                {one_misread, "misread", "knife"},         {by_the_rule_of_18, "rule-of-18", "slot"},
                {stepped, "stepped-off", "knife"}};
  for (size_t i = 0; i < sizeof FAULTS / sizeof *FAULTS; i++) {
    char marks[40], line[200];
    snprintf(marks, sizeof marks, "marks=%s", FAULTS[i].marks);
    snprintf(line, sizeof line, "check --marks %s --tolerance 5mm --scale-length 330mm --frets 24 fault.png",
             FAULTS[i].marks);
    draw_fault(FAULTS[i].make, marks, 0x2545f4914f6cdd1du + i);
    cJSON *r = outside_json(line, 0);
    const cJSON *findings = member(r, "findings");
    for (int f = 0; f < cJSON_GetArraySize(findings); f++)
      printf("  %s: %s\n", FAULTS[i].kind, word(cJSON_GetArrayItem(findings, f), "text"));
    assert_int_equal(cJSON_GetArraySize(findings), 1);
    assert_string_equal(word(cJSON_GetArrayItem(findings, 0), "kind"), FAULTS[i].kind);
    cJSON_Delete(r);
  }
}

static int leave(void **state)
{
  (void)state;
  return outside_leave();
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(good_boards_get_none), cmocka_unit_test(one_fault_is_named)};
  if (argc != 2 || !outside_enter(argv[1])) {
    fprintf(stderr, "usage: test_patterns PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, NULL, leave);
}
