"""The correction: an ordered list of operations, what they were aimed at, how well they hit, and from what."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from huewright_kernels.ops import Operation, operation_from_dict
from numpy.typing import NDArray

from huewright.errors import InputError
from huewright.files import json_text, read_json, write_json
from huewright.models.card import ROLES
from huewright.models.footage import RANGES, Footage, footage_from_dict

FORMAT = "huewright-correction-1"
EDITED = ("the correction file was edited by hand since it was solved; its residuals and intervals no longer describe "
          "it: solve again, or prove it on rendered frames")
# A target beyond these (display signal, nominally 0..1 and -0.5..0.5) is a slip of the keyboard.
_MOST_LUMA, _MOST_CHROMA = 2.0, 1.0
_NO_CHROMA = 1e-6


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

    def apply(self, picture: np.ndarray, *, premultiplied: bool = False,
              threads: int | None = None) -> NDArray[np.float32]:
        """``picture`` corrected: the full-range display signal, float32, of the same shape.

        picture        (h, w, 3 or more) or colours (n, 3): code values as recorded, R, G, B first. uint8 and uint16
                       are of their full scale; float16, float32 and float64 are 0..1 of it (computed in float32).
                       A fourth channel is alpha and kept; further ones are kept too.
        premultiplied  colours are multiplied by alpha: divided by it before and multiplied after
        threads        None: all processors; the result is the same

        Raises ``ValueError`` for an array of another shape or type.
        """
        from huewright_kernels.executor import compile_chain, run

        pixels = np.asarray(picture)
        if pixels.ndim not in (2, 3) or (pixels.shape[1] != 3 if pixels.ndim == 2 else pixels.shape[2] < 3):
            raise ValueError("a picture is an array (height, width, 3 or more), colours are (n, 3), "
                             f"not {pixels.shape}")
        if pixels.dtype == np.float64:
            pixels = pixels.astype(np.float32)
        if pixels.dtype not in (np.float16, np.float32, np.uint8, np.uint16):
            raise ValueError(f"pixels are float16, float32, float64, uint8 or uint16, not {pixels.dtype}")
        whole = np.ascontiguousarray(pixels if pixels.ndim == 3 else pixels[None])
        result = run(compile_chain(self.operations), whole, threads=threads, premultiplied=premultiplied)
        return np.asarray(result, np.float32).reshape(pixels.shape)


def correction_to_dict(correction: Correction) -> dict[str, Any]:
    """The correction as JSON holds it; its ``digest`` is of all but the provenance, which has hashes of its own."""
    record = {"format": FORMAT, "method": correction.method, "display": correction.display,
            "warnings": list(correction.warnings),
            "parameters": {k: {"value": v[0], "standard_error": v[1]} for k, v in correction.parameters.items()},
            "operations": [_operation_to_dict(operation) for operation in correction.operations],
            "neutral_operations": [_operation_to_dict(operation) for operation in correction.neutral_operations],
            "patches": [{**vars(p), "target": list(p.target), "before": list(p.before), "after": list(p.after)}
                        for p in correction.patches],
            "diagnostics": correction.diagnostics, "footage": correction.footage.to_dict(),
            "provenance": correction.provenance}
    return {**record, "digest": _digest(record)}


def _digest(record: dict[str, Any]) -> str:
    """SHA-256 of ``record`` without its digest and provenance, in a form that layout and order of keys don't touch."""
    kept = {key: value for key, value in record.items() if key not in ("digest", "provenance")}
    plain = json.dumps(json.loads(json_text(kept)), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(plain.encode()).hexdigest()


def _operation_to_dict(operation: Operation) -> dict[str, Any]:
    """With the numbers of float32 tables to 6 decimals where these are read back as the same ones."""
    record = operation.to_dict()
    for name, value in vars(operation).items():
        if isinstance(value, np.ndarray) and value.dtype == np.float32:
            short = np.round(value.astype(np.float64), 6)
            record[name] = np.where(short.astype(np.float32) == value, short, value.astype(np.float64)).tolist()
    return record


def correction_from_dict(record: dict[str, Any]) -> Correction:
    """The correction in ``record``. If its digest isn't its own or is missing, :data:`EDITED` is among its warnings.

    Raises ``ValueError`` (or ``KeyError``, ``TypeError`` for what is missing or of another kind) naming the key: for
    numbers that aren't finite, a chain without operations, targets and residuals that can't be.
    """
    for key, number in _numbers(record, ""):
        if not math.isfinite(number):
            raise ValueError(f"{key} must be a finite number, not {number}")
    warnings = tuple(record["warnings"])
    if record.get("digest") != _digest(record):
        warnings = (EDITED, *(sentence for sentence in warnings if sentence != EDITED))
    operations, neutral = _operations(record, "operations"), _operations(record, "neutral_operations")
    if not operations and (neutral or record["parameters"]):
        raise ValueError("operations is empty, so nothing would be corrected, nor turned into a display picture")
    parameters = {}
    for name, row in record["parameters"].items():
        error = row["standard_error"]
        if not _is_number(row["value"]) or not (error is None or (_is_number(error) and error >= 0)):
            raise ValueError(f"parameters.{name} takes a number and its standard error, 0 or more")
        parameters[name] = (row["value"], error)
    patches = tuple(_patch(row, f"patches[{number}]") for number, row in enumerate(record["patches"]))
    footage = footage_from_dict(record["footage"])
    if footage.range not in RANGES:
        raise ValueError(f"footage.range is one of {', '.join(RANGES)}, not {footage.range!r}")
    if not isinstance(footage.bits, int) or not 8 <= footage.bits <= 32:
        raise ValueError(f"footage.bits is a whole number from 8 on, not {footage.bits!r}")
    return Correction(record["method"], footage, record["display"], operations, neutral, patches, parameters,
                      record["diagnostics"], warnings, record["provenance"])


def edited_by_hand(correction: Correction) -> bool:
    """Whether the file that ``correction`` was read from had been changed after it was solved."""
    return EDITED in correction.warnings


def _numbers(value: Any, key: str) -> Iterator[tuple[str, float]]:
    """Every float within ``value`` with the place where it stands."""
    if isinstance(value, dict):
        for name, item in value.items():
            yield from _numbers(item, f"{key}.{name}" if key else str(name))
    elif isinstance(value, (list, tuple)):
        for number, item in enumerate(value):
            yield from _numbers(item, f"{key}[{number}]")
    elif isinstance(value, float):
        yield key, value


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _operations(record: dict[str, Any], key: str) -> tuple[Operation, ...]:
    operations = []
    for number, row in enumerate(record[key]):
        try:
            operations.append(operation_from_dict(row))
        except (TypeError, ValueError, AttributeError) as error:
            raise ValueError(f"{key}[{number}]: {error}") from None
    return tuple(operations)


def _patch(row: dict[str, Any], where: str) -> PatchResult:
    given: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in row.items()}
    patch = PatchResult(**given)
    where = f"{where} ({patch.name})"
    if patch.role not in ROLES:
        raise ValueError(f"{where}: role is one of {', '.join(ROLES)}, not {patch.role!r}")
    for key in ("target", "before", "after"):
        values = getattr(patch, key)
        if not isinstance(values, tuple) or len(values) != 3 or not all(
                _is_number(value) or (value is None and key == "target") for value in values):
            raise ValueError(f"{where}: {key} must be three numbers, Y', Cb and Cr")
    luma, cb, cr = patch.target
    if abs(luma or 0) > _MOST_LUMA or max(abs(cb or 0), abs(cr or 0)) > _MOST_CHROMA:
        raise ValueError(f"{where}: target {list(patch.target)} is no colour of a display signal (Y' 0 to 1, Cb and Cr "
                         "-0.5 to 0.5)")
    if patch.role == "chip" and cb is not None and cr is not None and math.hypot(cb, cr) <= _NO_CHROMA:
        raise ValueError(f"{where}: target has no colour (Cb and Cr are 0), so it gives the chip no hue to land on")
    for key, value in vars(patch).items():
        if key in ("name", "role", "used", "target", "before", "after", "note"):
            continue
        if value is not None and not _is_number(value):
            raise ValueError(f"{where}: {key} takes a number, not {value!r}")
        least_0 = key.startswith("delta_e") or "standard_error" in key or key == "radius_ratio"
        if least_0 and value is not None and value < 0:
            raise ValueError(f"{where}: {key} is 0 or more, not {value:g}")
    return patch


def save_correction(correction: Correction, path: Path | str, *, overwrite: bool = False) -> None:
    write_json(path, correction_to_dict(correction), overwrite=overwrite)


def load_correction(path: Path | str) -> Correction:
    """Raises :class:`InputError` if ``path`` is no correction file or one of its operations is invalid."""
    record = read_json(path, "correction file")
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise InputError(f"{path}: not a correction file; make one with `huewright solve`")
    try:
        return correction_from_dict(record)
    except KeyError as error:
        raise InputError(f"{path}: damaged correction file ({error.args[0]} is missing); solve again or mend "
                         "it") from None
    except (TypeError, ValueError, AttributeError) as error:
        raise InputError(f"{path}: damaged correction file ({error}); solve again or mend it") from None
