/* Inside the rule module: what reading the strokes is made of. u runs along the rule, v across it, px of the picture as
 * the comb says (along the rows or along the columns). */
#ifndef SP_RULE_INTERNAL_H
#define SP_RULE_INTERNAL_H

#include "slotproof/rule.h"

enum {
  SP_RULE_REACH_STRIPS = 15, /* of the finder: how far either side of the band strokes are looked for, at least */
  SP_RULE_MOST_REACH_PX = 800,
  SP_RULE_TABLE_STEPS = 32,
  SP_RULE_TABLE_REACH = 40
};

/* The slanted band, cut into sub-bands that are means over `height` px across. Owner: whoever reads it frees `value`.
 */
typedef struct bands {
  sp_view view;
  double slope, v0_px; /* nominal v of band 0's first pixel at u = 0 */
  int32_t height, count, length;
  float *value; /* count x length */
} bands;

/* How strong the train of strokes is, by sub-band and block of `size` px along. */
typedef struct strengths {
  int32_t blocks, size;
  double *value; /* bands x blocks */
} strengths;

typedef struct zone {
  int32_t first, last; /* sub-bands, inclusive */
} zone;

/* The blurred box T and its slope on a table: T(x) = [Phi((x + w/2)/s) - Phi((x - w/2)/s)], peak scaled to 1. What lies
 * a whole pixel apart stands side by side, because the pixels of a row ask for that: t[phase * SP_RULE_TABLE_LENGTH +
 * px]. The last phase is the first of the next pixel. */
enum {
  SP_RULE_TABLE_LENGTH = 2 * SP_RULE_TABLE_REACH + 1,
  SP_RULE_TABLE_SIZE = (SP_RULE_TABLE_STEPS + 1) * SP_RULE_TABLE_LENGTH
};
typedef struct profile_table {
  float t[SP_RULE_TABLE_SIZE], slope[SP_RULE_TABLE_SIZE];
} profile_table;

static inline double sp_rule_band_centre(const bands *b, int32_t j)
{
  return b->v0_px + j * (double)b->height + 0.5 * (b->height - 1);
}

static inline const float *sp_rule_band(const bands *b, int32_t j)
{
  return b->value + (size_t)j * (size_t)b->length;
}

static inline double sp_rule_zone_base(const bands *b, zone z)
{
  return 0.5 * (sp_rule_band_centre(b, z.first) + sp_rule_band_centre(b, z.last));
}

static inline double sp_rule_table_at(const float *table, double x)
{
  const double p = (x + SP_RULE_TABLE_REACH) * SP_RULE_TABLE_STEPS;
  if (p <= 0.0 || p >= 2.0 * SP_RULE_TABLE_REACH * SP_RULE_TABLE_STEPS)
    return 0.0;
  const int32_t i = (int32_t)p;
  const float *at = table + i % SP_RULE_TABLE_STEPS * SP_RULE_TABLE_LENGTH + i / SP_RULE_TABLE_STEPS;
  return (double)at[0] + (p - i) * (double)(at[SP_RULE_TABLE_LENGTH] - at[0]);
}

/* bands.c */
sp_status sp_rule_bands_read(const sp_scene *scene, const sp_comb *comb, bands *b, sp_error *err);
sp_status sp_rule_strengths(const bands *b, double period, int32_t size, strengths *s, sp_error *err);
/* `profile`: the mean over the blocks, one value a sub-band. */
void sp_rule_mean_profile(const strengths *s, int32_t count, double *profile);
/* By what slope (px/px) and how far at u = 0 the strokes lie off the nominal band. */
sp_status sp_rule_drift_of(const bands *b, const strengths *s, double *slope, double *offset_px, sp_error *err);
/* Keeps where each block's band lies in reading->drift, for whoever asks how straight the rule is. */
sp_status sp_rule_keep_drift(const bands *b, const strengths *s, double base, sp_rule_reading *reading, sp_error *err);

/* count.c: fills reading->strokes and says in which zone they were counted. `work` holds two profiles; `opposite` as in
 * sp_comb. */
sp_status sp_rule_count_strokes(const bands *b, const strengths *s, const double *profile, double period, float *work,
                                bool opposite, zone *z, sp_rule_reading *reading, sp_error *err);

/* refine.c */
void sp_rule_table_fill(double width, double sigma, profile_table *table);
sp_status sp_rule_refine(const bands *b, zone z, double base, double period, sp_rule_reading *reading, sp_error *err);

/* length.c. False if the stroke runs on beyond what was read; `extent` receives the sub-bands it covers. */
bool sp_rule_measure_length(const bands *b, zone z, double base, double period, sp_stroke *s, zone *extent);
/* Narrows sub-bands lo to hi to where the strokes are. */
void sp_rule_keep_to_strokes(const zone *extents, size_t count, int32_t *lo, int32_t *hi);

/* lean.c */
sp_status sp_rule_fit_leans(const bands *b, zone common, const zone *extents, double base, sp_rule_reading *r,
                            sp_error *err);

#endif
