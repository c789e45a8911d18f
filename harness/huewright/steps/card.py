"""Card files: checking and drawing one, printing one of our own, making one from measured colours."""

from __future__ import annotations

import difflib
import json
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from huewright.errors import InputError
from huewright.files import refuse_existing, whole_file, write_json
from huewright.finding.interchange import Measurements, Sample, read_measurements
from huewright.finding.layout import own_card
from huewright.models.card import HUES, Card, Mark, Patch, card_text, load_card, save_card

CAUTION = ("An ordinary print is not a calibrated reference: inks, paper and lamp decide what it reflects. "
           "Measure the print and give the measurements, or use it for practice only.")
PAGE_MM = (297.0, 210.0)                                # A4, ISO 216
ON_PAGE = 0.95                                          # so that printers which leave a margin print all of it
SMALL_PATCH = 0.002                                     # of the card's area: 10 pixels square on a card 220 wide
FROM_XYZ = np.array([[3.2404542, -1.5371385, -0.4985314], [-0.9692660, 1.8760108, 0.0415560],
                     [0.0556434, -0.2040259, 1.0572252]])    # XYZ (D65) to linear sRGB, IEC 61966-2-1
# A bar is nearly neutral, a chip clearly coloured (CIELAB chroma); common practice, no source.
NEUTRAL_CHROMA, CHIP_CHROMA = 6.0, 35.0
LEVEL_APART_IRE = 5.0    # a third of a stop at middle grey; no source
HUE_APART_DEG = 60.0     # between two bars of BT.709 there are 53 to 72 degrees
# CIELAB hue angles of the 75 % bars of BT.709 seen in D65, rounded (computed with colour-science).
_HUE_OF_BAR = {"red": 40.0, "yellow": 103.0, "green": 136.0, "cyan": 196.0, "blue": 306.0, "magenta": 328.0}


@dataclass(frozen=True)
class CardCheck:
    """``notes`` are sentences about what the card can't do; empty if it can do all."""

    card: Card
    notes: tuple[str, ...]
    picture: Path | None


def card_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a card file's content, as TOML tables are JSON objects."""
    text = (resources.files("huewright.models") / "card.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def check_card(path: Path | str, *, picture: Path | str | None = None, overwrite: bool = False) -> CardCheck:
    """Loads the card file at ``path``, says what it lacks, and draws it to ``picture`` (PNG or PDF) if given.

    Raises :class:`InputError` for a file that is no card file, or an existing picture.
    """
    card = load_card(path)
    if picture is not None:
        draw_card(card, picture, labels=True, overwrite=overwrite)
    return CardCheck(card, tuple(_notes(card)), None if picture is None else Path(picture))


def _notes(card: Card) -> list[str]:
    notes = []
    bars, chips = card.of_role("bar"), card.of_role("chip")
    if len(card.patches) < 6:
        notes.append("Fewer than six patches: too few to be found in a picture; corners must be given by hand.")
    if len(bars) < 3:
        notes.append(f"{len(bars)} bars: three (black, middle, white) are needed to set levels.")
    if any(bar.level_ire is None and bar.xyz is None and not bar.reflectance for bar in bars):
        notes.append("A bar has neither a level nor a reference colour; it can't be used.")
    missing = [hue for hue in HUES if hue not in {chip.hue for chip in chips}]
    if missing:
        notes.append(f"No chip for {', '.join(missing)}: these hues are only interpolated.")
    for hue in HUES:
        same = [chip.name for chip in chips if chip.hue == hue]
        if len(same) > 1:
            notes.append(f"{' and '.join(same)} are both chips for {hue}: each pulls that hue its own way.")
    stray = [patch.name for patch in card.patches if patch.hue is not None and patch.role != "chip"]
    if stray:
        notes.append(f"A hue is given for {', '.join(stray)}, no chip: it has no effect there.")
    notes += _unknown_light(card) or _contradictions(card)
    smallest = min(card.patches, key=_area)
    if _area(smallest) < SMALL_PATCH * card.size[0] * card.size[1]:
        notes.append(f"{smallest.name} is so small that few frames will show it in enough pixels.")
    if not card.of_role("check"):
        notes.append("No check patches: the proof then shows only what the solve has seen.")
    colourless = [patch.name for patch in card.patches if patch.xyz is None and not patch.reflectance]
    if colourless:
        notes.append(f"No reference colour for {', '.join(colourless)}: no colour difference can be proved there.")
    if not card.marks:
        notes.append("No marks (ground, lines): a reflection that lies evenly over a patch is harder to see.")
    notes += [f"{a} and {b} overlap." for a, b in _overlaps(card)]
    return notes


def _area(patch: Patch) -> float:
    x, y = np.array(patch.polygon).T
    return abs(float(x @ np.roll(y, -1) - np.roll(x, -1) @ y)) / 2


def _unknown_light(card: Card) -> list[str]:
    """Of the illuminant and the observer of the card's XYZ, those that colour-science has no tables of."""
    import colour

    whites = colour.CCS_ILLUMINANTS
    if card.observer not in whites:
        known = "CIE 1931 2 Degree Standard Observer or CIE 1964 10 Degree Standard Observer"
        return [f"Its observer {card.observer!r} is unknown; write {known}."]
    if card.illuminant not in whites[card.observer]:
        close = difflib.get_close_matches(card.illuminant, list(whites[card.observer]), 3, 0.4)
        return [f"Its illuminant {card.illuminant!r} is unknown" + (f"; near it are {', '.join(close)}." if close
                                                                     else "; D50 and D65 are usual.")]
    return []


def _contradictions(card: Card) -> list[str]:
    """Chips whose declared hue is not that of their own reference colour, or of their own name; bars whose declared
    level is not that of theirs.

    Levels are Y' and hues angles in Y'CbCr of ITU-R BT.709-6, as a vectorscope shows them.
    """
    from huewright.colorimetry.display import display_luma, hue_deg, hue_difference_deg, to_ycbcr
    from huewright.colorimetry.targets import bar_vectors, reference_rgb

    vectors, luma = bar_vectors(), display_luma("bt709")
    try:
        coloured = {name: to_ycbcr(rgb, luma) for name, rgb in reference_rgb(card).items()}
    except InputError as error:
        return [f"Its reference colours can't be used: {error}."]
    notes = []
    for bar in card.of_role("bar"):
        if bar.level_ire is None or bar.name not in coloured:
            continue
        level = 100 * float(coloured[bar.name][0])
        if abs(level - bar.level_ire) > LEVEL_APART_IRE:
            notes.append(f"Bar {bar.name!r} is declared {bar.level_ire:g} IRE, but its reference colour is of "
                         f"{level:.1f} IRE: correct its level or its colour.")
    for chip in card.of_role("chip"):
        if chip.hue is None:
            continue
        named = f"Chip {chip.name!r} is declared {chip.hue}"
        misnamed = [f"{named}: correct its name or its hue."] if chip.name in HUES and chip.name != chip.hue else []
        if chip.name not in coloured:
            notes += misnamed
            continue
        _, cb, cr = coloured[chip.name]
        away = {hue: abs(float(hue_difference_deg(hue_deg(cb, cr), hue_deg(*vectors[hue])))) for hue in HUES}
        nearest = min(away, key=lambda hue: away[hue])
        if nearest != chip.hue or away[chip.hue] > HUE_APART_DEG:
            notes.append(f"{named}, but its reference colour lies "
                         f"{away[chip.hue]:.0f} degrees from that bar on the vectorscope and is nearest to {nearest}'s "
                         f"({away[nearest]:.0f} degrees): correct its hue or its colour.")
        else:
            notes += misnamed
    return notes


def _overlaps(card: Card) -> list[tuple[str, str]]:
    import cv2

    found = []
    for i, a in enumerate(card.patches):
        for b in card.patches[i + 1:]:
            area, _ = cv2.intersectConvexConvex(np.array(a.polygon, np.float32), np.array(b.polygon, np.float32))
            if area > 1e-3:
                found.append((a.name, b.name))
    return found


def make_printable(path: Path | str, card_path: Path | str | None = None, *, overwrite: bool = False) -> Card:
    """Writes our own card for an A4 page to ``path`` (.pdf or .png) and its card file beside it (or ``card_path``).

    The card's reference values are what was designed, not what a printer makes of it: the file's description says
    so. Raises :class:`InputError` if either file exists, or the suffix is another.
    """
    path = _drawable(path)
    card_path = path.with_suffix(".toml") if card_path is None else Path(card_path)
    card = replace(own_card(), description=f"{own_card().description} Printed design values. {CAUTION}")
    refuse_existing(path, overwrite=overwrite)
    # A PDF and a PNG of the card share one card file.
    there = card_path.is_file() and card_path.read_bytes() == card_text(card).encode()
    if not there:
        refuse_existing(card_path, overwrite=overwrite)
    draw_card(card, path, labels=False, page=True, overwrite=overwrite)
    if not there:
        save_card(card, card_path, overwrite=overwrite)
    return card


def write_schema(path: Path | str, *, overwrite: bool = False) -> None:
    """Writes :func:`card_schema` to ``path``; :class:`InputError` if it exists."""
    write_json(path, card_schema(), overwrite=overwrite)


def _drawable(path: Path | str) -> Path:
    path = Path(path)
    if path.suffix.lower() not in (".pdf", ".png"):
        raise InputError(f"{path}: a card is drawn to a .pdf or .png file; give it such a name")
    return path


def draw_card(card: Card, path: Path | str, *, labels: bool, page: bool = False, overwrite: bool = False) -> None:
    """Draws ``card`` to a PNG or PDF in sRGB. ``page`` puts it on an A4 page, 1 unit ``ON_PAGE`` mm long, with the
    caution under it; ``labels`` writes each patch's name and role on it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Polygon

    path = _drawable(path)
    width, height = card.size
    page_mm = PAGE_MM if page else (PAGE_MM[0], PAGE_MM[0] * height / width)
    scale = ON_PAGE if page else page_mm[0] / width
    sheet = Figure(figsize=(page_mm[0] / 25.4, page_mm[1] / 25.4), dpi=300 if page else 100, facecolor="white")
    FigureCanvasAgg(sheet)
    left, bottom = (page_mm[0] - width * scale) / 2, (page_mm[1] - height * scale) * (0.6 if page else 0.5)
    axes = sheet.add_axes((left / page_mm[0], bottom / page_mm[1], width * scale / page_mm[0],
                           height * scale / page_mm[1]))
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    axes.axis("off")
    if not card.marks:
        axes.add_patch(Polygon(np.array(card.corners), facecolor="#3c3c3c"))
    areas: tuple[Patch | Mark, ...] = (*card.marks, *card.patches)
    for area in areas:
        axes.add_patch(Polygon(np.array(area.polygon), facecolor=_srgb(area), edgecolor="none", antialiased=True))
    if labels:
        for patch in card.patches:
            middle = np.mean(patch.polygon, axis=0)
            light = sum(_srgb(patch)) > 1.5
            axes.text(float(middle[0]), float(middle[1]), f"{patch.name}\n{patch.role}",
                      ha="center", va="center", fontsize=7,
                      color="black" if light else "white")
    if page:
        sheet.text(left / page_mm[0], 0.62 * bottom / page_mm[1], CAUTION, fontsize=6, va="center", color="#444444")
    with whole_file(path, overwrite=overwrite) as temporary:
        sheet.savefig(temporary, format=path.suffix.lower()[1:])


def _srgb(area: Patch | Mark) -> tuple[float, float, float]:
    """A colour to draw ``area`` with: its reference in sRGB (IEC 61966-2-1), else a grey of its level."""
    if area.xyz is not None:
        linear = np.clip(FROM_XYZ @ np.array(area.xyz), 0, 1)
        encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
        return (float(encoded[0]), float(encoded[1]), float(encoded[2]))
    if isinstance(area, Patch) and area.hue:
        on = {"red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0), "cyan": (0, 1, 1), "blue": (0, 0, 1),
              "magenta": (1, 0, 1)}[area.hue]
        return (0.25 + 0.5 * on[0], 0.25 + 0.5 * on[1], 0.25 + 0.5 * on[2])
    level = area.level_ire / 100 if isinstance(area, Patch) and area.level_ire is not None else 0.5
    return (level, level, level)


def card_from_measurements(measured: Path | str, out: Path | str, *, layout: Path | str | None = None,
                           columns: int | None = None, overwrite: bool = False) -> Card:
    """A card file from CGATS.17 / ISO 28178 text with spectral, XYZ or Lab data.

    layout   a card file whose patches have the samples' names: its geometry and roles are kept, colours replaced
    columns  instead: the samples lie in rows of this many, on equal squares; roles are told from the colours

    Raises :class:`InputError` where neither or both are given, or names don't match.
    """
    refuse_existing(out, overwrite=overwrite)
    if (layout is None) == (columns is None):
        raise InputError("say where the patches lie: give a card file with the same names (layout) or the number of "
                         "columns of a plain grid, one of them")
    data = read_measurements(measured)
    if layout is not None:
        card = _with_layout(data, load_card(layout), measured)
    else:
        card = _grid(data, columns or 0, measured)
    save_card(card, out, overwrite=overwrite)
    return card


def _with_layout(data: Measurements, layout: Card, path: Path | str) -> Card:
    by_name = {sample.name.casefold(): sample for sample in data.samples}
    missing = [patch.name for patch in layout.patches if patch.name.casefold() not in by_name]
    if missing:
        raise InputError(f"{path}: no sample named {', '.join(missing[:6])}; name the samples as the layout's patches")
    patches = tuple(_coloured(patch, by_name[patch.name.casefold()], data) for patch in layout.patches)
    marks = tuple(_coloured(mark, by_name[mark.name.casefold()], data) if mark.name.casefold() in by_name else mark
                  for mark in layout.marks)
    return replace(layout, patches=patches, marks=marks, illuminant=_illuminant(data), observer=_observer(data),
                   description=f"{layout.description} Colours measured.".strip())


def _grid(data: Measurements, columns: int, path: Path | str) -> Card:
    count = len(data.samples)
    if columns < 1 or count % columns:
        raise InputError(f"{path}: {count} samples don't fill rows of {columns}; give another number of columns")
    rows = count // columns
    lab = np.array([_lab(sample, data) for sample in data.samples])
    roles = _roles(lab)
    patches = []
    for k, sample in enumerate(data.samples):
        x, y = 1.2 * (k % columns) + 0.2, 1.2 * (k // columns) + 0.2
        role, hue = roles.get(k, ("check", None))
        level = None
        if role == "bar":
            luminance = float(_xyz(sample, data)[1])
            # ITU-R BT.709-6, item 1.2.
            level = 100 * (4.5 * luminance if luminance < 0.018 else 1.099 * luminance**0.45 - 0.099)
        base = Patch(sample.name, role, ((x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1)),
                     None if level is None else round(level, 2), hue)
        patches.append(_coloured(base, sample, data))
    return Card("measured grid", (1.2 * columns + 0.2, 1.2 * rows + 0.2), tuple(patches), _illuminant(data),
                _observer(data), f"{columns} x {rows} patches; roles told from their measured colours: check them.")


def _roles(lab: np.ndarray) -> dict[int, tuple[str, str | None]]:
    """Index -> (role, hue): the darkest, middle and lightest neutrals as bars, the nearest strong colour to each
    75 % bar's hue as its chip."""
    chroma, hue = np.hypot(lab[:, 1], lab[:, 2]), np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360
    roles: dict[int, tuple[str, str | None]] = {}
    neutral = np.flatnonzero(chroma < NEUTRAL_CHROMA)
    if len(neutral) >= 3:
        order = neutral[np.argsort(lab[neutral, 0])]
        # L* 49.5 is 18 % reflectance (CIE 15).
        middle = order[1:-1][np.abs(lab[order[1:-1], 0] - 49.5).argmin()]
        roles.update({int(k): ("bar", None) for k in (order[0], middle, order[-1])})
    for name, angle in _HUE_OF_BAR.items():
        off = np.abs((hue - angle + 180) % 360 - 180)
        free = [k for k in np.flatnonzero((chroma > CHIP_CHROMA) & (off < 35)) if int(k) not in roles]
        if free:
            best = min(free, key=lambda k: off[k] - 0.3 * chroma[k])
            roles[int(best)] = ("chip", name)
    return roles


def _coloured(area: Any, sample: Sample, data: Measurements) -> Any:
    xyz = tuple(round(float(v), 6) for v in _xyz(sample, data))
    return replace(area, wavelengths_nm=sample.wavelengths_nm, reflectance=sample.reflectance, xyz=xyz)


def _illuminant(data: Measurements) -> str:
    # ISO 13655 measures for D50 and the 2 degree observer unless said otherwise; spectra are taken to D65 here.
    return "D65" if all(sample.reflectance for sample in data.samples) else data.illuminant or "D50"


def _observer(data: Measurements) -> str:
    return "CIE 1964 10 Degree Standard Observer" if data.observer == "10" else "CIE 1931 2 Degree Standard Observer"


def _xyz(sample: Sample, data: Measurements) -> np.ndarray:
    """CIE XYZ (perfect diffuser Y = 1) under the card's illuminant: from the spectrum where there is one."""
    import colour

    illuminant, observer = _illuminant(data), _observer(data)
    if sample.reflectance and (illuminant == "D65" or (sample.xyz is None and sample.lab is None)):
        cmfs = colour.MSDS_CMFS[observer].copy().align(colour.SpectralShape(360, 780, 5))
        source = colour.SDS_ILLUMINANTS.get(illuminant)
        if source is None:
            raise InputError(f"the measurements' illuminant {illuminant!r} isn't one that CIE tables here have; "
                             "export XYZ instead")
        spectrum = colour.SpectralDistribution(dict(zip(sample.wavelengths_nm, sample.reflectance, strict=True)))
        return np.asarray(colour.sd_to_XYZ(spectrum.align(cmfs.shape), cmfs, source.copy().align(cmfs.shape))) / 100
    if sample.xyz is not None:
        return np.array(sample.xyz)
    whitepoint = colour.CCS_ILLUMINANTS[observer].get(illuminant)
    if whitepoint is None:
        raise InputError(f"the measurements' illuminant {illuminant!r} isn't one that CIE tables here have; "
                         "export XYZ or spectra instead")
    return np.asarray(colour.models.Lab_to_XYZ(np.array(sample.lab), illuminant=whitepoint))


def _lab(sample: Sample, data: Measurements) -> np.ndarray:
    import colour

    white = colour.CCS_ILLUMINANTS[_observer(data)][_illuminant(data)]
    return np.asarray(colour.XYZ_to_Lab(_xyz(sample, data), white))
