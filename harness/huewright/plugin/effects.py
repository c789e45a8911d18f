"""The effects, described once: what they are called, their clips, contexts and parameters, and what they do.

From these descriptions come the headless instance (:meth:`Effect.operations`), the tables of the native plug-in
(:mod:`huewright.plugin.tables`) and its page. What the parameters of an effect
stand for is a list of steps, each a function that fills in the fields of one operation; the plug-in has the same
functions, compiled.

Positions are in the OpenFX standard's canonical coordinates (y up, pixels at full scale); hues, rotations and
luma coefficients are those of :mod:`huewright_kernels.ops.hue`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from huewright_kernels.ops import HueSectors, LogDecode, Lut3D, Matrix, Operation, ToneCurve, Transfer
from huewright_kernels.ops.fields import places
from huewright_kernels.ops.hue import GAINS, KB, KR, ROTATIONS
from huewright_kernels.ops.hue import HUES as CONTROL_HUES
from huewright_kernels.ops.lut import INTERPOLATIONS
from huewright_kernels.ops.transfer import CURVES
from huewright_kernels.precise import exp

from huewright.plugin.effect import NUMBERS, Effect, Parameter, Settings, Step

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


def _hue_parameters(parent: str, opened: bool) -> tuple[Parameter, ...]:
    rows: list[Parameter] = [
        Parameter("luma", "Choice", "Luma coefficients",
                  "Which primaries' luma the picture has. The hues below are measured in that Cb, Cr plane.",
                  0, parent, options=tuple(LUMA), animates=False)]
    for name in HUES:
        group, label = f"{name}Group", name.title()
        position = round(bar_hue_deg(name, *LUMA["BT.709"]), 3)
        rows += [
            Parameter(group, "Group", f"{label} chip", "", group=parent, opened=opened),
            Parameter(f"{name}Hue", "Double", f"{label} hue (degrees)",
                      f"Where the {name} control hue sits on the vectorscope, in degrees from Cb towards Cr. "
                      "By default that of the BT.709 bar.", position, group, 0.0, 359.999, 0.0, 359.999,
                      subtype="Angle"),
            Parameter(f"{name}Rotation", "Double", f"{label} rotation (degrees)",
                      f"Turns hues near {name}, in degrees, counter-clockwise on the vectorscope: the {name} chip's "
                      "trace moves onto its target. Neighbouring sectors may not be turned past each other.",
                      0.0, group, -180.0, 180.0, -30.0, 30.0, subtype="Angle"),
            Parameter(f"{name}Gain", "Double", f"{label} gain (factor)",
                      f"Scales the chroma of hues near {name}: the {name} chip's trace gets its length. Luma stays; 1 "
                      "leaves it alone.", 1.0, group, 0.001, 100.0, 0.0, 2.0, subtype="Scale")]
    return tuple(rows)


def _place(parameters: Sequence[Parameter], name: str) -> int:
    """Where a parameter's numbers begin among an effect's values."""
    return NUMBERS * next(k for k, parameter in enumerate(parameters) if parameter.name == name)


def _hue_step(parameters: Sequence[Parameter]) -> Step:
    luma = _place(parameters, "luma")
    hues = tuple(_place(parameters, f"{name}Hue") for name in HUES)
    rotations = tuple(_place(parameters, f"{name}Rotation") for name in HUES)
    gains = tuple(_place(parameters, f"{name}Gain") for name in HUES)
    (kr_709, kb_709), (kr_2020, kb_2020) = LUMA.values()
    sectors = len(HUES)

    def choose(v: Any, p: Any, counts: Any) -> int:
        """The control hues in rising order; left out where nothing is turned or scaled."""
        moved = 0
        for k in range(sectors):
            if v[rotations[k]] != 0.0 or v[gains[k]] != 1.0:
                moved = 1
            at = k
            while at > 0 and v[hues[k]] < p[CONTROL_HUES + at - 1]:
                p[CONTROL_HUES + at] = p[CONTROL_HUES + at - 1]
                p[ROTATIONS + at] = p[ROTATIONS + at - 1]
                p[GAINS + at] = p[GAINS + at - 1]
                at -= 1
            p[CONTROL_HUES + at], p[ROTATIONS + at], p[GAINS + at] = v[hues[k]], v[rotations[k]], v[gains[k]]
        p[KR], p[KB] = kr_709, kb_709
        if v[luma] != 0.0:
            p[KR], p[KB] = kr_2020, kb_2020
        return moved

    return Step(HueSectors, choose)


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
        Parameter("exposure", "Double", "Exposure (stops)", "On linear light: 1 doubles it.", 0.0, balance, -20.0,
                  20.0, -4.0, 4.0),
        Parameter("balance", "Double3D", "Balance", "Gains of red, green and blue, on linear light.", (1.0, 1.0, 1.0),
                  balance, 0.0, 1000.0, 0.0, 2.0, digits=4),
        Parameter("display", "Choice", "Encode for", "Transfer function of the display signal: linear (none), "
                  "ITU-R BT.709, BT.1886, IEC 61966-2-1, or the PQ or HLG of ITU-R BT.2100.", 0, options=DISPLAYS,
                  animates=False),
        Parameter(tone, "Group", "Tone", ""),
        *(Parameter(f"tone{name}", "Double2D", f"{name} anchor", f"Level that comes in and level that goes out, "
                    f"{name.lower()} end of the tone curve; 1 is nominal white.", (level, level), tone, -100.0, 100.0,
                    0.0, 1.0, digits=4) for name, level in zip(_TONE, (0.0, 0.41, 1.0), strict=True)),
        Parameter(hues, "Group", "Hue sectors", ""), *_hue_parameters(hues, False)]
    return tuple(rows)


def _correction_of_file(s: dict[str, Any]) -> tuple[Operation, ...]:
    """The file's operations stand in for its path; "before" chooses among them in the file."""
    return tuple(s["correctionFile"] or ())


def _correction_steps(parameters: Sequence[Parameter]) -> tuple[Step, ...]:
    decode, linear_part = _place(parameters, "decodeLog"), _place(parameters, "linearPart")
    linear_slope, exposure, balance = (_place(parameters, name) for name in ("linearSlope", "exposure", "balance"))
    display, black = _place(parameters, "display"), _place(parameters, f"tone{_TONE[0]}")
    curve_of = tuple(map(CURVES.index, DISPLAYS))
    names = [field.name for field in LogDecode.FIELDS]
    break_field, slope_field = names.index("lin_side_break"), names.index("linear_slope")
    log_places = places(LogDecode)
    log_values = tuple(_place(parameters, name) for name in ("logBase", "logSideSlope", "logSideOffset", "linSideSlope",
                                                             "linSideOffset", "linSideBreak", "linearSlope"))
    anchors = len(_TONE)
    (x_at, y_at), (matrix_at, _), curve_at = places(ToneCurve), places(Matrix), places(Transfer)[0]

    def log(v: Any, p: Any, counts: Any) -> int:
        for k in range(7):
            p[log_places[k]] = v[log_values[k]]
        counts[break_field] = 1 if v[linear_part] != 0.0 else 0
        counts[slope_field] = 1 if v[linear_slope] != 0.0 else 0
        return 1 if v[decode] != 0.0 else 0

    def gains(v: Any, p: Any, counts: Any) -> int:
        """2^stops, exact for whole stops: the fraction by the exponential function, the rest by doubling."""
        whole = math.floor(v[exposure])
        gain = exp((v[exposure] - whole) * _LN_2)
        for _ in range(abs(whole)):
            gain *= 2.0 if whole > 0 else 0.5
        changed = 0
        for c in range(3):
            p[matrix_at + 4 * c] = gain * v[balance + c]
            if p[matrix_at + 4 * c] != 1.0:
                changed = 1
        return changed

    def encoding(v: Any, p: Any, counts: Any) -> int:
        p[curve_at] = curve_of[int(v[display])]
        return 1 if v[display] != 0.0 else 0

    def tone(v: Any, p: Any, counts: Any) -> int:
        counts[0] = counts[1] = anchors
        changed = 0
        for k in range(anchors):
            p[x_at + k], p[y_at + k] = v[black + NUMBERS * k], v[black + NUMBERS * k + 1]
            if p[x_at + k] != p[y_at + k]:
                changed = 1
        return changed

    return (Step(LogDecode, log), Step(Matrix, gains), Step(Transfer, encoding), Step(ToneCurve, tone),
            _hue_step(parameters))


_LN_2 = math.log(2.0)


# --- LUT, isolation -------------------------------------------------------------------------------------------
def _lut_of_file(s: dict[str, Any]) -> tuple[Operation, ...]:
    kind = INTERPOLATIONS[s["interpolation"]]
    return tuple(Lut3D(o.table, o.domain_min, o.domain_max, kind) if isinstance(o, Lut3D) else o
                 for o in (s["lutFile"] or ()))


_CORNERS = {"topLeft": (100.0, 500.0), "topRight": (500.0, 500.0), "bottomRight": (500.0, 100.0),
            "bottomLeft": (100.0, 100.0)}


NO_QUAD = "the four corners are not those of a convex quad, in order around it"
_QUAD_PLACES = (0, NUMBERS, 2 * NUMBERS, 3 * NUMBERS)
_COLUMNS, _ROWS, _INSET = 4 * NUMBERS, 5 * NUMBERS, 6 * NUMBERS


def isolation_quads(v: Any, frame: Any, quads: Any) -> int:
    """The quads of the patch isolation effect: columns x rows cells of the card's area, seen in perspective, each cell
    shrunk towards its middle by the inset. Returns how many; 0 if the corners are not those of a convex quad.

    ``v`` are the effect's values. ``frame`` says where a canonical place (x, y) lies: x frame[0] - frame[2] and
    frame[3] - y frame[1]. ``quads`` receives eight numbers a quad, which runs so that its area is positive there.

    The map from the unit square to the quad is the projective one (Heckbert, "Fundamentals of Texture Mapping and Image
    Warping", 1989). It runs in Python and compiled alike.
    """
    left_turns, right_turns = 0, 0
    for k in range(4):
        a, b, c = 3 * k, 3 * ((k + 1) % 4), 3 * ((k + 2) % 4)
        turn = (v[b] - v[a]) * (v[c + 1] - v[b + 1]) - (v[c] - v[b]) * (v[b + 1] - v[a + 1])
        left_turns += 1 if turn > 0.0 else 0
        right_turns += 1 if turn < 0.0 else 0
    if left_turns != 4 and right_turns != 4:
        return 0
    x0, y0, x1, y1, x2, y2, x3, y3 = v[0], v[1], v[3], v[4], v[6], v[7], v[9], v[10]
    dx1, dx2, sx = x1 - x2, x3 - x2, x0 - x1 + x2 - x3
    dy1, dy2, sy = y1 - y2, y3 - y2, y0 - y1 + y2 - y3
    whole = dx1 * dy2 - dx2 * dy1
    g, h = (sx * dy2 - dx2 * sy) / whole, (dx1 * sy - sx * dy1) / whole
    a, b, d, e = x1 - x0 + g * x1, x3 - x0 + h * x3, y1 - y0 + g * y1, y3 - y0 + h * y3
    columns, rows, inset = int(v[_COLUMNS]), int(v[_ROWS]), 0.5 * v[_INSET]
    count = 0
    for row in range(rows):
        for column in range(columns):
            at = 8 * count
            count += 1
            for k in range(4):
                u = (column + inset) / columns if k == 0 or k == 3 else (column + 1 - inset) / columns
                w = (row + inset) / rows if k < 2 else (row + 1 - inset) / rows
                depth = g * u + h * w + 1.0
                quads[at + 2 * k] = (a * u + b * w + x0) / depth * frame[0] - frame[2]
                quads[at + 2 * k + 1] = frame[3] - (d * u + e * w + y0) / depth * frame[1]
            area = 0.0
            for k in range(4):
                m, n = at + 2 * k, at + 2 * ((k + 1) % 4)
                area += quads[m] * quads[n + 1] - quads[n] * quads[m + 1]
            if area < 0.0:
                for k in range(2):
                    for c in range(2):
                        m, n = at + 2 * k + c, at + 2 * (3 - k) + c
                        quads[m], quads[n] = quads[n], quads[m]
    return count


def isolation_polygons(settings: Settings, height: float) -> list[list[tuple[float, float]]]:
    """The quads of :func:`isolation_quads` in pixels of a picture of so many rows whose canonical place begins at
    (0, 0): x to the right, y down. Raises ``ValueError`` if the corners are not those of a convex quad."""
    values = effect("PatchIsolation").values(settings)
    quads = np.zeros(8 * settings["columns"] * settings["rows"])
    count = isolation_quads(values.tolist(), (1.0, 1.0, 0.0, height), quads)
    if count == 0:
        raise ValueError(NO_QUAD)
    return [[(float(x), float(y)) for x, y in quad] for quad in quads.reshape(-1, 4, 2)]


_HUE_PARAMETERS, _CORRECTION_PARAMETERS = _hue_parameters("", True), _correction_parameters()

EFFECTS = (
    Effect("org.huewright.HueSectors", "Hue sectors",
           "Turns and scales hues by smooth periodic functions of hue. Luma is kept exactly; neutrals do not move.",
           "Expects the display's signal (R', G', B', as a vectorscope shows it), not linear light or camera log, and "
           "gives back the same kind.",
           _HUE_PARAMETERS, (_hue_step(_HUE_PARAMETERS),)),
    Effect("org.huewright.PatchIsolation", "Patch isolation",
           "Leaves only the card's patches, so that a scope shows nothing else. Coverage at the edges is exact, "
           "or a smooth step of the feather's width.",
           "Takes pictures of any kind of colour and leaves the numbers inside the patches as they are.",
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
                      1.0)), steps=None),
    Effect("org.huewright.Lut", "LUT",
           "A look-up table from a .cube file, 1D or 3D, tetrahedral or trilinear, clamped at its domain.",
           "Expects and gives back what the file was made for; nothing is converted.",
           (Parameter("lutFile", "String", "LUT file", "A .cube file. Empty: the picture is left as it is.", "",
                      subtype="FilePath", animates=False),
            Parameter("interpolation", "Choice", "Interpolation", "How a 3D table is read between its points.", 0,
                      options=INTERPOLATIONS, animates=False)),
           file="lutFile", reader="cube", option="interpolation", build=_lut_of_file),
    Effect("org.huewright.Correction", "Card correction",
           "The whole correction: log to linear, exposure and balance, display encoding, tone, hue sectors; from a "
           "correction file or from parameters.",
           "Expects the camera's code values as they lie in the file (full scale is 1), not converted by the host, and "
           "gives back the display's signal that the correction was solved for.",
           _CORRECTION_PARAMETERS, _correction_steps(_CORRECTION_PARAMETERS), "correctionFile", "correction", "before",
           "source", _correction_of_file),
)


def effect(identifier: str) -> Effect:
    """The effect of that identifier, or of its last part; ``ValueError`` if there is none."""
    for candidate in EFFECTS:
        if identifier in (candidate.identifier, candidate.identifier.rpartition(".")[2]):
            return candidate
    raise ValueError(f"no effect {identifier!r}; there are {', '.join(e.identifier for e in EFFECTS)}")
