"""A device is what was named or a sentence: never another one, never a traceback."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest
from huewright.device import driver
from huewright.device.choosing import computing_on, require_device
from huewright.device.compute import Processor
from huewright.errors import InputError


class Results:
    """The driver's answers by their names in NVIDIA's CUDA Driver API."""

    def __init__(self, name: str) -> None:
        self.name = name


class Driver:
    """Stands in for the driver of a machine with ``cards`` GPUs."""

    class CUresult:
        CUDA_SUCCESS, CUDA_ERROR_NO_DEVICE = Results("CUDA_SUCCESS"), Results("CUDA_ERROR_NO_DEVICE")
        CUDA_ERROR_OUT_OF_MEMORY, CUDA_ERROR_UNKNOWN = (Results("CUDA_ERROR_OUT_OF_MEMORY"),
                                                        Results("CUDA_ERROR_UNKNOWN"))

    def __init__(self, cards: int) -> None:
        self.cards = cards

    def cuDeviceGetCount(self) -> tuple[Any, int]:  # noqa: N802
        return self.CUresult.CUDA_SUCCESS, self.cards

    def cuMemAlloc(self, size: int) -> tuple[Any, int]:  # noqa: N802
        return self.CUresult.CUDA_ERROR_OUT_OF_MEMORY, 0

    def cuLaunchKernel(self) -> tuple[Any]:  # noqa: N802
        return (self.CUresult.CUDA_ERROR_UNKNOWN,)

    def cuGetErrorString(self, status: Any) -> tuple[Any, bytes]:  # noqa: N802
        return self.CUresult.CUDA_SUCCESS, b"unknown error"


@pytest.fixture
def two_cards(monkeypatch: pytest.MonkeyPatch) -> None:
    made = Driver(2)
    monkeypatch.setattr(driver, "api", lambda: made)


def test_the_processor_needs_nothing() -> None:
    require_device("cpu")
    assert isinstance(computing_on("cpu", threads=1), Processor)


def test_names_of_devices(two_cards: None) -> None:
    from huewright.device.driver import named

    assert named("cuda") == [0, 1] and named("cuda:1") == [1]
    with pytest.raises(InputError, match="there is no GPU 2: this machine has 2, counted from 0"):
        named("cuda:2")
    for wrong in ("gpu", "CUDA", "cuda:", "cuda:-1", "cuda:0,1", "", "opencl"):
        with pytest.raises(InputError, match="--device takes cpu, cuda, or cuda:N"):
            named(wrong)


def test_a_machine_without_cards(monkeypatch: pytest.MonkeyPatch) -> None:
    none = Driver(0)
    monkeypatch.setattr(driver, "api", lambda: none)
    with pytest.raises(InputError, match="needs an NVIDIA GPU, and there is none here"):
        require_device("cuda")


def test_what_the_driver_refuses_is_a_sentence(two_cards: None) -> None:
    with pytest.raises(InputError, match="not enough free memory"):
        driver.call("cuMemAlloc", 1 << 50)
    with pytest.raises(InputError, match="failed in cuLaunchKernel: unknown error"):
        driver.call("cuLaunchKernel")


def test_without_the_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "cuda", None)
    monkeypatch.setitem(sys.modules, "cuda.bindings", None)
    driver.api.cache_clear()
    with pytest.raises(InputError, match="needs the package cuda-bindings"):
        require_device("cuda")


@pytest.mark.parametrize("words", [("verify",), ("bench", "--quick"),
                                   ("render", "correction.json", "a.####.png", "b.####.png")])
def test_each_verb_stops_with_one_sentence_where_there_is_no_gpu(words: tuple[str, ...], tmp_path: Path,
                                                                 monkeypatch: pytest.MonkeyPatch,
                                                                 capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("typer", reason="needs the command line's packages")
    from huewright.cli import main

    none = Driver(0)
    monkeypatch.setattr(driver, "api", lambda: none)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", ["huewright", *words, "--device", "cuda"])
    with pytest.raises(SystemExit) as stop:
        main()
    said = capsys.readouterr()
    assert stop.value.code == 2 and said.out == "" and list(tmp_path.iterdir()) == []
    assert said.err.splitlines()[-1].startswith("huewright: ") and "Traceback" not in said.err
    if words[0] != "render":     # which misses its correction first
        assert "needs an NVIDIA GPU" in said.err
