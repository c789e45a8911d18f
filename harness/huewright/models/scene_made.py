"""What was made of a scene: each step's record in its folder, why a step is due, which take serves a shot."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from statistics import fmean
from typing import Annotated, Any, Literal

import msgspec

from huewright.errors import InputError
from huewright.files import write_json
from huewright.models.cautions import AnyCaution, DeclarationDoubted
from huewright.models.coded import Coded
from huewright.models.handed import ClipNoted, ConfigCorrection
from huewright.models.reasons import Advice
from huewright.models.record import Count, Name, Number, Positive, Sha256, Share, from_record, load_record, to_record
from huewright.models.refusals import AnyRefusal
from huewright.models.shots import ShotProof

FORMAT = "huewright-made-1"
WHAT = "record of a scene's step"

# What a step was made from, as its record calls it.
Input = Literal["version", "card", "footage", "corners", "settings", "files", "reading", "leading", "correction",
                "corrections", "exports", "edit", "form", "points"]
Kind = Literal["survey", "solve", "export", "config", "edit", "render"]


@dataclass(frozen=True)
class FileMade:
    """A file as it was when its step was done; by size and time it is told without reading that it is still so."""

    size: Count
    mtime_ns: Annotated[int, msgspec.Meta(ge=-(2**63), le=2**63 - 1)]
    sha256: Sha256


@dataclass(frozen=True)
class LightEstimate:
    """How the neutral estimate of a shot's light differs from that of its take, in stops of linear light; None where
    too little in the pictures says it. ``balance``: red and blue against green, by the smaller of two estimates that
    agree in direction, else 0; ``level`` of the picture as a whole."""

    red_stops: Number | None = None
    blue_stops: Number | None = None
    level_stops: Number | None = None


@dataclass(frozen=True)
class ExportError:
    """How far an exported file is from the render, of full scale: over picture-like and random colours together;
    ``left_out``, in words, is what its form cannot carry."""

    kind: Name
    mean: Positive
    worst: Positive
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class Made:
    """One step.

    finished  False from before its first file until after its last
    inputs    hashes of what it is made from
    stamp     hash of its source files' names, sizes and times: where that is the same, they are not read again
    places    the files that it writes, by their paths in the scene's folder; whatever lies there is its own
    files     those that it wrote, when it was finished
    screened  what was found in the frames of a rendered shot, as they were written
    configured, clips   what stands in a configuration, and the clips of an edit
    """

    kind: Kind
    name: Name
    finished: bool
    inputs: dict[Input, Sha256] = field(default_factory=dict)
    stamp: Sha256 | None = None
    places: tuple[Name, ...] = ()
    files: dict[str, FileMade] = field(default_factory=dict)
    cautions: tuple[AnyCaution, ...] = ()
    frames: Count = 0
    light: LightEstimate | None = None
    exports: tuple[ExportError, ...] = ()
    screened: ShotProof | None = None
    configured: tuple[ConfigCorrection, ...] = ()
    clips: tuple[ClipNoted, ...] = ()


def save_made(made: Made, path: Path | str) -> None:
    write_json(path, {"format": FORMAT, **to_record(made)}, overwrite=True)


def load_made(path: Path | str) -> Made:
    """Raises :class:`InputError`, naming the file and the key, if ``path`` is no such record or a damaged one."""
    remedy = "remove it, and the step is done again"
    record: dict[str, Any] = load_record(path, WHAT, FORMAT, remedy)
    del record["format"]
    try:
        return from_record(record, Made)
    except ValueError as error:
        raise InputError(f"{path}: damaged {WHAT} ({error}); {remedy}") from None


# ---------------------------------------------------------------- why a step is due

class Why(Coded, frozen=True):
    """Why a step is done, or not."""


class NeverMade(Why, frozen=True):
    """There is no record of it."""


class NotFinished(Why, frozen=True):
    """It was begun and not finished."""


class Differs(Why, frozen=True):
    """What it is made from is not what it was: ``what`` of it."""

    what: tuple[Input, ...]


class FilesGone(Why, frozen=True):
    """Some of its files are no longer there: ``count``, such as ``example``."""

    count: Count
    example: str


class FilesAltered(Why, frozen=True):
    """Some of its files are not as it wrote them: ``count``, such as ``example``."""

    count: Count
    example: str


class Follows(Why, frozen=True):
    """It is looked at once what it is made from, ``step`` of ``name``, is there anew."""

    step: Kind
    name: str


class Same(Why, frozen=True):
    """Nothing has changed."""


class LeftOut(Why, frozen=True):
    """Only exports were asked for."""


class NoCorrection(Why, frozen=True):
    """The take ``name``, which serves it or which it follows, gives no correction."""

    name: str


class Failed(Why, frozen=True):
    """It could not be done: ``what``, a sentence or a code, and the ``reason`` beside it where there is one, as of
    :class:`huewright.errors.NoAnswerError`; ``input`` where a person can mend the input."""

    what: str | AnyRefusal
    reason: Advice | DeclarationDoubted | None = None
    input: bool = True


@dataclass(frozen=True)
class StepDone:
    """A step of a run: ``why`` it was due, or not; ``done`` if it was done now (or would be)."""

    kind: Kind
    name: Name
    why: Why
    done: bool

    @property
    def stays(self) -> bool:
        """Whether all of it is there and as it should be."""
        return isinstance(self.why, Same)

    @property
    def told(self) -> bool:
        """Whether there is something to say of it."""
        return self.done or not isinstance(self.why, Same | LeftOut)

    @property
    def failed(self) -> bool:
        return isinstance(self.why, Failed)

    @property
    def mendable(self) -> bool:
        """Whether it failed for something about the input that a person can mend."""
        return isinstance(self.why, Failed) and self.why.input


@dataclass(frozen=True)
class LeftBehind:
    """What a step made that the scene file no longer asks for: ``count`` files, such as ``example``, which stay."""

    kind: Kind
    name: Name
    count: Count
    example: str


# ---------------------------------------------------------------- which take serves a shot

Choice = Literal["named", "only take", "time code"]


@dataclass(frozen=True)
class Served:
    """``takes`` is one name, or two between which the shot's moment lies at ``share`` of the way, ``apart_s`` seconds
    apart. ``after_s`` is how long after its (first) take the shot began; below 0 it ended that long before the take;
    None where nothing says when one of them was made. ``choice`` is who chose."""

    takes: tuple[Name, ...]
    choice: Choice
    after_s: Number | None = None
    share: Share | None = None
    apart_s: Positive | None = None


# ---------------------------------------------------------------- cameras beside each other

@dataclass(frozen=True)
class PatchApart:
    """One patch: CIEDE2000 between two cameras, before and after; ``colours`` are the display signals of the first
    and the second before, then after.

    fitted  where a camera follows another by this patch: ``after`` is then what it would be had the patch been left
            out of that fit, and this what it is with it
    """

    name: str
    role: str
    before: float
    after: float
    colours: tuple[tuple[float, float, float], ...]
    fitted: float | None = None


@dataclass(frozen=True)
class CamerasApart:
    """Two cameras, each by the take named: the patches that both have, and mean and worst of all and of those that
    neither solve saw (role "check")."""

    cameras: tuple[str, str]
    takes: tuple[str, str]
    patches: tuple[PatchApart, ...]

    def figures(self, role: str | None = None) -> tuple[float, float, float, float] | None:
        """(mean before, worst before, mean after, worst after) of the patches of ``role``; None: of all. None where
        there is no such patch."""
        rows = [row for row in self.patches if role is None or row.role == role]
        if not rows:
            return None
        before, after = [row.before for row in rows], [row.after for row in rows]
        return fmean(before), max(before), fmean(after), max(after)

    def fitted(self, role: str | None = None) -> tuple[float, float] | None:
        """(mean, worst) after the corrections as they are; None where no patch of ``role`` (None: of all) was left out
        of a fit, for then it is what :meth:`figures` says."""
        rows = [row for row in self.patches if role is None or row.role == role]
        if all(row.fitted is None for row in rows):
            return None
        values = [row.after if row.fitted is None else row.fitted for row in rows]
        return fmean(values), max(values)


__all__ = ["CamerasApart", "Choice", "Differs", "ExportError", "Failed", "FileMade", "FilesAltered", "FilesGone",
           "Follows", "Input", "Kind", "LeftBehind", "LeftOut", "LightEstimate", "Made", "NeverMade", "NoCorrection",
           "NotFinished", "PatchApart", "Same", "Served", "StepDone", "Why", "load_made", "save_made"]
