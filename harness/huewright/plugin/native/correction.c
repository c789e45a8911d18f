/* Correction files: JSON records of operations, read by the operations' generated tables. */
#include <string.h>

#include "fields.h"
#include "readers.h"
#include "sentences.h"

typedef struct {
    FileText text;
    const char *path;
    const char *list; /* the key that is read, and the operation's number in it */
    int number;
    Trouble *trouble;
} Reader;

/* Of the operation at hand: `problem` is a whole sentence about it. */
static int refuse(Reader *r, const char *problem)
{
    Trouble words;
    fail(&words, OFX_FAILED, SENTENCE_AT, r->list, r->number, problem);
    return fail(r->trouble, OFX_FAILED, SENTENCE_DAMAGED, r->path, words.text);
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
    const char *text = r->text.text;
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
        if (!places[k] || take_field(&r->text, f, places[k], &given, &given.counts[k])) continue;
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
    const int64_t list = json_member(r->text.text, whole, key);
    Trouble words;
    int good = 1;
    if (!list || r->text.text[list] != '[') {
        fail(&words, OFX_FAILED, list ? SENTENCE_NO_LIST : SENTENCE_ABSENT, key);
        return fail(r->trouble, OFX_FAILED, SENTENCE_DAMAGED, r->path, words.text);
    }
    r->list = key, r->number = 0;
    for (Items i = json_items(r->text.text, list); good && json_next(&i); r->number++) {
        good = read_operation(r, program, i.value);
        give(r->text.table);
        r->text.table = NULL;
    }
    return good;
}

static int read_whole_chain(Reader *r, Program *program, int neutral)
{
    const int64_t whole = json_first(r->text.text);
    const int64_t format = r->text.text[whole] == '{' ? json_member(r->text.text, whole, "format") : 0;
    if (!format || r->text.text[format] != '"' || !json_is_text(r->text.text, format + 1, CORRECTION_FORMAT))
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
    Reader r = {.path = path, .text = {text, NULL, trouble}, .trouble = trouble};
    int good = text && json_scan(text, size, path, CORRECTION_WHAT, CORRECTION_REMEDY, trouble)
               && read_whole_chain(&r, program, neutral);
    give(text);
    return good;
}

/* --- what a file holds, for people --- */
static size_t put_names(const char *text, int64_t list, const char *role, int used, const char *ahead, char *to,
                        size_t room)
{
    char shown[QUOTED + 1];
    size_t at = 0;
    for (Items i = json_items(text, list); json_next(&i);) {
        if (text[i.value] != '{') continue;
        const int64_t name = json_member(text, i.value, "name"), is = json_member(text, i.value, "role");
        const int64_t was_used = json_member(text, i.value, "used");
        if (!name || text[name] != '"' || !is || text[is] != '"' || !json_is_text(text, is + 1, role)) continue;
        if (used != (was_used && text[was_used] == 't')) continue;
        json_shown(text, name + 1, shown);
        if (at + strlen(ahead) + strlen(shown) + 3 >= room) break;
        put_words(to + at, room - at, "%s%s", at ? ", " : ahead, shown);
        at += strlen(to + at);
    }
    return at;
}

void correction_words(const char *path, char *to, size_t room)
{
    static const struct { const char *role; int used; const char *ahead; } parts[] = {
        {"bar", 1, "; bars: "}, {"chip", 1, "; chips: "}, {"bar", 0, "; bars left out: "},
        {"chip", 0, "; chips left out: "}, {"check", 0, "; only checked: "}};
    char shown[QUOTED + 1];
    Trouble unused = {0};
    size_t size = 0, at = 0;
    char *text = read_whole(path, CORRECTION_WHAT, &size, &unused);
    *to = 0;
    if (text && json_scan(text, size, path, CORRECTION_WHAT, CORRECTION_REMEDY, &unused)) {
        const int64_t whole = json_first(text), is_record = text[whole] == '{';
        const int64_t method = is_record ? json_member(text, whole, "method") : 0;
        const int64_t list = is_record ? json_member(text, whole, "patches") : 0;
        if (method && text[method] == '"') {
            json_shown(text, method + 1, shown);
            put_words(to, room, "Solved with %s", shown);
            at = strlen(to);
            for (size_t k = 0; list && text[list] == '[' && k < sizeof parts / sizeof *parts; k++)
                at += put_names(text, list, parts[k].role, parts[k].used, parts[k].ahead, to + at, room - at);
        }
    }
    give(text);
}
