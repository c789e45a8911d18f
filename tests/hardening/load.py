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
from huewright.frames.frame import Frame
from huewright.frames.picture import write_frame
from huewright.models.card import save_card
from huewright.models.correction import save_correction
from huewright_demo.spectra import oetf_inverse

from hardening.lab import Ended, Lab
from hardening.patches import grid_card, picture, write_take

SOURCES = 8
LONG_S = 3600.0
METHODS = ("sectors", "matrix-sectors", "spectral-sectors", "balance", "matrix", "polynomial-2", "polynomial-3")


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
    yield from _many_patches(lab, folder / "patches")
    yield from _with_the_card(lab, folder / "card")
    for kind in ("cube", "clf"):
        yield f"export {kind} of 129 points", lambda kind=kind: lab.run(
            "export", correction, folder / f"a.{kind}", "--size", 129, "--overwrite")
    yield from _through_a_look(lab, folder)


def _through_a_look(lab: Lab, folder: Path) -> Iterator[tuple[str, Callable[[], Ended]]]:
    """The exported CLF of 129 points as the look of footage that nothing else is known of."""
    place, card, of = folder / "look", folder / "look" / "card.toml", ("--card", folder / "look" / "card.toml")

    def survey() -> Ended:
        if not card.exists():
            save_card(grid_card(6, 4), card)
        if not (place / "l.0001.dpx").exists():
            light = oetf_inverse(picture(grid_card(6, 4)).astype(np.float64))
            # ACEScct (S-2016-001)
            log = np.where(light > 0.0078125, (np.log2(np.maximum(light, 0.0078125)) + 9.72) / 17.52,
                           10.5402377416545 * light + 0.0729055341958355)
            write_frame(place / "l.0001.dpx", Frame(log.astype(np.float32), bits=16))
        return lab.run("survey", place / "l.0001.dpx", *of, "--encoding", "through-look", "--look", folder / "a.clf",
                       "--out", place / "s.json", "--overwrite")

    yield "look of 129 points, survey", survey
    yield "look of 129 points, solve", lambda: lab.run("solve", place / "s.json", *of, "--trust-encoding", "--out",
                                                       place / "c.json", "--overwrite")
    yield "look of 129 points, render", lambda: lab.run("render", place / "c.json", place / "l.####.dpx",
                                                        place / "out/l.####.dpx", "--overwrite")


def _many_patches(lab: Lab, folder: Path) -> Iterator[tuple[str, Callable[[], Ended]]]:
    """Cards of 20 and 200 patches in HD frames, through all that is done with them."""
    for columns, rows in ((5, 4), (20, 10)):
        place, name = folder / f"{columns * rows}", f"{columns * rows} patches"
        take, card = f"{place}/g.####.png", place / "card.toml"

        def drawn(place: Path = place, card: Path = card, columns: int = columns, rows: int = rows) -> None:
            if not card.exists():
                save_card(grid_card(columns, rows), card)
                write_take(place, grid_card(columns, rows), 3)

        def does(*words: object, drawn: Callable[[], None] = drawn, place: Path = place,
                 card: Path = card) -> Callable[[], Ended]:
            def run() -> Ended:
                drawn()
                return lab.run(*words, cwd=place)

            return run

        of = ("--card", card)
        yield f"survey of three frames, {name}", does("survey", take, *of, "--encoding", "display", "--out", "s.json",
                                                       "--sheet", "sheet.png", "--overwrite")
        for method in METHODS:
            yield f"solve by {method}, {name}", does("solve", "s.json", *of, "--method", method, "--out",
                                                      f"{method}.json", "--trust-encoding", "--overwrite")
        yield f"solve and compare, {name}", does("solve", "s.json", *of, "--compare", "--out", "c.json",
                                                  "--trust-encoding", "--overwrite")
        yield f"render, {name}", does("render", "c.json", take, "out/g.####.png", "--overwrite")
        yield f"prove, {name}", does("prove", "c.json", "s.json", *of, "--before", take, "--after", "out/g.####.png",
                                      "--out", "proof", "--overwrite")
        yield f"scopes, {name}", does("scopes", take, "--correction", "c.json", "--out", "scopes", "--overwrite")


def _with_the_card(lab: Lab, folder: Path) -> Iterator[tuple[str, Callable[[], Ended]]]:
    """Long takes of the card, held still: links to eight small frames of it."""
    for count in (100, 1000, 10_000):
        def run(count: int = count) -> Ended:
            card = grid_card(6, 4)
            for number in range(SOURCES):
                path = folder / f"source{number}.dpx"
                if not path.exists():
                    write_frame(path, Frame(picture(card, (320, 180), turn_deg=1.0, share=0.95, seed=number), bits=10))
            if not (folder / "card.toml").exists():
                save_card(card, folder / "card.toml")
            return lab.run("survey", take_of(folder, count), "--card", folder / "card.toml", "--encoding", "display",
                           "--out", folder / f"s{count}.json", "--every-frame", "--overwrite", patience_s=LONG_S)

        yield f"survey of {count} frames with the card in them", run


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
