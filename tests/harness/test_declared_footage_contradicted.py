"""A wrong range or log curve: chips still land, but the bars' light contradicts their reference reflectances."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.declare import declare_footage, range_caution
from huewright.colorimetry.targets import reference_rgb
from huewright.models.card import Card, load_card
from huewright.models.cautions import LegalRangeOfFloats, contradicts_declaration
from huewright.models.reading import PatchReading, Reading
from huewright.models.settings import SolveSettings
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.words import sentence
from huewright_kernels.ops import LogEncode, Transfer

# ACEScct, Academy S-2016-001: 0.0729 at 0.0078125 of light, 17.52 stops a unit of code above it.
SLOPE = 1 / 17.52
ACESCCT = LogEncode(2.0, SLOPE, 9.72 * SLOPE, 1.0, 0.0, 0.0078125, 10.5402377416545)
FULL = declare_footage(encoding="ACEScct")
LEGAL = declare_footage(encoding="ACEScct", range_="legal")


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


def reading(card: Card, *, legal: bool = False, flare: float = 0.0, stops: float = -0.4) -> Reading:
    """The card's own reflectances as light, ``flare`` of white's light over it, as ACEScct codes."""
    patches = []
    for name, rgb in reference_rgb(card, "bt709").items():
        light = apply_chain((Transfer("bt709", "decode"),), np.array(rgb)) + flare * 0.9
        code = apply_chain((ACESCCT,), light * 2.0**stops * np.array([1.1, 1.0, 0.9]))
        if legal:
            code = (code * 876 + 64) / 1023
        patches.append(PatchReading(name, tuple(code.tolist()), tuple(map(tuple, (np.eye(3) * 1e-8).tolist())),
                                    (2e-5, 2e-5, 2e-5), 1000.0))
    return Reading(tuple(patches))


@pytest.mark.parametrize("method", ["sectors", "matrix-sectors", "balance"])
def test_what_is_declared_rightly_is_not_called_wrong(card: Card, method: str) -> None:
    settings = SolveSettings(method=method)
    for legal, footage in ((False, FULL), (True, LEGAL)):
        correction = solve(reading(card, legal=legal), card, footage, settings)
        assert not contradicts_declaration(correction.cautions)
        assert correction.diagnostics["bars_bent_ire"] < 0.2


@pytest.mark.parametrize("flare", [0.005, 0.02])
def test_flare_alone_is_not_called_wrong(card: Card, flare: float) -> None:
    assert not contradicts_declaration(solve(reading(card, flare=flare), card, FULL).cautions)


def test_much_flare_is_said(card: Card) -> None:
    assert contradicts_declaration(solve(reading(card, flare=0.06), card, FULL).cautions)


@pytest.mark.parametrize(("legal", "footage"), [
    (False, LEGAL), (True, FULL), (False, declare_footage(encoding="HLG")),
    (False, declare_footage(encoding="base=2,log_side_slope=0.067,log_side_offset=0.555"))])
@pytest.mark.parametrize("stops", [-0.8, 0.0])
def test_a_wrong_declaration_is_said(card: Card, legal: bool, footage, stops: float) -> None:
    correction = solve(reading(card, legal=legal, stops=stops), card, footage)
    assert contradicts_declaration(correction.cautions)
    assert any("check --encoding and --range" in sentence(line) for line in correction.cautions)


def test_a_card_without_references_says_nothing(card: Card) -> None:
    bare = dataclasses.replace(card, patches=tuple(
        dataclasses.replace(p, xyz=None, reflectance=(), wavelengths_nm=()) for p in card.patches
        if p.role != "check"))
    correction = solve(reading(card), bare, LEGAL)
    assert "bars_bent_ire" not in correction.diagnostics
    assert not contradicts_declaration(correction.cautions)


def test_legal_range_of_float_files_is_doubted() -> None:
    assert range_caution(LEGAL, floats=True) == LegalRangeOfFloats()
    assert range_caution(LEGAL, floats=False) is None
    assert range_caution(FULL, floats=True) is None
