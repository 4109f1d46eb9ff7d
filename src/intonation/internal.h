/* What the files of this folder share. */
#ifndef SP_INTONATION_INTERNAL_H
#define SP_INTONATION_INTERNAL_H

#include "slotproof/intonation.h"

enum { SP_MAX_COLUMNS = 2 * SP_MAX_STRINGS + 2 };

/* Effects of one note that do not depend on what is fitted. */
typedef struct sp_note_model {
  double stiffness_cents, stretch_cents; /* over the open string's; 0 where the data do not suffice */
} sp_note_model;

/* False: the places make no instrument. */
bool sp_instrument_is_sound(const sp_instrument *instrument, sp_error *err);
bool sp_stiffness_is_known(const sp_string *string);
bool sp_stretch_is_known(const sp_string *string);
sp_note_model sp_model_note(const sp_instrument *instrument, size_t string, int32_t fret);
/* Step of a fret in the computed layout; frets where it is; 0 for the open string. */
double sp_step_cents(const sp_instrument *instrument, int32_t fret);
double sp_geometry_cents(const sp_instrument *instrument, size_t string, int32_t fret, double x_mm, double nut_shift_mm,
                         double saddle_shift_mm);
/* d cents / d x of the fret. */
double sp_fret_slope(const sp_instrument *instrument, size_t string, int32_t fret);

/* A linear problem: n notes, columns chosen from candidates in order of trust. Column-major. */
typedef struct sp_design {
  size_t n, p;
  double *column; /* SP_MAX_COLUMNS x n: the chosen ones first */
  double *basis;  /* the same space, orthonormal in the weighted sense */
  sp_value_name name[SP_MAX_COLUMNS];
  double *weight;    /* n */
  double *estimator; /* p x n, row-major: values = estimator . y */
} sp_design;

sp_status sp_design_init(size_t n, sp_design *design, sp_error *err);
void sp_design_free(sp_design *design);
/* Adds the candidate in column p, named `name`, unless the ones there do the same to the notes; then *twin names the
 * one that comes nearest. */
bool sp_design_add(sp_design *design, sp_value_name name, sp_value_name *twin);
/* Solves for the values; fills the estimator. */
sp_status sp_design_solve(sp_design *design, const double *y, double *value, sp_error *err);
/* Column of a value, or design->p. */
size_t sp_design_find(const sp_design *design, sp_value_kind kind, size_t string);

#endif
