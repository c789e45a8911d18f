"""Our plug-in through the headless host, timed beside the harness's own kernels in one process, by turns."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from huewright.errors import InputError
from huewright.host.support import require_support
from huewright.models.cautions import Caution
from huewright.models.record import to_record
from huewright.progress import Progress, silent

if TYPE_CHECKING:
    from huewright.host.child import Tell

EFFECT = "org.huewright.HueSectors"
ROUNDS = 101
PATIENCE_S = 300.0
SMALL = 16
CASES = (("one instance", 1, False), ("four instances in turn", 4, False), ("two instances at once", 2, True))


@dataclass(frozen=True)
class PluginRow:
    """Medians over the rounds, of all instances together. ``ratio`` is the median of the rounds' own ratios of plug-in
    to harness, ``low`` and ``high`` its quartiles; ``reliable`` is false where either side's times spread too far.

    small_ms  what the plug-in's side takes for a picture of 16 x 16: the host's own Python, and what the plug-in does
              once a frame
    """

    case: str
    instances: int
    threads: int
    plugin_ms: float
    harness_ms: float
    small_ms: float
    ratio: float
    low: float
    high: float
    reliable: bool


@dataclass(frozen=True)
class PluginBench:
    rows: tuple[PluginRow, ...]
    machine: str
    rounds: int
    seconds: float
    cautions: tuple[Caution, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        return {"machine": self.machine, "rounds": self.rounds, "seconds": self.seconds,
                "rows": [asdict(row) for row in self.rows], "cautions": to_record(self.cautions)}


def bench_plugin(path: Path | str, *, threads: int | None = None, rounds: int = ROUNDS,
                 size: tuple[int, int] | None = None, progress: Progress = silent) -> PluginBench:
    """Times hue sectors alone (HD or ``size``, float32 RGBA, noise) through the binary at ``path`` and in the harness.

    Raises :class:`InputError` for a path without our plug-in, and where the two give other bits, for then they do
    other work; :class:`~huewright.errors.NoAnswerError` if the plug-in crashes or hangs.
    """
    require_support()
    from huewright_kernels.threads import default_threads

    from huewright.host.bundle import find_binary
    from huewright.host.child import talk
    from huewright.timing import clock, work

    started = time.perf_counter()
    threads = default_threads() if threads is None else threads
    if threads < 1 or rounds < 1:
        raise InputError("a bench needs at least one thread and one round")
    cautions = clock.busy_cautions()
    request = {"path": str(find_binary(path).resolve()), "threads": threads, "rounds": rounds,
               "size": list(size or work.SIZES["HD"])}
    made: list[PluginRow] = []
    progress(0, len(CASES), "timing the plug-in")
    for answer in talk("huewright.steps.ofx_bench", request, PATIENCE_S):
        if "error" in answer:
            raise InputError(f"{path}: {answer['error']}")
        made.append(PluginRow(**answer))
        progress(len(made), len(CASES), "timing the plug-in")
    return PluginBench(tuple(made), clock.machine(), rounds, time.perf_counter() - started, tuple(cautions))


def time_cases(request: dict[str, Any], tell: Tell) -> None:
    """In the child process: a row for each of :data:`CASES`."""
    try:
        for row in _rows(request):
            tell(asdict(row))
    except InputError as error:
        tell({"error": str(error)})


def _rows(request: dict[str, Any]) -> Iterator[PluginRow]:
    import numpy as np
    from huewright_kernels import compile_chain, run

    from huewright.host.rendering import Renderer
    from huewright.plugin.effects import effect
    from huewright.timing import work
    from huewright.timing.clock import UNRELIABLE, each_round, summary

    threads, (width, height) = request["threads"], request["size"]
    most = max(count for _, count, _ in CASES)
    settings = [{"redRotation": 7.5 + k, "greenGain": 1.3, "blueRotation": -11.0} for k in range(most)]
    programs = [compile_chain(effect(EFFECT).operations(each)) for each in settings]
    source = work.noise(width, height)
    outs = [np.empty_like(source) for _ in range(most)]
    first = Renderer(request["path"], EFFECT, settings[0], (width, height), source.dtype, threads=threads)
    instances = [first, *(first.beside(each) for each in settings[1:])]

    def through(k: int) -> None:
        instances[k].render_into(source, outs[k])

    small = [np.ascontiguousarray(source[:SMALL, :SMALL]) for _ in range(most)]
    small_outs = [np.empty_like(each) for each in small]

    def small_through(k: int) -> None:
        instances[k].render_into(small[k], small_outs[k])

    def harness(k: int) -> None:
        run(programs[k], source, outs[k], threads=threads)

    for k in range(most):
        through(k)
        expected = outs[k].copy()
        harness(k)
        if outs[k].tobytes() != expected.tobytes():
            raise InputError("it gives other bits than this harness, so it was built of other kernels; build it again "
                             "with `huewright ofx build`")
    with ThreadPoolExecutor(2) as pool:
        def all_of(side: Callable[[int], None], count: int, at_once: bool) -> Callable[[], None]:
            def go() -> None:
                for _ in (pool.map if at_once else map)(side, range(count)):
                    pass
            return go

        for case, count, at_once in CASES:
            times = each_round({"plug-in": all_of(through, count, at_once), "harness": all_of(harness, count, at_once),
                                "small": all_of(small_through, count, at_once)}, request["rounds"])
            ours, theirs = summary(times["plug-in"]), summary(times["harness"])
            low, middle, high = np.percentile(np.divide(times["plug-in"], times["harness"]), [25, 50, 75])
            yield PluginRow(case, count, threads, ours.median_ms, theirs.median_ms, summary(times["small"]).median_ms,
                            float(middle), float(low), float(high), max(ours.spread, theirs.spread) <= UNRELIABLE)
    for instance in reversed(instances):
        instance.close()


if __name__ == "__main__":
    from huewright.host.child import serve

    serve(time_cases)
