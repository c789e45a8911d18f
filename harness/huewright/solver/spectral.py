"""A matrix and sectors for what the camera is likely to make of things beside the card.

A card's few chips leave open what the camera makes of other spectra. Here the card's published reflectances tell what
is likely of the camera's response to the spectrum under this light, the colour samples of CIE 224:2017 are shown to
that likely camera, and the matrix and the sectors are fitted to them and to the chips alike:

    E          response (wavelengths, 3), so that light = reflectance @ E with a perfect white at 1: a Gaussian prior
               over cameras and lights, and its mean given what bars and chips were read as
    library    reflectances @ E against the samples' own display colours, under the card's illuminant
    matrix     white preserving, least squares of the display's signal, library and chips weighing the same
    sectors    at fixed hues; turn and log gain are means over what lies near in hue, weighed by chroma squared

Chips are evidence here, not what must land: they come near their targets, and other things nearer than by
"matrix-sectors". The prior is of our making: invented sensitivities, CIE illuminants, with and without a maker's
matrix; no camera's measured sensitivities went into it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from huewright_kernels.ops import HueSectors, Operation, ToneCurve

from huewright.colorimetry.display import BT709, from_ycbcr, hue_deg, primaries_matrix, to_ycbcr
from huewright.colorimetry.inverse import inverse_operations
from huewright.colorimetry.targets import delta_e, reference_rgb
from huewright.errors import NoAnswerError
from huewright.models.card import Card, Patch
from huewright.models.refusals import NoSpectra, TargetsNotColours
from huewright.reference import apply_chain
from huewright.solver.chain import Balance
from huewright.solver.evidence import Sample
from huewright.solver.fixed_hues import sectors_at, solution_of
from huewright.solver.hues import unfolded
from huewright.solver.likely import WAVELENGTHS_NM, likely_response, sample_reflectances
from huewright.solver.linear import (
    before_tone,
    linear_pairs,
    matrix_entries,
    matrix_of_entries,
    signal_weights,
    white_preserving_matrix,
)
from huewright.solver.problem import Problem, Solution, rounded
from huewright.solver.sectors import judge_light, solve_levels

HUES_DEG = np.arange(0.0, 360.0, 30.0)
# What follows was tuned on 184 simulated takes (see DEVELOPERS.md, "Known gaps"); little hangs on any of it.
NEAR_DEG = 22.0              # reach of the means over hue
PULL = 0.02                  # towards no change, against the weight of all chips as 1
FAR_OFF = 1.5                # CIEDE2000 of the chips at which the library weighs half as much as they do
ROUNDS = 3
DARK = 0.002                 # light below which a sample is left out
SHOWN = (0.03, 1.0)          # signal within which a sample's own colour is shown well
OFF_COLOUR = 2.0             # CIEDE2000 of chips' and bars' targets from the card's own colours, in the mean


def solve_spectral_sectors(problem: Problem) -> Solution:
    """Levels from the bars, then matrix and sectors as the module says.

    Raises :class:`NoAnswerError` as the other methods do, and where the card has no reflectances or is asked for other
    colours than its own.
    """
    model, levels = solve_levels(problem)
    natural = rounded(levels.natural, 7)
    balance, tone = model.balance(natural), model.tone(natural)
    judge_light(problem, balance, tone)
    world = World(problem)
    bars, chips = problem.evidence.bars, problem.evidence.chips

    def answer(at: np.ndarray, read: Sequence[Sample]) -> tuple[np.ndarray, np.ndarray, bool]:
        return world.answer(model.balance(at), model.tone(at), read[:len(bars)], read[len(bars):])

    return solution_of(problem, "spectral-sectors", HUES_DEG, bars + chips, answer, model, levels, natural)


def spectral_without(problem: Problem, solution: Solution, index: int) -> tuple[tuple[Operation, ...], HueSectors]:
    """The matrix operation and the sectors that chip ``index`` had no part in; levels held."""
    chips = problem.evidence.chips
    entries, hues, _ = World(problem).answer(solution.balance, solution.tone, problem.evidence.bars,
                                             chips[:index] + chips[index + 1:])
    return matrix_of_entries(entries), sectors_at(HUES_DEG, hues, problem.luma)


class World:
    """What of a problem doesn't change with its reading."""

    def __init__(self, problem: Problem) -> None:
        self.problem, self.chain = problem, problem.chain
        used = problem.evidence.bars + problem.evidence.chips
        _demand_own_colours(problem, used)
        self.own = {sample.name: reflectance_of(problem.card.patch(sample.name)) for sample in used}
        samples, self.shown = _library(problem.card, problem.settings.display, problem.settings.adaptation)
        self.samples = np.array(samples)
        primaries = self.chain.display.primaries if self.chain.has_look else problem.footage.primaries
        self.to_bt709 = np.array(primaries_matrix(primaries, BT709, problem.settings.adaptation))
        # Found at the reading itself and then held, so that slopes are taken over the same samples.
        self.kept: np.ndarray | None = None

    def answer(self, balance: Balance, tone: ToneCurve | None, bars: Sequence[Sample],
               chips: Sequence[Sample]) -> tuple[np.ndarray, np.ndarray, bool]:
        """(entries of the matrix off its diagonal; turns in degrees, then log gains, at :data:`HUES_DEG`; whether the
        order of hues had to be held)."""
        encode = self.chain.from_colour
        camera, wanted = linear_pairs(self.problem, balance, tone, [*bars, *chips])
        light = self._straightened(camera, tone)
        response = likely_response(np.array([self.own[sample.name] for sample in (*bars, *chips)]), light)
        seen = self.samples @ response
        if self.kept is None:
            self.kept = np.all(seen > DARK, axis=1)
        shown = self.shown[self.kept]
        both = self._bent(np.stack([seen[self.kept], apply_chain(inverse_operations(encode), shown)]), tone)
        seen, meant = both[0] @ np.linalg.inv(self.to_bt709).T, both[1]
        sources, aims = np.concatenate([seen, camera]), np.concatenate([meant, wanted])
        steep = signal_weights(self.chain, aims)
        after = (*encode, *(() if tone is None else (tone,)))
        aimed = np.concatenate([to_ycbcr(shown, self.problem.luma)[:, 1:],
                                np.array([(chip.target.cb, chip.target.cr) for chip in chips]).reshape(-1, 2)])
        least_slope = self.problem.settings.least_slope

        def fitted(trust: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
            share = np.concatenate([np.full(len(seen), trust / len(seen)), np.full(len(camera), 1 / len(camera))])
            matrix = white_preserving_matrix(sources, aims, np.sqrt(share)[:, None] * steep)
            arriving = to_ycbcr(apply_chain(after, np.concatenate([seen, camera[len(bars):]]) @ matrix.T),
                                self.problem.luma)
            return (matrix, arriving, *_near_in_hue(arriving[:, 1:], aimed, len(seen), trust, least_slope))

        trust = 1.0              # found again for each reading: it answers to it as much as the rest does
        for _ in range(ROUNDS):
            _, arriving, hues, _ = fitted(trust)
            trust = self._trust(arriving[len(seen):], aimed[len(seen):], hues)
        matrix, _, hues, folded = fitted(trust)
        return matrix_entries(matrix), hues, folded

    def _trust(self, arriving: np.ndarray, aimed: np.ndarray, hues: np.ndarray) -> float:
        """How much the samples weigh against the chips, 0 to 1: little where chips stay far off, which says that this
        camera isn't like the likely one."""
        if not len(arriving):
            return 1.0
        luma = self.problem.luma
        landed = apply_chain((sectors_at(HUES_DEG, hues, luma),), from_ycbcr(arriving, luma))
        asked = from_ycbcr(np.column_stack([to_ycbcr(landed, luma)[:, 0], aimed]), luma)
        off = float(np.mean(delta_e(landed, asked, self.problem.display.name)))
        return 1 / (1 + (off / FAR_OFF) ** 2)

    def light_of(self, balance: Balance, tone: ToneCurve | None, samples: Sequence[Sample]) -> np.ndarray:
        """(n, 3) light of ``samples`` that a response is likely to have made of their reflectances."""
        camera = apply_chain(self.chain.decode, [sample.mean for sample in samples]) * balance.gains
        return self._straightened(apply_chain(self.chain.to_colour, camera), tone)

    def given(self, light: np.ndarray, tone: ToneCurve | None) -> np.ndarray:
        """What a method's colour is given for such ``light`` (n, 3)."""
        result: np.ndarray = self._bent(light, tone) @ np.linalg.inv(self.to_bt709).T
        return result

    def _bent(self, light: np.ndarray, tone: ToneCurve | None) -> np.ndarray:
        """Light as it is before the tone curve."""
        if tone is None:
            return light
        encode = self.chain.from_colour
        return apply_chain(inverse_operations(encode), before_tone(tone, apply_chain(encode, light)))

    def _straightened(self, camera: np.ndarray, tone: ToneCurve | None) -> np.ndarray:
        """Light in BT.709's primaries as it is once the tone curve has done its part: what bars of known reflectance
        make linear."""
        light: np.ndarray = camera @ self.to_bt709.T
        if tone is None:
            return light
        encode = self.chain.from_colour
        return apply_chain((*encode, tone, *inverse_operations(encode)), light)


def _demand_own_colours(problem: Problem, used: Sequence[Sample]) -> None:
    missing = [sample.name for sample in used if not problem.card.patch(sample.name).reflectance]
    if missing:
        raise NoAnswerError(NoSpectra(tuple(missing)))
    own = to_ycbcr([problem.reference[sample.name] for sample in used], problem.luma)
    aimed = np.array([[row[0] if sample.target.luma is None else sample.target.luma, sample.target.cb,
                       sample.target.cr] for sample, row in zip(used, own, strict=True)])
    off = float(np.mean(delta_e(from_ycbcr(aimed, problem.luma), from_ycbcr(own, problem.luma), problem.display.name)))
    if off > OFF_COLOUR:
        raise NoAnswerError(TargetsNotColours(off, OFF_COLOUR))


def _near_in_hue(arriving: np.ndarray, aimed: np.ndarray, count: int, trust: float,
                 least_slope: float) -> tuple[np.ndarray, bool]:
    """Turns in degrees and log gains at :data:`HUES_DEG` from (Cb, Cr) (n, 2), the first ``count`` of them the
    library's, which weighs ``trust``, and the rest chips; and whether the order of hues had to be held."""
    start, end = arriving @ (1, 1j), aimed @ (1, 1j)
    weight = np.abs(start) ** 2 / np.mean(np.abs(start[:count]) ** 2)
    weight[:count] *= trust / count
    weight[count:] /= max(len(start) - count, 1)
    start, end = (np.where(np.abs(one) < 1e-6, 1e-6, one) for one in (start, end))
    ratio = np.log(end / start)
    steps = np.clip(np.stack([np.degrees(ratio.imag), ratio.real]), [[-45.0], [-1.0]], [[45.0], [1.0]])
    away = (hue_deg(arriving[:, 0], arriving[:, 1]) - HUES_DEG[:, None] + 180.0) % 360.0 - 180.0
    near = np.exp(-0.5 * (away / NEAR_DEG) ** 2) * weight
    turns, gains = steps @ near.T / (near.sum(axis=1) + PULL / len(HUES_DEG))
    kept = unfolded(HUES_DEG, turns, least_slope)
    return np.concatenate([kept, gains]), not np.array_equal(kept, turns)


def reflectance_of(patch: Patch) -> np.ndarray:
    result: np.ndarray = np.interp(WAVELENGTHS_NM, patch.wavelengths_nm, patch.reflectance)
    return result


@lru_cache(maxsize=8)
def _library(card: Card, display: str, adaptation: str) -> tuple[np.ndarray, np.ndarray]:
    """(reflectances (n, wavelengths), display signals (n, 3)) of the samples that the display shows well, as they look
    under the card's illuminant to its observer."""
    everything = sample_reflectances()
    place = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    patches = tuple(Patch(str(number), "check", place, wavelengths_nm=tuple(WAVELENGTHS_NM.tolist()),
                          reflectance=tuple(row)) for number, row in enumerate(everything.tolist()))
    signals = np.array(list(reference_rgb(replace(card, patches=patches, marks=()), display, adaptation).values()))
    shown = np.all((signals > SHOWN[0]) & (signals < SHOWN[1]), axis=1)
    return everything[shown], signals[shown]
