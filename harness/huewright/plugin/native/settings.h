/* The host's suites, what the plug-in keeps for each instance, and the chain that its settings stand for. */
#ifndef HUEWRIGHT_SETTINGS_H
#define HUEWRIGHT_SETTINGS_H

#include "readers.h"

extern OfxHost *host;
extern const OfxPropertySuite *props;
extern const OfxImageEffectSuite *effects;
extern const OfxParameterSuite *params;
extern const OfxMultiThreadSuite *threads; /* these may be missing */
extern const OfxMessageSuite *messages;
extern int message_version;

/* --- the effects' descriptions (generated tables are of these types) --- */
typedef struct {
    const char *name, *type, *label, *hint, *group, *subtype;
    const char *const *options;
    const char *const *axes; /* what each of several numbers is called, or NULL */
    int values, animates, digits, open;
    double step, initial[3];
    double minimum, maximum, shown_minimum, shown_maximum;
} Parameter;

typedef int FileReader(Program *program, const char *path, int option, Trouble *trouble);

typedef struct {
    const char *identifier, *label, *description;
    const Parameter *parameters;
    int count;
    const Step *steps; /* the chain that its parameters stand for */
    int step_count;
    FileReader *read_file; /* NULL: it takes no file; else the places of the file's parameter, */
    int file, option;      /* of the one that goes with it, */
    int source;            /* and of the choice: 0 from the file, 1 from the parameters behind `option`; -1: none */
    int holds;             /* the text that says what is in the file; -1: none */
    int mask;              /* what it does depends on the place in the picture */
} Effect;

extern const Effect effects_table[EFFECT_COUNT];

typedef struct {
    double numbers[3];
} Value;

#define LONGEST_PATH 4096

typedef struct {
    Value values[MOST_PARAMETERS];
    char path[LONGEST_PATH];
    int64_t path_time[2], path_size;
} Settings;

typedef struct {
    const Effect *effect;
    OfxEffect handle;
    OfxParam parameters[MOST_PARAMETERS];
    OfxClip source, output;
    atomic_flag lock;
    Program *program; /* the last one made, and from what */
    Settings made_from;
    atomic_int complained; /* a message is up */
    atomic_int warned;     /* it was said once that a choice cannot be read */
} Instance;

Instance *instance_of(OfxEffect effect);
int text_is(OfxProperties p, const char *name, const char *value);
void complain(Instance *instance, const Trouble *trouble);
void note(Instance *instance, const Trouble *trouble); /* the host writes it down, nobody is told */
void all_well(Instance *instance);

/* The parameters' values at a time, and the program for them (a use counted; NULL in trouble). */
Program *program_at(Instance *instance, double time, Settings *settings, Trouble *trouble);
void forget_program(Instance *instance);

#endif
