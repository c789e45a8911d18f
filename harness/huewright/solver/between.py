"""A correction for a moment between two takes of the card: straight lines from one answer to the other, in the
solve's own unknowns.

Both takes were solved for the same targets, so what differs between two answers is where the card's patches come from;
where they land is the same. So the places are interpolated, and the landings stay:

    exposure, balance   in stops, for light multiplies
    tone                the level from which the curve takes a bar to its level
    hues                the hue from which a chip is taken to its own; its gain as a logarithm
    a matrix            entry by entry, as white-preserving as both ends

A chip that arrives half-way between where it arrived in the takes then lands where it landed in both, which the mean of
the two corrections (or of the two pictures) would miss by the bend of the curves between. Tone keeps rising and
hues keep their order, since weighted means of rising maps rise. No published source; the choice is ours, and the same
as for a correction done in part (:mod:`huewright.solver.strength`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from huewright_kernels.ops import HueSectors, Matrix, Operation, ToneCurve

from huewright.colorimetry.display import display_named, hue_difference_deg
from huewright.colorimetry.inverse import matrix_operation
from huewright.colorimetry.targets import delta_e
from huewright.errors import InputError
from huewright.models.cautions import Edited, Interpolated
from huewright.models.correction import Correction, Solved, edited_by_hand
from huewright.models.provenance import EndOf, Provenance
from huewright.models.settings import SolveSettings
from huewright.reference import apply_chain
from huewright.reference.hue import rotation_and_gain
from huewright.reference.tone import tone_curve
from huewright.solver.chain import Chain
from huewright.solver.strength import chain_at

SAME_HUE_DEG = 4.0       # landings of one chip: half of what control hues stand apart at least
SAME_LEVEL = 1e-4        # landings of one bar
_ROUND = np.linspace(0.0, 360.0, 14401)[:-1]
_RISE = np.linspace(-1.0, 3.0, 40001)


def between(first: Correction, second: Correction, share: float, *, ends: tuple[EndOf, EndOf],
            apart_s: float) -> Correction:
    """The correction at ``share`` (0 to 1) of the way from ``first`` to ``second``, ``apart_s`` seconds apart.

    ``ends`` is what its provenance names. At 0 and 1 its operations are the ends' own. Like any correction it can be
    rendered and exported; it has no patches of its own, since no card was read at that moment.
    Raises :class:`InputError` where the two are not of the same footage, display, method, settings and strength, were
    edited by hand, or have a table that is done whole or not at all.
    """
    if not 0 <= share <= 1:
        raise ValueError(f"a share lies between 0 and 1, not {share}")
    if why := _unlike(first, second):
        raise InputError(f"takes {ends[0].take} and {ends[1].take} can't be interpolated: {why}; say which take serves "
                         "the shot")
    assert first.solved is not None and second.solved is not None
    settings = first.provenance.settings or SolveSettings()
    chain = Chain(first.footage, display_named(first.display), settings.adaptation)
    solved = solved_between(first.solved, second.solved, share, chain)
    operations = (first.operations if share == 0 else second.operations if share == 1
                  else chain_at(chain, solved, first.strength))
    of_ends = [*first.cautions, *second.cautions]
    said = tuple(dict.fromkeys(caution for caution in of_ends if not isinstance(caution, Edited)))
    caution = Interpolated(ends[0].take, ends[1].take, share, apart_s, drift(first, second))
    return Correction(first.method, first.footage, first.display, operations, first.neutral_operations, (),
                      strength=first.strength, solved=solved, cautions=(caution, *said),
                      provenance=Provenance(versions=first.provenance.versions, settings=settings,
                                            take=f"between {ends[0].take} and {ends[1].take}",
                                            files_kind=first.provenance.files_kind,
                                            card_sha256=first.provenance.card_sha256, between=ends))


def _unlike(first: Correction, second: Correction) -> str:
    settings = first.provenance.settings, second.provenance.settings
    if first.footage != second.footage:
        return "their footage was declared otherwise"
    if (first.display, first.method, first.strength) != (second.display, second.method, second.strength) or (
            settings[0] != settings[1]):
        return "they were solved with other settings"
    if edited_by_hand(first) or edited_by_hand(second):
        return "a correction was edited by hand since it was solved, so its parts are not its whole"
    if first.solved is None or second.solved is None:
        return f"a correction by method {first.method} is done whole or not at all"
    return ""


def drift(first: Correction, second: Correction) -> float | None:
    """How far the light changed from one take to the other: mean CIEDE2000, over the card's bars and chips as the
    second take read them, between what the two corrections make of them. None where nothing is recorded of it."""
    inputs = second.provenance.inputs
    if inputs is None:
        return None
    codes = np.array([patch.mean for patch in inputs.reading.patches], np.float64)
    if not len(codes):
        return None
    a, b = (np.clip(apply_chain(each.operations, codes), 0, 1) for each in (first, second))
    return round(float(np.mean(delta_e(a, b, first.display))), 4)


def solved_between(first: Solved, second: Solved, share: float, chain: Chain) -> Solved:
    """The parts at ``share`` of the way; ``chain`` is theirs."""
    def mean(a: float, b: float) -> float:
        return a + share * (b - a)

    return Solved(mean(first.exposure_stops, second.exposure_stops), mean(first.red_stops, second.red_stops),
                  mean(first.blue_stops, second.blue_stops), _colour(first.colour, second.colour, share, chain),
                  _tone(_one(first.tone, ToneCurve), _one(second.tone, ToneCurve), share),
                  _sectors(_one(first.sectors, HueSectors), _one(second.sectors, HueSectors), share))


T = TypeVar("T")


def _one(operations: Sequence[Operation], kind: type[T]) -> T | None:
    return next((each for each in operations if isinstance(each, kind)), None)


def _colour(first: Sequence[Operation], second: Sequence[Operation], share: float,
            chain: Chain) -> tuple[Operation, ...]:
    """Where one end has no matrix of its own, it is the change of primaries."""
    if not first and not second:
        return ()
    a, b = (_matrix(each, chain) for each in (first, second))
    return (matrix_operation(a + share * (b - a)),)


def _matrix(colour: Sequence[Operation], chain: Chain) -> np.ndarray:
    own = _one(colour, Matrix)
    return chain.primaries if own is None else np.array(own.matrix)


def _tone(first: ToneCurve | None, second: ToneCurve | None, share: float) -> tuple[ToneCurve, ...]:
    """Each level that an anchor of either lands on, and the mean of the levels from which the two take it there."""
    curves = [curve for curve in (first, second) if curve is not None]
    if not curves:
        return ()
    landings = _merged(np.sort(np.concatenate([curve.y for curve in curves])), SAME_LEVEL)
    a, b = (_level_before(curve, landings) for curve in (first, second))
    places = a + share * (b - a)
    return (ToneCurve(tuple(np.round(places, 8).tolist()), tuple(np.round(landings, 8).tolist())),)


def _merged(values: np.ndarray, near: float) -> np.ndarray:
    apart: np.ndarray = values[np.append(True, np.diff(values) > near)]
    return apart


def _level_before(curve: ToneCurve | None, landings: np.ndarray) -> np.ndarray:
    if curve is None:
        return landings
    around = np.sort(np.concatenate([_RISE, curve.x]))
    places: np.ndarray = np.interp(landings, tone_curve(curve, around), around)
    return places


def _sectors(first: HueSectors | None, second: HueSectors | None, share: float) -> tuple[HueSectors, ...]:
    """Each hue that a control of either lands on, and the means of whence and how strongly the two take it there.

    Controls that land together (one chip in both takes) are one, at the mean of their landings.
    """
    ends = [sectors for sectors in (first, second) if sectors is not None]
    if not ends:
        return ()
    if first is None or second is None:
        a, b = (_controls(ends[0]), None) if second is None else (None, _controls(ends[0]))
    else:
        a, b = _controls(first), _controls(second)
    rows = []
    for landing_a, landing_b in _pairs(a, b):
        place_a, log_a = _hue_before(first, a, landing_a)
        place_b, log_b = _hue_before(second, b, landing_b)
        place = place_a + share * hue_difference_deg(place_b, place_a)
        landing = landing_a + share * hue_difference_deg(landing_b, landing_a)
        rows.append((float(place) % 360.0, float(hue_difference_deg(landing, place)),
                     float(np.exp(log_a + share * (log_b - log_a)))))
    rows.sort()
    hues, turns, gains = zip(*rows, strict=True)
    return (HueSectors(tuple(np.round(hues, 6).tolist()), tuple(np.round(turns, 6).tolist()),
                       tuple(np.round(gains, 7).tolist()), ends[0].kr, ends[0].kb),)


Controls = dict[float, tuple[float, float]]      # landing -> (place, log gain)


def _controls(sectors: HueSectors) -> Controls:
    return {(hue + turn) % 360.0: (hue, float(np.log(gain)))
            for hue, turn, gain in zip(sectors.hues_deg, sectors.rotations_deg, sectors.gains, strict=True)}


def _pairs(a: Controls | None, b: Controls | None) -> list[tuple[float, float]]:
    """(landing in the first, in the second): of controls that land together their own, else the same in both."""
    if a is None or b is None:
        return [(landing, landing) for landing in (a or b or {})]
    rest = list(b)
    found = []
    for landing in a:
        near = min(rest, key=lambda other: abs(float(hue_difference_deg(other, landing))), default=None)
        if near is not None and abs(float(hue_difference_deg(near, landing))) <= SAME_HUE_DEG and landing == min(
                a, key=lambda other: abs(float(hue_difference_deg(other, near)))):
            rest.remove(near)
            found.append((landing, near))
        else:
            found.append((landing, landing))
    return found + [(landing, landing) for landing in rest]


def _hue_before(sectors: HueSectors | None, controls: Controls | None, landing: float) -> tuple[float, float]:
    """(hue, log gain) from which ``sectors`` take a colour to the hue ``landing``; None turns and scales nothing."""
    if sectors is None or controls is None:
        return landing, 0.0
    if landing in controls:
        return controls[landing]
    turns, gains = rotation_and_gain(sectors, _ROUND)
    lands = _ROUND + turns                          # rises with the hue, once around
    beyond = lands[0] + (landing - lands[0]) % 360.0
    place = float(np.interp(beyond, np.append(lands, lands[0] + 360.0), np.append(_ROUND, 360.0)))
    log = float(np.log(rotation_and_gain(sectors, np.array([place % 360.0]))[1][0]))
    return place, log


__all__ = ["between", "drift", "solved_between"]
