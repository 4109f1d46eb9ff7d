/* Words that text and JSON share. */
#ifndef SP_DIAGNOSIS_WORDS_H
#define SP_DIAGNOSIS_WORDS_H

#include "slotproof/intonation.h"

/* The least work that leaves at most a cent more than the best cure. */
sp_cure sp_best_cure(const sp_diagnosis *diagnosis);
/* "tuning", "frets" ...; "tune", "saddle" ... */
const char *sp_part_word(sp_part part);
const char *sp_cure_word(sp_cure cure);
/* "the saddle of string 6"; lives in `into`. */
const char *sp_value_words(sp_value_name value, char into[static 60]);

#endif
