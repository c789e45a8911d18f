"""Computes the card's spectra and writes card.toml again: ``python -m huewright_demo.design_card``.

The layout is :func:`huewright.cards.own.own_card`. Each patch but the skins gets the smoothest reflectance that has
its colour under D65 exactly:

    bars     neutral, at their levels through the BT.709 OETF
    chips    half the (Cb, Cr) of the 75 % bar of their name, at a luma that pigments reach (:data:`CHIP_LUMA`)
    checks   the layout's colours; skins have the published reflectances in :mod:`huewright_demo.skins`
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from huewright.cards.own import own_card
from huewright.models.card import Card, Mark, Patch, save_card

from huewright_demo import spectra
from huewright_demo.skins import SKINS

Area = TypeVar("Area", Patch, Mark)
CARD = Path(__file__).with_name("card.toml")
# Y' of each chip: any reachable value serves, the vectorscope asks for no luma. Chosen so that all stay within
# smooth reflectances of 0.01 to 0.95 and look like the paint of that name.
CHIP_LUMA = {"red": 0.40, "yellow": 0.66, "green": 0.47, "cyan": 0.52, "blue": 0.33, "magenta": 0.44}
BARS_75 = {"red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0),
           "cyan": (0, 1, 1), "blue": (0, 0, 1), "magenta": (1, 0, 1)}


def design() -> Card:
    """The layout's card with a reflectance for every patch and mark, and the XYZ of the rounded reflectance."""
    card = own_card()
    return replace(card, patches=tuple(_coloured(patch, _target_xyz(patch)) for patch in card.patches),
                   marks=tuple(_coloured(mark, np.array(mark.xyz)) for mark in card.marks))


def chip_signal(hue: str, luma: float) -> np.ndarray:
    """R'G'B' with ``luma`` and half the (Cb, Cr) of the 75 % bar called ``hue``."""
    _, cb, cr = spectra.ycbcr(0.75 * np.array(BARS_75[hue], float))
    return spectra.rgb_of_ycbcr(np.array([luma, cb / 2, cr / 2]))


def _target_xyz(patch: Patch) -> np.ndarray:
    if patch.role == "bar" and patch.level_ire is not None:
        return spectra.rgb_to_xyz(spectra.oetf_inverse(np.full(3, patch.level_ire / 100)))
    if patch.role == "chip" and patch.hue is not None:
        return spectra.rgb_to_xyz(spectra.oetf_inverse(chip_signal(patch.hue, CHIP_LUMA[patch.hue])))
    return np.array(patch.xyz)


def _coloured(area: Area, xyz: np.ndarray) -> Area:
    published = SKINS.get(area.name)
    reflectance = np.array(published) if published else np.round(spectra.smooth_reflectance(xyz), 5)
    x, y, z = (float(v) for v in np.round(reflectance @ spectra.xyz_weights("D65"), 6))
    return replace(area, wavelengths_nm=spectra.WAVELENGTHS_NM, xyz=(x, y, z),
                   reflectance=tuple(float(v) for v in reflectance))


if __name__ == "__main__":
    save_card(design(), CARD, overwrite=True)
