"""Runs our bundle in a host built on the HostSupport library of a checkout of the OpenFX standard's repository.

Run as a program: ``python tests/outside/hosted.py CHECKOUT FOLDER [BUNDLE]``. It builds that library and ``host.cpp``
into FOLDER, builds the bundle there unless one is named, renders every effect in every depth, component set and layout,
and prints what differs from the harness's own kernels in any bit. Nothing of the checkout is kept but the binaries.
Needs a C++17 compiler and the development files of expat.

With the library of commit 3de640d, none of 1554 frames differed (patch isolation from a patches file among them; on
x86-64, a host of two processors).
"""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE)]

from examples import compiler  # noqa: E402
from huewright.colorimetry.luts import read_lut  # noqa: E402
from huewright.host import standard  # noqa: E402
from huewright.models.card import load_card  # noqa: E402
from huewright.models.patches import save_patches  # noqa: E402
from huewright.plugin.effect import Effect  # noqa: E402
from huewright.plugin.effects import effect  # noqa: E402
from huewright.plugin.isolation import isolation_polygons  # noqa: E402
from huewright_kernels import compile_chain, isolate, run  # noqa: E402
from huewright_kernels.ops import HueSectors, LogDecode, Matrix, ToneCurve, Transfer  # noqa: E402

WIDTH, HEIGHT = 211, 47
FILL = 0x5A
FLAGS = ("-std=c++17", "-O1", "-g", "-w", "-DOFX_SUPPORTS_MULTITHREAD")


def build_host(checkout: Path, folder: Path) -> Path:
    """The host's program. Raises ``CalledProcessError`` with the compiler's words on standard error."""
    folder.mkdir(parents=True, exist_ok=True)
    includes = [f"-I{checkout / 'include'}", f"-I{checkout / 'HostSupport' / 'include'}"]
    library = folder / "hostsupport.a"
    if not library.exists():
        objects = []
        for source in sorted((checkout / "HostSupport" / "src").glob("*.cpp")):
            objects.append(folder / f"{source.stem}.o")
            subprocess.run([compiler(), *FLAGS, *includes, "-c", source, "-o", objects[-1]], check=True)
        subprocess.run(["ar", "rcs", library, *objects], check=True)
    program = folder / "host"
    subprocess.run([compiler(), *FLAGS, *includes, HERE / "host.cpp", library, "-lexpat", "-ldl", "-lpthread",
                    "-o", program], check=True)
    return program


# --- pictures and what is asked -----------------------------------------------------------------------------------
def picture(depth: str, components: str) -> np.ndarray:
    """Rows from the top down; in and out of range, with infinities and zero alpha in float."""
    numbers = np.random.default_rng(7)
    pixels = (numbers.random((HEIGHT, WIDTH, 4)) * 1.6 - 0.3).astype(np.float32)
    pixels[..., 3] = numbers.random((HEIGHT, WIDTH))
    pixels[0, :5, :3] = [[0, 0, 0], [1, 1, 1], [np.inf, 0.5, -np.inf], [1e30, -1e30, 1e-30], [0.18, 0.18, 0.18]]
    pixels[0, 5, 3] = 0.0
    channels = standard.COMPONENTS[components]
    chosen = pixels[..., 3:] if channels == 1 else pixels[..., :channels]
    kind = np.dtype(standard.DTYPES[depth])
    if kind.kind == "f":
        with np.errstate(over="ignore"):
            return np.ascontiguousarray(chosen.astype(kind))
    return np.ascontiguousarray(np.rint(np.nan_to_num(chosen).clip(0, 1) * np.iinfo(kind).max).astype(kind))


@dataclass(frozen=True)
class Wish:
    """One frame to render. ``settings`` as :class:`Effect` takes them; a dict of frame -> value animates."""

    effect: str
    settings: dict[str, Any]
    depth: str = standard.FLOAT
    components: str = standard.RGBA
    premultiplied: bool = False
    origin: tuple[int, int] = (0, 0)
    downwards: bool = False
    padding: int = 0
    scale: float = 1.0
    threads: int = 1
    time: float = 0.0
    window: tuple[int, int, int, int] | None = None  # from the picture's lower left corner
    abort: int | None = None
    context: str = standard.FILTER

    def lines(self, source: Path, output: Path) -> Iterator[str]:
        """The job in the words of ``host.cpp``."""
        about = effect(self.effect)
        yield f"effect {about.identifier}"
        premultiplication = standard.PREMULTIPLIED if self.premultiplied else standard.UNPREMULTIPLIED
        for word, value in (("context", self.context), ("depth", self.depth), ("components", self.components),
                            ("premultiplication", premultiplication), ("size", f"{WIDTH} {HEIGHT}"),
                            ("origin", "{} {}".format(*self.origin)), ("downwards", int(self.downwards)),
                            ("padding", self.padding), ("scale", f"{self.scale} {self.scale}"),
                            ("threads", self.threads), ("time", repr(self.time)), ("source", source),
                            ("output", output)):
            yield f"{word} {value}"
        if self.abort is not None:
            yield f"abort {self.abort}"
        if self.window is not None:
            (x1, y1, x2, y2), (x, y) = self.window, self.origin
            yield f"window {x + x1} {y + y1} {x + x2} {y + y2}"
        kinds = {parameter.name: parameter for parameter in about.parameters}
        for name, value in self.settings.items():
            if kinds[name].type == "String":
                yield f"text {name} {value}"
            elif isinstance(value, dict):
                yield from (f"key {name} {moment!r} {_numbers(kinds[name].options, v)}" for moment, v in value.items())
            else:
                yield f"value {name} {_numbers(kinds[name].options, value)}"


def _numbers(options: tuple[str, ...], value: Any) -> str:
    if isinstance(value, str):
        value = options.index(value)
    return " ".join(repr(float(v)) for v in (value if isinstance(value, tuple) else (value,)))


def at_time(settings: dict[str, Any], time: float) -> dict[str, Any]:
    """Straight between keys, as the host has it."""
    def value(keys: dict[float, Any]) -> Any:
        moments = sorted(keys)
        parts = [np.interp(time, moments, [np.atleast_1d(keys[m])[k] for m in moments])
                 for k in range(len(np.atleast_1d(keys[moments[0]])))]
        return tuple(map(float, parts)) if len(parts) > 1 else float(parts[0])
    return {name: value(given) if isinstance(given, dict) else given for name, given in settings.items()}


def expected(wish: Wish, source: np.ndarray) -> np.ndarray:
    """What the harness's kernels make of it, in the picture's depth; rows from the top down."""
    about, settings = effect(wish.effect), at_time(wish.settings, wish.time)
    if about.steps is None:
        return _masked(about, settings, wish, source)
    if source.shape[2] == 1:
        return source
    if settings.get("lutFile"):
        settings["lutFile"] = read_lut(Path(settings["lutFile"]))
    if settings.get("correctionFile"):
        settings["correctionFile"] = FILE_CHAIN
    return run(compile_chain(about.operations(settings)), source, np.empty_like(source),
               premultiplied=wish.premultiplied)


def _masked(about: Effect, settings: dict[str, Any], wish: Wish, source: np.ndarray) -> np.ndarray:
    complete = about.settings(settings)
    polygons = isolation_polygons(complete, HEIGHT, (wish.scale, wish.scale), wish.origin)
    nothing = compile_chain(())
    single = source.shape[2] == 1
    whole = np.concatenate([source, np.zeros_like(source), np.zeros_like(source)], -1) if single else source
    as_float = run(nothing, whole, np.empty(whole.shape, np.float32))
    fill = (0.0, 0.0, 0.0) if single else complete["fill"]
    made = isolate(as_float, polygons, complete["feather"] * wish.scale, fill)
    return run(nothing, made, np.empty_like(whole))[..., :source.shape[2]]


FILE_CHAIN = (LogDecode(10.0, 0.2471896, 0.385537, 5.555556, 0.052272, 0.010591),
              Matrix(((1.1, 0.02, 0.0), (0.0, 0.9, -0.1), (0.3, 0.0, 1.2)), (-0.05, 0.01, 1e-3)),
              Transfer("bt709", "encode"), ToneCurve((0.0, 0.4, 1.0), (0.02, 0.42, 0.97)),
              HueSectors((10.0, 80.0, 200.0, 300.0), (3.0, -4.0, 5.0, 0.0), (1.1, 0.9, 1.2, 1.0)))


def files(folder: Path) -> dict[str, Path]:
    """The correction and the tables that some wishes name."""
    from huewright.files import write_json

    paths = {name: folder / name for name in ("chain.json", "cube.cube", "curve.cube", "patches.json")}
    save_patches(load_card(HERE.parents[1] / "demo" / "huewright_demo" / "card.toml"), paths["patches.json"])
    write_json(paths["chain.json"], {
        "format": "huewright-correction-1", "method": "invented", "warnings": [],
        "operations": [o.to_dict() for o in FILE_CHAIN], "neutral_operations": [], "patches": []}, overwrite=True)
    for name, size, three in (("cube.cube", 9, True), ("curve.cube", 33, False)):
        rows = np.random.default_rng(size).random((size**3 if three else size, 3)) * 1.2 - 0.1
        paths[name].write_text(f"LUT_{3 if three else 1}D_SIZE {size}\n"
                               + "\n".join(" ".join(f"{v:.7g}" for v in row) for row in rows) + "\n")
    return paths


def settings(paths: dict[str, Path]) -> list[tuple[str, dict[str, Any]]]:
    quad = {"topLeft": (40.3, 40.2), "topRight": (180.0, 43.7), "bottomRight": (190.1, 4.0), "bottomLeft": (30.0, 6.5),
            "columns": 4, "rows": 3, "inset": 0.2, "fill": (0.1, 0.2, 0.3)}
    return [
        ("HueSectors", {"redRotation": 7.5, "greenGain": 1.3, "blueRotation": -11.0, "cyanGain": 0.7}),
        ("HueSectors", {"luma": "BT.2020", "redRotation": 7.5, "yellowHue": 20.0, "yellowGain": 2.0}),
        ("Correction", {"source": "parameters", "decodeLog": 1, "logBase": 10.0, "logSideSlope": 0.25,
                        "logSideOffset": 0.38, "linSideSlope": 5.5, "linSideOffset": 0.05, "linearPart": 1,
                        "linSideBreak": 0.01, "exposure": 0.35, "balance": (1.02, 1.0, 0.93), "display": "bt709",
                        "toneBlack": (0.02, 0.0), "toneMiddle": (0.4, 0.41), "toneWhite": (0.95, 0.97),
                        "redRotation": 5.0, "magentaGain": 1.1}),
        ("Correction", {"source": "parameters", "display": "pq", "exposure": -3.0}),
        ("Correction", {"source": "file", "correctionFile": os.fspath(paths["chain.json"])}),
        ("Lut", {"lutFile": os.fspath(paths["cube.cube"]), "interpolation": "tetrahedral"}),
        ("Lut", {"lutFile": os.fspath(paths["cube.cube"]), "interpolation": "trilinear"}),
        ("Lut", {"lutFile": os.fspath(paths["curve.cube"])}),
        ("PatchIsolation", quad), ("PatchIsolation", quad | {"feather": 3.5}),
        ("PatchIsolation", quad | {"patchesFile": os.fspath(paths["patches.json"])})]


def wishes(paths: dict[str, Path]) -> Iterator[Wish]:
    """Every effect in every format and layout; then what changes with time, scale, window and abort."""
    layouts: tuple[dict[str, Any], ...] = (
        {}, {"downwards": True}, {"origin": (-17, 23), "padding": 64},
        {"origin": (5, -9), "downwards": True, "padding": 16, "context": standard.GENERAL})
    formats = [(components, False) for components in standard.COMPONENTS] + [(standard.RGBA, True)]
    for (name, chosen), depth, (components, premultiplied), layout, threads in itertools.product(
            settings(paths), standard.DEPTHS, formats, layouts, (1, 4)):
        yield Wish(name, chosen, depth, components, premultiplied, threads=threads, **layout)
    chosen = dict(reversed(settings(paths)))  # of each effect the first
    animated = chosen["HueSectors"] | {"redRotation": {0.0: 0.0, 10.0: 20.0}, "greenGain": {2.0: 1.0, 4.0: 2.0}}
    moving = chosen["PatchIsolation"] | {"topLeft": {0.0: (40.0, 40.0), 8.0: (60.0, 44.0)}}
    for name, keyed in (("HueSectors", animated), ("PatchIsolation", moving)):
        yield from (Wish(name, keyed, time=moment, threads=2) for moment in (-1.0, 0.0, 2.5, 3.75, 12.0))
    doubled = {name: tuple(2 * v for v in value) if name.startswith(("top", "bottom")) else value
               for name, value in chosen["PatchIsolation"].items()}
    for name, other in (("PatchIsolation", doubled), ("HueSectors", chosen["HueSectors"])):
        yield from (Wish(name, other, scale=0.5, origin=origin, threads=2) for origin in ((0, 0), (-30, 12)))
    for name, other in settings(paths):
        for window in ((0, 0, WIDTH, 1), (13, 5, 40, 44), (WIDTH - 1, 0, WIDTH, HEIGHT)):
            yield from (Wish(name, other, window=window, downwards=down, origin=(3, 4), threads=2)
                        for down in (False, True))
        yield from (Wish(name, other, abort=after, threads=threads) for after in (0, 1, 3) for threads in (1, 4))


# --- running ------------------------------------------------------------------------------------------------------
@dataclass
class Answer:
    """What the host said of one job."""

    status: str = ""
    identity: bool = False
    outside: int = 0
    aborts: int = 0
    said: list[str] = field(default_factory=list)

    def take(self, line: str) -> None:
        word, _, rest = line.partition(" ")
        if word == "status" and not self.status:
            self.status = rest
        elif word == "identity":
            self.identity = rest == "Source"
        elif word in ("outside", "aborts"):
            setattr(self, word, int(rest))
        else:
            self.said.append(line)


def ask(program: Path, bundles: Path, jobs: Iterable[list[str]]) -> list[Answer]:
    """Raises ``CalledProcessError`` where the host ends badly."""
    text = "".join("\n".join([*job, "go"]) + "\n" for job in jobs)
    done = subprocess.run([program, bundles], input=text, capture_output=True, text=True, check=True,
                          cwd=program.parent)
    answers = [Answer()]
    for line in done.stdout.splitlines():
        if line.strip() == "done":
            answers.append(Answer())
        else:
            answers[-1].take(line)
    return answers[:-1]


def fault(wish: Wish, answer: Answer, source: np.ndarray, output: Path) -> str:
    """What is wrong with the answer, or nothing."""
    right = expected(wish, source)
    if answer.identity:
        return "" if right.tobytes() == source.tobytes() else "said that nothing changes"
    if answer.said or answer.status != "render kOfxStatOK":
        return "; ".join([answer.status, *answer.said])
    if answer.outside:
        return f"{answer.outside} bytes outside the render window changed"
    made = np.frombuffer(output.read_bytes(), source.dtype).reshape(source.shape)[::-1]
    x1, y1, x2, y2 = wish.window or (0, 0, WIDTH, HEIGHT)
    part = np.s_[HEIGHT - y2:HEIGHT - y1, x1:x2]
    as_bytes = [np.ascontiguousarray(pixels[part]).view(np.uint8) for pixels in (made, right)]
    wrong = as_bytes[0] != as_bytes[1]
    if wish.abort is not None and answer.aborts > wish.abort:
        wrong &= as_bytes[0] != FILL
        if wish.abort == 0 and np.any(as_bytes[0] != FILL):
            return "went on although it was to abort at once"
    return f"{np.count_nonzero(wrong)} bytes differ from the harness's" if np.any(wrong) else ""


def compare(program: Path, bundles: Path) -> tuple[int, int, list[str]]:
    """(frames, those that the plug-in passed through, a line for each that is not as it should be)."""
    with tempfile.TemporaryDirectory(prefix="huewright-hosted-") as name:
        folder = Path(name)
        all_wishes = list(wishes(files(folder)))
        pictures = {key: picture(*key) for key in itertools.product(standard.DEPTHS, standard.COMPONENTS)}
        for (depth, components), pixels in pictures.items():
            (folder / f"{depth}-{components}").write_bytes(np.ascontiguousarray(pixels[::-1]).tobytes())
        answers = ask(program, bundles, ([*wish.lines(folder / f"{wish.depth}-{wish.components}", folder / f"{k}.out")]
                                         for k, wish in enumerate(all_wishes)))
        if len(answers) != len(all_wishes):
            return len(answers), 0, [f"the host answered {len(answers)} of {len(all_wishes)} jobs"]
        wrong = []
        for k, (wish, answer) in enumerate(zip(all_wishes, answers, strict=True)):
            if words := fault(wish, answer, pictures[wish.depth, wish.components], folder / f"{k}.out"):
                wrong.append(f"{wish}: {words}")
        return len(all_wishes), sum(answer.identity for answer in answers), wrong


def main() -> int:
    checkout, folder = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()
    program = build_host(checkout, folder)
    if len(sys.argv) > 3:
        bundles = Path(sys.argv[3]).resolve().parent
    else:
        from huewright.plugin.build import build

        bundles = build(folder / "bundle", overwrite=True, notify=print).parent
    frames, passed, wrong = compare(program, bundles)
    for line in wrong:
        print(line)
    print(f"{frames} frames in a host on HostSupport, {passed} of them passed through: "
          f"{len(wrong)} not as they should be")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
