/* All candidates within the board, finely. One knife and one hand have made them, so what single lines leave open (how
 * broad a burr is, on which side, whether what shows is the cut at all) all of them settle; then they are fitted again.
 */
#include "fits.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"

/* A mark shows over at least this part of the board's width: of less the typical height, what three tenths of the
 * pieces reach, says nothing. Where the layout has partial frets a short line is one of them, on its own side of the
 * board, and no whole fret that shows so little. */
static const double MIN_COVERAGE = 0.30, MIN_BESIDE_PARTS = 0.42;
/* Below this (against the sixth best, or the best of few) a candidate is most likely wood: a quick fit will do. */
static const double FULL_FIT = 0.22;
/* What spans more of the width than this is tried as a whole fret only. */
static const double PART_MOST = 0.8;

static double min_coverage(const sp_marks_options *o)
{
  return o->least_part > 0.0 && o->least_part < 1.0 ? MIN_BESIDE_PARTS : MIN_COVERAGE;
}

/* What the burred lines of a board say of its burrs. */
typedef struct burr_vote {
  size_t count;
  double cost[2];                /* summed over the lines, flat-topped and falling */
  size_t of_kind[2], of_side[2]; /* left, right */
  double burr[2][2 * SP_MOST_CANDIDATES], width[2 * SP_MOST_CANDIDATES], height[2 * SP_MOST_CANDIDATES];
} burr_vote;

static void count_ballot(const sp_burr_ballot *b, burr_vote *v)
{
  for (int kind = 0; kind < 2; kind++) {
    /* one odd line must not outvote the rest; a kind that no ridge could be fitted with has an infinite cost */
    v->cost[kind] += fmin(b->cost[kind] - fmin(b->cost[0], b->cost[1]), 200.0);
    if (isfinite(b->cost[kind]))
      v->burr[kind][v->of_kind[kind]++] = b->burr[kind];
  }
  v->of_side[b->side]++;
  v->height[v->count] = b->height;
  v->width[v->count++] = b->width;
}

/* Where a candidate's line meets a side. */
static double meets_side(const sp_lengthwise *side, const sp_candidate *c)
{
  return (side->at_px + side->slope * (c->u_px - c->slope * c->v_px)) / (1.0 - side->slope * c->slope);
}

/* Or so are the most of them, however badly a light line explains what is there: some of their cuts may have been seen.
 * `spared` light ones were seen besides, and not fitted. */
static bool many_light(const sp_marks *marks, size_t spared)
{
  size_t light = spared;
  for (size_t i = 0; i < marks->count; i++)
    light += marks->marks[i].contrast > 0.0;
  return 2 * light > marks->count + spared;
}

/* In a coarse picture noise passes for a burr now and then, and for one as light as its line a line that is a little
 * broader than the others: if most lines show none, none has one. */
static bool is_denied(const burr_vote *v, const sp_marks_options *o, const sp_marks *marks, size_t spared,
                      sp_expectation *e)
{
  const bool tempting = sp_shape_is_coarse(e) || sp_marks_mostly_light(o, marks);
  if (v->count == 0 || !tempting || (double)v->count >= 0.4 * (double)(marks->count + spared))
    return false;
  e->no_burr = e->burr_open = true;
  return true;
}

/* One knife and one hand: what is unclear on single lines (how broad the burr, of which kind) is settled by all. In a
 * coarse picture the two kinds look alike and what the picture does to lines passes for one of them, so there the kind
 * stays open and the rest is believed less. */
static bool agree_on_burr(burr_vote *v, sp_expectation *e)
{
  const bool coarse = sp_shape_is_coarse(e);
  if (v->count < 4)
    return false;
  e->burr_expected = true;
  e->burr_kind_known = !coarse;
  e->flank = v->cost[1] < v->cost[0];
  for (int kind = 0; kind < 2; kind++)
    if (v->of_kind[kind] >= 4 || (kind == (int)e->flank && v->of_kind[kind] > 0))
      e->burr_px[kind] = sp_median(v->burr[kind], v->of_kind[kind]);
  if (!coarse) {
    e->burr_height = fmin(0.9, sp_median(v->height, v->count));
    e->burr_height_sd = 0.15;
  }
  e->burr_sd_log = coarse ? 0.25 : 0.12;
  e->width_px = sp_median(v->width, v->count);
  e->width_sd_log = 0.25;
  return true;
}

/* Sets up the final fit of one candidate; false if it lies off the board. */
static bool place_on_board(const sp_board *board, double clear_px, sp_candidate *c)
{
  const double v0 = meets_side(&board->side[0], c), v1 = meets_side(&board->side[1], c);
  double u, v;
  if (c->v1_px < v0 + 0.2 * (v1 - v0) || c->v0_px > v1 - 0.2 * (v1 - v0))
    return false;
  sp_fits_cross_centre(board, c->u_px, c->slope, c->v_px, &u, &v);
  c->u_px = u;
  c->v_px = v;
  c->v0_px = v0;
  c->v1_px = v1;
  c->within = board;
  return !sp_fits_beyond_ends(board, u, clear_px);
}

/* Only lines beyond doubt have a vote: of junk some part always shows something like a burr, and so does the crest of a
 * wave beside a trough. */
static double least_of_voters(const sp_fits *jobs, size_t count, double *work)
{
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    if (jobs->job[i].good)
      work[n++] = jobs->job[i].mark.significance;
  return n ? 0.25 * sp_median(work, n) : 0.0;
}

/* A line that is a whole fret with something missing stays one. */
static void drop_parts_of_whole(sp_fit_job *job, size_t count, size_t parts)
{
  for (size_t i = count; i < count + parts; i++)
    if (job[job[i].whole].ever)
      job[i].wanted = job[i].good = job[i].ever = false;
}

/* What a second pass cannot find again the first one has found. */
static void collect(sp_fits *jobs, size_t count, size_t parts, burr_vote *votes, sp_marks *marks)
{
  double work[SP_MOST_CANDIDATES];
  marks->count = 0;
  const double least = least_of_voters(jobs, count, work);
  for (size_t i = 0; i < count + parts; i++) {
    if (i == count)
      drop_parts_of_whole(jobs->job, count, parts);
    sp_fit_job *j = &jobs->job[i];
    if (j->good)
      j->found = j->mark;
    j->ever = j->ever || j->good;
    if (j->ever)
      marks->marks[marks->count++] = j->found;
  }
  const bool light = sp_marks_mostly_light(jobs->o, marks);
  for (size_t i = 0; i < count + parts; i++) {
    const sp_fit_job *j = &jobs->job[i];
    if (j->voted && j->mark.significance >= least && (j->mark.contrast > 0.0) == light)
      count_ballot(&j->ballot, votes);
  }
}

static sp_status final_pass(sp_fits *jobs, size_t count, size_t parts, burr_vote *votes, sp_marks *marks, sp_error *err)
{
  const sp_status status = sp_fits_run(jobs, count + parts, err);
  if (!status)
    collect(jobs, count, parts, votes, marks);
  return status;
}

/* Most burrs stand beside a cut that shows more, and are part of that one's cross-section: as lines of their own they
 * would cost as much as the cuts and be dropped in the end (settle.c). So what is light beside something darker that
 * shows more waits for that to be fitted, and is spared where that explains its place. */
static bool may_be_burr_of(const sp_fits *jobs, const sp_fit_job *burr, const sp_fit_job *cut)
{
  return cut->candidate.height < 0.0 && sp_candidate_reach(&cut->seen) > sp_candidate_reach(&burr->seen) &&
         fabs(cut->candidate.u_px - burr->candidate.u_px) < sp_fits_same_px(jobs->o);
}

/* The cut that a light candidate waits for; -1: it does not. Of several the one that shows most, which comes first. */
static ptrdiff_t cut_of(const sp_fits *jobs, size_t count, const sp_fit_job *j)
{
  if (jobs->o->kind != SP_MARK_KNIFE || !j->wanted || !(j->candidate.height > 0.0))
    return -1;
  for (size_t i = 0; i < count; i++)
    if (jobs->job[i].wanted && may_be_burr_of(jobs, j, &jobs->job[i]))
      return (ptrdiff_t)i;
  return -1;
}

static bool explains(const sp_fit_job *cut)
{
  return cut->good && cut->mark.contrast < 0.0 && sp_mark_is_well_explained(&cut->mark);
}

/* Fits the jobs of the list, as many as n, and puts them back. */
static sp_status run_late(const sp_fits *jobs, const size_t *list, size_t n, sp_error *err)
{
  sp_fits late = *jobs;
  late.job = calloc(n + 1, sizeof *late.job);
  if (!late.job)
    return sp_fail_memory(err);
  for (size_t k = 0; k < n; k++)
    late.job[k] = jobs->job[list[k]];
  const sp_status status = sp_fits_run(&late, n, err);
  for (size_t k = 0; k < n; k++)
    jobs->job[list[k]] = late.job[k];
  free(late.job);
  return status;
}

/* The first time; how many burrs were spared. */
static sp_status first_final_pass(sp_fits *jobs, size_t count, size_t parts, burr_vote *votes, sp_marks *marks,
                                  size_t *spared, sp_error *err)
{
  ptrdiff_t cut[SP_MOST_CANDIDATES];
  size_t late[SP_MOST_CANDIDATES], n = 0;
  burr_vote none = {0};
  *spared = 0;
  for (size_t i = 0; i < count; i++)
    cut[i] = cut_of(jobs, count, &jobs->job[i]);
  for (size_t i = 0; i < count; i++)
    jobs->job[i].wanted = jobs->job[i].wanted && cut[i] < 0;
  sp_status status = final_pass(jobs, count, parts, &none, marks, err);
  const bool light = !status && sp_marks_mostly_light(jobs->o, marks);
  for (size_t i = 0; !status && i < count; i++) {
    if (cut[i] < 0)
      continue;
    jobs->job[i].wanted = light || !explains(&jobs->job[cut[i]]);
    *spared += !jobs->job[i].wanted;
    if (jobs->job[i].wanted)
      late[n++] = i;
  }
  if (!status)
    status = run_late(jobs, late, n, err);
  if (!status)
    collect(jobs, count, parts, votes, marks);
  return status;
}

/* A blade that leans raises its burr on one side of all lines: so many of them agree on it. */
static const double ONE_SIDE = 0.75;

/* Where the burr shows more than its dark cut the search has found the burr. If the board's lines have theirs on one
 * side, -1 left or 1 right, the cut is looked for on the other side of what is light. */
static int usual_side(const burr_vote *v, const sp_marks_options *o, const sp_marks *marks)
{
  const double most = ONE_SIDE * (double)v->count;
  if (v->count < 4 || sp_marks_mostly_light(o, marks))
    return 0;
  return (double)v->of_side[1] >= most ? 1 : (double)v->of_side[0] >= most ? -1 : 0;
}

static void look_beside_burr(const sp_expectation *e, int side, sp_fit_job *j)
{
  if (!(j->good ? j->mark.contrast > 0.0 : j->candidate.height > 0.0))
    return;
  j->candidate.u_px -= side * 0.5 * (e->width_px + e->burr_px[e->flank]);
  j->candidate.cut_sign = -1;
  j->candidate.burr_side = side;
  j->effort = SP_EFFORT_AGAIN;
}

/* What was found is fitted again from where it lies; what is hopeless is not tried again. */
static void prepare_again(sp_fits *jobs, size_t count, int burr_side)
{
  for (size_t i = 0; i < count; i++) {
    sp_fit_job *j = &jobs->job[i];
    if (!j->good) {
      j->wanted = j->wanted && (j->candidate.burr_side || j->mark.significance > SP_LEAST_SIGNIFICANCE);
      if (burr_side && !j->candidate.part)
        look_beside_burr(jobs->expect, burr_side, j);
      continue;
    }
    if (j->effort == SP_EFFORT_FULL)
      j->effort = SP_EFFORT_AGAIN;
    j->candidate.u_px = j->mark.u_px;
    j->candidate.v_px = j->mark.v_px;
    j->candidate.slope = j->mark.slope;
    if (j->candidate.part) {
      const double middle = 0.5 * (j->mark.v_a_px + j->mark.v_b_px);
      j->candidate.u_px += j->mark.slope * (middle - j->mark.v_px);
      j->candidate.v_px = middle;
    } else if (burr_side) {
      look_beside_burr(jobs->expect, burr_side, j);
    }
  }
}

/* On boards with partial frets: what spans a part of the width is tried as such, too. Returns how many jobs more. */
static size_t add_parts(const sp_marks_options *o, double group_px, sp_fit_job *job, size_t count,
                        const sp_board *board)
{
  size_t n = 0;
  if (!(o->least_part > 0.0 && o->least_part < 1.0))
    return 0;
  for (size_t i = 0; i < count; i++) {
    sp_fit_job *part = &job[count + n];
    double v0, v1;
    const sp_candidate *c = &job[i].seen;
    sp_fits_within_board(board, c->u_px, &v0, &v1);
    if (!job[i].wanted || c->v1_px - c->v0_px > PART_MOST * (v1 - v0) + group_px)
      continue;
    part->candidate = *c;
    part->candidate.part = part->wanted = true;
    part->candidate.v0_px = fmax(v0, c->v0_px - group_px);
    part->candidate.v1_px = fmin(v1, c->v1_px + group_px);
    part->effort = SP_EFFORT_FULL;
    part->whole = i;
    n++;
  }
  return n;
}

/* A cut is dark, and the burr beside it catches the light (see search.c): where most lines are light, each may be the
 * burr of a dark cut beside it, on the same side of all. That is asked of every line, by what its cross-section leaves
 * unexplained: a light line alone cannot explain the dark beside it. A light line in a shade of its own can, and where
 * it does as well nothing tells which of the two is the mark. Dark alike on both sides is a light line's: so scanners
 * sharpen. What is dark now on this side, now on that, or nearly as dark as the line is light, is a cut between two
 * burrs. */
static const double BETTER_EXPLAINED = 0.6, MOST_ARE_BURRS = 0.5, SOME_ARE_BURRS = 0.3, DOUBT_PART = 0.6;
static const double SHADE_AS_WELL = 1.5, BOTH_SIDES = 0.5, SHADE_MOST = 0.55;
/* Midway between cut and light line the mark is off by half of what they are apart: so much of it as k = 1. */
static const double MIDWAY_U = 0.35;
enum { LEAST_BURRS = 4, LEAST_DOUBTFUL = 2 };

static bool is_light(const sp_fit_job *j)
{
  return j->good && !j->candidate.part && j->mark.contrast > 0.0;
}

/* Distances of a cut's middle from its burr's, as parts of what both are broad together: a fit begins this near it. */
static const struct {
  double apart;
  sp_effort effort; /* with the burr from the first, or without one to begin with */
} BEGIN[] = {{0.4, SP_EFFORT_AGAIN},
             {0.55, SP_EFFORT_AGAIN},
             {0.7, SP_EFFORT_AGAIN},
             {0.9, SP_EFFORT_AGAIN},
             {0.5, SP_EFFORT_FULL}};
enum { BEGINNINGS = sizeof BEGIN / sizeof *BEGIN };

/* One trial a line: its cut lies so far right of it. */
static void ask_for_cuts(const sp_fits *jobs, size_t count, double apart_px, sp_effort effort, sp_fit_job *trial)
{
  for (size_t i = 0; i < count; i++) {
    const sp_fit_job *j = &jobs->job[i];
    trial[i] = *j;
    trial[i].wanted = is_light(j);
    trial[i].candidate.u_px = j->mark.u_px + apart_px;
    trial[i].candidate.v_px = j->mark.v_px;
    trial[i].candidate.slope = j->mark.slope;
    trial[i].candidate.cut_sign = -1;
    trial[i].candidate.burr_side = apart_px > 0.0 ? -1 : 1;
    trial[i].effort = effort;
  }
}

/* From wherever it began best: the trials of one side. */
static sp_status try_side(const sp_fits *jobs, size_t count, int sign, sp_fit_job *work, sp_fit_job *trial,
                          sp_error *err)
{
  sp_fits tried = *jobs;
  sp_status status = SP_OK;
  tried.job = work;
  for (int a = 0; !status && a < BEGINNINGS; a++) {
    ask_for_cuts(jobs, count, sign * BEGIN[a].apart * jobs->expect->usual_px, BEGIN[a].effort, work);
    status = sp_fits_run(&tried, count, err);
    for (size_t i = 0; !status && i < count; i++)
      if (a == 0 || (work[i].good && (!trial[i].good || work[i].mark.misfit < trial[i].mark.misfit)))
        trial[i] = work[i];
  }
  return status;
}

/* What darkens less, depth times breadth, than this part of what its burr lightens explains nothing but what the line's
 * own shape differs by from the ideal, where there is so little noise that this can be seen. Such a cut is narrow as
 * well as pale: of drawn ones the true have 0.4 and more of their burrs, lines without burrs up to 0.13. */
static const double CUT_LEAST = 0.22;

static double tone_of(const sp_mark *m)
{
  return fabs(m->contrast) * m->width_px;
}

static bool is_burr_of_cut(const sp_fit_job *j, const sp_fit_job *trial)
{
  return is_light(j) && trial->good && trial->mark.contrast < 0.0 &&
         tone_of(&trial->mark) > CUT_LEAST * tone_of(&j->mark) &&
         trial->mark.misfit < BETTER_EXPLAINED * j->mark.misfit;
}

/* What is known of the light lines of a board. */
typedef struct light_lines {
  size_t count, burrs[2]; /* burrs of cuts that lie left and right of them */
  double apart_px[SP_MOST_CANDIDATES];
} light_lines;

static void count_burrs(const sp_fit_job *job, const sp_fit_job *trial, size_t count, int right, light_lines *l)
{
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    if (is_burr_of_cut(&job[i], &trial[i]))
      l->apart_px[n++] = fabs(trial[i].mark.u_px - job[i].mark.u_px);
  l->burrs[right] = n;
}

/* Where a cut was not found by itself it lies as far beside its burr as the others do. */
static void take_cuts(const sp_fit_job *trial, size_t count, double apart_px, sp_fit_job *job)
{
  for (size_t i = 0; i < count; i++) {
    if (!is_light(&job[i]))
      continue;
    const bool found = is_burr_of_cut(&job[i], &trial[i]);
    const double u_px = job[i].mark.u_px + apart_px;
    job[i].candidate = trial[i].candidate;                    /* a trial that went well goes the same way again */
    job[i].candidate.height = -fabs(job[i].candidate.height); /* its place is the cut's from now on */
    if (!found)
      job[i].candidate.u_px = u_px;
    job[i].effort = found ? trial[i].effort : SP_EFFORT_AGAIN;
    job[i].ever = false;
  }
}

/* One trial a line: it is light, and its ridges are dark. */
static void ask_for_shade(const sp_fits *jobs, size_t count, sp_fit_job *trial)
{
  for (size_t i = 0; i < count; i++) {
    const sp_fit_job *j = &jobs->job[i];
    trial[i] = *j;
    trial[i].wanted = is_light(j);
    trial[i].candidate.u_px = j->mark.u_px;
    trial[i].candidate.v_px = j->mark.v_px;
    trial[i].candidate.slope = j->mark.slope;
    trial[i].candidate.cut_sign = 1;
    trial[i].candidate.burr_side = 0;
    trial[i].candidate.shaded = true;
    trial[i].effort = SP_EFFORT_FULL;
  }
}

/* What a board's light lines are. */
typedef struct light_answer {
  bool cuts;       /* burrs: the cuts took their places */
  bool shaded;     /* lines in a shade of their own, or burrs */
  double aside_px; /* and then so far the cuts lie beside them, to larger u; 0 = no burrs */
  double doubt_px; /* some are burrs: what is between the two */
} light_answer;

/* What the trials of light lines in their shade say: how many burrs they explain as well, and how many of those have it
 * on both sides; how many of all trials have more of it left and right; how dark it is on the whole. */
typedef struct shades {
  size_t count, both, of_side[2];
  double height;
} shades;

static shades count_shades(const sp_fit_job *job, const sp_fit_job *cut, const sp_fit_job *shade, size_t count)
{
  double height[SP_MOST_CANDIDATES];
  shades s = {0};
  for (size_t i = 0; i < count; i++) {
    if (!is_light(&job[i]) || !shade[i].voted)
      continue;
    s.of_side[shade[i].ballot.side]++;
    if (!is_burr_of_cut(&job[i], &cut[i]) || shade[i].mark.misfit > SHADE_AS_WELL * cut[i].mark.misfit)
      continue;
    s.both += shade[i].ballot.lesser > BOTH_SIDES;
    height[s.count++] = shade[i].ballot.height;
  }
  s.height = s.count ? sp_median(height, s.count) : 0.0;
  return s;
}

/* On both sides alike; or on one side of all, and weaker than the line. */
static bool are_lines(const shades *s)
{
  return 2 * s->both > s->count;
}

static bool may_be_lines(const shades *s)
{
  const double all = (double)(s->of_side[0] + s->of_side[1]);
  return s->height < SHADE_MOST && fmax((double)s->of_side[0], (double)s->of_side[1]) >= ONE_SIDE * all;
}

/* The lines are light, each in its shade. */
static void take_shades(const sp_fit_job *shade, size_t count, sp_fit_job *job)
{
  for (size_t i = 0; i < count; i++) {
    if (!is_light(&job[i]))
      continue;
    job[i].candidate = shade[i].candidate;
    job[i].effort = SP_EFFORT_FULL;
    job[i].ever = false;
  }
}

/* Cuts are there that light lines may be burrs of, `apart_px` to larger u, for `burrs` of them, which are `most` or
 * not. Are they? */
static sp_status judge_cuts(sp_fits *jobs, const sp_fit_job *cut, sp_fit_job *shade, size_t count, double apart_px,
                            size_t burrs, bool most, light_answer *answer, sp_error *err)
{
  sp_fits asked = *jobs;
  asked.job = shade;
  ask_for_shade(jobs, count, shade);
  const sp_status status = sp_fits_run(&asked, count, err);
  if (status)
    return status;
  const shades seen = count_shades(jobs->job, cut, shade, count);
  const bool as_well = 2 * seen.count >= burrs, lines = as_well && are_lines(&seen);
  answer->shaded = lines || (most && as_well && may_be_lines(&seen));
  answer->cuts = most && !answer->shaded;
  answer->aside_px = answer->shaded && !lines ? apart_px : 0.0;
  answer->doubt_px = answer->shaded || answer->cuts ? 0.0 : fmax(answer->doubt_px, DOUBT_PART * fabs(apart_px));
  if (answer->cuts)
    take_cuts(cut, count, apart_px, jobs->job);
  else if (answer->shaded)
    take_shades(shade, count, jobs->job);
  return SP_OK;
}

/* Where nearly all light lines may be burrs of cuts on one side of them, it is asked whether they are. Where a good
 * part of them may, nobody can tell: doubt_px is then what is between the two. */
static sp_status find_cuts_of_burrs(sp_fits *jobs, size_t count, light_answer *answer, sp_error *err)
{
  sp_fit_job *work = calloc(2 * count + 1, sizeof *work), *trial = work ? work + count : NULL;
  light_lines light = {0};
  sp_status status = work ? SP_OK : sp_fail_memory(err);
  for (size_t i = 0; i < count; i++)
    light.count += is_light(&jobs->job[i]);
  for (int right = 0; !status && !answer->cuts && !answer->shaded && right < 2; right++) {
    status = try_side(jobs, count, right ? 1 : -1, work, trial, err);
    if (status)
      break;
    count_burrs(jobs->job, trial, count, right, &light);
    const size_t n = light.burrs[right];
    const bool most = n >= LEAST_BURRS && (double)n >= MOST_ARE_BURRS * (double)light.count;
    if (most || (n >= LEAST_DOUBTFUL && (double)n >= SOME_ARE_BURRS * (double)light.count))
      status = judge_cuts(jobs, trial, work, count, (right ? 1.0 : -1.0) * sp_median(light.apart_px, n), n, most,
                          answer, err);
  }
  free(work);
  return status;
}

/* What nobody can tell is in the doubt; where it is the same for all lines it cancels between them. */
static void doubt_light(const light_answer *answer, sp_marks *marks)
{
  for (size_t i = 0; i < marks->count; i++) {
    sp_mark *m = &marks->marks[i];
    if (!(m->contrast > 0.0))
      continue;
    m->u_u_px = hypot(m->u_u_px, answer->doubt_px);
    m->u_px += 0.5 * answer->aside_px;
    m->u_common_px = MIDWAY_U * fabs(answer->aside_px);
  }
}

/* In a coarse picture a cut and the burrs on both its sides may cancel: what shows, though its area does not, is looked
 * at again when it is known what the board's burrs are like. It has no say in that. */
static sp_status look_again_at_cancelled(sp_fits *jobs, size_t count, sp_marks *marks, sp_error *err)
{
  size_t list[SP_MOST_CANDIDATES], n = 0;
  const bool light = sp_marks_mostly_light(jobs->o, marks);
  for (size_t i = 0; i < count; i++) {
    sp_fit_job *j = &jobs->job[i];
    j->cancelled = !j->ever && !j->candidate.part && j->effort != SP_EFFORT_QUICK &&
                   j->mark.significance * sqrt(j->mark.misfit) > SP_LEAST_SIGNIFICANCE;
    if (!j->cancelled)
      continue;
    j->wanted = true;
    list[n++] = i;
  }
  const sp_status status = n ? run_late(jobs, list, n, err) : SP_OK;
  for (size_t k = 0; !status && k < n; k++) {
    const sp_fit_job *j = &jobs->job[list[k]];
    if (j->good && (j->mark.contrast > 0.0) == light)
      marks->marks[marks->count++] = j->mark;
  }
  return status;
}

/* All candidates within the board, finely; a second time where the lines agree on what their burrs are like. */
sp_status sp_fits_final(const sp_view *view, const sp_candidate *candidates, size_t count, const sp_marks_options *o,
                        double group_px, const sp_ground *ground, sp_expectation *expect, sp_marks *marks,
                        sp_error *err)
{
  const double blur_sd_log = o->blur_px > 0.0 ? hypot(0.03, o->blur_sd_log) : 0.03;
  *expect = sp_expect(o->kind, o->px_per_mm, marks->blur_px, blur_sd_log);
  burr_vote votes = {0};
  sp_fits jobs = {&marks->board, view, o, expect, ground, min_coverage(o), calloc(2 * count + 1, sizeof(sp_fit_job))};
  marks->marks = calloc(2 * count + 1, sizeof *marks->marks);
  if (!marks->marks || !jobs.job) {
    free(jobs.job);
    return sp_fail_memory(err);
  }
  for (size_t i = 0; i < count; i++) {
    sp_fit_job *j = &jobs.job[i];
    j->candidate = j->seen = candidates[i];
    j->wanted = place_on_board(&marks->board, 0.5 * o->px_per_mm, &j->candidate);
    const bool faint =
        sp_candidate_reach(&candidates[i]) < FULL_FIT * sp_candidate_reach(&candidates[count < 12 ? 0 : 5]);
    j->effort = faint ? SP_EFFORT_QUICK : SP_EFFORT_FULL;
  }
  for (size_t i = 0; i < count; i++)
    jobs.job[i].beside = jobs.job[i].wanted && sp_fits_slot_beside(&jobs, count, i);
  const size_t parts = add_parts(o, group_px, jobs.job, count, &marks->board);
  size_t spared;
  sp_status status = first_final_pass(&jobs, count, parts, &votes, marks, &spared, err);
  light_answer light = {0};
  if (!status && o->kind == SP_MARK_KNIFE && (sp_marks_mostly_light(o, marks) || many_light(marks, spared)))
    status = find_cuts_of_burrs(&jobs, count, &light, err);
  if (!status && (light.cuts || light.shaded)) {
    votes = (burr_vote){0};
    status = final_pass(&jobs, count, parts, &votes, marks, err);
  }
  if (!status && (is_denied(&votes, o, marks, spared, expect) || agree_on_burr(&votes, expect))) {
    prepare_again(&jobs, count + parts, expect->burr_expected ? usual_side(&votes, o, marks) : 0);
    status = final_pass(&jobs, count, parts, &votes, marks, err);
  }
  if (!status && o->kind == SP_MARK_KNIFE && expect->burr_expected)
    status = look_again_at_cancelled(&jobs, count, marks, err);
  if (!status && o->kind == SP_MARK_KNIFE)
    status = sp_fits_look_beside(&jobs, count, marks, err);
  if (!status && o->kind == SP_MARK_SLOT)
    status = sp_fits_separate_slots(&jobs, marks, err);
  doubt_light(&light, marks);
  free(jobs.job);
  return status;
}
