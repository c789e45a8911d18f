"""Footage of which only the display LUT is known, the names that an encoding takes, and slips of the keyboard."""

from __future__ import annotations

from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.curves import curve_names
from huewright.colorimetry.declare import declare_footage
from huewright.colorimetry.inverse import inverse_operations
from huewright.colorimetry.targets import reference_rgb, targets_for
from huewright.errors import InputError
from huewright.finding.light import LinearLight
from huewright.models.card import Card, load_card
from huewright.models.cautions import OnlyThroughLook
from huewright.models.reading import PatchReading, Reading
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.steps.inputs import encoding_names
from huewright_kernels.ops import Transfer

LOG = declare_footage(encoding="ACEScct")
# An invented look: mixes the channels a little before BT.709's OETF.
MIX = np.array([[0.9, 0.08, 0.02], [0.05, 0.9, 0.05], [0.02, 0.08, 0.9]])


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


@pytest.fixture(scope="module")
def look(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A 33-point .cube from ACEScct codes to a BT.709 picture, red fastest as the format has it."""
    axis = np.linspace(0, 1, 33)
    blue, green, red = np.meshgrid(axis, axis, axis, indexing="ij")
    codes = np.stack([red, green, blue], axis=-1).reshape(-1, 3)
    light = np.maximum(apply_chain(LOG.to_linear(), codes), 0) @ MIX.T
    picture = np.clip(apply_chain((Transfer("bt709", "encode"),), light), 0, 1)
    path = tmp_path_factory.mktemp("look") / "look.cube"
    path.write_text("LUT_3D_SIZE 33\n" + "\n".join(f"{r:.6f} {g:.6f} {b:.6f}" for r, g, b in picture) + "\n")
    return path


def test_a_look_alone_is_enough_and_says_what_it_costs(card: Card, look: Path) -> None:
    patches = []
    for name, rgb in reference_rgb(card, "bt709").items():
        light = apply_chain((Transfer("bt709", "decode"),), np.array(rgb)) * 2.0**-0.8 * np.array([1.15, 1.0, 0.9])
        code = apply_chain(inverse_operations(LOG.to_linear()), light)
        patches.append(PatchReading(name, tuple(code.tolist()), tuple(map(tuple, (np.eye(3) * 1e-8).tolist())),
                                    (2e-5, 2e-5, 2e-5), 1000.0))
    correction = solve(Reading(tuple(patches)), card, declare_footage(encoding="through-look", look=look))
    assert correction.cautions[0] == OnlyThroughLook()
    assert correction.diagnostics.declaration == "not checked"
    targets = targets_for(card)
    for row in correction.patches:
        if row.role == "bar":
            assert row.level_error_ire == pytest.approx(0, abs=0.5)
            assert row.target[0] == pytest.approx(targets[row.name].luma)
        elif row.role == "chip":
            assert row.hue_error_deg == pytest.approx(0, abs=0.5) and row.radius_ratio == pytest.approx(1, abs=0.01)
    assert (correction.diagnostics.check_delta_e_after_mean < 2
            < correction.diagnostics.check_delta_e_before_mean)


def test_light_through_a_look_goes_there_and_back(look: Path) -> None:
    """Where the survey takes uneven light off, a coloured patch must keep its colour."""
    light = LinearLight(declare_footage(encoding="through-look", look=look))
    codes = np.array([[0.45, 0.3, 0.35], [0.3, 0.5, 0.4]])
    assert light.to_code(light.to_linear(codes)) == pytest.approx(codes, abs=1e-3)


def test_what_goes_with_a_look_is_said(look: Path) -> None:
    with pytest.raises(InputError, match="give it with --look"):
        declare_footage(encoding="through-look")
    with pytest.raises(InputError, match="--encoding through-look where you don't know it"):
        declare_footage(encoding="display", look=look)
    with pytest.raises(InputError, match="leave out --ocio-config"):
        declare_footage(encoding="through-look", look=look, ocio_config="ocio://default")


def test_the_names_are_all_that_an_encoding_takes(look: Path) -> None:
    names = encoding_names()
    assert set(curve_names()) < set(names) and len(set(names)) == len(names)
    for name in names[:8]:
        declare_footage(encoding=name, look=look if name == "through-look" else None)


def test_a_short_form_of_a_longer_name_finds_it() -> None:
    name = max((name for name in curve_names() if " " in name), key=len)
    short = max(name.split(), key=len)
    with pytest.raises(InputError, match="close names"):
        declare_footage(encoding=short + "zz")
    if short not in curve_names():
        with pytest.raises(InputError) as said:
            declare_footage(encoding=short)
        assert name in str(said.value)
    with pytest.raises(InputError, match="--encoding list"):
        declare_footage(encoding="qqqqqqqq")


def test_a_percentage_is_answered_with_the_fraction(card: Card) -> None:
    with pytest.raises(InputError, match=r"50 % is 0\.5"):
        targets_for(card, fraction=50)
