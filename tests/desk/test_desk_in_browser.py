"""The page in headless Chromium, served by the command: the whole job once, by mouse, touch and keyboard."""

from __future__ import annotations

import json
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hardening.lab import small_disk
from huewright.cli import app

CHROMIUM = next((found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))),
                None)
pytestmark = [pytest.mark.slow,
              pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here; install the package chromium")]
sync_api = pytest.importorskip("playwright.sync_api", reason="the test extra is not installed")
PATIENCE_S = 60.0
STEPS = ("frames", "reading", "targets", "picture", "write")


@pytest.fixture(scope="module")
def served(shoot: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """The address that `huewright desk` prints, and the folder that it writes into; it ends by Ctrl-C, well."""
    out = tmp_path_factory.mktemp("written")
    command = [sys.executable, "-c", "from huewright.cli import main; main()", "desk", "take/a.####.dpx", "--card",
               "card.toml", "--encoding", "ACEScct", "--shot", "shot/s.####.dpx", "--survey", out / "survey.json",
               "--out", out / "correction.json", "--chip-fraction", "red=0.55", "--json-lines"]
    process = subprocess.Popen(command, cwd=shoot, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None and process.stderr is not None
        line = process.stdout.readline()
        assert line.startswith('{"address": "http://127.0.0.1:'), line + process.stderr.read()
        yield json.loads(line)["address"], out
        process.send_signal(signal.SIGINT)
        assert process.wait(240) == 0, process.stderr.read()
        assert "Traceback" not in process.stderr.read()
    finally:
        process.kill()
        process.wait(240)
        process.stdout.close()
        process.stderr.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=[
            "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"])
        yield started
        started.close()


@pytest.fixture
def open_page(browser: Any, served: tuple[str, Path]) -> Iterator[Callable[..., Any]]:
    """The page, once its first picture is there; fails at the end on any message or request to elsewhere."""
    said: list[str] = []
    contexts = []

    def opened(**options: Any) -> Any:
        context = browser.new_context(**options)
        contexts.append(context)
        page = context.new_page()
        # What is refused in a sentence, or superseded, the browser notes by its status.
        page.on("console", lambda message: "status of 422" in message.text or "status of 409" in message.text
                or said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: request.url.startswith(served[0]) or said.append(request.url))
        page.goto(served[0])
        until(lambda: pictures(page) > 0)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert said == []


def until(happened: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.02)


def pictures(page: Any) -> int:
    return int(page.locator("html").get_attribute("data-count") or 0)


def show(page: Any, step: str) -> None:
    page.locator(f"[data-step={step}] h2 button").click()


def drawn(page: Any, canvas: str) -> str:
    """What the canvas shows, as a small picture's address; empty where it shows nothing."""
    return str(page.evaluate("""id => {
        const canvas = document.getElementById(id), small = document.createElement("canvas");
        if (canvas.hidden || !canvas.width) return "";
        [small.width, small.height] = [160, 90];
        small.getContext("2d").drawImage(canvas, 0, 0, 160, 90);
        return small.toDataURL();
    }""", canvas))


def violations(page: Any) -> list[str]:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [f"{rule['id']}: {node['html'][:120]}" for rule in found for node in rule["nodes"]]


def test_the_whole_job(open_page: Callable[..., Any], served: tuple[str, Path], shoot: Path,
                       monkeypatch: pytest.MonkeyPatch) -> None:
    page, out = open_page(viewport={"width": 1280, "height": 900}), served[1]
    # Frames: scrub to the reflecting one, read why it was refused, take a merged one out.
    page.locator("#scrub").focus()
    while "Frame 4" not in page.locator("#frame-title").inner_text():
        page.keyboard.press("ArrowRight")
    assert "refused" in page.locator("#frame-title").inner_text() and page.locator("#frame-reasons").inner_text()
    before = page.locator("#sum-frames").inner_text()
    page.locator("#strip button", has_text="3").click()
    page.get_by_label("leave out").check()
    until(lambda: page.locator("#sum-frames").inner_text() != before)
    assert page.locator("#frame-reasons").inner_text().startswith("Left out by hand")
    # Reading: a corner by the mouse, and then by the keyboard.
    page.locator("#strip button", has_text="2").click()
    until(lambda: "Frame 2" in page.locator("#picture-said").inner_text())
    show(page, "reading")
    corner = page.get_by_role("button", name="Top left corner")
    until(corner.is_visible)
    reading, was = page.locator("#reading").inner_text(), corner.get_attribute("aria-label")
    box = corner.bounding_box()
    page.mouse.move(box["x"] + 22, box["y"] + 22)
    page.mouse.down()
    page.mouse.move(box["x"] + 26, box["y"] + 19, steps=4)
    assert page.locator("#loupe").is_visible()
    page.mouse.up()
    until(lambda: "corners are yours" in page.locator("#corners-said").inner_text())
    dragged = corner.get_attribute("aria-label")
    assert dragged != was and page.locator("#reading").inner_text() != reading
    corner.focus()
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("ArrowRight")
    until(lambda: "--corners-at" in page.locator("#commands").text_content())
    assert corner.get_attribute("aria-label") != dragged
    # Targets: a level by its number, a hue and a strength; picture and scopes follow.
    show(page, "targets")
    until(lambda: bool(drawn(page, "canvas-after")))
    for field, value in (("#level-middle", "46"), ("#strength-hues", "60"), ("#fraction", "0.4")):
        picture, scope = drawn(page, "canvas-after"), drawn(page, "ink-vectorscope")
        page.fill(field, value)     # one that was on its way before may come first
        until(lambda picture=picture: drawn(page, "canvas-after") != picture)
        if field != "#level-middle":
            until(lambda scope=scope: drawn(page, "ink-vectorscope") != scope)
    page.get_by_label("Hue of blue turned by, degrees").fill("1.5")
    page.fill("#level-white", "400")
    assert "a number from -5 to 105 can be had, not 400" in page.locator("#trouble").inner_text()
    page.fill("#level-white", "30")
    until(lambda: "keep their order" in page.locator("#trouble").inner_text())
    page.fill("#level-white", "93")
    until(lambda: page.locator("#trouble").is_hidden() and bool(drawn(page, "canvas-after")))
    # Picture: before by a key; the patches alone; a shot.
    show(page, "picture")
    page.locator("[data-step=picture] h2 button").focus()
    page.keyboard.down("b")
    assert page.locator("#canvas-after").evaluate("canvas => getComputedStyle(canvas).visibility") == "hidden"
    page.keyboard.up("b")
    scope = drawn(page, "ink-waveform")
    page.get_by_label("the card's patches alone").check()
    until(lambda: drawn(page, "ink-waveform") != scope)
    page.select_option("#shot", "1")
    until(lambda: "Frame" not in page.locator("#picture-said").inner_text().split()[0])
    until(lambda: page.locator("#cautions li").count() > 0)
    assert any("decided by hand" in text.lower() for text in page.locator("#cautions li").all_inner_texts())
    # Write: never over a file without a yes, and what the commands beside it write.
    show(page, "write")
    (out / "correction.json").write_text("mine", encoding="utf-8")
    page.locator("#write").click()
    until(page.locator("#ask").is_visible)
    page.keyboard.press("Escape")
    assert (out / "correction.json").read_text(encoding="utf-8") == "mine"
    with suppress(pytest.skip.Exception), small_disk(out, "8k"):
        page.locator("#write").click()
        until(lambda: page.locator("#written").inner_text() == "Nothing was written.")
        assert "No space left on device; choose another place." in page.locator("#trouble").inner_text()
        assert not list(out.iterdir())
    page.locator("#write").click()
    until(page.locator("#ask").is_visible)
    page.locator("#ask-yes").click()
    until(lambda: page.locator("#written").inner_text().startswith("Wrote"))
    written = {name: (out / name).read_bytes() for name in ("survey.json", "correction.json")}
    monkeypatch.chdir(shoot)
    for command in page.locator("#commands").inner_text().splitlines():
        app([*shlex.split(command)[1:], "--overwrite"], standalone_mode=False)
    assert {name: (out / name).read_bytes() for name in written} == written


@pytest.mark.parametrize("options", [
    pytest.param({"viewport": {"width": 1280, "height": 900}}, marks=pytest.mark.long),
    {"viewport": {"width": 1280, "height": 900}, "color_scheme": "dark"},
    {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}])
def test_every_step_can_be_used_by_anybody(open_page: Callable[..., Any], options: dict[str, Any]) -> None:
    page = open_page(**options)
    for step in STEPS:
        show(page, step)
        if step == "picture":
            until(lambda: page.locator("#landing tr").count() > 0)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), step
        assert not violations(page), step
    if options.get("has_touch"):
        show(page, "reading")
        corner = page.get_by_role("button", name="Bottom right corner")
        until(corner.is_visible)
        box = corner.bounding_box()
        assert min(box["width"], box["height"]) >= 44       # WCAG 2.2, success criterion 2.5.5
