"""What it is to compute a chain, and this machine's processor, which does it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from huewright_kernels.executor import Program, run
from huewright_kernels.formats import PixelBuffer

Pixels = np.ndarray | PixelBuffer
PROCESSOR = "cpu"


class Compute(Protocol):
    """Runs ``program`` from ``source`` into ``target``, as :func:`huewright_kernels.executor.run` does."""

    @property
    def name(self) -> str: ...

    def __call__(self, program: Program, source: Pixels, target: Pixels, *, premultiplied: bool = False,
                 dither_seed: int | None = None) -> None: ...


@dataclass(frozen=True)
class Processor:
    """This machine's own, on ``threads`` threads a picture (None: all)."""

    threads: int | None = None
    name: str = PROCESSOR

    def __call__(self, program: Program, source: Pixels, target: Pixels, *, premultiplied: bool = False,
                 dither_seed: int | None = None) -> None:
        run(program, source, target, threads=self.threads, premultiplied=premultiplied, dither_seed=dither_seed)
