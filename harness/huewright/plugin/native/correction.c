/* Correction files: JSON records of operations, read by the operations' generated tables. */
#include <float.h>
#include <math.h>
#include <string.h>

#include "json.h"
#include "readers.h"
#include "sentences.h"

typedef struct {
    const char *path, *text;
    const char *list; /* the key that is read, and the operation's number in it */
    int number;
    float *table; /* the last one read, to be given back */
    Trouble *trouble;
} Reader;

/* Of the operation at hand: `problem` is a whole sentence about it. */
static int refuse(Reader *r, const char *problem)
{
    Trouble words;
    fail(&words, OFX_FAILED, SENTENCE_AT, r->list, r->number, problem);
    return fail(r->trouble, OFX_FAILED, SENTENCE_DAMAGED, r->path, words.text);
}

static int in_range(const Field *f, double number)
{
    return number >= f->low && number <= f->high;
}

/* The numbers of a list, at most `most`; how many, or -1 if anything in it is no number that the field takes. */
static int numbers_of(const Reader *r, const Field *f, int64_t place, int most, double *to)
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

static int take_table(Reader *r, const Field *f, int64_t place, Given *given, int64_t *n)
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
static int take_field(Reader *r, const Field *f, int64_t place, Given *given, int64_t *count)
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

static const Operation *operation_named(const char *text, int64_t name)
{
    for (int k = 0; name && text[name] == '"' && k < OPERATION_COUNT; k++)
        if (json_is_text(text, name + 1, operations[k].name)) return &operations[k];
    return NULL;
}

/* The operation in the record at `place`; added to `program`, or only looked at if that is NULL. */
static int read_operation(Reader *r, Program *program, int64_t place)
{
    Trouble words;
    char shown[QUOTED + 1] = "";
    const char *text = r->text;
    if (text[place] != '{') return refuse(r, SENTENCE_NO_RECORD);
    const int64_t name = json_member(text, place, "operation");
    const Operation *operation = operation_named(text, name);
    if (!operation) {
        if (name && text[name] == '"') json_shown(text, name + 1, shown);
        fail(&words, OFX_FAILED, SENTENCE_NO_OPERATION, shown, KNOWN_OPERATIONS);
        return refuse(r, words.text);
    }
    Given given;
    int64_t places[MOST_FIELDS] = {0};
    set_defaults(operation, &given);
    for (Items i = json_items(text, place); json_next(&i);) {
        int k = 0;
        while (k < operation->count && !json_is_text(text, i.key, operation->fields[k].name)) k++;
        if (k < operation->count) {
            places[k] = i.value;
        } else if (!json_is_text(text, i.key, "operation")) {
            json_shown(text, i.key, shown);
            fail(&words, OFX_FAILED, SENTENCE_NO_PARAMETER, operation->name, shown);
            return refuse(r, words.text);
        }
    }
    for (int k = 0; k < operation->count; k++) {
        const Field *f = &operation->fields[k];
        if (!places[k] || take_field(r, f, places[k], &given, &given.counts[k])) continue;
        if (r->trouble->status != OFX_OK) return 0;
        fail(&words, OFX_FAILED, SENTENCE_WRONG, operation->name, f->name, f->wants);
        return refuse(r, words.text);
    }
    if (add_operation(program, operation, &given, r->trouble)) return 1;
    if (r->trouble->status != OFX_FAILED) return 0;
    words = *r->trouble;
    return refuse(r, words.text);
}

static int read_list(Reader *r, Program *program, int64_t whole, const char *key)
{
    const int64_t list = json_member(r->text, whole, key);
    Trouble words;
    int good = 1;
    if (!list || r->text[list] != '[') {
        fail(&words, OFX_FAILED, list ? SENTENCE_NO_LIST : SENTENCE_ABSENT, key);
        return fail(r->trouble, OFX_FAILED, SENTENCE_DAMAGED, r->path, words.text);
    }
    r->list = key, r->number = 0;
    for (Items i = json_items(r->text, list); good && json_next(&i); r->number++) {
        good = read_operation(r, program, i.value);
        give(r->table);
        r->table = NULL;
    }
    return good;
}

static int read_whole_chain(Reader *r, Program *program, int neutral)
{
    const int64_t whole = json_first(r->text);
    const int64_t format = r->text[whole] == '{' ? json_member(r->text, whole, "format") : 0;
    if (!format || r->text[format] != '"' || !json_is_text(r->text, format + 1, CORRECTION_FORMAT))
        return fail(r->trouble, OFX_FAILED, SENTENCE_NO_CORRECTION, r->path);
    /* Both lists must be in order, as for the program; the one that isn't wanted goes where it is forgotten. */
    Program *other = program_new(r->trouble);
    int good = other && read_list(r, neutral ? other : program, whole, "operations")
               && read_list(r, neutral ? program : other, whole, "neutral_operations");
    program_release(other);
    return good;
}

int add_correction_file(Program *program, const char *path, int neutral, Trouble *trouble)
{
    size_t size = 0;
    char *text = read_whole(path, CORRECTION_WHAT, &size, trouble);
    Reader r = {.path = path, .text = text, .trouble = trouble};
    int good = text && json_scan(text, size, path, CORRECTION_WHAT, trouble) && read_whole_chain(&r, program, neutral);
    give(text);
    return good;
}
