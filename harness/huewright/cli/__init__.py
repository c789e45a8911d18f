"""The command line: one verb a step, plus `run`, which does the whole job. Verbs import their step when called.

Imports steps; nothing imports it.
"""

from __future__ import annotations

import io
import logging
import os
import re
import signal
import sys
from contextlib import suppress
from typing import Any, NamedTuple

import typer

from huewright.cli import (
    bench,
    card,
    demo,
    desk,
    edit,
    export,
    help,
    ofx,
    prove,
    render,
    repeat,
    run,
    scene,
    scopes,
    signals,
    solve,
    survey,
    verify,
)
from huewright.errors import InputError, NoAnswerError, library_words
from huewright.workers import hanging

app = typer.Typer(
    name="huewright",
    no_args_is_help=True,
    add_completion=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    help="Makes footage true to a colour reference card: measures the card, solves one correction for levels and "
    "hues, proves it, renders it and hands it on. Exit codes: 0 done, 1 the card could not support an answer, "
    "or the proof says no, 2 something about the input must be mended first.",
)

run.register(app)
scene.register(app)
desk.register(app)
survey.register(app)
solve.register(app)
render.register(app)
prove.register(app)
export.register(app)
edit.register(app)
scopes.register(app)
repeat.register(app)
card.register(app)
demo.register(app)
verify.register(app)
bench.register(app)
ofx.register(app)
help.register(app)


@app.callback(invoke_without_command=True)
def _root(
    version: bool = typer.Option(False, "--version", help="Print the version and stop."),
    verbose: int = typer.Option(0, "--verbose", "-v", count=True, show_default=False, metavar="",
                                help="Say on stderr what is decided on the way; twice for more. Before the verb."),
) -> None:
    if verbose:
        _talk(logging.INFO if verbose == 1 else logging.DEBUG)
    if version:
        from huewright.version import __version__

        print(f"huewright {__version__}")
        raise typer.Exit()


def _talk(level: int) -> None:
    """What the harness logs, from ``level`` up, goes to stderr; other libraries' logs stay theirs."""
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("%(name)s: %(message)s"))
    logger = logging.getLogger("huewright")
    logger.handlers[:] = [handler]
    logger.setLevel(level)


def main() -> None:
    """Runs the command line; a mistake that a person can mend becomes one sentence, never a traceback."""
    signals.begin()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.encoding.lower() not in ("utf-8", "utf8"):
            stream.reconfigure(errors="replace")  # a console of other letters shows what it can
    try:
        ending = _outcome()
        signals.on_the_way_out()
    except (KeyboardInterrupt, signals.Ended) as again:     # while the first one was being answered
        signals.on_the_way_out()
        number = again.args[0] if isinstance(again, signals.Ended) else signal.SIGINT
        ending = _Ending(128 + number, _stopped(again))
    if ending.sentence:
        with suppress(OSError):     # the terminal may be gone: that is what SIGHUP says
            print(f"huewright: {ending.sentence}", file=sys.stderr, flush=True)
    if hanging():       # in a system call that doesn't come back: nothing but this ends the process
        os._exit(ending.code)
    if ending.at_once:
        signals.leave(ending.code)
    sys.exit(ending.code)


class _Ending(NamedTuple):
    """``at_once``: without what libraries do at the end, which for want of memory may end the process by a signal."""

    code: Any
    sentence: str = ""
    at_once: bool = False


def _outcome() -> _Ending:
    try:
        with signals.asked_again():
            app()
    except InputError as error:
        return _Ending(2, str(error))
    except NoAnswerError as error:
        return _Ending(1, _words(error))
    except KeyboardInterrupt as stop:
        return _Ending(128 + signal.SIGINT, _stopped(stop))
    except SystemExit as left:      # Typer makes its own exit of Ctrl-C, and says nothing
        interrupt = getattr(left.__context__, "__cause__", None)
        if isinstance(interrupt, KeyboardInterrupt):
            return _Ending(128 + signal.SIGINT, _stopped(interrupt))
        return _Ending(left.code)
    except signals.Ended as ended:
        return _Ending(128 + ended.args[0], _stopped(ended))
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        where = f"{os.fsdecode(error.filename)}: " if isinstance(error.filename, (str, bytes)) else ""
        return _Ending(2, f"{where}{error.strerror or error}; mend that and start again")
    except Exception as error:
        room = _missing_room(error)
        if room is None:
            raise
        return _Ending(2, room, at_once=True)
    return _Ending(0)


def _missing_room(error: Exception) -> str | None:
    """What the machine lacked, in a sentence, where that is what ``error`` says, in whatever library's way."""
    said = f" ({first})" if (first := library_words(error)) not in ("", "no reason given") else ""
    if "can't start new thread" in said:
        return ("the system starts no further thread for this: there is not enough memory, or you have as many "
                "processes as you may; give it fewer threads, or end other work")
    kind = type(error)
    libraries = (kind.__module__ == "cv2" and "Insufficient memory" in str(error)
                 or kind is ImportError and re.search("cannot allocate memory|failed to map segment", str(error)))
    if isinstance(error, MemoryError) or libraries:
        return (f"there is not enough memory for this{said}; give it fewer threads or smaller frames, or a machine "
                "with more")
    return None


def _words(error: NoAnswerError) -> str:
    from huewright.words import no_answer_words

    return no_answer_words(error.what, error.why)


def _stopped(stop: BaseException) -> str:
    notes = getattr(stop, "__notes__", ["files that were finished are whole, and nothing else is left; start again"])
    return f"stopped; {'; '.join(notes)}"
