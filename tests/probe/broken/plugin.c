/* Compiled by the tests once for each fault, with -DBREAK_...; without any it is honest. */
#if defined BREAK_THREAD_SAFETY || defined BREAK_ANIMATION /* else frames of one instance are rendered at once too */
#define THREAD_SAFETY "OfxImageEffectRenderInstanceSafe"
#endif
#include "minimal.h"

#ifdef BREAK_ONE_INSTANCE_AT_ONCE
static volatile double shared_time; /* of all renders, which are at the same time only while one frame is rendered */
#endif

#ifdef BREAK_THREAD_SAFETY
/* Shared by all renders, though the plug-in says that instances may be rendered at once. */
static Picture shared_source, shared_output;
static OfxRectI shared_window;
#endif

#ifdef BREAK_THREADS
static const OfxMultiThreadSuite *threads;
#endif

#ifdef BREAK_SOURCE
/* By way of a pipe, so that nothing happens where the memory is guarded. */
static void overwrite(float *place, float value)
{
    int ends[2];
    if (pipe(ends) != 0) return;
    if (write(ends[1], &value, sizeof value) == sizeof value && read(ends[0], place, sizeof value) < 0) {}
    close(ends[0]);
    close(ends[1]);
}
#endif

static OfxStatus render(OfxEffect effect, OfxProperties in)
{
#ifdef BREAK_SCALE
    double scale = 1;
    props->propGetDouble(in, "OfxImageEffectPropRenderScale", 0, &scale);
    if (scale != 1) return OFX_FAILED;
#endif
#ifdef BREAK_LEAKS
    memset(malloc(4096), 1, 4096);
#endif
#if defined BREAK_ANIMATION || defined BREAK_PARAMETERS
    double gain = 0;
    OfxParamSet set;
    OfxParam gain_parameter;
    effects->getParamSet(effect, &set);
    params->paramGetHandle(set, "gain", &gain_parameter, NULL);
#ifdef BREAK_PARAMETERS
    params->paramGetValueAtTime(gain_parameter, 0, &gain);
    if (gain >= 1) *(volatile int *)8 = 1; /* nobody will go that far */
#else
    params->paramGetValue(gain_parameter, &gain); /* the current one, whatever the time */
#endif
#endif
    double time = 0;
    OfxRectI window;
    Picture source, output;
    OfxStatus status;
    props->propGetDouble(in, "OfxPropTime", 0, &time);
    props->propGetIntN(in, "OfxImageEffectPropRenderWindow", 4, &window.x1);
#ifdef BREAK_CRASH
    *(volatile int *)8 = 1;
#endif
#ifdef BREAK_HANG
    for (;;) sleep(1);
#endif
#ifdef BREAK_ONE_INSTANCE_AT_ONCE
    shared_time = time;
#endif
    status = fetch(effect, "Output", time, &output);
    if (status != OFX_OK) return OFX_FAILED;
#ifdef BREAK_ONE_INSTANCE_AT_ONCE
    time = shared_time;
#endif
    status = fetch(effect, "Source", time, &source);
    if (status != OFX_OK) {
#ifdef BREAK_NO_SOURCE
        *(volatile int *)8 = 1;
#endif
        effects->clipReleaseImage(output.handle);
        return OFX_FAILED;
    }
#ifdef BREAK_ORIGIN
    if (output.bounds.x1 != 0) { /* pictures are taken to begin at 0 */
        effects->clipReleaseImage(source.handle);
        effects->clipReleaseImage(output.handle);
        return OFX_FAILED;
    }
#endif
#ifdef BREAK_ROW_BYTES
    if (source.row_bytes != output.row_bytes) { /* one step for both */
        effects->clipReleaseImage(source.handle);
        effects->clipReleaseImage(output.handle);
        return OFX_FAILED;
    }
#endif
#ifdef BREAK_OUTPUT_GUARD
    if (window.x2 - window.x1 == output.bounds.x2 - output.bounds.x1 && output.row_bytes > 0 && output.bounds.x1 == 0) {
        volatile float *before = row_at(&output, output.bounds.x1, output.bounds.y1) - 1;
        *before = *before;
    }
#endif
#ifdef BREAK_SOURCE_GUARD
    if (source.row_bytes > 0) (void)*(volatile float *)(row_at(&source, source.bounds.x1, source.bounds.y1) - 1);
#endif
#ifdef BREAK_RENDER
    char *premultiplication = "";
    props->propGetString(output.handle, "OfxImageEffectPropPreMultiplication", 0, &premultiplication);
    if (strcmp(premultiplication, "OfxImageOpaque") == 0) window.y2--; /* the last row stays as it was */
#endif
    const OfxProperties source_handle = source.handle, output_handle = output.handle;
#ifdef BREAK_THREAD_SAFETY
    shared_source = source, shared_output = output, shared_window = window;
    effects->abort(effect);
    source = shared_source, output = shared_output, window = shared_window;
#endif
#ifdef BREAK_MEMORY
    void *block = NULL;
    memory->memoryAlloc(effect, 4096, &block);
    memset(block, 0, 4096); /* whatever memoryAlloc said */
    memory->memoryFree(block);
#endif
#ifdef BREAK_LEAK_MEMORY
    void *block = NULL;
    memory->memoryAlloc(effect, 4096, &block);
#endif
#ifdef BREAK_THREADS
    unsigned cpus = 1;
    if (threads) threads->multiThreadNumCPUs(&cpus);
#endif
    for (int y = window.y1; y < window.y2; y++) { /* black where the source ends */
        memset(row_at(&output, window.x1, y), 0, sizeof(float) * 4 * (size_t)(window.x2 - window.x1));
    }
    window = overlap(window, source.bounds);
    for (int y = window.y1; y < window.y2; y++) {
#ifdef BREAK_ABORT
        while (effects->abort(effect)) {}
#else
        if (effects->abort(effect)) break;
#endif
        float *from = row_at(&source, window.x1, y), *to = row_at(&output, window.x1, y);
        int width = window.x2 - window.x1;
#ifdef BREAK_WINDOW
        if (window.x1 > output.bounds.x1) from -= 4, to -= 4, width++; /* one pixel to the left of the window */
#endif
        for (int i = 0; i < width * 4; i++) {
            to[i] = 0.5f * from[i];
#ifdef BREAK_ANIMATION
            to[i] += (float)gain;
#endif
#ifdef BREAK_THREADS
            to[i] += 1e-3f * (float)cpus;
#endif
#ifdef BREAK_READ
            to[i] += 1e-3f * from[i + 4]; /* the pixel to the right, past the last one too */
#endif
#ifdef BREAK_TILES
            to[i] += (float)(window.x2 - window.x1) * 1e-4f; /* depends on how the picture is tiled */
#endif
#ifdef BREAK_SOURCE
            to[i] += 0.0f; /* so that no later render shows what is done to the source: 0 becomes -0 */
            if (from[i] == 0 && !signbit(from[i])) overwrite(from + i, -0.0f);
#endif
        }
    }
#ifndef BREAK_LEAK_IMAGE
    effects->clipReleaseImage(source_handle);
#else
    (void)source_handle;
#endif
    effects->clipReleaseImage(output_handle);
    return OFX_OK;
}

#ifdef BREAK_OVERLAY
static OfxStatus overlay(const char *action, const void *handle, OfxProperties in, OfxProperties out)
{
    (void)handle, (void)in, (void)out;
    return strcmp(action, "OfxInteractActionDraw") == 0 ? OFX_REPLY_NO : OFX_OK;
}
#endif

static OfxStatus describe(OfxEffect effect)
{
    OfxProperties p;
    effects->getPropertySet(effect, &p);
#ifdef BREAK_TYPE
    props->propSetString(p, "OfxImageEffectPropSupportsTiles", 0, "yes");
#else
    props->propSetInt(p, "OfxImageEffectPropSupportsTiles", 0, 1);
#endif
    props->propSetString(p, "OfxPropLabel", 0, "Half");
#ifdef BREAK_OVERLAY
    props->propSetPointer(p, "OfxImageEffectPluginPropOverlayInteractV2", 0, (void *)overlay);
#endif
    props->propSetString(p, "OfxImageEffectPropSupportedContexts", 0, "OfxImageEffectContextFilter");
    props->propSetString(p, "OfxImageEffectPropSupportedPixelDepths", 0, "OfxBitDepthFloat");
    props->propSetString(p, "OfxImageEffectPluginRenderThreadSafety", 0, THREAD_SAFETY);
    props->propSetInt(p, "OfxImageEffectPluginPropHostFrameThreading", 0, 0);
    return OFX_OK;
}

static OfxStatus describe_in_context(OfxEffect effect)
{
    OfxProperties p;
#if defined BREAK_ANIMATION || defined BREAK_PARAMETERS
    OfxParamSet set;
    effects->getParamSet(effect, &set);
    params->paramDefine(set, "OfxParamTypeDouble", "gain", &p);
    props->propSetDouble(p, "OfxParamPropMin", 0, 0);
    props->propSetDouble(p, "OfxParamPropMax", 0, 1);
#endif
    effects->clipDefine(effect, "Output", &p);
    props->propSetString(p, "OfxImageEffectPropSupportedComponents", 0, "OfxImageComponentRGBA");
#ifndef BREAK_CLIP
    effects->clipDefine(effect, "Source", &p);
    props->propSetString(p, "OfxImageEffectPropSupportedComponents", 0, "OfxImageComponentRGBA");
#endif
    return OFX_OK;
}

static OfxStatus entry(const char *action, const void *handle, OfxProperties in, OfxProperties out)
{
    OfxEffect effect = (OfxEffect)handle;
    (void)out;
    if (strcmp(action, "OfxActionLoad") == 0) {
        props = host->fetchSuite(host->host, "OfxPropertySuite", 1);
        effects = host->fetchSuite(host->host, "OfxImageEffectSuite", 1);
        params = host->fetchSuite(host->host, "OfxParameterSuite", 1);
        memory = host->fetchSuite(host->host, "OfxMemorySuite", 1);
#if defined BREAK_ANIMATION || defined BREAK_PARAMETERS
        if (!params) return OFX_ERR_MISSING_HOST_FEATURE;
#endif
#ifdef BREAK_THREADS
        threads = host->fetchSuite(host->host, "OfxMultiThreadSuite", 1);
#endif
#ifdef BREAK_WITHOUT /* a suite that is used without having looked whether it is there */
        if (*(volatile char *)host->fetchSuite(host->host, BREAK_WITHOUT, 1) == 1) return OFX_FAILED;
#endif
#ifdef BREAK_FORK
        fork();
#endif
#ifdef BREAK_MULTIPLY
        for (int i = 0; i < 300; i++) if (fork() == 0) { sleep(30); _exit(0); }
        sleep(30);
#endif
#ifndef BREAK_SUITES
        if (!props || !effects || !memory) return OFX_ERR_MISSING_HOST_FEATURE;
#endif
        return OFX_OK;
    }
    if (strcmp(action, "OfxActionDescribe") == 0) return describe(effect);
    if (strcmp(action, "OfxImageEffectActionDescribeInContext") == 0) return describe_in_context(effect);
    if (strcmp(action, "OfxImageEffectActionRender") == 0) return render(effect, in);
#ifdef BREAK_LIFE
    if (strcmp(action, "OfxActionPurgeCaches") == 0) return OFX_REPLY_NO;
#endif
#ifdef BREAK_CHANGES
    if (strcmp(action, "OfxActionInstanceChanged") == 0) return OFX_REPLY_NO;
#endif
#ifdef BREAK_QUESTIONS
    if (strcmp(action, "OfxImageEffectActionGetRegionOfDefinition") == 0) {
        double upside_down[4] = {0, 10, 10, 0};
        props->propSetDoubleN(out, "OfxImageEffectPropRegionOfDefinition", 4, upside_down);
        return OFX_OK;
    }
#endif
#ifdef BREAK_STATUS
    if (strcmp(action, "OfxActionCreateInstance") == 0) return OFX_REPLY_NO;
#endif
    return OFX_REPLY_DEFAULT;
}

static OfxPlugin plugin = {"OfxImageEffectPluginAPI", 1, "test.huewright.Half", 1, 0, set_host, entry};

int OfxGetNumberOfPlugins(void) { return 1; }
OfxPlugin *OfxGetPlugin(int nth) { return nth == 0 ? &plugin : NULL; }
