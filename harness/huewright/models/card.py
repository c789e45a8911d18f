"""The colour reference card: its geometry, its patches and their reference values, as a TOML file."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import read_text, write_text

FORMAT = "huewright-card-1"
ROLES = ("bar", "chip", "check")
HUES = ("red", "yellow", "green", "cyan", "blue", "magenta")
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
    try:
        patches = tuple(_patch(row) for row in record["patch"])
        card = Card(name=str(record["name"]), size=(float(record["size"][0]), float(record["size"][1])),
                    patches=patches, illuminant=str(record.get("illuminant", "D65")),
                    observer=str(record.get("observer", Card.observer)),
                    description=str(record.get("description", "")),
                    marks=tuple(_mark(row) for row in record.get("mark", ())))
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise InputError(f"card file incomplete or malformed at {error}") from None
    names = [each.name for each in patches]
    if len(set(names)) != len(names):
        raise InputError("two patches of the card have the same name; give each its own")
    w, h = card.size
    areas: tuple[Patch | Mark, ...] = (*patches, *card.marks)
    for patch in areas:
        if any(not (0 <= x <= w and 0 <= y <= h) for x, y in patch.polygon):
            raise InputError(f"patch {patch.name!r} lies outside the card's size {w:g} x {h:g}")
    return card


def _patch(row: dict[str, Any]) -> Patch:
    name, role = str(row["name"]), str(row["role"])
    if role not in ROLES:
        raise InputError(f"patch {name!r}: role is one of {', '.join(ROLES)}, not {role!r}")
    hue = row.get("hue")
    if hue is not None and hue not in HUES:
        raise InputError(f"patch {name!r}: hue is one of {', '.join(HUES)}, not {hue!r}")
    level = row.get("level_ire")
    return Patch(name, role, _polygon(row, name), None if level is None else float(level), hue, *_colour(row, name))


def _mark(row: dict[str, Any]) -> Mark:
    name = str(row["name"])
    return Mark(name, _polygon(row, name), *_colour(row, name))


def _polygon(row: dict[str, Any], name: str) -> tuple[Point, ...]:
    polygon = tuple((float(x), float(y)) for x, y in row["polygon"])
    if len(polygon) < 3:
        raise InputError(f"patch {name!r}: its polygon needs three points or more")
    turns = [_turn(polygon[i - 2], polygon[i - 1], polygon[i]) for i in range(len(polygon))]
    if min(turns) < 0 < max(turns) or not any(turns):
        raise InputError(f"patch {name!r}: its polygon must be convex, its points in order around it")
    return polygon


def _turn(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])


def _colour(row: dict[str, Any], name: str) -> tuple[tuple[float, ...], tuple[float, ...],
                                                     tuple[float, float, float] | None]:
    wavelengths = tuple(float(v) for v in row.get("wavelengths_nm", ()))
    reflectance = tuple(float(v) for v in row.get("reflectance", ()))
    if len(wavelengths) != len(reflectance):
        raise InputError(f"patch {name!r}: wavelengths_nm and reflectance differ in length")
    xyz = row.get("xyz")
    return wavelengths, reflectance, None if xyz is None else (float(xyz[0]), float(xyz[1]), float(xyz[2]))
