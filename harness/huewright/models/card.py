"""The colour reference card: its geometry, its patches and their reference values, as a TOML file."""

from __future__ import annotations

import difflib
import json
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import read_text, write_text

FORMAT = "huewright-card-1"
ROLES = ("bar", "chip", "check")
HUES = ("red", "yellow", "green", "cyan", "blue", "magenta")
# More than any surface but a fluorescent one reflects; beyond it the numbers are percentages.
MOST_REFLECTANCE = 2.0
Point = tuple[float, float]


@dataclass(frozen=True)
class Patch:
    """One patch. ``polygon`` is in card units (x right, y down, origin at the card's top left corner).

    role         "bar" drives levels and neutrality, "chip" drives hues, "check" only proves
    level_ire    a bar's display level in IRE (percent of the luma range); None: from its XYZ
    hue          a chip's named 75 % bar (one of HUES), for vectorscope targets; None: colorimetric only
    wavelengths_nm, reflectance   spectral reflectance factor, 0..1, equal lengths; empty if not given
    xyz          CIE XYZ under the card's illuminant and observer, perfect diffuser Y = 1; None if not given
    """

    name: str
    role: str
    polygon: tuple[Point, ...]
    level_ire: float | None = None
    hue: str | None = None
    wavelengths_nm: tuple[float, ...] = ()
    reflectance: tuple[float, ...] = ()
    xyz: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Mark:
    """A printed area that is not read: the ground, a border line. Marks are painted in order, patches over them.

    They tell the finder what lies between the patches, and a renderer or a printer what to paint there.
    ``wavelengths_nm``, ``reflectance`` and ``xyz`` as in :class:`Patch`.
    """

    name: str
    polygon: tuple[Point, ...]
    wavelengths_nm: tuple[float, ...] = ()
    reflectance: tuple[float, ...] = ()
    xyz: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Card:
    """A card. ``size`` is (width, height) in card units; corners run clockwise from the top left.

    ``marks`` may be empty: then nothing is known about what lies between the patches.
    """

    name: str
    size: tuple[float, float]
    patches: tuple[Patch, ...]
    illuminant: str = "D65"
    observer: str = "CIE 1931 2 Degree Standard Observer"
    description: str = ""
    marks: tuple[Mark, ...] = ()

    @property
    def corners(self) -> tuple[Point, Point, Point, Point]:
        w, h = self.size
        return ((0.0, 0.0), (w, 0.0), (w, h), (0.0, h))

    def of_role(self, role: str) -> tuple[Patch, ...]:
        return tuple(patch for patch in self.patches if patch.role == role)

    def patch(self, name: str) -> Patch:
        for patch in self.patches:
            if patch.name == name:
                return patch
        raise KeyError(name)


def load_card(path: Path | str) -> Card:
    """The card in the TOML file at ``path``; :class:`InputError` says what is wrong and where."""
    try:
        record = tomllib.loads(read_text(path, "card file"))
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: not a card file ({error}); see `huewright card --help`") from None
    try:
        return card_from_dict(record)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def save_card(card: Card, path: Path | str, *, overwrite: bool = False) -> None:
    write_text(path, card_text(card), overwrite=overwrite)


def card_text(card: Card) -> str:
    """The TOML text of ``card``, one key a line so that a person can read and compare it."""
    record = card_to_dict(card)
    tables = [("mark", row) for row in record.pop("mark", ())] + [("patch", row) for row in record.pop("patch")]
    lines = [_key(key, value) for key, value in record.items()]
    for name, row in tables:
        lines += ["", f"[[{name}]]", *(_key(key, value) for key, value in row.items())]
    return "\n".join(lines) + "\n"


def _key(key: str, value: Any) -> str:
    # A JSON string, number or list of these is also a TOML one (TOML 1.0: basic strings, arrays).
    return f"{key} = {json.dumps(value, ensure_ascii=False)}"


def card_to_dict(card: Card) -> dict[str, Any]:
    patches = []
    for patch in card.patches:
        row: dict[str, Any] = {"name": patch.name, "role": patch.role,
                               "polygon": [list(point) for point in patch.polygon]}
        if patch.level_ire is not None:
            row["level_ire"] = patch.level_ire
        if patch.hue is not None:
            row["hue"] = patch.hue
        patches.append({**row, **_colour_to_dict(patch)})
    record = {"format": FORMAT, "name": card.name, "description": card.description, "size": list(card.size),
              "illuminant": card.illuminant, "observer": card.observer}
    if card.marks:
        record["mark"] = [{"name": mark.name, "polygon": [list(point) for point in mark.polygon],
                           **_colour_to_dict(mark)} for mark in card.marks]
    return {**record, "patch": patches}


def _colour_to_dict(area: Patch | Mark) -> dict[str, Any]:
    row: dict[str, Any] = {}
    if area.reflectance:
        row["wavelengths_nm"] = list(area.wavelengths_nm)
        row["reflectance"] = list(area.reflectance)
    if area.xyz is not None:
        row["xyz"] = list(area.xyz)
    return row


def card_from_dict(record: dict[str, Any]) -> Card:
    """Raises :class:`InputError` naming the patch and the key that is wrong."""
    if record.get("format") != FORMAT:
        raise InputError(f"not a card file: its first key must be format = \"{FORMAT}\"")
    _only(record, ("format", "name", "description", "size", "illuminant", "observer", "mark", "patch"), "the card")
    size = _numbers(record, "size", 2, "the card")
    if min(size) <= 0:
        raise InputError("the card: size is its width and height, both above 0")
    patches = tuple(_patch(row, number) for number, row in enumerate(_tables(record, "patch"), 1))
    if not patches:
        raise InputError("the card has no patch; give each of its patches a [[patch]] table")
    marks = tuple(_mark(row, number) for number, row in enumerate(_tables(record, "mark"), 1))
    names = [each.name for each in patches]
    double = next((name for name in names if names.count(name) > 1), None)
    if double is not None:
        raise InputError(f"two patches of the card have the same name, {double!r}; give each its own")
    areas: tuple[Patch | Mark, ...] = (*patches, *marks)
    for area in areas:
        if any(not (0 <= x <= size[0] and 0 <= y <= size[1]) for x, y in area.polygon):
            kind = "patch" if isinstance(area, Patch) else "mark"
            raise InputError(f"{kind} {area.name!r} lies outside the card's size {size[0]:g} x {size[1]:g}")
    return Card(_text(record, "name", None, "the card"), (size[0], size[1]), patches,
                _text(record, "illuminant", "D65", "the card"), _text(record, "observer", Card.observer, "the card"),
                _text(record, "description", "", "the card"), marks)


def _patch(row: dict[str, Any], number: int) -> Patch:
    name = _text(row, "name", None, f"patch {number}")
    where = f"patch {name!r}"
    _only(row, ("name", "role", "polygon", "level_ire", "hue", "wavelengths_nm", "reflectance", "xyz"), where)
    role, hue = row.get("role"), row.get("hue")
    if role not in ROLES:
        raise InputError(f"{where}: role is one of {', '.join(ROLES)}, not {role!r}")
    if hue is not None and hue not in HUES:
        raise InputError(f"{where}: hue is one of {', '.join(HUES)}, not {hue!r}")
    level = None if row.get("level_ire") is None else _number(row["level_ire"], "level_ire", where)
    return Patch(name, str(role), _polygon(row, where), level, hue, *_colour(row, where))


def _mark(row: dict[str, Any], number: int) -> Mark:
    name = _text(row, "name", None, f"mark {number}")
    where = f"mark {name!r}"
    _only(row, ("name", "polygon", "wavelengths_nm", "reflectance", "xyz"), where)
    return Mark(name, _polygon(row, where), *_colour(row, where))


def _tables(record: dict[str, Any], key: str) -> list[dict[str, Any]]:
    rows = record.get(key, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise InputError(f"{key} must be tables, each begun with [[{key}]] in double brackets")
    return rows


def _only(row: dict[str, Any], known: tuple[str, ...], where: str) -> None:
    strange = [key for key in row if key not in known]
    if strange:
        close = difflib.get_close_matches(strange[0], known, 1, 0.5)
        hint = f"; do you mean {close[0]}?" if close else f"; the keys are {', '.join(known)}"
        raise InputError(f"{where}: there is no key {strange[0]!r}{hint}")


def _text(row: dict[str, Any], key: str, default: str | None, where: str) -> str:
    value = row.get(key, default)
    if value is None or (key == "name" and not value):
        raise InputError(f"{where} has no {key}; give it one")
    if not isinstance(value, str):
        raise InputError(f"{where}: {key} is text in quotation marks, not {value!r}")
    return value


def _number(value: Any, key: str, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{where}: {key} takes numbers, not {value!r}")
    return float(value)


def _numbers(row: dict[str, Any], key: str, count: int | None, where: str) -> tuple[float, ...]:
    values = row.get(key)
    if not isinstance(values, list) or (count is not None and len(values) != count):
        wanted = f"{count} numbers" if count else "numbers"
        raise InputError(f"{where}: {key} must be {wanted} in brackets" + ("" if key in row else "; it is missing"))
    return tuple(_number(value, key, where) for value in values)


def _polygon(row: dict[str, Any], where: str) -> tuple[Point, ...]:
    points = row.get("polygon")
    if not isinstance(points, list) or len(points) < 3:
        raise InputError(f"{where}: polygon must be three or more points, each [x, y]"
                         + ("" if "polygon" in row else "; it is missing"))
    if not all(isinstance(point, list) and len(point) == 2 for point in points):
        raise InputError(f"{where}: each point of its polygon must be two numbers, [x, y]")
    polygon = tuple((_number(x, "polygon", where), _number(y, "polygon", where)) for x, y in points)
    turns = [_turn(polygon[i - 2], polygon[i - 1], polygon[i]) for i in range(len(polygon))]
    if min(turns) < 0 < max(turns) or not any(turns):
        raise InputError(f"{where}: its polygon must be convex, its points in order around it")
    return polygon


def _turn(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])


def _colour(row: dict[str, Any], where: str) -> tuple[tuple[float, ...], tuple[float, ...],
                                                      tuple[float, float, float] | None]:
    wavelengths, reflectance = ((_numbers(row, key, None, where) if key in row else ())
                                for key in ("wavelengths_nm", "reflectance"))
    if len(wavelengths) != len(reflectance):
        raise InputError(f"{where}: wavelengths_nm and reflectance differ in length")
    if any(b <= a for a, b in zip(wavelengths, wavelengths[1:], strict=False)):
        raise InputError(f"{where}: wavelengths_nm must rise from one to the next")
    if reflectance and (min(reflectance) < 0 or max(reflectance) > MOST_REFLECTANCE):
        raise InputError(f"{where}: reflectance is a factor, 1 for the perfect diffuser, not {max(reflectance):g}; "
                         "divide percentages by 100")
    xyz = _numbers(row, "xyz", 3, where) if "xyz" in row else None
    if xyz is not None and (min(xyz) < 0 or max(xyz) > MOST_REFLECTANCE):
        raise InputError(f"{where}: xyz is relative, the perfect diffuser has Y = 1, not {max(xyz):g}; "
                         "divide percentages by 100")
    return wavelengths, reflectance, None if xyz is None else (xyz[0], xyz[1], xyz[2])
