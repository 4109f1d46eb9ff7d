/* What a worker leaves of a finished check. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/check.h"
#include "slotproof/jobs.h"
#include "slotproof/json_tree.h"
#include "slotproof/pack.h"
#include "slotproof/page.h"
#include "slotproof/report.h"
#include "slotproof/tiles.h"
#include "slotproof/writing.h"

/* More lines than this belong to no fret only where something else is wrong. */
enum { MOST_STRAYS = 200 };

const char *sp_work_stage_word(int stage)
{
  static const char *const WORDS[] = {
      [SP_CHECK_READING] = "reading", [SP_CHECK_SCALE] = "scale",     [SP_CHECK_MARKS] = "marks",
      [SP_CHECK_MATCH] = "match",     [SP_CHECK_JUDGING] = "judging", "drawing"};
  return stage >= 0 && (size_t)stage < sizeof WORDS / sizeof *WORDS ? WORDS[stage] : "drawing";
}

uint64_t sp_work_mark_key(bool stray, uint32_t index)
{
  return (stray ? UINT64_C(1) << 32 : 0) + index;
}

typedef struct input {
  const sp_record *record, *drawn;
  const sp_raster *raster;
} input;

typedef sp_status (*writer)(const input *in, FILE *file, sp_error *err);

static sp_status write_json(const input *in, FILE *file, sp_error *err)
{
  return sp_report_json(in->record, file, err);
}

static sp_status write_csv(const input *in, FILE *file, sp_error *err)
{
  return sp_report_csv(in->record, file, err);
}

static sp_status write_report(const input *in, FILE *file, sp_error *err)
{
  return sp_page_check(in->drawn, in->raster, file, err);
}

static sp_status write_parts(const input *in, FILE *file, sp_error *err)
{
  return sp_page_parts(in->drawn, in->raster, file, err);
}

static sp_status write_places(const input *in, FILE *file, sp_error *err)
{
  return sp_report_json(in->drawn, file, err);
}

static sp_status write_tiles(const input *in, FILE *file, sp_error *err)
{
  return sp_tiles_write(in->raster, file, err);
}

/* ---- marks ------------------------------------------------------------------------------------------------------ */

static sp_status add_mark(const input *in, bool stray, size_t index, sp_pack_writer *pack, sp_error *err)
{
  char *text = NULL;
  size_t size = 0;
  FILE *file = open_memstream(&text, &size);
  if (!file)
    return sp_fail_memory(err);
  sp_status status = stray ? sp_page_stray(in->drawn, in->raster, index, file, err)
                           : sp_page_mark(in->drawn, in->raster, index, file, err);
  if (fclose(file) != 0 && !status)
    status = sp_fail_memory(err);
  if (!status)
    status = sp_pack_add(pack, sp_work_mark_key(stray, (uint32_t)index), text, size, err);
  free(text);
  return status;
}

static sp_status write_marks(const input *in, FILE *file, sp_error *err)
{
  const sp_record *r = in->drawn;
  sp_pack_writer pack = {.file = file};
  sp_status status = SP_OK;
  bool any = false;
  for (size_t i = 0; !status && i < r->mark_count; i++)
    if (sp_page_has_mark(r, in->raster, i)) {
      any = true;
      status = add_mark(in, false, i, &pack, err);
    }
  for (size_t i = 0; any && !status && i < r->stray_count && i < MOST_STRAYS; i++)
    status = add_mark(in, true, i, &pack, err);
  if (!status)
    status = sp_pack_finish(&pack, err);
  sp_pack_free(&pack);
  return status;
}

/* ---- about ------------------------------------------------------------------------------------------------------ */

static double count_of(const sp_record *r, sp_verdict verdict)
{
  double n = 0.0;
  for (size_t i = 0; i < r->mark_count; i++)
    n += r->marks[i].fret && r->marks[i].verdict == verdict;
  return n;
}

static sp_status write_about(const input *in, FILE *file, sp_error *err)
{
  const sp_record *r = in->record;
  sp_tree tree = {0};
  cJSON *root = cJSON_CreateObject();
  sp_tree_attach(&tree, root, "verdict", cJSON_CreateString(sp_verdict_word(r->verdict)));
  for (int v = SP_WITHIN; v <= SP_MISSING; v++)
    sp_tree_attach(&tree, root, sp_verdict_word((sp_verdict)v), cJSON_CreateNumber(count_of(r, (sp_verdict)v)));
  sp_tree_attach(&tree, root, "width_px", cJSON_CreateNumber(in->raster->width_px));
  sp_tree_attach(&tree, root, "height_px", cJSON_CreateNumber(in->raster->height_px));
  sp_tree_attach(&tree, root, "tile_px", cJSON_CreateNumber(SP_TILE_PX));
  sp_tree_attach(&tree, root, "levels",
                 cJSON_CreateNumber(sp_tiles_levels(in->raster->width_px, in->raster->height_px)));
  char *text = tree.failed ? NULL : cJSON_PrintUnformatted(root);
  cJSON_Delete(root);
  if (!text)
    return sp_fail_memory(err);
  fputs(text, file);
  free(text);
  return sp_flush_file(file, err);
}

/* ---- all -------------------------------------------------------------------------------------------------------- */

static sp_status write_one(const char *name, writer write, const input *in, sp_error *err)
{
  FILE *file = fopen(name, "wbx");
  if (!file)
    return sp_fail(err, SP_E_CANTCREATE, "the result cannot be written; look after the data folder");
  sp_status status = write(in, file, err);
  if (fclose(file) != 0 && !status)
    status = sp_fail(err, SP_E_IO, "writing failed; make room on the disk");
  return status;
}

sp_status sp_work_write(const sp_record *record, const sp_record *drawn, const sp_raster *raster, bool tiles,
                        sp_error *err)
{
  static const struct {
    const char *name;
    writer write;
  } FILES[] = {{"record.json", write_json}, {"table.csv", write_csv},    {"report.html", write_report},
               {"parts.html", write_parts}, {"marks.pack", write_marks}, {"about.json", write_about}};
  const input in = {record, drawn, raster};
  sp_status status = tiles ? write_one("tiles.pack", write_tiles, &in, err) : SP_OK;
  if (!status && record->source_count > 1)
    status = write_one("places.json", write_places, &in, err);
  for (size_t i = 0; !status && i < sizeof FILES / sizeof *FILES; i++)
    status = write_one(FILES[i].name, FILES[i].write, &in, err);
  return status;
}
