"""What a take is called, and whether its files are of the kind that the card was shot in."""

from __future__ import annotations

from huewright.frames.picture import read_header
from huewright.frames.sequence import FrameSequence
from huewright.models.cautions import Caution, FilesUnlike


def take_name(take: FrameSequence) -> str:
    """What a take is called where nobody named it: its folder and its files."""
    folder = take.path(take.numbers[0]).parent.name
    return f"{folder}/{take.file_pattern}" if folder else take.file_pattern


def files_kind(take: FrameSequence) -> str:
    """Of the take's first file, in words: "half float EXR", "10-bit DPX"."""
    path = take.path(take.numbers[0])
    header = read_header(path)
    depth = f"{header.bits}-bit" if header.dtype.kind == "u" else "half float" if header.bits == 16 else "float"
    suffix = path.suffix.lower().lstrip(".")
    return f"{depth} {'TIFF' if suffix in ('tif', 'tiff') else suffix.upper()}"


def kind_cautions(shot: FrameSequence, card_take_kind: str) -> list[Caution]:
    """One where the shot's files are of another kind than the card take's (as :func:`files_kind` says it)."""
    kind = files_kind(shot)
    if not card_take_kind or kind == card_take_kind:
        return []
    return [FilesUnlike(take_name(shot), kind, card_take_kind)]
