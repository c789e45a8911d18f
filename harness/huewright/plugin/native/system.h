/* What each system does in its own way: numbers and words in the C locale, files, waiting, libraries. Paths are UTF-8. */
#ifndef HUEWRIGHT_SYSTEM_H
#define HUEWRIGHT_SYSTEM_H

#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#ifdef _WIN32
#define EXPORTED __attribute__((dllexport))
#define CARD_DRIVER "nvcuda.dll"
#else
#define EXPORTED __attribute__((visibility("default")))
#define CARD_DRIVER "libcuda.so.1"
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

#ifndef __APPLE__
void *open_library(const char *name); /* one of the system's; NULL if it is not there */
void *find_in_library(void *library, const char *name);
#endif

#endif
