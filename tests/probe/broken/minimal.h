/* A small honest plug-in (it halves every float component) in which each BREAK_... does one thing wrong. */
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "ofx_abi.h"

#ifndef THREAD_SAFETY
#define THREAD_SAFETY "OfxImageEffectRenderFullySafe"
#endif

static OfxHost *host;
static const OfxPropertySuite *props;
static const OfxImageEffectSuite *effects;
static const OfxParameterSuite *params;
static const OfxMemorySuite *memory;

typedef struct {
    char *data;
    int row_bytes;
    OfxRectI bounds;
    OfxProperties handle;
} Picture;

static void set_host(OfxHost *given) { host = given; }

static OfxStatus fetch(OfxEffect effect, const char *name, double time, Picture *picture)
{
    OfxClip clip;
    OfxStatus status = effects->clipGetHandle(effect, name, &clip, NULL);
    if (status == OFX_OK) status = effects->clipGetImage(clip, time, NULL, &picture->handle);
    if (status != OFX_OK) return status;
    props->propGetPointer(picture->handle, "OfxImagePropData", 0, (void **)&picture->data);
    props->propGetInt(picture->handle, "OfxImagePropRowBytes", 0, &picture->row_bytes);
    props->propGetIntN(picture->handle, "OfxImagePropBounds", 4, &picture->bounds.x1);
    return OFX_OK;
}

static float *row_at(const Picture *picture, int x, int y)
{
    return (float *)(picture->data + (ptrdiff_t)(y - picture->bounds.y1) * picture->row_bytes)
           + (ptrdiff_t)(x - picture->bounds.x1) * 4;
}

static OfxRectI overlap(OfxRectI a, OfxRectI b)
{
    OfxRectI r = {a.x1 > b.x1 ? a.x1 : b.x1, a.y1 > b.y1 ? a.y1 : b.y1, a.x2 < b.x2 ? a.x2 : b.x2,
                  a.y2 < b.y2 ? a.y2 : b.y2};
    return r;
}
