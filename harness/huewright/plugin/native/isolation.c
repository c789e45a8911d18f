/* Patch isolation: what the Python masks do, row by row. */
#include "plugin.h"

int isolation_prepare(Isolation *isolation, const IsolationSettings *s, const Picture *source, const double scale[2],
                      Trouble *trouble)
{
    const double *p = s->corner;
    const double x0 = p[0], y0 = p[1], x1 = p[2], y1 = p[3], x2 = p[4], y2 = p[5], x3 = p[6], y3 = p[7];
    const double dx1 = x1 - x2, dx2 = x3 - x2, sx = x0 - x1 + x2 - x3;
    const double dy1 = y1 - y2, dy2 = y3 - y2, sy = y0 - y1 + y2 - y3;
    const double whole = dx1 * dy2 - dx2 * dy1;
    int left_turns = 0, right_turns = 0;
    for (int k = 0; k < 4; k++) {
        const double *a = p + 2 * k, *b = p + 2 * ((k + 1) % 4), *c = p + 2 * ((k + 2) % 4);
        double turn = (b[0] - a[0]) * (c[1] - b[1]) - (c[0] - b[0]) * (b[1] - a[1]);
        left_turns += turn > 0, right_turns += turn < 0;
    }
    if (left_turns != 4 && right_turns != 4)
        return fail(trouble, OFX_FAILED, "the four corners are not those of a convex quad, in order around it");
    if (s->columns < 1 || s->columns > 32 || s->rows < 1 || s->rows > 32)
        return fail(trouble, OFX_FAILED, "1 to 32 columns and rows");
    const double g = (sx * dy2 - dx2 * sy) / whole, h = (dx1 * sy - sx * dy1) / whole;
    const double a = x1 - x0 + g * x1, b = x3 - x0 + h * x3, d = y1 - y0 + g * y1, e = y3 - y0 + h * y3;
    const double inset = 0.5 * s->inset;
    const double across = scale[0] / source->aspect, top_row = source->rod.y2, left_column = source->rod.x1;
    isolation->count = 0;
    isolation->feather = s->feather * scale[0];
    for (int c = 0; c < 3; c++) isolation->fill[c] = (float)s->fill[c];
    for (int row = 0; row < s->rows; row++)
        for (int column = 0; column < s->columns; column++) {
            const double left = (column + inset) / s->columns, right = (column + 1 - inset) / s->columns;
            const double top = (row + inset) / s->rows, bottom = (row + 1 - inset) / s->rows;
            const double u[4] = {left, right, right, left}, v[4] = {top, top, bottom, bottom};
            double corners[8], area = 0;
            for (int k = 0; k < 4; k++) {
                const double w = g * u[k] + h * v[k] + 1.0;
                corners[2 * k] = (a * u[k] + b * v[k] + x0) / w * across - left_column;
                corners[2 * k + 1] = top_row - (d * u[k] + e * v[k] + y0) / w * scale[1];
            }
            for (int k = 0; k < 4; k++) {
                const double *m = corners + 2 * k, *n = corners + 2 * ((k + 1) % 4);
                area += m[0] * n[1] - n[0] * m[1];
            }
            double *to = isolation->corners[isolation->count++];
            for (int k = 0; k < 4; k++) /* the masks want the area positive */
                memcpy(to + 2 * k, corners + 2 * (area >= 0 ? k : 3 - k), 2 * sizeof(double));
        }
    return 1;
}

static double limited(double value, double high) { return value < 0.0 ? 0.0 : value > high ? high : value; }

/* Coverage of the row `y` (down from the top) into mask; `row` and `cover` are scratch. */
static void mask_row(const Isolation *isolation, int y, int width, int height, float *mask, double *row, double *cover)
{
    const double margin = 0.5 * isolation->feather;
    void *unused[2] = {NULL, NULL};
    memset(mask, 0, (size_t)width * sizeof *mask);
    for (int patch = 0; patch < isolation->count; patch++) {
        const double *p = isolation->corners[patch];
        double x0 = p[0], x1 = p[0], y0 = p[1], y1 = p[1];
        for (int k = 1; k < 4; k++) {
            x0 = fmin(x0, p[2 * k]), x1 = fmax(x1, p[2 * k]);
            y0 = fmin(y0, p[2 * k + 1]), y1 = fmax(y1, p[2 * k + 1]);
        }
        const int left = (int)limited(floor(x0 - margin), width), right = (int)limited(ceil(x1 + margin), width);
        const int top = (int)limited(floor(y0 - margin), height), bottom = (int)limited(ceil(y1 + margin), height);
        if (right <= left || y < top || y >= bottom) continue;
        huewright_mask_row_baseline(&unused[0], &unused[1], (int64_t)(uintptr_t)p, 4, isolation->feather, y, left,
                                    (int64_t)(uintptr_t)row, (int64_t)(uintptr_t)cover, right - left);
        for (int i = 0; i < right - left; i++) {
            const double sum = (double)mask[left + i] + row[i];
            mask[left + i] = (float)(sum < 1.0 ? sum : 1.0);
        }
    }
}

int isolate_band(const Isolation *isolation, const Program *nothing, const Picture *source, const Picture *target,
                 OfxRectI band, float *scratch, Trouble *trouble)
{
    const int width = source->rod.x2 - source->rod.x1, height = source->rod.y2 - source->rod.y1;
    const int columns = band.x2 - band.x1, single = source->channels == 1;
    /* A single channel goes through the kernels as the first of three. */
    const int channels = single ? 3 : source->channels, element = source->element_bytes;
    const size_t pixels = (size_t)columns;
    char *block = take(16 + (size_t)width * (2 * sizeof(double) + sizeof(float)) + pixels * (size_t)channels * 4 * 2);
    if (!block) return fail(trouble, OFX_ERR_MEMORY, "not enough memory");
    double *row = (double *)block, *cover = row + width;
    float *mask = (float *)(cover + width), *colours = mask + width;
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
        mask_row(isolation, source->rod.y2 - 1 - y, width, height, mask, row, cover);
        for (int i = 0; i < columns; i++) {
            const int at = band.x1 + i - source->rod.x1;
            const float share = at >= 0 && at < width ? mask[at] : 0.0f;
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
