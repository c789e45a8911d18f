"""From a survey to a correction that records what it was made from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec

from huewright.errors import InputError, NoAnswerError
from huewright.models.card import Card
from huewright.models.correction import Correction, correction_to_dict, edited_by_hand
from huewright.models.footage import Footage
from huewright.models.methods import MethodResult
from huewright.models.provenance import EndOf, Inputs, LedBy, Provenance
from huewright.models.reading import Reading
from huewright.models.settings import SolveSettings, Strength
from huewright.models.survey import Survey
from huewright.provenance.belonging import card_cautions, check_surveyed_card
from huewright.provenance.digests import digest
from huewright.provenance.record import provenance_of
from huewright.solver.answer import solve
from huewright.solver.between import between
from huewright.solver.compare import compare
from huewright.solver.declaration import demand_declaration
from huewright.solver.following import colours_of
from huewright.solver.strength import operations_at


def solve_survey(survey: Survey, card: Card, settings: SolveSettings | None = None, *,
                 card_path: Path | str | None = None, lead: LedBy | None = None) -> Correction:
    """The correction for a surveyed take. ``card_path`` is the file that ``card`` was read from; None: the survey's.
    ``lead`` (:func:`led_by`) is the picture of another camera that it is brought to instead of the card's targets.

    A card file other than the survey's may hold other values, of which the correction then warns, but not other
    patches or places (:class:`InputError`).

    Its provenance holds the settings, the versions, hashes of the card and the reading, and both of them in full,
    so that the file alone is enough to solve again. Raises :class:`NoAnswerError` where the survey found no usable
    frame, and what :func:`huewright.solver.answer.solve` raises.
    """
    settings = settings or SolveSettings()
    reading = _reading(survey)
    if card_path is not None:
        check_surveyed_card(survey, card, card_path)
    provenance = msgspec.structs.replace(provenance_of(survey, reading, card, settings, card_path), led_by=lead)
    return solve_recorded(reading, card, survey.footage, settings, provenance)


def led_by(correction: Correction, take: str) -> LedBy:
    """What other cameras are brought to: the card as ``correction``, of ``take``, shows it. Raises :class:`InputError`
    where it was edited by hand or records no reading."""
    if edited_by_hand(correction):
        raise InputError(f"the correction of take {take} was edited by hand since it was solved; solve it again")
    recorded_inputs(correction, f"take {take}")
    return LedBy(take, correction.provenance.reading_sha256, digest(correction_to_dict(correction)["operations"]),
                 colours_of(correction))


def solve_recorded(reading: Reading, card: Card, footage: Footage, settings: SolveSettings,
                   provenance: Provenance) -> Correction:
    """:func:`huewright.solver.answer.solve`, with what the provenance gives to follow and to warn of. Raises
    :class:`NoAnswerError` where the bars contradict what was declared of the footage, unless the settings trust it."""
    correction = solve(reading, card, footage, settings, lead=provenance.led_by, provenance=provenance)
    demand_declaration(correction.cautions, settings)
    return replace(correction, cautions=(*card_cautions(provenance), *correction.cautions))


def recorded_inputs(correction: Correction, called: str) -> tuple[Inputs, SolveSettings]:
    """What ``correction`` was solved from, as it records it; :class:`InputError`, naming it as ``called``, if it
    doesn't."""
    recorded = correction.provenance
    if recorded.between is not None:
        first, second = (end.take for end in recorded.between)
        raise InputError(f"{called}: this correction lies between two takes, {first} and {second}; repeat those two")
    if recorded.inputs is None or recorded.settings is None:
        lacking = "inputs" if recorded.inputs is None else "settings"
        raise InputError(f"{called}: this correction does not record its {lacking}, so it cannot be repeated; make it "
                         "with `huewright solve`")
    return recorded.inputs, recorded.settings


def solve_at(correction: Correction, strength: Strength) -> Correction:
    """``correction`` at ``strength``, solved again from what it records; its operations are made of the parts that it
    holds. Raises :class:`InputError` as :func:`recorded_inputs` and :func:`.operations_at`."""
    if strength == correction.strength:
        return correction
    operations = operations_at(correction, strength)
    inputs, settings = recorded_inputs(correction, "at another strength")
    settings = replace(settings, strength=strength)
    provenance = msgspec.structs.replace(correction.provenance, settings=settings)
    again = solve_recorded(inputs.reading, inputs.card, correction.footage, settings, provenance)
    return replace(again, operations=operations, solved=correction.solved)


def compare_survey(survey: Survey, card: Card, settings: SolveSettings | None = None) -> tuple[MethodResult, ...]:
    """Every method on the survey's reading: see :func:`huewright.solver.compare.compare`."""
    return compare(_reading(survey), card, survey.footage, settings or SolveSettings())


def _reading(survey: Survey) -> Reading:
    if survey.reading is None or not survey.usable:
        raise NoAnswerError(f"{survey.take}: no frame of this take can carry a correction", survey.advice)
    return survey.reading


__all__ = ["Correction", "MethodResult", "compare_survey", "led_by", "operations_at", "recorded_inputs", "solve_at",
           "solve_recorded", "solve_survey"]


def between_takes(first: Correction, second: Correction, share: float, apart_s: float,
                  names: tuple[str, str] | None = None) -> Correction:
    """:func:`huewright.solver.between.between`, its provenance naming both ends by ``names`` or as they name
    themselves."""
    called = names or tuple(each.provenance.take or "a take without a name" for each in (first, second))
    return between(first, second, share, ends=(_end(first, 1 - share, called[0]), _end(second, share, called[1])),
                   apart_s=apart_s)


def _end(correction: Correction, share: float, name: str) -> EndOf:
    return EndOf(name, share, correction.provenance.reading_sha256,
                 digest(correction_to_dict(correction)["operations"]))
