/* What the writers share; private to this folder. */
#ifndef SLOTPROOF_REPORT_INTERNAL_H
#define SLOTPROOF_REPORT_INTERNAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/bridge.h"
#include "slotproof/record.h"
#include "slotproof/report.h"
#include "slotproof/status.h"
#include "slotproof/writing.h"

/* The picture as a PNG, 8-bit RGB. Flushes. */
sp_status sp_write_png(const sp_canvas *canvas, FILE *file, sp_error *err);

/* How many of frets 1..N carry this verdict; the nut is not counted. */
size_t sp_count_frets(const sp_record *record, sp_verdict verdict);

/* Text report, in its parts. Each writes whole paragraphs and leaves write errors to the final flush. */
void sp_text_headline(const sp_record *record, FILE *file);
void sp_text_actions(const sp_record *record, FILE *file);
void sp_text_table(const sp_record *record, FILE *file);
void sp_text_scale(const sp_record *record, FILE *file);
/* Photographs: how the picture was taken. */
void sp_text_camera(const sp_record *record, FILE *file);
sp_status sp_text_list(const char *title, char *const *lines, size_t count, FILE *file, sp_error *err);
/* "fret 7", or "the nut" for 0. The text lives in `into`. */
const char *sp_fret_name(int32_t fret, char into[static 24]);

/* Slots: how broad the saw has cut, against the tang; and which of them do not run true. */
void sp_text_kerf(const sp_record *record, FILE *file);
void sp_text_slots(const sp_record *record, FILE *file);

/* The finding that the board follows another scale length, or NULL. */
const sp_finding *sp_other_scale(const sp_record *record);

#endif
