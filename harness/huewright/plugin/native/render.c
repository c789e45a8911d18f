/* The render action: pictures fetched, shared out in bands among threads, given back. */
#include "render.h"

#include <string.h>

#include "isolation.h"

#define PIXELS_A_BAND 131072

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

/* --- rendering on a card: the host's pictures lie there --- */
static int clear_on_card(Card *card, const Picture *target, int x1, int y1, int x2, int y2, Trouble *trouble)
{
    if (x2 <= x1 || y2 <= y1) return 1;
    return card_move(card, (CardRows){0, 0}, rows_on_card(target, x1, y1),
                     (int64_t)(x2 - x1) * target->channels * target->element_bytes, y2 - y1, trouble);
}

static int start_on_card(Card *card, Program *program, const Picture *source, const Picture *target, OfxRectI window,
                         CardCopy **used, Trouble *trouble)
{
    const OfxRectI there = overlap(window, source->bounds);
    const int none = there.x2 <= there.x1 || there.y2 <= there.y1;
    if (none) return clear_on_card(card, target, window.x1, window.y1, window.x2, window.y2, trouble);
    if (!clear_on_card(card, target, window.x1, window.y1, window.x2, there.y1, trouble)
        || !clear_on_card(card, target, window.x1, there.y2, window.x2, window.y2, trouble)
        || !clear_on_card(card, target, window.x1, there.y1, there.x1, there.y2, trouble)
        || !clear_on_card(card, target, there.x2, there.y1, window.x2, there.y2, trouble))
        return 0;
    if (source->channels == 1 || program->count == 0)
        return card_move(card, rows_on_card(source, there.x1, there.y1), rows_on_card(target, there.x1, there.y1),
                         (int64_t)(there.x2 - there.x1) * source->channels * source->element_bytes,
                         there.y2 - there.y1, trouble);
    return run_on_card(program, card, source, target, there, used, trouble);
}

static int render_on_card(Instance *instance, OfxProperties in, Program *program, const Picture *source,
                          const Picture *target, OfxRectI window, Trouble *trouble)
{
    Card card;
    CardCopy *used = NULL;
    Trouble later = {0};
    void *stream = NULL;
    if (instance->effect->mask) return fail(trouble, OFX_ERR_GPU, "this effect does not render on GPUs");
    if (props->propGetPointer(in, "OfxImageEffectPropCudaStream", 0, &stream) != OFX_OK) stream = NULL;
    if (!card_begin(&card, stream, target->data, trouble)) return 0;
    const int started = start_on_card(&card, program, source, target, window, &used, trouble);
    const int ended = card_end(&card, used, &later);
    if (started && !ended) *trouble = later;
    return started && ended;
}

static int prepare_isolation(Instance *instance, const Program *program, const Settings *s, const Picture *source,
                             const double scale[2], Isolation **isolation, Trouble *trouble)
{
    *isolation = NULL;
    if (instance->effect != &effects_table[KIND_PatchIsolation]) return 1;
    *isolation = take(sizeof **isolation);
    if (!*isolation) return no_memory(trouble);
    return isolation_prepare(*isolation, program->patches, s->values[0].numbers, source, scale, trouble);
}

OfxStatus render(OfxEffect effect, OfxProperties in)
{
    Instance *instance = instance_of(effect);
    Work work = {.effect = effect};
    Settings settings;
    Trouble trouble = {0};
    Isolation *isolation = NULL;
    Program *program = NULL;
    double time = 0, scale[2] = {1, 1};
    OfxRectI window;
    int on_card = 0;
    if (!instance) return OFX_ERR_BAD_HANDLE;
    if (props->propGetDouble(in, "OfxPropTime", 0, &time) != OFX_OK
        || props->propGetIntN(in, "OfxImageEffectPropRenderWindow", 4, &window.x1) != OFX_OK)
        return OFX_FAILED;
    if (props->propGetDoubleN(in, "OfxImageEffectPropRenderScale", 2, scale) != OFX_OK) scale[0] = scale[1] = 1;
    if (props->propGetInt(in, "OfxImageEffectPropCudaEnabled", 0, &on_card) != OFX_OK) on_card = 0;
    program = program_at(instance, time, &settings, &trouble);
    if (program && fetch(instance->output, time, &work.target, &trouble)
        && fetch(instance->source, time, &work.source, &trouble)) {
        if (work.source.encoding != work.target.encoding || work.source.channels != work.target.channels) {
            fail(&trouble, OFX_ERR_IMAGE_FORMAT, "source and output differ in depth or components");
        } else if (on_card) {
            render_on_card(instance, in, program, &work.source, &work.target, overlap(window, work.target.bounds),
                           &trouble);
        } else if (prepare_isolation(instance, program, &settings, &work.source, scale, &isolation, &trouble)) {
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
    else if (trouble.status == OFX_ERR_GPU || trouble.status == OFX_ERR_GPU_MEMORY)
        note(instance, &trouble); /* the host may render on the processor instead: nothing for the person to mend */
    else
        complain(instance, &trouble);
    return trouble.status;
}
