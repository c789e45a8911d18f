/* Strict JSON, scanned by the same function as in Python; then read in place, without a tree. */
#include "json.h"

#include <string.h>

#include "constants.h" /* generated */
#include "kernels.h"
#include "sentences.h"

static int64_t number_at(const void *place) { return (int64_t)(uintptr_t)place; }

int json_scan(const char *text, size_t n, const char *path, const char *what, const char *remedy,
              Trouble *trouble)
{
    void *unused[2] = {NULL, NULL};
    int64_t out[2] = {0, 0}, *scratch = take(JSON_SCRATCH * sizeof *scratch);
    int line = 1;
    if (!scratch) return no_memory(trouble);
    huewright_json_scan_baseline(&unused[0], &unused[1], number_at(text), (int64_t)n, number_at(scratch), number_at(out));
    give(scratch);
    if (!out[0]) return 1;
    for (int64_t k = 0; k < out[1]; k++) line += text[k] == '\n';
    return fail(trouble, OFX_FAILED, SENTENCE_NOT_JSON, path, line, what, json_faults[out[0] - 1],
                remedy);
}

int64_t json_blank(const char *text, int64_t at)
{
    while (text[at] == ' ' || text[at] == '\n' || text[at] == '\t' || text[at] == '\r') at++;
    return at;
}

static int64_t after(const char *text, int64_t at)
{
    void *unused = NULL;
    int64_t behind = 0;
    huewright_json_after_baseline(&behind, &unused, number_at(text), at);
    return behind;
}

static int64_t symbol(const char *text, int64_t *at)
{
    void *unused[2] = {NULL, NULL};
    int64_t out[2];
    huewright_json_symbol_baseline(&unused[0], &unused[1], number_at(text), *at, number_at(out));
    *at = out[1];
    return out[0];
}

int64_t json_first(const char *text) { return json_blank(text, 0); }

Items json_items(const char *text, int64_t place) { return (Items){text, 0, 0, place + 1}; }

int json_next(Items *i)
{
    const char *text = i->text;
    int64_t at = json_blank(text, i->after);
    if (text[at] == ',') at = json_blank(text, at + 1);
    if (text[at] == ']' || text[at] == '}') return 0;
    i->key = at + 1, i->value = at, i->after = after(text, at);
    at = json_blank(text, i->after);
    if (text[at] == ':') i->value = json_blank(text, at + 1), i->after = after(text, i->value);
    return 1;
}

int64_t json_count(const char *text, int64_t place)
{
    int64_t count = 0;
    for (Items i = json_items(text, place); json_next(&i);) count++;
    return count;
}

int64_t json_member(const char *text, int64_t record, const char *key)
{
    for (Items i = json_items(text, record); json_next(&i);)
        if (json_is_text(text, i.key, key)) return i.value;
    return 0;
}

int json_is_text(const char *text, int64_t key, const char *wanted)
{
    for (; text[key] != '"'; wanted++)
        if (!*wanted || symbol(text, &key) != (unsigned char)*wanted) return 0;
    return !*wanted;
}

int json_number(const char *text, int64_t place, double *number, int64_t *behind)
{
    char *end;
    if (text[place] != '-' && (text[place] < '0' || text[place] > '9')) return 0;
    *number = parse_number(text + place, &end);
    /* As in Python, whole numbers have no negative zero. */
    if (*number == 0 && !memchr(text + place, '.', (size_t)(end - text - place))
        && !memchr(text + place, 'e', (size_t)(end - text - place))
        && !memchr(text + place, 'E', (size_t)(end - text - place)))
        *number = 0;
    if (behind) *behind = end - text;
    return 1;
}

void json_shown(const char *text, int64_t key, char *to)
{
    for (int k = 0; k < QUOTED && text[key] != '"'; k++) {
        const int64_t c = symbol(text, &key);
        *to++ = c >= ' ' && c <= '~' ? (char)c : '?';
    }
    *to = 0;
}
