"""`huewright scene`: several cameras, takes and shots from one file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from huewright.cli import options

if TYPE_CHECKING:
    from huewright.steps.scene.job import SceneResult
    from huewright.words import Caution


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright scene scene.toml --dry-run")
    def scene(
        file: Annotated[Path, typer.Argument(help="A scene file (TOML): cameras, takes of the card, shots. `huewright "
                                             "help scene-file` says what may stand in it.", show_default=False)],
        dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be done and why; write nothing.")]
        = False,
        only_export: Annotated[bool, typer.Option("--only-export", help="Make LUT files and the page; render "
                                                  "nothing.")] = False,
        device: options.Device = "cpu",
        json_file: options.JsonFile = None,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files that the scene did not write, or "
                                                "that were changed since.")] = False,
    ) -> None:
        """Bring all cameras of a scene to the same targets; render or export each shot; show it on one page.

        Only what has changed since last time is done again, so the same command goes on after a stop. Exits with 1
        where a take gives no correction, with 2 where a shot or a take can't be read; the others are done all the same.
        """
        from huewright.cli.show import progress_line, say, says_what_is_kept
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.steps.scene.job import kept_in_words, run_scene
        from huewright.words.scene import apart_words

        refuse_outputs(json_file, overwrite=overwrite)
        with says_what_is_kept(lambda: kept_in_words(file)), progress_line(one=True) as progress:
            result = run_scene(file, dry_run=dry_run, only_export=only_export, device=device, overwrite=overwrite,
                               progress=progress)
        write_figures(json_file, result, overwrite=overwrite)
        _say_steps(result, dry_run)
        say(*(apart_words(apart) for apart in result.apart))
        _say_cautions(result)
        _conclude(result, dry_run)


def _say_steps(result: SceneResult, dry_run: bool) -> None:
    """What was (or would be) done and why; of what stays, how much it is."""
    from huewright.cli.show import counted, say, table
    from huewright.words import sentence
    from huewright.words.scene import served_words, step_words

    rows = [[step_words(step.kind, step.name), sentence(step.why)] for step in result.steps if step.told]
    if rows:
        say(table("Would be done" if dry_run else "Done now", ["step", "why"], rows, left=(1,)))
    same = sum(step.stays for step in result.steps)
    if same:
        say(f"{counted(same, 'step')} {'stay' if same > 1 else 'stays'} as {'they are' if same > 1 else 'it is'}")
    if result.served and rows:
        say(table("Which take serves which shot", ["shot", "served by"],
                  [[name, served_words(served)] for name, served in result.served.items()], left=(1,)))


def _say_cautions(result: SceneResult) -> None:
    """Of what was done now, each once, with what it is about; the page has all of them."""
    from huewright.cli.show import SHOWN, caution
    from huewright.words import in_order

    now = {(step.kind, step.name) for step in result.steps if step.done}
    about: dict[Caution, list[str]] = {}
    for kind, name, one in result.cautions:
        if (kind, name) in now:
            about.setdefault(one, []).append(f"{'take' if kind in ('survey', 'solve') else 'shot'} {name}")
    sorted_ones = in_order(about)
    for one in sorted_ones[:SHOWN]:
        names = list(dict.fromkeys(about[one]))
        caution(one, f"{', '.join(names[:3])}{f' and {len(names) - 3} more' if len(names) > 3 else ''}: ")
    if len(sorted_ones) > SHOWN:
        caution(f"and {len(sorted_ones) - SHOWN} more in {result.page}")


def _conclude(result: SceneResult, dry_run: bool) -> None:
    import sys

    from huewright.cli.show import say
    from huewright.words import sentence
    from huewright.words.scene import step_words

    for step in result.failed:
        print(f"huewright: {step_words(step.kind, step.name)}: {sentence(step.why)}", file=sys.stderr)
    if not dry_run:
        say(f"everything is in {result.out}: open {result.page}")
    if result.failed:
        raise typer.Exit(2 if any(step.mendable for step in result.failed) else 1)
