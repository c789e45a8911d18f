/* The host's suites, and what the plug-in keeps for each instance: shared by the files that answer actions. */
#ifndef HUEWRIGHT_INSTANCE_H
#define HUEWRIGHT_INSTANCE_H

#include "plugin.h"

extern OfxHost *host;
extern const OfxPropertySuite *props;
extern const OfxImageEffectSuite *effects;
extern const OfxParameterSuite *params;
extern const OfxMemorySuite *memory; /* these may be missing */
extern const OfxMultiThreadSuite *threads;
extern const OfxMessageSuite *messages;
extern int message_version;

typedef struct {
    double numbers[3];
} Value;

#define MOST_PARAMETERS 64
#define LONGEST_PATH 4096

typedef struct {
    Value values[MOST_PARAMETERS];
    char path[LONGEST_PATH];
    int64_t path_time[2], path_size;
} Settings;

typedef struct {
    const Effect *effect;
    int kind;
    OfxEffect handle;
    OfxParam parameters[MOST_PARAMETERS];
    OfxClip source, output;
    atomic_flag lock;
    Program *program; /* the last one made, and from what */
    Settings made_from;
    atomic_int complained; /* a message is up */
} Instance;

Instance *instance_of(OfxEffect effect);
int text_is(OfxProperties p, const char *name, const char *value);
void complain(Instance *instance, const Trouble *trouble);
void all_well(Instance *instance);

/* settings.c: the parameters' values at a time, and the program for them (a use counted; NULL in trouble) */
Program *program_at(Instance *instance, double time, Settings *settings, Trouble *trouble);
void forget_program(Instance *instance);

/* render.c */
OfxStatus render(OfxEffect effect, OfxProperties in);

/* describe.c */
OfxStatus describe(const Effect *effect, OfxEffect handle);
OfxStatus describe_in_context(const Effect *effect, OfxEffect handle);

#endif
