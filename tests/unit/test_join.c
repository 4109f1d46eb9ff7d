/* Joining, from numbers alone: against closed forms, against the same least squares done by GSL, and by simulation: how
 * often intervals hold, how often a rule is called still that has been moved, whether boards that have nothing to do
 * with each other are ever joined. */
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_linalg.h>

#include "check_close.h"

#include "slotproof/join.h"
#include "slotproof/numeric.h"

/* A generator of its own, so that the figures are the same everywhere (Knuth's MMIX constants). */
static uint64_t seed = 1;

static double uniform(void)
{
  seed = seed * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
  return (double)(seed >> 11) * 0x1p-53;
}

static double normal(void)
{
  return sqrt(-2.0 * log(1.0 - uniform())) * cos(2.0 * SP_PI * uniform());
}

enum { MOST = 40 };

typedef struct drawn {
  size_t marks, points;
  double x[MOST], covariance[MOST * MOST], error[MOST];
} drawn;

static void set_diagonal(drawn *d, double u)
{
  memset(d->covariance, 0, sizeof d->covariance);
  for (size_t i = 0; i < d->points; i++)
    d->covariance[i * d->points + i] = u * u;
}

/* Errors of a scale that neighbours share (exponential, 40 mm) beside those of each reading; draws `error`. */
static void set_correlated(drawn *d, double u_map, double u_own)
{
  double factor[MOST * MOST], z[MOST];
  for (size_t i = 0; i < d->points; i++)
    for (size_t k = 0; k < d->points; k++)
      d->covariance[i * d->points + k] =
          u_map * u_map * exp(-fabs(d->x[i] - d->x[k]) / 40.0) + (i == k ? u_own * u_own : 0.0);
  memcpy(factor, d->covariance, d->points * d->points * sizeof *factor);
  assert_true(sp_cholesky(d->points, factor));
  for (size_t i = 0; i < d->points; i++)
    z[i] = normal();
  for (size_t i = 0; i < d->points; i++) {
    d->error[i] = 0.0;
    for (size_t k = 0; k <= i; k++)
      d->error[i] += factor[i * d->points + k] * z[k];
  }
}

static sp_join_piece piece_of(const drawn *d)
{
  return (sp_join_piece){d->marks, d->points, d->x, d->covariance};
}

/* Two shared marks, independent: the shift is the mean weighted by 1 / variance, u^2 = 1 / sum of weights, chi-square
 * what is left (weighted mean and its internal uncertainty: R. T. Birge, Phys. Rev. 40, 1932, 207). */
static void two_marks_make_a_weighted_mean(void **state)
{
  (void)state;
  drawn a = {.marks = 3, .points = 3, .x = {0.0, 100.0, 150.0}},
        b = {.marks = 3, .points = 3, .x = {0.010, 49.980, 90.0}};
  set_diagonal(&a, 0.003);
  set_diagonal(&b, 0.004);
  b.covariance[4] = 0.012 * 0.012;
  const sp_join_piece pieces[2] = {piece_of(&a), piece_of(&b)};
  const sp_join_overlap overlap = {.shift_mm = 100.1, .step_mm = NAN};
  sp_join join;
  assert_int_equal(sp_join_solve(pieces, 2, &overlap, &join, NULL), SP_OK);
  assert_int_equal(join.state, SP_JOIN_OK);
  const double v1 = 0.003 * 0.003 + 0.004 * 0.004, v2 = 0.003 * 0.003 + 0.012 * 0.012;
  const double d1 = 100.0 - 0.010, d2 = 150.0 - 49.980, w = 1.0 / v1 + 1.0 / v2, mean = (d1 / v1 + d2 / v2) / w;
  CHECK_CLOSE(join.link[0].seen_mm, mean, 1e-9);
  CHECK_CLOSE(join.link[0].u_seen_mm, sqrt(1.0 / w), 1e-9);
  CHECK_CLOSE(join.link[0].chi2, (d1 - mean) * (d1 - mean) / v1 + (d2 - mean) * (d2 - mean) / v2, 1e-6);
  assert_int_equal(join.link[0].freedom, 1);
  CHECK_CLOSE(join.link[0].p, erfc(sqrt(0.5 * join.link[0].chi2)), 1e-9); /* chi-square of one degree */
  assert_int_equal(join.places, 4);
  assert_int_equal(join.place_of[1][0], join.place_of[0][1]);
  CHECK_CLOSE(join.shift_mm[1], mean, 1e-9);
  /* what only the second shows is as sure as its own reading and the shift */
  const size_t last = join.place_of[1][2];
  CHECK_CLOSE(join.x_mm[last], 90.0 + mean, 1e-9);
  CHECK_CLOSE(sqrt(join.covariance_mm2[last * 4 + last]), sqrt(0.004 * 0.004 + 1.0 / w), 1e-9);
  sp_join_free(&join);
}

/* Three pieces of one board, marks at `truth`; each shows its own stretch, with wood in the overlaps. */
typedef struct chain {
  drawn piece[3];
  double shift[3];
  size_t seen[3][MOST]; /* which mark of the truth */
  sp_join_wood wood[2][6];
  sp_join_overlap overlap[2];
  double truth[30];
  size_t count;
} chain;

static void draw_chain(chain *c)
{
  static const double FROM[3] = {-5.0, 110.0, 225.0}, TO[3] = {245.0, 360.0, 475.0};
  memset(c, 0, sizeof *c);
  c->count = 23;
  for (size_t i = 0; i < c->count; i++)
    c->truth[i] = 648.0 * (1.0 - exp2(-(double)i / 12.0)) + 0.1 * normal();
  for (size_t k = 0; k < 3; k++) {
    drawn *d = &c->piece[k];
    c->shift[k] = k ? FROM[k] + 3.0 * normal() : 0.0;
    for (size_t i = 0; i < c->count; i++)
      if (c->truth[i] > FROM[k] && c->truth[i] < TO[k]) {
        c->seen[k][d->points] = i;
        d->x[d->points++] = c->truth[i] - c->shift[k];
      }
    d->marks = d->points;
    for (size_t side = 0; side < 2; side++) {
      const size_t overlap = side ? k : k - 1; /* wraps at the first piece, which has none before */
      if (overlap > 1)
        continue;
      for (size_t i = 0; i < 6; i++) {
        const double at = FROM[overlap + 1] + 10.0 + 20.0 * (double)i;
        if (side)
          c->wood[overlap][i].first = d->points;
        else
          c->wood[overlap][i].second = d->points;
        d->x[d->points++] = at - c->shift[k];
      }
    }
    set_correlated(d, 0.004, 0.002);
    for (size_t i = 0; i < d->points; i++)
      d->x[i] += d->error[i];
  }
  for (size_t k = 0; k < 2; k++)
    c->overlap[k] = (sp_join_overlap){
        .shift_mm = c->shift[k + 1] - c->shift[k] + 0.05 * normal(), .wood = c->wood[k], .woods = 6, .step_mm = NAN};
}

static void join_chain(const chain *c, sp_join *join)
{
  const sp_join_piece pieces[3] = {piece_of(&c->piece[0]), piece_of(&c->piece[1]), piece_of(&c->piece[2])};
  assert_int_equal(sp_join_solve(pieces, 3, c->overlap, join, NULL), SP_OK);
  assert_int_equal(join->state, SP_JOIN_OK);
}

/* The same by GSL: all readings whitened by the Cholesky factor of their covariance, then QR. */
static void gsl_solves_the_same(void **state)
{
  (void)state;
  chain c;
  sp_join join;
  seed = 7;
  draw_chain(&c);
  join_chain(&c, &join);
  const size_t unknowns = c.count + 12 + 2;
  size_t rows = 0, row = 0;
  for (size_t k = 0; k < 3; k++)
    rows += c.piece[k].points;
  gsl_matrix *design = gsl_matrix_calloc(rows, unknowns);
  gsl_vector *right = gsl_vector_alloc(rows), *x = gsl_vector_alloc(unknowns), *rest = gsl_vector_alloc(rows);
  gsl_vector *tau = gsl_vector_alloc(unknowns);
  for (size_t k = 0; k < 3; k++) {
    const drawn *d = &c.piece[k];
    gsl_matrix *factor = gsl_matrix_alloc(d->points, d->points), *a = gsl_matrix_calloc(d->points, unknowns);
    gsl_vector *y = gsl_vector_alloc(d->points);
    for (size_t i = 0; i < d->points; i++) {
      for (size_t j = 0; j < d->points; j++)
        gsl_matrix_set(factor, i, j, d->covariance[i * d->points + j]);
      gsl_vector_set(y, i, d->x[i]);
      if (i < d->marks)
        gsl_matrix_set(a, i, c.seen[k][i], 1.0);
      if (k)
        gsl_matrix_set(a, i, c.count + 12 + k - 1, -1.0);
    }
    for (size_t o = 0; o < 2; o++)
      for (size_t i = 0; i < 6; i++) {
        if (o == k)
          gsl_matrix_set(a, c.wood[o][i].first, c.count + 6 * o + i, 1.0);
        if (o + 1 == k)
          gsl_matrix_set(a, c.wood[o][i].second, c.count + 6 * o + i, 1.0);
      }
    gsl_linalg_cholesky_decomp1(factor);
    for (size_t i = 0; i < d->points; i++) { /* forward substitution, row by row */
      gsl_vector_view ai = gsl_matrix_row(a, i);
      double yi = gsl_vector_get(y, i);
      for (size_t j = 0; j < i; j++) {
        gsl_vector_view aj = gsl_matrix_row(a, j);
        gsl_vector_axpby(-gsl_matrix_get(factor, i, j), &aj.vector, 1.0, &ai.vector);
        yi -= gsl_matrix_get(factor, i, j) * gsl_vector_get(y, j);
      }
      gsl_vector_scale(&ai.vector, 1.0 / gsl_matrix_get(factor, i, i));
      gsl_vector_set(y, i, yi / gsl_matrix_get(factor, i, i));
      gsl_vector_view to = gsl_matrix_row(design, row);
      gsl_vector_memcpy(&to.vector, &ai.vector);
      gsl_vector_set(right, row++, gsl_vector_get(y, i));
    }
    gsl_matrix_free(factor);
    gsl_matrix_free(a);
    gsl_vector_free(y);
  }
  gsl_linalg_QR_decomp(design, tau);
  gsl_linalg_QR_lssolve(design, tau, right, x, rest);
  assert_int_equal(join.places, c.count);
  for (size_t k = 0; k < 3; k++)
    for (size_t i = 0; i < c.piece[k].marks; i++)
      CHECK_CLOSE(join.x_mm[join.place_of[k][i]], gsl_vector_get(x, c.seen[k][i]), 1e-8);
  for (size_t k = 1; k < 3; k++)
    CHECK_CLOSE(join.shift_mm[k], gsl_vector_get(x, c.count + 12 + k - 1), 1e-8);
  gsl_matrix_free(design);
  gsl_vector_free(right);
  gsl_vector_free(x);
  gsl_vector_free(rest);
  gsl_vector_free(tau);
  sp_join_free(&join);
}

/* 400 chains: distances from the first mark, shifts and closing tests behave as stated. */
static void intervals_hold(void **state)
{
  (void)state;
  size_t inside = 0, all = 0, rejected = 0;
  double chi2 = 0.0, freedom = 0.0;
  seed = 11;
  for (int round = 0; round < 400; round++) {
    chain c;
    sp_join join;
    draw_chain(&c);
    join_chain(&c, &join);
    const size_t a = join.place_of[0][0];
    for (size_t k = 1; k < 3; k++) {
      const size_t b = join.place_of[k][c.piece[k].marks - 1], n = join.places;
      const double truth = c.truth[c.seen[k][c.piece[k].marks - 1]] - c.truth[c.seen[0][0]];
      const double u =
          sqrt(join.covariance_mm2[a * n + a] + join.covariance_mm2[b * n + b] - 2.0 * join.covariance_mm2[a * n + b]);
      inside += fabs(join.x_mm[b] - join.x_mm[a] - truth) < 1.959964 * u;
      inside +=
          fabs(join.link[k - 1].shift_mm - (c.shift[k] - c.shift[k - 1])) < 1.959964 * join.link[k - 1].u_shift_mm;
      all += 2;
      chi2 += join.link[k - 1].chi2;
      freedom += (double)join.link[k - 1].freedom;
      rejected += join.link[k - 1].widened > 1.0;
    }
    sp_join_free(&join);
  }
  CHECK_CLOSE((double)inside / (double)all, 0.95, 0.02); /* binomial, n about 800 independent: sd 0.008 */
  CHECK_CLOSE(chi2 / freedom, 1.0, 0.03);
  assert_true(rejected <= 5); /* of 800, at p < 0.001 */
}

/* A slip of 30 um at a third of the overlap is not believed as it stands; one of half a millimetre is refused. */
static void contradictions_are_noticed(void **state)
{
  (void)state;
  chain c;
  sp_join join;
  seed = 13;
  draw_chain(&c);
  for (size_t i = 0; i < 3; i++)
    c.piece[1].x[c.wood[0][i].second] += 0.03;
  join_chain(&c, &join);
  assert_true(join.link[0].widened > 1.5 && join.link[0].p < 0.001);
  assert_true(join.link[1].widened == 1.0);
  sp_join_free(&join);
  for (size_t i = 0; i < 3; i++)
    c.piece[1].x[c.wood[0][i].second] += 0.47;
  const sp_join_piece pieces[3] = {piece_of(&c.piece[0]), piece_of(&c.piece[1]), piece_of(&c.piece[2])};
  assert_int_equal(sp_join_solve(pieces, 3, c.overlap, &join, NULL), SP_OK);
  assert_int_equal(join.state, SP_JOIN_TORN);
  assert_int_equal(join.torn, 0);
  sp_join_free(&join);
}

/* A rule that lay still is found out and used; one laid anew by chance within a few um of a whole step may be taken for
 * still only if its angle agrees too, and then errs by no more than that. */
static void rules_that_moved(void **state)
{
  (void)state;
  size_t still = 0, moved_used = 0, moved_unclear = 0;
  double worst = 0.0;
  seed = 17;
  for (int round = 0; round < 600; round++) {
    const bool moves = round % 2 == 1;
    chain c;
    sp_join join;
    draw_chain(&c);
    for (size_t k = 0; k < 2; k++) {
      sp_join_overlap *o = &c.overlap[k];
      o->has_rule = true;
      o->step_mm = 0.5;
      o->u_rule_mm = 0.003;
      o->u_rule_turn_rad = 0.00015;
      o->rule_mm = c.shift[k + 1] - c.shift[k] + 0.003 * normal() + (moves ? 10.0 * uniform() : 7.0);
      o->rule_turn_rad = 0.00015 * normal() + (moves ? 0.008 * (uniform() - 0.5) : 0.0);
    }
    join_chain(&c, &join);
    for (size_t k = 0; k < 2; k++) {
      const sp_join_link *l = &join.link[k];
      still += !moves && l->rule == SP_JOIN_RULE_STILL;
      moved_used += moves && l->rule == SP_JOIN_RULE_STILL;
      moved_unclear += moves && l->rule == SP_JOIN_RULE_UNCLEAR;
      worst = fmax(worst, fabs(l->shift_mm - (c.shift[k + 1] - c.shift[k])));
    }
    sp_join_free(&join);
  }
  assert_true(still >= 540); /* of 600; the rest unclear, and not used */
  assert_true(moved_used <= 6);
  assert_true(moved_unclear <= 30);
  CHECK_BELOW(worst, 0.03);
}

/* Whole steps are told only where marks and wood know the shift to an eighth of one. */
static void vague_shifts_leave_the_rule_alone(void **state)
{
  (void)state;
  drawn a = {.marks = 1, .points = 1, .x = {100.0}}, b = {.marks = 1, .points = 1, .x = {1.0}};
  set_diagonal(&a, 0.1);
  set_diagonal(&b, 0.1);
  const sp_join_piece pieces[2] = {piece_of(&a), piece_of(&b)};
  const sp_join_overlap overlap = {.shift_mm = 99.0,
                                   .has_rule = true,
                                   .rule_mm = 99.0,
                                   .u_rule_mm = 0.002,
                                   .step_mm = 0.5,
                                   .rule_turn_rad = 0.0,
                                   .u_rule_turn_rad = 1e-4};
  sp_join join;
  assert_int_equal(sp_join_solve(pieces, 2, &overlap, &join, NULL), SP_OK);
  assert_int_equal(join.link[0].rule, SP_JOIN_RULE_UNCLEAR);
  CHECK_CLOSE(join.link[0].u_shift_mm, 0.1 * sqrt(2.0), 1e-9);
  sp_join_free(&join);
}

/* Numbered graduations have no whole steps to be told: they help however vague the shift is. */
static void numbered_graduations_tell_all(void **state)
{
  (void)state;
  drawn a = {.marks = 1, .points = 1, .x = {100.0}}, b = {.marks = 1, .points = 1, .x = {1.0}};
  set_diagonal(&a, 0.1);
  set_diagonal(&b, 0.1);
  const sp_join_piece pieces[2] = {piece_of(&a), piece_of(&b)};
  sp_join_overlap overlap = {.shift_mm = 99.0,
                             .has_rule = true,
                             .rule_mm = 99.1,
                             .u_rule_mm = 0.01,
                             .step_mm = 254.0,
                             .rule_turn_rad = 1e-4,
                             .u_rule_turn_rad = 1e-4};
  sp_join join;
  assert_int_equal(sp_join_solve(pieces, 2, &overlap, &join, NULL), SP_OK);
  assert_int_equal(join.link[0].rule, SP_JOIN_RULE_STILL);
  CHECK_CLOSE(join.link[0].u_shift_mm, 0.01, 0.001);
  sp_join_free(&join);
  overlap.rule_mm = 131.0;
  assert_int_equal(sp_join_solve(pieces, 2, &overlap, &join, NULL), SP_OK);
  assert_int_equal(join.link[0].rule, SP_JOIN_RULE_MOVED);
  CHECK_CLOSE(join.link[0].shift_mm, 99.0, 1e-9);
  sp_join_free(&join);
}

static const double SQUARE[30] = {0.0}, SURE[30] = {0.0};

static sp_join_marks frets_between(double from, double to, double off, double *x, double *strength, double hand)
{
  size_t n = 0;
  for (int i = 0; i <= 24; i++) {
    const double at = 648.0 * (1.0 - exp2(-i / 12.0)) + hand * normal();
    if (at > from && at < to) {
      x[n] = at - off;
      strength[n++] = 1.0;
    }
  }
  return (sp_join_marks){n, x, strength, SQUARE, SURE, from - off, to - off};
}

/* Four marks in common and no wood to go by: found. The other piece turned: found, and said. One mark and no wood: not
 * enough. */
static void marks_alone_join_if_they_are_many(void **state)
{
  (void)state;
  double xa[30], xb[30], s[30];
  sp_join_place guess[SP_JOIN_GUESSES];
  size_t chosen;
  const sp_join_marks a = frets_between(-5.0, 300.0, 0.0, xa, s, 0.0),
                      b = frets_between(190.0, 470.0, 150.0, xb, s, 0.0);
  size_t count = sp_join_guess(&a, &b, 12.0, guess);
  assert_int_equal(sp_join_choose(&a, &b, NULL, guess, count, &chosen), SP_JOIN_OK);
  CHECK_CLOSE(guess[chosen].shift_mm, 150.0, 1e-6);
  assert_false(guess[chosen].turned);
  assert_true(sp_join_confirm(&guess[chosen], 0, 0));
  assert_false(sp_join_confirm(&guess[chosen], 12, 1)); /* patches that all say something else */
  double xt[30];
  for (size_t i = 0; i < b.count; i++)
    xt[i] = -xb[b.count - 1 - i];
  const sp_join_marks t = {b.count, xt, s, SQUARE, SURE, -b.to_mm, -b.from_mm};
  count = sp_join_guess(&a, &t, 12.0, guess);
  assert_int_equal(sp_join_choose(&a, &t, NULL, guess, count, &chosen), SP_JOIN_OK);
  assert_true(guess[chosen].turned);
  CHECK_CLOSE(guess[chosen].shift_mm, 150.0, 1e-6);
  const sp_join_marks short_a = frets_between(-5.0, 230.0, 0.0, xa, s, 0.0);
  sp_join_place one = {.shift_mm = 150.0, .z = NAN, .expected = NAN};
  assert_int_equal(sp_join_choose(&short_a, &b, NULL, &one, 1, &chosen), SP_JOIN_NOTHING);
}

/* Where the wood should agree and does not, marks in the right places join nothing: the same layout on another board.
 * So with marks that lean otherwise: the same board in a mirror. */
static void wood_and_leans_speak_against(void **state)
{
  (void)state;
  double xa[30], xb[30], s[30], lean[60], mirrored[60];
  size_t chosen;
  sp_join_marks a = frets_between(-5.0, 300.0, 0.0, xa, s, 0.0), b = frets_between(150.0, 470.0, 150.0, xb, s, 0.0);
  sp_join_place same = {.shift_mm = 150.0, .z = 30.0, .expected = 28.0},
                other = {.shift_mm = 150.0, .z = 1.0, .expected = 28.0};
  assert_int_equal(sp_join_choose(&a, &b, NULL, &same, 1, &chosen), SP_JOIN_OK);
  assert_int_equal(sp_join_choose(&a, &b, NULL, &other, 1, &chosen), SP_JOIN_NOTHING);
  for (int i = 0; i < 60; i++) {
    lean[i] = 0.002 * (i % 3 - 1);
    mirrored[i] = -lean[i];
  }
  size_t begins = 0; /* the second begins with this mark of the first */
  while (a.x_mm[begins] < 150.0)
    begins++;
  a.lean_rad = lean;
  b.lean_rad = lean + begins;
  sp_join_place told = {.shift_mm = 150.0, .z = NAN, .expected = NAN};
  assert_int_equal(sp_join_choose(&a, &b, NULL, &told, 1, &chosen), SP_JOIN_OK);
  b.lean_rad = mirrored + begins;
  told = (sp_join_place){.shift_mm = 150.0, .z = NAN, .expected = NAN};
  assert_int_equal(sp_join_choose(&a, &b, NULL, &told, 1, &chosen), SP_JOIN_NOTHING);
}

/* One mark in common is joined only if the place is told and the wood agrees there; what is told is no evidence that it
 * is the same board. */
static void told_places_need_the_wood(void **state)
{
  (void)state;
  double xa[30], xb[30], s[30];
  size_t chosen;
  const sp_join_marks a = frets_between(-5.0, 232.0, 0.0, xa, s, 0.0), b = frets_between(206.0, 470.0, 150.0, xb, s, 0.0);
  const sp_join_told told[SP_JOIN_TOLD] = {{.known = false}, {true, false, 150.4, 1.0}},
                     apart[SP_JOIN_TOLD] = {{true, false, 236.0, 0.3}, {.known = false}};
  sp_join_place place[SP_JOIN_TOLD];
  assert_int_equal(sp_join_guess_told(&a, &b, apart, 12.0, place), 0); /* they would overlap by nothing */
  assert_int_equal(sp_join_guess_told(&a, &b, told, 12.0, place), 1);
  CHECK_CLOSE(place[0].shift_mm, 150.0, 1e-9); /* the mark settles it */
  place[0].z = 2.0;
  place[0].expected = 3.0;
  assert_int_equal(sp_join_choose(&a, &b, NULL, place, 1, &chosen), SP_JOIN_OK);
  assert_false(sp_join_confirm(&place[0], 6, 5));
  assert_int_equal(sp_join_choose(&a, &b, told, place, 1, &chosen), SP_JOIN_OK);
  assert_int_equal((int)place[0].pairs, 1);
  assert_true(sp_join_confirm(&place[0], 6, 5));
  assert_false(sp_join_confirm(&place[0], 6, 1));
  assert_false(sp_join_confirm(&place[0], 0, 0));
}

/* Boards laid out alike but of other hands, at places that overlap: errors of the hand are 0.1 mm, so many marks seem
 * to lie on each other; without wood nothing tells. With the wood against them they must not be joined. Boards that
 * share nothing must never be. */
/* A regular figure correlates with itself wherever its bands lie on each other, often and strongly; the best of such
 * places is none. With marks that have no partner there it is none at any strength. */
static void figured_wood_is_not_enough(void **state)
{
  (void)state;
  double xa[30], xb[30], s[30];
  sp_join_place place[6], strong = {.shift_mm = 30.0, .z = 60.0, .expected = 60.0};
  size_t chosen;
  const sp_join_marks a = frets_between(-5.0, 120.0, 0.0, xa, s, 0.0),
                      b = frets_between(150.0, 300.0, 150.0, xb, s, 0.0);
  for (int i = 0; i < 6; i++)
    place[i] = (sp_join_place){.shift_mm = 108.0 + 2.1 * i, .z = 16.0 - 1.5 * i, .expected = 20.0};
  const sp_join_state state_of = sp_join_choose(&a, &b, NULL, place, 6, &chosen);
  assert_true(state_of != SP_JOIN_OK || !sp_join_confirm(&place[chosen], 10, 3));
  (void)sp_join_choose(&a, &b, NULL, &strong, 1, &chosen);
  assert_true(strong.unpaired > 3);
  assert_false(sp_join_confirm(&strong, 12, 12));
}

static void strangers_are_not_joined(void **state)
{
  (void)state;
  size_t joined = 0;
  seed = 23;
  for (int round = 0; round < 2000; round++) {
    double xa[30], xb[30], s[30];
    sp_join_place place[SP_JOIN_GUESSES + 6];
    size_t chosen;
    sp_join_marks a = frets_between(-5.0, 245.0, 0.0, xa, s, 0.05), b = {0, xb, s, SQUARE, SURE, 0.0, 250.0};
    for (double x = 20.0 * uniform(); x < 250.0; x += 8.0 + 30.0 * uniform())
      xb[b.count++] = x;
    size_t count = sp_join_guess(&a, &b, 12.0, place);
    for (size_t i = 0; i < count; i++) {
      place[i].z = normal();
      place[i].expected = 6.0;
    }
    for (int i = 0; i < 6; i++) /* the best of some 36000 shifts of wood */
      place[count++] =
          (sp_join_place){.shift_mm = 500.0 * (uniform() - 0.5), .z = 3.6 + 0.3 * fabs(normal()), .expected = 6.0};
    joined += sp_join_choose(&a, &b, NULL, place, count, &chosen) == SP_JOIN_OK && sp_join_confirm(&place[chosen], 4, 1);
  }
  assert_true(joined <= 2);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(two_marks_make_a_weighted_mean),
      cmocka_unit_test(gsl_solves_the_same),
      cmocka_unit_test(intervals_hold),
      cmocka_unit_test(contradictions_are_noticed),
      cmocka_unit_test(rules_that_moved),
      cmocka_unit_test(vague_shifts_leave_the_rule_alone),
      cmocka_unit_test(numbered_graduations_tell_all),
      cmocka_unit_test(marks_alone_join_if_they_are_many),
      cmocka_unit_test(wood_and_leans_speak_against),
      cmocka_unit_test(told_places_need_the_wood),
      cmocka_unit_test(figured_wood_is_not_enough),
      cmocka_unit_test(strangers_are_not_joined),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
