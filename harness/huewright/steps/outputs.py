"""Files that a verb writes beside its main work: refused in time, and figures as JSON."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np

from huewright.files import refuse_existing, write_json


def refuse_outputs(*paths: Path | None, overwrite: bool) -> None:
    """Raises :class:`InputError` if one of ``paths`` (None: not asked for) exists and may not be replaced."""
    for path in paths:
        if path is not None:
            refuse_existing(path, overwrite=overwrite)


def write_figures(path: Path | None, record: Any, *, overwrite: bool) -> None:
    """``record`` as JSON to ``path``, if that was asked for."""
    if path is not None:
        write_json(path, plain(record), overwrite=overwrite)


def plain(value: Any) -> Any:
    """``value`` as JSON can hold it: dataclasses, tuples, paths and NumPy scalars made plain."""
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
