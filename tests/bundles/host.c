/* A host of as little as renders: it needs the C library alone, so that it runs wherever a bundle does.
 *
 * In the folder that it is started in, `job.txt` says what to do, a line each, words with one tab between:
 *
 *   load BINARY                 an .ofx file
 *   locale NAME                 the C library's; `comma` in the results if its decimal point is one then
 *   effect IDENTIFIER           from here on; its parameters have their defaults
 *   set NAME VALUE ...          numbers, or a text
 *   picture FILE WIDTH HEIGHT CHANNELS DEPTH PREMULTIPLIED     raw, rows upwards; DEPTH: Float, Half, Short or Byte
 *   render THREADS              the whole picture
 *
 * `results` gets for each render the status (int32), the size of a message and the message, the size of the picture and
 * its bytes (int32 each). The exit code is 0, or the number of the line in job.txt that could not be done.
 */
#include <locale.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ofx_abi.h"

#ifdef _WIN32
#include <windows.h>
#else
#include <dlfcn.h>
#include <pthread.h>
#endif

enum { VALUES = 48, PROPERTIES = 64, PARAMETERS = 80, WORDS = 8 };

/* --- property sets ---------------------------------------------------------------------------------------------- */
typedef struct {
    const char *name;
    int count;
    struct { char *text; double number; int whole; void *pointer; } values[VALUES];
} Property;

typedef struct {
    Property rows[PROPERTIES];
    int count;
} Set;

static char *copy_of(const char *text) { return strcpy(malloc(strlen(text) + 1), text); }

static Property *find(OfxProperties p, const char *name, int create)
{
    Set *set = (Set *)p;
    for (int k = 0; k < set->count; k++)
        if (strcmp(set->rows[k].name, name) == 0) return &set->rows[k];
    if (!create || set->count == PROPERTIES) return NULL;
    set->rows[set->count].name = copy_of(name);
    return &set->rows[set->count++];
}

#define PUT(NAME, TYPE, FIELD, VALUE)                                                                              \
    static OfxStatus put_##NAME(OfxProperties p, const char *name, int index, TYPE value)                          \
    {                                                                                                              \
        Property *row = find(p, name, 1);                                                                          \
        if (!row || index < 0 || index >= VALUES) return OFX_ERR_BAD_INDEX;                                        \
        row->values[index].FIELD = VALUE;                                                                          \
        if (row->count <= index) row->count = index + 1;                                                           \
        return OFX_OK;                                                                                             \
    }                                                                                                              \
    static OfxStatus put_all_##NAME(OfxProperties p, const char *name, int count, TYPE const *values)              \
    {                                                                                                              \
        for (int k = 0; k < count; k++)                                                                            \
            if (put_##NAME(p, name, k, values[k]) != OFX_OK) return OFX_ERR_BAD_INDEX;                             \
        return OFX_OK;                                                                                             \
    }
#define GET(NAME, TYPE, FIELD)                                                                                     \
    static OfxStatus get_##NAME(OfxProperties p, const char *name, int index, TYPE *value)                         \
    {                                                                                                              \
        Property *row = find(p, name, 0);                                                                          \
        if (!row) return OFX_ERR_UNKNOWN;                                                                          \
        if (index < 0 || index >= row->count) return OFX_ERR_BAD_INDEX;                                            \
        *value = row->values[index].FIELD;                                                                         \
        return OFX_OK;                                                                                             \
    }                                                                                                              \
    static OfxStatus get_all_##NAME(OfxProperties p, const char *name, int count, TYPE *values)                    \
    {                                                                                                              \
        for (int k = 0; k < count; k++) {                                                                          \
            OfxStatus status = get_##NAME(p, name, k, &values[k]);                                                 \
            if (status != OFX_OK) return status;                                                                   \
        }                                                                                                          \
        return OFX_OK;                                                                                             \
    }
PUT(text, const char *, text, copy_of(value))
PUT(number, double, number, value)
PUT(whole, int, whole, value)
PUT(pointer, void *, pointer, value)
GET(text, char *, text)
GET(number, double, number)
GET(whole, int, whole)
GET(pointer, void *, pointer)

static OfxStatus reset(OfxProperties p, const char *name) { return find(p, name, 0) ? OFX_OK : OFX_ERR_UNKNOWN; }

static OfxStatus dimension(OfxProperties p, const char *name, int *count)
{
    Property *row = find(p, name, 0);
    *count = row ? row->count : 0;
    return row ? OFX_OK : OFX_ERR_UNKNOWN;
}

static const OfxPropertySuite properties = {
    put_pointer, put_text, put_number, put_whole, put_all_pointer, put_all_text, put_all_number, put_all_whole,
    get_pointer, get_text, get_number, get_whole, get_all_pointer, get_all_text, get_all_number, get_all_whole,
    reset, dimension};

/* --- effects, clips, parameters --------------------------------------------------------------------------------- */
typedef struct {
    Set set, image;
} Clip;

typedef struct {
    Set set;
    const char *type, *name, *text;
    double values[3];
} Parameter;

typedef struct {
    Set set, parameter_set;
    Clip source, output;
    Parameter *parameters;
    int count;
} Effect;

static OfxRectD region;

static OfxStatus effect_properties(OfxEffect effect, OfxProperties *p)
{
    *p = (OfxProperties)&((Effect *)effect)->set;
    return OFX_OK;
}

static OfxStatus effect_parameters(OfxEffect effect, OfxParamSet *set) { return *set = (OfxParamSet)effect, OFX_OK; }

static Clip *clip_of(OfxEffect effect, const char *name)
{
    return strcmp(name, "Output") == 0 ? &((Effect *)effect)->output : &((Effect *)effect)->source;
}

static OfxStatus clip_define(OfxEffect effect, const char *name, OfxProperties *p)
{
    *p = (OfxProperties)&clip_of(effect, name)->set;
    return OFX_OK;
}

static OfxStatus clip_handle(OfxEffect effect, const char *name, OfxClip *clip, OfxProperties *p)
{
    *clip = (OfxClip)clip_of(effect, name);
    if (p) *p = (OfxProperties)&clip_of(effect, name)->set;
    return OFX_OK;
}

static OfxStatus clip_properties(OfxClip clip, OfxProperties *p) { return *p = (OfxProperties)&((Clip *)clip)->set, OFX_OK; }

static OfxStatus clip_image(OfxClip clip, OfxTime time, const OfxRectD *wanted, OfxProperties *image)
{
    (void)time, (void)wanted;
    *image = (OfxProperties)&((Clip *)clip)->image;
    return OFX_OK;
}

static OfxStatus clip_release(OfxProperties image) { return (void)image, OFX_OK; }

static OfxStatus clip_region(OfxClip clip, OfxTime time, OfxRectD *to)
{
    (void)clip, (void)time;
    *to = region;
    return OFX_OK;
}

static int aborted(OfxEffect effect) { return (void)effect, 0; }

static const OfxImageEffectSuite image_effects = {
    effect_properties, effect_parameters, clip_define, clip_handle, clip_properties, clip_image, clip_release,
    clip_region, aborted, NULL, NULL, NULL, NULL};

static OfxStatus define(OfxParamSet set, const char *type, const char *name, OfxProperties *p)
{
    Effect *effect = (Effect *)set;
    Parameter *made = &effect->parameters[effect->count];
    if (effect->count == PARAMETERS) return OFX_ERR_MEMORY;
    effect->count++;
    made->type = copy_of(type), made->name = copy_of(name);
    if (p) *p = (OfxProperties)&made->set;
    return OFX_OK;
}

static Parameter *parameter_named(Effect *effect, const char *name)
{
    for (int k = 0; k < effect->count; k++)
        if (strcmp(effect->parameters[k].name, name) == 0) return &effect->parameters[k];
    return NULL;
}

static OfxStatus handle(OfxParamSet set, const char *name, OfxParam *to, OfxProperties *p)
{
    Parameter *found = parameter_named((Effect *)set, name);
    if (!found) return OFX_ERR_UNKNOWN;
    *to = (OfxParam)found;
    if (p) *p = (OfxProperties)&found->set;
    return OFX_OK;
}

static int is_whole(const Parameter *p)
{
    return strcmp(p->type, "OfxParamTypeInteger") == 0 || strcmp(p->type, "OfxParamTypeChoice") == 0
           || strcmp(p->type, "OfxParamTypeBoolean") == 0;
}

static int values_of(const Parameter *p)
{
    return strcmp(p->type, "OfxParamTypeRGB") == 0 || strstr(p->type, "3D") ? 3 : strstr(p->type, "2D") ? 2 : 1;
}

static OfxStatus value_at(OfxParam param, OfxTime time, ...)
{
    const Parameter *p = (const Parameter *)param;
    va_list places;
    (void)time;
    va_start(places, time);
    if (strcmp(p->type, "OfxParamTypeString") == 0)
        *va_arg(places, const char **) = p->text;
    else if (is_whole(p))
        *va_arg(places, int *) = (int)p->values[0];
    else
        for (int k = 0; k < values_of(p); k++) *va_arg(places, double *) = p->values[k];
    va_end(places);
    return OFX_OK;
}

static OfxStatus parameter_set_properties(OfxParamSet set, OfxProperties *p)
{
    return *p = (OfxProperties)&((Effect *)set)->parameter_set, OFX_OK;
}

static OfxStatus parameter_properties(OfxParam p, OfxProperties *to) { return *to = (OfxProperties)&((Parameter *)p)->set, OFX_OK; }

static const OfxParameterSuite parameters = {.paramDefine = define, .paramGetHandle = handle,
                                             .paramSetGetPropertySet = parameter_set_properties,
                                             .paramGetPropertySet = parameter_properties,
                                             .paramGetValueAtTime = value_at};

static void take_defaults(Effect *effect)
{
    for (int k = 0; k < effect->count; k++) {
        Parameter *p = &effect->parameters[k];
        char *text = "";
        get_text((OfxProperties)&p->set, "OfxParamPropDefault", 0, &text);
        p->text = text;
        for (int c = 0, whole = 0; c < values_of(p); c++) {
            if (is_whole(p) && get_whole((OfxProperties)&p->set, "OfxParamPropDefault", c, &whole) == OFX_OK)
                p->values[c] = whole;
            else
                get_number((OfxProperties)&p->set, "OfxParamPropDefault", c, &p->values[c]);
        }
    }
}

/* --- threads, memory, messages ---------------------------------------------------------------------------------- */
static unsigned threads = 1;
static char said[4096];
static Set host_set;
static struct { OfxThreadFunction *function; void *argument; unsigned count; } shared;

#ifdef _WIN32
static DWORD WINAPI run_one(void *index) { return shared.function((unsigned)(uintptr_t)index, shared.count, shared.argument), 0; }
#else
static void *run_one(void *index) { return shared.function((unsigned)(uintptr_t)index, shared.count, shared.argument), NULL; }
#endif

static OfxStatus multi_thread(OfxThreadFunction *function, unsigned count, void *argument)
{
    if (count > 16) count = 16;
    shared.function = function, shared.argument = argument, shared.count = count;
#ifdef _WIN32
    HANDLE running[16];
    for (unsigned k = 0; k < count; k++) running[k] = CreateThread(NULL, 0, run_one, (void *)(uintptr_t)k, 0, NULL);
    WaitForMultipleObjects(count, running, TRUE, INFINITE);
    for (unsigned k = 0; k < count; k++) CloseHandle(running[k]);
#else
    pthread_t running[16];
    for (unsigned k = 0; k < count; k++) pthread_create(&running[k], NULL, run_one, (void *)(uintptr_t)k);
    for (unsigned k = 0; k < count; k++) pthread_join(running[k], NULL);
#endif
    return OFX_OK;
}

static OfxStatus cpus(unsigned *count) { return *count = threads, OFX_OK; }
static int spawned(void) { return 0; }
static const OfxMultiThreadSuite threading = {.multiThread = multi_thread, .multiThreadNumCPUs = cpus,
                                              .multiThreadIsSpawnedThread = spawned};

static OfxStatus message(void *of, const char *type, const char *id, const char *format, ...)
{
    va_list words;
    (void)of, (void)type, (void)id;
    va_start(words, format);
    const char *text = strcmp(format, "%s") == 0 ? va_arg(words, const char *) : format;
    if (strlen(text) < sizeof said) strcpy(said, text);
    va_end(words);
    return OFX_OK;
}

static OfxStatus clear(void *of) { return (void)of, OFX_OK; }
static const OfxMessageSuite messages = {message, message, clear};

static OfxStatus allocate(void *effect, size_t bytes, void **to) { return (void)effect, (*to = malloc(bytes)) ? OFX_OK : OFX_ERR_MEMORY; }
static OfxStatus release(void *memory) { return free(memory), OFX_OK; }
static const OfxMemorySuite memory = {allocate, release};

static const void *fetch(OfxProperties host, const char *name, int version)
{
    (void)host;
    if (strcmp(name, "OfxPropertySuite") == 0) return &properties;
    if (strcmp(name, "OfxImageEffectSuite") == 0) return &image_effects;
    if (strcmp(name, "OfxParameterSuite") == 0) return &parameters;
    if (strcmp(name, "OfxMultiThreadSuite") == 0) return &threading;
    if (strcmp(name, "OfxMemorySuite") == 0) return &memory;
    if (strcmp(name, "OfxMessageSuite") == 0 && version == 2) return &messages;
    return NULL;
}

static OfxHost host = {(OfxProperties)&host_set, fetch};

/* --- the job ---------------------------------------------------------------------------------------------------- */
static int (*plugin_count)(void);
static OfxPlugin *(*plugin_at)(int);
static OfxPlugin *plugin;
static Effect *instance;
static char *pixels, *rendered;
static size_t picture_bytes;
static int width, height;
static FILE *results;

static int load(const char *path)
{
#ifdef _WIN32
    HMODULE library = LoadLibraryA(path);
    if (!library) return 0;
    plugin_count = (int (*)(void))(void *)GetProcAddress(library, "OfxGetNumberOfPlugins");
    plugin_at = (OfxPlugin * (*)(int))(void *)GetProcAddress(library, "OfxGetPlugin");
#else
    void *library = dlopen(path, RTLD_NOW | RTLD_LOCAL);
    if (!library) return 0;
    plugin_count = (int (*)(void))dlsym(library, "OfxGetNumberOfPlugins");
    plugin_at = (OfxPlugin * (*)(int))dlsym(library, "OfxGetPlugin");
#endif
    for (int k = 0; plugin_count && plugin_at && k < plugin_count(); k++) {
        OfxPlugin *one = plugin_at(k);
        one->setHost(&host);
        if (one->mainEntry("OfxActionLoad", NULL, NULL, NULL) != OFX_OK) return 0;
    }
    return plugin_count && plugin_at && plugin_count() > 0;
}

static Effect *new_effect(void)
{
    Effect *effect = calloc(1, sizeof *effect);
    effect->parameters = calloc(PARAMETERS, sizeof *effect->parameters);
    return effect;
}

static int choose(const char *identifier)
{
    static Set in;
    plugin = NULL;
    for (int k = 0; k < plugin_count(); k++)
        if (strcmp(plugin_at(k)->pluginIdentifier, identifier) == 0) plugin = plugin_at(k);
    if (!plugin) return 0;
    instance = new_effect();
    put_text((OfxProperties)&in, "OfxImageEffectPropContext", 0, "OfxImageEffectContextFilter");
    if (plugin->mainEntry("OfxActionDescribe", instance, NULL, NULL) != OFX_OK
        || plugin->mainEntry("OfxImageEffectActionDescribeInContext", instance, (OfxProperties)&in, NULL) != OFX_OK)
        return 0;
    take_defaults(instance);
    return plugin->mainEntry("OfxActionCreateInstance", instance, NULL, NULL) == OFX_OK;
}

static int set_value(int count, char **words)
{
    Parameter *p = parameter_named(instance, words[1]);
    if (!p) return 0;
    if (strcmp(p->type, "OfxParamTypeString") == 0) {
        p->text = copy_of(words[2]);
        return 1;
    }
    for (int k = 2; k < count; k++) p->values[k - 2] = strtod(words[k], NULL);
    return count - 2 == values_of(p);
}

static void describe_image(Set *image, char *data, int channels, const char *depth, int element, int premultiplied)
{
    OfxProperties p = (OfxProperties)image;
    char text[80];
    const int bounds[4] = {0, 0, width, height};
    strcat(strcpy(text, "OfxBitDepth"), depth);
    put_text(p, "OfxImageEffectPropPixelDepth", 0, text);
    put_text(p, "OfxImageEffectPropComponents", 0, channels == 4 ? "OfxImageComponentRGBA" : channels == 3
             ? "OfxImageComponentRGB" : "OfxImageComponentAlpha");
    put_text(p, "OfxImageEffectPropPreMultiplication", 0,
             premultiplied ? "OfxImageAlphaPremultiplied" : "OfxImageUnPreMultiplied");
    put_number(p, "OfxImagePropPixelAspectRatio", 0, 1);
    put_pointer(p, "OfxImagePropData", 0, data);
    put_whole(p, "OfxImagePropRowBytes", 0, width * channels * element);
    put_all_whole(p, "OfxImagePropBounds", 4, bounds);
    put_all_whole(p, "OfxImagePropRegionOfDefinition", 4, bounds);
}

static int take_picture(char **words)
{
    const int channels = (int)strtol(words[4], NULL, 10), premultiplied = words[6][0] == '1';
    const int element = strcmp(words[5], "Float") == 0 ? 4 : strcmp(words[5], "Byte") == 0 ? 1 : 2;
    FILE *file = fopen(words[1], "rb");
    width = (int)strtol(words[2], NULL, 10), height = (int)strtol(words[3], NULL, 10);
    picture_bytes = (size_t)width * (size_t)height * (size_t)(channels * element);
    free(pixels);
    free(rendered);
    pixels = malloc(picture_bytes), rendered = malloc(picture_bytes);
    if (!file || !instance || fread(pixels, 1, picture_bytes, file) != picture_bytes) return 0;
    fclose(file);
    region = (OfxRectD){0, 0, width, height};
    describe_image(&instance->source.image, pixels, channels, words[5], element, premultiplied);
    describe_image(&instance->output.image, rendered, channels, words[5], element, premultiplied);
    return 1;
}

static void put_block(const void *bytes, size_t size)
{
    const int32_t count = (int32_t)size;
    fwrite(&count, sizeof count, 1, results);
    fwrite(bytes, 1, size, results);
}

static int render(char **words)
{
    static Set in;
    const int window[4] = {0, 0, width, height};
    const double scale[2] = {1, 1};
    threads = (unsigned)strtol(words[1], NULL, 10), said[0] = 0;
    memset(rendered, 0, picture_bytes);
    put_number((OfxProperties)&in, "OfxPropTime", 0, 0);
    put_all_whole((OfxProperties)&in, "OfxImageEffectPropRenderWindow", 4, window);
    put_all_number((OfxProperties)&in, "OfxImageEffectPropRenderScale", 2, scale);
    const int32_t status = plugin->mainEntry("OfxImageEffectActionRender", instance, (OfxProperties)&in, NULL);
    fwrite(&status, sizeof status, 1, results);
    put_block(said, strlen(said));
    put_block(rendered, picture_bytes);
    return 1;
}

static int done(int count, char **words)
{
    if (strcmp(words[0], "load") == 0) return count == 2 && load(words[1]);
    if (strcmp(words[0], "locale") == 0) {
        if (!setlocale(LC_ALL, words[1])) setlocale(LC_ALL, "de-DE"); /* as Windows calls it */
        const int32_t comma = localeconv()->decimal_point[0] == ',';
        return fwrite(&comma, sizeof comma, 1, results) == 1;
    }
    if (strcmp(words[0], "effect") == 0) return count == 2 && choose(words[1]);
    if (strcmp(words[0], "set") == 0) return count >= 3 && set_value(count, words);
    if (strcmp(words[0], "picture") == 0) return count == 7 && take_picture(words);
    return strcmp(words[0], "render") == 0 && count == 2 && pixels && render(words);
}

static int work(void)
{
    static char line[8192];
    FILE *job = fopen("job.txt", "rb");
    int number = 0, failed = job ? 0 : 250;
    results = fopen("results", "wb");
    while (!failed && fgets(line, sizeof line, job)) {
        char *words[WORDS], *at = line;
        int count = 0;
        number++;
        line[strcspn(line, "\n")] = 0;
        while (at && count < WORDS) {
            words[count++] = at;
            at = strchr(at, '\t');
            if (at) *at++ = 0;
        }
        if (!done(count, words)) failed = number < 249 ? number : 249;
    }
    fclose(results);
    return failed;
}

#ifdef _WIN32
/* No C library is linked in that would call main. */
void start(void);
void start(void) { ExitProcess((UINT)work()); }
#else
int main(void) { return work(); }
#endif
