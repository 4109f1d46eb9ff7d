/* Words and counts that all reports share: names of frets, the trade's words for what is measured, the tolerance. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "report_internal.h"

const char *sp_fret_name(int32_t fret, char into[static 24])
{
  if (fret == 0)
    snprintf(into, 24, "the nut");
  else
    snprintf(into, 24, "fret %ld", (long)fret);
  return into;
}

size_t sp_count_frets(const sp_record *record, sp_verdict verdict)
{
  size_t n = 0;
  for (size_t i = 0; i < record->mark_count; i++)
    n += record->marks[i].fret > 0 && record->marks[i].verdict == verdict;
  return n;
}

void sp_tolerance_words(const sp_record *record, char *into, size_t size)
{
  const bool mm = isfinite(record->tolerance_mm), cents = isfinite(record->tolerance_cents);
  if (mm && cents)
    snprintf(into, size, "%.4g mm and %.4g cents", record->tolerance_mm, record->tolerance_cents);
  else if (mm)
    snprintf(into, size, "%.4g mm", record->tolerance_mm);
  else if (cents)
    snprintf(into, size, "%.4g cents", record->tolerance_cents);
  else
    snprintf(into, size, "the tolerance");
}

const sp_trade_words *sp_trade_words_for(const sp_record *record)
{
  static const char CARE[] = "Care: clamp the board, keep both hands behind the edge of knife or saw, wear eye "
                             "protection, and keep the dust out of your lungs.";
  static const sp_trade_words CUT = {"line",
                                     "cut again",
                                     "Cut again",
                                     "Or, instead of cutting all of them",
                                     "No line could be told to be a certain fret; the warnings below say why.",
                                     NULL,
                                     CARE};
  static const sp_trade_words SAW = {"slot",
                                     "cut again",
                                     "Cut again",
                                     "Or, instead of cutting all of them",
                                     "No line could be told to be a certain fret; the warnings below say why.",
                                     "A slot that would overlap its old place has to be filled with wood and trimmed "
                                     "first.",
                                     CARE};
  static const sp_trade_words SET = {
      "fret",
      "set again",
      "Set again",
      "Or, instead of setting all of them again",
      "No wire could be told to be a certain fret; the warnings below say why.",
      "Before a fret is drawn: let all strings down, evenly and with your face away from them. The place given is the "
      "middle between the wire's feet; where a crown was dressed off the middle, it sounds from its highest line.",
      "Care: wear eye protection and gloves (wire ends are sharp and fly when cut, a heated fret burns), hold the wood "
      "down beside a fret that is drawn, clamp the neck, keep both hands behind the saw, and keep dust of wood, metal "
      "and old finish out of your lungs."};
  return record->marks_kind == SP_MARK_WIRE ? &SET : record->marks_kind == SP_MARK_SLOT ? &SAW : &CUT;
}

const sp_finding *sp_other_scale(const sp_record *record)
{
  for (size_t i = 0; i < record->finding_count; i++)
    if (strcmp(record->findings[i].kind, "other-scale-length") == 0)
      return &record->findings[i];
  return NULL;
}
