"""The scene's page: what it says, and in a browser that nothing sticks out and axe-core finds nothing."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from huewright.models.cautions import CubeLimitsCodes, Flashing, HandedInPart, LightMayDiffer
from huewright.models.handed import ClipNoted, ConfigCorrection, ConfigOff
from huewright.models.reasons import Usable
from huewright.models.scene_made import (
    CamerasApart,
    ExportError,
    Failed,
    LeftBehind,
    LightEstimate,
    NoCorrection,
    PatchApart,
    Served,
)
from huewright.models.settings import SolveSettings
from huewright.models.shots import ShotProof
from huewright.report.scene_page import CameraCard, HandedLine, ScenePage, ShotLine, TakeLine, page_html, write_page

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
LONG = "a_rather_long_name_of_a_clip_that_somebody_gave_it_on_the_second_day"


def scene_page(folder: Path) -> ScenePage:
    pictures = []
    for name, level in (("before", 90), ("after", 160)):
        pictures.append(folder / f"{name}.jpg")
        assert cv2.imwrite(str(pictures[-1]), np.full((180, 320, 3), level, np.uint8))
    before, after = pictures
    cameras = ("A", "B", "<b>C & D</b>")
    patches = tuple(PatchApart(name, role, 8.0 + k, 0.2 + k / 10, ((0.4, 0.3, 0.2), (0.3, 0.3, 0.3), (0.5, 0.4, 0.3),
                                                                   (0.5, 0.4, 0.31)))
                    for k, (name, role) in enumerate((("white", "bar"), ("red", "chip"), ("skin", "check"))))
    apart = tuple(CamerasApart((one, other), ("a", "b"), patches) for one, other in (
        ("A", "B"), ("A", cameras[2]), ("B", cameras[2])))
    said = (CubeLimitsCodes(), LightMayDiffer(LONG, "a", -0.8, 0.9))
    shots = (
        ShotLine(LONG, "A", Served(("a",), "time code", 720.0), "10:12:00:00", 240, (before, after),
                 f"shots/{LONG}/{LONG}.####.exr", (f"luts/{LONG}.cube", f"luts/{LONG}.cdl"),
                 (ExportError("cube", 2e-5, 0.01), ExportError("cdl", 0.02, 0.2)), LightEstimate(-0.8, 0.9, 0.3), (
                     *said, Flashing(LONG, 5, False, 3, 20, 25.0, True)), None,
                 ShotProof(LONG, 240, 120, 25.0, True, False, 0, 1.5, 0.0, 0.25, 0.0, 5, 0, True, (3, 20))),
        ShotLine("between", "A", Served(("a", "b"), "named", 600.0, 0.25, 7200.0), "", 1, (before, after), "", (), (),
                 LightEstimate(level_stops=0.1), said[:1], None),
        ShotLine("none", "B", Served(("b",), "only take"), "", 5, None, "", (), (), None, (), NoCorrection("b")))
    takes = (TakeLine("a", "A", "10:00:00:00", 20, (3, 4, 5), Usable((3, 4, 5), 1.6), None, ()),
             TakeLine("b", "B", "", 4, (), None, Failed("take b can't support a correction"), ()))
    off = ConfigOff(1e-4, 0.02, (0.1, 0.2, 0.3), 0.01, 0.011)
    handed = (
        HandedLine("config", "ocio", "ocio/config.ocio", (
            ConfigCorrection("a", "A", "bt709", "a corrected", "uncorrected", "a", off, off, off),
            ConfigCorrection("b", "B", "bt709", "b corrected", "uncorrected", None, off, None, off)), (),
            (HandedInPart(("<b>c",)),), None),
        HandedLine("edit", "cut", "cut.otio", (), (ClipNoted(LONG, "V1", f"{LONG}.mov", LONG, "reel"),
                                                   ClipNoted("", "", "", None, None, (LONG, "none"))), (), None),
        HandedLine("edit", "old", "old.otio", (), (), (), Failed("old.otio has a CDL of its own")))
    return ScenePage("A kitchen, <i>invented</i>", SolveSettings(levels_ire={"middle": 45.0}), "honeycomb",
                     tuple(CameraCard(name, "a", "display", before, after) for name in cameras), apart, takes, shots,
                     handed, (LeftBehind("export", LONG, 1, f"luts/{LONG}.cube"),))


def test_it_says_what_serves_each_shot_and_what_is_not_there(tmp_path: Path) -> None:
    text = page_html(scene_page(tmp_path)).replace("\u00a0", " ")
    assert "2 cameras, 2 takes of the card, 3 shots: 1 rendered, 1 with LUT files; not done: b, none, old" in text
    assert "Take a, 12 min before the shot." in text and "chosen by time code" in text
    assert "Between takes a and b, 25 % of the 2 h from one to the other." in text
    assert "Not done: left out, for take b, on which it rests, gives no correction." in text
    assert "0.8 stops less red against green and 0.9 stops more blue against green" in text
    assert "Cameras A and B are 0.30 CIEDE2000 apart" in text and "(before: 9.00 and 10.00)" in text
    assert ("As rendered, 1.50 % of the pixels are above white and none below black of the display signal, 0.25 % "
            "outside -5 to 105 % (EBU R 103); 5 flashes within a second at the most, of three that") in text
    assert text.count("have the shot tested before it is shown") == 2      # at the top, and at its shot
    assert "The shots were screened for flashing" in text
    assert text.count("A .cube takes code values") == 1      # of two shots, said once
    assert "the configuration holds nothing of take &lt;b&gt;c" in text
    assert "no longer asks for it; 1 file of it" in text
    assert "1 clip with a correction, 1 without (one without a name)." in text and "look a" in text
    assert "since its code values can't be had back from light: b." in text and "Not done: old.otio has" in text
    assert "<i>invented" not in text and "<b>C" not in text and "http" not in text.replace("http-equiv", "")


sync_api = pytest.importorskip("playwright.sync_api", reason="the test extra is not installed")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no Chromium here; install the package chromium")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=[
            "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"])
        yield started
        started.close()


@pytest.mark.slow
@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (1280, "dark")])
def test_in_a_browser(browser: Any, tmp_path: Path, width: int, scheme: str) -> None:
    """axe-core (MPL-2.0) as axe-playwright-python ships it; its rules for WCAG 2.2 A and AA."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="the test extra is not installed")
    write_page(scene_page(tmp_path), tmp_path / "scene.html")
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)
    page, said = context.new_page(), []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto((tmp_path / "scene.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") == width
    outside = page.evaluate("""() => [...document.querySelectorAll('body *')]
        .filter(e => !e.closest('.scroll, .vh') && e.getClientRects().length
                     && e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 80))""")
    assert outside == []
    results = axe.Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa",
                                                       "best-practice"]}).response
    assert [(found["id"], [node["target"] for node in found["nodes"]]) for found in results["violations"]] == []
    assert said == []
    context.close()
