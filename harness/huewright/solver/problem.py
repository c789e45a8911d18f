"""Everything that a solve starts from, worked out once; and what a method hands back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from huewright_kernels.ops import HueSectors, Operation, ToneCurve

from huewright.colorimetry.display import Display, display_named
from huewright.colorimetry.targets import Target, reference_rgb, targets_for
from huewright.errors import NoAnswerError
from huewright.models.card import Card
from huewright.models.cautions import Caution
from huewright.models.footage import Footage
from huewright.models.provenance import LedBy
from huewright.models.reading import Reading
from huewright.models.record import MOST_CODE
from huewright.models.refusals import BeyondEncoding
from huewright.models.settings import SolveSettings
from huewright.reference import apply_chain
from huewright.solver.chain import Balance, Chain
from huewright.solver.evidence import Evidence, Sample, gather
from huewright.solver.fit import Fit
from huewright.solver.model import Model, sigma_points


@dataclass(frozen=True)
class Problem:
    """A reading against a card. ``reference`` is R'G'B' on the display by patch name, where the card has it; ``lead``
    is the other camera's picture that it is brought to, where there is one."""

    card: Card
    reading: Reading
    footage: Footage
    settings: SolveSettings
    display: Display
    chain: Chain
    targets: dict[str, Target]
    evidence: Evidence
    reference: dict[str, tuple[float, ...]]
    lead: LedBy | None = None

    @property
    def luma(self) -> tuple[float, float]:
        return self.display.kr, self.display.kb

    @property
    def samples(self) -> tuple[Sample, ...]:
        """Every patch that was read, used or not, in no card order."""
        evidence = self.evidence
        return evidence.bars + evidence.chips + evidence.checks + evidence.set_aside


@dataclass(frozen=True)
class Solution:
    """What a method arrived at. ``model`` and ``fit`` are None where there is no covariance to carry.

    colour_error   largest signal error of a baked table over the display's cube, and ``colour_error_mean``; 0 if
                   nothing was baked
    cautions       what must be known of it
    """

    method: str
    balance: Balance
    colour: tuple[Operation, ...] = ()
    tone: ToneCurve | None = None
    sectors: HueSectors | None = None
    model: Model | None = None
    fit: Fit | None = None
    colour_error: float = 0.0
    colour_error_mean: float = 0.0
    cautions: tuple[Caution, ...] = ()

    def operations(self, chain: Chain) -> tuple[Operation, ...]:
        return chain.whole(self.balance, colour=self.colour, tone=self.tone, sectors=self.sectors)


def set_up(reading: Reading, card: Card, footage: Footage, settings: SolveSettings,
           lead: LedBy | None = None) -> Problem:
    """Raises :class:`InputError` for settings or a card that don't fit, :class:`NoAnswerError` where the reading
    cannot support an answer."""
    display = display_named(settings.display)
    targets = targets_for(card, mode=settings.mode, fraction=settings.fraction, display=settings.display,
                          adaptation=settings.adaptation, levels_ire=settings.levels_ire,
                          fractions=settings.fractions, nudges_deg=settings.nudges_deg)
    evidence = gather(reading, card, targets, settings)
    chain = Chain(footage, display, settings.adaptation)
    problem = Problem(card, reading, footage, settings, display, chain, targets, evidence,
                      reference_rgb(card, settings.display, settings.adaptation), lead)
    _demand_light(chain, problem.samples)
    return problem


def _demand_light(chain: Chain, samples: tuple[Sample, ...]) -> None:
    """Every value that a solve works with must be light that can be: a log curve makes infinity of a code of 60, and
    nothing is darker than black by as much as the brightest patch is brighter."""
    with np.errstate(over="ignore", invalid="ignore"):
        light = apply_chain(chain.decode, sigma_points(np.array([sample.mean for sample in samples]),
                                                       np.array([sample.pixel_covariance for sample in samples])))
    for sample, points in zip(samples, light, strict=True):
        if not np.all((points <= MOST_CODE) & (points >= -light.max())):
            raise NoAnswerError(BeyondEncoding(sample.name))


def rounded(value: Any, digits: int) -> Any:
    """``value`` to ``digits`` decimals, so that a file doesn't carry the optimiser's last bits; no minus zero."""
    return np.round(np.asarray(value, dtype=np.float64), digits) + 0.0
