"""`huewright ofx`: the native OpenFX plug-in, and a host without a screen to try any plug-in out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options

Bundle = Annotated[Path, typer.Argument(help="An .ofx.bundle folder or an .ofx file.", show_default=False)]


def register(app: typer.Typer) -> None:
    group = typer.Typer(name="ofx", no_args_is_help=True, help="Build the native OpenFX plug-in, try any plug-in out, "
                        "render through one.")
    app.add_typer(group)

    @group.command(epilog="Example: huewright ofx build plugins --for linux-x86-64,windows-x86-64")
    def build(
        directory: Annotated[Path, typer.Argument(help="The folder that the bundle goes into.", show_default=False)],
        targets: Annotated[str | None, typer.Option("--for", metavar="NAMES", help="What to build for, with commas "
                           "between: linux-x86-64, linux-arm64, windows-x86-64, macos-x86-64, macos-arm64. Without it: "
                           "this machine.")] = None,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Build huewright.ofx.bundle from the same kernels: no Python inside.

        Needs a C compiler; for other machines than this one, the extra `bundle`. What is built for macOS is untested
        on a Mac.
        """
        from huewright.cli.show import progress_line, say
        from huewright.steps.ofx import build_bundle
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(json_file, overwrite=overwrite)
        with progress_line() as progress:
            names = None if targets is None else [name.strip() for name in targets.split(",") if name.strip()]
            summary = build_bundle(directory, targets=names, overwrite=overwrite, progress=progress)
        write_figures(json_file, summary, overwrite=overwrite)
        say(f"built {summary.bundle} in {summary.seconds:.0f} s: {', '.join(summary.effects)}",
            *(f"{', '.join(binary.targets)}: {binary.bytes} bytes, SHA-256 {binary.sha256}"
              for binary in summary.binaries))

    @group.command(epilog="Example: huewright ofx probe plugins/huewright.ofx.bundle")
    def probe(
        bundle: Bundle,
        frames: Annotated[str | None, typer.Option("--frames", help="Render these frames instead of a generated "
                                                   "picture.")] = None,
        effect: Annotated[list[str] | None, typer.Option("--effect", help="Only this effect; may be repeated.")] = None,
        patience: Annotated[float, typer.Option("--patience", help="Seconds after which an action counts as hung; what "
                                                "a busy machine keeps it waiting aside.")] = 10.0,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Drive every effect of a plug-in through the standard's actions and say what it does wrong."""
        from huewright.cli.show import progress_line, say
        from huewright.cli.tables import probe_table
        from huewright.errors import NoAnswerError
        from huewright.steps.inputs import take_from
        from huewright.steps.ofx import probe_bundle
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(json_file, overwrite=overwrite)
        with progress_line() as progress:
            report = probe_bundle(bundle, None if frames is None else take_from(frames), effects=effect,
                                  patience_s=patience, progress=progress)
        write_figures(json_file, report.to_dict(), overwrite=overwrite)
        say(probe_table(report))
        if not report.clean:
            bad = sum(row.bad for row in report.results)
            warned = sum(row.result == "warned" for row in report.results)
            raise NoAnswerError(report.trouble or f"{bundle}: {bad} checks failed, {warned} ended with a warning; the "
                                "table says which and how")
        say(f"nothing found against the standard in {len(report.results)} checks")

    @group.command(epilog="Example: huewright ofx render plugins/huewright.ofx.bundle --effect HueSectors "
                          "--set NAME=VALUE 'a.####.exr' 'b.####.exr'")
    def render(
        bundle: Bundle,
        shot: options.Take,
        out: Annotated[str, typer.Argument(help="Where the frames go: a pattern or a folder.", show_default=False)],
        effect: Annotated[str, typer.Option("--effect", help="The effect's identifier, or its last part.",
                                            show_default=False)],
        setting: Annotated[list[str] | None, typer.Option("--set", help="A parameter: NAME=VALUE, or NAME@FRAME=VALUE "
                                                          "for a key; may be repeated.")] = None,
        threads: options.Threads = None,
        device: Annotated[str, typer.Option("--device", help="What the plug-in renders on: cpu; cuda, the first NVIDIA "
                                            "GPU; or cuda:N, that one. A plug-in that can't is refused.")] = "cpu",
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Render frames through an effect of a plug-in."""
        from huewright.cli.show import caution, counted, progress_line, say
        from huewright.steps.inputs import take_from
        from huewright.steps.ofx import parse_settings, render_through
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(json_file, overwrite=overwrite)
        with progress_line() as progress:
            summary = render_through(bundle, effect, parse_settings(setting or ()), take_from(shot), out,
                                     overwrite=overwrite, threads=threads, device=device, progress=progress)
        write_figures(json_file, summary, overwrite=overwrite)
        for message in (*summary.messages, *(f"{f.level}: {f.message}" for f in summary.findings)):
            caution(message)
        say(f"rendered {counted(len(summary.frames), 'frame')} in {summary.seconds:.1f} s to {summary.out}")

    @group.command(epilog="Example: huewright ofx bench plugins/huewright.ofx.bundle --threads 2")
    def bench(
        bundle: Bundle,
        threads: options.Threads = None,
        rounds: Annotated[int, typer.Option("--rounds", min=1, help="How often each is timed.")] = 101,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Time our plug-in's hue sectors, HD in float, beside this harness's own kernels, by turns in one process."""
        from huewright.cli.show import cautions, number, progress_line, say, table
        from huewright.steps.ofx_bench import bench_plugin
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(json_file, overwrite=overwrite)
        with progress_line() as progress:
            result = bench_plugin(bundle, threads=threads, rounds=rounds, progress=progress)
        write_figures(json_file, result.to_dict(), overwrite=overwrite)
        say(result.machine, table(
            f"Medians of {result.rounds} rounds, ms; ratio: the plug-in over the harness",
            ["hue sectors, HD", "threads", "plug-in", "harness", "16 x 16", "ratio", "quartiles"],
            [[row.case, str(row.threads), number(row.plugin_ms, 2), number(row.harness_ms, 2), number(row.small_ms, 2),
              number(row.ratio, 3),
              f"{row.low:.3f} to {row.high:.3f}" + ("" if row.reliable else " ?")] for row in result.rows]))
        if not all(row.reliable for row in result.rows):
            say("? not to be relied on: the times spread too far")
        say("16 x 16 is what the plug-in's side takes for so small a picture: the host's Python for the most part.")
        cautions(result.cautions)

    @group.command(epilog="Example: huewright ofx patches card.toml patches.json --survey survey.json")
    def patches(
        card: Annotated[Path, typer.Argument(help="The card file.", show_default=False)],
        file: Annotated[Path, typer.Argument(help="The patches file to write.", show_default=False)],
        roles: Annotated[str | None, typer.Option("--roles", metavar="NAMES", help="Only these patches, with commas "
                         "between: bar, chip, check. Without it: all.")] = None,
        survey: Annotated[Path | None, typer.Option("--survey", help="A survey of the take: the card's corners "
                          "in its best frame are told as the effect's parameters take them.")] = None,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Write where the card's patches lie, for the plug-in's patch isolation."""
        from huewright.cli.show import say
        from huewright.steps.ofx import write_patches
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(json_file, overwrite=overwrite)
        names = None if roles is None else [name.strip() for name in roles.split(",") if name.strip()]
        summary = write_patches(card, file, roles=names, survey_file=survey, overwrite=overwrite)
        write_figures(json_file, summary, overwrite=overwrite)
        say(f"wrote {summary.file}: {len(summary.patches)} patches ({', '.join(summary.patches)})")
        if summary.corners:
            say(f"the card in frame {summary.frame}: " + " ".join(
                f"--set {name}={x:g},{y:g}" for name, (x, y) in summary.settings.items()))

    @group.command(epilog="Example: huewright ofx describe")
    def describe() -> None:
        """Print what the effects are: identifiers, parameters, clips, depths (Markdown)."""
        from huewright.steps.ofx import describe_effects

        print(describe_effects())
