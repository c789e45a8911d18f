"""The bench: its rows, its judgement of its own times, frames of one's own, its picture and its refusals."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from huewright.errors import InputError
from huewright.frames.frame import Frame
from huewright.frames.picture import write_frame
from huewright.models.cautions import MachineBusy
from huewright.steps import bench
from huewright.timing import clock, peers, rows, work
from huewright.timing.bars import draw_bench
from huewright.timing.clock import UNRELIABLE, interleaved, summary
from huewright_kernels import compile_chain, run

pytestmark = pytest.mark.slow

FIELDS = {"operation", "size", "picture", "threads", "ours_ms", "peer", "peer_ms", "ratio", "copy_ms", "spread",
          "peer_spread", "reliable", "note"}


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> rows.BenchResult:
    """A bench small enough for the tests: the same operations on a picture of 96 x 64."""
    patch = pytest.MonkeyPatch()
    patch.setitem(work.SIZES, "tiny", (96, 64))
    try:
        return bench.run_bench(quick=True, threads=2, sizes=("tiny",))
    finally:
        patch.undo()


def test_every_operation_picture_and_thread_count_has_its_row(result):
    seen = {(row.operation, row.picture, row.threads) for row in result.rows if row.peer == "OpenColorIO"}
    beside = {name for name in work.OPERATIONS if peers.opencolorio(name) is not None}
    assert seen == {(name, picture, threads) for name in beside for picture in work.PICTURES for threads in (1, 2)}
    alone = {name for name, operation in work.TIMED.items() if operation.parts.peer == "nobody"}
    assert {row.operation for row in result.rows} == set(work.OPERATIONS) - alone


def test_rows_are_as_promised_and_make_json(result):
    record = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert record["machine"] and {"opencolorio", "numba", "numpy"} <= set(record["versions"])
    for row in record["rows"]:
        assert set(row) == FIELDS
        assert row["ratio"] == pytest.approx(row["peer_ms"] / row["ours_ms"])
        assert row["reliable"] == (max(row["spread"], row["peer_spread"]) <= UNRELIABLE)


def test_a_peer_with_another_formula_is_called_so(result):
    notes = {row.operation: row.note for row in result.rows if row.peer == "OpenColorIO"}
    assert "another formula" in notes["tone curve"] and "another formula" in notes["hue sectors"]
    assert "other formulae" in notes["chain"]
    assert notes["matrix"] == notes["log decode"] == notes["LUT 3D tetrahedral"] == ""


@pytest.mark.parametrize("operation", [name for name in work.OPERATIONS if name not in ("chain", "hue sectors")])
def test_peers_do_the_same_work(operation):
    """Else the ratios would mean nothing. The B-spline's own shape is allowed for; the rest is float rounding."""
    picture = work.noise(64, 48)
    ours = run(compile_chain(work.OPERATIONS[operation]), picture)
    found = [peer for find in (peers.opencolorio, peers.numpy, peers.colour_science) if (peer := find(operation))]
    assert bool(found) is (work.TIMED[operation].parts.peer != "nobody")
    for peer in found:
        theirs = np.zeros_like(picture)
        peer.run(picture, theirs, 2)
        difference = np.abs(theirs - ours) / np.maximum(1.0, np.abs(ours))
        # A quadratic B-spline bends otherwise between the same points, and BT.709's constants are printed rounded.
        allowed = 0.03 if "another formula" in peer.note else 1e-3 if peer.note == peers.BREAK else 2e-5
        assert difference.max() < allowed, peer.name


@pytest.mark.parametrize("threads", [1, 3])
def test_the_copy_copies(threads):
    picture = work.noise(50, 37)
    target = np.zeros_like(picture)
    peers.copy(picture, target, threads)
    assert np.array_equal(picture, target)


def test_contenders_take_turns_and_the_first_round_does_not_count():
    order: list[str] = []
    times = interleaved({"a": lambda: order.append("a"), "b": lambda: order.append("b")}, 3)
    assert order == ["a", "b"] * 4 and set(times) == {"a", "b"}


def test_spread_is_quartile_to_quartile_over_the_median():
    timed = summary([10.0, 8.0, 12.0, 9.0, 11.0])
    assert timed.median_ms == 10.0 and timed.spread == pytest.approx(0.2)


def test_a_busy_machine_is_called_one(monkeypatch):
    monkeypatch.setattr(clock.os, "getloadavg", lambda: (64.0, 1.0, 1.0))
    monkeypatch.setattr(clock.os, "cpu_count", lambda: 4)
    assert clock.busy_cautions() == [MachineBusy(64.0, 4)]
    monkeypatch.setattr(clock.os, "getloadavg", lambda: (0.1, 1.0, 1.0))
    assert clock.busy_cautions() == []


@pytest.mark.parametrize("suffix, kind", [(".exr", np.float16), (".dpx", np.uint16)])
def test_frames_of_ones_own(tmp_path: Path, suffix: str, kind: type):
    rng = np.random.default_rng(4)
    values = rng.uniform(0, 0.7, (40, 60, 3))
    pixels = values.astype(kind) if kind is np.float16 else (values * 65535).astype(kind)
    for number in (1, 2, 3):
        write_frame(tmp_path / f"shot.{number:04d}{suffix}", Frame(pixels, bits=16 if kind is np.float16 else 10))
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    result = bench.run_bench(quick=True, threads=1, frames=str(tmp_path / f"shot.%04d{suffix}"))
    assert [(row.stage, row.frames) for row in result.stages] == [("read", 3), ("compute", 3), ("write", 3)]
    assert all(row.median_ms > 0 and row.processor_ms > 0 for row in result.stages)
    read, compute, write = (row.processor_ms for row in result.stages)
    assert bench.least_times(replace(result, threads=4)) == pytest.approx(((read + compute + write) / 4,
                                                                           (read + write) / 4))
    assert {row.picture for row in result.rows} == {f"shot.0001{suffix}"}
    assert {row.size for row in result.rows} == {"60x40"}
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before, "the frames are left alone"


def test_the_bar_picture(result, tmp_path: Path):
    path = tmp_path / "bench.png"
    draw_bench(result, path)
    assert path.read_bytes().startswith(b"\x89PNG")
    with pytest.raises(InputError, match="exists"):
        draw_bench(result, path)


def test_refusals(tmp_path: Path):
    with pytest.raises(InputError, match="unknown size 'IMAX'"):
        bench.run_bench(sizes=("IMAX",))
    with pytest.raises(InputError, match="thread"):
        bench.run_bench(threads=0)
    with pytest.raises(InputError):
        bench.run_bench(frames=str(tmp_path / "none.%04d.exr"))
