"""Our declarations of the OpenFX standard against the facts of its official headers.

Source: openfx-1.5.1.txt beside this file, a table of our own of what a program printed that was compiled against the
standard body's headers and property metadata (version 1.5.1, July 2026). Where the metadata and the reference's text
differ, the text is followed, and the departure is listed here with its reason.
"""

from __future__ import annotations

import ctypes
import subprocess
from collections import defaultdict
from pathlib import Path

import pytest
from huewright.host import abi, property_sets, standard
from huewright.host.property_sets import Property

ROWS = [line.split() for line in (Path(__file__).parent / "openfx-1.5.1.txt").read_text(encoding="ascii").splitlines()
        if not line.startswith("#")]
STRINGS = {row[1]: row[2] for row in ROWS if row[0] == "string"}
NUMBERS = {row[1]: int(row[2]) for row in ROWS if row[0] == "number"}
SETS: dict[str, dict[str, list[list[str]]]] = defaultdict(lambda: defaultdict(list))
for _row in ROWS:
    if _row[0] == "property":
        SETS[_row[1]][_row[2]].append(_row[3:])

TABLES = {"ImageEffectHost": property_sets.HOST, "EffectDescriptor": property_sets.EFFECT_DESCRIPTOR,
          "EffectInstance": property_sets.EFFECT_INSTANCE, "ClipDescriptor": property_sets.CLIP_DESCRIPTOR,
          "ClipInstance": property_sets.CLIP_INSTANCE, "Image": property_sets.IMAGE,
          "InteractDescriptor": property_sets.INTERACT_DESCRIPTOR,
          "InteractInstance": property_sets.INTERACT_INSTANCE}
PARAMETERS = {"ParamDouble1D": "Double", "ParamsDouble2D3D": "Double2D", "ParamsNormalizedSpatial": "Double3D",
              "ParamsInt2D3D": "Integer2D", "ParamsString": "String", "ParamsByte": "Integer", "ParamsChoice": "Choice",
              "ParamsStrChoice": "StrChoice", "ParamsCustom": "Custom", "ParamsGroup": "Group", "ParamsPage": "Page",
              "ParamsParametric": "Parametric"}

# (set, property) that the metadata lacks and the reference's text has, with the sentence's place.
ALSO_THERE = {
    ("ImageEffectHost", "ImageEffectPropSupportedPixelDepths"): "Properties by object: host descriptor",
    ("EffectDescriptor", "PropIcon"): "Properties by object: effect descriptor, plug-in icon",
    ("EffectDescriptor", "ImageEffectInstancePropSequentialRender"): "the property: 'plugin descriptor (read/write)'",
    ("EffectDescriptor", "ImageEffectPropRenderQualityDraft"): "the property: 'host or plug-in descriptor'",
    **{(held, f"ImageEffectProp{kind}"): "Rendering on GPUs: host and effect descriptors"
       for held in ("ImageEffectHost", "EffectDescriptor")
       for kind in ("CudaRenderSupported", "CudaStreamSupported", "MetalRenderSupported", "OpenCLRenderSupported")},
    ("ImageEffectHost", "ImageEffectPropBehaviourWhenUnlicensed"): "the property: set by the host",
    **{(held, name): "a parameter set has its effect's property set (Properties by object: parameter set)"
       for held in ("EffectDescriptor", "EffectInstance")
       for name in ("PluginPropParamPageOrder", "PropParamSetNeedsSyncing")},
    **{("EffectInstance", name): "labels, description and path stay those of the descriptor"
       for name in ("PropLabel", "PropShortLabel", "PropLongLabel", "PropPluginDescription", "PluginPropFilePath")},
}
# (set, property) whose writer differs in the reference's text.
WRITERS = {
    **{(held, name): "type and name are the host's: 'read only' in the reference"
       for held in ("EffectDescriptor", "ClipDescriptor", "Parameter") for name in ("PropType", "PropName")},
    ("Parameter", "ParamPropType"): "given to paramDefine, then read only",
    ("Parameter", "ParamPropHasHostOverlayHandle"): "a flag by which the host tells",
    ("EffectInstance", "PropInstanceData"): "'plug-ins may set it' (kOfxPropInstanceData)",
    ("InteractInstance", "PropInstanceData"): "'plug-ins may set it' (kOfxPropInstanceData)",
    ("EffectInstance", "ImageEffectInstancePropSequentialRender"): "'a plug-in may set it on an instance'",
    ("EffectInstance", "ImageEffectPropSupportsTiles"): "'may be set on an instance' (since 1.4)",
    ("InteractInstance", "InteractPropSlaveToParam"): "'set by the plug-in in its create instance action'",
}


def test_statuses_and_names() -> None:
    statuses = {value: name for name, value in NUMBERS.items() if name.startswith("kOfxStat") and "GL" not in name
                and name != "kOfxStandardColour" and not name.startswith("kOfxStandard")}
    assert standard.STATUS_NAMES == statuses
    ours = {value for name, value in vars(standard).items() if name.isupper() and isinstance(value, str)}
    # The last two: the example of a built-in config in ofxColour.h, and a name in the native style's own header.
    known = {*STRINGS.values(), standard.API, standard.SCENE_LINEAR, standard.OCIO_CONFIG}
    unknown = ours - known
    assert not unknown, "names of ours that the headers do not have"
    types = {value for name, value in STRINGS.items() if name.startswith("kOfxParamType")}
    assert set(standard.PARAMETERS) == types
    contexts = {value for name, value in STRINGS.items() if name.startswith("kOfxImageEffectContext")}
    assert set(standard.CONTEXTS) == contexts


def test_every_suite_has_its_name() -> None:
    suites = {value for name, value in STRINGS.items() if name.endswith("Suite")}
    assert {value for name, value in vars(standard).items() if name.startswith("SUITE_")} == suites


def test_every_property_of_the_headers_is_known() -> None:
    named = {value for name, value in STRINGS.items() if "Prop" in name and not name.endswith("Suite")
             and not value.startswith("kOfxImageEffectHostPropNativeOrigin")}
    assert named - set(property_sets.EVERY_PROPERTY) == set()
    assert set(property_sets.EVERY_PROPERTY) - named - set(STRINGS.values()) == set()


def described(kinds: str) -> set[str]:
    """The property suite's types that the metadata's kinds stand for."""
    return {{"choice": "string", "bool": "int"}.get(kind, kind) for kind in kinds.split(",")}


def compare(name: str, facts: dict[str, list[list[str]]], table: dict[str, Property], own: str) -> list[str]:
    short = {key: key.removeprefix("Ofx") for key in facts | table}
    wrong = [f"{name}: {key} is missing" for key in facts if key not in table]
    wrong += [f"{name}: {key} is not in the metadata" for key in table if key not in facts
              and (own, short[key]) not in ALSO_THERE]
    for key in facts.keys() & table.keys():
        ours, rows = table[key], facts[key]
        if all(int(row[1]) != ours.size for row in rows):
            wrong.append(f"{name}: {key} has {rows[0][1]} values, ours {ours.size}")
        if not any(ours.type in described(row[2]) for row in rows):
            wrong.append(f"{name}: {key} is {rows[0][2]}, ours {ours.type}")
        differs = all((row[0] != "host") != ours.writable for row in rows)
        if differs and (own, short[key]) not in WRITERS:
            wrong.append(f"{name}: {key} is written by {rows[0][0]}, ours {ours.writable}")
    return wrong


@pytest.mark.parametrize("name", TABLES)
def test_objects_have_the_properties_of_the_metadata(name: str) -> None:
    assert compare(name, SETS[name], TABLES[name], name) == []


# Dimensions that depend on the parameter's own, and properties that the metadata lists for other types too.
_OPEN = {"OfxParamPropDefault", "OfxParamPropMin", "OfxParamPropMax", "OfxParamPropDisplayMin",
         "OfxParamPropDisplayMax"}


@pytest.mark.parametrize("name", PARAMETERS)
def test_parameters_have_the_properties_of_the_metadata(name: str) -> None:
    table = property_sets.parameter_properties(f"OfxParamType{PARAMETERS[name]}")
    facts = dict(SETS[name])
    for key in [key for key in facts if key == "OfxParamPropDimensionLabel" or key in _OPEN and key not in table]:
        del facts[key]      # texts have no range; labels of dimensions have as many values as the parameter
    facts.pop("OfxParamPropChoiceEnum", None)   # "bool" there; its text: an array of strings, one an option
    known = set(facts) | _OPEN
    extra = {key for key in table if key not in known}
    # What all parameters of a kind may have, though the metadata names it for one of them only.
    assert extra <= {"OfxParamPropDoubleType", "OfxParamPropDimensionLabel",
                     "OfxParamPropDefaultCoordinateSystem", "OfxParamPropShowTimeMarker",
                     "OfxParamPropChoiceEnum", "OfxParamPropChoiceOrder"}
    assert compare(name, facts, {key: spec for key, spec in table.items() if key not in extra}, "Parameter") == []


def test_actions_have_the_arguments_of_the_metadata() -> None:
    missing = []
    for _, action, side, name in (row for row in ROWS if row[0] == "argument"):
        if action == "CustomParamInterpFunc":
            table = property_sets.CUSTOM_IN if side == "in" else property_sets.CUSTOM_OUT
        else:
            table = (property_sets.IN_ARGUMENTS if side == "in" else property_sets.OUT_ARGUMENTS).get(action, {})
        if name not in table and (action, name) != ("OfxImageEffectActionGetFramesNeeded",
                                                    "OfxImageEffectPropFrameRange"):
            missing.append((action, side, name))    # frames needed has one range a clip, named for the clip
    assert missing == []


STRUCTURES = {"OfxRectD": abi.RectD, "OfxHost": abi.OfxHost, "OfxPlugin": abi.OfxPlugin,
              "OfxPropertySuite": abi.PropertySuite, "OfxImageEffectSuite": abi.ImageEffectSuite,
              "OfxParameterSuite": abi.ParameterSuite, "OfxMemorySuite": abi.MemorySuite,
              "OfxMultiThreadSuite": abi.MultiThreadSuite, "OfxMessageSuite": abi.MessageSuite}


def test_structures_lie_as_in_the_headers() -> None:
    for name, structure in STRUCTURES.items():
        size = next(int(row[2]) for row in ROWS if row[:2] == ["struct", name])
        assert ctypes.sizeof(structure) == size
        members = [(row[2], int(row[3])) for row in ROWS if row[:2] == ["member", name]]
        assert [(key, getattr(structure, key).offset) for key, *_ in structure._fields_] == members


def test_the_plugins_own_header_lies_as_the_official_ones(tmp_path: Path) -> None:
    from huewright.errors import InputError
    from huewright.plugin.build import SOURCES, find_compiler

    try:
        compiler = find_compiler()
    except InputError as error:
        pytest.skip(str(error))
    text = (SOURCES / "ofx_abi.h").read_text()
    rows = [row for row in ROWS if row[0] in ("struct", "member") and f"}} {row[1]};" in text]
    assert len(rows) > 60
    claims = [f"_Static_assert(sizeof({row[1]}) == {row[2]}, \"{row[1]}\");" if row[0] == "struct" else
              f"_Static_assert(offsetof({row[1]}, {row[2]}) == {row[3]}, \"{row[1]}.{row[2]}\");" for row in rows]
    (tmp_path / "check.c").write_text("\n".join(['#include "ofx_abi.h"', *claims]) + "\n")
    subprocess.run([*compiler, "-std=gnu11", "-I", SOURCES, "-c", "check.c", "-o", "check.o"], cwd=tmp_path, check=True)
