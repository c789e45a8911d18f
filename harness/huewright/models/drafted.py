"""A scene file's draft: the clips that lie in a folder, the cameras that they are taken to be of, and what only a
person can answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from huewright.models.coded import Coded
from huewright.models.scene import SceneCamera, SceneShot, SceneTake

Told = Literal["serial number", "label", "make and model", "reel", "folder", "name", "kind"]
"""By what clips are taken to be of one camera: what their files say, where they lie, their names' first letters; the
kind of their files always, since a correction is for code values."""
EncodingFrom = Literal["given", "tags", "nothing"]
OrderFrom = Literal["files", "names", "nothing"]


class EncodingNotGiven(Coded, frozen=True):
    """Nothing says what ``camera`` recorded."""

    camera: str


class EncodingByTags(Coded, frozen=True):
    """Tags say the ``transfer`` of a display, as those of log footage often do; ``taken`` as ``encoding``."""

    camera: str
    transfer: str
    encoding: str


class NoCardOfCamera(Coded, frozen=True):
    """No clip of ``camera`` shows the card."""

    camera: str


class NothingNamesCamera(Coded, frozen=True):
    """The files of ``camera`` name no single one, and ``apart`` are folders or first letters that were not taken for
    cameras, since not all of them have a take of the card."""

    camera: str
    apart: tuple[str, ...] = ()


class OrderNotTold(Coded, frozen=True):
    """Which take of its camera came before ``clip``: the time codes of ``first`` and ``second`` overlap (or nothing
    says when ``first`` was made, and ``second`` is ""). ``taken`` is the take by the order of names, or ""."""

    clip: str
    first: str
    second: str = ""
    taken: str = ""


class CardInPart(Coded, frozen=True):
    """The card is in ``seen`` of the ``looked`` frames of ``clip`` that were looked at."""

    clip: str
    seen: int
    looked: int


class FramesMissing(Coded, frozen=True):
    """``clip`` has no frames ``numbers``."""

    clip: str
    numbers: str


Question = (EncodingNotGiven | EncodingByTags | NoCardOfCamera | NothingNamesCamera | OrderNotTold | CardInPart
            | FramesMissing)


@dataclass(frozen=True)
class DraftedCamera:
    """``told`` by what, with what that is; ``encoding_from`` what says its encoding; without a take of the card it is
    not ``used`` and stands in the file as a comment only."""

    row: SceneCamera
    told: tuple[tuple[Told, str], ...]
    encoding_from: EncodingFrom
    used: bool = True
    questions: tuple[Question, ...] = ()


@dataclass(frozen=True)
class DraftedClip:
    """A take or a shot. ``begins`` is the time code of its first frame, or ""; ``lasts_s`` None without a rate.

    served, after_s, order   of a shot: its take, how long after that, and what says so
    used                     False: it stands in the file as a comment only
    """

    row: SceneTake | SceneShot
    frames: int
    begins: str
    lasts_s: float | None
    looked: int
    seen: int
    served: str = ""
    after_s: float | None = None
    order: OrderFrom = "files"
    used: bool = True
    questions: tuple[Question, ...] = ()


@dataclass(frozen=True)
class DraftedEdit:
    """An edit that was found: ``known`` of its ``clips`` are shots of the draft, and ``graded`` of those have a CDL
    already."""

    path: str
    clips: int
    known: int
    graded: int = 0


@dataclass(frozen=True)
class Drafted:
    """``unread`` are clips and edits that could not be opened, each with the sentence that says why."""

    title: str
    card: str
    cameras: tuple[DraftedCamera, ...]
    takes: tuple[DraftedClip, ...]
    shots: tuple[DraftedClip, ...]
    unread: tuple[tuple[str, str], ...] = ()
    edits: tuple[DraftedEdit, ...] = ()

    @property
    def questions(self) -> tuple[Question, ...]:
        return tuple(one for rows in (self.cameras, self.takes, self.shots) for row in rows
                     for one in row.questions)

    @property
    def complete(self) -> bool:
        """Whether it can be run as it is."""
        return all(camera.encoding_from != "nothing" for camera in self.cameras if camera.used)


__all__ = ["CardInPart", "Drafted", "DraftedCamera", "DraftedClip", "DraftedEdit", "EncodingByTags",
           "EncodingNotGiven", "FramesMissing", "NoCardOfCamera", "NothingNamesCamera", "OrderNotTold", "Question",
           "Told"]
