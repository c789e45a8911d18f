/* Files that hold chains. */
#ifndef HUEWRIGHT_READERS_H
#define HUEWRIGHT_READERS_H

#include "program.h"

int add_correction_file(Program *program, const char *path, int neutral, Trouble *trouble);
int add_cube_file(Program *program, const char *path, int trilinear, Trouble *trouble);

#endif
