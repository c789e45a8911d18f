"""A small part of what :mod:`badfiles.run` tries, files that are no files, and those that once went wrong."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from pathlib import Path

import pytest
from huewright.cards.cgats import read_measurements
from huewright.cards.importing import card_on_grid
from huewright.colorimetry.luts import read_lut
from huewright.errors import InputError, library_text, library_words
from huewright.files import read_bytes
from huewright.frames.opening import open_take
from huewright.frames.picture import read_frame, read_header
from huewright.models.card import load_card
from huewright.models.correction import load_correction
from huewright.models.job import load_job
from huewright.models.patches import read_patches
from huewright.models.scene_file import load_scene
from huewright.models.survey import load_survey
from huewright_kernels.ops import Matrix

from badfiles.readers import reader_of
from badfiles.trial import tried
from badfiles.whole import CLF

HERE = Path(__file__).parent
KEPT = sorted(path for path in (HERE / "kept").iterdir() if path.is_file())
READERS = (load_card, load_scene, load_survey, load_correction, load_job, read_lut, read_measurements, open_take,
           read_frame, read_header, read_patches)


@pytest.mark.slow
def test_damaged_files_are_refused_in_a_sentence_or_read() -> None:
    """In a process that starts no threads, since it forks a child for each file."""
    told = subprocess.run([sys.executable, "-m", "badfiles.run", "--count", "48", "--seed", "7"], cwd=HERE.parent,
                          capture_output=True, text=True, timeout=600, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    total = next(line.split() for line in told.stdout.splitlines() if line.startswith("all"))
    files, refused, unchanged = (int(number) for number in total[1:4])
    assert files == 48 and refused > 24 and unchanged > 1


@pytest.mark.parametrize("kind", ["pipe", "folder", "loop", "device", "socket", "long"])
def test_what_is_no_file_is_refused_at_once(tmp_path: Path, kind: str) -> None:
    import socket

    names = [tmp_path / f"{kind}{suffix}" for suffix in
             (".toml", ".toml", ".json", ".json", ".json", ".cube", ".cgats", ".mov", ".exr", ".dpx", ".json")]
    for read, path in zip(READERS, names, strict=True):
        given = path
        if kind == "long":
            given = path.with_name("x" * 5000 + path.suffix)
        elif not path.exists() and not path.is_symlink():
            if kind == "pipe":
                os.mkfifo(path)
            elif kind == "folder":
                path.mkdir()
            elif kind == "loop":
                path.symlink_to(path)
            elif kind == "device":
                path.symlink_to("/dev/zero")
            else:
                with socket.socket(socket.AF_UNIX) as made:
                    made.bind(str(path))
        guard = threading.Timer(60, lambda: os.kill(os.getpid(), signal.SIGABRT))     # a hang, not a failure
        guard.start()
        try:
            # Of a name that is too long the system's own error goes up, which the command line says in a sentence.
            with pytest.raises((InputError, OSError) if kind == "long" else InputError) as caught:
                read(given)
        finally:
            guard.cancel()
        assert str(caught.value).isprintable()


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.name)
def test_files_that_once_went_wrong(path: Path) -> None:
    """Named ``what was wrong-the whole file's name``."""
    name = path.name.partition("-")[2]
    try:
        reader_of(name)(path)
    except InputError as error:
        assert path.name in str(error) and str(error).isprintable() and len(str(error)) < 1000


@pytest.mark.parametrize(("old", "new", "words"), [
    ("0.9 0.1 0.0 0.05 0.9 0.05 0.0 0.1 0.9", "0 0 0 0 0 0 0 0 0", "all zeros"),
    ("0.9 0.1 0.0 0.05 0.9 0.05 0.0 0.1 0.9", "1e38 0 0 0 1e38 0 0 0 1e38", "from -1e.09 to 1e.09"),
    ("0.3 0.3 0.3", "1e30 1e30 1e30", "from -1e.09 to 1e.09"),
    ("0 0 0 0.3 0.3 0.3 0.7 0.6 0.7 1 1 1", "1 1 1 1 1 1 1 1 1 1 1 1", "all colours come out as one"),
    ("<Description>made up", "<Info>" * 40 + "</Info>" * 40 + "<Description>", "nested more than"),
    ('<?xml version="1.0" encoding="UTF-8"?>', '<!DOCTYPE x [<!ENTITY a "b">]>', "words of its own")])
def test_luts_of_nonsense_are_refused(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in CLF
    (tmp_path / "a.clf").write_text(CLF)
    assert len(read_lut(tmp_path / "a.clf")) == 4
    (tmp_path / "a.clf").write_text(CLF.replace(old, new))
    with pytest.raises(InputError, match=words):
        read_lut(tmp_path / "a.clf")


@pytest.mark.parametrize("deep", [300, 100_000])
def test_an_edit_nested_without_end_is_refused(tmp_path: Path, deep: int) -> None:
    """Whose reader ends the process over it, were it asked."""
    pytest.importorskip("opentimelineio")
    from huewright.handover.edit import edit_clips

    path = tmp_path / "a.otio"
    path.write_text('{"OTIO_SCHEMA": "Timeline.1", "metadata": {"a": ' + "[" * deep + "]" * deep + "}}")
    with pytest.raises(InputError, match="not an edit that OpenTimelineIO can read"):
        edit_clips(path)


def test_a_matrix_of_zeros_is_no_operation() -> None:
    with pytest.raises(ValueError, match="matrix is all zeros"):
        Matrix(((0, 0, 0),) * 3)


@pytest.mark.parametrize(("values", "words"), [
    ("1e308 0 0", "more than any surface has"), ("50 1e30 0", "more than any surface has"),
    ("50 900 900", "no surface"), ("nan 0 0", "isn't a number"), ("50 0", "3 values for 4 fields")])
def test_measured_colours_of_nonsense_are_refused(tmp_path: Path, values: str, words: str) -> None:
    text = ("CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_NAME LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\na 50 0 0\n"
            "b %s\nEND_DATA\n")
    path = tmp_path / "m.txt"
    path.write_text(text % "40 1 1")
    assert len(card_on_grid(read_measurements(path), 2, path).patches) == 2
    path.write_text(text % values)
    with pytest.raises(InputError, match=words) as caught:
        card_on_grid(read_measurements(path), 2, path)
    assert str(path) in str(caught.value)


def test_files_beyond_any_are_not_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "huge.json"
    with open(path, "wb") as stream:
        stream.truncate(1 << 40)            # of nothing: it takes no place on the disk
    with pytest.raises(InputError, match="over 256 MB"):
        read_bytes(path, "survey file")


def test_words_of_libraries_are_made_fit_for_a_sentence() -> None:
    def say() -> str:
        return b"bad \xff\x1b[2J name\nmore".decode()

    assert library_words(say) == "bad \N{REPLACEMENT CHARACTER}?[2J name"
    try:
        say()
    except UnicodeDecodeError as error:
        assert library_text(error).startswith("bad \N{REPLACEMENT CHARACTER}")
    assert library_words(ValueError()) == "no reason given" and library_words(lambda: "a.\n") == "a"


def test_the_trial_would_notice(tmp_path: Path) -> None:
    """Else the tests here could not fail."""
    def crash(path: Path) -> tuple[str, str]:
        os.kill(os.getpid(), signal.SIGSEGV)
        return "", ""

    def hang(path: Path) -> tuple[str, str]:
        while True:
            pass

    def eat(path: Path) -> tuple[str, str]:
        return str(len(bytearray(1 << 40))), ""

    def climb(path: Path) -> tuple[str, str]:
        (path.parent.parent / "climbed").write_text("x")
        return "", ""

    def fail(path: Path) -> tuple[str, str]:
        raise KeyError(path)

    def mumble(path: Path) -> tuple[str, str]:
        raise InputError("something is wrong \x1b[2J")

    def read(path: Path) -> tuple[str, str]:
        return path.read_text(), ""

    (tmp_path / "in").mkdir()
    path = tmp_path / "in" / "a.txt"
    path.write_text("a")
    found = Counter(tried(way, path, "b", seconds=1).kind for way in (crash, hang, eat, climb, fail, mumble, read))
    assert found == Counter(["crash", "hang", "memory", "wrote", "traceback", "no sentence", "differs"])
    assert tried(read, path, "a").kind == "unchanged"
