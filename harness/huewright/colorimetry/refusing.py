"""LUT files that are damage or malice, told before a library reads them, and results that no LUT is meant to give."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np
from huewright_kernels.ops import Operation
from huewright_kernels.ops.fields import MOST_SIGNAL

from huewright.errors import InputError
from huewright.files import read_bytes

_DEEPEST = 32
_BEGUN, _ENDED = (re.compile(rb"(?im)^[ \t\r\v\f]*%s METADATA" % word) for word in (b"BEGIN", b"END"))


def check_file(path: Path) -> None:
    """:class:`InputError` for what OpenColorIO chews on for ever: a size beyond any LUT's, XML that is nested without
    end, or makes words of its own (entities), which no format of LUTs does, and notes of a file that never end."""
    data = read_bytes(path, "LUT file")
    begun = _BEGUN.search(data) if b"METADATA" in data.upper() else None   # which is soon told of a large file
    wrong = ""
    if begun is not None and _ENDED.search(data, begun.end()) is None:
        wrong = "its BEGIN METADATA has no END METADATA"
    elif data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
        wrong = _wrong_xml(data)
    if wrong:
        raise InputError(f"{path}: not a LUT that can be read ({wrong}); give a .cube, .clf or another LUT file")


def _wrong_xml(data: bytes) -> str:
    depth = 0

    def begin(name: str, attributes: Any) -> None:
        nonlocal depth
        depth += 1
        if depth > _DEEPEST:
            raise ValueError(f"nested more than {_DEEPEST} deep")

    def end(name: str) -> None:
        nonlocal depth
        depth -= 1

    def declared(*parts: Any) -> None:
        raise ValueError("it declares words of its own (DOCTYPE)")

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler, parser.StartDoctypeDeclHandler = begin, end, declared
    try:
        parser.Parse(data, True)
    except ValueError as error:
        return str(error)
    except (expat.ExpatError, LookupError):     # LookupError: a coding that nobody knows; the library will say
        pass
    return ""


def check_result(operations: Sequence[Operation]) -> None:
    """``ValueError`` for what nobody wants of ``operations``, over code values from 0 to 1."""
    from huewright.reference import apply_chain

    axis = np.linspace(0, 1, 9)
    colours = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1).reshape(-1, 3)
    with np.errstate(all="ignore"):
        result = apply_chain(operations, colours)
    if not np.isfinite(result).all():
        raise ValueError("code values between 0 and 1 come out as no numbers")
    if np.abs(result).max() > MOST_SIGNAL:
        raise ValueError(f"code values between 0 and 1 come out as much as {np.abs(result).max():.3g}")
    if operations and np.ptp(result, axis=0).max() == 0:
        raise ValueError("all colours come out as one")
