/* accuracy DIFFICULTY FIRST_SEED COUNT DPI FOLDER [verbose]: figures over random boards, as the README quotes them. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "accuracy.h"

int main(int argc, char **argv)
{
  static accuracy sums;
  if (argc < 6) {
    fprintf(stderr, "usage: accuracy DIFFICULTY FIRST_SEED COUNT DPI FOLDER [verbose]\n");
    return 64;
  }
  const unsigned long first = strtoul(argv[2], NULL, 10), count = strtoul(argv[3], NULL, 10);
  const double dpi = strtod(argv[4], NULL);
  for (unsigned long seed = first; seed < first + count; seed++) {
    char stem[500], title[64];
    snprintf(stem, sizeof stem, "%s/%s_%.0f_%lu", argv[5], argv[1], dpi, seed);
    snprintf(title, sizeof title, "%s", argv[1]);
    if (!accuracy_add(&sums, argv[1], seed, dpi, stem, argc > 6))
      return 70;
  }
  char title[64];
  snprintf(title, sizeof title, "%s, %.0f dpi", argv[1], dpi);
  accuracy_print(&sums, title);
  return 0;
}
