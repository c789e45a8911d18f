"""Thirty-two bit lanes: the few machine operations that Python's arithmetic has no words for.

Numba widens int32 arithmetic to 64 bits, which halves what a vector register holds, and offers no bit casts
of floats. The intrinsics here are each one or two LLVM instructions on 32-bit values, so that LLVM vectorises
loops that use them. Nothing here (nor anywhere in the kernels) carries fast-math flags or asks for fused
multiply-add: a formula gives the same bits whether it is compiled for SSE2, AVX2 or AVX-512.
"""

from __future__ import annotations

import operator
from math import gcd
from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.core import cgutils
from numba.core.typing.templates import Signature
from numba.extending import intrinsic, lower_builtin, models, register_model, type_callable

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


# ---- packed parameters: float32 that nobody changes meanwhile -------------------------------------------------


class Constants(types.Type):
    """A float32 pointer whose target no store can change: what is loaded through it may be fetched ahead of a loop."""

    def __init__(self) -> None:
        super().__init__(name="Constants")


_CONSTANTS = Constants()


@register_model(Constants)
class _ConstantsModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, F32.as_pointer())


@type_callable(operator.getitem)
def _constant_type(context: Any) -> Any:
    def typer(values: Any, place: Any) -> Any:
        if isinstance(values, Constants) and isinstance(place, types.Integer):
            return types.float32
        return None
    return typer


@lower_builtin(operator.getitem, Constants, types.Integer)
def _constant(context: Any, builder: Any, signature: Any, args: Any) -> Any:
    place = context.cast(builder, args[1], signature.args[1], types.int64)
    loaded = builder.load(builder.gep(args[0], [place], inbounds=True))
    loaded.align = 4
    loaded.set_metadata("invariant.load", builder.module.add_metadata([]))
    return loaded


@intrinsic
def constants(typingctx: Any, pointer: Any) -> tuple[Signature, Any]:
    """The float32 at ``pointer`` as :class:`Constants`."""
    return _CONSTANTS(pointer), lambda context, builder, signature, args: args[0]


@intrinsic
def moved(typingctx: Any, values: Any, elements: Any) -> tuple[Signature, Any]:
    """``values`` (:class:`Constants`) from ``elements`` on."""
    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.gep(args[0], [args[1]], inbounds=True)
    return values(values, types.int64), emit


def loaded_row(count: int, aligned: int) -> Any:
    """``loaded_row(count, aligned)(values, place)``: ``count`` floats of :class:`Constants` from ``place`` on, a
    multiple of ``aligned`` floats as the address is: LLVM makes loads of that many of them."""
    def row(typingctx: Any, values: Any, place: Any) -> tuple[Signature, Any]:
        result = types.UniTuple(types.float32, count)

        def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
            found = []
            for k in range(count):
                loaded = builder.load(builder.gep(args[0], [_moved(builder, args[1], k)], inbounds=True))
                loaded.align = 4 * gcd(k, aligned)
                loaded.set_metadata("invariant.load", builder.module.add_metadata([]))
                found.append(loaded)
            return context.make_tuple(builder, result, found)
        return result(values, types.int64), emit
    return intrinsic(row)


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


class _Register:
    """Arithmetic of a formula as instructions on vectors, in the order in which the formula writes it."""

    def __init__(self, builder: Any, value: Any) -> None:
        self.builder, self.value = builder, value

    def __add__(self, other: _Register) -> _Register:
        return _Register(self.builder, self.builder.fadd(self.value, other.value))

    def __sub__(self, other: _Register) -> _Register:
        return _Register(self.builder, self.builder.fsub(self.value, other.value))

    def __mul__(self, other: _Register) -> _Register:
        return _Register(self.builder, self.builder.fmul(self.value, other.value))


def blended_rows(rows: tuple[tuple[int, int], ...], weights: int, sum_of: Any) -> Any:
    """The look-up that brings whole rows of four floats and sums them while they are in registers.

    For pixels i to i+7: row k starts ``rows[k][1]`` floats behind ``table[index[rows[k][0] * stride + pixel]]``;
    ``sum_of(row, ..., weight, ...)``, a formula of sums and products alone, is evaluated on every channel at once with
    the ``weights`` numbers ``weight[k * stride + pixel]``. The first three channels go to
    ``out[k * out_stride + pixel]``.
    """
    def typed(typingctx: Any, table: Any, index: Any, weight: Any, stride: Any, i: Any, out: Any,
              out_stride: Any) -> tuple[Signature, Any]:
        def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
            base, indices, factors_at, step, position, planes, out_step = args
            factors, where = [], position
            for _factor in range(weights):
                factors.append(_load(builder, factors_at, where, 8))
                where = builder.add(where, step)
            starts, where = [], position
            for _index in range(1 + max(index for index, _ in rows)):
                starts.append(where)
                where = builder.add(where, step)
            sums = []
            for k in range(4):  # pixels k and k + 4 share a register
                places = [[_at(builder, indices, start, pixel) for pixel in (k, k + 4)] for start in starts]
                values = [_Register(builder, _shuffle(builder, *(
                    _load4(builder, builder.gep(base, [ir.Constant(I32, behind)], inbounds=True), place)
                    for place in places[index]), tuple(range(8)))) for index, behind in rows]
                shares = [_Register(builder, _splat(builder, factor, k)) for factor in factors]
                sums.append(sum_of(*values, *shares).value)
            where = position
            for column in _transposed_halves(builder, sums)[:3]:
                _store(builder, planes, where, column)
                where = builder.add(where, out_step)
            return context.get_dummy_value()
        return types.void(table, index, weight, types.int64, types.int64, out, types.int64), emit
    return intrinsic(typed)


def _splat(builder: Any, factor: Any, k: int) -> Any:
    """Element k four times, then element k + 4 four times."""
    return _shuffle(builder, factor, factor, (k,) * 4 + (k + 4,) * 4)


@intrinsic
def pairs_to_planes(typingctx: Any, table: Any, index: Any, i: Any, out: Any, stride: Any) -> tuple[Signature, Any]:
    """For pixels i to i+3: the two floats at ``table[index[pixel]]`` go to ``out[pixel]`` and ``out[stride + pixel]``.
    """
    pair = ir.VectorType(F32, 2)

    def emit(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        base, indices, position, planes, step = args
        pairs = []
        for k in range(4):
            where = builder.zext(_at(builder, indices, position, k), ir.IntType(64))
            loaded = builder.load(builder.bitcast(builder.gep(base, [where], inbounds=True), pair.as_pointer()))
            loaded.align = 4
            pairs.append(loaded)
        ab = _shuffle(builder, pairs[0], pairs[1], (0, 1, 2, 3))
        cd = _shuffle(builder, pairs[2], pairs[3], (0, 1, 2, 3))
        _store(builder, planes, position, _shuffle(builder, ab, cd, (0, 2, 4, 6)))
        _store(builder, planes, builder.add(position, step), _shuffle(builder, ab, cd, (1, 3, 5, 7)))
        return context.get_dummy_value()
    return types.void(table, index, types.int64, out, types.int64), emit
