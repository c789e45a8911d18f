/* Feeds the readers of correction and .cube files with damaged ones: fuzz COUNT FILE... In trouble it says so. */
#include "plugin.h"

void *take(size_t bytes) { return malloc(bytes); }
void give(void *memory) { free(memory); }

static unsigned long long state = 88172645463325252ull;

static unsigned any(void) /* Marsaglia's xorshift, 2003 */
{
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return (unsigned)(state >> 20);
}

static size_t damage(char *text, size_t size)
{
    static const char odd[] = "{}[],:\"\\u0123-+.eE nulltrue\n\0\x80";
    for (int edits = 1 + any() % 6; edits && size; edits--) {
        size_t at = any() % size, span = any() % 20;
        switch (any() % 5) {
        case 0: text[at] = odd[any() % sizeof odd]; break;
        case 1: memmove(text + at, text + at + 1, --size - at); break;
        case 2: memmove(text + at + 1, text + at, size++ - at); text[at] = odd[any() % sizeof odd]; break;
        case 3: size = at; break;
        default: if (at + span < size) memmove(text + any() % (size - span), text + at, span);
        }
    }
    return size;
}

int main(int count, char **arguments)
{
    int taken = 0, refused = 0;
    for (long k = 0; k < atol(arguments[1]); k++) {
        const char *path = arguments[2 + k % (count - 2)];
        Trouble trouble = {0};
        size_t size;
        char *text = read_whole(path, &size, &trouble), *room = malloc(size + 64);
        memcpy(room, text, size);
        free(text);
        size = damage(room, size);
        FILE *file = fopen("damaged", "wb");
        fwrite(room, 1, size, file);
        fclose(file);
        free(room);
        Program *program = program_new(&trouble);
        int good = strstr(path, ".cube") ? add_cube_file(program, "damaged", 0, &trouble)
                                         : add_correction_file(program, "damaged", any() & 1, &trouble);
        if (good) good = program_finish(program, &trouble);
        if (!good && trouble.status == OFX_OK) return puts("refused without a reason"), 1;
        taken += good, refused += !good;
        program_release(program);
    }
    printf("%d %d\n", taken, refused);
    return 0;
}
