"""The bundle's binaries for other systems give the bits that Linux on x86-64 gives: under QEMU and Wine, through a host
in C that knows nothing of this program."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bundles import hosts
from huewright.files import write_json
from huewright.plugin.golden import REFUSED_FILE, from_text
from huewright_kernels import compile_chain, run_colours
from huewright_kernels.ops import REGISTRY, HueSectors, LogDecode, Matrix, Operation, ToneCurve, Transfer

pytestmark = pytest.mark.slow

GOLDEN = Path(__file__).parents[2] / "kernels" / "golden"
GENERATOR = np.random.default_rng(23)
HEIGHT, WIDTH = 41, 301
PIXELS = (GENERATOR.random((HEIGHT, WIDTH, 4)) * 1.6 - 0.3).astype(np.float32)
PIXELS[..., 3] = GENERATOR.random((HEIGHT, WIDTH))
PIXELS[0, 5, 3] = 0.0
ANY_BITS = GENERATOR.integers(0, 2**32, (128, 256, 3), dtype=np.uint32).view(np.float32)
"""NaN, infinities and subnormals among them; so is every other float."""
ANY_BITS[0, :8] = [[0, -0.0, 1], [1, np.inf, -np.inf], [np.nan, 0.5, 0.5], [0.5, np.nan, np.inf],
                   [1e-45, -1e-45, 1e-38], [3.4e38, -3.4e38, 1], [0.18, 0.18, 0.18], [-np.inf, -np.inf, -np.inf]]
EFFECTS: list[tuple[str, dict[str, Any]]] = [
    ("HueSectors", {"redRotation": 7.5, "greenGain": 1.3, "blueRotation": -11.0, "cyanGain": 0.7}),
    ("Correction", {"source": 1, "decodeLog": 1, "logBase": 10.0, "logSideSlope": 0.25, "logSideOffset": 0.38,
                    "linSideSlope": 5.5, "linSideOffset": 0.05, "linearPart": 1, "linSideBreak": 0.01,
                    "exposure": 0.35, "balance": (1.02, 1.0, 0.93), "display": 1, "toneBlack": (0.02, 0.0),
                    "toneMiddle": (0.4, 0.41), "toneWhite": (0.95, 0.97), "redRotation": 5.0, "magentaGain": 1.1})]
QUAD = {"topLeft": (40.3, 30.2), "topRight": (250.0, 35.7), "bottomRight": (260.1, 4.0), "bottomLeft": (30.0, 6.5),
        "columns": 4, "rows": 3, "inset": 0.2, "fill": (0.1, 0.2, 0.3), "feather": 3.5}
CHAIN = (LogDecode(10.0, 0.2471896, 0.385537, 5.555556, 0.052272, 0.010591),
         Matrix(((1.1, 0.02, 0.0), (0.0, 0.9, -0.1), (0.3, 0.0, 1.2))), Transfer("bt709", "encode"),
         ToneCurve((0.0, 0.4, 1.0), (0.01, 0.41, 0.98)),
         HueSectors((10.0, 80.0, 200.0), (3.0, -4.0, 5.0), (1.1, 0.9, 1.2)))


def correction_file(path: Path, operations: tuple[Operation, ...]) -> str:
    write_json(path, {"format": "huewright-correction-1", "neutral_operations": [],
                      "operations": [operation.to_dict() for operation in operations]})
    return path.name


def examples() -> list[Operation]:
    """Of every operation each example that golden vectors are made of, and the chain of the usual job."""
    found = [example.operation for kind in REGISTRY.values() for example in kind.parts.examples() if example.golden]
    return [operation for operation in found if "table" not in vars(operation) or operation.table.size < 2e5]


def whole_job(folder: Path) -> hosts.Job:
    job = hosts.Job(folder)
    for path in sorted(set(GOLDEN.glob("*.txt")) - {GOLDEN / REFUSED_FILE}):
        golden = from_text(path.stem, path.read_text(encoding="ascii"))
        names = golden.chain or (path.stem,)
        operations = tuple(from_text(n, (GOLDEN / f"{n}.txt").read_text(encoding="ascii")).operations[0] for n in names)
        job.effect("Correction", {"correctionFile": correction_file(folder / f"golden-{path.stem}.json", operations)})
        job.render(golden.colours[None].astype(np.float32), f"golden {path.stem}", operations=operations, golden=golden)
    for k, operation in enumerate(examples()):
        job.effect("Correction", {"correctionFile": correction_file(folder / f"example-{k}.json", (operation,))})
        job.render(ANY_BITS, f"example {k}, {operation.name}", operations=(operation,))
    job.effect("Correction", {"correctionFile": correction_file(folder / "kette – цепь.json", CHAIN)})
    job.render(ANY_BITS, "chain", operations=CHAIN)
    for name, settings in EFFECTS:
        for dtype in hosts.DEPTHS:
            for channels, premultiplied in ((4, False), (4, True), (3, False)):
                job.effect(name, settings)
                job.render(of_type(dtype)[..., :channels], f"{name}, {dtype}, {channels} channels, {premultiplied}",
                           premultiplied=premultiplied)
    job.effect("PatchIsolation", QUAD)
    job.render(PIXELS, "isolation")
    job.effect("Lut", {"lutFile": "table.cube"})
    job.render(ANY_BITS, "table")
    job.lines.append("locale\tde_DE.UTF-8")
    job.effect("Correction", {"correctionFile": "kette – цепь.json"})
    job.render(ANY_BITS, "chain where the comma is decimal", operations=CHAIN)
    for name in ("not there.json", "folder", "damaged.json"):
        job.effect("Correction", {"correctionFile": name})
        job.render(PIXELS, name)
    return job


def of_type(dtype: str) -> np.ndarray:
    kind = np.dtype(dtype)
    if kind.kind == "f":
        return PIXELS.astype(kind)
    return np.rint(PIXELS.clip(0, 1) * np.iinfo(kind).max).astype(kind)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> hosts.Job:
    folder = tmp_path_factory.mktemp("job")
    rows = GENERATOR.random((17**3, 3)) * 1.2 - 0.1
    (folder / "table.cube").write_text("LUT_3D_SIZE 17\n" + "\n".join(" ".join(f"{v:.9g}" for v in row) for row in rows)
                                       + "\n")
    (folder / "folder").mkdir()
    (folder / "damaged.json").write_text(json.dumps({"format": "huewright-correction-1", "operations": [
        {"operation": "matrix", "matrix": [[1, 2, "x"]]}]}))
    return whole_job(folder)


@pytest.fixture(scope="module")
def here(job: hosts.Job, every_bundle: Path, host_for: Callable[[str], Path], prefix: Path) -> list[hosts.Result]:
    return job.run("linux-x86-64", every_bundle, host_for("linux-x86-64"), prefix)


def equal(one: hosts.Result, other: hosts.Result, like: np.ndarray) -> bool:
    """Whether the bytes are the same; which NaN a processor makes of an invalid operation is its own affair."""
    a, b = one.pixels(like), other.pixels(like)
    if like.dtype.kind != "f":
        return np.array_equal(a, b)
    bits = f"u{like.dtype.itemsize}"
    return bool(np.all((a.view(bits) == b.view(bits)) | (np.isnan(a) & np.isnan(b))))


def answered(job: hosts.Job, results: list[hosts.Result]) -> list[tuple[hosts.Asked, hosts.Result]]:
    return list(zip(job.asked, results, strict=True))


@pytest.mark.parametrize("target", [name if name in hosts.EVERY_RUN else pytest.param(name, marks=pytest.mark.long)
                                    for name in hosts.RUN if name != "linux-x86-64"])
def test_the_same_bits_and_words(job: hosts.Job, here: list[hosts.Result], every_bundle: Path, prefix: Path,
                                 host_for: Callable[[str], Path], target: str) -> None:
    there = job.run(target, every_bundle, host_for(target), prefix)
    pairs = list(zip(job.asked, here, there, strict=True))
    differing = [ask.title for ask, a, b in pairs if not equal(a, b, ask.pixels)]
    assert differing == []
    assert [(ask.title, b.status, b.message) for ask, _, b in pairs] == [(ask.title, a.status, a.message)
                                                                          for ask, a, _ in pairs]
    if target == "windows-x86-64":
        assert job.comma, "the renders after `locale` were to run where the comma is decimal"


def test_here_they_are_the_harness_s_own(job: hosts.Job, here: list[hosts.Result]) -> None:
    """So that the comparison above is with the right bits, and golden vectors are met."""
    compared = 0
    for ask, result in answered(job, here):
        if ask.operations:
            expected = run_colours(compile_chain(ask.operations), ask.pixels[..., :3].reshape(-1, 3))
            assert equal(result, hosts.Result(0, "", expected.tobytes()), ask.pixels), ask.title
            compared += 1
        if ask.golden is not None:
            assert ask.golden.error(result.pixels(ask.pixels)[0]) <= ask.golden.tolerance, ask.title
    assert compared > 40


def test_what_is_wrong_is_said(job: hosts.Job, here: list[hosts.Result]) -> None:
    said = {ask.title: (result.status, result.message) for ask, result in answered(job, here)}
    assert said["not there.json"] == (1, "not there.json: there is no such correction file; check the path")
    assert said["folder"][0] == said["damaged.json"][0] == 1
    assert said["folder"][1].startswith("folder: this is a folder") and "damaged" in said["damaged.json"][1]
    assert all(status == 0 and not words for title, (status, words) in said.items()
               if title not in ("not there.json", "folder", "damaged.json"))
