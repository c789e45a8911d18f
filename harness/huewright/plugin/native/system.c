/* What each system does in its own way. */
#define _GNU_SOURCE
#include "system.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <locale.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#ifdef _WIN32
#include <windows.h>

#include <io.h>
typedef _locale_t Locale;
static Locale new_locale(void) { return _create_locale(LC_ALL, "C"); }
static void drop_locale(Locale locale) { _free_locale(locale); }
#else
#ifdef __linux__
#include <dlfcn.h>
#endif
#include <sched.h>
#include <unistd.h>
#ifdef __APPLE__
#include <xlocale.h>
#endif
typedef locale_t Locale;
static Locale new_locale(void) { return newlocale(LC_ALL_MASK, "C", (locale_t)0); }
static void drop_locale(Locale locale) { freelocale(locale); }
#endif

static Locale plain(void)
{
    static _Atomic(Locale) made;
    Locale current = atomic_load(&made);
    if (!current) {
        Locale other = (Locale)0;
        current = new_locale();
        if (!atomic_compare_exchange_strong(&made, &other, current)) {
            drop_locale(current);
            current = other;
        }
    }
    return current;
}

#ifdef _WIN32
double parse_number(const char *text, char **end) { return _strtod_l(text, end, plain()); }
float parse_float(const char *text, char **end) { return _strtof_l(text, end, plain()); }

void format_words(char *to, size_t room, const char *format, va_list arguments)
{
    __stdio_common_vsprintf(_CRT_INTERNAL_PRINTF_STANDARD_SNPRINTF_BEHAVIOR, to, room, format, plain(), arguments);
}

void say_reason(int error, char *to, size_t room) { strerror_s(to, room, error); }

/* The path as Windows has it, to be freed; NULL and errno. */
static wchar_t *wide(const char *path)
{
    const int room = MultiByteToWideChar(CP_UTF8, MB_ERR_INVALID_CHARS, path, -1, NULL, 0);
    wchar_t *made = room > 0 ? malloc((size_t)room * sizeof *made) : NULL;
    errno = room > 0 ? ENOMEM : ENOENT;
    if (made) MultiByteToWideChar(CP_UTF8, MB_ERR_INVALID_CHARS, path, -1, made, room);
    return made;
}

FileFacts file_facts(const char *path)
{
    FileFacts facts = {0};
    WIN32_FILE_ATTRIBUTE_DATA about;
    wchar_t *name = wide(path);
    if (name && GetFileAttributesExW(name, GetFileExInfoStandard, &about)) {
        facts.there = 1;
        facts.folder = (about.dwFileAttributes & FILE_ATTRIBUTE_DIRECTORY) != 0;
        facts.ordinary = !(about.dwFileAttributes & (FILE_ATTRIBUTE_DIRECTORY | FILE_ATTRIBUTE_DEVICE));
        facts.time[0] = about.ftLastWriteTime.dwHighDateTime, facts.time[1] = about.ftLastWriteTime.dwLowDateTime;
        facts.size = (int64_t)about.nFileSizeHigh << 32 | about.nFileSizeLow;
    }
    free(name);
    return facts;
}

int open_file(const char *path)
{
    wchar_t *name = wide(path);
    const int file = name ? _wopen(name, _O_RDONLY | _O_BINARY | _O_NOINHERIT) : -1;
    const int reason = errno;
    free(name);
    errno = reason;
    return file;
}

int64_t read_file(int file, char *to, size_t room)
{
    return _read(file, to, room < INT_MAX ? (unsigned)room : INT_MAX);
}

void close_file(int file) { _close(file); }

void give_way(void) { SwitchToThread(); }

void *open_library(const char *name) { return LoadLibraryExA(name, NULL, LOAD_LIBRARY_SEARCH_SYSTEM32); }

void *find_in_library(void *library, const char *name) { return (void *)(uintptr_t)GetProcAddress(library, name); }

/* Functions with more than a page of variables touch each page of it first, so that the stack grows: the compiler calls
 * this with the bytes in rax and wants every register back. Usually the compiler's own library has it; no library is
 * linked here but the system's. */
__asm__(".globl ___chkstk_ms\n"
        "___chkstk_ms:\n"
        "    pushq %rcx\n"
        "    pushq %rax\n"
        "    leaq 24(%rsp), %rcx\n" /* where the caller's stack ends */
        "1:  cmpq $4096, %rax\n"
        "    jb 2f\n"
        "    subq $4096, %rcx\n"
        "    orb $0, (%rcx)\n"
        "    subq $4096, %rax\n"
        "    jmp 1b\n"
        "2:  subq %rax, %rcx\n"
        "    orb $0, (%rcx)\n"
        "    popq %rax\n"
        "    popq %rcx\n"
        "    ret\n");

#else
double parse_number(const char *text, char **end) { return strtod_l(text, end, plain()); }
float parse_float(const char *text, char **end) { return strtof_l(text, end, plain()); }

void format_words(char *to, size_t room, const char *format, va_list arguments)
{
    vsnprintf(to, room, format, arguments);
}

void say_reason(int error, char *to, size_t room)
{
#ifdef __APPLE__
    if (strerror_r(error, to, room) == 0) return;
#endif
#ifdef __linux__
    const char *words = strerror_l(error, plain());
    if (strlen(words) < room) {
        strcpy(to, words);
        return;
    }
#endif
    snprintf(to, room, "error %d", error);
}

FileFacts file_facts(const char *path)
{
    FileFacts facts = {0};
#ifdef __linux__
    struct statx about; /* not stat(): that would need glibc 2.33 */
    if (statx(AT_FDCWD, path, 0, STATX_TYPE | STATX_MTIME | STATX_SIZE, &about) != 0) return facts;
    const unsigned mode = about.stx_mode;
    facts.time[0] = about.stx_mtime.tv_sec, facts.time[1] = about.stx_mtime.tv_nsec;
    facts.size = (int64_t)about.stx_size;
#else
    struct stat about;
    if (stat(path, &about) != 0) return facts;
    const unsigned mode = about.st_mode;
    facts.time[0] = about.st_mtimespec.tv_sec, facts.time[1] = about.st_mtimespec.tv_nsec;
    facts.size = about.st_size;
#endif
    facts.there = 1, facts.folder = S_ISDIR(mode), facts.ordinary = S_ISREG(mode);
    return facts;
}

int open_file(const char *path) { return open(path, O_RDONLY | O_CLOEXEC); }

int64_t read_file(int file, char *to, size_t room)
{
    ssize_t count;
    if (room > INT_MAX) room = INT_MAX;
    do count = read(file, to, room);
    while (count < 0 && errno == EINTR);
    return count;
}

void close_file(int file) { close(file); }

void give_way(void) { sched_yield(); }

#ifdef __linux__
/* These lay in a library of their own before glibc 2.34, which a host that opens plug-ins has loaded. Nothing is linked
 * for them: where they are missing, so is what would be opened. */
#pragma weak dlopen
#pragma weak dlsym
#if __GLIBC_PREREQ(2, 34) /* the versions that older ones have, too */
#ifdef __x86_64__
__asm__(".symver dlopen, dlopen@GLIBC_2.2.5\n.symver dlsym, dlsym@GLIBC_2.2.5");
#elif defined(__aarch64__)
__asm__(".symver dlopen, dlopen@GLIBC_2.17\n.symver dlsym, dlsym@GLIBC_2.17");
#endif
#endif

void *open_library(const char *name) { return dlopen && dlsym ? dlopen(name, RTLD_NOW | RTLD_LOCAL) : NULL; }

void *find_in_library(void *library, const char *name) { return dlsym(library, name); }
#endif
#endif
