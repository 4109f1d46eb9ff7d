/* report_board.h: a small board in memory with the record a check of it would give, written by hand.
 *
 * The board is an invention: scale length 400 mm, 12 frets, 8 px per mm, a rule below it. Fret 3 is too near the
 * bridge, fret 7 too near the nut, fret 5 cannot be decided, fret 9 is missing, one scratch lies between frets 1 and 2.
 * `turned` stands the picture on end with the nut at the bottom. */
#ifndef REPORT_BOARD_H
#define REPORT_BOARD_H

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/record.h"

enum { BOARD_LONG_PX = 2500, BOARD_SHORT_PX = 900, BOARD_FRETS = 12, BOARD_GRADUATIONS = 281 };
static const double BOARD_PX_PER_MM = 8.0, BOARD_NUT_PX = 150.0, BOARD_SCALE_MM = 400.0;
static const double BOARD_LO_PX = 180.0, BOARD_HI_PX = 560.0, BOARD_RULE_PX = 700.0;

/* Along the board from the nut end, and across it, to the picture. */
static inline sp_point board_point(bool turned, double along_px, double across_px)
{
  return turned ? (sp_point){across_px, BOARD_LONG_PX - 1 - along_px} : (sp_point){along_px, across_px};
}

static inline double board_layout_mm(int fret)
{
  return BOARD_SCALE_MM * (1.0 - pow(2.0, -fret / 12.0));
}

static inline double board_error_mm(int fret)
{
  return fret == 3 ? 0.312345678 : fret == 7 ? -0.45 : fret == 5 ? 0.19 : fret == 0 ? 0.0 : 0.01 * (fret % 5 - 2);
}

static inline void board_mark(bool turned, int fret, sp_mark_record *m)
{
  const double left = BOARD_SCALE_MM - board_layout_mm(fret), error = board_error_mm(fret);
  const double along = BOARD_NUT_PX + BOARD_PX_PER_MM * (board_layout_mm(fret) + error);
  memset(m, 0, sizeof *m);
  m->fret = fret;
  m->found = fret != 9;
  m->layout_mm = board_layout_mm(fret);
  m->x_mm = m->layout_mm + error;
  m->error_mm = error;
  m->error_cents = 1200.0 * log2(left / (left - error));
  m->u_mm = fret ? 0.011 + 0.0001 * fret : 0.0;
  m->expanded_u_mm = 2.0 * m->u_mm;
  m->expanded_u_cents = 1731.2340490667561 / left * m->expanded_u_mm;
  m->squareness_deg = -0.05 + 0.01 * fret;
  m->u_squareness_deg = 0.012;
  m->width_mm = 0.14;
  m->u_width_mm = 0.01;
  m->contrast = -0.6;
  m->coverage = 0.97;
  m->end_a_px = board_point(turned, along, turned ? BOARD_LO_PX : BOARD_LO_PX);
  m->end_b_px = board_point(turned, along, BOARD_HI_PX);
  m->centre_px = board_point(turned, along, 0.5 * (BOARD_LO_PX + BOARD_HI_PX));
  m->budget = (sp_budget){0.004, 0.008, 0.005, 0.003, NAN};
  m->verdict = fret == 3 || fret == 7 ? SP_OUT : fret == 5 ? SP_UNDECIDED : fret == 9 ? SP_MISSING : SP_WITHIN;
  m->recut_mm = m->verdict == SP_OUT ? -error : NAN;
}

static inline void board_reference(bool turned, sp_reference_record *r)
{
  r->kind = SP_REFERENCE_RULE;
  r->graduation_mm = 1.0;
  r->graduations_used = BOARD_GRADUATIONS - 2;
  r->px_per_mm = BOARD_PX_PER_MM;
  r->px_per_mm_across = 8.003;
  r->fit_rms_mm = 0.0061;
  r->span_mm = BOARD_GRADUATIONS - 1;
  r->mpe_mm = 0.15;
  r->skew_deg = 0.0;
  r->carriage_rms_mm = 0.021;
  r->graduations = calloc(BOARD_GRADUATIONS, sizeof *r->graduations);
  r->graduation_count = r->graduations ? BOARD_GRADUATIONS : 0;
  for (int i = 0; i < (int)r->graduation_count; i++)
    r->graduations[i] = (sp_graduation){i, board_point(turned, 100.0 + 8.0 * i, BOARD_RULE_PX), 0.001 * (i % 7 - 3),
                                        i != 60 && i != 200, 0, 0, 0};
  r->first_px = board_point(turned, 100.0, BOARD_RULE_PX);
  r->last_px = board_point(turned, 100.0 + 8.0 * (BOARD_GRADUATIONS - 1), BOARD_RULE_PX);
}

/* False for lack of memory. Free with sp_record_free. */
static inline bool board_record(bool turned, sp_record *r)
{
  const sp_finding finding = {.kind = "remark",
                              .text = "the lines follow a scale length of 400.3 mm",
                              .value = 400.3,
                              .u_value = NAN,
                              .unit = "mm",
                              .strength = 4.25};
  const double middle = 0.5 * (BOARD_LO_PX + BOARD_HI_PX), stray = BOARD_NUT_PX + 8.0 * 30.0;
  sp_record_init(r);
  r->scale_length_mm = BOARD_SCALE_MM;
  r->frets = BOARD_FRETS;
  r->divisions = 12;
  board_reference(turned, &r->reference);
  r->datum = SP_DATUM_LINE;
  r->datum_u_mm = 0.005;
  r->tolerance_mm = 0.2;
  r->marks = calloc(BOARD_FRETS + 1, sizeof *r->marks);
  r->strays = calloc(1, sizeof *r->strays);
  if (!r->marks || !r->strays || !r->reference.graduations)
    return false;
  r->mark_count = BOARD_FRETS + 1;
  for (int fret = 0; fret <= BOARD_FRETS; fret++)
    board_mark(turned, fret, &r->marks[fret]);
  r->stray_count = 1;
  r->strays[0] =
      (sp_stray_record){30.0, board_point(turned, stray, BOARD_LO_PX), board_point(turned, stray, BOARD_HI_PX), 0};
  r->fit_scale_length_mm = 400.312;
  r->fit_u_scale_length_mm = 0.06;
  r->fit_offset_mm = -0.02;
  r->fit_residual_rms_mm = 0.04;
  r->nut_px = board_point(turned, BOARD_NUT_PX, middle);
  r->bridgeward_px = board_point(turned, BOARD_LONG_PX - 300.0, middle);
  r->verdict = SP_OUT;
  return sp_record_add_source(r, "scan \"A\".png", turned ? BOARD_SHORT_PX : BOARD_LONG_PX,
                              turned ? BOARD_LONG_PX : BOARD_SHORT_PX, 203.2, NULL) == SP_OK &&
         sp_record_warn(r, NULL, "the picture is coarse (%.1f px per mm)", BOARD_PX_PER_MM) == SP_OK &&
         sp_record_add_finding(r, &finding, NULL) == SP_OK;
}

static inline void board_bar(bool turned, double along, double half, double lo, double hi, double grey,
                             sp_raster *raster)
{
  for (int i = (int)ceil(along - half); i <= (int)floor(along + half); i++)
    for (int j = (int)lo; j <= (int)hi; j++) {
      const sp_point p = board_point(turned, i, j);
      const size_t at = (size_t)p.y * raster->width_px + (size_t)p.x;
      if (raster->u8)
        raster->u8[at] = (uint8_t)grey;
      else
        raster->u16[at] = (uint16_t)(257.0 * grey);
    }
}

/* The picture: dark paper, a wooden board, its marks, a rule. */
static inline bool board_raster(bool turned, int bits, sp_raster *raster)
{
  if (sp_raster_create(turned ? BOARD_SHORT_PX : BOARD_LONG_PX, turned ? BOARD_LONG_PX : BOARD_SHORT_PX, bits, raster,
                       NULL))
    return false;
  board_bar(turned, BOARD_LONG_PX / 2.0 - 0.5, BOARD_LONG_PX / 2.0 - 0.5, 0, BOARD_SHORT_PX - 1, 60, raster);
  board_bar(turned, BOARD_LONG_PX / 2.0 - 100, BOARD_LONG_PX / 2.0 - 150, 150, 590, 170, raster);
  board_bar(turned, BOARD_LONG_PX / 2.0 - 30, BOARD_LONG_PX / 2.0 - 60, 660, 800, 215, raster);
  for (int i = 0; i < BOARD_GRADUATIONS; i++)
    board_bar(turned, 100.0 + 8.0 * i, 1.0, 660, i % 10 ? 700 : 740, 40, raster);
  for (int fret = 0; fret <= BOARD_FRETS; fret++)
    if (fret != 9)
      board_bar(turned, BOARD_NUT_PX + 8.0 * (board_layout_mm(fret) + board_error_mm(fret)), 1.0, BOARD_LO_PX,
                BOARD_HI_PX, 50, raster);
  board_bar(turned, BOARD_NUT_PX + 240.0, 1.0, BOARD_LO_PX, BOARD_HI_PX, 90, raster);
  return true;
}

#endif
