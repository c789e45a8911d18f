"""The plug-in on an NVIDIA GPU, without one: what it asks of the driver, and that what it asks for is right.

A driver that stands in (driver.c) checks every call, does what is put on a stream as late as it may, and computes with
the processor's core what the kernels are told to. That the kernels compute the same, tests/device says on a GPU.
Statuses: OpenFX 1.5.1, "CUDA Rendering" and the status codes of GPU rendering. CUDA's numbers: NVIDIA's "CUDA Driver
API", CUresult.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytestmark = pytest.mark.slow

GPU_MEMORY, GPU_FAILED, OK = 1001, 1002, 0
HUES = {"redRotation": 7.5, "greenGain": 1.3, "blueRotation": -11.0}
CHAIN = {"source": "parameters", "decodeLog": 1, "exposure": 0.35, "display": "bt709", "toneBlack": (0.02, 0.0),
         "redRotation": 5.0}


def pixels(dtype: str = "float32", channels: int = 4) -> np.ndarray:
    from huewright.host.pictures import sample_picture
    from huewright.host.standard import DTYPES

    depth = next(name for name, kind in DTYPES.items() if kind == dtype)
    return sample_picture(41, 301, channels, depth, seed=3)


class Driver:
    """What the stand-in says of itself."""

    def __init__(self) -> None:
        from cuda.bindings import driver

        self.library: Any = driver.library

    @property
    def said(self) -> str:
        return str(self.library.fake_said().decode())

    def calls(self, name: str) -> int:
        return int(self.library.fake_calls(name.encode()))

    def refuse(self, name: str, status: int) -> None:
        self.library.fake_refuse(name.encode(), status)

    @property
    def held(self) -> int:
        return int(self.library.fake_held())


def renderer(binary: str, name: str, settings: dict[str, Any], like: np.ndarray, **more: Any) -> Any:
    from huewright.host.rendering import Renderer

    return Renderer(binary, f"org.huewright.{name}", settings, (like.shape[1], like.shape[0]), like.dtype,
                    alpha=like.shape[2] == 4, **more)


# --- in the child -------------------------------------------------------------------------------------------------
def differing(binary: str, cube: str) -> list[str]:
    """Every depth, components, premultiplication and effect whose bytes are not the processor's; what was wrong."""
    from huewright.host.card import Card

    wrong, card = [], Card("cuda:0")
    for dtype in ("float32", "float16", "uint16", "uint8"):
        for channels, premultiplied in ((4, False), (4, True), (3, False)):
            picture = pixels(dtype, channels)
            for name, settings in (("HueSectors", HUES), ("Correction", CHAIN), ("Lut", {"lutFile": cube})):
                made = []
                for device in (card, None):
                    through = renderer(binary, name, settings, picture, premultiplied=premultiplied, card=device)
                    made.append(through.render(picture).tobytes())
                    through.close()
                    wrong += [f.message for f in through.host.journal.findings if f.level != "note"]
                if made[0] != made[1]:
                    wrong.append(f"{name}, {dtype}, {channels} channels, premultiplied {premultiplied}")
    driver = Driver()
    return [*wrong, *driver.said.splitlines(), *([f"{driver.held} bytes held"] if driver.held else [])]


def placed(binary: str) -> list[str]:
    """Pictures that lie askew: a source that ends within the window, alpha alone, rows upside down, windows."""
    import itertools

    from huewright.host import standard
    from huewright.host.card import Card
    from huewright.host.pictures import allocate, sample_picture
    from huewright.probe.bench import Bench

    wrong = []
    bench = Bench(binary, "org.huewright.Correction", settings=CHAIN)
    bench.host.conditions.card = Card("cuda:0")
    plugin = bench.open()
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        windows = ((0, 0, 90, 40), (7, 9, 30, 11), (60, 2, 90, 8), (8, 20, 40, 40))
        for negative, upside_down, padding, window in itertools.product((False, True), (False, True), (0, 12), windows):
            source = allocate((5, 3, 58, 27), depth, components, negative=negative, padding=padding)
            source.pixels[:] = sample_picture(24, 53, standard.COMPONENTS[components], depth, seed=1)
            made = []
            for on_card in (True, False):
                instance.on_card = on_card
                output = allocate((0, 0, 90, 40), depth, components, negative=upside_down, padding=padding, fill=0x5A)
                bench.expect(instance.frame(source, output, [window]), "rendering")
                made.append(output.storage.tobytes())
            if made[0] != made[1]:
                wrong.append(f"{depth} {components} {negative} {upside_down} {padding} {window}")
        instance.destroy()
    plugin.unload()
    driver = Driver()
    return [*wrong, *(f.message for f in bench.host.journal.findings), *driver.said.splitlines(),
            *([f"{driver.held} bytes held"] if driver.held else [])]


def kept(binary: str) -> dict[str, Any]:
    """What is brought to the card, and how often; what is on it afterwards; on two streams and two cards."""
    from huewright.host.card import Card

    picture = pixels()
    cards = [Card("cuda:0"), Card("cuda:0"), Card("cuda:1")]
    driver, found = Driver(), {}
    through = renderer(binary, "HueSectors", HUES, picture, card=cards[0])
    wanted = through.render(picture).tobytes()
    uploads = "cuMemcpyHtoDAsync_v2"
    found["first"] = [driver.calls(uploads), driver.calls("cuModuleLoadData")]
    through.instance.fetches = False     # so that all is still under way
    through.host.conditions.card = cards[1]
    through._rendered(picture, 0.0)
    found["another stream"] = [driver.calls(uploads), driver.calls("cuModuleLoadData")]
    cards[1].take_back()
    through.instance.fetches = True
    found["the same bytes"] = through.render(picture).tobytes() == wanted
    through.host.conditions.card = cards[2]
    found["on another card"] = through.render(picture).tobytes() == wanted
    found["another card"] = [driver.calls(uploads), driver.calls("cuModuleLoadData")]
    through.instance.set({"redRotation": 3.0})
    through.render(picture)
    found["other settings"] = [driver.calls(uploads), driver.calls("cuModuleLoadData")]
    through.instance.fetches = False
    through._rendered(picture, 0.0)
    held = driver.held
    through.close()                      # while a render is under way
    found["given back by the instance"] = held - driver.held > 0
    cards[2].take_back()
    found["unloaded"] = driver.calls("cuModuleUnload")
    found["held"], found["said"], found["waited for all"] = driver.held, driver.said, driver.calls("cuEventSynchronize")
    return found


def refused(binary: str, name: str, status: str) -> dict[str, Any]:
    """What render returns where the driver refuses, and once it no longer does."""
    from huewright.host.card import Card
    from huewright.host.pictures import wrap

    picture, card = pixels(), Card("cuda:0")
    through, driver = renderer(binary, "HueSectors", HUES, picture, card=card), Driver()
    both = {"Source": wrap(picture, "OfxImageComponentRGBA"),
            "Output": wrap(np.zeros_like(picture), "OfxImageComponentRGBA")}
    for clip, its in both.items():
        through.instance.connect(clip, its)
        card.address_of(its)     # the host's own memory is not what is refused

    def render() -> int:
        return int(through.instance.render(both["Output"].bounds))

    through.instance.fetches = False
    driver.refuse(name, int(status))
    answers = [render(), render()]
    driver.refuse("", 0)
    answers.append(render())
    loads = driver.calls("cuModuleLoadData")
    card.take_back()
    messages = [kind for kind, _ in through.host.journal.messages]
    through.close()
    return {"answers": answers, "messages": messages, "said": driver.said, "held": driver.held, "loads": loads,
            "errors": [f.message for f in through.host.journal.findings if f.level == "error"]}


def all_refused(binary: str, cases: str) -> list[dict[str, Any]]:
    """:func:`refused` of each case, in a process of its own each, which begin with all libraries loaded."""
    import json
    import os

    import huewright.host.card
    import huewright.host.rendering  # noqa: F401

    found = []
    for name, status in json.loads(cases):
        reader, writer = os.pipe()
        child = os.fork()
        if not child:
            with os.fdopen(writer, "w") as stream:
                json.dump(refused(binary, name, status), stream)
            os._exit(0)
        os.close(writer)
        with os.fdopen(reader) as stream:
            said = stream.read()
        assert os.waitpid(child, 0)[1] == 0, (name, status)
        found.append(json.loads(said))
    return found


# --- tests --------------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def cube(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("cube") / "invented.cube"
    rows = np.random.default_rng(0).random((9**3, 3))
    path.write_text("LUT_3D_SIZE 9\n" + "\n".join(" ".join(f"{v:.6f}" for v in row) for row in rows) + "\n")
    return path


def test_the_processors_bits_in_every_depth(binary: Path, cube: Path, in_child: Callable[..., Any]) -> None:
    assert in_child(__file__, "differing", binary, cube) == []


def test_pictures_that_lie_askew(binary: Path, in_child: Callable[..., Any]) -> None:
    assert in_child(__file__, "placed", binary) == []


def test_brought_once_and_given_back(binary: Path, in_child: Callable[..., Any]) -> None:
    found = in_child(__file__, "kept", binary)
    assert found["first"] == [2, 1] == found["another stream"]       # data and instructions; kernels
    assert found["another card"] == [4, 2] and found["other settings"] == [6, 2]
    assert found["the same bytes"] and found["on another card"] and found["given back by the instance"]
    assert found["unloaded"] == 2 and found["waited for all"] > 0
    assert found["held"] == 0 and found["said"] == ""


REFUSALS = [
    ("cuMemAlloc_v2", 2, GPU_MEMORY), ("cuMemAlloc_v2", 999, GPU_FAILED), ("cuModuleLoadData", 2, GPU_MEMORY),
    ("cuModuleLoadData", 222, GPU_FAILED), ("cuModuleGetFunction", 500, GPU_FAILED),
    ("cuLaunchKernel", 719, GPU_FAILED), ("cuMemcpyHtoDAsync_v2", 999, GPU_FAILED), ("cuEventRecord", 999, GPU_FAILED),
    ("cuEventCreate", 2, GPU_MEMORY), ("cuStreamGetCtx", 999, OK), ("cuCtxGetId", 999, OK)]


@pytest.fixture(scope="module")
def refusals(binary: Path) -> dict[tuple[str, int], dict[str, Any]]:
    return {}


@pytest.mark.parametrize(("name", "status", "answer"), REFUSALS)
def test_what_the_driver_refuses(binary: Path, in_child: Callable[..., Any], name: str, status: int, answer: int,
                                 refusals: dict[tuple[str, int], dict[str, Any]]) -> None:
    if not refusals:
        cases = [(case, refusal) for case, refusal, _ in REFUSALS]
        refusals |= zip(cases, in_child(__file__, "all_refused", binary, json.dumps(cases)), strict=True)
    found = refusals[name, status]
    lasts = name in ("cuModuleLoadData", "cuModuleGetFunction") and status != 2     # code that the card can't run
    assert found["answers"] == [answer, answer, answer if lasts else OK]
    assert not lasts or found["loads"] == 1
    assert set(found["messages"]) <= {"OfxMessageLog"} and found["errors"] == []
    assert found["held"] == 0 and found["said"] == ""


def test_a_machine_without_the_driver(binary: Path, in_child: Callable[..., Any], tmp_path: Path) -> None:
    import ctypes

    from card.conftest import compiled

    try:
        ctypes.CDLL("libcuda.so.1")
        pytest.skip("NVIDIA's driver is here")
    except OSError:
        pass
    other = compiled("driver.c", tmp_path / "other.so", "-Wl,-soname,other.so")     # known to the host alone
    found = in_child(__file__, "refused", binary, "nothing", 0, with_driver=other)
    assert found["answers"] == [GPU_FAILED] * 3 and set(found["messages"]) == {"OfxMessageLog"}
