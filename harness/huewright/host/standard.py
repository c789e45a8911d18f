"""What the OpenFX Image Effect standard (1.4, with 1.5 where useful) says, as data: names, types, statuses, order.

Source: the OpenFX programming reference, "Image Effect API", property sets and action chapters
(Academy Software Foundation, OpenFX 1.4 and 1.5). Only names, types and dimensions, typed in from the reference.
"""

from __future__ import annotations

from typing import NamedTuple

# --- statuses -------------------------------------------------------------------------------------------------
OK, FAILED, ERR_FATAL, ERR_UNKNOWN, ERR_MISSING_HOST_FEATURE, ERR_UNSUPPORTED = 0, 1, 2, 3, 4, 5
ERR_EXISTS, ERR_FORMAT, ERR_MEMORY, ERR_BAD_HANDLE, ERR_BAD_INDEX, ERR_VALUE = 6, 7, 8, 9, 10, 11
REPLY_YES, REPLY_NO, REPLY_DEFAULT, GPU_OUT_OF_MEMORY, GPU_RENDER_FAILED = 12, 13, 14, 1001, 1002
ERR_IMAGE_FORMAT = 1000

STATUS_NAMES = {
    0: "kOfxStatOK", 1: "kOfxStatFailed", 2: "kOfxStatErrFatal", 3: "kOfxStatErrUnknown",
    4: "kOfxStatErrMissingHostFeature", 5: "kOfxStatErrUnsupported", 6: "kOfxStatErrExists",
    7: "kOfxStatErrFormat", 8: "kOfxStatErrMemory", 9: "kOfxStatErrBadHandle", 10: "kOfxStatErrBadIndex",
    11: "kOfxStatErrValue", 12: "kOfxStatReplyYes", 13: "kOfxStatReplyNo", 14: "kOfxStatReplyDefault",
    1000: "kOfxStatErrImageFormat", 1001: "kOfxStatGPUOutOfMemory", 1002: "kOfxStatGPURenderFailed",
}


def status_name(status: int) -> str:
    return STATUS_NAMES.get(status, f"status {status}, which the standard does not define")


# --- actions --------------------------------------------------------------------------------------------------
LOAD, UNLOAD = "OfxActionLoad", "OfxActionUnload"
DESCRIBE, DESCRIBE_IN_CONTEXT = "OfxActionDescribe", "OfxImageEffectActionDescribeInContext"
CREATE, DESTROY = "OfxActionCreateInstance", "OfxActionDestroyInstance"
BEGIN_CHANGED, CHANGED = "OfxActionBeginInstanceChanged", "OfxActionInstanceChanged"
END_CHANGED = "OfxActionEndInstanceChanged"
PURGE, SYNC = "OfxActionPurgeCaches", "OfxActionSyncPrivateData"
BEGIN_EDIT, END_EDIT = "OfxActionBeginInstanceEdit", "OfxActionEndInstanceEdit"
ROD, ROI = "OfxImageEffectActionGetRegionOfDefinition", "OfxImageEffectActionGetRegionsOfInterest"
FRAMES_NEEDED, TIME_DOMAIN = "OfxImageEffectActionGetFramesNeeded", "OfxImageEffectActionGetTimeDomain"
IDENTITY, CLIP_PREFERENCES = "OfxImageEffectActionIsIdentity", "OfxImageEffectActionGetClipPreferences"
BEGIN_RENDER, RENDER = "OfxImageEffectActionBeginSequenceRender", "OfxImageEffectActionRender"
END_RENDER = "OfxImageEffectActionEndSequenceRender"

# What each action may return ("returns" lists of the reference). Describe, describe in context and render must be
# answered, so that "default" is not among theirs.
_USUAL = frozenset({OK, REPLY_DEFAULT, FAILED, ERR_FATAL})
_MEMORY = _USUAL | {ERR_MEMORY}
ALLOWED: dict[str, frozenset[int]] = {
    LOAD: _USUAL | {ERR_MISSING_HOST_FEATURE}, UNLOAD: _USUAL,
    DESCRIBE: frozenset({OK, ERR_MISSING_HOST_FEATURE, ERR_MEMORY, FAILED, ERR_FATAL}),
    DESCRIBE_IN_CONTEXT: frozenset({OK, ERR_MISSING_HOST_FEATURE, ERR_MEMORY, FAILED, ERR_FATAL}),
    CREATE: _MEMORY, DESTROY: _USUAL, BEGIN_CHANGED: _USUAL, CHANGED: _USUAL, END_CHANGED: _USUAL,
    PURGE: _USUAL, SYNC: _USUAL, BEGIN_EDIT: _USUAL, END_EDIT: _USUAL, ROD: _MEMORY, ROI: _MEMORY,
    FRAMES_NEEDED: _MEMORY, TIME_DOMAIN: _MEMORY, IDENTITY: _MEMORY, CLIP_PREFERENCES: _MEMORY,
    BEGIN_RENDER: _MEMORY, END_RENDER: _MEMORY,
    RENDER: frozenset({OK, FAILED, ERR_FATAL, ERR_MEMORY, ERR_FORMAT, ERR_IMAGE_FORMAT, ERR_UNSUPPORTED}),
}

# --- values ---------------------------------------------------------------------------------------------------
API = "OfxImageEffectPluginAPI"
FILTER, GENERAL = "OfxImageEffectContextFilter", "OfxImageEffectContextGeneral"
GENERATOR, TRANSITION = "OfxImageEffectContextGenerator", "OfxImageEffectContextTransition"
PAINT, RETIMER = "OfxImageEffectContextPaint", "OfxImageEffectContextRetimer"
CONTEXTS = (GENERATOR, FILTER, TRANSITION, PAINT, GENERAL, RETIMER)
MANDATED_CLIPS = {FILTER: ("Source", "Output"), GENERAL: ("Output",), GENERATOR: ("Output",),
                  TRANSITION: ("SourceFrom", "SourceTo", "Output"), PAINT: ("Source", "Brush", "Output"),
                  RETIMER: ("Source", "Output")}

BYTE, SHORT, HALF, FLOAT = "OfxBitDepthByte", "OfxBitDepthShort", "OfxBitDepthHalf", "OfxBitDepthFloat"
NO_DEPTH = "OfxBitDepthNone"
DEPTHS = (BYTE, SHORT, HALF, FLOAT)
DTYPES = {BYTE: "uint8", SHORT: "uint16", HALF: "float16", FLOAT: "float32"}
RGBA, RGB, ALPHA = "OfxImageComponentRGBA", "OfxImageComponentRGB", "OfxImageComponentAlpha"
NO_COMPONENTS = "OfxImageComponentNone"
COMPONENTS = {RGBA: 4, RGB: 3, ALPHA: 1}
OPAQUE, PREMULTIPLIED = "OfxImageOpaque", "OfxImageAlphaPremultiplied"
UNPREMULTIPLIED = "OfxImageAlphaUnPremultiplied"
UNSAFE, INSTANCE_SAFE = "OfxImageEffectRenderUnsafe", "OfxImageEffectRenderInstanceSafe"
FULLY_SAFE = "OfxImageEffectRenderFullySafe"
FIELD_NONE = "OfxFieldNone"
USER_EDITED, PLUGIN_EDITED, TIME_CHANGED = "OfxChangeUserEdited", "OfxChangePluginEdited", "OfxChangeTime"

SUITE_EFFECT, SUITE_PROPERTY, SUITE_PARAMETER = "OfxImageEffectSuite", "OfxPropertySuite", "OfxParameterSuite"
SUITE_MEMORY, SUITE_THREAD, SUITE_MESSAGE = "OfxMemorySuite", "OfxMultiThreadSuite", "OfxMessageSuite"
SUITE_TIMELINE = "OfxTimeLineSuite"
# Suites that a plug-in cannot work without; of every other it must cope with NULL.
ESSENTIAL_SUITES = (SUITE_EFFECT, SUITE_PROPERTY, SUITE_PARAMETER)

# parameter type -> (value type, how many); None: holds no value
PARAMETERS: dict[str, tuple[str, int] | None] = {
    "OfxParamTypeInteger": ("int", 1), "OfxParamTypeInteger2D": ("int", 2), "OfxParamTypeInteger3D": ("int", 3),
    "OfxParamTypeDouble": ("double", 1), "OfxParamTypeDouble2D": ("double", 2), "OfxParamTypeDouble3D": ("double", 3),
    "OfxParamTypeRGB": ("double", 3), "OfxParamTypeRGBA": ("double", 4), "OfxParamTypeBoolean": ("int", 1),
    "OfxParamTypeChoice": ("int", 1), "OfxParamTypeStrChoice": ("string", 1), "OfxParamTypeString": ("string", 1),
    "OfxParamTypeCustom": ("string", 1), "OfxParamTypeBytes": ("pointer", 1), "OfxParamTypeGroup": None,
    "OfxParamTypePage": None, "OfxParamTypePushButton": None,
}
# Parameter types whose numbers have a range.
RANGED = ("OfxParamTypeInteger", "OfxParamTypeInteger2D", "OfxParamTypeInteger3D", "OfxParamTypeDouble",
          "OfxParamTypeDouble2D", "OfxParamTypeDouble3D", "OfxParamTypeRGB", "OfxParamTypeRGBA")


# --- properties -----------------------------------------------------------------------------------------------
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
             "ImageEffectPropOpenCLRenderSupported ImageEffectPropColourManagementStyle "
             "ImageEffectPropColourManagementAvailableConfigs*0",
    pointer_r="PropHostOSHandle")

EFFECT_DESCRIPTOR = _table(
    string_r="PropType PluginPropFilePath",
    string=f"{_LABELS} PropVersionLabel PropPluginDescription ImageEffectPropSupportedContexts*0 "
           "ImageEffectPluginPropGrouping ImageEffectPluginRenderThreadSafety ImageEffectPropSupportedPixelDepths*0 "
           "ImageEffectPropClipPreferencesSlaveParam*0 ImageEffectPropOpenGLRenderSupported OpenGLPropPixelDepth*0 "
           "ImageEffectPropCudaRenderSupported ImageEffectPropCudaStreamSupported ImageEffectPropMetalRenderSupported "
           "ImageEffectPropOpenCLRenderSupported ImageEffectPropColourManagementStyle "
           "ImageEffectPropColourManagementAvailableConfigs*0 ImageEffectPropNoSpatialAwareness PropIcon*2",
    int="PropVersion*0 ImageEffectPluginPropSingleInstance ImageEffectPluginPropHostFrameThreading "
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
             "ImageEffectPropDisplayColourspace PluginPropFilePath",
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
    pointer="ParamPropInteractV1", double="ParamPropInteractSizeAspect ParamPropInteractSize*2",
    int="ParamPropInteractMinimumSize*2 ParamPropInteractPreferedSize*2 ParamPropUseHostOverlayHandle",
    int_r="ParamPropHasHostOverlayHandle")
_PARAMETER_VALUE = _table(
    value="ParamPropDefault*0", int_r="ParamPropIsAnimating ParamPropIsAutoKeying",
    int="ParamPropAnimates ParamPropPersistant ParamPropEvaluateOnChange ParamPropPluginMayWrite ParamPropCanUndo",
    string="ParamPropCacheInvalidation")
_PARAMETER_RANGE = _table(value="ParamPropMin*0 ParamPropMax*0 ParamPropDisplayMin*0 ParamPropDisplayMax*0")
_DOUBLE = _table(double="ParamPropIncrement", int="ParamPropDigits", string="ParamPropDoubleType")


def parameter_properties(parameter_type: str) -> dict[str, Property]:
    """The properties of a parameter of that type, "value" types resolved."""
    table = dict(_PARAMETER_COMMON)
    if parameter_type == "OfxParamTypeGroup":
        return table | _table(int="ParamPropGroupOpen")
    if parameter_type == "OfxParamTypePage":
        return table | _table(string="ParamPropPageChild*0")
    table |= _PARAMETER_SHOWN
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
    if parameter_type in ("OfxParamTypeDouble2D", "OfxParamTypeDouble3D"):
        table |= _table(string="ParamPropDefaultCoordinateSystem")
    if held[1] > 1:
        table |= _table(string=f"ParamPropDimensionLabel*{held[1]}")
    if parameter_type == "OfxParamTypeString":
        table |= _table(string="ParamPropStringMode", int="ParamPropStringFilePathExists")
    if parameter_type in ("OfxParamTypeChoice", "OfxParamTypeStrChoice"):
        table |= _table(string="ParamPropChoiceOption*0 ParamPropChoiceEnum*0", int="ParamPropChoiceOrder*0")
    if parameter_type == "OfxParamTypeCustom":
        table |= _table(pointer="ParamPropCustomCallbackV1")
    return {name: spec._replace(type=held[0]) if spec.type == "value" else spec for name, spec in table.items()}


_RENDER_ARGUMENTS = _table(
    double_r="ImageEffectPropRenderScale*2",
    int_r="ImageEffectPropSequentialRenderStatus ImageEffectPropInteractiveRenderStatus "
          "ImageEffectPropRenderQualityDraft ImageEffectPropOpenGLEnabled ImageEffectPropCudaEnabled "
          "ImageEffectPropMetalEnabled ImageEffectPropOpenCLEnabled")
_SEQUENCE_ARGUMENTS = _RENDER_ARGUMENTS | _table(
    double_r="ImageEffectPropFrameRange*2 ImageEffectPropFrameStep", int_r="PropIsInteractive")
_AT_TIME = _table(double_r="PropTime ImageEffectPropRenderScale*2")
_WINDOW = _table(int_r="ImageEffectPropRenderWindow*4", string_r="ImageEffectPropFieldToRender")

IN_ARGUMENTS: dict[str, dict[str, Property]] = {
    DESCRIBE_IN_CONTEXT: _table(string_r="ImageEffectPropContext"),
    BEGIN_CHANGED: _table(string_r="PropChangeReason"), END_CHANGED: _table(string_r="PropChangeReason"),
    CHANGED: _AT_TIME | _table(string_r="PropType PropName PropChangeReason"),
    ROD: _AT_TIME, ROI: _AT_TIME | _table(double_r="ImageEffectPropRegionOfInterest*4"),
    FRAMES_NEEDED: _table(double_r="PropTime"), IDENTITY: _AT_TIME | _WINDOW,
    BEGIN_RENDER: _SEQUENCE_ARGUMENTS, END_RENDER: _SEQUENCE_ARGUMENTS,
    RENDER: _RENDER_ARGUMENTS | _AT_TIME | _WINDOW,
}
OUT_ARGUMENTS: dict[str, dict[str, Property]] = {
    ROD: _table(double="ImageEffectPropRegionOfDefinition*4"), ROI: {},
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


# Values that a string property may take, where the standard closes the list.
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
    "OfxParamPropCacheInvalidation": ("OfxParamInvalidateValueChange", "OfxParamInvalidateValueChangeToEnd",
                                      "OfxParamInvalidateAll"),
}

# Every name of the standard that is a property somewhere: a name set on the wrong object is told from an unknown one.
EVERY_PROPERTY: dict[str, Property] = {}
for _some in (HOST, EFFECT_DESCRIPTOR, EFFECT_INSTANCE, CLIP_DESCRIPTOR, CLIP_INSTANCE, IMAGE,
              *IN_ARGUMENTS.values(), *OUT_ARGUMENTS.values(), *map(parameter_properties, PARAMETERS)):
    EVERY_PROPERTY.update(_some)

# A parameter's instance may be asked for these besides the properties of its descriptor.
INSTANCE_ONLY = _table(int_r="ParamPropIsAnimating ParamPropIsAutoKeying")
