"""Timing that says how far it can be trusted: contenders take turns, so that a busy moment hits them all."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

UNRELIABLE = 0.15
"""A spread beyond this share of the median makes a row unreliable."""


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
