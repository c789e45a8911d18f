"""Where each patch of a card shall land on a display, and how far a colour is from its reference.

Two kinds of targets:

    vectorscope    a bar at its declared level and without colour; a chip in the direction of the 75 % colour
                   bar of its name, at a fraction of that bar's distance from the centre. Half-way is common
                   practice, no source. It is the practice of BT.709 pictures, and what a chip is printed for; for a
                   display of other primaries or levels (bt2020, hlg, pq) the target is the same light in that
                   display's coding, as it is for the bars. Its own 75 % bars are far stronger colours.
    colorimetric   bars and chips at their reference colours: CIE XYZ under the card's illuminant and observer
                   (integrated from spectra where the card gives them), adapted to D65 (CAT16, Bradford or
                   another transform that colour-science knows), in the display's primaries and encoding.

A chip's level is never asked for: turning hues keeps Y'.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from huewright_kernels.ops import Transfer

from huewright.colorimetry.display import (
    BT709,
    Display,
    display_luma,
    display_named,
    from_ycbcr,
    hue_deg,
    hue_difference_deg,
    primaries_matrix,
    to_ycbcr,
)
from huewright.errors import InputError
from huewright.models.card import Card, Patch
from huewright.reference import apply_chain

MODES = ("vectorscope", "colorimetric")
# The 75 % colour bars, as which of R', G', B' are on.
BAR_SIGNALS = {"red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0), "cyan": (0, 1, 1), "blue": (0, 0, 1),
               "magenta": (1, 0, 1)}
CHIP_FRACTION = 0.5              # common practice, no source
LEVELS_IRE = (-5.0, 105.0)       # what a bar can be asked for: the range that EBU R 103 prefers
MOST_NUDGE_DEG = 30.0            # half of what lies between neighbouring colour bars; a choice of ours


@dataclass(frozen=True)
class Target:
    """Where one patch shall land: Y' (None where nothing is asked), Cb and Cr of the display."""

    luma: float | None
    cb: float | None
    cr: float | None

    @property
    def hue_deg(self) -> float:
        return float(hue_deg(self.cb, self.cr))

    @property
    def radius(self) -> float:
        return float(np.hypot(self.cb or 0.0, self.cr or 0.0))


def bar_vectors(display: str = "bt709") -> dict[str, tuple[float, float]]:
    """(Cb, Cr) of the display's 75 % colour bars by name."""
    known = display_named(display)
    values = to_ycbcr(np.array(list(BAR_SIGNALS.values())) * known.bar_amplitude, (known.kr, known.kb))
    return {name: (float(row[1]), float(row[2])) for name, row in zip(BAR_SIGNALS, values, strict=True)}


def targets_for(card: Card, *, mode: str = "vectorscope", fraction: float = CHIP_FRACTION, display: str = "bt709",
                adaptation: str = "CAT16", levels_ire: Mapping[str, float] | None = None,
                fractions: Mapping[str, float] | None = None,
                nudges_deg: Mapping[str, float] | None = None) -> dict[str, Target]:
    """A target for each patch of ``card``, by name; check patches get their reference colour if they have one.

    levels_ire   levels of single bars, by name, instead of the card's: of a BT.709 picture, as the card's are
    fractions    fractions of single chips, by their name or their hue's, instead of ``fraction``
    nudges_deg   by how much single chips' targets are turned, counter-clockwise, by their name or their hue's

    Raises :class:`InputError` where the card lacks what a target needs, naming the patch, and for levels, fractions and
    nudges that can't be or that no patch has.
    """
    known = display_named(display)
    if mode not in MODES:
        raise InputError(f"targets are one of {', '.join(MODES)}, not {mode!r}")
    asked = _chip_fractions(card, mode, fraction, fractions or {})
    turns = _chip_nudges(card, nudges_deg or {})
    card = _with_levels(card, levels_ire or {})
    luma = (known.kr, known.kb)
    reference = {name: to_ycbcr(rgb, luma) for name, rgb in reference_rgb(card, display, adaptation).items()}
    levels = {}
    if _differs(known):
        levels = {name: float(to_ycbcr(rgb, display_luma("bt709"))[0])
                  for name, rgb in reference_rgb(card, "bt709", adaptation).items()}
    targets: dict[str, Target] = {}
    for patch in card.patches:
        place = reference.get(patch.name)
        if patch.role == "check":
            targets[patch.name] = Target(None, None, None) if place is None else Target(*map(float, place))
        elif mode == "colorimetric":
            if place is None:
                raise InputError(f"patch {patch.name!r} has no reference value for colorimetric targets; give it "
                                 "reflectance or xyz in the card file, or use vectorscope targets")
            level = None if patch.role != "bar" else float(place[0])
            if patch.name in (levels_ire or {}):
                level = _bar_level(patch, known, place)
            targets[patch.name] = Target(level, float(place[1]), float(place[2]))
        elif patch.role == "bar":
            targets[patch.name] = Target(_bar_level(patch, known, place), 0.0, 0.0)
        else:
            targets[patch.name] = _chip_target(patch, known, asked[patch.name], levels.get(patch.name))
        if turns.get(patch.name):
            targets[patch.name] = _turned(targets[patch.name], turns[patch.name])
    if levels_ire:
        _refuse_crossed(card, targets, reference)
    return targets


def _chip_fractions(card: Card, mode: str, fraction: float, fractions: Mapping[str, float]) -> dict[str, float]:
    """Of each chip, by name."""
    for what, value in (("the chips' fraction", fraction), *((f"{name}'s fraction", value)
                                                             for name, value in fractions.items())):
        if not 0 < value <= 1:
            raise InputError(f"{what} of the 75 % bar lies above 0 and up to 1, not {value:g}"
                             + (f"; {value:g} % is {value / 100:g}" if 1 < value <= 100 else ""))
    if fractions and mode != "vectorscope":
        raise InputError("a chip's fraction is of its 75 % bar on the vectorscope; colorimetric targets are the card's "
                         "own colours: leave --chip-fraction out, or use --targets vectorscope")
    return {name: fraction if own is None else own for name, own in _of_chips(card, fractions).items()}


def _chip_nudges(card: Card, nudges_deg: Mapping[str, float]) -> dict[str, float]:
    """Of each chip, by name."""
    for name, value in nudges_deg.items():
        if not abs(value) <= MOST_NUDGE_DEG:
            raise InputError(f"{name}'s nudge lies between {-MOST_NUDGE_DEG:g} and {MOST_NUDGE_DEG:g} degrees, not "
                             f"{value:g}")
    return {name: own or 0.0 for name, own in _of_chips(card, nudges_deg).items()}


def _of_chips(card: Card, asked: Mapping[str, float]) -> dict[str, float | None]:
    """What is asked of each chip, by its name or else by its hue's; None where nothing is."""
    chips = card.of_role("chip")
    known = [name for chip in chips for name in (chip.name, chip.hue)]
    strange = next((name for name in asked if name not in known), None)
    if strange is not None:
        raise InputError(f"the card has no chip {strange!r}, nor one of that hue; its chips are "
                         f"{', '.join(chip.name for chip in chips) or 'none'}")
    return {chip.name: asked.get(chip.name, asked.get(chip.hue or "")) for chip in chips}


def _turned(target: Target, by_deg: float) -> Target:
    """``target`` turned counter-clockwise on the vectorscope; its level and radius stay."""
    place = complex(target.cb or 0.0, target.cr or 0.0) * np.exp(1j * np.radians(by_deg))
    return Target(target.luma, float(place.real), float(place.imag))


def _with_levels(card: Card, levels_ire: Mapping[str, float]) -> Card:
    """``card`` with these bars' levels."""
    bars = [bar.name for bar in card.of_role("bar")]
    for name, level in levels_ire.items():
        if name not in bars:
            raise InputError(f"the card has no bar {name!r}; its bars are {', '.join(bars) or 'none'}")
        if not LEVELS_IRE[0] <= level <= LEVELS_IRE[1]:
            raise InputError(f"{name}'s level lies between {LEVELS_IRE[0]:g} and {LEVELS_IRE[1]:g} IRE, not {level:g}")
    if not levels_ire:
        return card
    return replace(card, patches=tuple(replace(patch, level_ire=levels_ire.get(patch.name, patch.level_ire))
                                       for patch in card.patches))


def _refuse_crossed(card: Card, targets: Mapping[str, Target], reference: Mapping[str, np.ndarray]) -> None:
    """Raises :class:`InputError` where a darker bar is asked to be lighter than a lighter one: no curve does it."""
    bars = sorted((float(reference[bar.name][0]), bar.name) for bar in card.of_role("bar") if bar.name in reference)
    for (_, darker), (_, lighter) in zip(bars, bars[1:], strict=False):
        if (targets[darker].luma or 0.0) >= (targets[lighter].luma or 0.0):
            raise InputError(f"{darker} is asked to be as light as {lighter} or lighter, but the card's is the darker; "
                             "keep their order with --level")


def _differs(display: Display) -> bool:
    """Whether a BT.709 picture's light has other levels or chroma vectors on ``display``."""
    return display.primaries != BT709


def as_on(display: Display, signal: Any) -> np.ndarray:
    """The BT.709 picture ``signal`` (..., 3) as the same light in ``display``'s coding: decoded to scene-linear
    light, to the display's primaries, encoded."""
    light = apply_chain((Transfer("bt709", "decode"),), signal)
    return apply_chain(display.encode, light @ np.array(primaries_matrix(BT709, display.primaries)).T)


def _bar_level(patch: Patch, display: Display, place: np.ndarray | None) -> float:
    if patch.level_ire is not None:
        level = patch.level_ire / 100.0
        # The declared level is that of a BT.709 picture.
        return float(as_on(display, [level] * 3)[1]) if _differs(display) else level
    if place is None:
        raise InputError(f"bar {patch.name!r} has neither level_ire nor a reference value; give it one in the card "
                         "file")
    return float(place[0])


def _chip_target(patch: Patch, display: Display, fraction: float, level: float | None) -> Target:
    """``level`` is the chip's Y' in a BT.709 picture, for displays that differ from that; without it, that of the
    75 % bar, of which the target then is the paler."""
    if patch.hue is None:
        raise InputError(f"chip {patch.name!r} names no hue for vectorscope targets; give it one in the card file, "
                         "or use colorimetric targets")
    if not _differs(display):
        cb, cr = bar_vectors(display.name)[patch.hue]
        return Target(None, fraction * cb, fraction * cr)
    picture = to_ycbcr(np.array(BAR_SIGNALS[patch.hue]) * 0.75, display_luma("bt709"))
    picture[1:] *= fraction
    picture[0] = picture[0] if level is None else level
    place = to_ycbcr(as_on(display, from_ycbcr(picture, display_luma("bt709"))), (display.kr, display.kb))
    return Target(None, float(place[1]), float(place[2]))


def reference_rgb(card: Card, display: str = "bt709", adaptation: str = "CAT16") -> dict[str, tuple[float, ...]]:
    """(R', G', B') on ``display`` of every patch that has a reference value, by name.

    Colours outside the display's gamut keep their negative or over-range values.
    """
    return _reference_rgb(card, display, adaptation)


@lru_cache(maxsize=16)
def _reference_rgb(card: Card, display: str, adaptation: str) -> dict[str, tuple[float, ...]]:
    known = display_named(display)
    given = [patch for patch in card.patches if patch.xyz is not None or patch.reflectance]
    if not given:
        return {}
    xyz = np.array([reference_xyz(card, patch) for patch in given])
    linear = adapted_xyz(card, xyz, adaptation) @ _xyz_to_rgb(known.primaries).T
    return {patch.name: tuple(map(float, row))
            for patch, row in zip(given, apply_chain(known.encode, linear), strict=True)}


def reference_xyz(card: Card, patch: Patch) -> tuple[float, float, float]:
    """XYZ of ``patch`` under the card's illuminant and observer, perfect diffuser Y = 1.

    From its spectrum where it has one (colour-science's integration, ASTM E308), else as the card gives it.
    """
    if not patch.reflectance:
        if patch.xyz is None:
            raise InputError(f"patch {patch.name!r} has no reference value; give it reflectance or xyz")
        return patch.xyz
    import colour

    observer, illuminant = _observer(card.observer), _illuminant(card.illuminant)
    spectrum = colour.SpectralDistribution(dict(zip(patch.wavelengths_nm, patch.reflectance, strict=True)))
    # It says which observer, illuminant and spectrum it brings to common steps, as ASTM E308 has it: that is meant.
    with colour.utilities.suppress_warnings(colour_usage_warnings=True, colour_runtime_warnings=True):
        xyz = colour.sd_to_XYZ(spectrum, observer, illuminant) / 100.0
    return float(xyz[0]), float(xyz[1]), float(xyz[2])


def _observer(name: str) -> Any:
    import colour

    if name not in colour.MSDS_CMFS:
        raise InputError(f"unknown observer {name!r}; give one by colour-science's name, such as "
                         f"{Card.observer!r}")
    return colour.MSDS_CMFS[name]


def _illuminant(name: str) -> Any:
    import colour

    if name not in colour.SDS_ILLUMINANTS:
        raise InputError(f"unknown illuminant {name!r}; give a CIE illuminant by colour-science's name, such as D65")
    return colour.SDS_ILLUMINANTS[name]


@lru_cache(maxsize=16)
def illuminant_xyz(illuminant: str, observer: str) -> tuple[float, float, float]:
    """XYZ of the perfect diffuser under ``illuminant``, Y = 1."""
    import colour

    lamp = _illuminant(illuminant)
    with colour.utilities.suppress_warnings(colour_usage_warnings=True, colour_runtime_warnings=True):
        xyz = colour.sd_to_XYZ(colour.sd_ones(lamp.shape), _observer(observer), lamp)
    return float(xyz[0] / xyz[1]), 1.0, float(xyz[2] / xyz[1])


def adapted_xyz(card: Card, xyz: Any, adaptation: str = "CAT16") -> np.ndarray:
    """``xyz`` (..., 3) under the card's illuminant, adapted to the displays' white, D65."""
    import colour

    if adaptation not in colour.CHROMATIC_ADAPTATION_TRANSFORMS:
        raise InputError(f"unknown chromatic adaptation {adaptation!r}; known: "
                         f"{', '.join(colour.CHROMATIC_ADAPTATION_TRANSFORMS)}")
    transform = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        np.array(illuminant_xyz(card.illuminant, card.observer)), display_white_xyz(), transform=adaptation)
    return np.asarray(np.asarray(xyz) @ transform.T)


def display_white_xyz() -> np.ndarray:
    """XYZ of D65 as ITU-R BT.709-6 gives its chromaticity (0.3127, 0.3290), Y = 1."""
    return np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])


@lru_cache(maxsize=8)
def _rgb_to_xyz(primaries: str) -> np.ndarray:
    import colour

    space = colour.RGB_COLOURSPACES[primaries]
    return np.asarray(colour.normalised_primary_matrix(space.primaries, space.whitepoint))


def _xyz_to_rgb(primaries: str) -> np.ndarray:
    return np.linalg.inv(_rgb_to_xyz(primaries))


def lab_from_display(rgb: Any, display: str = "bt709") -> np.ndarray:
    """CIE L*a*b* (white D65) of what ``display`` shows for the signal ``rgb`` (..., 3).

    The signal becomes light as :meth:`Display.light_from_signal` says: by ITU-R BT.1886 for BT.709 and BT.2020.
    """
    import colour

    known = display_named(display)
    xyz = known.light_from_signal(rgb) @ _rgb_to_xyz(known.primaries).T
    with colour.utilities.suppress_warnings(colour_usage_warnings=True, colour_runtime_warnings=True):
        return np.asarray(colour.XYZ_to_Lab(np.maximum(xyz, 0.0), np.array([0.3127, 0.3290])))


def delta_e(rgb_a: Any, rgb_b: Any, display: str = "bt709") -> np.ndarray:
    """CIEDE2000 between two display signals (..., 3) as shown on ``display``; shape (...)."""
    import colour

    return np.asarray(colour.delta_E(lab_from_display(rgb_a, display), lab_from_display(rgb_b, display),
                                     method="CIE 2000"))


__all__ = ["BAR_SIGNALS", "CHIP_FRACTION", "MODES", "Target", "adapted_xyz", "as_on", "bar_vectors", "delta_e",
           "display_luma", "hue_difference_deg", "illuminant_xyz", "lab_from_display", "primaries_matrix",
           "reference_rgb", "reference_xyz", "targets_for"]
