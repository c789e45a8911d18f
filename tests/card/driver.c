/* A stand-in for NVIDIA's driver where there is no GPU: memory "on the card" is memory here, and what is put on a stream
 * is done as late as it may be, in the stream's order and no other. What the kernels compute, it is told (fake_walker).
 * Functions and numbers by NVIDIA's "CUDA Driver API". Whatever a real driver would refuse, or would take without a word
 * though it is wrong, is written down (fake_said). For one thread at a time. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef uint64_t Pointer;
enum { OK = 0, INVALID_VALUE = 1, NO_CONTEXT = 201, INVALID_HANDLE = 400, NOT_FOUND = 500, NOT_READY = 600 };
#define MANY 4096

typedef struct { uint64_t source; int64_t source_row; uint64_t target; int64_t target_row;
                 int width, encoding, channels, premultiplied, count; uint64_t instructions, data; int rows; } Walk;
typedef struct { uint64_t source; int64_t source_row; uint64_t target; int64_t target_row; int width, whole, rows; } Move;
typedef enum { UPLOAD, WALK, MOVE, RECORD, AWAIT, HOLD } Kind;
typedef struct Op { Kind kind; struct Op *next; Walk walk; Move move; uint64_t to; void *bytes; size_t size;
                    struct Event *event; int times; uint32_t value; } Op;
typedef struct Stream { void *context; Op *first, **last; int gone; } Stream;
typedef struct Event { Stream *stream; int recorded, done; } Event;   /* how often recorded, and how often that was done */
typedef struct { uint64_t at; size_t size; void *context; } Block;
typedef struct { void *context; int gone; } Module;

static Block blocks[MANY];
static Stream *streams[MANY];
static int stream_count;
static Stream legacy;
static void *current[16];
static int depth;
static char said[1 << 16], refused[64];
static int refused_with, opened;
static int calls[64];
static const char *names[64];
static void (*walker)(const Walk *);
static Module *last_module;
static int contexts[4];

static void note(const char *format, const char *what, long long a)
{
    char line[300];
    snprintf(line, sizeof line, format, what, a);
    if (strlen(said) + strlen(line) + 2 < sizeof said) strcat(strcat(said, line), "\n");
}

static int called(const char *name, int wants_context)
{
    int k = 0;
    while (names[k] && strcmp(names[k], name)) k++;
    names[k] = name, calls[k]++;
    if (!opened && strcmp(name, "cuInit")) { note("%s before cuInit (%lld)", name, 0); return 3; }
    if (strcmp(refused, name) == 0) return refused_with;
    if (wants_context && !depth) { note("%s without a context (%lld)", name, 0); return NO_CONTEXT; }
    return OK;
}
#define CALLED(context) do { int no = called(__func__, context); if (no) return no; } while (0)

/* --- for the tests --- */
const char *fake_said(void) { return said; }
void fake_reset(void) { said[0] = 0, refused[0] = 0; memset(calls, 0, sizeof calls); }
void fake_refuse(const char *name, int with) { snprintf(refused, sizeof refused, "%s", name), refused_with = with; }
void fake_walker(void (*function)(const Walk *)) { walker = function; }
int fake_calls(const char *name)
{
    for (int k = 0; names[k]; k++) if (!strcmp(names[k], name)) return calls[k];
    return 0;
}
uint64_t fake_held(void)
{
    uint64_t sum = 0;
    for (int k = 0; k < MANY; k++) sum += blocks[k].size;
    return sum;
}

/* --- memory --- */
static Block *block_of(uint64_t at, int64_t size)
{
    for (int k = 0; k < MANY; k++)
        if (blocks[k].size && at >= blocks[k].at && at + (uint64_t)size <= blocks[k].at + blocks[k].size) return &blocks[k];
    return NULL;
}

static int inside(const char *what, uint64_t first, int64_t row, int64_t bytes, int rows)
{
    uint64_t low = first, high = first + (uint64_t)bytes;
    if (rows > 1) {
        uint64_t end = first + (uint64_t)((rows - 1) * row);
        if (row < 0) low = end; else high = end + (uint64_t)bytes;
    }
    if (block_of(low, (int64_t)(high - low))) return 1;
    note("%s lies outside the card's memory (%lld)", what, (long long)first);
    return 0;
}

/* --- streams --- */
static Stream *stream_of(void *handle)
{
    if (!handle) return &legacy;
    for (int k = 0; k < stream_count; k++) if (streams[k] == handle && !streams[k]->gone) return handle;
    note("%s unknown (%lld)", "a stream", (long long)(uintptr_t)handle);
    return NULL;
}

static int put(void *handle, Op op)
{
    Stream *stream = stream_of(handle);
    Op *made;
    if (!stream) return INVALID_HANDLE;
    if (stream != &legacy && stream->context != current[depth - 1]) {
        note("%s of another context (%lld)", "a stream", 0);
        return INVALID_HANDLE;
    }
    made = malloc(sizeof op), *made = op, made->next = NULL;
    if (!stream->first) stream->last = &stream->first;
    *stream->last = made, stream->last = &made->next;
    return OK;
}

static int run(Stream *stream)   /* 0 where something holds it up */
{
    while (stream->first) {
        Op *op = stream->first;
        if (op->kind == AWAIT && op->event->done < op->times && !run(op->event->stream) && op->event->done < op->times)
            return 0;
        if (op->kind == HOLD && *(volatile uint32_t *)(uintptr_t)op->to != op->value) return 0;
        if (op->kind == RECORD) op->event->done = op->times;
        if (op->kind == UPLOAD) memcpy((void *)(uintptr_t)op->to, op->bytes, op->size), free(op->bytes);
        if (op->kind == WALK && walker) walker(&op->walk);
        if (op->kind == MOVE)
            for (int y = 0; y < op->move.rows; y++) {
                char *to = (char *)(uintptr_t)op->move.target + y * op->move.target_row;
                const size_t bytes = (size_t)op->move.width * (op->move.whole ? 4 : 1);
                if (op->move.source) memcpy(to, (char *)(uintptr_t)op->move.source + y * op->move.source_row, bytes);
                else memset(to, 0, bytes);
            }
        stream->first = op->next;
        free(op);
    }
    return 1;
}

static int uses(const Op *op, const Block *b)
{
    const uint64_t places[] = {op->walk.source, op->walk.target, op->walk.instructions, op->walk.data, op->move.source,
                               op->move.target, op->to};
    for (int k = 0; k < 7; k++) if (places[k] >= b->at && places[k] < b->at + b->size) return 1;
    return 0;
}

static int pending(const Block *b)
{
    for (int k = -1; k < stream_count; k++)
        for (Op *op = (k < 0 ? &legacy : streams[k])->first; op; op = op->next) if (uses(op, b)) return 1;
    return 0;
}

/* --- the driver --- */
int cuInit(unsigned flags) { opened = 1; CALLED(0); return flags ? INVALID_VALUE : OK; }
int cuDeviceGetCount(int *count) { CALLED(0); *count = 2; return OK; }
int cuDeviceGet(int *device, int number) { CALLED(0); *device = number; return number < 2 ? OK : 101; }
int cuDevicePrimaryCtxRetain(void **context, int device) { CALLED(0); *context = &contexts[device]; return OK; }
int cuCtxGetCurrent(void **context) { CALLED(0); *context = depth ? current[depth - 1] : NULL; return OK; }
int cuCtxSetCurrent(void *context) { CALLED(0); depth = context != NULL; current[0] = context; return OK; }
int cuCtxPushCurrent_v2(void *context) { CALLED(0); current[depth++] = context; return OK; }
int cuCtxPopCurrent_v2(void **context) { CALLED(1); *context = current[--depth]; return OK; }
int cuCtxGetId(void *context, unsigned long long *id) { CALLED(0); *id = (int *)context - contexts + 1; return OK; }
int cuStreamGetCtx(void *handle, void **context)
{
    Stream *stream = stream_of(handle);
    CALLED(0);
    if (!stream) return INVALID_HANDLE;
    *context = stream == &legacy ? depth ? current[depth - 1] : NULL : stream->context;
    return OK;
}
int cuPointerGetAttribute(void *value, int attribute, Pointer pointer)
{
    CALLED(0);
    Block *b = block_of(pointer, 1);
    if (attribute != 1 || !b) return INVALID_VALUE;
    *(void **)value = b->context;
    return OK;
}
int cuModuleLoadData(void **module, const void *text)
{
    CALLED(1);
    if (!strstr(text, ".entry huewright_walk(") || !strstr(text, ".entry huewright_move(")) return 218;
    *module = last_module = calloc(1, sizeof(Module));
    last_module->context = current[depth - 1];
    return OK;
}
int cuModuleUnload(void *module) { CALLED(1); ((Module *)module)->gone = 1; return OK; }
typedef struct { Module *module; int walks; } Function;
int cuModuleGetFunction(void **function, void *module, const char *name)
{
    CALLED(1);
    if (strcmp(name, "huewright_walk") && strcmp(name, "huewright_move")) return NOT_FOUND;
    Function *made = malloc(sizeof *made);
    *made = (Function){module, !strcmp(name, "huewright_walk")}, *function = made;
    return OK;
}
int cuLaunchKernel(void *function, unsigned gx, unsigned gy, unsigned gz, unsigned tx, unsigned ty, unsigned tz,
                   unsigned shared, void *stream, void **a, void **more)
{
    Function *f = function;
    CALLED(1);
    if (f->module->gone || f->module->context != current[depth - 1]) { note("%s (%lld)", "a kernel not of this context", 0); return INVALID_HANDLE; }
    if (!gx || !gy || gy > 65535 || gz != 1 || tx != 128 || ty != 1 || tz != 1 || shared || more) {
        note("%s of %lld groups", "a launch", gx);
        return INVALID_VALUE;
    }
    if (!f->walks) {
        Move m = {*(uint64_t *)a[0], *(int64_t *)a[1], *(uint64_t *)a[2], *(int64_t *)a[3], *(int *)a[4], *(int *)a[5], (int)gy};
        const int64_t bytes = (int64_t)m.width * (m.whole ? 4 : 1);
        if ((int64_t)gx * 128 < m.width) note("%s: %lld groups are too few", "a move", gx);
        if (!inside("a move's target", m.target, m.target_row, bytes, m.rows)) return 700;
        if (m.source && !inside("a move's source", m.source, m.source_row, bytes, m.rows)) return 700;
        return put(stream, (Op){.kind = MOVE, .move = m});
    }
    Walk w = {*(uint64_t *)a[0], *(int64_t *)a[1], *(uint64_t *)a[2], *(int64_t *)a[3], *(int *)a[4], *(int *)a[5],
              *(int *)a[6], *(int *)a[7], *(int *)a[8], *(uint64_t *)a[9], *(uint64_t *)a[10], (int)gy};
    static const int sizes[] = {4, 2, 1, 2};
    if (w.encoding < 0 || w.encoding > 3 || w.channels < 3 || w.channels > 4 || w.count < 1) note("%s of encoding %lld", "a walk", w.encoding);
    const int64_t bytes = (int64_t)w.width * w.channels * sizes[w.encoding];
    if ((int64_t)gx * 128 < w.width || (int64_t)(gx - 1) * 128 >= w.width) note("%s: %lld groups", "a walk", gx);
    if (!inside("a walk's source", w.source, w.source_row, bytes, w.rows)
        || !inside("a walk's target", w.target, w.target_row, bytes, w.rows)
        || !inside("a walk's instructions", w.instructions, 0, 24 * (int64_t)w.count, 1)
        || !inside("a walk's data", w.data, 0, 4, 1)) return 700;
    if (w.data % 64 || w.instructions % 64) note("%s is not aligned (%lld)", "a walk's data", 0);
    return put(stream, (Op){.kind = WALK, .walk = w});
}
int cuMemAlloc_v2(Pointer *pointer, size_t size)
{
    CALLED(1);
    if (!size) return INVALID_VALUE;
    for (int k = 0; k < MANY; k++)
        if (!blocks[k].size) {
            void *made = aligned_alloc(256, (size + 255) / 256 * 256);
            memset(made, 0xEE, size);
            blocks[k] = (Block){(uintptr_t)made, size, current[depth - 1]};
            *pointer = blocks[k].at;
            return OK;
        }
    return 2;
}
int cuMemFree_v2(Pointer pointer)
{
    CALLED(1);
    Block *b = block_of(pointer, 1);
    if (!b || b->at != pointer) { note("%s that was never given (%lld)", "memory freed", (long long)pointer); return INVALID_VALUE; }
    if (pending(b)) note("%s while something that uses it waits (%lld)", "memory freed", 0);
    memset((void *)(uintptr_t)b->at, 0xDD, b->size);
    free((void *)(uintptr_t)b->at);
    b->size = 0;
    return OK;
}
int cuMemGetInfo_v2(size_t *left, size_t *total)
{
    CALLED(1);
    *total = (size_t)1 << 36, *left = *total - fake_held();
    return OK;
}
int cuMemcpyHtoDAsync_v2(Pointer to, const void *from, size_t size, void *stream)
{
    CALLED(1);
    if (!inside("what is copied to", to, 0, (int64_t)size, 1)) return INVALID_VALUE;
    void *kept = memcpy(malloc(size), from, size);
    return put(stream, (Op){.kind = UPLOAD, .to = to, .bytes = kept, .size = size});
}
int cuMemcpyHtoD_v2(Pointer to, const void *from, size_t size)
{
    CALLED(1);
    if (!inside("what is copied to", to, 0, (int64_t)size, 1)) return INVALID_VALUE;
    memcpy((void *)(uintptr_t)to, from, size);
    return OK;
}
int cuMemcpyDtoH_v2(void *to, Pointer from, size_t size)
{
    CALLED(1);
    if (!inside("what is copied from", from, 0, (int64_t)size, 1)) return INVALID_VALUE;
    memcpy(to, (void *)(uintptr_t)from, size);
    return OK;
}
int cuMemcpyDtoDAsync_v2(Pointer to, Pointer from, size_t size, void *stream)
{
    CALLED(1);
    if (!inside("what is copied to", to, 0, (int64_t)size, 1) || !inside("what is copied from", from, 0, (int64_t)size, 1)) return 700;
    return put(stream, (Op){.kind = MOVE, .move = {from, 0, to, 0, (int)size, 0, 1}});
}
int cuMemsetD8Async(Pointer to, unsigned char value, size_t size, void *stream)
{
    CALLED(1);
    if (!inside("what is filled", to, 0, (int64_t)size, 1)) return 700;
    return put(stream, (Op){.kind = UPLOAD, .to = to, .bytes = memset(malloc(size), value, size), .size = size});
}
int cuStreamCreate(void **stream, unsigned flags)
{
    CALLED(1);
    (void)flags;
    streams[stream_count] = calloc(1, sizeof(Stream));
    streams[stream_count]->context = current[depth - 1];
    *stream = streams[stream_count++];
    return OK;
}
int cuStreamDestroy_v2(void *handle)
{
    Stream *stream = stream_of(handle);
    CALLED(1);
    if (!stream) return INVALID_HANDLE;
    run(stream), stream->gone = 1;
    return OK;
}
int cuStreamSynchronize(void *handle)
{
    Stream *stream = stream_of(handle);
    CALLED(1);
    if (!stream) return INVALID_HANDLE;
    if (!run(stream)) { note("%s that waits for the host: this would hang (%lld)", "waited for a stream", 0); return NOT_READY; }
    return OK;
}
int cuCtxSynchronize(void)
{
    CALLED(1);
    for (int k = -1; k < stream_count; k++)
        if (!run(k < 0 ? &legacy : streams[k])) { note("%s that waits for the host: this would hang (%lld)", "waited for a stream", 0); return NOT_READY; }
    return OK;
}
int cuStreamWaitEvent(void *stream, void *event, unsigned flags)
{
    CALLED(1);
    (void)flags;
    Event *e = event;
    return e->recorded ? put(stream, (Op){.kind = AWAIT, .event = e, .times = e->recorded}) : OK;
}
int cuStreamWaitValue32_v2(void *stream, Pointer at, uint32_t value, unsigned flags)
{
    CALLED(1);
    return flags == 1 ? put(stream, (Op){.kind = HOLD, .to = at, .value = value}) : INVALID_VALUE;
}
int cuEventCreate(void **event, unsigned flags) { CALLED(1); (void)flags; *event = calloc(1, sizeof(Event)); return OK; }
int cuEventRecord(void *event, void *handle)
{
    Event *e = event;
    CALLED(1);
    e->stream = stream_of(handle);
    return put(handle, (Op){.kind = RECORD, .event = e, .times = ++e->recorded});
}
int cuEventSynchronize(void *event)
{
    Event *e = event;
    CALLED(1);
    if (e->recorded && e->done < e->recorded && !run(e->stream) && e->done < e->recorded) {
        note("%s that waits for the host: this would hang (%lld)", "waited for a stream", 0);
        return NOT_READY;
    }
    return OK;
}
int cuEventDestroy_v2(void *event) { CALLED(1); (void)event; return OK; } /* kept: ops may name it */
int cuGetErrorString(int error, const char **words) { (void)error; *words = "told to fail"; return OK; }
