"""The bundle on a GPU: what it renders there through the headless host is what it renders on the processor, to the bit,
and what the command line writes is byte for byte the same file. Needs a GPU.

What is left out of the comparison: which NaN comes out (IEEE 754-2019, 6.2.3 leaves payloads to the processor).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from huewright.accuracy.devices import awkward_colours, timed_chain
from huewright.device.choosing import require_device
from huewright.errors import InputError
from huewright.files import write_json
from huewright.frames.frame import Frame
from huewright.frames.opening import open_take
from huewright.frames.picture import write_frame
from huewright.frames.take import Take
from huewright.host.card import Card
from huewright.host.rendering import Renderer
from huewright.models.chain import FORMAT
from huewright.steps.ofx import probe_bundle, render_through
from huewright_kernels.ops import REGISTRY, LogDecode, Matrix, Operation, Transfer

pytestmark = pytest.mark.slow
try:
    require_device("cuda")
except InputError as why:       # before a chain is made for each of a hundred examples
    pytest.skip(f"no GPU here: {why}", allow_module_level=True)
KINDS = [(dtype, channels, premultiplied) for dtype in ("float32", "float16", "uint16", "uint8")
         for channels, premultiplied in ((4, False), (4, True), (3, False))]
CHAINS: dict[str, tuple[Operation, ...]] = {"the whole chain": timed_chain()} | {
    f"{kind.name} {k}": (example.operation,) for kind in REGISTRY.values()
    for k, example in enumerate(kind.parts.examples())}


@pytest.fixture(scope="module")
def card() -> Iterator[Card]:
    yield Card("cuda:0")


def picture(dtype: str, channels: int) -> np.ndarray:
    colours = awkward_colours()
    if dtype == "float16":
        colours = np.random.default_rng(1).permuted(np.resize(np.arange(65536, dtype=np.uint16), (65536, 3)),
                                                    axis=0).view(np.float16)
    elif dtype != "float32":
        codes = np.arange(np.iinfo(dtype).max + 1).astype(dtype)
        colours = np.random.default_rng(1).permuted(np.resize(codes, (65536, 3)), axis=0)
    rows = len(colours) // 509
    found = colours[:rows * 509].reshape(rows, 509, 3)
    return np.ascontiguousarray(np.concatenate([found, np.roll(found[..., :1], 5, 1)], -1)[..., :channels])


def unlike(a: np.ndarray, b: np.ndarray) -> int:
    bits = f"u{a.itemsize}"
    same = a.view(bits) == b.view(bits)
    return int(np.count_nonzero(~(same | (np.isnan(a) & np.isnan(b)) if a.dtype.kind == "f" else same)))


def through(binary: Path, settings: dict[str, Any], pixels: np.ndarray, premultiplied: bool, card: Card | None
            ) -> np.ndarray:
    renderer = Renderer(binary, "org.huewright.Correction", settings, (pixels.shape[1], pixels.shape[0]), pixels.dtype,
                        alpha=pixels.shape[2] == 4, premultiplied=premultiplied, card=card)
    made = renderer.render(pixels)
    renderer.close()
    return made


@pytest.mark.parametrize("name", CHAINS)
def test_same_bits(binary: Path, card: Card, tmp_path: Path, name: str) -> None:
    path = tmp_path / "chain.json"
    write_json(path, {"format": FORMAT, "operations": [o.to_dict() for o in CHAINS[name]], "neutral_operations": []})
    settings = {"source": "file", "correctionFile": str(path)}
    for dtype, channels, premultiplied in KINDS:
        pixels = picture(dtype, channels)
        made = [through(binary, settings, pixels, premultiplied, place) for place in (card, None)]
        assert unlike(*made) == 0, (dtype, channels, premultiplied)


def test_the_probe_finds_nothing(bundle: Path, card: Card) -> None:
    report = probe_bundle(bundle, settings={"org.huewright.Correction": {"source": "parameters", "display": "pq"}})
    assert report.clean
    ran = {row.check for row in report.results if row.result == "passed" and row.plugin.endswith("Correction")}
    assert {"cuda-render", "cuda-window", "cuda-stream", "cuda-without-streams", "cuda-memory"} <= ran


@pytest.fixture
def take(tmp_path: Path) -> Take:
    pixels = np.random.default_rng(2).random((90, 160, 4), dtype=np.float32)
    alpha = 0.5 + 0.5 * pixels[..., 3:]     # premultiplied; nearer to 0, a colour could become no number, of any bits
    for number in (1, 2):
        seen = np.concatenate([pixels[..., :3] * alpha * np.float32(0.2 * number), alpha], axis=-1)
        write_frame(tmp_path / f"a.{number:04d}.exr", Frame(seen))
    return open_take(str(tmp_path / "a.####.exr"))


def files(folder: Path, name: str) -> list[bytes]:
    return [path.read_bytes() for path in sorted(folder.glob(f"{name}.*.exr"))]


def test_an_effect_from_the_command_line(bundle: Path, card: Card, take: Take, tmp_path: Path) -> None:
    for name, device in (("cpu", "cpu"), ("gpu", "cuda:0")):
        render_through(bundle, "HueSectors", {"redRotation": 7.5, "greenGain": 1.2}, take,
                       str(tmp_path / f"{name}.####.exr"), device=device)
    assert files(tmp_path, "gpu") == files(tmp_path, "cpu") != files(tmp_path, "a") and len(files(tmp_path, "gpu")) == 2


def test_the_render_verb(card: Card, take: Take, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("typer", reason="needs the command line's packages")
    from huewright.cli import main
    from huewright.models.correction import Correction, save_correction
    from huewright.models.footage import Footage

    curve, matrix = LogDecode(10.0, 0.25, 0.4, 5.5, 0.05, 0.01, 4.0), Matrix(((1.2, -0.2, 0), (0, 1, 0), (0, 0.1, 0.9)))
    shown = Transfer("bt709", "encode")
    footage = Footage(encoding="invented", decode=(curve,))
    save_correction(Correction("sectors", footage, "bt709", (curve, matrix, shown), (curve, shown), ()),
                    tmp_path / "correction.json")
    monkeypatch.chdir(tmp_path)
    for name, device in (("cpu", "cpu"), ("gpu", "cuda:0")):
        monkeypatch.setattr(sys, "argv", ["huewright", "render", "correction.json", "a.####.exr", f"{name}.####.exr",
                                          "--device", device])
        with pytest.raises(SystemExit) as stop:
            main()
        assert not stop.value.code
    assert files(tmp_path, "gpu") == files(tmp_path, "cpu") != files(tmp_path, "a") and len(files(tmp_path, "gpu")) == 2
