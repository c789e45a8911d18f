"""What a method with sectors would have made of a patch that it had not seen; levels held."""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops import HueSectors, Operation

from huewright.colorimetry.display import from_ycbcr, to_ycbcr
from huewright.models.correction import Solved
from huewright.models.settings import Strength
from huewright.reference import apply_chain
from huewright.solver import quality
from huewright.solver.following import METHOD, coloured_samples, each_left_out, following_without
from huewright.solver.hues import direct, miss
from huewright.solver.linear import matrix_without
from huewright.solver.problem import Problem, Solution
from huewright.solver.sectors import arriving_ycbcr
from huewright.solver.spectral import spectral_without
from huewright.solver.strength import chain_at


def left_out_sectors(problem: Problem, solution: Solution, index: int) -> tuple[tuple[Operation, ...], HueSectors]:
    """The matrix operation (none where ``solution`` has none) and the sectors that chip ``index`` had no part in."""
    if solution.method == "spectral-sectors":
        return spectral_without(problem, solution, index)
    chips = problem.evidence.chips
    if solution.method == METHOD:
        return following_without(problem, solution, chips[index].name)
    rest = chips[:index] + chips[index + 1:]
    colour = matrix_without(problem, solution, index) if solution.colour else ()
    arriving = arriving_ycbcr(problem.chain, solution.balance, solution.tone, rest, colour)
    return colour, direct(arriving[:, 1:], [chip.target for chip in rest], problem.luma, problem.settings.least_slope)


def left_out_misses(problem: Problem, solution: Solution) -> dict[str, tuple[float, float]]:
    """Hue error in degrees and radius ratio that each chip would have, had the others alone driven the sectors; by
    name. Nothing for fewer than three chips, or without sectors."""
    chips = problem.evidence.chips
    if solution.sectors is None or len(chips) < 3:
        return {}
    misses = {}
    for index, chip in enumerate(chips):
        colour, sectors = left_out_sectors(problem, solution, index)
        arriving = arriving_ycbcr(problem.chain, solution.balance, solution.tone, (chip,), colour)
        place = np.asarray(to_ycbcr(apply_chain((sectors,), from_ycbcr(arriving, problem.luma)), problem.luma))[0]
        misses[chip.name] = miss(place, chip.target)
    return misses


def left_out_places(problem: Problem, solution: Solution, strength: Strength) -> dict[str, np.ndarray]:
    """(Y', Cb, Cr) at which each patch that a camera follows another by would land at ``strength``, had the others
    alone driven matrix and sectors; by name. None where it follows none."""
    if solution.method != METHOD:
        return {}
    balance, places = solution.balance, {}
    found = each_left_out(problem, solution)
    for sample in coloured_samples(problem):
        colour, sectors = found[sample.name]
        parts = Solved(balance.exposure_stops, balance.red_stops, balance.blue_stops, colour,
                       () if solution.tone is None else (solution.tone,), (sectors,))
        places[sample.name] = quality.landing_ycbcr(chain_at(problem.chain, parts, strength), (sample,),
                                                    problem.luma)[0]
    return places
