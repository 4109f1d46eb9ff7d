/* The slots' table for the bench: only the columns that something is known of, each explained in one line, and what to
 * take care of with the saw in hand. Hundredths of a millimetre are finer than a saw is set. */
#include <math.h>
#include <stddef.h>
#include <string.h>

#include "layout/write.h"

typedef struct column {
  const char *head, *under; /* two lines of heading */
  int width;
  size_t value; /* place in sp_slot */
  const char *meaning;
} column;

enum { COLUMNS = 7 };

static const column TABLE[COLUMNS] = {
    {"length", "", 9, offsetof(sp_slot, length_mm),
     "Length: of the slot, from edge to edge, square to the centre line unless fanned."},
    {"radius", "", 9, offsetof(sp_slot, radius_mm), "Radius: of the rounded face."},
    {"sagitta", "", 9, offsetof(sp_slot, sagitta_mm),
     "Sagitta: how far the middle of the face stands above its edges."},
    {"depth", "", 8, offsetof(sp_slot, depth_mm), "Depth: under the face, all along the slot."},
    {"straight", "", 10, offsetof(sp_slot, straight_mm),
     "Straight: depth at the middle of a straight cut that is just deep enough at the edges; saw so\n"
     "    deep into a flat board whose face is rounded afterwards."},
    {"left at", "middle", 9, offsetof(sp_slot, left_middle_mm),
     "Left at the middle: wood under the slot there, if its bottom follows the face."},
    {"left at", "edge", 9, offsetof(sp_slot, left_edge_mm),
     "Left at the edge: wood under the slot there; a straight cut leaves this much all along."},
};

static double value_of(const sp_slot *slot, const column *c)
{
  return *(const double *)(const void *)((const char *)slot + c->value);
}

/* A flat board has no radius, no sagitta worth a column, and one depth for both ways of sawing. */
static void choose(const sp_slots *p, bool shown[COLUMNS])
{
  const bool round = !isnan(p->shape.radius_mm), flat_only = !round;
  for (int i = 0; i < COLUMNS; i++)
    shown[i] = !isnan(value_of(&p->slot[0], &TABLE[i]));
  if (flat_only)
    shown[1] = shown[2] = shown[4] = shown[6] = false;
}

/* One sentence in lines of at most 96 columns. */
static void write_wrapped(const char *lead, const char *text, FILE *file)
{
  int at = fprintf(file, "%s", lead);
  while (*text) {
    const int word = (int)strcspn(text, " ");
    if (at + 1 + word > 96)
      at = fprintf(file, "\n ") - 1;
    at += fprintf(file, " %.*s", word, text);
    text += word + (text[word] == ' ');
  }
  fprintf(file, ".\n");
}

static void write_span(const char *what, double nut_mm, double end_mm, double end_at_mm, const char *how, FILE *file)
{
  fprintf(file, "%s %.2f mm", what, nut_mm);
  if (isnan(end_mm))
    fprintf(file, " all along");
  else
    fprintf(file, " at the nut, %.2f mm at %.2f mm from the nut, %s", end_mm, end_at_mm, how);
  fprintf(file, ".\n");
}

static void write_board(const sp_board_shape *s, FILE *file)
{
  fprintf(file, "\n");
  if (!isnan(s->nut_width_mm))
    write_span("Board width", s->nut_width_mm, s->end_width_mm, s->end_at_mm, "sides straight", file);
  if (!isnan(s->radius_mm))
    write_span("Radius of the face", s->radius_mm, s->end_radius_mm, s->end_at_mm, "changing evenly", file);
  if (!isnan(s->thickness_mm))
    fprintf(file, "Thickness %.2f mm at the middle of the finished board.\n", s->thickness_mm);
  if (!isnan(s->tang_depth_mm) && s->clearance_mm > 0.0)
    fprintf(file, "Slots as deep as the tang, %.2f mm, and %.2f mm clearance.\n", s->tang_depth_mm, s->clearance_mm);
  else if (!isnan(s->tang_depth_mm))
    fprintf(file,
            "Slots as deep as the tang, %.2f mm, without clearance: the tang will touch the bottom. Some\n"
            "tenths of a millimetre more are usual (--clearance).\n",
            s->tang_depth_mm);
}

static void write_head(const bool shown[COLUMNS], FILE *file)
{
  bool second = false;
  fprintf(file, "\nfret  from nut");
  for (int i = 0; i < COLUMNS; i++)
    if (shown[i]) {
      fprintf(file, "%*s", TABLE[i].width, TABLE[i].head);
      second = second || TABLE[i].under[0];
    }
  if (second) {
    fprintf(file, "\n%14s", "");
    for (int i = 0; i < COLUMNS; i++)
      if (shown[i])
        fprintf(file, "%*s", TABLE[i].width, TABLE[i].under);
  }
  fprintf(file, "\n");
}

static void write_rows(const sp_layout *l, const sp_slots *p, const bool shown[COLUMNS], FILE *file)
{
  for (int32_t n = 0; n <= p->frets; n++) {
    if (n)
      fprintf(file, "%4ld", (long)n);
    else
      fprintf(file, " nut");
    fprintf(file, " %9.2f", l->position_mm[n]);
    for (int i = 0; i < COLUMNS; i++)
      if (shown[i])
        fprintf(file, "%*.2f", TABLE[i].width, value_of(&p->slot[n], &TABLE[i]));
    fprintf(file, "\n");
  }
}

void sp_write_slots_text(const sp_layout *l, const sp_slots *p, FILE *file)
{
  bool shown[COLUMNS];
  char text[SP_SLOTS_WARNING_MAX];
  choose(p, shown);
  for (int i = 0; sp_slots_warning(p, i, text); i++)
    write_wrapped("\nWarning:", text, file);
  write_board(&p->shape, file);
  write_head(shown, file);
  write_rows(l, p, shown, file);
  for (int i = 0; i < COLUMNS; i++)
    if (shown[i])
      fprintf(file, "  %s\n", TABLE[i].meaning);
  if (!isnan(p->shape.tang_depth_mm))
    fprintf(file,
            "\nCare: saw a slot into scrap first and measure its depth, with the stop set as it will be used. Clamp\n"
            "the board, keep both hands clear of the teeth, wear eye protection, and keep the dust out of your\n"
            "lungs. Local rules and the tool maker's instructions come first.\n");
}
