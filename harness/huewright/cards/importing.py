"""A card made from measured colours: those of a known layout, or a plain grid whose roles are told from the colours."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import colour
import numpy as np
from huewright_kernels.ops import Transfer

from huewright.cards.cgats import Measurements, Sample
from huewright.errors import InputError
from huewright.models.card import Card, Mark, Patch
from huewright.reference import apply

Area = TypeVar("Area", Patch, Mark)
# A bar is nearly neutral, a chip clearly coloured (CIELAB chroma); common practice, no source.
NEUTRAL_CHROMA, CHIP_CHROMA = 6.0, 35.0
# CIELAB hue angles of the 75 % bars of BT.709 seen in D65, rounded (computed with colour-science).
_HUE_OF_BAR = {"red": 40.0, "yellow": 103.0, "green": 136.0, "cyan": 196.0, "blue": 306.0, "magenta": 328.0}


def card_with_layout(data: Measurements, layout: Card, path: Path | str) -> Card:
    by_name = {sample.name.casefold(): sample for sample in data.samples}
    missing = [patch.name for patch in layout.patches if patch.name.casefold() not in by_name]
    if missing:
        raise InputError(f"{path}: no sample named {', '.join(missing[:6])}; name the samples as the layout's patches")
    patches = tuple(_coloured(patch, by_name[patch.name.casefold()], data) for patch in layout.patches)
    marks = tuple(_coloured(mark, by_name[mark.name.casefold()], data) if mark.name.casefold() in by_name else mark
                  for mark in layout.marks)
    return replace(layout, patches=patches, marks=marks, illuminant=_illuminant(data), observer=_observer(data),
                   description=f"{layout.description} Colours measured.".strip())


def card_on_grid(data: Measurements, columns: int, path: Path | str) -> Card:
    count = len(data.samples)
    if columns < 1 or count % columns:
        raise InputError(f"{path}: {count} samples don't fill rows of {columns}; give another number of columns")
    rows = count // columns
    lab = np.array([_lab(sample, data) for sample in data.samples])
    roles = _roles(lab)
    patches = []
    for k, sample in enumerate(data.samples):
        x, y = 1.2 * (k % columns) + 0.2, 1.2 * (k // columns) + 0.2
        role, hue = roles.get(k, ("check", None))
        level = None
        if role == "bar":
            level = 100 * float(apply(Transfer("bt709", "encode"), np.full(3, _xyz(sample, data)[1]))[0])
        base = Patch(sample.name, role, ((x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1)),
                     None if level is None else round(level, 2), hue)
        patches.append(_coloured(base, sample, data))
    return Card("measured grid", (1.2 * columns + 0.2, 1.2 * rows + 0.2), tuple(patches), _illuminant(data),
                _observer(data), f"{columns} x {rows} patches; roles told from their measured colours: check them.")


def _roles(lab: np.ndarray) -> dict[int, tuple[str, str | None]]:
    """Index -> (role, hue): the darkest, middle and lightest neutrals as bars, the nearest strong colour to each
    75 % bar's hue as its chip."""
    chroma, hue = np.hypot(lab[:, 1], lab[:, 2]), np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360
    roles: dict[int, tuple[str, str | None]] = {}
    neutral = np.flatnonzero(chroma < NEUTRAL_CHROMA)
    if len(neutral) >= 3:
        order = neutral[np.argsort(lab[neutral, 0])]
        # L* 49.5 is 18 % reflectance (CIE 15).
        middle = order[1:-1][np.abs(lab[order[1:-1], 0] - 49.5).argmin()]
        roles.update({int(k): ("bar", None) for k in (order[0], middle, order[-1])})
    for name, angle in _HUE_OF_BAR.items():
        off = np.abs((hue - angle + 180) % 360 - 180)
        free = [k for k in np.flatnonzero((chroma > CHIP_CHROMA) & (off < 35)) if int(k) not in roles]
        if free:
            best = min(free, key=lambda k: off[k] - 0.3 * chroma[k])
            roles[int(best)] = ("chip", name)
    return roles


def _coloured(area: Area, sample: Sample, data: Measurements) -> Area:
    x, y, z = (round(float(v), 6) for v in _xyz(sample, data))
    return replace(area, wavelengths_nm=sample.wavelengths_nm, reflectance=sample.reflectance, xyz=(x, y, z))


def _illuminant(data: Measurements) -> str:
    # ISO 13655 measures for D50 and the 2 degree observer unless said otherwise; spectra are taken to D65 here.
    return "D65" if all(sample.reflectance for sample in data.samples) else data.illuminant or "D50"


def _observer(data: Measurements) -> str:
    return "CIE 1964 10 Degree Standard Observer" if data.observer == "10" else "CIE 1931 2 Degree Standard Observer"


def _xyz(sample: Sample, data: Measurements) -> np.ndarray:
    """CIE XYZ (perfect diffuser Y = 1) under the card's illuminant: from the spectrum where there is one."""
    illuminant, observer = _illuminant(data), _observer(data)
    if sample.reflectance and (illuminant == "D65" or (sample.xyz is None and sample.lab is None)):
        cmfs = colour.MSDS_CMFS[observer].copy().align(colour.SpectralShape(360, 780, 5))
        source = colour.SDS_ILLUMINANTS.get(illuminant)
        if source is None:
            raise InputError(f"the measurements' illuminant {illuminant!r} isn't one that CIE tables here have; "
                             "export XYZ instead")
        spectrum = colour.SpectralDistribution(dict(zip(sample.wavelengths_nm, sample.reflectance, strict=True)))
        return np.asarray(colour.sd_to_XYZ(spectrum.align(cmfs.shape), cmfs, source.copy().align(cmfs.shape))) / 100
    if sample.xyz is not None:
        return np.array(sample.xyz)
    whitepoint = colour.CCS_ILLUMINANTS[observer].get(illuminant)
    if whitepoint is None:
        raise InputError(f"the measurements' illuminant {illuminant!r} isn't one that CIE tables here have; "
                         "export XYZ or spectra instead")
    return np.asarray(colour.models.Lab_to_XYZ(np.array(sample.lab), illuminant=whitepoint))


def _lab(sample: Sample, data: Measurements) -> np.ndarray:
    white = colour.CCS_ILLUMINANTS[_observer(data)][_illuminant(data)]
    return np.asarray(colour.XYZ_to_Lab(_xyz(sample, data), white))
