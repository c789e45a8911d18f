/* Words for the person, and files: whole texts in memory. */
#ifndef HUEWRIGHT_TEXT_H
#define HUEWRIGHT_TEXT_H

#include "memory.h"
#include "system.h"

typedef struct {
    int status; /* OFX_OK, or what to return */
    char text[1024];
} Trouble;

int fail(Trouble *trouble, int status, const char *format, ...) __attribute__((format(printf, 3, 4))); /* returns 0 */
int no_memory(Trouble *trouble);
void put_words(char *to, size_t room, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* The whole file, with a zero after it; `what` names what was expected. give() it back; NULL in trouble. */
char *read_whole(const char *path, const char *what, size_t *size, Trouble *trouble);

#endif
