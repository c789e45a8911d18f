/* The settings of an instance at a time, and the chain that they stand for, kept until they change. */
#include "settings.h"

#include <float.h>
#include <math.h>
#include <string.h>

OfxHost *host;
const OfxPropertySuite *props;
const OfxImageEffectSuite *effects;
const OfxParameterSuite *params;
const OfxMultiThreadSuite *threads;
const OfxMessageSuite *messages;
int message_version;

/* --- instances --- */
Instance *instance_of(OfxEffect effect)
{
    OfxProperties p;
    void *data = NULL;
    if (effects->getPropertySet(effect, &p) != OFX_OK) return NULL;
    if (props->propGetPointer(p, "OfxPropInstanceData", 0, &data) != OFX_OK) return NULL;
    return data;
}

int text_is(OfxProperties p, const char *name, const char *value)
{
    char *text = NULL;
    return props->propGetString(p, name, 0, &text) == OFX_OK && text && strcmp(text, value) == 0;
}

static void say(Instance *instance, const char *kind, const char *text)
{
    if (!messages) return;
    if (message_version >= 2)
        messages->setPersistentMessage(instance->handle, kind, "huewright", "%s", text);
    else
        messages->message(instance->handle, kind, "huewright", "%s", text);
}

void complain(Instance *instance, const Trouble *trouble)
{
    atomic_store(&instance->complained, 1);
    say(instance, "OfxMessageError", trouble->text);
}

void note(Instance *instance, const Trouble *trouble)
{
    if (messages) messages->message(instance->handle, "OfxMessageLog", "huewright", "%s", trouble->text);
}

void all_well(Instance *instance)
{
    if (messages && message_version >= 2 && atomic_exchange(&instance->complained, 0))
        messages->clearPersistentMessage(instance->handle);
}

/* --- values --- */
static int is(const Parameter *p, const char *type) { return strcmp(p->type, type) == 0; }

/* A choice that cannot be read, or that is none, has its default; that is said, once. */
static void take_default(Instance *instance, const Parameter *p, double *to)
{
    char text[300];
    *to = p->initial[0];
    if (atomic_exchange(&instance->warned, 1)) return;
    put_words(text, sizeof text, "the host does not tell what is chosen for \"%s\"; %s is taken", p->label,
             p->options[(int)p->initial[0]]);
    say(instance, "OfxMessageWarning", text);
}

static int read_value(Instance *instance, double time, int k, Settings *settings, Trouble *trouble)
{
    const Parameter *p = &instance->effect->parameters[k];
    const OfxParam handle = instance->parameters[k];
    double *n = settings->values[k].numbers;
    OfxStatus status;
    int whole = 0;
    char *text = NULL;
    if (is(p, "OfxParamTypeString")) {
        status = params->paramGetValueAtTime(handle, time, &text);
        if (status == OFX_OK && text && strlen(text) >= LONGEST_PATH)
            return fail(trouble, OFX_FAILED, "the file's path is too long");
        if (status == OFX_OK && text) strcpy(settings->path, text);
    } else if (p->options) {
        status = params->paramGetValueAtTime(handle, time, &whole);
        n[0] = whole;
        if (status != OFX_OK || whole < p->minimum || whole > p->maximum) take_default(instance, p, n);
        return 1;
    } else if (is(p, "OfxParamTypeBoolean") || is(p, "OfxParamTypeInteger")) {
        status = params->paramGetValueAtTime(handle, time, &whole);
        n[0] = whole;
    } else if (p->values == 1) {
        status = params->paramGetValueAtTime(handle, time, &n[0]);
    } else if (p->values == 2) {
        status = params->paramGetValueAtTime(handle, time, &n[0], &n[1]);
    } else {
        status = params->paramGetValueAtTime(handle, time, &n[0], &n[1], &n[2]);
    }
    if (status != OFX_OK) return fail(trouble, OFX_FAILED, "the value of %s cannot be read", p->name);
    for (int c = 0; c < p->values; c++) {
        if (!(fabs(n[c]) <= DBL_MAX)) return fail(trouble, OFX_FAILED, "%s is no finite number", p->label);
        if (n[c] < p->minimum) n[c] = p->minimum;
        if (n[c] > p->maximum) n[c] = p->maximum;
    }
    return 1;
}

static int from_file(const Effect *effect, const Settings *s)
{
    return effect->read_file && (effect->source < 0 || s->values[effect->source].numbers[0] == 0);
}

static int read_settings(Instance *instance, double time, Settings *settings, Trouble *trouble)
{
    const Effect *effect = instance->effect;
    memset(settings, 0, sizeof *settings);
    for (int k = 0; k < effect->count; k++) {
        if (effect->option >= 0 && k > effect->option && from_file(effect, settings)) break; /* the rest says nothing */
        if (k != effect->holds && effect->parameters[k].values && !read_value(instance, time, k, settings, trouble)) return 0;
    }
    if (*settings->path) {
        const FileFacts facts = file_facts(settings->path);
        settings->path_time[0] = facts.time[0], settings->path_time[1] = facts.time[1];
        settings->path_size = facts.size;
    }
    return 1;
}

static int make(const Effect *effect, Program *program, const Settings *s, Trouble *trouble)
{
    if (!from_file(effect, s))
        return add_steps(program, effect->steps, effect->step_count, s->values[0].numbers, NULL, trouble);
    const int option = effect->option >= 0 && s->values[effect->option].numbers[0] != 0;
    return !*s->path || effect->read_file(program, s->path, option, trouble);
}

/* --- programs --- */
static void lock(Instance *instance)
{
    while (atomic_flag_test_and_set_explicit(&instance->lock, memory_order_acquire)) give_way();
}

static void unlock(Instance *instance) { atomic_flag_clear_explicit(&instance->lock, memory_order_release); }

/* The program for these settings, with a use counted; NULL in trouble. */
static Program *program_for(Instance *instance, const Settings *settings, Trouble *trouble)
{
    Program *program = NULL;
    lock(instance);
    if (instance->program && memcmp(&instance->made_from, settings, sizeof *settings) == 0) {
        program = instance->program;
        atomic_fetch_add(&program->users, 1);
    }
    unlock(instance);
    if (program) return program;
    program = program_new(trouble);
    if (!program) return NULL;
    if (!make(instance->effect, program, settings, trouble) || !program_finish(program, trouble)) {
        program_release(program);
        return NULL;
    }
    atomic_fetch_add(&program->users, 1);
    lock(instance);
    Program *before = instance->program;
    instance->program = program;
    instance->made_from = *settings;
    unlock(instance);
    program_release(before);
    return program;
}

void forget_program(Instance *instance)
{
    lock(instance);
    Program *before = instance->program;
    instance->program = NULL;
    unlock(instance);
    program_release(before);
}

Program *program_at(Instance *instance, double time, Settings *settings, Trouble *trouble)
{
    return read_settings(instance, time, settings, trouble) ? program_for(instance, settings, trouble) : NULL;
}
