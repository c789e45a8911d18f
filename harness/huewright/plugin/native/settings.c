/* The settings of an instance at a time, and the chain that they stand for, kept until they change. */
#define _GNU_SOURCE
#include "instance.h"

#include <fcntl.h>
#include <sched.h>
#include <sys/stat.h>

#include "tables.h" /* generated */

static void lock(Instance *instance)
{
    while (atomic_flag_test_and_set_explicit(&instance->lock, memory_order_acquire)) sched_yield();
}

static void unlock(Instance *instance) { atomic_flag_clear_explicit(&instance->lock, memory_order_release); }

static int read_settings(Instance *instance, double time, Settings *settings, Trouble *trouble)
{
    const Effect *effect = instance->effect;
    memset(settings, 0, sizeof *settings);
    for (int k = 0; k < effect->count; k++) {
        const Parameter *p = &effect->parameters[k];
        double *n = settings->values[k].numbers;
        OfxParam handle = instance->parameters[k];
        OfxStatus status = OFX_OK;
        int whole = 0;
        char *text = NULL;
        if (p->values == 0) continue;
        if (instance->kind == KIND_Correction && k > Correction_before
            && settings->values[Correction_source].numbers[0] == 0)
            break; /* from a file: the rest says nothing */
        if (strcmp(p->type, "OfxParamTypeString") == 0) {
            status = params->paramGetValueAtTime(handle, time, &text);
            if (status == OFX_OK && text) {
                if (strlen(text) >= LONGEST_PATH) return fail(trouble, OFX_FAILED, "the file's path is too long");
                strcpy(settings->path, text);
            }
        } else if (strcmp(p->type, "OfxParamTypeChoice") == 0 || strcmp(p->type, "OfxParamTypeBoolean") == 0
                   || strcmp(p->type, "OfxParamTypeInteger") == 0) {
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
            if (!isfinite(n[c])) return fail(trouble, OFX_FAILED, "%s is no finite number", p->label);
            if (n[c] < p->minimum) n[c] = p->minimum;
            if (n[c] > p->maximum) n[c] = p->maximum;
        }
    }
    if (*settings->path) {
        struct statx about; /* not stat(): that would need glibc 2.33 */
        if (statx(AT_FDCWD, settings->path, 0, STATX_MTIME | STATX_SIZE, &about) == 0) {
            settings->path_time[0] = about.stx_mtime.tv_sec;
            settings->path_time[1] = about.stx_mtime.tv_nsec;
            settings->path_size = (int64_t)about.stx_size;
        }
    }
    return 1;
}

/* The control hues from parameter `first` (luma, then hue, rotation, gain of each) on, in rising order. */
static int add_sectors(Program *program, const Value *values, Trouble *trouble)
{
    enum { SECTORS = 6 };
    double hues[SECTORS], rotations[SECTORS], gains[SECTORS];
    const double *luma = luma_table[values[0].numbers[0] != 0];
    int order[SECTORS], moved = 0;
    for (int k = 0; k < SECTORS; k++) {
        int at = k;
        for (; at > 0 && values[1 + 3 * k].numbers[0] < values[1 + 3 * order[at - 1]].numbers[0]; at--)
            order[at] = order[at - 1];
        order[at] = k;
        moved |= values[2 + 3 * k].numbers[0] != 0 || values[3 + 3 * k].numbers[0] != 1;
    }
    if (!moved) return 1;
    for (int k = 0; k < SECTORS; k++) {
        const Value *v = values + 1 + 3 * order[k];
        hues[k] = v[0].numbers[0], rotations[k] = v[1].numbers[0], gains[k] = v[2].numbers[0];
    }
    return add_hue(program, hues, rotations, gains, SECTORS, luma[0], luma[1], trouble);
}

static int add_from_parameters(Program *program, const Value *v, Trouble *trouble)
{
    static const double zeros[3] = {0, 0, 0};
#define OF(name) v[Correction_##name].numbers
    if (OF(decodeLog)[0] != 0) {
        LogCurve c = {OF(logBase)[0], OF(logSideSlope)[0], OF(logSideOffset)[0], OF(linSideSlope)[0],
                      OF(linSideOffset)[0], OF(linSideBreak)[0], OF(linearSlope)[0], OF(linearPart)[0] != 0,
                      OF(linearSlope)[0] != 0};
        if (!add_log(program, &c, 0, trouble)) return 0;
    }
    const double gain = pow(2.0, OF(exposure)[0]);
    const double matrix[9] = {gain * OF(balance)[0], 0, 0, 0, gain * OF(balance)[1], 0, 0, 0, gain * OF(balance)[2]};
    if ((matrix[0] != 1 || matrix[4] != 1 || matrix[8] != 1) && !add_matrix(program, matrix, zeros, trouble)) return 0;
    if (OF(display)[0] != 0 && !add_transfer(program, display_table[(int)OF(display)[0]], "encode", trouble)) return 0;
    const double x[3] = {OF(toneBlack)[0], OF(toneMiddle)[0], OF(toneWhite)[0]};
    const double y[3] = {OF(toneBlack)[1], OF(toneMiddle)[1], OF(toneWhite)[1]};
    if ((x[0] != y[0] || x[1] != y[1] || x[2] != y[2]) && !add_tone(program, x, y, 3, trouble)) return 0;
    return add_sectors(program, v + Correction_luma, trouble);
#undef OF
}

static int make(Instance *instance, Program *program, const Settings *s, Trouble *trouble)
{
    const Value *v = s->values;
    switch (instance->kind) {
    case KIND_HueSectors:
        return add_sectors(program, v + HueSectors_luma, trouble);
    case KIND_Lut:
        return !*s->path || add_cube_file(program, s->path, v[Lut_interpolation].numbers[0] != 0, trouble);
    case KIND_Correction:
        if (v[Correction_source].numbers[0] != 0) return add_from_parameters(program, v, trouble);
        return !*s->path || add_correction_file(program, s->path, v[Correction_before].numbers[0] != 0, trouble);
    default: /* isolation: its pictures only pass through the kernels */
        return 1;
    }
}

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
    if (!make(instance, program, settings, trouble) || !program_finish(program, trouble)) {
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
