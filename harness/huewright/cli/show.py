"""What the terminal shows: progress on stderr, results on stdout."""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.table import Table

    from huewright.progress import Progress
    from huewright.words import Caution, Coded


@contextmanager
def progress_line(*, one: bool = False) -> Iterator[Progress]:
    """A progress bar on a terminal; one plain line a tenth of the work where stderr is no terminal. ``one``: only what
    is being done now has a bar. Where nothing moves for :data:`STILL_AFTER_S`, both say so."""
    still = _Still()
    if not sys.stderr.isatty():
        with _said_while(still):
            yield _PlainLines(still)
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, ProgressColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar
    from rich.text import Text

    class Left(ProgressColumn):
        """How long it takes still, or for how long it has stood still."""

        def render(self, task: Any) -> Text:
            words = still.words() if task.description == still.what else ""
            return Text(words, style="yellow") if words else remaining.render(task)

    remaining = TimeRemainingColumn()
    with Bar(TextColumn("{task.description}"), BarColumn(20), MofNCompleteColumn(), Left(),
             console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, Any] = {}

        def report(done: int, total: int, what: str) -> None:
            still.told(done, total, what)
            if what not in tasks:
                for earlier in tasks.values() if one else ():
                    bar.update(earlier, visible=False)
                tasks[what] = bar.add_task(what, total=max(total, 1))
            bar.update(tasks[what], completed=done, total=max(total, 1))

        yield report


@contextmanager
def says_what_is_kept(kept: Callable[[], str]) -> Iterator[None]:
    """Where the person or the system stops the block: ``kept()`` goes with that, for the last line."""
    try:
        yield
    except Exception:
        raise
    except BaseException as stop:
        stop.add_note(kept())
        raise


STILL_AFTER_S = 30.0
_OF_FRAMES = ("rendering", "looking for the card", "looking through", "reading the frames", "measuring over the frames")
"""What counts frames, where it is being done."""


class _Still:
    """Since when no progress was made on ``what``, of which something is left to do."""

    def __init__(self) -> None:
        self.what = ""
        self._done, self._total, self._since = 0, 0, time.monotonic()

    def told(self, done: int, total: int, what: str) -> None:
        if (done, what) != (self._done, self.what):
            self.what, self._done, self._since = what, done, time.monotonic()
        self._total = total

    def seconds(self) -> float:
        return time.monotonic() - self._since if self._done < self._total else 0.0

    def words(self) -> str:
        """Nothing before it is worth saying."""
        seconds = self.seconds()
        frames = self.what.rpartition(": ")[2].startswith(_OF_FRAMES)
        return f"{'no frame' if frames else 'nothing'} finished for {duration(seconds)}" * (seconds >= STILL_AFTER_S)


@contextmanager
def _said_while(still: _Still) -> Iterator[None]:
    """A line where it is due, by a thread of its own, then another when it has taken twice as long."""
    ended = threading.Event()

    def watch() -> None:
        due = STILL_AFTER_S
        while not ended.wait(min(1.0, STILL_AFTER_S / 4)):
            words = still.words()
            if not words:
                due = STILL_AFTER_S
            elif still.seconds() >= due and not ended.is_set():
                print(f"{still.what}: {words}\n", end="", file=sys.stderr, flush=True)
                due *= 2

    with suppress(RuntimeError):        # the system starts no further thread: the work may need none
        threading.Thread(target=watch, name="huewright-still", daemon=True).start()
    try:
        yield
    finally:
        ended.set()


class _PlainLines:
    def __init__(self, still: _Still) -> None:
        self._still = still
        self._last: dict[str, int] = {}
        self._begun: dict[str, tuple[int, float]] = {}

    def __call__(self, done: int, total: int, what: str) -> None:
        self._still.told(done, total, what)
        if done < self._begun.setdefault(what, (done, time.monotonic()))[0] or done == 0:
            self._begun[what] = (done, time.monotonic())     # the next shot's
        tenth = 10 * done // max(total, 1)
        if self._last.get(what) != tenth:
            self._last[what] = tenth
            line = f"{what}: {done} of {total}{self._left(done, total, what)}" if total > 0 else what
            print(f"{line}\n", end="", file=sys.stderr, flush=True)      # at once: a signal parts no line

    def _left(self, done: int, total: int, what: str) -> str:
        """Of the time, as it went so far; nothing in the first seconds and at the end."""
        first, begun = self._begun[what]
        taken = time.monotonic() - begun
        if taken < LEFT_AFTER_S or not first < done < total:
            return ""
        return f", about {duration(taken / (done - first) * (total - done))} left"


LEFT_AFTER_S = 5.0


def duration(seconds: float) -> str:
    """Such as "40 s", "12 min" and "3 h 05 min"."""
    minutes = round(seconds / 60)
    if seconds < 100:
        return f"{max(1, round(seconds))} s"
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60:02d} min"


def json_line(record: Any) -> None:
    """``record`` on stdout as JSON on one line, at once."""
    from huewright.steps.outputs import plain

    print(json.dumps(plain(record), allow_nan=False), flush=True)


WIDTH = 80
"""Columns that every table fits into; a wider terminal gives its text more room."""


def table(title: str, columns: list[str], rows: list[list[str]], *, left: tuple[int, ...] = ()) -> Table:
    """Numbers right, text left: the first column, which names the row, and those in ``left``. A heading may have two
    lines. Columns stand apart by two where all of them fit, else by one; text in ``left`` is wrapped."""
    from rich import box
    from rich.table import Table

    widths = [max(len(line) for cell in cells for line in cell.split("\n"))
              for cells in zip(columns, *rows, strict=True)]
    gap = 2 if sum(widths) + 2 * (len(widths) - 1) <= WIDTH else 1
    result = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False,
                   padding=(0, gap - 1, 0, 0))
    two = any("\n" in column for column in columns)
    for index, column in enumerate(columns):
        heading = column if "\n" in column or not two else f"\n{column}"
        text = index in left
        result.add_column(heading, justify="left" if index == 0 or text else "right", no_wrap=not text)
    for row in rows:
        result.add_row(*row)
    return result


def say(*items: Any) -> None:
    """Prints to stdout; where that is no terminal, tables are as wide as on a narrow one and sentences one line."""
    from rich.console import Console

    console = Console(width=None if sys.stdout.isatty() else WIDTH, highlight=False)
    for item in items:
        console.print(item, soft_wrap=isinstance(item, str), markup=False)


def show_text(text: str) -> None:
    """Markdown: laid out on a terminal, as it stands elsewhere."""
    if not sys.stdout.isatty():
        print(text, end="")
        return
    from rich.console import Console
    from rich.markdown import Markdown

    Console().print(Markdown(text))


SHOWN = 3


def cautions(items: Iterable[Caution], rest: str = "", about: str = "") -> None:
    """Each once on stderr, the weightiest first; no more than three where ``rest`` says where the others are."""
    from huewright.words import in_order

    sorted_ones = in_order(items)
    shown = sorted_ones[:SHOWN] if rest and len(sorted_ones) > SHOWN + 1 else sorted_ones
    for one in shown:
        caution(one, about)
    if len(shown) < len(sorted_ones):
        print(f"caution: {about}and {len(sorted_ones) - len(shown)} more {rest}", file=sys.stderr)


def caution(what: Coded | str, about: str = "") -> None:
    """A line on stderr: ``what`` there is to know, in words, and what it is about."""
    from huewright.words import sentence

    print(f"caution: {about}{what if isinstance(what, str) else sentence(what)}", file=sys.stderr)


def number(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def counted(count: int, what: str) -> str:
    """Such as "1 frame" and "2 frames"."""
    return f"{count} {what}" + ("" if count == 1 else "s")
