"""The colour difference that the project reports, on the published test pairs.

Source: Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula: implementation notes, supplementary test data,
and mathematical observations", Color Res. Appl. 30 (2005), table 1; the authors publish the table as a file beside the
paper; its first rows were compared with those in the tests of public implementations.
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
from colour import Lab_to_XYZ
from colour.difference import delta_E_CIE2000
from huewright.accuracy.published import CIEDE2000_PAIRS
from huewright.colorimetry.targets import delta_e, lab_from_display

D65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]


def signal_of(lab: list[float]) -> np.ndarray:
    """The BT.709 display's signal for ``lab``, by colour-science (BT.1886 with its black at 0)."""
    xyz = Lab_to_XYZ(np.array(lab), D65)
    light = colour.XYZ_to_RGB(xyz, "ITU-R BT.709", D65, chromatic_adaptation_transform=None)
    return np.sign(light) * np.abs(light) ** (1 / 2.4)


def test_the_projects_difference_is_the_published_one() -> None:
    """The 27 of the 34 pairs that the display can show, by their signals, either way round, to the table's digits; the
    accuracy table holds all 34 against the formula's implementation that the project uses."""
    shown = 0
    assert len(CIEDE2000_PAIRS) == 34
    for *labs, wanted in CIEDE2000_PAIRS:
        first, second = signal_of(labs[:3]), signal_of(labs[3:])
        if min(first.min(), second.min()) >= 0 and max(first.max(), second.max()) <= 1:
            shown += 1
            for a, b in ((first, second), (second, first)):
                assert float(delta_e(a, b)) == pytest.approx(wanted, abs=5.001e-5), (labs, wanted)
    assert shown == 27


def test_the_projects_difference_is_that_formula_on_lab() -> None:
    """A display signal becomes Lab by ITU-R BT.1886 and BT.709 primaries; the difference is the formula above."""
    rng = np.random.default_rng(1)
    first, second = rng.random((50, 3)), rng.random((50, 3))
    wanted = delta_E_CIE2000(lab_from_display(first), lab_from_display(second))
    np.testing.assert_allclose(delta_e(first, second), wanted, atol=1e-12)


def test_lab_of_display_greys() -> None:
    """CIE 15:2018: L* = 116 (Y)^(1/3) - 16 and a* = b* = 0 for the display's white point; Y = V^2.4 (BT.1886)."""
    signal = np.array([0.2, 0.5, 0.9, 1.0])
    lab = lab_from_display(np.repeat(signal[:, None], 3, axis=1))
    light = signal**2.4
    cube = np.where(light > (6 / 29) ** 3, np.cbrt(light), light / (3 * (6 / 29) ** 2) + 4 / 29)
    np.testing.assert_allclose(lab[:, 0], 116 * cube - 16, atol=2e-3)
    # D65's chromaticity is rounded to four digits in BT.709 and in the white that Lab is taken to.
    np.testing.assert_allclose(lab[:, 1:], 0, atol=2e-2)
