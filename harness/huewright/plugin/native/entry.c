/* The OpenFX plug-ins of this binary: actions of the Image Effect API around the emitted kernels. */
#include <string.h>

#include "describe.h"
#include "render.h"

/* --- questions --- */
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
    if (instance->effect == &effects_table[KIND_PatchIsolation]) return OFX_REPLY_DEFAULT;
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

/* --- instances come and go --- */
static OfxStatus create(const Effect *effect, OfxEffect handle)
{
    OfxProperties p;
    OfxParamSet set;
    Instance *instance;
    if (effects->getPropertySet(handle, &p) != OFX_OK || effects->getParamSet(handle, &set) != OFX_OK)
        return OFX_ERR_BAD_HANDLE;
    instance = take_zeroed(sizeof *instance);
    if (!instance) return OFX_ERR_MEMORY;
    atomic_flag_clear(&instance->lock);
    instance->effect = effect, instance->handle = handle;
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

static void say_what_is_in_the_file(Instance *instance, const char *path)
{
    char words[2000] = "";
    if (*path) correction_words(path, words, sizeof words);
    params->paramSetValue(instance->parameters[instance->effect->holds], words);
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
    if (instance->effect->holds >= 0 && text_is(in, "OfxPropName", instance->effect->parameters[instance->effect->file].name))
        say_what_is_in_the_file(instance, program ? settings.path : "");
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

static atomic_int loaded; /* effects of the binary, which share what is kept of cards */

static OfxStatus load(void)
{
    if (!host || !host->fetchSuite) return OFX_ERR_MISSING_HOST_FEATURE;
    props = host->fetchSuite(host->host, "OfxPropertySuite", 1);
    effects = host->fetchSuite(host->host, "OfxImageEffectSuite", 1);
    params = host->fetchSuite(host->host, "OfxParameterSuite", 1);
    host_memory = host->fetchSuite(host->host, "OfxMemorySuite", 1);
    threads = host->fetchSuite(host->host, "OfxMultiThreadSuite", 1);
    message_version = 2;
    messages = host->fetchSuite(host->host, "OfxMessageSuite", 2);
    if (!messages) message_version = 1, messages = host->fetchSuite(host->host, "OfxMessageSuite", 1);
    if (!props || !effects || !params) return OFX_ERR_MISSING_HOST_FEATURE;
    atomic_fetch_add(&loaded, 1);
    return OFX_OK;
}

static OfxStatus unload(void)
{
    if (atomic_fetch_sub(&loaded, 1) == 1) card_unload();
    return OFX_OK;
}

static OfxStatus act(int kind, const char *action, OfxEffect handle, OfxProperties in, OfxProperties out)
{
    const Effect *effect = &effects_table[kind];
    if (strcmp(action, "OfxActionLoad") == 0) return load();
    if (!props || !effects || !params) return OFX_ERR_MISSING_HOST_FEATURE;
    if (strcmp(action, "OfxActionUnload") == 0) return unload();
    if (strcmp(action, "OfxImageEffectActionRender") == 0) return render(handle, in);
    if (strcmp(action, "OfxImageEffectActionIsIdentity") == 0) return is_identity(handle, in, out);
    if (strcmp(action, "OfxImageEffectActionGetRegionOfDefinition") == 0) return region_of_definition(handle, in, out);
    if (strcmp(action, "OfxImageEffectActionGetRegionsOfInterest") == 0) return regions_of_interest(in, out);
    if (strcmp(action, "OfxImageEffectActionGetClipPreferences") == 0) return clip_preferences(out);
    if (strcmp(action, "OfxImageEffectActionBeginSequenceRender") == 0) return OFX_OK;
    if (strcmp(action, "OfxImageEffectActionEndSequenceRender") == 0) return OFX_OK;
    if (strcmp(action, "OfxActionDescribe") == 0) return describe(effect, handle);
    if (strcmp(action, "OfxImageEffectActionDescribeInContext") == 0) return describe_in_context(effect, handle);
    if (strcmp(action, "OfxActionCreateInstance") == 0) return create(effect, handle);
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

EXPORTED int OfxGetNumberOfPlugins(void) { return EFFECT_COUNT; }

EXPORTED OfxPlugin *OfxGetPlugin(int nth)
{
    if (nth < 0 || nth >= EFFECT_COUNT) return NULL;
    plugins[nth] = (OfxPlugin){"OfxImageEffectPluginAPI", 1, effects_table[nth].identifier, VERSION_MAJOR,
                               VERSION_MINOR, set_host, entries[nth]};
    return &plugins[nth];
}
