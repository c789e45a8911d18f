"""A correction done in part: straight lines from no change to the answer, in the solve's own unknowns.

Exposure and balance go in stops, tone anchors in the places from which the curve takes them, hues in degrees of turn
and logarithms of gain, a matrix entry by entry from the change of primaries that it replaces. Tone keeps rising and
hues keep their order at every strength between, because both ends do: places and turned hues are weighted means of
rising ones. No published source; the choice is ours.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from huewright_kernels.ops import HueSectors, Matrix, Operation, ToneCurve

from huewright.colorimetry.display import display_named
from huewright.colorimetry.inverse import matrix_operation
from huewright.errors import InputError
from huewright.models.correction import Correction, Solved, edited_by_hand
from huewright.models.settings import SolveSettings, Strength
from huewright.solver.chain import Balance, Chain
from huewright.solver.fit import Fit
from huewright.solver.model import Model
from huewright.solver.problem import Problem, Solution


def operations_at(correction: Correction, strength: Strength) -> tuple[Operation, ...]:
    """The chain of ``correction`` at ``strength``, whatever strength it was saved with.

    Raises :class:`InputError` for one that was edited by hand, or whose method is done whole or not at all.
    """
    if strength == correction.strength:
        return correction.operations
    if edited_by_hand(correction):
        raise InputError("this correction was edited by hand since it was solved, so its parts are not its whole; "
                         "solve again with --strength")
    if correction.solved is None:
        raise InputError(f"a correction by method {correction.method} is done whole or not at all; solve by another "
                         "method")
    if correction.diagnostics.identity:
        return correction.operations
    adaptation = (correction.provenance.settings or SolveSettings()).adaptation
    chain = Chain(correction.footage, display_named(correction.display), adaptation)
    return chain_at(chain, correction.solved, strength)


def chain_at(chain: Chain, solved: Solved, strength: Strength) -> tuple[Operation, ...]:
    """The operations from file code values to the display signal; the neutral ones where nothing is done."""
    if strength.levels == strength.hues == 0:
        return chain.neutral()
    balance = Balance(solved.exposure_stops, solved.red_stops, solved.blue_stops)
    tone = next((each for each in solved.tone if isinstance(each, ToneCurve)), None)
    sectors = next((each for each in solved.sectors if isinstance(each, HueSectors)), None)
    return chain.whole(_balance(balance, strength), colour=_colour(solved.colour, chain, strength),
                       tone=_tone(tone, strength), sectors=_sectors(sectors, strength))


def solved_of(solution: Solution) -> Solved | None:
    """``solution`` in parts; None where it has a table, which is done whole or not at all."""
    if any(not isinstance(operation, Matrix) for operation in solution.colour):
        return None
    balance = solution.balance
    return Solved(balance.exposure_stops, balance.red_stops, balance.blue_stops, solution.colour,
                  () if solution.tone is None else (solution.tone,),
                  () if solution.sectors is None else (solution.sectors,))


def solution_at(problem: Problem, solution: Solution, strength: Strength) -> Solution:
    """``solution`` at ``strength``, its fit and covariance with it."""
    if strength.full:
        return solution
    fit = solution.fit
    if fit is not None and solution.model is not None:
        fit = _fit(problem.chain, solution.model, fit, strength)
    return replace(solution, balance=_balance(solution.balance, strength), tone=_tone(solution.tone, strength),
                   colour=_colour(solution.colour, problem.chain, strength),
                   sectors=_sectors(solution.sectors, strength), fit=fit)


def _balance(balance: Balance, strength: Strength) -> Balance:
    s = strength.levels
    return Balance(s * balance.exposure_stops, s * balance.red_stops, s * balance.blue_stops)


def _tone(tone: ToneCurve | None, strength: Strength) -> ToneCurve | None:
    if tone is None or strength.levels == 1:
        return tone
    x, y = np.array(tone.x), np.array(tone.y)
    return ToneCurve(tuple((y + strength.levels * (x - y)).tolist()), tone.y)


def _sectors(sectors: HueSectors | None, strength: Strength) -> HueSectors | None:
    if sectors is None or strength.hues == 1:
        return sectors
    return HueSectors(sectors.hues_deg, tuple((strength.hues * np.array(sectors.rotations_deg)).tolist()),
                      tuple((np.array(sectors.gains) ** strength.hues).tolist()), sectors.kr, sectors.kb)


def _colour(colour: tuple[Operation, ...], chain: Chain, strength: Strength) -> tuple[Operation, ...]:
    if not colour or strength.hues == 1:
        return colour
    done = []
    for operation in colour:
        if not isinstance(operation, Matrix):
            raise InputError("a table of colours is done whole or not at all; solve by another method")
        matrix = np.array(operation.matrix)
        done.append(matrix_operation(chain.primaries + strength.hues * (matrix - chain.primaries)))
    return tuple(done)


def _fit(chain: Chain, model: Model, fit: Fit, strength: Strength) -> Fit:
    count = model.size - 2 * len(model.layout.hues_deg)
    share = np.where(np.arange(model.size) < count, strength.levels, strength.hues)
    held = fit.held
    if held is not None:
        share = np.append(share, np.full(len(held.values), strength.hues))
        plain = chain.primaries[~np.eye(3, dtype=bool)]
        held = replace(held, values=plain + strength.hues * (held.values - plain))
    natural = model.identity + share[:model.size] * (fit.natural - model.identity)
    return replace(fit, natural=natural, covariance=fit.covariance * np.outer(share, share), held=held)
