"""How an effect is described: its parameters, the steps that they stand for, its clips and contexts."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from huewright_kernels.ops import Operation
from huewright_kernels.ops.fields import places

VERSION = (1, 1)
GROUPING = "Huewright"
DEPTHS = ("OfxBitDepthFloat", "OfxBitDepthHalf", "OfxBitDepthShort", "OfxBitDepthByte")
COMPONENTS = ("OfxImageComponentRGBA", "OfxImageComponentRGB", "OfxImageComponentAlpha")
CONTEXTS = ("OfxImageEffectContextFilter", "OfxImageEffectContextGeneral")
Settings = Mapping[str, Any]


@dataclass(frozen=True)
class Parameter:
    """One parameter. ``type`` is the standard's, without its prefix ("Double", "Double2D", "RGB", "Choice", ...).

    minimum, maximum   hard range (numbers only); shown_minimum, shown_maximum what a slider offers
    subtype            the standard's double type or string mode, without prefix
    animates           whether it may change over time
    opened             a group that is shown open
    options            of a choice: what settings call them. Projects keep their places, as the standard has it, so
                       that none may ever change its place or go; more may come behind them
    shown_options      what people read in their stead, each beginning as its option does but for case and dots, so that
                       a script may say either
    step               what a nudge of the control changes it by; 0: one of the last shown digit
    axes               what each of several numbers is called
    """

    name: str
    type: str
    label: str
    hint: str
    default: Any = None
    group: str = ""
    minimum: float = -math.inf
    maximum: float = math.inf
    shown_minimum: float = 0.0
    shown_maximum: float = 1.0
    digits: int = 3
    subtype: str = ""
    options: tuple[str, ...] = ()
    shown_options: tuple[str, ...] = ()
    animates: bool = True
    opened: bool = False
    step: float = 0.0
    axes: tuple[str, ...] = ()

    @property
    def values(self) -> int:
        """How many numbers it holds."""
        return {"Group": 0, "Double2D": 2, "Double3D": 3, "RGB": 3}.get(self.type, 1)


NUMBERS = 3
"""Every parameter has so many places among an effect's values, used or not."""
Choose = Callable[[Any, Any, Any], int]


def place(parameters: Sequence[Parameter], name: str) -> int:
    """Where a parameter's numbers begin among an effect's values."""
    return NUMBERS * next(k for k, parameter in enumerate(parameters) if parameter.name == name)


@dataclass(frozen=True)
class Step:
    """One operation of a fixed chain. ``choose(v, p, counts)`` looks at the values ``v`` and returns 0 if the operation
    is left out; else it changes the operation's numbers ``p`` and their counts, which hold the defaults, and returns 1.
    It only indexes, compares and computes, so that it runs in Python and compiled alike."""

    operation: type[Operation]
    choose: Choose

    def made(self, values: np.ndarray) -> Operation | None:
        """The operation, or None where the step is left out."""
        p, counts = self.operation().numbers()
        return _from_numbers(self.operation, p, counts) if self.choose(values, p, counts) else None


def _from_numbers(kind: type[Operation], p: np.ndarray, counts: np.ndarray) -> Operation:
    given: dict[str, Any] = {}
    for field, start, count in zip(kind.FIELDS, places(kind), counts.tolist(), strict=True):
        numbers = p[start:start + count].tolist()
        if field.kind == "word":
            given[field.name] = field.choices[int(numbers[0])]
        elif field.kind == "rows":
            given[field.name] = tuple(zip(*[iter(numbers)] * field.shape[1], strict=True))
        elif field.kind == "number":
            given[field.name] = numbers[0] if numbers else None
        else:
            given[field.name] = tuple(numbers)
    return kind(**given)


@dataclass(frozen=True)
class Effect:
    """One effect.

    colours  which numbers it expects and gives back
    steps    the chain that its parameters stand for; None: it is a mask, not a chain
    file     the parameter that holds a file's path, if it has one
    reader   what the plug-in reads that file with
    option   the parameter that says how the file is taken
    source   the choice between the file (0) and the parameters behind ``option``; empty: there is the file only
    holds    the parameter that says, for people, what is in the file; empty: there is none
    build    what complete settings with a file stand for; the file's parameter then holds the operations read from it
    """

    identifier: str
    label: str
    description: str
    colours: str
    parameters: tuple[Parameter, ...]
    steps: tuple[Step, ...] | None = ()
    file: str = ""
    reader: str = ""
    option: str = ""
    source: str = ""
    holds: str = ""
    build: Callable[[dict[str, Any]], tuple[Operation, ...]] | None = None

    @property
    def name(self) -> str:
        """The identifier's last part."""
        return self.identifier.rpartition(".")[2]

    def settings(self, given: Settings | None = None) -> dict[str, Any]:
        """``given`` over the defaults. Raises ``ValueError`` for unknown names and values out of range."""
        complete = {p.name: p.default for p in self.parameters if p.type != "Group" and p.subtype != "Label"}
        known = {p.name: p for p in self.parameters}
        for name, value in (given or {}).items():
            if name not in complete:
                raise ValueError(f"effect {self.identifier} has no parameter {name!r}; it has {', '.join(complete)}")
            complete[name] = _checked(known[name], value)
        return complete

    def operations(self, given: Settings | None = None) -> tuple[Operation, ...]:
        """The chain that these settings stand for. File parameters take the operations read from the file.

        Raises ``ValueError`` as the operations do, and for an effect that is no chain.
        """
        if self.steps is None:
            raise ValueError(f"effect {self.identifier} is a mask; see huewright_kernels.masks.isolate")
        settings = self.settings(given)
        if self.build is not None and not settings.get(self.source):
            return self.build(settings)
        made = (step.made(self.values(settings)) for step in self.steps)
        return tuple(operation for operation in made if operation is not None)

    def values(self, settings: Settings) -> np.ndarray:
        """The numbers of complete settings, :data:`NUMBERS` a parameter, as the steps index them."""
        values = np.zeros(NUMBERS * len(self.parameters))
        for k, parameter in enumerate(self.parameters):
            if parameter.values and parameter.type != "String":
                values[NUMBERS * k:NUMBERS * k + parameter.values] = settings[parameter.name]
        return values


def _checked(parameter: Parameter, value: Any) -> Any:
    if parameter.type in ("String", "Custom"):
        return value
    if parameter.type == "Choice":
        index = parameter.options.index(value) if value in parameter.options else value
        if not isinstance(index, int) or not 0 <= index < len(parameter.options):
            raise ValueError(f"{parameter.name} is one of {', '.join(parameter.options)}, not {value!r}")
        return index
    numbers = tuple(float(v) for v in (value if parameter.values > 1 else (value,)))
    if len(numbers) != parameter.values or not all(math.isfinite(v) for v in numbers):
        raise ValueError(f"{parameter.name} takes {parameter.values} finite numbers, not {value!r}")
    if any(not parameter.minimum <= v <= parameter.maximum for v in numbers):
        raise ValueError(f"{parameter.name} lies between {parameter.minimum:g} and {parameter.maximum:g}, "
                         f"not {value!r}")
    if parameter.type in ("Boolean", "Integer"):
        return int(numbers[0])
    return numbers if parameter.values > 1 else numbers[0]
