/* Every mark of every board, one a row, for a spreadsheet (RFC 4180). A board that does not serve has one row with its
 * trouble. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "batch_internal.h"
#include "slotproof/report.h"
#include "slotproof/writing.h"

/* Quoted where it must be; a name from outside can hold anything. */
static sp_status put_text(const char *text, FILE *file, sp_error *err)
{
  char *clean = sp_clean_text(text);
  if (!clean)
    return sp_fail_memory(err);
  const bool quote = strpbrk(clean, ",\"") != NULL;
  if (quote)
    fputc('"', file);
  for (const char *c = clean; *c; c++) {
    if (*c == '"')
      fputc('"', file);
    fputc(*c, file);
  }
  if (quote)
    fputc('"', file);
  free(clean);
  return SP_OK;
}

static void put_number(double value, int decimals, FILE *file)
{
  fputc(',', file);
  if (isfinite(value))
    fprintf(file, "%.*f", decimals, fabs(value) < 0.5 * pow(10.0, -decimals) ? 0.0 : value);
}

static void put_mark(const sp_batch_board *b, int32_t fret, FILE *file)
{
  const sp_batch_mark *m = &b->mark[fret];
  put_number(b->layout_mm[fret], 6, file);
  put_number(m->error_mm, 6, file);
  put_number(m->expanded_u_mm, 6, file);
  put_number(m->error_cents, 4, file);
  put_number(m->expanded_u_cents, 4, file);
  put_number(m->tolerance_mm, 6, file);
  put_number(m->squareness_deg, 5, file);
  put_number(m->width_mm, 5, file);
}

static sp_status put_board(const sp_batch_board *b, FILE *file, sp_error *err)
{
  for (int32_t k = 0; k <= (b->status ? 0 : b->frets); k++) {
    const sp_status status = put_text(b->file[0] ? b->file : b->name, file, err);
    if (status)
      return status;
    if (b->status) {
      fputs(",not usable,,,,,,,,,,", file);
    } else {
      fprintf(file, ",%s,%ld,%s", sp_verdict_word(b->verdict), (long)k, sp_verdict_word(b->mark[k].verdict));
      put_mark(b, k, file);
    }
    fputc(',', file);
    const sp_status told = b->status ? put_text(b->trouble, file, err) : SP_OK;
    if (told)
      return told;
    fputs("\r\n", file);
  }
  return SP_OK;
}

sp_status sp_batch_csv(const sp_batch *batch, FILE *file, sp_error *err)
{
  sp_status status = SP_OK;
  fputs("file,board_verdict,fret,verdict,layout_mm,error_mm,expanded_u_mm,error_cents,expanded_u_cents,tolerance_mm,"
        "squareness_deg,width_mm,trouble\r\n",
        file);
  for (size_t i = 0; !status && i < batch->board_count; i++)
    status = put_board(&batch->board[i], file, err);
  return status ? status : sp_flush_file(file, err);
}
