/* Patches files: where the patches lie on a card, read by generated tables of fields. */
#include <string.h>

#include "fields.h"
#include "kernels.h" /* generated */
#include "readers.h"
#include "sentences.h"

static int refuse(Trouble *trouble, const char *path, const char *problem)
{
    return fail(trouble, OFX_FAILED, SENTENCE_PATCHES_DAMAGED, path, problem);
}

/* All of the record's fields and no key besides but those in `also`; what is wrong goes to `words`. */
static int take_record(FileText *r, int64_t place, const Field *fields, int count, const char *const also[2],
                       Given *given, Trouble *words)
{
    char shown[QUOTED + 1];
    int64_t places[MOST_FIELDS] = {0};
    for (Items i = json_items(r->text, place); json_next(&i);) {
        int k = 0;
        while (k < count && !json_is_text(r->text, i.key, fields[k].name)) k++;
        if (k < count) {
            places[k] = i.value;
        } else if (!json_is_text(r->text, i.key, also[0]) && !json_is_text(r->text, i.key, also[1])) {
            json_shown(r->text, i.key, shown);
            return fail(words, OFX_FAILED, SENTENCE_PATCHES_UNKNOWN, shown);
        }
    }
    for (int k = 0; k < count; k++)
        if (!places[k] || !take_field(r, &fields[k], places[k], given, &given->counts[k]))
            return fail(words, OFX_FAILED, SENTENCE_PATCHES_TAKES, fields[k].name, fields[k].wants);
    return 1;
}

static int take_patch(FileText *r, int64_t place, const double size[2], Patches *to, Trouble *words)
{
    static const char *const also[2] = {"name", "name"};
    Given given = {0};
    int64_t wrong = 0;
    void *unused = NULL;
    if (r->text[place] != '{') return fail(words, OFX_FAILED, "%s", SENTENCE_PATCHES_NO_RECORD);
    if (!take_record(r, place, patch_fields, PATCH_FIELDS, also, &given, words)) return 0;
    const int64_t name = json_member(r->text, place, "name");
    if (!name || r->text[name] != '"') return fail(words, OFX_FAILED, "%s", SENTENCE_PATCHES_NO_NAME);
    const double *x = given.numbers + patch_fields[0].place, *y = given.numbers + patch_fields[1].place;
    huewright_patch_fault_baseline(&wrong, &unused, (int64_t)(uintptr_t)x, (int64_t)(uintptr_t)y,
                                   (int64_t)(uintptr_t)given.counts, (int64_t)(uintptr_t)size);
    if (wrong) return fail(words, OFX_FAILED, "%s", patch_faults[wrong - 1]);
    double *point = to->points + 2 * to->all;
    to->counts[to->count++] = given.counts[0];
    to->all += (int)given.counts[0];
    for (int64_t k = 0; k < given.counts[0]; k++) *point++ = x[k] / size[0], *point++ = y[k] / size[1];
    return 1;
}

static int take_patches(FileText *r, const char *path, Patches *to)
{
    static const char *const also[2] = {"format", "patches"};
    const int64_t whole = json_first(r->text);
    const int64_t format = r->text[whole] == '{' ? json_member(r->text, whole, "format") : 0;
    Given of_card = {0};
    Trouble words = {0}, at;
    if (!format || r->text[format] != '"' || !json_is_text(r->text, format + 1, PATCHES_FORMAT))
        return fail(r->trouble, OFX_FAILED, SENTENCE_NO_PATCHES_FILE, path);
    if (!take_record(r, whole, card_fields, CARD_FIELDS, also, &of_card, &words))
        return refuse(r->trouble, path, words.text);
    const int64_t list = json_member(r->text, whole, "patches");
    const int64_t count = list && r->text[list] == '[' ? json_count(r->text, list) : 0;
    if (count < 1 || count > MOST_PATCHES_IN_FILE) return refuse(r->trouble, path, SENTENCE_PATCHES_NO_LIST);
    for (Items i = json_items(r->text, list); json_next(&i);) {
        if (take_patch(r, i.value, of_card.numbers, to, &words)) continue;
        fail(&at, OFX_FAILED, SENTENCE_PATCHES_AT, to->count, words.text);
        return refuse(r->trouble, path, at.text);
    }
    return 1;
}

int add_patches_file(Program *program, const char *path, int unused, Trouble *trouble)
{
    size_t size = 0;
    char *text = read_whole(path, PATCHES_WHAT, &size, trouble);
    FileText r = {text, NULL, trouble};
    (void)unused;
    int good = text && json_scan(text, size, path, PATCHES_WHAT, PATCHES_REMEDY, trouble);
    if (good && !(program->patches = take_zeroed(sizeof *program->patches))) good = no_memory(trouble);
    if (good) good = take_patches(&r, path, program->patches);
    give(text);
    return good;
}
