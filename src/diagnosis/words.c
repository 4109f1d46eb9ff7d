/* Names, and the choice of a cure: the least work first, as at the bench. */
#include "words.h"

#include <stdio.h>

/* Nobody hears a cent. */
static const double NOT_HEARD_CENTS = 1.0;

sp_cure sp_best_cure(const sp_diagnosis *d)
{
  static const sp_cure BY_WORK[SP_CURES] = {SP_CURE_TUNE,       SP_CURE_SADDLE, SP_CURE_NUT,
                                            SP_CURE_NUT_SADDLE, SP_CURE_FRETS,  SP_CURE_ALL};
  double best = d->cure[SP_CURE_TUNE].rms;
  for (int c = 0; c < SP_CURES; c++)
    if (d->cure[c].possible && d->cure[c].rms < best)
      best = d->cure[c].rms;
  for (int k = 0; k < SP_CURES; k++)
    if (d->cure[BY_WORK[k]].possible && d->cure[BY_WORK[k]].rms <= best + NOT_HEARD_CENTS)
      return BY_WORK[k];
  return SP_CURE_TUNE;
}

const char *sp_part_word(sp_part part)
{
  static const char *const WORDS[SP_PARTS] = {"tuning", "frets", "nut", "saddle", "stiffness", "stretch", "rest"};
  return WORDS[part];
}

const char *sp_cure_word(sp_cure cure)
{
  static const char *const WORDS[SP_CURES] = {"tune", "frets", "nut", "saddle", "nut_saddle", "all"};
  return WORDS[cure];
}

const char *sp_value_words(sp_value_name v, char into[static 60])
{
  static const char *const ONE[SP_VALUE_KINDS] = {"the tuning of string", "the saddle of string", "", ""};
  static const char *const ALL[SP_VALUE_KINDS] = {"the tuning of the strings", "the saddle of the strings", "the nut",
                                                  "the stretch of the strings"};
  if (v.string < SP_MAX_STRINGS && ONE[v.kind][0])
    snprintf(into, 60, "%s %zu", ONE[v.kind], v.string + 1);
  else
    snprintf(into, 60, "%s", ALL[v.kind]);
  return into;
}
