"""What a plug-in is given: pictures in the components that it takes, colour management, parameters' values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from huewright.errors import InputError
from huewright.host import standard
from huewright.host.objects import Clip, Parameter, PropertySet
from huewright.host.pictures import Picture, allocate


def components_of(clip: Clip, wanted: str) -> str:
    """``wanted`` if the clip takes it, else the first that it takes: a mask may be alpha only."""
    offered = [c for c in clip.properties.all("OfxImageEffectPropSupportedComponents") if c in standard.COMPONENTS]
    return wanted if wanted in offered or not offered else str(offered[0])


def as_components(source: Picture, wanted: str) -> Picture:
    if wanted == source.components:
        return source
    picture = allocate(source.bounds, source.depth, wanted, premultiplication=source.premultiplication)
    channels = picture.pixels.shape[2]
    picture.pixels[:] = source.pixels[..., -1:] if channels == 1 else source.pixels[..., :1]
    return picture


def colour_of(described: PropertySet) -> dict[str, Any]:
    """The highest style of colour management that both sides have (ofxColour: OCIO above full, core, basic)."""
    style = described.get("OfxImageEffectPropColourManagementStyle", 0, standard.COLOUR_NONE)
    if style == standard.COLOUR_NONE:
        return {"OfxImageEffectPropColourManagementStyle": style}
    values = {"OfxImageEffectPropColourManagementStyle": style,
              "OfxImageEffectPropColourManagementConfig": standard.NATIVE_CONFIG,
              "OfxImageEffectPropDisplayColourspace": standard.SCENE_LINEAR}
    if style == standard.COLOUR_OCIO:
        values["OfxImageEffectPropOCIOConfig"] = standard.OCIO_CONFIG
    return values


def parameter_value(parameter: Parameter, value: Any) -> tuple[Any, ...]:
    """A Python value (number, text, sequence, option's label) as the parameter's tuple; :class:`InputError`."""
    assert parameter.held is not None
    kind, count = parameter.held
    if parameter.type == standard.BYTES:
        if not isinstance(value, bytes):
            raise InputError(f"parameter {parameter.name!r} holds bytes of the plug-in's own, which can't be set "
                             "from here")
        return (value,)
    options = parameter.properties.all("OfxParamPropChoiceOption")
    if parameter.type == "OfxParamTypeStrChoice":
        return (_enumerated(parameter, options, str(value)).encode(),)
    if kind == "string":
        return (str(value).encode(),)
    if parameter.type == "OfxParamTypeChoice" and isinstance(value, str):
        chosen = _option(options, value)
        if chosen is not None:
            return (chosen,)
    items = value if isinstance(value, (list, tuple)) else \
        [part for part in value.replace(",", " ").split()] if isinstance(value, str) else [value]
    words = {"true": 1, "yes": 1, "on": 1, "false": 0, "no": 0, "off": 0}
    try:
        numbers = tuple(words.get(str(item).lower(), item) if parameter.type == "OfxParamTypeBoolean" else item
                        for item in items)
        result = tuple(int(item) if kind == "int" else float(item) for item in numbers)
    except ValueError:
        result = ()
    if len(result) != count:
        expected = f"one of {', '.join(options)}" if options else f"{count} number{'s' * (count > 1)}"
        raise InputError(f"parameter {parameter.name!r} takes {expected}, not {value!r}")
    return result


def _enumerated(parameter: Parameter, options: Sequence[str], text: str) -> str:
    """What a choice by strings holds for ``text``: one of its own strings, or that of the option so called. Without
    strings of its own it holds the options' (ofxParam.h, kOfxParamPropChoiceEnum)."""
    held = parameter.properties.all("OfxParamPropChoiceEnum") or options
    if text in held or not held:
        return text
    chosen = _option(options, text)
    if chosen is None or chosen >= len(held):
        raise InputError(f"parameter {parameter.name!r} takes one of {', '.join(options)}, not {text!r}")
    return str(held[chosen])


def _option(options: Sequence[str], text: str) -> int | None:
    """The place of the option that is called ``text``, or of the only one that begins so but for case, blanks and
    marks; None if there is none or several, and for a place itself."""
    if text in options:
        return options.index(text)
    beginning = _bare(text)
    if not beginning or beginning.isdecimal():
        return None
    begun = [k for k, option in enumerate(options) if _bare(option).startswith(beginning)]
    return begun[0] if len(begun) == 1 else None


def _bare(text: str) -> str:
    return "".join(letter for letter in text.lower() if letter.isalnum())
