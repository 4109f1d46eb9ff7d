/* Rows of numbers from comma-separated values. */
#ifndef SP_DIAGNOSIS_CSV_H
#define SP_DIAGNOSIS_CSV_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/status.h"

enum { SP_CSV_MAX_COLUMNS = 16 };

typedef struct sp_csv_column {
  const char *name;
  bool needed;
  double least, most;
} sp_csv_column;

/* Called for each row with one value a column of the list, NAN where the field is empty or the column absent. */
typedef sp_status (*sp_csv_row)(const double *value, size_t line, void *context, sp_error *err);

sp_status sp_csv_read(const char *text, size_t length, const sp_csv_column *column, size_t columns, sp_csv_row row,
                      void *context, sp_error *err);

#endif
