"""The unknowns of the solve, what they predict for each patch, and how far that is from what was asked.

Natural unknowns, in this order: exposure and balance in stops; the signal at which each bar arrives at the tone
curve (the curve takes it to the bar's level; the bar nearest to mid grey is left to exposure, so that exposure
and tone cannot take turns); rotation in degrees and natural log of gain at each control hue.

Internal unknowns are those that least squares works on: slopes of the tone curve between bars instead of places,
and shares of the circle instead of rotations, so that whatever the optimiser tries, tone rises and hues keep their
order, each with a least slope.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from huewright_kernels.ops import HueSectors, Operation, ToneCurve

from huewright.colorimetry.display import to_ycbcr
from huewright.models.settings import SolveSettings
from huewright.reference import apply_chain
from huewright.solver.chain import Balance, Chain
from huewright.solver.evidence import Sample

MID_LEVEL = 0.41         # 18 % reflectance through the OETF of ITU-R BT.709-6
STEEPEST = math.log(4.0)     # tone slopes and gains stay within 1/4 .. 4
TONE_STEP = 0.05         # helper anchors this far outside the outermost bars hold the end slopes
GROUP_STEP = 0.02        # bars closer in level than this share a tone anchor
BALANCE_LIMIT_STOPS = 8.0
KEPT = 32


def sigma_points(mean: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """(n, 6, 3) points whose plain average gives the expectation of a function of (n, 3) means with (n, 3, 3)
    covariances, right to third order (Julier and Uhlmann 1997, with no weight at the centre).

    The mean of corrected noisy pixels is not the corrected mean.
    """
    values, vectors = np.linalg.eigh(covariance)
    axes = vectors * np.sqrt(np.clip(values, 0.0, None))[:, None, :] * math.sqrt(3.0)
    offsets = np.concatenate([np.swapaxes(axes, 1, 2), -np.swapaxes(axes, 1, 2)], axis=1)
    result: np.ndarray = mean[:, None, :] + offsets
    return result


def evaluation_points(samples: Sequence[Sample]) -> np.ndarray:
    """(n, 6, 3) code values whose average, once corrected, is where each sample counts as landing.

    For a chip that is the mean of its noisy pixels, so that the trace on a scope, or the rendered patch measured
    again, is on target. For bars and check patches it is the colour itself: noise that the chain's bends turn
    into a cast in the shadows must not be balanced away, since it isn't there in a picture with less noise.
    """
    means = np.array([sample.mean for sample in samples])
    covariance = np.array([sample.pixel_covariance if sample.role == "chip" else np.zeros((3, 3))
                           for sample in samples])
    return sigma_points(means, covariance)


@dataclass(frozen=True)
class Layout:
    """What the unknowns belong to: tone ``levels`` (rising; none: no tone curve) with ``fixed`` the one left to
    exposure, and control ``hues_deg`` (rising in [0, 360); none: no sectors)."""

    levels: tuple[float, ...] = ()
    fixed: int = 0
    hues_deg: tuple[float, ...] = ()

    @property
    def tone_count(self) -> int:
        return max(len(self.levels) - 1, 0)

    @property
    def names(self) -> tuple[str, ...]:
        free = [level for index, level in enumerate(self.levels) if index != self.fixed]
        return ("exposure_stops", "balance_red_stops", "balance_blue_stops",
                *(f"tone_x_at_{100 * level:.1f}_ire" for level in free),
                *(f"rotation_at_{hue:.1f}_deg" for hue in self.hues_deg),
                *(f"log_gain_at_{hue:.1f}_deg" for hue in self.hues_deg))


def tone_layout(bars: Sequence[Sample]) -> tuple[tuple[float, ...], int]:
    """Levels for the tone anchors, and which of them exposure takes."""
    levels = sorted(float(bar.target.luma) for bar in bars if bar.target.luma is not None)
    step = GROUP_STEP
    while True:
        groups: list[list[float]] = [[levels[0]]]
        for level in levels[1:]:
            if level - groups[-1][0] < step:
                groups[-1].append(level)
            else:
                groups.append([level])
        if len(groups) <= 14:            # a tone curve has up to 16 anchors, two of them the helpers
            break
        step *= 1.5
    centres = tuple(round(sum(group) / len(group), 7) for group in groups)
    return centres, int(np.argmin([abs(centre - MID_LEVEL) for centre in centres]))


class Model:
    """Prediction and residuals for ``samples`` under ``chain`` with the unknowns of ``layout``. ``colour`` is what
    :meth:`Chain.after_decode` takes under that name; it is held.

    Bars are judged as they arrive at the sectors: what is grey there stays grey, at its level, and at grey itself the
    sectors have no derivative, since which hue a trace of noise has decides how far it is scaled.
    """

    def __init__(self, chain: Chain, samples: Sequence[Sample], layout: Layout, settings: SolveSettings,
                 colour: Sequence[Operation] = ()) -> None:
        self.chain, self.samples, self.layout, self.settings = chain, tuple(samples), layout, settings
        self.colour = tuple(colour)
        self.luma = (chain.display.kr, chain.display.kb)
        self.means = np.array([sample.mean for sample in samples])
        self.points = apply_chain(chain.decode, evaluation_points(samples))
        self._coloured = np.array([sample.role != "bar" for sample in samples], dtype=bool)
        self.asked = np.array([[np.nan if value is None else value for value in
                                (sample.target.luma, sample.target.cb, sample.target.cr)] for sample in samples])
        self._kept: dict[bytes, np.ndarray] = {}
        self._levels = np.array(layout.levels)
        self._hues = np.array(layout.hues_deg)
        self._steps = np.diff(np.append(self._hues, self._hues[0] + 360.0)) if len(self._hues) else np.empty(0)
        n, t = len(self._hues), layout.tone_count
        self._tone = slice(3, 3 + t)
        self._rotation = slice(3 + t, 3 + t + n)
        self._gain = slice(3 + t + n, 3 + t + 2 * n)
        self.size = 3 + t + 2 * n
        self.prior = np.concatenate([
            np.full(3, settings.exposure_prior_stops), np.full(t, settings.tone_prior),
            np.full(n, settings.rotation_prior_deg), np.full(n, settings.log_gain_prior)])
        free = np.delete(self._levels, layout.fixed) if t else np.empty(0)
        self.identity = np.concatenate([np.zeros(3), free, np.zeros(2 * n)])
        bound = np.concatenate([np.full(3, BALANCE_LIMIT_STOPS), np.full(t, STEEPEST), np.full(n, 90.0),
                                np.full(n, STEEPEST)])
        if n:
            bound[self._rotation][1:] = 6.0      # log shares of the circle
        self.bounds = (-bound, bound)

    # --- natural <-> internal -------------------------------------------------------------------------------

    def natural(self, internal: np.ndarray) -> np.ndarray:
        values = np.array(internal, dtype=np.float64)
        if self.layout.tone_count:
            values[self._tone] = self._places(internal[self._tone])
        if len(self._hues):
            values[self._rotation] = self._rotations(internal[self._rotation])
        return values

    def internal(self, natural: np.ndarray) -> np.ndarray:
        """The nearest internal values within bounds."""
        values = np.array(natural, dtype=np.float64)
        if self.layout.tone_count:
            places = np.insert(natural[self._tone], self.layout.fixed, self._levels[self.layout.fixed])
            secants = np.diff(self._levels) / np.maximum(np.diff(places), 1e-6)
            values[self._tone] = np.log(secants)
        if len(self._hues):
            turned = self._hues + natural[self._rotation]
            slopes = np.diff(np.append(turned, turned[0] + 360.0)) / self._steps
            least = self.settings.least_slope
            logs = np.log(np.maximum((slopes - least) / (1 - least), 1e-3))
            values[self._rotation] = np.concatenate([natural[self._rotation][:1], logs[1:] - logs[0]])
        return np.clip(values, self.bounds[0] + 1e-9, self.bounds[1] - 1e-9)

    def _places(self, logs: np.ndarray) -> np.ndarray:
        steps = np.diff(self._levels) * np.exp(-logs)
        fixed = self.layout.fixed
        above = self._levels[fixed] + np.cumsum(steps[fixed:])
        below = self._levels[fixed] - np.cumsum(steps[:fixed][::-1])[::-1]
        return np.concatenate([below, above])

    def _rotations(self, values: np.ndarray) -> np.ndarray:
        shares = np.exp(np.concatenate([[0.0], values[1:]]))
        least = self.settings.least_slope
        slopes = least + (1 - least) * 360.0 * shares / float(shares @ self._steps)
        turned = self._hues[0] + values[0] + np.concatenate([[0.0], np.cumsum(slopes * self._steps)[:-1]])
        result: np.ndarray = turned - self._hues
        return result

    # --- operations -----------------------------------------------------------------------------------------

    def balance(self, natural: np.ndarray) -> Balance:
        return Balance(float(natural[0]), float(natural[1]), float(natural[2]))

    def tone(self, natural: np.ndarray) -> ToneCurve | None:
        """The curve through the bars, with a helper anchor outside each end that keeps the last secant's slope."""
        if len(self._levels) < 2:
            return None
        y = self._levels
        x = np.insert(natural[self._tone], self.layout.fixed, y[self.layout.fixed])
        first, last = (x[1] - x[0]) / (y[1] - y[0]), (x[-1] - x[-2]) / (y[-1] - y[-2])
        x = np.concatenate([[x[0] - TONE_STEP * first], x, [x[-1] + TONE_STEP * last]])
        y = np.concatenate([[y[0] - TONE_STEP], y, [y[-1] + TONE_STEP]])
        return ToneCurve(tuple(x.tolist()), tuple(y.tolist()))

    def sectors(self, natural: np.ndarray) -> HueSectors | None:
        if not len(self._hues):
            return None
        return HueSectors(self.layout.hues_deg, tuple(natural[self._rotation].tolist()),
                          tuple(np.exp(natural[self._gain]).tolist()), *self.luma)

    def operations(self, natural: np.ndarray) -> tuple[Operation, ...]:
        return self.chain.after_decode(self.balance(natural), colour=self.colour, tone=self.tone(natural),
                                       sectors=self.sectors(natural))

    # --- prediction -----------------------------------------------------------------------------------------

    def predict(self, natural: np.ndarray) -> np.ndarray:
        """Expected (Y', Cb, Cr) (n, 3) of the patches' corrected pixels; bars as they arrive at the sectors."""
        rgb = self._arriving(natural)
        sectors = self.sectors(natural)
        if sectors is not None:
            rgb = rgb.copy()
            rgb[self._coloured] = apply_chain((sectors,), rgb[self._coloured])
        return to_ycbcr(rgb.mean(axis=1), self.luma)

    def _arriving(self, natural: np.ndarray) -> np.ndarray:
        """What arrives at the sectors. The last few are kept: most steps of a Jacobian change only the hues."""
        key = natural[:self._tone.stop].tobytes()
        if key not in self._kept:
            if len(self._kept) >= KEPT:
                self._kept.pop(next(iter(self._kept)))
            operations = self.chain.after_decode(self.balance(natural), colour=self.colour, tone=self.tone(natural))
            self._kept[key] = apply_chain(operations, self.points)
        return self._kept[key]

    def with_colour(self, colour: Sequence[Operation]) -> Model:
        """The same with other ``colour``."""
        return Model(self.chain, self.samples, self.layout, self.settings, colour)

    def slopes(self, natural: np.ndarray) -> np.ndarray:
        """(n, 3, 3): how each patch's (Y', Cb, Cr), as :meth:`predict` has it, answers to its code values."""
        plain = self.chain.after_decode(self.balance(natural), colour=self.colour, tone=self.tone(natural))
        slopes = code_jacobian((*self.chain.decode, *plain), self.means, self.luma)
        if len(self._hues):
            coloured = (*self.chain.decode, *self.operations(natural))
            slopes[self._coloured] = code_jacobian(coloured, self.means[self._coloured], self.luma)
        return slopes

    def uncertainty(self, natural: np.ndarray) -> list[np.ndarray]:
        """For each patch the covariance, from the reading's noise, of what is asked of it: (Y', Cb, Cr) (3, 3), or
        (Cb, Cr) (2, 2)."""
        return [_asked(slope @ sample.mean_covariance @ slope.T, sample)
                for sample, slope in zip(self.samples, self.slopes(natural), strict=True)]

    def whitening(self, natural: np.ndarray) -> list[np.ndarray]:
        """For each patch the matrix that turns misses into uncorrelated ones of unit variance, floor included."""
        return [np.linalg.inv(np.linalg.cholesky(covariance + self.settings.floor**2 * np.eye(len(covariance))))
                for covariance in self.uncertainty(natural)]

    def misses(self, natural: np.ndarray, whitening: list[np.ndarray]) -> np.ndarray:
        """Whitened differences from the targets, all patches in one vector."""
        difference = self.predict(natural) - self.asked
        return np.concatenate([white @ row[-len(white):] for white, row in zip(whitening, difference, strict=True)])

    def pulls(self, natural: np.ndarray) -> np.ndarray:
        """Whitened distances from the identity."""
        result: np.ndarray = (natural - self.identity) / self.prior
        return result


def _asked(covariance: np.ndarray, sample: Sample) -> np.ndarray:
    return covariance[1:, 1:] if sample.target.luma is None else covariance


def code_jacobian(operations: Sequence[Operation], codes: np.ndarray, luma: tuple[float, float],
                  step: float = 2e-4) -> np.ndarray:
    """(n, 3, 3): slopes of (Y', Cb, Cr) with respect to the code values (n, 3), by central differences."""
    offsets = step * np.concatenate([np.eye(3), -np.eye(3)])
    out = to_ycbcr(apply_chain(operations, codes[:, None, :] + offsets), luma)
    result: np.ndarray = np.swapaxes(out[:, :3] - out[:, 3:], 1, 2) / (2 * step)
    return result
