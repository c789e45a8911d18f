/* Chains packed for the executor: the same parameters, to the bit, as the Python operations pack. */
#define _GNU_SOURCE
#include "plugin.h"

#include <cpuid.h>
#include <locale.h>
#include <stdarg.h>

#include "tables.h" /* generated */

/* The C library's functions by their oldest names (the linker is told to --wrap them), so that the plug-in loads
 * on glibc 2.28 too. They compute the same values. */
#define OLD(name, parameters, arguments)                                                                     \
    extern double old_##name parameters;                                                                           \
    __asm__(".symver old_" #name ", " #name "@GLIBC_2.2.5");                                                       \
    double __wrap_##name parameters;                                                                               \
    double __wrap_##name parameters { return old_##name arguments; }
OLD(exp, (double x), (x))
OLD(log, (double x), (x))
OLD(log2, (double x), (x))
OLD(pow, (double x, double y), (x, y))

int fail(Trouble *trouble, int status, const char *format, ...)
{
    va_list arguments;
    trouble->status = status;
    va_start(arguments, format);
    vsnprintf(trouble->text, sizeof trouble->text, format, arguments);
    va_end(arguments);
    return 0;
}

static int no_memory(Trouble *trouble) { return fail(trouble, OFX_ERR_MEMORY, "not enough memory"); }

/* --- numbers and files --- */
static locale_t plain(void)
{
    static _Atomic(locale_t) made;
    locale_t current = atomic_load(&made);
    if (!current) {
        locale_t other = (locale_t)0;
        current = newlocale(LC_ALL_MASK, "C", (locale_t)0);
        if (!atomic_compare_exchange_strong(&made, &other, current)) {
            freelocale(current);
            current = other;
        }
    }
    return current;
}

double parse_number(const char *text, char **end) { return strtod_l(text, end, plain()); }
float parse_float(const char *text, char **end) { return strtof_l(text, end, plain()); }

char *read_whole(const char *path, size_t *size, Trouble *trouble)
{
    FILE *file = fopen(path, "rb");
    char *text = NULL;
    long length;
    if (!file) {
        fail(trouble, OFX_FAILED, "%.250s: there is no such file; choose another", path);
        return NULL;
    }
    if (fseek(file, 0, SEEK_END) == 0 && (length = ftell(file)) >= 0 && fseek(file, 0, SEEK_SET) == 0) {
        text = take((size_t)length + 1);
        if (!text) {
            no_memory(trouble);
        } else if (fread(text, 1, (size_t)length, file) != (size_t)length) {
            give(text);
            text = NULL;
            fail(trouble, OFX_FAILED, "%.250s: this file cannot be read; choose another", path);
        } else {
            text[length] = 0;
            *size = (size_t)length;
        }
    } else {
        fail(trouble, OFX_FAILED, "%.250s: this is no file; choose another", path);
    }
    fclose(file);
    return text;
}

/* --- programs --- */
Program *program_new(Trouble *trouble)
{
    Program *program = take(sizeof *program);
    if (!program) {
        no_memory(trouble);
        return NULL;
    }
    memset(program, 0, sizeof *program);
    atomic_init(&program->users, 1);
    return program;
}

static void drop_parts(Program *program)
{
    for (int k = 0; k < program->count; k++) {
        give(program->parts[k]);
        program->parts[k] = NULL;
    }
}

void program_release(Program *program)
{
    if (!program || atomic_fetch_sub(&program->users, 1) != 1) return;
    drop_parts(program);
    give(program->block);
    give(program);
}

/* Room for one more operation's parameters, zeroed. */
static float *add(Program *program, int code, size_t floats, int size, Trouble *trouble)
{
    float *room;
    if (program->count == MOST_OPERATIONS) {
        fail(trouble, OFX_FAILED, "a chain of more than %d operations", MOST_OPERATIONS);
        return NULL;
    }
    room = take(floats * sizeof *room);
    if (!room) {
        no_memory(trouble);
        return NULL;
    }
    memset(room, 0, floats * sizeof *room);
    program->parts[program->count] = room;
    program->floats[program->count] = floats;
    program->instructions[3 * program->count] = code;
    program->instructions[3 * program->count + 2] = size;
    program->count++;
    return room;
}

int program_finish(Program *program, Trouble *trouble)
{
    size_t whole = 16;
    for (int k = 0; k < program->count; k++) whole += (program->floats[k] + 15) / 16 * 16;
    program->block = take(whole * sizeof(float) + 64);
    if (!program->block) return no_memory(trouble);
    program->data = (float *)(((uintptr_t)program->block + 63) & ~(uintptr_t)63);
    memset(program->data, 0, whole * sizeof(float));
    size_t position = 0;
    for (int k = 0; k < program->count; k++) {
        memcpy(program->data + position, program->parts[k], program->floats[k] * sizeof(float));
        program->instructions[3 * k + 1] = (int64_t)position;
        position += (program->floats[k] + 15) / 16 * 16;
    }
    drop_parts(program);
    return 1;
}

/* --- operations --- */
int add_log(Program *program, const LogCurve *c, int encode, Trouble *trouble)
{
    double slope = 1.0, intercept = 0.0, lin_break = -HUGE_VAL, log_break = -HUGE_VAL;
    float *q;
    if (!(c->base > 0) || c->base == 1) return fail(trouble, OFX_FAILED, "a log curve's base must be positive and not 1");
    if (c->log_side_slope == 0 || c->lin_side_slope == 0)
        return fail(trouble, OFX_FAILED, "a log curve's slopes must not be 0");
    if (c->has_break) {
        double at = c->lin_side_slope * c->lin_side_break + c->lin_side_offset;
        if (!(at > 0)) return fail(trouble, OFX_FAILED, "a log curve's break must lie where its logarithm is defined");
        if (c->has_slope && c->linear_slope == 0)
            return fail(trouble, OFX_FAILED, "a log curve's linear slope must not be 0");
        lin_break = c->lin_side_break;
        log_break = c->log_side_slope * log(at) / log(c->base) + c->log_side_offset;
        slope = c->has_slope ? c->linear_slope : c->log_side_slope * c->lin_side_slope / (at * log(c->base));
        intercept = log_break - slope * lin_break;
    }
    q = add(program, encode ? CODE_LOG_ENCODE : CODE_LOG_DECODE, HEADER_FLOATS, 0, trouble);
    if (!q) return 0;
    if (encode) {
        double pole = c->lin_side_offset / c->lin_side_slope;
        q[0] = (float)c->lin_side_slope, q[1] = (float)pole, q[7] = (float)(pole - (double)(float)pole);
        q[2] = (float)(c->log_side_slope / log2(c->base)), q[3] = (float)c->log_side_offset;
        q[4] = (float)lin_break, q[5] = (float)slope, q[6] = (float)intercept;
    } else {
        double octaves = log2(c->base) / c->log_side_slope;
        double direction = c->has_break && slope < 0 ? -1.0 : 1.0;
        q[0] = (float)octaves, q[1] = (float)(-c->log_side_offset * octaves), q[2] = (float)(1 / c->lin_side_slope);
        q[3] = (float)(-c->lin_side_offset / c->lin_side_slope), q[4] = (float)(log_break * direction);
        q[5] = (float)direction, q[6] = (float)(1 / slope), q[7] = (float)(-intercept / slope);
    }
    return 1;
}

int add_matrix(Program *program, const double matrix[9], const double offset[3], Trouble *trouble)
{
    float *q = add(program, CODE_MATRIX, HEADER_FLOATS, 0, trouble);
    if (!q) return 0;
    for (int k = 0; k < 9; k++) q[k] = (float)matrix[k];
    for (int k = 0; k < 3; k++) q[9 + k] = (float)offset[k];
    return 1;
}

int add_transfer(Program *program, const char *curve, const char *direction, Trouble *trouble)
{
    for (size_t k = 0; k < sizeof transfers / sizeof *transfers; k++) {
        const PackedTransfer *t = &transfers[k];
        if (strcmp(t->curve, curve) == 0 && strcmp(t->direction, direction) == 0) {
            if (t->code >= 0) {
                float *q = add(program, t->code, HEADER_FLOATS, 0, trouble);
                if (!q) return 0;
                memcpy(q, t->parameters, sizeof t->parameters);
            }
            return 1;
        }
    }
    return fail(trouble, OFX_FAILED, "unknown transfer function %.40s, direction %.40s", curve, direction);
}

int add_tone(Program *program, const double *x, const double *y, int count, Trouble *trouble)
{
    double anchors[32];
    void *unused[2] = {NULL, NULL};
    size_t k = 0;
    float *q;
    if (count < 2 || count > 16) return fail(trouble, OFX_FAILED, "a tone curve takes 2 to 16 anchors");
    for (int i = 1; i < count; i++)
        if (!(x[i] > x[i - 1]) || !(y[i] > y[i - 1]))
            return fail(trouble, OFX_FAILED, "a tone curve's anchors must increase strictly");
    memcpy(anchors, x, (size_t)count * sizeof *x);
    memcpy(anchors + count, y, (size_t)count * sizeof *y);
    while (tone_segments[k][0] < count - 1) k++;
    q = add(program, tone_segments[k][1], TONE_FLOATS, tone_segments[k][0], trouble);
    if (!q) return 0;
    huewright_pack_tone_baseline(&unused[0], &unused[1], (int64_t)(uintptr_t)anchors, count, tone_segments[k][0],
                                 (int64_t)(uintptr_t)q);
    return 1;
}

int add_hue(Program *program, const double *hues, const double *rotations, const double *gains, int n, double kr,
            double kb, Trouble *trouble)
{
    double sectors[3 * 24 + 2], work[3 * 24], worst[2];
    void *unused[2] = {NULL, NULL};
    if (n < 3 || n > 24) return fail(trouble, OFX_FAILED, "hue sectors take 3 to 24 control hues");
    if (!(hues[0] >= 0) || !(hues[n - 1] < 360)) return fail(trouble, OFX_FAILED, "control hues lie in [0, 360) degrees");
    for (int k = 0; k < n; k++) {
        double next = k < n - 1 ? hues[k + 1] + rotations[k + 1] : hues[0] + rotations[0] + 360.0;
        if (k < n - 1 && !(hues[k + 1] > hues[k])) return fail(trouble, OFX_FAILED, "two control hues are the same");
        if (!(gains[k] > 0)) return fail(trouble, OFX_FAILED, "hue gains must be positive");
        if (!(next > hues[k] + rotations[k]))
            return fail(trouble, OFX_FAILED, "these rotations would fold the order of hues; turn the sectors near "
                                             "%.1f degrees less against each other", hues[k]);
        sectors[k] = hues[k], sectors[n + k] = rotations[k], sectors[2 * n + k] = log(gains[k]);
    }
    sectors[3 * n] = kr, sectors[3 * n + 1] = kb;
    for (int size = HUE_SMALLEST;; size *= 2) {
        float *q = add(program, CODE_HUE, HEADER_FLOATS + 2 * ((size_t)size + 1), size, trouble);
        if (!q) return 0;
        worst[0] = worst[1] = 0;
        huewright_pack_hue_baseline(&unused[0], &unused[1], (int64_t)(uintptr_t)sectors, n, size,
                                    (int64_t)(uintptr_t)work, (int64_t)(uintptr_t)q, (int64_t)(uintptr_t)worst);
        if (size >= HUE_LARGEST || (worst[0] <= HUE_BOUND_DEG && worst[1] <= GAIN_BOUND)) return 1;
        give(q);
        program->count--;
    }
}

/* The header, as Python's _scaling has it: scale and shift in one piece and in two, the domain, sizes. */
static int scaling(float *q, const double low[3], const double high[3], int n, Trouble *trouble)
{
    int exact = 1, brief = 1;
    for (int k = 0; k < 3; k++) {
        double scale, shift;
        uint32_t bits;
        int exponent;
        if (!(high[k] > low[k])) return fail(trouble, OFX_FAILED, "a LUT's domain_max must exceed its domain_min");
        scale = (n - 1) / (high[k] - low[k]);
        shift = -low[k] * scale;
        q[k] = (float)scale;
        q[3 + k] = (float)shift;
        memcpy(&bits, &q[k], sizeof bits);
        bits &= 0xFFFFF000u;
        memcpy(&q[6 + k], &bits, sizeof bits);
        q[9 + k] = (float)(scale - (double)q[6 + k]);
        q[12 + k] = (float)rint(shift);
        q[15 + k] = (float)(shift - rint(shift));
        q[18 + k] = (float)low[k];
        q[21 + k] = (float)high[k];
        if ((double)q[18 + k] > low[k]) q[18 + k] = nextafterf(q[18 + k], -HUGE_VALF);
        if ((double)q[21 + k] < high[k]) q[21 + k] = nextafterf(q[21 + k], HUGE_VALF);
        exact = exact && frexp(scale, &exponent) == 0.5 && shift == 0;
        brief = brief && (double)q[6 + k] == scale && shift == 0;
    }
    q[24] = (float)(n - 1);
    q[25] = (float)(n - 2);
    q[26] = (float)exact;
    q[27] = (float)brief;
    return 1;
}

int add_lut_1d(Program *program, const float *table, int n, const double low[3], const double high[3],
               Trouble *trouble)
{
    float *q;
    if (n < 2 || n > 65536) return fail(trouble, OFX_FAILED, "a 1D LUT has 2 to 65536 entries");
    q = add(program, CODE_LUT_1D, LUT_HEADER_FLOATS + 3 * (size_t)n, n, trouble);
    if (!q || !scaling(q, low, high, n, trouble)) return 0;
    for (int c = 0; c < 3; c++)
        for (int i = 0; i < n; i++) q[LUT_HEADER_FLOATS + (size_t)c * n + i] = table[3 * i + c];
    return 1;
}

int add_lut_3d(Program *program, const float *table, int n, const double low[3], const double high[3],
               int trilinear, Trouble *trouble)
{
    size_t points = (size_t)n * n * n;
    float *q;
    if (n < 2 || n > 129) return fail(trouble, OFX_FAILED, "a 3D LUT has 2 to 129 entries along each axis");
    q = add(program, trilinear ? CODE_TRILINEAR : CODE_TETRAHEDRAL, LUT_HEADER_FLOATS + 4 * points, n, trouble);
    if (!q || !scaling(q, low, high, n, trouble)) return 0;
    for (size_t i = 0; i < points; i++)
        for (int c = 0; c < 3; c++) q[LUT_HEADER_FLOATS + 4 * i + c] = table[3 * i + c];
    return 1;
}

/* --- running --- */

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

typedef int Core(void **, void **, int64_t, int64_t, int64_t, int64_t, int64_t, int64_t);

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
