"""Card files: checking and drawing one, printing one of our own, making one from what is said, seen or measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from huewright.cards.cgats import read_measurements
from huewright.cards.checking import CardCheck, card_notes, card_schema
from huewright.cards.drawing import CAUTION, draw_card, drawable
from huewright.cards.making import SHAPES, Place, card_of, grid_places, shape_places
from huewright.cards.own import own_card
from huewright.errors import InputError
from huewright.files import refuse_existing, write_json
from huewright.models.card import Card, card_text, load_card, save_card

if TYPE_CHECKING:
    from huewright.cards.tracing import Traced


def check_card(path: Path | str, *, picture: Path | str | None = None, overwrite: bool = False) -> CardCheck:
    """Loads the card file at ``path``, says what it lacks, and draws it to ``picture`` (PNG or PDF) if given.

    Raises :class:`InputError` for a file that is no card file, or an existing picture.
    """
    card = load_card(path)
    if picture is not None:
        draw_card(card, picture, labels=True, overwrite=overwrite)
    return CardCheck(card, tuple(card_notes(card)), None if picture is None else Path(picture))


def make_printable(path: Path | str, card_path: Path | str | None = None, *, overwrite: bool = False) -> Card:
    """Writes our own card for an A4 page to ``path`` (.pdf or .png) and its card file beside it (or ``card_path``).

    The card's reference values are what was designed, not what a printer makes of it: the file's description says
    so. Raises :class:`InputError` if either file exists, or the suffix is another.
    """
    path = drawable(path)
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


def new_card(out: Path | str, places: Sequence[Place], size: tuple[float, float], *, bars: Mapping[str, float],
             chips: Mapping[str, str], picture: Path | str | None = None, overwrite: bool = False) -> CardCheck:
    """Writes the card file of :func:`huewright.cards.making.card_of`, and draws it beside it (or to ``picture``).

    Raises :class:`InputError` as that, and where a file exists.
    """
    out = Path(out)
    picture = drawable(out.with_suffix(".png") if picture is None else picture)
    refuse_existing(out, overwrite=overwrite)
    refuse_existing(picture, overwrite=overwrite)
    card = card_of(places, size, bars=bars, chips=chips, name=out.stem)
    save_card(card, out, overwrite=overwrite)
    draw_card(card, picture, labels=True, overwrite=overwrite)
    return CardCheck(card, tuple(card_notes(card)), picture)


def trace_photo(photo: Path | str, out: Path | str, *, picture: Path | str | None = None,
                corners: Sequence[tuple[float, float]] | None = None, whole: bool = False,
                size: tuple[float, float] | None = None, overwrite: bool = False) -> tuple[Traced, CardCheck]:
    """Writes the card file of :func:`huewright.cards.tracing.trace_card` for the picture file ``photo``, and draws what
    was found over the photo, beside the card file (or to ``picture``).

    A photo is turned as its file says (Exif's orientation). Raises :class:`InputError` as that, for a file that is no
    picture, and where a file exists.
    """
    from huewright.cards.drawing import draw_traced
    from huewright.cards.tracing import trace_card
    from huewright.frames.picture import read_frame

    out = Path(out)
    picture = drawable(out.with_suffix(".png") if picture is None else picture)
    refuse_existing(out, overwrite=overwrite)
    refuse_existing(picture, overwrite=overwrite)
    seen = read_frame(photo).rgb_float()
    by_hand = None if corners is None else np.array(corners, dtype=np.float64)
    traced = trace_card(seen, corners=by_hand, whole=whole, size=size, name=out.stem)
    save_card(traced.card, out, overwrite=overwrite)
    draw_traced(traced, seen, picture, overwrite=overwrite)
    return traced, CardCheck(traced.card, tuple(card_notes(traced.card)), picture)


def card_from_measurements(measured: Path | str, out: Path | str, *, layout: Path | str | None = None,
                           columns: int | None = None, by: str = "name", overwrite: bool = False) -> Card:
    """A card file from CGATS.17 / ISO 28178 text, or a plain table, with spectral, XYZ or Lab data.

    layout   a card file: its geometry and roles are kept, colours replaced; the samples go to its patches ``by``
             "name", or by "position", the first to the first
    columns  instead: the samples lie in rows of this many, on equal squares; roles are told from the colours

    Raises :class:`InputError` where neither or both are given, or names don't match.
    """
    from huewright.cards.importing import card_on_grid, card_with_layout

    refuse_existing(out, overwrite=overwrite)
    if (layout is None) == (columns is None):
        raise InputError("say where the patches lie: give a card file with the same names (layout) or the number of "
                         "columns of a plain grid, one of them")
    if by not in ("name", "position"):
        raise InputError(f"samples go to patches by name or by position, not by {by!r}")
    data = read_measurements(measured)
    if layout is not None:
        card = card_with_layout(data, load_card(layout), measured, by_position=by == "position")
    else:
        card = card_on_grid(data, columns or 0, measured)
    save_card(card, out, overwrite=overwrite)
    return card


__all__ = ["CAUTION", "SHAPES", "CardCheck", "card_from_measurements", "card_schema", "check_card", "grid_places",
           "make_printable", "new_card", "shape_places", "trace_photo", "write_schema"]
