"""DPX files whose payload the kernels read and write as it lies: the header is kept, the payload replaced.

Source: SMPTE ST 268-1 (DPX 2.0 file headers), which is sold; held against OpenImageIO's files in the tests: magic
"SDPX" (big-endian) or "XPDS" (little), the offset to the picture at byte 4, file size at 16, image header at 768
(orientation, elements, pixels a line, lines; the first element's sign, descriptor, depth, packing, encoding,
data offset and line padding from 780 on).

Taken here: one element, R G B (or R G B A beyond 10 bits), top left first, unsigned, not run-length coded, of
8 bits, 10 bits filled by method A, 12 bits filled by method A, or 16 bits. Everything else goes through
OpenImageIO (:mod:`huewright.frames.picture`), slower and just as well.
"""

from __future__ import annotations

import struct
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813  (the name its documentation uses)

from huewright.errors import InputError, library_words
from huewright.files import whole_file, workspace

if TYPE_CHECKING:
    from huewright_kernels.formats import PixelBuffer

_MAGIC = {b"SDPX": ">", b"XPDS": "<"}
_COMPONENTS = {50: 3, 51: 4}  # R G B; R G B A
_UNDEFINED = 0xFFFFFFFF
_ELEMENT, _PIXELS_PER_LINE, _LINES, _PACKING, _DATA_OFFSET, _FILE_SIZE = 780, 772, 776, 804, 808, 16
_ORIGINAL_LINES = 1428


@dataclass(frozen=True, eq=False)
class DpxPicture:
    """One DPX file: ``header`` and ``trailer`` verbatim around ``payload`` (1-D uint8, ``height * row_bytes``)."""

    header: bytes
    payload: np.ndarray
    trailer: bytes
    width: int
    height: int
    components: int
    bits: int
    order: str
    row_bytes: int

    @property
    def layout(self) -> tuple[int, int, int, int, str, int]:
        """What two pictures must share for one to lend the other its header."""
        return self.width, self.height, self.components, self.bits, self.order, self.row_bytes

    def with_payload(self, payload: np.ndarray) -> DpxPicture:
        """The same file around another payload (an empty one lets it be kept as a template)."""
        return replace(self, payload=payload)

    @property
    def says_colours(self) -> bool:
        """Whether the header names a transfer characteristic or a colorimetric specification (SMPTE ST 268-1, bytes
        801 and 802, from memory: 0 is user defined, 255 undefined)."""
        return any(value not in (0, 255) for value in self.header[801:803])

    def of_unsaid_colours(self) -> DpxPicture:
        """The same file whose header says "user defined" of both: no code there stands for a corrected picture of
        every display."""
        return replace(self, header=self.header[:801] + bytes(2) + self.header[803:]) if self.says_colours else self

    def kernel_view(self) -> np.ndarray | PixelBuffer:
        """The payload, not copied, as the kernels read and write it."""
        from huewright_kernels.formats import PixelBuffer  # brings the compiler in: only where pixels are computed

        if self.bits == 8:
            return self._bytes()
        ending = "be" if self.order == ">" else "le"
        if self.bits == 16 and ending == "le":
            rows = self.payload.view("<u2").reshape(self.height, self.row_bytes // 2)
            return rows[:, :self.width * self.components].reshape(self.height, self.width, self.components)
        return PixelBuffer(self.payload, self.width, self.height, self.row_bytes, f"uint{self.bits}{ending}",
                           self.components)

    def _bytes(self) -> np.ndarray:
        rows = self.payload.reshape(self.height, self.row_bytes)[:, :self.width * self.components]
        return rows.reshape(self.height, self.width, self.components)

    def codes(self) -> np.ndarray:
        """The code values as integers, right-justified: (height, width, components) uint16, 0 .. 2^bits - 1."""
        if self.bits == 8:
            return self._bytes().astype(np.uint16)
        if self.bits == 10:
            words = self.payload.view(f"{self.order}u4").reshape(self.height, self.row_bytes // 4)[:, :self.width]
            words = words.astype(np.uint32)
            return np.stack([((words >> np.uint32(shift)) & np.uint32(1023)).astype(np.uint16)
                             for shift in (22, 12, 2)], axis=-1)
        values = self.payload.view(f"{self.order}u2").reshape(self.height, self.row_bytes // 2)
        used = values[:, :self.width * self.components].reshape(self.height, self.width, self.components)
        return used.astype(np.uint16) >> np.uint16(16 - self.bits)

    def with_codes(self, codes: np.ndarray) -> DpxPicture:
        """The same file holding ``codes`` (as :meth:`codes` returns them)."""
        picture = replace(self, payload=np.zeros(self.height * self.row_bytes, np.uint8))
        if self.bits == 8:
            np.copyto(picture._bytes(), codes, casting="unsafe")
        elif self.bits == 10:
            wide = codes.astype(np.uint32)
            words = wide[..., 0] << 22 | wide[..., 1] << 12 | wide[..., 2] << 2
            picture.payload.view(f"{self.order}u4").reshape(self.height, -1)[:, :self.width] = words
        else:
            values = picture.payload.view(f"{self.order}u2").reshape(self.height, -1)
            flat = codes.astype(np.uint16).reshape(self.height, -1) << np.uint16(16 - self.bits)
            values[:, :self.width * self.components] = flat
        return picture


def read_dpx(path: Path | str) -> DpxPicture | None:
    """The file at ``path``, or None where its layout isn't one of those above (try OpenImageIO).

    :class:`InputError` if it is of such a layout and cut short.
    """
    path = Path(path)
    if path.exists() and not path.is_file():      # a pipe would be waited for without an end
        return None
    try:
        with open(path, "rb") as stream:
            head = stream.read(2048)
            size = stream.seek(0, 2)
            place = _place(head, size)
            if place is None:
                return None
            offset, length, empty = place
            if offset + length > size:      # said before memory is taken for what isn't there
                raise InputError(f"{path}: this DPX file is cut short; copy it again or leave that frame out")
            stream.seek(0)
            header = stream.read(offset)
            payload = np.empty(length, np.uint8)
            if stream.readinto(payload) != length:  # type: ignore[arg-type]
                raise InputError(f"{path}: this DPX file is cut short; copy it again or leave that frame out")
            return replace(empty, header=header, payload=payload, trailer=stream.read())
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check the file") from None


def write_dpx(path: Path | str, picture: DpxPicture, *, overwrite: bool = False) -> None:
    """Writes ``picture`` whole or not at all; raises :class:`InputError` as :func:`whole_file` does."""
    with whole_file(path, overwrite=overwrite) as temporary, open(temporary, "wb", buffering=0) as stream:
        for part in (picture.header, picture.payload.data, picture.trailer):
            view = memoryview(part)
            while view:
                view = view[stream.write(view):]


def new_dpx(spec: oiio.ImageSpec, width: int, height: int, bits: int, components: int = 3) -> DpxPicture:
    """An empty big-endian picture whose header carries what DPX can hold of ``spec``'s metadata.

    OpenImageIO writes the header (of a picture one line high, then mended), so that what it knows of
    timecodes, keycodes and rates is not written twice; the payload is undefined.
    """
    one_line = oiio.ImageSpec(spec)
    one_line.x = one_line.y = one_line.z = one_line.full_x = one_line.full_y = one_line.full_z = 0
    one_line.width = one_line.full_width = width
    one_line.height = one_line.full_height = 1
    one_line.tile_width = one_line.tile_height = one_line.tile_depth = 0
    one_line.nchannels = components
    one_line.channelnames = ("R", "G", "B", "A")[:components]
    one_line.alpha_channel = 3 if components == 4 else -1
    one_line.channelformats = ()
    one_line.set_format(oiio.UINT8 if bits == 8 else oiio.UINT16)
    one_line.attribute("oiio:BitsPerSample", bits)
    one_line.attribute("oiio:Endian", "big")
    one_line.attribute("oiio:subimages", 1)
    rate = _frames_a_second(spec)
    if rate:     # the film's and the television's place: whoever reads the one need not know the other
        for name in ("dpx:FrameRate", "dpx:TemporalFrameRate"):
            if not one_line.get_float_attribute(name, 0.0) > 0:
                one_line.attribute(name, rate)
    for name in ("dpx:ImageDescriptor", "dpx:Packing", "dpx:EndOfLinePadding", "dpx:EndOfImagePadding"):
        one_line.erase_attribute(name)
    with tempfile.TemporaryDirectory(dir=workspace()) as folder:
        name = str(Path(folder) / "header.dpx")
        output = oiio.ImageOutput.create(name)
        blank = np.zeros((1, width, components), np.uint8 if bits == 8 else np.uint16)
        if output is None or not (output.open(name, one_line) and output.write_image(blank) and output.close()):
            raise InputError(f"no DPX header could be made for this picture ({reason()})")
        raw = bytearray(Path(name).read_bytes())
    offset = struct.unpack_from(">I", raw, 4)[0]
    header = raw[:offset]
    row_bytes = {8: width * components, 10: width * 4}.get(bits, 2 * width * components)
    row_bytes += -row_bytes % 4  # lines begin on 32-bit boundaries
    tight = 4 * width if bits == 10 else width * components * (1 if bits == 8 else 2)
    for at, value in ((_LINES, height), (_ORIGINAL_LINES, height), (_DATA_OFFSET, offset), (812, row_bytes - tight),
                      (_FILE_SIZE, offset + row_bytes * height)):
        struct.pack_into(">I", header, at, value)
    struct.pack_into(">H", header, _PACKING, 1 if bits in (10, 12) else 0)
    header[36:136] = bytes(100)  # SMPTE ST 268: the file's name; the temporary one would differ each time
    payload = np.zeros(row_bytes * height, np.uint8)
    return DpxPicture(bytes(header), payload, b"", width, height, components, bits, ">", row_bytes)


def _frames_a_second(spec: oiio.ImageSpec) -> float:
    """As EXR files have it, a rational number; 0 where it isn't said or is none."""
    value = spec.getattribute("framesPerSecond")
    try:
        above, below = value
        rate = above / below
    except (TypeError, ValueError, ZeroDivisionError):
        return 0.0
    return float(rate) if 0 < rate < 10_000 else 0.0


def reason(said_by: Any = oiio) -> str:
    """What OpenImageIO (or one of its readers or writers) says went wrong, for use in a sentence."""
    return library_words(said_by.geterror)


def why_not(path: Path | str) -> str:
    """Why the pixels of a DPX file cannot be taken as they lie, in words; empty where nothing speaks against it.

    SMPTE ST 268-1: orientations 4 to 7 hold lines that run down the picture; data sign 1 is signed. OpenImageIO reads
    both as if they were not so.
    """
    try:
        with open(path, "rb") as stream:
            head = stream.read(2048)
    except OSError:
        return ""
    order = _MAGIC.get(head[:4])
    if order is None or len(head) < 2048:
        return ""
    orientation, elements = struct.unpack_from(order + "HH", head, 768)
    if 4 <= orientation <= 7:
        return f"its lines run down the picture (orientation {orientation})"
    signs = [struct.unpack_from(order + "I", head, _ELEMENT + 72 * k)[0] for k in range(min(max(elements, 1), 8))]
    return "its numbers are signed" if 1 in signs else ""


def _place(head: bytes, size: int) -> tuple[int, int, DpxPicture] | None:
    """(payload's offset, its length, the picture still empty), or None for a layout not taken here."""
    order = _MAGIC.get(head[:4])
    if order is None or len(head) < 2048:
        return None
    orientation, elements, width, height = struct.unpack_from(order + "HHII", head, 768)
    sign, = struct.unpack_from(order + "I", head, _ELEMENT)
    descriptor, bits = head[800], head[803]
    packing, encoding, data_offset, line_padding = struct.unpack_from(order + "HHII", head, _PACKING)
    components = _COMPONENTS.get(descriptor, 0)
    taken = (orientation == 0 and elements == 1 and sign in (0, _UNDEFINED) and encoding in (0, 0xFFFF) and components
             and 0 < width <= 1 << 20 and 0 < height <= 1 << 20
             and (bits in (8, 16) or (bits == 12 and packing == 1)
                  or (bits == 10 and packing == 1 and components == 3)))
    if not taken:
        return None
    offset = data_offset if data_offset not in (0, _UNDEFINED) else struct.unpack_from(order + "I", head, 4)[0]
    if not 2048 <= offset <= size:
        return None
    tight = 4 * width if bits == 10 else width * components * (1 if bits == 8 else 2)
    tight += 0 if line_padding == _UNDEFINED else line_padding
    # Writers differ on whether a line of odd length is filled up to a 32-bit word without saying so; only the
    # size of the file tells, and where that doesn't fit either reading the file is left to OpenImageIO.
    row_bytes = next((row for row in (tight, tight + -tight % 4) if row * height == size - offset), tight)
    if tight % 4 and row_bytes * height != size - offset:
        return None
    if bits == 10 and (row_bytes % 4 or offset % 4) or bits > 10 and row_bytes % 2:
        return None
    empty = DpxPicture(b"", np.empty(0, np.uint8), b"", width, height, components, bits, order, row_bytes)
    return offset, row_bytes * height, empty
