"""What the project computes against what others published or compute: standards, colour-science, OpenColorIO, scipy."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import REGISTRY, LogDecode, LogEncode, Operation, ToneCurve, Transfer
from huewright_kernels.ops.log import ACESCCT

from huewright.accuracy import published
from huewright.accuracy.check import RELATIVE, SMOOTH, Check, check, relative_errors
from huewright.accuracy.colours import colours_between

OPENCOLORIO_TOLERANCE = 2e-6
"""OpenColorIO computes in float32 too, in its own order."""


def _on_axis(operation: Operation, values: np.ndarray) -> np.ndarray:
    """The kernel's result for greys of ``values`` (n,)."""
    colours = np.repeat(np.asarray(values, np.float32)[:, None], 3, axis=1)
    return run_colours(compile_chain((operation,)), colours)[:, 0].astype(np.float64)


def published_checks() -> Iterator[Check]:
    for curve, direction, given, wanted, tolerance, source in published.TRANSFER_POINTS:
        error = np.abs(_on_axis(Transfer(curve, direction), np.array([given])) - wanted)
        yield check(f"{curve} {direction} of {given:.4g} is {wanted:.4g}", source, tolerance, error, [given])
    light, code, tolerance, source = published.ACESCCT_GREY
    # A float32 near 0.41 is exact to 3e-8.
    yield check("ACEScct of 0.18", source, tolerance + 3e-8,
                np.abs(_on_axis(LogEncode(**ACESCCT), np.array([light])) - code), [light])
    yield bars_check()
    yield ciede2000_check()


def bars_check() -> Check:
    from huewright.colorimetry.display import display_luma, to_ycbcr

    errors = []
    for rgb, codes in published.BARS_75.values():
        luma, cb, cr = to_ycbcr(rgb, display_luma("bt709"))
        # ITU-R BT.709-6 item 4: 219 and 224 steps of 8 bits over black at 16 and zero at 128; times 4 for 10 bits.
        ours = np.rint([64 + 876 * luma, 512 + 896 * cb, 512 + 896 * cr])
        errors.append(np.abs(ours - codes).max())
    return check("75 % bars, Y' Cb Cr codes", published.BARS_SOURCE, 0.0, errors, list(published.BARS_75), "code")


def ciede2000_check() -> Check:
    from colour.difference import delta_E_CIE2000

    pairs = np.array(published.CIEDE2000_PAIRS)
    errors = np.abs(delta_E_CIE2000(pairs[:, :3], pairs[:, 3:6]) - pairs[:, 6])
    return check("CIEDE2000 by colour-science, 34 pairs", published.CIEDE2000_SOURCE, 5e-5 + 1e-9, errors,
                 [f"pair {k + 1}" for k in range(len(pairs))])


def colour_science_checks() -> Iterator[Check]:
    from colour import RGB_to_YCbCr, models

    light, signal = np.linspace(0, 1, 20001), np.linspace(0, 1, 20001)
    nits = 10000.0
    functions: tuple[tuple[str, str, np.ndarray, Any], ...] = (
        ("bt709", "encode", light, models.oetf_BT709), ("bt1886", "decode", signal, models.eotf_BT1886),
        ("srgb", "encode", light, models.eotf_inverse_sRGB), ("srgb", "decode", signal, models.eotf_sRGB),
        ("pq", "encode", light, lambda x: models.eotf_inverse_ST2084(x * nits)),
        ("pq", "decode", signal, lambda x: models.eotf_ST2084(x) / nits),
        ("hlg", "encode", light, models.oetf_BT2100_HLG), ("hlg", "decode", signal, models.oetf_inverse_BT2100_HLG))
    for curve, direction, values, function in functions:
        values = values.astype(np.float32).astype(np.float64)
        with np.errstate(all="ignore"):     # the branch not taken of a published curve may be undefined
            theirs = np.asarray(function(values))
        errors = np.abs(_on_axis(Transfer(curve, direction), values) - theirs)
        yield check(f"transfer {curve}, {direction}, all of 0..1", "colour-science", SMOOTH, errors, values)
    yield from log_curve_checks()
    rgb = colours_between(0.0, 1.0, 4000).astype(np.float64)
    for title, kr, kb in (("BT.709", 0.2126, 0.0722), ("BT.2020", 0.2627, 0.0593)):
        from huewright.colorimetry.display import to_ycbcr

        theirs = RGB_to_YCbCr(rgb, K=np.array([kr, kb]), in_bits=10, in_legal=False, in_int=False, out_bits=10,
                              out_legal=False, out_int=False)
        yield check(f"Y'CbCr of {title}", "colour-science", 1e-9, np.abs(to_ycbcr(rgb, (kr, kb)) - theirs).max(axis=1),
                    rgb)


def log_curve_checks() -> Iterator[Check]:
    """Every curve of the registry as it would be decoded, through the kernels, against its own function."""
    from huewright.colorimetry.curves import curve_names, published_curve, resolve_curve

    # Files hold the codes themselves, so the published curve is asked at the exact code: a float32 next to it may
    # lie on the other side of a jump.
    codes = np.arange(1024) / 1023
    between = np.linspace(0, 1, 20001).astype(np.float32).astype(np.float64)
    rows: dict[str, list[tuple[float, float]]] = {"family": [], "codes": [], "between": []}
    for name in curve_names():
        operations, stated = resolve_curve(name)
        curve = published_curve(name)
        for kind, values in (("family", between),) if isinstance(operations[0], LogDecode) else (
                ("codes", codes), ("between", between)):
            theirs = curve(values)
            errors = np.abs(_on_axis(operations[0], values) - theirs) / np.maximum(1.0, np.abs(theirs))
            if kind == "between":
                errors = np.maximum(errors - stated, 0.0)
            worst = int(np.argmax(errors))
            rows[kind].append((float(errors[worst]), float(values[worst])))
    # The fit may use up FAMILY_TOLERANCE, the kernel SMOOTH.
    for kind, title, tolerance in (("family", "log curves by parameters", SMOOTH + 1e-6),
                                   ("codes", "log curves by table, on 10-bit codes", SMOOTH),
                                   ("between", "log curves by table, past their stated error", SMOOTH)):
        if rows[kind]:
            yield check(f"{title} ({len(rows[kind])} curves)", "colour-science", tolerance,
                        [error for error, _ in rows[kind]], [f"code {code:.5f}" for _, code in rows[kind]], RELATIVE)


def opencolorio_checks() -> Iterator[Check]:
    """Every operation with a CLF node of its own, with the examples that are timed or golden, against OpenColorIO."""
    from huewright.colorimetry.clf import clf_transforms

    for kind in REGISTRY.values():
        for example in kind.parts.examples():
            form = example.operation.clf()
            if form is None or form[0] == "curve" or not (example.timed or example.golden):
                continue
            yield _against(f"{kind.name}, {example.title}" if example.title else kind.name,
                           clf_transforms([example.operation], 33), (example.operation,),
                           colours_between(example.low, example.high))


def _against(title: str, transforms: Sequence[Any], operations: tuple[Operation, ...], colours: np.ndarray) -> Check:
    import PyOpenColorIO as ocio  # noqa: N813

    processor = ocio.Config.CreateRaw().getProcessor(ocio.GroupTransform(list(transforms)))
    theirs = np.array(colours, np.float32, order="C")
    processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE).applyRGB(theirs)
    errors = relative_errors(run_colours(compile_chain(operations), colours), theirs.astype(np.float64))
    return check(title, "OpenColorIO CPU processor", OPENCOLORIO_TOLERANCE, errors, colours, RELATIVE)


def tone_checks() -> Iterator[Check]:
    from scipy.interpolate import PchipInterpolator

    for example in ToneCurve.parts.examples():
        title, tone = example.title, example.operation
        assert isinstance(tone, ToneCurve)
        values = np.linspace(tone.x[0], tone.x[-1], 20001).astype(np.float32).astype(np.float64)
        theirs = PchipInterpolator(tone.x, tone.y)(np.clip(values, tone.x[0], tone.x[-1]))
        yield check(f"tone curve between anchors, {title}", "scipy PchipInterpolator", SMOOTH,
                    np.abs(_on_axis(tone, values) - theirs), values)
        knots = np.array(tone.x, np.float32)
        yield check(f"tone curve at anchors, {title}", "its own definition: passes through them", SMOOTH,
                    np.abs(_on_axis(tone, knots) - np.array(tone.y) - _anchor_shift(tone, knots)), knots)


def _anchor_shift(tone: ToneCurve, knots: np.ndarray) -> np.ndarray:
    """What rounding the anchors to float32 alone moves, to first order."""
    from scipy.interpolate import PchipInterpolator

    result: np.ndarray = PchipInterpolator(tone.x, tone.y).derivative()(tone.x) * (knots.astype(np.float64) - tone.x)
    return result
