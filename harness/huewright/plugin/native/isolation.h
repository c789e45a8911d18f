/* Patch isolation: what the Python masks do, row by row. */
#ifndef HUEWRIGHT_ISOLATION_H
#define HUEWRIGHT_ISOLATION_H

#include "program.h"

typedef struct {
    int count, widest;        /* patches; pixels across the widest of them */
    int64_t left, top;        /* the pixel column and row (rows counted up) from which patches are measured, */
    int64_t low[2], high[2];  /* and the columns and rows (down) from there that count */
    double feather;
    float fill[3];
    int64_t counts[MOST_PATCHES];    /* points of each patch, */
    double points[2 * MOST_POINTS]; /* and x, y of each; rows down */
} Isolation;

/* From the effect's values, three numbers a parameter, and the card's patches (NULL: a plain grid). */
int isolation_prepare(Isolation *isolation, const Patches *patches, const double *values, const Picture *source,
                      const double scale[2], Trouble *trouble);
int isolate_band(const Isolation *isolation, const Program *nothing, const Picture *source, const Picture *target,
                 OfxRectI band, float *scratch, Trouble *trouble);

#endif
