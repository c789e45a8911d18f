"""The float32 kernels against the float64 references, operation by operation, and the masks against geometry."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.masks import coverage
from huewright_kernels.ops import REGISTRY, HueSectors, Operation
from huewright_kernels.statistics import patch_statistics

from huewright.accuracy.check import RELATIVE, SPACING, Check, check, kernel_check
from huewright.accuracy.colours import SMOOTH_RANGE, colours_between, greys_between
from huewright.reference.hue import rotation_and_gain, ycbcr_from_rgb

HUE_DEG = 0.01
HUE_GAIN = 1e-4
LUMA = 1e-6
CHAIN = 2e-4
"""The chain's tolerance is that of the hue table, 0.01 degree and 1e-4, as seen in R', G' and B'."""
REFERENCE = "float64 reference"


def operation_checks() -> Iterator[Check]:
    """Every operation of the registry with every example that it gives, over the range that it claims."""
    colours: dict[tuple[float, float], np.ndarray] = {}
    for kind in REGISTRY.values():
        bound = kind.parts.bound
        for example in kind.parts.examples():
            if example.claimed not in colours:
                colours[example.claimed] = colours_between(*example.claimed)
            wide = colours[example.claimed]
            title = f"{kind.name}, {example.title}" if example.title else kind.name
            if example.claimed != SMOOTH_RANGE:
                title += f", {example.claimed[0]:g} to {example.claimed[1]:g}"
            if isinstance(example.operation, HueSectors):
                yield from hue_checks(title, example.operation, wide)
            elif bound.spacing:
                yield kernel_check(title, REFERENCE, 1.0, (example.operation,), wide, SPACING)
            else:
                yield kernel_check(title, REFERENCE, bound.tolerance, (example.operation,), wide)
    yield kernel_check("the whole chain, codes to 0.8", REFERENCE, CHAIN, chain(), colours_between(0.0, 0.8))


SOLVED = (("log-decode", "ACEScct"), ("matrix", "exposure and balance"), ("transfer", "bt709 encode"),
          ("tone-curve", "three bars"), ("hue-sectors", "six hues, BT.709"))


def chain() -> tuple[Operation, ...]:
    """A chain as a solve gives it, of examples by their titles."""
    return tuple(next(example.operation for example in REGISTRY[name].parts.examples() if example.title == title)
                 for name, title in SOLVED)


def first_sectors() -> HueSectors:
    operation = chain()[-1]
    assert isinstance(operation, HueSectors)
    return operation


def hue_checks(title: str, sectors: HueSectors, colours: np.ndarray, where: str = "") -> Iterator[Check]:
    """Angle and gain of the chroma, Y' kept, greys untouched."""
    source = f"exact evaluation in float64{where}"
    after = run_colours(compile_chain((sectors,)), colours)
    luma, cb, cr = ycbcr_from_rgb(colours.astype(np.float64), sectors.kr, sectors.kb)
    new_luma, new_cb, new_cr = ycbcr_from_rgb(after.astype(np.float64), sectors.kr, sectors.kb)
    size = np.maximum(1.0, np.abs(colours).max(axis=1))
    # Where there is little chroma, the rounding of R', G', B' themselves turns it; the table is not to blame.
    chroma = np.hypot(cb, cr)
    some = chroma > 0.02 * size
    if some.any():
        turn, gain = rotation_and_gain(sectors, np.degrees(np.arctan2(cr, cb))[some] % 360.0)
        turned = np.degrees(np.arctan2(new_cr, new_cb) - np.arctan2(cr, cb))[some]
        angle = np.abs((turned - turn + 180.0) % 360.0 - 180.0)
        scaled = np.hypot(new_cb, new_cr)[some] / chroma[some]
        yield check(f"hue turned, {title}", source, HUE_DEG, angle, colours[some], "deg")
        yield check(f"chroma scaled, {title}", source, HUE_GAIN, np.abs(scaled / gain - 1.0), colours[some], "ratio")
    bound = np.maximum(size, np.abs(after).max(axis=1))
    yield check(f"Y' kept, {title}", "definition of hue sectors", LUMA, np.abs(new_luma - luma) / bound, colours)
    greys = greys_between(*SMOOTH_RANGE)
    moved = np.abs(run_colours(compile_chain((sectors,)), greys) - greys).max(axis=1)
    yield check(f"greys untouched, {title}", "definition of hue sectors", 0.0, moved, greys)


def mask_checks() -> Iterator[Check]:
    rng = np.random.default_rng(5)
    areas, shifts, slopes, places = [], [], [], []
    ramp = (0.004 * np.stack([np.add.outer(0 * np.arange(90.0), np.arange(110.0)),
                              np.add.outer(np.arange(90.0), np.arange(110.0)),
                              np.add.outer(0.5 * np.arange(90.0), -np.arange(110.0))], axis=-1)).astype(np.float32)
    for _ in range(60):
        quad = _random_quad(rng)
        area, centroid = _area_and_centroid(quad)
        areas.append(abs(coverage(quad, 110, 90).sum(dtype=np.float64) - area) / area)
        statistics = patch_statistics(ramp, [quad])
        x, y = centroid - 0.5
        wanted = 0.004 * np.array([x, x + y, 0.5 * y - x])
        shifts.append(np.abs(statistics.mean[0] - wanted).max())
        slopes.append(np.abs(statistics.gradient[0] - 0.004 * np.array([[1, 0], [1, 1], [-1, 0.5]])).max())
        places.append("quad " + " ".join(f"{x:.2f},{y:.2f}" for x, y in quad))
    yield check("mask area, unfeathered quads", "polygon area (shoelace formula)", 1e-6, areas, places, "ratio")
    yield check("patch mean on a ramp, any sub-pixel place", "value at the polygon's centroid", 1e-4, shifts, places)
    yield check("patch gradient on a ramp", "the ramp's slope", 1e-6, slopes, places, "1/px")
    yield _pixel_area_check(rng)


def _pixel_area_check(rng: np.random.Generator) -> Check:
    """Each pixel's coverage against 64 x 64 samples in it: their own error is below a sixteenth of a pixel's side,
    that is 1/64 of its area a crossing edge."""
    errors, places = [], []
    fine = (np.arange(40 * 64) + 0.5) / 64
    for _ in range(6):
        quad = _random_quad(rng) * 0.35
        inside = np.ones((fine.size, fine.size), dtype=bool)
        for (xa, ya), (xb, yb) in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            inside &= (xb - xa) * (fine[:, None] - ya) - (yb - ya) * (fine[None, :] - xa) >= 0
        wanted = inside.reshape(40, 64, 40, 64).mean(axis=(1, 3))
        errors.append(np.abs(coverage(quad, 40, 40) - wanted).max())
        places.append("quad " + " ".join(f"{x:.2f},{y:.2f}" for x, y in quad))
    return check("mask coverage of single pixels", "64 x 64 samples a pixel", 1 / 64, errors, places)


def _random_quad(rng: np.random.Generator) -> np.ndarray:
    """A convex quad, clockwise as seen, of 25 to 45 pixels' side, wholly inside 110 x 90."""
    side = rng.uniform(25, 45)
    corners = side * np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) + rng.uniform(-5, 5, (4, 2))
    angle = rng.uniform(-0.4, 0.4)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    middle = corners.mean(axis=0)
    result: np.ndarray = (corners - middle) @ turn + rng.uniform((45, 40), (65, 50))
    return result


def _area_and_centroid(polygon: np.ndarray) -> tuple[float, np.ndarray]:
    x, y = polygon.T
    following_x, following_y = np.roll(x, -1), np.roll(y, -1)
    twice = x * following_y - following_x * y
    area = twice.sum() / 2
    return float(area), np.array([((x + following_x) * twice).sum(), ((y + following_y) * twice).sum()]) / (6 * area)


def frame_checks(name: str, colours: np.ndarray) -> Iterator[Check]:
    """The same on the pixels (n, 3) of one of the person's own frames."""
    finite = np.isfinite(colours).all(axis=1)
    colours = np.ascontiguousarray(colours[finite], np.float32)
    if not colours.size:
        return
    for kind in REGISTRY.values():
        example = kind.parts.examples()[0]
        if not isinstance(example.operation, HueSectors):
            yield kernel_check(f"{kind.name}, {example.title}, {name}", REFERENCE, 1.0, (example.operation,), colours,
                               SPACING)
    # The chain begins with an exponential: light of a code above 1.5 (some 10^5) is no picture's.
    yield kernel_check(f"the whole chain, codes to 1.5, {name}", REFERENCE, CHAIN, chain(),
                       np.minimum(colours, np.float32(1.5)), RELATIVE)
    yield from list(hue_checks(name, first_sectors(), colours))[:-1]
