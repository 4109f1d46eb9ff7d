/* Inside the strip module. */
#ifndef SP_STRIP_INTERNAL_H
#define SP_STRIP_INTERNAL_H

#include "slotproof/strip.h"

enum { SP_PIECES_A_PAGE = 6 };

/* One square of a tag's pattern is two units; black border included there are eight each way. */
enum { SP_TAG_CELLS = 8 };

/* The pattern of tag `number`, true = black; row by row from the top as printed. */
sp_status sp_strip_pattern(int32_t number, bool black[SP_TAG_CELLS][SP_TAG_CELLS], sp_error *err);

typedef enum sp_tag_search {
  SP_TAGS_GLANCE, /* only where much black and white lies together */
  SP_TAGS_ALL,
  SP_TAGS_MIRRORED /* in the mirror image: only `count` means anything */
} sp_tag_search;

/* Looks for tags of the family in the picture, reduced so that no side has more than most_px pixels. `tags` is the
 * caller's to free. */
sp_status sp_strip_find_tags(const sp_raster *raster, uint32_t most_px, sp_tag_search search, sp_strip_tag **tags,
                             size_t *count, sp_error *err);

/* A straight dark line as predicted, and what the fit found. */
typedef struct sp_ruled_line {
  sp_point at;           /* a point of it, px */
  sp_point along, right; /* unit vectors: along the line, and across it */
  double half_px;        /* its length that is used, half */
  double reach_px;       /* how far either side pixels are used */
  double shift_px;       /* found: across, from `at` */
  double amplitude;      /* found: paper less ink */
  double level;          /* found: paper */
  double sd_px;
  double lean, u_lean; /* found: by how much more it shifts a px along it; standard deviation */
  bool good;
} sp_ruled_line;

/* The common cross-section of such lines. */
typedef struct sp_ruled_profile {
  double width_px, blur_px, blur_sd_log;
  double pitch_px; /* distance of the like line on either side; 0: there is none */
} sp_ruled_profile;

/* Fits each line; the cross-section is fitted to all of them together, or taken as given. */
sp_status sp_strip_fit_lines(const sp_raster *raster, size_t count, sp_ruled_line *lines, sp_ruled_profile *profile,
                             bool profile_given, sp_error *err);

#endif
