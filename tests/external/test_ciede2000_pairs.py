"""The colour difference that the project reports, on the published test pairs.

Source: Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula: implementation notes, supplementary test data,
and mathematical observations", Color Res. Appl. 30 (2005), table 1 (typed from memory; a wrong digit would fail).
"""

from __future__ import annotations

import numpy as np
import pytest
from colour.difference import delta_E_CIE2000
from huewright.accuracy.published import CIEDE2000_PAIRS
from huewright.colorimetry.targets import delta_e, lab_from_display


def test_there_are_34_pairs() -> None:
    assert len(CIEDE2000_PAIRS) == 34


@pytest.mark.parametrize("index", range(34))
def test_published_difference(index: int) -> None:
    *labs, wanted = CIEDE2000_PAIRS[index]
    for first, second in ((labs[:3], labs[3:]), (labs[3:], labs[:3])):
        assert float(delta_E_CIE2000(np.array(first), np.array(second))) == pytest.approx(wanted, abs=5.001e-5)


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
