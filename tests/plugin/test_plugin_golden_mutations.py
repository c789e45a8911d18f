"""The golden vectors must find a port out: each change of a formula that a port could get wrong fails at least one.

The port here is written from PORTING.md alone, in float64, with everything that is changed as a name. Those to C++ and
WGSL are in ports/.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from huewright.plugin.golden import REFUSED_FILE, Golden, from_text
from huewright.reference import apply
from huewright_kernels.ops import operation_from_dict

FOLDER = Path(__file__).parents[2] / "kernels" / "golden"
RIGHT: dict[str, Any] = {
    "709 break": 0.018, "709 slope": 4.5, "709 scale": 1.099, "709 code break": 0.081, "709 code slope": 4.5,
    "srgb break": 0.0031308, "srgb code break": 0.04045, "srgb slope": 12.92, "hlg break": 1 / 12,
    "hlg code break": 0.5, "hlg mirrored": True, "1886 mirrored": True, "709 mirrored": False, "pq below 0": 0.0,
    "flat end": True, "end slope": "three points", "outside": "straight", "interior": "harmonic",
    "log break": "the curve's own",
    "lattice": "tetrahedral", "blue fastest": True, "clamped": True, "turn": 1.0, "slope at the break": True,
    "gain": "of its logarithm", "place": "in double", "smallest argument": 2.0**-126,
    "cdl order": "power first", "cdl clamps": True, "cdl luma": (0.2126, 0.7152, 0.0722), "cdl negatives": "stay",
    "exponent negatives": "by style", "exponent line": True, "range limits": True, "range scales": True,
    "cdl undone in turn": True, "not-a-number": "stays"}
CHANGES: tuple[tuple[str, Any], ...] = (
    *((name, RIGHT[name] * factor) for name in list(RIGHT)[:10] for factor in (0.95, 1.05)
      if (name, factor) != ("srgb code break", 0.95)),
    ("srgb code break", 0.8 * 0.04045),  # nearer, sRGB's two parts differ by less than the tolerance
    ("hlg mirrored", False), ("1886 mirrored", False), ("709 mirrored", True), ("pq below 0", 0.01),
    ("flat end", False), ("end slope", "secant"), ("outside", "held"), ("interior", "mean"),
    ("log break", 0.95), ("log break", 1.05),
    ("lattice", "trilinear"), ("blue fastest", False), ("clamped", False), ("turn", -1.0),
    ("slope at the break", False),
    ("gain", "itself"), ("place", "in single"), ("smallest argument", 1e-6),
    ("cdl order", "saturation first"), ("cdl clamps", False), ("cdl luma", (0.299, 0.587, 0.114)),
    ("exponent negatives", "are 0"), ("exponent line", False), ("range limits", False), ("range scales", False),
    ("cdl negatives", "are 0"), ("cdl undone in turn", False), ("not-a-number", "counts as 0"))


def mirrored(x: np.ndarray, on: bool, curve: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    return np.where((x < 0) & on, -curve(np.abs(x)), curve(x)) if on else curve(x)


def transfer(o: dict[str, Any], x: np.ndarray, k: dict[str, Any]) -> np.ndarray:
    encode, curve = o["direction"] == "encode", o["curve"]
    with np.errstate(all="ignore"):
        if curve == "bt709" and encode:
            return mirrored(x, k["709 mirrored"], lambda v: np.where(
                v >= k["709 break"], k["709 scale"] * v**0.45 - (k["709 scale"] - 1), k["709 slope"] * v))
        if curve == "bt709":
            return np.where(x >= k["709 code break"], ((x + 0.099) / 1.099)**(1 / 0.45), x / k["709 code slope"])
        if curve == "srgb" and encode:
            return np.where(x >= k["srgb break"], 1.055 * x**(1 / 2.4) - 0.055, k["srgb slope"] * x)
        if curve == "srgb":
            return np.where(x >= k["srgb code break"], ((x + 0.055) / 1.055)**2.4, x / k["srgb slope"])
        if curve == "bt1886":
            power = 1 / 2.4 if encode else 2.4
            return mirrored(x, True, lambda v: v**power) if k["1886 mirrored"] else np.maximum(x, 0)**power
        if curve == "pq":
            return pq(np.where(x < 0, k["pq below 0"], x), encode)
        if curve == "hlg":
            a = 0.17883277
            b, c = 1 - 4 * a, 0.5 - a * math.log(4 * a)
            if encode:
                def hlg(v: np.ndarray) -> np.ndarray:
                    return np.where(v <= k["hlg break"], np.sqrt(3 * np.maximum(v, 0)),
                                    a * np.log(np.maximum(12 * v - b, 1e-30)) + c)
            else:
                def hlg(v: np.ndarray) -> np.ndarray:
                    return np.where(v <= k["hlg code break"], v * np.abs(v) / 3, (np.exp((v - c) / a) + b) / 12)
            return mirrored(x, True, hlg) if k["hlg mirrored"] else hlg(np.maximum(x, 0))
    return x


def pq(x: np.ndarray, encode: bool) -> np.ndarray:
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    if encode:
        y = x**m1
        return ((c1 + c2 * y) / (1 + c3 * y))**m2
    p = x**(1 / m2)
    return np.where(p >= c2 / c3, np.inf, (np.maximum(p - c1, 0) / np.maximum(c2 - c3 * p, 1e-300))**(1 / m1))


def log_curve(o: dict[str, Any], x: np.ndarray, k: dict[str, Any]) -> np.ndarray:
    base, a, b = o.get("base", 2.0), o.get("log_side_slope", 1.0), o.get("log_side_offset", 0.0)
    c, d, x0 = o.get("lin_side_slope", 1.0), o.get("lin_side_offset", 0.0), o.get("lin_side_break")

    def curved(v: Any) -> Any:
        return a * np.log(np.maximum(c * v + d, k["smallest argument"])) / math.log(base) + b

    def opened(v: Any) -> Any:
        return (base**((v - b) / a) - d) / c

    encode = o["operation"] == "log-encode"
    if x0 is None:
        return curved(x) if encode else opened(x)
    s = o.get("linear_slope") or a * c / ((c * x0 + d) * math.log(base))
    if not k["slope at the break"]:
        s = 1.0
    offset = curved(x0) - s * x0
    at = x0 if k["log break"] == RIGHT["log break"] else x0 * k["log break"]
    if encode:
        return np.where(x > at, curved(x), s * x + offset)
    falls = -1.0 if s < 0 else 1.0
    return np.where(falls * x > falls * curved(at), opened(x), (x - offset) / s)


def tone(o: dict[str, Any], colours: np.ndarray, k: dict[str, Any]) -> np.ndarray:
    x, y = np.array(o["x"]), np.array(o["y"])
    h, d = np.diff(x), np.diff(y) / np.diff(x)
    m = np.zeros(len(x))
    if len(x) == 2 or k["end slope"] == "secant":
        m[0], m[-1] = d[0], d[-1]
    else:
        for end, h0, h1, d0, d1 in ((0, h[0], h[1], d[0], d[1]), (-1, h[-1], h[-2], d[-1], d[-2])):
            slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
            m[end] = 0.0 if slope * d0 <= 0 and k["flat end"] else slope
    for j in range(1, len(x) - 1):
        w0, w1 = 2 * h[j] + h[j - 1], h[j] + 2 * h[j - 1]
        m[j] = (w0 + w1) / (w0 / d[j - 1] + w1 / d[j]) if k["interior"] == "harmonic" else (d[j - 1] + d[j]) / 2
    inside = np.clip(colours, x[0], x[-1])
    j = np.clip(np.searchsorted(x, inside, side="right") - 1, 0, len(x) - 2)
    t = (inside - x[j]) / h[j]
    result = (y[j] * (1 + 2 * t) * (1 - t)**2 + y[j + 1] * t**2 * (3 - 2 * t)
              + h[j] * t * (1 - t) * (m[j] * (1 - t) - m[j + 1] * t))
    if k["outside"] == "straight":
        result = result + m[0] * np.minimum(colours - x[0], 0) + m[-1] * np.maximum(colours - x[-1], 0)
    return result


def placed(colours: np.ndarray, low: np.ndarray, high: np.ndarray, n: int, k: dict[str, Any]) -> np.ndarray:
    if k["place"] == "in double":
        return (colours - low) / (high - low) * (n - 1)
    scale = np.float32((n - 1) / (high - low))
    return (colours.astype(np.float32) * scale - np.float32(low * (n - 1) / (high - low))).astype(np.float64)


def lattice(o: dict[str, Any], colours: np.ndarray, k: dict[str, Any]) -> np.ndarray:
    table = o["table"]
    n = len(table)
    if not k["blue fastest"]:
        table = table.transpose(2, 1, 0, 3)
    low, high = np.array(o.get("domain_min", (0.0,) * 3)), np.array(o.get("domain_max", (1.0,) * 3))
    place = placed(colours, low, high, n, k)
    if k["clamped"]:
        place = np.clip(place, 0, n - 1)
    cell = np.nan_to_num(np.clip(np.floor(place), 0, n - 2)).astype(int)
    fraction = place - cell
    results = []
    for (i, f) in zip(cell, fraction, strict=True):
        if o.get("interpolation") == "trilinear" or k["lattice"] == "trilinear":
            value = sum((f[0] if a else 1 - f[0]) * (f[1] if b else 1 - f[1]) * (f[2] if c else 1 - f[2])
                        * table[i[0] + a, i[1] + b, i[2] + c] for a in (0, 1) for b in (0, 1) for c in (0, 1))
        else:
            at = i.copy()
            order = np.argsort(-f, kind="stable")
            value = table[tuple(at)] * (1 - f[order[0]])
            for step, axis in enumerate(order):
                at[axis] += 1
                value = value + table[tuple(at)] * (f[axis] - (f[order[step + 1]] if step < 2 else 0.0))
        results.append(value)
    return np.array(results)


def hues(o: dict[str, Any], colours: np.ndarray, k: dict[str, Any]) -> np.ndarray:
    kr, kb = o.get("kr", 0.2126), o.get("kb", 0.0722)
    x, turn, gain = np.array(o["hues_deg"]), k["turn"] * np.array(o["rotations_deg"]), np.array(o["gains"])
    luma = colours @ np.array([kr, 1 - kr - kb, kb])
    cb, cr = (colours[:, 2] - luma) / (2 * (1 - kb)), (colours[:, 0] - luma) / (2 * (1 - kr))
    hue = np.degrees(np.arctan2(cr, cb)) % 360
    delta = np.radians(periodic(x, x + turn, 360.0, hue) - np.where(hue < x[0], hue + 360, hue))
    factor = np.exp(periodic(x, np.log(gain), 0.0, hue)) if k["gain"] == "of its logarithm" else \
        periodic(x, gain, 0.0, hue)
    new_cb = factor * (np.cos(delta) * cb - np.sin(delta) * cr)
    new_cr = factor * (np.sin(delta) * cb + np.cos(delta) * cr)
    red, blue = luma + 2 * (1 - kr) * new_cr, luma + 2 * (1 - kb) * new_cb
    return np.stack([red, (luma - kr * red - kb * blue) / (1 - kr - kb), blue], -1)


def periodic(x: np.ndarray, y: np.ndarray, rise: float, at: np.ndarray) -> np.ndarray:
    xs, ys = np.append(x, x[0] + 360), np.append(y, y[0] + rise)
    h, d = np.diff(xs), np.diff(ys) / np.diff(xs)
    before, secant = np.roll(h, 1), np.roll(d, 1)
    w0, w1 = 2 * h + before, h + 2 * before
    with np.errstate(all="ignore"):
        m = np.where(secant * d <= 0, 0.0, (w0 + w1) / (w0 / secant + w1 / d))
    m = np.append(m, m[0])
    at = np.where(at < x[0], at + 360, at)
    j = np.clip(np.searchsorted(xs, at, side="right") - 1, 0, len(x) - 1)
    t = (at - xs[j]) / h[j]
    return (ys[j] * (1 + 2 * t) * (1 - t)**2 + ys[j + 1] * t**2 * (3 - 2 * t)
            + h[j] * t * (1 - t) * (m[j] * (1 - t) - m[j + 1] * t))


def cdl(o: dict[str, Any], x: np.ndarray, k: dict[str, Any]) -> np.ndarray:
    slope, offset, power = (np.array(o.get(name, default)) for name, default in
                            (("slope", (1.0,) * 3), ("offset", (0.0,) * 3), ("power", (1.0,) * 3)))
    saturation, style = o.get("saturation", 1.0), o.get("style", "Fwd")
    clamps = not style.endswith("NoClamp") and k["cdl clamps"]

    def held(v: np.ndarray) -> np.ndarray:
        return np.clip(v, 0, 1) if clamps else v

    def raised(v: np.ndarray, exponent: np.ndarray) -> np.ndarray:
        return np.where(v > 0, np.abs(v)**exponent, v if k["cdl negatives"] == "stay" else 0.0 * v)

    def saturated(v: np.ndarray, factor: float) -> np.ndarray:
        luma = (v @ np.array(k["cdl luma"]))[:, None]
        return luma + factor * (v - luma)

    if style.startswith("Fwd"):
        if k["cdl order"] == "saturation first":
            return raised(held(saturated(x, saturation) * slope + offset), power)
        return held(saturated(raised(held(x * slope + offset), power), saturation))
    undone = held(saturated(held(x), 1 / saturation))
    if not k["cdl undone in turn"]:
        return held(saturated((raised(held(x), 1 / power) - offset) / slope, 1 / saturation))
    return held((raised(undone, 1 / power) - offset) / slope)


def exponent(o: dict[str, Any], x: np.ndarray, k: dict[str, Any]) -> np.ndarray:
    g, offset, style = np.array(o["exponent"]), np.array(o["offset"]), o["style"]
    back, mon, mirror = style.endswith("Rev"), style.startswith("mon"), "Mirror" in style
    u = np.abs(x) if mirror and k["exponent negatives"] == "by style" else x
    if not mon and "PassThru" not in style or k["exponent negatives"] == "are 0":
        u = np.where(u < 0, 0.0, u)
    power = 1 / g if back else g
    if not mon or not k["exponent line"]:
        y = np.where(u > 0, np.abs(u)**power, u)
    else:
        image = (g * offset / ((g - 1) * (1 + offset)))**g
        slope = (g - 1) / offset * image
        y = np.where(u > image, (1 + offset) * np.abs(u)**power - offset, u / slope) if back else \
            np.where(u > offset / (g - 1), np.abs((u + offset) / (1 + offset))**power, u * slope)
    return np.copysign(y, x) if mirror else y


def limits(o: dict[str, Any], x: np.ndarray, k: dict[str, Any]) -> np.ndarray:
    low, high = o.get("min_out"), o.get("max_out")
    if low is not None and high is not None and k["range scales"]:
        x = low + (x - o["min_in"]) * (high - low) / (o["max_in"] - o["min_in"])
    return np.clip(x, -np.inf if low is None else low, np.inf if high is None else high) if k["range limits"] else x


def port(o: dict[str, Any], colours: np.ndarray, k: dict[str, Any]) -> np.ndarray:
    name = o["operation"]
    if k["not-a-number"] != "stays":
        colours = np.where(np.isnan(colours), 0.0, colours)
    if name == "matrix":
        return colours @ np.array(o["matrix"]).T + np.array(o["offset"])
    if name == "lut-1d":
        table = o["table"]
        place = placed(colours, np.array(o["domain_min"]), np.array(o["domain_max"]), len(table), k)
        place = np.clip(place, 0, len(table) - 1) if k["clamped"] else place
        cell = np.clip(np.nan_to_num(np.floor(place)), 0, len(table) - 2).astype(int)
        near, far = (np.take_along_axis(table, cell + step, 0).astype(np.float64) for step in (0, 1))
        return near + (place - cell) * (far - near)
    forms: dict[str, Callable[..., np.ndarray]] = {
        "transfer": transfer, "tone-curve": tone, "lut-3d": lattice, "hue-sectors": hues,
        "log-decode": log_curve, "log-encode": log_curve, "asc-cdl": cdl,
        "exponent": exponent, "range-limits": limits}
    if name not in forms:       # no mistake of an operation is made here that has no form here
        return apply(operation_from_dict(o), colours)
    return forms[name](o, colours, k)


@cache
def vectors() -> dict[str, Golden]:
    found = {path.stem: from_text(path.stem, path.read_text(encoding="ascii")) for path in sorted(FOLDER.glob("*.txt"))
             if path.name != REFUSED_FILE}
    return {name: golden for name, golden in found.items() if golden.operations}


def failing(k: dict[str, Any], most: int | None = None) -> list[str]:
    """The files that a port with ``k`` fails; no more than ``most`` of them are looked for."""
    failed: list[str] = []
    for name, golden in vectors().items():
        (operation,) = golden.operations
        record = {"operation": operation.name, **{key: value for key, value in vars(operation).items()
                                                  if value is not None}}
        with np.errstate(all="ignore"):
            got = port(record, golden.colours, k)
        if not golden.error(got) <= golden.tolerance:
            failed.append(name)
            if len(failed) == most:
                break
    return failed


def test_the_port_passes() -> None:
    assert len(vectors()) >= 33 and failing(RIGHT) == []


@pytest.mark.parametrize(("name", "value"), CHANGES)
def test_a_changed_port_fails(name: str, value: Any) -> None:
    assert failing({**RIGHT, name: value}, most=1)
