"""The correction: an ordered list of operations, what they were aimed at, how well they hit, and from what."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from huewright_kernels.ops import Operation, operation_from_dict

from huewright.errors import InputError
from huewright.files import read_json, write_json
from huewright.models.footage import Footage, footage_from_dict

FORMAT = "huewright-correction-1"


@dataclass(frozen=True)
class PatchResult:
    """One patch's target and what the solve predicts, in Y'CbCr of the display's luma coefficients.

    target        (Y', Cb, Cr) with None where nothing is asked (a vectorscope chip has no Y' target)
    before, after (Y', Cb, Cr): before is exposure, balance, tone and hues left alone
    used          False for check patches and excluded ones
    *_standard_error   of where the patch lands, as carried from the reading's noise (None: no target)
    leave_one_out_*    where the chip would land had the other chips alone driven the hues
    """

    name: str
    role: str
    used: bool
    target: tuple[float | None, float | None, float | None]
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    hue_error_deg: float | None = None
    radius_ratio: float | None = None
    level_error_ire: float | None = None
    delta_e_before: float | None = None
    delta_e_after: float | None = None
    hue_standard_error_deg: float | None = None
    radius_standard_error: float | None = None
    level_standard_error_ire: float | None = None
    leave_one_out_hue_deg: float | None = None
    leave_one_out_radius: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Correction:
    """``operations`` is the whole chain from file code values (integers scaled to 0..1) to the full-range
    display signal. ``neutral_operations`` is the same chain with nothing corrected (the "before" picture).

    parameters    name -> (value, standard error) of every solved number, units in the name
    diagnostics   numbers a colour scientist asks for: condition, leave_one_out_deg, noise_gain_db, ...
    provenance    versions, hashes of the inputs, settings: what it takes to do it again
    """

    method: str
    footage: Footage
    display: str
    operations: tuple[Operation, ...]
    neutral_operations: tuple[Operation, ...]
    patches: tuple[PatchResult, ...]
    parameters: dict[str, tuple[float, float]] = field(default_factory=dict)
    diagnostics: dict[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    provenance: dict[str, Any] = field(default_factory=dict)


def correction_to_dict(correction: Correction) -> dict[str, Any]:
    return {"format": FORMAT, "method": correction.method, "display": correction.display,
            "warnings": list(correction.warnings),
            "parameters": {k: {"value": v[0], "standard_error": v[1]} for k, v in correction.parameters.items()},
            "operations": [_operation_to_dict(operation) for operation in correction.operations],
            "neutral_operations": [_operation_to_dict(operation) for operation in correction.neutral_operations],
            "patches": [{**vars(p), "target": list(p.target), "before": list(p.before), "after": list(p.after)}
                        for p in correction.patches],
            "diagnostics": correction.diagnostics, "footage": correction.footage.to_dict(),
            "provenance": correction.provenance}


def _operation_to_dict(operation: Operation) -> dict[str, Any]:
    """With the numbers of float32 tables to 6 decimals where these are read back as the same ones."""
    record = operation.to_dict()
    for name, value in vars(operation).items():
        if isinstance(value, np.ndarray) and value.dtype == np.float32:
            short = np.round(value.astype(np.float64), 6)
            record[name] = np.where(short.astype(np.float32) == value, short, value.astype(np.float64)).tolist()
    return record


def correction_from_dict(record: dict[str, Any]) -> Correction:
    rows: list[dict[str, Any]] = [{key: tuple(value) if isinstance(value, list) else value
                                   for key, value in row.items()} for row in record["patches"]]
    patches = tuple(PatchResult(**row) for row in rows)
    return Correction(record["method"], footage_from_dict(record["footage"]), record["display"],
                      tuple(operation_from_dict(row) for row in record["operations"]),
                      tuple(operation_from_dict(row) for row in record["neutral_operations"]), patches,
                      {k: (v["value"], v["standard_error"]) for k, v in record["parameters"].items()},
                      record["diagnostics"], tuple(record["warnings"]), record["provenance"])


def save_correction(correction: Correction, path: Path | str, *, overwrite: bool = False) -> None:
    write_json(path, correction_to_dict(correction), overwrite=overwrite)


def load_correction(path: Path | str) -> Correction:
    """Raises :class:`InputError` if ``path`` is no correction file or one of its operations is invalid."""
    record = read_json(path, "correction file")
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise InputError(f"{path}: not a correction file; make one with `huewright solve`")
    try:
        return correction_from_dict(record)
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"{path}: damaged correction file ({error}); solve again or mend that line") from None
