"""The effects' one description: settings, operations, masks, generated tables, page; and what the binary says."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from huewright.errors import InputError
from huewright.host import standard
from huewright.host.given import parameter_value
from huewright.host.objects import Journal, Parameter, PropertySet
from huewright.host.property_sets import parameter_properties
from huewright.models.card import load_card
from huewright.models.patches import save_patches
from huewright.models.reasons import NoCardInTake
from huewright.models.survey import FrameGrade, Survey, save_survey
from huewright.plugin.effects import EFFECTS, HUES, LUMA, bar_hue_deg, effect
from huewright.plugin.isolation import isolation_polygons
from huewright.provenance.digests import card_layout_sha256
from huewright.solver.simulate import FOOTAGE
from huewright.steps.ofx import describe_effects, list_plugins, write_patches
from huewright_kernels.ops import HueSectors, LogDecode, Matrix, ToneCurve, Transfer

CARD = Path(__file__).parents[2] / "demo" / "huewright_demo" / "card.toml"


def test_bar_hues_are_those_of_the_recommendation() -> None:
    """ITU-R BT.709-6 items 3.2 and 3.3: E'CB = (E'B - E'Y) / 1.8556, E'CR = (E'R - E'Y) / 1.5748."""
    bars = {"red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0), "cyan": (0, 1, 1), "blue": (0, 0, 1),
            "magenta": (1, 0, 1)}
    hues = []
    for name in HUES:
        r, g, b = bars[name]
        luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
        hue = np.degrees(np.arctan2((r - luma) / 1.5748, (b - luma) / 1.8556)) % 360
        assert bar_hue_deg(name, *LUMA["BT.709"]) == pytest.approx(hue, abs=1e-9)
        hues.append(hue)
    assert hues == sorted(hues)  # the order in which the parameters stand


def test_defaults_do_nothing() -> None:
    for name in ("HueSectors", "Lut", "Correction"):
        assert effect(name).operations() == ()
    assert effect("Correction").operations({"source": "parameters"}) == ()


def test_settings_become_operations() -> None:
    (sectors,) = effect("HueSectors").operations({"redRotation": 5.0, "blueGain": 1.2, "luma": "BT.2020"})
    assert isinstance(sectors, HueSectors) and (sectors.kr, sectors.kb) == LUMA["BT.2020"]
    assert dict(zip(sectors.hues_deg, sectors.rotations_deg, strict=True))[102.906] == 5.0
    chain = effect("Correction").operations({
        "source": "parameters", "decodeLog": 1, "exposure": 1.0, "balance": (1.0, 0.5, 2.0), "display": "bt709",
        "toneMiddle": (0.4, 0.45), "redGain": 1.1})
    assert [type(o) for o in chain] == [LogDecode, Matrix, Transfer, ToneCurve, HueSectors]
    assert chain[1].matrix == ((2.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 4.0))
    assert chain[0].lin_side_break is None and chain[3].y == (0.0, 0.45, 1.0)


def test_hues_may_be_given_in_any_order() -> None:
    (sectors,) = effect("HueSectors").operations({"redHue": 10.0, "magentaHue": 300.0, "redGain": 2.0})
    assert sectors.hues_deg == tuple(sorted(sectors.hues_deg)) and sectors.gains[0] == 2.0


@pytest.mark.parametrize(("settings", "words"), [
    ({"redTwist": 1}, "no parameter 'redTwist'; it has"), ({"redGain": 0.0}, "redGain lies between 0.001 and 100"),
    ({"redGain": float("nan")}, "finite"), ({"luma": "BT.601"}, "luma is one of BT.709, BT.2020"),
    ({"redRotation": 90.0}, "fold the order of hues")])
def test_settings_that_cannot_be(settings: dict, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        effect("HueSectors").operations(settings)


def test_isolation_cells_follow_the_perspective() -> None:
    corners = {"topLeft": (0.0, 100.0), "topRight": (100.0, 90.0), "bottomRight": (100.0, 10.0),
               "bottomLeft": (0.0, 0.0)}
    settings = effect("PatchIsolation").settings({**corners, "columns": 2})
    left, right = ([(x, -y) for x, y in quad] for quad in isolation_polygons(settings, 0.0))
    # A projective map keeps straight lines: the diagonals of the whole quad meet in the middle of the shared edge.
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = corners.values()
    t = np.linalg.solve([[x2 - x0, x1 - x3], [y2 - y0, y1 - y3]], [x1 - x0, y1 - y0])
    meeting = np.array([x0 + t[0] * (x2 - x0), y0 + t[0] * (y2 - y0)])
    shared = np.array([left[1], left[2]])
    assert np.allclose(shared, [right[0], right[3]])
    along = shared[1] - shared[0]
    assert abs(np.cross(np.append(along, 0), np.append(meeting - shared[0], 0))[2]) < 1e-9
    assert np.allclose(left[0], corners["topLeft"]) and np.allclose(right[2], corners["bottomRight"])


def test_isolation_of_a_card_is_the_projective_map_of_its_polygons(tmp_path: Path) -> None:
    """OpenCV's getPerspectiveTransform and perspectiveTransform (opencv.org) place the corners of every patch; the
    honeycomb's chips have six."""
    card = load_card(CARD)
    save_patches(card, tmp_path / "patches.json")
    corners = {"topLeft": (31.5, 300.0), "topRight": (420.0, 322.0), "bottomRight": (395.0, 40.0),
               "bottomLeft": (12.0, 18.0)}
    settings = effect("PatchIsolation").settings({**corners, "patchesFile": str(tmp_path / "patches.json")})
    seen = np.array([(x, 360.0 - y) for x, y in corners.values()], np.float32)
    matrix = cv2.getPerspectiveTransform(np.array(card.corners, np.float32), seen)
    for patch, polygon in zip(card.patches, isolation_polygons(settings, 360.0), strict=True):
        expected = cv2.perspectiveTransform(np.array([patch.polygon], np.float64), matrix)[0]
        assert len(polygon) == len(patch.polygon)
        shift = int(np.argmin(np.hypot(*(expected - polygon[0]).T)))   # the order may begin elsewhere
        turned = np.roll(expected, -shift, axis=0)
        assert min(np.abs(polygon - turned).max(), np.abs(polygon[1:] - turned[:0:-1]).max()) < 1e-3


def test_an_inset_leaves_the_inner_part_of_each_patch(tmp_path: Path) -> None:
    save_patches(load_card(CARD), tmp_path / "patches.json")
    given = {"patchesFile": str(tmp_path / "patches.json"), "topLeft": (0.0, 200.0), "topRight": (280.0, 200.0),
             "bottomRight": (280.0, 0.0), "bottomLeft": (0.0, 0.0)}
    whole, inner = (isolation_polygons(effect("PatchIsolation").settings(given | {"inset": inset}), 200.0)
                    for inset in (0.0, 0.4))
    for a, b in zip(whole, inner, strict=True):
        assert np.allclose(b - b.mean(axis=0), 0.6 * (a - a.mean(axis=0)))
        assert np.allclose(a.mean(axis=0), b.mean(axis=0))


def test_a_patches_file_takes_what_the_plug_in_takes(tmp_path: Path) -> None:
    card = load_card(CARD)
    many = replace(card, patches=tuple(replace(card.patches[0], name=f"p{k}") for k in range(257)))
    with pytest.raises(InputError, match="holds 1 to 256 patches, and here are 257"):
        save_patches(many, tmp_path / "x.json")
    round_one = tuple((50 + 20 * np.cos(a), 50 + 20 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 40, endpoint=False))
    with pytest.raises(InputError, match="patch 'white' has 40 corners, and a patches file takes 32"):
        save_patches(replace(card, patches=(replace(card.patches[0], polygon=round_one),)), tmp_path / "x.json")
    summary = write_patches(CARD, tmp_path / "chips.json", roles=["chip"])
    assert summary.patches == tuple(patch.name for patch in card.of_role("chip")) and summary.corners == ()
    with pytest.raises(InputError, match="no patch has the role 'colour'; there are bar, chip, check"):
        write_patches(CARD, tmp_path / "y.json", roles=["colour"])


def test_a_survey_tells_the_corners(tmp_path: Path) -> None:
    seen = ((10.0, 20.0), (50.25, 22.0), (49.0, 60.0), (11.0, 58.5))
    grades = (FrameGrade(1, "no card"), FrameGrade(2, "usable", corners=seen[::-1]),
              FrameGrade(3, "chosen", corners=seen))
    survey = Survey("take", str(CARD), "0" * 64, FOOTAGE, 64, 72, grades, None, False,
                    NoCardInTake(3, "demo"), card_layout_sha256=card_layout_sha256(load_card(CARD)))
    save_survey(survey, tmp_path / "survey.json")
    summary = write_patches(CARD, tmp_path / "a.json", survey_file=tmp_path / "survey.json")
    assert summary.frame == 3 and summary.settings == {
        "topLeft": (10.0, 52.0), "topRight": (50.25, 50.0), "bottomRight": (49.0, 12.0), "bottomLeft": (11.0, 13.5)}
    save_survey(replace(survey, card_layout_sha256="1" * 64), tmp_path / "other.json")
    with pytest.raises(InputError, match="made with a card whose patches lie elsewhere"):
        write_patches(CARD, tmp_path / "b.json", survey_file=tmp_path / "other.json")
    save_survey(replace(survey, grades=grades[:1]), tmp_path / "none.json")
    with pytest.raises(InputError, match="found the card in no frame"):
        write_patches(CARD, tmp_path / "b.json", survey_file=tmp_path / "none.json")
    assert not (tmp_path / "b.json").exists()


@pytest.mark.parametrize("given", [
    {"topLeft": (400.0, 200.0)},  # inwards
    {"topLeft": (500.0, 500.0), "topRight": (100.0, 500.0)},  # crossed
    {"topLeft": (500.0, 500.0)},  # two corners in one place
    {"topLeft": (300.0, 300.0)}])  # on the diagonal: a triangle
def test_isolation_refuses_what_is_no_convex_quad(given: dict) -> None:
    with pytest.raises(ValueError, match="convex quad"):
        isolation_polygons(effect("PatchIsolation").settings(given), 600.0)


def test_descriptions_are_complete() -> None:
    assert [e.identifier for e in EFFECTS] == ["org.huewright.HueSectors", "org.huewright.PatchIsolation",
                                               "org.huewright.Lut", "org.huewright.Correction"]
    for item in EFFECTS:
        names = [p.name for p in item.parameters]
        groups = {p.name for p in item.parameters if p.type == "Group"}
        assert len(names) == len(set(names)) <= 64  # MOST_PARAMETERS of the plug-in
        for p in item.parameters:
            assert f"OfxParamType{p.type}" in standard.PARAMETERS
            assert p.label and (p.hint or p.type == "Group") and (not p.group or p.group in groups)
            assert re.fullmatch(r"[a-z][A-Za-z0-9]*", p.name)
    with pytest.raises(ValueError, match="no effect 'Blur'"):
        effect("Blur")


def test_places_of_options_are_those_that_projects_hold() -> None:
    """ofxParam.h on kOfxParamPropChoiceOrder: a project stores the index of the selected option, and a plug-in never
    reorders options. A row of this table may only grow at its end."""
    held = {("HueSectors", "luma"): ("BT.709", "BT.2020"), ("Correction", "luma"): ("BT.709", "BT.2020"),
            ("Correction", "source"): ("file", "parameters"), ("Lut", "interpolation"): ("tetrahedral", "trilinear"),
            ("Correction", "display"): ("linear", "bt709", "bt1886", "srgb", "pq", "hlg")}
    assert {(item.name, p.name): p.options for item in EFFECTS for p in item.parameters if p.type == "Choice"} == held


def test_what_scripts_call_an_option_is_still_understood(binary: Path) -> None:
    """The binary shows words; the options' own names choose the same places in the host."""
    for plugin in list_plugins(binary):
        item = effect(plugin["identifier"])
        shown = {row["name"]: row["options"] for row in plugin["parameters"]}
        for p in item.parameters:
            if p.type != "Choice":
                continue
            assert shown[p.name] == list(p.shown_options) and len(p.shown_options) == len(p.options)
            held = {"OfxParamPropChoiceOption": list(p.shown_options)}
            described = Parameter(p.name, "OfxParamTypeChoice", PropertySet(
                p.name, parameter_properties("OfxParamTypeChoice"), held, Journal()))
            for place, (option, words) in enumerate(zip(p.options, p.shown_options, strict=True)):
                assert parameter_value(described, option) == parameter_value(described, words) == (place,)


def test_the_page_and_the_binary_say_the_same(binary: Path) -> None:
    page = describe_effects()
    plugins = {plugin["identifier"]: plugin for plugin in list_plugins(binary)}
    for item in EFFECTS:
        said = plugins[item.identifier]
        assert said["label"] == item.label and f"## {item.label} (`{item.identifier}`)" in page
        valued = [p for p in item.parameters if p.values]
        assert [row["name"] for row in said["parameters"]] == [p.name for p in valued]
        for row, p in zip(said["parameters"], valued, strict=True):
            default = p.default if isinstance(p.default, tuple) else (p.default,)
            assert tuple(row["default"]) == default and row["hint"] == p.hint
            assert f"| `{p.name}` |" in page
