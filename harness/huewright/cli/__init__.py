"""The command line: one verb a step, plus `run`, which does the whole job. Verbs import their step when called.

Imports steps; nothing imports it.
"""

from __future__ import annotations

import os
import sys

import typer

from huewright.cli import bench, card, demo, export, ofx, prove, render, repeat, run, solve, survey, verify
from huewright.errors import InputError, NoAnswerError

app = typer.Typer(
    name="huewright",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Makes footage true to a colour reference card: measures the card, solves one correction for levels and "
    "hues, proves it, renders it and hands it on. Exit codes: 0 done, 1 the card could not support an answer, "
    "or the proof is not within its limits, 2 something about the input must be mended first.",
)

run.register(app)
survey.register(app)
solve.register(app)
render.register(app)
prove.register(app)
export.register(app)
repeat.register(app)
card.register(app)
demo.register(app)
verify.register(app)
bench.register(app)
ofx.register(app)


@app.callback(invoke_without_command=True)
def _root(
    version: bool = typer.Option(False, "--version", help="Print the version and stop."),
) -> None:
    if version:
        from huewright.version import __version__

        print(f"huewright {__version__}")
        raise typer.Exit()


def main() -> None:
    """Runs the command line; a mistake that a person can mend becomes one sentence, never a traceback."""
    try:
        app()
    except InputError as error:
        print(f"huewright: {error}", file=sys.stderr)
        sys.exit(2)
    except NoAnswerError as error:
        print(f"huewright: {error}", file=sys.stderr)
        sys.exit(1)
    except KeyboardInterrupt:
        print("huewright: stopped; what was finished is whole, and --resume goes on where a render left off",
              file=sys.stderr)
        sys.exit(130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
