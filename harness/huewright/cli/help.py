"""`huewright help`: the documentation's texts in the terminal."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright help card-lies")
    def help(
        topic: Annotated[str | None, typer.Argument(help="What to read about; without it the topics are listed.",
                                                    show_default=False)] = None,
    ) -> None:
        """Read about a verb, a file format, how the solve works, each caution, or when the card lies."""
        from huewright.cli.show import show_text
        from huewright.steps.help import topic_text, topics

        if topic is not None:
            show_text(topic_text(topic))
            return
        for name, path in topics().items():
            print(f"{name:17} {path.read_text(encoding='utf-8').splitlines()[0].removeprefix('# ')}")
