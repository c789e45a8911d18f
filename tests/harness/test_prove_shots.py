"""The shots in a proof: looked through for range and flashing, and shown before and after.

Limits of flashing: Recommendation ITU-R BT.1702, tested by themselves in tests/external.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from huewright.errors import InputError
from huewright.frames import Frame, parse_sequence, write_frame
from huewright.frames.sequence import FrameSequence
from huewright.models.cautions import AtEndStops, Flashing, SignalBeyond
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.proof.shots import RATE_TAKEN, look_through, screened, shot_cautions

CORRECTION = Correction("sectors", Footage(), "bt709", (), (), ())      # nothing corrected: what is read is what is


def shot(folder: Path, pictures: list[np.ndarray], *, suffix: str = ".exr",
         skip: tuple[int, ...] = ()) -> FrameSequence:
    for number, picture in enumerate(pictures, 11):
        if number not in skip:
            frame = Frame(picture.astype(np.float32)) if suffix == ".exr" else Frame(
                np.rint(np.clip(picture, 0, 1) * 65535).astype(np.uint16), bits=16)
            write_frame(folder / f"s.{number:04d}{suffix}", frame)
    return parse_sequence(str(folder / f"s.####{suffix}"))


def flat(level: float) -> np.ndarray:
    return np.full((36, 64, 3), level)


def blinking(times: int) -> list[np.ndarray]:
    return [flat(level) for _ in range(times) for level in (0.1, 0.1, 0.8, 0.8)] + [flat(0.1)]


def test_what_leaves_the_range_is_counted_to_the_pixel(tmp_path: Path) -> None:
    picture = flat(0.5)
    picture[:9, :32, 0] = 1.04           # an eighth of the frame, within what EBU R 103 prefers
    picture[:9, 32:, 2] = -0.2           # another, beyond it
    take = shot(tmp_path, [picture, picture])
    record, seen = look_through(CORRECTION, take, take, Footage(), "s")
    assert (record.pixels_over_range_percent, record.pixels_under_range_percent,
            record.pixels_beyond_preferred_percent, record.pixels_at_end_stops_percent) == (12.5, 12.5, 12.5, 0)
    assert record.frames == 2 and record.shown == 12 and not record.integers
    assert seen.before == pytest.approx(picture, abs=1e-6) and seen.after == pytest.approx(picture, abs=1e-6)
    assert shot_cautions(record) == [SignalBeyond(0.125, 0.125, "s")]


def test_files_of_integers_have_ends(tmp_path: Path) -> None:
    picture = flat(0.5)
    picture[:18] = 1.0
    take = shot(tmp_path, [picture], suffix=".tif")
    record, _ = look_through(CORRECTION, take, take, Footage(), "s")
    assert record.integers and record.pixels_at_end_stops_percent == 50
    assert record.flashes is None                  # a single frame says nothing of it
    assert AtEndStops(0.5, "s") in shot_cautions(record)


@pytest.mark.parametrize(("times", "harmful"), [(3, False), (5, True)])
def test_flashing_is_said_with_its_frames_and_rate(tmp_path: Path, times: int, harmful: bool) -> None:
    take = shot(tmp_path, blinking(times))
    record, _ = look_through(CORRECTION, take, take, Footage(), "scene 4")
    assert record.flashes == times and record.flashes_too_many is harmful
    assert record.frames_per_second == RATE_TAKEN and not record.rate_declared
    said = [one for one in shot_cautions(record) if isinstance(one, Flashing)]
    assert len(said) == harmful
    if harmful:
        assert (said[0].shot, said[0].flashes, said[0].first_frame, said[0].last_frame) == ("scene 4", 5, 13, 31)
        assert not said[0].rate_declared


def test_files_that_do_not_say_their_rate_have_that_of_their_shot(tmp_path: Path) -> None:
    """Slow enough at 25 frames a second, the same frames flash too often at 50."""
    take = shot(tmp_path, [flat(level) for _ in range(5) for level in (0.1, 0.8) for _ in range(4)] + [flat(0.1)])
    unsaid, said = (screened("bt709", take, Footage(), "s", shown=12, rate=rate) for rate in (None, Fraction(50)))
    assert (unsaid.frames_per_second, unsaid.rate_declared, unsaid.flashes_too_many) == (RATE_TAKEN, False, False)
    assert (said.frames_per_second, said.rate_declared, said.flashes, said.flashes_too_many) == (50, True, 5, True)


def test_with_frames_missing_nothing_is_said_of_flashing(tmp_path: Path) -> None:
    take = shot(tmp_path, blinking(5), skip=(14, 15))
    record, _ = look_through(CORRECTION, take, take, Footage(), "s")
    assert record.flashes is None and record.flashes_too_many is None
    assert not shot_cautions(record)


def test_a_shot_and_a_render_that_do_not_belong(tmp_path: Path) -> None:
    take, other = shot(tmp_path / "a", [flat(0.5)]), tmp_path / "b"
    write_frame(other / "s.0099.exr", Frame(flat(0.5).astype(np.float32)))
    with pytest.raises(InputError, match="no frame in common"):
        look_through(CORRECTION, take, parse_sequence(str(other / "s.####.exr")), Footage(), "s")
    write_frame(tmp_path / "c" / "s.0011.exr", Frame(np.zeros((8, 8, 3), np.float32)))
    with pytest.raises(InputError, match="not the size of"):
        look_through(CORRECTION, take, parse_sequence(str(tmp_path / "c" / "s.####.exr")), Footage(), "s")
