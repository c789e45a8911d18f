"""Frames of a render over the workers of a Dask scheduler that is there already.

The scheduler hands frames out, and those of a worker that is lost to others. Dask carries Python objects, and whoever
speaks for the scheduler can have any code run here: the address is trusted (the page on security says so).
"""

from __future__ import annotations

import logging
import queue
import re
import time
import uuid
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError, library_words
from huewright.files import hidden_mark, json_text
from huewright.frames.opening import open_take
from huewright.frames.take import Take
from huewright.models.correction import Correction, correction_to_dict
from huewright.progress import Progress
from huewright.provenance.digests import operations_digest
from huewright.rendering.away import Order, Refused, as_given, builds, differing, do_frame, source_of
from huewright.rendering.hands import WHAT, Act, Done, Seen

CONNECT_S = 5.0
FIRST_WORKER_S = 3.0
GONE_S = 10.0        # without the scheduler
ALONE_S = 60.0       # without any worker: one that is started anew takes seconds
_ADDRESS = re.compile(r"(?:tcp|tls)://(?:\[[0-9A-Fa-f:.]+\]|[^\s/:\[\]]+):[0-9]{1,5}")
RESULT_S = 5.0       # for a small record to come from a worker
MOST_TIMES = 5
KEPT = "frames that were finished are whole and kept; the same command with --resume goes on"


def require_farm(address: str) -> None:
    """:class:`InputError` where ``address`` is none of a scheduler whose workers can render as this process does."""
    with _connected(address):
        pass


@dataclass(frozen=True)
class Farm:
    """The workers of one scheduler, as :class:`huewright.rendering.hands.Hands`."""

    name: str
    client: Any
    order: Order
    take: Take
    outputs: dict[int, Path]

    def each(self, act: Act, numbers: tuple[int, ...], seen: Seen, progress: Progress) -> None:
        handed = _Handed(self, act)
        try:
            progress(0, len(numbers), WHAT[act])
            for number in numbers:
                handed.out(number)
            while handed.waiting:
                for number, done in handed.back():
                    seen(number, done)
                progress(len(numbers) - len(handed.waiting), len(numbers), WHAT[act])
        except BaseException:
            handed.call_off()
            raise


class _Handed:
    """Frames handed out. What a worker had done and held when it was lost is handed out again, as what it was doing
    is (by the scheduler itself)."""

    def __init__(self, farm: Farm, act: Act) -> None:
        self.farm, self.act = farm, act
        self.run = uuid.uuid4().hex[:12]
        self.order: Any = None
        self.waiting: dict[int, Any] = {}
        self.times: Counter[int] = Counter()
        self.arrived: queue.SimpleQueue[tuple[int, Any]] = queue.SimpleQueue()
        self.watch = _Watch(farm.name, farm.client)

    def out(self, number: int) -> None:
        self.times[number] += 1
        if self.times[number] > MOST_TIMES:
            raise self._ended_workers(number)
        if self.order is None or self.order.status in ("cancelled", "lost"):
            self.order = self.farm.client.submit(as_given, self.farm.order, pure=False,
                                                 key=f"huewright-{self.run}-{number}-order-{self.times[number]}")
        future = self.farm.client.submit(
            do_frame, self.order, self.act, number, source_of(self.farm.take.file(number)),
            str(self.farm.outputs[number].absolute()), key=f"huewright-{self.run}-{number}-{self.times[number]}",
            pure=False)
        self.waiting[number] = future
        future.add_done_callback(lambda future: self.arrived.put((number, future)))

    def back(self) -> Iterator[tuple[int, Done]]:
        """What has come, if anything comes within a quarter of a second."""
        try:
            number, future = self.arrived.get(timeout=0.25)
        except queue.Empty:
            self.watch.look()
            return
        if number not in self.waiting or self.waiting[number] is not future:
            return
        status = future.status
        if status == "finished":
            try:
                result = future.result(timeout=RESULT_S)
            except (OSError, CancelledError):     # it was on a worker that is lost
                status = "lost"
        if status in ("lost", "cancelled", "pending"):
            if self.farm.client.status != "running":
                raise _gone(self.farm.name)
            self.out(number)
            return
        del self.waiting[number]
        if status == "error":
            raise self._failure(number, future.exception())
        if isinstance(result, Refused):
            raise self._refusal(number, result)
        yield number, result

    def call_off(self) -> None:
        with suppress(Exception):     # the scheduler may be what is gone
            self.farm.client.cancel(list(self.waiting.values()), force=True)

    def _failure(self, number: int, error: BaseException) -> BaseException:
        from distributed import KilledWorker

        if isinstance(error, KilledWorker):
            return self._ended_workers(number)
        return InputError(_lacking(self.farm.name, "a worker")) if _is_lacking(error) else error

    def _ended_workers(self, number: int) -> InputError:
        return InputError(f"{self.farm.name}: frame {number} of {self.farm.take.text} ended one worker after another, "
                          f"as too little memory does; {KEPT}")

    def _refusal(self, number: int, refused: Refused) -> InputError:
        if refused.other:
            return InputError(_other(self.farm.name, "a worker", refused.other))
        return InputError(f"frame {number} of {self.farm.take.text}, on a worker of {self.farm.name}: {refused.words}; "
                          "takes and outputs must have the same paths on every worker as here, and be the same files")


class _Watch:
    """Looks, while nothing arrives, whether anything still can."""

    def __init__(self, name: str, client: Any) -> None:
        self.name, self.client = name, client
        self.gone_since: float | None = None
        self.alone_since: float | None = None
        self.next = 0.0

    def look(self) -> None:
        now = time.monotonic()
        if now < self.next:
            return
        self.next = now + 1
        if self.client.status != "running":
            self.gone_since = self.gone_since or now
            if now - self.gone_since > GONE_S or self.client.status == "closed":
                raise _gone(self.name)
            return
        self.gone_since = None
        if _workers(self.client):
            self.alone_since = None
            return
        self.alone_since = self.alone_since or now
        if now - self.alone_since > ALONE_S:
            raise InputError(f"{self.name} has had no worker for {ALONE_S:.0f} s; {KEPT}")


@contextmanager
def farm_at(address: str, correction: Correction, take: Take, outputs: dict[int, Path], *, size: tuple[int, int],
            range_: str, bits: int, dither: bool, chromaticities: tuple[float, ...], overwrite: bool, hashed: bool,
            remembered: bool, notify: Callable[[str], None]) -> Iterator[Farm]:
    """The workers at ``address`` (``tcp://HOST:PORT``), ready to render ``take`` to ``outputs``. The other arguments
    are a render's, as :func:`huewright.rendering.job.prepared` takes them.

    :class:`InputError` in one sentence: no scheduler, no workers, workers without this program or with another version
    of it, a take that can't be named to them.
    """
    text = _whole_name(take)
    first = next(iter(outputs.values())).absolute()
    with _connected(address) as client, hidden_mark(first) as mark:
        count = len(_workers(client))
        notify(f"over {count} worker{'' if count == 1 else 's'} of {address}")
        order = Order(builds(), text, json_text(correction_to_dict(correction)),
                      operations_digest(correction.operations), str(mark), size, range_, bits, dither,
                      first.suffix.lower(), chromaticities, overwrite, hashed, remembered)
        yield Farm(address, client, order, take, outputs)


def _whole_name(take: Take) -> str:
    """What opens ``take`` from any folder."""
    text = take.text if Path(take.text).is_absolute() else str(Path.cwd() / take.text)
    with suppress(InputError):
        there = open_take(text)
        if set(take.numbers) <= set(there.numbers) and all(
                there.file(number).resolve() == take.file(number).resolve() for number in take.numbers):
            return text
    raise InputError(f"{take.text}: {text} names other frames, so the take can't be named to workers; start in the "
                     "folder that its name counts from, or give its whole path")


@contextmanager
def _connected(address: str) -> Iterator[Any]:
    """A client of the scheduler, whose workers were asked what they are."""
    if not _ADDRESS.fullmatch(address):
        raise InputError(f"--on takes the address of a Dask scheduler, as tcp://192.0.2.7:8786, not {address!r}")
    try:
        from distributed import Client
    except ImportError:
        raise InputError("rendering over other machines needs the package distributed; install it with `pip install "
                         "'huewright[farm]'`") from None
    connected: Any = Client     # it has no types
    with _quiet("distributed", "tornado", "asyncio"):     # what goes wrong is said in sentences of ours
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")     # of versions, which are asked for below
                client = connected(address, timeout=CONNECT_S, name="huewright", set_as_default=False)
        except Exception as error:     # whatever answers there need not be a scheduler
            said = library_words(error)
            raise InputError(f"{address}: no Dask scheduler answers there ({said}); start one with `dask scheduler`, "
                             "or check host and port") from None
        try:
            _require_alike(address, client)
            yield client
        finally:
            with suppress(Exception):
                client.close(timeout=2)


@contextmanager
def _quiet(*libraries: str) -> Iterator[None]:
    """What these libraries log is left out while the block runs."""
    names = [name for name in logging.root.manager.loggerDict if name.partition(".")[0] in libraries]
    loud = [logger for logger in map(logging.getLogger, names) if not logger.disabled]
    for logger in loud:
        logger.disabled = True
    try:
        yield
    finally:
        for logger in loud:
            logger.disabled = False


def _workers(client: Any) -> dict[str, Any]:
    return dict(client.scheduler_info(n_workers=-1)["workers"])


def _require_alike(address: str, client: Any) -> None:
    until = time.monotonic() + FIRST_WORKER_S
    while not _workers(client):
        if time.monotonic() > until:
            raise InputError(f"{address}: the scheduler there has no workers; start some with `dask worker {address}`")
        time.sleep(0.1)
    for worker, found in sorted(client.run(builds, on_error="return").items()):
        if isinstance(found, Exception) and _is_lacking(found):
            raise InputError(_lacking(address, f"the worker {worker}"))
        if isinstance(found, Exception):
            raise InputError(f"{address}: the worker {worker} does not say what it is ({library_words(found)}); end "
                             "it, or start it anew") from None
        if other := differing(found, builds()):
            raise InputError(_other(address, f"the worker {worker}", other))


def _is_lacking(error: BaseException) -> bool:
    """Dask makes a plain exception, with the name of the real one, of what it can't pack."""
    return isinstance(error, ImportError) or "ModuleNotFoundError" in f"{type(error).__name__} {error!r}"


def _lacking(address: str, who: str) -> str:
    return (f"{address}: {who} has no huewright (or not all that it needs); install there what is here, by the same "
            "requirements.lock")


def _other(address: str, who: str, what: str) -> str:
    return (f"{address}: {who} has {what}, so its frames might differ; install there what is here, by the same "
            "requirements.lock")


def _gone(address: str) -> InputError:
    return InputError(f"{address}: the scheduler went away; {KEPT}")


__all__ = ["Farm", "farm_at", "require_farm"]
