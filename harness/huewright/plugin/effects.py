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

from huewright_kernels.ops import HueSectors, LogDecode, Lut3D, Matrix, Operation, ToneCurve, Transfer
from huewright_kernels.ops.fields import places
from huewright_kernels.ops.hue import GAINS, KB, KR, ROTATIONS
from huewright_kernels.ops.hue import HUES as CONTROL_HUES
from huewright_kernels.ops.lut import INTERPOLATIONS
from huewright_kernels.ops.transfer import CURVES
from huewright_kernels.precise import exp

from huewright.plugin.effect import NUMBERS, Effect, Parameter, Step, place
from huewright.plugin.isolation import PARAMETERS as ISOLATION_PARAMETERS

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
        Parameter("luma", "Choice", "Colour standard",
                  "The standard that the picture is in: BT.709 for HD, BT.2020 for wide gamut. It says where hues lie "
                  "on the vectorscope.", 0, parent, options=tuple(LUMA),
                  shown_options=("BT.709 (HD)", "BT.2020 (wide gamut)"), animates=False)]
    for name in HUES:
        group, label = f"{name}Group", name.title()
        position = round(bar_hue_deg(name, *LUMA["BT.709"]), 3)
        rows += [
            Parameter(group, "Group", label, f"What the {name} chip of the card asks for.", group=parent,
                      opened=opened),
            Parameter(f"{name}Rotation", "Double", f"Turn {name} (degrees)",
                      f"Turns colours near {name}, until the {name} chip's trace on the vectorscope points where it "
                      "should. Above 0 is counter-clockwise. A hue can't be turned past its neighbour.",
                      0.0, group, -180.0, 180.0, -30.0, 30.0, digits=2, subtype="Angle", step=0.1),
            Parameter(f"{name}Gain", "Double", f"Chroma of {name} (times)",
                      f"Makes colours near {name} stronger or weaker, until the {name} chip's trace is as long as it "
                      "should be: 1.1 is a tenth stronger. Brightness stays.", 1.0, group, 0.001, 100.0, 0.0, 2.0,
                      subtype="Scale", step=0.01),
            Parameter(f"{name}Hue", "Double", f"Where {name} is (degrees)",
                      f"The middle of what counts as {name}: its place on the vectorscope, counter-clockwise from the "
                      "right. At first that of the BT.709 bar. Only for cards whose chip lies elsewhere.",
                      position, group, 0.0, 359.999, 0.0, 359.999, subtype="Angle", step=0.1)]
    return tuple(rows)


def _hue_step(parameters: Sequence[Parameter]) -> Step:
    luma = place(parameters, "luma")
    hues = tuple(place(parameters, f"{name}Hue") for name in HUES)
    rotations = tuple(place(parameters, f"{name}Rotation") for name in HUES)
    gains = tuple(place(parameters, f"{name}Gain") for name in HUES)
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
        Parameter("source", "Choice", "Correction from",
                  "File: it holds the whole correction, and the groups below change nothing. Parameters: the groups "
                  "below are the correction, and the file changes nothing.", 0, options=("file", "parameters"),
                  shown_options=("File that huewright wrote", "Parameters in the groups below"), animates=False),
        Parameter("correctionFile", "String", "Correction file",
                  "The .json file that `huewright solve` wrote for this take. Empty: the picture stays as it is.", "",
                  subtype="FilePath", animates=False),
        Parameter("fileHolds", "String", "In the file",
                  "How the chosen file was solved, and from which of the card's bars and chips.", "", subtype="Label",
                  animates=False),
        Parameter("before", "Boolean", "Show before",
                  "With a file: the picture for the display, nothing corrected.", 0),
        Parameter(log, "Group", "Camera log to linear light", "The numbers of the camera's own curve, from its maker."),
        Parameter("decodeLog", "Boolean", "Footage is log",
                  "Turns the code values of the camera's curve into linear light, by the numbers below (of the CLF Log "
                  "node, SMPTE ST 2136-1).", 0, log),
        Parameter("logBase", "Double", "Log base", "2 or 10 for most curves.",
                  2.0, log, 1.0001, 1e6, 2.0, 10.0, digits=6, step=0.1),
        Parameter("logSideSlope", "Double", "Log side slope (code value)", "Code value for one power of the base.",
                  1.0, log, 1e-9, 1e9, 0.01, 1.0, digits=6, step=0.001),
        Parameter("logSideOffset", "Double", "Log side offset (code value)", "Code value where the logarithm is 0.",
                  0.0, log, -1e9, 1e9, 0.0, 1.0, digits=6, step=0.001),
        Parameter("linSideSlope", "Double", "Linear side slope (times)",
                  "So many times the light goes into the logarithm.",
                  1.0, log, 1e-9, 1e9, 0.1, 20.0, digits=6, step=0.01),
        Parameter("linSideOffset", "Double", "Linear side offset", "Added to the light ahead of the logarithm.",
                  0.0, log, -1e9, 1e9, 0.0, 1.0, digits=6, step=0.001),
        Parameter("linearPart", "Boolean", "Straight in the shadows",
                  "The curve is a straight line below the break.", 0, log),
        Parameter("linSideBreak", "Double", "Break (linear light)", "The light where the straight line ends.",
                  0.01, log, -1e9, 1e9, 0.0, 0.1, digits=6, step=0.001),
        Parameter("linearSlope", "Double", "Slope of the straight line",
                  "0: it goes on from the curve without a corner.",
                  0.0, log, 0.0, 1e9, 0.0, 20.0, digits=6, step=0.01),
        Parameter(balance, "Group", "Exposure and balance", "On linear light."),
        Parameter("exposure", "Double", "Exposure (stops)", "1 is twice the light, -1 half.", 0.0, balance, -20.0, 20.0,
                  -4.0, 4.0, step=0.05),
        Parameter("balance", "Double3D", "Balance (times)", "So many times the red, green and blue light.",
                  (1.0, 1.0, 1.0), balance, 0.0, 1000.0, 0.0, 2.0, digits=4, step=0.005, axes=("red", "green", "blue")),
        Parameter("display", "Choice", "Picture is for", "Which display's curve is put on the light: of ITU-R BT.709, "
                  "BT.1886, sRGB (IEC 61966-2-1), or PQ or HLG of ITU-R BT.2100. Linear puts none on: for a picture "
                  "that has its curve already.", 0, options=DISPLAYS,
                  shown_options=("Linear (no curve)", "BT.709 (the camera's curve of HD)",
                                 "BT.1886 (the monitor's curve of HD undone)", "sRGB (computers and the web)",
                                 "PQ (HDR in absolute levels)", "HLG (HDR broadcast)"), animates=False),
        Parameter(tone, "Group", "Tone", "Three levels of the waveform: where each is, and where it should be."),
        *(Parameter(f"tone{name}", "Double2D", f"{name} bar, from and to (1 is 100 IRE)", f"The level of the card's "
                    f"{word} bar on the waveform as it is, and the one that it should have: 0.41 is 41 IRE.",
                    (level, level), tone, -100.0, 100.0, 0.0, 1.0, digits=4, step=0.005, axes=("from", "to"))
          for name, word, level in zip(_TONE, ("black", "grey", "white"), (0.0, 0.41, 1.0), strict=True)),
        Parameter(hues, "Group", "Hues", "A group for each of the card's six chips."), *_hue_parameters(hues, False)]
    return tuple(rows)


def _correction_of_file(s: dict[str, Any]) -> tuple[Operation, ...]:
    """The file's operations stand in for its path; "before" chooses among them in the file."""
    return tuple(s["correctionFile"] or ())


def _correction_steps(parameters: Sequence[Parameter]) -> tuple[Step, ...]:
    decode, linear_part = place(parameters, "decodeLog"), place(parameters, "linearPart")
    linear_slope, exposure, balance = (place(parameters, name) for name in ("linearSlope", "exposure", "balance"))
    display, black = place(parameters, "display"), place(parameters, f"tone{_TONE[0]}")
    curve_of = tuple(map(CURVES.index, DISPLAYS))
    names = [field.name for field in LogDecode.FIELDS]
    break_field, slope_field = names.index("lin_side_break"), names.index("linear_slope")
    log_places = places(LogDecode)
    log_values = tuple(place(parameters, name) for name in ("logBase", "logSideSlope", "logSideOffset", "linSideSlope",
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


# --- LUT ----------------------------------------------------------------------------------------------------
_INTERPOLATIONS_SHOWN = ("Tetrahedral (best for neutrals)", "Trilinear (smooth within a cell)")


def _lut_of_file(s: dict[str, Any]) -> tuple[Operation, ...]:
    kind = INTERPOLATIONS[s["interpolation"]]
    return tuple(Lut3D(o.table, o.domain_min, o.domain_max, kind) if isinstance(o, Lut3D) else o
                 for o in (s["lutFile"] or ()))


_HUE_PARAMETERS, _CORRECTION_PARAMETERS = _hue_parameters("", True), _correction_parameters()

EFFECTS = (
    Effect("org.huewright.HueSectors", "Hue sectors",
           "Turns and scales hues by smooth periodic functions of hue. Luma is kept exactly; neutrals do not move.",
           "Expects the display's signal (R', G', B', as a vectorscope shows it), not linear light or camera log, and "
           "gives back the same kind.",
           _HUE_PARAMETERS, (_hue_step(_HUE_PARAMETERS),)),
    Effect("org.huewright.PatchIsolation", "Patch isolation",
           "Leaves only the card's patches, so that a scope shows nothing else: those of a patches file, which "
           "`huewright ofx patches` writes of a card, or a plain grid. Coverage at the edges is exact, or a smooth "
           "step of the feather's width.",
           "Takes pictures of any kind of colour and leaves the numbers inside the patches as they are.",
           ISOLATION_PARAMETERS, steps=None, file="patchesFile", reader="patches"),
    Effect("org.huewright.Lut", "LUT",
           "A look-up table from a .cube file, 1D or 3D, tetrahedral or trilinear, clamped at its domain.",
           "Expects and gives back what the file was made for; nothing is converted.",
           (Parameter("lutFile", "String", "LUT file", "A .cube file, 1D or 3D. Empty: the picture stays as it is.", "",
                      subtype="FilePath", animates=False),
            Parameter("interpolation", "Choice", "Interpolation", "How a 3D table is read between its points. "
                      "Tetrahedral takes neutrals from the table's own neutrals alone.", 0,
                      options=INTERPOLATIONS, shown_options=_INTERPOLATIONS_SHOWN, animates=False)),
           file="lutFile", reader="cube", option="interpolation", build=_lut_of_file),
    Effect("org.huewright.Correction", "Card correction",
           "The whole correction: log to linear, exposure and balance, display encoding, tone, hue sectors; from a "
           "correction file or from parameters.",
           "Expects the camera's code values as they lie in the file (full scale is 1), not converted by the host, and "
           "gives back the display's signal that the correction was solved for.",
           _CORRECTION_PARAMETERS, _correction_steps(_CORRECTION_PARAMETERS), "correctionFile", "correction", "before",
           "source", "fileHolds", _correction_of_file),
)


def effect(identifier: str) -> Effect:
    """The effect of that identifier, or of its last part; ``ValueError`` if there is none."""
    for candidate in EFFECTS:
        if identifier in (candidate.identifier, candidate.identifier.rpartition(".")[2]):
            return candidate
    raise ValueError(f"no effect {identifier!r}; there are {', '.join(e.identifier for e in EFFECTS)}")
