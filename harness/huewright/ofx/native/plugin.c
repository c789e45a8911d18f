/* The OpenFX plug-ins: actions of the Image Effect API 1.4 around the emitted kernels. */
#define _GNU_SOURCE
#include "plugin.h"

#include <fcntl.h>
#include <sched.h>
#include <stdarg.h>
#include <sys/stat.h>

#include "tables.h" /* generated */

#define PIXELS_A_BAND 131072
#define LONGEST_PATH 4096

static OfxHost *host;
static const OfxPropertySuite *props;
static const OfxImageEffectSuite *effects;
static const OfxParameterSuite *params;
static const OfxMemorySuite *memory;     /* these may be missing */
static const OfxMultiThreadSuite *threads;
static const OfxMessageSuite *messages;
static int message_version;

/* --- memory --- */
typedef struct {
    int from_host;
    _Alignas(16) char bytes[];
} Block;

void *take(size_t bytes)
{
    Block *block = NULL;
    int from_host = memory != NULL;
    if (from_host) {
        if (memory->memoryAlloc(NULL, sizeof(Block) + bytes, (void **)&block) != OFX_OK) block = NULL;
    } else {
        block = malloc(sizeof(Block) + bytes);
    }
    if (!block) return NULL;
    block->from_host = from_host;
    return block->bytes;
}

void give(void *bytes)
{
    if (!bytes) return;
    Block *block = (Block *)((char *)bytes - offsetof(Block, bytes));
    if (block->from_host)
        memory->memoryFree(block);
    else
        free(block);
}

/* --- instances --- */
typedef struct {
    double numbers[3];
} Value;

#define MOST_PARAMETERS 64

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

static void lock(Instance *instance)
{
    while (atomic_flag_test_and_set_explicit(&instance->lock, memory_order_acquire)) sched_yield();
}

static void unlock(Instance *instance) { atomic_flag_clear_explicit(&instance->lock, memory_order_release); }

static Instance *instance_of(OfxEffect effect)
{
    OfxProperties p;
    void *data = NULL;
    if (effects->getPropertySet(effect, &p) != OFX_OK) return NULL;
    if (props->propGetPointer(p, "OfxPropInstanceData", 0, &data) != OFX_OK) return NULL;
    return data;
}

static int has_file(const Effect *effect, int k) { return strcmp(effect->parameters[k].subtype, "FilePath") == 0; }

static void complain(Instance *instance, const Trouble *trouble)
{
    if (!messages) return;
    atomic_store(&instance->complained, 1);
    if (message_version >= 2)
        messages->setPersistentMessage(instance->handle, "OfxMessageError", "huewright", "%s", trouble->text);
    else
        messages->message(instance->handle, "OfxMessageError", "huewright", "%s", trouble->text);
}

static void all_well(Instance *instance)
{
    if (messages && message_version >= 2 && atomic_exchange(&instance->complained, 0))
        messages->clearPersistentMessage(instance->handle);
}

/* --- settings at a time, and the program for them --- */
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

static void forget_program(Instance *instance)
{
    lock(instance);
    Program *before = instance->program;
    instance->program = NULL;
    unlock(instance);
    program_release(before);
}

static Program *program_at(Instance *instance, double time, Settings *settings, Trouble *trouble)
{
    return read_settings(instance, time, settings, trouble) ? program_for(instance, settings, trouble) : NULL;
}

/* --- pictures --- */
static int text_is(OfxProperties p, const char *name, const char *value)
{
    char *text = NULL;
    return props->propGetString(p, name, 0, &text) == OFX_OK && text && strcmp(text, value) == 0;
}

static int fetch(OfxClip clip, double time, Picture *picture, Trouble *trouble)
{
    static const struct { const char *name; int encoding, bytes; } depths[] = {
        {"OfxBitDepthFloat", 0, 4}, {"OfxBitDepthHalf", 1, 2}, {"OfxBitDepthByte", 2, 1}, {"OfxBitDepthShort", 3, 2}};
    static const struct { const char *name; int channels; } components[] = {
        {"OfxImageComponentRGBA", 4}, {"OfxImageComponentRGB", 3}, {"OfxImageComponentAlpha", 1}};
    OfxProperties p;
    OfxStatus status = effects->clipGetImage(clip, time, NULL, &picture->handle);
    if (status != OFX_OK) {
        picture->handle = NULL;
        return fail(trouble, status == OFX_ERR_MEMORY ? OFX_ERR_MEMORY : OFX_FAILED, "there is no picture at this time");
    }
    p = picture->handle;
    picture->encoding = -1;
    for (size_t k = 0; k < sizeof depths / sizeof *depths; k++)
        if (text_is(p, "OfxImageEffectPropPixelDepth", depths[k].name))
            picture->encoding = depths[k].encoding, picture->element_bytes = depths[k].bytes;
    for (size_t k = 0; k < sizeof components / sizeof *components; k++)
        if (text_is(p, "OfxImageEffectPropComponents", components[k].name)) picture->channels = components[k].channels;
    picture->premultiplied = picture->channels == 4
                             && text_is(p, "OfxImageEffectPropPreMultiplication", "OfxImageAlphaPremultiplied");
    if (props->propGetDouble(p, "OfxImagePropPixelAspectRatio", 0, &picture->aspect) != OFX_OK || !(picture->aspect > 0))
        picture->aspect = 1;
    if (props->propGetPointer(p, "OfxImagePropData", 0, (void **)&picture->data) != OFX_OK || !picture->data
        || props->propGetInt(p, "OfxImagePropRowBytes", 0, &picture->row_bytes) != OFX_OK
        || props->propGetIntN(p, "OfxImagePropBounds", 4, &picture->bounds.x1) != OFX_OK || picture->encoding < 0
        || !picture->channels)
        return fail(trouble, OFX_ERR_IMAGE_FORMAT, "the picture is of no kind that this effect declares");
    if (props->propGetIntN(p, "OfxImagePropRegionOfDefinition", 4, &picture->rod.x1) != OFX_OK
        || picture->rod.x2 <= picture->rod.x1 || picture->rod.y2 <= picture->rod.y1)
        picture->rod = picture->bounds;
    return 1;
}

static void release(Picture *picture)
{
    if (picture->handle) effects->clipReleaseImage(picture->handle);
    picture->handle = NULL;
}

static OfxRectI overlap(OfxRectI a, OfxRectI b)
{
    OfxRectI r = {a.x1 > b.x1 ? a.x1 : b.x1, a.y1 > b.y1 ? a.y1 : b.y1, a.x2 < b.x2 ? a.x2 : b.x2,
                  a.y2 < b.y2 ? a.y2 : b.y2};
    if (r.x2 < r.x1) r.x2 = r.x1;
    if (r.y2 < r.y1) r.y2 = r.y1;
    return r;
}

/* Black and transparent where the source has no pixels. */
static void clear(const Picture *target, OfxRectI window, OfxRectI filled)
{
    const ptrdiff_t pixel = (ptrdiff_t)target->channels * target->element_bytes;
    const int none = filled.x2 <= filled.x1 || filled.y2 <= filled.y1;
    for (int y = window.y1; y < window.y2; y++) {
        char *row = target->data + (ptrdiff_t)(y - target->bounds.y1) * target->row_bytes
                    - (ptrdiff_t)target->bounds.x1 * pixel;
        if (none || y < filled.y1 || y >= filled.y2) {
            memset(row + window.x1 * pixel, 0, (size_t)((window.x2 - window.x1) * pixel));
        } else {
            memset(row + window.x1 * pixel, 0, (size_t)((filled.x1 - window.x1) * pixel));
            memset(row + filled.x2 * pixel, 0, (size_t)((window.x2 - filled.x2) * pixel));
        }
    }
}

/* --- rendering --- */
typedef struct {
    OfxEffect effect;
    const Program *program;
    const Isolation *isolation; /* NULL: a chain */
    Picture source, target;
    OfxRectI window;
    int rows, bands;
    atomic_int next, stop, status;
} Work;

static void copy_band(const Work *work, OfxRectI band)
{
    const ptrdiff_t pixel = (ptrdiff_t)work->source.channels * work->source.element_bytes;
    for (int y = band.y1; y < band.y2; y++)
        memcpy(work->target.data + (ptrdiff_t)(y - work->target.bounds.y1) * work->target.row_bytes
                   + (band.x1 - work->target.bounds.x1) * pixel,
               work->source.data + (ptrdiff_t)(y - work->source.bounds.y1) * work->source.row_bytes
                   + (band.x1 - work->source.bounds.x1) * pixel, (size_t)((band.x2 - band.x1) * pixel));
}

static void work_on(unsigned int index, unsigned int count, void *argument)
{
    Work *work = argument;
    _Alignas(64) float scratch[SCRATCH_FLOATS];
    (void)index;
    (void)count;
    for (;;) {
        const int k = atomic_fetch_add(&work->next, 1);
        if (k >= work->bands || atomic_load(&work->stop)) return;
        if (effects->abort(work->effect)) {
            atomic_store(&work->stop, 1);
            return;
        }
        OfxRectI band = work->window;
        band.y1 += (work->target.row_bytes < 0 ? work->bands - 1 - k : k) * work->rows; /* as memory runs */
        if (band.y1 + work->rows < band.y2) band.y2 = band.y1 + work->rows;
        if (work->isolation) {
            Trouble trouble = {0};
            if (!isolate_band(work->isolation, work->program, &work->source, &work->target, band, scratch, &trouble)) {
                atomic_store(&work->status, trouble.status);
                atomic_store(&work->stop, 1);
            }
        } else if (work->source.channels == 1 || work->program->count == 0) {
            copy_band(work, band);
        } else {
            run_band(work->program, &work->source, &work->target, band, scratch);
        }
    }
}

static void share_out(Work *work)
{
    unsigned int cpus = 1;
    const int width = work->window.x2 - work->window.x1, height = work->window.y2 - work->window.y1;
    if (width <= 0 || height <= 0) return;
    work->rows = width >= PIXELS_A_BAND ? 1 : PIXELS_A_BAND / width;
    work->bands = (height + work->rows - 1) / work->rows;
    if (threads && !threads->multiThreadIsSpawnedThread() && threads->multiThreadNumCPUs(&cpus) != OFX_OK) cpus = 1;
    if (cpus > 1 && work->bands < 4 * (int)cpus) { /* smaller bands, so that each thread has some */
        work->bands = height < 4 * (int)cpus ? height : 4 * (int)cpus;
        work->rows = (height + work->bands - 1) / work->bands;
        work->bands = (height + work->rows - 1) / work->rows;
    }
    if ((int)cpus > work->bands) cpus = (unsigned int)work->bands;
    if (threads && cpus > 1 && threads->multiThread(work_on, cpus, work) == OFX_OK) return;
    work_on(0, 1, work);
}

static int prepare_isolation(Instance *instance, const Settings *s, const Picture *source, const double scale[2],
                             Isolation **isolation, Trouble *trouble)
{
    const Value *v = s->values;
    IsolationSettings given = {0};
    *isolation = NULL;
    if (instance->kind != KIND_PatchIsolation) return 1;
    for (int k = 0; k < 4; k++) memcpy(given.corner + 2 * k, v[PatchIsolation_topLeft + k].numbers, 2 * sizeof(double));
    given.columns = (int)v[PatchIsolation_columns].numbers[0], given.rows = (int)v[PatchIsolation_rows].numbers[0];
    given.inset = v[PatchIsolation_inset].numbers[0], given.feather = v[PatchIsolation_feather].numbers[0];
    memcpy(given.fill, v[PatchIsolation_fill].numbers, sizeof given.fill);
    *isolation = take(sizeof **isolation);
    if (!*isolation) return fail(trouble, OFX_ERR_MEMORY, "not enough memory");
    return isolation_prepare(*isolation, &given, source, scale, trouble);
}

static OfxStatus render(OfxEffect effect, OfxProperties in)
{
    Instance *instance = instance_of(effect);
    Work work = {.effect = effect};
    Settings settings;
    Trouble trouble = {0};
    Isolation *isolation = NULL;
    Program *program = NULL;
    double time = 0, scale[2] = {1, 1};
    OfxRectI window;
    if (!instance) return OFX_ERR_BAD_HANDLE;
    if (props->propGetDouble(in, "OfxPropTime", 0, &time) != OFX_OK
        || props->propGetIntN(in, "OfxImageEffectPropRenderWindow", 4, &window.x1) != OFX_OK)
        return OFX_FAILED;
    if (props->propGetDoubleN(in, "OfxImageEffectPropRenderScale", 2, scale) != OFX_OK) scale[0] = scale[1] = 1;
    program = program_at(instance, time, &settings, &trouble);
    if (program && fetch(instance->output, time, &work.target, &trouble)
        && fetch(instance->source, time, &work.source, &trouble)) {
        if (work.source.encoding != work.target.encoding || work.source.channels != work.target.channels) {
            fail(&trouble, OFX_ERR_IMAGE_FORMAT, "source and output differ in depth or components");
        } else if (prepare_isolation(instance, &settings, &work.source, scale, &isolation, &trouble)) {
            work.program = program, work.isolation = isolation;
            window = overlap(window, work.target.bounds);
            work.window = overlap(window, work.source.bounds);
            clear(&work.target, window, work.window);
            share_out(&work);
            if (atomic_load(&work.status)) fail(&trouble, atomic_load(&work.status), "not enough memory");
        }
    }
    give(isolation);
    release(&work.source);
    release(&work.target);
    program_release(program);
    if (trouble.status == OFX_OK)
        all_well(instance);
    else
        complain(instance, &trouble);
    return trouble.status;
}

static OfxStatus is_identity(OfxEffect effect, OfxProperties in, OfxProperties out)
{
    Instance *instance = instance_of(effect);
    Settings settings;
    Trouble trouble = {0};
    Program *program;
    double time = 0;
    int identity;
    if (!instance) return OFX_ERR_BAD_HANDLE;
    props->propGetDouble(in, "OfxPropTime", 0, &time);
    if (instance->kind == KIND_PatchIsolation) return OFX_REPLY_DEFAULT;
    program = program_at(instance, time, &settings, &trouble);
    if (!program) return OFX_REPLY_DEFAULT; /* render will say what is wrong */
    identity = program->count == 0;
    program_release(program);
    if (!identity) return OFX_REPLY_DEFAULT;
    props->propSetString(out, "OfxPropName", 0, "Source");
    props->propSetDouble(out, "OfxPropTime", 0, time);
    return OFX_OK;
}

static OfxStatus region_of_definition(OfxEffect effect, OfxProperties in, OfxProperties out)
{
    Instance *instance = instance_of(effect);
    OfxRectD region;
    double time = 0;
    if (!instance) return OFX_ERR_BAD_HANDLE;
    props->propGetDouble(in, "OfxPropTime", 0, &time);
    if (effects->clipGetRegionOfDefinition(instance->source, time, &region) != OFX_OK) return OFX_REPLY_DEFAULT;
    return props->propSetDoubleN(out, "OfxImageEffectPropRegionOfDefinition", 4, &region.x1) == OFX_OK ? OFX_OK
                                                                                                      : OFX_FAILED;
}

static OfxStatus regions_of_interest(OfxProperties in, OfxProperties out)
{
    double region[4];
    if (props->propGetDoubleN(in, "OfxImageEffectPropRegionOfInterest", 4, region) != OFX_OK) return OFX_REPLY_DEFAULT;
    return props->propSetDoubleN(out, "OfxImageClipPropRoI_Source", 4, region) == OFX_OK ? OFX_OK : OFX_FAILED;
}

static OfxStatus clip_preferences(OfxProperties out)
{
    props->propSetInt(out, "OfxImageEffectFrameVarying", 0, 0);
    return OFX_OK;
}

/* --- description --- */
static void set_text(OfxProperties p, const char *name, const char *value) { props->propSetString(p, name, 0, value); }

static void set_numbers(OfxProperties p, const char *name, const double *values, int count, int whole)
{
    for (int k = 0; k < count; k++) {
        if (whole)
            props->propSetInt(p, name, k, values[k] <= INT_MIN ? INT_MIN : values[k] >= INT_MAX ? INT_MAX : (int)values[k]);
        else
            props->propSetDouble(p, name, k, values[k]);
    }
}

static OfxStatus describe(const Effect *effect, OfxEffect handle)
{
    static const char *const depths[] = {"OfxBitDepthFloat", "OfxBitDepthHalf", "OfxBitDepthShort", "OfxBitDepthByte"};
    static const double version[2] = {VERSION_MAJOR, VERSION_MINOR};
    OfxProperties p;
    if (effects->getPropertySet(handle, &p) != OFX_OK) return OFX_FAILED;
    set_text(p, "OfxPropLabel", effect->label);
    set_text(p, "OfxImageEffectPluginPropGrouping", GROUPING);
    set_text(p, "OfxPropPluginDescription", effect->description);
    set_numbers(p, "OfxPropVersion", version, 2, 1);
    props->propSetString(p, "OfxImageEffectPropSupportedContexts", 0, "OfxImageEffectContextFilter");
    props->propSetString(p, "OfxImageEffectPropSupportedContexts", 1, "OfxImageEffectContextGeneral");
    for (int k = 0, at = 0; k < 4; k++) /* a host of an older version of the standard has no half floats */
        if (props->propSetString(p, "OfxImageEffectPropSupportedPixelDepths", at, depths[k]) == OFX_OK) at++;
    props->propSetInt(p, "OfxImageEffectPropSupportsTiles", 0, 1);
    props->propSetInt(p, "OfxImageEffectPropSupportsMultiResolution", 0, 1);
    props->propSetInt(p, "OfxImageEffectPropTemporalClipAccess", 0, 0);
    props->propSetInt(p, "OfxImageEffectPropMultipleClipDepths", 0, 0);
    props->propSetInt(p, "OfxImageEffectPropSupportsMultipleClipPARs", 0, 0);
    props->propSetInt(p, "OfxImageEffectPluginPropSingleInstance", 0, 0);
    props->propSetInt(p, "OfxImageEffectPluginPropHostFrameThreading", 0, 0);
    props->propSetInt(p, "OfxImageEffectPluginPropFieldRenderTwiceAlways", 0, 0);
    set_text(p, "OfxImageEffectPluginRenderThreadSafety", "OfxImageEffectRenderFullySafe");
    return OFX_OK;
}

static int define_clip(OfxEffect handle, const char *name)
{
    OfxProperties p;
    if (effects->clipDefine(handle, name, &p) != OFX_OK) return 0;
    props->propSetString(p, "OfxImageEffectPropSupportedComponents", 0, "OfxImageComponentRGBA");
    props->propSetString(p, "OfxImageEffectPropSupportedComponents", 1, "OfxImageComponentRGB");
    props->propSetString(p, "OfxImageEffectPropSupportedComponents", 2, "OfxImageComponentAlpha");
    props->propSetInt(p, "OfxImageEffectPropSupportsTiles", 0, 1);
    return 1;
}

static void describe_numbers(const Parameter *q, OfxProperties p)
{
    const int whole = strcmp(q->type, "OfxParamTypeInteger") == 0;
    const int spatial = strcmp(q->subtype, "XYAbsolute") == 0;
    double low[3], high[3], shown_low[3], shown_high[3];
    for (int k = 0; k < q->values; k++)
        low[k] = q->minimum, high[k] = q->maximum, shown_low[k] = q->shown_minimum, shown_high[k] = q->shown_maximum;
    set_numbers(p, "OfxParamPropMin", low, q->values, whole);
    set_numbers(p, "OfxParamPropMax", high, q->values, whole);
    set_numbers(p, "OfxParamPropDisplayMin", shown_low, q->values, whole);
    set_numbers(p, "OfxParamPropDisplayMax", shown_high, q->values, whole);
    if (whole) return;
    props->propSetInt(p, "OfxParamPropDigits", 0, q->digits);
    props->propSetDouble(p, "OfxParamPropIncrement", 0, pow(10.0, -q->digits));
    if (*q->subtype) {
        char type[64];
        snprintf(type, sizeof type, "OfxParamDoubleType%s", q->subtype);
        set_text(p, "OfxParamPropDoubleType", type);
    }
    if (spatial) set_text(p, "OfxParamPropDefaultCoordinateSystem", "OfxParamCoordinatesCanonical");
}

static OfxStatus define_parameter(OfxParamSet set, const Parameter *q)
{
    OfxProperties p;
    if (params->paramDefine(set, q->type, q->name, &p) != OFX_OK) return OFX_ERR_MISSING_HOST_FEATURE;
    set_text(p, "OfxPropLabel", q->label);
    set_text(p, "OfxParamPropScriptName", q->name);
    if (*q->group) set_text(p, "OfxParamPropParent", q->group);
    if (q->values == 0) {
        props->propSetInt(p, "OfxParamPropGroupOpen", 0, 0);
        return OFX_OK;
    }
    set_text(p, "OfxParamPropHint", q->hint);
    props->propSetInt(p, "OfxParamPropAnimates", 0, q->animates);
    if (strcmp(q->type, "OfxParamTypeString") == 0) {
        set_text(p, "OfxParamPropDefault", "");
        set_text(p, "OfxParamPropStringMode", "OfxParamStringIsFilePath");
        props->propSetInt(p, "OfxParamPropStringFilePathExists", 0, 1);
    } else if (q->options) {
        for (int k = 0; q->options[k]; k++) props->propSetString(p, "OfxParamPropChoiceOption", k, q->options[k]);
        set_numbers(p, "OfxParamPropDefault", q->initial, 1, 1);
    } else if (strcmp(q->type, "OfxParamTypeBoolean") == 0) {
        set_numbers(p, "OfxParamPropDefault", q->initial, 1, 1);
    } else {
        describe_numbers(q, p);
        set_numbers(p, "OfxParamPropDefault", q->initial, q->values, strcmp(q->type, "OfxParamTypeInteger") == 0);
    }
    return OFX_OK;
}

static OfxStatus describe_in_context(const Effect *effect, OfxEffect handle)
{
    OfxParamSet set;
    OfxProperties page;
    if (!define_clip(handle, "Output") || !define_clip(handle, "Source")) return OFX_FAILED;
    if (effects->getParamSet(handle, &set) != OFX_OK) return OFX_FAILED;
    for (int k = 0; k < effect->count; k++) {
        OfxStatus status = define_parameter(set, &effect->parameters[k]);
        if (status != OFX_OK) return status;
    }
    if (params->paramDefine(set, "OfxParamTypePage", "page", &page) == OFX_OK) {
        set_text(page, "OfxPropLabel", effect->label);
        for (int k = 0, at = 0; k < effect->count; k++)
            if (effect->parameters[k].values) props->propSetString(page, "OfxParamPropPageChild", at++,
                                                                   effect->parameters[k].name);
    }
    return OFX_OK;
}

/* --- instances come and go --- */
static OfxStatus create(const Effect *effect, int kind, OfxEffect handle)
{
    OfxProperties p;
    OfxParamSet set;
    Instance *instance;
    if (effects->getPropertySet(handle, &p) != OFX_OK || effects->getParamSet(handle, &set) != OFX_OK)
        return OFX_ERR_BAD_HANDLE;
    instance = take(sizeof *instance);
    if (!instance) return OFX_ERR_MEMORY;
    memset(instance, 0, sizeof *instance);
    atomic_flag_clear(&instance->lock);
    instance->effect = effect, instance->kind = kind, instance->handle = handle;
    OfxStatus status = OFX_OK;
    for (int k = 0; status == OFX_OK && k < effect->count; k++)
        if (effect->parameters[k].values)
            status = params->paramGetHandle(set, effect->parameters[k].name, &instance->parameters[k], NULL);
    if (status == OFX_OK) status = effects->clipGetHandle(handle, "Source", &instance->source, NULL);
    if (status == OFX_OK) status = effects->clipGetHandle(handle, "Output", &instance->output, NULL);
    if (status == OFX_OK) status = props->propSetPointer(p, "OfxPropInstanceData", 0, instance);
    if (status != OFX_OK) {
        give(instance);
        return OFX_FAILED;
    }
    return OFX_OK;
}

static OfxStatus destroy(OfxEffect handle)
{
    Instance *instance = instance_of(handle);
    OfxProperties p;
    if (!instance) return OFX_ERR_FATAL;
    if (effects->getPropertySet(handle, &p) == OFX_OK) props->propSetPointer(p, "OfxPropInstanceData", 0, NULL);
    program_release(instance->program);
    give(instance);
    return OFX_OK;
}

static OfxStatus changed(OfxEffect handle, OfxProperties in)
{
    Instance *instance = instance_of(handle);
    Settings settings;
    Trouble trouble = {0};
    double time = 0;
    if (!instance) return OFX_ERR_BAD_HANDLE;
    if (!text_is(in, "OfxPropType", "OfxTypeParameter") || !text_is(in, "OfxPropChangeReason", "OfxChangeUserEdited"))
        return OFX_REPLY_DEFAULT;
    props->propGetDouble(in, "OfxPropTime", 0, &time);
    Program *program = program_at(instance, time, &settings, &trouble); /* what is wrong shows at once */
    if (program)
        all_well(instance);
    else
        complain(instance, &trouble);
    program_release(program);
    return OFX_OK;
}

static OfxStatus purge(OfxEffect handle)
{
    Instance *instance = instance_of(handle);
    if (!instance) return OFX_ERR_BAD_HANDLE;
    forget_program(instance);
    return OFX_OK;
}

static OfxStatus load(void)
{
    if (!host || !host->fetchSuite) return OFX_ERR_MISSING_HOST_FEATURE;
    props = host->fetchSuite(host->host, "OfxPropertySuite", 1);
    effects = host->fetchSuite(host->host, "OfxImageEffectSuite", 1);
    params = host->fetchSuite(host->host, "OfxParameterSuite", 1);
    memory = host->fetchSuite(host->host, "OfxMemorySuite", 1);
    threads = host->fetchSuite(host->host, "OfxMultiThreadSuite", 1);
    message_version = 2;
    messages = host->fetchSuite(host->host, "OfxMessageSuite", 2);
    if (!messages) message_version = 1, messages = host->fetchSuite(host->host, "OfxMessageSuite", 1);
    if (!props || !effects || !params) return OFX_ERR_MISSING_HOST_FEATURE;
    return OFX_OK;
}

static OfxStatus act(int kind, const char *action, OfxEffect handle, OfxProperties in, OfxProperties out)
{
    const Effect *effect = &effects_table[kind];
    if (strcmp(action, "OfxActionLoad") == 0) return load();
    if (!props || !effects || !params) return OFX_ERR_MISSING_HOST_FEATURE;
    if (strcmp(action, "OfxActionUnload") == 0) return OFX_OK;
    if (strcmp(action, "OfxImageEffectActionRender") == 0) return render(handle, in);
    if (strcmp(action, "OfxImageEffectActionIsIdentity") == 0) return is_identity(handle, in, out);
    if (strcmp(action, "OfxImageEffectActionGetRegionOfDefinition") == 0) return region_of_definition(handle, in, out);
    if (strcmp(action, "OfxImageEffectActionGetRegionsOfInterest") == 0) return regions_of_interest(in, out);
    if (strcmp(action, "OfxImageEffectActionGetClipPreferences") == 0) return clip_preferences(out);
    if (strcmp(action, "OfxImageEffectActionBeginSequenceRender") == 0) return OFX_OK;
    if (strcmp(action, "OfxImageEffectActionEndSequenceRender") == 0) return OFX_OK;
    if (strcmp(action, "OfxActionDescribe") == 0) return describe(effect, handle);
    if (strcmp(action, "OfxImageEffectActionDescribeInContext") == 0) return describe_in_context(effect, handle);
    if (strcmp(action, "OfxActionCreateInstance") == 0) return create(effect, kind, handle);
    if (strcmp(action, "OfxActionDestroyInstance") == 0) return destroy(handle);
    if (strcmp(action, "OfxActionInstanceChanged") == 0) return changed(handle, in);
    if (strcmp(action, "OfxActionPurgeCaches") == 0) return purge(handle);
    return OFX_REPLY_DEFAULT;
}

/* --- the binary's plug-ins: an entry point each, since the host does not say which one it calls --- */
static void set_host(OfxHost *given) { host = given; }

#define ENTRY(k)                                                                                                   \
    static OfxStatus entry_##k(const char *action, const void *handle, OfxProperties in, OfxProperties out)        \
    {                                                                                                              \
        return act(k, action, (OfxEffect)handle, in, out);                                                         \
    }
ENTRY(0)
ENTRY(1)
ENTRY(2)
ENTRY(3)
static OfxEntryPoint *const entries[] = {entry_0, entry_1, entry_2, entry_3};
_Static_assert(EFFECT_COUNT == sizeof entries / sizeof *entries, "an entry point for each effect");

static OfxPlugin plugins[EFFECT_COUNT];

__attribute__((visibility("default"))) int OfxGetNumberOfPlugins(void) { return EFFECT_COUNT; }

__attribute__((visibility("default"))) OfxPlugin *OfxGetPlugin(int nth)
{
    if (nth < 0 || nth >= EFFECT_COUNT) return NULL;
    plugins[nth] = (OfxPlugin){"OfxImageEffectPluginAPI", 1, effects_table[nth].identifier, VERSION_MAJOR,
                               VERSION_MINOR, set_host, entries[nth]};
    return &plugins[nth];
}
