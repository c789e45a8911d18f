"""The CDL against the arithmetic that ASC CDL 1.2 prescribes, and against OpenColorIO's in all four styles."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
import pytest
from huewright.colorimetry.luts import read_lut_file
from huewright.reference import apply, apply_chain
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import LogEncode, Transfer
from huewright_kernels.ops.cdl import STYLES, AscCdl

GRADE = {"slope": (1.35, 0.9, 0.71), "offset": (0.05, -0.03, 0.12), "power": (0.93, 1.1, 1.27), "saturation": 1.24}


def test_slope_offset_power_and_saturation_in_the_order_of_the_standard() -> None:
    """ASC CDL 1.2 by hand for one colour: ((0.2, 0.5, 0.9) slope + offset)^power, then about the luma of
    0.2126, 0.7152, 0.0722."""
    r, g, b = (0.2 * 1.35 + 0.05) ** 0.93, (0.5 * 0.9 - 0.03) ** 1.1, (0.9 * 0.71 + 0.12) ** 1.27
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    wanted = [luma + 1.24 * (channel - luma) for channel in (r, g, b)]
    colour = np.array([[0.2, 0.5, 0.9]])
    assert apply(AscCdl(**GRADE), colour)[0] == pytest.approx(wanted, abs=1e-15)
    assert run_colours(compile_chain([AscCdl(**GRADE)]), colour)[0] == pytest.approx(wanted, abs=2e-7)


@pytest.mark.parametrize("style", STYLES)
def test_against_opencolorio(style: str) -> None:
    """OpenColorIO's CDLTransform; its styles are those of CLF."""
    cdl = ocio.CDLTransform()
    cdl.setSlope(list(GRADE["slope"]))
    cdl.setOffset(list(GRADE["offset"]))
    cdl.setPower(list(GRADE["power"]))
    cdl.setSat(GRADE["saturation"])
    cdl.setStyle(ocio.CDL_NO_CLAMP if style.endswith("NoClamp") else ocio.CDL_ASC)
    cdl.setDirection(ocio.TRANSFORM_DIR_INVERSE if style.startswith("Rev") else ocio.TRANSFORM_DIR_FORWARD)
    colours = np.random.default_rng(4).uniform(-0.3, 1.6, (20000, 3)).astype(np.float32)
    theirs = colours.copy()
    processor = ocio.Config.CreateRaw().getProcessor(cdl)
    processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE).applyRGB(theirs)
    ours = run_colours(compile_chain([AscCdl(**GRADE, style=style)]), colours)
    assert np.abs(ours - theirs).max() < 4e-6


CC = """<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection xmlns="urn:ASC:CDL:v1.2" id="shot">
  <SOPNode><Slope>1.35 0.9 0.71</Slope><Offset>0.05 -0.03 0.12</Offset><Power>0.93 1.1 1.27</Power></SOPNode>
  <SatNode><Saturation>1.24</Saturation></SatNode>
</ColorCorrection>
"""


@pytest.mark.parametrize(("name", "text"), [
    ("shot.cc", CC),
    ("shot.cdl", CC.replace("<ColorCorrection xmlns", "<ColorDecisionList xmlns").replace(' id="shot">', ">"
        '<ColorDecision><ColorCorrection id="shot">').replace("</ColorCorrection>", "</ColorCorrection>"
        "</ColorDecision></ColorDecisionList>"))])
def test_a_persons_cdl_file_takes_part_in_a_chain(tmp_path: Path, name: str, text: str) -> None:
    """The XML of ASC CDL 1.2, read exactly, clamping as the standard has it."""
    (tmp_path / name).write_text(text, encoding="utf-8")
    reading = read_lut_file(tmp_path / name)
    (cdl,) = reading.operations
    assert cdl == AscCdl(**GRADE) and not reading.baked
    colours = np.random.default_rng(4).uniform(-0.3, 1.6, (2000, 3)).astype(np.float32)
    ours = run_colours(compile_chain([LogEncode(), cdl, Transfer()]), colours)
    assert np.abs(ours - apply_chain([LogEncode(), cdl, Transfer()], colours)).max() < 4e-6


def test_what_it_refuses() -> None:
    for wrong, words in (({"power": (1, 0, 1)}, "powers must not be 0"), ({"slope": (-1, 1, 1)}, "from 0 to"),
                         ({"slope": (0, 1, 1), "style": "Rev"}, "must not have a slope"),
                         ({"saturation": 0, "style": "RevNoClamp"}, "slope or saturation of 0")):
        with pytest.raises(ValueError, match=words):
            AscCdl(**wrong)


def test_a_cdl_of_nothing_changes_nothing_to_the_bit() -> None:
    colours = np.random.default_rng(4).uniform(-0.3, 1.6, (2000, 3)).astype(np.float32)
    assert np.array_equal(run_colours(compile_chain([AscCdl(style="FwdNoClamp")]), colours), colours)
