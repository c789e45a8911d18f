"""Any chain over any picture, in one pass: blocks of pixels that stay in the nearest cache, all operations on each.

:func:`core` is the whole of it in compiled form, one function of numbers and addresses that a native bundle
can hold as well: it calls nothing outside itself, allocates nothing, raises nothing, and gives the same bits
for any tiling.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from huewright_kernels.cache import entry, warm_up
from huewright_kernels.elementary import ONE, ZERO
from huewright_kernels.formats import (
    CODES,
    FULL_SCALES,
    Layout,
    PixelBuffer,
    add_noise,
    layout_of,
    read_block,
    write_block,
)
from huewright_kernels.forms import Form, block_form
from huewright_kernels.lanes import block, formula, offset, pointer_f32, pointer_i64, settle
from huewright_kernels.ops import REGISTRY
from huewright_kernels.ops.base import Operation
from huewright_kernels.planes import ALPHA, BLOCK, BLUE, GREEN, QUANTUM, RED, SCRATCH_FLOATS
from huewright_kernels.threads import for_each_tile

FORMS: tuple[Form, ...] = tuple(form for kind in REGISTRY.values() for form in kind.parts.forms)
"""An instruction's code is the place of its form here."""
CODE_OF = {form: code for code, form in enumerate(FORMS)}
BLOCK_FORMS: tuple[Callable[..., None], ...] = tuple(map(block_form, FORMS))

JOB_FIELDS = ("source", "source_encoding", "source_row_bytes", "source_pixel_bytes", "source_channels",
              "target", "target_encoding", "target_row_bytes", "target_pixel_bytes", "target_channels",
              "instructions", "instruction_count", "data", "premultiplied", "dither", "seed", "full_scale",
              "streaming")
"""A job is these int64 numbers in this order. ``source`` and ``target`` are addresses of pixel (0, 0); encodings
are places in :data:`~huewright_kernels.formats.ENCODINGS`; ``instructions`` is the address of int64 triples (code,
offset into ``data`` in floats, size); ``data`` the address of the float32 parameters and tables, 64-byte aligned;
``full_scale`` the target's largest code, used where ``dither`` is 1; ``streaming`` 1 lets float32 RGBA rows
go past the caches (for targets larger than these that are not the source)."""

INSTRUCTION = 3
PIXELS_A_TILE = 1 << 16
STREAMED_BYTES = 1 << 24
"""Targets larger than this go past the caches: they would not stay there anyhow."""


def _dispatcher() -> Callable[..., None]:
    """One function that runs the block form with a given code: the registry as a row of comparisons."""
    lines = ["def dispatch(code, planes, q, size, n):"]
    lines += [f"    {'el' * (k > 0)}if code == {k}: form_{k}(planes, q, size, n)" for k in range(len(BLOCK_FORMS))]
    names: dict[str, Any] = {f"form_{k}": form for k, form in enumerate(BLOCK_FORMS)}
    exec("\n".join(lines), names)
    return block(names["dispatch"])


_dispatch = _dispatcher()


@formula
def over_alpha(alpha):
    """What colours that carry their alpha are multiplied by to lose it."""
    return ONE / alpha if alpha != ZERO else ONE


@formula
def by_alpha(alpha):
    """The way back."""
    return alpha if alpha != ZERO else ONE


@block
def _unpremultiply(planes, n):
    for i in range(n):
        factor = over_alpha(planes[ALPHA + i])
        planes[RED + i] *= factor
        planes[GREEN + i] *= factor
        planes[BLUE + i] *= factor


@block
def _premultiply(planes, n):
    for i in range(n):
        factor = by_alpha(planes[ALPHA + i])
        planes[RED + i] *= factor
        planes[GREEN + i] *= factor
        planes[BLUE + i] *= factor


def core(job_address, x0, y0, x1, y1, scratch):
    """Runs a job over the pixels x0 <= x < x1, y0 <= y < y1.

    Arguments, all int64: the address of a job (:data:`JOB_FIELDS`), the window, the address of
    :data:`~huewright_kernels.planes.SCRATCH_FLOATS` float32 of scratch memory (64-byte aligned, one a thread).
    Reads and writes nothing outside the window's pixels, the job's tables and the scratch memory.
    Pixels whose alpha is 0 go through a premultiplied chain as they are.
    """
    job, planes = pointer_i64(job_address), pointer_f32(scratch)
    source, source_code, source_row, source_pixel, source_channels = job[0], job[1], job[2], job[3], job[4]
    target, target_code, target_row, target_pixel, target_channels = job[5], job[6], job[7], job[8], job[9]
    instructions, count, data = pointer_i64(job[10]), job[11], pointer_f32(job[12])
    premultiplied, dither, seed, full_scale, streaming = job[13], job[14], job[15], job[16], job[17]
    for y in range(y0, y1):
        for x in range(x0, x1, BLOCK):
            n = min(x1 - x, BLOCK)
            padded = (n + QUANTUM - 1) // QUANTUM * QUANTUM
            here = source + y * source_row + x * source_pixel
            read_block(source_code, here, source_pixel, source_channels, planes, n)
            if premultiplied != 0:
                _unpremultiply(planes, padded)
            for k in range(count):
                _dispatch(instructions[INSTRUCTION * k], planes, offset(data, instructions[INSTRUCTION * k + 1]),
                          instructions[INSTRUCTION * k + 2], padded)
            if premultiplied != 0:
                _premultiply(planes, padded)
            if dither != 0:
                add_noise(planes, padded, x, y, seed, full_scale)
            there = target + y * target_row + x * target_pixel
            write_block(target_code, there, target_pixel, target_channels, planes, n, streaming)
    settle()


run_core = entry("void(int64, int64, int64, int64, int64, int64)")(core)


@dataclass(frozen=True)
class Program:
    """A chain made ready: ``instructions`` (n, 3) int64 and ``data`` float32 as :data:`JOB_FIELDS` describes."""

    instructions: np.ndarray
    data: np.ndarray


def compile_chain(operations: Sequence[Operation]) -> Program:
    """Packs ``operations`` for :func:`run`; cheap, nothing is compiled for a chain."""
    rows, parts, position = [], [], 0
    for operation in operations:
        packed = operation.pack()
        if packed is None:
            continue
        floats = -(-packed.parameters.size // 16) * 16
        rows.append((CODE_OF[packed.form], position, packed.size))
        parts.append((position, packed.parameters))
        position += floats
    data = _aligned(max(position, 16))
    for start, parameters in parts:
        data[start:start + parameters.size] = parameters
    data.setflags(write=False)
    instructions = np.array(rows, np.int64).reshape(-1, INSTRUCTION)
    instructions.setflags(write=False)
    return Program(instructions, data)


def run(program: Program, source: np.ndarray | PixelBuffer, target: np.ndarray | PixelBuffer | None = None, *,
        region: tuple[int, int, int, int] | None = None, threads: int | None = None, premultiplied: bool = False,
        dither_seed: int | None = None) -> np.ndarray | PixelBuffer:
    """Runs ``program`` over ``source`` into ``target``, and returns the target.

    source, target   arrays (height, width, channels >= 3), float32, float16, uint8 or uint16, any row and pixel
                     stride, negative too, a pixel's channels side by side; or a :class:`PixelBuffer`. The same
                     array or buffer twice works in place. ``target=None`` makes a float32 array of the
                     source's shape (outside ``region`` and beyond the fourth channel it holds the source).
    region           (x0, y0, x1, y1): only these pixels are read and written
    threads          how many; None means ``HUEWRIGHT_THREADS`` or all processors. The result is the same.
    premultiplied    colours carry their alpha: they are divided by it before the chain and multiplied after
    dither_seed      integer targets get triangular noise of one code, from this seed and the place; None rounds

    Integers are scaled so that full scale is 1; integer targets are rounded and limited (NaN becomes 0). A
    source without alpha gives a target's alpha 1; channels beyond the fourth are left alone.
    Raises ``ValueError`` for pictures of unlike size, overlapping memory that is not the same picture,
    read-only targets and regions outside the picture.
    """
    start = layout_of(source)
    if target is None:
        target = _new_target(source, start, region)
    start, end = laid_out(source, target)
    x0, y0, x1, y1 = (0, 0, start.width, start.height) if region is None else region
    if not (0 <= x0 <= x1 <= start.width and 0 <= y0 <= y1 <= start.height):
        raise ValueError(f"region {region} is not inside the picture of {start.width}x{start.height} pixels")
    if x0 == x1 or y0 == y1:
        return target
    dither = dither_seed is not None and end.encoding in FULL_SCALES
    streaming = start.address != end.address and end.height * abs(end.row_bytes) > STREAMED_BYTES
    job = np.array([start.address, CODES[start.encoding], start.row_bytes, start.pixel_bytes, start.channels,
                    end.address, CODES[end.encoding], end.row_bytes, end.pixel_bytes, end.channels,
                    program.instructions.ctypes.data, len(program.instructions), program.data.ctypes.data,
                    premultiplied, dither, mixed_seed(dither_seed or 0), FULL_SCALES.get(end.encoding, 1),
                    streaming], np.int64)
    compiled, job_address = run_core.compiled(), job.ctypes.data
    rows = max(1, PIXELS_A_TILE // (x1 - x0))
    tiles = -(-(y1 - y0) // rows)

    def tile(k: int) -> None:
        top = y0 + k * rows
        compiled(job_address, x0, top, x1, min(top + rows, y1), _scratch().ctypes.data)

    for_each_tile(tile, tiles, threads)
    return target


def laid_out(source: np.ndarray | PixelBuffer, target: np.ndarray | PixelBuffer) -> tuple[Layout, Layout]:
    """How both lie; ``ValueError`` where :func:`run` can't go from the one to the other."""
    start, end = layout_of(source), layout_of(target)
    if (start.width, start.height) != (end.width, end.height):
        raise ValueError(f"source is {start.width}x{start.height} pixels but target {end.width}x{end.height}")
    holder = target.data if isinstance(target, PixelBuffer) else target
    if not holder.flags.writeable:
        raise ValueError("the target is read-only")
    _refuse_overlap(start, end)
    return start, end


def run_colours(program: Program, rgb: Any) -> np.ndarray:
    """Runs ``program`` over colours (n, 3); returns float32 (n, 3)."""
    colours = np.ascontiguousarray(rgb, np.float32)
    if colours.ndim != 2 or colours.shape[1] != 3:
        raise ValueError(f"colours are an array (n, 3), not {colours.shape}")
    if not len(colours):
        return colours.copy()
    result = np.empty_like(colours)
    run(program, colours[None], result[None], threads=1)
    return result


def _new_target(source: np.ndarray | PixelBuffer, layout: Layout, region: Any) -> np.ndarray:
    if isinstance(source, PixelBuffer):
        target = np.zeros((layout.height, layout.width, layout.channels), np.float32)
        if region is not None:
            run(_NOTHING, source, target)
        return target
    target = np.empty(source.shape, np.float32)
    if region is not None:
        run(_NOTHING, source, target)
    if source.shape[2] > 4:
        scale = FULL_SCALES.get(layout.encoding, 1)
        np.divide(source[..., 4:], np.float32(scale), out=target[..., 4:], casting="unsafe")
    return target


def _refuse_overlap(start: Layout, end: Layout) -> None:
    (a0, a1), (b0, b1) = start.extent, end.extent
    if a0 < b1 and b0 < a1 and (start.address, start.row_bytes, start.pixel_bytes, start.encoding) != (
            end.address, end.row_bytes, end.pixel_bytes, end.encoding):
        raise ValueError("source and target share memory but are not the same picture")


def mixed_seed(seed: int) -> int:
    """The seed spread over 32 bits, so that neighbouring frame numbers give unlike noise."""
    value = (seed * 0x9E3779B97F4A7C15 + 0x632BE59BD9B4E019) & 0xFFFFFFFFFFFFFFFF
    return (value ^ value >> 29) * 0xBF58476D1CE4E5B9 >> 24 & 0xFFFFFFFF


def _aligned(floats: int) -> np.ndarray:
    """A float32 array that starts at a multiple of 64 bytes."""
    raw = np.zeros(floats + 16, np.float32)
    skip = (-raw.ctypes.data % 64) // 4
    return raw[skip:skip + floats]


_local = threading.local()
_NOTHING = compile_chain(())


def _scratch() -> np.ndarray:
    """This thread's scratch memory."""
    if not hasattr(_local, "scratch"):
        _local.scratch = _aligned(SCRATCH_FLOATS)
    return _local.scratch


__all__ = ["BLOCK_FORMS", "CODE_OF", "FORMS", "JOB_FIELDS", "Program", "compile_chain", "core", "run", "run_colours",
           "warm_up"]
