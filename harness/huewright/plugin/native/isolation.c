/* Patch isolation: what the Python masks do, row by row. */
#include "isolation.h"

#include <math.h>
#include <string.h>

#include "kernels.h" /* generated */
#include "sentences.h"

enum { WIDEST_PICTURE = 1 << 24 };

static int64_t number_at(const void *place) { return (int64_t)(uintptr_t)place; }

/* What of an axis from `first` to `last` counts, from an origin: all; of an axis without end, what is in the picture. */
static int64_t axis(int64_t first, int64_t last, int64_t first_there, int64_t last_there, int64_t *low, int64_t *high)
{
    const int endless = last - first > WIDEST_PICTURE;
    *low = endless ? first_there : 0;
    *high = endless ? last_there : last - first;
    return endless ? 0 : first;
}

static int64_t limited(double value, int64_t low, int64_t high)
{
    return !(value > (double)low) ? low : value >= (double)high ? high : (int64_t)value;
}

/* The pixels that a patch may touch: columns and rows, low and high. */
static void extent(const Isolation *isolation, const double *p, int64_t n, int64_t low[2], int64_t high[2])
{
    const double margin = 0.5 * isolation->feather;
    for (int axis = 0; axis < 2; axis++) {
        double first = p[axis], last = p[axis];
        for (int64_t k = 1; k < n; k++) first = fmin(first, p[2 * k + axis]), last = fmax(last, p[2 * k + axis]);
        low[axis] = limited(floor(first - margin), isolation->low[axis], isolation->high[axis]);
        high[axis] = limited(ceil(last + margin), isolation->low[axis], isolation->high[axis]);
    }
}

int isolation_prepare(Isolation *isolation, const Patches *patches, const double *values, const Picture *source,
                      const double scale[2], Trouble *trouble)
{
    const OfxRectI rod = source->rod, there = source->bounds;
    void *unused = NULL;
    int64_t count = 0, good = 0;
    isolation->left = axis(rod.x1, rod.x2, there.x1, there.x2, &isolation->low[0], &isolation->high[0]);
    isolation->top = -axis(-(int64_t)rod.y2, -(int64_t)rod.y1, -(int64_t)there.y2, -(int64_t)there.y1,
                           &isolation->low[1], &isolation->high[1]);
    const double frame[4] = {scale[0] / source->aspect, scale[1], (double)isolation->left, (double)isolation->top};
    if (patches) {
        count = patches->count;
        memcpy(isolation->counts, patches->counts, (size_t)count * sizeof *patches->counts);
        memcpy(isolation->points, patches->points, 2 * (size_t)patches->all * sizeof *patches->points);
    } else {
        huewright_isolation_grid_baseline(&count, &unused, number_at(values), number_at(isolation->points),
                                          number_at(isolation->counts));
    }
    huewright_isolation_placed_baseline(&good, &unused, number_at(values), number_at(frame),
                                        number_at(isolation->points), number_at(isolation->counts), count);
    if (!good) return fail(trouble, OFX_FAILED, "%s", SENTENCE_NO_QUAD);
    isolation->count = (int)count, isolation->widest = 0;
    isolation->feather = values[3 * PatchIsolation_feather] * scale[0];
    for (int c = 0; c < 3; c++) isolation->fill[c] = (float)values[3 * PatchIsolation_fill + c];
    const double *p = isolation->points;
    for (int patch = 0; patch < isolation->count; p += 2 * isolation->counts[patch++]) {
        int64_t low[2], high[2];
        extent(isolation, p, isolation->counts[patch], low, high);
        if (high[0] - low[0] > isolation->widest) isolation->widest = (int)(high[0] - low[0]);
    }
    return 1;
}

/* Coverage of the row `y`, from column `x` on, into mask; `row` and `cover` are scratch of the widest patch. */
static void mask_row(const Isolation *isolation, int y, int x, int columns, float *mask, double *row, double *cover)
{
    const int64_t down = isolation->top - 1 - y, shift = isolation->left - x;
    void *unused[2] = {NULL, NULL};
    memset(mask, 0, (size_t)columns * sizeof *mask);
    const double *p = isolation->points;
    for (int patch = 0; patch < isolation->count; p += 2 * isolation->counts[patch++]) {
        const int64_t n = isolation->counts[patch];
        int64_t low[2], high[2];
        extent(isolation, p, n, low, high);
        if (high[0] <= low[0] || down < low[1] || down >= high[1]) continue;
        huewright_mask_row_baseline(&unused[0], &unused[1], number_at(p), n, isolation->feather, down, low[0],
                                    number_at(row), number_at(cover), high[0] - low[0]);
        for (int64_t at = low[0]; at < high[0]; at++) {
            const int64_t i = at + shift;
            if (i < 0 || i >= columns) continue;
            const double sum = (double)mask[i] + row[at - low[0]];
            mask[i] = (float)(sum < 1.0 ? sum : 1.0);
        }
    }
}

int isolate_band(const Isolation *isolation, const Program *nothing, const Picture *source, const Picture *target,
                 OfxRectI band, float *scratch, Trouble *trouble)
{
    const int columns = band.x2 - band.x1, single = source->channels == 1;
    /* A single channel goes through the kernels as the first of three. */
    const int channels = single ? 3 : source->channels, element = source->element_bytes;
    const size_t pixels = (size_t)columns;
    const size_t wide = (size_t)isolation->widest;
    char *block = take(2 * wide * sizeof(double) + pixels * (1 + 2 * (size_t)channels) * 4);
    if (!block) return no_memory(trouble);
    double *row = (double *)block, *cover = row + wide;
    float *mask = (float *)(cover + wide), *colours = mask + pixels;
    char *padded = (char *)(colours + pixels * (size_t)channels);
    Picture from = *source, into = *target, between = {0};
    between.data = (char *)colours, between.channels = channels, between.encoding = 0, between.element_bytes = 4;
    between.row_bytes = (int)(pixels * (size_t)channels * 4);
    from.premultiplied = 0;
    for (int y = band.y1; y < band.y2; y++) {
        const OfxRectI line = {band.x1, y, band.x2, y + 1};
        char *in = source->data + (ptrdiff_t)(y - source->bounds.y1) * source->row_bytes
                   + (ptrdiff_t)(band.x1 - source->bounds.x1) * source->channels * element;
        char *out = target->data + (ptrdiff_t)(y - target->bounds.y1) * target->row_bytes
                    + (ptrdiff_t)(band.x1 - target->bounds.x1) * target->channels * element;
        between.bounds = line;
        if (single) {
            memset(padded, 0, pixels * 3 * (size_t)element);
            for (int i = 0; i < columns; i++) memcpy(padded + 3 * (size_t)i * element, in + (size_t)i * element, element);
            from.data = into.data = padded;
            from.channels = into.channels = 3;
            from.row_bytes = into.row_bytes = (int)(pixels * 3 * (size_t)element);
            from.bounds = into.bounds = line;
        }
        run_band(nothing, &from, &between, line, scratch);
        mask_row(isolation, y, band.x1, columns, mask, row, cover);
        for (int i = 0; i < columns; i++) {
            const float share = mask[i];
            float *colour = colours + (size_t)i * channels;
            for (int c = 0; c < 3; c++) {
                if (share <= 0)
                    colour[c] = single ? 0.0f : isolation->fill[c];
                else if (share < 1)
                    colour[c] = single ? share * colour[c]
                                       : isolation->fill[c] + share * (colour[c] - isolation->fill[c]);
            }
        }
        run_band(nothing, &between, &into, line, scratch);
        if (single)
            for (int i = 0; i < columns; i++)
                memcpy(out + (size_t)i * element, padded + 3 * (size_t)i * element, element);
    }
    give(block);
    return 1;
}
