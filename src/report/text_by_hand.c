/* What was said by hand, and what came of it. */
#include <math.h>

#include "report_internal.h"

void sp_say_correction(const sp_correction_record *c, sp_sentence *s)
{
  static const char *const WHAT[] = {[SP_CORRECTION_NOT_A_MARK] = "no mark",
                                     [SP_CORRECTION_MARK_HERE] = "a mark",
                                     [SP_CORRECTION_NUT_HERE] = "the nut",
                                     [SP_CORRECTION_GRADUATION] = "the rule reads"};
  sp_say(s, "%s", WHAT[c->said.kind]);
  if (c->said.kind == SP_CORRECTION_GRADUATION)
    sp_say(s, " %.6g mm", c->said.reading_mm);
  sp_say(s, " at %.0f, %.0f px", c->said.at_px.x, c->said.at_px.y);
  if (c->said.source)
    sp_say(s, " of picture %ld", (long)c->said.source + 1);
  sp_say(s, ": %s", c->text);
}

const char *sp_by_hand_note(const sp_mark_record *m)
{
  static const char *const NOTES[] = {[SP_BY_HAND_NO] = NULL,
                                      [SP_BY_HAND_ADDED] = "added by hand",
                                      [SP_BY_HAND_CHOSEN] = "chosen by hand",
                                      [SP_BY_HAND_NUT] = "nut by hand"};
  return NOTES[m->by_hand];
}

void sp_text_by_hand(const sp_record *record, FILE *file)
{
  if (record->correction_count)
    fprintf(file, "\nSaid by hand (places are the program's all the same)\n");
  for (size_t i = 0; i < record->correction_count; i++) {
    sp_sentence s = {.used = 0};
    sp_say_correction(&record->corrections[i], &s);
    sp_text_wrapped("  - ", 4, s.text, file);
  }
}
