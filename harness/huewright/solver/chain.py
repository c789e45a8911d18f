"""The order of operations from code values to the display signal.

    decode     code values to scene-linear light, in the camera's primaries
    balance    exposure and neutral gains, in the camera's primaries (where a camera's own white balance acts),
               and with them, as one matrix, the change to the display's primaries
    colour     what a method other than sectors does to linear light
    encode     the display's encoding; or the look, fed with log again where it expects log
    tone       the monotone curve
    sectors    hue rotations and gains

Footage that is a display picture already is decoded by the inverse of the encoding of the display aimed at,
balanced as light, and encoded again; with nothing to correct, it passes untouched. A look replaces the display's
encoding and is given light in the camera's primaries, because that is what it was made for; ``colour`` then comes after
it, on the display light that the look's picture shows, since nobody can aim through a table at the light before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from huewright_kernels.ops import HueSectors, Matrix, Operation, ToneCurve

from huewright.colorimetry.display import Display, primaries_matrix
from huewright.colorimetry.inverse import inverse_operations, matrix_operation
from huewright.models.footage import Footage


@dataclass(frozen=True)
class Balance:
    """Exposure in stops, and what red and blue get on top of it, in stops."""

    exposure_stops: float = 0.0
    red_stops: float = 0.0
    blue_stops: float = 0.0

    @property
    def gains(self) -> np.ndarray:
        return np.exp2(self.exposure_stops + np.array([self.red_stops, 0.0, self.blue_stops]))


class Chain:
    """Builds a take's chain for a display; ``decode`` is the part that no unknown touches."""

    def __init__(self, footage: Footage, display: Display, adaptation: str = "CAT16") -> None:
        self.footage, self.display = footage, display
        self.is_picture = footage.encoding == "display"
        self.has_look = bool(footage.look)
        self._same_primaries = self.has_look or footage.primaries == display.primaries
        self.primaries = np.array(primaries_matrix(footage.primaries, display.primaries, adaptation)
                                  if not self._same_primaries else np.eye(3))
        source = display.decode if self.is_picture else footage.decode
        self.decode: tuple[Operation, ...] = merged(footage.to_code_float() + source)
        if not self.has_look:
            self.encode: tuple[Operation, ...] = display.encode
        elif footage.look_input == "log":
            self.encode = inverse_operations(source) + footage.look
        else:
            self.encode = footage.look
        # What takes balanced camera light to the light that ``colour`` works on, and from there to the signal.
        self.to_colour: tuple[Operation, ...] = self.encode + display.decode if self.has_look else ()
        self.from_colour: tuple[Operation, ...] = display.encode

    def after_decode(self, balance: Balance, *, colour: Sequence[Operation] = (), tone: ToneCurve | None = None,
                     sectors: HueSectors | None = None) -> tuple[Operation, ...]:
        """The operations that follow ``decode``. ``colour`` takes balanced camera light (the display light of the
        look's picture, where there is a look) to display light; it replaces the change of primaries."""
        gains = np.diag(balance.gains)
        rest = tuple(operation for operation in (tone, sectors) if operation is not None)
        if colour:
            return (matrix_operation(gains), *self.to_colour, *colour, *self.from_colour, *rest)
        return (matrix_operation(self.primaries @ gains), *self.encode, *rest)

    def whole(self, balance: Balance, *, colour: Sequence[Operation] = (), tone: ToneCurve | None = None,
              sectors: HueSectors | None = None) -> tuple[Operation, ...]:
        """From file code values to the display signal."""
        return merged(self.decode + self.after_decode(balance, colour=colour, tone=tone, sectors=sectors))

    def neutral(self) -> tuple[Operation, ...]:
        """The same with nothing corrected."""
        code = self.footage.to_code_float()
        if self.has_look and (self.footage.look_input == "log" or not self.footage.decode) and not self.is_picture:
            return code + self.footage.look
        if self.is_picture and self._same_primaries:
            return code + self.footage.look
        return tuple(op for op in self.whole(Balance()) if not (isinstance(op, Matrix) and _is_identity(op)))


def _is_identity(operation: Matrix) -> bool:
    return bool(np.array_equal(operation.matrix, np.eye(3)) and not np.any(operation.offset))


def merged(operations: Sequence[Operation]) -> tuple[Operation, ...]:
    """The same chain with neighbouring matrices multiplied into one, their entries to 12 digits."""
    result: list[Operation] = []
    for operation in operations:
        before = result[-1] if result else None
        if isinstance(operation, Matrix) and isinstance(before, Matrix):
            outer = np.array(operation.matrix)
            product = outer @ np.array(before.matrix)
            offset = outer @ np.array(before.offset) + np.array(operation.offset)
            result[-1] = matrix_operation(product, offset)
        else:
            result.append(operation)
    return tuple(_tidied(operation) if isinstance(operation, Matrix) else operation for operation in result)


def _tidied(operation: Matrix) -> Matrix:
    def tidy(value: float) -> float:
        return float(f"{value:.12g}") + 0.0

    return Matrix(tuple(tuple(tidy(v) for v in row) for row in operation.matrix),  # type: ignore[arg-type]
                  tuple(tidy(v) for v in operation.offset))  # type: ignore[arg-type]
