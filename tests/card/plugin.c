/* Copies its source, on the processor or with NVIDIA's driver. Compiled by the tests once for each fault, with
 * -DBREAK_...; without any it is honest. */
#include "minimal.h"

#include <dlfcn.h>

static struct {
    int (*copy)(unsigned long long to, unsigned long long from, size_t bytes, void *stream);
    int (*fill)(unsigned long long to, unsigned char value, size_t bytes, void *stream);
    int (*finish)(void *stream);
    int (*take)(unsigned long long *place, size_t bytes);
} cuda;

static OfxStatus on_card(OfxProperties in, const Picture *source, const Picture *output, OfxRectI window)
{
    void *library = dlopen("libcuda.so.1", RTLD_NOW), *stream = NULL;
    if (!library) return 1002;
    *(void **)&cuda.copy = dlsym(library, "cuMemcpyDtoDAsync_v2");
    *(void **)&cuda.fill = dlsym(library, "cuMemsetD8Async");
    *(void **)&cuda.finish = dlsym(library, "cuStreamSynchronize");
    *(void **)&cuda.take = dlsym(library, "cuMemAlloc_v2");
    props->propGetPointer(in, "OfxImageEffectPropCudaStream", 0, &stream);
#ifdef BREAK_CUDA_MEMORY
    unsigned long long place;
    if (cuda.take(&place, 4096)) return 1001;
#endif
    for (int y = window.y1; y < window.y2; y++) {
        unsigned long long to = (unsigned long long)row_at(output, window.x1, y);
        const size_t bytes = sizeof(float) * 4 * (size_t)(window.x2 - window.x1);
        size_t more = 0;
#ifdef BREAK_CUDA_WINDOW
        if (window.x2 < output->bounds.x2) more = 4;
#endif
        if (cuda.copy(to, (unsigned long long)row_at(source, window.x1, y), bytes + more, stream)) return 1002;
#ifdef BREAK_CUDA_RENDER
        if (window.y2 == output->bounds.y2 && y == window.y1 && cuda.fill(to, 0x3f, 4, stream)) return 1002;
#endif
    }
#ifdef BREAK_CUDA_STREAM
    if (cuda.finish(stream)) return 1002; /* nobody should wait */
#endif
#ifndef BREAK_CUDA_WITHOUT_STREAMS
    if (!stream && cuda.finish(stream)) return 1002;
#endif
    return OFX_OK;
}

static OfxStatus render(OfxEffect effect, OfxProperties in)
{
    double time = 0;
    int enabled = 0;
    OfxRectI window;
    Picture source, output;
    OfxStatus status = OFX_OK;
    props->propGetDouble(in, "OfxPropTime", 0, &time);
    props->propGetIntN(in, "OfxImageEffectPropRenderWindow", 4, &window.x1);
    props->propGetInt(in, "OfxImageEffectPropCudaEnabled", 0, &enabled);
    if (fetch(effect, "Output", time, &output) != OFX_OK) return OFX_FAILED;
    if (fetch(effect, "Source", time, &source) != OFX_OK) {
        effects->clipReleaseImage(output.handle);
        return OFX_FAILED;
    }
    if (!enabled)
        for (int y = window.y1; y < window.y2; y++)
            memset(row_at(&output, window.x1, y), 0, sizeof(float) * 4 * (size_t)(window.x2 - window.x1));
    window = overlap(window, source.bounds);
    if (enabled)
        status = on_card(in, &source, &output, window);
    else
        for (int y = window.y1; y < window.y2 && !effects->abort(effect); y++)
            memcpy(row_at(&output, window.x1, y), row_at(&source, window.x1, y),
                   sizeof(float) * 4 * (size_t)(window.x2 - window.x1));
    effects->clipReleaseImage(source.handle);
    effects->clipReleaseImage(output.handle);
    return status;
}

static OfxStatus entry(const char *action, const void *handle, OfxProperties in, OfxProperties out)
{
    OfxEffect effect = (OfxEffect)handle;
    OfxProperties p;
    (void)out;
    if (strcmp(action, "OfxActionLoad") == 0) {
        props = host->fetchSuite(host->host, "OfxPropertySuite", 1);
        effects = host->fetchSuite(host->host, "OfxImageEffectSuite", 1);
        return props && effects ? OFX_OK : OFX_ERR_MISSING_HOST_FEATURE;
    }
    if (strcmp(action, "OfxActionDescribe") == 0) {
        effects->getPropertySet(effect, &p);
        props->propSetString(p, "OfxPropLabel", 0, "Copy");
        props->propSetInt(p, "OfxImageEffectPropSupportsTiles", 0, 1);
        props->propSetString(p, "OfxImageEffectPropSupportedContexts", 0, "OfxImageEffectContextFilter");
        props->propSetString(p, "OfxImageEffectPropSupportedPixelDepths", 0, "OfxBitDepthFloat");
        props->propSetString(p, "OfxImageEffectPluginRenderThreadSafety", 0, "OfxImageEffectRenderFullySafe");
        props->propSetInt(p, "OfxImageEffectPluginPropHostFrameThreading", 0, 0);
        props->propSetString(p, "OfxImageEffectPropCudaRenderSupported", 0, "true");
        props->propSetString(p, "OfxImageEffectPropCudaStreamSupported", 0, "true");
        return OFX_OK;
    }
    if (strcmp(action, "OfxImageEffectActionDescribeInContext") == 0) {
        for (int k = 0; k < 2; k++) {
            effects->clipDefine(effect, k ? "Source" : "Output", &p);
            props->propSetString(p, "OfxImageEffectPropSupportedComponents", 0, "OfxImageComponentRGBA");
        }
        return OFX_OK;
    }
    if (strcmp(action, "OfxImageEffectActionRender") == 0) return render(effect, in);
    return OFX_REPLY_DEFAULT;
}

static OfxPlugin plugin = {"OfxImageEffectPluginAPI", 1, "test.huewright.Copy", 1, 0, set_host, entry};

int OfxGetNumberOfPlugins(void) { return 1; }
OfxPlugin *OfxGetPlugin(int nth) { return nth == 0 ? &plugin : NULL; }
