/* Inside the boardfile module: one table says of every key how it is read, where it is kept and how it is written. */
#ifndef SP_BOARDFILE_KEYS_H
#define SP_BOARDFILE_KEYS_H

#include "slotproof/boardfile.h"

typedef enum board_key {
  KEY_NAME,
  KEY_SCALE_LENGTH,
  KEY_FRETS,
  KEY_DIVISIONS,
  KEY_SCALE_BASS,
  KEY_SCALE_TREBLE,
  KEY_SPREAD_NUT,
  KEY_SPREAD_SADDLE,
  KEY_SQUARE_FRET,
  KEY_STEPS,
  KEY_STEPS_FILE,
  KEY_MARKS,
  KEY_NUT,
  KEY_ZERO_FRET,
  KEY_NUT_BEHIND,
  KEY_NUT_SHIFT,
  KEY_PARTIAL_FRETS,
  KEY_LEFT_HANDED,
  KEY_TANG,
  KEY_TOLERANCE,
  KEY_NUT_WIDTH,
  KEY_END_WIDTH,
  KEY_END_AT,
  KEY_RADIUS,
  KEY_END_RADIUS,
  KEY_TANG_DEPTH,
  KEY_CLEARANCE,
  KEY_THICKNESS,
  KEY_COUNT
} board_key;

/* The line on which each key stands; 0 = not given. */
typedef struct board_lines {
  size_t of[KEY_COUNT];
} board_lines;

typedef struct key_entry key_entry;
/* Reads a value, or one line of a list, into the board; the sentence names neither line nor key. */
typedef sp_status (*key_reader)(const key_entry *key, const char *value, sp_boardfile *board, sp_error *err);
/* Writes the value; false if there is none. */
typedef bool (*key_writer)(const key_entry *key, const sp_boardfile *board, FILE *file);

struct key_entry {
  const char *name;
  key_reader read;
  key_writer write;
  size_t offset; /* of the number in sp_boardfile, where it is one */
  sp_length_sign sign;
  int32_t most; /* of a whole number from 1 */
  bool list;    /* may go on in further lines */
};

extern const key_entry BOARD_KEYS[KEY_COUNT];

/* Complaints about what the keys say together. */
sp_status board_agrees(const sp_boardfile *board, const board_lines *lines, sp_error *err);

/* A name that would be read back as it is. */
bool board_name_fits(const char *name);

#endif
