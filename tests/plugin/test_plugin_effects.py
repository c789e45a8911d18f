"""The effects' one description: settings, operations, masks, generated tables, page; and what the binary says."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from huewright.host import standard
from huewright.plugin.effects import EFFECTS, HUES, LUMA, bar_hue_deg, effect, isolation_polygons
from huewright.steps.ofx import describe_effects, list_plugins
from huewright_kernels.ops import HueSectors, LogDecode, Matrix, ToneCurve, Transfer


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
