"""Log curves against the Academy's document and every curve of colour-science's registry, none of them by name."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from colour.models import LOG_DECODINGS, LOG_ENCODINGS
from huewright.colorimetry.curves import resolve_curve
from huewright.reference import apply_chain
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import LogDecode, LogEncode

CODES = np.arange(1024) / 1023


def decoded(name: str, codes: np.ndarray, kernel: bool = False) -> np.ndarray:
    operations, _ = resolve_curve(name)
    colours = np.repeat(codes[:, None], 3, axis=1)
    if kernel:
        return run_colours(compile_chain(operations), colours)[:, 0].astype(np.float64)
    return apply_chain(operations, colours)[:, 0]


def published(name: str, codes: np.ndarray) -> np.ndarray:
    with np.errstate(all="ignore"):
        return np.asarray(LOG_DECODINGS[name](codes), dtype=np.float64)


def test_acescct_of_mid_grey() -> None:
    """Academy S-2016-001: ACEScct of 0.18 is 0.4135884, which colour-science prints;
    its constants are 17.52, 9.72 and 2^-7."""
    curve = {"log_side_slope": 1 / 17.52, "log_side_offset": 9.72 / 17.52, "lin_side_break": 0.0078125}
    code = run_colours(compile_chain((LogEncode(**curve),)), [[0.18] * 3])[0, 0]
    assert code == pytest.approx(0.4135884, abs=1e-7)
    assert run_colours(compile_chain((LogDecode(**curve),)), [[0.4135884] * 3])[0, 0] == pytest.approx(0.18, abs=1e-6)


def test_acescct_by_name_has_the_academys_parameters() -> None:
    """Academy S-2016-001: slope 10.5402377416545 below 0.0078125."""
    (curve,), error = resolve_curve("acescct")
    assert isinstance(curve, LogDecode) and error < 1e-12
    assert (curve.base, curve.lin_side_slope) == (2, 1)
    assert curve.log_side_slope == pytest.approx(1 / 17.52, abs=1e-12)
    assert curve.log_side_offset == pytest.approx(9.72 / 17.52, abs=1e-12)
    assert curve.lin_side_break == pytest.approx(0.0078125, abs=1e-7)
    assert curve.linear_slope == pytest.approx(10.5402377416545, rel=1e-9)


@pytest.mark.parametrize("index", range(len(LOG_DECODINGS)))
def test_every_curve_of_the_registry_decodes_as_published(index: int) -> None:
    """colour-science LOG_DECODINGS at every 10-bit code, relative above 1.0 linear; and within the error that is
    stated with the curve everywhere between."""
    name = sorted(LOG_DECODINGS)[index]
    operations, stated = resolve_curve(name)
    theirs = published(name, CODES)
    scale = np.maximum(1.0, np.abs(theirs))
    assert np.max(np.abs(decoded(name, CODES) - theirs) / scale) < 1e-6
    assert np.max(np.abs(decoded(name, CODES, kernel=True) - theirs) / scale) < 3e-6
    between = np.linspace(0, 1, 20001)
    theirs = published(name, between)
    assert np.max(np.abs(decoded(name, between) - theirs) / np.maximum(1.0, np.abs(theirs))) <= stated
    assert stated < (1e-6 if isinstance(operations[0], LogDecode) else 1e-3)


def test_most_curves_are_found_to_be_of_the_clf_family() -> None:
    """SMPTE ST 2136-1's six parameters; a table for the rest. 23 of 32 curves with colour-science 0.4.7."""
    family = [isinstance(resolve_curve(name)[0][0], LogDecode) for name in LOG_DECODINGS]
    assert sum(family) >= 0.6 * len(family)


def test_curves_of_the_family_encode_as_published() -> None:
    """colour-science LOG_ENCODINGS from 0.1 % to 100 % reflectance or the curve's top, for the fitted parameters.
    An entry that does not undo its own decoding (it rounds, or clips) is left out; most must remain."""
    compared = 0
    for name in LOG_DECODINGS:
        (curve, *_), _ = resolve_curve(name)
        if not isinstance(curve, LogDecode):
            continue
        light = np.geomspace(1e-3, min(1.0, published(name, np.array([1.0]))[0]), 200)
        with np.errstate(all="ignore"):
            theirs = np.asarray(LOG_ENCODINGS[name](light), dtype=np.float64)
        if np.max(np.abs(published(name, theirs) - light)) > 1e-6:
            continue
        encode = LogEncode(**{field.name: getattr(curve, field.name) for field in dataclasses.fields(curve)})
        ours = run_colours(compile_chain((encode,)), np.repeat(light[:, None], 3, axis=1))[:, 0]
        np.testing.assert_allclose(ours, theirs, atol=2e-6)
        compared += 1
    assert compared >= 15
