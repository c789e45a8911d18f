/* Reads files as the plug-in does: read_files KIND CASES RESULTS.
 *
 * KIND is correction, cube or patches. CASES holds, for each file, an option (int32), a size (int32) and that many bytes, which
 * are put into the file `case.KIND`. RESULTS gets, for each, the size of a sentence and the sentence; or 0, then how many
 * instructions there are, these, how many floats, and these (int64, int64, int64, float). Of patches, each patch's count
 * of points stands for an instruction, and the points for floats, two a number.
 */
#include <stdio.h>
#include <string.h>

#include "readers.h"

static void put_number(FILE *to, int64_t number) { fwrite(&number, sizeof number, 1, to); }

int main(int count, char **arguments)
{
    const char *kind = count == 4 ? arguments[1] : "";
    const int cube = strcmp(kind, "cube") == 0, patches = strcmp(kind, "patches") == 0;
    const char *path = cube ? "case.cube" : patches ? "case.patches" : "case.correction";
    FILE *cases = fopen(arguments[2], "rb"), *results = fopen(arguments[3], "wb");
    int32_t head[2];
    if (!cases || !results) return 2;
    while (fread(head, sizeof *head, 2, cases) == 2) {
        char *bytes = take((size_t)head[1] + 1);
        FILE *file = fopen(path, "wb");
        if (!bytes || !file || fread(bytes, 1, (size_t)head[1], cases) != (size_t)head[1]) return 2;
        fwrite(bytes, 1, (size_t)head[1], file);
        fclose(file);
        give(bytes);
        Trouble trouble = {0};
        Program *program = program_new(&trouble);
        int good = cube      ? add_cube_file(program, path, head[0], &trouble)
                   : patches ? add_patches_file(program, path, head[0], &trouble)
                             : add_correction_file(program, path, head[0], &trouble);
        if (good) good = program_finish(program, &trouble);
        if (good != (trouble.status == OFX_OK)) return 3;
        put_number(results, good ? 0 : (int64_t)strlen(trouble.text));
        if (!good) fwrite(trouble.text, 1, strlen(trouble.text), results);
        if (good && patches) {
            const Patches *p = program->patches;
            put_number(results, p->count);
            for (int k = 0; k < p->count; k++) put_number(results, p->counts[k]), put_number(results, 0), put_number(results, 0);
            put_number(results, 4 * (int64_t)p->all);
            fwrite(p->points, sizeof(double), 2 * (size_t)p->all, results);
        } else if (good) {
            put_number(results, program->count);
            fwrite(program->instructions, sizeof(int64_t), 3 * (size_t)program->count, results);
            put_number(results, (int64_t)program->length);
            fwrite(program->data, sizeof(float), program->length, results);
        }
        program_release(program);
    }
    fclose(cases);
    return fclose(results) != 0;
}
