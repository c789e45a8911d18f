"""Scopes of any frame: drawn, named after it, and of what they say they are."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from huewright.errors import InputError
from huewright.frames import Frame, parse_sequence, write_frame
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.report import scopes as drawn
from huewright.steps.scopes import draw_scopes
from huewright_kernels.ops import Matrix


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    """Grey on the left, half as light on the right, 16 bits."""
    pixels = np.full((40, 60, 3), 40000, np.uint16)
    pixels[:, 30:] = 20000
    write_frame(tmp_path / "b.0007.png", Frame(pixels))
    return tmp_path / "b.0007.png"


def halved() -> Correction:
    half = Matrix(((0.5, 0.0, 0.0), (0.0, 0.5, 0.0), (0.0, 0.0, 0.5)))
    return Correction("balance", Footage(), "bt709", (half,), (), ())


def test_one_panel_without_a_correction_two_with(frame: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[tuple[tuple[str, ...], list[float]]] = []

    def spy(traces, view, *rest):
        seen.append((view.names, [float(picture.max()) for picture in view.pixels]))
        return draw(traces, view, *rest)

    draw = drawn.DRAWN["waveform"]
    monkeypatch.setitem(drawn.DRAWN, "waveform", spy)
    alone = draw_scopes(parse_sequence(frame), tmp_path / "alone")
    both = draw_scopes(parse_sequence(frame), tmp_path / "both", correction=halved())
    assert alone.files == both.files == ("b.0007-waveform.png", "b.0007-parade.png", "b.0007-vectorscope.png")
    (names, (one,)), (sides, (before, after)) = seen
    assert names == ("as it is",) and sides == ("before", "after")
    assert one == pytest.approx(40000 / 65535) and before == pytest.approx(one) and after == pytest.approx(one / 2)
    for name in alone.files:
        small, wide = (cv2.imread(str(tmp_path / folder / name)) for folder in ("alone", "both"))
        assert wide.shape[:2] == (small.shape[0], 2 * small.shape[1])
        assert len(np.unique(small)) > 8


def test_legal_range_is_expanded(frame: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    draw = drawn.DRAWN["parade"]
    monkeypatch.setitem(drawn.DRAWN, "parade", lambda traces, view, *rest: seen.append(view) or draw(traces, view,
                                                                                                    *rest))
    draw_scopes(parse_sequence(frame), tmp_path / "legal", range_="legal", bits=10)
    # ITU-R BT.709-6, table 5: 10-bit codes 64 to 940.
    assert float(seen[0].pixels[0].max()) == pytest.approx((1023 * 40000 / 65535 - 64) / 876, abs=1e-5)


def test_no_picture_is_overwritten(frame: Path, tmp_path: Path) -> None:
    (tmp_path / "b.0007-parade.png").touch()
    with pytest.raises(InputError, match="exists already"):
        draw_scopes(parse_sequence(frame), tmp_path)
    assert not (tmp_path / "b.0007-waveform.png").exists()
