"""Cautions of renders."""

from __future__ import annotations

from typing import Literal

from huewright.models.cautions.base import Caution
from huewright.models.record import Count, Frame, Share


class ReviewMovie(Caution, frozen=True):
    """A movie was written with ``codec``, so many ``bits`` and chroma ``sampling`` such as "420"."""

    codec: str
    bits: Count
    sampling: str


class RenderLimited(Caution, frozen=True):
    """Share of the pixels beyond what the files hold; ``shot`` is named where several were rendered."""

    share: Share
    bits: Count
    range: str
    shot: str = ""


class RenderBeyond(Caution, frozen=True):
    """Shares of the pixels above white and below black of the display signal; ``shot`` as of :class:`RenderLimited`."""

    over: Share
    under: Share
    shot: str = ""


class LegalFloatsWritten(Caution, frozen=True):
    """Legal range was written into floating-point files."""


class FramesKept(Caution, frozen=True):
    """``by_hash`` of them were told by their hashes, the others rendered again to compare."""

    count: Count
    by_hash: Count = 0


class LeftoversRemoved(Caution, frozen=True):
    """What a process that was killed had left of ``files`` that it was writing was removed."""

    files: tuple[str, ...]


class ChannelsLost(Caution, frozen=True):
    channels: tuple[str, ...]
    suffix: str


class ColoursUnsaid(Caution, frozen=True):
    """The files' headers said which transfer and colours the camera recorded; the rendered ones say "user defined"."""


class ColoursRetagged(Caution, frozen=True):
    """What the files said of the camera's colours in these ``attributes`` is not in the rendered ones; these now name
    the display's primaries, where ``display_named``."""

    attributes: tuple[str, ...]
    display_named: bool


class StructureChanged(Caution, frozen=True):
    """What of the files' structure the rendered ones don't have: ``names`` of parts or elements, or the orientation."""

    what: Literal["turned", "levels", "joined", "left out", "grey", "chroma", "alpha joined"]
    names: tuple[str, ...] = ()


class LayersCarried(Caution, frozen=True):
    """Further layers or views are carried over as the camera's: only R, G and B are corrected."""

    channels: tuple[str, ...]


class ProfileLost(Caution, frozen=True):
    """The files' ICC profile describes the camera's picture and is not in the rendered ones."""


class DataWindowLost(Caution, frozen=True):
    """Files of this ``suffix`` hold the pixels alone, not that they are a window of a larger picture."""

    data_window: str
    display_window: str
    suffix: str


class CameBroken(Caution, frozen=True):
    """Frames that came from the camera's files with pixels that are no numbers or infinite."""

    frames: tuple[Frame, ...]


class BecameBroken(Caution, frozen=True):
    """Frames that got such pixels in rendering."""

    frames: tuple[Frame, ...]


class LossyKept(Caution, frozen=True):
    """Written with the take's own lossy compression."""

    compression: str
