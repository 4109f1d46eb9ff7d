/* A browser that is not ours (Chromium), driven through ChromeDriver by the WebDriver protocol (W3C Recommendation). */
#ifndef BROWSER_H
#define BROWSER_H

#include "talk.h"

typedef struct browser {
  talk_program driver;
  char session[80];
} browser;

void browser_open(browser *b);
void browser_close(browser *b);
void browser_go(browser *b, const char *url);
/* Runs the body of a function in the page and gives what it returns. cJSON_Delete. */
cJSON *browser_run(browser *b, const char *script);
/* Runs it again and again until what it returns is true, for at most half a minute; fails otherwise. */
void browser_until(browser *b, const char *script);
/* Keys as a hand would press them, to whatever has the focus. Names of keys that print nothing: see KEY_ below. */
void browser_keys(browser *b, const char *keys);
void browser_click(browser *b, const char *selector);
/* A file for an <input type=file>. */
void browser_choose(browser *b, const char *selector, const char *path);
/* Width and height of what shows, CSS px; a telephone's or a desk's; light or dark. */
void browser_screen(browser *b, int width, int height, bool dark);
/* PNG of the whole page. */
void browser_shot(browser *b, const char *path);
/* True if anything was complained of in the console since the last call; told on standard error. */
bool browser_complained(browser *b);
/* The page on paper, as PDF. */
void browser_print(browser *b, const char *path);

/* WebDriver 17.4.2 */
#define KEY_TAB    "\xee\x80\x84"
#define KEY_ENTER  "\xee\x80\x87"
#define KEY_ESCAPE "\xee\x80\x8c"
#define KEY_SPACE  " "
#define KEY_LEFT   "\xee\x80\x92"
#define KEY_UP     "\xee\x80\x93"
#define KEY_RIGHT  "\xee\x80\x94"
#define KEY_DOWN   "\xee\x80\x95"
#define KEY_DELETE "\xee\x80\x97"

#endif
