"""Verify: every accuracy claim measured here and now, on dense and random colours and on a person's own frames."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from huewright.accuracy.check import ABSOLUTE, SPACING_MEANS, Check
from huewright.progress import Progress, silent
from huewright.version import versions_of

FRAMES = 3
PIXELS_A_FRAME = 60_000


@dataclass(frozen=True)
class VerifyResult:
    """``checks`` in the order run; ``versions`` of what took part; ``passed`` if every check did."""

    checks: tuple[Check, ...]
    passed: bool
    seconds: float
    machine: str
    versions: dict[str, str]


def run_verify(*, frames: str | None = None, device: str = "cpu", progress: Progress = silent) -> VerifyResult:
    """Runs all checks; with ``frames`` (a sequence in any notation) also on the pixels of up to three of them.

    With another ``device`` than "cpu" (:func:`huewright.device.choosing.computing_on`) its bits are compared with the
    processor's instead: what holds of these then holds of it.

    Raises :class:`InputError` for frames that aren't there or can't be read, before anything is measured.
    """
    started = time.perf_counter()
    if device != "cpu":
        return _same_bits(device, started, progress)
    samples = {} if frames is None else _samples(frames)
    from huewright_kernels.executor import warm_up

    from huewright.accuracy import anchors, kernels

    stages: list[tuple[str, Callable[[], Iterable[Check]]]] = [
        ("operations", kernels.operation_checks), ("masks", kernels.mask_checks),
        ("published values", anchors.published_checks), ("colour-science", anchors.colour_science_checks),
        ("OpenColorIO", anchors.opencolorio_checks), ("scipy", anchors.tone_checks)]
    for name, colours in samples.items():
        stages.append((name, lambda name=name, colours=colours: kernels.frame_checks(name, colours)))  # type: ignore
    warm_up(lambda what: progress(0, len(stages), what))
    checks: list[Check] = []
    for done, (_, stage) in enumerate(stages):
        progress(done, len(stages), "checking")
        checks.extend(stage())
    progress(len(stages), len(stages), "checking")
    return VerifyResult(tuple(checks), all(check.passed for check in checks), time.perf_counter() - started,
                        f"{platform.machine()} {platform.system()}, Python {platform.python_version()}",
                        versions_of("numpy", "numba", "scipy", "colour-science", "opencolorio"))


def _same_bits(device: str, started: float, progress: Progress) -> VerifyResult:
    from huewright.accuracy import devices
    from huewright.device.choosing import computing_on

    compute = computing_on(device, notify=lambda line: progress(0, 0, line))
    checks: list[Check] = []
    rows = devices.how_many()
    for check in devices.same_bits(compute):
        progress(len(checks), rows, "comparing")
        checks.append(check)
    progress(rows, rows, "comparing")
    return VerifyResult(tuple(checks), all(check.passed for check in checks), time.perf_counter() - started,
                        f"{compute.name} beside {platform.machine()} {platform.system()}",
                        versions_of("numpy", "numba", "llvmlite", "cuda-bindings"))


def _samples(frames: str) -> dict[str, np.ndarray]:
    """File name -> colours (n, 3) float32 of the first, a middle and the last frame, evenly picked."""
    from huewright.errors import InputError
    from huewright.frames.opening import open_take

    sequence = open_take(frames)
    numbers = sequence.numbers
    picked = sorted({numbers[round(k * (len(numbers) - 1) / max(1, FRAMES - 1))] for k in range(FRAMES)})
    samples = {}
    for number in picked:
        colours = sequence.frame(number).rgb_float().reshape(-1, 3)
        colours = colours[:: max(1, len(colours) // PIXELS_A_FRAME)]
        if not np.isfinite(colours).all(axis=1).any():
            raise InputError(f"{sequence.called(number)}: no pixel of it is a finite number; give another frame")
        samples[sequence.file_name(number)] = colours
    return samples


__all__ = ["ABSOLUTE", "SPACING_MEANS", "VerifyResult", "run_verify"]
