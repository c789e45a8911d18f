"""What a method with sectors would have made of a chip that it had not seen; levels held."""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops import HueSectors, Operation

from huewright.colorimetry.display import from_ycbcr, to_ycbcr
from huewright.reference import apply_chain
from huewright.solver.hues import direct, miss
from huewright.solver.linear import matrix_without
from huewright.solver.problem import Problem, Solution
from huewright.solver.sectors import arriving_ycbcr
from huewright.solver.spectral import spectral_without


def left_out_sectors(problem: Problem, solution: Solution, index: int) -> tuple[tuple[Operation, ...], HueSectors]:
    """The matrix operation (none where ``solution`` has none) and the sectors that chip ``index`` had no part in."""
    if solution.method == "spectral-sectors":
        return spectral_without(problem, solution, index)
    chips = problem.evidence.chips
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
