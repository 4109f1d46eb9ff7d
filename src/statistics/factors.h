/* What the files of this folder share. */
#ifndef SLOTPROOF_STATISTICS_FACTORS_H
#define SLOTPROOF_STATISTICS_FACTORS_H

#include <stddef.h>

/* Mean and standard deviation of the range of n >= 2 independent standard normal values. */
void sp_range_moments(size_t n, double *d2, double *d3);

#endif
