/* What the findings name and what they leave alone, on simulated boards.
 *
 * Statistical tests with a fixed seed: of boards with random hand error alone fewer than 1 % may get any finding, of
 * boards with one fault at the size that the header states 95 % have to get that finding and first. Normal deviates
 * after Box & Muller (Ann. Math. Stat. 29, 1958), uniform ones from Marsaglia's 64-bit xorshift (J. Stat. Softw. 8(14),
 * 2003). */
#include "check_close.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_cdf.h>

#include "findings/findings_internal.h"
#include "slotproof/numeric.h"

enum { MOST_FRETS = 24, QUARTER_TONES = 48, GOOD_BOARDS = 1000, FAULTY_BOARDS = 160 };

/* ---- chance ----------------------------------------------------------------------------------------------------- */

typedef struct dice {
  uint64_t state;
} dice;

static double uniform(dice *d)
{
  d->state ^= d->state << 13;
  d->state ^= d->state >> 7;
  d->state ^= d->state << 17;
  return ((double)(d->state >> 11) + 0.5) / 9007199254740992.0;
}

static double normal(dice *d)
{
  const double radius = sqrt(-2.0 * log(uniform(d)));
  return radius * cos(2.0 * SP_PI * uniform(d));
}

static double between(dice *d, double low, double high)
{
  return low + (high - low) * uniform(d);
}

static int whole_between(dice *d, int low, int high)
{
  return low + (int)(uniform(d) * (high - low + 1));
}

static double either_sign(dice *d)
{
  return uniform(d) < 0.5 ? -1.0 : 1.0;
}

/* Throws stand in statements of their own: in which order one statement makes them is the compiler's choice. */

/* ---- boards ----------------------------------------------------------------------------------------------------- */

typedef struct board {
  sp_layout layout;
  sp_record record;
  double sd_mm;
} board;

static void measure(dice *d, board *b)
{
  const double rule = 0.02 * normal(d) / b->layout.position_mm[b->layout.frets];
  const double map = normal(d);
  b->record.datum_u_mm = 0.005;
  const double datum = b->record.datum_u_mm * normal(d);
  for (int32_t k = 1; k <= b->layout.frets; k++) {
    sp_mark_record *m = &b->record.marks[k];
    const double x = m->layout_mm, last = b->layout.position_mm[b->layout.frets];
    m->budget = (sp_budget){0.006, 0.004, 0.005, 0.02 * x / last, NAN};
    m->u_mm = sqrt(0.006 * 0.006 + 0.004 * 0.004 + 0.005 * 0.005 + m->budget.rule_mm * m->budget.rule_mm);
    m->error_mm += 0.006 * normal(d) + 0.004 * map + datum + rule * x;
    m->squareness_deg += 0.02 * normal(d);
    m->u_squareness_deg = 0.03;
    m->x_mm = m->layout_mm + m->error_mm;
  }
}

/* Hand error alone. `nut_sds`: the nut's own hand error, in units of the frets'. */
static void board_make(dice *d, int32_t frets, double sd_mm, double nut_sds, board *b)
{
  const double lengths[] = {345.0, 381.0, 432.0, 628.65, 650.0, 762.0};
  sp_record_init(&b->record);
  b->sd_mm = sd_mm;
  assert_int_equal(sp_layout_equal(lengths[whole_between(d, 0, 5)], frets, 12, &b->layout, NULL), SP_OK);
  b->record.marks = calloc((size_t)frets + 1, sizeof *b->record.marks);
  assert_non_null(b->record.marks);
  b->record.mark_count = (size_t)frets + 1;
  b->record.frets = frets;
  b->record.scale_length_mm = b->layout.scale_length_mm;
  b->record.datum = SP_DATUM_LINE;
  const double nut = nut_sds * sd_mm * normal(d);
  for (int32_t k = 0; k <= frets; k++) {
    sp_mark_record *m = &b->record.marks[k];
    m->fret = k;
    m->found = true;
    m->layout_mm = b->layout.position_mm[k];
    m->error_mm = k ? sd_mm * normal(d) - nut : 0.0;
    m->squareness_deg = 0.1 * normal(d);
    m->width_mm = NAN;
  }
}

static void lose_some(dice *d, board *b)
{
  for (int32_t k = 1; k <= b->layout.frets; k++)
    if (uniform(d) < 0.05) {
      b->record.marks[k].found = false;
      b->record.marks[k].error_mm = b->record.marks[k].u_mm = NAN;
      b->record.marks[k].squareness_deg = b->record.marks[k].u_squareness_deg = NAN;
    }
}

static void board_free(board *b)
{
  sp_layout_free(&b->layout);
  sp_record_free(&b->record);
}

/* ---- good boards ------------------------------------------------------------------------------------------------ */

/* SLOTPROOF_SEED takes others than the boards of the test. */
static uint64_t seed_of(uint64_t seed)
{
  const char *other = getenv("SLOTPROOF_SEED");
  return seed + (other ? strtoull(other, NULL, 10) * 0x9e3779b97f4a7c15u : 0);
}

/* Part of `boards` good ones that get any finding. */
static double false_alarms(uint64_t seed, double nut_sds, int boards)
{
  dice d = {seed_of(seed)};
  size_t named = 0;
  for (int i = 0; i < boards; i++) {
    board b;
    const int frets = whole_between(&d, 10, MOST_FRETS);
    const double sd_mm = between(&d, 0.02, 0.08);
    board_make(&d, frets, sd_mm, nut_sds, &b);
    measure(&d, &b);
    lose_some(&d, &b);
    b.record.marks_kind = i % 2 ? SP_MARK_SLOT : SP_MARK_KNIFE;
    for (int32_t k = 1; k <= b.layout.frets; k++)
      b.record.marks[k].width_mm = i % 2 ? 0.58 : 0.12;
    assert_int_equal(sp_findings_add(&b.layout, &b.record, NULL), SP_OK);
    named += b.record.finding_count > 0;
    if (b.record.finding_count && getenv("SLOTPROOF_FIGURES"))
      printf("  %s: %s\n", b.record.findings[0].kind, b.record.findings[0].text); /* figures by kind */
    board_free(&b);
  }
  if (getenv("SLOTPROOF_FIGURES"))
    printf("  %zu of %d good boards\n", named, boards);
  return (double)named / boards;
}

static void good_boards_are_left_alone(void **unused)
{
  (void)unused;
  CHECK_BELOW(false_alarms(0x9e3779b97f4a7c15u, 0.0, GOOD_BOARDS), 0.009);
}

/* The nut is a line of the same hand. In the long run 0.9 % get a finding (20,000 boards): of 1,000 that is 9, with an
 * sd of 3; more than 15 would be a change for the worse. */
static void good_boards_with_a_hand_cut_nut_are_left_alone(void **unused)
{
  (void)unused;
  CHECK_BELOW(false_alarms(0xd1b54a32d192ed03u, 1.0, GOOD_BOARDS), 0.015);
}

/* ---- faults ----------------------------------------------------------------------------------------------------- */

typedef struct fault {
  const char *kind;
  void (*make)(dice *d, board *b, double size);
  int32_t least_frets, most_frets;
  double nut_sds, size; /* size: mm or degrees, for make */
  double least_named;   /* part of the boards that have to get the finding */
  double least_told;    /* ... or it as one of those that cannot be told apart */
} fault;

static void shift_from(board *b, int32_t first, double mm)
{
  for (int32_t k = first; k <= b->layout.frets; k++)
    b->record.marks[k].error_mm += mm;
}

static void make_offset(dice *d, board *b, double size)
{
  shift_from(b, 1, size * either_sign(d));
}

static void make_half_kerf(dice *d, board *b, double size)
{
  shift_from(b, 1, 0.5 * size * either_sign(d));
  b->record.marks_kind = SP_MARK_SLOT;
  for (int32_t k = 1; k <= b->layout.frets; k++)
    b->record.marks[k].width_mm = size + 0.02 * normal(d);
}

/* `size`: error at the last fret. */
static void make_stretch(dice *d, board *b, double size)
{
  const double part = size / b->layout.position_mm[b->layout.frets] * either_sign(d);
  for (int32_t k = 1; k <= b->layout.frets; k++)
    b->record.marks[k].error_mm += part * b->layout.position_mm[k];
}

static void make_second_datum(dice *d, board *b, double size)
{
  const double shift_mm = size * either_sign(d);
  shift_from(b, whole_between(d, 4, b->layout.frets - 2), shift_mm);
}

static void make_misread(dice *d, board *b, double size)
{
  const double shift_mm = size * either_sign(d);
  b->record.marks[whole_between(d, 1, b->layout.frets)].error_mm += shift_mm;
}

/* Last two digits of the place in tenths changed about; such as 182.7 read as 187.2. */
static void make_swap(dice *d, board *b, double size)
{
  (void)size;
  for (;;) {
    const int32_t k = whole_between(d, 1, b->layout.frets);
    char text[32], swapped[32];
    snprintf(text, sizeof text, "%.1f", b->layout.position_mm[k]);
    memcpy(swapped, text, sizeof text);
    const size_t end = strlen(text);
    swapped[end - 1] = text[end - 3];
    swapped[end - 3] = text[end - 1];
    if (strcmp(text, swapped) == 0)
      continue;
    b->record.marks[k].error_mm += strtod(swapped, NULL) - b->layout.position_mm[k];
    return;
  }
}

/* 17/18 of what is left, each time: fret 12 of 650 mm at 322.6364 mm (18:17 as a semitone: Vincenzo Galilei 1581 as
 * told by Barbour, Tuning and Temperament, 1951; from memory). */
static void make_eighteen(dice *d, board *b, double size)
{
  (void)size;
  (void)d;
  double left = b->layout.scale_length_mm;
  for (int32_t k = 1; k <= b->layout.frets; k++) {
    left -= left / 18.0;
    b->record.marks[k].error_mm += b->layout.scale_length_mm - left - b->layout.position_mm[k];
  }
}

/* No mark set off from the nut: only steps. */
static void make_stepped(dice *d, board *b, double size)
{
  double at = 0.0;
  for (int32_t k = 1; k <= b->layout.frets; k++)
    b->record.marks[k].error_mm = at += size * normal(d);
}

static void make_square_off(dice *d, board *b, double size)
{
  const double deg = size * either_sign(d);
  for (int32_t k = 0; k <= b->layout.frets; k++)
    b->record.marks[k].squareness_deg += deg;
}

static void make_crooked(dice *d, board *b, double size)
{
  const double lean_deg = size * either_sign(d);
  b->record.marks[whole_between(d, 1, b->layout.frets)].squareness_deg += lean_deg;
}

typedef struct outcome {
  double named; /* parts of the boards: the kind alone is said first */
  double told;  /* that, or it is one of two or three that are said */
  double only;  /* named, and nothing beside */
  double wrong; /* another kind, or others, are said */
} outcome;

static bool is_among(const sp_finding *f, const char *kind)
{
  for (size_t i = 0; i < sizeof f->either / sizeof *f->either; i++)
    if (strcmp(f->either[i], kind) == 0)
      return true;
  return false;
}

static void add_outcome(const fault *f, const sp_record *r, outcome *o)
{
  const double part = 1.0 / FAULTY_BOARDS;
  if (!r->finding_count)
    return;
  const sp_finding *first = r->findings;
  const bool named = strcmp(first->kind, f->kind) == 0, told = named || is_among(first, f->kind);
  o->named += named ? part : 0.0;
  o->told += told ? part : 0.0;
  o->only += named && r->finding_count == 1 ? part : 0.0;
  o->wrong += told ? 0.0 : part;
  CHECK_BELOW(2.69, first->strength);
  CHECK_BELOW(strlen(first->text), sizeof first->text - 10.0);
}

static outcome detection(const fault *f)
{
  dice d = {0x2545f4914f6cdd1du};
  outcome o = {0.0, 0.0, 0.0, 0.0};
  for (int i = 0; i < FAULTY_BOARDS; i++) {
    board b;
    board_make(&d, whole_between(&d, f->least_frets, f->most_frets), 0.05, f->nut_sds, &b);
    f->make(&d, &b, f->size);
    measure(&d, &b);
    assert_int_equal(sp_findings_add(&b.layout, &b.record, NULL), SP_OK);
    add_outcome(f, &b.record, &o);
    if (i == 0 && b.record.finding_count && getenv("SLOTPROOF_FIGURES"))
      printf("    %s\n", b.record.findings[0].text);
    board_free(&b);
  }
  return o;
}

/* Printed with SLOTPROOF_FIGURES: for each kind, number of frets and size, what is named first on boards of one fault.
 * SLOTPROOF_SEED takes other boards. */
static void table_row(dice *d, const fault *f)
{
  enum { BOARDS = 400 };
  int named = 0, told = 0, nothing = 0;
  for (int i = 0; i < BOARDS; i++) {
    board b;
    board_make(d, whole_between(d, f->least_frets, f->most_frets), 0.05, f->nut_sds, &b);
    f->make(d, &b, f->size);
    measure(d, &b);
    assert_int_equal(sp_findings_add(&b.layout, &b.record, NULL), SP_OK);
    const sp_finding *first = b.record.findings;
    const bool right = first && strcmp(first->kind, f->kind) == 0;
    named += right;
    told += first && !right && is_among(first, f->kind);
    nothing += !first;
    board_free(&b);
  }
  printf("  %-18s %2d frets %5.2f: named %5.1f %%, one of two or three %5.1f %%, nothing %5.1f %%, wrong %4.1f %%\n",
         f->kind, f->least_frets, f->size, 100.0 * named / BOARDS, 100.0 * told / BOARDS, 100.0 * nothing / BOARDS,
         100.0 * (BOARDS - named - told - nothing) / BOARDS);
}

static void faults_are_named(void **unused)
{
  (void)unused;
  static const fault FAULTS[] = {
      {"offset", make_offset, 10, MOST_FRETS, 0.0, 0.35, 0.95, 0.95},
      {"offset", make_offset, 10, MOST_FRETS, 1.0, 0.35, 0.93, 0.93},
      /* 0.023 in, a usual kerf: common practice, no source */
      {"half-kerf", make_half_kerf, 10, MOST_FRETS, 0.0, 0.5842, 0.95, 0.95},
      {"other-scale-length", make_stretch, 10, MOST_FRETS, 1.0, 0.6, 0.6, 0.95},
      {"other-scale-length", make_stretch, 10, MOST_FRETS, 1.0, 1.2, 0.95, 0.95},
      {"second-datum", make_second_datum, 10, MOST_FRETS, 1.0, 0.30, 0.75, 0.95},
      {"second-datum", make_second_datum, 10, MOST_FRETS, 1.0, 0.40, 0.95, 0.95},
      {"misread", make_misread, 10, MOST_FRETS, 1.0, 1.0, 0.95, 0.95},
      {"misread", make_misread, 10, MOST_FRETS, 1.0, 0.5, 0.95, 0.95},
      {"misread", make_misread, 10, MOST_FRETS, 1.0, 25.4 / 32.0, 0.95, 0.95},
      {"misread", make_misread, 20, MOST_FRETS, 1.0, 25.4 / 64.0, 0.95, 0.95},
      {"misread", make_swap, 10, MOST_FRETS, 1.0, 0.0, 0.95, 0.95},
      {"rule-of-18", make_eighteen, 10, MOST_FRETS, 1.0, 0.0, 0.95, 0.95},
      {"stepped-off", make_stepped, 12, 12, 0.0, 0.05, 0.25, 0.40},
      {"stepped-off", make_stepped, 24, 24, 0.0, 0.05, 0.75, 0.88},
      {"stepped-off", make_stepped, QUARTER_TONES, QUARTER_TONES, 0.0, 0.05, 0.95, 0.97},
      {"square-off", make_square_off, 10, MOST_FRETS, 0.0, 0.3, 0.95, 0.95},
      {"crooked", make_crooked, 14, MOST_FRETS, 0.0, 0.8, 0.93, 0.93},
  };
  for (size_t i = 0; i < sizeof FAULTS / sizeof *FAULTS; i++) {
    const fault *f = &FAULTS[i];
    const outcome o = detection(f);
    const bool fine =
        o.named >= f->least_named && o.told >= f->least_told && o.only >= o.named - 0.03 && o.wrong <= 0.04;
    if (!fine || getenv("SLOTPROOF_FIGURES"))
      fprintf(stderr, "  %-18s %2d frets %.2f: named %.3f, alone %.3f, told %.3f, wrong %.3f\n", f->kind,
              f->least_frets, f->size, o.named, o.only, o.told, o.wrong);
    assert_true(fine);
  }
}

/* ---- single boards ---------------------------------------------------------------------------------------------- */

static const sp_finding *only_finding(const board *b, const char *kind)
{
  assert_int_equal(b->record.finding_count, 1);
  assert_string_equal(b->record.findings[0].kind, kind);
  return &b->record.findings[0];
}

static void find(board *b)
{
  assert_int_equal(sp_findings_add(&b->layout, &b->record, NULL), SP_OK);
}

static void second_datum_says_where_and_how_much(void **unused)
{
  (void)unused;
  dice d = {7};
  board b;
  board_make(&d, 12, 0.03, 1.0, &b);
  shift_from(&b, 7, 0.4);
  measure(&d, &b);
  find(&b);
  const sp_finding *f = only_finding(&b, "second-datum");
  CHECK_CLOSE(f->value, 0.4, 3.0 * f->u_value);
  CHECK_BELOW(f->u_value, 0.04);
  assert_string_equal(f->unit, "mm");
  assert_non_null(strstr(f->text, "frets 7 to 12"));
  assert_non_null(strstr(f->text, "nearer the bridge"));
  assert_non_null(strstr(f->text, "after fret 6"));
  board_free(&b);
}

/* Fret 8 of 628.65 mm lies at 628.65 (1 - 2^(-8/12)) = 232.62 mm; read as 236.2 by changing 2.6 about. */
static void changed_digits_are_named(void **unused)
{
  (void)unused;
  dice d = {5};
  for (int as_stray = 0; as_stray <= 1; as_stray++) {
    board b;
    do { /* until the dice give that scale length */
      board_make(&d, 20, 0.03, 0.0, &b);
      if (b.layout.scale_length_mm != 628.65)
        board_free(&b);
    } while (b.layout.scale_length_mm != 628.65);
    sp_mark_record *m = &b.record.marks[8];
    measure(&d, &b);
    m->error_mm = 236.22 - m->layout_mm;
    if (as_stray) {
      m->found = false;
      b.record.strays = calloc(1, sizeof *b.record.strays);
      assert_non_null(b.record.strays);
      b.record.strays[b.record.stray_count++].x_mm = m->layout_mm + m->error_mm;
      m->error_mm = NAN;
    }
    find(&b);
    const sp_finding *f = only_finding(&b, "misread");
    assert_non_null(strstr(f->text, "fret 8"));
    assert_non_null(strstr(f->text, "232.6 read as 236.2"));
    CHECK_CLOSE(f->value, 3.6, 0.1);
    board_free(&b);
  }
}

/* What the decision said of another scale length is not said twice, and not at all of the rule of 18. */
static void other_scale_is_given_once(void **unused)
{
  (void)unused;
  dice d = {11};
  const sp_finding before = {
      .kind = "other-scale-length", .text = "before", .value = 1.0, .u_value = NAN, .strength = NAN};
  for (int eighteen = 0; eighteen <= 1; eighteen++) {
    board b;
    board_make(&d, 18, 0.05, 0.0, &b);
    if (eighteen)
      make_eighteen(&d, &b, 0.0);
    else
      make_stretch(&d, &b, 3.0);
    measure(&d, &b);
    const double asked = b.layout.scale_length_mm, last = b.layout.position_mm[18];
    const double truth = asked * (1.0 + (b.record.marks[18].error_mm > 0.0 ? 3.0 : -3.0) / last);
    assert_int_equal(sp_record_add_finding(&b.record, &before, NULL), SP_OK);
    find(&b);
    const sp_finding *f = only_finding(&b, eighteen ? "rule-of-18" : "other-scale-length");
    if (!eighteen) {
      CHECK_CLOSE(f->value, truth, 4.0 * f->u_value);
      CHECK_BELOW(f->u_value, 0.2);
    }
    CHECK_BELOW(6.0, f->strength);
    board_free(&b);
  }
}

/* L = 650: fret 12 at 322.6364 mm, 2.3636 short of the middle ((17/18)^12 = 0.5036362659). */
static void rule_of_18_figures(void **unused)
{
  (void)unused;
  dice d = {3};
  board b;
  board_make(&d, 12, 0.02, 0.0, &b);
  sp_layout_free(&b.layout);
  assert_int_equal(sp_layout_equal(650.0, 12, 12, &b.layout, NULL), SP_OK);
  for (int32_t k = 1; k <= 12; k++)
    b.record.marks[k].layout_mm = b.layout.position_mm[k];
  make_eighteen(&d, &b, 0.0);
  CHECK_CLOSE(b.record.marks[12].error_mm, -2.3636, 0.08);
  measure(&d, &b);
  find(&b);
  CHECK_CLOSE(only_finding(&b, "rule-of-18")->value, -2.3636, 0.0001);
  board_free(&b);
}

/* Too few marks, no scale, no layout by equal steps: nothing is made up. */
static void too_little_to_tell(void **unused)
{
  (void)unused;
  dice d = {9};
  board b;
  board_make(&d, 5, 0.02, 0.0, &b);
  measure(&d, &b);
  shift_from(&b, 1, 2.0);
  find(&b);
  assert_int_equal(b.record.finding_count, 0);
  board_free(&b);
  board_make(&d, 20, 0.02, 0.0, &b);
  for (int32_t k = 1; k <= 20; k++)
    b.record.marks[k].error_mm = b.record.marks[k].u_mm = b.record.marks[k].u_squareness_deg = NAN;
  find(&b);
  assert_int_equal(b.record.finding_count, 0);
  board_free(&b);
}

/* Errors of exactly nothing have no scatter to compare with. */
static void perfect_board_gets_nothing(void **unused)
{
  (void)unused;
  dice d = {13};
  board b;
  board_make(&d, 20, 0.0, 0.0, &b);
  for (int32_t k = 1; k <= 20; k++) {
    b.record.marks[k].squareness_deg = b.record.marks[k].u_squareness_deg = 0.0;
    b.record.marks[k].u_mm = 0.0;
    b.record.marks[k].budget = (sp_budget){0.0, 0.0, 0.0, 0.0, NAN};
  }
  find(&b);
  assert_int_equal(b.record.finding_count, 0);
  board_free(&b);
}

/* ---- chance of a quadratic form --------------------------------------------------------------------------------- */

/* P(chi2(a) < q chi2(b)) is Fisher's F(q b/a; a, b). For a = 2, b = 3, q = 1: 1 - 2^(-3/2), by hand. */
static void quadratic_form_against_fisher(void **unused)
{
  (void)unused;
  const double by_hand[] = {1.0, 1.0, -1.0, -1.0, -1.0};
  CHECK_CLOSE(sp_chance_below_zero(5, by_hand), 1.0 - exp2(-1.5), 1e-7);
  for (size_t a = 2; a <= 12; a += 5)
    for (size_t b = 3; b <= 11; b += 4) {
      double value[24];
      for (size_t i = 0; i < a + b; i++)
        value[i] = i < a ? 1.0 : -0.3;
      const double q = 0.3 * (double)b / (double)a;
      CHECK_CLOSE(sp_chance_below_zero(a + b, value), gsl_cdf_fdist_P(q, (double)a, (double)b), 1e-7);
    }
}

static void what_is_named(void **unused)
{
  (void)unused;
  static const fault SERIES[] = {
      {"stepped-off", make_stepped, 0, 0, 0.0, 0.03, 0.0, 0.0},
      {"stepped-off", make_stepped, 0, 0, 0.0, 0.05, 0.0, 0.0},
      {"stepped-off", make_stepped, 0, 0, 0.0, 0.10, 0.0, 0.0},
      {"stepped-off", make_stepped, 0, 0, 0.0, 0.20, 0.0, 0.0},
      {"other-scale-length", make_stretch, 0, 0, 1.0, 0.4, 0.0, 0.0},
      {"other-scale-length", make_stretch, 0, 0, 1.0, 0.6, 0.0, 0.0},
      {"other-scale-length", make_stretch, 0, 0, 1.0, 0.8, 0.0, 0.0},
      {"other-scale-length", make_stretch, 0, 0, 1.0, 1.2, 0.0, 0.0},
      {"second-datum", make_second_datum, 0, 0, 1.0, 0.2, 0.0, 0.0},
      {"second-datum", make_second_datum, 0, 0, 1.0, 0.3, 0.0, 0.0},
      {"second-datum", make_second_datum, 0, 0, 1.0, 0.4, 0.0, 0.0},
      {"second-datum", make_second_datum, 0, 0, 1.0, 0.5, 0.0, 0.0},
      {"misread", make_misread, 0, 0, 1.0, 0.5, 0.0, 0.0},
      {"misread", make_misread, 0, 0, 1.0, 1.0, 0.0, 0.0},
      {"offset", make_offset, 0, 0, 1.0, 0.25, 0.0, 0.0},
      {"offset", make_offset, 0, 0, 1.0, 0.35, 0.0, 0.0},
      {"rule-of-18", make_eighteen, 0, 0, 1.0, 0.0, 0.0, 0.0},
  };
  dice d = {seed_of(0x94d049bb133111ebu)};
  if (!getenv("SLOTPROOF_FIGURES"))
    return;
  (void)false_alarms(0xbf58476d1ce4e5b9u, 0.0, 4000);
  (void)false_alarms(0xbf58476d1ce4e5b9u + 1, 1.0, 4000);
  for (size_t i = 0; i < sizeof SERIES / sizeof *SERIES; i++)
    for (int frets = 12; frets <= 24; frets += 6) {
      fault f = SERIES[i];
      f.least_frets = f.most_frets = frets;
      table_row(&d, &f);
    }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(good_boards_are_left_alone),
      cmocka_unit_test(good_boards_with_a_hand_cut_nut_are_left_alone),
      cmocka_unit_test(faults_are_named),
      cmocka_unit_test(what_is_named),
      cmocka_unit_test(second_datum_says_where_and_how_much),
      cmocka_unit_test(changed_digits_are_named),
      cmocka_unit_test(other_scale_is_given_once),
      cmocka_unit_test(rule_of_18_figures),
      cmocka_unit_test(too_little_to_tell),
      cmocka_unit_test(perfect_board_gets_nothing),
      cmocka_unit_test(quadratic_form_against_fisher),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
