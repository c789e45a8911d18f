/* .cube LUT files: keywords, then rows of three numbers, red fastest in 3D. */
#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "readers.h"
#include "sentences.h" /* generated */
#include "steps.h"     /* generated: cube_steps */

static int bad_cube(Trouble *trouble, const char *path, int line, const char *what)
{
    return fail(trouble, OFX_FAILED, "%s, line %d: %s; give a .cube file", path, line, what);
}

static int is_blank(char c) { return c == ' ' || c == '\t'; }

/* Whether a float carries the number from `text` to `end`, and is `value`: not larger than any of ours, nor rounded as
 * too small.
 * Of the latter C libraries' errno is not told alike. */
static int carried(float value, const char *text, const char *end)
{
    char *behind;
    if (!(fabsf(value) <= MOST_SIGNAL)) return 0;
    if (fabsf(value) >= FLT_MIN) return 1;
    if (value != 0) return parse_number(text, &behind) == value;
    for (; text < end && *text != 'e' && *text != 'E'; text++)
        if (*text >= '1' && *text <= '9') return 0;
    return 1;
}

/* Exactly `count` numbers that a float can carry, with blanks between them and nothing behind. */
static int numbers(const char *text, int count, float *values)
{
    for (int c = 0; c < count; c++) {
        char *end;
        values[c] = parse_float(text, &end);
        if (end == text || !carried(values[c], text, end) || (*end && !is_blank(*end))) return 0;
        text = end;
    }
    while (is_blank(*text)) text++;
    return !*text;
}

/* Keywords are the same in small letters. */
static int starts(const char *line, const char *word)
{
    for (; *word; word++, line++)
        if ((*line >= 'a' && *line <= 'z' ? *line - 32 : *line) != *word) return 0;
    return is_blank(*line);
}

/* One line of the file, ended by a zero, without blanks around it; NULL at the end. */
static char *next_line(char **at)
{
    char *line = *at, *end;
    if (!line) return NULL;
    end = strchr(line, '\n');
    *at = end ? end + 1 : NULL;
    if (!end) end = line + strlen(line);
    while (end > line && (end[-1] == '\r' || end[-1] == ' ' || end[-1] == '\t')) end--;
    *end = 0;
    while (*line == ' ' || *line == '\t') line++;
    return line;
}

static int read_cube(Program *program, const char *path, char *text, int trilinear, Trouble *trouble)
{
    float low[3] = {0, 0, 0}, high[3] = {1, 1, 1}, *rows = NULL;
    size_t size = 0, wanted = 0, count = 0;
    int cube = 0, number = 0, good = 1;
    for (char *line; good && (line = next_line(&text));) {
        number++;
        if (!*line || *line == '#') continue;
        if (count == 0 && starts(line, "TITLE")) continue;
        if (starts(line, "LUT_1D_SIZE") || starts(line, "LUT_3D_SIZE")) {
            char *end;
            long n = strtol(line + 11, &end, 10);
            if (*end) n = 0;
            if (rows) good = bad_cube(trouble, path, number, "a second size");
            cube = line[4] == '3';
            if (n < 2 || n > (cube ? 129 : 65536)) good = good && bad_cube(trouble, path, number, "a size out of range");
            if (!good) break;
            size = (size_t)n, wanted = cube ? size * size * size : size;
            if (!(rows = take(3 * wanted * sizeof *rows))) good = no_memory(trouble);
        } else if (count == 0 && starts(line, "DOMAIN_MIN")) {
            if (!numbers(line + 10, 3, low)) good = bad_cube(trouble, path, number, "three numbers belong here");
        } else if (count == 0 && starts(line, "DOMAIN_MAX")) {
            if (!numbers(line + 10, 3, high)) good = bad_cube(trouble, path, number, "three numbers belong here");
        } else if (count == 0 && (starts(line, "LUT_1D_INPUT_RANGE") || starts(line, "LUT_3D_INPUT_RANGE"))) {
            float range[2];
            if (!numbers(line + 18, 2, range)) good = bad_cube(trouble, path, number, "two numbers belong here");
            for (int c = 0; good && c < 3; c++) low[c] = range[0], high[c] = range[1];
        } else if (!rows || count == wanted || !numbers(line, 3, rows + 3 * count)) {
            good = bad_cube(trouble, path, number, "this line doesn't belong here");
        } else {
            count++;
        }
    }
    if (good && (!rows || count != wanted)) good = bad_cube(trouble, path, number, "the table is not complete");
    if (good) {
        size_t k = 3;
        while (k < 3 * wanted && rows[k] == rows[k % 3]) k++;
        if (k == 3 * wanted) good = bad_cube(trouble, path, number, "all rows are the same");
    }
    for (int c = 0; good && c < 3; c++)
        if (!(high[c] > low[c])) good = bad_cube(trouble, path, number, "the domain's end must lie above its start");
    if (good && cube) { /* red fastest in the file, blue fastest in an operation's table */
        float *turned = take(3 * wanted * sizeof *turned);
        if (!turned) good = no_memory(trouble);
        for (size_t b = 0; good && b < size; b++)
            for (size_t g = 0; g < size; g++)
                for (size_t r = 0; r < size; r++)
                    memcpy(turned + 3 * ((r * size + g) * size + b), rows + 3 * ((b * size + g) * size + r),
                           3 * sizeof(float));
        give(rows);
        rows = turned;
    }
    if (good) {
        const double values[CUBE_VALUES] = {low[0], low[1], low[2], high[0], high[1], high[2], cube, (double)size,
                                            trilinear};
        good = add_steps(program, cube_steps, CUBE_STEPS, values, rows, trouble);
    }
    give(rows);
    return good;
}

int add_cube_file(Program *program, const char *path, int trilinear, Trouble *trouble)
{
    size_t size = 0;
    char *text = read_whole(path, CUBE_WHAT, &size, trouble);
    if (text && strlen(text) != size) {
        give(text);
        return bad_cube(trouble, path, 1, "this is no text");
    }
    int good = text && read_cube(program, path, text, trilinear, trouble);
    give(text);
    return good;
}
