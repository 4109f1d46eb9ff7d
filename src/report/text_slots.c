/* Slots in words: the kerf on the whole, and each slot that does not run true, with what it means for its fret. Only
 * what the record calls a trouble is worth a line. */
#include <math.h>

#include "report_internal.h"
#include "slotproof/advice.h"

/* "Kerf: 0.606 mm, +/- 0.003 mm from slot to slot; 0.02 mm wider than the tang" */
void sp_say_kerf(const sp_record *record, sp_sentence *s)
{
  if (!isfinite(record->sawn_mm))
    return;
  sp_say(s, "%.3f mm on the average", record->sawn_mm);
  if (isfinite(record->sawn_sd_mm))
    sp_say(s, ", with a standard deviation of %.3f mm from slot to slot", record->sawn_sd_mm);
  const double loose = record->sawn_mm - record->kerf_mm;
  if (record->kerf_told)
    sp_say(s, "; %.3f mm %s than the tang of %.3f mm%s", fabs(loose), loose > 0.0 ? "wider" : "narrower",
           record->kerf_mm,
           loose > SP_SLOT_WORTH_MM    ? ": the fret will sit loose and wants glue or a broader tang"
           : loose < -SP_SLOT_WORTH_MM ? ": the fret will be hard to press and may bow the board backward"
                                       : "");
}

/* To a hundredth of a millimetre, as the lengths beside it. */
static double doubt(double u_mm)
{
  return fmax(2.0 * u_mm, 0.01);
}

/* Ends are named as a maker sees them: from the nut toward the bridge, face up, end a lies to the left. */
static void say_widening(const sp_slot_record *s, sp_sentence *text)
{
  const bool right = s->widening_mm > 0.0;
  sp_say(text, "the walls are not parallel: the kerf is %.2f mm at the %s end and %.2f mm at the %s end (+/- %.2f)",
         right ? s->kerf_a_mm : s->kerf_b_mm, right ? "left" : "right", right ? s->kerf_b_mm : s->kerf_a_mm,
         right ? "right" : "left", doubt(s->u_kerf_end_mm));
}

static void say_wander(const sp_slot_record *s, sp_sentence *text)
{
  sp_say(text, "the cut wanders: its middle lies up to %.2f mm (+/- %.2f) off straight, toward the %s",
         fabs(s->wander_worst_mm), doubt(s->u_wander_worst_mm), s->wander_worst_mm > 0.0 ? "bridge" : "nut");
}

static void say_fit(unsigned troubles, const sp_slot_record *s, double tang_mm, sp_sentence *text)
{
  if (troubles & SP_SLOT_TIGHT)
    sp_say(text, "at its narrowest it has %.2f mm, too tight for the tang of %.2f mm", s->kerf_least_mm, tang_mm);
  if (troubles & SP_SLOT_LOOSE)
    sp_say(text, "%s it has %.2f mm, too wide for the tang of %.2f mm",
           troubles & SP_SLOT_TIGHT ? ", and at its widest" : "at its widest", s->kerf_most_mm, tang_mm);
}

/* What is said of all slots together is not said of each. */
static unsigned said_of_all(const sp_record *record)
{
  const double loose = record->sawn_mm - record->kerf_mm;
  return loose > SP_SLOT_WORTH_MM ? SP_SLOT_LOOSE : loose < -SP_SLOT_WORTH_MM ? SP_SLOT_TIGHT : 0;
}

void sp_say_slot(const sp_record *record, const sp_mark_record *m, sp_sentence *text)
{
  const unsigned troubles = m->found ? m->slot.troubles & ~said_of_all(record) : 0;
  const sp_slot_record *s = &m->slot;
  if (troubles & SP_SLOT_WIDENS)
    say_widening(s, text);
  if (troubles & SP_SLOT_UNEVEN)
    sp_say(text, "the kerf is uneven, from %.2f to %.2f mm along the slot (+/- %.2f)", s->kerf_least_mm,
           s->kerf_most_mm, doubt(s->u_kerf_window_mm));
  if (troubles & SP_SLOT_WANDERS) {
    sp_say(text, "%s", troubles & (SP_SLOT_WIDENS | SP_SLOT_UNEVEN) ? "; " : "");
    say_wander(s, text);
  }
  if (troubles & (SP_SLOT_TIGHT | SP_SLOT_LOOSE)) {
    sp_say(text, "%s", troubles & (SP_SLOT_WIDENS | SP_SLOT_UNEVEN | SP_SLOT_WANDERS) ? "; " : "");
    say_fit(troubles, s, record->kerf_mm, text);
  }
}

const char SP_UNTRUE_WORDS[] = "Slots that do not run true (left and right: seen from the nut, face up)";
const char SP_TANG_WORDS[] =
    "A tang holds where kerf and tang fit: try a piece of fret wire along the whole slot; fill "
    "and saw anew what a hammer would have to force, glue what stays loose.";

void sp_text_slots(const sp_record *record, FILE *file)
{
  bool first = true;
  for (size_t i = 0; i < record->mark_count; i++) {
    char name[24];
    sp_sentence text = {.used = 0};
    sp_say(&text, "%s: ", sp_fret_name(record->marks[i].fret, name));
    const size_t before = text.used;
    sp_say_slot(record, &record->marks[i], &text);
    if (text.used == before)
      continue;
    if (first)
      fprintf(file, "\n%s\n", SP_UNTRUE_WORDS);
    first = false;
    sp_text_wrapped("  ", 6, text.text, file);
  }
  if (!first)
    sp_text_wrapped("  ", 2, SP_TANG_WORDS, file);
}
