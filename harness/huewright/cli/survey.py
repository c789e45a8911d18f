"""`huewright survey`: find and grade the card in every frame of a take."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options
from huewright.errors import NoAnswerError


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright survey 'take/a.####.exr' --card card.toml --encoding ACEScct "
                        "--out survey.json --sheet frames.png")
    def survey(
        take: options.Take,
        card: options.CardFile,
        encoding: options.Encoding,
        out: Annotated[Path, typer.Option("--out", help="The survey file to write.")] = Path("survey.json"),
        sheet: Annotated[Path | None, typer.Option("--sheet", help="Also draw a contact sheet (PNG) of chosen and "
                                                   "refused frames.")] = None,
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
        follow: Annotated[bool, typer.Option("--follow", help="Keep up with a take that is still being written; "
                                             "ends when no new frame has come for a while.")] = False,
        every_frame: options.EveryFrame = False,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Find the card in every frame, grade each one, choose the best, and say whether the take is usable."""
        from huewright.cli.show import cautions, counted, progress_line, say
        from huewright.cli.tables import survey_table
        from huewright.steps.inputs import by_hand_from, card_from, footage_from, take_from
        from huewright.steps.outputs import refuse_outputs, save, write_figures
        from huewright.steps.survey import draw_sheet, survey_take
        from huewright.words import clip_words, known_words, sentence

        refuse_outputs(out, sheet, json_file, overwrite=overwrite)
        sequence = take_from(take)
        footage = footage_from(sequence, encoding=encoding, code_range=code_range, bits=bits, primaries=primaries,
                               look=look, look_input=look_input, ocio_config=ocio_config)
        by_hand = by_hand_from(take_in, leave_out, corners_at or ())
        model = card_from(card)
        with progress_line() as progress:
            result = survey_take(sequence, model, card, footage, corners=options.corners_from(corners),
                                 follow=follow, every_frame=every_frame, by_hand=by_hand, progress=progress)
        save(result, out, overwrite=overwrite)
        if sheet is not None:
            draw_sheet(result, sequence, model, sheet, overwrite=overwrite)
        write_figures(json_file, result, overwrite=overwrite)
        say(survey_table(result, counted(len(result.grades), "frame")),
            f"wrote {out}" + (f" and {sheet}" if sheet else ""))
        if result.clip is not None:
            say(clip_words(result.clip))
        known = known_words(result.light_known)
        if known is not None:
            say(known)
        cautions(result.cautions)
        if result.usable and result.declaration != "contradicted":
            say(sentence(result.advice))
        if not result.usable:
            raise NoAnswerError("this take can't support a correction", result.advice)
        if result.declaration == "contradicted":
            raise NoAnswerError("not usable as declared: survey again as it was recorded, or go on at your word with "
                                "`huewright solve --trust-encoding`")
