"""The float32 kernels against the float64 references, operation by operation, and the masks against geometry."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.masks import coverage, patch_statistics
from huewright_kernels.ops import (
    HueSectors,
    LogDecode,
    LogEncode,
    Lut1D,
    Lut3D,
    Matrix,
    Operation,
    ToneCurve,
    Transfer,
)
from huewright_kernels.ops.transfer import CURVES

from huewright.accuracy.check import RELATIVE, SMOOTH, SPACING, Check, check, kernel_check
from huewright.accuracy.colours import SMOOTH_RANGE, colours_between, greys_between
from huewright.reference.hue import rotation_and_gain, ycbcr_from_rgb

LUT = 1e-6
HUE_DEG = 0.01
HUE_GAIN = 1e-4
LUMA = 1e-6
CHAIN = 2e-4
"""The chain's tolerance is that of the hue table, 0.01 degree and 1e-4, as seen in R', G' and B'."""
REFERENCE = "float64 reference"

# Academy S-2016-001's constants; a purely logarithmic curve; and an invented one with a slope of its own below black.
ACESCCT = {"base": 2.0, "log_side_slope": 1 / 17.52, "log_side_offset": 9.72 / 17.52, "lin_side_break": 0.0078125}
LOGS: dict[str, dict[str, float]] = {
    "ACEScct": ACESCCT,
    "no linear part": {"base": 10.0, "log_side_slope": 0.3, "log_side_offset": 0.669, "lin_side_slope": 0.9892,
                       "lin_side_offset": 0.0108},
    "steep toe": {"base": 10.0, "log_side_slope": 0.25, "log_side_offset": 0.4, "lin_side_slope": 5.5,
                  "lin_side_offset": 0.05, "lin_side_break": 0.01, "linear_slope": 5.3},
}
TONES = {
    "three bars": ToneCurve((0.04, 0.38, 0.91), (0.02, 0.41, 0.95)),
    "sixteen anchors": ToneCurve(tuple(np.linspace(0, 1.5, 16)), tuple(np.linspace(0, 1.5, 16) ** 1.4 + 0.01)),
    "knee": ToneCurve((0.0, 0.2, 0.5, 0.8, 1.0), (-0.02, 0.15, 0.55, 0.9, 0.97)),
}
_LUMAS = {"BT.709": (0.2126, 0.0722), "BT.2020": (0.2627, 0.0593)}
SECTORS = {
    "six hues, BT.709": HueSectors(rotations_deg=(8, -6, 3, 10, -12, 5), gains=(1.3, 0.8, 1.1, 0.7, 1.5, 0.95)),
    "eight hues, BT.2020": HueSectors((3, 55, 92, 140, 190, 230, 285, 331), (-14, 9, 2, -7, 12, -3, 6, 16),
                                      (0.6, 1.2, 1.6, 0.9, 1.05, 1.4, 0.75, 1.0), *_LUMAS["BT.2020"]),
    "close hues, BT.709": HueSectors((10, 22, 120, 128, 240, 300), (5, 1, -9, -5, 4, 0),
                                     (1.0, 1.6, 0.7, 1.1, 1.0, 0.9)),
}


def operation_checks() -> Iterator[Check]:
    wide = colours_between(*SMOOTH_RANGE)
    for title, parameters in LOGS.items():
        yield kernel_check(f"log decode, {title}", REFERENCE, 1.0, (LogDecode(**parameters),), wide, SPACING)
        yield kernel_check(f"log encode, {title}", REFERENCE, SMOOTH, (LogEncode(**parameters),), wide)
    yield kernel_check("matrix", REFERENCE, SMOOTH, (Matrix(((1.7, -0.5, -0.2), (-0.1, 1.3, -0.2), (0.02, -0.6, 1.58)),
                                                            (0.01, -0.02, 0.0)),), wide)
    for curve in CURVES:
        # PQ's decode has a pole above 1, where its standard ends.
        pq = curve == "pq"
        yield kernel_check(f"transfer {curve}, encode", REFERENCE, SMOOTH, (Transfer(curve, "encode"),), wide)
        yield kernel_check(f"transfer {curve}, decode" + ", signal to 1" * pq, REFERENCE, 1.0,
                           (Transfer(curve, "decode"),), colours_between(-0.5, 1.0) if pq else wide, SPACING)
    for title, tone in TONES.items():
        yield kernel_check(f"tone curve, {title}", REFERENCE, SMOOTH, (tone,), wide)
    for title, sectors in SECTORS.items():
        yield from hue_checks(title, sectors, wide)
    yield from lut_checks()
    yield kernel_check("the whole chain, codes to 0.8", REFERENCE, CHAIN, chain(), colours_between(0.0, 0.8))


def chain() -> tuple[Operation, ...]:
    """A chain as a solve gives it."""
    return (LogDecode(**ACESCCT), Matrix(((1.21, 0, 0), (0, 1.1, 0), (0, 0, 1.33))), Transfer("bt709", "encode"),
            TONES["three bars"], SECTORS["six hues, BT.709"])


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


def lut_checks() -> Iterator[Check]:
    codes, wide = colours_between(-0.1, 1.1), colours_between(*SMOOTH_RANGE)
    rng = np.random.default_rng(7)
    for size in (2, 17, 33, 36, 65):
        for kind, table in (("smooth", smooth_lattice(size)), ("random", rng.random((size, size, size, 3)))):
            for interpolation in ("tetrahedral", "trilinear"):
                yield kernel_check(f"3D LUT {size}, {kind}, {interpolation}", REFERENCE, LUT,
                                   (Lut3D(table, interpolation=interpolation),), codes)
    own = Lut3D(smooth_lattice(33), (-0.25, 0.0, -0.1), (1.5, 2.0, 1.25))
    yield kernel_check("3D LUT 33, its own domain", REFERENCE, LUT, (own,), wide)
    for size in (1024, 4096):
        yield kernel_check(f"1D LUT {size}, random", REFERENCE, LUT, (Lut1D(rng.random((size, 3))),), codes)
    yield kernel_check("1D LUT 1024, random, its own domain", REFERENCE, LUT,
                       (Lut1D(rng.random((1024, 3)), (-0.1,) * 3, (1.2, 1.0, 3.1)),), wide)
    steps = np.linspace(0, 1, 65536)
    yield kernel_check("1D LUT 65536, smooth", REFERENCE, LUT,
                       (Lut1D(np.stack([steps**0.45, steps, np.sin(1.5 * steps)], axis=1)),), codes)


def smooth_lattice(size: int) -> np.ndarray:
    """A lattice (n, n, n, 3) that mixes channels and bends them, as a display look does."""
    axis = np.linspace(0.0, 1.0, size)
    r, g, b = np.meshgrid(axis, axis, axis, indexing="ij")
    return np.stack([r**0.8 * (0.9 + 0.1 * g), 0.85 * g + 0.15 * r * b, np.sin(1.2 * b) * (1 - 0.1 * r)], axis=-1)


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
    for title, operation in (("log decode", LogDecode(**ACESCCT)), ("log encode", LogEncode(**ACESCCT)),
                             ("transfer bt709", Transfer("bt709")), ("tone curve", TONES["three bars"])):
        yield kernel_check(f"{title}, {name}", REFERENCE, 1.0, (operation,), colours, SPACING)
    yield kernel_check(f"3D LUT 33, {name}", REFERENCE, LUT, (Lut3D(smooth_lattice(33)),), colours)
    # The chain begins with an exponential: light of a code above 1.5 (some 10^5) is no picture's.
    yield kernel_check(f"the whole chain, codes to 1.5, {name}", REFERENCE, CHAIN, chain(),
                       np.minimum(colours, np.float32(1.5)), RELATIVE)
    yield from list(hue_checks(name, SECTORS["six hues, BT.709"], colours))[:-1]
