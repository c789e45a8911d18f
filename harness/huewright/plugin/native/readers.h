/* Files that hold chains, or patches. */
#ifndef HUEWRIGHT_READERS_H
#define HUEWRIGHT_READERS_H

#include "program.h"

int add_correction_file(Program *program, const char *path, int neutral, Trouble *trouble);
/* How the file was solved and from which patches, for people; empty if it is none. */
void correction_words(const char *path, char *to, size_t room);
int add_cube_file(Program *program, const char *path, int trilinear, Trouble *trouble);

/* Of a patches file (generated tables): what it says of the card, and of each patch. */
extern const Field card_fields[CARD_FIELDS], patch_fields[PATCH_FIELDS];
int add_patches_file(Program *program, const char *path, int unused, Trouble *trouble);

#endif
