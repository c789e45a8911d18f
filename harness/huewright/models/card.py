"""The colour reference card: its geometry, its patches and their reference values, as a TOML file."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomli_w

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
class Card:
    """A card. ``size`` is (width, height) in card units; corners run clockwise from the top left."""

    name: str
    size: tuple[float, float]
    patches: tuple[Patch, ...]
    illuminant: str = "D65"
    observer: str = "CIE 1931 2 Degree Standard Observer"
    description: str = ""

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
    write_text(path, tomli_w.dumps(card_to_dict(card)), overwrite=overwrite)


def card_to_dict(card: Card) -> dict[str, Any]:
    patches = []
    for patch in card.patches:
        row: dict[str, Any] = {"name": patch.name, "role": patch.role,
                               "polygon": [list(point) for point in patch.polygon]}
        if patch.level_ire is not None:
            row["level_ire"] = patch.level_ire
        if patch.hue is not None:
            row["hue"] = patch.hue
        if patch.reflectance:
            row["wavelengths_nm"] = list(patch.wavelengths_nm)
            row["reflectance"] = list(patch.reflectance)
        if patch.xyz is not None:
            row["xyz"] = list(patch.xyz)
        patches.append(row)
    return {"format": FORMAT, "name": card.name, "description": card.description, "size": list(card.size),
            "illuminant": card.illuminant, "observer": card.observer, "patch": patches}


def card_from_dict(record: dict[str, Any]) -> Card:
    """Raises :class:`InputError` naming the patch and the key that is wrong."""
    if record.get("format") != FORMAT:
        raise InputError(f"not a card file: its first key must be format = \"{FORMAT}\"")
    try:
        patches = tuple(_patch(row) for row in record["patch"])
        card = Card(name=str(record["name"]), size=(float(record["size"][0]), float(record["size"][1])),
                    patches=patches, illuminant=str(record.get("illuminant", "D65")),
                    observer=str(record.get("observer", Card.observer)),
                    description=str(record.get("description", "")))
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise InputError(f"card file incomplete or malformed at {error}") from None
    names = [patch.name for patch in patches]
    if len(set(names)) != len(names):
        raise InputError("two patches of the card have the same name; give each its own")
    w, h = card.size
    for patch in patches:
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
    polygon = tuple((float(x), float(y)) for x, y in row["polygon"])
    if len(polygon) < 3:
        raise InputError(f"patch {name!r}: its polygon needs three points or more")
    wavelengths = tuple(float(v) for v in row.get("wavelengths_nm", ()))
    reflectance = tuple(float(v) for v in row.get("reflectance", ()))
    if len(wavelengths) != len(reflectance):
        raise InputError(f"patch {name!r}: wavelengths_nm and reflectance differ in length")
    xyz = row.get("xyz")
    level = row.get("level_ire")
    return Patch(name, role, polygon, None if level is None else float(level), hue, wavelengths, reflectance,
                 None if xyz is None else (float(xyz[0]), float(xyz[1]), float(xyz[2])))
