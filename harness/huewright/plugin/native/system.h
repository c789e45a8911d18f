/* What each system does in its own way: numbers and words in the C locale, files, waiting. Paths are UTF-8. */
#ifndef HUEWRIGHT_SYSTEM_H
#define HUEWRIGHT_SYSTEM_H

#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#ifdef _WIN32
#define EXPORTED __attribute__((dllexport))
#else
#define EXPORTED __attribute__((visibility("default")))
#endif

double parse_number(const char *text, char **end); /* as strtod in the C locale, whatever the host's is */
float parse_float(const char *text, char **end);
void format_words(char *to, size_t room, const char *format, va_list arguments); /* as vsnprintf */
void say_reason(int error, char *to, size_t room);                               /* of errno, in English */

typedef struct {
    int there, folder, ordinary;
    int64_t time[2], size; /* seconds or the like, and what is finer; of the last change */
} FileFacts;

FileFacts file_facts(const char *path); /* not there: as far as can be told */
int open_file(const char *path);        /* for reading bytes; -1 and errno */
int64_t read_file(int file, char *to, size_t room);
void close_file(int file);

void give_way(void); /* to other threads */

#endif
