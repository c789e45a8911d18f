"""What a take's files say of themselves, and whether they are of the kind that the card was shot in."""

from __future__ import annotations

from huewright.frames.take import Take
from huewright.models.cautions import Caution, FilesUnlike, MovieDoubted
from huewright.models.clip import Clip


def kind_cautions(shot: Take, card_take_kind: str) -> list[Caution]:
    """One where the shot's files are of another kind than the card take's (:attr:`Take.kind`)."""
    kind = shot.kind
    if not card_take_kind or kind == card_take_kind:
        return []
    return [FilesUnlike(shot.name, kind, card_take_kind)]


def clip_of(take: Take) -> Clip | None:
    """What a movie's stream says of itself and how it was taken; None of a take that has no such tags."""
    tags = take.tags
    if tags is None:
        return None
    first = take.numbers[0]
    header = take.header(first)
    return Clip(take.name, take.kind, header.width, header.height, take.pixel_aspect, len(take), str(take.rate),
                take.even, take.timecode(first) or "", take.timecode(take.numbers[-1]) or "", tags.range, tags.matrix,
                tags.primaries, tags.transfer, tags.chroma, tags.overridden)


def tag_cautions(take: Take) -> tuple[Caution, ...]:
    """What must be said of a movie's tags."""
    if take.tags is None:
        return ()
    return tuple(MovieDoubted(take.name, doubt.kind, doubt.said, doubt.taken) for doubt in take.tags.doubts)
