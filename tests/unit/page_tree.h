/* page_tree.h: a page read back by libxml2's parser, which shares nothing with the writer but the standard. */
#ifndef PAGE_TREE_H
#define PAGE_TREE_H

#include <libxml/parser.h>
#include <libxml/xpath.h>
#include <libxml/xpathInternals.h>
#include <stdlib.h>
#include <string.h>

#include "check_close.h"

typedef struct page_tree {
  xmlDocPtr document;
  xmlXPathContextPtr context;
} page_tree;

/* Fails the test if the page is not well-formed. Free with tree_free. */
static inline page_tree tree_of(const char *text)
{
  page_tree t = {xmlReadMemory(text, (int)strlen(text), "page", NULL, XML_PARSE_NONET | XML_PARSE_HUGE), NULL};
  assert_non_null(t.document);
  t.context = xmlXPathNewContext(t.document);
  assert_non_null(t.context);
  assert_int_equal(xmlXPathRegisterNs(t.context, (const xmlChar *)"h", (const xmlChar *)"http://www.w3.org/1999/xhtml"),
                   0);
  assert_int_equal(xmlXPathRegisterNs(t.context, (const xmlChar *)"s", (const xmlChar *)"http://www.w3.org/2000/svg"),
                   0);
  return t;
}

static inline void tree_free(page_tree *t)
{
  xmlXPathFreeContext(t->context);
  xmlFreeDoc(t->document);
}

/* What an XPath expression (prefix h: HTML, s: SVG) comes to, as a number. */
static inline double tree_number(const page_tree *t, const char *expression)
{
  xmlXPathObjectPtr found = xmlXPathEvalExpression((const xmlChar *)expression, t->context);
  assert_non_null(found);
  const double value = xmlXPathCastToNumber(found);
  xmlXPathFreeObject(found);
  return value;
}

static inline int tree_count(const page_tree *t, const char *nodes)
{
  char expression[400];
  const int n = snprintf(expression, sizeof expression, "count(%s)", nodes);
  assert_true(n > 0 && (size_t)n < sizeof expression);
  return (int)tree_number(t, expression);
}

/* As text, blanks run together; free with free(). */
static inline char *tree_text(const page_tree *t, const char *expression)
{
  char normal[400];
  const int n = snprintf(normal, sizeof normal, "normalize-space(%s)", expression);
  assert_true(n > 0 && (size_t)n < sizeof normal);
  xmlXPathObjectPtr found = xmlXPathEvalExpression((const xmlChar *)normal, t->context);
  assert_non_null(found);
  xmlChar *text = xmlXPathCastToString(found);
  assert_non_null(text);
  char *copy = malloc(strlen((const char *)text) + 1);
  assert_non_null(copy);
  strcpy(copy, (const char *)text);
  xmlFree(text);
  xmlXPathFreeObject(found);
  return copy;
}

static inline void check_tree_text(const page_tree *t, const char *expression, const char *expected)
{
  char *text = tree_text(t, expression);
  assert_string_equal(text, expected);
  free(text);
}

#endif
