"""Card files: checking and drawing one, printing one of our own, making one from measured colours."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from huewright.cards.cgats import read_measurements
from huewright.cards.checking import CardCheck, card_notes, card_schema
from huewright.cards.drawing import CAUTION, draw_card, drawable
from huewright.cards.own import own_card
from huewright.errors import InputError
from huewright.files import refuse_existing, write_json
from huewright.models.card import Card, card_text, load_card, save_card


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


def card_from_measurements(measured: Path | str, out: Path | str, *, layout: Path | str | None = None,
                           columns: int | None = None, overwrite: bool = False) -> Card:
    """A card file from CGATS.17 / ISO 28178 text with spectral, XYZ or Lab data.

    layout   a card file whose patches have the samples' names: its geometry and roles are kept, colours replaced
    columns  instead: the samples lie in rows of this many, on equal squares; roles are told from the colours

    Raises :class:`InputError` where neither or both are given, or names don't match.
    """
    from huewright.cards.importing import card_on_grid, card_with_layout

    refuse_existing(out, overwrite=overwrite)
    if (layout is None) == (columns is None):
        raise InputError("say where the patches lie: give a card file with the same names (layout) or the number of "
                         "columns of a plain grid, one of them")
    data = read_measurements(measured)
    if layout is not None:
        card = card_with_layout(data, load_card(layout), measured)
    else:
        card = card_on_grid(data, columns or 0, measured)
    save_card(card, out, overwrite=overwrite)
    return card


__all__ = ["CAUTION", "CardCheck", "card_from_measurements", "card_schema", "check_card", "make_printable",
           "write_schema"]
