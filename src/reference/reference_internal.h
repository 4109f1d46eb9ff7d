/* Inside the reference module: the scale from a printed strip (strip_read.c); what no flatbed does
 * (flatness.c); the other edge of a rule (other_edge.c). */
#ifndef SP_REFERENCE_INTERNAL_H
#define SP_REFERENCE_INTERNAL_H

#include "slotproof/reference.h"
#include "slotproof/rule.h"
#include "slotproof/strip.h"

/* Notes where pieces lie, so that their print is taken neither for a rule nor for lines of the board. */
void sp_strip_note_areas(const sp_strip_sight *sight, sp_reference *ref);

/* Fills map, record, band and blur from the strip, or the reason why it gives no scale. */
sp_status sp_strip_reference(const sp_scene *scene, const sp_strip_sight *sight, const sp_reference_options *options,
                             sp_reference *ref, sp_error *err);

/* The strip's millimetre over the rule's, less 1, along the stretch that both cover; NAN where they share too little.
 */
double sp_strip_disagreement(const sp_strip_sight *sight, const sp_reference_options *options,
                             const sp_scale_map *rule_map);

/* Maximum permissible error of the strip over a span, mm, where the user gives none. */
double sp_strip_default_mpe_mm(const sp_reference_options *options, double span_mm);

/* Is this a photograph, or not flat? Then the map is taken back and the reason says so. `drift` is the change of scale
 * from end to end, as a fraction. */
void sp_reference_refuse_photograph(double drift, sp_reference *ref);
/* Change of scale from one end of the readings to the other, from the second-order term of a parabola. */
double sp_reference_scale_drift(const double *u, const double *y, const double *w, size_t n);

/* The strokes of the rule's other edge, if it has any, as leans; `read` is what `combs[which]` was read as. */
sp_status sp_reference_read_other_edge(const sp_scene *scene, const sp_comb *combs, size_t count, size_t which,
                                       const sp_rule_reading *read, sp_reference *ref, sp_error *err);

#endif
