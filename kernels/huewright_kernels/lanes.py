"""Thirty-two bit lanes: the few machine operations that Python's arithmetic has no words for.

Numba widens int32 arithmetic to 64 bits, which halves what a vector register holds, and offers no bit casts
of floats. The intrinsics here are each one or two LLVM instructions on 32-bit values, so that LLVM vectorises
loops that use them. Nothing here (nor anywhere in the kernels) carries fast-math flags or asks for fused
multiply-add: a formula gives the same bits whether it is compiled for SSE2, AVX2 or AVX-512.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.core import cgutils
from numba.core.typing.templates import Signature
from numba.extending import intrinsic

F32 = ir.FloatType()
I32 = ir.IntType(32)
I8 = ir.IntType(8)
_V4 = ir.VectorType(F32, 4)

f32 = np.float32
"""Constants in formulae are ``f32(...)``, so that nothing is computed in 64 bits."""


def formula(function: Any) -> Any:
    """Compiles a scalar formula that is inlined into the loop that uses it."""
    return njit(forceinline=True, error_model="numpy", nogil=True)(function)


def block(function: Any) -> Any:
    """Compiles a block form: a function of raw pointers that loops over one block's pixels."""
    return njit(error_model="numpy", nogil=True)(function)


def _unary(result: Any, argument: Any, emit: Any) -> Any:
    def typed(typingctx: Any, x: Any) -> tuple[Signature, Any]:
        return result(argument), lambda context, builder, signature, args: emit(builder, args[0])
    return intrinsic(typed)


def _binary(kind: Any, emit: Any) -> Any:
    def typed(typingctx: Any, x: Any, y: Any) -> tuple[Signature, Any]:
        return kind(kind, kind), lambda context, builder, signature, args: emit(builder, args[0], args[1])
    return intrinsic(typed)


bits_of = _unary(types.int32, types.float32, lambda b, x: b.bitcast(x, I32))          # float32 -> its bits
float_of = _unary(types.float32, types.int32, lambda b, x: b.bitcast(x, F32))         # bits -> float32
truncated = _unary(types.int32, types.float32, lambda b, x: b.fptosi(x, I32))         # in-range floats only
to_float = _unary(types.float32, types.int32, lambda b, x: b.sitofp(x, F32))
from_u16 = _unary(types.int32, types.uint16, lambda b, x: b.zext(x, I32))
from_u8 = _unary(types.int32, types.uint8, lambda b, x: b.zext(x, I32))
to_u16 = _unary(types.uint16, types.int32, lambda b, x: b.trunc(x, ir.IntType(16)))
to_u8 = _unary(types.uint8, types.int32, lambda b, x: b.trunc(x, I8))
lane = _unary(types.int32, types.int64, lambda b, x: b.trunc(x, I32))                 # loop index -> 32 bits
add = _binary(types.int32, lambda b, x, y: b.add(x, y))
sub = _binary(types.int32, lambda b, x, y: b.sub(x, y))
mul = _binary(types.int32, lambda b, x, y: b.mul(x, y))
both = _binary(types.int32, lambda b, x, y: b.and_(x, y))
either = _binary(types.int32, lambda b, x, y: b.or_(x, y))
differ = _binary(types.int32, lambda b, x, y: b.xor(x, y))
left = _binary(types.int32, lambda b, x, y: b.shl(x, y))
right = _binary(types.int32, lambda b, x, y: b.lshr(x, y))       # zeros shifted in
right_signed = _binary(types.int32, lambda b, x, y: b.ashr(x, y))
swapped32 = _unary(types.int32, types.int32, lambda b, x: b.bswap(x))                 # the other byte order
swapped16 = _unary(types.uint16, types.uint16, lambda b, x: b.bswap(x))


@intrinsic
def chosen(typingctx: Any, condition: Any, yes: Any, no: Any) -> tuple[Signature, Any]:
    """``yes if condition else no`` of float32 values that are both computed: never a branch."""
    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.select(args[0], args[1], args[2])
    return types.float32(types.boolean, types.float32, types.float32), emit


@intrinsic
def pointer_f32(typingctx: Any, address: Any) -> tuple[Signature, Any]:
    """A float32 pointer from an address."""
    return _pointer(types.float32)


@intrinsic
def pointer_i32(typingctx: Any, address: Any) -> tuple[Signature, Any]:
    return _pointer(types.int32)


@intrinsic
def pointer_i64(typingctx: Any, address: Any) -> tuple[Signature, Any]:
    return _pointer(types.int64)


@intrinsic
def pointer_u16(typingctx: Any, address: Any) -> tuple[Signature, Any]:
    return _pointer(types.uint16)


@intrinsic
def pointer_u8(typingctx: Any, address: Any) -> tuple[Signature, Any]:
    return _pointer(types.uint8)


@intrinsic
def pointer_f64(typingctx: Any, address: Any) -> tuple[Signature, Any]:
    return _pointer(types.float64)


def _pointer(kind: Any) -> tuple[Signature, Any]:
    result = types.CPointer(kind)

    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.inttoptr(args[0], context.get_value_type(result))
    return result(types.int64), emit


@intrinsic
def offset(typingctx: Any, pointer: Any, elements: Any) -> tuple[Signature, Any]:
    """``pointer`` moved on by ``elements``, in bounds of the same allocation."""
    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.gep(args[0], [args[1]], inbounds=True)
    return pointer(pointer, types.int64), emit


@intrinsic
def as_i32(typingctx: Any, pointer: Any) -> tuple[Signature, Any]:
    """The same memory as int32."""
    result = types.CPointer(types.int32)

    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.bitcast(args[0], context.get_value_type(result))
    return result(pointer), emit


# ---- RGBA pixels of float32 to planes and back, eight at a time ------------------------------------------------


def _shuffle(builder: Any, a: Any, b: Any, picks: tuple[int, ...]) -> Any:
    return builder.shuffle_vector(a, b, ir.Constant(ir.VectorType(I32, len(picks)), list(picks)))


def _load(builder: Any, pointer: Any, position: Any, lanes: int) -> Any:
    vector = ir.VectorType(F32, lanes)
    address = builder.gep(pointer, [position], inbounds=True)
    loaded = builder.load(builder.bitcast(address, vector.as_pointer()))
    loaded.align = 4
    return loaded


def _store(builder: Any, pointer: Any, position: Any, vector: Any) -> None:
    address = builder.gep(pointer, [position], inbounds=True)
    stored = builder.store(vector, builder.bitcast(address, vector.type.as_pointer()))
    stored.align = 4


def _moved(builder: Any, position: Any, k: int) -> Any:
    return builder.add(position, ir.Constant(position.type, k))


_LOW, _HIGH = (0, 8, 1, 9, 4, 12, 5, 13), (2, 10, 3, 11, 6, 14, 7, 15)
_FRONT, _BACK = (0, 1, 8, 9, 4, 5, 12, 13), (2, 3, 10, 11, 6, 7, 14, 15)


def _transposed_halves(builder: Any, rows: list[Any]) -> list[Any]:
    """Four vectors of two rows of four each (k and k + 4): rows become columns of eight, and columns rows."""
    a, b, c, d = rows
    ab_low, ab_high = _shuffle(builder, a, b, _LOW), _shuffle(builder, a, b, _HIGH)
    cd_low, cd_high = _shuffle(builder, c, d, _LOW), _shuffle(builder, c, d, _HIGH)
    return [_shuffle(builder, ab_low, cd_low, _FRONT), _shuffle(builder, ab_low, cd_low, _BACK),
            _shuffle(builder, ab_high, cd_high, _FRONT), _shuffle(builder, ab_high, cd_high, _BACK)]


@intrinsic
def rgba_to_planes(typingctx: Any, pixels: Any, i: Any, planes: Any, stride: Any) -> tuple[Signature, Any]:
    """Pixels i to i+7 of four floats each go to ``planes[k * stride + pixel]``, k 0..3."""
    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        source, position, out, step = args
        first = builder.shl(position, ir.Constant(position.type, 2))
        rows = [_shuffle(builder, _load(builder, source, _moved(builder, first, 4 * k), 4),
                         _load(builder, source, _moved(builder, first, 4 * k + 16), 4), tuple(range(8)))
                for k in range(4)]
        where = position
        for column in _transposed_halves(builder, rows):
            _store(builder, out, where, column)
            where = builder.add(where, step)
        return context.get_dummy_value()
    return types.void(pixels, types.int64, planes, types.int64), emit


def _from_planes(align: int, streaming: bool) -> Any:
    def planes_to_rgba(typingctx: Any, planes: Any, stride: Any, pixels: Any, i: Any) -> tuple[Signature, Any]:
        """The way back; the streaming kind wants 16-byte alignment and goes past the caches."""
        def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
            source, step, out, position = args
            columns, where = [], position
            for _ in range(4):
                columns.append(_load(builder, source, where, 8))
                where = builder.add(where, step)
            first = builder.shl(position, ir.Constant(position.type, 2))
            rows = _transposed_halves(builder, columns)
            for k in range(8):
                half = tuple(range(4)) if k < 4 else tuple(range(4, 8))
                address = builder.gep(out, [_moved(builder, first, 4 * k)], inbounds=True)
                stored = builder.store(_shuffle(builder, rows[k % 4], rows[k % 4], half),
                                       builder.bitcast(address, _V4.as_pointer()))
                stored.align = align
                if streaming:
                    stored.set_metadata("nontemporal", builder.module.add_metadata([ir.Constant(I32, 1)]))
            return context.get_dummy_value()
        return types.void(planes, types.int64, pixels, types.int64), emit
    return intrinsic(planes_to_rgba)


planes_to_rgba, planes_to_rgba_streaming = _from_planes(4, False), _from_planes(16, True)


@intrinsic
def prefetched(typingctx: Any, address: Any) -> tuple[Signature, Any]:
    """Starts to bring the cache line at ``address`` near (second level); no access, so it may lie anywhere."""
    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        kind = ir.FunctionType(ir.VoidType(), [I8.as_pointer(), I32, I32, I32])
        function = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0")
        read, second_level, data = (ir.Constant(I32, value) for value in (0, 2, 1))
        builder.call(function, [builder.inttoptr(args[0], I8.as_pointer()), read, second_level, data])
        return context.get_dummy_value()
    return types.void(types.int64), emit


@intrinsic
def settle(typingctx: Any) -> tuple[Signature, Any]:
    """Everything stored so far, past the caches too, is visible before anything that follows."""
    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        builder.fence("seq_cst")
        return context.get_dummy_value()
    return types.void(), emit


# ---- four floats at a time: rows of a table, found by index, turned into planes -------------------------------


def _load4(builder: Any, base: Any, index: Any) -> Any:
    """Four floats from ``base + index`` (no alignment asked)."""
    return _load(builder, base, builder.zext(index, ir.IntType(64)), 4)


def _load8(builder: Any, base: Any, index: Any) -> Any:
    return _load(builder, base, builder.zext(index, ir.IntType(64)), 8)


def _at(builder: Any, pointer: Any, position: Any, k: int) -> Any:
    where = builder.add(position, ir.Constant(position.type, k))
    return builder.load(builder.gep(pointer, [where], inbounds=True))


@intrinsic
def rows_to_planes(typingctx: Any, table: Any, index: Any, i: Any, out: Any, stride: Any) -> tuple[Signature, Any]:
    """For pixels i to i+7: the four floats at ``table[index[pixel]]`` go to ``out[k * stride + pixel]``, k 0..3."""
    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        base, indices, position, planes, step = args
        rows = [_shuffle(builder, *(_load4(builder, base, _at(builder, indices, position, pixel))
                                    for pixel in (k, k + 4)), tuple(range(8))) for k in range(4)]
        where = position
        for column in _transposed_halves(builder, rows):
            _store(builder, planes, where, column)
            where = builder.add(where, step)
        return context.get_dummy_value()
    return types.void(table, index, types.int64, out, types.int64), emit


@intrinsic
def blend_of_path(typingctx: Any, table: Any, whole: Any, index: Any, weights: Any, stride: Any, i: Any, out: Any,
                  out_stride: Any) -> tuple[Signature, Any]:
    """For pixels i to i+7: the weighted sum of four table rows of four floats, as three planes.

    The first three rows of a pixel start at ``table[index[v * stride + pixel]]``, v 0..2, the fourth ``whole`` floats
    behind the first; their weights are ``weights[v * stride + pixel]``. The first two are summed, then the other
    two, then both sums. The planes go to ``out[k * out_stride + pixel]``, k 0..2.
    """
    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        base, farther, indices, weight, step, position, planes, out_step = args
        far = builder.gep(base, [farther], inbounds=True)
        factors, starts, where = [], [], position
        for _vertex in range(4):
            factors.append(_load(builder, weight, where, 8))
            starts.append(where)
            where = builder.add(where, step)
        sums = []
        for k in range(4):  # pixels k and k + 4 share a register
            places = [[_at(builder, indices, start, pixel) for pixel in (k, k + 4)] for start in starts[:3]]
            terms = []
            for pair, factor in zip([*places, places[0]], factors, strict=True):
                start = far if len(terms) == 3 else base
                rows = _shuffle(builder, *(_load4(builder, start, place) for place in pair), tuple(range(8)))
                terms.append(builder.fmul(rows, _splat(builder, factor, k)))
            sums.append(builder.fadd(builder.fadd(terms[0], terms[1]), builder.fadd(terms[2], terms[3])))
        _store_columns(builder, planes, position, out_step, sums)
        return context.get_dummy_value()
    return types.void(table, types.int64, index, weights, types.int64, types.int64, out, types.int64), emit


@intrinsic
def blend_of_cell(typingctx: Any, table: Any, near: Any, far: Any, index: Any, weights: Any, stride: Any, i: Any,
                  out: Any, out_stride: Any) -> tuple[Signature, Any]:
    """For pixels i to i+7: the sum over a cell's eight rows of four floats, as three planes.

    The rows lie in pairs, side by side: at ``table[index[pixel]]``, and from there ``near``, ``far`` and both
    further. The pairs have the weights ``weights[v * stride + pixel]``, v 0..3; after them the first row of all
    pairs has ``weights[4 * stride + pixel]`` and the second ``weights[5 * stride + pixel]``.
    The planes go to ``out[k * out_stride + pixel]``, k 0..2.
    """
    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        base, step_near, step_far, indices, weight, step, position, planes, out_step = args
        corner = builder.gep(base, [step_far], inbounds=True)
        corners = [base, builder.gep(base, [step_near], inbounds=True), corner,
                   builder.gep(corner, [step_near], inbounds=True)]
        factors, where = [], position
        for _factor in range(6):
            factors.append(_load(builder, weight, where, 8))
            where = builder.add(where, step)
        sums = []
        for k in range(4):  # pixels k and k + 4 share a register
            pairs = []
            for pixel in (k, k + 4):
                place = _at(builder, indices, position, pixel)
                terms = [builder.fmul(_load8(builder, start, place), _shuffle(builder, factor, factor, (pixel,) * 8))
                         for start, factor in zip(corners, factors[:4], strict=True)]
                pairs.append(builder.fadd(builder.fadd(terms[0], terms[1]), builder.fadd(terms[2], terms[3])))
            first, second = (_shuffle(builder, *pairs, picks) for picks in (_FIRSTS, _SECONDS))
            sums.append(builder.fadd(builder.fmul(first, _splat(builder, factors[4], k)),
                                     builder.fmul(second, _splat(builder, factors[5], k))))
        _store_columns(builder, planes, position, out_step, sums)
        return context.get_dummy_value()
    return types.void(table, types.int64, types.int64, index, weights, types.int64, types.int64, out, types.int64), emit


_FIRSTS, _SECONDS = (0, 1, 2, 3, 8, 9, 10, 11), (4, 5, 6, 7, 12, 13, 14, 15)


def _splat(builder: Any, factor: Any, k: int) -> Any:
    """Element k four times, then element k + 4 four times."""
    return _shuffle(builder, factor, factor, (k,) * 4 + (k + 4,) * 4)


def _store_columns(builder: Any, planes: Any, position: Any, step: Any, rows: list[Any]) -> None:
    where = position
    for column in _transposed_halves(builder, rows)[:3]:
        _store(builder, planes, where, column)
        where = builder.add(where, step)


@intrinsic
def pairs_to_planes(typingctx: Any, table: Any, index: Any, i: Any, first: Any, second: Any) -> tuple[Signature, Any]:
    """For pixels i to i+3: the two floats at ``table[index[pixel]]`` go to ``first[pixel]`` and ``second[pixel]``."""
    pair = ir.VectorType(F32, 2)

    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        base, indices, position, low, high = args
        pairs = []
        for k in range(4):
            where = builder.zext(_at(builder, indices, position, k), ir.IntType(64))
            loaded = builder.load(builder.bitcast(builder.gep(base, [where], inbounds=True), pair.as_pointer()))
            loaded.align = 4
            pairs.append(loaded)
        ab = _shuffle(builder, pairs[0], pairs[1], (0, 1, 2, 3))
        cd = _shuffle(builder, pairs[2], pairs[3], (0, 1, 2, 3))
        _store(builder, low, position, _shuffle(builder, ab, cd, (0, 2, 4, 6)))
        _store(builder, high, position, _shuffle(builder, ab, cd, (1, 3, 5, 7)))
        return context.get_dummy_value()
    return types.void(table, index, types.int64, first, second), emit
