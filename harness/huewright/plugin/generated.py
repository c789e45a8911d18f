"""What follows from the operations and models and lies in the repository as files: golden vectors, the page of all
operations, JSON Schemas. ``python -m huewright.plugin.generated`` in a checkout writes them anew; tests hold them to
it."""

from __future__ import annotations

import json
from pathlib import Path

from huewright_kernels.ops import REGISTRY
from huewright_kernels.ops.fields import Field

from huewright.files import json_text
from huewright.models.schema import schemas
from huewright.plugin.golden import write_golden
from huewright.plugin.golden_isolation import FOLDER, write_golden_masks

REPOSITORY = Path(__file__).parents[3]


def operations_page() -> str:
    """Every operation with its fields, as Markdown."""
    lines = ["# Operations", "", "A correction is a list of these, each a record with the key `operation` and its "
             "fields; absent fields have their defaults. Written from the code by "
             "`python -m huewright.plugin.generated`.", ""]
    for kind in REGISTRY.values():
        parts = kind.parts
        bound = f"{parts.bound.tolerance:g}" + (", or float32's own spacing where that is wider" if parts.bound.spacing
                                                else "")
        lines += [f"## `{kind.name}`", "", " ".join((kind.__doc__ or "").split("\n\n")[0].split()), "",
                  f"Source: {parts.source}. Float64 reference: `huewright.reference.{parts.reference}."
                  f"{kind.reference_name()}`. Claim against it: {bound}.", "",
                  "| field | takes | unit | default | meaning |", "|---|---|---|---|---|"]
        lines += [f"| `{field.name}` | {field.wants} | {field.unit} | {_default(field)} | {field.meaning} |"
                  for field in kind.FIELDS]
        if parts.sentences:
            lines += ["", "Refused otherwise:", "", *(f"- {sentence}" for sentence in parts.sentences)]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def _default(field: Field) -> str:
    if field.kind == "table":
        return "no change"
    if field.default is None:
        return "none"
    return json.dumps(field.default)


def main() -> None:
    write_golden(REPOSITORY / "kernels" / "golden")
    write_golden_masks(REPOSITORY / "kernels" / "golden" / FOLDER)
    docs = REPOSITORY / "harness" / "docs"
    (docs / "operations.md").write_text(operations_page(), encoding="utf-8")
    for name, schema in schemas().items():
        (docs / f"{name}.schema.json").write_text(json_text(schema), encoding="utf-8")


if __name__ == "__main__":
    main()
