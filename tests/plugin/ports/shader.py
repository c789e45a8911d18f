"""Runs ``port.wgsl``: packs an operation's numbers in float64, as PORTING.md has it, and gives the shader float32."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

SOURCE = Path(__file__).parent / "port.wgsl"
KINDS = ("matrix", "log-encode", "log-decode", "transfer", "tone-curve", "hue-sectors", "lut-1d", "lut-3d", "asc-cdl",
         "exponent", "range-limits")
CURVES = ("bt709", "bt1886", "srgb", "linear", "pq", "hlg")
STYLES = ("Fwd", "FwdNoClamp", "Rev", "RevNoClamp")
BINS = 65536


def _log(o: Any) -> list[float]:
    a, c, d, per_octave = o.log_side_slope, o.lin_side_slope, o.lin_side_offset, 1 / math.log2(o.base)
    pole = float(np.float32(d / c))
    numbers = [a * per_octave, o.log_side_offset, c, pole, d / c - pole]
    if o.lin_side_break is None:
        return [*numbers, 0, 0, 0, 0, 0]
    x = o.lin_side_break
    y = a * per_octave * math.log2(c * x + d) + o.log_side_offset
    s = a * c / ((c * x + d) * math.log(o.base)) if o.linear_slope is None else o.linear_slope
    return [*numbers, 1, x if o.name == "log-encode" else y, s, y - s * x, math.copysign(1, s)]


def _exponent(o: Any) -> list[float]:
    back, mon = o.style.endswith("Rev"), o.style.startswith("mon")
    numbers: list[float] = []
    for g, offset in zip(o.exponent, o.offset, strict=True):
        image = (g * offset / ((g - 1) * (1 + offset)))**g if mon else 0.0
        slope = (g - 1) / offset * image if mon else 1.0
        numbers += [1 / g if back else g, offset, (image if back else offset / (g - 1)) if mon else 0.0,
                    1 / slope if back else slope]
    negatives = 2 if "Mirror" in o.style else 1 if mon or "PassThru" in o.style else 0
    return [*numbers, negatives, mon + mon * back]


def _range(o: Any) -> list[float]:
    low, high = o.min_in is not None, o.max_in is not None
    scale = (o.max_out - o.min_out) / (o.max_in - o.min_in) if low and high else 1.0
    return [scale, o.min_out - o.min_in * scale if low and high else 0.0, low, o.min_out or 0.0, high, o.max_out or 0.0]


def _inner(h0: float, h1: float, d0: float, d1: float) -> float:
    w0, w1 = 2 * h1 + h0, h1 + 2 * h0
    return 0.0 if d0 * d1 <= 0 else (w0 + w1) / (w0 / d0 + w1 / d1)


def _end(h0: float, h1: float, d0: float, d1: float) -> float:
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    return slope if slope * d0 > 0 else 0.0


def _tone(o: Any) -> list[float]:
    x, y = np.array(o.x), np.array(o.y)
    h, d = np.diff(x), np.diff(y) / np.diff(x)
    m = [d[0], d[-1]] if len(x) == 2 else [
        _end(h[0], h[1], d[0], d[1]), *(_inner(h[k - 1], h[k], d[k - 1], d[k]) for k in range(1, len(h))),
        _end(h[-1], h[-2], d[-1], d[-2])]
    numbers = [len(h), m[0], m[-1]]
    for k in range(len(h)):
        numbers += [x[k], y[k], m[k], (3 * d[k] - 2 * m[k] - m[k + 1]) / h[k], (m[k] + m[k + 1] - 2 * d[k]) / h[k]**2]
    return [*numbers, x[-1]]


def _periodic(x: np.ndarray, y: np.ndarray, rise: float, at: np.ndarray) -> np.ndarray:
    xs, ys = np.append(x, x[0] + 360), np.append(y, y[0] + rise)
    h, d = np.diff(xs), np.diff(ys) / np.diff(xs)
    m = [_inner(h[k - 1], h[k], d[k - 1], d[k]) for k in range(len(h))]
    m = np.array([*m, m[0]])
    j = np.clip(np.searchsorted(xs, at, side="right") - 1, 0, len(h) - 1)
    t = (at - xs[j]) / h[j]
    return (ys[j] * (1 + 2 * t) * (1 - t)**2 + ys[j + 1] * t**2 * (3 - 2 * t)
            + h[j] * t * (1 - t) * (m[j] * (1 - t) - m[j + 1] * t))


def _hues(o: Any) -> tuple[list[float], np.ndarray]:
    u = np.linspace(0, 4, BINS + 1)
    cr = np.where(u <= 2, u - 1, 3 - u)
    cb = np.where(u <= 2, 1 - np.abs(cr), -(1 - np.abs(cr)))
    x = np.array(o.hues_deg)
    theta = (np.degrees(np.arctan2(cr, cb)) - x[0]) % 360 + x[0]
    delta = np.radians(_periodic(x, x + np.array(o.rotations_deg), 360, theta) - theta)
    gain = np.exp(_periodic(x, np.log(o.gains), 0, theta))
    return [o.kr, 1 - o.kr - o.kb, o.kb, BINS], np.stack([gain * np.cos(delta) - 1, gain * np.sin(delta)], -1)


def _places(o: Any) -> list[float]:
    numbers: list[float] = []
    n = len(o.table)
    for low, high in zip(o.domain_min, o.domain_max, strict=True):
        scale = (n - 1) / (high - low)
        shift = -low * scale
        upper = float((np.float32(scale).view(np.uint32) & np.uint32(0xFFFFF000)).view(np.float32))
        ends = [np.float32(low), np.float32(high)]  # rounded outwards
        if ends[0] > low:
            ends[0] = np.nextafter(ends[0], np.float32(-np.inf))
        if ends[1] < high:
            ends[1] = np.nextafter(ends[1], np.float32(np.inf))
        numbers += [scale, shift, upper, scale - upper, round(shift), shift - round(shift), *map(float, ends)]
    return [*numbers, n]


def packed(o: Any) -> tuple[list[float], np.ndarray]:
    """(numbers, table) of an operation."""
    nothing = np.zeros(1)
    if o.name == "matrix":
        return [*np.ravel(o.matrix), *o.offset], nothing
    if o.name == "transfer":
        return [2 * CURVES.index(o.curve) + (o.direction == "decode")], nothing
    if o.name == "tone-curve":
        return _tone(o), nothing
    if o.name == "hue-sectors":
        return _hues(o)
    if o.name == "asc-cdl":
        return [*o.slope, *o.offset, *o.power, o.saturation, STYLES.index(o.style)], nothing
    if o.name == "exponent":
        return _exponent(o), nothing
    if o.name == "range-limits":
        return _range(o), nothing
    if o.name.startswith("log"):
        return _log(o), nothing
    return [*_places(o), float(getattr(o, "interpolation", "") == "trilinear")], o.table


class Shader:
    """The port on a device; ``run`` one operation over (n, 3) colours."""

    def __init__(self, adapter: Any) -> None:
        self.device = adapter.request_device_sync()
        self.module = self.device.create_shader_module(code=SOURCE.read_text())

    def run(self, operation: Any, colours: np.ndarray) -> np.ndarray:
        import wgpu

        numbers, table = packed(operation)
        arrays = [np.ascontiguousarray(a, np.float32) for a in (numbers, table, colours, np.zeros_like(colours))]
        usage = wgpu.BufferUsage.STORAGE | wgpu.BufferUsage.COPY_SRC
        buffers = [self.device.create_buffer_with_data(data=a.tobytes(), usage=usage) for a in arrays]
        pipeline = self.device.create_compute_pipeline(layout="auto", compute={
            "module": self.module, "entry_point": "main", "constants": {"kind": KINDS.index(operation.name)}})
        group = self.device.create_bind_group(layout=pipeline.get_bind_group_layout(0), entries=[
            {"binding": k, "resource": {"buffer": b, "offset": 0, "size": b.size}} for k, b in enumerate(buffers)])
        encoder = self.device.create_command_encoder()
        work = encoder.begin_compute_pass()
        work.set_pipeline(pipeline)
        work.set_bind_group(0, group)
        work.dispatch_workgroups(-(-len(colours) // 64))
        work.end()
        self.device.queue.submit([encoder.finish()])
        return np.frombuffer(self.device.queue.read_buffer(buffers[3]), np.float32).reshape(colours.shape)
