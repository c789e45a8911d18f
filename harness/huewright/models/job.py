"""The whole job's file: what `huewright run` did and wrote."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import write_json
from huewright.models.proof import Verdict
from huewright.models.record import Frame, Name, Positive, from_record, load_record, to_record

FORMAT = "huewright-job-1"


@dataclass(frozen=True)
class Job:
    """The proof's ``verdict``, and whether it ``passed``; the frames ``chosen`` of the card take; the ``files`` beside
    the job's own, by their paths in its folder; ``seconds`` of each step."""

    verdict: Verdict
    passed: bool
    chosen: tuple[Frame, ...]
    files: tuple[str, ...]
    seconds: dict[Name, Positive]


def job_to_dict(job: Job) -> dict[str, Any]:
    return {"format": FORMAT, **to_record(job)}


def save_job(job: Job, path: Path | str, *, overwrite: bool = False) -> None:
    write_json(path, job_to_dict(job), overwrite=overwrite)


def load_job(path: Path | str) -> Job:
    """Raises :class:`InputError`, naming the file and the key, if ``path`` is no job file or a damaged one."""
    remedy = "make it again with `huewright run`"
    record = load_record(path, "job file", FORMAT, remedy)
    del record["format"]
    try:
        return from_record(record, Job)
    except ValueError as error:
        raise InputError(f"{path}: damaged job file ({error}); {remedy}") from None
