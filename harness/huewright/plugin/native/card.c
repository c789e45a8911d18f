/* NVIDIA's cards through their driver. Functions, types and numbers by NVIDIA's "CUDA Driver API"; declared here, since
 * nothing of CUDA is needed to build. */
#include "card.h"

#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "constants.h" /* generated */

#ifndef __APPLE__

extern const char card_text[]; /* generated: the kernels as PTX */

enum { DONE = 0, NO_MEMORY = 2, CONTEXT_OF_POINTER = 1, NO_TIMING = 2, BOUNDARY = 256 };

/* --- the driver --- */
typedef int Answer;
static struct {
    Answer (*init)(unsigned);
    Answer (*get_current)(void **context);
    Answer (*push)(void *context);
    Answer (*pop)(void **context);
    Answer (*pointer_attribute)(void *value, int attribute, uint64_t pointer);
    Answer (*load)(void **module, const void *text);
    Answer (*unload)(void *module);
    Answer (*function)(void **function, void *module, const char *name);
    Answer (*launch)(void *function, unsigned, unsigned, unsigned, unsigned, unsigned, unsigned, unsigned shared,
                     void *stream, void **arguments, void **more);
    Answer (*take)(uint64_t *pointer, size_t bytes);
    Answer (*give)(uint64_t pointer);
    Answer (*upload)(uint64_t to, const void *from, size_t bytes, void *stream);
    Answer (*synchronize)(void *stream);
    Answer (*new_event)(void **event, unsigned flags);
    Answer (*record)(void *event, void *stream);
    Answer (*await)(void *event);
    Answer (*drop_event)(void *event);
    Answer (*wait)(void *stream, void *event, unsigned flags);
    Answer (*context_of)(void *stream, void **context); /* these an older driver doesn't have */
    Answer (*number_of)(void *context, unsigned long long *number);
} cuda;

static const struct {
    const char *name;
    void *place;
    int optional;
} functions[] = {
    {"cuInit", &cuda.init, 0}, {"cuCtxGetCurrent", &cuda.get_current, 0}, {"cuCtxPushCurrent_v2", &cuda.push, 0},
    {"cuCtxPopCurrent_v2", &cuda.pop, 0}, {"cuPointerGetAttribute", &cuda.pointer_attribute, 0},
    {"cuModuleLoadData", &cuda.load, 0}, {"cuModuleUnload", &cuda.unload, 0},
    {"cuModuleGetFunction", &cuda.function, 0}, {"cuLaunchKernel", &cuda.launch, 0}, {"cuMemAlloc_v2", &cuda.take, 0},
    {"cuMemFree_v2", &cuda.give, 0}, {"cuMemcpyHtoDAsync_v2", &cuda.upload, 0},
    {"cuStreamSynchronize", &cuda.synchronize, 0}, {"cuEventCreate", &cuda.new_event, 0},
    {"cuEventRecord", &cuda.record, 0}, {"cuEventSynchronize", &cuda.await, 0},
    {"cuEventDestroy_v2", &cuda.drop_event, 0}, {"cuStreamWaitEvent", &cuda.wait, 0},
    {"cuStreamGetCtx", &cuda.context_of, 1}, {"cuCtxGetId", &cuda.number_of, 1}};

/* What is kept of cards is looked at by one thread at a time. */
static atomic_flag locked = ATOMIC_FLAG_INIT;
static void lock(void)
{
    while (atomic_flag_test_and_set_explicit(&locked, memory_order_acquire)) give_way();
}
static void unlock(void) { atomic_flag_clear_explicit(&locked, memory_order_release); }

static int well(Answer answer, const char *what, Trouble *trouble)
{
    if (answer == DONE) return 1;
    return fail(trouble, answer == NO_MEMORY ? OFX_ERR_GPU_MEMORY : OFX_ERR_GPU,
                "the GPU's driver failed to %s (CUDA's error %d)", what, answer);
}

/* With the lock. Tried once: what isn't there does not come while a host runs. */
static int open_driver(Trouble *trouble)
{
    static enum { UNTRIED, THERE, MISSING } state;
    if (state == UNTRIED) {
        void *library = open_library(CARD_DRIVER);
        state = library ? THERE : MISSING;
        for (size_t k = 0; library && k < sizeof functions / sizeof *functions; k++) {
            void *found = find_in_library(library, functions[k].name);
            memcpy(functions[k].place, &found, sizeof found);
            if (!found && !functions[k].optional) state = MISSING;
        }
        if (state == THERE && cuda.init(0) != DONE) state = MISSING;
    }
    return state == THERE || fail(trouble, OFX_ERR_GPU, "the GPU's driver is not there or does not start");
}

/* --- contexts --- */
struct CardKernels {
    void *context;
    unsigned long long number; /* tells a new context at the address of an old one; 0 where the driver has none */
    void *module, *walk, *move;
    Trouble trouble; /* why there are none */
    CardKernels *next;
};
static CardKernels *all_kernels;

/* With the lock, in the context: its kernels, made ready by the driver when it is new. */
static const CardKernels *kernels_of(void *context, Trouble *trouble)
{
    CardKernels *k = all_kernels;
    unsigned long long number = 0;
    if (cuda.number_of && cuda.number_of(context, &number) != DONE) number = 0;
    while (k && k->context != context) k = k->next;
    if (!k) {
        k = malloc(sizeof *k); /* not the host's, whose memory may go with one effect */
        if (!k) {
            no_memory(trouble);
            return NULL;
        }
        memset(k, 0, sizeof *k);
        k->context = context, k->next = all_kernels, all_kernels = k;
    } else if (k->number == number) {
        if (k->trouble.status) *trouble = k->trouble;
        return k->trouble.status ? NULL : k;
    }
    k->number = number, k->module = NULL, k->trouble.status = OFX_OK;
    if (!well(cuda.load(&k->module, card_text), "load the kernels", &k->trouble)
        || !well(cuda.function(&k->walk, k->module, WALK_ENTRY), "find the kernels", &k->trouble)
        || !well(cuda.function(&k->move, k->module, MOVE_ENTRY), "find the kernels", &k->trouble)) {
        *trouble = k->trouble;
        if (trouble->status == OFX_ERR_GPU_MEMORY) k->number = ~number; /* that may pass: tried again */
        return NULL;
    }
    return k;
}

static int enter(void *context, int *pushed, Trouble *trouble)
{
    void *current = NULL;
    *pushed = 0;
    if (cuda.get_current(&current) == DONE && current == context) return 1;
    if (!well(cuda.push(context), "enter the host's context", trouble)) return 0;
    *pushed = 1;
    return 1;
}

static void leave(int pushed)
{
    void *unused;
    if (pushed) cuda.pop(&unused);
}

int card_begin(Card *card, void *stream, const void *picture, Trouble *trouble)
{
    int there;
    *card = (Card){.stream = stream};
    lock();
    there = open_driver(trouble);
    unlock();
    if (!there) return 0;
    if (stream && cuda.context_of && cuda.context_of(stream, &card->context) != DONE) card->context = NULL;
    if (!card->context && cuda.get_current(&card->context) != DONE) card->context = NULL;
    if (!card->context && cuda.pointer_attribute(&card->context, CONTEXT_OF_POINTER, (uintptr_t)picture) != DONE)
        card->context = NULL;
    if (!card->context) return fail(trouble, OFX_ERR_GPU, "the host's pictures belong to no context of a GPU");
    if (!enter(card->context, &card->pushed, trouble)) return 0;
    lock();
    card->kernels = kernels_of(card->context, trouble);
    unlock();
    if (!card->kernels) leave(card->pushed);
    return card->kernels != NULL;
}

/* --- what lies on them --- */
typedef struct Use Use;
struct Use { /* what was last started with a copy on a stream */
    void *stream, *event;
    Use *next;
};

struct CardCopy {
    void *context;
    unsigned long long number;
    uint64_t pieces[2];
    uint64_t memory;
    void *there; /* an event: it has arrived */
    Use *uses;
    CardCopy *next;
};

/* In its context. */
static void drop(CardCopy *copy)
{
    while (copy->uses) {
        Use *use = copy->uses;
        copy->uses = use->next;
        cuda.await(use->event);
        cuda.drop_event(use->event);
        give(use);
    }
    if (copy->there) {
        cuda.await(copy->there);
        cuda.drop_event(copy->there);
    }
    if (copy->memory) cuda.give(copy->memory);
    give(copy);
}

static int bring(Card *card, CardCopy *copy, const void *const pieces[2], const size_t sizes[2], Trouble *trouble)
{
    const uint64_t second = (sizes[0] + BOUNDARY - 1) / BOUNDARY * BOUNDARY;
    if (!well(cuda.take(&copy->memory, second + sizes[1] + !(second + sizes[1])), "give memory", trouble)) return 0;
    copy->pieces[0] = copy->memory, copy->pieces[1] = copy->memory + second;
    for (int k = 0; k < 2; k++)
        if (sizes[k] && !well(cuda.upload(copy->pieces[k], pieces[k], sizes[k], card->stream), "copy", trouble)) return 0;
    return well(cuda.new_event(&copy->there, NO_TIMING), "make an event", trouble)
           && well(cuda.record(copy->there, card->stream), "record an event", trouble);
}

CardCopy *card_copy(Card *card, CardCopy **copies, const void *const pieces[2], const size_t sizes[2],
                    Trouble *trouble)
{
    CardCopy *copy;
    lock();
    for (copy = *copies; copy; copy = copy->next)
        if (copy->context == card->context && copy->number == card->kernels->number) break;
    if (!copy && !(copy = take_zeroed(sizeof *copy))) {
        no_memory(trouble);
    } else if (!copy->context) {
        copy->context = card->context, copy->number = card->kernels->number;
        if (bring(card, copy, pieces, sizes, trouble)) {
            copy->next = *copies, *copies = copy;
        } else {
            cuda.synchronize(card->stream); /* a piece may be on its way */
            drop(copy);
            copy = NULL;
        }
    } else if (!well(cuda.wait(card->stream, copy->there, 0), "wait for the copy", trouble)) { /* on another stream */
        copy = NULL;
    }
    unlock();
    return copy;
}

void card_forget(CardCopy *copies)
{
    Trouble unused;
    int pushed;
    while (copies) {
        CardCopy *copy = copies;
        copies = copy->next;
        if (enter(copy->context, &pushed, &unused)) {
            drop(copy);
            leave(pushed);
        } else { /* the host ended the context, and all on it with it */
            while (copy->uses) {
                Use *use = copy->uses;
                copy->uses = use->next;
                give(use);
            }
            give(copy);
        }
    }
}

/* Notes that the copy is in use until what is on the stream by now is done. */
static int note_use(CardCopy *copy, void *stream, Trouble *trouble)
{
    Use *use = copy->uses;
    while (use && use->stream != stream) use = use->next;
    if (!use) {
        use = take_zeroed(sizeof *use);
        if (!use) return no_memory(trouble);
        if (!well(cuda.new_event(&use->event, NO_TIMING), "make an event", trouble)) {
            give(use);
            return 0;
        }
        use->stream = stream, use->next = copy->uses, copy->uses = use;
    } else if (!well(cuda.wait(stream, use->event, 0), "wait for an event", trouble)) {
        return 0; /* the stream may be another one at the same address: then it comes after the old one */
    }
    return well(cuda.record(use->event, stream), "record an event", trouble);
}

int card_end(Card *card, CardCopy *used, Trouble *trouble)
{
    int fine = 1;
    if (used) {
        lock();
        fine = note_use(used, card->stream, trouble);
        unlock();
    }
    /* A host without streams wants everything done; one with streams wants nobody to wait. */
    if (!card->stream || !fine) fine = well(cuda.synchronize(card->stream), "finish", trouble) && fine;
    leave(card->pushed);
    return fine;
}

void card_unload(void)
{
    Trouble unused;
    int pushed;
    lock();
    while (all_kernels) {
        CardKernels *k = all_kernels;
        all_kernels = k->next;
        if (k->module && enter(k->context, &pushed, &unused)) {
            cuda.unload(k->module);
            leave(pushed);
        }
        free(k);
    }
    unlock();
}

/* --- kernels --- */
static int start(Card *card, void *function, int64_t across, int columns, int rows, void **arguments,
                 Trouble *trouble)
{
    const unsigned groups = (unsigned)((across + CARD_THREADS * (int64_t)columns - 1) / (CARD_THREADS * columns));
    return well(cuda.launch(function, groups, (unsigned)rows, 1, CARD_THREADS, 1, 1, 0, card->stream, arguments, NULL),
                "start a kernel", trouble);
}

int card_walk(Card *card, CardRows source, CardRows target, int width, int height, int encoding, int channels,
              int premultiplied, int count, const CardCopy *copy, Trouble *trouble)
{
    uint64_t data = copy->pieces[0], instructions = copy->pieces[1];
    void *arguments[] = {&source.at, &source.row_bytes, &target.at, &target.row_bytes, &width, &encoding, &channels,
                         &premultiplied, &count, &instructions, &data};
    for (int rows; height > 0; height -= rows) {
        rows = height < CARD_ROWS ? height : CARD_ROWS;
        if (!start(card, card->kernels->walk, width, CARD_PIXELS, rows, arguments, trouble)) return 0;
        source.at += (uint64_t)(rows * source.row_bytes), target.at += (uint64_t)(rows * target.row_bytes);
    }
    return 1;
}

int card_move(Card *card, CardRows source, CardRows target, int64_t width_bytes, int height, Trouble *trouble)
{
    int whole = ((source.at | (uint64_t)source.row_bytes | target.at | (uint64_t)target.row_bytes
                  | (uint64_t)width_bytes) & 3) == 0;
    int width = (int)(whole ? width_bytes / 4 : width_bytes);
    void *arguments[] = {&source.at, &source.row_bytes, &target.at, &target.row_bytes, &width, &whole};
    if (width <= 0) return 1;
    for (int rows; height > 0; height -= rows) {
        rows = height < CARD_ROWS ? height : CARD_ROWS;
        if (!start(card, card->kernels->move, width, 1, rows, arguments, trouble)) return 0;
        if (source.at) source.at += (uint64_t)(rows * source.row_bytes);
        target.at += (uint64_t)(rows * target.row_bytes);
    }
    return 1;
}

#else /* there is no such driver on macOS, and the effects don't say that they could */

int card_begin(Card *card, void *stream, const void *picture, Trouble *trouble)
{
    (void)card, (void)stream, (void)picture;
    return fail(trouble, OFX_ERR_GPU, "there is no rendering on such GPUs on this system");
}
int card_end(Card *card, CardCopy *used, Trouble *trouble) { (void)card, (void)used, (void)trouble; return 1; }
CardCopy *card_copy(Card *card, CardCopy **copies, const void *const pieces[2], const size_t sizes[2],
                    Trouble *trouble)
{
    (void)card, (void)copies, (void)pieces, (void)sizes, (void)trouble;
    return NULL;
}
void card_forget(CardCopy *copies) { (void)copies; }
void card_unload(void) {}
int card_walk(Card *card, CardRows source, CardRows target, int width, int height, int encoding, int channels,
              int premultiplied, int count, const CardCopy *copy, Trouble *trouble)
{
    (void)card, (void)source, (void)target, (void)width, (void)height, (void)encoding, (void)channels;
    (void)premultiplied, (void)count, (void)copy, (void)trouble;
    return 0;
}
int card_move(Card *card, CardRows source, CardRows target, int64_t width_bytes, int height, Trouble *trouble)
{
    (void)card, (void)source, (void)target, (void)width_bytes, (void)height, (void)trouble;
    return 0;
}
#endif
