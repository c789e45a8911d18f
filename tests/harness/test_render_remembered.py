"""Renders gone on with by the hashes that were noted of their frames: what is kept without being rendered again, and
what is rendered again all the same because something is not as it was."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from huewright.errors import InputError
from huewright.frames.frame import Frame
from huewright.frames.picture import write_frame
from huewright.frames.sequence import parse_sequence
from huewright.models.cautions import CameBroken, FramesKept
from huewright.rendering import hands
from huewright.rendering.remembered import NAME
from huewright.steps.render import FrameDone, RenderSummary, render_take

sys.path.insert(0, str(Path(__file__).parent))

from test_render_take import CORRECTION, bytes_of, take


class Counted:
    """How many frames were rendered, also those that were only compared."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.count, real = 0, hands.render_frame

        def counted(*given: object, **more: object) -> object:
            self.count += 1
            return real(*given, **more)     # type: ignore[arg-type]

        monkeypatch.setattr(hands, "render_frame", counted)

    def taken(self) -> int:
        count, self.count = self.count, 0
        return count


@pytest.fixture
def rendered(monkeypatch: pytest.MonkeyPatch) -> Counted:
    return Counted(monkeypatch)


def figures(summary: RenderSummary) -> RenderSummary:
    """Without what may differ: time, and how the kept ones were told."""
    said = tuple(one for one in summary.cautions if not isinstance(one, FramesKept))
    return replace(summary, seconds=0, out="", frames=(), kept=(), cautions=said)


@pytest.mark.parametrize(("suffix", "bits"), [(".dpx", 10), (".exr", 16)])
def test_kept_by_their_hashes(tmp_path: Path, rendered: Counted, suffix: str, bits: int) -> None:
    sequence, out = parse_sequence(take(tmp_path / "in", suffix, bits, range(1, 13), 0.3, 0.7)), f"{tmp_path}/out/"
    first = render_take(CORRECTION, sequence, out, remember=True)
    whole = bytes_of(tmp_path / "out")
    (tmp_path / "out" / f"s.0005{suffix}").unlink()
    assert rendered.taken() == 12
    lines: list[FrameDone] = []
    again = render_take(CORRECTION, sequence, out, resume=True, each=lines.append)
    assert (again.frames, len(again.kept), rendered.taken()) == ((5,), 11, 1)
    assert FramesKept(11, 11) in again.cautions and figures(again) == figures(first)     # also what was seen of them
    assert {line.frame for line in lines if line.kept} == set(again.kept) and all(line.sha256 for line in lines)
    assert bytes_of(tmp_path / "out") == whole          # frame 5 has the bytes that were noted of it, too
    checked = render_take(CORRECTION, sequence, out, resume=True, check_kept=True)
    assert rendered.taken() == 12 and FramesKept(12) in checked.cautions and figures(checked) == figures(first)


def test_what_is_not_as_it_was_is_rendered_again_and_compared(tmp_path: Path, rendered: Counted) -> None:
    pattern, out = take(tmp_path / "in", ".dpx", 10), f"{tmp_path}/out/"
    sequence = parse_sequence(pattern)
    render_take(CORRECTION, sequence, out, remember=True)
    whole, rendered.count = bytes_of(tmp_path / "out"), 0
    other = replace(CORRECTION, operations=CORRECTION.operations[:-1])
    for changed in ({"range_": "legal"}, {"dither": False}):
        with pytest.raises(InputError, match="rendered with another correction"):
            render_take(CORRECTION, sequence, out, resume=True, **changed)     # type: ignore[arg-type]
    with pytest.raises(InputError, match="rendered with another correction"):
        render_take(other, sequence, out, resume=True)
    assert rendered.taken() == 9
    path = tmp_path / "out" / "s.0002.dpx"
    harmed = bytearray(whole[path.name])
    harmed[-100] ^= 0x55
    path.write_bytes(harmed)
    with pytest.raises(InputError, match=r"s\.0002\.dpx was rendered with another correction, or .* or harmed since"):
        render_take(CORRECTION, sequence, out, resume=True)
    path.write_bytes(whole[path.name])
    source = Path(pattern.replace("####", "0003"))
    write_frame(source, Frame(np.full((40, 70, 3), 0.4, np.float32), bits=10), overwrite=True)
    with pytest.raises(InputError, match=r"s\.0003\.dpx was rendered with another correction, or from other frames"):
        render_take(CORRECTION, sequence, out, resume=True)
    assert rendered.taken() == 2


def test_notes_that_cannot_be_read_are_none(tmp_path: Path, rendered: Counted) -> None:
    sequence, out = parse_sequence(take(tmp_path / "in", ".dpx", 10)), f"{tmp_path}/out/"
    render_take(CORRECTION, sequence, out, remember=True)
    notes = tmp_path / "out" / NAME
    lines = notes.read_text().split()
    one, two, three = (json.loads(line) for line in sorted(lines, key=lambda line: json.loads(line)["frame"]))
    two["range"] = {"pixels": "many"}
    three["done"] = "../" * 9
    notes.write_text("\n".join(["", "{", json.dumps(one), "[" * 5000, json.dumps(two), json.dumps(three), "\x00"]))
    rendered.taken()
    again = render_take(CORRECTION, sequence, out, resume=True, remember=True)
    assert again.kept == (1, 2, 3) and rendered.taken() == 2 and FramesKept(3, 1) in again.cautions
    render_take(CORRECTION, sequence, out, resume=True)      # those compared were noted
    assert rendered.taken() == 0
    notes.unlink()
    notes.mkdir()
    assert render_take(CORRECTION, sequence, out, resume=True).kept == (1, 2, 3) and rendered.taken() == 3


def test_broken_values_are_remembered(tmp_path: Path, rendered: Counted) -> None:
    pixels = np.full((40, 70, 3), 0.4, np.float16)
    pixels[3, 4] = np.nan
    write_frame(tmp_path / "in" / "s.0001.exr", Frame(pixels, bits=16))
    sequence = parse_sequence(f"{tmp_path}/in/s.####.exr")
    for resume in (False, True):
        summary = render_take(CORRECTION, sequence, f"{tmp_path}/out/s.####.exr", remember=True, resume=resume)
        assert CameBroken((1,)) in summary.cautions
    assert rendered.taken() == 1
    with pytest.raises(InputError, match="nothing to remember"):
        render_take(CORRECTION, sequence, tmp_path / "a.mov", remember=True, rate="25")
