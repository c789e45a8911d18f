"""Whose primaries: what a curve's name implies is asked about, never taken silently."""

from __future__ import annotations

import pytest
from huewright.colorimetry.declare import declare_footage
from huewright.models.cautions import PrimariesAssumed
from huewright.words import sentence


def test_a_curve_that_is_published_with_primaries_asks_for_them() -> None:
    """Academy S-2016-001: ACEScct encodes light in the primaries AP1."""
    footage = declare_footage(encoding="acescct")
    assert footage.primaries == "ITU-R BT.709" and footage.primaries_implied == ("ACEScct",)
    said = sentence(PrimariesAssumed(footage.encoding, footage.primaries, footage.primaries_implied))
    assert said.startswith("whose primaries does the light have? ITU-R BT.709 is assumed, but acescct is published")
    assert "--primaries 'ACEScct', or --primaries 'ITU-R BT.709'" in said


@pytest.mark.parametrize("declared", [
    {"encoding": "ACEScct", "primaries": "ITU-R BT.709"}, {"encoding": "ACEScct", "primaries": "ACEScg"},
    {"encoding": "linear"}, {"encoding": "display"}, {"encoding": "bt709"},
    {"encoding": "base=2,log_side_slope=0.057,log_side_offset=0.55"}])
def test_nothing_is_asked_where_it_was_said_or_there_is_no_name(declared: dict[str, str]) -> None:
    assert declare_footage(**declared).primaries_implied == ()
