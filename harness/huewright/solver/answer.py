"""One reading, one card, one answer."""

from __future__ import annotations

import logging
from dataclasses import replace

import msgspec
import numpy as np
from scipy.stats import chi2

from huewright.errors import NoAnswerError
from huewright.models.card import Card
from huewright.models.cautions import Caution, ChecksWorse, SomeChecksWorse, TargetsAsked
from huewright.models.coded import has
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.models.provenance import LedBy, Provenance
from huewright.models.reading import Reading
from huewright.models.settings import METHODS, SolveSettings
from huewright.solver.chain import Balance
from huewright.solver.following import solve_following
from huewright.solver.linear import refuse_unfaithful, solve_linear, solve_matrix_sectors
from huewright.solver.model import Layout, Model
from huewright.solver.problem import Problem, Solution, set_up
from huewright.solver.results import correction_from
from huewright.solver.sectors import solve_balance, solve_sectors
from huewright.solver.spectral import solve_spectral_sectors

log = logging.getLogger(__name__)

IDENTITY_CONFIDENCE = 0.95


def solve(reading: Reading, card: Card, footage: Footage, settings: SolveSettings | None = None, *,
          start: np.ndarray | None = None, lead: LedBy | None = None,
          provenance: Provenance | None = None) -> Correction:
    """The correction that brings ``reading`` to the card's targets, or to the picture of another camera that ``lead``
    is.

    ``start`` (natural unknowns, see :mod:`huewright.solver.model`) replaces the first guess of the methods with
    sectors and of "balance"; the answer does not depend on it. Raises :class:`InputError` for settings or a card that
    don't fit, :class:`NoAnswerError` where the reading cannot support an answer: clipped bars, too few bars,
    no chips, light that leaves no colours apart, a polynomial that no table holds, too few patches in common with
    ``lead``.
    """
    problem = set_up(reading, card, footage, settings or SolveSettings(), lead)
    if lead is None and is_right_already(problem):
        log.info("the reading is on its targets already: nothing is corrected")
        return correction_from(problem, Solution(problem.settings.method, Balance()), identity=True,
                               provenance=provenance)
    solution = solve_method(problem, start)
    refuse_unfaithful(solution)
    correction = correction_from(problem, solution, provenance=provenance)
    if not has(correction.cautions, TargetsAsked):
        return correction
    return replace(correction, cautions=(*correction.cautions, *_worse_at_own_targets(problem)))


def _worse_at_own_targets(problem: Problem) -> tuple[Caution, ...]:
    """What is said of check patches where the same method solves for the card's own targets: targets of a person's own
    move colours off their references by intent, so that only this tells what the method does to them."""
    usual = replace(problem.settings, levels_ire={}, fractions={}, nudges_deg={})
    try:
        own = solve(problem.reading, problem.card, problem.footage, usual)
    except NoAnswerError:
        return ()
    return tuple(msgspec.structs.replace(caution, own_targets=True) for caution in own.cautions
                 if isinstance(caution, ChecksWorse | SomeChecksWorse))


def solve_method(problem: Problem, start: np.ndarray | None = None) -> Solution:
    """The problem's answer by its settings' method, or, where another camera leads, as :mod:`.following` has it."""
    if problem.lead is not None:
        log.info("solving towards take %s", problem.lead.take)
        return solve_following(problem)
    method = problem.settings.method
    log.info("solving by %s", method)
    if method == "sectors":
        return solve_sectors(problem, start)
    if method == "matrix-sectors":
        return solve_matrix_sectors(problem, start)
    if method == "spectral-sectors":
        return solve_spectral_sectors(problem)
    if method == "balance":
        return solve_balance(problem, start)
    return solve_linear(problem, method)


def is_right_already(problem: Problem) -> bool:
    """Whether the uncorrected picture misses its targets by no more than the reading's uncertainty explains
    (chi-squared of all bars and chips within its 95 % quantile): then nothing is changed."""
    model = Model(problem.chain, problem.evidence.bars + problem.evidence.chips, Layout(), problem.settings)
    misses = model.misses(model.identity, model.whitening(model.identity))
    return bool(misses @ misses <= chi2.ppf(IDENTITY_CONFIDENCE, len(misses)))


__all__ = ["METHODS", "SolveSettings", "is_right_already", "solve", "solve_method"]
