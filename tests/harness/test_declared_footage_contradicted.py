"""A wrong range or log curve: chips still land, but the bars' light contradicts their reference reflectances."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.curves import curve_names, resolve_curve
from huewright.colorimetry.declare import declare_footage, range_caution
from huewright.colorimetry.inverse import inverse_operations
from huewright.colorimetry.targets import reference_rgb
from huewright.errors import NoAnswerError
from huewright.models.card import Card, load_card
from huewright.models.cautions import DeclarationDoubted, LegalRangeOfFloats, Nearest
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.models.reading import PatchReading, Reading
from huewright.models.settings import SolveSettings
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.declaration import (
    AGAINST,
    DOUBTED,
    FITS,
    SETTLED,
    UNCHECKED,
    demand_declaration,
    judge_declaration,
)
from huewright.solver.problem import set_up
from huewright_kernels.ops import Transfer

FULL = declare_footage(encoding="ACEScct")
LEGAL = declare_footage(encoding="ACEScct", range_="legal")
# Two invented curves of the six-parameter family: 0.18 at codes 0.42 and 0.45, 11 and 8.5 stops a unit of code.
INVENTED = "base=2,log_side_slope=0.0909,log_side_offset=0.6449,lin_side_break=0.004,linear_slope=12"
STEEPER = "base=2,log_side_slope=0.1176,log_side_offset=0.7410,lin_side_break=0.004,linear_slope=14"


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


def reading(card: Card, footage: Footage = FULL, *, flare: float = 0.0, stops: float = -0.4,
            off: dict[str, float] | None = None) -> Reading:
    """The card's own reflectances as light, ``flare`` of white's light over it, as codes of ``footage``; ``off``:
    patches whose print is that many times as light as it should be."""
    patches = []
    for name, rgb in reference_rgb(card, "bt709").items():
        light = apply_chain((Transfer("bt709", "decode"),), np.array(rgb)) * (off or {}).get(name, 1.0) + flare * 0.9
        code = apply_chain(inverse_operations(footage.to_linear()), light * 2.0**stops * np.array([1.1, 1.0, 0.9]))
        patches.append(PatchReading(name, tuple(code.tolist()), tuple(map(tuple, (np.eye(3) * 1e-8).tolist())),
                                    (2e-5, 2e-5, 2e-5), 1000.0))
    return Reading(tuple(patches))


def standing(correction: Correction) -> str:
    return correction.diagnostics.declaration


def said(correction: Correction) -> DeclarationDoubted | None:
    """What is said of the declaration: first of all, or not at all."""
    doubts = [item for item in correction.cautions if isinstance(item, DeclarationDoubted)]
    assert doubts == list(correction.cautions[:len(doubts)]) and len(doubts) <= 1
    return doubts[0] if doubts else None


def nearest(correction: Correction) -> tuple[Nearest, ...]:
    doubt = said(correction)
    assert doubt is not None
    return doubt.nearest


@pytest.mark.parametrize("method", ["sectors", "matrix-sectors", "balance"])
def test_what_is_declared_rightly_is_not_called_wrong(card: Card, method: str) -> None:
    settings = SolveSettings(method=method)
    for footage in (FULL, LEGAL, declare_footage(encoding=INVENTED)):
        correction = solve(reading(card, footage), card, footage, settings)
        assert standing(correction) == FITS
        assert said(correction) is None
        assert correction.diagnostics.bars_bent_ire < 0.2
        demand_declaration(correction.cautions, settings)


@pytest.mark.parametrize("flare", [0.005, 0.02])
@pytest.mark.parametrize("stops", [-2.0, 0.0, 1.5])
def test_flare_and_exposure_alone_are_not_called_wrong(card: Card, flare: float, stops: float) -> None:
    assert standing(solve(reading(card, flare=flare, stops=stops), card, FULL)) == FITS


@pytest.mark.parametrize("off", [{"white": 0.97}, {"middle": 1.03}, {"black": 1.06, "white": 1.02}])
def test_a_print_that_is_a_little_off_is_not_called_wrong(card: Card, off: dict[str, float]) -> None:
    assert set(off) <= {patch.name for patch in card.of_role("bar")}
    assert standing(solve(reading(card, off=off), card, FULL)) == FITS


def test_a_thick_veil_is_said_but_not_refused(card: Card) -> None:
    correction = solve(reading(card, flare=0.06), card, FULL)
    assert standing(correction) == DOUBTED
    doubt = said(correction)
    assert doubt is not None and not doubt.contradicted and doubt.veil == pytest.approx(0.06, abs=0.005)
    demand_declaration(correction.cautions, SolveSettings())


@pytest.mark.parametrize(("recorded", "declared"), [
    (FULL, LEGAL), (LEGAL, FULL), (FULL, declare_footage(encoding="HLG")),
    (FULL, declare_footage(encoding="linear")), (declare_footage(encoding=INVENTED), FULL),
    (FULL, declare_footage(encoding=INVENTED)),
    (declare_footage(encoding=STEEPER), declare_footage(encoding=INVENTED))])
@pytest.mark.parametrize("stops", [-0.8, pytest.param(0.0, marks=pytest.mark.long)])
def test_a_wrong_declaration_is_refused_until_someone_insists(card: Card, recorded: Footage, declared: Footage,
                                                              stops: float) -> None:
    correction = solve(reading(card, recorded, stops=stops), card, declared)
    assert standing(correction) == AGAINST
    doubt = said(correction)
    assert doubt is not None and doubt.contradicted
    with pytest.raises(NoAnswerError, match="--trust-encoding"):
        demand_declaration(correction.cautions, SolveSettings())
    demand_declaration(correction.cautions, SolveSettings(trust_encoding=True))


@pytest.mark.long
@pytest.mark.slow
def test_pairs_of_known_curves_are_told_apart(card: Card) -> None:
    """A sample of the registry's curves, named at run time: none that passes in silence leaves check patches off."""
    names = curve_names()[::5]
    footages = {name: Footage(encoding=name, decode=resolve_curve(name)[0]) for name in names}
    refused = pairs = 0
    for true, footage in footages.items():
        taken = reading(card, footage, stops=-1.0)
        for name, declared in footages.items():
            try:
                correction = solve(taken, card, declared)
            except NoAnswerError:
                assert name != true
                continue
            if name == true:
                assert standing(correction) == FITS, true
                continue
            pairs += 1
            refused += standing(correction) == AGAINST
            if standing(correction) == FITS:
                assert correction.diagnostics.check_delta_e_after_mean < 2.0, (true, name)
    assert refused >= 0.75 * pairs > 20


def test_the_curve_that_was_recorded_is_named_to_those_who_named_a_curve(card: Card) -> None:
    wrong = solve(reading(card), card, declare_footage(encoding=curve_names()[-1]))
    assert standing(wrong) == AGAINST
    assert any(near.encoding == "ACEScct" and near.range is None for near in nearest(wrong))


@pytest.mark.parametrize("encoding", ["linear", "HLG", INVENTED])
def test_no_curve_is_named_to_those_who_named_none(card: Card, encoding: str) -> None:
    wrong = solve(reading(card), card, declare_footage(encoding=encoding))
    assert standing(wrong) == AGAINST
    assert all(near.encoding is None for near in nearest(wrong))


def test_the_range_that_was_recorded_is_named(card: Card) -> None:
    assert any(near.range == "legal" for near in nearest(solve(reading(card, LEGAL), card, FULL)))
    assert any(near.range == "full" for near in nearest(solve(reading(card), card, LEGAL)))


def test_a_cameras_own_rendering_is_doubted_not_refused(card: Card) -> None:
    """Log codes declared as a display picture look like a rendering of low contrast: said, with what to do."""
    correction = solve(reading(card), card, declare_footage(encoding="display"))
    assert standing(correction) == DOUBTED
    doubt = said(correction)
    assert doubt is not None and doubt.picture and not doubt.contradicted and doubt.nearest == ()


def test_a_card_without_references_is_not_checked(card: Card) -> None:
    bare = dataclasses.replace(card, patches=tuple(
        dataclasses.replace(p, xyz=None, reflectance=(), wavelengths_nm=()) for p in card.patches
        if p.role != "check"))
    correction = solve(reading(card), bare, LEGAL)
    assert standing(correction) == UNCHECKED
    assert correction.diagnostics.bars_bent_ire is None


def test_beside_two_bars_the_other_patches_tell_what_the_bars_let_pass(card: Card) -> None:
    """White and black alone fit a curve of another slope, by a faint veil; colours lie between them."""
    two = dataclasses.replace(card, patches=tuple(
        dataclasses.replace(patch, role="check", level_ire=None) if patch.name == "middle" else patch
        for patch in card.patches))
    recorded = declare_footage(encoding="base=2,log_side_slope=0.08,log_side_offset=0.6449")
    right = solve(reading(card, recorded), two, recorded)
    assert standing(right) == FITS
    declared = declare_footage(encoding=INVENTED)
    agreement = judge_declaration(set_up(reading(card, recorded), two, declared, SolveSettings())).agreement
    assert agreement is not None and agreement.of_bars < SETTLED < agreement.misfit
    wrong = solve(reading(card, recorded), two, declared)
    assert standing(wrong) == DOUBTED
    assert not said(wrong).contradicted


def bare(card: Card, *, photographed: bool) -> Card:
    """``card`` without references, as a trace of a photograph has it, or with its bars' levels alone."""
    seen = {name: apply_chain((Transfer("bt709", "decode"), Transfer("srgb", "encode")), np.array(rgb)).clip(0, 1)
            for name, rgb in reference_rgb(card, "bt709").items()}
    return dataclasses.replace(card, patches=tuple(
        dataclasses.replace(patch, xyz=None, reflectance=(), wavelengths_nm=(),
                            photographed=tuple(seen[patch.name].tolist()) if photographed else None)
        for patch in card.patches))


@pytest.mark.parametrize("photographed", [True, False])
def test_camera_log_taken_for_a_picture_is_doubted_without_references(card: Card, photographed: bool) -> None:
    wrong = solve(reading(card), bare(card, photographed=photographed), declare_footage(encoding="display"))
    assert standing(wrong) == DOUBTED
    doubt = said(wrong)
    assert doubt is not None and doubt.rough and doubt.picture and not doubt.contradicted and doubt.nearest == ()


@pytest.mark.parametrize("photographed", [True, False])
@pytest.mark.parametrize("contrast", [0.0, 0.5, 1.0])
def test_a_picture_of_more_contrast_is_none_without_references(card: Card, photographed: bool, contrast: float) -> None:
    """Cameras render with a curve like an S: nothing that is roughly known speaks against it."""
    patches = []
    for patch in reading(card, declare_footage(encoding="linear"), stops=-0.5).patches:
        code = apply_chain((Transfer("bt709", "encode"),), np.array(patch.mean)).clip(0, 1)
        code = (1 - contrast) * code + contrast * code**2 * (3 - 2 * code)
        patches.append(dataclasses.replace(patch, mean=tuple(code.tolist())))
    correction = solve(Reading(tuple(patches)), bare(card, photographed=photographed),
                       declare_footage(encoding="display"))
    assert standing(correction) == UNCHECKED and said(correction) is None


def test_legal_range_of_float_files_is_doubted() -> None:
    assert range_caution(LEGAL, floats=True) == LegalRangeOfFloats()
    assert range_caution(LEGAL, floats=False) is None
    assert range_caution(FULL, floats=True) is None
