"""The accuracy table: passes, is plain data, works on frames, and notices a kernel that is off."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
from huewright.accuracy import check as checking
from huewright.accuracy import kernels
from huewright.errors import InputError
from huewright.frames.frame import Frame
from huewright.frames.picture import write_frame
from huewright.steps.verify import VerifyResult, run_verify
from huewright_kernels.executor import warm_up
from huewright_kernels.ops import REGISTRY

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> tuple[VerifyResult, float]:
    """The whole table, on five frames of noise as well; the processor time that it took, kernels compiled before."""
    folder = tmp_path_factory.mktemp("frames")
    rng = np.random.default_rng(1)
    for number in range(1, 6):
        pixels = rng.uniform(-0.1, 6.0, (20, 30, 3)).astype(np.float32)
        pixels[0, 0] = np.nan
        write_frame(folder / f"shot.{number:04d}.exr", Frame(pixels, ("R", "G", "B"), 32))
    warm_up(lambda line: None)
    began = time.process_time()
    return run_verify(frames=str(folder / "shot.####.exr")), time.process_time() - began


@pytest.fixture(scope="module")
def result(measured: tuple[VerifyResult, float]) -> VerifyResult:
    return measured[0]


def test_every_check_is_within_its_tolerance(result: VerifyResult) -> None:
    assert [(row.check, row.worst_error, row.tolerance, row.at) for row in result.checks if not row.passed] == []
    assert result.passed and len(result.checks) > 80


def test_the_table_covers_every_operation_and_source(result: VerifyResult) -> None:
    text = " ".join(f"{row.check} {row.source}" for row in result.checks)
    for word in (*REGISTRY, "hue turned", "Y' kept", "greys untouched", "whole chain", "mask area", "CIEDE2000",
                 "colour-science", "OpenColorIO", "scipy", "Sharma", "RP 219-1"):
        assert word in text


def test_rows_are_named_once_and_json_holds_them(result: VerifyResult) -> None:
    named = [(row.check, row.source) for row in result.checks]
    assert len(set(named)) == len(named)
    assert json.loads(json.dumps(asdict(result), allow_nan=False))["passed"] is True


def test_it_is_quick(measured: tuple[VerifyResult, float]) -> None:
    """In processor time, which other work on the machine hardly changes: 4 s were seen, the frames' share included."""
    assert measured[1] < 10


def test_a_kernel_that_is_off_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    honest = checking.run_colours
    monkeypatch.setattr(checking, "run_colours", lambda program, rgb: honest(program, rgb) + np.float32(3e-6))
    rows = [row for row in kernels.operation_checks() if row.check.startswith(("lut", "matrix", "tone"))]
    assert rows and not any(row.passed for row in rows)


def test_a_kernel_that_gives_nothing_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checking, "run_colours", lambda program, rgb: np.full(rgb.shape, np.nan, np.float32))
    row = next(row for row in kernels.operation_checks() if row.check.startswith("lut-1d"))
    assert not row.passed and row.worst_error == checking.UNDEFINED


def test_hue_table_that_turns_wrongly_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """All colours get the chroma of a neighbour a hundredth of a degree further, and Y' a little more."""
    honest = kernels.run_colours

    def turned(program: object, rgb: np.ndarray) -> np.ndarray:
        out = honest(program, rgb).astype(np.float64)
        luma = out @ [0.2126, 0.7152, 0.0722]
        return ((out - luma[:, None]) * 1.0002 + luma[:, None] + 1e-5).astype(np.float32)

    monkeypatch.setattr(kernels, "run_colours", turned)
    rows = {row.check.split(",")[0]: row for row in
            kernels.hue_checks("x", kernels.first_sectors(), kernels.colours_between(-0.5, 4.0, 2000))}
    assert not rows["chroma scaled"].passed and not rows["Y' kept"].passed and not rows["greys untouched"].passed


def test_on_a_persons_own_frames(result: VerifyResult) -> None:
    """The first, the middle and the last one."""
    for name in ("shot.0001.exr", "shot.0003.exr", "shot.0005.exr"):
        assert sum(name in row.check for row in result.checks) >= 8
    assert not any("shot.0002" in row.check for row in result.checks)


def test_frames_that_are_not_there_are_refused_before_anything_runs(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        run_verify(frames=str(tmp_path / "none.####.exr"))
