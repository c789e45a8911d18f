/* Chains packed for the executor by the packers that Python runs, and run. */
#include "program.h"

#ifdef __x86_64__
#include <cpuid.h>
#endif
#include <stdlib.h>
#include <string.h>

#include "kernels.h" /* generated: declarations of what is emitted */
#include "sentences.h"

/* --- what is given to an operation --- */
void set_defaults(const Operation *operation, Given *given)
{
    memset(given, 0, sizeof *given);
    for (int k = 0; k < operation->count; k++) {
        const Field *f = &operation->fields[k];
        given->counts[k] = f->given;
        if (f->kind == FIELD_TABLE)
            given->table = f->table;
        else if (f->given)
            memcpy(given->numbers + f->place, f->initial, (size_t)f->given * sizeof(double));
    }
}

static int64_t number_at(const void *place) { return (int64_t)(uintptr_t)place; }

/* --- programs --- */
Program *program_new(Trouble *trouble)
{
    Program *program = take_zeroed(sizeof *program);
    if (program)
        atomic_init(&program->users, 1);
    else
        no_memory(trouble);
    return program;
}

static void drop_parts(Program *program)
{
    for (int k = 0; program->parts && k < program->count; k++) give(program->parts[k]);
    give(program->parts);
    give(program->floats);
    program->parts = NULL, program->floats = NULL;
}

void program_release(Program *program)
{
    if (!program || atomic_fetch_sub(&program->users, 1) != 1) return;
    drop_parts(program);
    card_forget(program->on_cards);
    give(program->instructions);
    give(program->block);
    give(program->patches);
    give(program);
}

static int make_room(Program *program, Trouble *trouble)
{
    if (program->count < program->room) return 1;
    const size_t room = program->room ? 2 * (size_t)program->room : 16, used = (size_t)program->count;
    int64_t *instructions = take(3 * room * sizeof *instructions);
    float **parts = take(room * sizeof *parts);
    size_t *floats = take(room * sizeof *floats);
    if (!instructions || !parts || !floats) {
        give(instructions);
        give(parts);
        give(floats);
        return no_memory(trouble);
    }
    if (used) {
        memcpy(instructions, program->instructions, 3 * used * sizeof *instructions);
        memcpy(parts, program->parts, used * sizeof *parts);
        memcpy(floats, program->floats, used * sizeof *floats);
    }
    give(program->instructions);
    give(program->parts);
    give(program->floats);
    program->instructions = instructions, program->parts = parts, program->floats = floats, program->room = (int)room;
    return 1;
}

int add_operation(Program *program, const Operation *operation, const Given *given, Trouble *trouble)
{
    void *unused[2] = {NULL, NULL};
    const int64_t numbers = number_at(given->numbers), counts = number_at(given->counts);
    int64_t answer = 0, out[3] = {0, 0, 0};
    operation->check(&answer, &unused[1], numbers, counts);
    if (answer)
        return fail(trouble, OFX_FAILED, SENTENCE_REFUSED, operation->name, operation->sentences[answer - 1]);
    operation->room(&answer, &unused[1], counts);
    if (!make_room(program, trouble)) return 0;
    float *packed = take_zeroed((size_t)answer * sizeof *packed);
    if (!packed) return no_memory(trouble);
    operation->pack(&unused[0], &unused[1], numbers, counts, number_at(given->table), number_at(packed),
                    number_at(out));
    if (out[0] < 0) { /* it does nothing */
        give(packed);
        return 1;
    }
    program->parts[program->count] = packed;
    program->floats[program->count] = (size_t)out[2];
    program->instructions[3 * program->count] = operation->codes[out[0]];
    program->instructions[3 * program->count + 2] = out[1];
    program->count++;
    return 1;
}

int add_steps(Program *program, const Step *steps, int count, const double *values, const float *table,
              Trouble *trouble)
{
    for (int k = 0; k < count; k++) {
        const Operation *operation = &operations[steps[k].operation];
        void *unused = NULL;
        int64_t wanted = 0;
        Given given;
        set_defaults(operation, &given);
        if (table) given.table = table;
        steps[k].choose(&wanted, &unused, number_at(values), number_at(given.numbers), number_at(given.counts));
        if (wanted && !add_operation(program, operation, &given, trouble)) return 0;
    }
    return 1;
}

int program_finish(Program *program, Trouble *trouble)
{
    size_t whole = 16, position = 0;
    for (int k = 0; k < program->count; k++) whole += (program->floats[k] + 15) / 16 * 16;
    program->block = take_zeroed(whole * sizeof(float) + 64);
    if (!program->block) return no_memory(trouble);
    program->data = (float *)(((uintptr_t)program->block + 63) & ~(uintptr_t)63);
    for (int k = 0; k < program->count; k++) {
        memcpy(program->data + position, program->parts[k], program->floats[k] * sizeof(float));
        program->instructions[3 * k + 1] = (int64_t)position;
        position += (program->floats[k] + 15) / 16 * 16;
    }
    program->length = position;
    drop_parts(program);
    return 1;
}

/* --- running --- */

typedef int Core(void **, void **, int64_t, int64_t, int64_t, int64_t, int64_t, int64_t);

#ifdef __x86_64__
/* What of the psABI's levels this processor and system have: 1 (baseline), 3 or 4. */
static int level(void)
{
    unsigned a, b, c, d, states, high;
    const unsigned needed1 = bit_FMA | bit_SSE3 | bit_SSSE3 | bit_SSE4_1 | bit_SSE4_2 | bit_MOVBE | bit_POPCNT
                             | bit_XSAVE | bit_OSXSAVE | bit_AVX | bit_F16C | bit_CMPXCHG16B;
    const unsigned needed7 = bit_AVX2 | bit_BMI | bit_BMI2;
    const unsigned wide7 = bit_AVX512F | bit_AVX512BW | bit_AVX512CD | bit_AVX512DQ | bit_AVX512VL;
    if (!__get_cpuid(1, &a, &b, &c, &d) || (c & needed1) != needed1) return 1;
    __asm__("xgetbv" : "=a"(states), "=d"(high) : "c"(0));
    if ((states & 6) != 6) return 1;
    if (!__get_cpuid(0x80000001, &a, &b, &c, &d) || !(c & (1u << 5))) return 1; /* lzcnt */
    if (!__get_cpuid_count(7, 0, &a, &b, &c, &d) || (b & needed7) != needed7) return 1;
    if ((b & wide7) != wide7 || (states & 0xe6) != 0xe6) return 3;
    /* Whole 512-bit vectors cost some makers' processors clock; where they don't, they are worth it. */
    __get_cpuid(0, &a, &b, &c, &d);
    return b == signature_AMD_ebx && d == signature_AMD_edx && c == signature_AMD_ecx ? 4 : 3;
}

/* HUEWRIGHT_LEVEL=baseline or v3 keeps to the code of that level. */
static Core *core(void)
{
    static _Atomic(Core *) chosen;
    Core *current = atomic_load(&chosen);
    if (!current) {
        const char *asked = getenv("HUEWRIGHT_LEVEL");
        int most = level();
        if (asked && strcmp(asked, "baseline") == 0) most = 1;
        if (asked && strcmp(asked, "v3") == 0 && most > 3) most = 3;
        current = most >= 4 ? huewright_core_v4 : most >= 3 ? huewright_core_v3 : huewright_core_baseline;
        atomic_store(&chosen, current);
    }
    return current;
}
#else
static Core *core(void) { return huewright_core_baseline; }
#endif

/* The address that pixel (0, 0) would have. */
static int64_t zero_of(const Picture *p)
{
    return (int64_t)(uintptr_t)p->data - (int64_t)p->bounds.y1 * p->row_bytes
           - (int64_t)p->bounds.x1 * p->channels * p->element_bytes;
}

void run_band(const Program *program, const Picture *source, const Picture *target, OfxRectI band, float *scratch)
{
    void *unused[2] = {NULL, NULL};
    /* Rows are visited in the order in which they lie in memory, which the processor's prefetching likes. */
    const int down = target->row_bytes < 0, sign = down ? -1 : 1;
    const int64_t first = down ? 1 - (int64_t)band.y2 : band.y1, last = down ? 1 - (int64_t)band.y1 : band.y2;
    const int64_t bytes = ((int64_t)target->bounds.y2 - target->bounds.y1) * llabs(target->row_bytes);
    const int streaming = bytes > STREAMED_BYTES && source->data != target->data;
    _Static_assert(JOB_FIELDS == 18, "the executor's job has other fields than these");
    const int64_t job[JOB_FIELDS] = {
        zero_of(source), source->encoding, (int64_t)sign * source->row_bytes,
        (int64_t)source->channels * source->element_bytes, source->channels,
        zero_of(target), target->encoding, (int64_t)sign * target->row_bytes,
        (int64_t)target->channels * target->element_bytes, target->channels,
        (int64_t)(uintptr_t)program->instructions, program->count, (int64_t)(uintptr_t)program->data,
        program->count > 0 && source->premultiplied, 0, 0, 1, streaming};
    core()(&unused[0], &unused[1], (int64_t)(uintptr_t)job, band.x1, first, band.x2, last,
           (int64_t)(uintptr_t)scratch);
}

CardRows rows_on_card(const Picture *picture, int x, int y)
{
    const int64_t row = picture->row_bytes, across = (int64_t)picture->channels * picture->element_bytes;
    return (CardRows){(uint64_t)((int64_t)(uintptr_t)picture->data + (y - (int64_t)picture->bounds.y1) * row
                                 + (x - (int64_t)picture->bounds.x1) * across), row};
}

int run_on_card(Program *program, Card *card, const Picture *source, const Picture *target, OfxRectI window,
                CardCopy **used, Trouble *trouble)
{
    const CardRows from = rows_on_card(source, window.x1, window.y1), to = rows_on_card(target, window.x1, window.y1);
    const void *const pieces[2] = {program->data, program->instructions};
    const size_t sizes[2] = {program->length * sizeof(float), 3 * (size_t)program->count * sizeof(int64_t)};
    const uint64_t places = from.at | (uint64_t)from.row_bytes | to.at | (uint64_t)to.row_bytes;
    if (places % (uint64_t)source->element_bytes)
        return fail(trouble, OFX_ERR_GPU, "the picture's channels are not aligned to their size");
    *used = card_copy(card, &program->on_cards, pieces, sizes, trouble);
    return *used && card_walk(card, from, to, window.x2 - window.x1, window.y2 - window.y1, source->encoding,
                              source->channels, source->premultiplied, program->count, *used, trouble);
}
