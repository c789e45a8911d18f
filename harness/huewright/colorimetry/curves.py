"""Named camera log curves, resolved at run time through colour-science's registry of published curves.

A curve of the six-parameter family of the CLF Log node (SMPTE ST 2136-1) becomes a :class:`LogDecode` whose
parameters are solved for; any other curve becomes a dense :class:`Lut1D`. Either way the worst difference
from the registry's own function is measured and handed back.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
from huewright_kernels.ops import LogDecode, Lut1D, Operation

from huewright.errors import InputError
from huewright.reference import apply_chain

FAMILY_TOLERANCE = 1e-6
"""A curve counts as one of the six-parameter family up to this error (see :func:`curve_error`)."""

TEN_BIT = 1023
SPARE_CODES = 128
"""A table clamps at its domain; this many 10-bit codes beyond 0..1023 (over-range floats) are still decoded."""

NODES_A_CODE = (4, 16, 51)
"""Table densities tried: every 10-bit code falls on a node, so that a curve's kink or jump costs nothing there."""

TABLE_TOLERANCE = 1e-5
"""The coarsest table whose error is below this for 99.9 % of codes is taken."""

Curve = Callable[[np.ndarray], np.ndarray]


def resolve_curve(name: str) -> tuple[tuple[Operation, ...], float]:
    """Operations from log code values to scene-linear reflectance for the curve called ``name``, and their
    worst error over code values 0..1.

    Code values are fractions of full scale (code / (2^n - 1)), 10 bits where the published curve is defined
    in integer codes. The linear scale is the one that the curve's publication gives: reflectance 0.18 for
    mid grey with most, and 1.0 at the top code with those that are defined relative to it.

    Names match whatever their case and punctuation. Raises :class:`InputError`, listing close names, for an
    unknown one. The error is absolute up to 1.0 linear, relative above (see :func:`curve_error`).
    """
    return _resolve(_registry_name(name))


def curve_names() -> tuple[str, ...]:
    """All names that :func:`resolve_curve` knows."""
    from colour.models import LOG_DECODINGS

    return tuple(sorted(LOG_DECODINGS))


def is_curve_name(text: str, name: str | None = None) -> bool:
    """Whether ``text`` names a known curve, or the one called ``name``, whatever its case and punctuation."""
    return _plain(text) in {_plain(known) for known in ((name,) if name is not None else curve_names())}


def spaces_of_curve(name: str, but: str) -> tuple[str, ...]:
    """The colour spaces that colour-science decodes by the curve called ``name``, where their primaries are others than
    those of the space ``but``."""
    from colour import RGB_COLOURSPACES
    from colour.models import LOG_DECODINGS

    curve, others = _bare(LOG_DECODINGS[_registry_name(name)]), RGB_COLOURSPACES[but].primaries
    return tuple(sorted({space.name for space in RGB_COLOURSPACES.values() if _bare(space.cctf_decoding) is curve
                         and not np.allclose(space.primaries, others, atol=1e-3)}))


def _bare(function: object) -> object:
    while isinstance(function, partial):
        function = function.func
    return function


@lru_cache(maxsize=1)
def known_curves() -> tuple[tuple[str, tuple[Operation, ...]], ...]:
    """Every known curve that can be resolved, with its operations (about a second, once)."""
    curves = []
    for name in curve_names():
        try:
            curves.append((name, resolve_curve(name)[0]))
        except InputError:
            continue
    return tuple(curves)


def published_curve(name: str) -> Curve:
    """colour-science's own function for ``name``: float64 code values to linear, not-a-number where undefined."""
    from colour.models import LOG_DECODINGS

    function = LOG_DECODINGS[_registry_name(name)]

    def curve(code: np.ndarray) -> np.ndarray:
        with np.errstate(all="ignore"):
            return np.asarray(function(np.asarray(code, dtype=np.float64)), dtype=np.float64)

    return curve


def curve_error(operations: tuple[Operation, ...], curve: Curve, low: float = 0.0, high: float = 1.0) -> float:
    """Worst |ours - published| / max(1, |published|) over 20001 code values from ``low`` to ``high``."""
    return float(np.max(_errors(operations, curve, low, high)))


def _errors(operations: tuple[Operation, ...], curve: Curve, low: float, high: float) -> np.ndarray:
    code = np.linspace(low, high, 20001)
    values = apply_chain(operations, np.repeat(code[:, None], 3, axis=1))[:, 0]
    published = curve(code)
    result: np.ndarray = np.abs(values - published) / np.maximum(1.0, np.abs(published))
    return result


def _registry_name(name: str) -> str:
    names = curve_names()
    plain = {_plain(known): known for known in names}
    if _plain(name) in plain:
        return plain[_plain(name)]
    # A short form of a longer name, or the reverse, lies too far apart for a comparison letter by letter.
    typed = _plain(name)
    within = [key for key in plain if min(len(key), len(typed)) > 3 and (typed in key or key in typed)]
    close = list(dict.fromkeys(within + difflib.get_close_matches(typed, plain, n=4, cutoff=0.5)))[:4]
    hint = (f"close names: {', '.join(plain[key] for key in close)}" if close
            else "`--encoding list` prints the known ones; or give the curve's parameters")
    raise InputError(f"unknown log curve {name!r}; {hint}")


def _plain(name: str) -> str:
    return "".join(character for character in name.casefold() if character.isalnum())


@lru_cache(maxsize=64)
def _resolve(name: str) -> tuple[tuple[Operation, ...], float]:
    return operations_for_curve(published_curve(name), f"log curve {name!r}")


def operations_for_curve(curve: Curve, what: str) -> tuple[tuple[Operation, ...], float]:
    """A :class:`LogDecode` if ``curve`` (code values to linear) is of that family, else a :class:`Lut1D`, and the
    worst error over code values 0..1. :class:`InputError`, naming ``what``, if it isn't defined there."""
    fitted = _fit_log(curve)
    if fitted is not None:
        error = curve_error((fitted,), curve)
        if error <= FAMILY_TOLERANCE:
            return (fitted,), error
    return _tabulate(curve, what)


def _fit_log(curve: Curve) -> LogDecode | None:
    """The six parameters of ``curve`` if its upper part is an exponential, and the rest, if any, a straight line."""
    exponential = _Exponential.through(curve)
    if exponential is None:
        return None
    plain = {"base": 2.0, "log_side_slope": math.log(2.0) / exponential.rate,
             "log_side_offset": -math.log(exponential.scale) / exponential.rate,
             "lin_side_slope": 1.0, "lin_side_offset": -exponential.shift}
    candidates = [LogDecode(**plain)]
    code = np.linspace(*_code_range(SPARE_CODES, SPARE_CODES), 40001)
    linear = curve(code)
    differs = np.flatnonzero(~(np.abs(exponential(code) - linear) <= 1e-10 * np.maximum(1.0, np.abs(linear))))
    if differs.size and differs[-1] >= 100:
        last = differs[-1]
        for first in (0, int(np.searchsorted(code, 0.0))):
            if last - first < 100:
                continue
            # The last few samples below the break may belong to either part.
            rise, run = linear[last - 8] - linear[first], code[last - 8] - code[first]
            if not (np.isfinite(rise) and rise > 0):
                continue
            slope = float(rise / run)
            offset = float(linear[first] - slope * code[first])
            candidates += [LogDecode(**plain, lin_side_break=float(exponential(where)), linear_slope=1.0 / slope)
                           for where in _meeting_points(exponential, slope, offset, float(code[last]))]
    return min(candidates, key=lambda candidate: _rank(candidate, curve))


def _rank(candidate: LogDecode, curve: Curve) -> tuple[float, float]:
    """Right over 0..1 first, then right beyond it (footage below code 0 or above 1 exists in floats)."""
    beyond = _errors((candidate,), curve, *_code_range(SPARE_CODES, SPARE_CODES))
    return max(curve_error((candidate,), curve), FAMILY_TOLERANCE), float(np.nanmax(beyond))


def _code_range(under: int, over: int) -> tuple[float, float]:
    return -under / TEN_BIT, (TEN_BIT + over) / TEN_BIT


@dataclass(frozen=True)
class _Exponential:
    """linear = scale exp(rate code) + shift: what the logarithmic part is, seen from the log side."""

    scale: float
    rate: float
    shift: float

    def __call__(self, code: np.ndarray | float) -> np.ndarray:
        return self.scale * np.exp(self.rate * np.asarray(code, dtype=np.float64)) + self.shift

    @classmethod
    def through(cls, curve: Curve) -> _Exponential | None:
        """Solved from three equally spaced codes of the upper half; None if they lie on no such curve."""
        code = np.array([0.5, 0.75, 1.0])
        low, middle, high = curve(code)
        ratio = (high - middle) / (middle - low) if middle > low else 0.0
        if not (np.isfinite(ratio) and ratio > 1.0):
            return None
        rate = math.log(ratio) / 0.25
        scale = (high - middle) / (math.exp(rate) - math.exp(0.75 * rate))
        return cls(float(scale), rate, float(high - scale * math.exp(rate)))


def _meeting_points(exponential: _Exponential, slope: float, offset: float, near: float) -> list[float]:
    """Codes at which the exponential and the line meet, or come closest, around ``near``, and ``near`` itself.

    Published constants are rounded, so that the parts often miss each other by a hair at the stated break.
    """
    closest = math.log(slope / (exponential.scale * exponential.rate)) / exponential.rate
    points = [near, closest]

    def gap(code: float) -> float:
        return float(exponential(code)) - (slope * code + offset)

    if gap(closest) < 0:
        from scipy.optimize import brentq

        for edge in (closest - 0.3, closest + 0.3):
            if gap(edge) > 0:
                points.append(brentq(gap, *sorted((edge, closest)), xtol=1e-15))
    return points


def _tabulate(curve: Curve, what: str) -> tuple[tuple[Operation, ...], float]:
    under, over = _codes_to_spare(curve, -1), _codes_to_spare(curve, 1)
    low, high = _code_range(under, over)
    for density in NODES_A_CODE:
        values = curve((np.arange((under + TEN_BIT + over) * density + 1) - under * density) / (TEN_BIT * density))
        if not np.isfinite(values).all():
            raise InputError(f"{what} is not defined over all code values 0..1; give its parameters "
                             "or a LUT instead")
        operations = (Lut1D(np.repeat(values[:, None], 3, axis=1), (low,) * 3, (high,) * 3),)
        errors = _errors(operations, curve, 0.0, 1.0)
        if np.quantile(errors, 0.999) <= TABLE_TOLERANCE:
            break
    return operations, float(np.max(errors))


def _codes_to_spare(curve: Curve, side: int) -> int:
    """How many 10-bit codes beyond 0 (``side`` -1) or 1023 (``side`` 1) the curve is defined and doesn't turn back."""
    steps = np.arange(SPARE_CODES + 1)
    values = curve((steps * side + (TEN_BIT if side > 0 else 0)) / TEN_BIT)
    bad = np.flatnonzero(~np.isfinite(values[1:]) | (np.diff(values) * side < 0))
    return int(bad[0]) if bad.size else SPARE_CODES
