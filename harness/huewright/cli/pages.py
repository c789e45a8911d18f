"""The pages that follow from the command line, the models and the cautions, as Markdown.

``python -m huewright.cli.pages`` in a checkout writes them anew; tests hold them to it. What a real run printed lies in
``harness/docs/runs``, written by ``tests/harness/docs_runs.py`` and tested there.
"""

from __future__ import annotations

import inspect
import re
from pathlib import Path
from typing import Any

import typer

from huewright.cli import app
from huewright.steps.help import FORMATS, folder, format_page
from huewright.words.cautions import GROUPS

NOT_SHOWN = {
    "desk": "It serves a page: see [working on a page](../the-desk.md).",
    "demo": "It generates its shoot first and takes minutes, so no run is shown here; the README's pictures are its.",
    "bench": "Its figures are a machine's own, so no run is shown here.",
    "verify": "It prints a row for each of some hundred checks.",
    "ofx": "`huewright ofx describe` prints the effects and their parameters."}


def pages() -> dict[str, str]:
    """Each generated page by its path in the documentation's folder."""
    made = {f"{name}.md": format_page(name) for name in FORMATS}
    made["cautions.md"] = _cautions()
    made |= {f"verbs/{name}.md": _verb(name, command) for name, command in _commands().items()}
    return made


def _commands() -> dict[str, Any]:
    return dict(typer.main.get_command(app).commands)  # type: ignore[attr-defined]


def _cautions() -> str:
    lines = ["# Cautions, one by one", "", "What the program says beside a result, by weight: on a terminal the three "
             "weightiest, on the page and in the files all. `code` is what a file calls it."]
    for group in GROUPS:
        lines += ["", f"## {group.title}", ""]
        for kind, explanation in group.explained.items():
            lines += [f"- **{_words(kind.__name__)}** (`{kind.__struct_config__.tag}`). {explanation}"]
    return "\n".join(lines) + "\n"


def _words(name: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).capitalize()


def _verb(name: str, command: Any) -> str:
    lines = [f"# huewright {name}", "", *_described(command)]
    for part, inner in sorted(getattr(command, "commands", {}).items()):
        lines += ["", f"## huewright {name} {part}", "", *_described(inner)]
    run = folder() / "runs" / f"{name}.txt"
    if run.exists():
        lines += ["", "## A run", "", "```text", run.read_text(encoding="utf-8").rstrip(), "```"]
    elif name in NOT_SHOWN:
        lines += ["", NOT_SHOWN[name]]
    return "\n".join(lines).rstrip() + "\n"


def _described(command: Any) -> list[str]:
    lines = [inspect.cleandoc(command.help or "")]
    if command.epilog:
        lines += ["", f"    {' '.join(command.epilog.removeprefix('Example: ').split())}"]
    rows = []
    for each in command.params:
        if each.name == "help":
            continue
        option = each.param_type_name == "option"
        called = ", ".join(each.opts) if option else each.name.upper()
        said = option and isinstance(each.default, str | int | float) and not isinstance(each.default, bool)
        default = f"`{each.default}`" if said and each.default != "" else ""
        rows.append(f"| `{called}` | {(each.help or '').replace('|', '/')} | {default} |")
    return lines if not rows else [*lines, "", "| | | if not given |", "|---|---|---|", *rows]


def main() -> None:
    root: Path = folder()
    (root / "verbs").mkdir(exist_ok=True)
    for name, text in pages().items():
        (root / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
