/* The describe actions: everything comes from the generated tables. */
#include "describe.h"

#include <string.h>

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

OfxStatus describe(const Effect *effect, OfxEffect handle)
{
    static const char *const depths[] = {"OfxBitDepthFloat", "OfxBitDepthHalf", "OfxBitDepthShort", "OfxBitDepthByte"};
    static const double version[2] = {VERSION_MAJOR, VERSION_MINOR};
    OfxProperties p;
    if (effects->getPropertySet(handle, &p) != OFX_OK) return OFX_FAILED;
    set_text(p, "OfxPropLabel", effect->label);
    set_text(p, "OfxImageEffectPluginPropGrouping", GROUPING);
    set_text(p, "OfxPropPluginDescription", effect->description);
    set_numbers(p, "OfxPropVersion", version, 2, 1);
    set_text(p, "OfxPropVersionLabel", VERSION_LABEL);
    /* What an older host doesn't know of these it refuses to take, which does no harm. Numbers are taken as they are: the
     * description says which. */
    set_text(p, "OfxImageEffectPropColourManagementStyle", "OfxImageEffectColourManagementNone");
    set_text(p, "OfxImageEffectPropNoSpatialAwareness", effect->mask ? "false" : "true");
    set_text(p, "OfxImageEffectPropCPURenderSupported", "true");
#ifndef __APPLE__ /* which has no driver for such cards */
    set_text(p, "OfxImageEffectPropCudaRenderSupported", effect->mask ? "false" : "true");
    set_text(p, "OfxImageEffectPropCudaStreamSupported", effect->mask ? "false" : "true");
#endif
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
    for (int k = 0; q->axes && k < q->values; k++) props->propSetString(p, "OfxParamPropDimensionLabel", k, q->axes[k]);
    if (whole) return;
    props->propSetInt(p, "OfxParamPropDigits", 0, q->digits);
    props->propSetDouble(p, "OfxParamPropIncrement", 0, q->step);
    if (*q->subtype) {
        char type[64];
        put_words(type, sizeof type, "OfxParamDoubleType%s", q->subtype);
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
        if (*q->hint) set_text(p, "OfxParamPropHint", q->hint);
        props->propSetInt(p, "OfxParamPropGroupOpen", 0, q->open);
        return OFX_OK;
    }
    set_text(p, "OfxParamPropHint", q->hint);
    props->propSetInt(p, "OfxParamPropAnimates", 0, q->animates);
    if (strcmp(q->type, "OfxParamTypeString") == 0) {
        const int file = strcmp(q->subtype, "FilePath") == 0;
        set_text(p, "OfxParamPropDefault", "");
        set_text(p, "OfxParamPropStringMode", file ? "OfxParamStringIsFilePath" : "OfxParamStringIsLabel");
        if (file) props->propSetInt(p, "OfxParamPropStringFilePathExists", 0, 1);
        if (!file) props->propSetInt(p, "OfxParamPropEvaluateOnChange", 0, 0); /* it changes no picture */
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

OfxStatus describe_in_context(const Effect *effect, OfxEffect handle)
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
