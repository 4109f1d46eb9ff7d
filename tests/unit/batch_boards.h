/* batch_boards.h: records of an invented workshop's boards, written by hand: scale length 360 mm, twelve frets. */
#ifndef BATCH_BOARDS_H
#define BATCH_BOARDS_H

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/record.h"

enum { SHOP_FRETS = 12 };
static const double SHOP_SCALE_MM = 360.0, SHOP_U_LINE_MM = 0.006, SHOP_U_NUT_MM = 0.004, SHOP_U_RULE_MM = 0.012;

static inline double shop_layout_mm(int fret)
{
  return SHOP_SCALE_MM * (1.0 - exp2(-fret / 12.0));
}

/* error_mm[fret]; NAN: missing. `number` makes the picture's name and digest. */
static inline bool shop_record(int number, const double *error_mm, sp_record *r)
{
  char name[40];
  sp_record_init(r);
  snprintf(name, sizeof name, "board%d.png", number);
  r->marks = calloc(SHOP_FRETS + 1, sizeof *r->marks);
  if (!r->marks || sp_record_add_source(r, name, 5000, 1500, 600.0, NULL))
    return false;
  snprintf(r->sources[0].sha256, sizeof r->sources[0].sha256, "%064x", (unsigned)number);
  strcpy(r->version, "0.1.0");
  r->settings = strdup("--frets 12 --scale-length 360mm");
  r->scale_length_mm = SHOP_SCALE_MM;
  r->frets = SHOP_FRETS;
  r->divisions = 12;
  r->tolerance_mm = 0.2;
  r->datum = SP_DATUM_LINE;
  r->datum_u_mm = SHOP_U_NUT_MM;
  r->fit_scale_length_mm = SHOP_SCALE_MM + 0.01 * number;
  r->mark_count = SHOP_FRETS + 1;
  r->verdict = SP_WITHIN;
  for (int k = 0; k <= SHOP_FRETS; k++) {
    sp_mark_record *m = &r->marks[k];
    memset(m, 0, sizeof *m);
    m->fret = k;
    m->layout_mm = shop_layout_mm(k);
    m->found = isfinite(error_mm[k]);
    m->error_mm = error_mm[k];
    m->x_mm = m->layout_mm + error_mm[k];
    m->u_mm = k ? 0.015 : 0.0;
    m->expanded_u_mm = 2.0 * m->u_mm;
    m->budget = (sp_budget){SHOP_U_LINE_MM, 0.0, SHOP_U_NUT_MM, SHOP_U_RULE_MM, NAN};
    m->verdict = !m->found                                     ? SP_MISSING
                 : fabs(m->error_mm) + m->expanded_u_mm <= 0.2 ? SP_WITHIN
                 : fabs(m->error_mm) - m->expanded_u_mm > 0.2  ? SP_OUT
                                                               : SP_UNDECIDED;
    if (m->verdict == SP_OUT)
      r->verdict = SP_OUT;
    else if (m->verdict != SP_WITHIN && r->verdict != SP_OUT)
      r->verdict = SP_UNDECIDED;
  }
  return r->settings != NULL;
}

#endif
