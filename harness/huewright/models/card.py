"""The colour reference card: its geometry, its patches and their reference values, as a TOML file."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import msgspec

from huewright.errors import InputError
from huewright.files import read_text, write_text
from huewright.models.record import Name, Number, Share, check_plain, from_record, place_words, to_record

FORMAT = "huewright-card-1"
ROLES = ("bar", "chip", "check")
HUES = ("red", "yellow", "green", "cyan", "blue", "magenta")
# More than any surface but a fluorescent one reflects; beyond it the numbers are percentages.
MOST_REFLECTANCE = 2.0
SPECTRAL_STEPS_NM = {1.0, 5.0, 10.0, 20.0}
Point = tuple[float, float]
if TYPE_CHECKING:      # plain text to those who make them; the choices are for what is read, and in the schemas
    Role = str
    Hue = str
else:
    Role = Literal["bar", "chip", "check"]
    Hue = Literal["red", "yellow", "green", "cyan", "blue", "magenta"]
Units = Annotated[float, msgspec.Meta(ge=0, le=1e6)]        # of the card's own
Wavelength = Annotated[float, msgspec.Meta(ge=1, le=1e5)]
Reflectance = Annotated[float, msgspec.Meta(ge=0)]
Polygon = Annotated[tuple[tuple[Units, Units], ...], msgspec.Meta(min_length=3)]
Xyz = tuple[Reflectance, Reflectance, Reflectance]
Seen = tuple[Share, Share, Share]


@dataclass(frozen=True)
class Patch:
    """One patch. ``polygon`` is in card units (x right, y down, origin at the card's top left corner).

    role         "bar" drives levels and neutrality, "chip" drives hues, "check" only proves
    level_ire    a bar's display level in IRE (percent of the luma range); None: from its XYZ
    hue          a chip's named 75 % bar (one of HUES), for vectorscope targets; None: colorimetric only
    wavelengths_nm, reflectance   spectral reflectance factor, 0..1, equal lengths; empty if not given
    xyz          CIE XYZ under the card's illuminant and observer, perfect diffuser Y = 1; None if not given
    photographed sRGB code values, 0..1, that a photograph showed here: to find and to draw the patch, no reference
    """

    name: Name
    role: Role
    polygon: Polygon
    level_ire: Number | None = None
    hue: Hue | None = None
    wavelengths_nm: tuple[Wavelength, ...] = ()
    reflectance: tuple[Reflectance, ...] = ()
    xyz: Xyz | None = None
    photographed: Seen | None = None

    def __post_init__(self) -> None:
        _check_area(self)


@dataclass(frozen=True)
class Mark:
    """A printed area that is not read: the ground, a border line. Marks are painted in order, patches over them.

    They tell the finder what lies between the patches, and a renderer or a printer what to paint there.
    ``wavelengths_nm``, ``reflectance`` and ``xyz`` as in :class:`Patch`.
    """

    name: Name
    polygon: Polygon
    wavelengths_nm: tuple[Wavelength, ...] = ()
    reflectance: tuple[Reflectance, ...] = ()
    xyz: Xyz | None = None

    def __post_init__(self) -> None:
        _check_area(self)


@dataclass(frozen=True)
class Card:
    """A card. ``size`` is (width, height) in card units; corners run clockwise from the top left.

    ``marks`` may be empty: then nothing is known about what lies between the patches.
    """

    name: Name
    size: tuple[Units, Units]
    patches: tuple[Patch, ...]
    illuminant: Name = "D65"
    observer: Name = "CIE 1931 2 Degree Standard Observer"
    description: str = ""
    marks: tuple[Mark, ...] = ()

    def __post_init__(self) -> None:
        if min(self.size) <= 0:
            raise ValueError("size is its width and height, both above 0")
        if not self.patches:
            raise ValueError("the card has no patch; give each of its patches a [[patch]] table")
        names = [each.name for each in self.patches]
        double = next((name for name in names if names.count(name) > 1), None)
        if double is not None:
            raise ValueError(f"two patches of the card have the same name, {double!r}; give each its own")
        areas: tuple[Patch | Mark, ...] = (*self.patches, *self.marks)
        for area in areas:
            if any(not (0 <= x <= self.size[0] and 0 <= y <= self.size[1]) for x, y in area.polygon):
                kind = "patch" if isinstance(area, Patch) else "mark"
                raise ValueError(f"{kind} {area.name!r} lies outside the card's size {self.size[0]:g} x "
                                 f"{self.size[1]:g}")

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


def _check_area(area: Patch | Mark) -> None:
    """Raises ``ValueError`` for a polygon that isn't convex, and for reference values that can't be."""
    polygon = area.polygon
    turns = [_turn(polygon[i - 2], polygon[i - 1], polygon[i]) for i in range(len(polygon))]
    if min(turns) < 0 < max(turns) or not any(turns):
        raise ValueError("its polygon must be convex, its points in order around it")
    wavelengths, reflectance = area.wavelengths_nm, area.reflectance
    if len(wavelengths) != len(reflectance):
        raise ValueError("wavelengths_nm and reflectance differ in length")
    if any(b <= a for a, b in zip(wavelengths, wavelengths[1:], strict=False)):
        raise ValueError("wavelengths_nm must rise from one to the next")
    if reflectance and max(reflectance) > MOST_REFLECTANCE:
        raise ValueError(f"reflectance is a factor, 1 for the perfect diffuser, not {max(reflectance):g}; divide "
                         "percentages by 100")
    if area.xyz is not None and max(area.xyz) > MOST_REFLECTANCE:
        raise ValueError(f"xyz is relative, the perfect diffuser has Y = 1, not {max(area.xyz):g}; divide percentages "
                         "by 100")
    steps = {round(b - a, 6) for a, b in zip(wavelengths, wavelengths[1:], strict=False)}
    if wavelengths and not (len(steps) == 1 and steps <= SPECTRAL_STEPS_NM):
        raise ValueError("wavelengths_nm must rise by 1, 5, 10 or 20 all along, as ASTM E308 integrates them; give the "
                         "reflectance at such steps, or xyz")


def _turn(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])


def load_card(path: Path | str) -> Card:
    """The card in the TOML file at ``path``; :class:`InputError` says what is wrong and where."""
    try:
        record = tomllib.loads(read_text(path, "card file"))
        check_plain(record)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: not a card file ({error}); see `huewright card --help`") from None
    except ValueError as error:
        why = "a whole number of thousands of digits" if "digits" in str(error) else str(error)
        raise InputError(f"{path}: {why}; mend that line") from None
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
    """The card file's content: what a patch or mark doesn't have is left out, for TOML has no null."""
    record = to_record(card)
    tables = {key: [{name: value for name, value in row.items() if value is not None and value != []} for row in rows]
              for key, rows in (("mark", record["marks"]), ("patch", record["patches"]))}
    return {"format": FORMAT, "name": card.name, "description": card.description, "size": record["size"],
            "illuminant": card.illuminant, "observer": card.observer,
            **({"mark": tables["mark"]} if card.marks else {}), "patch": tables["patch"]}


_OF_FILE = {"mark": "marks", "patch": "patches"}


def card_from_dict(record: dict[str, Any]) -> Card:
    """Raises :class:`InputError` naming the patch and the key that is wrong."""
    if record.get("format") != FORMAT:
        raise InputError(f"not a card file: its first key must be format = \"{FORMAT}\"")
    for key in _OF_FILE.values():
        if key in record:
            raise InputError(f"the card: there is no key {key!r}; begin each table with [[{key.rstrip('es')}]]")
    for key in _OF_FILE:
        rows = record.get(key, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise InputError(f"{key} must be tables, each begun with [[{key}]] in double brackets")
    fields = {"patches": [], **{_OF_FILE.get(key, key): value for key, value in record.items() if key != "format"}}
    try:
        return from_record(fields, Card, named=_place)
    except ValueError as error:
        raise InputError(str(error)) from None


def _place(place: list[Any], record: Any) -> str:
    """As a person who writes card files finds it: "patch 'white': level_ire"."""
    if place[:1] not in (["patches"], ["marks"]) or len(place) < 2:
        return "the card: " + place_words(place, record)
    kind = "patch" if place[0] == "patches" else "mark"
    name = record[place[0]][place[1]].get("name")
    return (f"{kind} {name!r}: " if isinstance(name, str) and name else f"{kind} {place[1] + 1}: ") + place_words(
        place[2:], None)
