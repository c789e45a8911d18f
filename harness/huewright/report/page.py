"""The proof as one page that a client can open: no network, everything inside, readable on a phone and on paper.

The page takes what a :class:`Proof` says and adds nothing to it. All its text is escaped. Pictures become data URIs;
a scope picture is cut into its two panels, so that a phone may stack them.
"""

from __future__ import annotations

import base64
import hashlib
import io
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from huewright import __version__
from huewright.errors import InputError
from huewright.files import refuse_existing, write_text
from huewright.models.proof import PatchProof, Proof
from huewright.report.marks import signed
from huewright.report.style import DAY, NIGHT, Palette

TEMPLATES = Path(__file__).parent / "templates"
SIZE_LIMIT = 5_000_000
SCOPES = {"waveform": "Luma waveform", "parade": "Parade of R', G' and B'", "vectorscope": "Vectorscope",
          "closeup": "Close-up of each chip around its target"}
VIEWS = {"card": "The card alone", "frame": "The whole frame"}


def write_page(proof: Proof, pictures: Mapping[str, Path | str], path: Path | str, *,
               title: str = "Proof of a colour correction", luma: tuple[float, float] = (0.2126, 0.0722),
               overwrite: bool = False) -> int:
    """Writes the page to ``path`` and returns its size in bytes.

    pictures   name -> file, the names of :func:`huewright.report.scopes.scope_pictures`; what is missing is left out
    luma       (Kr, Kb) of the proof's Y'CbCr, for the small squares of colour beside the patches' names

    Raises :class:`InputError` if ``path`` exists and ``overwrite`` is false, if a picture cannot be read, or if the
    page would pass 5 MB.
    """
    refuse_existing(path, overwrite=overwrite)
    text = page_html(proof, pictures, title=title, luma=luma)
    size = len(text.encode("utf-8"))
    if size > SIZE_LIMIT:
        raise InputError(f"{path}: the page would take {size / 1e6:.1f} MB, more than 5 MB; give it smaller pictures")
    write_text(path, text, overwrite=overwrite)
    return size


def page_html(proof: Proof, pictures: Mapping[str, Path | str], *, title: str, luma: tuple[float, float]) -> str:
    """The page's text. Parameters as for :func:`write_page`."""
    from jinja2 import Environment, FileSystemLoader
    from markupsafe import Markup

    environment = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True, trim_blocks=True)
    script = (TEMPLATES / "page.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    styles = environment.get_template("page.css").render(day=_variables(DAY), night=_variables(NIGHT))
    files = {name: Path(file) for name, file in pictures.items()}
    return environment.get_template("page.html").render(
        proof=proof, title=title, version=__version__, script=Markup(script), script_hash=f"sha256-{digest}",
        deferred=any("delivery specification" in caution for caution in proof.cautions),
        stylesheet=Markup(styles), figures=_figures(proof.patches), photos=_photos(files), scopes=_scopes(files),
        columns=_COLUMNS, rows=[_row(patch, luma) for patch in proof.patches], methods=_methods(proof.methods),
        frames=_frames(proof.frames), provenance=_ledger(proof.provenance), summary=_ledger(proof.summary))


def _variables(palette: Palette) -> str:
    names = ("paper", "sheet", "ink", "soft", "thread", "before", "after", "bad", "warn")
    return "".join(f"--{name}:{getattr(palette, name)};" for name in names)


# ---------------------------------------------------------------- key figures and the table of patches

def _worst(patches: Iterable[PatchProof], value: Callable[[PatchProof], float | None]) -> float | None:
    values = [abs(found) for patch in patches if (found := value(patch)) is not None]
    return max(values) if values else None


def _figures(patches: tuple[PatchProof, ...]) -> list[dict[str, str]]:
    """Four pairs, before and after; a pair is left out where nothing was measured."""
    used = [patch for patch in patches if patch.used]
    checks = [patch for patch in patches if patch.role == "check"]

    def off(value: float | None, target: float | None, scale: float = 1.0) -> float | None:
        return None if value is None or target is None else scale * (value - target)

    def mean(when: str) -> float | None:
        values = [v for patch in checks if (v := getattr(patch, f"delta_e_{when}")) is not None]
        return sum(values) / len(values) if values else None

    pairs = (
        ("Worst hue error of a chip", "degrees", _worst(used, lambda p: p.hue_error_before_deg),
         _worst(used, lambda p: p.hue_error_after_deg)),
        ("Worst saturation error of a chip", "% of target", _worst(used, lambda p: off(p.radius_ratio_before, 1, 100)),
         _worst(used, lambda p: off(p.radius_ratio_after, 1, 100))),
        ("Worst level error of a bar", "IRE", _worst(used, lambda p: off(p.level_before_ire, p.level_target_ire)),
         _worst(used, lambda p: off(p.level_after_ire, p.level_target_ire))),
        ("Mean error of the check patches", "ΔE, CIEDE2000", mean("before"), mean("after")))
    return [{"label": label, "unit": unit, "before": f"{before:.1f}", "after": f"{after:.2f}"}
            for label, unit, before, after in pairs if before is not None and after is not None]


@dataclass(frozen=True)
class _Column:
    """One sortable column: its short label under the group's, its full name, and how a patch fills it."""

    label: str
    name: str
    css: str
    value: Callable[[PatchProof], float | None] | None = None
    digits: int = 2
    error: bool = False      # signed, and sorted by its size


_COLUMNS = (
    _Column("Patch", "Patch", "words"),
    _Column("Role", "Role", "words"),
    _Column("before", "Hue error before", "num was", lambda p: p.hue_error_before_deg, 1, True),
    _Column("after", "Hue error after", "num now", lambda p: p.hue_error_after_deg, 2, True),
    _Column("before", "Saturation before", "num was", lambda p: _percent(p.radius_ratio_before), 1),
    _Column("after", "Saturation after", "num now", lambda p: _percent(p.radius_ratio_after), 1),
    _Column("before", "Level before", "num was", lambda p: p.level_before_ire, 1),
    _Column("after", "Level after", "num now", lambda p: p.level_after_ire, 2),
    _Column("target", "Level target", "num", lambda p: p.level_target_ire, 2),
    _Column("before", "ΔE before", "num was", lambda p: p.delta_e_before, 1),
    _Column("after", "ΔE after", "num now", lambda p: p.delta_e_after, 2))


def _percent(ratio: float | None) -> float | None:
    return None if ratio is None else 100 * ratio


def _row(patch: PatchProof, luma: tuple[float, float]) -> dict[str, Any]:
    cells = []
    for column in _COLUMNS[2:]:
        value = column.value(patch) if column.value else None
        text, key = "", None
        if value is not None:
            text = signed(value, column.digits) if column.error else f"{value:.{column.digits}f}".replace("-", "−")
            key = repr(float(abs(value) if column.error else value))
        cells.append({"css": column.css, "text": text, "key": key})
    return {"name": patch.name, "role": patch.role, "used": patch.used, "note": patch.note, "cells": cells,
            "swatches": [_swatch(values, luma) for values in (patch.before, patch.after)]}


def _swatch(values: tuple[float, float, float], luma: tuple[float, float]) -> str:
    from huewright.colorimetry.display import from_ycbcr

    codes = np.rint(np.clip(np.nan_to_num(from_ycbcr(values, luma)), 0, 1) * 255).astype(int)
    return "rgb({} {} {})".format(*codes)


# ---------------------------------------------------------------- free-form records

_UNITS = (("_deg", "degrees"), ("_ire", "IRE"), ("_db", "dB"), ("_stops", "stops"), ("_percent", "%"), ("_px", "px"),
          ("_nm", "nm"), ("_s", "s"))
_WORDS = {"delta e": "ΔE", "sha256": "SHA-256", "rgb": "RGB", "lut": "LUT", "ire": "IRE"}


def _label(key: str) -> str:
    """``worst_hue_error_deg`` -> "Worst hue error, degrees"."""
    unit = next(((end, word) for end, word in _UNITS if key.endswith(end) and len(key) > len(end)), None)
    words = (key[:-len(unit[0])] if unit else key).replace("_", " ").replace(".", ", ").strip()
    words = words[:1].upper() + words[1:]
    for plain, proper in _WORDS.items():
        words = re.sub(rf"\b{plain}\b", proper, words, flags=re.IGNORECASE)
    return f"{words}, {unit[1]}" if unit else words


def _text(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        return f"{value:.4g}".replace("-", "−")
    if isinstance(value, Mapping):
        return "; ".join(f"{_label(str(key))}: {_text(item)}" for key, item in value.items())
    if isinstance(value, list | tuple | set | np.ndarray):
        return ", ".join(_text(item) for item in value) or "none"
    return str(value)


def _measure(value: Any) -> str:
    """As :func:`_text`, without powers of ten: a measurement so small is as good as none."""
    small = isinstance(value, float) and 0 < abs(value) < 0.001
    return "< 0.001" if small else _text(value)


def _ledger(record: Mapping[str, Any], prefix: str = "") -> list[dict[str, Any]]:
    """Nested records as label and text, one line each."""
    lines: list[dict[str, Any]] = []
    for key, value in record.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping) and value:
            lines += _ledger(value, f"{name}.")
            continue
        text = _text(value)
        # A hash, path or command is to be copied as it stands.
        exact = isinstance(value, str) and (re.fullmatch(r"[0-9a-f]{32,}", value) is not None or "/" in value)
        lines.append({"label": _label(name), "text": text, "code": exact})
    return lines


def _methods(rows: tuple[dict[str, Any], ...]) -> dict[str, Any] | None:
    """Any rows of name -> value: numbers right, words left, the method's name first; what is said of a method below."""
    if not rows:
        return None
    keys = list(dict.fromkeys(key for row in rows for key in row))
    first = next((key for key in ("method", "name") if key in keys), keys[0])
    marks, words = ("recommended", "chosen"), ("note", "notes", "reason")
    keys = [first, *(key for key in keys if key not in (first, *marks, *words))]

    def numeric(key: str) -> bool:
        values = [row.get(key) for row in rows if row.get(key) is not None]
        return bool(values) and all(isinstance(v, int | float | np.number) and not isinstance(v, bool) for v in values)

    css = {key: "num" if numeric(key) else "words" for key in keys}
    said = [{"name": _text(row.get(first)), "text": "; ".join(str(row[word]) for word in words if row.get(word))}
            for row in rows]
    return {"notes": [line for line in said if line["text"]],
            "heads": [{"label": _label(key), "css": css[key]} for key in keys],
            "rows": [{"chosen": any(row.get(mark) is True for mark in marks),
                      "cells": [{"text": _measure(row.get(key)), "css": css[key]} for key in keys]} for row in rows]}


def _frames(record: Mapping[str, Any]) -> dict[str, Any] | None:
    if not record:
        return None
    chosen = [int(number) for number in record.get("chosen", ())]
    usable = [int(number) for number in record.get("usable", ())]
    reasons: dict[str, list[int]] = {}
    for row in record.get("refused", ()):
        reasons.setdefault("; ".join(str(reason) for reason in row.get("reasons", ())) or "no reason recorded",
                           []).append(int(row["frame"]))
    refused: list[dict[str, Any]] = sorted(({"reasons": text, "count": len(numbers), "numbers": number_ranges(numbers)}
                      for text, numbers in reasons.items()), key=lambda row: -row["count"])
    kinds = {**{n: "refused" for numbers in reasons.values() for n in numbers}, **dict.fromkeys(usable, "usable"),
             **dict.fromkeys(chosen, "chosen")}
    low, high = (min(kinds), max(kinds)) if kinds else (0, 0)
    span = high - low + 1
    ribbon = [(number - low, kind) for number, kind in sorted(kinds.items())] if 1 < span <= 2000 else []
    rest = [f"{_label(str(key))}: {number_ranges(value) if _all_whole(value) else _text(value)}."
            for key, value in record.items() if key not in ("chosen", "usable", "refused")]
    if usable:
        rest.insert(0, f"{len(usable)} more would have served: {number_ranges(usable)}.")
    return {"chosen": number_ranges(chosen), "chosen_count": len(chosen), "refused": refused, "ribbon": ribbon,
            "span": span, "rest": " ".join(rest)}


def _all_whole(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(type(item) is int for item in value)


def number_ranges(numbers: Iterable[int]) -> str:
    """``[1, 2, 3, 7]`` -> "1–3, 7"."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{a}" if a == b else f"{a}–{b}" for a, b in runs)


# ---------------------------------------------------------------- pictures

def _photos(files: Mapping[str, Path]) -> dict[str, Any] | None:
    if "before" not in files or "after" not in files:
        return None
    width, height = _open(files["after"]).size
    return {"before": _data_uri(files["before"].read_bytes(), _mime(files["before"])),
            "after": _data_uri(files["after"].read_bytes(), _mime(files["after"])), "width": width, "height": height}


def _scopes(files: Mapping[str, Path]) -> list[dict[str, Any]]:
    groups = []
    for view, view_label in VIEWS.items():
        rows = []
        for kind, kind_label in SCOPES.items():
            name = f"{kind}_{view}"
            if name not in files:
                continue
            night = f"{name}_night" in files
            panels = _panels(files[name], "day") + (_panels(files[f"{name}_night"], "night") if night else [])
            panels.sort(key=lambda panel: panel["side"] != "before")
            rows.append({"label": f"{kind_label}, {view_label.lower()}", "panels": panels, "night": night})
        if rows:
            groups.append({"label": view_label, "rows": rows, "compact": view == "frame"})
    return groups


def _panels(path: Path, ground: str) -> list[dict[str, Any]]:
    """The left and right half of a scope picture."""
    picture = _open(path)
    width, height = picture.size[0] // 2, picture.size[1]
    panels = []
    for index, side in enumerate(("before", "after")):
        stream = io.BytesIO()
        picture.crop((index * width, 0, (index + 1) * width, height)).save(stream, "png", compress_level=6)
        panels.append({"ground": ground, "side": side, "uri": _data_uri(stream.getvalue(), "image/png"),
                       "width": width // 2, "height": height // 2})
    return panels


def _open(path: Path) -> Any:
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path) as picture:
            picture.load()
            return picture
    except (OSError, UnidentifiedImageError) as error:
        raise InputError(f"{path}: the page cannot take in this picture ({error}); make the proof again") from None


def _mime(path: Path) -> str:
    return "image/png" if path.suffix.lower() == ".png" else "image/jpeg"


def _data_uri(content: bytes, mime: str) -> str:
    return f"data:{mime};base64,{base64.b64encode(content).decode('ascii')}"
