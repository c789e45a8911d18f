"""`huewright prove`: measure what the correction did, on real frames."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from huewright.cli import options

if TYPE_CHECKING:
    from huewright.steps.prove import Proof


def conclude(proof: Proof, page: Path, *said: str) -> None:
    """The verdict, once: with what else is ``said``, or, of a proof that is not within its limits, as the
    :class:`NoAnswerError` that also says what to do first."""
    from huewright.cli.show import say
    from huewright.errors import NoAnswerError
    from huewright.steps.prove import NOT_VERIFIED
    from huewright.words import verdict_words

    if proof.passed:
        say(verdict_words(proof), NOT_VERIFIED, *said)
        return
    say(*said)
    if proof.strange_shots:
        first = "solve that camera's own card take"
    elif proof.declaration in ("in doubt", "contradicted"):
        first = "check --encoding and --range first"
    else:
        first = "read its cautions, and compare the methods with `huewright solve --compare`"
    raise NoAnswerError(f"{verdict_words(proof)} {page} shows where; {first}. Everything was written all the same")


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright prove correction.json survey.json --card card.toml "
                        "--before 'take/a.####.exr' --after 'true/a.####.exr' --out proof")
    def prove(
        correction: Annotated[Path, typer.Argument(help="A correction file.", show_default=False)],
        survey: Annotated[Path, typer.Argument(help="The survey it was solved from.", show_default=False)],
        card: options.CardFile,
        before: Annotated[str, typer.Option("--before", help="The card take as it was shot.", show_default=False)],
        after: Annotated[str, typer.Option("--after", help="The card take as rendered.", show_default=False)],
        out: Annotated[Path, typer.Option("--out", help="The folder to write the proof into.")] = Path("proof"),
        after_range: Annotated[str | None, typer.Option("--after-range", help="Code range that the rendered files were "
                                                        "written with: full or legal; if not given, what a movie says, "
                                                        "and full for files.")] = None,
        after_bits: Annotated[int | None, typer.Option("--after-bits", help="Bit depth that a legal range refers "
                                                       "to.")] = None,
        strength: options.Strength = None,
        shot: Annotated[list[str] | None, typer.Option("--shot", help="A shot as it was filmed, to be shown and looked "
                                                       "through for range and flashing; give it as often as there are "
                                                       "shots, each with its --rendered.")] = None,
        rendered: Annotated[list[str] | None, typer.Option("--rendered", help="The same shot as rendered.")] = None,
        title: Annotated[str, typer.Option("--title", help="What heads the page: scene, camera, client. Without it the "
                                           "take's folder and files do.", show_default=False)] = "",
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Prove the correction: residuals on rendered frames, scopes before and after, a page for the client.

        Exits with 1 where the proof says no; everything is written all the same.
        """
        from huewright.cli.show import cautions, progress_line, say
        from huewright.cli.tables import proof_table
        from huewright.errors import InputError
        from huewright.steps.inputs import (
            at_strength,
            card_from,
            correction_from,
            strength_named,
            survey_from,
            take_from,
        )
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.steps.prove import prove as prove_step

        refuse_outputs(json_file, overwrite=overwrite)
        if len(shot or ()) != len(rendered or ()):
            raise InputError("each --shot needs its --rendered; give as many of the one as of the other")
        pairs = [(take_from(a), take_from(b)) for a, b in zip(shot or (), rendered or (), strict=True)]
        model = at_strength(correction_from(correction), strength_named(strength or ()))
        with progress_line() as progress:
            result = prove_step(model, survey_from(survey), card_from(card),
                                before=take_from(before), after=take_from(after), shots=pairs, out_dir=out,
                                after_range=after_range, after_bits=after_bits, title=title, overwrite=overwrite,
                                progress=progress)
        write_figures(json_file, result, overwrite=overwrite)
        say(proof_table(result))
        cautions(result.cautions, f"in {out / 'proof.html'}")
        conclude(result, out / "proof.html", f"wrote the proof to {out}")
