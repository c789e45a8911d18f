"""A second card: the 24 reflectances of ISO 17321-1, as colour-science carries them, through the whole solve.

The colours must come to the positions that follow from the published reflectances (CIE 15:2018 tristimulus values
under D65, ITU-R BT.709-6 primaries and OETF), from readings that an invented camera spoils.
"""

from __future__ import annotations

import numpy as np
import pytest
from huewright.colorimetry.declare import declare_footage
from huewright.colorimetry.display import hue_deg, hue_difference_deg, to_ycbcr
from huewright.colorimetry.targets import delta_e
from huewright.models.card import Card, Patch
from huewright.models.reading import PatchReading, Reading
from huewright.models.settings import SolveSettings
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright_kernels.ops import LogEncode

colour = pytest.importorskip("colour")

LUMA = (0.2126, 0.0722)
# Rows of six as in the standard's chart: the six primaries and secondaries of the third row are the chips, the last
# row's greys from white to black the bars, the rest is only looked at.
CHIPS, BARS = range(12, 18), range(18, 24)


def published() -> tuple[list[str], np.ndarray]:
    """Names and XYZ (Y = 1 for the perfect diffuser) of the 24 patches under D65."""
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    spectra = colour.SDS_COLOURCHECKERS["ISO 17321-1"]
    light = colour.SDS_ILLUMINANTS["D65"]
    with colour.utilities.suppress_warnings(colour_runtime_warnings=True):      # it says which steps it aligns
        return list(spectra), np.array([colour.sd_to_XYZ(sd, cmfs, light) / 100 for sd in spectra.values()])


def signal(xyz: np.ndarray) -> np.ndarray:
    """The display signal that a colour should have."""
    linear = xyz @ colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB.T
    return np.where(linear < 0.018, 4.5 * linear, 1.099 * np.maximum(linear, 0.018) ** 0.45 - 0.099)


def test_the_published_colours_are_reached_from_a_spoilt_reading() -> None:
    names, xyz = published()
    assert len(names) == 24
    roles = ["bar" if k in BARS else "chip" if k in CHIPS else "check" for k in range(24)]
    square = ((0.1, 0.1), (0.9, 0.1), (0.9, 0.9), (0.1, 0.9))
    card = Card("second", (6.0, 4.0), tuple(
        Patch(name, role, tuple((x + k % 6, y + k // 6) for x, y in square), xyz=tuple(map(float, xyz[k])))
        for k, (name, role) in enumerate(zip(names, roles, strict=True))))
    footage = declare_footage(encoding="ACEScct")
    linear = xyz @ colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB.T
    # The invented camera: two thirds of a stop under, warm, its channels mixed so that hues turn and pale.
    mixed = linear @ np.array([[0.86, 0.10, 0.04], [0.07, 0.88, 0.05], [0.02, 0.14, 0.84]]).T
    camera = mixed * 2 ** (-2 / 3) * (1.15, 1.0, 0.85)
    curve = footage.decode[0]
    codes = apply_chain((LogEncode(**vars(curve)),), camera)
    noise = tuple(tuple(1e-6 if i == j else 0.0 for j in range(3)) for i in range(3))
    reading = Reading(tuple(PatchReading(name, tuple(map(float, code)), noise, (2e-5,) * 3, 2500.0)
                            for name, code in zip(names, codes, strict=True)))

    correction = solve(reading, card, footage, SolveSettings(mode="colorimetric"))
    before, after = (apply_chain(chain, codes) for chain in (correction.neutral_operations, correction.operations))
    wanted = signal(xyz)
    _, cb, cr = to_ycbcr(after, LUMA).T
    y_wanted, cb_wanted, cr_wanted = to_ycbcr(wanted, LUMA).T
    chips, bars, checks = list(CHIPS), list(BARS), [k for k in range(24) if roles[k] == "check"]
    turn = hue_difference_deg(hue_deg(cb, cr), hue_deg(cb_wanted, cr_wanted))[chips]
    radius = (np.hypot(cb, cr) / np.hypot(cb_wanted, cr_wanted))[chips]
    assert np.abs(turn).max() < 0.5
    assert np.abs(radius - 1).max() < 0.01
    assert np.abs(to_ycbcr(after, LUMA)[bars, 0] - y_wanted[bars]).max() < 0.005
    off_before, off_after = (delta_e(picture, wanted, "bt709")[checks] for picture in (before, after))
    assert off_after.mean() < off_before.mean() / 3, (off_before.mean(), off_after.mean())
