"""Patches files: where the patches lie on a card, for the plug-in's patch isolation, which reads them with the same
fields, limits and sentences.

A file is JSON: ``format``, ``size`` (width and height of the card) and ``patches``, each with a ``name`` and the ``x``
and ``y`` of its polygon's corners, in order around it. Units are the card's own, x to the right and y down from its top
left corner.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from huewright_kernels.ops.fields import Field, fields_of, numbers, row, shown

from huewright import strict_json
from huewright.errors import InputError
from huewright.files import write_json
from huewright.models.card import Card
from huewright.models.record import NO_FORM

FORMAT = "huewright-patches-1"
WHAT, REMEDY = "patches file", "write it again with `huewright ofx patches`"
MOST_PATCHES, MOST_CORNERS = 256, 32
NO_PATCHES_FILE = NO_FORM % ("%s", WHAT, FORMAT, REMEDY)
DAMAGED = f"%s: damaged {WHAT} (%s); {REMEDY}"
NO_LIST = f"patches takes a list of 1 to {MOST_PATCHES} patches"
AT, NO_RECORD, NO_NAME = "patches[%d]: %s", "a patch is a record with its name, x and y", "name takes a text"
UNKNOWN, TAKES = "there is no key '%s' in it", "%s takes %s"
FAULTS = ("x and y differ in length", "its polygon must be convex, its corners in order around it",
          "it lies outside the card's size")
"""What :func:`fault` counts from 1."""


@dataclass(frozen=True)
class CardFields:
    """What the file says of the card."""

    size: tuple[float, ...] = row((1.0, 1.0), "Width and height of the card.", low=1e-6, high=1e6)


@dataclass(frozen=True)
class PatchFields:
    """What it says of each patch."""

    x: tuple[float, ...] = numbers((), "Corners, from the card's left.", 3, MOST_CORNERS, low=0.0, high=1e6)
    y: tuple[float, ...] = numbers((), "Corners, from the card's top.", 3, MOST_CORNERS, low=0.0, high=1e6)


def fault(x: Any, y: Any, counts: Any, size: Any) -> int:
    """What is wrong with a polygon of ``counts`` (of ``x`` and of ``y``) numbers on a card of this ``size``: its place
    in :data:`FAULTS` from 1, or 0. It runs in Python and compiled alike."""
    if counts[0] != counts[1]:
        return 1
    n = counts[0]
    left_turns, right_turns = 0, 0
    for k in range(n):
        m, o = (k + 1) % n, (k + 2) % n
        turn = (x[m] - x[k]) * (y[o] - y[m]) - (x[o] - x[m]) * (y[m] - y[k])
        left_turns += 1 if turn > 0.0 else 0
        right_turns += 1 if turn < 0.0 else 0
    if (left_turns == 0) == (right_turns == 0):
        return 2
    for k in range(n):
        if x[k] > size[0] or y[k] > size[1]:
            return 3
    return 0


def read_patches(path: Path | str) -> list[np.ndarray]:
    """Each patch's polygon (n, 2), in shares of the card's width and height. :class:`InputError` if ``path`` is no
    patches file or a damaged one."""
    record = strict_json.read(path, WHAT, REMEDY)
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise InputError(NO_PATCHES_FILE % path)
    try:
        return _polygons(record)
    except ValueError as error:
        raise InputError(DAMAGED % (path, error)) from None


def _polygons(record: Mapping[str, Any]) -> list[np.ndarray]:
    size, = _taken(record, fields_of(CardFields), ("format", "patches"))
    rows = record.get("patches")
    if not isinstance(rows, list) or not 1 <= len(rows) <= MOST_PATCHES:
        raise ValueError(NO_LIST)
    polygons = []
    for number, each in enumerate(rows):
        try:
            if not isinstance(each, dict):
                raise ValueError(NO_RECORD)
            x, y = _taken(each, fields_of(PatchFields), ("name",))
            if not isinstance(each.get("name"), str):
                raise ValueError(NO_NAME)
            if wrong := fault(x, y, (len(x), len(y)), size):
                raise ValueError(FAULTS[wrong - 1])
        except ValueError as error:
            raise ValueError(AT % (number, error)) from None
        polygons.append(np.stack([np.array(x, np.float64) / size[0], np.array(y, np.float64) / size[1]], axis=1))
    return polygons


def _taken(record: Mapping[str, Any], fields: tuple[Field, ...], also: tuple[str, ...]) -> list[Any]:
    """The fields' values, all of which must be there, and no other key but ``also``."""
    known = {field.name for field in fields} | set(also)
    for key in record:
        if key not in known:
            raise ValueError(UNKNOWN % shown(key))
    values = []
    for field in fields:
        try:
            values.append(field.taken(record.get(field.name)))
        except ValueError:
            raise ValueError(TAKES % (field.name, field.wants)) from None
    return values


def patches_to_dict(card: Card, which: Callable[[str], bool] = lambda role: True) -> dict[str, Any]:
    """The content of the file that says where the patches of ``card`` lie, those whose role ``which`` takes.

    Raises :class:`InputError` where the file could not hold them.
    """
    chosen = [patch for patch in card.patches if which(patch.role)]
    if not 1 <= len(chosen) <= MOST_PATCHES:
        raise InputError(f"a patches file holds 1 to {MOST_PATCHES} patches, and here are {len(chosen)}; choose others")
    for patch in chosen:
        if len(patch.polygon) > MOST_CORNERS:
            raise InputError(f"patch {patch.name!r} has {len(patch.polygon)} corners, and a patches file takes "
                             f"{MOST_CORNERS}; draw it with fewer in the card file")
    record = {"format": FORMAT, "size": list(card.size), "patches": [
        {"name": patch.name, "x": [x for x, _ in patch.polygon], "y": [y for _, y in patch.polygon]}
        for patch in chosen]}
    try:
        _polygons(record)
    except ValueError as error:
        raise InputError(f"the card cannot be written as a {WHAT}: {error}; mend the card file") from None
    return record


def save_patches(card: Card, path: Path | str, which: Callable[[str], bool] = lambda role: True, *,
                 overwrite: bool = False) -> None:
    """Writes :func:`patches_to_dict`."""
    write_json(path, patches_to_dict(card, which), overwrite=overwrite)
