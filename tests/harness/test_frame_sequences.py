"""Sequences in the usual notations, and what is said when they aren't whole."""

from __future__ import annotations

from pathlib import Path

import pytest
from huewright.errors import InputError
from huewright.frames.sequence import frame_numbers, output_paths, parse_sequence
from huewright.frames.take import number_list
from huewright.steps.inputs import frames_of
from hypothesis import given
from hypothesis import strategies as st


def _touch(folder: Path, *names: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).touch()
    return folder


@pytest.mark.parametrize("notation", ["shot.%04d.exr", "shot.####.exr", "shot.@@@@.exr"])
def test_notations_name_the_same_frames(tmp_path: Path, notation: str) -> None:
    _touch(tmp_path, *(f"shot.{n:04d}.exr" for n in (8, 9, 10)), "shot.11.exr", "shot.0012.dpx", "other.0001.exr")
    sequence = parse_sequence(tmp_path / notation)
    assert sequence.numbers == (8, 9, 10)
    assert sequence.path(9) == tmp_path / "shot.0009.exr"
    assert sequence.file_pattern == "shot.####.exr"
    assert sequence.require_complete() is sequence


def test_unpadded_and_longer_numbers(tmp_path: Path) -> None:
    _touch(tmp_path, "a9.png", "a10.png", "a011.png")
    assert parse_sequence(tmp_path / "a%d.png").numbers == (9, 10)
    _touch(tmp_path, "b.9999.png", "b.10000.png")
    assert parse_sequence(tmp_path / "b.####.png").numbers == (9999, 10000)


def test_range_and_holes(tmp_path: Path) -> None:
    _touch(tmp_path, *(f"s.{n:04d}.dpx" for n in (1, 2, 3, 5, 9, 10)))
    assert parse_sequence(f"{tmp_path}/s.####.dpx:2-3").numbers == (2, 3)
    assert parse_sequence(f"{tmp_path}/s.####.dpx:9").numbers == (9,)
    whole = parse_sequence(tmp_path / "s.####.dpx")
    assert whole.missing == (4, 6, 7, 8)
    with pytest.raises(InputError, match=r"frames 4, 6-8 are missing"):
        whole.require_complete()
    # A range that reaches beyond the take has holes at its ends too.
    with pytest.raises(InputError, match=r"frame 11 is missing"):
        parse_sequence(f"{tmp_path}/s.####.dpx:9-11").require_complete()
    with pytest.raises(InputError, match="none of these frames"):
        parse_sequence(f"{tmp_path}/s.####.dpx:20-30")
    with pytest.raises(InputError, match="backwards"):
        parse_sequence(f"{tmp_path}/s.####.dpx:3-2")


def test_lists_of_frames(tmp_path: Path) -> None:
    _touch(tmp_path, *(f"s.{n:04d}.dpx" for n in (1, 2, 3, 5, 9, 10)))
    chosen = parse_sequence(f"{tmp_path}/s.####.dpx:1,3,9-10")
    assert chosen.numbers == (1, 3, 9, 10) and chosen.missing == ()
    assert parse_sequence(f"{tmp_path}/s.####.dpx:1,4").missing == (4,)
    assert frame_numbers("3,7-9,8") == (3, 7, 8, 9)
    for text in ("", "a", "3,", "3;4", "1-"):
        with pytest.raises(InputError, match="no frame numbers"):
            frame_numbers(text)


def test_what_wildcards_match_was_picked(tmp_path: Path) -> None:
    """Numbered alike, files keep their numbers; otherwise they count from 1 in the order of their names."""
    _touch(tmp_path, "s.0002.exr", "s.0007.exr", "s.0011.exr", "notes.txt", ".s.0003.exr")
    numbered = parse_sequence(tmp_path / "s.*.exr")
    assert numbered.numbers == (2, 7, 11) and numbered.missing == () and numbered.path(7).name == "s.0007.exr"
    assert parse_sequence(tmp_path / "s.000[27].exr").numbers == (2, 7)
    _touch(tmp_path / "stills", "noon.png", "evening.png", "b12.png")
    picked = parse_sequence(tmp_path / "stills" / "*.png")
    assert picked.numbers == (1, 2, 3) and [picked.path(n).name for n in picked.numbers] == [
        "b12.png", "evening.png", "noon.png"]
    assert picked.file_pattern == "picked.####.png" and picked.require_complete() is picked
    assert output_paths(f"{tmp_path}/out/", picked)[2] == tmp_path / "out" / "evening.png"
    with pytest.raises(InputError, match="no picture file matches"):
        parse_sequence(tmp_path / "*.dpx")


def test_frames_of_a_shot(tmp_path: Path) -> None:
    _touch(tmp_path, *(f"s.{n}.dpx" for n in (1, 2, 5)))
    take = parse_sequence(tmp_path / "s.#.dpx")
    assert frames_of(take) is take
    assert frames_of(take, "1-2").require_complete().numbers == (1, 2)
    assert frames_of(take, skip_missing=True).require_complete().numbers == (1, 2, 5)
    assert frames_of(take, "2-5", skip_missing=True).require_complete().numbers == (2, 5)
    with pytest.raises(InputError, match=r"of the frames 2-5 there are no 3-4; .*--skip-missing"):
        frames_of(take, "2-5")
    with pytest.raises(InputError, match="none of the frames 7 exists"):
        frames_of(take, "7")


def test_chosen_frames_leave_no_hole(tmp_path: Path) -> None:
    _touch(tmp_path, *(f"s.{n}.dpx" for n in range(1, 6)))
    chosen = parse_sequence(tmp_path / "s.#.dpx").only((4, 2))
    assert chosen.numbers == (2, 4) and chosen.require_complete() is chosen
    with pytest.raises(ValueError, match="frame 9"):
        chosen.only((9,))


def test_folder(tmp_path: Path) -> None:
    folder = _touch(tmp_path / "take", *(f"A001_c2.{n:06d}.exr" for n in (1, 2, 4)), "notes.txt", ".hidden.exr")
    sequence = parse_sequence(folder)
    assert sequence.numbers == (1, 2, 4) and sequence.missing == (3,)
    assert sequence.path(4).name == "A001_c2.000004.exr"
    assert sequence.file_pattern == "A001_c2.######.exr"


def test_single_file(tmp_path: Path) -> None:
    _touch(tmp_path, "shot.0042.exr", "shot.0043.exr", "still.png", "odd#1.png")
    one = parse_sequence(tmp_path / "shot.0042.exr")
    assert one.numbers == (42,) and one.path(42) == tmp_path / "shot.0042.exr"
    assert parse_sequence(tmp_path / "still.png").numbers == (1,)
    assert parse_sequence(tmp_path / "odd#1.png").path(1) == tmp_path / "odd#1.png"


@pytest.mark.parametrize(("names", "said"), [
    (("a.1.exr", "a.2.dpx"), "different kinds .*exr"),
    (("a.1.exr", "b.1.exr"), "more than one take"),
    (("a.1.exr", "a.02.exr"), "different numbers of digits"),
    (("a.exr", "b.1.exr"), "no frame number"),
    (("notes.txt",), "no picture files"),
])
def test_folders_that_are_no_take(tmp_path: Path, names: tuple[str, ...], said: str) -> None:
    with pytest.raises(InputError, match=said):
        parse_sequence(_touch(tmp_path / "take", *names))


@pytest.mark.parametrize(("text", "said"), [
    ("nowhere/shot.####.exr", "no folder"), ("shot.####.exr", "no file matches"), ("missing.exr", "no such file"),
    ("a.##.b.##.exr", "2 places"), ("a.%4d.exr", "spaces"), ("missing.exr:1-2", "range needs")])
def test_names_that_lead_nowhere(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        parse_sequence(f"{tmp_path}/{text}")


def test_outputs(tmp_path: Path) -> None:
    take = parse_sequence(_touch(tmp_path / "take", "s.0007.dpx", "s.0008.dpx"))
    assert output_paths(tmp_path / "out.%05d.exr", take)[8] == tmp_path / "out.00008.exr"
    assert output_paths(f"{tmp_path}/new/", take)[7] == tmp_path / "new" / "s.0007.dpx"
    assert output_paths(tmp_path / "single.exr", take.only((7,)))[7] == tmp_path / "single.exr"
    with pytest.raises(InputError, match="place for the frame number"):
        output_paths(tmp_path / "single.exr", take)
    with pytest.raises(InputError, match="camera files are never written over"):
        output_paths(tmp_path / "take", take)
    with pytest.raises(InputError, match="suffix"):
        output_paths(tmp_path / "out_####", take)


@given(st.sets(st.integers(0, 40), min_size=1))
def test_number_list_names_each_run_once(numbers: set[int]) -> None:
    text = number_list(sorted(numbers))
    if " more" not in text:
        named: set[int] = set()
        for word in text.split(", "):
            first, _, last = word.partition("-")
            named |= set(range(int(first), int(last or first) + 1))
        assert named == numbers
