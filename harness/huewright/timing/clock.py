"""Timing that says how far it can be trusted: contenders take turns, so that a busy moment hits them all."""

from __future__ import annotations

import gc
import os
import platform
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import llvmlite.binding
import numpy as np
from huewright_kernels.threads import default_threads

from huewright.models.cautions import Caution, MachineBusy

UNRELIABLE = 0.15
"""A spread beyond this share of the median makes a row unreliable."""
BUSY = 0.5
"""A machine whose load, before the bench adds its own, is beyond this share of its processors is called busy."""


@dataclass(frozen=True)
class Timed:
    """``median_ms`` of the rounds; ``spread`` is the middle half of them (quartile to quartile) over the median."""

    median_ms: float
    spread: float


def interleaved(contenders: dict[str, Callable[[], None]], rounds: int) -> dict[str, Timed]:
    """Each contender once a round, after one round that doesn't count."""
    return {name: summary(values) for name, values in each_round(contenders, rounds).items()}


def each_round(contenders: dict[str, Callable[[], None]], rounds: int) -> dict[str, list[float]]:
    """The same, each round's milliseconds."""
    for contender in contenders.values():
        contender()
    times: dict[str, list[float]] = {name: [] for name in contenders}
    collecting = gc.isenabled()
    gc.disable()
    try:
        for _ in range(rounds):
            for name, contender in contenders.items():
                started = time.perf_counter()
                contender()
                times[name].append((time.perf_counter() - started) * 1e3)
    finally:
        if collecting:
            gc.enable()
    return times


def summary(values: list[float]) -> Timed:
    low, middle, high = np.percentile(values, [25, 50, 75])
    return Timed(float(middle), float((high - low) / middle))


def busy_cautions() -> list[Caution]:
    if not hasattr(os, "getloadavg"):
        return []
    load, processors = os.getloadavg()[0], os.cpu_count() or 1
    if load <= BUSY * processors:
        return []
    return [MachineBusy(load, processors)]


def machine() -> str:
    name = platform.processor() or platform.machine()
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                name = line.split(":", 1)[1].strip()
                break
    except OSError:
        pass
    return (f"{name} ({llvmlite.binding.get_host_cpu_name()}), {default_threads()} threads, "
            f"{platform.system()} {platform.machine()}, Python {platform.python_version()}")
