"""The documentation's texts: where they lie, and those that follow from the models."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.models.schema import schemas

PACKAGE = Path(__file__).parents[1]
NO_LIMIT = 1e9            # larger ones only keep nonsense out
FORMATS = {"card-file": "card", "scene-file": "scene", "correction-file": "correction", "survey-file": "survey",
           "proof-file": "proof", "patches-file": "patches"}
WRITTEN_BY_HAND = ("card-file", "scene-file")


def folder() -> Path:
    """Of the texts: in an installed package inside it, in a checkout beside it."""
    inside = PACKAGE / "docs"
    return inside if inside.is_dir() else PACKAGE.parent / "docs"


def topics() -> dict[str, Path]:
    """Each text by its name, verbs last."""
    root = folder()
    return {path.stem: path for path in (*sorted(root.glob("*.md")), *sorted((root / "verbs").glob("*.md")))}


def topic_text(name: str) -> str:
    """The text called ``name``; :class:`InputError` with close names if there is none."""
    known = topics()
    if name not in known:
        close = difflib.get_close_matches(name, known, 3, 0.5)
        hint = f"do you mean {' or '.join(close)}?" if close else "`huewright help` lists them"
        raise InputError(f"there is no help on {name!r}; {hint}")
    return known[name].read_text(encoding="utf-8")


def format_page(name: str) -> str:
    """What a file of ours holds, from its JSON Schema."""
    title, schema = name.replace("-", " ").capitalize(), schemas()[FORMATS[name]]
    kind = "TOML, which people write" if name in WRITTEN_BY_HAND else "JSON, which the program writes"
    lines = [f"# {title}", "", f"{schema['title']}: {kind}. The whole schema (JSON Schema, draft 2020-12) is "
             f"`{FORMATS[name]}.schema.json` beside this page's source.", "", *_keys(schema, "The file")]
    seen = _referred(schema, schema["properties"])
    for part in seen:
        lines += _keys(schema["$defs"][part], f"`{part}`")
    return "\n".join(lines).rstrip() + "\n"


def _keys(record: dict[str, Any], name: str) -> list[str]:
    if "properties" not in record:
        return []
    lines = [f"## {name}", ""]
    if record.get("description"):
        lines += ["```text", record["description"], "```", ""]
    required = record.get("required", ())
    lines += ["| key | takes | must be there |", "|---|---|---|"]
    lines += [f"| `{key}` | {_takes(field)} | {'yes' if key in required else ''} |"
              for key, field in record["properties"].items()]
    return [*lines, ""]


def _takes(field: dict[str, Any]) -> str:
    if "const" in field:
        return f"`{field['const']}`"
    if "enum" in field:
        return ", ".join(f"`{value}`" for value in field["enum"])
    if "$ref" in field:
        return f"`{field['$ref'].rpartition('/')[2]}`"
    if "anyOf" in field:
        said = list(dict.fromkeys(_takes(option) for option in field["anyOf"]))
        return " or ".join(said) if len(said) < 6 else f"one of {len(said)} kinds, told apart by `code`"
    if "operation" in field.get("properties", {}):
        return "an operation"
    limits = [f"{word} {field[key]:g}" for key, word in (("minimum", "at least"), ("maximum", "at most"))
              if key in field and abs(field[key]) < NO_LIMIT]
    kinds = {"number": "a number", "integer": "a whole number", "string": "text", "boolean": "true or false",
             "null": "null", "object": "a table of names"}
    if field.get("type") == "array":
        inner = field.get("items")
        return "a list" + (f", each {_takes(inner)}" if isinstance(inner, dict) and inner else "")
    kind = field.get("type")
    every = kind if isinstance(kind, list) else [kind or ""]
    words = " or ".join(kinds.get(each, each or "anything") for each in every)
    return words + (f", {' and '.join(limits)}" if limits else "")


def _referred(schema: dict[str, Any], fields: dict[str, Any]) -> list[str]:
    """Names of the parts that ``fields`` and what they refer to are made of, but for the many cautions and reasons."""
    found: list[str] = []
    queue = list(_refs(fields))
    while queue:
        name = queue.pop(0)
        part = schema["$defs"].get(name, {})
        if name not in found and "code" not in part.get("properties", {}):
            found.append(name)
            queue += _refs(part.get("properties", {}))
    return found


def _refs(value: Any) -> list[str]:
    if isinstance(value, dict):
        own = [value["$ref"].rpartition("/")[2]] if isinstance(value.get("$ref"), str) else []
        return own + [name for item in value.values() for name in _refs(item)]
    return [name for item in value for name in _refs(item)] if isinstance(value, list) else []
