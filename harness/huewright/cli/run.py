"""`huewright run`: the whole job in one command."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright run 'take/a.####.exr' --card card.toml --encoding ACEScct "
                        "--shot 'scene/a.####.exr' --out scene-a")
    def run(
        take: options.Take,
        card: options.CardFile,
        encoding: options.Encoding,
        out: Annotated[Path, typer.Option("--out", help="The folder to write everything into.", show_default=False)],
        shot: Annotated[list[str] | None, typer.Option("--shot", help="A shot of the same camera and light to render: "
                                                       "frames, a folder of shots, or a name with wildcards; as often "
                                                       "as you like. Without one the take itself is rendered.")]
        = None,
        code_range: options.CodeRange = None,
        bits: options.Bits = None,
        primaries: options.Primaries = None,
        look: options.Look = None,
        look_input: options.LookInput = "log",
        ocio_config: options.OcioConfig = None,
        corners: options.Corners = None,
        take_in: options.TakeIn = None,
        leave_out: options.LeaveOut = None,
        corners_at: options.CornersAt = None,
        targets: options.Targets = "vectorscope",
        fraction: options.Fraction = 0.5,
        chip_fraction: options.ChipFraction = None,
        level: options.Level = None,
        nudge: options.Nudge = None,
        strength: options.Strength = None,
        display: options.Display = "bt709",
        method: options.Method = "sectors",
        trust_encoding: options.TrustEncoding = False,
        title: Annotated[str, typer.Option("--title", help="What heads the proof's page: scene, camera, client. "
                                           "Without it the take's folder and files do.", show_default=False)] = "",
        resume: Annotated[bool, typer.Option("--resume", help="Go on with what a stopped run of the same command has "
                                             "left.")] = False,
        remember: Annotated[bool, typer.Option("--remember", help="Note hashes of each rendered frame, so that "
                                               "--resume compares hashes instead of rendering kept frames again."
                                               )] = False,
        device: options.Device = "cpu",
        on: options.On = None,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Do the whole job: survey the take, solve, render the shots, export LUTs, and prove it.

        Exits with 1 where the card can't support an answer, or the proof says no; then everything is
        written all the same.
        """
        from huewright.cli.prove import conclude
        from huewright.cli.show import cautions, counted, progress_line, say, says_what_is_kept
        from huewright.cli.tables import proof_table
        from huewright.steps.inputs import (
            by_hand_from,
            footage_from,
            named_numbers,
            settings_from,
            strength_named,
            take_from,
        )
        from huewright.steps.job import kept_words
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.steps.run import run_job
        from huewright.steps.shots import shots_from
        from huewright.words import sentence

        refuse_outputs(json_file, overwrite=overwrite)
        sequence, shots = take_from(take), tuple(each for text in shot or () for each in shots_from(text))
        footage = footage_from(sequence, encoding=encoding, code_range=code_range, bits=bits, primaries=primaries,
                               look=look, look_input=look_input, ocio_config=ocio_config)
        settings = settings_from(targets=targets, fraction=fraction, display=display, method=method,
                                 trust_encoding=trust_encoding,
                                 levels_ire=named_numbers(level or (), "--level", "middle=41"),
                                 fractions=named_numbers(chip_fraction or (), "--chip-fraction", "red=0.55"),
                                 nudges_deg=named_numbers(nudge or (), "--nudge", "red=+1.5"),
                                 strength=strength_named(strength or ()))
        with says_what_is_kept(lambda: kept_words(out)), progress_line() as progress:
            result = run_job(sequence, card, footage, out, shots=shots, settings=settings,
                             corners=options.corners_from(corners),
                             by_hand=by_hand_from(take_in, leave_out, corners_at or ()), title=title,
                             overwrite=overwrite, device=device, on=on, resume=resume,
                             remember=remember, progress=progress)
        write_figures(json_file, {"proof": result.proof, "exports": result.exports,
                                  "renders": result.renders, "seconds": result.seconds}, overwrite=overwrite)
        say(proof_table(result.proof))
        page = out / "proof" / "proof.html"
        cautions(result.proof.cautions, f"in {page}")
        cautions(result.cautions)
        of_take = [sentence(result.survey.advice)] if result.proof.declaration in ("fits", "not checked") else []
        say(*of_take)
        rendered = sum(len(summary.frames) for summary in result.renders)
        kept = sum(len(summary.kept) for summary in result.renders)
        conclude(result.proof, page, f"{counted(rendered, 'frame')} rendered"
                 + (f", {kept} kept as they were" if kept else "") + f"; everything is in {out}: open {page}")
