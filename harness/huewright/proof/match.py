"""Whether rendered frames are what the correction makes of the camera's, within what their files can hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from huewright_kernels.statistics import patch_statistics

from huewright.errors import InputError
from huewright.models.cautions import Apart, PatchApart, PixelsApart
from huewright.provenance.digests import operations_digest
from huewright.reference import apply_chain

if TYPE_CHECKING:
    from huewright_kernels.ops import Operation

    from huewright.frames.frame import Frame
    from huewright.models.correction import Correction

HALF_STEP = 2.0**-11      # IEEE 754 binary16: half the step between neighbours, relative to the value, is at most this
# What files finer than these limits may be off: far under what can be seen. (A legal range declared of the wrong depth
# moves the signal by up to 1e-3 and is refused.)
PATCH_FLOOR, PIXEL_FLOOR = 2.5e-4, 5e-4
LOSSY_PATCH, LOSSY_PIXEL = 5e-3, 5e-2   # lossy compression: 3e-4 and 1.6e-2 (99 % of pixels) measured at level 200
LOSSY = ("dwaa", "dwab", "b44", "b44a", "pxr24")
# Up to these a render through an exported LUT, or in another program, may be off: proved, but said. A 65-point LUT of
# the demo's correction is off by 5e-3 at worst.
NEAR_PATCH, NEAR_PIXEL = 1e-2, 2e-2
PIXELS_APART = 0.01       # the share of pixels that may be off (a burnt-in number), common practice, no source
HALF_GREATEST = 65504.0


def rendered_limits(frame: Frame, signal_per_code: float) -> tuple[float, float]:
    """(of a patch's mean, of a pixel): how far a rendered file may be from the chain, in signal at signal levels to 1.

    Integers: half a code of rounding, to which triangular dither adds a code in pixels and nothing in means. Half
    floats: their rounding. ``signal_per_code`` is the range expansion's slope. A little is added for the rest.
    """
    if frame.metadata.lossy or frame.metadata.attributes().get("compression") in LOSSY:
        return LOSSY_PATCH, LOSSY_PIXEL
    if frame.pixels.dtype.kind == "u":
        code = signal_per_code / (2**frame.bits - 1)
        return max(0.75 * code, PATCH_FLOOR), max(2.0 * code, PIXEL_FLOOR)
    step = signal_per_code * HALF_STEP if frame.pixels.dtype == np.float16 else 0.0
    return max(step, PATCH_FLOOR), max(2 * step, PIXEL_FLOOR)


class RenderMatch:
    """Compares rendered frames with what the chain makes of the camera's, :meth:`add` by frame.

    ``mean`` and ``worst`` are of the difference over all pixels, of what a file of integers can hold; ``near`` says how
    far frames are off that are only near the chain, or is None.
    """

    def __init__(self, correction: Correction, text: str, expansion: Sequence[Operation]) -> None:
        """``text`` names the frames; ``expansion`` are the operations from their code values to signal."""
        self._digest, self._text = operations_digest(correction.operations), text
        ends = apply_chain(expansion, np.array([[0.0] * 3, [1.0] * 3]))
        self._slope = float(ends[1, 0] - ends[0, 0])
        self._means: list[float] = []
        self.worst = 0.0
        self.not_finite = 0
        self.near: Apart | None = None

    @property
    def mean(self) -> float:
        return float(np.mean(self._means)) if self._means else 0.0

    def add(self, rendered: Frame, signal: np.ndarray, exact: np.ndarray, outlines: dict[str, np.ndarray]) -> None:
        """Display signals (h, w, 3) as read from the frame ``rendered`` and as computed; ``outlines`` are polygons
        (k, 2) in pixels by patch. Raises :class:`InputError` where the frame was not rendered with the correction."""
        carried = carried_digest(rendered)
        if carried and carried != self._digest:
            raise self._refusal("the files say so themselves")
        self.not_finite += int(np.count_nonzero(~np.isfinite(signal).all(axis=2)))
        if rendered.integers:     # these stop at their ends
            signal, exact = np.clip(signal, 0, 1), np.clip(exact, 0, 1)
        elif rendered.pixels.dtype == np.float16:
            exact = np.clip(exact, -HALF_GREATEST, HALF_GREATEST)
        finite = np.isfinite(exact).all(axis=2)
        if not finite.any():
            raise self._refusal("the chain makes no number of the camera's frame")
        apart = np.where(finite[..., None], signal - exact, np.float32("nan")).astype(np.float32)
        patch_limit, pixel_limit = rendered_limits(rendered, self._slope)
        scale = np.maximum(np.abs(exact), 1).astype(np.float32)
        relative = apart / scale
        means = patch_statistics(np.ascontiguousarray(relative), list(outlines.values())).mean
        off = np.nan_to_num(np.abs(means)).max(axis=1, initial=0.0)
        if off.size and off.max() > patch_limit:
            worst = float(off.max())
            self._apart(PatchApart(list(outlines)[int(off.argmax())], worst, patch_limit), near=worst <= NEAR_PATCH)
        furthest = np.abs(relative[finite]).max(axis=1)
        beyond = float(np.mean(~(furthest <= pixel_limit)))
        if beyond > PIXELS_APART:
            self._apart(PixelsApart(beyond, pixel_limit),
                        near=float(np.mean(~(furthest <= NEAR_PIXEL))) <= PIXELS_APART)
        seen = np.abs(apart[np.isfinite(apart)])
        self._means.append(float(seen.mean()) if seen.size else 0.0)
        self.worst = max(self.worst, float(seen.max(initial=0.0)))

    def _apart(self, apart: Apart, *, near: bool) -> None:
        if not near:
            raise self._refusal(
                f"patch {apart.patch!r} is off by {apart.off:.4f} of the signal, where these files allow "
                f"{apart.allowed:.4f}" if isinstance(apart, PatchApart) else
                f"{100 * apart.share:.0f} % of the pixels are off by more than {apart.allowed:.4f} of the signal, all "
                "that these files allow")
        self.near = self.near or apart

    def _refusal(self, why: str) -> InputError:
        return InputError(f"{self._text}: these frames were not rendered with this correction ({why}); give the frames "
                          "that were, with the range and bits they were written in (--after-range, --after-bits)")


def carried_digest(frame: Frame) -> str:
    """What :func:`operations_digest` said of the correction that wrote this file, or "" where it doesn't say."""
    return frame.metadata.correction
