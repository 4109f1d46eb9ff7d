/* The normal distribution, tabled, because it is asked for a million times a board. Inside the library. */
#ifndef SP_NUMERIC_NORMAL_H
#define SP_NUMERIC_NORMAL_H

/* From -SP_NORMAL_REACH standard deviations on, where the distribution is 1e-9, in steps so fine that a cubic through
 * values and slopes at both ends of a step is right to 1e-7. */
enum { SP_NORMAL_REACH = 6, SP_NORMAL_STEPS = 16, SP_NORMAL_SIZE = 2 * SP_NORMAL_REACH * SP_NORMAL_STEPS };

typedef struct sp_normal {
  struct {
    double cdf[4], pdf[4]; /* coefficients by power of the place within the step, 0 .. 1 */
  } step[SP_NORMAL_SIZE];
} sp_normal;

void sp_normal_fill(sp_normal *table);

/* exp(e) times the distribution at `from`, to 1e-6: exp(-x / length) for x > 0, blurred by a Gaussian, is that with
 * e = a^2 / 2 - x / length, a = blur / length, from = x / blur - a. */
double sp_normal_fallen(const sp_normal *table, double e, double from);

static inline double sp_normal_cubic(const double c[4], double q)
{
  return c[0] + q * (c[1] + q * (c[2] + q * c[3]));
}

/* The distribution at z, and its density. */
static inline double sp_normal_at(const sp_normal *table, double z, double *pdf)
{
  const double place = (z + SP_NORMAL_REACH) * SP_NORMAL_STEPS;
  *pdf = 0.0;
  if (!(place > 0.0))
    return 0.0;
  if (place >= SP_NORMAL_SIZE)
    return 1.0;
  const int i = (int)place;
  const double q = place - i;
  *pdf = sp_normal_cubic(table->step[i].pdf, q);
  return sp_normal_cubic(table->step[i].cdf, q);
}

#endif
