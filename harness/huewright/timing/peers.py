"""Who else does the same work: OpenColorIO's CPU processor, NumPy, colour-science. Each as a function of a picture.

Where a peer reaches a like result by another formula, the note says so: its time then tells what such a step costs
there, not how well the same sum is carried out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from huewright_kernels.ops import HueSectors, Matrix, Operation, ToneCurve

from huewright.colorimetry.clf import clf_transforms
from huewright.timing import work

Some = TypeVar("Some", bound=Operation)

Run = Callable[[np.ndarray, np.ndarray, int], None]
"""``run(source, target, threads)`` over float32 RGBA pictures."""

SAME = ""
BREAK = "same shape; its break and slope follow from gamma and offset, BT.709 prints them rounded"
SPLINE = "by another formula: a quadratic B-spline through the same points"
HUE_CURVE = "by another formula: its own hue, saturation and luma, quadratic B-splines over hue"
CHAIN = "tone and hue by other formulae (see those rows), the rest the same"
FLOAT64 = "in float64"


@dataclass(frozen=True)
class Peer:
    """``note`` is empty where the peer evaluates the same formula."""

    name: str
    run: Run
    note: str = SAME


def opencolorio(operation: str) -> Peer | None:
    """OpenColorIO's CPU processor with its default optimisation, float32 RGBA; rows shared among threads by us."""
    import PyOpenColorIO as ocio  # noqa: N813

    builders: dict[str, tuple[Callable[[Any], Any], str]] = {
                "display encode": (_encode, BREAK),
                "tone curve": (_tone, SPLINE), "hue sectors": (_hue, HUE_CURVE)}
    if operation == "chain":
        transforms = [transform for name in work.CHAIN for transform in (
            [builders[name][0](ocio)] if name in builders else clf_transforms([work.TIMED[name]], 33))]
        note = CHAIN
    elif operation in builders:
        build, note = builders[operation]
        transforms = [build(ocio)]
    elif work.TIMED[operation].parts.peer == "clf" and work.TIMED[operation].clf() is not None:
        # Whatever has a node of its own there is done by the same formula.
        transforms, note = clf_transforms([work.TIMED[operation]], 33), SAME
    else:
        return None
    group = ocio.GroupTransform(transforms)
    processor = ocio.Config.CreateRaw().getProcessor(group).getDefaultCPUProcessor()

    def run(source: np.ndarray, target: np.ndarray, threads: int) -> None:
        def band(k: int) -> None:
            rows = slice(*_band(len(source), bands, k))
            height, width, channels = source[rows].shape
            processor.apply(ocio.PackedImageDesc(source[rows], width, height, channels),
                            ocio.PackedImageDesc(target[rows], width, height, channels))

        from huewright_kernels.threads import for_each_tile
        bands = 1 if threads == 1 else 8 * threads
        for_each_tile(band, bands, threads)

    return Peer("OpenColorIO", run, note)


def numpy(operation: str) -> Peer | None:
    """Plain NumPy, as one writes it down; one thread."""
    if operation == "matrix":
        balance = _timed("matrix", Matrix)
        matrix = np.array(balance.matrix, np.float32).T
        offset = np.array(balance.offset, np.float32)

        def run(source: np.ndarray, target: np.ndarray, threads: int) -> None:
            np.matmul(source[..., :3], matrix, out=target[..., :3])
            target[..., :3] += offset
            target[..., 3] = source[..., 3]
        return Peer("NumPy", run)
    if operation == "tone curve":
        from scipy.interpolate import PchipInterpolator
        tone = _timed("tone curve", ToneCurve)
        curve = PchipInterpolator(tone.x, tone.y)

        def run_tone(source: np.ndarray, target: np.ndarray, threads: int) -> None:
            target[..., :3] = curve(source[..., :3])
            target[..., 3] = source[..., 3]
        return Peer("SciPy", run_tone, FLOAT64)
    return None


def colour_science(operation: str) -> Peer | None:
    """colour-science on float32 arrays; one thread. It computes in float64."""
    import colour

    functions = {"PQ encode": lambda rgb: colour.models.eotf_inverse_ST2084(rgb * 10000.0),
                 "display encode": colour.models.oetf_BT709, "log decode": colour.models.log_decoding_ACEScct}
    if operation not in functions:
        return None

    def run(source: np.ndarray, target: np.ndarray, threads: int) -> None:
        target[..., :3] = functions[operation](source[..., :3])
        target[..., 3] = source[..., 3]
    return Peer("colour-science", run, FLOAT64)


def _timed(name: str, kind: type[Some]) -> Some:
    operation = work.TIMED[name]
    assert isinstance(operation, kind)
    return operation


def copy(source: np.ndarray, target: np.ndarray, threads: int) -> None:
    """A memory copy, rows shared among threads."""
    from huewright_kernels.threads import for_each_tile

    bands = 1 if threads == 1 else 4 * threads

    def band(k: int) -> None:
        rows = slice(*_band(len(source), bands, k))
        np.copyto(target[rows], source[rows])
    for_each_tile(band, bands, threads)


def _band(rows: int, bands: int, k: int) -> tuple[int, int]:
    return rows * k // bands, rows * (k + 1) // bands


def _encode(ocio: Any) -> Any:
    return ocio.ExponentWithLinearTransform(gamma=[1 / 0.45] * 3 + [1.0], offset=[0.099] * 3 + [0.0],
                                            direction=ocio.TRANSFORM_DIR_INVERSE)


def _tone(ocio: Any) -> Any:
    tone = _timed("tone curve", ToneCurve)
    points = [value for pair in zip(tone.x, tone.y, strict=True) for value in pair]
    curve, straight = ocio.GradingBSplineCurve(points), ocio.GradingBSplineCurve([0.0, 0.0, 1.0, 1.0])
    return ocio.GradingRGBCurveTransform(ocio.GradingRGBCurve(curve, curve, curve, straight), ocio.GRADING_VIDEO)


def _hue(ocio: Any) -> Any:
    hues, curves = _timed("hue sectors", HueSectors), ocio.GradingHueCurve(ocio.GRADING_VIDEO)
    places = [hue / 360.0 for hue in hues.hues_deg]
    turned = [place + turn / 360.0 for place, turn in zip(places, hues.rotations_deg, strict=True)]
    curves.hue_hue = ocio.GradingBSplineCurve(
        [v for pair in zip(places, turned, strict=True) for v in pair], ocio.HUE_HUE)
    curves.hue_sat = ocio.GradingBSplineCurve(
        [v for pair in zip(places, hues.gains, strict=True) for v in pair], ocio.HUE_SAT)
    return ocio.GradingHueCurveTransform(curves, ocio.GRADING_VIDEO)
