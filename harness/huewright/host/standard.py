"""What the OpenFX Image Effect standard (1.5.1) says, as data: names, statuses, actions, parameter types.

Source: the OpenFX programming reference, "Image Effect API" and the actions' chapters (Academy Software Foundation,
OpenFX 1.5.1). Only names and numbers, typed in from the reference; tests compare them with the official headers' facts.
"""

from __future__ import annotations

# --- statuses -------------------------------------------------------------------------------------------------
OK, FAILED, ERR_FATAL, ERR_UNKNOWN, ERR_MISSING_HOST_FEATURE, ERR_UNSUPPORTED = 0, 1, 2, 3, 4, 5
ERR_EXISTS, ERR_FORMAT, ERR_MEMORY, ERR_BAD_HANDLE, ERR_BAD_INDEX, ERR_VALUE = 6, 7, 8, 9, 10, 11
REPLY_YES, REPLY_NO, REPLY_DEFAULT, GPU_OUT_OF_MEMORY, GPU_RENDER_FAILED = 12, 13, 14, 1001, 1002
ERR_IMAGE_FORMAT, UNLICENSED = 1000, 15

STATUS_NAMES = {
    0: "kOfxStatOK", 1: "kOfxStatFailed", 2: "kOfxStatErrFatal", 3: "kOfxStatErrUnknown",
    4: "kOfxStatErrMissingHostFeature", 5: "kOfxStatErrUnsupported", 6: "kOfxStatErrExists",
    7: "kOfxStatErrFormat", 8: "kOfxStatErrMemory", 9: "kOfxStatErrBadHandle", 10: "kOfxStatErrBadIndex",
    11: "kOfxStatErrValue", 12: "kOfxStatReplyYes", 13: "kOfxStatReplyNo", 14: "kOfxStatReplyDefault",
    15: "kOfxStatUnlicensed",
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
OUTPUT_COLOURSPACE = "OfxImageEffectActionGetOutputColourspace"
ATTACHED, DETACHED = "OfxActionOpenGLContextAttached", "kOfxActionOpenGLContextDetached"
DIALOG = "OfxActionDialog"
# Of interacts; their describe, create and destroy have the names of the effects' actions.
DRAW, GAIN_FOCUS, LOSE_FOCUS = "OfxInteractActionDraw", "OfxInteractActionGainFocus", "OfxInteractActionLoseFocus"
PEN_MOTION, PEN_DOWN, PEN_UP = "OfxInteractActionPenMotion", "OfxInteractActionPenDown", "OfxInteractActionPenUp"
KEY_DOWN, KEY_UP = "OfxInteractActionKeyDown", "OfxInteractActionKeyUp"
KEY_REPEAT = "OfxInteractActionKeyRepeat"

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
    OUTPUT_COLOURSPACE: _USUAL, ATTACHED: _USUAL, DETACHED: _USUAL, DIALOG: _USUAL,
    RENDER: frozenset({OK, FAILED, ERR_FATAL, ERR_MEMORY, ERR_FORMAT, ERR_IMAGE_FORMAT, ERR_UNSUPPORTED, UNLICENSED,
                       GPU_OUT_OF_MEMORY, GPU_RENDER_FAILED}),
    **{action: _USUAL for action in (DRAW, GAIN_FOCUS, LOSE_FOCUS, PEN_MOTION, PEN_DOWN, PEN_UP, KEY_DOWN, KEY_UP,
                                     KEY_REPEAT)},
}
ALLOWED[IDENTITY] |= {UNLICENSED}

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
COLOUR_NONE, COLOUR_BASIC = "OfxImageEffectColourManagementNone", "OfxImageEffectColourManagementBasic"
COLOUR_CORE, COLOUR_FULL = "OfxImageEffectColourManagementCore", "OfxImageEffectColourManagementFull"
COLOUR_OCIO = "OfxImageEffectColourManagementOCIO"
NATIVE_CONFIG = "ofx-native-v1.5_aces-v1.3_ocio-v2.3"
SCENE_LINEAR = "ofx_scene_linear"
OCIO_CONFIG = "ocio://default"
COLOUR_STYLES = (COLOUR_NONE, COLOUR_BASIC, COLOUR_CORE, COLOUR_FULL, COLOUR_OCIO)
USER_EDITED, PLUGIN_EDITED, TIME_CHANGED = "OfxChangeUserEdited", "OfxChangePluginEdited", "OfxChangeTime"

SUITE_EFFECT, SUITE_PROPERTY, SUITE_PARAMETER = "OfxImageEffectSuite", "OfxPropertySuite", "OfxParameterSuite"
SUITE_MEMORY, SUITE_THREAD, SUITE_MESSAGE = "OfxMemorySuite", "OfxMultiThreadSuite", "OfxMessageSuite"
SUITE_TIMELINE, SUITE_PROGRESS, SUITE_DIALOG = "OfxTimeLineSuite", "OfxProgressSuite", "OfxDialogSuite"
SUITE_PARAMETRIC, SUITE_INTERACT = "OfxParametricParameterSuite", "OfxInteractSuite"
SUITE_DRAW, SUITE_OPENGL, SUITE_OPENCL = "OfxDrawSuite", "OfxImageEffectOpenGLRenderSuite", "OfxOpenCLProgramSuite"
# Suites that a plug-in cannot work without; of every other it must cope with NULL.
ESSENTIAL_SUITES = (SUITE_EFFECT, SUITE_PROPERTY, SUITE_PARAMETER)

# Parameters that a context mandates (Image effect contexts): the host moves them.
MANDATED_PARAMETERS = {TRANSITION: "Transition", RETIMER: "SourceTime"}
# In the order in which a plug-in that offers several is tried.
CONTEXTS_TRIED = (FILTER, GENERAL, GENERATOR, TRANSITION, RETIMER, PAINT)

BYTES = "OfxParamTypeBytes"
# parameter type -> (value type, how many); None: holds no value
PARAMETERS: dict[str, tuple[str, int] | None] = {
    "OfxParamTypeInteger": ("int", 1), "OfxParamTypeInteger2D": ("int", 2), "OfxParamTypeInteger3D": ("int", 3),
    "OfxParamTypeDouble": ("double", 1), "OfxParamTypeDouble2D": ("double", 2), "OfxParamTypeDouble3D": ("double", 3),
    "OfxParamTypeRGB": ("double", 3), "OfxParamTypeRGBA": ("double", 4), "OfxParamTypeBoolean": ("int", 1),
    "OfxParamTypeChoice": ("int", 1), "OfxParamTypeStrChoice": ("string", 1), "OfxParamTypeString": ("string", 1),
    "OfxParamTypeCustom": ("string", 1), BYTES: ("pointer", 1), "OfxParamTypeGroup": None,
    "OfxParamTypePage": None, "OfxParamTypePushButton": None, "OfxParamTypeParametric": None,
}
# String parameters that hold a path.
PATH_MODES = ("OfxParamStringIsFilePath", "OfxParamStringIsDirectoryPath")
# Parameter types whose numbers have a range.
RANGED = ("OfxParamTypeInteger", "OfxParamTypeInteger2D", "OfxParamTypeInteger3D", "OfxParamTypeDouble",
          "OfxParamTypeDouble2D", "OfxParamTypeDouble3D", "OfxParamTypeRGB", "OfxParamTypeRGBA")
