/* One board from several scans: each is measured by itself, in turn; then it is joined to the one before. */
#include <stdlib.h>

#include "pieces.h"

/* Measures all pieces, each placed on the one before. `joined` is how many hang together from the first. */
static sp_status measure_all(const char *const *paths, size_t count, const sp_check_options *o, piece *pieces,
                             piece_link *link, size_t *joined, sp_join_state *state, sp_record *record,
                             size_t *at_fault, sp_error *err)
{
  *joined = 1;
  *state = SP_JOIN_OK;
  for (size_t k = 0; k < count; k++) {
    *at_fault = k;
    sp_status status =
        piece_measure(paths[k], o->names ? o->names[k] : check_last_part(paths[k]), o, &pieces[k], record, err);
    if (status)
      return status;
    if (!pieces[k].reference.map.known || !pieces[k].marks.count) {
      *joined = 0;
      continue;
    }
    if (k && *joined == k) {
      status = piece_place(&pieces[k - 1], &pieces[k], o, &link[k - 1], state, err);
      if (status)
        return status;
      *joined += *state == SP_JOIN_OK;
    }
    if (k)
      sp_face_free(&pieces[k - 1].face);
  }
  sp_face_free(&pieces[count - 1].face);
  return SP_OK;
}

static sp_status say_unmeasured(const piece *pieces, size_t count, sp_record *record, sp_error *err)
{
  for (size_t k = 0; k < count; k++)
    if (!pieces[k].reference.map.known || !pieces[k].marks.count)
      return sp_record_warn(record, err,
                            "the pieces cannot be joined: in %s no %s; every piece needs a rule or a strip beside the "
                            "board, and lines",
                            pieces[k].name,
                            pieces[k].marks.count ? "scale could be read" : "lines were found, or no scale");
  return SP_OK;
}

/* What was said by hand of pictures that make no board. */
static sp_status note_unused(const piece *pieces, size_t count, const sp_check_options *o, sp_record *record,
                             sp_error *err)
{
  corrected whole;
  sp_status status = corrected_begin(o->corrections, EVERY_SOURCE, &whole, err);
  for (size_t k = 0; !status && k < count; k++)
    corrected_note_unused(&pieces[k].said, &whole);
  if (!status)
    status = corrected_note(&whole, record, err);
  corrected_free(&whole);
  return status;
}

static sp_status check_pieces(const char *const *paths, size_t count, const sp_check_options *o, sp_record *record,
                              size_t *at_fault, sp_error *err)
{
  sp_status status = SP_OK;
  piece *pieces = calloc(count, sizeof *pieces);
  piece_link *link = calloc(count, sizeof *link);
  size_t joined = 0;
  sp_join_state state = SP_JOIN_OK;
  check_set_task(o, record);
  if (!pieces || !link)
    status = sp_fail_memory(err);
  if (!status)
    status = measure_all(paths, count, o, pieces, link, &joined, &state, record, at_fault, err);
  if (!status && joined == count)
    status = pieces_judge(pieces, count, link, o, record, err);
  else if (!status) {
    status = joined ? pieces_say_why(pieces, count, joined, &link[joined - 1], state, o, record, err)
                    : say_unmeasured(pieces, count, record, err);
    if (!status)
      status = pieces_judge_none(o, record, err);
  }
  if (!status && !record->correction_count)
    status = note_unused(pieces, count, o, record, err);
  for (size_t k = 0; pieces && k < count; k++)
    piece_free(&pieces[k]);
  free(pieces);
  free(link);
  return status;
}

sp_status sp_check_pieces(const char *const *paths, size_t count, const sp_check_options *o, sp_record *record,
                          size_t *at_fault, sp_error *err)
{
  sp_check_options own = *o;
  sp_corrections named;
  *at_fault = 0;
  if (count < 2 || count > SP_MOST_PIECES)
    return sp_fail(err, SP_E_USAGE, "a board is joined from 2 to %d pictures", SP_MOST_PIECES);
  sp_status status = check_refuse_fan(o, err);
  if (!status)
    status = corrected_name_sources(o->corrections, paths, o->names, count, &named, err);
  if (status)
    return status;
  own.corrections = &named;
  status = check_pieces(paths, count, &own, record, at_fault, err);
  sp_corrections_free(&named);
  return status;
}
