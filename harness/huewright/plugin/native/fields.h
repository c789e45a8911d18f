/* What fields take of a JSON file. */
#ifndef HUEWRIGHT_FIELDS_H
#define HUEWRIGHT_FIELDS_H

#include "json.h"
#include "program.h"

typedef struct {
    const char *text; /* scanned */
    float *table;     /* the last one read, to be given back */
    Trouble *trouble;
} FileText;

/* Whether the field takes what stands at `place`; its numbers, and how many. Trouble is told of memory only. */
int take_field(FileText *r, const Field *f, int64_t place, Given *given, int64_t *count);

#endif
