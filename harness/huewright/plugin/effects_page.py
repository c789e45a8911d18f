"""The documentation page of the effects, from their descriptions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from huewright.plugin.effect import Effect, Parameter
from huewright.plugin.effects import EFFECTS


def documentation() -> str:
    """The page of all effects, as Markdown."""
    lines = ["# The effects", "", "Contexts: filter and general. Depths: byte, short, half, float. Components: RGBA, "
             "RGB, alpha (colour effects leave alpha as it is). Where a host offers CUDA, the colour effects render on "
             "NVIDIA GPUs too, with the same bits; not on macOS.", "",
             "`huewright ofx render --set NAME=VALUE` takes a choice by what it is shown as, by as much of its "
             "beginning as tells it from the others (`bt709`: case, blanks and dots don't count), or by its place, "
             "from 0. Projects hold the place.", ""]
    for item in EFFECTS:
        lines += [f"## {item.label} (`{item.identifier}`)", "", f"{item.description} {item.colours}", "",
                  "| parameter | shown as | type | default | range | meaning |", "|---|---|---|---|---|---|"]
        for p in item.parameters:
            if p.type != "Group":
                lines.append(f"| `{p.name}` | {_shown(p, item)} | {p.type}{_subtype(p)} | {_default(p)} | "
                             f"{_range(p)} | {p.hint} |")
        lines.append("")
    return "\n".join(lines)


def _shown(p: Parameter, item: Effect) -> str:
    """Its label, behind those of the groups that it lies in."""
    groups = {group.name: group for group in item.parameters if group.type == "Group"}
    labels, group = [p.label], p.group
    while group:
        labels.insert(0, groups[group].label)
        group = groups[group].group
    return " / ".join(labels)


def _subtype(p: Parameter) -> str:
    return f" ({p.subtype})" if p.subtype else ""


def _default(p: Parameter) -> str:
    if p.options:
        result: str = p.shown_options[p.default]
        return result
    values: Sequence[Any] = p.default if isinstance(p.default, tuple) else (p.default,)
    return ", ".join("none" if v == "" else f"{v:g}" for v in values)


def _range(p: Parameter) -> str:
    if p.options:
        return "; ".join(p.shown_options)
    if p.type == "Boolean":
        return "on, off"
    return "" if p.type == "String" else f"{p.minimum:g} to {p.maximum:g}"
