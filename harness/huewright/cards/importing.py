"""A card made from measured colours: those of a known layout, or a plain grid whose roles are told from the colours."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import colour
import numpy as np
from huewright_kernels.ops import Transfer

from huewright.cards.cgats import Measurements, Sample
from huewright.cards.roles import roles_of_colours
from huewright.errors import InputError
from huewright.models.card import MOST_REFLECTANCE, Card, Mark, Patch
from huewright.reference import apply

Area = TypeVar("Area", Patch, Mark)


def card_with_layout(data: Measurements, layout: Card, path: Path | str, *, by_position: bool = False) -> Card:
    """``layout`` with measured colours: those of the samples of its patches' names or, ``by_position``, in its patches'
    order. Bars whose level was guessed from a photograph get that of their measured colour."""
    by_name = {sample.name.casefold(): sample for sample in data.samples}
    if by_position:
        if len(data.samples) != len(layout.patches):
            raise InputError(f"{path}: {len(data.samples)} samples for {len(layout.patches)} patches; by position "
                             "there must be as many, in the card file's order")
        by_name = {patch.name.casefold(): sample for patch, sample in zip(layout.patches, data.samples, strict=True)}
    missing = [patch.name for patch in layout.patches if patch.name.casefold() not in by_name]
    if missing:
        raise InputError(f"{path}: no sample named {', '.join(missing[:6])}; name the samples as the layout's patches, "
                         "or attach them in their order, by position")
    with _refusing(path):
        patches = tuple(_levelled(_coloured(patch, by_name[patch.name.casefold()], data)) for patch in layout.patches)
        marks = tuple(_coloured(mark, by_name[mark.name.casefold()], data) if mark.name.casefold() in by_name else mark
                      for mark in layout.marks)
    return replace(layout, patches=patches, marks=marks, illuminant=_illuminant(data), observer=_observer(data),
                   description=f"{layout.description} Colours measured.".strip())


def card_on_grid(data: Measurements, columns: int, path: Path | str) -> Card:
    count = len(data.samples)
    if columns < 1 or count % columns:
        raise InputError(f"{path}: {count} samples don't fill rows of {columns}; give another number of columns")
    with _refusing(path):
        return _on_grid(data, columns)


@contextmanager
def _refusing(path: Path | str) -> Iterator[None]:
    """What no patch can be is said of the file that the colours are from."""
    try:
        yield
    except ValueError as error:
        raise InputError(f"{path}: {error}") from None
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def _on_grid(data: Measurements, columns: int) -> Card:
    rows = len(data.samples) // columns
    lab = np.array([_lab(sample, data) for sample in data.samples])
    roles = roles_of_colours(lab)
    patches = []
    for k, sample in enumerate(data.samples):
        x, y = 1.2 * (k % columns) + 0.2, 1.2 * (k // columns) + 0.2
        role, hue = roles.get(k, ("check", None))
        level = _level_ire(float(_xyz(sample, data)[1])) if role == "bar" else None
        base = Patch(sample.name, role, ((x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1)),
                     level, hue)
        patches.append(_coloured(base, sample, data))
    return Card("measured grid", (1.2 * columns + 0.2, 1.2 * rows + 0.2), tuple(patches), _illuminant(data),
                _observer(data), f"{columns} x {rows} patches; roles told from their measured colours: check them.")


def _levelled(patch: Patch) -> Patch:
    """A photographed bar's level was a guess: now it is that of its colour."""
    if patch.role != "bar" or patch.photographed is None or patch.xyz is None:
        return patch
    return replace(patch, level_ire=_level_ire(patch.xyz[1]))


def _level_ire(luminance: float) -> float:
    return round(100 * float(apply(Transfer("bt709", "encode"), np.full(3, luminance))[0]), 2)


def _coloured(area: Area, sample: Sample, data: Measurements) -> Area:
    colours = _xyz(sample, data)
    # An instrument's noise on black can fall a little under nought; light can't.
    if not -0.01 <= colours.min() or not colours.max() <= MOST_REFLECTANCE:
        raise ValueError(f"sample {sample.name!r} has the XYZ {', '.join(f'{v:.4g}' for v in colours)} (of a perfect "
                         "diffuser whose Y is 1), which no surface has; measure it again")
    x, y, z = (round(max(float(v), 0.0), 6) for v in colours)
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
    return np.asarray(colour.models.Lab_to_XYZ(np.array(sample.lab), illuminant=_white(data)))


def _white(data: Measurements) -> np.ndarray:
    """The illuminant's x and y."""
    white = colour.CCS_ILLUMINANTS[_observer(data)].get(_illuminant(data))
    if white is None:
        raise InputError(f"the measurements' illuminant {_illuminant(data)!r} isn't one that CIE tables here have; "
                         "export XYZ or spectra for another")
    return np.asarray(white)


def _lab(sample: Sample, data: Measurements) -> np.ndarray:
    white = _white(data)
    return np.asarray(colour.XYZ_to_Lab(_xyz(sample, data), white))
