"""A picture in memory, in its file's own number format, with what the file says of it.

Code values. Half and float files stay as they are. An 8-bit file is uint8 scaled by 255, a 16-bit file uint16
scaled by 65535. A file of 10 or 12 bits is held as uint16 too, code value v as round(v * 65535 / (2^bits - 1)):
the same picture to within 8e-6 for whoever takes it for 16 bits, and exactly v / (2^bits - 1) to
:meth:`Frame.rgb_float` and to the writer, which know the depth. (OpenImageIO itself replicates bits, which is the
same to within one of 65535; its values are brought to this rule.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813  (the name its documentation uses)

from huewright.frames.dpx import DpxPicture
from huewright.frames.structure import Change

Window = tuple[int, int, int, int]
# What describes the camera's colours, and so not those of a picture that was corrected: OpenEXR's and ACES' attributes
# (SMPTE ST 2065-4), profiles (ISO 15076-1), gamma and chromaticities of PNG, transfer and colours of DPX.
OF_THE_CAMERAS_COLOURS = ("chromaticities", "whiteLuminance", "adoptedNeutral", "renderingTransform",
                          "lookModTransform", "acesImageContainerFlag", "openexr:ACESContainer", "colorInteropID",
                          "oiio:ColorSpace", "ICCProfile", "Exif:ColorSpace", "Exif:Gamma", "oiio:Gamma", "CICP",
                          "dpx:Transfer", "dpx:Colorimetric")
_CORRECTION = "huewright:correction"


@dataclass(frozen=True, eq=False)
class Metadata:
    """What a file says besides its R, G, B and A; opaque to all but this package.

    spec     OpenImageIO's description of the file read, or None for a picture made in memory
    dpx      the DPX file without its payload, to be written verbatim around a new one
    others   channels kept apart because their number format differs from the colours' (name -> (h, w) array)
    coded    whether the colours were worked out from a movie's codes: floats, and yet of integers with ends
    lossy    whether a coding that loses something lies behind them
    changes  what of the file's structure the picture in memory doesn't have
    """

    spec: oiio.ImageSpec | None = None
    dpx: DpxPicture | None = None
    others: dict[str, np.ndarray] = field(default_factory=dict)
    coded: bool = False
    lossy: bool = False
    changes: tuple[Change, ...] = ()

    @property
    def correction(self) -> str:
        """Which correction rendered this file, where :func:`with_correction` wrote it there, else ""."""
        if self.spec is None:
            return ""
        try:
            return str(self.spec.get_string_attribute(_CORRECTION))
        except UnicodeDecodeError:     # somebody else's: ours are hexadecimal digits
            return ""

    def attributes(self) -> dict[str, Any]:
        """The file's attributes by OpenImageIO's names, for reports and tests."""
        found: dict[str, Any] = {}
        for item in () if self.spec is None else self.spec.extra_attribs:
            try:
                found[item.name] = item.value
            except UnicodeDecodeError:     # it is carried over as it lies, and means nothing to us
                continue
        return found


@dataclass(frozen=True, eq=False)
class Frame:
    """A picture. ``pixels`` is (h, w, c >= 3) float16, float32, uint8 or uint16, channels R, G, B[, A, others].

    bits            depth of the file: 8, 10, 12 or 16 for integers, 16 for half, 32 for float; 0: by the dtype
    data_window     (x0, y0, x1, y1) of ``pixels`` on the display window's grid, ends excluded; None: 0, 0, w, h
    display_window  likewise; None: the data window
    pixel_aspect    width of a pixel over its height
    """

    pixels: np.ndarray
    channel_names: tuple[str, ...] = ()
    bits: int = 0
    metadata: Metadata = field(default_factory=Metadata)
    data_window: Window | None = None
    display_window: Window | None = None
    pixel_aspect: float = 1.0

    def __post_init__(self) -> None:
        if self.pixels.ndim != 3 or self.pixels.shape[2] < 3:
            raise ValueError("a frame's pixels are (height, width, channels) with three channels or more")
        if self.pixels.dtype not in (np.float16, np.float32, np.uint8, np.uint16):
            raise ValueError(f"a frame's pixels are float16, float32, uint8 or uint16, not {self.pixels.dtype}")
        height, width, channels = self.pixels.shape
        names = ("R", "G", "B", "A", *(f"channel{n}" for n in range(4, channels)))[:channels]
        object.__setattr__(self, "channel_names", tuple(self.channel_names) or names)
        object.__setattr__(self, "bits", self.bits or 8 * self.pixels.dtype.itemsize)
        object.__setattr__(self, "data_window", self.data_window or (0, 0, width, height))
        object.__setattr__(self, "display_window", self.display_window or self.data_window)

    @property
    def width(self) -> int:
        result: int = self.pixels.shape[1]
        return result

    @property
    def height(self) -> int:
        result: int = self.pixels.shape[0]
        return result

    @property
    def has_alpha(self) -> bool:
        return len(self.channel_names) > 3 and self.channel_names[3] == "A"

    @property
    def integers(self) -> bool:
        """Whether the camera's numbers are integers, which stop at their ends: also those of a movie."""
        return self.pixels.dtype.kind == "u" or self.metadata.coded

    @property
    def premultiplied(self) -> bool:
        """Whether R, G, B are multiplied by alpha: as EXR has it, unless the file says otherwise."""
        spec = self.metadata.spec
        return self.has_alpha and not (spec is not None and spec.get_int_attribute("oiio:UnassociatedAlpha", 0))

    def rgb_float(self) -> np.ndarray:
        """File code values as float32 (h, w, 3): integers over their full scale, no range expansion."""
        rgb = self.pixels[..., :3]
        if rgb.dtype == np.uint8:
            return rgb.astype(np.float32) / np.float32(255)
        if rgb.dtype == np.uint16:
            top = 2**min(self.bits, 16) - 1
            values = rgb.astype(np.float32)
            if top != 65535:
                values = np.rint(values * np.float32(top / 65535), out=values)
            return np.divide(values, np.float32(top), out=values)
        return rgb.astype(np.float32)


def with_correction(frame: Frame, digest: str, chromaticities: Sequence[float] = ()) -> Frame:
    """``frame`` that names the correction it was rendered with, and ``chromaticities`` as :func:`retagged` has them
    where they are given; EXR files keep both, others have no place for them."""
    spec = oiio.ImageSpec(frame.metadata.spec) if frame.metadata.spec is not None else oiio.ImageSpec()
    spec.attribute(_CORRECTION, digest)
    if len(chromaticities) == 8:
        spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), tuple(chromaticities))
    return replace(frame, metadata=replace(frame.metadata, spec=spec))


def retagged(frame: Frame, chromaticities: Sequence[float] = ()) -> tuple[Frame, tuple[str, ...]]:
    """``frame`` without what describes the camera's colours, and the names of what was taken out.

    ``chromaticities`` (red, green, blue, white: x and y of each) are those of the corrected picture; they are written
    where the file had some of the camera's. A DPX header's transfer and colours become "user defined" (0).
    """
    told = frame.metadata.attributes()
    taken = tuple(name for name in told if name in OF_THE_CAMERAS_COLOURS or name.startswith("ICCProfile:"))
    spec, dpx = frame.metadata.spec, frame.metadata.dpx
    if spec is not None and taken:
        spec = oiio.ImageSpec(spec)
        for name in taken:
            spec.erase_attribute(name)
        if "chromaticities" in taken and len(chromaticities) == 8:
            spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), tuple(chromaticities))
    if dpx is not None:
        dpx = dpx.of_unsaid_colours()
    shown = tuple(name for name in taken if not name.startswith(("ICCProfile:", "oiio:", "dpx:")))
    return replace(frame, metadata=replace(frame.metadata, spec=spec, dpx=dpx)), shown


def scaled(codes: np.ndarray, bits: int) -> np.ndarray:
    """Code values of ``bits`` as uint8 (8 bits) or on the 16-bit scale, rounded."""
    if bits == 8:
        return codes.astype(np.uint8)
    if bits == 16:
        return codes
    top = 2**bits - 1
    table = ((np.arange(top + 1, dtype=np.uint32) * 65535 + top // 2) // top).astype(np.uint16)
    result: np.ndarray = table[codes]
    return result


def quantised(pixels: np.ndarray, bits: int) -> np.ndarray:
    """Right-justified code values of ``bits`` from pixels of any dtype, rounded to nearest; uint16."""
    top = 2**bits - 1
    if pixels.dtype == np.uint16:
        codes: np.ndarray = (pixels.astype(np.uint32) * top + 32767) // 65535
    elif pixels.dtype == np.uint8:
        codes = (pixels.astype(np.uint32) * top + 127) // 255
    else:
        codes = np.rint(np.clip(np.nan_to_num(pixels.astype(np.float32), nan=0.0, posinf=1.0, neginf=0.0), 0, 1) * top)
    return codes.astype(np.uint16)
