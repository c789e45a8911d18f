"""The correction: an ordered list of operations, what they were aimed at, how well they hit, and from what."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from huewright_kernels.ops import Operation
from numpy.typing import NDArray

from huewright.errors import InputError
from huewright.files import MOST_BYTES, json_text, write_text
from huewright.models import chain
from huewright.models.card import Role
from huewright.models.cautions import AnyCaution, Edited
from huewright.models.diagnostics import Diagnostics
from huewright.models.footage import Footage
from huewright.models.provenance import Provenance
from huewright.models.reasons import AnyPatchReason
from huewright.models.record import Name, Number, Positive, from_record, load_record, to_record
from huewright.models.settings import Strength

FORMAT = chain.FORMAT
# A target beyond these (display signal, nominally 0..1 and -0.5..0.5) is a slip of the keyboard.
_MOST_LUMA, _MOST_CHROMA = 2.0, 1.0
_NO_CHROMA = 1e-6


@dataclass(frozen=True)
class PatchResult:
    """One patch's target and what the solve predicts, in Y'CbCr of the display's luma coefficients.

    target        (Y', Cb, Cr) with None where nothing is asked (a vectorscope chip has no Y' target). Of a correction
                  of less than full strength it is where that strength leaves a patch which the full one puts on
                  ``full_target``; at full strength that is None
    before, after (Y', Cb, Cr): before is exposure, balance, tone and hues left alone
    used          False for check patches and excluded ones
    *_standard_error   of where the patch lands, as carried from the reading's noise (None: no target)
    leave_one_out_*    where the chip would land had the other patches alone driven the hues
    left_out      (Y', Cb, Cr) where it would land had the others alone driven matrix and hues; of a correction that was
                  solved towards another camera, whose fit takes in check patches as well
    reasons       why it was not used; none for those that were

    Raises ``ValueError`` for a target that can't be.
    """

    name: Name
    role: Role
    used: bool
    target: tuple[Number | None, Number | None, Number | None]
    before: tuple[Number, Number, Number]
    after: tuple[Number, Number, Number]
    hue_error_deg: Number | None = None
    radius_ratio: Positive | None = None
    level_error_ire: Number | None = None
    delta_e_before: Positive | None = None
    delta_e_after: Positive | None = None
    hue_standard_error_deg: Positive | None = None
    radius_standard_error: Positive | None = None
    level_standard_error_ire: Positive | None = None
    leave_one_out_hue_deg: Number | None = None
    leave_one_out_radius: Number | None = None
    left_out: tuple[Number, Number, Number] | None = None
    reasons: tuple[AnyPatchReason, ...] = ()
    full_target: tuple[Number | None, Number | None, Number | None] | None = None

    def __post_init__(self) -> None:
        luma, cb, cr = self.target
        if abs(luma or 0) > _MOST_LUMA or max(abs(cb or 0), abs(cr or 0)) > _MOST_CHROMA:
            raise ValueError(f"target {list(self.target)} is no colour of a display signal (Y' 0 to 1, Cb and Cr -0.5 "
                             "to 0.5)")
        if self.role == "chip" and cb is not None and cr is not None and math.hypot(cb, cr) <= _NO_CHROMA:
            raise ValueError("target has no colour (Cb and Cr are 0), so it gives the chip no hue to land on")


@dataclass(frozen=True)
class Parameter:
    """A solved number (its unit is in its name) and its standard error; None where there is none to state."""

    value: Number
    standard_error: Positive | None

    def __iter__(self) -> Iterator[Any]:
        return iter((self.value, self.standard_error))


@dataclass(frozen=True)
class Solved:
    """The answer in parts, at full strength: exposure, and what red and blue get on top of it, in stops; ``colour`` and
    the tone curve and hue sectors as :meth:`huewright.solver.chain.Chain.after_decode` takes them."""

    exposure_stops: Number = 0.0
    red_stops: Number = 0.0
    blue_stops: Number = 0.0
    colour: tuple[Operation, ...] = ()
    tone: tuple[Operation, ...] = ()
    sectors: tuple[Operation, ...] = ()


@dataclass(frozen=True)
class Correction:
    """``operations`` is the whole chain from file code values (integers scaled to 0..1) to the full-range
    display signal. ``neutral_operations`` is the same chain with nothing corrected (the "before" picture).

    parameters    every solved number by name
    diagnostics   numbers a colour scientist asks for
    strength      how much of what was solved ``operations`` do; ``parameters`` are of full strength
    solved        the answer in parts, from which other strengths are made; None where nothing but whole can be done
    cautions      what must be known of it
    provenance    versions, hashes of the inputs, settings, the inputs: what it takes to do it again

    Raises ``ValueError`` where there are parameters and no operations.
    """

    method: Name
    footage: Footage
    display: Name
    operations: tuple[Operation, ...]
    neutral_operations: tuple[Operation, ...]
    patches: tuple[PatchResult, ...]
    parameters: dict[str, Parameter] = field(default_factory=dict)
    diagnostics: Diagnostics = field(default_factory=Diagnostics)
    cautions: tuple[AnyCaution, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)
    strength: Strength = Strength()
    solved: Solved | None = None

    def __post_init__(self) -> None:
        if not self.operations and (self.neutral_operations or self.parameters):
            raise ValueError("operations is empty, so nothing would be corrected, nor turned into a display picture")

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


_ORDER = ("method", "display", "strength", "cautions", "parameters", "operations", "neutral_operations", "solved",
          "patches", "diagnostics", "footage", "provenance")


def correction_to_dict(correction: Correction) -> dict[str, Any]:
    """The correction as JSON holds it; its ``digest`` is of all but the provenance, which has hashes of its own."""
    fields = to_record(correction)
    record = {"format": FORMAT, **{name: fields[name] for name in _ORDER}}
    return {**record, "digest": _digest(record)}


def _digest(record: dict[str, Any]) -> str:
    """SHA-256 of ``record`` without its digest and provenance, in a form that layout and order of keys don't touch."""
    kept = {key: value for key, value in record.items() if key not in ("digest", "provenance")}
    return hashlib.sha256(json.dumps(kept, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def correction_from_dict(record: dict[str, Any]) -> Correction:
    """The correction in ``record``. If its digest isn't its own or is missing, :class:`Edited` is its first caution.

    Raises ``ValueError`` naming the key that is missing, of another kind, or can't be.
    """
    correction = from_record({key: value for key, value in record.items() if key not in ("format", "digest")},
                             Correction)
    if record.get("digest") == _digest(record):
        return correction
    rest = tuple(caution for caution in correction.cautions if not isinstance(caution, Edited))
    return replace(correction, cautions=(Edited(), *rest))


def edited_by_hand(correction: Correction) -> bool:
    """Whether the file that ``correction`` was read from had been changed after it was solved."""
    return any(isinstance(caution, Edited) for caution in correction.cautions)


def save_correction(correction: Correction, path: Path | str, *, overwrite: bool = False) -> None:
    """Raises :class:`InputError` as :func:`correction_text` does, and where it can't be written."""
    write_text(path, correction_text(correction, path), overwrite=overwrite)


def correction_text(correction: Correction, path: Path | str) -> str:
    """Of the file ``path``. Raises :class:`InputError` where tables make it larger than what :func:`load_correction`
    reads."""
    text = json_text(correction_to_dict(correction))
    if len(text) > MOST_BYTES:
        raise InputError(f"{path}: with the tables of its look this correction has {len(text) / 1e6:.0f} MB, and none "
                         f"over {MOST_BYTES / 1e6:.0f} is read; give a look with fewer points along each axis")
    return text


def load_correction(path: Path | str) -> Correction:
    """Raises :class:`InputError`, naming the file and the key, if ``path`` is no correction file or a damaged one."""
    record = load_record(path, chain.WHAT, FORMAT, chain.REMEDY)
    try:
        chain.chains_of(record)  # what the plug-in reads too is refused first, in the words of both
        return correction_from_dict(record)
    except ValueError as error:
        raise InputError(chain.DAMAGED % (path, error)) from None
