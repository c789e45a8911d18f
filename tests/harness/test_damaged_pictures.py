"""Pictures as damage, strangers and odd writers leave them: one sentence each, never a traceback or a wrong picture."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from huewright.errors import InputError
from huewright.frames.dpx import read_dpx
from huewright.frames.frame import Frame
from huewright.frames.picture import read_frame, read_header, write_frame


def test_what_the_library_says_need_be_no_text(tmp_path: Path) -> None:
    """A channel's name in an EXR header that is no UTF-8, and one in the library's own complaint about it."""
    write_frame(tmp_path / "whole.exr", Frame(np.zeros((8, 8, 3), np.float16)))
    raw = (tmp_path / "whole.exr").read_bytes()
    for name, old, new in (("names", b"B\0\1\0\0\0", b"\xff\0\1\0\0\0"), ("kind", b"chlist", b"\xff\xfe\xfdist")):
        assert raw.count(old) >= 1
        path = tmp_path / f"{name}.exr"
        path.write_bytes(raw.replace(old, new, 1))
        for read in (read_frame, read_header):
            with pytest.raises(InputError) as caught:
                read(path)
            assert str(caught.value).startswith(str(path)) and str(caught.value).isprintable()


def test_attributes_that_are_no_text_are_carried(tmp_path: Path) -> None:
    import OpenImageIO as oiio  # noqa: N813

    spec = oiio.ImageSpec(8, 8, 3, "half")
    spec.attribute("owner", "somebody invented")
    output = oiio.ImageOutput.create(str(tmp_path / "a.exr"))
    assert output.open(str(tmp_path / "a.exr"), spec) and output.write_image(np.zeros((8, 8, 3), np.float16))
    output.close()
    raw = (tmp_path / "a.exr").read_bytes().replace(b"somebody invented", b"somebody \xefnv\xffnted")
    (tmp_path / "a.exr").write_bytes(raw)
    frame = read_frame(tmp_path / "a.exr")
    assert "compression" in frame.metadata.attributes()
    write_frame(tmp_path / "b.exr", frame)
    assert b"somebody \xefnv\xffnted" in (tmp_path / "b.exr").read_bytes()


@pytest.mark.parametrize(("at", "value", "said"), [
    (768, b"\0\4", "lines run down the picture .orientation 4"), (768, b"\0\7", "orientation 7"),
    (780, b"\0\0\0\1", "numbers are signed")])
@pytest.mark.parametrize("little", [False, True])
def test_dpx_files_that_would_be_read_wrongly_are_refused(tmp_path: Path, at: int, value: bytes, said: str,
                                                          little: bool) -> None:
    """SMPTE ST 268-1: orientation at byte 768, the first element's data sign at 780; in the file's byte order."""
    write_frame(tmp_path / "a.dpx", Frame(np.full((8, 12, 3), 30000, np.uint16), bits=16))
    raw = bytearray((tmp_path / "a.dpx").read_bytes())
    if little:     # the fields that are looked at, in the other order; what follows is never read
        raw[:4] = raw[:4][::-1]
        raw[768:770], raw[770:772], value = raw[768:770][::-1], raw[770:772][::-1], value[::-1]
        raw[780:784] = raw[780:784][::-1]
    raw[at:at + len(value)] = value
    (tmp_path / "a.dpx").write_bytes(raw)
    for read in (read_frame, read_header):
        with pytest.raises(InputError, match=said):
            read(tmp_path / "a.dpx")


def test_a_dpx_file_that_claims_to_be_huge_takes_no_memory(tmp_path: Path) -> None:
    """SMPTE ST 268-1: pixels a line at byte 772, lines at 776."""
    write_frame(tmp_path / "a.dpx", Frame(np.full((8, 12, 3), 30000, np.uint16), bits=16))
    raw = bytearray((tmp_path / "a.dpx").read_bytes())
    raw[772:780] = (2**20).to_bytes(4, "big") * 2          # six terabytes of pixels
    (tmp_path / "a.dpx").write_bytes(raw)
    with pytest.raises(InputError, match="cut short"):
        read_dpx(tmp_path / "a.dpx")


def test_levels_that_are_not_written_are_not_declared(tmp_path: Path) -> None:
    """A tiled EXR file with smaller copies of itself keeps its tiles and loses the claim to have the copies."""
    import OpenImageIO as oiio  # noqa: N813

    image = oiio.ImageBuf(np.random.default_rng(1).random((64, 64, 3)).astype(np.float32))
    assert oiio.ImageBufAlgo.make_texture(oiio.MakeTxTexture, image, str(tmp_path / "a.exr"))
    write_frame(tmp_path / "b.exr", read_frame(tmp_path / "a.exr"))
    source = oiio.ImageInput.open(str(tmp_path / "b.exr"))
    assert source.spec().tile_width > 0 and source.spec().get_int_attribute("openexr:levelmode", 0) == 0
    assert not source.seek_subimage(0, 1)
    assert read_frame(tmp_path / "b.exr").width == 64


def test_the_finder_is_compiled_strictly() -> None:
    """Relaxed arithmetic may be reordered, and then the results vary from processor to processor."""
    import importlib
    import pkgutil

    import huewright.finding as finding
    from huewright_kernels.cache import Entry
    from numba.core.registry import CPUDispatcher

    held = [value for module in pkgutil.iter_modules(finding.__path__, "huewright.finding.")
            for value in vars(importlib.import_module(module.name)).values()]
    compiled = [value.compiled() if isinstance(value, Entry) else value for value in held
                if isinstance(value, CPUDispatcher | Entry)]
    assert len(compiled) > 3
    assert not [function for function in compiled if function.targetoptions.get("fastmath")]
