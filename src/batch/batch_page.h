/* What the parts of a batch's page share. */
#ifndef SLOTPROOF_BATCH_PAGE_H
#define SLOTPROOF_BATCH_PAGE_H

#include "batch_internal.h"
#include "slotproof/markup.h"
#include "slotproof/page.h"
#include "slotproof/plot.h"

/* Drawings: width and margins, drawing units. */
#define SP_BATCH_WIDTH 1000.0
#define SP_BATCH_LEFT  62.0
#define SP_BATCH_RIGHT 988.0

typedef struct sp_batch_page {
  sp_markup *markup;
  const sp_batch *batch;
  sp_batch_tally tally;
  const sp_batch_ranked *ranked; /* worst first */
  size_t ranked_count;
} sp_batch_page;

/* Sections, in their order; each leaves itself out if it has nothing to say. `which` counts the groups. */
void sp_batch_page_to_do(const sp_batch_page *page);
void sp_batch_page_boards(const sp_batch_page *page);
void sp_batch_page_map(const sp_batch_page *page, size_t which);
void sp_batch_page_frets(const sp_batch_page *page, size_t which);
void sp_batch_page_causes(const sp_batch_page *page, size_t which);
void sp_batch_page_charts(const sp_batch_page *page, size_t which);
void sp_batch_page_study(const sp_batch_page *page);
void sp_batch_page_method(const sp_batch_page *page);

/* "Scale length 300 mm, 10 frets, knife lines" */
void sp_batch_say_layout(const sp_batch_group *group, sp_sentence *sentence);
/* Begins a section of a group: where there is more than one, its heading names the layout. */
void sp_batch_page_section(const sp_batch_page *page, size_t which, const char *id, const char *heading);
/* "(0.12 to 0.31)" in a cell of its own, or "-". */
void sp_batch_page_limits_cell(sp_markup *markup, sp_interval limits, int decimals, bool plus);
/* With a capital letter first and a full stop at the end. */
void sp_batch_page_sentence(sp_markup *markup, const char *element, const char *class_name, const char *text);

#endif
