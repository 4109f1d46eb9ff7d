/* What the commands share. The command line holds no method: it reads options, calls the library and writes.
 *
 * Every function that fails has said so on standard error, one line, and returns the exit status. */
#ifndef SLOTPROOF_CLI_H
#define SLOTPROOF_CLI_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/boardfile.h"
#include "slotproof/bridge.h"
#include "slotproof/check.h"
#include "slotproof/drawing.h"
#include "slotproof/intonation.h"
#include "slotproof/layout.h"
#include "slotproof/report.h"
#include "slotproof/scan.h"
#include "slotproof/status.h"
#include "slotproof/strip.h"

/* Commands, as bits: which options go with which. */
enum {
  CLI_LAYOUT = 1,
  CLI_CHECK = 2,
  CLI_REFERENCE = 4,
  CLI_DIAGNOSE = 8,
  CLI_TARGET = 16,
  CLI_CALIBRATE = 32,
  CLI_BATCH = 64,
  CLI_SERVE = 128,
  CLI_SCAN = 256
};
/* Options there can be. */
enum { CLI_OPTIONS_MOST = 128 };

typedef enum cli_format { CLI_TEXT, CLI_JSON, CLI_CSV, CLI_SVG, CLI_PDF, CLI_HTML, CLI_BOARD } cli_format;

/* One command line, read. Texts belong to argv. */
typedef struct cli_request {
  unsigned command;
  bool help;
  const char *board;      /* name of a board file; NULL = none */
  double scale_length_mm; /* NAN = not given */
  sp_fan fan;
  bool left_handed;
  int32_t frets;     /* 0 = not given */
  int32_t divisions; /* 0 = not given */
  const char *steps;
  bool zero_fret;
  double nut_behind_mm, nut_shift_mm; /* NAN = not given */
  sp_partial partial[SP_BOARD_MAX_PARTIALS];
  size_t partial_count;
  sp_board_shape shape; /* layout */
  sp_paper paper;       /* layout, pdf */
  bool paper_given;
  sp_check_options check; /* `layout` is set later */
  double nut_mm;          /* diagnose; NAN = not given */
  double saddle_mm[SP_MAX_STRINGS];
  size_t saddle_count;
  const char *strings, *readings;
  double reading_u_cents; /* NAN = not given */
  bool corners_told;      /* calibrate */
  sp_chessboard corners;
  double square_mm;         /* NAN = not given */
  const char *profile_path; /* NULL = none; read into `profile` by cli_check_reference_options */
  sp_profile profile;
  cli_format format;
  sp_strip_sheet sheet; /* target */
  const char *output;   /* NULL = standard output */
  const char *overlay;
  const char *before;                    /* record of the marked board */
  const char *correct;                   /* list of corrections, or a record that has one */
  const char *results, *history, *study; /* batch */
  sp_scan_options scan;                  /* scan */
  bool scan_list;
  const char *profiles; /* check: file for the marks' cross-sections */
  bool overlays, pieces;
  const char *listen, *data;           /* serve */
  int32_t port;                        /* -1 = not given */
  int32_t upload_mb;                   /* 0 = not given */
  int32_t workers;                     /* 0 = as many as there are cores */
  const char *given[CLI_OPTIONS_MOST]; /* the value of each option of the table, "" where it takes none; or NULL */
  char **images;
  int image_count;
} cli_request;

/* Reads options and images; argv[0] is the command. */
int cli_parse(int argc, char **argv, unsigned command, cli_request *request);
/* The same, and prints the command's help where that is asked for. False: the command ends here, with *status. */
bool cli_begin(int argc, char **argv, unsigned command, void (*print_help)(void), cli_request *request, int *status);
/* Lists the options of a command. */
void cli_print_options(unsigned command, FILE *file);

/* The options that a measurement depends on, in words, as "--frets 20 --scale-length 648mm"; a file stands there by its
 * digest. Free with free(). */
int cli_settings(const cli_request *request, char **settings);

/* "slotproof: WHERE: sentence"; returns err->status. WHERE is a file, an option or a command, made printable. */
int cli_complain(const char *where, const sp_error *err);
#if defined(__GNUC__)
__attribute__((format(printf, 3, 4)))
#endif
int cli_refuse(const char *where, sp_status status, const char *format, ...);

/* The value of an option of this command, "" where it takes none; NULL if it was not given. */
const char *cli_given(const cli_request *request, const char *name);

/* The layout that options and board file ask for; names what is missing. What the file says of the board and of what is
 * measured goes into the request wherever no option says it. `board` (may be NULL) is handed both together: free with
 * sp_boardfile_free, also after a failure. */
int cli_make_layout(cli_request *request, sp_boardfile *board, sp_layout *layout);
/* Refuses options of the scale that do not go together; a distance alone asks for --reference distance. */
int cli_check_reference_options(cli_request *request);
/* Refuses what goes with one picture only, where there are several. */
int cli_refuse_for_pieces(const cli_request *request);
/* Refuses outputs that would overwrite an input or each other. */
int cli_check_outputs(const cli_request *request);

/* Writes the report and, if asked for, the overlay: both or neither. `raster` may be NULL without an overlay. */
typedef sp_status (*cli_writer)(const void *what, FILE *file, sp_error *err);
typedef sp_status (*cli_overlay)(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err);
int cli_deliver(const cli_request *request, const void *what, cli_writer write, cli_overlay draw,
                const sp_record *record, const sp_raster *raster);

/* Which pictures these were, for records that are merged later. */
sp_status cli_note_digests(sp_record *record, sp_error *err);

int cli_layout(int argc, char **argv);
int cli_check(int argc, char **argv);
int cli_reference(int argc, char **argv);
int cli_diagnose(int argc, char **argv);
int cli_calibrate(int argc, char **argv);
int cli_target(int argc, char **argv);
int cli_batch(int argc, char **argv);
int cli_scan(int argc, char **argv);
int cli_serve(int argc, char **argv);
int cli_work(int argc, char **argv);
int cli_fetch(int argc, char **argv);

#endif
