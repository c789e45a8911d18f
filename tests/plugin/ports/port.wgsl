// The operations in WGSL, written from kernels/PORTING.md. One colour an invocation; `kind` says which operation, the
// test that runs this packs the numbers. The language has no not-a-number and no infinity to rely on.

@group(0) @binding(0) var<storage, read> numbers: array<f32>;
@group(0) @binding(1) var<storage, read> table: array<f32>;
@group(0) @binding(2) var<storage, read> colours: array<f32>;
@group(0) @binding(3) var<storage, read_write> results: array<f32>;

const MATRIX = 0u; const LOG_ENCODE = 1u; const LOG_DECODE = 2u; const TRANSFER = 3u; const TONE = 4u;
const HUES = 5u; const LINE = 6u; const LATTICE = 7u; const CDL = 8u;
const EXPONENT = 9u;
const RANGE = 10u;

// --- powers, by the guide's polynomials -----------------------------------------------------------------------
fn exp2_mantissa_less_1(f: f32) -> f32 {
    return f * (0.6931469775973299 + f * (0.24022242082677578 + f * (0.05550733744824781
           + f * (0.009671512812491583 + f * 0.0013264727213638762))));
}
fn own_exp2(t: f32) -> f32 {
    let held = clamp(t, -126.0, 127.0);
    let n = round(held);
    return (1.0 + exp2_mantissa_less_1(held - n)) * bitcast<f32>(u32(i32(n) + 127) << 23u);
}
fn exp2_less_1(t: f32) -> f32 {
    return select(own_exp2(t) - 1.0, exp2_mantissa_less_1(t), abs(t) <= 0.5);
}
fn log2_of_s(s: f32) -> f32 {
    return s * (2.8853904243346222 + s * s * (0.9615882838972079 + s * s * 0.5957826462606282));
}
fn own_log2(x: f32) -> f32 {
    let n = (bitcast<i32>(x) - 0x3F3504F3) >> 23u;
    let m = bitcast<f32>(bitcast<i32>(x) - (n << 23u));
    return f32(n) + log2_of_s((m - 1.0) / (m - 1.0 + 2.0));
}
fn log2_of_1_less(w: f32) -> f32 {
    return select(own_log2(1.0 - w), log2_of_s(-w / (2.0 - w)), abs(w) < 0.29);
}
fn own_pow(x: f32, exponent: f32) -> f32 {
    return select(0.0, own_exp2(exponent * own_log2(max(x, 1.2e-38))), x > 1.2e-38);
}

// --- one channel ----------------------------------------------------------------------------------------------
fn pq_encode(x: f32) -> f32 {
    let y = own_pow(max(x, 0.0), 2610.0 / 16384.0);
    let w = (2413.0 / 128.0 - 2392.0 / 128.0) * (1.0 - y) / (1.0 + 2392.0 / 128.0 * y);
    return own_exp2(2523.0 / 32.0 * log2_of_1_less(w));
}
fn pq_decode(x: f32) -> f32 {
    if (x <= 0.0) { return 0.0; }
    let e = exp2_less_1(own_log2(x) / (2523.0 / 32.0));
    let top = max(e + 1.0 - 3424.0 / 4096.0, 0.0);
    return own_pow(top / (2413.0 / 128.0 - 2392.0 / 128.0 - 2392.0 / 128.0 * e), 16384.0 / 2610.0);
}
fn transfer(x: f32) -> f32 {
    let v = abs(x);
    switch (u32(numbers[0])) {
        case 0u: { return select(4.5 * x, 1.099 * own_pow(x, 0.45) - 0.099, x >= 0.018); }
        case 1u: { return select(x / 4.5, own_pow((x + 0.099) / 1.099, 1.0 / 0.45), x >= 0.081); }
        case 2u: { return sign(x) * own_pow(v, 1.0 / 2.4); }
        case 3u: { return sign(x) * own_pow(v, 2.4); }
        case 4u: { return select(12.92 * x, 1.055 * own_pow(x, 1.0 / 2.4) - 0.055, x >= 0.0031308); }
        case 5u: { return select(x / 12.92, own_pow((x + 0.055) / 1.055, 2.4), x >= 0.04045); }
        case 8u: { return pq_encode(x); }
        case 9u: { return pq_decode(x); }
        case 10u: {
            let curved = 0.17883277 * 0.6931471805599453 * own_log2(max(12.0 * v - 0.28466892, 1e-9)) + 0.55991073;
            return sign(x) * select(sqrt(3.0 * v), curved, v > 1.0 / 12.0);
        }
        case 11u: {
            let curved = (own_exp2((v - 0.55991073) * (1.4426950408889634 / 0.17883277)) + 0.28466892) / 12.0;
            return sign(x) * select(v * v / 3.0, curved, v > 0.5);
        }
        default: { return x; }
    }
}
// Numbers: a per octave, b, c, d / c in two parts, whether there is a break, where, slope and offset below it, which way.
fn log_encode(x: f32) -> f32 {
    if (numbers[5] != 0.0 && x <= numbers[6]) { return numbers[7] * x + numbers[8]; }
    return numbers[0] * own_log2(max((x + numbers[3] + numbers[4]) * numbers[2], 1.1754944e-38)) + numbers[1];
}
fn log_decode(x: f32) -> f32 {
    if (numbers[5] != 0.0 && (x - numbers[6]) * numbers[9] <= 0.0) { return (x - numbers[8]) / numbers[7]; }
    return own_exp2((x - numbers[1]) / numbers[0]) / numbers[2] - numbers[3];
}
// Numbers: pieces, slope below and above, then of each piece its start and four coefficients; the last start ends it.
fn tone(x: f32) -> f32 {
    let pieces = u32(numbers[0]);
    let first = numbers[3]; let last = numbers[3u + 5u * pieces];
    let v = clamp(x, first, last);
    var at = 3u;
    for (var k = 1u; k < pieces; k++) {
        if (v >= numbers[3u + 5u * k]) { at = 3u + 5u * k; }
    }
    let t = v - numbers[at];
    let inside = numbers[at + 1u] + t * (numbers[at + 2u] + t * (numbers[at + 3u] + t * numbers[at + 4u]));
    return inside + numbers[1] * min(x - first, 0.0) + numbers[2] * max(x - last, 0.0);
}

// --- look-up tables -------------------------------------------------------------------------------------------
// The cell, and how far into it, by products of upper halves, which are exact. Numbers, eight a channel from `at` on:
// scale, shift, upper half and rest of the scale, whole and rest of the shift, the domain's ends.
struct Place { cell: u32, fraction: f32 }
fn place(x: f32, at: u32, n: u32) -> Place {
    let v = clamp(x, numbers[at + 6u], numbers[at + 7u]);
    let guess = trunc(clamp(v * numbers[at] + numbers[at + 1u], 0.0, f32(n - 1u)));
    let upper = bitcast<f32>(bitcast<u32>(v) & 0xFFFFF000u);
    let lower = v - upper;
    var f = upper * numbers[at + 2u] - (guess - numbers[at + 4u]) + upper * numbers[at + 3u] + lower * numbers[at + 2u];
    f += lower * numbers[at + 3u] + numbers[at + 5u];
    let step = select(select(0.0, 1.0, f >= 1.0), -1.0, f < 0.0);
    let cell = clamp(guess + step, 0.0, f32(n - 2u));
    return Place(u32(cell), clamp(f - (cell - guess), 0.0, 1.0));
}
fn entry(r: u32, g: u32, b: u32, n: u32) -> vec3f {
    let at = 3u * ((r * n + g) * n + b);
    return vec3f(table[at], table[at + 1u], table[at + 2u]);
}
fn line(v: vec3f) -> vec3f {
    let n = u32(numbers[24]);
    var out = v;
    for (var c = 0u; c < 3u; c++) {
        let p = place(v[c], 8u * c, n);
        let near = table[3u * p.cell + c];
        out[c] = near + p.fraction * (table[3u * p.cell + 3u + c] - near);
    }
    return out;
}
fn lattice(v: vec3f) -> vec3f {
    let n = u32(numbers[24]);
    var f = vec3f();
    var at = vec3u();
    for (var c = 0u; c < 3u; c++) {
        let p = place(v[c], 8u * c, n);
        f[c] = p.fraction;
        at[c] = p.cell;
    }
    var sum = vec3f();
    if (numbers[25] != 0.0) {
        for (var corner = 0u; corner < 8u; corner++) {
            let far = vec3u(corner & 1u, (corner >> 1u) & 1u, corner >> 2u);
            let weight = mix(1.0 - f, f, vec3f(far));
            sum += weight.x * weight.y * weight.z * entry(at.x + far.x, at.y + far.y, at.z + far.z, n);
        }
        return sum;
    }
    var before = 1.0;
    for (var step = 0u; step < 3u; step++) {
        var axis = 0u;
        if (f.y > f[axis]) { axis = 1u; }
        if (f.z > f[axis]) { axis = 2u; }
        sum += (before - f[axis]) * entry(at.x, at.y, at.z, n);
        before = f[axis];
        f[axis] = -1.0;
        at[axis] += 1u;
    }
    return sum + before * entry(at.x, at.y, at.z, n);
}

// --- three channels at once -----------------------------------------------------------------------------------
// Numbers: Kr, Kg, Kb, bins. The table has gain cos delta - 1 and gain sin delta, by the guide's pseudo-angle.
fn hues(v: vec3f) -> vec3f {
    let kr = numbers[0]; let kg = numbers[1]; let kb = numbers[2];
    let cr = (kg * (v.r - v.g) + kb * (v.r - v.b)) / (2.0 * (1.0 - kr));
    let cb = (kr * (v.b - v.r) + kg * (v.b - v.g)) / (2.0 * (1.0 - kb));
    let d = cr / max(abs(cb) + abs(cr), 1.1754944e-38);
    let position = select(3.0 - d, 1.0 + d, cb >= 0.0) * (0.25 * numbers[3]);
    let k = u32(clamp(position, 0.0, numbers[3] - 1.0));
    let f = position - f32(k);
    let same = mix(table[2u * k], table[2u * k + 2u], f);
    let other = mix(table[2u * k + 1u], table[2u * k + 3u], f);
    let red = (other * cb + same * cr) * (2.0 * (1.0 - kr));
    let blue = (same * cb - other * cr) * (2.0 * (1.0 - kb));
    return v + vec3f(red, -(kr * red + kb * blue) / kg, blue);
}
// Numbers: slope, offset, power, saturation, style in the order of the guide.
fn raised(x: f32, exponent: f32) -> f32 {
    return select(x, own_pow(x, exponent), x > 0.0 && exponent != 1.0);
}
fn cdl(colour: vec3f) -> vec3f {
    let style = u32(numbers[10]);
    let clamps = style % 2u == 0u;
    var v = colour;
    if (style >= 2u) {
        if (clamps) { v = clamp(v, vec3f(), vec3f(1.0)); }
        let luma = dot(v, vec3f(0.2126, 0.7152, 0.0722));
        v = luma + (v - luma) / numbers[9];
        if (clamps) { v = clamp(v, vec3f(), vec3f(1.0)); }
        for (var c = 0u; c < 3u; c++) {
            v[c] = (raised(v[c], 1.0 / numbers[6u + c]) - numbers[3u + c]) / numbers[c];
        }
    } else {
        for (var c = 0u; c < 3u; c++) {
            var x = v[c] * numbers[c] + numbers[3u + c];
            if (clamps) { x = clamp(x, 0.0, 1.0); }
            v[c] = raised(x, numbers[6u + c]);
        }
        let luma = dot(v, vec3f(0.2126, 0.7152, 0.0722));
        v = luma + (v - luma) * numbers[9];
    }
    return select(v, clamp(v, vec3f(), vec3f(1.0)), clamps);
}

// Numbers: exponent, offset, break, slope below a channel; 0 negatives become 0, 1 go on, 2 are mirrored; 0 no straight
// part, 1 one, 2 one undone.
fn exponent_of(x: f32, c: u32) -> f32 {
    let offset = numbers[4u * c + 1u];
    let negatives = numbers[12];
    let part = numbers[13];
    var u = select(x, abs(x), negatives == 2.0);
    if (negatives == 0.0 && u < 0.0) { u = 0.0; }
    let base = select(u, (u + offset) / (1.0 + offset), part == 1.0);
    let power = raised(base, numbers[4u * c]);
    let curved = select(power, (1.0 + offset) * power - offset, part == 2.0);
    let y = select(u * numbers[4u * c + 3u], curved, u > numbers[4u * c + 2u]);
    return select(y, select(y, -y, x < 0.0), negatives == 2.0);
}
// Numbers: factor, addend, whether there is a lower limit, that, whether there is an upper one, that.
fn range_limits(x: f32) -> f32 {
    var y = x * numbers[0] + numbers[1];
    if (numbers[2] == 1.0 && y < numbers[3]) { y = numbers[3]; }
    if (numbers[4] == 1.0 && y > numbers[5]) { y = numbers[5]; }
    return y;
}

override kind: u32 = 0u;

@compute @workgroup_size(64)
fn main(@builtin(global_invocation_id) id: vec3u) {
    let at = 3u * id.x;
    if (at + 2u >= arrayLength(&colours)) { return; }
    var v = vec3f(colours[at], colours[at + 1u], colours[at + 2u]);
    switch (kind) {
        case MATRIX: {
            let x = v;
            for (var c = 0u; c < 3u; c++) {
                v[c] = ((x.r * numbers[3u * c] + x.g * numbers[3u * c + 1u]) + x.b * numbers[3u * c + 2u]) + numbers[9u + c];
            }
        }
        case HUES: { v = hues(v); }
        case LINE: { v = line(v); }
        case LATTICE: { v = lattice(v); }
        case CDL: { v = cdl(v); }
        default: {
            for (var c = 0u; c < 3u; c++) {
                switch (kind) {
                    case LOG_ENCODE: { v[c] = log_encode(v[c]); }
                    case LOG_DECODE: { v[c] = log_decode(v[c]); }
                    case TONE: { v[c] = tone(v[c]); }
                    case EXPONENT: { v[c] = exponent_of(v[c], c); }
                    case RANGE: { v[c] = range_limits(v[c]); }
                    default: { v[c] = transfer(v[c]); }
                }
            }
        }
    }
    results[at] = v.r;
    results[at + 1u] = v.g;
    results[at + 2u] = v.b;
}
