"""Colour bars' codes as standards print them, from the movie's colour formulae.

Source: SMPTE RP 219-1, table of 10-bit Y' Cb Cr of 75 % bars in high definition (from memory; it follows from ITU-R
BT.709 and is printed in many handbooks), and for 8 bits those of ITU-R BT.1729's 75 % bars of BT.601.
"""

from __future__ import annotations

import numpy as np
import pytest
from huewright_kernels.ycbcr import Coding, from_rgb, to_rgb

BARS = {"white": (1, 1, 1), "yellow": (1, 1, 0), "cyan": (0, 1, 1), "green": (0, 1, 0), "magenta": (1, 0, 1),
        "red": (1, 0, 0), "blue": (0, 0, 1), "black": (0, 0, 0)}
BT709_10 = {"white": (721, 512, 512), "yellow": (674, 176, 543), "cyan": (581, 589, 176), "green": (534, 253, 207),
            "magenta": (251, 771, 817), "red": (204, 435, 848), "blue": (111, 848, 481), "black": (64, 512, 512)}
BT601_8 = {"white": (180, 128, 128), "yellow": (162, 44, 142), "cyan": (131, 156, 44), "green": (112, 72, 58),
           "magenta": (84, 184, 198), "red": (65, 100, 212), "blue": (35, 212, 114), "black": (16, 128, 128)}


@pytest.mark.parametrize(("coding", "codes"), [(Coding(0.2126, 0.0722, 10, True), BT709_10),
                                               (Coding(0.299, 0.114, 8, True), BT601_8)])
def test_bars_have_their_published_codes(coding: Coding, codes: dict[str, tuple[int, int, int]]) -> None:
    signal = np.array([[BARS[name] for name in codes]], np.float32) * np.float32(0.75)
    step = np.float32(2 ** (coding.bits - 8) / coding.top)
    planes = from_rgb((16 + 219 * signal) * step, coding)
    assert [tuple(int(plane[0, k]) for plane in planes) for k in range(len(codes))] == list(codes.values())
    # A code is 1 in 219 of the signal (8 bits); R'G'B' of rounded codes is off by up to some of them.
    back = (to_rgb(*planes, coding) / step - 16) / 219
    assert np.abs(back - signal).max() < 1.6 / 219
