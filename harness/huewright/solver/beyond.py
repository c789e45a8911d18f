"""How far off each method is likely to leave other things than the card's.

    responses   drawn from what is likely of camera and light, given all patches, check patches too
    things      the colour samples of CIE 224:2017, seen by each of these responses, and sent through each method
    expected    their mean CIEDE2000 from the samples' own display colours, by method

That is worth little where the patches' light is unlike any that the prior knows (a picture pipeline that turns hues is
no response to the spectrum): there the check patches' own errors count. The weights are ours, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from huewright.colorimetry.targets import delta_e
from huewright.reference import apply_chain
from huewright.solver.likely import likely_responses
from huewright.solver.problem import Problem, Solution
from huewright.solver.spectral import World, reflectance_of

PAIRS = 6            # of responses
# How unlike the prior the patches' light is (1 is expected) where both kinds of evidence count the same. Nine of ten
# simulated pictures of pipelines that turn hues have 2 to 23, of others 0.06 to 0.8; anything from 2 to 8 loses alike
# (DEVELOPERS.md, "Known gaps").
DOUBTED = 4.0
# CIEDE2000 by which a method that is fitted to patches is flattered, since the responses know no more than these do:
# "balance", which knows the bars alone, isn't. Anything from 0.03 to 0.05 chooses alike.
FLATTERED = 0.04


@dataclass(frozen=True)
class Beyond:
    """``expected`` mean CIEDE2000 of other things, by method, with what flatters it added; ``surprise`` of the patches'
    light, 1 where it is as likely as the prior's own."""

    expected: Mapping[str, float]
    surprise: float

    def off(self, method: str, checks: float) -> float:
        """What is expected, weighed against what the check patches are off, in CIEDE2000. It orders methods and says
        how far they differ; by itself it can be far from what things are off."""
        doubt = self.surprise**2 / (self.surprise**2 + DOUBTED**2)
        return doubt * checks + (1 - doubt) * self.expected[method]


def beyond_card(problem: Problem, solutions: Mapping[str, Solution]) -> Beyond | None:
    """None where "spectral-sectors" isn't among ``solutions``: what it needs of the card is needed here. Without root
    polynomials, which answer to noise and stray between their patches."""
    spectral = solutions.get("spectral-sectors")
    if spectral is None:
        return None
    world, evidence = World(problem), problem.evidence
    checks = tuple(sample for sample in evidence.checks if problem.card.patch(sample.name).reflectance)
    patches = evidence.bars + evidence.chips + checks
    responses, surprise = likely_responses(
        np.array([reflectance_of(problem.card.patch(sample.name)) for sample in patches]),
        world.light_of(spectral.balance, spectral.tone, patches), PAIRS)
    seen = np.maximum(world.samples @ responses, 0.0).reshape(-1, 3)
    given = world.given(seen, spectral.tone)
    wanted = np.tile(world.shown, (len(responses), 1))
    expected = {method: float(np.mean(delta_e(_shown(problem, solution, given, spectral), wanted,
                                              problem.display.name))) + (0.0 if method == "balance" else FLATTERED)
                for method, solution in solutions.items() if not method.startswith("polynomial")}
    return Beyond(expected, surprise)


def _shown(problem: Problem, solution: Solution, given: np.ndarray, spectral: Solution) -> np.ndarray:
    """Display signals of what colour is ``given`` with the balance of ``spectral``; behind a look, which can't be
    undone, with that balance whatever the solution's own."""
    chain = problem.chain
    if chain.has_look:
        rest = tuple(one for one in (solution.tone, solution.sectors) if one is not None)
        return np.asarray(apply_chain((*solution.colour, *chain.from_colour, *rest), given))
    after = chain.after_decode(solution.balance, colour=solution.colour, tone=solution.tone, sectors=solution.sectors)
    return np.asarray(apply_chain(after, given / spectral.balance.gains))
