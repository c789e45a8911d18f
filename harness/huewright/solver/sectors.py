"""The method of the house: exposure, balance, tone and hue sectors, jointly. And plain exposure and balance."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from huewright_kernels.ops import HueSectors, Operation, ToneCurve

from huewright.colorimetry.display import from_ycbcr, to_ycbcr
from huewright.errors import NoAnswerError
from huewright.models.refusals import LightOfOneColour
from huewright.reference import apply_chain
from huewright.solver.chain import Balance, Chain
from huewright.solver.evidence import Sample, check_light
from huewright.solver.fit import Fit, Held, describe, minimise
from huewright.solver.hues import direct
from huewright.solver.model import MID_LEVEL, Layout, Model, tone_layout
from huewright.solver.problem import Problem, Solution, rounded

MOST_BALANCE_STOPS = 4.0     # beyond this one channel has next to no signal left


@dataclass(frozen=True)
class Levels:
    """What the bars alone give: the ``natural`` unknowns of ``model``, how they are weighed, the evaluations used."""

    model: Model
    natural: np.ndarray
    whitening: list[np.ndarray]
    evaluations: int


def solve_levels(problem: Problem, *, tone: bool = True, start: np.ndarray | None = None) -> tuple[Model, Fit]:
    """:func:`levels_alone`, described."""
    found = levels_alone(problem, tone=tone, start=start)
    return found.model, describe(found.model, found.whitening, found.natural, found.evaluations)


def levels_alone(problem: Problem, *, tone: bool = True, start: np.ndarray | None = None) -> Levels:
    """Exposure, balance and (if ``tone``) the tone curve from the bars alone.

    Raises :class:`NoAnswerError` where no balance brings the bars to grey.
    """
    levels, fixed = tone_layout(problem.evidence.bars) if tone else ((), 0)
    if len(levels) < 2:
        levels = ()
    model = Model(problem.chain, problem.evidence.bars, Layout(levels, fixed), problem.settings)
    first = np.array(start[:model.size]) if start is not None else _first_guess(model)
    natural, used = minimise(model, _coarse(model), first, tolerance=1e-6)
    whitening = model.whitening(natural)
    natural, more = minimise(model, whitening, natural)
    if max(abs(natural[1]), abs(natural[2])) > MOST_BALANCE_STOPS:
        raise NoAnswerError(LightOfOneColour(float(max(abs(natural[1]), abs(natural[2])))))
    return Levels(model, natural, whitening, used + more)


def _coarse(model: Model) -> list[np.ndarray]:
    """Weights for a first pass: 0.5 % of the signal for everything."""
    return [np.eye(2 if sample.target.luma is None else 3) / 0.005 for sample in model.samples]


def _first_guess(model: Model) -> np.ndarray:
    """The exposure out of a scan that brings the bar nearest mid grey closest to its level."""
    bar = int(np.argmin(np.abs(model.asked[:, 0] - MID_LEVEL)))
    best, least = model.identity, np.inf
    for stops in np.arange(-7.0, 7.01, 0.5):
        guess = model.identity.copy()
        guess[0] = stops
        miss = abs(float(model.predict(guess)[bar, 0] - model.asked[bar, 0]))
        if miss < least:
            best, least = guess, miss
    return best


def solve_balance(problem: Problem, start: np.ndarray | None = None) -> Solution:
    """Exposure and balance only."""
    model, fit = solve_levels(problem, tone=False, start=start)
    fit = dataclasses.replace(fit, natural=rounded(fit.natural, 7))
    return Solution("balance", model.balance(fit.natural), model=model, fit=fit)


def solve_sectors(problem: Problem, start: np.ndarray | None = None, *, held: Held | None = None,
                  levels: Levels | None = None, described: bool = True) -> Solution:
    """All unknowns jointly. ``start`` (natural unknowns; hue part optional) replaces the first guess; ``held`` is what
    goes before the sectors and is held; ``levels`` is :func:`levels_alone` of the same bars on the same targets, where
    somebody has it already. Without ``described`` the answer is the same and has no fit."""
    colour = () if held is None else held.colour(held.values)
    alone = levels or levels_alone(problem, start=start)
    model = alone.model
    chips = problem.evidence.chips
    balance, curve = model.balance(alone.natural), model.tone(alone.natural)
    judge_light(problem, balance, curve)
    arriving = arriving_ycbcr(problem.chain, balance, curve, chips, colour)
    sectors = direct(arriving[:, 1:], [chip.target for chip in chips], problem.luma, problem.settings.least_slope)
    layout = dataclasses.replace(model.layout, hues_deg=sectors.hues_deg)
    joint = Model(problem.chain, problem.evidence.bars + chips, layout, problem.settings, colour)
    first = np.concatenate([alone.natural, sectors.rotations_deg, np.log(sectors.gains)])
    whitening = joint.whitening(first)
    used = 0
    if start is not None and len(start) == joint.size:
        # From far away the true weights make for a long walk: a first pass with weak ones comes near.
        first, used = minimise(joint, _coarse(joint), np.array(start, dtype=np.float64), tolerance=1e-6)
    natural, more = minimise(joint, whitening, first)
    used += more
    natural = rounded(natural, 7)
    solution = Solution("matrix-sectors" if held else "sectors", joint.balance(natural), colour,
                        tone=_plain_tone(joint.tone(natural)), sectors=_plain_sectors(joint.sectors(natural)),
                        model=joint)
    if not described:
        return solution
    final = describe(joint, whitening, natural, alone.evaluations + used, held)
    # A share of the circle at its bound is a hue map at its least slope: the order of hues is what holds it.
    touched = tuple(dict.fromkeys("hue_order" if name.startswith("rotation") else name for name in final.at_bounds))
    return dataclasses.replace(solution, fit=dataclasses.replace(final, at_bounds=touched))


def judge_light(problem: Problem, balance: Balance, tone: ToneCurve | None) -> None:
    """Raises :class:`NoAnswerError` where the light leaves no hues apart (see :func:`.evidence.check_light`).

    Judged before any matrix: that would stretch a line out again, and the noise with it.
    """
    chips = problem.evidence.chips
    arriving = arriving_ycbcr(problem.chain, balance, tone, chips)
    light = apply_chain(problem.chain.decode, [chip.mean for chip in chips]) * balance.gains
    meant = arriving.copy()
    meant[:, 1:] = [(chip.target.cb, chip.target.cr) for chip in chips]
    check_light(chips, arriving[:, 1:], light, apply_chain(problem.display.decode, from_ycbcr(meant, problem.luma)))


def arriving_ycbcr(chain: Chain, balance: Balance, tone: ToneCurve | None, samples: tuple[Sample, ...],
                   colour: tuple[Operation, ...] = ()) -> np.ndarray:
    """(Y', Cb, Cr) (n, 3) of the samples' means as they arrive at the sectors."""
    operations = (*chain.decode, *chain.after_decode(balance, colour=colour, tone=tone))
    return to_ycbcr(apply_chain(operations, [sample.mean for sample in samples]),
                    (chain.display.kr, chain.display.kb))


def _plain_tone(tone: ToneCurve | None) -> ToneCurve | None:
    return None if tone is None else ToneCurve(tuple(rounded(tone.x, 8).tolist()), tuple(rounded(tone.y, 8).tolist()))


def _plain_sectors(sectors: HueSectors | None) -> HueSectors | None:
    if sectors is None:
        return None
    return HueSectors(sectors.hues_deg, tuple(rounded(sectors.rotations_deg, 6).tolist()),
                      tuple(rounded(sectors.gains, 7).tolist()), sectors.kr, sectors.kb)
