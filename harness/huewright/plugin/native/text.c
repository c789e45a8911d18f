/* Words for the person, numbers and files: whole texts in memory. */
#define _GNU_SOURCE
#include "text.h"

#include <errno.h>
#include <fcntl.h>
#include <locale.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "sentences.h" /* generated */

int fail(Trouble *trouble, int status, const char *format, ...)
{
    va_list arguments;
    trouble->status = status;
    va_start(arguments, format);
    vsnprintf(trouble->text, sizeof trouble->text, format, arguments);
    va_end(arguments);
    return 0;
}

int no_memory(Trouble *trouble) { return fail(trouble, OFX_ERR_MEMORY, "not enough memory"); }

static locale_t plain(void)
{
    static _Atomic(locale_t) made;
    locale_t current = atomic_load(&made);
    if (!current) {
        locale_t other = (locale_t)0;
        current = newlocale(LC_ALL_MASK, "C", (locale_t)0);
        if (!atomic_compare_exchange_strong(&made, &other, current)) {
            freelocale(current);
            current = other;
        }
    }
    return current;
}

double parse_number(const char *text, char **end) { return strtod_l(text, end, plain()); }
float parse_float(const char *text, char **end) { return strtof_l(text, end, plain()); }

static char *unreadable(Trouble *trouble, const char *path, const char *what)
{
    const int reason = errno;
    if (reason == ENOENT)
        fail(trouble, OFX_FAILED, SENTENCE_MISSING, path, what);
    else
        fail(trouble, OFX_FAILED, SENTENCE_UNREADABLE, path, what, strerror_l(reason, plain()));
    return NULL;
}

char *read_whole(const char *path, const char *what, size_t *size, Trouble *trouble)
{
    struct statx about; /* not stat(): that would need glibc 2.33 */
    if (statx(AT_FDCWD, path, 0, STATX_TYPE, &about) == 0 && !S_ISREG(about.stx_mode)) {
        const char *other = S_ISDIR(about.stx_mode) ? SENTENCE_FOLDER : SENTENCE_NOT_ORDINARY;
        fail(trouble, OFX_FAILED, SENTENCE_NO_FILE, path, other, what);
        return NULL;
    }
    const int file = open(path, O_RDONLY | O_CLOEXEC);
    size_t room = 65536, filled = 0;
    char *text = NULL;
    if (file < 0) return unreadable(trouble, path, what);
    text = take(room + 1);
    for (;;) {
        ssize_t count;
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
        count = read(file, text + filled, room - filled);
        if (count < 0 && errno == EINTR) continue;
        if (count < 0) {
            unreadable(trouble, path, what);
            give(text);
            text = NULL;
        }
        if (count <= 0) break;
        filled += (size_t)count;
    }
    close(file);
    if (text) text[filled] = 0, *size = filled;
    return text;
}
