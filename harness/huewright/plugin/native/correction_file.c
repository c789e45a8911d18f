/* Correction files: strict JSON, as huewright writes them. */
#include "plugin.h"

/* --- JSON: a tree in memory that is given back all at once --- */
typedef enum { NOTHING, BOOLEAN, NUMBER, TEXT, LIST, NUMBERS, RECORD } Kind;

typedef struct Node {
    Kind kind;
    const char *key;    /* in a record */
    double number;      /* NUMBER, BOOLEAN */
    const char *text;   /* TEXT */
    double *numbers;    /* NUMBERS: a list of nothing but numbers */
    struct Node *first; /* LIST, RECORD */
    struct Node *next;
    size_t count;
} Node;

#define CHUNK 65536
#define DEEPEST 24

typedef struct Chunk {
    struct Chunk *before;
    size_t used, size;
    _Alignas(16) char bytes[];
} Chunk;

typedef struct {
    const char *at, *start;
    const char *path;
    Chunk *chunks;
    double *stack; /* numbers of the list being read */
    size_t stacked, room;
    Trouble *trouble;
} Reader;

static void *keep(Reader *r, size_t bytes)
{
    Chunk *chunk = r->chunks;
    bytes = (bytes + 15) & ~(size_t)15;
    if (!chunk || chunk->size - chunk->used < bytes) {
        size_t size = bytes > CHUNK ? bytes : CHUNK;
        chunk = take(sizeof *chunk + size);
        if (!chunk) {
            fail(r->trouble, OFX_ERR_MEMORY, "not enough memory to read %.250s", r->path);
            return NULL;
        }
        chunk->before = r->chunks, chunk->used = 0, chunk->size = size;
        r->chunks = chunk;
    }
    chunk->used += bytes;
    return chunk->bytes + chunk->used - bytes;
}

static void forget(Reader *r)
{
    while (r->chunks) {
        Chunk *before = r->chunks->before;
        give(r->chunks);
        r->chunks = before;
    }
    give(r->stack);
    r->stack = NULL;
}

static void skip(Reader *r)
{
    while (*r->at == ' ' || *r->at == '\n' || *r->at == '\t' || *r->at == '\r') r->at++;
}

static int damaged(Reader *r, const char *what)
{
    int line = 1;
    for (const char *p = r->start; p < r->at; p++) line += *p == '\n';
    if (r->trouble->status == OFX_OK)
        fail(r->trouble, OFX_FAILED, "%.250s, line %d: %s; give a correction file that huewright wrote", r->path, line,
             what);
    return 0;
}

static const char *read_text(Reader *r)
{
    const char *p = ++r->at;
    char *text, *to;
    while (*p && *p != '"') p += *p == '\\' && p[1] ? 2 : 1;
    if (*p != '"') {
        damaged(r, "a text without an end");
        return NULL;
    }
    to = text = keep(r, (size_t)(p - r->at) + 1);
    if (!text) return NULL;
    for (; r->at < p; r->at++) {
        if (*r->at != '\\') {
            *to++ = *r->at;
        } else {
            static const char from[] = "\"\\/bfnrt", into[] = "\"\\/\b\f\n\r\t";
            const char *known = strchr(from, *++r->at);
            if (known && *known) {
                *to++ = into[known - from];
            } else { /* \uXXXX: no key or name that is looked for has any */
                *to++ = '?';
            }
        }
    }
    *to = 0;
    r->at = p + 1;
    return text;
}

static Node *read_value(Reader *r, int depth);

static int push(Reader *r, double number)
{
    if (r->stacked == r->room) {
        size_t room = r->room ? 2 * r->room : 1024;
        double *larger = take(room * sizeof *larger);
        if (!larger) return fail(r->trouble, OFX_ERR_MEMORY, "not enough memory to read %.250s", r->path);
        if (r->stacked) memcpy(larger, r->stack, r->stacked * sizeof *larger);
        give(r->stack);
        r->stack = larger, r->room = room;
    }
    r->stack[r->stacked++] = number;
    return 1;
}

static int is_number(char c) { return c == '-' || (c >= '0' && c <= '9'); }

static int read_number(Reader *r, double *number)
{
    char *end;
    *number = parse_number(r->at, &end);
    if (end == r->at || !isfinite(*number)) return damaged(r, "not a number");
    r->at = end;
    return 1;
}

static int read_list(Reader *r, Node *node, int depth)
{
    Node **last = &node->first;
    int plain = 1;
    size_t base = r->stacked;
    node->kind = LIST;
    r->at++;
    skip(r);
    if (*r->at == ']') return r->at++, 1;
    for (;;) {
        skip(r);
        if (plain && is_number(*r->at)) {
            double number;
            if (!read_number(r, &number) || !push(r, number)) return 0;
        } else {
            if (plain && r->stacked > base) return damaged(r, "a list of numbers with something else in it");
            plain = 0;
            if (!(*last = read_value(r, depth + 1))) return 0;
            last = &(*last)->next;
        }
        node->count++;
        skip(r);
        if (*r->at == ',') {
            r->at++;
        } else if (*r->at == ']') {
            r->at++;
            break;
        } else {
            return damaged(r, "a list that is not closed");
        }
    }
    if (plain) {
        node->kind = NUMBERS;
        node->numbers = keep(r, node->count * sizeof(double));
        if (!node->numbers) return 0;
        memcpy(node->numbers, r->stack + base, node->count * sizeof(double));
        r->stacked = base;
    }
    return 1;
}

static int read_record(Reader *r, Node *node, int depth)
{
    Node **last = &node->first;
    node->kind = RECORD;
    r->at++;
    skip(r);
    if (*r->at == '}') return r->at++, 1;
    for (;;) {
        const char *key;
        skip(r);
        if (*r->at != '"') return damaged(r, "a record whose key is no text");
        if (!(key = read_text(r))) return 0;
        skip(r);
        if (*r->at++ != ':') return r->at--, damaged(r, "a key without a value");
        if (!(*last = read_value(r, depth + 1))) return 0;
        (*last)->key = key;
        last = &(*last)->next;
        node->count++;
        skip(r);
        if (*r->at == ',') {
            r->at++;
        } else if (*r->at == '}') {
            return r->at++, 1;
        } else {
            return damaged(r, "a record that is not closed");
        }
    }
}

static Node *read_value(Reader *r, int depth)
{
    Node *node;
    int good = 1;
    if (depth > DEEPEST) return damaged(r, "nested too deeply"), NULL;
    if (!(node = keep(r, sizeof *node))) return NULL;
    memset(node, 0, sizeof *node);
    skip(r);
    if (*r->at == '{') {
        good = read_record(r, node, depth);
    } else if (*r->at == '[') {
        good = read_list(r, node, depth);
    } else if (*r->at == '"') {
        node->kind = TEXT;
        good = (node->text = read_text(r)) != NULL;
    } else if (strncmp(r->at, "null", 4) == 0) {
        r->at += 4;
    } else if (strncmp(r->at, "true", 4) == 0) {
        node->kind = BOOLEAN, node->number = 1, r->at += 4;
    } else if (strncmp(r->at, "false", 5) == 0) {
        node->kind = BOOLEAN, r->at += 5;
    } else if (is_number(*r->at)) {
        node->kind = NUMBER;
        good = read_number(r, &node->number);
    } else {
        good = damaged(r, "something that is no value");
    }
    return good ? node : NULL;
}

static const Node *member(const Node *record, const char *key)
{
    if (record && record->kind == RECORD)
        for (const Node *n = record->first; n; n = n->next)
            if (strcmp(n->key, key) == 0) return n;
    return NULL;
}

/* --- operations from their records --- */
static int number_of(const Node *record, const char *key, double otherwise, double *value)
{
    const Node *n = member(record, key);
    *value = otherwise;
    if (!n || n->kind == NOTHING) return 0;
    if (n->kind == NUMBER) *value = n->number;
    return n->kind == NUMBER;
}

/* A list of numbers with between least and most of them; how many, or 0. */
static int numbers_of(const Node *record, const char *key, const double *otherwise, int least, int most, double *values)
{
    const Node *n = member(record, key);
    if (!n && otherwise) {
        memcpy(values, otherwise, (size_t)least * sizeof *values);
        return least;
    }
    if (!n || n->kind != NUMBERS || n->count < (size_t)least || n->count > (size_t)most) return 0;
    memcpy(values, n->numbers, n->count * sizeof *values);
    return (int)n->count;
}

/* A nested list of `depth` levels of n lists over triples, flattened to floats; NULL if it has another shape. */
static float *flatten(const Node *list, int depth, size_t n, float *to)
{
    if (depth == 0) {
        if (list->kind != NUMBERS || list->count != 3) return NULL;
        for (int c = 0; c < 3; c++) to[c] = (float)list->numbers[c];
        return to + 3;
    }
    if (list->kind != LIST || list->count != n) return NULL;
    for (const Node *item = list->first; item; item = item->next)
        if (!(to = flatten(item, depth - 1, n, to))) return NULL;
    return to;
}

static int wrong(const Reader *r, const char *operation)
{
    return fail(r->trouble, OFX_FAILED, "%.250s: damaged correction file (operation %.40s); solve again", r->path,
                operation);
}

static int add_table(Reader *r, Program *program, const Node *o, const char *name, int three)
{
    static const double zeros[3] = {0, 0, 0}, ones[3] = {1, 1, 1};
    const Node *table = member(o, "table"), *kind = member(o, "interpolation");
    double low[3], high[3];
    size_t n, points;
    float *values;
    int good;
    if (!table || table->kind != LIST || numbers_of(o, "domain_min", zeros, 3, 3, low) != 3
        || numbers_of(o, "domain_max", ones, 3, 3, high) != 3)
        return wrong(r, name);
    n = table->count;
    if (n < 2 || n > (three ? 129 : 65536)) return wrong(r, name);
    points = three ? n * n * n : n;
    values = take(3 * points * sizeof *values);
    if (!values) return fail(r->trouble, OFX_ERR_MEMORY, "not enough memory to read %.250s", r->path);
    if (!flatten(table, three ? 3 : 1, n, values))
        good = wrong(r, name);
    else if (three)
        good = add_lut_3d(program, values, (int)n, low, high,
                          kind && kind->kind == TEXT && strcmp(kind->text, "trilinear") == 0, r->trouble);
    else
        good = add_lut_1d(program, values, (int)n, low, high, r->trouble);
    give(values);
    return good;
}

static int add_operation(Reader *r, Program *program, const Node *o)
{
    const Node *kind = member(o, "operation");
    const char *name = kind && kind->kind == TEXT ? kind->text : "without a name";
    if (strcmp(name, "matrix") == 0) {
        static const double identity[3][3] = {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, zeros[3] = {0, 0, 0};
        const Node *rows = member(o, "matrix");
        double matrix[9], offset[3];
        int k = 0;
        memcpy(matrix, identity, sizeof matrix);
        if (rows) {
            if (rows->kind != LIST || rows->count != 3) return wrong(r, name);
            for (const Node *row = rows->first; row; row = row->next, k += 3) {
                if (row->kind != NUMBERS || row->count != 3) return wrong(r, name);
                memcpy(matrix + k, row->numbers, 3 * sizeof(double));
            }
        }
        if (numbers_of(o, "offset", zeros, 3, 3, offset) != 3) return wrong(r, name);
        return add_matrix(program, matrix, offset, r->trouble);
    }
    if (strcmp(name, "log-decode") == 0 || strcmp(name, "log-encode") == 0) {
        LogCurve c;
        number_of(o, "base", 2, &c.base);
        number_of(o, "log_side_slope", 1, &c.log_side_slope);
        number_of(o, "log_side_offset", 0, &c.log_side_offset);
        number_of(o, "lin_side_slope", 1, &c.lin_side_slope);
        number_of(o, "lin_side_offset", 0, &c.lin_side_offset);
        c.has_break = number_of(o, "lin_side_break", 0, &c.lin_side_break);
        c.has_slope = number_of(o, "linear_slope", 0, &c.linear_slope);
        return add_log(program, &c, name[4] == 'e', r->trouble);
    }
    if (strcmp(name, "transfer") == 0) {
        const Node *curve = member(o, "curve"), *direction = member(o, "direction");
        if ((curve && curve->kind != TEXT) || (direction && direction->kind != TEXT)) return wrong(r, name);
        return add_transfer(program, curve ? curve->text : "bt709", direction ? direction->text : "encode", r->trouble);
    }
    if (strcmp(name, "tone-curve") == 0) {
        static const double straight[2] = {0, 1};
        double x[16], y[16];
        int count = numbers_of(o, "x", straight, 2, 16, x);
        if (!count || numbers_of(o, "y", straight, 2, 16, y) != count) return wrong(r, name);
        return add_tone(program, x, y, count, r->trouble);
    }
    if (strcmp(name, "hue-sectors") == 0) {
        double hues[24], rotations[24], gains[24], kr, kb;
        int count = numbers_of(o, "hues_deg", NULL, 3, 24, hues);
        if (!count || numbers_of(o, "rotations_deg", NULL, 3, 24, rotations) != count
            || numbers_of(o, "gains", NULL, 3, 24, gains) != count)
            return wrong(r, name);
        number_of(o, "kr", 0.2126, &kr);
        number_of(o, "kb", 0.0722, &kb);
        return add_hue(program, hues, rotations, gains, count, kr, kb, r->trouble);
    }
    if (strcmp(name, "lut-1d") == 0) return add_table(r, program, o, name, 0);
    if (strcmp(name, "lut-3d") == 0) return add_table(r, program, o, name, 1);
    return wrong(r, name);
}

int add_correction_file(Program *program, const char *path, int neutral, Trouble *trouble)
{
    Reader r = {.path = path, .trouble = trouble};
    size_t size;
    char *text = read_whole(path, &size, trouble);
    int good = 0;
    if (!text) return 0;
    r.at = r.start = text;
    const Node *whole = read_value(&r, 0);
    if (whole) skip(&r);
    if (whole && *r.at) {
        damaged(&r, "something behind the end");
    } else if (whole) {
        const Node *format = member(whole, "format");
        const Node *operations = member(whole, neutral ? "neutral_operations" : "operations");
        if (!format || format->kind != TEXT || strcmp(format->text, "huewright-correction-1") != 0) {
            fail(trouble, OFX_FAILED, "%.250s: not a correction file; make one with `huewright solve`", path);
        } else if (!operations || (operations->kind != LIST)) {
            wrong(&r, "list");
        } else {
            good = 1;
            for (const Node *o = operations->first; good && o; o = o->next) good = add_operation(&r, program, o);
            if (!good && trouble->status == OFX_OK) wrong(&r, "list");
        }
    }
    forget(&r);
    give(text);
    return good;
}
