"""The whole job's file: what `huewright run` did and wrote."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import write_json
from huewright.models.by_hand import ByHand
from huewright.models.proof import Verdict
from huewright.models.record import Frame, Name, Point, Positive, Sha256, from_record, load_record, to_record
from huewright.models.settings import SolveSettings

FORMAT = "huewright-job-1"


@dataclass(frozen=True)
class FilesAsked:
    """A take as it was ``named``, its ``frames`` in words, and a hash of the files' names, sizes and times."""

    named: str
    frames: str
    sha256: Sha256


@dataclass(frozen=True)
class Asked:
    """What a job was begun with; only one begun with the same goes on in its folder. Card and footage by hashes."""

    version: Name
    take: FilesAsked
    card_sha256: Sha256
    footage_sha256: Sha256
    settings: SolveSettings
    corners: tuple[Point, ...] | None = None
    shots: dict[Name, FilesAsked] = field(default_factory=dict)
    by_hand: ByHand = ByHand()


@dataclass(frozen=True)
class Job:
    """The proof's ``verdict``, and whether it ``passed``, both None until the job is finished; the frames ``chosen`` of
    the card take; the ``files`` beside the job's own, by their paths in its folder; ``seconds`` of each step; what it
    was begun with."""

    verdict: Verdict | None = None
    passed: bool | None = None
    chosen: tuple[Frame, ...] = ()
    files: tuple[str, ...] = ()
    seconds: dict[Name, Positive] = field(default_factory=dict)
    asked: Asked | None = None


def job_to_dict(job: Job) -> dict[str, Any]:
    return {"format": FORMAT, **to_record(job)}


def save_job(job: Job, path: Path | str, *, overwrite: bool = False) -> None:
    write_json(path, job_to_dict(job), overwrite=overwrite)


def load_job(path: Path | str) -> Job:
    """Raises :class:`InputError`, naming the file and the key, if ``path`` is no job file or a damaged one."""
    remedy = "make it again with `huewright run --overwrite`, or in another folder"
    record = load_record(path, "job file", FORMAT, remedy)
    del record["format"]
    try:
        return from_record(record, Job)
    except ValueError as error:
        raise InputError(f"{path}: damaged job file ({error}); {remedy}") from None
