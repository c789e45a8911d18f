/* What the plug-in's parts share. */
#ifndef HUEWRIGHT_PLUGIN_H
#define HUEWRIGHT_PLUGIN_H

#include <math.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "kernels.h" /* generated: declarations of the emitted kernels */
#include "ofx_abi.h"

/* --- the effects' descriptions (generated tables are of these types) --- */
typedef struct {
    const char *name, *type, *label, *hint, *group, *subtype;
    const char *const *options;
    int values, animates, digits;
    double initial[3];
    double minimum, maximum, shown_minimum, shown_maximum;
} Parameter;

typedef struct {
    const char *identifier, *label, *description;
    const Parameter *parameters;
    int count;
} Effect;

typedef struct {
    const char *curve, *direction;
    int code;
    float parameters[16];
} PackedTransfer;

/* --- memory: the host's where it offers some --- */
void *take(size_t bytes); /* NULL if there is none; at multiples of 16 */
void give(void *memory);

/* --- what goes wrong, in words for the person --- */
typedef struct {
    int status; /* OFX_OK, or what to return */
    char text[400];
} Trouble;

int fail(Trouble *trouble, int status, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* --- a chain, packed for the executor --- */
#define MOST_OPERATIONS 64

typedef struct {
    int64_t instructions[3 * MOST_OPERATIONS]; /* code, offset in floats, size */
    float *parts[MOST_OPERATIONS];             /* until finished: each operation's parameters */
    size_t floats[MOST_OPERATIONS];
    int count;
    float *data; /* when finished: 64-byte aligned, within block */
    void *block;
    atomic_int users;
} Program;

Program *program_new(Trouble *);
int program_finish(Program *, Trouble *);
void program_release(Program *);

/* The operations, with the parameters and the bits of the Python classes of the same names. */
typedef struct {
    double base, log_side_slope, log_side_offset, lin_side_slope, lin_side_offset, lin_side_break, linear_slope;
    int has_break, has_slope;
} LogCurve;

int add_log(Program *, const LogCurve *, int encode, Trouble *);
int add_matrix(Program *, const double matrix[9], const double offset[3], Trouble *);
int add_transfer(Program *, const char *curve, const char *direction, Trouble *);
int add_tone(Program *, const double *x, const double *y, int count, Trouble *);
int add_hue(Program *, const double *hues, const double *rotations, const double *gains, int count, double kr,
            double kb, Trouble *);
int add_lut_1d(Program *, const float *table, int size, const double low[3], const double high[3], Trouble *);
int add_lut_3d(Program *, const float *table, int size, const double low[3], const double high[3], int trilinear,
               Trouble *);

int add_correction_file(Program *, const char *path, int neutral, Trouble *);
int add_cube_file(Program *, const char *path, int trilinear, Trouble *);

/* The whole file, with a zero after it; give() it back. */
char *read_whole(const char *path, size_t *size, Trouble *);
double parse_number(const char *text, char **end); /* in the C locale, whatever the host's is */
float parse_float(const char *text, char **end);

/* --- pictures --- */
typedef struct {
    OfxProperties handle;
    char *data; /* of pixel (bounds.x1, bounds.y1) */
    int row_bytes, channels, encoding, element_bytes, premultiplied;
    OfxRectI bounds, rod;
    double aspect;
} Picture;

/* One band of rows, x1 <= x < x2, through the program. Pictures have three or four channels. */
void run_band(const Program *, const Picture *source, const Picture *target, OfxRectI band, float *scratch);

/* --- patch isolation --- */
#define MOST_PATCHES 1024

typedef struct {
    int count;
    double feather;
    float fill[3];
    double corners[MOST_PATCHES][8]; /* x, y of four corners; rows down from the top of the picture */
} Isolation;

typedef struct {
    double corner[8]; /* canonical, in order around */
    int columns, rows;
    double inset, feather;
    double fill[3];
} IsolationSettings;

int isolation_prepare(Isolation *, const IsolationSettings *, const Picture *source, const double scale[2], Trouble *);
int isolate_band(const Isolation *, const Program *nothing, const Picture *source, const Picture *target,
                 OfxRectI band, float *scratch, Trouble *);

#endif
