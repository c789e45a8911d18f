/* Chains of operations, packed for the executor and run over bands of pictures. */
#ifndef HUEWRIGHT_PROGRAM_H
#define HUEWRIGHT_PROGRAM_H

#include <stdatomic.h>
#include <stdint.h>

#include "card.h"
#include "constants.h" /* generated */

/* --- the operations (generated tables are of these types) --- */
typedef enum { FIELD_NUMBER, FIELD_ROW, FIELD_ROWS, FIELD_LIST, FIELD_WORD, FIELD_TABLE } FieldKind;

typedef struct {
    const char *name, *wants; /* what it takes, in words */
    FieldKind kind;
    int place;                /* of its first number among the operation's */
    int least, most, columns; /* so many numbers; of each of so many rows; of a table, entries along an axis */
    int optional, axes;       /* axes of a table, the last of three */
    double low, high;
    const char *const *choices;
    const double *initial;
    const float *table;
    int64_t given;            /* how many numbers the default has; of a table, entries along an axis */
} Field;

/* Functions of the emitted kernels, in their calling convention: result and exception first, pointers as numbers. */
typedef int Asked(int64_t *answer, void **exception, int64_t numbers, int64_t counts);
typedef int Room(int64_t *answer, void **exception, int64_t counts);
typedef int Packer(void **result, void **exception, int64_t numbers, int64_t counts, int64_t table, int64_t packed,
                   int64_t out);
typedef int Chosen(int64_t *answer, void **exception, int64_t values, int64_t numbers, int64_t counts);

typedef struct {
    const char *name;
    const Field *fields;
    int count;
    const char *const *sentences;
    const int *codes; /* of the executor, for each of its forms */
    Asked *check;
    Room *room;
    Packer *pack;
} Operation;

extern const Operation operations[OPERATION_COUNT];

/* What is given to an operation: numbers and words of all fields at their places, how many, and its table. */
typedef struct {
    double numbers[MOST_NUMBERS];
    int64_t counts[MOST_FIELDS];
    const float *table;
} Given;

void set_defaults(const Operation *operation, Given *given);

/* A step of a fixed chain: from an effect's or a file's values to what is given to an operation, or nothing. */
typedef struct {
    int operation;
    Chosen *choose;
} Step;

/* --- programs --- */
/* Patches of a card, in shares of its width and height. */
typedef struct {
    int count, all; /* patches, and points of them all */
    int64_t counts[MOST_PATCHES_IN_FILE];
    double points[2 * MOST_POINTS_IN_FILE];
} Patches;

typedef struct {
    int64_t *instructions; /* three each: code, offset in floats, size */
    float **parts;         /* until finished: each operation's parameters */
    size_t *floats;
    int count, room;
    float *data;           /* when finished: 64-byte aligned, within block; so many floats */
    size_t length;
    void *block;
    CardCopy *on_cards;
    Patches *patches;      /* NULL: no file says */
    atomic_int users;
} Program;

Program *program_new(Trouble *trouble);
int add_operation(Program *program, const Operation *operation, const Given *given, Trouble *trouble);
int add_steps(Program *program, const Step *steps, int count, const double *values, const float *table,
              Trouble *trouble);
int program_finish(Program *program, Trouble *trouble);
void program_release(Program *program);

/* --- pictures --- */
typedef struct {
    OfxProperties handle;
    char *data; /* of pixel (bounds.x1, bounds.y1) */
    int row_bytes, channels, encoding, element_bytes, premultiplied;
    OfxRectI bounds, rod;
    double aspect;
} Picture;

/* One band of rows, x1 <= x < x2, through the program. Pictures have three or four channels. */
void run_band(const Program *program, const Picture *source, const Picture *target, OfxRectI band, float *scratch);

/* The same where pictures lie on a card; `used` is the program's copy there, in use from then on. */
int run_on_card(Program *program, Card *card, const Picture *source, const Picture *target, OfxRectI window,
                CardCopy **used, Trouble *trouble);
CardRows rows_on_card(const Picture *picture, int x, int y); /* from that pixel on */

#endif
