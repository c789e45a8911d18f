"""What properties there are (OpenFX 1.5.1): on which object, of which type, how many values, who may set them.

Source: the OpenFX programming reference, "Properties by object" and the actions' argument lists. Tests compare the
tables with the official property metadata and list where, and why, the reference's text is followed instead.
"""

from __future__ import annotations

from typing import NamedTuple

from huewright.host.standard import (
    BEGIN_CHANGED,
    BEGIN_RENDER,
    CHANGED,
    CLIP_PREFERENCES,
    COLOUR_STYLES,
    COMPONENTS,
    CONTEXTS,
    DEPTHS,
    DESCRIBE_IN_CONTEXT,
    DRAW,
    END_CHANGED,
    END_RENDER,
    FIELD_NONE,
    FRAMES_NEEDED,
    FULLY_SAFE,
    GAIN_FOCUS,
    IDENTITY,
    INSTANCE_SAFE,
    KEY_DOWN,
    KEY_REPEAT,
    KEY_UP,
    LOSE_FOCUS,
    NO_COMPONENTS,
    NO_DEPTH,
    OPAQUE,
    OUTPUT_COLOURSPACE,
    PARAMETERS,
    PEN_DOWN,
    PEN_MOTION,
    PEN_UP,
    PREMULTIPLIED,
    RANGED,
    RENDER,
    ROD,
    ROI,
    TIME_DOMAIN,
    UNPREMULTIPLIED,
    UNSAFE,
)


class Property(NamedTuple):
    """``type`` is "int", "double", "string", "pointer" or "value" (the parameter's own); ``size`` 0 means any.

    ``writable`` says whether a plug-in may set it on that object.
    """

    type: str
    size: int
    writable: bool = True


def _table(**rows: str) -> dict[str, Property]:
    """``kind="Name Name*2 ..."``: kind is a type, with _r appended where a plug-in may only read."""
    table = {}
    for kind, names in rows.items():
        type_name, _, access = kind.partition("_")
        for item in names.split():
            name, _, count = item.partition("*")
            table[f"Ofx{name}"] = Property(type_name, int(count or 1), access != "r")
    return table


_LABELS = "PropLabel PropShortLabel PropLongLabel"
HOST = _table(
    int_r="PropAPIVersion*0 PropVersion*0 ImageEffectHostPropIsBackground ImageEffectPropSupportsOverlays "
          "ImageEffectPropSupportsMultiResolution ImageEffectPropSupportsTiles ImageEffectPropTemporalClipAccess "
          "ImageEffectPropMultipleClipDepths ImageEffectPropSupportsMultipleClipPARs "
          "ImageEffectPropSetableFrameRate ImageEffectPropSetableFielding ImageEffectInstancePropSequentialRender "
          "ParamHostPropSupportsCustomInteract ParamHostPropSupportsStringAnimation "
          "ParamHostPropSupportsChoiceAnimation ParamHostPropSupportsBooleanAnimation "
          "ParamHostPropSupportsCustomAnimation ParamHostPropSupportsParametricAnimation "
          "ParamHostPropSupportsStrChoice ParamHostPropSupportsStrChoiceAnimation ParamHostPropMaxParameters "
          "ParamHostPropMaxPages ParamHostPropPageRowColumnCount*2 ImageEffectPropRenderQualityDraft",
    string_r="PropType PropName PropLabel PropVersionLabel ImageEffectPropSupportedComponents*0 "
             "ImageEffectPropSupportedContexts*0 ImageEffectPropSupportedPixelDepths*0 "
             "ImageEffectHostPropNativeOrigin ImageEffectPropOpenGLRenderSupported "
             "ImageEffectPropCudaRenderSupported ImageEffectPropMetalRenderSupported "
             "ImageEffectPropOpenCLRenderSupported ImageEffectPropOpenCLSupported "
             "ImageEffectPropCPURenderSupported ImageEffectPropCudaStreamSupported "
             "ImageEffectPropBehaviourWhenUnlicensed ImageEffectPropColourManagementStyle "
             "ImageEffectPropColourManagementAvailableConfigs*0",
    pointer_r="PropHostOSHandle")

EFFECT_DESCRIPTOR = _table(
    string_r="PropType PluginPropFilePath",
    string=f"{_LABELS} PropVersionLabel PropPluginDescription ImageEffectPropSupportedContexts*0 "
           "ImageEffectPluginPropGrouping ImageEffectPluginRenderThreadSafety ImageEffectPropSupportedPixelDepths*0 "
           "ImageEffectPropClipPreferencesSlaveParam*0 ImageEffectPropOpenGLRenderSupported OpenGLPropPixelDepth*0 "
           "ImageEffectPropCudaRenderSupported ImageEffectPropCudaStreamSupported ImageEffectPropMetalRenderSupported "
           "ImageEffectPropOpenCLRenderSupported ImageEffectPropColourManagementStyle "
           "ImageEffectPropColourManagementAvailableConfigs*0 ImageEffectPropNoSpatialAwareness PropIcon*2 "
           "ImageEffectPropCPURenderSupported ImageEffectPropOpenCLSupported",
    int="PropVersion*0 ImageEffectPluginPropSingleInstance ImageEffectPluginPropObsolete "
        "ImageEffectPluginPropHostFrameThreading "
        "ImageEffectPropSupportsMultiResolution ImageEffectPropSupportsTiles ImageEffectPropTemporalClipAccess "
        "ImageEffectPluginPropFieldRenderTwiceAlways ImageEffectPropMultipleClipDepths "
        "ImageEffectPropSupportsMultipleClipPARs ImageEffectInstancePropSequentialRender "
        "ImageEffectPropRenderQualityDraft",
    pointer="ImageEffectPluginPropOverlayInteractV1 ImageEffectPluginPropOverlayInteractV2")

# Parameter sets share the property set of their effect.
_PARAMETER_SET = _table(string="PluginPropParamPageOrder*0", int="PropParamSetNeedsSyncing")
EFFECT_DESCRIPTOR |= _PARAMETER_SET
EFFECT_INSTANCE = _table(
    string_r="PropType ImageEffectPropContext ImageEffectPropOpenGLRenderSupported PropPluginDescription "
             "ImageEffectPropColourManagementStyle ImageEffectPropColourManagementConfig "
             "ImageEffectPropDisplayColourspace PluginPropFilePath ImageEffectPropCPURenderSupported "
             "ImageEffectPropOCIOConfig ImageEffectPropOCIODisplay ImageEffectPropOCIOView",
    double_r="ImageEffectPropProjectSize*2 ImageEffectPropProjectOffset*2 ImageEffectPropProjectExtent*2 "
             "ImageEffectPropPixelAspectRatio ImageEffectInstancePropEffectDuration ImageEffectPropFrameRate",
    int="ImageEffectInstancePropSequentialRender ImageEffectPropSupportsTiles", int_r="PropIsInteractive",
    pointer="PropInstanceData", pointer_r="ImageEffectPropPluginHandle") | _PARAMETER_SET
# Labels of an instance may be read and are those of its descriptor.
EFFECT_INSTANCE |= _table(string=_LABELS)

_CLIP_COMMON = f"{_LABELS} ImageEffectPropSupportedComponents*0 ImageClipPropFieldExtraction"
_CLIP_FLAGS = "ImageEffectPropTemporalClipAccess ImageClipPropOptional ImageClipPropIsMask ImageEffectPropSupportsTiles"
CLIP_DESCRIPTOR = _table(string_r="PropType PropName", string=_CLIP_COMMON, int=_CLIP_FLAGS)
CLIP_INSTANCE = _table(
    string_r=f"PropType PropName {_CLIP_COMMON} ImageEffectPropPixelDepth ImageEffectPropComponents "
             "ImageClipPropUnmappedPixelDepth ImageClipPropUnmappedComponents ImageEffectPropPreMultiplication "
             "ImageClipPropFieldOrder ImageClipPropColourspace ImageClipPropPreferredColourspaces*0",
    double_r="ImagePropPixelAspectRatio ImageEffectPropFrameRate ImageEffectPropFrameRange*2 "
             "ImageEffectPropUnmappedFrameRange*2 ImageEffectPropUnmappedFrameRate",
    int_r=f"{_CLIP_FLAGS} ImageClipPropConnected ImageClipPropContinuousSamples")
IMAGE = _table(
    string_r="PropType ImageEffectPropPixelDepth ImageEffectPropComponents ImageEffectPropPreMultiplication "
             "ImagePropField ImagePropUniqueIdentifier",
    double_r="ImageEffectPropRenderScale*2 ImagePropPixelAspectRatio",
    int_r="ImagePropBounds*4 ImagePropRegionOfDefinition*4 ImagePropRowBytes", pointer_r="ImagePropData")

_PARAMETER_COMMON = _table(
    string_r="PropType PropName ParamPropType",
    string=f"{_LABELS} ParamPropHint ParamPropScriptName ParamPropParent PropIcon*2",
    int="ParamPropSecret ParamPropEnabled", pointer="ParamPropDataPtr")
_PARAMETER_SHOWN = _table(
    pointer="ParamPropInteractV1",
    double="ParamPropInteractSizeAspect ParamPropInteractSize*2 ParamPropInteractMinimumSize*2",
    int="ParamPropInteractPreferedSize*2",
    int_r="ParamPropHasHostOverlayHandle")
# The one property whose string is its macro's name.
_PARAMETER_SHOWN["kOfxParamPropUseHostOverlayHandle"] = Property("int", 1)
_PARAMETER_VALUE = _table(
    value="ParamPropDefault*0", int_r="ParamPropIsAnimating ParamPropIsAutoKeying",
    int="ParamPropAnimates ParamPropPersistant ParamPropEvaluateOnChange ParamPropPluginMayWrite ParamPropCanUndo",
    string="ParamPropCacheInvalidation")
_PARAMETER_RANGE = _table(value="ParamPropMin*0 ParamPropMax*0 ParamPropDisplayMin*0 ParamPropDisplayMax*0")
_DOUBLE = _table(double="ParamPropIncrement", int="ParamPropDigits", string="ParamPropDoubleType")


_PARAMETRIC = {name: spec._replace(type="double") if spec.type == "value" else spec
               for name, spec in _PARAMETER_VALUE.items()} | _table(
    int="ParamPropParametricDimension", double="ParamPropParametricUIColour*0 ParamPropParametricRange*2",
    pointer="ParamPropParametricInteractBackground")


def parameter_properties(parameter_type: str) -> dict[str, Property]:
    """The properties of a parameter of that type, "value" types resolved."""
    table = dict(_PARAMETER_COMMON)
    if parameter_type == "OfxParamTypeGroup":
        return table | _table(int="ParamPropGroupOpen")
    if parameter_type == "OfxParamTypePage":
        return table | _table(string="ParamPropPageChild*0")
    table |= _PARAMETER_SHOWN
    if parameter_type == "OfxParamTypeParametric":
        return table | _PARAMETRIC
    held = PARAMETERS.get(parameter_type)
    if held is None:
        return table
    table |= _PARAMETER_VALUE
    if parameter_type in RANGED:
        table |= _PARAMETER_RANGE
    if held[0] == "double":
        table |= _DOUBLE
    if parameter_type == "OfxParamTypeDouble":
        table |= _table(int="ParamPropShowTimeMarker")
    if parameter_type.startswith("OfxParamTypeDouble"):
        table |= _table(string="ParamPropDefaultCoordinateSystem")
    if held[1] > 1:
        table |= _table(string=f"ParamPropDimensionLabel*{held[1]}")
    if parameter_type == "OfxParamTypeString":
        table |= _table(string="ParamPropStringMode", int="ParamPropStringFilePathExists")
    if parameter_type in ("OfxParamTypeChoice", "OfxParamTypeStrChoice"):
        table |= _table(string="ParamPropChoiceOption*0", int="ParamPropChoiceOrder*0")
    if parameter_type == "OfxParamTypeStrChoice":  # the options' values: strings, whatever the metadata says
        table |= _table(string="ParamPropChoiceEnum*0")
    if parameter_type == "OfxParamTypeCustom":
        table |= _table(pointer="ParamPropCustomCallbackV1")
    return {name: spec._replace(type=held[0]) if spec.type == "value" else spec for name, spec in table.items()}


_RENDER_ARGUMENTS = _table(
    double_r="ImageEffectPropRenderScale*2",
    int_r="ImageEffectPropSequentialRenderStatus ImageEffectPropInteractiveRenderStatus "
          "ImageEffectPropRenderQualityDraft ImageEffectPropOpenGLEnabled ImageEffectPropCudaEnabled "
          "ImageEffectPropMetalEnabled ImageEffectPropOpenCLEnabled ImageEffectPropOpenGLTextureIndex "
          "ImageEffectPropOpenGLTextureTarget",
    string_r="ImageEffectPropNoSpatialAwareness ImageEffectPropThumbnailRender ImageEffectPropCudaRenderSupported "
             "ImageEffectPropCudaStreamSupported ImageEffectPropMetalRenderSupported "
             "ImageEffectPropOpenCLRenderSupported ImageEffectPropOpenCLSupported",
    pointer_r="ImageEffectPropCudaStream ImageEffectPropMetalCommandQueue ImageEffectPropOpenCLCommandQueue "
              "ImageEffectPropOpenCLImage")
_SEQUENCE_ARGUMENTS = _RENDER_ARGUMENTS | _table(
    double_r="ImageEffectPropFrameRange*2 ImageEffectPropFrameStep", int_r="PropIsInteractive")
_THUMBNAIL = _table(string_r="ImageEffectPropThumbnailRender")
_AT_TIME = _THUMBNAIL | _table(double_r="PropTime ImageEffectPropRenderScale*2")
_WINDOW = _table(int_r="ImageEffectPropRenderWindow*4", string_r="ImageEffectPropFieldToRender")

_IN_VIEW = _table(double_r="PropTime ImageEffectPropRenderScale*2", pointer_r="PropEffectInstance")
_SEEN = _IN_VIEW | _table(double_r="InteractPropPixelScale*2 InteractPropBackgroundColour*3")

IN_ARGUMENTS: dict[str, dict[str, Property]] = {
    DESCRIBE_IN_CONTEXT: _table(string_r="ImageEffectPropContext"),
    BEGIN_CHANGED: _THUMBNAIL | _table(string_r="PropChangeReason"), END_CHANGED: _table(string_r="PropChangeReason"),
    CHANGED: _AT_TIME | _table(string_r="PropType PropName PropChangeReason"),
    ROD: _AT_TIME, ROI: _AT_TIME | _table(double_r="ImageEffectPropRegionOfInterest*4"),
    FRAMES_NEEDED: _THUMBNAIL | _table(double_r="PropTime"), IDENTITY: _AT_TIME | _WINDOW,
    BEGIN_RENDER: _SEQUENCE_ARGUMENTS, END_RENDER: _SEQUENCE_ARGUMENTS,
    RENDER: _RENDER_ARGUMENTS | _AT_TIME | _WINDOW,
    OUTPUT_COLOURSPACE: _table(string_r="ImageClipPropPreferredColourspaces*0"),
    DRAW: _SEEN | _table(pointer_r="InteractPropDrawContext"), GAIN_FOCUS: _SEEN, LOSE_FOCUS: _SEEN,
    **dict.fromkeys((PEN_MOTION, PEN_DOWN, PEN_UP), _SEEN | _table(
        double_r="InteractPropPenPosition*2 InteractPropPenPressure", int_r="InteractPropPenViewportPosition*2")),
    **dict.fromkeys((KEY_DOWN, KEY_UP, KEY_REPEAT), _IN_VIEW | {
        "kOfxPropKeySym": Property("int", 1, False), "kOfxPropKeyString": Property("string", 1, False)}),
}
OUT_ARGUMENTS: dict[str, dict[str, Property]] = {
    ROD: _table(double="ImageEffectPropRegionOfDefinition*4"), ROI: {},
    OUTPUT_COLOURSPACE: _table(string="ImageClipPropColourspace"),
    FRAMES_NEEDED: {}, TIME_DOMAIN: _table(double="ImageEffectPropFrameRange*2"),
    IDENTITY: _table(string="PropName", double="PropTime"),
    CLIP_PREFERENCES: _table(
        double="ImageEffectPropFrameRate", string="ImageClipPropFieldOrder ImageEffectPropPreMultiplication",
        int="ImageClipPropContinuousSamples ImageEffectFrameVarying"),
}


def out_arguments(action: str, clips: tuple[str, ...]) -> dict[str, Property]:
    """``OUT_ARGUMENTS`` with the properties that carry a clip's name behind an underscore."""
    table = dict(OUT_ARGUMENTS.get(action, {}))
    for clip in clips:
        if action == ROI:
            table[f"OfxImageClipPropRoI_{clip}"] = Property("double", 4)
        elif action == FRAMES_NEEDED:
            table[f"OfxImageClipPropFrameRange_{clip}"] = Property("double", 0)
        elif action == CLIP_PREFERENCES:
            table[f"OfxImageClipPropComponents_{clip}"] = Property("string", 1)
            table[f"OfxImageClipPropDepth_{clip}"] = Property("string", 1)
            table[f"OfxImageClipPropPAR_{clip}"] = Property("double", 1)
            table[f"OfxImageClipPropPreferredColourspaces_{clip}"] = Property("string", 0)
    return table


INTERACT_DESCRIPTOR = _table(int_r="InteractPropHasAlpha InteractPropBitDepth")
INTERACT_INSTANCE = INTERACT_DESCRIPTOR | _table(
    pointer_r="PropEffectInstance", pointer="PropInstanceData", string="InteractPropSlaveToParam*0",
    double_r="InteractPropPixelScale*2 InteractPropBackgroundColour*3 InteractPropSuggestedColour*3")

# What the interpolation callback of a custom parameter gets and gives.
CUSTOM_IN = _table(string_r="ParamPropCustomValue*2", double_r="ParamPropInterpolationAmount "
                   "ParamPropInterpolationTime*2")
CUSTOM_OUT = _table(string="ParamPropCustomValue", double="ParamPropInterpolationTime")

# Values that a string property may take, where the standard closes the list.
_GPU = ("false", "true", "needed")
CLOSED: dict[str, tuple[str, ...]] = {
    "OfxImageEffectPropSupportedContexts": CONTEXTS,
    "OfxImageEffectPropSupportedPixelDepths": (*DEPTHS, NO_DEPTH),
    "OfxImageEffectPropSupportedComponents": (*COMPONENTS, NO_COMPONENTS, "OfxImageComponentYUVA"),
    "OfxImageEffectPluginRenderThreadSafety": (UNSAFE, INSTANCE_SAFE, FULLY_SAFE),
    "OfxImageEffectPropPreMultiplication": (OPAQUE, PREMULTIPLIED, UNPREMULTIPLIED),
    "OfxImageClipPropFieldExtraction": (FIELD_NONE, "OfxFieldBoth", "OfxFieldSingle", "OfxFieldDoubled",
                                        "OfxFieldLower", "OfxFieldUpper"),
    "OfxParamPropStringMode": ("OfxParamStringIsSingleLine", "OfxParamStringIsMultiLine", "OfxParamStringIsFilePath",
                               "OfxParamStringIsDirectoryPath", "OfxParamStringIsLabel",
                               "OfxParamStringIsRichTextFormat"),
    "OfxImageEffectPropColourManagementStyle": COLOUR_STYLES,
    "OfxImageEffectPropOpenGLRenderSupported": _GPU, "OfxImageEffectPropCudaRenderSupported": _GPU,
    "OfxImageEffectPropMetalRenderSupported": _GPU, "OfxImageEffectPropOpenCLRenderSupported": _GPU,
    "OfxImageEffectPropOpenCLSupported": ("false", "true"), "OfxImageEffectPropCPURenderSupported": ("false", "true"),
    "OfxImageEffectPropNoSpatialAwareness": ("false", "true"),
    "OfxImageEffectPropCudaStreamSupported": ("false", "true"),
    "OfxParamPropDefaultCoordinateSystem": ("OfxParamCoordinatesCanonical", "OfxParamCoordinatesNormalised"),
    "OfxParamPropCacheInvalidation": ("OfxParamInvalidateValueChange", "OfxParamInvalidateValueChangeToEnd",
                                      "OfxParamInvalidateAll"),
}

# Every name of the standard that is a property somewhere: a name set on the wrong object is told from an unknown one.
EVERY_PROPERTY: dict[str, Property] = {}
for _some in (HOST, EFFECT_DESCRIPTOR, EFFECT_INSTANCE, CLIP_DESCRIPTOR, CLIP_INSTANCE, IMAGE,
              INTERACT_DESCRIPTOR, INTERACT_INSTANCE, CUSTOM_IN, CUSTOM_OUT, *IN_ARGUMENTS.values(),
              *OUT_ARGUMENTS.values(), *map(parameter_properties, PARAMETERS)):
    EVERY_PROPERTY.update(_some)

# A parameter's instance may be asked for these besides the properties of its descriptor.
INSTANCE_ONLY = _table(int_r="ParamPropIsAnimating ParamPropIsAutoKeying")
