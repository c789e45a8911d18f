"""The page in headless Chromium: divider, sorting, accessibility, phone, dark, print."""

from __future__ import annotations

import dataclasses
import io
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from huewright.models.cautions import Limits
from huewright.models.reasons import Covered
from huewright.models.shots import ShotProof
from huewright.report.page import write_page
from huewright.words import verdict_words
from PIL import Image

CHROMIUM = next((found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))),
                None)
pytestmark = [pytest.mark.slow,
              pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here; install the package chromium")]
sync_api = pytest.importorskip("playwright.sync_api", reason="the test extra is not installed")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=[
            "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def address(take, pictures, tmp_path_factory) -> str:
    names, folder = pictures
    path: Path = tmp_path_factory.mktemp("page") / "proof.html"
    write_page(take.proof, {name: folder / file for name, file in names.items()}, path)
    return path.as_uri()


@pytest.fixture(scope="module")
def bad_address(take, pictures, tmp_path_factory) -> str:
    """A page with all that can go wrong: limits missed, a note, long names, a shot that flashes."""
    names, folder = pictures
    rows = tuple(dataclasses.replace(row, reasons=(Covered(),)) for row in take.proof.patches)
    shot = ShotProof("scene-12-second-day/a_rather_long_name_of_a_shot.####.dpx", 240, 1007, 25.0, True, True, 0, 0.0,
                     0.0, 0.0, 1.25, 5, 0, True)
    proof = dataclasses.replace(take.proof, patches=rows, verdict="outside-limits", passed=False, shots=(shot,),
                                title="/".join(["long"] * 30), limits=Limits(1e-6, 1e-6, 1e-6))
    path: Path = tmp_path_factory.mktemp("bad") / "proof.html"
    files = {name: folder / file for name, file in names.items()}
    write_page(proof, {**files, "shot_1_before": files["before"], "shot_1_after": files["after"]}, path)
    return path.as_uri()


def _watched(context: Any, said: list[str]) -> Any:
    """A page of ``context``; what it says on the console or asks of a network is added to ``said``."""
    page = context.new_page()
    page.on("console", lambda message: said.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: None if re.match("data:|file:", request.url) else said.append(request.url))
    return page


@pytest.fixture
def open_page(browser, address) -> Iterator[Any]:
    """``open_page(width, height, ...)``: the page, failing at the end on any console message or request."""
    contexts, said = [], []

    def opened(width: int = 1200, height: int = 900, **options: Any) -> Any:
        contexts.append(browser.new_context(viewport={"width": width, "height": height}, **options))
        page = _watched(contexts[-1], said)
        page.goto(address)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert said == []


@pytest.fixture(scope="module")
def kept_pages(browser) -> Iterator[dict[str, tuple[Any, list[str]]]]:
    pages: dict[str, tuple[Any, list[str]]] = {}
    yield pages
    for page, _ in pages.values():
        page.context.close()


@pytest.fixture
def seen(browser, address, bad_address, kept_pages) -> Iterator[Any]:
    """``seen(kind, width, height, scheme)``: a page that is loaded once, for tests that only look at it."""
    def looked_at(kind: str, width: int, height: int, scheme: str = "light") -> Any:
        if kind not in kept_pages:
            said: list[str] = []
            kept_pages[kind] = _watched(browser.new_context(), said), said
            kept_pages[kind][0].goto({"good": address, "bad": bad_address}[kind])
        page = kept_pages[kind][0]
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme)
        return page

    yield looked_at
    assert [said for _, said in kept_pages.values() if said] == []


def _value(page: Any) -> int:
    slider = page.get_by_role("slider", name="Divider between before and after")
    value = slider.get_attribute("aria-valuenow")
    assert slider.get_attribute("aria-valuetext") == f"before on the left {value} percent"
    return int(value)


def _edge_percent(page: Any, take: Any) -> float:
    """Where the picture on screen changes from before to after, in percent of the width, found in its pixels."""
    stage = page.locator(".stage")
    page.add_style_tag(content=".divider,.tag{opacity:0}")
    shot = np.asarray(Image.open(io.BytesIO(stage.screenshot())).convert("RGB")).astype(float)
    size = (shot.shape[1], shot.shape[0])
    sides = [np.asarray(Image.fromarray(np.rint(np.clip(picture, 0, 1) * 255).astype(np.uint8)).resize(
        size, Image.Resampling.BILINEAR)).astype(float) for picture in (take.before, take.after)]
    to_before, to_after = (np.abs(shot - side).mean(axis=(0, 2)) for side in sides)
    return 100 * float((to_before < to_after).mean())


def test_the_divider_follows_the_keyboard(open_page, take):
    page = open_page()
    page.locator(".divider").focus()
    for key_presses, expected in ((("ArrowLeft",) * 3, 47), (("Shift+ArrowRight", "PageUp"), 67), (("Home",), 0),
                                  (("End",), 100)):
        for press in key_presses:
            page.keyboard.press(press)
        assert _value(page) == expected
        assert _edge_percent(page, take) == pytest.approx(expected, abs=0.6), key_presses


def test_the_divider_follows_the_mouse_and_lets_go(open_page, take):
    page = open_page()
    page.locator(".stage").scroll_into_view_if_needed()
    box = page.locator(".stage").bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.5, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.3, middle, steps=4)
    page.mouse.move(box["x"] + box["width"] * 0.22, 8, steps=4)      # outside, still held
    page.mouse.up()
    page.mouse.move(box["x"] + box["width"] * 0.9, middle)
    assert _value(page) == 22
    assert _edge_percent(page, take) == pytest.approx(22, abs=0.6)
    page.mouse.move(box["x"] - 40, middle)
    page.mouse.click(box["x"] + box["width"] * 0.8, middle)
    assert _value(page) == 80


def test_the_divider_follows_a_finger(open_page, take):
    page = open_page(390, 844, has_touch=True, is_mobile=True)
    page.locator(".stage").scroll_into_view_if_needed()
    box = page.locator(".stage").bounding_box()
    y = box["y"] + box["height"] / 2
    session = page.context.new_cdp_session(page)

    def touch(kind: str, share: float | None) -> None:
        points = [] if share is None else [{"x": box["x"] + box["width"] * share, "y": y}]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", 0.5)
    for share in (0.55, 0.62, 0.7):
        touch("touchMove", share)
    touch("touchEnd", None)
    assert _value(page) == pytest.approx(70, abs=1)
    assert _edge_percent(page, take) == pytest.approx(70, abs=1.5)


def test_each_divider_moves_its_own_picture_only(browser, take, pictures, tmp_path):
    names, folder = pictures
    files = {name: folder / file for name, file in names.items() if name in ("before", "after")}
    record = ShotProof("scene", 1, 7, 25.0, False, False, 0, 0.0, 0.0, 0.0, 0.0)
    write_page(dataclasses.replace(take.proof, shots=(record,)),
               {**files, "shot_1_before": files["before"], "shot_1_after": files["after"]}, tmp_path / "two.html")
    context = browser.new_context()
    page = context.new_page()
    page.goto((tmp_path / "two.html").as_uri())
    sliders = page.get_by_role("slider")
    assert sliders.count() == 2 and "scene, frame 7" in (sliders.nth(0).get_attribute("aria-label") or "")
    sliders.nth(1).press("Home")
    assert [sliders.nth(k).get_attribute("aria-valuenow") for k in (0, 1)] == ["50", "0"]
    context.close()


def _column(page: Any, index: int) -> list[str]:
    return page.locator("#patches tbody tr").evaluate_all("(rows, i) => rows.map(r => r.cells[i].textContent)", index)


def test_the_table_sorts_by_any_column_with_gaps_last(open_page):
    page = open_page()
    given = _column(page, 0)
    heads = page.locator("#patches thead tr:last-child th[aria-sort]")
    assert heads.count() == 14
    for index in range(heads.count()):
        head = heads.nth(index)
        button = head.get_by_role("button")
        for direction in ("ascending", "descending"):
            button.focus()
            page.keyboard.press("Enter")
            assert head.get_attribute("aria-sort") == direction
            assert page.locator("th[aria-sort=ascending], th[aria-sort=descending]").count() == 1
            cells = _column(page, index)
            filled = [cell for cell in cells if cell]
            assert cells[:len(filled)] == filled
            keys: list[Any] = filled
            if index >= 2:
                keys = [float(cell.replace("−", "-")) for cell in filled]
                keys = [abs(key) for key in keys] if index in (2, 3) else keys     # hue errors sort by size
            assert keys == sorted(keys, reverse=direction == "descending"), index
            assert sorted(_column(page, 0)) == sorted(given)
    names = [head.get_by_role("button").get_attribute("aria-label") for head in heads.all()]
    assert len(set(names)) == 14


@pytest.mark.parametrize(("width", "kind", "scheme"), [
    (360, "good", "light"), (1200, "good", "dark"), (1200, "bad", "light"),
    *(pytest.param(*case, marks=pytest.mark.long)
      for case in [(360, "good", "dark"), (1200, "good", "light"), (1200, "bad", "dark")])])
def test_axe_core_finds_nothing(seen, scheme, width, kind):
    """axe-core (MPL-2.0) as axe-playwright-python ships it; its rules for WCAG 2.2 A and AA."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="the test extra is not installed")
    page = seen(kind, width, 900, scheme)
    assert page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches") == (scheme == "dark")
    results = axe.Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa",
                                                       "best-practice"]}).response
    assert [(found["id"], [node["target"] for node in found["nodes"]]) for found in results["violations"]] == []
    passed = {found["id"] for found in results["passes"]}
    assert {"color-contrast", "image-alt", "button-name", "page-has-heading-one", "td-headers-attr"} <= passed


def test_axe_core_would_find_a_fault(open_page):
    """So that the check above is known to be able to fail."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="the test extra is not installed")
    page = open_page()
    page.evaluate("document.querySelector('.sentence').style.color = '#d8d0c0';"
                  "document.querySelector('.scope img').removeAttribute('alt')")
    found = {row["id"] for row in axe.Axe().run(page).response["violations"]}
    assert {"color-contrast", "image-alt"} <= found


@pytest.mark.parametrize("width", [320, 390, 800, 1280])
@pytest.mark.parametrize("kind", ["good", "bad"])
def test_nothing_sticks_out_sideways(seen, width, kind):
    page = seen(kind, width, 740)
    assert page.evaluate("document.documentElement.scrollWidth") == width
    outside = page.evaluate("""() => [...document.querySelectorAll('body *')]
        .filter(e => !e.closest('.scroll, .vh, .divider') && e.getClientRects().length
                     && e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 80))""")
    assert outside == []
    assert page.evaluate("[...document.querySelectorAll('.scroll')].every(e => e.tabIndex === 0)")


def test_on_a_phone_a_scope_panel_takes_the_width(seen):
    page = seen("good", 360, 740)
    widths = page.locator(".scope img.day").evaluate_all("images => images.map(i => i.getBoundingClientRect().width)")
    assert len(widths) == 14 and min(widths) > 320


def test_day_and_night_and_the_button(open_page):
    def ground(page: Any) -> float:
        return float(np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("L"))[:40, :20].mean())

    light, dark = open_page(color_scheme="light"), open_page(color_scheme="dark")
    assert ground(light) > 220 and ground(dark) < 40
    for page, visible in ((light, "day"), (dark, "night")):
        assert page.locator(f".scope img.{visible}").first.is_visible()
        assert page.locator(".scope img:visible").count() == 14
    button = light.get_by_role("button", name="Background")
    button.click()
    assert ground(light) > 220
    button.click()
    assert "dark" in button.inner_text() and ground(light) < 40 and light.locator("img.night").first.is_visible()


def test_it_prints_both_pictures_side_by_side_and_no_controls(open_page):
    page = open_page(color_scheme="dark")
    page.locator(".divider").press("Home")
    page.emulate_media(media="print")
    boxes = [page.locator(f".shot.{side} img").bounding_box() for side in ("before", "after")]
    assert boxes[0]["x"] + boxes[0]["width"] <= boxes[1]["x"] and abs(boxes[0]["y"] - boxes[1]["y"]) < 1
    assert page.locator(".shot.before").evaluate("e => getComputedStyle(e).clipPath") == "none"
    assert not page.locator(".divider").is_visible() and not page.locator("#ground").is_visible()
    assert page.locator(".scope img.night:visible").count() == 0
    assert page.locator(".scope img.day:visible").count() == 14
    pdf = page.pdf(prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF-") and 2 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 10
    assert len(re.findall(rb"/Subtype\s*/Image\b", pdf)) >= 16


def test_without_scripts_both_pictures_and_all_text_are_there(open_page, take):
    page = open_page(java_script_enabled=False)
    assert page.get_by_text(verdict_words(take.proof)).is_visible()
    assert all(page.locator(f".shot.{side} img").is_visible() for side in ("before", "after"))
    assert not page.locator(".divider").is_visible()


HOSTILE = ("<img src=x onerror='window.hit=1'>", "</title></script><script>window.hit=1</script>",
           "\" onmouseover=\"window.hit=1\" x=\"", "'><svg onload=window.hit=1>", "javascript:window.hit=1",
           "--><script>window.hit=1</script>", "{{ 7*7 }}", "\u202egpj.exe", "&lt;b&gt;")


@pytest.mark.long
def test_names_from_files_are_text_to_a_browser(browser, take, pictures, tmp_path):
    """Title, patches, shots, card and camera by hostile names: shown letter for letter, never run."""
    names, folder = pictures
    name = "".join(HOSTILE)
    rows = tuple(dataclasses.replace(row, name=f"{HOSTILE[number % len(HOSTILE)]}{number}", reasons=(Covered(),))
                 for number, row in enumerate(take.proof.patches))
    shot = ShotProof(name, 2, 1, 25.0, True, True, 0, 0.0, 0.0, 0.0, 0.0)
    subject = dataclasses.replace(take.proof.subject, card=name, encoding=name)
    proof = dataclasses.replace(take.proof, patches=rows, shots=(shot,), title=name, declaration=name, subject=subject)
    path = tmp_path / "proof.html"
    files = {name: folder / file for name, file in names.items()}
    write_page(proof, {**files, "shot_1_before": files["before"], "shot_1_after": files["after"]}, path)
    context = browser.new_context(viewport={"width": 1200, "height": 900})
    said: list[str] = []
    try:
        page = context.new_page()
        for event in ("dialog", "pageerror", "console"):
            page.on(event, lambda told: said.append(str(told)))
        page.on("request", lambda request: None if re.match("data:|file:", request.url) else said.append(request.url))
        page.goto(path.as_uri())
        for button in page.locator("th button").all()[:2]:
            button.click()
        assert page.evaluate("window.hit === undefined")
        assert page.title().startswith(name.strip()) and page.locator("body").inner_text().count(name) >= 2
        assert all(f"{text}{number}" in page.locator("body").inner_text() for number, text in enumerate(HOSTILE[:4]))
        assert page.locator("script").count() == 1 and page.locator("[onerror],[onload],[onmouseover]").count() == 0
        assert not page.evaluate("[...document.links].some(link => link.href.startsWith('javascript:'))")
    finally:
        context.close()
    assert said == []
