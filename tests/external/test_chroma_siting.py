"""Where streams say that their chroma lies: what two encoders write, and parameter sets with every part they may have.

Sources: ITU-T H.264 clauses 7.3.2.1.1 and E.1.1, ITU-T H.265 clauses 7.3.2.2, 7.3.3, 7.3.4, 7.3.7 and E.2.1 (which
fields there are, in which order; written here from memory, and held by the encoders' own streams), 7.3.1 (emulation
prevention), H.273 (the six places), ISO/IEC 14496-15 (configuration records). The encoders are those that PyAV brings.
"""

from __future__ import annotations

import io
from collections.abc import Callable

import av
import pytest
from huewright.frames.siting import PLACES, UNSAID, chroma_site


def encoded(codec: str, said: str) -> bytes:
    """What a stream of one grey picture says of itself ahead of its pictures."""
    file = io.BytesIO()
    with av.open(file, "w", format="matroska") as movie:
        stream = movie.add_stream(f"lib{codec}", rate=25)
        stream.width = stream.height = 64
        stream.pix_fmt = "yuv420p"
        stream.options = {f"{codec}-params": f"log-level=error:{said}"}
        for picture in (av.VideoFrame(64, 64, "yuv420p"), None):
            for packet in stream.encode(picture):
                movie.mux(packet)
    file.seek(0)
    with av.open(file) as movie:
        return bytes(movie.streams.video[0].codec_context.extradata)


@pytest.mark.parametrize(("codec", "name", "said"), [
    *(("x264", "h264", said) for said in (
        "cqm=jvt", "cqm4iy=" + ",".join(map(str, range(6, 22))), "overscan=show:videoformat=pal:colorprim=bt709",
        "sar=40/33", "nal-hrd=vbr:vbv-maxrate=1000:vbv-bufsize=1000:keyint=1")),
    *(("x265", "hevc", said) for said in (
        "scaling-list=default", "temporal-layers=3", "bframes=3:ref=3", "sar=10:overscan=show:videoformat=pal"))])
def test_what_encoders_say(codec: str, name: str, said: str) -> None:
    for number in (1, 3, 5):
        assert chroma_site(name, encoded(codec, f"{said}:chromaloc={number}")) == PLACES[number]


class Bits:
    """Fields one after another, as the standards' descriptors u(n), ue(v) and se(v) say."""

    def __init__(self) -> None:
        self.text = ""

    def u(self, count: int, value: int = 0) -> None:
        self.text += f"{value:0{count}b}"

    def ue(self, *values: int) -> None:
        for value in values:
            self.text += f"{value + 1:0{2 * (value + 1).bit_length() - 1}b}"

    def se(self, value: int) -> None:
        self.ue(2 * value - 1 if value > 0 else -2 * value)

    def unit(self, head: bytes) -> bytes:
        """With the stop bit, and a 3 wherever two zeros come before a byte up to 3."""
        text = self.text + "1"
        text += "0" * (-len(text) % 8)
        out, zeros = bytearray(head), 0
        for byte in (int(text[k:k + 8], 2) for k in range(0, len(text), 8)):
            if zeros >= 2 and byte <= 3:
                out.append(3)
                zeros = 0
            out.append(byte)
            zeros = zeros + 1 if byte == 0 else 0
        return bytes(out)


def of_vui(bits: Bits, place: int | None, full: bool) -> None:
    bits.u(1, full)
    if full:
        bits.u(8, 255)                              # a pixel's shape of its own
        bits.u(32, 40 << 16 | 33)
    bits.u(1, full)
    if full:
        bits.u(1, 1)                                # overscan
    bits.u(1, full)
    if full:
        bits.u(4, 5)                                # the signal's kind, full range or not, and its colours
        bits.u(1, 1)
        bits.u(24, 0x010101)
    bits.u(1, place is not None)
    if place is not None:
        bits.ue(place, place)


def h264(place: int | None, *, profile: int = 77, chroma: int = 1, lists: bool = False, order: int = 0,
         fields: bool = False, cropped: bool = False, vui: bool = True, full: bool = False) -> bytes:
    bits = Bits()
    bits.u(8, profile)
    bits.u(16, 40)
    bits.ue(0)
    if profile == 100 or profile == 244:
        bits.ue(chroma)
        if chroma == 3:
            bits.u(1)
        bits.ue(0, 0)
        bits.u(1)
        bits.u(1, lists)
        for k in range((12 if chroma == 3 else 8) if lists else 0):
            bits.u(1, k % 3 != 1)                   # every third list is left out
            if k % 3 == 0 and k != 6:               # one that ends: the next number is 0
                bits.se(5)
                bits.se(-13)
            elif k % 3 != 1:
                for number in range(16 if k < 6 else 64):
                    bits.se(1 if number else -128)
    bits.ue(4, order)
    if order == 0:
        bits.ue(2)
    elif order == 1:
        bits.u(1)
        bits.se(-2)
        bits.se(3)
        bits.ue(3)
        for number in (5, -7, 2):
            bits.se(number)
    bits.ue(3)
    bits.u(1)
    bits.ue(119, 67)
    bits.u(1, not fields)
    if fields:
        bits.u(1)
    bits.u(1, 1)
    bits.u(1, cropped)
    if cropped:
        bits.ue(0, 0, 0, 4)
    bits.u(1, vui)
    if vui:
        of_vui(bits, place, full)
    return bits.unit(b"\x67")


def h265(place: int | None, *, layers: int = 0, chroma: int = 1, cropped: bool = False, each: bool = False,
         lists: bool = False, pcm: bool = False, sets: int = 0, long_term: bool = False, full: bool = False) -> bytes:
    bits = Bits()
    bits.u(4)
    bits.u(3, layers)
    bits.u(1, 1)
    bits.u(96, 0x0160 << 80 | 93)
    for layer in range(layers):
        bits.u(1, layer % 2 == 0)
        bits.u(1, 1)
    if layers:
        bits.u(2 * (8 - layers))
    for layer in range(layers):
        if layer % 2 == 0:
            bits.u(88, 0x0160 << 72 | 7)
        bits.u(8, 90)
    bits.ue(0, chroma)
    if chroma == 3:
        bits.u(1)
    bits.ue(1920, 1088)
    bits.u(1, cropped)
    if cropped:
        bits.ue(0, 0, 0, 4)
    bits.ue(2, 2, 4)
    bits.u(1, each)
    for _ in range(layers + 1 if each else 1):
        bits.ue(4, 2, 0)
    bits.ue(0, 3, 0, 3, 1, 2)
    bits.u(1, lists)
    if lists:
        bits.u(1, 1)
        for size in range(4):
            for matrix in range(0, 6, 3 if size == 3 else 1):
                bits.u(1, matrix == 0)
                if matrix:
                    bits.ue(0)
                    continue
                if size > 1:
                    bits.se(-3)
                for number in range(min(64, 1 << (4 + 2 * size))):
                    bits.se(number - 20)
    bits.u(2, 3)
    bits.u(1, pcm)
    if pcm:
        bits.u(8, 0x77)
        bits.ue(0, 2)
        bits.u(1, 1)
    bits.ue(sets)
    before = 0
    for index in range(sets):
        if index:
            bits.u(1, index % 3 > 0)
        if index % 3:                               # from the one before: some of its pictures, and that one itself
            bits.u(1, 1)
            bits.ue(2)
            kept = 0
            for picture in range(before + 1):
                if picture % 3 == 0:
                    bits.u(1, 1)                    # used
                else:
                    bits.u(1, 0)
                    bits.u(1, picture % 3 == 1)     # not used here, kept for later or not
                kept += picture % 3 != 2
            before = kept
        else:
            bits.ue(3, 1)
            for _ in range(4):
                bits.ue(index)
                bits.u(1, 1)
            before = 4
    bits.u(1, long_term)
    if long_term:
        bits.ue(2)
        bits.u(2 * (8 + 1), 0x155)                  # order counts have 4 + 4 bits here
    bits.u(2, 3)
    bits.u(1, 1)
    of_vui(bits, place, full)
    return bits.unit(b"\x42\x01")


MADE: dict[str, tuple[str, Callable[[int | None], bytes]]] = {
    "plain": ("h264", lambda place: h264(place)),
    "everything it may say": ("h264", lambda place: h264(place, full=True)),
    "high": ("h264", lambda place: h264(place, profile=100)),
    "lists": ("h264", lambda place: h264(place, profile=100, lists=True)),
    "lists of whole chroma": ("h264", lambda place: h264(place, profile=244, chroma=3, lists=True)),
    "counted by a cycle": ("h264", lambda place: h264(place, order=1)),
    "not counted": ("h264", lambda place: h264(place, order=2)),
    "fields, cropped": ("h264", lambda place: h264(place, fields=True, cropped=True)),
    "hevc": ("hevc", lambda place: h265(place)),
    "hevc, everything it may say": ("hevc", lambda place: h265(place, full=True)),
    "layers": ("hevc", lambda place: h265(place, layers=3, each=True)),
    "layers alike": ("hevc", lambda place: h265(place, layers=2)),
    "whole chroma, cropped": ("hevc", lambda place: h265(place, chroma=3, cropped=True)),
    "hevc lists": ("hevc", lambda place: h265(place, lists=True)),
    "pcm": ("hevc", lambda place: h265(place, pcm=True)),
    "sets of references": ("hevc", lambda place: h265(place, sets=6)),
    "long-term references": ("hevc", lambda place: h265(place, long_term=True)),
    "all at once": ("hevc", lambda place: h265(place, layers=3, chroma=3, cropped=True, each=True, lists=True, pcm=True,
                                               sets=6, long_term=True, full=True)),
}


def stream(codec: str, unit: bytes) -> bytes:
    """With start codes, a unit of another kind first."""
    return b"\0\0\0\1" + (b"\x09\x10\0\0\1\x06\5\1\2\3\x80" if codec == "h264" else b"\x40\1\x0c\1\xff\xff") + \
        b"\0\0\0\1" + unit


@pytest.mark.parametrize("made", MADE)
def test_whatever_a_parameter_set_holds(made: str) -> None:
    codec, unit = MADE[made]
    for number, name in enumerate(PLACES):
        assert chroma_site(codec, stream(codec, unit(number))) == name
    assert chroma_site(codec, stream(codec, unit(None))) == UNSAID
    assert chroma_site(codec, stream(codec, unit(6))) == UNSAID      # a seventh place there is not


def record(codec: str, unit: bytes) -> bytes:
    length = len(unit).to_bytes(2, "big")
    if codec == "h264":
        return b"\1\x4d\0\x28\xff\xe1" + length + unit + b"\1\0\4\x68\xee\x3c\x80"
    return b"\1" + bytes(21) + b"\2" + b"\x20\0\1\0\x06\x40\1\x0c\1\xff\xff" + b"\x21\0\1" + length + unit


@pytest.mark.parametrize("made", ["fields, cropped", "hevc lists"])
def test_a_container_s_record_and_one_cut_short(made: str) -> None:
    codec, unit = MADE[made]
    whole = record(codec, unit(3))
    assert chroma_site(codec, whole) == "top"
    assert {chroma_site(codec, whole[:k]) for k in range(len(whole))} <= {"top", UNSAID}
    assert chroma_site(codec, whole[:len(whole) // 2]) == UNSAID
    for zeros in (stream(codec, unit(3)[:2] + bytes(60)), b"\1" + bytes(60), b"", None):
        assert chroma_site(codec, zeros) == UNSAID


@pytest.mark.parametrize(("codec", "said", "place"), [
    ("mjpeg", None, "center"), ("av1", b"\x81\0\x0d", "left"), ("av1", b"\x81\0\x0e", "topleft"),
    ("av1", b"\x81\0\x0c", UNSAID), ("av1", b"\x81\0", UNSAID), ("av1", b"\x80\0\x0e", UNSAID),
    ("vp9", b"\1" * 40, UNSAID),
    ("h264", stream("hevc", h265(2)), UNSAID), ("hevc", stream("h264", h264(2)), UNSAID),
    ("h264", stream("h264", h264(2, vui=False)), UNSAID)])
def test_others(codec: str, said: bytes | None, place: str) -> None:
    assert chroma_site(codec, said) == place
