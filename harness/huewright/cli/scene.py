"""`huewright scene`: several cameras, takes and shots from one file."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from huewright.cli import options

if TYPE_CHECKING:
    from huewright.steps.scene.job import SceneResult
    from huewright.words import Caution


_OF = {"survey": "take", "solve": "take", "export": "shot", "render": "shot", "config": "configuration", "edit": "edit"}


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright scene scene.toml --dry-run")
    def scene(
        file: Annotated[Path, typer.Argument(help="A scene file (TOML): cameras, takes of the card, shots. `huewright "
                                             "help scene-file` says what may stand in it.", show_default=False)],
        dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be done and why; write nothing.")]
        = False,
        only_export: Annotated[bool, typer.Option("--only-export", help="Make LUT files and the page; render "
                                                  "nothing.")] = False,
        draft: Annotated[Path | None, typer.Option("--draft", metavar="FOLDER", help="Write FILE, which must not exist "
                         "yet, from the clips in this folder: whose they are, which hold the card, and what only you "
                         "can tell. Needs --card.")] = None,
        card: Annotated[Path | None, typer.Option("--card", help="For --draft: the card file.")] = None,
        encoding: Annotated[str | None, typer.Option("--encoding", help="For --draft: what all cameras recorded, as "
                            "`huewright run` takes it; if not given, what a movie's tags say, else a place to fill in."
                            )] = None,
        device: options.Device = "cpu",
        on: options.On = None,
        json_file: options.JsonFile = None,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files that the scene did not write, or "
                                                "that were changed since.")] = False,
    ) -> None:
        """Bring all cameras of a scene to the same targets; render or export each shot; show it on one page.

        Only what has changed since last time is done again, so the same command goes on after a stop. Rendered shots
        are looked through for range and flashing, which is no certified test. Exits with 1
        where a take gives no correction or a shot is of another camera by its files, with 2 where a shot or a take
        can't be read; the others are done all the same.
        """
        from huewright.cli.show import progress_line, say, says_what_is_kept
        from huewright.errors import InputError
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.steps.scene.job import kept_in_words, run_scene
        from huewright.words.scene import apart_words, left_words

        refuse_outputs(json_file, overwrite=overwrite)
        if draft is not None:
            _draft(file, draft, card, encoding, json_file, overwrite)
            return
        if card is not None or encoding is not None:
            raise InputError("--card and --encoding are for --draft; a scene file says them itself")
        with says_what_is_kept(lambda: kept_in_words(file)), progress_line(one=True) as progress:
            result = run_scene(file, dry_run=dry_run, only_export=only_export, device=device, on=on,
                               overwrite=overwrite, progress=progress)
        write_figures(json_file, result, overwrite=overwrite)
        _say_steps(result, dry_run)
        say(*(apart_words(apart) for apart in result.apart))
        _say_handed(result)
        _say_cautions(result, dry_run)
        say(*left_words(result.left))
        conclude(result, dry_run)


def _say_steps(result: SceneResult, dry_run: bool) -> None:
    """What was (or would be) done and why; of what stays, how much it is."""
    from huewright.cli.show import counted, say, table
    from huewright.words.keys import scene_sentence
    from huewright.words.scene import served_words, step_words

    rows = [[step_words(step.kind, step.name), scene_sentence(step.why)] for step in result.steps if step.told]
    if rows:
        say(table("Would be done" if dry_run else "Done now", ["step", "why"], rows, left=(1,)))
    same = sum(step.stays for step in result.steps)
    if same:
        say(f"{counted(same, 'step')} {'stay' if same > 1 else 'stays'} as {'they are' if same > 1 else 'it is'}")
    if result.served and rows:
        say(table("Which take serves which shot", ["shot", "served by"],
                  [[name, served_words(served)] for name, served in result.served.items()], left=(1,)))


def _say_handed(result: SceneResult) -> None:
    """Of configurations and edits that were written now, what stands in them."""
    from huewright.cli.show import say
    from huewright.words.handed import clip_words, clips_words, config_lines

    for step in result.steps:
        if step.done and step.kind == "config":
            say(*(line for one in result.configured.get(step.name, ()) for line in config_lines(one)))
        if step.done and step.kind == "edit" and step.name in result.noted:
            clips = result.noted[step.name]
            say(*(f"{clip.track or 'video'}: {clip.name or 'without a name'}: {clip_words(clip)}" for clip in clips),
                f"{step.name}.otio: {clips_words(clips)}")


def _say_cautions(result: SceneResult, dry_run: bool) -> None:
    """Of what was done now, each once, with what it is about; the page has all of them."""
    from huewright.cli.show import SHOWN, caution
    from huewright.words import in_order
    from huewright.words.keys import scene_sentence
    from huewright.words.scene import screen_words

    now = {(step.kind, step.name) for step in result.steps if step.done}
    about: dict[Caution, list[str]] = {}
    for kind, name, one in result.cautions:
        if (kind, name) in now and one not in result.strange:
            about.setdefault(one, []).append(f"{_OF[kind]} {name}")
    sorted_ones = in_order(about)
    shown = max(SHOWN, sum(one in result.flashing for one in sorted_ones))     # which come first, and are all said
    for one in sorted_ones[:shown]:
        names = list(dict.fromkeys(about[one]))
        of = f"{', '.join(names[:3])}{f' and {len(names) - 3} more' if len(names) > 3 else ''}: "
        caution(f"{'' if getattr(one, 'shot', '') else of}{scene_sentence(one)}")     # which it says itself
    if len(sorted_ones) > shown:
        caution(f"and {len(sorted_ones) - shown} more in {result.page}")
    if not dry_run and any(kind == "render" for kind, _ in now):
        caution(screen_words())


def conclude(result: SceneResult, dry_run: bool) -> None:
    """Says what failed and where everything is, and ends with 2 or 1 where something failed, and with 1 where a shot is
    not of its camera."""
    import sys

    from huewright.cli.show import say
    from huewright.words.keys import scene_sentence
    from huewright.words.scene import step_words

    for step in result.failed:
        print(f"huewright: {step_words(step.kind, step.name)}: {scene_sentence(step.why)}", file=sys.stderr)
    for strange in result.strange:
        print(f"huewright: {scene_sentence(strange)}", file=sys.stderr)
    if not dry_run:
        say(f"everything is in {result.out}: open {result.page}")
    if result.failed:
        raise typer.Exit(2 if any(step.mendable for step in result.failed) else 1)
    if result.strange:
        raise typer.Exit(1)


def _draft(file: Path, folder: Path, card: Path | None, encoding: str | None, json_file: Path | None,
           overwrite: bool) -> None:
    """Writes a first scene file, and says in short what it found and what it asks."""
    from huewright.cli.show import counted, progress_line, say, table
    from huewright.errors import InputError
    from huewright.steps.outputs import write_figures
    from huewright.steps.scene.draft import draft_scene
    from huewright.words.drafted import told_words

    if card is None:
        raise InputError("--draft looks for the card in each clip; give the card file, as --card card.toml")
    with progress_line(one=True) as progress:
        made = draft_scene(file, folder, card, encoding=encoding, progress=progress)
    write_figures(json_file, made, overwrite=overwrite)
    rows = []
    for camera in made.cameras:
        takes, shots = ([row for row in clips if row.row.camera == camera.row.name]
                        for clips in (made.takes, made.shots))
        rows.append([camera.row.name, str(len(takes)), str(len(shots)), camera.row.encoding, told_words(camera.told)])
    say(table(f"Found in {folder}", ["camera", "takes", "shots", "encoding", "told by"], rows, left=(3, 4)))
    if made.questions:
        say(f"{counted(len(made.questions), 'question')} to answer in {file}: look for \"# ?\"")
    if made.unread:
        say(f"{counted(len(made.unread), 'clip')} left out, with the reason at the end of {file}")
    say(f"{'next' if made.complete else 'then'}: huewright scene {shlex.quote(str(file))} --dry-run")
