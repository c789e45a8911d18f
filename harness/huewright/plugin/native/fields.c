/* What fields take of a JSON file: numbers, lists, words and tables, within the limits of the generated tables. */
#include "fields.h"

#include <float.h>
#include <math.h>
#include <string.h>

static int in_range(const Field *f, double number)
{
    return number >= f->low && number <= f->high;
}

/* The numbers of a list, at most `most`; how many, or -1 if anything in it is no number that the field takes. */
static int numbers_of(const FileText *r, const Field *f, int64_t place, int most, double *to)
{
    int count = 0;
    if (r->text[place] != '[') return -1;
    for (Items i = json_items(r->text, place); json_next(&i);) {
        double number;
        if (count == most || !json_number(r->text, i.value, &number, NULL) || !in_range(f, number)) return -1;
        to[count++] = number;
    }
    return count;
}

/* Nested lists, `n` long but for the innermost of three, from *at on, which moves behind them. NULL: another shape. */
static float *flatten(const char *text, int64_t *at, int axes, int64_t n, float *to)
{
    const int64_t count = axes == 0 ? 3 : n;
    if (text[*at] != '[') return NULL;
    for (int64_t k = 0; k < count; k++) {
        double number;
        *at = json_blank(text, *at + 1);
        if (axes == 0) {
            if (!json_number(text, *at, &number, at) || !(fabsf((float)number) <= LARGEST_NUMBER)) return NULL;
            *to++ = (float)number;
        } else if (!(to = flatten(text, at, axes - 1, n, to))) {
            return NULL;
        }
        *at = json_blank(text, *at);
        if (text[*at] != (k < count - 1 ? ',' : ']')) return NULL;
    }
    *at += 1;
    return to;
}

static int take_table(FileText *r, const Field *f, int64_t place, Given *given, int64_t *n)
{
    size_t points = 1;
    if (r->text[place] != '[') return 0;
    *n = json_count(r->text, place);
    if (*n < f->least || *n > f->most) return 0;
    for (int k = 1; k < f->axes; k++) points *= (size_t)*n;
    r->table = take(3 * points * sizeof(float));
    if (!r->table) return no_memory(r->trouble);
    given->table = r->table;
    return flatten(r->text, &place, f->axes - 1, *n, r->table) != NULL;
}

/* Whether the field takes what stands at `place`; its numbers, and how many. */
int take_field(FileText *r, const Field *f, int64_t place, Given *given, int64_t *count)
{
    double *to = given->numbers + f->place;
    const char *text = r->text;
    if (f->optional && text[place] == 'n') {
        *count = 0;
        return 1;
    }
    switch (f->kind) {
    case FIELD_NUMBER:
        *count = 1;
        return json_number(text, place, to, NULL) && in_range(f, *to);
    case FIELD_ROW:
    case FIELD_LIST:
        return (*count = numbers_of(r, f, place, f->most, to)) >= f->least;
    case FIELD_ROWS:
        *count = 0;
        if (text[place] != '[') return 0;
        for (Items i = json_items(text, place); json_next(&i); *count += f->columns)
            if (*count == f->most || numbers_of(r, f, i.value, f->columns, to + *count) != f->columns) return 0;
        return *count == f->most;
    case FIELD_WORD:
        *count = 1;
        for (int k = 0; text[place] == '"' && f->choices[k]; k++)
            if (json_is_text(text, place + 1, f->choices[k])) {
                *to = k;
                return 1;
            }
        return 0;
    case FIELD_TABLE:
        return take_table(r, f, place, given, count);
    }
    return 0;
}
