"""Files that a verb writes: refused in time; surveys and corrections saved; figures as JSON."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from huewright.files import refuse_existing, write_json
from huewright.models.correction import Correction, correction_to_dict, save_correction
from huewright.models.proof import Proof, proof_to_dict
from huewright.models.record import to_record
from huewright.models.survey import Survey, save_survey, survey_to_dict


def refuse_outputs(*paths: Path | None, overwrite: bool) -> None:
    """Raises :class:`InputError` if one of ``paths`` (None: not asked for) exists and may not be replaced."""
    for path in paths:
        if path is not None:
            refuse_existing(path, overwrite=overwrite)


def save(made: Survey | Correction, path: Path | str, *, overwrite: bool = False) -> None:
    """A survey or a correction as the file that the verbs write and read."""
    if isinstance(made, Survey):
        save_survey(made, path, overwrite=overwrite)
    else:
        save_correction(made, path, overwrite=overwrite)


def write_figures(path: Path | None, record: Any, *, overwrite: bool) -> None:
    """``record`` as JSON to ``path``, if that was asked for."""
    if path is not None:
        write_json(path, plain(record), overwrite=overwrite)


def plain(value: Any) -> Any:
    """``value`` as JSON can hold it: models as in their files, other dataclasses, tuples, paths and NumPy scalars made
    plain."""
    if isinstance(value, Survey):
        value = survey_to_dict(value)
    elif isinstance(value, Correction):
        value = correction_to_dict(value)
    elif isinstance(value, Proof):
        value = proof_to_dict(value)
    if isinstance(value, msgspec.Struct):
        value = to_record(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    return str(value) if isinstance(value, Path) else value
