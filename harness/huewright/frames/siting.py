"""Where a stream says that its chroma samples lie, read from its own parameter sets.

Source: ITU-T H.264 clause 7.3.2.1 and annex E.1, ITU-T H.265 clauses 7.3.2.2, 7.3.3, 7.3.4, 7.3.7 and annex E.2
(sequence parameter sets and what they say of chroma_sample_loc_type), the AV1 codec configuration record of the AV1 in
ISO base media binding, and ISO/IEC 10918-5 (JFIF), which has samples between pixels.
"""

from __future__ import annotations

from collections.abc import Iterator

PLACES = ("left", "center", "topleft", "top", "bottomleft", "bottom")
"""ITU-T H.273's chroma sample location types 0 to 5, by FFmpeg's names."""
_WITH_CHROMA_FORMAT = (100, 110, 122, 244, 44, 83, 86, 118, 128, 138, 139, 134, 135)
UNSAID = "unspecified"


def chroma_site(codec: str, extradata: bytes | None) -> str:
    """By FFmpeg's name, or "unspecified" where the stream doesn't say it (H.264 and H.265 mean "left" then)."""
    if codec in ("mjpeg", "jpeg"):
        return "center"
    data = extradata or b""
    if codec == "av1" and len(data) > 2 and data[0] == 0x81:
        return {1: "left", 2: "topleft"}.get(data[2] & 3, UNSAID)
    try:
        if codec == "h264":
            for unit in _units(data, _avc_record(data)):
                if unit[0] & 0x1F == 7:
                    return _h264(_Bits(unit[1:]))
        if codec == "hevc":
            for unit in _units(data, _hevc_record(data)):
                if unit[0] >> 1 & 0x3F == 33:
                    return _h265(_Bits(unit[2:]))
    except IndexError:       # cut short, or not laid out as expected: as if nothing were said
        pass
    return UNSAID


def _units(data: bytes, recorded: list[bytes]) -> Iterator[bytes]:
    """NAL units of a configuration record, or of a byte stream with start codes."""
    found = recorded or [part.rstrip(b"\0") for part in data.split(b"\0\0\1")[1:]]
    return (unit for unit in found if len(unit) > 4)


def _avc_record(data: bytes) -> list[bytes]:
    """ISO/IEC 14496-15: AVCDecoderConfigurationRecord; the sequence parameter sets of it."""
    found: list[bytes] = []
    if data[:1] == b"\1" and len(data) > 6:
        at = 6
        for _ in range(data[5] & 0x1F):
            length = data[at] << 8 | data[at + 1]
            found.append(data[at + 2:at + 2 + length])
            at += 2 + length
    return found


def _hevc_record(data: bytes) -> list[bytes]:
    """ISO/IEC 14496-15: HEVCDecoderConfigurationRecord; all units of it."""
    found: list[bytes] = []
    if data[:1] == b"\1" and len(data) > 23:
        at = 23
        for _ in range(data[22]):
            count = data[at + 1] << 8 | data[at + 2]
            at += 3
            for _ in range(count):
                length = data[at] << 8 | data[at + 1]
                found.append(data[at + 2:at + 2 + length])
                at += 2 + length
    return found


class _Bits:
    """A unit's payload without emulation prevention, read bit by bit; ``IndexError`` at its end."""

    def __init__(self, payload: bytes) -> None:
        self._data, self._at = payload.replace(b"\0\0\3", b"\0\0"), 0

    def u(self, count: int) -> int:
        value = 0
        for _ in range(count):
            value = value << 1 | self._data[self._at >> 3] >> (7 - (self._at & 7)) & 1
            self._at += 1
        return value

    def ue(self) -> int:
        zeros = 0
        while not self.u(1):
            zeros += 1
            if zeros > 32:
                raise IndexError
        return (1 << zeros) - 1 + self.u(zeros)

    def skip_ue(self, count: int) -> None:
        for _ in range(count):
            self.ue()

    def se(self) -> int:
        value = self.ue()
        return (value + 1) // 2 if value & 1 else -(value // 2)


def _of_vui(bits: _Bits) -> str:
    """From the beginning of vui_parameters, which both standards share so far."""
    if bits.u(1) and bits.u(8) == 255:
        bits.u(32)
    if bits.u(1):
        bits.u(1)
    if bits.u(1):
        bits.u(4)
        if bits.u(1):
            bits.u(24)
    if not bits.u(1):
        return UNSAID
    kind = bits.ue()
    return PLACES[kind] if kind < len(PLACES) else UNSAID


def _h264(bits: _Bits) -> str:
    profile = bits.u(8)
    bits.u(16)
    bits.ue()
    if profile in _WITH_CHROMA_FORMAT:
        chroma = bits.ue()
        if chroma == 3:
            bits.u(1)
        bits.skip_ue(2)
        bits.u(1)
        if bits.u(1):
            for k in range(12 if chroma == 3 else 8):
                if bits.u(1):
                    last = following = 8
                    for _ in range(16 if k < 6 else 64):
                        if following:
                            following = (last + bits.se()) % 256
                        last = following or last
    bits.ue()
    order = bits.ue()
    if order == 0:
        bits.ue()
    elif order == 1:
        bits.u(1)
        bits.skip_ue(2)
        bits.skip_ue(bits.ue())
    bits.ue()
    bits.u(1)
    bits.skip_ue(2)
    if not bits.u(1):
        bits.u(1)
    bits.u(1)
    if bits.u(1):
        bits.skip_ue(4)
    return _of_vui(bits) if bits.u(1) else UNSAID


def _h265(bits: _Bits) -> str:
    bits.u(4)
    layers = bits.u(3)
    bits.u(1)
    bits.u(96)
    present = [(bits.u(1), bits.u(1)) for _ in range(layers)]
    if layers:
        bits.u(2 * (8 - layers))
    for profile, level in present:
        bits.u(88 * profile + 8 * level)
    bits.ue()
    if bits.ue() == 3:
        bits.u(1)
    bits.skip_ue(2)
    if bits.u(1):
        bits.skip_ue(4)
    bits.skip_ue(2)
    order_bits = bits.ue() + 4
    for _ in range(layers + 1 if bits.u(1) else 1):
        bits.skip_ue(3)
    bits.skip_ue(6)
    if bits.u(1) and bits.u(1):
        _skip_scaling_lists(bits)
    bits.u(2)
    if bits.u(1):
        bits.u(8)
        bits.skip_ue(2)
        bits.u(1)
    _skip_reference_sets(bits, bits.ue())
    if bits.u(1):
        for _ in range(bits.ue()):
            bits.u(order_bits + 1)
    bits.u(2)
    return _of_vui(bits) if bits.u(1) else UNSAID


def _skip_scaling_lists(bits: _Bits) -> None:
    for size in range(4):
        for _ in range(0, 6, 3 if size == 3 else 1):
            if not bits.u(1):
                bits.ue()
                continue
            if size > 1:
                bits.se()
            for _ in range(min(64, 1 << (4 + 2 * size))):
                bits.se()


def _skip_reference_sets(bits: _Bits, count: int) -> None:
    pictures: list[int] = []
    for index in range(min(count, 64)):
        if index and bits.u(1):
            bits.u(1)
            bits.ue()
            pictures.append(sum(1 for _ in range(pictures[-1] + 1) if bits.u(1) or bits.u(1)))
            continue
        before, after = bits.ue(), bits.ue()
        for _ in range(before + after):
            bits.ue()
            bits.u(1)
        pictures.append(before + after)


__all__ = ["PLACES", "UNSAID", "chroma_site"]
