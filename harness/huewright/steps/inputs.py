"""What a person names, as the models that the steps work on: a take, a card file, a survey file, a declaration.

Whatever is such a model already passes through, so that the steps serve the command line and scripts alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from huewright.errors import InputError
from huewright.frames.opening import open_take
from huewright.frames.sequence import frame_numbers
from huewright.frames.take import Take, number_list
from huewright.models.card import Card, load_card
from huewright.models.footage import ColoursSaid, Footage
from huewright.models.survey import Survey, load_survey

if TYPE_CHECKING:
    from huewright.models.by_hand import ByHand
    from huewright.models.correction import Correction
    from huewright.models.settings import SolveSettings, Strength


def take_from(named: Take | Path | str) -> Take:
    """The frames that a pattern, a folder or a file names; raises as :func:`open_take`."""
    return named if isinstance(named, Take) else open_take(named)


def frames_of(take: Take, frames: str | None = None, *, skip_missing: bool = False) -> Take:
    """``take`` cut to ``frames`` ("3,7-9"; None: all), which must be there unless ``skip_missing``.

    Raises :class:`InputError` that names those which are not.
    """
    wanted = take.numbers if frames is None else frame_numbers(frames)
    there = [number for number in wanted if number in set(take.numbers)]
    if not there:
        raise InputError(f"{take.text}: none of the frames {frames} exists; the take has {number_list(take.numbers)}")
    if skip_missing:
        return take.only(there)
    if len(there) < len(wanted):
        absent = number_list(sorted(set(wanted) - set(there)))
        raise InputError(f"{take.text}: of the frames {frames} there are no {absent}; copy them, or add --skip-missing")
    return take if frames is None else take.only(there)


def card_from(named: Card | Path | str) -> Card:
    """The card in a card file; raises as :func:`load_card`."""
    return named if isinstance(named, Card) else load_card(named)


def survey_from(named: Survey | Path | str) -> Survey:
    """The survey in a survey file; raises as :func:`load_survey`, and for primaries that nobody knows."""
    if isinstance(named, Survey):
        return named
    from huewright.colorimetry.display import primaries_matrix

    survey = load_survey(named)
    try:
        primaries_matrix(survey.footage.primaries, "ITU-R BT.709")
    except InputError as error:
        raise InputError(f"{named}: footage.primaries: {error}") from None
    return survey


def correction_from(named: Correction | Path | str) -> Correction:
    """The correction in a correction file; raises as :func:`huewright.models.correction.load_correction`."""
    from huewright.models.correction import Correction, load_correction

    return named if isinstance(named, Correction) else load_correction(named)


def encoding_names() -> tuple[str, ...]:
    """What an encoding can be called: words first, then the log curves that colour-science knows."""
    from huewright.colorimetry.curves import curve_names
    from huewright.colorimetry.declare import THROUGH_LOOK, TRANSFERS

    return ("display", "linear", THROUGH_LOOK, *TRANSFERS, *curve_names())


def footage_from(take: Take | None = None, *, encoding: str, code_range: str | None = None, bits: int | None = None,
                 primaries: str | None = None, look: str | None = None, look_input: str = "log",
                 ocio_config: str | None = None) -> Footage:
    """What was declared of ``take``; a range and bits that weren't are those of its tags (of pictures without such
    full, and 10 bits). Raises as :func:`huewright.colorimetry.declare.declare_footage`."""
    from huewright.colorimetry.declare import declare_footage

    if code_range is None:
        code_range = "full" if take is None else take.code_range
    if bits is None:
        bits = 10 if take is None else take.code_bits
    declared = declare_footage(encoding=encoding, range_=code_range, bits=bits, primaries=primaries, look=look,
                               look_input=look_input, ocio_config=ocio_config)
    said = None if take is None else take.colours_said
    return declared if said is None else replace(declared, said=ColoursSaid(said.by, said.primaries, said.transfer))


def settings_from(*, targets: str = "vectorscope", fraction: float = 0.5, display: str = "bt709",
                  method: str = "sectors", trust_encoding: bool = False, levels_ire: Mapping[str, float] | None = None,
                  fractions: Mapping[str, float] | None = None, nudges_deg: Mapping[str, float] | None = None,
                  strength: Strength | float | None = None) -> SolveSettings:
    """How to solve; raises as :class:`huewright.models.settings.SolveSettings`."""
    from huewright.models.settings import SolveSettings

    return SolveSettings(mode=targets, fraction=fraction, display=display, method=method, trust_encoding=trust_encoding,
                         levels_ire=_plain(levels_ire), fractions=_plain(fractions), nudges_deg=_plain(nudges_deg),
                         strength=strength_from(strength))


def _plain(values: Mapping[str, float] | None) -> dict[str, float]:
    return {str(name): float(value) for name, value in (values or {}).items()}


def strength_from(named: Strength | float | None) -> Strength:
    """A number is that of hues and levels alike; None is full strength."""
    from huewright.models.settings import Strength

    if isinstance(named, Strength):
        return named
    value = 1.0 if named is None else float(named)
    return Strength(value, value)


def at_strength(correction: Correction, strength: Strength | None) -> Correction:
    """``correction`` at ``strength``, or at its own (None); raises as :func:`huewright.steps.solve.solve_at`."""
    from huewright.steps.solve import solve_at

    return correction if strength is None else solve_at(correction, strength)


def named_numbers(texts: Sequence[str], option: str, example: str) -> dict[str, float]:
    """``name=number`` texts of ``option``, several in one text divided by commas; :class:`InputError` otherwise."""
    found: dict[str, float] = {}
    for part in (part.strip() for text in texts for part in text.split(",")):
        name, equals, value = (piece.strip() for piece in part.rpartition("="))
        number = _number(value)
        if not equals or not name or number is None:
            raise InputError(f"{option} takes a name and a number, such as {option} {example}, not {part!r}")
        if name in found:
            raise InputError(f"{option} names {name} twice; give it one number")
        found[name] = number
    return found


def strength_named(texts: Sequence[str]) -> Strength | None:
    """From "0.8" (hues and levels alike), "hues=0.8", "hues=0.8,levels=1"; None where nothing is said."""
    from huewright.models.settings import Strength

    if not texts:
        return None
    if len(texts) == 1 and (both := _number(texts[0])) is not None:
        return Strength(both, both)
    found = named_numbers(texts, "--strength", "hues=0.8")
    strange = next((name for name in found if name not in ("hues", "levels")), None)
    if strange is not None:
        raise InputError(f"--strength is of hues, of levels, or one number for both, not of {strange!r}")
    return Strength(**found)


def by_hand_from(take_in: str | None = None, leave_out: str | None = None,
                 corners_at: Sequence[str] = ()) -> ByHand | None:
    """What a person decided of single frames, from the texts of the options; None where nothing was."""
    from huewright.models.by_hand import ByHand, Placed

    if take_in is None and leave_out is None and not corners_at:
        return None
    placed = []
    for text in corners_at:
        frame, equals, rest = text.partition("=")
        points = [point.split(",") for point in rest.split()]
        numbers = [_number(value) for point in points for value in point]
        if not (equals and frame.strip().isdigit() and [len(point) for point in points] == [2] * 4
                and None not in numbers):
            raise InputError("--corners-at takes a frame and four points in pixels, clockwise from the card's own top "
                             f"left, such as --corners-at '1003=90,80 820,95 810,600 85,590', not {text!r}")
        at = [float(value) for value in numbers if value is not None]
        a, b, c, d = zip(at[::2], at[1::2], strict=True)
        placed.append(Placed(int(frame), (a, b, c, d)))
    return ByHand(() if take_in is None else frame_numbers(take_in),
                  () if leave_out is None else frame_numbers(leave_out), tuple(placed))


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
