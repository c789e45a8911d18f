"""Much of everything: long takes, large frames, large tables, cards with many patches; time and memory of each.

``python -m hardening.load FOLDER [WORD ...]`` in ``tests/``, one row at a time; with words, rows whose name has one of
them. The frames of a long take are hard links to a few files. Memory is the most that the process had at a time, that
of the libraries and compiled kernels (some 200 MB) among it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from huewright.files import write_text
from huewright.frames.picture import Frame, write_frame
from huewright.models.correction import save_correction

from hardening.lab import Ended, Lab

SOURCES = 8


def take_of(folder: Path, count: int, size: tuple[int, int] = (135, 240), suffix: str = ".dpx", bits: int = 10) -> str:
    """The pattern of ``count`` frames of noise, links to :data:`SOURCES` files."""
    first = []
    for number in range(min(SOURCES, count)):
        path = folder / f"source{number}{suffix}"
        if not path.exists():
            pixels = np.random.default_rng(number).uniform(0.35, 0.48, (*size, 3)).astype(np.float32)
            write_frame(path, Frame(pixels.astype(np.float16) if suffix == ".exr" else pixels, bits=bits))
        first.append(path)
    place = folder / f"take{count}"
    place.mkdir(parents=True, exist_ok=True)
    for number in range(1, count + 1):
        path = place / f"s.{number:05d}{suffix}"
        if not path.exists():
            os.link(first[number % len(first)], path)
    return f"{place}/s.#####{suffix}"


def rows(lab: Lab, folder: Path) -> Iterator[tuple[str, Callable[[], Ended]]]:
    """(what, what does it), one after another."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))
    from test_command_line import CARD
    from test_render_take import CORRECTION

    correction = folder / "correction.json"
    if not correction.exists():
        save_correction(CORRECTION, correction)
    small = folder / "small"
    small.mkdir(parents=True, exist_ok=True)
    for count in (100, 1000, 10_000):
        yield f"render {count} frames", lambda count=count: lab.run(
            "render", correction, take_of(small, count), folder / f"out{count}" / "s.#####.dpx", "--threads", "2")
    for count in (100, 1000, 10_000):
        yield f"resume {count} frames", lambda count=count: lab.run(
            "render", correction, take_of(small, count), folder / f"out{count}" / "s.#####.dpx", "--threads", "2",
            "--resume")
    for count in (100, 1000, 10_000):
        yield f"survey {count} frames", lambda count=count: lab.run(
            "survey", take_of(small, count), "--card", CARD, "--encoding", "ACEScct", "--out",
            folder / f"s{count}.json", "--every-frame", "--overwrite")
    for suffix, bits, size, what in ((".exr", 16, (6720, 9600), "64 megapixels, half EXR"),
                                     (".dpx", 16, (4320, 7680), "16-bit 8K DPX")):
        yield f"render one frame of {what}", lambda suffix=suffix, bits=bits, size=size: lab.run(
            "render", correction, take_of(folder / f"large{suffix}", 1, size, suffix, bits),
            folder / f"large{suffix}/out/", "--threads", "2", "--overwrite")
    for kind in ("cube", "clf"):
        yield f"export {kind} of 129 points", lambda kind=kind: lab.run(
            "export", correction, folder / f"a.{kind}", "--size", 129, "--overwrite")


def main() -> None:
    folder, words = Path(sys.argv[1]).absolute(), sys.argv[2:]
    folder.mkdir(parents=True, exist_ok=True)
    with Lab(folder / "lab") as lab:
        for name, run in rows(lab, folder):
            if words and not any(word in name for word in words):
                continue
            ended = run()
            line = f"{name}: exit {ended.code}, {ended.processor_s:.1f} s of the processor, {ended.peak_mb:.0f} MB"
            print(line, flush=True)
            if ended.code not in (0, 1):
                print(ended.err[-500:])
            write_text(folder / "rows" / f"{name}.txt", line + "\n", overwrite=True)


if __name__ == "__main__":
    main()
