"""Declaring footage: names, parameters, OpenColorIO spaces, and each wrong declaration's one sentence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
import pytest
from huewright.colorimetry import curves
from huewright.colorimetry.curves import operations_for_curve, resolve_curve
from huewright.colorimetry.declare import declare_footage, log_from_text
from huewright.errors import InputError
from huewright.reference import apply, apply_chain
from huewright_kernels.ops import LogDecode, Lut1D, Matrix, Transfer

BUILT_IN = "ocio://cg-config-v2.1.0_aces-v1.3_ocio-v2.3"


def test_display_and_linear_need_no_operation() -> None:
    for encoding in ("display", "Linear"):
        footage = declare_footage(encoding=encoding)
        assert (footage.encoding, footage.decode, footage.curve_error) == (encoding.lower(), (), 0.0)


def test_a_named_curve_whatever_its_case_and_punctuation() -> None:
    for name in ("ACEScct", "acescct", "aces-cct", " ACES cct "):
        (curve,) = declare_footage(encoding=name).decode
        assert isinstance(curve, LogDecode)
        assert apply(curve, [0.4135884] * 3)[0] == pytest.approx(0.18, abs=1e-7)


def test_a_standards_transfer_function() -> None:
    assert declare_footage(encoding="HLG").decode == (Transfer("hlg", "decode"),)


def test_explicit_parameters() -> None:
    text = "base=10, log_side_slope=0.25, log_side_offset=0.4, lin_side_slope=5.5, lin_side_offset=0.05, " \
           "lin_side_break=0.01, linear_slope=5.3"
    assert log_from_text(text) == LogDecode(10, 0.25, 0.4, 5.5, 0.05, 0.01, 5.3)
    assert declare_footage(encoding=text).decode == (log_from_text(text),)


def test_legal_range_and_primaries() -> None:
    footage = declare_footage(encoding="linear", range_="legal", bits=10, primaries="acescg")
    assert footage.primaries == "ACEScg"
    expanded = apply_chain(footage.to_linear(), np.array([[64, 940, 502]]) / 1023)
    np.testing.assert_allclose(expanded, [[0, 1, 0.5]], atol=1e-12)


@pytest.mark.parametrize(("declared", "says"), [
    ({"encoding": "acesct"}, "close names: ACEScct"),
    ({"encoding": "qqqqqq"}, "unknown log curve 'qqqqqq'"),
    ({"encoding": " "}, "empty"),
    ({"encoding": "base=ten"}, "base is a number"),
    ({"encoding": "bass=10"}, "no parameter of a log curve"),
    ({"encoding": "base=10,base=2"}, "given twice"),
    ({"encoding": "base=1"}, "base must not be 1"),
    ({"encoding": "log_side_slope=-1"}, "falls with more light"),
    ({"encoding": "linear_slope=3"}, "without lin_side_break"),
    ({"encoding": "lin_side_break=-1"}, "log"),
    ({"encoding": "linear", "range_": "studio"}, "range is one of full, legal"),
    ({"encoding": "linear", "bits": 11}, "bits is one of 8, 10, 12, 16"),
    ({"encoding": "linear", "primaries": "BT.790"}, "unknown primaries 'BT.790'"),
    ({"encoding": "linear", "look": "x.cube"}, "a look that expects log"),
    ({"encoding": "display", "look": "x.cube", "look_input": "linear"}, "takes no look"),
    ({"encoding": "ACEScct", "look": "there-is-no-such.cube"}, "there is no such"),
    ({"encoding": "ACEScct", "look_input": "video"}, "one of log, linear"),
    ({"encoding": "x", "ocio_config": "there-is-no.ocio"}, "no such OpenColorIO configuration"),
    ({"encoding": "ACESct", "ocio_config": BUILT_IN}, "there is no colour space 'ACESct'"),
])
def test_each_wrong_declaration_gets_one_clear_sentence(declared: dict[str, object], says: str) -> None:
    with pytest.raises(InputError) as caught:
        declare_footage(**declared)  # type: ignore[arg-type]
    assert says in str(caught.value) and "\n" not in str(caught.value)


def test_a_file_that_is_no_configuration(tmp_path: Path) -> None:
    path = tmp_path / "config.ocio"
    path.write_text("not: one")
    with pytest.raises(InputError, match="not an OpenColorIO configuration"):
        declare_footage(encoding="x", ocio_config=path)


def test_a_configuration_without_known_primaries(tmp_path: Path) -> None:
    path = tmp_path / "config.ocio"
    config = ocio.Config.CreateRaw()
    path.write_text(config.serialize())
    with pytest.raises(InputError, match="aces_interchange"):
        declare_footage(encoding="raw", ocio_config=path)


def test_opencolorio_space_becomes_a_curve_and_a_matrix() -> None:
    footage = declare_footage(encoding="ACEScct", ocio_config=BUILT_IN, primaries="ACEScg")
    assert footage.curve_error < 1e-5
    codes = np.random.default_rng(2).random((200, 3))
    (by_name,), _ = resolve_curve("ACEScct")
    wanted = apply(by_name, codes)
    got = apply_chain(footage.decode, codes)
    assert np.max(np.abs(got - wanted) / np.maximum(1, wanted.max(axis=1, keepdims=True))) < 2e-5


def test_linear_opencolorio_space_is_not_clamped_by_a_table() -> None:
    footage = declare_footage(encoding="Linear Rec.2020", ocio_config=BUILT_IN)
    assert [type(operation) for operation in footage.decode] == [Matrix]
    np.testing.assert_allclose(apply_chain(footage.decode, [[9.0, 9.0, 9.0]]), 9.0, rtol=1e-5)


def test_a_curve_of_the_family_is_found_again() -> None:
    """Invented parameters, given only as a function."""
    given = LogDecode(10, 0.21, 0.47, 4.1, 0.03, 0.012, 7.0)
    (found,), error = operations_for_curve(
        lambda code: apply(given, np.repeat(np.asarray(code)[:, None], 3, axis=1))[:, 0], "an invented curve")
    assert isinstance(found, LogDecode) and error < 1e-9
    codes = np.linspace(-0.1, 1.2, 500).repeat(3).reshape(-1, 3)
    np.testing.assert_allclose(apply(found, codes), apply(given, codes), rtol=1e-9, atol=1e-9)


def test_a_curve_of_no_family_becomes_a_table_with_its_error_measured() -> None:
    (table,), error = operations_for_curve(lambda code: np.tan(1.2 * np.asarray(code)) ** 2, "an invented curve")
    assert isinstance(table, Lut1D) and 0 < error < 1e-5
    codes = np.random.default_rng(3).random(999)
    wrong = np.abs(apply(table, np.repeat(codes[:, None], 3, axis=1))[:, 0] - np.tan(1.2 * codes) ** 2)
    assert wrong.max() <= 1.1 * error * max(1.0, np.tan(1.2) ** 2)


def test_a_table_is_not_stretched_to_where_its_curve_turns_back() -> None:
    (table,), _ = operations_for_curve(lambda code: 1.0 - (1.0 - np.asarray(code)) ** 4, "an invented curve")
    assert table.domain_min[0] < -0.1 and table.domain_max[0] == pytest.approx(1.0, abs=1.5 / curves.TEN_BIT)


def test_an_undefined_curve_is_refused() -> None:
    with pytest.raises(InputError, match="an invented curve is not defined"):
        with np.errstate(all="ignore"):
            operations_for_curve(lambda code: np.sqrt(np.asarray(code) - 0.3), "an invented curve")
