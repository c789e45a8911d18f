"""The JSON Schemas (draft 2020-12) of the files, made from the models that read them."""

from __future__ import annotations

import inspect
from typing import Any

import msgspec
from huewright_kernels.ops import REGISTRY, Operation
from huewright_kernels.ops.fields import Field, fields_of

from huewright.models import card, correction, demo, job, patches, proof, scene, scene_file, survey

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, dict[str, Any]]:
    """By the file's name: "card" and "scene" (of their TOML tables as JSON objects), "survey", "correction",
    "proof", "patches", "job", "demo-summary"."""
    return {"card": _card_schema(), "scene": _scene_schema(),
            "survey": _schema(survey.Survey, survey.FORMAT, "A surveyed take"),
            "correction": _schema(correction.Correction, correction.FORMAT, "A correction", ("digest",)),
            "proof": _schema(proof.Proof, proof.FORMAT, "A proof"),
            "patches": _patches_schema(),
            "job": _schema(job.Job, job.FORMAT, "The whole job on one camera"),
            "demo-summary": _schema(demo.DemoSummary, demo.FORMAT, "What came of the demo")}


def _card_schema() -> dict[str, Any]:
    schema = _schema(card.Card, card.FORMAT, "A colour reference card")
    fields = schema["properties"]
    for key, name in (("mark", "marks"), ("patch", "patches")):
        fields[key] = fields.pop(name)
    fields["patch"]["minItems"] = 1
    schema["required"] = ["format", "name", "size", "patch"]
    return schema


def _scene_schema() -> dict[str, Any]:
    schema = _schema(scene.Scene, scene_file.FORMAT, "A scene")
    fields = schema["properties"]
    for key, name in (("camera", "cameras"), ("take", "takes"), ("shot", "shots")):
        fields[key] = fields.pop(name)
    for key in ("camera", "take"):
        fields[key]["minItems"] = 1
    schema["required"] = ["format", "card", "camera", "take"]
    return schema


def _patches_schema() -> dict[str, Any]:
    """From the fields that both readers, ours and the plug-in's, take."""
    def properties(kind: type[Any]) -> dict[str, Any]:
        return {field.name: _numbers(field) for field in fields_of(kind)}

    patch = properties(patches.PatchFields)
    card_fields = properties(patches.CardFields)
    return {"$schema": DRAFT, "title": "Where a card's patches lie", "type": "object",
            "properties": {"format": {"const": patches.FORMAT}, **card_fields,
                           "patches": {"type": "array", "items": {"$ref": "#/$defs/Patch"}, "minItems": 1,
                                       "maxItems": patches.MOST_PATCHES}},
            "required": ["format", *card_fields, "patches"], "additionalProperties": False,
            "$defs": {"Patch": {
                "type": "object", "properties": {"name": {"type": "string"}, **patch},
                "required": ["name", *patch], "additionalProperties": False,
                "description": "One patch: a convex polygon, as many x as y, in order around it, inside the card's "
                               "size.\nUnits are the card's own, x to the right and y down from its top left corner."}}}


def _numbers(field: Field) -> dict[str, Any]:
    least, most = (field.least, field.most) if field.kind == "list" else (field.shape[0],) * 2
    return {"type": "array", "items": {"type": "number", "minimum": field.low, "maximum": field.high},
            "minItems": least, "maxItems": most, "description": field.meaning}


def _schema(kind: type[Any], form: str, title: str, more: tuple[str, ...] = ()) -> dict[str, Any]:
    """Of the model ``kind``, with its ``format`` and ``more`` keys of text around it."""
    (_,), parts = msgspec.json.schema_components([kind], schema_hook=_operation, ref_template="#/$defs/{name}")
    for part in parts.values():
        if "description" in part:                   # a docstring, whose indentation Python 3.13 and newer leave out
            part["description"] = inspect.cleandoc(part["description"])
        if "properties" in part:
            part["additionalProperties"] = False
            for field in part["properties"].values():
                field.pop("default", None)          # a model's, which a file need not show
    whole = parts.pop(kind.__name__)
    fields = {"format": {"const": form}, **whole["properties"], **{key: {"type": "string"} for key in more}}
    return {"$schema": DRAFT, "title": title, "type": "object", "properties": fields,
            "required": ["format", *whole.get("required", ())], "additionalProperties": False, "$defs": parts}


def _operation(kind: type[Any]) -> dict[str, Any]:
    if kind is not Operation:
        raise NotImplementedError(kind)
    return {"type": "object", "required": ["operation"], "properties": {"operation": {"enum": sorted(REGISTRY)}}}
