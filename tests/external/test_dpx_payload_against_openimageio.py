"""DPX payloads read and written as they lie, against OpenImageIO's reader as the outside word (SMPTE ST 268-1)."""

from __future__ import annotations

import os
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.errors import InputError
from huewright.frames.dpx import new_dpx, read_dpx, why_not, write_dpx
from huewright_kernels.executor import compile_chain, run
from hypothesis import given, settings
from hypothesis import strategies as st


def _read_with_openimageio(path: Path, bits: int) -> np.ndarray:
    source = oiio.ImageInput.open(str(path))
    assert source is not None, oiio.geterror()
    pixels = source.read_image(oiio.UINT8 if bits == 8 else oiio.UINT16)
    return pixels if bits == 8 else pixels >> np.uint16(16 - bits)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("width", [61, 64])
def test_new_files_are_read_by_openimageio(tmp_path: Path, bits: int, width: int) -> None:
    codes = np.random.default_rng(bits).integers(0, 2**bits, (33, width, 3)).astype(np.uint16)
    spec = oiio.ImageSpec()
    spec.attribute("smpte:TimeCode", oiio.TypeTimeCode, np.array([0x01020304, 0], np.uint32))
    picture = new_dpx(spec, width, 33, bits).with_codes(codes)
    write_dpx(tmp_path / "a.dpx", picture)
    np.testing.assert_array_equal(_read_with_openimageio(tmp_path / "a.dpx", bits), codes)
    source = oiio.ImageInput.open(str(tmp_path / "a.dpx"))
    assert source.spec().getattribute("smpte:TimeCode")[0] == 0x01020304
    assert (source.spec().width, source.spec().height, source.spec().full_height) == (width, 33, 33)
    again = read_dpx(tmp_path / "a.dpx")
    assert again is not None and again.layout == picture.layout
    np.testing.assert_array_equal(again.codes(), codes)


@pytest.mark.parametrize("bits", [8, 10, 16])
@pytest.mark.parametrize("endian", ["big", "little"])
def test_openimageio_files_are_read_here(tmp_path: Path, bits: int, endian: str) -> None:
    codes = np.random.default_rng(bits).integers(0, 2**bits, (21, 40, 3)).astype(np.uint16)
    spec = oiio.ImageSpec(40, 21, 3, "uint8" if bits == 8 else "uint16")
    spec.attribute("oiio:BitsPerSample", bits)
    spec.attribute("oiio:Endian", endian)
    output = oiio.ImageOutput.create(str(tmp_path / "a.dpx"))
    output.open(str(tmp_path / "a.dpx"), spec)
    output.write_image(codes.astype(np.uint8) if bits == 8 else codes << np.uint16(16 - bits))
    output.close()
    picture = read_dpx(tmp_path / "a.dpx")
    assert picture is not None
    np.testing.assert_array_equal(picture.codes(), codes)
    write_dpx(tmp_path / "b.dpx", picture)
    assert (tmp_path / "b.dpx").read_bytes() == (tmp_path / "a.dpx").read_bytes()


def test_header_and_trailer_stay_verbatim(tmp_path: Path) -> None:
    """A header full of a camera's own bytes, and bytes after the picture, come out as they went in."""
    picture = new_dpx(oiio.ImageSpec(), 16, 4, 10)
    header = bytearray(picture.header)
    header[1664:2048] = np.random.default_rng(0).integers(0, 256, 384).astype(np.uint8).tobytes()
    raw = bytes(header) + picture.payload.tobytes() + b"after the picture"
    (tmp_path / "in.dpx").write_bytes(raw)
    read = read_dpx(tmp_path / "in.dpx")
    assert read is not None and read.trailer == b"after the picture"
    codes = np.full((4, 16, 3), 513, np.uint16)
    write_dpx(tmp_path / "out.dpx", read.with_codes(codes))
    out = (tmp_path / "out.dpx").read_bytes()
    assert out[:len(header)] == bytes(header) and out.endswith(b"after the picture")
    np.testing.assert_array_equal(_read_with_openimageio(tmp_path / "out.dpx", 10), codes)


@pytest.mark.parametrize(("at", "kind", "value"), [
    (768, "H", 1), (770, "H", 2), (800, "B", 100), (803, "B", 14), (804, "H", 0), (804, "H", 2), (806, "H", 1)])
def test_other_layouts_are_left_to_openimageio(tmp_path: Path, at: int, kind: str, value: int) -> None:
    picture = new_dpx(oiio.ImageSpec(), 16, 4, 10)
    header = bytearray(picture.header)
    struct.pack_into(f">{kind}", header, at, value)
    (tmp_path / "a.dpx").write_bytes(bytes(header) + picture.payload.tobytes())
    assert read_dpx(tmp_path / "a.dpx") is None


@pytest.mark.parametrize("filled", [0, 1, 5])
def test_lines_of_odd_length_filled_up_to_a_word_or_not(tmp_path: Path, filled: int) -> None:
    """ST 268-1 says nothing of it, and the header need not: 61 x 3 bytes a line, or 184, tell it by the file's size.
    A size that fits neither is left to OpenImageIO."""
    codes = np.random.default_rng(filled).integers(0, 256, (5, 61, 3)).astype(np.uint8)
    picture = new_dpx(oiio.ImageSpec(), 61, 5, 8)
    header = bytearray(picture.header)
    struct.pack_into(">I", header, 812, 0xFFFFFFFF)     # end-of-line padding of the first element: not said
    lines = b"".join(line.tobytes() + bytes(filled) for line in codes)
    (tmp_path / "a.dpx").write_bytes(bytes(header) + lines)
    read = read_dpx(tmp_path / "a.dpx")
    if filled == 5:
        assert read is None
    else:
        assert read is not None and read.row_bytes == 183 + filled
        np.testing.assert_array_equal(read.codes(), codes)


def test_cut_short(tmp_path: Path) -> None:
    picture = new_dpx(oiio.ImageSpec(), 64, 40, 10)
    (tmp_path / "a.dpx").write_bytes(picture.header + picture.payload.tobytes()[:-4])
    with pytest.raises(InputError, match="cut short"):
        read_dpx(tmp_path / "a.dpx")


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 40), st.integers(1, 8), st.sampled_from([8, 10, 12, 16]), st.integers(0, 2**32 - 1))
def test_codes_round_trip(width: int, height: int, bits: int, seed: int) -> None:
    codes = np.random.default_rng(seed).integers(0, 2**bits, (height, width, 3)).astype(np.uint16)
    np.testing.assert_array_equal(new_dpx(oiio.ImageSpec(), width, height, bits).with_codes(codes).codes(), codes)


def header_of(changes: dict[int, tuple[str, int]], bits: int = 10, order: str = ">") -> bytes:
    """A new file's header with values put over its own: place -> (struct's letter, value)."""
    header = bytearray(new_dpx(oiio.ImageSpec(), 16, 4, bits).header)
    for at, (kind, value) in changes.items():
        struct.pack_into(f"{order}{kind}", header, at, value)
    return bytes(header)


@pytest.mark.parametrize(("changes", "said"), [
    # SMPTE ST 268-1, table 1: orientation at 768, number of elements at 770, each element's data sign at 780 + 72 k.
    ({}, ""), ({768: ("H", 3)}, ""), ({768: ("H", 4)}, "run down the picture (orientation 4)"),
    ({768: ("H", 7)}, "run down the picture (orientation 7)"), ({768: ("H", 8)}, ""),
    ({780: ("I", 1)}, "signed"), ({770: ("H", 0), 780: ("I", 1)}, "signed"), ({852: ("I", 1)}, ""),
    ({770: ("H", 2), 852: ("I", 1)}, "signed"), ({770: ("H", 3), 780 + 2 * 72: ("I", 1)}, "signed"),
    ({770: ("H", 200), 780 + 7 * 72: ("I", 1)}, "signed"), ({770: ("H", 200), 780 + 8 * 72: ("I", 1)}, ""),
    ({770: ("H", 8), 780 + 7 * 72: ("I", 2)}, "")])
def test_why_a_file_s_pixels_can_t_be_taken(tmp_path: Path, changes: dict[int, tuple[str, int]], said: str) -> None:
    (tmp_path / "a.dpx").write_bytes(header_of(changes))
    found = why_not(tmp_path / "a.dpx")
    assert said in found and bool(found) == bool(said)
    (tmp_path / "short.dpx").write_bytes(header_of({768: ("H", 4)})[:2047])
    (tmp_path / "other.dpx").write_bytes(b"XXXX" + header_of({768: ("H", 4)})[4:])
    assert why_not(tmp_path / "short.dpx") == why_not(tmp_path / "other.dpx") == why_not(tmp_path / "none.dpx") == ""


@pytest.mark.parametrize("name", ["short", "other"])
def test_what_is_no_dpx_is_left_to_others(tmp_path: Path, name: str) -> None:
    picture = new_dpx(oiio.ImageSpec(), 16, 4, 10)
    whole = picture.header + picture.payload.tobytes()
    (tmp_path / "a.dpx").write_bytes(whole[:2047] if name == "short" else b"XXXX" + whole[4:])
    assert read_dpx(tmp_path / "a.dpx") is None
    os.mkfifo(tmp_path / "pipe.dpx")        # opened, one that nobody writes into would be waited for: so someone does
    pipe = os.open(tmp_path / "pipe.dpx", os.O_RDWR)
    os.write(pipe, whole[:2048])
    assert read_dpx(tmp_path / "pipe.dpx") is None
    os.close(pipe)
    with pytest.raises(InputError, match="cannot be read"):
        read_dpx(tmp_path / "none.dpx")


@pytest.mark.parametrize(("bits", "offset", "taken"), [
    (10, 2048, True), (10, 2050, False), (10, 2047, False), (8, 2050, True), (16, 2050, True), (10, 1 << 20, False)])
def test_where_the_picture_may_begin(tmp_path: Path, bits: int, offset: int, taken: bool) -> None:
    """Words and half words as they lie in memory; none within the header, none beyond the end."""
    picture = new_dpx(oiio.ImageSpec(), 16, 4, bits)
    header = header_of({4: ("I", offset), 808: ("I", offset)}, bits)[:2048].ljust(max(2048, min(offset, 4096)), b"\0")
    codes = np.arange(4 * 16 * 3).reshape(4, 16, 3).astype(np.uint16)
    (tmp_path / "a.dpx").write_bytes(header[:offset] + picture.with_codes(codes).payload.tobytes())
    read = read_dpx(tmp_path / "a.dpx")
    assert (read is not None) == taken
    if read is not None:
        np.testing.assert_array_equal(read.codes(), codes)


@pytest.mark.parametrize("order", [">", "<"])
@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_kernels_see_the_codes_of_the_file(bits: int, order: str) -> None:
    codes = np.random.default_rng(bits).integers(0, 2**bits, (3, 7, 3)).astype(np.uint16)
    picture = replace(new_dpx(oiio.ImageSpec(), 7, 3, bits), order=order).with_codes(codes)
    seen = np.empty((3, 7, 3), np.float32)
    run(compile_chain(()), picture.kernel_view(), seen)
    np.testing.assert_allclose(seen, codes / (2**bits - 1), atol=1e-7)


@pytest.mark.parametrize(("said", "held", "rate"), [
    ((24000, 1001), {}, 24000 / 1001), ((25, 1), {"dpx:FrameRate": 0.3}, 25.0), ((25, 0), {}, None), ((0, 1), {}, None),
    ((10_000, 1), {}, None), (None, {}, None)])
def test_frames_a_second_stand_in_both_places(tmp_path: Path, said: tuple[int, int] | None, held: dict[str, float],
                                              rate: float | None) -> None:
    """SMPTE ST 268-1: 1724 (film) and 1940 (television), 32-bit floats, from memory."""
    spec = oiio.ImageSpec()
    if said is not None:
        spec.attribute("framesPerSecond", oiio.TypeRational, np.array(said, np.int32))
    for name, value in held.items():
        spec.attribute(name, value)
    header = new_dpx(spec, 16, 4, 10).header
    film, television = (struct.unpack_from(">f", header, at)[0] for at in (1724, 1940))
    if rate is None:
        assert not film > 0 and not television > 0 or np.isnan([film, television]).all()
    else:
        assert television == pytest.approx(rate) and film == pytest.approx(held.get("dpx:FrameRate", rate))


@pytest.mark.parametrize(("bits", "width", "row"), [(8, 5, 16), (10, 5, 20), (12, 5, 32), (16, 5, 32), (8, 4, 12)])
def test_a_new_header_says_its_lines_and_their_padding(bits: int, width: int, row: int) -> None:
    """SMPTE ST 268-1: lines per element at 776, end-of-line padding in bytes at 812, original lines at 1428."""
    picture = new_dpx(oiio.ImageSpec(), width, 3, bits)
    used = {8: 3 * width, 10: 4 * width}.get(bits, 6 * width)
    assert picture.row_bytes == row
    assert [struct.unpack_from(">I", picture.header, at)[0] for at in (776, 1428, 812)] == [3, 3, row - used]


@pytest.mark.parametrize(("codes", "says"), [((0, 0), False), ((255, 0), False), ((0, 255), False), ((1, 0), True),
                                             ((0, 6), True), ((255, 1), True)])
def test_colours_that_a_header_says(codes: tuple[int, int], says: bool) -> None:
    picture = new_dpx(oiio.ImageSpec(), 4, 3, 10)
    picture = replace(picture, header=picture.header[:801] + bytes(codes) + picture.header[803:])
    assert picture.says_colours == says
    unsaid = picture.of_unsaid_colours()
    assert unsaid.header[801:803] == (b"\0\0" if says else bytes(codes))
    assert unsaid.header[:801] + unsaid.header[803:] == picture.header[:801] + picture.header[803:]
