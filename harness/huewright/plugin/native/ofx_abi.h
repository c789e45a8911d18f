/* The binary interface of the OpenFX Image Effect API 1.4: declarations of our own, from the published reference.
 *
 * Names of properties, actions, suites and values are the standard's strings; the structures list the suites'
 * functions in the standard's order. Handles are opaque pointers. Nothing here comes from another header.
 */
#ifndef HUEWRIGHT_OFX_ABI_H
#define HUEWRIGHT_OFX_ABI_H

#include <limits.h>
#include <stddef.h>

typedef int OfxStatus;
typedef double OfxTime;
typedef struct OfxProperties_ *OfxProperties; /* a property set */
typedef struct OfxEffect_ *OfxEffect;         /* an effect, descriptor or instance */
typedef struct OfxClip_ *OfxClip;
typedef struct OfxParam_ *OfxParam;
typedef struct OfxParamSet_ *OfxParamSet;
typedef struct OfxImageMemory_ *OfxImageMemory;
typedef struct OfxMutex_ *OfxMutex;

typedef struct { int x1, y1, x2, y2; } OfxRectI;
typedef struct { double x1, y1, x2, y2; } OfxRectD;
typedef struct { double min, max; } OfxRangeD;

enum {
    OFX_OK = 0, OFX_FAILED = 1, OFX_ERR_FATAL = 2, OFX_ERR_UNKNOWN = 3, OFX_ERR_MISSING_HOST_FEATURE = 4,
    OFX_ERR_UNSUPPORTED = 5, OFX_ERR_EXISTS = 6, OFX_ERR_FORMAT = 7, OFX_ERR_MEMORY = 8, OFX_ERR_BAD_HANDLE = 9,
    OFX_ERR_BAD_INDEX = 10, OFX_ERR_VALUE = 11, OFX_REPLY_YES = 12, OFX_REPLY_NO = 13, OFX_REPLY_DEFAULT = 14,
    OFX_ERR_IMAGE_FORMAT = 1000
};

typedef struct {
    OfxProperties host;
    const void *(*fetchSuite)(OfxProperties host, const char *name, int version);
} OfxHost;

typedef OfxStatus OfxEntryPoint(const char *action, const void *handle, OfxProperties in, OfxProperties out);

typedef struct {
    const char *pluginApi;
    int apiVersion;
    const char *pluginIdentifier;
    unsigned int pluginVersionMajor, pluginVersionMinor;
    void (*setHost)(OfxHost *host);
    OfxEntryPoint *mainEntry;
} OfxPlugin;

typedef struct {
    OfxStatus (*propSetPointer)(OfxProperties, const char *name, int index, void *value);
    OfxStatus (*propSetString)(OfxProperties, const char *name, int index, const char *value);
    OfxStatus (*propSetDouble)(OfxProperties, const char *name, int index, double value);
    OfxStatus (*propSetInt)(OfxProperties, const char *name, int index, int value);
    OfxStatus (*propSetPointerN)(OfxProperties, const char *name, int count, void *const *values);
    OfxStatus (*propSetStringN)(OfxProperties, const char *name, int count, const char *const *values);
    OfxStatus (*propSetDoubleN)(OfxProperties, const char *name, int count, const double *values);
    OfxStatus (*propSetIntN)(OfxProperties, const char *name, int count, const int *values);
    OfxStatus (*propGetPointer)(OfxProperties, const char *name, int index, void **value);
    OfxStatus (*propGetString)(OfxProperties, const char *name, int index, char **value);
    OfxStatus (*propGetDouble)(OfxProperties, const char *name, int index, double *value);
    OfxStatus (*propGetInt)(OfxProperties, const char *name, int index, int *value);
    OfxStatus (*propGetPointerN)(OfxProperties, const char *name, int count, void **values);
    OfxStatus (*propGetStringN)(OfxProperties, const char *name, int count, char **values);
    OfxStatus (*propGetDoubleN)(OfxProperties, const char *name, int count, double *values);
    OfxStatus (*propGetIntN)(OfxProperties, const char *name, int count, int *values);
    OfxStatus (*propReset)(OfxProperties, const char *name);
    OfxStatus (*propGetDimension)(OfxProperties, const char *name, int *count);
} OfxPropertySuite;

typedef struct {
    OfxStatus (*getPropertySet)(OfxEffect, OfxProperties *);
    OfxStatus (*getParamSet)(OfxEffect, OfxParamSet *);
    OfxStatus (*clipDefine)(OfxEffect, const char *name, OfxProperties *);
    OfxStatus (*clipGetHandle)(OfxEffect, const char *name, OfxClip *, OfxProperties *);
    OfxStatus (*clipGetPropertySet)(OfxClip, OfxProperties *);
    OfxStatus (*clipGetImage)(OfxClip, OfxTime, const OfxRectD *region, OfxProperties *image);
    OfxStatus (*clipReleaseImage)(OfxProperties image);
    OfxStatus (*clipGetRegionOfDefinition)(OfxClip, OfxTime, OfxRectD *);
    int (*abort)(OfxEffect);
    OfxStatus (*imageMemoryAlloc)(OfxEffect, size_t bytes, OfxImageMemory *);
    OfxStatus (*imageMemoryFree)(OfxImageMemory);
    OfxStatus (*imageMemoryLock)(OfxImageMemory, void **);
    OfxStatus (*imageMemoryUnlock)(OfxImageMemory);
} OfxImageEffectSuite;

typedef struct {
    OfxStatus (*paramDefine)(OfxParamSet, const char *type, const char *name, OfxProperties *);
    OfxStatus (*paramGetHandle)(OfxParamSet, const char *name, OfxParam *, OfxProperties *);
    OfxStatus (*paramSetGetPropertySet)(OfxParamSet, OfxProperties *);
    OfxStatus (*paramGetPropertySet)(OfxParam, OfxProperties *);
    OfxStatus (*paramGetValue)(OfxParam, ...);
    OfxStatus (*paramGetValueAtTime)(OfxParam, OfxTime, ...);
    OfxStatus (*paramGetDerivative)(OfxParam, OfxTime, ...);
    OfxStatus (*paramGetIntegral)(OfxParam, OfxTime, OfxTime, ...);
    OfxStatus (*paramSetValue)(OfxParam, ...);
    OfxStatus (*paramSetValueAtTime)(OfxParam, OfxTime, ...);
    OfxStatus (*paramGetNumKeys)(OfxParam, unsigned int *);
    OfxStatus (*paramGetKeyTime)(OfxParam, unsigned int, OfxTime *);
    OfxStatus (*paramGetKeyIndex)(OfxParam, OfxTime, int, int *);
    OfxStatus (*paramDeleteKey)(OfxParam, OfxTime);
    OfxStatus (*paramDeleteAllKeys)(OfxParam);
    OfxStatus (*paramCopy)(OfxParam to, OfxParam from, OfxTime offset, const OfxRangeD *);
    OfxStatus (*paramEditBegin)(OfxParamSet, const char *name);
    OfxStatus (*paramEditEnd)(OfxParamSet);
} OfxParameterSuite;

typedef struct {
    OfxStatus (*memoryAlloc)(void *effect, size_t bytes, void **);
    OfxStatus (*memoryFree)(void *);
} OfxMemorySuite;

typedef void OfxThreadFunction(unsigned int index, unsigned int count, void *argument);

typedef struct {
    OfxStatus (*multiThread)(OfxThreadFunction *, unsigned int count, void *argument);
    OfxStatus (*multiThreadNumCPUs)(unsigned int *);
    OfxStatus (*multiThreadIndex)(unsigned int *);
    int (*multiThreadIsSpawnedThread)(void);
    OfxStatus (*mutexCreate)(OfxMutex *, int count);
    OfxStatus (*mutexDestroy)(OfxMutex);
    OfxStatus (*mutexLock)(OfxMutex);
    OfxStatus (*mutexUnLock)(OfxMutex);
    OfxStatus (*mutexTryLock)(OfxMutex);
} OfxMultiThreadSuite;

typedef struct {
    OfxStatus (*message)(void *handle, const char *type, const char *id, const char *format, ...);
    OfxStatus (*setPersistentMessage)(void *handle, const char *type, const char *id, const char *format, ...);
    OfxStatus (*clearPersistentMessage)(void *handle);
} OfxMessageSuite; /* version 1 ends after message */

#endif
