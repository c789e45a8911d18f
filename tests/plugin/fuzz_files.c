/* The plug-in's readers under libFuzzer: fuzz.py builds this with KIND as one of add_correction_file, add_cube_file and
 * add_patches_file. The first byte is the option. */
#include <stdio.h>
#include <stdlib.h>

#include "readers.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static char path[64];
    if (!*path) snprintf(path, sizeof path, "/dev/shm/fuzzed-%p-%d", (void *)path, rand());
    if (size == 0) return 0;
    FILE *file = fopen(path, "wb");
    if (!file) abort();
    fwrite(data + 1, 1, size - 1, file);
    fclose(file);
    Trouble trouble = {0};
    Program *program = program_new(&trouble);
    int good = KIND(program, path, data[0] & 1, &trouble);
    if (good) good = program_finish(program, &trouble);
    if (good != (trouble.status == OFX_OK)) abort();
    char words[512];
    correction_words(path, words, sizeof words);
    program_release(program);
    return 0;
}
