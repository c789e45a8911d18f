/* Strict JSON, scanned by the same function as in Python; then read in place, without a tree. */
#ifndef HUEWRIGHT_JSON_H
#define HUEWRIGHT_JSON_H

#include <stdint.h>

#include "text.h"

/* Whether `text` (n bytes, then a zero) is in order; if not, `trouble` says so of the file at `path`. */
int json_scan(const char *text, size_t n, const char *path, const char *what, const char *remedy,
              Trouble *trouble);

/* From here on the text was scanned. A place is where a value begins; 0 is no place of a value within another. */
typedef struct {
    const char *text;
    int64_t key, value; /* of a record's item, the key's first character; of either, where its value begins */
    int64_t after;      /* the place behind it */
} Items;

Items json_items(const char *text, int64_t place); /* before the first item of a list or record */
int json_next(Items *items);                       /* 0: there is none */
int64_t json_count(const char *text, int64_t place);
int64_t json_member(const char *text, int64_t record, const char *key); /* its value, or 0 */
int json_is_text(const char *text, int64_t key, const char *wanted);    /* `key` lies behind the opening quote */
int json_number(const char *text, int64_t place, double *number, int64_t *after); /* 0: it is none */

/* The text whose first character is at `key`, as sentences repeat a name: QUOTED characters, '?' for odd ones. */
void json_shown(const char *text, int64_t key, char *to);

int64_t json_blank(const char *text, int64_t at); /* past what separates */
int64_t json_first(const char *text); /* where the whole text's value begins */

#endif
