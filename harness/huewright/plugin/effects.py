"""The effects, described once: what they are called, their clips, contexts and parameters, and what they do.

From these descriptions come the headless instance (:meth:`Effect.operations`), the tables of the native plug-in
(:mod:`huewright.plugin.tables`) and the documentation page (:mod:`huewright.plugin.effects_page`).

Positions are in the OpenFX standard's canonical coordinates (y up, pixels at full scale); hues, rotations and
luma coefficients are those of :mod:`huewright_kernels.ops.hue`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from huewright_kernels.ops import HueSectors, LogDecode, Lut3D, Matrix, Operation, ToneCurve, Transfer
from huewright_kernels.ops.lut import INTERPOLATIONS

VERSION = (1, 0)
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
    animates: bool = True

    @property
    def values(self) -> int:
        """How many numbers it holds."""
        return {"Group": 0, "Double2D": 2, "Double3D": 3, "RGB": 3}.get(self.type, 1)


@dataclass(frozen=True)
class Effect:
    """One effect. ``build`` turns complete settings into operations; None: it is a mask, not a chain."""

    identifier: str
    label: str
    description: str
    parameters: tuple[Parameter, ...]
    build: Callable[[dict[str, Any]], tuple[Operation, ...]] | None
    files: str = ""

    def settings(self, given: Settings | None = None) -> dict[str, Any]:
        """``given`` over the defaults. Raises ``ValueError`` for unknown names and values out of range."""
        complete = {p.name: p.default for p in self.parameters if p.type != "Group"}
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
        if self.build is None:
            raise ValueError(f"effect {self.identifier} is a mask; see huewright_kernels.masks.isolate")
        return self.build(self.settings(given))


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


# --- hue sectors ----------------------------------------------------------------------------------------------
HUES = ("magenta", "red", "yellow", "green", "cyan", "blue")
LUMA = {"BT.709": (0.2126, 0.0722), "BT.2020": (0.2627, 0.0593)}
"""K_R and K_B of ITU-R BT.709-6 item 3.2 and BT.2020-2 table 4."""


def bar_hue_deg(name: str, kr: float, kb: float) -> float:
    """Hue of the colour bar ``name`` (one of :data:`HUES`) in the Cb, Cr plane, degrees in [0, 360)."""
    on = {"red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0), "cyan": (0, 1, 1), "blue": (0, 0, 1),
          "magenta": (1, 0, 1)}[name]
    luma = kr * on[0] + (1 - kr - kb) * on[1] + kb * on[2]
    return math.degrees(math.atan2((on[0] - luma) / (2 * (1 - kr)), (on[2] - luma) / (2 * (1 - kb)))) % 360.0


def _hue_parameters(group: str) -> tuple[Parameter, ...]:
    rows: list[Parameter] = [
        Parameter("luma", "Choice", "Luma coefficients",
                  "Which primaries' luma the picture has. The hues below are measured in that Cb, Cr plane.",
                  0, group, options=tuple(LUMA), animates=False)]
    for name in HUES:
        label = name.title()
        position = round(bar_hue_deg(name, *LUMA["BT.709"]), 3)
        rows += [
            Parameter(f"{name}Hue", "Double", f"{label} hue",
                      f"Where the {name} control hue sits on the vectorscope, in degrees from Cb towards Cr. "
                      "By default that of the BT.709 bar.", position, group, 0.0, 359.999, 0.0, 359.999,
                      subtype="Angle"),
            Parameter(f"{name}Rotation", "Double", f"{label} rotation",
                      f"Turns hues near {name}, in degrees, counter-clockwise on the vectorscope. "
                      "Neighbouring sectors may not be turned past each other.",
                      0.0, group, -180.0, 180.0, -30.0, 30.0, subtype="Angle"),
            Parameter(f"{name}Gain", "Double", f"{label} gain", f"Scales the chroma of hues near {name}; luma stays.",
                      1.0, group, 0.001, 100.0, 0.0, 2.0, subtype="Scale")]
    return tuple(rows)


def _hue_operations(s: dict[str, Any]) -> tuple[Operation, ...]:
    kr, kb = tuple(LUMA.values())[s["luma"]]
    sectors = sorted((s[f"{name}Hue"], s[f"{name}Rotation"], s[f"{name}Gain"]) for name in HUES)
    if all(rotation == 0 and gain == 1 for _, rotation, gain in sectors):
        return ()
    hues, rotations, gains = zip(*sectors, strict=True)
    return (HueSectors(hues, rotations, gains, kr, kb),)


# --- the whole correction -------------------------------------------------------------------------------------
DISPLAYS = ("linear", "bt709", "bt1886", "srgb", "pq", "hlg")
_TONE = ("Black", "Middle", "White")


def _correction_parameters() -> tuple[Parameter, ...]:
    log, balance, tone, hues = "logGroup", "balanceGroup", "toneGroup", "hueGroup"
    rows = [
        Parameter("source", "Choice", "Correction from", "A correction file, or the parameters below.", 0,
                  options=("file", "parameters"), animates=False),
        Parameter("correctionFile", "String", "Correction file", "A correction that huewright solved. "
                  "Empty: the picture is left as it is.", "", subtype="FilePath", animates=False),
        Parameter("before", "Boolean", "Before", "Shows the file's picture with nothing corrected.", 0),
        Parameter(log, "Group", "Log to linear", ""),
        Parameter("decodeLog", "Boolean", "Decode log", "Camera log code values to linear light, by the six "
                  "parameters of the CLF Log node (SMPTE ST 2136-1).", 0, log),
        Parameter("logBase", "Double", "Base", "Base of the logarithm.", 2.0, log, 1.0001, 1e6, 2.0, 10.0, digits=6),
        Parameter("logSideSlope", "Double", "Log side slope", "logSideSlope of the Log node.", 1.0, log, 1e-9, 1e9,
                  0.01, 1.0, digits=6),
        Parameter("logSideOffset", "Double", "Log side offset", "logSideOffset of the Log node.", 0.0, log, -1e9, 1e9,
                  0.0, 1.0, digits=6),
        Parameter("linSideSlope", "Double", "Linear side slope", "linSideSlope of the Log node.", 1.0, log, 1e-9, 1e9,
                  0.1, 20.0, digits=6),
        Parameter("linSideOffset", "Double", "Linear side offset", "linSideOffset of the Log node.", 0.0, log, -1e9,
                  1e9, 0.0, 1.0, digits=6),
        Parameter("linearPart", "Boolean", "Linear part", "The curve is straight below the break.", 0, log),
        Parameter("linSideBreak", "Double", "Linear side break", "linSideBreak of the Log node.", 0.01, log, -1e9, 1e9,
                  0.0, 0.1, digits=6),
        Parameter("linearSlope", "Double", "Linear slope", "linearSlope of the Log node; 0: that of the curve at "
                  "the break.", 0.0, log, 0.0, 1e9, 0.0, 20.0, digits=6),
        Parameter(balance, "Group", "Exposure and balance", ""),
        Parameter("exposure", "Double", "Exposure", "In stops, on linear light.", 0.0, balance, -20.0, 20.0, -4.0, 4.0),
        Parameter("balance", "Double3D", "Balance", "Gains of red, green and blue, on linear light.", (1.0, 1.0, 1.0),
                  balance, 0.0, 1000.0, 0.0, 2.0, digits=4),
        Parameter("display", "Choice", "Encode for", "Transfer function of the display signal: linear (none), "
                  "ITU-R BT.709, BT.1886, IEC 61966-2-1, or the PQ or HLG of ITU-R BT.2100.", 0, options=DISPLAYS,
                  animates=False),
        Parameter(tone, "Group", "Tone", ""),
        *(Parameter(f"tone{name}", "Double2D", f"{name} anchor", f"Level that comes in and level that goes out, "
                    f"{name.lower()} end of the tone curve; 1 is nominal white.", (level, level), tone, -100.0, 100.0,
                    0.0, 1.0, digits=4) for name, level in zip(_TONE, (0.0, 0.41, 1.0), strict=True)),
        Parameter(hues, "Group", "Hue sectors", ""), *_hue_parameters(hues)]
    return tuple(rows)


def _correction_operations(s: dict[str, Any]) -> tuple[Operation, ...]:
    if s["source"] == 0:  # the file's operations stand in for its path; "before" chooses among them in the file
        return tuple(s["correctionFile"] or ())
    operations: list[Operation] = []
    if s["decodeLog"]:
        operations.append(LogDecode(
            s["logBase"], s["logSideSlope"], s["logSideOffset"], s["linSideSlope"], s["linSideOffset"],
            s["linSideBreak"] if s["linearPart"] else None, s["linearSlope"] or None))
    gain = 2.0 ** s["exposure"]
    r, g, b = (gain * value for value in s["balance"])
    if (r, g, b) != (1.0, 1.0, 1.0):
        operations.append(Matrix(((r, 0.0, 0.0), (0.0, g, 0.0), (0.0, 0.0, b))))
    if s["display"]:
        operations.append(Transfer(DISPLAYS[s["display"]], "encode"))
    anchors = [s[f"tone{name}"] for name in _TONE]
    if any(x != y for x, y in anchors):
        operations.append(ToneCurve(tuple(x for x, _ in anchors), tuple(y for _, y in anchors)))
    return (*operations, *_hue_operations(s))


# --- LUT, isolation -------------------------------------------------------------------------------------------
def _lut_operations(s: dict[str, Any]) -> tuple[Operation, ...]:
    kind = INTERPOLATIONS[s["interpolation"]]
    return tuple(Lut3D(o.table, o.domain_min, o.domain_max, kind) if isinstance(o, Lut3D) else o
                 for o in (s["lutFile"] or ()))


_CORNERS = {"topLeft": (100.0, 500.0), "topRight": (500.0, 500.0), "bottomRight": (500.0, 100.0),
            "bottomLeft": (100.0, 100.0)}


def isolation_polygons(settings: Settings) -> list[list[tuple[float, float]]]:
    """The quads of the patch isolation effect in canonical coordinates: columns x rows cells of the card's
    area, seen in perspective, each cell shrunk towards its middle by the inset.

    The map from the unit square to the quad is the projective one (Heckbert, "Fundamentals of Texture Mapping
    and Image Warping", 1989). Raises ``ValueError`` if the corners are not those of a convex quad.
    """
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = (settings[name] for name in _CORNERS)
    dx1, dx2, sx = x1 - x2, x3 - x2, x0 - x1 + x2 - x3
    dy1, dy2, sy = y1 - y2, y3 - y2, y0 - y1 + y2 - y3
    whole = dx1 * dy2 - dx2 * dy1
    quad = ((x0, y0), (x1, y1), (x2, y2), (x3, y3))
    turns = [(quad[k - 2][0] - quad[k - 3][0]) * (quad[k - 1][1] - quad[k - 2][1])
             - (quad[k - 1][0] - quad[k - 2][0]) * (quad[k - 2][1] - quad[k - 3][1]) for k in range(4)]
    if not (all(turn > 0 for turn in turns) or all(turn < 0 for turn in turns)):
        raise ValueError("the four corners are not those of a convex quad, in order around it")
    g, h = (sx * dy2 - dx2 * sy) / whole, (dx1 * sy - sx * dy1) / whole
    a, b, d, e = x1 - x0 + g * x1, x3 - x0 + h * x3, y1 - y0 + g * y1, y3 - y0 + h * y3

    def at(u: float, v: float) -> tuple[float, float]:
        w = g * u + h * v + 1.0
        return (a * u + b * v + x0) / w, (d * u + e * v + y0) / w

    columns, rows, inset = settings["columns"], settings["rows"], 0.5 * settings["inset"]
    quads = []
    for row in range(rows):
        for column in range(columns):
            left, right = (column + inset) / columns, (column + 1 - inset) / columns
            top, bottom = (row + inset) / rows, (row + 1 - inset) / rows
            quads.append([at(left, top), at(right, top), at(right, bottom), at(left, bottom)])
    return quads


EFFECTS = (
    Effect("org.huewright.HueSectors", "Hue sectors",
           "Turns and scales hues by smooth periodic functions of hue. Luma is kept exactly; neutrals do not move.",
           _hue_parameters(""), _hue_operations),
    Effect("org.huewright.PatchIsolation", "Patch isolation",
           "Leaves only the card's patches, so that a scope shows nothing else. Coverage at the edges is exact, "
           "or a smooth step of the feather's width.",
           (*(Parameter(name, "Double2D", label, "Corner of the card's area, in picture coordinates. Corners in order "
                        "around it.", corner, "", -1e6, 1e6, 0.0, 4096.0, digits=2, subtype="XYAbsolute")
              for (name, corner), label in zip(_CORNERS.items(), ("Top left", "Top right", "Bottom right",
                                                                  "Bottom left"), strict=True)),
            Parameter("columns", "Integer", "Columns", "Patches side by side within the area.", 1, "", 1, 32, 1, 12),
            Parameter("rows", "Integer", "Rows", "Patches one above the other within the area.", 1, "", 1, 32, 1, 12),
            Parameter("inset", "Double", "Inset", "Share of each patch's width and height that is left out around it.",
                      0.0, "", 0.0, 0.95, 0.0, 0.9),
            Parameter("feather", "Double", "Feather", "Width of the soft edge, in pixels at full scale. 0: exact area "
                      "coverage.", 0.0, "", 0.0, 1000.0, 0.0, 20.0, digits=2),
            Parameter("fill", "RGB", "Fill", "Colour of everything outside.", (0.0, 0.0, 0.0), "", -100.0, 100.0, 0.0,
                      1.0)), None),
    Effect("org.huewright.Lut", "LUT",
           "A look-up table from a .cube file, 1D or 3D, tetrahedral or trilinear, clamped at its domain.",
           (Parameter("lutFile", "String", "LUT file", "A .cube file. Empty: the picture is left as it is.", "",
                      subtype="FilePath", animates=False),
            Parameter("interpolation", "Choice", "Interpolation", "How a 3D table is read between its points.", 0,
                      options=INTERPOLATIONS, animates=False)), _lut_operations, files="lutFile"),
    Effect("org.huewright.Correction", "Card correction",
           "The whole correction: log to linear, exposure and balance, display encoding, tone, hue sectors; from a "
           "correction file or from parameters.",
           _correction_parameters(), _correction_operations, files="correctionFile"),
)


def effect(identifier: str) -> Effect:
    """The effect of that identifier, or of its last part; ``ValueError`` if there is none."""
    for candidate in EFFECTS:
        if identifier in (candidate.identifier, candidate.identifier.rpartition(".")[2]):
            return candidate
    raise ValueError(f"no effect {identifier!r}; there are {', '.join(e.identifier for e in EFFECTS)}")
