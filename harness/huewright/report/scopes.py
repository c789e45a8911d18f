"""Pictures of a proof: the frame before and after, and its waveform, parade and vectorscope, targets marked.

Every scope picture is two equal panels, *before* left and *after* right, so that a page may also stack them on a
phone. Counting is the kernels' work; here it is only drawn. Laid out to be read at 800 px width.

Marks: an open ring is a patch as measured before, a filled dot as measured after, a fine line leads from it to its
target, the gap cross (see :mod:`huewright.report.style`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from huewright.colorimetry.display import to_ycbcr
from huewright.files import refuse_existing
from huewright.models.proof import PatchProof
from huewright.report.closeup import HOME, Tile, chip_cloud, chips_of, draw_closeups
from huewright.report.draw import EXTENT, RING, View, draw_parade, draw_vectorscope, draw_waveform, ground_of
from huewright.report.graticule import HIGH, LOW, density
from huewright.report.marks import SIDES
from huewright.report.photo import save_photo
from huewright.report.style import DAY, NIGHT

WEAK = 0.28                     # of the dial's radius; a chip half-way to a 75 % bar of BT.709 reaches 0.31 and more
INSET = 0.9                     # the card's scopes leave out the patches' rims, where paint and ground mix
Polygons = Mapping[str, Any] | Sequence[Any] | None


def scope_pictures(before_rgb: np.ndarray, after_rgb: np.ndarray, *, display: str = "bt709",
                   patches: Sequence[PatchProof] = (), polygons: Polygons = None, out_dir: Path | str,
                   prefix: str = "", tile: Tile = HOME, overwrite: bool = False, night: bool = True) -> dict[str, str]:
    """Draws all pictures of a proof into ``out_dir`` and returns name -> file name.

    before_rgb, after_rgb   (h, w, c >= 3) display R'G'B', float, nominal 0..1, of one and the same frame
    display                 the display that they are for: its luma coefficients, colour bars and levels are drawn
    patches                 as measured, for the marks (may be empty)
    polygons                patches' outlines in pixels (x right, y down, first pixel's centre at 0.5): by name, or in
                            the order of ``patches``. With them the card alone is drawn too.
    tile                    the limits that the close-up draws a ring at
    night                   also each scope on a dark ground, named ``NAME_night``

    Names: ``before``, ``after`` (JPEG of the frame, at most 1280 wide, as :mod:`huewright.colorimetry.shown` says),
    then ``waveform_frame``, ``parade_frame``, ``vectorscope_frame`` and the same with ``_card`` (PNG);
    ``closeup_card``, each chip around its target.
    Raises :class:`InputError` if a file exists and ``overwrite`` is false, before anything is written, or for an
    unknown display; ``ValueError`` if the two pictures differ in size.
    """
    before, after = _pixels(before_rgb), _pixels(after_rgb)
    if before.shape != after.shape:
        raise ValueError(f"before and after differ in size: {before.shape[:2]} and {after.shape[:2]}")
    ground = ground_of(display)
    outlines = _by_name(polygons, patches)
    views = {"frame": _frame_view(before, after, outlines)}
    if outlines:
        views["card"] = _card_view(before, after, outlines)
    views = {name: replace(view, zoom=_zoom(view, patches, ground.luma)) for name, view in views.items()}
    palettes = {"": DAY, "_night": NIGHT} if night else {"": DAY}
    files = {name: f"{prefix}{name}.jpg" for name in SIDES}
    files |= {f"{kind}_{view}{suffix}": f"{prefix}{kind}_{view}{suffix}.png"
              for view in views for kind in DRAWN for suffix in palettes}
    closeups = bool(outlines and chips_of(patches))
    if closeups:
        files |= {f"closeup_card{suffix}": f"{prefix}closeup_card{suffix}.png" for suffix in palettes}
    folder = Path(out_dir)
    for name in files.values():
        refuse_existing(folder / name, overwrite=overwrite)

    for name, picture in zip(SIDES, (before, after), strict=True):
        save_photo(picture, folder / files[name], display=display, overwrite=overwrite)
    for view_name, view in views.items():
        counted = {"waveform": [_waveform(pixels, view.mask, ground.luma) for pixels in view.pixels],
                   "parade": [_parade(pixels, view.mask, ground.luma) for pixels in view.pixels],
                   "vectorscope": [_vectorscope(pixels, view.mask, ground.luma, view.zoom) for pixels in view.pixels]}
        for kind, draw in DRAWN.items():
            sheet = draw(counted[kind], view, patches, ground)
            for suffix, palette in palettes.items():
                sheet.save(folder / files[f"{kind}_{view_name}{suffix}"], palette, overwrite=overwrite)
    if closeups:
        clouds = [_chip_clouds(picture, patches, outlines, ground.luma, tile) for picture in (before, after)]
        sheet = draw_closeups(clouds, patches, tile)
        for suffix, palette in palettes.items():
            sheet.save(folder / files[f"closeup_card{suffix}"], palette, overwrite=overwrite)
    return files


DRAWN = {"waveform": draw_waveform, "parade": draw_parade, "vectorscope": draw_vectorscope}


def frame_scopes(pictures: Sequence[np.ndarray], *, display: str = "bt709", out_dir: Path | str, prefix: str = "",
                 names: tuple[str, ...] = SIDES, overwrite: bool = False) -> dict[str, str]:
    """Waveform, parade and vectorscope of any frame, as PNG in ``out_dir``; scope -> file name.

    pictures   one display signal (h, w, 3 or more), or two of one size, which then stand side by side
    names      what the panels are called

    Raises as :func:`scope_pictures`.
    """
    pixels = tuple(_pixels(picture) for picture in pictures)
    if len({picture.shape for picture in pixels}) != 1 or len(pixels) > 2:
        raise ValueError(f"one picture, or two of one size, not {[picture.shape for picture in pixels]}")
    ground = ground_of(display)
    view = View("the whole frame", pixels, None, {}, names=names)
    files = {kind: f"{prefix}{kind}.png" for kind in DRAWN}
    for name in files.values():
        refuse_existing(Path(out_dir) / name, overwrite=overwrite)
    for kind, count in (("waveform", _waveform), ("parade", _parade), ("vectorscope", _vectorscope)):
        traces = [count(picture, None, ground.luma) for picture in pixels]
        DRAWN[kind](traces, view, (), ground).save(Path(out_dir) / files[kind], DAY, share=len(pixels) / 2,
                                                   overwrite=overwrite)
    return files


# ---------------------------------------------------------------- what is looked at

def _pixels(picture: Any) -> np.ndarray:
    pixels = np.asarray(picture)
    if pixels.ndim != 3 or pixels.shape[2] < 3:
        raise ValueError(f"a picture is (height, width, 3 or more), not {pixels.shape}")
    return np.ascontiguousarray(pixels[..., :3], dtype=np.float32)


def _by_name(polygons: Polygons, patches: Sequence[PatchProof]) -> dict[str, np.ndarray]:
    if polygons is None:
        return {}
    if isinstance(polygons, Mapping):
        named = dict(polygons)
    elif len(polygons) == len(patches):
        named = {patch.name: polygon for patch, polygon in zip(patches, polygons, strict=True)}
    else:
        named = {f"#{index}": polygon for index, polygon in enumerate(polygons)}
    return {name: np.asarray(polygon, dtype=np.float64).reshape(-1, 2) for name, polygon in named.items()}


def _frame_view(before: np.ndarray, after: np.ndarray, outlines: dict[str, np.ndarray]) -> View:
    width = before.shape[1]
    across = {name: (points[:, 0].min() / width, points[:, 0].max() / width) for name, points in outlines.items()}
    return View("the whole frame", (before, after), None, across)


def _card_view(before: np.ndarray, after: np.ndarray, outlines: dict[str, np.ndarray]) -> View:
    """The patches alone: cropped to the box around them, the rest covered up."""
    cut, mask, across = card_alone(before.shape[1], before.shape[0], outlines)
    crops = tuple(np.ascontiguousarray(picture[cut]) for picture in (before, after))
    return View("the card alone", (crops[0], crops[1]), mask, across)


def card_alone(width: int, height: int, outlines: Mapping[str, Any]
               ) -> tuple[tuple[slice, slice], np.ndarray, dict[str, tuple[float, float]]]:
    """For a picture of this size: the rows and columns of the box around the patches, their coverage of it (float32,
    their rims left out), and where each patch lies across it, 0..1. ``outlines`` (n, 2) px by name, one at least."""
    from huewright_kernels.masks import coverage

    points = np.concatenate([np.asarray(polygon) for polygon in outlines.values()])
    x0, y0 = np.clip(np.floor(points.min(axis=0)) - 2, 0, (width - 1, height - 1)).astype(int)
    x1, y1 = np.clip(np.ceil(points.max(axis=0)) + 2, (x0 + 1, y0 + 1), (width, height)).astype(int)
    mask = np.zeros((y1 - y0, x1 - x0), dtype=np.float32)
    across = {}
    for name, polygon in outlines.items():
        np.maximum(mask, coverage(_inset(polygon) - (x0, y0), int(x1 - x0), int(y1 - y0)), out=mask)
        left, right = (polygon[:, 0].min() - x0) / (x1 - x0), (polygon[:, 0].max() - x0) / (x1 - x0)
        across[name] = (float(np.clip(left, 0, 1)), float(np.clip(right, 0, 1)))
    return (slice(y0, y1), slice(x0, x1)), mask, across


def _inset(polygon: np.ndarray) -> np.ndarray:
    centre = polygon.mean(axis=0)
    result: np.ndarray = centre + INSET * (polygon - centre)
    return result


def _chip_clouds(picture: np.ndarray, patches: Sequence[PatchProof], outlines: dict[str, np.ndarray],
                 luma: tuple[float, float], tile: Tile) -> dict[str, np.ndarray]:
    from huewright_kernels.masks import coverage

    height, width = picture.shape[:2]
    clouds = {}
    for patch in chips_of(patches):
        if patch.name not in outlines:
            continue
        polygon = _inset(outlines[patch.name])
        x0, y0 = np.clip(np.floor(polygon.min(axis=0)), 0, (width - 1, height - 1)).astype(int)
        x1, y1 = np.clip(np.ceil(polygon.max(axis=0)), (x0 + 1, y0 + 1), (width, height)).astype(int)
        weights = coverage(polygon - (x0, y0), int(x1 - x0), int(y1 - y0)).ravel()
        pixels = picture[y0:y1, x0:x1].reshape(-1, 3)
        seen = (weights > 0) & np.isfinite(pixels).all(axis=1)
        clouds[patch.name] = chip_cloud(patch, pixels[seen], weights[seen], luma, tile)
    return clouds


def _waveform(pixels: np.ndarray, mask: np.ndarray | None, luma: tuple[float, float]) -> np.ndarray:
    from huewright_kernels.scopes import waveform

    return density(waveform(pixels, min(620, pixels.shape[1]), 480, LOW, HIGH, *luma, mask=mask))


def _parade(pixels: np.ndarray, mask: np.ndarray | None, luma: tuple[float, float]) -> np.ndarray:
    from huewright_kernels.scopes import parade

    return density(parade(pixels, min(206, pixels.shape[1]), 480, LOW, HIGH, *luma, mask=mask))


def _vectorscope(pixels: np.ndarray, mask: np.ndarray | None, luma: tuple[float, float], zoom: int = 1) -> np.ndarray:
    from huewright_kernels.scopes import vectorscope

    return density(vectorscope(pixels, 560, EXTENT / zoom, *luma, mask=mask), curve=1000.0)


def _zoom(view: View, patches: Sequence[PatchProof], luma: tuple[float, float]) -> int:
    """2 where all patches are weak and all but a thousandth of the pixels would fit a dial twice as large, as on the
    displays of BT.2100, whose bars lie far out; else 1. Half-way to the bars of BT.709 is not weak."""
    places = np.array([place for patch in patches for place in (patch.before[1:], patch.after[1:], patch.target[1:])
                       if None not in place], dtype=np.float64).reshape(-1, 2)
    if not len(places) or np.hypot(*places.T).max() > WEAK * RING:
        return 1
    for pixels in view.pixels:
        seen = pixels[::4, ::4] if view.mask is None else pixels[view.mask > 0]
        chroma = np.hypot(*np.moveaxis(to_ycbcr(np.nan_to_num(seen), luma)[..., 1:], -1, 0))
        if np.mean(chroma > 0.5 * RING) > 1e-3:
            return 1
    return 2
