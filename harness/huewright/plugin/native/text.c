/* Words for the person, and files: whole texts in memory. */
#include "text.h"

#include <errno.h>
#include <stdarg.h>
#include <string.h>

#include "constants.h" /* generated */
#include "sentences.h" /* generated */

int fail(Trouble *trouble, int status, const char *format, ...)
{
    va_list arguments;
    trouble->status = status;
    va_start(arguments, format);
    format_words(trouble->text, sizeof trouble->text, format, arguments);
    va_end(arguments);
    return 0;
}

int no_memory(Trouble *trouble) { return fail(trouble, OFX_ERR_MEMORY, "not enough memory"); }

void put_words(char *to, size_t room, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    format_words(to, room, format, arguments);
    va_end(arguments);
}

static char *unreadable(Trouble *trouble, const char *path, const char *what)
{
    const int reason = errno;
    char words[200];
    if (reason == ENOENT) {
        fail(trouble, OFX_FAILED, SENTENCE_MISSING, path, what);
    } else {
        say_reason(reason, words, sizeof words);
        fail(trouble, OFX_FAILED, SENTENCE_UNREADABLE, path, what, words);
    }
    return NULL;
}

char *read_whole(const char *path, const char *what, size_t *size, Trouble *trouble)
{
    const FileFacts facts = file_facts(path);
    if (facts.there && !facts.ordinary) {
        const char *other = facts.folder ? SENTENCE_FOLDER : SENTENCE_NOT_ORDINARY;
        fail(trouble, OFX_FAILED, SENTENCE_NO_FILE, path, other, what);
        return NULL;
    }
    const int file = open_file(path);
    size_t room = 65536, filled = 0;
    char *text = NULL;
    if (file < 0) return unreadable(trouble, path, what);
    text = take(room + 1);
    for (;;) {
        int64_t count;
        if (text && filled == room) {
            char *larger = take(2 * room + 1);
            if (larger) memcpy(larger, text, filled);
            give(text);
            text = larger, room *= 2;
        }
        if (!text) {
            no_memory(trouble);
            break;
        }
        count = read_file(file, text + filled, room - filled);
        if (count < 0) {
            unreadable(trouble, path, what);
            give(text);
            text = NULL;
        }
        if (count <= 0) break;
        filled += (size_t)count;
        if (filled > MOST_BYTES) {
            fail(trouble, OFX_FAILED, SENTENCE_TOO_LARGE, path, what);
            give(text);
            text = NULL;
            break;
        }
    }
    close_file(file);
    if (text) text[filled] = 0, *size = filled;
    return text;
}
