"""The page of a scene: cameras beside each other on the card, each take, each shot with what serves it and its files.

One file with everything inside, as :mod:`huewright.report.page`; the rendered files are named, not linked.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from huewright import words
from huewright.colorimetry.shown import shown_in_srgb, shown_note
from huewright.files import write_text
from huewright.models.cautions import Caution, Flashing
from huewright.models.handed import ClipNoted, ConfigCorrection
from huewright.models.reasons import Advice
from huewright.models.scene_made import CamerasApart, ExportError, Kind, LeftBehind, LightEstimate, Served, Why
from huewright.models.settings import SolveSettings
from huewright.models.shots import ShotProof
from huewright.report.page import data_uri, opened, page_head, templates
from huewright.report.tables import number_ranges
from huewright.words.handed import clip_words, clips_words
from huewright.words.keys import scene_sentence
from huewright.words.scene import after_words, apart_words, left_words, screen_words, screened_words, served_words


@dataclass(frozen=True)
class CameraCard:
    """A camera by one of its takes: the card, straightened, before and after."""

    camera: str
    take: str
    encoding: str
    before: Path
    after: Path


@dataclass(frozen=True)
class TakeLine:
    """A take: when it began as its file says ("" unknown), its frames and the chosen ones, what the survey advises
    (None: no survey), and what keeps it from a correction."""

    name: str
    camera: str
    begins: str
    frames: int
    chosen: tuple[int, ...]
    advice: Advice | None
    trouble: Why | None
    cautions: tuple[Caution, ...]


@dataclass(frozen=True)
class ShotLine:
    """A shot. ``pictures`` of its middle frame before and after; ``rendered`` the pattern or movie, "" where nothing
    was rendered; ``files`` beside it, all by their paths in the scene's folder; ``screened`` is what was found in the
    rendered frames."""

    name: str
    camera: str
    served: Served
    begins: str
    frames: int
    pictures: tuple[Path, Path] | None
    rendered: str
    files: tuple[str, ...]
    exports: tuple[ExportError, ...]
    light: LightEstimate | None
    cautions: tuple[Caution, ...]
    trouble: Why | None
    screened: ShotProof | None = None


@dataclass(frozen=True)
class HandedLine:
    """What other programs get of the whole scene: a configuration or an edit, and its ``file``."""

    kind: Kind
    name: str
    file: str
    configured: tuple[ConfigCorrection, ...]
    clips: tuple[ClipNoted, ...]
    cautions: tuple[Caution, ...]
    trouble: Why | None


@dataclass(frozen=True)
class ScenePage:
    """All that the page shows."""

    title: str
    settings: SolveSettings
    card: str
    cameras: tuple[CameraCard, ...]
    apart: tuple[CamerasApart, ...]
    takes: tuple[TakeLine, ...]
    shots: tuple[ShotLine, ...]
    handed: tuple[HandedLine, ...] = ()
    left: tuple[LeftBehind, ...] = ()


def write_page(page: ScenePage, path: Path | str) -> None:
    """Writes the page over what is there."""
    write_text(path, page_html(page), overwrite=True)


def page_html(page: ScenePage) -> str:
    environment = templates()
    lines: tuple[TakeLine | ShotLine | HandedLine, ...] = (*page.takes, *page.shots, *page.handed)
    troubled = [line.name for line in lines if line.trouble is not None]
    shared, own = _cautions(page)
    return environment.get_template("scene.html").render(
        **page_head("page.css", "scene.css"), title=page.title, tone="missed" if troubled else "torn" if shared or any(
            own.values()) else "held",
        heading=_heading(page, troubled), sentences=[apart_words(apart) for apart in page.apart],
        lone=len({take.camera for take in page.takes}) == 1, cautions=shared,
        cards=[_card(card) for card in page.cameras], pairs=[_pair(apart) for apart in page.apart],
        patches=_patches(page), shown_note=shown_note(page.settings.display),
        takes=[_take(take) for take in page.takes], shots=[_shot(shot, own[shot.name]) for shot in page.shots],
        screened=screen_words() if any(shot.screened for shot in page.shots) else "",
        handed=[_handed(line) for line in page.handed], left=left_words(page.left), facts=_facts(page))


def _heading(page: ScenePage, troubled: list[str]) -> str:
    rendered = sum(bool(shot.rendered) for shot in page.shots)
    exported = sum(bool(shot.files) for shot in page.shots)
    cameras = len({take.camera for take in page.takes})
    said = (f"{words.counted(cameras, 'camera')}, {words.counted(len(page.takes), 'take')} of the card, "
            f"{words.counted(len(page.shots), 'shot')}: {rendered} rendered, {exported} with LUT files")
    return said + (f"; not done: {', '.join(troubled)}" if troubled else "")


def _cautions(page: ScenePage) -> tuple[list[str], dict[str, list[str]]]:
    """Those that several shots or a take have, once; and by shot its own."""
    met: dict[Caution, int] = {}
    for shot in page.shots:
        for one in dict.fromkeys(shot.cautions):
            met[one] = met.get(one, 0) + 1
    many = [one for one, count in met.items() if count > 1]
    harm = [one for one in words.in_order(met) if isinstance(one, Flashing) and one not in many]
    of_takes = [(f"take {take.name}: ", one) for take in page.takes for one in words.in_order(take.cautions)]
    shared = [scene_sentence(one) for one in harm]      # at the top as well as at its shot
    shared += [f"{head}{scene_sentence(one)}" for head, one in of_takes]
    shared += [f"{line.file}: {scene_sentence(one)}" for line in page.handed for one in words.in_order(line.cautions)
               if one not in met]
    shared += [scene_sentence(one) for one in words.in_order(many)]
    return list(dict.fromkeys(shared)), {shot.name: [scene_sentence(one) for one in words.in_order(shot.cautions)
                                                     if one not in many] for shot in page.shots}


def _facts(page: ScenePage) -> list[dict[str, str]]:
    settings = page.settings
    rows = [("Card", page.card), ("Display", words.display_words(settings.display)), ("Method", settings.method),
            ("Targets", settings.mode)]
    if settings.mode == "vectorscope":
        rows.append(("Chips, of the way to their bars", f"{100 * settings.fraction:g} %"))
    if not settings.strength.full:
        rows.append(("Strength", f"levels {settings.strength.levels:g}, hues {settings.strength.hues:g}"))
    if settings.levels_ire:
        rows.append(("Levels asked for", ", ".join(f"{name} {value:g} IRE" for name, value in
                                                   settings.levels_ire.items())))
    return [{"label": label, "text": text} for label, text in rows]


def _card(card: CameraCard) -> dict[str, Any]:
    return {"camera": card.camera, "take": card.take, "encoding": card.encoding,
            "pictures": [_picture(path, side) for path, side in ((card.before, "before"), (card.after, "after"))]}


def _picture(path: Path, side: str) -> dict[str, Any]:
    width, height = opened(path).size
    return {"uri": data_uri(path.read_bytes(), "image/jpeg"), "width": width, "height": height, "side": side}


def _pair(apart: CamerasApart) -> dict[str, Any]:
    rows = []
    for label, role in (("all", None), ("bars", "bar"), ("chips", "chip"), ("checks", "check")):
        figures = apart.figures(role)
        if figures is not None:
            rows.append({"label": label, "figures": [f"{value:.2f}" for value in figures]})
        fitted = apart.fitted(role)
        if fitted is not None:
            rows.append({"label": f"{label}, as fitted", "figures": ["", "", *(f"{value:.2f}" for value in fitted)]})
    return {"name": f"{apart.cameras[0]} and {apart.cameras[1]}", "takes": f"takes {apart.takes[0]} and "
            f"{apart.takes[1]}", "rows": rows, "left_out": apart.fitted() is not None}


def _patches(page: ScenePage) -> list[dict[str, Any]]:
    """A row for each patch: its colour in the two cameras of each pair, and how far they are apart."""
    names = list(dict.fromkeys((row.name, row.role) for apart in page.apart for row in apart.patches))
    found = []
    for name, role in names:
        cells = []
        for apart in page.apart:
            row = next((each for each in apart.patches if each.name == name), None)
            cells.append(None if row is None else {
                "before": f"{row.before:.2f}", "after": f"{row.after:.2f}",
                "swatches": [_swatch(colour, page.settings.display) for colour in row.colours]})
        found.append({"name": name, "role": role, "cells": cells})
    return found


def _swatch(signal: tuple[float, float, float], display: str) -> str:
    red, green, blue = (round(255 * float(value)) for value in shown_in_srgb([[signal]], display).srgb[0, 0])
    return f"#{red:02x}{green:02x}{blue:02x}"


def _take(take: TakeLine) -> dict[str, Any]:
    state = ("" if take.advice is None else scene_sentence(take.advice)) if take.trouble is None else scene_sentence(
        take.trouble)
    return {"name": take.name, "camera": take.camera, "begins": take.begins or "unknown", "frames": take.frames,
            "chosen": number_ranges(take.chosen), "state": state, "trouble": take.trouble is not None}


def _shot(shot: ShotLine, cautions: Iterable[str]) -> dict[str, Any]:
    return {"name": shot.name, "camera": shot.camera, "begins": shot.begins, "frames": shot.frames,
            "served": served_words(shot.served), "after": after_words(shot.served.after_s),
            "choice": {"named": "named by a person", "only take": "its camera's only take",
                       "time code": "chosen by time code"}[shot.served.choice],
            "pictures": [] if shot.pictures is None else [_picture(path, side) for path, side in zip(
                shot.pictures, ("before", "after"), strict=True)],
            "rendered": bool(shot.rendered), "files": [*([shot.rendered] if shot.rendered else []), *shot.files],
            "exports": [_off(each) for each in shot.exports],
            "screened": "" if shot.screened is None else screened_words(shot.screened),
            "light": _light(shot.light), "cautions": list(cautions),
            "trouble": None if shot.trouble is None else scene_sentence(shot.trouble)}


def _handed(line: HandedLine) -> dict[str, Any]:
    """A configuration's corrections, each by its view and its look, or an edit's clips."""
    rows = []
    for one in line.configured:
        for what, off in ((f"view {one.view}", one.shown), (f"look {one.look}", one.looked)):
            if off is not None:
                rows.append([one.name, one.camera, what, *(words.percent_words(100 * value) for value in (
                    off.mean, off.in_gamut_worst, off.worst))])
    clips = [[clip.track or "video", clip.name or "without a name", clip.media or "none", clip_words(clip)]
             for clip in line.clips]
    return {"kind": line.kind, "file": line.file, "rows": rows, "clips": clips,
            "only": [one.name for one in line.configured if one.looked is None],
            "count": clips_words(line.clips) if line.clips else "",
            "trouble": None if line.trouble is None else scene_sentence(line.trouble)}


def _off(export: ExportError) -> str:
    mean, worst = (words.percent_words(100 * value) for value in (export.mean, export.worst))
    return (f"{_KINDS.get(export.kind, export.kind)} off the render by {mean} of full scale in the mean, {worst} at "
            "the worst")


_KINDS = {"cube": ".cube", "cdl": "ASC CDL (without hues, ahead of the transform to display)"}


def _light(light: LightEstimate | None) -> str:
    if light is None or light.level_stops is None:
        return "not estimated"
    if light.red_stops is None or light.blue_stops is None:
        return f"level {light.level_stops:+.1f} stops; balance not estimated"
    return (f"red {light.red_stops:+.1f}, blue {light.blue_stops:+.1f}, level {light.level_stops:+.1f} stops")


__all__ = ["CameraCard", "HandedLine", "ScenePage", "ShotLine", "TakeLine", "page_html", "write_page"]
