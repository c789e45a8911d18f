"""Corrections as one OpenColorIO configuration: cameras are colour spaces, corrections are views and looks.

A correction takes a camera's code values to a display's signal. OpenColorIO has two places where such a thing fits:

    view transform   from the scene reference to the display's. It holds the way back to the camera's code values, the
                     correction's file, and the display's signal undone; with the camera's way to the reference before
                     it and the display's encoding after it both cancel, and the file alone is left.
    look             within one space, here the camera's code values: the file, then the uncorrected way to the display
                     undone, which the uncorrected view does again.

Where the camera's way can't be undone (footage known by its look LUT alone) neither can be made: the view is then a
named transform, which takes code values as they are and is right for pictures of that camera only.

The scene reference is ACES2065-1 (SMPTE ST 2065-1), the display reference CIE XYZ for D65, which the interchange roles
of OpenColorIO 2 name; white is adapted by Bradford's matrix, as in OpenColorIO's own transforms.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813  (the name its documentation uses)
from huewright_kernels.ops import Operation

from huewright.colorimetry.clf import CLF_FORMAT, clf_transforms
from huewright.colorimetry.deviation import Apply
from huewright.colorimetry.display import CHROMATICITIES, Display, display_named, primaries_matrix
from huewright.colorimetry.inverse import inverse_operations
from huewright.errors import InputError
from huewright.models.correction import Correction
from huewright.models.footage import Footage

CONFIG, LUTS = "config.ocio", "luts"
REFERENCE, XYZ, RAW, UNCORRECTED = "ACES2065-1", "CIE XYZ D65", "raw", "uncorrected"
PROFILE = (2, 1)
"""The oldest in which all of this can be said, so that most programs read it."""
_HDR = {"pq": "DISPLAY - CIE-XYZ-D65_to_REC.2100-PQ", "hlg": "DISPLAY - CIE-XYZ-D65_to_REC.2100-HLG-1000nit"}
_NO_WAY_BACK = "only pictures of this camera may be shown by it, since its code values can't be had from light"


@dataclass(frozen=True)
class Chosen:
    """A ``correction`` that can be chosen by ``name``, of a ``camera``; ``file`` is its CLF in the luts folder."""

    name: str
    camera: str
    correction: Correction
    file: str

    @property
    def view(self) -> str:
        return view_name(self.name)

    @property
    def own_uncorrected(self) -> bool:
        """Whether this camera's picture with nothing corrected is another than the display's uncorrected view makes:
        it has a look of its own, or a white that we adapt otherwise than the scene reference does."""
        footage, display = self.correction.footage, display_named(self.correction.display)
        ours = np.array(primaries_matrix(footage.primaries, display.primaries))
        theirs = np.linalg.solve(_reference_matrix(display.primaries), _reference_matrix(footage.primaries))
        return bool(footage.look) or not np.allclose(ours, theirs, atol=1e-6)

    @property
    def uncorrected(self) -> str:
        """The view that shows its camera's pictures with nothing corrected."""
        return _uncorrected_of(self.name) if self.own_uncorrected else UNCORRECTED


def goes_back(footage: Footage) -> bool:
    """Whether there is a way from light to this footage's code values."""
    try:
        inverse_operations(footage.to_code_float() + footage.decode)
    except InputError:
        return False
    return True


def config_files(chosen: Sequence[Chosen], *, size: int = 65) -> dict[str, str]:
    """The text of :data:`CONFIG`, and of what its transforms need in :data:`LUTS` beside the corrections' own files, by
    their paths in the configuration's folder. ``size`` is of lattices in these, where a camera's look has one.

    Corrections of one camera have the same footage; those of a display picture are for one display.
    """
    config = ocio.Config()
    config.setVersion(*PROFILE)
    config.setSearchPath(LUTS)
    config.setDescription("Corrections solved by huewright. Give each camera's frames its colour space and look at "
                          "them through the view of their correction; frames that huewright rendered are in the "
                          "display's space.")
    files = _Files(size)
    displays = {one.correction.display: display_named(one.correction.display) for one in chosen}
    cameras = {one.camera: one for one in chosen}
    linear = _linear_name(next(iter(displays.values())))
    _add_references(config)
    for display in displays.values():
        if _linear_name(display) not in config.getColorSpaceNames():
            config.addColorSpace(_scene_space(_linear_name(display), "Light", "scene-linear", _to_reference(
                display.primaries), f"linear light in the primaries of {display.primaries}, white diffuser at 1"))
        config.addColorSpace(_display_space(display))
    for camera, one in cameras.items():
        config.addColorSpace(_camera_space(camera, one.correction, files))
    for name, display in displays.items():
        config.addViewTransform(_view(_uncorrected_name(name), _scene_signal(display, files), display,
                                      f"scene light encoded for {name}, nothing corrected"))
        config.addDisplayView(display=name, view=UNCORRECTED, viewTransform=_uncorrected_name(name),
                              displayColorSpaceName=name)
    for one in chosen:
        _add_correction(config, one, displays[one.correction.display], files)
    config.setDefaultViewTransformName(_uncorrected_name(next(iter(displays))))
    for role, space in (("aces_interchange", REFERENCE), ("cie_xyz_d65_interchange", XYZ), ("scene_linear", linear),
                        ("data", RAW), ("default", RAW)):
        config.setRole(role, space)
    config.setActiveDisplays(", ".join(displays))
    config.validate()
    text = ocio.Config.CreateFromStream(config.serialize()).serialize()     # with the digits that reading it keeps
    return {CONFIG: text, **files.texts}


def open_config(folder: Path) -> ocio.Config:
    """The configuration in ``folder``, with its files checked to be there."""
    ocio.ClearAllCaches()   # it remembers files by name, and a name may hold another table by now
    config = ocio.Config.CreateFromFile(str(folder / CONFIG))
    config.validate()
    return config


def as_shown(config: ocio.Config, one: Chosen, view: str, *, optimised: bool = True) -> Apply:
    """What a program makes of code values of the camera of ``one`` by ``view`` of its display; not ``optimised``: every
    step done by itself, so that nothing cancels."""
    return _applied(config.getProcessor(
        ocio.DisplayViewTransform(src=one.camera, display=one.correction.display, view=view)), optimised)


def as_looked(config: ocio.Config, one: Chosen, *, optimised: bool = True) -> Apply:
    """The same by the look of ``one`` ahead of the uncorrected view."""
    group = ocio.GroupTransform([
        ocio.LookTransform(src=one.camera, dst=one.camera, looks=one.name),
        ocio.DisplayViewTransform(src=one.camera, display=one.correction.display, view=UNCORRECTED)])
    return _applied(config.getProcessor(group), optimised)


def _applied(processor: ocio.Processor, optimised: bool) -> Apply:
    kind = ocio.OPTIMIZATION_DEFAULT if optimised else ocio.OPTIMIZATION_NONE
    cpu = processor.getOptimizedCPUProcessor(ocio.BIT_DEPTH_F32, ocio.BIT_DEPTH_F32, kind)

    def apply(codes: np.ndarray) -> np.ndarray:
        pixels = np.array(codes, dtype=np.float32, order="C")
        cpu.applyRGB(pixels)
        return pixels

    return apply


@dataclass(frozen=True)
class _Files:
    """Transforms that a configuration holds itself, or a CLF file where they have tables: its text is in ``texts``."""

    size: int
    texts: dict[str, str] = field(default_factory=dict)

    def placed(self, operations: Sequence[Operation], name: str) -> list[ocio.Transform]:
        transforms = clf_transforms(operations, self.size)
        if not any(isinstance(one, ocio.Lut1DTransform | ocio.Lut3DTransform) for one in transforms):
            return transforms
        group = ocio.GroupTransform(transforms)
        group.getFormatMetadata().setID(f"huewright-{name}")
        group.getFormatMetadata().setName(name)
        text = group.write(CLF_FORMAT, ocio.Config.CreateRaw())
        file = f"{name.replace(' ', '-')}.clf"
        self.texts[f"{LUTS}/{file}"] = text
        return [ocio.FileTransform(src=file)]


def _add_references(config: ocio.Config) -> None:
    config.addColorSpace(_scene_space(REFERENCE, "Light", "scene-linear", [], "scene reference, SMPTE ST 2065-1"))
    xyz = ocio.ColorSpace(ocio.REFERENCE_SPACE_DISPLAY, name=XYZ, family="Light", encoding="display-linear",
                          description="display reference: CIE XYZ, D65 white; 1.0 is 100 cd/m2 of HDR displays")
    config.addColorSpace(xyz)
    raw = ocio.ColorSpace(name=RAW, family="Data", description="numbers that are no colours")
    raw.setIsData(True)
    config.addColorSpace(raw)


def _scene_space(name: str, family: str, encoding: str, to_reference: list[ocio.Transform],
                 description: str) -> ocio.ColorSpace:
    space = ocio.ColorSpace(name=name, family=family, encoding=encoding, description=description)
    if to_reference:
        space.setTransform(ocio.GroupTransform(to_reference), ocio.COLORSPACE_DIR_TO_REFERENCE)
    return space


def _camera_space(camera: str, correction: Correction, files: _Files) -> ocio.ColorSpace:
    footage = correction.footage
    if footage.encoding == "display":
        display = display_named(correction.display)
        signal = ocio.GroupTransform(_encode(display, files), ocio.TRANSFORM_DIR_INVERSE)
        light = [*files.placed(footage.to_code_float(), f"{camera} range"), signal]
    else:
        light = files.placed(footage.to_code_float() + footage.decode, f"{camera} to light")
    encodings = {"display": "sdr-video", "linear": "scene-linear", "bt709": "sdr-video", "bt1886": "sdr-video",
                 "srgb": "sdr-video", "pq": "hdr-video", "hlg": "hdr-video", "through-look": "sdr-video"}
    return _scene_space(camera, "Cameras", encodings.get(footage.encoding, "log"),
                        [*light, *_to_reference(footage.primaries)],
                        f"code values as recorded, 0..1 of full scale: {footage.range} range, {footage.encoding}, "
                        f"{footage.primaries}" + ("" if goes_back(footage) else "; convert from it, never into it"))


def _display_space(display: Display) -> ocio.ColorSpace:
    space = ocio.ColorSpace(ocio.REFERENCE_SPACE_DISPLAY, name=display.name, family="Displays",
                            encoding="hdr-video" if display.name in _HDR else "sdr-video",
                            description=f"display signal {display.name}, full range: what huewright renders")
    space.setTransform(ocio.GroupTransform(_shown(display)), ocio.COLORSPACE_DIR_FROM_REFERENCE)
    return space


def _add_correction(config: ocio.Config, one: Chosen, display: Display, files: _Files) -> None:
    correction, file = one.correction, ocio.FileTransform(src=one.file)
    what = f"{one.camera} as {one.name} corrects it for {display.name} ({correction.method})"
    rows: list[tuple[str, list[ocio.Transform], str]] = [(one.view, [file], what)]
    if one.own_uncorrected:
        rows.append((one.uncorrected, files.placed(correction.neutral_operations, one.uncorrected),
                     f"{one.camera} as it is before anything is corrected"))
    if not goes_back(correction.footage):
        for name, transforms, words in rows:
            config.addNamedTransform(ocio.NamedTransform(
                name=name, family="Corrections", description=f"{words}; {_NO_WAY_BACK}",
                forwardTransform=ocio.GroupTransform(transforms)))
            config.addDisplayView(display=display.name, view=name, colorSpaceName=name)
        return
    to_camera = ocio.ColorSpaceTransform(src=REFERENCE, dst=one.camera)
    for name, transforms, words in rows:
        config.addViewTransform(_view(name, [to_camera, *transforms], display, words))
        config.addDisplayView(display=display.name, view=name, viewTransform=name, displayColorSpaceName=display.name)
    undone = ocio.GroupTransform(_scene_signal(display, files), ocio.TRANSFORM_DIR_INVERSE)
    config.addLook(ocio.Look(
        name=one.name, processSpace=one.camera, transform=ocio.GroupTransform([file, undone, to_camera]),
        description=f"{what}; for the view {UNCORRECTED!r} of {display.name}"))


def _view(name: str, signal: list[ocio.Transform], display: Display, description: str) -> ocio.ViewTransform:
    """From the scene reference through ``signal``, which gives the display's, to the display reference."""
    view = ocio.ViewTransform(ocio.REFERENCE_SPACE_SCENE, name=name, description=description)
    undone = ocio.GroupTransform(_shown(display), ocio.TRANSFORM_DIR_INVERSE)
    view.setTransform(ocio.GroupTransform([*signal, undone]), ocio.VIEWTRANSFORM_DIR_FROM_REFERENCE)
    return view


def _scene_signal(display: Display, files: _Files) -> list[ocio.Transform]:
    """From the scene reference to the display's signal with nothing corrected."""
    back = ocio.GroupTransform(_to_reference(display.primaries), ocio.TRANSFORM_DIR_INVERSE)
    return [back, *_encode(display, files)]


def _encode(display: Display, files: _Files) -> list[ocio.Transform]:
    return files.placed(display.encode, f"{display.name} from light")


def _shown(display: Display) -> list[ocio.Transform]:
    """From XYZ to the display's signal: the inverse of what the display does."""
    if display.name in _HDR:
        return [ocio.BuiltinTransform(_HDR[display.name])]
    if display.light == "srgb":
        curve: ocio.Transform = ocio.ExponentWithLinearTransform(
            gamma=[2.4, 2.4, 2.4, 1.0], offset=[0.055, 0.055, 0.055, 0.0], negativeStyle=ocio.NEGATIVE_MIRROR,
            direction=ocio.TRANSFORM_DIR_INVERSE)
    else:
        curve = ocio.ExponentTransform(value=[2.4, 2.4, 2.4, 1.0], negativeStyle=ocio.NEGATIVE_MIRROR,
                                       direction=ocio.TRANSFORM_DIR_INVERSE)
    return [_matrix(np.linalg.inv(_xyz_matrix(display.primaries))), curve]


def _xyz_matrix(primaries: str) -> np.ndarray:
    """Linear RGB to CIE XYZ with Y = 1 for white, from the chromaticities: SMPTE RP 177-1993, 3.3."""
    xy = np.array(CHROMATICITIES[primaries]).reshape(4, 2)
    columns = np.vstack([xy.T, 1 - xy.sum(axis=1)])
    light = np.linalg.solve(columns[:, :3], columns[:, 3] / xy[3, 1])
    result: np.ndarray = columns[:, :3] * light
    return result


def _to_reference(primaries: str) -> list[ocio.Transform]:
    return [_matrix(_reference_matrix(primaries))]


def _reference_matrix(primaries: str) -> np.ndarray:
    return np.array(primaries_matrix(primaries, REFERENCE, "Bradford"))


def _matrix(matrix: np.ndarray) -> ocio.Transform:
    full = np.eye(4)
    full[:3, :3] = matrix
    return ocio.MatrixTransform(matrix=full.ravel().tolist())


def _uncorrected_name(display: str) -> str:
    return f"{UNCORRECTED} {display}"


def _linear_name(display: Display) -> str:
    return f"linear {display.primaries.removeprefix('ITU-R ')}"


_NAME = re.compile(r"[^\W_]([\w .-]*\w)?")


def name_fault(cameras: Mapping[str, str], displays: Sequence[str]) -> str | None:
    """Why corrections of these names, each of the camera that it maps to, can't be in one configuration for
    ``displays``; None: they can."""
    for name in (*cameras, *cameras.values()):
        if not _NAME.fullmatch(name):
            return (f"{name!r} can't be a name in an OpenColorIO configuration: use letters, digits, spaces, '.', '_' "
                    "and '-'")
    spaces = [*sorted(_own_names(displays)), *dict.fromkeys(cameras.values()), *(view_name(name) for name in cameras),
              *(_uncorrected_of(name) for name in cameras)]
    # OpenColorIO doesn't tell capitals apart, and files have a dash for a space.
    taken = Counter(name.casefold().replace(" ", "-") for name in spaces)
    twice = next((name for name in spaces if taken[name.casefold().replace(" ", "-")] > 1), None)
    return None if twice is None else f"two things in this configuration would be called {twice!r}"


def view_name(correction: str) -> str:
    """What the view by a correction is called."""
    return f"{correction} corrected"


def _uncorrected_of(correction: str) -> str:
    return f"{correction} {UNCORRECTED}"


def _own_names(displays: Sequence[str]) -> set[str]:
    """Names that a configuration for ``displays`` has of itself; no camera and no correction can have them."""
    known = [display_named(name) for name in displays]
    return {REFERENCE, XYZ, RAW, UNCORRECTED, *displays, *(_linear_name(one) for one in known),
            *(_uncorrected_name(name) for name in displays), "default", "data", "scene_linear", "aces_interchange",
            "cie_xyz_d65_interchange"}
