"""A correction to hand over, and LUT files as a program built on OpenColorIO applies them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright_kernels.ops import HueSectors, LogDecode, Matrix, ToneCurve, Transfer

# Academy S-2016-001 (ACEScct), whose constants colour-science prints too; the second curve is invented.
ACESCCT = LogDecode(2.0, 1 / 17.52, 9.72 / 17.52, 1.0, 0.0, 0.0078125)
INVENTED = LogDecode(10.0, 0.25, 0.4, 5.5, 0.05, 0.01, 4.0)
GAINS = Matrix(((1.8, 0.0, 0.0), (0.0, 1.4, 0.0), (0.0, 0.0, 1.1)))
MIXING = Matrix(((1.5, -0.2, 0.1), (0.05, 1.2, -0.1), (0.0, -0.15, 1.3)), (0.001, 0.0, -0.001))
TONE = ToneCurve((0.0, 0.05, 0.42, 0.8, 1.0), (0.01, 0.04, 0.41, 0.85, 1.02))
HUES = HueSectors((13.0, 73.0, 109.0, 193.0, 256.0, 282.0), (6.0, -5.0, 4.0, -3.0, 5.0, -4.0),
                  (1.15, 0.9, 1.1, 1.2, 0.85, 1.05))
CHAIN = (ACESCCT, GAINS, Transfer("bt709", "encode"), TONE, HUES)


def correction(operations=CHAIN, footage: Footage | None = None) -> Correction:
    return Correction("sectors", footage or Footage(encoding="ACEScct", decode=(ACESCCT,)), "bt709", tuple(operations),
                      (ACESCCT, Transfer("bt709", "encode")), ())


def opencolorio(path: Path, colours: np.ndarray, *, exactly: bool = False) -> np.ndarray:
    """What a program built on OpenColorIO makes of the file, with that library's defaults; ``exactly`` leaves out
    its approximations of exponent and logarithm (some 3e-6 relative), to compare formula with formula."""
    ocio.ClearAllCaches()
    processor = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(src=str(path)))
    kind = ocio.OPTIMIZATION_NONE if exactly else ocio.OPTIMIZATION_DEFAULT
    result = np.array(colours, np.float32, order="C")
    processor.getOptimizedCPUProcessor(ocio.BIT_DEPTH_F32, ocio.BIT_DEPTH_F32, kind).applyRGB(result)
    return result
