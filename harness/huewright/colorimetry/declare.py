"""From what a person declares about their footage to a :class:`Footage`: encoding, range, primaries, look."""

from __future__ import annotations

import logging
import math
from pathlib import Path
from typing import TYPE_CHECKING

from huewright_kernels.ops import LogDecode, Operation, Transfer

from huewright.errors import InputError
from huewright.models.cautions import Caution, LegalRangeOfFloats, LookSampled, LookWaysApart
from huewright.models.footage import RANGES, Footage

if TYPE_CHECKING:
    from huewright.colorimetry.luts import LutReading

log = logging.getLogger(__name__)

DEPTHS = (8, 10, 12, 16)
LOOK_INPUTS = ("log", "linear")
TRANSFERS = ("bt709", "bt1886", "srgb", "pq", "hlg")
THROUGH_LOOK = "through-look"
DEFAULT_PRIMARIES = "ITU-R BT.709"
NOT_VERIFIED = "Chips and bars on their targets do not verify what was declared with --encoding and --range."
LOG_PARAMETERS = ("base", "log_side_slope", "log_side_offset", "lin_side_slope", "lin_side_offset",
                  "lin_side_break", "linear_slope")


def declare_footage(*, encoding: str, range_: str = "full", bits: int = 10, primaries: str | None = None,
                    look: str | Path | None = None, look_input: str = "log",
                    ocio_config: str | Path | None = None) -> Footage:
    """The footage as declared.

    encoding     "display" (already a display picture), "linear", "through-look" (all that is known is the ``look``, to
                 a BT.709 picture), one of :data:`TRANSFERS` (decoded to light),
                 a camera log curve's name, or its parameters as "base=10,log_side_slope=0.25,..." with the names
                 of :data:`LOG_PARAMETERS` (those left out keep the CLF Log node's defaults); with
                 ``ocio_config`` the name of a colour space in that OpenColorIO configuration
    range_       "full" or "legal"; ``bits`` is the depth that a legal range refers to: 8, 10, 12 or 16
    primaries    of the linear light, by colour-science's name; None takes BT.709's, and notes the colour spaces that
                 are published with the encoding, if they have others; with ``ocio_config`` the light is brought to them
    look         path of a LUT file used instead of the display transfer, or None
    look_input   what the look expects: "log" or "linear"
    ocio_config  a configuration file, or a built-in one as "ocio://NAME"

    Raises :class:`InputError`, which says what is wrong and what would do.
    """
    if range_ not in RANGES:
        raise InputError(f"range is one of {', '.join(RANGES)}, not {range_!r}")
    if bits not in DEPTHS:
        raise InputError(f"bits is one of {', '.join(map(str, DEPTHS))}, not {bits}")
    if look_input not in LOOK_INPUTS:
        raise InputError(f"what a look expects is one of {', '.join(LOOK_INPUTS)}, not {look_input!r}")
    encoding = encoding.strip()
    if encoding.casefold() == THROUGH_LOOK and ocio_config is not None:
        raise InputError(f"{THROUGH_LOOK} takes a LUT file with --look, not a colour space; leave out --ocio-config")
    if encoding.casefold() == THROUGH_LOOK:
        return _through_look(look, range_, bits)
    named = primaries is not None
    primaries = _known_primaries(primaries or DEFAULT_PRIMARIES)
    if ocio_config is not None:
        from huewright.colorimetry.ocio import decode_colour_space

        decode, error = decode_colour_space(ocio_config, encoding, primaries)
    else:
        encoding, decode, error = _decode(encoding)
    log.info("footage declared as %s, %s range, %s: decoded by %s", encoding, range_, primaries,
             ", ".join(type(operation).__name__ for operation in decode) or "nothing")
    if look is not None and encoding == "display":
        raise InputError("footage declared as 'display' takes no look: declare the log curve that the look expects, or "
                         f"--encoding {THROUGH_LOOK} where you don't know it")
    if look is not None and look_input == "log" and not decode:
        raise InputError("a look that expects log needs an encoding that is a log curve; "
                         "declare one, or say that the look expects linear")
    # A look is given light in the camera's own primaries, whatever they are.
    implied = () if named or ocio_config is not None or look is not None else _implied(encoding)
    read = None if look is None else _look(look)
    return Footage(range_, bits, encoding, decode, primaries, () if read is None else read.operations, look_input,
                   error, implied, *_of_look(read))


def _implied(encoding: str) -> tuple[str, ...]:
    """Colour spaces that go with the curve of this name; none where there is no such curve."""
    from huewright.colorimetry.curves import is_curve_name, spaces_of_curve

    if encoding in ("display", "linear", *TRANSFERS) or "=" in encoding or not is_curve_name(encoding):
        return ()
    return spaces_of_curve(encoding, DEFAULT_PRIMARIES)


def _through_look(look: str | Path | None, range_: str, bits: int) -> Footage:
    """Footage of which only the LUT to a BT.709 display picture is known: decoded by the LUT and BT.709's OETF undone,
    so that balance and all that follows work on the light of the LUT's picture."""
    if look is None:
        raise InputError(f"--encoding {THROUGH_LOOK} needs the LUT that shows this footage: give it with --look")
    read = _look(look)
    baked, apart = _of_look(read)
    return Footage(range_, bits, THROUGH_LOOK, (*read.operations, Transfer("bt709", "decode")), DEFAULT_PRIMARIES,
                   look_baked=baked, look_ways_apart=apart)


def _of_look(read: LutReading | None) -> tuple[float, float]:
    return (0.0, 0.0) if read is None else (read.max_error, read.ways_apart)


def look_cautions(footage: Footage) -> list[Caution]:
    """What to say of how a look was read."""
    said: list[Caution] = []
    if footage.look_baked:
        said.append(LookSampled(footage.look_baked))
    if footage.look_ways_apart > WAYS_APART:
        said.append(LookWaysApart(footage.look_ways_apart))
    return said


WAYS_APART = 1e-3
"""Common practice, no source: a quarter of a code of 8 bits, below which no picture shows the difference."""


def range_caution(footage: Footage, *, floats: bool) -> LegalRangeOfFloats | None:
    """What to say of a legal range declared for files of floating numbers, which hold the full range as a rule."""
    if not floats or footage.range != "legal":
        return None
    return LegalRangeOfFloats()


def log_from_text(text: str) -> LogDecode:
    """``"base=10,log_side_slope=0.25,..."`` as an operation; :class:`InputError` names the part that is wrong."""
    values: dict[str, float] = {}
    for part in text.split(","):
        key, equals, number = (piece.strip() for piece in part.partition("="))
        if not equals or key not in LOG_PARAMETERS:
            raise InputError(f"{part.strip()!r} is no parameter of a log curve; "
                             f"write name=number with the names {', '.join(LOG_PARAMETERS)}")
        if key in values:
            raise InputError(f"the log curve's {key} is given twice; give it once")
        try:
            values[key] = float(number)
        except ValueError:
            values[key] = math.nan
        if not math.isfinite(values[key]):
            raise InputError(f"the log curve's {key} is a number, not {number!r}")
    try:
        curve = LogDecode(**values)
    except ValueError as error:
        raise InputError(f"{error}; check {text!r}") from None
    _check_rising(curve)
    return curve


def _check_rising(curve: LogDecode) -> None:
    rise = curve.log_side_slope * curve.lin_side_slope * math.log(curve.base)
    if rise <= 0 or (curve.linear_slope is not None and curve.linear_slope <= 0):
        raise InputError("this log curve falls with more light; check the signs of its slopes and its base")
    if curve.linear_slope is not None and curve.lin_side_break is None:
        raise InputError("linear_slope has no meaning without lin_side_break; give both or neither")
    if curve.lin_side_break is not None and curve.lin_side_slope * curve.lin_side_break + curve.lin_side_offset <= 0:
        raise InputError("this log curve has no logarithm at its lin_side_break: "
                         "lin_side_slope * lin_side_break + lin_side_offset must be positive")


def _decode(encoding: str) -> tuple[str, tuple[Operation, ...], float]:
    """Canonical encoding, operations to linear light, error."""
    plain = encoding.casefold()
    if not plain:
        raise InputError("the encoding is empty; give a log curve's name, its parameters, 'linear' or 'display'")
    if plain in ("display", "linear"):
        return plain, (), 0.0
    if plain in TRANSFERS:
        return plain, (Transfer(plain, "decode"),), 0.0
    if "=" in encoding:
        return encoding, (log_from_text(encoding),), 0.0
    from huewright.colorimetry.curves import resolve_curve

    operations, error = resolve_curve(encoding)
    return encoding, operations, error


def _known_primaries(name: str) -> str:
    """colour-science's own spelling of ``name``."""
    if name == DEFAULT_PRIMARIES:     # saves the import where nothing else needs it
        return name
    import difflib

    from colour import RGB_COLOURSPACES

    known: dict[str, str] = {key.casefold(): space.name for key, space in RGB_COLOURSPACES.items()}
    try:
        return known[name.strip().casefold()]
    except KeyError:
        close = difflib.get_close_matches(name.casefold(), known, n=4, cutoff=0.4)
        hint = ("close names: " + ", ".join(sorted({known[key] for key in close})) if close
                else "give a name that colour-science lists in RGB_COLOURSPACES")
        raise InputError(f"unknown primaries {name!r}; {hint}") from None


def _look(path: str | Path) -> LutReading:
    from huewright.colorimetry.luts import read_lut_file

    return read_lut_file(path)
