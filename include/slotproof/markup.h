/* slotproof/markup.h: a page written element by element, well-formed by construction.
 *
 * A thin door to libxml2's text writer: every text and every attribute is escaped there, after it was made valid UTF-8
 * without control characters (sp_clean_text), so no name from outside can become an element. What comes out is HTML
 * that is XML as well, with drawings (SVG) in its midst.
 *
 * Written through at once, nothing is kept. The first failure is remembered and all later calls do nothing; it is
 * reported by sp_markup_close. Elements and attributes are the program's own words.
 */
#ifndef SLOTPROOF_MARKUP_H
#define SLOTPROOF_MARKUP_H

#include <stddef.h>
#include <stdio.h>

#include "slotproof/status.h"

typedef struct sp_markup sp_markup;

/* Writes to `file`, which stays the caller's. SP_E_INTERNAL for lack of memory. */
sp_status sp_markup_open(FILE *file, sp_markup **markup, sp_error *err);
/* Frees, and flushes the file. SP_E_IO if a write failed, SP_E_INTERNAL for lack of memory. `markup` may be NULL (then
 * SP_OK). */
sp_status sp_markup_close(sp_markup *markup, sp_error *err);

/* The document type of HTML; before the first element. */
void sp_markup_doctype(sp_markup *markup);

void sp_markup_begin(sp_markup *markup, const char *element);
void sp_markup_end(sp_markup *markup);
/* Ends an element that never has content: img, br, meta. */
void sp_markup_end_empty(sp_markup *markup);

/* Attributes of the element just begun. */
void sp_markup_set(sp_markup *markup, const char *attribute, const char *value);
/* A value in steps of 1/100, as drawings want. */
void sp_markup_set_number(sp_markup *markup, const char *attribute, double value);
/* Bytes as a data: address of the given media type, e.g. "image/jpeg". */
void sp_markup_set_data(sp_markup *markup, const char *attribute, const char *type, const void *bytes, size_t size);

void sp_markup_text(sp_markup *markup, const char *text);
/* An element with nothing but text in it. `class_name` may be NULL. */
void sp_markup_put(sp_markup *markup, const char *element, const char *class_name, const char *text);
/* Not escaped: the program's own style sheet. */
void sp_markup_raw(sp_markup *markup, const char *text);

#if defined(__GNUC__)
#define SP_MARKUP_FORMAT(text, first) __attribute__((format(printf, text, first)))
#else
#define SP_MARKUP_FORMAT(text, first)
#endif
/* As printf, to 1000 bytes. */
void sp_markup_setf(sp_markup *markup, const char *attribute, const char *format, ...) SP_MARKUP_FORMAT(3, 4);
void sp_markup_textf(sp_markup *markup, const char *format, ...) SP_MARKUP_FORMAT(2, 3);
void sp_markup_putf(sp_markup *markup, const char *element, const char *class_name, const char *format, ...)
    SP_MARKUP_FORMAT(4, 5);

#endif
