/* The diagnosis for hands that are dusty: verdict, what to do, then the figures.
 *
 * What can be heard is a judgement from published figures: about 10 cents for melodic intervals (Hill & Summers, J.
 * Acoust. Soc. Am. 2007), 3 Hz at 1 kHz = 5.2 cents for pure tones below 1 kHz; a cent is below every one of them. */
#include <math.h>

#include "slotproof/diagnosis.h"
#include "slotproof/writing.h"
#include "words.h"

static const double INAUDIBLE_CENTS = 1.0, BEATS_CENTS = 5.0, AUDIBLE_CENTS = 10.0;

/* Without "-0.0". */
static double tidy(double x, int decimals)
{
  return fabs(x) < 0.5 * pow(10.0, -decimals) ? 0.0 : x;
}

static const char *audibility(double cents)
{
  const double size = fabs(cents);
  return size < INAUDIBLE_CENTS  ? "NOTHING TO HEAR"
         : size <= BEATS_CENTS   ? "HEARD AS BEATS AT MOST"
         : size <= AUDIBLE_CENTS ? "AT THE LIMIT OF WHAT IS HEARD"
                                 : "PLAINLY AUDIBLE";
}

static void put_headline(const sp_diagnosis *d, FILE *file)
{
  sp_sentence s = {.used = 0};
  const sp_note *n = &d->notes[d->worst_note];
  sp_say(&s, "%s: %.1f cents rms over %zu %s; worst %+.1f on string %zu, ", audibility(d->worst), d->rms, d->note_count,
         d->from_readings ? "readings" : "predicted notes", tidy(d->worst, 1), n->string + 1);
  sp_say(&s, n->fret ? "fret %ld." : "open.", (long)n->fret);
  sp_text_wrapped("", 0, s.text, file);
}

/* A move worth naming is larger than its doubt. */
static bool counts(const sp_estimate *e)
{
  return e->known && fabs(e->value) > 2.0 * e->u && fabs(e->value) >= 0.05;
}

static void say_move(const char *what, const sp_estimate *e, bool *first, sp_sentence *s)
{
  if (!counts(e))
    return;
  sp_say(s, "%s%s %.2f mm (+/- %.2f) %s", *first ? "" : "; ", what, fabs(e->value), 2.0 * e->u,
         e->value > 0.0 ? "toward the tail of the instrument, away from the frets" : "toward the frets");
  *first = false;
}

static void say_nut(const sp_estimate *e, bool *first, sp_sentence *s)
{
  if (!counts(e))
    return;
  sp_say(s, "%sthe face of the nut %.2f mm (+/- %.2f) %s", *first ? "" : "; ", fabs(e->value), 2.0 * e->u,
         e->value > 0.0 ? "toward the first fret" : "away from the first fret");
  *first = false;
}

static void put_cure(const sp_diagnosis *d, FILE *file)
{
  const sp_cure best = sp_best_cure(d);
  const sp_cure_result *r = &d->cure[best];
  sp_sentence s = {.used = 0};
  bool first = true;
  const double now = d->cure[SP_CURE_TUNE].rms, frets = fmax(0.0, now - d->cure[SP_CURE_FRETS].rms);
  sp_say(&s,
         "The frets explain %.1f of the %.1f cents rms that the stopped notes are off with the open strings in tune.",
         tidy(frets, 1), now);
  sp_text_wrapped("  ", 2, s.text, file);
  s.used = 0;
  if (best == SP_CURE_TUNE)
    sp_say(&s, "Tune the open strings; nothing that could be moved is worth the work: it would be less than a cent.");
  else
    sp_say(&s, "Move, and tune again: ");
  if (best == SP_CURE_FRETS || best == SP_CURE_ALL) {
    sp_say(&s, "the frets to their computed places");
    first = false;
  }
  say_nut(&r->nut_mm, &first, &s);
  for (size_t i = 0; i < d->strings; i++) {
    char what[60];
    snprintf(what, sizeof what, "the saddle contact of string %zu", i + 1);
    say_move(what, &r->saddle_mm[i], &first, &s);
  }
  if (first && best != SP_CURE_TUNE)
    sp_say(&s, "nothing: every move is smaller than its doubt. Take more readings");
  if (best != SP_CURE_TUNE)
    sp_say(&s, ". That leaves %.1f cents rms, worst %+.1f.", r->rms, tidy(r->worst, 1));
  sp_text_wrapped("  ", 2, s.text, file);
}

static void put_parts(const sp_diagnosis *d, FILE *file)
{
  static const char *const NAMES[SP_PARTS] = {"tuning of the open strings", "places of the frets",
                                              "place of the nut",           "places of the saddle contacts",
                                              "stiffness of the strings",   "stretch when pressed down",
                                              "rest that nothing explains"};
  fprintf(file, "\n part                              cents rms  left without it\n");
  for (int p = 0; p < SP_PARTS; p++)
    fprintf(file, " %-32s %10.2f %16.2f\n", NAMES[p], d->part_rms[p], d->part_left[p]);
  sp_text_wrapped("  ", 2,
                  "Parts can work against each other (a saddle set back makes up for stiffness and stretch), so they "
                  "need not add up, "
                  "and without one of them more can be left than there was.",
                  file);
}

static void put_cures(const sp_diagnosis *d, FILE *file)
{
  static const char *const NAMES[SP_CURES] = {"open strings tuned",       "and the frets put right",
                                              "and the nut moved",        "and the saddle contacts moved",
                                              "and nut and saddle moved", "and frets, nut and saddle"};
  fprintf(file, "\n stopped notes after                cents rms    worst\n");
  for (int c = 0; c < SP_CURES; c++)
    if (d->cure[c].possible)
      fprintf(file, " %-32s %11.2f %+8.2f\n", NAMES[c], d->cure[c].rms, tidy(d->cure[c].worst, 2));
    else
      fprintf(file, " %-32s %11s %8s\n", NAMES[c], "-", "-");
}

static void put_estimate(const sp_estimate *e, FILE *file)
{
  if (e->known)
    fprintf(file, " %+8.2f %6.2f", tidy(e->value, 2), 2.0 * e->u);
  else
    fprintf(file, " %8s %6s", "-", "-");
}

static void put_moves(const sp_diagnosis *d, FILE *file)
{
  fprintf(file, "\n moves, mm          saddle only       nut only     nut and saddle  with frets right\n");
  fprintf(file, "                            +/-             +/-             +/-             +/-\n");
  for (size_t i = 0; i <= d->strings; i++) {
    if (i < d->strings)
      fprintf(file, " string %-8zu", i + 1);
    else
      fprintf(file, " nut            ");
    static const sp_cure SHOWN[] = {SP_CURE_SADDLE, SP_CURE_NUT, SP_CURE_NUT_SADDLE, SP_CURE_ALL};
    for (size_t c = 0; c < 4; c++)
      put_estimate(i < d->strings ? &d->cure[SHOWN[c]].saddle_mm[i] : &d->cure[SHOWN[c]].nut_mm, file);
    fputc('\n', file);
  }
  sp_text_wrapped(
      "  ", 2, "+ is toward the tail for a saddle, toward the first fret for the nut; +/- is k = 2, about 95 %.", file);
}

static void put_notes(const sp_diagnosis *d, FILE *file)
{
  const sp_cure best = sp_best_cure(d);
  fprintf(file, "\n string fret %9s = tuning   frets     nut  saddle   stiff stretch    rest   cured\n",
          d->from_readings ? "read" : "predicted");
  for (size_t j = 0; j < d->note_count; j++) {
    const sp_note *n = &d->notes[j];
    fprintf(file, " %6zu %4ld %+9.2f ", n->string + 1, (long)n->fret, tidy(n->cents, 2));
    for (int p = 0; p < SP_PARTS; p++)
      fprintf(file, " %+7.2f", tidy(n->part[p], 2));
    fprintf(file, " %+7.2f\n", tidy(n->after[best], 2));
  }
}

static void put_values(const sp_diagnosis *d, FILE *file)
{
  sp_sentence s = {.used = 0};
  if (!d->from_readings)
    return;
  sp_say(&s, "Read back from the notes:");
  if (d->nut_mm.known)
    sp_say(&s, " the nut acts %.2f mm (+/- %.2f) %s of the place given;", fabs(d->nut_mm.value), 2.0 * d->nut_mm.u,
           d->nut_mm.value < 0.0 ? "short" : "bridgeward");
  if (d->stretch_factor.known)
    sp_say(&s, " the strings stretch %.2f (+/- %.2f) times as computed;", d->stretch_factor.value,
           2.0 * d->stretch_factor.u);
  sp_say(&s, " saddle contacts beyond the places given, mm:");
  for (size_t i = 0; i < d->strings; i++)
    if (d->saddle_mm[i].known)
      sp_say(&s, " string %zu %+.2f (+/- %.2f);", i + 1, tidy(d->saddle_mm[i].value, 2), 2.0 * d->saddle_mm[i].u);
  if (s.used)
    s.text[s.used - 1] = '.';
  fputc('\n', file);
  sp_text_wrapped("  ", 2, s.text, file);
  if (d->widened > 1.0) {
    s.used = 0;
    sp_say(
        &s,
        "The readings scatter %.1f times more than stated, so every +/- was widened. Look at the column 'rest' for a "
        "reading to take again.",
        d->widened);
    sp_text_wrapped("  ", 2, s.text, file);
  }
}

static const char *remedy(const sp_entanglement *t)
{
  if (t->a.kind == SP_VALUE_STRETCH)
    return "Stretch is taken as computed; read frets near the nut, in the middle and high up";
  if (t->b.kind == SP_VALUE_TUNING)
    return "Read the open strings too, and more frets";
  return "Read more frets along each string";
}

static void put_tangled(const sp_diagnosis *d, FILE *file)
{
  for (size_t k = 0; k < d->tangled_count; k++) {
    const sp_entanglement *t = &d->tangled[k];
    sp_sentence s = {.used = 0};
    char a[60], b[60];
    if (isnan(t->correlation))
      sp_say(&s, "These readings cannot tell %s from %s. %s.", sp_value_words(t->a, a), sp_value_words(t->b, b),
             remedy(t));
    else
      sp_say(&s,
             "These readings hardly tell %s from %s (correlation %+.3f): trust their joint effect, not the single "
             "figures.",
             sp_value_words(t->a, a), sp_value_words(t->b, b), t->correlation);
    sp_text_wrapped("  ", 2, s.text, file);
  }
}

static void list_strings(const char *what, const bool *known, size_t strings, bool read, FILE *file)
{
  sp_sentence s = {.used = 0};
  for (size_t i = 0; i < strings; i++)
    if (!known[i])
      sp_say(&s, s.used ? ", %zu" : "%zu", i + 1);
  if (!s.used)
    return;
  sp_sentence whole = {.used = 0};
  sp_say(&whole, "Not known for string %s: %s. %s.", s.text, what,
         read ? "It then shows as a place of the saddle"
              : "Its saddle is then taken as right, and no move of it named");
  sp_text_wrapped("  ", 2, whole.text, file);
}

static void put_assumptions(const sp_complaint *c, const sp_diagnosis *d, FILE *file)
{
  sp_sentence s = {.used = 0};
  sp_say(
      &s,
      "Scale length %.2f mm; the nut's face %+.2f mm from the datum. Frets speak at the middle of the measured marks; "
      "string ends count as clamped, which is the most that stiffness can do.",
      c->instrument.scale_length_mm, tidy(c->instrument.nut_mm - c->datum_mm, 2));
  if (d->from_readings)
    sp_say(&s, " A reading that states no uncertainty has %.2g cents (one standard uncertainty).", c->reading_u_cents);
  if (d->left_out)
    sp_say(&s, " %zu readings were left out: the record does not know the place of their frets.", d->left_out);
  fputc('\n', file);
  sp_text_wrapped("  ", 2, s.text, file);
  list_strings("what its stiffness does", d->stiffness_known, d->strings, d->from_readings, file);
  list_strings("what pressing it down does", d->stretch_known, d->strings, d->from_readings, file);
  sp_text_wrapped(
      "  ", 2,
      "What is heard (a judgement from published figures): below 1 cent nothing, 2 to 5 cents as beats only, "
      "above 10 cents plainly.",
      file);
}

static void put_care(FILE *file)
{
  fputc('\n', file);
  sp_text_wrapped(
      "  ", 2,
      "Care: measure nut and saddle once more and try the move with a loose shim before anything is glued or "
      "cut. Slacken the strings before work on nut, saddle or frets, and wear eye protection: a string that "
      "breaks or slips can injure an eye. Keep dust of bone, shell, wood and metal out of your lungs. Where "
      "the work needs a trained or licensed repairer, leave it to one.",
      file);
}

sp_status sp_diagnosis_text(const sp_complaint *c, const sp_diagnosis *d, FILE *file, sp_error *err)
{
  put_headline(d, file);
  put_cure(d, file);
  put_cures(d, file);
  put_moves(d, file);
  put_parts(d, file);
  put_values(d, file);
  put_tangled(d, file);
  put_notes(d, file);
  put_assumptions(c, d, file);
  put_care(file);
  return sp_flush_file(file, err);
}
