/* Whatever stands in a board file: a board that can be meant, written and read back the same, or one sentence with its
 * line. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/boardfile.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void demand(int condition)
{
  if (!condition)
    abort();
}

static char *written(const sp_boardfile *board, size_t *size)
{
  char *text = NULL;
  FILE *file = open_memstream(&text, size);
  demand(file != NULL);
  demand(sp_boardfile_write(board, false, file, NULL) == SP_OK);
  demand(fclose(file) == 0);
  return text;
}

static int same(double a, double b)
{
  return memcmp(&a, &b, sizeof a) == 0 || (isnan(a) && isnan(b));
}

static void read_back(const sp_boardfile *board)
{
  sp_boardfile again;
  size_t size = 0, size_again = 0;
  char *text = written(board, &size);
  demand(sp_boardfile_parse(text, size, NULL, &again, NULL) == SP_OK);
  demand(same(board->scale_length_mm, again.scale_length_mm) && same(board->tang_mm, again.tang_mm) &&
         same(board->shape.nut_width_mm, again.shape.nut_width_mm) && board->frets == again.frets &&
         board->steps.count == again.steps.count && strcmp(board->name, again.name) == 0);
  char *text_again = written(&again, &size_again);
  demand(size == size_again && memcmp(text, text_again, size) == 0);
  free(text_again);
  free(text);
  sp_boardfile_free(&again);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  sp_boardfile board;
  sp_layout layout;
  sp_error err = {0};
  if (sp_boardfile_parse((const char *)data, size, NULL, &board, &err) != SP_OK) {
    demand(err.status == SP_E_DATA && strncmp(err.text, "line ", 5) == 0 && !strchr(err.text, '\n'));
    return 0;
  }
  read_back(&board);
  if (sp_boardfile_layout(&board, &layout, &err) == SP_OK)
    for (int32_t n = 1; n <= layout.frets; n++)
      demand(layout.position_mm[n] > layout.position_mm[n - 1] && layout.position_mm[n] < layout.scale_length_mm);
  else
    demand(!(board.scale_length_mm > 0.0 && board.frets > 0));
  sp_layout_free(&layout);
  sp_boardfile_free(&board);
  return 0;
}
