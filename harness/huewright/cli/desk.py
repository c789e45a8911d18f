"""`huewright desk`: a page to work with, on this machine."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright desk 'take/a.####.exr' --card card.toml --encoding ACEScct "
                        "--shot 'scene/a.####.exr' --out correction.json")
    def desk(
        take: options.Take,
        card: options.CardFile,
        encoding: options.Encoding,
        shot: Annotated[list[str] | None, typer.Option("--shot", help="A shot of the same camera and light to look at: "
                                                       "frames, a folder of shots, or a name with wildcards; as often "
                                                       "as you like.")] = None,
        out: Annotated[Path, typer.Option("--out", help="The correction file that the page writes.")]
        = Path("correction.json"),
        survey_file: Annotated[Path, typer.Option("--survey", help="The survey file that the page writes with it.")]
        = Path("survey.json"),
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
        every_frame: options.EveryFrame = False,
        targets: options.Targets = "vectorscope",
        fraction: options.Fraction = 0.5,
        chip_fraction: options.ChipFraction = None,
        level: options.Level = None,
        nudge: options.Nudge = None,
        strength: options.Strength = None,
        display: options.Display = "bt709",
        method: options.Method = "sectors",
        trust_encoding: options.TrustEncoding = False,
        port: Annotated[int, typer.Option("--port", min=0, max=65535, help="The port on 127.0.0.1; 0 is any that is "
                                          "free.")] = 0,
        open_browser: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
        json_lines: Annotated[bool, typer.Option("--json-lines", help="On stdout one line of JSON once the page is "
                                                 "there, and nothing else: address, survey, correction (the files that "
                                                 "it writes).")] = False,
    ) -> None:
        """Work on a take in a page of your browser: frames, reading, targets, picture, and the files written.

        The page is served on this machine alone, under an address that cannot be guessed; it ends with Ctrl-C. What it
        writes is what survey and solve write for the same choices, and it shows those commands. It replaces no file
        without a yes.
        """
        from huewright.cli.show import cautions, json_line, progress_line, say
        from huewright.steps.desk import Named, open_session, option_words, serve
        from huewright.steps.inputs import (
            by_hand_from,
            footage_from,
            named_numbers,
            settings_from,
            strength_named,
            take_from,
        )
        from huewright.steps.shots import shots_from

        sequence, shots = take_from(take), tuple(each for text in shot or () for each in shots_from(text))
        footage = footage_from(sequence, encoding=encoding, code_range=code_range, bits=bits, primaries=primaries,
                               look=look, look_input=look_input, ocio_config=ocio_config)
        settings = settings_from(targets=targets, fraction=fraction, display=display, method=method,
                                 trust_encoding=trust_encoding,
                                 levels_ire=named_numbers(level or (), "--level", "middle=41"),
                                 fractions=named_numbers(chip_fraction or (), "--chip-fraction", "red=0.55"),
                                 nudges_deg=named_numbers(nudge or (), "--nudge", "red=+1.5"),
                                 strength=strength_named(strength or ()))
        words = option_words([
            ("--encoding", encoding, None), ("--range", code_range, None), ("--bits", bits, None),
            ("--primaries", primaries, None), ("--look", look, None), ("--look-input", look_input, "log"),
            ("--ocio-config", ocio_config, None), ("--corners", corners, None), ("--every-frame", every_frame, False)])
        named = Named(take, str(card), words, option_words([
            ("--targets", targets, "vectorscope"), ("--display", display, "bt709"), ("--method", method, "sectors"),
            ("--trust-encoding", trust_encoding, False)]), str(survey_file), str(out))
        with progress_line() as progress:
            session = open_session(sequence, card, footage, named, shots=shots, settings=settings,
                                   by_hand=by_hand_from(take_in, leave_out, corners_at or ()),
                                   corners=options.corners_from(corners), every_frame=every_frame, progress=progress)
        cautions(session.survey(session.choices).cautions)

        def ready(address: str) -> None:
            if json_lines:
                json_line({"address": address, "survey": survey_file, "correction": out})
            else:
                say(f"the page is at {address}",
                    "Ctrl-C ends it; only this machine can reach it, and only by this address")
            if open_browser:
                typer.launch(address)

        serve(session, port=port, ready=ready)
